"""Which takeovers serve advice: what the sheet says, and what the speeds say where it is silent."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
import squads

from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.errors import NothingMeasured
from pipeline.tables import lake
from pipeline.tables.full_speed import at_full_speed, judge_speeds

SPEEDS = ("v_in_entry_mps", "v_in_pass_mps", "v_out_pass_mps", "v_out_exit_mps")


@functools.cache
def season(seed: int = 3, event: str = "4x100") -> pa.Table:
    return squads.lake(seed, event=event, evenings=4, fault_share=0.3)[0].exchanges


def put(table: pa.Table, name: str, rows: np.ndarray, value: object) -> pa.Table:
    """The table with one cell changed in the rows chosen."""
    values = [
        value if chosen else old for chosen, old in zip(rows, table[name].to_pylist(), strict=True)
    ]
    at = table.column_names.index(name)
    return table.set_column(at, table.field(name), pa.array(values, table.field(name).type))


def slowed(table: pa.Table, rows: np.ndarray, share: float, names=SPEEDS) -> pa.Table:
    for name in names:
        old = table[name].to_pylist()
        new = [
            v * share if chosen and v is not None else v
            for chosen, v in zip(rows, old, strict=True)
        ]
        at = table.column_names.index(name)
        table = table.set_column(at, table.field(name), pa.array(new, pa.float64()))
    return table


def evening(table: pa.Table, number: int) -> np.ndarray:
    sessions = sorted(set(table["session"].to_pylist()))
    return np.array([one == sessions[number - 1] for one in table["session"].to_pylist()])


@pytest.mark.parametrize("event", ["4x100", "4x400"])
@pytest.mark.parametrize("seed", [3, 4, 5])
def test_earnest_takeovers_faults_and_all_are_used(seed, event):
    assert all(one.used for one in judge_speeds(season(seed, event)))


@pytest.mark.parametrize("share", [0.7, 0.8, 0.87])
@pytest.mark.parametrize("number", [1, 2, 4])
def test_a_slow_evening_without_a_word_is_noticed_whole_and_said_once(share, number):
    rows = evening(season(), number)
    table = slowed(season(), rows, share)
    judged = np.array([not one.used for one in judge_speeds(table)])
    assert judged[rows].mean() > 0.9
    assert not judged[~rows].any()
    _, remarks = at_full_speed(table)
    (words,) = remarks
    assert "use = yes or effort = 100" in words
    assert table["session"].to_pylist()[int(np.flatnonzero(rows)[0])] in words


def test_where_most_evenings_are_slow_the_fast_one_sets_the_standard():
    rows = ~evening(season(), 2)
    judged = np.array([not one.used for one in judge_speeds(slowed(season(), rows, 0.78))])
    fast = season().filter(pa.array(~rows))
    known = {*fast["incoming"].to_pylist(), *fast["outgoing"].to_pylist()}
    both = np.array([{row["incoming"], row["outgoing"]} <= known
                     for row in season().select(["incoming", "outgoing"]).to_pylist()])  # fmt: skip
    assert not judged[~rows].any()
    assert judged[rows & both].mean() > 0.6


@pytest.mark.parametrize("names", [SPEEDS[:2], SPEEDS[2:]])
def test_one_slow_runner_is_a_fault_not_a_build_up(names):
    rows = evening(season(), 2)
    assert all(one.used for one in judge_speeds(slowed(season(), rows, 0.87, names)))


def test_one_figure_far_too_high_sets_no_standard():
    table = season()
    rows = np.zeros(table.num_rows, dtype=bool)
    rows[5] = True
    table = slowed(table, rows, 1.35)
    assert all(one.used for one in judge_speeds(table))


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("use", "no", "says so"),
        ("drill", "build-up", "build-up"),
        ("effort", 70.0, "70 %"),
        ("effort", 94.0, "94 %"),
    ],
)
def test_the_sheet_leaves_out_what_it_names(name, value, words):
    rows = evening(season(), 2)
    table = put(season(), name, rows, value)
    judged = judge_speeds(table)
    assert [not one.used for one in judged] == rows.tolist()
    assert all(words in (one.why or "") and not one.recognised for one in judged if not one.used)
    kept, remarks = at_full_speed(table)
    assert kept.equals(table.filter(pa.array(~rows)))
    assert remarks == (f"{rows.sum()} takeovers left out of advice by the sheet",)


@pytest.mark.parametrize(
    ("name", "value"), [("use", "yes"), ("effort", 100.0), ("effort", 95.0), ("race", "heat")]
)
def test_the_sheet_and_a_race_keep_what_looks_slow(name, value):
    rows = evening(season(), 2)
    table = put(slowed(season(), rows, 0.8), name, rows, value)
    assert all(one.used for one in judge_speeds(table))


def test_build_ups_set_no_standard_for_the_others():
    rows = evening(season(), 2)
    fast = put(slowed(season(), rows, 1.2), "use", rows, "no")  # a spoilt evening, taken out
    assert [not one.used for one in judge_speeds(fast)] == rows.tolist()


def test_tables_from_before_the_sheets_columns_are_judged_by_speed():
    old = season().drop_columns(["use", "drill", "effort", "race"])
    assert all(one.used for one in judge_speeds(old))
    rows = evening(season(), 2)
    assert not all(one.used for one in judge_speeds(slowed(old, rows, 0.8)))


def test_order_of_rows_does_not_matter():
    rows = evening(season(), 2)
    table = slowed(season(), rows, 0.8)
    order = np.random.default_rng(1).permutation(table.num_rows)
    turned = judge_speeds(table.take(pa.array(order)))
    assert [turned[k].used for k in np.argsort(order)] == [one.used for one in judge_speeds(table)]


# --- what advice makes of it ---------------------------------------------------------------


def decide(monkeypatch, table: pa.Table, what: str, **options):
    found, _, _ = squads.lake(3, evenings=4, fault_share=0.3)
    monkeypatch.setattr(lake, "read_lake", lambda _out: replace(found, exchanges=table))
    return getattr(decisions, what)(
        Path("lake"), Settings(event="4x100", outer=8, inner=8), write=False, **options
    )


@pytest.mark.parametrize("what", ["decide_runners", "decide_marks", "decide_progress"])
@pytest.mark.parametrize("labelled", [True, False])
def test_a_slow_evening_changes_nothing_that_is_decided(monkeypatch, what, labelled):
    rows = evening(season(), 4)
    table = slowed(season(), rows, 0.75)
    table = put(table, "drill", rows, "build-up") if labelled else table
    used = np.array([one.used for one in judge_speeds(table)])
    without = decide(monkeypatch, season().filter(pa.array(used)), what)
    found = decide(monkeypatch, table, what)
    for name, one in found.tables.items():
        assert one.equals(without.tables[name]), name
    assert any("left out of advice" in words for words in found.remarks)


def test_a_lake_of_build_ups_alone_gives_no_advice_and_says_why(monkeypatch):
    everywhere = np.ones(season().num_rows, dtype=bool)
    with pytest.raises(NothingMeasured, match="none at full speed"):
        decide(monkeypatch, put(season(), "effort", everywhere, 70.0), "decide_marks")
