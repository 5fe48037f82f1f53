"""Counters tied by taps."""

import numpy as np
from clock_recordings import TAPS, UTC, error_s, imu_of, own_fixes, recording

from pipeline.base.values import Tap
from pipeline.measure.clock import ties


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
