"""What units make of a motion: receivers, accelerometers, clocks that count for themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from people import slow_noise

G = 9.80665


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


def shared_error(rng, level: Level, n: int, dt: float):
    fast = [slow_noise(rng, n, dt, rng.uniform(20, 40), level.shared_m[0]) for _ in range(2)]
    slow = [slow_noise(rng, n, dt, 300.0, level.shared_m[1]) for _ in range(2)]
    return np.stack(fast, 1) + np.stack(slow, 1)


def lagged(x, dt: float, delay_s: float, kind: str):
    """Causal low-pass of x (n,) whose group delay at rest is `delay_s`."""
    if delay_s <= 0:
        return x
    if kind == "average":
        w = max(1, round(2 * delay_s / dt))
        c = np.concatenate([np.zeros(1), np.cumsum(np.concatenate([np.full(w, x[0]), x]))])
        return ((c[w:] - c[:-w]) / w)[1:] if len(x) else x
    k = np.exp(-np.arange(int(12 * delay_s / dt)) * dt / delay_s)
    k /= k.sum()
    m = 1 << int(np.ceil(np.log2(len(x) + 2 * len(k))))
    padded = np.concatenate([np.full(len(k), x[0]), x])
    y = np.fft.irfft(np.fft.rfft(padded, m) * np.fft.rfft(k, m), m)
    return y[len(k) : len(k) + len(x)]


def receiver(rng, level, east_north, ground_speed, grid_s, t_s, common, delay_s, kind, delay_on):
    """Fixes at `t_s`: east-north (n, 2), speed (n,), keep mask; and what was put in."""
    dt = grid_s[1] - grid_s[0]
    n = len(t_s)
    xy, v = east_north, ground_speed
    w = 11  # carrier tracking averages over some 50 ms, without lag
    v = np.convolve(np.pad(v, w // 2, mode="edge"), np.full(w, 1 / w), mode="valid")
    v = lagged(v, dt, delay_s, kind)
    if delay_on == "both":
        xy = np.stack([lagged(xy[:, k], dt, delay_s, kind) for k in range(2)], 1)
    at = lambda y: np.interp(t_s, grid_s, y)  # noqa: E731
    coarse = np.arange(grid_s[0], grid_s[-1] + 1, 0.25)
    own = np.stack(
        [
            slow_noise(rng, len(coarse), 0.25, rng.uniform(20, 40), level.own_m[0])
            + slow_noise(rng, len(coarse), 0.25, 300.0, level.own_m[1])
            for _ in range(2)
        ],
        1,
    )
    white = rng.uniform(*level.white_m)
    speed_sd = rng.uniform(*level.speed_mps)
    scale = rng.normal(0, level.scale)
    fix = np.stack(
        [at(xy[:, k]) + np.interp(t_s, coarse, own[:, k] + common[:, k]) for k in range(2)], 1
    )
    fix += white * rng.standard_normal((n, 2))
    # heavy tails: a throw of several metres, now and then
    hit = rng.random(n) < level.outliers
    throw = 3 + 7 * rng.random(n) ** 2.5 + np.where(rng.random(n) < 0.1, 15 * rng.random(n), 0)
    way = rng.uniform(0, 2 * np.pi, n)
    fix += (hit * throw)[:, None] * np.stack([np.cos(way), np.sin(way)], 1)
    noise = speed_sd * rng.standard_normal((2, n))
    noise[0] += (rng.random(n) < level.speed_outliers) * rng.normal(0, 0.8, n)
    speed = np.hypot(at(v) + noise[0], noise[1] * 0.7) * (1 + scale)
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
        "delay_s": delay_s,
        "delay_kind": kind,
        "delay_on": delay_on,
        "outliers": int(hit.sum()),
        "lost": int((~keep).sum()),
    }
    return fix, np.round(speed, 2), np.clip(hdop, 0.5, 3), sats, keep, truth


def _bump(x):
    """Integral from the left of a raised cosine of width 1 and area 1 about 0."""
    x = np.clip(x, -0.5, 0.5)
    return x + 0.5 + np.sin(2 * np.pi * x) / (2 * np.pi)


def add_bumps(out, t_s, at_s, width_s, peak, dt):
    """Add bumps to out (n, 3) sampled at t_s (even, step dt), each averaged over one sample."""
    if len(at_s) == 0:
        return
    half = int(np.ceil((np.max(width_s) + dt) / dt)) + 1
    mid = np.searchsorted(t_s, at_s)
    k = mid[:, None] + np.arange(-half, half + 1)[None]
    ok = (k >= 0) & (k < len(t_s))
    k = np.clip(k, 0, len(t_s) - 1)
    x = t_s[k] - np.asarray(at_s)[:, None]
    w = np.broadcast_to(np.asarray(width_s, float), np.shape(at_s))[:, None]
    mean = (_bump((x + dt / 2) / w) - _bump((x - dt / 2) / w)) * (w / dt) / 2  # peak 1: area w/2
    for c in range(3):
        np.add.at(out[:, c], k, np.where(ok, mean * np.asarray(peak)[:, c][:, None], 0.0))


def _rotation(rng, sd_deg: float):
    a, b, c = np.radians(rng.normal(0, sd_deg, 3))
    rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    ry = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return rz @ ry @ rx


def accelerometer(rng, body, grid_s, t_s, knocks):
    """(n, 3) acceleration m/s² and (n, 3) turn rate rad/s of a unit on the upper back.

    `body`: what the trunk does on the grid (see evening.Body); `knocks`: (time, g, width).
    Axes of the unit: up the spine, to the left, backwards, tilted by a careless fit.
    """
    dt = float(np.median(np.diff(t_s[:1000])))
    at = lambda y: np.interp(t_s, grid_s, y)  # noqa: E731
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
        add_bumps(acc, t_s, np.array([when]), width, (g * G * d / np.linalg.norm(d))[None], dt)
    acc = acc * (1 + rng.normal(0, 0.008, 3)) + rng.normal(0, 0.15, 3)
    acc += rng.uniform(0.03, 0.12) * rng.standard_normal(acc.shape)
    turn = turn + rng.normal(0, 0.02, 3) + 0.02 * rng.standard_normal(turn.shape)
    lim = 16 * G
    return np.clip(acc, -lim, lim), np.clip(turn, -34.9, 34.9)
