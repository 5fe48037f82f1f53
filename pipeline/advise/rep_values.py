"""What the two runners of one takeover did, and what they usually do, as draws.

The pair's means are drawn with their estimation errors. A takeover's own values are then drawn
given those means, the spread from rep to rep and what was measured of it: a figure that was
measured badly stays near what the runner usually does, one that was not measured is as uncertain
as the runner is unsteady. A share of the reps are blunders, as in `hierarchy`.

All draws come in mirrored halves, so that means are steady with few of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from pipeline.advise import hierarchy, laws
from pipeline.advise.runners import EASE_WAIT, EasingHabit, Squad
from pipeline.advise.takeovers import Evidence, Reps
from pipeline.base.values import Floats, Frozen

DRAWS = 32
STAND_SD_M = 0.08  # the receiver's trunk on the lane's axis while he stands
_WIDTHS = {"start": 3, "push": 1, "lag": 1, "cost": 1, "entry": 3, "reach": 1, "look": 1}


@dataclass(frozen=True, slots=True)
class TakeoverRow:
    """What the table `exchanges` says of one takeover; NaN where it says nothing."""

    session: str
    exchange: int
    outcome: str
    faults: tuple[str, ...]
    mark_t_sd_s: float
    go_t_s: float
    go_t_sd_s: float
    go_lag_s: float
    zone_time_s: float
    zone_time_sd_s: float
    pass_t_s: float
    pass_m: float
    pass_sd_m: float
    p_in_zone: float


@dataclass(frozen=True, eq=False)
class TakeoverValues(Frozen):
    """(D,) draws of what decides a takeover; `start` V, tau, launch and `entry` speed, gain, fade
    are (D, 3).

    `mark_m`: the tape, metres before the back line; `look_m`: in a change by sight, how much later
    than at the mark the receiver set off, in metres of the other's run; `stand_m`: where the
    receiver stood past the back line; `cost_s`: what the receiver's run to the exit line takes
    beyond the law of the start; `eases`: whether a receiver who gets no baton slows for it (1), or
    not (0).
    """

    mark_m: float
    stand_m: Floats
    lag_s: Floats
    look_m: Floats
    entry: Floats
    start: Floats
    push_mps: Floats
    cost_s: Floats
    reach_m: Floats
    eases: Floats


@dataclass(frozen=True, eq=False)
class PairDraws(Frozen):
    """What a pair usually does at its best mark, and the random numbers for its takeovers: `z`
    (D, width) standard normal by name, `u` (D, 2) uniform."""

    usual: TakeoverValues
    z: Mapping[str, Floats]
    u: Floats


def draw_pair(squad: Squad, i: int, j: int, mark_m: float, stand_m: float, seed: int) -> PairDraws:
    """The usual takeover of runner `i` to runner `j` (by number) on a mark and a stand."""
    rng = np.random.default_rng([seed, i, j, 0xCA])

    def normal(width: int) -> Floats:
        half = rng.standard_normal((DRAWS // 2, width))
        return np.concatenate([half, -half])

    def mean(effects: hierarchy.Effects, who: int) -> Floats:
        cov = effects.cov[who] + 1e-12 * np.eye(effects.mean.shape[1])
        root = np.linalg.cholesky(cov)
        return np.asarray(effects.mean[who] + normal(len(cov)) @ root.T, dtype=np.float64)

    reach = squad.reach.share[i] + squad.reach.share[j] + squad.reach.pair[i, j]
    both = np.ix_([i, j], [i, j])
    reach_var = squad.reach.cov[both].sum() + squad.reach.pair_sd[i, j] ** 2
    usual = TakeoverValues(
        mark_m=mark_m,
        stand_m=np.full(DRAWS, stand_m),
        lag_s=mean(squad.lag, j)[:, 0],
        look_m=np.zeros(DRAWS),
        entry=mean(squad.entry, i),
        start=mean(squad.start, j),
        push_mps=mean(squad.push, j)[:, 0],
        cost_s=mean(squad.cost, j)[:, 0],
        reach_m=reach + np.sqrt(max(reach_var, 0.0)) * normal(1)[:, 0],
        eases=np.full(DRAWS, np.nan),
    )
    measured = {f"{name} error": width for name, width in _WIDTHS.items()}
    more = {"go": 1, "mark": 1, "zone time": 1, "stand": 1, "pass": 1, "hand": 1}
    z = {name: normal(width) for name, width in {**_WIDTHS, **measured, **more}.items()}
    even = (np.arange(DRAWS) + 0.5) / DRAWS
    return PairDraws(usual, z, np.stack([rng.permutation(even), rng.permutation(even)], axis=1))


def draw_takeover(
    squad: Squad, k: int, row: TakeoverRow, pair: PairDraws, back_m: float
) -> TakeoverValues:
    """The values of rep number `k` of the squad, whose row of `exchanges` is `row`."""
    reps, z = squad.reps, pair.z
    i, j = int(reps.incoming[k]), int(reps.outgoing[k])
    usual = pair.usual

    def own(
        name: str, effects: hierarchy.Effects, who: int, matter: Evidence, means: Floats
    ) -> Floats:
        at = Evidence(matter.information[k : k + 1], matter.weighted[k : k + 1])
        return _draw_rep(effects, who, at, means, z[name], z[f"{name} error"], pair.u[:, 0])

    entry = own("entry", squad.entry, i, reps.entry, usual.entry)
    entry[:, 0] = np.clip(entry[:, 0], 3.0, 14.0)
    start = own("start", squad.start, j, reps.start, usual.start)
    start = np.clip(start, [3.0, 0.4, -0.5], [14.0, 3.5, 0.6])
    stand = reps.stand_m[k] + STAND_SD_M * z["stand"][:, 0]
    if not np.isfinite(reps.stand_m[k]):
        stand = usual.stand_m
    go = row.go_t_s + row.go_t_sd_s * z["go"][:, 0]
    mark_m, lag, look = usual.mark_m, usual.lag_s, usual.look_m
    if reps.blind:
        if np.isfinite(reps.mark_m[k]):
            mark_m = float(reps.mark_m[k])
        lag = _draw_lag(squad, j, row, pair, go, arrival_s(back_m - mark_m, entry))
    elif np.isfinite(row.go_t_s):
        # where the other was at the first movement, against where he is on the best mark
        look = place_m(go, entry) - (back_m - usual.mark_m)
    else:
        spread = squad.look.spread[j, 0]
        look = spread * z["look"][:, 0]
    return TakeoverValues(
        mark_m=mark_m,
        stand_m=stand,
        lag_s=lag,
        look_m=look,
        entry=entry,
        start=start,
        push_mps=own("push", squad.push, j, reps.push, usual.push_mps[:, None])[:, 0],
        cost_s=own("cost", squad.cost, j, reps.cost, usual.cost_s[:, None])[:, 0],
        reach_m=_draw_reach(squad, k, pair),
        eases=_draw_easing(squad.easing, reps, k, pair.u[:, 1]),
    )


# --- draws --------------------------------------------------------------------------------


def _draw_rep(
    effects: hierarchy.Effects, who: int, measured: Evidence, means: Floats, z: Floats,
    z_error: Floats, u: Floats,
) -> Floats:  # fmt: skip
    """(D, p) a rep's own values given the runner's means (D, p) and what was measured of it (one
    row). A value is drawn as the runner would have it, then drawn towards the measurement, itself
    disturbed by its error: together they have the spread of what is not known."""
    a, b = measured.information[0], measured.weighted[0]
    within = effects.scale[who] * effects.within
    chance = _blunder_chance(a, b, effects.mean[who], within, effects.blunders)
    noise = _square_root(a) @ z_error.T
    out = np.empty_like(means)
    for factor, rows in ((1.0, u >= chance), (hierarchy.BLUNDER**2, u < chance)):
        x = means[rows] + np.sqrt(factor) * z[rows] @ np.linalg.cholesky(within).T
        inner = np.linalg.inv(a + np.linalg.inv(factor * within))
        out[rows] = x + (b + noise.T[rows] - x @ a) @ inner
    return out


def _blunder_chance(a: Floats, b: Floats, mean: Floats, within: Floats, share: float) -> float:
    """The chance that a rep was a blunder, given its measurement in information form."""
    if share <= 0.0:
        return 0.0
    off, logs = b - a @ mean, []
    for factor in (1.0, hierarchy.BLUNDER**2):
        wide = factor * within
        inner = np.linalg.inv(a + np.linalg.inv(wide))
        _, size = np.linalg.slogdet(np.eye(len(b)) + wide @ a)
        logs.append(0.5 * (off @ inner @ off - size))
    return float(expit(logs[1] - logs[0] + np.log(share / (1.0 - share))))


def _square_root(a: Floats) -> Floats:
    """A matrix whose product with its own transpose is `a`, which may be singular."""
    values, vectors = np.linalg.eigh(0.5 * (a + a.T))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def _draw_reach(squad: Squad, k: int, pair: PairDraws) -> Floats:
    """(D,) the trunks' distance at the pass."""
    info = float(squad.reps.reach.information[k, 0, 0])
    x = pair.usual.reach_m + squad.reach.rep_sd_m * pair.z["reach"][:, 0]
    load = squad.reps.reach.weighted[k, 0] + np.sqrt(info) * pair.z["reach error"][:, 0]
    return np.asarray(x + (load - info * x) / (info + squad.reach.rep_sd_m**-2))


def _draw_lag(
    squad: Squad, j: int, row: TakeoverRow, pair: PairDraws, go: Floats, hit: Floats
) -> Floats:
    """(D,) first movement less mark. It was measured as such where the mark was; else it follows
    from the moment of the first movement and the run from the mark to the entry line."""
    seen = go - hit  # (D,) by way of the incoming runner's law
    sd = 0.02
    if np.isfinite(row.go_lag_s) and np.isfinite(row.mark_t_sd_s):
        sd = max(row.mark_t_sd_s, 1e-3)
        seen = row.go_lag_s + (go - row.go_t_s) + sd * pair.z["mark"][:, 0]
    elif not np.isfinite(row.go_t_s):
        seen, sd = np.zeros(DRAWS), np.inf
    error = float(np.hypot(np.nan_to_num(row.go_t_sd_s), sd))
    within = float(squad.lag.scale[j] * squad.lag.within[0, 0])
    usual, z = pair.usual.lag_s, pair.z["lag"][:, 0]
    a = np.array([[error**-2]])
    chance = _blunder_chance(
        a, a[0] * float(np.mean(seen)), squad.lag.mean[j], np.array([[within]]), squad.lag.blunders
    )
    var = np.where(pair.u[:, 0] < chance, hierarchy.BLUNDER**2 * within, within)
    x = usual + np.sqrt(var) * z
    return np.asarray(x + (seen - x) * var / (var + error**2))


def _draw_easing(habit: EasingHabit, reps: Reps, k: int, u: Floats) -> Floats:
    """(D,) 1 where the receiver of rep `k` slows for a baton that does not come. Who had it before
    that question came up may be one or the other."""
    if np.isfinite(reps.eased_from[k]):
        return np.ones(DRAWS)
    if reps.waited_to[k] > habit.start.value + EASE_WAIT:
        return np.zeros(DRAWS)
    return (u < habit.share).astype(np.float64)


def own_easing(habit: EasingHabit, reps: Reps, k: int) -> tuple[float, float]:
    """Where rep `k`'s receiver eased and the share of the speed given up, as far as that was
    measured; as usual otherwise."""
    start, by = reps.eased_from[k], reps.eased_by[k]
    return (
        float(start) if np.isfinite(start) else habit.start.value,
        float(np.clip(by, 0.0, 0.5)) if np.isfinite(by) else habit.by.value,
    )


def arrival_s(s_m: Floats | float, entry: Floats) -> Floats:
    """(D,) when the incoming runner is at `s_m`, from the crossing of the entry line; `entry`
    (D, 3)."""
    v, gain, fade = entry.T
    return laws.constant_pull_s(s_m, v, np.where(np.asarray(s_m) < 0.0, gain, -fade))


def place_m(t_s: Floats, entry: Floats) -> Floats:
    """(D,) where the incoming runner is `t_s` after the crossing of the entry line."""
    v, gain, fade = entry.T
    return np.asarray(v * t_s + 0.5 * np.where(t_s < 0.0, gain, -fade) * t_s**2)
