"""What observers saw: what is read of it, and what is left out or remarked."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path

import pytest
from checkout import ROOT
from fuzz import keeps_places_to_itself
from hypothesis import given, settings
from hypothesis import strategies as st
from practice_files import (
    ENTRY,
    EXIT,
    FILM,
    GATE,
    LANE,
    OBSERVER,
    SESSION,
    SHEET,
    error_of,
    geojson,
    utc,
)

from pipeline.base.values import Observer, Session, Sighting
from pipeline.errors import SessionError
from pipeline.read.practice.observer_cells import parse_reading
from pipeline.read.practice.observers import EVENT_ORDER, OBSERVER_COLUMNS
from pipeline.read.practice.session import read_session

PLAIN = "rep,event,time_s,place_m\n1,entry,34.02,\n1,pass,35.88,18.4\n"
UTC_HEAD = "rep,event,time_utc\n"


@pytest.fixture
def home(tmp_path) -> Path:
    folder = tmp_path / "season" / "otter"
    folder.mkdir(parents=True)
    (folder / "session.toml").write_text(SESSION + "\n" + OBSERVER, encoding="utf-8")
    (folder / "reps.csv").write_text(SHEET, encoding="utf-8")
    (folder / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT, GATE), encoding="utf-8")
    (folder / "film.csv").write_text(FILM, encoding="utf-8")
    return folder


def change(home: Path, old: str, new: str) -> None:
    text = (home / "session.toml").read_text(encoding="utf-8")
    assert old in text
    (home / "session.toml").write_text(text.replace(old, new), encoding="utf-8")


def of_kind(home: Path, kind: str, more: str = "") -> None:
    """The observer as another kind, with other keys instead of near_utc."""
    change(home, 'kind = "film"', f'kind = "{kind}"')
    change(home, "near_utc = 2026-05-12T17:05:00Z\n", more)


def seen(home: Path, text: str | bytes) -> tuple[Observer, tuple[str, ...]]:
    (home / "film.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    session = read_session(home)
    (observer,) = session.observers
    return observer, session.remarks


def times_of(observer: Observer) -> list[float | None]:
    return [one.time_s for one in observer.sightings]


# --- what is right -------------------------------------------------------------------------


def test_an_observer_is_read_whole(home) -> None:
    session = read_session(home)
    assert session.remarks == ()
    assert session.observers == (
        Observer(
            id="film-zone1",
            kind="film",
            path=home / "film.csv",
            file="film.csv",
            clock="own",
            near_utc_s=utc("2026-05-12T17:05:00"),
            sightings=(
                Sighting(2, "entry", rep=1, time_s=34.02, sd_s=0.02),
                Sighting(3, "hand back", rep=1, time_s=35.40, sd_s=0.04),
                Sighting(
                    4, "pass", 1, time_s=35.88, place_m=18.4, sd_s=0.02, sd_m=0.3, note="low hand"
                ),
                Sighting(5, "gate", 2, "wren", "robin", "beam", "wren", 612.5, sd_s=0.02),
                Sighting(6, "exit", None, "wren", "robin", time_s=614.10, sd_s=0.02),
            ),
            sd_s=0.02,
        ),
    )


@pytest.mark.parametrize(
    ("kind", "clock", "sd_s"),
    [("film", "own", 0.02), ("gates", "utc", 0.003), ("watch", "rep", 0.15)],
)
def test_each_kind_has_its_clock_and_its_standard_error(home, kind, clock, sd_s) -> None:
    of_kind(home, kind)
    observer, _ = seen(home, "rep,event,place_m\n1,pass,18\n")
    assert (observer.clock, observer.sd_s, observer.use) == (clock, sd_s, "measure")
    assert observer.sightings == (Sighting(2, "pass", 1, place_m=18.0, sd_m=0.5),)


def test_an_observer_may_say_otherwise(home) -> None:
    change(home, 'kind = "film"', 'kind = "film"\nclock = "own"\nsd_s = 0.1\nuse = "check"')
    observer, remarks = seen(home, PLAIN)
    assert (observer.use, observer.sd_s) == ("check", 0.1)
    assert [one.sd_s for one in observer.sightings] == [0.1, 0.1]
    assert remarks == ()


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace(",", ";").replace(".", ","),
        "sep=;\n" + PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        "\ufeff" + PLAIN,
        PLAIN.encode("utf-16"),
        PLAIN.replace("34.02", '"34,02"'),
        PLAIN.replace("34.02", "0:34.02").replace("35.88", "0:00:35.88"),
        PLAIN.replace("34.02", "34.02 s").replace("18.4", "18.4 m"),
        PLAIN.replace("rep,event,time_s", "Rep,Event,Time s"),
        PLAIN.replace("entry", "ENTRY").replace("pass", "Pass"),
        PLAIN.replace("1,entry", "1.0,entry"),
        PLAIN + ",,,\n",
    ],
)
def test_what_spreadsheets_write_is_read_the_same(home, text) -> None:
    observer, remarks = seen(home, text)
    assert [(s.rep, s.event, s.time_s, s.place_m) for s in observer.sightings] == [
        (1, "entry", 34.02, None),
        (1, "pass", 35.88, 18.4),
    ]
    assert remarks == ()


@pytest.mark.parametrize(
    "written", ["hand back", "Hand back", "hand-back", "HAND_BACK", "handback"]
)
def test_events_are_known_in_any_spelling(home, written) -> None:
    observer, remarks = seen(home, f"rep,event,time_s\n1,{written},3.5\n")
    assert [one.event for one in observer.sightings] == ["hand back"]
    assert remarks == ()


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("62.3", 62.3),
        ("62,3", 62.3),
        ("1:02.3", 62.3),
        ("01:02,3", 62.3),
        ("1:01:02.35", 3662.35),
        ("61:02.35", 3662.35),
        (".5", 0.5),
        ("-0:01.5", -1.5),
        ("\u22121.5", -1.5),
        ("12 s", 12.0),
        ("1:62.3", math.nan),
        ("1:75:00", math.nan),
        ("00:12:03:14", math.nan),  # with frames: nothing says how many there are to a second
        ("1.234,5", math.nan),
        ("1e3", math.nan),
        ("inf", math.nan),
        ("", math.nan),
    ],
)
def test_readings_as_players_show_them(text, seconds) -> None:
    assert parse_reading(text) == pytest.approx(seconds, nan_ok=True)


@given(st.floats(0.0, 86_399.0))
def test_a_reading_means_the_same_in_seconds_and_in_hours(time_s) -> None:
    hundredths = round(100 * time_s)
    seconds, rest = divmod(hundredths, 100)
    minutes, second = divmod(seconds, 60)
    hour, minute = divmod(minutes, 60)
    for text in (
        f"{seconds}.{rest:02d}",
        f"{minutes}:{second:02d}.{rest:02d}",
        f"{hour}:{minute:02d}:{second:02d},{rest:02d}",
    ):
        if minutes < 1000 or text.count(":") != 1:
            assert parse_reading(text) == pytest.approx(hundredths / 100, abs=1e-9)


def test_the_examples_of_the_page_on_filming_are_read(home) -> None:
    """As they stand there, in a session with their reps, runners and gates."""
    page = (ROOT / "docs" / "filming.md").read_text(encoding="utf-8")
    files = re.findall(r"```csv\n(.*?)```", page, re.DOTALL)
    observers = re.findall(r"```toml\n(\[\[observer\]\].*?)```", page, re.DOTALL)
    assert len(files) == len(observers) >= 3
    gates = [with_id(GATE, name) for name in ("gate-entry", "gate-exit")]
    (home / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT, *gates))
    rows = "".join(f"{rep},robin,wren\n" for rep in range(1, 7))
    (home / "reps.csv").write_text("rep,incoming,outgoing\n" + rows)
    (home / "session.toml").write_text("\n".join([SESSION, *observers]))
    for table, text in zip(observers, files, strict=True):
        (home / tomllib.loads(table)["observer"][0]["file"]).write_text(text)
    session = read_session(home)
    assert session.remarks == ()
    assert [len(one.sightings) for one in session.observers] == [
        len(text.splitlines()) - 1 for text in files
    ]


def with_id(gate, name):
    return {**gate, "properties": {**gate["properties"], "id": name}}


# --- clocks --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cell", "moment"),
    [
        ("2026-05-12T17:05:34.25Z", "2026-05-12T17:05:34.25"),
        ("2026-05-12T19:05:34.25+02:00", "2026-05-12T17:05:34.25"),
        ("17:05:34.25", "2026-05-12T17:05:34.25"),
        ("7:05:34.25", "2026-05-12T07:05:34.25"),
        ("17:05:34,25Z", "2026-05-12T17:05:34.25"),
    ],
)
@pytest.mark.parametrize("kind", ["gates", "film"])
def test_times_in_utc(home, cell, moment, kind) -> None:
    of_kind(home, kind)
    observer, remarks = seen(home, f'rep,event,time_utc\n1,exit,"{cell}"\n')
    assert times_of(observer) == [pytest.approx(utc(moment), abs=1e-6)]
    assert observer.near_utc_s == (0.0 if kind == "film" else None)
    assert remarks == ()


def test_seconds_since_1970_are_utc(home) -> None:
    of_kind(home, "gates")
    moment = utc("2026-05-12T17:05:34") + 0.25
    observer, remarks = seen(home, f"rep,event,time_s\n1,exit,{moment}\n")
    assert times_of(observer) == [pytest.approx(moment, abs=1e-6)]
    assert remarks == ()


def test_an_evening_past_midnight_in_utc(home) -> None:
    of_kind(home, "gates")
    rows = "".join(f"1,exit,{t}\n" for t in ("23:50:00.5", "00:10:00.5"))
    first, second = times_of(seen(home, UTC_HEAD + rows)[0])
    assert second - first == 1200


CLOCK_REMARKS = [
    # kind, column, cell, words of the remarks
    ("gates", "time_s", "34.2", ["time_s", "not UTC", "time_utc", 'clock = "own"']),
    ("gates", "time_s", "1:34.2", ["time_s", "not UTC"]),
    ("gates", "time_s", "978605400", ["2001-01-04", "not on the session's day"]),
    ("gates", "time_utc", "2026-05-19T17:05:34Z", ["2026-05-19", "not on the session's"]),
    ("film", "time_utc", "2025-05-12T17:05:34Z", ["2025-05-12", "2026-05-12"]),
    ("film", "time_utc", "at five", ["time_utc", "'at five' is not a time", "17:03:20"]),
    ("film", "time_s", "1778605534.2", ["beyond 86400 s", 'clock = "utc"']),
    ("watch", "time_s", "4000", ["beyond 3600 s", 'clock "rep"']),
    ("watch", "time_utc", "17:05:34", ["time_utc: not used", 'clock = "utc"']),
]


@pytest.mark.parametrize(("kind", "column", "cell", "words"), CLOCK_REMARKS)
def test_a_time_that_the_clock_cannot_have_is_told(home, kind, column, cell, words) -> None:
    of_kind(home, kind)
    observer, remarks = seen(
        home, f"rep,event,{column},place_m\n1,pass,{cell},\n2,pass,{cell},18\n"
    )
    assert [one.line for one in observer.sightings] == [3]  # a place was seen all the same
    assert times_of(observer) == [None]
    for word in words:
        assert any(word in remark for remark in remarks)
    assert any("line 2: row left out" in remark for remark in remarks)


def test_one_clock_is_read_in_one_column(home) -> None:
    text = "rep,event,time_s,time_utc\n1,entry,34.25,17:05:34\n1,exit,37.5,17:05:37\n"
    observer, remarks = seen(home, text)
    assert times_of(observer) == [34.25, 37.5]
    (remark,) = remarks
    assert "lines 2, 3" in remark
    assert "time_utc: not used" in remark
    of_kind(home, "gates")
    observer, remarks = seen(home, text.replace("17:05:34", "17:05:34.5"))
    assert times_of(observer) == [utc("2026-05-12T17:05:34.5"), utc("2026-05-12T17:05:37")]
    assert "time_s: not used" in remarks[0]


def test_near_utc_says_nothing_of_a_film_with_stamps(home) -> None:
    observer, remarks = seen(home, UTC_HEAD + "1,exit,17:05:34.25\n")
    assert observer.near_utc_s == 0.0
    assert "near_utc is not used" in remarks[0]


def test_times_in_whole_seconds_are_taken_as_that_coarse(home) -> None:
    rows = "1,entry,34\n1,pass,36\n1,exit,37\n2,exit,99\n"
    observer, remarks = seen(
        home, "rep,event,time_s,sd_s\n" + rows.replace("\n", ",\n") + "2,go,90,0.1\n"
    )
    assert [one.sd_s for one in observer.sightings] == [*[pytest.approx(0.2887, abs=1e-4)] * 4, 0.1]
    assert any("whole seconds" in remark for remark in remarks)
    observer, remarks = seen(home, "rep,event,time_s\n" + rows.replace("37", "37.2"))
    assert [one.sd_s for one in observer.sightings] == [0.02] * 4
    assert remarks == ()


# --- what is wrong in session.toml -----------------------------------------------------------

TOML_ERRORS = [
    ('id = "film-zone1"', "", ["[[observer]] 1 id", "missing"]),
    ('kind = "film"', 'kind = "flim"', ["[[observer]] 1 kind", 'did you mean "film"?']),
    ('kind = "film"', "", ["[[observer]] 1 kind", '"gates" or "watch"']),
    ('kind = "film"', 'kind = "film"\nclock = "gps"', ["[[observer]] 1 clock", '"rep"']),
    ('kind = "film"', 'kind = "film"\nuse = "chek"', ["[[observer]] 1 use", 'mean "check"?']),
    ('kind = "film"', 'kind = "film"\nsd_s = 0', ["[[observer]] 1 sd_s", "0.0001 to 5"]),
    ('kind = "film"', 'kind = "film"\nsd = 0.1', ['"sd" is not read']),
    ('kind = "film"', 'kind = "gates"', ["[[observer]] 1 near_utc", 'clock is "utc"', "delete"]),
    ('kind = "film"', 'kind = "watch"', ["[[observer]] 1 near_utc", 'clock is "rep"']),
    ("17:05:00Z", "17:05:00", ["[[observer]] 1 near_utc", "without a zone"]),
    ("2026-05-12T17:05:00Z", "2025-05-12T17:05:00Z", ["near_utc", "not on the session's day"]),
    ('file = "film.csv"', "", ["[[observer]] 1 file", "missing"]),
    ('file = "film.csv"', 'file = "/film.csv"', ["[[observer]] 1 file", "leads out of"]),
    ('file = "film.csv"', 'flie = "film.csv"', ["flie", 'did you mean "file"?']),
    ("[[observer]]", "[observer]", ["[observer]", "double brackets"]),
    ("[[observer]]", "[[observers]]", ["[observers]", 'did you mean "observer"?']),
]


@pytest.mark.parametrize(("old", "new", "words"), TOML_ERRORS)
def test_what_is_wrong_in_the_session_is_told(home, old, new, words) -> None:
    change(home, old, new)
    told = error_of(lambda: read_session(home)) or " ".join(read_session(home).remarks)
    for word in words:
        assert word in told


def test_two_observers_of_one_id_or_one_file(home) -> None:
    again = OBSERVER.replace("film.csv", "./film.csv")
    (home / "session.toml").write_text(SESSION + "\n" + OBSERVER + "\n" + again)
    with pytest.raises(SessionError, match=r"(?s)2 problems.*observer\S* id.*observer\S* file"):
        read_session(home)


# --- what is wrong in the file ----------------------------------------------------------------

HEAD = "rep,incoming,outgoing,event,gate,runner,time_s,place_m,sd_s,sd_m\n"
ROWS_LEFT_OUT = [
    ("1,,,pas,,,3.5,,,", ["event 'pas' is not known", 'did you mean "pass"?']),
    ("1,,,hand-bcak,,,3.5,,,", ['did you mean "hand back"?']),
    ("1,,,fireworks,,,3.5,,,", ["event 'fireworks'", '"mark", "go"', '"gate"']),
    ("1,,,,,,3.5,,,", ["event is blank"]),
    ("7,,,pass,,,3.5,,,", ["rep 7 is not on the practice sheet"]),
    ("x,,,pass,,,3.5,,,", ["rep: 'x' is not a whole number"]),
    (",wern,robin,pass,,,3.5,,,", ["incoming 'wern' is not a runner", 'did you mean "wren"?']),
    (",wren,heron,pass,,,3.5,,,", ["outgoing 'heron'", 'add a [[runner]] with id = "heron"']),
    (",wren,wren,pass,,,3.5,,,", ["both incoming and outgoing"]),
    ("1,wren,robin,pass,,,3.5,,,", ["rep 1 is robin to wren on the practice sheet"]),
    ("1,,robin,pass,,,3.5,,,", ["rep 1 is robin to wren", "not ... to robin"]),
    ("1,,,gate,,wren,3.5,,,", ["gate is blank"]),
    ("1,,,gate,beam,,3.5,,,", ["runner is blank", "who broke it"]),
    ("1,,,gate,baem,wren,3.5,,,", ["gate 'baem' is not in the venue", 'did you mean "beam"?']),
    ("1,,,gate,beam,wern,3.5,,,", ["runner 'wern'", 'did you mean "wren"?']),
    ("1,,,pass,,,,,,", ["neither a time nor a place"]),
    ("1,,,pass,,,soon,,,", ["time_s: 'soon' is not a time", "neither a time nor a place"]),
    ("1,,,pass,,,3,5,,18,,", ["decimal commas", "quotes"]),
]


@pytest.mark.parametrize(("row", "words"), ROWS_LEFT_OUT)
def test_a_row_that_cannot_be_used_is_left_out_and_the_others_stay(home, row, words) -> None:
    observer, remarks = seen(home, HEAD + row + "\n1,,,entry,,,2.5,,,\n")
    assert [(one.line, one.event) for one in observer.sightings] == [(3, "entry")]
    assert len(remarks) == 1
    for word in ["film.csv, line 2: row left out", *words]:
        assert word in remarks[0]


CELLS_PASSED_OVER = [
    ("1,,,pass,,,3.5,750,,", ["place_m", "-60 to 60"]),
    ("1,,,pass,,,3.5,far,,", ["place_m: 'far' is not a number"]),
    ("1,,,pass,,,3.5,,99,", ["sd_s", "0 to 5"]),
    ("1,,,pass,,,3.5,,0,", ["sd_s", "too small"]),
    ("1,,,pass,,,3.5,,,50", ["sd_m", "0 to 10"]),
    ("1,,,pass,beam,,3.5,,,", ["gate and runner are read only"]),
]


@pytest.mark.parametrize(("row", "words"), CELLS_PASSED_OVER)
def test_a_cell_that_cannot_be_read_is_passed_over(home, row, words) -> None:
    observer, remarks = seen(home, HEAD + row + "\n")
    assert observer.sightings == (Sighting(2, "pass", rep=1, time_s=3.5, sd_s=0.02),)
    assert len(remarks) == 1
    for word in ["film.csv, line 2: ", *words]:
        assert word in remarks[0]


def test_a_gates_runner_has_a_part_in_its_takeover(home) -> None:
    more = '[[runner]]\nid = "teal"\n\n[[recording]]\nrunner = "robin"'
    change(home, '[[recording]]\nrunner = "robin"', more)
    rows = (
        "1,,,gate,beam,teal,3.5,,,\n,robin,wren,gate,beam,teal,3.5,,,\n,,,gate,BEAM,Teal,3.5,,,\n"
    )
    observer, remarks = seen(home, HEAD + rows)
    assert [(one.line, one.gate, one.runner) for one in observer.sightings] == [(4, "beam", "teal")]
    assert 'rep 1 is robin to wren, and the gate\'s runner is "teal"' in remarks[0]
    assert "neither incoming nor outgoing" in remarks[1]


def test_one_reason_is_told_once_with_its_lines(home) -> None:
    _, remarks = seen(home, HEAD + "1,,,pas,,,3.5,,,\n" * 7)
    assert remarks[0].startswith("film.csv, lines 2 to 8 (7 rows): row left out: event")
    assert remarks[1:] == ("film.csv: no usable row",)


def test_no_more_than_fifty_problems_are_told(home) -> None:
    rows = "".join(
        f"1,,,event {chr(97 + i // 26)}{chr(97 + i % 26)},,,3.5,,,\n" for i in range(500)
    )
    _, remarks = seen(home, HEAD + rows)
    assert len(remarks) == 52
    assert "450 more remarks" in remarks[50]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", ["an empty sheet", "event"]),
        (b"a,b\n1,2\n", ['no column "event"', 'no column "time_s", "time_utc" or "place_m"']),
        (b"evnt,time_s\n", ['column "evnt"', 'did you mean "event"?']),
        (b"event,time_s,time_s\n", ['column "time_s" twice']),
        (b"PK\x03\x04rest", ["own format"]),
        (b"event,time_s\n\0,\0\n", ["not text"]),
        (b"event,time_s\n" + b"\n" * 300_000, ["more than 200000 lines"]),
        (b"event,time_s\n", ["no usable row"]),
    ],
)
def test_a_file_that_cannot_be_read_costs_only_its_observer(home, text, words) -> None:
    change(home, OBSERVER, OBSERVER + '\n[[observer]]\nid = "b"\nkind = "watch"\nfile = "b.csv"\n')
    (home / "b.csv").write_text(PLAIN)
    (home / "film.csv").write_bytes(text)
    session = read_session(home)
    assert [len(one.sightings) for one in session.observers] == [0, 2]
    told = " ".join(session.remarks)
    assert str(home) not in told
    for word in ["film.csv", *words]:
        assert word in told


def test_a_file_that_is_not_there_costs_only_its_observer(home) -> None:
    (home / "film.csv").unlink()
    session = read_session(home)
    assert session.observers[0].sightings == ()
    (remark,) = session.remarks
    assert remark.startswith('observer "film-zone1" is left out: film.csv: no such file')
    assert str(home) not in remark
    (home / "film.csv").mkdir()
    assert "it is a directory" in read_session(home).remarks[0]


def test_without_a_sheet_a_rep_number_says_nothing(home) -> None:
    change(home, 'reps = "reps.csv"', "")
    observer, remarks = seen(home, PLAIN)
    assert [one.rep for one in observer.sightings] == [None, None]
    assert remarks == ("film.csv: rep is not used, since the session has no practice sheet",)


# --- what is odd ------------------------------------------------------------------------------


def test_times_that_run_backwards_are_told_once(home) -> None:
    text = "rep,event,time_s\n2,exit,99.1\n1,exit,34.1\n2,go,80.5\n1,go,30.2\n"
    observer, remarks = seen(home, text)
    assert times_of(observer) == [99.1, 34.1, 80.5, 30.2]
    (remark,) = remarks
    assert "film.csv, lines 3, 5: times run backwards" in remark


def test_a_rep_may_be_written_down_in_any_order(home) -> None:
    text = "rep,event,time_s\n1,pass,35.88\n1,entry,34.02\n1,hand back,35.4\n2,exit,99.1\n"
    assert seen(home, text)[1] == ()
    of_kind(home, "watch")
    assert seen(home, text.replace("99.1", "3.2"))[1] == ()


@pytest.mark.parametrize(("early", "late"), EVENT_ORDER)
def test_an_order_that_cannot_be_is_told(home, early, late) -> None:
    head = "rep,event,time_s\n"
    assert seen(home, head + f"1,{early},34.15\n1,{late},34.1\n")[1] == ()  # within the errors
    observer, remarks = seen(home, head + f"1,{early},34.2\n1,{late},34.1\n")
    assert len(observer.sightings) == 2
    (remark,) = remarks
    assert f"film.csv, rep 1: {late} (line 3) is before {early} (line 2)" in remark


def test_an_event_seen_twice_is_kept_and_told(home) -> None:
    text = "rep,event,time_s,place_m\n1,pass,35.88,18\n1,pass,35.98,19\n2,pass,99.5,\n2,pass,,17\n"
    observer, remarks = seen(home, text)
    assert len(observer.sightings) == 4
    assert remarks == ("film.csv, rep 1: pass stands on lines 2, 3; all are kept",)


# --- whatever stands there --------------------------------------------------------------------


def read_any(folder: Path, text: str | bytes) -> Session:
    (folder / "session.toml").write_text(SESSION + "\n" + OBSERVER)
    (folder / "reps.csv").write_text(SHEET)
    (folder / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT, GATE))
    (folder / "film.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_session(folder)


def assert_sound(session: Session) -> None:
    for one in session.observers[0].sightings:
        assert one.time_s is not None or one.place_m is not None
        assert (one.time_s is None) == (one.sd_s is None)
        assert (one.place_m is None) == (one.sd_m is None)
        assert (one.event == "gate") == (one.gate is not None) == (one.runner is not None)
        for value in (one.time_s, one.place_m, one.sd_s, one.sd_m):
            assert value is None or math.isfinite(value)
    for remark in session.remarks:
        keeps_places_to_itself(remark)


CELLS = st.one_of(
    st.sampled_from(
        ["", "1", "2", "robin", "wren", "pass", "gate", "beam", "hand back", "3.5", "1:02,5"]
    ),
    st.sampled_from(["48.1234567", "-16.7654321", "17:05:34.25", "2026-05-12T17:05:34Z", "1e9"]),
    st.text(alphabet='robinwe,;\n"0.7:- \t', max_size=12),
)


@given(st.lists(st.lists(CELLS, min_size=12, max_size=12), max_size=5))
@settings(max_examples=60, deadline=None)
def test_no_cells_bring_anything_but_remarks(tmp_path_factory, rows) -> None:
    text = "\n".join([",".join(OBSERVER_COLUMNS), *(",".join(row) for row in rows)])
    assert_sound(read_any(tmp_path_factory.mktemp("seen"), text))


@given(st.binary(max_size=200))
@settings(max_examples=40, deadline=None)
def test_no_bytes_bring_anything_but_remarks(tmp_path_factory, raw) -> None:
    assert_sound(read_any(tmp_path_factory.mktemp("seen"), raw))


def test_a_recording_taken_for_what_an_observer_saw_shows_no_place(tmp_path) -> None:
    tmp_path = tmp_path / "otter"
    tmp_path.mkdir()
    row = "48.1234567,-16.7654321,7.5,pass\n"
    for text in (
        "time_utc,latitude_deg,longitude_deg,event\n17:05:34," + row,
        "rep,place_m,time_s,event\n" + row,
        "event,runner,gate,time_s\n" + row,
        row,
    ):
        session = read_any(tmp_path, text)
        assert_sound(session)
        assert session.remarks


@given(order=st.permutations(range(5)))
@settings(max_examples=20, deadline=None)
def test_the_rows_order_does_not_change_what_is_read(tmp_path_factory, order) -> None:
    head, *rows = FILM.splitlines()
    folder = tmp_path_factory.mktemp("seen")
    moved = read_any(folder, "\n".join([head, *(rows[i] for i in order)])).observers[0].sightings
    plain = read_any(folder, FILM).observers[0].sightings
    assert {_without_line(one) for one in moved} == {_without_line(one) for one in plain}


def _without_line(sighting: Sighting) -> str:
    return repr(sighting).partition(", ")[2]
