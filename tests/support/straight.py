"""Small reps on a straight lane: the axis, problems, and runners drawn from the model's own law."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.base.values import Estimate, ZoneAxis
from pipeline.measure import estimator, model
from pipeline.measure.noise import SlowError

SPEED_NOISE, POSITION_NOISE = 0.12, 0.15
REST, REST_NOISE = 0.1, 0.05
NO_SLOW = SlowError(np.array([60.0]), np.array([0.0]), np.array([0.0]))
SLOW = SlowError(np.array([15.0, 60.0, 2000.0]), np.array([0.02, 0.4, 0.5]), np.full(3, 0.1))
THETA_MEAN = np.array([0.0, 0.06, 0.0, 0.0, 0.5, 0.0])
THETA_SD = np.array([0.006, 0.10, 0.01, 0.006, 0.5, 1e-4])  # the force rises for RISE_S


def axis(back_m=0.0, exit_m=30.0, first_m=-130.0, last_m=130.0, **other):
    """A lane that runs due east; the entry line is the origin."""
    s = np.arange(first_m, last_m + 0.25, 0.5)
    flat = np.zeros_like(s)
    xy = np.column_stack([s, flat])
    facts = {"lane": 3, "zone": 1, "event": "4x100", **other}
    return ZoneAxis(
        origin_lat_deg=48.2,
        origin_lon_deg=16.3,
        origin_alt_m=200.0,
        s_m=s,
        xy_m=xy,
        heading_rad=flat,
        curvature_pm=flat,
        back_m=back_m,
        exit_m=exit_m,
        **facts,
    )


def sight(t_s, s_m, v_mps, **other):
    """What an exact receiver sees of a course; `other` replaces any field of the Sight."""
    t = np.asarray(t_s, dtype=float)
    fields = {
        "t_s": t,
        "xy_m": np.column_stack([s_m, np.zeros(t.size)]),
        "speed_mps": np.asarray(v_mps, dtype=float),
        "step_phase": np.full(t.size, np.nan),
        "end_s": float(t[-1]),
        "speed_noise_mps": SPEED_NOISE,
        "stand_speed_mps": 1e-6,
        "stand_noise_mps": REST_NOISE,
        "position_noise_m": POSITION_NOISE,
    }
    return estimator.RunnerMeasurements(**{**fields, **other})


def without_swing(one):
    """The same with the swing inside the steps out of the model: the steps count as seen, but
    only at five moments that measured nothing."""
    extra = np.linspace(one.t_s[0] + 0.011, one.t_s[0] + 0.055, 5)
    order = np.argsort(np.concatenate([one.t_s, extra]), kind="stable")
    nan = np.full(5, np.nan)
    return replace(
        one,
        t_s=np.concatenate([one.t_s, extra])[order],
        xy_m=np.vstack([one.xy_m, np.full((5, 2), np.nan)])[order],
        speed_mps=np.concatenate([one.speed_mps, nan])[order],
        step_phase=np.concatenate([np.full(one.t_s.size, np.nan), np.arange(5.0)])[order],
    )


def problem(
    incoming,
    outgoing,
    lane=None,
    theta_mean=None,
    theta_sd=1e-4,
    slow=NO_SLOW,
    **other,
):
    """One rep; receivers known to `theta_sd`, each independent of the other."""
    first = min(incoming.t_s[0], outgoing.t_s[0])
    last = max(incoming.end_s, outgoing.end_s)
    knots = np.arange(first, last + model.SLOW_STEP_S, model.SLOW_STEP_S)
    mean, cov = model.slow_prior(slow, knots, ())
    theta = np.zeros(2 * estimator.THETA) if theta_mean is None else np.asarray(theta_mean)
    sd = np.broadcast_to(theta_sd, 2 * estimator.THETA)
    return estimator.Problem(
        zero_utc_s=0.0,
        axis=lane or axis(),
        incoming=incoming,
        outgoing=outgoing,
        theta_mean=theta,
        theta_cov=np.diag(sd**2),
        slow_t_s=knots,
        slow_mean=mean,
        slow_cov=cov,
        **other,
    )


# --- drawn from the model's own law ------------------------------------------------------


@dataclass(frozen=True)
class Course:
    """A drawn run from a stand: true place and speed at any moment."""

    t0: float
    stand: float
    grid: np.ndarray
    place: np.ndarray
    speed: np.ndarray

    def s(self, t):
        return self.stand + np.interp(t - self.t0, self.grid, self.place, left=0.0)

    def v(self, t):
        return np.interp(t - self.t0, self.grid, self.speed, left=0.0)

    def reaches(self, place):
        i = int(np.flatnonzero(self.stand + self.place >= place)[0])
        two = slice(i - 1, i + 1)
        return self.t0 + float(np.interp(place - self.stand, self.place[two], self.grid[two]))


def draw_course(rng, t0, stand, least_m, length):
    """From rest: force rising for RISE_S, then v' = (u - v)/tau with u a random walk; drawn again
    (once in a hundred times) until `least_m` are covered in time."""
    course = _drawn(rng, t0, stand, length)
    while course.place[-1] < least_m:
        course = _drawn(rng, t0, stand, length)
    return course


def _drawn(rng, t0, stand, length):
    step = 0.005
    grid = np.arange(0.0, length + step, step)
    tau, rise = model.TAU_S, model.RISE_S
    u = 0.0
    while not 6.0 < u < 13.0:
        u = rng.normal(model.TARGET_MPS.value, model.TARGET_MPS.sd)
    jerk = u / (rise**2 / 2 + tau * rise)
    speed = np.where(grid <= rise, jerk * grid**2 / 2, 0.0)
    for i in np.flatnonzero(grid > rise):
        x = grid[i - 1]
        rate = model.WANDER_MPS**2 + model.LAUNCH_MPS**2 * np.exp(-x / 0.5)
        u += rng.normal(0.0, np.sqrt(rate * step))
        speed[i] = speed[i - 1] + (u - speed[i - 1]) * -np.expm1(-step / tau)
    place = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * step)])
    return Course(t0, stand, grid, place, speed)


def draw_sight(rng, course, theta, slow_xy, slow_t, t, **other):
    """What a receiver with parameters `theta` (THETA,) made of a course at `t` (n,)."""
    value = (1 + theta[0]) * course.v(t - theta[1])
    turn = 2 * np.pi * t[:, None] * model.STEP_HZ
    each = model.SWING_ALL_MPS / np.sqrt(model.STEP_HZ.size)
    waves = np.hstack([np.cos(turn), np.sin(turn)])
    value = value + (value > 2) * (waves @ rng.normal(0, each, waves.shape[1]))
    noise = np.where(value < 0.5, REST_NOISE, SPEED_NOISE)
    speed = np.hypot(value, REST) + rng.normal(size=t.size) * noise
    knots = np.linspace(t[0], t[-1], int(np.ceil((t[-1] - t[0]) / model.SWAY_STEP_S)) + 1)
    apart = np.abs(knots[:, None] - knots[None, :])
    sway = model.SIDEWAYS_M**2 + model.SWAY_M**2 * np.exp(-apart / model.SWAY_TIME_S)
    aside = np.interp(t, knots, rng.multivariate_normal(np.zeros(knots.size), sway))
    xy = np.column_stack([course.s(t - theta[2]), -aside])
    xy += np.column_stack([np.interp(t, slow_t, b) for b in slow_xy])
    xy += rng.normal(0, POSITION_NOISE, xy.shape)
    return sight(t, xy[:, 0], speed, **{"stand_speed_mps": REST, "xy_m": xy, **other})


def draw_theta(rng, theta_sd=THETA_SD):
    """Both receivers' parameters; the force of all draws rises for RISE_S."""
    theta = np.tile(THETA_MEAN, (2, 1))
    theta[:, :-1] += rng.normal(size=(2, THETA_MEAN.size - 1)) * theta_sd[:-1]
    return theta.ravel()


def draw_rep(rng, theta=None, theta_sd=THETA_SD, rate_hz=10.0, slow=SLOW, onset_sd=None):
    """One rep from stands 30 m before and 2 m inside the zone: problem, courses, theta."""
    if theta is None:
        theta = draw_theta(rng, theta_sd)
    starts = (rng.uniform(-4.2, -3.8), rng.uniform(-0.7, -0.3))
    last = 4.0
    courses = [
        draw_course(rng, t0, stand, least, last - t0)
        for t0, stand, least in zip(starts, (-30.0, 2.0), (32.0, 15.0), strict=True)
    ]
    first = starts[0] - 6.0
    knots = np.arange(first, last + model.SLOW_STEP_S, model.SLOW_STEP_S)
    _, cov = model.slow_prior(slow, knots, ())
    cov = cov + 1e-12 * np.eye(len(cov))
    slow_xy = np.stack([rng.multivariate_normal(np.zeros(len(cov)), cov) for _ in range(2)])
    slow_xy = slow_xy.reshape(2, 2, knots.size)  # axis, role, knot
    sights = []
    for role, course in enumerate(courses):
        mine = theta[estimator.THETA * role : estimator.THETA * (role + 1)]
        begin = first if role == 0 else course.t0 - 6.0
        t = np.arange(begin + rng.uniform(0.01, 0.09), last, 1 / rate_hz)
        seen = None
        if onset_sd is not None:
            seen = Estimate(course.t0 + mine[3] + rng.normal(0, onset_sd), onset_sd)
        sights.append(
            draw_sight(
                rng,
                course,
                mine,
                slow_xy[:, role],
                knots,
                t,
                end_s=last,
                start_s=course.t0 + rng.normal(0, 0.05),
                onset=seen,
                stand_m=Estimate(course.stand + rng.normal(0, 0.08), 0.08),
            )
        )
    mean, _ = model.slow_prior(slow, knots, ())
    one = estimator.Problem(
        zero_utc_s=0.0,
        axis=axis(),
        incoming=sights[0],
        outgoing=sights[1],
        theta_mean=np.tile(THETA_MEAN, 2),
        theta_cov=np.diag(np.tile(theta_sd, 2) ** 2),
        slow_t_s=knots,
        slow_mean=mean,
        slow_cov=cov,
    )
    return one, courses, theta
