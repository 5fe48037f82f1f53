"""A season's tables in few files: OUT/season/<table>/part-<n>.parquet, for one quick scan.

The parts repeat the rows of OUT/<table>/session=<id>/part-0.parquet, with the column `session` in
the file. The sessions' own files remain what is written and replaced. Each part says in its
metadata from which files it was made, so that a session that has been replaced since is noticed,
and compacting again rewrites only its part. `read_current_parts` gives the rows that are still
those of the sessions' files; lake.py takes them from here. Beside each part goes a record with its
SHA-256, OUT/provenance/season/<table>/part-<n>.json. docs/decisions/0011-compaction.md.
"""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import BatontraceError, InputError, OutputError
from pipeline.tables import folders, provenance, reading, schema, writing
from pipeline.tables.parquet_content import (
    MOST_BYTES,
    MOST_ROWS,
    UNREADABLE,
    error_words,
    parquet_table,
)
from pipeline.tables.places import Entry, Place

PART_ROWS = 1_000_000  # a new part begins beyond this: about 60 MB of speed curves in memory
_GROUP_ROWS = 1 << 17
_MOST_PART_ROWS = PART_ROWS + MOST_ROWS  # as the last session may go beyond
_MOST_PART_BYTES = 2 * MOST_BYTES
_RENEW = "run batontrace season, which makes it anew"
_SESSIONS_KEY = b"batontrace.sessions"
_VERSION_KEY = b"batontrace.version"


class SessionSlice(NamedTuple):
    """One session's rows in a part (from row `first`), and the file they were taken from."""

    size: int
    mtime_ns: int
    sha256: str
    run: str
    first: int
    rows: int

    def is_of(self, file: Entry) -> bool:
        """Whether that file is still the one that is there."""
        return (self.size, self.mtime_ns) == (file.size, file.mtime_ns)


@dataclass(frozen=True)
class Compacted:
    """What `compact` did: sessions in the parts, parts written, and what was left out and why."""

    sessions: int
    written: tuple[str, ...]
    remarks: tuple[str, ...]


def compact(place: Place) -> Compacted:
    """Bring the parts up to what the sessions' files hold; nothing else is written.

    A session whose file is broken is left out with a remark. Raises OutputError, or InputError
    where a bucket is out of reach; every part is then whole, and the next call goes on from there.
    """
    written: list[str] = []
    remarks: list[str] = []
    count = 0
    for table_name in schema.TABLES:
        there = _session_files(place, table_name)
        count = max(count, len(there))
        for name, content in _changed_parts(place, table_name, there, remarks):
            _write_part(place, name, content)
            written.append(name)
    return Compacted(count, tuple(written), tuple(dict.fromkeys(remarks)))


@dataclass(frozen=True, eq=False)
class CurrentParts:
    """Sessions whose rows in the parts are those of their files, table by table.

    `slices` says, by table and session, where the rows stand; `parts`, by table and session, is
    the content of the part that holds them. `remarks` names the parts that were passed over.
    """

    slices: Mapping[str, Mapping[str, SessionSlice]]
    parts: Mapping[str, Mapping[str, pa.Table]]
    remarks: tuple[str, ...] = ()

    def run(self, session: str) -> str | None:
        """The run that all tables of a session are of; None where its own files are needed."""
        runs = {own[session].run if session in own else None for own in self.slices.values()}
        return runs.pop() if len(runs) == 1 else None

    def rows(self, table_name: str, session: str) -> pa.Table:
        """A session's rows of a table."""
        place = self.slices[table_name][session]
        return self.parts[table_name][session].slice(place.first, place.rows)


def read_current_parts(place: Place, table_names: tuple[str, ...]) -> CurrentParts:
    """What can be read from the parts in a place, each as it was written and of its schema.

    A part that is neither counts as missing, and a remark names it: the sessions' own files are
    there. A part from before parts had a record counts as missing too.
    """
    slices: dict[str, dict[str, SessionSlice]] = {}
    parts: dict[str, dict[str, pa.Table]] = {}
    records: dict[str, bytes] = {}  # by session
    remarks: list[str] = []
    for table_name in table_names:
        slices[table_name], parts[table_name] = {}, {}
        for name in _part_names(place, table_name):
            try:
                read_once = functools.partial(_read_part, place, table_name, name)
                found = reading.again_while_switched(place, read_once)
            except BatontraceError as err:
                remarks.append(
                    f"{name} was passed over, and its sessions read from their own files: "
                    f"{err.message_from(place)}"
                )
                continue
            if found is None:
                continue
            for session, own in found.own.items():
                if session not in records:
                    records[session] = reading.read_record_content(place, session)
                entry = place.stat(folders.part_file(table_name, session))
                other = provenance.other_hash(records[session], table_name, own.sha256)
                if entry is not None and own.is_of(entry) and other is None:
                    slices[table_name][session] = own
                    parts[table_name][session] = found.rows
    return CurrentParts(slices, parts, tuple(remarks))


# --- the parts -------------------------------------------------------------------------


def _session_files(place: Place, table_name: str) -> dict[str, Entry]:
    """The sessions' own files of a table."""
    found = {}
    for entry in place.files(table_name):
        session = folders.session_of_folder(PurePosixPath(entry.name).parent.name)
        if session is None or session == folders.ANCHOR:
            continue
        if entry.name == folders.part_file(table_name, session):
            found[session] = entry
    return found


def _part_names(place: Place, table_name: str) -> list[str]:
    """The parts of a table, by number."""
    below = f"{folders.SEASON_FOLDER}/{table_name}"
    names = [PurePosixPath(entry.name) for entry in place.files(below)]
    return [
        name.as_posix()
        for name in names
        if name.match("part-*.parquet") and name.parent == PurePosixPath(below)
    ]


class _CheckedPart(NamedTuple):
    own: Mapping[str, SessionSlice]
    rows: pa.Table


def _read_part(place: Place, table_name: str, name: str) -> _CheckedPart | None:
    """A whole part, of the schema and with the hash of its record; None where it has no record, or
    was written by another schema than the one in force.

    Raises InputError or OutputError for a part that is broken.
    """
    recorded = _read_part_sha256(place, name)
    if recorded is None:
        return None
    content = place.read(name, _MOST_PART_BYTES)
    where = Path(str(place)) / name
    if hashlib.sha256(content).hexdigest() != recorded:
        raise OutputError(where, "is not as it was written", "the SHA-256 of its record", _RENEW)
    data = parquet_table(
        where,
        content,
        _RENEW,
        texts_once=True,
        most_rows=_MOST_PART_ROWS,
        most_bytes=_MOST_PART_BYTES,
    )
    metadata = data.schema.metadata or {}
    if not _is_current(metadata, table_name):
        return None
    try:
        rows = schema.check_table(table_name, data).cast(schema.arrow_schema(table_name))
        own = _slices_of(metadata, rows.num_rows)
    except (*UNREADABLE, OutputError) as err:
        found = f"does not hold the table {table_name} ({error_words(err)})"
        raise OutputError(where, found, do=_RENEW) from err
    return _CheckedPart(own, rows)


def _read_part_sha256(place: Place, name: str) -> str | None:
    """The hash that a part's record tells; None where there is no record."""
    record_name = folders.season_record_file(name)
    if place.stat(record_name) is None:
        return None
    record = provenance.parse_record(place.read(record_name, provenance.MOST_RECORD_BYTES))
    sha256 = (record or {}).get("sha256")
    return sha256 if isinstance(sha256, str) else None


def _write_part(place: Place, name: str, content: bytes) -> None:
    """Write a part, then its record: in between, in a bucket, the part counts as broken."""
    record = {"part": name, "sha256": hashlib.sha256(content).hexdigest()}
    text = json.dumps(record, indent=2) + "\n"
    place.write("season", {name: content, folders.season_record_file(name): text.encode()})


class _PartState(NamedTuple):
    """A part as it lies there; `current`: whole, and written by the schema that is in force."""

    name: str
    own: Mapping[str, SessionSlice]
    current: bool


def _changed_parts(
    place: Place, table_name: str, there: Mapping[str, Entry], remarks: list[str]
) -> Iterator[tuple[str, bytes]]:
    """Name and new content of every part that is no longer what it should be, and of new ones."""
    parts = [_read_part_state(place, name) for name in _part_names(place, table_name)]
    known = {session for part in parts for session in part.own}
    new = [session for session in there if session not in known]
    for number, part in enumerate(parts):
        rows = sum(own.rows for own in part.own.values())
        is_last = number == len(parts) - 1
        added = _take_sessions(place, there, new, PART_ROWS - rows, remarks) if is_last else {}
        stays = {s for s, k in part.own.items() if s in there and k.is_of(there[s])}
        if part.current and not added and stays == set(part.own):
            continue
        tables = _rows_that_stay(place, table_name, part, stays) if part.current else {}
        changed = [s for s in part.own if s in there and s not in tables]
        tables |= _take_sessions(place, there, changed, None, remarks) | added
        yield part.name, _part_content(table_name, tables)
    number = len(parts)
    while new and (tables := _take_sessions(place, there, new, PART_ROWS, remarks)):
        yield folders.season_part_file(table_name, number), _part_content(table_name, tables)
        number += 1


def _read_part_state(place: Place, name: str) -> _PartState:
    """What the end of its file says of a part, and whether its bytes are those of its record.

    A part that cannot be read is made anew from nothing: its sessions then count as new.
    """
    try:
        with place.open(name) as opened:
            file = pq.ParquetFile(opened)
            metadata = file.schema_arrow.metadata or {}
            own = _slices_of(metadata, file.metadata.num_rows)
        current = _is_current(metadata, PurePosixPath(name).parent.name)
        return _PartState(name, own, current and _is_as_written(place, name))
    except (*UNREADABLE, InputError):
        return _PartState(name, {}, False)


def _is_as_written(place: Place, name: str) -> bool:
    recorded = _read_part_sha256(place, name)
    return recorded is not None and place.own_sha256(name) in (None, recorded)


def _slices_of(metadata: Mapping[bytes, bytes], rows: int) -> dict[str, SessionSlice]:
    """Where each session's rows stand. Raises ValueError where they cannot stand there."""
    stored = provenance.parse_record(metadata.get(_SESSIONS_KEY, b"{}"))
    if stored is None:
        raise ValueError("the list of sessions is broken")
    found = {session: SessionSlice(*values) for session, values in stored.items()}
    for session, own in found.items():
        numbers = (own.size, own.mtime_ns, own.first, own.rows)
        right = all(isinstance(number, int) for number in numbers) and isinstance(own.run, str)
        if not (right and 0 <= own.first <= own.first + own.rows <= rows):
            raise ValueError(f"session {session} stands at {own.first}, {own.rows} rows of {rows}")
    return found


def _is_current(metadata: Mapping[bytes, bytes], table_name: str) -> bool:
    return metadata.get(_VERSION_KEY) == str(schema.facts(table_name).version).encode()


class _SessionRows(NamedTuple):
    origin: SessionSlice
    table: pa.Table


def _rows_that_stay(
    place: Place, table_name: str, part: _PartState, stays: set[str]
) -> dict[str, _SessionRows]:
    """The rows of sessions that have not changed; none where the part turns out to be broken."""
    try:
        found = _read_part(place, table_name, part.name)
    except BatontraceError:
        found = None
    if found is None:
        return {}
    return {
        session: _SessionRows(own, found.rows.slice(own.first, own.rows))
        for session, own in found.own.items()
        if session in stays
    }


def _take_sessions(
    place: Place,
    there: Mapping[str, Entry],
    wanted: list[str],
    most_rows: int | None,
    remarks: list[str],
) -> dict[str, _SessionRows]:
    """Read sessions from the front of `wanted`, which loses them, until they have enough rows."""
    found: dict[str, _SessionRows] = {}
    rows = 0
    while wanted and (most_rows is None or rows < most_rows):
        session = wanted.pop(0)
        entry = there[session]
        try:
            name = PurePosixPath(entry.name).parts[0]
            (own,) = reading.read_session_tables(place, session, (name,)).values()
        except BatontraceError as err:
            remarks.append(
                f"session {session} was left out of {folders.SEASON_FOLDER}/: "
                f"{err.message_from(place)}"
            )
            continue
        rows_here = own.table.num_rows
        origin = SessionSlice(entry.size, entry.mtime_ns, own.sha256, own.run, 0, rows_here)
        found[session] = _SessionRows(origin, own.table)
        rows += rows_here
    return found


def _part_content(table_name: str, sessions: Mapping[str, _SessionRows]) -> bytes:
    wanted = schema.arrow_schema(table_name)
    first, slices = 0, {}
    for session, rows in sessions.items():
        slices[session] = rows.origin._replace(first=first)
        first += rows.table.num_rows
    data = pa.concat_tables(
        [rows.table.cast(wanted) for rows in sessions.values()] or [wanted.empty_table()]
    )
    if data.num_rows != first:
        raise OutputError(
            f"{folders.SEASON_FOLDER}/{table_name}", f"{data.num_rows} rows", f"{first}"
        )
    sink = pa.BufferOutputStream()
    metadata = {_SESSIONS_KEY: json.dumps(slices).encode()}
    writing.write_parquet(sink, table_name, data, metadata, row_group_size=_GROUP_ROWS)
    content: bytes = sink.getvalue().to_pybytes()
    return content
