"""All sessions of an OUT together: what decisions read, and where they are written.

`read` gives every session's takeovers and speed curves, or one's; `write` switches tables of
decisions, OUT/<table>/part-0.parquet, all at once (store.py); `read_table` gives one back.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.base.asking import one_of
from pipeline.errors import BatontraceError, InputError, OutputError, UsageError
from pipeline.tables import compacting, schema, store

_READ = ("exchanges", "speed_curves")
_LABEL = "decisions"
_FIRST = "measure a session first: batontrace process SESSION.toml --out {}"


@dataclass(frozen=True, eq=False)
class Lake:
    """What the sessions of one OUT measured.

    `exchanges` (by `zero_utc`) and `curves` (session by session) have the columns of the tables
    `exchanges` and `speed_curves`, `session` included. `inputs` names the files read, from OUT,
    with their SHA-256. `remarks` says which sessions were left out, and why.
    """

    path: Path
    exchanges: pa.Table
    curves: pa.Table
    inputs: Mapping[str, str]
    remarks: tuple[str, ...] = ()


def read(out: Path, only: str | None = None) -> Lake:
    """Every session in `out`, or the one named; one that cannot be used is left out with a remark.

    Raises InputError where no session is left or `only` cannot be used, UsageError where `only` is
    not there.
    """
    there = ids(out)
    if store.interrupted(out):
        with contextlib.suppress(OSError, BatontraceError):  # to be read all the same
            store.recover(out)
    if only is not None and there:
        require(out, only, there)
    sessions: list[_Session] = []
    remarks: list[str] = []
    compacted = compacting.fresh(out, _READ) if only is None else None
    for session in [only] if only is not None and there else there:
        try:
            if compacted is not None and compacted.run(session) is not None:
                sessions.append(_from_parts(compacted, session))
            else:
                sessions.append(_session(out, session))
        except OutputError as err:
            if only is not None:
                raise InputError(err.where, err.found, err.expected, err.do) from err
            remarks.append(f"session {session} was left out: {without_folders(out, err)}")
    if not sessions:
        raise InputError(
            out / "exchanges",
            " | ".join(remarks) or "holds no session",
            "one session or more",
            _FIRST.format(out),
        )
    exchanges = pa.concat_tables([one.exchanges for one in sessions])
    return Lake(
        out,
        exchanges.sort_by([(name, "ascending") for name in ("zero_utc", "session", "exchange")]),
        pa.concat_tables([one.curves for one in sessions]),
        {name: digest for one in sessions for name, digest in one.inputs.items()},
        tuple(remarks),
    )


def ids(out: Path) -> list[str]:
    """The sessions in `out`, by name. Raises InputError where there is no table of takeovers."""
    where = out / "exchanges"
    try:
        names = sorted(folder.name for folder in where.iterdir())
    except OSError as err:
        found = f"cannot be read ({err.strerror})" if where.exists() else "is not there"
        expected = "the takeovers of one session or more"
        raise InputError(where, found, expected, _FIRST.format(out)) from err
    found_ids = [name.removeprefix("session=") for name in names if name.startswith("session=")]
    return [session for session in found_ids if session != store.ANCHOR]


def require(out: Path, session: str, there: Sequence[str]) -> None:
    """Raises UsageError where a session that was asked for is none of those `there` are."""
    if session not in there:
        raise UsageError(f"session {session}", f"is not in {out}", one_of(there, session))


def by_time(out: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The sessions by their last takeover, the newest last, told from that column alone.

    One without takeovers comes before the others; one that cannot be read is left out with a
    remark, the second of what is returned. Raises InputError where none is left.
    """
    dated: list[tuple[int, str]] = []
    remarks: list[str] = []
    compacted = compacting.fresh(out, ("exchanges",))
    for session in ids(out):
        try:
            if compacted.run(session) is not None:
                rows = compacted.rows("exchanges", session)
                dated.append((_newest(rows["zero_utc"]), session))
            else:
                dated.append((_last(store.table_path(out, "exchanges", session)), session))
        except OutputError as err:
            remarks.append(f"session {session} was passed over: {without_folders(out, err)}")
    if not dated:
        found = " | ".join(remarks) or "holds no session"
        where = out / "exchanges"
        raise InputError(where, found, "one session or more", _FIRST.format(out))
    return tuple(session for _, session in sorted(dated)), tuple(remarks)


def without_folders(out: Path, err: BatontraceError) -> str:
    """What an error says, without the folders above OUT, which may bear a person's name."""
    return str(err).replace(f"{out}{os.sep}", "")


def recordings(out: Path, session: str) -> pa.Table:
    """What each file of a session gave. Raises InputError where the table is missing or broken."""
    path = store.table_path(out, "recordings", session)
    try:
        return schema.read(path, "recordings", _content(path))
    except OutputError as err:
        raise InputError(err.where, err.found, err.expected, err.do) from err


def provenance(lake: Lake, settings: Mapping[str, Any], command: Sequence[str]) -> dict[str, Any]:
    """What a decision rests on: the hashes of the files `read` took, settings, versions, time."""
    return store.record(lake.inputs, settings, command)


def table_path(out: Path, table_name: str) -> Path:
    """Where a table of decisions lies."""
    return out / table_name / "part-0.parquet"


def provenance_path(out: Path, table_name: str) -> Path:
    """Where its record lies: beside those of the sessions."""
    return out / "provenance" / f"{table_name}.json"


def write(out: Path, tables: Mapping[str, pa.Table], provenance: Mapping[str, Any]) -> None:
    """Write one or more tables of `schema.DECISIONS` into `out`, replacing the former ones.

    All of them are switched together, each with its record; the others stay. The same inputs,
    settings and versions give the same bytes. Raises OutputError; the former tables are then
    as they were.
    """
    if not tables or not set(tables) <= set(schema.DECISIONS):
        found = f"tables {sorted(tables)}"
        raise OutputError(out, found, f"one or more of {', '.join(schema.DECISIONS)}")
    for name, table in tables.items():
        schema.check(name, table)
    with store.staging(out, _LABEL) as folder:
        moves = [
            move
            for name in tables
            for move in store.stage(
                folder,
                tables,
                {name: table_path(out, name)},
                provenance_path(out, name),
                {},
                provenance,
            )
        ]
        store.switch(folder, moves)
    store.describe(out)


def read_table(out: Path, table_name: str) -> pa.Table | None:
    """A table of decisions, checked; None where it was not written yet.

    Raises InputError where it is broken.
    """
    path = table_path(out, table_name)
    try:
        return schema.read(path, table_name, path.read_bytes())
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as err:
        found = f"cannot be read ({err.strerror})"
        raise InputError(path, found, do="have the table written again") from err
    except OutputError as err:
        raise InputError(err.where, err.found, err.expected, err.do) from err


# --- one session -------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Session:
    exchanges: pa.Table
    curves: pa.Table
    inputs: Mapping[str, str]


def _session(out: Path, session: str) -> _Session:
    """Raises OutputError where a table is missing or broken, or the two are of different runs."""
    paths = {name: store.table_path(out, name, session) for name in _READ}
    # Read once: hash, run and rows are then of the same file, whoever writes meanwhile.
    contents = {name: _content(path) for name, path in paths.items()}
    tables = {name: schema.read(paths[name], name, contents[name]) for name in _READ}
    if len({store.run_of(content) for content in contents.values()}) > 1:
        # a kill between two moves, or a moment in which the session is being written
        raise OutputError(
            paths["speed_curves"],
            "is of another run than the session's exchanges",
            "tables of one run",
            "process the session again",
        )
    hashes = {
        path.relative_to(out).as_posix(): hashlib.sha256(contents[name]).hexdigest()
        for name, path in paths.items()
    }
    return _Session(tables["exchanges"], tables["speed_curves"], hashes)


def _from_parts(compacted: compacting.Fresh, session: str) -> _Session:
    """A session whose files have not changed since the season was compacted."""
    exchanges, curves = (compacted.rows(name, session) for name in _READ)
    hashes = {
        store.table_file(name, session): compacted.kept[name][session].sha256 for name in _READ
    }
    return _Session(exchanges, curves, hashes)


def _last(path: Path) -> int:
    """The last takeover of a session, us since 1970; before all others where it has none.

    Raises OutputError where the column cannot be read.
    """
    wanted = schema.arrow_schema("exchanges").field("zero_utc").type
    try:
        column = pq.ParquetFile(path).read(columns=["zero_utc"])["zero_utc"].cast(wanted)
    except (OSError, pa.ArrowException, KeyError) as err:
        found = f"cannot be read as Parquet ({err})"
        raise OutputError(path, found, do="process the session again") from err
    return _newest(column)


def _newest(zero_utc: pa.ChunkedArray) -> int:
    last: int | None = pc.max(zero_utc).value
    return -(2**63) if last is None else last


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as err:
        found = f"cannot be read ({err.strerror})"
        raise OutputError(path, found, do="process the session again") from err
