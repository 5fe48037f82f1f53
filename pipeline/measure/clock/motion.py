"""A counter tied to UTC by motion: the accelerometer's starts against the receiver's speed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import signal
from scipy.integrate import cumulative_trapezoid

from pipeline.base import geodesy
from pipeline.base.signals import Bools, Even, low_pass, resample, robust_sd, sampling_rate_hz
from pipeline.base.values import Estimate, Fixes, Floats, Imu
from pipeline.measure import steps
from pipeline.measure.clock.counter import CRYSTAL_PPM, CounterFit

UNKNOWN_DELAY_S = Estimate(0.05, 0.08)  # receivers' speeds are 0 to 0.25 s late
MAKES_SD_S = 0.03  # a squad's units are mostly of one make
FEW_STRETCHES = 3


def usual_delay(all_fixes: Sequence[Fixes]) -> Estimate:
    """The delay of the speed [s] to expect of a receiver whose own file does not tell it.

    The mean of what the session's other files tell, with their spread; UNKNOWN_DELAY_S where
    none of them does.
    """
    known = [d for fixes in all_fixes if (d := speed_behind_position_s(fixes)) is not None]
    if not known:
        return UNKNOWN_DELAY_S
    value = np.array([d.value for d in known])
    sd = np.hypot([d.sd for d in known], MAKES_SD_S)
    weight = sd**-2.0
    mean = float(weight @ value / weight.sum())
    spread = float(weight @ (value - mean) ** 2 / weight.sum())
    return Estimate(mean, float(np.sqrt(1 / weight.sum() + spread + MAKES_SD_S**2)))


def tie_by_motion(
    imu: Imu, all_fixes: Sequence[Fixes], delay: Estimate | None, usual: Estimate
) -> CounterFit | None:
    """The best tie of a counter to the fixes that the same runner's receivers gave.

    `delay` and `usual` as in `tie_to_speed`. None where none of them matches.
    """
    fits = [fit for fixes in all_fixes if (fit := tie_to_speed(imu, fixes, delay, usual))]
    return min(fits, key=lambda fit: float(fit.cov[0, 0])) if fits else None


def tie_to_speed(
    imu: Imu, fixes: Fixes, delay: Estimate | None = None, usual: Estimate = UNKNOWN_DELAY_S
) -> CounterFit | None:
    """Tie a counter to UTC by one receiver's speed; None where the two do not match.

    The course of the accelerometer's activity is first compared with that of the speed over
    all lags, which is good to about 0.2 s. Then the first movement of every start is compared
    with the moment the speed begins to rise (`steps.speed_onsets`).

    The speed may be late by the receiver's own filter. By how much [s], `delay` says; where it
    is None, position against speed in the same file tells (`speed_behind_position_s`), and
    where that tells nothing it is `usual`. A delay that position and speed share stays in the
    tie.
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
        return CounterFit(t_ref, t_ref + coarse.value - delay.value, 0.0, cov, delay.sd, words)
    lag, rate_ppm, cov = _robust_line(
        pooled.t_s - coarse.value - t_ref, pooled.behind_s, pooled.sd_s
    )
    # What the build-up of the push leaves open is common to all starts, as the delay is.
    return CounterFit(
        t_ref,
        t_ref + coarse.value + lag,
        rate_ppm,
        cov,
        float(np.hypot(delay.sd, pooled.common_sd_s)),
        remarks,
    )


def _speed_from_places(fixes: Fixes) -> tuple[Floats, Floats, Estimate]:
    """The speed of a unit that writes positions only: times (n,), m/s (n,), and its delay [s].

    It is the way of the last half second, or since the last fix, over the time taken: a mean
    over the time before the stamp, and so late by half of it.
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


def _robust_line(x: Floats, y: Floats, sd: Floats) -> tuple[float, float, Floats]:
    """Fit y = c + r x 1e-6 robustly, with the crystal's prior on r: c [s], r [ppm], and their
    covariance (2, 2).

    `x` (n,) moments [s], `y` (n,) lags [s] with standard errors `sd` (n,). Student's t with
    four degrees of freedom, iteratively reweighted [1].

    [1] K. L. Lange, R. J. A. Little, J. M. G. Taylor, Journal of the American Statistical
        Association 84 (1989), robust statistical modeling using the t distribution.
    """
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
    """UTC less counter [s], good to 0.2 s, from activity against speed over all lags.

    None where no lag is clearly the best, or where either lasts under half a minute.
    """
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
    """How lively the trunk is [m/s²]: the root mean square, over about a second, of the fast part
    of the specific force."""
    norm = np.linalg.norm(imu.acc_mps2, axis=1)
    even = resample(imu.t_s, norm, min(50.0, sampling_rate_hz(imu.t_s)), 0.5)
    own = sampling_rate_hz(even.t_s)
    fast = even.x - low_pass(even.x, 0.7, own)
    power = np.clip(low_pass(fast**2, 0.5, own), 0.0, None)
    return resample(even.t_s, np.sqrt(power), rate_hz, 0.5)


def _masked_correlation(
    a: Floats, a_ok: Bools, b: Floats, b_ok: Bools, least: float
) -> tuple[Floats, Floats]:
    """Pearson's r of a[i + lag] and b[i] for all lags, from good samples only: r and lags.

    It is shrunk by sqrt(n / (n + 10 least)), where n counts the samples in common, so that a
    long match beats a short one that is a little better by chance. It is 0 where n < `least`.
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


def speed_behind_position_s(fixes: Fixes) -> Estimate | None:
    """How late the speed is against the positions of the same file [s].

    Over a second the way between two fixes is k times the integral S of the speed, taken
    `delay` later. To first order that is way = k S + k delay dS/dt: a linear regression on
    starts and stops, repeated with the speed shifted until nothing is left. The standard error
    comes from leaving out whole stretches in turn, the jackknife [1] to first order, since
    errors of neighbouring fixes go together. The delay is kept between -0.1 s and 0.6 s. None
    with fewer than three stretches of running, or with fixes slower than 4 Hz.

    [1] B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans (1982).
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
    travelled = cumulative_trapezoid(v, t, initial=0.0)
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
    # The influence of each stretch: the jackknife to first order.
    rest = way[use] - design @ slope
    pull = np.linalg.solve(gram, (design * rest[:, None]).T)[1]
    per_stretch = np.bincount(np.searchsorted(parts, block), weights=pull)
    sd = float(np.sqrt(np.sum(per_stretch**2) * parts.size / (parts.size - 2)) / slope[0])
    # Few stretches may agree by chance.
    return Estimate(delay, float(np.hypot(sd, 0.004 + 0.03 / parts.size)))
