"""Formulas of sprinting used by the advice; plain functions that broadcast.

The start follows the mono-exponential law [1, 2] with a free origin:

    v(t) = V (1 - exp(-u)),  x(t) = V tau (u + exp(-u) - 1),  u = (t - launch) / tau,

where t counts from the first movement, V is the top speed (3 to 14 m/s), tau the time constant
(0.4 to 3.0 s) and launch the origin of the exponential (-0.6 to 0.6 s). Fitted to published splits
of finals from 10 to 60 m it leaves 0.003 to 0.007 s (test_laws.py). In the first 10 m a single
exponential is off: its time to 10 m was found to be 1.6 ± 1.3 % too long [3].

Sources
-------
[1] Furusawa, Hill & Parkinson, Proc R Soc B 102, 1927, 29-42.
[2] Henry & Trafton, Res Q 22, 1951, 409-422.
[3] Healy, Kenny & Harrison, J Sport Health Sci 11, 2022.
[4] Mureika, arXiv:physics/0006057. The formula is from memory; it gives his worked values.
[5] Linthorne, J Appl Biomech 10, 1994.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.base.values import Floats

# Assumptions, in docs/methods.md with their reasons.
EASE_RAMP_M = 8.0  # over which a receiver eases: a fifth of the speed at 2 to 2.5 m/s²
CALL_M, HAND_S = 1.0, 0.30  # the call comes so far from reach; the hand is there so much later

# u as a function of y = x / (V tau): u + exp(-u) - 1 = y. The table is exact to 1e-9 at its
# knots and 1e-6 between; they lie dense where the curve is steep, at y near 0.
_U = np.concatenate([np.linspace(0.0, 1.0, 4001) ** 2, np.linspace(1.0, 60.0, 24001)[1:]])
_Y = _U + np.expm1(-_U)


def place_m(t_s: ArrayLike, v_max_mps: Any, tau_s: Any, launch_s: Any = 0.0) -> Floats:
    """Metres run `t_s` seconds after the first movement [1, 2]; 0 before the origin `launch_s`."""
    u = np.maximum(0.0, (np.asarray(t_s, dtype=np.float64) - launch_s) / tau_s)
    out: Floats = np.asarray(v_max_mps * tau_s * (u + np.expm1(-u)))
    return out


def speed_mps(t_s: ArrayLike, v_max_mps: Any, tau_s: Any, launch_s: Any = 0.0) -> Floats:
    """Speed in m/s `t_s` seconds after the first movement [1, 2]; 0 before `launch_s`."""
    u = np.maximum(0.0, (np.asarray(t_s, dtype=np.float64) - launch_s) / tau_s)
    out: Floats = np.asarray(-v_max_mps * np.expm1(-u))
    return out


def seconds_to(distance_m: ArrayLike, v_max_mps: Any, tau_s: Any, launch_s: Any = 0.0) -> Floats:
    """Seconds from the first movement to `distance_m` (0 or more): the law [1, 2] inverted."""
    y = np.asarray(distance_m, dtype=np.float64) / (v_max_mps * np.asarray(tau_s))
    out: Floats = np.asarray(launch_s + tau_s * np.interp(y, _Y, _U, right=np.nan))
    far = y > _Y[-1]  # the exponential is spent: x = V (t - launch - tau)
    if np.any(far):
        out = np.where(far, launch_s + tau_s * (y + 1.0), out)
    return out


def seconds_to_slope(distance_m: float, law: Floats) -> Floats:
    """(..., 3) change of `seconds_to` per unit of V, tau and launch, which are the last axis of
    `law` (..., 3)."""
    eps = 1e-4
    base = seconds_to(distance_m, *np.moveaxis(law, -1, 0))
    moved = [seconds_to(distance_m, *np.moveaxis(law + eps * unit, -1, 0)) for unit in np.eye(3)]
    return np.stack([(there - base) / eps for there in moved], axis=-1)


def constant_pull_s(s_m: ArrayLike, v_mps: Any, a_mps2: Any) -> Floats:
    """When a runner is at `s_m` metres, in seconds from being at 0 with speed `v_mps`.

    His acceleration `a_mps2` is constant; a negative `s_m` gives a negative time. Where he would
    stop before he gets there, a fifth of `v_mps` is taken for his speed there.
    """
    s = np.asarray(s_m, dtype=np.float64)
    out: Floats = 2.0 * s / (v_mps + speed_after(s, v_mps, a_mps2))
    return out


def speed_after(s_m: ArrayLike, v_mps: Any, a_mps2: Any) -> Floats:
    """The speed in m/s at `s_m` metres of the runner of `constant_pull_s`; never below a fifth of
    `v_mps`."""
    square = np.square(v_mps) + 2.0 * a_mps2 * np.asarray(s_m, dtype=np.float64)
    return np.asarray(np.sqrt(np.maximum(square, np.square(0.2 * np.asarray(v_mps)))))


def seconds_on(way_m: ArrayLike, v_mps: Any, push_mps: Any, tau_s: Any) -> Floats:
    """Seconds over `way_m` metres (0 or more) of a runner who has `v_mps` at first and tends to
    `push_mps` with time constant `tau_s` [1].

    Solves push t + (v - push) tau (1 - exp(-t / tau)) = way by Newton's method.
    """
    way = np.asarray(way_m, dtype=np.float64)
    t = 2.0 * way / (v_mps + np.asarray(push_mps))
    for _ in range(6):
        left = np.exp(-t / tau_s)
        gone = push_mps * t + (v_mps - push_mps) * tau_s * (1.0 - left)
        step = (gone - way) / (push_mps + (v_mps - push_mps) * left)
        t = t - step
        if np.max(np.abs(step), initial=0.0) < 1e-7:
            break
    return np.asarray(t)


def late_hand_s(closing_mps: ArrayLike) -> Floats:
    """How much later than he is within reach the hand is there for an incoming runner who closes in
    at `closing_mps`: he calls CALL_M before, and the hand takes HAND_S (assumptions)."""
    return np.asarray(np.maximum(0.0, HAND_S - CALL_M / np.maximum(closing_mps, 0.3)))


def closed_form_mark_m(
    v_in_mps: Any, v_max_mps: Any, tau_s: Any, lag_s: Any, run_m: Any, free_m: Any
) -> Floats:
    """Metres from the mark to the receiver so that the pass comes after `run_m` metres of his run.

    The incoming runner keeps `v_in_mps`; the receiver starts by the law [1, 2] with `v_max_mps` and
    `tau_s`, `lag_s` after the mark is hit; the trunks are `free_m` apart at the pass:
    G = v_in (t(run) + lag) - (run - free).
    """
    t = seconds_to(run_m, v_max_mps, tau_s)
    return np.asarray(v_in_mps * (t + lag_s) - (np.asarray(run_m) - free_m))


def wind_factor(wind_mps: ArrayLike, still_s: float = 10.0) -> Floats:
    """The factor by which a wind along the lane changes a sprinter's speed.

    `wind_mps`: positive from behind, -5 to 5; `still_s`: his time over 100 m in still air. A time t
    in wind w is worth t (1.03 - 0.03 (1 - w t / 100)^2) in still air [4]. It agrees with 0.10 s for
    2 m/s over 100 m, men [5].
    """
    w = np.asarray(wind_mps, dtype=np.float64)
    return np.asarray(1.03 - 0.03 * (1.0 - w * still_s / 100.0) ** 2)
