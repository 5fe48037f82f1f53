"""Where a season's sessions are measured: in this process, in several, or on a cluster.

Each engine runs a function over tasks and gives (task, result or exception) as each is done.
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
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Here:
    """One task after the other, in this process."""

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]:
        for task in tasks:
            yield task, _result_or_error(function, task)


class Threads:
    """Several threads of this process, for tasks that wait for disks, networks or checksums."""

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]:
        with ThreadPoolExecutor(self.workers) as pool:
            futures = {pool.submit(_result_or_error, function, task): task for task in tasks}
            try:
                for future in as_completed(futures):
                    yield futures[future], future.result()
            finally:
                pool.shutdown(wait=False, cancel_futures=True)


class Processes:
    """Several processes of this machine.

    When one process of a pool is killed (by the system, say, because memory ran out), the whole
    pool breaks, and it does not say which task was to blame. So no more tasks are handed in than
    there are processes. Those that were in hand are run again, each alone in a fresh process; a
    task that brings that one down too gets the exception.
    """

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def run(
        self, function: Callable[[T], R], tasks: Sequence[T]
    ) -> Iterator[tuple[T, R | BaseException]]:
        left = list(tasks)
        while left:
            suspects: list[T] = []
            with _spawned_pool(min(self.workers, len(left))) as pool:
                hand: dict[Future[R | BaseException], T] = {}
                while (left and not suspects) or hand:
                    while left and len(hand) < self.workers and not suspects:
                        task = left.pop(0)
                        try:
                            hand[pool.submit(_result_or_error, function, task)] = task
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
        with _spawned_pool(1) as pool:
            try:
                return pool.submit(_result_or_error, function, task).result()
            except BrokenProcessPool as err:
                return err


@contextlib.contextmanager
def _spawned_pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """A pool of spawned, not forked, processes.

    So the threads of this process (of pyarrow, of a progress bar) stay out of them.
    """
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context)
    try:
        yield pool
    except BaseException:  # Ctrl-C as well: running tasks are given up, tables stay whole
        for process in list((pool._processes or {}).values()):
            process.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _result_or_error(function: Callable[[T], R], task: T) -> R | BaseException:
    """What a task returned or raised, as a value.

    Not every exception can be sent to another process, so its words are.
    """
    try:
        return function(task)
    except Exception as err:
        return RuntimeError(f"{type(err).__name__}: {err}")
