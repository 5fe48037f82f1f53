"""How a CSV of samples is written: its delimiter, header line and first rows."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from itertools import islice
from pathlib import Path
from typing import NamedTuple

from pipeline.errors import RecordingError
from pipeline.read.csv.quantities import plain_header

MOST_COLUMNS = 2000
_PREAMBLE_LINES = 60  # how far down the header line may stand
_FIRST_ROWS = 200  # looked at to tell the decimal sign and what columns hold
_LAYOUT_BYTES = 1 << 18  # looked at to find it
_LINE_PATTERN = re.compile(rb"[^\r\n]*(?:\r\n|\r|\n)")


class Layout(NamedTuple):
    """How a file is written. `start` is the byte where the rows begin."""

    delimiter: str
    headers: tuple[str, ...]
    start: int
    first_rows: tuple[tuple[str, ...], ...]


def as_utf8(data: bytes) -> bytes:
    """The data without a byte-order mark, and UTF-16 as UTF-8."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace").encode("utf-8")
    return data.removeprefix(b"\xef\xbb\xbf")


def complete_lines(data: bytes) -> tuple[bytes, tuple[str, ...]]:
    """The data without a last line that has no line end, and a remark where one is left out.

    Such a line may be cut off inside a number, which would then read as another number.
    """
    if data.endswith((b"\n", b"\r")):
        return data, ()
    end = max(data.rfind(b"\n"), data.rfind(b"\r")) + 1
    if end == 0:
        return data, ()
    return data[:end], ("the last line has no line end, may be cut off, and was left out",)


def find_layout(path: Path, data: bytes, columns: Mapping[str, Mapping[str, str]] | None) -> Layout:
    """How the file is written, from its header line; what stands above that is a preamble.

    The header line is the first that has all the session's `columns` or, without these, a plain
    time header; failing that, the first that has several cells. Raises RecordingError where no
    line has.
    """
    head = data[:_LAYOUT_BYTES]
    head = head[: max(head.rfind(b"\n"), head.rfind(b"\r")) + 1]
    wanted = {spec.get("column") for spec in columns.values()} if columns else set()
    found = _LINE_PATTERN.finditer(head)
    lines = [line[0] for line in islice(found, _PREAMBLE_LINES + _FIRST_ROWS)]
    fallback: Layout | None = None
    start = 0
    for i, line in enumerate(lines[:_PREAMBLE_LINES]):
        start += len(line)
        if not line.strip() or line.startswith(b"#"):
            continue
        delimiter = max("\t;,", key=line.decode("latin-1").count)
        headers = _line_cells(line, delimiter)
        if columns:
            fits = wanted <= set(headers)
        else:
            fits = any((plain := plain_header(h)) and plain.quantity == "time" for h in headers)
        if fits or (fallback is None and len(headers) > 1):
            rows = tuple(
                _line_cells(r, delimiter) for r in lines[i + 1 : i + 1 + _FIRST_ROWS] if r.strip()
            )
            fallback = Layout(delimiter, headers, start, rows)
        if fits:
            break
    if fallback is not None and len(fallback.headers) > MOST_COLUMNS:
        raise RecordingError(
            path,
            f"{len(fallback.headers)} columns",
            f"a column a quantity, and no more than {MOST_COLUMNS}",
            "export one row a sample",
        )
    if fallback is None:
        raise RecordingError(
            path,
            "no line with several cells",
            "a header line and rows, separated by commas, semicolons or tabs",
            "export the recording as CSV again",
        )
    return fallback


def _line_cells(line: bytes, delimiter: str) -> tuple[str, ...]:
    """The cells of a line in UTF-8 or, where it is not, in Latin-1."""
    try:
        text = line.decode()
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    try:
        return tuple(c.strip() for c in next(csv.reader([text.strip("\r\n")], delimiter=delimiter)))
    except (csv.Error, StopIteration):
        return ()
