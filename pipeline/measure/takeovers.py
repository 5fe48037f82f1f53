"""Each takeover measured from its fit: moments, speeds, the pass and what went wrong.

Times are seconds from the incoming runner's crossing of the entry line (`zero_utc_s`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.base.values import Estimate, Floats, Frozen
from pipeline.measure import estimator, passes
from pipeline.measure.reps import OUT_M, Case, SolvedReps

CURVE_HZ = 50.0
CURVE_BEFORE_M = 60.0
SHEET_PASS_SD_M = 0.5  # the contract: somebody beside the zone saw it, good to half a metre
NOT_NEAR_M = 0.9  # closest approach this far beyond the pair's reach: no pass
RAN_INTO_M = 0.55  # trunks nearer than this while still closing: arms no longer fit between
EARLY_LAG_S = 0.05  # first movement sooner after the mark than anybody reacts
LATE_LAG_S = 0.35  # and later than a receiver who watches the mark
OUTSIDE_P = 0.2  # a pass less likely in the zone than this was outside
INCOMING_SLOWED_SHARE = 0.05  # of the speed at the entry line, lost by the pass
OUTGOING_EASED_MPS = 0.35  # lost before the pass, from the outgoing runner's highest speed
# Who slows to this share so soon beyond the zone has no baton.
GIVE_UP_M, GIVE_UP_SHARE = 20.0, 0.75
OUT_OF_REACH_M = 0.9  # no pass, and never nearer than this: the receiver was too far away
SURE_SDS = 2.0  # a fault is named when it exceeds its bound by so many standard errors


@dataclass(frozen=True, eq=False)
class MeasuredCurve(Frozen):
    """One runner's course on the takeover's clock and the lane's axis, (n,) each."""

    runner: str
    role: estimator.Role
    t_s: Floats
    s_m: Floats
    s_sd_m: Floats
    v_mps: Floats
    v_sd_mps: Floats
    a_mps2: Floats


@dataclass(frozen=True, eq=False)
class MeasuredTakeover(Frozen):
    """One row of `exchanges`, and its two curves."""

    case: Case
    outcome: str
    zero_utc_s: float
    mark_m: float | None
    mark: Estimate | None
    go: Estimate | None
    passed: Estimate | None
    pass_place: Estimate | None
    pass_basis: str
    p_in_zone: float | None
    zone_time: Estimate | None
    v_in_entry: Estimate | None
    v_in_pass: Estimate | None
    v_out_pass: Estimate | None
    v_out_exit: Estimate | None
    free_distance: Estimate | None
    steps_to_pass: int | None
    faults: tuple[str, ...]
    remarks: tuple[str, ...]
    curves: tuple[MeasuredCurve, ...] = field(default=())
    fit_z: float | None = None


def measure_takeovers(solved: SolvedReps) -> list[MeasuredTakeover]:
    """Measure all takeovers of a session; they come back in time order."""
    courses = [_sample_gap(fit) for fit in solved.fits]
    sights = [
        None if course is None else _log_seen_pass(case, course)
        for case, course in zip(solved.cases, courses, strict=True)
    ]
    pairs = [(c.candidate.incoming, c.candidate.outgoing) for c in solved.cases]
    met = [
        i
        for i, (case, fit, seen) in enumerate(zip(solved.cases, solved.fits, sights, strict=True))
        if seen is not None and _may_have_passed(case, fit, courses[i])
    ]
    messages = []
    for i in met:
        course, seen = courses[i], sights[i]
        if course is not None and seen is not None:
            messages.append((pairs[i], passes.reach_message(course, seen)))
    beliefs, _ = passes.learn(messages)
    reach = dict(zip(met, beliefs, strict=True))
    out = []
    for i, (case, fit) in enumerate(zip(solved.cases, solved.fits, strict=True)):
        course, seen = courses[i], sights[i]
        belief = None
        if i in reach and course is not None and seen is not None:
            belief = passes.believe(course, seen, reach[i], case.problem.axis.exit_m)
            fit = _solve_with_reach(fit, course, seen, reach[i])
        out.append(_measure_takeover(case, fit, belief, course))
    return sorted(out, key=lambda t: t.zero_utc_s)


def _sample_gap(fit: estimator.Fit) -> passes.GapCourse | None:
    """The gap from just after the receiver's start until the incoming runner is out of it."""
    go = fit.start("outgoing")
    exit_ = estimator.crossing(fit, "outgoing", fit.problem.axis.exit_m)
    if go is None:
        return None
    last = min(
        fit.problem.incoming.end_s, (exit_[0] if exit_ is not None else go.value + 5.0) + 1.2
    )
    t = np.arange(go.value + 0.3, last, passes.PASS_GRID_S)
    if len(t) < 10:
        return None
    s_in, in_rows = estimator.course(fit, "incoming", t)
    s_out, out_rows = estimator.course(fit, "outgoing", t)
    return passes.GapCourse(
        t,
        s_out - s_in,
        estimator.deviation(fit, out_rows - in_rows),
        (s_in + s_out) / 2,
        estimator.deviation(fit, (in_rows + out_rows) / 2),
    )


def _log_seen_pass(case: Case, course: passes.GapCourse) -> Floats:
    if case.rep is None or case.rep.pass_m is None:
        return np.zeros(len(course.t_s))
    sd = np.hypot(course.middle_sd_m, SHEET_PASS_SD_M)
    return -0.5 * ((course.middle_m - case.rep.pass_m) / sd) ** 2


def _may_have_passed(case: Case, fit: estimator.Fit, course: passes.GapCourse | None) -> bool:
    """Whether the baton can have changed hands. It can if somebody saw it, or if the trunks came
    near each other and the outgoing runner, as one who has it, went on at speed beyond the zone."""
    if case.rep is not None and case.rep.pass_m is not None:
        return course is not None
    return _came_near(course) and not _receiver_gave_up(case, fit)


def _receiver_gave_up(case: Case, fit: estimator.Fit) -> bool:
    exit_m = case.problem.axis.exit_m
    last = fit.problem.outgoing.end_s
    go = fit.start("outgoing")
    leave = estimator.crossing(fit, "outgoing", exit_m)
    if leave is None or go is None:
        return True
    t = np.arange(go.value + 0.5, last, 0.1)
    v = estimator.along(fit, "outgoing", t, 1)
    s = estimator.along(fit, "outgoing", t)
    best = float(v[s < exit_m + 2].max(initial=0.0))
    beyond = (s > exit_m) & (s < exit_m + GIVE_UP_M)
    return bool(v[beyond].min(initial=best) < GIVE_UP_SHARE * best)


def _came_near(course: passes.GapCourse | None) -> bool:
    """Whether the trunks ever came near enough for a pass, with their errors allowed for."""
    if course is None:
        return False
    excess = course.gap_m - (passes.REACH_PRIOR_M.value + NOT_NEAR_M)
    return bool((excess < course.gap_sd_m).any())


def _solve_with_reach(
    fit: estimator.Fit, course: passes.GapCourse, log_seen: Floats, others: Floats
) -> estimator.Fit:
    """Solve the rep once more, now knowing that the gap at the pass is about the pair's reach."""
    mass = np.cumsum(passes.weigh_without_reach(course, log_seen, others))
    reach = others.sum(axis=0)
    early, moment, late = (
        float(course.t_s[np.searchsorted(mass, share)]) for share in (0.16, 0.5, 0.84)
    )
    spread = (late - early) / 2
    mean = float(reach @ passes.REACHES_M)
    var = float(reach @ (passes.REACHES_M - mean) ** 2) + passes.REACH_PRIOR_REP_SD_M**2
    rate = float(np.interp(moment, course.t_s, np.gradient(course.gap_m, course.t_s)))
    gap = Estimate(mean, float(np.sqrt(var + (abs(rate) + 0.1) ** 2 * spread**2)))
    problem = replace(fit.problem, gap=(moment, gap))
    return estimator.solve(problem, start_from=fit, iterations=4)


# --- one takeover -----------------------------------------------------------------------


def _value_and_sd(fit: estimator.Fit, value: float, row: Floats) -> Estimate:
    return Estimate(value, float(estimator.deviation(fit, row[None, :])[0]))


def _line_sd(case: Case, speed: float) -> float:
    return case.problem.axis.line_sd_m / max(speed, 1.0)


def _measure_takeover(
    case: Case,
    fit: estimator.Fit,
    belief: passes.PassBelief | None,
    course: passes.GapCourse | None,
) -> MeasuredTakeover:
    axis = case.problem.axis
    remarks = list(case.remarks)
    entry = estimator.crossing(fit, "incoming", 0.0) or (0.0, np.zeros(len(fit.x)))
    exit_ = estimator.crossing(fit, "outgoing", axis.exit_m)
    go = fit.start("outgoing")
    zero = entry[0]
    rep = case.rep
    mark_m = rep.mark_m if rep is not None else None
    mark = None
    if mark_m is not None:
        at_mark = estimator.crossing(fit, "incoming", axis.back_m - mark_m)
        if at_mark is None:
            remarks.append("the incoming runner was not seen to cross the check mark")
        else:
            mark = _value_and_sd(fit, at_mark[0] - zero, at_mark[1])
    v_entry, row = estimator.value_at(fit, "incoming", entry, 1)
    v_in_entry = _value_and_sd(fit, v_entry, row)
    v_out_exit = zone_time = None
    if exit_ is not None:
        v_exit, row = estimator.value_at(fit, "outgoing", exit_, 1)
        v_out_exit = _value_and_sd(fit, v_exit, row)
        time = _value_and_sd(fit, exit_[0] - zero, exit_[1] - entry[1])
        lines = np.hypot(_line_sd(case, v_entry), _line_sd(case, v_exit))
        value, carried = time.value, 0.0
        if belief is not None:
            value, carried = _baton_zone_time(fit, belief, entry[0], exit_[0])
        zone_time = Estimate(value, float(np.sqrt(time.sd**2 + lines**2 + carried**2)))
    else:
        remarks.append("the outgoing runner was not seen to cross the exit line")
    outcome = judge_outcome(case, belief, exit_ is not None)
    seen = rep is not None and rep.pass_m is not None
    takeover = MeasuredTakeover(
        case=case,
        outcome=outcome,
        zero_utc_s=fit.problem.zero_utc_s + zero,
        mark_m=mark_m,
        mark=mark,
        go=None if go is None else Estimate(go.value - zero, go.sd),
        passed=None,
        pass_place=None,
        pass_basis="seen" if seen else "inferred",
        p_in_zone=None,
        zone_time=None,
        v_in_entry=v_in_entry,
        v_in_pass=None,
        v_out_pass=None,
        v_out_exit=v_out_exit,
        free_distance=None,
        steps_to_pass=None,
        faults=(),
        remarks=(),
        curves=_measure_curves(case, fit, zero),
    )
    if outcome != "not passed" and belief is not None:
        takeover = replace(_add_pass(takeover, case, fit, belief, zero), zone_time=zone_time)
        if not len(case.steps_s):
            remarks.append("no accelerometer on the outgoing runner: steps not counted")
    elif outcome == "not passed":
        remarks.append("no pass: nothing that follows from one is given")
    else:
        remarks.append("the pass could not be inferred from the traces")
        takeover = replace(takeover, zone_time=zone_time)
    faults = name_faults(takeover, fit, course, belief)
    return replace(takeover, faults=faults, remarks=tuple(remarks))


def _baton_zone_time(
    fit: estimator.Fit, belief: passes.PassBelief, entry: float, exit_: float
) -> tuple[float, float]:
    """The baton's own time through the zone in s, and its spread over the moments of the pass.

    Until the pass the baton is with the incoming runner's trunk, after it with the outgoing
    runner's. So who carries it over a line depends on when it changed hands.
    """
    t = belief.t_s
    in_exit = estimator.crossing(fit, "incoming", fit.problem.axis.exit_m)
    out_entry = estimator.crossing(fit, "outgoing", 0.0)
    leaves = np.maximum(exit_, t)
    if in_exit is not None:
        leaves = np.where(in_exit[0] <= t, in_exit[0], leaves)
    enters = np.full_like(t, entry)
    if out_entry is not None:
        enters = np.where(entry <= t, entry, np.maximum(out_entry[0], t))
    time = leaves - enters
    mean = float(belief.weight @ time)
    return mean, float(np.sqrt(belief.weight @ (time - mean) ** 2))


def _speed_at_pass(fit: estimator.Fit, belief: passes.PassBelief, role: estimator.Role) -> Estimate:
    v, rows = estimator.course(fit, role, belief.t_s, 1)
    own = estimator.deviation(fit, rows)
    mean = float(belief.weight @ v)
    return Estimate(mean, float(np.sqrt(belief.weight @ (own**2 + (v - mean) ** 2))))


def _add_pass(
    one: MeasuredTakeover, case: Case, fit: estimator.Fit, belief: passes.PassBelief, zero: float
) -> MeasuredTakeover:
    """The takeover with all that follows from the posterior of the pass."""
    t = belief.t_s
    steps = None
    go = fit.start("outgoing")
    if len(case.steps_s) and go is not None:
        after = case.steps_s - case.problem.zero_utc_s
        counts = np.searchsorted(after, t) - np.searchsorted(after, go.value)
        values = np.unique(counts)
        steps = int(values[np.argmax([belief.weight[counts == c].sum() for c in values])])
    moment = belief.moment
    return replace(
        one,
        passed=Estimate(moment.value - zero, moment.sd),
        pass_place=belief.place_m,
        p_in_zone=belief.p_in_zone,
        free_distance=belief.gap_m,
        steps_to_pass=steps,
        v_in_pass=_speed_at_pass(fit, belief, "incoming"),
        v_out_pass=_speed_at_pass(fit, belief, "outgoing"),
    )


def judge_outcome(case: Case, belief: passes.PassBelief | None, left_zone: bool) -> str:
    seen = case.rep is not None and case.rep.pass_m is not None
    if seen:
        return "passed"
    if belief is None or not left_zone:
        return "not passed"
    return "passed"


def name_faults(
    one: MeasuredTakeover,
    fit: estimator.Fit,
    course: passes.GapCourse | None,
    belief: passes.PassBelief | None,
) -> tuple[str, ...]:
    """What went wrong, in trade words, and only where the traces are sure of it.

    `one` has everything but its faults. `course` is the gap between the two trunks and `belief`
    the posterior of the pass; None where there is none. A lag, a gap or a loss of speed counts
    when it lies SURE_SDS standard errors beyond its bound. docs/accuracy.md says how many of the
    faults that happened are named.
    """
    found = []
    if one.go is not None and one.mark is not None:
        lag = one.go.value - one.mark.value
        sd = float(np.hypot(one.go.sd, one.mark.sd))
        if lag + SURE_SDS * sd < EARLY_LAG_S:
            found.append("early start")
        if lag - SURE_SDS * sd > LATE_LAG_S:
            found.append("late start")
    if course is not None:
        nearest = int(np.argmin(course.gap_m))
        if course.gap_m[nearest] + SURE_SDS * course.gap_sd_m[nearest] < RAN_INTO_M:
            found.append("ran into")
    if one.outcome == "not passed" and course is not None and course.gap_m.min() > OUT_OF_REACH_M:
        found.append("ran away")
    if one.p_in_zone is not None and one.p_in_zone < OUTSIDE_P and one.pass_place is not None:
        before = one.pass_place.value < fit.problem.axis.exit_m / 2
        found.append("passed before the zone" if before else "passed beyond the zone")
    if one.v_in_entry is not None and one.v_in_pass is not None:
        lost = one.v_in_entry.value - one.v_in_pass.value
        if lost - SURE_SDS * one.v_in_pass.sd > INCOMING_SLOWED_SHARE * one.v_in_entry.value:
            found.append("incoming slowed")
    if belief is not None:
        before_pass = np.arange(float(belief.t_s[0]), belief.moment.value, 0.05)
        if len(before_pass) > 4:
            v = estimator.along(fit, "outgoing", before_pass, 1)
            if float((np.maximum.accumulate(v) - v).max()) > OUTGOING_EASED_MPS:
                found.append("outgoing eased")
    return tuple(found)


def _measure_curves(case: Case, fit: estimator.Fit, zero: float) -> tuple[MeasuredCurve, ...]:
    """Both runners from the set-off (or 60 m before the zone) to 30 m beyond it."""
    axis = case.problem.axis
    start = fit.start("incoming")
    first = start.value if start is not None else float(fit.problem.incoming.t_s[0])
    far = estimator.crossing(fit, "incoming", -CURVE_BEFORE_M)
    if far is not None:
        first = max(first, far[0])
    beyond = estimator.crossing(fit, "outgoing", axis.exit_m + OUT_M)
    last = beyond[0] if beyond is not None else fit.problem.outgoing.end_s
    out = []
    for role in estimator.ROLES:
        measured = fit.problem.incoming if role == "incoming" else fit.problem.outgoing
        until = min(last, measured.end_s)
        t = np.arange(np.ceil((first - zero) * CURVE_HZ), (until - zero) * CURVE_HZ) / CURVE_HZ
        if not len(t):
            continue
        s, s_rows = estimator.course(fit, role, t + zero)
        v, v_rows = estimator.course(fit, role, t + zero, 1)
        a = estimator.along(fit, role, t + zero, 2)
        runner = case.candidate.incoming if role == "incoming" else case.candidate.outgoing
        out.append(
            MeasuredCurve(
                runner,
                role,
                t,
                s,
                estimator.deviation(fit, s_rows),
                v,
                estimator.deviation(fit, v_rows),
                a,
            )
        )
    return tuple(out)
