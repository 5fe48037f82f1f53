"""When did the baton change hands? Easing, gap and the sheet's place on one grid of moments.

A unit on the trunk does not see the baton; docs/accuracy.md says what follows from that. How two
runners slow and reach is assumed, with the reasons in docs/methods.md, "Priors".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from pipeline.base.values import Estimate, Floats, Frozen

# Weak priors, docs/methods.md, "Priors".
EASE_MPS2 = Estimate(2.5, 1.5)  # how an incoming runner slows once the baton is gone
REACH_PRIOR_M = Estimate(1.2, 0.15)  # usual teaching 1.0 to 1.5 m; from memory
REACH_PRIOR_PAIR_SD_M = 0.15
REACH_PRIOR_REP_SD_M = 0.15
BRAKING_CHANGE = 3.0  # m/s² in one second
# From the pass to the first sign of slowing: a stride or so after it as a rule, with the squad's
# own habit; some brake before letting go. Weight, shift from the habit, spread; the rest is flat.
HABIT_S = Estimate(0.25, 0.12)
HABITS_S = np.arange(-0.05, 0.651, 0.05)
EASING_LAG_S = ((0.725, 0.0, 0.13), (0.25, -0.15, 0.30))
FLAT_WEIGHT, FLAT_S = 0.025, 3.0
REACHES_M = np.arange(0.30, 2.31, 0.05)
KEEPING_MPS = 0.15  # a gap that closes no faster than this is being kept
LARGE_SQUARE = 1e12  # beside any squared misfit, only to keep a matrix definite
PASS_GRID_S = 0.02


@dataclass(frozen=True, eq=False)
class EasingLikelihood(Frozen):
    """Log-likelihood (k,) of the moment `t_s` (k,) at which the incoming runner starts to ease."""

    t_s: Floats
    log_likelihood: Floats


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


def find_easing(
    t_s: Floats, speed_mps: Floats, noise_mps: float, from_s: float, to_s: float
) -> EasingLikelihood:
    """Find when the incoming runner begins to slow: a change point [1] of the speed.

    Before it the speed is a Gaussian process (level, slope, random walk); after it comes a ramp
    whose steepness may itself change. Each moment of a 0.05 s grid gets its likelihood.

    Parameters: `t_s` (n,) moments in s with the receiver's delay taken out, `speed_mps` (n,)
    speeds in m/s, NaN where there is none, `noise_mps` the standard deviation of one speed;
    `from_s` and `to_s` bound the moments looked at. With fewer than three speeds all moments are
    equally likely. Range: sprinting speeds, 1 to 25 Hz; only what comes before the speed falls to
    0.62 of its level is used.

    [1] Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, ch. 2, from memory.
    """
    grid = np.arange(from_s, to_s, 0.05)
    keep = (t_s > from_s - 1.2) & (t_s < to_s + 1.0) & np.isfinite(speed_mps)
    t, y = t_s[keep], speed_mps[keep]
    if len(t) < 3 or not len(grid):
        return EasingLikelihood(grid, np.zeros(len(grid)))
    level = np.median(y[: max(3, len(y) // 3)])
    slow = np.flatnonzero(y < 0.62 * level)
    if len(slow) and slow[0] >= 3:  # what comes later says nothing of how it began
        t, y = t[: slow[0]], y[: slow[0]]
    r = t - t[0]
    base = 100.0 + (0.6 * (r[:, None] - r.mean())) * (r[None, :] - r.mean())
    base += 0.3**2 * np.minimum(r[:, None], r[None, :])
    base += noise_mps**2 * np.eye(len(t))
    ramp = np.maximum(t[None, :] - grid[:, None], 0.0)
    cov = base[None] + EASE_MPS2.sd**2 * ramp[:, :, None] * ramp[:, None, :]
    # The braking itself changes: an integrated walk, smooth in the speed, so that many precise
    # speeds of a smooth slowing do not speak against it.
    less = np.minimum(ramp[:, :, None], ramp[:, None, :])
    more = np.maximum(ramp[:, :, None], ramp[:, None, :])
    cov += BRAKING_CHANGE**2 * less**2 * (3 * more - less) / 6
    off = (y - level)[None, :] + EASE_MPS2.value * ramp
    # The last row of the factor of [[cov, off], [off', large]] is off, whitened.
    n = len(t)
    both = np.full((len(grid), n + 1, n + 1), LARGE_SQUARE)
    both[:, :n, :n], both[:, n, :n], both[:, :n, n] = cov, off, off
    lower = np.linalg.cholesky(both)
    white = lower[:, n, :n]
    log_det = np.log(np.diagonal(lower, axis1=1, axis2=2)[:, :n]).sum(axis=1)
    value = -0.5 * (white**2).sum(axis=1) - log_det
    return EasingLikelihood(grid, value - value.max())


def log_pass_after_easing(ease: EasingLikelihood, t_s: Floats) -> Floats:
    """Log-likelihood (h, k) of a pass at each moment `t_s` (k,) in s, from the easing alone, for
    each habit HABITS_S (h,) of slowing so long after the pass. Zero where no easing is known."""
    if not len(ease.t_s):
        return np.zeros((len(HABITS_S), len(t_s)))
    likelihood = np.exp(ease.log_likelihood)
    likelihood /= likelihood.sum()
    lag = ease.t_s[None, None, :] - t_s[None, :, None] - HABITS_S[:, None, None]
    density = np.full_like(lag, FLAT_WEIGHT / FLAT_S)
    for weight, mean, sd in EASING_LAG_S:
        density += weight * np.exp(-0.5 * ((lag - mean) / sd) ** 2) / (sd * 2.5066)
    return np.asarray(np.log(density @ likelihood))


def gap_likelihood(course: GapCourse, reach_m: Floats) -> Floats:
    """Density (k, r) of the pass in 1/s, over the moments of `course`, for each reach (r,) in m.

    The baton goes when the incoming runner first comes within reach. So it is the gap at the
    pass that is spread about the reach, and the density over moments carries the rate at which
    the gap closes [1]. Moments at which two runners merely keep their distance count for little.

    [1] The change of variables of a density; the spread of the reach is assumed (docs/methods.md).
    """
    sd = np.hypot(course.gap_sd_m, REACH_PRIOR_REP_SD_M)[:, None]
    z = (course.gap_m[:, None] - reach_m[None, :]) / sd
    nearest = np.minimum.accumulate(course.gap_m)
    closing = np.maximum(-np.gradient(nearest, course.t_s), KEEPING_MPS)
    return np.asarray(closing[:, None] * np.exp(-0.5 * z**2) / (sd * 2.5066))


def reach_message(course: GapCourse, log_rest: Floats) -> Floats:
    """What one rep says of the squad's habit and of its pair's reach: likelihood (h, r) over
    HABITS_S and REACHES_M. `log_rest` (h, k) is the log-likelihood of the easing and of the place
    on the sheet."""
    rest = np.exp(log_rest - log_rest.max())
    out: Floats = rest @ gap_likelihood(course, REACHES_M)
    return np.asarray(out / out.max() + 1e-3)


def learn(
    messages: Sequence[tuple[tuple[str, str], Floats]],
) -> tuple[list[Floats], Mapping[tuple[str, str], Estimate]]:
    """Learn the habit of letting go and the reach from all reps.

    Returns for each rep what the other reps say, (h, r) with the sum one, and each pair's reach
    in m. Three levels on a grid: the squad's habit, the squad's mean reach, the pairs about it.
    """
    pairs = sorted({pair for pair, _ in messages})
    means = REACHES_M
    prior = (
        -0.5 * ((means[None, :] - REACH_PRIOR_M.value) / REACH_PRIOR_M.sd) ** 2
        - 0.5 * ((HABITS_S[:, None] - HABIT_S.value) / HABIT_S.sd) ** 2
    )
    around = np.exp(-0.5 * ((REACHES_M[None, :] - means[:, None]) / REACH_PRIOR_PAIR_SD_M) ** 2)
    around /= around.sum(axis=1, keepdims=True)
    product = {pair: np.zeros((len(HABITS_S), len(REACHES_M))) for pair in pairs}
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
    """A pair's log-likelihood turned into one of the squad's mean reach, (h, m)."""
    top = log_product.max()
    return np.asarray(np.log(np.exp(log_product - top) @ around.T) + top)


def believe(
    course: GapCourse,
    log_rest: Floats,
    others: Floats,
    exit_m: float,
) -> PassBelief:
    """Posterior of the pass from the gap and from what else is known.

    `log_rest` (h, k) is the log-likelihood of the easing and of the place on the sheet, `others`
    (h, r) what the other reps say of habit and reach, `exit_m` the length of the zone in m.
    """
    rest = np.exp(log_rest - log_rest.max())
    likelihood = gap_likelihood(course, REACHES_M) @ others.T + 1e-6  # (k, h)
    weight = (rest.T * likelihood).sum(axis=1)
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
