"""The slow error from those who stand still; stands and rest themselves."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.measure import noise


def wander(rng, seconds, variance, time_s):
    """An Ornstein-Uhlenbeck process once a second, (n, 2)."""
    keep = np.exp(-1.0 / time_s)
    out = np.empty((seconds, 2))
    out[0] = rng.normal(0, np.sqrt(variance), 2)
    for i in range(1, seconds):
        out[i] = keep * out[i - 1] + rng.normal(0, np.sqrt(variance * (1 - keep**2)), 2)
    return out


def evening(seed, shared_var, own_var, units=4, seconds=900, time_s=60.0):
    rng = np.random.default_rng(seed)
    common = wander(rng, seconds, shared_var, time_s)
    t = np.arange(float(seconds))
    return {
        f"r{i}": (t, common + wander(rng, seconds, own_var, time_s) + 10.0 * i, np.zeros(seconds))
        for i in range(units)
    }


def growth(slow, part, lag):
    """Variogram of one axis at a lag."""
    at = np.array([0.0, float(lag)])
    kernel = getattr(slow, part)(at, at)
    return kernel[0, 0] - kernel[0, 1]


def true_growth(variance, time_s, lag):
    return variance * -np.expm1(-lag / time_s)


@pytest.mark.parametrize(("shared", "own"), [(0.6, 0.3), (1.5, 0.1), (0.2, 0.8)])
def test_growth_of_the_variogram_comes_back(shared, own):
    fits = [noise.fit_slow_error(evening(seed, shared, own)) for seed in range(4)]
    for part, variance in (("shared", shared), ("own", own)):
        rates = [growth(fit, part, 10) - growth(fit, part, 2) for fit in fits]
        true = true_growth(variance, 60.0, 10) - true_growth(variance, 60.0, 2)
        assert true / 1.5 < np.mean(rates) < true * 1.5, part


def test_two_units_tell_the_shared_part_from_their_own():
    near = noise.fit_slow_error(evening(1, 1.0, 0.05, units=2, seconds=1500))
    apart = noise.fit_slow_error(evening(1, 0.05, 1.0, units=2, seconds=1500))
    for lag in (4, 10):
        assert growth(near, "shared", lag) > 4 * growth(near, "own", lag)
        assert growth(apart, "own", lag) > 4 * growth(apart, "shared", lag)
        assert growth(near, "shared", lag) == pytest.approx(true_growth(1.0, 60.0, lag), rel=0.4)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.floats(0.0, 50.0), st.integers(0, 2**32 - 1)), max_size=4
    )
)
def test_variances_are_never_negative_and_kernels_are_covariances(units):
    stands = {}
    for i, (n, size, seed) in enumerate(units):
        rng = np.random.default_rng(seed)
        stands[f"r{i}"] = (np.arange(float(n)), rng.normal(0, size, (n, 2)), np.zeros(n))
    slow = noise.fit_slow_error(stands)
    assert (slow.shared_var >= 0).all()
    assert (slow.own_var >= 0).all()
    assert slow.times_s.shape == slow.shared_var.shape == slow.own_var.shape
    t = np.linspace(0, 60, 13)
    for kernel in (slow.shared(t, t), slow.own(t, t)):
        np.testing.assert_allclose(kernel, kernel.T)
        assert np.linalg.eigvalsh(kernel).min() > -1e-9
        assert (np.diff(kernel[0]) <= 1e-12).all()


def test_nobody_standing_leaves_the_prior_and_more_evidence_moves_it():
    nobody = noise.fit_slow_error({})
    assert growth(nobody, "shared", 10) > 0
    louder = [
        growth(noise.fit_slow_error(evening(3, 5.0, 0.2, seconds=n)), "shared", 10)
        for n in (15, 1500)
    ]
    true = true_growth(5.0, 60.0, 10)
    assert abs(louder[1] - true) < abs(growth(nobody, "shared", 10) - true)
    assert louder[1] == pytest.approx(true, rel=0.5)


def test_where_people_stand_and_their_order_is_nobodys_error():
    stands = evening(5, 0.5, 0.3)
    far = {name: (t, xy + 1000.0, n) for name, (t, xy, n) in reversed(stands.items())}
    one, other = noise.fit_slow_error(stands), noise.fit_slow_error(far)
    np.testing.assert_allclose(one.shared_var, other.shared_var, atol=1e-6)
    np.testing.assert_allclose(one.own_var, other.own_var, atol=1e-6)


def test_a_new_stand_elsewhere_is_no_move():
    t, xy, number = evening(6, 0.5, 0.3, units=1)["r0"]
    stand = (t > 450).astype(float)
    jumped = xy + 80.0 * stand[:, None]
    split = noise.fit_slow_error({"a": (t, jumped, stand)})
    whole = noise.fit_slow_error({"a": (t, xy, number)})
    assert growth(split, "own", 10) == pytest.approx(growth(whole, "own", 10), rel=0.15)


# --- stands -------------------------------------------------------------------------------


def test_still_numbers_stands_of_three_seconds_and_more():
    t = np.arange(0.0, 30.0, 0.5)
    speed = np.full(t.size, 5.0)
    speed[(t >= 2) & (t <= 6)] = 0.1
    speed[(t >= 10) & (t <= 12)] = 0.1  # a stand too short
    speed[t >= 20] = 0.2
    speed[t == 25] = np.nan  # who knows
    stand = noise.still(t, speed)
    assert np.isnan(stand[(t < 2) | ((t > 6) & (t < 20))]).all()
    assert (stand[(t >= 2) & (t <= 6)] == 0).all()
    assert (stand[(t >= 20) & (t < 25)] == 1).all()
    assert np.isnan(stand[t == 25]).all()
    assert (stand[t > 25] == 2).all()


@pytest.mark.parametrize("speed", [9.0, np.nan])
def test_nobody_is_still_who_moves_or_shows_nothing(speed):
    t = np.arange(0.0, 20.0)
    assert np.isnan(noise.still(t, np.full(t.size, speed))).all()


def test_empty_and_single_fixes_are_no_stand():
    assert noise.still(np.empty(0), np.empty(0)).shape == (0,)
    assert np.isnan(noise.still(np.zeros(1), np.zeros(1))).all()
    for n in (0, 1):
        t, xy, stand = noise.per_second(np.zeros(n), np.zeros((n, 2)), np.full(n, np.nan))
        assert t.shape == stand.shape == (0,)
        assert xy.shape == (0, 2)
    t, xy, stand = noise.per_second(np.array([7.3]), np.array([[1.0, 2.0]]), np.zeros(1))
    np.testing.assert_array_equal((t[0], *xy[0], stand[0]), (7.3, 1.0, 2.0, 0.0))
    slow = noise.fit_slow_error({"a": (t, xy, stand)})
    np.testing.assert_allclose(slow.shared_var, noise.fit_slow_error({}).shared_var, atol=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 60), st.sampled_from([1.0, 5.0, 10.0]), st.integers(0, 2**32 - 1))
def test_second_means_keep_the_mean_and_the_seconds(n, rate, seed):
    rng = np.random.default_rng(seed)
    t = 1.7e9 + np.sort(rng.choice(400, n, replace=False)) / rate
    xy = rng.normal(size=(n, 2))
    stand = np.cumsum(rng.random(n) < 0.1).astype(float)
    stand[rng.random(n) < 0.1] = np.nan
    xy[rng.random(n) < 0.1] = np.nan
    keep = np.isfinite(stand) & np.isfinite(xy[:, 0])
    seconds, places, number = noise.per_second(t, xy, stand)
    expected = {}
    for i in np.flatnonzero(keep):
        expected.setdefault((stand[i], np.floor(t[i])), []).append(i)
    assert len(seconds) == len(expected)
    for when, place, which in zip(seconds, places, number, strict=True):
        rows = expected[(which, np.floor(when))]
        assert when == pytest.approx(t[rows].mean(), abs=1e-5)
        np.testing.assert_allclose(place, xy[rows].mean(axis=0), atol=1e-9)


def test_speeds_at_rest_are_those_shown_there():
    rng = np.random.default_rng(4)
    speed = np.abs(rng.normal(0, 0.1, 4000))
    stand = np.zeros(4000)
    stand[2000:] = np.nan
    speed[2000:] = 8.0
    rms, sd = noise.at_rest(speed, stand)
    assert rms == pytest.approx(0.1, rel=0.25)
    assert 0.03 < sd < 0.1
    assert noise.at_rest(np.empty(0), np.empty(0)) == noise.at_rest(speed[:9], stand[:9])
