"""When does an incoming runner begin to slow? A change point of the speed.

Before it the speed is a Gaussian process (level, slope, random walk); after it comes a ramp whose
steepness may itself change. Both are Markov, so a filter forwards over the speeds before the
change and one backwards over those after it give the likelihood of every moment [1]: the cost
grows with the number of speeds, for many runners at once.

[1] Fraser and Potter, The optimum linear smoother as a combination of two optimum linear filters,
IEEE Transactions on Automatic Control, 1969, from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.base.values import Estimate, Floats, Frozen, Ints

EASE_MPS2 = Estimate(2.5, 1.5)  # how an incoming runner slows once the baton is gone
BRAKING_CHANGE = 3.0  # m/s² in one second: the braking itself changes, smooth in the speed
EASING_GRID_S = 0.05
LEVEL_SD_MPS, SLOPE_SD_MPS2, WALK_MPS = 10.0, 0.6**0.5, 0.3  # the last in one second
EASING_BEFORE_S, EASING_AFTER_S = 1.2, 1.0  # so far beside the moments looked at speeds are used
SLOWED_DOWN = 0.62  # of the level: what comes later says nothing of how it began


@dataclass(frozen=True, eq=False)
class SpeedsToEase(Frozen):
    """Speeds of one runner in which an easing is sought, `from_s` to `to_s`.

    `t_s` (n,) moments in s with the receiver's delay taken out, `speed_mps` (n,) speeds in m/s,
    NaN where there is none, `noise_mps` the standard deviation of one speed.
    """

    t_s: Floats
    speed_mps: Floats
    noise_mps: float
    from_s: float
    to_s: float


@dataclass(frozen=True, eq=False)
class EasingLikelihood(Frozen):
    """Log-likelihood (k,) of the moment `t_s` (k,) at which the incoming runner starts to ease."""

    t_s: Floats
    log_likelihood: Floats


def find_easings(runs: Sequence[SpeedsToEase]) -> list[EasingLikelihood]:
    """Find when each of the runners begins to slow: the likelihood of moments 0.05 s apart.

    With fewer than three speeds all moments are equally likely. Range: sprinting speeds, 1 to
    25 Hz; only what comes before the speed falls to 0.62 of its level is used.
    """
    grids = [np.arange(run.from_s, run.to_s, EASING_GRID_S) for run in runs]
    used = [_usable_speeds(run) for run in runs]
    enough = [i for i, (t, _) in enumerate(used) if len(t) >= 3 and len(grids[i])]
    out = [EasingLikelihood(grid, np.zeros(len(grid))) for grid in grids]
    if not enough:
        return out
    table = _tabulate([used[i] for i in enough], np.array([runs[i].noise_mps for i in enough]))
    steady, slowing = _filter_steady(table), _filter_slowing(table)
    for row, i in enumerate(enough):
        value = _join_at(table, steady, slowing, row, grids[i] - used[i][0][0])
        out[i] = EasingLikelihood(grids[i], value - value.max())
    return out


def _usable_speeds(run: SpeedsToEase) -> tuple[Floats, Floats]:
    """Moments and speeds less their level."""
    near = (run.t_s > run.from_s - EASING_BEFORE_S) & (run.t_s < run.to_s + EASING_AFTER_S)
    near &= np.isfinite(run.speed_mps)
    t, y = run.t_s[near], run.speed_mps[near]
    if len(t) < 3:
        return t, y
    level = np.median(y[: max(3, len(y) // 3)])
    slow = np.flatnonzero(y < SLOWED_DOWN * level)
    if len(slow) and slow[0] >= 3:
        t, y = t[: slow[0]], y[: slow[0]]
    return t, y - level


class _SpeedTable(NamedTuple):
    """Speeds (b, n) of b runners, less their level, in s from the first; `number` (b,) of each."""

    t_s: Floats
    off_mps: Floats
    precision: Floats  # nought beyond the last
    number: Ints
    middle_s: Floats  # about it the slope turns


def _tabulate(used: Sequence[tuple[Floats, Floats]], noise_mps: Floats) -> _SpeedTable:
    number = np.array([len(t) for t, _ in used])
    shape = (len(used), int(number.max()))
    t_s, off, precision = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for i, (t, y) in enumerate(used):
        t_s[i], off[i, : len(t)] = t[-1] - t[0], y
        t_s[i, : len(t)] = t - t[0]
        precision[i, : len(t)] = noise_mps[i] ** -2
    middle = np.array([float(np.mean(t - t[0])) for t, _ in used])
    return _SpeedTable(t_s, off, precision, number, middle)


class _Steady(NamedTuple):
    """What the speeds before a moment say, without an easing: speed and slope after each of them
    (b, n + 1, 2), their covariance (b, n + 1, 2, 2), and the log-likelihood (b, n + 1)."""

    mean: Floats
    cov: Floats
    log_likelihood: Floats


def _filter_steady(table: _SpeedTable) -> _Steady:
    b, n = table.t_s.shape
    mean, cov = np.zeros((b, n + 1, 2)), np.zeros((b, n + 1, 2, 2))
    log_likelihood = np.zeros((b, n + 1))
    speed, slope = np.zeros(b), np.zeros(b)
    slope_var = np.full(b, SLOPE_SD_MPS2**2)
    both = -slope_var * table.middle_s
    speed_var = LEVEL_SD_MPS**2 + slope_var * table.middle_s**2
    total = np.zeros(b)
    steps = np.diff(table.t_s, axis=1, prepend=0.0)
    cov[:, 0] = np.stack([speed_var, both, both, slope_var], axis=1).reshape(b, 2, 2)
    for k in range(n):
        dt, weight = steps[:, k], table.precision[:, k]
        speed = speed + slope * dt
        speed_var = speed_var + dt * (2 * both + slope_var * dt + WALK_MPS**2)
        both = both + slope_var * dt
        spread = 1 + weight * speed_var  # in units of the noise
        error = table.off_mps[:, k] - speed
        total = total - 0.5 * (weight * error**2 / spread + np.log(spread) - _log(weight))
        gain = weight / spread
        speed, slope = speed + speed_var * gain * error, slope + both * gain * error
        slope_var = slope_var - both**2 * gain
        both, speed_var = both / spread, speed_var / spread
        mean[:, k + 1] = np.stack([speed, slope], axis=1)
        cov[:, k + 1] = np.stack([speed_var, both, both, slope_var], axis=1).reshape(b, 2, 2)
        log_likelihood[:, k + 1] = total
    return _Steady(mean, cov, log_likelihood)


def _log(weight: Floats) -> Floats:
    return np.log(np.where(weight > 0, weight, 1.0))


class _Slowing(NamedTuple):
    """What each speed and those after it say of speed, slope and braking at its moment: likelihood
    exp(level + vector . state - state . information . state / 2), (b, n, ...)."""

    information: Floats
    vector: Floats
    level: Floats


def _filter_slowing(table: _SpeedTable) -> _Slowing:
    b, n = table.t_s.shape
    out = _Slowing(np.zeros((b, n, 3, 3)), np.zeros((b, n, 3)), np.zeros((b, n)))
    information, vector, level = np.zeros((b, 3, 3)), np.zeros((b, 3)), np.zeros(b)
    steps = np.diff(table.t_s, axis=1, append=table.t_s[:, -1:])
    move, noise = _braking_steps(steps)
    one = np.eye(3)
    for k in range(n - 1, -1, -1):
        both = one + information @ noise[:, k]
        right = np.concatenate([information, vector[:, :, None]], axis=2)
        solved = np.linalg.solve(both, right)
        carried = np.einsum("bi,bij,bj->b", vector, noise[:, k], solved[:, :, 3])
        level = level + 0.5 * (carried - np.log(np.linalg.det(both)))
        back = move[:, k].swapaxes(1, 2)
        information = back @ solved[:, :, :3] @ move[:, k]
        vector = (back @ solved[:, :, 3:])[:, :, 0]
        weight, off = table.precision[:, k], table.off_mps[:, k]
        information[:, 0, 0] += weight
        vector[:, 0] += weight * off
        level = level - 0.5 * (weight * off**2 - _log(weight))
        out.information[:, k], out.vector[:, k], out.level[:, k] = information, vector, level
    return out


def _braking_steps(dt: Floats) -> tuple[Floats, Floats]:
    """How speed, slope and braking move over `dt` (...) in s: matrices and covariances of what is
    new, (..., 3, 3)."""
    move, noise = np.zeros((*dt.shape, 3, 3)), np.zeros((*dt.shape, 3, 3))
    move[...] = np.eye(3)
    move[..., 0, 1], move[..., 0, 2] = dt, -dt
    noise[..., 0, 0] = WALK_MPS**2 * dt + BRAKING_CHANGE**2 * dt**3 / 3
    noise[..., 0, 2] = noise[..., 2, 0] = -(BRAKING_CHANGE**2) * dt**2 / 2
    noise[..., 2, 2] = BRAKING_CHANGE**2 * dt
    return move, noise


def _join_at(
    table: _SpeedTable, steady: _Steady, slowing: _Slowing, row: int, moments_s: Floats
) -> Floats:
    """Log-likelihood (k,) of a change at each moment (k,): speeds before it, speeds after it."""
    n = int(table.number[row])
    t = table.t_s[row, :n]
    before = np.searchsorted(t, moments_s, side="right")
    value: Floats = steady.log_likelihood[row][before]
    here = np.flatnonzero(before < n)
    m = before[here]
    braked = t[m] - moments_s[here]
    steps = np.where(m > 0, t[m] - t[np.maximum(m - 1, 0)], 0.0)
    mean, cov = steady.mean[row][m], steady.cov[row][m]
    state = np.stack(
        [
            mean[:, 0] + mean[:, 1] * steps - EASE_MPS2.value * braked,
            mean[:, 1],
            np.full(len(m), EASE_MPS2.value),
        ],
        axis=1,
    )
    spread = np.zeros((len(m), 3, 3))
    ease = EASE_MPS2.sd**2
    spread[:, 0, 0] = (
        cov[:, 0, 0]
        + steps * (2 * cov[:, 0, 1] + steps * cov[:, 1, 1] + WALK_MPS**2)
        + braked**2 * (ease + BRAKING_CHANGE**2 * braked / 3)
    )
    spread[:, 0, 1] = spread[:, 1, 0] = cov[:, 0, 1] + cov[:, 1, 1] * steps
    spread[:, 1, 1] = cov[:, 1, 1]
    spread[:, 0, 2] = spread[:, 2, 0] = -braked * (ease + BRAKING_CHANGE**2 * braked / 2)
    spread[:, 2, 2] = ease + BRAKING_CHANGE**2 * braked
    information, vector = slowing.information[row][m], slowing.vector[row][m]
    both = np.eye(3) + spread @ information
    pull = vector - np.einsum("kij,kj->ki", information, state)
    gained = np.linalg.solve(both, np.einsum("kij,kj->ki", spread, pull)[:, :, None])[:, :, 0]
    value[here] += (
        slowing.level[row][m]
        - 0.5 * np.log(np.linalg.det(both))
        + np.einsum("ki,ki->k", vector + pull, state) / 2
        + np.einsum("ki,ki->k", pull, gained) / 2
    )
    return value
