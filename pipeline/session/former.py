"""The tables of a session that lie in OUT already, and what may take their place.

Recordings are archived, deleted or damaged after they were measured. A new run then finds fewer
takeovers than the tables hold. Such a run never replaces them unless the user insists.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.base.asking import in_words
from pipeline.base.values import Session
from pipeline.base.words import count
from pipeline.errors import FewerInputsError, OutputError
from pipeline.tables import folders, provenance, reading
from pipeline.tables.places import Place

INSIST = "give --anyway to replace them all the same"


@dataclass(frozen=True)
class FormerTables:
    """A session's tables as they lie in OUT: the SHA-256 of their inputs by name, how many
    takeovers they hold, which recordings could be read, and which observers had seen something."""

    inputs: Mapping[str, str | None]
    takeovers: int
    files_read: frozenset[str]
    observers_read: frozenset[str] = frozenset()


def read_record(target: Place, session: str) -> dict[str, Any] | None:
    """The provenance record of a session's tables; None where it cannot be read."""
    return reading.read_session_record(target, session)


def read_former(target: Place, session: str) -> FormerTables | None:
    """What the session's tables in `target` hold; None where there is no such table or record."""
    record = read_record(target, session)
    if record is None or target.stat(folders.part_file("exchanges", session)) is None:
        return None
    return FormerTables(
        inputs=provenance.input_hashes(record),
        takeovers=provenance.table_rows(record, "exchanges"),
        files_read=frozenset(
            row["file"] for row in _stored_rows(target, session, "recordings") if row["samples"]
        ),
        observers_read=frozenset(
            row["observer"] for row in _stored_rows(target, session, "observations")
        ),
    )


def _stored_rows(target: Place, session: str, table: str) -> list[dict[str, Any]]:
    """A table's rows; none where it cannot be read, or is of a version that did not have it."""
    try:
        (found,) = reading.read_session_tables(target, session, (table,)).values()
    except OutputError:
        return []
    return list(found.table.to_pylist())


def missing_inputs(
    before: Mapping[str, str | None],
    now: Mapping[str, str | None],
    lies_there: Callable[[str], bool],
) -> tuple[str, ...]:
    """The inputs of the former tables that are not there any more, by name.

    `before` and `now` hold the SHA-256 of inputs by name. A file that was only renamed is not
    missing. Nor is one that still lies there (`lies_there`) and that session.toml names no longer:
    whoever wrote that has asked for it.
    """
    contents = set(now.values())
    return tuple(
        name
        for name, sha256 in sorted(before.items())
        if name not in now and sha256 not in contents and not lies_there(name)
    )


def refuse_missing_inputs(
    session: Session, former: FormerTables, now: Mapping[str, str | None]
) -> None:
    """Raise FewerInputsError where inputs of the former tables are missing, or an observer's file
    that could be read before cannot be read now."""
    folder = session.path.parent
    missing = missing_inputs(former.inputs, now, lambda name: os.path.isfile(folder / name))
    if missing:
        raise FewerInputsError(
            session.path,
            f"missing now: {in_words(missing)}; the tables there "
            f"({count(former.takeovers, 'takeover')}) were made from more and are kept",
            do=f"put back what is missing, or {INSIST}",
        )
    blind = [one for one in session.observers if not one.sightings]
    _refuse_files(session, former, [one.file for one in blind if one.id in former.observers_read])


def refuse_unreadable(session: Session, former: FormerTables, unread: Sequence[str]) -> None:
    """Raise FewerInputsError where a recording that could be read before cannot be read now."""
    _refuse_files(session, former, [name for name in unread if name in former.files_read])


def _refuse_files(session: Session, former: FormerTables, unread: Sequence[str]) -> None:
    """Raise FewerInputsError for files on which the former tables rest and that are no use now."""
    lost = list(dict.fromkeys(unread))
    if lost:
        raise FewerInputsError(
            session.path,
            f"{in_words(lost)} could be read before and cannot be read now; the tables there "
            f"({count(former.takeovers, 'takeover')}) are kept",
            do=f"put back the file as it was, or {INSIST}",
        )


def compare_takeovers(
    session: Session, former: FormerTables, takeovers: int, now: Mapping[str, str | None]
) -> str | None:
    """A remark where there are fewer takeovers than before; None where there are not.

    Raises FewerInputsError where a recording is another than before: it may have been cut short.
    Where only the sheet, the settings or the version changed, the fewer takeovers are meant, or
    are the better answer.
    """
    if takeovers >= former.takeovers:
        return None
    counted = f"{count(takeovers, 'takeover')} now, {former.takeovers} in the tables before"
    names = [provenance.input_name(spec.path, session.path) for spec in session.recordings]
    changed = [name for name in names if former.inputs.get(name, now[name]) != now[name]]
    if changed:
        raise FewerInputsError(
            session.path,
            f"{in_words(changed)} changed, and there are fewer takeovers ({counted}); the tables "
            "there are kept",
            do=f"look whether a recording was cut short, or {INSIST}",
        )
    return counted
