"""Each system call that writes, renames or syncs fails once: a program of its own, under strace.

    strace -f -e inject=CALLS:error=EIO:when=NTH python fault_at_call.py FOLDER

strace counts the calls of each process by themselves and lets the NTH of each kind fail. So that
this is the first, the second, the third ... of an operation, a forked child first makes so many
harmless calls of the kind. How many the operation makes is counted first: after it, so many
harmless calls are left until one fails. Prints how many calls failed, by operation and kind.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import kill_at_random as killed
import pyarrow as pa
import under_fire_writer as writer

from pipeline.errors import BatontraceError
from pipeline.tables import compacting, folders, places

NTH = 700
# Of the calls of a kind so many are tried, spread over the operation; of a session's run every one
# that moves, links or syncs.
MOST_TRIES = {"write": 5, "unlink": 3, "rmdir": 2}
MOST_ELSEWHERE = 3
WHOLE = "process"
ANCHORED = "2026-05-12"  # an id beside which an empty session is written


def harmless(scratch: Path) -> dict[str, Callable[[], object]]:
    """A call of each kind that changes nothing that matters."""
    null = os.open(os.devnull, os.O_WRONLY)
    file = scratch / "file"
    file.touch()
    handle = os.open(file, os.O_RDWR)
    inside = os.open(scratch, os.O_RDONLY)

    return {
        "write": lambda: os.write(null, b"x"),
        "fsync": lambda: os.fsync(handle),
        "rename": lambda: os.replace(file, file),
        "mkdir": lambda: refused(os.mkdir, scratch),
        "linkat": lambda: refused(os.link, file, file, follow_symlinks=False),
        "unlink": lambda: refused(os.unlink, scratch / "none"),
        "unlinkat": lambda: refused(os.unlink, "none", dir_fd=inside),
        "rmdir": lambda: refused(os.rmdir, scratch / "none"),
        "chmod": lambda: os.chmod(file, 0o600),
        "fchmod": lambda: os.fchmod(handle, 0o600),
        "ftruncate": lambda: os.ftruncate(handle, 0),
    }


def refused(call: Callable[..., object], *words: object, **named: object) -> None:
    with contextlib.suppress(FileExistsError, FileNotFoundError):
        call(*words, **named)


# --- what is tried -----------------------------------------------------------------------


def write_anchored(out: Path, run: int) -> None:
    writer.write(out, ANCHORED, run)


def compact(out: Path, _run: int) -> None:
    compacting.compact(places.Folder(out))


OPERATIONS = {
    "process": killed.write_session,
    "first session": write_anchored,
    "decisions": killed.write_decisions,
    "compaction": compact,
    "export": killed.write_export,
    "report": killed.write_page,
}


def count_calls(do: Callable[[], object], call: Callable[[], object]) -> int:
    do()
    for left in range(NTH):
        try:
            call()
        except OSError:
            return NTH - 1 - left
    raise AssertionError("strace lets nothing fail")


def try_with_fault(do: Callable[[], object], call: Callable[[], object], nth: int) -> bool:
    """Whether the operation went well although its n-th call failed."""
    for _ in range(NTH - nth):
        call()
    try:
        do()
    except BatontraceError:
        return False
    return True


def visible(out: Path) -> dict[str, bytes]:
    """Files as their users see them; without the empty sessions that stand beside odd ids, which
    may be there early, and what says what lies in OUT."""
    return {
        str(path.relative_to(out.parent)): path.read_bytes()
        for path in sorted(out.parent.rglob("*"))
        if path.is_file()
        and ".batontrace" not in path.parts
        and f"session={folders.ANCHOR}" not in path.parts
        and path.name != folders.DATA_PACKAGE_FILE
    }


def check(
    out: Path,
    before: dict[str, bytes],
    after: dict[str, bytes],
    *,
    went_well: bool,
    by_part: bool,
    removing: bool,
) -> None:
    """`by_part`: each file is written by itself, and may be the former one or the new.
    `removing`: it was a removal that failed, so a hidden folder beside an export may stay."""
    found = visible(out)
    states = [after] if went_well else [before, after] if by_part else [before]
    if any(found.get(n) not in [state.get(n) for state in states] for n in {*before, *found}):
        changed = sorted(n for n in {*before, *found} if before.get(n) != found.get(n))
        raise AssertionError(f"went well: {went_well}; changed: {changed}")
    killed.require_success(killed.fork(lambda: writer.write(out, "heron", 1)), "the next run")
    killed.check_one_run(out)
    left = [path.name for path in (out / ".batontrace").iterdir() if path.name != "lock"]
    strange = [path.name for path in out.parent.iterdir() if path.name.startswith(".")]
    if [*([] if removing else strange), *(name for name in left if not name.startswith("new-"))]:
        raise AssertionError(f"left behind: {left}, {strange}")


def renew(copy: Path, original: Path) -> None:
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(original, copy)


def try_all(folder: Path, name: str) -> dict[str, int]:
    """Let each call of an operation fail in turn; how many did, by kind."""
    scratch = Path(tempfile.mkdtemp(dir=folder))
    template = folder / name / "template" / "out"
    done = folder / name / "done" / "out"
    killed.prepare(template)
    killed.require_success(killed.fork(lambda: writer.write(template, killed.SESSION, 7)), "a run")
    shutil.copytree(template.parent, done.parent)
    killed.require_success(killed.fork(lambda: OPERATIONS[name](done, 3)), name)
    before, after = visible(template), visible(done)
    counts = {}
    out = folder / name / "tried" / "out"
    for kind, call in harmless(scratch).items():
        told = folder / f"{name}-{kind}"

        def count(told: Path = told, call: Callable[[], object] = call) -> None:
            told.write_text(str(count_calls(lambda: OPERATIONS[name](out, 3), call)))

        killed.require_success(killed.fork(lambda: renew(out.parent, template.parent)), "a copy")
        killed.require_success(killed.fork(count), f"counting {kind} of {name}")
        made = int(told.read_text())
        most = min(made, MOST_TRIES.get(kind, made if name == WHOLE else MOST_ELSEWHERE))
        tries = [1 + made * k // most for k in range(most)]
        counts[kind] = len(tries)
        for nth in tries:
            killed.require_success(
                killed.fork(lambda: renew(out.parent, template.parent)), "a copy"
            )

            def attempt(
                nth: int = nth, kind: str = kind, call: Callable[[], object] = call
            ) -> None:
                went_well = try_with_fault(lambda: OPERATIONS[name](out, 3), call, nth)
                by_part, removing = name == "compaction", kind in ("rmdir", "unlink", "unlinkat")
                check(out, before, after, went_well=went_well, by_part=by_part, removing=removing)

            killed.require_success(killed.fork(attempt), f"{kind} {nth} of {name} failed: this")
    return counts


def main(folder: Path) -> None:
    killed.import_what_is_used(folder, list(OPERATIONS.values()))
    counts = {}
    for name in OPERATIONS:
        told = folder / f"{name}.json"

        def tell(name: str = name, told: Path = told) -> None:
            told.write_text(json.dumps(try_all(folder, name)))

        killed.require_success(killed.fork(tell), name)
        counts[name] = json.loads(told.read_text())
    print(json.dumps(counts))


if __name__ == "__main__":
    pa.set_cpu_count(1)
    main(Path(sys.argv[1]))
