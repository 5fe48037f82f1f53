"""session.toml: what is read of it, and how its errors are told."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice_files import ENTRY, EXIT, GATE, LANE, SESSION, SHEET, error_of, geojson, utc

from pipeline.base.values import Rep, Runner
from pipeline.errors import SessionError
from pipeline.read.practice.session import read_session


@pytest.fixture
def folder(tmp_path) -> Path:
    home = tmp_path / "season" / "otter"
    home.mkdir(parents=True)
    (home / "session.toml").write_text(SESSION, encoding="utf-8")
    (home / "reps.csv").write_text(SHEET, encoding="utf-8")
    (home / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT, GATE), encoding="utf-8")
    return home


def test_a_session_is_read_whole(folder) -> None:
    session = read_session(folder / "session.toml")
    assert (session.id, session.date, session.event, session.lane) == (
        "otter-evening",
        "2026-05-12",
        "4x100",
        4,
    )
    assert session.runners == (Runner("robin", 0.30), Runner("wren", None))
    robin, wren = session.recordings
    assert (robin.runner, robin.path, robin.file) == ("robin", folder / "robin.fit", "robin.fit")
    assert (robin.worn, robin.clock, robin.columns) == ("waist", "gnss", None)
    assert (wren.worn, wren.clock) == ("upper-back", "device")
    assert wren.columns is not None
    assert wren.columns["acc_x"] == {"column": "ax_g", "unit": "g"}
    assert session.taps[0].near_utc_s == utc("2026-05-12T17:03:20")
    assert session.taps[0].window_s == 8
    assert session.venue.lanes[0].longitude_deg.tolist() == [16.4, 16.403]
    assert [s.line for s in session.venue.zone_lines] == ["entry", "exit"]
    assert session.venue.gates[0].id == "beam"
    assert session.reps == (
        Rep(
            2, "robin", "wren", 1, 1, 4, 7.6, 0.3, 40.0, utc("2026-05-12T17:05:30"), 18.5, "smooth"
        ),
        Rep(3, "wren", "robin", 2, mark_m=7.5, start_utc_s=utc("2026-05-12T17:15:00")),
    )
    assert session.remarks == ()


def test_the_folder_serves_and_missing_recordings_are_no_error_here(folder) -> None:
    assert not (folder / "robin.fit").exists()
    assert read_session(folder).id == "otter-evening"


def test_without_a_sheet_there_are_no_reps(folder) -> None:
    (folder / "reps.csv").unlink()
    change(folder, 'reps = "reps.csv"', "")
    assert read_session(folder).reps is None


def change(folder: Path, old: str, new: str) -> None:
    text = (folder / "session.toml").read_text(encoding="utf-8")
    assert old in text
    (folder / "session.toml").write_text(text.replace(old, new, 1), encoding="utf-8")


TOML_ERRORS = [
    # old, new, words of the message
    ('id = "otter-evening"', "", ["[session] id", "missing"]),
    ('id = "otter-evening"', 'id = "otter/evening"', ["[session] id", "otter/evening", "letters"]),
    ('id = "otter-evening"', 'id = ".."', ["[session] id", '".."']),
    ('id = "otter-evening"', "id = 7", ["[session] id", "7", "text in quotes"]),
    ("date = 2026-05-12", "", ["[session] date", "missing", "date = 2026-05-12"]),
    ("date = 2026-05-12", 'date = "12.5.2026"', ["[session] date", "12.5.2026"]),
    ("date = 2026-05-12", "date = 2026-05-12T17:00:00Z", ["[session] date", "without time"]),
    ("date = 2026-05-12", "date = 2026-13-12", ["not TOML", "line 3"]),
    ('event = "4x100"', 'event = "relay"', ["[session] event", "relay", "4x400"]),
    ('event = "4x100"', 'evnt = "4x100"', ["evnt", "no such key", 'did you mean "event"?']),
    ("lane = 4", "lane = 0", ["[session] lane", "0", "1 to 12"]),
    ("lane = 4", 'lane = "4"', ["[session] lane", "without quotes"]),
    ("lane = 4", "lane = true", ["[session] lane", "true"]),
    ("lane = 4", "lane = 5", ["[session] lane", "5", "venue.geojson: 4"]),
    ('venue = "venue.geojson"', "", ["[session] venue", "missing"]),
    ('venue = "venue.geojson"', 'venue = "/etc/passwd"', ["[session] venue", "leads out of"]),
    ('venue = "venue.geojson"', 'venue = "../../x.geojson"', ["leads out of", "beside it"]),
    ('reps = "reps.csv"', 'reps = "rep.csv"', ["rep.csv", "no such file"]),
    ('reps = "reps.csv"', 'reps = ["reps.csv"]', ["[session] reps", "text in quotes"]),
    ("[session]", "[sesion]", ["[sesion]", 'did you mean "session"?']),
    ("[session]", "[session", ["not TOML", "line 1"]),
    ('id = "wren"', 'id = "robin"', ["[[runner]] id", '"robin" stands twice']),
    ('id = "wren"', "", ["[[runner]] 2 id", "missing"]),
    ("foot_m = 0.30", "foot_m = 30", ["[[runner]] 1", "robin", "foot_m", "30", "0.15 to 0.45"]),
    ("foot_m = 0.30", "foot_m = nan", ["foot_m", "NaN"]),
    ("foot_m = 0.30", "foot = 0.30", ["foot", 'did you mean "foot_m"?']),
    ('runner = "wren"', 'runner = "wern"', ["[[recording]] 2 runner", 'did you mean "wren"?']),
    ('runner = "wren"', 'runner = "heron"', ["heron", 'add a [[runner]] with id = "heron"']),
    ('file = "wren.csv"', 'file = "robin.fit"', ["[[recording]] file", "stands twice"]),
    ('file = "wren.csv"', 'file = "./robin.fit"', ["[[recording]] file", "stands twice"]),
    ('file = "wren.csv"', 'file = "/wren.csv"', ["[[recording]] 2 file", "leads out of"]),
    ('file = "wren.csv"', "", ["[[recording]] 2 file", "missing"]),
    ('worn = "waist"', 'worn = "wasit"', ["[[recording]] 1 worn", 'did you mean "waist"?']),
    ('worn = "waist"', 'worm = "waist"', ["worm", 'did you mean "worn"?']),
    ('clock = "device"', 'clock = "gps"', ["[[recording]] 2 clock", '"gnss" or "device"']),
    ('column = "ms", unit', 'colum = "ms", unit', ["columns.time", "colum"]),
    ("columns = {", "columns = 3 # {", ["[[recording]] 2 columns", "3"]),
    ('kind = "tap"', 'kind = "clap"', ["[[sync]] 1 kind", "clap", '"tap"']),
    ('kind = "tap"', "", ["[[sync]] 1 kind"]),
    ("17:03:20Z", "17:03:20", ["[[sync]] 1 near_utc", "without a zone", "add Z"]),
    ("2026-05-12T17:03:20Z", '"at five"', ["[[sync]] 1 near_utc", "at five"]),
    ("2026-05-12T17:03:20Z", "2025-05-12T17:03:20Z", ["near_utc", "not on the session's day"]),
    ("window_s = 8", "window_s = -8", ["[[sync]] 1 window_s", "-8"]),
    ("[[sync]]", "[sync]", ["[sync]", "double brackets"]),
]


@pytest.mark.parametrize(("old", "new", "words"), TOML_ERRORS)
def test_what_is_wrong_in_the_session_is_told(folder, old, new, words) -> None:
    change(folder, old, new)
    with pytest.raises(SessionError) as told:
        read_session(folder)
    assert str(folder) in str(told.value)
    for word in words:
        assert word in str(told.value)


def test_all_problems_are_told_at_once(folder) -> None:
    change(folder, "date = 2026-05-12", "date = 3")
    change(folder, 'worn = "waist"', 'worn = "wasit"')
    change(folder, "foot_m = 0.30", "foot_m = 30")
    with pytest.raises(SessionError, match=r"(?s)3 problems.*date.*foot_m.*worn"):
        read_session(folder)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "[session]"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (b'[session]\nid = "x"\n', "[[recording]]: none"),
        (b"session = 3\nrunner = 4\n", "[session]"),
    ],
)
def test_what_is_no_session_is_told(folder, text, words) -> None:
    (folder / "session.toml").write_bytes(text)
    with pytest.raises(SessionError) as told:
        read_session(folder)
    assert words in str(told.value)


def test_no_session_at_all(tmp_path) -> None:
    with pytest.raises(SessionError, match="no such file"):
        read_session(tmp_path / "nowhere")


def test_other_keys_are_remarked_and_a_byte_order_mark_is_passed(folder) -> None:
    text = SESSION.replace("[session]", '[weather]\nwind = "head"\n[session]\nsquad = "B"')
    (folder / "session.toml").write_bytes(b"\xef\xbb\xbf" + text.encode())
    remarks = read_session(folder).remarks
    assert any('"weather" is not read' in r for r in remarks)
    assert any('"squad" is not read' in r for r in remarks)


@pytest.mark.parametrize("written", ["4X100", "4 x 100", "4x100m", "4×100 m", "4*100"])
def test_an_events_other_spellings(folder, written) -> None:
    change(folder, "4x100", written)
    assert read_session(folder).event == "4x100"


def test_a_venue_beside_the_sessions_folder(folder) -> None:
    (folder.parent / "venues").mkdir()
    (folder / "venue.geojson").rename(folder.parent / "venues" / "north.geojson")
    change(folder, "venue.geojson", "../venues/north.geojson")
    assert read_session(folder).venue.path == folder.parent / "venues" / "north.geojson"


def test_the_path_given_may_be_relative(folder, monkeypatch) -> None:
    monkeypatch.chdir(folder)
    assert read_session(Path("session.toml")).recordings[0].path == folder / "robin.fit"


@given(st.binary(max_size=300))
@settings(max_examples=60, deadline=None)
def test_no_bytes_bring_anything_but_an_error_that_is_told(tmp_path_factory, raw) -> None:
    path = tmp_path_factory.mktemp("any") / "session.toml"
    path.write_bytes(raw)
    with pytest.raises(SessionError):
        read_session(path)


KEYS = [line.split(" = ")[0] for line in SESSION.splitlines() if " = " in line and "{" not in line]


@given(st.integers(0, len(KEYS) - 1), st.one_of(st.integers(), st.floats(), st.booleans()))
@settings(max_examples=60, deadline=None)
def test_any_value_in_any_key_is_read_or_told(tmp_path_factory, which, value) -> None:
    home = tmp_path_factory.mktemp("s") / "otter"
    home.mkdir()
    (home / "reps.csv").write_text(SHEET)
    (home / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT))
    lines = SESSION.splitlines()
    keyed = [i for i, line in enumerate(lines) if " = " in line and "{" not in line]
    lines[keyed[which]] = f"{KEYS[which]} = {str(value).lower()}"
    (home / "session.toml").write_text("\n".join(lines))
    tomllib.loads("\n".join(lines))  # it must still be TOML
    told = error_of(lambda: read_session(home))
    assert told is None or KEYS[which] in told
