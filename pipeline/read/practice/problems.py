"""Several problems of one file reported at once, so that nobody corrects them run by run."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TypeVar

from pipeline.errors import InputError

MOST_PROBLEMS_SHOWN = 50  # of one file; with more, the whole file is wrong

E = TypeVar("E", bound=InputError)


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
        return kind(f"{path}, {error.where}", error.found, error.expected, error.do)
    lines = [str(error) for error in wrong[:MOST_PROBLEMS_SHOWN]]
    if len(wrong) > MOST_PROBLEMS_SHOWN:
        lines.append(f"and {len(wrong) - MOST_PROBLEMS_SHOWN} more")
    return kind(path, f"{len(wrong)} problems\n  " + "\n  ".join(lines))


def either(words: Iterable[str]) -> str:
    """`"a", "b" or "c"`."""
    quoted = [f'"{w}"' for w in words]
    return " or ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """`did you mean "robin"?`, or "" where nothing known is like it."""
    spelt = {k.casefold(): k for k in known}
    close = difflib.get_close_matches(word.casefold(), spelt, n=1, cutoff=0.7)
    return f'did you mean "{spelt[close[0]]}"?' if close else ""


def misspelt(words: Iterable[str], known: Iterable[str]) -> dict[str, str]:
    """Of the words not known, those that are like a known one which is not there itself."""
    given, known = list(words), list(known)
    missing = [k for k in known if k not in given]
    return {
        word: close[0]
        for word in given
        if word not in known
        and (close := difflib.get_close_matches(word.casefold(), missing, n=1, cutoff=0.75))
    }
