"""Files that arrive in a folder: which are whole, which are new, and whose they are.

A file counts as whole when it looks the same at two looks. One that cannot be opened, since another
program still holds it, counts as changed as soon as it can.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipeline.base.plain_file import plain_file_bytes
from pipeline.base.values import Recording, Session
from pipeline.errors import BatontraceError, RecordingError
from pipeline.read import read
from pipeline.read.practice.documents import SESSION_TOML, document_bytes
from pipeline.read.practice.session import parse_session_toml
from pipeline.read.units import UnitName, unit_of_file
from pipeline.read.unpacking import MOST_RECORDING_BYTES
from pipeline.session.device_files import (
    DeviceFile,
    describe_file,
    folder_id,
    list_files,
    recording_entry,
    serial_owners,
)
from pipeline.tables import whole_files

Columns = Mapping[str, Mapping[str, str]]


class FileStamp(NamedTuple):
    """How a file looks from outside."""

    size: int
    mtime_ns: int
    opens: bool


Look = Mapping[Path, FileStamp]


def look_at(folder: Path, others: Iterable[Path] = ()) -> dict[Path, FileStamp]:
    """Every file of a session's folder that matters, and those `others` that the session names."""
    named = [folder / name for name in list_files(folder)]
    beside = [*folder.glob("*.toml"), *folder.glob("*.geojson"), *folder.glob("*.csv")]
    found = {}
    for path in dict.fromkeys((*named, *beside, *others)):
        stamp = _stamp(path)
        if stamp is not None:
            found[path] = stamp
    return found


def _stamp(path: Path) -> FileStamp | None:
    """None where there is no such file (any more)."""
    try:
        told = path.stat()
    except OSError:
        return None
    try:
        with path.open("rb"):
            opens = True
    except FileNotFoundError:
        return None
    except OSError:
        opens = False
    return FileStamp(told.st_size, told.st_mtime_ns, opens)


def settled(before: Look, now: Look) -> dict[Path, FileStamp]:
    """The files that look as they did a look before, and can be opened."""
    return {path: stamp for path, stamp in now.items() if stamp.opens and before.get(path) == stamp}


# --- what is read, kept ----------------------------------------------------------------


class Readings:
    """Recordings by what is in their files, so that each is read once however often a session is
    measured. A defect met in one file is that file's alone."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str, str], Recording] = {}
        self._wanted: set[tuple[str, str, str]] = set()

    def __call__(self, path: Path, columns: Columns | None, clock: str) -> Recording:
        """As `read` does. Raises RecordingError."""
        try:
            content = plain_file_bytes(path, MOST_RECORDING_BYTES)
        except OSError:
            return read(path, columns, clock)  # which says what is wrong
        key = hashlib.sha256(content).hexdigest(), repr(columns), clock
        self._wanted.add(key)
        if key not in self._kept:
            try:
                self._kept[key] = _without_turns(read(path, columns, clock))
            except BatontraceError:
                raise
            except Exception as err:
                raise RecordingError(
                    path,
                    f"cannot be read, by a defect of batontrace ({type(err).__name__}: {err})",
                    do="please report it",
                ) from err
        return replace(self._kept[key], path=path)

    def forget_others(self) -> None:
        """Forget what was not asked for since the last time."""
        self._kept = {key: self._kept[key] for key in self._wanted if key in self._kept}
        self._wanted.clear()


def _without_turns(recording: Recording) -> Recording:
    """Without turn rates, which nothing measured rests on."""
    if recording.imu is None:
        return recording
    return replace(recording, imu=replace(recording.imu, gyro_radps=np.empty((0, 3))))


# --- files that the session does not name yet --------------------------------------------


@dataclass(frozen=True)
class Strangers:
    """Files that session.toml did not name: those `added` to it, each with its runner, and those of
    which only the coach can say whose they are, or what is wrong with them."""

    added: Mapping[str, str]
    unknown: Mapping[str, str]


def add_strangers(session: Session, whole: Look, before: Iterable[str] = ()) -> Strangers:
    """Add to session.toml what has arrived and whose owner is known: by the folder of a runner's
    id that it lies in, or by a unit's serial number that session.toml has with one runner only.

    The entry is written below everything else, and the file is replaced whole. `before` are files
    whose fate is known. Raises OutputError where it cannot be written.
    """
    folder = session.path.parent
    known = {os.path.normpath(spec.path) for spec in session.recordings}
    known |= {os.path.normpath(one.path) for one in session.observers}
    if session.sheet is not None:
        known.add(os.path.normpath(session.sheet))
    fresh = [
        file
        for file in list_files(folder)
        if folder / file in whole
        and os.path.normpath(folder / file) not in known
        and file not in set(before)
    ]
    if not fresh:
        return Strangers({}, {})
    owners = _serial_owners(session)
    entries, added, unknown = [], {}, {}
    for file in fresh:
        one = describe_file(folder, file)
        if one.kind in ("observer", "sheet"):
            continue
        runner = _runner_of_folder(session, file) or owners.get(one.unit.serial or "")
        if one.kind == "unread":
            unknown[file] = one.why
        elif runner is None:
            unknown[file] = ""
        else:
            added[file] = runner
            entries.append(recording_entry(one, runner, _usual_worn(session, runner), _notes(one)))
    if entries:
        _append(session.path, "".join(f"\n{entry}" for entry in entries))
    return Strangers(added, unknown)


def _runner_of_folder(session: Session, file: str) -> str | None:
    """The runner whose id the file's folder bears; capitals count only where they must."""
    name = folder_id(file)
    ids = [runner.id for runner in session.runners]
    alike = [one for one in ids if name is not None and one.casefold() == name.casefold()]
    if name in alike:
        return name
    return alike[0] if len(alike) == 1 else None


def _serial_owners(session: Session) -> dict[str, str]:
    listed = {spec.file: spec.runner for spec in session.recordings}
    units: dict[str, UnitName] = {}
    for spec in session.recordings:
        try:
            units[spec.file] = unit_of_file(spec.path)
        except RecordingError:
            continue
    return serial_owners(listed, units)


def _usual_worn(session: Session, runner: str) -> str:
    """Where the runner's units are worn; the upper back where none is known."""
    worn = [spec.worn for spec in session.recordings if spec.runner == runner]
    return worn[0] if len(set(worn)) == 1 else "upper-back"


def _notes(one: DeviceFile) -> Sequence[str]:
    return ["added by `batontrace watch`", *([one.why] if one.why else [])]


def _append(path: Path, text: str) -> None:
    """Write text below what the file holds; where a link leads, the file is replaced."""
    there = Path(os.path.realpath(path))
    content = document_bytes(there, SESSION_TOML)
    line_end = b"" if content.endswith(b"\n") else b"\n"
    made = content + line_end + text.encode()
    parse_session_toml(path, made)  # a file that another program has half written stays as it is
    whole_files.write_bytes(there, made, make_folder=False)
