"""session.toml, the practice sheet and venue.geojson: what is read, and how errors are told."""

from __future__ import annotations

import datetime as dt
import json
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice_files import SESSION

from pipeline.base.values import Rep, Runner
from pipeline.errors import InputError, SessionError, VenueError
from pipeline.read.practice.session import read_session
from pipeline.read.practice.sheet import read_sheet
from pipeline.read.practice.venue import read_venue

SHEET = """\
rep,zone,lane,incoming,outgoing,mark_m,mark_feet,outgoing_start_m,incoming_start_m,start_utc,pass_m,note
1,1,4,robin,wren,7.6,,0.3,40,17:05:30,18.5,smooth
2,,,wren,robin,,25,,,17:15,,
"""


def feature(shape, coordinates, **properties):
    return {
        "type": "Feature",
        "geometry": {"type": shape, "coordinates": coordinates},
        "properties": properties,
    }


LANE = feature("LineString", [[16.4, 48.2], [16.403, 48.2]], kind="lane", lane=4)
ENTRY = feature("Point", [16.4015, 48.2], kind="zone-line", lane=4, zone=1, line="entry")
EXIT = feature("Point", [16.4019, 48.2], kind="zone-line", lane=4, zone=1, line="exit")
GATE = feature("Point", [16.402, 48.2], kind="gate", lane=4, id="beam")


def geojson(*features) -> str:
    return json.dumps({"type": "FeatureCollection", "features": list(features)})


@pytest.fixture
def folder(tmp_path) -> Path:
    home = tmp_path / "season" / "otter"
    home.mkdir(parents=True)
    (home / "session.toml").write_text(SESSION, encoding="utf-8")
    (home / "reps.csv").write_text(SHEET, encoding="utf-8")
    (home / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT, GATE), encoding="utf-8")
    return home


def error_of(read) -> str | None:
    """The InputError that a reader raises, as text, or None; any other exception goes on."""
    try:
        read()
    except InputError as error:
        return str(error)
    return None


def utc(text: str) -> float:
    return dt.datetime.fromisoformat(text + "+00:00").timestamp()


# --- session.toml ----------------------------------------------------------------------


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


# --- the sheet -------------------------------------------------------------------------

RUNNERS = (Runner("robin", 0.30), Runner("wren"), Runner("jackdaw"))
DATE = dt.date(2026, 5, 12)


def sheet(tmp_path, text: str | bytes, zones=((4, 1), (4, 2)), lane=4):
    path = tmp_path / "reps.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_sheet(path, RUNNERS, zones, DATE, lane)


PLAIN = "rep,incoming,outgoing,mark_m,note\n1,robin,wren,7.6,good\n2,wren,jackdaw,7.25,\n"


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace(",", ";").replace(".", ","),
        PLAIN.replace(",", "\t"),
        "\ufeff" + PLAIN,
        PLAIN.encode("utf-16"),
        "sep=;\n" + PLAIN.replace(",", ";"),
        PLAIN.replace("7.6", '"7,6"').replace("7.25", '"7,25"'),
        PLAIN.replace("7.6", "7.6 m"),
        PLAIN.replace("rep,", "Rep,").replace("mark_m", "Mark m"),
        PLAIN.replace("robin,wren", "Robin, WREN "),
        PLAIN.replace("2,wren", "2.0,wren"),
    ],
)
def test_what_spreadsheets_write_is_read_the_same(tmp_path, text) -> None:
    reps, remarks = sheet(tmp_path, text)
    assert [(r.rep, r.incoming, r.outgoing, r.mark_m, r.note) for r in reps] == [
        (1, "robin", "wren", 7.6, "good"),
        (2, "wren", "jackdaw", 7.25, ""),
    ]
    assert remarks == []


def test_blank_rows_and_other_columns_and_another_order(tmp_path) -> None:
    text = (
        ";;;;;\nnote;outgoing;wind;incoming;;\n;;;;;\nok;wren;+1;robin;;\n;;;;;\n;robin;;wren;;\n"
    )
    reps, remarks = sheet(tmp_path, text)
    assert [(r.line, r.incoming, r.outgoing, r.note) for r in reps] == [
        (4, "robin", "wren", "ok"),
        (6, "wren", "robin", ""),
    ]
    assert remarks == ["reps.csv: columns not read: wind"]


@given(order=st.permutations(SHEET.splitlines()[0].split(",")))
def test_the_columns_order_does_not_matter(tmp_path_factory, order) -> None:
    head, *rows = [line.split(",") for line in SHEET.splitlines()]
    moved = "\n".join(
        ",".join(dict(zip(head, row, strict=True))[name] for name in order) for row in [head, *rows]
    )
    tmp = tmp_path_factory.mktemp("sheet")
    assert sheet(tmp, moved) == sheet(tmp, SHEET)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["empty sheet", "incoming"]),
        (";;;\n;;;\n", ["empty sheet"]),
        ("rep,incoming\n1,robin\n", ['no column "outgoing"']),
        ("rep,incomming,outgoing\n", ["incomming", 'did you mean "incoming"?']),
        ("incoming,outgoing,mark\n", ['column "mark"', 'did you mean "mark_m"?']),
        ("incoming,outgoing,outgoing\n", ['column "outgoing" twice']),
        ("a,b\n", ['no column "incoming"', 'no column "outgoing"']),
        (b"PK\x03\x04rest", ["own format", "as CSV"]),
        (b"incoming,outgoing\n\0,\0\n", ["not text"]),
    ],
)
def test_a_sheet_that_cannot_be_read_stops(tmp_path, text, words) -> None:
    with pytest.raises(SessionError) as told:
        sheet(tmp_path, text)
    for word in words:
        assert word in str(told.value)


ROWS_LEFT_OUT = [
    ("incoming,outgoing\nrobin,wern\n", ["line 2", 'outgoing "wern"', 'did you mean "wren"?']),
    ("incoming,outgoing\nrobin,heron\n", ["line 2", 'add a [[runner]] with id = "heron"']),
    ("incoming,outgoing,note\nrobin,,x\n", ["line 2", "outgoing is blank"]),
    ("incoming,outgoing\nrobin,robin\n", ["line 2", "both incoming and outgoing"]),
    ("incoming,outgoing,zone\nrobin,wren,3\n", ["lane 4 zone 3", "lane 4 zone 1, lane 4 zone 2"]),
    ("incoming,outgoing,lane\nrobin,wren,7\n", ["lane 7 is not in the venue"]),
    ("incoming,outgoing,zone\nrobin,wren,x\n", ['zone: "x" is not a whole number']),
    ("incoming,outgoing,mark_m\nrobin,wren,7,60\n", ["line 2", "decimal commas", "quotes"]),
    # shifted, this would read as a mark of 7 m and a start at 5 m
    ("incoming,outgoing,mark_m,outgoing_start_m,note\nrobin,wren,7,5,,\n", ["decimal commas"]),
]


@pytest.mark.parametrize(("text", "words"), ROWS_LEFT_OUT)
def test_a_row_that_cannot_be_used_is_left_out_and_the_others_stay(tmp_path, text, words) -> None:
    columns = text.splitlines()[0].count(",") - 1
    reps, remarks = sheet(tmp_path, text + "wren,jackdaw" + columns * "," + "\n")
    assert [(r.incoming, r.outgoing) for r in reps] == [("wren", "jackdaw")]
    assert len(remarks) == 1
    for word in ["row left out", *words]:
        assert word in remarks[0]


CELLS_PASSED_OVER = [
    # column, cell, words of the remark
    ("mark_m", "abc", ['mark_m: "abc" is not a number']),
    ("mark_m", "NaN", ["is not a number"]),
    ("mark_m", "inf", ["is not a number"]),
    ("mark_m", "1e9", ["is not a number"]),
    ("mark_m", "-7.6", ["0.3 to 40"]),
    ("mark_m", "760", ["0.3 to 40"]),
    ("mark_m", "1.234,5", ["is not a number"]),
    ("mark_feet", "25", ["shoe is not known", "foot_m", '"wren"']),
    ("mark_feet", "0", ["1 to 130"]),
    ("outgoing_start_m", "300", ["-2 to 35"]),
    ("incoming_start_m", "-40", ["5 to 450"]),
    ("pass_m", "99", ["-25 to 60"]),
    ("start_utc", "half past", ["start_utc", "17:03:20"]),
    ("start_utc", "2026-05-12", ["is not a time"]),
    ("start_utc", "25:00", ["is not a time"]),
    ("start_utc", "2025-05-12T17:03:20Z", ["not on the session's day"]),
    ("rep", "first", ['rep: "first" is not a whole number']),
]


@pytest.mark.parametrize(("column", "cell", "words"), CELLS_PASSED_OVER)
def test_a_cell_that_cannot_be_read_is_passed_over(tmp_path, column, cell, words) -> None:
    reps, remarks = sheet(tmp_path, f"incoming;outgoing;{column}\nrobin;wren;{cell}\n")
    assert reps == (Rep(2, "robin", "wren"),)
    assert len(remarks) == 1
    assert "reps.csv, line 2, " in remarks[0]
    for word in words:
        assert word in remarks[0]


def test_marks_in_feet_are_the_outgoing_runners(tmp_path) -> None:
    head = "incoming,outgoing,mark_m,mark_feet\n"
    assert sheet(tmp_path, head + "wren,robin,,25\n")[0][0].mark_m == pytest.approx(7.5)
    assert sheet(tmp_path, head + "wren,robin,7.6,25\n")[0][0].mark_m == 7.6  # within a foot
    assert sheet(tmp_path, head + "robin,wren,7.6,25\n") == (
        (Rep(2, "robin", "wren", mark_m=7.6),),
        [],
    )
    reps, remarks = sheet(tmp_path, head + "wren,robin,9.5,25\n")
    assert reps[0].mark_m is None
    assert "9.5 m" in remarks[0]
    assert "7.50 m; neither is used" in remarks[0]


@pytest.mark.parametrize(
    ("cell", "moment"),
    [
        ("17:03", "2026-05-12T17:03:00"),
        ("7:03", "2026-05-12T07:03:00"),
        ("17:03:20", "2026-05-12T17:03:20"),
        ("17:03:20Z", "2026-05-12T17:03:20"),
        ("19:03:20+02:00", "2026-05-12T17:03:20"),
        ("2026-05-12T17:03:20Z", "2026-05-12T17:03:20"),
        ("2026-05-12 17:03", "2026-05-12T17:03:00"),
        ("2026-05-12T19:03:20+02:00", "2026-05-12T17:03:20"),
        ("2026-05-13T01:03:20Z", "2026-05-13T01:03:20"),
    ],
)
def test_when_a_rep_began(tmp_path, cell, moment) -> None:
    reps, remarks = sheet(tmp_path, f"incoming,outgoing,start_utc\nrobin,wren,{cell}\n")
    assert reps[0].start_utc_s == utc(moment)
    assert remarks == []


def test_an_evening_past_midnight_in_utc(tmp_path) -> None:
    rows = "".join(f"robin,wren,{t}\n" for t in ("23:40", "23:55", "00:10", "00:25"))
    reps, _ = sheet(tmp_path, "incoming,outgoing,start_utc\n" + rows)
    starts = [r.start_utc_s for r in reps]
    assert [b - a for a, b in pairwise(starts)] == [900, 900, 900]


def test_doubled_rep_numbers_are_kept_and_told(tmp_path) -> None:
    reps, remarks = sheet(tmp_path, "rep,incoming,outgoing\n3,robin,wren\n3,wren,robin\n")
    assert len(reps) == 2
    assert remarks == ["reps.csv: rep 3 stands on several lines; all are kept"]


def test_no_usable_row_is_told(tmp_path) -> None:
    reps, remarks = sheet(tmp_path, "incoming,outgoing\nx,y\n")
    assert reps == ()
    assert "no usable row" in remarks[-1]


@given(st.text(alphabet='robinwe,;\n"0.7:- \t', max_size=120))
@settings(max_examples=100, deadline=None)
def test_no_text_under_the_headers_brings_anything_but_remarks(tmp_path_factory, text) -> None:
    head = "incoming,outgoing,rep,zone,mark_m,start_utc\n"
    try:
        reps, _ = sheet(tmp_path_factory.mktemp("sheet"), head + text)
    except SessionError:
        return
    assert all(r.incoming != r.outgoing for r in reps)


# --- venue.geojson ---------------------------------------------------------------------


def venue(tmp_path, text: str | bytes):
    path = tmp_path / "venue.geojson"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_venue(path)


def with_(base, coordinates=None, **properties):
    made = json.loads(json.dumps(base))
    made["properties"] |= properties
    if coordinates is not None:
        made["geometry"]["coordinates"] = coordinates
    return made


def test_a_venue_is_read_whole(tmp_path) -> None:
    high = with_(LANE, [[16.4, 48.2, 171.0], [16.403, 48.2, 171.5]], lane=2, sd_m=0.02)
    foreign = feature("Polygon", [], name="grass")
    found = venue(tmp_path, geojson(LANE, ENTRY, EXIT, GATE, high, foreign))
    assert [(n.lane, n.sd_m) for n in found.lanes] == [(2, 0.02), (4, 0.05)]
    assert found.lanes[0].latitude_deg.tolist() == [48.2, 48.2]
    assert [(s.lane, s.zone, s.line) for s in found.zone_lines] == [(4, 1, "entry"), (4, 1, "exit")]
    assert [g.id for g in found.gates] == ["beam"]


def test_text_numbers_and_a_byte_order_mark_are_taken(tmp_path) -> None:
    text = "\ufeff" + geojson(with_(LANE, lane="4"), with_(ENTRY, lane=4.0, zone="1"))
    assert venue(tmp_path, text).zone_lines[0].zone == 1


GEOJSON_ERRORS = [
    ("", ["line 1", "JSON"]),
    ('{"type": "FeatureCollection",\n "features": [}', ["line 2, column"]),
    ("[" * 100_000, ["nested too deep"]),
    ("[]", ["FeatureCollection"]),
    (json.dumps(LANE), ['type "Feature"', "FeatureCollection", "whole layer"]),
    (b"\xff\xfe", ["not UTF-8"]),
    (geojson(), ["no lane's line"]),
    (geojson(ENTRY), ["no lane's line"]),
    (geojson(LANE, 3), ["feature 2", "not a feature"]),
    (geojson(LANE, LANE), ["feature 2", "a second line of lane 4"]),
    (geojson(LANE, ENTRY, ENTRY), ["feature 3", "a second entry line of lane 4, zone 1"]),
    (geojson(LANE, GATE, GATE), ['a second gate "beam"']),
    (geojson(LANE, with_(ENTRY, kind="zone line")), ["zone line", 'did you mean "zone-line"?']),
    (geojson(LANE, with_(ENTRY, line="entrance")), ['line "entrance"', '"entry"']),
    (geojson(LANE, with_(ENTRY, zone=0)), ["feature 2 (zone-line, lane 4)", "zone 0", "1 to 9"]),
    (geojson(LANE, feature("Point", [1, 2], kind="zone-line", lane=4)), ["no zone"]),
    (geojson(feature("LineString", [], kind="lane")), ["no lane"]),
    (geojson(feature("LineString", [], knid="lane", lane=1)), ["knid", 'did you mean "kind"?']),
    (geojson(with_(LANE, lane=4.5)), ["lane 4.5"]),
    (geojson(with_(LANE, sd_m=0)), ["sd_m 0"]),
    (geojson(with_(LANE, sd_m=float("nan"))), ["sd_m NaN"]),
    (geojson(with_(LANE, [[16.4, 48.2]])), ["1 position", "two or more"]),
    (geojson(with_(LANE, [[16.4, 48.2], [16.4, None]])), ["position 2", "null"]),
    (geojson(with_(LANE, [[16.4, 48.2], [float("nan"), 48.2]])), ["position 2", "not a number"]),
    (geojson(with_(LANE, [[16.4, 48.2], [0, 0]])), ["position 2", "0, 0", "no fix"]),
    (geojson(with_(LANE, [[48.2, 116.4], [48.2, 116.41]])), ["look swapped"]),
    (geojson(with_(LANE, [[601000, 5340000], [601100, 5340000]])), ["EPSG:4326"]),
    (
        geojson(feature("MultiLineString", [[[1, 2], [3, 4]]], kind="lane", lane=1)),
        ["MultiLineString", "join the parts"],
    ),
    (geojson(LANE, feature("LineString", [[1, 2]], kind="gate", lane=4, id="a")), ['a "Point"']),
    (geojson(LANE, feature("Point", [1, 2], kind="gate", lane=4)), ["gate without id"]),
]


@pytest.mark.parametrize(("text", "words"), GEOJSON_ERRORS)
def test_what_is_wrong_in_the_venue_is_told(tmp_path, text, words) -> None:
    with pytest.raises(VenueError) as told:
        venue(tmp_path, text)
    assert "venue.geojson" in str(told.value)
    for word in words:
        assert word in str(told.value)


def test_all_wrong_features_are_told_at_once(tmp_path) -> None:
    with pytest.raises(VenueError, match=r"(?s)2 problems.*feature 2.*feature 3"):
        venue(tmp_path, geojson(LANE, with_(ENTRY, zone=-1), with_(EXIT, line="out")))


def test_no_venue_at_all(tmp_path) -> None:
    with pytest.raises(VenueError, match="no such file"):
        read_venue(tmp_path / "none.geojson")


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-200, 200) | st.floats() | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)


@given(
    where=st.sampled_from(
        ["type", "geometry", "properties", "coordinates", "kind", "lane", "zone"]
    ),
    value=json_values,
)
@settings(max_examples=150, deadline=None)
def test_any_value_anywhere_is_read_or_told(tmp_path_factory, where, value) -> None:
    broken = with_(ENTRY)
    place = {
        "coordinates": broken["geometry"],
        **dict.fromkeys(["kind", "lane", "zone"], broken["properties"]),
    }.get(where, broken)
    place[where] = value
    tmp = tmp_path_factory.mktemp("venue")
    told = error_of(lambda: venue(tmp, geojson(LANE, broken)))
    assert told is None or "feature 2" in told
