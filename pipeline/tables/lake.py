"""Reading all sessions of an OUT together, and the tables of decisions made from them.

`read_lake` gives the takeovers and speed curves of every session, or of one, `read_observations`
what observers saw in every session; `read_decision` gives back a table of decisions. Tables are
written by writing.py.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.base.asking import one_of
from pipeline.errors import BatontraceError, InputError, OutputError, UsageError
from pipeline.tables import compacting, folders, reading, schema, whole_files, writing
from pipeline.tables.parquet_content import MOST_FILE_BYTES
from pipeline.tables.places import Folder, Out, Place, as_place
from pipeline.tables.provenance import MOST_RECORD_BYTES, parse_record, provenance_of_hashes

_LAKE_TABLES = ("exchanges", "speed_curves")
_SEEN_TABLES = ("observations",)
_BEFORE_ALL = -(2**63)  # when a session without takeovers had its last


@dataclass(frozen=True, eq=False)
class Lake:
    """What the sessions of one OUT measured.

    `exchanges` (by `zero_utc`) and `curves` (session by session) have the columns of the tables
    `exchanges` and `speed_curves`, `session` included. `inputs` gives the SHA-256 of each file
    read, named from OUT. `remarks` says which sessions were left out, and why.
    """

    place: Place
    exchanges: pa.Table
    curves: pa.Table
    inputs: Mapping[str, str]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class SeenLake:
    """What observers saw in the sessions of one OUT: the table `observations`, `session` included.

    `inputs` and `remarks` are as those of a Lake. `too_old` counts the sessions that were measured
    before there was such a table.
    """

    place: Place
    observations: pa.Table
    inputs: Mapping[str, str]
    remarks: tuple[str, ...] = ()
    too_old: int = 0


def read_lake(out: Out, only: str | None = None, *, with_curves: bool = True) -> Lake:
    """Every session in `out`, or the one named `only`; without curves, `curves` is empty.

    A session that cannot be used is left out with a remark. Raises InputError where no session is
    left or `only` cannot be used, UsageError where `only` is not there.
    """
    place = as_place(out)
    there = session_ids(place)
    finish_interrupted(place)
    if only is not None and there:
        require_session(place, only, there)
        there = [only]
    names = _LAKE_TABLES if with_curves else _LAKE_TABLES[:1]
    sessions, remarks = _read_sessions(place, there, names, all_needed=only is not None)
    if not sessions:
        raise _no_session(place, remarks)
    exchanges = pa.concat_tables([one.tables["exchanges"] for one in sessions])
    return Lake(
        place,
        exchanges.sort_by([(name, "ascending") for name in ("zero_utc", "session", "exchange")]),
        pa.concat_tables([one.tables["speed_curves"] for one in sessions])
        if with_curves
        else schema.empty_table("speed_curves"),
        _inputs_of(sessions),
        tuple(remarks),
    )


def read_observations(out: Out) -> SeenLake:
    """What observers saw in every session of `out`, by session.

    A session that cannot be used is left out with a remark, one from before this table is counted.
    Raises InputError where no session can be used, old ones included.
    """
    place = as_place(out)
    there = session_ids(place)
    finish_interrupted(place)
    old = [session for session in there if is_before(place, session, "observations")]
    newer = [session for session in there if session not in set(old)]
    sessions, remarks = _read_sessions(place, newer, _SEEN_TABLES)
    if not sessions and not old:
        raise _no_session(place, remarks)
    none = schema.empty_table("observations")
    return SeenLake(
        place,
        pa.concat_tables([none, *(one.tables["observations"] for one in sessions)]),
        _inputs_of(sessions),
        tuple(remarks),
        len(old),
    )


def is_before(place: Place, session: str, table_name: str) -> bool:
    """Whether the run that measured a session knew no such table yet."""
    place = place
    if place.stat(folders.part_file(table_name, session), follow=False) is not None:
        return False
    record = reading.read_session_record(place, session) or {}
    tables = record.get("tables")
    return not (isinstance(tables, Mapping) and table_name in tables)


def read_legs(out: Out) -> tuple[pa.Table, tuple[str, ...]]:
    """The table `legs` of every session of `out`, and a remark for each that cannot be read."""
    place = as_place(out)
    parts, remarks = [schema.empty_table("legs")], []
    for session in session_ids(place):
        try:
            parts.append(read_session_table(place, session, "legs"))
        except InputError as err:
            remarks.append(f"legs of session {session} were left out: {err.message_from(place)}")
    return pa.concat_tables(parts), tuple(remarks)


def lake_provenance(
    lake: Lake | SeenLake, settings: Mapping[str, Any], command: Sequence[str]
) -> dict[str, Any]:
    """What a decision rests on: hashes of the files `read_lake` took, settings, versions, time."""
    return provenance_of_hashes(lake.inputs, settings, command)


def read_session_table(out: Out, session: str, table_name: str) -> pa.Table:
    """One table of a session; empty where it was measured before there was that table.

    Raises InputError where the table is missing or broken.
    """
    place = as_place(out)
    if is_before(place, session, table_name):
        return schema.empty_table(table_name)
    try:
        (found,) = reading.read_session_tables(place, session, (table_name,)).values()
    except OutputError as err:
        raise InputError(err.where, err.found, err.expected, err.do) from err
    return found.table


def read_decision(out: Out, table_name: str) -> pa.Table | None:
    """A table of decisions, checked; None where it has not been written yet.

    Raises InputError where it is broken.
    """
    place = as_place(out)
    try:
        found = reading.read_decision_table(place, table_name)
    except OutputError as err:
        raise InputError(err.where, err.found, err.expected, err.do) from err
    return None if found is None else found.table


def decision_inputs(out: Out, table_name: str) -> frozenset[tuple[str, str]]:
    """The files on which a table of decisions rests, each with its SHA-256, rows kept from earlier
    runs included; empty where its record does not tell."""
    place, name = as_place(out), folders.decision_record_file(table_name)
    if place.stat(name) is None:
        return frozenset()
    record = parse_record(place.read(name, MOST_RECORD_BYTES)) or {}
    kept = record.get("kept")
    runs = [record, *(kept if isinstance(kept, list) else [])]
    inputs = [run.get("inputs") for run in runs if isinstance(run, Mapping)]
    return frozenset(
        (str(file), str(digest))
        for one in inputs if isinstance(one, Mapping)
        for file, digest in one.items()
    )  # fmt: skip


def decision_settings(out: Out, table_name: str) -> Mapping[str, Any]:
    """The settings with which a table of decisions was last worked out; none where its record does
    not tell."""
    place, name = as_place(out), folders.decision_record_file(table_name)
    record = None if place.stat(name) is None else parse_record(place.read(name, MOST_RECORD_BYTES))
    settings = (record or {}).get("settings")
    return settings if isinstance(settings, Mapping) else {}


def write_decisions(
    out: Out,
    tables: Mapping[str, pa.Table],
    record: Mapping[str, Any],
    kept: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
) -> None:
    """Write tables of decisions as `writing.write_decisions` does, into a bucket too.

    In a bucket each object appears whole, the records after their tables: a reader in between
    finds that they do not fit, and looks again.
    """
    place = as_place(out)
    if isinstance(place, Folder):
        writing.write_decisions(place.path, tables, record, kept)
        return
    with tempfile.TemporaryDirectory(prefix="decisions-") as folder:
        writing.write_decisions(Path(folder), tables, record, kept)
        made = Folder(Path(folder))
        files = [folders.decision_file(name) for name in tables]
        files += [folders.decision_record_file(name) for name in tables]
        place.write("decisions", {name: made.read(name, MOST_FILE_BYTES) for name in files})


def finish_interrupted(out: Out) -> None:
    """Have the moves made that a killed run had still to make, where this reader may write."""
    place = as_place(out)
    if isinstance(place, Folder) and whole_files.interrupted(place.path):
        with contextlib.suppress(OSError, BatontraceError):  # it can be read all the same
            whole_files.recover(place.path)


# --- which sessions there are ------------------------------------------------------------


def session_ids(out: Out) -> list[str]:
    """The sessions in `out`, by name. Raises InputError where there is no table of takeovers."""
    place = as_place(out)
    sessions = [folders.session_of_folder(name) for name in _folder_names(place)]
    return [one for one in sessions if one is not None and one != folders.ANCHOR]


def _folder_names(place: Place) -> list[str]:
    try:
        return place.names("exchanges")
    except InputError as err:
        expected = "the takeovers of one session or more"
        raise InputError(err.where, err.found, expected, _measure_first(place)) from err


def odd_folder_remarks(out: Out) -> list[str]:
    """A remark for each folder that is meant to be a session's and whose name gives no id."""
    place = as_place(out)
    return [
        f"folder exchanges/{ascii(name)[1:-1]} was left out: no id of a session can be so"
        for name in _folder_names(place)
        if folders.looks_like_session_folder(name) and folders.session_of_folder(name) is None
    ]


def require_session(out: Out, session: str, there: Sequence[str]) -> None:
    """Raises UsageError where `session` is none of those that are `there`, and names near ones."""
    if session not in there:
        raise UsageError(f"session {session}", f"is not in {as_place(out)}", one_of(there, session))


def sessions_by_time(out: Out) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The sessions in the order of their last takeovers, the newest last, and remarks.

    Only the column of times is read. Sessions without takeovers come first; one that cannot be
    read is left out with a remark. Raises InputError where none is left.
    """
    place = as_place(out)
    dated: list[tuple[int, str]] = []
    compacted = compacting.read_current_parts(place, ("exchanges",))
    remarks = [*odd_folder_remarks(place), *compacted.remarks]
    for session in session_ids(place):
        try:
            if compacted.run(session) is not None:
                rows = compacted.rows("exchanges", session)
                last = pc.max(rows["zero_utc"].cast(pa.int64())).as_py()
            else:
                last = reading.read_last_takeover_us(place, session)
            dated.append((_BEFORE_ALL if last is None else last, session))
        except OutputError as err:
            remarks.append(f"session {session} was passed over: {err.message_from(place)}")
    if not dated:
        raise _no_session(place, remarks)
    return tuple(session for _, session in sorted(dated)), tuple(remarks)


def _measure_first(place: Place) -> str:
    return f"measure a session first: batontrace process SESSION.toml --out {place}"


def _no_session(place: Place, remarks: Sequence[str]) -> InputError:
    found = " | ".join(remarks) or "holds no session"
    first = _measure_first(place)
    return InputError(f"{place}/exchanges", found, "one session or more", first)


# --- one session -------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _SessionTables:
    tables: Mapping[str, pa.Table]
    inputs: Mapping[str, str]


def _read_sessions(
    place: Place, there: Sequence[str], table_names: tuple[str, ...], *, all_needed: bool = False
) -> tuple[list[_SessionTables], list[str]]:
    """Some tables of these sessions, and a remark for each session that had to be left out.

    Raises InputError for such a session where all are needed.
    """
    sessions: list[_SessionTables] = []
    remarks: list[str] = []
    compacted = None if all_needed else compacting.read_current_parts(place, table_names)
    if compacted is not None:
        remarks += [*odd_folder_remarks(place), *compacted.remarks]
    for session in there:
        try:
            if compacted is not None and compacted.run(session) is not None:
                sessions.append(_session_from_parts(compacted, session, table_names))
            else:
                sessions.append(_read_session(place, session, table_names))
        except OutputError as err:
            if all_needed:
                raise InputError(err.where, err.found, err.expected, err.do) from err
            remarks.append(f"session {session} was left out: {err.message_from(place)}")
    return sessions, remarks


def _read_session(place: Place, session: str, table_names: tuple[str, ...]) -> _SessionTables:
    """Raises OutputError where a table is missing or broken, or they are of different runs."""
    found = reading.read_session_tables(place, session, table_names)
    hashes = {folders.part_file(name, session): one.sha256 for name, one in found.items()}
    return _SessionTables({name: one.table for name, one in found.items()}, hashes)


def _session_from_parts(
    compacted: compacting.CurrentParts, session: str, table_names: tuple[str, ...]
) -> _SessionTables:
    """A session whose files have not changed since the season was compacted."""
    hashes = {
        folders.part_file(name, session): compacted.slices[name][session].sha256
        for name in table_names
    }
    return _SessionTables({name: compacted.rows(name, session) for name in table_names}, hashes)


def _inputs_of(sessions: Sequence[_SessionTables]) -> dict[str, str]:
    return {name: digest for one in sessions for name, digest in one.inputs.items()}
