"""Formulas of sprinting used by the advice; plain functions that broadcast.

The start is the mono-exponential law (Furusawa, Hill & Parkinson, Proc R Soc B 102, 1927, 29-42;
Henry & Trafton, Res Q 22, 1951, 409-422) with a free origin:

    v(t) = V (1 - exp(-u)),  x(t) = V tau (u + exp(-u) - 1),  u = (t - launch) / tau,

t counted from the first movement. Fitted from 10 to 60 m to published splits of finals it leaves
0.003 to 0.007 s (test_laws.py); in the first 10 m a single exponential is off: its time to
10 m has been found 1.6 ± 1.3 % too long (Healy, Kenny & Harrison, J Sport Health Sci 11, 2022).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.base.values import Floats

# u as a function of y = x / (V tau): u + exp(-u) - 1 = y. The table is exact to 1e-9 at its
# knots and 1e-6 between; they lie dense where the curve is steep, at y near 0.
_U = np.concatenate([np.linspace(0.0, 1.0, 4001) ** 2, np.linspace(1.0, 60.0, 24001)[1:]])
_Y = _U + np.expm1(-_U)


def place_m(t_s: ArrayLike, v_max_mps: Any, tau_s: Any, launch_s: Any = 0.0) -> Floats:
    """Metres run `t_s` after the first movement; 0 before the exponential's origin."""
    u = np.maximum(0.0, (np.asarray(t_s, dtype=np.float64) - launch_s) / tau_s)
    out: Floats = np.asarray(v_max_mps * tau_s * (u + np.expm1(-u)))
    return out


def speed_mps(t_s: ArrayLike, v_max_mps: Any, tau_s: Any, launch_s: Any = 0.0) -> Floats:
    """Speed `t_s` after the first movement."""
    u = np.maximum(0.0, (np.asarray(t_s, dtype=np.float64) - launch_s) / tau_s)
    out: Floats = np.asarray(-v_max_mps * np.expm1(-u))
    return out


def seconds_to(distance_m: ArrayLike, v_max_mps: Any, tau_s: Any, launch_s: Any = 0.0) -> Floats:
    """Seconds from the first movement to `distance_m` (0 or more)."""
    y = np.asarray(distance_m, dtype=np.float64) / (v_max_mps * np.asarray(tau_s))
    out: Floats = np.asarray(launch_s + tau_s * np.interp(y, _Y, _U, right=np.nan))
    far = y > _Y[-1]  # the exponential is spent: x = V (t - launch - tau)
    if np.any(far):
        out = np.where(far, launch_s + tau_s * (y + 1.0), out)
    return out


def seconds_to_slope(distance_m: float, law: Floats) -> Floats:
    """(..., 3) change of `seconds_to` with V, tau and launch, the last axis of `law` (..., 3)."""
    eps = 1e-4
    base = seconds_to(distance_m, *np.moveaxis(law, -1, 0))
    moved = [seconds_to(distance_m, *np.moveaxis(law + eps * unit, -1, 0)) for unit in np.eye(3)]
    return np.stack([(there - base) / eps for there in moved], axis=-1)


def constant_pull_s(s_m: ArrayLike, v_mps: Any, a_mps2: Any) -> Floats:
    """When a runner who is at 0 with `v_mps` at time 0 is at `s_m` (may be negative, then
    before), with constant acceleration. Where he would never get there (he has come to a
    stand before), the time at a fifth of his speed."""
    s = np.asarray(s_m, dtype=np.float64)
    out: Floats = 2.0 * s / (v_mps + speed_after(s, v_mps, a_mps2))
    return out


def speed_after(s_m: ArrayLike, v_mps: Any, a_mps2: Any) -> Floats:
    """The speed at `s_m` of that runner; never below a fifth of `v_mps`."""
    square = np.square(v_mps) + 2.0 * a_mps2 * np.asarray(s_m, dtype=np.float64)
    return np.asarray(np.sqrt(np.maximum(square, np.square(0.2 * np.asarray(v_mps)))))


def seconds_on(way_m: ArrayLike, v_mps: Any, push_mps: Any, tau_s: Any) -> Floats:
    """Seconds over `way_m` (0 or more) for who runs `v_mps` at first and tends to `push_mps` with
    time constant `tau_s`: push t + (v - push) tau (1 - exp(-t / tau)) = way, by Newton's method."""
    way = np.asarray(way_m, dtype=np.float64)
    t = 2.0 * way / (v_mps + np.asarray(push_mps))
    for _ in range(4):
        left = np.exp(-t / tau_s)
        gone = push_mps * t + (v_mps - push_mps) * tau_s * (1.0 - left)
        t = t - (gone - way) / (push_mps + (v_mps - push_mps) * left)
    return np.asarray(t)


def closed_form_mark_m(
    v_in_mps: Any, v_max_mps: Any, tau_s: Any, lag_s: Any, run_m: Any, free_m: Any
) -> Floats:
    """The mark's distance behind the receiver so that the pass comes after `run_m` of his run.

    Constant incoming speed, exponential start, first movement `lag_s` after the mark is hit,
    trunks `free_m` apart at the pass: G = v_in (t(run) + lag) - (run - free).
    """
    t = seconds_to(run_m, v_max_mps, tau_s)
    return np.asarray(v_in_mps * (t + lag_s) - (np.asarray(run_m) - free_m))


def wind_factor(wind_mps: ArrayLike, still_s: float = 10.0) -> Floats:
    """By what a sprinter's speed changes in a wind along the lane (positive from behind).

    Mureika, arXiv:physics/0006057 (formula from memory; it gives his worked values): a time t in
    wind w is worth t (1.03 - 0.03 (1 - w t / 100)^2) in still air. Within ± 5 m/s.
    Linthorne, J Appl Biomech 10 (1994): 0.10 s (men) for 2 m/s over 100 m.
    """
    w = np.asarray(wind_mps, dtype=np.float64)
    return np.asarray(1.03 - 0.03 * (1.0 - w * still_s / 100.0) ** 2)
