"""From traces to one problem for each rep, and all reps of a session solved together.

What is common to many reps (each receiver's scale error and delay, noise levels) travels
between them as messages; see docs/methods.md, "How it is solved".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.base.relays import is_blind
from pipeline.base.stadium import keeps_lanes
from pipeline.base.values import Estimate, Floats, Frozen, Imu, Ints, Rep, ZoneAxis
from pipeline.measure import easing, estimator, model, noise, steps, wrists
from pipeline.measure.finding import TakeoverCandidate
from pipeline.measure.launch import find_launch
from pipeline.measure.plan_place import (
    PlanFound,
    PlanInSession,
    plan_in_rep,
    plan_moved_m,
    pool_plan,
    sd_along_m,
)
from pipeline.measure.traces import OnAxis, Trace, WristUnit
from pipeline.measure.wrists import NoSign, WristSign, WristStream

STAND_S = 6.0  # so much of a stand is enough to fix the slow error
TAPE_SD_M = 0.08
TAPE_OFF_M = 8.0  # a stand seen so far from the sheet's tape is another one
UNKNOWN_STAND_SD_M = 5.0
RECEIVER_STAND_SD_M = 3.0
SLOWED_SHARE, SLOWING_S = 0.88, 0.9
UNSEEN_START_SD_S, ONSET_WIDEST_S = 0.4, 1.5  # a start in a gap of the fixes
ONSET_WINDOW_S = 0.25  # a start seen in the speeds is good to this, unknown delay included
AROUND_S = 40.0  # a rep needs nothing of a trace farther from it
RUN_IN_S = 8.0  # window before the entry for a runner already under way
OUT_M = 30.0  # the outgoing runner is followed this far beyond the zone
INSIDE_M, OUTSIDE_M = 0.05, 0.25  # of the measured line, common practice
FREE_INCOMING_M, FREE_OUTGOING_M = Estimate(0.3, 0.4), Estimate(1.0, 0.8)  # where lanes are left
FREE_SWAY_M = 0.4  # assumptions: the rules have the waiting runners stand side by side
SCALE_SD = 0.006
DELAY_S = Estimate(0.06, 0.10)  # of the squad's receivers
DELAY_OWN_SD_S = 0.03
POSITION_DELAY_SD_S = 0.01
SETTLED_S = 0.003
SETTLED_S_A_METRE = 0.1  # a plan that moves by 3 cm counts as a delay that moves by SETTLED_S
ROUGH = 4.0  # so much rougher than the last round do the first ones settle
EASING_BEFORE_ENTRY_S, EASING_BEYOND_S = 0.6, 0.8  # of the zone: there an easing is sought
LATE_POSITION_S = 0.15  # receivers that smooth their positions too: believed only where
MUCH_LIKELIER = 3.0  # accelerometers make it this much likelier (natural logarithm)
GATE_SDS = 4.0  # so far from the launch in the speeds, their unknown delay included, may it lie
ONSET_REP_SD_S = 0.006  # between two starts of one runner, beyond what the signal's noise explains
ONSET_LATE_SD_S = (
    0.008  # of the accelerometer's first movement against the force's rise in the model
)
ONSET_LATE_OWN_SD_S = 0.015  # a start's force takes 0.1 to 0.2 s to rise, each runner's own way
FILTER_SD = 0.5
RISE_SD_S, RISE_OWN_SD_S = 0.045, 0.035  # of the squad and of each runner: 0.05 to 0.25 s
SPEED_NOISE_MPS, POSITION_NOISE_M = 0.12, 0.15
NOBODY_RUNS_MPS = 16.0  # a fit with such a speed is none; the fastest ever timed is 12.4 m/s
WRIST_STEP_S = 0.02  # between the moments at which a wrist is asked for the pass
NOISE_WORTH = 20.0  # measurements the prior noise level is worth


@dataclass(frozen=True, eq=False)
class Case(Frozen):
    """One takeover to be measured: where it was found, what the sheet says, and its problem."""

    candidate: TakeoverCandidate
    rep: Rep | None
    problem: estimator.Problem
    steps_s: Floats  # the outgoing runner's footfalls, UTC
    has_imu: tuple[bool, bool]
    remarks: tuple[str, ...]
    signs: tuple[WristSign, ...] = ()  # of the pass, from units on wrists, on the problem's clock
    signs_on_trace_clock: tuple[bool, ...] = ()
    signs_on_sure_clock: tuple[bool, ...] = ()  # that of the trace, or tied by taps


@dataclass(frozen=True, slots=True)
class Levels:
    """Noise of one runner's receiver."""

    speed_mps: float = SPEED_NOISE_MPS
    position_m: float = POSITION_NOISE_M
    rest_mps: float = 0.1
    rest_sd_mps: float = 0.1


@dataclass(frozen=True, eq=False)
class SolvedReps(Frozen):
    """All reps of a session: cases with their fits, receivers' noise and parameters."""

    cases: tuple[Case, ...]
    fits: tuple[estimator.Fit, ...]
    levels: Mapping[str, Levels]
    theta: Mapping[str, tuple[Floats, Floats]]  # by runner: mean and covariance
    failed: tuple[tuple[Case, str], ...] = ()  # what could not be solved, and why
    plan: PlanFound | None = None  # None where the venue was surveyed


def still_seconds(
    traces: Mapping[str, Trace], plane: Mapping[str, Floats]
) -> dict[str, tuple[Floats, Floats, Floats]]:
    """Each runner's stands in whole seconds, without the moments of settling; see
    noise.per_second. `plane` holds the east-north metres (n, 2) of each trace."""
    out = {}
    for name, trace in traces.items():
        stand = noise.still(trace.t_s, trace.pace_mps)
        out[name] = noise.per_second(trace.t_s, plane[name], _trim_stands(trace.t_s, stand))
    return out


def _trim_stands(t_s: Floats, stand: Floats, by_s: float = 1.0) -> Floats:
    """Stands without their first and last second: a step to the side, the lean before a start."""
    out = stand.copy()
    with np.errstate(invalid="ignore"):
        edge = np.flatnonzero(np.diff(np.nan_to_num(stand, nan=-1.0)) != 0)
    first = np.searchsorted(t_s, t_s[edge] - by_s, side="right")
    last = np.searchsorted(t_s, t_s[edge] + by_s, side="left")
    for begin, end in zip(first, last, strict=True):
        out[begin:end] = np.nan
    return out


def build_case(
    candidate: TakeoverCandidate,
    rep: Rep | None,
    axis: ZoneAxis,
    traces: Mapping[str, Trace],
    places: Mapping[str, OnAxis],
    imus: Mapping[str, tuple[Imu, float]],
    levels: Mapping[str, Levels],
    slow: noise.SlowError,
    stands: Mapping[str, tuple[Floats, Floats, Floats]],
    plan: PlanInSession | None = None,
) -> Case:
    """Build the problem of one rep. `imus` holds by runner the accelerometer worn on the trunk
    and the standard error of its clock in s; `plan` what is not known of the venue's place, None
    where it was surveyed."""
    zero = candidate.entry_s
    remarks: list[str] = []
    slow = slow if plan is None else plan.quick
    end = candidate.exit_s if candidate.exit_s is not None else candidate.entry_s + 4.0
    end += OUT_M / 8.0 + 0.5
    runners = []
    falls = np.empty(0)
    for role in estimator.ROLES:
        runner = candidate.incoming if role == "incoming" else candidate.outgoing
        trace, place = _cut_trace(traces[runner], places[runner], zero, end)
        begin = candidate.set_off_s if role == "incoming" else candidate.go_s
        onset, footfalls = None, np.empty(0)
        if runner in imus:
            imu, clock_sd = cut_imu(imus[runner], zero, end)
            if begin is not None:
                seen = measure_launch(trace, begin, levels[runner], DELAY_S.value)
                begin = seen.value
                onset = measure_onset(imu, seen, clock_sd)
            footfalls = _find_footfalls(imu, begin if begin is not None else zero - RUN_IN_S, end)
        if role == "outgoing":
            falls = footfalls
        if begin is not None:
            begin = (
                onset.value
                if onset is not None
                else measure_launch(trace, begin, levels[runner], DELAY_S.value).value
            )
        first = zero - RUN_IN_S if begin is None else _stand_begin(trace, begin)
        last = end if role == "outgoing" else _let_go_end(trace, candidate, end)
        inside = (trace.t_s >= first) & (trace.t_s <= last)
        t = trace.t_s[inside]
        phase = np.full(len(t), np.nan)
        if len(footfalls) > 2:
            phase = steps.step_phase(footfalls, t)
        stand = _stand_place(role, rep, axis, place, trace, begin, first, remarks, plan)
        level = levels[runner]
        if inside.any() and not np.isfinite(trace.speed_mps[inside]).any():
            remarks.append(
                f"{runner}'s unit states no speeds: measured from its places, with wider errors"
            )
        runners.append(
            estimator.RunnerMeasurements(
                t_s=t - zero,
                xy_m=place.xy_m[inside],
                speed_mps=trace.speed_mps[inside],
                step_phase=phase,
                end_s=last - zero,
                speed_noise_mps=level.speed_mps,
                stand_speed_mps=level.rest_mps,
                stand_noise_mps=level.rest_sd_mps,
                position_noise_m=level.position_m,
                start_s=None if begin is None else begin - zero,
                onset=None if onset is None else Estimate(onset.value - zero, onset.sd),
                stand_m=stand,
                **_usual_side(role, rep, axis),
            )
        )
    begin_s = min((s.t_s[0] for s in runners if len(s.t_s)), default=-RUN_IN_S)
    knots = np.arange(begin_s, end - zero + model.SLOW_STEP_S, model.SLOW_STEP_S)
    around = _gather_bystanders(stands, candidate, zero + begin_s, end, levels, zero)
    mean, cov = model.slow_prior(slow, knots, around)
    theta_mean, theta_cov = theta_prior([candidate.incoming, candidate.outgoing])
    problem = estimator.Problem(
        zero_utc_s=zero,
        axis=axis,
        incoming=runners[0],
        outgoing=runners[1],
        theta_mean=theta_mean,
        theta_cov=theta_cov,
        slow_t_s=knots,
        slow_mean=mean,
        slow_cov=cov,
        plan=None
        if plan is None
        else plan_in_rep(
            plan,
            np.array(
                [
                    _places_at(traces[name], places[name], knots + zero)
                    for name in (candidate.incoming, candidate.outgoing)
                ]
            ),
        ),
    )
    has_imu = (candidate.incoming in imus, candidate.outgoing in imus)
    return Case(candidate, rep, problem, falls, has_imu, tuple(remarks))


def find_wrist_signs(cases: Sequence[Case], units: Mapping[str, Sequence[WristUnit]]) -> list[Case]:
    """The cases with what the units on the runners' wrists show of the pass. A unit that cannot be
    used is named in a remark; an arm that gives no sign is not."""
    lateness: dict[tuple[str, int], list[float]] = {
        (runner, k): [] for runner, own in units.items() for k in range(len(own))
    }
    for case in cases:
        for role, k, stream, _ in _wrist_streams(case, units):
            start = case.problem.of(role).start_s
            late = None if start is None else wrists.arm_lateness(stream, start)
            if late is not None:
                lateness[stream.runner, k].append(late)
    off = {unit: wrists.find_clock_off(late) for unit, late in lateness.items()}
    return [_with_wrist_signs(case, units, off) for case in cases]


def _with_wrist_signs(
    case: Case,
    units: Mapping[str, Sequence[WristUnit]],
    off: Mapping[tuple[str, int], float | None],
) -> Case:
    zero = case.problem.zero_utc_s
    go, last = case.candidate.go_s - zero + 0.3, _wrist_end(case) - zero
    moments = np.arange(go, last, WRIST_STEP_S)
    signs, tied, sure, remarks = [], [], [], []
    for role, k, stream, unit in _wrist_streams(case, units):
        late = off[stream.runner, k]
        found = (
            wrists.find_sign(stream, moments, case.problem.of(role).start_s)
            if late is None
            else NoSign(f"its arm starts {late:+.1f} s off its time: is its clock right?", True)
        )
        if isinstance(found, WristSign):
            signs.append(found)
            tied.append(unit.on_trace_clock)
            sure.append(unit.on_trace_clock or unit.tapped)
        elif found.unusable:
            remarks.append(f"the unit on {stream.runner}'s wrist was not used: {found.words}")
    return replace(
        case,
        signs=tuple(signs),
        signs_on_trace_clock=tuple(tied),
        signs_on_sure_clock=tuple(sure),
        remarks=(*case.remarks, *remarks),
    )


def _wrist_end(case: Case) -> float:
    """The last moment, UTC, at which a pass is looked for."""
    one = case.candidate
    return (one.exit_s if one.exit_s is not None else one.go_s + 5.0) + 1.2


def _wrist_streams(
    case: Case, units: Mapping[str, Sequence[WristUnit]]
) -> Iterator[tuple[estimator.Role, int, WristStream, WristUnit]]:
    """What each unit on the wrists of both runners felt about this takeover, on its clock."""
    one, zero = case.candidate, case.problem.zero_utc_s
    for role in estimator.ROLES:
        runner = one.incoming if role == "incoming" else one.outgoing
        for k, unit in enumerate(units.get(runner, ())):
            imu, clock_sd = cut_imu((unit.imu, unit.clock_sd_s), zero, _wrist_end(case))
            yield role, k, WristStream(runner, role, imu.t_s - zero, imu.acc_mps2, clock_sd), unit


def move_in_time(case: Case, incoming_s: float, outgoing_s: float) -> Case:
    """The case with both units' stamps later by so many seconds; its zero moment stays."""
    one, problem = case.candidate, case.problem

    def later(measured: estimator.RunnerMeasurements, by_s: float) -> estimator.RunnerMeasurements:
        onset, ease = measured.onset, measured.letting_go_s
        return replace(
            measured,
            t_s=measured.t_s + by_s,
            end_s=measured.end_s + by_s,
            start_s=None if measured.start_s is None else measured.start_s + by_s,
            onset=None if onset is None else Estimate(onset.value + by_s, onset.sd),
            letting_go_s=None if ease is None else ease + by_s,
        )

    candidate = replace(
        one,
        entry_s=one.entry_s + incoming_s,
        set_off_s=None if one.set_off_s is None else one.set_off_s + incoming_s,
        go_s=one.go_s + outgoing_s,
        exit_s=None if one.exit_s is None else one.exit_s + outgoing_s,
    )
    problem = replace(
        problem,
        incoming=later(problem.incoming, incoming_s),
        outgoing=later(problem.outgoing, outgoing_s),
    )
    by = {one.incoming: incoming_s, one.outgoing: outgoing_s}
    signs = moved_signs(case.signs, case.signs_on_trace_clock, by)
    steps_s = case.steps_s + outgoing_s
    return replace(case, candidate=candidate, problem=problem, steps_s=steps_s, signs=signs)


def moved_signs(
    signs: Sequence[WristSign], on_trace_clock: Sequence[bool], by_s: Mapping[str, float]
) -> tuple[WristSign, ...]:
    """The signs of units that have the clock of their runner's trace as much later as `by_s` says
    by runner; the others as they are."""
    return tuple(
        sign.later(by_s[sign.runner]) if tied else sign
        for sign, tied in zip(signs, on_trace_clock, strict=True)
    )


def _places_at(trace: Trace, place: OnAxis, t_s: Floats) -> Floats:
    """About where a runner was, (n, 2) east-north metres, at moments UTC."""
    known = np.isfinite(place.xy_m[:, 0])
    columns = [np.interp(t_s, trace.t_s[known], place.xy_m[known, k]) for k in (0, 1)]
    return np.stack(columns, axis=-1)


def _cut_trace(trace: Trace, place: OnAxis, zero: float, end: float) -> tuple[Trace, OnAxis]:
    """The part of a trace that one rep can need, so that a long session costs no more a rep."""
    near = slice(*np.searchsorted(trace.t_s, [zero - AROUND_S, end + AROUND_S]))
    return trace.rows(near), place.rows(near)


def cut_imu(imu_and_sd: tuple[Imu, float], zero: float, end: float) -> tuple[Imu, float]:
    """The part of an accelerometer's samples about the time from `zero` to `end`, UTC."""
    imu, clock_sd = imu_and_sd
    near = slice(*np.searchsorted(imu.t_s, [zero - AROUND_S, end + AROUND_S]))
    return replace(imu, t_s=imu.t_s[near], acc_mps2=imu.acc_mps2[near]), clock_sd


def _usual_side(role: estimator.Role, rep: Rep | None, axis: ZoneAxis) -> dict[str, float]:
    """Where a runner mostly runs and how far from there he may be, as RunnerMeasurements has it.

    In a race whose lanes are left, the waiting runners stand side by side across some of them and
    then close in.
    """
    if rep is not None and rep.race is not None and not keeps_lanes(axis.event, axis.zone):
        side = FREE_INCOMING_M if role == "incoming" else FREE_OUTGOING_M
        return {"sideways_m": side.value, "sideways_sd_m": side.sd, "sway_m": FREE_SWAY_M}
    return {"sideways_m": _usual_side_m(role, axis)}


def _usual_side_m(role: estimator.Role, axis: ZoneAxis) -> float:
    """Where in the lane a runner mostly runs, in metres right of the measured line.

    The baton goes from right hand to left hand to right hand. The runners of the bends (legs 1
    and 3) have it in the right hand and keep to the inside, the others keep to the outside:
    common practice.
    """
    if not is_blind(axis.event, axis.zone):
        return (INSIDE_M + OUTSIDE_M) / 2
    inside = (role == "incoming") == (axis.zone % 2 == 1)
    return INSIDE_M if inside else OUTSIDE_M


def measure_onset(imu: Imu, seen: Estimate, clock_sd_s: float) -> Estimate | None:
    """The first movement, UTC, that an accelerometer shows about the start `seen` in the speeds."""
    window = min(
        max(ONSET_WINDOW_S, GATE_SDS * float(np.hypot(seen.sd, DELAY_S.sd))), ONSET_WIDEST_S
    )
    found = steps.first_movement(imu.t_s, imu.acc_mps2, seen.value, window)
    if found is None:
        return None
    return Estimate(found.value, float(np.hypot(np.hypot(found.sd, ONSET_REP_SD_S), clock_sd_s)))


def measure_launch(trace: Trace, near_s: float, level: Levels, delay_s: float) -> Estimate:
    """The first movement, UTC, that the speeds show near `near_s`, the receiver being late by
    `delay_s`; `near_s` itself where they show none."""
    speeds = np.where(np.isfinite(trace.speed_mps), trace.speed_mps, trace.pace_mps)
    found = find_launch(
        trace.t_s,
        speeds,
        near_s,
        delay_s=delay_s,
        noise_mps=level.speed_mps,
        rest_mps=level.rest_mps,
    )
    return Estimate(near_s, UNSEEN_START_SD_S) if found is None else found


def _find_footfalls(imu: Imu, from_s: float, to_s: float) -> Floats:
    return steps.footfalls(imu.t_s, imu.acc_mps2, from_s, to_s)


def _stand_begin(trace: Trace, launch_s: float) -> float:
    """When the stand before a start began, at most STAND_S before it."""
    before = (trace.t_s < launch_s - 0.3) & (trace.t_s > launch_s - STAND_S - 1.0)
    moving = before & ~(trace.pace_mps < 0.8)
    begin = float(trace.t_s[moving][-1]) + 0.7 if moving.any() else launch_s - STAND_S
    return min(max(begin, launch_s - STAND_S), launch_s - 0.3)


def _let_go_end(trace: Trace, candidate: TakeoverCandidate, end_s: float) -> float:
    """About the moment in s until which the incoming runner runs on in the lane."""
    after = (trace.t_s > candidate.entry_s + 0.3) & (trace.t_s < end_s)
    slow = after & (trace.pace_mps < 3.0)
    return float(trace.t_s[slow][0]) if slow.any() else end_s


def _stand_place(
    role: estimator.Role,
    rep: Rep | None,
    axis: ZoneAxis,
    place: OnAxis,
    trace: Trace,
    begin: float | None,
    first: float,
    remarks: list[str],
    plan: PlanInSession | None,
) -> Estimate | None:
    """Where the runner stood: the sheet's tape, checked against the place seen."""
    if begin is None:
        return None
    standing = (trace.t_s >= first) & (trace.t_s < begin - 0.1) & np.isfinite(place.s_m)
    seen = float(np.median(place.s_m[standing])) if standing.any() else axis.back_m
    tape = None
    if rep is not None and role == "incoming" and rep.incoming_start_m is not None:
        tape = axis.back_m - rep.incoming_start_m
    if rep is not None and role == "outgoing" and rep.outgoing_start_m is not None:
        tape = axis.back_m + rep.outgoing_start_m
    off_m = TAPE_OFF_M
    if plan is not None and tape is not None:
        off_m += 2 * sd_along_m(plan.doubt.cov, plan.doubt.centre_m, axis, tape)
    if tape is not None and standing.any() and abs(tape - seen) > off_m:
        remarks.append(
            f"the sheet has the {role} runner start {abs(tape - seen):.0f} m from where the unit "
            "shows the stand; the sheet's place was not used"
        )
        tape = None
    if tape is not None:
        return Estimate(tape, float(np.hypot(TAPE_SD_M, axis.line_sd_m)))
    if role == "outgoing":  # nobody but a receiver's own rule: at or behind the first metres
        return Estimate(axis.back_m + 1.5, RECEIVER_STAND_SD_M)
    return Estimate(seen, UNKNOWN_STAND_SD_M)


def _gather_bystanders(
    stands: Mapping[str, tuple[Floats, Floats, Floats]],
    candidate: TakeoverCandidate,
    from_s: float,
    to_s: float,
    levels: Mapping[str, Levels],
    zero: float,
) -> tuple[tuple[Floats, Floats, float], ...]:
    out = []
    for name, (seconds, xy, number) in stands.items():
        if name in (candidate.incoming, candidate.outgoing):
            continue
        inside = (seconds > from_s - 2) & (seconds < to_s + 2)
        for stand in np.unique(number[inside]):
            here = inside & (number == stand)
            if here.sum() >= 4:
                out.append(
                    (seconds[here] - zero, xy[here], max(0.05, 0.4 * levels[name].position_m))
                )
    return tuple(out)


# --- parameters common to many reps ----------------------------------------------------


def theta_prior(runners: Sequence[str], position_sd_s: float = 0.0) -> tuple[Floats, Floats]:
    """Mean (n THETA,) and covariance (n THETA, n THETA) of the parameters of the receivers.

    A squad mostly wears one kind of unit, so the delays of its receivers are alike.
    `position_sd_s` widens the part of the positions' delay that all of them share.
    """
    n, size = len(runners), estimator.THETA
    mean = np.tile([0.0, DELAY_S.value, 0.0, 0.0, 0.5, 0.0], n)
    cov = np.zeros((n * size, n * size))
    for part, (own, shared) in enumerate(
        (
            (SCALE_SD, 0.0),
            (DELAY_OWN_SD_S, DELAY_S.sd),
            (POSITION_DELAY_SD_S, float(np.hypot(POSITION_DELAY_SD_S, position_sd_s))),
            (ONSET_LATE_OWN_SD_S, ONSET_LATE_SD_S),
            (FILTER_SD, 0.0),
            (RISE_OWN_SD_S, RISE_SD_S),
        )
    ):
        where = np.arange(part, n * size, size)
        cov[np.ix_(where, where)] = shared**2 + own**2 * np.eye(n)
    return mean, cov


def _pool_receivers(
    cases: Sequence[Case], messages: Sequence[tuple[Floats, Floats]]
) -> tuple[list[str], Floats, Floats]:
    """All receivers' parameters given every rep: names, information, vector."""
    names = sorted({n for c in cases for n in (c.candidate.incoming, c.candidate.outgoing)})
    size = estimator.THETA * len(names)
    information, weighted = np.zeros((size, size)), np.zeros(size)
    for case, (one, other) in zip(cases, messages, strict=True):
        where = _receiver_places(names, case)
        information[np.ix_(where, where)] += one
        weighted[where] += other
    usual, late = (
        _posterior(*theta_prior(names, sd), information, weighted) for sd in (0.0, LATE_POSITION_S)
    )
    _, info, vector = late if late[0] > usual[0] + MUCH_LIKELIER else usual
    return names, info, vector


def _posterior(
    mean: Floats, cov: Floats, information: Floats, weighted: Floats
) -> tuple[float, Floats, Floats]:
    """Log evidence of a prior (but for what priors share), and posterior information, vector."""
    prior = np.asarray(np.linalg.inv(cov), dtype=np.float64)
    info, vector = prior + information, prior @ mean + weighted
    fit = float(vector @ np.linalg.solve(info, vector) - mean @ prior @ mean)
    sizes = float(np.linalg.slogdet(prior)[1] - np.linalg.slogdet(info)[1])
    return 0.5 * (fit + sizes), info, vector


def _receiver_places(names: Sequence[str], case: Case) -> Ints:
    size = estimator.THETA
    roles = (case.candidate.incoming, case.candidate.outgoing)
    return np.concatenate([size * names.index(n) + np.arange(size) for n in roles])


def _cavity(
    names: Sequence[str], info: Floats, vector: Floats, case: Case, sent: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """What all others say of this rep's two receivers: mean and covariance."""
    where = _receiver_places(names, case)
    info, vector = info.copy(), vector.copy()
    info[np.ix_(where, where)] -= sent[0]
    vector[where] -= sent[1]
    cov = np.linalg.inv(info)
    mean = cov @ vector
    part = cov[np.ix_(where, where)]
    return mean[where], (part + part.T) / 2


def _learn_levels(
    cases: Sequence[Case], fits: Sequence[estimator.Fit], levels: Mapping[str, Levels]
) -> dict[str, Levels]:
    """Noise of each receiver from its residuals, leverage taken into account."""
    sums: dict[str, list[tuple[float, float, float, float]]] = {name: [] for name in levels}
    for case, fit in zip(cases, fits, strict=True):
        for role, runner in enumerate((case.candidate.incoming, case.candidate.outgoing)):
            one = fit.noise_power[role]
            sums[runner].append(
                (
                    one.speed_squares,
                    one.speed_freedom,
                    one.position_squares,
                    one.position_freedom,
                )
            )
    out = {}
    for name, level in levels.items():
        power = np.sum(sums[name], axis=0) if sums[name] else np.zeros(4)
        out[name] = replace(
            level,
            speed_mps=_pool_noise(power[0], power[1], SPEED_NOISE_MPS),
            position_m=_pool_noise(power[2], power[3], POSITION_NOISE_M),
        )
    return out


def _pool_noise(square_sum: float, freedom: float, prior: float) -> float:
    worth = NOISE_WORTH
    return float(np.sqrt((square_sum + worth * prior**2) / (max(freedom, 0.0) + worth)))


def _hear_of_plan(
    cases: Sequence[Case], fits: Sequence[estimator.Fit], plan: PlanInSession
) -> tuple[list[Case], PlanFound | None]:
    """The cases with what all others say of the plan's place, and what all of them say of it."""
    known = [(case.problem.plan, estimator.plan_posterior(fit)) for case, fit in zip(
        cases, fits, strict=True)]  # fmt: skip
    priors = [before for before, after in known if before is not None and after is not None]
    posteriors = [after for _, after in known if after is not None]
    if len(priors) < len(cases) or not cases:
        return list(cases), None
    hears, found = pool_plan(
        plan,
        posteriors,
        priors,
        [case.candidate.entry_s for case in cases],
        [case.candidate.pair for case in cases],
    )
    told = [
        replace(case, problem=replace(case.problem, plan=replace(prior, mean=mean, cov=cov)))
        for case, prior, (mean, cov) in zip(cases, priors, hears, strict=True)
    ]
    return told, found


def solve_all(
    build_all: Sequence[Case],
    levels: Mapping[str, Levels],
    rounds: tuple[int, int] = (3, 8),
    plan: PlanInSession | None = None,
) -> SolvedReps:
    """Solve all reps together: solve each, learn the noise, exchange messages [1], and begin again.

    `rounds` says how often at least and at most. It ends when the delays move by less than
    SETTLED_S, since the width of a receiver's smoothing is set from the delay of the round before.
    `plan` is what is not known of the venue's place, of which the reps tell each other too.

    A rep that cannot be solved takes no other with it: it leaves the pooling and comes back in
    `failed` with the reason.

    [1] Minka, Expectation propagation for approximate Bayesian inference, 2001, from memory: each
    rep hears what all the others say of its two receivers, never itself.
    """
    cases = list(build_all)
    levels = dict(levels)
    failed: list[tuple[Case, str]] = []
    fits: list[estimator.Fit] = []
    info: Floats
    vector: Floats
    delays: Floats = np.zeros(2 * estimator.THETA)
    found_plan: PlanFound | None = None
    for turn in range(rounds[1]):
        if turn:
            levels = _learn_levels(cases, fits, levels)
            sent = [estimator.receiver_message(fit) for fit in fits]
            names, info, vector = _pool_receivers(cases, sent)
            now = np.asarray(np.linalg.solve(info, vector)[1 :: estimator.THETA], dtype=np.float64)
            moved = now - delays if len(now) == len(delays) else np.array([np.inf])
            if plan is not None:
                before_plan = found_plan
                cases, found_plan = _hear_of_plan(cases, fits, plan)
                moved = np.append(moved, plan_moved_m(before_plan, found_plan) * SETTLED_S_A_METRE)
            if turn >= rounds[0] and np.abs(moved).max(initial=0.0) < SETTLED_S:
                break
            delays = now
            renewed = []
            for case, one in zip(cases, sent, strict=True):
                mean, cov = _cavity(names, info, vector, case, one)
                problem = replace(
                    case.problem,
                    theta_mean=mean,
                    theta_cov=cov,
                    incoming=_with_level(
                        case.problem.incoming, levels[case.candidate.incoming], mean[1]
                    ),
                    outgoing=_with_level(
                        case.problem.outgoing,
                        levels[case.candidate.outgoing],
                        mean[estimator.THETA + 1],
                    ),
                )
                renewed.append(replace(case, problem=problem))
            cases = renewed
        runs = [_approach(c, fits[i] if turn else None) for i, c in enumerate(cases)]
        cases = [
            replace(c, problem=estimator.with_letting_go(c.problem, _earliest_easing_s(found)))
            for c, found in zip(cases, easing.find_easings(runs), strict=True)
        ]
        before: list[estimator.Fit | None] = [*fits] or [None] * len(cases)
        found = estimator.solve_together(
            [c.problem for c in cases],
            start_from=before,
            rough=1.0 if turn + 1 >= rounds[0] else ROUGH,  # the next round goes on from here
        )
        solved = [_check_speeds(c, fit) for c, fit in zip(cases, found, strict=True)]
        failed += [(c, one) for c, one in zip(cases, solved, strict=True) if isinstance(one, str)]
        cases = [c for c, one in zip(cases, solved, strict=True) if not isinstance(one, str)]
        fits = [one for one in solved if not isinstance(one, str)]
        cases = [_with_slowing(c, fit) for c, fit in zip(cases, fits, strict=True)]
    if plan is not None:
        found_plan = _hear_of_plan([replace(c, problem=fit.problem) for c, fit in zip(
            cases, fits, strict=True)], fits, plan)[1]  # fmt: skip
    sent = [estimator.receiver_message(fit) for fit in fits]
    names, info, vector = _pool_receivers(cases, sent)
    spread: Floats = np.asarray(np.linalg.inv(info), dtype=np.float64)
    center = spread @ vector
    theta = {}
    for i, name in enumerate(names):
        where = slice(estimator.THETA * i, estimator.THETA * (i + 1))
        theta[name] = (center[where], spread[where, where])
    return SolvedReps(tuple(cases), tuple(fits), levels, theta, tuple(failed), found_plan)


def _check_speeds(case: Case, fit: estimator.Fit | str) -> estimator.Fit | str:
    """The fit, or why it is none where it has somebody run as nobody runs."""
    if isinstance(fit, str):
        return fit
    for role, runner in zip(
        estimator.ROLES, (case.candidate.incoming, case.candidate.outgoing), strict=True
    ):
        fastest = estimator.fastest_mps(fit, role)
        if fastest > NOBODY_RUNS_MPS:
            return f"the best fit would have {runner} run at {fastest:.0f} m/s"
    return fit


def _with_level(
    measured: estimator.RunnerMeasurements, level: Levels, delay_s: float
) -> estimator.RunnerMeasurements:
    return replace(
        measured,
        speed_noise_mps=level.speed_mps,
        position_noise_m=level.position_m,
        smoothing_s=max(float(delay_s), 0.0),
    )


def _approach(case: Case, fit: estimator.Fit | None) -> easing.SpeedsToEase:
    """The incoming runner's speeds about the zone; with a fit, without the swing of the steps."""
    measured, candidate = case.problem.incoming, case.candidate
    last = candidate.exit_s if candidate.exit_s is not None else candidate.entry_s + 4.0
    if fit is None:
        t, v = measured.t_s - case.problem.theta_mean[1], measured.speed_mps
    else:
        t, v = estimator.steady_speeds(fit, "incoming")
    until = last - candidate.entry_s + EASING_BEYOND_S
    return easing.SpeedsToEase(t, v, measured.speed_noise_mps, -EASING_BEFORE_ENTRY_S, until)


def _with_slowing(case: Case, fit: estimator.Fit) -> Case:
    """The case with the moment from which the outgoing runner's speed, too, may fall quickly."""
    measured = case.problem.outgoing
    go = fit.start("outgoing")
    if go is None:
        return case
    t = np.arange(go.value + 1.0, measured.end_s, 0.1)
    v = estimator.along(fit, "outgoing", t, 1)
    fallen = np.flatnonzero(v < SLOWED_SHARE * np.maximum.accumulate(v))
    moment = float(t[fallen[0]]) - SLOWING_S if len(fallen) else None
    return replace(
        case, problem=replace(case.problem, outgoing=replace(measured, letting_go_s=moment))
    )


def _earliest_easing_s(ease: easing.EasingLikelihood) -> float:
    """A moment in s before which the incoming runner hardly began to slow."""
    if not len(ease.t_s):
        return 3.0
    weight = np.exp(ease.log_likelihood)
    mass = np.cumsum(weight) / weight.sum()
    return float(ease.t_s[np.searchsorted(mass, 0.05)]) - 0.1
