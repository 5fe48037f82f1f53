"""The practice sheet: what is read of it, and what is passed over with a remark."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice_files import SHEET, utc

from pipeline.base.values import Rep, Runner
from pipeline.errors import SessionError
from pipeline.read.practice.sheet import read_sheet

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
    text = ";;;;;\nnote;outgoing;weather;incoming;;\n;;;;;\n"
    text += "ok;wren;+1;robin;;\n;;;;;\n;robin;;wren;;\n"
    reps, remarks = sheet(tmp_path, text)
    assert [(r.line, r.incoming, r.outgoing, r.note) for r in reps] == [
        (4, "robin", "wren", "ok"),
        (6, "wren", "robin", ""),
    ]
    assert remarks == ["reps.csv: columns not read: weather"]


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
    assert "reps.csv, line 2: " in remarks[0]
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


TIMES = [
    # as people type them, in UTC
    ("17.03", "2026-05-12T17:03:00"),
    ("17.03.20", "2026-05-12T17:03:20"),
    ("17h03", "2026-05-12T17:03:00"),
    ("17 h 03", "2026-05-12T17:03:00"),
    ("17h", "2026-05-12T17:00:00"),
    ("17:03 Uhr", "2026-05-12T17:03:00"),
    ("5:03 pm", "2026-05-12T17:03:00"),
    ("5:03:20 PM", "2026-05-12T17:03:20"),
    ("5.03 p.m.", "2026-05-12T17:03:00"),
    ("12:03 am", "2026-05-12T00:03:00"),
    ("12:03 pm", "2026-05-12T12:03:00"),
    ("5 pm", "2026-05-12T17:00:00"),
    ("17:03:20,5", "2026-05-12T17:03:20.500"),
    ("19:03+2", "2026-05-12T17:03:00"),
    ("12.05.2026 17:03", "2026-05-12T17:03:00"),
    ("12.5.26 17.03", "2026-05-12T17:03:00"),
    ("12.5. 17:03", "2026-05-12T17:03:00"),
    ("12/5/2026 17:03", "2026-05-12T17:03:00"),
    ("5/12/2026 17:03", "2026-05-12T17:03:00"),
    ("5/12/26, 5:03 PM", "2026-05-12T17:03:00"),
    ("12-05-2026 17:03", "2026-05-12T17:03:00"),
    ("26-05-12 17:03", "2026-05-12T17:03:00"),
    ("2026/5/12 17:03", "2026-05-12T17:03:00"),
    ("12.05.2026 19:03+02:00", "2026-05-12T17:03:00"),
    ("20260512T170320Z", "2026-05-12T17:03:20"),
]


@pytest.mark.parametrize(("cell", "moment"), TIMES)
def test_when_a_rep_began_as_people_type_it(tmp_path, cell, moment) -> None:
    reps, remarks = sheet(tmp_path, f'incoming,outgoing,start_utc\nrobin,wren,"{cell}"\n')
    assert remarks == []
    assert reps[0].start_utc_s == utc(moment)


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("05/06/2026 17:03", "may be 2026-06-05 or 2026-05-06, and the session's day is"),
        ("13/06/2026 17:03", "2026-06-13 is not on the session's day, 2026-05-12"),
        ("12.05", '"12.05" may be a time or the session\'s day'),
        ("12.05.26", "may be a time or the session's day"),
        ("12/05/2026", "is not a time"),
        ("1703", '"1703" is not a time; did you mean 17:03?'),
        ("2561", "is not a time; expected 17:03:20"),
        ("17", "is not a time"),
        ("13:03 pm", "is not a time"),
        ("0 pm", "is not a time"),
        ("17:03 CEST", "is not a time; write its zone as Z or +02:00"),
        ("2026-05-12 17:03 CEST", "is not a time; write its zone as Z or +02:00"),
        ("17:61", "is not a time"),
        ("31.02.2026 17:03", "is not a time"),
        ("17:03+99:00", "is not a time"),
        ("0001-01-01T00:00", "is not a time"),
        ("9999-12-31T23:59-14:00", "is not a time"),
    ],
)
def test_a_time_that_may_be_another_is_asked(tmp_path, cell, words) -> None:
    reps, (remark,) = sheet(tmp_path, f"incoming,outgoing,start_utc\nrobin,wren,{cell}\n")
    assert reps[0].start_utc_s is None
    assert words in remark


def starts_of(tmp_path, date: str, *cells: str, zone: str = "Europe/Zurich"):
    path = tmp_path / "reps.csv"
    path.write_text("incoming,outgoing,start_utc\n" + "".join(f"robin,wren,{c}\n" for c in cells))
    reps, remarks = read_sheet(path, RUNNERS, (), dt.date.fromisoformat(date), None, zone)
    return [rep.start_utc_s for rep in reps], remarks


@pytest.mark.parametrize(
    ("date", "cell", "moment"),
    [
        ("2026-05-12", "19:03", "2026-05-12T17:03:00"),
        ("2026-01-31", "19:03", "2026-01-31T18:03:00"),
        ("2026-05-12", "12.05.2026 19:03", "2026-05-12T17:03:00"),
        ("2026-05-12", "17:03Z", "2026-05-12T17:03:00"),
        ("2026-05-12", "17:03 UTC", "2026-05-12T17:03:00"),
        ("2026-05-12", "18:03+01:00", "2026-05-12T17:03:00"),
        ("2026-10-25", "01:30", "2026-10-24T23:30:00"),
        ("2026-10-25", "03:30", "2026-10-25T02:30:00"),
    ],
)
def test_times_without_a_zone_are_local(tmp_path, date, cell, moment) -> None:
    assert starts_of(tmp_path, date, cell) == ([utc(moment)], [])


def test_the_hour_that_clocks_skip_and_the_one_they_show_twice_are_said(tmp_path) -> None:
    (none,), (remark,) = starts_of(tmp_path, "2026-03-29", "02:30")
    assert none is None
    assert 'start_utc: clocks in Europe/Zurich skipped "02:30" that day' in remark
    (first,), (remark,) = starts_of(tmp_path, "2026-10-25", "02:30")
    assert first == utc("2026-10-25T00:30:00")
    assert 'showed "02:30" twice that day; taken as the first' in remark
    (second,), remarks = starts_of(tmp_path, "2026-10-25", "02:30+01:00")
    assert (second, remarks) == (utc("2026-10-25T01:30:00"), [])


def test_a_local_evening_past_midnight(tmp_path) -> None:
    starts, remarks = starts_of(tmp_path, "2026-10-24", "23:30", "00:30", "03:30")
    assert remarks == []
    assert [b - a for a, b in pairwise(starts)] == [3600, 4 * 3600]  # summer time ends


def test_what_is_ambiguous_is_asked_once_for_the_file(tmp_path) -> None:
    cells = [f"05/06/2026 17:{minute:02d}" for minute in range(40)]
    starts, remarks = starts_of(tmp_path, "2026-05-12", *cells)
    assert starts == [None] * 40
    (remark,) = remarks
    assert remark.startswith('reps.csv, lines 2 to 41 (40 rows): start_utc: "05/06/2026 17:00"')
    assert '(likewise "05/06/2026 17:01", "05/06/2026 17:02", "05/06/2026 17:03" and 36' in remark


def test_equal_remarks_become_one_and_keep_their_order(tmp_path) -> None:
    rows = ["robin,wren,bad", "robin,heron,", "robin,wren,7.5", "wren,robin,bad", "robin,heron,"]
    _, remarks = sheet(tmp_path, "incoming,outgoing,mark_m\n" + "\n".join(rows) + "\n")
    assert [remark.partition(": ")[0] for remark in remarks] == [
        "reps.csv, lines 2, 5",
        "reps.csv, lines 3, 6",
    ]
    assert "likewise" not in remarks[0]


def test_no_more_than_fifty_remarks_are_told(tmp_path) -> None:
    rows = "".join(f"robin,who{n},\n" for n in range(80))
    _, remarks = sheet(tmp_path, "incoming,outgoing,mark_m\n" + rows)
    assert len(remarks) == 52
    assert remarks[50] == "reps.csv: 30 more remarks like these"


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ("1,5", "lane 5 zone 1 is not in the venue"),
        (
            "3,5",
            "did you mean lane 5 zone 2, the only one of that lane, or lane 4 zone 3, the only",
        ),
        ("3,6", "did you mean lane 4 zone 3, the only one of that number?"),
        ("5,2", "did you mean lane 5 zone 2, the other way round?"),
    ],
)
def test_a_zone_that_is_not_there_asks_for_the_likeliest(tmp_path, cells, words) -> None:
    zones = ((4, 1), (4, 2), (4, 3), (5, 2))
    text = f"incoming,outgoing,zone,lane\nrobin,wren,{cells}\n"
    _, remarks = sheet(tmp_path, text, zones)
    assert words in remarks[0]


@pytest.mark.parametrize("header", ["start", "Start time", "time", "start_local"])
def test_a_column_of_times_by_another_name_is_asked_and_not_taken(tmp_path, header) -> None:
    reps, (remark,) = sheet(tmp_path, f"incoming,outgoing,{header}\nrobin,wren,17:03\n")
    assert reps[0].start_utc_s is None
    assert 'is not read; did you mean "start_utc"?' in remark
    _, (remark,) = sheet(tmp_path, f"incoming,outgoing,start_utc,{header}\nrobin,wren,17:03,3\n")
    assert "columns not read" in remark


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
