"""How near two runners came in a takeover, for every offset that one unit's clock may have.

Once from the coarse traces, for clocks that are off by seconds, and once from the fits, for those
that are off by tenths. What it means is judged in `agreement`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.base.values import Floats, Rep, ZoneAxis
from pipeline.measure import estimator, finding, gaps, tapes
from pipeline.measure.agreement import (
    BATON_WAS_LOST,
    BATON_WENT_ON,
    GapByOffset,
    smallest_gaps,
)
from pipeline.measure.reps import Case
from pipeline.measure.traces import RUNS_MPS, OnAxis, Trace

COARSE_S: Floats = np.linspace(-5.0, 5.0, 101)  # offsets looked at in the traces ...
FINE_S: Floats = np.linspace(-0.6, 0.6, 241)  # ... and in the fits
COARSE_SD_M = 1.5  # of a gap from the traces: what two units' slow errors do not share
GAP_STEP_S = 0.05
SUSPECT_SDS = 3.0  # a tape so far off is no evidence of a clock
BEYOND_M, KEEPS_SHARE = 20.0, 0.75  # who keeps so much of his speed so far beyond has the baton
LATEST_S = 12.0  # from a launch to the exit line


def coarse_meetings(
    traces: Mapping[str, Trace],
    places: Mapping[int, Mapping[str, OnAxis]],
    axes: Sequence[ZoneAxis],
    reps: Sequence[Rep],
) -> list[GapByOffset]:
    """The takeovers that the traces show if some clock is off by up to five seconds.

    A receiver starts inside a zone and runs out of it at speed; whoever crosses the entry line
    within seconds of that may have brought the baton. Where there is a sheet only its pairs count.
    """
    named = {(rep.incoming, rep.outgoing) for rep in reps}
    found: list[GapByOffset] = []
    launched: set[tuple[str, str, int]] = set()
    for number, own in places.items():
        axis = axes[number]
        entries = {name: finding.line_crossings(traces[name], own[name], 0.0) for name in own}
        exits = {name: finding.line_crossings(traces[name], own[name], axis.exit_m) for name in own}
        for outgoing in own:
            for launch in finding.launches(traces[outgoing], own[outgoing]):
                leaves = exits[outgoing]
                leaves = leaves[(leaves > launch.at_s) & (leaves < launch.at_s + LATEST_S)]
                inside = axis.back_m - 8 < launch.s_m < axis.exit_m
                if not inside or not len(leaves):
                    continue
                if not _kept_running(traces[outgoing], own[outgoing], float(leaves[0]), axis):
                    continue
                for incoming in own:
                    pair = (incoming, outgoing)
                    if incoming == outgoing or (named and pair not in named):
                        continue
                    when = entries[incoming]
                    near = np.abs(when - launch.at_s - 1.0) < float(COARSE_S[-1]) + 2.0
                    seen = (incoming, outgoing, round(launch.at_s))
                    if not near.any() or seen in launched:
                        continue
                    launched.add(seen)
                    found.append(
                        _coarse_meeting(traces, own, pair, launch.at_s, float(leaves[0]), axis)
                    )
    return found


def _kept_running(trace: Trace, place: OnAxis, leaves_s: float, axis: ZoneAxis) -> bool:
    beyond = (trace.t_s > leaves_s) & (place.s_m < axis.exit_m + BEYOND_M)
    beyond &= trace.t_s < leaves_s + 4.0
    near = np.abs(trace.t_s - leaves_s) < 0.6
    if not beyond.any() or not near.any():
        return False
    return bool(trace.pace_mps[beyond].min() > KEEPS_SHARE * trace.pace_mps[near].max())


def _coarse_meeting(
    traces: Mapping[str, Trace],
    places: Mapping[str, OnAxis],
    pair: tuple[str, str],
    launch_s: float,
    leaves_s: float,
    axis: ZoneAxis,
) -> GapByOffset:
    reach = float(COARSE_S[-1])
    t = np.arange(launch_s - reach - 1.0, leaves_s + reach + 1.5, GAP_STEP_S)
    place, runs = {}, {}
    for name in pair:
        place[name] = np.interp(t, traces[name].t_s, places[name].s_m)
        runs[name] = np.interp(t, traces[name].t_s, traces[name].pace_mps) > RUNS_MPS
    incoming, outgoing = pair
    in_m = np.where(runs[incoming] & (place[incoming] < axis.exit_m + 12), place[incoming], np.nan)
    out_m = np.where(runs[outgoing] & (t < leaves_s + 1.2), place[outgoing], np.nan)
    return GapByOffset(
        incoming,
        outgoing,
        COARSE_S,
        smallest_gaps(t, in_m, out_m, COARSE_S),
        COARSE_SD_M,
        BATON_WENT_ON,
        taped=False,
        closing_mps=8.0,
    )


def fine_meeting(case: Case, fit: estimator.Fit) -> GapByOffset:
    """The same of one takeover that was solved."""
    problem = fit.problem
    go = fit.start("outgoing")
    begin = go.value if go is not None else float(problem.outgoing.t_s[0])
    leaves = fit.leaves
    last = min(problem.incoming.end_s, (leaves[0] if leaves is not None else begin + 5.0) + 1.2)
    reach = float(FINE_S[-1])
    t = np.arange(begin - reach, last + reach + 0.1, GAP_STEP_S / 2)
    in_m = estimator.along(fit, "incoming", t)
    out_m = estimator.along(fit, "outgoing", t)
    until = t <= last
    return GapByOffset(
        case.candidate.incoming,
        case.candidate.outgoing,
        FINE_S,
        smallest_gaps(
            t, np.where(until, in_m, np.nan), np.where(t >= begin + 0.3, out_m, np.nan), FINE_S
        ),
        _gap_sd_m(fit),
        BATON_WAS_LOST if gaps.receiver_gave_up(fit) else BATON_WENT_ON,
        taped=_is_taped(case),
        closing_mps=max(float(_speed_at_exit(fit, leaves)), 1.0),
    )


def _is_taped(case: Case) -> bool:
    rep = case.rep
    both = rep is not None and rep.incoming_start_m is not None
    return bool(both and rep is not None and rep.outgoing_start_m is not None)


def _speed_at_exit(fit: estimator.Fit, leaves: tuple[float, Floats] | None) -> float:
    if leaves is None:
        return 8.0
    return float(estimator.along(fit, "outgoing", np.array([leaves[0]]), 1)[0])


def _gap_sd_m(fit: estimator.Fit) -> float:
    """The standard error of the gap where it is smallest; what a doubtful tape moves it by counts,
    for a slip of the pen is no clock."""
    course = gaps.sample_gap(fit)
    if course is None:
        return COARSE_SD_M
    own = float(course.gap_sd_m[int(np.argmin(course.gap_m))])
    off = [own]
    for role in estimator.ROLES:
        measured = fit.problem.of(role)
        elsewhere = tapes.stand_without_tape(fit, role)
        if elsewhere is not None and measured.stand_m is not None and tapes.is_taped(measured):
            apart = measured.stand_m.value - elsewhere.value
            if abs(apart) > SUSPECT_SDS * np.hypot(elsewhere.sd, measured.stand_m.sd):
                off.append(apart)
    return float(np.linalg.norm(off))
