"""Which columns of a CSV are read as what: by plain headers, or by the session's `columns`.

Where neither says enough, the error shows the line of session.toml that would.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.base.asking import comma_list, one_of
from pipeline.errors import RecordingError
from pipeline.read.csv.layout import Layout
from pipeline.read.csv.quantities import (
    ACC_AXES,
    DEFAULT_UNITS,
    DIMENSIONS,
    GYRO_AXES,
    ISO_UTC,
    UNITS,
    known_unit,
    plain_header,
)
from pipeline.read.quoting import is_shown_whole, quote_without_numbers
from pipeline.read.screening import AXES
from pipeline.read.stamps import iso_stamp

MOST_HEADERS = 40  # named in a message

# For the columns_suggestion in an error only: nothing is read by these.
_LIKELY_HEADERS: Mapping[str, str] = {
    "time": r"time|stamp|date|utc|epoch|millis|^t$|^(s|ms|us|ns|sec)$",
    "latitude": r"^lat",
    "longitude": r"^(lon|lng)",
    "speed": r"speed|velocity|^v$",
    "altitude": r"^(alt|ele|height)",
    "hdop": r"hdop",
    "satellites": r"sat|^nsv$|^sv",
    **{f"acc_{a}": rf"^a(cc)?\w*?[ _.-]?{a}(?![a-z])" for a in AXES},
    **{f"gyro_{a}": rf"^(g|gyr|w|omega|rot)\w*?[ _.-]?{a}(?![a-z])" for a in AXES},
}


class UsedColumn(NamedTuple):
    """A column of the file that is read: where it stands, its header and its unit."""

    place: int
    header: str
    unit: str


def columns_by_headers(layout: Layout, clock: str) -> dict[str, UsedColumn]:
    """The columns with plain headers, by quantity.

    Of several columns of one quantity, the one whose unit comes first in `UNITS` is read; where
    the session says `clock = "device"`, a counter comes before UTC.
    """
    found: dict[str, UsedColumn] = {}
    for index, header in enumerate(layout.headers):
        if (plain := plain_header(header)) is None:
            continue
        quantity, unit = plain
        ranks = list(UNITS[DIMENSIONS[quantity]])
        if quantity == "time" and clock == "device":
            ranks.append(ranks.pop(0))
        other = found.get(quantity)
        if other is None or ranks.index(unit) < ranks.index(other.unit):
            found[quantity] = UsedColumn(index, header, unit)
    return found


def columns_by_session(
    path: Path, layout: Layout, columns: Mapping[str, Mapping[str, str]]
) -> dict[str, UsedColumn]:
    """The columns that session.toml names, by quantity. Raises RecordingError where it names a
    quantity, header or unit that does not exist."""
    found: dict[str, UsedColumn] = {}
    for quantity, spec in columns.items():
        where = f"{path}, columns.{quantity}"
        if quantity not in DIMENSIONS:
            raise RecordingError(where, "no such quantity", one_of(DIMENSIONS), "correct its name")
        header = spec.get("column", "")
        if header not in layout.headers:
            raise RecordingError(
                where,
                f"the file has no column {quote_without_numbers(header)}",
                f"one of its headers: {_listed_headers(layout.headers)}",
                "name the column as the file does",
            )
        known = UNITS[DIMENSIONS[quantity]]
        unit = known_unit(spec.get("unit", ISO_UTC if quantity == "time" else ""))
        if unit not in known:
            raise RecordingError(
                where,
                f"unit {quote_without_numbers(spec.get('unit', '(none)'))}",
                one_of(known),
                "correct the unit",
            )
        found[quantity] = UsedColumn(layout.headers.index(header), header, unit)
    return found


def require_columns(path: Path, layout: Layout, used: Mapping[str, UsedColumn]) -> None:
    """Raises RecordingError unless there are a time and a position, speed or acceleration, and no
    axis or half of a position is missing."""
    halves = [
        missing
        for group in (("latitude", "longitude"), ACC_AXES, GYRO_AXES)
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
        f"headers {_listed_headers(layout.headers)} do not say which column holds "
        f"{', '.join(missing)}",
        "headers with units such as time_utc, time_ms, latitude_deg, longitude_deg, speed_mps, "
        "acc_x_g, gyro_x_dps",
        "rename them or add to this [[recording]] in session.toml, after checking each unit: "
        + columns_suggestion(layout, missing),
    )


def unread_remarks(layout: Layout, used: Mapping[str, UsedColumn]) -> tuple[str, ...]:
    """A remark on headers of quantities that nothing else gives and whose unit is not known."""
    odd = [
        header
        for header in layout.headers
        if plain_header(header) is None
        and any(header.strip().lower().startswith(q) for q in DIMENSIONS if q not in used)
    ]
    return (f"columns {_listed_headers(odd)} name no known unit and were not read",) if odd else ()


def columns_suggestion(layout: Layout, missing: Sequence[str] = ()) -> str:
    """The `columns` line that would settle the file, guessed from its headers; "?" where they
    give no hint."""
    parts: dict[str, str] = {}
    taken: set[str] = set()
    for quantity, likely in _LIKELY_HEADERS.items():
        for i, header in enumerate(layout.headers):
            name = header.strip().lower()
            if header in taken or not is_shown_whole(header) or not re.search(likely, name):
                continue
            sample = (
                layout.first_rows[0][i]
                if layout.first_rows[:1] and i < len(layout.first_rows[0])
                else ""
            )
            unit = _likely_unit(DIMENSIONS[quantity], name, sample)
            inner = f"column = {json.dumps(header, ensure_ascii=False)}"
            parts[quantity] = inner + (f', unit = "{unit}"' if unit else "")
            taken.add(header)
            break
    unnamed = [q for q in missing if q in DIMENSIONS]
    if not {"latitude", "speed", "acc_x"} & set(parts):
        unnamed += ACC_AXES
    for quantity in unnamed:
        unit = DEFAULT_UNITS[DIMENSIONS[quantity]]
        parts.setdefault(quantity, f'column = "?", unit = "{unit}"')
    return "columns = { " + ", ".join(f"{q} = {{ {inner} }}" for q, inner in parts.items()) + " }"


def _likely_unit(dimension: str, name: str, sample: str) -> str:
    if dimension == "time" and not math.isnan(iso_stamp(sample).posix_s):
        return ISO_UTC
    ending = re.split(r"[ _(\[]+", name.rstrip(")] "))[-1]
    unit = known_unit(ending)
    return unit if unit in UNITS[dimension] else DEFAULT_UNITS[dimension]


def _listed_headers(headers: Sequence[str]) -> str:
    """The headers as an error shows them: a first row of samples, in a file without headers, has
    none."""
    names = [header for header in headers if any(c.isalpha() for c in header)]
    if not names:
        return "(none: the line where they should stand holds numbers)"
    return comma_list([quote_without_numbers(name) for name in names], MOST_HEADERS)
