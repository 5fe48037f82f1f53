"""The model of one takeover: what was measured, what is unknown, and what is believed beforehand.

It stands in docs/methods.md; names here follow it. Times are seconds from `Problem.zero_utc_s`,
places metres along the lane from the entry line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from pipeline.base.values import Estimate, Floats, Frozen, Ints, ZoneAxis
from pipeline.measure.noise import SlowError
from pipeline.measure.splines import cells_of, fill_rows
from pipeline.measure.zones import project

Role = Literal["incoming", "outgoing"]
ROLES: tuple[Role, Role] = ("incoming", "outgoing")
# Of one runner and unit, common to the reps: scale error of the speed, delay of the speed (s),
# delay of the position (s), lateness of the first movement as the accelerometer shows it (s),
# share of a first-order filter, the rest a moving average, in the smoothing of the speed, and by
# how much longer (s) than RISE_S the force of a start rises.
THETA = 6

# Weak priors from the trade and from papers; docs/methods.md, "Priors".
TAU_S = 1.2
TARGET_MPS = Estimate(9.5, 2.5)
WANDER_MPS = 0.8  # of the target speed in one second of steady running
LAUNCH_MPS = 2.0  # the same in the first half second: no real start is an exponential
LETTING_GO_MPS = 3.5  # and after the incoming runner has let go
RISE_S = 0.14  # the force of a standing start grows for about this long, 0.05 to 0.25 s
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
FEWEST_TO_SOLVE = 4  # of one runner: fewer tell no run
FASTEST_GUESS_MPS = 13.0  # nobody runs faster: a first guess from thrown places stays below
NODES = np.array([-1.0, 0.0, 1.0]) * np.sqrt(0.6)  # Gauss-Legendre on [-1, 1]
NODE_WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18.0


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
    sideways_m: float = 0.0  # where in the lane a runner of this role mostly runs ...
    sideways_sd_m: float = SIDEWAYS_M  # ... how far from there a run may be as a whole ...
    sway_m: float = SWAY_M  # ... and within it
    smoothing_s: float = 0.0  # over what the receiver averages its speed, see _averaging


@dataclass(frozen=True, eq=False)
class PlanInRep(Frozen):
    """What one rep does not know of the plan's place: mean (3,) and covariance (3, 3) of metres
    east and north and turn in rad, the receivers' slow common error included, and `design`
    (2, 2, k, 3) by role, axis and knot: what these do to the positions there."""

    design: Floats
    mean: Floats
    cov: Floats


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
    plan: PlanInRep | None = None  # where the venue was not surveyed well

    def of(self, role: Role) -> RunnerMeasurements:
        """What was measured of the runner of this role."""
        return self.incoming if role == "incoming" else self.outgoing


@dataclass(frozen=True, slots=True)
class Layout:
    """Where one runner's unknowns stand: `block` of the whole vector, all else within it.

    The parts stand in the order of the fields here: speeds know nothing of the slow error, and
    positions nothing of the swing.
    """

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


# --- the spline -------------------------------------------------------------------------


def run_knots(length_s: float) -> Floats:
    """Knots of a run from a stand: dense where the acceleration changes quickly."""
    early = np.array([0.0, RISE_S, 0.30, 0.48, 0.68])
    late = np.arange(0.88, max(length_s, 1.2) + KNOT_STEP_S, KNOT_STEP_S)
    return np.concatenate([early, late])


def _pad_knots(breaks: Floats) -> Floats:
    return np.concatenate([np.repeat(breaks[0], 3), breaks, np.repeat(breaks[-1], 3)])


def roughness(
    knots: tuple[float, ...], tau_s: float, letting_go: float | None, launched: bool
) -> tuple[Floats, Floats]:
    """Penalty (n, n) of the wandering target and the row of the target speed at its start."""
    cells = cells_of(knots)
    breaks = np.array(knots[3:-3])
    half = np.diff(breaks) / 2
    x = (breaks[:-1] + half)[:, None] + half[:, None] * NODES
    weight = 2 * half[:, None] * NODE_WEIGHTS
    wander = np.full_like(x, WANDER_MPS**2)
    if launched:
        wander += LAUNCH_MPS**2 * np.exp(-x / 0.5)
        weight[0] = 0.0  # the rise of the force is no wandering of the target
    if letting_go is not None:
        wander += np.where(x > letting_go, LETTING_GO_MPS**2, 0.0)
    near = cells.locate(np.zeros(x.shape, dtype=np.intp), x)
    rows = cells.derive_basis(near, 2) + tau_s * cells.derive_basis(near, 3)  # (m, 3, 4)
    own = np.einsum("mni,mn,mnj->mij", rows, weight / wander, rows)
    size = len(breaks) + 2
    penalty = np.zeros((size, size))
    for i in range(4):
        for j in range(4):
            k = np.arange(len(own))
            penalty[k + i, k + j] += own[:, i, j]
    none = np.zeros(1, dtype=np.intp)
    start = cells.locate(none, np.array([breaks[1] if launched else breaks[0]]))
    target = cells.derive_basis(start, 1) + tau_s * cells.derive_basis(start, 2)
    return penalty, fill_rows(start.cell, target, size)[0]


# --- laying out and first guess -----------------------------------------------------------


def lay_out_unknowns(problem: Problem) -> tuple[tuple[Layout, Layout], int]:
    """Where the unknowns of a rep stand, by role, and how many they are."""
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
        breaks = run_knots(length) if launched else np.arange(0, length + KNOT_STEP_S, KNOT_STEP_S)
        knots = _pad_knots(breaks)
        tied = 3 if launched else 0
        spans = max(2, int(np.ceil((measured.t_s[-1] - measured.t_s[0]) / SWAY_STEP_S)) + 1)
        parts = Layout(
            block=slice(0, 0),
            knots=tuple(knots.tolist()),
            first=tied,
            spline=take(len(knots) - 4 - tied),
            start=take(1).start if launched else None,
            stand=take(1).start if launched else None,
            theta=take(THETA),
            sideways=take(spans),
            swing=take(4 if steps_seen(measured) else 2 * len(STEP_HZ)),
            slow=(take(k), take(k)),
            origin_s=begin,
        )
        layouts.append(replace(parts, block=slice(before, before + place)))
        before += place
    return (layouts[0], layouts[1]), before


def shared_places(layouts: tuple[Layout, Layout], part: str) -> Ints:
    """Places in the whole vector of a part of both runners' unknowns, incoming's first."""
    found = []
    for layout in layouts:
        where = layout.slow[int(part[-1])] if part.startswith("slow") else layout.theta
        found.append(np.arange(where.start, where.stop) + layout.block.start)
    return np.concatenate(found)


def steps_seen(measured: RunnerMeasurements) -> bool:
    """Whether an accelerometer showed the runner's steps."""
    return bool(np.isfinite(measured.step_phase).sum() > 4)


def sideways_knots(measured: RunnerMeasurements, layout: Layout) -> Floats:
    """Moments in s, evenly apart, between which the sideways place changes linearly."""
    n = layout.sideways.stop - layout.sideways.start
    return np.linspace(measured.t_s[0], measured.t_s[-1] + 1e-9, n)


class FirstMovement(NamedTuple):
    """The first movement as the runner's own block has it: value in s, and its row."""

    value: float
    row: Floats


def first_movement_row(layout: Layout, own: Floats, *, by_accelerometer: bool) -> FirstMovement:
    """The first movement from a runner's own block (b,), with what an accelerometer adds.

    The unknown start is that of a force that rises for RISE_S. One that takes longer begins half of
    the difference sooner, with the same run after it; an accelerometer shows it a little late.
    """
    row = np.zeros(len(own))
    if layout.start is None:
        return FirstMovement(layout.origin_s, row)
    longer = layout.theta.start + 5
    value = own[layout.start] - own[longer] / 2
    row[layout.start], row[longer] = 1.0, -0.5
    if by_accelerometer:
        late = layout.theta.start + 3
        value, row[late] = value + own[late], 1.0
    return FirstMovement(float(value), row)


def quadratic_prior(
    problem: Problem, layouts: tuple[Layout, Layout], size: int
) -> tuple[Floats, Floats]:
    """Quadratic prior: information matrix (p, p) and vector (p,)."""
    info, vector = np.zeros((size, size)), np.zeros(size)
    for measured, layout in zip((problem.incoming, problem.outgoing), layouts, strict=True):
        own, own_vector = _own_prior(problem, measured, layout)
        info[layout.block, layout.block] = own
        vector[layout.block] = own_vector
    shared = [
        (shared_places(layouts, "theta"), np.linalg.inv(problem.theta_cov), problem.theta_mean)
    ]
    places, slow_mean, cov = slow_of_both_axes(problem, layouts)
    if problem.plan is not None:  # then east and north are no longer independent
        shared.append((places, np.linalg.inv(cov), slow_mean))
    else:
        k = len(slow_mean) // 2
        slow = np.linalg.inv(cov[:k, :k])
        shared += [(places[i : i + k], slow, slow_mean[i : i + k]) for i in (0, k)]
    for where, precision, mean in shared:
        info[np.ix_(where, where)] += precision
        vector[where] += precision @ mean
    return info, vector


def slow_of_both_axes(
    problem: Problem, layouts: tuple[Layout, Layout]
) -> tuple[Ints, Floats, Floats]:
    """The slow error's values before anything is measured, east ones first, then by role: where
    they stand in the whole vector (4k,), mean (4k,) in m and covariance (4k, 4k) in m²."""
    places = np.concatenate([shared_places(layouts, f"slow{axis}") for axis in (0, 1)])
    one = problem.slow_cov + 1e-8 * np.eye(len(problem.slow_cov))
    none = np.zeros_like(one)
    mean, cov = problem.slow_mean.swapaxes(0, 1).ravel(), np.block([[one, none], [none, one]])
    if problem.plan is not None:
        design = plan_design(problem.plan)
        mean = mean + design @ problem.plan.mean
        cov = cov + design @ problem.plan.cov @ design.T
    return places, mean, cov


def plan_design(plan: PlanInRep) -> Floats:
    """`PlanInRep.design` as rows (4k, 3) in the order of `slow_of_both_axes`."""
    return np.asarray(plan.design.swapaxes(0, 1).reshape(-1, 3))


def _own_prior(
    problem: Problem, measured: RunnerMeasurements, layout: Layout
) -> tuple[Floats, Floats]:
    """Prior of what one runner's block does not share with the other's."""
    size = layout.block.stop - layout.block.start
    info, vector = np.zeros((size, size)), np.zeros(size)
    launched = layout.start is not None
    letting_go = None if measured.letting_go_s is None else measured.letting_go_s - layout.origin_s
    penalty, target = roughness(layout.knots, problem.tau_s, letting_go, launched)
    target = target[layout.first :] / TARGET_MPS.sd
    spline = layout.spline
    info[spline, spline] = penalty[layout.first :, layout.first :] + np.outer(target, target)
    vector[spline] = target * TARGET_MPS.value / TARGET_MPS.sd
    if layout.start is not None and layout.stand is not None:
        stand = measured.stand_m or Estimate(problem.axis.back_m, 50.0)
        info[layout.stand, layout.stand] = stand.sd**-2
        vector[layout.stand] = stand.value / stand.sd**2
        if measured.onset is None:  # else it is a measurement
            info[layout.start, layout.start] = 1.0
            vector[layout.start] = layout.origin_s
    else:  # under way: a weak place, only to keep the matrix regular
        info[spline.start, spline.start] += 1e-6
    places = sideways_knots(measured, layout)
    apart = np.abs(places[:, None] - places[None, :])
    spread = measured.sideways_sd_m**2 + measured.sway_m**2 * np.exp(-apart / SWAY_TIME_S)
    precision = np.linalg.inv(spread)
    info[layout.sideways, layout.sideways] = precision
    vector[layout.sideways] = precision.sum(axis=1) * measured.sideways_m
    waves = np.arange(layout.swing.start, layout.swing.stop)
    each = SWING_MPS if steps_seen(measured) else SWING_ALL_MPS / np.sqrt(len(STEP_HZ))
    info[waves, waves] = each**-2
    return info, vector


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


def guess_first(problem: Problem, layouts: tuple[Layout, Layout], size: int) -> Floats:
    """Start values: receivers as the prior has them, courses from the integrated speed."""
    whole = np.zeros(size)
    for role, (measured, layout) in enumerate(
        zip((problem.incoming, problem.outgoing), layouts, strict=True)
    ):
        x = whole[layout.block]
        x[layout.theta] = problem.theta_mean[THETA * role : THETA * (role + 1)]
        for axis in (0, 1):
            x[layout.slow[axis]] = problem.slow_mean[role, axis]
            if problem.plan is not None:
                x[layout.slow[axis]] += problem.plan.design[role, axis] @ problem.plan.mean
        if layout.start is not None and layout.stand is not None:
            x[layout.start] = layout.origin_s
            if measured.stand_m is not None:
                x[layout.stand] = measured.stand_m.value
        grid = np.linspace(0, layout.knots[-1], 4 * len(layout.knots))
        delay = x[layout.theta.start + 1]
        begin = layout.origin_s
        speed = np.interp(grid + begin, *_speed_to_begin_with(problem.axis, measured, delay))
        course = np.concatenate([[0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(grid))])
        if layout.start is None:
            s, _ = project(problem.axis, measured.xy_m)
            course += np.nanmedian(s - np.interp(measured.t_s, grid + begin, course))
        cells = cells_of(layout.knots)
        near = cells.locate(np.zeros(len(grid), dtype=np.intp), grid)
        rows = fill_rows(near.cell, cells.derive_basis(near, 0), len(layout.knots) - 4)
        basis = rows[:, layout.first :]
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
