"""A season's tables in few files: OUT/season/<table>/part-<n>.parquet, for one quick scan.

The parts repeat the rows of OUT/<table>/session=<id>/part-0.parquet, with the column `session` in
the file. The sessions' own files remain what is written and replaced. Each part says in its
metadata from which files it was made, so that a session that has been replaced since is noticed,
and compacting again rewrites only its part. `read_current_parts` gives the rows that are still
those of the sessions' files; lake.py takes them from here. docs/decisions/0011-compaction.md.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import BatontraceError, InputError, OutputError
from pipeline.tables import folders, schema, writing
from pipeline.tables.places import Entry, Folder, Place

PART_ROWS = 1_000_000  # a new part begins beyond this: about 60 MB of speed curves in memory
_GROUP_ROWS = 1 << 17
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
            place.write("season", {name: content})
            written.append(name)
    return Compacted(count, tuple(written), tuple(dict.fromkeys(remarks)))


@dataclass(frozen=True, eq=False)
class CurrentParts:
    """Sessions whose rows in the parts are those of their files, table by table.

    `slices` says, by table and session, where the rows stand; `parts`, by table and session, is
    the content of the part that holds them.
    """

    slices: Mapping[str, Mapping[str, SessionSlice]]
    parts: Mapping[str, Mapping[str, pa.Table]]

    def run(self, session: str) -> str | None:
        """The run that all tables of a session are of; None where its own files are needed."""
        runs = {own[session].run if session in own else None for own in self.slices.values()}
        return runs.pop() if len(runs) == 1 else None

    def rows(self, table_name: str, session: str) -> pa.Table:
        """A session's rows of a table."""
        place = self.slices[table_name][session]
        return self.parts[table_name][session].slice(place.first, place.rows)


def read_current_parts(out: Path, table_names: tuple[str, ...]) -> CurrentParts:
    """What can be read from the parts in `out`. A part that cannot be read counts as missing."""
    place = Folder(out)
    slices: dict[str, dict[str, SessionSlice]] = {}
    parts: dict[str, dict[str, pa.Table]] = {}
    for name in table_names:
        slices[name], parts[name] = {}, {}
        for path in sorted((out / folders.SEASON_FOLDER / name).glob("part-*.parquet")):
            try:
                # One handle, so that metadata and rows are of one file, whoever compacts meanwhile.
                file = pq.ParquetFile(path)
                own = _slices_of(file)
                stats = {s: place.stat(folders.part_file(name, s)) for s in own}
                usable = {s: k for s, k in own.items() if (e := stats[s]) and k.is_of(e)}
                if usable and _is_current(file, name):
                    rows = file.read().cast(schema.arrow_schema(name))
                    slices[name] |= usable
                    parts[name] |= dict.fromkeys(usable, rows)
            except (OSError, ValueError, pa.ArrowException):
                continue
    return CurrentParts(slices, parts)


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


class _PartState(NamedTuple):
    """A part as it lies there; `current`: written by the schema that is in force."""

    name: str
    own: Mapping[str, SessionSlice]
    current: bool


def _changed_parts(
    place: Place, table_name: str, there: Mapping[str, Entry], remarks: list[str]
) -> Iterator[tuple[str, bytes]]:
    """Name and new content of every part that is no longer what it should be, and of new ones."""
    below = f"{folders.SEASON_FOLDER}/{table_name}"
    parts = [_read_part_state(place, entry.name) for entry in place.files(below)]
    known = {session for part in parts for session in part.own}
    new = [session for session in there if session not in known]
    for number, part in enumerate(parts):
        rows = sum(own.rows for own in part.own.values())
        is_last = number == len(parts) - 1
        added = _take_sessions(place, there, new, PART_ROWS - rows, remarks) if is_last else {}
        stays = {s for s, k in part.own.items() if s in there and k.is_of(there[s])}
        if part.current and not added and stays == set(part.own):
            continue
        changed = [s for s in part.own if s in there and not (part.current and s in stays)]
        tables = dict(_rows_that_stay(place, part, stays)) if part.current else {}
        tables |= _take_sessions(place, there, changed, None, remarks) | added
        yield part.name, _part_content(table_name, tables)
    number = len(parts)
    while new and (tables := _take_sessions(place, there, new, PART_ROWS, remarks)):
        yield folders.season_part_file(table_name, number), _part_content(table_name, tables)
        number += 1


def _read_part_state(place: Place, name: str) -> _PartState:
    """What the end of its file says of a part.

    A part that cannot be read is made anew from nothing: its sessions then count as new.
    """
    try:
        with place.open(name) as opened:
            file = pq.ParquetFile(opened)
            own = _slices_of(file)
            return _PartState(name, own, _is_current(file, PurePosixPath(name).parent.name))
    except (InputError, OSError, ValueError, pa.ArrowException):
        return _PartState(name, {}, False)


def _slices_of(file: pq.ParquetFile) -> dict[str, SessionSlice]:
    stored = json.loads((file.schema_arrow.metadata or {}).get(_SESSIONS_KEY, b"{}"))
    return {session: SessionSlice(*values) for session, values in stored.items()}


def _is_current(file: pq.ParquetFile, table_name: str) -> bool:
    version = (file.schema_arrow.metadata or {}).get(_VERSION_KEY, b"")
    return bool(version == str(schema.facts(table_name).version).encode())


class _SessionRows(NamedTuple):
    origin: SessionSlice
    table: pa.Table


def _rows_that_stay(
    place: Place, part: _PartState, stays: set[str]
) -> Iterator[tuple[str, _SessionRows]]:
    with place.open(part.name) as opened:
        data = pq.ParquetFile(opened).read()
    for session, own in part.own.items():
        if session in stays:
            yield session, _SessionRows(own, data.slice(own.first, own.rows))


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
            content = place.read(entry.name)
            table = schema.read_part(Path(entry.name), None, content)
        except BatontraceError as err:
            remarks.append(f"session {session} was left out of {folders.SEASON_FOLDER}/: {err}")
            continue
        run = writing.stored_run_sha256(content)
        digest = hashlib.sha256(content).hexdigest()
        origin = SessionSlice(entry.size, entry.mtime_ns, digest, run, 0, table.num_rows)
        found[session] = _SessionRows(origin, table)
        rows += table.num_rows
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
