"""Several problems of one file reported at once, so that nobody corrects them run by run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from typing import NamedTuple, TypeVar

from pipeline.base.asking import comma_list
from pipeline.errors import InputError

MOST_PROBLEMS_SHOWN = 50  # of one file; with more, the whole file is wrong
_MOST_RUNS_LISTED = 5  # runs of lines, such as 2 to 41
_MOST_CELLS_LISTED = 3
_FEW_LINES = 3  # as many are not counted

E = TypeVar("E", bound=InputError)


def shortened_remarks(where: str, remarks: Sequence[str]) -> list[str]:
    """The first remarks on a file, and how many more there are."""
    shown = list(remarks[:MOST_PROBLEMS_SHOWN])
    if len(remarks) > len(shown):
        shown.append(f"{where}: {len(remarks) - len(shown)} more remarks like these")
    return shown


class FileRemark(NamedTuple):
    """A remark on a file, or on a line of it; `cell` is what it quotes of that line, as it is
    quoted, so that the same remark on other cells is known as such."""

    words: str
    line: int | None = None
    cell: str = ""


def grouped_remarks(file: str, remarks: Sequence[FileRemark]) -> list[str]:
    """The remarks on a file as sentences: those that are equal but for their line and cell are one,
    which names the lines. They keep their order."""
    alike: dict[tuple[str, bool], list[FileRemark]] = {}
    for one in remarks:
        words = one.words.replace(one.cell, "\0") if one.cell else one.words
        alike.setdefault((words, one.line is None), []).append(one)
    return [_remark_in_words(file, same) for same in alike.values()]


def _remark_in_words(file: str, same: Sequence[FileRemark]) -> str:
    lines = sorted({one.line for one in same if one.line is not None})
    where = f"{file}, {line_numbers_in_words(lines)}" if lines else file
    if len(lines) > _FEW_LINES:
        where = f"{file}, {line_numbers_in_words(lines)} ({len(lines)} rows)"
    cells = [*dict.fromkeys(one.cell for one in same)][1:]
    more = f" (likewise {comma_list(cells, _MOST_CELLS_LISTED)})" if cells else ""
    return f"{where}: {same[0].words}{more}"


def line_numbers_in_words(lines: Sequence[int]) -> str:
    """`line 2`, `lines 2, 3` or `lines 2 to 41, 50`."""
    runs: list[list[int]] = []
    for before, line in pairwise([-1, *lines]):
        if line != before + 1 or not runs:
            runs.append([])
        runs[-1].append(line)
    numbers = comma_list([word for run in runs for word in _run_words(run)], _MOST_RUNS_LISTED)
    return f"lines {numbers}" if len(lines) > 1 else f"line {numbers}"


def _run_words(run: Sequence[int]) -> list[str]:
    low, high = run[0], run[-1]
    return [f"{low} to {high}"] if len(run) > 2 else [str(one) for one in run]


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
