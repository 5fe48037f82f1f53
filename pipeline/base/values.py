"""The nouns: what the stages hand to one another. They are values; nothing here computes.

Arrays inside a value are read-only, also after pickling (`Frozen`);
docs/decisions/0001-values.md says why it is done this way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]
Progress = Callable[[str, int, int], None]  # hears what is done, how many are done, of how many
Basis = Literal["utc", "counter"]
Worn = Literal["upper-back", "waist", "left-wrist", "right-wrist"]
ClockBasis = Literal["stamps", "taps", "motion", "none"]
ObserverKind = Literal["film", "gates", "watch"]
ObserverClock = Literal["own", "utc", "rep"]
ObserverUse = Literal["measure", "check"]
Drill = Literal["build-up", "standing", "jog", "rotation"]
Use = Literal["yes", "no"]
Technique = Literal["upsweep", "downsweep", "push"]
Hand = Literal["left", "right"]
SeenEvent = Literal["mark", "go", "entry", "hand back", "pass", "exit", "gate"]


class Frozen:
    """Makes the arrays of a frozen dataclass read-only and keeps them so when pickled."""

    __slots__ = ()

    def __post_init__(self) -> None:
        for f in fields(self):  # type: ignore[arg-type]
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray):
                view = value.view()
                view.flags.writeable = False
                object.__setattr__(self, f.name, view)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), tuple(getattr(self, f.name) for f in fields(self))  # type: ignore[arg-type]


class Columns(Frozen):
    """A frozen dataclass whose arrays have one length: a table's columns."""

    __slots__ = ()

    def rows(self, which: slice | Ints | NDArray[np.bool_]) -> Self:
        """The same with some of the rows only; what is no array stays as it is."""
        names = [f.name for f in fields(self)]  # type: ignore[arg-type]
        values = {name: getattr(self, name) for name in names}
        kept = {k: v[which] for k, v in values.items() if isinstance(v, np.ndarray)}
        return replace(self, **kept)  # type: ignore[type-var]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number and its standard error, in the same unit."""

    value: float
    sd: float


# --- recordings ------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Fixes(Columns):
    """A satellite receiver's fixes in the order of the file; times are not yet spread or tied.

    `t_s` (n,) is seconds since 1970-01-01T00:00Z on the UTC (POSIX) count where `basis` is "utc",
    and otherwise the device's own counter in seconds. It is exactly what the file states: whole
    seconds stay whole, even with several fixes to one. It is never NaN. The other columns (n,)
    hold NaN where the file gave nothing.
    """

    t_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    speed_mps: Floats
    altitude_m: Floats
    hdop: Floats
    satellites: Floats
    basis: Basis = "utc"


@dataclass(frozen=True, eq=False)
class Imu(Frozen):
    """Accelerometer (n, 3) in m/s² and gyroscope (n, 3) in rad/s; `gyro_radps` may be (0, 3).

    `t_s` is as in Fixes; `basis` is "counter" where the unit's stamps count from its own start.
    """

    t_s: Floats
    acc_mps2: Floats
    gyro_radps: Floats
    basis: Basis = "utc"


@dataclass(frozen=True, eq=False)
class Recording(Frozen):
    """What one file gave: columns of samples, never an object for each sample."""

    path: Path
    format: str  # fit, gpx, tcx, nmea, csv
    fixes: Fixes | None
    imu: Imu | None
    dropped_fixes: int = 0  # samples the reader could not use (bad checksum, null time, ...)
    dropped_imu: int = 0
    remarks: tuple[str, ...] = ()


# --- the session -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Runner:
    id: str
    foot_m: float | None = None


@dataclass(frozen=True, slots=True)
class RecordingSpec:
    """One [[recording]] of session.toml; `path` is absolute."""

    runner: str
    path: Path
    file: str  # as written in session.toml
    worn: Worn = "upper-back"
    clock: Literal["gnss", "device"] = "gnss"
    columns: Mapping[str, Mapping[str, str]] | None = None  # name -> {column, unit}


@dataclass(frozen=True, slots=True)
class Tap:
    """All units knocked together at about `near_utc_s`, give or take `window_s`."""

    near_utc_s: float
    window_s: float


@dataclass(frozen=True, slots=True)
class Rep:
    """A row of the practice sheet; distances are as in the sheet, from the back line.

    `effort` is per cent of full speed, None where the sheet says nothing, which means full speed.
    A `drill` other than a build-up is an exercise, not a takeover (`is_exercise`).
    """

    line: int  # in the sheet, for messages
    incoming: str
    outgoing: str
    rep: int | None = None
    zone: int | None = None
    lane: int | None = None
    mark_m: float | None = None  # before the back line (mark_feet already converted)
    outgoing_start_m: float | None = None  # past the back line
    incoming_start_m: float | None = None  # before the back line
    start_utc_s: float | None = None
    pass_m: float | None = None  # past the entry line
    note: str = ""
    effort: float | None = None
    drill: Drill | None = None
    use: Use | None = None
    technique: Technique | None = None
    hand: Hand | None = None  # the receiving one
    wind_mps: float | None = None  # along the zone, positive from behind
    race: str | None = None  # the id of a Race

    @property
    def is_exercise(self) -> bool:
        """Whether the row is no takeover at all: standing, jogging, or the rotation."""
        return self.drill not in (None, "build-up")


@dataclass(frozen=True, slots=True)
class Race:
    """One [[race]] of session.toml: a whole relay; `team` are the runners of the legs in order.

    `gun_utc_s` is None where nothing tells it; the official time is compared, never used.
    """

    id: str
    event: str
    lane: int
    team: tuple[str, ...]
    gun_utc_s: float | None = None
    official_time_s: float | None = None


@dataclass(frozen=True, slots=True)
class Sighting:
    """A row of an observer's file: one thing seen. At least one of `time_s` and `place_m` is given.

    `time_s` is on the observer's own clock; where that is UTC, or the row has a UTC stamp, it is
    seconds since 1970-01-01T00:00Z. Standard errors are the row's own, else the observer's.
    """

    line: int  # in the file, for messages
    event: SeenEvent
    rep: int | None = None
    incoming: str | None = None
    outgoing: str | None = None
    gate: str | None = None  # its id in the venue, where the event is "gate" ...
    runner: str | None = None  # ... and who broke it
    time_s: float | None = None
    place_m: float | None = None  # past the entry line
    sd_s: float | None = None  # None only where no time was seen
    sd_m: float | None = None  # None only where no place was seen
    note: str = ""


@dataclass(frozen=True, slots=True)
class Observer:
    """One [[observer]] of session.toml with what it saw, in the order of its file.

    `near_utc_s` is about what UTC it was when an `own` clock read nought, give or take minutes;
    None where nothing tells it. An own clock whose rows have UTC stamps has nought here.
    `sd_s` is the standard error of a reading whose row states none. Without sightings the file
    could not be read, or has no usable row; the session's remarks say so.
    """

    id: str
    kind: ObserverKind
    path: Path
    file: str  # as written in session.toml
    clock: ObserverClock
    use: ObserverUse = "measure"
    near_utc_s: float | None = None
    sightings: tuple[Sighting, ...] = ()
    sd_s: float | None = None


@dataclass(frozen=True, eq=False)
class LaneLine(Frozen):
    """A lane's measured running line as surveyed: (n,) WGS 84 degrees in running direction."""

    lane: int
    longitude_deg: Floats
    latitude_deg: Floats
    sd_m: float = 0.05


@dataclass(frozen=True, slots=True)
class Spot:
    """A surveyed point on a lane: a zone line (`zone`, `line`), a gate (`id`) or a race's line
    (`line`)."""

    lane: int
    longitude_deg: float
    latitude_deg: float
    sd_m: float = 0.05
    zone: int | None = None
    line: Literal["back", "entry", "exit", "start", "finish"] | None = None
    id: str | None = None


@dataclass(frozen=True, eq=False)
class PlanPlace(Frozen):
    """How well a venue's plan is placed, all of whose lines move together: covariance (3, 3) of
    metres east, metres north and the turn in rad (anticlockwise) about a centre in WGS 84 degrees.
    `sources` says what it was placed from, `sessions` which sessions are in it already."""

    longitude_deg: float
    latitude_deg: float
    cov: Floats
    sources: tuple[str, ...] = ()
    sessions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Venue:
    """The survey as read; `measure.zones` turns it into axes. Without a `place` every line of it
    was surveyed for itself."""

    path: Path
    lanes: tuple[LaneLine, ...]
    zone_lines: tuple[Spot, ...]
    gates: tuple[Spot, ...] = ()
    race_lines: tuple[Spot, ...] = ()
    place: PlanPlace | None = None


@dataclass(frozen=True, slots=True)
class Session:
    """A session.toml with its sheet and venue, validated.

    Every runner named is known, every id unique, every number in range. Files of recordings may
    still be missing.
    """

    path: Path
    id: str
    date: str  # ISO
    event: str
    lane: int | None
    venue: Venue
    runners: tuple[Runner, ...]
    recordings: tuple[RecordingSpec, ...]
    taps: tuple[Tap, ...] = ()
    reps: tuple[Rep, ...] | None = None  # None: no sheet
    remarks: tuple[str, ...] = ()
    sheet: Path | None = None  # the file of `reps`
    observers: tuple[Observer, ...] = ()
    time_zone: str | None = None  # IANA: times without a zone in the sheet are local to it
    races: tuple[Race, ...] = ()


# --- the zone on the ground ------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class ZoneAxis(Frozen):
    """One lane's own axis at one takeover zone, in local east-north metres.

    `s_m` (n,) runs along the measured line, 0 at the entry line, positive in running
    direction; `xy_m` (n, 2) are the points, `heading_rad` (n,) the direction of travel
    (0 = east, anticlockwise), `curvature_pm` (n,) its change per metre (1/m, positive in
    a left-hand bend). Dense (about 0.5 m) and smooth, so that linear interpolation serves.
    Reaches at least 80 m before the entry line and 60 m beyond the exit line where the
    survey allows (extrapolated straight beyond its ends, `surveyed_m` says where it ends).
    """

    lane: int
    zone: int
    event: str
    origin_lat_deg: float
    origin_lon_deg: float
    origin_alt_m: float
    s_m: Floats
    xy_m: Floats
    heading_rad: Floats
    curvature_pm: Floats
    back_m: float  # s of the back line: 0 under today's rules, -10 under the older ones
    exit_m: float  # s of the exit line: the zone's length
    surveyed_m: tuple[float, float] = (-np.inf, np.inf)
    line_sd_m: float = 0.05  # standard error of a zone line's place along the lane
    remarks: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()  # those of the remarks that results hang on


# --- one clock -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Clock:
    """How a stream's own stamps become UTC.

    Counter:  utc = counter_zero_utc_s + t / (1 + drift_ppm * 1e-6).
    Stamps:   utc = t + offset_s (drift_ppm = 0).
    `cov` is that of (offset in seconds at `ref_utc_s`, drift in ppm).
    """

    basis: ClockBasis
    offset_s: float | None = None
    counter_zero_utc_s: float | None = None
    drift_ppm: float = 0.0
    sd_s: float | None = None  # standard error at the middle of the session; null if none
    ref_utc_s: float = 0.0
    cov: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (0.0, 0.0))
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class TimedRecording(Frozen):
    """A recording with its owner, on the shared clock.

    `fixes.t_s` and `imu.t_s` are UTC and strictly increasing (spread, sorted, doubles dropped). A
    stream that nothing tied to that clock is None, and its clock says basis "none".
    """

    spec: RecordingSpec
    recording: Recording
    fixes: Fixes | None
    fixes_clock: Clock | None
    imu: Imu | None
    imu_clock: Clock | None
    dropped_fixes: int = 0
    dropped_imu: int = 0
    remarks: tuple[str, ...] = field(default=())
