"""From files to values: `read` turns a recording in any of five formats into a Recording."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from pipeline.base.values import Fixes, Imu, Recording
from pipeline.errors import RecordingError
from pipeline.read.csv.reader import read_csv
from pipeline.read.fit.reader import read_fit
from pipeline.read.formats import SUPPORTED, format_of
from pipeline.read.nmea.reader import read_nmea
from pipeline.read.screening import Content
from pipeline.read.unpacking import unpacked_recording
from pipeline.read.xml.gpx import read_gpx
from pipeline.read.xml.tcx import read_tcx

__all__ = ["SUPPORTED", "read"]

_MOST_REMARKS = 50  # on one recording; a chain of files has some for each
_Columns = Mapping[str, Mapping[str, str]]
_SELF_DESCRIBING: Mapping[str, Callable[[Path, bytes], Content]] = {
    "fit": read_fit,
    "gpx": read_gpx,
    "tcx": read_tcx,
    "nmea": read_nmea,
}


def read(path: Path, columns: _Columns | None = None, clock: str = "gnss") -> Recording:
    """The fixes and inertial samples of one file as columns in SI units, in the file's order.

    `columns` names a CSV's columns and their units ({"acc_x": {"column": "ax", "unit": "g"}});
    the other formats need none. With `clock` "gnss", stamps are UTC where the format says so and
    otherwise the unit's counter. With "device" they are a free-running counter, whatever date
    they claim. The file may be packed with gzip. From a damaged file the sound part is used, and
    a remark says so.

    Raises RecordingError where nothing is usable, and where the file needs more memory than
    there is. The error says what was found and what to do.
    """
    try:
        return _read_recording(Path(path), columns, clock)
    except MemoryError:
        raise RecordingError(
            path,
            "needs more memory than there is",
            "one session's recording",
            "cut the recording to the session",
        ) from None


def _read_recording(path: Path, columns: _Columns | None, clock: str) -> Recording:
    if clock not in ("gnss", "device"):
        raise RecordingError(path, f"clock {clock!r}", '"gnss" or "device"', "correct the session")
    file = unpacked_recording(path)
    format_ = format_of(path, file.data)
    remarks = file.remarks
    if format_ == "csv":
        content = read_csv(path, file.data, columns, clock)
    else:
        content = _SELF_DESCRIBING[format_](path, file.data)
        if columns:
            remarks += (f"columns are for CSV files; this is {format_.upper()} and needs none",)
        if clock == "device":
            content = _on_counter(content)
    return Recording(
        path=path,
        format=format_,
        fixes=content.fixes,
        imu=content.imu,
        dropped_fixes=content.dropped_fixes,
        dropped_imu=content.dropped_imu,
        remarks=_first_remarks_counted(remarks + content.remarks),
    )


def _first_remarks_counted(remarks: tuple[str, ...]) -> tuple[str, ...]:
    more = len(remarks) - _MOST_REMARKS
    return (*remarks[:_MOST_REMARKS], f"{more} more remarks like these") if more > 0 else remarks


def _on_counter(content: Content) -> Content:
    """The same samples, with stamps that count from an unknown start instead of UTC."""
    fixes: Fixes | None = content.fixes and replace(content.fixes, basis="counter")
    imu: Imu | None = content.imu and replace(content.imu, basis="counter")
    return replace(content, fixes=fixes, imu=imu)
