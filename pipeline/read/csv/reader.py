"""CSV: fixes, inertial samples or both, by plain headers or by the session's `columns`.

A plain header is a quantity and its unit: `time_utc`, `speed_kmh`, `acc_x_g`, `gyro_z_dps`
(also written `acc_x [g]`). `time_utc` is ISO 8601. A number of seconds is POSIX UTC where it
lies beyond the year 2001 (1e9 s) and the session does not call the clock `device`; anything
else is the unit's own counter. Separators are comma, semicolon or tab; decimals a point or,
where the separator is not one, a comma.
"""

from __future__ import annotations

import csv
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from pipeline.base.values import Basis, Floats
from pipeline.errors import RecordingError
from pipeline.read.screening import (
    STANDARD_GRAVITY_MPS2,
    Content,
    sieve_fixes,
    sieve_imu,
    why_no_fixes,
)
from pipeline.read.stamps import NO_ZONE, iso_stamp
from pipeline.read.text_columns import arrow_column, arrow_floats

POSIX_FROM_S = 1e9  # 2001-09-09T01:46:40Z; no unit's counter runs for 31 years

_UTC = "utc"
# What a unit is worth in SI; degrees stay degrees, as `model.Fixes` has them.
_UNITS: Mapping[str, Mapping[str, float]] = {
    "time": {_UTC: 1.0, "s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9},
    "angle": {"deg": 1.0, "rad": 180.0 / math.pi, "1e-7 deg": 1e-7, "semicircles": 180.0 / 2**31},
    "speed": {
        "m/s": 1.0,
        "km/h": 1.0 / 3.6,
        "kn": 1852.0 / 3600.0,
        "mph": 1609.344 / 3600.0,
        "cm/s": 1e-2,
        "mm/s": 1e-3,
    },
    "length": {"m": 1.0, "ft": 0.3048, "cm": 1e-2, "mm": 1e-3},
    "acceleration": {
        "m/s2": 1.0,
        "g": STANDARD_GRAVITY_MPS2,
        "mg": STANDARD_GRAVITY_MPS2 / 1000.0,
    },
    "turn": {
        "rad/s": 1.0,
        "deg/s": math.pi / 180.0,
        "mrad/s": 1e-3,
        "mdeg/s": math.pi / 180_000.0,
    },
    "number": {"": 1.0},
}
_SPELLINGS: Mapping[str, str] = {
    "iso": _UTC, "iso8601": _UTC, "iso-8601": _UTC,
    "sec": "s", "seconds": "s", "msec": "ms", "millis": "ms", "milliseconds": "ms",
    "usec": "us", "micros": "us", "microseconds": "us", "nanoseconds": "ns",
    "degrees": "deg", "radians": "rad", "1e-7deg": "1e-7 deg", "deg1e7": "1e-7 deg",
    "deg*1e7": "1e-7 deg", "semicircle": "semicircles",
    "mps": "m/s", "kmh": "km/h", "kph": "km/h", "kmph": "km/h", "knots": "kn", "kt": "kn",
    "cmps": "cm/s", "mmps": "mm/s", "metres": "m", "meters": "m", "feet": "ft",
    "mps2": "m/s2", "m/s/s": "m/s2", "ms2": "m/s2", "ms-2": "m/s2", "gs": "g",
    "radps": "rad/s", "rads": "rad/s", "dps": "deg/s", "degps": "deg/s", "degrees/s": "deg/s",
    "mradps": "mrad/s", "mdps": "mdeg/s", "mdegps": "mdeg/s",
    "1": "", "none": "", "count": "",
}  # fmt: skip
_AXES = ("x", "y", "z")
_ACC = tuple(f"acc_{a}" for a in _AXES)
_GYRO = tuple(f"gyro_{a}" for a in _AXES)
_DIMENSION: Mapping[str, str] = {
    "time": "time",
    "latitude": "angle",
    "longitude": "angle",
    "speed": "speed",
    "altitude": "length",
    "hdop": "number",
    "satellites": "number",
    **dict.fromkeys(_ACC, "acceleration"),
    **dict.fromkeys(_GYRO, "turn"),
}
_DEFAULT_UNIT: Mapping[str, str] = {
    "time": "ms", "angle": "deg", "speed": "m/s", "length": "m", "acceleration": "g",
    "turn": "deg/s", "number": "",
}  # fmt: skip
# For the suggestion in an error only: nothing is read by these.
_LIKELY: Mapping[str, str] = {
    "time": r"time|stamp|date|utc|epoch|millis|^t$|^(s|ms|us|ns|sec)$",
    "latitude": r"^lat",
    "longitude": r"^(lon|lng)",
    "speed": r"speed|velocity|^v$",
    "altitude": r"^(alt|ele|height)",
    "hdop": r"hdop",
    "satellites": r"sat|^nsv$|^sv",
    **{f"acc_{a}": rf"^a(cc)?\w*?[ _.-]?{a}(?![a-z])" for a in _AXES},
    **{f"gyro_{a}": rf"^(g|gyr|w|omega|rot)\w*?[ _.-]?{a}(?![a-z])" for a in _AXES},
}

_NULLS = ["", "NaN", "nan", "NAN", "null", "NULL", "None", "NA", "N/A", "n/a", "-", "--"]
_PREAMBLE_LINES = 60  # how far down a header may stand
_HEAD_BYTES = 1 << 18
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)")
_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_DECIMAL_COMMA = r"[+-]?\d*,\d+([eE][+-]?\d+)?"
_DECIMAL_POINT = r"[+-]?\d*\.\d+([eE][+-]?\d+)?"


class Used(NamedTuple):
    """One column of the file that is read: where it stands and what it holds."""

    place: int
    header: str
    unit: str


class Layout(NamedTuple):
    """How a file is written: `start` is the byte where the rows begin."""

    delimiter: str
    headers: tuple[str, ...]
    start: int
    encoding: str
    first_rows: tuple[tuple[str, ...], ...]


def read_csv(
    path: Path,
    data: bytes,
    columns: Mapping[str, Mapping[str, str]] | None = None,
    clock: str = "gnss",
) -> Content:
    """Raises RecordingError where headers are not plain or `columns` does not fit, where time
    or all of position, speed and acceleration are missing, and where no row is usable."""
    data = _as_utf8(data)
    data, cut = _whole_lines(data)
    layout = _layout(path, data, columns)
    used = _by_columns(path, layout, columns) if columns else _by_headers(layout, clock)
    _require(path, layout, used)
    rows = _rows(path, data, layout, used)
    times = _times(path, used["time"], rows.columns["time"], clock)
    content = _content(path, times, rows.columns, used)
    lost = rows.skipped + len(cut)
    return replace(
        content,
        dropped_fixes=content.dropped_fixes + (lost if content.fixes is not None else 0),
        dropped_imu=content.dropped_imu + (lost if content.imu is not None else 0),
        remarks=cut + rows.remarks + content.remarks + (() if columns else _unread(layout, used)),
    )


# --- bytes and lines -------------------------------------------------------------------


def _as_utf8(data: bytes) -> bytes:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace").encode("utf-8")
    return data.removeprefix(b"\xef\xbb\xbf")


def _whole_lines(data: bytes) -> tuple[bytes, tuple[str, ...]]:
    """A last line without its end may be cut inside a number, which then reads as another
    number: it is left out."""
    if data.endswith((b"\n", b"\r")):
        return data, ()
    end = max(data.rfind(b"\n"), data.rfind(b"\r")) + 1
    if end == 0:
        return data, ()
    return data[:end], ("the last line has no line end, may be cut off, and was left out",)


def _layout(path: Path, data: bytes, columns: Mapping[str, Mapping[str, str]] | None) -> Layout:
    """Finds the header line: the first that names the session's columns or holds a plain
    time header, else the first that has several cells (what stands above is a preamble)."""
    head = data[:_HEAD_BYTES]
    head = head[: max(head.rfind(b"\n"), head.rfind(b"\r")) + 1]
    try:
        encoding, text = "utf-8", head.decode()
    except UnicodeDecodeError:
        encoding, text = "latin-1", head.decode("latin-1")
    wanted = {spec.get("column") for spec in columns.values()} if columns else set()
    lines: list[str] = _LINE.findall(text)
    fallback: Layout | None = None
    start = 0
    for i, line in enumerate(lines[:_PREAMBLE_LINES]):
        start += len(line.encode(encoding))
        if not line.strip() or line.startswith("#"):
            continue
        delimiter = max("\t;,", key=line.count)
        headers = _cells(line, delimiter)
        if columns:
            fits = wanted <= set(headers)
        else:
            fits = any((plain := _plain(h)) and plain.quantity == "time" for h in headers)
        if fits or (fallback is None and len(headers) > 1):
            rows = tuple(_cells(r, delimiter) for r in lines[i + 1 : i + 201] if r.strip())
            fallback = Layout(delimiter, headers, start, encoding, rows)
        if fits:
            break
    if fallback is None:
        raise RecordingError(
            path,
            "no line with several cells",
            "a header line and rows, separated by commas, semicolons or tabs",
            "export the recording as CSV again",
        )
    return fallback


def _cells(line: str, delimiter: str) -> tuple[str, ...]:
    try:
        return tuple(c.strip() for c in next(csv.reader([line.strip("\r\n")], delimiter=delimiter)))
    except (csv.Error, StopIteration):
        return ()


# --- which column is what --------------------------------------------------------------


class Meaning(NamedTuple):
    quantity: str
    unit: str


def _plain(header: str) -> Meaning | None:
    """Quantity and unit of a header that states both, else None."""
    name = header.strip().lower()
    for quantity, dimension in _DIMENSION.items():
        if not name.startswith(quantity):
            continue
        rest = name[len(quantity) :]
        if dimension == "number":
            if not rest:
                return Meaning(quantity, "")
        elif m := re.fullmatch(r"[ _]?\((.+)\)|[ _]?\[(.+)\]|[ _](.+)", rest):
            unit = _unit(m[1] or m[2] or m[3])
            if unit in _UNITS[dimension]:
                return Meaning(quantity, unit)
    return None


def _unit(text: str) -> str:
    """The unit under its one name, where it is known; else the text in lower case."""
    name = text.strip().lower().replace("²", "2").replace("^", "").replace("°", "deg")
    name = re.sub("[µμ]", "u", name).replace("**", "")
    return _SPELLINGS.get(name.replace(" ", ""), name)


def _by_headers(layout: Layout, clock: str) -> dict[str, Used]:
    """The plain columns; of several of one quantity the first unit in `_UNITS` (a counter
    before UTC where the session calls the clock a device's)."""
    found: dict[str, Used] = {}
    for index, header in enumerate(layout.headers):
        if (plain := _plain(header)) is None:
            continue
        quantity, unit = plain
        ranks = list(_UNITS[_DIMENSION[quantity]])
        if quantity == "time" and clock == "device":
            ranks.append(ranks.pop(0))
        other = found.get(quantity)
        if other is None or ranks.index(unit) < ranks.index(other.unit):
            found[quantity] = Used(index, header, unit)
    return found


def _by_columns(
    path: Path, layout: Layout, columns: Mapping[str, Mapping[str, str]]
) -> dict[str, Used]:
    found: dict[str, Used] = {}
    for quantity, spec in columns.items():
        where = f"{path}, columns.{quantity}"
        if quantity not in _DIMENSION:
            raise RecordingError(
                where, "no such quantity", f"one of {', '.join(_DIMENSION)}", "correct its name"
            )
        header = spec.get("column", "")
        if header not in layout.headers:
            raise RecordingError(
                where,
                f"the file has no column {header!r}",
                f"one of its headers: {_listed(layout.headers)}",
                "name the column as the file does",
            )
        known = _UNITS[_DIMENSION[quantity]]
        unit = _unit(spec.get("unit", "" if "" in known else _UTC if quantity == "time" else ""))
        if unit not in known:
            raise RecordingError(
                where,
                f"unit {spec.get('unit', '(none)')!r}",
                f"one of {', '.join(known) or 'none'}",
                "correct the unit",
            )
        found[quantity] = Used(layout.headers.index(header), header, unit)
    return found


def _require(path: Path, layout: Layout, used: Mapping[str, Used]) -> None:
    """Time, and one of position, speed and acceleration, each of them whole."""
    halves = [
        missing
        for group in (("latitude", "longitude"), _ACC, _GYRO)
        if any(q in used for q in group)
        for missing in group
        if missing not in used
    ]
    has_stream = any(q in used for q in ("latitude", "speed", "acc_x"))
    if "time" in used and has_stream and not halves:
        return
    missing = halves or [
        *([] if "time" in used else ["time"]),
        *([] if has_stream else ["position, speed or acceleration"]),
    ]
    raise RecordingError(
        path,
        f"headers {_listed(layout.headers)} do not say which column holds {', '.join(missing)}",
        "headers with units such as time_utc, time_ms, latitude_deg, longitude_deg, speed_mps, "
        "acc_x_g, gyro_x_dps",
        "rename them or add to this [[recording]] in session.toml, after checking each unit: "
        + suggestion(layout, missing),
    )


def _unread(layout: Layout, used: Mapping[str, Used]) -> tuple[str, ...]:
    """A remark on headers that name a quantity nobody gave, in no known unit."""
    odd = [
        header
        for header in layout.headers
        if _plain(header) is None
        and any(header.strip().lower().startswith(q) for q in _DIMENSION if q not in used)
    ]
    return (f"columns {_listed(odd)} name no known unit and were not read",) if odd else ()


def suggestion(layout: Layout, missing: Sequence[str] = ()) -> str:
    """The `columns` line that would settle an unplain file, as far as its headers tell; what
    they do not tell stands as "?"."""
    parts: dict[str, str] = {}
    taken: set[str] = set()
    for quantity, likely in _LIKELY.items():
        for i, header in enumerate(layout.headers):
            name = header.strip().lower()
            if header in taken or not re.search(likely, name):
                continue
            sample = (
                layout.first_rows[0][i]
                if layout.first_rows[:1] and i < len(layout.first_rows[0])
                else ""
            )
            unit = _likely_unit(_DIMENSION[quantity], name, sample)
            inner = f"column = {json.dumps(header, ensure_ascii=False)}"
            parts[quantity] = inner + (f', unit = "{unit}"' if unit else "")
            taken.add(header)
            break
    unnamed = [q for q in missing if q in _DIMENSION]
    if not {"latitude", "speed", "acc_x"} & set(parts):
        unnamed += _ACC
    for quantity in unnamed:
        unit = _DEFAULT_UNIT[_DIMENSION[quantity]]
        parts.setdefault(quantity, f'column = "?", unit = "{unit}"')
    return "columns = { " + ", ".join(f"{q} = {{ {inner} }}" for q, inner in parts.items()) + " }"


def _likely_unit(dimension: str, name: str, sample: str) -> str:
    if dimension == "time" and not math.isnan(iso_stamp(sample).posix_s):
        return _UTC
    ending = re.split(r"[ _(\[]+", name.rstrip(")] "))[-1]
    unit = _unit(ending)
    return unit if unit in _UNITS[dimension] else _DEFAULT_UNIT[dimension]


def _listed(headers: Sequence[str]) -> str:
    shown = ", ".join(repr(h) for h in headers[:40])
    return shown + (f" and {len(headers) - 40} more" if len(headers) > 40 else "")


# --- rows ------------------------------------------------------------------------------


class Rows(NamedTuple):
    """Quantity -> numbers in the file's unit, or text where it is ISO time; what was odd."""

    columns: dict[str, pa.ChunkedArray]
    remarks: tuple[str, ...]
    skipped: int


def _rows(path: Path, data: bytes, layout: Layout, used: Mapping[str, Used]) -> Rows:
    body = memoryview(data)[layout.start :]
    if not bytes(body[:4096]).strip():
        raise RecordingError(
            path, "a header and no rows", "a row a sample", "export the recording again"
        )
    is_text = {q: q == "time" and u.unit == _UTC for q, u in used.items()}
    try:
        table, skipped = _parse(body, layout, used, is_text)
        odd = 0
    except pa.ArrowInvalid:
        # Some cell is no number: read all as text and keep the numbers there are.
        try:
            table, skipped = _parse(body, layout, used, dict.fromkeys(used, True))
        except pa.ArrowInvalid as e:
            raise RecordingError(
                path, f"the rows cannot be read ({e})", "a row a sample", "export it as CSV again"
            ) from None
        odd = 0
        for quantity in used:
            if not is_text[quantity]:
                table[quantity], more = _numbers(table[quantity])
                odd += more
    remarks: tuple[str, ...] = ()
    if odd:
        remarks += (f"{odd} cells are no numbers and were read as missing",)
    if skipped:
        remarks += (f"{skipped} rows have not {len(layout.headers)} cells and were left out",)
    return Rows(table, remarks, skipped)


def _parse(
    body: memoryview, layout: Layout, used: Mapping[str, Used], is_text: Mapping[str, bool]
) -> tuple[dict[str, pa.ChunkedArray], int]:
    """The used columns and the number of rows left out for their number of cells."""
    skipped = 0

    def skip(_: object) -> str:
        nonlocal skipped
        skipped += 1
        return "skip"

    names = [f"c{i}" for i in range(len(layout.headers))]
    if layout.first_rows and all(len(r) == len(names) + 1 for r in layout.first_rows):
        names.append("after the last separator")
    types = {f"c{u.place}": pa.string() if is_text[q] else pa.float64() for q, u in used.items()}
    table = pa_csv.read_csv(
        pa.BufferReader(pa.py_buffer(body)),
        read_options=pa_csv.ReadOptions(
            column_names=names, encoding=layout.encoding, use_threads=False
        ),
        parse_options=pa_csv.ParseOptions(delimiter=layout.delimiter, invalid_row_handler=skip),
        convert_options=pa_csv.ConvertOptions(
            column_types=types,
            include_columns=list(types),
            null_values=_NULLS,
            strings_can_be_null=True,
            decimal_point=_decimal(layout, used),
        ),
    )
    return {q: table[f"c{u.place}"] for q, u in used.items()}, skipped


def _decimal(layout: Layout, used: Mapping[str, Used]) -> str:
    """The decimal sign, as far as the first rows tell."""
    cells = [
        row[u.place]
        for row in layout.first_rows
        for u in used.values()
        if u.unit != _UTC and u.place < len(row)
    ]
    comma = any(re.fullmatch(_DECIMAL_COMMA, c) for c in cells)
    return "," if comma and not any(re.fullmatch(_DECIMAL_POINT, c) for c in cells) else "."


def _numbers(cells: pa.ChunkedArray) -> tuple[pa.ChunkedArray, int]:
    """Text to numbers, null where a cell is none; how many were not."""
    text = pc.utf8_trim_whitespace(cells)
    comma = pc.any(pc.match_substring_regex(text, f"^{_DECIMAL_COMMA}$")).as_py()
    if comma and not pc.any(pc.match_substring_regex(text, f"^{_DECIMAL_POINT}$")).as_py():
        text = pc.replace_substring(text, ",", ".")
    sound = pc.match_substring_regex(text, _NUMBER)
    numbers = pc.cast(pc.if_else(sound, pc.utf8_ltrim(text, "+"), pa.NULL), pa.float64())
    return numbers, int(numbers.null_count - cells.null_count)


def _floats(values: pa.ChunkedArray, factor: float = 1.0) -> Floats:
    numbers = arrow_floats(values)
    return numbers * factor if factor != 1.0 else numbers


# --- meaning ---------------------------------------------------------------------------


class Times(NamedTuple):
    t_s: Floats
    basis: Basis
    remarks: tuple[str, ...]


def _times(path: Path, time: Used, cells: pa.ChunkedArray, clock: str) -> Times:
    remarks: tuple[str, ...] = ()
    if time.unit == _UTC:
        t_s, zoned = _iso_column(cells)
        remarks = () if zoned else (NO_ZONE,)
        is_utc = True
    else:
        t_s = _floats(cells, _UNITS["time"][time.unit])
        is_utc = bool(np.isfinite(t_s).any() and np.nanmedian(t_s) >= POSIX_FROM_S)
    if np.isnan(t_s).all():
        first = str(next((c for c in cells.to_pylist() if c is not None), "nothing"))[:40]
        header = json.dumps(time.header, ensure_ascii=False)
        raise RecordingError(
            path,
            f"no row has a time; column {header} holds {first!r}",
            "ISO 8601 such as 2026-05-12T17:03:20.100Z"
            if time.unit == _UTC
            else f"a number in {time.unit}",
            "write times so, or name column and unit in session.toml: "
            f'columns = {{ time = {{ column = {header}, unit = "ms" }}, ... }}',
        )
    if clock == "device":
        return Times(t_s, "counter", remarks)
    if not is_utc:
        remarks += (f"column {time.header!r} counts from the unit's own start, not UTC",)
    return Times(t_s, "utc" if is_utc else "counter", remarks)


def _iso_column(cells: pa.ChunkedArray) -> tuple[Floats, bool]:
    """ISO stamps to POSIX seconds, NaN where a cell is none; whether all name a zone."""
    for zone in ("UTC", None):
        try:
            ns = pc.cast(cells, pa.timestamp("ns", zone))
        except pa.ArrowInvalid:
            continue
        whole, stated = arrow_column(ns, np.int64)
        seconds, rest = np.divmod(whole, 1_000_000_000)
        t_s: Floats = seconds + rest * 1e-9
        return t_s if stated is None else np.where(stated, t_s, np.nan), zone is not None
    stamps = np.fromiter(
        (part for cell in cells for part in iso_stamp(cell.as_py())), np.float64, 2 * len(cells)
    )
    return stamps[0::2], bool(stamps[1::2].all())


def _content(
    path: Path,
    times: Times,
    columns: Mapping[str, pa.ChunkedArray],
    used: Mapping[str, Used],
) -> Content:
    n = len(times.t_s)
    si = {
        q: _floats(cells, _UNITS[_DIMENSION[q]][used[q].unit])
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
        if "acc_x" in si and (fresh := _fresh(parts[:3])) is not None:
            fix_t_s, *parts = (c[fresh] for c in (fix_t_s, *parts))
            remarks += ("rows repeat the last fix; each fix is used once, where it first stands",)
        lat, lon, speed, altitude, hdop, satellites = parts
        fixes, dropped_fixes = sieve_fixes(
            fix_t_s, lat, lon, speed, altitude, hdop, satellites, times.basis
        )
        why = why_no_fixes(fix_t_s, lat, lon, speed, times.basis)
    imu, dropped_imu = None, 0
    if "acc_x" in si:
        acc = np.stack([si[q] for q in _ACC], axis=1)
        gyro = np.stack([si[q] for q in _GYRO], axis=1) if "gyro_x" in si else None
        t_s = times.t_s
        still = np.logical_and.reduce([np.isnan(si[q]) for q in _ACC])
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


def _fresh(place_and_speed: Sequence[Floats]) -> NDArray[np.bool_] | None:
    """True where the fix differs from the row before, if most rows merely repeat it (loggers
    that write the last fix beside every inertial sample); None if they do not."""
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
