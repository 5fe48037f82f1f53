"""From files to values: one `read` over five formats, told apart by what is in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from pipeline.base.values import Fixes, Imu, Recording
from pipeline.errors import RecordingError
from pipeline.read.content import Content
from pipeline.read.csv import delimited
from pipeline.read.fit import streams
from pipeline.read.nmea import log
from pipeline.read.source import SUPPORTED, format_of, load
from pipeline.read.xml import gpx, tcx

__all__ = ["SUPPORTED", "read"]

_MARKED = {"fit": streams.read, "gpx": gpx.read, "tcx": tcx.read, "nmea": log.read}


def read(
    path: Path, columns: Mapping[str, Mapping[str, str]] | None = None, clock: str = "gnss"
) -> Recording:
    """The fixes and inertial samples of one file, in its own order, SI units, as columns.

    `columns` names a CSV's columns and their units ({"acc_x": {"column": "ax", "unit": "g"}});
    other formats need none. `clock` "gnss": stamps are UTC where the format says so, else the
    unit's counter; "device": they are a free-running counter, whatever date they claim. The
    file may be packed with gzip. A damaged file gives what is sound, and a remark.

    Raises RecordingError, naming what was found and what to do, where nothing is usable, and
    where the file asks for more memory than there is.
    """
    try:
        return _read(Path(path), columns, clock)
    except MemoryError:
        raise RecordingError(
            path,
            "takes more memory than there is",
            "one session's recording",
            "cut the recording to the session",
        ) from None


def _read(path: Path, columns: Mapping[str, Mapping[str, str]] | None, clock: str) -> Recording:
    if clock not in ("gnss", "device"):
        raise RecordingError(path, f"clock {clock!r}", '"gnss" or "device"', "correct the session")
    source = load(path)
    format_ = format_of(path, source.data)
    remarks = source.remarks
    if format_ == "csv":
        content = delimited.read(path, source.data, columns, clock)
    else:
        content = _MARKED[format_](path, source.data)
        if columns:
            remarks += (f"columns serve CSV files; this is {format_.upper()} and needs none",)
        if clock == "device":
            content = _counted(content)
    return Recording(
        path=path,
        format=format_,
        fixes=content.fixes,
        imu=content.imu,
        dropped_fixes=content.dropped_fixes,
        dropped_imu=content.dropped_imu,
        remarks=remarks + content.remarks,
    )


def _counted(content: Content) -> Content:
    """The same samples, their stamps no longer taken for UTC."""
    fixes: Fixes | None = content.fixes and replace(content.fixes, basis="counter")
    imu: Imu | None = content.imu and replace(content.imu, basis="counter")
    return replace(content, fixes=fixes, imu=imu)
