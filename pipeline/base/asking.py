"""Words of errors about names: what was probably meant, and what there is to choose from."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

NEAREST = 3  # like names that are put first
MOST_LISTED = 8  # names in an answer to a name that is not there


def in_words(words: Sequence[str], last: str = "and") -> str:
    """`a, b and c`."""
    return f" {last} ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def either(words: Iterable[str]) -> str:
    """`"a", "b" or "c"`."""
    return in_words([f'"{word}"' for word in words], "or")


def comma_list(words: Sequence[str], most: int | None = None) -> str:
    """`a, b, c`; with more than `most` of them, `a, b and 3 more`."""
    shown = words[:most]
    rest = len(words) - len(shown)
    return ", ".join(shown) + (f" and {rest} more" if rest else "")


def one_of(known: Iterable[str], asked: str | None = None) -> str:
    """`one of a, b, c`, or `one of none`. Where it answers a name that was `asked` for, the names
    most like it come first, the others in order, `MOST_LISTED` in all."""
    names = list(known)
    if asked is None:
        return f"one of {comma_list(names) or 'none'}"
    in_order = sorted(set(names))
    near = difflib.get_close_matches(asked, in_order, n=NEAREST)
    names = [*near, *(name for name in in_order if name not in near)]
    return f"one of {comma_list(names, MOST_LISTED) or 'none'}"


def question(name: str) -> str:
    """`did you mean "robin"?`"""
    return f'did you mean "{name}"?'


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """`did you mean "robin"?`, or "" where nothing known is like it."""
    spelt = {k.casefold(): k for k in known}
    close = difflib.get_close_matches(word.casefold(), spelt, n=1, cutoff=0.7)
    return question(spelt[close[0]]) if close else ""


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
