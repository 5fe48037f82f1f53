"""Numbers in words, the same on every page and picture."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from pipeline.base.values import Estimate
from pipeline.base.words import in_feet_words

NBSP = "\u00a0"  # keeps a number and its unit on one line


def percent(chance: float) -> int:
    """Whole per cent, half a per cent upward."""
    return math.floor(100.0 * chance + 0.5)


def chance(p: float) -> str:
    """In per cent, without its sign; never more certain than the number was."""
    if p < 0.005:
        return "<1"
    if p >= 0.995:
        return ">99"
    return str(percent(p))


def chance_error(sd: float) -> str:
    """Standard error of a chance, in per cent, without its sign."""
    return "<1" if sd < 0.005 else str(percent(sd))


def signed(number: float, digits: int) -> str:
    """With its sign: + or −, ± where it rounds to nought."""
    text = f"{number:+.{digits}f}".replace("-", "−")
    return text if float(f"{number:.{digits}f}") else f"±{0:.{digits}f}"


def change(one: Estimate, digits: int) -> str:
    """A difference with its sign and its standard error: +0.02 ± 0.01, 0.00 ± 0.01."""
    both = plus_minus(one, digits)
    return f"+{both}" if float(f"{one.value:.{digits}f}") > 0.0 else both


def days(first: datetime, last: datetime) -> str:
    """One day, or from one to another: 2026-05-12 to 2026-05-26."""
    ends = dict.fromkeys(f"{when:%Y-%m-%d}" for when in (first, last))
    return " to ".join(ends)


def foot_of(row: Mapping[str, Any]) -> float | None:
    """The foot-length [m] in which a row of `marks` counts; None where it does not."""
    return row["mark_m"] / row["mark_feet"] if row["mark_feet"] else None


def tape(mark_m: float, foot_m: float | None) -> str:
    """A mark as it is laid: 28½ feet (8.50 m), or metres alone."""
    metres = f"{number(mark_m, 2)}{NBSP}m"
    return metres if not foot_m else f"{in_feet_words(mark_m / foot_m)} feet ({metres})"


def plus_minus(one: Estimate, digits: int) -> str:
    """Value ± standard error, never an error of nought: 3.22 ± 0.02."""
    sd = f"{one.sd:.{digits}f}"
    if not float(sd):
        sd = f"{10.0**-digits:.{digits}f}"
    return f"{number(one.value, digits)} ± {sd}".replace(" ", NBSP)


def number(value: float, digits: int) -> str:
    """With a true minus sign, and none before a nought."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if not float(text) else text.replace("-", "−")
