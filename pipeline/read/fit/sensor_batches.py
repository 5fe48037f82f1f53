"""FIT inertial samples: batches of the accelerometer and gyroscope, calibrated and aligned."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats
from pipeline.read.fit.clock import milliseconds
from pipeline.read.fit.messages import Messages, first_stated, to_width
from pipeline.read.screening import AXES, STANDARD_GRAVITY_MPS2, finite_rows

_GYRO_REACH_S = 0.1  # a turn rate is interpolated over no more than this to a stated one


class ImuColumns(NamedTuple):
    t_s: Floats  # (n,)
    acc_mps2: Floats  # (n, 3)
    gyro_radps: Floats  # (n, 3), NaN where there is none


class _Sensor(NamedTuple):
    """Where a sensor's messages keep its samples: calibrated fields and the factor of each to one
    unit, the field of raw counts, and the sensor's number (FIT profile, type sensor_type)."""

    calibrated: tuple[tuple[str, float], ...]
    raw: str
    number: int


_ACCELEROMETER = _Sensor(
    (("calibrated_accel", 1.0), ("compressed_calibrated_accel", 1e-3)), "accel", 0
)
_GYROSCOPE = _Sensor((("calibrated_gyro", 1.0),), "gyro", 1)


def imu_columns(found: Mapping[str, Messages]) -> tuple[ImuColumns | None, tuple[str, ...]]:
    """One file's accelerations at their own times, in FIT seconds, with turn rates interpolated
    to these times; and remarks on what was left out. None where there are no accelerations."""
    if "accelerometer_data" not in found:
        left = "gyroscope_data" in found
        return None, ("turn rates without accelerations were left out",) if left else ()
    calibrations = found.get("three_d_sensor_calibration")
    remarks: tuple[str, ...] = ()
    t_s, acc = _batch_samples(found["accelerometer_data"], _ACCELEROMETER, calibrations)
    if not np.isfinite(acc).any():
        remarks += ("accelerometer counts without a calibration were left out",)
    gyro = None
    if "gyroscope_data" in found:
        gyro_t_s, gyro_dps = _batch_samples(found["gyroscope_data"], _GYROSCOPE, calibrations)
        gyro = _interpolated(t_s, gyro_t_s, gyro_dps)
        gyro *= np.pi / 180.0  # in place, as below: an hour is nine megabytes
        if not np.isfinite(gyro_dps).any():
            remarks += ("gyroscope counts without a calibration were left out",)
    acc *= STANDARD_GRAVITY_MPS2
    gyro = np.full_like(acc, np.nan) if gyro is None else gyro
    return ImuColumns(t_s, acc, gyro), remarks


def _batch_samples(
    batches: Messages, sensor: _Sensor, calibrations: Messages | None
) -> tuple[Floats, Floats]:
    """A sensor's batches as times (n,) and values (n, 3), in the calibrated unit (g, deg/s)."""
    m = batches
    n = len(m.order)
    offset_s = m.array("sample_time_offset") * 1e-3
    start_s = m.single("timestamp") + np.nan_to_num(milliseconds(m, "timestamp_ms"))
    endings = tuple(f"_{axis}" for axis in AXES)
    widths = [m.array(name).shape[1] for name in m.columns if name.endswith(endings)]
    k = max([offset_s.shape[1], *widths])
    values = counts = None
    for name, factor in sensor.calibrated:
        stated = m.axes(name, k)
        if stated is not None:
            if factor != 1.0:
                stated *= factor
            values = stated if values is None else first_stated(values, stated)
    if values is None or np.isnan(values).any():
        counts = m.axes(sensor.raw, k)
    if counts is not None:
        calibrated = _calibrated(counts, m.order, calibrations, sensor.number)
        values = calibrated if values is None else first_stated(values, calibrated)
    if values is None:
        values = np.full((n, k, 3), np.nan)
    if k == 1 and "sample_time_offset" not in m.columns:
        offset_s = np.zeros((n, 1))
    t_s = start_s[:, None] + to_width(offset_s, k)
    padding = np.isnan(t_s)
    if padding.any():
        padding &= np.isnan(values).all(axis=2)
        if counts is not None:
            padding &= np.isnan(counts).all(axis=2)
    if not padding.any():
        return t_s.ravel(), values.reshape(-1, 3)
    return t_s[~padding], values[~padding]


def _calibrated(
    counts: Floats, order: NDArray[np.int64], calibrations: Messages | None, sensor_number: int
) -> Floats:
    """Raw counts (n, k, 3) in the sensor's unit (g, deg/s); NaN without a calibration.

    Each batch is calibrated by the last calibration before it, those before the first by the
    first: orientation_matrix @ ((counts - level_shift - offset_cal) * calibration_factor /
    calibration_divisor), as the FIT profile describes the fields of
    three_d_sensor_calibration.
    """
    if calibrations is None:
        return np.full_like(counts, np.nan)
    c = calibrations
    rows = np.flatnonzero(c.single("sensor_type") == sensor_number)
    if len(rows) == 0:
        return np.full_like(counts, np.nan)
    last = np.searchsorted(c.order[rows], order) - 1
    row = rows[np.maximum(last, 0)]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = c.single("calibration_factor") / c.single("calibration_divisor")
    shift = np.nan_to_num(c.single("level_shift"))
    offset = np.nan_to_num(to_width(c.array("offset_cal"), 3))
    turn = to_width(c.array("orientation_matrix"), 9)
    turn = np.where(np.isnan(turn).any(axis=1, keepdims=True), np.eye(3).ravel(), turn)
    level = counts - shift[row, None, None] - offset[row, None, :]
    turned: Floats = np.einsum("nij,nkj->nki", turn.reshape(-1, 3, 3)[row], level)
    turned = turned * gain[row, None, None]
    return np.where(np.isfinite(turned), turned, np.nan)


def _interpolated(t_s: Floats, stated_t_s: Floats, stated: Floats) -> Floats:
    """Values (m, 3) stated at times (m,), linearly interpolated to times (n,), as (n, 3).

    NaN farther than `_GYRO_REACH_S` from a stated one.
    """
    sound = np.isfinite(stated_t_s) & finite_rows(stated)
    result = np.full((len(t_s), 3), np.nan)
    if not sound.any():
        return result
    if len(t_s) == len(stated_t_s) and sound.all() and (t_s == stated_t_s).all():
        return stated  # batches of one chip stand at the same times
    known_t, first = np.unique(stated_t_s[sound], return_index=True)
    known = stated[sound][first]
    after = np.clip(np.searchsorted(known_t, t_s), 0, len(known_t) - 1)
    before = np.maximum(after - 1, 0)
    with np.errstate(invalid="ignore"):
        nearest = np.minimum(np.abs(known_t[after] - t_s), np.abs(known_t[before] - t_s))
        near = nearest <= _GYRO_REACH_S
    for axis in range(3):
        result[near, axis] = np.interp(t_s[near], known_t, known[:, axis])
    return result
