"""ISO 8601 time stamps of recordings, to seconds on the POSIX count (UTC without leap seconds)."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.units import DAY_S
from pipeline.base.values import Floats
from pipeline.read.text_columns import Bytes, Offsets, windows

NO_ZONE = "time stamps carry no zone and were taken as UTC"

_PLAIN = re.compile(
    rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.(\d+))?(Z|([+-])([01]\d|2[0-3]):([0-5]\d)|)"
)
_LEAP = re.compile(r"([T ]\d\d:?\d\d:?)60")


class Stamp(NamedTuple):
    """Seconds since 1970-01-01T00:00Z (NaN: not a time stamp), and whether it names a zone."""

    posix_s: float
    zoned: bool


def iso_stamp(text: str | None) -> Stamp:
    """The moment of an ISO 8601 date and time of day. Without a zone it is taken as UTC.

    The leap second 23:59:60 is the same POSIX second as 00:00:00 of the next day
    (POSIX.1-2017, Base Definitions 4.16).
    """
    text = (text or "").strip()
    leap = 0.0
    try:
        stamp = datetime.fromisoformat(text)
    except ValueError:
        lenient = _LEAP.sub(r"\g<1>59", text.upper().replace(" Z", "Z"))
        leap = 1.0 if _LEAP.search(text) else 0.0
        try:
            stamp = datetime.fromisoformat(lenient)
        except ValueError:
            return Stamp(math.nan, True)
    if len(text) < len("20260512T1703"):  # a bare date is not a moment
        return Stamp(math.nan, True)
    if stamp.tzinfo is None:
        return Stamp(stamp.replace(tzinfo=UTC).timestamp() + leap, False)
    try:
        return Stamp(stamp.timestamp() + leap, True)
    except (OverflowError, ValueError):  # year 1 minus an offset
        return Stamp(math.nan, True)


def iso_stamps(buffer: Bytes, start: Offsets, end: Offsets) -> tuple[Floats, Floats]:
    """`iso_stamp` of each ASCII text buffer[start:end]: seconds (n,), and 1.0 where zoned (n,)."""
    t_s, zoned = np.full(len(start), np.nan), np.ones(len(start))
    width = end - start
    for size in np.unique(width).tolist():
        same = np.flatnonzero(width == size)
        texts = windows(buffer, start[same], size) if size else np.empty((len(same), 0), np.uint8)
        t_s[same], zoned[same], sound = _plain_stamps(texts)
        for i in np.flatnonzero(~sound).tolist():
            t_s[same[i]], zoned[same[i]] = iso_stamp(texts[i].tobytes().decode("latin-1"))
    return t_s, zoned


def _plain_stamps(texts: Bytes) -> tuple[Floats, bool, NDArray[np.bool_]]:
    """Seconds of the stamps (n, width) that are written like the first one.

    Gives the seconds (n,), whether the stamps name a zone, and which of them are written like
    the first (n,): the seconds of the others mean nothing. The first must be written in full,
    with signs between its numbers; otherwise none is.
    """
    n, width = texts.shape
    first = _PLAIN.fullmatch(texts[0].tobytes())
    if first is None:
        return np.full(n, np.nan), True, np.zeros(n, dtype=bool)
    signs = np.ones(width, dtype=bool)
    fraction = len(first[1] or b"")
    for a, b in ((0, 4), (5, 7), (8, 10), (11, 13), (14, 16), (17, 19), (20, 20 + fraction)):
        signs[a:b] = False
    columns = np.ascontiguousarray(texts.T)
    digits = columns[~signs] - np.uint8(ord("0"))  # below "0" wraps round to more than 9
    sound = (columns[signs] == columns[signs][:, :1]).all(axis=0) & (digits <= 9).all(axis=0)

    def count(a: int, b: int) -> NDArray[np.int64]:
        total = np.zeros(n, dtype=np.int64)
        for row in digits[a:b]:
            total = 10 * total + row
        return total

    year, month, day = count(0, 4), count(4, 6), count(6, 8)
    hour, minute, second = count(8, 10), count(10, 12), count(12, 14)
    micros = count(14, 14 + min(fraction, 6)) * 10 ** (6 - min(fraction, 6))  # as in Python
    months = ((year - 1970) * 12 + month - 1).astype("datetime64[M]")
    first_day = months.astype("datetime64[D]").astype(np.int64)
    next_first_day = (months + 1).astype("datetime64[D]").astype(np.int64)
    sound &= (year >= 1) & (month >= 1) & (month <= 12)
    sound &= (day >= 1) & (first_day + day <= next_first_day)
    sound &= (hour <= 23) & (minute <= 59) & (second <= 59)
    offset_s = 0
    if first[3]:
        offset_s = (3600 * int(first[4]) + 60 * int(first[5])) * (-1 if first[3] == b"-" else 1)
    seconds = (first_day + day - 1) * DAY_S + 3600 * hour + 60 * minute + second - offset_s
    micros += 1_000_000 * seconds
    sound &= np.abs(micros) < 2**53  # exact as floats, so that they divide as in Python
    return micros / 1e6, first[2] != b"", sound
