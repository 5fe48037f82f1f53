"""A watch's looks: half-copied files are waited for, and nothing that is wrong with one ends it."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pyarrow as pa
import pytest
import small_sessions as small

from pipeline.errors import DiskError, FewerInputsError
from pipeline.read import read
from pipeline.read.practice.session import read_session
from pipeline.session import arrivals, watch
from pipeline.session.new_session import Wanted, make_new_session
from pipeline.session.process import MeasuredSession
from pipeline.session.watch import WatchSettings, WatchState, take_look

RUNNERS = ("wren", "adder", "teal")


class Watch:
    """A watch whose measuring only reads what it is given; `measured` says what that was."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.settings = WatchSettings(folder / "session.toml", folder.parent / "out", 3.0)
        self.state, self.readings = WatchState(), arrivals.Readings()
        self.measured: list[list[str]] = []
        self.raises: Exception | None = None
        monkeypatch.setattr(watch.process, "make_session_tables", self._measure)

    def _measure(self, _path, _out, *, session, read_recording):
        files, left_out = [], []
        for spec in session.recordings:
            try:
                read_recording(spec.path, spec.columns, spec.clock)
                files.append(spec.file)
            except arrivals.RecordingError as err:
                left_out.append(str(err))
        self.measured.append(files)
        if self.raises is not None:
            raise self.raises
        tables = {"exchanges": pa.table({"exchange": []})}
        return MeasuredSession(session, tables, (), tuple(left_out))

    def look(self, times: int = 2):
        """What the last of some looks found."""
        for _ in range(times):
            self.state, result = take_look(self.state, self.settings, self.readings)
        return result


@pytest.fixture
def bag(tmp_path) -> Path:
    """Files of three units, not yet in the evening's folder."""
    return small.copied("plain", tmp_path)


@pytest.fixture
def evening(tmp_path, bag) -> Path:
    """A session made before practice, with a folder for each runner."""
    folder = tmp_path / "evening"
    venue = bag / "venue.geojson"
    make_new_session(folder, Wanted({}, {}, team=RUNNERS, venue=venue, event="4x100"))
    return folder


@pytest.fixture
def seen(evening, monkeypatch) -> Watch:
    return Watch(evening, monkeypatch)


def arrive(bag: Path, evening: Path, name: str) -> Path:
    return Path(shutil.copy(bag / f"{name}.csv", evening / name / "0001.csv"))


def test_a_file_in_a_runners_folder_is_added_and_measured_when_it_is_whole(bag, evening, seen):
    seen.look()
    path = arrive(bag, evening, "wren")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert seen.look(1).added == {}
    path.write_bytes(whole)
    assert seen.look(1).added == {}
    result = seen.look(1)
    assert (result.added, result.is_measured) == ({"wren/0001.csv": "wren"}, True)
    assert [spec.file for spec in read_session(evening / "session.toml").recordings] == [
        "wren/0001.csv"
    ]
    arrive(bag, evening, "teal")
    assert seen.look().added == {"teal/0001.csv": "teal"}
    assert seen.measured == [["wren/0001.csv"], ["wren/0001.csv", "teal/0001.csv"]]
    assert not seen.look(3).is_measured


def test_a_copy_in_progress_under_another_name_is_not_looked_at(bag, evening, seen):
    arrive(bag, evening, "wren").rename(evening / "wren" / "0001.csv.part")
    seen.look()
    (evening / "wren" / "0001.csv.part").rename(evening / "wren" / "0001.csv")
    assert seen.look().added == {"wren/0001.csv": "wren"}


def test_a_file_of_nobody_is_told_once_with_what_to_do(bag, evening, seen):
    shutil.copy(bag / "wren.csv", evening / "0417.csv")
    assert seen.look().unknown == {"0417.csv": ""}
    arrive(bag, evening, "teal")
    assert seen.look().unknown == {}


def test_a_folder_in_capitals_is_the_runners_unless_two_are_alike(bag, evening, seen):
    (evening / "wren").rmdir()
    (evening / "WREN").mkdir()
    shutil.copy(bag / "wren.csv", evening / "WREN" / "1.csv")
    assert seen.look().added == {"WREN/1.csv": "wren"}
    with (evening / "session.toml").open("a") as file:
        file.write('\n[[runner]]\nid = "Wren"\n')
    shutil.copy(bag / "wren.csv", evening / "WREN" / "2.csv")
    result = seen.look()
    assert (result.added, result.unknown) == ({}, {"WREN/2.csv": ""})


def test_a_unit_that_session_toml_knows_is_known_again_by_its_serial(bag, evening, seen):
    for name, part in (("wren", 1), ("teal", 1)):
        path = arrive(bag, evening, name)
        path.write_text(f"# serial: {name}-{part}\n" + path.read_text())
    seen.look()
    shutil.copy(evening / "teal" / "0001.csv", evening / "later.csv")
    assert seen.look().added == {"later.csv": "teal"}


def test_a_broken_session_is_told_once_and_the_watch_goes_on(bag, evening, seen):
    arrive(bag, evening, "wren")
    seen.look()
    path = evening / "session.toml"
    text = path.read_text("utf-8")
    path.write_text(text.replace('event = "4x100"', 'event = "4x'), "utf-8")
    (problem,) = seen.look().problems
    assert "not TOML" in problem
    assert seen.look().problems == ()
    arrive(bag, evening, "teal")
    assert seen.look().problems == ()
    path.write_text(text, "utf-8")
    result = seen.look()
    assert (result.mended, result.added) == (True, {"teal/0001.csv": "teal"})


def test_an_unreadable_file_is_told_once_and_tried_again_when_it_changes(bag, evening, seen):
    arrive(bag, evening, "wren")
    good = arrive(bag, evening, "teal").read_bytes()
    seen.look()
    path = evening / "teal" / "0001.csv"
    path.write_bytes(b"\0" * 400)
    (problem,) = seen.look().problems
    assert "teal/0001.csv" in problem
    assert seen.measured[-1] == ["wren/0001.csv"]
    (evening / "reps.csv").write_text("rep,incoming,outgoing\n1,wren,teal\n")
    assert seen.look().problems == ()
    path.write_bytes(good)
    assert seen.look().mended
    assert sorted(seen.measured[-1]) == ["teal/0001.csv", "wren/0001.csv"]


def test_a_defect_in_one_file_is_that_files_alone(bag, evening, seen, monkeypatch):
    def fragile(path, columns, clock):
        if "teal" in str(path):
            raise ZeroDivisionError("odd")
        return read(path, columns, clock)

    monkeypatch.setattr(arrivals, "read", fragile)
    arrive(bag, evening, "wren")
    arrive(bag, evening, "teal")
    (problem,) = seen.look().problems
    assert "ZeroDivisionError: odd" in problem
    assert seen.measured == [["wren/0001.csv"]]


def test_a_defect_anywhere_else_is_told_and_the_next_change_is_tried(bag, evening, seen):
    arrive(bag, evening, "wren")
    seen.raises = KeyError("column")
    assert "KeyError" in seen.look().problems[0]
    assert seen.look(3).problems == ()
    seen.raises = None
    arrive(bag, evening, "teal")
    assert seen.look().is_measured


@pytest.mark.parametrize(
    ("error", "tries"),
    [(DiskError("out", "cannot be written"), 3), (FewerInputsError("out", "missing now"), 1)],
)
def test_what_the_disk_refused_is_tried_again(bag, evening, seen, monkeypatch, error, tries):
    monkeypatch.setattr(watch, "_AGAIN_AFTER_S", 0.0)
    arrive(bag, evening, "wren")
    seen.raises = error
    told = [seen.look(1).problems for _ in range(4)]
    assert [len(problems) for problems in told] == [0, 1, 0, 0]
    assert len(seen.measured) == tries


def test_deleted_and_renamed_files_are_waited_for(bag, evening, seen):
    path = arrive(bag, evening, "wren")
    arrive(bag, evening, "teal")
    seen.look()
    path.unlink()
    assert seen.look(1).waiting == ()
    assert seen.look(1).waiting == ("wren/0001.csv",)
    arrive(bag, evening, "wren")
    assert seen.look().waiting == ()
    assert sorted(seen.measured[-1]) == ["teal/0001.csv", "wren/0001.csv"]


def test_a_file_that_another_program_holds_is_waited_for(bag, evening, seen, monkeypatch):
    held = arrive(bag, evening, "wren")
    whole_open = Path.open

    def refusing(path, *words, **more):
        if path == held and locked:
            raise PermissionError(13, "in use")
        return whole_open(path, *words, **more)

    locked = True
    monkeypatch.setattr(Path, "open", refusing)
    assert seen.look(3).added == {}
    locked = False
    assert seen.look(2).added == {"wren/0001.csv": "wren"}


def test_each_recording_is_read_once(bag, evening, seen, monkeypatch):
    paths = []

    def counted(path, columns, clock):
        paths.append(path.name)
        return read(path, columns, clock)

    monkeypatch.setattr(arrivals, "read", counted)
    path = arrive(bag, evening, "wren")
    seen.look()
    arrive(bag, evening, "teal")
    seen.look()
    os.utime(path)  # touched, and the same inside
    seen.look()
    assert len(paths) == 2
    assert len(seen.measured) == 3


def test_the_tables_folder_inside_the_evening_is_none_of_its_files(evening, seen):
    seen.look()
    out = evening / "out"
    out.mkdir()
    (out / "datapackage.json").write_text("{}")
    (out / "loose.csv").write_text("time_utc,speed_mps\n")
    assert seen.look().unknown == {}
    assert arrivals.look_at(evening).keys() == {
        evening / "session.toml", evening / "venue.geojson", evening / "reps.csv",
    }  # fmt: skip
