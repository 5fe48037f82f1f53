"""What a trunk-worn accelerometer shows of a runner: stands, first movement, footfalls.

The unit may be worn in any orientation: only the norm of the specific force and its change from
the stand before are used. Everywhere `t_s` (n,) rises strictly, in seconds, at 25 Hz or more, and
`acc_mps2` is (n, 3).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import signal, special

from pipeline.base.signals import Even, low_pass, resample, sampling_rate_hz
from pipeline.base.values import Estimate, Floats

FASTEST_STEPS_HZ = 5.4  # sprinters reach 4.4 to 4.9 steps a second
SLOWEST_STEPS_HZ = 2.2  # below that a person walks
FIRST_CONTACT_S = 0.24  # after the first movement: push 0.3 s or so, a leg swung through (practice)
RUNNING_SD_MPS2 = 3.0  # of the norm over three steps; walking 1 to 2, running 5 and more
MOVED_MPS2 = 2.0  # a change from the stand beyond any sway
QUIET_MPS2, LOUDEST_QUIET_MPS2 = 0.6, 1.0  # standing sway is about 0.1 to 0.3 (from memory)
UPRIGHT_MPS2 = 0.6  # as far does the force on a trunk at rest differ from that of standing
QUIET_OVER_S = 0.15  # a stand shows in so short a while; no part of a run is as still for longer
TILT_MPS2 = 1.5  # a trunk may turn while it rests: the force then changes its direction only
SETTLED_FOR_S = 1.0  # a stand as long as this has no more of a former movement in it
BEFORE_START_S = 4.0  # what is looked at of the time before a start
ONSET_FLOOR_SD_S = 0.006  # below this the onset of a smooth rise is a matter of definition


def stands(t_s: Floats, acc_mps2: Floats, quiet_mps2: float = 0.6, least_s: float = 0.5) -> Floats:
    """The quiet stretches (k, 2), start and end [s], in which the trunk hardly accelerates.

    A stretch is quiet where the standard deviation of the acceleration over half a second, all
    axes together, is below `quiet_mps2`, for `least_s` or longer. Standing sway is about 0.1 to
    0.3 m/s², walking above 1 m/s² (from memory).
    """
    if t_s.size < 8 or np.ptp(t_s) < max(least_s, 1.0):
        return np.empty((0, 2))
    even = resample(t_s, acc_mps2, min(50.0, sampling_rate_hz(t_s)), 0.2)
    rate = sampling_rate_hz(even.t_s)
    width = max(3, round(0.5 * rate))
    box = np.ones(width) / width
    mean = np.stack([np.convolve(even.x[:, k], box, "same") for k in range(3)])
    square = np.convolve((even.x**2).sum(axis=1), box, "same")
    quiet = (square - (mean**2).sum(axis=0) < quiet_mps2**2) & even.ok
    edge = np.diff(np.r_[0, quiet.astype(int), 0])
    start, end = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    spans = np.column_stack([even.t_s[start], even.t_s[end]])
    return spans[spans[:, 1] - spans[:, 0] >= least_s]


def first_movement(
    t_s: Floats, acc_mps2: Floats, near_s: float, window_s: float
) -> Estimate | None:
    """The moment a standing runner's trunk starts the movement that leads to the run [s], near
    `near_s` ± `window_s` [s].

    A runner who steps on the spot, rocks, or sets off and goes back has moved before, but came to
    rest again. So the movement that goes on into the run is taken, and what came before it is no
    part of the stand.

    The moment is not the first impact but the onset of the acceleration, which rises over 0.1 to
    0.15 s. As a 3-vector the acceleration is m + b t before the onset t0, and
    m + b t + u (t - t0)^k after it. Least squares gives m, b and u for every t0 and k on a
    grid; the likelihood over t0, with k from 1 to 2 weighed together, gives the moment and its
    standard error. Noise and sway are measured in the stand before. None where no stand is
    followed by a start in the window.
    """
    use = (t_s >= near_s - window_s - BEFORE_START_S) & (t_s <= near_s + window_s + 1.3)
    if use.sum() < 40:
        return None
    even = resample(t_s[use], acc_mps2[use], sampling_rate_hz(t_s[use]), 0.1)
    start = _find_start(even, near_s - window_s, near_s + window_s)
    return None if start is None else _locate_onset(even, start)


class StartOfRun(NamedTuple):
    """When a runner came to rest before a start, was still at last, and had moved beyond any
    sway [s]."""

    rest_s: float
    still_s: float
    moved_s: float


def _find_start(even: Even, from_s: float, to_s: float) -> StartOfRun | None:
    """The last change from a stand that grows beyond any sway in the window and leads to a run.

    A step on the spot or a false start comes to rest again, a run does not: so the last one
    leads to it.
    """
    rate = sampling_rate_hz(even.t_s)
    smooth = low_pass(even.x, 8.0, rate)
    # a runner's force rises and falls with every step; one who crouches or turns does not
    norm = np.linalg.norm(even.x, axis=1)[:, None]
    ahead, from_now = max(1, round(0.75 * rate)), round(0.25 * rate)
    variance = _trailing_mean(norm**2, ahead) - _trailing_mean(norm, ahead) ** 2
    later = np.minimum(np.arange(norm.size) + ahead + from_now, norm.size - 1)
    runs = variance[later, 0] > RUNNING_SD_MPS2**2
    first, last = np.searchsorted(even.t_s, [from_s, to_s + 0.2])
    width = max(1, round(QUIET_OVER_S * rate))
    for begin, end in _quiet_stretches(even, (from_s + to_s) / 2)[::-1]:  # a few
        if begin > last:
            continue
        level = even.x[max(begin, end - width) : end].mean(axis=0)
        change = np.linalg.norm(smooth[end : last + 1] - level, axis=1)
        beyond = end + np.flatnonzero((change > MOVED_MPS2) & even.ok[end : last + 1])
        if not beyond.size or beyond[0] < first:
            continue
        if runs[beyond[0]]:
            return StartOfRun(*(float(even.t_s[k]) for k in (begin, end, beyond[0])))
    return None


def _quiet_stretches(even: Even, before_s: float) -> list[tuple[int, int]]:
    """First and last index of every stretch in which the trunk is still, in time order.

    A trunk is still where the size of its force varies little within QUIET_OVER_S, judged by the
    quietest moments before `before_s`, and is the same as in those. The push of a start may hardly
    vary for a while, but is larger. A trunk that turns slowly, as into the crouch, is at rest.
    """
    width = max(3, round(QUIET_OVER_S * sampling_rate_hz(even.t_s)))
    box = np.ones(width) / width
    square = (even.x**2).sum(axis=1)
    each = [even.x[:, 0], even.x[:, 1], even.x[:, 2], np.sqrt(square), square]
    *mean, size, square = [np.convolve(one, box, "same") for one in each]
    turn = np.sqrt(np.maximum(square - sum(one**2 for one in mean), 0.0))
    spread = np.sqrt(np.maximum(square - size**2, 0.0))
    before = np.flatnonzero((even.t_s < before_s) & even.ok)
    if before.size < width:
        return []
    usual = float(np.quantile(spread[before], 0.1))
    standing = float(np.median(size[before[spread[before] <= usual]]))
    bound = min(max(3 * usual, QUIET_MPS2), LOUDEST_QUIET_MPS2)
    quiet = (
        (spread < bound) & (turn < TILT_MPS2) & (np.abs(size - standing) < UPRIGHT_MPS2) & even.ok
    )
    edge = np.diff(np.r_[0, quiet.astype(int), 0])
    begins, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    long = ends - begins >= width
    begins = np.where(begins > 0, begins + width // 2, 0)  # what was before is in the mean
    return list(zip(begins[long].tolist(), ends[long].tolist(), strict=True))


def _trailing_mean(x: Floats, n: int) -> Floats:
    """The mean of the n samples before each one; the first n rows take what there is."""
    total = np.vstack([np.zeros((1, x.shape[1])), np.cumsum(x, axis=0)])
    i = np.arange(x.shape[0])
    first = np.maximum(i - n, 0)
    return np.asarray((total[i] - total[first]) / np.maximum(i - first, 1)[:, None])


def _locate_onset(even: Even, start: StartOfRun) -> Estimate | None:
    """The onset from its likelihood on a grid of moments round the movement that was seen.

    Who has moved within the last second may still be turning into the crouch, which looks like a
    slow rise. Then the size of the force is used, which turning does not change.
    """
    t, trigger_s = even.t_s, start.moved_s
    settled = start.rest_s < trigger_s - SETTLED_FOR_S
    look_back_s = 0.7 if settled else 0.45
    rested = (t >= start.rest_s) & even.ok
    stand = (t >= trigger_s - 1.0) & (t < trigger_s - 0.15) & rested
    fit = (t >= trigger_s - look_back_s) & (t <= trigger_s + 0.03) & rested
    if stand.sum() < 8 or fit.sum() < 12:
        return None
    force = even.x if settled else np.linalg.norm(even.x, axis=1)[:, None]
    still = _without_trend(t[stand], force[stand])
    noise = max(float(np.sqrt(np.mean(np.var(still, axis=0)))), 0.02)
    x, local = force[fit], t[fit] - trigger_s
    earliest = -0.30 if settled else max(start.still_s - QUIET_OVER_S / 2 - trigger_s, -0.30)
    onset = np.arange(earliest, 0.03, 0.002)
    # A push forwards is across the force of standing, whose size grows with the push's square.
    power = np.array([1.0, 1.5, 2.0]) * (1 if settled else 2)
    rise = np.clip(local[None, None, :] - onset[:, None, None], 0, None) ** power[None, :, None]
    base = np.vander(local, 2)
    q, _ = np.linalg.qr(base)
    x = x - q @ (q.T @ x)
    rise = rise - (rise @ q) @ q.T
    size = np.sum(rise**2, axis=-1)
    gain = np.sum((rise @ x) ** 2, axis=-1) / np.where(size > 0, size, np.inf)
    log_likelihood = (gain - np.sum(x**2)) / (2 * noise**2)
    worst = -log_likelihood.max() * 2 / x.size  # misfit beyond the stand's noise
    weight = np.exp((log_likelihood - log_likelihood.max()) / max(worst, 1.0)).sum(axis=1)
    weight /= weight.sum()
    mean = float(weight @ onset)
    sd = float(np.sqrt(weight @ (onset - mean) ** 2))
    return Estimate(trigger_s + mean, float(np.hypot(sd, ONSET_FLOOR_SD_S)))


def _without_trend(t_s: Floats, x: Floats) -> Floats:
    """`x` (n, k) less its straight line in time; samples may be missing in between."""
    base = np.column_stack([np.ones_like(t_s), t_s - t_s.mean()])
    return np.asarray(x - base @ np.linalg.lstsq(base, x, rcond=None)[0])


def footfalls(t_s: Floats, acc_mps2: Floats, start_s: float, end_s: float) -> Floats:
    """Times (k,) of the ground contacts of a running person from `start_s` to `end_s` [s].

    The trunk's specific force rises and falls once a step, so its smoothed peaks are the
    candidates. Of all chains of candidates the one with the highest peaks at the most even
    intervals is taken (dynamic programming). A weak left or right foot is thus not skipped, and
    a peak between two steps is not counted. Where one interval is two steps long, the step
    between is put in half-way. The moment of contact is the steepest rise towards the peak.
    After a stand the first step takes its time, since the push-off is no contact. Empty where
    nobody runs.
    """
    use = (t_s >= start_s - 1.0) & (t_s <= end_s + 0.5)
    if use.sum() < 30:
        return np.empty(0)
    even = resample(t_s[use], acc_mps2[use], min(100.0, sampling_rate_hz(t_s[use])), 0.1)
    rate = sampling_rate_hz(even.t_s)
    norm = np.linalg.norm(even.x, axis=1)
    push = low_pass(norm, 7.0, rate) - low_pass(norm, 1.2, rate)
    running = (even.t_s >= start_s) & (even.t_s <= end_s)
    if running.sum() < 0.4 * rate or np.std(push[running]) < 1.0:
        return np.empty(0)
    period = _period_s(push[running], rate)
    peak, _ = signal.find_peaks(push, distance=max(1, round(0.08 * rate)))
    before = (even.t_s < start_s) & (even.t_s > start_s - 0.5)
    from_stand = bool(before.sum() > 5 and np.std(norm[before]) < 0.8)
    earliest = start_s + FIRST_CONTACT_S if from_stand else start_s
    peak = peak[(even.t_s[peak] >= earliest) & (even.t_s[peak] <= end_s + 0.1)]
    if peak.size < 2:
        return np.empty(0)
    scale = np.std(push[running])
    strength = np.clip(push[peak] / scale, -1.0, 1.5)
    chain = _even_chain(
        even.t_s[peak], strength, period, start_s + 1.3 * period if from_stand else None
    )
    times = _contact(even.t_s, norm, rate, even.t_s[peak[chain]])
    times = _with_missing_steps(times, period)
    return np.asarray(times[(times >= start_s) & (times <= end_s)])


def _period_s(push: Floats, rate_hz: float) -> float:
    """The usual time between steps [s]: the first high of the autocorrelation."""
    low, high = round(rate_hz / FASTEST_STEPS_HZ), round(rate_hz / SLOWEST_STEPS_HZ)
    x = push - push.mean()
    same = signal.correlate(x, x, mode="full", method="fft")[x.size - 1 :]
    same = same / np.maximum(np.arange(x.size, 0, -1), 0.3 * x.size)
    part = same[low : min(high, same.size - 1) + 1]
    if not part.size:
        return 0.25
    lag = int(low + np.argmax(part))
    # with feet that differ two steps are more alike than one; between true steps it is negative
    if lag >= 2 * low and same[lag // 2] > 0:
        lag = lag // 2
    return float(lag / rate_hz)


PERIOD_SPREAD = 0.17  # of the logarithm: first steps are a quarter slower than the fastest


def _even_chain(
    t_s: Floats, strength: Floats, period_s: float, first_s: float | None
) -> NDArray[np.intp]:
    """The indices of the chain of candidates with the best sum of strengths less unevenness."""
    n = t_s.size
    with np.errstate(divide="ignore"):
        apart = np.log(np.maximum(t_s[:, None] - t_s[None, :], 1e-9) / period_s)
    cost = 0.5 * (apart / PERIOD_SPREAD) ** 2
    late = t_s - (t_s[0] if first_s is None else first_s)
    enter = 0.5 * (np.maximum(late, 0.0) / (0.5 * period_s)) ** 2
    if first_s is not None:
        enter += 0.5 * (np.minimum(late, 0.0) / (0.35 * period_s)) ** 2
    best, came = strength - enter, np.full(n, -1)
    for k in range(1, n):  # candidates: a few a second
        link = best[:k] - cost[k, :k]
        j = int(np.argmax(link))
        if link[j] > -enter[k]:
            best[k], came[k] = link[j] + strength[k], j
    at = int(np.argmax(best - 0.5 * ((t_s[-1] - t_s) / period_s) ** 2 * 0.3))
    chain = []
    while at >= 0:
        chain.append(at)
        at = int(came[at])
    return np.array(chain[::-1], dtype=np.intp)


def _contact(t_s: Floats, norm: Floats, rate_hz: float, peaks_s: Floats) -> Floats:
    """The steepest rise within 0.09 s before each peak of the smoothed force."""
    slope = np.gradient(low_pass(norm, 20.0, rate_hz), t_s)
    near = np.arange(-round(0.09 * rate_hz), round(0.01 * rate_hz) + 1)
    at = np.searchsorted(t_s, peaks_s)[:, None] + near
    at = np.clip(at, 0, t_s.size - 1)
    return np.asarray(t_s[at[np.arange(peaks_s.size), np.argmax(slope[at], axis=1)]])


def _with_missing_steps(times_s: Floats, period_s: float) -> Floats:
    """The footfalls with one more half-way in every interval that is two steps long."""
    gap = np.diff(times_s)
    double = (gap > 1.65 * period_s) & (gap < 2.5 * period_s)
    return np.sort(np.r_[times_s, times_s[:-1][double] + 0.5 * gap[double]])


def step_phase(footfalls_s: Floats, t_s: Floats) -> Floats:
    """Steps and fractions of one since the first footfall, at each of `t_s`; NaN outside them."""
    if footfalls_s.size < 2:
        return np.full(np.shape(t_s), np.nan)
    count = np.arange(footfalls_s.size, dtype=float)
    return np.asarray(np.interp(t_s, footfalls_s, count, left=np.nan, right=np.nan))


# --- starts, in the accelerometer and in the speed --------------------------------------------


class Starts(NamedTuple):
    """First movements (k,), their standard errors, and how long the push took to build up [s]."""

    t_s: Floats
    sd_s: Floats
    build_s: Floats


class Onsets(NamedTuple):
    """How far the speed's rise lies behind each start: times, lags, standard errors [s].

    `common_sd_s` is what the shape of the build-up leaves open for all of them together.
    """

    t_s: Floats
    behind_s: Floats
    sd_s: Floats
    common_sd_s: float


def starts(t_s: Floats, acc_mps2: Floats) -> Starts:
    """Every start out of a stand in the recording: one near the end of each quiet stretch."""
    found = [
        moment
        for end in stands(t_s, acc_mps2, least_s=1.0)[:, 1]
        if (moment := first_movement(t_s, acc_mps2, float(end), 0.7)) is not None
    ]
    moments = np.array([e.value for e in found])
    builds = np.array([_build_up_s(t_s, acc_mps2, moment) for moment in moments])
    return Starts(moments, np.array([e.sd for e in found]), builds)


# The push dies away with the sprint's own time constant, about 0.8 to 1.8 s (mono-exponential
# fits of sprints).
DECAYS_S = np.array([0.7, 0.9, 1.1, 1.3, 1.6, 2.0])
BUILD_SD_S = 0.012  # turning and lifting of the trunk mixed into the build-up
SHAPE_SD_S = 0.008  # no start is quite as the formula has it
RUNNING_MPS = 4.0  # a start that does not reach this within a second or two is none
SLOW_MPS = 0.4  # below it receivers write what they like: noise turned positive, or nought
FILTERS = ("shift", "average", "exponential")  # what may stand behind a receiver's delay


class StartSpeeds(NamedTuple):
    """The speed round one start: times from the first movement [s], speeds [m/s]."""

    t_s: Floats
    v_mps: Floats


def _start_speeds(fix_t_s: Floats, speed_mps: Floats, moved_s: Floats) -> dict[int, StartSpeeds]:
    """The usable starts by index: a stand before, a run soon after, and no gap."""
    reach = 1.5 if sampling_rate_hz(fix_t_s) > 3.0 else 3.6  # slow units need later fixes
    out = {}
    for k, start in enumerate(moved_s):  # starts, a dozen or two
        use = (fix_t_s > start - 2.2) & (fix_t_s < start + reach)
        t, v = fix_t_s[use] - start, speed_mps[use]
        before = t < -0.4
        if t.size < 4 or not before.any() or np.max(np.diff(t)) > 1.6:
            continue
        soon = (t > 0.4) & (t < 1.7)
        if np.median(v[before]) < 0.8 and v[soon].max(initial=0.0) > RUNNING_MPS:
            out[k] = StartSpeeds(t, v)
    return out


def speed_onsets(
    fix_t_s: Floats, speed_mps: Floats, moved: Starts, delay_s: float = 0.0
) -> Onsets | None:
    """How far the speed's rise lies behind each first movement that an accelerometer saw.

    The speed is 0 before t0 and A g(t - t0) after it, behind a receiver's filter of group delay
    `delay_s` and unknown kind (`FILTERS`). In g the acceleration rises along half a cosine over
    b and dies away with tau. A comes by least squares; t0 and tau are each start's own, b is the
    runner's as the accelerometer has it, and the filter is the receiver's. The result is how far
    t0 lies behind the first movement [s], between -0.75 and 0.75 s. None without a usable start.
    """
    courses = _start_speeds(fix_t_s, speed_mps, moved.t_s)
    if not courses:
        return None
    kept = list(courses)
    lag = np.arange(-0.9, 0.9001, 0.01)
    builds, prior = _build_prior(moved.build_s[kept])
    kinds = FILTERS if delay_s > 0.01 else FILTERS[:1]
    shapes = [_shapes(build, delay_s, kind) for build in builds for kind in kinds]
    prior = np.repeat(prior, len(kinds))
    log_chance = np.stack([_log_likelihood(c, lag, shapes) for c in courses.values()])
    share = special.softmax(prior + special.logsumexp(log_chance, axis=1).sum(axis=0))
    each = special.softmax(log_chance, axis=1)
    mean = np.einsum("slb,l->sb", each, lag)
    var = np.einsum("slb,l->sb", each, lag**2) - mean**2
    shift = np.median(mean, axis=0)
    common = float(np.sqrt(share @ (shift - share @ shift) ** 2))
    sd = np.sqrt(var @ share + moved.sd_s[kept] ** 2 + 0.01**2)
    behind = mean @ share
    near = np.abs(behind) < 0.75  # the rise lies inside the grid, not at its edge
    if not near.any():
        return None
    return Onsets(
        moved.t_s[kept][near], behind[near], sd[near], float(np.hypot(common, SHAPE_SD_S))
    )


def _build_prior(build_s: Floats) -> tuple[Floats, Floats]:
    """Three build-up times [s] round what the accelerometer says, and their log prior."""
    sd = float(np.hypot(0.04 / np.sqrt(build_s.size), BUILD_SD_S))  # start to start; common
    step = np.array([-1.5, 0.0, 1.5])
    return np.maximum(np.median(build_s) + step * sd, 0.02), -0.5 * step**2


AGE_STEP_S = 0.01
AGE_S = np.arange(0.0, 5.0, AGE_STEP_S)


def _shapes(build_s: float, delay_s: float, kind: str) -> Floats:
    """Speed per unit of full acceleration, by tau and AGE_S, as the receiver's filter shows it."""
    if kind == "shift" or delay_s <= 0:
        return np.stack([_rise(AGE_S - delay_s, build_s, tau) for tau in DECAYS_S])
    if kind == "average":
        kernel = np.clip(2 * delay_s / AGE_STEP_S + 0.5 - np.arange(AGE_S.size), 0.0, 1.0)
    else:
        kernel = np.exp(-AGE_S / delay_s)
    kernel = kernel / kernel.sum()
    return np.stack(
        [np.convolve(_rise(AGE_S, build_s, tau), kernel)[: AGE_S.size] for tau in DECAYS_S]
    )


def _log_likelihood(course: StartSpeeds, lag_s: Floats, shapes: list[Floats]) -> Floats:
    """The log likelihood (lag, shape) of a speed that begins to rise `lag_s` after time 0.

    Tau is summed out. A speed below SLOW_MPS says only that the runner was slow. The noise,
    which has the swing of the steps in it, is that of the best fit.
    """
    t, v = course
    seen = v > SLOW_MPS
    late = t[None, :] - lag_s[:, None]
    rest = np.empty((lag_s.size, len(shapes), DECAYS_S.size, t.size))
    for j, shape in enumerate(shapes):
        for k in range(DECAYS_S.size):
            unit = np.interp(late, AGE_S, shape[k], left=0.0)
            size = np.sum(unit[:, seen] ** 2, axis=1)
            amplitude = unit[:, seen] @ v[seen] / np.maximum(size, 1e-9)
            fitted = amplitude[:, None] * unit
            rest[:, j, k] = np.where(seen, v - fitted, np.minimum(SLOW_MPS - fitted, 0.0))
    loss = np.median(np.abs(rest[..., seen]), axis=-1).min()
    free = max(int(seen.sum()) - 4, 1)
    noise = float(np.clip(1.48 * loss * np.sqrt(seen.sum() / free), 0.06, 0.4))
    # Student's t: a fix or two may be wild
    likely = -2.5 * np.sum(np.log1p((rest / noise) ** 2 / 4), axis=-1)
    return np.asarray(special.logsumexp(likely, axis=2))


def _build_up_s(t_s: Floats, acc_mps2: Floats, moment_s: float) -> float:
    """Time [s] over which the acceleration rises after a first movement.

    Least squares of the 3-vector from 0.8 s before to 0.2 s after: it is constant, then rises
    along half a cosine, then dies away. The length of the half cosine runs over a grid.
    """
    use = (t_s > moment_s - 0.8) & (t_s < moment_s + 0.2)
    t = t_s[use] - moment_s
    x = acc_mps2[use] - acc_mps2[use].mean(axis=0)
    grid = np.arange(0.04, 0.33, 0.01)
    z = np.clip(t[None, :] / grid[:, None], 0.0, 1.0)
    shape = 0.5 - 0.5 * np.cos(np.pi * z)
    shape *= np.exp(-np.clip(t[None, :] - grid[:, None], 0.0, None) / 1.1)
    shape -= shape.mean(axis=1, keepdims=True)
    gain = np.sum((shape @ x) ** 2, axis=1) / np.sum(shape**2, axis=1)
    return float(grid[np.argmax(gain)])


def _rise(t_s: Floats, build_s: float, tau_s: float) -> Floats:
    """Speed per unit of full acceleration, `t_s` after a start [s]: m/s over m/s²."""
    x = np.clip(t_s, 0.0, build_s)
    during = x / 2 - build_s / (2 * np.pi) * np.sin(np.pi * x / build_s)
    after = tau_s * -np.expm1(-np.clip(t_s - build_s, 0.0, None) / tau_s)
    return np.asarray(during + after)


def speed_delay(
    fix_t_s: Floats, speed_mps: Floats, imu_t_s: Floats, acc_mps2: Floats
) -> Estimate | None:
    """How late the receiver's speed is against the accelerometer, over the whole session [s].

    Both must be on UTC. It is the group delay of the receiver's filter, of whatever kind
    (`FILTERS`), from its likelihood over all starts, since the speed's rise must begin at the
    first movement. Delays from -0.06 to 0.4 s are weighed. None with fewer than two usable
    starts, below 3 Hz, or where the likelihood tells nothing.
    """
    seen = np.isfinite(speed_mps)
    if seen.sum() < 30:
        return None
    moved = starts(imu_t_s, acc_mps2)
    courses = _start_speeds(fix_t_s[seen], speed_mps[seen], moved.t_s)
    if len(courses) < 2 or sampling_rate_hz(fix_t_s[seen]) < 3.0:
        return None
    kept = list(courses)
    builds, prior = _build_prior(moved.build_s[kept])
    delays = np.arange(-0.06, 0.4001, 0.02)
    shapes = [_shapes(b, d, kind) for d in delays for b in builds for kind in FILTERS]
    near = np.array([-1.5, 0.0, 1.5])  # the first movement, in its standard errors
    evidence = np.zeros(len(shapes))
    for k, course in courses.items():
        lag = near * float(np.hypot(moved.sd_s[k], 0.01))
        likely = _log_likelihood(course, lag, shapes) - 0.5 * near[:, None] ** 2
        evidence += special.logsumexp(likely, axis=0)
    cube = evidence.reshape(delays.size, builds.size, len(FILTERS)) + prior[:, None]
    share = special.softmax(cube).sum(axis=(1, 2))
    mean = float(share @ delays)
    sd = float(np.sqrt(share @ (delays - mean) ** 2 + SHAPE_SD_S**2))
    return Estimate(mean, sd) if sd < 0.08 else None
