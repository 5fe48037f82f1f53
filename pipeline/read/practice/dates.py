"""Dates and times as coaches write them: the session's day, moments, and starts of reps."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

from pipeline.base.units import DAY_S

MOST_DAYS_OFF = 1.6  # anywhere on Earth, a day lies within this of the same date's noon in UTC


def is_near_day(date: dt.date, utc_s: float) -> bool:
    """Whether a moment (POSIX seconds) can lie on that date in some time zone."""
    noon = dt.datetime.combine(date, dt.time(12), dt.UTC)
    return abs(utc_s - noon.timestamp()) <= MOST_DAYS_OFF * DAY_S


class Moment(NamedTuple):
    """POSIX seconds, and whether clocks showed that time twice or, put forward, skipped it."""

    utc_s: float
    doubt: Literal["", "twice", "skipped"] = ""


def moment_in_zone(clock: dt.datetime, zone: dt.tzinfo) -> Moment:
    """The moment at which clocks showed `clock`, which is in `zone` where it names no other.

    Where clocks are put back it is the first of two; where they are put forward and skip that
    time, it is reckoned as if they had not been.
    """
    if clock.tzinfo is not None:
        return Moment(clock.timestamp())
    first, second = (clock.replace(tzinfo=zone, fold=fold).timestamp() for fold in (0, 1))
    if first == second:
        return Moment(first)
    return Moment(first, "twice" if first < second else "skipped")


def moment_of_cell(
    cells: Mapping[str, str],
    column: str,
    date: dt.date,
    before: float | None,
    remarks: list[str],
    shown: Callable[[str], str] = '"{}"'.format,
) -> float | None:
    """POSIX seconds of a moment, written as `HH:MM`, `HH:MM:SS` or a date with a time.

    Without a zone it is UTC. Without a date it is on `date`, or on the next day where it would
    otherwise lie more than 12 h before `before`, the moment of the row above (POSIX seconds).
    None where the cell is blank, and None with a remark where it is no time or on another day;
    `shown` makes of the cell what the remark quotes.
    """
    text = cells.get(column, "")
    if not text:
        return None
    plain = re.sub(r"^(\d)(?=:)", r"0\1", text)
    try:
        if re.match(r"\d{2}:\d{2}", plain):
            clock = dt.time.fromisoformat(plain)
            moment = dt.datetime.combine(date, clock)
            day_given = False
        else:
            moment, day_given = dt.datetime.fromisoformat(plain), True
            if re.fullmatch(r"\d{4}-?\d{2}-?\d{2}", plain):
                raise ValueError
    except ValueError:
        expected = "17:03:20 or 2026-05-12T17:03:20Z"
        remarks.append(f"{column}: {shown(text)} is not a time; expected {expected}")
        return None
    utc_s = moment.replace(tzinfo=moment.tzinfo or dt.UTC).timestamp()
    if not day_given and before is not None and before - utc_s > DAY_S / 2:
        utc_s += DAY_S
    if not is_near_day(date, utc_s):
        remarks.append(
            f"{column}: {moment.date()} is not on the session's day, {date}; "
            "the cell is passed over"
        )
        return None
    return utc_s
