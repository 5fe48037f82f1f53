"""An evening on the track: who stands, walks, jogs and runs where, on one 200 Hz clock.

A Trace is a runner's whole evening in lane coordinates: `l_m` along the measured line,
`y_m` to the right of it, without the swing inside the step, the sway of standing and the
wander in the lane; `finish` adds those.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import plan
from numpy.typing import NDArray
from people import DT, Floats, Person, Rng, slow_noise

G = 9.80665


def ease(x: Floats) -> Floats:
    """0 to 1 with no jerk at the ends."""
    y = np.clip(x, 0, 1)
    out: Floats = y**3 * (10 - 15 * y + 6 * y * y)
    return out


class Trace:
    """One runner's evening, laid down piece by piece."""

    def __init__(self, person: Person, l_m: float, y_m: float, rng: Rng) -> None:
        self.person, self.rng = person, rng
        self._l, self._y, self._kind = [np.array([l_m])], [np.array([y_m])], [np.zeros(1, int)]
        self.n, self.l_m, self.y_m = 1, l_m, y_m
        self.starts: list[int] = []

    def _lay(self, l_m: Floats, y_m: Floats, kind: int) -> None:
        self._l.append(l_m)
        self._y.append(y_m)
        self._kind.append(np.full(len(l_m), kind))
        self.n += len(l_m)
        self.l_m, self.y_m = float(l_m[-1]), float(y_m[-1])

    def stand(self, until: int) -> None:
        k = until - self.n
        if k > 0:
            self._lay(np.full(k, self.l_m), np.full(k, self.y_m), 0)

    def walk(self, l_m: float, y_m: float, by: int, outside_m: float) -> None:
        """Go to a place and be there at index `by`, walking, or jogging where time is short."""
        far, room = abs(l_m - self.l_m), (by - self.n) * DT
        side = abs(y_m - self.y_m)
        speed = self.person.walk_mps * self.rng.uniform(0.9, 1.1)
        if far / speed + 3.0 > room:  # jog
            speed = max(2.4, (far + 0.5) / max(1.0, room - 2.0))
        ramp = 0.6 if speed < 2 else 1.2
        need = max(far / speed + ramp, 1.2 + 1.3 * side, 1.5)
        need = min(need, room)
        idle = (room - need) * self.rng.uniform(0.1, 0.8)
        self.stand(self.n + int(idle / DT))
        k = min(int(need / DT), by - self.n)
        if k < 2:
            self.stand(by)
            return
        x = np.arange(1, k + 1) / k
        rise = min(0.45, ramp / need)
        v = ease(x / rise) * ease((1 - x) / rise)
        way = np.cumsum(v) / np.sum(v)
        out = self.y_m + (outside_m - self.y_m) * ease(way / 0.25)
        y = out if far > 12 else np.full(k, self.y_m)
        y = y + (y_m - y) * ease((way - 0.7) / 0.3 if far > 12 else way)
        self._lay(self.l_m + (l_m - self.l_m) * way, y, 1)
        self.stand(by)

    def run(self, l_m: Floats, y_m: Floats, go: int) -> None:
        """A run as given; `go` counts samples from its first to the first movement."""
        self.starts.append(self.n + go)
        self._lay(l_m, y_m, 2)

    def linger(self, until: int) -> None:
        """Stand about: still for a while, then shift by a step or two."""
        while until - self.n > 20 / DT and self.rng.random() < 0.8:
            pause = self.rng.uniform(6, 14)
            self.stand(self.n + int(pause / DT))
            dl, dy = self.rng.normal(0, 0.5), self.rng.normal(0, 0.3)
            self.walk(self.l_m + dl, float(np.clip(self.y_m + dy, 3.2, 8)), self.n + 500, 5.0)

    def arrays(self, n: int) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """(n,) places along and across, and what each sample is: 0 standing, 1 walk, 2 run."""
        self.stand(n)
        parts = self._l, self._y
        along, across = (np.concatenate(x)[:n] for x in parts)
        return along, across, np.concatenate(self._kind)[:n]


@dataclass
class Body:
    """What the trunk does, on the 200 Hz grid."""

    person: Person
    l_smooth_m: Floats
    v_smooth_mps: Floats
    l_m: Floats
    y_m: Floats
    plan_xy_m: Floats
    ground_mps: Floats
    course_rad: Floats
    fwd_mps2: Floats
    left_mps2: Floats
    up_mps2: Floats
    pitch_rad: Floats
    roll_rad: Floats
    yaw_radps: Floats
    phase: Floats
    contact_t: Floats
    contact_v: Floats
    contact_left: NDArray[np.bool_]
    starts: list[int]


def _mean(x: Floats, width_s: float) -> Floats:
    w = int(width_s / DT) | 1
    return np.convolve(np.pad(x, w // 2, mode="edge"), np.full(w, 1 / w), mode="valid")


def _later(x: Floats, by_s: float) -> Floats:
    k = round(by_s / DT)
    return np.concatenate([np.full(k, x[0]), x[:-k]])


def finish(trace: Trace, grid_s: Floats, lane: int, rng: Rng) -> Body:
    p, n = trace.person, len(grid_s)
    l0, y0, kind = trace.arrays(n)
    v0 = np.gradient(l0, DT)
    pace = np.hypot(v0, np.gradient(y0, DT))
    sprint = kind == 2
    fast = np.clip((pace - 1.8) / 1.2, 0, 1)
    # steps a second: fewer in the first strides, as a walker's when walking
    f_run = p.step_hz * (0.72 + 0.28 * np.clip(pace / (0.9 * p.top_mps), 0, 1) ** 0.8)
    f_walk = np.where(pace > 0.1, 1.35 + 0.42 * pace, 0.0)
    f = np.where(
        sprint,
        np.maximum(f_walk, f_run * np.where(pace > 0.02, 1, 0)),
        f_walk + (2.65 - f_walk) * fast,
    )
    tail = sprint & (pace < 2.0) & (np.gradient(_mean(pace, 0.3), DT) < -0.05)
    f = np.where(tail, f_walk, f)
    f *= 1 + 0.012 * slow_noise(rng, n, DT, 0.8, 1.0)
    phase = np.cumsum(f) * DT
    for k in sorted(trace.starts):  # a start begins a new count: contacts at 1, 2, 3, ...
        phase[k:] += np.ceil(phase[k]) - phase[k] if k < n else 0.0
    part, parity = phase % 1.0, np.where(np.floor(phase) % 2 == 0, 1.0, -1.0)
    # speed swing: lost on landing, won back while pushing; left and right differ
    size = p.swing_mps * np.clip(pace / (0.8 * p.top_mps), 0, 1.1) + 0.03 * np.clip(pace, 0, 1.5)
    size = (
        size
        * (1 + 0.12 * slow_noise(rng, n, DT, 0.5, 1.0))
        * (1 + p.limp * 0.5 * parity * np.sin(np.pi * part) ** 2)
    )
    hz = np.maximum(_mean(f, 0.4), 1.0)
    turn = 2 * np.pi * part
    swing = (
        -size
        / (2 * np.pi * hz)
        * (np.sin(turn + 0.7) + 0.14 * np.sin(2 * turn + 0.3) - np.sin(0.7) - 0.14 * np.sin(0.3))
    )
    swing *= np.sin(0.5 * np.pi * np.clip(pace / 0.8, 0, 1)) ** 2
    still = np.exp(-((pace / 1.3) ** 2))
    # a standing trunk sways by a centimetre or two and no faster than a pendulum of its length
    sway, sway_y = (
        _mean(
            _mean(
                _mean(slow_noise(rng, n, DT, 0.7, quick) + slow_noise(rng, n, DT, 5.0, 0.012), 0.3),
                0.3,
            ),
            0.1,
        )
        for quick in (0.011, 0.014)
    )
    wander = slow_noise(rng, n, DT, 2.2, 0.09) + slow_noise(rng, n, DT, 0.6, 0.02)
    wander = 0.28 * np.tanh(wander / 0.28)
    zig = 0.012 * parity * np.sin(np.pi * part) * (1 - still)
    l_m = l0 + swing + sway * still
    y_m = y0 + wander * (1 - still) + sway_y * still + zig
    xy, _, curve = plan.on_track(l_m, y_m, lane)
    vel = np.gradient(xy, DT, axis=0)
    v = np.gradient(l_m, DT) * (1 + y_m * curve)
    fwd = np.gradient(v, DT)
    left = v * v * _mean(curve, 0.1) / (1 + y_m * curve) - np.gradient(np.gradient(y_m, DT), DT)
    duty = 0.62 - 0.2 * np.clip(pace / 9, 0, 1)
    flight = np.where(part < duty, np.pi / (2 * duty) * np.sin(np.pi * part / duty), 0.0)
    age = np.full(n, np.inf)  # phase since the last start: no flight before the first contact
    for k in sorted(trace.starts):
        age[k:] = phase[k:] - phase[min(k, n - 1)]
    flight = np.where(age < 1, 1 + 0.25 * np.sin(np.pi * np.clip(age, 0, 1)), flight)
    stride = 1 + 0.22 * np.cos(turn) * np.clip(pace / 1.2, 0, 1)
    up = G * (stride + (flight - stride) * np.where(sprint, np.clip(pace / 1.5, 0, 1), fast))
    # lean: forward while accelerating, into the bend, crouched before a start
    # (the trunk follows the push: nothing turns before the first movement)
    # (both come after what causes them: nothing may show before the first movement)
    smooth_a = _later(_mean(np.gradient(_mean(v0, 0.1), DT), 0.25), 0.18)
    late = int(0.18 / DT)
    smooth_a = np.concatenate([np.full(late, smooth_a[0]), smooth_a[:-late]])
    pitch = 0.06 + 0.04 * np.clip(pace / 8, 0, 1) + np.clip(smooth_a, -3, 8) * 0.085
    crouch = np.zeros(n)
    for k in sorted(trace.starts):
        a = max(0, k - int(rng.uniform(1.5, 3.5) / DT))
        rise = k + int(0.25 / DT)  # half the smoothing below: the trunk comes up from the start on
        crouch[a:rise] = rng.uniform(0.3, 0.7)
        release = crouch[rise : rise + int(0.7 / DT)]
        release[:] = np.linspace(crouch[k - 1], 0, int(0.7 / DT))[: len(release)]
    pitch += _later(_mean(_mean(crouch, 0.25), 0.25), 0.255)
    pitch += 0.03 * np.sin(turn + 1) * (1 - still) + slow_noise(rng, n, DT, 2.0, 0.03)
    roll = np.arctan(_mean(v0 * v0 * curve, 0.3) / G) * 0.9 + slow_noise(rng, n, DT, 2.0, 0.02)
    yaw = v0 * curve + 1.3 * parity * np.sin(np.pi * part) * np.clip(pace / 8, 0, 1)
    count = np.floor(phase).astype(int)
    hit = np.flatnonzero((np.diff(count) > 0) & (pace[1:] > 0.25) & (np.diff(phase) < 0.2)) + 1
    frac = (phase[hit] - count[hit]) / np.maximum(phase[hit] - phase[hit - 1], 1e-9)
    return Body(
        p, l0, v0, l_m, y_m, xy, np.hypot(vel[:, 0], vel[:, 1]),
        np.arctan2(vel[:, 1], vel[:, 0]), fwd, left, up, pitch, roll, yaw, phase,
        grid_s[hit] - frac * DT, pace[hit], count[hit] % 2 == 0, sorted(trace.starts),
    )  # fmt: skip
