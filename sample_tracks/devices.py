"""What units make of a motion: receivers, accelerometers, clocks that count for themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from evening import Body, G
from numpy.typing import NDArray
from people import Floats, Rng, slow_noise

SLOW_DT = 0.25  # step of the slow errors
Knock = tuple[float, float, float]  # UTC, size in g, width in s


@dataclass(frozen=True)
class Lag:
    """A receiver's low-pass: group delay, kind (first order, average), on speed or both."""

    delay_s: float
    kind: str
    on: str


@dataclass(frozen=True)
class Level:
    """How good the receivers of an evening are; standard deviations."""

    shared_m: tuple[float, float]  # fast and slow part of what all units at the venue share
    own_m: tuple[float, float]
    white_m: tuple[float, float]  # from, to
    speed_mps: tuple[float, float]
    scale: float
    outliers: float  # share of the fixes
    speed_outliers: float
    gaps_per_h: float
    delay_s: tuple[float, float]


LEVELS = {
    "quiet": Level((0.25, 0.4), (0.2, 0.25), (0.02, 0.05), (0.03, 0.05), 0.003, 0, 0, 0, (0, 0)),
    "ordinary": Level(
        (0.5, 0.75), (0.4, 0.5), (0.03, 0.15), (0.05, 0.12), 0.004, 0.001, 0.002, 3, (0, 0)
    ),
    "rough": Level(
        (1.0, 1.5), (0.8, 1.0), (0.05, 0.25), (0.06, 0.14), 0.005, 0.01, 0.01, 25, (0.15, 0.25)
    ),
}


def shared_error(rng: Rng, level: Level, n: int) -> Floats:
    """(n, 2) east-north metres every SLOW_DT, felt by every unit at the venue."""
    dt = SLOW_DT
    fast = [slow_noise(rng, n, dt, rng.uniform(20, 40), level.shared_m[0]) for _ in range(2)]
    slow = [slow_noise(rng, n, dt, 300.0, level.shared_m[1]) for _ in range(2)]
    return np.stack(fast, 1) + np.stack(slow, 1)


def lagged(x: Floats, dt: float, delay_s: float, kind: str) -> Floats:
    """Causal low-pass of x (n,) whose group delay at rest is `delay_s`."""
    if delay_s <= 0:
        return x
    if kind == "average":
        w = max(1, round(2 * delay_s / dt))
        c = np.concatenate([np.zeros(1), np.cumsum(np.concatenate([np.full(w, x[0]), x]))])
        mean: Floats = ((c[w:] - c[:-w]) / w)[1:]
        return mean
    k = np.exp(-np.arange(int(12 * delay_s / dt)) * dt / delay_s)
    k /= k.sum()
    m = 1 << int(np.ceil(np.log2(len(x) + 2 * len(k))))
    padded = np.concatenate([np.full(len(k), x[0]), x])
    y: Floats = np.fft.irfft(np.fft.rfft(padded, m) * np.fft.rfft(k, m), m)
    return y[len(k) : len(k) + len(x)]


def receiver(
    rng: Rng, level: Level, east_north: Floats, ground_mps: Floats, grid_s: Floats,
    t_s: Floats, common_m: Floats, lag: Lag,
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.bool_], dict[str, Any]]:  # fmt: skip
    """Fixes at `t_s`: east-north (n, 2), speed, hdop, satellites (n,), which of them reached
    the file; and what was put in."""
    dt = float(grid_s[1] - grid_s[0])
    n = len(t_s)
    w = 11  # carrier tracking averages over some 50 ms, without lag
    v = np.convolve(np.pad(ground_mps, w // 2, mode="edge"), np.full(w, 1 / w), mode="valid")
    v = lagged(v, dt, lag.delay_s, lag.kind)
    xy = east_north
    if lag.on == "both":
        xy = np.stack([lagged(xy[:, k], dt, lag.delay_s, lag.kind) for k in range(2)], 1)
    slow_s = grid_s[0] + SLOW_DT * np.arange(len(common_m))
    own = [
        slow_noise(rng, len(slow_s), SLOW_DT, rng.uniform(20, 40), level.own_m[0])
        + slow_noise(rng, len(slow_s), SLOW_DT, 300.0, level.own_m[1])
        for _ in range(2)
    ]
    white = rng.uniform(*level.white_m)
    speed_sd = rng.uniform(*level.speed_mps)
    scale = rng.normal(0, level.scale)
    parts = [
        np.interp(t_s, grid_s, xy[:, k]) + np.interp(t_s, slow_s, own[k] + common_m[:, k])
        for k in range(2)
    ]
    fix = np.stack(parts, 1)
    fix += white * rng.standard_normal((n, 2))
    # heavy tails: a throw of several metres, now and then
    hit = rng.random(n) < level.outliers
    throw = 3 + 7 * rng.random(n) ** 2.5 + np.where(rng.random(n) < 0.1, 15 * rng.random(n), 0)
    way = rng.uniform(0, 2 * np.pi, n)
    fix += (hit * throw)[:, None] * np.stack([np.cos(way), np.sin(way)], 1)
    noise = speed_sd * rng.standard_normal((2, n))
    noise[0] += (rng.random(n) < level.speed_outliers) * rng.normal(0, 0.8, n)
    speed = np.hypot(np.interp(t_s, grid_s, v) + noise[0], noise[1] * 0.7) * (1 + scale)
    floor = 0.2 if rng.random() < 0.4 else 0.0
    speed = np.where(speed < floor, 0.0, speed)
    keep = np.ones(n, bool)
    for _ in range(rng.poisson(level.gaps_per_h * (t_s[-1] - t_s[0]) / 3600)):
        a = rng.uniform(t_s[0], t_s[-1])
        keep &= ~((t_s > a) & (t_s < a + rng.uniform(1, 3)))
    keep[0] = True
    hdop = np.round(rng.uniform(0.6, 1.1) * (1 + 0.1 * slow_noise(rng, n, 1.0, 60, 1.0)), 2)
    sats = np.clip(np.round(14 + 2 * slow_noise(rng, n, 1.0, 60, 1.0)), 6, 24)
    truth = {
        "white_m": white,
        "speed_noise_mps": speed_sd,
        "speed_scale": scale,
        "speed_floor_mps": floor,
        "delay_s": lag.delay_s,
        "delay_kind": lag.kind,
        "delay_on": lag.on,
        "outliers": int(hit.sum()),
        "lost": int((~keep).sum()),
    }
    columns = [np.asarray(c, np.float64) for c in (np.round(speed, 2), np.clip(hdop, 0.5, 3), sats)]
    return fix, columns[0], columns[1], columns[2], keep, truth


def _bump(x: Floats) -> Floats:
    """Integral from the left of a raised cosine of width 1 and area 1 about 0."""
    y = np.clip(x, -0.5, 0.5)
    out: Floats = y + 0.5 + np.sin(2 * np.pi * y) / (2 * np.pi)
    return out


def add_bumps(
    out: Floats, t_s: Floats, at_s: Floats, width_s: Floats, peak: Floats, dt: float
) -> None:
    """Add bumps to out (n, 3) sampled at t_s (even, step dt), each averaged over one sample."""
    if len(at_s) == 0:
        return
    half = int(np.ceil((np.max(width_s) + dt) / dt)) + 1
    mid = np.searchsorted(t_s, at_s)
    k = mid[:, None] + np.arange(-half, half + 1)[None]
    ok = (k >= 0) & (k < len(t_s))
    k = np.clip(k, 0, len(t_s) - 1)
    x = t_s[k] - at_s[:, None]
    w = width_s[:, None]
    mean = (_bump((x + dt / 2) / w) - _bump((x - dt / 2) / w)) * (w / dt) / 2  # peak 1: area w/2
    for c in range(3):
        np.add.at(out[:, c], k, np.where(ok, mean * peak[:, c][:, None], 0.0))


def _rotation(rng: Rng, sd_deg: float) -> Floats:
    a, b, c = np.radians(rng.normal(0, sd_deg, 3))
    rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    ry = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    out: Floats = rz @ ry @ rx
    return out


def accelerometer(
    rng: Rng, body: Body, grid_s: Floats, t_s: Floats, knocks: list[Knock]
) -> tuple[Floats, Floats]:
    """(n, 3) acceleration m/s² and (n, 3) turn rate rad/s of a unit on the upper back.

    `body`: what the trunk does on the grid (see evening.Body); `knocks`: (time, g, width).
    Axes of the unit: up the spine, to the left, backwards, tilted by a careless fit.
    """
    dt = float(np.median(np.diff(t_s[:1000])))

    def at(y: Floats) -> Floats:
        return np.interp(t_s, grid_s, y)

    fwd, left, up = at(body.fwd_mps2), at(body.left_mps2), at(body.up_mps2)
    force = np.stack([fwd, left, up], 1)
    run = body.contact_v > 2.2
    n = len(body.contact_t)
    side = np.where(body.contact_left, 1 + 0.6 * body.person.limp, 1 - 0.6 * body.person.limp)
    size = np.where(
        run,
        body.person.impact_g
        * (0.75 + 0.25 * np.clip(body.contact_v / 8, 0, 1.2))
        * side
        * np.exp(0.15 * rng.standard_normal(n)),
        0.25 * np.clip(body.contact_v, 0.2, 2.5) * np.exp(0.3 * rng.standard_normal(n)),
    )
    along = np.stack(
        [-0.35 * size, 0.25 * size * np.where(body.contact_left, 1, -1), 0.9 * size], 1
    )
    add_bumps(force, t_s, body.contact_t, rng.uniform(0.024, 0.036, n), along * G, dt)
    pitch, roll = at(body.pitch_rad), at(body.roll_rad)
    cp, sp = np.cos(pitch), np.sin(pitch)
    ahead = cp * force[:, 0] - sp * force[:, 2]
    spine = cp * force[:, 2] + sp * force[:, 0]
    cr, sr = np.cos(roll), np.sin(roll)
    spine, left = cr * spine + sr * force[:, 1], cr * force[:, 1] - sr * spine
    acc = np.stack([spine, left, -ahead], 1)
    turn = np.stack(
        [
            at(body.yaw_radps),
            at(np.gradient(body.pitch_rad, grid_s)),
            -at(np.gradient(body.roll_rad, grid_s)),
        ],
        1,
    )
    fit = _rotation(rng, 6.0)
    acc, turn = acc @ fit.T, turn @ fit.T
    for when, g, width in knocks:
        d = rng.standard_normal(3)
        peak = (g * G * d / np.linalg.norm(d))[None]
        add_bumps(acc, t_s, np.array([when]), np.array([width]), peak, dt)
    acc = acc * (1 + rng.normal(0, 0.008, 3)) + rng.normal(0, 0.15, 3)
    acc += rng.uniform(0.03, 0.12) * rng.standard_normal(acc.shape)
    turn = turn + rng.normal(0, 0.02, 3) + 0.02 * rng.standard_normal(turn.shape)
    lim = 16 * G
    return np.clip(acc, -lim, lim), np.clip(turn, -34.9, 34.9)
