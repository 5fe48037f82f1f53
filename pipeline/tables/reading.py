"""How tables are read back from OUT: whole, of their schema, of one run, and as they were written.

The record of a run holds the SHA-256 of each table that the run wrote. Whoever reads a table reads
the whole file, and compares its hash with the record's. So a table that a bad disk or a stranger
has changed is noticed even where what it says is possible. Records of old lakes hold no hashes;
their tables are held to the schema alone.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.errors import BatontraceError, InputError, OutputError
from pipeline.tables import folders, schema, whole_files, writing
from pipeline.tables.parquet_content import MOST_FILE_BYTES, UNREADABLE, error_words, parquet_table
from pipeline.tables.places import Folder, Place
from pipeline.tables.provenance import MOST_RECORD_BYTES, other_hash, parse_record

_TRIES = 3  # where another run is just switching the session's tables
_PAUSE_S = 0.05

T = TypeVar("T")


class ReadTable(NamedTuple):
    """A table as it lies in OUT, the SHA-256 of its file, and the mark of the run that wrote it."""

    table: pa.Table
    sha256: str
    run: str


def read_session_tables(
    place: Place, session: str, table_names: Sequence[str]
) -> dict[str, ReadTable]:
    """Some of a session's tables, all of one run.

    Raises OutputError where one is missing, broken or another than its record says, or where they
    are of different runs.
    """

    def read_once() -> dict[str, ReadTable]:
        record = read_record_content(place, session)
        found = {name: _read_table(place, name, session) for name in table_names}
        if len({one.run for one in found.values()}) > 1:
            # a kill between two moves, or a moment in which the session is being written
            raise OutputError(
                _where(place, folders.part_file(table_names[-1], session)),
                f"is of another run than the session's {table_names[0]}",
                "tables of one run",
                schema.write_again(session),
            )
        for name, one in found.items():
            _check_hash(place, name, session, one, record)
        return found

    return again_while_switched(place, read_once)


def read_last_takeover_us(place: Place, session: str) -> int | None:
    """The moment of a session's last takeover, microseconds from 1970; None where it has none.

    Only that column is looked at. Raises OutputError as `read_session_tables` does.
    """

    def read_once() -> int | None:
        name = folders.part_file("exchanges", session)
        where = _where(place, name)
        record = read_record_content(place, session)
        content = _read_content(place, name, session)
        column = parquet_table(where, content, schema.write_again(session), columns=["zero_utc"])
        run = writing.run_mark(column.schema.metadata or {})
        read = ReadTable(column, hashlib.sha256(content).hexdigest(), run)
        try:
            wanted = schema.arrow_schema("exchanges").field("zero_utc").type
            times = column["zero_utc"].cast(wanted).cast(pa.int64())
            last: int | None = pc.max(times).as_py()
        except UNREADABLE as err:
            found = f"cannot be read as Parquet ({error_words(err)})"
            raise OutputError(where, found, do=schema.write_again(session)) from err
        _check_hash(place, "exchanges", session, read, record)
        return last

    return again_while_switched(place, read_once)


def read_decision_table(place: Place, table_name: str) -> ReadTable | None:
    """A table of decisions; None where it is not there. Raises OutputError where it is broken."""
    if place.stat(folders.decision_file(table_name)) is None:
        return None

    def read_once() -> ReadTable:
        record = _read_record(place, folders.decision_record_file(table_name))
        found = _read_table(place, table_name, None)
        _check_hash(place, table_name, None, found, record)
        return found

    return again_while_switched(place, read_once)


def count_rows(place: Place, table_name: str, session: str | None) -> int | None:
    """How many rows a file states; None where that cannot be read."""
    try:
        with place.open(_file_name(table_name, session)) as file:
            rows: int = pq.read_metadata(file).num_rows
            return rows
    except (*UNREADABLE, InputError):
        return None


def again_while_switched(place: Place, read_once: Callable[[], T]) -> T:
    """What `read_once` gives, tried again while a run is switching tables.

    The record comes last, so that for a moment it does not fit its tables.
    """
    for _ in range(_TRIES - 1):
        try:
            return read_once()
        except BatontraceError:
            # a bucket tells nobody that it is being written
            if isinstance(place, Folder) and not whole_files.interrupted(place.path):
                break
            time.sleep(_PAUSE_S)
    return read_once()


def read_session_record(place: Place, session: str) -> dict[str, Any] | None:
    """The provenance record of a session's tables; None where it is missing or broken."""
    return parse_record(read_record_content(place, session))


def read_record_content(place: Place, session: str) -> bytes:
    """The content of a session's provenance record; empty where it cannot be read."""
    return _read_record(place, folders.session_record_file(session))


def _read_record(place: Place, name: str) -> bytes:
    try:
        return place.read(name, MOST_RECORD_BYTES)
    except InputError:
        return b""


def _read_table(place: Place, table_name: str, session: str | None) -> ReadTable:
    name = _file_name(table_name, session)
    content = _read_content(place, name, session)
    table, metadata = schema.check_part(_where(place, name), table_name, session, content)
    return ReadTable(table, hashlib.sha256(content).hexdigest(), writing.run_mark(metadata))


def _read_content(place: Place, name: str, session: str | None) -> bytes:
    try:
        return place.read(name, MOST_FILE_BYTES)
    except InputError as err:
        raise OutputError(err.where, err.found, err.expected, schema.write_again(session)) from err


def _check_hash(
    place: Place, table_name: str, session: str | None, read: ReadTable, record: bytes
) -> None:
    """Raises OutputError where a record tells another SHA-256 than a table's file has.

    A table and a record of two runs belong to a moment in which a run writes, or was killed: nobody
    has spoilt the file, and the words say so.
    """
    recorded = other_hash(record, table_name, read.sha256)
    if recorded is not None:
        where = _where(place, _file_name(table_name, session))
        run = (parse_record(record) or {}).get("run_sha256")
        if isinstance(run, str) and run != read.run:
            found, again = "is of another run than its record", schema.write_again(session)
            raise OutputError(where, found, "both of one run", again)
        raise OutputError(
            where,
            f"is not as it was written: its SHA-256 is {read.sha256[:12]}…",
            f"{recorded[:12]}…, as its record says",
            f"bring back the file from a copy, or {schema.write_again(session)}",
        )


def _file_name(table_name: str, session: str | None) -> str:
    if session is None:
        return folders.decision_file(table_name)
    return folders.part_file(table_name, session)


def _where(place: Place, name: str) -> Path:
    """How errors name a file."""
    return place.path / name if isinstance(place, Folder) else Path(name)
