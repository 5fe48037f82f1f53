"""Filters against published worked values; stamps and crossings against laws."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import signal

from pipeline.base.signals import (
    crossings,
    low_pass,
    resample,
    robust_sd,
    spikes,
    spread_stamps,
    winter_cutoff_hz,
)

# Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69; Robertson et al.,
# Research Methods in Biomechanics, 2nd ed., p. 288: C = (2^(1/n) - 1)^(1/4), printed to
# three places there as 0.802 for two passes; further digits computed from the formula.
CORRECTION = {1: 1.0, 2: 0.80224, 3: 0.71402, 4: 0.65953}


@pytest.mark.parametrize("passes", CORRECTION)
def test_winter_correction(passes):
    design = winter_cutoff_hz(6.0, 100.0, passes)
    ratio = np.tan(np.pi * 6.0 / 100.0) / np.tan(np.pi * design / 100.0)
    assert ratio == pytest.approx(CORRECTION[passes], abs=1e-5)


def test_winter_worked_design():
    """fs 100 Hz, fc 6 Hz, two passes: 7.43088 Hz on the warped axis, not 6 / 0.802."""
    assert winter_cutoff_hz(6.0, 100.0) == pytest.approx(7.43088, abs=1e-5)
    b, a = signal.butter(2, winter_cutoff_hz(6.0, 100.0), fs=100.0)
    assert b == pytest.approx([0.04059468, 0.08118936, 0.04059468], abs=1e-8)
    assert a == pytest.approx([1, -1.35474882, 0.51712754], abs=1e-8)


def test_low_pass_is_3_db_down_at_its_cutoff_and_has_no_lag():
    t = np.arange(0, 40, 0.01)
    out = low_pass(np.sin(2 * np.pi * 6.0 * t), 6.0, 100.0)[1000:3000]
    wave = np.exp(-2j * np.pi * 6.0 * t[1000:3000])
    answer = 2 * np.mean(out * wave)
    assert abs(answer) == pytest.approx(0.70711, abs=2e-4)
    assert np.angle(answer) == pytest.approx(-np.pi / 2, abs=1e-3)


def test_robust_sd_of_normal_noise_and_of_noise_with_outliers():
    x = np.random.default_rng(1).normal(0, 2, 20000)
    assert robust_sd(x) == pytest.approx(2.0, rel=0.03)
    x[::20] = 1e6
    assert robust_sd(x) == pytest.approx(2.0, rel=0.10)


@given(
    rate=st.sampled_from([2, 4, 5, 8, 10, 18, 20, 25]),
    skip=st.integers(0, 24),
    seconds=st.integers(3, 40),
    cut=st.integers(0, 24),
    gap=st.tuples(st.integers(1, 30), st.integers(0, 5)),
)
@settings(max_examples=200, deadline=None)
def test_whole_second_stamps_get_their_fractions_back(rate, skip, seconds, cut, gap):
    true = 1.7e9 + np.arange(skip % rate, rate * seconds - cut % rate) / rate
    lost = (true >= 1.7e9 + gap[0]) & (true < 1.7e9 + gap[0] + gap[1])
    true = true[~lost]
    whole = np.floor(true + 1e-6)
    second = np.unique(whole)
    alone = np.r_[True, np.diff(second) > 1] & np.r_[np.diff(second) > 1, True]
    if second.size < 3 or alone.any():
        return  # a cut second between two gaps says nothing of where its fixes lay
    assert spread_stamps(whole) == pytest.approx(true, abs=1e-5)


def test_spreading_a_rate_that_is_no_whole_number():
    true = 1000.0 + np.arange(1, 500) * 0.08
    assert spread_stamps(np.floor(true)) == pytest.approx(true, abs=0.005)


def test_one_lost_fix_moves_its_second_by_at_most_half_an_interval():
    true = np.delete(1000.0 + np.arange(300) * 0.1, 155)
    assert np.abs(spread_stamps(np.floor(true + 1e-9)) - true).max() <= 0.0501


@given(st.lists(st.integers(0, 60), min_size=3, max_size=80))
@example([0, 0, 0, 8, 9, 9, 10, 13, 14, 14, 15, 54, 55, 55, 56, 57])
@example([0] * 16 + [8, 9, 9, 10, 13, 14, 14, 15, 54, 55, 55, 56, 57])
def test_spread_stamps_keep_their_second_and_their_order(stamps):
    t = np.sort(np.array(stamps, dtype=float))
    out = spread_stamps(t)
    assert np.all(np.diff(out) >= 0)
    assert np.all(np.abs(out - t) <= 1.0)


def test_stamps_with_fractions_are_left_alone():
    t = np.array([0.0, 0.1, 0.1, 0.3])
    assert np.array_equal(spread_stamps(t), t)


def test_crossing_carries_the_standard_error():
    rng = np.random.default_rng(2)
    t = np.arange(0, 3, 0.1)
    got = [crossings(t, 2.0 * t + rng.normal(0, 0.02, t.size), 3.03, 0.02) for _ in range(2000)]
    got = [c for c in got if c.t_s.size == 1]
    errors = np.array([(c.t_s[0] - 1.515) / c.sd_s[0] for c in got])
    assert len(got) > 1900
    assert np.mean(errors) == pytest.approx(0, abs=0.1)
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(1, abs=0.1)


def test_crossings_both_ways():
    t = np.arange(0.0, 7.0)
    out = crossings(t, np.array([0, 2, 0, 0, 1, 3, -1.0]), 1.0)
    assert out.t_s == pytest.approx([0.5, 1.5, 4.0 - 0.0, 5.5])
    assert list(out.direction) == [1, -1, 1, -1]


@pytest.mark.parametrize("rate", [50.0, 100.0, 200.0])
def test_a_tap_is_placed_within_a_part_of_a_sample(rate):
    rng = np.random.default_rng(3)
    errors = []
    for _ in range(100):
        t = np.arange(0, 4, 1 / rate)
        true = 2.0 + rng.uniform(-0.5, 0.5) / rate
        pulse = 40 * np.maximum(0, np.cos(np.pi * (t - true) / max(0.012, 1.2 / rate)))
        x = 9.8 + rng.normal(0, 0.1, t.size) + np.where(np.abs(t - true) < 0.015, pulse, 0)
        x += 3 * np.exp(-((t - 1) ** 2) / (2 * 0.1**2))  # a bump no tap makes
        found = spikes(t, x, 5.0)
        assert found.t_s.size == 1
        errors.append(found.t_s[0] - true)
    assert np.sqrt(np.mean(np.square(errors))) < 0.35 / rate


def test_resampling_marks_gaps_and_keeps_a_line():
    t = np.r_[np.arange(0, 2, 0.013), np.arange(3, 5, 0.013)]
    even = resample(t, np.column_stack([t, -t]), 50.0, 0.1)
    assert even.x[:, 0] == pytest.approx(even.t_s, abs=1e-6)
    assert even.x[:, 1] == pytest.approx(-even.t_s, abs=1e-6)
    assert not even.ok[(even.t_s > 2.02) & (even.t_s < 2.98)].any()
    assert even.ok[even.t_s < 1.97].all()
