"""The moment of a standing start from speeds alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.measure.launch import LAUNCH_RISE_S, LAUNCH_TIMES_S, find_launch

NEAR = 100.0


def speeds(t, start, parts=(3.0, 4.0, 2.5), rest=0.0):
    """A run of the finder's own family: exponentials whose force takes a moment to rise."""
    x = np.maximum(t - start, 0.0)
    each = -np.expm1(-x[:, None] / LAUNCH_TIMES_S) * np.clip(x / LAUNCH_RISE_S, 0, 1)[:, None]
    return np.hypot(each @ np.array(parts), rest)


def found(t, v, near=NEAR, **other):
    return find_launch(t, v, near, **{"delay_s": 0.0, "noise_mps": 0.05, "rest_mps": 0.0, **other})


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.5, 0.5), st.floats(0.0, 0.2), st.sampled_from([5.0, 10.0, 18.0]))
def test_exact_kink_is_found_whatever_the_delay(start, delay, rate):
    t = NEAR + np.arange(-4.0, 4.0, 1 / rate)
    got = found(t, speeds(t - delay, NEAR + start, rest=0.1), delay_s=delay, rest_mps=0.1)
    assert got.value == pytest.approx(NEAR + start, abs=0.025)
    assert got.sd < 0.06


def test_standard_errors_are_honest():
    rng = np.random.default_rng(2)
    for rate in (1.0, 5.0, 10.0):
        z = []
        for _ in range(150):
            start = NEAR + rng.uniform(-0.4, 0.4)
            t = NEAR + rng.uniform(0, 1 / rate) + np.arange(-4.0, 4.0, 1 / rate)
            parts = rng.dirichlet([2.0, 2.0, 2.0]) * rng.normal(9.5, 1.0)
            v = speeds(t, start, parts) + (t > start) * rng.normal(0, 0.12, t.size)
            got = found(t, v, noise_mps=0.12)
            z.append((got.value - start) / got.sd)
        assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.4, rate


def test_once_a_second_is_worse_but_says_so():
    fast = NEAR + np.arange(-4.0, 4.0, 0.1)
    slow = NEAR + np.arange(-4.0, 4.0, 1.0) + 0.3
    start = NEAR + 0.1
    often = found(fast, speeds(fast, start), noise_mps=0.12)
    seldom = found(slow, speeds(slow, start), noise_mps=0.12)
    assert often.sd < seldom.sd < 0.4
    assert abs(seldom.value - start) < 3 * seldom.sd


@settings(max_examples=20, deadline=None)
@given(st.floats(-1e4, 1e4))
def test_the_clock_has_no_preferred_zero(shift):
    t = NEAR + np.arange(-3.0, 3.0, 0.1)
    v = speeds(t, NEAR + 0.17)
    here, there = found(t, v), found(t + shift, v, NEAR + shift)
    assert there.value - shift == pytest.approx(here.value, abs=1e-4)
    assert there.sd == pytest.approx(here.sd, rel=1e-3)


def test_missing_speeds_are_passed_over():
    t = NEAR + np.arange(-3.0, 3.0, 0.1)
    v = speeds(t, NEAR)
    v[::4] = np.nan
    keep = np.isfinite(v)
    holes, without = found(t, v), found(t[keep], v[keep])
    assert (holes.value, holes.sd) == (without.value, without.sd)


@pytest.mark.parametrize("left", [0, 1, 2])
def test_too_few_speeds_tell_nothing(left):
    t = NEAR + np.array([-0.5, 0.2, 0.9])[:left]
    assert found(t, speeds(t, NEAR)) is None
    many = NEAR + np.arange(-3.0, 3.0, 0.1)
    v = np.full(many.size, np.nan)
    v[30 : 30 + left] = 3.0
    assert found(many, v) is None
    assert found(many, speeds(many, NEAR), NEAR + 60.0) is None
