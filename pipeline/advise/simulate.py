"""Many takeovers of a pair at once: what comes of a mark, with all that is uncertain in it.

The course of each runner is known in closed form, so nothing is stepped through time. `T_out(d)`
is the receiver's time in seconds from his first movement over d metres. `T_in(s)` is the moment at
which the incoming runner's trunk is at s; both count from the entry line, crossed at time 0. The
receiver, who left at `go`, is within reach F at the first place s where

    go + H(s) >= 0,    H(s) = T_out(s - stand) - T_in(s - F).

H belongs to the two runners. Only `go` (when the mark is hit, and the lag) belongs to the mark, so
one running maximum of H serves every mark. docs/methods.md says what is assumed.

Sources
-------
[1] Sobol', USSR Comput Math Math Phys 7, 1967, 86-112, and Owen, J Complexity 14, 1998, 466-489
    (both from memory): points spread more evenly than chance would, as scipy.stats.qmc makes them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from zlib import crc32

import numpy as np

from pipeline.advise import hierarchy, laws
from pipeline.advise.pace import GAIN_INSIDE, Pace, gain_of
from pipeline.advise.runners import Squad
from pipeline.advise.settings import Conditions
from pipeline.base.values import Floats, Frozen, Ints

POINTS = 48  # of a course, about 0.7 m apart
SEARCH_BEYOND_M = 6.0  # a pass is looked for this far beyond the exit line

# Assumptions, in docs/methods.md with their reasons.
REACT_S, BRAKE_MPS2 = 0.1, 5.5  # so soon and so hard brakes an incoming runner who is too fast
EASES = 0.02  # share of the speed given up from which a receiver is easing
TOUCH_M = 0.5  # if the trunks still come nearer than this, they ran into each other
USUAL_MPS = 9.0  # at which a short run-in's gain is reckoned
STAND_SD_M = 0.10  # a trunk over its tape, and the tape itself
CROUCH_S, CROUCH_M = 0.03, 10.0  # a crouched start is so much later, and made up for by 10 m


@dataclass(frozen=True, eq=False)
class Draws(Frozen):
    """J runners drawn at random n = outer * inner times, (n, J) each unless said.

    The draws of one outer group share the runners' true means (estimation error) and differ in
    what a runner does from rep to rep.
    """

    outer: int
    inner: int
    top_mps: Floats
    tau_s: Floats
    launch_s: Floats
    push_mps: Floats  # the speed tended to after the pass
    lag_s: Floats
    cost_s: Floats
    v_in_mps: Floats
    gain_mps2: Floats
    fade_mps2: Floats
    look_m: Floats  # departure of the distance at which a receiver who looks sets off
    reach_share_m: Floats
    reach_rep_m: Floats  # (n,)
    reach_pair: Floats  # (n,) standard normal: the pair's own, same for an outer group
    stand_m: Floats  # (n,)
    eases: Floats  # (n,) 1 where the receiver eases if no baton comes, else 0
    ease_from: Floats  # (n,) where, as a share of the zone
    ease_by: Floats  # (n,) share of the speed given up

    def thin(self, every: int) -> Draws:
        """One draw in `every`, for a first look; there are no groups any more."""
        part = {f.name: getattr(self, f.name) for f in fields(self)}
        kept = {k: v[::every] for k, v in part.items() if isinstance(v, np.ndarray)}
        return replace(self, outer=len(self.eases[::every]), inner=1, **kept)

    def group(self, values: Floats) -> Floats:
        """(n, ...) as (outer, inner, ...)."""
        return values.reshape(self.outer, self.inner, *values.shape[1:])


def draw_runners(
    squad: Squad,
    conditions: Conditions,
    *,
    outer: int = 64,
    inner: int = 32,
    seed: int = 1,
    same_reps: bool = False,
) -> Draws:
    """Draw the runners' true means `outer` times, and for each of them `inner` reps.

    With `same_reps` every group has the same reps, so groups differ by estimation error alone. The
    same `seed` gives the same draws, whoever else is in the squad. Reps come from points that are
    spread evenly [1].
    """
    from scipy.special import ndtri
    from scipy.stats import qmc

    rng = np.random.default_rng([seed, 0x7A6E])
    # Each runner's random numbers follow from the name: who else is in the squad changes nothing.
    own = [np.random.default_rng([seed, crc32(name.encode())]) for name in squad.runners]
    n, runners = outer * inner, len(squad.runners)
    # Points spread evenly [1]: the tails come out steadier than by chance.
    wanted = inner if same_reps else n
    u = qmc.Sobol(14, rng=np.random.default_rng([seed, 0x50B0])).random_base2(
        int(np.ceil(np.log2(wanted)))
    )
    u = np.clip(u, 1e-9, 1 - 1e-9)[rng.permutation(len(u))[:wanted]]
    u = np.tile(u, (outer, 1)) if same_reps else u
    z = ndtri(u)
    speed = laws.wind_factor(conditions.wind_mps)
    pace_in, pace_out, gain = _draw_pace(squad.pace, conditions.race, outer, rng)

    def rep(effects: hierarchy.Effects, columns: slice, blunder: int | None = None) -> Floats:
        means = _draw_means(effects, outer, rng, own)  # (outer, J, p)
        df = effects.spread_df
        chi = np.stack([g.chisquare(k, outer) for g, k in zip(own, df, strict=True)], axis=1)
        scale = effects.scale * df / chi
        noise = z[:, columns] @ np.linalg.cholesky(effects.within).T  # (n, p)
        if blunder is not None:
            noise = (
                noise * np.where(u[:, blunder] < effects.blunders, hierarchy.BLUNDER, 1.0)[:, None]
            )
        out = means[:, None] + np.sqrt(scale)[:, None, :, None] * noise.reshape(outer, inner, 1, -1)
        return np.asarray(out.reshape(n, runners, -1))

    # Blunders are drawn for the lag alone: a mark missed by far happens in races too. A start or a
    # speed that is far off is a lost trace or a rep broken off.
    start = rep(squad.start, slice(0, 3))
    entry = rep(squad.entry, slice(3, 6))
    lag = rep(squad.lag, slice(6, 7), 13)
    cost = rep(squad.cost, slice(7, 8))
    look = rep(squad.look, slice(8, 9))
    if squad.reps.blind:
        push = start[..., :1] + rep(squad.after, slice(12, 13))
    else:
        push = rep(squad.push, slice(12, 13))
    share = (
        squad.reach.share
        + np.stack([g.standard_normal(outer) for g in own], axis=1)
        @ np.linalg.cholesky(squad.reach.cov + 1e-9 * np.eye(runners)).T
    )
    habit = squad.easing
    usual_share = float(np.clip(habit.share, 1e-3, 1.0 - 1e-3))
    yes, no = usual_share * habit.share_reps, (1.0 - usual_share) * habit.share_reps
    own_share = rng.beta(yes, no, outer)
    ease_from = np.clip(rng.normal(habit.start.value, habit.start.sd, outer), 0.2, 1.2)
    ease_by = np.clip(rng.normal(habit.by.value, habit.by.sd, outer), 0.0, 0.5)
    return Draws(
        outer=outer,
        inner=inner,
        top_mps=np.clip(start[..., 0], 3.0, 14.0) * np.repeat(pace_out, inner, 0) * speed,
        tau_s=np.clip(start[..., 1], 0.4, 3.5),
        launch_s=np.clip(start[..., 2], -0.5, 0.6),
        push_mps=np.clip(push[..., 0], 3.0, 14.0) * np.repeat(pace_out, inner, 0) * speed,
        lag_s=lag[..., 0],
        cost_s=cost[..., 0],
        v_in_mps=np.clip(entry[..., 0], 3.0, 14.0) * np.repeat(pace_in, inner, 0) * speed,
        gain_mps2=np.clip(entry[..., 1] - gain, -1.0, 2.0),
        fade_mps2=np.clip(entry[..., 2] + GAIN_INSIDE * gain, -0.5, 1.5),
        look_m=look[..., 0],
        reach_share_m=np.repeat(share, inner, 0),
        reach_rep_m=squad.reach.rep_sd_m * z[:, 9],
        reach_pair=np.repeat(rng.standard_normal(outer), inner),
        stand_m=STAND_SD_M * z[:, 10],
        eases=(u[:, 11] < np.repeat(own_share, inner)).astype(np.float64),
        ease_from=np.repeat(ease_from, inner),
        ease_by=np.repeat(ease_by, inner),
    )


def _draw_pace(
    pace: Pace, race: bool, outer: int, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """(outer, J) factors of the incoming runners' and the receivers' speeds, and (J,) the gain at
    the entry line that a race's long run-in takes away.

    What is not known of the factors counts as far as the takeovers were run otherwise than asked.
    """
    off = rng.standard_normal((outer, 3)) @ np.linalg.cholesky(pace.cov).T
    size = len(pace.short)
    wanted_in = np.column_stack([np.ones(size), pace.short]) if race else np.zeros((size, 2))
    log_in = wanted_in @ pace.mean[:2] + off[:, :2] @ (wanted_in - pace.usual_in).T
    log_out = float(race) * pace.mean[2] + off[:, 2:] * (float(race) - pace.usual_out)
    gain = gain_of(np.full(size, USUAL_MPS), pace.short, pace.mean[1]) if race else np.zeros(size)
    return np.exp(log_in), np.exp(log_out), gain


def _draw_means(
    effects: hierarchy.Effects,
    outer: int,
    rng: np.random.Generator,
    streams: Sequence[np.random.Generator],
) -> Floats:
    """(outer, J, p) true means: the squad's mean drawn first, then each runner's given it."""
    p = effects.mean.shape[1]
    own = effects.cov - effects.pull @ effects.squad_cov @ np.swapaxes(effects.pull, 1, 2)
    own = 0.5 * (own + np.swapaxes(own, 1, 2)) + 1e-12 * np.eye(p)
    root = np.linalg.cholesky(own)
    squad = rng.standard_normal((outer, p)) @ np.linalg.cholesky(effects.squad_cov).T
    z = np.stack([g.standard_normal((outer, p)) for g in streams], axis=1)
    out = effects.mean + np.einsum("jab,ob->oja", effects.pull, squad)
    return np.asarray(out + np.einsum("jab,ojb->oja", root, z))


@dataclass(frozen=True, eq=False)
class Receiver(Frozen):
    """One receiver's start on a grid of distances, (n, POINTS); all his pairs share it."""

    d_m: Floats  # (POINTS,)
    t_s: Floats
    v_mps: Floats
    top_mps: Floats  # (n, 1)
    tau_s: Floats
    launch_s: Floats

    def take(self, rows: Ints) -> Receiver:
        """Some of the draws, in the order of `rows`."""
        own = (self.t_s, self.v_mps, self.top_mps, self.tau_s, self.launch_s)
        return Receiver(self.d_m, *(values[rows] for values in own))


def run_receiver(
    draws: Draws, j: int, conditions: Conditions, stand_m: float, pace: float
) -> Receiver:
    """The start of runner j from `stand_m` past the back line at `pace` of his own."""
    top, tau, launch = (x[:, j, None] for x in (draws.top_mps, draws.tau_s, draws.launch_s))
    return receiver_course(top * pace, tau, launch, conditions, stand_m)


def receiver_course(
    top: Floats,
    tau: Floats,
    launch: Floats,
    conditions: Conditions,
    stand_m: float,
    points: int = POINTS,
) -> Receiver:
    """Starts by the law of `top`, `tau` and `launch`, (n, 1) each, from `stand_m` past the back
    line to some metres beyond the zone."""
    far = conditions.zone_m + SEARCH_BEYOND_M - conditions.back_m - stand_m
    d = far * np.linspace(0.0, 1.0, points) ** 1.1
    return Receiver(d, *_start_course(d, top, tau, launch, conditions), top, tau, launch)


def _start_course(
    d_m: Floats, top: Floats, tau: Floats, launch: Floats, conditions: Conditions
) -> tuple[Floats, Floats]:
    """Seconds from the first movement to `d_m`, and the speed there."""
    t = laws.seconds_to(d_m, top, tau, launch)
    v = np.maximum(top * ((t - launch) / tau - d_m / (top * tau)), 0.05)
    if conditions.crouched:
        t = t + CROUCH_S * np.clip(1.0 - d_m / CROUCH_M, 0.0, 1.0) * np.minimum(d_m, 1.0)
    return t, v


@dataclass(frozen=True, eq=False)
class Outcomes(Frozen):
    """What came of each draw at each mark, (n, m) unless said. Times count from the crossing of the
    entry line; where there was no pass inside the zone they mean nothing."""

    in_zone: Floats  # 1 or 0
    in_time: Floats  # in the zone and no later than accepted
    ran_into: Floats
    ran_away: Floats
    pass_m: Floats
    zone_time_s: Floats
    finish_s: Floats  # zone time and what the speed at the exit line will still cost
    closing_mps: Floats
    go_gap_m: Floats
    v_entry_mps: Floats  # (n,)


def simulate(
    squad: Squad,
    draws: Draws,
    pair: tuple[int, int],
    marks_m: Floats,
    stand_m: float,
    conditions: Conditions,
    *,
    pace: float = 1.0,
    latest_m: float | None = None,
    start: Receiver | None = None,
) -> Outcomes:
    """Run a pair over marks, draw by draw.

    `pair`: incoming and outgoing, by number in the squad; `marks_m` (m,): metres before the back
    line; `stand_m`: where the receiver stands, metres past the back line; `pace`: share of his
    practised start; `latest_m`: the latest pass accepted, metres past the entry line, the exit line
    unless given; `start`: his start, where it is worked out already.
    """
    i, j = pair
    own = start or run_receiver(draws, j, conditions, stand_m, pace)
    t_out, v_out, top, tau = own.t_s, own.v_mps, own.top_mps, own.tau_s
    v = draws.v_in_mps[:, i, None]
    gain, fade = draws.gain_mps2[:, i, None], draws.fade_mps2[:, i, None]
    reach = (
        draws.reach_share_m[:, i]
        + draws.reach_share_m[:, j]
        + squad.reach.pair[i, j]
        + squad.reach.pair_sd[i, j] * draws.reach_pair
        + draws.reach_rep_m
    )
    reach = np.clip(reach, 0.6, 2.2)[:, None]
    s0 = conditions.back_m + stand_m + draws.stand_m[:, None]
    s = s0 + own.d_m
    h = t_out - _incoming_s(s - reach, v, gain, fade)
    lost, slower = _easing_loss(draws, s, v_out, conditions.zone_m)
    h = h + lost
    best = np.maximum.accumulate(h, axis=1)

    place = conditions.back_m - marks_m[None, :]
    # by sight a receiver sets off early or late by so many metres of the other's run
    wait = draws.lag_s[:, j, None] if squad.reps.blind else draws.look_m[:, j, None] / v
    go = _incoming_s(place, v, gain, fade) + wait
    n, k = best.shape
    shift = 1e4 * np.arange(n)[:, None]  # one sorted list of all rows: one search
    at = np.searchsorted((best + shift).ravel(), (shift - go).ravel()).reshape(go.shape)
    first = k * np.arange(n)[:, None]
    reached = at - first < k
    hi = np.clip(at - first, 1, k - 1)
    flat = first + hi
    low, high = best.take(flat - 1), best.take(flat)
    part = np.clip((-go - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)

    def on_course(values: Floats) -> Floats:
        below = values.take(flat - 1)
        return np.asarray(below + part * (values.take(flat) - below))

    d = own.d_m[hi - 1] + part * np.diff(own.d_m)[hi - 1]
    eased = on_course(slower)
    v_there = on_course(v_out) * (1.0 - eased)
    s_there = s0 + d
    v_in = _incoming_mps(s_there - reach, v, gain, fade)
    closing = v_in - v_there
    # the hand comes back after the call; a fast closing leaves no time for it
    late = laws.late_hand_s(closing)
    gap = reach - closing * late
    pull = np.maximum((top - v_there) / tau, 0.0)
    d = d + v_there * late + 0.5 * pull * late**2
    s_there = s0 + d
    t_there, v_there = _start_course(d, top, tau, own.launch_s, conditions)
    v_there = v_there * (1.0 - eased)
    # who eases waits for the baton; a receiver who has only just set off is run into
    into = reached & (eased < EASES) & (_least_distance(gap, closing, pull) < TOUCH_M)
    middle = s_there - gap / 2.0
    in_zone = reached & (middle >= 0.0) & (middle <= conditions.zone_m)
    latest = conditions.zone_m if latest_m is None else latest_m
    zone_time, finish = _zone_times_from_pass(
        go + t_there + on_course(lost), conditions.zone_m - s_there, v_there,
        draws.push_mps[:, j, None], tau, draws.cost_s[:, j, None],
    )  # fmt: skip
    return Outcomes(
        in_zone=in_zone.astype(np.float64),
        in_time=(in_zone & (middle <= latest)).astype(np.float64),
        ran_into=into.astype(np.float64),
        ran_away=(~reached | (middle > conditions.zone_m)).astype(np.float64),
        pass_m=middle,
        zone_time_s=zone_time,
        finish_s=finish,
        closing_mps=closing,
        go_gap_m=s0 - place - wait * v,
        v_entry_mps=v[:, 0],
    )


def _incoming_s(s_m: Floats, v: Floats, gain: Floats, fade: Floats) -> Floats:
    """When the incoming runner is at s. His speed is `v` at s = 0; before it he still gains, after
    it he fades."""
    return laws.constant_pull_s(s_m, v, np.where(s_m < 0.0, gain, -fade))


def _incoming_mps(s_m: Floats, v: Floats, gain: Floats, fade: Floats) -> Floats:
    return laws.speed_after(s_m, v, np.where(s_m < 0.0, gain, -fade))


def _zone_times_from_pass(
    passed: Floats, way_m: Floats, v: Floats, push: Floats, tau: Floats, cost: Floats
) -> tuple[Floats, Floats]:
    """(n, m) zone time, and the zone time with what the speed at the exit line will still cost.

    From the pass on the receiver tends to another speed: both arms are free, or the pace is no
    longer chosen. The speed that easing took comes back in the same way.
    """
    way = np.maximum(way_m, 0.0)
    t = laws.seconds_on(way, v, push, tau)
    v_exit = push + (v - push) * np.exp(-t / tau)
    zone_time = passed + t + cost
    return zone_time, zone_time + tau * (1.0 - v_exit / push)


def _easing_loss(draws: Draws, s: Floats, v_out: Floats, zone_m: float) -> tuple[Floats, Floats]:
    """(n, k) seconds lost up to each place by a receiver to whom no baton has come, and the share
    of the speed he gives up there."""
    ramp = np.clip((s - draws.ease_from[:, None] * zone_m) / laws.EASE_RAMP_M, 0.0, 1.0)
    slower = (draws.eases * draws.ease_by)[:, None] * ramp
    slowness = slower / (1.0 - slower) / v_out
    step = np.diff(s, axis=1)
    lost = np.cumsum(0.5 * (slowness[:, 1:] + slowness[:, :-1]) * step, axis=1)
    return np.concatenate([np.zeros((len(s), 1)), lost], axis=1), slower


def _least_distance(gap: Floats, closing: Floats, pull: Floats) -> Floats:
    """The trunks' least distance. Once within reach the incoming runner brakes after REACT_S; the
    receiver goes on gaining speed with `pull`."""
    first = np.minimum(REACT_S, np.maximum(closing, 0.0) / np.maximum(pull, 0.1))
    near = gap - closing * first + 0.5 * pull * first**2
    left = np.maximum(closing - pull * REACT_S, 0.0)
    return np.asarray(np.where(closing > 0, near - left**2 / (2.0 * (pull + BRAKE_MPS2)), gap))
