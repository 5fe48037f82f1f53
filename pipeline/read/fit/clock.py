"""The times of a FIT file: stamps on UTC, and a unit's uptime tied to UTC.

Stamps are seconds since 1989-12-31T00:00Z on the UTC count. Those below FIRST_DATE are the
unit's uptime instead. A `timestamp_correlation` message ties uptime to UTC; without one it
stays a counter.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.base.values import Basis, Floats
from pipeline.read.fit.messages import Messages, first_stated

FIT_EPOCH_S = 631_065_600.0  # 1989-12-31T00:00Z; FIT profile, type date_time
FIRST_DATE = 0x10000000  # below it a date_time is seconds of uptime; FIT profile, date_time


class UtcTie(NamedTuple):
    """Pairs (m,) of a unit's own time and UTC, both in FIT seconds, ordered by own time."""

    system_s: Floats
    utc_s: Floats

    def posix_s(self, stamp_s: Floats, sensor: bool = False) -> tuple[Floats, Basis]:
        """FIT stamps (n,) to POSIX seconds (n,), and which clock these count on.

        The basis is "counter" where no stamp is a date and nothing ties the unit's time to UTC.
        Batches of a `sensor` carry the unit's own time even where it looks like a date.
        """
        with np.errstate(invalid="ignore"):
            is_date = stamp_s >= FIRST_DATE
        if len(self.system_s):
            own_time_is_date = bool(self.system_s[0] >= FIRST_DATE)
            tied = np.where(
                (is_date == own_time_is_date) & (sensor | ~is_date),
                stamp_s + np.interp(stamp_s, self.system_s, self.utc_s - self.system_s),
                np.where(is_date, stamp_s, np.nan),
            )
            return tied + FIT_EPOCH_S, "utc"
        if is_date.any():
            return np.where(is_date, stamp_s, np.nan) + FIT_EPOCH_S, "utc"
        return stamp_s, "counter"


def utc_tie(correlations: Messages | None) -> UtcTie:
    """What the `timestamp_correlation` messages of a file say, as far as they are sound."""
    if correlations is None:
        return UtcTie(np.empty(0), np.empty(0))
    m = correlations
    utc_part = first_stated(milliseconds(m, "timestamp_ms"), m.single("fractional_timestamp"))
    system_part = first_stated(
        milliseconds(m, "system_timestamp_ms"), m.single("fractional_system_timestamp")
    )
    utc = m.single("timestamp") + np.nan_to_num(utc_part)
    system = m.single("system_timestamp") + np.nan_to_num(system_part)
    sound = np.isfinite(utc) & np.isfinite(system) & (utc >= FIRST_DATE)
    order = np.argsort(system[sound], kind="stable")
    return UtcTie(system[sound][order], utc[sound][order])


def milliseconds(messages: Messages, field: str) -> Floats:
    """(n,) a field of milliseconds, in seconds."""
    return messages.single(field) * 1e-3
