"""The lines of a practice sheet, as any spreadsheet exports it, to rows of named cells.

Cells may be separated by commas, semicolons or tabs, with or without a byte-order mark. Columns may
stand in any order, and other columns may stand between them.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.base.asking import comma_list, misspelt, question
from pipeline.errors import SessionError
from pipeline.read.practice.csv_cells import delimiter_of
from pipeline.read.practice.documents import PRACTICE_SHEET, document_bytes
from pipeline.read.practice.problems import combined_error
from pipeline.read.quoting import quote_without_numbers

SHEET_COLUMNS = (
    "rep",
    "zone",
    "lane",
    "incoming",
    "outgoing",
    "mark_m",
    "mark_feet",
    "outgoing_start_m",
    "incoming_start_m",
    "start_utc",
    "pass_m",
    "note",
)
MOST_SHEET_LINES = 200_000
MOST_SHEET_COLUMNS = 1000
_MOST_COLUMNS_LISTED = 20
_MOST_CELL_LINES = 50
_LINE_ENDS = "\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029"  # as str.splitlines has them
_NEEDED_COLUMNS = ("incoming", "outgoing")


@dataclass(frozen=True, slots=True)
class SheetRow:
    """The cells of one row by their column's name, and the line it stands on."""

    line: int
    cells: Mapping[str, str]


def _sheet_text(path: Path) -> str:
    """The sheet's text, in whichever encoding the spreadsheet wrote it."""
    raw = document_bytes(path, PRACTICE_SHEET)
    if raw.startswith(b"PK\x03\x04") or raw.startswith(b"\xd0\xcf\x11\xe0"):
        raise SessionError(path, "a spreadsheet's own format", "CSV", "export the sheet as CSV")
    try:
        if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
            text = raw.decode("utf-16")
        else:
            text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")  # what older spreadsheets write
    if "\0" in text:
        raise SessionError(path, "not text", "a CSV file", "export the sheet as CSV")
    return text


def sheet_rows(path: Path) -> tuple[list[SheetRow], list[str]]:
    """The rows below the header that are not blank, and remarks on what is not read.

    Raises SessionError where the sheet cannot be read, is empty, lacks a needed column or has a
    misspelt one.
    """
    text = _sheet_text(path)
    if sum(map(text.count, _LINE_ENDS)) - text.count("\r\n") > MOST_SHEET_LINES:
        raise SessionError(
            path,
            f"more than {MOST_SHEET_LINES} lines",
            "a practice sheet, one row a rep",
            "correct reps in session.toml",
        )
    lines = text.splitlines()
    skip = 0
    while skip < len(lines) and not lines[skip].strip(' ,;\t"'):
        skip += 1
    declared = re.fullmatch(r'"?sep=(.)"?', lines[skip].strip()) if skip < len(lines) else None
    skip += declared is not None
    if skip >= len(lines):
        raise SessionError(
            path,
            "an empty sheet",
            f"a line of headers: {', '.join(SHEET_COLUMNS)}",
            "export it again, or drop reps from session.toml",
        )
    delimiter = declared[1] if declared else delimiter_of(lines[skip])
    try:
        table, remarks = _table_rows(path.name, lines, skip, delimiter)
    except csv.Error as error:
        raise SessionError(path, f"not CSV: {error}", "a spreadsheet's CSV export") from None
    head_line, header = table[0]
    if len(header) > MOST_SHEET_COLUMNS:
        raise SessionError(
            f"{path}, line {head_line}",
            f"{len(header)} columns",
            f"{', '.join(SHEET_COLUMNS)}",
            "correct reps in session.toml",
        )
    names = [re.sub(r"[\s-]+", "_", cell.strip().casefold()) for cell in header]
    while names and not names[-1]:
        names.pop()
    remarks += _header_remarks(f"{path}, line {head_line}", path.name, names)
    rows = []
    for line, cells in table[1:]:
        if not any(cell.strip() for cell in cells):
            continue
        beyond = [cell for cell in cells[len(names) :] if cell.strip()]
        shifted = delimiter == "," and (beyond or len(cells) > len(header))
        if shifted:
            # an unquoted decimal comma shifts every later cell by one column
            remarks.append(
                f"{path.name}, line {line}: row left out: {len(cells)} cells under "
                f"{len(header)} headers; put decimal commas and texts with commas in quotes, "
                "or export with semicolons"
            )
            continue
        named = {name: cell.strip() for name, cell in zip(names, cells, strict=False) if name}
        rows.append(SheetRow(line, named))
    return rows, remarks


def _table_rows(
    name: str, lines: Sequence[str], skip: int, delimiter: str
) -> tuple[list[tuple[int, list[str]]], list[str]]:
    """The rows from line `skip` on, each with the number of its last line, and remarks.

    A cell in quotes may hold several lines. Where one of these has as many separators as a row, or
    the quotes are never closed, a quote is astray: the row is taken to end on its own line, and its
    quotes mean nothing. Raises csv.Error.
    """
    row_separators = lines[skip].count(delimiter)
    table: list[tuple[int, list[str]]] = []
    remarks: list[str] = []
    at = skip
    while at < len(lines):
        last, quotes = at, lines[at].count('"')
        while quotes % 2:
            last += 1
            if last in (len(lines), at + _MOST_CELL_LINES) or 0 < row_separators <= lines[
                last
            ].count(delimiter):
                last = -1
                break
            quotes += lines[last].count('"')
        if last < 0:
            remarks.append(f"{name}, line {at + 1}: a quote has no other; it was left out")
            last, row = at, lines[at].replace('"', "")
        else:
            row = "\n".join(lines[at : last + 1])
        table.append((last + 1, next(csv.reader(io.StringIO(row), delimiter=delimiter), [])))
        at = last + 1
    return table, remarks


def _header_remarks(where: str, name: str, names: Sequence[str]) -> list[str]:
    """Remarks on columns that are not read. Raises SessionError for missing or doubled ones."""
    wrong = []
    slips = misspelt([n for n in names if n], SHEET_COLUMNS)
    wrong += [
        SessionError(where, f'column "{w}"', ", ".join(SHEET_COLUMNS), question(known))
        for w, known in slips.items()
    ]
    wrong += [
        SessionError(where, f'no column "{n}"', "incoming and outgoing, with runner ids")
        for n in _NEEDED_COLUMNS
        if n not in names and n not in slips.values()
    ]
    wrong += [
        SessionError(where, f'column "{n}" twice', "each once")
        for n, k in Counter(names).items()
        if k > 1 and n in SHEET_COLUMNS
    ]
    if len(wrong) == 1:
        raise wrong[0]
    if wrong:
        raise combined_error(SessionError, where, wrong)
    strange = [quote_without_numbers(n).strip("'") for n in names if n and n not in SHEET_COLUMNS]
    listed = comma_list(strange, _MOST_COLUMNS_LISTED)
    return [f"{name}: columns not read: {listed}"] if strange else []
