"""Numbers in words, the same on every page and picture."""

from __future__ import annotations

import math

from pipeline.model import Estimate

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
