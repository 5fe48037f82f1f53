"""Clocks that disagree, set right from the takeovers themselves: coarsely before takeovers are
sought, finely once they are solved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.base.values import Estimate, Imu, Rep, TimedRecording, ZoneAxis
from pipeline.measure import agreement, meetings, reps
from pipeline.measure.agreement import Agreement, ClockOffset
from pipeline.measure.plan_place import PlanInSession
from pipeline.measure.traces import OnAxis, Trace

COARSE_FROM_S = 0.4  # smaller offsets are left to the fits
SOLVED_AT_MOST = 3  # times, each with what the one before says of the clocks
UNCHANGED_S = 0.003
ROUGHLY_S = 0.1  # what a correction from coarse traces may leave


def stamp_errors(recordings: Sequence[TimedRecording]) -> Mapping[str, float]:
    """By runner the standard error (s) of the UTC stamps of his fixes: the coarsest unit's."""
    found: dict[str, float] = {}
    for timed in recordings:
        clock, runner = timed.fixes_clock, timed.spec.runner
        if timed.fixes is not None and clock is not None and clock.sd_s is not None:
            found[runner] = max(found.get(runner, 0.0), clock.sd_s)
    return found


def agree_traces(
    traces: Mapping[str, Trace],
    imus: Mapping[str, tuple[Imu, float]],
    places: Mapping[int, Mapping[str, OnAxis]],
    axes: Sequence[ZoneAxis],
    sheet: Sequence[Rep],
) -> tuple[dict[str, Trace], dict[str, tuple[Imu, float]], Mapping[str, ClockOffset]]:
    """The traces and accelerometers with clocks set right that are off by up to five seconds, and
    by runner what was done. `places` are the traces' places by axis and runner."""
    met = meetings.coarse_meetings(traces, places, axes, sheet)
    agreed = agreement.find_clock_offsets(met, least_s=COARSE_FROM_S)
    off = {name: one for name, one in agreed.offsets.items() if one.corrected}
    moved = {
        name: replace(trace, t_s=trace.t_s + off[name].offset.value) if name in off else trace
        for name, trace in traces.items()
    }
    moved_imus = {
        name: (replace(imu, t_s=imu.t_s + off[name].offset.value) if name in off else imu, sd)
        for name, (imu, sd) in imus.items()
    }
    return moved, moved_imus, off


def solve_on_agreed_clocks(
    cases: Sequence[reps.Case],
    levels: Mapping[str, reps.Levels],
    stamp_sd_s: Mapping[str, float],
    before: Mapping[str, ClockOffset],
    plan: PlanInSession | None = None,
) -> tuple[reps.SolvedReps, Agreement]:
    """Solve all reps; where their gaps show that a clock is off, move it and solve again.

    `plan` is what is not known of the venue's place, None where it was surveyed.
    `before` is what the coarse traces said already. The offsets that come back are the whole ones.
    """
    solved = (
        reps.solve_all(cases, levels, plan=plan) if cases else reps.SolvedReps((), (), levels, {})
    )
    total = dict(before)
    loose = {**stamp_sd_s, **{name: one.offset.sd + ROUGHLY_S for name, one in before.items()}}
    agreed = Agreement({}, agreement.NEAREST_M.value)
    for turn in range(SOLVED_AT_MOST):
        met = [
            meetings.fine_meeting(case, fit)
            for case, fit in zip(solved.cases, solved.fits, strict=True)
        ]
        agreed = agreement.find_clock_offsets(met, {} if turn else loose)
        off = {
            name: one
            for name, one in agreed.offsets.items()
            if one.corrected and abs(one.offset.value) > UNCHANGED_S
        }
        for name, one in agreed.offsets.items():
            total[name] = _added(total.get(name), one)
        if not off or turn == SOLVED_AT_MOST - 1:
            break
        by = {name: one.offset.value for name, one in off.items()}
        moved = [
            reps.move_in_time(
                case,
                by.get(case.candidate.incoming, 0.0),
                by.get(case.candidate.outgoing, 0.0),
            )
            for case in (*solved.cases, *(case for case, _ in solved.failed))
        ]
        solved = reps.solve_all(moved, solved.levels, plan=plan)
    return solved, Agreement(total, agreed.usual_m)


def _added(before: ClockOffset | None, now: ClockOffset) -> ClockOffset:
    """Both corrections of a clock together; what the first left in doubt the second does not
    take away, for both rest on the same takeovers."""
    if before is None:
        return now
    value = before.offset.value + (now.offset.value if now.corrected else 0.0)
    coarse = before.corrected and before.offset.sd > now.offset.sd
    sd = now.offset.sd if coarse and now.corrected else max(before.offset.sd, now.offset.sd)
    rivals = tuple(dict.fromkeys((*before.rivals, *now.rivals)))
    return ClockOffset(Estimate(value, sd), before.corrected or now.corrected, rivals)


def corrections_in_words(agreed: Agreement) -> list[str]:
    """A sentence for each clock that was set right."""
    return [
        agreement.correction_in_words(name, one)
        for name, one in agreed.offsets.items()
        if one.corrected
    ]
