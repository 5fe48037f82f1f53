"""How tables are written into OUT: a session's three together, or tables of decisions together.

Tables of one run are switched as a whole or not at all (whole_files.py); each carries the mark of
its run, `run_sha256`, and its provenance record lies beside. Why a session's files hold no
`session` column: docs/decisions/0003-partitions.md.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.base.file_systems import folded, refused_by_windows
from pipeline.base.plain_file import plain_file_bytes
from pipeline.errors import OutputError
from pipeline.tables import data_package, folders, schema, whole_files, work_folder
from pipeline.tables.parquet_content import MOST_ROWS
from pipeline.tables.provenance import file_sha256, run_sha256

_ID_THAT_LOOKS_TYPED = re.compile(r"[-.0-9].*|nan|inf|infinity|true|false|null", re.IGNORECASE)
_RUN_KEY = b"batontrace.run_sha256"


def write_session(
    out: Path, session_id: str, tables: Mapping[str, pa.Table], record: Mapping[str, Any]
) -> None:
    """Write a session's tables into `out` beside other sessions, replacing its former ones.

    `tables` holds every table of `schema.TABLES`, each as its schema has it; `record` is their
    provenance. The same inputs, settings and versions give the same bytes. Raises OutputError; the
    former tables are then as they were.
    """
    _check_session_tables(out, session_id, tables)
    _check_folder_name(out, session_id)
    places = {name: folders.part_path(out, name, session_id) for name in schema.TABLES}
    with whole_files.staging(out, session_id) as folder:
        moves = stage_tables(
            folder,
            tables,
            places,
            folders.session_record_path(out, session_id),
            {"session": session_id},
            record,
        )
        if _ID_THAT_LOOKS_TYPED.fullmatch(session_id):
            _write_anchors(folder, out)
        whole_files.switch(folder, moves)
    renew_data_package(out)


def write_decisions(
    out: Path,
    tables: Mapping[str, pa.Table],
    record: Mapping[str, Any],
    kept: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
) -> None:
    """Write one or more tables of `schema.DECISIONS` into `out`, replacing the former ones.

    `kept` tells by table what rows of earlier runs rest on (decision_parts.py). All tables are
    switched together, each with its own provenance record; tables that are not named stay. The
    same inputs, settings and versions give the same bytes. Raises OutputError; the former tables
    are then as they were.
    """
    if not tables or not set(tables) <= set(schema.DECISIONS):
        found = f"tables {sorted(tables)}"
        raise OutputError(out, found, f"one or more of {', '.join(schema.DECISIONS)}")
    for name, table in tables.items():
        schema.check_table(name, table)
    with whole_files.staging(out, "decisions") as folder:
        moves = [
            move
            for name in tables
            for move in stage_tables(
                folder,
                tables,
                {name: folders.decision_path(out, name)},
                folders.decision_record_path(out, name),
                {},
                {**record, "kept": list(kept[name])} if kept and name in kept else record,
            )
        ]
        whole_files.switch(folder, moves)
    renew_data_package(out)


def renew_data_package(out: Path) -> None:
    """Have OUT's datapackage.json (data_package.py) say what lies there now.

    To be called whenever tables came or went. The file is written only where it said something
    else. This never fails: the tables are in place by then, and the next run makes good what this
    one could not write.
    """
    path = out / folders.DATA_PACKAGE_FILE
    for _ in range(3):  # again where another run's tables came in between
        try:
            text = data_package.data_package_text(out)
            if text is None or _holds(path, text.encode("utf-8")):
                return
            whole_files.write_text(path, text, lake=out)
        except (OSError, OutputError):
            return


def _holds(path: Path, content: bytes) -> bool:
    """Whether a plain file is there that holds just this."""
    try:
        return plain_file_bytes(path, len(content)) == content
    except OSError:
        return False


# --- the steps -------------------------------------------------------------------------


def _check_session_tables(out: Path, session_id: str, tables: Mapping[str, pa.Table]) -> None:
    if not folders.SAFE_ID.fullmatch(session_id) or session_id == folders.ANCHOR:
        raise OutputError(
            out,
            f"session id {session_id!r} cannot name a folder",
            "at most 100 letters, digits, '-', '_', '.', no dot first, and not '_' alone",
            "change `id` in session.toml",
        )
    if set(tables) != set(schema.TABLES):
        raise OutputError(out, f"tables {sorted(tables)}", f"all of {sorted(schema.TABLES)}")
    for name, table in tables.items():
        schema.check_table(name, table)
        if table.num_rows > MOST_ROWS:
            raise OutputError(
                name,
                f"{table.num_rows:,} rows in session {session_id}",
                f"at most {MOST_ROWS:,}, which is what readers take",
                "make two sessions of it",
            )
        strangers = set(table.column("session").to_pylist()) - {session_id}
        if strangers:
            raise OutputError(f"{name}.session", f"{strangers.pop()!r}", repr(session_id))


def _check_folder_name(out: Path, session_id: str) -> None:
    """Raises OutputError where the folder of a new session could not stand on Windows or a Mac, or
    would be another session's there. One that is stored already is left in peace."""
    try:
        names = os.listdir(out / "exchanges")
    except OSError:  # nothing is there yet
        names = []
    there = [one for one in map(folders.session_of_folder, names) if one is not None]
    if session_id in there:  # as the disk writes it
        return
    expected = "an id that Windows and Macs take for the name of a folder of its own"
    to_do = "change `id` in session.toml"
    if reason := refused_by_windows(folders.session_folder(session_id)):
        raise OutputError(out, f"session id {session_id!r} {reason}", expected, to_do)
    for other in there:
        if folded(other) == folded(session_id):
            found = f"session {other!r} is there, and {session_id!r} would share its folder"
            raise OutputError(out, found, expected, to_do)


def stage_tables(
    folder: Path,
    tables: Mapping[str, pa.Table],
    places: Mapping[str, Path],
    record_place: Path,
    heading: Mapping[str, Any],
    record: Mapping[str, Any],
) -> list[tuple[Path, Path]]:
    """Write tables that share one provenance record under hidden names in `folder`.

    `places` says for each table where it is to lie; `heading` opens the record's file. Returns
    what is to be moved where, the record last.
    """
    run = run_sha256(record)
    moves = []
    for name, place in places.items():
        staged = folder / f"{name}.parquet"
        _write_table_file(staged, name, tables[name], run)
        moves.append((staged, place))
    written = {
        **heading,
        "run_sha256": run,
        "tables": {
            name: {"rows": tables[name].num_rows, "sha256": file_sha256(folder / f"{name}.parquet")}
            for name in places
        },
        **record,
    }
    staged = folder / f"{'-'.join(places)}.json"
    text = json.dumps(written, indent=2, ensure_ascii=False) + "\n"
    # A file's name may be bytes that are no UTF-8; JSON has its own escape for those.
    staged.write_bytes(text.encode("utf-8", "backslashreplace"))
    work_folder.sync(staged)
    return [*moves, (staged, record_place)]


def _write_anchors(folder: Path, out: Path) -> None:
    for name in schema.TABLES:
        place = folders.part_path(out, name, folders.ANCHOR)
        if not place.exists():
            staged = folder / f"{name}-anchor.parquet"
            _write_table_file(staged, name, schema.empty_table(name), "")
            work_folder.create_folder(place.parent, out)
            work_folder.replace(staged, place)


# --- Parquet ---------------------------------------------------------------------------


def _write_table_file(path: Path, name: str, table: pa.Table, run: str) -> None:
    body = table.drop_columns(["session"]) if name in schema.TABLES else table
    write_parquet(path, name, body, {_RUN_KEY: run.encode()})
    work_folder.sync(path)


def write_parquet(
    sink: Any, name: str, table: pa.Table, metadata: Mapping[bytes, bytes], **options: Any
) -> None:
    """Write a table, or what is left of it without its session, as all Parquet files here are.

    `sink` is a path or a file of pyarrow's; `metadata` is added to what the schema says.
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
    """Makes pandas keep whole numbers with nulls whole (Int32), where it would make floats."""
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


def run_mark(metadata: Mapping[bytes, bytes]) -> str:
    """The mark of the run that a table is of, from the metadata of its file."""
    return metadata.get(_RUN_KEY, b"").decode("ascii", "replace")
