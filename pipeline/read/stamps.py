"""Time stamps as files write them, to seconds on the POSIX count (UTC without leap seconds)."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from typing import NamedTuple

NO_ZONE = "time stamps carry no zone and were taken as UTC"

_LEAP = re.compile(r"([T ]\d\d:?\d\d:?)60")


class Stamp(NamedTuple):
    """Seconds since 1970-01-01T00:00Z (NaN: not a time stamp), and whether a zone was named."""

    posix_s: float
    zoned: bool


def iso_stamp(text: str | None) -> Stamp:
    """An ISO 8601 date and time of day. A stamp without a zone is read as UTC.

    A leap second, 23:59:60, is the same POSIX second as 00:00:00 of the next day
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
    except (OverflowError, ValueError):  # year 1 less an offset
        return Stamp(math.nan, True)
