"""One clock: stamps kept, counters tied by taps and by motion, stamps that are off found."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from moving import accelerometer, session, speeds

from pipeline.base import geodesy
from pipeline.base.values import Estimate, Fixes, Imu, Recording, RecordingSpec, Tap
from pipeline.measure.clock import ties

UTC = 1.778e9
ORIGIN = (48.2, 16.3, 200.0)
TAPS = (6.0, 158.0)


def fixes_of(t_s, speed_mps=None, east_m=None, north_m=None, utc=UTC):
    t = np.asarray(t_s, dtype=float)
    nan = np.full(t.size, np.nan)
    lat, lon = nan, nan
    if east_m is not None:
        enu = np.column_stack([east_m, nan * 0 if north_m is None else north_m, np.zeros(t.size)])
        enu[:, 1] = 0.0 if north_m is None else north_m
        lat, lon, _ = geodesy.from_enu(enu, ORIGIN)
    return Fixes(utc + t, lat, lon, nan if speed_mps is None else speed_mps, nan, nan, nan)


def recording(runner, fixes=None, imu=None, clock="gnss", name="x"):
    spec = RecordingSpec(runner, Path(name), name, clock=clock)
    return spec, Recording(Path(name), "csv", fixes, imu)


def imu_of(seed, runner_seed, taps=(), counter=None, rate=100.0):
    """UTC where `counter` is None, else (UTC at which it read zero, drift in ppm)."""
    t, acc = accelerometer(session(runner_seed), rate, seed, taps)
    if counter is None:
        return Imu(UTC + t, acc, np.empty((0, 3)))
    zero, ppm = counter
    return Imu((UTC + t - zero) * (1 + ppm * 1e-6), acc, np.empty((0, 3)), "counter")


def own_fixes(seed, rate=10.0, delay=0.0):
    t, v, place = speeds(session(seed), rate, seed, delay)
    return fixes_of(t, v, place)


def error_s(track, counter):
    """Of the counter's UTC at its middle, and the clock's own standard error."""
    zero, ppm = counter
    raw = np.sort(track.recording.imu.t_s)
    true = zero + raw / (1 + ppm * 1e-6)
    middle = raw.size // 2
    return float((track.imu.t_s - true)[middle]), track.imu_clock.sd_s


# --- stamps ------------------------------------------------------------------------------


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


# --- counters ----------------------------------------------------------------------------


def test_counters_tied_by_two_taps_to_a_unit_with_utc():
    """Within 0.005 s root mean square, whatever the counters' zero and drift."""
    errors, ratios = [], []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        taps = [t + rng.uniform(-2, 2) for t in TAPS]
        known = {
            "b": (UTC - rng.uniform(0, 3000), rng.uniform(-40, 40)),
            "c": (UTC - rng.uniform(0, 3000), rng.uniform(-40, 40)),
        }
        given = [recording("a", own_fixes(10), imu_of(seed, 10, taps))]
        given += [
            recording(r, own_fixes(11 + k), imu_of(seed + 50, 11 + k, taps, c), "device")
            for k, (r, c) in enumerate(known.items())
        ]
        tracks = ties.tie(given, [Tap(UTC + t, 6.0) for t in TAPS])
        for track in tracks[1:]:
            assert track.imu_clock.basis == "taps"
            e, sd = error_s(track, known[track.spec.runner])
            errors.append(e)
            ratios.append(e / sd)
    assert np.sqrt(np.mean(np.square(errors))) < 0.005
    assert np.sqrt(np.mean(np.square(ratios))) < 1.6


def test_a_tap_missed_by_one_unit_and_doubled_in_the_others():
    counter = {"b": (UTC - 500.0, 20.0), "c": (UTC - 900.0, -15.0)}
    double = [TAPS[0], TAPS[0] + 0.3, TAPS[1]]
    tracks = ties.tie(
        [
            recording("a", own_fixes(10), imu_of(1, 10, double)),
            recording("b", own_fixes(11), imu_of(2, 11, double, counter["b"]), "device"),
            recording("c", own_fixes(12), imu_of(3, 12, TAPS[:1], counter["c"]), "device"),
        ],
        [Tap(UTC + t, 6.0) for t in TAPS],
    )
    assert abs(error_s(tracks[1], counter["b"])[0]) < 0.006
    e, sd = error_s(tracks[2], counter["c"])
    # one tap 75 s from the middle: the crystal's 30 ppm are 2 ms there
    assert abs(e) < 0.012
    assert sd > 1.2 * tracks[1].imu_clock.sd_s


def test_two_units_without_speed_are_tied_by_two_taps_alone():
    """No motion places the counter: the taps' distance in the whole file does."""
    counter = (UTC - 77.7, 10.0)
    tracks = ties.tie(
        [
            recording("a", None, imu_of(1, 10, TAPS)),
            recording("b", None, imu_of(2, 11, TAPS, counter), "device"),
        ],
        [Tap(UTC + t, 6.0) for t in TAPS],
    )
    assert tracks[1].imu_clock.basis == "taps"
    assert abs(error_s(tracks[1], counter)[0]) < 0.006


def test_counters_alone_are_tied_to_each_other_by_taps_and_to_utc_by_motion():
    known = [(UTC - 300.0, 12.0), (UTC - 40.0, -25.0), (UTC - 2000.0, 3.0)]
    tracks = ties.tie(
        [
            recording(f"r{k}", own_fixes(10 + k), imu_of(k, 10 + k, TAPS, c), "device")
            for k, c in enumerate(known)
        ],
        [Tap(UTC + t, 6.0) for t in TAPS],
    )
    errors = np.array([error_s(t, c)[0] for t, c in zip(tracks, known, strict=True)])
    assert np.std(errors) < 0.005
    assert np.abs(errors).max() < 3 * tracks[0].imu_clock.sd_s
    assert tracks[0].imu_clock.sd_s > 0.006  # motion's, not the taps'
    assert tracks[0].imu_clock.remarks


EIGHT = (20.0, 55.0, 97.0, 134.0, 180.0, 216.0, 259.0, 301.0)


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


def test_clock_formula_gives_the_track_its_times():
    """utc = counter_zero + t / (1 + drift), as model.Clock has it."""
    counter = (UTC - 1000.0, 35.0)
    tracks = ties.tie(
        [
            recording("a", own_fixes(10), imu_of(1, 10, TAPS)),
            recording("b", own_fixes(11), imu_of(2, 11, TAPS, counter), "device"),
        ],
        [Tap(UTC + t, 6.0) for t in TAPS],
    )
    clock, raw = tracks[1].imu_clock, tracks[1].recording.imu.t_s
    utc = clock.counter_zero_utc_s + raw / (1 + clock.drift_ppm * 1e-6)
    assert tracks[1].imu.t_s == pytest.approx(utc, abs=2e-6)
    assert clock.offset_s is None
    assert abs(clock.drift_ppm - 35.0) < 4 * np.sqrt(clock.cov[1][1])


@pytest.mark.parametrize("shift", [3600.0, -86400.0 * 30])
def test_shifting_a_counter_moves_its_zero_and_nothing_else(shift):
    def tied(extra):
        imu = imu_of(2, 11, TAPS, (UTC - 1000.0, 35.0))
        imu = replace(imu, t_s=imu.t_s + extra)
        return ties.tie(
            [
                recording("a", own_fixes(10), imu_of(1, 10, TAPS)),
                recording("b", own_fixes(11), imu, "device"),
            ],
            [Tap(UTC + t, 6.0) for t in TAPS],
        )[1]

    one, two = tied(0.0), tied(shift)
    assert two.imu.t_s == pytest.approx(one.imu.t_s, abs=1e-4)
    assert two.imu_clock.drift_ppm == pytest.approx(one.imu_clock.drift_ppm, abs=0.2)


@pytest.mark.parametrize("delay", [0.0, 0.1, 0.25])
def test_speed_behind_position(delay):
    errors, ratios = [], []
    for seed in range(5):
        s = session(30 + seed, EIGHT)
        t, v, place = speeds(s, 10.0, seed, delay)
        got = ties.speed_behind_position_s(fixes_of(t, v, place))
        errors.append(got.value - delay)
        ratios.append((got.value - delay) / got.sd)
    assert np.sqrt(np.mean(np.square(errors))) < 0.015
    assert np.sqrt(np.mean(np.square(ratios))) < 2.0


# --- stamps that are off -------------------------------------------------------------------


def squad(off_s=0.0):
    """Three runners who take over from one another in turn, the second's stamps off."""
    rng = np.random.default_rng(7)
    t = np.arange(0, 900.0, 0.2)
    starts = 40.0 + np.cumsum(rng.uniform(50, 75, 12))
    out = []
    for k, name in enumerate("abc"):
        knots = [(0.0, -20.0 * k)]
        for rep, start in enumerate(starts):
            if rep % 3 == k:  # comes in from 40 m before, at 8 m/s
                knots += [(start - 6, -40.0), (start, -40.0), (start + 8, 24.0)]
            elif (rep + 1) % 3 == k:  # leaves 3 m in front of the other
                knots += [(start - 6, 0.0), (start + 4.6, 0.0), (start + 9.6, 40.0)]
        when, where = np.array(knots).T
        x = np.interp(t, when, where) + rng.normal(0, 0.1, t.size)
        v = np.abs(np.gradient(np.interp(t, when, where), t))
        utc = UTC + (off_s if name == "b" else 0.0)
        out.append(recording(name, fixes_of(t, v, x, None, utc)))
    return out


@pytest.mark.parametrize("off", [3600.0, -7200.0, 1800.0, -34200.0])
def test_whole_hours_off_are_set_right_and_said(off):
    tracks = ties.tie(squad(off))
    assert [t.fixes_clock.offset_s for t in tracks] == [0.0, -off, 0.0]
    assert any("corrected" in word for word in tracks[1].remarks)
    assert tracks[1].fixes.t_s[0] == pytest.approx(UTC)


def test_good_stamps_are_left_alone():
    assert all(t.fixes_clock.offset_s == 0.0 for t in ties.tie(squad()))
    assert all(t.fixes_clock.offset_s == 0.0 for t in ties.tie(squad()[:1]))


def test_minutes_off_are_no_time_zone_and_stay():
    tracks = ties.tie(squad(1300.0))
    assert tracks[1].fixes_clock.offset_s == 0.0
    assert tracks[1].remarks
    assert not tracks[0].remarks


def test_a_file_of_another_day_is_left_out_and_said():
    tracks = ties.tie(squad(86400.0 * 7))
    assert tracks[1].fixes is None
    assert tracks[1].fixes_clock.basis == "none"
    assert "7.0 days after" in tracks[1].remarks[0]
    assert tracks[0].fixes is not None


def test_order_of_the_files_does_not_matter():
    given = squad(3600.0)
    there = ties.tie(given)
    back = ties.tie(given[::-1])[::-1]
    for a, b in zip(there, back, strict=True):
        assert a.fixes_clock == b.fixes_clock
        assert np.array_equal(a.fixes.t_s, b.fixes.t_s)
