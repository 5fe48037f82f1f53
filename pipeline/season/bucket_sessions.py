"""Sessions that lie in a bucket: their files listed and fetched, their tables handed over."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from pipeline.errors import InputError
from pipeline.read.practice.documents import SESSION_TOML
from pipeline.read.practice.session import parse_session_toml
from pipeline.read.unpacking import MOST_RECORDING_BYTES
from pipeline.session import constants
from pipeline.tables import folders, provenance, schema
from pipeline.tables.places import Folder, Place


class SessionObjects(NamedTuple):
    """A session's file and all files it names: (name, size in bytes, time of writing in ns)."""

    name: str
    session: str
    files: tuple[tuple[str, int, int], ...]

    def mark(self) -> str:
        """A hash that changes where a file was written again, or with the settings or versions.

        An object cannot be changed, only written anew: its size and time tell, without fetching it.
        """
        now = [self.name, self.files, constants.gather_constants(), provenance.library_versions()]
        return hashlib.sha256(json.dumps(now, sort_keys=True, default=str).encode()).hexdigest()


def list_session(source: Place, name: str) -> SessionObjects:
    """The files of the session whose session.toml is `name`.

    Raises InputError where that cannot be read or names a file outside of the place.
    """
    where = f"{source}/{name}"
    try:
        read = source.read(name, SESSION_TOML.most_bytes)
        content = parse_session_toml(Path(where), read)
        table = content["session"]
        session = str(table["id"])
        listed = [*content.get("observer", []), *content.get("recording", [])]
        wanted = [table.get("venue"), table.get("reps"), *(one.get("file") for one in listed)]
    except (KeyError, TypeError, AttributeError) as err:
        raise InputError(
            where, f"cannot be read ({err!r})", "a session file", "see `batontrace template`"
        ) from err
    files = []
    for each in (PurePosixPath(name).name, *wanted):
        if isinstance(each, str):
            full = _name_inside(where, str(PurePosixPath(name).parent), each)
            if (entry := source.stat(full)) is not None:
                files.append((full, entry.size, entry.mtime_ns))
    return SessionObjects(name, session, tuple(dict.fromkeys(files)))


def _name_inside(where: str, folder: str, name: str) -> str:
    """A file's name in the place, which it may not lead out of."""
    joined = os.path.normpath(f"{folder}/{name}".replace("\\", "/")).replace(os.sep, "/")
    if name.startswith("/") or joined.startswith("../") or joined in ("..", "."):
        raise InputError(where, f"names {name}", "a file in the season", "put it there")
    return joined.removeprefix("./")


def fetch(source: Place, objects: SessionObjects, folder: Path) -> Path:
    """Lay out the session's files in `folder` as in the place; the path of its session.toml."""
    for name, size, _ in objects.files:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if size <= MOST_RECORDING_BYTES:
            path.write_bytes(source.read(name, MOST_RECORDING_BYTES))
        else:  # an empty stretch of that size, which its reader refuses as it would the file
            with path.open("wb") as file:
                file.truncate(size)
    return folder / objects.name


def hand_over(out: Path, target: Place, session: str) -> None:
    """Put a session's tables into a bucket, the record last.

    Until the record is there, the tables are the old run's or of two runs. Readers notice that,
    and the next season mends it.
    """
    names = [folders.part_file(table, session) for table in reversed(schema.TABLES)]
    anchors = [entry.name for entry in Folder(out).files() if f"={folders.ANCHOR}/" in entry.name]
    names += [name for name in anchors if target.stat(name) is None]
    names.append(folders.session_record_file(session))
    target.write("season", {name: Folder(out).read(name, sys.maxsize) for name in names})
