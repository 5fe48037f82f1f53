"""Over a pair's weeks: which cause costs most, and whether it is the same each time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.base.words import the_cause_in_words

LEAST_TAKEOVERS = 3  # fewer tell nothing of what is usual
LEAST_COST_S = 0.02  # a takeover: less than a hand on a stopwatch tells
CLEAR_SDS = 2.0

_SAME = {
    "mark": "move the tape",
    "start": "the receiver's start has changed: see the newest marks",
    "incoming speed": "the speed that comes in has changed: see the newest marks",
    "outgoing speed": "the receiver's speed has changed: see the newest marks",
    "reach": "practise the reach of both",
    "braking": "practise keeping the speed until the baton is there",
    "pass place": "practise the hand: the baton waits for it",
}
_SCATTERED = {
    "mark": "leave the tape in one place",
    "start": "practise the start against the mark",
    "incoming speed": "practise coming in at an even speed",
    "outgoing speed": "practise an even start",
    "reach": "practise the reach of both",
    "braking": "practise keeping the speed until the baton is there",
    "pass place": "practise the hand: now early, now late",
}


@dataclass(frozen=True, slots=True)
class CauseWeeks:
    """What costs a pair most: seconds a takeover on the mean over `takeovers`; `same`: whether the
    cause costs about the same each time, which `spread_s` tells."""

    takeovers: int
    cause: str
    cost_s: float
    spread_s: float
    same: bool

    @property
    def words(self) -> str:
        """One sentence: what costs most, and what to do about it."""
        kind = (
            f"much the same each time: {_SAME[self.cause]}"
            if self.same
            else f"scattered by {self.spread_s:.2f} s: {_SCATTERED[self.cause]}"
        )
        return (
            f"Over {self.takeovers} takeovers {the_cause_in_words(self.cause)} cost most, "
            f"{self.cost_s:.2f} s a takeover, {kind}."
        )


def find_costliest(rows: Sequence[Mapping[str, Any]]) -> CauseWeeks | None:
    """What costs one pair most, from its rows of the table `causes`; None where there are too few
    takeovers, or nothing costs enough to tell.

    What a cause gained in one takeover does not make good what it cost in another: the pass was
    nearer to the line then.
    """
    lost: dict[str, list[float]] = {}
    for row in rows:
        if row["cause"] != "rest":
            lost.setdefault(row["cause"], []).append(row["lost_s"])
    lost = {cause: own for cause, own in lost.items() if len(own) >= LEAST_TAKEOVERS}
    if not lost:
        return None
    takeovers = max(map(len, lost.values()))
    costs = {cause: float(np.maximum(own, 0.0).mean()) for cause, own in lost.items()}
    cause = max(costs, key=lambda name: costs[name])
    own = np.array(lost[cause])
    spread = float(own.std(ddof=1))
    if costs[cause] < LEAST_COST_S:
        return None
    mean = float(own.mean())
    same = mean > spread and mean > CLEAR_SDS * spread / np.sqrt(len(own))
    return CauseWeeks(takeovers, cause, costs[cause], spread, bool(same))
