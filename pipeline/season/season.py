"""Many sessions into one lake: only what changed, on all cores or a cluster, and nothing lost.

There are two rounds over the sessions below a place. `look`, in threads, tells what each session
needs; `measure_task` does it, on an `Engine` (both in one_session.py). What fails for good is
written down, so that it is not tried again before something about it has changed.
"""

from __future__ import annotations

import contextlib
import json
import re
import secrets
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple, Protocol, TypeVar

from pipeline.base.values import Progress
from pipeline.errors import DEFECT, BatontraceError, InputError, OutputError, SessionError
from pipeline.read.practice.documents import SESSION_TOML
from pipeline.read.practice.session import parse_session_toml
from pipeline.season import bucket_claims
from pipeline.season.engines import Threads
from pipeline.season.one_session import Outcome, Task, look, measure_task
from pipeline.tables import (
    compacting,
    data_package,
    folders,
    provenance,
    schema,
    whole_files,
    writing,
)
from pipeline.tables.places import Bucket, Folder, Place, open_place

FAILURES = f"{folders.SEASON_FOLDER}/failed.json"

_SESSION_LINE = re.compile(  # what a file may say of its session that is not quite TOML
    rb"""^(\xef\xbb\xbf)?\s*(\[\s*)?["']?session["']?\s*[].=]""", re.MULTILINE | re.IGNORECASE
)
_MOST_FAILURES_BYTES = 64 << 20
_COMPACT_WAIT_S = 3600.0  # for another season that compacts the same bucket
_LOOKERS = 8  # threads: they wait for disks and networks

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True)
class Summary:
    """A season's outcomes by name, what compacting did, the time it took, and remarks on .toml
    files of which it cannot be told whether they are sessions."""

    outcomes: tuple[Outcome, ...]
    compacted: compacting.Compacted | None
    seconds: float
    remarks: tuple[str, ...] = ()

    @property
    def counts(self) -> Mapping[str, int]:
        """How many sessions are in each state."""
        return Counter(str(one.state) for one in self.outcomes)

    @property
    def failed(self) -> tuple[Outcome, ...]:
        """The outcomes that are failures, of this season or one before."""
        return tuple(o for o in self.outcomes if o.state in ("failed", "failed before"))


class Engine(Protocol):
    """Runs a function over tasks, in any order, anywhere.

    What a task raised comes in place of its result; a task whose process died comes with an
    exception too.
    """

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]: ...


def measure_season(
    source: str,
    out: str,
    engine: Engine,
    *,
    again: bool = False,
    anyway: bool = False,
    dry_run: bool = False,
    progress: Progress | None = None,
    told: Callable[[Outcome], None] | None = None,
    command: Sequence[str] | None = None,
) -> Summary:
    """Measure every session below `source` that has changed since its tables in `out` were made.

    Both are folders or URLs. `again`: measure all sessions, changed or not. `anyway`: also where
    that replaces tables made from more inputs than are there now. `dry_run`: only look.
    `told` is called with each outcome as it comes. Raises InputError where there is no session,
    and what a place raises that cannot be read or written at all.
    """
    began = time.monotonic()
    tell = progress or (lambda _what, _done, _all: None)
    hear = told or (lambda _outcome: None)
    words = tuple(sys.argv if command is None else command)
    target = open_place(out)
    if isinstance(target, Folder):
        if target.path.exists() and not target.path.is_dir():
            raise OutputError(out, "is not a folder", "one for the tables", "choose another --out")
        if not dry_run:
            with contextlib.suppress(OSError):  # if it matters, writing will say so
                whole_files.recover(target.path)
    failed = {} if again else _read_failures(target)
    names, remarks = find_sessions(open_place(source))
    if not names:
        raise InputError(
            source,
            " | ".join(("holds no session", *remarks)),
            "a folder with session.toml in it or below it",
            "name the folder of the evenings; `batontrace process` measures one session",
        )
    token = secrets.token_hex(8)
    tasks = [
        Task(name, source, out, words, again, failed, anyway=anyway, token=token) for name in names
    ]
    seen = {}
    for number, (task, result) in enumerate(Threads(_LOOKERS).run(look, tasks)):
        tell("look", number, len(tasks))
        seen[task.name] = _as_outcome(task, result)
    seen |= {one.name: one for one in _sessions_of_one_id(seen.values())}
    if dry_run:
        return _make_summary(seen.values(), None, began, remarks)
    for one in seen.values():
        if one.state == "failed":
            hear(one)
    to_do = [
        task._replace(seen=seen[task.name])
        for task in tasks
        if seen[task.name].state in ("new", "changed")
    ]
    try:
        seen |= _measure_all(engine, to_do, seen, tell, hear)
        compacted = _write_what_all_share(target, token, seen.values())
    finally:
        if isinstance(target, Bucket):
            bucket_claims.remove_claims_of(target, token)
    return _make_summary(seen.values(), compacted, began, remarks)


class SessionFiles(NamedTuple):
    """The names of session files, and remarks on .toml files that may be some."""

    names: tuple[str, ...]
    remarks: tuple[str, ...]


def find_sessions(place: Place) -> SessionFiles:
    """The session files below a place: .toml files with a key `session`, however it is written.

    They are read as `read_session` reads them. A file that cannot be read so counts as a session
    where it is called session.toml or has a line that begins one, so that it is reported as
    failed; others get a remark.
    """
    names, remarks = [], []
    for entry in place.files():
        if not entry.name.endswith(".toml"):
            continue
        content, called_session = b"", PurePosixPath(entry.name).name == "session.toml"
        try:
            content = place.read(entry.name, SESSION_TOML.most_bytes)
            if _holds_session(entry.name, content):
                names.append(entry.name)
            elif called_session:
                remarks.append(f"{entry.name} was passed over: it holds no [session]")
        except BatontraceError as err:
            if called_session or _SESSION_LINE.search(content):
                names.append(entry.name)
            else:
                remarks.append(f"{entry.name} was passed over: {err.message_from(place)}")
    return SessionFiles(tuple(names), tuple(remarks))


def _holds_session(name: str, content: bytes) -> bool:
    """Whether a .toml file has a key `session`. Raises SessionError where it cannot be told."""
    # Few files name it in any encoding, or could name it by an escape: only these are parsed.
    text = content.replace(b"\0", b"").lower()
    if b"session" not in text and b"\\u" not in text:
        return False
    return any(key.casefold() == "session" for key in parse_session_toml(Path(name), content))


# --- measuring ----------------------------------------------------------------------------


def _measure_all(
    engine: Engine,
    tasks: Sequence[Task],
    seen: Mapping[str, Outcome],
    tell: Progress,
    hear: Callable[[Outcome], None],
) -> dict[str, Outcome]:
    """Run all tasks, large sessions first, so that no core ends up alone with a large one.

    Sessions that another run is measuring are waited for once everything else is done.
    """
    done: dict[str, Outcome] = {}
    total = sum(seen[task.name].size for task in tasks) or 1
    gone = 0
    tasks = sorted(tasks, key=lambda task: -seen[task.name].size)
    while tasks:
        busy = []
        tell(f"measure {len(tasks)}", gone, total)
        for number, (task, result) in enumerate(engine.run(measure_task, tasks), start=1):
            outcome = _as_outcome(task, result)
            if outcome.state == "busy" and not task.wait:
                busy.append(task._replace(wait=True))
                continue
            gone += seen[task.name].size
            tell(f"measured {number} of {len(tasks)}", gone, total)
            done[task.name] = outcome
            hear(outcome)
        tasks = busy
    return done


def _as_outcome(task: Task, result: Outcome | BaseException) -> Outcome:
    """An outcome, also where the session brought its process down or met a defect."""
    if isinstance(result, Outcome):
        return result
    raised = " ".join(f"{type(result).__name__}: {result}".split())
    why = f"{task.name}: {raised}; this is a defect, or the machine ran out of memory"
    known = task.seen or Outcome(task.name, "failed")
    return replace(known, state="failed", why=(why,), exit_code=DEFECT)


def _sessions_of_one_id(outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
    """Sessions of one id would replace each other's tables: none of them is measured."""
    outcomes = list(outcomes)
    names = Counter(one.session for one in outcomes if one.session)
    for one in outcomes:
        if names[one.session] > 1:
            others = [o.name for o in outcomes if o.session == one.session and o is not one]
            why = (
                f"{one.name}: its id {one.session} is also that of {', '.join(others)}; "
                "expected one id a session; change `id` in session.toml"
            )
            yield replace(one, state="failed", why=(why,), exit_code=SessionError.exit_code)


def _make_summary(
    outcomes: Iterable[Outcome],
    compacted: compacting.Compacted | None,
    began: float,
    remarks: tuple[str, ...],
) -> Summary:
    ordered = tuple(sorted(outcomes, key=lambda one: one.name))
    return Summary(ordered, compacted, time.monotonic() - began, remarks)


# --- what is written beside the tables ----------------------------------------------------


def _write_what_all_share(
    target: Place, token: str, outcomes: Iterable[Outcome]
) -> compacting.Compacted:
    """Write the failures, the parts and the data package; in a bucket, one season at a time.

    Who waited finds the sessions of the one before it, since it lists them only then.
    """
    with contextlib.ExitStack() as held:
        if isinstance(target, Bucket):
            claim = held.enter_context(
                bucket_claims.claim_in_bucket(target, "season", token, _COMPACT_WAIT_S)
            )
            if claim is None:
                remark = "another season is compacting; run batontrace season once more"
                return compacting.Compacted(0, (), (remark,))
        _write_failures(target, _read_failures(target), outcomes)
        compacted = compacting.compact(target)
        _renew_data_package_of(target)
        return compacted


def _renew_data_package_of(target: Place) -> None:
    """Have a folder's or a bucket's datapackage.json say what lies there now."""
    if isinstance(target, Folder):
        writing.renew_data_package(target.path)
        return
    with tempfile.TemporaryDirectory(prefix="batontrace-") as name:
        # Only the kinds of files that are there matter: one of each stands for all.
        for below in (*schema.ALL_TABLES, folders.SEASON_FOLDER):
            kinds = {}
            for entry in target.files(below):
                kinds[PurePosixPath(entry.name).parts[:2]] = Path(name, entry.name)
            for path in kinds.values():
                path.parent.mkdir(parents=True, exist_ok=True)
                path.touch()
        text = data_package.data_package_text(Path(name))
    if text is not None:
        target.write("season", {folders.DATA_PACKAGE_FILE: text.encode()})


def _read_failures(target: Place) -> dict[str, Mapping[str, Any]]:
    if target.stat(FAILURES) is None:
        return {}
    try:
        stored = provenance.parse_record(target.read(FAILURES, _MOST_FAILURES_BYTES)) or {}
    except InputError:
        return {}
    return {session: failure for session, failure in stored.items() if isinstance(failure, dict)}


def _write_failures(
    target: Place, former: Mapping[str, Mapping[str, Any]], outcomes: Iterable[Outcome]
) -> None:
    """Write down what failed for good, and what was measured and not written."""
    now = dict(former)
    for one in outcomes:
        if one.state == "failed" and one.lasting and one.mark:
            now[one.session] = {"mark": one.mark, "said": one.why[0], "exit_code": one.exit_code}
        elif one.state == "kept" and one.lasting:
            now[one.session] = {"mark": one.mark, "said": one.why[0], "kept": True}
        elif one.state != "failed before":
            now.pop(one.session, None)
    if now != dict(former):
        content = json.dumps(now, indent=2, ensure_ascii=False) + "\n"
        # A file's name may be bytes that are no UTF-8; JSON has its own escape for those.
        target.write("season", {FAILURES: content.encode("utf-8", "backslashreplace")})
