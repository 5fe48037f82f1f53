"""What every page, card, figure and table on the terminal says alike: numbers and days as the
language in force writes them, and the sentences of `base.words` in that language.

`base.words` is English, for rooms that store what they say. Where words go to people they are taken
from here; a test holds `show` and `cli` to it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from pipeline.base import words
from pipeline.base.values import Estimate
from pipeline.base.words import percent
from pipeline.language.numbers import day_words, localised, number
from pipeline.language.phrases import phrase, phrase_around, phrase_count, phrase_of, reworded

T = TypeVar("T")

NBSP = "\u00a0"  # keeps a number and its unit on one line
CLEAR_SDS, LEAST_COST_S = 2.0, 0.03  # less is said to be nothing
_NUMBER, _SPACE = r"\d+(?:[.,]\d+)?", "[ \u00a0]"
_PLUS_MINUS = f"{_SPACE}±{_SPACE}{_NUMBER}"
_ERROR = re.compile(rf"{_SPACE}\([+−±-]?{_NUMBER}{_PLUS_MINUS}{_SPACE}s\)|{_PLUS_MINUS}")


# --- sentences of `base.words` in the language in force -----------------------------------


def caution() -> str:
    """The caution beside marks and drills that are advised."""
    return reworded(words.CAUTION)


def tenth_words() -> str:
    """How far 0.1 s shifts the pass."""
    return reworded(words.TENTH)


def odds_words(p: float) -> str:
    """A chance as a coach would say it: "9 in 10", as `chance_in_words` has it."""
    return reworded(words.chance_in_words(p))


def cause_words(cause: str) -> str:
    """A cause of lost time as a coach would call it: "tape"."""
    return reworded(words.cause_in_words(cause))


def the_cause_words(cause: str) -> str:
    """The same with its article, as the subject of a sentence: "the tape"."""
    return reworded(words.the_cause_in_words(cause))


def outcome_words(outcome: str) -> str:
    """The outcome of a takeover as a coach would say it."""
    return reworded(words.outcome_in_words(outcome))


def takeover_words(outcome: str, faults: Sequence[str], zone_doubt: str | None) -> tuple[str, ...]:
    """Outcome, faults, and the doubt about the zone where no fault has it already.

    Outcome and faults are as the tables have them, the doubt as `zone_doubt_words` says it.
    """
    first, *others = words.takeover_in_words(outcome, faults, zone_doubt)
    bare = phrase("unclear") if first == "unclear" else reworded(first)
    return bare, *(text if text is zone_doubt else reworded(text) for text in others)


def zone_doubt_words(
    p_in_zone: float | None, pass_m: float | None, pass_sd_m: float | None, zone_length_m: float
) -> str | None:
    """A pass that may lie outside the zone, as `zone_doubt_in_words` has it."""
    said = words.zone_doubt_in_words(p_in_zone, pass_m, pass_sd_m, zone_length_m)
    return None if said is None else reworded(said)


def small_number_words(number_of: int) -> str:
    """A number of things as it is said, in words up to twelve."""
    return reworded(words.number_in_words(number_of))


def lost_axis_words() -> str:
    """The label of an axis on which lost time is to the right of 0."""
    return phrase("s won to the left, lost to the right")


def takeovers_words(number_of: int) -> str:
    """So many takeovers, where nothing else is said of them."""
    return phrase_count("{count} takeover", "{count} takeovers", number_of)


def kinds_left_words(number_of: int) -> tuple[str, ...]:
    """That so many kinds of what was observed are not drawn, a note; none where that is 0."""
    if not number_of:
        return ()
    note = phrase_count(
        "Not drawn: {count} kind with fewer observations.",
        "Not drawn: {count} kinds with fewer observations.",
        number_of,
    )
    return (note,)


# --- sentences in a row -------------------------------------------------------------------


def with_head(head: str, text: str) -> str:
    """What something is about, and what is said of it: "Robin to Wren: 5 takeovers"."""
    return phrase_of("a head and what is said of it", "{head}: {text}", head=head, text=text)


def joined_parts(parts: Iterable[str]) -> str:
    """Parts of one sentence, which could be sentences themselves, with semicolons between."""
    return phrase_of("between the parts of a sentence", "; ").join(parts)


# --- numbers ------------------------------------------------------------------------------


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


def with_sign(value: float, digits: int) -> str:
    """A number with + or −, or ± where it rounds to 0."""
    is_zero = not float(f"{value:.{digits}f}")
    return localised(f"±{0:.{digits}f}" if is_zero else f"{value:+.{digits}f}")


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
    return phrase("Times are local ({zones}).", zones=", ".join(zones)) if zones else ""


def day_range(first: datetime, last: datetime) -> str:
    """One day, or two: 2026-05-12 to 2026-05-26."""
    ends = tuple(dict.fromkeys(map(day_words, (first, last))))
    if len(ends) == 1:
        return ends[0]
    return phrase_of("from one day to another", "{first} to {last}", first=ends[0], last=ends[1])


def pair_title(incoming: str, outgoing: str) -> str:
    """Who gives the baton to whom: Robin to Wren."""
    return phrase("{incoming} to {outgoing}", incoming=incoming, outgoing=outgoing)


def pair_around(incoming: T, outgoing: T) -> list[str | T]:
    """The same around names that are elements of a page."""
    return phrase_around("{incoming} to {outgoing}", incoming=incoming, outgoing=outgoing)


def foot_length_m(row: Mapping[str, Any]) -> float | None:
    """The foot-length [m] in which a row of `marks` counts; None where it counts in metres."""
    return row["mark_m"] / row["mark_feet"] if row["mark_feet"] else None


def mark_words(mark_m: float, foot_m: float | None) -> str:
    """A mark as it is laid: 28½ feet (8.50 m), or in metres alone."""
    metres = f"{decimal(mark_m, 2)}{NBSP}m"
    if not foot_m:
        return metres
    feet = words.in_feet_words(mark_m / foot_m)
    return phrase("{feet} feet ({metres})", feet=feet, metres=metres)


def with_error(one: Estimate, digits: int) -> str:
    """Value ± standard error: 3.22 ± 0.02. An error that rounds to 0 is written as the last digit's
    unit."""
    sd = max(float(f"{one.sd:.{digits}f}"), 10.0**-digits)
    return f"{decimal(one.value, digits)}{NBSP}±{NBSP}{decimal(sd, digits)}"


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
        return reworded(words.move_in_words(by_m / foot_m))
    if by_m > 0:
        return phrase("{metres:.2f}\u00a0m farther", metres=by_m)
    return phrase("{metres:.2f}\u00a0m nearer", metres=-by_m)


def cost_words(lost: Estimate) -> str:
    """What a takeover cost against its pair's best mark: 0.14 s lost, 0.10 s won, nothing lost
    where the difference does not stand out of its error."""
    if not is_clear(lost):
        return phrase("nothing lost")
    if lost.value > 0:
        return phrase("{lost_s:.2f}\u00a0s lost", lost_s=lost.value)
    return phrase("{won_s:.2f}\u00a0s won", won_s=-lost.value)


def decimal(value: float, digits: int) -> str:
    """A number with a true minus sign; no sign before a 0."""
    return number(value, digits)
