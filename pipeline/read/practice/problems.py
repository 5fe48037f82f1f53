"""Several problems of one file reported at once, so that nobody corrects them run by run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar

from pipeline.errors import InputError

MOST_PROBLEMS_SHOWN = 50  # of one file; with more, the whole file is wrong

E = TypeVar("E", bound=InputError)


def shortened_remarks(where: str, remarks: Sequence[str]) -> list[str]:
    """The first remarks on a file, and how many more there are."""
    shown = list(remarks[:MOST_PROBLEMS_SHOWN])
    if len(remarks) > len(shown):
        shown.append(f"{where}: {len(remarks) - len(shown)} more remarks like these")
    return shown


@contextmanager
def collected_errors(wrong: list[E], kind: type[E]) -> Iterator[None]:
    """Adds an error of `kind` raised inside to `wrong`, and goes on."""
    try:
        yield
    except kind as error:
        wrong.append(error)


def combined_error(kind: type[E], path: object, wrong: Sequence[E]) -> E:
    """One error that tells all of a file's; the `where` of each is a place within the file."""
    if len(wrong) == 1:
        error = wrong[0]
        return kind(f"{path}, {error.where}", error.found, error.expected, error.do, error.details)
    lines = [line for error in wrong[:MOST_PROBLEMS_SHOWN] for line in error.lines]
    if len(wrong) > MOST_PROBLEMS_SHOWN:
        lines.append(f"and {len(wrong) - MOST_PROBLEMS_SHOWN} more")
    return kind(path, f"{len(wrong)} problems", details=lines)
