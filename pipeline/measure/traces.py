"""Each runner's trace: the whole session from the unit that serves best, and how it is chosen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from scipy.ndimage import median_filter

from pipeline.base import geodesy
from pipeline.base.geodesy import to_sphere_m
from pipeline.base.signals import Bools
from pipeline.base.units import DAY_S
from pipeline.base.values import Columns, Floats, Frozen, Imu, Session, TimedRecording, ZoneAxis
from pipeline.measure.zones import project

LOW_RATE_HZ = 0.4  # a unit with fewer fixes a second shows no takeover
FEWEST_FIXES = 20
DISAGREE_M = 8.0  # two units of one runner farther apart than this are remarked upon
RUNS_MPS = 3.0  # nobody walks as fast
ABOUT_A_RUN_S = 15.0  # farther in time from any run a place may be rough: nobody asks for it
FAR_M = 40.0  # from the line: such a fix has no part in a takeover, its place may be rough
OUTLIERS_HZ = 4.0  # from this rate on, lone outliers are filtered out
ARM_MOTION_SD_S = (
    0.15  # an arm starts up to 0.4 s after its trunk: ties by its motion are no better
)
SAME_DAY_S = 0.5 * DAY_S  # recordings farther apart are of different days
DAYS_OFF_S = 1.5 * DAY_S  # from the date's noon in UTC, with every time zone allowed for


@dataclass(frozen=True, eq=False)
class OnAxis(Columns):
    """A trace on one zone's axis: east-north `xy_m` (n, 2), `s_m` and `offset_m` (n,)."""

    xy_m: Floats
    s_m: Floats
    offset_m: Floats


@dataclass(frozen=True, eq=False)
class Trace(Columns):
    """One runner's whole session from the unit that serves best.

    `t_s` (n,) UTC, places (n,) in degrees, `speed_mps` (n,) as the unit gave it, NaN where it
    gave none. `pace_mps` (n,) is the speed for finding takeovers: from positions where the unit
    gave none.
    """

    runner: str
    t_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    speed_mps: Floats
    pace_mps: Floats
    rate_hz: float

    def in_plane(self, axis: ZoneAxis) -> Floats:
        """East-north metres (n, 2) from the origin that all axes of a venue share."""
        origin = (axis.origin_lat_deg, axis.origin_lon_deg, axis.origin_alt_m)
        height = np.full(len(self.t_s), axis.origin_alt_m)
        return geodesy.to_enu(self.latitude_deg, self.longitude_deg, height, origin)[:, :2]

    def on_axis(self, axis: ZoneAxis, xy_m: Floats | None = None) -> OnAxis:
        """The trace beside one zone's axis; `xy_m` is what `in_plane` gives, where it is known.

        It serves for finding: a fix without a place takes one between its neighbours' places,
        and lone outliers are filtered out where fixes are frequent. Places are looked for about
        the runner's runs only; between them they come from a straight line.
        """
        xy = self.in_plane(axis) if xy_m is None else xy_m
        s, offset = np.full(len(xy), np.nan), np.full(len(xy), np.nan)
        near = np.isfinite(xy[:, 0]) & (self.pace_mps < 20) & self._about_a_run()
        if near.any():
            s[near], offset[near] = project(axis, xy[near], within_m=FAR_M, to_m=1e-3)
            s = np.interp(self.t_s, self.t_s[near], s[near])
            offset = np.interp(self.t_s, self.t_s[near], offset[near])
            if self.rate_hz > OUTLIERS_HZ:  # lone outliers must not hide a crossing
                s, offset = median_filter(s, 5), median_filter(offset, 5)
        return OnAxis(xy, s, offset)

    def _about_a_run(self) -> Bools:
        """Which fixes (n,) lie near a run in time, the stand before it included."""
        runs = self.t_s[self.pace_mps > RUNS_MPS]
        if not len(runs):
            return np.zeros(len(self.t_s), dtype=bool)
        after = np.searchsorted(runs, self.t_s)
        to_next = runs[np.minimum(after, len(runs) - 1)] - self.t_s
        since_last = self.t_s - runs[np.maximum(after - 1, 0)]
        return np.asarray(np.minimum(np.abs(to_next), np.abs(since_last)) < ABOUT_A_RUN_S)


@dataclass(frozen=True, eq=False)
class WristUnit(Frozen):
    """An accelerometer on a wrist, the standard error of its clock in s, and whether that is the
    clock of the runner's trace too, or taps tie it to the others."""

    imu: Imu
    clock_sd_s: float
    on_trace_clock: bool
    tapped: bool


# --- choosing a runner's units ---------------------------------------------------------------


def choose_units(
    recordings: Sequence[TimedRecording], axes: Sequence[ZoneAxis]
) -> tuple[dict[str, Trace], dict[str, tuple[Imu, float]], list[str]]:
    """For each runner the satellite unit that serves best, and a trunk-worn accelerometer.

    Where that unit wrote several files, one after the other, or another took over from it, the
    recordings are joined. Gives traces by runner, accelerometers by runner with their clock's
    standard error [s], and remarks on runners without fixes and on units that contradict each
    other.
    """
    traces: dict[str, Trace] = {}
    imus: dict[str, tuple[Imu, float]] = {}
    remarks: list[str] = []
    for runner in dict.fromkeys(timed.spec.runner for timed in recordings):
        own = [timed for timed in recordings if timed.spec.runner == runner]
        trace, words = _choose_trace(runner, own, axes)
        remarks += words
        if trace is not None:
            traces[runner] = trace
        trunk = [
            timed
            for timed in own
            if timed.imu is not None and len(timed.imu.t_s) and "wrist" not in timed.spec.worn
        ]
        if trunk:
            imus[runner] = _joined_imu(trunk)
    return traces, imus, [*remarks, *_remark_copies(recordings)]


def choose_wrists(
    recordings: Sequence[TimedRecording], moved_s: Mapping[str, float]
) -> dict[str, tuple[WristUnit, ...]]:
    """The accelerometers on each runner's wrists, the longest of each wrist.

    `moved_s` tells by runner by how much the clock of the runner's trace was set later. A unit on
    the wrist has the same clock only where the runner has no other satellite unit.
    """
    out: dict[str, tuple[WristUnit, ...]] = {}
    for runner in dict.fromkeys(timed.spec.runner for timed in recordings):
        own = [timed for timed in recordings if timed.spec.runner == runner]
        with_fixes = [timed for timed in own if timed.fixes is not None]
        best: dict[str, WristUnit] = {}
        for timed in own:
            imu, clock = timed.imu, timed.imu_clock
            if "wrist" not in timed.spec.worn or imu is None or not len(imu.t_s):
                continue
            sd = clock.sd_s if clock is not None and clock.sd_s is not None else 0.0
            if clock is not None and clock.basis == "motion":
                sd = float(np.hypot(sd, ARM_MOTION_SD_S))
            tied = with_fixes == [timed]
            later = replace(imu, t_s=imu.t_s + moved_s.get(runner, 0.0)) if tied else imu
            before = best.get(timed.spec.worn)
            if before is None or len(before.imu.t_s) < len(imu.t_s):
                best[timed.spec.worn] = WristUnit(
                    later, sd, tied, clock is not None and clock.basis == "taps"
                )
        if best:
            out[runner] = tuple(best.values())
    return out


def remark_wrong_day(session: Session, traces: Mapping[str, Trace]) -> list[str]:
    """A remark where the traces lie more than a day from the session's date."""
    middle = float(np.median([np.median(trace.t_s) for trace in traces.values()]))
    noon = datetime.fromisoformat(f"{session.date}T12:00:00+00:00").timestamp()
    if abs(middle - noon) < DAYS_OFF_S:
        return []
    seen = datetime.fromtimestamp(middle, UTC).date().isoformat()
    return [
        f"the recordings are of {seen}, the session says {session.date}: correct the date, or "
        "hand in that day's files"
    ]


def _choose_trace(
    runner: str, own: Sequence[TimedRecording], axes: Sequence[ZoneAxis]
) -> tuple[Trace | None, list[str]]:
    seen = [(trace, timed) for timed in own if (trace := _trace_of(timed)) is not None]
    if not seen:
        return None, [f"{runner}: no usable satellite fixes, so none of this runner's takeovers"]
    if len(seen) > 1:
        seen.sort(key=lambda unit: -_usefulness(unit[0], unit[1], axes))
    trace, used = seen[0]
    remarks = []
    parts = [trace]
    for other, timed in seen[1:]:
        apart = _median_distance_m(trace, other)
        if apart is not None and apart > DISAGREE_M:
            remarks.append(
                f"{runner}: {timed.spec.file} and {used.spec.file} disagree by "
                f"{apart:.0f} m (median); {used.spec.file} was used"
            )
        on_same_place = ("wrist" in timed.spec.worn) == ("wrist" in used.spec.worn)
        if on_same_place and _comes_beside(other.t_s, [part.t_s for part in parts]):
            parts.append(other)
    return _joined_trace(parts), remarks


def _comes_beside(t_s: Floats, others: Sequence[Floats]) -> bool:
    """Whether a recording was made before or after each of the others on the same day, [s]."""
    return all(0.0 < max(t_s[0] - other[-1], other[0] - t_s[-1]) < SAME_DAY_S for other in others)


def _joined_trace(parts: Sequence[Trace]) -> Trace:
    """Recordings of different times as one; its rate is the lowest."""
    if len(parts) == 1:
        return parts[0]
    ordered = sorted(parts, key=lambda part: float(part.t_s[0]))

    def joined(name: str) -> Floats:
        return np.concatenate([getattr(part, name) for part in ordered])

    return Trace(
        parts[0].runner,
        joined("t_s"),
        joined("latitude_deg"),
        joined("longitude_deg"),
        joined("speed_mps"),
        joined("pace_mps"),
        min(part.rate_hz for part in parts),
    )


def _joined_imu(trunk: Sequence[TimedRecording]) -> tuple[Imu, float]:
    """The longest accelerometer recording, with those made before and after it; and the standard
    error of the worst of their clocks [s]. Each of `trunk` has one."""
    parts: list[tuple[Imu, float]] = []
    for timed in sorted(trunk, key=lambda one: -len(one.imu.t_s) if one.imu else 0):
        clock = timed.imu_clock
        sd = clock.sd_s if clock is not None and clock.sd_s is not None else 0.0
        if timed.imu is not None and _comes_beside(timed.imu.t_s, [i.t_s for i, _ in parts]):
            parts.append((timed.imu, sd))
    if len(parts) == 1:
        return parts[0]
    ordered = [imu for imu, _ in sorted(parts, key=lambda part: float(part[0].t_s[0]))]
    joined = Imu(
        np.concatenate([imu.t_s for imu in ordered]),
        np.concatenate([imu.acc_mps2 for imu in ordered]),
        np.empty((0, 3)),
        ordered[0].basis,
    )
    return joined, max(sd for _, sd in parts)


def _remark_copies(recordings: Sequence[TimedRecording]) -> list[str]:
    """A remark for every file that was handed in for two runners."""
    remarks = []
    with_places = [one for one in recordings if one.fixes is not None and len(one.fixes.t_s)]
    for i, one in enumerate(with_places):
        for other in with_places[i + 1 :]:
            a, b = one.fixes, other.fixes
            if one.spec.runner == other.spec.runner or a is None or b is None:
                continue
            if np.array_equal(a.t_s, b.t_s) and np.array_equal(
                a.latitude_deg, b.latitude_deg, equal_nan=True
            ):
                remarks.append(
                    f"{one.spec.file} ({one.spec.runner}) and {other.spec.file} "
                    f"({other.spec.runner}) hold the same recording; give each runner his own"
                )
    return remarks


def _trace_of(timed: TimedRecording) -> Trace | None:
    """A recording's fixes as a trace; None where they are too few, too rare or without places."""
    fixes = timed.fixes
    if fixes is None or len(fixes.t_s) < FEWEST_FIXES or not np.isfinite(fixes.latitude_deg).any():
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
    return Trace(
        timed.spec.runner,
        fixes.t_s,
        fixes.latitude_deg,
        fixes.longitude_deg,
        fixes.speed_mps,
        pace,
        rate,
    )


def _from_positions(t_s: Floats, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
    """Speed over about 0.8 s from positions, for finding only."""
    east, north = to_sphere_m(latitude_deg, longitude_deg, float(np.nanmedian(latitude_deg)))
    keep = np.isfinite(north)
    early, late = t_s - 0.4, t_s + 0.4
    if np.median(np.diff(t_s)) > 0.5:
        early, late = t_s - 1.0, t_s + 1.0
    move = [
        np.interp(late, t_s[keep], x[keep]) - np.interp(early, t_s[keep], x[keep])
        for x in (east, north)
    ]
    return np.asarray(np.hypot(*move) / (late - early))


def _usefulness(trace: Trace, timed: TimedRecording, axes: Sequence[ZoneAxis]) -> float:
    """How well a unit serves: running seen near the lanes, in seconds. A wrist, a low rate and a
    unit without speeds count for less."""
    fast = np.flatnonzero(trace.pace_mps > 5.0)
    near = np.zeros(len(fast), dtype=bool)
    for axis in axes:
        if len(fast):
            place = trace.rows(fast).on_axis(axis)
            near |= np.abs(np.nan_to_num(place.offset_m, nan=99.0)) < 6.0
    seconds = near.sum() / trace.rate_hz + 0.01 * len(trace.t_s) / trace.rate_hz
    useful = float(seconds) * min(trace.rate_hz, 10.0) ** 0.25
    useful *= 0.8 if "wrist" in timed.spec.worn else 1.0
    silent = not bool(np.isfinite(trace.speed_mps).any())
    return float(useful * (0.7 if silent else 1.0))


def _median_distance_m(one: Trace, other: Trace) -> float | None:
    """Median distance [m] of two units at common moments; None where they hardly overlap."""
    both = (other.t_s > one.t_s[0]) & (other.t_s < one.t_s[-1])
    running = both & (other.pace_mps > 3.0)  # a late clock does not show in who stands
    both = running if running.sum() >= 20 else both
    if both.sum() < 20:
        return None
    t = other.t_s[both]
    away = to_sphere_m(
        other.latitude_deg[both] - np.interp(t, one.t_s, one.latitude_deg),
        other.longitude_deg[both] - np.interp(t, one.t_s, one.longitude_deg),
        float(np.nanmedian(one.latitude_deg)),
    )
    return float(np.nanmedian(np.hypot(*away)))
