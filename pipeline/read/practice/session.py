"""`read_session`: session.toml with its venue and practice sheet into one validated Session."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.base.file_systems import folded, refused_by_windows
from pipeline.base.values import Observer, Session, Venue
from pipeline.errors import SessionError
from pipeline.read.practice.documents import SESSION_TOML, document_bytes, text_of_bytes
from pipeline.read.practice.observer_cells import names_of_session
from pipeline.read.practice.observers import read_observer
from pipeline.read.practice.problems import combined_error, shortened_remarks
from pipeline.read.practice.races import other_event_remarks, race_lane_errors, races_of_document
from pipeline.read.practice.session_tables import (
    observer_of_table,
    recording_of_table,
    runner_of_table,
    session_head,
    stranger_errors,
    tap_of_table,
    unread_name_remarks,
)
from pipeline.read.practice.sheet import read_sheet
from pipeline.read.practice.toml_values import check_unique, made_tables, toml_tables
from pipeline.read.practice.venue import read_venue

# The parser's cost grows with the square of the number of names in a key.
_LONG_KEY = re.compile(r"""(?<![\w.-])(?:(?:[\w-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){30}""")


def read_session(path: Path, *, may_lack_recordings: bool = False) -> Session:
    """The session of a session.toml (or of its folder), with its sheet, venue and observers.

    The first file with problems stops the reading, with all of its problems in one SessionError
    (VenueError for the venue). A row of the sheet that cannot be used is left out, and a cell that
    cannot be read is passed over, each with a remark that names the line. So it is with what
    observers saw; an observer whose file cannot be read has seen nothing, and a remark says why.
    The files of recordings need not exist yet; with `may_lack_recordings` none need be named.

    Paths are relative to session.toml. They may lead to a folder beside the session's own
    (`../venues/north.geojson`) and no further, so that a session from elsewhere cannot point at
    anything on this machine. Unknown keys are passed over with a remark, unless they look like a
    known one misspelt.
    """
    path = Path(path)
    path = path / "session.toml" if os.path.isdir(path) else path
    document = parse_session_toml(path, document_bytes(path, SESSION_TOML))
    wrong: list[SessionError] = []
    remarks = shortened_remarks(path.name, unread_name_remarks(document, wrong))
    head = session_head(path, document, wrong)
    runners = made_tables(document, "runner", runner_of_table, wrong)
    # Even a runner that is wrong in something else is known to the recordings.
    runner_tables = toml_tables(document, "runner")
    ids = [t["id"].strip() for _, t in runner_tables if isinstance(t.get("id"), str)]
    check_unique("[[runner]]", "id", ids, wrong)
    strangers = stranger_errors(document, dict.fromkeys(ids))
    recordings = made_tables(
        document, "recording", partial(recording_of_table, path, strangers), wrong
    )
    check_unique("[[recording]]", "file", [os.path.normpath(s.path) for s in recordings], wrong)
    taps = made_tables(document, "sync", partial(tap_of_table, head.get("date")), wrong)
    listed = made_tables(
        document, "observer", partial(observer_of_table, path, head.get("date")), wrong
    )
    check_unique("[[observer]]", "id", [o.id for o in listed], wrong)
    check_unique("[[observer]]", "file", [os.path.normpath(o.path) for o in listed], wrong)
    races = races_of_document(document, head, wrong)
    wrong += [
        SessionError(f"[[{name}]]", "none", f"one [[{name}]] for each {name}")
        for name in ("runner", "recording")
        if not document.get(name) and not (name == "recording" and may_lack_recordings)
    ]
    if wrong:
        raise combined_error(SessionError, path, wrong)
    venue = read_venue(head["venue"])
    _check_session_lane(path, head["lane"], venue)
    if lane_errors := race_lane_errors(races, venue):
        raise combined_error(SessionError, path, lane_errors)
    remarks += other_event_remarks(races, head["event"])
    remarks += names_elsewhere([one.id for one in runners], [one.file for one in recordings])
    reps = None
    if head["reps"]:
        zones = {(s.lane, s.zone) for s in venue.zone_lines if s.zone is not None}
        reps, sheet_remarks = read_sheet(
            head["reps"], runners, zones, head["date"], head["lane"], head["time_zone"], races
        )
        remarks += sheet_remarks
    names = names_of_session(head["date"], runners, [s.id or "" for s in venue.gates], reps)
    observers: list[Observer] = []
    for listed_one in listed:
        observer, observer_remarks = read_observer(listed_one, names)
        observers.append(observer)
        remarks += observer_remarks
    return Session(
        path=path,
        id=head["id"],
        date=head["date"].isoformat(),
        event=head["event"],
        lane=head["lane"],
        venue=venue,
        runners=tuple(runners),
        recordings=tuple(recordings),
        taps=tuple(taps),
        reps=reps,
        remarks=tuple(remarks),
        sheet=head["reps"],
        observers=tuple(observers),
        time_zone=head["time_zone"],
        races=races,
    )


def parse_session_toml(path: Path, content: bytes) -> dict[str, Any]:
    """The tables of a session.toml as they are written; `path` is for the SessionError."""
    text = text_of_bytes(path, SESSION_TOML, content)
    if _LONG_KEY.search(text):
        raise SessionError(
            path,
            "more than thirty names joined by dots",
            "keys of one name",
            "correct that key; `batontrace template` writes a file to compare with",
        )
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise SessionError(path, "brackets nested too deep", "TOML of one or two levels") from None
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        slash = "Unescaped '\\'" in str(error)
        raise SessionError(
            path,
            f"not TOML: {error}",
            "key = value, with texts in quotes",
            "write / between folders, on Windows too"
            if slash
            else "correct that line; `batontrace template` writes a file to compare with",
        ) from None


def names_elsewhere(runners: Sequence[str], files: Sequence[str]) -> list[str]:
    """Remarks on names that Windows or a Mac refuses, or does not tell apart."""
    remarks = [
        f'runners "{one}" and "{other}" differ in capitals alone: are they two?'
        for one, other in _alike(runners)
    ]
    remarks += [
        f"files {one} and {other}: Windows and Macs take them for one; rename one of them before "
        "the session goes there"
        for one, other in _alike(files)
    ]
    for file in files:
        parts = re.split(r"[/\\]", file)
        reason = next(filter(None, map(refused_by_windows, parts)), "")
        if reason:
            remarks.append(
                f"file {file}: Windows cannot hold it, since its name {reason}; rename it before "
                "the session goes there"
            )
    return remarks


def _alike(names: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs of names that are two and that Windows or a Mac takes for one."""
    first: dict[str, str] = {}
    kept = [(first.setdefault(folded(name), name), name) for name in dict.fromkeys(names)]
    return [(one, other) for one, other in kept if one != other]


def _check_session_lane(path: Path, lane: int | None, venue: Venue) -> None:
    known = sorted({s.lane for s in venue.zone_lines})
    if lane is not None and known and lane not in known:
        raise SessionError(
            f"{path}, [session] lane",
            str(lane),
            f"a lane with zone lines in {venue.path.name}: {', '.join(map(str, known))}",
        )
