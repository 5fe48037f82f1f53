"""A session made from a folder of device files: session.toml, an empty sheet, a copy of the venue.

What can be told from the files is written down; what cannot stands there as a note that says what
to do. Nothing that lies in the folder is ever overwritten.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, tzinfo
from itertools import pairwise
from pathlib import Path

import numpy as np

from pipeline.base.asking import either, one_of
from pipeline.base.file_systems import folded, refused_by_windows
from pipeline.base.values import Progress, Venue
from pipeline.errors import BatontraceError, OutputError, UsageError
from pipeline.read.practice.documents import VENUE_GEOJSON, document_bytes
from pipeline.read.practice.time_zones import zone_named
from pipeline.read.practice.venue import read_venue
from pipeline.session.device_files import (
    DeviceFile,
    comment_text,
    describe_file,
    folder_id,
    group_by_unit,
    list_files,
    recording_entry,
    toml_text,
)
from pipeline.session.sheet_text import NEW_SHEET
from pipeline.session.traced_lane import RELAYS, TracedLane, trace_lane
from pipeline.tables import whole_files

SESSION_FILE, SHEET_FILE, VENUE_FILE = "session.toml", "reps.csv", "venue.geojson"
WORN = ("upper-back", "waist", "left-wrist", "right-wrist")
_MOST_HOURS_OFF = 3.0  # of a clock from the sun's; no zone of the earth's is farther off
_ID = re.compile(r"[A-Za-z0-9_.-]{1,100}")


@dataclass(frozen=True)
class Wanted:
    """What the coach says beside the files.

    `runners` and `worn` by file or folder; `feet_m`, foot-lengths by runner [m]; the `team` whose
    files may come later; the machine's `time_zone` (None: not known); the session's `day`, `event`
    and `venue` where they are not to be told from the files.
    """

    runners: Mapping[str, str]
    worn: Mapping[str, str]
    feet_m: Mapping[str, float] = field(default_factory=dict)
    team: Sequence[str] = ()
    time_zone: str | None = None
    day: date | None = None
    event: str | None = None
    venue: Path | None = None


@dataclass(frozen=True, eq=False)
class NewFile:
    """One file of the folder as the coach is told of it. `runner` is None where it is not known, or
    where the file is not used; `place` is the lane and the zones that its traces suggest."""

    found: DeviceFile
    runner: str | None
    worn: str
    place: tuple[int, tuple[int, ...]] | None = None


@dataclass(frozen=True, eq=False)
class NewSession:
    """A session as it was written. `time_zone` is None where the machine's cannot be the track's;
    `venue` where there is none yet; `kept` are files that lay there already."""

    path: Path
    id: str
    day: date
    time_zone: str | None
    venue: str | None
    lane: TracedLane
    runners: tuple[str, ...]
    feet_m: Mapping[str, float]
    files: tuple[NewFile, ...]
    written: tuple[Path, ...]
    kept: tuple[Path, ...]
    remarks: tuple[str, ...]

    @property
    def local_zone(self) -> tzinfo:
        return zone_named(self.time_zone)


def make_new_session(
    folder: Path,
    wanted: Wanted,
    today: date | None = None,
    *,
    progress: Progress | None = None,
) -> NewSession:
    """Read every file of the folder and write session.toml, and reps.csv where there is none.

    `progress` hears which file is read, how many are and how many there are.
    Raises UsageError where session.toml is there, where nothing is in the folder and no team was
    named, or where an option names what is not there; OutputError where the folder cannot be
    written to.
    """
    path = folder / SESSION_FILE
    if os.path.lexists(path):
        raise UsageError(
            path, "exists already", "a folder without it", "delete it first, or edit it by hand"
        )
    found = _describe_files(folder, progress)
    _refuse_unknown(wanted, found)
    zone = zone_named(wanted.time_zone)
    day = wanted.day or _usual_day(found, zone) or today or datetime.now(zone).date()
    used, others = _of_the_day(found, day, zone)
    owned = _owners(used, wanted)
    runners = tuple(dict.fromkeys([*(own for _, own in owned if own is not None), *wanted.team]))
    if not runners:
        raise UsageError(
            folder,
            "no recording in it" + (f" ({found[0].why})" if len(found) == 1 else ""),
            "files of the runners' units, or --team with the runners",
            "copy the units' files there, or name who runs: --team robin,wren,finch,jay",
        )
    for runner in wanted.feet_m:
        if runner not in runners:
            raise UsageError(f"--foot {runner}", "no such runner", one_of(runners, runner))
    remarks: list[str] = []
    venue_name, venue, copied = _find_venue(folder, wanted.venue, remarks)
    lane = _suggested_lane(folder, owned, venue, wanted, remarks)
    time_zone = _time_zone_of_place(wanted.time_zone, owned, remarks)
    files = [
        NewFile(one, own, wanted_worn(one.file, wanted), lane.by_runner.get(own or ""))
        for one, own in owned
    ]
    files += [NewFile(one, None, wanted_worn(one.file, wanted)) for one in others]
    made = NewSession(
        path=path,
        id=session_id_of(folder, day),
        day=day,
        time_zone=time_zone,
        venue=venue_name,
        lane=lane,
        runners=runners,
        feet_m=wanted.feet_m,
        files=tuple(sorted(files, key=lambda one: one.found.file)),
        written=(),
        kept=(),
        remarks=tuple(remarks),
    )
    return _store(folder, made, copied)


def _describe_files(folder: Path, progress: Progress | None) -> list[DeviceFile]:
    files = list_files(folder) if folder.is_dir() else []
    found = []
    for number, file in enumerate(files):
        if progress is not None:
            progress(f"read {file}", number, len(files))
        found.append(describe_file(folder, file))
    return found


def _store(folder: Path, made: NewSession, venue: bytes | None) -> NewSession:
    contents = {folder / SESSION_FILE: session_text(made).encode()}
    contents[folder / SHEET_FILE] = NEW_SHEET
    if venue is not None:
        contents[folder / VENUE_FILE] = venue
    kept = tuple(path for path in contents if os.path.lexists(path))
    written = tuple(path for path in contents if path not in kept)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not any(one.found.kind == "recording" for one in made.files):
            for runner in made.runners:  # where each one's files go
                (folder / runner).mkdir(exist_ok=True)
    except OSError as err:
        raise OutputError(folder, f"cannot be written ({err.strerror})", "a folder") from err
    for path in written:
        whole_files.write_bytes(path, contents[path], make_folder=False)
    return replace(made, written=written, kept=kept)


# --- whose and when --------------------------------------------------------------------


def wanted_worn(file: str, wanted: Wanted) -> str:
    """Where a unit was worn, as it was said for its file or its folder; else the upper back."""
    return wanted.worn.get(file) or wanted.worn.get(folder_id(file) or "") or WORN[0]


def _refuse_unknown(wanted: Wanted, found: Sequence[DeviceFile]) -> None:
    """Raise UsageError where an option names no file or folder, or no runner's id."""
    names = {one.file for one in found} | {folder_id(one.file) for one in found} - {None}
    for option, values in (("--runner", wanted.runners), ("--worn", wanted.worn)):
        for name, value in values.items():
            if name not in names:
                known = sorted(name for name in names if name is not None)
                raise UsageError(f"{option} {name}={value}", "no such file", one_of(known, name))
    for name, value in wanted.worn.items():
        if value not in WORN:
            raise UsageError(f"--worn {name}={value}", f'"{value}"', either(WORN))
    for option, ids in (("--runner", wanted.runners.values()), ("--team", wanted.team)):
        for one in ids:
            if not _ID.fullmatch(one) or not one.strip("."):
                raise UsageError(
                    f"{option} {one}", f'"{one}"', "letters, digits, '-', '_' and '.', at most 100"
                )
            if reason := refused_by_windows(one):  # the runner's files go into a folder of that id
                raise UsageError(
                    f"{option} {one}", reason, "an id that can name a folder on Windows too"
                )
    for one, other in pairwise(sorted({*wanted.team, *wanted.runners.values()}, key=folded)):
        if folded(one) == folded(other):
            raise UsageError(
                f"{one} and {other}",
                "differ in capitals alone",
                "ids that Windows and Macs take for the names of two folders",
            )


def _usual_day(found: Sequence[DeviceFile], zone: tzinfo) -> date | None:
    """The day of most recordings, the newest of several; None where none of them tells it."""
    days = Counter(
        datetime.fromtimestamp(one.span_s[0], zone).date() for one in found if one.span_s
    )
    return max(days, key=lambda day: (days[day], day)) if days else None


def _of_the_day(
    found: Sequence[DeviceFile], day: date, zone: tzinfo
) -> tuple[list[DeviceFile], list[DeviceFile]]:
    """The recordings of the day, or of no known day; and the other files, with the reason."""
    used, others = [], []
    for one in found:
        if one.kind != "recording":
            others.append(one)
            continue
        if one.span_s is not None:
            days = {datetime.fromtimestamp(moment, zone).date() for moment in one.span_s}
            if day not in days:
                others.append(replace(one, why=f"of another day, {min(days)}"))
                continue
        used.append(one)
    return used, others


def _owners(used: Sequence[DeviceFile], wanted: Wanted) -> list[tuple[DeviceFile, str | None]]:
    """Each recording with its runner: as it was said, as its folder is called, else a pseudonym for
    its unit; None for an inertial file of nobody's."""
    taken = {*wanted.runners.values(), *wanted.team, *(folder_id(one.file) for one in used)}
    fresh = (name for k in range(1, 10_000) if (name := f"runner-{k}") not in taken)
    owned: list[tuple[DeviceFile, str | None]] = []
    for own in group_by_unit(used):
        said = [
            wanted.runners.get(one.file) or wanted.runners.get(folder_id(one.file) or "")
            for one in own
        ]
        folders = [folder_id(one.file) for one in own]
        unit = next(filter(None, [*said, *folders]), None)
        if unit is None and any(one.has_places for one in own):
            unit = next(fresh)
        owned += [(one, who or unit) for one, who in zip(own, said, strict=True)]
    return owned


def session_id_of(folder: Path, day: date) -> str:
    """The folder's name with the letters that an id may have; the day where none is left."""
    plain = unicodedata.normalize("NFKD", folder.resolve().name)
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    made = re.sub(r"[^A-Za-z0-9_.-]+", "-", plain).strip("-.")[:100]
    return made or f"session-{day.isoformat()}"


# --- where -----------------------------------------------------------------------------


def _find_venue(
    folder: Path, asked: Path | None, remarks: list[str]
) -> tuple[str | None, Venue | None, bytes | None]:
    """The venue's name in session.toml, the venue, and its bytes where it is to be copied there."""
    if asked is not None:
        venue = read_venue(asked)  # raises before anything is written
        if asked.resolve().parent == folder.resolve():
            return asked.name, venue, None
        copied = folder / VENUE_FILE
        if os.path.lexists(copied):
            raise UsageError(
                f"--venue {asked}", f"{copied} is there already", "one venue", "leave --venue out"
            )
        return VENUE_FILE, venue, document_bytes(asked, VENUE_GEOJSON)
    there = sorted(path.name for path in folder.glob("*.geojson")) if folder.is_dir() else []
    name = VENUE_FILE if VENUE_FILE in there else (there[0] if len(there) == 1 else None)
    if name is None:
        return None, None, None
    try:
        return name, read_venue(folder / name), None
    except BatontraceError as err:
        remarks.append(err.message_from(folder))
        return name, None, None


def _suggested_lane(
    folder: Path,
    owned: Sequence[tuple[DeviceFile, str | None]],
    venue: Venue | None,
    wanted: Wanted,
    remarks: list[str],
) -> TracedLane:
    if venue is None:
        return TracedLane(wanted.event or RELAYS[0])
    pairs = [
        (one.spec(folder, own), one.recording)
        for one, own in owned
        if own is not None and one.recording is not None
    ]
    try:
        traced = trace_lane(venue, pairs, wanted.event)
    except BatontraceError as err:
        remarks.append(err.message_from(folder))
        return TracedLane(wanted.event or RELAYS[0])
    if traced.lane is not None:
        remarks.append("the lane is what the satellites suggest; they may be a lane off")
    return traced


def _time_zone_of_place(
    time_zone: str | None, owned: Sequence[tuple[DeviceFile, str | None]], remarks: list[str]
) -> str | None:
    """The machine's zone where it can be the track's, by the sun; else None, with a remark."""
    if time_zone is None:
        return None
    for one, _ in owned:
        if one.span_s is None or one.recording is None or one.recording.fixes is None:
            continue
        east_deg = one.recording.fixes.longitude_deg
        east_deg = east_deg[np.isfinite(east_deg)]
        offset = datetime.fromtimestamp(one.span_s[0], zone_named(time_zone)).utcoffset()
        if not len(east_deg) or offset is None:
            continue
        apart_h = offset.total_seconds() / 3600.0 - float(np.median(east_deg)) / 15.0
        if abs((apart_h + 12.0) % 24.0 - 12.0) <= _MOST_HOURS_OFF:
            return time_zone
        remarks.append(
            f"this machine's time zone, {time_zone}, cannot be the track's: write time_zone into "
            "session.toml"
        )
        return None
    return time_zone


# --- the text --------------------------------------------------------------------------


def session_text(made: NewSession) -> str:
    """The text of session.toml: what was found, and in notes what the coach may change."""
    lane = made.lane
    where = [f"lane = {lane.lane}" if lane.lane is not None else "# lane = 4"]
    if lane.lane is not None:
        where[0] += f"  # of {lane.takeovers_there} of the {lane.takeovers} takeovers in the traces"
    if made.time_zone is None:
        zone = (
            '# time_zone = "Europe/Zurich"  # times without a zone in reps.csv are UTC without it'
        )
    else:
        zone = f"time_zone = {toml_text(made.time_zone)}  # of this machine; times in reps.csv"
    lines = [
        "# Written by `batontrace new`. A line that starts with '#' is a note, or can be switched",
        "# on by deleting the '#'. `batontrace template` shows everything that can stand here.",
        "#",
        "# Takeovers are run at full speed. Warm up well, build the speed up in steps from rep to",
        "# rep, keep the lanes clear, and stop on pain. The coach, the competition's rules and",
        "# local codes decide. Runners' data is personal: pseudonyms serve as ids.",
        "",
        "[session]",
        f"id = {toml_text(made.id)}  # unique in a season",
        f"date = {made.day.isoformat()}",
        zone,
        f"venue = {toml_text(made.venue or VENUE_FILE)}"
        + ("" if made.venue else "  # still to be made: `batontrace venue`"),
        f"event = {toml_text(lane.event)}",
        *where,
        f"reps = {toml_text(SHEET_FILE)}",
        "",
        "# One [[runner]] each. Change an id here and in each [[recording]] below alike.",
    ]
    for runner in made.runners:
        known = made.feet_m.get(runner)
        foot = "# foot_m = 0.28" if known is None else f"foot_m = {known:g}"
        lines += [
            "[[runner]]",
            f"id = {toml_text(runner)}",
            f"{foot}  # shoe length, for marks counted in foot-lengths",
            "",
        ]
    text = "\n".join(lines)
    for one in sorted(made.files, key=lambda one: one.runner is None):
        text += "\n" + _file_text(one)
    if not any(one.runner is not None for one in made.files):
        text += (
            "\n# No recordings yet. `batontrace watch` adds each file that is put into a folder\n"
            "# of the runner's id; `batontrace template` shows how to write one by hand.\n"
        )
    return text


def _file_text(one: NewFile) -> str:
    """The entry of a file, switched off where it is not used."""
    found = one.found
    notes = [found.why] if found.why else []
    if found.kind == "recording" and one.runner is not None:
        return recording_entry(found, one.runner, one.worn, notes)
    if found.kind == "observer":
        return _switched_off(
            [f"{found.file}: what somebody saw; its reps must be those of reps.csv"],
            f'[[observer]]\nid = "{Path(found.file).stem}"\nkind = "film"  # film, gates, watch\n'
            f"file = {toml_text(found.file)}\n",
        )
    if found.kind == "sheet":
        return f"# {comment_text(found.file)}: a practice sheet; name it as reps in [session]\n"
    if found.kind == "recording":
        notes = notes or ["whose it is cannot be told"]
    entry = recording_entry(replace(found, columns=found.columns), "?", one.worn)
    return _switched_off([f"{found.file}: {'; '.join(notes)}"], entry)


def _switched_off(notes: Collection[str], entry: str) -> str:
    lines = [*map(comment_text, notes), *entry.splitlines()]
    return "".join(f"# {line}\n" for line in lines)
