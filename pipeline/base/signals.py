"""Plain functions on arrays: stamps, filters, crossings, spikes. Nothing here knows of runners.

Times are in seconds and strictly increasing, unless a function says otherwise.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from pipeline.base.values import Floats, Ints

Bools = NDArray[np.bool_]
RATE_DIGITS = 5  # of a cutoff in units of the sampling rate


def spread_stamps(t_s: Floats) -> Floats:
    """Spread whole-second stamps (n,), non-decreasing [s], evenly where several share a second.

    A unit that logs k fixes a second but writes whole seconds cuts the fraction off. Receivers
    place their epochs on the whole second and its k-th parts, so the fixes of a full second T lie
    at T, T + 1/k, ... The seconds at the two ends of a stretch are not full: the first is filled
    from its end, the last from its beginning. A second in the middle with one fix missing is
    spread evenly; the error is at most half a fix's interval, since we cannot know which one is
    missing. Gaps of whole seconds stay. Stamps that carry fractions, or come once a second, are
    given back as they are (doubles included).
    """
    t = np.array(t_s, dtype=float)
    if t.size < 3 or np.any(t != np.floor(t)):
        return t
    second, first, count = np.unique(t, return_index=True, return_counts=True)
    starts = np.r_[True, np.diff(second) > 1]
    ends = np.r_[np.diff(second) > 1, True]
    inner = ~starts & ~ends
    typical = count[inner] if inner.any() else count.max(keepdims=True)
    rate = float(np.median(typical))
    if rate < 2:
        return t
    mean = float(np.mean(typical))
    uneven = typical.size >= 4 and np.mean(typical == rate) < 0.8
    if uneven and np.all(np.abs(typical - mean) <= 1):
        spread = _spread_fractional(t, second, first, count, starts, mean)
        # no line of that rate has these whole seconds where a stretch is too uneven for it
        if np.all(np.abs(spread - t) <= 1.0) and np.all(np.diff(spread) >= 0.0):
            return spread
    group = np.repeat(np.arange(second.size), count)
    place = np.arange(t.size) - first[group]
    slots = np.where((starts | ends) & (count < rate), rate, count)
    lead = np.where(starts & ~ends, slots - count, 0)
    return t + (place + lead[group] + 0.5) / slots[group] - 0.5 / rate


def _spread_fractional(
    t: Floats,
    second: Floats,
    first: Ints,
    count: Ints,
    starts: Bools,
    rate_hz: float,
) -> Floats:
    """Spread stamps evenly at a rate such as 12.5 Hz, on one line a stretch without gaps.

    Of all lines whose whole seconds are the stamps we take the earliest. One fix of the stretch
    then lies on a whole second, where receivers place their epochs.
    """
    out = t.copy()
    edges = np.r_[np.flatnonzero(starts), second.size]
    for a, b in pairwise(edges):  # stretches, not samples
        rows = slice(first[a], first[b - 1] + count[b - 1])
        ticks = np.arange(t[rows].size) / rate_hz
        out[rows] = np.max(t[rows] - ticks) + ticks
    return out


def winter_cutoff_hz(cutoff_hz: float, rate_hz: float, passes: int = 2) -> float:
    """Design cutoff [Hz] of a 2nd-order Butterworth filter that is 3 dB down after `passes`.

    `cutoff_hz` is where the whole filter is to be 3 dB down, `rate_hz` the sampling rate; holds for
    cutoffs below half the rate. The correction C = (2^(1/n) - 1)^(1/4) [1, 2] divides the warped
    angular frequency tan(pi fc / fs), not fc itself.

    [1] D. A. Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69.
    [2] D. G. E. Robertson et al., Research Methods in Biomechanics, p. 288.
    """
    c = (2.0 ** (1.0 / passes) - 1.0) ** 0.25
    return float(np.arctan(np.tan(np.pi * cutoff_hz / rate_hz) / c) * rate_hz / np.pi)


def low_pass(x: Floats, cutoff_hz: float, rate_hz: float) -> Floats:
    """Low-pass evenly sampled `x` along axis 0 without lag; 3 dB down at `cutoff_hz`.

    The filter is a second-order Butterworth, run once forwards and once backwards
    (`winter_cutoff_hz`). With a cutoff above 0.9 of the Nyquist frequency, or with fewer than 4
    samples, x comes back as it is.
    """
    if cutoff_hz >= 0.45 * rate_hz or len(x) < 4:
        return np.array(x, dtype=float)
    # A rate from stamps is never twice the same to its last digits, which no filter needs.
    sos = _design_low_pass(round(cutoff_hz / rate_hz, RATE_DIGITS))
    pad = min(len(x) - 1, int(3 * rate_hz / cutoff_hz))
    return np.asarray(signal.sosfiltfilt(sos, x, axis=0, padlen=pad), dtype=float)


@lru_cache(maxsize=256)
def _design_low_pass(cutoff: float) -> Floats:
    """The filter of `low_pass`, for a cutoff in units of the sampling rate."""
    sos = signal.butter(2, winter_cutoff_hz(cutoff, 1.0), fs=1.0, output="sos")
    return np.asarray(sos, dtype=np.float64)


def robust_sd(x: Floats) -> float:
    """Standard deviation of the bulk of x from the median absolute deviation.

    1.4826 = 1 / 0.67449, the normal distribution's upper quartile. NaN are passed over.
    """
    x = x[np.isfinite(x)]
    return float(1.482602 * np.median(np.abs(x - np.median(x)))) if x.size else float("nan")


class Crossings(NamedTuple):
    """Where a course crosses a level: times, their standard errors, and direction (+1 or -1)."""

    t_s: Floats
    sd_s: Floats
    direction: Floats


def crossings(t_s: Floats, x: Floats, level: float, sd: Floats | float = 0.0) -> Crossings:
    """Find where x(t), linear between samples, crosses `level`; a sample on it counts once.

    `sd` is the standard error of x, one for all samples or one each, independent from sample to
    sample. `sd_s` of the result is its part along the time axis,
    sqrt((1-w)² sd0² + w² sd1²) / |slope|, with w the place between the two samples.
    """
    above = x >= level
    at = np.flatnonzero(above[1:] != above[:-1])
    rise = x[at + 1] - x[at]
    w = (level - x[at]) / rise
    step = t_s[at + 1] - t_s[at]
    sd = np.broadcast_to(np.asarray(sd, dtype=float), x.shape)
    spread = np.hypot((1 - w) * sd[at], w * sd[at + 1])
    return Crossings(t_s[at] + w * step, spread * step / np.abs(rise), np.sign(rise))


class Spikes(NamedTuple):
    """Short peaks: the time of each centre, and its height above the surroundings.

    `alone` is the height over that of the largest other peak within a second: it is large where a
    spike stands by itself.
    """

    t_s: Floats
    height: Floats
    alone: Floats


def sampling_rate_hz(t_s: Floats) -> float:
    """Median rate [Hz]; NaN with fewer than two samples."""
    return float(1.0 / np.median(np.diff(t_s))) if t_s.size > 1 else float("nan")


class Even(NamedTuple):
    """Even samples: times, values (n, ...), and `ok`, true where they do not bridge a gap."""

    t_s: Floats
    x: Floats
    ok: Bools


def resample(t_s: Floats, x: Floats, rate_hz: float, longest_gap_s: float) -> Even:
    """Put x (n,) or (n, k) on an even grid at `rate_hz`, linear between samples.

    Where `rate_hz` is below the data's own rate, the data go through `low_pass` at 0.4 of the new
    rate first. Gaps longer than `longest_gap_s` are bridged by a straight line, and `ok` is false
    there.
    """
    own = sampling_rate_hz(t_s)
    if rate_hz < 0.8 * own:
        fine = resample(t_s, x, own, longest_gap_s)
        t_s, x, ok_own = fine.t_s, low_pass(fine.x, 0.4 * rate_hz, own), fine.ok
    else:
        ok_own = np.ones(t_s.size, dtype=bool)
    n = int(np.floor((t_s[-1] - t_s[0]) * rate_hz + 1e-6)) + 1
    grid = t_s[0] + np.arange(n) / rate_hz
    right = np.clip(np.searchsorted(t_s, grid), 1, t_s.size - 1)
    left = right - 1
    step = t_s[right] - t_s[left]
    w = np.clip((grid - t_s[left]) / step, 0.0, 1.0)
    shape = (-1,) + (1,) * (x.ndim - 1)
    values = x[left] * (1 - w).reshape(shape) + x[right] * w.reshape(shape)
    ok = (step <= longest_gap_s) & ok_own[left] & ok_own[right]
    return Even(grid, values, ok)


def spikes(t_s: Floats, x: Floats, least: float, width_s: float = 0.02) -> Spikes:
    """Find peaks of x at least `least` above their surroundings and no wider than `width_s`.

    The surroundings are a running median five widths long, so a bump much wider than `width_s`
    counts as surroundings. The centre is the centroid of what stands above a quarter of the height
    in the neighbouring samples. It is good to less than a sample's interval, even where a spike
    fills two or three samples.
    """
    none = np.empty(0)
    if t_s.size < 8:
        return Spikes(none, none, none)
    rate = sampling_rate_hz(t_s)
    half = max(2, round(2.5 * width_s * rate))
    excess = x - _running_median(x, 2 * half + 1)
    peak, _ = signal.find_peaks(np.r_[0.0, excess, 0.0], height=least)
    peak -= 1
    if not peak.size:
        return Spikes(none, none, none)
    reach = max(1, int(np.ceil(width_s * rate / 2)))
    near = np.clip(peak[:, None] + np.arange(-reach, reach + 1), 0, t_s.size - 1)
    weight = np.clip(excess[near] - 0.25 * excess[peak, None], 0.0, None)
    centre = (weight * (t_s[near] - t_s[peak, None])).sum(axis=1) / weight.sum(axis=1)
    t, height = t_s[peak] + centre, excess[peak]
    return Spikes(t, height, height / _largest_other(t, height, 1.0, least))


def _running_median(x: Floats, size: int) -> Floats:
    return np.asarray(ndimage.median_filter(x, size=size, mode="nearest"), dtype=float)


def _largest_other(t_s: Floats, height: Floats, within_s: float, floor: float) -> Floats:
    """For each peak the height of the largest other within `within_s`; at least `floor`."""
    apart = np.abs(t_s[:, None] - t_s[None, :])
    other = np.where((apart > 0) & (apart < within_s), height[None, :], floor)
    return np.asarray(other.max(axis=1), dtype=float)
