"""`read_csv`: a CSV of fixes, inertial samples or both, by its headers or the session's `columns`.

A plain header is a quantity and its unit: `time_utc`, `speed_kmh`, `acc_x_g`, `gyro_z_dps` (also
written `acc_x [g]`). `time_utc` is ISO 8601. A number of seconds is POSIX UTC where it lies beyond
the year 2001 (1e9 s) and the session does not call the clock `device`; anything else is the
unit's own counter. Cells are separated by commas, semicolons or tabs. The decimal sign is a point
or, where commas do not separate cells, a comma.
"""

from __future__ import annotations

import json
import math
import re
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.base.values import Basis, Floats
from pipeline.errors import RecordingError
from pipeline.read.csv.column_choice import (
    UsedColumn,
    columns_by_headers,
    columns_by_session,
    columns_suggestion,
    require_columns,
    unread_remarks,
)
from pipeline.read.csv.layout import as_utf8, complete_lines, find_layout
from pipeline.read.csv.quantities import ACC_AXES, DIMENSIONS, GYRO_AXES, ISO_UTC, UNITS
from pipeline.read.csv.rows import read_rows
from pipeline.read.quoting import is_shown_whole, quote_without_numbers
from pipeline.read.screening import Content, sieve_fixes, sieve_imu, why_no_fixes
from pipeline.read.stamps import NO_ZONE, iso_stamp
from pipeline.read.text_columns import arrow_column, arrow_floats

_DATE = re.compile(  # day and month, or month and day, with a year; perhaps a time of day
    r"(?:[0-3]?\d[/.-][0-3]?\d[/.-](?:19|20)\d\d|(?:19|20)\d\d[/.-][01]?\d[/.-][0-3]?\d)"
    r"(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?\s*$",
    re.ASCII,
)
_MAY_BE_ISO = r"^\s*\d{4}.{8}"  # a year, and as much as a day and an hour take
_MOST_ODD_STAMPS = 3_000_000  # read one by one, which takes half a minute
POSIX_FROM_S = 1e9  # 2001-09-09T01:46:40Z; no unit's counter runs for 31 years


def read_csv(
    path: Path,
    data: bytes,
    columns: Mapping[str, Mapping[str, str]] | None = None,
    clock: str = "gnss",
) -> Content:
    """The fixes and inertial samples of a CSV; `columns` and `clock` as in `pipeline.read.read`.

    Raises RecordingError where headers are not plain or `columns` does not fit, where time or all
    of position, speed and acceleration are missing, and where no row is usable.
    """
    data = as_utf8(data)
    data, cut = complete_lines(data)
    layout = find_layout(path, data, columns)
    unread: tuple[str, ...] = ()
    if columns:
        used = columns_by_session(path, layout, columns)
    else:
        used = columns_by_headers(layout, clock)
        unread = unread_remarks(layout, used)
    require_columns(path, layout, used)
    rows = read_rows(path, data, layout, used)
    times = _row_times(path, used["time"], rows.columns["time"], clock)
    content = _screened_content(path, times, rows.columns, used)
    lost = rows.skipped + len(cut)
    return replace(
        content,
        dropped_fixes=content.dropped_fixes + (lost if content.fixes is not None else 0),
        dropped_imu=content.dropped_imu + (lost if content.imu is not None else 0),
        remarks=cut + rows.remarks + content.remarks + unread,
    )


class RowTimes(NamedTuple):
    t_s: Floats
    basis: Basis
    remarks: tuple[str, ...]


def _row_times(path: Path, time: UsedColumn, cells: pa.ChunkedArray, clock: str) -> RowTimes:
    remarks: tuple[str, ...] = ()
    if time.unit == ISO_UTC:
        t_s, zoned = _iso_times(cells)
        remarks = () if zoned else (NO_ZONE,)
        is_utc = True
    else:
        t_s = _scaled_floats(cells, UNITS["time"][time.unit])
        is_utc = bool(np.isfinite(t_s).any() and np.nanmedian(t_s) >= POSIX_FROM_S)
    if np.isnan(t_s).all():
        stated = cells.drop_null()
        first = _shown_stamp(str(stated[0])) if len(stated) else "nothing"
        name = quote_without_numbers(time.header)
        header = json.dumps(time.header if is_shown_whole(time.header) else "?", ensure_ascii=False)
        raise RecordingError(
            path,
            f"no row has a time; column {name} holds {first}",
            "ISO 8601 such as 2026-05-12T17:03:20.100Z"
            if time.unit == ISO_UTC
            else f"a number in {time.unit}",
            "write times so, or name column and unit in session.toml: "
            f'columns = {{ time = {{ column = {header}, unit = "ms" }}, ... }}',
        )
    if clock == "device":
        return RowTimes(t_s, "counter", remarks)
    if not is_utc:
        name = quote_without_numbers(time.header)
        remarks += (f"column {name} counts from the unit's own start, not UTC",)
    return RowTimes(t_s, "utc" if is_utc else "counter", remarks)


def _shown_stamp(cell: str) -> str:
    """A cell of the time column for an error. Dates are told from coordinates by their year."""
    if _DATE.match(cell):
        return f"'{cell[:40]}'"
    digits = cell.strip()
    if digits.isdecimal() and len(digits) <= 20:
        return f"a number of {len(digits)} digits"
    return quote_without_numbers(cell)


def _iso_times(cells: pa.ChunkedArray) -> tuple[Floats, bool]:
    """ISO stamps to POSIX seconds, NaN where a cell is no stamp; and whether all name a zone."""
    for zone in ("UTC", None):
        try:
            ns = pc.cast(cells, pa.timestamp("ns", zone))
        except pa.ArrowInvalid:
            continue
        whole, stated = arrow_column(ns, np.int64)
        seconds, rest = np.divmod(whole, 1_000_000_000)
        t_s: Floats = seconds + rest * 1e-9
        return t_s if stated is None else np.where(stated, t_s, np.nan), zone is not None
    stamps = array("d")
    zones = True
    left = _MOST_ODD_STAMPS
    for chunk in cells.chunks:
        written = pc.if_else(pc.match_substring_regex(chunk, _MAY_BE_ISO), chunk, pa.NULL)
        for cell in written.to_pylist():
            if cell is None or left == 0:
                stamps.append(math.nan)
                continue
            left -= 1
            posix_s, zoned = iso_stamp(cell)
            stamps.append(posix_s)
            zones &= zoned
    return np.array(stamps, np.float64), zones


def _screened_content(
    path: Path,
    times: RowTimes,
    columns: Mapping[str, pa.ChunkedArray],
    used: Mapping[str, UsedColumn],
) -> Content:
    n = len(times.t_s)
    si = {
        q: _scaled_floats(cells, UNITS[DIMENSIONS[q]][used[q].unit])
        for q, cells in columns.items()
        if q != "time"
    }
    remarks = times.remarks
    fixes, dropped_fixes, why = None, 0, ""
    if "latitude" in si or "speed" in si:
        nothing = np.full(n, np.nan)
        names = ("latitude", "longitude", "speed", "altitude", "hdop", "satellites")
        parts = [si.get(q, nothing) for q in names]
        fix_t_s = times.t_s
        if "acc_x" in si and (fresh := _is_new_fix(parts[:3])) is not None:
            fix_t_s, *parts = (c[fresh] for c in (fix_t_s, *parts))
            remarks += ("rows repeat the last fix; each fix is used once, where it first stands",)
        lat, lon, speed, altitude, hdop, satellites = parts
        fixes, dropped_fixes = sieve_fixes(
            fix_t_s, lat, lon, speed, altitude, hdop, satellites, times.basis
        )
        why = why_no_fixes(fix_t_s, lat, lon, speed, times.basis)
    imu, dropped_imu = None, 0
    if "acc_x" in si:
        acc = np.stack([si[q] for q in ACC_AXES], axis=1)
        gyro = np.stack([si[q] for q in GYRO_AXES], axis=1) if "gyro_x" in si else None
        t_s = times.t_s
        still = np.logical_and.reduce([np.isnan(si[q]) for q in ACC_AXES])
        if still.any():
            t_s, acc = t_s[~still], acc[~still]
            gyro = None if gyro is None else gyro[~still]
        imu, dropped_imu = sieve_imu(t_s, acc, gyro, times.basis)
    if fixes is None and imu is None:
        raise RecordingError(
            path,
            f"no row is usable{f' ({why})' if why else ''}",
            "rows with a time and a position, a speed or three accelerations",
            "check the columns and their units",
        )
    return Content(fixes, imu, dropped_fixes, dropped_imu, remarks)


def _is_new_fix(place_and_speed: Sequence[Floats]) -> NDArray[np.bool_] | None:
    """Whether each row's fix differs from the one before, (n,); None unless most rows repeat it.

    Some loggers write the last fix again beside every inertial sample.
    """
    index = np.flatnonzero(~np.isnan(np.stack(place_and_speed)).all(axis=0))
    if len(index) < 3:
        return None
    same = np.ones(len(index) - 1, dtype=bool)
    for values in place_and_speed:
        v = values[index]
        same &= (v[1:] == v[:-1]) | (np.isnan(v[1:]) & np.isnan(v[:-1]))
    if same.mean() <= 0.5:
        return None
    fresh = np.zeros(len(place_and_speed[0]), dtype=np.bool_)
    fresh[index[np.concatenate(([True], ~same))]] = True
    return fresh


def _scaled_floats(values: pa.ChunkedArray, factor: float = 1.0) -> Floats:
    numbers = arrow_floats(values)
    return numbers * factor if factor != 1.0 else numbers


def suggest_columns(path: Path, data: bytes) -> str:
    """The line `columns = {...}` that would settle a file whose headers are not plain, guessed from
    these; "?" stands where they give no hint. Raises RecordingError where there are no headers."""
    return columns_suggestion(find_layout(path, as_utf8(data), None))
