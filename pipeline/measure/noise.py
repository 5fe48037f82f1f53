"""How noisy the units of a session are: slow position error by variogram, speeds at rest.

Every number is estimated from the session's own recordings, with a weak prior from published
receivers; see docs/methods.md, "Priors".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from pipeline.base.values import Floats, Frozen

CORRELATION_TIMES_S = np.array([4.0, 15.0, 60.0, 300.0])
# Variances (m²) of one axis at those times, as a session's worth of a few stands would have it:
# about 1.3 m in all, an autocorrelation of about a minute, more shared than own.
PRIOR_SHARED = np.array([0.0, 0.02, 0.35, 0.5])
PRIOR_OWN = np.array([0.005, 0.02, 0.15, 0.2])
LEVEL_TIME_S = 2000.0  # what a short session cannot tell: the level
LEVEL_SHARED, LEVEL_OWN = 0.8, 0.4
LAGS_S = np.array([1, 2, 3, 4, 6, 8, 11, 15, 20, 30])
PRIOR_INCREMENTS = 30.0  # increments the prior is worth at each lag
STILL_MPS = 0.5
STILL_S = 3.0


@dataclass(frozen=True, eq=False)
class SlowError(Frozen):
    """The slow error of one axis as a mixture of Ornstein-Uhlenbeck processes [1].

    `times_s` (k,) are their correlation times [s]; `shared_var` and `own_var` (k,) their
    variances [m²], of what all units of a place share and of what each unit has to itself.

    [1] G. E. Uhlenbeck, L. S. Ornstein, Physical Review 36 (1930).
    """

    times_s: Floats
    shared_var: Floats
    own_var: Floats

    def shared(self, a: Floats, b: Floats) -> Floats:
        """Covariance (n, m) [m²] of the shared error at times `a` (n,) and `b` (m,)."""
        return _kernel(a, b, self.times_s, self.shared_var)

    def own(self, a: Floats, b: Floats) -> Floats:
        """Covariance (n, m) [m²] of one unit's own error at times `a` (n,) and `b` (m,)."""
        return _kernel(a, b, self.times_s, self.own_var)


def usual_slow_error() -> SlowError:
    """The mixture of receivers of which nothing is known yet."""
    return SlowError(
        np.r_[CORRELATION_TIMES_S, LEVEL_TIME_S],
        np.r_[PRIOR_SHARED, LEVEL_SHARED],
        np.r_[PRIOR_OWN, LEVEL_OWN],
    )


def _kernel(a: Floats, b: Floats, times: Floats, variances: Floats) -> Floats:
    apart = np.abs(a[:, None] - b[None, :])
    out = np.zeros_like(apart)
    for time, variance in zip(times, variances, strict=True):
        if variance > 0:
            out += variance * np.exp(-apart / time)
    return out


def still(t_s: Floats, speed_mps: Floats) -> Floats:
    """The number of the stand that each fix belongs to, (n,) as floats.

    NaN where the runner moves or the stand is shorter than STILL_S.
    """
    slow = np.nan_to_num(speed_mps, nan=9.0) < STILL_MPS
    out = np.full(len(t_s), np.nan)
    if not slow.any():
        return out
    change = np.flatnonzero(np.diff(np.r_[False, slow, False].astype(np.int8)))
    number = 0
    for begin, end in change.reshape(-1, 2):
        if t_s[end - 1] - t_s[begin] >= STILL_S:
            out[begin:end] = number
            number += 1
    return out


def per_second(t_s: Floats, xy_m: Floats, stand: Floats) -> tuple[Floats, Floats, Floats]:
    """The means over whole seconds within each stand: times (m,), places (m, 2), stand (m,).

    `xy_m` (n, 2) are places in metres, `stand` (n,) as `still` gives it.
    """
    keep = np.isfinite(stand) & np.isfinite(xy_m[:, 0])
    second = np.floor(t_s[keep])
    key = stand[keep] * 1e7 + (second - (second.min() if len(second) else 0.0))
    _, first, where, count = np.unique(
        key, return_index=True, return_inverse=True, return_counts=True
    )
    places = np.stack(
        [np.bincount(where, xy_m[keep, i], len(first)) / np.maximum(count, 1) for i in (0, 1)], 1
    )
    # Where several fixes fall into a second its mean stands for the second's middle, not for
    # the first fix; a lone fix for itself.
    times = np.bincount(where, t_s[keep], len(first)) / np.maximum(count, 1)
    return times, places, stand[keep][first]


def fit_slow_error(
    stands: Mapping[str, tuple[Floats, Floats, Floats]],
) -> SlowError:
    """Fit the mixture to the stands' variograms, with variances that are not negative.

    `stands` holds by runner what `per_second` gives. A variogram is half the mean square of
    the increments over a lag [1]; what two units' increments have in common is shared.

    [1] G. Matheron, Economic Geology 58 (1963), principles of geostatistics.
    """
    tables = {
        name: (np.floor(times), places, number)
        for name, (times, places, number) in stands.items()
        if len(times)
    }
    names = list(tables)
    total_sum, total_n = np.zeros(len(LAGS_S)), np.zeros(len(LAGS_S))
    shared_sum, shared_n = np.zeros(len(LAGS_S)), np.zeros(len(LAGS_S))
    for column, lag in enumerate(LAGS_S):
        moves = {name: _increments(tables[name], int(lag)) for name in names}
        for name in names:
            seconds, step = moves[name]
            total_sum[column] += 0.5 * (step**2).sum() / 2
            total_n[column] += len(seconds)
        products, pairs = _between_pairs([moves[name] for name in names])
        shared_sum[column] += 0.5 * products / 2
        shared_n[column] += pairs
    growth = 1 - np.exp(-LAGS_S[:, None] / CORRELATION_TIMES_S)
    shared = _mixture(growth, shared_sum, shared_n, growth @ PRIOR_SHARED, PRIOR_SHARED)
    rest = total_sum - np.where(total_n > 0, total_n, 0.0) * (growth @ shared)
    own = _mixture(growth, rest, total_n, growth @ PRIOR_OWN, PRIOR_OWN)
    return SlowError(
        np.r_[CORRELATION_TIMES_S, LEVEL_TIME_S], np.r_[shared, LEVEL_SHARED], np.r_[own, LEVEL_OWN]
    )


def _between_pairs(moves: Sequence[tuple[Floats, Floats]]) -> tuple[float, int]:
    """Sum of the products of moves (m, 2) of any two units in the same second, and how many
    pairs those are: of a second's moves, half of the square of their sum less their squares."""
    if not moves:
        return 0.0, 0
    seconds = np.concatenate([one[0] for one in moves])
    steps = np.concatenate([one[1] for one in moves])
    _, which = np.unique(seconds, return_inverse=True)
    count = np.bincount(which)
    total = 0.0
    for axis in (0, 1):
        together = np.bincount(which, steps[:, axis])
        squares = np.bincount(which, steps[:, axis] ** 2)
        total += float((together**2 - squares).sum()) / 2
    return total, int((count * (count - 1)).sum()) // 2


def _increments(table: tuple[Floats, Floats, Floats], lag: int) -> tuple[Floats, Floats]:
    """Seconds (m,) and moves (m, 2) [m] over `lag` seconds within one stand, wild ones clipped."""
    seconds, places, stand = table
    _, here, there = np.intersect1d(seconds + lag, seconds, return_indices=True)
    same = stand[here] == stand[there]
    here, there = here[same], there[same]
    step = places[there] - places[here]
    if len(step) > 8:
        bound = 4 * 1.4826 * np.median(np.abs(step), axis=0) + 1e-6
        step = np.clip(step, -bound, bound)
    return seconds[here], step


def _mixture(
    growth: Floats, sums: Floats, counts: Floats, prior_curve: Floats, prior: Floats
) -> Floats:
    """Variances (k,) of the mixture from the session's variogram and the prior's together.

    Increments over a lag overlap, so they are worth about 1/lag of their number.
    """
    worth = counts / np.maximum(LAGS_S, 3.0)
    mean = sums / np.maximum(counts, 1)
    target = (worth * mean + PRIOR_INCREMENTS * 0.1 * prior_curve) / (
        worth + PRIOR_INCREMENTS * 0.1
    )
    # A variogram's error is proportional to its height.
    weight = np.sqrt(worth + PRIOR_INCREMENTS * 0.1) / np.maximum(np.abs(target), 0.005)
    anchor = 0.3 * np.diag(1 / np.maximum(prior, 0.02))  # keep the parts lags cannot tell apart
    rows = np.vstack([growth * weight[:, None], anchor])
    return np.asarray(nnls(rows, np.r_[target * weight, anchor @ prior])[0])


def at_rest(speed_mps: Floats, stand: Floats) -> tuple[float, float]:
    """Root mean square and spread [m/s] of the speeds that a unit shows at rest."""
    shown = speed_mps[np.isfinite(stand) & np.isfinite(speed_mps)]
    if len(shown) < 10:
        return 0.1, 0.1
    inner = shown[shown <= np.quantile(shown, 0.95)]
    return float(np.sqrt(np.mean(inner**2))) + 0.01, max(float(np.std(inner)) * 1.2, 0.04)
