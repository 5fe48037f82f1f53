"""Over a pair's weeks: what costs most, and whether it is the same each time."""

import pytest

from pipeline.base.cause_weeks import find_costliest


def rows(**lost):
    """Rows of the table `causes`; seconds by cause, one a takeover."""
    return [
        {"cause": cause.replace("_", " "), "lost_s": seconds}
        for cause, own in lost.items()
        for seconds in own
    ]


def test_a_tape_that_costs_the_same_each_time_is_to_be_moved():
    found = find_costliest(rows(mark=[0.10, 0.09, 0.11, 0.10], start=[0.1, -0.1, 0.0, 0.05]))
    assert (found.cause, found.same, found.takeovers) == ("mark", True, 4)
    assert found.cost_s == pytest.approx(0.10)
    assert "the tape cost most, 0.10 s a takeover, much the same each time: move the" in found.words


def test_a_start_now_early_now_late_is_to_be_practised():
    found = find_costliest(rows(mark=[0.01] * 4, start=[0.2, -0.2, 0.15, -0.15]))
    assert (found.cause, found.same) == ("start", False)
    assert found.words.endswith("practise the start against the mark.")


def test_too_little_says_nothing():
    assert find_costliest([]) is None
    assert find_costliest(rows(start=[0.3, 0.3])) is None
    assert find_costliest(rows(start=[0.01, 0.0, -0.02, 0.01], rest=[0.5] * 4)) is None
