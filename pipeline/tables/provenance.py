"""What a result rests on: hashes of its inputs, settings, versions, time.

The record is a plain dictionary, written as JSON beside the tables. `run_sha256` is its mark: two
runs with the same mark have the same numbers.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.base.plain_file import plain_file_sha256

MOST_RECORD_BYTES = 16 << 20  # ten thousand recordings and more


def provenance_of_files(
    inputs: Iterable[Path],
    settings: Mapping[str, Any],
    command: Sequence[str],
    source: str | None = None,
    *,
    most_bytes: int = sys.maxsize,
) -> dict[str, Any]:
    """The record of a result that rests on files: their SHA-256 by path, settings, versions, time.

    Files that are not there are left out; one that cannot be read, or is larger than
    `most_bytes`, has no hash (None). Paths are from the folder of the first file, as its session
    names them: links are not followed, since where they lead says nothing about the data. For the
    same reason the words of `command` lose their folders: the folders above a session may say
    something about a person. `source`, for files that were fetched from elsewhere, is the mark
    that tells whether they have changed there.
    """
    present = [path for path in inputs if os.path.isfile(path)]
    hashes = {input_name(path, present[0]): _input_sha256(path, most_bytes) for path in present}
    record = provenance_of_hashes(hashes, settings, command)
    return record | ({} if source is None else {"source": source})


def input_name(path: Path, first: Path) -> str:
    """The name under which a file stands in a record: its path from the folder of the first."""
    folder = os.path.dirname(os.path.abspath(first))
    try:
        return Path(os.path.relpath(os.path.abspath(path), folder)).as_posix()
    except ValueError:  # on another drive of Windows, to which no path leads
        return path.name


def _input_sha256(path: Path, most_bytes: int) -> str | None:
    """The hash of an input; None where it cannot be read, which its reader then says."""
    try:
        return plain_file_sha256(path, most_bytes)
    except OSError:
        return None


def provenance_of_hashes(
    hashes: Mapping[str, str | None], settings: Mapping[str, Any], command: Sequence[str]
) -> dict[str, Any]:
    """The record of a result whose inputs' SHA-256 are known, by name."""
    return {
        "inputs": dict(hashes),
        "settings": dict(settings),
        "versions": library_versions(),
        "command": [Path(word).name for word in command],
        "written_utc": datetime.now(UTC).isoformat(timespec="seconds"),
    }


def library_versions() -> dict[str, str]:
    """The versions of batontrace and of the libraries that compute, by name."""
    names = ("batontrace", "numpy", "scipy", "pyarrow")
    return {name: importlib.metadata.version(name) for name in names}


def run_sha256(record: Mapping[str, Any]) -> str:
    """The mark of a run: the SHA-256 of everything in its record that decides the numbers.

    When and with which words the run was asked for is not part of it.
    """
    deciding = {k: v for k, v in record.items() if k not in ("command", "written_utc", "source")}
    if "kept" in deciding:  # rows of earlier runs: these have marks of their own
        deciding["kept"] = [[one.get("run_sha256"), one["rows"]] for one in record["kept"]]
    return hashlib.sha256(json.dumps(deciding, sort_keys=True, default=str).encode()).hexdigest()


def file_sha256(path: Path) -> str:
    """The SHA-256 of a plain file's bytes, however many, in hexadecimal."""
    return plain_file_sha256(path, sys.maxsize)


def parse_record(content: bytes) -> dict[str, Any] | None:
    """The record in a file's content; None where it is broken."""
    try:
        stored = json.loads(content)
    except (ValueError, RecursionError):  # a number of thousands of digits, brackets too deep
        return None
    return stored if isinstance(stored, dict) else None


def table_hashes(record: Mapping[str, Any]) -> dict[str, str]:
    """The SHA-256 of each table that a record tells of; none where the record is an old one."""
    found = ((name, about.get("sha256")) for name, about in _dict_items(record.get("tables")))
    return {name: sha256 for name, sha256 in found if isinstance(sha256, str)}


def other_hash(record: bytes, table_name: str, sha256: str) -> str | None:
    """The SHA-256 of a table by a record's content, where it is another than this; else None.

    None too where the record is broken or an old one, and so tells of none.
    """
    if sha256.encode() in record:  # nearly always, and a hundred times as quick as parsing
        return None
    return table_hashes(parse_record(record) or {}).get(table_name)


def table_rows(record: Mapping[str, Any], table_name: str) -> int:
    """How many rows a table has by its record; 0 where the record does not say."""
    rows = dict(_dict_items(record.get("tables"))).get(table_name, {}).get("rows")
    return rows if isinstance(rows, int) else 0


def input_hashes(record: Mapping[str, Any]) -> dict[str, str | None]:
    """The SHA-256 of each input by its record, None where it could not be read."""
    inputs = record.get("inputs")
    found = inputs.items() if isinstance(inputs, dict) else ()
    return {name: sha256 for name, sha256 in found if sha256 is None or isinstance(sha256, str)}


def _dict_items(stored: Any) -> list[tuple[str, dict[str, Any]]]:
    """What a dictionary of dictionaries holds; what is no such thing is passed over."""
    found = stored.items() if isinstance(stored, dict) else ()
    return [(name, about) for name, about in found if isinstance(about, dict)]
