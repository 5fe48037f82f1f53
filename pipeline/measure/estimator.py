"""The estimator: both runners of one takeover on the lane's axis, with their covariance.

The model stands in docs/methods.md; names here follow it. Times are seconds from
`Problem.zero_utc_s`, places metres along the lane from the entry line.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve

from pipeline.base.values import Estimate, Floats, Frozen, Ints, ZoneAxis
from pipeline.measure.noise import SlowError
from pipeline.measure.zones import at, curvature_at, heading_at, project

Role = Literal["incoming", "outgoing"]
ROLES: tuple[Role, Role] = ("incoming", "outgoing")
# Of one unit, common to its reps: scale error of the speed, delay of the speed (s), delay of the
# position (s), lateness of the first movement as its accelerometer shows it (s), share of a
# first-order filter, the rest a moving average, in the smoothing of its speed.
THETA = 5

# Weak priors from the trade and from papers; docs/methods.md, "Priors".
TAU_S = 1.2
TARGET_MPS = Estimate(9.5, 2.5)
WANDER_MPS = 0.8  # of the target speed in one second of steady running
LAUNCH_MPS = 2.0  # the same in the first half second: no real start is an exponential
LETTING_GO_MPS = 3.5  # and after the incoming runner has let go
RISE_S = 0.14  # force of a standing start grows for about this long
SIDEWAYS_M = 0.15  # spread of a run's mean place beside the measured line
SWAY_M = 0.10
SWAY_TIME_S = 3.0
SWING_MPS = 0.2
SWING_ALL_MPS = 0.18  # the same as a root mean square, where the steps are not seen ...
STEP_HZ = np.arange(3.6, 5.01, 0.2)  # ... and these rates of sprinters' steps share it
KNOT_STEP_S = 0.2
SLOW_STEP_S = 1.0
SWAY_STEP_S = 2.5
STUDENT_NU = 5.0
FEWEST_FIXES = 4  # of one runner: fewer tell no run
FASTEST_GUESS_MPS = 13.0  # nobody runs faster: a first guess from thrown places stays below
_NODES = np.array([-1.0, 0.0, 1.0]) * np.sqrt(0.6)  # Gauss-Legendre on [-1, 1]
_NODE_WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18.0
_TAIL_NODES, _TAIL_WEIGHTS = np.polynomial.laguerre.laggauss(3)


@dataclass(frozen=True, eq=False)
class RunnerMeasurements(Frozen):
    """What was measured of one runner during one rep.

    `t_s` (n,), `xy_m` (n, 2) in the axis's east-north frame, `speed_mps` (n,), NaN where the
    unit gave none; `step_phase` (n,) counts footfalls, NaN where they are not known.
    `start_s` is a first guess of the first movement, None for a runner already under way;
    `onset` its measurement by an accelerometer; `stand_m` the place of the stand before it.
    After `letting_go_s` the speed may fall quickly.
    """

    t_s: Floats
    xy_m: Floats
    speed_mps: Floats
    step_phase: Floats
    end_s: float
    speed_noise_mps: float
    stand_speed_mps: float
    stand_noise_mps: float
    position_noise_m: float
    start_s: float | None = None
    onset: Estimate | None = None
    stand_m: Estimate | None = None
    letting_go_s: float | None = None
    sideways_m: float = 0.0  # where in the lane a runner of this role mostly runs
    smoothing_s: float = 0.0  # over what the receiver averages its speed, see _averaging


@dataclass(frozen=True, eq=False)
class Problem(Frozen):
    """One rep. `theta_mean` (2 THETA,) and `theta_cov`: both receivers' parameters,
    incoming's first. `slow_mean` (2, 2, k) by role, axis, knot and `slow_cov` (2k, 2k) for one
    axis, incoming's knots first, at `slow_t_s` (k,): the slow error of the positions."""

    zero_utc_s: float
    axis: ZoneAxis
    incoming: RunnerMeasurements
    outgoing: RunnerMeasurements
    theta_mean: Floats
    theta_cov: Floats
    slow_t_s: Floats
    slow_mean: Floats
    slow_cov: Floats
    gap: tuple[float, Estimate] | None = None  # (moment, s_out - s_in)
    tau_s: float = TAU_S


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where one runner's unknowns stand: `block` of the whole vector, all else within it."""

    block: slice
    knots: tuple[float, ...]  # relative to the start of the spline
    first: int  # how many leading coefficients are tied to the stand
    spline: slice
    start: int | None
    stand: int | None
    theta: slice
    sideways: slice
    swing: slice
    slow: tuple[slice, slice]
    origin_s: float  # start of the spline where it is not an unknown


@dataclass(frozen=True, eq=False)
class Fit(Frozen):
    """The solution: `x` (p,) with covariance `cov` (p, p); read through `course` and below."""

    problem: Problem
    layouts: tuple[_Layout, _Layout]
    x: Floats
    cov: Floats
    speed_residual: tuple[Floats, Floats]  # by role: standardised, NaN where no speed
    position_residual: tuple[Floats, Floats]
    objective: float
    iterations: int

    def start(self, role: Role) -> Estimate | None:
        layout = self.layouts[ROLES.index(role)]
        if layout.start is None:
            return None
        measured = (self.problem.incoming, self.problem.outgoing)[ROLES.index(role)]
        row = np.zeros(len(self.x))
        row[layout.block.start + layout.start] = 1.0
        if measured.onset is not None:  # what an accelerometer calls the first movement
            row[layout.block.start + layout.theta.start + 3] = 1.0
        return Estimate(float(row @ self.x), float(np.sqrt(row @ self.cov @ row)))


# --- the spline -------------------------------------------------------------------------


def _run_knots(length_s: float) -> Floats:
    """Knots of a run from a stand: dense where the acceleration changes quickly."""
    early = np.array([0.0, RISE_S, 0.30, 0.48, 0.68])
    late = np.arange(0.88, max(length_s, 1.2) + KNOT_STEP_S, KNOT_STEP_S)
    return np.concatenate([early, late])


def _pad_knots(breaks: Floats) -> Floats:
    return np.concatenate([np.repeat(breaks[0], 3), breaks, np.repeat(breaks[-1], 3)])


class _SplineCells(NamedTuple):
    """Times (n,) on a cubic B-spline: the cell each falls into, and by order the derivatives
    (n, 4) of the four basis functions that live there, which begin with the cell's number."""

    cell: Ints
    derivatives: dict[int, Floats]


@lru_cache(maxsize=1024)
def _taylor_pieces(knots: tuple[float, ...]) -> tuple[Floats, Floats]:
    """Where each cell begins, with the end of the last (m + 1,), and there the derivatives of
    orders 0 to 3 of the basis functions that live in it, (4, m, 4). Knots: fourfold at the ends,
    simple between."""
    breaks = np.array(knots[3:-3])
    m = len(breaks) - 1
    spline = BSpline(np.array(knots), np.eye(m + 3), 3)
    live = np.arange(m)[:, None] + np.arange(4)
    return breaks, np.array([np.take_along_axis(spline(breaks[:-1], k), live, 1) for k in range(4)])


def _locate_on_spline(knots: tuple[float, ...], x: Floats, orders: Iterable[int]) -> _SplineCells:
    """Outside the knots the nearest end's value stands (and no derivative before the first)."""
    breaks, taylor = _taylor_pieces(knots)
    inside = np.clip(x, breaks[0], breaks[-1])
    cell = np.clip(np.searchsorted(breaks, inside, side="right") - 1, 0, len(breaks) - 2)
    u = (inside - breaks[cell])[:, None]
    d = taylor[:, cell]
    out = {}
    for order in orders:
        value = d[3]
        for k in range(2, order - 1, -1):
            value = d[k] + u / (k + 1 - order) * value
        out[order] = value * (x >= breaks[0])[:, None] if order else value
    return _SplineCells(cell, out)


def _fill_rows(rows: Floats, near: _SplineCells, order: int, first: int) -> None:
    """Put derivatives into `rows` (n, p), whose columns begin with basis function `first`."""
    column = near.cell[:, None] + np.arange(-first, 4 - first)
    row = np.broadcast_to(np.arange(len(column))[:, None], column.shape)
    if first:
        there = column >= 0
        rows[row[there], column[there]] = near.derivatives[order][there]
    else:
        rows[row, column] = near.derivatives[order]


def _bases(knots: Floats, x: Floats, orders: tuple[int, ...]) -> list[Floats]:
    """Dense cubic B-spline values and derivatives, (len(x), n) for each order; see _near."""
    near = _locate_on_spline(tuple(knots.tolist()), x, orders)
    out = []
    for order in orders:
        rows = np.zeros((len(x), len(knots) - 4))
        _fill_rows(rows, near, order, 0)
        out.append(rows)
    return out


def _roughness(
    knots: Floats, tau_s: float, letting_go: float | None, launched: bool
) -> tuple[Floats, Floats]:
    """Penalty (n, n) of the wandering target and the row of the target speed at its start."""
    breaks = np.unique(knots)
    half = np.diff(breaks) / 2
    x = (breaks[:-1] + half)[:, None] + half[:, None] * _NODES
    weight = 2 * half[:, None] * _NODE_WEIGHTS
    wander = np.full_like(x, WANDER_MPS**2)
    if launched:
        wander += LAUNCH_MPS**2 * np.exp(-x / 0.5)
        weight[0] = 0.0  # the rise of the force is no wandering of the target
    if letting_go is not None:
        wander += np.where(x > letting_go, LETTING_GO_MPS**2, 0.0)
    second, third = _bases(knots, x.ravel(), (2, 3))
    rows = second + tau_s * third
    penalty = rows.T @ (rows * (weight / wander).ravel()[:, None])
    at_start = np.array([breaks[1] if launched else breaks[0]])
    first, second = _bases(knots, at_start, (1, 2))
    return penalty, (first + tau_s * second)[0]


# --- laying out and first guess -----------------------------------------------------------


def _lay_out_unknowns(problem: Problem) -> tuple[tuple[_Layout, _Layout], int]:
    before = 0
    layouts = []
    k = len(problem.slow_t_s)
    for measured in (problem.incoming, problem.outgoing):
        place = 0

        def take(n: int) -> slice:
            nonlocal place
            place += n
            return slice(place - n, place)

        begin = measured.start_s if measured.start_s is not None else float(measured.t_s[0]) - 0.3
        length = measured.end_s - begin + 0.4
        launched = measured.start_s is not None
        breaks = _run_knots(length) if launched else np.arange(0, length + KNOT_STEP_S, KNOT_STEP_S)
        knots = _pad_knots(breaks)
        tied = 3 if launched else 0
        spans = max(2, int(np.ceil((measured.t_s[-1] - measured.t_s[0]) / SWAY_STEP_S)) + 1)
        parts = _Layout(
            block=slice(0, 0),
            knots=tuple(knots),
            first=tied,
            spline=take(len(knots) - 4 - tied),
            start=take(1).start if launched else None,
            stand=take(1).start if launched else None,
            theta=take(THETA),
            sideways=take(spans),
            swing=take(4 if _steps_seen(measured) else 2 * len(STEP_HZ)),
            slow=(take(k), take(k)),
            origin_s=begin,
        )
        layouts.append(replace(parts, block=slice(before, before + place)))
        before += place
    return (layouts[0], layouts[1]), before


def _shared_places(layouts: tuple[_Layout, _Layout], part: str) -> Ints:
    """Places in the whole vector of a part of both runners' unknowns, incoming's first."""
    found = []
    for layout in layouts:
        where = layout.slow[int(part[-1])] if part.startswith("slow") else layout.theta
        found.append(np.arange(where.start, where.stop) + layout.block.start)
    return np.concatenate(found)


def _interpolation(knots: Floats, x: Floats) -> Floats:
    """Rows of linear interpolation, (len(x), len(knots))."""
    i = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, len(knots) - 2)
    f = np.clip((x - knots[i]) / (knots[i + 1] - knots[i]), 0.0, 1.0)
    rows = np.zeros((len(x), len(knots)))
    at_ = np.arange(len(x))
    rows[at_, i] = 1 - f
    rows[at_, i + 1] = f
    return rows


def _sideways_knots(measured: RunnerMeasurements, layout: _Layout) -> Floats:
    n = layout.sideways.stop - layout.sideways.start
    return np.linspace(measured.t_s[0], measured.t_s[-1] + 1e-9, n)


def _prior(problem: Problem, layouts: tuple[_Layout, _Layout], size: int) -> tuple[Floats, Floats]:
    """Quadratic prior: information matrix (p, p) and vector (p,)."""
    info, vector = np.zeros((size, size)), np.zeros(size)
    for measured, layout in zip((problem.incoming, problem.outgoing), layouts, strict=True):
        own, own_vector = _own_prior(problem, measured, layout)
        info[layout.block, layout.block] = own
        vector[layout.block] = own_vector
    shared = [(_shared_places(layouts, "theta"), problem.theta_cov, problem.theta_mean)]
    cov = problem.slow_cov + 1e-8 * np.eye(2 * len(problem.slow_t_s))
    for axis in (0, 1):
        shared.append(
            (_shared_places(layouts, f"slow{axis}"), cov, problem.slow_mean[:, axis].ravel())
        )
    for where, spread, mean in shared:
        precision = np.linalg.inv(spread)
        info[np.ix_(where, where)] += precision
        vector[where] += precision @ mean
    return info, vector


def _own_prior(
    problem: Problem, measured: RunnerMeasurements, layout: _Layout
) -> tuple[Floats, Floats]:
    """Prior of what one runner's block does not share with the other's."""
    size = layout.block.stop - layout.block.start
    info, vector = np.zeros((size, size)), np.zeros(size)
    launched = layout.start is not None
    letting_go = None if measured.letting_go_s is None else measured.letting_go_s - layout.origin_s
    knots = np.array(layout.knots)
    penalty, target = _roughness(knots, problem.tau_s, letting_go, launched)
    target = target[layout.first :] / TARGET_MPS.sd
    spline = layout.spline
    info[spline, spline] = penalty[layout.first :, layout.first :] + np.outer(target, target)
    vector[spline] = target * TARGET_MPS.value / TARGET_MPS.sd
    if layout.start is not None and layout.stand is not None:
        stand = measured.stand_m or Estimate(problem.axis.back_m, 50.0)
        info[layout.stand, layout.stand] = stand.sd**-2
        vector[layout.stand] = stand.value / stand.sd**2
        onset = measured.onset or Estimate(layout.origin_s, 1.0)
        seen = [layout.start, layout.theta.start + 3]
        info[np.ix_(seen, seen)] += onset.sd**-2
        vector[seen] += onset.value / onset.sd**2
    else:  # under way: a weak place, only to keep the matrix regular
        info[spline.start, spline.start] += 1e-6
    places = _sideways_knots(measured, layout)
    apart = np.abs(places[:, None] - places[None, :])
    spread = SIDEWAYS_M**2 + SWAY_M**2 * np.exp(-apart / SWAY_TIME_S)
    precision = np.linalg.inv(spread)
    info[layout.sideways, layout.sideways] = precision
    vector[layout.sideways] = precision.sum(axis=1) * measured.sideways_m
    waves = np.arange(layout.swing.start, layout.swing.stop)
    each = SWING_MPS if _steps_seen(measured) else SWING_ALL_MPS / np.sqrt(len(STEP_HZ))
    info[waves, waves] = each**-2
    return info, vector


def _on_course(layout: _Layout, x: Floats, t: Floats, orders: Iterable[int]) -> _SplineCells:
    begin = float(x[layout.start]) if layout.start is not None else layout.origin_s
    return _locate_on_spline(layout.knots, t - begin, orders)


def _derivative(layout: _Layout, x: Floats, near: _SplineCells, order: int) -> Floats:
    """Derivative `order` of s(t), (n,); `x` (b,) is the runner's own block."""
    coefficients = np.concatenate([np.zeros(layout.first), x[layout.spline]])
    own = coefficients[near.cell[:, None] + np.arange(4)]
    value: Floats = np.einsum("nk,nk->n", near.derivatives[order], own)
    if order == 0 and layout.stand is not None:
        value += x[layout.stand]
    return value


def _derivative_rows(
    layout: _Layout, near: _SplineCells, order: int, next_: Floats, size: int
) -> Floats:
    """How derivative `order` of s(t) moves with the runner's own block, (n, size); `next_` (n,)
    is the derivative above it."""
    rows = np.zeros((len(near.cell), size))
    _fill_rows(rows, near, order, layout.first)  # the spline is the first part of a block
    if layout.start is not None and layout.stand is not None:
        rows[:, layout.start] = -next_
        if order == 0:
            rows[:, layout.stand] = 1.0
    return rows


# --- rows of the measurements --------------------------------------------------------------


def _steps_seen(measured: RunnerMeasurements) -> bool:
    return bool(np.isfinite(measured.step_phase).sum() > 4)


def _waves(measured: RunnerMeasurements, t: Floats, phase: Floats) -> Floats:
    """Columns of the swing inside the steps, (n, w): one and two waves a stride where the steps
    are seen; else waves of all likely rates, so that what a slow unit makes of the swing
    (5 Hz turn 4.4 Hz into 0.6) is known for what it is."""
    if _steps_seen(measured):
        turn = np.nan_to_num(phase) * np.pi
        waves = np.stack([np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], 1)
        return np.asarray(waves * np.isfinite(phase)[:, None])
    turn = 2 * np.pi * t[:, None] * STEP_HZ
    return np.concatenate([np.cos(turn), np.sin(turn)], axis=1)


def _averaging(width_s: float) -> tuple[Floats, Floats, Floats]:
    """Nodes (s, about the mean delay) over which a receiver averages, and their weights as a
    moving average of this half-width and as a first-order filter of this time constant."""
    if width_s < 0.02:
        return np.zeros(1), np.ones(1), np.ones(1)
    lags = width_s * np.concatenate([_NODES, _TAIL_NODES - 1])
    none = np.zeros(3)
    return lags, np.concatenate([_NODE_WEIGHTS, none]), np.concatenate([none, _TAIL_WEIGHTS])


def _speed_rows(
    problem: Problem, measured: RunnerMeasurements, layout: _Layout, x: Floats
) -> tuple[Floats, Floats, Floats]:
    """Residual (n,), rows (n, p) and noise (n,) of the speeds."""
    keep = np.isfinite(measured.speed_mps)
    t, seen, phase = measured.t_s[keep], measured.speed_mps[keep], measured.step_phase[keep]
    scale, delay = x[layout.theta][:2]
    lags, box, tail = _averaging(measured.smoothing_s)
    nodes = (t[:, None] - delay - lags).ravel()
    near = _on_course(layout, x, nodes, (0, 1, 2))
    s, v, a = (_derivative(layout, x, near, order) for order in (0, 1, 2))
    v_rows = _derivative_rows(layout, near, 1, a, len(x))
    sideways = _interpolation(_sideways_knots(measured, layout), nodes)
    curve = curvature_at(problem.axis, s)
    stretch = 1 + curve * (sideways @ x[layout.sideways])
    rows = v_rows * stretch[:, None]
    rows[:, layout.sideways] += (v * curve)[:, None] * sideways
    rows[:, layout.theta.start + 1] += -a * stretch
    n = len(t)
    each = (v * stretch).reshape(n, len(lags))
    share = x[layout.theta][4]
    weights = (1 - share) * box + share * tail
    ground = each @ weights
    rows = np.tensordot(rows.reshape(n, len(lags), rows.shape[-1]), weights, axes=(1, 0))
    rows[:, layout.theta.start + 4] += each @ (tail - box)
    rows *= 1 + scale
    rows[:, layout.theta.start] += ground
    value = (1 + scale) * ground
    waves = _waves(measured, t, phase) * (ground > 2.0)[:, None]
    value = value + waves @ x[layout.swing]
    rows[:, layout.swing] += waves
    # A unit at rest shows a small positive speed; it fades under the real one.
    shown = np.hypot(value, measured.stand_speed_mps)
    rows *= (value / shown)[:, None]
    noise = np.where(ground < 0.5, measured.stand_noise_mps, measured.speed_noise_mps)
    return seen - shown, rows, noise


def _position_rows(
    problem: Problem, measured: RunnerMeasurements, layout: _Layout, x: Floats
) -> tuple[Floats, Floats]:
    """Residual (2n,) (all east, then all north) and rows (2n, p) of the positions."""
    keep = np.isfinite(measured.xy_m[:, 0])
    t, seen = measured.t_s[keep], measured.xy_m[keep]
    delay = x[layout.theta.start + 2]
    near = _on_course(layout, x, t - delay, (0, 1))
    s, v = (_derivative(layout, x, near, order) for order in (0, 1))
    s_rows = _derivative_rows(layout, near, 0, v, len(x))
    sideways = _interpolation(_sideways_knots(measured, layout), t)
    offset = sideways @ x[layout.sideways]
    heading = heading_at(problem.axis, s)
    stretch = 1 + curvature_at(problem.axis, s) * offset
    slow = _interpolation(np.asarray(problem.slow_t_s), t)
    s_rows[:, layout.theta.start + 2] -= v
    along = np.stack([np.cos(heading), np.sin(heading)])
    right = np.stack([np.sin(heading), -np.cos(heading)])
    place = at(problem.axis, s, offset)
    residuals, rows = [], []
    for i in (0, 1):
        row = s_rows * (along[i] * stretch)[:, None]
        row[:, layout.sideways] += right[i][:, None] * sideways
        row[:, layout.slow[i]] += slow
        rows.append(row)
        residuals.append(seen[:, i] - place[:, i] - slow @ x[layout.slow[i]])
    return np.concatenate(residuals), np.concatenate(rows)


def _student_weight(standardised: Floats) -> Floats:
    return (STUDENT_NU + 1) / (STUDENT_NU + standardised**2)


def _first_guess(problem: Problem, layouts: tuple[_Layout, _Layout], size: int) -> Floats:
    """Start values: receivers as the prior has them, courses from the integrated speed."""
    whole = np.zeros(size)
    for role, (measured, layout) in enumerate(
        zip((problem.incoming, problem.outgoing), layouts, strict=True)
    ):
        x = whole[layout.block]
        x[layout.theta] = problem.theta_mean[THETA * role : THETA * (role + 1)]
        for axis in (0, 1):
            x[layout.slow[axis]] = problem.slow_mean[role, axis]
        if layout.start is not None and layout.stand is not None:
            x[layout.start] = layout.origin_s
            if measured.stand_m is not None:
                x[layout.stand] = measured.stand_m.value
        knots = np.array(layout.knots)
        grid = np.linspace(0, knots[-1], 4 * len(knots))
        delay = x[layout.theta.start + 1]
        begin = layout.origin_s
        speed = np.interp(grid + begin, *_speed_to_begin_with(problem.axis, measured, delay))
        course = np.concatenate([[0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(grid))])
        if layout.start is None:
            s, _ = project(problem.axis, measured.xy_m)
            course += np.nanmedian(s - np.interp(measured.t_s, grid + begin, course))
        basis = _bases(knots, grid, (0,))[0][:, layout.first :]
        ridge = 1e-6 * np.eye(basis.shape[1])
        x[layout.spline] = np.linalg.solve(basis.T @ basis + ridge, basis.T @ course)
    return whole


def _speed_to_begin_with(
    axis: ZoneAxis, measured: RunnerMeasurements, delay_s: float
) -> tuple[Floats, Floats]:
    """Moments in s and speeds in m/s along the lane: the unit's own, its delay taken out, or, where
    it states none, those that its places make over a second."""
    keep = np.isfinite(measured.speed_mps)
    if keep.any():
        return measured.t_s[keep] - delay_s, measured.speed_mps[keep]
    s, _ = project(axis, measured.xy_m)
    keep = np.isfinite(s)
    if not keep.any():
        raise np.linalg.LinAlgError("a unit gives neither speeds nor places here")
    t, s = measured.t_s[keep], s[keep]
    early, late = np.maximum(t - 0.5, t[0]), np.minimum(t + 0.5, t[-1])
    way = np.interp(late, t, s) - np.interp(early, t, s)
    return t, np.clip(way / np.maximum(late - early, 0.1), 0.0, FASTEST_GUESS_MPS)


def solve(problem: Problem, *, iterations: int = 12, start_from: Fit | None = None) -> Fit:
    """Solve one rep by Gauss-Newton steps with Student's t weights [1] for the measurements.

    It ends after `iterations` steps, or when a step moves no start by 2e-4 s and no coefficient
    of a course by 2e-3 m. `start_from` is an earlier fit of the same rep. The law of the run is
    v' = (u - v) / tau with a target speed u that wanders [2]; both stand in docs/methods.md.
    Range: sprints and the last metres of 400 m, from 1 to 25 fixes a second.

    Raises numpy.linalg.LinAlgError, with the reason in plain words, when the measurements contain
    nothing usable or the fit does not stay finite.

    [1] Lange, Little and Taylor, Robust statistical modeling using the t distribution, Journal of
    the American Statistical Association, 1989, from memory.
    [2] Furusawa, Hill and Parkinson, The dynamics of "sprint" running, Proceedings of the Royal
    Society B, 1927, for a constant u.
    """
    for role, measured in zip(ROLES, (problem.incoming, problem.outgoing), strict=True):
        if np.isfinite(measured.t_s).sum() < FEWEST_FIXES:
            raise np.linalg.LinAlgError(
                f"the {role} runner's unit gives {len(measured.t_s)} fixes about this takeover, "
                f"and {FEWEST_FIXES} are needed"
            )
    layouts, size = _lay_out_unknowns(problem)
    prior_info, prior_vector = _prior(problem, layouts, size)
    x = _first_guess(problem, layouts, size)
    if start_from is not None and start_from.layouts == layouts:
        x = np.array(start_from.x)
    runners = (problem.incoming, problem.outgoing)
    done = 0
    for _ in range(iterations):
        done += 1
        info, gradient, _ = _normal(problem, runners, layouts, x, prior_info, prior_vector)
        step = cho_solve(_factor(info), gradient)
        starts = [
            layout.block.start + layout.start for layout in layouts if layout.start is not None
        ]
        largest = max((abs(step[i]) for i in starts), default=0.0)
        if largest > 0.06:  # a kink's gradient is good near it only
            step = step * (0.06 / largest)
        x = x + step
        moved = max(np.abs(step[layout.block][layout.spline]).max() for layout in layouts)
        if largest < 2e-4 and moved < 2e-3:
            break
    info, _, residuals = _normal(problem, runners, layouts, x, prior_info, prior_vector)
    cov = cho_solve(_factor(info), np.eye(size))
    speed = (residuals[0], residuals[2])
    position = (residuals[1], residuals[3])
    off = prior_info @ x - prior_vector
    objective = 0.5 * float(x @ off - x @ prior_vector) + sum(
        float((STUDENT_NU + 1) / 2 * np.log1p(r**2 / STUDENT_NU).sum()) for r in residuals
    )
    return Fit(problem, layouts, x, cov, speed, position, objective, done)


def _factor(info: Floats) -> tuple[Floats, bool]:
    """Cholesky factor of a normal matrix, as `cho_solve` takes it."""
    if not np.isfinite(info).all():
        raise np.linalg.LinAlgError("the fit does not stay finite")
    try:
        lower, below = cho_factor(info, check_finite=False)
    except np.linalg.LinAlgError:
        raise np.linalg.LinAlgError("the measurements do not determine the run") from None
    return lower, below


def _normal(
    problem: Problem,
    runners: tuple[RunnerMeasurements, RunnerMeasurements],
    layouts: tuple[_Layout, _Layout],
    x: Floats,
    prior_info: Floats,
    prior_vector: Floats,
) -> tuple[Floats, Floats, list[Floats]]:
    """Normal matrix, right side and standardised residuals (speed, position by role)."""
    info = prior_info.copy()
    gradient = prior_vector - prior_info @ x
    residuals = []
    for measured, layout in zip(runners, layouts, strict=True):
        own = x[layout.block]
        off, rows, noise = _speed_rows(problem, measured, layout, own)
        z = off / noise
        weight = _student_weight(z)
        if layout.start is not None:  # never let the weights argue a start away
            t = measured.t_s[np.isfinite(measured.speed_mps)]
            near = np.abs(t - own[layout.start] - 0.3) < 0.7
            weight = np.where(near & (np.abs(z) < 8), 1.0, weight)
        _add_measurements(info, gradient, layout.block, rows, off, weight / noise**2)
        residuals.append(z)
        off, rows = _position_rows(problem, measured, layout, own)
        z = off / measured.position_noise_m
        n = len(z) // 2
        both = _student_weight(np.hypot(z[:n], z[n:]) / np.sqrt(2))
        weight = np.concatenate([both, both]) / measured.position_noise_m**2
        _add_measurements(info, gradient, layout.block, rows, off, weight)
        residuals.append(z)
    if problem.gap is not None:
        moment, known = problem.gap
        gap, row = _gap_row(layouts, x, moment)
        info += np.outer(row, row) / known.sd**2
        gradient += row * (known.value - gap) / known.sd**2
    return info, gradient, residuals


def _add_measurements(
    info: Floats, gradient: Floats, block: slice, rows: Floats, off: Floats, weight: Floats
) -> None:
    weighted = rows * weight[:, None]
    info[block, block] += weighted.T @ rows
    gradient[block] += weighted.T @ off


def _gap_row(layouts: tuple[_Layout, _Layout], x: Floats, moment: float) -> tuple[float, Floats]:
    row = np.zeros(len(x))
    gap = 0.0
    for sign, layout in zip((-1.0, 1.0), layouts, strict=True):
        s, own = _course_and_rows(layout, x[layout.block], np.array([moment]), 0)
        row[layout.block] = sign * own[0]
        gap += sign * float(s[0])
    return gap, row


# --- reading the solution --------------------------------------------------------------------


def course(fit: Fit, role: Role, t_s: Floats, order: int = 0) -> tuple[Floats, Floats]:
    """Derivative `order` of the place s along the lane at the moments `t_s` (n,) in s.

    Returns the values (n,), in m, m/s or m/s² for order 0, 1 or 2, and their rows (n, p): the
    covariance of the values is `rows @ fit.cov @ rows.T`.
    """
    layout = fit.layouts[ROLES.index(role)]
    value, own = _course_and_rows(layout, fit.x[layout.block], np.atleast_1d(t_s), order)
    rows = np.zeros((len(value), len(fit.x)))
    rows[:, layout.block] = own
    return value, rows


def along(fit: Fit, role: Role, t_s: Floats, order: int = 0) -> Floats:
    """The values (n,) of `course` without their rows."""
    layout = fit.layouts[ROLES.index(role)]
    own = fit.x[layout.block]
    near = _on_course(layout, own, np.atleast_1d(t_s), (order,))
    return _derivative(layout, own, near, order)


def fastest_mps(fit: Fit, role: Role) -> float:
    """The greatest speed, either way, between a runner's first and last fix, in m/s."""
    measured = fit.problem.incoming if role == "incoming" else fit.problem.outgoing
    t = np.arange(measured.t_s[0], min(measured.t_s[-1], measured.end_s), 0.1)
    return float(np.abs(along(fit, role, t, 1)).max(initial=0.0))


def _course_and_rows(layout: _Layout, own: Floats, t: Floats, order: int) -> tuple[Floats, Floats]:
    near = _on_course(layout, own, t, (order, order + 1))
    next_ = _derivative(layout, own, near, order + 1)
    rows = _derivative_rows(layout, near, order, next_, len(own))
    return _derivative(layout, own, near, order), rows


def deviation(fit: Fit, rows: Floats) -> Floats:
    """Standard errors (n,) of values with these rows (n, p), see `course`."""
    return np.asarray(np.sqrt(np.maximum(((rows @ fit.cov) * rows).sum(axis=1), 0.0)))


def crossing(fit: Fit, role: Role, place_m: float) -> tuple[float, Floats] | None:
    """When the trunk crosses `place_m` in running direction: the moment in s and its row (p,),
    or None where it does not cross within the rep's window."""
    layout = fit.layouts[ROLES.index(role)]
    measured = fit.problem.incoming if role == "incoming" else fit.problem.outgoing
    start = fit.start(role)
    begin = start.value if start is not None else layout.origin_s + 0.3
    grid = np.arange(begin, measured.end_s + 0.2, 0.05)
    s = along(fit, role, grid)
    above = np.flatnonzero((s[:-1] < place_m) & (s[1:] >= place_m))
    if not len(above):
        return None
    i = int(above[0])
    t = grid[i] + 0.05 * (place_m - s[i]) / (s[i + 1] - s[i])
    for _ in range(4):
        here = along(fit, role, np.array([t]))
        speed = along(fit, role, np.array([t]), 1)
        t = t - (here[0] - place_m) / max(speed[0], 0.3)
    _, rows = course(fit, role, np.array([t]))
    speed = along(fit, role, np.array([t]), 1)
    return float(t), -rows[0] / max(float(speed[0]), 0.3)


def value_at(
    fit: Fit, role: Role, moment: tuple[float, Floats], order: int
) -> tuple[float, Floats]:
    """Derivative `order` of the course at a moment that is itself estimated: the value and its
    row (p,), in which the error of the moment is included."""
    t, t_row = moment
    value, rows = course(fit, role, np.array([t]), order)
    slope = along(fit, role, np.array([t]), order + 1)
    return float(value[0]), rows[0] + slope[0] * t_row


def receiver_message(fit: Fit) -> tuple[Floats, Floats]:
    """What this rep alone says of both receivers' parameters: information (2 THETA, 2 THETA) and
    information times mean (2 THETA,), the posterior's less the prior's."""
    theta = _shared_places(fit.layouts, "theta")
    posterior = np.linalg.inv(fit.cov[np.ix_(theta, theta)])
    prior = np.linalg.inv(fit.problem.theta_cov)
    vector = posterior @ fit.x[theta] - prior @ fit.problem.theta_mean
    return posterior - prior, vector


def slow_prior(
    slow: SlowError,
    t_s: Floats,
    bystanders: tuple[tuple[Floats, Floats, float], ...],
) -> tuple[Floats, Floats]:
    """Mean (2, 2, k) by role, axis and moment in m, and covariance (2k, 2k) in m² of the slow error
    of both runners' positions at the moments `t_s` (k,) in s.

    `bystanders` are people who stood still: moments (m,) in s, places (m, 2) in m, and the
    standard deviation of one place in m. Gaussian process regression [1].

    [1] Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, eqs. 2.23 and 2.24,
    from memory.
    """
    k = len(t_s)
    common, own = slow.shared(t_s, t_s), slow.own(t_s, t_s)
    cov = np.block([[common + own, common], [common, common + own]])
    mean = np.zeros((2, 2, k))
    if not bystanders:
        return mean, cov
    times = np.concatenate([b[0] for b in bystanders])
    who = np.concatenate([np.full(len(b[0]), i) for i, b in enumerate(bystanders)])
    noise = np.concatenate([np.full(len(b[0]), b[2]) for b in bystanders])
    same = who[:, None] == who[None, :]
    seen = slow.shared(times, times) + same * (slow.own(times, times) + 1e4) + np.diag(noise**2)
    cross = np.vstack([slow.shared(t_s, times)] * 2)
    gain = np.linalg.solve(seen, cross.T).T
    cov = cov - gain @ cross.T
    for axis in (0, 1):
        offset = np.concatenate([b[1][:, axis] - b[1][:, axis].mean() for b in bystanders])
        mean[:, axis] = (gain @ offset).reshape(2, k)
    return mean, (cov + cov.T) / 2


def with_letting_go(problem: Problem, moment_s: float) -> Problem:
    """The problem with the moment in s from which the incoming runner's speed may fall quickly."""
    return replace(problem, incoming=replace(problem.incoming, letting_go_s=moment_s))


def steady_speeds(fit: Fit, role: Role) -> tuple[Floats, Floats]:
    """One runner's measured speeds without swing, scale error and delay: moments (n,) in s and
    speeds (n,) in m/s."""
    i = ROLES.index(role)
    measured = (fit.problem.incoming, fit.problem.outgoing)[i]
    layout = fit.layouts[i]
    own = fit.x[layout.block]
    off, _, _ = _speed_rows(fit.problem, measured, layout, own)
    t = measured.t_s[np.isfinite(measured.speed_mps)] - own[layout.theta.start + 1]
    v = _derivative(layout, own, _on_course(layout, own, t, (1,)), 1)
    return t, v + off / (1 + own[layout.theta.start])


def residual_power(fit: Fit, role: int) -> tuple[float, float, float, float]:
    """What one runner's residuals say of the noise: sum of squares in m²/s² and degrees of freedom
    of the speeds at a run, then the same in m² of the positions. Outliers count by their weight."""
    problem = fit.problem
    measured = (problem.incoming, problem.outgoing)[role]
    layout = fit.layouts[role]
    out: list[float] = []
    own = fit.x[layout.block]
    cov = fit.cov[layout.block, layout.block]
    off, rows, level = _speed_rows(problem, measured, layout, own)
    run = level == measured.speed_noise_mps
    out += _power(cov, off[run], rows[run], measured.speed_noise_mps)
    off, rows = _position_rows(problem, measured, layout, own)
    out += _power(cov, off, rows, measured.position_noise_m)
    return out[0], out[1], out[2], out[3]


def _power(cov: Floats, off: Floats, rows: Floats, noise: float) -> list[float]:
    if not len(off):
        return [0.0, 0.0]
    weight = _student_weight(off / noise)
    leverage = ((rows @ cov) * rows).sum(axis=1) / noise**2
    left = float(np.maximum(1 - weight * leverage, 0.0).sum())
    return [float((weight * off**2).sum()), left]
