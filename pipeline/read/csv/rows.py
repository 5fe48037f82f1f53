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
from pipeline.read.csv.quantities import ISO_UTC

_NULL_CELLS = ["", "NaN", "nan", "NAN", "null", "NULL", "None", "NA", "N/A", "n/a", "-", "--"]
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
    body = memoryview(data)[layout.start :]
    if not bytes(body[:4096]).strip():
        raise RecordingError(
            path, "a header and no rows", "one row per sample", "export the recording again"
        )
    is_text = {q: q == "time" and u.unit == ISO_UTC for q, u in used.items()}
    try:
        table, skipped = _parse_rows(body, layout, used, is_text)
        odd = 0
    except pa.ArrowInvalid:
        # Some cell is no number: read all as text, and keep the cells that are numbers.
        try:
            table, skipped = _parse_rows(body, layout, used, dict.fromkeys(used, True))
        except pa.ArrowInvalid as e:
            raise RecordingError(
                path,
                f"the rows cannot be read ({e})",
                "one row per sample",
                "export it as CSV again",
            ) from None
        odd = 0
        for quantity in used:
            if not is_text[quantity]:
                table[quantity], more = _cells_to_numbers(table[quantity])
                odd += more
    remarks: tuple[str, ...] = ()
    if odd:
        remarks += (f"{odd} cells are not numbers and were read as missing",)
    if skipped:
        remarks += (f"{skipped} rows do not have {len(layout.headers)} cells and were left out",)
    return RowColumns(table, remarks, skipped)


def _parse_rows(
    body: memoryview, layout: Layout, used: Mapping[str, UsedColumn], is_text: Mapping[str, bool]
) -> tuple[dict[str, pa.ChunkedArray], int]:
    """The used columns, and how many rows were left out for their number of cells."""
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
            null_values=_NULL_CELLS,
            strings_can_be_null=True,
            decimal_point=_decimal_sign(layout, used),
        ),
    )
    return {q: table[f"c{u.place}"] for q, u in used.items()}, skipped


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
    text = pc.utf8_trim_whitespace(cells)
    comma = pc.any(pc.match_substring_regex(text, f"^{_DECIMAL_COMMA}$")).as_py()
    if comma and not pc.any(pc.match_substring_regex(text, f"^{_DECIMAL_POINT}$")).as_py():
        text = pc.replace_substring(text, ",", ".")
    sound = pc.match_substring_regex(text, _NUMBER_PATTERN)
    numbers = pc.cast(pc.if_else(sound, pc.utf8_ltrim(text, "+"), pa.NULL), pa.float64())
    return numbers, int(numbers.null_count - cells.null_count)
