"""One shared clock: every stream's stamps to UTC, with standard errors.

Stamps written by a satellite receiver are UTC. A free-running counter is tied by taps, and
where there are none by motion; what nothing ties stays out, and its clock says so.

All ties of a session are one small least-squares problem. Unknown are the moments of the
taps and, for each counter, UTC at the middle of its stretch and its rate. Observed are the
spikes in every accelerometer, and for each counter what motion says; the rate has the prior
of a crystal (`CRYSTAL_PPM`). One tap thus gives an offset, and a rate no better than that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from pipeline.base import geodesy
from pipeline.base.signals import (
    Even,
    Spikes,
    low_pass,
    resample,
    robust_sd,
    sampling_rate_hz,
    spikes,
    spread_stamps,
)
from pipeline.base.values import (
    Clock,
    Estimate,
    Fixes,
    Floats,
    Imu,
    Recording,
    RecordingSpec,
    Tap,
    Track,
)
from pipeline.measure import steps

STAMP_SD_S = 0.002  # a receiver's UTC as a file has it: written to the millisecond, seldom worse
CRYSTAL_PPM = 30.0  # watch crystals are cut to 20 ppm; cold, warmth and age add as much again
MODEL_SD_S = 0.012  # what ties by motion share: no start is quite as the model has it
TAP_SD_S = 0.0015  # what the housings' ringing and the sensors' own filters leave, one unit
TAP_LEAST_MPS2 = 8.0  # a knock that counts
TAP_REACH_S = 0.015  # spikes of one tap in two units lie no farther apart
DAY_S = 24 * 3600.0
LONE_DAY_S = 12 * 3600.0  # a file farther than this from all others is of another session


# --- the whole session -------------------------------------------------------------------


def tie(
    recordings: Sequence[tuple[RecordingSpec, Recording]],
    taps: Sequence[Tap] = (),
    speed_delay: Mapping[str, Estimate] | None = None,
) -> tuple[Track, ...]:
    """Each recording as a Track on UTC, in the order given.

    `speed_delay`, by runner: how late the receiver's speed is, where known better than
    position against speed in the same file can tell; only ties by motion use it.
    """
    tracks = [_stamped(spec, recording) for spec, recording in recordings]
    tracks = _placed_in_session(tracks, taps)
    counters = {i: _counter_imu(track) for i, track in enumerate(tracks)}
    loose = {i: imu for i, imu in counters.items() if imu is not None}
    usual = _usual_delay([t.fixes for t in tracks if t.fixes is not None]) if loose else UNKNOWN
    motion = {
        i: tied
        for i, imu in loose.items()
        if (tied := _tie_by_motion(imu, tracks, tracks[i].spec.runner, speed_delay or {}, usual))
    }
    solved = _solve(loose, motion, [track.imu for track in tracks], taps)
    return tuple(_finish(track, solved.get(i)) for i, track in enumerate(tracks))


def _stamped(spec: RecordingSpec, recording: Recording) -> Track:
    """Streams tidied; those with UTC stamps in place, counters not yet."""
    fixes, dropped_fixes = tidy_fixes(recording.fixes)
    imu, dropped_imu = tidy_imu(recording.imu)
    loose = Clock("none", remarks=("its counter could not be tied to UTC",))
    fixes_utc = fixes is not None and fixes.basis == "utc"
    imu_utc = imu is not None and imu.basis == "utc" and spec.clock == "gnss"
    return Track(
        spec=spec,
        recording=recording,
        fixes=fixes if fixes_utc else None,
        fixes_clock=None if fixes is None else stamps_clock(fixes.t_s) if fixes_utc else loose,
        imu=imu if imu_utc else None,
        imu_clock=None if imu is None else stamps_clock(imu.t_s) if imu_utc else loose,
        dropped_fixes=dropped_fixes,
        dropped_imu=dropped_imu,
    )


def stamps_clock(t_s: Floats, offset_s: float = 0.0, remarks: tuple[str, ...] = ()) -> Clock:
    """The clock of a stream stamped in UTC; `t_s` are its times with `offset_s` added."""
    return Clock(
        basis="stamps",
        offset_s=offset_s,
        sd_s=STAMP_SD_S,
        ref_utc_s=float(0.5 * (t_s[0] + t_s[-1])),
        cov=((STAMP_SD_S**2, 0.0), (0.0, 0.0)),
        remarks=remarks,
    )


def tidy_fixes(fixes: Fixes | None) -> tuple[Fixes | None, int]:
    """Sorted, spread, doubles dropped; and how many were dropped."""
    if fixes is None or not fixes.t_s.size:
        return None, 0
    order, t = _tidy(fixes.t_s)
    if _as_it_is(order, fixes.t_s):
        return replace(fixes, t_s=t), 0
    columns = ("latitude_deg", "longitude_deg", "speed_mps", "altitude_m", "hdop", "satellites")
    kept = {name: getattr(fixes, name)[order] for name in columns}
    return replace(fixes, t_s=t, **kept), fixes.t_s.size - t.size


def tidy_imu(imu: Imu | None) -> tuple[Imu | None, int]:
    """Sorted, spread, doubles and samples without a value dropped; and how many were."""
    if imu is None or not imu.t_s.size:
        return None, 0
    order, t = _tidy(imu.t_s)
    whole = np.isfinite(imu.acc_mps2.sum(axis=1))[order]  # a NaN or infinity among three shows
    order, t = order[whole], t[whole]
    if not t.size:
        return None, imu.t_s.size
    if _as_it_is(order, imu.t_s):
        return replace(imu, t_s=t), 0
    gyro = imu.gyro_radps[order] if len(imu.gyro_radps) else imu.gyro_radps
    tidied = replace(imu, t_s=t, acc_mps2=imu.acc_mps2[order], gyro_radps=gyro)
    return tidied, imu.t_s.size - t.size


def _as_it_is(order: NDArray[np.intp], t_s: Floats) -> bool:
    """Whether all rows are kept, in the order of the file: then none need be copied."""
    return len(order) == len(t_s) and bool((order[:-1] < order[1:]).all())


def _tidy(t_s: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Rows to keep, in time order, and their spread times, strictly increasing.

    Receivers may write a date of decades ago before they know better: a stamp more than a
    day from the file's middle one is none.
    """
    in_order = bool((t_s[1:] >= t_s[:-1]).all())
    order = np.arange(len(t_s)) if in_order else np.argsort(t_s, kind="stable")
    order = order[np.abs(t_s[order] - t_s[order[order.size // 2]]) <= DAY_S]
    t = spread_stamps(t_s[order])
    if len(t) == len(t_s) and (t == t_s).all():
        t = t_s  # nothing to spread or to sort: one column of an hour less in memory
    keep = np.r_[True, np.diff(t) > 0]
    return (order, t) if keep.all() else (order[keep], t[keep])


# --- counters ----------------------------------------------------------------------------


class Line(NamedTuple):
    """utc = utc_s + (t - t_ref_s)(1 + rate_ppm 1e-6), with the covariance of (utc_s, rate_ppm).

    `common_sd_s` is an error all counters tied this way share (the receiver's delay).
    """

    t_ref_s: float
    utc_s: float
    rate_ppm: float
    cov: Floats
    common_sd_s: float = 0.0
    remarks: tuple[str, ...] = ()

    def utc(self, t_s: Floats) -> Floats:
        return np.asarray(self.utc_s + (t_s - self.t_ref_s) * (1 + self.rate_ppm * 1e-6))

    def clock(self, basis: str, span_s: tuple[float, float]) -> Clock:
        """As model.Clock has it: utc = zero + t / (1 + drift)."""
        slope = 1 + self.rate_ppm * 1e-6
        cov = self.cov + np.diag([self.common_sd_s**2, 0.0])
        middle = np.array([1.0, (0.5 * (span_s[0] + span_s[1]) - self.t_ref_s) * 1e-6])
        return Clock(
            basis="taps" if basis == "taps" else "motion",
            counter_zero_utc_s=self.utc_s - self.t_ref_s * slope,
            drift_ppm=(1 / slope - 1) * 1e6,
            sd_s=float(np.sqrt(middle @ cov @ middle)),
            ref_utc_s=self.utc_s,
            cov=((cov[0, 0], -cov[0, 1]), (-cov[1, 0], cov[1, 1])),
            remarks=self.remarks,
        )


class Tied(NamedTuple):
    line: Line
    basis: str


def _counter_imu(track: Track) -> Imu | None:
    return tidy_imu(track.recording.imu)[0] if track.imu is None else None


def _finish(track: Track, tied: Tied | None) -> Track:
    """The counter's streams onto UTC."""
    if tied is None:
        return track
    imu, _ = tidy_imu(track.recording.imu)
    if imu is None:
        return track
    clock = tied.line.clock(tied.basis, (imu.t_s[0], imu.t_s[-1]))
    track = replace(
        track, imu=replace(imu, t_s=tied.line.utc(imu.t_s), basis="utc"), imu_clock=clock
    )
    fixes, _ = tidy_fixes(track.recording.fixes)
    if fixes is None or fixes.basis == "utc":
        return track
    # one file, one counter: its fixes follow its accelerometer
    return replace(
        track, fixes=replace(fixes, t_s=tied.line.utc(fixes.t_s), basis="utc"), fixes_clock=clock
    )


# --- motion ------------------------------------------------------------------------------


UNKNOWN = Estimate(0.05, 0.08)  # receivers' speeds are 0 to 0.25 s late
MAKES_SD_S = 0.03  # a squad's units are mostly of one make


def _usual_delay(all_fixes: Sequence[Fixes]) -> Estimate:
    """What the session's receivers say of one whose own file does not tell its delay."""
    known = [d for fixes in all_fixes if (d := speed_behind_position_s(fixes)) is not None]
    if not known:
        return UNKNOWN
    value = np.array([d.value for d in known])
    sd = np.hypot([d.sd for d in known], MAKES_SD_S)
    weight = sd**-2.0
    mean = float(weight @ value / weight.sum())
    spread = float(weight @ (value - mean) ** 2 / weight.sum())
    return Estimate(mean, float(np.sqrt(1 / weight.sum() + spread + MAKES_SD_S**2)))


def _tie_by_motion(
    imu: Imu,
    tracks: Sequence[Track],
    runner: str,
    speed_delay: Mapping[str, Estimate],
    usual: Estimate,
) -> Line | None:
    """A counter against the speed that the same runner's receivers saw."""
    own = [t.fixes for t in tracks if t.spec.runner == runner and t.fixes is not None]
    lines = [
        line for fixes in own if (line := motion_line(imu, fixes, speed_delay.get(runner), usual))
    ]
    return min(lines, key=lambda line: float(line.cov[0, 0])) if lines else None


def motion_line(
    imu: Imu, fixes: Fixes, delay: Estimate | None = None, usual: Estimate = UNKNOWN
) -> Line | None:
    """A counter tied to UTC by one receiver's speed; None where the two do not match.

    First the course of the accelerometer's activity against that of the speed over all
    lags, which is good to about 0.2 s; then the first movement of every start against the
    moment the speed begins to rise (`steps.speed_onsets`).

    The speed may be late by the receiver's own filter. Position against speed in the same
    file tells by how much (`speed_behind_position_s`) unless `delay` does, else it is as
    `usual`; a delay that position and speed share stays in the tie.
    """
    seen = np.isfinite(fixes.speed_mps)
    fix_t, speed = fixes.t_s[seen], fixes.speed_mps[seen]
    if seen.sum() < 30:
        fix_t, speed, delay = _speed_from_places(fixes)
    if fix_t.size < 30:
        return None
    coarse = coarse_offset(imu, fix_t, speed)
    if coarse is None:
        return None
    t_ref = float(0.5 * (imu.t_s[0] + imu.t_s[-1]))
    remarks: tuple[str, ...] = ()
    if delay is None:
        delay = speed_behind_position_s(fixes)
    if delay is None:
        delay = usual
        remarks = ("tied by motion without this receiver's own delay being known",)
    starts = steps.starts(imu.t_s, imu.acc_mps2)
    moved = starts._replace(t_s=starts.t_s + coarse.value)
    pooled = steps.speed_onsets(fix_t, speed, moved, delay.value)
    if pooled is None:
        cov = np.diag([coarse.sd**2, CRYSTAL_PPM**2])
        words = (*remarks, "tied by the course of activity and speed alone, without starts")
        return Line(t_ref, t_ref + coarse.value - delay.value, 0.0, cov, delay.sd, words)
    lag, rate_ppm, cov = _line_through(
        pooled.t_s - coarse.value - t_ref, pooled.behind_s, pooled.sd_s
    )
    # what the build-up of the push leaves is common to all starts, as the delay is
    return Line(
        t_ref,
        t_ref + coarse.value + lag,
        rate_ppm,
        cov,
        float(np.hypot(delay.sd, pooled.common_sd_s)),
        remarks,
    )


def _speed_from_places(fixes: Fixes) -> tuple[Floats, Floats, Estimate]:
    """Speed of a unit that writes positions only: the way of the last half second or fix.

    A mean over the time before the stamp, so half that time late.
    """
    good = np.isfinite(fixes.latitude_deg + fixes.longitude_deg)
    t = fixes.t_s[good]
    if t.size < 30:
        return np.empty(0), np.empty(0), Estimate(0.0, 0.0)
    lat, lon = fixes.latitude_deg[good], fixes.longitude_deg[good]
    place = geodesy.to_enu(lat, lon, None, (float(np.median(lat)), float(np.median(lon)), 0.0))
    n = max(1, round(0.5 * sampling_rate_hz(t)))
    span = t[n:] - t[:-n]
    speed = np.linalg.norm(place[n:] - place[:-n], axis=1) / span
    return t[n:], speed, Estimate(float(np.median(span)) / 2, 0.02)


def _line_through(x: Floats, y: Floats, sd: Floats) -> tuple[float, float, Floats]:
    """Robust y = c + r x 1e-6 with the crystal's prior on r [ppm]; c, r and their covariance."""
    design = np.column_stack([np.ones_like(x), x * 1e-6])
    prior = np.diag([0.0, CRYSTAL_PPM**-2])
    weight = sd**-2.0
    solution = np.array([np.median(y), 0.0])
    for _ in range(30):
        r = (y - design @ solution) / sd
        w = weight / (1 + r**2 / 4)  # Student's t with four degrees of freedom
        normal = design.T @ (w[:, None] * design) * 5 / 4 + prior
        solution = np.linalg.solve(normal, design.T @ (w * y) * 5 / 4)
    r = (y - design @ solution) / sd
    spread = max(1.0, robust_sd(r)) if y.size >= 4 else 1.3
    information = design.T @ (weight[:, None] * design) / spread**2 + prior
    return float(solution[0]), float(solution[1]), np.asarray(np.linalg.inv(information), float)


def coarse_offset(imu: Imu, fix_t_s: Floats, speed_mps: Floats) -> Estimate | None:
    """UTC less counter [s] from activity against speed over all lags; None where unclear."""
    rate = 10.0
    if min(float(np.ptp(imu.t_s)), float(np.ptp(fix_t_s))) < 30 or imu.t_s.size < 600:
        return None
    activity = _activity(imu, rate)
    fixes = resample(fix_t_s, speed_mps, rate, 3.0)
    if min(activity.t_s.size, fixes.t_s.size) < 30 * rate:
        return None
    score, lag = _masked_correlation(
        np.log(0.5 + activity.x), activity.ok, np.log(0.5 + np.abs(fixes.x)), fixes.ok, 30 * rate
    )
    best = int(np.argmax(score))
    apart = np.abs(lag - lag[best]) > 5 * rate
    rival = float(score[apart].max()) if apart.any() else 0.0
    if not (score[best] > 0.5 and score[best] > rival + 0.05):
        return None
    shift = lag[best] / rate
    return Estimate(float(fixes.t_s[0] - activity.t_s[0] - shift), 0.2)


def _activity(imu: Imu, rate_hz: float) -> Even:
    """How lively the trunk is [m/s²]: rms of the fast part of the norm over about a second."""
    norm = np.linalg.norm(imu.acc_mps2, axis=1)
    even = resample(imu.t_s, norm, min(50.0, sampling_rate_hz(imu.t_s)), 0.5)
    own = sampling_rate_hz(even.t_s)
    fast = even.x - low_pass(even.x, 0.7, own)
    power = np.clip(low_pass(fast**2, 0.5, own), 0.0, None)
    return resample(even.t_s, np.sqrt(power), rate_hz, 0.5)


def _masked_correlation(
    a: Floats, a_ok: NDArray[np.bool_], b: Floats, b_ok: NDArray[np.bool_], least: float
) -> tuple[Floats, Floats]:
    """Pearson's r of a[i + lag] and b[i] over all lags, of good samples only.

    Shrunk by sqrt(n / (n + 10 least)), n the samples in common, so that a long match beats
    a short one that is a little better by chance; 0 where n < `least`.
    """
    m, k = a_ok.astype(float), b_ok.astype(float)
    a, b = (a - a[a_ok].mean()) * m, (b - b[b_ok].mean()) * k

    def over_lags(x: Floats, y: Floats) -> Floats:
        return np.asarray(signal.correlate(x, y, mode="full", method="fft"))

    n = np.maximum(over_lags(m, k), 1.0)
    sum_a, sum_b = over_lags(a, k), over_lags(m, b)
    cov = over_lags(a, b) - sum_a * sum_b / n
    var_a = over_lags(a**2, k) - sum_a**2 / n
    var_b = over_lags(m, b**2) - sum_b**2 / n
    floor = 0.02 * n  # both must move in the stretch in common
    r = cov / np.sqrt(np.maximum(var_a, floor) * np.maximum(var_b, floor))
    r = np.where(n >= least, r * np.sqrt(n / (n + 10 * least)), 0.0)
    return r, np.arange(-(b.size - 1), a.size, dtype=float)


FEW_STRETCHES = 3


def speed_behind_position_s(fixes: Fixes) -> Estimate | None:
    """How late the speed is against the positions of the same file [s].

    Over a second the way between two fixes is k times the integral of the speed, taken
    `delay` later. To first order that is way = k S + k delay dS/dt, a linear regression
    on starts and stops, repeated with the speed shifted until the rest is nil. Standard
    errors from whole stretches left out in turn (jackknife), since errors of neighbouring
    fixes go together. None with fewer than three stretches of running, or slower than 4 Hz.
    """
    good = np.isfinite(fixes.speed_mps + fixes.latitude_deg + fixes.longitude_deg)
    if good.sum() < 200 or sampling_rate_hz(fixes.t_s[good]) < 3.9:
        return None
    t, v = fixes.t_s[good], fixes.speed_mps[good]
    lat, lon = fixes.latitude_deg[good], fixes.longitude_deg[good]
    origin = (float(np.median(lat)), float(np.median(lon)), 0.0)
    place = geodesy.to_enu(lat, lon, None, origin)
    rate = sampling_rate_hz(t)
    width = max(2, round(rate))
    span = t[width:] - t[:-width]
    way = np.linalg.norm(place[width:] - place[:-width], axis=1)
    whole = np.abs(span - width / rate) < 0.3 / rate
    travelled = np.r_[0.0, np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t))]
    stretch = np.cumsum(np.r_[0, (way[1:] > 2.0) & (way[:-1] <= 2.0)])
    delay = 0.0
    for _ in range(4):
        late = np.interp(t + delay, t, travelled)
        run = late[width:] - late[:-width]
        v_late = np.interp(t + delay, t, v)
        change = v_late[width:] - v_late[:-width]
        use = whole & (run > 2.0) & (run < 14.0)
        use &= np.abs(way - run) < 4 * max(robust_sd((way - run)[use]), 0.05) + 0.2 * np.abs(change)
        if use.sum() < 60:
            return None
        design = np.column_stack([run, change])[use]
        gram = design.T @ design
        slope = np.linalg.solve(gram, design.T @ way[use])
        delay = float(np.clip(delay + slope[1] / slope[0], -0.1, 0.6))
    block = stretch[use]
    parts = np.unique(block)
    if parts.size < FEW_STRETCHES:
        return None
    # influence of each stretch: the jackknife to first order
    rest = way[use] - design @ slope
    pull = np.linalg.solve(gram, (design * rest[:, None]).T)[1]
    per_stretch = np.bincount(np.searchsorted(parts, block), weights=pull)
    sd = float(np.sqrt(np.sum(per_stretch**2) * parts.size / (parts.size - 2)) / slope[0])
    # few stretches may agree by chance
    return Estimate(delay, float(np.hypot(sd, 0.004 + 0.03 / parts.size)))


# --- taps --------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Knocks:
    """Spikes of one unit by tap: on the unit's own stamps, with weights, and its sample step."""

    by_tap: tuple[Spikes, ...]
    step_s: float


class Sight(NamedTuple):
    """A tap as one unit saw it."""

    event: int
    unit: int
    t_s: float
    sd_s: float


def find_knocks(imu: Imu, spans: Sequence[tuple[float, float]]) -> Knocks:
    """Spikes within each span of the unit's own stamps.

    A knock may come from any side: what counts is how far the acceleration as a vector
    stands off its own running median.
    """
    found = []
    for start, end in spans:
        use = (imu.t_s >= start) & (imu.t_s <= end)
        found.append(_spikes_in(imu.t_s[use], imu.acc_mps2[use]))
    return Knocks(tuple(found), 1.0 / sampling_rate_hz(imu.t_s))


def _spikes_in(t_s: Floats, acc_mps2: Floats) -> Spikes:
    if t_s.size < 8:
        none = np.empty(0)
        return Spikes(none, none, none)
    half = max(2, round(0.05 * sampling_rate_hz(t_s)))
    calm = ndimage.median_filter(acc_mps2, size=(2 * half + 1, 1), mode="nearest")
    off = np.linalg.norm(acc_mps2 - calm, axis=1)
    least = max(TAP_LEAST_MPS2, 6 * robust_sd(off))
    return spikes(t_s, off, least)


def _weight(found: Spikes) -> Floats:
    """How like a tap: high against TAP_LEAST_MPS2 and alone; footfalls come in rows."""
    return np.asarray(np.log1p(found.height / TAP_LEAST_MPS2) * np.clip(found.alone, 0.3, 3.0))


def _solve(
    counters: Mapping[int, Imu],
    motion: Mapping[int, Line],
    stamped: Sequence[Imu | None],
    taps: Sequence[Tap],
) -> dict[int, Tied]:
    """Every counter that taps or motion can tie."""
    lines = dict(motion)
    if taps and counters:
        near = [(tap.near_utc_s - tap.window_s, tap.near_utc_s + tap.window_s) for tap in taps]
        fixed = {i: find_knocks(imu, near) for i, imu in enumerate(stamped) if imu is not None}
        lines, moving = _aligned(counters, lines, fixed, near)
        sights, centres = _events(fixed, moving, lines)
        if sights:
            return _adjust(counters, motion, lines, fixed, sights, centres)
    return {i: Tied(line, "motion") for i, line in motion.items()}


def _aligned(
    counters: Mapping[int, Imu],
    lines: Mapping[int, Line],
    fixed: Mapping[int, Knocks],
    near: Sequence[tuple[float, float]],
) -> tuple[dict[int, Line], dict[int, Knocks]]:
    """Counters brought onto the common pattern of spikes, the best known first.

    The pattern is what the units with UTC stamps saw; where there are none, the counter
    that motion ties best stands in. A counter that matched joins the pattern.
    """
    pattern = [
        [(k.by_tap[j].t_s, _weight(k.by_tap[j])) for k in fixed.values()] for j in range(len(near))
    ]
    out, moving = dict(lines), {}
    order = sorted(counters, key=lambda i: _total_sd(lines[i]) if i in lines else np.inf)
    for i in order:
        imu, line = counters[i], out.get(i)
        bare = not any(t.size for tap in pattern for t, _ in tap)
        if line is None and bare:
            continue
        if line is None:
            line = _search(imu, pattern)
            if line is None:
                continue
        reach = min(3.0, 4 * _total_sd(line) + 0.15)
        spans = [
            tuple(float(x) for x in np.sort(_counter_time(line, np.array(span)))) for span in near
        ]
        knocks = find_knocks(imu, [(a - reach, b + reach) for a, b in spans])
        moving[i] = knocks
        if not bare:
            out[i] = _best_match(line, knocks, pattern, reach)
        for tap, found in zip(pattern, knocks.by_tap, strict=True):
            tap.append((out.setdefault(i, line).utc(found.t_s), _weight(found)))
    return out, moving


def _total_sd(line: Line) -> float:
    return float(np.sqrt(line.cov[0, 0] + line.common_sd_s**2))


def _counter_time(line: Line, utc_s: Floats) -> Floats:
    return np.asarray(line.t_ref_s + (utc_s - line.utc_s) / (1 + line.rate_ppm * 1e-6))


Pattern = Sequence[Sequence[tuple[Floats, Floats]]]


def _best_match(line: Line, knocks: Knocks, pattern: Pattern, reach_s: float) -> Line:
    """Offset and rate at which most spikes fall together with the pattern's."""
    step = 0.001
    grid = np.arange(-reach_s, reach_s + step, step)
    heaps = [
        _coincidences(line.utc(found.t_s), _weight(found), tap, grid, step)
        for found, tap in zip(knocks.by_tap, pattern, strict=True)
    ]
    when = np.array([np.mean(f.t_s) if f.t_s.size else np.nan for f in knocks.by_tap], dtype=float)
    lever = np.where(np.isfinite(when), when - line.t_ref_s, 0.0)
    sd_ppm = float(np.sqrt(max(line.cov[1, 1], 1.0)))
    rates = np.arange(-3.0, 3.01, 0.1) * sd_ppm
    score = np.zeros((rates.size, grid.size))
    for heap, arm in zip(heaps, lever, strict=True):
        shift = grid[None, :] + rates[:, None] * arm * 1e-6
        score += np.interp(shift, grid, heap, left=0.0, right=0.0)
    if score.max() <= 0:
        return line
    sd = _total_sd(line)
    score -= 0.5 * (rates[:, None] / sd_ppm) ** 2 * 0.2 + 0.5 * (grid[None, :] / sd) ** 2 * 0.2
    r, g = np.unravel_index(int(np.argmax(score)), score.shape)
    return line._replace(utc_s=line.utc_s + grid[g], rate_ppm=line.rate_ppm + rates[r])


def _coincidences(
    t_s: Floats, weight: Floats, tap: Sequence[tuple[Floats, Floats]], grid: Floats, step: float
) -> Floats:
    """Over shifts on `grid`: how much of the tap's pattern the shifted spikes meet."""
    heap = np.zeros(grid.size)
    for other, other_weight in tap:
        if not (t_s.size and other.size):
            continue
        apart = (other[None, :] - t_s[:, None]).ravel()
        both = np.sqrt(weight[:, None] * other_weight[None, :]).ravel()
        at = np.round((apart - grid[0]) / step).astype(int)
        inside = (at >= 0) & (at < grid.size)
        heap += np.bincount(at[inside], weights=both[inside], minlength=grid.size)
    return np.asarray(ndimage.gaussian_filter1d(heap, 0.005 / step) * 0.0125 / step)


def _search(imu: Imu, pattern: Pattern) -> Line | None:
    """Where on a counter nothing else places do the taps lie? None where not clear.

    All spikes of the file against the pattern: with two taps or more their distance tells;
    one tap alone only where the file holds one spike that stands out.
    """
    found = _spikes_in(imu.t_s, imu.acc_mps2)
    pick = np.sort(np.argsort(-_weight(found))[:300])
    found = Spikes(found.t_s[pick], found.height[pick], found.alone[pick])
    known = [
        (np.concatenate([t for t, _ in tap]), np.concatenate([w for _, w in tap]))
        for tap in pattern
        if any(t.size for t, _ in tap)
    ]
    if not found.t_s.size or not known:
        return None
    weight = _weight(found)
    offsets = np.unique(
        np.round(np.concatenate([(t[None, :] - found.t_s[:, None]).ravel() for t, _ in known]), 2)
    )
    score = np.zeros(offsets.size)
    slack = 0.05 + 2e-6 * CRYSTAL_PPM * (imu.t_s[-1] - imu.t_s[0]) / 2
    for t, w in known:
        want = t[None, :] - offsets[:, None]
        at = np.clip(np.searchsorted(found.t_s, want), 1, max(found.t_s.size - 1, 1))
        at = np.minimum(at, found.t_s.size - 1)
        left = np.abs(found.t_s[at - 1] - want) < np.abs(found.t_s[at] - want)
        near = np.where(left, at - 1, at)
        hit = np.abs(found.t_s[near] - want) < slack
        score += np.max(np.where(hit, np.sqrt(weight[near] * w[None, :]), 0.0), axis=1)
    best = int(np.argmax(score))
    rival = score[np.abs(offsets - offsets[best]) > 2 * slack]
    if rival.size and rival.max() > 0.75 * score[best]:
        return None
    t_ref = float(0.5 * (imu.t_s[0] + imu.t_s[-1]))
    cov = np.diag([slack**2, CRYSTAL_PPM**2])
    return Line(t_ref, t_ref + float(offsets[best]), 0.0, cov)


def _events(
    fixed: Mapping[int, Knocks], moving: Mapping[int, Knocks], lines: Mapping[int, Line]
) -> tuple[list[Sight], list[float]]:
    """Taps as moments that at least two units saw within TAP_REACH_S; up to three a window.

    A second moment of the same window (a double knock) counts where as many units saw it.
    """
    sights: list[Sight] = []
    centres: list[float] = []
    units = {**fixed, **moving}
    count = len(next(iter(units.values())).by_tap) if units else 0
    for j in range(count):
        rows = [
            (unit, t, utc, w, knocks.step_s)
            for unit, knocks in units.items()
            for t, utc, w in zip(
                knocks.by_tap[j].t_s,
                lines[unit].utc(knocks.by_tap[j].t_s) if unit in moving else knocks.by_tap[j].t_s,
                _weight(knocks.by_tap[j]),
                strict=True,
            )
        ]
        most = 0
        for _ in range(3):
            group = _largest_group(rows)
            if len(group) < 2 or len(group) < most:
                break
            most = max(most, len(group))
            event = len(centres)
            centre = float(np.median([row[2] for row in group]))
            centres.append(centre)
            sights += [
                Sight(event, row[0], row[1], float(np.hypot(0.25 * row[4], TAP_SD_S)))
                for row in group
            ]
            rows = [row for row in rows if abs(row[2] - centre) > 0.06]
    return sights, centres


Row = tuple[int, float, float, float, float]


def _largest_group(rows: Sequence[Row]) -> list[Row]:
    """Spikes of the most units, one a unit, within TAP_REACH_S of one of them."""
    best: list[Row] = []
    for seed in rows:  # spikes in a tap's window: a dozen or two
        near: dict[int, Row] = {}
        for row in rows:
            if abs(row[2] - seed[2]) <= TAP_REACH_S and (
                row[0] not in near or abs(row[2] - seed[2]) < abs(near[row[0]][2] - seed[2])
            ):
                near[row[0]] = row
        group = list(near.values())
        if (len(group), sum(r[3] for r in group)) > (len(best), sum(r[3] for r in best)):
            best = group
    return best


def _adjust(
    counters: Mapping[int, Imu],
    motion: Mapping[int, Line],
    lines: Mapping[int, Line],
    fixed: Mapping[int, Knocks],
    sights: Sequence[Sight],
    centres: Sequence[float],
) -> dict[int, Tied]:
    """Robust least squares of taps and counters together.

    Unknown: a shift of each tap from its centre; of each counter, a shift and a rate from
    its line. A group of counters that no UTC accelerometer ties hangs on its motion ties.
    """
    units = sorted({s.unit for s in sights} - set(fixed))
    anchored = _reaches_utc(sights, set(fixed), set(motion))
    n_events = len(centres)
    column = {unit: n_events + 2 * k for k, unit in enumerate(units)}
    size = n_events + 2 * len(units)
    rows, y, sd = [], [], []
    for s in sights:
        row = np.zeros(size)
        row[s.event] = 1.0
        utc = s.t_s
        if s.unit in column:
            line = lines[s.unit]
            utc = float(line.utc(np.array(s.t_s)))
            row[column[s.unit]] = -1.0
            row[column[s.unit] + 1] = -(s.t_s - line.t_ref_s) * 1e-6
        rows.append(row)
        y.append(utc - centres[s.event])
        sd.append(s.sd_s)
    prior, pull = np.zeros((size, size)), np.zeros(size)
    for unit in units:
        at, line = column[unit], lines[unit]
        prior[at + 1, at + 1] += CRYSTAL_PPM**-2
        pull[at + 1] += -line.rate_ppm * CRYSTAL_PPM**-2
        if unit in motion:
            m = motion[unit]
            # the crystal's prior is in the motion tie already
            full = m.cov + np.diag([m.common_sd_s**2, 0.0])
            information = np.linalg.inv(full) - np.diag([0.0, CRYSTAL_PPM**-2])
            block = slice(at, at + 2)
            off = np.array([m.utc_s - line.utc_s, m.rate_ppm - line.rate_ppm])
            prior[block, block] += information
            pull[block] += information @ off
        else:
            prior[at, at] += 1e-6  # keeps a counter that hangs on nothing solvable
    design, observed, sigma = np.array(rows), np.array(y), np.array(sd)
    solution, cov = _robust(design, observed, sigma, prior, pull)
    utc_free = not fixed
    out: dict[int, Tied] = {}
    for unit in counters:
        if unit in column and unit in anchored:
            at, line = column[unit], lines[unit]
            from_utc = anchored[unit] == "utc"
            words: tuple[str, ...] = ()
            common = 0.0
            if not from_utc:
                common = MODEL_SD_S
                words = ("taps tie the counters to each other, UTC comes from motion",)
            out[unit] = Tied(
                Line(
                    line.t_ref_s,
                    line.utc_s + float(solution[at]),
                    line.rate_ppm + float(solution[at + 1]),
                    cov[at : at + 2, at : at + 2],
                    common,
                    words,
                ),
                "taps",
            )
        elif unit in motion:
            words = () if utc_free else ("no tap found in it",)
            kept = motion[unit]
            out[unit] = Tied(kept._replace(remarks=kept.remarks + words), "motion")
    return out


def _robust(
    design: Floats, y: Floats, sd: Floats, prior: Floats, pull: Floats
) -> tuple[Floats, Floats]:
    """Student-t least squares with a Gaussian prior; solution and covariance.

    The scale of the residuals is estimated with the nominal one counting as eight more.
    """
    weight = np.ones(y.size)
    for _ in range(20):
        w = weight / sd**2
        normal = design.T @ (w[:, None] * design) + prior
        solution = np.linalg.solve(normal, design.T @ (w * y) + pull)
        r = (y - design @ solution) / sd
        weight = 5.0 / (4.0 + r**2)
    free = max(0.0, y.size - design.shape[1])
    scale2 = (8.0 + float(np.sum(weight * r**2))) / (8.0 + free)
    normal = design.T @ ((weight / sd**2 / scale2)[:, None] * design) + prior
    return np.asarray(solution, float), np.asarray(np.linalg.inv(normal), float)


def _reaches_utc(sights: Sequence[Sight], stamped: set[int], moved: set[int]) -> dict[int, str]:
    """For each unit what ties it through shared taps: "utc", "motion", or absent."""
    group: dict[int, int] = {}
    for s in sights:
        group.setdefault(s.unit, s.unit)
    by_event: dict[int, list[int]] = {}
    for s in sights:
        by_event.setdefault(s.event, []).append(s.unit)
    for units in by_event.values():
        names = {group[u] for u in units}
        lowest = min(names)
        group = {u: lowest if g in names else g for u, g in group.items()}
    utc = {group[u] for u in group if u in stamped}
    motion = {group[u] for u in group if u in moved}
    return {u: "utc" if g in utc else "motion" for u, g in group.items() if g in utc or g in motion}


# --- stamps that are off -------------------------------------------------------------------


HALF_HOUR_S = 1800.0
FARTHEST_ZONE_S = 14 * 3600.0


def _placed_in_session(tracks: Sequence[Track], taps: Sequence[Tap]) -> list[Track]:
    """Stamps whole or half hours off set right where motion is clear; other days left out."""
    kept = _of_one_day(tracks, taps)
    for _ in range(len(kept)):
        shift = _clearest_shift(kept, taps)
        if shift is None:
            break
        i, seconds = shift
        kept[i] = _shifted(kept[i], seconds)
    spans = [_span(track) for track in kept]
    return [
        replace(track, remarks=(*track.remarks, ALONE)) if _alone(i, spans) else track
        for i, track in enumerate(kept)
    ]


ALONE = "its stamps lie outside those of all other files; perhaps its clock is off"


def _alone(i: int, spans: Sequence[tuple[float, float] | None]) -> bool:
    """Whether a file overlaps no other though others overlap each other."""

    def meet(a: int, b: int) -> bool:
        x, y = spans[a], spans[b]
        return x is not None and y is not None and x[0] < y[1] and y[0] < x[1]

    others = [j for j in range(len(spans)) if j != i and spans[j] is not None]
    if spans[i] is None or any(meet(i, j) for j in others):
        return False
    return any(meet(j, k) for j in others for k in others if j < k)


def _span(track: Track) -> tuple[float, float] | None:
    """First and last UTC stamp of what has UTC stamps."""
    t = [s.t_s for s in (track.fixes, track.imu) if s is not None]
    return (min(float(x[0]) for x in t), max(float(x[-1]) for x in t)) if t else None


def _of_one_day(tracks: Sequence[Track], taps: Sequence[Tap]) -> list[Track]:
    """Files more than half a day from the session's main body lose their streams.

    The main body is the largest cluster, or of equal ones that with the taps; where
    nothing decides, all stay.
    """
    spans = {i: span for i, track in enumerate(tracks) if (span := _span(track)) is not None}
    clusters: list[list[int]] = []
    latest = -np.inf
    for i in sorted(spans, key=lambda i: spans[i]):
        if not clusters or spans[i][0] - latest > LONE_DAY_S:
            clusters.append([])
            latest = -np.inf
        clusters[-1].append(i)
        latest = max(latest, spans[i][1])
    if len(clusters) < 2:
        return list(tracks)

    def rank(cluster: list[int]) -> tuple[int, int]:
        inside = sum(any(_near(spans[i], tap) for i in cluster) for tap in taps)
        return len(cluster), inside

    order = sorted(clusters, key=rank)
    if rank(order[-1]) == rank(order[-2]):
        return list(tracks)
    strange = {i for cluster in order[:-1] for i in cluster}
    first = min(spans[i][0] for i in order[-1])
    return [_left_out(t, spans[i][0] - first) if i in strange else t for i, t in enumerate(tracks)]


def _near(span: tuple[float, float], tap: Tap) -> bool:
    return span[0] - tap.window_s <= tap.near_utc_s <= span[1] + tap.window_s


def _left_out(track: Track, off_s: float) -> Track:
    words = (
        f"stamps lie {abs(off_s) / 86400:.1f} days {'after' if off_s > 0 else 'before'} the "
        "session's other files; left out",
    )
    clock = Clock("none", remarks=words)
    return replace(
        track,
        fixes=None,
        imu=None,
        fixes_clock=clock if track.fixes is not None else track.fixes_clock,
        imu_clock=clock if track.imu is not None else track.imu_clock,
        remarks=track.remarks + words,
    )


def _clearest_shift(tracks: Sequence[Track], taps: Sequence[Tap]) -> tuple[int, float] | None:
    """The file that most clearly is a number of half hours off the others, and the cure [s].

    In a takeover two runners are within a few metres of each other at full speed, which
    hardly happens by chance. With two files each is off the other: then the one in which
    the taps cannot lie is taken to be wrong, and none where that does not decide.
    """
    fixes = {i: t.fixes for i, t in enumerate(tracks) if t.fixes is not None}
    origin = _somewhere(list(fixes.values()))
    if origin is None:
        return None
    courses = {i: c for i, f in fixes.items() if (c := _course(f, origin)) is not None}
    found = []
    for i, course in courses.items():
        others = [c for j, c in courses.items() if tracks[j].spec.runner != tracks[i].spec.runner]
        if not others or (len(courses) == 2 and not _taps_decide(course, others[0], taps)):
            continue
        shift, seconds = _half_hours_off(course, others)
        if shift:
            # of two that disagree the one that lies apart from the rest is wrong
            company = float(np.mean([_shared(course, other) for other in others]))
            found.append((company, -seconds, i, shift))
    if not found:
        return None
    _, _, i, shift = min(found)
    return i, shift


def _shared(a: Course, b: Course) -> float:
    """Part of the shorter of two courses that lies within the other's time."""
    both = min(a.first + a.x_m.size, b.first + b.x_m.size) - max(a.first, b.first)
    return max(0, both) / min(a.x_m.size, b.x_m.size)


def _taps_decide(course: Course, other: Course, taps: Sequence[Tap]) -> bool:
    def holds(c: Course) -> bool:
        span = (c.first / GRID_HZ, (c.first + c.x_m.size) / GRID_HZ)
        return all(_near(span, tap) for tap in taps)

    return bool(taps) and holds(other) and not holds(course)


GRID_HZ = 2


class Course(NamedTuple):
    """Where a runner was and whether running, from index `first` of a grid all share."""

    first: int
    x_m: Floats
    y_m: Floats
    fast: NDArray[np.bool_]


def _somewhere(all_fixes: Sequence[Fixes]) -> geodesy.Origin | None:
    """A place in the middle of the session."""
    lat = [float(np.nanmedian(f.latitude_deg)) for f in all_fixes if _has_places(f)]
    lon = [float(np.nanmedian(f.longitude_deg)) for f in all_fixes if _has_places(f)]
    return (float(np.median(lat)), float(np.median(lon)), 0.0) if lat else None


def _has_places(fixes: Fixes) -> bool:
    return int(np.isfinite(fixes.latitude_deg + fixes.longitude_deg).sum()) >= 60


def _course(fixes: Fixes, origin: geodesy.Origin) -> Course | None:
    if not _has_places(fixes):
        return None
    good = np.isfinite(fixes.latitude_deg + fixes.longitude_deg)
    t = fixes.t_s[good]
    place = geodesy.to_enu(fixes.latitude_deg[good], fixes.longitude_deg[good], None, origin)
    even = resample(t, place, 2.0 * GRID_HZ, 3.0)
    first = int(np.ceil(even.t_s[0] * GRID_HZ))
    grid = np.arange(first, int(even.t_s[-1] * GRID_HZ)) / GRID_HZ
    if grid.size < 60:
        return None
    x, y = (np.interp(grid, even.t_s, even.x[:, k]) for k in range(2))
    ok = np.interp(grid, even.t_s, even.ok.astype(float)) > 0.99
    speed = np.hypot(np.gradient(x), np.gradient(y)) * GRID_HZ
    return Course(first, x, y, ok & (speed > 4.0) & (speed < 13.0))


def _together_s(a: Course, b: Course, shift: int) -> float:
    """Seconds for which two runners ran within 5 m of each other, `a` moved by `shift`."""
    start = max(a.first + shift, b.first)
    end = min(a.first + shift + a.x_m.size, b.first + b.x_m.size)
    if end <= start:
        return 0.0
    i = slice(start - a.first - shift, end - a.first - shift)
    j = slice(start - b.first, end - b.first)
    near = np.hypot(a.x_m[i] - b.x_m[j], a.y_m[i] - b.y_m[j]) < 5.0
    return float(np.sum(near & a.fast[i] & b.fast[j])) / GRID_HZ


def _half_hours_off(course: Course, others: Sequence[Course]) -> tuple[float, float]:
    """Half hours to add to `course` [s], and for how long it then runs with others.

    (0, 0) where that is under three seconds, or no longer than with shifts that are no half
    hours; where the stamps as they are overlap with others', half as long again.
    """

    def meets(shift: int) -> float:
        return sum(_together_s(course, other, shift) for other in others)

    half = round(HALF_HOUR_S * GRID_HZ)
    most = round(FARTHEST_ZONE_S / HALF_HOUR_S)
    seconds = {k: meets(k * half) for k in range(-most, most + 1)}
    best = max(seconds, key=lambda k: seconds[k])
    if best == 0 or seconds[best] < 3.0:
        return 0.0, 0.0
    beside = [d for d in range(-90 * GRID_HZ, 90 * GRID_HZ + 1, 3) if abs(d) > 4 * GRID_HZ]
    rival = max([meets(best * half + d) for d in beside] + [seconds[0]])
    overlap_now = any(_shared(course, other) > 0 for other in others)
    clear = seconds[best] > (1.5 if overlap_now else 1.0) * rival
    return (best * HALF_HOUR_S, seconds[best]) if clear else (0.0, 0.0)


def _shifted(track: Track, by_s: float) -> Track:
    words = (
        f"stamps were {abs(by_s) / 3600:g} h {'behind' if by_s > 0 else 'ahead of'} the "
        "session's other files, as the motion shows; corrected",
    )
    fixes, imu = track.fixes, track.imu
    moved = replace(track, remarks=track.remarks + words)
    if fixes is not None and track.fixes_clock is not None:
        t = fixes.t_s + by_s
        clock = stamps_clock(t, (track.fixes_clock.offset_s or 0.0) + by_s, words)
        moved = replace(moved, fixes=replace(fixes, t_s=t), fixes_clock=clock)
    if imu is not None and track.imu_clock is not None:
        t = imu.t_s + by_s
        clock = stamps_clock(t, (track.imu_clock.offset_s or 0.0) + by_s, words)
        moved = replace(moved, imu=replace(imu, t_s=t), imu_clock=clock)
    return moved
