"""What another user than root meets: root may read and write whatever the permissions say.

The tests usually run as root, to whom a file of mode 000 is as good as any other. Where that is
so, a forked child gives up root's rights before it runs the function; elsewhere the child keeps
its user. The child imports nothing from folders that only root may enter, such as a Python under
/root: whatever the function needs must be imported before, which `run_as_other_user` sees to for
the command. The child can start no such Python anew either: give `season` one worker.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import pickle
import pkgutil
import select
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ParamSpec, TypeVar

import command
import pytest

import pipeline

NOBODY = 65534  # both user and group
WAIT_S = 120.0

# What libraries import only when they first need it.
LATE_IMPORTS = (
    "csv", "concurrent.futures.thread", "email.parser", "encodings.idna", "encodings.latin_1",
    "encodings.utf_16_le", "encodings.utf_8_sig", "html.parser", "importlib.readers",
    "importlib.resources",
    "matplotlib.backends.backend_agg", "matplotlib.backends.backend_svg", "matplotlib.style",
    "numpy.random", "pyarrow.compute", "pyarrow.csv", "pyarrow.dataset", "pyarrow.fs",
    "pyarrow.parquet", "rich.progress", "rich.table", "scipy.linalg", "scipy.special",
    "scipy.stats", "typer.rich_utils", "xlsxwriter",
)  # fmt: skip

P = ParamSpec("P")
T = TypeVar("T")


def is_root() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0


def call_as_other_user(function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """What the function returns, or the exception it raises, in a forked child without root's
    rights. What it changes in memory is lost; it is ended after two minutes."""
    if not hasattr(os, "fork"):
        pytest.skip("no other user can be played without fork")
    reading, writing = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        _answer_and_end(writing, lambda: function(*args, **kwargs))
    os.close(writing)
    answer = _read_answer(reading, child)
    if not answer:
        raise RuntimeError("the child of another user ended without an answer")
    succeeded, value = pickle.loads(answer)
    if succeeded:
        result: T = value
        return result
    raise value


def run_as_other_user(*words: object) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of the command (see `command.run`)."""
    for module in pkgutil.walk_packages(pipeline.__path__, "pipeline."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    for name in LATE_IMPORTS:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    return call_as_other_user(command.run, *words)


@contextlib.contextmanager
def folder_of_other_user() -> Iterator[Path]:
    """A new folder which the other user owns; pytest's own folders are closed to others."""
    with tempfile.TemporaryDirectory(prefix="other-user-") as name:
        hand_over(Path(name))
        yield Path(name).resolve()


def hand_over(path: Path) -> None:
    """Give a file or folder, with all in it, to the other user."""
    if is_root():
        for one in (path, *path.rglob("*")):
            os.chown(one, NOBODY, NOBODY, follow_symlinks=False)


def _answer_and_end(writing: int, work: Callable[[], object]) -> None:
    """In the child: give up root, work, send what came of it and end without any clearing up."""
    try:
        if is_root():
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        answer = pickle.dumps((True, work()))
    except BaseException as error:  # also what would end pytest: it belongs to the parent
        told = "".join(traceback.format_exception(error))
        try:
            answer = pickle.dumps((False, error))
            pickle.loads(answer)
        except Exception:
            answer = pickle.dumps((False, RuntimeError(told)))
    with os.fdopen(writing, "wb") as stream:
        stream.write(answer)
    os._exit(0)


def _read_answer(reading: int, child: int) -> bytes:
    parts = []
    with os.fdopen(reading, "rb") as stream:
        while select.select([stream], [], [], WAIT_S)[0]:
            parts.append(os.read(stream.fileno(), 1 << 16))
            if not parts[-1]:
                break
        else:
            os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return b"".join(parts)
