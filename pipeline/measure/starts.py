"""Early and late starts, judged against each receiver's own habit at the mark.

Some receivers go as the incoming runner hits the mark, some a quarter of a second before, and a
mark that fits the habit is a good mark. A start is early or late when it is so for this
receiver.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.base.values import Estimate, Floats, Ints

# Weak priors, docs/methods.md, "Priors": of a first movement after the incoming runner crosses
# the mark, in s.
SQUAD_LAG_S = Estimate(-0.20, 0.25)
LAG_RUNNER_SD_S = 0.08  # between receivers of a squad
LAG_REP_SD_S = 0.05  # from start to start of one receiver, worth LAG_REP_WORTH starts
LAG_REP_WORTH = 6.0
FALSE_STARTS = 0.15  # share of starts that follow no habit, worth FALSE_STARTS_WORTH starts; ...
FALSE_STARTS_WORTH = 10.0
FALSE_START_RANGE_S = 1.2  # ... they lie anywhere in so long
LAG_TURNS = 15
AS_GOOD = 0.1  # explanations whose log-likelihoods are nearer than this are as good
BEGINNINGS = 9
HABIT_SDS = 2.5  # a start is named when it lies so many standard errors off the habit ...
LEAST_S = 0.08  # ... and as far as this, three quarters of a metre of the incoming runner's way

# Receivers whose marks stand where the trade puts them go 0.2 to 0.4 s before the mark is hit (the
# closed form, docs/advice.md); who watches it and reacts is away by 0.35 s after it.
USUAL_FROM_S, USUAL_TO_S = -0.40, 0.35
HABIT_IS_SURE_SDS = 2.0

StartFault = Literal["early start", "late start"]


@dataclass(frozen=True, slots=True)
class StartHabits:
    """`faults` (one a start, None where it is as usual or not known) and by receiver the usual lag
    with its standard error, and `spread_s` from start to start."""

    faults: tuple[StartFault | None, ...]
    usual: Mapping[str, Estimate]
    spread_s: float


def judge_starts(starts: Sequence[tuple[str, Estimate | None]]) -> StartHabits:
    """Judge each start, given as receiver and lag after the mark (s), against the other starts.

    A lag is its receiver's habit, which lies about the squad's, and what differs from start to
    start: `lag = h + e`, `h ~ N(H, LAG_RUNNER_SD_S)`, `H ~ N(SQUAD_LAG_S)`, e normal but for a
    share of false starts that lie anywhere [1], so that one does not move the habit. What is
    expected of a start comes from all others, never from itself: few starts lean on the squad's,
    and one alone is never a fault.

    [1] Dempster, Laird and Rubin, Maximum likelihood from incomplete data via the EM algorithm,
    Journal of the Royal Statistical Society B, 1977, from memory.
    """
    known = [(i, who, lag) for i, (who, lag) in enumerate(starts) if lag is not None]
    names = sorted({who for _, who, _ in known})
    faults: list[StartFault | None] = [None] * len(starts)
    if not known:
        return StartHabits(tuple(faults), {}, LAG_REP_SD_S)
    lag = np.array([one.value for _, _, one in known])
    sd = np.array([one.sd for _, _, one in known])
    whose = np.array([names.index(who) for _, who, _ in known])
    # Where most starts went wrong the middle one did too: of several beginnings the best counts,
    # and of those nearly as good the one under which the usual starts are most alike.
    begins = np.unique(np.quantile(lag, np.linspace(0.05, 0.95, BEGINNINGS)))
    found = [_fit_habits(lag, sd, whose, len(names), float(begin)) for begin in begins]
    best = max(score for score, _, _ in found)
    _, weight, spread = min(
        (one for one in found if one[0] > best - AS_GOOD), key=lambda one: one[2]
    )
    precision = weight / (spread**2 + sd**2)
    habit, habit_sd = _habits(lag, precision, whose, len(names))
    usual = {
        name: Estimate(float(mean), float(error))
        for name, mean, error in zip(names, habit, habit_sd, strict=True)
    }
    for k, (i, _, _) in enumerate(known):
        without = precision.copy()
        without[k] = 0.0
        if not without.any():  # nothing but what is expected of any squad
            continue
        mean, error = _habits(lag, without, whose, len(names))
        off_s = float(lag[k] - mean[whose[k]])
        bound = HABIT_SDS * float(np.sqrt(error[whose[k]] ** 2 + spread**2 + sd[k] ** 2))
        if abs(off_s) > max(bound, LEAST_S):
            faults[i] = "early start" if off_s < 0 else "late start"
    return StartHabits(tuple(faults), usual, spread)


def _fit_habits(
    lag: Floats, sd: Floats, whose: Ints, n: int, begin: float
) -> tuple[float, Floats, float]:
    """Expectation maximisation from a first guess `begin` of everybody's habit: how likely what it
    ends with is, the chance (k,) that each lag is a usual one, and the spread."""
    habit, spread, share = np.full(n, begin), LAG_REP_SD_S, FALSE_STARTS
    score = -np.inf
    weight = np.ones(len(lag))
    for _ in range(LAG_TURNS):
        off = lag - habit[whose]
        wide = np.sqrt(spread**2 + sd**2)
        usual = (1 - share) * np.exp(-0.5 * (off / wide) ** 2) / (wide * np.sqrt(2 * np.pi))
        other = share / FALSE_START_RANGE_S
        weight = usual / (usual + other)
        score = float(np.log(usual + other).sum())
        squad = float(habit.mean())
        score -= 0.5 * float((((habit - squad) / LAG_RUNNER_SD_S) ** 2).sum())
        score -= 0.5 * ((squad - SQUAD_LAG_S.value) / SQUAD_LAG_S.sd) ** 2
        score -= (
            0.5
            * LAG_REP_WORTH
            * float((LAG_REP_SD_S / spread) ** 2 + 2 * np.log(spread / LAG_REP_SD_S))
        )
        habit, _ = _habits(lag, weight / wide**2, whose, n)
        off = lag - habit[whose]
        excess = float(weight @ np.maximum(off**2 - sd**2, 0.0))
        worth = float(weight.sum()) + LAG_REP_WORTH
        spread = float(np.sqrt((excess + LAG_REP_WORTH * LAG_REP_SD_S**2) / worth))
        share = (FALSE_STARTS_WORTH * FALSE_STARTS + float((1 - weight).sum())) / (
            FALSE_STARTS_WORTH + len(lag)
        )
    return score, weight, spread


def _habits(lag: Floats, precision: Floats, whose: Ints, n: int) -> tuple[Floats, Floats]:
    """Habits (n,) of the receivers with their standard errors, from lags (k,) with their
    precisions, by the normal equations of habits and squad's mean together."""
    info = np.zeros((n + 1, n + 1))
    vector = np.zeros(n + 1)
    own = np.bincount(whose, precision, n)
    tie = LAG_RUNNER_SD_S**-2
    info[np.arange(n), np.arange(n)] = own + tie
    info[:n, n] = info[n, :n] = -tie
    info[n, n] = n * tie + SQUAD_LAG_S.sd**-2
    vector[:n] = np.bincount(whose, precision * lag, n)
    vector[n] = SQUAD_LAG_S.value / SQUAD_LAG_S.sd**2
    cov = np.linalg.inv(info)
    return (cov @ vector)[:n], np.sqrt(np.diagonal(cov)[:n])


def usual_lags_in_words(habits: StartHabits) -> list[str]:
    """A sentence for each receiver whose habit at the mark a coach should know of: who goes long
    before the incoming runner is there, or long after."""
    out = []
    for name, lag in habits.usual.items():
        beyond_s = max(USUAL_FROM_S - lag.value, lag.value - USUAL_TO_S)
        if beyond_s < HABIT_IS_SURE_SDS * lag.sd:
            continue
        side = "before" if lag.value < 0 else "after"
        out.append(
            f"{name} goes {abs(lag.value):.2f} ± {lag.sd:.2f} s {side} the incoming runner is at "
            "the mark, as a rule: no fault, but the mark must fit it"
        )
    return out
