"""What a reader may show of a file in a message: its words, never its numbers.

Messages about recordings stand in tables and on pages, and these hold no positions on Earth. Any
number of a recording may be a part of one, however it is written: in degrees, in degrees and
minutes, in semicircles, or as the first row of a CSV without a header. So every reader shows what
it found through `quote_without_numbers`, and none shows the words of a library's error, which may
quote the file.
"""

from __future__ import annotations

import re

_MOST_CHARACTERS = 40
_MOST_DIGITS = 2  # in a name, such as those of m/s2 or sensor 12; whole degrees at the most
_NUMBER = re.compile(r"[-+]?\d(?:[\d.,]*\d)?")


def quote_without_numbers(text: str) -> str:
    """The text in quotes, with # in the place of each number; "a number" where it is nothing else.

    A name with a letter keeps up to two digits. Long texts are cut off, and what cannot be printed
    becomes a question mark.
    """
    shown = "".join(c if c.isprintable() else "?" for c in text[:_MOST_CHARACTERS])
    digits = sum(c.isnumeric() for c in shown)
    if digits and not any(c.isalpha() for c in shown):
        return "a number"
    if digits > _MOST_DIGITS:
        shown = _NUMBER.sub("#", "".join("0" if c.isnumeric() else c for c in shown))
    return f"'{shown}{'…' if len(text) > _MOST_CHARACTERS else ''}'"


def is_shown_whole(text: str) -> bool:
    """Whether `quote_without_numbers` shows the text as it is."""
    return quote_without_numbers(text) == f"'{text}'"
