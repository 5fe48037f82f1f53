"""Stands, first movements, footfalls and the receiver's delay on an invented runner."""

import numpy as np
import pytest
from moving import accelerometer, session, speeds

from pipeline.measure import steps

SEEDS = range(4)


@pytest.mark.parametrize("rate", [50.0, 100.0, 200.0])
def test_first_movement_is_found_within_its_standard_error(rate):
    errors, ratio = [], []
    for seed in SEEDS:
        s = session(seed)
        t, acc = accelerometer(s, rate, seed)
        for start in s.starts_s:
            got = steps.first_movement(t, acc, start + 0.2, 1.0)
            errors.append(got.value - start)
            ratio.append((got.value - start) / got.sd)
    assert np.sqrt(np.mean(np.square(errors))) < 0.02
    assert np.sqrt(np.mean(np.square(ratio))) < 1.6


def test_no_first_movement_in_a_stand_or_a_walk():
    s = session(1)
    t, acc = accelerometer(s, 100.0, 1)
    assert steps.first_movement(t, acc, 14.0, 4.0) is None
    assert steps.first_movement(t, acc, 38.0, 4.0) is None  # walking back
    assert steps.first_movement(t, acc, -50.0, 1.0) is None


def test_first_movement_does_not_depend_on_how_the_unit_sits():
    s = session(2)
    t, acc = accelerometer(s, 100.0, 2)
    q, _ = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))
    a = steps.first_movement(t, acc, 55.2, 1.0)
    b = steps.first_movement(t, acc @ q, 55.2, 1.0)
    assert b.value == pytest.approx(a.value, abs=1e-6)
    assert b.sd == pytest.approx(a.sd, abs=1e-6)


@pytest.mark.parametrize("limp", [0.0, 0.6])
def test_every_footfall_once_whichever_foot(limp):
    for seed in SEEDS:
        s = session(seed, limp=limp)
        t, acc = accelerometer(s, 100.0, seed)
        for start in s.starts_s:
            got = steps.footfalls(t, acc, start, start + 5.0)
            true = s.contacts_s[(s.contacts_s > start) & (s.contacts_s < start + 5.0)]
            assert abs(got.size - true.size) <= 1
            nearest = got[np.argmin(np.abs(got[:, None] - true[None, :]), axis=0)] - true
            assert np.abs(nearest[1:-1]).max() < 0.06
            assert np.std(nearest[1:-1]) < 0.02


def test_no_footfalls_in_a_stand():
    s = session(3)
    t, acc = accelerometer(s, 100.0, 3)
    assert steps.footfalls(t, acc, 8.0, 18.0).size == 0
    assert steps.footfalls(t, acc, 1e6, 1e6 + 5).size == 0


def test_step_phase_counts_steps_and_is_nan_outside():
    falls = np.array([1.0, 1.25, 1.5, 1.8])
    phase = steps.step_phase(falls, np.array([0.9, 1.0, 1.125, 1.5, 1.65, 1.81]))
    assert phase[1:5] == pytest.approx([0.0, 0.5, 2.0, 2.5])
    assert np.isnan(phase[[0, 5]]).all()
    assert np.isnan(steps.step_phase(falls[:1], falls)).all()


def test_stands_cover_the_waits_and_no_run():
    s = session(4)
    t, acc = accelerometer(s, 100.0, 4)
    quiet = steps.stands(t, acc)
    inside = np.zeros(s.t_s.size, dtype=bool)
    for a, b in quiet:
        inside |= (s.t_s >= a) & (s.t_s <= b)
    assert not inside[s.speed_mps > 1.0].any()
    for start in s.starts_s:
        wait = (s.t_s > start - 5) & (s.t_s < start - 0.6)
        assert inside[wait].mean() > 0.95


@pytest.mark.parametrize("delay", [0.0, 0.1, 0.2])
def test_speed_delay_comes_back(delay):
    errors, ratio = [], []
    for seed in SEEDS:
        s = session(seed)
        t, acc = accelerometer(s, 100.0, seed)
        fix_t, v, _ = speeds(s, 10.0, seed, delay)
        got = steps.speed_delay(fix_t, v, t, acc)
        errors.append(got.value - delay)
        ratio.append((got.value - delay) / got.sd)
    assert np.sqrt(np.mean(np.square(errors))) < 0.03
    assert np.sqrt(np.mean(np.square(ratio))) < 1.6


def test_no_speed_delay_from_slow_fixes_or_without_starts():
    s = session(5)
    t, acc = accelerometer(s, 100.0, 5)
    fix_t, v, _ = speeds(s, 1.0, 5)
    assert steps.speed_delay(fix_t, v, t, acc) is None
    fix_t, v, _ = speeds(s, 10.0, 5)
    assert steps.speed_delay(fix_t, np.zeros_like(v), t, acc) is None
    assert steps.speed_delay(fix_t, v * np.nan, t, acc) is None
