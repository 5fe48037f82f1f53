"""Call-outs merged into the text of a practice sheet, which otherwise stays as it is.

Only rows that something is added to are written anew, and the header where a column is missing.
All other text, the separator, the decimal sign, the encoding and the line ends are kept. A cell
that holds something else is never overwritten unless that is allowed: it is a clash.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa

from pipeline.base.asking import in_words
from pipeline.errors import UsageError
from pipeline.read.practice.csv_cells import parse_decimal
from pipeline.read.practice.sheet import REPS_FORM, SHEET_COLUMNS
from pipeline.read.practice.sheet_cells import CELL_RANGES, UnusableRow, whole_cell
from pipeline.read.practice.sheet_rows import LINE_ENDS, SheetTable, table_of_sheet
from pipeline.read.practice.word_cells import WORD_CELLS, meaning_of_word
from pipeline.session.call_outs import CallOut, call_out_in_words
from pipeline.tables.export import guard_formulas

NEW_SHEET = (",".join(SHEET_COLUMNS) + "\n").encode()
_STRAYS = "surrogateescape"  # bytes that are in no encoding come back as they were
_MARKS = ("mark_m", "mark_feet")  # one mark, said in one of two ways
_WHOSE = ("incoming", "outgoing", "zone", "lane")  # tell rows of one rep apart
_DECIMAL = re.compile(r"\d([.,])\d")
_NUMBERS = ("zone", "lane", *CELL_RANGES)


class Clash(NamedTuple):
    """A cell that holds something else than what was called out."""

    rep: int
    line: int
    column: str
    old: str
    new: str

    def __str__(self) -> str:
        where = f"on line {self.line}" if self.line else "by another call-out"
        return f'rep {self.rep}: {self.column} is "{self.old}" {where}, not "{self.new}"'


class MergedSheet(NamedTuple):
    """A sheet with call-outs in it: its content, what was stored where, and what clashed. Where
    something did, the content is not to be written."""

    content: bytes
    stored: tuple[str, ...]
    clashes: tuple[Clash, ...]


@dataclass(slots=True)
class _Row:
    """A row that is being filled; `line` is 0 for a new one. A shifted one has more cells than
    headers and is left out by whoever reads the sheet."""

    cells: list[str]
    line: int = 0
    is_shifted: bool = False
    changed: bool = False


@dataclass(slots=True)
class _Draft:
    """The sheet while call-outs are merged into it."""

    path: Path
    table: SheetTable
    header: _Row
    rows: list[_Row]
    by_rep: Mapping[int, list[_Row]]
    decimal_sign: str
    rows_end: int  # behind the last row that is not blank


def merge_call_outs(
    path: Path,
    content: bytes,
    call_outs: Sequence[CallOut],
    may_replace: Callable[[Clash], bool],
) -> MergedSheet:
    """The sheet's content with the call-outs in it; `path` is for messages.

    Raises SessionError where the sheet cannot be read, UsageError where a call-out fits no row or
    cannot be written there.
    """
    table = table_of_sheet(path, content, REPS_FORM, _STRAYS)
    rows = [_Row(list(one.cells), one.last_line, table.is_shifted(one)) for one in table.records]
    draft = _Draft(
        path,
        table,
        _Row(list(table.header.cells), table.header.last_line),
        rows,
        _rows_by_rep(table, rows),
        _usual_decimal_sign(table),
        _end_of_rows(rows),
    )
    clashes: list[Clash] = []
    places: list[tuple[CallOut, _Row, bool]] = []
    for call_out in call_outs:
        row = _row_of(draft, call_out)
        places.append((call_out, row, _fill(draft, row, call_out, may_replace, clashes)))
    merged = _content(draft)
    lines = _lines_after_check(draft, merged)
    stored = [_stored_in_words(draft, *place, lines) for place in places]
    return MergedSheet(merged, tuple(stored), tuple(clashes))


# --- the row -------------------------------------------------------------------------------


def _cells_of(draft: _Draft, row: _Row) -> dict[str, str]:
    pairs = zip(_names(draft), row.cells, strict=False)
    return {column: cell.strip() for column, cell in pairs if column}


def _names(draft: _Draft) -> list[str]:
    """The names of the header's columns, also of those that were added."""
    former = len(draft.table.header.cells)
    blank = [""] * (former - len(draft.table.names))
    return [*draft.table.names, *blank, *draft.header.cells[former:]]


def _rows_by_rep(table: SheetTable, rows: Sequence[_Row]) -> dict[int, list[_Row]]:
    found: dict[int, list[_Row]] = defaultdict(list)
    at = table.names.index("rep") if "rep" in table.names else None
    for row in rows:
        if at is not None and at < len(row.cells):
            with suppress(UnusableRow):
                rep = whole_cell({"rep": row.cells[at].strip()}, "rep")
                if rep is not None:
                    found[rep].append(row)
    return found


def _row_of(draft: _Draft, call_out: CallOut) -> _Row:
    """The row that a call-out belongs to, a new one where there is none of that rep."""
    rows = draft.by_rep[call_out.rep]
    if not rows:
        row = _Row([""] * len(draft.header.cells))
        _set_cell(draft, row, "rep", str(call_out.rep))
        rows.append(row)
        draft.rows.insert(draft.rows_end, row)
        draft.rows_end += 1
        return row
    fitting = [row for row in rows if _may_be_of(_cells_of(draft, row), call_out)]
    found = rows if len(rows) == 1 else fitting
    if len(found) != 1:
        lines = in_words([str(row.line) if row.line else "a new one" for row in rows])
        raise UsageError(
            f'"{call_out_in_words(call_out)}"',
            f"rep {call_out.rep} stands on lines {lines} of {draft.path.name}",
            "one of them",
            "say who ran or in which zone, as `rep 3 wren to jay` or `rep 3 zone 2`",
        )
    (row,) = found
    if row.is_shifted:
        raise UsageError(
            f"{draft.path}, line {row.line}",
            f"{len(row.cells)} cells under {len(draft.header.cells)} headers",
            "no more cells than headers",
            "put decimal commas and texts with commas in quotes, then say it again",
        )
    return row


def _may_be_of(cells: Mapping[str, str], call_out: CallOut) -> bool:
    """Whether nothing on the row says that it is another runner's, zone's or lane's."""
    return all(
        not cells.get(column) or _is_same(column, cells[column], call_out.cells[column])
        for column in _WHOSE
        if column in call_out.cells
    )


def _end_of_rows(rows: Sequence[_Row]) -> int:
    filled = (i for i, row in enumerate(rows, 1) if any(cell.strip() for cell in row.cells))
    return max(filled, default=0)


# --- the cells -----------------------------------------------------------------------------


def _fill(
    draft: _Draft,
    row: _Row,
    call_out: CallOut,
    may_replace: Callable[[Clash], bool],
    clashes: list[Clash],
) -> bool:
    """Whether something was added to the row; what clashes is not, and goes to `clashes`."""
    added = False
    for column, value in call_out.cells.items():
        cells = _cells_of(draft, row)
        if _is_same(column, cells.get(column, ""), value):
            continue
        taken = [name for name in (_MARKS if column in _MARKS else (column,)) if cells.get(name)]
        found = [Clash(call_out.rep, row.line, name, cells[name], value) for name in taken]
        refused = [clash for clash in found if not may_replace(clash)]
        clashes += refused
        if not refused:
            for name in taken:
                _set_cell(draft, row, name, "")
            _set_cell(draft, row, column, value)
            added = True
    if call_out.note:
        former = _cells_of(draft, row).get("note", "")
        if call_out.note not in (former, *former.split("; ")):
            note = f"{former}; {call_out.note}" if former else _guarded(call_out.note)
            _set_cell(draft, row, "note", note)
            added = True
    return added


def _guarded(note: str) -> str:
    return str(guard_formulas(pa.array([note]))[0].as_py())


def _is_same(column: str, one: str, other: str) -> bool:
    if column in _NUMBERS:
        return math.isclose(parse_decimal(one), parse_decimal(other), abs_tol=1e-9)
    if column in WORD_CELLS and one:
        return meaning_of_word(column, one) == meaning_of_word(column, other)
    return one.casefold() == other.casefold()


def _set_cell(draft: _Draft, row: _Row, column: str, value: str) -> None:
    if column not in _names(draft):
        _add_column(draft, column)
    at = _names(draft).index(column)
    row.cells += [""] * (at + 1 - len(row.cells))
    row.cells[at] = value.replace(".", draft.decimal_sign) if column in CELL_RANGES else value
    row.changed = True


def _add_column(draft: _Draft, column: str) -> None:
    """Add a column at the end. No row may reach beyond the header: it would be read with its last
    cells in the new column, or at all, from now on."""
    width = len(draft.header.cells)
    for row in draft.rows:
        if row.is_shifted or any(cell.strip() for cell in row.cells[width:]):
            raise UsageError(
                f"{draft.path}, line {row.line}",
                f"more cells than headers, and {column} would be a new column behind them",
                "no more cells than headers",
                "correct that line, then say it again",
            )
    draft.header.cells.append(column)
    draft.header.changed = True


def _usual_decimal_sign(table: SheetTable) -> str:
    """The one that most numbers of the sheet have; else a comma where semicolons part the cells, as
    spreadsheets write it."""
    signs = {".": 0, ",": 0}
    places = [i for i, name in enumerate(table.names) if name in CELL_RANGES]
    for record in table.records:
        for at in places:
            if at < len(record.cells) and (found := _DECIMAL.search(record.cells[at])):
                signs[found[1]] += 1
    usual = "," if table.delimiter == ";" else "."
    return usual if signs["."] == signs[","] else max(signs, key=lambda sign: signs[sign])


# --- the text ------------------------------------------------------------------------------


def _content(draft: _Draft) -> bytes:
    """The sheet's bytes. What was not changed is taken from the former text."""
    table = draft.table
    whole = table.text.splitlines(keepends=True)
    ends = [line[len(bare) :] for line, bare in zip(whole, table.lines, strict=True)]
    usual_end = ends[table.header.last_line - 1] or "\n"
    first_lines = {one.last_line: one.first_line for one in (table.header, *table.records)}
    parts = whole[: table.header.first_line - 1]
    for row in (draft.header, *draft.rows):
        if parts and not parts[-1].endswith(tuple(LINE_ENDS)):
            parts[-1] += usual_end  # it was the file's last line
        if row.line and not row.changed:
            parts += whole[first_lines[row.line] - 1 : row.line]
        else:
            end = (ends[row.line - 1] if row.line else "") or usual_end
            parts.append(_row_text(row.cells, table.delimiter, end))
    text = "".join(parts)
    strays = _STRAYS if table.codec == "cp1252" else "strict"
    try:
        return table.mark + text.encode(table.codec, strays)
    except UnicodeEncodeError as error:
        raise UsageError(
            draft.path,
            f'"{text[error.start]}" cannot be written in its encoding, {table.codec}',
            "characters that it has",
            "say it otherwise, or save the sheet in UTF-8",
        ) from None


def _row_text(cells: Sequence[str], delimiter: str, end: str) -> str:
    """The cells as one row, with its end."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n")
    writer.writerow([cell.replace("\n", end) for cell in cells])
    return text.getvalue().removesuffix("\r\n") + end


def _lines_after_check(draft: _Draft, content: bytes) -> dict[int, int]:
    """The line of each row in the new content, by the row's identity.

    Raises UsageError where the content does not read as was meant, which only a sheet with quotes
    astray can bring about.
    """
    table = table_of_sheet(draft.path, content, REPS_FORM, _STRAYS)
    read = [one.cells for one in (table.header, *table.records)]
    if read != [row.cells for row in (draft.header, *draft.rows)]:
        raise UsageError(
            draft.path,
            "rows that would be read otherwise after a change",
            "a plain CSV file",
            "look for quotes astray, or export the sheet again",
        )
    return {id(row): one.last_line for row, one in zip(draft.rows, table.records, strict=True)}


def _stored_in_words(
    draft: _Draft, call_out: CallOut, row: _Row, added: bool, lines: Mapping[int, int]
) -> str:
    cells, call, line = _cells_of(draft, row), call_out_in_words(call_out), lines[id(row)]
    words = f"{call}: {draft.path.name}, line {line}, was there already"
    if added:
        how = "" if row.line else ", a new row"
        words = f"{call}: {draft.path.name}, line {line}{how}"
    who = [role for role in ("incoming", "outgoing") if not cells.get(role)]
    if who:
        blank = f"{in_words(who)} still blank: say `rep {call_out.rep}` and who handed to whom"
        return f"{words}; {blank}"
    return words
