"""Stands, first movements, footfalls and the receiver's delay on an invented runner."""

from dataclasses import replace

import numpy as np
import pytest
from moving import FINE_HZ, accelerometer, session, speeds

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


def _rock(s, start):
    """Forwards and back on the spot, twice, until half a second before the start."""
    lasts, size = 0.7, 0.2
    x = (s.t_s - (start - 0.5 - 2 * lasts)) / lasts
    push = size * 2 * (np.pi / lasts) ** 2 * np.cos(2 * np.pi * x) * ((x > 0) & (x < 2))
    return s.force_mps2 + push[:, None] * _forwards(s, start)


def _start_falsely(s, start):
    """The start's first 0.7 s, a stop, a step back, and 0.6 s of rest."""
    force = s.force_mps2.copy()
    at, taken = np.searchsorted(s.t_s, [start - 2.6, start]), int(0.7 * FINE_HZ)
    force[at[0] : at[0] + taken] = force[at[1] : at[1] + taken]
    x = (s.t_s - (start - 1.9)) / 1.3
    back = -4.0 * np.sin(np.pi * x) * ((x > 0) & (x < 1))
    return force + back[:, None] * _forwards(s, start)


def _turn_into_the_crouch(s, start):
    """After rocking the trunk turns by 20 degrees, until it is still as the start comes."""
    force = _rock(s, start)
    angle = np.radians(20) * (
        0.5 + 0.5 * np.cos(np.pi * np.clip((s.t_s - start + 0.5) / 0.5, 0, 1))
    )
    up = force[np.searchsorted(s.t_s, start - 5.0)]
    up = up / np.linalg.norm(up)
    side = np.cross(up, _forwards(s, start))
    along = np.outer(force @ side, side)
    turned = force * np.cos(angle)[:, None] + np.cross(side, force) * np.sin(angle)[:, None]
    return turned + along * (1 - np.cos(angle))[:, None]


def _forwards(s, start):
    """The direction of the push, as the unit sits."""
    stand, push = np.searchsorted(s.t_s, [start - 5.0, start + 0.2])
    change = s.force_mps2[push] - s.force_mps2[stand]
    return change / np.linalg.norm(change)


@pytest.mark.parametrize("fidget", [_rock, _start_falsely, _turn_into_the_crouch])
def test_what_comes_to_rest_again_is_no_first_movement(fidget):
    errors, ratio = [], []
    for seed in SEEDS:
        s = session(seed)
        for start in s.starts_s:
            t, acc = accelerometer(replace(s, force_mps2=fidget(s, start)), 100.0, seed)
            got = steps.first_movement(t, acc, start + 0.05, 0.41)
            errors.append(got.value - start)
            ratio.append((got.value - start) / got.sd)
    assert np.sqrt(np.mean(np.square(errors))) < 0.03
    assert np.sqrt(np.mean(np.square(ratio))) < 1.6
    assert np.abs(ratio).max() < 4


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
