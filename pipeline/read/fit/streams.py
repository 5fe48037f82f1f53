"""FIT activity files: `record` and `gps_metadata` as fixes, sensor batches as an Imu.

Field meanings and scales are those of the public FIT profile. Stamps are seconds since
1989-12-31T00:00Z on the UTC count; values below 0x10000000 are the unit's uptime instead,
tied to UTC by `timestamp_correlation`, or else left as a counter.

`messages` is the seam: above it nothing knows how the bytes are decoded.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Basis, Floats
from pipeline.errors import RecordingError
from pipeline.read.content import (
    STANDARD_GRAVITY_MPS2,
    Content,
    column,
    finite_rows,
    impossible_place,
    sieve_fixes,
    sieve_imu,
    why_no_fixes,
)
from pipeline.read.fit import columns
from pipeline.read.fit.container import Part, chain
from pipeline.read.fit.profile import Decoded, Messages

FIT_EPOCH_S = 631_065_600.0  # 1989-12-31T00:00Z; FIT profile, type date_time
FIRST_DATE = 0x10000000  # below it a date_time is seconds of uptime; FIT profile, date_time
SEMICIRCLE_DEG = 180.0 / 2**31

Columns = Mapping[str, Floats]

_ACCELEROMETER, _GYROSCOPE = 0, 1  # FIT profile, type sensor_type
_GYRO_REACH_S = 0.1  # a turn rate is interpolated no farther than this from a stated one

_AXES = ("x", "y", "z")


# --- the seam --------------------------------------------------------------------------


class File(NamedTuple):
    """One file of a chain: message name -> Messages, and what was wrong with it. Messages of
    a damaged file may hold values that nobody wrote."""

    messages: Mapping[str, Messages]
    remarks: tuple[str, ...]
    damaged: bool


def messages(data: bytes) -> Iterator[File]:
    """Decodes what fit_profile.py wants of each file of a chain.

    What comes before a fault is kept; the fault is a remark. Never raises.
    """
    for part in chain(data):
        found = _decoded(part) if part.data else Decoded({}, None)
        remarks = part.remarks
        if found.fault is not None and not part.cut:
            remarks += (found.fault,)
        yield File(
            found.messages,
            tuple(f"{part.name}{remark}" for remark in remarks),
            damaged=bool(remarks),
        )


def _decoded(part: Part) -> Decoded:
    try:
        return columns.decode(part.data, sound=not part.remarks)
    except columns.Unknown:
        from pipeline.read.fit import one_by_one  # fitparse is loaded for files that need it only

        return one_by_one.decode(part.data)


# --- meaning ---------------------------------------------------------------------------


class _FixColumns(NamedTuple):
    """(n,) each, NaN where null; basis of `t_s` in `Streams`."""

    t_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    speed_mps: Floats
    altitude_m: Floats

    def placed(self) -> NDArray[np.bool_]:
        lat, lon = self.latitude_deg, self.longitude_deg
        placed: NDArray[np.bool_] = ~np.isnan(lat) & ~np.isnan(lon) & ~impossible_place(lat, lon)
        return placed


class _ImuColumns(NamedTuple):
    t_s: Floats  # (n,)
    acc_mps2: Floats  # (n, 3)
    gyro_radps: Floats  # (n, 3), NaN without


class _Streams(NamedTuple):
    fixes: _FixColumns | None
    fixes_basis: Basis
    imu: _ImuColumns | None
    imu_basis: Basis
    remarks: tuple[str, ...]


def read(path: Path, data: bytes) -> Content:
    """Raises RecordingError where no file of the chain has a fix or an acceleration."""
    files = list(messages(data))
    parts = [_streams(file) for file in files]
    remarks = tuple(r for part in parts for r in part.remarks)
    fix_basis = _common_basis([p.fixes_basis for p in parts if p.fixes])
    imu_basis = _common_basis([p.imu_basis for p in parts if p.imu])
    fix_parts = [p.fixes for p in parts if p.fixes and p.fixes_basis == fix_basis]
    imu_parts = [p.imu for p in parts if p.imu and p.imu_basis == imu_basis]
    lost_fixes = sum(len(p.fixes.t_s) for p in parts if p.fixes and p.fixes_basis != fix_basis)
    lost_imu = sum(len(p.imu.t_s) for p in parts if p.imu and p.imu_basis != imu_basis)
    if not fix_parts and not imu_parts:
        raise RecordingError(
            path,
            "no record, gps_metadata or accelerometer_data messages" + _told(remarks),
            "a FIT activity file",
            "export the activity itself, not settings, a workout or a course",
        )
    fixes, dropped_fixes, why = None, 0, ""
    if fix_parts:
        columns = _FixColumns(*_on_end(fix_parts))
        fixes, dropped_fixes = sieve_fixes(*columns, basis=fix_basis)
        why = why_no_fixes(*columns[:4], basis=fix_basis)
    imu, dropped_imu = None, 0
    if imu_parts:
        motion = _ImuColumns(*_on_end(imu_parts))
        imu, dropped_imu = sieve_imu(*motion, basis=imu_basis)
    if fixes is None and imu is None:
        raise RecordingError(
            path,
            f"no record is a fix ({why or 'there are none'})"
            + (f", none of {dropped_imu} inertial samples usable" if dropped_imu else "")
            + _told(remarks),
            "positions, speeds or accelerations with times",
            "export an activity recorded outdoors with satellites on",
        )
    return Content(fixes, imu, dropped_fixes + lost_fixes, dropped_imu + lost_imu, remarks)


def _told(remarks: tuple[str, ...]) -> str:
    more = f"; and {len(remarks) - 3} more" if len(remarks) > 3 else ""
    return f" ({'; '.join(remarks[:3])}{more})" if remarks else ""


def _on_end(parts: Sequence[tuple[Floats, ...]]) -> Iterator[Floats]:
    """The columns of several files of a chain, one after the other."""
    for own in zip(*parts, strict=True):
        yield own[0] if len(own) == 1 else np.concatenate(own)


def _common_basis(bases: list[Basis]) -> Basis:
    return "counter" if bases and "utc" not in bases else "utc"


def _streams(file: File) -> _Streams:
    """One file's fixes and inertial samples, on UTC where the file ties them to it."""
    found = file.messages
    tie = _Tie(*_correlation(found.get("timestamp_correlation")))
    record = _record_fixes(found["record"]) if "record" in found else None
    gps = _gps_fixes(found["gps_metadata"], tie) if "gps_metadata" in found else None
    chosen = record
    if gps is not None and (record is None or gps.placed().sum() > record.placed().sum()):
        chosen = gps  # the receiver's own rate; record repeats it once a second
    fixes_basis: Basis = "utc"
    if chosen is not None:
        t_s, fixes_basis = tie.posix_s(chosen.t_s)
        chosen = chosen._replace(t_s=_plausible(t_s, chosen.placed()) if file.damaged else t_s)
    imu, remarks = _imu(found)
    imu_basis: Basis = "utc"
    if imu is not None:
        t_s, imu_basis = tie.posix_s(imu.t_s, sensor=True)
        imu = imu._replace(
            t_s=_plausible(t_s, np.isfinite(imu.acc_mps2[:, 0])) if file.damaged else t_s
        )
    return _Streams(chosen, fixes_basis, imu, imu_basis, file.remarks + remarks)


def _plausible(t_s: Floats, stated: NDArray[np.bool_]) -> Floats:
    """Stamps of a damaged file, NaN where more than a day from the first ten `stated`: where
    bytes are missing, all that follows may be read out of step, but what came before is not."""
    first = t_s[stated & np.isfinite(t_s)][:10]
    if len(first) == 0:
        return t_s
    with np.errstate(invalid="ignore"):
        return np.where(np.abs(t_s - np.median(first)) <= 86_400.0, t_s, np.nan)


class _Tie(NamedTuple):
    """Pairs (m,) of a unit's own time and UTC, both in FIT seconds, in order of the former."""

    system_s: Floats
    utc_s: Floats

    def posix_s(self, stamp_s: Floats, sensor: bool = False) -> tuple[Floats, Basis]:
        """FIT stamps (n,) to POSIX seconds, or to the counter where no stamp is a date and
        nothing ties it. Sensor batches carry the unit's own time even where that is a date."""
        with np.errstate(invalid="ignore"):
            is_date = stamp_s >= FIRST_DATE
        if len(self.system_s):
            own_time_is_date = bool(self.system_s[0] >= FIRST_DATE)
            tied = np.where(
                (is_date == own_time_is_date) & (sensor | ~is_date),
                stamp_s + np.interp(stamp_s, self.system_s, self.utc_s - self.system_s),
                np.where(is_date, stamp_s, np.nan),
            )
            return tied + FIT_EPOCH_S, "utc"
        if is_date.any():
            return np.where(is_date, stamp_s, np.nan) + FIT_EPOCH_S, "utc"
        return stamp_s, "counter"


def _correlation(m: Messages | None) -> tuple[Floats, Floats]:
    if m is None:
        return np.empty(0), np.empty(0)
    n, c = len(m.order), m.columns
    utc = _scalar(c.get("timestamp"), n)
    system = _scalar(c.get("system_timestamp"), n)
    utc_part = _first_stated(_ms(c, "timestamp_ms", n), _scalar(c.get("fractional_timestamp"), n))
    system_part = _first_stated(
        _ms(c, "system_timestamp_ms", n), _scalar(c.get("fractional_system_timestamp"), n)
    )
    utc, system = utc + np.nan_to_num(utc_part), system + np.nan_to_num(system_part)
    sound = np.isfinite(utc) & np.isfinite(system) & (utc >= FIRST_DATE)
    order = np.argsort(system[sound], kind="stable")
    return system[sound][order], utc[sound][order]


def _record_fixes(m: Messages) -> _FixColumns:
    n, c = len(m.order), m.columns
    return _FixColumns(
        _scalar(c.get("timestamp"), n) + _part_of_second(m),
        _scalar(c.get("position_lat"), n) * SEMICIRCLE_DEG,
        _scalar(c.get("position_long"), n) * SEMICIRCLE_DEG,
        _first_stated(_scalar(c.get("enhanced_speed"), n), _scalar(c.get("speed"), n)),
        _first_stated(_scalar(c.get("enhanced_altitude"), n), _scalar(c.get("altitude"), n)),
    )


def _part_of_second(m: Messages) -> Floats:
    """(n,) seconds to add to a record's whole second: 0 where nothing states it."""
    n = len(m.order)
    for name, values in m.columns.items():
        if name == "time128":  # the profile's own, already in seconds
            part = _scalar(values, n)
        elif name.startswith("developer."):
            part = _scalar(values, n) * _developer_unit_s(name, m.units[name], values)
        else:
            continue
        stated = part[np.isfinite(part)]
        # Outside [0, 1) it counts something else, and adding it would be worse than nothing.
        if len(stated) and stated.min() >= 0.0 and stated.max() < 1.0:
            return np.nan_to_num(part)
    return np.zeros(n)


def _developer_unit_s(name: str, unit: str, values: Floats) -> float:
    """Seconds to one count of a developer's sub-second field, by its unit, else its name."""
    unit = unit.strip().lower()
    if unit in ("ms", "msec", "millisecond", "milliseconds") or re.search(r"ms$|milli", name):
        return 1e-3
    if "256" in unit or "256" in name:
        return 1.0 / 256.0
    if "128" in unit or "128" in name:
        return 1.0 / 128.0
    whole = bool((np.nan_to_num(values) % 1.0 == 0.0).all())
    # As the profile scales fractional_timestamp in its own messages.
    return 1.0 / 32768.0 if whole and "fractional_timestamp" in name else 1.0


def _gps_fixes(m: Messages, tie: _Tie) -> _FixColumns:
    n, c = len(m.order), m.columns
    t_s = _scalar(c.get("timestamp"), n) + np.nan_to_num(_ms(c, "timestamp_ms", n))
    utc_s = _scalar(c.get("utc_timestamp"), n)
    with np.errstate(invalid="ignore"):
        uptime = (t_s < FIRST_DATE) & (utc_s >= FIRST_DATE)
    if uptime.any() and not len(tie.system_s):
        t_s = np.where(uptime, utc_s, t_s)  # whole seconds, all that ties the fix to UTC
    velocity = c.get("velocity")
    course = np.full(n, np.nan)
    if velocity is not None and velocity.ndim == 2:
        course = np.hypot(velocity[:, 0], velocity[:, 1])
    return _FixColumns(
        t_s,
        _scalar(c.get("position_lat"), n) * SEMICIRCLE_DEG,
        _scalar(c.get("position_long"), n) * SEMICIRCLE_DEG,
        _first_stated(_scalar(c.get("enhanced_speed"), n), course),
        _scalar(c.get("enhanced_altitude"), n),
    )


def _imu(found: Mapping[str, Messages]) -> tuple[_ImuColumns | None, tuple[str, ...]]:
    """Accelerations at their own times, turn rates interpolated onto them."""
    if "accelerometer_data" not in found:
        left = "gyroscope_data" in found
        return None, ("turn rates without accelerations were left out",) if left else ()
    calibrations = found.get("three_d_sensor_calibration")
    remarks: tuple[str, ...] = ()
    t_s, acc_g = _batches(
        found["accelerometer_data"],
        ("calibrated_accel", 1.0),
        ("compressed_calibrated_accel", 1e-3),
        "accel",
        calibrations,
        _ACCELEROMETER,
    )
    if not np.isfinite(acc_g).any():
        remarks += ("accelerometer counts without a calibration were left out",)
    gyro = None
    if "gyroscope_data" in found:
        gyro_t_s, gyro_dps = _batches(
            found["gyroscope_data"],
            ("calibrated_gyro", 1.0),
            None,
            "gyro",
            calibrations,
            _GYROSCOPE,
        )
        gyro = _onto(t_s, gyro_t_s, gyro_dps)
        gyro *= np.pi / 180.0  # in place, as below: of an hour it is nine megabytes
        if not np.isfinite(gyro_dps).any():
            remarks += ("gyroscope counts without a calibration were left out",)
    acc_g *= STANDARD_GRAVITY_MPS2
    gyro = np.full_like(acc_g, np.nan) if gyro is None else gyro
    return _ImuColumns(t_s, acc_g, gyro), remarks


def _batches(
    m: Messages,
    calibrated: tuple[str, float],
    compressed: tuple[str, float] | None,
    raw: str,
    calibrations: Messages | None,
    sensor: int,
) -> tuple[Floats, Floats]:
    """A sensor's batches as times (n,) and values (n, 3), in the calibrated unit."""
    batches, c = len(m.order), m.columns
    offset_s = _ms(c, "sample_time_offset", batches, wide=True)
    start_s = _scalar(c.get("timestamp"), batches) + np.nan_to_num(_ms(c, "timestamp_ms", batches))
    widths = [offset_s.shape[1]]
    widths += [_wide(v, batches).shape[1] for k, v in c.items() if k[-2:] in ("_x", "_y", "_z")]
    k = max(widths)
    values = counts = None
    for name, scale in (calibrated, compressed) if compressed else (calibrated,):
        stated = _triple(c, name, batches, k)
        if stated is not None:
            if scale != 1.0:
                stated *= scale
            values = stated if values is None else _first_stated(values, stated)
    if values is None or np.isnan(values).any():
        counts = _triple(c, raw, batches, k)
    if counts is not None:
        known = _calibrate(counts, m.order, calibrations, sensor)
        values = known if values is None else _first_stated(values, known)
    if values is None:
        values = np.full((batches, k, 3), np.nan)
    if k == 1 and "sample_time_offset" not in c:
        offset_s = np.zeros((batches, 1))
    t_s = start_s[:, None] + _padded(offset_s, k)
    padding = np.isnan(t_s)
    if padding.any():
        padding &= np.isnan(values).all(axis=2)
        if counts is not None:
            padding &= np.isnan(counts).all(axis=2)
    if not padding.any():
        return t_s.ravel(), values.reshape(-1, 3)
    return t_s[~padding], values[~padding]


def _calibrate(
    counts: Floats, order: NDArray[np.int64], calibrations: Messages | None, sensor: int
) -> Floats:
    """Raw counts (n, k, 3) to the sensor's unit, each batch by the last calibration before it
    (before the first, the first); NaN without one.

    orientation_matrix @ ((counts - level_shift - offset_cal) * calibration_factor /
    calibration_divisor), as the FIT profile describes the fields of
    three_d_sensor_calibration.
    """
    if calibrations is None:
        return np.full_like(counts, np.nan)
    c, n = calibrations.columns, len(calibrations.order)
    rows = np.flatnonzero(_scalar(c.get("sensor_type"), n) == sensor)
    if len(rows) == 0:
        return np.full_like(counts, np.nan)
    last = np.searchsorted(calibrations.order[rows], order) - 1
    row = rows[np.maximum(last, 0)]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = _scalar(c.get("calibration_factor"), n) / _scalar(c.get("calibration_divisor"), n)
    shift = np.nan_to_num(_scalar(c.get("level_shift"), n))
    offset = np.nan_to_num(_padded(_wide(c.get("offset_cal"), n), 3))
    turn = _padded(_wide(c.get("orientation_matrix"), n), 9)
    turn = np.where(np.isnan(turn).any(axis=1, keepdims=True), np.eye(3).ravel(), turn)
    level = counts - shift[row, None, None] - offset[row, None, :]
    turned: Floats = np.einsum("nij,nkj->nki", turn.reshape(-1, 3, 3)[row], level)
    turned = turned * gain[row, None, None]
    return np.where(np.isfinite(turned), turned, np.nan)


def _onto(t_s: Floats, stated_t_s: Floats, stated: Floats) -> Floats:
    """Values (m, 3) stated at (m,) times, linearly interpolated to (n,) times; NaN farther
    than `_GYRO_REACH_S` from a stated one."""
    sound = np.isfinite(stated_t_s) & finite_rows(stated)
    result = np.full((len(t_s), 3), np.nan)
    if not sound.any():
        return result
    if len(t_s) == len(stated_t_s) and sound.all() and (t_s == stated_t_s).all():
        return stated  # one chip's batches: at the same times
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


# --- shapes ----------------------------------------------------------------------------


def _ms(columns: Columns, name: str, n: int, wide: bool = False) -> Floats:
    values = _wide(columns.get(name), n) if wide else _scalar(columns.get(name), n)
    return values * 1e-3


def _scalar(values: Floats | None, n: int) -> Floats:
    """(n,); of an array field the first value."""
    return column(values if values is None or values.ndim == 1 else values[:, 0], n)


def _wide(values: Floats | None, n: int) -> Floats:
    """(n, k), also where k is 1 or the field is not there."""
    return column(values, n).reshape(n, -1)


def _padded(values: Floats, k: int) -> Floats:
    """(n, j) with j <= k, filled with NaN to (n, k); longer rows are cut."""
    if values.shape[1] == k:
        return values
    return np.pad(values[:, :k], ((0, 0), (0, max(0, k - values.shape[1]))), constant_values=np.nan)


def _triple(columns: Columns, name: str, n: int, k: int) -> Floats | None:
    """(n, k, 3): three axes, NaN where one is missing; None where all are."""
    axes = [columns.get(f"{name}_{a}") for a in _AXES]
    if all(axis is None for axis in axes):
        return None
    return np.stack([_padded(_wide(axis, n), k) for axis in axes], axis=2)


def _first_stated(first: Floats, second: Floats) -> Floats:
    return np.where(np.isnan(first), second, first)
