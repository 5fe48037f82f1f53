"""All sessions of an OUT together: what decisions read, and where they are written.

`read` gives every session's takeovers and speed curves; `write` switches tables of decisions,
OUT/<table>/part-0.parquet, all at once (store.py); `read_table` gives one back.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline import schema, store
from pipeline.errors import InputError, OutputError

_READ = ("exchanges", "speed_curves")
_LABEL = "decisions"


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


def read(out: Path) -> Lake:
    """Every session in `out`; one that cannot be used is left out with a remark.

    Raises InputError where no session is left.
    """
    do = f"measure a session first: batontrace process SESSION.toml --out {out}"
    where = out / "exchanges"
    try:
        names = sorted(folder.name for folder in where.iterdir())
    except OSError as err:
        found = f"cannot be read ({err.strerror})" if where.exists() else "is not there"
        raise InputError(where, found, "the takeovers of one session or more", do) from err
    ids = [name.removeprefix("session=") for name in names if name.startswith("session=")]
    sessions: list[_Session] = []
    remarks: list[str] = []
    for session in ids:
        if session == store.ANCHOR:
            continue
        try:
            sessions.append(_session(out, session))
        except OutputError as err:
            # without the folders above, which may bear a person's name
            said = str(err).replace(f"{out}{os.sep}", "")
            remarks.append(f"session {session} was left out: {said}")
    if not sessions:
        raise InputError(
            where, " | ".join(remarks) or "holds no session", "one session or more", do
        )
    exchanges = pa.concat_tables([one.exchanges for one in sessions])
    return Lake(
        out,
        exchanges.sort_by([(name, "ascending") for name in ("zero_utc", "session", "exchange")]),
        pa.concat_tables([one.curves for one in sessions]),
        {name: digest for one in sessions for name, digest in one.inputs.items()},
        tuple(remarks),
    )


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
    if len({_run(content) for content in contents.values()}) > 1:
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


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as err:
        found = f"cannot be read ({err.strerror})"
        raise OutputError(path, found, do="process the session again") from err


def _run(content: bytes) -> bytes:
    metadata: dict[bytes, bytes] = pq.read_schema(pa.BufferReader(content)).metadata or {}
    return metadata.get(b"batontrace.run_sha256", b"")
