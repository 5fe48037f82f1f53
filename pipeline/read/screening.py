"""`Content`, what every reader of recordings gives, and the screening of samples they all share.

A sample is dropped and counted where its time is missing or its place is impossible. It is never
repaired. Everything else stays in the order of the file.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Generic, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Basis, Fixes, Floats, Imu
from pipeline.errors import RecordingError

AXES = ("x", "y", "z")
STANDARD_GRAVITY_MPS2 = 9.80665  # ISO 80000-3; what a "g" in a file means
FASTEST_MPS = 300.0  # an airliner's; units write more (9999, 655.35) to say "none"
GPS_EPOCH_S = 315_964_800.0  # 1980-01-06T00:00Z (IS-GPS-200); no satellite fix is older
LATEST_UTC_S = 7_258_118_400.0  # 2200-01-01T00:00Z; more is a count in another unit, or no time
LONGEST_COUNTER_S = 1e10  # three hundred years of uptime
MOST_SAMPLES = 10_000_000  # of one recording: 27 hours at 100 Hz; more rows are no samples


@dataclass(frozen=True, slots=True)
class Content:
    """What a reader found in one file: a `Recording` without its path and format."""

    fixes: Fixes | None = None
    imu: Imu | None = None
    dropped_fixes: int = 0
    dropped_imu: int = 0
    remarks: tuple[str, ...] = ()


def too_many_samples(path: Path, most: int = MOST_SAMPLES) -> RecordingError:
    """The error for a file of so many tiny rows that they would fill the memory."""
    return RecordingError(
        path,
        f"more than {most} samples",
        "one session's recording",
        "cut the recording to the session",
    )


T = TypeVar("T")


class Sieved(NamedTuple, Generic[T]):
    stream: T | None
    dropped: int


def float_column(values: object, n: int) -> Floats:
    """`values` as float64 (n,), or all NaN where `values` is None."""
    if values is None:
        return np.full(n, np.nan)
    return np.asarray(values, dtype=np.float64)


def impossible_place(latitude_deg: Floats, longitude_deg: Floats) -> NDArray[np.bool_]:
    """True where a place is stated but cannot be right.

    It is out of range, half of it is missing, or it is 0° N 0° E, which receivers write for
    "none" (nobody runs relays in the Gulf of Guinea). Both in degrees, (n,).
    """
    absent = np.isnan(latitude_deg) & np.isnan(longitude_deg)
    with np.errstate(invalid="ignore"):
        sound = (np.abs(latitude_deg) <= 90.0) & (np.abs(longitude_deg) <= 180.0)
    null_island = (latitude_deg == 0.0) & (longitude_deg == 0.0)
    impossible: NDArray[np.bool_] = ~absent & (~sound | null_island)
    return impossible


def sieve_fixes(
    t_s: Floats,
    latitude_deg: Floats | None = None,
    longitude_deg: Floats | None = None,
    speed_mps: Floats | None = None,
    altitude_m: Floats | None = None,
    hdop: Floats | None = None,
    satellites: Floats | None = None,
    basis: Basis = "utc",
) -> Sieved[Fixes]:
    """The usable fixes among n rows, and how many were dropped.

    All columns are (n,) in the units of `Fixes`, or None where the file has no such column. A
    fix is usable if its time is possible (on the UTC basis: from the GPS epoch to 2200) and it
    has a place or, where no place is stated, a speed. A row with neither place nor speed (a
    pulse alone) is not a fix and is not counted as dropped. An impossible speed or dilution
    (negative, infinite, or a speed above FASTEST_MPS) becomes NaN, and the fix stays.
    """
    n = len(t_s)
    lat, lon = float_column(latitude_deg, n), float_column(longitude_deg, n)
    speed = _nonnegative(float_column(speed_mps, n), FASTEST_MPS)
    altitude = float_column(altitude_m, n)
    candidate = ~(np.isnan(lat) & np.isnan(lon) & np.isnan(speed))
    keep = candidate & _possible_time(t_s, basis) & ~impossible_place(lat, lon)
    dropped = int((candidate & ~keep).sum())
    if not keep.any():
        return Sieved(None, dropped)
    fixes = Fixes(
        t_s[keep],
        lat[keep],
        lon[keep],
        speed[keep],
        np.where(np.isfinite(altitude), altitude, np.nan)[keep],
        _nonnegative(float_column(hdop, n))[keep],
        _nonnegative(float_column(satellites, n))[keep],
        basis,
    )
    return Sieved(fixes, dropped)


def why_no_fixes(
    t_s: Floats,
    latitude_deg: Floats,
    longitude_deg: Floats,
    speed_mps: Floats,
    basis: Basis = "utc",
) -> str:
    """For an error message: why none of n rows is a usable fix. Arguments as in `sieve_fixes`."""
    timeless = int(np.isnan(t_s).sum())
    undated = int((t_s < GPS_EPOCH_S).sum()) if basis == "utc" else 0
    impossible_time = int((~np.isnan(t_s) & ~_possible_time(t_s, basis)).sum()) - undated
    impossible = int(impossible_place(latitude_deg, longitude_deg).sum())
    empty = int((np.isnan(latitude_deg) & np.isnan(longitude_deg) & np.isnan(speed_mps)).sum())
    counts = (
        (timeless, f"{timeless} without a time"),
        (undated, f"{undated} dated before 1980"),
        (impossible_time, f"{impossible_time} at an impossible time"),
        (impossible, f"{impossible} at an impossible position"),
        (empty, f"{empty} with neither position nor speed"),
    )
    return ", ".join(words for n, words in counts if n)


def sieve_imu(
    t_s: Floats, acc_mps2: Floats, gyro_radps: Floats | None = None, basis: Basis = "utc"
) -> Sieved[Imu]:
    """The usable inertial samples among n rows, and how many were dropped.

    `t_s` is (n,), `acc_mps2` (n, 3), `gyro_radps` (n, 3) or None. A sample is usable if its time
    is possible and it has all three accelerations. A missing turn rate stays NaN.
    """
    n = len(t_s)
    keep = _possible_time(t_s, basis) & finite_rows(acc_mps2)
    if not keep.any():
        return Sieved(None, n)
    gyro = np.empty((0, 3))
    if gyro_radps is not None and (turning := finite_rows(gyro_radps)).any():
        gyro = gyro_radps
        if not turning.all():
            gyro = np.where(np.isfinite(gyro), gyro, np.nan)
    if keep.all():
        return Sieved(Imu(t_s, acc_mps2, gyro, basis), 0)
    imu = Imu(t_s[keep], acc_mps2[keep], gyro[keep] if len(gyro) else gyro, basis)
    return Sieved(imu, int(n - keep.sum()))


def finite_rows(values: Floats) -> NDArray[np.bool_]:
    """Whether all numbers of each row (n, k) are finite, (n,). By columns, as that is fast."""
    finite = np.isfinite(values[:, 0])
    for axis in range(1, values.shape[1]):
        finite &= np.isfinite(values[:, axis])
    return finite


def _possible_time(t_s: Floats, basis: Basis) -> NDArray[np.bool_]:
    """False where a time is no number or cannot be a recording's.

    On the UTC count that is before satellite time began (a clock never set) or centuries ahead.
    """
    low, high = GPS_EPOCH_S, LATEST_UTC_S
    if basis == "counter":
        low, high = -LONGEST_COUNTER_S, LONGEST_COUNTER_S
    with np.errstate(invalid="ignore"):
        possible: NDArray[np.bool_] = (t_s >= low) & (t_s <= high)
    return possible


def _nonnegative(values: Floats, most: float = np.inf) -> Floats:
    """`values`, NaN where negative, infinite or above `most`."""
    with np.errstate(invalid="ignore"):
        sound = np.isfinite(values) & (values >= 0.0) & (values <= most)
    return np.where(sound, values, np.nan)
