"""What was measured as rows of a session's tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa

from pipeline.base.values import (
    Clock,
    Estimate,
    Floats,
    RecordingSpec,
    Rep,
    Session,
    TimedRecording,
)
from pipeline.measure import exercises, reps, takeovers
from pipeline.measure.agreement import ClockOffset, correction_in_words
from pipeline.measure.plan_place import PlanFound
from pipeline.measure.races import legs
from pipeline.tables import schema
from pipeline.tables.full_speed import judge_speeds

CURVE_COLUMNS = ("t_s", "s_m", "s_sd_m", "v_mps", "v_sd_mps", "a_mps2")


def _estimate_cells(
    column: str, estimate: Estimate | None, table_name: str = "exchanges"
) -> dict[str, float | None]:
    value = None if estimate is None else estimate.value
    sd = None if estimate is None else estimate.sd
    return {column: value, schema.sd_column(table_name, column): sd}


def exchanges_table(session: Session, measured: Sequence[takeovers.MeasuredTakeover]) -> pa.Table:
    """The table `exchanges`: a row a takeover, numbered from 1 in the order given."""
    rows = [
        _within_bounds(_exchange_row(session, number, one))
        for number, one in enumerate(measured, start=1)
    ]
    names = schema.facts("exchanges").names
    table = schema.conform("exchanges", {n: [row[n] for row in rows] for n in names})
    slow = [
        [f"left out of advice: {one.why}; use = yes in the sheet keeps it"]
        if one.recognised
        else []
        for one in judge_speeds(table)
    ]
    if any(slow):
        table = table.set_column(
            names.index("remarks"),
            table.schema.field("remarks"),
            pa.array(
                [[*_texts(row["remarks"]), *why] for row, why in zip(rows, slow, strict=True)],
                pa.list_(pa.string()),
            ),
        )
    return table


def _within_bounds(row: dict[str, object], table: str = "exchanges") -> dict[str, object]:
    """A figure that cannot be is left empty with a remark, and costs nothing but itself."""
    kept, left_out = schema.keep_bounds(table, row)
    remarks = [
        f"{one.culprit} came out as {one.value:.3g}, which cannot be: left empty"
        for one in left_out
    ]
    return {**kept, "remarks": [*_texts(row["remarks"]), *remarks]}


def _texts(value: object) -> list[str]:
    return [str(item) for item in value] if isinstance(value, list) else []


def _exchange_row(
    session: Session, number: int, one: takeovers.MeasuredTakeover
) -> dict[str, object]:
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
        **_estimate_cells("mark_t_s", one.mark),
        **_estimate_cells("go_t_s", one.go),
        "go_lag_s": lag,
        **_estimate_cells("pass_t_s", one.passed),
        **_estimate_cells("pass_m", one.pass_place),
        "pass_basis": one.pass_basis,
        "p_in_zone": one.p_in_zone,
        **_estimate_cells("zone_time_s", one.zone_time),
        "zone_speed_mps": speed,
        **_estimate_cells("v_in_entry_mps", one.v_in_entry),
        **_estimate_cells("v_in_pass_mps", one.v_in_pass),
        **_estimate_cells("v_out_pass_mps", one.v_out_pass),
        **_estimate_cells("v_out_exit_mps", one.v_out_exit),
        **_estimate_cells("free_distance_m", one.free_distance),
        "steps_to_pass": one.steps_to_pass,
        "foot_m": feet.get(one.case.candidate.outgoing),
        "incoming_foot_m": feet.get(one.case.candidate.incoming),
        "zero_sd_s": one.zero_sd_s,
        "fit_z": one.fit_z,
        **_estimate_cells("hand_back_t_s", one.hand_back),
        "steps_to_hand_back": one.steps_to_hand_back,
        "note": None if rep is None or not rep.note else rep.note,
        **_sheet_cells(rep),
        "date": session.date,
        "time_zone": session.time_zone,
        "zone_length_m": axis.exit_m,
        "back_line_m": axis.back_m,
        "faults": list(one.faults),
        "remarks": list(one.remarks),
    }


def _sheet_cells(rep: Rep | None) -> dict[str, object]:
    """What the practice sheet says of a takeover, as it stands there."""
    names = (
        "effort", "drill", "use", "technique", "hand", "wind_mps", "race",
        "outgoing_start_m", "incoming_start_m",
    )  # fmt: skip
    return {name: None if rep is None else getattr(rep, name) for name in names}


def observations_table(
    session: Session,
    measured: Sequence[takeovers.MeasuredTakeover],
    left_over: Sequence[Mapping[str, object]],
) -> pa.Table:
    """The table `observations`: a row a thing seen, in the order of takeovers and of the files;
    `left_over` are those of no takeover."""
    numbered: list[tuple[int | None, Mapping[str, object]]] = [
        (number, row) for number, one in enumerate(measured, start=1) for row in one.observations
    ]
    numbered += [(None, row) for row in left_over]
    rows = [
        schema.keep_bounds("observations", {"session": session.id, "exchange": number, **row})[0]
        for number, row in numbered
    ]
    names = schema.facts("observations").names
    return schema.conform("observations", {n: [row[n] for row in rows] for n in names})


def exercises_table(session: Session, trained: exercises.MeasuredExercises) -> pa.Table:
    """The table `exercises`: a row a hand-over, numbered from 1 in the order given."""
    rows = [
        schema.keep_bounds("exercises", _exercise_row(session, number, one))[0]
        for number, one in enumerate(trained.hand_overs, start=1)
    ]
    names = schema.facts("exercises").names
    return schema.conform("exercises", {n: [row[n] for row in rows] for n in names})


def _exercise_row(session: Session, number: int, one: exercises.HandOver) -> dict[str, object]:
    first, last = (
        (None, None)
        if one.between_s is None
        else (datetime.fromtimestamp(t, UTC) for t in one.between_s)
    )

    def cells(column: str, estimate: Estimate | None) -> dict[str, float | None]:
        return _estimate_cells(column, estimate, "exercises")

    return {
        "session": session.id,
        "exercise": number,
        "rep": one.rep.rep,
        "drill": one.rep.drill,
        "round": one.round,
        "incoming": one.incoming,
        "outgoing": one.outgoing,
        "first_utc": first,
        "last_utc": last,
        **cells("speed_mps", one.speed),
        "speed_spread_mps": one.speed_spread_mps,
        **cells("gap_m", one.gap),
        "gap_spread_m": one.gap_spread_m,
        **cells("sprint_mps", one.sprint),
        "sprint_s": one.sprint_s,
        "note": one.rep.note or None,
        "remarks": list(one.remarks),
    }


def legs_table(session: Session, measured: Sequence[legs.MeasuredLeg]) -> pa.Table:
    """The table `legs`: of each race the whole of it and its legs."""
    rows = []
    for one in measured:
        when = one.start_utc_s
        row: dict[str, object] = {
            "session": session.id,
            "race": one.race.id,
            "leg": one.leg,
            "event": one.race.event,
            "lane": one.lane,
            "runner": one.runner,
            "exchange": one.exchange,
            "start_utc": None if when is None else datetime.fromtimestamp(when, UTC),
            **_estimate_cells("time_s", one.time, "legs"),
            "start_basis": one.start_basis,
            **_estimate_cells("v_max_mps", one.v_max, "legs"),
            **_estimate_cells("zone_time_s", one.zone_time, "legs"),
            "official_time_s": one.race.official_time_s if one.leg == 0 else None,
            "difference_s": one.difference_s,
            "remarks": list(one.remarks),
        }
        rows.append(_within_bounds(row, "legs"))
    rows.sort(key=lambda row: (str(row["race"]), int(str(row["leg"]))))
    names = schema.facts("legs").names
    return schema.conform("legs", {n: [row[n] for row in rows] for n in names})


def plan_places_table(session: Session, venue_sha256: str, found: PlanFound | None) -> pa.Table:
    """The table `plan_places`: what the session found out about its venue's plan; no row where
    every line was surveyed for itself, or no takeover tells of it."""
    names = schema.facts("plan_places").names
    if found is None:
        return schema.conform("plan_places", {name: [] for name in names})
    in_degrees = np.array([1.0, 1.0, 180.0 / np.pi])
    east, north, turn = (float(x) for x in found.mean * in_degrees)
    sds = np.sqrt(np.diag(found.cov))
    corr = found.cov / np.outer(sds, sds)
    east_sd, north_sd, turn_sd = (float(x) for x in sds * in_degrees)
    row: dict[str, object] = {
        "session": session.id,
        "date": session.date,
        "venue_sha256": venue_sha256,
        "takeovers": found.takeovers,
        "east_m": east,
        "east_sd_m": east_sd,
        "north_m": north,
        "north_sd_m": north_sd,
        "turn_deg": turn,
        "turn_sd_deg": turn_sd,
        "east_north_corr": float(corr[0, 1]),
        "east_turn_corr": float(corr[0, 2]),
        "north_turn_corr": float(corr[1, 2]),
    }
    return schema.conform("plan_places", {name: [row[name]] for name in names})


def speed_curves_table(
    session: Session, measured: Sequence[takeovers.MeasuredTakeover]
) -> pa.Table:
    """The table `speed_curves`: both runners of each takeover, without figures out of bounds."""
    curves = [
        (number, _curve_within_bounds(curve))
        for number, one in enumerate(measured, start=1)
        for curve in one.curves
    ]

    def joined(name: str) -> Floats:
        parts = [getattr(curve, name) for _, curve in curves]
        return np.concatenate(parts) if parts else np.empty(0)

    lengths = [len(curve.t_s) for _, curve in curves]

    return schema.conform(
        "speed_curves",
        {
            "session": [session.id] * sum(lengths),
            "exchange": np.repeat(np.array([i for i, _ in curves], dtype=np.int64), lengths),
            "runner": np.repeat(np.array([c.runner for _, c in curves], dtype=object), lengths),
            "role": np.repeat(np.array([c.role for _, c in curves], dtype=object), lengths),
            **{name: joined(name) for name in CURVE_COLUMNS},
        },
    )


def _curve_within_bounds(curve: takeovers.MeasuredCurve) -> takeovers.MeasuredCurve:
    """The curve without the rows in which a figure is out of its column's bounds."""
    facts = {column.name: column for column in schema.facts("speed_curves").columns}
    keep = np.ones(len(curve.t_s), dtype=bool)
    for name in CURVE_COLUMNS:
        value = getattr(curve, name)
        low, high = facts[name].bounds
        keep &= np.isfinite(value) & (value >= low) & (value <= high)
    kept: dict[str, Any] = {name: getattr(curve, name)[keep] for name in CURVE_COLUMNS}
    return replace(curve, **kept)


def recordings_table(rows: Sequence[dict[str, object]], solved: reps.SolvedReps | None) -> pa.Table:
    """The table `recordings`: the rows of the files, with the receivers' noise as measured."""
    rows = [{**row, **_measured_noise(row, solved)} for row in rows]
    names = schema.facts("recordings").names
    return schema.conform("recordings", {n: [row[n] for row in rows] for n in names})


def _measured_noise(row: Mapping[str, object], solved: reps.SolvedReps | None) -> dict[str, float]:
    if solved is None or row["sensor"] != "gnss" or row["runner"] not in solved.levels:
        return {}
    level = solved.levels[str(row["runner"])]
    return {"position_noise_m": level.position_m, "speed_noise_mps": level.speed_mps}


def recording_rows(
    session: Session, recordings: Sequence[TimedRecording]
) -> list[dict[str, object]]:
    """One row a file and sensor, as far as reading and the clocks tell."""
    rows = [
        _recording_row(session, timed, sensor) for timed in recordings for sensor in ("gnss", "imu")
    ]
    return [row for row in rows if row is not None]


def with_moved_clock(
    row: dict[str, object], offsets: Mapping[str, ClockOffset]
) -> dict[str, object]:
    """The row of a file whose clock the takeovers showed to be off."""
    moved = offsets.get(str(row["runner"]))
    if moved is None or not moved.corrected or row["clock_basis"] == "none":
        return row
    by = moved.offset.value
    later = timedelta(seconds=by)
    changed: dict[str, object] = {"clock_basis": "motion"}
    for name in ("first_utc", "last_utc", "counter_zero_utc"):
        stamp = row[name]
        changed[name] = stamp + later if isinstance(stamp, datetime) else None
    if isinstance(row["offset_s"], float):
        changed["offset_s"] = row["offset_s"] + by
    before = row["clock_sd_s"] if isinstance(row["clock_sd_s"], float) else 0.0
    said = row["remarks"] if isinstance(row["remarks"], list) else []
    changed["clock_sd_s"] = (
        moved.offset.sd if before > moved.offset.sd else float(np.hypot(before, moved.offset.sd))
    )
    changed["remarks"] = [*said, correction_in_words(str(row["runner"]), moved)]
    return row | changed


def unread_row(session: Session, spec: RecordingSpec, why: str) -> dict[str, object]:
    """The row of a file that could not be read, with the reason."""
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


def _recording_row(
    session: Session, timed: TimedRecording, sensor: str
) -> dict[str, object] | None:
    """The row of one sensor, `gnss` or `imu`, of one file; None where the file has none."""
    raw = timed.recording.fixes if sensor == "gnss" else timed.recording.imu
    on_utc = timed.fixes if sensor == "gnss" else timed.imu
    clock = timed.fixes_clock if sensor == "gnss" else timed.imu_clock
    if raw is None:
        return None
    clock = clock or Clock("none")
    t = on_utc.t_s if on_utc is not None else np.empty(0)
    stamps = t if len(t) else np.sort(raw.t_s)
    step = np.diff(stamps)
    remarks = (
        [*timed.recording.remarks, *timed.remarks, *clock.remarks]
        if sensor == "gnss" or (timed.recording.fixes is None)
        else list(clock.remarks)
    )
    dropped = (
        timed.recording.dropped_fixes + timed.dropped_fixes
        if sensor == "gnss"
        else timed.recording.dropped_imu + timed.dropped_imu
    )
    return {
        "session": session.id,
        "runner": timed.spec.runner,
        "file": timed.spec.file,
        "format": timed.recording.format,
        "sensor": sensor,
        "samples": len(stamps),
        "rate_hz": float(1 / np.median(step)) if len(step) and np.median(step) > 0 else None,
        "first_utc": datetime.fromtimestamp(t[0], UTC) if len(t) else None,
        "last_utc": datetime.fromtimestamp(t[-1], UTC) if len(t) else None,
        "longest_gap_s": float(step.max()) if len(step) else None,
        "dropped_samples": dropped,
        "clock": timed.spec.clock,
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
