"""The rows of a CSV as Arrow columns of numbers, with cells that are none read as missing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from pipeline.errors import RecordingError
from pipeline.read.csv.column_choice import UsedColumn
from pipeline.read.csv.layout import Layout
from pipeline.read.csv.mending import mend_encoding, mend_quotes
from pipeline.read.csv.quantities import ISO_UTC
from pipeline.read.screening import MOST_SAMPLES, too_many_samples

_MOST_SKIPPED_ROWS = 1_000_000
_NULL_CELLS = ["", "NaN", "nan", "NAN", "null", "NULL", "None", "NA", "N/A", "n/a", "-", "--"]
_BLANKS = " \t\u00a0\u2007\u2009\u202f"  # not control characters, which may have been digits
_NUMBER_PATTERN = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_DECIMAL_COMMA = r"[+-]?\d*,\d+([eE][+-]?\d+)?"
_DECIMAL_POINT = r"[+-]?\d*\.\d+([eE][+-]?\d+)?"


class RowColumns(NamedTuple):
    """Columns by quantity, numbers in the file's unit or texts of ISO time, and what was odd."""

    columns: dict[str, pa.ChunkedArray]
    remarks: tuple[str, ...]
    skipped: int


def read_rows(
    path: Path, data: bytes, layout: Layout, used: Mapping[str, UsedColumn]
) -> RowColumns:
    """The rows below the header. Raises RecordingError where there are none or no CSV."""
    body = data[layout.start :]
    if not body[:4096].strip():
        raise RecordingError(
            path, "a header and no rows", "one row per sample", "export the recording again"
        )
    if body.count(b"\n") + body.count(b"\r") > 2 * MOST_SAMPLES:
        raise too_many_samples(path)
    body = mend_quotes(mend_encoding(body), layout.delimiter)
    is_text = {q: q == "time" and u.unit == ISO_UTC for q, u in used.items()}
    skipped = _SkippedRows(len(layout.headers))
    odd = 0
    try:
        try:
            table = _parse_rows(body, layout, used, is_text, skipped)
        except pa.ArrowInvalid:
            # Some cell is no number: read all as text, and keep the cells that are numbers.
            skipped = _SkippedRows(len(layout.headers))
            table = _parse_rows(body, layout, used, dict.fromkeys(used, True), skipped)
            for quantity in used:
                if not is_text[quantity]:
                    table[quantity], more = _cells_to_numbers(table[quantity])
                    odd += more
    except pa.ArrowInvalid:  # its words may quote the row
        raise RecordingError(
            path,
            "the rows cannot be read"
            + (f": {skipped.rows} and more are not as wide as the header" if skipped.rows else ""),
            "one row per sample, as many cells as headers, and no line of a mebibyte",
            "export it as CSV again",
        ) from None
    if len(table["time"]) > MOST_SAMPLES:
        raise too_many_samples(path)
    remarks: tuple[str, ...] = ()
    if odd:
        remarks += (f"{odd} cells are not numbers and were read as missing",)
    if skipped.rows:
        wide = len(layout.headers)
        remarks += (f"{skipped.rows} rows do not have {wide} cells and were left out",)
    return RowColumns(table, remarks, skipped.rows)


class _SkippedRows:
    """Counts the rows whose number of cells is wrong, for the parser, which leaves them out."""

    def __init__(self, cells: int) -> None:
        self.cells, self.rows = cells, 0

    def __call__(self, row: pa_csv.InvalidRow) -> str:
        # Two rows are one where the end of a line is damaged.
        self.rows += max(1, (row.actual_columns + 1) // self.cells)
        return "skip" if self.rows <= _MOST_SKIPPED_ROWS else "error"


def _parse_rows(
    body: bytes,
    layout: Layout,
    used: Mapping[str, UsedColumn],
    is_text: Mapping[str, bool],
    skipped: _SkippedRows,
) -> dict[str, pa.ChunkedArray]:
    """The used columns."""
    names = [f"c{i}" for i in range(len(layout.headers))]
    if layout.first_rows and all(len(r) == len(names) + 1 for r in layout.first_rows):
        names.append("after the last separator")
    types = {f"c{u.place}": pa.string() if is_text[q] else pa.float64() for q, u in used.items()}
    table = pa_csv.read_csv(
        pa.BufferReader(pa.py_buffer(body)),
        read_options=pa_csv.ReadOptions(column_names=names, use_threads=False),
        parse_options=pa_csv.ParseOptions(delimiter=layout.delimiter, invalid_row_handler=skipped),
        convert_options=pa_csv.ConvertOptions(
            column_types=types,
            include_columns=list(types),
            null_values=_NULL_CELLS,
            strings_can_be_null=True,
            decimal_point=_decimal_sign(layout, used),
        ),
    )
    return {q: table[f"c{u.place}"] for q, u in used.items()}


def _decimal_sign(layout: Layout, used: Mapping[str, UsedColumn]) -> str:
    """The decimal sign of the first rows; a point unless these show commas only."""
    cells = [
        row[u.place]
        for row in layout.first_rows
        for u in used.values()
        if u.unit != ISO_UTC and u.place < len(row)
    ]
    comma = any(re.fullmatch(_DECIMAL_COMMA, c) for c in cells)
    return "," if comma and not any(re.fullmatch(_DECIMAL_POINT, c) for c in cells) else "."


def _cells_to_numbers(cells: pa.ChunkedArray) -> tuple[pa.ChunkedArray, int]:
    """Texts as numbers, null where a cell is no number; and how many were not."""
    text = pc.utf8_trim(cells, _BLANKS)
    comma = pc.any(pc.match_substring_regex(text, f"^{_DECIMAL_COMMA}$")).as_py()
    if comma and not pc.any(pc.match_substring_regex(text, f"^{_DECIMAL_POINT}$")).as_py():
        text = pc.replace_substring(text, ",", ".")
    sound = pc.match_substring_regex(text, _NUMBER_PATTERN)
    numbers = pc.cast(pc.if_else(sound, pc.utf8_ltrim(text, "+"), pa.NULL), pa.float64())
    return numbers, int(numbers.null_count - cells.null_count)
