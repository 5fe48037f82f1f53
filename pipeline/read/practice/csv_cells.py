"""What spreadsheets' CSV exports have in common: the delimiter, and numbers with either sign."""

from __future__ import annotations

import math

_MOST_CHARACTERS = 60  # of a cell in a remark


def delimiter_of(header: str) -> str:
    """The comma, semicolon or tab that the header line has most of."""
    return max(",;\t", key=header.count)


def quoted_cell(text: str) -> str:
    """A cell in quotes, as remarks show it: a long one is cut off."""
    return f'"{text[:_MOST_CHARACTERS]}{"…" if len(text) > _MOST_CHARACTERS else ""}"'


def parse_decimal(text: str) -> float:
    """A number with a decimal point or comma; NaN where the text is none."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return math.nan
