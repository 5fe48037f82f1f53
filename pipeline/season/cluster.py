"""A season on a Dask cluster that is already running; why Dask: docs/decisions/0012-cluster.md.

This module is imported only when a cluster is asked for, and needs the extra `cluster`.
"""

from __future__ import annotations

import importlib.metadata
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from pipeline.errors import InputError, UsageError

T = TypeVar("T")
R = TypeVar("R")

_CONNECT_S = 20.0
_RETRIES = 2  # for a task that raised; Dask itself gives a dead worker's task to another


class Cluster:
    """An engine (season.py) on the workers of a scheduler.

    Raises UsageError without Dask, InputError where the scheduler cannot be reached or its workers
    have another version of batontrace.
    """

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError:
            raise UsageError(
                "--cluster",
                "the library distributed is not there",
                "Dask, on this machine and on the workers",
                "pip install 'batontrace[cluster]'",
            ) from None
        try:
            self._client = distributed.Client(address, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as err:
            raise InputError(
                address,
                f"no scheduler answers ({err})",
                "the address of a Dask scheduler, such as tcp://10.0.0.5:8786",
                "start one: dask scheduler; and on each machine: dask worker ADDRESS",
            ) from err
        self._require_same_version()

    def _require_same_version(self) -> None:
        ours = installed_version()
        try:
            theirs: dict[str, str] = self._client.run(installed_version)
        except Exception as err:  # a worker without batontrace may raise anything
            raise InputError(
                "--cluster", f"its workers cannot run batontrace ({err})", f"batontrace {ours}"
            ) from err
        others = {worker: v for worker, v in theirs.items() if v != ours}
        if others:
            worker, other = next(iter(others.items()))
            raise InputError(
                worker, f"has batontrace {other}", f"{ours}, as here", "install the same version"
            )

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]:
        from distributed import as_completed

        futures: dict[Any, T] = {
            self._client.submit(function, task, pure=False, retries=_RETRIES): task
            for task in tasks
        }
        try:
            for future in as_completed(futures, loop=self._client.loop):
                error = future.exception()
                yield futures[future], future.result() if error is None else error
                future.release()
        finally:
            self._client.cancel([f for f in futures if not f.done()], force=True)


def installed_version() -> str:
    """The version of batontrace on the machine that runs this."""
    return importlib.metadata.version("batontrace")
