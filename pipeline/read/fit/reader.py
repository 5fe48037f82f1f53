"""`read_fit`: a FIT activity file's fixes and inertial samples, from all files of its chain.

The meaning and scale of each field are those of the public FIT profile.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.units import DAY_S
from pipeline.base.values import Basis, Floats
from pipeline.errors import RecordingError
from pipeline.read.fit.clock import utc_tie
from pipeline.read.fit.decoding import DecodedFile, decoded_files
from pipeline.read.fit.fixes import FixColumns, gps_metadata_fixes, record_fixes
from pipeline.read.fit.sensor_batches import ImuColumns, imu_columns
from pipeline.read.screening import Content, sieve_fixes, sieve_imu, why_no_fixes


class _FileStreams(NamedTuple):
    """What one file of the chain gives, times in seconds on the basis beside each."""

    fixes: FixColumns | None
    fixes_basis: Basis
    imu: ImuColumns | None
    imu_basis: Basis
    remarks: tuple[str, ...]


def read_fit(path: Path, data: bytes) -> Content:
    """The fixes and inertial samples of all files of the chain, one file after the other.

    Where some files count on UTC and others on a counter, the latter's samples are dropped.
    Raises RecordingError where no file has a fix or an acceleration.
    """
    parts = [_file_streams(file) for file in decoded_files(data)]
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
            "no record, gps_metadata or accelerometer_data messages",
            "a FIT activity file",
            "export the activity itself, not settings, a workout or a course",
            _first_remarks(remarks),
        )
    fixes, dropped_fixes, why = None, 0, ""
    if fix_parts:
        columns = FixColumns(*_chained_columns(fix_parts))
        fixes, dropped_fixes = sieve_fixes(*columns, basis=fix_basis)
        why = why_no_fixes(*columns[:4], basis=fix_basis)
    imu, dropped_imu = None, 0
    if imu_parts:
        motion = ImuColumns(*_chained_columns(imu_parts))
        imu, dropped_imu = sieve_imu(*motion, basis=imu_basis)
    if fixes is None and imu is None:
        raise RecordingError(
            path,
            f"no record is a fix ({why or 'there are none'})"
            + (f", and none of {dropped_imu} inertial samples is usable" if dropped_imu else ""),
            "positions, speeds or accelerations with times",
            "export an activity recorded outdoors with satellites on",
            _first_remarks(remarks),
        )
    return Content(fixes, imu, dropped_fixes + lost_fixes, dropped_imu + lost_imu, remarks)


def _first_remarks(remarks: tuple[str, ...]) -> tuple[str, ...]:
    more = (f"and {len(remarks) - 3} more",) if len(remarks) > 3 else ()
    return (*remarks[:3], *more)


def _chained_columns(parts: Sequence[tuple[Floats, ...]]) -> Iterator[Floats]:
    """Each column of several files of a chain, one file after the other."""
    for own in zip(*parts, strict=True):
        yield own[0] if len(own) == 1 else np.concatenate(own)


def _common_basis(bases: list[Basis]) -> Basis:
    return "counter" if bases and "utc" not in bases else "utc"


def _file_streams(file: DecodedFile) -> _FileStreams:
    """One file's fixes and inertial samples, on UTC where the file ties them to it."""
    found = file.messages
    tie = utc_tie(found.get("timestamp_correlation"))
    record = record_fixes(found["record"]) if "record" in found else None
    gps = gps_metadata_fixes(found["gps_metadata"], tie) if "gps_metadata" in found else None
    chosen = record
    if gps is not None and (record is None or gps.has_place().sum() > record.has_place().sum()):
        chosen = gps  # the receiver's own rate; record repeats it once a second
    fixes_basis: Basis = "utc"
    if chosen is not None:
        t_s, fixes_basis = tie.posix_s(chosen.t_s)
        if file.damaged:
            t_s = _plausible_times(t_s, chosen.has_place())
        chosen = chosen._replace(t_s=t_s)
    imu, remarks = imu_columns(found)
    imu_basis: Basis = "utc"
    if imu is not None:
        t_s, imu_basis = tie.posix_s(imu.t_s, sensor=True)
        if file.damaged:
            t_s = _plausible_times(t_s, np.isfinite(imu.acc_mps2[:, 0]))
        imu = imu._replace(t_s=t_s)
    return _FileStreams(chosen, fixes_basis, imu, imu_basis, file.remarks + remarks)


def _plausible_times(t_s: Floats, stated: NDArray[np.bool_]) -> Floats:
    """The times of a damaged file, NaN more than a day from the first ten of `stated` samples.

    Where bytes are missing, all that follows may be read out of step; what came before is not.
    """
    first = t_s[stated & np.isfinite(t_s)][:10]
    if len(first) == 0:
        return t_s
    with np.errstate(invalid="ignore"):
        return np.where(np.abs(t_s - np.median(first)) <= DAY_S, t_s, np.nan)
