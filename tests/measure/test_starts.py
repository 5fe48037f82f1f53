"""Early and late starts: against the receiver's own habit, never against a fixed moment."""

import numpy as np
import pytest

from pipeline.base.values import Estimate
from pipeline.measure.starts import judge_starts, usual_lags_in_words


def lags(values, sd=0.02):
    return [("wren", Estimate(float(v), sd)) for v in values]


@pytest.mark.parametrize("habit_s", [-0.4, -0.2, 0.0, 0.25])
def test_a_habit_is_no_fault_whatever_it_is(habit_s):
    rng = np.random.default_rng(4)
    starts = lags(habit_s + rng.normal(0, 0.05, 20))
    habits = judge_starts(starts)
    assert habits.faults == (None,) * 20
    assert habits.usual["wren"].value == pytest.approx(habit_s, abs=0.03)
    assert habits.usual["wren"].sd < 0.03


@pytest.mark.parametrize("habit_s", [-0.3, 0.15])
def test_who_leaves_a_quarter_of_a_second_off_the_habit_left_early_or_late(habit_s):
    usual = habit_s + np.array([0.03, -0.04, 0.02, -0.03, 0.05, 0.0])
    habits = judge_starts(lags([*usual, habit_s - 0.25, habit_s + 0.25]))
    assert habits.faults == (None,) * 6 + ("early start", "late start")


def test_a_false_start_does_not_move_the_habit():
    usual = judge_starts(lags([0.10, 0.14, 0.12, 0.11])).usual["wren"]
    with_one = judge_starts(lags([0.10, 0.14, 0.12, 0.11, -1.0])).usual["wren"]
    assert with_one.value == pytest.approx(usual.value, abs=0.04)


def test_few_starts_lean_on_the_squads_and_not_on_nought():
    squad = [("teal", Estimate(-0.30 + 0.02 * k, 0.02)) for k in (-2, -1, 0, 1, 2)]
    habits = judge_starts([*squad, ("wren", Estimate(-0.28, 0.02)), ("lynx", Estimate(0.30, 0.02))])
    assert habits.faults[5] is None
    assert habits.faults[6] == "late start"


def test_a_start_that_is_not_known_well_is_not_named():
    known = lags([0.10, 0.14, 0.12, 0.11])
    vague = ("wren", Estimate(-0.25, 0.30))
    assert judge_starts([*known, vague]).faults[4] is None
    assert judge_starts([*known, ("wren", None)]).faults[4] is None
    assert judge_starts([("wren", None)]).usual == {}


def test_one_start_alone_is_never_a_fault():
    for lag in (-0.6, 0.0, 0.6):
        assert judge_starts(lags([lag])).faults == (None,)


def test_a_habit_worth_knowing_is_said_once():
    early = judge_starts(lags([-0.60, -0.58, -0.61, -0.59, -0.60]))
    (words,) = usual_lags_in_words(early)
    assert words.startswith("wren goes 0.59") or words.startswith("wren goes 0.60")
    assert "before the incoming runner is at the mark" in words
    late = judge_starts(lags([0.60, 0.58, 0.61, 0.59, 0.60]))
    assert "after the incoming runner is at the mark" in usual_lags_in_words(late)[0]
    assert usual_lags_in_words(judge_starts(lags([0.15, 0.17, 0.14, 0.16]))) == []


def test_who_goes_as_the_trades_marks_ask_for_is_usual():
    for habit in (-0.35, -0.27, -0.2, 0.0):
        usual = judge_starts(lags([habit, habit + 0.02, habit - 0.02, habit, habit + 0.01]))
        assert usual_lags_in_words(usual) == []
        assert set(usual.faults) == {None}
