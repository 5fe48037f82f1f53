"""How numbers are written, the same on every page, card and figure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.base.values import Estimate
from pipeline.base.words import in_feet_words, move_in_words, percent

NBSP = "\u00a0"  # keeps a number and its unit on one line
CLEAR_SDS, LEAST_COST_S = 2.0, 0.03  # less is said to be nothing
_ERROR = re.compile(r" \([+−-]?[\d.]+ ± [\d.]+ s\)|[ \u00a0]±[ \u00a0][\d.]+")


def chance_words(p: float) -> str:
    """A chance in per cent, without the sign; never 0 or 100, which would claim certainty."""
    if p < 0.005:
        return "<1"
    if p >= 0.995:
        return ">99"
    return str(percent(p))


def chance_error_words(sd: float) -> str:
    """The standard error of a chance in per cent, without the sign."""
    return "<1" if sd < 0.005 else str(percent(sd))


def with_sign(number: float, digits: int) -> str:
    """A number with + or −, or ± where it rounds to 0."""
    text = f"{number:+.{digits}f}".replace("-", "−")
    return text if float(f"{number:.{digits}f}") else f"±{0:.{digits}f}"


def change_words(one: Estimate, digits: int) -> str:
    """A difference with its sign and its standard error: +0.02 ± 0.01, 0.00 ± 0.01."""
    both = with_error(one, digits)
    return f"+{both}" if float(f"{one.value:.{digits}f}") > 0.0 else both


def on_the_wall(utc: datetime, time_zone: str | None) -> datetime:
    """The moment by the clocks of a zone of the IANA database, in UTC where none is named.

    A zone that this machine does not know counts as none: a page is shown all the same, and names
    UTC.
    """
    if time_zone not in (None, "UTC"):
        with suppress(KeyError, ValueError, OSError):  # ZoneInfoNotFoundError is a KeyError
            return utc.astimezone(ZoneInfo(str(time_zone)))
    return utc.astimezone(UTC)


def clock_words(when: datetime) -> str:
    """The time of day: 19:21:03 on the wall, 17:21:03 UTC where that is all that is known."""
    return f"{when:%H:%M:%S}{NBSP}UTC" if when.tzinfo is UTC else f"{when:%H:%M:%S}"


def zone_words(whens: Iterable[datetime]) -> str:
    """By whose clocks the times are, a sentence; nothing where they say UTC themselves."""
    zones = dict.fromkeys(str(when.tzinfo) for when in whens if when.tzinfo is not UTC)
    return f"Times are local ({', '.join(zones)})." if zones else ""


def day_range(first: datetime, last: datetime) -> str:
    """One day, or two: 2026-05-12 to 2026-05-26."""
    ends = dict.fromkeys(f"{when:%Y-%m-%d}" for when in (first, last))
    return " to ".join(ends)


def foot_length_m(row: Mapping[str, Any]) -> float | None:
    """The foot-length [m] in which a row of `marks` counts; None where it counts in metres."""
    return row["mark_m"] / row["mark_feet"] if row["mark_feet"] else None


def mark_words(mark_m: float, foot_m: float | None) -> str:
    """A mark as it is laid: 28½ feet (8.50 m), or in metres alone."""
    metres = f"{decimal(mark_m, 2)}{NBSP}m"
    return metres if not foot_m else f"{in_feet_words(mark_m / foot_m)} feet ({metres})"


def with_error(one: Estimate, digits: int) -> str:
    """Value ± standard error: 3.22 ± 0.02. An error that rounds to 0 is written as the last digit's
    unit."""
    sd = f"{one.sd:.{digits}f}"
    if not float(sd):
        sd = f"{10.0**-digits:.{digits}f}"
    return f"{decimal(one.value, digits)} ± {sd}".replace(" ", NBSP)


def without_errors(sentence: str) -> str:
    """A sentence without its standard errors, for where it is read at a glance."""
    return _ERROR.sub("", sentence)


def is_clear(lost: Estimate) -> bool:
    """Whether a difference of time [s] stands out of its error and is worth a word."""
    return abs(lost.value) >= max(CLEAR_SDS * lost.sd, LEAST_COST_S)


def is_loss(lost: Estimate | None) -> bool:
    """Whether time was lost that stands out; False where it is not known."""
    return lost is not None and lost.value > 0.0 and is_clear(lost)


def tape_move_words(by_m: float, foot_m: float | None) -> str:
    """How far a tape moves: in the receiver's foot-lengths to a half ("" where that is nowhere), in
    metres where the foot-length is not known."""
    if foot_m:
        return move_in_words(by_m / foot_m)
    return f"{abs(by_m):.2f}{NBSP}m {'farther' if by_m > 0 else 'nearer'}"


def cost_words(lost: Estimate) -> str:
    """What a takeover cost against its pair's best mark: 0.14 s lost, 0.10 s won, nothing lost
    where the difference does not stand out of its error."""
    if not is_clear(lost):
        return "nothing lost"
    return f"{abs(lost.value):.2f}{NBSP}s {'lost' if lost.value > 0 else 'won'}"


def decimal(value: float, digits: int) -> str:
    """A number with a true minus sign; no sign before a 0."""
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if not float(text) else text.replace("-", "−")
