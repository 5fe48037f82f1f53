"""Runners and what two of them do to each other in a takeover; 200 steps a second.

Nobody here follows one exponential: the push builds up over a tenth of a second or more, the
speed that can be reached itself rises, then fades; reaching out and holding the hand back cost
speed; a runner about to collide brakes; one who does not get the baton eases off.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

DT = 0.005


def slow_noise(rng, n: int, dt: float, tau_s: float, sd: float, smooth: float = 8.0):
    """(n,) stationary noise that forgets in about `tau_s`, without kinks below tau/smooth."""
    m = 1 << int(np.ceil(np.log2(n + 6 * tau_s / dt + 16)))
    w = 2 * np.pi * np.fft.rfftfreq(m, dt) * tau_s
    # one forgetting, two smoothings: the acceleration stays finite
    shape = 1 / (np.sqrt(1 + w**2) * (1 + (w / smooth) ** 2))
    shape[0] = 0.0 if tau_s < 1 else shape[0]
    power = (2 * np.sum(shape**2) - shape[0] ** 2) / m
    z = rng.standard_normal(m)
    return np.fft.irfft(np.fft.rfft(z) * shape, m)[:n] * sd / np.sqrt(power)


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
    lag_s: float  # from the mark to the first movement
    lag_spread_s: float
    reach_m: float  # this runner's share of the distance at the pass
    trunk_habit_m: float  # trunk ahead of the tape when on a spot
    side_m: float  # habit: metres right of the measured line
    ease_mps2: float
    walk_mps: float
    foot_m: float


def draw_person(rng, name: str, squad_mps: float = 9.5) -> Person:
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
        lag_s=rng.uniform(0.1, 0.25),
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
    rise = np.sin(0.5 * np.pi * min(1.0, t / p.build_s)) ** 2
    reach = top * (1 - p.late_gain * np.exp(-t / 2.2)) * (1 - p.fade_per_s * max(0.0, t - 5.0))
    x = 1 - v / reach
    if x > 0:
        return rise * p.push_mps2 * top / p.top_mps * x**0.93
    return max(-3.0, 2.2 * p.push_mps2 * x)


def _last_steps(v: float) -> float:
    """Braking gets gentler when little speed is left."""
    return 0.3 + 0.7 * min(1.0, v / 3.0)


def run_curve(p: Person, effort: float, bend: float, seconds: float):
    """(n,) speed of an undisturbed run at DT."""
    n = int(seconds / DT)
    v = np.zeros(n)
    for k in range(1, n):
        a = _push(p, (k - 0.5) * DT, v[k - 1], p.top_mps * effort * bend)
        v[k] = v[k - 1] + a * DT
    return v


@dataclass
class RepPlan:
    zone_m: float
    mark_s: float | None  # s of the mark or, where the start is by sight, of the trigger
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
    gives_chase: bool = True  # outgoing eases when the baton does not come
    beyond_m: float = 35.0


@dataclass
class RepRun:
    """Both runners from the incoming one's set-off until both stand; arrays at DT."""

    v_in: np.ndarray
    v_out: np.ndarray
    s_in: np.ndarray
    s_out: np.ndarray
    mark_t: float | None
    go_t: float | None
    pass_t: float | None
    collided: bool
    eased: bool
    slowed: bool
    notes: list[str] = field(default_factory=list)


def take_over(pi: Person, po: Person, plan: RepPlan) -> RepRun:
    si, so, vi, vo = plan.in_from_s, plan.out_from_s, 0.0, 0.0
    hist = []
    t, mark_t, go_t, pass_t, call_t, give_up_t = 0.0, None, None, None, None, None
    collided = eased = slowed = False
    reach_cost = hand_cost = 0.0
    bin_ = bout = 0.0  # how hard each is braking now, builds up over a few tenths of a second
    done_in = done_out = False
    want_in = 0.0
    # who leaves before the mark leaves when the other is about there
    trigger = plan.mark_s + min(0.0, plan.lag_s) * pi.top_mps * 0.93
    trig_t = None
    while t < 40.0:
        hist.append((si, so, vi, vo))
        gap = so - si
        # --- outgoing
        if trig_t is None and si >= trigger:
            trig_t = t
            go_t = t + max(0.0, plan.lag_s)
        if mark_t is None and si >= plan.mark_s:
            mark_t = t
        running_out = go_t is not None and t >= go_t
        closing = vi - vo
        if (
            call_t is None
            and running_out
            and t - go_t > 0.5
            and (
                gap < plan.reach_m + 0.8
                or (closing > 0.3 and (gap - plan.reach_m) < 0.35 * closing)
            )
        ):
            call_t = t
        ready = call_t is not None and t >= call_t + plan.handback_s
        if pass_t is None and give_up_t is None and ready and gap <= plan.reach_m:
            pass_t = t
        if (
            pass_t is None
            and give_up_t is None
            and running_out
            and gap > 0
            and (si > plan.zone_m + 4 or (so > plan.zone_m + 6 and gap > plan.reach_m + 1.0))
        ):
            give_up_t = t
        waiting = call_t is not None and pass_t is None
        hand_cost += DT / 0.15 * ((0.22 if waiting and ready else 0.0) - hand_cost)
        effort = plan.out_effort
        if pass_t is not None:
            k = min(1.0, (t - pass_t) / 0.5)
            effort += (plan.out_effort_after - plan.out_effort) * k
        top_o = po.top_mps * effort * plan.bend - hand_cost
        missed = pass_t is None and give_up_t is None and so > 0.55 * plan.zone_m
        if missed and plan.gives_chase and gap > plan.reach_m + 0.2:
            short = min(1.0, (so - 0.55 * plan.zone_m) / 3.0)
            top_o *= 1 - 0.25 * short
            eased = eased or short > 0.25
        if running_out:
            stop_o = (pass_t is not None and so > plan.zone_m + plan.beyond_m) or (
                give_up_t is not None and t > give_up_t + 0.3
            )
            if stop_o:
                bout = min(1.0, bout + DT / 0.5)
                ao = -bout * po.ease_mps2 * _last_steps(vo) if not done_out else 0.0
            else:
                ao = _push(po, t - go_t + 0.5 * DT, vo, top_o)
        else:
            ao = 0.0
        # --- incoming
        near = pass_t is None and running_out and gap < plan.reach_m + 0.9
        reach_cost += DT / 0.18 * ((0.35 if near else 0.0) - reach_cost)
        top_i = pi.top_mps * plan.in_effort * plan.bend - reach_cost
        top_i *= 1 - plan.in_fade_per_s * max(0.0, t - 6.0)
        want_in = 0.0
        if pass_t is not None and t > pass_t + plan.after_lag_s:
            want_in = plan.after_brake_mps2
        elif give_up_t is not None and t > give_up_t + 0.15:
            want_in = pi.ease_mps2
        elif (
            pass_t is None
            and plan.brake_early_s is not None
            and call_t is not None
            and gap - plan.reach_m < plan.brake_early_s * max(0.5, closing)
        ):
            want_in, slowed = 1.3, True
        need = 0.0
        if not done_in and closing > 0 and gap < 6:  # about to run into the other's back
            # what the other gains by accelerating need not be braked away
            need = closing**2 / (2 * max(0.15, gap - 0.5)) - max(0.0, ao)
            if need < 2.5:
                need = 0.0
            elif eased:  # it was the other who slowed
                slowed = True
            else:
                collided = True
        want_in = max(want_in, min(need, 7.0))
        bin_ += DT / 0.12 * (want_in - bin_)
        if done_in:
            ai = 0.0
        elif want_in > 0:
            ai = -bin_ * (_last_steps(vi) if pass_t is not None or give_up_t is not None else 1)
        else:
            ai = _push(pi, t + 0.5 * DT, vi, top_i)
        si += (vi + 0.5 * ai * DT) * DT if not done_in else 0.0
        so += (vo + 0.5 * ao * DT) * DT if running_out and not done_out else 0.0
        vi = max(0.0, vi + ai * DT)
        vo = max(0.0, vo + ao * DT)
        over = pass_t is not None or give_up_t is not None
        if over and vi < 0.02 and t > (pass_t or give_up_t) + 0.5:
            done_in, vi = True, 0.0
        if over and bout > 0 and vo < 0.02:
            done_out, vo = True, 0.0
        if done_in and done_out:
            break
        t += DT
    hist.append((si, so, 0.0, 0.0))
    h = np.array(hist)
    return RepRun(h[:, 2], h[:, 3], h[:, 0], h[:, 1], mark_t, go_t, pass_t, collided, eased, slowed)


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
