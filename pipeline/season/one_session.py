"""One session of a season: what it needs, and having it done, in whichever process or machine.

`look` tells what a session needs; `measure_task` does it. Both take a `Task` and give an
`Outcome`, so that they can run in other processes and on other machines; a failure is an outcome
like any other.
"""

from __future__ import annotations

import contextlib
import posixpath
import secrets
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, Literal, NamedTuple

from pipeline.errors import (
    BatontraceError,
    FewerInputsError,
    InputError,
    NothingMeasured,
    OutputError,
)
from pipeline.read.practice.documents import SESSION_TOML
from pipeline.read.practice.session import parse_session_toml, read_session
from pipeline.season import bucket_claims, bucket_sessions
from pipeline.session import constants, former, process
from pipeline.tables import folders, forgetting, provenance, schema, work_folder
from pipeline.tables.places import Bucket, Folder, Place, open_place

# kept: its tables were made from more than is there now, and stay as they are
State = Literal[
    "new", "changed", "unchanged", "kept", "failed before", "failed", "busy", "measured"
]

_WAIT_S = 3600.0  # for another run that measures the same session


class Task(NamedTuple):
    """One session of a season: the name of its file in the place it comes from, and where to."""

    name: str
    source: str  # a folder or a URL
    out: str
    command: tuple[str, ...]
    again: bool = False
    failed: Mapping[str, Mapping[str, Any]] = {}  # by id: what was written down of its failure
    wait: bool = False
    anyway: bool = False  # fewer inputs than before may replace the tables that are there
    seen: Outcome | None = None  # what `look` gave, for `measure_task`
    token: str = ""  # the season's own, for its claims in a bucket


@dataclass(frozen=True)
class Outcome:
    """What became of a session, or will; `why` says what changed or went wrong."""

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


def look(task: Task) -> Outcome:
    """What a session needs. Nothing is computed and nothing is written."""
    try:
        source = open_place(task.source)
        if isinstance(source, Folder):
            session = read_session(source.path / task.name)
            record = process.run_record(session, task.command)
            mark, session_id = provenance.run_sha256(record), session.id
            size = sum(_file_size(source.path / task.name, name) for name in record["inputs"])
            inputs = record["inputs"]
        else:
            objects = bucket_sessions.list_session(source, task.name)
            session_id, size = objects.session, sum(size for _, size, _ in objects.files)
            record, mark = {}, objects.mark()
            start = PurePosixPath(task.name).parent
            inputs = {posixpath.relpath(name, start): "" for name, _, _ in objects.files}
        seen = _compare(task, session_id, size, mark, record)
        words = _forgotten_in_words(task, source, session_id)
        if words is not None:
            return replace(seen, state="kept", why=(words,))
        return seen if task.anyway else _keep_richer_tables(task, seen, source, inputs)
    except BatontraceError as err:
        return _failed_outcome(task, err)


def _forgotten_in_words(task: Task, source: Place, session_id: str) -> str | None:
    """Why a session is left alone whose folder names what was forgotten in OUT; else None."""
    target = open_place(task.out)
    if target.stat(forgetting.FORGOTTEN) is None:
        return None
    content = parse_session_toml(Path(task.name), source.read(task.name, SESSION_TOML.most_bytes))
    entries = [*content.get("runner", []), *content.get("recording", [])]
    named = {str(one.get("id", one.get("runner"))) for one in entries if isinstance(one, dict)}
    of_runner, of_session = forgetting.is_forgotten(target, named, session_id)
    if not of_runner and not of_session:
        return None
    what = "the session" if of_session else "a runner whom its file names"
    return f"{what} was forgotten in OUT: left alone as long as the file names them"


def _keep_richer_tables(
    task: Task, seen: Outcome, source: Place, inputs: Mapping[str, str | None]
) -> Outcome:
    """The outcome, "kept" where inputs are missing on which the tables that are there rest."""
    if seen.state != "changed":
        return seen
    tables = former.read_former(open_place(task.out), seen.session)
    if tables is None:
        return seen
    folder = PurePosixPath(task.name).parent
    missing = former.missing_inputs(
        tables.inputs,
        inputs,
        lambda name: source.stat(posixpath.normpath(folder / name)) is not None,
    )
    if not missing:
        return seen
    return replace(seen, state="kept", why=tuple(f"{name} is gone" for name in missing))


def measure_task(task: Task) -> Outcome:
    """Measure a session that needs it, and write its tables.

    Nothing is done where another run is at it, or has done it since `look`.
    """
    seen = task.seen or look(task)
    try:
        target = open_place(task.out)
        with _claim_session(task, seen.session, target) as still_ours:
            if still_ours is None:
                other = "season" if isinstance(target, Bucket) else "run"
                return replace(seen, state="busy", why=(f"another {other} is measuring it",))
            now = _compare(task, seen.session, seen.size, seen.mark, {})
            if now.state == "unchanged":
                return replace(now, why=("another run has measured it meanwhile",))
            return _process_session(task, seen, target, still_ours)
    except FewerInputsError as err:
        why = err.message_from(task.source)
        return replace(seen, state="kept", why=(why,), lasting=True)
    except BatontraceError as err:
        failed = _failed_outcome(task, err)
        return replace(failed, session=seen.session, size=seen.size, mark=seen.mark)
    except OSError as err:
        why = f"{task.out}: cannot be written ({err.strerror or err})"
        return replace(seen, state="failed", why=(why,), exit_code=OutputError.exit_code)


@contextlib.contextmanager
def _claim_session(task: Task, session: str, target: Place) -> Iterator[Callable[[], bool] | None]:
    """None where another run is measuring the session; else what tells whether it is still ours."""
    patience_s = _WAIT_S if task.wait else 0.0
    if isinstance(target, Bucket):
        token = task.token or secrets.token_hex(8)
        what = f"session={session}"
        with bucket_claims.claim_in_bucket(target, what, token, patience_s) as claim:
            yield None if claim is None else claim.is_held
    elif isinstance(target, Folder):
        with work_folder.claim(target.path, session, patience_s) as ours:
            yield (lambda: True) if ours else None


def _process_session(
    task: Task, seen: Outcome, target: Place, still_ours: Callable[[], bool]
) -> Outcome:
    source = open_place(task.source)
    with tempfile.TemporaryDirectory(prefix="batontrace-") as name:
        folder = Path(name)
        if isinstance(source, Folder):
            path, mark = source.path / task.name, None
        else:
            objects = bucket_sessions.list_session(source, task.name)
            path = bucket_sessions.fetch(source, objects, folder / "in")
            mark = objects.mark()
        out = target.path if isinstance(target, Folder) else folder / "out"
        result = process.make_session_tables(
            path, out, command=task.command, source=mark, anyway=task.anyway, target=target
        )
        if not isinstance(target, Folder):
            if not still_ours():
                return replace(seen, state="busy", why=("another season is measuring it",))
            bucket_sessions.hand_over(out, target, result.session.id)
    return replace(
        seen,
        state="measured",
        takeovers=result.tables["exchanges"].num_rows,
        remarks=(*result.remarks, *result.left_out),
    )


def _compare(task: Task, session: str, size: int, mark: str, record: Mapping[str, Any]) -> Outcome:
    """What has changed since the session's tables were made."""
    target = open_place(task.out)
    seen = Outcome(task.name, "changed", session, (), size, mark)
    stored = former.read_record(target, session)
    if stored is None:
        seen = replace(seen, state="new")
    elif any(target.stat(folders.part_file(name, session)) is None for name in schema.TABLES):
        seen = replace(seen, why=("a table is missing",))
    elif damaged := _damaged_tables(target, session, stored):
        seen = replace(seen, why=tuple(f"{name} is not as it was written" for name in damaged))
    elif mark in (stored.get("run_sha256"), stored.get("source")):
        state: State = "changed" if task.again else "unchanged"
        return replace(seen, state=state, why=("asked for again",) if task.again else ())
    else:
        seen = replace(seen, why=tuple(_differences(stored, record)))
    last = task.failed.get(session, {})
    if last.get("mark") == mark:
        why = str(last.get("said", ""))
        if last.get("kept"):
            return seen if task.anyway else replace(seen, state="kept", why=(why,), lasting=True)
        code = last.get("exit_code")
        code = code if isinstance(code, int) else NothingMeasured.exit_code
        return replace(seen, state="failed before", why=(why,), lasting=True, exit_code=code)
    return seen


def _damaged_tables(target: Place, session: str, stored: Mapping[str, Any]) -> list[str]:
    """The tables whose files are others than the record tells of, which readers leave out."""
    damaged = []
    for name, recorded in provenance.table_hashes(stored).items():
        try:
            if name in schema.TABLES:
                sha256 = target.own_sha256(folders.part_file(name, session))
                damaged += [name] * (sha256 not in (None, recorded))
        except InputError:
            damaged.append(name)
    return damaged


def _differences(stored: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    """What a session's tables rest on and is no longer so, in words."""
    if not now:
        yield "its files have changed"
        return
    before, after = provenance.input_hashes(stored), now["inputs"]
    for name in sorted({*before, *after}):
        if name not in after:
            yield f"{name} is gone"
        elif name not in before:
            yield f"{name} is new"
        elif before[name] != after[name]:
            yield f"{name} changed"
    for name, version in now["versions"].items():
        if (former := _former_version(stored, name)) != version:
            yield f"{name} {former} is now {version}"
    if words := constants.differences(stored.get("settings"), now["settings"]):
        yield words


def _former_version(stored: Mapping[str, Any], library: str) -> Any:
    versions = stored.get("versions")
    return versions.get(library) if isinstance(versions, dict) else None


def _file_size(session: Path, name: str) -> int:
    try:
        return (session.parent / name).stat().st_size
    except OSError:
        return 0


def _failed_outcome(task: Task, err: BatontraceError) -> Outcome:
    lasting = isinstance(err, InputError | NothingMeasured)
    why = err.message_from(task.source)
    return Outcome(task.name, "failed", why=(why,), lasting=lasting, exit_code=err.exit_code)
