"""An invented runner for the tests of clocks and steps: formulas only, no noise model of ours.

The speed follows a mono-exponential whose push builds up linearly; every step is a half sine
of vertical force with a sharp landing; the unit sits askew.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

G = 9.80665
FINE_HZ = 400


@dataclass(frozen=True)
class Session:
    """On a fine grid from 0: place along a line, speed, force on the trunk (n, 3)."""

    t_s: np.ndarray
    place_m: np.ndarray
    speed_mps: np.ndarray
    force_mps2: np.ndarray
    starts_s: np.ndarray
    contacts_s: np.ndarray


@cache
def session(seed: int, starts_s=(20.0, 55.0, 91.0, 127.0), limp=0.3) -> Session:
    """Standing starts at `starts_s`, six seconds of sprint, easing off, a stroll back."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, starts_s[-1] + 35.0, 1 / FINE_HZ)
    acc, back = np.zeros(t.size), np.zeros(t.size)
    up = np.full(t.size, G)
    contacts = []
    top, tau, build = rng.uniform(8.5, 10), rng.uniform(1.1, 1.3), rng.uniform(0.1, 0.16)
    for start in starts_s:
        x = t - start
        v = np.where(
            x < build,
            np.clip(x, 0, None) ** 2 / (2 * build),
            build / 2 + tau * (1 - np.exp(-np.clip(x - build, 0, None) / tau)),
        )
        v *= top / (build / 2 + tau)
        stop = np.clip((x - 6.0) / 2.5, 0, 1)
        v *= 0.5 + 0.5 * np.cos(np.pi * stop)
        v[(x < 0) | (x > 8.5)] = 0.0
        acc += np.gradient(v, t)
        step = 0.3 + np.r_[0, np.cumsum(0.21 + 0.06 * np.exp(-np.arange(34) / 3))]
        step = step[step < 8.0]
        contacts.append(start + step)
        for k, at in enumerate(start + step):
            here = slice(int(at * FINE_HZ), int((at + 0.2) * FINE_HZ))
            y = t[here] - at
            side = 1 + limp * (0.5 if k % 2 else -0.5)
            length = 0.14
            up[here] += np.where((y > 0) & (y < length), 24 * side * np.sin(np.pi * y / length), 0)
            up[here] += np.where((y > 0) & (y < 0.02), 25 * side * np.sin(np.pi * y / 0.02), 0)
        run = (x > 0.3) & (x < 8.3)
        up[run] -= 10.0 * np.clip((x[run] - 0.3) / 0.3, 0, 1) * np.clip((8.3 - x[run]) / 1.5, 0, 1)
        walk = (x > 10) & (x < 30)
        up[walk] += 1.5 * np.sin(2 * np.pi * 1.8 * x[walk])
        back[walk] = 1.5 * np.sin(np.pi * np.clip((x[walk] - 10) / 20, 0, 1)) ** 2
    speed = np.cumsum(acc) / FINE_HZ
    sway = 0.05 * np.sin(2 * np.pi * 0.35 * t + rng.uniform(0, 6))
    force = np.column_stack([acc + sway, 0.05 * np.cos(2 * np.pi * 0.3 * t), up])
    place = np.cumsum(speed - back) / FINE_HZ
    q, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    return Session(t, place, speed + back, force @ q, np.array(starts_s), np.concatenate(contacts))


def accelerometer(s: Session, rate_hz: float, seed: int, taps_s=()) -> tuple:
    """Sample times on the true clock and (n, 3) m/s²: means over a sample, noise, knocks."""
    rng = np.random.default_rng([seed, 1])
    width = max(1, round(FINE_HZ / rate_hz))
    force = s.force_mps2.copy()
    for tap in taps_s:
        way = rng.normal(size=3)
        pulse = np.clip(1 - np.abs(s.t_s - tap) / 0.008, 0, None) * rng.uniform(50, 100)
        force += pulse[:, None] * way / np.linalg.norm(way)
    total = np.vstack([np.zeros((1, 3)), np.cumsum(force, axis=0)])
    mean = (total[width:] - total[:-width]) / width
    middle = s.t_s[: mean.shape[0]] + (width - 1) / 2 / FINE_HZ
    pick = np.arange(rng.integers(0, width), middle.size, width)
    return middle[pick], mean[pick] + rng.normal(0, 0.08, (pick.size, 3))


def speeds(s: Session, rate_hz: float, seed: int, delay_s: float = 0.0) -> tuple:
    """Times of fixes, speeds and places with noise; the speed behind an averaging filter."""
    rng = np.random.default_rng([seed, 2])
    t = np.arange(0.5, s.t_s[-1] - 0.5, 1 / rate_hz)
    way = np.cumsum(s.speed_mps) / FINE_HZ
    if delay_s:
        v = (np.interp(t, s.t_s, way) - np.interp(t - 2 * delay_s, s.t_s, way)) / (2 * delay_s)
    else:
        v = np.interp(t, s.t_s, s.speed_mps)
    v = np.abs(v + rng.normal(0, 0.07, t.size))
    return t, v, np.interp(t, s.t_s, s.place_m) + rng.normal(0, 0.05, t.size)
