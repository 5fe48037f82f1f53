"""Many sessions into one lake: only what changed, on all cores or a cluster, and nothing lost.

Two rounds over the sessions below a place: `look`, in threads, tells what each one needs;
`measure` does it, on an `Engine`. Both take values and give values, so that they run in other
processes and on other machines; one session's failure is an outcome like any other.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, Literal, NamedTuple, Protocol, TypeVar

from pipeline.base.values import Progress
from pipeline.errors import BatontraceError, InputError, NothingMeasured, OutputError
from pipeline.read.practice.session import read_session
from pipeline.season.engines import Threads
from pipeline.session import constants, process
from pipeline.tables import compacting, data_package, schema, store
from pipeline.tables.places import Folder, Place, open_place

State = Literal["new", "changed", "unchanged", "failed before", "failed", "busy", "measured"]
FAILURES = f"{compacting.FOLDER}/failed.json"

_SESSION_TABLE = re.compile(rb"^\s*\[\s*session\s*\]", re.MULTILINE)
_LARGEST_TOML = 1 << 20
_LOOKERS = 8  # threads: they wait for disks and networks
_WAIT_S = 3600.0  # for another run that measures the same session

T = TypeVar("T")
R = TypeVar("R")


class Task(NamedTuple):
    """One session of a season: its file's name in the place it comes from, and where to."""

    name: str
    source: str  # a folder or a URL
    out: str
    command: tuple[str, ...]
    again: bool = False
    failed: Mapping[str, Mapping[str, Any]] = {}  # id to what was written down of its failure
    wait: bool = False
    seen: Outcome | None = None  # what `look` gave, for `measure`


@dataclass(frozen=True)
class Outcome:
    """What became of a session, or will: `why` says what changed or went wrong."""

    name: str
    state: State
    session: str = ""
    why: tuple[str, ...] = ()
    size: int = 0  # bytes of its files
    mark: str = ""  # tells this input, with these settings and versions, from any other
    takeovers: int = 0
    remarks: tuple[str, ...] = ()
    lasting: bool = False  # a failure that will come again as long as nothing changes
    exit_code: int = 0


@dataclass(frozen=True)
class Summary:
    """A season's outcomes by name, what compacting did, and the time it took."""

    outcomes: tuple[Outcome, ...]
    compacted: compacting.Compacted | None
    seconds: float

    @property
    def counts(self) -> Mapping[str, int]:
        """How many sessions are in each state."""
        return Counter(str(one.state) for one in self.outcomes)

    @property
    def failed(self) -> tuple[Outcome, ...]:
        return tuple(o for o in self.outcomes if o.state in ("failed", "failed before"))


class Engine(Protocol):
    """Runs a function over tasks, in any order, anywhere; what a task raised comes in its place.
    A task whose process died comes with an exception too."""

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]: ...


def season(
    source: str,
    out: str,
    engine: Engine,
    *,
    again: bool = False,
    dry_run: bool = False,
    progress: Progress | None = None,
    told: Callable[[Outcome], None] | None = None,
    command: Sequence[str] | None = None,
) -> Summary:
    """Measure every session below `source` that has changed since its tables in `out` were made.

    Both are folders or URLs. `again`: whether it has changed or not. `dry_run`: only look.
    `told` hears of each outcome as it comes. Raises InputError where there is no session, and
    what a place raises that cannot be read or written at all.
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
            store.recover(target.path)
    failed = {} if again else _failures(target)
    names = sessions_below(open_place(source))
    if not names:
        raise InputError(
            source,
            "holds no session",
            "a folder with session.toml in it or below it",
            "name the folder of the evenings; `batontrace process` measures one session",
        )
    tasks = [Task(name, source, out, words, again, failed) for name in names]
    seen = {}
    for number, (task, outcome) in enumerate(Threads(_LOOKERS).run(look, tasks)):
        tell("look", number, len(tasks))
        seen[task.name] = _sound(task, outcome)
    seen |= {one.name: one for one in _of_one_name(seen.values())}
    if dry_run:
        return _summary(seen.values(), None, began)
    for one in seen.values():
        if one.state == "failed":
            hear(one)
    to_do = [
        task._replace(seen=seen[task.name])
        for task in tasks
        if seen[task.name].state in ("new", "changed")
    ]
    seen |= _measured(engine, to_do, seen, tell, hear)
    _write_failures(target, failed, seen.values())
    compacted = compacting.compact(target)
    _describe(target)
    return _summary(seen.values(), compacted, began)


def sessions_below(place: Place) -> list[str]:
    """The names of session files: .toml files with a table [session]."""
    found = []
    for entry in place.files():
        if entry.name.endswith(".toml") and entry.size <= _LARGEST_TOML:
            try:
                content = place.read(entry.name)
            except InputError:
                continue
            if _SESSION_TABLE.search(content):
                found.append(entry.name)
    return found


# --- one session, wherever it runs ---------------------------------------------------------


def look(task: Task) -> Outcome:
    """What a session needs: nothing is computed and nothing written."""
    try:
        source = open_place(task.source)
        if isinstance(source, Folder):
            session = read_session(source.path / task.name)
            record = process.run_record(session, task.command)
            mark, session_id = store.run_sha256(record), session.id
            size = sum(_size(source.path / task.name, name) for name in record["inputs"])
        else:
            listed = _listed(source, task.name)
            session_id, size = listed.session, sum(size for _, size, _ in listed.files)
            record, mark = {}, listed.mark()
        return _compared(task, session_id, size, mark, record)
    except BatontraceError as err:
        return _failed(task, err)


def measure(task: Task) -> Outcome:
    """Measure a session that was seen to need it and write its tables, unless another run is at
    it, or has been since."""
    seen = task.seen or look(task)
    try:
        target = open_place(task.out)
        if not isinstance(target, Folder):
            return _measure(task, seen, target)
        patience_s = _WAIT_S if task.wait else 0.0
        with store.claim(target.path, seen.session, patience_s) as ours:
            if not ours:
                return replace(seen, state="busy", why=("another run is measuring it",))
            now = _compared(task, seen.session, seen.size, seen.mark, {})
            if now.state == "unchanged":
                return replace(now, why=("another run has measured it meanwhile",))
            return _measure(task, seen, target)
    except BatontraceError as err:
        return replace(_failed(task, err), session=seen.session, size=seen.size, mark=seen.mark)
    except OSError as err:
        found = f"cannot be written ({err.strerror or err})"
        return replace(seen, state="failed", why=(f"{task.out}: {found}",), exit_code=8)


def _measure(task: Task, seen: Outcome, target: Place) -> Outcome:
    source = open_place(task.source)
    with tempfile.TemporaryDirectory(prefix="batontrace-") as name:
        folder = Path(name)
        if isinstance(source, Folder):
            path, mark = source.path / task.name, None
        else:
            listed = _listed(source, task.name)
            path, mark = _fetch(source, listed, folder / "in"), listed.mark()
        out = target.path if isinstance(target, Folder) else folder / "out"
        result = process.process(path, out, command=task.command, source=mark)
        if not isinstance(target, Folder):
            _hand_over(out, target, result.session.id)
    return replace(
        seen,
        state="measured",
        takeovers=result.tables["exchanges"].num_rows,
        remarks=(*result.remarks, *result.left_out),
    )


def _compared(task: Task, session: str, size: int, mark: str, record: Mapping[str, Any]) -> Outcome:
    """What has changed since the session's tables were made."""
    target = open_place(task.out)
    seen = Outcome(task.name, "changed", session, (), size, mark)
    stored = _record(target, session)
    if stored is None:
        seen = replace(seen, state="new")
    elif any(target.stat(store.table_file(name, session)) is None for name in schema.TABLES):
        seen = replace(seen, why=("a table is missing",))
    elif mark in (stored.get("run_sha256"), stored.get("source")):
        state: State = "changed" if task.again else "unchanged"
        return replace(seen, state=state, why=("asked for again",) if task.again else ())
    else:
        seen = replace(seen, why=tuple(_differences(stored, record)))
    former = task.failed.get(session, {})
    if former.get("mark") == mark:
        said = str(former.get("said", ""))
        code = int(former.get("exit_code", NothingMeasured.exit_code))
        return replace(seen, state="failed before", why=(said,), lasting=True, exit_code=code)
    return seen


def _differences(stored: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    """In words, what a session's tables rest on that is no longer so."""
    if not now:
        yield "its files have changed"
        return
    before, after = stored.get("inputs", {}), now["inputs"]
    for name in sorted({*before, *after}):
        if name not in after:
            yield f"{name} is gone"
        elif name not in before:
            yield f"{name} is new"
        elif before[name] != after[name]:
            yield f"{name} changed"
    for name, version in now["versions"].items():
        if (former := stored.get("versions", {}).get(name)) != version:
            yield f"{name} {former} is now {version}"
    if words := constants.differences(stored.get("settings"), now["settings"]):
        yield words


def _record(target: Place, session: str) -> dict[str, Any] | None:
    """What is written down of a session's tables; None where it cannot be read."""
    name = store.provenance_file(session)
    if target.stat(name) is None:
        return None
    try:
        stored = json.loads(target.read(name))
    except (InputError, ValueError):
        return None
    return stored if isinstance(stored, dict) else None


def _size(session: Path, name: str) -> int:
    try:
        return (session.parent / name).stat().st_size
    except OSError:
        return 0


def _failed(task: Task, err: BatontraceError) -> Outcome:
    # as the season's folder has it: folders above it may bear a person's name
    said = str(err).replace(f"{task.source}{os.sep}", "").replace(f"{task.source}/", "")
    lasting = isinstance(err, InputError | NothingMeasured)
    return Outcome(task.name, "failed", why=(said,), lasting=lasting, exit_code=err.exit_code)


# --- sessions that lie in a bucket ----------------------------------------------------------


class _Listed(NamedTuple):
    """A session's file and all it names, with sizes and times of writing."""

    name: str
    session: str
    files: tuple[tuple[str, int, int], ...]

    def mark(self) -> str:
        """Changes where a file was written again, or the settings or versions are others. An
        object cannot be changed, only written anew: its size and time tell, without a download."""
        now = [self.name, self.files, constants.gather(), store.versions()]
        told = json.dumps(now, sort_keys=True, default=str)
        return hashlib.sha256(told.encode()).hexdigest()


def _listed(source: Place, name: str) -> _Listed:
    """Raises InputError where the session's file cannot be read or leads out of the place."""
    where = f"{source}/{name}"
    try:
        content = tomllib.loads(source.read(name).decode("utf-8"))
        told = content["session"]
        session = str(told["id"])
        recordings = content.get("recording", [])
        wanted = [told.get("venue"), told.get("reps"), *(r.get("file") for r in recordings)]
    except (UnicodeDecodeError, ValueError, KeyError, TypeError, AttributeError) as err:
        raise InputError(
            where, f"cannot be read ({err!r})", "a session file", "see `batontrace template`"
        ) from err
    files = []
    for each in (PurePosixPath(name).name, *wanted):
        if isinstance(each, str):
            full = _within(where, str(PurePosixPath(name).parent), each)
            if (entry := source.stat(full)) is not None:
                files.append((full, entry.size, entry.mtime_ns))
    return _Listed(name, session, tuple(dict.fromkeys(files)))


def _within(where: str, folder: str, name: str) -> str:
    """A file's name in the place, which it may not lead out of."""
    joined = os.path.normpath(f"{folder}/{name}".replace("\\", "/")).replace(os.sep, "/")
    if name.startswith("/") or joined.startswith("../") or joined in ("..", "."):
        raise InputError(where, f"names {name}", "a file in the season", "put it there")
    return joined.removeprefix("./")


def _fetch(source: Place, listed: _Listed, folder: Path) -> Path:
    """The session's files, laid out in `folder` as in the place; the session's own."""
    for name, _, _ in listed.files:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(source.read(name))
    return folder / listed.name


def _hand_over(out: Path, target: Place, session: str) -> None:
    """A session's tables to a bucket, the record last: until it is there they are the old run's
    or of two runs, which readers tell and the next season mends."""
    names = [store.table_file(table, session) for table in reversed(schema.TABLES)]
    anchors = [entry.name for entry in Folder(out).files() if f"={store.ANCHOR}/" in entry.name]
    names += [name for name in anchors if target.stat(name) is None]
    names.append(store.provenance_file(session))
    target.write("season", {name: (out / name).read_bytes() for name in names})


# --- the whole --------------------------------------------------------------------------


def _measured(
    engine: Engine,
    tasks: Sequence[Task],
    seen: Mapping[str, Outcome],
    tell: Progress,
    hear: Callable[[Outcome], None],
) -> dict[str, Outcome]:
    """Large sessions first, so that no core is left alone with one at the end. Sessions that
    another run is measuring are waited for once all else is done."""
    done: dict[str, Outcome] = {}
    total = sum(seen[task.name].size for task in tasks) or 1
    gone = 0
    tasks = sorted(tasks, key=lambda task: -seen[task.name].size)
    while tasks:
        busy = []
        tell(f"measure {len(tasks)}", gone, total)
        for number, (task, result) in enumerate(engine.run(measure, tasks), start=1):
            outcome = _sound(task, result)
            if outcome.state == "busy" and not task.wait:
                busy.append(task._replace(wait=True))
                continue
            gone += seen[task.name].size
            tell(f"measured {number} of {len(tasks)}", gone, total)
            done[task.name] = outcome
            hear(outcome)
        tasks = busy
    return done


def _sound(task: Task, result: Outcome | BaseException) -> Outcome:
    """An outcome, also where the session brought its process down or met a defect."""
    if isinstance(result, Outcome):
        return result
    said = " ".join(f"{type(result).__name__}: {result}".split())
    why = f"{task.name}: {said}; this is a defect, or the machine ran out of memory"
    known = task.seen or Outcome(task.name, "failed")
    return replace(known, state="failed", why=(why,), exit_code=70)


def _of_one_name(outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
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
            yield replace(one, state="failed", why=(why,), exit_code=5)


def _describe(target: Place) -> None:
    """Have the place say what it holds (package.py)."""
    if isinstance(target, Folder):
        store.describe(target.path)
        return
    with tempfile.TemporaryDirectory(prefix="batontrace-") as name:
        # What tells is which kinds of files there are: one of each stands for all.
        for below in (*schema.TABLES, *schema.DECISIONS, compacting.FOLDER):
            kinds = {}
            for entry in target.files(below):
                kinds[PurePosixPath(entry.name).parts[:2]] = Path(name, entry.name)
            for path in kinds.values():
                path.parent.mkdir(parents=True, exist_ok=True)
                path.touch()
        told = data_package.text(Path(name))
    if told is not None:
        target.write("season", {data_package.FILE: told.encode()})


def _failures(target: Place) -> dict[str, Mapping[str, Any]]:
    if target.stat(FAILURES) is None:
        return {}
    try:
        stored = json.loads(target.read(FAILURES))
    except (InputError, ValueError):
        return {}
    return stored if isinstance(stored, dict) else {}


def _write_failures(
    target: Place, former: Mapping[str, Mapping[str, Any]], outcomes: Iterable[Outcome]
) -> None:
    """What failed for good, so that it is not tried again before something has changed."""
    now = dict(former)
    for one in outcomes:
        if one.state == "failed" and one.lasting and one.mark:
            now[one.session] = {"mark": one.mark, "said": one.why[0], "exit_code": one.exit_code}
        elif one.state != "failed before":
            now.pop(one.session, None)
    if now != dict(former):
        content = json.dumps(now, indent=2, ensure_ascii=False) + "\n"
        target.write("season", {FAILURES: content.encode()})


def _summary(
    outcomes: Iterable[Outcome], compacted: compacting.Compacted | None, began: float
) -> Summary:
    ordered = tuple(sorted(outcomes, key=lambda one: one.name))
    return Summary(ordered, compacted, time.monotonic() - began)
