"""Call-outs stored in a session's practice sheet, whole or not at all, by one writer at a time."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.errors import DiskError, SessionError, VenueError
from pipeline.read.practice.documents import PRACTICE_SHEET, SESSION_TOML, document_bytes
from pipeline.read.practice.problems import combined_error
from pipeline.read.practice.races import races_of_document
from pipeline.read.practice.session import parse_session_toml
from pipeline.read.practice.session_tables import runner_of_table, session_head
from pipeline.read.practice.toml_values import made_tables
from pipeline.read.practice.venue import read_venue
from pipeline.session.call_outs import CallOut, SheetSetting
from pipeline.session.sheet_text import NEW_SHEET, Clash, MergedSheet, merge_call_outs
from pipeline.tables import whole_files, work_folder


def read_setting(path: Path) -> SheetSetting:
    """What a session.toml says around its sheet. Recordings, and even a venue, need not exist yet.

    Raises SessionError where the session names no sheet, or something else in it is wrong.
    """
    path = path / "session.toml" if os.path.isdir(path) else path
    document = parse_session_toml(path, document_bytes(path, SESSION_TOML))
    wrong: list[SessionError] = []
    head = session_head(path, document, wrong)
    runners = made_tables(document, "runner", runner_of_table, wrong)
    races = races_of_document(document, head, wrong)
    if wrong:
        raise combined_error(SessionError, path, wrong)
    if head["reps"] is None:
        raise SessionError(
            f"{path}, [session] reps",
            "missing, so there is no practice sheet to write to",
            'reps = "reps.csv"',
            'add the line reps = "reps.csv" below [session]; the file itself is made then',
        )
    zones: frozenset[tuple[int, int]] = frozenset()
    try:
        lines = read_venue(head["venue"]).zone_lines
        zones = frozenset((one.lane, one.zone) for one in lines if one.zone is not None)
    except VenueError:
        pass  # `check` says so; what is called out is stored all the same
    return SheetSetting(
        path=head["reps"],
        runners=tuple(runners),
        zones=zones,
        date=head["date"],
        time_zone=head["time_zone"],
        races=races,
        session=head["id"],
        event=head["event"],
        lane=head["lane"],
    )


def store_call_outs(
    setting: SheetSetting,
    call_outs: Sequence[CallOut],
    may_replace: Callable[[Clash], bool],
    *,
    dry_run: bool = False,
) -> MergedSheet:
    """Merge call-outs into the sheet and write it, all of them or, where one clashes, none.

    `may_replace` says of a cell that holds something else whether it may be overwritten. The sheet
    is made where there is none. Others that store at the same time wait for their turn. Raises
    UsageError, SessionError or OutputError; the sheet is then as it was.
    """
    # Where a link leads, the file is replaced and the link stays.
    path = Path(os.path.realpath(setting.path))
    if dry_run:
        return merge_call_outs(path, _sheet_content(path), call_outs, may_replace)
    try:
        with work_folder.exclusive(path.parent):
            former = _sheet_content(path)
            merged = merge_call_outs(path, former, call_outs, may_replace)
            if not merged.clashes and (merged.content != former or not path.exists()):
                whole_files.write_bytes(path, merged.content, make_folder=False)
            return merged
    except OSError as err:
        raise DiskError(
            path,
            f"cannot be written ({err.strerror or err})",
            "a folder with room and the right to write",
            "nothing was changed",
        ) from err


def _sheet_content(path: Path) -> bytes:
    """The sheet's bytes; those of a new one where there is none, or an empty one."""
    if not os.path.lexists(path):
        return NEW_SHEET
    content = document_bytes(path, PRACTICE_SHEET)
    return content if content.strip() else NEW_SHEET
