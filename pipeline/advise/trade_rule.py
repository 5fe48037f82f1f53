"""The trade's rule of thumb for check marks, held against the marks advised.

Common practice, without a published source: about 25 foot-lengths before the back line for women,
30 for men. Here it goes by the squad's top speed, between and beyond these two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.advise.marks import Advice, PairAdvice
from pipeline.base import defaults

WOMEN_FEET, WOMEN_MPS = 25.0, 9.3
MEN_FEET, MEN_MPS = 30.0, 10.8
FAR_FEET = 5.0  # from the marks advised: worth a word


@dataclass(frozen=True, slots=True)
class TradeRule:
    """What the rule says and what would come of it in a squad.

    `feet`: the rule's mark; `top_mps`: the squad's mean top speed, by which it goes;
    `advised_feet`: the middle of the marks advised; `pairs`: how many; `nearer`, `farther`: in how
    many of them the rule's mark lies beyond the nearest or the farthest candidate; `pass_m`,
    `p_in_zone`: the middle of the others' passes and chances, None where there are no others.
    """

    feet: float
    top_mps: float
    advised_feet: float
    pairs: int
    nearer: int
    farther: int
    pass_m: float | None
    p_in_zone: float | None

    @property
    def is_far(self) -> bool:
        """Whether the marks advised lie far from the rule's."""
        return abs(self.advised_feet - self.feet) > FAR_FEET


def trade_mark_feet(top_mps: float) -> float:
    """The rule's mark, in foot-lengths, for a squad whose mean top speed is `top_mps`."""
    slope = (MEN_FEET - WOMEN_FEET) / (MEN_MPS - WOMEN_MPS)
    return WOMEN_FEET + slope * (top_mps - WOMEN_MPS)


def judge_trade_rule(advice: Advice) -> TradeRule | None:
    """The rule for the squad of an advice; None in a change by sight, and without a pair."""
    if not advice.squad.reps.blind or not advice.pairs:
        return None
    top_mps = float(advice.squad.start.mean[:, 0].mean())
    feet = trade_mark_feet(top_mps)
    there = [(pair, feet * foot_or_usual_m(pair)) for pair in advice.pairs]
    nearer = sum(at < pair.candidates.mark_m[0] for pair, at in there)
    farther = sum(at > pair.candidates.mark_m[-1] for pair, at in there)
    found = [
        [
            float(np.interp(at, pair.candidates.mark_m, values))
            for values in (pair.candidates.pass_m, pair.candidates.p_in_zone)
        ]
        for pair, at in there
        if pair.candidates.mark_m[0] <= at <= pair.candidates.mark_m[-1]
    ]
    middle = [float(x) for x in np.median(found, axis=0)] if found else [None, None]
    return TradeRule(
        feet=feet,
        top_mps=top_mps,
        advised_feet=float(
            np.median([pair.best.mark_m / foot_or_usual_m(pair) for pair in advice.pairs])
        ),
        pairs=len(there),
        nearer=nearer,
        farther=farther,
        pass_m=middle[0],
        p_in_zone=middle[1],
    )


def foot_or_usual_m(pair: PairAdvice) -> float:
    """The receiver's foot-length, or a usual one where it is not known."""
    return pair.foot_m or defaults.FOOT_M
