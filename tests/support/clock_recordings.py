"""Recordings of invented runners on stamps and counters of which the truth is known."""

from pathlib import Path

import numpy as np
from moving import accelerometer, session, speeds

from pipeline.base import geodesy
from pipeline.base.values import Fixes, Imu, Recording, RecordingSpec

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


EIGHT = (20.0, 55.0, 97.0, 134.0, 180.0, 216.0, 259.0, 301.0)
