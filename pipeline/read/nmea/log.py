"""NMEA 0183 logs: RMC, GGA, GNS, VTG and ZDA of any talker, joined into fixes.

Sentences are found wherever they stand, also between a receiver's binary messages, and each
must carry a checksum that holds. Those of one epoch are joined; when two talkers state the
same epoch the first is taken and the other only fills what it left open. The date comes
from RMC (or ZDA) and is carried, also over midnight, to epochs that have none. A time of
day stated twice by the same talker is two fixes: receivers with stamps of whole seconds
write several fixes to one.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats
from pipeline.errors import RecordingError
from pipeline.read.content import Content, sieve_fixes
from pipeline.read.nmea.by_columns import epochs as columns_of

_DAY_S = 86_400.0


def read(path: Path, data: bytes) -> Content:
    """Dropped fixes count the void and impossible ones, and position sentences (RMC, GGA,
    GNS) that are broken. Raises RecordingError where none holds, is dated, or has a fix."""
    epochs, talker, found, bad = columns_of(data)
    if found == bad:
        raise RecordingError(
            path,
            f"none of {found} position sentences (RMC, GGA, GNS) has a right checksum",
            "NMEA 0183 sentences, each with * and its checksum",
            "copy the log from the unit again, as binary",
        )
    stated = epochs[~np.isnan(epochs[:, 0])]
    if np.isnan(stated[:, 1]).all():
        raise RecordingError(
            path,
            f"no date in {found - bad} sound sentences",
            "RMC (or ZDA) sentences, which carry the date",
            "have the unit log RMC as well",
        )
    t_s = np.full(len(epochs), np.nan)
    t_s[~np.isnan(epochs[:, 0])] = posix_s(stated[:, 0], stated[:, 1])
    void = epochs[:, 8]
    is_fix = void == 0.0
    once = _once(t_s[is_fix], talker[is_fix])
    columns = epochs[is_fix][once]
    fixes, impossible = sieve_fixes(t_s[is_fix][once], *columns[:, 2:8].T)
    n_void = int((void == 1.0).sum())
    if fixes is None:
        raise RecordingError(
            path,
            f"no fix in {found - bad} sound sentences ({n_void} say that there is none)",
            "positions",
            "give the unit time to find satellites before recording",
        )
    remarks = []
    if bad:
        remarks.append(f"{bad} of {found} position sentences are broken and were left out")
    if n_void:
        remarks.append(f"{n_void} epochs without a fix were left out")
    return Content(fixes=fixes, dropped_fixes=n_void + bad + impossible, remarks=tuple(remarks))


def posix_s(tod_s: Floats, day: Floats) -> Floats:
    """Times of day (n,) in the order of the log, some with a date (n,; days since 1970, NaN
    without), to POSIX seconds. At least one has a date; a time of day that falls back by
    more than half a day has passed midnight."""
    step = np.diff(tod_s, prepend=tod_s[:1])
    midnights = np.cumsum(np.where(step < -_DAY_S / 2, 1, np.where(step > _DAY_S / 2, -1, 0)))
    first_day = day - midnights
    known = np.flatnonzero(~np.isnan(first_day))
    nearest = np.maximum(np.searchsorted(known, np.arange(len(day)), side="right") - 1, 0)
    posix: Floats = (first_day[known[nearest]] + midnights) * _DAY_S + tod_s
    return posix


def _once(t_s: Floats, talker: NDArray[np.int64]) -> NDArray[np.bool_]:
    """True for the fixes of the talker that stated a time first."""
    _, first, group = np.unique(t_s, return_index=True, return_inverse=True)
    once: NDArray[np.bool_] = talker == talker[first][group]
    return once
