"""The estimator: both runners of one takeover on the lane's axis, with their covariance.

The model stands in docs/methods.md and in `model`; names here follow it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotri, dpotrs

from pipeline.base.values import Estimate, Floats, Frozen
from pipeline.measure.equations import (
    Equations,
    PreparedRep,
    follow,
    follow_values,
    guess_rep,
    join_reps,
    prepare_rep,
    set_up_equations,
)
from pipeline.measure.model import (
    FEWEST_TO_SOLVE,
    ROLES,
    THETA,
    Layout,
    Problem,
    Role,
    RunnerMeasurements,
    first_movement_row,
    plan_design,
    shared_places,
    slow_of_both_axes,
)

__all__ = [
    "ROLES",
    "THETA",
    "Problem",
    "Role",
    "RunnerMeasurements",
]

ITERATIONS = 12
LARGEST_START_STEP_S = 0.06  # a kink's gradient is good near it only
SETTLED_START_S, SETTLED_COURSE_M = 2e-4, 2e-3
STRAIGHT_STEPS = 3  # steps after which those that do not get shorter are halved
WORSE = 1.0  # by so much may a step worsen the objective before it is halved
HALVED_AT_MOST = 3
COARSE_STEP_S = 0.05  # between the moments in which a crossing is sought
CROSSED_S = 1e-6  # a step so short towards a crossing was the last: the next would be its square
REPS_IN_BATCH = 16  # reps in one batch: enough to spread the overhead, few enough for memory


@dataclass(frozen=True, slots=True)
class NoisePower:
    """What one runner's residuals say of the noise: sums of squares in m²/s² and m² of the speeds
    at a run and of the positions, and their degrees of freedom. Outliers count by their weight."""

    speed_squares: float
    speed_freedom: float
    position_squares: float
    position_freedom: float


@dataclass(frozen=True, eq=False)
class CoarseCourse(Frozen):
    """One runner's places `s_m` (n,) at moments `t_s` (n,), from the first movement on."""

    t_s: Floats
    s_m: Floats


@dataclass(frozen=True, eq=False)
class Fit(Frozen):
    """The solution: `x` (p,) with covariance `cov` (p, p); read through `course` and below."""

    problem: Problem
    layouts: tuple[Layout, Layout]
    x: Floats
    cov: Floats
    speed_residual: tuple[Floats, Floats]  # by role: standardised, where a speed was measured
    position_residual: tuple[Floats, Floats]
    noise_power: tuple[NoisePower, NoisePower]
    objective: float
    iterations: int

    def start(self, role: Role) -> Estimate | None:
        """The first movement in s, None for a runner already under way."""
        layout = self.layouts[ROLES.index(role)]
        if layout.start is None:
            return None
        seen = self.problem.of(role).onset is not None
        block = layout.block
        found = first_movement_row(layout, self.x[block], by_accelerometer=seen)
        variance = found.row @ self.cov[block, block] @ found.row
        return Estimate(found.value, float(np.sqrt(variance)))

    @cached_property
    def leaves(self) -> tuple[float, Floats] | None:
        """When the outgoing runner leaves the zone, as `crossing` has it."""
        return crossing(self, "outgoing", self.problem.axis.exit_m)

    @cached_property
    def coarse_courses(self) -> tuple[CoarseCourse, CoarseCourse]:
        """By role the course in steps of COARSE_STEP_S, in which crossings are sought."""
        return (_coarse_course(self, "incoming"), _coarse_course(self, "outgoing"))


# --- solving -----------------------------------------------------------------------------


def solve(problem: Problem, *, iterations: int = ITERATIONS, start_from: Fit | None = None) -> Fit:
    """Solve one rep: `solve_together` for a single one.

    Raises numpy.linalg.LinAlgError, with the reason in plain words, when the measurements contain
    nothing usable or the fit does not stay finite.
    """
    (fit,) = solve_together([problem], iterations=iterations, start_from=[start_from])
    if isinstance(fit, str):
        raise np.linalg.LinAlgError(fit)
    return fit


def solve_together(
    problems: Sequence[Problem],
    *,
    iterations: int = ITERATIONS,
    start_from: Sequence[Fit | None] | None = None,
    rough: float = 1.0,
) -> list[Fit | str]:
    """Solve reps, each for itself, by Gauss-Newton steps with Student's t weights [1].

    A rep ends after `iterations` steps, or when a step moves no start by 2e-4 s and no coefficient
    of a course by 2e-3 m, both times `rough`. A step that makes things worse is halved.
    `start_from` holds an earlier fit of each rep, or None. The law of the run is
    v' = (u - v) / tau with a target speed u that wanders [2]; both stand in docs/methods.md.
    Range: sprints and the last metres of 400 m, from 1 to 25 fixes a second. What comes back for a
    rep that cannot be solved is the reason in words.

    [1] Lange, Little and Taylor, Robust statistical modeling using the t distribution, Journal of
    the American Statistical Association, 1989, from memory.
    [2] Furusawa, Hill and Parkinson, The dynamics of "sprint" running, Proceedings of the Royal
    Society B, 1927, for a constant u.
    """
    before = list(start_from) if start_from is not None else [None] * len(problems)
    out: list[Fit | str] = []
    for i in range(0, len(problems), REPS_IN_BATCH):
        part = slice(i, i + REPS_IN_BATCH)
        out += _solve_batch(problems[part], before[part], iterations, rough)
    return out


@dataclass
class _Course:
    """Where one rep of a batch has got to."""

    rep: PreparedRep
    x: Floats
    step: Floats | None = None
    objective: float = np.inf
    steps: int = 0
    halved: int = 0  # how often the last step was
    unsettled: float = np.inf  # the last step in units of what counts as settled
    share: float = 1.0  # of a step that is taken


def _solve_batch(
    problems: Sequence[Problem], before: Sequence[Fit | None], iterations: int, rough: float
) -> list[Fit | str]:
    out: list[Fit | str] = [""] * len(problems)
    under_way: dict[int, _Course] = {}
    for i, (problem, fit) in enumerate(zip(problems, before, strict=True)):
        lack = _lack_of_fixes(problem)
        if lack:
            out[i] = lack
            continue
        rep = prepare_rep(problem)
        try:
            x = np.array(fit.x) if fit and fit.layouts == rep.layouts else guess_rep(rep)
        except np.linalg.LinAlgError as error:
            out[i] = str(error)
            continue
        under_way[i] = _Course(rep, x)
    batch = None
    while under_way:
        if batch is None:
            batch = join_reps([one.rep for one in under_way.values()])
        found = set_up_equations(batch, [one.x for one in under_way.values()])
        ended = set()
        for (i, one), equations in zip(under_way.items(), found, strict=True):
            result = _advance(one, equations, iterations, rough)
            if result is not None:
                out[i] = result
                ended.add(i)
        if ended:
            under_way = {i: one for i, one in under_way.items() if i not in ended}
            batch = None
    return out


def _lack_of_fixes(problem: Problem) -> str:
    for role, measured in zip(ROLES, (problem.incoming, problem.outgoing), strict=True):
        if np.isfinite(measured.t_s).sum() < FEWEST_TO_SOLVE:
            return (
                f"the {role} runner's unit gives {len(measured.t_s)} fixes about this takeover, "
                f"and {FEWEST_TO_SOLVE} are needed"
            )
    return ""


def _advance(one: _Course, equations: Equations, iterations: int, rough: float) -> Fit | str | None:
    """Take one step, in place; the fit where it was the last, or why there is none."""
    worse = equations.objective > one.objective + WORSE
    if one.step is not None and worse and one.halved < HALVED_AT_MOST:
        one.step = one.step / 2
        one.x = one.x - one.step
        one.halved += 1
        return None
    # What the weights about a start minimise is not quite the objective: where halving does not
    # help the step was right.
    one.halved = 0
    if not np.isfinite(equations.info).all() or not np.isfinite(equations.gradient).all():
        return "the fit does not stay finite"
    # The matrix is symmetric: its transpose is the same, and lies as the library wants it.
    factor, wrong = dpotrf(equations.info.T, lower=1, clean=0, overwrite_a=1)
    if wrong:
        return "the measurements do not determine the run"
    step = dpotrs(factor, equations.gradient, lower=1)[0]
    layouts = one.rep.layouts
    starts = [layout.block.start + layout.start for layout in layouts if layout.start is not None]
    largest = max((abs(step[i]) for i in starts), default=0.0)
    if largest > LARGEST_START_STEP_S:
        step = step * (LARGEST_START_STEP_S / largest)
    moved = max(np.abs(step[layout.block][layout.spline]).max() for layout in layouts)
    unsettled = max(largest / SETTLED_START_S, moved / SETTLED_COURSE_M)
    if one.steps >= STRAIGHT_STEPS and unsettled > one.unsettled / 2:
        # To and fro about a speed that is now of the rest, now of the run: to the middle, and less.
        one.share = 0.5 if one.share == 1.0 else one.share / 4
    step = step * one.share
    one.x, one.step, one.objective = one.x + step, step, equations.objective
    one.steps += 1
    one.unsettled = unsettled
    if unsettled * one.share < rough or one.steps >= iterations:
        return _make_fit(one, equations, factor)
    return None


def _make_fit(one: _Course, equations: Equations, factor: Floats) -> Fit:
    """The fit, with the last equations' covariance: the step since then moved hardly anything."""
    lower = dpotri(factor, lower=1, overwrite_c=1)[0]
    cov = np.tril(lower) + np.tril(lower, -1).T
    powers = []
    for layout, (speeds, places) in zip(one.rep.layouts, equations.measured, strict=True):
        own = cov[layout.block, layout.block]
        powers.append(
            NoisePower(
                speeds.square_sum,
                speeds.number - _effect(own, speeds.info),
                places.square_sum,
                places.number - _effect(own, places.info),
            )
        )
    return Fit(
        one.rep.problem,
        one.rep.layouts,
        one.x,
        cov,
        equations.speed_residual,
        equations.position_residual,
        (powers[0], powers[1]),
        equations.objective,
        one.steps,
    )


def _effect(cov: Floats, info: Floats) -> float:
    """How many unknowns the measurements with this information determine."""
    size = len(info)
    return float(np.vdot(cov[:size, :size], info))


def condition(
    fit: Fit,
    predict: Callable[[Fit], tuple[Floats, Floats]],
    measured: Floats,
    cov: Floats,
    *,
    times: int = 2,
) -> Fit:
    """The fit with `measured` (m,), whose errors have the covariance `cov` (m, m), known too.

    `predict` gives what a fit says of the same, (m,), and the rows (m, p). Iterated Kalman
    update [1]: `times` says how often it is linearised.

    [1] Bell and Cathey, The iterated Kalman filter update as a Gauss-Newton method, IEEE
    Transactions on Automatic Control, 1993, from memory.
    """
    x, now = fit.x, fit
    for _ in range(times):
        said, rows = predict(now)
        across = rows @ fit.cov
        gain = np.linalg.solve(across @ rows.T + cov, across).T
        x = fit.x + gain @ (measured - said - rows @ (fit.x - now.x))
        left = fit.cov - gain @ across
        now = replace(fit, x=x, cov=(left + left.T) / 2)
    return now


# --- reading the solution --------------------------------------------------------------------


def course(fit: Fit, role: Role, t_s: Floats, order: int = 0) -> tuple[Floats, Floats]:
    """Derivative `order` of the place s along the lane at the moments `t_s` (n,) in s.

    Returns the values (n,), in m, m/s or m/s² for order 0, 1 or 2, and their rows (n, p): the
    covariance of the values is `rows @ fit.cov @ rows.T`.
    """
    layout = fit.layouts[ROLES.index(role)]
    value, own = follow(layout, fit.x[layout.block], np.atleast_1d(t_s), order)
    rows = np.zeros((len(value), len(fit.x)))
    rows[:, layout.block] = own
    return value, rows


def along(fit: Fit, role: Role, t_s: Floats, order: int = 0) -> Floats:
    """The values (n,) of `course` without their rows."""
    layout = fit.layouts[ROLES.index(role)]
    return follow_values(layout, fit.x[layout.block], np.atleast_1d(t_s), order)


def fastest_mps(fit: Fit, role: Role) -> float:
    """The greatest speed, either way, between a runner's first and last fix, in m/s."""
    measured = fit.problem.of(role)
    t = np.arange(measured.t_s[0], min(measured.t_s[-1], measured.end_s), 0.1)
    return float(np.abs(along(fit, role, t, 1)).max(initial=0.0))


def deviation(fit: Fit, rows: Floats) -> Floats:
    """Standard errors (n,) of values with these rows (n, p), see `course`."""
    return np.asarray(np.sqrt(np.maximum(((rows @ fit.cov) * rows).sum(axis=1), 0.0)))


def course_with_sd(fit: Fit, role: Role, t_s: Floats, order: int = 0) -> tuple[Floats, Floats]:
    """The values (n,) of `course` and their standard errors (n,)."""
    value, rows, part = _own_course(fit, role, t_s, order)
    return value, np.sqrt(np.maximum(_products(rows, fit.cov[part, part], rows), 0.0))


def places_of_both(fit: Fit, t_s: Floats) -> tuple[Floats, Floats]:
    """Both runners' places in m at the moments `t_s` (n,) in s: values (2, n) by role and their
    covariances (2, 2, n) in m²."""
    values, rows, parts = zip(*(_own_course(fit, role, t_s, 0) for role in ROLES), strict=True)
    own = [_products(rows[i], fit.cov[parts[i], parts[i]], rows[i]) for i in (0, 1)]
    common = _products(rows[0], fit.cov[parts[0], parts[1]], rows[1])
    return np.array(values), np.array([[own[0], common], [common, own[1]]])


def _own_course(fit: Fit, role: Role, t_s: Floats, order: int) -> tuple[Floats, Floats, slice]:
    """As `course`, with the rows' columns only for those unknowns on which a course hangs, and
    where these stand."""
    layout = fit.layouts[ROLES.index(role)]
    value, rows = follow(layout, fit.x[layout.block], np.atleast_1d(t_s), order)
    size = layout.theta.start  # what is of the receiver comes behind the course
    return value, rows[:, :size], slice(layout.block.start, layout.block.start + size)


def _products(left: Floats, cov: Floats, right: Floats) -> Floats:
    """Row by row (n,): left (n, a), cov (a, b), right (n, b)."""
    return np.asarray(np.einsum("ni,ni->n", left @ cov, right))


def _coarse_course(fit: Fit, role: Role) -> CoarseCourse:
    measured = fit.problem.of(role)
    start = fit.start(role)
    begin = start.value if start is not None else fit.layouts[ROLES.index(role)].origin_s + 0.3
    grid = np.arange(begin, measured.end_s + 0.2, COARSE_STEP_S)
    return CoarseCourse(grid, along(fit, role, grid))


def crossing(fit: Fit, role: Role, place_m: float) -> tuple[float, Floats] | None:
    """When the trunk crosses `place_m` in running direction: the moment in s and its row (p,),
    or None where it does not cross within the rep's window."""
    coarse = fit.coarse_courses[ROLES.index(role)]
    s = coarse.s_m
    above = np.flatnonzero((s[:-1] < place_m) & (s[1:] >= place_m))
    if not len(above):
        return None
    i = int(above[0])
    t = coarse.t_s[i] + COARSE_STEP_S * (place_m - s[i]) / (s[i + 1] - s[i])
    for _ in range(4):
        here = along(fit, role, np.array([t]))
        speed = along(fit, role, np.array([t]), 1)
        step = (here[0] - place_m) / max(speed[0], 0.3)
        t = t - step
        if abs(step) < CROSSED_S:
            break
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
    theta = shared_places(fit.layouts, "theta")
    posterior = np.linalg.inv(fit.cov[np.ix_(theta, theta)])
    prior = np.linalg.inv(fit.problem.theta_cov)
    vector = posterior @ fit.x[theta] - prior @ fit.problem.theta_mean
    return posterior - prior, vector


def plan_posterior(fit: Fit) -> tuple[Floats, Floats] | None:
    """What the rep now knows of the plan's place: mean (3,) and covariance (3, 3) in m, m and rad,
    see `PlanInRep`; None where the venue was surveyed.

    The slow error is the plan's move and its own, both normal, so the move given the slow error is
    a linear function of it with a known rest.
    """
    plan = fit.problem.plan
    if plan is None:
        return None
    places, mean, cov = slow_of_both_axes(fit.problem, fit.layouts)
    gain = np.linalg.solve(cov, plan_design(plan) @ plan.cov).T
    known = fit.cov[np.ix_(places, places)]
    left = plan.cov - gain @ (cov - known) @ gain.T
    return plan.mean + gain @ (fit.x[places] - mean), (left + left.T) / 2


def with_letting_go(problem: Problem, moment_s: float) -> Problem:
    """The problem with the moment in s from which the incoming runner's speed may fall quickly."""
    return replace(problem, incoming=replace(problem.incoming, letting_go_s=moment_s))


def steady_speeds(fit: Fit, role: Role) -> tuple[Floats, Floats]:
    """One runner's measured speeds without swing, scale error and delay: moments (n,) in s and
    speeds (n,) in m/s. Range: a runner at a run."""
    i = ROLES.index(role)
    measured = fit.problem.of(role)
    layout = fit.layouts[i]
    scale, delay = fit.x[layout.block][layout.theta][:2]
    t = measured.t_s[np.isfinite(measured.speed_mps)] - delay
    off = fit.speed_residual[i] * measured.speed_noise_mps
    return t, along(fit, role, t, 1) + off / (1 + scale)
