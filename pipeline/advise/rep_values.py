"""What the two runners of one takeover did, and what they usually do, as draws.

The pair's means are drawn with their estimation errors. A takeover's own values are then drawn
given those means, the spread from rep to rep and what was measured of it: a figure that was
measured badly stays near what the runner usually does, one that was not measured is as uncertain
as the runner is unsteady. A share of the reps are blunders, as in `hierarchy`.

All draws come in mirrored halves, so that means are steady with few of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from pipeline.advise import hierarchy, laws
from pipeline.advise.runners import EASE_WAIT, EasingHabit, Squad, day_weight
from pipeline.advise.settings import Conditions
from pipeline.advise.takeovers import Reps
from pipeline.base.values import Floats, Frozen

DRAWS = 32
# An incoming runner who slows begins about so long before the pass. With a pass sooner after the
# entry line the moment there is disturbed (first), or the speed measured about it (second).
BRAKED_S = (1.0, 1.5)
HALF_REACH_M = 0.6  # the receiver's trunk past the place of the pass
STAND_SD_M = 0.08  # the receiver's trunk on the lane's axis while he stands
# A receiver's run beyond the law of his start: the arm's cost, and what differs from rep to rep.
PRIOR_OF_RUN = hierarchy.Prior(
    np.array([0.04]), np.array([0.06]), np.array([0.03]), np.array([0.05]), walk=np.array([0.015])
)
# The widths of the random numbers for a takeover, by what they are for.
_WIDTHS = {
    **{"start": 3, "push": 1, "lag": 1, "entry": 3, "reach": 1, "look": 1},
    **{"start error": 3, "push error": 1, "entry error": 3, "reach error": 1},
    **{"mark": 1, "go": 1, "zone time": 1, "stand": 1, "hand": 1, "late": 1},
}


@dataclass(frozen=True, slots=True)
class TakeoverRow:
    """What the table `exchanges` says of one takeover; NaN where it says nothing."""

    session: str
    exchange: int
    outcome: str
    faults: tuple[str, ...]
    mark_t_s: float
    mark_t_sd_s: float
    go_t_s: float
    go_t_sd_s: float
    zone_time_s: float
    zone_time_sd_s: float
    pass_t_s: float
    pass_m: float
    pass_sd_m: float
    p_in_zone: float

    @property
    def slowed(self) -> bool:
        """Whether the incoming runner slowed for a receiver in the way."""
        return "incoming slowed" in self.faults or "ran into" in self.faults

    @property
    def braked_at_entry(self) -> bool:
        """Whether that was already so at the entry line, from which all times count."""
        return self.slowed and self.pass_t_s < BRAKED_S[0]


@dataclass(frozen=True, eq=False)
class TakeoverValues(Frozen):
    """(D,) draws of what decides a takeover; `start` V, tau, launch and `entry` speed, gain, fade
    are (D, 3).

    `mark_m`: the tape, metres before the back line; `look_m`: in a change by sight, how much later
    than at the mark the receiver set off, in metres of the other's run; `stand_m`: where the
    receiver stood past the back line; `cost_s`: what the receiver's run to the exit line takes
    beyond the law of the start; `eases`: how likely a receiver who gets no baton slows for it,
    `ease_from` where, as a share of the zone, and `ease_by` which share of the speed is given up.
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
    ease_from: Floats
    ease_by: Floats


@dataclass(frozen=True, eq=False)
class PairDraws(Frozen):
    """What a pair usually does at its best mark, and the random numbers for its takeovers: `z`
    (D, width) standard normal by name, `u` (D, 2) uniform."""

    usual: TakeoverValues
    z: Mapping[str, Floats]
    u: Floats


# --- what is usual ------------------------------------------------------------------------


def estimate_runs(
    squad: Squad, rows: Sequence[TakeoverRow], where: Conditions
) -> hierarchy.Effects:
    """What each receiver's run, from the first movement to the exit line, takes beyond the law of
    his start: known better than the law itself, since it is timed in every takeover."""
    reps = squad.reps
    j = reps.outgoing
    law = run_law_s(
        squad.start.mean[j], squad.after.mean[j, 0], np.array([row.pass_m for row in rows]),
        reps.stand_m, where,
    )  # fmt: skip
    over = np.array([row.zone_time_s - row.go_t_s for row in rows]) - law
    var = np.array([row.zone_time_sd_s**2 + row.go_t_sd_s**2 for row in rows])
    in_zone = (reps.p_in_zone > 0.5) & ~np.isfinite(reps.eased_from)
    known = np.isfinite(over) & np.isfinite(var) & in_zone & (np.abs(over) < 2.0)
    info = np.where(known, 1.0 / np.maximum(var, 1e-6), 0.0)
    return hierarchy.estimate_effects(
        info[:, None, None],
        (info * np.where(known, over, 0.0))[:, None],
        j,
        len(squad.runners),
        PRIOR_OF_RUN,
        day_weight(known, j, reps),
        weeks=reps.age_days / hierarchy.DAYS_A_WEEK,
    )


def run_law_s(
    start: Floats, after: Floats | float, pass_m: Floats | float, stand_m: Floats | float,
    where: Conditions,
) -> Floats:  # fmt: skip
    """(n,) a receiver's run from first movement to exit line by the law of his `start` (n, 3), with
    `after` [m/s] more to tend to from the pass on, `pass_m` past the entry line."""
    top, tau, launch = start.T
    way = np.clip(where.zone_m - where.back_m - np.asarray(stand_m), 1.0, None)
    first = np.clip(
        np.asarray(pass_m) + HALF_REACH_M - where.back_m - np.asarray(stand_m), 0.1, way
    )
    there = laws.seconds_to(first, top, tau, launch)
    v = np.maximum(laws.speed_mps(there, top, tau, launch), 0.3)
    return np.asarray(there + laws.seconds_on(way - first, v, top + after, tau))


def draw_pair(
    squad: Squad, runs: hierarchy.Effects, i: int, j: int, mark_m: float, stand_m: float,
    pass_m: float, where: Conditions, seed: int,
) -> PairDraws:  # fmt: skip
    """The usual takeover of runner `i` to runner `j` (by number) on a mark and a stand, with the
    pass at `pass_m`; `runs` are those of `estimate_runs`."""
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
    start = mean(squad.start, j)
    if squad.reps.blind:
        after = mean(squad.after, j)[:, 0]
        push = start[:, 0] + after
        # The usual run is known better than the law of the start: the law is moved to fit it.
        law = run_law_s(squad.start.mean[[j]], squad.after.mean[j, 0], pass_m, stand_m, where)
        cost = law + mean(runs, j)[:, 0] - run_law_s(start, after, pass_m, stand_m, where)
    else:
        push, cost = mean(squad.push, j)[:, 0], mean(squad.cost, j)[:, 0]
    habit = squad.easing
    share_sd = np.sqrt(habit.share * (1.0 - habit.share) / (habit.share_reps + 1.0))
    usual = TakeoverValues(
        mark_m=mark_m,
        stand_m=np.full(DRAWS, stand_m),
        lag_s=mean(squad.lag, j)[:, 0],
        look_m=np.zeros(DRAWS),
        entry=mean(squad.entry, i),
        start=start,
        push_mps=np.clip(push, 3.0, 14.0),
        cost_s=cost,
        reach_m=reach + np.sqrt(max(reach_var, 0.0)) * normal(1)[:, 0],
        eases=np.clip(habit.share + share_sd * normal(1)[:, 0], 0.0, 1.0),
        ease_from=np.clip(habit.start.value + habit.start.sd * normal(1)[:, 0], 0.2, 1.2),
        ease_by=np.clip(habit.by.value + habit.by.sd * normal(1)[:, 0], 0.0, 0.5),
    )
    z = {name: normal(width) for name, width in _WIDTHS.items()}
    even = (np.arange(DRAWS) + 0.5) / DRAWS
    u = np.stack([rng.permutation(even), rng.permutation(even)], axis=1)
    return PairDraws(usual, z, u)


# --- one takeover's own -------------------------------------------------------------------


def draw_takeover(
    squad: Squad, k: int, row: TakeoverRow, pair: PairDraws, back_m: float
) -> TakeoverValues:
    """The values of rep number `k` of the squad, whose row of `exchanges` is `row`."""
    reps, usual, z = squad.reps, pair.usual, pair.z
    j = int(reps.outgoing[k])
    start, _ = _draw_rep(
        squad.start, j, (reps.start.information[k], reps.start.weighted[k]), usual.start,
        z["start"], z["start error"], pair.u[:, 0],
    )  # fmt: skip
    start = np.clip(start, [3.0, 0.4, -0.5], [14.0, 3.5, 0.6])
    if reps.blind:  # what comes to it after the pass is as usual
        push = start[:, 0] + usual.push_mps - usual.start[:, 0]
    else:
        push, _ = _draw_rep(
            squad.push, j, (reps.push.information[k], reps.push.weighted[k]),
            usual.push_mps[:, None], z["push"], z["push error"], pair.u[:, 0],
        )  # fmt: skip
        push = push[:, 0]
    mark_m = float(reps.mark_m[k]) if reps.blind else np.nan
    entry = _draw_entry(squad, k, row, pair, back_m - mark_m)
    mark_m = mark_m if np.isfinite(mark_m) else usual.mark_m
    lag, look = usual.lag_s, usual.look_m
    go = row.go_t_s + row.go_t_sd_s * z["go"][:, 0]
    if reps.blind:
        hit = arrival_s(back_m - mark_m, entry)
        if row.braked_at_entry and np.isfinite(row.mark_t_s + row.mark_t_sd_s):
            hit = row.mark_t_s + row.mark_t_sd_s * z["mark"][:, 0]
        lag = _draw_lag(squad, j, row, pair, go - hit)
    elif np.isfinite(row.go_t_s):
        # where the other was at the first movement, against where he is on the best mark
        look = place_m(go, entry) - (back_m - usual.mark_m)
    else:
        look = squad.look.spread[j, 0] * z["look"][:, 0]
    stand = float(reps.stand_m[k])
    return TakeoverValues(
        mark_m=mark_m,
        stand_m=stand + STAND_SD_M * z["stand"][:, 0] if np.isfinite(stand) else usual.stand_m,
        lag_s=lag,
        look_m=look,
        entry=entry,
        start=start,
        push_mps=np.clip(push, 3.0, 14.0),
        cost_s=usual.cost_s,
        reach_m=_draw_reach(squad, k, pair),
        eases=_draw_easing(squad.easing, reps, k, pair.u[:, 1]),
        ease_from=_measured_or(reps.eased_from[k], usual.ease_from),
        ease_by=np.clip(_measured_or(reps.eased_by[k], usual.ease_by), 0.0, 0.5),
    )


def _measured_or(value: float, usual: Floats) -> Floats:
    return np.full(DRAWS, value) if np.isfinite(value) else usual


def _draw_rep(
    effects: hierarchy.Effects, who: int, measured: tuple[Floats, Floats], means: Floats,
    z: Floats, z_error: Floats, u: Floats,
) -> tuple[Floats, Floats]:  # fmt: skip
    """(D, p) a rep's own values given the runner's means (D, p) and what was measured of it, in
    information form; and (D, p, p) their covariance given the means.

    A value is drawn as the runner would have it, then drawn towards the measurement, itself
    disturbed by its error: together they have the spread of what is not known.
    """
    a, b = measured
    within = effects.scale[who] * effects.within
    chance = _blunder_chance(a, b, effects.mean[who], within, effects.blunders)
    noise = z_error @ _square_root(a).T
    out, cov = np.empty_like(means), np.empty((*means.shape, means.shape[1]))
    for factor, rows in ((1.0, u >= chance), (hierarchy.BLUNDER**2, u < chance)):
        x = means[rows] + np.sqrt(factor) * z[rows] @ np.linalg.cholesky(within).T
        inner = np.linalg.inv(a + np.linalg.inv(factor * within))
        out[rows] = x + (b + noise[rows] - x @ a) @ inner
        cov[rows] = inner
    return out, cov


def _blunder_chance(a: Floats, b: Floats, mean: Floats, within: Floats, share: float) -> float:
    """The chance that a rep was a blunder, given its measurement in information form; 0 where
    nothing was measured."""
    if share <= 0.0 or not np.trace(a) > 0.0:
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


def _draw_entry(
    squad: Squad, k: int, row: TakeoverRow, pair: PairDraws, mark_at_m: float
) -> Floats:
    """(D, 3) the incoming runner's speed at the entry line, gain before it and fade after it. The
    moment at which the mark, at `mark_at_m`, was passed says most of the run from there."""
    i, matter, z = int(squad.reps.incoming[k]), squad.reps.entry, pair.z
    entry, cov = _draw_rep(
        squad.entry, i, _undisturbed(matter.information[k], matter.weighted[k], row),
        pair.usual.entry, z["entry"], z["entry error"], pair.u[:, 0],
    )  # fmt: skip
    sd = max(row.mark_t_sd_s, 1e-3)
    if np.isfinite(mark_at_m + row.mark_t_s + sd) and not row.braked_at_entry:
        here, step = arrival_s(mark_at_m, entry), 1e-4
        moved = [arrival_s(mark_at_m, entry + step * unit) for unit in np.eye(3)]
        slope = np.stack([(one - here) / step for one in moved], axis=1)
        gain = np.einsum("dab,db->da", cov, slope)
        wide = np.einsum("da,da->d", slope, gain) + sd**2
        hit = row.mark_t_s + sd * z["mark"][:, 0]
        entry = entry + gain * ((hit - here) / wide)[:, None]
    return np.clip(entry, [3.0, -1.0, -0.5], [14.0, 2.0, 1.5])


def _undisturbed(a: Floats, b: Floats, row: TakeoverRow) -> tuple[Floats, Floats]:
    """What was measured of the incoming runner's speed, as far as it was his own choice: who slows
    for a receiver in the way shows no fade, and none of his speed where that was at the entry."""
    if not row.slowed:
        return a, b
    if row.pass_t_s < BRAKED_S[1] or not a[2, 2] > 0.0:
        return (np.zeros_like(a), np.zeros_like(b)) if row.pass_t_s < BRAKED_S[1] else (a, b)
    share = a[:, 2] / a[2, 2]
    a, b = a - np.outer(share, a[2]), b - share * b[2]
    a[2, :], a[:, 2], b[2] = 0.0, 0.0, 0.0
    return a, b


def _draw_lag(squad: Squad, j: int, row: TakeoverRow, pair: PairDraws, seen: Floats) -> Floats:
    """(D,) first movement less mark; `seen` (D,) as measured, its errors drawn."""
    within = float(squad.lag.scale[j] * squad.lag.within[0, 0])
    x = pair.usual.lag_s + np.sqrt(within) * pair.z["lag"][:, 0]
    if not np.isfinite(row.go_t_s):
        return np.asarray(x)
    error = max(float(np.nan_to_num(row.go_t_sd_s)), 2e-3)
    info = np.array([[error**-2]])
    chance = _blunder_chance(
        info, info[0] * float(np.mean(seen)), squad.lag.mean[j], np.array([[within]]),
        squad.lag.blunders,
    )  # fmt: skip
    var = np.where(pair.u[:, 0] < chance, hierarchy.BLUNDER**2 * within, within)
    x = pair.usual.lag_s + np.sqrt(var) * pair.z["lag"][:, 0]
    return np.asarray(x + (seen - x) * var / (var + error**2))


def _draw_reach(squad: Squad, k: int, pair: PairDraws) -> Floats:
    """(D,) the trunks' distance at the pass."""
    info = float(squad.reps.reach.information[k, 0, 0])
    x = pair.usual.reach_m + squad.reach.rep_sd_m * pair.z["reach"][:, 0]
    load = squad.reps.reach.weighted[k, 0] + np.sqrt(info) * pair.z["reach error"][:, 0]
    return np.asarray(x + (load - info * x) / (info + squad.reach.rep_sd_m**-2))


def _draw_easing(habit: EasingHabit, reps: Reps, k: int, u: Floats) -> Floats:
    """(D,) 1 where the receiver of rep `k` slows for a baton that does not come. Who had it before
    that question came up may be one or the other."""
    if np.isfinite(reps.eased_from[k]):
        return np.ones(DRAWS)
    if reps.waited_to[k] > habit.start.value + EASE_WAIT:
        return np.zeros(DRAWS)
    return (u < habit.share).astype(np.float64)


def arrival_s(s_m: float, entry: Floats) -> Floats:
    """(D,) when the incoming runner is at `s_m`, from the crossing of the entry line; `entry`
    (D, 3)."""
    v, gain, fade = entry.T
    return laws.constant_pull_s(s_m, v, gain if s_m < 0.0 else -fade)


def place_m(t_s: Floats, entry: Floats) -> Floats:
    """(D,) where the incoming runner is `t_s` after the crossing of the entry line."""
    v, gain, fade = entry.T
    return np.asarray(v * t_s + 0.5 * np.where(t_s < 0.0, gain, -fade) * t_s**2)
