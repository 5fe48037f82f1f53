"""The baton's course from start to finish: all runners of a race at once, with their covariance.

Its equations stand in docs/methods.md, "A race". Moments are seconds from `RaceFit.zero_utc_s`,
places metres along the race's line from its finish line, laps counted on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_array

from pipeline.base.values import Estimate, Floats, Frozen, Ints
from pipeline.measure import reps
from pipeline.measure.lane_line import at, curvature_at, heading_at, project
from pipeline.measure.model import (
    SIDEWAYS_M,
    STUDENT_NU,
    SWAY_M,
    SWAY_TIME_S,
    SWING_ALL_MPS,
    TARGET_MPS,
    TAU_S,
    roughness,
    run_knots,
)
from pipeline.measure.noise import SlowError
from pipeline.measure.races.line import RaceLine
from pipeline.measure.races.runs import RunOfLeg
from pipeline.measure.splines import SplineCells, cells_of, fill_rows

ITERATIONS = 8
SETTLED_M = 2e-3
DENSE_S = 4.0  # knots as of a takeover's run so long, then `run_step_s` apart
SHORT_RUN_S = 25.0
STEP_SHORT_S, STEP_LONG_S = 0.2, 0.5
SLOW_SHORT_S, SLOW_LONG_S = 1.0, 2.0  # between knots of the slow errors
SIDEWAYS_STEP_S = 1.5
BETWEEN_KNOTS_M = 0.06  # what a runner sways within it
FROM_START_S = 0.15  # speeds before it say no more than the launch does
SMOOTHED_MPS, SMOOTHED_S = 0.6, 0.4  # what a receiver's smoothing does to a start
LAUNCH_SD_S = 0.03  # of a launch in the speeds, beyond its own standard error
EASES_BEFORE_PASS_S = 0.7
USUAL_SIDE_M = (reps.INSIDE_M + reps.OUTSIDE_M) / 2
FREE_M, FREE_SD_M, FREE_SWAY_M = (
    reps.FREE_INCOMING_M.value,
    reps.FREE_INCOMING_M.sd,
    0.7,
)  # beside lane 1's line where no lane is kept
CLOSING_IN_M = 30.0  # in about so many metres the waiting runners' places are left
CROSSING_SWAY_M = 2.0  # between the break line and lane 1
FREE_SWAY_S = 5.0


@dataclass(frozen=True, slots=True)
class Meeting:
    """The trunks of the runners of legs `leg` and `leg + 1` (counted from 0) were so far apart at a
    moment, UTC."""

    leg: int
    moment_s: float
    gap_m: Estimate


@dataclass(frozen=True, slots=True)
class _Places:
    """Where one runner's unknowns stand in the whole vector; `own` is those of his course."""

    course: slice
    start: int
    stand: int
    scale: int
    delay: int
    late: int
    sideways: slice
    slow: tuple[slice, slice]


@dataclass(frozen=True, eq=False)
class _Leg(Frozen):
    """One runner's measurements on the race's line, and his spline."""

    number: int
    run: RunOfLeg
    t_s: Floats  # from the race's zero
    cells: SplineCells
    knots: tuple[float, ...]
    begin_s: float  # first guess of the first movement
    sideways_t_s: Floats
    places: _Places
    speed_noise_mps: float
    position_noise_m: float
    stand: Estimate
    place_m: Floats  # of each fix, as measured, laps counted on


@dataclass(frozen=True, eq=False)
class RaceFit(Frozen):
    """The solution: `x` (p,) with covariance `cov` (p, p); read by `crossing`, `top_speed`,
    `first_movement`."""

    zero_utc_s: float
    line: RaceLine
    legs: tuple[_Leg, ...]
    x: Floats
    cov: Floats

    def leg(self, number: int) -> _Leg | None:
        """The leg of that number, from 0, None where it was not recorded."""
        return next((one for one in self.legs if one.number == number), None)


# --- setting up ------------------------------------------------------------------------------


def solve_race(
    line: RaceLine,
    runs: Sequence[RunOfLeg | str],
    stands: Mapping[int, Estimate],
    meetings: Sequence[Meeting],
    levels: Mapping[str, reps.Levels],
    slow: SlowError,
    clock_sd_s: Mapping[str, float],
) -> RaceFit:
    """Solve the courses of all runners of a race by Gauss-Newton steps with Student's t weights.

    `stands` tell by leg (from 0) where a runner stood, on the race's line; `levels`, `slow` and
    `clock_sd_s` the units' noise, as everywhere in `measure`. Raises numpy.linalg.LinAlgError where
    the measurements do not determine the courses.
    """
    present = [(i, run) for i, run in enumerate(runs) if not isinstance(run, str)]
    if not present:
        raise np.linalg.LinAlgError("no runner of the race was recorded")
    zero = min(run.t_s[0] for _, run in present)
    last = max(run.t_s[-1] for _, run in present) - zero
    long = any(run.over_s - run.launch.value > SHORT_RUN_S for _, run in present)
    apart = SLOW_LONG_S if long else SLOW_SHORT_S
    slow_t = np.arange(0.0, last + apart, apart)
    met = {one.leg: one for one in meetings}
    legs: list[_Leg] = []
    size = 0
    for number, run in present:
        one = _lay_out(
            line, number, run, zero, size, len(slow_t), levels[run.runner], stands.get(number)
        )
        legs.append(one)
        size = one.places.slow[1].stop
    common = (slice(size, size + len(slow_t)), slice(size + len(slow_t), size + 2 * len(slow_t)))
    size += 2 * len(slow_t)
    prior, pull = _prior(line, legs, common, size, slow_t, slow, met, zero, clock_sd_s)
    x = np.zeros(size)
    for one in legs:
        _guess(line, one, x)
    moments = [
        (*pair, meeting)
        for meeting in meetings
        for pair in [tuple(one for one in legs if one.number in (meeting.leg, meeting.leg + 1))]
        if len(pair) == 2
    ]
    for _ in range(ITERATIONS):
        rows, residual, weight = _measurements(line, legs, common, slow_t, x, moments, zero)
        scaled = csr_array(rows.multiply(np.sqrt(weight)[:, None]))
        info = prior + (scaled.T @ scaled).toarray()
        gradient = pull - prior @ x + rows.T @ (weight * residual)
        if not np.isfinite(info).all():
            raise np.linalg.LinAlgError("the courses of the race do not stay finite")
        factor = cho_factor(info, lower=True, check_finite=False)
        step_x = cho_solve(factor, gradient)
        if not np.isfinite(step_x).all():
            raise np.linalg.LinAlgError("the courses of the race do not stay finite")
        x = x + step_x
        moved = max(float(np.abs(step_x[one.places.course]).max()) for one in legs)
        if moved < SETTLED_M:
            break
    cov = cho_solve(factor, np.eye(size))
    return RaceFit(zero, line, tuple(legs), x, (cov + cov.T) / 2)


def _lay_out(
    line: RaceLine,
    number: int,
    run: RunOfLeg,
    zero: float,
    before: int,
    slow_knots: int,
    level: reps.Levels,
    stand: Estimate | None,
) -> _Leg:
    t = run.t_s - zero
    start = run.onset.value if run.onset is not None else run.launch.value - reps.DELAY_S.value
    begin = start - zero
    length = float(t[-1]) - begin + 0.6
    step = STEP_SHORT_S if length < SHORT_RUN_S else STEP_LONG_S
    breaks = run_knots(min(length, DENSE_S))
    more = np.arange(breaks[-1] + step, length + step, step)
    breaks = np.concatenate([breaks, more])
    knots = np.concatenate([np.repeat(breaks[0], 3), breaks, np.repeat(breaks[-1], 3)])
    sideways = np.linspace(
        t[0], t[-1] + 1e-9, max(2, int(np.ceil((t[-1] - t[0]) / SIDEWAYS_STEP_S)) + 1)
    )
    place = before

    def take(n: int) -> slice:
        nonlocal place
        place += n
        return slice(place - n, place)

    places = _Places(
        course=take(len(knots) - 4 - 3),
        start=take(1).start,
        stand=take(1).start,
        scale=take(1).start,
        delay=take(1).start,
        late=take(1).start,
        sideways=take(len(sideways)),
        slow=(take(slow_knots), take(slow_knots)),
    )
    placed = _unroll(line, number, run)
    if stand is None:
        known = np.isfinite(placed)
        waited = known & (run.t_s < start)
        seen = np.median(placed[waited]) if waited.any() else placed[known][0]
        stand = Estimate(float(seen), reps.UNKNOWN_STAND_SD_M)
    as_tuple = tuple(knots.tolist())
    return _Leg(
        number,
        run,
        t,
        cells_of(as_tuple),
        as_tuple,
        begin,
        sideways,
        places,
        float(np.hypot(level.speed_mps, SWING_ALL_MPS)),
        float(np.hypot(level.position_m, BETWEEN_KNOTS_M)),
        stand,
        placed,
    )


def _unroll(line: RaceLine, number: int, run: RunOfLeg) -> Floats:
    """The fixes' places along the line, laps counted on: near the leg's line at its start."""
    s, _ = project(line, run.xy_m)
    known = np.isfinite(s)
    if not known.any():
        raise np.linalg.LinAlgError(f"{run.runner}'s unit gives no places in the race")
    out = np.full(len(s), np.nan)
    out[known] = np.unwrap(line.in_lap(s[known]), period=line.lap_m)
    begins = line.lines[number]
    due = begins.value if begins is not None else _due_start(line, number)
    here = float(np.interp(run.launch.value, run.t_s[known], out[known]))
    return out + line.lap_m * round((due - here) / line.lap_m)


def _due_start(line: RaceLine, number: int) -> float:
    """About where a leg begins whose line is not surveyed: between its neighbours."""
    known = [(i, one.value) for i, one in enumerate(line.lines) if one is not None]
    if not known:
        raise np.linalg.LinAlgError("none of the race's lines is surveyed")
    i, value = min(known, key=lambda one: abs(one[0] - number))
    others = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(known)]
    return value + (number - i) * (float(np.mean(others)) if others else line.lap_m / 4)


def _guess(line: RaceLine, one: _Leg, x: Floats) -> None:
    """Start values, in place: the course through the places as measured."""
    p = one.places
    x[p.start], x[p.stand] = one.begin_s, one.stand.value
    x[p.delay] = reps.DELAY_S.value
    known = np.isfinite(one.place_m)
    x[p.sideways] = _usual_side(line, one)[0]
    u = one.t_s[known] - one.begin_s
    near = one.cells.locate(np.zeros(len(u), dtype=np.intp), u)
    rows = fill_rows(near.cell, one.cells.derive_basis(near, 0), len(one.knots) - 4)[:, 3:]
    penalty, _ = roughness(one.knots, TAU_S, None, launched=True)
    info = rows.T @ rows + penalty[3:, 3:] + 1e-6 * np.eye(rows.shape[1])
    x[p.course] = np.linalg.solve(info, rows.T @ (one.place_m[known] - one.stand.value))


def _usual_side(line: RaceLine, one: _Leg) -> tuple[Floats, Floats]:
    """Mean (k,) and covariance (k, k) of the sideways places at their knots."""
    known = np.isfinite(one.place_m)
    s = np.interp(one.sideways_t_s, one.t_s[known], one.place_m[known])
    kept, free = s <= line.break_m, s > line.joined_m
    outward = line.lane_aside(s)
    share = np.clip((s - line.break_m) / max(line.joined_m - line.break_m, 1.0), 0, 1)
    share = np.where(kept, 0.0, share)
    mean = outward * (1 - share) + np.where(kept, USUAL_SIDE_M, FREE_M)
    waited = np.exp(-np.maximum(s - one.stand.value, 0.0) / CLOSING_IN_M)
    if one.stand.value > line.joined_m:
        mean = mean + (reps.FREE_OUTGOING_M.value - FREE_M) * waited
    long = np.where(kept, SIDEWAYS_M, FREE_SD_M)
    sway = np.where(kept, SWAY_M, np.where(free, FREE_SWAY_M, CROSSING_SWAY_M))
    apart = np.abs(one.sideways_t_s[:, None] - one.sideways_t_s[None, :])
    time = np.where(kept[:, None] & kept[None, :], SWAY_TIME_S, FREE_SWAY_S)
    same = kept[:, None] == kept[None, :]
    cov = np.outer(long, long) * same + np.outer(sway, sway) * np.exp(-apart / time) * same
    return mean, cov + 1e-6 * np.eye(len(mean))


def _prior(
    line: RaceLine,
    legs: Sequence[_Leg],
    common: tuple[slice, slice],
    size: int,
    slow_t: Floats,
    slow: SlowError,
    met: Mapping[int, Meeting],
    zero: float,
    clock_sd_s: Mapping[str, float],
) -> tuple[Floats, Floats]:
    """Information (p, p) and vector (p,) of what is believed beforehand."""
    info, vector = np.zeros((size, size)), np.zeros(size)

    def add(where: Ints | slice, mean: Floats, cov: Floats) -> None:
        own = np.arange(where.start, where.stop) if isinstance(where, slice) else where
        precision = np.linalg.inv(cov)
        info[np.ix_(own, own)] += precision
        vector[own] += precision @ mean

    own_cov = slow.own(slow_t, slow_t) + 1e-6 * np.eye(len(slow_t))
    own_precision = np.linalg.inv(own_cov)
    shared = slow.shared(slow_t, slow_t) + 1e-6 * np.eye(len(slow_t))
    for axis in (0, 1):
        add(common[axis], np.zeros(len(slow_t)), shared)
    for one in legs:
        p = one.places
        eases = None
        if one.number in met:
            eases = met[one.number].moment_s - zero - one.begin_s - EASES_BEFORE_PASS_S
        penalty, target = roughness(one.knots, TAU_S, eases, launched=True)
        target = target[3:] / TARGET_MPS.sd
        info[p.course, p.course] += penalty[3:, 3:] + np.outer(target, target)
        vector[p.course] += target * TARGET_MPS.value / TARGET_MPS.sd
        info[p.start, p.start] += 1.0
        vector[p.start] += one.begin_s
        info[p.stand, p.stand] += one.stand.sd**-2
        vector[p.stand] += one.stand.value / one.stand.sd**2
        add(p.sideways, *_usual_side(line, one))
        for axis in (0, 1):
            info[p.slow[axis], p.slow[axis]] += own_precision
        _add_start(one, zero, info, vector)
    n = len(legs)
    scales = np.array([one.places.scale for one in legs])
    add(scales, np.zeros(n), reps.SCALE_SD**2 * np.eye(n))
    delays = np.array([one.places.delay for one in legs])
    spread = reps.DELAY_S.sd**2 + reps.DELAY_OWN_SD_S**2 * np.eye(n)
    add(delays, np.full(n, reps.DELAY_S.value), spread)
    late = np.array([one.places.late for one in legs])
    clocks = np.array([clock_sd_s.get(one.run.runner, 0.0) for one in legs])
    spread = reps.POSITION_DELAY_SD_S**2 * (1 + np.eye(n)) + np.diag(clocks**2)
    add(late, np.zeros(n), spread)
    return info, vector


def _add_start(one: _Leg, zero: float, info: Floats, vector: Floats) -> None:
    """What the launch in the speeds, and an accelerometer, say of the first movement, in place."""
    p, launch, onset = one.places, one.run.launch, one.run.onset
    where = np.array([p.start, p.delay])
    sd = float(np.hypot(launch.sd, LAUNCH_SD_S))
    info[np.ix_(where, where)] += sd**-2
    vector[where] += (launch.value - zero) / sd**2
    if onset is not None:
        sd = float(np.hypot(onset.sd, reps.ONSET_LATE_OWN_SD_S))
        info[p.start, p.start] += sd**-2
        vector[p.start] += (onset.value - zero) / sd**2


# --- what was measured -------------------------------------------------------------------------


class _Rows:
    """Rows of the measurements, collected as a sparse matrix."""

    def __init__(self, size: int) -> None:
        self._size, self._count = size, 0
        self._row: list[Ints] = []
        self._column: list[Ints] = []
        self._value: list[Floats] = []
        self._residual: list[Floats] = []
        self._weight: list[Floats] = []

    def add(self, parts: Sequence[tuple[Ints, Floats]], residual: Floats, weight: Floats) -> None:
        """Rows (n,): each part is columns (n, k) or (k,) and their values (n, k)."""
        n = len(residual)
        rows = self._count + np.arange(n)
        for columns, values in parts:
            full = np.broadcast_to(columns, values.shape)
            self._row.append(np.repeat(rows, values.shape[1]))
            self._column.append(full.ravel())
            self._value.append(values.ravel())
        self._residual.append(residual)
        self._weight.append(weight)
        self._count += n

    def join(self) -> tuple[csr_array, Floats, Floats]:
        rows = np.concatenate(self._row), np.concatenate(self._column)
        matrix = csr_array((np.concatenate(self._value), rows), shape=(self._count, self._size))
        return matrix, np.concatenate(self._residual), np.concatenate(self._weight)


def _follow(one: _Leg, x: Floats, t_s: Floats, order: int) -> tuple[Floats, Ints, Floats]:
    """Derivative `order` of the course at moments (n,), with the columns (n, 4) and the values
    (n, 4) of the spline's coefficients; columns of the tied ones are those of the first, at 0."""
    u = t_s - x[one.places.start]
    near = one.cells.locate(np.zeros(len(u), dtype=np.intp), u)
    basis = one.cells.derive_basis(near, order)
    index = near.cell[:, None] + np.arange(4) - 3
    basis = np.where(index >= 0, basis, 0.0)
    columns = one.places.course.start + np.maximum(index, 0)
    value = (basis * x[columns]).sum(axis=1)
    return value + (x[one.places.stand] if order == 0 else 0.0), columns, basis


def _between(knots_s: Floats, t_s: Floats, begin: int) -> tuple[Ints, Floats]:
    """Columns (n, 2) and values (n, 2) of what changes linearly between knots."""
    i = np.clip(np.searchsorted(knots_s, t_s, side="right") - 1, 0, len(knots_s) - 2)
    part = np.clip((t_s - knots_s[i]) / (knots_s[i + 1] - knots_s[i]), 0, 1)
    return begin + i[:, None] + np.arange(2), np.stack([1 - part, part], axis=1)


def _measurements(
    line: RaceLine,
    legs: Sequence[_Leg],
    common: tuple[slice, slice],
    slow_t: Floats,
    x: Floats,
    moments: Sequence[tuple[_Leg, _Leg, Meeting]],
    zero: float,
) -> tuple[csr_array, Floats, Floats]:
    """Rows (m, p), residuals (m,) and weights (m,) of everything measured, about `x`."""
    out = _Rows(len(x))
    for one in legs:
        _add_positions(out, line, one, common, slow_t, x)
        _add_speeds(out, line, one, x)
    for first, second, meeting in moments:
        t = np.array([meeting.moment_s - zero])
        (s_in, in_columns, in_values), (s_out, out_columns, out_values) = (
            _follow(leg, x, t, 0) for leg in (first, second)
        )
        gap = meeting.gap_m
        parts = [
            (in_columns, -in_values),
            (out_columns, out_values),
            (np.array([first.places.stand]), np.array([[-1.0]])),
            (np.array([second.places.stand]), np.array([[1.0]])),
            (np.array([first.places.start]), _follow(first, x, t, 1)[0][:, None]),
            (np.array([second.places.start]), -_follow(second, x, t, 1)[0][:, None]),
        ]
        out.add(parts, gap.value - (s_out - s_in), np.array([gap.sd**-2]))
    return out.join()


def _add_positions(
    out: _Rows,
    line: RaceLine,
    one: _Leg,
    common: tuple[slice, slice],
    slow_t: Floats,
    x: Floats,
) -> None:
    known = np.isfinite(one.run.xy_m[:, 0])
    t, p = one.t_s[known], one.places
    on = t - x[p.late]
    s, columns, basis = _follow(one, x, on, 0)
    v = _follow(one, x, on, 1)[0]
    aside_at, aside_values = _between(one.sideways_t_s, t, p.sideways.start)
    e = (aside_values * x[aside_at]).sum(axis=1)
    lap = line.in_lap(s)
    heading = heading_at(line, lap)
    bent = 1 + e * curvature_at(line, lap)
    place = at(line, lap, e)
    ahead = np.stack([np.cos(heading), np.sin(heading)])
    right = np.stack([np.sin(heading), -np.cos(heading)])
    residuals = []
    for axis in (0, 1):
        slow_at, slow_values = _between(slow_t, t, p.slow[axis].start)
        all_at, _ = _between(slow_t, t, common[axis].start)
        error = (slow_values * (x[slow_at] + x[all_at])).sum(axis=1)
        residuals.append(one.run.xy_m[known, axis] - place[:, axis] - error)
    squares = (residuals[0] ** 2 + residuals[1] ** 2) / one.position_noise_m**2
    weight = (STUDENT_NU + 2) / (STUDENT_NU + squares) / one.position_noise_m**2
    for axis in (0, 1):
        along = (ahead[axis] * bent)[:, None]
        slow_at, slow_values = _between(slow_t, t, p.slow[axis].start)
        all_at, _ = _between(slow_t, t, common[axis].start)
        parts = [
            (columns, along * basis),
            (np.array([p.stand]), along),
            (np.array([p.start]), -along * v[:, None]),
            (np.array([p.late]), -along * v[:, None]),
            (aside_at, right[axis][:, None] * aside_values),
            (slow_at, slow_values),
            (all_at, slow_values),
        ]
        out.add(parts, residuals[axis], weight)


def _add_speeds(out: _Rows, line: RaceLine, one: _Leg, x: Floats) -> None:
    p = one.places
    known = np.isfinite(one.run.speed_mps) & (one.t_s - x[p.delay] > x[p.start] + FROM_START_S)
    t = one.t_s[known]
    if not len(t):
        return
    on = t - x[p.delay]
    s = _follow(one, x, on, 0)[0]
    v, columns, basis = _follow(one, x, on, 1)
    a = _follow(one, x, on, 2)[0]
    aside_at, aside_values = _between(one.sideways_t_s, t, p.sideways.start)
    e = (aside_values * x[aside_at]).sum(axis=1)
    curvature = curvature_at(line, line.in_lap(s))
    bent = (1 + e * curvature)[:, None]
    scale = 1 + x[p.scale]
    residual = one.run.speed_mps[known] - scale * bent[:, 0] * v
    smoothed = SMOOTHED_MPS * np.exp(-np.maximum(on - x[p.start], 0.0) / SMOOTHED_S)
    noise = np.hypot(one.speed_noise_mps, smoothed)
    weight = (STUDENT_NU + 1) / (STUDENT_NU + (residual / noise) ** 2) / noise**2
    parts = [
        (columns, scale * bent * basis),
        (np.array([p.start]), -scale * bent * a[:, None]),
        (np.array([p.delay]), -scale * bent * a[:, None]),
        (np.array([p.scale]), bent * v[:, None]),
        (aside_at, scale * (v * curvature)[:, None] * aside_values),
    ]
    out.add(parts, residual, weight)


# --- reading the solution ------------------------------------------------------------------------


def crossing(fit: RaceFit, leg: int, place_m: float) -> tuple[float, Floats] | None:
    """When the trunk of a leg's runner (from 0) crosses a place of the line: the moment, UTC, and
    its row (p,); None where he was not recorded or did not come there."""
    one = fit.leg(leg)
    if one is None:
        return None
    t = np.arange(fit.x[one.places.start], one.t_s[-1] + 0.05, 0.05)
    s = _follow(one, fit.x, t, 0)[0]
    above = np.flatnonzero((s[:-1] < place_m) & (s[1:] >= place_m))
    if not len(above):
        return None
    i = int(above[0])
    moment = float(t[i] + 0.05 * (place_m - s[i]) / (s[i + 1] - s[i]))
    speed = 1.0
    for _ in range(4):
        here = np.array([moment])
        speed = max(float(_follow(one, fit.x, here, 1)[0][0]), 0.3)
        moment += (place_m - float(_follow(one, fit.x, here, 0)[0][0])) / speed
    row = np.zeros(len(fit.x))
    _, columns, basis = _follow(one, fit.x, np.array([moment]), 0)
    np.add.at(row, columns[0], -basis[0] / speed)
    row[one.places.stand] = -1 / speed
    row[one.places.start] = 1.0
    return fit.zero_utc_s + moment, row


def first_movement(fit: RaceFit, leg: int) -> tuple[float, Floats] | None:
    """The first movement of a leg's runner (from 0), UTC, and its row (p,)."""
    one = fit.leg(leg)
    if one is None:
        return None
    row = np.zeros(len(fit.x))
    row[one.places.start] = 1.0
    return fit.zero_utc_s + float(fit.x[one.places.start]), row


def speed_at(fit: RaceFit, leg: int, moment_s: float) -> float:
    """Speed [m/s] along the line of a leg's runner (from 0) at a moment, UTC."""
    one = fit.leg(leg)
    if one is None:
        return 0.0
    return float(_follow(one, fit.x, np.array([moment_s - fit.zero_utc_s]), 1)[0][0])


def top_speed(fit: RaceFit, leg: int, from_s: float, to_s: float) -> Estimate | None:
    """The top speed over ground [m/s] of a leg's runner (from 0) between two moments, UTC."""
    one = fit.leg(leg)
    if one is None or to_s - from_s < 1.0:
        return None
    t = np.arange(from_s, to_s, 0.1) - fit.zero_utc_s
    v, columns, basis = _follow(one, fit.x, t, 1)
    s = _follow(one, fit.x, t, 0)[0]
    a = _follow(one, fit.x, t, 2)[0]
    aside_at, aside_values = _between(one.sideways_t_s, t, one.places.sideways.start)
    curvature = curvature_at(fit.line, fit.line.in_lap(s))
    bent = 1 + (aside_values * fit.x[aside_at]).sum(axis=1) * curvature
    i = int(np.argmax(v * bent))
    row = np.zeros(len(fit.x))
    np.add.at(row, columns[i], bent[i] * basis[i])
    np.add.at(row, aside_at[i], v[i] * curvature[i] * aside_values[i])
    row[one.places.start] = -bent[i] * a[i]
    return Estimate(float(v[i] * bent[i]), float(np.sqrt(row @ fit.cov @ row)))
