"""Taking runners or sessions out of a lake, whole or not at all.

`find_forgettable` looks through OUT and gives what has to be written and removed; `forget` does it
in one switch (whole_files.py): a kill at any moment leaves it undone, or to be finished by the next
run. Salted hashes of what was forgotten stay in OUT, so that `season` does not bring it back
(docs/decisions/0014-forgetting.md).
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import secrets
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipeline.base.asking import did_you_mean, one_of
from pipeline.errors import InputError, LockError, OutputError, UsageError
from pipeline.tables import folders, lake, reading, schema, whole_files, work_folder, writing
from pipeline.tables.places import Folder, Place
from pipeline.tables.provenance import MOST_RECORD_BYTES, parse_record

FORGOTTEN = f"{folders.PROVENANCE_FOLDER}/forgotten.json"
TAKEN_OUT = "a text was taken out: it named a runner who was forgotten"
_FAILED = f"{folders.SEASON_FOLDER}/failed.json"
_REPORT_FOLDER = "report"
_PAGES = (".html", ".htm", ".svg", ".png")
_ROLES = ("runner", "incoming", "outgoing", "leg1", "leg2", "leg3", "leg4")
_MOST_JSON_BYTES = 64 << 20

Content = tuple[Mapping[str, pa.Table], Mapping[str, Any], Mapping[str, Any]]

# What holds runners' names and lies where this program does not look.
NEVER_IN_REACH = (
    "the session folders, with recordings and practice sheets",
    "what was copied, exported or printed, and pages that were written elsewhere",
    "backups, and older versions that a disk or an object store keeps",
)


@dataclass(frozen=True, eq=False)
class Forgettable:
    """What forgetting means for one OUT.

    `sessions` and `decisions` are tables to be written again, with the head of their record and
    the record; `texts` are other files, by name from OUT; `removed` are names of files. `told` says
    in words what goes, `out_of_reach` what cannot be taken out.
    """

    runners: tuple[str, ...]
    gone_sessions: tuple[str, ...]
    sessions: Mapping[str, Content]
    decisions: Mapping[str, Content]
    texts: Mapping[str, bytes]
    removed: tuple[str, ...]
    told: tuple[str, ...]
    out_of_reach: tuple[str, ...]


def find_forgettable(out: Path, runners: Sequence[str], sessions: Sequence[str]) -> Forgettable:
    """What forgetting these runners and sessions takes; nothing is written but what a killed run
    had still to finish.

    Raises UsageError where one of them is nowhere in OUT, InputError where a table cannot be read,
    since nobody could say then whether it names the runner.
    """
    lake.finish_interrupted(out)
    place, there = Folder(out), lake.session_ids(out)
    for session in sessions:
        if session not in there:
            found = f"is not in {out}"
            near = did_you_mean(session, there)
            raise UsageError(f"session {session}", found, one_of(there, session), near)
    kept = [one for one in there if one not in sessions]
    stored = {one: _read_session(place, one) for one in (kept if runners else ())}
    decisions = {name: _read_decision(place, name) for name in schema.DECISIONS}
    known = _runners_in([*stored.values(), *(one for one in decisions.values() if one)])
    for runner in runners:
        if runner not in known:
            raise UsageError(
                f"runner {runner}",
                f"is nowhere in the tables of {out}",
                one_of(known, runner),
                did_you_mean(runner, known),
            )
    words = _Words(frozenset((*runners, *sessions)), frozenset((*known, *there)))
    told: list[str] = []
    changed = {}
    for session, content in stored.items():
        new = _without_runners(session, content, frozenset(runners), words, told)
        if new is not None:
            changed[session] = new
    removed = [name for one in sessions for name in _session_files(place, one)]
    told += [f"session {one}: all its tables and its record" for one in sessions]
    again, emptied = _decisions_without(decisions, words, told)
    removed += emptied
    parts = [
        entry.name
        for below in (folders.SEASON_FOLDER, f"{folders.PROVENANCE_FOLDER}/{folders.SEASON_FOLDER}")
        for entry in place.files(below)
        if entry.name != _FAILED
    ]
    pages = [e.name for e in place.files(_REPORT_FOLDER)]
    mine = [name for name in pages if Path(name).suffix.lower() in _PAGES]
    if parts:
        told.append("the season's compacted parts, which the next season makes anew")
    if mine:
        told.append(f"all {len(mine)} pages and pictures in {_REPORT_FOLDER}/: make them again")
    texts = {FORGOTTEN: _renew_forgotten(place, runners, sessions)}
    failures = parse_record(_read(place, _FAILED))
    if failures is not None and words.cleaned(failures) != failures:
        texts[_FAILED] = _json_bytes(words.cleaned(failures))
        told.append(f"{_FAILED}: what it said of them")
    reach = [f"{name}: not a page or picture of this program's" for name in set(pages) - set(mine)]
    reach += [f"session {one}: its id names the runner" for one in kept if words.name(one)]
    return Forgettable(
        tuple(runners), tuple(sessions), changed, again, texts, (*removed, *parts, *mine),
        tuple(told), tuple(sorted(reach)),
    )  # fmt: skip


def forget(out: Path, runners: Sequence[str], sessions: Sequence[str]) -> Forgettable:
    """Take runners and sessions out of `out`, all at once, and say what that took.

    Raises as `find_forgettable`, LockError where another run is measuring one of the sessions or
    writing decisions, OutputError where the disk refuses. Nothing has changed then.
    """
    with contextlib.ExitStack() as claims:
        try:
            for one in (".decisions", *lake.session_ids(out)):
                if not claims.enter_context(work_folder.claim(out, one)):
                    raise LockError(out, f"another run is at work on {one}", do="try again later")
        except OSError as err:
            raise OutputError(out, f"cannot be written ({err.strerror or err})") from err
        found = find_forgettable(out, runners, sessions)
        with whole_files.staging(out, "forget") as folder:
            moves: list[tuple[Path | None, Path]] = []
            for number, (session, content) in enumerate(found.sessions.items()):
                tables, head, record = content
                places = {name: folders.part_path(out, name, session) for name in tables}
                record_place = folders.session_record_path(out, session)
                own = folder / str(number)
                own.mkdir()
                moves += writing.stage_tables(own, tables, places, record_place, head, record)
            for name, (tables, head, record) in found.decisions.items():
                places = {name: folders.decision_path(out, name)}
                record_place = folders.decision_record_path(out, name)
                moves += writing.stage_tables(folder, tables, places, record_place, head, record)
            for number, (name, content_bytes) in enumerate(found.texts.items()):
                staged = folder / f"text-{number}"
                staged.write_bytes(content_bytes)
                work_folder.sync(staged)
                moves.append((staged, out / name))
            flat = [_lift(folder, move) for move in moves]
            whole_files.switch(folder, [*flat, *((None, out / name) for name in found.removed)])
    for one in sessions:
        work_folder.remove_claim(out, one)
    writing.renew_data_package(out)
    return found


def is_forgotten(place: Place, runners: Iterable[str], session: str) -> tuple[bool, bool]:
    """Whether one of the runners, and whether the session, was forgotten in the lake at `place`."""
    stored = parse_record(_read(place, FORGOTTEN))
    if not stored:
        return False, False
    salt, hashes = str(stored.get("salt", "")), stored.get("sha256", [])
    of_runner = any(_salted(salt, "runner", one) in hashes for one in runners)
    return of_runner, _salted(salt, "session", session) in hashes


# --- words ---------------------------------------------------------------------------------


class _Words:
    """Finds ids that are to be forgotten, as whole words; longer ids that hold one are no match."""

    def __init__(self, forgotten: frozenset[str], known: frozenset[str]) -> None:
        self._forgotten = {one.casefold() for one in forgotten}
        every = sorted(known | forgotten, key=len, reverse=True)
        either = "|".join(map(re.escape, every)) or r"(?!)"
        self._pattern = re.compile(rf"(?<!\w)(?:{either})(?!\w)", re.IGNORECASE)

    def name(self, text: str) -> bool:
        """Whether a text names one that is to be forgotten."""
        found = (match[0].casefold() for match in self._pattern.finditer(text))
        return any(one in self._forgotten for one in found)

    def cleaned(self, stored: Any) -> Any:
        """What JSON held, without every entry that names one of them; nested lists go whole."""
        if isinstance(stored, dict):
            return {
                key: self.cleaned(value)
                for key, value in stored.items()
                if not self.name(key) and not (isinstance(value, str) and self.name(value))
            }
        if isinstance(stored, list | tuple):
            return [self.cleaned(one) for one in stored if not self._is_about(one)]
        return stored

    def _is_about(self, item: Any) -> bool:
        if isinstance(item, list | tuple):
            return any(self._is_about(one) for one in item)
        return isinstance(item, str) and self.name(item)


# --- tables --------------------------------------------------------------------------------


def _without_runners(
    session: str, content: Content, runners: frozenset[str], words: _Words, told: list[str]
) -> Content | None:
    """A session without these runners; None where nothing of it names them."""
    tables, head, record = content
    gone = {
        row["exchange"]
        for row in tables["exchanges"].select(["exchange", "incoming", "outgoing"]).to_pylist()
        if {row["incoming"], row["outgoing"]} & runners
    }
    new, lost = {}, 0
    for name, table in tables.items():
        rows = [
            row
            for row in table.to_pylist()
            if not _names_in(row) & runners
            and not (name in ("speed_curves", "observations") and row["exchange"] in gone)
        ]
        rows = [_without_texts(row, words) for row in rows]
        lost += table.num_rows - len(rows)
        columns = {key: [row[key] for row in rows] for key in schema.facts(name).names}
        new[name] = schema.conform(name, columns)
    clean = words.cleaned(record)
    if clean == record and all(new[name].equals(tables[name]) for name in new):
        return None
    told.append(f"session {session}: {len(gone)} takeovers, {lost} rows in all")
    return new, head, clean


def _without_texts(row: Mapping[str, Any], words: _Words) -> dict[str, Any]:
    """A row whose free texts name nobody who is to be forgotten."""
    new = dict(row)
    taken = False
    if isinstance(row.get("note"), str) and words.name(row["note"]):
        new["note"], taken = None, True
    if isinstance(row.get("file"), str) and words.name(row["file"]):
        digest = hashlib.sha256(row["file"].encode("utf-8", "surrogatepass")).hexdigest()
        new["file"], taken = f"renamed-{digest[:8]}", True
    plain = [one for one in row.get("remarks") or () if not words.name(one)]
    if "remarks" in row and (taken or len(plain) < len(row["remarks"])):
        new["remarks"] = [*plain, TAKEN_OUT]
    return new


def _decisions_without(
    decisions: Mapping[str, Content | None], words: _Words, told: list[str]
) -> tuple[dict[str, Content], list[str]]:
    """The tables of decisions that change, and names of files of those that go."""
    again: dict[str, Content] = {}
    removed: list[str] = []
    for name, content in decisions.items():
        if content is None:
            continue
        table, head, record = content[0][name], content[1], content[2]
        rows = table.to_pylist()
        about = [
            row
            for row in rows
            if any(words.name(one) for one in (*_names_in(row), row.get("session") or ""))
        ]
        left = [row for row in rows if row not in about]
        if name == "orders":  # what is left of a ranking ranks nothing
            events = {row["event"] for row in about}
            left = [row for row in rows if row["event"] not in events]
        left = [_without_texts(row, words) for row in left]
        clean = words.cleaned(record)
        columns = {key: [row[key] for row in left] for key in schema.facts(name).names}
        new = schema.conform(name, columns)
        sessions = [row.get("worst_session") for row in rows]
        if not left or any(isinstance(one, str) and words.name(one) for one in sessions):
            removed += [folders.decision_file(name), folders.decision_record_file(name)]
            told.append(f"table {name}: all of it")
        elif clean != record or not new.equals(table):
            again[name] = {name: new}, head, clean
            told.append(f"table {name}: {len(rows) - len(left)} rows, and words in its record")
    return again, removed


def _names_in(row: Mapping[str, Any]) -> set[str]:
    return {row[role] for role in _ROLES if row.get(role) is not None}


def _runners_in(contents: Iterable[Content]) -> set[str]:
    found: set[str] = set()
    for tables, _, _ in contents:
        for table in tables.values():
            for role in set(_ROLES) & set(table.column_names):
                found |= set(table[role].unique().to_pylist())
    return {name for name in found if name is not None}


def _read_session(place: Folder, session: str) -> Content:
    names = [n for n in schema.TABLES if place.stat(folders.part_file(n, session)) is not None]
    try:
        found = reading.read_session_tables(place, session, names)
    except OutputError as err:
        do = f"{err.do}, or forget that session first: --session {session}"
        raise InputError(err.where, err.found, err.expected, do) from err
    record = reading.read_session_record(place, session) or {}
    tables = {name: one.table for name, one in found.items()}
    return tables, {"session": session}, _plain_record(record)


def _read_decision(place: Folder, name: str) -> Content | None:
    try:
        found = reading.read_decision_table(place, name)
    except OutputError as err:
        do = "have it written again, or delete it"
        raise InputError(err.where, err.found, err.expected, do) from err
    if found is None:
        return None
    record = parse_record(_read(place, folders.decision_record_file(name))) or {}
    return {name: found.table}, {}, _plain_record(record)


def _plain_record(record: Mapping[str, Any]) -> dict[str, Any]:
    """A record without what is written anew with the tables."""
    return {k: v for k, v in record.items() if k not in ("session", "run_sha256", "tables")}


# --- files ---------------------------------------------------------------------------------


def _session_files(place: Folder, session: str) -> list[str]:
    names = [*(folders.part_file(n, session) for n in schema.TABLES)]
    names.append(folders.session_record_file(session))
    return [name for name in names if place.stat(name, follow=False) is not None]


def _lift(folder: Path, move: tuple[Path | None, Path]) -> tuple[Path | None, Path]:
    """Staged files stand in the run's folder itself, as the list of moves has them."""
    staged, place = move
    if staged is None or staged.parent == folder:
        return move
    lifted = folder / f"{staged.parent.name}-{staged.name}"
    staged.rename(lifted)
    return lifted, place


def _read(place: Place, name: str) -> bytes:
    if place.stat(name) is None:
        return b""
    try:
        return place.read(name, max(MOST_RECORD_BYTES, _MOST_JSON_BYTES))
    except InputError:
        return b""


def _renew_forgotten(place: Place, runners: Collection[str], sessions: Collection[str]) -> bytes:
    stored = parse_record(_read(place, FORGOTTEN)) or {}
    salt = str(stored.get("salt") or secrets.token_hex(16))
    hashes = set(stored.get("sha256", []))
    hashes |= {_salted(salt, "runner", one) for one in runners}
    hashes |= {_salted(salt, "session", one) for one in sessions}
    return _json_bytes({"salt": salt, "sha256": sorted(hashes)})


def _salted(salt: str, kind: str, name: str) -> str:
    return hashlib.sha256(f"{salt} {kind} {name}".encode("utf-8", "surrogatepass")).hexdigest()


def _json_bytes(stored: Any) -> bytes:
    text = json.dumps(stored, indent=2, ensure_ascii=False) + "\n"
    return text.encode("utf-8", "backslashreplace")
