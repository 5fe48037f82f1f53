"""When did the baton change hands? Gap, smallest gap and the sheet's place on one grid of moments.

A unit on the trunk does not see the baton; docs/accuracy.md says what follows from that. How two
runners slow and reach is assumed, with the reasons in docs/methods.md, "Priors".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from pipeline.base.defaults import SIGHT_SD_M
from pipeline.base.values import Estimate, Floats, Frozen

# Weak priors, docs/methods.md, "Priors".
REACH_PRIOR_M = Estimate(1.15, 0.22)  # of a squad; 0.8 to 1.5 m between the trunks, from memory
REACH_PRIOR_PAIR_SD_M = 0.10
REACH_PRIOR_REP_SD_M = 0.15
# From the pass to the moment at which the trunks are nearest, the squad's own habit. Who runs
# through closes up for most of a second more; who brakes to match is nearest as he hands over.
NEAREST_AFTER_S = Estimate(0.45, 0.30)
NEARESTS_S = np.arange(-0.1, 1.21, 0.1)
NEAREST_REP_SD_S = 0.14
REACHES_M = np.arange(0.30, 2.31, 0.05)
STRAY = 1e-5  # of the best moment's likelihood: a rep may follow no rule at all
PASS_GRID_S = 0.02
SIGHT_IS_WRONG, SIGHT_ANYWHERE_M = 0.05, 40.0  # another rep's line, a slip: then anywhere


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


def sight_log_likelihood(course: GapCourse, place_m: float) -> Floats:
    """Log-likelihood (k,) of the place (m past the entry line) at which somebody saw the pass. It
    is a statement that may be wrong: then it says nothing."""
    sd = np.hypot(course.middle_sd_m, SIGHT_SD_M)
    right = (1 - SIGHT_IS_WRONG) * _normal_density(course.middle_m - place_m, sd)
    return np.asarray(np.log(right + SIGHT_IS_WRONG / SIGHT_ANYWHERE_M))


def chance_sight_is_wrong(course: GapCourse, place_m: float, weight: Floats) -> float:
    """The chance that this place is wrong, with the posterior weights (k,) of the moments."""
    wrong = np.log(SIGHT_IS_WRONG / SIGHT_ANYWHERE_M) - sight_log_likelihood(course, place_m)
    return float(weight @ np.exp(wrong))


def nearest_likelihood(course: GapCourse) -> Floats:
    """Density (n, k) in 1/s of a pass at each moment of `course` (k,), for each habit NEARESTS_S
    (n,): so long before the smallest gap, give or take NEAREST_REP_SD_S.

    Where the gap still closes at the end of the course its smallest is not known, and all moments
    are alike.
    """
    nearest = int(np.argmin(course.gap_m))
    if nearest == len(course.t_s) - 1:
        return np.ones((len(NEARESTS_S), len(course.t_s)))
    before = course.t_s[nearest] - course.t_s
    return _normal_density(before[None, :] - NEARESTS_S[:, None], NEAREST_REP_SD_S)


def gap_likelihood(course: GapCourse, reach_m: Floats) -> Floats:
    """Likelihood (k, r) in 1/m of the gap at each moment of `course` as the gap at the pass, for
    each reach (r,) in m."""
    sd = np.hypot(course.gap_sd_m, REACH_PRIOR_REP_SD_M)[:, None]
    return _normal_density(course.gap_m[:, None] - reach_m[None, :], sd)


def reach_message(course: GapCourse, log_seen: Floats) -> Floats:
    """What one rep says of the squad's habit and of its pair's reach: likelihood (n, r) over
    NEARESTS_S and REACHES_M. `log_seen` (k,) is the log-likelihood of the place on the sheet."""
    seen = np.exp(log_seen - log_seen.max())
    out: Floats = (nearest_likelihood(course) * seen) @ gap_likelihood(course, REACHES_M)
    return np.asarray(out / out.max() + STRAY)


def learn(
    messages: Sequence[tuple[tuple[str, str], Floats]],
) -> tuple[list[Floats], Mapping[tuple[str, str], Estimate]]:
    """Learn from all reps how soon after the pass the gap is smallest, and the reach.

    Returns for each rep what the other reps say, (n, r) with the sum one, and each pair's reach
    in m. Three levels on a grid: the squad's habit, the squad's mean reach, the pairs about it.
    """
    pairs = sorted({pair for pair, _ in messages})
    means = REACHES_M
    prior = (
        -0.5 * ((means[None, :] - REACH_PRIOR_M.value) / REACH_PRIOR_M.sd) ** 2
        - 0.5 * ((NEARESTS_S[:, None] - NEAREST_AFTER_S.value) / NEAREST_AFTER_S.sd) ** 2
    )
    around = np.exp(-0.5 * ((REACHES_M[None, :] - means[:, None]) / REACH_PRIOR_PAIR_SD_M) ** 2)
    around /= around.sum(axis=1, keepdims=True)
    product = {pair: np.zeros((len(NEARESTS_S), len(REACHES_M))) for pair in pairs}
    for pair, said in messages:
        product[pair] += np.log(said)
    tied = {pair: _squad_log_likelihood(around, product[pair]) for pair in pairs}
    squad = prior + sum(tied.values(), np.zeros_like(prior))

    def belief(log_own: Floats, log_squad: Floats) -> Floats:
        mean = np.exp(log_squad - log_squad.max())
        out = (mean @ around) * np.exp(log_own - log_own.max())
        return np.asarray(out / out.sum())

    others = [belief(product[pair] - np.log(said), squad - tied[pair]) for pair, said in messages]
    posterior = {}
    for pair in pairs:
        weight = belief(product[pair], squad - tied[pair]).sum(axis=0)
        mean = float(weight @ REACHES_M)
        posterior[pair] = Estimate(mean, float(np.sqrt(weight @ (REACHES_M - mean) ** 2)))
    return others, posterior


def _squad_log_likelihood(around: Floats, log_product: Floats) -> Floats:
    """A pair's log-likelihood turned into one of the squad's mean reach, (n, m)."""
    top = log_product.max()
    return np.asarray(np.log(np.exp(log_product - top) @ around.T) + top)


def weigh_without_reach(course: GapCourse, log_seen: Floats, others: Floats) -> Floats:
    """Weights (k,) of the moments, from when the gap was smallest and from what was seen, without
    how large it was. Arguments as in `believe`."""
    habit = others.sum(axis=1) @ nearest_likelihood(course)
    weight = np.exp(log_seen - log_seen.max()) * (habit + STRAY)
    return np.asarray(weight / weight.sum())


def believe(
    course: GapCourse,
    log_seen: Floats,
    others: Floats,
    exit_m: float,
) -> PassBelief:
    """Posterior of the pass from the gap and from what else is known.

    `log_seen` (k,) is the log-likelihood of the place on the sheet, `others` (n, r) what the other
    reps say of habit and reach, `exit_m` the length of the zone in m.
    """
    seen = np.exp(log_seen - log_seen.max())
    known = nearest_likelihood(course) * (others @ gap_likelihood(course, REACHES_M).T)  # (n, k)
    weight = known.sum(axis=0)
    weight = seen * (weight + STRAY * weight.max())
    weight /= weight.sum()
    reach = others.sum(axis=0)
    moment = float(weight @ course.t_s)
    moment_sd = float(np.sqrt(weight @ (course.t_s - moment) ** 2 + PASS_GRID_S**2 / 12))
    place = float(weight @ course.middle_m)
    place_var = float(weight @ (course.middle_sd_m**2 + (course.middle_m - place) ** 2))
    # At each moment the gap is known twice: from the traces and as the pair's reach.
    mean_reach = float(reach @ REACHES_M)
    reach_var = float(reach @ (REACHES_M - mean_reach) ** 2) + REACH_PRIOR_REP_SD_M**2
    precision = course.gap_sd_m**-2 + 1 / reach_var
    gap = (course.gap_m / course.gap_sd_m**2 + mean_reach / reach_var) / precision
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
