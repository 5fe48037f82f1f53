"""The model of how pairs go over the weeks: levels and trends, the share of legal passes.

The model of a figure y (zone time, lag, free distance) at rep i of one pair on practice day d:

    y_i = x_i b + u_d + e_i + m_i,   u_d ~ N(0, (r s)^2),  e_i ~ N(0, s^2),  m_i ~ N(0, sd_i^2)

`x_i b` is a level and, with reps on two days, a trend in weeks; u is what the reps of one day have
in common, so that ten of them are not ten independent ones; e is the spread from rep to rep; m is
the error of the measurement, whose standard error the row gives. s and r are not known exactly.
Both are integrated out on a grid by their restricted likelihood [1]. The prior of s is the squad's,
learned from the other pairs: a pair's log s lies within `PAIRS_ALIKE` of the squad's. r is one for
the squad. The result is the mean of that mixture and its standard deviation, which is wider than a
plain least-squares error where reps are few.

Collisions and other bad reps stay in, but bounded: a residual beyond `HUBER` spreads is pulled in
to there, by pseudo-values [2].

Sources
-------
[1] Patterson & Thompson, Biometrika 58, 1971, 545-554.
[2] Huber & Ronchetti, Robust Statistics, 2nd ed. 2009, ch. 7. From memory.
[3] Skellam, J R Stat Soc B 10, 1948, 257-261: the beta-binomial law.
[4] Brown, Cai & DasGupta, Stat Sci 16, 2001, 101-133: Jeffreys's interval for a share.
[5] Gelman, Jakulin, Pittau & Su, Ann Appl Stat 2, 2008, 1360-1383: weak priors in logistic
    regression.
[6] McCullagh & Nelder, Generalized Linear Models, 2nd ed. 1989: quasi-likelihood.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betaln, expit, logsumexp, softmax

from pipeline.base.units import WEEK_S
from pipeline.base.values import Estimate, Floats, Frozen, Ints

Estimates = tuple[Estimate, ...]

HUBER = 2.0
HUBER_SLOPE = math.erf(HUBER / math.sqrt(2.0))  # of the bounding, mean over normal residuals
FIT_ROUNDS = 20
FIT_SETTLED = 1e-3  # spreads by which no fitted value moves any more

# Beliefs about spreads, weak: a squad with a dozen reps has forgotten them.
SPREAD_BELIEF = 0.6  # standard deviation of the log of the squad's spread about the usual one
PAIRS_ALIKE = 0.35  # ... of a pair's about the squad's: spreads differ by about a third
DAYS_BELIEF = 0.85  # scale of the half-normal of r: days rarely differ much more than reps
LOG_STEP = 0.3  # of the grid in log s
LOG_STEPS = 8  # either way from the usual spread: to a tenth and to ten times it
DAY_RATIOS = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 1.4, 1.9, 2.6])

# The share of legal passes.
ALIKE_REPS = np.array([0.002, 0.03, 0.07, 0.12, 0.2, 0.3, 0.45])  # correlation within a day
ALIKE_REPS_MEAN = 0.1  # of its exponential prior
LOGIT_SLOPE = 2.5  # over two standard deviations of the days


# --- levels and trends -------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Series(Frozen):
    """One pair's figure: (n,) values, standard errors and days in time order; (n, k) regressors."""

    y: Floats
    sd: Floats
    day: Ints
    x: Floats


@dataclass(frozen=True, eq=False)
class SpreadGrid(Frozen):
    """`spread` (E,) from rep to rep; `ratio` (R,) of the days' spread to it; `log_prior` (E, R) of
    the squad's; `log_alike` (E, E): log probability of a pair's spread, the second axis, where the
    squad's is the first."""

    spread: Floats
    ratio: Floats
    log_prior: Floats
    log_alike: Floats


@dataclass(frozen=True, eq=False)
class PairFit(Frozen):
    """One pair's fit: `estimates` of the k regressors."""

    estimates: Estimates
    log_prior: Floats  # (E, R): what the other pairs say of this one's spreads
    centre: Floats  # (n,) fitted, the day's part included
    scale: Floats  # (n,) standard deviation about it


@dataclass(frozen=True, eq=False)
class SquadFit(Frozen):
    """One figure's fits, None for a pair without the figure; `pooled` (E, R): log probability of a
    new pair's spreads."""

    grid: SpreadGrid
    pairs: tuple[PairFit | None, ...]
    pooled: Floats

    def prior_of(self, pair: int) -> Floats:
        """(E, R) log prior of a pair's spreads: what the other pairs say of them."""
        one = self.pairs[pair]
        return self.pooled if one is None else one.log_prior


def fit_squad(series: Sequence[Series | None], usual: float) -> SquadFit:
    """Fit one figure for all pairs of a squad.

    `series`: each pair's, None for a pair without the figure; `usual`: the rep-to-rep spread in
    common practice, in the figure's unit, the middle of a wide belief.
    """
    known = [one for one in series if one is not None]
    grid = _spread_grid(usual, known)
    fits: list[PairFit | None] = [None] * len(series)
    logs = grid.log_prior
    if known:
        fitted = fit_series(known, grid)
        at = [k for k, one in enumerate(series) if one is not None]
        for k, fit in zip(at, fitted, strict=True):
            fits[k] = fit
        surfaces = [_likelihood(_pull_in(s, f), grid) for s, f in zip(known, fitted, strict=True)]
        logs = grid.log_prior + sum(_say_of_squad(s.log_likelihood, grid) for s in surfaces)
    return SquadFit(grid, tuple(fits), _say_of_pair(logs, grid))


def weeks_before_last(us: Ints, day: Ints) -> Floats:
    """(n,) weeks from the last day to each rep's day, 0 or less; all reps of a day share one.

    `us` (n,): microseconds since 1970; `day` (n,): number of the day; both in time order.
    """
    first = np.concatenate([[True], np.diff(day) > 0])
    start = us[first][np.cumsum(first) - 1]
    return np.asarray((start - start[-1]) / (WEEK_S * 1e6))


def _spread_grid(usual: float, series: list[Series]) -> SpreadGrid:
    """`LOG_STEPS` either way from the usual spread, and on as far as the data go."""
    widest = max((_rough_scale(s, usual) for s in series), default=usual)
    steps = max(LOG_STEPS, math.ceil(math.log(3.0 * widest / usual) / LOG_STEP))
    log_ratio = LOG_STEP * np.arange(-LOG_STEPS, steps + 1)
    log_prior = -0.5 * np.square(log_ratio / SPREAD_BELIEF)
    # the trapezium's weights of a half-normal on ratios that lie unevenly
    width = np.gradient(DAY_RATIOS)
    width[[0, -1]] *= 0.5
    log_days = np.log(width) - 0.5 * np.square(DAY_RATIOS / DAYS_BELIEF)
    log_alike = -0.5 * np.square((log_ratio[None] - log_ratio[:, None]) / PAIRS_ALIKE)
    log_alike -= logsumexp(log_alike, axis=1)[:, None]
    return SpreadGrid(
        usual * np.exp(log_ratio), DAY_RATIOS, log_prior[:, None] + log_days[None], log_alike
    )


def _rough_scale(one: Series, usual: float) -> float:
    return max(usual, 1.4826 * float(np.median(np.abs(one.y - np.median(one.y)))))


def fit_series(
    series: list[Series], grid: SpreadGrid, log_priors: list[Floats] | None = None
) -> list[PairFit]:
    """Fit each series, bad reps pulled in [2], until no fitted value moves.

    `log_priors`: (E, R) log priors of each one's spreads; without them the other series say.
    """
    centre = [np.full(len(s.y), np.median(s.y)) for s in series]
    rough = float(np.median([_rough_scale(s, float(grid.spread[LOG_STEPS])) for s in series]))
    data = [
        Series(np.clip(s.y, c - 3.0 * np.hypot(s.sd, rough), c + 3.0 * np.hypot(s.sd, rough)),
                s.sd, s.day, s.x)
        for s, c in zip(series, centre, strict=True)
    ]  # fmt: skip
    fitted: list[PairFit] = []
    for _ in range(FIT_ROUNDS):
        before = fitted
        surfaces = [_likelihood(s, grid) for s in data]
        if log_priors is None:
            of_squad = [_say_of_squad(s.log_likelihood, grid) for s in surfaces]
            total = grid.log_prior + sum(of_squad)
            priors = [_say_of_pair(total - own, grid) for own in of_squad]
        else:
            priors = log_priors
        fitted = [
            _mix(s, surface, prior, grid)
            for s, surface, prior in zip(data, surfaces, priors, strict=True)
        ]
        data = [_pull_in(s, f) for s, f in zip(series, fitted, strict=True)]
        if before and all(map(_are_alike, before, fitted)):
            break
    return fitted


def _are_alike(one: PairFit, other: PairFit) -> bool:
    return bool(np.all(np.abs(one.centre - other.centre) < FIT_SETTLED * one.scale))


def _pull_in(one: Series, fitted: PairFit) -> Series:
    """Pseudo-values: least squares on them solves Huber's equations and has his variance [2]."""
    off = (one.y - fitted.centre) / fitted.scale
    bound = np.clip(off, -HUBER, HUBER) / HUBER_SLOPE
    return Series(fitted.centre + bound * fitted.scale, one.sd, one.day, one.x)


@dataclass(frozen=True, eq=False)
class _Likelihood(Frozen):
    """At each point of the grid: `log_likelihood` (E, R), restricted [1]; `value` (E, R, k), the
    estimates, and `cov` (E, R, k, k); `day` (days, E, R), the days' own parts."""

    log_likelihood: Floats
    value: Floats
    cov: Floats
    day: Floats


def _likelihood(one: Series, grid: SpreadGrid) -> _Likelihood:
    """Generalised least squares with V = diag(sd^2 + s^2) + (r s)^2 within a day, by Woodbury."""
    middle = float(np.median(one.y))
    y, x = one.y - middle, one.x  # small numbers: nothing cancels
    w = 1.0 / (np.square(one.sd)[:, None] + np.square(grid.spread)[None])  # (n, E)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(one.day) > 0]))
    w_day = np.add.reduceat(w, starts)  # (days, E)
    wx_day = np.add.reduceat(w[:, :, None] * x[:, None, :], starts)
    wy_day = np.add.reduceat(w * y[:, None], starts)
    common = np.square(grid.spread)[:, None] * np.square(grid.ratio)[None]  # (E, R)
    share = common / (1.0 + common * w_day[:, :, None])  # (days, E, R)
    gram = np.einsum("ne,nk,nl->ekl", w, x, x)[:, None] - np.einsum(
        "jer,jek,jel->erkl", share, wx_day, wx_day
    )
    load = np.einsum("ne,nk,n->ek", w, x, y)[:, None] - np.einsum(
        "jer,jek,je->erk", share, wx_day, wy_day
    )
    square = np.einsum("ne,n->e", w, y * y)[:, None] - np.einsum(
        "jer,je->er", share, np.square(wy_day)
    )
    cov = np.linalg.inv(gram)
    value = np.einsum("erkl,erl->erk", cov, load)
    _, log_gram = np.linalg.slogdet(gram)
    log_v = -np.log(w).sum(0)[:, None] + np.log1p(common * w_day[:, :, None]).sum(0)
    misfit = square - np.einsum("erk,erk->er", load, value)
    day = share * (wy_day[:, :, None] - np.einsum("jek,erk->jer", wx_day, value))
    value[..., 0] += middle  # every design has the level first
    return _Likelihood(-0.5 * (log_v + log_gram + misfit), value, cov, day)


def _mix(one: Series, surface: _Likelihood, log_prior: Floats, grid: SpreadGrid) -> PairFit:
    """Mean and variance of the estimates over the grid, each point by its probability."""
    weight = softmax(surface.log_likelihood + log_prior)
    value = np.einsum("er,erk->k", weight, surface.value)
    off = surface.value - value
    variance = np.einsum("er,erk->k", weight, np.square(off)) + np.einsum(
        "er,erkk->k", weight, surface.cov
    )
    number = np.cumsum(np.concatenate([[0], np.diff(one.day) > 0]))
    of_spread = weight.sum(1)
    centre = one.x @ value + np.einsum("er,jer->j", weight, surface.day)[number]
    return PairFit(
        estimates=tuple(Estimate(float(v), math.sqrt(q)) for v, q in zip(value, variance,
                                                                         strict=True)),
        log_prior=log_prior,
        centre=centre,
        scale=np.sqrt(np.square(one.sd) + float(of_spread @ np.square(grid.spread))),
    )  # fmt: skip


def _say_of_squad(log_pair: Floats, grid: SpreadGrid) -> Floats:
    """(E, R) what a pair's log likelihood says of the squad's spread."""
    return np.asarray(logsumexp(grid.log_alike[:, :, None] + log_pair[None], axis=1))


def _say_of_pair(log_squad: Floats, grid: SpreadGrid) -> Floats:
    """(E, R) what the squad's log probability says of a pair's spread."""
    return np.asarray(logsumexp(grid.log_alike[:, :, None] + log_squad[:, None], axis=0))


# --- the share of legal passes -----------------------------------------------------------


def _count_by_day(legal: Floats, day: Ints) -> tuple[Floats, Floats]:
    """(days,) sums of the chances of a legal pass, and takeovers."""
    number = np.cumsum(np.concatenate([[0], np.diff(day) > 0]))
    legal_passes: Floats = np.bincount(number, legal).astype(np.float64)
    return legal_passes, np.bincount(number).astype(np.float64)


def day_likeness(pairs: Sequence[tuple[Floats, Ints]]) -> float:
    """How much takeovers of one day are alike in being legal, in the squad: their intraclass
    correlation, 0 to 1.

    `pairs`: each pair's (n,) chances of a legal pass and (n,) days, in time order. The likelihood
    is beta-binomial [3], each pair's share integrated out under Jeffreys's prior; the result is the
    posterior mean under an exponential prior.
    """
    share = (np.arange(32) + 0.5) / 32.0
    log_share = -0.5 * np.log(share * (1.0 - share))
    logs = -ALIKE_REPS / ALIKE_REPS_MEAN + np.log(np.gradient(ALIKE_REPS))
    size = 1.0 / ALIKE_REPS - 1.0
    a = size[:, None] * share[None]
    b = size[:, None] - a
    for legal, day in pairs:
        if len(legal) < 2:
            continue  # one rep says nothing of it
        passes, reps = _count_by_day(legal, day)
        one = np.zeros_like(a)
        for k, m in zip(passes, reps, strict=True):
            one += betaln(a + k, b + m - k) - betaln(a, b)
        logs = logs + logsumexp(log_share[None] + one, axis=1)
    return float(softmax(logs) @ ALIKE_REPS)


def legal_share(legal: Floats, day: Ints, alike: float) -> Estimate:
    """Share of legal passes, 0 to 1, under Jeffreys's Beta(1/2, 1/2) [4].

    `legal` (n,) are chances, so the count has their mean and their variance; `day` (n,) in time
    order; `alike` as `day_likeness` gives it: the more alike, the fewer reps a day counts for.
    """
    sizes = _count_by_day(legal, day)[1].astype(np.intp)
    n = float(len(legal))
    # correlation rho within a day: 1 + rho (sum m^2 / n - 1)
    worth = n / (1.0 + alike * (float(np.square(sizes).sum()) / n - 1.0))
    count = worth * float(legal.mean())
    mean = (0.5 + count) / (1.0 + worth)
    unsure = float((legal * (1.0 - legal)).sum()) * (worth / n) ** 2 / (1.0 + worth) ** 2
    return Estimate(mean, math.sqrt((mean * (1.0 - mean) - unsure) / (2.0 + worth) + unsure))


def legal_trend(legal: Floats, day: Ints, weeks: Floats, alike: float) -> Estimate:
    """Change of the share of legal passes per week, at the mean of the reps' days.

    Arguments as for `legal_share`, and `weeks` (n,): each rep's day, in weeks, of which there must
    be two. Logistic regression, its two-parameter posterior on a grid. The share at the middle has
    Jeffreys's prior; the slope's is normal, `LOGIT_SLOPE` over two standard deviations of the days
    (scaled as in [5], where it is a Cauchy of that width). The likelihood is tempered to what the
    reps are worth [6].
    """
    count, reps = _count_by_day(legal, day)
    first = np.concatenate([[True], np.diff(day) > 0])
    at = weeks[first] - weeks.mean()
    width = 2.0 * float(weeks.std())
    temper = 1.0 / (1.0 + alike * (float(np.square(reps).sum() / reps.sum()) - 1.0))
    level = np.linspace(-9.0, 9.0, 145)[:, None]
    slope = LOGIT_SLOPE * np.linspace(-3.5, 3.5, 113)[None]
    middle = expit(level)
    logs = 0.5 * np.log(middle * (1.0 - middle)) - 0.5 * np.square(slope / LOGIT_SLOPE)
    for x, k, m in zip(at / width, count, reps, strict=True):
        logit = level + slope * x
        logs = logs + temper * (k * logit - m * np.logaddexp(0.0, logit))
    weight = softmax(logs)
    change = middle * (1.0 - middle) * slope / width
    mean = float((weight * change).sum())
    return Estimate(mean, math.sqrt(float((weight * np.square(change - mean)).sum())))
