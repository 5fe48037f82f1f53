"""Words of errors about names: what was probably meant, and what there is to choose from."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Sequence
from itertools import islice

NEAREST = 3  # like names that are put first
MOST_LISTED = 8  # names in an answer to a name that is not there
_MOST_COMPARED = 1000  # names that may have been meant; comparing two takes microseconds


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
    near = difflib.get_close_matches(asked, _comparable(asked, in_order), n=NEAREST)
    names = [*near, *(name for name in in_order if name not in near)]
    return f"one of {comma_list(names, MOST_LISTED) or 'none'}"


def question(name: str) -> str:
    """`did you mean "robin"?`"""
    return f'did you mean "{name}"?'


def _comparable(asked: str, names: Collection[str]) -> Iterable[str]:
    """The names; of very many, only some of those that begin as `asked` does."""
    if len(names) <= _MOST_COMPARED:
        return names
    return islice((name for name in names if name[:1] == asked[:1] or not asked), _MOST_COMPARED)


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """`did you mean "robin"?`, or "" where nothing known is like it."""
    near = nearest(word, known)
    return "" if near is None else question(near)


def nearest(word: str, known: Iterable[str], alike: float = 0.7) -> str | None:
    """The known word most like this one, capitals and small letters taken as the same; None where
    none is as much like it as `alike` (0 to 1, `difflib`'s ratio)."""
    spelt = {k.casefold(): k for k in known}
    asked = word.casefold()
    close = difflib.get_close_matches(asked, _comparable(asked, spelt), n=1, cutoff=alike)
    return spelt[close[0]] if close else None


def misspelt(words: Iterable[str], known: Iterable[str]) -> dict[str, str]:
    """Of the words not known, those that are like a known one which is not there itself."""
    given, known = list(words), list(known)
    there = set(given)
    missing = [k for k in known if k not in there]
    return {
        word: close[0]
        for word in _comparable("", given)
        if word not in known
        and (close := difflib.get_close_matches(word.casefold(), missing, n=1, cutoff=0.75))
    }
