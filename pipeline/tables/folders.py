"""Where everything lies in OUT: the one home of folder names and file names.

    OUT/<table>/session=<id>/part-0.parquet          a session's part of a table
    OUT/<table>/part-0.parquet                       a table of decisions
    OUT/provenance/session=<id>/provenance.json      what a session's tables rest on
    OUT/provenance/<table>.json                      what a table of decisions rests on
    OUT/provenance/season/<table>/part-<n>.json      the hash of a compacted part
    OUT/season/<table>/part-<n>.parquet              the sessions' parts again, in few files
    OUT/datapackage.json                             what lies here

Functions that end in `_file` give a name from OUT with "/" between, so that they serve a bucket
too; those that end in `_path` give a path. docs/decisions/0003-partitions.md says why a session's
id is the name of a folder.
"""

from __future__ import annotations

import re
from pathlib import Path

PROVENANCE_FOLDER = "provenance"
SEASON_FOLDER = "season"
DATA_PACKAGE_FILE = "datapackage.json"
# An empty session. It stands beside ids that readers would otherwise take for numbers or dates.
ANCHOR = "_"
SAFE_ID = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,99}")

_PART_NAME = "part-0.parquet"
_SESSION = "session="


def session_folder(session_id: str) -> str:
    """The name of a session's folder, below that of a table."""
    return f"{_SESSION}{session_id}"


def part_file(table_name: str, session_id: str) -> str:
    """The file of a session's part of a table, from OUT."""
    return f"{table_name}/{session_folder(session_id)}/{_PART_NAME}"


def part_path(out: Path, table_name: str, session_id: str) -> Path:
    """Where a session's part of a table lies."""
    return out / part_file(table_name, session_id)


def session_record_file(session_id: str) -> str:
    """The file of a session's provenance record, from OUT: beside the tables, not inside one."""
    return f"{PROVENANCE_FOLDER}/{session_folder(session_id)}/provenance.json"


def session_record_path(out: Path, session_id: str) -> Path:
    """Where a session's provenance record lies."""
    return out / session_record_file(session_id)


def session_of_folder(name: str) -> str | None:
    """The session whose folder has this name; None where it is no session's folder.

    A name that no session's id can give is none, such as one with a line break or of 200 letters.
    """
    session = name.removeprefix(_SESSION)
    return session if session != name and SAFE_ID.fullmatch(session) else None


def looks_like_session_folder(name: str) -> bool:
    """Whether a folder's name begins as those of sessions do, whatever follows."""
    return name.startswith(_SESSION)


def decision_file(table_name: str) -> str:
    """The file of a table of decisions, from OUT."""
    return f"{table_name}/{_PART_NAME}"


def decision_path(out: Path, table_name: str) -> Path:
    """Where a table of decisions lies."""
    return out / decision_file(table_name)


def decision_record_file(table_name: str) -> str:
    """The file of its provenance record, from OUT: beside those of the sessions."""
    return f"{PROVENANCE_FOLDER}/{table_name}.json"


def decision_record_path(out: Path, table_name: str) -> Path:
    """Where its provenance record lies."""
    return out / decision_record_file(table_name)


def season_part_file(table_name: str, number: int) -> str:
    """The file of one part of a compacted table, from OUT; parts count from 0."""
    return f"{SEASON_FOLDER}/{table_name}/part-{number:04d}.parquet"


def season_record_file(part_file_name: str) -> str:
    """The file, from OUT, of the record of a compacted part with this name from OUT."""
    return f"{PROVENANCE_FOLDER}/{part_file_name.removesuffix('.parquet')}.json"
