"""Real sprints that others measured, and what a simulated receiver makes of one.

The data lie in reference/sprints/ of the folder that read_samples.py looks in: the data sets of
the R package `shorts` (M. Jovanović, MIT licence; the licence and a description lie beside them).

- Gates: 52 women of field sports at 5, 10, 20, 30 and 35 m, front foot 5 cm behind the first beam
  (J. D. Vescovi, 2012, 2014 and 2016), times to 0.01 s.
- Tether: one standing sprint of a woman, 1,000 readings a second (H. Andersson): distance, the
  speed that the tether saw, with the swing inside each step, and the recorder's smooth speed.

The recorder's smooth speed is not what the runner did: it adds up to 0.28 m less than its own
distance, nearly all of it in the first 3 s, as a speed would that is 0.04 s late. So the truth of
the speed is here that which the tether saw, meant twice over one step (0.24 s): its swing is gone,
and it adds up to the distance.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from pathlib import Path

import checkout  # noqa: F401 - finds sample_tracks
import devices
import numpy as np
from read_samples import SHARED
from scipy.optimize import least_squares
from straight import axis, problem, sight

from pipeline.advise import laws
from pipeline.base.values import Estimate
from pipeline.measure import estimator, noise, reps

FOLDER = SHARED / "reference" / "sprints"
GATES_M = np.array([5.0, 10.0, 20.0, 30.0, 35.0])
FOOT_BEHIND_M = 0.05  # the front foot behind the first beam
TIMED_TO_S = 0.01  # how the gates' times are written

END_M = 40.0  # beyond, she eases
STEP_S = 0.24  # from one step's fastest moment to the next, the median of 22 (0.217 to 0.298)
FROM_S = 0.5  # after the start: before, the mean over steps reaches into the stand
STAND_S = 8.0  # how long the simulated evening sees her stand before she sets off


def gates_s() -> np.ndarray:
    """(52, 5) seconds from the first beam to each of GATES_M."""
    with (FOLDER / "gates-52-women.csv").open(encoding="utf-8-sig", newline="") as file:
        return np.array(
            [[float(row[f"{m:.0f}m"]) for m in GATES_M] for row in csv.DictReader(file)]
        )


@dataclass(frozen=True, eq=False)
class Sprint:
    """A run from a stand at place 0, on a grid of 1 ms: place, speed with the swing inside each
    step and without, and the recorder's smooth speed. END_M are reached at `end_s`."""

    t_s: np.ndarray
    s_m: np.ndarray
    swinging_mps: np.ndarray
    v_mps: np.ndarray
    recorder_mps: np.ndarray
    start_s: float
    end_s: float


def tether_sprint(folder: Path = FOLDER) -> Sprint:
    """The real sprint, with a stand of STAND_S put before it.

    Its distance has an arbitrary shift: the stand's is taken off. Its time has one too, which
    nothing here rests on.
    """
    table = np.genfromtxt(folder / "tether-40m-1000hz.csv", delimiter=",", names=True)
    t, s, v, raw = (table[name] for name in ("time", "distance", "velocity", "raw_velocity"))
    first = int(np.flatnonzero(v > 0.0)[0])  # where the smooth speed begins
    stand_m = float(np.median(s[:first]))
    before = np.arange(t[first] - STAND_S, t[first] - 5e-4, 1e-3)
    nothing = np.zeros(before.size)
    place = np.concatenate([nothing, s[first:] - stand_m])
    time = np.concatenate([before, t[first:]])
    swinging = np.concatenate([nothing, raw[first:]])
    step = np.full(round(STEP_S * 1000), 1e-3 / STEP_S)
    return Sprint(
        t_s=time,
        s_m=place,
        swinging_mps=swinging,
        v_mps=np.convolve(swinging, np.convolve(step, step), mode="same"),
        recorder_mps=np.concatenate([nothing, v[first:]]),
        start_s=float(t[first]),
        end_s=float(time[int(np.flatnonzero(place >= END_M)[0])]),
    )


def fit_under_receivers(run: Sprint, level: str, seed: int, rate_hz: float = 10.0):
    """The estimator's fit of `run` as two of the generator's receivers see it on one evening.

    Two runners do the same run side by side. Their receivers feel the same sky (`shared_error`)
    and have errors of their own. The estimator gets what it has of a first rep: its own priors
    of receivers and of the slow error, the tape's error at the stand, and each receiver's level
    of noise; it sees no accelerometer.
    """
    rng = np.random.default_rng(seed)
    quality = devices.LEVELS[level]
    lasts = run.t_s[-1] - run.t_s[0]
    common = devices.shared_error(rng, quality, int(lasts / devices.SLOW_DT) + 3)
    true = np.column_stack([run.s_m, np.zeros(run.s_m.size)])
    sights = []
    for _ in estimator.ROLES:
        t = np.arange(run.t_s[0] + rng.uniform(0.01, 1 / rate_hz), run.end_s, 1 / rate_hz)
        delay = float(rng.uniform(*quality.delay_s))
        lag = devices.Lag(delay, str(rng.choice(["first order", "average"])), "speed")
        fix, speed, _, _, kept, put_in = devices.receiver(
            rng, quality, true, run.swinging_mps, run.t_s, t, common, lag
        )
        t, fix, speed = t[kept], fix[kept], speed[kept]
        rest_mps, rest_sd_mps = noise.at_rest(speed, np.where(t < run.start_s, 0.0, np.nan))
        sights.append(
            replace(
                sight(t, fix[:, 0], speed, end_s=run.end_s),
                xy_m=fix,
                start_s=run.start_s + rng.normal(0.0, 0.05),
                stand_m=Estimate(float(rng.normal(0.0, reps.TAPE_SD_M)), reps.TAPE_SD_M),
                stand_speed_mps=rest_mps,
                stand_noise_mps=rest_sd_mps,
                speed_noise_mps=put_in["speed_noise_mps"],
                position_noise_m=put_in["white_m"],
            )
        )
    one = problem(*sights, axis(last_m=60.0), slow=noise.fit_slow_error({}))
    mean, cov = reps.theta_prior(["one", "other"])
    return estimator.solve(replace(one, theta_mean=mean, theta_cov=cov))


def errors(run: Sprint, fit, every_s: float = 0.1) -> dict[str, np.ndarray]:
    """Errors of course ("s") and speed ("v"), and of the speed if the recorder's smooth one were
    the truth ("recorder"), each (2, n, 2): role, moment, (estimate less truth, its standard
    error), from FROM_S after the start to END_M."""
    t = np.arange(run.start_s + FROM_S, run.end_s, every_s)
    truths = {"s": (0, run.s_m), "v": (1, run.v_mps), "recorder": (1, run.recorder_mps)}
    found: dict[str, list[np.ndarray]] = {name: [] for name in truths}
    for role in estimator.ROLES:
        for name, (order, true) in truths.items():
            value, rows = estimator.course(fit, role, t, order)
            sd = estimator.deviation(fit, rows)
            found[name].append(np.column_stack([value - np.interp(t, run.t_s, true), sd]))
    return {name: np.array(values) for name, values in found.items()}


def ratio(pairs: np.ndarray) -> float:
    """Root mean square of errors over their standard errors, of (..., 2)."""
    return float(np.sqrt(np.mean((pairs[..., 0] / pairs[..., 1]) ** 2)))


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def fit_start(places_m, seconds, free: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """(V, tau, launch) by least squares of the times at places counted from the front foot, and
    what the law's times exceed those seen by.

    The gates' clock starts when some part of the body cuts the first beam, before or after the
    first movement, nobody knows: `launch` is `free` and takes it up, or else is 0.
    """

    def miss(law):
        return laws.seconds_to(places_m, *law) - seconds

    found = least_squares(miss, [8.0, 1.0, -0.1][: 3 if free else 2])
    return found.x, found.fun


def fit_gates(free: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """Of the 52 starts: laws (52, 3 or 2) and residuals (52, 5)."""
    several = [fit_start(GATES_M + FOOT_BEHIND_M, seconds, free) for seconds in gates_s()]
    return tuple(np.array(part) for part in zip(*several, strict=True))
