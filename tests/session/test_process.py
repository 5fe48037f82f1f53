"""A session from files to tables: laws that hold whatever the numbers, and truth that comes back.

Tolerances of the laws are set by what a change of the files loses (stamps of a millisecond,
places of 0.01 mm, a format's quantum) and by the estimator's own stopping, not by its accuracy.
"""

import hashlib
import json
import math
import re
import shutil
import tomllib
from datetime import timedelta

import duckdb
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import small_sessions as small

from pipeline.session import rows as session_rows
from pipeline.session.process import make_session_tables
from pipeline.tables import full_speed, schema

# "a few millimetres, a few milliseconds": what rewriting exact files may change
ROUNDING = {"_s": 0.004, "_m": 0.04, "_mps": 0.02, "p_in_zone": 0.02, "_z": 0.1}
SAME = {"_s": 1e-4, "_m": 1e-3, "_mps": 1e-3, "p_in_zone": 1e-3, "_z": 0.02}
EVERY = list(small.OPTIONS)
SHEETED = [name for name in EVERY if small.OPTIONS[name].get("sheet", True)]
PAIRS = [(c.name, c.sd) for c in schema.facts("exchanges").columns if c.sd is not None]


def assert_same_exchanges(rows, expected, near, skip=(), names=None):
    """`names` are what the runners of the expected rows are called now. Figures inside remarks
    stand in the columns too, where they are compared."""

    def in_words(row, called):
        said = [re.sub(r"\d+(\.\d+)?", "#", remark) for remark in row["remarks"]]
        for old, new in called.items():
            said = [re.sub(rf"\b{old}\b", new, remark) for remark in said]
        return {**row, "remarks": said}

    assert len(rows) == len(expected)
    for a, b in zip(rows, expected, strict=True):
        assert small.differences(in_words(a, {}), in_words(b, names or {}), near, set(skip)) == []


def assert_same_curves(rows, expected, near_m):
    """At common moments of each course; the grids may begin a fiftieth apart."""
    one, other = pd.DataFrame(rows), pd.DataFrame(expected)
    keys = ["exchange", "role"]
    assert set(map(tuple, one[keys].values)) == set(map(tuple, other[keys].values))
    for key, a in one.groupby(keys):
        b = other[(other["exchange"] == key[0]) & (other["role"] == key[1])]
        inside = (a["t_s"] >= b["t_s"].min()) & (a["t_s"] <= b["t_s"].max())
        assert inside.mean() > 0.97
        for column in ("s_m", "v_mps"):
            at = np.interp(a["t_s"][inside], b["t_s"], b[column])
            assert np.abs(a[column][inside] - at).max() < near_m


# --- laws ----------------------------------------------------------------------------------


@pytest.mark.parametrize("by_s", [-7.25, 3_605.0, 40 * 86_400 + 0.513])
def test_all_stamps_later_moves_only_zero_utc(tmp_path, by_s):
    folder = small.copied("failed", tmp_path)
    small.session_later(folder, by_s)
    was, now = small.processed("failed"), small.run(folder)
    assert_same_exchanges(now.exchanges, was.exchanges, ROUNDING, {"zero_utc", "date"})
    for a, b in zip(now.exchanges, was.exchanges, strict=True):
        moved_by = (a["zero_utc"] - b["zero_utc"]).total_seconds()
        assert moved_by == pytest.approx(by_s, abs=0.002)
    assert_same_curves(now.speed_curves, was.speed_curves, 0.02)


def test_counters_and_taps_later_moves_only_utc(tmp_path):
    folder = small.copied("counted", tmp_path)
    small.session_later(folder, 1_234.5)
    was, now = small.processed("counted"), small.run(folder)
    assert_same_exchanges(now.exchanges, was.exchanges, ROUNDING, {"zero_utc", "date"})
    for a, b in zip(now.recordings, was.recordings, strict=True):
        if a["clock"] == "device":
            later = (a["counter_zero_utc"] - b["counter_zero_utc"]).total_seconds()
            assert later == pytest.approx(1_234.5, abs=0.002)
            assert a["drift_ppm"] == pytest.approx(b["drift_ppm"], abs=0.5)


@pytest.mark.parametrize(
    ("turn_rad", "latitude_deg", "longitude_deg"),
    [(1.0, -33.9, 151.2), (-2.6, 64.1, 180.0), (0.3, 0.0, 101.0)],
    ids=["south", "on the date line", "on the equator"],
)
def test_turn_and_move_the_stadium_and_nothing_changes_on_the_lanes_axis(
    tmp_path, turn_rad, latitude_deg, longitude_deg
):
    folder = small.copied("plain", tmp_path)
    small.moved(folder, turn_rad, latitude_deg, longitude_deg)
    was, now = small.processed("plain"), small.run(folder)
    assert now.remarks == was.remarks
    assert_same_exchanges(now.exchanges, was.exchanges, ROUNDING, {"zero_utc", "date"})
    for a, b in zip(now.exchanges, was.exchanges, strict=True):
        assert abs(a["zero_utc"] - b["zero_utc"]) < timedelta(milliseconds=2)
    assert_same_curves(now.speed_curves, was.speed_curves, 0.02)


def test_a_stadium_with_a_bend_and_accelerometers_turns_too(tmp_path):
    folder = small.copied("sensed", tmp_path)
    small.moved(folder, 2.0, 18.0, -77.0)
    was, now = small.processed("sensed"), small.run(folder)
    assert_same_exchanges(now.exchanges, was.exchanges, ROUNDING, {"zero_utc", "date"})


@pytest.mark.parametrize("name", ["plain", "counted"])
def test_the_order_in_session_toml_does_not_matter(tmp_path, name):
    folder = small.copied(name, tmp_path)
    head, *others = small.tables_of_toml(folder)
    small.write_toml(folder, [head, *others[::-1]])
    was, now = small.processed(name), small.run(folder)
    assert_same_exchanges(now.exchanges, was.exchanges, SAME, {"zero_utc"})
    for a, b in zip(now.exchanges, was.exchanges, strict=True):
        assert abs(a["zero_utc"] - b["zero_utc"]) < timedelta(milliseconds=1)
    rows = {(row["file"], row["sensor"]): row for row in now.recordings}
    for row in was.recordings:
        near = {**SAME, "_ppm": 0.1, "_hz": 1e-3}
        other = rows.pop((row["file"], row["sensor"]))
        assert small.differences(other, row, near, {"counter_zero_utc"}) == []
    assert rows == {}


def test_the_order_of_the_sheets_rows_does_not_matter_where_it_has_times(tmp_path):
    folder = small.copied("plain", tmp_path)
    head, *rows = (folder / "reps.csv").read_text().splitlines()
    (folder / "reps.csv").write_text("\n".join([head, *rows[::-1]]) + "\n")
    now = small.run(folder)
    assert_same_exchanges(now.exchanges, small.processed("plain").exchanges, SAME)


@pytest.mark.parametrize("time", ["2026-05-12T03:00:00Z", ""], ids=["hours off", "blank"])
def test_a_rep_whose_time_is_wrong_or_blank_is_found_by_its_order(tmp_path, time):
    folder = small.copied("plain", tmp_path)
    small.each_row(
        folder / "reps.csv", lambda row: {**row, "start_utc": time} if row["rep"] == "2" else row
    )
    assert_same_exchanges(
        small.run(folder).exchanges, small.processed("plain").exchanges, SAME, {"remarks"}
    )


def test_runners_under_other_names_run_the_same(tmp_path):
    folder = small.copied("plain", tmp_path)
    names = {"wren": "a", "adder": "zz-2", "teal": "m.n"}  # and in another order of the alphabet
    small.renamed(folder, names)
    was, now = small.processed("plain"), small.run(folder)
    assert_same_exchanges(now.exchanges, was.exchanges, SAME, {"incoming", "outgoing"}, names)
    for a, b in zip(now.exchanges, was.exchanges, strict=True):
        assert (a["incoming"], a["outgoing"]) == (names[b["incoming"]], names[b["outgoing"]])


# What writing the same samples in another format may change: the format's own quantum (FIT
# records: 1/128 s and mm/s; NMEA: thousandths of a knot and 1e-6 minutes) and a margin.
QUANTA = {
    "csv.gz": (0.001, 0.01),
    "gpx": (0.003, 0.02),
    "tcx": (0.003, 0.02),
    "nmea": (0.003, 0.03),
    "fit": (0.003, 0.03),
    "fit-record": (1 / 128, 0.08),
}


@pytest.mark.parametrize("form", QUANTA)
def test_the_same_samples_in_another_format_agree_within_its_quantum(tmp_path, form):
    small.make(tmp_path, "plain", formats=(form,))
    was, now = small.processed("plain"), small.run(tmp_path)
    assert {row["format"] for row in now.recordings} == {form.split("-")[0].removesuffix(".gz")}
    seconds, speed = QUANTA[form]
    near = {"_s": 4 * seconds, "_m": 40 * seconds, "_mps": speed, "p_in_zone": 0.1, "_z": 0.5}
    coarse = {"pass_t_s", "pass_m", "free_distance_m"}  # flat likelihoods: see below
    assert_same_exchanges(now.exchanges, was.exchanges, near, {"zero_utc", *coarse})
    for a, b in zip(now.exchanges, was.exchanges, strict=True):
        assert abs((a["zero_utc"] - b["zero_utc"]).total_seconds()) < 2 * seconds
        for name in coarse:  # move within their standard error, and by little of it
            sd = a[dict(PAIRS)[name]]
            assert abs(a[name] - b[name]) < 0.2 * sd + 4 * seconds


def test_stamps_cut_to_whole_seconds_lose_no_takeover(tmp_path):
    """Ten fixes to a second are spread over it: their places within it are lost, no more."""
    small.make(tmp_path, "plain", formats=("gpx-s",))
    was, now = small.processed("plain"), small.run(tmp_path)
    assert len(now.exchanges) == len(was.exchanges)
    for a, b in zip(now.exchanges, was.exchanges, strict=True):
        assert a["zone_time_s"] == pytest.approx(b["zone_time_s"], abs=0.03)
        assert abs((a["zero_utc"] - b["zero_utc"]).total_seconds()) < 0.11


def last_curve_utc_s(tables):
    exchange = tables.exchanges[-1]
    ends = [r["t_s"] for r in tables.speed_curves if r["exchange"] == exchange["exchange"]]
    return exchange["zero_utc"].timestamp() + max(ends)


def test_cutting_the_files_after_the_last_takeover_changes_little(tmp_path):
    """What all reps share (noise, delay, slow errors) rests on a few seconds less."""
    was = small.processed("plain")
    folder = small.copied("plain", tmp_path)
    for path in small.track_files(folder):
        small.kept(path, until_s=last_curve_utc_s(was) + 3.0)
    assert_moved_within(small.run(folder).exchanges, was.exchanges, 0.7)


def test_leaving_out_the_last_takeover_leaves_the_earlier_ones(tmp_path):
    was = small.processed("plain")
    folder = small.copied("plain", tmp_path)
    for path in small.track_files(folder):
        small.kept(path, until_s=was.exchanges[-1]["zero_utc"].timestamp() - 20.0)
    now = small.run(folder)
    assert_moved_within(now.exchanges, was.exchanges[:-1], 2.5)
    said = " ".join(now.remarks)
    assert "sheet line 5" in said  # the headers are line 1, and it is the fourth rep
    assert "not found" in said


def assert_moved_within(rows, expected, sds):
    """Each estimate within so many of its own standard errors of what it was."""
    assert len(rows) == len(expected)
    for a, b in zip(rows, expected, strict=True):
        assert (a["incoming"], a["outgoing"], a["rep"]) == (b["incoming"], b["outgoing"], b["rep"])
        assert a["outcome"] == b["outcome"]
        for name, sd in PAIRS:
            if a[name] is not None and b[name] is not None:
                assert abs(a[name] - b[name]) <= sds * max(a[sd], b[sd]) + 1e-3, name


def test_processing_twice_gives_the_same_bytes(tmp_path):
    folder = small.simulated("sensed").folder
    for out in ("one", "two"):
        make_session_tables(folder / "session.toml", tmp_path / out)
    for name in schema.TABLES:
        one, two = (next((tmp_path / out / name).rglob("*.parquet")) for out in ("one", "two"))
        assert one.read_bytes() == two.read_bytes()


def test_processing_changes_no_input(tmp_path):
    folder = small.copied("counted", tmp_path)

    def hashes():
        return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*.*")}

    before = hashes()
    small.run(folder, tmp_path / "out")
    assert hashes() == before


@pytest.mark.parametrize("who", [0, 1], ids=["incoming", "outgoing"])
def test_a_recording_cut_before_a_takeover_loses_only_those_that_need_it(tmp_path, who):
    was = small.processed("plain")
    cut = was.exchanges[2]
    runner = cut[("incoming", "outgoing")[who]]
    folder = small.copied("plain", tmp_path)
    until_s = cut["zero_utc"].timestamp() - 15.0
    small.kept(folder / f"{runner}.csv", until_s=until_s)
    expected = [
        row
        for row in was.exchanges
        if row["zero_utc"].timestamp() < until_s or runner not in (row["incoming"], row["outgoing"])
    ]
    assert 2 <= len(expected) < len(was.exchanges)
    now = small.run(folder)
    assert_moved_within(now.exchanges, expected, 2.5)
    assert len([r for r in now.remarks if "not found" in r]) == len(was.exchanges) - len(expected)


def test_somebody_standing_by_with_a_unit_costs_no_takeover(tmp_path):
    was = small.processed("failed")
    folder = small.copied("failed", tmp_path)
    stand_by(folder, "coach")
    now = small.run(folder)
    assert_moved_within(now.exchanges, was.exchanges, 1.0)
    assert [row["runner"] for row in now.recordings if row["file"] == "coach.csv"] == ["coach"]


def stand_by(folder, name):
    """A unit at rest beside the zone: a runner's stamps, the first place, noise of its own."""
    rng = np.random.default_rng(5)
    source = small.track_files(folder)[0]
    shutil.copy(source, folder / f"{name}.csv")
    venue = json.loads((folder / "venue.geojson").read_text())
    points = [f for f in venue["features"] if f["properties"].get("line") == "exit"]
    lon, lat = points[0]["geometry"]["coordinates"]

    def at_rest(row):
        return {
            **row,
            "latitude_deg": f"{lat + 6e-5 + rng.normal(0, 5e-7):.7f}",
            "longitude_deg": f"{lon + rng.normal(0, 5e-7):.7f}",
            "speed_mps": f"{abs(rng.normal(0, 0.08)):.2f}",
        }

    small.each_row(folder / f"{name}.csv", at_rest)
    with (folder / "session.toml").open("a") as file:
        file.write(f'\n[[runner]]\nid = "{name}"\n')
        file.write(f'\n[[recording]]\nrunner = "{name}"\nfile = "{name}.csv"\n')


# --- truth comes back ----------------------------------------------------------------------


@pytest.mark.parametrize("name", EVERY)
def test_every_takeover_is_found_and_none_invented(name):
    truth, rows = small.simulated(name), small.processed(name).exchanges
    true = [small.true_exchange(truth, row) for row in rows]  # raises for an invented one
    numbers = [x["exchange"] for x in true]
    assert len(set(numbers)) == len(numbers)
    missed = [x for x in truth.exchanges if x["exchange"] not in numbers]
    assert [x for x in missed if x["outcome"] == "passed"] == []
    assert [row["outcome"] for row in rows] == [x["outcome"] for x in true]
    if truth.session["sheet"]:
        assert missed == []
        assert [row["rep"] for row in rows] == [x["rep"] for x in true]
    else:
        assert {row["rep"] for row in rows} <= {None}


@pytest.mark.parametrize("name", EVERY)
def test_zone_times_are_true_within_a_tenth_of_a_second(name):
    checked = 0
    for row in small.processed(name).exchanges:
        true = small.true_exchange(small.simulated(name), row)
        assert (row["zone_time_s"] is None) == (true["baton_zone_time_s"] is None)
        if row["zone_time_s"] is not None:
            assert row["zone_time_s"] == pytest.approx(true["baton_zone_time_s"], abs=0.1)
            length_m = small.simulated(name).session["zone_m"]
            # the survey of the two lines is good to centimetres
            assert row["zone_speed_mps"] * row["zone_time_s"] == pytest.approx(length_m, abs=0.2)
            checked += 1
    assert checked >= 2


@pytest.mark.parametrize("name", EVERY)
def test_what_is_estimated_is_true_within_five_standard_errors(name):
    truth = small.simulated(name)
    moments = {"go_t_s": "go_utc_s", "mark_t_s": "mark_utc_s", "pass_t_s": "pass_utc_s"}
    moments |= {"hand_back_t_s": "hand_back_utc_s"}
    others = {"zone_time_s": "baton_zone_time_s"}
    off = []
    for row in small.processed(name).exchanges:
        true = small.true_exchange(truth, row)
        for column, sd in PAIRS:
            known = true[moments.get(column) or others.get(column, column)]
            if row[column] is None or known is None:
                continue
            value = row[column]
            if column in moments:
                value += row["zero_utc"].timestamp()
            # moments count from zero_utc, whose own error is a few hundredths
            bound = 5 * (math.hypot(row[sd], 0.03) if column in moments else row[sd])
            if abs(value - known) > bound:
                off.append(f"{row['exchange']} {column}: {value - known:+.3f}, sd {row[sd]:.3f}")
    assert off == []


@pytest.mark.parametrize("name", ["sensed", "counted"])
def test_with_an_accelerometer_the_steps_are_counted_and_true(name):
    for row in small.processed(name).exchanges:
        true = small.true_exchange(small.simulated(name), row)
        assert row["steps_to_pass"] is not None
        # those the accelerometer counts are exact; how many were before the pass is not
        spare = 1 + math.ceil(5 * row["pass_t_sd_s"] * 4.5)
        assert abs(row["steps_to_pass"] - true["steps_to_pass"]) <= spare


def test_counters_are_tied_where_they_truly_were():
    truth = {r["file"]: r for r in small.simulated("counted").recordings if r.get("counter")}
    rows = [r for r in small.processed("counted").recordings if r["clock"] == "device"]
    assert len(rows) == len(truth) == 3
    for row in rows:
        true = truth[row["file"]]
        assert row["clock_basis"] == "taps"
        assert row["offset_s"] is None
        middle = 0.5 * (row["first_utc"].timestamp() + row["last_utc"].timestamp())
        reading = (middle - true["counter_zero_utc_s"]) * (1 + true["drift_ppm"] * 1e-6)
        said = row["counter_zero_utc"].timestamp() + reading / (1 + row["drift_ppm"] * 1e-6)
        assert abs(said - middle) < 5 * row["clock_sd_s"]
        assert row["clock_sd_s"] < 0.05


SHEET_WORDS = {  # what nobody need write
    "note", "effort", "drill", "use", "technique", "hand", "wind_mps", "race",
    "outgoing_start_m", "incoming_start_m", "time_zone",
}  # fmt: skip
UNUSED = ("observations", "legs", "exercises", "plan_places")


# --- the contract --------------------------------------------------------------------------


def test_one_out_holds_many_sessions_and_everybody_reads_it(tmp_path):
    for name in ("plain", "sensed", "unwritten"):
        small.run(small.simulated(name).folder, tmp_path)
    for name in schema.TABLES:
        if name in UNUSED:  # nobody watched, raced or jogged: files without rows
            assert len(list((tmp_path / name).rglob("part-0.parquet"))) == 3
            continue
        frame = pd.read_parquet(tmp_path / name)
        assert set(frame["session"].astype(str)) == {"plain", "sensed", "unwritten"}
        counted = duckdb.sql(
            f"select count(*) from read_parquet('{tmp_path}/{name}/*/*.parquet', "
            "hive_partitioning = true)"
        ).fetchall()
        assert counted == [(len(frame),)] != [(0,)]
        for path in (tmp_path / name).rglob("*.parquet"):
            schema.read_part(path, name)  # checks
    assert not list(tmp_path.rglob(".writing*"))


@pytest.mark.parametrize("name", EVERY)
def test_the_tables_conform_and_hold_no_nan(name):
    result = make_session_tables(small.simulated(name).folder / "session.toml", None)
    for table_name, table in result.tables.items():
        schema.check_table(table_name, table)
        if table_name in UNUSED:
            assert not table.num_rows
            continue
        assert table.num_rows
        assert set(table.column("session").to_pylist()) == {name}
    for rows in (small.processed(name).exchanges, small.processed(name).recordings):
        for value in (value for row in rows for value in row.values()):
            assert not (isinstance(value, float) and not math.isfinite(value))


@pytest.mark.parametrize("name", EVERY)
def test_exchanges_count_from_one_in_time_order(name):
    rows = small.processed(name).exchanges
    assert [row["exchange"] for row in rows] == list(range(1, len(rows) + 1))
    zeros = [row["zero_utc"] for row in rows]
    assert zeros == sorted(zeros)


@pytest.mark.parametrize("name", EVERY)
def test_curves_run_from_set_off_to_thirty_metres_beyond_at_fifty_rows_a_second(name):
    tables, truth = small.processed(name), small.simulated(name)
    frame = pd.DataFrame(tables.speed_curves)
    for row in tables.exchanges:
        true = small.true_exchange(truth, row)
        own = frame[frame["exchange"] == row["exchange"]]
        by_role = {role: own[own["role"] == role] for role in set(own["role"])}
        assert set(by_role) == {"incoming", "outgoing"}
        for role, part in by_role.items():
            assert set(part["runner"]) == {row[role]}
            assert np.diff(part["t_s"]) == pytest.approx(0.02, abs=1e-6)
        zero = row["zero_utc"].timestamp()
        first = by_role["incoming"].iloc[0]
        if true["in_start_m"] < 59:  # else from 60 m before the zone
            assert first["t_s"] + zero == pytest.approx(true["start_utc_s"], abs=0.6)
        else:
            assert first["s_m"] == pytest.approx(-60, abs=1)
        assert by_role["outgoing"].iloc[0]["t_s"] == pytest.approx(first["t_s"], abs=0.021)
        if row["outcome"] == "passed":
            last = by_role["outgoing"].iloc[-1]
            assert last["s_m"] == pytest.approx(truth.session["zone_m"] + 30, abs=0.5)


@pytest.mark.parametrize("name", EVERY)
def test_curves_and_rows_tell_one_story(name):
    """Entry at 0, the two trunks apart by the free distance at the pass, speeds alike."""
    tables = small.processed(name)
    frame = pd.DataFrame(tables.speed_curves)
    for row in tables.exchanges:
        own = frame[frame["exchange"] == row["exchange"]]
        inc, out = own[own["role"] == "incoming"], own[own["role"] == "outgoing"]
        assert np.interp(0.0, inc["t_s"], inc["s_m"]) == pytest.approx(0.0, abs=0.01)
        assert np.interp(0.0, inc["t_s"], inc["v_mps"]) == pytest.approx(
            row["v_in_entry_mps"], abs=0.05
        )
        if row["outcome"] != "passed":
            continue
        at = [np.interp(row["pass_t_s"], c["t_s"], c["s_m"]) for c in (inc, out)]
        # the row holds means over where the pass may have been, so within its errors
        assert at[1] - at[0] == pytest.approx(
            row["free_distance_m"], abs=0.3 + 2 * row["free_distance_sd_m"]
        )
        assert np.mean(at) == pytest.approx(row["pass_m"], abs=0.3 + row["pass_sd_m"])


def test_a_takeover_that_looks_like_a_build_up_says_so_and_how_to_keep_it(monkeypatch):
    slow = full_speed.SpeedJudgement(False, "both runners were at 78% and 80%", recognised=True)
    told = full_speed.SpeedJudgement(False, "the sheet says so")
    fast = full_speed.SpeedJudgement(True)
    monkeypatch.setattr(session_rows, "judge_speeds", lambda _table: [slow, told, fast, fast])
    path = small.simulated("plain").folder / "session.toml"
    exchanges = make_session_tables(path, None).tables["exchanges"]
    said = [" ".join(words) for words in exchanges["remarks"].to_pylist()]
    assert ["left out of advice" in words for words in said] == [True, False, False, False]
    assert "use = yes" in said[0]


@pytest.mark.parametrize("name", EVERY)
def test_a_null_has_its_reason_in_the_remarks(name):
    for row in small.processed(name).exchanges:
        # what only an observer or a wrist shows, and what nobody wrote
        by_nature = {"hand_back_t_s", "hand_back_t_sd_s", "steps_to_hand_back", *SHEET_WORDS}
        if name.endswith("unwritten"):
            by_nature |= {"rep"}
        if name.endswith("unwritten"):  # no sheet, no marks
            by_nature |= {"mark_m", "mark_t_s", "mark_t_sd_s", "go_lag_s"}
        nulls = [c for c, value in row.items() if value is None and c not in by_nature]
        assert not nulls or row["remarks"], nulls
        if "steps_to_pass" in nulls and row["outcome"] == "passed":
            assert any("accelerometer" in remark for remark in row["remarks"])
        if row["outcome"] == "not passed":
            assert any("no pass" in remark for remark in row["remarks"])


@pytest.mark.parametrize("name", ["plain", "unwritten"])
def test_both_runners_feet_stand_in_the_row(name):
    """As session.toml has it, with or without a sheet."""
    setup = tomllib.loads((small.simulated(name).folder / "session.toml").read_text("utf-8"))
    feet = {runner["id"]: runner["foot_m"] for runner in setup["runner"]}
    assert len(set(feet.values())) > 1
    for row in small.processed(name).exchanges:
        assert row["foot_m"] == feet[row["outgoing"]]
        assert row["incoming_foot_m"] == feet[row["incoming"]]


def test_an_unknown_foot_is_null(tmp_path):
    folder = small.copied("unwritten", tmp_path)
    small.edit(folder / "session.toml", lambda text: re.sub(r"(?m)^foot_m = .*\n", "", text))
    rows = small.run(folder).exchanges
    assert rows
    assert {row[name] for row in rows for name in ("foot_m", "incoming_foot_m")} == {None}


@pytest.mark.parametrize("name", SHEETED)
def test_the_sheets_facts_come_back(name):
    for row in small.processed(name).exchanges:
        true = small.true_exchange(small.simulated(name), row)
        assert row["mark_m"] == pytest.approx(true["mark_m"], abs=0.06)  # feet to two decimals
        assert (row["lane"], row["zone"], row["event"]) == (
            true["lane"], true["zone"], true["event"],
        )  # fmt: skip
        if row["go_t_s"] is not None and row["mark_t_s"] is not None:
            assert row["go_lag_s"] == pytest.approx(row["go_t_s"] - row["mark_t_s"], abs=1e-9)
        assert row["pass_basis"] in ("inferred", "sensed")  # nobody wrote a pass


@pytest.mark.parametrize("name", ["plain", "counted"])
def test_no_position_on_earth_in_what_comes_out(tmp_path, name):
    """Neither by a column's name nor by a number near the stadium's latitude or longitude."""
    truth = small.simulated(name)
    small.run(truth.folder, tmp_path)
    ground = truth.session["ground"]
    for path in (p for p in tmp_path.rglob("*") if p.is_file()):
        data = path.read_bytes().lower()
        for word in (b"latitude", b"longitude", b"easting", b"northing"):
            assert word not in data, path
        if path.suffix == ".parquet":
            for column in pq.ParquetFile(path).read().columns:
                values = [v for v in column.to_pylist() if isinstance(v, float)]
                for degrees in (ground["lat_deg"], ground["lon_deg"]):
                    assert not any(abs(v - degrees) < 2e-3 for v in values if abs(v) > 100)
        else:
            text = path.read_text()
            for degrees in (ground["lat_deg"], ground["lon_deg"]):
                assert f"{degrees:.2f}" not in text


def test_the_record_names_every_input(tmp_path):
    folder = small.simulated("plain").folder
    small.run(folder, tmp_path)
    record = json.loads(next(tmp_path.rglob("provenance.json")).read_text())
    expected = {"session.toml", "venue.geojson", "reps.csv"}
    expected |= {path.name for path in small.track_files(folder)}
    assert set(record["inputs"]) == expected
    for name, sha in record["inputs"].items():
        assert sha == hashlib.sha256((folder / name).read_bytes()).hexdigest()


def test_progress_is_told_in_order():
    told = []
    make_session_tables(
        small.simulated("plain").folder / "session.toml",
        None,
        progress=lambda what, done, of: told.append((what.split()[0], done, of)),
    )
    assert [what for what, _, _ in told] == sorted(
        (what for what, _, _ in told), key=["read", "clock", "measure", "write"].index
    )
    assert all(0 <= done < of for _, done, of in told)
