"""A session made from a folder of device files passes `check` and `process` as it is."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import tomllib
from pathlib import Path

import pytest
import small_sessions as small
from checkout import ROOT

from pipeline.errors import UsageError, VenueError
from pipeline.read.units import UnitName, unit_of_file
from pipeline.session import device_files, new_session, process
from pipeline.session.check import check_session
from pipeline.session.new_session import NewSession, Wanted, make_new_session

# An inertial unit and observers' files; a 4x400; a race.
SAMPLES = [ROOT / "sample_tracks" / name for name in ("larch-straight", "larch-long", "larch-race")]
WRITTEN = ("session.toml", "reps.csv")
NOTHING = Wanted({}, {})


def raw_files(sample: Path, folder: Path) -> Path:
    """A sample's files as they came from the units, and its venue."""
    target = folder / sample.name
    shutil.copytree(sample, target, ignore=shutil.ignore_patterns(*WRITTEN))
    return target


@pytest.fixture
def evening(tmp_path) -> Path:
    """The CSVs of three runners' units, and a venue."""
    folder = small.copied("plain", tmp_path)
    for name in WRITTEN:
        (folder / name).unlink()
    return folder


def document(made: NewSession) -> dict:
    return tomllib.loads(made.path.read_text("utf-8"))


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.name)
def test_every_sample_can_be_measured_from_its_raw_files(sample, tmp_path):
    folder = raw_files(sample, tmp_path)
    made = make_new_session(folder, NOTHING)
    told = tomllib.loads((sample / "session.toml").read_text("utf-8"))
    assert (made.lane.event, made.lane.lane) == (told["session"]["event"], told["session"]["lane"])
    assert made.day == told["session"]["date"]
    assert len(made.runners) == len(told["runner"])
    assert len(document(made)["recording"]) == len(told["recording"])
    report = check_session(made.path)
    assert report.can_measure
    assert report.unreadable == ()
    if sample.name == "larch-race":  # the others take longer than they are worth
        rows = process.make_session_tables(made.path, None).tables["exchanges"].to_pylist()
        assert len(rows) >= 3
        assert {row["lane"] for row in rows} == {told["session"]["lane"]}


def test_nothing_is_overwritten(evening):
    (evening / "reps.csv").write_text("rep,incoming,outgoing\n1,a,b\n")
    made = make_new_session(evening, NOTHING)
    assert made.kept == (evening / "reps.csv",)
    assert (evening / "reps.csv").read_text().endswith("1,a,b\n")
    before = made.path.read_bytes()
    with pytest.raises(UsageError, match="exists already"):
        make_new_session(evening, NOTHING)
    assert made.path.read_bytes() == before


def test_a_folder_of_a_name_is_a_runner_and_options_say_the_rest(evening):
    (evening / "robin").mkdir()
    (evening / "wren.csv").rename(evening / "robin" / "0417.csv")
    wanted = Wanted({"teal.csv": "jay"}, {"adder.csv": "waist"})
    made = make_new_session(evening, wanted)
    owners = {one.found.file: (one.runner, one.worn) for one in made.files}
    assert owners == {
        "adder.csv": ("runner-1", "waist"),
        "robin/0417.csv": ("robin", "upper-back"),
        "teal.csv": ("jay", "upper-back"),
    }
    assert check_session(made.path).can_measure


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (Wanted({"tael.csv": "jay"}, {}), "teal.csv"),
        (Wanted({"teal.csv": "a b"}, {}), "letters, digits"),
        (Wanted({}, {"teal.csv": "foot"}), "upper-back"),
        (Wanted({}, {}, team=["a/b"]), "letters, digits"),
        (Wanted({}, {}, venue=Path("nowhere.geojson")), "no such file"),
    ],
)
def test_an_option_that_cannot_be_is_refused_before_anything_is_written(evening, wanted, words):
    with pytest.raises((UsageError, VenueError), match=words):
        make_new_session(evening, wanted)
    assert not any((evening / name).exists() for name in WRITTEN)


def test_what_is_no_recording_stands_in_notes_and_stops_nothing(evening):
    (evening / "half.fit").write_bytes(b"\x0e\x10\x00\x00\xff\xff\xff\xff.FIT")
    (evening / "notes.txt").write_text("what a day\n")
    (evening / "film.csv").write_text("rep,event,time_s\n1,go,2.0\n")
    (evening / "copy.csv.part").write_text("time_utc")
    small.later(shutil.copy(evening / "wren.csv", evening / "old.csv"), -40 * 86_400)
    made = make_new_session(evening, NOTHING)
    unused = {one.found.file: one.found.why for one in made.files if one.runner is None}
    assert set(unused) == {"half.fit", "notes.txt", "film.csv", "old.csv"}
    assert "another day" in unused["old.csv"]
    text = made.path.read_text("utf-8")
    assert all(f'# file = "{name}"' in text for name in unused)
    assert len(document(made)["recording"]) == 3
    assert check_session(made.path).can_measure


def test_hostile_names_and_serials_stay_words(evening):
    hostile = 'a"b\\ #]x.csv'
    (evening / "wren.csv").rename(evening / hostile)
    with (evening / "teal.csv").open() as file:
        rest = file.read()
    (evening / "teal.csv").write_text('# serial: 7"]\x07 [[x]]\n' + rest)
    made = make_new_session(evening, NOTHING)
    files = [one["file"] for one in document(made)["recording"]]
    assert hostile in files
    assert set(document(made)) == {"session", "runner", "recording"}
    assert "\x07" not in made.path.read_text("utf-8")


def test_a_team_can_be_named_before_there_is_any_file(tmp_path):
    folder = tmp_path / "Späte Stunde!"
    made = make_new_session(folder, Wanted({}, {}, team=["robin", "wren"]), dt.date(2026, 5, 12))
    assert (made.id, made.day) == ("Spate-Stunde", dt.date(2026, 5, 12))
    assert [one["id"] for one in document(made)["runner"]] == ["robin", "wren"]
    assert (folder / "robin").is_dir()
    assert os.listdir(folder / "robin") == []
    with pytest.raises(UsageError, match="--team"):
        make_new_session(tmp_path / "empty", NOTHING)


def test_the_machines_time_zone_is_taken_where_it_can_be_the_tracks(evening):
    first = (evening / "wren.csv").read_text().splitlines()[1].split(",")
    east_deg = float(first[1 + 1])
    hours = round(east_deg / 15)
    near, far = f"Etc/GMT{-hours:+d}", f"Etc/GMT{-hours + 7:+d}"
    made = make_new_session(evening, Wanted({}, {}, time_zone=near))
    assert document(made)["session"]["time_zone"] == near
    made.path.unlink()
    made = make_new_session(evening, Wanted({}, {}, time_zone=far))
    assert "time_zone" not in document(made)["session"]
    assert any("cannot be the track's" in remark for remark in made.remarks)


def test_without_a_venue_the_session_says_what_is_missing(evening, tmp_path):
    venue = evening / "venue.geojson"
    away = tmp_path / "north.geojson"
    venue.rename(away)
    made = make_new_session(evening, NOTHING)
    assert (made.venue, made.lane.lane) == (None, None)
    assert "batontrace venue" in made.path.read_text("utf-8")
    made.path.unlink()
    assert make_new_session(evening, Wanted({}, {}, venue=away)).lane.lane is not None
    assert venue.read_bytes() == away.read_bytes()


def test_a_serial_number_goes_no_further_than_the_session(evening, tmp_path):
    serial = "90210047"
    path = evening / "wren.csv"
    path.write_text(f"# serial: {serial}\n" + path.read_text())
    made = make_new_session(evening, NOTHING)
    assert serial in made.path.read_text("utf-8")
    out = tmp_path / "out"
    process.make_session_tables(made.path, out)
    for one in out.rglob("*"):
        assert not one.is_file() or serial.encode() not in one.read_bytes()


# --- units ---------------------------------------------------------------------------------


def test_files_of_one_unit_are_one_runners_unless_every_unit_has_the_number(evening):
    def named(file: str, serial: str) -> None:
        path = evening / file
        path.write_text(f"# serial: {serial}\n" + path.read_text())

    rows = (evening / "wren.csv").read_text().splitlines(keepends=True)
    half = len(rows) // 2
    (evening / "wren.csv").write_text("".join(rows[:half]))
    (evening / "zz.csv").write_text("".join([rows[0], *rows[half:]]))
    for file, serial in (("wren.csv", "7"), ("zz.csv", "7"), ("adder.csv", "8"), ("teal.csv", "8")):
        named(file, serial)
    found = [device_files.describe_file(evening, file) for file in device_files.list_files(evening)]
    groups = [[one.file for one in own] for own in device_files.group_by_unit(found)]
    assert groups == [["adder.csv"], ["teal.csv"], ["wren.csv", "zz.csv"]]


@pytest.mark.parametrize(
    ("name", "content", "unit"),
    [
        ("a.gpx", b'<?xml version="1.0"?><gpx creator="Pod 3"></gpx>', UnitName(None, "Pod 3")),
        (
            "a.tcx",
            b"<TrainingCenterDatabase><Creator><Name>Pod</Name><UnitId>0417</UnitId></Creator>"
            b"</TrainingCenterDatabase>",
            UnitName("0417", "Pod"),
        ),
        ("a.csv", b"device,time_utc,speed_mps\nP7,1,2\nP7,2,3\n", UnitName(None, "P7")),
        ("b.csv", b"serial no;time_utc;speed_mps\n12;1;2\n12;2;3\n13;3;4\n", UnitName()),
        ("c.csv", b"Serial number: 00123\ntime_utc,speed_mps\n1,2\n", UnitName("00123", None)),
        ("a.fit", b"\x0e\x10\x00\x00\x05\x00\x00\x00.FIT\x00\x00\x40\x00", UnitName()),
    ],
)
def test_what_a_file_says_of_its_unit(tmp_path, name, content, unit):
    path = tmp_path / name
    path.write_bytes(content)
    assert unit_of_file(path) == unit


def test_the_serial_of_a_fit_file():
    assert unit_of_file(ROOT / "sample_tracks/larch-bend/otter.fit").serial == "12345"


def test_the_id_is_the_folders_name_in_plain_letters(tmp_path):
    day = dt.date(2026, 5, 12)
    assert new_session.session_id_of(tmp_path / "Tuesday evening, north", day) == (
        "Tuesday-evening-north"
    )
    assert new_session.session_id_of(tmp_path / "夜", day) == "session-2026-05-12"
