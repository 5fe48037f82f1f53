"""What a trunk-worn accelerometer shows of a runner: stands, first movement, footfalls.

Any orientation: only the norm of the specific force and its change from the stand before
are used. `acc_mps2` is (n, 3), `t_s` (n,) strictly increasing, 25 Hz or more.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

from pipeline.model import Estimate, Floats
from pipeline.signals import Even, low_pass, resample, robust_sd, sampling_rate_hz

FASTEST_STEPS_HZ = 5.4  # sprinters reach 4.4 to 4.9 steps a second
SLOWEST_STEPS_HZ = 2.2  # below that a person walks


def stands(t_s: Floats, acc_mps2: Floats, quiet_mps2: float = 0.6, least_s: float = 0.5) -> Floats:
    """Quiet stretches (k, 2), start and end [s]: the trunk's acceleration hardly changes.

    Quiet: over half a second the acceleration's standard deviation, all axes together, is
    below `quiet_mps2`. Standing sway is about 0.1 to 0.3 m/s², walking above 1 m/s².
    """
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
    """The moment a standing runner's trunk starts to move, near `near_s` ± `window_s` [s].

    Not the first impact: the onset of the acceleration, which rises over 0.1 to 0.15 s.
    The acceleration as a 3-vector is m + b t before the onset t0 and m + b t + u (t - t0)^k
    after it; m, b and u come by least squares for every t0 and k on a grid, and the
    likelihood over t0, k = 1 to 2 weighed together, gives the moment and its standard
    error. Noise and sway are measured in the stand before. None where no stand is followed
    by a start in the window.
    """
    use = (t_s >= near_s - window_s - 1.5) & (t_s <= near_s + window_s + 0.6)
    if use.sum() < 40:
        return None
    even = resample(t_s[use], acc_mps2[use], sampling_rate_hz(t_s[use]), 0.1)
    trigger = _trigger(even, near_s - window_s, near_s + window_s)
    if trigger is None:
        return None
    return _onset(even, trigger)


def _trigger(even: Even, from_s: float, to_s: float) -> float | None:
    """When the change from the stand before has grown beyond any sway, and lasts."""
    rate = sampling_rate_hz(even.t_s)
    smooth = low_pass(even.x, 8.0, rate)
    back = max(1, round(0.6 * rate))
    before = _trailing_mean(even.x, back)
    change = np.linalg.norm(smooth - before, axis=1)
    ahead = max(1, round(0.3 * rate))
    lasting = _trailing_mean(change[:, None], ahead)[:, 0]
    lasting = np.r_[lasting[ahead:], np.full(ahead, lasting[-1])]
    moving = (change > 2.0) & (lasting > 2.0)
    moving &= (even.t_s >= from_s) & (even.t_s <= to_s + 0.2) & even.ok
    at = np.flatnonzero(moving)
    return float(even.t_s[at[0]]) if at.size else None


def _trailing_mean(x: Floats, n: int) -> Floats:
    """Mean of the n samples before each one (n rows at the start take what there is)."""
    total = np.vstack([np.zeros((1, x.shape[1])), np.cumsum(x, axis=0)])
    i = np.arange(x.shape[0])
    first = np.maximum(i - n, 0)
    return np.asarray((total[i] - total[first]) / np.maximum(i - first, 1)[:, None])


def _onset(even: Even, trigger_s: float) -> Estimate | None:
    """Likelihood over the onset time on a grid round the trigger."""
    t = even.t_s
    stand = (t >= trigger_s - 1.0) & (t < trigger_s - 0.15) & even.ok
    fit = (t >= trigger_s - 0.7) & (t <= trigger_s + 0.03) & even.ok
    if stand.sum() < 8 or fit.sum() < 12:
        return None
    noise = max(float(np.sqrt(np.mean(np.var(_detrend(t[stand], even.x[stand]), axis=0)))), 0.02)
    x, local = even.x[fit], t[fit] - trigger_s
    onset = np.arange(-0.30, 0.03, 0.002)
    power = np.array([1.0, 1.5, 2.0])
    rise = np.clip(local[None, None, :] - onset[:, None, None], 0, None) ** power[None, :, None]
    base = np.column_stack([np.ones_like(local), local])
    q, _ = np.linalg.qr(base)
    x = x - q @ (q.T @ x)
    rise = rise - (rise @ q) @ q.T
    size = np.sum(rise**2, axis=-1)
    gain = np.sum((rise @ x) ** 2, axis=-1) / np.where(size > 0, size, np.inf)
    log_likelihood = (gain - np.sum(x**2)) / (2 * noise**2)
    worst = -log_likelihood.max() * 2 / (3 * local.size)  # misfit beyond the stand's noise
    weight = np.exp((log_likelihood - log_likelihood.max()) / max(worst, 1.0)).sum(axis=1)
    weight /= weight.sum()
    mean = float(weight @ onset)
    sd = float(np.sqrt(weight @ (onset - mean) ** 2))
    return Estimate(trigger_s + mean, float(np.hypot(sd, 0.3 / sampling_rate_hz(t))))


def _detrend(t_s: Floats, x: Floats) -> Floats:
    base = np.column_stack([np.ones_like(t_s), t_s - t_s.mean()])
    return np.asarray(x - base @ np.linalg.lstsq(base, x, rcond=None)[0])


def footfalls(t_s: Floats, acc_mps2: Floats, start_s: float, end_s: float) -> Floats:
    """Times (k,) of the ground contacts of a running person from `start_s` to `end_s` [s].

    A contact is the steepest rise of the smoothed norm on the way to the peak of the
    ground reaction.
    """
    use = (t_s >= start_s - 0.5) & (t_s <= end_s + 0.5)
    if use.sum() < 20:
        return np.empty(0)
    even = resample(t_s[use], acc_mps2[use], min(100.0, sampling_rate_hz(t_s[use])), 0.1)
    rate = sampling_rate_hz(even.t_s)
    push = low_pass(np.linalg.norm(even.x, axis=1), 7.0, rate)
    push = push - low_pass(push, 1.2, rate)
    least = 0.5 * robust_sd(push)
    peak, _ = signal.find_peaks(
        push, prominence=least, distance=max(1, round(rate / FASTEST_STEPS_HZ))
    )
    times = even.t_s[peak]
    return np.asarray(times[(times >= start_s) & (times <= end_s)])


def step_phase(footfalls_s: Floats, t_s: Floats) -> Floats:
    """Steps since the first footfall at each time, in fractions; NaN outside the footfalls."""
    if footfalls_s.size < 2:
        return np.full(np.shape(t_s), np.nan)
    count = np.arange(footfalls_s.size, dtype=float)
    return np.asarray(np.interp(t_s, footfalls_s, count, left=np.nan, right=np.nan))
