"""Streams put in order: sorted by time, stamps spread, doubles and stray samples dropped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.base.signals import spread_stamps
from pipeline.base.values import Fixes, Floats, Imu, Ints

STRAY_STAMP_S = 24 * 3600.0  # a stamp this far from the file's middle one is no stamp


def tidy_fixes(fixes: Fixes | None) -> tuple[Fixes | None, int]:
    """The fixes in strictly rising time order, and how many were dropped.

    Stamps of whole seconds that several fixes share are spread over the second.
    """
    if fixes is None or not fixes.t_s.size:
        return None, 0
    order, t = _rows_in_order(fixes.t_s)
    if _all_in_order(order, fixes.t_s):
        return replace(fixes, t_s=t), 0
    return replace(fixes.rows(order), t_s=t), fixes.t_s.size - t.size


def tidy_imu(imu: Imu | None) -> tuple[Imu | None, int]:
    """As `tidy_fixes`, for an accelerometer; a sample without a value is dropped too."""
    if imu is None or not imu.t_s.size:
        return None, 0
    order, t = _rows_in_order(imu.t_s)
    whole = np.isfinite(imu.acc_mps2.sum(axis=1))[order]  # a NaN or infinity among three shows
    order, t = order[whole], t[whole]
    if not t.size:
        return None, imu.t_s.size
    if _all_in_order(order, imu.t_s):
        return replace(imu, t_s=t), 0
    gyro = imu.gyro_radps[order] if len(imu.gyro_radps) else imu.gyro_radps
    tidied = replace(imu, t_s=t, acc_mps2=imu.acc_mps2[order], gyro_radps=gyro)
    return tidied, imu.t_s.size - t.size


def stamp_interval_s(t_s: Floats) -> float | None:
    """How far [s] the stamps (n,) of a stream leave the moment of each sample open; None where each
    sample has a stamp of its own.

    Where several fixes share a whole second, the unit cut the fraction off. They are spread over
    the second as if the first lay on it, as receivers place their epochs. But nothing in the file
    says so: all of them may be later by up to the interval between two fixes. Of samples that share
    any other stamp all but one are dropped, which may lie anywhere until the next stamp.
    """
    t = np.sort(t_s[np.isfinite(t_s)])
    stamps, count = np.unique(t, return_counts=True)
    if stamps.size < 3:
        return None
    shared = float(np.median(count))
    if shared < 2:
        return None
    step = float(np.median(np.diff(stamps)))
    return step / shared if (stamps == np.floor(stamps)).all() else step


def _all_in_order(order: Ints, t_s: Floats) -> bool:
    """Whether all rows are kept in the order of the file: then none need be copied."""
    return len(order) == len(t_s) and bool((order[:-1] < order[1:]).all())


def _rows_in_order(t_s: Floats) -> tuple[Ints, Floats]:
    """The rows to keep, in time order, and their times: spread and strictly rising.

    Receivers may write a date of decades ago before they know better, so a stamp more than
    STRAY_STAMP_S from the file's middle one is dropped.
    """
    in_order = bool((t_s[1:] >= t_s[:-1]).all())
    order = np.arange(len(t_s)) if in_order else np.argsort(t_s, kind="stable")
    order = order[np.abs(t_s[order] - t_s[order[order.size // 2]]) <= STRAY_STAMP_S]
    t = spread_stamps(t_s[order])
    if len(t) == len(t_s) and (t == t_s).all():
        t = t_s  # nothing to spread or to sort: one column of an hour less in memory
    keep = np.r_[True, np.diff(t) > 0]
    return (order, t) if keep.all() else (order[keep], t[keep])
