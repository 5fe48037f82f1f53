"""Tables of a lake as files that a spreadsheet opens: CSV (RFC 4180) and XLSX.

One session is in memory at a time, so a season needs no more of it than its longest evening. A
file appears whole or not at all, and so do a folder's files together.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.base.asking import one_of
from pipeline.base.values import Progress
from pipeline.errors import InputError, OutputError, UsageError
from pipeline.tables import folders, lake, reading, schema, whole_files, work_folder
from pipeline.tables.places import Folder, Out, Place, as_place

SHEET_ROWS = 1_048_576  # of a worksheet, its header included
CELL_CHARACTERS = 32_767
_COLUMNS_SHEET = "columns"  # the sheet or file that says what each column means
# How a column's name ends where it carries its unit; where it does not, the heading adds it.
_UNIT_ENDINGS = {
    "s": "_s",
    "m": "_m",
    "m/s": "_mps",
    "m/s²": "_mps2",
    "Hz": "_hz",
    "ppm": "_ppm",
    "foot-lengths": "_feet",
}
# What spreadsheets take for the start of a formula: = + - @, also in the wide and the small forms
# of East Asian texts, after whatever cannot be seen; and the tab and the line break themselves.
_FORMULA = (
    r"^(?:[\t\r\n]|[\pZ\pC]*"
    r"[=+\-@\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}\x{FE66}\x{FE62}\x{FE63}\x{FE6B}])"
)


@dataclass(frozen=True)
class Exported:
    """The files written, the rows of each table, and which sessions were left out and why."""

    paths: tuple[Path, ...]
    rows: tuple[tuple[str, int], ...]
    remarks: tuple[str, ...]


def export_tables(
    out: Out,
    to: Path,
    *,
    tables: Sequence[str] = (),
    sessions: Sequence[str] = (),
    progress: Progress | None = None,
) -> Exported:
    """Write tables of the lake `out` into `to`, replacing what is there.

    `to` is FILE.csv (one table), FILE.xlsx (a sheet for each table) or a folder (a CSV file for
    each). By default `tables` is `exchanges` for FILE.csv, all but `speed_curves` for FILE.xlsx,
    and all for a folder. `sessions` (default: all) narrows the tables whose rows have a session. A
    session that cannot be read is left out with a remark.

    Raises UsageError where the request is impossible, InputError where a table is missing or
    broken, OutputError where `to` cannot be written or a table does not fit on a sheet. What was
    at `to` is then as it was.
    """
    place = as_place(out)
    kind = _target_kind(place, to)
    names = _wanted_tables(place, kind, tables, sessions)
    lake.finish_interrupted(place)
    parts = {name: _wanted_sessions(place, name, sessions) for name in names}
    remarks = [] if sessions else lake.odd_folder_remarks(place)
    tell = progress or (lambda _what, _done, _all: None)
    runs: dict[str, str] = {}  # by session: the run that its tables are of

    def data(name: str) -> Iterator[pa.Table]:
        return _read_parts(place, name, parts[name], runs, remarks, tell)

    with whole_files.staging_beside(to, "export", option="--to") as folder:
        if kind == "xlsx":
            _check_fits(place, parts)
            counted = _write_workbook(
                folder, folder / to.name, {name: data(name) for name in names}
            )
            moves = [(folder / to.name, to)]
        else:
            places = {name: to if kind == "csv" else to / f"{name}.csv" for name in names}
            counted = {name: _write_csv(folder / f"{name}.csv", name, data(name)) for name in names}
            moves = [(folder / f"{name}.csv", place) for name, place in places.items()]
            if kind == "folder":
                _write_csv_of_columns(folder / f"{_COLUMNS_SHEET}.csv", names)
                moves.append((folder / f"{_COLUMNS_SHEET}.csv", to / f"{_COLUMNS_SHEET}.csv"))
        whole_files.move_all(folder, moves)
    return Exported(
        tuple(place for _, place in moves), tuple(counted.items()), tuple(dict.fromkeys(remarks))
    )


def heading(column: schema.Column) -> str:
    """A column's name, with the unit in brackets where the name does not end in it."""
    if not column.unit or column.name.endswith(_UNIT_ENDINGS.get(column.unit, " ")):
        return column.name
    return f"{column.name} [{column.unit}]"


# --- what is asked -----------------------------------------------------------------------


def _target_kind(place: Place, to: Path) -> str:
    inside = Path(os.path.realpath(to))  # bears a loop
    lake_folder = Path(os.path.realpath(place.path)) if isinstance(place, Folder) else None
    if lake_folder is not None and inside.is_relative_to(lake_folder):
        below = inside.relative_to(lake_folder).parts
        if below and below[0] in (
            *schema.ALL_TABLES,
            folders.SEASON_FOLDER,
            folders.PROVENANCE_FOLDER,
        ):
            raise UsageError(
                to, "lies among the tables, whose readers would trip over it", "another place"
            )
    suffix = to.suffix.lower()
    if to.is_dir() or not suffix:
        return "folder"
    if suffix not in (".csv", ".xlsx"):
        raise UsageError(f"--to {to}", f"ends in {to.suffix}", "FILE.csv, FILE.xlsx or a folder")
    return suffix.removeprefix(".")


def _wanted_tables(
    place: Place, kind: str, tables: Sequence[str], sessions: Sequence[str]
) -> tuple[str, ...]:
    for name in tables:
        if name not in schema.ALL_TABLES:
            raise UsageError(f"--table {name}", "no such table", one_of(schema.ALL_TABLES))
        if sessions and name in schema.DECISIONS:
            raise UsageError(
                f"--table {name}", "rests on all sessions together", "no --session with it"
            )
    wanted = tuple(dict.fromkeys(tables))
    if kind == "csv":
        if len(wanted) > 1:
            found = f"{len(wanted)} tables"
            raise UsageError(f"--to with {found}", "FILE.csv holds one", "FILE.xlsx or a folder")
        return wanted or ("exchanges",)
    if wanted:
        return wanted
    there = [name for name in schema.TABLES if kind == "folder" or name != "speed_curves"]
    if not sessions:
        there += [name for name in schema.DECISIONS if _is_there(place, name)]
    return tuple(there)


def _is_there(place: Place, table_name: str) -> bool:
    """Whether a table of decisions lies there, readable or not."""
    return place.stat(folders.decision_file(table_name), follow=False) is not None


def _wanted_sessions(place: Place, name: str, sessions: Sequence[str]) -> tuple[str | None, ...]:
    """The sessions whose rows a table is to have; one None for a table of decisions."""
    if name in schema.DECISIONS:
        if not _is_there(place, name):
            raise InputError(
                f"{place}/{folders.decision_file(name)}",
                "is not there",
                do=f"run: batontrace {schema.DECISION_COMMANDS[name]} {place}",
            )
        return (None,)
    there = lake.session_ids(place)
    for session in sessions:
        lake.require_session(place, session, there)
    chosen = tuple(session for session in there if not sessions or session in sessions)
    if not chosen:
        raise InputError(f"{place}/{name}", "holds no session", "one session or more")
    return chosen


def _read_parts(
    place: Place,
    name: str,
    sessions: Sequence[str | None],
    runs: dict[str, str],
    remarks: list[str],
    tell: Progress,
) -> Iterator[pa.Table]:
    """Read a table part by part, each checked. Raises InputError where none can be read.

    `runs` tells of which run each session's tables are, as far as they have been read.
    """
    failed: list[OutputError] = []
    for i, session in enumerate(sessions):
        tell(name, i, len(sessions))
        try:
            part = _read_part(place, name, session, runs)
        except OutputError as err:
            failed.append(err)
            remarks.append(f"{name}: a part was left out: {err.message_from(place)}")
            continue
        yield part
    if len(failed) == len(sessions):
        first = failed[0]
        raise InputError(first.where, first.found, first.expected, first.do)


def _read_part(place: Place, name: str, session: str | None, runs: dict[str, str]) -> pa.Table:
    """A table of decisions, or a session's part of a table, of the run of its other tables.

    Another run may replace a session while its tables are exported one after the other.
    """
    if session is None:
        decision = reading.read_decision_table(place, name)
        if decision is None:
            raise OutputError(f"{place}/{folders.decision_file(name)}", "is not there")
        return decision.table
    if lake.is_before(place, session, name):  # measured before there was such a table
        return schema.empty_table(name)
    (found,) = reading.read_session_tables(place, session, (name,)).values()
    if runs.setdefault(session, found.run) != found.run:
        raise OutputError(
            f"{place}/{folders.part_file(name, session)}",
            "is of another run than the session's tables before it",
            "tables of one run",
            "export again; if it is still so, process the session again",
        )
    return found.table


def _check_fits(place: Place, parts: Mapping[str, Sequence[str | None]]) -> None:
    """Raises OutputError where a table has more rows than a sheet, before hours of writing."""
    for name, sessions in parts.items():
        # Where it cannot be told, the remark comes when the part is read.
        rows = sum(reading.count_rows(place, name, session) or 0 for session in sessions)
        if rows >= SHEET_ROWS:
            raise OutputError(
                name,
                f"{rows:,} rows",
                f"at most {SHEET_ROWS - 1:,}, which is what a worksheet holds",
                "export it as CSV, or fewer sessions with --session",
            )


# --- CSV -----------------------------------------------------------------------------------


class _Lines:
    """Ends lines as RFC 4180 has them; no value holds a line break (`_csv_values`)."""

    closed = False

    def __init__(self, file: BinaryIO) -> None:
        self._file = file

    def write(self, data: Any) -> int:
        self._file.write(bytes(data).replace(b"\n", b"\r\n"))
        return len(data)

    def flush(self) -> None:
        self._file.flush()


def _write_csv(path: Path, name: str, parts: Iterator[pa.Table]) -> int:
    """Write the parts into one file; the number of their rows."""
    from pyarrow import csv

    columns = schema.facts(name).columns
    headings = [heading(column) for column in columns]
    rows, writer = 0, None
    with path.open("wb") as file:
        for part in parts:
            arrays = [_csv_values(column, part.column(column.name)) for column in columns]
            plain = pa.Table.from_arrays(arrays, names=headings)
            writer = writer or csv.CSVWriter(_Lines(file), plain.schema)
            writer.write_table(plain)
            rows += part.num_rows
        if writer is not None:
            writer.close()
    work_folder.sync(path)
    return rows


def _csv_values(column: schema.Column, values: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column as CSV has it: numbers and truth values as they are, everything else as text."""
    if column.type == "timestamp":
        whole = values.cast(pa.timestamp("us"))  # the text says Z itself
        return pc.strftime(whole, format="%Y-%m-%dT%H:%M:%SZ")
    if column.type == "list<string>":
        values = pc.binary_join(values, "; ")
    if not pa.types.is_string(values.type):
        return values
    values = pc.replace_substring_regex(values, pattern=r"[\r\n]+", replacement=" ")
    return guard_formulas(values)


def guard_formulas(values: pa.Array | pa.ChunkedArray) -> Any:
    """Texts with a ' before each that a spreadsheet would take for the start of a formula."""
    risky = pc.match_substring_regex(values, _FORMULA)
    return pc.if_else(risky, pc.binary_join_element_wise("'", values, ""), values)


def _write_csv_of_columns(path: Path, names: Sequence[str]) -> None:
    from pyarrow import csv

    header, *rows = _column_meanings(names)
    columns = {title: [row[i] for row in rows] for i, title in enumerate(header)}
    with path.open("wb") as file:
        csv.write_csv(pa.table(columns), _Lines(file))
    work_folder.sync(path)


def _column_meanings(names: Sequence[str]) -> list[tuple[str, ...]]:
    titles = ("table", "column", "unit", "type", "may be empty", "standard error", "meaning")
    rows: list[tuple[str, ...]] = [titles]
    for name in names:
        for column in schema.facts(name).columns:
            empty = "yes" if column.nullable else "no"
            kind = "timestamp, UTC" if column.type == "timestamp" else column.type
            rows.append(
                (name, column.name, column.unit, kind, empty, column.sd or "", column.meaning)
            )
    return rows


# --- XLSX ----------------------------------------------------------------------------------


def _write_workbook(
    folder: Path, path: Path, tables: dict[str, Iterator[pa.Table]]
) -> dict[str, int]:
    """Write a sheet for each table, and one that says what columns mean; the rows of each."""
    try:
        import xlsxwriter
        from xlsxwriter.exceptions import XlsxWriterException
    except ImportError as err:
        raise UsageError(
            f"--to {path.name}",
            "XLSX needs the package xlsxwriter, which is not installed",
            do="pip install 'batontrace[xlsx]', or choose FILE.csv",
        ) from err

    options = {
        "constant_memory": True,
        "tmpdir": str(folder),
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    try:
        book = xlsxwriter.Workbook(str(path), options)
        # A fixed date, so that the same tables always give the same bytes.
        book.set_properties({"title": "batontrace", "created": datetime(2000, 1, 1, tzinfo=UTC)})
        styles = _CellStyles(
            heading=book.add_format({"bold": True, "bottom": 1}),
            number=book.add_format({"num_format": "0.000"}),
            time=book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"}),
        )
        rows = {
            name: _write_sheet(book.add_worksheet(name), name, parts, styles)
            for name, parts in tables.items()
        }
        meanings = book.add_worksheet(_COLUMNS_SHEET)
        for i, width in enumerate((14, 24, 12, 16, 13, 22, 100)):
            meanings.set_column(i, i, width)
        meanings.freeze_panes(1, 0)
        for row, cells in enumerate(_column_meanings(tuple(tables))):
            for i, cell in enumerate(cells):
                meanings.write_string(row, i, cell, styles.heading if row == 0 else None)
        book.close()
    except XlsxWriterException as err:
        raise OutputError(f"--to {path.name}", f"cannot be written ({err})") from err
    work_folder.sync(path)
    return rows


@dataclass(frozen=True)
class _CellStyles:
    heading: Any
    number: Any
    time: Any


def _write_sheet(sheet: Any, name: str, parts: Iterator[pa.Table], styles: _CellStyles) -> int:
    columns = schema.facts(name).columns
    for i, column in enumerate(columns):
        sheet.set_column(i, i, _column_width(column))
        sheet.write_string(0, i, heading(column), styles.heading)
    sheet.freeze_panes(1, 0)
    row = 0
    for part in parts:
        for batch in part.to_batches(max_chunksize=10_000):
            for values in zip(*(column.to_pylist() for column in batch.columns), strict=True):
                row += 1
                for i, value in enumerate(values):
                    _write_cell(sheet, row, i, value, styles)
    return row


def _write_cell(sheet: Any, row: int, i: int, value: Any, styles: _CellStyles) -> None:
    match value:
        case None:
            pass
        case bool():
            sheet.write_boolean(row, i, value)
        case float():
            sheet.write_number(row, i, value, styles.number)
        case int():
            sheet.write_number(row, i, value)
        case datetime() if value.year >= 1900:
            sheet.write_datetime(row, i, value.replace(tzinfo=None), styles.time)
        case datetime():  # a sheet's calendar begins in 1900
            sheet.write_string(row, i, value.isoformat())
        case list():
            sheet.write_string(row, i, _cell_text("; ".join(value)))
        case _:
            sheet.write_string(row, i, _cell_text(value))


def _cell_text(text: str) -> str:
    """A text, cut to what a cell can hold."""
    return text if len(text) <= CELL_CHARACTERS else text[: CELL_CHARACTERS - 1] + "…"


def _column_width(column: schema.Column) -> int:
    least = {"timestamp": 24, "list<string>": 40, "string": 14}.get(column.type, 9)
    return max(least, len(heading(column)) + 2)
