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
