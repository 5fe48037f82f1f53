"""Hierarchical estimates: few measurements of many runners, each with its own standard error.

The model, for the measured vector y of rep i of runner j (all p-dimensional):

    y_i = x_i + e_i,        e_i ~ N(0, A_i^-1)        what the measurement leaves open
    x_i = mu_j + r_i,       r_i ~ N(0, k_j Sigma)     the runner from rep to rep
    mu_j = M + d_j,         d_j ~ N(0, T)             the runner within the squad
    M ~ N(M0, P0)                                     what is known of sprinters

A_i may be singular: a rep that says nothing of a component has no information about it. A share
of the reps, learned too, are blunders: their r_i is `BLUNDER` times as wide.

The model is solved by expectation maximisation [1]. Inverse-Wishart priors keep Sigma and T away
from zero, a scaled inverse chi-square keeps k_j. The uncertainty of M is then carried into mu. A
runner without reps is the squad's mean give or take T; the more reps he has, the less it matters.

Sources
-------
[1] Dempster, Laird & Rubin, J R Stat Soc B 39, 1977, 1-38.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from pipeline.base.values import Floats, Frozen, Ints

EM_ROUNDS = 80
EM_SETTLED = 1e-4
BLUNDER = 5.0  # times the usual spread
BLUNDERS = (1.0, 19.0)  # beta prior of their share: about one rep in twenty, common experience
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


@dataclass(frozen=True, eq=False)
class Effects(Frozen):
    """What the reps say of J runners in p components.

    `mean` (J, p) and `cov` (J, p, p): the runner's own mean and its estimation error; `within`
    (p, p): the squad's rep-to-rep covariance, `scale` (J,): a runner's share k of it and
    `spread_df` (J,): the reps' worth it rests on; `squad` (p,), `squad_cov`, `between` (p, p);
    `pull` (J, p, p): how far a runner's mean follows the squad's; `blunders`: their share;
    `weight` (J,): reps, old ones counting less.
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
) -> Effects:
    """Estimate the runners' means and spreads from n reps [1]. Deterministic.

    `information` (n, p, p): A_i, in 1 over the squared units of y; `weighted` (n, p): A_i y_i;
    `runner` (n,): whose rep, 0 to `n_runners` - 1; `weight` (n,): what a rep counts for, 1 unless
    given; `blunders`: whether a share of the reps may be blunders.
    """
    weight = np.ones(len(weighted)) if weight is None else weight
    has = np.trace(information, axis1=1, axis2=2) > 0
    information, weighted = information[has], weighted[has]
    runner, weight = runner[has], weight[has]
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
    for _ in range(EM_ROUNDS):
        before = (mean, sigma)
        plain, wide = _spread_weights(information, sigma, scale[runner])
        late = _blunder_probability(
            information, inverse, weighted, mean[runner], plain, wide, share
        )  # fmt: skip
        w = (1 - late)[:, None, None] * plain[0] + late[:, None, None] * wide[0]
        wy = (1 - late)[:, None] * _apply_weights(plain, weighted)
        wy += late[:, None] * _apply_weights(wide, weighted)
        gram = _sum_by_runner(weight[:, None, None] * w, runner, n_runners)
        load = _sum_by_runner(weight[:, None] * wy, runner, n_runners)
        squad, squad_cov = _squad_mean(gram, load, between, prior, prior_mean)
        prec = np.linalg.inv(between)
        cov = np.linalg.inv(gram + prec)
        mean = np.einsum("jab,jb->ja", cov, load + prec @ squad)
        # those without reps say nothing of how runners differ
        off = (mean - squad)[known]
        own = np.einsum("ja,jb->ab", off, off) + cov[known].sum(0)
        between = (prior.between_df * between0 + own) / (prior.between_df + known.sum())
        if len(runner):
            sigma, scale = _rep_spread(
                information, weighted, runner, weight * (1 - late), mean, cov, sigma, scale,
                sigma0, prior.within_df,
            )  # fmt: skip
            if blunders:
                share = (BLUNDERS[0] + float(weight @ late)) / (sum(BLUNDERS) + weight.sum())
        moved = np.abs(mean - before[0])[known] / prior.within
        if np.max(moved, initial=0.0) < EM_SETTLED and np.allclose(sigma, before[1], rtol=1e-3):
            break
    pull = cov @ np.linalg.inv(between)
    full = cov + pull @ squad_cov @ np.swapaxes(pull, 1, 2)
    return Effects(
        mean, full, sigma, scale, SPREAD_DF + counts, squad, squad_cov, between, pull, share, counts
    )


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


def _sum_by_runner(values: Floats, runner: Ints, n_runners: int) -> Floats:
    out = np.zeros((n_runners, *values.shape[1:]))
    np.add.at(out, runner, values)
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
    """The rep-to-rep covariance and each runner's share of it."""
    k = scale[runner]
    prec = np.linalg.inv(sigma)
    left = np.linalg.inv(information + prec / k[:, None, None])  # posterior cov of r given mu
    off = weighted - np.einsum("nab,nb->na", information, mean[runner])
    r = np.einsum("nab,nb->na", left, off)
    shift = left @ information
    spread = left + np.einsum("na,nb->nab", r, r)
    spread += shift @ cov[runner] @ np.swapaxes(shift, 1, 2)
    total = np.einsum("n,nab->ab", weight / k, spread)
    new = (df * sigma0 + total) / (df + weight.sum())
    p = len(sigma)
    size = np.einsum("nab,ab->n", spread, np.linalg.inv(new)) / p
    own = np.bincount(runner, weights=weight * size, minlength=len(scale))
    mass = np.bincount(runner, weights=weight, minlength=len(scale))
    return new, (SPREAD_DF + own) / (SPREAD_DF + mass)
