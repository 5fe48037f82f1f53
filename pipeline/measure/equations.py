"""Normal equations of many reps at once, at one point of their unknowns each.

All that is done sample by sample (splines, lane, receivers' filters, Student weights) is done for
all reps in one go. What a measurement knows nothing of has no column: a speed moves some thirty
unknowns of its runner's hundred, a position a dozen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.base.values import Floats, Frozen, Ints, ZoneAxis
from pipeline.measure import model
from pipeline.measure.model import (
    Layout,
    Problem,
    RunnerMeasurements,
    first_movement_row,
    guess_first,
    lay_out_unknowns,
    quadratic_prior,
    sideways_knots,
    steps_seen,
)
from pipeline.measure.splines import SplineCells, cells_of, join_splines
from pipeline.measure.zones import at, curvature_at, heading_at

SHARPEST_AVERAGE_S = 0.02  # a receiver that smooths over less is taken not to smooth
START_BEFORE_S, START_AFTER_S, START_NOISES = 0.4, 1.0, 8.0  # about a start no speed is doubted
AT_REST_BELOW_MPS = 0.5  # below it a unit shows the speeds of rest
SWING_FROM_MPS = 2.0  # nobody steps below this
TAIL_NODES, TAIL_WEIGHTS = np.polynomial.laguerre.laggauss(3)


class Averaging(NamedTuple):
    """Nodes (6,) about the mean delay over which a receiver averages, in s, and their weights as
    a moving average of this half-width and as a first-order filter of this time constant."""

    lags_s: Floats
    box: Floats
    tail: Floats


def average_over(width_s: float) -> Averaging:
    """How a receiver averages its speed over about `width_s`."""
    none = np.zeros(3)
    if width_s < SHARPEST_AVERAGE_S:
        one = np.eye(6)[0]
        return Averaging(np.zeros(6), one, one)
    return Averaging(
        width_s * np.concatenate([model.NODES, TAIL_NODES - 1]),
        np.concatenate([model.NODE_WEIGHTS, none]),
        np.concatenate([none, TAIL_WEIGHTS]),
    )


@dataclass(frozen=True, eq=False)
class PreparedRep(Frozen):
    """One rep with all that does not change while it is solved."""

    problem: Problem
    layouts: tuple[Layout, Layout]
    size: int
    prior_info: Floats
    prior_vector: Floats
    waves: tuple[Floats, Floats]  # by role (n, w), of the speeds; see `_swing_waves`
    slow_rows: tuple[Floats, Floats]  # by role (n, k), of the positions


def prepare_rep(problem: Problem) -> PreparedRep:
    """The rep with its layout, its prior and the rows that hang on the moments alone."""
    layouts, size = lay_out_unknowns(problem)
    info, vector = quadratic_prior(problem, layouts, size)
    runners = (problem.incoming, problem.outgoing)
    slow = tuple(
        _interpolate_rows(np.asarray(problem.slow_t_s), one.t_s[_placed(one)]) for one in runners
    )
    waves = tuple(_swing_waves(one) for one in runners)
    return PreparedRep(
        problem, layouts, size, info, vector, (waves[0], waves[1]), (slow[0], slow[1])
    )


def guess_rep(rep: PreparedRep) -> Floats:
    """Where to begin: receivers as the prior has them, courses from the integrated speed."""
    return guess_first(rep.problem, rep.layouts, rep.size)


def _timed(measured: RunnerMeasurements) -> Ints:
    return np.flatnonzero(np.isfinite(measured.speed_mps))


def _placed(measured: RunnerMeasurements) -> Ints:
    return np.flatnonzero(np.isfinite(measured.xy_m[:, 0]))


def _interpolate_rows(knots: Floats, x: Floats) -> Floats:
    """Rows of linear interpolation, (len(x), len(knots))."""
    i = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 2)
    f = np.clip((x - knots[i]) / (knots[i + 1] - knots[i]), 0.0, 1.0)
    rows = np.zeros((len(x), len(knots)))
    each = np.arange(len(x))
    rows[each, i] = 1 - f
    rows[each, i + 1] = f
    return rows


def _swing_waves(measured: RunnerMeasurements) -> Floats:
    """Columns of the swing inside the steps, (n, w): one and two waves a stride where the steps
    are seen; else waves of all likely rates, so that what a slow unit makes of the swing
    (5 Hz turn 4.4 Hz into 0.6) is known for what it is."""
    keep = _timed(measured)
    if steps_seen(measured):
        phase = measured.step_phase[keep]
        turn = np.nan_to_num(phase) * np.pi
        waves = np.stack([np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], 1)
        return np.asarray(waves * np.isfinite(phase)[:, None])
    turn = 2 * np.pi * measured.t_s[keep][:, None] * model.STEP_HZ
    return np.concatenate([np.cos(turn), np.sin(turn)], axis=1)


# --- many reps, one behind the other -----------------------------------------------------


class _Runners(NamedTuple):
    """By runner (b,), two a rep: where the unknowns stand in the vector of all reps, whose last
    number is a nought for unknowns that are not there."""

    theta: Ints
    start: Ints
    stand: Ints
    sideways: Ints
    origin: Floats  # start of the spline where it is not an unknown
    sway_from: Floats
    sway_step: Floats
    sway_last: Ints  # last cell of the sideways place
    lags: Floats  # (b, 6)
    box: Floats
    tail: Floats
    tied: Ints
    spline_size: Ints
    stand_speed: Floats
    stand_noise: Floats
    speed_noise: Floats
    position_noise: Floats
    launched: Floats
    local: Ints  # (b, 5): start, stand, theta, sideways and swing within the runner's own block


class _Rows(NamedTuple):
    """Measurements of one kind, (n,): whose, when, and where their dense rows begin."""

    who: Ints
    t_s: Floats
    seen: Floats
    begin: Ints
    ends: Ints  # (b + 1,): the measurements of runner i are ends[i] to ends[i + 1]
    shapes: tuple[tuple[int, int], ...]
    offsets: Ints  # of each runner's dense rows
    size: int


@dataclass(frozen=True, eq=False)
class Batch(Frozen):
    """Some reps with their measurements one behind the other."""

    reps: tuple[PreparedRep, ...]
    begin: Ints  # (r + 1,): the unknowns of rep i stand from begin[i] to begin[i + 1]
    runners: _Runners
    cells: SplineCells
    cell_runner: Ints
    cell_coefficients: Ints  # (c, 4): where the coefficients alive in a cell stand
    speeds: _Rows
    places: _Rows
    waves: Floats  # (n, w) of the speeds, noughts where a runner has fewer
    wave_size: Ints  # (b,)
    slow_share: Floats
    slow: Ints  # (2, n): where the slow error's value before each position stands, by axis
    by_axis: tuple[tuple[ZoneAxis, Ints, Ints], ...]  # speeds and positions on each lane line


class MeasuredPart(NamedTuple):
    """What the measurements of one kind say: information (c, c) on the first unknowns of their
    runner's block, squares of the residuals weighted by Student's t, and how many they are."""

    info: Floats
    square_sum: float
    number: int


class Equations(NamedTuple):
    """One rep's normal matrix (p, p), right side (p,), and what follows from the residuals.

    Standardised residuals stand by role, those of positions all east, then all north.
    `measured` holds by role what the speeds and the positions add to the runner's own block:
    each its information, its weighted square sum and its number of measurements.
    """

    info: Floats
    gradient: Floats
    speed_residual: tuple[Floats, Floats]
    position_residual: tuple[Floats, Floats]
    objective: float
    measured: tuple[tuple[MeasuredPart, MeasuredPart], ...]


def join_reps(reps: Sequence[PreparedRep]) -> Batch:
    """Put reps one behind the other."""
    begin = np.concatenate([[0], np.cumsum([rep.size for rep in reps])])
    pairs = [
        (measured, layout, int(begin[i]) + layout.block.start)
        for i, rep in enumerate(reps)
        for measured, layout in zip(
            (rep.problem.incoming, rep.problem.outgoing), rep.layouts, strict=True
        )
    ]
    layouts = [layout for _, layout, _ in pairs]
    runners = _join_runners(pairs, nought=int(begin[-1]))
    cells = join_splines([layout.knots for layout in layouts])
    counts = np.diff(np.append(cells.first, len(cells.begin)))
    cell_runner = np.repeat(np.arange(len(pairs)), counts)
    function = (np.arange(len(cells.begin)) - cells.first[cell_runner])[:, None] + np.arange(4)
    function -= runners.tied[cell_runner][:, None]
    places = np.array([at_ for _, _, at_ in pairs])[cell_runner][:, None] + function
    keeps = [_timed(measured) for measured, _, _ in pairs]
    speeds = _join_rows(
        [one.t_s[keep] for (one, _, _), keep in zip(pairs, keeps, strict=True)],
        [one.speed_mps[keep] for (one, _, _), keep in zip(pairs, keeps, strict=True)],
        [layout.swing.stop for layout in layouts],
        1,
    )
    wave_size = np.array([layout.swing.stop - layout.swing.start for layout in layouts])
    waves = np.zeros((len(speeds.t_s), int(wave_size.max())))
    for i, own in enumerate(w for rep in reps for w in rep.waves):
        waves[speeds.ends[i] : speeds.ends[i + 1], : own.shape[1]] = own
    keeps = [_placed(measured) for measured, _, _ in pairs]
    positions = _join_rows(
        [one.t_s[keep] for (one, _, _), keep in zip(pairs, keeps, strict=True)],
        [one.xy_m[keep] for (one, _, _), keep in zip(pairs, keeps, strict=True)],
        [layout.sideways.stop for layout in layouts],
        2,
    )
    slow_share, slow = _join_slow(reps, pairs, positions)
    return Batch(
        tuple(reps),
        begin,
        runners,
        cells,
        cell_runner,
        np.where(function < 0, begin[-1], places),
        speeds,
        positions,
        waves,
        wave_size,
        slow_share,
        slow,
        _rows_by_axis(reps, speeds.who, positions.who),
    )


def _join_runners(pairs: Sequence[tuple[RunnerMeasurements, Layout, int]], nought: int) -> _Runners:
    knots = [sideways_knots(measured, layout) for measured, layout, _ in pairs]
    smooth = [average_over(measured.smoothing_s) for measured, _, _ in pairs]

    def column(name: str) -> Floats:
        return np.array([getattr(measured, name) for measured, _, _ in pairs], dtype=np.float64)

    def unknown(name: str) -> Ints:
        found = [(getattr(layout, name), at_) for _, layout, at_ in pairs]
        return np.array([nought if place is None else at_ + place for place, at_ in found])

    return _Runners(
        theta=np.array([at_ + layout.theta.start for _, layout, at_ in pairs]),
        start=unknown("start"),
        stand=unknown("stand"),
        sideways=np.array([at_ + layout.sideways.start for _, layout, at_ in pairs]),
        origin=np.array(
            [layout.origin_s if layout.start is None else 0.0 for _, layout, _ in pairs]
        ),
        sway_from=np.array([own[0] for own in knots]),
        sway_step=np.array([own[1] - own[0] for own in knots]),
        sway_last=np.array([len(own) - 2 for own in knots]),
        lags=np.array([one.lags_s for one in smooth]),
        box=np.array([one.box for one in smooth]),
        tail=np.array([one.tail for one in smooth]),
        tied=np.array([layout.first for _, layout, _ in pairs]),
        spline_size=np.array([layout.spline.stop for _, layout, _ in pairs]),
        stand_speed=column("stand_speed_mps"),
        stand_noise=column("stand_noise_mps"),
        speed_noise=column("speed_noise_mps"),
        position_noise=column("position_noise_m"),
        launched=np.array([float(layout.start is not None) for _, layout, _ in pairs]),
        local=np.array(
            [
                [
                    -1 if layout.start is None else layout.start,
                    -1 if layout.stand is None else layout.stand,
                    layout.theta.start,
                    layout.sideways.start,
                    layout.swing.start,
                ]
                for _, layout, _ in pairs
            ]
        ),
    )


def _join_rows(
    t_s: Sequence[Floats], seen: Sequence[Floats], columns: Sequence[int], times: int
) -> _Rows:
    """Rows of one kind; `times` dense rows belong to each measurement, all first ones first."""
    counts = np.array([len(own) for own in t_s])
    ends = np.concatenate([[0], np.cumsum(counts)])
    sizes = times * counts * np.array(columns)
    offsets = np.concatenate([[0], np.cumsum(sizes)])
    who = np.repeat(np.arange(len(counts)), counts)
    inside = np.arange(ends[-1]) - ends[who]
    return _Rows(
        who,
        np.concatenate(t_s),
        np.concatenate(seen),
        offsets[who] + inside * np.array(columns)[who],
        ends,
        tuple((int(times * n), int(c)) for n, c in zip(counts, columns, strict=True)),
        offsets[:-1],
        int(offsets[-1]),
    )


def _join_slow(
    reps: Sequence[PreparedRep],
    pairs: Sequence[tuple[RunnerMeasurements, Layout, int]],
    positions: _Rows,
) -> tuple[Floats, Ints]:
    shares, places = [], []
    knots = [np.asarray(rep.problem.slow_t_s) for rep in reps for _ in (0, 1)]
    for i, ((_, layout, at_), own) in enumerate(zip(pairs, knots, strict=True)):
        t = positions.t_s[positions.ends[i] : positions.ends[i + 1]]
        cell = np.clip(np.searchsorted(own, t, side="right") - 1, 0, len(own) - 2)
        shares.append(np.clip((t - own[cell]) / (own[cell + 1] - own[cell]), 0.0, 1.0))
        places.append(np.stack([at_ + part.start + cell for part in layout.slow]))
    return np.concatenate(shares), np.concatenate(places, axis=1)


def _rows_by_axis(
    reps: Sequence[PreparedRep], speeds: Ints, positions: Ints
) -> tuple[tuple[ZoneAxis, Ints, Ints], ...]:
    axes: list[ZoneAxis] = []
    number = []
    for rep in reps:
        same = [i for i, axis in enumerate(axes) if axis is rep.problem.axis]
        if not same:
            axes.append(rep.problem.axis)
        number.append(same[0] if same else len(axes) - 1)
    of_runner = np.repeat(number, 2)
    return tuple(
        (axis, np.flatnonzero(of_runner[speeds] == i), np.flatnonzero(of_runner[positions] == i))
        for i, axis in enumerate(axes)
    )


# --- the rows ------------------------------------------------------------------------------


class _Courses(NamedTuple):
    """All courses at one point of the unknowns: the cubic in each cell (4, c)."""

    cubic: Floats
    begin: Floats  # (b,) of each spline


def _courses(batch: Batch, x: Floats) -> _Courses:
    cubic = np.einsum("kcj,cj->kc", batch.cells.taylor, x[batch.cell_coefficients])
    cubic[0] += x[batch.runners.stand][batch.cell_runner]
    return _Courses(cubic, x[batch.runners.start] + batch.runners.origin)


def _sideways_cells(runners: _Runners, who: Ints, t_s: Floats) -> tuple[Ints, Floats]:
    """Cell of the sideways place at each moment, and how far through it."""
    place = (t_s - runners.sway_from[who]) / runners.sway_step[who]
    cell = np.clip(np.floor(place).astype(np.intp), 0, runners.sway_last[who])
    return cell, np.clip(place - cell, 0.0, 1.0)


def _gather(cells: Ints, values: Floats) -> tuple[Ints, Floats]:
    """Of each row, values (n, m, k) at columns cells (n, m) to + k - 1, added where they meet:
    the first column (n,) and the sums (n, w)."""
    first = cells.min(axis=1)
    apart = cells - first[:, None]
    n, _, k = values.shape
    width = int(apart.max(initial=0)) + k
    place = (np.arange(n) * width)[:, None, None] + apart[:, :, None] + np.arange(k)
    sums = np.bincount(place.ravel(), values.ravel(), n * width).reshape(n, width)
    return first, sums.astype(np.float64, copy=False)


class _Columns:
    """Dense rows of all runners in one stretch of memory, filled column by column."""

    def __init__(self, rows: _Rows, begin: Ints) -> None:
        self._begin = begin
        self._sink = rows.size
        self.flat = np.zeros(rows.size + 1)

    def put(self, column: Ints, values: Floats) -> None:
        """Put values (n,) or (n, k) into columns `column` of the same shape, -1 for nowhere."""
        begin = self._begin if column.ndim == 1 else self._begin[:, None]
        self.flat[np.where(column < 0, self._sink, begin + column)] = values


def _speed_rows(
    batch: Batch, courses: _Courses, x: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Standardised residuals (n,) of the speeds, dense rows times the square root of their weight,
    that root (n,), and where a runner is not at rest."""
    runners, rows = batch.runners, batch.speeds
    who = rows.who
    theta = x[runners.theta[:, None] + np.arange(model.THETA)][who]
    scale, delay, share = theta[:, 0], theta[:, 1], theta[:, 4]
    nodes = (rows.t_s - delay)[:, None] - runners.lags[who]  # (n, 6)
    whose = np.broadcast_to(who[:, None], nodes.shape)
    near = batch.cells.locate(whose, nodes - courses.begin[who][:, None])
    p0, p1, p2, p3 = (own[near.cell] for own in courses.cubic)
    u = near.into
    a = (p2 + u * p3) * near.begun
    v = (p1 + u * (p2 + u / 2 * p3)) * near.begun
    s = p0 + u * (p1 + u / 2 * (p2 + u / 3 * p3))
    side, f = _sideways_cells(runners, whose, nodes)
    at_ = runners.sideways[whose] + side
    aside = (1 - f) * x[at_] + f * x[at_ + 1]
    curve = np.empty_like(s)
    for axis, own, _ in batch.by_axis:
        curve[own] = curvature_at(axis, s[own])
    stretch = 1 + curve * aside
    box, tail = runners.box[who], runners.tail[who]
    weight = (1 - share)[:, None] * box + share[:, None] * tail
    each = v * stretch
    ground = (each * weight).sum(axis=1)
    waves = batch.waves * (ground > SWING_FROM_MPS)[:, None]
    swing_at = runners.theta - runners.local[:, 2] + runners.local[:, 4]
    wave = np.arange(waves.shape[1])
    there = wave < batch.wave_size[:, None]  # (b, w)
    amplitudes = np.where(there, x[np.where(there, swing_at[:, None] + wave, -1)], 0.0)
    value = (1 + scale) * ground + (waves * amplitudes[who]).sum(axis=1)
    # A unit at rest shows a small positive speed; it fades under the real one.
    shown = np.hypot(value, runners.stand_speed[who])
    running = ground >= AT_REST_BELOW_MPS
    noise = np.where(running, runners.speed_noise[who], runners.stand_noise[who])
    z = (rows.seen - shown) / noise
    trust = student_weight(z)
    # never let the weights argue a start away
    since = rows.t_s - courses.begin[who]
    near_start = (since > -START_BEFORE_S) & (since < START_AFTER_S) & (np.abs(z) < START_NOISES)
    trust = np.where(near_start & (runners.launched[who] > 0), 1.0, trust)
    root = np.sqrt(trust) / noise
    fade = value / shown * root
    along = (weight * stretch) * (fade * (1 + scale))[:, None]  # per node, on its speed
    local = runners.local[who]
    dense = _Columns(rows, rows.begin)
    basis = batch.cells.derive_basis(near, 1) * along[:, :, None]
    first, sums = _gather(near.cell - batch.cells.first[whose], basis)
    column = (first - runners.tied[who])[:, None] + np.arange(sums.shape[1])
    dense.put(np.where(column < runners.spline_size[who][:, None], column, -1), sums)
    later = (along * a).sum(axis=1)
    dense.put(local[:, 0], -later)
    dense.put(local[:, 2], fade * ground)
    dense.put(local[:, 2] + 1, -later)
    dense.put(local[:, 2] + 4, fade * (1 + scale) * (each * (tail - box)).sum(axis=1))
    over = (weight * v * curve) * (fade * (1 + scale))[:, None]
    first, sums = _gather(side, over[:, :, None] * np.stack([1 - f, f], axis=2))
    column = first[:, None] + np.arange(sums.shape[1])
    inside = column <= runners.sway_last[who][:, None] + 1
    dense.put(np.where(inside, local[:, 3][:, None] + column, -1), sums)
    column = np.where(there[who], local[:, 4][:, None] + wave, -1)
    dense.put(column, waves * fade[:, None])
    return z, dense.flat, root, running


def _position_rows(batch: Batch, courses: _Courses, x: Floats) -> tuple[Floats, Floats, Floats]:
    """Standardised residuals (2, n) of the positions, east and north, dense rows times the square
    root of their weight, and that root (n,)."""
    runners, rows = batch.runners, batch.places
    who = rows.who
    delay = x[runners.theta + 2][who]
    near = batch.cells.locate(who, rows.t_s - delay - courses.begin[who])
    p0, p1, p2, p3 = (own[near.cell] for own in courses.cubic)
    u = near.into
    v = (p1 + u * (p2 + u / 2 * p3)) * near.begun
    s = p0 + u * (p1 + u / 2 * (p2 + u / 3 * p3))
    side, f = _sideways_cells(runners, who, rows.t_s)
    at_ = runners.sideways[who] + side
    aside = (1 - f) * x[at_] + f * x[at_ + 1]
    heading, curve, place = np.empty_like(s), np.empty_like(s), np.empty((len(s), 2))
    for axis, _, own in batch.by_axis:
        heading[own] = heading_at(axis, s[own])
        curve[own] = curvature_at(axis, s[own])
        place[own] = at(axis, s[own], aside[own])
    f_slow = batch.slow_share
    slow = (1 - f_slow) * x[batch.slow] + f_slow * x[batch.slow + 1]
    noise = runners.position_noise[who]
    z = (rows.seen.T - place.T - slow) / noise
    root = np.sqrt(student_weight(np.hypot(z[0], z[1]) / np.sqrt(2))) / noise
    stretch = (1 + curve * aside) * root
    cos, sin = np.cos(heading), np.sin(heading)
    basis = batch.cells.derive_basis(near, 0)
    local = runners.local[who]
    column = (near.cell - batch.cells.first[who] - runners.tied[who])[:, None] + np.arange(4)
    counts = np.diff(rows.ends)
    columns = np.array([c for _, c in rows.shapes])
    north = (counts * columns)[who]  # from a row of the east to that of the north
    flat = np.zeros(rows.size + 1)
    for i, (ahead, right) in enumerate(((cos, sin), (sin, -cos))):
        dense = _Columns(rows, rows.begin + i * north)
        dense.flat = flat
        along = ahead * stretch
        dense.put(column, basis * along[:, None])
        dense.put(local[:, 0], -v * along)
        dense.put(local[:, 1], along)
        dense.put(local[:, 2] + 2, -v * along)
        across = right * root
        dense.put(local[:, 3] + side, across * (1 - f))
        dense.put(local[:, 3] + side + 1, across * f)
    return z, flat, root


def student_weight(standardised: Floats) -> Floats:
    """Weights that Student's t gives to standardised residuals."""
    return (model.STUDENT_NU + 1) / (model.STUDENT_NU + standardised**2)


# --- the equations -----------------------------------------------------------------------


def set_up_equations(batch: Batch, xs: Sequence[Floats]) -> list[Equations]:
    """The equations of each rep of the batch at its point `xs[i]` (p,)."""
    x = np.concatenate([*xs, np.zeros(1)])
    courses = _courses(batch, x)
    speed_z, speed_flat, speed_root, running = _speed_rows(batch, courses, x)
    place_z, place_flat, place_root = _position_rows(batch, courses, x)
    out = []
    for r, (rep, own_x) in enumerate(zip(batch.reps, xs, strict=True)):
        info = rep.prior_info.copy()
        off = rep.prior_info @ own_x - rep.prior_vector
        objective = 0.5 * float(own_x @ (off - rep.prior_vector))
        gradient = -off
        parts = []
        residuals = []
        for role, layout in enumerate(rep.layouts):
            i = 2 * r + role
            own = slice(batch.speeds.ends[i], batch.speeds.ends[i + 1])
            z = speed_z[own]
            rows = _dense_rows(batch.speeds, speed_flat, i)
            size = rows.shape[1]
            speed_info = rows.T @ rows
            where = slice(layout.block.start, layout.block.start + size)
            info[where, where] += speed_info
            noise = np.where(
                running[own], batch.runners.speed_noise[i], batch.runners.stand_noise[i]
            )
            gradient[where] += rows.T @ (speed_root[own] * noise * z)
            objective += _student_loss(z)
            run = z[running[own]]
            speeds = MeasuredPart(
                speed_info, _sum_squares(run, batch.runners.speed_noise[i]), len(run)
            )
            own = slice(batch.places.ends[i], batch.places.ends[i + 1])
            both = place_z[:, own]
            place_info, toward = _position_equations(
                _dense_rows(batch.places, place_flat, i),
                rep.slow_rows[role],
                layout,
                both * batch.runners.position_noise[i],
                place_root[own],
            )
            info[layout.block, layout.block] += place_info
            gradient[layout.block] += toward
            flat = both.ravel()
            objective += _student_loss(flat)
            places = MeasuredPart(
                place_info,
                float((student_weight(flat) * flat**2).sum())
                * batch.runners.position_noise[i] ** 2,
                len(flat),
            )
            parts.append((speeds, places))
            residuals.append((z, flat))
        objective += _add_gap(rep, own_x, info, gradient)
        objective += _add_onsets(rep, own_x, info, gradient)
        out.append(
            Equations(
                info,
                gradient,
                (residuals[0][0], residuals[1][0]),
                (residuals[0][1], residuals[1][1]),
                objective,
                tuple(parts),
            )
        )
    return out


def _dense_rows(rows: _Rows, flat: Floats, i: int) -> Floats:
    shape = rows.shapes[i]
    begin = rows.offsets[i]
    return flat[begin : begin + shape[0] * shape[1]].reshape(shape)


def _sum_squares(z: Floats, noise: float) -> float:
    """Squares of residuals, of which the standardised are `z`; outliers count by their weight."""
    return float((student_weight(z) * z**2).sum() * noise**2)


def _student_loss(z: Floats) -> float:
    return float((model.STUDENT_NU + 1) / 2 * np.log1p(z**2 / model.STUDENT_NU).sum())


def _position_equations(
    rows: Floats, slow_rows: Floats, layout: Layout, off_m: Floats, root: Floats
) -> tuple[Floats, Floats]:
    """What one runner's positions add to the runner's block: information and right side.

    `rows` (2n, c) know nothing of the slow error, whose rows are the same for east and north.
    """
    size = layout.block.stop - layout.block.start
    info, toward = np.zeros((size, size)), np.zeros(size)
    n, c = len(root), rows.shape[1]
    info[:c, :c] = rows.T @ rows
    slow = slow_rows * root[:, None]
    inner = slow.T @ slow
    weighted = off_m * root
    toward[:c] = rows.T @ weighted.ravel()
    for i, where in enumerate(layout.slow):
        cross = slow.T @ rows[i * n : (i + 1) * n]
        info[where, :c] = cross
        info[:c, where] = cross.T
        info[where, where] = inner
        toward[where] = slow.T @ weighted[i]
    return info, toward


def _add_gap(rep: PreparedRep, x: Floats, info: Floats, gradient: Floats) -> float:
    """Add, in place, what is known of the gap between the runners; returns its part of the
    objective."""
    if rep.problem.gap is None:
        return 0.0
    moment, known = rep.problem.gap
    row = np.zeros(len(x))
    gap = 0.0
    for sign, layout in zip((-1.0, 1.0), rep.layouts, strict=True):
        s, own = follow(layout, x[layout.block], np.array([moment]), 0)
        row[layout.block] = sign * own[0]
        gap += sign * float(s[0])
    return _add_one(info, gradient, row, known.value - gap, known.sd)


def _add_onsets(rep: PreparedRep, x: Floats, info: Floats, gradient: Floats) -> float:
    """Add, in place, first movements that accelerometers saw; returns their part of the
    objective."""
    objective = 0.0
    for measured, layout in zip(
        (rep.problem.incoming, rep.problem.outgoing), rep.layouts, strict=True
    ):
        if measured.onset is None or layout.start is None:
            continue
        found = first_movement_row(layout, x[layout.block], by_accelerometer=True)
        row = np.zeros(len(x))
        row[layout.block] = found.row
        off = measured.onset.value - found.value
        objective += _add_one(info, gradient, row, off, measured.onset.sd)
    return objective


def _add_one(info: Floats, gradient: Floats, row: Floats, off: float, sd: float) -> float:
    at_ = np.flatnonzero(row)  # a few of many
    info[np.ix_(at_, at_)] += np.outer(row[at_], row[at_]) / sd**2
    gradient[at_] += row[at_] * off / sd**2
    return float((off / sd) ** 2 / 2)


# --- one course ------------------------------------------------------------------------------


def follow(layout: Layout, own: Floats, t_s: Floats, order: int) -> tuple[Floats, Floats]:
    """Derivative `order` of s(t) at moments (n,) and how it moves with the runner's own block
    `own` (b,): values (n,) and rows (n, b)."""
    value, basis, near = _derive(layout, own, t_s, order)
    above, _, _ = _derive(layout, own, t_s, order + 1)
    rows = np.zeros((len(t_s), len(own)))
    column = near + np.arange(-layout.first, 4 - layout.first)
    there = column >= 0
    row = np.broadcast_to(np.arange(len(column))[:, None], column.shape)
    rows[row[there], column[there]] = basis[there]
    if layout.start is not None and layout.stand is not None:
        rows[:, layout.start] = -above
        if order == 0:
            rows[:, layout.stand] = 1.0
    return value, rows


def follow_values(layout: Layout, own: Floats, t_s: Floats, order: int) -> Floats:
    """The values (n,) of `follow` without their rows."""
    return _derive(layout, own, t_s, order)[0]


def _derive(layout: Layout, own: Floats, t_s: Floats, order: int) -> tuple[Floats, Floats, Ints]:
    begin = float(own[layout.start]) if layout.start is not None else layout.origin_s
    cells = cells_of(layout.knots)
    near = cells.locate(np.zeros(len(t_s), dtype=np.intp), t_s - begin)
    basis = cells.derive_basis(near, order)
    cell = near.cell[:, None]
    coefficients = np.concatenate([np.zeros(layout.first), own[layout.spline]])
    value: Floats = (basis * coefficients[cell + np.arange(4)]).sum(axis=1)
    if order == 0 and layout.stand is not None:
        value += own[layout.stand]
    return value, basis, cell
