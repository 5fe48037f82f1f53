"""Numbers and dates as the language in force writes them."""

from __future__ import annotations

import calendar
import functools
import re
from datetime import date
from typing import Literal

from pipeline.language.choice import SOURCE, language_in_force

# A number that is no part of a name, a version or a date.
_NUMBER = re.compile(r"(?<![\w.])([+−±-]?\d+)\.(\d+)(?![\w.]*\d)(?!\.?\w)")
_QUOTED = re.compile(r'("[^"]*"|\'[^\']*\'|`[^`]*`)')
_GROUPED = re.compile(r"\d{1,3}(,\d{3})+")


def number(value: float, digits: int) -> str:
    """A number with its decimals, a true minus sign, and no sign before a 0: "−0.25", "−0,25"."""
    text = f"{value:.{digits}f}"
    return localised(text.lstrip("-") if not float(text) else text)


def localised(text: str) -> str:
    """What Python wrote of one number, with a true minus sign and the language's decimal sign."""
    return text.replace("-", "−").replace(".", decimal_sign(language_in_force()))


def localised_numbers(text: str) -> str:
    """A text with its numbers as the language has them; names and what is quoted keep theirs."""
    language = language_in_force()
    sign = decimal_sign(language)
    if sign == ".":
        return text
    if _GROUPED.fullmatch(text):
        return text.replace(",", _group_sign(language))
    parts = _QUOTED.split(text)
    parts[::2] = [
        _NUMBER.sub(lambda found: f"{found[1].replace('-', '−')}{sign}{found[2]}", part)
        for part in parts[::2]
    ]
    return "".join(parts)


@functools.cache
def decimal_sign(language: str) -> str:
    """The sign before the decimals: "." or ","."""
    if language == SOURCE:
        return "."
    from babel.numbers import get_decimal_symbol

    return get_decimal_symbol(language)


@functools.cache
def _group_sign(language: str) -> str:
    from babel.numbers import get_group_symbol

    return get_group_symbol(language)


def day_words(when: date) -> str:
    """A day: 2026-05-12 in English, whose readers differ in the order of day and month; 12.05.2026
    or 12/05/2026 where a language has one way."""
    language = language_in_force()
    if language == SOURCE:
        return f"{when:%Y-%m-%d}"
    from babel.dates import format_skeleton

    return format_skeleton("yMMdd", when, locale=language)


def month_words(when: date) -> str:
    """The month of a day and its year: "May 2026"."""
    language = language_in_force()
    if language == SOURCE:
        return f"{calendar.month_name[when.month]} {when.year}"
    from babel.dates import format_skeleton

    return format_skeleton("yMMMM", when, locale=language)


def weekday_words(weekday: int, letters: int) -> str:
    """A day of the week, 0 for Monday, in its first letters: "Mo" (2), "Mon" (3)."""
    language = language_in_force()
    if language == SOURCE:
        return calendar.day_name[weekday][:letters]
    from babel.dates import get_day_names

    width: Literal["short", "abbreviated"] = "short" if letters < 3 else "abbreviated"
    return str(get_day_names(width, "stand-alone", language)[weekday]).rstrip(".")
