"""Each takeover measured from its fit: moments, speeds, the pass and what went wrong.

Times are seconds from the incoming runner's crossing of the entry line (`zero_utc_s`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.base.values import Estimate, Floats, Frozen, Observer
from pipeline.base.words import SURELY_INSIDE_P, SURELY_OUTSIDE_P, zone_doubt_in_words
from pipeline.measure import estimator, faults, fitness, passes, tapes, weighing, wrists
from pipeline.measure.agreement import NEAREST_M, ClockOffset
from pipeline.measure.observers.evidence import hand_back
from pipeline.measure.observers.rows import GatePlaces, sees_passes_alone
from pipeline.measure.observers.watched import (
    ObservationRow,
    PassAsSeen,
    Watched,
    check_rows,
    in_file_order,
    is_pass_seen,
    left_over_rows,
    observation_rows,
    sort_passes,
    watch,
)
from pipeline.measure.reps import OUT_M, Case, SolvedReps
from pipeline.measure.starts import StartHabits, judge_starts

CURVE_HZ = 50.0
GOOD_LINE_SD_M = 0.05
CURVE_BEFORE_M = 60.0
PASS_OVERLOOKED = 0.1  # chance that an observer who sees the passes has none of a takeover's
SURE_OF_PASS = 0.8  # whether the baton changed hands is clear beyond this chance, and 1 less it


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
    """One row of `exchanges`, and its two curves. What is not given is not known."""

    case: Case
    outcome: str
    zero_utc_s: float
    mark_m: float | None
    pass_basis: str
    zero_sd_s: float | None = None
    mark: Estimate | None = None
    go: Estimate | None = None
    passed: Estimate | None = None
    pass_place: Estimate | None = None
    p_in_zone: float | None = None
    zone_time: Estimate | None = None
    v_in_entry: Estimate | None = None
    v_in_pass: Estimate | None = None
    v_out_pass: Estimate | None = None
    v_out_exit: Estimate | None = None
    free_distance: Estimate | None = None
    steps_to_pass: int | None = None
    hand_back: Estimate | None = None
    steps_to_hand_back: int | None = None
    faults: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    curves: tuple[MeasuredCurve, ...] = ()
    fit_z: float | None = None
    observations: tuple[ObservationRow, ...] = ()


@dataclass(frozen=True, eq=False)
class MeasuredSquad(Frozen):
    """All takeovers of a session in time order, how its receivers start, and the rows of observers
    that belong to no takeover."""

    takeovers: tuple[MeasuredTakeover, ...]
    starts: StartHabits
    remarks: tuple[str, ...]
    left_over: tuple[ObservationRow, ...] = ()


def measure_takeovers(
    solved: SolvedReps,
    offsets: Mapping[str, ClockOffset] | None = None,
    usual_m: float = NEAREST_M.value,
    observers: Sequence[Observer] = (),
    gates: GatePlaces | None = None,
) -> MeasuredSquad:
    """Measure all takeovers of a session.

    `offsets` tell by runner what is left of the doubt of the units' clocks, `usual_m` is the
    squad's usual smallest gap in m; both come from `agreement`. `gates` tell where the gates of
    the venue lie that `observers` name.
    """
    offsets, gates = offsets or {}, gates or {}
    seen = [
        weighing.look_at_fit(case, fit, offsets)
        for case, fit in zip(solved.cases, solved.fits, strict=True)
    ]
    seen, words = weighing.weigh_tapes(seen, usual_m)
    seen, watched = _watch(seen, observers, gates, usual_m)
    chances = [_weigh_pass(watched, i, one, usual_m) for i, one in enumerate(seen)]
    reach = _learn_reach(seen, chances, watched)
    with_reach = _solve_with_reach(seen, reach)
    measured: list[MeasuredTakeover] = []
    beliefs: dict[int, tuple[passes.PassBelief, Floats]] = {}
    for i, one in enumerate(seen):
        belief = None
        if i in reach and one.course is not None and one.log_seen is not None:
            exit_m = one.case.problem.axis.exit_m
            belief = passes.believe(one.course, one.log_seen, reach[i], exit_m)
            beliefs[i] = belief, reach[i]
            known = watched.measure_again(i, replace(one, fit=with_reach[i]))
            one = seen[i] = replace(one, fit=known.fit)
        as_seen = sort_passes(watched, i, one, belief)
        found = _measure_takeover(one, belief, chances[i], usual_m, as_seen)
        zero = found.zero_utc_s - one.fit.problem.zero_utc_s
        passed = None if found.passed is None else found.passed.value + zero
        hand, refused = hand_back(watched.ties, i, one, passed)
        if hand is not None:
            found = _with_hand(found, one.fit, hand, zero)
        rows = observation_rows(watched, i, one, as_seen, reach.get(i), refused, found.zero_utc_s)
        measured.append(replace(found, observations=tuple(rows)))
    checks, said = check_rows(observers, seen, gates, beliefs, [x.zero_utc_s for x in measured])
    order = {one.id: k for k, one in enumerate(observers)}
    measured = [
        replace(
            one,
            observations=in_file_order(
                [*one.observations, *(row for k, row in checks if k == i)], order
            ),
        )
        for i, one in enumerate(measured)
    ]
    left_over = [row for k, row in (*left_over_rows(watched.ties), *checks) if k is None]
    measured += [_unsolved_takeover(case, why) for case, why in solved.failed]
    measured.sort(key=lambda one: one.zero_utc_s)
    habits = judge_starts([(one.case.candidate.outgoing, _lag(one)) for one in measured])
    measured = [
        one if fault is None else replace(one, faults=(fault, *one.faults))
        for one, fault in zip(measured, habits.faults, strict=True)
    ]
    words = (*words, *watched.words, *said)
    return MeasuredSquad(tuple(measured), habits, words, tuple(left_over))


def _watch(
    seen: Sequence[weighing.SeenTakeover],
    observers: Sequence[Observer],
    gates: GatePlaces,
    usual_m: float,
) -> tuple[list[weighing.SeenTakeover], Watched]:
    """The takeovers with what observers saw in them, and the observers."""
    inferred: dict[int, Estimate] = {}
    if any(sees_passes_alone(one) for one in observers):
        chances = [weighing.weigh_pass(one, usual_m) for one in seen]
        for i, others in _learn_reach(seen, chances).items():
            course, log_seen = seen[i].course, seen[i].log_seen
            if course is not None and log_seen is not None:
                exit_m = seen[i].case.problem.axis.exit_m
                moment = passes.believe(course, log_seen, others, exit_m).moment
                zero = seen[i].fit.problem.zero_utc_s
                inferred[i] = Estimate(zero + moment.value, moment.sd)
    watched = watch(observers, seen, gates, inferred)
    return [watched.measure(i, one) for i, one in enumerate(seen)], watched


def _weigh_pass(watched: Watched, number: int, one: weighing.SeenTakeover, usual_m: float) -> float:
    """The chance that the baton changed hands: certain where an observer saw how it can have, less
    where one watched, who sees it otherwise, and saw none."""
    if is_pass_seen(watched, number, one):
        return 1.0
    chance = weighing.weigh_pass(one, usual_m)
    if chance < 1.0 and watched.missed_pass(number):
        return chance * PASS_OVERLOOKED / (chance * PASS_OVERLOOKED + 1 - chance)
    return chance


def _learn_reach(
    seen: Sequence[weighing.SeenTakeover],
    chances: Sequence[float],
    watched: Watched | None = None,
) -> dict[int, Floats]:
    """By the number of each takeover in which the baton changed hands what the others say of it."""
    met = [i for i, chance in enumerate(chances) if chance > 1 - SURE_OF_PASS]
    messages, asked = [], []
    for i in met:
        course = seen[i].course
        sight = seen[i].log_seen if watched is None else watched.teaching(i, seen[i])
        if course is not None and sight is not None:
            messages.append((weighing.pair_of(seen[i].case), passes.reach_message(course, sight)))
            asked.append(i)
    beliefs, _ = passes.learn(messages)
    return dict(zip(asked, beliefs, strict=True))


def _with_hand(
    one: MeasuredTakeover, fit: estimator.Fit, moment: Estimate, zero: float
) -> MeasuredTakeover:
    """The takeover whose receiver's hand goes back at `moment`, on the clock of the fit, and the
    footfalls until then."""
    go, falls = fit.start("outgoing"), one.case.steps_s - one.case.problem.zero_utc_s
    steps = None
    if len(falls) and go is not None and go.value <= moment.value:
        steps = int(np.searchsorted(falls, moment.value) - np.searchsorted(falls, go.value))
    hand = Estimate(moment.value - zero, moment.sd)
    return replace(one, hand_back=hand, steps_to_hand_back=steps)


def _lag(one: MeasuredTakeover) -> Estimate | None:
    if one.go is None or one.mark is None:
        return None
    return Estimate(one.go.value - one.mark.value, float(np.hypot(one.go.sd, one.mark.sd)))


# --- the pass ---------------------------------------------------------------------------------


def _solve_with_reach(
    seen: Sequence[weighing.SeenTakeover], reach: Mapping[int, Floats]
) -> dict[int, estimator.Fit]:
    """The reps solved once more, now knowing that the gap at the pass is about the pair's reach:
    by the number of the takeover, as `reach` holds it. A rep that this leaves without a fit keeps
    the one it had."""
    problems = {}
    for i, others in reach.items():
        course, log_seen = seen[i].course, seen[i].log_seen
        if course is not None and log_seen is not None:
            problems[i] = _with_gap_at_pass(seen[i].fit, course, log_seen, others)
    fits = estimator.solve_together(
        list(problems.values()), start_from=[seen[i].fit for i in problems], iterations=4
    )
    return {
        i: seen[i].fit if isinstance(fit, str) else fit
        for i, fit in zip(problems, fits, strict=True)
    }


def _with_gap_at_pass(
    fit: estimator.Fit, course: passes.GapCourse, log_seen: Floats, others: Floats
) -> estimator.Problem:
    mass = np.cumsum(passes.weigh_without_reach(course, log_seen, others))
    early, moment, late = (
        float(course.t_s[np.searchsorted(mass, share)]) for share in (0.16, 0.5, 0.84)
    )
    spread = (late - early) / 2
    reach = passes.reach_of_rep(others)
    rate = float(np.interp(moment, course.t_s, np.gradient(course.gap_m, course.t_s)))
    gap = Estimate(reach.value, float(np.hypot(reach.sd, (abs(rate) + 0.1) * spread)))
    return replace(fit.problem, gap=(moment, gap))


# --- one takeover -----------------------------------------------------------------------


def _value_and_sd(fit: estimator.Fit, value: float, row: Floats) -> Estimate:
    return Estimate(value, float(estimator.deviation(fit, row[None, :])[0]))


def _line_sd(case: Case, speed: float) -> float:
    return case.problem.axis.line_sd_m / max(speed, 1.0)


def _poor_line_sd(case: Case, speed: float) -> float:
    """What a mark that was taped from a poorly surveyed line adds to its moment; what a good
    survey leaves is in the tape's own standard error."""
    line_sd = case.problem.axis.line_sd_m
    return float(np.sqrt(max(line_sd**2 - GOOD_LINE_SD_M**2, 0.0))) / max(speed, 1.0)


def _unsolved_takeover(case: Case, why: str) -> MeasuredTakeover:
    """The row of a takeover that could not be solved: who, when and why."""
    rep = case.rep
    return MeasuredTakeover(
        case=case,
        outcome="unclear",
        zero_utc_s=case.candidate.entry_s,
        mark_m=rep.mark_m if rep is not None else None,
        pass_basis="seen" if rep is not None and rep.pass_m is not None else "inferred",
        remarks=(*case.remarks, f"this takeover could not be measured: {why}"),
    )


def _measure_takeover(
    one: weighing.SeenTakeover,
    belief: passes.PassBelief | None,
    chance: float,
    usual_m: float,
    as_seen: PassAsSeen,
) -> MeasuredTakeover:
    case, fit, course, rep = one.case, one.fit, one.course, one.case.rep
    axis = case.problem.axis
    remarks = [*case.remarks, *one.remarks]
    entry = estimator.crossing(fit, "incoming", 0.0) or (0.0, np.zeros(len(fit.x)))
    exit_ = fit.leaves
    go = fit.start("outgoing")
    zero = entry[0]
    mark_m = rep.mark_m if rep is not None else None
    mark = None
    if mark_m is not None:
        at_mark = estimator.crossing(fit, "incoming", axis.back_m - mark_m)
        if at_mark is None:
            remarks.append("the incoming runner was not seen to cross the check mark")
        else:
            mark = _value_and_sd(fit, at_mark[0] - zero, at_mark[1])
    v_entry, row = estimator.value_at(fit, "incoming", entry, 1)
    if mark is not None:
        mark = Estimate(mark.value, float(np.hypot(mark.sd, _poor_line_sd(case, v_entry))))
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
        parts = np.array([time.sd, lines, carried, one.clock_sd_s])
        zone_time = Estimate(value, float(np.linalg.norm(parts)))
    else:
        remarks.append("the outgoing runner was not seen to cross the exit line")
    seen = rep is not None and rep.pass_m is not None
    if seen and belief is not None and course is not None and rep is not None:
        p_wrong = passes.chance_sight_is_wrong(course, rep.pass_m or 0.0, belief.weight)
        seen = p_wrong <= tapes.DROPPED_P
        if p_wrong > tapes.DOUBTED_P:
            used = "both are allowed for" if seen else "the traces are used"
            remarks.append(
                f"the sheet saw the pass at {rep.pass_m:.1f} m, the traces have it elsewhere "
                f"({p_wrong:.0%} that the sheet is wrong): {used}"
            )
    remarks += as_seen.in_words()
    if weighing.says_baton_was_lost(case):
        remarks.append("the sheet's note says that the baton did not go on: a pass is unlikely")
    seen = seen or bool(as_seen.right)
    outcome, why = judge_outcome(chance, belief, exit_ is not None, seen, course)
    remarks += why
    if belief is not None and not seen:
        place = belief.place_m
        doubt = zone_doubt_in_words(belief.p_in_zone, place.value, place.sd, axis.exit_m)
        if doubt is not None and chance >= SURE_OF_PASS:
            remarks.append(f"the pass, at {place.value:.1f} ± {place.sd:.1f} m: {doubt}")
    takeover = MeasuredTakeover(
        case=case,
        outcome=outcome,
        zero_utc_s=fit.problem.zero_utc_s + zero,
        mark_m=mark_m,
        mark=mark,
        go=None if go is None else Estimate(go.value - zero, go.sd),
        pass_basis="seen" if seen else "inferred",
        zero_sd_s=float(np.hypot(_value_and_sd(fit, zero, entry[1]).sd, _line_sd(case, v_entry))),
        v_in_entry=v_in_entry,
        v_out_exit=v_out_exit,
        curves=_measure_curves(case, fit, zero),
    )
    if belief is not None and outcome != "not passed" and chance >= SURE_OF_PASS:
        takeover = replace(_add_pass(takeover, case, fit, belief, zero), zone_time=zone_time)
        takeover, doubted_signs = _add_wrists(takeover, case, fit, belief, zero)
        remarks += doubted_signs
        if not len(case.steps_s):
            remarks.append("no accelerometer on the outgoing runner: steps not counted")
    elif outcome == "not passed":
        remarks.append("no pass: nothing that follows from one is given")
    else:
        remarks.append("the pass could not be inferred from the traces")
        takeover = replace(takeover, zone_time=zone_time)
    fit_z, doubted = fitness.check_fit(one.fit, one.tapes, course, chance, usual_m)
    if doubted is not None and not _is_said(doubted, one):
        remarks.append(doubted.words)
    evidence = faults.FaultEvidence(
        outcome,
        fit,
        course,
        belief,
        takeover.p_in_zone,
        takeover.pass_place,
        takeover.v_in_entry,
    )
    named = faults.name_faults(evidence)
    if doubted is not None and outcome == "not passed" and one.gave_up is False:
        takeover = replace(takeover, outcome="unclear", zone_time=zone_time)
        named = tuple(word for word in named if word != "ran away")
    return replace(takeover, faults=named, remarks=tuple(remarks), fit_z=fit_z)


def _is_said(doubted: fitness.Doubted, one: weighing.SeenTakeover) -> bool:
    """Whether a remark on this takeover names a tape already."""
    return any(both.p_wrong > tapes.DOUBTED_P for both in one.tapes.values()) and (
        doubted.culprit in ("tape", "gap")
    )


def judge_outcome(
    chance: float,
    belief: passes.PassBelief | None,
    left_zone: bool,
    seen: bool,
    course: passes.GapCourse | None,
) -> tuple[str, list[str]]:
    """Whether the baton changed hands, in the table's words, and why that is not clear.

    `chance` is that of a pass at all; `seen` that somebody saw it. It is not clear either where
    the pass may as well have been outside the zone as in it.
    """
    if belief is None or (not left_zone and not seen):
        return "not passed", []
    if not seen and chance < SURE_OF_PASS:
        nearest = 0.0 if course is None else float(course.gap_m.min())
        return "unclear", [
            f"whether the baton changed hands is not clear ({chance:.0%}): the trunks came no "
            f"nearer than {nearest:.1f} m"
        ]
    if SURELY_OUTSIDE_P < belief.p_in_zone < SURELY_INSIDE_P and not seen:
        return "unclear", []
    return "passed", []


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
    v, own = estimator.course_with_sd(fit, role, belief.t_s, 1)
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


def _add_wrists(
    one: MeasuredTakeover, case: Case, fit: estimator.Fit, belief: passes.PassBelief, zero: float
) -> tuple[MeasuredTakeover, list[str]]:
    """The takeover with what follows from signs of the pass on wrists, and words on those that the
    other evidence contradicts."""
    t, weight = belief.t_s, belief.weight
    right = {sign: sign.chance_right(t, weight) for sign in case.signs}
    words = [
        f"the unit on {sign.runner}'s wrist shows {sign.words}, where the pass hardly was "
        f"({1 - chance:.0%} that it is no sign of it): the other evidence is used"
        for sign, chance in right.items()
        if chance < 0.5
    ]
    if one.pass_basis == "inferred" and wrists.is_sensed(case.signs, t, weight, belief.moment.sd):
        one = replace(one, pass_basis="sensed")
        if not any(case.signs_on_sure_clock):
            words.append(
                "the pass is sensed by a unit with a clock of its own: off by 0.1 s it moves the "
                "pass as much, unnoticed; knock all units together"
            )
    for sign, chance in right.items():
        back = sign.hand_back
        if back is None or chance <= wrists.SENSED_P or back.value >= belief.moment.value:
            continue
        one = _with_hand(one, fit, back, zero)
    return one, words


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
        measured = fit.problem.of(role)
        until = min(last, measured.end_s)
        t = np.arange(np.ceil((first - zero) * CURVE_HZ), (until - zero) * CURVE_HZ) / CURVE_HZ
        if not len(t):
            continue
        s, s_sd = estimator.course_with_sd(fit, role, t + zero)
        v, v_sd = estimator.course_with_sd(fit, role, t + zero, 1)
        a = estimator.along(fit, role, t + zero, 2)
        runner = case.candidate.incoming if role == "incoming" else case.candidate.outgoing
        out.append(MeasuredCurve(runner, role, t, s, s_sd, v, v_sd, a))
    return tuple(out)
