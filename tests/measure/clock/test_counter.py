"""A counter's line to UTC, as its clock tells it."""

from dataclasses import replace

import numpy as np
import pytest
from clock_recordings import TAPS, UTC, imu_of, own_fixes, recording

from pipeline.base.values import Tap
from pipeline.measure.clock import ties
from pipeline.measure.clock.counter import CounterFit


def test_a_counter_and_utc_are_each_other_s_inverse():
    fit = CounterFit(40.0, UTC, 25.0, np.eye(2))
    t = np.array([0.0, 40.0, 3600.0])
    assert fit.utc(np.array([40.0])) == pytest.approx(UTC, abs=0)
    assert fit.counter(fit.utc(t)) == pytest.approx(t, abs=1e-6)


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
