"""Dates and times as coaches write them: the session's day, moments, and starts of reps."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from typing import Literal, NamedTuple

from pipeline.base.asking import in_words
from pipeline.base.units import DAY_S
from pipeline.read.practice.csv_cells import quoted_cell

MOST_DAYS_OFF = 1.6  # anywhere on Earth, a day lies within this of the same date's noon in UTC
_CLOCK = re.compile(
    r"(?P<hour>\d{1,2})"
    r"(?:(?::|(?P<dot>\.)|\s?h\s?)(?P<minute>\d{2})"
    r"(?:(?:[:.]|\s?m(?:in)?\s?)(?P<second>\d{2})(?:[.,](?P<part>\d{1,9}))?(?:\s?s)?|\s?m(?:in)?)?)?"
    r"(?P<hours>\s?(?:h|uhr))?"
    r"(?:\s?(?P<half>[ap])\.?\s?m\.?)?"
    r"(?:\s?(?P<zone>z|utc|[+-]\d{1,2}(?::?\d{2})?))?"
)
_DATE_AND_CLOCK = re.compile(r"(?P<date>\d[\d./-]*\d\.?)(?:\s*[t,]\s*|\s+)(?P<clock>\d.*)")
_YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})")
_YEAR_LAST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})(?:\2(\d{4}|\d{2}))?\.?")
_EXPECTED_TIME = "17:03:20 or 2026-05-12T17:03:20Z"


def is_near_day(date: dt.date, utc_s: float) -> bool:
    """Whether a moment (POSIX seconds) can lie on that date in some time zone."""
    noon = dt.datetime.combine(date, dt.time(12), dt.UTC)
    return abs(utc_s - noon.timestamp()) <= MOST_DAYS_OFF * DAY_S


class Moment(NamedTuple):
    """POSIX seconds, and whether clocks showed that time twice or, put forward, skipped it."""

    utc_s: float
    doubt: Literal["", "twice", "skipped"] = ""


class ClockReading(NamedTuple):
    """One way to read a cell: the time of day, and the days that its date may mean, none where it
    has no date."""

    clock: dt.time  # with its zone where the cell names one
    days: tuple[dt.date, ...] = ()


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
    shown: Callable[[str], str] = quoted_cell,
    zone: dt.tzinfo = dt.UTC,
) -> float | None:
    """POSIX seconds of a moment, written as people type it: a time of day, or a date with one.

    `17:01`, `17.01:20`, `17h01` and `5:01 pm` are times; dates are `2026-06-09`, `09.06.2026` and
    `6/9/2026`, of which `date`, the session's day, settles which number is the month. Without a
    zone of its own the moment is in `zone`. Without a date it is on `date`, or on the next day
    where it would otherwise lie more than 12 h before `before`, the moment of the row above (POSIX
    seconds). None where the cell is blank, and None with a remark where it is no time, is on
    another day or may mean several; `shown` makes of the cell what the remark quotes.
    """
    text = cells.get(column, "")
    if not text:
        return None
    reading = _clock_reading_of_text(text, date)
    if reading is None:
        remarks.append(f"{column}: {shown(text)} is not a time; {_meant_time(text)}")
        return None
    if not reading.days and _may_be_the_day(text, date):
        remarks.append(
            f"{column}: {shown(text)} may be a time or the session's day; the cell is passed over; "
            f"write a time as {reading.clock.strftime('%H:%M')}"
        )
        return None
    found = [_moment_on(day, reading.clock, zone) for day in reading.days or (date,)]
    near = [one for one in found if is_near_day(date, one.utc_s)]
    if len(near) != 1:
        days = in_words([day.isoformat() for day in reading.days or (date,)], "or")
        remarks.append(
            f"{column}: {shown(text)} may be {days}, and the session's day is {date}; "
            "the cell is passed over; correct the date"
            if len(reading.days) > 1
            else f"{column}: {days} is not on the session's day, {date}; the cell is passed over"
        )
        return None
    moment = near[0]
    if not reading.days and before is not None and before - moment.utc_s > DAY_S / 2:
        moment = _moment_on(date + dt.timedelta(days=1), reading.clock, zone)
    if moment.doubt == "skipped":
        remarks.append(
            f"{column}: clocks in {zone} skipped {shown(text)} that day; the cell is passed over"
        )
        return None
    if moment.doubt == "twice":
        remarks.append(
            f"{column}: clocks in {zone} showed {shown(text)} twice that day; taken as the first; "
            "write the second with its zone, as 02:30+01:00"
        )
    return moment.utc_s


def _moment_on(day: dt.date, clock: dt.time, zone: dt.tzinfo) -> Moment:
    """The moment of a clock's reading on a day."""
    return moment_in_zone(dt.datetime.combine(day, clock), zone)


def _clock_reading_of_text(text: str, date: dt.date) -> ClockReading | None:
    """How a cell reads as a moment; None where it is none. `date` is the session's day."""
    plain = unicodedata.normalize("NFKC", text).replace("\u2212", "-").casefold().strip()
    if (clock := _clock_of_text(plain)) is not None:
        return ClockReading(clock)
    if parts := _DATE_AND_CLOCK.fullmatch(plain):
        days = tuple(dict.fromkeys(_days_of_text(parts["date"], date)))
        clock = _clock_of_text(parts["clock"])
        if days and clock is not None:
            on_the_day = [day for day in days if abs((day - date).days) <= 2]
            return ClockReading(clock, tuple(on_the_day) or days)
    with suppress(ValueError):  # what else ISO 8601 has, such as 20260512T170320Z
        moment = dt.datetime.fromisoformat(text)
        if "T" in text.upper() and 1900 <= moment.year <= 2200:
            return ClockReading(moment.timetz(), (moment.date(),))
    return None


def _clock_of_text(plain: str) -> dt.time | None:
    """The time of day of a text in small letters; None where it is none."""
    found = _CLOCK.fullmatch(plain)
    if found is None or not (found["minute"] or found["hours"] or found["half"]):
        return None
    hour, half = int(found["hour"]), found["half"]
    if half and not 1 <= hour <= 12:
        return None
    if half:
        hour = hour % 12 + (12 if half == "p" else 0)
    micro = int((found["part"] or "0")[:6].ljust(6, "0"))
    with suppress(ValueError):
        return dt.time(
            hour,
            int(found["minute"] or 0),
            int(found["second"] or 0),
            micro,
            _zone_of_text(found["zone"]),
        )
    return None


def _zone_of_text(text: str | None) -> dt.timezone | None:
    """The zone that a time names, as z, +02:00, +0200 or +2. Raises ValueError beyond a day."""
    if text is None or text in ("z", "utc"):
        return None if text is None else dt.UTC
    digits = text[1:].replace(":", "")
    hours, minutes = (digits[:-2], digits[-2:]) if len(digits) > 2 else (digits, "0")
    ahead = dt.timedelta(hours=int(hours), minutes=int(minutes))
    return dt.timezone(-ahead if text[0] == "-" else ahead)


def _days_of_text(text: str, date: dt.date) -> Iterator[dt.date]:
    """The days that a date may mean. With dots the day comes first; with a year of two digits, or
    none, it is one near the session's `date`."""
    if found := _YEAR_FIRST.fullmatch(text):
        orders = [(found[1], found[3], found[4])]
    elif found := _YEAR_LAST.fullmatch(text):
        one, sign, two, year = found.groups()
        years = [year] if year and len(year) == 4 else [f"20{year}"] if year else []
        years = years or [str(date.year + more) for more in (0, -1, 1)]
        orders = [(own, two, one) for own in years]
        orders += [(own, one, two) for own in years if sign != "."]
        if year and len(year) == 2 and sign == "-":
            orders.append((f"20{one}", two, year))
    else:
        return
    for own_year, month, day in orders:
        with suppress(ValueError):
            found_day = dt.date(int(own_year), int(month), int(day))
            if 1900 <= found_day.year <= 2200 and (found_day.year == date.year or len(text) > 5):
                yield found_day


def _meant_time(text: str) -> str:
    """What a cell that is no time may have meant, or what is expected."""
    plain = text.casefold().strip()
    digits = re.fullmatch(r"(\d{1,2})(\d{2})", plain)
    if digits and _clock_of_text(f"{digits[1]}:{digits[2]}") is not None:
        return f"did you mean {digits[1]}:{digits[2]}?"
    zoned = re.fullmatch(r"(.*\d)\s*[a-z]{3,5}", plain)
    if zoned and _clock_of_text(zoned[1].rpartition(" ")[2]) is not None:
        return "write its zone as Z or +02:00, or leave it out"
    return f"expected {_EXPECTED_TIME}"


def _may_be_the_day(text: str, date: dt.date) -> bool:
    """Whether a time of day with a dot, such as 12.05, may be the session's day without a time."""
    return "." in text and date in _days_of_text(text.strip(), date)
