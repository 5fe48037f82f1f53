"""The sheet's columns that say what kind of run a row was, and of which race."""

from __future__ import annotations

import datetime as dt
import re
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.base.values import Drill, Hand, Race, Rep, Runner, Technique, Use
from pipeline.errors import SessionError
from pipeline.read.practice.sheet import read_sheet

RUNNERS = tuple(map(Runner, ("robin", "wren", "jackdaw", "heron")))
DATE = dt.date(2026, 5, 12)
ZONES = ((4, 1), (4, 2), (4, 3), (5, 1), (5, 2), (5, 3))
HEAT = Race("heat", "4x100", 5, ("robin", "wren", "jackdaw", "heron"))


def rows_of(tmp_path, text: str, races=(HEAT,)):
    path = tmp_path / "reps.csv"
    path.write_text(text, encoding="utf-8")
    return read_sheet(path, RUNNERS, ZONES, DATE, 4, None, races)


def one_cell(tmp_path, column: str, cell: str):
    """The value of the cell's column, the row and its remarks."""
    (rep,), remarks = rows_of(tmp_path, f"incoming;outgoing;{column}\nrobin;wren;{cell}\n")
    return getattr(rep, column), rep, remarks


def test_all_columns_are_read(tmp_path) -> None:
    head = "rep,incoming,outgoing,effort,drill,use,technique,hand,wind_mps,race,note\n"
    row = "3,wren,jackdaw,100,,yes,push,left,-1.3,heat,fine\n"
    assert rows_of(tmp_path, head + row) == (
        (
            Rep(
                2, "wren", "jackdaw", 3, 2, 5, note="fine", effort=100.0, use="yes",
                technique="push", hand="left", wind_mps=-1.3, race="heat",
            ),
        ),
        [],
    )  # fmt: skip


CELLS_READ = [
    ("effort", "80", 80.0),
    ("effort", "80 %", 80.0),
    ("effort", "80%", 80.0),
    ("effort", "72,5", 72.5),
    ("effort", "full", 100.0),
    ("drill", "build-up", "build-up"),
    ("drill", "Build-Up", "build-up"),
    ("drill", "build up", "build-up"),
    ("drill", "BUILDUP", "build-up"),
    ("drill", "jogging", "jog"),
    ("drill", "stand", "standing"),
    ("drill", "rotations", "rotation"),
    ("drill", "none", None),
    ("drill", "-", None),
    ("use", "\u2013", None),
    ("effort", "-", None),
    ("wind_mps", "-", None),
    ("use", "no", "no"),
    ("use", "N", "no"),
    ("use", "0", "no"),
    ("use", "FALSE", "no"),
    ("use", "nein", "no"),
    ("use", "non", "no"),
    ("use", "yes", "yes"),
    ("use", "y", "yes"),
    ("use", "1", "yes"),
    ("use", "true", "yes"),
    ("technique", "up", "upsweep"),
    ("technique", "Upsweep", "upsweep"),
    ("technique", "down sweep", "downsweep"),
    ("technique", "push pass", "push"),
    ("hand", "L", "left"),
    ("hand", "right hand", "right"),
    ("wind_mps", "+1,2", 1.2),
    ("wind_mps", "-0.4 m/s", -0.4),
    ("wind_mps", "\u22120.4", -0.4),
]


@pytest.mark.parametrize(("column", "cell", "value"), CELLS_READ)
def test_what_people_write_is_read(tmp_path, column, cell, value) -> None:
    found, _, remarks = one_cell(tmp_path, column, cell)
    assert found == value
    assert remarks == []


CELLS_ASKED = [
    # column, cell, whether the row is still used for advice, words of the remark
    ("effort", "0.8", False, ['effort: "0.8"', "did you mean 80?", "not used for advice"]),
    ("effort", ",75", False, ["did you mean 75?"]),
    ("effort", "110", False, ["did you mean 100?"]),
    ("effort", "70-80", False, ['"70-80" is not a number', "not used for advice"]),
    ("effort", "easy", False, ["a number such as 70", '"build-up" in the column drill']),
    ("effort", "build-up", False, ['"build-up" in the column drill']),
    ("drill", "easy", False, ['may mean "build-up"', 'or "jog"', "not used for advice"]),
    ("drill", "buildpu", False, ['did you mean "build-up"?', "not used for advice"]),
    ("drill", "?", False, ["is not known", "not used for advice"]),
    ("drill", "yoga", False, ['expected "build-up", "standing", "jog" or "rotation"']),
    ("use", "x", False, ['"x" may mean "yes" or "no"', "not used for advice"]),
    ("use", "maybe", False, ['"yes" or "no"', "not used for advice"]),
    ("technique", "upswep", True, ['did you mean "upsweep"?', "passed over"]),
    ("technique", "over the head", True, ['"upsweep", "downsweep" or "push"']),
    ("hand", "both", True, ['"left" or "right"']),
    ("wind_mps", "head", True, ["is not a number"]),
    ("wind_mps", "36", True, ["-20 to 20"]),
    ("wind_mps", "+5 km/h", True, ["did you mean +1.4?"]),
]


@pytest.mark.parametrize(("column", "cell", "is_used", "words"), CELLS_ASKED)
def test_what_cannot_be_read_is_asked_and_read_cautiously(
    tmp_path, column, cell, is_used, words
) -> None:
    found, rep, remarks = one_cell(tmp_path, column, cell)
    assert rep.use == (None if is_used else "no")
    assert found == ("no" if column == "use" else None)
    assert len(remarks) == 1
    for word in ["reps.csv, line 2: ", *words]:
        assert word in remarks[0]


def test_an_effort_slower_than_a_walk_is_said(tmp_path) -> None:
    effort, _, remarks = one_cell(tmp_path, "effort", "1.0")  # perhaps a share, not per cent
    assert effort == 1.0
    assert "slower than a walk; a blank cell is full speed" in remarks[0]


def test_an_explicit_use_outweighs_an_effort_that_cannot_be_read_and_not_a_drill(tmp_path) -> None:
    head = "incoming,outgoing,use,effort,drill\n"
    reps, _ = rows_of(tmp_path, head + "robin,wren,yes,0.8,\nrobin,wren,yes,,handstand\n")
    assert [rep.use for rep in reps] == ["yes", "no"]


EXERCISES = [
    # zone and lane of an exercise, what is read of them, words of the remark
    (",", (None, None), None),
    ("1,4", (1, 4), None),
    (",1", (None, None), "lane 1 is not in the venue"),
    ("7,", (None, None), "zone 7 is not in the venue"),
    ("x,", (None, None), '"x" is not a whole number'),
]


@pytest.mark.parametrize("drill", ["standing", "jog", "rotation"])
@pytest.mark.parametrize(("cells", "place", "words"), EXERCISES)
def test_an_exercise_needs_no_zone(tmp_path, drill, cells, place, words) -> None:
    text = f"incoming,outgoing,drill,zone,lane\nrobin,wren,{drill},{cells}\n"
    (rep,), remarks = rows_of(tmp_path, text)
    assert rep.is_exercise
    assert (rep.zone, rep.lane) == place
    if words is None:
        assert remarks == []
    else:
        assert words in remarks[0]
        assert "an exercise needs none" in remarks[0]


@pytest.mark.parametrize("pair", [",", "robin,", "robin,robin"])
def test_a_rotation_without_its_two_ends_says_who_they_are(tmp_path, pair) -> None:
    text = f"incoming,outgoing,drill\n{pair},rotation\nrobin,wren,rotation\n"
    (rep,), remarks = rows_of(tmp_path, text)
    assert rep.line == 3
    assert "row left out" in remarks[0]
    assert "incoming is the rear runner of the line, outgoing the front one" in remarks[0]


RACE_ROWS = [
    # incoming, outgoing, zone, lane, race, drill; words of the remark, None where all fits
    ("robin,wren,,,heat,", None),
    ("wren,jackdaw,2,5,Heat,", None),
    ("robin,wren,,,heats,", 'did you mean "heat"?'),
    ("robin,wren,,,final,", '"final" is not a [[race]]'),
    ("robin,jackdaw,,,heat,", "no successive runners of heat, which are robin, wren, jackdaw"),
    ("wren,robin,,,heat,", "did you mean robin to wren?"),
    ("robin,wren,2,5,heat,", "robin to wren is zone 1 of heat, not 2; did you mean zone 1?"),
    ("robin,wren,1,4,heat,", "heat is run in lane 5, not 4; did you mean lane 5?"),
    ("robin,wren,,,heat,jog", "a jog is no takeover of a race"),
]


@pytest.mark.parametrize(("row", "words"), RACE_ROWS)
def test_a_row_of_a_race_is_held_to_its_team(tmp_path, row, words) -> None:
    (rep,), remarks = rows_of(tmp_path, f"incoming,outgoing,zone,lane,race,drill\n{row}\n")
    if words is None:
        assert (rep.race, rep.lane) == ("heat", 5)
        assert rep.zone == HEAT.team.index(rep.incoming) + 1
        assert remarks == []
    else:
        assert rep.race is None
        (remark,) = remarks
        assert words in remark
        assert "no part of a race" in remark


def test_a_race_where_there_is_none_and_one_takeover_twice(tmp_path) -> None:
    text = "incoming,outgoing,race\nrobin,wren,heat\nrobin,wren,heat\n"
    _, remarks = rows_of(tmp_path, text, ())
    assert 'add a [[race]] with id = "heat"' in remarks[0]
    reps, remarks = rows_of(tmp_path, text)
    assert [rep.race for rep in reps] == ["heat", "heat"]
    assert remarks == ["reps.csv: robin to wren of race heat stands on several lines; all are kept"]


@pytest.mark.parametrize("column", ["efort", "dril", "techniqe", "wind_mp"])
def test_a_misspelt_new_column_stops(tmp_path, column) -> None:
    with pytest.raises(SessionError, match="did you mean"):
        rows_of(tmp_path, f"incoming,outgoing,{column}\nrobin,wren,\n")


@pytest.mark.parametrize(
    ("column", "meant"), [("pace", "race"), ("trace", "race"), ("hands", "hand"), ("wind", "wind_")]
)
def test_another_column_like_a_short_one_only_asks(tmp_path, column, meant) -> None:
    reps, (remark,) = rows_of(tmp_path, f"incoming,outgoing,{column}\nrobin,wren,5\n")
    assert reps == (Rep(2, "robin", "wren"),)
    assert f'column "{column}" is not read; did you mean "{meant}' in remark


NEW_COLUMNS = ("effort", "drill", "use", "technique", "hand", "wind_mps", "race", "start_utc")
WORDS = st.sampled_from(["build up", "jog", "x", "no", "0.8", "80 %", "+1,2 m/s", "heat", "5 pm"])


@given(st.sampled_from(NEW_COLUMNS), st.one_of(WORDS, st.text(max_size=12)), st.booleans())
@settings(max_examples=300, deadline=None)
def test_no_cell_gives_a_value_that_the_sheet_does_not_have(
    tmp_path_factory, column, cell, is_local
) -> None:
    path = tmp_path_factory.mktemp("cells") / "reps.csv"
    quoted = cell.replace('"', '""')
    path.write_bytes(
        f'incoming,outgoing,{column}\nrobin,wren,"{quoted}"\n'.encode("utf-8", "ignore")
    )
    zone = "America/New_York" if is_local else None
    try:
        reps, remarks = read_sheet(path, RUNNERS, ZONES, DATE, 4, zone, (HEAT,))
    except SessionError:
        return
    for rep in reps:
        assert rep.drill in (None, *get_args(Drill))
        assert rep.use in (None, *get_args(Use))
        assert rep.technique in (None, *get_args(Technique))
        assert rep.hand in (None, *get_args(Hand))
        assert rep.race in (None, "heat")
        assert rep.effort is None or 1 <= rep.effort <= 100
        assert rep.wind_mps is None or -20 <= rep.wind_mps <= 20
        is_silent = rep == Rep(rep.line, "robin", "wren")
        says_nothing = re.fullmatch(r"[\s\-\u2013\u2014]*", cell) or column == "drill"
        assert remarks or not is_silent or says_nothing
