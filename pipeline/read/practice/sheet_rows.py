"""The lines of a coach's CSV, as any spreadsheet exports it, to rows of named cells.

Cells may be separated by commas, semicolons or tabs, with or without a byte-order mark. Columns may
stand in any order, and other columns may stand between them. A `SheetForm` says which columns a
kind of file has.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from pipeline.base.asking import comma_list, either, misspelt, question
from pipeline.errors import SessionError
from pipeline.read.practice.csv_cells import delimiter_of
from pipeline.read.practice.documents import Document, document_bytes
from pipeline.read.practice.problems import combined_error
from pipeline.read.quoting import quote_without_numbers

MOST_SHEET_LINES = 200_000
MOST_SHEET_COLUMNS = 1000
_MOST_COLUMNS_LISTED = 20
_MOST_CELL_LINES = 50
_LINE_ENDS = "\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029"  # as str.splitlines has them


class SheetForm(NamedTuple):
    """A kind of CSV that a coach writes: its columns, and what its errors say.

    Of each tuple in `needed` one column at least must be there.
    """

    document: Document
    columns: tuple[str, ...]
    needed: tuple[tuple[str, ...], ...]
    needed_in_words: str
    row_in_words: str  # "a practice sheet, one row a rep"
    if_wrong_file: str
    if_empty: str


@dataclass(frozen=True, slots=True)
class SheetRow:
    """The cells of one row by their column's name, and the line it stands on."""

    line: int
    cells: Mapping[str, str]


def _sheet_text(path: Path, document: Document) -> str:
    """The file's text, in whichever encoding the spreadsheet wrote it."""
    raw = document_bytes(path, document)
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


def sheet_rows(path: Path, form: SheetForm, name: str) -> tuple[list[SheetRow], list[str]]:
    """The rows below the header that are not blank, and remarks on what is not read.

    `name` is what remarks call the file. Raises SessionError where the file cannot be read, is
    empty, lacks a needed column or has a misspelt one.
    """
    text = _sheet_text(path, form.document)
    if sum(map(text.count, _LINE_ENDS)) - text.count("\r\n") > MOST_SHEET_LINES:
        raise SessionError(
            path,
            f"more than {MOST_SHEET_LINES} lines",
            form.row_in_words,
            form.if_wrong_file,
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
            f"a line of headers: {', '.join(form.columns)}",
            form.if_empty,
        )
    delimiter = declared[1] if declared else delimiter_of(lines[skip])
    try:
        table, remarks = _table_rows(name, lines, skip, delimiter)
    except csv.Error as error:
        raise SessionError(path, f"not CSV: {error}", "a spreadsheet's CSV export") from None
    head_line, header = table[0]
    if len(header) > MOST_SHEET_COLUMNS:
        raise SessionError(
            f"{path}, line {head_line}",
            f"{len(header)} columns",
            f"{', '.join(form.columns)}",
            form.if_wrong_file,
        )
    names = [re.sub(r"[\s-]+", "_", cell.strip().casefold()) for cell in header]
    while names and not names[-1]:
        names.pop()
    remarks += _header_remarks(f"{path}, line {head_line}", name, names, form)
    rows = []
    for line, cells in table[1:]:
        if not any(cell.strip() for cell in cells):
            continue
        beyond = [cell for cell in cells[len(names) :] if cell.strip()]
        shifted = delimiter == "," and (beyond or len(cells) > len(header))
        if shifted:
            # an unquoted decimal comma shifts every later cell by one column
            remarks.append(
                f"{name}, line {line}: row left out: {len(cells)} cells under "
                f"{len(header)} headers; put decimal commas and texts with commas in quotes, "
                "or export with semicolons"
            )
            continue
        named = {column: cell.strip() for column, cell in zip(names, cells, strict=False) if column}
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


def _header_remarks(where: str, name: str, names: Sequence[str], form: SheetForm) -> list[str]:
    """Remarks on columns that are not read. Raises SessionError for missing or doubled ones."""
    wrong = []
    slips = misspelt([n for n in names if n], form.columns)
    wrong += [
        SessionError(where, f'column "{w}"', ", ".join(form.columns), question(known))
        for w, known in slips.items()
    ]
    wrong += [
        SessionError(where, f"no column {either(one_of)}", form.needed_in_words)
        for one_of in form.needed
        if not {*one_of} & {*names, *slips.values()}
    ]
    wrong += [
        SessionError(where, f'column "{n}" twice', "each once")
        for n, k in Counter(names).items()
        if k > 1 and n in form.columns
    ]
    if len(wrong) == 1:
        raise wrong[0]
    if wrong:
        raise combined_error(SessionError, where, wrong)
    strange = [quote_without_numbers(n).strip("'") for n in names if n and n not in form.columns]
    listed = comma_list(strange, _MOST_COLUMNS_LISTED)
    return [f"{name}: columns not read: {listed}"] if strange else []
