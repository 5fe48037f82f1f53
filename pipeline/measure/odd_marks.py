"""Check marks that do not fit: far from the others, and from where the receiver's start puts them.

A digit lost or a tape read wrongly leaves the takeover's other figures right. The mark stays as the
sheet has it; the takeover says what speaks against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import median_abs_deviation

from pipeline.measure.takeovers import MeasuredTakeover

FAR_MARK_M = 1.5  # from all other marks of the pair, or from where the start puts it
LAG_SPREAD_S = 0.08  # between starts on a mark; no less is believed of few
LAG_SDS = 3.0  # beyond which a lag speaks against a mark that has no others beside it ...
LAG_FAR_SDS = 2.0  # ... and against one that lies far from the pair's others on the same tapes


@dataclass(frozen=True, slots=True)
class _Start:
    number: int
    pair: tuple[str, str]
    tapes: tuple[float | None, float | None]
    mark_m: float
    lag_s: float
    sd_s: float
    v_mps: float


def remark_odd_marks(
    measured: Sequence[MeasuredTakeover],
) -> tuple[list[MeasuredTakeover], list[str]]:
    """The takeovers, with a remark on each mark that fits neither the start nor the other marks,
    and the same for the session.

    A start says where the mark was: where the incoming runner was the receiver's usual lag before
    it. The usual lag is the median of the receiver's other starts, and the squad's median counts
    as one of them. A mark is odd where it lies LAG_SDS standard errors and FAR_MARK_M from there
    and the pair has no other mark on the same tapes; or where it lies FAR_MARK_M from all of those
    and the start, LAG_FAR_SDS away, speaks for them.
    """
    starts = [start for i, one in enumerate(measured) if (start := _start_of(i, one)) is not None]
    out, remarks = list(measured), []
    for start in starts:
        words = _mark_in_doubt(start, [one for one in starts if one is not start])
        if words is None:
            continue
        one = out[start.number]
        out[start.number] = replace(one, remarks=(*one.remarks, words))
        line = one.case.rep.line if one.case.rep is not None else 0
        remarks.append(f"sheet line {line}: {words}")
    return out, remarks


def _start_of(number: int, one: MeasuredTakeover) -> _Start | None:
    rep = one.case.rep
    if rep is None or one.mark_m is None or one.v_in_entry is None:
        return None
    if one.mark is None or one.go is None:
        return None
    return _Start(
        number,
        one.case.candidate.pair,
        (rep.incoming_start_m, rep.outgoing_start_m),
        one.mark_m,
        one.go.value - one.mark.value,
        float(np.hypot(one.go.sd, one.mark.sd)),
        one.v_in_entry.value,
    )


def _mark_in_doubt(start: _Start, others: Sequence[_Start]) -> str | None:
    if len(others) < 2:
        return None
    every = [one.lag_s for one in others]
    own = [one.lag_s for one in others if one.pair[1] == start.pair[1]]
    # The squad's median counts as one more start, so that of two starts the odd one is named.
    usual = float(np.median([*own, np.median(every)]))
    spread = LAG_SPREAD_S
    if not own:
        spread = max(float(median_abs_deviation(every, scale="normal")), spread)
    spread *= float(np.sqrt(1 + 1 / max(len(own), 1)))
    off_s = start.lag_s - usual
    sd = float(np.hypot(spread, start.sd_s))
    off_m = off_s * start.v_mps
    fits = start.mark_m - off_m
    alike = [o.mark_m for o in others if o.pair == start.pair and o.tapes == start.tapes]
    nearest = min(alike, key=lambda mark: abs(mark - start.mark_m), default=fits)
    far = abs(nearest - start.mark_m) >= FAR_MARK_M  # else: a bad start on the usual mark
    nearer = abs(nearest - fits) < abs(nearest - start.mark_m) / 2
    sds = LAG_FAR_SDS if alike else LAG_SDS
    if not (far and nearer) or abs(off_s) < sds * sd:
        return None
    whose = f"; this pair's others lie at {_range_in_words(alike)}" if alike else ""
    return (
        f"the sheet's mark of {start.mark_m:.1f} m does not fit: by the receiver's usual lag the "
        f"start puts it at {fits:.1f} ± {sd * start.v_mps:.1f} m{whose}; a slip in the sheet, or a "
        f"start much too {'late' if off_s > 0 else 'early'}"
    )


def _range_in_words(marks_m: Sequence[float]) -> str:
    low, high = min(marks_m), max(marks_m)
    return f"{low:.1f} m" if high - low < 0.05 else f"{low:.1f} to {high:.1f} m"
