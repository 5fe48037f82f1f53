"""Hierarchical estimates: few measurements of many runners, each with its own standard error.

The model, for the measured vector y of rep i of runner j (all p-dimensional):

    y_i = x_i + e_i,           e_i ~ N(0, A_i^-1)       what the measurement leaves open
    x_i = mu_j(t_i) + r_i,     r_i ~ N(0, k_j Sigma)    the runner from rep to rep
    mu_j(t + dt) - mu_j(t)     ~ N(0, Q dt)             the runner over the weeks [2]
    mu_j(now) = M + d_j,       d_j ~ N(0, T)            the runner within the squad
    M ~ N(M0, P0)                                       what is known of sprinters

Runners change: their figures walk at random over the weeks with variance Q a week, and it is where
they stand now that is estimated. The walk's steps between days are solved with the figures.

A_i may be singular: a rep that says nothing of a component has no information about it. A share
of the reps, learned too, are blunders: their r_i is `BLUNDER` times as wide.

The model is solved by expectation maximisation [1]. Inverse-Wishart priors keep Sigma and T away
from zero, a scaled inverse chi-square keeps k_j. The uncertainty of M is then carried into mu. A
runner without reps is the squad's mean give or take T; the more reps he has, the less it matters.

Sources
-------
[1] Dempster, Laird & Rubin, J R Stat Soc B 39, 1977, 1-38.
[2] Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989: the local level
    model. From memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from pipeline.base.values import Floats, Frozen, Ints

EM_ROUNDS = 80
EM_SETTLED = 1e-4
BLUNDER = 5.0  # times the usual spread
BLUNDERS = (1.0, 19.0)  # beta prior of their share: about one rep in twenty, common experience
DAYS_A_WEEK = 7.0
MOST_DAYS = 20  # told apart; older ones that lie near each other count as one
SPREAD_DF = 10.0  # the belief that a runner is as steady as the squad counts as so many reps


@dataclass(frozen=True, eq=False)
class Prior(Frozen):
    """What is known before the first rep: (p,) means and standard deviations."""

    mean: Floats
    mean_sd: Floats  # of the squad's mean
    between: Floats  # of runners within a squad
    within: Floats  # of a runner's reps
    between_df: float = 4.0
    within_df: float = 6.0
    walk: Floats | None = None  # (p,) standard deviation of the change over one week


@dataclass(frozen=True, eq=False)
class Change(Frozen):
    """Change of the runners' means over a week, a straight line through all their days: `per_week`
    (J, p) and its covariance `cov` (J, p, p); NaN for a runner with reps on one day only."""

    per_week: Floats
    cov: Floats

    @property
    def sd(self) -> Floats:
        """(J, p) standard errors of `per_week`."""
        return np.sqrt(np.maximum(np.diagonal(self.cov, axis1=1, axis2=2), 0.0))


@dataclass(frozen=True, eq=False)
class Effects(Frozen):
    """What the reps say of J runners in p components.

    `mean` (J, p) and `cov` (J, p, p): the runner's own mean and its estimation error; `within`
    (p, p): the squad's rep-to-rep covariance, `scale` (J,): a runner's share k of it and
    `spread_df` (J,): the reps' worth it rests on; `squad` (p,), `squad_cov`, `between` (p, p);
    `pull` (J, p, p): how far a runner's mean follows the squad's; `blunders`: their share;
    `weight` (J,): reps, those of one day counting less; `change`: over the weeks.
    """

    mean: Floats
    cov: Floats
    within: Floats
    scale: Floats
    spread_df: Floats
    squad: Floats
    squad_cov: Floats
    between: Floats
    pull: Floats
    blunders: float
    weight: Floats
    change: Change

    def part(self, which: slice) -> Effects:
        """Some of the components by themselves, the others left open."""
        return replace(
            self,
            mean=self.mean[:, which],
            cov=self.cov[:, which, which],
            within=self.within[which, which],
            squad=self.squad[which],
            squad_cov=self.squad_cov[which, which],
            between=self.between[which, which],
            pull=self.pull[:, which, which],
            change=Change(self.change.per_week[:, which], self.change.cov[:, which, which]),
        )

    @property
    def spread(self) -> Floats:
        """(J, p) rep-to-rep standard deviations."""
        out: Floats = np.sqrt(self.scale[:, None] * np.diag(self.within))
        return out

    @property
    def spread_sd(self) -> Floats:
        """(J, p) standard errors of `spread`: those of a scaled chi distribution."""
        return np.asarray(self.spread / np.sqrt(2.0 * self.spread_df[:, None]))


def estimate_effects(
    information: Floats,
    weighted: Floats,
    runner: Ints,
    n_runners: int,
    prior: Prior,
    weight: Floats | None = None,
    blunders: bool = True,
    weeks: Floats | None = None,
) -> Effects:
    """Estimate the runners' means and spreads from n reps [1]. Deterministic.

    `information` (n, p, p): A_i, in 1 over the squared units of y; `weighted` (n, p): A_i y_i;
    `runner` (n,): whose rep, 0 to `n_runners` - 1; `weight` (n,): what a rep counts for, 1 unless
    given; `blunders`: whether a share of the reps may be blunders; `weeks` (n,): age of each rep,
    0 or more, all of now unless given.
    """
    weight = np.ones(len(weighted)) if weight is None else weight
    has = np.trace(information, axis1=1, axis2=2) > 0
    information, weighted = information[has], weighted[has]
    runner, weight = runner[has], weight[has]
    walk = _lay_walk(np.zeros(len(runner)) if weeks is None else weeks[has], prior)
    # A^-1, the least one where A is singular
    inverse = np.asarray(np.linalg.pinv(information, rcond=1e-10, hermitian=True), np.float64)
    prior_mean = np.diag(prior.mean_sd**2)
    sigma0, between0 = np.diag(prior.within**2), np.diag(prior.between**2)
    sigma, between, squad = sigma0, between0, prior.mean
    scale: Floats = np.ones(n_runners)
    share = BLUNDERS[0] / sum(BLUNDERS) if blunders else 0.0
    counts: Floats = np.bincount(runner, weights=weight, minlength=n_runners).astype(np.float64)
    known = counts > 0
    mean, cov = np.tile(squad, (n_runners, 1)), np.tile(between, (n_runners, 1, 1))
    course = _Course.level(mean, cov, walk)
    for _ in range(EM_ROUNDS):
        before = (mean, sigma)
        plain, wide = _spread_weights(information, sigma, scale[runner])
        then = course.mean[runner, walk.day]
        late = _blunder_probability(
            information, inverse, weighted, then, plain, wide, share
        )  # fmt: skip
        w = (1 - late)[:, None, None] * plain[0] + late[:, None, None] * wide[0]
        wy = (1 - late)[:, None] * _apply_weights(plain, weighted)
        wy += late[:, None] * _apply_weights(wide, weighted)
        days = (n_runners, len(walk.gaps) + 1)
        grams = _sum_by_day(weight[:, None, None] * w, runner, walk.day, days)
        loads = _sum_by_day(weight[:, None] * wy, runner, walk.day, days)
        gram, load = _seen_from_now(grams, loads, walk)
        squad, squad_cov = _squad_mean(gram, load, between, prior, prior_mean)
        prec = np.asarray(np.linalg.inv(between), dtype=np.float64)
        course = _solve_course(grams, loads, prec, squad, walk)
        mean, cov = course.mean[:, -1], course.cov_of(-1, -1)
        # those without reps say nothing of how runners differ
        off = (mean - squad)[known]
        own = np.einsum("ja,jb->ab", off, off) + cov[known].sum(0)
        between = (prior.between_df * between0 + own) / (prior.between_df + known.sum())
        if len(runner):
            sigma, scale = _rep_spread(
                information, weighted, runner, weight * (1 - late), course.mean[runner, walk.day],
                course.own_cov()[runner, walk.day], sigma, scale, sigma0, prior.within_df,
            )  # fmt: skip
            if blunders:
                share = (BLUNDERS[0] + float(weight @ late)) / (sum(BLUNDERS) + weight.sum())
        moved = np.abs(mean - before[0])[known] / prior.within
        if np.max(moved, initial=0.0) < EM_SETTLED and np.allclose(sigma, before[1], rtol=1e-3):
            break
    pull = cov @ np.linalg.inv(between)
    full = cov + pull @ squad_cov @ np.swapaxes(pull, 1, 2)
    change = _change_of(grams, loads, walk)
    return Effects(
        mean, full, sigma, scale, SPREAD_DF + counts, squad, squad_cov, between, pull, share,
        counts, change,
    )  # fmt: skip


# --- over the weeks -------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Walk(Frozen):
    """Which day each rep was run on, (n,), from the oldest to the one of now, which is last; the
    steps between the days in weeks, (days - 1,), and what a week moves, (p, p)."""

    day: Ints
    gaps: Floats
    weekly: Floats

    @property
    def ages(self) -> Floats:
        """(days,) in weeks."""
        return np.append(np.cumsum(self.gaps[::-1])[::-1], 0.0)


def _lay_walk(weeks: Floats, prior: Prior) -> _Walk:
    p = len(prior.mean)
    if prior.walk is None or not len(weeks):
        return _Walk(np.zeros(len(weeks), dtype=np.intp), np.zeros(0), np.eye(p))
    ages = np.unique(np.round(np.append(weeks, 0.0) * DAYS_A_WEEK) / DAYS_A_WEEK)[::-1]
    while len(ages) > MOST_DAYS:  # the two days nearest for their age become one
        near = int(np.argmin((ages[:-2] - ages[1:-1]) / (1.0 + ages[1:-1])))
        ages = np.delete(ages, near)
    day = np.abs(weeks[:, None] - ages).argmin(axis=1)
    return _Walk(day.astype(np.intp), ages[:-1] - ages[1:], np.diag(prior.walk**2))


@dataclass(frozen=True, eq=False)
class _Course(Frozen):
    """Where the runners stood on each day: `mean` (J, days, p) and the joint covariance of all
    days, (J, days, p, days, p), the squad's mean being given."""

    mean: Floats
    cov: Floats

    @classmethod
    def level(cls, mean: Floats, cov: Floats, walk: _Walk) -> _Course:
        days, p = len(walk.gaps) + 1, mean.shape[1]
        joint = np.zeros((len(mean), days, p, days, p))
        for day in range(days):
            joint[:, day, :, day] = cov
        return cls(np.repeat(mean[:, None], days, axis=1), joint)

    def cov_of(self, one: int, other: int) -> Floats:
        return np.asarray(self.cov[:, one, :, other])

    def own_cov(self) -> Floats:
        """(J, days, p, p) of each day by itself."""
        return np.stack([self.cov_of(d, d) for d in range(self.mean.shape[1])], axis=1)


def _precision(grams: Floats, walk: _Walk) -> Floats:
    """(J, days, p, days, p): what the reps and the walk's steps say of all days together."""
    runners, days, p, _ = grams.shape
    out = np.zeros((runners, days, p, days, p))
    for day in range(days):
        out[:, day, :, day] += grams[:, day]
    for day, gap in enumerate(walk.gaps):
        step = np.linalg.inv(walk.weekly * gap)
        out[:, day, :, day] += step
        out[:, day + 1, :, day + 1] += step
        out[:, day, :, day + 1] -= step
        out[:, day + 1, :, day] -= step
    return out


def _seen_from_now(grams: Floats, loads: Floats, walk: _Walk) -> tuple[Floats, Floats]:
    """(J, p, p) and (J, p): what all days say of where each runner stands now, the days before
    integrated out."""
    if not len(walk.gaps):
        return grams[:, 0], loads[:, 0]
    runners, days, p, _ = grams.shape
    k = (days - 1) * p
    whole = _precision(grams, walk).reshape(runners, days * p, days * p)
    past = np.linalg.inv(whole[:, :k, :k])
    share = whole[:, k:, :k] @ past
    gram = whole[:, k:, k:] - share @ whole[:, :k, k:]
    load = loads[:, -1] - np.einsum("jab,jb->ja", share, loads[:, :-1].reshape(runners, k))
    return 0.5 * (gram + np.swapaxes(gram, 1, 2)), load


def _solve_course(
    grams: Floats, loads: Floats, prec: Floats, squad: Floats, walk: _Walk
) -> _Course:
    """All days of all runners, given the squad's mean and how runners differ within it."""
    runners, days, p, _ = grams.shape
    whole = _precision(grams, walk)
    whole[:, -1, :, -1] += prec
    load = loads.copy()
    load[:, -1] += prec @ squad
    cov = np.asarray(np.linalg.inv(whole.reshape(runners, days * p, days * p)), dtype=np.float64)
    mean = np.einsum("jab,jb->ja", cov, load.reshape(runners, days * p))
    return _Course(mean.reshape(runners, days, p), cov.reshape(whole.shape))


def _change_of(grams: Floats, loads: Floats, walk: _Walk) -> Change:
    """A straight line through each runner's days, by weighted least squares: days differ by what
    their reps leave open and by what a week moves."""
    runners, _, p, _ = grams.shape
    per_week, cov = np.full((runners, p), np.nan), np.full((runners, p, p), np.nan)
    known = np.trace(grams, axis1=2, axis2=3) > 0
    for j in np.flatnonzero(known.sum(axis=1) > 1):
        precision, load = np.zeros((2 * p, 2 * p)), np.zeros(2 * p)
        for day in np.flatnonzero(known[j]):
            # (G^-1 + Q)^-1 where G may be singular
            keep = np.linalg.inv(np.eye(p) + grams[j, day] @ walk.weekly)
            x = np.hstack([np.eye(p), -walk.ages[day] * np.eye(p)])
            precision += x.T @ keep @ grams[j, day] @ x
            load += x.T @ keep @ loads[j, day]
        # a figure that no rep or only one day tells of has no trend; the others have theirs
        days_told = (np.diagonal(grams[j], axis1=1, axis2=2) > 0).sum(axis=0)
        told = np.flatnonzero(days_told > 1)
        both = np.r_[told, told + p]
        part = precision[np.ix_(both, both)]
        if not len(told) or np.linalg.matrix_rank(part) < len(both):
            continue
        own = np.asarray(np.linalg.inv(part), dtype=np.float64)
        per_week[j, told] = (own @ load[both])[len(told) :]
        cov[np.ix_([j], told, told)] = own[len(told) :, len(told) :]
    return Change(per_week, cov)


RepWeights = tuple[Floats, Floats, Floats]  # (Sigma + S)^-1, gain of A y, log determinant's share


def _spread_weights(
    information: Floats, sigma: Floats, scale: Floats
) -> tuple[RepWeights, RepWeights]:
    """(k Sigma + A^-1)^-1 for each rep, with the usual spread and with a blunder's."""
    out = []
    for factor in (1.0, BLUNDER**2):
        inner = np.linalg.inv(information + np.linalg.inv(sigma) / (factor * scale)[:, None, None])
        gain = np.eye(len(sigma)) - information @ inner
        w = gain @ information
        # |k Sigma + S| up to |S|, which both have in common: |I + k A Sigma|
        _, size = np.linalg.slogdet(
            np.eye(len(sigma)) + (factor * scale)[:, None, None] * (information @ sigma)
        )
        out.append((0.5 * (w + np.swapaxes(w, 1, 2)), gain, size))
    return out[0], out[1]


def _apply_weights(weights: RepWeights, weighted: Floats) -> Floats:
    return np.asarray(np.einsum("nab,nb->na", weights[1], weighted))


def _blunder_probability(
    information: Floats, inverse: Floats, weighted: Floats, mean: Floats,
    plain: RepWeights, wide: RepWeights, share: float,
) -> Floats:  # fmt: skip
    """(n,) probability that a rep was a blunder."""
    if share <= 0.0 or not len(weighted):
        return np.zeros(len(weighted))
    off = weighted - np.einsum("nab,nb->na", information, mean)  # A (y - mu)
    away_from = np.einsum("nab,nb->na", inverse, off)
    logs = []
    for _, gain, size in (plain, wide):
        # (y - mu)' W (y - mu) = (y - mu)' gain A (y - mu); y - mu enters through A only
        d = np.einsum("nab,nb->na", gain, off)
        away = np.einsum("na,na->n", away_from, d)
        logs.append(-0.5 * (away + size))
    odds = logs[0] - logs[1] + np.log((1 - share) / share)
    return np.asarray(expit(-odds))


def _sum_by_day(values: Floats, runner: Ints, day: Ints, size: tuple[int, int]) -> Floats:
    out = np.zeros((*size, *values.shape[1:]))
    np.add.at(out, (runner, day), values)
    return out


def _squad_mean(
    gram: Floats, load: Floats, between: Floats, prior: Prior, prior_cov: Floats
) -> tuple[Floats, Floats]:
    """Mean of the squad given each runner's own information, the runners integrated out."""
    eye = np.eye(len(between))
    gain = np.linalg.inv(eye + gram @ between)  # (T + G^-1)^-1 = (I + G T)^-1 G
    own = gain @ gram
    cov = np.linalg.inv(np.linalg.inv(prior_cov) + own.sum(0))
    total = np.linalg.solve(prior_cov, prior.mean) + np.einsum("jab,jb->a", gain, load)
    return np.asarray(cov @ total), 0.5 * (cov + cov.T)


def _rep_spread(
    information: Floats, weighted: Floats, runner: Ints, weight: Floats, mean: Floats, cov: Floats,
    sigma: Floats, scale: Floats, sigma0: Floats, df: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """The rep-to-rep covariance and each runner's share of it; `mean` (n, p) and `cov` (n, p, p)
    are the runner's on the day of the rep."""
    k = scale[runner]
    prec = np.linalg.inv(sigma)
    left = np.linalg.inv(information + prec / k[:, None, None])  # posterior cov of r given mu
    off = weighted - np.einsum("nab,nb->na", information, mean)
    r = np.einsum("nab,nb->na", left, off)
    shift = left @ information
    spread = left + np.einsum("na,nb->nab", r, r)
    spread += shift @ cov @ np.swapaxes(shift, 1, 2)
    total = np.einsum("n,nab->ab", weight / k, spread)
    new = (df * sigma0 + total) / (df + weight.sum())
    p = len(sigma)
    size = np.einsum("nab,ab->n", spread, np.linalg.inv(new)) / p
    own = np.bincount(runner, weights=weight * size, minlength=len(scale))
    mass = np.bincount(runner, weights=weight, minlength=len(scale))
    return new, (SPREAD_DF + own) / (SPREAD_DF + mass)
