"""Call-outs in a sheet's text: what is added, and all that stays as it was."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import replace
from pathlib import Path

import fuzz
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.base.values import Rep, Runner
from pipeline.errors import BatontraceError, SessionError, UsageError
from pipeline.read.practice.sheet import REPS_FORM, read_sheet
from pipeline.read.practice.sheet_rows import table_of_sheet
from pipeline.session.call_outs import SheetSetting, parse_call_out
from pipeline.session.sheet_text import NEW_SHEET, Clash, MergedSheet, merge_call_outs

PATH = Path("reps.csv")
RUNNERS = (Runner("wren", 0.3), Runner("jay", 0.3), Runner("robin", 0.3))
SETTING = SheetSetting(PATH, RUNNERS, frozenset(), dt.date(2026, 5, 12))
PLAIN = "rep,incoming,outgoing,pass_m,note\n1,wren,jay,,\n2,jay,robin,20,good\n"


def merged(content: str | bytes, *said: str, replacing: bool = False) -> MergedSheet:
    raw = content if isinstance(content, bytes) else content.encode()
    call_outs = [parse_call_out(one, SETTING) for one in said]
    return merge_call_outs(PATH, raw, call_outs, lambda _clash: replacing)


def text_after(content: str | bytes, *said: str, replacing: bool = False) -> str:
    found = merged(content, *said, replacing=replacing)
    assert found.clashes == ()
    return found.content.decode()


MERGES = [
    # said, the sheet afterwards
    (["1 pass 21 m"], PLAIN.replace("1,wren,jay,,", "1,wren,jay,21,")),
    (["1 dropped"], PLAIN.replace("1,wren,jay,,", "1,wren,jay,,dropped")),
    (["2 late"], PLAIN.replace("good", "good; late")),
    (["2 late", "2 tired"], PLAIN.replace("good", "good; late; tired")),
    (["2 good"], PLAIN),
    (["2 pass 20.0 m jay to robin"], PLAIN),
    (["3 robin to wren pass 19 m"], PLAIN + "3,robin,wren,19,\n"),
    (["3 pass 19 m", "3 robin to wren", "3 late"], PLAIN + "3,robin,wren,19,late\n"),
    (["1 note a, b"], PLAIN.replace("1,wren,jay,,", '1,wren,jay,,"a, b"')),
    (['1 note the "big" hand'], PLAIN.replace("1,wren,jay,,", '1,wren,jay,,"the ""big"" hand"')),
    (["1 note =1+1"], PLAIN.replace("1,wren,jay,,", "1,wren,jay,,'=1+1")),
    (["1 note - tired"], PLAIN.replace("1,wren,jay,,", "1,wren,jay,,'- tired")),
    (["1 zone 2"], "rep,incoming,outgoing,pass_m,note,zone\n1,wren,jay,,,2\n2,jay,robin,20,good\n"),
]


@pytest.mark.parametrize(("said", "after"), MERGES)
def test_what_is_said_is_added_and_nothing_else_changes(said, after) -> None:
    assert text_after(PLAIN, *said) == after


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (PLAIN.replace("\n", "\r\n"), "1,wren,jay,18.5,\r\n"),
        (PLAIN.replace("\n", "\r"), "1,wren,jay,18.5,\r"),
        (PLAIN.rstrip("\n"), "1,wren,jay,18.5,\n"),
        (PLAIN.replace(",", ";"), "1;wren;jay;18,5;\n"),
        (PLAIN.replace(",", ";").replace("20", "20.5"), "1;wren;jay;18.5;\n"),
        (PLAIN.replace(",", "\t"), "1\twren\tjay\t18.5\t\n"),
        (PLAIN.replace("20", '"20,5"'), '1,wren,jay,"18,5",\n'),
        ("\ufeff" + PLAIN, "1,wren,jay,18.5,\n"),
        ("sep=;\n" + PLAIN.replace(",", ";"), "1;wren;jay;18,5;\n"),
        ("\n;;;;\n" + PLAIN.replace(",", ";") + ";;;;\n;;;;\n", "1;wren;jay;18,5;\n"),
        (PLAIN.replace("note", "weather").replace("good", "Föhn"), "1,wren,jay,18.5,\n"),
        (PLAIN.replace("rep,", "Rep ,").replace("pass_m", "Pass m"), "1,wren,jay,18.5,\n"),
        (PLAIN.replace("good", '"two\nlines"'), "1,wren,jay,18.5,\n"),
    ],
)  # fmt: skip
def test_the_sheet_keeps_its_own_way_of_writing(before, after) -> None:
    found = text_after(before, "1 pass 18.5 m")
    lines = before.splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if line.startswith("1"))
    assert found == "".join([*lines[:at], after, *lines[at + 1 :]])


@pytest.mark.parametrize("codec", ["cp1252", "utf-8", "utf-8-sig", "utf-16"])
def test_the_sheet_keeps_its_encoding(codec) -> None:
    before = PLAIN.replace("good", "schön").encode(codec)
    found = merged(before, "1 note früh").content
    assert found == PLAIN.replace("good", "schön").replace("jay,,", "jay,,früh").encode(codec)


def test_bytes_in_no_encoding_stay_as_they_are() -> None:
    before = PLAIN.encode().replace(b"good", b"sch\xf6n \x81\x85 end")
    found = merged(before, "1 pass 21 m", "2 late").content
    assert found == before.replace(b"jay,,", b"jay,21,").replace(b"end", b"end; late")


def test_what_an_encoding_does_not_have_is_refused() -> None:
    with pytest.raises(UsageError, match="cp1252"):
        merged(PLAIN.replace("good", "schön").encode("cp1252"), "1 note 疲")


def test_a_new_row_stands_before_blank_ones() -> None:
    before = PLAIN.replace(",", ";") + ";;;;\n"
    after = PLAIN.replace(",", ";") + "3;;;19;\n;;;;\n"
    assert text_after(before, "3 pass 19 m") == after


def test_a_new_sheet_has_all_columns(tmp_path) -> None:
    found = merged(NEW_SHEET, "1 wren to jay zone 2 mark 27 feet pass 21 m start 17:05", "1 late")
    (tmp_path / "reps.csv").write_bytes(found.content)
    (rep,), remarks = read_sheet(tmp_path / "reps.csv", RUNNERS, (), SETTING.date, 4)
    assert (rep.incoming, rep.outgoing, rep.zone, rep.pass_m) == ("wren", "jay", 2, 21.0)
    assert (rep.mark_m, rep.note, remarks) == (pytest.approx(8.1), "late", [])


SAID_OF_ONE_REP = (
    "1 wren to jay zone 2 mark 27 feet pass 21 m start 5:05 pm outgoing start 0.5 m",
    "1 incoming start 40 m build-up effort 72.5 upsweep left hand wind -0.5 do not use",
    "1 note tired",
)


@pytest.mark.parametrize("content", [NEW_SHEET, PLAIN.encode(), PLAIN.replace(",", ";").encode()])
def test_what_is_noted_is_read_as_it_was_said(tmp_path, content) -> None:
    found = merged(content, *SAID_OF_ONE_REP)
    assert found.clashes == ()
    (tmp_path / "reps.csv").write_bytes(found.content)
    reps, remarks = read_sheet(tmp_path / "reps.csv", RUNNERS, (), SETTING.date, 4)
    assert remarks == []
    assert reps[0] == Rep(
        2, "wren", "jay", 1, 2, None, pytest.approx(8.1), 0.5, 40.0,
        dt.datetime(2026, 5, 12, 17, 5, tzinfo=dt.UTC).timestamp(), 21.0, "tired",
        effort=72.5, drill="build-up", use="no", technique="upsweep", hand="left", wind_mps=-0.5,
    )  # fmt: skip


def test_the_same_in_other_words_is_no_clash() -> None:
    before = "rep,incoming,outgoing,drill,hand,use\n1,wren,jay,Build up,L,nein\n"
    assert text_after(before, "1 build-up left hand do not use") == before
    (clash,) = merged(before, "1 right hand").clashes
    assert (clash.column, clash.old, clash.new) == ("hand", "L", "right")


def test_each_call_out_is_told_with_its_line() -> None:
    said = ["1 pass 21 m", "2 good", "3 late", "3 wren to jay"]
    assert merged("\n\n" + PLAIN, *said).stored == (
        "rep 1 pass 21 m: reps.csv, line 4",
        "rep 2 note good: reps.csv, line 5, was there already",
        "rep 3 note late: reps.csv, line 6, a new row",
        "rep 3 wren to jay: reps.csv, line 6, a new row",
    )
    (line,) = merged(PLAIN, "3 late").stored
    assert "incoming and outgoing still blank" in line


CLASHES = [
    # said, clashes as (line, column, old, new), the sheet where they may be replaced
    ("2 pass 21 m", [(3, "pass_m", "20", "21")], PLAIN.replace("20", "21")),
    ("2 jay to wren", [(3, "outgoing", "robin", "wren")], PLAIN.replace("robin", "wren")),
    (
        "2 wren to jay late",
        [(3, "incoming", "jay", "wren"), (3, "outgoing", "robin", "jay")],
        PLAIN.replace("2,jay,robin,20,good", "2,wren,jay,20,good; late"),
    ),
]


@pytest.mark.parametrize(("said", "clashes", "after"), CLASHES)
def test_what_stands_there_is_not_overwritten_unasked(said, clashes, after) -> None:
    assert list(merged(PLAIN, said).clashes) == [
        Clash(2, line, column, old, new) for line, column, old, new in clashes
    ]
    assert text_after(PLAIN, said, replacing=True) == after


def test_a_mark_in_feet_takes_the_place_of_one_in_metres() -> None:
    before = "rep,incoming,outgoing,mark_m,mark_feet\n1,wren,jay,7.6,\n"
    (clash,) = merged(before, "1 mark 27 feet").clashes
    assert (clash.column, clash.old, clash.new) == ("mark_m", "7.6", "27")
    assert text_after(before, "1 mark 27 feet", replacing=True).splitlines()[1] == "1,wren,jay,,27"


def test_two_call_outs_that_contradict_each_other_clash() -> None:
    (clash,) = merged(PLAIN, "3 pass 19 m", "3 pass 21 m").clashes
    assert str(clash) == 'rep 3: pass_m is "19" by another call-out, not "21"'


TWICE = "rep,incoming,outgoing,zone,pass_m\n3,wren,jay,1,\n3,jay,robin,2,\n"


def test_a_rep_on_several_lines_is_told_apart_by_runners_or_zone() -> None:
    assert text_after(TWICE, "3 zone 2 pass 21 m") == TWICE.replace("2,\n", "2,21\n")
    assert text_after(TWICE, "3 wren to jay pass 21 m") == TWICE.replace("1,\n", "1,21\n")
    for said in ("3 pass 21 m", "3 zone 4 pass 21 m"):
        with pytest.raises(UsageError, match=r"rep 3 stands on lines 2 and 3 of reps\.csv"):
            merged(TWICE, said)


def test_a_row_that_is_read_shifted_is_not_added_to() -> None:
    shifted = "rep,incoming,outgoing,pass_m\n7,wren,jay,18,5\n"
    with pytest.raises(UsageError, match=r"line 2.*5 cells under 4 headers"):
        merged(shifted, "7 late")
    # a new column would make what is left out today a row with a pass at 18 m and the note "5"
    with pytest.raises(UsageError, match=r"line 2.*note would be a new column"):
        merged(shifted, "8 wren to jay late")
    below_a_blank = shifted.replace("pass_m\n", "pass_m,\n")
    with pytest.raises(UsageError, match=r"line 2.*note would be a new column"):
        merged(below_a_blank, "8 wren to jay late")
    assert text_after(shifted, "8 wren to jay") == shifted + "8,wren,jay,\n"


@pytest.mark.parametrize("content", [b"PK\x03\x04rest", b"rep,incomming,outgoing\n", b"a\0b"])
def test_a_sheet_that_cannot_be_read_is_an_error(content) -> None:
    with pytest.raises(SessionError):
        merged(content, "1 late")


CELLS = st.text(alphabet='ab1,;"\n \t\r=é', max_size=6)
SAID = st.sampled_from(
    ["1 pass 21 m", "1 late", "2 wren to jay", "3 zone 2", "2 mark 27 feet", "9 note a; b"]
)


@given(
    rows=st.lists(st.tuples(st.sampled_from(["1", "2", "", "x"]), CELLS, CELLS), max_size=5),
    said=st.lists(SAID, min_size=1, max_size=4),
    separator=st.sampled_from(",;\t"),
    quoted=st.booleans(),
    end=st.sampled_from(["\n", "\r\n"]),
)
@settings(max_examples=150, deadline=None)
def test_whatever_stands_in_a_sheet_stays_there(rows, said, separator, quoted, end) -> None:
    """Rows that nothing was said of read as before; of the others each cell that was not blank."""

    def written(cell: str) -> str:
        return '"' + cell.replace('"', '""') + '"' if quoted else cell

    lines = [separator.join(["rep", "incoming", "outgoing", "weather"])]
    lines += [separator.join([rep, "wren", written(a), written(b)]) for rep, a, b in rows]
    before = (end.join(lines) + end).encode()
    try:
        found = merged(before, *said)
    except UsageError:
        return
    if found.clashes:
        return
    old, new = (
        table_of_sheet(PATH, content, REPS_FORM, PATH.name) for content in (before, found.content)
    )
    reps = {one.split()[0] for one in said}
    for record, now in zip(old.records, new.records, strict=False):  # new ones stand behind
        if record.cells and record.cells[0].strip() not in reps and "".join(record.cells).strip():
            assert now.cells == record.cells
        for cell, cell_now in zip(record.cells, now.cells, strict=False):
            assert not cell.strip() or cell_now == cell or cell_now.startswith(f"{cell.strip()}; ")
    again = merged(found.content, *said)
    assert again.content == found.content
    assert all("already" in line for line in again.stored)


def test_other_rows_of_spoilt_sheets_read_the_same_afterwards(tmp_path) -> None:
    """Sheets changed as the fuzzer does; what is refused is refused without another word."""
    rng, target = random.Random(5), fuzz.TARGETS["sheet"]
    kept = [*target.seeds, *(path.read_bytes() for path in fuzz.corpus("sheet"))]
    said = ("1 pass 21 m", "1 late", "2 wren to robin", "3 robin to wren zone 1", "9 note ü")
    compared = 0
    for _ in range(250):
        content = rng.choice(kept)
        for _ in range(rng.choice((1, 1, 2, 4))):
            content = rng.choice(target.changes)(content, rng)
        chosen = rng.sample(said, 2)
        before = other_rows(tmp_path, content, chosen)
        try:
            found = merged(content, *chosen, replacing=True).content
        except BatontraceError:
            continue
        assert other_rows(tmp_path, found, chosen) == before
        compared += 1
    assert compared > 30


def other_rows(folder: Path, content: bytes, said: list[str]) -> list[Rep] | None:
    """The reps that nothing is said of, but for their lines; None where the sheet is no sheet."""
    (folder / "reps.csv").write_bytes(content)
    try:
        reps, _ = read_sheet(folder / "reps.csv", RUNNERS, (), SETTING.date, 4)
    except SessionError:
        return None
    named = {int(one.split()[0]) for one in said}
    return [replace(rep, line=0) for rep in reps if rep.rep not in named]
