"""The estimator against an independent smoother, against its own prior, and against the laws
of information; `straight` makes the reps."""

from dataclasses import astuple, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.interpolate import make_lsq_spline
from scipy.linalg import expm
from straight import (
    POSITION_NOISE,
    SLOW,
    SPEED_NOISE,
    THETA_MEAN,
    THETA_SD,
    axis,
    draw_rep,
    draw_theta,
    problem,
    sight,
    without_swing,
)

from pipeline.base.values import Estimate
from pipeline.measure import estimator, model

THETA = estimator.THETA
# Moving every moment of a receiver's clockwork together: start later, delays shorter.
LATER = np.array([0.0, -1.0, -1.0, 0.0, 0.0, 0.0])

# --- a reference that knows nothing of splines -----------------------------------------------


def rts(moments, observations, transition, mean, cov):
    """Kalman filter and Rauch-Tung-Striebel smoother: smoothed means and covariances.

    `observations[k]`: (values, rows, variances); `transition(dt)`: (matrix, noise).
    """
    means, covs, before, moves = [], [], [], []
    for k, (values, rows, variances) in enumerate(observations):
        move, noise = transition(moments[k] - moments[k - 1]) if k else (np.eye(len(mean)), 0.0)
        mean, cov = move @ mean, move @ cov @ move.T + noise
        before.append((mean, cov))
        moves.append(move)
        spread = rows @ cov @ rows.T + np.diag(variances)
        gain = np.linalg.solve(spread, rows @ cov).T
        mean = mean + gain @ (values - rows @ mean)
        cov = cov - gain @ spread @ gain.T
        cov = (cov + cov.T) / 2
        means.append(mean)
        covs.append(cov)
    for k in range(len(means) - 2, -1, -1):
        predicted, spread = before[k + 1]
        back = np.linalg.solve(spread, moves[k + 1] @ covs[k]).T
        means[k] = means[k] + back @ (means[k + 1] - predicted)
        covs[k] = covs[k] + back @ (covs[k + 1] - spread) @ back.T
    return np.array(means), np.array(covs)


def local_level(values, variance, drift, mean, cov):
    """Smoothed level of a random walk seen with noise."""
    moments = np.arange(len(values), dtype=float)
    seen = [(np.array([y]), np.eye(1), np.array([variance])) for y in values]
    means, covs = rts(
        moments,
        seen,
        lambda dt: (np.eye(1), drift * dt * np.eye(1)),
        np.array([mean]),
        np.array([[cov]]),
    )
    return means[:, 0], covs[:, 0, 0]


def test_reference_gives_the_three_point_example():
    # Prior N(0, 1) of the level before the first step, q = r = 1, y = 1, 3, 2, worked by hand.
    # Here the prior stands at the first observation: 0.5 filtered, as in the example.
    means, covs = local_level([1.0, 3.0, 2.0], 1.0, 1.0, 0.0, 1.0)
    np.testing.assert_allclose(means, [1.0, 2.0, 2.0], atol=1e-12)
    np.testing.assert_allclose(covs, [5 / 13, 6 / 13, 8 / 13], atol=1e-12)


# Annual flow of the Nile at Aswan, 1871-1970, in 1e8 m³ (G. W. Cobb, Biometrika 65, 1978, 243-251).
NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140,
    995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840,
    874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821,
    768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676,
    649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
    1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], dtype=float)  # fmt: skip


def test_reference_gives_the_smoothed_nile():
    # A local level with H = 15099 and Q = 1469.1:
    # Durbin & Koopman, Time Series Analysis by State Space Methods, ch. 2; the smoothed values
    # with an exact diffuse start, as the open libraries for state spaces give them.
    means, covs = local_level(NILE, 15099.0, 1469.1, 0.0, 1e11)
    published = {1: 1111.668, 2: 1110.858, 3: 1105.266, 28: 999.585, 29: 950.930, 50: 834.763}
    for year, level in {**published, 99: 804.050, 100: 798.370}.items():
        assert means[year - 1] == pytest.approx(level, abs=2e-3)
    assert covs[[0, -1]] == pytest.approx([4032.158, 4032.158], abs=0.02)
    assert covs[50] == pytest.approx(2326.757, abs=0.02)


def wandering_target(dt, tau, extra):
    """Discrete form (Van Loan 1978) of s' = v, v' = (u - v)/tau, du = WANDER dW, and `extra`
    constants."""
    drift = np.array([[0, 1, 0], [0, -1 / tau, 1 / tau], [0, 0, 0]])
    both = np.zeros((6, 6))
    both[:3, :3], both[3:, 3:] = -drift, drift.T
    both[2, 5] = model.WANDER_MPS**2
    both = expm(both * dt)
    move, noise = np.eye(3 + extra), np.zeros((3 + extra, 3 + extra))
    move[:3, :3] = both[3:, 3:].T
    noise[:3, :3] = move[:3, :3] @ both[:3, 3:]
    return move, (noise + noise.T) / 2


def weight_used(z):
    """The weight Student's t gives a measurement, here an exact variance for the reference."""
    return (model.STUDENT_NU + 1) / (model.STUDENT_NU + z**2)


def smoothed(fit, swing):
    """The reference on what the fit's incoming runner, under way, was measured by."""
    one = fit.problem.incoming
    keep = np.isfinite(one.speed_mps)
    t = one.t_s[keep]
    turn = 2 * np.pi * t[:, None] * model.STEP_HZ
    waves = np.hstack([np.cos(turn), np.sin(turn)]) if swing else np.zeros((t.size, 0))
    extra = waves.shape[1]
    z = fit.position_residual[0].reshape(2, -1)
    place_var = one.position_noise_m**2 / weight_used(np.hypot(*z) / np.sqrt(2))
    speed_var = one.speed_noise_mps**2 / weight_used(fit.speed_residual[0])
    observations = []
    for k in range(t.size):
        rows = np.zeros((2, 3 + extra))
        rows[0, 0] = rows[1, 1] = 1.0
        rows[1, 3:] = waves[k]
        values = np.array([one.xy_m[keep][k, 0], one.speed_mps[keep][k]])
        observations.append((values, rows, np.array([place_var[k], speed_var[k]])))
    each = model.SWING_ALL_MPS**2 / model.STEP_HZ.size
    target = model.TARGET_MPS
    means, covs = rts(
        t,
        observations,
        lambda dt: wandering_target(dt, fit.problem.tau_s, extra),
        np.concatenate([[0.0, 0.0, target.value], np.zeros(extra)]),
        np.diag([1e6, 1e4, target.sd**2, *np.full(extra, each)]),
    )
    return t, means, np.sqrt(np.diagonal(covs, axis1=1, axis2=2))


@pytest.mark.parametrize("rate", [4.0, 10.0])
@pytest.mark.parametrize("swing", [False, True])
def test_smoother_agrees_with_kalman_and_rts(rate, swing):
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 6.0, 1 / rate)
    v = 9.0 + 0.8 * np.sin(1.1 * t)
    s = 9.0 * t - 0.8 / 1.1 * (np.cos(1.1 * t) - 1) - 20.0
    one = sight(
        t,
        s + rng.normal(0, POSITION_NOISE, t.size),
        v + rng.normal(0, SPEED_NOISE, t.size),
    )
    if not swing:
        one = without_swing(one)
    fit = estimator.solve(problem(one, one))
    moments, means, sds = smoothed(fit, swing)
    for order in (0, 1):
        value, rows = estimator.course(fit, "incoming", moments, order)
        sd = estimator.deviation(fit, rows)
        assert np.abs(value - means[:, order]).max() < 0.15 * sd.min()
        np.testing.assert_allclose(sd, sds[:, order], rtol=0.04)


# --- the prior alone, by its formula -------------------------------------------------------------


def at_a_stand(start_s=0.0, sure=1e-5):
    t = np.arange(-3.0, -0.5, 0.1)
    return without_swing(
        sight(
            t,
            np.zeros(t.size),
            np.full(t.size, 1e-3),
            stand_speed_mps=1e-3,
            end_s=5.0,
            start_s=start_s,
            onset=Estimate(start_s, sure),
            stand_m=Estimate(0.0, 0.05),
        )
    )


def test_unseen_run_is_exponential_and_its_target_a_random_walk():
    # Nothing is known but the start: v + tau v' must be the prior's target all along, its variance
    # that of the target plus the integral of the wander, twofold within the first second or so.
    fit = estimator.solve(problem(at_a_stand(), at_a_stand(), theta_sd=1e-6))
    t = np.array([0.3, 0.6, 1.0, 1.7, 2.6, 3.5, 4.6])
    v, v_rows = estimator.course(fit, "incoming", t, 1)
    a, a_rows = estimator.course(fit, "incoming", t, 2)
    tau = fit.problem.tau_s
    target = model.TARGET_MPS
    np.testing.assert_allclose(v + tau * a, target.value, rtol=0.01)
    x = t - model.RISE_S
    launch = 0.5 * (np.exp(-model.RISE_S / 0.5) - np.exp(-t / 0.5))
    wander = model.WANDER_MPS**2 * x + model.LAUNCH_MPS**2 * launch
    sd = estimator.deviation(fit, v_rows + tau * a_rows)
    np.testing.assert_allclose(sd, np.sqrt(target.sd**2 + wander), rtol=0.03)


def penalty_of(course, breaks, tau, letting_go=None, launched=False):
    """What the estimator's penalty charges for a course given as a function of time."""
    knots = np.concatenate([[breaks[0]] * 3, breaks, [breaks[-1]] * 3])
    x = np.linspace(breaks[0], breaks[-1], 20 * breaks.size)
    c = make_lsq_spline(x, course(x), knots).c
    penalty, _ = model.roughness(tuple(knots.tolist()), tau, letting_go, launched)
    return float(c @ penalty @ c)


@pytest.mark.parametrize("tau", [0.9, 1.2, 1.5])
def test_exact_exponential_costs_nothing(tau):
    # s'' + tau s''' = 0 for v = V (1 - exp(-t/tau)): Furusawa, Hill & Parkinson 1927. Cubic pieces
    # cannot follow it exactly: finer knots must take the little that is left away, as their square.
    def exponential(x):
        return 10.0 * (x + tau * np.exp(-x / tau))

    def linear_speed(x):  # from the same acceleration, which then stays
        return 10.0 / tau * x**2 / 2

    coarse, fine = (
        penalty_of(exponential, np.arange(0.0, 6.0 + step / 2, step), tau) for step in (0.2, 0.1)
    )
    assert coarse < 0.005 * penalty_of(linear_speed, np.arange(0.0, 6.1, 0.2), tau)
    assert fine == pytest.approx(coarse / 4, rel=0.1)
    wrong = penalty_of(exponential, np.arange(0.0, 6.1, 0.1), 1.3 * tau)
    assert fine < 0.1 * wrong


def test_penalty_is_the_integral_it_stands_for():
    # For s = a t^2/2 + j t^3/6, which cubic pieces hold exactly: (a + j (t + tau))^2 integrated
    # over the wander's rate, larger at a launch and after the baton is let go.
    a, j, tau = 2.0, -0.3, 1.2
    breaks = model.run_knots(5.0)
    end = breaks[-1]

    def course(x):
        return a * x**2 / 2 + j * x**3 / 6

    def integral(rate, first, pieces=()):
        def inner(x):
            return (a + j * (x + tau)) ** 2 / rate(x)

        return quad(inner, first, end, points=list(pieces), limit=200)[0]

    steady = model.WANDER_MPS**2
    assert penalty_of(course, breaks, tau) == pytest.approx(integral(lambda _: steady, 0.0))
    launch = integral(lambda x: steady + model.LAUNCH_MPS**2 * np.exp(-x / 0.5), model.RISE_S)
    assert penalty_of(course, breaks, tau, None, True) == pytest.approx(launch, rel=1e-3)
    go = float(breaks[12])
    let = integral(lambda x: steady + (x > go) * model.LETTING_GO_MPS**2, 0.0, [go])
    assert penalty_of(course, breaks, tau, go) == pytest.approx(let, rel=1e-6)


# --- honest covariance ---------------------------------------------------------------------


def scores(rate_hz, onset_sd, reps, seed):
    """Standardised errors by quantity, over reps drawn from the model itself."""
    rng = np.random.default_rng(seed)
    out = {name: [] for name in ("t0", "s", "v", "crossing", "scale", "delay")}
    for _ in range(reps):
        one, courses, theta = draw_rep(rng, rate_hz=rate_hz, onset_sd=onset_sd)
        fit = estimator.solve(one)
        for role, course, line in zip(estimator.ROLES, courses, (0.0, 12.0), strict=True):
            start = fit.start(role)
            out["t0"].append((start.value - course.t0) / start.sd)
            moment, row = estimator.crossing(fit, role, line)
            sd = estimator.deviation(fit, row[None, :])[0]
            out["crossing"].append((moment - course.reaches(line)) / sd)
            t = course.t0 + np.array([0.8, 1.6, 2.8])
            for name, order, truth in (("s", 0, course.s(t)), ("v", 1, course.v(t))):
                value, rows = estimator.course(fit, role, t, order)
                out[name].extend((value - truth) / estimator.deviation(fit, rows))
            for name, part in (("scale", 0), ("delay", 1)):
                layout = fit.layouts[estimator.ROLES.index(role)]
                at = layout.block.start + layout.theta.start + part
                true = theta[THETA * estimator.ROLES.index(role) + part]
                out[name].append((fit.x[at] - true) / np.sqrt(fit.cov[at, at]))
    return {name: np.array(z) for name, z in out.items()}


@pytest.mark.parametrize(
    ("rate_hz", "onset_sd", "seed"), [(10.0, None, 1), (10.0, 0.02, 2), (5.0, None, 3)]
)
def test_standard_errors_are_honest(rate_hz, onset_sd, seed):
    for name, z in scores(rate_hz, onset_sd, 70, seed).items():
        assert 0.8 < np.sqrt(np.mean(z**2)) < 1.25, name
        assert abs(np.mean(z)) < 0.35, name


def test_standard_errors_are_honest_once_a_second():
    for name, z in scores(1.0, 0.02, 70, 4).items():
        assert 0.75 < np.sqrt(np.mean(z**2)) < 1.35, name


# --- messages ------------------------------------------------------------------------------------


def pooled(fits):
    theta_cov = fits[0].problem.theta_cov
    info = np.linalg.inv(theta_cov)
    vector = info @ fits[0].problem.theta_mean
    for fit in fits:
        one, other = estimator.receiver_message(fit)
        info, vector = info + one, vector + other
    cov = np.linalg.inv(info)
    return cov @ vector, cov


def test_scale_and_delay_come_back_from_many_reps():
    z = []
    for seed in range(6):
        rng = np.random.default_rng(100 + seed)
        theta = draw_theta(rng)
        fits = [estimator.solve(draw_rep(rng, theta, onset_sd=0.02)[0]) for _ in range(10)]
        mean, cov = pooled(fits)
        sd = np.sqrt(np.diag(cov))
        for role in (0, 1):
            scale, delay = THETA * role, THETA * role + 1
            assert sd[scale] < 0.75 * THETA_SD[0]
            assert sd[delay] < 0.2 * THETA_SD[1]
            assert sd[delay] < 0.6 * np.sqrt(
                fits[0].cov[fits[0].layouts[role].block.start :, :][
                    fits[0].layouts[role].theta.start + 1,
                    fits[0].layouts[role].block.start + fits[0].layouts[role].theta.start + 1,
                ]
            )
            z += [(mean - theta)[scale] / sd[scale], (mean - theta)[delay] / sd[delay]]
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.45


def exact_rep(shift=0.0, **other):
    """Noise-free: both set off, run as the model's exponential runs, seen at 10 Hz."""
    tau = model.TAU_S

    def seen(t0, stand, end):
        t = np.arange(t0 - 5.0, end, 0.1)
        x = np.maximum(t - 0.06 - t0, 0)
        y = np.maximum(t - t0, 0)
        v = 9.8 * -np.expm1(-x / tau)
        s = stand + 9.8 * (y + tau * np.expm1(-y / tau))
        return sight(
            t,
            s,
            np.hypot(v, 0.05),
            stand_speed_mps=0.05,
            end_s=end,
            start_s=t0 + 0.03,
            stand_m=Estimate(stand, 0.08),
            **other,
        )

    mean = np.tile(THETA_MEAN, 2) + shift * np.tile(LATER, 2)
    return seen(-4.0, -30.0, 3.0), seen(-0.5, 2.0, 3.5), mean


def test_information_of_a_union_is_the_sum():
    # One rep solved with what another told as its prior must know what both told together.
    one, other, mean = exact_rep()
    sd = np.tile(THETA_SD, 2)
    first = estimator.solve(problem(one, other, theta_mean=mean, theta_sd=sd))
    info, vector = estimator.receiver_message(first)
    prior = np.linalg.inv(first.problem.theta_cov)
    cov = np.linalg.inv(prior + info)
    told = cov @ (vector + prior @ mean)
    second = estimator.solve(replace(first.problem, theta_mean=told, theta_cov=(cov + cov.T) / 2))
    where = [
        layout.block.start + layout.theta.start + i
        for layout in second.layouts
        for i in range(THETA)
    ]
    union = np.linalg.inv(second.cov[np.ix_(where, where)])
    np.testing.assert_allclose(union, prior + 2 * info, rtol=0.02, atol=0.02 * np.abs(info).max())
    again, _ = estimator.receiver_message(second)
    np.testing.assert_allclose(again, info, atol=0.02 * np.abs(info).max())


def test_runners_of_one_rep_are_told_apart():
    # Receivers independent of each other, no gap: nothing is said across, and roles are names only.
    one, other, mean = exact_rep()
    sd = np.tile(THETA_SD, 2)
    both = estimator.solve(problem(one, other, theta_mean=mean, theta_sd=sd))
    swapped = estimator.solve(problem(other, one, theta_mean=mean, theta_sd=sd))
    info, vector = estimator.receiver_message(both)
    back, back_vector = estimator.receiver_message(swapped)
    turn = np.r_[THETA : 2 * THETA, :THETA]
    scale = np.abs(info).max()
    assert np.abs(info[:THETA, THETA:]).max() < 1e-6 * scale
    np.testing.assert_allclose(back[np.ix_(turn, turn)], info, rtol=1e-3, atol=1e-6 * scale)
    np.testing.assert_allclose(back_vector[turn], vector, rtol=1e-3, atol=1e-2)


def test_message_has_no_negative_information():
    rng = np.random.default_rng(8)
    for onset in (None, 0.02):
        info, _ = estimator.receiver_message(estimator.solve(draw_rep(rng, onset_sd=onset)[0]))
        values = np.linalg.eigvalsh(info)
        assert values.min() > -1e-6 * values.max()


def test_nothing_tells_a_late_start_from_short_delays():
    # Without an onset only the weak prior of the start (1 s) stands against moving all moments.
    one, other, mean = exact_rep()
    sd = np.tile(THETA_SD, 2)
    fit = estimator.solve(problem(one, other, theta_mean=mean, theta_sd=sd))
    info, _ = estimator.receiver_message(fit)
    for role in (0, 1):
        direction = np.zeros(2 * THETA)
        direction[THETA * role : THETA * (role + 1)] = LATER
        assert -1e-6 * info.max() < direction @ info @ direction < 1.001
        single = np.abs(direction) * (np.arange(2 * THETA) % THETA == 1)
        assert single @ info @ single > 500.0  # the speed's delay against the position's


def test_onset_tells_the_clockwork_and_variances_add():
    # An accelerometer's onset tells what nothing else does. To its variance comes that of the
    # start's place on the course, the same whatever the onset is good for.
    one, other, mean = exact_rep()
    direction = np.concatenate([LATER, np.zeros(THETA)])
    added = []
    for onset_sd in (0.005, 0.02, 0.06):
        seen = replace(one, onset=Estimate(-4.0, onset_sd))
        fit = estimator.solve(problem(seen, other, theta_mean=mean, theta_sd=np.tile(THETA_SD, 2)))
        info, _ = estimator.receiver_message(fit)
        added.append(1 / (direction @ info @ direction) - onset_sd**2)
    assert min(added) > 0.0
    assert max(added) < 0.02**2
    np.testing.assert_allclose(added, added[0], rtol=0.25)


@settings(max_examples=8, deadline=None)
@given(st.floats(-0.05, 0.05))
def test_moving_all_moments_moves_nothing_else(shift):
    fits = []
    for by in (0.0, shift):
        one, other, mean = exact_rep(by)
        fits.append(
            estimator.solve(problem(one, other, theta_mean=mean, theta_sd=1e-5), iterations=30)
        )
    still, moved = fits
    for role in estimator.ROLES:
        i = estimator.ROLES.index(role)
        assert moved.start(role).value - still.start(role).value == pytest.approx(shift, abs=2e-3)
        np.testing.assert_allclose(moved.speed_residual[i], still.speed_residual[i], atol=0.02)
        np.testing.assert_allclose(
            moved.position_residual[i], still.position_residual[i], atol=0.01
        )
        there = estimator.crossing(moved, role, 5.0)[0] - estimator.crossing(still, role, 5.0)[0]
        assert there == pytest.approx(shift, abs=5e-4)


# --- reading a fit ---------------------------------------------------------------------------


def test_rows_are_the_derivatives_of_what_they_stand_for():
    fit = estimator.solve(draw_rep(np.random.default_rng(5))[0])
    moment, row = estimator.crossing(fit, "incoming", 0.0)
    value, full = estimator.value_at(fit, "incoming", (moment, row), 1)
    rng = np.random.default_rng(6)
    step = 1e-3 * rng.normal(size=fit.x.size) * np.sqrt(np.diag(fit.cov))
    near = replace(fit, x=fit.x + step)
    there = estimator.crossing(near, "incoming", 0.0)[0]
    speed, _ = estimator.course(near, "incoming", np.array([there]), 1)
    assert there - moment == pytest.approx(row @ step, rel=0.02, abs=1e-7)
    assert speed[0] - value == pytest.approx(full @ step, rel=0.02, abs=1e-6)


def test_course_is_consistent_with_its_own_derivatives():
    fit = estimator.solve(draw_rep(np.random.default_rng(7))[0])
    t = np.arange(-3.0, 3.0, 0.01)
    for role in estimator.ROLES:
        for order in (0, 1):
            value, _ = estimator.course(fit, role, t, order)
            slope, _ = estimator.course(fit, role, t, order + 1)
            steps = np.concatenate([[0.0], np.cumsum((slope[1:] + slope[:-1]) / 2 * 0.01)])
            np.testing.assert_allclose(value, value[0] + steps, atol=5e-3)
        before = fit.start(role).value - np.array([0.5, 1.0])
        for order in (1, 2):
            np.testing.assert_allclose(
                estimator.course(fit, role, before, order)[0], 0.0, atol=1e-9
            )


def test_places_of_the_lane_are_only_a_choice_of_origin():
    one, _, _ = draw_rep(np.random.default_rng(9))
    fit = estimator.solve(one)
    far = 17.0

    def moved(seen):
        xy = seen.xy_m + np.array([far, 0.0])
        return replace(seen, xy_m=xy, stand_m=Estimate(seen.stand_m.value + far, seen.stand_m.sd))

    lane = axis(back_m=far)
    other = estimator.solve(
        replace(one, axis=lane, incoming=moved(one.incoming), outgoing=moved(one.outgoing))
    )
    t = np.array([-2.0, 0.0, 2.0])
    for role in estimator.ROLES:
        s, rows = estimator.course(fit, role, t)
        s_moved, rows_moved = estimator.course(other, role, t)
        np.testing.assert_allclose(s_moved, s + far, atol=2e-3)
        np.testing.assert_allclose(
            estimator.deviation(other, rows_moved), estimator.deviation(fit, rows), rtol=5e-3
        )


def test_a_wild_fix_and_a_wild_speed_hardly_count():
    one, _, _ = draw_rep(np.random.default_rng(10))
    fit = estimator.solve(one)
    xy = np.array(one.incoming.xy_m)
    speed = np.array(one.incoming.speed_mps)
    i = int(np.searchsorted(one.incoming.t_s, -0.5))
    xy[i] += [6.0, -4.0]
    speed[i + 9] += 5.0
    hurt = estimator.solve(replace(one, incoming=replace(one.incoming, xy_m=xy, speed_mps=speed)))
    moment, row = estimator.crossing(fit, "incoming", 0.0)
    sd = estimator.deviation(fit, row[None, :])[0]
    assert abs(estimator.crossing(hurt, "incoming", 0.0)[0] - moment) < 0.5 * sd


def test_known_gap_is_kept_and_sharpens():
    one, courses, _ = draw_rep(np.random.default_rng(12))
    fit = estimator.solve(one)
    t = np.array([1.0])
    gap = float(courses[1].s(t)[0] - courses[0].s(t)[0])
    tied = estimator.solve(replace(one, gap=(1.0, Estimate(gap, 0.01))))
    out, out_rows = estimator.course(tied, "outgoing", t)
    into, in_rows = estimator.course(tied, "incoming", t)
    assert (out - into)[0] == pytest.approx(gap, abs=0.02)
    assert estimator.deviation(tied, out_rows - in_rows)[0] < 0.0101
    _, loose = estimator.course(fit, "incoming", t)
    assert estimator.deviation(tied, in_rows)[0] < estimator.deviation(fit, loose)[0]


def test_noise_power_gives_the_noise_back():
    sums = np.zeros((2, 4))
    rng = np.random.default_rng(13)
    for _ in range(20):
        fit = estimator.solve(draw_rep(rng)[0])
        for role in (0, 1):
            sums[role] += astuple(fit.noise_power[role])
    speed = np.sqrt(sums[:, 0].sum() / sums[:, 1].sum())
    place = np.sqrt(sums[:, 2].sum() / sums[:, 3].sum())
    assert speed == pytest.approx(SPEED_NOISE, rel=0.15)
    assert place == pytest.approx(POSITION_NOISE, rel=0.15)


def test_bystanders_show_the_shared_error():
    # A unit that stands by and shows the shared error exactly leaves its shape but not its level.
    t = np.arange(0.0, 8.0, 1.0)
    wave = np.column_stack([0.5 * np.sin(t / 3), 0.3 * np.cos(t / 4)])
    far = np.array([400.0, -90.0])  # where somebody stands is nobody's error
    alone_mean, alone = model.slow_prior(SLOW, t, ())
    mean, cov = model.slow_prior(SLOW, t, ((t, far + wave, 0.01),))
    assert np.abs(alone_mean).max() == 0.0
    assert np.linalg.eigvalsh(alone - cov).min() > -1e-9  # knowing more is never knowing less
    contrast = np.array([1.0, 0, 0, 0, 0, 0, 0, -1.0])
    for role in (0, 1):
        part = np.s_[8 * role : 8 * (role + 1)]
        for i in (0, 1):
            expected = contrast @ wave[:, i]
            assert np.sign(contrast @ mean[role, i]) == np.sign(expected)
            assert abs(contrast @ mean[role, i]) < abs(expected) + 0.05
        assert contrast @ cov[part, part] @ contrast < 0.8 * (
            contrast @ alone[part, part] @ contrast
        )


# --- how long the force of a start takes to rise --------------------------------------------


def started(rise_s, rng, **other):
    """Ten fixes a second of a start at 0 s whose force rises along half a cosine for `rise_s`."""
    fine = np.arange(0.0, 5.0, 1e-3)
    v, place = np.zeros(fine.size), np.zeros(fine.size)
    for k in range(1, fine.size):
        force = (1 - np.cos(np.pi * min(1.0, fine[k] / rise_s))) / 2
        v[k] = v[k - 1] + 1e-3 * force * (9.5 - v[k - 1]) / 1.2
        place[k] = place[k - 1] + 1e-3 * v[k]
    t = np.arange(-3.0, 5.0, 0.1)
    speed, s = np.interp(t, fine, v, left=0.0), np.interp(t, fine, place, left=0.0)
    return sight(
        t, s + rng.normal(0, 0.03, t.size), np.abs(speed + rng.normal(0, 0.03, t.size)),
        start_s=0.05, stand_m=Estimate(0.0, 0.05), speed_noise_mps=0.05, position_noise_m=0.05,
        **other,
    )  # fmt: skip


RISE_UNKNOWN = np.tile([1e-3, 2e-3, 2e-3, 5e-3, 1e-3, 0.055], 2)


@pytest.mark.parametrize("rise_s", [0.06, 0.14, 0.24])
def test_an_accelerometer_tells_how_long_the_force_takes_to_rise(rise_s):
    rng = np.random.default_rng(int(1000 * rise_s))
    found, starts = [], []
    for _ in range(6):
        one = started(rise_s, rng, onset=Estimate(float(rng.normal(0.0, 0.004)), 0.004))
        fit = estimator.solve(problem(one, one, theta_sd=RISE_UNKNOWN))
        place = fit.layouts[1].block.start + fit.layouts[1].theta.start + 5
        found.append(model.RISE_S + fit.x[place])
        assert fit.cov[place, place] ** 0.5 < 0.04  # less is known beforehand
        starts.append(fit.start("outgoing").value)
    assert np.sqrt(np.mean(np.square(starts))) < 0.009
    assert np.mean(found) == pytest.approx(rise_s, abs=0.025)


@pytest.mark.parametrize("rise_s", [0.06, 0.14, 0.24])
def test_without_an_accelerometer_the_first_movement_is_as_doubtful_as_the_rise(rise_s):
    rng = np.random.default_rng(int(1000 * rise_s))
    one = started(rise_s, rng)
    loose, tied = (
        estimator.solve(problem(one, one, theta_sd=sd)).start("outgoing")
        for sd in (RISE_UNKNOWN, RISE_UNKNOWN * np.tile([1, 1, 1, 1, 1, 1e-3], 2))
    )
    assert 0.024 < loose.sd < 0.035
    assert tied.sd < 0.015
    assert abs(loose.value) < 2.5 * loose.sd
