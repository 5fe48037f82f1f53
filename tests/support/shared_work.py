"""Work that all processes of a test run share: the first who needs it does it, the others wait.

The run's folder is named in the environment, so that workers and their children find it. Where
there is none, as in a script, a process does its own work. Only what depends on nothing but its
key may be shared, and nobody may write into what it gets.
"""

from __future__ import annotations

import functools
import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import ParamSpec, TypeVar

from filelock import FileLock

VARIABLE = "BATONTRACE_SHARED_WORK"
P = ParamSpec("P")
T = TypeVar("T")


@contextmanager
def folder_of_the_run() -> Iterator[None]:
    """For the process that starts the others."""
    with tempfile.TemporaryDirectory(prefix="shared-work-") as folder:
        os.environ[VARIABLE] = folder
        yield
        del os.environ[VARIABLE]


def once(key: str, make: Callable[[Path], object]) -> Path:
    """The folder that `make` has filled."""
    home = Path(os.environ.get(VARIABLE) or _own_folder())
    place = home / hashlib.sha256(key.encode()).hexdigest()[:16]
    done = home / f"{place.name}.done"
    with FileLock(f"{place}.lock"):
        if not done.exists():
            place.mkdir()  # fails where `make` has failed before: nobody gets half of it
            make(place)
            done.touch()
    return place


@functools.cache
def _own_folder() -> str:
    folder = tempfile.TemporaryDirectory(prefix="own-work-")
    _kept.append(folder)
    return folder.name


_kept: list[tempfile.TemporaryDirectory[str]] = []


def shared(function: Callable[P, T]) -> Callable[P, T]:
    """A function of plain values whose result is worked out once in a run, and pickled."""

    @functools.wraps(function)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> T:
        if VARIABLE not in os.environ:
            return function(*args, **kwargs)

        def make(place: Path) -> None:
            (place / "result").write_bytes(pickle.dumps(function(*args, **kwargs)))

        called = (function.__module__, function.__qualname__, args, sorted(kwargs.items()))
        result: T = pickle.loads((once(repr(called), make) / "result").read_bytes())
        return result

    return wrapped
