"""A season's tables in few files: OUT/season/<table>/part-<n>.parquet, for one quick scan.

The parts repeat what lies at OUT/<table>/session=<id>/part-0.parquet, which stays what is
written and replaced a session at a time; here the column `session` stands in the files. Each
part tells in its metadata of which sessions' files it was made, so a session that has been
replaced is known as such, and compacting again rewrites its part only. `fresh` gives the rows
of those that have not been; lake.py reads them from here. docs/decisions/0011-compaction.md.
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
from pipeline.tables import data_package, schema, store
from pipeline.tables.places import Entry, Folder, Place

FOLDER = data_package.COMPACT
PART_ROWS = 1_000_000  # from which on a new part is begun: about 60 MB of speed curves in memory
_GROUP_ROWS = 1 << 17
_SESSIONS = b"batontrace.sessions"
_VERSION = b"batontrace.version"


class Kept(NamedTuple):
    """One session's rows in a part, and the file they were taken from."""

    size: int
    mtime_ns: int
    sha256: str
    run: str
    first: int
    rows: int

    def is_of(self, file: Entry) -> bool:
        return (self.size, self.mtime_ns) == (file.size, file.mtime_ns)


@dataclass(frozen=True)
class Compacted:
    """What `compact` did: sessions in the parts, parts written, and what was left out and why."""

    sessions: int
    written: tuple[str, ...]
    remarks: tuple[str, ...]


def compact(place: Place) -> Compacted:
    """Bring the parts up to what the sessions' files hold; nothing else is written.

    A session whose file is broken is left out with a remark. Raises OutputError, InputError
    (a bucket out of reach); every part is then whole, and the next call goes on from there.
    """
    written: list[str] = []
    remarks: list[str] = []
    count = 0
    for table_name in schema.TABLES:
        there = _there(place, table_name)
        count = max(count, len(there))
        for name, content in _rewritten(place, table_name, there, remarks):
            place.write("season", {name: content})
            written.append(name)
    return Compacted(count, tuple(written), tuple(dict.fromkeys(remarks)))


def part_name(table_name: str, number: int) -> str:
    return f"{FOLDER}/{table_name}/part-{number:04d}.parquet"


@dataclass(frozen=True, eq=False)
class Fresh:
    """Sessions whose rows in the parts are those of their files, table by table."""

    kept: Mapping[str, Mapping[str, Kept]]
    parts: Mapping[str, Mapping[str, pa.Table]]  # by table, then by session: the part's rows

    def run(self, session: str) -> str | None:
        """The run that all asked-for tables of a session are of, None where a file is needed."""
        runs = {own[session].run if session in own else None for own in self.kept.values()}
        return runs.pop() if len(runs) == 1 else None

    def rows(self, table_name: str, session: str) -> pa.Table:
        kept = self.kept[table_name][session]
        return self.parts[table_name][session].slice(kept.first, kept.rows)


def fresh(out: Path, table_names: tuple[str, ...]) -> Fresh:
    """What can be read from the parts in `out`. Parts that cannot be read are as if not there."""
    place = Folder(out)
    kept: dict[str, dict[str, Kept]] = {}
    parts: dict[str, dict[str, pa.Table]] = {}
    for name in table_names:
        kept[name], parts[name] = {}, {}
        for path in sorted((out / FOLDER / name).glob("part-*.parquet")):
            try:
                # One handle: metadata and rows are of one file, whoever compacts meanwhile.
                file = pq.ParquetFile(path)
                own = _sessions(file)
                stats = {s: place.stat(store.table_file(name, s)) for s in own}
                usable = {s: k for s, k in own.items() if (e := stats[s]) and k.is_of(e)}
                if usable and _is_current(file, name):
                    rows = file.read().cast(schema.arrow_schema(name))
                    kept[name] |= usable
                    parts[name] |= dict.fromkeys(usable, rows)
            except (OSError, ValueError, pa.ArrowException):
                continue
    return Fresh(kept, parts)


# --- the parts -------------------------------------------------------------------------


def _there(place: Place, table_name: str) -> dict[str, Entry]:
    """The sessions' files of a table."""
    found = {}
    for entry in place.files(table_name):
        where = PurePosixPath(entry.name)
        session = where.parent.name.removeprefix("session=")
        if entry.name == store.table_file(table_name, session) and session != store.ANCHOR:
            found[session] = entry
    return found


class _Part(NamedTuple):
    name: str
    own: Mapping[str, Kept]
    current: bool  # written by the schema that is in force


def _rewritten(
    place: Place, table_name: str, there: Mapping[str, Entry], remarks: list[str]
) -> Iterator[tuple[str, bytes]]:
    """Every part that is no longer what it should be, made anew: its name and content."""
    parts = [_part(place, entry.name) for entry in place.files(f"{FOLDER}/{table_name}")]
    known = {session for part in parts for session in part.own}
    new = [session for session in there if session not in known]
    for number, part in enumerate(parts):
        rows = sum(kept.rows for kept in part.own.values())
        is_last = number == len(parts) - 1
        added = _some(place, there, new, PART_ROWS - rows, remarks) if is_last else {}
        stays = {s for s, k in part.own.items() if s in there and k.is_of(there[s])}
        if part.current and not added and stays == set(part.own):
            continue
        changed = [s for s in part.own if s in there and not (part.current and s in stays)]
        tables = dict(_former(place, part, stays)) if part.current else {}
        tables |= _some(place, there, changed, None, remarks) | added
        yield part.name, _content(table_name, tables)
    number = len(parts)
    while new and (tables := _some(place, there, new, PART_ROWS, remarks)):
        yield part_name(table_name, number), _content(table_name, tables)
        number += 1


def _part(place: Place, name: str) -> _Part:
    """What the end of its file tells of a part; one that cannot be read is made anew from nothing:
    its sessions are new then."""
    try:
        with place.open(name) as opened:
            file = pq.ParquetFile(opened)
            own = _sessions(file)
            return _Part(name, own, _is_current(file, PurePosixPath(name).parent.name))
    except (InputError, OSError, ValueError, pa.ArrowException):
        return _Part(name, {}, False)


def _sessions(file: pq.ParquetFile) -> dict[str, Kept]:
    stored = json.loads((file.schema_arrow.metadata or {}).get(_SESSIONS, b"{}"))
    return {session: Kept(*kept) for session, kept in stored.items()}


def _is_current(file: pq.ParquetFile, table_name: str) -> bool:
    version = (file.schema_arrow.metadata or {}).get(_VERSION, b"")
    return bool(version == str(schema.facts(table_name).version).encode())


class _Taken(NamedTuple):
    kept: Kept
    rows: pa.Table


def _former(place: Place, part: _Part, stays: set[str]) -> Iterator[tuple[str, _Taken]]:
    """The rows of a part that stay."""
    with place.open(part.name) as opened:
        data = pq.ParquetFile(opened).read()
    for session, kept in part.own.items():
        if session in stays:
            yield session, _Taken(kept, data.slice(kept.first, kept.rows))


def _some(
    place: Place,
    there: Mapping[str, Entry],
    wanted: list[str],
    most_rows: int | None,
    remarks: list[str],
) -> dict[str, _Taken]:
    """Sessions from the front of `wanted`, which loses them, until their rows are enough."""
    taken: dict[str, _Taken] = {}
    rows = 0
    while wanted and (most_rows is None or rows < most_rows):
        session = wanted.pop(0)
        entry = there[session]
        try:
            content = place.read(entry.name)
            table = schema.read(Path(entry.name), None, content)
        except BatontraceError as err:
            remarks.append(f"session {session} was left out of {FOLDER}/: {err}")
            continue
        run = store.run_of(content)
        digest = hashlib.sha256(content).hexdigest()
        kept = Kept(entry.size, entry.mtime_ns, digest, run, 0, table.num_rows)
        taken[session] = _Taken(kept, table)
        rows += table.num_rows
    return taken


def _content(table_name: str, tables: Mapping[str, _Taken]) -> bytes:
    wanted = schema.arrow_schema(table_name)
    first, kept = 0, {}
    for session, (one, rows) in tables.items():
        kept[session] = one._replace(first=first)
        first += rows.num_rows
    data = pa.concat_tables(
        [rows.cast(wanted) for _, rows in tables.values()] or [wanted.empty_table()]
    )
    if data.num_rows != first:
        raise OutputError(f"{FOLDER}/{table_name}", f"{data.num_rows} rows", f"{first}")
    sink = pa.BufferOutputStream()
    metadata = {_SESSIONS: json.dumps(kept).encode()}
    store.write_parquet(sink, table_name, data, metadata, row_group_size=_GROUP_ROWS)
    content: bytes = sink.getvalue().to_pybytes()
    return content
