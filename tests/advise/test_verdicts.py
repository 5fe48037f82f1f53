"""The sentence on a takeover: what it names, and when it names nothing."""

import pytest

from pipeline.advise import verdicts
from pipeline.advise.causes import CAUSES, CausePart, TakeoverLoss
from pipeline.base.values import Estimate
from pipeline.tables import schema

NOTES = {"mark": "the tape is right", "start": "left on time"}


def loss(exchange=1, why=None, move_feet=0.0, notes=NOTES, place=15.0, **lost):
    """A takeover; `lost`: seconds and standard error by cause, "_" for blanks."""
    given = {name.replace("_", " "): value for name, value in lost.items()}
    parts = []
    for cause in CAUSES if why is None else ():
        seconds, sd, moved = (*given.get(cause, (0.0, 0.01)), 0.0)[:3]
        note = f"passed at {place:.0f} m" if cause == "pass place" else notes.get(cause)
        parts.append(CausePart(cause, Estimate(seconds, sd), moved, note))
    whole = sum(one.lost.value for one in parts)
    told = None if why is not None else Estimate(whole, 0.03)
    return TakeoverLoss(
        "evening", exchange, "4x100", "robin", "wren", tuple(parts), told, why, notes, move_feet
    )


def sentence(*losses):
    return verdicts.judge_takeovers(losses)[-1].sentence


def test_a_late_start_says_how_late_what_it_moved_and_what_it_cost():
    late = loss(start=(0.2, 0.03, -7.0), notes=NOTES | {"start": "left 0.27 ± 0.03 s late"})
    assert sentence(late) == (
        "Left 0.27 ± 0.03 s late: passed 7 m earlier, lost 0.20 ± 0.03 s; the tape is right."
    )


def test_a_tape_says_where_it_would_have_been_better_and_how_often_before():
    notes = NOTES | {"mark": "advised: the tape half a foot farther"}
    near = [loss(k, move_feet=0.5, notes=notes, place=8.0, mark=(0.1, 0.02)) for k in range(1, 6)]
    once = "On time, passed at 8 m: the tape half a foot farther would have saved 0.10 ± 0.02 s"
    assert sentence(*near[:1]) == f"{once}."
    assert sentence(*near[:2]) == f"{once}, as the time before."
    assert sentence(*near) == f"{once}, as in the last four."
    other = loss(9, move_feet=-0.5, notes=notes, mark=(0.1, 0.02))
    assert sentence(*near[:3], other, near[4]) == f"{once}."


@pytest.mark.parametrize(
    ("lost", "main"),
    [
        ({"start": (0.2, 0.03)}, "start"),
        ({"start": (0.2, 0.12)}, None),  # not twice its error
        ({"start": (0.02, 0.002)}, None),  # too small to be worth a word
        ({"start": (0.2, 0.03), "mark": (0.19, 0.03)}, None),  # no telling which
        ({"start": (0.2, 0.03), "mark": (0.1, 0.03)}, "start"),
        ({"start": (-0.2, 0.03)}, None),  # it gained
        ({"start": (0.1, 0.03), "rest": (0.3, 0.03)}, None),  # more is left over
        ({"pass_place": (0.1, 0.03)}, "pass place"),
    ],
)
def test_a_main_cause_stands_out_of_its_error_and_of_all_others(lost, main):
    one = loss(**lost)
    assert verdicts.find_main_cause(one.parts) == main
    assert verdicts.judge_takeovers([one])[0].main == main


def test_without_a_main_cause_it_says_what_is_known():
    assert sentence(loss()) == "Nothing lost that stands out (+0.00 ± 0.03 s); the tape is right."
    both = loss(start=(0.1, 0.03), mark=(0.1, 0.03))
    assert sentence(both).startswith("Lost 0.20 ± 0.03 s, and no one cause stands out: ")
    fast = loss(mark=(-0.15, 0.02, 5.0), place=24.0)
    assert sentence(fast) == (
        "Passed at 24 m: 0.15 ± 0.03 s faster than on the best mark, and 5 m later; the tape is "
        "right."
    )


def test_without_a_pass_it_tells_what_was_unusual_and_else_that_it_cannot():
    early = NOTES | {"start": "left 0.40 ± 0.05 s early"}
    assert sentence(loss(why="not passed", notes=early)) == (
        "Not passed: left 0.40 ± 0.05 s early; the tape is right."
    )
    assert sentence(loss(why="not passed")) == (
        "Not passed, and it cannot be told why; left on time; the tape is right."
    )
    assert sentence(loss(why="passed beyond the zone", notes=early)).startswith("Passed beyond")
    unseen = "nobody saw the pass, and both stories fit"
    assert sentence(loss(why=unseen)) == f"Cannot be told: {unseen}."


def test_the_table_holds_no_name_in_its_words_and_null_where_nothing_can_be_told():
    judged = verdicts.judge_takeovers([loss(1), loss(2, why="no zone time", move_feet=None)])
    table = verdicts.verdicts_table(judged)
    schema.check_table("verdicts", table)
    first, second = table.to_pylist()
    assert first["move_feet"] == 0.0
    assert (second["lost_s"], second["main_cause"], second["move_feet"]) == (None, None, None)
    assert "robin" not in first["verdict"] + second["verdict"]
