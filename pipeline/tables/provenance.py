"""What a result rests on: hashes of its inputs, settings, versions, time.

The record is a plain dictionary, written as JSON beside the tables. `run_sha256` is its mark: two
runs with the same mark have the same numbers.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any


def provenance_of_files(
    inputs: Iterable[Path],
    settings: Mapping[str, Any],
    command: Sequence[str],
    source: str | None = None,
) -> dict[str, Any]:
    """The record of a result that rests on files: their SHA-256 by path, settings, versions, time.

    Files that are not there are left out; one that cannot be read has no hash (None). Paths are
    from the folder of the first file, and the words of `command` lose their folders: the folders
    above a session say nothing about the data and may say something about a person. `source`, for
    files that were fetched from elsewhere, is the mark that tells whether they have changed there.
    """
    present = [path.resolve() for path in inputs if os.path.isfile(path)]
    hashes = {input_name(path, present[0]): _input_sha256(path) for path in present}
    record = provenance_of_hashes(hashes, settings, command)
    return record | ({} if source is None else {"source": source})


def input_name(path: Path, first: Path) -> str:
    """The name under which a file stands in a record: its path from the folder of the first."""
    return Path(os.path.relpath(path.resolve(), first.resolve().parent)).as_posix()


def _input_sha256(path: Path) -> str | None:
    """The hash of an input; None where it cannot be read, which its reader then says."""
    try:
        return file_sha256(path)
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
    return hashlib.sha256(json.dumps(deciding, sort_keys=True, default=str).encode()).hexdigest()


def file_sha256(path: Path) -> str:
    """The SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
