"""Stamps that are off: other days left out, half hours set right where motion is clear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.base import geodesy
from pipeline.base.signals import Bools, resample
from pipeline.base.units import DAY_S
from pipeline.base.values import Clock, Fixes, Floats, Tap, TimedRecording

STAMP_SD_S = 0.002  # a receiver's UTC as a file has it: written to the millisecond, seldom worse
LONE_DAY_S = 12 * 3600.0  # a file farther than this from all others is of another session
HALF_HOUR_S = 1800.0
FARTHEST_ZONE_S = 14 * 3600.0
WHEREABOUTS_HZ = 2  # of the grid that all runners' whereabouts share
MEETS_NO_OTHER = "its stamps lie outside those of all other files; perhaps its clock is off"


class Whereabouts(NamedTuple):
    """Where a runner was and whether running, from index `first` of a grid all share."""

    first: int
    x_m: Floats
    y_m: Floats
    fast: Bools


def stamps_clock(
    t_s: Floats,
    offset_s: float = 0.0,
    remarks: tuple[str, ...] = (),
    sd_s: float = STAMP_SD_S,
) -> Clock:
    """The clock of a stream stamped in UTC; `t_s` are its times with `offset_s` added, `sd_s` is
    the standard error that all of them share."""
    return Clock(
        basis="stamps",
        offset_s=offset_s,
        sd_s=sd_s,
        ref_utc_s=float(0.5 * (t_s[0] + t_s[-1])),
        cov=((sd_s**2, 0.0), (0.0, 0.0)),
        remarks=remarks,
    )


def place_in_session(
    recordings: Sequence[TimedRecording], taps: Sequence[Tap]
) -> list[TimedRecording]:
    """Set right stamps that are whole or half hours off, where motion makes that clear.

    Files of another day lose their streams. A file that overlaps no other gets a remark.
    """
    kept = _keep_one_day(recordings, taps)
    for _ in range(len(kept)):
        shift = _find_clearest_shift(kept, taps)
        if shift is None:
            break
        i, seconds = shift
        kept[i] = _shift_stamps(kept[i], seconds)
    spans = [_stamp_span(timed) for timed in kept]
    return [
        replace(timed, remarks=(*timed.remarks, MEETS_NO_OTHER))
        if _meets_no_other(i, spans)
        else timed
        for i, timed in enumerate(kept)
    ]


def _meets_no_other(i: int, spans: Sequence[tuple[float, float] | None]) -> bool:
    """Whether a file overlaps no other, although others overlap each other."""

    def meet(a: int, b: int) -> bool:
        x, y = spans[a], spans[b]
        return x is not None and y is not None and x[0] < y[1] and y[0] < x[1]

    others = [j for j in range(len(spans)) if j != i and spans[j] is not None]
    if spans[i] is None or any(meet(i, j) for j in others):
        return False
    return any(meet(j, k) for j in others for k in others if j < k)


def _stamp_span(timed: TimedRecording) -> tuple[float, float] | None:
    """First and last UTC stamp [s] of a file; None where it has none."""
    t = [s.t_s for s in (timed.fixes, timed.imu) if s is not None]
    return (min(float(x[0]) for x in t), max(float(x[-1]) for x in t)) if t else None


def _keep_one_day(
    recordings: Sequence[TimedRecording], taps: Sequence[Tap]
) -> list[TimedRecording]:
    """Files farther than LONE_DAY_S from the session's main body lose their streams.

    The main body is the largest cluster of files, or of equal ones the one with the taps. Where
    nothing decides, all files stay.
    """
    spans = {
        i: span for i, timed in enumerate(recordings) if (span := _stamp_span(timed)) is not None
    }
    clusters: list[list[int]] = []
    latest = -np.inf
    for i in sorted(spans, key=lambda i: spans[i]):
        if not clusters or spans[i][0] - latest > LONE_DAY_S:
            clusters.append([])
            latest = -np.inf
        clusters[-1].append(i)
        latest = max(latest, spans[i][1])
    if len(clusters) < 2:
        return list(recordings)

    def rank(cluster: list[int]) -> tuple[int, int]:
        inside = sum(any(_holds_tap(spans[i], tap) for i in cluster) for tap in taps)
        return len(cluster), inside

    order = sorted(clusters, key=rank)
    if rank(order[-1]) == rank(order[-2]):
        return list(recordings)
    strange = {i for cluster in order[:-1] for i in cluster}
    first = min(spans[i][0] for i in order[-1])
    return [
        _leave_out(t, spans[i][0] - first) if i in strange else t for i, t in enumerate(recordings)
    ]


def _holds_tap(span: tuple[float, float], tap: Tap) -> bool:
    return span[0] - tap.window_s <= tap.near_utc_s <= span[1] + tap.window_s


def _leave_out(timed: TimedRecording, off_s: float) -> TimedRecording:
    words = (
        f"stamps lie {abs(off_s) / DAY_S:.1f} days {'after' if off_s > 0 else 'before'} the "
        "session's other files; left out",
    )
    clock = Clock("none", remarks=words)
    return replace(
        timed,
        fixes=None,
        imu=None,
        fixes_clock=clock if timed.fixes is not None else timed.fixes_clock,
        imu_clock=clock if timed.imu is not None else timed.imu_clock,
        remarks=timed.remarks + words,
    )


def _find_clearest_shift(
    recordings: Sequence[TimedRecording], taps: Sequence[Tap]
) -> tuple[int, float] | None:
    """The file that is most clearly some half hours off the others, and the cure [s].

    In a takeover two runners are within a few metres of each other at full speed, which
    hardly happens by chance. Of two files each is off the other: the one in which the taps
    cannot lie is then taken to be wrong, and neither where that does not decide.
    """
    fixes = {i: t.fixes for i, t in enumerate(recordings) if t.fixes is not None}
    origin = _middle_of_session(list(fixes.values()))
    if origin is None:
        return None
    places = {i: c for i, f in fixes.items() if (c := _whereabouts(f, origin)) is not None}
    found = []
    for i, mine in places.items():
        runner = recordings[i].spec.runner
        others = [own for j, own in places.items() if recordings[j].spec.runner != runner]
        if not others or (len(places) == 2 and not _taps_decide(mine, others[0], taps)):
            continue
        shift, seconds = _half_hours_off(mine, others)
        if shift:
            # Of two that disagree the one that lies apart from the rest is wrong.
            company = float(np.mean([_overlap_share(mine, other) for other in others]))
            found.append((company, -seconds, i, shift))
    if not found:
        return None
    _, _, i, shift = min(found)
    return i, shift


def _overlap_share(a: Whereabouts, b: Whereabouts) -> float:
    """The part of the shorter of two stretches of time that lies within the other."""
    both = min(a.first + a.x_m.size, b.first + b.x_m.size) - max(a.first, b.first)
    return max(0, both) / min(a.x_m.size, b.x_m.size)


def _taps_decide(mine: Whereabouts, other: Whereabouts, taps: Sequence[Tap]) -> bool:
    """Whether all taps lie in the other file's time and not all in this one's."""

    def holds(c: Whereabouts) -> bool:
        span = (c.first / WHEREABOUTS_HZ, (c.first + c.x_m.size) / WHEREABOUTS_HZ)
        return all(_holds_tap(span, tap) for tap in taps)

    return bool(taps) and holds(other) and not holds(mine)


def _middle_of_session(all_fixes: Sequence[Fixes]) -> geodesy.Origin | None:
    """A place in the middle of the session."""
    lat = [float(np.nanmedian(f.latitude_deg)) for f in all_fixes if _has_places(f)]
    lon = [float(np.nanmedian(f.longitude_deg)) for f in all_fixes if _has_places(f)]
    return (float(np.median(lat)), float(np.median(lon)), 0.0) if lat else None


def _has_places(fixes: Fixes) -> bool:
    return int(np.isfinite(fixes.latitude_deg + fixes.longitude_deg).sum()) >= 60


def _whereabouts(fixes: Fixes, origin: geodesy.Origin) -> Whereabouts | None:
    if not _has_places(fixes):
        return None
    good = np.isfinite(fixes.latitude_deg + fixes.longitude_deg)
    t = fixes.t_s[good]
    place = geodesy.to_enu(fixes.latitude_deg[good], fixes.longitude_deg[good], None, origin)
    even = resample(t, place, 2.0 * WHEREABOUTS_HZ, 3.0)
    first = int(np.ceil(even.t_s[0] * WHEREABOUTS_HZ))
    grid = np.arange(first, int(even.t_s[-1] * WHEREABOUTS_HZ)) / WHEREABOUTS_HZ
    if grid.size < 60:
        return None
    x, y = (np.interp(grid, even.t_s, even.x[:, k]) for k in range(2))
    ok = np.interp(grid, even.t_s, even.ok.astype(float)) > 0.99
    speed = np.hypot(np.gradient(x), np.gradient(y)) * WHEREABOUTS_HZ
    return Whereabouts(first, x, y, ok & (speed > 4.0) & (speed < 13.0))


def _side_by_side_s(a: Whereabouts, b: Whereabouts, shift: int) -> float:
    """Seconds for which two runners ran within 5 m of each other, `a` moved by `shift`."""
    start = max(a.first + shift, b.first)
    end = min(a.first + shift + a.x_m.size, b.first + b.x_m.size)
    if end <= start:
        return 0.0
    i = slice(start - a.first - shift, end - a.first - shift)
    j = slice(start - b.first, end - b.first)
    near = np.hypot(a.x_m[i] - b.x_m[j], a.y_m[i] - b.y_m[j]) < 5.0
    return float(np.sum(near & a.fast[i] & b.fast[j])) / WHEREABOUTS_HZ


def _half_hours_off(mine: Whereabouts, others: Sequence[Whereabouts]) -> tuple[float, float]:
    """What to add to `mine`, in half hours [s], and for how long [s] it then runs with others.

    (0, 0) where that is under three seconds, or no longer than with shifts that are no half
    hours. Where the stamps overlap the others' as they are, it must be half as long again.
    """

    def meets(shift: int) -> float:
        return sum(_side_by_side_s(mine, other, shift) for other in others)

    half = round(HALF_HOUR_S * WHEREABOUTS_HZ)
    most = round(FARTHEST_ZONE_S / HALF_HOUR_S)
    seconds = {k: meets(k * half) for k in range(-most, most + 1)}
    best = max(seconds, key=lambda k: seconds[k])
    if best == 0 or seconds[best] < 3.0:
        return 0.0, 0.0
    beside = [
        d
        for d in range(-90 * WHEREABOUTS_HZ, 90 * WHEREABOUTS_HZ + 1, 3)
        if abs(d) > 4 * WHEREABOUTS_HZ
    ]
    rival = max([meets(best * half + d) for d in beside] + [seconds[0]])
    overlap_now = any(_overlap_share(mine, other) > 0 for other in others)
    clear = seconds[best] > (1.5 if overlap_now else 1.0) * rival
    return (best * HALF_HOUR_S, seconds[best]) if clear else (0.0, 0.0)


def _shift_stamps(timed: TimedRecording, by_s: float) -> TimedRecording:
    words = (
        f"stamps were {abs(by_s) / 3600:g} h {'behind' if by_s > 0 else 'ahead of'} the "
        "session's other files, as the motion shows; corrected",
    )
    fixes, imu = timed.fixes, timed.imu
    moved = replace(timed, remarks=timed.remarks + words)
    if fixes is not None and timed.fixes_clock is not None:
        t = fixes.t_s + by_s
        clock = _shifted_clock(timed.fixes_clock, t, by_s, words)
        moved = replace(moved, fixes=replace(fixes, t_s=t), fixes_clock=clock)
    if imu is not None and timed.imu_clock is not None:
        t = imu.t_s + by_s
        clock = _shifted_clock(timed.imu_clock, t, by_s, words)
        moved = replace(moved, imu=replace(imu, t_s=t), imu_clock=clock)
    return moved


def _shifted_clock(clock: Clock, t_s: Floats, by_s: float, words: tuple[str, ...]) -> Clock:
    sd_s = STAMP_SD_S if clock.sd_s is None else clock.sd_s
    return stamps_clock(t_s, (clock.offset_s or 0.0) + by_s, (*clock.remarks, *words), sd_s)
