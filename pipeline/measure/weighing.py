"""One takeover as its fit shows it, with the doubt of its clocks and of the sheet's tapes, before
the pass is looked for."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.base.values import Estimate, Floats, Frozen
from pipeline.measure import estimator, gaps, passes, tapes
from pipeline.measure.agreement import ClockOffset, correction_in_words
from pipeline.measure.reps import Case

_LOST = re.compile(r"\b(dropped|lost|missed|not passed|no pass)\b", re.IGNORECASE)
DOUBTFUL_CLOCK_S = 0.015  # what is left of a clock's doubt is said from here on


@dataclass(frozen=True, eq=False)
class SeenTakeover(Frozen):
    """One takeover as its fit shows it, before the pass is looked for."""

    case: Case
    fit: estimator.Fit
    course: passes.GapCourse | None
    gave_up: bool
    log_seen: Floats | None  # of what was seen of the pass: the sheet, observers, wrists
    clock_doubt_s: tuple[float, float]  # by role: what is left of the doubt of the unit's clock
    tapes: Mapping[estimator.Role, tapes.TapeDoubt]
    remarks: tuple[str, ...]

    @property
    def clock_sd_s(self) -> float:
        """The doubt of both units' clocks against each other."""
        return float(np.linalg.norm(self.clock_doubt_s))


def pair_of(case: Case) -> tuple[str, str]:
    return case.candidate.incoming, case.candidate.outgoing


def look_at_fit(case: Case, fit: estimator.Fit, offsets: Mapping[str, ClockOffset]) -> SeenTakeover:
    pair = pair_of(case)
    doubt = [offsets[name].offset.sd if name in offsets else 0.0 for name in pair]
    remarks = [
        correction_in_words(name, offsets[name])
        for name in pair
        if name in offsets and offsets[name].corrected
    ]
    remarks += [
        f"{name}'s unit may be off by about {sd:.2f} s against the others: allowed for"
        for name, sd in zip(pair, doubt, strict=True)
        if sd > DOUBTFUL_CLOCK_S and not offsets[name].corrected
    ]
    course = sample_course(fit, float(np.linalg.norm(doubt)))
    gave_up = gaps.receiver_gave_up(fit)
    sight = log_sight(case, course)
    return SeenTakeover(case, fit, course, gave_up, sight, (doubt[0], doubt[1]), {}, tuple(remarks))


def log_sight(case: Case, course: passes.GapCourse | None) -> Floats | None:
    """The log-likelihood (k,) of the place where somebody saw the pass, and of the signs of it on
    wrists; flat where there is neither."""
    if course is None:
        return None
    sensed = [sign.log_likelihood(course.t_s) for sign in case.signs]
    if case.rep is None or case.rep.pass_m is None:
        return np.asarray(sum(sensed, np.zeros(len(course.t_s))))
    return np.asarray(sum(sensed, passes.sight_log_likelihood(course, case.rep.pass_m)))


def sample_course(fit: estimator.Fit, clock_sd_s: float) -> passes.GapCourse | None:
    """The gap with the doubt of both clocks in its standard error."""
    course = gaps.sample_gap(fit)
    if course is None or not clock_sd_s:
        return course
    speed = np.abs(np.gradient(course.middle_m, course.t_s))
    return replace(course, gap_sd_m=np.hypot(course.gap_sd_m, speed * clock_sd_s))


def weigh_pass(one: SeenTakeover, usual_m: float) -> float:
    """The chance that the baton changed hands: certain where somebody saw it."""
    if one.case.rep is not None and one.case.rep.pass_m is not None:
        return 1.0 if one.course is not None else 0.0
    doubted = one.gave_up or says_baton_was_lost(one.case)
    return gaps.chance_of_pass(one.course, doubted, usual_m)


def says_baton_was_lost(case: Case) -> bool:
    """Whether the sheet's note says that the baton did not go on. A baton may be dropped after the
    pass too, so this makes a pass unlikely, not impossible."""
    return case.rep is not None and bool(_LOST.search(case.rep.note))


# --- the sheet's tapes ------------------------------------------------------------------------


def weigh_tapes(
    seen: Sequence[SeenTakeover], usual_m: float
) -> tuple[list[SeenTakeover], tuple[str, ...]]:
    """The takeovers with doubted tapes loosened and solved again, and words for the session."""
    doubts = [_doubt_tapes(one, usual_m) for one in seen]
    ahead = [
        both["outgoing"].ahead_m - both["incoming"].ahead_m for both in doubts if len(both) == 2
    ]
    taped = {
        one.case.candidate.outgoing
        for one, both in zip(seen, doubts, strict=True)
        if "outgoing" in both
    }
    p_all, off = 0.0, Estimate(0.0, 0.0)
    if taped:
        p_all, off = tapes.doubt_all_stands(np.array(ahead), len(taped), usual_m)
    words: tuple[str, ...] = ()
    if p_all > tapes.DOUBTED_P:
        far = "far ahead" if off.value > 0 else "far back"
        words = (
            f"the sheet's stands of the receivers look {abs(off.value):.1f} ± {off.sd:.1f} m too "
            f"{far} (or those of the incoming runners as much the other way): were they measured "
            "from the back line?",
        )
    spread = float(np.sqrt(p_all)) * abs(off.value) if words else 0.0
    problems = [
        _loosen_tapes(one.fit.problem, both, spread) for one, both in zip(seen, doubts, strict=True)
    ]
    changed = [i for i, one in enumerate(seen) if problems[i] is not one.fit.problem]
    found = estimator.solve_together(
        [problems[i] for i in changed], start_from=[seen[i].fit for i in changed]
    )
    fits = dict(zip(changed, found, strict=True))
    out = []
    for i, (one, both) in enumerate(zip(seen, doubts, strict=True)):
        told = replace(one, tapes=both, remarks=(*one.remarks, *words))
        out.append(_with_loose_tapes(told, fits[i]) if i in fits else told)
    return out, words


def _doubt_tapes(one: SeenTakeover, usual_m: float) -> Mapping[estimator.Role, tapes.TapeDoubt]:
    nearest = None
    if one.course is not None:
        i = int(np.argmin(one.course.gap_m))
        nearest = Estimate(float(one.course.gap_m[i]), float(one.course.gap_sd_m[i]))
    went_on = gaps.CARRIED_NOT_FAR if one.gave_up else gaps.CARRIED_OFF
    return tapes.doubt_tapes(one.fit, nearest, went_on, usual_m)


def _loosen_tapes(
    problem: estimator.Problem,
    doubts: Mapping[estimator.Role, tapes.TapeDoubt],
    receivers_sd_m: float,
) -> estimator.Problem:
    """A tape that is doubted counts for less, one that is more likely wrong than right not at all.
    Where none is, the problem comes back as it is."""
    for role, doubt in doubts.items():
        measured = problem.of(role)
        tape = measured.stand_m
        if tape is None:
            continue
        sd = tape.sd
        if role == "outgoing" and receivers_sd_m:
            sd = float(np.hypot(sd, receivers_sd_m))
        if doubt.p_wrong > tapes.DOUBTED_P:
            wide = np.sqrt(doubt.p_wrong) * np.hypot(
                doubt.elsewhere.value - tape.value, doubt.elsewhere.sd
            )
            sd = tapes.UNUSED_SD_M if doubt.p_wrong > tapes.DROPPED_P else float(np.hypot(sd, wide))
        if sd == tape.sd:
            continue
        loosened = replace(measured, stand_m=Estimate(tape.value, sd))
        if role == "incoming":
            problem = replace(problem, incoming=loosened)
        else:
            problem = replace(problem, outgoing=loosened)
    return problem


def _with_loose_tapes(one: SeenTakeover, found: estimator.Fit | str) -> SeenTakeover:
    """The takeover with its fit with loosened tapes, which are said. Where there is no such fit
    nothing holds without the tape: with it, then, and said."""
    fit = one.fit if isinstance(found, str) else found
    remarks = [
        _tape_in_words(one.case, role, doubt, tapes.stand_of(fit, role))
        for role, doubt in one.tapes.items()
        if doubt.p_wrong > tapes.DOUBTED_P
    ]
    course = sample_course(fit, one.clock_sd_s)
    sight = log_sight(one.case, course)
    return replace(one, fit=fit, course=course, log_seen=sight, remarks=(*one.remarks, *remarks))


def _tape_in_words(
    case: Case, role: estimator.Role, doubt: tapes.TapeDoubt, now: Estimate | None
) -> str:
    """As the sheet counts: the receiver's stand past the back line, the other's before it. `now` is
    the stand of the fit with the tape loosened."""
    rep, back = case.rep, case.problem.axis.back_m
    dropped = doubt.p_wrong > tapes.DROPPED_P
    place = now if dropped and now is not None else doubt.elsewhere
    seen = place.value - back
    runner, said = case.candidate.outgoing, None if rep is None else rep.outgoing_start_m
    if role == "incoming":
        runner, said = case.candidate.incoming, None if rep is None else rep.incoming_start_m
        seen = -seen
    past = "before" if role == "incoming" else "past"
    used = (
        "the traces are used"
        if dropped
        else f"allowed for ({doubt.p_wrong:.0%} that the sheet is wrong)"
    )
    number = "" if rep is None or rep.rep is None else f"rep {rep.rep}: "
    return (
        f"{number}the sheet has {runner} start {0.0 if said is None else said:.1f} m {past} the "
        f"back line, the traces {seen:.1f} ± {place.sd:.1f} m: {used}"
    )
