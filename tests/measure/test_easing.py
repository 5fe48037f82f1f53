"""When the incoming runner begins to slow: exact ramps, speeds of its own law, and no ramp."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.measure import easing


def find_easing(*run):
    (found,) = easing.find_easings([easing.SpeedsToEase(*run)])
    return found


def ramp(t, moment, level=9.2, by=2.5):
    return level - by * np.maximum(t - moment, 0.0)


@settings(max_examples=20, deadline=None)
@given(st.floats(1.0, 3.0), st.floats(7.5, 10.5), st.sampled_from([5.0, 10.0]))
def test_easing_finds_an_exact_ramp(moment, level, rate):
    t = np.arange(-1.0, 5.0, 1 / rate)
    ease = find_easing(t, ramp(t, moment, level), 0.02, 0.0, 4.0)
    assert ease.t_s[ease.log_likelihood.argmax()] == pytest.approx(moment, abs=1 / rate + 0.05)


def drawn_speed(rng, t, moment):
    """The law the change point is sought by: steady but for a slope and a walk, then a ramp whose
    steepness walks."""
    walk = np.cumsum(rng.normal(0, np.sqrt(np.diff(t, prepend=t[0] - 0.1))))
    step = np.diff(t, prepend=t[0] - 0.1)
    steepness = np.cumsum(rng.normal(0, np.sqrt(step)) * (t > moment))
    changed = easing.BRAKING_CHANGE * np.cumsum(steepness * step)
    by = rng.normal(easing.EASE_MPS2.value, easing.EASE_MPS2.sd)
    steady = 9.2 + rng.normal(0, 0.77) * (t - t.mean()) + 0.3 * walk
    return steady - by * np.maximum(t - moment, 0.0) + changed


def error_and_sd(ease, moment):
    p = np.exp(ease.log_likelihood)
    p /= p.sum()
    mean = p @ ease.t_s
    return mean - moment, np.sqrt(p @ (ease.t_s - mean) ** 2 + 0.05**2 / 12)


def test_easing_is_honest_over_speeds_of_its_own_law():
    rng = np.random.default_rng(1)
    t = np.arange(-1.0, 5.0, 0.1)
    z = []
    for _ in range(100):
        moment = rng.uniform(0.8, 3.2)
        y = drawn_speed(rng, t, moment) + rng.normal(0, 0.12, t.size)
        error, sd = error_and_sd(find_easing(t, y, 0.12, 0.0, 4.0), moment)
        z.append(error / sd)
    assert 0.65 < np.sqrt(np.mean(np.square(z))) < 1.35


def rms_on_ramps(rate, noise):
    rng = np.random.default_rng(2)
    t = np.arange(-1.0, 5.0, 1 / rate)
    errors = []
    for moment in rng.uniform(1.2, 2.8, 15):
        y = ramp(t, moment) + rng.normal(0, noise, t.size)
        errors.append(error_and_sd(find_easing(t, y, noise, 0.0, 4.0), moment)[0])
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.parametrize("rate", [5.0, 10.0, 18.0])
@pytest.mark.parametrize("noise", [0.05, 0.12])
def test_easing_finds_noisy_ramps(rate, noise):
    assert rms_on_ramps(rate, noise) < 0.2


def test_easing_is_not_worse_for_more_speeds():
    assert rms_on_ramps(25.0, 0.05) < 0.2


def test_easing_without_a_ramp_prefers_no_moment_of_the_middle():
    t = np.arange(-1.0, 5.0, 0.1)
    steady = find_easing(t, np.full(t.size, 9.0), 0.12, 0.0, 4.0)
    clear = find_easing(t, ramp(t, 2.0), 0.12, 0.0, 4.0)
    inner = (steady.t_s > 0.5) & (steady.t_s < 3.0)
    assert steady.log_likelihood[inner].max() < steady.log_likelihood[-1]
    assert clear.log_likelihood.argmax() != len(clear.t_s) - 1


@settings(max_examples=15, deadline=None)
@given(st.floats(-1e4, 1e4), st.floats(-0.8, 0.8))
def test_easing_knows_no_zero_of_time_or_of_speed(shift, faster):
    t = np.arange(-1.0, 5.0, 0.1)
    y = ramp(t, 2.03)
    here = find_easing(t, y, 0.1, 0.0, 4.0)
    there = find_easing(t + shift, y + faster, 0.1, shift, 4.0 + shift)
    n = min(len(here.t_s), len(there.t_s))
    np.testing.assert_allclose(there.t_s[:n] - shift, here.t_s[:n], atol=1e-6)
    a, b = np.exp(here.log_likelihood[:n]), np.exp(there.log_likelihood[:n])
    peak = here.t_s[:n] @ a / a.sum()
    assert there.t_s[:n] @ b / b.sum() - shift == pytest.approx(peak, abs=0.06)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_easing_of_too_few_speeds_is_flat(n):
    ease = find_easing(np.arange(float(n)), np.full(n, 9.0), 0.1, 0.0, 4.0)
    assert ease.log_likelihood.shape == ease.t_s.shape
    assert (ease.log_likelihood == 0.0).all()
    nobody = find_easing(np.arange(9.0), np.full(9, 9.0), 0.1, 4.0, 4.0)
    assert nobody.t_s.shape == (0,)


def likelihood_in_full(t, y, noise, grid):
    """The same law as one covariance matrix of all speeds for each moment."""
    r = t - t[0]
    base = 100.0 + 0.6 * np.outer(r - r.mean(), r - r.mean()) + 0.09 * np.minimum.outer(r, r)
    base += noise**2 * np.eye(t.size)
    out = []
    for moment in grid:
        x = np.maximum(t - moment, 0.0)
        less, more = np.minimum.outer(x, x), np.maximum.outer(x, x)
        braking = easing.BRAKING_CHANGE**2 * less**2 * (3 * more - less) / 6
        cov = base + easing.EASE_MPS2.sd**2 * np.outer(x, x) + braking
        off = y - np.median(y[: max(3, y.size // 3)]) + easing.EASE_MPS2.value * x
        out.append(-0.5 * (off @ np.linalg.solve(cov, off) + np.linalg.slogdet(cov)[1]))
    return np.array(out) - max(out)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(3, 60), st.floats(-1.0, 1.0))
def test_easing_is_the_change_point_of_the_whole_process(seed, n, first):
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(first, 4.5, n))
    y = rng.normal(9.0, 0.8, n)  # never slow enough to be cut off
    found = find_easing(t, y, 0.1, 0.0, 4.0)
    expected = likelihood_in_full(t, y, 0.1, found.t_s)
    np.testing.assert_allclose(found.log_likelihood, expected, atol=1e-6)


def test_easings_of_many_runners_are_those_of_each():
    rng = np.random.default_rng(5)
    runs = []
    for n in (0, 2, 3, 40, 70):
        t = np.sort(rng.uniform(-1.0, 5.0, n))
        speeds = ramp(t, rng.uniform(1, 3)) + rng.normal(0, 0.1, n)
        runs.append(easing.SpeedsToEase(t, speeds, 0.1, 0.0, rng.uniform(2.0, 4.0)))
    for run, together in zip(runs, easing.find_easings(runs), strict=True):
        (alone,) = easing.find_easings([run])
        np.testing.assert_array_equal(together.t_s, alone.t_s)
        np.testing.assert_allclose(together.log_likelihood, alone.log_likelihood, atol=1e-9)
