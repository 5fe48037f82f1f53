"""`read_nmea`: the fixes of an NMEA 0183 log, from RMC, GGA, GNS, VTG and ZDA of any talker.

Sentences are found wherever they stand, even between a receiver's binary messages, and each must
carry a right checksum. The sentences of one epoch are joined. Where two talkers state the same
epoch, the first one's values are used, and the other fills in only what is missing. The date comes
from RMC or ZDA and is carried on, past midnight too, to epochs that have none. A time of day
stated twice by the same talker gives two fixes, since receivers with stamps of whole seconds write
several fixes in one second.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.base.units import DAY_S
from pipeline.base.values import Floats
from pipeline.errors import RecordingError
from pipeline.read.nmea.sentence_columns import epochs_by_columns
from pipeline.read.nmea.sentences import TooManySentences
from pipeline.read.screening import Content, sieve_fixes


def read_nmea(path: Path, data: bytes) -> Content:
    """The fixes of a log.

    Dropped are epochs without a fix, impossible fixes, and broken position sentences (RMC, GGA,
    GNS). Raises RecordingError where no position sentence is sound, none is dated, or there is no
    fix.
    """
    try:
        epochs, talker, found, bad = epochs_by_columns(data)
    except TooManySentences:
        raise RecordingError(
            path,
            "more sentences than a recording has",
            "one session's recording",
            "cut the log to the session",
        ) from None
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
            f"no date in {found - bad} sound position sentences",
            "RMC (or ZDA) sentences, which carry the date",
            "have the unit log RMC as well",
        )
    t_s = np.full(len(epochs), np.nan)
    t_s[~np.isnan(epochs[:, 0])] = _posix_times(stated[:, 0], stated[:, 1])
    void = epochs[:, 8]
    is_fix = void == 0.0
    once = _is_first_talker(t_s[is_fix], talker[is_fix])
    columns = epochs[is_fix][once]
    fixes, impossible = sieve_fixes(t_s[is_fix][once], *columns[:, 2:8].T)
    n_void = int((void == 1.0).sum())
    if fixes is None:
        raise RecordingError(
            path,
            f"no fix in {found - bad} sound position sentences ({n_void} epochs say there is none)",
            "positions",
            "give the unit time to find satellites before recording",
        )
    remarks = []
    if bad:
        remarks.append(f"{bad} of {found} position sentences are broken and were left out")
    if n_void:
        remarks.append(f"{n_void} epochs without a fix were left out")
    return Content(fixes=fixes, dropped_fixes=n_void + bad + impossible, remarks=tuple(remarks))


def _posix_times(tod_s: Floats, day: Floats) -> Floats:
    """Times of day (n,), in seconds and in the order of the log, to POSIX seconds (n,).

    `day` (n,) is days since 1970, NaN where there is no date; at least one is stated. Where the
    time of day falls by more than half a day, midnight has passed.
    """
    half_day_s = DAY_S / 2
    step = np.diff(tod_s, prepend=tod_s[:1])
    midnights = np.cumsum(np.where(step < -half_day_s, 1, np.where(step > half_day_s, -1, 0)))
    first_day = day - midnights
    known = np.flatnonzero(~np.isnan(first_day))
    nearest = np.maximum(np.searchsorted(known, np.arange(len(day)), side="right") - 1, 0)
    posix: Floats = (first_day[known[nearest]] + midnights) * DAY_S + tod_s
    return posix


def _is_first_talker(t_s: Floats, talker: NDArray[np.int64]) -> NDArray[np.bool_]:
    """True (n,) for the fixes of the talker that stated their time first."""
    _, first, group = np.unique(t_s, return_index=True, return_inverse=True)
    once: NDArray[np.bool_] = talker == talker[first][group]
    return once
