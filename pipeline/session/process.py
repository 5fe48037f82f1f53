"""One session from files to tables: the one place where the stages meet.

The stages stand in their order in the body of `_process`.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa
from threadpoolctl import threadpool_limits

from pipeline.base import memory
from pipeline.base.values import (
    Floats,
    Imu,
    Progress,
    Recording,
    RecordingSpec,
    Rep,
    Session,
    Venue,
    ZoneAxis,
)
from pipeline.base.words import count
from pipeline.errors import InputError, NothingMeasured
from pipeline.measure import (
    clocks,
    exercises,
    finding,
    lanes,
    noise,
    odd_marks,
    plan_place,
    reps,
    sheet_slips,
    takeovers,
    zones,
)
from pipeline.measure.clock import ties
from pipeline.measure.races import expected, legs, runs
from pipeline.measure.starts import usual_lags_in_words
from pipeline.measure.traces import (
    Trace,
    WristUnit,
    choose_units,
    choose_wrists,
    remark_wrong_day,
)
from pipeline.read import read
from pipeline.read.practice.session import read_session
from pipeline.read.unpacking import MOST_RECORDING_BYTES
from pipeline.session import constants, former, rows
from pipeline.tables import provenance, writing
from pipeline.tables.places import Folder, Place

T = TypeVar("T")
ReadRecording = Callable[[Path, Mapping[str, Mapping[str, str]] | None, str], Recording]  # `read`


@dataclass(frozen=True, eq=False)
class MeasuredSession:
    """What one session gave. `left_out` names recordings that could not be used, and why."""

    session: Session
    tables: Mapping[str, pa.Table]
    remarks: tuple[str, ...]
    left_out: tuple[str, ...]


def make_session_tables(
    path: Path,
    out: Path | None,
    *,
    progress: Progress | None = None,
    command: Sequence[str] | None = None,
    source: str | None = None,
    anyway: bool = False,
    target: Place | None = None,
    session: Session | None = None,
    read_recording: ReadRecording | None = None,
) -> MeasuredSession:
    """Read a session, measure its takeovers and write its tables into `out`.

    With `out` None they are only given back. `command` and `source` are for the record (see
    `provenance_of_files`); the command is by default the one that runs. `progress` hears what is
    being done, how many are done and how many there are. Tables that are there and rest on more
    inputs are kept, with a FewerInputsError, unless `anyway` is true; they lie in `target` where
    `out` is only on the way there. A `session` that was read already, perhaps with some of its
    recordings only, takes the place of the one at `path`, and `read_recording` that of `read`.
    Raises BatontraceError where nothing can be measured or written.
    """
    # Matrices here are small. To wake threads for them costs six times what they cost
    # themselves, so the linear algebra stays in this thread.
    with threadpool_limits(1, "blas"):
        read_from = session or read_session(path)
        return _run_stages(
            read_from, out, progress, command, source, anyway, target, read_recording or read
        )


def _run_stages(
    session: Session,
    out: Path | None,
    progress: Progress | None,
    command: Sequence[str] | None,
    source: str | None,
    anyway: bool,
    target: Place | None,
    read_recording: ReadRecording,
) -> MeasuredSession:
    """The stages in their order, each from the values that the ones before it gave."""
    tell = progress or (lambda _what, _done, _all: None)
    path = session.path
    record = None if out is None else run_record(session, command, source)
    before = None
    if out is not None and record is not None and not anyway:
        before = former.read_former(target or Folder(out), session.id)
    axes = zones.axes(session)
    pairs, unread = _read_all(session.recordings, tell, read_recording)
    left_out = [why for _, why in unread]
    if not pairs:
        raise NothingMeasured(
            path,
            "none of the recordings can be used: " + " | ".join(left_out),
            "at least one recording of each of two runners",
            "see `batontrace check`",
        )
    tell("clock", 0, 1)
    recordings = ties.tie(pairs, session.taps)
    memory.give_back()
    traces, imus, notes = choose_units(recordings, axes)
    if len(traces) < 2:
        why = " | ".join([*left_out, *notes])
        raise NothingMeasured(
            path,
            f"usable satellite fixes of {count(len(traces), 'runner')}{f': {why}' if why else ''}",
            "those of two runners at least",
            "see `batontrace check`",
        )
    if before is not None and record is not None:
        former.refuse_missing_inputs(session, before, record["inputs"])
        former.refuse_unreadable(session, before, [spec.file for spec, _ in unread])
    remarks = [*session.remarks, *notes, *remark_wrong_day(session, traces)]
    files = [
        *rows.recording_rows(session, recordings),
        *(rows.unread_row(session, spec, why) for spec, why in unread),
    ]
    stamp_sd_s = clocks.stamp_errors(recordings)
    places = finding.place_on_axes(traces, axes)
    laid = _lay_plan(session, axes, traces, places)
    session, axes, places = laid.session, laid.axes, laid.places
    traces, imus, coarse = clocks.agree_traces(
        traces, imus, places.by_axis, axes, _takeover_rows(session.reps or ())
    )
    moved_s = {name: one.offset.value for name, one in coarse.items() if one.corrected}
    wrists = choose_wrists(recordings, moved_s)
    found, cases, levels, trained, races, plan = _find_cases(
        session, axes, traces, places, imus, wrists, laid.doubt, remarks, tell
    )
    # The cases hold what they need: of an hour that is little.
    del pairs, recordings, traces, places, imus, wrists
    memory.give_back()
    solved, agreed = clocks.solve_on_agreed_clocks(cases, levels, stamp_sd_s, coarse, plan)
    squad = takeovers.measure_takeovers(
        solved,
        agreed.offsets,
        agreed.usual_m,
        session.observers,
        zones.gate_places(session.venue, axes),
    )
    measured, odd = odd_marks.remark_odd_marks(squad.takeovers)
    raced_on, raced_axes = _settled_lines(session, axes, solved.plan)
    race_legs = legs.measure_races(
        races, measured, raced_on, raced_axes, solved.levels, agreed.offsets, coarse
    )
    remarks += [
        *clocks.corrections_in_words(agreed),
        *squad.remarks,
        *usual_lags_in_words(squad.starts),
        *odd,
        *dict.fromkeys(words for one in measured for words in one.case.problem.axis.doubts),
        *_plan_remarks(laid, measured),
    ]
    files = [rows.with_moved_clock(row, agreed.offsets) for row in files]
    tables = {
        "exchanges": rows.exchanges_table(session, measured),
        "speed_curves": rows.speed_curves_table(session, measured),
        "recordings": rows.recordings_table(files, solved),
        "observations": rows.observations_table(session, measured, squad.left_over),
        "legs": rows.legs_table(session, race_legs),
        "exercises": rows.exercises_table(session, trained),
        "plan_places": rows.plan_places_table(
            session, provenance.file_sha256(session.venue.path), _whole_move(solved.plan, laid.move)
        ),
    }
    if not measured and not trained.hand_overs:
        remarks.append(
            f"no takeover found ({found} candidates in the traces); expected two runners of whom "
            "one enters the zone running as the other leaves it"
        )
    if before is not None and record is not None:
        fewer = former.compare_takeovers(session, before, len(measured), record["inputs"])
        remarks += [] if fewer is None else [fewer]
    if out is not None and record is not None:
        tell("write", 0, 1)
        writing.write_session(out, session.id, tables, record)
    return MeasuredSession(session, tables, tuple(remarks), tuple(left_out))


# --- reading -----------------------------------------------------------------------------


def _read_all(
    specs: Sequence[RecordingSpec], tell: Progress, read_recording: ReadRecording
) -> tuple[list[tuple[RecordingSpec, Recording]], list[tuple[RecordingSpec, str]]]:
    """Every recording that can be read, and the others with the reason."""
    pairs: list[tuple[RecordingSpec, Recording]] = []
    left_out: list[tuple[RecordingSpec, str]] = []
    for i, spec in enumerate(specs):
        tell(f"read {spec.file}", i, len(specs))
        try:
            recording = read_recording(spec.path, spec.columns, spec.clock)
            pairs.append((spec, _without_turns(recording)))
            memory.give_back()
        except InputError as error:
            # Name the file as the session does: folders above it may bear a person's name.
            left_out.append((spec, "; ".join(error.lines).replace(str(spec.path), spec.file)))
    return pairs, left_out


def _without_turns(recording: Recording) -> Recording:
    """The recording without turn rates: nothing measured here rests on them, and those of eight
    runners in an hour are 70 MB."""
    imu = recording.imu
    if imu is None or not len(imu.gyro_radps):
        return recording
    return replace(recording, imu=replace(imu, gyro_radps=np.empty((0, 3))))


# --- measuring ------------------------------------------------------------------------------

USUAL_MPS = 9.0
UNSURE_LINES_S = 0.05  # of the usual entry: from here on the session says that its lines are unsure


def _settled_lines(
    session: Session, axes: tuple[ZoneAxis, ...], found: plan_place.PlanFound | None
) -> tuple[Venue, tuple[ZoneAxis, ...]]:
    """The venue and the axes that races are timed on: where the session's takeovers have the plan,
    with what is left of its doubt at each line."""
    if found is None or not session.races:
        return session.venue, axes
    venue = plan_place.settle_venue(session.venue, found)
    settled = zones.venue_axes(venue, session.event)
    doubt = plan_place.doubt_of_venue(venue, settled)
    if doubt is None:
        return venue, settled
    return venue, tuple(
        replace(
            axis,
            line_sd_m=float(
                np.hypot(
                    axis.line_sd_m,
                    plan_place.sd_along_m(doubt.cov, doubt.centre_m, axis, axis.exit_m / 2),
                )
            ),
        )
        for axis in settled
    )


def _whole_move(found: plan_place.PlanFound | None, before: Floats) -> plan_place.PlanFound | None:
    """The move from where the venue's file has its plan, of one that was moved `before` already."""
    return None if found is None else replace(found, mean=found.mean + before)


def _plan_remarks(laid: LaidPlan, measured: Sequence[takeovers.MeasuredTakeover]) -> list[str]:
    """What there is to say of lines whose place stays unsure, and what would help."""
    known = [one.zero_sd_s for one in measured if one.zero_sd_s is not None]
    if laid.doubt is None or not known or float(np.median(known)) < UNSURE_LINES_S:
        return []
    sd_s = float(np.median(known))
    return [
        f"the venue's lines are known to about {sd_s * USUAL_MPS:.1f} m as these units see them: "
        f"moments on a line are good to {sd_s:.2f} s. Tape where runners stand and write "
        "incoming_start_m and outgoing_start_m, or walk a lap with a unit "
        "(`batontrace venue --walked`)"
    ]


@dataclass(frozen=True, eq=False)
class LaidPlan:
    """The session with its venue's plan where the traces roughly have it, its axes, the traces
    beside them, how far the plan was moved for that, and what is still not known of its place."""

    session: Session
    axes: tuple[ZoneAxis, ...]
    places: finding.PlacesOnAxes
    move: Floats
    doubt: plan_place.PlanDoubt | None


def _lay_plan(
    session: Session,
    axes: tuple[ZoneAxis, ...],
    traces: Mapping[str, Trace],
    places: finding.PlacesOnAxes,
) -> LaidPlan:
    """Lay a plan whose place is not well known roughly under the traces, so that takeovers can be
    found on it; a venue that was surveyed stays as it is."""
    doubt = plan_place.doubt_of_venue(session.venue, axes)
    none = np.zeros(3)
    if doubt is None:
        return LaidPlan(session, axes, places, none, None)
    rows_read = _takeover_rows(session.reps or ())
    move = plan_place.rough_move(doubt, traces, places.by_axis, axes, rows_read, session.lane)
    if not np.any(move):
        return LaidPlan(session, axes, places, none, doubt)
    session = replace(session, venue=plan_place.move_venue(session.venue, move))
    axes = zones.axes(session)
    doubt = plan_place.doubt_of_venue(session.venue, axes)
    if doubt is not None:
        doubt = replace(doubt, mean=-move)
    return LaidPlan(session, axes, finding.place_on_axes(traces, axes), move, doubt)


def _find_cases(
    session: Session,
    axes: Sequence[ZoneAxis],
    traces: Mapping[str, Trace],
    placed: finding.PlacesOnAxes,
    imus: Mapping[str, tuple[Imu, float]],
    wrists: Mapping[str, Sequence[WristUnit]],
    doubt: plan_place.PlanDoubt | None,
    remarks: list[str],
    tell: Progress,
) -> tuple[
    int,
    list[reps.Case],
    dict[str, reps.Levels],
    exercises.MeasuredExercises,
    runs.RacesCut,
    plan_place.PlanInSession | None,
]:
    """Find all takeovers of the session and match them to the sheet; measure its exercises.

    Gives how many candidates there were, the takeovers to solve, what is known of each receiver's
    noise, what was trained besides, what the units recorded of races, and what is not known of the
    plan's place (`doubt`) together with the receivers' slow error. Slips of the sheet and
    rows that were not found go into `remarks`.
    """
    plane, places = placed.plane, placed.by_axis
    stands = reps.still_seconds(traces, plane)
    slow = noise.fit_slow_error(stands)
    plan = None if doubt is None else plan_place.plan_in_session(doubt, slow)
    lists, found, reps_read, trained = _find_candidates(
        session, axes, traces, placed, slow, remarks
    )
    swapped = sheet_slips.find_swapped_units(found, reps_read, axes)
    if swapped is not None:
        traces, imus = _exchange(traces, swapped), _exchange(imus, swapped)
        stands = _exchange(stands, swapped)
        traces = {name: replace(trace, runner=name) for name, trace in traces.items()}
        plane = _exchange(plane, swapped)
        places = {i: _exchange(own, swapped) for i, own in places.items()}
        found = sheet_slips.swap_names(found, *swapped)
        lists = {i: sheet_slips.swap_names(own, *swapped) for i, own in lists.items()}
        remarks.append(sheet_slips.swapped_in_words(*swapped))
    raced = expected.take_out_races(
        session.races,
        expected.race_rows(session.races, reps_read, axes),
        found,
        reps_read,
        axes,
    )
    remarks += raced.remarks
    if session.reps is None:
        chosen = [sheet_slips.MatchedTakeover(one, None) for one in raced.left if one.completed]
    else:
        chosen, slips = sheet_slips.match_with_slips(raced.left, raced.rows, axes, traces)
        remarks += slips
    chosen += raced.matched
    if not chosen and not session.races:
        return len(found), [], {}, trained, runs.RacesCut((), slow), plan
    levels = {
        name: reps.Levels(rest_mps=rest[0], rest_sd_mps=rest[1])
        for name, trace in traces.items()
        for rest in [noise.at_rest(trace.speed_mps, noise.still(trace.t_s, trace.pace_mps))]
    }
    in_lanes = lanes.place_in_lanes(
        [(one.candidate, one.rep) for one in chosen],
        lists,
        axes,
        session.lane,
        traces,
        places,
        slow,
        doubt,
    )
    remarks += _count_remarks([one.remark for one in in_lanes if one.remark is not None])
    cases = []
    for i, (matched, in_lane) in enumerate(zip(chosen, in_lanes, strict=True)):
        tell("measure", i, len(chosen))
        one, axis = in_lane.candidate, axes[in_lane.candidate.axis]
        case = reps.build_case(
            one,
            matched.rep,
            replace(axis, line_sd_m=float(np.hypot(axis.line_sd_m, in_lane.doubt_m))),
            traces,
            places[one.axis],
            imus,
            levels,
            slow,
            stands,
            plan,
        )
        notes = [*matched.remarks, *([in_lane.remark] if in_lane.remark is not None else [])]
        if swapped is not None and set(swapped) & set(one.pair):
            notes.append(sheet_slips.swapped_in_words(*swapped))
        cases.append(replace(case, remarks=(*notes, *case.remarks)))
    if swapped is None:  # else nobody knows whose wrist it is
        cases = reps.find_wrist_signs(cases, wrists)
    cut = runs.cut_races(
        raced.races, [(m.candidate, m.rep) for m in chosen], axes, traces, plane, imus, levels, slow
    )
    return len(found), cases, levels, trained, cut, plan


def _find_candidates(
    session: Session,
    axes: Sequence[ZoneAxis],
    traces: Mapping[str, Trace],
    placed: finding.PlacesOnAxes,
    slow: noise.SlowError,
    remarks: list[str],
) -> tuple[
    dict[int, list[finding.TakeoverCandidate]],
    list[finding.TakeoverCandidate],
    tuple[Rep, ...],
    exercises.MeasuredExercises,
]:
    """The candidates by axis, the takeovers among them, the sheet's rows of takeovers on the
    recordings' clock, and the exercises; `remarks` hears of a sheet some hours off."""
    lists = {i: finding.candidates(traces, own, axes[i], i) for i, own in placed.by_axis.items()}
    rows_read = session.reps or ()
    everywhere = (one for own in lists.values() for one in own)
    ahead_s = sheet_slips.find_hours_off(everywhere, _takeover_rows(rows_read))
    if ahead_s:
        rows_read = sheet_slips.shift_rows(rows_read, ahead_s)
        remarks.append(sheet_slips.hours_in_words(ahead_s))
    trained = exercises.measure_exercises(
        rows_read, traces, placed.plane, slow, [runner.id for runner in session.runners]
    )
    lists = {
        i: [one for one in own if not trained.hold(one.pair, one.entry_s)]
        for i, own in lists.items()
    }
    takeover_rows = _takeover_rows(rows_read)
    wanted = [*takeover_rows, *expected.race_rows(session.races, takeover_rows, axes)]
    found = finding.across_axes(list(lists.values()), axes, wanted, session.lane)
    return lists, found, takeover_rows, trained


def _takeover_rows(rows_read: Sequence[Rep]) -> tuple[Rep, ...]:
    """The sheet's rows without its exercises."""
    return tuple(rep for rep in rows_read if not rep.is_exercise)


def _count_remarks(remarks: Sequence[str]) -> list[str]:
    """Each remark once, with the takeovers it holds for counted."""
    return [f"{count(number, 'takeover')}: {words}" for words, number in Counter(remarks).items()]


def _exchange(by_name: Mapping[str, T], swapped: tuple[str, str]) -> dict[str, T]:
    """The same with what two names stand for exchanged."""
    one, other = swapped
    names = {one: other, other: one}
    return {names.get(name, name): value for name, value in by_name.items()}


# --- the record of a run ------------------------------------------------------------------


def run_record(
    session: Session, command: Sequence[str] | None = None, source: str | None = None
) -> dict[str, Any]:
    """What measuring this session now rests on: its files that are there, the constants of the
    stages, versions; `provenance.run_sha256` makes the run's mark of it."""
    sheet = [] if session.sheet is None else [session.sheet]
    observers = [observer.path for observer in session.observers]
    recordings = [spec.path for spec in session.recordings]
    inputs = [session.path, session.venue.path, *sheet, *observers, *recordings]
    command = sys.argv if command is None else command
    return provenance.provenance_of_files(
        inputs,
        constants.gather_constants(),
        command,
        source,
        most_bytes=MOST_RECORDING_BYTES,
    )
