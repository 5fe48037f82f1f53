"""Counters tied by motion."""

import numpy as np
import pytest
from clock_recordings import EIGHT, UTC, error_s, fixes_of, imu_of, own_fixes, recording
from moving import accelerometer, session, speeds

from pipeline.base.values import Estimate, Imu
from pipeline.measure.clock import ties
from pipeline.measure.clock.motion import speed_behind_position_s


@pytest.mark.parametrize("delay", [0.0, 0.2])
def test_a_counter_tied_by_motion_alone(delay):
    """Within 0.03 s root mean square, with the receiver's delay found in the file itself."""
    errors, ratios = [], []
    for seed in range(6):
        counter = (UTC - 400.0 * seed, 10.0 * (seed - 3))
        s = session(20 + seed, EIGHT)
        t, acc = accelerometer(s, 100.0, seed)
        raw = (UTC + t - counter[0]) * (1 + counter[1] * 1e-6)
        imu = Imu(raw, acc, np.empty((0, 3)), "counter")
        fix_t, v, place = speeds(s, 10.0, seed, delay)
        (track,) = ties.tie([recording("a", fixes_of(fix_t, v, place), imu, "device")])
        assert track.imu_clock.basis == "motion"
        e, sd = error_s(track, counter)
        errors.append(e)
        ratios.append(e / sd)
    assert np.sqrt(np.mean(np.square(errors))) < 0.03
    assert np.sqrt(np.mean(np.square(ratios))) < 1.6


def test_where_the_fixes_are_too_rare_to_tell_the_delay_the_clock_says_so():
    counter = (UTC - 400.0, 10.0)
    given = [recording("a", own_fixes(21, 2.0), imu_of(1, 21, (), counter), "device")]
    (track,) = ties.tie(given)
    assert track.imu_clock.sd_s > 0.05
    assert "delay" in track.imu_clock.remarks[0]


def test_a_unit_that_writes_positions_only_ties_by_their_course():
    counter = (UTC - 123.0, 10.0)
    s = session(22, EIGHT)
    t, acc = accelerometer(s, 100.0, 2)
    raw = (UTC + t - counter[0]) * (1 + counter[1] * 1e-6)
    fix_t, _, place = speeds(s, 10.0, 2)
    imu = Imu(raw, acc, np.empty((0, 3)), "counter")
    (track,) = ties.tie([recording("a", fixes_of(fix_t, None, place), imu, "device")])
    e, sd = error_s(track, counter)
    assert abs(e) < 0.1
    assert abs(e) < 3 * sd


def test_a_known_delay_sharpens_the_tie_by_motion():
    counter = (UTC - 400.0, 10.0)
    given = [recording("a", own_fixes(21, 10.0, 0.2), imu_of(1, 21, (), counter), "device")]
    (track,) = ties.tie(given, speed_delay={"a": Estimate(0.2, 0.005)})
    e, sd = error_s(track, counter)
    assert abs(e) < 0.03
    assert sd < 0.03


@pytest.mark.parametrize("delay", [0.0, 0.1, 0.25])
def test_speed_behind_position(delay):
    errors, ratios = [], []
    for seed in range(5):
        s = session(30 + seed, EIGHT)
        t, v, place = speeds(s, 10.0, seed, delay)
        got = speed_behind_position_s(fixes_of(t, v, place))
        errors.append(got.value - delay)
        ratios.append((got.value - delay) / got.sd)
    assert np.sqrt(np.mean(np.square(errors))) < 0.015
    assert np.sqrt(np.mean(np.square(ratios))) < 2.0
