"""Streams in order: stamps kept and spread, what is dropped is counted."""

import numpy as np
import pytest
from clock_recordings import UTC, fixes_of, recording
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.base.values import Imu
from pipeline.measure.clock import ties


def test_stamps_stay_and_columns_follow_their_stamps():
    t = np.array([3.0, 1.0, 1.0, 2.0, 0.5])
    fixes = fixes_of(t, np.array([30.0, 10.0, 11.0, 20.0, 5.0]))
    (track,) = ties.tie([recording("a", fixes)])
    assert track.fixes.t_s - UTC == pytest.approx([0.5, 1.0, 2.0, 3.0])
    assert list(track.fixes.speed_mps) == [5.0, 10.0, 20.0, 30.0]
    assert track.dropped_fixes == 1
    assert track.fixes_clock.basis == "stamps"
    assert track.fixes_clock.offset_s == 0.0


def test_whole_second_stamps_are_spread():
    true = np.arange(100) / 10
    (track,) = ties.tie([recording("a", fixes_of(np.floor(true + 1e-9)))])
    assert track.fixes.t_s - UTC == pytest.approx(true, abs=1e-5)
    assert track.dropped_fixes == 0


@pytest.mark.parametrize("rate", [2, 5, 10])
def test_whole_seconds_leave_the_place_within_one_interval_open(rate):
    """Whatever the place of the fixes within it, the stamps cut to seconds are the same."""
    true = np.arange(20 * rate) / rate
    late = true + 0.9 / rate
    assert (np.floor(late) == np.floor(true + 1e-9)).all()
    (track,) = ties.tie([recording("a", fixes_of(np.floor(late)))])
    assert track.fixes_clock.sd_s == pytest.approx(1 / rate / np.sqrt(12), rel=0.02)
    assert track.fixes_clock.cov[0][0] == pytest.approx(track.fixes_clock.sd_s**2)
    assert any("share each stamp" in remark for remark in track.fixes_clock.remarks)


def test_stamps_of_tenths_that_two_fixes_share_leave_a_tenth_open():
    (track,) = ties.tie([recording("a", fixes_of(np.floor(np.arange(200) / 2 + 0.1) / 10))])
    assert track.fixes_clock.sd_s == pytest.approx(0.1 / np.sqrt(12), rel=0.02)


@pytest.mark.parametrize("t_s", [np.arange(100) / 10, np.arange(60.0), np.arange(2.0)])
def test_stamps_of_their_own_are_good_to_milliseconds(t_s):
    (track,) = ties.tie([recording("a", fixes_of(t_s))])
    assert track.fixes_clock.sd_s == 0.002
    assert not track.fixes_clock.remarks


@given(st.lists(st.integers(0, 500), min_size=1, max_size=60))
@settings(deadline=None)
def test_times_rise_and_nothing_is_lost_uncounted(tenths):
    (track,) = ties.tie([recording("a", fixes_of(np.array(tenths) / 10 + 0.05))])
    assert np.all(np.diff(track.fixes.t_s) > 0)
    assert track.fixes.t_s.size + track.dropped_fixes == len(tenths)


def test_a_stamp_of_decades_ago_and_a_sample_without_a_value_are_dropped_and_counted():
    t = np.r_[-1.4e9, np.arange(100) / 10]
    acc = np.zeros((101, 3))
    acc[50] = np.nan
    imu = Imu(UTC + t, acc, np.empty((0, 3)))
    (track,) = ties.tie([recording("a", fixes_of(t), imu)])
    assert track.fixes.t_s[0] == UTC
    assert (track.dropped_fixes, track.dropped_imu) == (1, 2)


def test_a_counter_that_nothing_ties_stays_out_and_says_so():
    imu = Imu(np.arange(0, 30, 0.01), np.zeros((3000, 3)), np.empty((0, 3)), "counter")
    (track,) = ties.tie([recording("a", imu=imu, clock="device")])
    assert track.imu is None
    assert track.imu_clock.basis == "none"
    assert track.imu_clock.remarks
