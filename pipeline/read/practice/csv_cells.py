"""What spreadsheets' CSV exports have in common: the delimiter, and numbers with either sign."""

from __future__ import annotations

import math


def delimiter_of(header: str) -> str:
    """The comma, semicolon or tab that the header line has most of."""
    return max(",;\t", key=header.count)


def parse_decimal(text: str) -> float:
    """A number with a decimal point or comma; NaN where the text is none."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return math.nan
