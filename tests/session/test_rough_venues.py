"""A session on a venue that nobody surveyed well, and what it finds out about the venue."""

from __future__ import annotations

import json
import re

import numpy as np
import plan
import pytest
import simulate

from pipeline.base.geodesy import to_enu
from pipeline.base.stadium import spot_xy
from pipeline.cli.app import main
from pipeline.measure import zones
from pipeline.read.practice.venue import read_venue
from pipeline.session.process import make_session_tables
from pipeline.session.venue_file import write_venue
from pipeline.session.venue_sharpening import sharpen_venue

BRIEF = {
    "place": "bend",
    "n_reps": 5,
    "imu": False,
    "spacing_s": 20.0,
    "distractors": False,
    "fault_share": 0.0,
    "curves": False,
    "lane": 4,
    "session_id": "otter",
}
OFF_M = np.array([2.6, -1.9])  # both corners, as a map's picture may be off ...
TURNED_M = np.array([[0.9, 0.4], [-0.9, 0.2]])  # ... and each of them besides


@pytest.fixture(scope="module")
def evening(tmp_path_factory):
    """The folder of a session, with the venue as surveyed and as a telephone has it, its truth, and
    the tables of both."""
    folder = tmp_path_factory.mktemp("evening")
    truth = simulate.make_session(folder, 77, **BRIEF)
    ground = plan.Ground(**truth.session["ground"])
    spots = ("finish@lane1", "back-end@lane1")
    xy = ground.east_north(np.array([spot_xy(s, "4x100") for s in spots])) + OFF_M + TURNED_M
    lat, lon, _ = ground.geodetic(xy, np.zeros(2))
    rows = [f"{s},{a:.8f},{b:.8f}" for s, a, b in zip(spots, lat, lon, strict=True)]
    (folder / "points.csv").write_text("\n".join(["spot,latitude_deg,longitude_deg", *rows]))
    write_venue(
        folder / "points.csv", folder / "rough.geojson", event="4x100", lanes=[4, 5], sd_m=3.0
    )
    text = (folder / "session.toml").read_text()
    (folder / "rough.toml").write_text(text.replace("venue.geojson", "rough.geojson"))
    good = make_session_tables(folder / "session.toml", None)
    rough = make_session_tables(folder / "rough.toml", folder / "out")
    return folder, truth, good, rough


def exchanges(measured):
    return measured.tables["exchanges"].to_pylist()


def test_a_telephones_corners_give_what_a_survey_gives(evening):
    _, truth, good, rough = evening
    assert len(exchanges(rough)) == len(exchanges(good)) == len(truth.exchanges)
    for row, other, true in zip(exchanges(rough), exchanges(good), truth.exchanges, strict=True):
        if row["zone_time_s"] is None or other["zone_time_s"] is None:
            continue
        assert row["zone_time_s"] == pytest.approx(other["zone_time_s"], abs=0.03)
        assert row["zone_time_sd_s"] == pytest.approx(other["zone_time_sd_s"], abs=0.01)
        assert row["zero_sd_s"] < 0.04
        assert abs(row["zero_utc"].timestamp() - true["entry_utc_s"]) < 3.5 * row["zero_sd_s"]


def test_the_session_says_where_the_plan_lies_and_never_touches_the_venue(evening):
    folder, truth, good, rough = evening
    assert good.tables["plan_places"].num_rows == 0  # every line surveyed for itself
    (row,) = rough.tables["plan_places"].to_pylist()
    assert (row["session"], row["takeovers"]) == ("otter", len(truth.exchanges))
    for name, true in zip(("east", "north"), -OFF_M, strict=True):
        assert abs(row[f"{name}_m"] - true) < 3 * row[f"{name}_sd_m"]
        assert row[f"{name}_sd_m"] < 2.0  # the telephone's was 2.4 m, the receivers' is 0.9 m
    assert "plan_places" in make_session_tables(folder / "rough.toml", None).tables
    again = make_session_tables(folder / "rough.toml", None)
    assert again.tables["plan_places"].equals(rough.tables["plan_places"])


def centre_of(path, truth):
    """How far a venue's plan lies from the true one [m]."""
    place = read_venue(path).place
    ground = truth.session["ground"]
    return to_enu(
        place.latitude_deg, place.longitude_deg, None, (ground["lat_deg"], ground["lon_deg"], 0.0)
    )


def test_a_sharper_venue_lies_nearer_and_counts_each_session_once(evening):
    folder, truth, _, _ = evening
    done = sharpen_venue(folder / "rough.geojson", folder / "out", folder / "sharp.geojson")
    assert done.used == ("otter",)
    before, now = (centre_of(folder / f"{n}.geojson", truth) for n in ("rough", "sharp"))
    assert np.hypot(*now) < np.hypot(*before) - 1.0
    assert np.trace(done.cov[:2, :2]) < np.trace(done.cov_before[:2, :2]) / 2
    old, new = (json.loads((folder / f"{n}.geojson").read_text()) for n in ("rough", "sharp"))
    assert new["plan_place"]["sessions"] == ["otter"]
    assert len(old["features"]) == len(new["features"])
    axes = zones.venue_axes(read_venue(folder / "sharp.geojson"), "4x100")
    assert all(axis.exit_m == pytest.approx(30.0, abs=0.005) for axis in axes)
    (folder / "again.geojson").unlink(missing_ok=True)
    words = ("--sharpen", str(folder / "sharp.geojson"), "--sessions", str(folder / "out"))
    assert main(["venue", *words, "--out", str(folder / "again.geojson")]) == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--event=4x100", "--lane=4"], "nothing to place the plan by"),
        (["--lane=4", "--walked=walk.csv"], "--event: missing"),
        (["--event=4x100", "--lane=4", "--survey=p", "--stood-at=finish@lane4"], "no recording"),
        (["--sharpen=venue.geojson"], "one of them alone"),
    ],
)
def test_what_the_command_lacks_is_said(tmp_path, capsys, words, said):
    assert main(["venue", *words, f"--out={tmp_path / 'v.geojson'}"]) == 2
    assert said in re.sub(r"\s+", " ", capsys.readouterr().err)


def test_a_surveyed_venue_cannot_be_sharpened(evening, tmp_path, capsys):
    folder = evening[0]
    words = ("--sharpen", str(folder / "venue.geojson"), "--sessions", str(folder / "out"))
    assert main(["venue", *words, "--out", str(tmp_path / "v.geojson")]) == 6
    assert "surveyed for itself" in capsys.readouterr().err


# --- lines surveyed one by one ---------------------------------------------------------------


def with_exit_off(folder, name, sd_m):
    """The surveyed venue with the zone's exit line 1.4 m too far, said to be good to sd_m."""
    whole = json.loads((folder / "venue.geojson").read_text())
    for feature in whole["features"]:
        own = feature["properties"]
        if own["kind"] == "zone-line":
            own["sd_m"] = sd_m
        if own.get("line") == "exit":
            line = next(
                f["geometry"]["coordinates"]
                for f in whole["features"]
                if f["properties"]["kind"] == "lane" and f["properties"]["lane"] == own["lane"]
            )
            here = np.array(feature["geometry"]["coordinates"])
            points = np.array(line)
            metre = np.array([111_200 * np.cos(np.radians(here[1])), 111_200.0])
            k = int(np.argmin(np.hypot(*((points - here) * metre).T)))
            k = min(k, len(points) - 2)
            way = (points[k + 1] - points[k]) * metre
            moved = here + 1.4 * way / np.hypot(*way) / metre
            feature["geometry"]["coordinates"] = [round(float(x), 9) for x in moved]
    (folder / name).write_text(json.dumps(whole))
    return folder / name


def test_lines_that_say_how_rough_they_are_get_the_rules_length(evening):
    venue = read_venue(with_exit_off(evening[0], "honest.geojson", 1.5))
    for axis in zones.venue_axes(venue, "4x100"):
        assert axis.exit_m == pytest.approx(30.0)
        assert axis.doubts == ()


def test_lines_that_call_themselves_good_make_zone_times_unsure_and_the_session_says_so(evening):
    folder, _, good, _ = evening
    with_exit_off(folder, "bold.geojson", 0.05)
    text = (folder / "session.toml").read_text().replace("venue.geojson", "bold.geojson")
    (folder / "bold.toml").write_text(text)
    bold = make_session_tables(folder / "bold.toml", None)
    assert any("by the rule they are 30 m apart" in words for words in bold.remarks)
    assert not any("by the rule" in words for words in good.remarks)
    both = [
        (row, other)
        for row, other in zip(exchanges(bold), exchanges(good), strict=True)
        if row["zone_time_s"] is not None and other["zone_time_s"] is not None
    ]
    assert len(both) >= 3
    for row, other in both:
        off = abs(row["zone_time_s"] - other["zone_time_s"])
        assert off > 0.08  # what was told without a word
        assert row["zone_time_sd_s"] > off / 2


def test_a_plans_place_that_is_spoilt_is_told(evening, tmp_path):
    whole = json.loads((evening[0] / "rough.geojson").read_text())
    whole["plan_place"]["covariance"][0][0] = -1.0
    (tmp_path / "v.geojson").write_text(json.dumps(whole))
    with pytest.raises(Exception, match="a covariance that is none"):
        read_venue(tmp_path / "v.geojson")
