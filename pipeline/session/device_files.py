"""The files of a folder of device files: which are recordings, of which unit, and how each is read.

A coach empties the units into a folder, or each runner's unit into a folder of the runner's id
below it. What belongs to whom is told from that folder, from the serial number in the file, and
from names such as `unit3.csv` beside `unit3-imu.csv`; never from a guess that could give one
runner's track to another.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Literal

import numpy as np

from pipeline.base.values import Floats, Recording, RecordingSpec
from pipeline.errors import InputError
from pipeline.read import read
from pipeline.read.csv.reader import suggest_columns
from pipeline.read.units import UnitName, unit_of_file
from pipeline.read.unpacking import unpacked_recording
from pipeline.session.check import Stream, streams_of_recording

# Names of files that are no recordings, and of those that a copy in progress has.
OTHER_SUFFIXES = frozenset({
    ".toml", ".geojson", ".json", ".html", ".htm", ".md", ".rst", ".pdf", ".docx", ".py", ".zip",
    ".png", ".jpg", ".jpeg", ".heic", ".svg", ".mp4", ".mov", ".avi", ".xlsx", ".ods", ".numbers",
    ".parquet",
})  # fmt: skip
HALF_COPIED_SUFFIXES = frozenset(
    (".part", ".partial", ".filepart", ".crdownload", ".download", ".tmp", ".temp")
)
SHEET_NAMES = frozenset({"reps.csv"})
_PLAUSIBLE_REST_MPS2 = (7.0, 13.0)  # what a resting accelerometer shows: 9.8, and its errors
_STANDARD_ID = re.compile(r"[A-Za-z0-9_.-]{1,100}")
FileKind = Literal["recording", "observer", "sheet", "unread"]


@dataclass(frozen=True, eq=False)
class DeviceFile:
    """One file of the folder. `file` is its path from there, with slashes; `why` says what keeps it
    from being read, or what is to be checked. `recording` is None where it is none."""

    file: str
    kind: FileKind
    unit: UnitName = field(default_factory=UnitName)
    clock: Literal["gnss", "device"] = "gnss"
    columns: str | None = None  # the line of session.toml, where the headers are not plain
    recording: Recording | None = None
    streams: tuple[Stream, ...] = ()
    why: str = ""

    @property
    def has_places(self) -> bool:
        return any(stream.has_position for stream in self.streams)

    @property
    def span_s(self) -> tuple[float, float] | None:
        """First and last moment in UTC; None for a counter's."""
        known = [
            (one.first_utc_s, one.last_utc_s)
            for one in self.streams
            if one.first_utc_s is not None and one.last_utc_s is not None
        ]
        return (min(a for a, _ in known), max(b for _, b in known)) if known else None

    def spec(self, folder: Path, runner: str) -> RecordingSpec:
        """The file as a [[recording]] of a runner."""
        named = None if self.columns is None else _parsed_columns(self.columns)
        return RecordingSpec(runner, folder / self.file, self.file, clock=self.clock, columns=named)


# --- which files there are -------------------------------------------------------------


def list_files(folder: Path) -> list[str]:
    """The files of a folder and of the folders in it that may be recordings, by their paths from
    there with slashes, in order. Hidden files, and those whose names say that they are something
    else or still being copied, are passed over."""
    found = []
    for path in _files_below(folder):
        name = PurePosixPath(path).name
        suffixes = {suffix.casefold() for suffix in PurePosixPath(name).suffixes}
        if suffixes & (OTHER_SUFFIXES | HALF_COPIED_SUFFIXES) or name.endswith("~"):
            continue
        if path not in SHEET_NAMES and _is_text(path):
            found.append(path)
    return found


def _files_below(folder: Path) -> Iterator[str]:
    """Files in the folder and one folder below. A folder that has a session of its own is none of
    this one's, nor is one that holds tables."""
    for entry in sorted(os.scandir(folder), key=lambda one: one.name):
        if entry.name.startswith((".", "~$")):
            continue
        if entry.is_file():
            yield entry.name
        elif entry.is_dir() and not _holds_something_else(Path(entry.path)):
            inside = sorted(os.scandir(entry.path), key=lambda one: one.name)
            yield from (
                f"{entry.name}/{one.name}"
                for one in inside
                if one.is_file() and not one.name.startswith((".", "~$"))
            )


def _holds_something_else(folder: Path) -> bool:
    return any((folder / name).exists() for name in ("session.toml", "datapackage.json"))


def _is_text(name: str) -> bool:
    """Whether a name can stand in session.toml: bytes that are no text, or line breaks, cannot."""
    return name.isprintable()


# --- one file --------------------------------------------------------------------------


def describe_file(folder: Path, file: str) -> DeviceFile:
    """One file of the folder, read as it will be measured; never raises for what is in it."""
    path = folder / file
    try:
        return _describe_file(path, file)
    except Exception as err:
        why = f"cannot be read, by a defect of batontrace ({type(err).__name__}: {err})"
        return DeviceFile(file, "unread", why=f"{why}; please report it")


def _describe_file(path: Path, file: str) -> DeviceFile:
    try:
        unit = unit_of_file(path)
    except InputError:
        unit = UnitName()
    try:
        one = _read_plainly(path, file)
    except InputError as err:
        kind = _other_kind(path)
        if kind is not None:
            return DeviceFile(file, kind)
        guessed = _read_by_guess(path, file)
        if guessed is None:
            return DeviceFile(file, "unread", unit, why=_reason(err, path, file))
        one = guessed
    return replace(one, unit=unit)


def _read_plainly(path: Path, file: str) -> DeviceFile:
    return _device_file(file, read(path), None)


def _device_file(file: str, recording: Recording, columns: str | None) -> DeviceFile:
    bases = [one.basis for one in (recording.fixes, recording.imu) if one is not None]
    clock: Literal["gnss", "device"] = "gnss" if "utc" in bases else "device"
    spec = RecordingSpec("", recording.path, file)
    return DeviceFile(
        file,
        "recording",
        clock=clock,
        columns=columns,
        recording=_without_turn_rates(recording),
        streams=tuple(streams_of_recording(spec, recording)),
    )


def _without_turn_rates(recording: Recording) -> Recording:
    if recording.imu is None:
        return recording
    return replace(recording, imu=replace(recording.imu, gyro_radps=np.empty((0, 3))))


def _read_by_guess(path: Path, file: str) -> DeviceFile | None:
    """A CSV read by what its headers suggest; None where that leaves something open, or where what
    comes out cannot be right."""
    try:
        line = suggest_columns(path, unpacked_recording(path).data)
        if '"?"' in line:
            return None
        recording = read(path, _parsed_columns(line))
    except InputError:
        return None
    if recording.imu is not None and not _rests_plausibly(recording.imu.acc_mps2):
        return None
    return replace(
        _device_file(file, recording, line),
        why="columns and units are guessed from the headers: check each",
    )


def _rests_plausibly(acc_mps2: Floats) -> bool:
    low, high = _PLAUSIBLE_REST_MPS2
    return bool(low <= float(np.median(np.linalg.norm(acc_mps2, axis=1))) <= high)


def _parsed_columns(line: str) -> dict[str, dict[str, str]]:
    found: dict[str, Any] = tomllib.loads(line)["columns"]
    return {name: dict(entry) for name, entry in found.items()}


def _other_kind(path: Path) -> FileKind | None:
    """What a coach's CSV is by its headers, where it is no recording."""
    try:
        head = unpacked_recording(path).data[: 1 << 12].decode("utf-8-sig", "replace")
    except InputError:
        return None
    names = {re.sub(r"[\s-]+", "_", cell.strip('" ').casefold()) for cell in re.split(
        "[,;\t]", head.splitlines()[0] if head.splitlines() else ""
    )}  # fmt: skip
    if "event" in names and names & {"time_s", "time_utc", "place_m"}:
        return "observer"
    return "sheet" if {"incoming", "outgoing"} <= names else None


def _reason(error: InputError, path: Path, file: str) -> str:
    """Why a file cannot be read, without the folders above it, which may bear a person's name."""
    return "; ".join(error.lines).replace(str(path), file).removeprefix(f"{file}: ")


# --- whose each file is ----------------------------------------------------------------


def group_by_unit(files: Sequence[DeviceFile]) -> list[list[DeviceFile]]:
    """The recordings, those of one unit together, in the order of their first file.

    Of one unit are files of one folder below, files with one serial number (unless they hold
    tracks of the same time: then the number is every unit's), and an inertial file whose name is
    that of a track with something behind it. An inertial file that fits none is a group of its own.
    """
    recordings = [one for one in files if one.kind == "recording"]
    groups: list[list[DeviceFile]] = []
    shared = _numbers_of_several(recordings)
    for one in recordings:
        home = next((own for own in groups if _are_of_one_unit(own, one, shared)), None)
        if home is None:
            groups.append([one])
        else:
            home.append(one)
    return _with_inertial_files(groups)


def _are_of_one_unit(own: Iterable[DeviceFile], one: DeviceFile, shared: frozenset[str]) -> bool:
    folder = _folder_of(one)
    serial = one.unit.serial
    return any(
        (folder != "" and _folder_of(other) == folder)
        or (
            folder == _folder_of(other) == ""
            and serial is not None
            and serial == other.unit.serial
            and serial not in shared
        )
        for other in own
    )


def _numbers_of_several(recordings: Sequence[DeviceFile]) -> frozenset[str]:
    """Serial numbers that tracks of the same time have: a maker wrote one into every unit."""
    found = set()
    for i, one in enumerate(recordings):
        for other in recordings[i + 1 :]:
            if (
                one.unit.serial is not None
                and one.unit.serial == other.unit.serial
                and one.has_places
                and other.has_places
                and overlap(one.span_s, other.span_s)
            ):
                found.add(one.unit.serial)
    return frozenset(found)


def overlap(one: tuple[float, float] | None, other: tuple[float, float] | None) -> bool:
    """Whether two spans of time [s] have a part in common; an unknown one might."""
    return one is None or other is None or (one[0] < other[1] and other[0] < one[1])


def _with_inertial_files(groups: list[list[DeviceFile]]) -> list[list[DeviceFile]]:
    """The groups with each inertial file that is alone put to the track that its name begins with,
    where that is one."""
    placed = [own for own in groups if any(one.has_places for one in own)]
    left = []
    for own in groups:
        if own in placed:
            left.append(own)
            continue
        homes = [
            other
            for other in placed
            if any(_names_belong(track, one) for track in other for one in own)
        ]
        if len(homes) == 1:
            homes[0].extend(own)
        else:
            left.append(own)
    return left


def _names_belong(track: DeviceFile, inertial: DeviceFile) -> bool:
    first, second = stem_of(track.file), stem_of(inertial.file)
    return bool(re.fullmatch(re.escape(first) + r"[-_. ]\w.*", second))


def stem_of(file: str) -> str:
    """A file's name without folders and endings, in small letters."""
    name = PurePosixPath(file).name
    return name[: len(name) - len("".join(PurePosixPath(name).suffixes))].casefold() or name


def _folder_of(one: DeviceFile) -> str:
    parent = PurePosixPath(one.file).parent.as_posix()
    return "" if parent == "." else parent


def folder_id(file: str) -> str | None:
    """The runner's id that the folder of a file names; None where it lies in none, or the folder's
    name can be no id."""
    parent = PurePosixPath(file).parent.as_posix()
    good = parent != "." and _STANDARD_ID.fullmatch(parent) and parent.strip(".")
    return parent if good else None


# --- as session.toml has them ----------------------------------------------------------


def recording_entry(one: DeviceFile, runner: str, worn: str, notes: Sequence[str] = ()) -> str:
    """The [[recording]] of a file, with what its file says of the unit in a comment."""
    unit = ", ".join(
        [
            *([] if one.unit.serial is None else [f"serial {one.unit.serial}"]),
            *([] if one.unit.name is None else [toml_text(one.unit.name)]),
        ]
    )
    lines = [
        "[[recording]]",
        f"runner = {toml_text(runner)}",
        f"file = {toml_text(one.file)}" + (f"  # {unit}" if unit else ""),
        f"worn = {toml_text(worn)}",
        *([f"clock = {toml_text(one.clock)}"] if one.clock != "gnss" else []),
        *([one.columns] if one.columns is not None else []),
    ]
    return "\n".join([*(f"# {comment_text(note)}" for note in notes), *lines]) + "\n"


def toml_text(text: str) -> str:
    """A text in quotes, as TOML has it (TOML 1.0, "Strings")."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def comment_text(text: str) -> str:
    """A text that keeps to its line of a comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def serial_owners(listed: Mapping[str, str], units: Mapping[str, UnitName]) -> dict[str, str]:
    """The runner of each serial number, by the files that are listed ({file: runner}); a number of
    several runners is nobody's."""
    owners: dict[str, set[str]] = {}
    for file, runner in listed.items():
        serial = units[file].serial if file in units else None
        if serial is not None:
            owners.setdefault(serial, set()).add(runner)
    return {serial: own.pop() for serial, own in owners.items() if len(own) == 1}
