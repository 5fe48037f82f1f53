"""The moment of a standing start from the speeds alone.

A start is a kink in the speed. The estimator's gradient is good only very near to it, so the
estimator is given a moment that is already close.
"""

from __future__ import annotations

import numpy as np
from scipy.special import softmax

from pipeline.base.values import Estimate, Floats

LAUNCH_GRID_S = 0.02
LAUNCH_HALF_S = 0.8
LAUNCH_BEFORE_S, LAUNCH_AFTER_S = 1.5, 1.8
LAUNCH_TIMES_S = np.array([0.6, 1.2, 2.4])  # one exponential is too stiff, three span real starts
LAUNCH_TARGET_MPS, LAUNCH_TARGET_SD_MPS = 9.5, 3.0
LAUNCH_EACH_SD_MPS = 6.0
LAUNCH_RISE_S = 0.1


def find_launch(
    t_s: Floats,
    speed_mps: Floats,
    near_s: float,
    *,
    delay_s: float,
    noise_mps: float,
    rest_mps: float,
) -> Estimate | None:
    """Find the first movement from the speeds that a receiver gave about it.

    The run is a sum of three exponential rises [1] with the time constants LAUNCH_TIMES_S, whose
    weights are integrated out; the likelihood of each moment of a grid gives the posterior.

    Parameters: `t_s` (n,) moments in s and `speed_mps` (n,) speeds in m/s, NaN where there is
    none; `near_s` a first guess in s, good to LAUNCH_HALF_S; `delay_s` by how much the receiver's
    speed is late; `noise_mps` the standard deviation of one speed; `rest_mps` the speed it shows
    at rest. Returns the moment in s with its standard error, or None where fewer than three
    speeds lie about the start. Range: sprint starts from a stand, receivers of 1 to 25 Hz.

    [1] Furusawa, Hill and Parkinson, The dynamics of "sprint" running, Proceedings of the Royal
    Society B, 1927: one exponential; that three span real starts is this tool's assumption.
    """
    use = (
        (t_s > near_s - LAUNCH_BEFORE_S) & (t_s < near_s + LAUNCH_AFTER_S) & np.isfinite(speed_mps)
    )
    if use.sum() < 3:
        return None
    t = t_s[use] - delay_s
    v = np.sqrt(np.maximum(speed_mps[use] ** 2 - rest_mps**2, 0.0))
    grid = near_s + np.arange(-LAUNCH_HALF_S, LAUNCH_HALF_S + LAUNCH_GRID_S / 2, LAUNCH_GRID_S)
    x = np.maximum(t[None, :] - grid[:, None], 0.0)  # (g, n)
    rise = np.clip(x / LAUNCH_RISE_S, 0, 1)
    shapes = rise[:, :, None] * -np.expm1(-x[:, :, None] / LAUNCH_TIMES_S)  # (g, n, 3)
    info = shapes.swapaxes(1, 2) @ shapes / noise_mps**2
    info = info + np.eye(3) / LAUNCH_EACH_SD_MPS**2 + np.ones((3, 3)) / LAUNCH_TARGET_SD_MPS**2
    right = (shapes * (v / noise_mps**2)[None, :, None]).sum(
        axis=1
    ) + LAUNCH_TARGET_MPS / LAUNCH_TARGET_SD_MPS**2
    solution = np.linalg.solve(info, right[:, :, None])[:, :, 0]
    power = (v**2).sum() / noise_mps**2 + LAUNCH_TARGET_MPS**2 / LAUNCH_TARGET_SD_MPS**2
    log_density = -0.5 * (power - (right * solution).sum(axis=1)) - 0.5 * np.linalg.slogdet(info)[1]
    weight = softmax(log_density)
    mean = float(weight @ grid)
    sd = float(np.sqrt(weight @ (grid - mean) ** 2 + LAUNCH_GRID_S**2 / 12))
    return Estimate(mean, sd)
