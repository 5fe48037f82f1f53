"""Stamps that are off: other days left out, half hours set right where motion is clear."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from itertools import combinations
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
CLEAR_VOTES = 0.5  # by which files that contradict each other must differ for one to be corrected
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
    shifts, undecided = _find_shifts(kept, taps)
    kept = [_shift_stamps(t, shifts[i]) if shifts.get(i) else t for i, t in enumerate(kept)]
    kept = [
        replace(t, remarks=(*t.remarks, undecided[i])) if i in undecided else t
        for i, t in enumerate(kept)
    ]
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


def _find_shifts(
    recordings: Sequence[TimedRecording], taps: Sequence[Tap]
) -> tuple[dict[int, float], dict[int, str]]:
    """What to add [s] to the stamps of the files that are some half hours off the others, and
    remarks on files that contradict each other where nothing decides which is off.

    In a takeover two runners are within a few metres of each other at full speed, which
    hardly happens by chance. Files that agree about this, or would if one were moved, are joined
    into groups, the clearest first. Only then is asked who is wrong: see `_count_votes`.
    """
    fixes = {i: t.fixes for i, t in enumerate(recordings) if t.fixes is not None}
    origin = _middle_of_session(list(fixes.values()))
    if origin is None:
        return {}, {}
    places = {i: c for i, f in fixes.items() if (c := _whereabouts(f, origin)) is not None}
    runners = {i: recordings[i].spec.runner for i in places}
    half = round(HALF_HOUR_S * WHEREABOUTS_HZ)
    shifts: dict[int, float] = {}
    undecided: dict[int, str] = {}
    for group in _join_files(places, runners):
        labels = sorted(set(group.values()), key=abs)
        if len(labels) < 2:
            continue
        outside = [place for i, place in places.items() if i not in group]

        votes = sorted((_count_votes(group, k, places, runners, outside, taps), k) for k in labels)
        if votes[-1][0] - votes[-2][0] < CLEAR_VOTES:
            hours = abs(votes[-1][1] - votes[-2][1]) * HALF_HOUR_S / 3600
            undecided |= dict.fromkeys(
                group,
                f"stamps lie {hours:g} h from those of another file, as the motion shows; which "
                "of them is right is not known: nothing was corrected",
            )
            continue
        right = votes[-1][1]
        shifts |= {i: (k - right) * half / WHEREABOUTS_HZ for i, k in group.items()}
    return shifts, undecided


def _count_votes(
    group: Mapping[int, int],
    label: int,
    places: Mapping[int, Whereabouts],
    runners: Mapping[int, str],
    outside: Sequence[Whereabouts],
    taps: Sequence[Tap],
) -> float:
    """What speaks for the stamps of the files with one label: a vote for each of their runners, for
    each file outside the group as far as it lies in their time, and for taps that all can hold."""
    own = [i for i, k in group.items() if k == label]
    company = [_overlap_share(places[i], other) for i in own for other in outside]
    held = all(_holds(places[i], tap) for i in own for tap in taps)
    return len({runners[i] for i in own}) + sum(company) / len(own) + (bool(taps) and held)


def _holds(place: Whereabouts, tap: Tap) -> bool:
    span = (place.first / WHEREABOUTS_HZ, (place.first + place.x_m.size) / WHEREABOUTS_HZ)
    return _holds_tap(span, tap)


def _join_files(
    places: Mapping[int, Whereabouts], runners: Mapping[int, str]
) -> list[dict[int, int]]:
    """Groups of files with the half hours by which each has to be moved to agree with its group's
    first. The two groups that run side by side longest are joined, and again; as they are first,
    since most stamps are right and a little may meet by chance under some shift."""
    side_by_side = cache(lambda i, j, shift: _side_by_side_s(places[i], places[j], shift))
    overlaps = cache(lambda i, j: _overlap_share(places[i], places[j]))
    half = round(HALF_HOUR_S * WHEREABOUTS_HZ)

    def tie(a: Mapping[int, int], b: Mapping[int, int]) -> tuple[float, int]:
        """For how long [s] they ran side by side, and the half hours to add to all of `b`."""
        pairs = [(i, j) for i in a for j in b if runners[i] != runners[j]]

        def meets(shift: int) -> float:
            return sum(side_by_side(j, i, (b[j] - a[i]) * half + shift) for i, j in pairs)

        return _half_hours_apart(meets, any(overlaps(i, j) > 0 for i, j in pairs))

    groups: list[dict[int, int]] = [{i: 0} for i in sorted(places)]
    ties = {(x, y): tie(groups[x], groups[y]) for x, y in combinations(range(len(groups)), 2)}
    alive = set(range(len(groups)))
    while any(seconds > 0 for seconds, _ in ties.values()):
        (x, y), (_, k) = max(ties.items(), key=lambda one: _tie_rank(*one[1]))
        groups[x] |= {i: label + k for i, label in groups[y].items()}
        alive.remove(y)
        ties = {pair: own for pair, own in ties.items() if not {x, y} & {*pair}}
        ties |= {
            (min(x, z), max(x, z)): tie(groups[min(x, z)], groups[max(x, z)]) for z in alive - {x}
        }
    return [groups[x] for x in sorted(alive)]


def _overlap_share(a: Whereabouts, b: Whereabouts) -> float:
    """The part of the shorter of two stretches of time that lies within the other."""
    both = min(a.first + a.x_m.size, b.first + b.x_m.size) - max(a.first, b.first)
    return max(0, both) / min(a.x_m.size, b.x_m.size)


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


def _tie_rank(seconds: float, half_hours: int) -> tuple[bool, float]:
    return seconds > 0 and half_hours == 0, seconds


def _half_hours_apart(meets: Callable[[int], float], overlap_now: bool) -> tuple[float, int]:
    """For how long [s] two groups of files ran side by side, and by how many half hours apart.

    `meets` tells how long they do under a shift. (0, 0) where that is under three seconds, or no
    longer than with shifts that are no half hours. Where the stamps overlap as they are, a shift
    must give half as long again.
    """
    half = round(HALF_HOUR_S * WHEREABOUTS_HZ)
    most = round(FARTHEST_ZONE_S / HALF_HOUR_S)
    seconds = {k: meets(k * half) for k in range(-most, most + 1)}
    best = max(seconds, key=lambda k: (seconds[k], -abs(k)))
    if seconds[best] < 3.0:
        return 0.0, 0
    if best == 0:
        return seconds[0], 0
    beside = [
        d
        for d in range(-90 * WHEREABOUTS_HZ, 90 * WHEREABOUTS_HZ + 1, 3)
        if abs(d) > 4 * WHEREABOUTS_HZ
    ]
    rival = max([meets(best * half + d) for d in beside] + [seconds[0]])
    clear = seconds[best] > (1.5 if overlap_now else 1.0) * rival
    if clear:
        return seconds[best], best
    return (seconds[0], 0) if seconds[0] >= 3.0 else (0.0, 0)


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
