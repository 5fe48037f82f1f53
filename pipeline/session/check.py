"""A look at a session before anything is computed: what each file holds and what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from pipeline.base.asking import either
from pipeline.base.units import DAY_S
from pipeline.base.values import (
    Basis,
    Fixes,
    Floats,
    Imu,
    Progress,
    Recording,
    RecordingSpec,
    Rep,
    Session,
    ZoneAxis,
)
from pipeline.errors import InputError
from pipeline.measure import sheet_slips, zones
from pipeline.read import read
from pipeline.read.practice.session import read_session
from pipeline.read.practice.venue import RACE_LINE_NAMES

REP_MARGIN_S = 30.0  # a sheet's times are good to half a minute


@dataclass(frozen=True, slots=True)
class Stream:
    """What one sensor of one file holds. Times are POSIX seconds; None for a counter's."""

    runner: str
    file: str
    format: str
    sensor: str  # gnss, imu
    samples: int
    rate_hz: float | None
    first_utc_s: float | None
    last_utc_s: float | None
    span_s: float
    longest_gap_s: float
    dropped: int = 0
    has_position: bool = False
    has_speed: bool = False


@dataclass(frozen=True, eq=False)
class Report:
    """What a session holds. `unreadable` and `missing` are sentences.

    Where `can_measure` is true the session can be measured, perhaps with less in the tables.
    """

    session: Session
    axes: tuple[ZoneAxis, ...]
    streams: tuple[Stream, ...]
    unreadable: tuple[str, ...]
    missing: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def can_measure(self) -> bool:
        """Two runners' positions are the least a takeover needs."""
        return len({stream.runner for stream in self.streams if stream.has_position}) >= 2


def check_session(path: Path, *, progress: Progress | None = None) -> Report:
    """Read everything a session names and say what is there.

    Raises SessionError and VenueError; a recording that cannot be read is in the report.
    """
    session = read_session(path)
    axes = zones.axes(session)
    streams: list[Stream] = []
    unreadable: list[str] = []
    remarks = [*session.remarks]
    for number, spec in enumerate(session.recordings):
        if progress is not None:
            progress(f"read {spec.file}", number, len(session.recordings))
        try:
            recording = read(spec.path, spec.columns, spec.clock)
        except InputError as err:
            unreadable.append("; ".join(err.lines))
            continue
        remarks += [f"{spec.file}: {remark}" for remark in recording.remarks]
        streams += streams_of_recording(spec, recording)
    remarks += [remark for axis in axes for remark in axis.remarks]
    missing = list_missing(session, streams)
    return Report(
        session, tuple(axes), tuple(streams), tuple(unreadable), tuple(missing), tuple(remarks)
    )


def list_missing(session: Session, streams: Sequence[Stream]) -> list[str]:
    """What the streams lack for all of the session's takeovers to be measured, as sentences."""
    return [
        *_runners_without(session, streams),
        *_counters_untied(session, streams),
        *_reps_outside(session, streams),
        *_wrong_day(session, streams),
        *_observers_weak(session, streams),
        *_races_without(session),
    ]


# --- streams ---------------------------------------------------------------------------


def streams_of_recording(spec: RecordingSpec, recording: Recording) -> list[Stream]:
    """What each sensor of a recording holds."""
    streams = []
    if recording.fixes is not None:
        streams.append(_fixes_stream(spec, recording, recording.fixes))
    if recording.imu is not None:
        streams.append(_imu_stream(spec, recording, recording.imu))
    return streams


def _fixes_stream(spec: RecordingSpec, recording: Recording, fixes: Fixes) -> Stream:
    stream = _describe_stream(spec, recording, "gnss", fixes.t_s, fixes.basis)
    return replace(
        stream,
        dropped=recording.dropped_fixes,
        has_position=bool(np.isfinite(fixes.latitude_deg).any()),
        has_speed=bool(np.isfinite(fixes.speed_mps).any()),
    )


def _imu_stream(spec: RecordingSpec, recording: Recording, imu: Imu) -> Stream:
    stream = _describe_stream(spec, recording, "imu", imu.t_s, imu.basis)
    return replace(stream, dropped=recording.dropped_imu)


def _describe_stream(
    spec: RecordingSpec, recording: Recording, sensor: str, t_s: Floats, basis: Basis
) -> Stream:
    """What the stamps of a stream tell; `t_s` need not be in order."""
    t = np.sort(t_s)
    span = float(t[-1] - t[0]) if t.size else 0.0
    return Stream(
        runner=spec.runner,
        file=spec.file,
        format=recording.format,
        sensor=sensor,
        samples=int(t.size),
        rate_hz=_rate_hz(t),
        first_utc_s=float(t[0]) if basis == "utc" and t.size else None,
        last_utc_s=float(t[-1]) if basis == "utc" and t.size else None,
        span_s=span,
        longest_gap_s=float(np.diff(t).max()) if t.size > 1 else 0.0,
    )


def _rate_hz(t_s: Floats) -> float | None:
    """Samples to a stamp, since several may share a second, over the usual step between stamps.

    The usual step is the mean of the steps that are no gaps. Their median would show in what
    units the file counts, not how often it samples.
    """
    stamps, counts = np.unique(t_s, return_counts=True)
    if stamps.size < 2:
        return None
    steps = np.diff(stamps)
    usual = steps[steps < 1.5 * np.median(steps)]
    return float(np.median(counts) / usual.mean())


# --- what is missing -------------------------------------------------------------------


def _runners_without(session: Session, streams: Sequence[Stream]) -> list[str]:
    placed = {stream.runner for stream in streams if stream.has_position}
    sensed = {stream.runner for stream in streams if stream.sensor == "imu"}
    sentences = []
    for runner in session.runners:
        if runner.id not in placed:
            sentences.append(f"{runner.id}: no positions, so none of this runner's takeovers")
        elif runner.id not in sensed:
            sentences.append(
                f"{runner.id}: no accelerometer, so no steps and a less exact first movement"
            )
    return sentences


def _counters_untied(session: Session, streams: Sequence[Stream]) -> list[str]:
    if session.taps:
        return []
    return [
        f"{stream.file}: a free-running counter and no [[sync]] tap, so its clock will be "
        "fitted from the motion alone"
        for stream in streams
        if stream.first_utc_s is None
    ]


def _reps_outside(session: Session, streams: Sequence[Stream]) -> list[str]:
    """The reps whose stated start lies outside a runner's recordings, in a sentence a runner, and
    one for all where the sheet is some hours off."""
    spans: dict[str, list[tuple[float, float]]] = {}
    for runner in {stream.runner for stream in streams if stream.has_position}:
        known = [
            (stream.first_utc_s, stream.last_utc_s)
            for stream in streams
            if stream.runner == runner and stream.has_position
        ]
        complete = [(a, b) for a, b in known if a is not None and b is not None]
        if len(complete) == len(known):
            spans[runner] = complete
    timed = [rep for rep in session.reps or () if rep.start_utc_s is not None]
    timed = [rep for rep in timed if spans.keys() & {rep.incoming, rep.outgoing}]

    def outside(rep: Rep, ahead_s: float) -> list[str]:
        begin = (rep.start_utc_s or 0.0) - ahead_s
        return [
            runner
            for runner in (rep.incoming, rep.outgoing)
            if runner in spans
            and not any(a - REP_MARGIN_S <= begin <= b + REP_MARGIN_S for a, b in spans[runner])
        ]

    ahead_s = sheet_slips.choose_hours(
        lambda ahead_s: sum(not outside(rep, ahead_s) for rep in timed), len(timed)
    )
    late: dict[str, list[Rep]] = {}
    for rep in timed:
        for runner in outside(rep, ahead_s):
            late.setdefault(runner, []).append(rep)
    sentences = []
    if ahead_s:
        cure = "" if session.time_zone else '; say so: time_zone = "Europe/Zurich" or the like'
        sentences.append(f"{sheet_slips.hours_in_words(ahead_s)}{cure}")
    return sentences + [
        _late_in_words(rows, runner, _spans_in_words(spans[runner]))
        for runner, rows in late.items()
    ]


def _late_in_words(rows: Sequence[Rep], runner: str, spans: str) -> str:
    """Which rows lie outside a runner's recordings, and the times they state."""
    times = sorted(rep.start_utc_s or 0.0 for rep in rows)
    if len(rows) == 1:
        return (
            f"practice sheet, line {rows[0].line}: start_utc {_time_in_words(times[0])} lies "
            f"outside {runner}'s recordings ({spans})"
        )
    lines = ", ".join(str(rep.line) for rep in rows)
    ends = f"{_time_in_words(times[0])} to {_time_in_words(times[-1])}"
    return (
        f"practice sheet, {len(rows)} rows (lines {lines}): start_utc {ends} lie outside "
        f"{runner}'s recordings ({spans})"
    )


def _wrong_day(session: Session, streams: Sequence[Stream]) -> list[str]:
    """The files of another day. UTC's date and the venue's own may differ by one day, no more."""
    day = datetime.fromisoformat(session.date).replace(tzinfo=UTC).timestamp()
    return [
        f"{stream.file}: recorded on {_day_in_words(stream.first_utc_s)}, "
        f"the session is of {session.date}"
        for stream in streams
        if stream.first_utc_s is not None
        and not day - DAY_S <= stream.first_utc_s <= day + 2 * DAY_S
    ]


def _observers_weak(session: Session, streams: Sequence[Stream]) -> list[str]:
    """What keeps observers from saying what they could, in a sentence each."""
    ends = [(s.first_utc_s, s.last_utc_s) for s in streams if s.has_position]
    spans = [(a, b) for a, b in ends if a is not None and b is not None]
    sentences = []
    for observer in session.observers:
        times = [one.time_s for one in observer.sightings if one.time_s is not None]
        if not observer.sightings:
            sentences.append(f"{observer.id}: nothing of what it saw can be used, see the remarks")
        elif times and observer.near_utc_s is None and observer.clock == "own":
            sentences.append(
                f"{observer.id}: no near_utc, so only the takeovers themselves tell when it was"
            )
        elif times and observer.clock == "utc" and len(spans) == len(ends):
            inside = [any(a <= t <= b for a, b in spans) for t in times]
            if not any(inside):
                sentences.append(
                    f"{observer.id}: no time of {observer.file} lies within the recordings "
                    f"({_spans_in_words(spans)})"
                )
    return sentences


def _races_without(session: Session) -> list[str]:
    """What the times of races lack, in a sentence for each."""
    sentences = []
    for race in session.races:
        there = {spot.line for spot in session.venue.race_lines if spot.lane == race.lane}
        lines = [name for name in RACE_LINE_NAMES if name not in there]
        if lines:
            sentences.append(
                f"race {race.id}: the venue has no {' and no '.join(lines)} line of lane "
                f'{race.lane}; add a point with kind "race-line", lane {race.lane} and line '
                f"{either(lines)}"
            )
        if race.gun_utc_s is None:
            sentences.append(
                f"race {race.id}: no gun_utc, so its time runs from the first runner's first "
                "movement"
            )
    return sentences


def _spans_in_words(spans: Sequence[tuple[float, float]]) -> str:
    return ", ".join(f"{_time_in_words(first)} to {_time_in_words(last)}" for first, last in spans)


def _time_in_words(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).strftime("%H:%M:%SZ")


def _day_in_words(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d")
