"""One session from files to tables: the one place where the stages meet.

The order of the stages is the body of `process`, in local variables.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from threadpoolctl import threadpool_limits

from pipeline.base import memory
from pipeline.base.values import (
    Clock,
    Estimate,
    Floats,
    Imu,
    Ints,
    Recording,
    RecordingSpec,
    Rep,
    Session,
    Track,
    ZoneAxis,
)
from pipeline.errors import InputError, NothingMeasured
from pipeline.measure import finding, noise, reps, takeovers, zones
from pipeline.measure.clock import ties
from pipeline.read import read
from pipeline.read.practice.session import read_session
from pipeline.session import constants
from pipeline.tables import schema, store

Progress = Callable[[str, int, int], None]
LOW_RATE_HZ = 0.4
DISAGREE_M = 8.0


@dataclass(frozen=True, eq=False)
class Result:
    """What one session gave. `left_out` names recordings that could not be used, and why."""

    session: Session
    tables: Mapping[str, pa.Table]
    remarks: tuple[str, ...]
    left_out: tuple[str, ...]


def process(
    path: Path,
    out: Path | None,
    *,
    progress: Progress | None = None,
    command: Sequence[str] | None = None,
    source: str | None = None,
) -> Result:
    """Read a session, measure its takeovers and write its tables into `out` (None: only give
    them back). Raises BatontraceError where nothing can be measured or written.

    `command` and `source` (see `store.provenance`) are for the record; the command is by default
    the one that runs. Matrices here are small: waking threads for them costs six times what they
    cost, so the linear algebra keeps to this one.
    """
    with threadpool_limits(1, "blas"):
        return _process(path, out, progress, command, source)


def _process(
    path: Path,
    out: Path | None,
    progress: Progress | None,
    command: Sequence[str] | None,
    source: str | None,
) -> Result:
    tell = progress or (lambda _what, _done, _all: None)
    session = read_session(path)
    axes = zones.axes(session)
    pairs, unread = _read_all(session.recordings, tell)
    left_out = [why for _, why in unread]
    if not pairs:
        raise NothingMeasured(
            path,
            "none of the recordings can be used: " + " | ".join(left_out),
            "at least one recording of each of two runners",
            "see `batontrace check`",
        )
    tell("clock", 0, 1)
    tracks = ties.tie(pairs, session.taps)
    memory.give_back()
    traces, imus, notes = _choose(tracks, axes)
    if len(traces) < 2:
        raise NothingMeasured(
            path,
            f"usable satellite fixes of {len(traces)} runner(s): "
            + " | ".join([*left_out, *notes]),
            "those of two runners at least",
            "see `batontrace check`",
        )
    remarks = [*session.remarks, *notes, *_another_day(session, traces)]
    rows = [*_read_rows(session, tracks), *(_unread(session, spec, why) for spec, why in unread)]
    found, cases, levels = _find(session, axes, traces, imus, remarks, tell)
    del pairs, tracks, traces, imus  # the cases hold what they need: of an hour that is little
    memory.give_back()
    solved = reps.solve_all(cases, levels) if cases else None
    measured = takeovers.measure(solved) if solved is not None else []
    tables = {
        "exchanges": _exchanges(session, measured),
        "speed_curves": _speed_curves(session, measured),
        "recordings": _recordings(rows, solved),
    }
    if not measured:
        remarks.append(
            f"no takeover found ({found} candidates in the traces); expected two runners of whom "
            "one enters the zone running as the other leaves it"
        )
    if out is not None:
        tell("write", 0, 1)
        store.write_session(out, session.id, tables, run_record(session, command, source))
    return Result(session, tables, tuple(remarks), tuple(left_out))


# --- reading -----------------------------------------------------------------------------


def _read_all(
    specs: Sequence[RecordingSpec], tell: Progress
) -> tuple[list[tuple[RecordingSpec, Recording]], list[tuple[RecordingSpec, str]]]:
    """Every recording that can be read; the others with the reason."""
    pairs: list[tuple[RecordingSpec, Recording]] = []
    left_out: list[tuple[RecordingSpec, str]] = []
    for i, spec in enumerate(specs):
        tell(f"read {spec.file}", i, len(specs))
        try:
            pairs.append((spec, _without_turns(read(spec.path, spec.columns, spec.clock))))
            memory.give_back()
        except InputError as error:
            # the file as the session names it: folders above it may bear a person's name
            left_out.append((spec, str(error).replace(str(spec.path), spec.file)))
    return pairs, left_out


def _without_turns(recording: Recording) -> Recording:
    """Nothing measured here rests on turn rates, and eight runners' of an hour are 70 MB."""
    imu = recording.imu
    if imu is None or not len(imu.gyro_radps):
        return recording
    return replace(recording, imu=replace(imu, gyro_radps=np.empty((0, 3))))


# --- choosing -----------------------------------------------------------------------------


def _choose(
    tracks: Sequence[Track], axes: Sequence[ZoneAxis]
) -> tuple[dict[str, finding.Trace], dict[str, tuple[Imu, float]], list[str]]:
    """For each runner the satellite unit that serves best, and a trunk-worn accelerometer."""
    traces: dict[str, finding.Trace] = {}
    imus: dict[str, tuple[Imu, float]] = {}
    remarks: list[str] = []
    for runner in dict.fromkeys(track.spec.runner for track in tracks):
        own = [track for track in tracks if track.spec.runner == runner]
        seen = [(trace, track) for track in own if (trace := _trace(track)) is not None]
        units = [
            (_worth(trace, track, axes) if len(seen) > 1 else 1.0, trace, track)
            for trace, track in seen
        ]
        if units:
            units.sort(key=lambda unit: -unit[0])
            traces[runner] = units[0][1]
            for _, other, track in units[1:]:
                apart = _apart(units[0][1], other)
                if apart is not None and apart > DISAGREE_M:
                    remarks.append(
                        f"{runner}: {track.spec.file} and {units[0][2].spec.file} disagree by "
                        f"{apart:.0f} m (median); {units[0][2].spec.file} was used"
                    )
        else:
            remarks.append(
                f"{runner}: no usable satellite fixes, so none of this runner's takeovers"
            )
        trunk = [
            track
            for track in own
            if track.imu is not None and len(track.imu.t_s) and "wrist" not in track.spec.worn
        ]
        if trunk:
            best = max(trunk, key=lambda track: len(track.imu.t_s) if track.imu else 0)
            if best.imu is not None:
                clock = best.imu_clock
                sd = clock.sd_s if clock is not None and clock.sd_s is not None else 0.0
                imus[runner] = (best.imu, sd)
    return traces, imus, [*remarks, *_twice(tracks)]


def _twice(tracks: Sequence[Track]) -> list[str]:
    """One file handed in for two runners."""
    said = []
    with_places = [t for t in tracks if t.fixes is not None and len(t.fixes.t_s)]
    for i, one in enumerate(with_places):
        for other in with_places[i + 1 :]:
            a, b = one.fixes, other.fixes
            if one.spec.runner == other.spec.runner or a is None or b is None:
                continue
            if np.array_equal(a.t_s, b.t_s) and np.array_equal(
                a.latitude_deg, b.latitude_deg, equal_nan=True
            ):
                said.append(
                    f"{one.spec.file} ({one.spec.runner}) and {other.spec.file} "
                    f"({other.spec.runner}) hold the same recording; give each runner his own"
                )
    return said


def _another_day(session: Session, traces: Mapping[str, finding.Trace]) -> list[str]:
    """Stamps that lie more than a day from the session's date."""
    middle = float(np.median([np.median(trace.t_s) for trace in traces.values()]))
    noon = datetime.fromisoformat(f"{session.date}T12:00:00+00:00").timestamp()
    if abs(middle - noon) < 1.5 * 86_400.0:
        return []
    seen = datetime.fromtimestamp(middle, UTC).date().isoformat()
    return [
        f"the recordings are of {seen}, the session says {session.date}: correct the date, or "
        "hand in that day's files"
    ]


def _trace(track: Track) -> finding.Trace | None:
    fixes = track.fixes
    if fixes is None or len(fixes.t_s) < 20 or not np.isfinite(fixes.latitude_deg).any():
        return None
    step = np.diff(fixes.t_s)
    rate = 1 / max(float(np.median(step)), 1e-3)
    if rate < LOW_RATE_HZ:
        return None
    pace = np.where(
        np.isfinite(fixes.speed_mps),
        fixes.speed_mps,
        _from_positions(fixes.t_s, fixes.latitude_deg, fixes.longitude_deg),
    )
    return finding.Trace(
        track.spec.runner,
        fixes.t_s,
        fixes.latitude_deg,
        fixes.longitude_deg,
        fixes.speed_mps,
        pace,
        rate,
    )


def _from_positions(t_s: Floats, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
    """Speed over about 0.8 s from positions, for finding only."""
    north = np.radians(latitude_deg) * 6_371_000.0
    middle = np.cos(np.radians(np.nanmedian(latitude_deg)))
    east = np.radians(longitude_deg) * 6_371_000.0 * middle
    keep = np.isfinite(north)
    early, late = t_s - 0.4, t_s + 0.4
    if np.median(np.diff(t_s)) > 0.5:
        early, late = t_s - 1.0, t_s + 1.0
    move = [
        np.interp(late, t_s[keep], x[keep]) - np.interp(early, t_s[keep], x[keep])
        for x in (east, north)
    ]
    return np.asarray(np.hypot(*move) / (late - early))


def _worth(trace: finding.Trace, track: Track, axes: Sequence[ZoneAxis]) -> float:
    """Running seen near the lanes, as seconds; a wrist and a low rate count against a unit."""
    fast = np.flatnonzero(trace.pace_mps > 5.0)
    near = np.zeros(len(fast), dtype=bool)
    for axis in axes:
        if len(fast):
            place = finding.on_axis(_part(trace, fast), axis)
            near |= np.abs(np.nan_to_num(place.offset_m, nan=99.0)) < 6.0
    seconds = near.sum() / trace.rate_hz + 0.01 * len(trace.t_s) / trace.rate_hz
    worth = float(seconds) * min(trace.rate_hz, 10.0) ** 0.25
    worth *= 0.8 if "wrist" in track.spec.worn else 1.0
    silent = not bool(np.isfinite(trace.speed_mps).any())
    return float(worth * (0.7 if silent else 1.0))


def _part(trace: finding.Trace, index: Ints) -> finding.Trace:
    return finding.Trace(
        trace.runner,
        trace.t_s[index],
        trace.latitude_deg[index],
        trace.longitude_deg[index],
        trace.speed_mps[index],
        trace.pace_mps[index],
        trace.rate_hz,
    )


def _apart(one: finding.Trace, other: finding.Trace) -> float | None:
    """Median distance of two units at common moments, None where they never overlap."""
    both = (other.t_s > one.t_s[0]) & (other.t_s < one.t_s[-1])
    running = both & (other.pace_mps > 3.0)  # a late clock does not show in who stands
    both = running if running.sum() >= 20 else both
    if both.sum() < 20:
        return None
    t = other.t_s[both]
    north = np.radians(other.latitude_deg[both] - np.interp(t, one.t_s, one.latitude_deg))
    east = np.radians(other.longitude_deg[both] - np.interp(t, one.t_s, one.longitude_deg))
    east *= np.cos(np.radians(np.nanmedian(one.latitude_deg)))
    return float(np.nanmedian(np.hypot(north, east)) * 6_371_000.0)


# --- measuring ------------------------------------------------------------------------------


def _find(
    session: Session,
    axes: Sequence[ZoneAxis],
    traces: Mapping[str, finding.Trace],
    imus: Mapping[str, tuple[Imu, float]],
    remarks: list[str],
    tell: Progress,
) -> tuple[int, list[reps.Case], dict[str, reps.Levels]]:
    """Find and match all takeovers of the session: how many candidates there were, the problems
    to solve, and what is known of each receiver's noise."""
    plane = {name: finding.in_plane(trace, axes[0]) for name, trace in traces.items()}
    places = {
        i: {name: finding.on_axis(trace, axis, plane[name]) for name, trace in traces.items()}
        for i, axis in enumerate(axes)
        if finding.may_hold_one(axis, traces, plane)
    }
    lists = [finding.candidates(traces, own, axes[i], i) for i, own in places.items()]
    found = finding.across_axes(lists, axes, session.reps or (), session.lane)
    chosen: list[tuple[finding.Candidate, Rep | None]] = []
    if session.reps is None:
        chosen += [(one, None) for one in found if one.completed]
    else:
        for one, rep in finding.match(found, session.reps, axes):
            if one is None and rep is not None:
                remarks.append(
                    f"sheet line {rep.line}: {rep.incoming} to {rep.outgoing} was not found in the "
                    "traces (broken off, or a recording is missing)"
                )
            elif one is not None and (rep is not None or one.completed):
                chosen.append((one, rep))
    if not chosen:
        return len(found), [], {}
    stands = reps.still_seconds(traces, plane)
    slow = noise.fit_slow_error(stands)
    levels = {
        name: reps.Levels(rest_mps=rest[0], rest_sd_mps=rest[1])
        for name, trace in traces.items()
        for rest in [noise.at_rest(trace.speed_mps, noise.still(trace.t_s, trace.pace_mps))]
    }
    cases = []
    for i, (one, rep) in enumerate(chosen):
        tell("measure", i, len(chosen))
        cases.append(
            reps.build(
                one,
                rep,
                axes[one.axis],
                traces,
                places[one.axis],
                imus,
                levels,
                slow,
                stands,
            )
        )
    return len(found), cases, levels


# --- tables ------------------------------------------------------------------------------------


def _pair(name: str, estimate: Estimate | None, unit: str) -> dict[str, float | None]:
    value = None if estimate is None else estimate.value
    sd = None if estimate is None else estimate.sd
    return {f"{name}_{unit}": value, f"{name}_sd_{unit}": sd}


def _exchanges(session: Session, measured: Sequence[takeovers.Takeover]) -> pa.Table:
    rows = [
        _within_bounds(_exchange(session, number, one))
        for number, one in enumerate(measured, start=1)
    ]
    names = schema.facts("exchanges").names
    return schema.conform("exchanges", {n: [row[n] for row in rows] for n in names})


def _within_bounds(row: dict[str, object]) -> dict[str, object]:
    """A figure that cannot be is left empty with a remark, and costs nothing but itself."""
    said = []
    sound = dict(row)
    for column in schema.facts("exchanges").columns:
        for name in (column.name, column.sd):
            value = row.get(name) if name is not None else None
            if name is None or not column.nullable or not isinstance(value, float):
                continue
            low, high = (0.0, np.inf) if name == column.sd else column.bounds
            if not (np.isfinite(value) and low <= value <= high):
                sound[column.name] = None
                if column.sd is not None:
                    sound[column.sd] = None
                said.append(f"{name} came out as {value:.3g}, which cannot be: left empty")
    return {**sound, "remarks": [*_texts(row["remarks"]), *said]}


def _texts(value: object) -> list[str]:
    return [str(item) for item in value] if isinstance(value, list) else []


def _exchange(session: Session, number: int, one: takeovers.Takeover) -> dict[str, object]:
    axis = one.case.problem.axis
    lag = None if one.go is None or one.mark is None else one.go.value - one.mark.value
    speed = None if one.zone_time is None else axis.exit_m / one.zone_time.value
    rep = one.case.rep
    feet = {runner.id: runner.foot_m for runner in session.runners}
    return {
        "session": session.id,
        "exchange": number,
        "rep": None if rep is None else rep.rep,
        "event": session.event,
        "zone": axis.zone,
        "lane": axis.lane,
        "incoming": one.case.candidate.incoming,
        "outgoing": one.case.candidate.outgoing,
        "outcome": one.outcome,
        "zero_utc": datetime.fromtimestamp(one.zero_utc_s, UTC),
        "mark_m": one.mark_m,
        **_pair("mark_t", one.mark, "s"),
        **_pair("go_t", one.go, "s"),
        "go_lag_s": lag,
        **_pair("pass_t", one.passed, "s"),
        "pass_m": None if one.pass_place is None else one.pass_place.value,
        "pass_sd_m": None if one.pass_place is None else one.pass_place.sd,
        "pass_basis": one.pass_basis,
        "p_in_zone": one.p_in_zone,
        **_pair("zone_time", one.zone_time, "s"),
        "zone_speed_mps": speed,
        **_pair("v_in_entry", one.v_in_entry, "mps"),
        **_pair("v_in_pass", one.v_in_pass, "mps"),
        **_pair("v_out_pass", one.v_out_pass, "mps"),
        **_pair("v_out_exit", one.v_out_exit, "mps"),
        **_pair("free_distance", one.free_distance, "m"),
        "steps_to_pass": one.steps_to_pass,
        "foot_m": feet.get(one.case.candidate.outgoing),
        "incoming_foot_m": feet.get(one.case.candidate.incoming),
        "faults": list(one.faults),
        "remarks": list(one.remarks),
    }


def _speed_curves(session: Session, measured: Sequence[takeovers.Takeover]) -> pa.Table:
    curves = [(i, _sound(c)) for i, one in enumerate(measured, start=1) for c in one.curves]

    def joined(name: str) -> Floats:
        parts = [getattr(curve, name) for _, curve in curves]
        return np.concatenate(parts) if parts else np.empty(0)

    def repeated(values: Sequence[object]) -> list[object]:
        return [v for v, (_, c) in zip(values, curves, strict=True) for _ in range(len(c.t_s))]

    return schema.conform(
        "speed_curves",
        {
            "session": [session.id] * sum(len(c.t_s) for _, c in curves),
            "exchange": repeated([i for i, _ in curves]),
            "runner": repeated([c.runner for _, c in curves]),
            "role": repeated([c.role for _, c in curves]),
            **{n: joined(n) for n in ("t_s", "s_m", "s_sd_m", "v_mps", "v_sd_mps", "a_mps2")},
        },
    )


def _sound(curve: takeovers.Curve) -> takeovers.Curve:
    """The rows of a curve that can be."""
    facts = {column.name: column for column in schema.facts("speed_curves").columns}
    names = ("t_s", "s_m", "s_sd_m", "v_mps", "v_sd_mps", "a_mps2")
    keep = np.ones(len(curve.t_s), dtype=bool)
    for name in names:
        value = getattr(curve, name)
        low, high = facts[name].bounds
        keep &= np.isfinite(value) & (value >= low) & (value <= high)
    return replace(curve, **{name: getattr(curve, name)[keep] for name in names})


def _recordings(rows: Sequence[dict[str, object]], solved: reps.Solved | None) -> pa.Table:
    """The rows of the files, with what measuring has shown of the receivers' noise."""
    rows = [{**row, **_noise(row, solved)} for row in rows]
    names = schema.facts("recordings").names
    return schema.conform("recordings", {n: [row[n] for row in rows] for n in names})


def _noise(row: Mapping[str, object], solved: reps.Solved | None) -> dict[str, float]:
    if solved is None or row["sensor"] != "gnss" or row["runner"] not in solved.levels:
        return {}
    level = solved.levels[str(row["runner"])]
    return {"position_noise_m": level.position_m, "speed_noise_mps": level.speed_mps}


def _read_rows(session: Session, tracks: Sequence[Track]) -> list[dict[str, object]]:
    """A row a file and sensor, as far as reading and the clocks tell."""
    rows = [_recording(session, track, sensor) for track in tracks for sensor in ("gnss", "imu")]
    return [row for row in rows if row is not None]


def _unread(session: Session, spec: RecordingSpec, why: str) -> dict[str, object]:
    """A file that could not be read is a row too."""
    known: dict[str, object] = {
        "session": session.id,
        "runner": spec.runner,
        "file": spec.file,
        "samples": 0,
        "dropped_samples": 0,
        "clock": spec.clock,
        "clock_basis": "none",
        "remarks": [why],
    }
    return {name: known.get(name) for name in schema.facts("recordings").names}


def _recording(session: Session, track: Track, sensor: str) -> dict[str, object] | None:
    raw = track.recording.fixes if sensor == "gnss" else track.recording.imu
    tied = track.fixes if sensor == "gnss" else track.imu
    clock = track.fixes_clock if sensor == "gnss" else track.imu_clock
    if raw is None:
        return None
    clock = clock or Clock("none")
    t = tied.t_s if tied is not None else np.empty(0)
    stamps = t if len(t) else np.sort(raw.t_s)
    step = np.diff(stamps)
    remarks = (
        [*track.recording.remarks, *track.remarks, *clock.remarks]
        if sensor == "gnss" or (track.recording.fixes is None)
        else list(clock.remarks)
    )
    dropped = (
        track.recording.dropped_fixes + track.dropped_fixes
        if sensor == "gnss"
        else track.recording.dropped_imu + track.dropped_imu
    )
    return {
        "session": session.id,
        "runner": track.spec.runner,
        "file": track.spec.file,
        "format": track.recording.format,
        "sensor": sensor,
        "samples": len(stamps),
        "rate_hz": float(1 / np.median(step)) if len(step) and np.median(step) > 0 else None,
        "first_utc": datetime.fromtimestamp(t[0], UTC) if len(t) else None,
        "last_utc": datetime.fromtimestamp(t[-1], UTC) if len(t) else None,
        "longest_gap_s": float(step.max()) if len(step) else None,
        "dropped_samples": dropped,
        "clock": track.spec.clock,
        "clock_basis": clock.basis,
        "offset_s": clock.offset_s,
        "counter_zero_utc": None
        if clock.counter_zero_utc_s is None
        else datetime.fromtimestamp(clock.counter_zero_utc_s, UTC),
        "clock_sd_s": clock.sd_s,
        "drift_ppm": clock.drift_ppm if clock.basis in ("taps", "motion") else None,
        "position_noise_m": None,
        "speed_noise_mps": None,
        "remarks": list(dict.fromkeys(remarks)),
    }


def run_record(
    session: Session, command: Sequence[str] | None = None, source: str | None = None
) -> dict[str, Any]:
    """What measuring this session now rests on: its files that are there, the constants of the
    stages, versions; `store.run_sha256` makes the run's mark of it."""
    sheet = [] if session.sheet is None else [session.sheet]
    recordings = [spec.path for spec in session.recordings]
    inputs = [session.path, session.venue.path, *sheet, *recordings]
    command = sys.argv if command is None else command
    return store.provenance(inputs, constants.gather(), command, source)
