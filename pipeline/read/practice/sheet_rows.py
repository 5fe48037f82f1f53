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
from pipeline.read.practice.problems import FileRemark, combined_error
from pipeline.read.quoting import quote_without_numbers

MOST_SHEET_LINES = 200_000
MOST_SHEET_COLUMNS = 1000
_MOST_COLUMNS_LISTED = 20
_MOST_CELL_LINES = 50
_CODECS = {  # by the byte order mark
    b"\xef\xbb\xbf": "utf-8",
    b"\xff\xfe": "utf-16-le",
    b"\xfe\xff": "utf-16-be",
}
LINE_ENDS = "\n\r\v\f\x1c\x1d\x1e\x85\u2028\u2029"  # as str.splitlines has them


class SheetForm(NamedTuple):
    """A kind of CSV that a coach writes: its columns, and what its errors say.

    Of each tuple in `needed` one column at least must be there. A header that is like one of the
    columns stops the reading, but for `short_columns` and for `other_names`: then a remark asks.
    """

    document: Document
    columns: tuple[str, ...]
    short_columns: tuple[str, ...]  # so short that other columns of people's are like them
    other_names: Mapping[str, str]  # what people call a column
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


class SheetRecord(NamedTuple):
    """A row as it stands in the file: its first and last line, counted from 1, and its cells."""

    first_line: int
    last_line: int
    cells: list[str]


class SheetTable(NamedTuple):
    """A file cut into rows. `mark` and `codec` are as in `text_of_sheet`; `lines` are the text's,
    without their ends; `names` are the header's as they are looked up, without blank ones at its
    end."""

    mark: bytes
    codec: str
    text: str
    lines: list[str]
    delimiter: str
    names: list[str]
    header: SheetRecord
    records: list[SheetRecord]
    remarks: list[FileRemark]

    def is_shifted(self, record: SheetRecord) -> bool:
        """Whether an unquoted decimal comma may have moved the row's cells into other columns."""
        beyond = any(cell.strip() for cell in record.cells[len(self.names) :])
        return self.delimiter == "," and (beyond or len(record.cells) > len(self.header.cells))

    def named_cells(self, record: SheetRecord) -> dict[str, str]:
        """The row's cells by their column's name."""
        pairs = zip(self.names, record.cells, strict=False)
        return {column: cell.strip() for column, cell in pairs if column}


def text_of_sheet(content: bytes, strays: str = "replace") -> tuple[bytes, str, str]:
    """A file's byte order mark, the codec in which a spreadsheet wrote the rest, and that as text.

    `strays` says what becomes of bytes that are in no encoding: an error handler of `decode`.
    """
    mark = next((one for one in _CODECS if content.startswith(one)), b"")
    codec = _CODECS.get(mark, "utf-8")
    try:
        return mark, codec, content[len(mark) :].decode(codec)
    except UnicodeDecodeError:
        return b"", "cp1252", content.decode("cp1252", errors=strays)  # of older spreadsheets


def sheet_rows(path: Path, form: SheetForm) -> tuple[list[SheetRow], list[FileRemark]]:
    """The rows below the header that are not blank, and remarks on what is not read.

    Raises SessionError where the file cannot be read, is
    empty, lacks a needed column or has a misspelt one.
    """
    table = table_of_sheet(path, document_bytes(path, form.document), form)
    remarks = list(table.remarks)
    rows = []
    for record in table.records:
        if not any(cell.strip() for cell in record.cells):
            continue
        if table.is_shifted(record):
            remarks.append(
                FileRemark(
                    f"row left out: {len(record.cells)} cells under {len(table.header.cells)} "
                    "headers; put decimal commas and texts with commas in quotes, or export with "
                    "semicolons",
                    record.last_line,
                )
            )
            continue
        rows.append(SheetRow(record.last_line, table.named_cells(record)))
    return rows, remarks


def table_of_sheet(
    path: Path, content: bytes, form: SheetForm, strays: str = "replace"
) -> SheetTable:
    """A file's content cut into rows. Raises SessionError as `sheet_rows` does."""
    if content.startswith(b"PK\x03\x04") or content.startswith(b"\xd0\xcf\x11\xe0"):
        raise SessionError(path, "a spreadsheet's own format", "CSV", "export the sheet as CSV")
    mark, codec, text = text_of_sheet(content, strays)
    if "\0" in text:
        raise SessionError(path, "not text", "a CSV file", "export the sheet as CSV")
    if sum(map(text.count, LINE_ENDS)) - text.count("\r\n") > MOST_SHEET_LINES:
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
        (header, *records), remarks = _table_rows(lines, skip, delimiter)
    except csv.Error as error:
        raise SessionError(path, f"not CSV: {error}", "a spreadsheet's CSV export") from None
    where = f"{path}, line {header.last_line}"
    if len(header.cells) > MOST_SHEET_COLUMNS:
        raise SessionError(
            where,
            f"{len(header.cells)} columns",
            f"{', '.join(form.columns)}",
            form.if_wrong_file,
        )
    names = [re.sub(r"[\s-]+", "_", cell.strip().casefold()) for cell in header.cells]
    while names and not names[-1]:
        names.pop()
    remarks += _header_remarks(where, names, form)
    return SheetTable(mark, codec, text, lines, delimiter, names, header, records, remarks)


def _table_rows(
    lines: Sequence[str], skip: int, delimiter: str
) -> tuple[list[SheetRecord], list[FileRemark]]:
    """The rows from line `skip` on, and remarks.

    A cell in quotes may hold several lines. Where one of these has as many separators as a row, or
    the quotes are never closed, a quote is astray: the row is taken to end on its own line, and its
    quotes mean nothing. Raises csv.Error.
    """
    row_separators = lines[skip].count(delimiter)
    table: list[SheetRecord] = []
    remarks: list[FileRemark] = []
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
            remarks.append(FileRemark("a quote has no other; it was left out", at + 1))
            last, row = at, lines[at].replace('"', "")
        else:
            row = "\n".join(lines[at : last + 1])
        cells = next(csv.reader(io.StringIO(row), delimiter=delimiter), [])
        table.append(SheetRecord(at + 1, last + 1, cells))
        at = last + 1
    return table, remarks


def _header_remarks(where: str, names: Sequence[str], form: SheetForm) -> list[FileRemark]:
    """Remarks on columns that are not read. Raises SessionError for missing or doubled ones."""
    wrong = []
    slips = misspelt([n for n in names if n], form.columns)
    meant = {w: known for w, known in slips.items() if known in form.short_columns}
    slips = {w: known for w, known in slips.items() if w not in meant}
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
    meant |= {
        n: form.other_names[n]
        for n in names
        if n in form.other_names and form.other_names[n] not in names
    }
    remarks = [
        FileRemark(f'column "{name}" is not read; {question(known)}')
        for name, known in meant.items()
    ]
    strange = [n for n in names if n and n not in form.columns and n not in meant]
    if strange:
        quoted = [quote_without_numbers(n).strip("'") for n in strange]
        remarks.append(FileRemark(f"columns not read: {comma_list(quoted, _MOST_COLUMNS_LISTED)}"))
    return remarks
