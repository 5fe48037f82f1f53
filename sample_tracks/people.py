"""Runners and what two of them do to each other in a takeover; 200 steps a second.

Nobody here follows one exponential: the push builds up over a tenth of a second or more, the
speed that can be reached itself rises, then fades; reaching out and holding the hand back cost
speed; a runner about to collide brakes; one who does not get the baton eases off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator
DT = 0.005


def slow_noise(rng: Rng, n: int, dt: float, tau_s: float, sd: float, smooth: float = 8.0) -> Floats:
    """(n,) stationary noise that forgets in about `tau_s`, without kinks below tau/smooth."""
    m = 1 << int(np.ceil(np.log2(n + 6 * tau_s / dt + 16)))
    w = 2 * np.pi * np.fft.rfftfreq(m, dt) * tau_s
    # one forgetting, two smoothings: the acceleration stays finite
    shape = 1 / (np.sqrt(1 + w**2) * (1 + (w / smooth) ** 2))
    shape[0] = 0.0 if tau_s < 1 else shape[0]
    power = (2 * np.sum(shape**2) - shape[0] ** 2) / m
    z = rng.standard_normal(m)
    out: Floats = np.fft.irfft(np.fft.rfft(z) * shape, m)[:n] * sd / np.sqrt(power)
    return out


@dataclass(frozen=True)
class Person:
    id: str
    top_mps: float  # what the legs can reach on the straight
    push_mps2: float  # acceleration at the start
    build_s: float  # how long the push takes to build up
    late_gain: float  # share of the top speed that comes only after seconds
    fade_per_s: float  # late fatigue
    step_hz: float
    swing_mps: float  # speed swing inside a step at top speed
    limp: float  # left-right difference of the swing
    impact_g: float
    lag_s: float  # from the mark to the first movement; before the mark: negative
    lag_spread_s: float
    reach_m: float  # this runner's share of the distance at the pass
    trunk_habit_m: float  # trunk ahead of the tape when on a spot
    side_m: float  # habit: metres right of the measured line
    ease_mps2: float
    walk_mps: float
    foot_m: float
    let_go_s: float = (
        0.2  # from the pass to the first easing as incoming runner; before it: negative
    )
    matches: float = 0.0  # share of the takeovers in which this runner brakes to match a receiver


def draw_person(rng: Rng, name: str, squad_mps: float = 9.5) -> Person:
    top = float(np.clip(rng.normal(squad_mps, 0.3), 8.0, 11.0))
    return Person(
        id=name,
        top_mps=top,
        push_mps2=top / rng.uniform(1.0, 1.45),
        build_s=rng.uniform(0.11, 0.2),
        late_gain=rng.uniform(0.03, 0.09),
        fade_per_s=rng.uniform(0.002, 0.006),
        step_hz=float(np.clip(rng.normal(4.3, 0.2), 3.8, 4.8)),
        swing_mps=rng.uniform(0.1, 0.3),
        limp=rng.uniform(0.0, 0.25),
        impact_g=rng.uniform(3.5, 6.5),
        lag_s=-rng.uniform(0.2, 0.35),
        lag_spread_s=rng.uniform(0.03, 0.05),
        reach_m=rng.uniform(0.48, 0.72),
        trunk_habit_m=rng.normal(0, 0.05),
        side_m=float(np.clip(rng.normal(0.2, 0.08), 0.0, 0.45)),
        ease_mps2=rng.uniform(1.8, 3.5),
        walk_mps=rng.uniform(1.25, 1.6),
        foot_m=round(float(rng.uniform(0.26, 0.31)), 2),
    )


def _push(p: Person, t: float, v: float, top: float) -> float:
    """Acceleration t seconds after the first movement, at speed v, when `top` is in the legs."""
    if t <= 0:
        return 0.0
    rise = math.sin(0.5 * math.pi * min(1.0, t / p.build_s)) ** 2
    reach = top * (1 - p.late_gain * math.exp(-t / 2.2)) * (1 - p.fade_per_s * max(0.0, t - 5.0))
    x = 1 - v / reach
    if x > 0:
        return rise * p.push_mps2 * top / p.top_mps * math.pow(x, 0.93)
    return max(-3.0, 2.2 * p.push_mps2 * x)


def _last_steps(v: float) -> float:
    """Braking gets gentler when little speed is left."""
    return 0.3 + 0.7 * min(1.0, v / 3.0)


def run_curve(p: Person, effort: float, bend: float, seconds: float) -> Floats:
    """(n,) speed of an undisturbed run at DT."""
    n = int(seconds / DT)
    v = np.zeros(n)
    for k in range(1, n):
        a = _push(p, (k - 0.5) * DT, v[k - 1], p.top_mps * effort * bend)
        v[k] = v[k - 1] + a * DT
    return v


@dataclass(frozen=True)
class RepPlan:
    zone_m: float
    mark_s: float  # s of the mark or, where the start is by sight, of the trigger
    in_from_s: float
    out_from_s: float
    in_effort: float = 0.97
    out_effort: float = 1.0
    out_effort_after: float = 1.0
    bend: float = 1.0
    in_fade_per_s: float = 0.0
    lag_s: float = 0.15
    reach_m: float = 1.2
    handback_s: float = 0.3
    brake_early_s: float | None = None  # incoming lets the legs go this long before the pass
    after_lag_s: float = 0.2
    after_brake_mps2: float = 2.5
    let_go_before_s: float = 0.0  # incoming eases, by `after_brake_mps2`, this long before the pass
    matches: bool = False  # incoming brakes until both are equally fast, and passes then
    gives_chase: bool = True  # outgoing eases when the baton does not come
    beyond_m: float = 35.0


@dataclass(frozen=True)
class RepRun:
    """Both runners from the incoming one's set-off until both stand; arrays at DT, times in
    seconds from the set-off."""

    s_in: Floats
    s_out: Floats
    go_t: float | None
    hand_back_t: float | None  # the receiving hand goes back
    pass_t: float | None
    collided: bool
    eased: bool
    slowed: bool


def take_over(pi: Person, po: Person, plan: RepPlan) -> RepRun:
    """Let both run, each seeing the other, until both stand again."""
    si, so, vi, vo, t = plan.in_from_s, plan.out_from_s, 0.0, 0.0, 0.0
    go_t = pass_t = call_t = hand_back_t = give_up_t = math.inf  # not yet
    collided = eased = slowed = stands_in = stands_out = False
    reach_cost = hand_cost = brake_in = brake_out = 0.0
    places = []
    # who leaves before the mark leaves when the other is about there
    trigger = plan.mark_s + min(0.0, plan.lag_s) * pi.top_mps * 0.93
    while t < 40.0 and not (stands_in and stands_out):
        places.append((si, so))
        gap, closing = so - si, vi - vo
        # what happens now
        if math.isinf(go_t) and si >= trigger:
            go_t = t + max(0.0, plan.lag_s)
        if t - go_t > 0.5 and _calls(plan, gap, closing):
            call_t = min(call_t, t)
        hand_back = t >= call_t + plan.handback_s
        open_ = math.isinf(pass_t) and math.isinf(give_up_t)
        if open_ and hand_back:
            hand_back_t = min(hand_back_t, t)
        if open_ and hand_back and gap <= plan.reach_m:
            pass_t = t
        elif open_ and t >= go_t and _hopeless(plan, si, so):
            give_up_t = t
        open_ = math.isinf(pass_t) and math.isinf(give_up_t)
        # outgoing
        hand_cost += DT / 0.15 * ((0.22 if hand_back and math.isinf(pass_t) else 0.0) - hand_cost)
        later = min(1.0, max(0.0, (t - pass_t) / 0.5))
        effort = plan.out_effort + (plan.out_effort_after - plan.out_effort) * later
        top = po.top_mps * effort * plan.bend - hand_cost
        if open_ and plan.gives_chase and gap > plan.reach_m + 0.2:
            short = min(1.0, max(0.0, (so - 0.55 * plan.zone_m) / 3.0))
            top *= 1 - 0.25 * short  # where is the baton?
            eased = eased or short > 0.25
        ao = 0.0
        done = t > give_up_t + 0.3 or (t > pass_t and so > plan.zone_m + plan.beyond_m)
        if done and not stands_out:
            brake_out = min(1.0, brake_out + DT / 0.5)
            ao = -brake_out * po.ease_mps2 * _last_steps(vo)
        elif t >= go_t and not done:
            ao = _push(po, t - go_t + 0.5 * DT, vo, top)
        # incoming
        near = math.isinf(pass_t) and t >= go_t and gap < plan.reach_m + 0.9
        reach_cost += DT / 0.18 * ((0.35 if near else 0.0) - reach_cost)
        wish = 0.0
        if t > pass_t + plan.after_lag_s:
            wish = plan.after_brake_mps2
        elif t > give_up_t + 0.15:
            wish = pi.ease_mps2
        elif open_ and _lets_go_early(plan, call_t, gap, closing):
            wish, slowed = 1.3, True
        elif open_ and closing > 0.4 and 0 < gap - plan.reach_m < _coasts_m(plan, closing, ao):
            wish, slowed = plan.after_brake_mps2, True
        if plan.matches and open_ and t >= go_t:
            match = _brake_to_match(plan, gap, closing, ao)
            slowed = slowed or match > 0
            wish = max(wish, match)
        need = 0.0 if stands_in else _need_to_brake(gap, closing, ao)
        if need > 0 and open_:
            slowed, collided = slowed or eased, collided or not eased
        brake_in += DT / 0.12 * (max(wish, need) - brake_in)
        if stands_in:
            ai = 0.0
        elif max(wish, need) > 0:
            ai = -brake_in * (1.0 if open_ else _last_steps(vi))
        else:
            tired = 1 - plan.in_fade_per_s * max(0.0, t - 6.0)
            top = (pi.top_mps * plan.in_effort * plan.bend - reach_cost) * tired
            ai = _push(pi, t + 0.5 * DT, vi, top)
        si, vi = si + (vi + 0.5 * ai * DT) * DT, max(0.0, vi + ai * DT)
        so, vo = so + (vo + 0.5 * ao * DT) * DT, max(0.0, vo + ao * DT)
        if t > min(pass_t, give_up_t) + 0.5 and vi < 0.02:
            stands_in, vi = True, 0.0
        if brake_out > 0 and vo < 0.02:
            stands_out, vo = True, 0.0
        t += DT
    places.append((si, so))
    at = np.array(places)
    when = (None if math.isinf(x) else x for x in (go_t, hand_back_t, pass_t))
    return RepRun(at[:, 0], at[:, 1], *when, collided, eased, slowed)


def _calls(plan: RepPlan, gap: float, closing: float) -> bool:
    """The incoming runner calls when the other's hand will soon be within reach."""
    short = gap - plan.reach_m
    return short < 0.8 or (closing > 0.3 and short < 0.35 * closing)


def _hopeless(plan: RepPlan, si: float, so: float) -> bool:
    far = so > plan.zone_m + 6 and so - si > plan.reach_m + 1.0
    return so > si and (far or si > plan.zone_m + 4)


def _lets_go_early(plan: RepPlan, call_t: float, gap: float, closing: float) -> bool:
    if plan.brake_early_s is None or math.isinf(call_t):
        return False
    return gap - plan.reach_m < plan.brake_early_s * max(0.5, closing)


def _coasts_m(plan: RepPlan, closing: float, other_mps2: float) -> float:
    """What the incoming runner, easing, gains on the other from letting go to the pass."""
    t = plan.let_go_before_s
    lost = 0.5 * (plan.after_brake_mps2 + max(0.0, other_mps2)) * max(0.0, t - 0.06) ** 2
    return max(0.3 * closing * t, closing * t - lost)


def _brake_to_match(plan: RepPlan, gap: float, closing: float, other_mps2: float) -> float:
    """Braking (m/s²) of one who wants to be no faster than the other when he is within reach."""
    if closing <= 0.2 or gap >= plan.reach_m + 3.5:
        return 0.0
    room = max(0.2, gap - plan.reach_m + 0.25)
    need = closing**2 / (2 * room) - max(0.0, other_mps2)
    return min(need, 4.5) if need > 0.8 else 0.0


def _need_to_brake(gap: float, closing: float, other_mps2: float) -> float:
    """Braking (m/s²) that keeps half a metre from the other's back, 0 where none is called for.

    What the other gains by accelerating need not be braked away.
    """
    if closing <= 0 or gap >= 6:
        return 0.0
    need = closing**2 / (2 * max(0.15, gap - 0.5)) - max(0.0, other_mps2)
    return 0.0 if need < 2.5 else min(need, 7.0)


def good_mark_m(pi: Person, po: Person, plan: RepPlan, back_s: float, pass_at: float) -> float:
    """Metres before the back line so that, all going as usual, the pass lies near `pass_at`,
    or earlier where the incoming runner could not close up so late."""
    v_out = run_curve(po, plan.out_effort, plan.bend, 8.0)
    s_out = plan.out_from_s + np.cumsum(v_out) * DT
    v_in = run_curve(pi, plan.in_effort, plan.bend, 16.0)
    t = np.arange(len(v_in)) * DT
    v_in = v_in * (1 - plan.in_fade_per_s * np.maximum(0, t - 6.0))
    s_in = plan.in_from_s + np.cumsum(v_in) * DT
    # reaching out costs a third of a metre a second; keep some closing speed beyond that
    too_fast = v_out > np.interp(s_out, s_in, v_in) - 1.2
    if too_fast.any():
        pass_at = min(pass_at, float(s_out[np.argmax(too_fast)]) - 0.5)
    pass_at = max(pass_at, plan.out_from_s + 4.0)
    t_out = np.searchsorted(s_out, pass_at + plan.reach_m / 2) * DT
    t_in = np.searchsorted(s_in, pass_at - plan.reach_m / 2) * DT
    at = float(np.interp(t_in - t_out - po.lag_s, t, s_in))
    return back_s - at
