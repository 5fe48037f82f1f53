"""When did the baton change hands? Gap, smallest gap and the sheet's place on one grid of moments.

A unit on the trunk does not see the baton; docs/accuracy.md says what follows from that. How two
runners slow and reach is assumed, with the reasons in docs/methods.md, "Priors".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp, ndtr

from pipeline.base.defaults import SIGHT_SD_M
from pipeline.base.values import Estimate, Floats, Frozen

# Weak priors, docs/methods.md, "Priors".
REACH_PRIOR_M = Estimate(1.15, 0.22)  # of a squad; 0.8 to 1.5 m between the trunks, from memory
REACH_PRIOR_PAIR_SD_M = 0.10
# From the pass to the moment at which the trunks are nearest, the squad's own habit. Who runs
# through closes up for most of a second more; who brakes to match is nearest as he hands over.
NEAREST_AFTER_S = Estimate(0.45, 0.30)
NEARESTS_S = np.arange(-0.1, 1.21, 0.1)
REACHES_M = np.arange(0.30, 2.31, 0.05)


class Spreads(NamedTuple):
    """How much a squad's passes differ: the habit NEAREST_AFTER_S from one incoming runner to the
    next and from rep to rep (s), and the reach from rep to rep (m)."""

    nearest_runner_s: float
    nearest_rep_s: float
    reach_rep_m: float


# A squad's spreads are one of these, all alike beforehand: some do it the same way each time.
SPREADS: tuple[Spreads, ...] = tuple(
    Spreads(*one) for one in product((0.04, 0.10), (0.06, 0.10, 0.16), (0.08, 0.14, 0.20))
)
STRAY = 1e-5  # of the best moment's likelihood: a rep may follow no rule at all
NO_HABIT, NO_HABIT_SD_M = 0.01, 0.45  # share of passes that follow no habit, only some reach
PASS_GRID_S = 0.02
_LEAST = 1e-300  # of a sum of weights: its logarithm stays a number
SIGHT_IS_WRONG, SIGHT_ANYWHERE_M = 0.05, 40.0  # another rep's line, a slip: then anywhere
MOMENT_IS_WRONG, ANY_TIME_S = 0.02, 4.0  # the same of a moment read from a film


@dataclass(frozen=True, eq=False)
class GapCourse(Frozen):
    """On the grid `t_s` (k,): gap s_out - s_in and middle of the trunks with standard errors."""

    t_s: Floats
    gap_m: Floats
    gap_sd_m: Floats
    middle_m: Floats
    middle_sd_m: Floats


@dataclass(frozen=True, eq=False)
class PassBelief(Frozen):
    """Posterior of the pass: weights (k,) on `t_s` (k,), and what follows from it."""

    t_s: Floats
    weight: Floats
    moment: Estimate
    place_m: Estimate
    gap_m: Estimate
    p_in_zone: float


def sight_log_likelihood(course: GapCourse, place_m: float, sd_m: float = SIGHT_SD_M) -> Floats:
    """Log-likelihood (k,) of the place (m past the entry line) at which somebody saw the pass, good
    to `sd_m`. It is a statement that may be wrong: then it says nothing."""
    sd = np.hypot(course.middle_sd_m, sd_m)
    right = (1 - SIGHT_IS_WRONG) * _normal_density(course.middle_m - place_m, sd)
    return np.asarray(np.log(right + SIGHT_IS_WRONG / SIGHT_ANYWHERE_M))


def chance_sight_is_wrong(
    course: GapCourse, place_m: float, weight: Floats, sd_m: float = SIGHT_SD_M
) -> float:
    """The chance that this place is wrong, with the posterior weights (k,) of the moments."""
    wrong = np.log(SIGHT_IS_WRONG / SIGHT_ANYWHERE_M)
    wrong = wrong - sight_log_likelihood(course, place_m, sd_m)
    return float(weight @ np.exp(wrong))


def moment_log_likelihood(course: GapCourse, seen: Estimate) -> Floats:
    """Log-likelihood (k,) of the moment (s, on the clock of `course`) at which somebody saw the
    pass; it, too, may be wrong."""
    right = (1 - MOMENT_IS_WRONG) * _normal_density(course.t_s - seen.value, seen.sd)
    return np.asarray(np.log(right + MOMENT_IS_WRONG / ANY_TIME_S))


def chance_moment_is_wrong(course: GapCourse, seen: Estimate, weight: Floats) -> float:
    """The chance that this moment is wrong, with the posterior weights (k,) of the moments."""
    wrong = np.log(MOMENT_IS_WRONG / ANY_TIME_S) - moment_log_likelihood(course, seen)
    return float(weight @ np.exp(wrong))


def nearest_likelihood(course: GapCourse) -> Floats:
    """Density (h, n, k) in 1/s of a pass at each moment of `course` (k,), for each of SPREADS (h,)
    and each habit NEARESTS_S (n,): so long before the smallest gap, give or take the spread from
    rep to rep.

    Where the gap still closes at the end of the course its smallest is not known, and all moments
    are alike.
    """
    nearest = int(np.argmin(course.gap_m))
    if nearest == len(course.t_s) - 1:
        return np.ones((len(SPREADS), len(NEARESTS_S), len(course.t_s)))
    before = course.t_s[nearest] - course.t_s
    spread, which = np.unique([one.nearest_rep_s for one in SPREADS], return_inverse=True)
    return _normal_density(before - NEARESTS_S[:, None], spread[:, None, None])[which]


def gap_likelihood(course: GapCourse) -> Floats:
    """Likelihood (h, k, r) in 1/m of the gap at each moment of `course` as the gap at the pass, for
    each of SPREADS (h,) and each reach REACHES_M (r,)."""
    spread, which = np.unique([one.reach_rep_m for one in SPREADS], return_inverse=True)
    sd = np.hypot(course.gap_sd_m, spread[:, None])[..., None]
    return _normal_density(course.gap_m[:, None] - REACHES_M, sd)[which]


def reach_message(course: GapCourse, log_seen: Floats) -> Floats:
    """What one rep says of the squad's spreads and habit and of its pair's reach: likelihood
    (h, n, r) over SPREADS, NEARESTS_S and REACHES_M. `log_seen` (k,) is the log-likelihood of what
    somebody saw of the pass."""
    seen = np.exp(log_seen - log_seen.max())
    out = (nearest_likelihood(course) * seen) @ gap_likelihood(course)
    return np.asarray(out / out.max() + STRAY)


def learn(
    messages: Sequence[tuple[tuple[str, str], Floats]],
) -> tuple[list[Floats], Mapping[tuple[str, str], Estimate]]:
    """Learn from all reps how soon after the pass the gap is smallest, and the reach.

    Returns for each rep what the other reps say, (h, n, r) with the sum one, and each pair's reach
    in m. On a grid for each of SPREADS: the squad's habit and its mean reach, its incoming runners'
    habits about the one, the pairs' reaches about the other.
    """
    own: dict[tuple[str, str], Floats] = {}
    for pair, said in messages:
        own[pair] = own.get(pair, 0.0) + np.log(said)
    about_habit = np.array([_steps_about(NEARESTS_S, one.nearest_runner_s) for one in SPREADS])
    about_reach = _steps_about(REACHES_M, REACH_PRIOR_PAIR_SD_M)
    # Towards the squad: a pair's (h, n, r) as likelihood of the squad's reach (m,), those of an
    # incoming runner together as likelihood of the squad's habit, (h, m, m).
    of_pair = {pair: _log_mix(log, about_reach.T) for pair, log in own.items()}
    of_runner: dict[str, Floats] = {}
    for pair, log in of_pair.items():
        of_runner[pair[0]] = of_runner.get(pair[0], 0.0) + log
    up = {
        runner: _log_mix_habits(log, about_habit.swapaxes(1, 2))
        for runner, log in of_runner.items()
    }
    prior = -0.5 * ((REACHES_M - REACH_PRIOR_M.value) / REACH_PRIOR_M.sd) ** 2 - (
        0.5 * ((NEARESTS_S[:, None] - NEAREST_AFTER_S.value) / NEAREST_AFTER_S.sd) ** 2
    )
    squad = prior + sum(up.values(), np.zeros((len(SPREADS), *prior.shape)))

    def belief(pair: tuple[str, str], log_own: Floats) -> Floats:
        runner = pair[0]
        others = _log_mix_habits(squad - up[runner], about_habit)
        others = _log_mix(others + of_runner[runner] - of_pair[pair], about_reach) + log_own
        return np.asarray(np.exp(others - logsumexp(others)))

    posterior = {}
    for pair, log in own.items():
        weight = belief(pair, log).sum(axis=(0, 1))
        mean = float(weight @ REACHES_M)
        posterior[pair] = Estimate(mean, float(np.sqrt(weight @ (REACHES_M - mean) ** 2)))
    return [belief(pair, own[pair] - np.log(said)) for pair, said in messages], posterior


def _steps_about(grid: Floats, sd: float) -> Floats:
    """How likely each value of a grid (n,) is about each mean on it, (n means, n)."""
    near = np.exp(-0.5 * ((grid[None, :] - grid[:, None]) / sd) ** 2)
    return np.asarray(near / near.sum(axis=1, keepdims=True))


def _log_mix(log: Floats, weights: Floats) -> Floats:
    """log(exp(log) @ weights), row by row of the stack `log` (h, n, r)."""
    top = log.max(axis=-1, keepdims=True)
    return np.asarray(np.log(np.exp(log - top) @ weights + _LEAST) + top)


def _log_mix_habits(log: Floats, weights: Floats) -> Floats:
    """The same over the habits, the middle axis of `log`; `weights` (h, n, m)."""
    return _log_mix(log.swapaxes(1, 2), weights).swapaxes(1, 2)


def weigh_without_reach(course: GapCourse, log_seen: Floats, others: Floats) -> Floats:
    """Weights (k,) of the moments, from when the gap was smallest and from what was seen, without
    how large it was. Arguments as in `believe`."""
    habit = np.einsum("hn,hnk->k", others.sum(axis=2), nearest_likelihood(course))
    weight = np.exp(log_seen - log_seen.max()) * (habit + STRAY)
    return np.asarray(weight / weight.sum())


def reach_of_rep(others: Floats) -> Estimate:
    """The gap at the pass to be expected of a rep, of which the others say `others` (h, n, r): mean
    and standard deviation in m, with the spread from rep to rep."""
    weight = others.sum(axis=(0, 1))
    mean = float(weight @ REACHES_M)
    spread = np.array([one.reach_rep_m for one in SPREADS])
    var = float(weight @ (REACHES_M - mean) ** 2) + float(others.sum(axis=(1, 2)) @ spread**2)
    return Estimate(mean, float(np.sqrt(var)))


def believe(
    course: GapCourse,
    log_seen: Floats,
    others: Floats,
    exit_m: float,
) -> PassBelief:
    """Posterior of the pass from the gap and from what else is known.

    `log_seen` (k,) is the log-likelihood of what somebody saw of the pass, `others` (h, n, r) what
    the other reps say of spreads, habit and reach, `exit_m` the length of the zone in m.
    """
    seen = np.exp(log_seen - log_seen.max())
    # over the spreads: habit and reach tell each moment's weight together
    told = others @ gap_likelihood(course).swapaxes(1, 2)  # (h, n, k)
    weight = (nearest_likelihood(course) * told).sum(axis=(0, 1))
    weight = weight + STRAY * weight.max()
    free = _normal_density(
        course.gap_m - REACH_PRIOR_M.value, np.hypot(course.gap_sd_m, NO_HABIT_SD_M)
    )
    share = NO_HABIT if np.ptp(log_seen) > 0 else 0.0  # where nothing was seen it tells nothing
    weight = (1 - share) * weight / weight.sum() + share * free / (free.sum() + _LEAST)
    weight = seen * weight
    weight /= weight.sum()
    moment = float(weight @ course.t_s)
    moment_sd = float(np.sqrt(weight @ (course.t_s - moment) ** 2 + PASS_GRID_S**2 / 12))
    place = float(weight @ course.middle_m)
    place_var = float(weight @ (course.middle_sd_m**2 + (course.middle_m - place) ** 2))
    # At each moment the gap is known twice: from the traces and as the pair's reach.
    reach = reach_of_rep(others)
    precision = course.gap_sd_m**-2 + reach.sd**-2
    gap = (course.gap_m / course.gap_sd_m**2 + reach.value / reach.sd**2) / precision
    mean_gap = float(weight @ gap)
    gap_var = float(weight @ (1 / precision + (gap - mean_gap) ** 2))
    inside = ndtr((exit_m - course.middle_m) / course.middle_sd_m) - ndtr(
        -course.middle_m / course.middle_sd_m
    )
    return PassBelief(
        course.t_s,
        weight,
        Estimate(moment, moment_sd),
        Estimate(place, float(np.sqrt(place_var))),
        Estimate(mean_gap, float(np.sqrt(gap_var))),
        float(np.clip(weight @ inside, 0, 1)),
    )


def _normal_density(off: Floats, sd: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * (off / sd) ** 2) / (sd * np.sqrt(2 * np.pi)))
