"""Where a season's sessions are measured: in this process, in several, or on a cluster.

Each engine runs a function over tasks and gives (task, result or exception) as they are done.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    as_completed,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def cores() -> int:
    """How many this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Here:
    """One after the other, in this process."""

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]:
        for task in tasks:
            yield task, _outcome(function, task)


class Threads:
    """Several threads of this process, for what waits: for disks, networks, checksums."""

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]:
        with ThreadPoolExecutor(self.workers) as pool:
            futures = {pool.submit(_outcome, function, task): task for task in tasks}
            try:
                for future in as_completed(futures):
                    yield futures[future], future.result()
            finally:
                pool.shutdown(wait=False, cancel_futures=True)


class Processes:
    """Several processes of this machine.

    A pool breaks as a whole when one of its processes is killed (by the system, out of memory,
    say), and does not tell which task was to blame. So no more tasks are handed in than there
    are processes, and those that were in hand are run again, each alone in a fresh process; one
    that brings that down too gets the exception.
    """

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]:
        left = list(tasks)
        while left:
            suspects: list[T] = []
            with _pool(min(self.workers, len(left))) as pool:
                hand: dict[Future[R | BaseException], T] = {}
                while (left and not suspects) or hand:
                    while left and len(hand) < self.workers and not suspects:
                        task = left.pop(0)
                        try:
                            hand[pool.submit(_outcome, function, task)] = task
                        except BrokenProcessPool:
                            suspects.append(task)
                    for future in wait(hand, return_when=FIRST_COMPLETED).done:
                        task = hand.pop(future)
                        try:
                            yield task, future.result()
                        except BrokenProcessPool:
                            suspects.append(task)
            for task in suspects:
                yield task, self._alone(function, task)

    def _alone(self, function: Callable[[T], R], task: T) -> R | BaseException:
        with _pool(1) as pool:
            try:
                return pool.submit(_outcome, function, task).result()
            except BrokenProcessPool as err:
                return err


@contextlib.contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Spawned, not forked: threads of this process (of pyarrow, of a progress bar) stay out."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context)
    try:
        yield pool
    except BaseException:  # Ctrl-C as well: what runs is given up, tables are whole all the same
        for process in list((pool._processes or {}).values()):
            process.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _outcome(function: Callable[[T], R], task: T) -> R | BaseException:
    """What a task gave or raised, as a value: not every exception can be sent."""
    try:
        return function(task)
    except Exception as err:
        return RuntimeError(f"{type(err).__name__}: {err}")
