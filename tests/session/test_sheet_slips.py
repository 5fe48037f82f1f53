"""Slips of the practice sheet, planted: each is set right or said, once and where it matters."""

import dataclasses
import re
import shutil

import mishaps
import pytest
import simulate
from calm_squads import CALM

from pipeline.session.check import check_session
from pipeline.session.process import make_session_tables

BRIEF = CALM | {"n_reps": 6, "spacing_s": 20.0}
SEEDS = (1, 2)


@pytest.fixture(scope="module", params=SEEDS)
def truth(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(f"slips-{request.param}")
    return request.param, simulate.make_session(folder, request.param, **BRIEF)


@pytest.fixture
def planted(truth, tmp_path):
    """A function that plants a mishap into a copy: the rows, the session's remarks and the deed."""
    seed, made = truth

    def plant(kind, change=None):
        folder = tmp_path / "session"
        shutil.copytree(made.folder, folder)
        copy = dataclasses.replace(made, folder=folder)
        deed = None if kind is None else mishaps.plant(copy, kind, seed)
        if change is not None:
            rows = mishaps._read_sheet(folder)
            mishaps._write_sheet(folder, [row | change for row in rows])
        session = make_session_tables(folder / "session.toml", None)
        return copy, deed, session.tables["exchanges"].to_pylist(), session.remarks

    return plant


def assert_as_it_was(copy, rows):
    """Every takeover has its row and its figures."""
    assert [row["rep"] for row in rows] == [x["rep"] for x in copy.exchanges]
    for row, x in zip(rows, copy.exchanges, strict=True):
        assert (row["incoming"], row["outgoing"]) == (x["incoming"], x["outgoing"])
        assert row["zone"] == x["zone"]
        assert row["zero_utc"].timestamp() == pytest.approx(x["entry_utc_s"], abs=0.06)


def with_words(rows, words):
    return {row["rep"] for row in rows if any(re.search(words, r) for r in row["remarks"])}


SLIPS = "sheet|swapped|recording|ran to|ahead"


def test_a_sound_session_gets_no_such_remark(planted):
    copy, _, rows, remarks = planted(None)
    assert_as_it_was(copy, rows)
    assert not remarks
    assert not with_words(rows, SLIPS)


def test_a_wrong_zone_is_the_traces_and_said_once(planted):
    copy, deed, rows, remarks = planted("wrong zone")
    assert_as_it_was(copy, rows)
    (said,) = remarks
    assert re.match(r"6 rows of the sheet .*the sheet says zone 3, the traces show zone 2", said)
    assert with_words(rows, "the sheet says zone 3, the traces show zone 2") == set(deed.reps)


@pytest.mark.parametrize("times", [True, False], ids=["with times", "without"])
@pytest.mark.parametrize("kind", ["wrong receiver", "pair turned round"])
def test_a_wrong_pair_is_matched_by_time_and_said(planted, kind, times):
    copy, deed, rows, remarks = planted(kind, None if times else {"start_utc": ""})
    assert_as_it_was(copy, rows)
    (said,) = remarks
    (rep,) = deed.reps
    true = copy.exchanges[rep - 1]
    words = f"at that time {true['incoming']} ran to {true['outgoing']}; the sheet says "
    assert words in said
    assert with_words(rows, words) == {rep}


def test_a_sheet_hours_ahead_is_said_once(planted):
    copy, _, rows, remarks = planted("sheet two hours ahead")
    assert_as_it_was(copy, rows)
    words = "the sheet's times are 2 h ahead of the recordings: taken as local time"
    assert remarks == (words,)
    missing = check_session(copy.folder).missing
    cure = '; say so: time_zone = "Europe/Zurich" or the like'
    assert [one for one in missing if "accelerometer" not in one] == [words + cure]


def test_units_that_were_swapped_are_said_on_every_takeover_of_both(planted):
    copy, deed, rows, remarks = planted("units swapped")
    assert_as_it_was(copy, rows)
    (said,) = remarks
    assert "units look swapped" in said
    assert with_words(rows, "units look swapped") == set(deed.reps)


def test_rows_without_a_recording_say_so_in_one_sentence(planted):
    _, deed, rows, remarks = planted("recording gone")
    (said,) = remarks
    assert said.startswith(f"{len(deed.reps)} rows of the sheet (lines ")
    assert said.endswith(f"no recording of {deed.runner}")
    assert not {row["rep"] for row in rows} & set(deed.reps)


@pytest.mark.parametrize("kind", ["mark's digit lost", "mark 3 m"])
def test_a_mark_far_from_all_others_is_said_and_kept(planted, kind):
    copy, deed, rows, remarks = planted(kind)
    assert_as_it_was(copy, rows)
    (rep,) = deed.reps
    written = {int(row["rep"]): row for row in mishaps._read_sheet(copy.folder)}[rep]
    feet = {x["id"]: x["foot_m"] for x in copy.runners}[rows[rep - 1]["outgoing"]]
    mark = written.get("mark_m") or float(written["mark_feet"]) * round(feet, 2)
    assert rows[rep - 1]["mark_m"] == pytest.approx(float(mark), abs=1e-6)
    assert with_words(rows, "the sheet's mark of .* does not fit") == {rep}
    assert len(remarks) == 1
