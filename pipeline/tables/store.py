"""Tables on disk: OUT/<table>/session=<id>/part-0.parquet, whole or not at all.

Everything is written and synced under a hidden name in OUT first; only then are the tables of
one run switched, one `os.replace` after the other, and switched back should one of them fail.
A reader never sees half a table, and a full disk or a kill leaves the old tables whole. Writers
switch one after the other, under a lock; what a killed one had begun to switch, as its list of
moves tells, the next one finishes (docs/decisions/0009-locks.md).
Why the files hold no `session` column: docs/decisions/0003-partitions.md.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.metadata
import json
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import filelock
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import OutputError
from pipeline.tables import data_package, schema

# A session of no rows that stands beside ids which readers would take for numbers or dates.
ANCHOR = "_"
SAFE_ID = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,99}")
_MAY_LOOK_TYPED = re.compile(r"[-.0-9].*|nan|inf|infinity|true|false|null", re.IGNORECASE)
_STALE_S = 3600.0
_LOCK = ".lock"  # in OUT: who holds it may switch tables
_CLAIMS = ".claims"  # in OUT: a file a session, locked by who measures it
_HELD = "held"  # in a hidden folder: locked as long as its run lives
_MOVES = "moves.json"  # in a hidden folder: there while tables are being switched
_PATIENCE_S = 120.0


def table_file(table_name: str, session_id: str) -> str:
    """A session's part of a table, from OUT."""
    return f"{table_name}/session={session_id}/part-0.parquet"


def table_path(out: Path, table_name: str, session_id: str) -> Path:
    """Where a session's part of a table lies."""
    return out / table_file(table_name, session_id)


def provenance_file(session_id: str) -> str:
    """A session's provenance record, from OUT: beside the tables, not inside one."""
    return f"provenance/session={session_id}/provenance.json"


def provenance_path(out: Path, session_id: str) -> Path:
    """Where a session's provenance record lies."""
    return out / provenance_file(session_id)


def provenance(
    inputs: Iterable[Path],
    settings: Mapping[str, Any],
    command: Sequence[str],
    source: str | None = None,
) -> dict[str, Any]:
    """What a result rests on: the inputs' SHA-256 by path, settings, versions, time.

    `source`: what tells whether inputs that were fetched from elsewhere have changed there.

    Inputs that are not there are left out. Paths are from the folder of the first input, and
    the command's words lose their folders: those above a session say nothing about the data
    and may say something about a person.
    """
    present = [path.resolve() for path in inputs if path.is_file()]
    hashes = {
        Path(os.path.relpath(path, present[0].parent)).as_posix(): sha256(path) for path in present
    }
    return record(hashes, settings, command) | ({} if source is None else {"source": source})


def record(
    hashes: Mapping[str, str], settings: Mapping[str, Any], command: Sequence[str]
) -> dict[str, Any]:
    """`provenance` of inputs whose SHA-256 are known by name."""
    return {
        "inputs": dict(hashes),
        "settings": dict(settings),
        "versions": versions(),
        "command": [Path(word).name for word in command],
        "written_utc": datetime.now(UTC).isoformat(timespec="seconds"),
    }


def versions() -> dict[str, str]:
    """Of batontrace, and of the libraries that compute."""
    names = ("batontrace", "numpy", "scipy", "pyarrow")
    return {name: importlib.metadata.version(name) for name in names}


def write_session(
    out: Path, session_id: str, tables: Mapping[str, pa.Table], provenance: Mapping[str, Any]
) -> None:
    """Write a session's tables into `out` beside other sessions, replacing its former ones.

    `tables` holds every table of `schema.TABLES`, each as its schema has it. The same inputs,
    settings and versions give the same bytes. Raises OutputError; the former tables are then
    as they were.
    """
    _check_request(out, session_id, tables)
    places = {name: table_path(out, name, session_id) for name in schema.TABLES}
    with staging(out, session_id) as folder:
        moves = stage(
            folder,
            tables,
            places,
            provenance_path(out, session_id),
            {"session": session_id},
            provenance,
        )
        if _MAY_LOOK_TYPED.fullmatch(session_id):
            _write_anchors(folder, out)
        switch(folder, moves)
    describe(out)


def describe(out: Path) -> None:
    """Have OUT's datapackage.json (package.py) say what lies there now.

    To be called whenever tables came or went. Touches the disk only where it said otherwise.
    It never fails: the tables are in place by then, and the next run makes good what this one
    could not write.
    """
    path = out / data_package.FILE
    for _ in range(3):  # where another run's tables came in between, what was said is old
        try:
            text = data_package.text(out)
            if text is None or (path.is_file() and path.read_bytes() == text.encode("utf-8")):
                return
            write_text(path, text)
        except (OSError, OutputError):
            return


def write_text(path: Path, text: str, *, make_folder: bool = True) -> None:
    """A file of text, as UTF-8; see `write_bytes`."""
    write_bytes(path, text.encode("utf-8"), make_folder=make_folder)


def write_bytes(path: Path, content: bytes, *, make_folder: bool = True) -> None:
    """A file beside or outside the tables, whole or not at all. Raises OutputError."""
    staged = path.with_name(f".new-{path.name}-{os.getpid()}")
    try:
        if make_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        staged.write_bytes(content)
        sync(staged)
        os.replace(staged, path)
    except OSError as err:
        with contextlib.suppress(OSError):
            staged.unlink(missing_ok=True)
        raise OutputError(
            path,
            f"cannot be written ({err.strerror or err})",
            "a place with room and the right to write",
            "choose another file",
        ) from err


# --- the steps -------------------------------------------------------------------------


def _check_request(out: Path, session_id: str, tables: Mapping[str, pa.Table]) -> None:
    if not SAFE_ID.fullmatch(session_id) or session_id == ANCHOR:
        raise OutputError(
            out,
            f"session id {session_id!r} cannot name a folder",
            "at most 100 letters, digits, '-', '_', '.', no dot first, and not '_' alone",
            "change `id` in session.toml",
        )
    if set(tables) != set(schema.TABLES):
        raise OutputError(out, f"tables {sorted(tables)}", f"all of {sorted(schema.TABLES)}")
    for name, table in tables.items():
        schema.check(name, table)
        strangers = set(table.column("session").to_pylist()) - {session_id}
        if strangers:
            raise OutputError(f"{name}.session", f"{strangers.pop()!r}", repr(session_id))


@contextlib.contextmanager
def staging(out: Path, label: str) -> Iterator[Path]:
    """A hidden folder in `out`, so in the same filesystem; gone at the end.

    `label` (a session's id, say) tells what it is for. What killed runs left is swept up first.
    A failure of the disk inside the `with` becomes an OutputError.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        recover(out)
        made = Path(tempfile.mkdtemp(prefix=".new-", dir=out))
        try:
            with filelock.FileLock(made / _HELD):
                # It gets the name that sweepers look for once it is seen to be somebody's.
                folder = made.rename(out / f".writing-{label}-{made.name[5:]}")
                try:
                    yield folder
                finally:
                    shutil.rmtree(folder, ignore_errors=True)
        finally:
            shutil.rmtree(made, ignore_errors=True)  # had it not got as far as its name
    except OSError as err:
        raise OutputError(
            err.filename or out,
            f"cannot be written ({err.strerror or err})",
            "a folder with room and the right to write",
            "nothing was changed: free some space or choose another --out",
        ) from err


def recover(out: Path) -> None:
    """Finish what a killed run had begun to switch, and sweep up what killed runs left."""
    for left in out.glob(".writing-*"):
        # Somebody is at it, or has just ended.
        with (
            contextlib.suppress(filelock.Timeout, FileNotFoundError),
            filelock.FileLock(left / _HELD, timeout=0),
        ):
            if (left / _MOVES).exists():
                with exclusive(out):
                    _finish(left)
            shutil.rmtree(left, ignore_errors=True)
    for left in out.glob(".new-*"):
        with contextlib.suppress(FileNotFoundError):
            if time.time() - left.stat().st_mtime <= _STALE_S:
                continue
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink()


def interrupted(out: Path) -> bool:
    """Whether a run is switching tables just now, or was killed while it did."""
    return any(out.glob(f".writing-*/{_MOVES}"))


@contextlib.contextmanager
def claim(out: Path, session_id: str, patience_s: float = 0.0) -> Iterator[bool]:
    """Whether this run may measure a session: nobody else has the claim meanwhile."""
    folder = out / _CLAIMS
    folder.mkdir(parents=True, exist_ok=True)
    lock = filelock.FileLock(folder / f"{session_id}.lock", timeout=patience_s)
    try:
        lock.acquire()
    except filelock.Timeout:
        yield False
        return
    try:
        yield True
    finally:
        lock.release()


@contextlib.contextmanager
def exclusive(out: Path) -> Iterator[None]:
    """Nobody else switches tables in `out` meanwhile. Raises OutputError after a long wait."""
    try:
        with filelock.FileLock(out / _LOCK, timeout=_PATIENCE_S):
            yield
    except filelock.Timeout:
        raise OutputError(
            out / _LOCK,
            f"another run has held it for {_PATIENCE_S:.0f} s",
            "a folder that runs take turns to write",
            "nothing was changed: see what that run is doing, then try again",
        ) from None


def _finish(left: Path) -> None:
    """The moves that were still to be made."""
    for staged, place in _moves(left):
        if (left / staged).exists():
            target = left.parent / place
            _make_folder(target.parent)
            os.replace(left / staged, target)
            sync(target.parent)


def _finish_others(folder: Path) -> None:
    """Under the lock: who has a list of moves now, other than us, was killed. Its tables are
    older than ours, so they go first; whoever came after us would put them over ours."""
    for listed in folder.parent.glob(f".writing-*/{_MOVES}"):
        if listed.parent != folder:
            _finish(listed.parent)
            listed.unlink(missing_ok=True)


def _moves(left: Path) -> list[tuple[str, str]]:
    """From a hidden folder's list: the names of its files, and where in OUT they go.

    None where there is no list, or a bad disk has broken it: the tables themselves then tell
    that they are of two runs.
    """
    try:
        listed = json.loads((left / _MOVES).read_text(encoding="utf-8"))
        moves = [(str(staged), str(place)) for staged, place in listed]
    except (FileNotFoundError, ValueError, TypeError, RecursionError):
        return []
    inside = [
        Path(staged).name == staged
        and not Path(place).is_absolute()
        and ".." not in Path(place).parts
        for staged, place in moves
    ]
    return moves if all(inside) else []


def stage(
    folder: Path,
    tables: Mapping[str, pa.Table],
    places: Mapping[str, Path],
    record_place: Path,
    about: Mapping[str, Any],
    provenance: Mapping[str, Any],
) -> list[tuple[Path, Path]]:
    """Write tables that share one provenance record under hidden names in `folder`.

    `places` says for each table where it is to lie; `about` opens the record. Returns what is
    to be moved where, the record last.
    """
    run = run_sha256(provenance)
    moves = []
    for name, place in places.items():
        staged = folder / f"{name}.parquet"
        _write_parquet(staged, name, tables[name], run)
        moves.append((staged, place))
    written = {
        **about,
        "run_sha256": run,
        "tables": {
            name: {"rows": tables[name].num_rows, "sha256": sha256(folder / f"{name}.parquet")}
            for name in places
        },
        **provenance,
    }
    staged = folder / f"{'-'.join(places)}.json"
    staged.write_text(json.dumps(written, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    sync(staged)
    return [*moves, (staged, record_place)]


def switch(folder: Path, moves: Sequence[tuple[Path, Path]], *, shared: bool = True) -> None:
    """Move every staged file to its place, or none: what was moved is put back on failure.

    After a kill in the midst of it the next run moves the rest: `moves` are on disk first.
    `shared`: others write here too, so runs take turns.
    """
    with exclusive(folder.parent) if shared else contextlib.nullcontext():
        if shared:
            _finish_others(folder)
        kept = {place: _keep(folder / f"former-{i}", place) for i, (_, place) in enumerate(moves)}
        done: list[Path] = []
        try:
            for _, place in moves:
                _make_folder(place.parent)
            _write_moves(folder, moves)
            for staged, place in moves:
                done.append(place)
                os.replace(staged, place)
            for folder_of_place in dict.fromkeys(place.parent for _, place in moves):
                sync(folder_of_place)
        except BaseException:
            _put_back(folder, done, kept)
            _drop_empty_folders(place for _, place in moves)
            raise
        (folder / _MOVES).unlink(missing_ok=True)


def _put_back(folder: Path, done: Sequence[Path], kept: Mapping[Path, Path | None]) -> None:
    (folder / _MOVES).unlink(missing_ok=True)
    for place in done:
        former = kept[place]
        if former is not None:
            os.replace(former, place)
        else:
            place.unlink(missing_ok=True)


def _write_moves(folder: Path, moves: Sequence[tuple[Path, Path]]) -> None:
    listed = [
        (staged.relative_to(folder).as_posix(), place.relative_to(folder.parent).as_posix())
        for staged, place in moves
    ]
    written = folder / f"{_MOVES}.new"
    written.write_text(json.dumps(listed), encoding="utf-8")
    sync(written)
    os.replace(written, folder / _MOVES)
    sync(folder)


def _keep(kept: Path, place: Path) -> Path | None:
    """A second name for the former file, or a copy where the filesystem has no links."""
    if not place.exists():
        return None
    try:
        os.link(place, kept)
    except OSError:
        shutil.copy2(place, kept)
    return kept


def _write_anchors(folder: Path, out: Path) -> None:
    for name in schema.TABLES:
        place = table_path(out, name, ANCHOR)
        if not place.exists():
            staged = folder / f"{name}-anchor.parquet"
            _write_parquet(staged, name, schema.empty(name), "")
            _make_folder(place.parent)
            os.replace(staged, place)


def _write_parquet(path: Path, name: str, table: pa.Table, run: str) -> None:
    body = table.drop_columns(["session"]) if "session" in table.column_names else table
    write_parquet(path, name, body, {b"batontrace.run_sha256": run.encode()})
    sync(path)


def write_parquet(
    sink: Any, name: str, table: pa.Table, metadata: Mapping[bytes, bytes], **options: Any
) -> None:
    """A table, or what is left of it without its session, the way all Parquet files are made here.

    `sink` is a path or a file of pyarrow's; `metadata` comes to what the schema says.
    """
    facts = {column.name: column for column in schema.facts(name).columns}
    about = {**(table.schema.metadata or {}), **metadata}
    about[b"pandas"] = _pandas_metadata(name).encode()
    floats = [field for field in table.column_names if facts[field].type == "float64"]
    texts = [field for field in table.column_names if facts[field].type == "string"]
    pq.write_table(
        table.replace_schema_metadata(about),
        sink,
        compression="zstd",
        use_dictionary=texts,
        column_encoding=dict.fromkeys(floats, "BYTE_STREAM_SPLIT"),
        **options,
    )


def _pandas_metadata(name: str) -> str:
    """Has pandas keep whole numbers with nulls whole (Int32), where it would make floats."""
    columns = [
        {
            "name": column.name,
            "field_name": column.name,
            "pandas_type": column.type,
            "numpy_type": column.type.capitalize() if column.nullable else column.type,
            "metadata": None,
        }
        for column in schema.facts(name).columns
        if column.type.startswith("int")
    ]
    return json.dumps({"index_columns": [], "column_indexes": [], "columns": columns})


def run_of(content: bytes) -> str:
    """The run that a session's table is of, from its file's content."""
    metadata: dict[bytes, bytes] = pq.read_schema(pa.BufferReader(content)).metadata or {}
    return metadata.get(b"batontrace.run_sha256", b"").decode("ascii", "replace")


def run_sha256(provenance: Mapping[str, Any]) -> str:
    """Of all that decides the numbers; not of when and by which words they were asked for."""
    deciding = {
        k: v for k, v in provenance.items() if k not in ("command", "written_utc", "source")
    }
    return hashlib.sha256(json.dumps(deciding, sort_keys=True, default=str).encode()).hexdigest()


# --- files -----------------------------------------------------------------------------


def sha256(path: Path) -> str:
    """Of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _make_folder(folder: Path) -> None:
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        sync(folder.parent)


def _drop_empty_folders(places: Iterable[Path]) -> None:
    for place in places:
        for folder in (place.parent, place.parent.parent):
            with contextlib.suppress(OSError):  # not empty: it holds other tables
                folder.rmdir()


def sync(path: Path) -> None:
    """Have the disk hold what was written; a folder's names too, where the system can."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except (PermissionError, IsADirectoryError):  # no handles of folders on Windows
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
