"""Which takeovers an observer's rows are of, and where in time his clock began.

The model stands in docs/methods.md, "What observers saw".
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student_t

from pipeline.base.values import Floats, Frozen, Observer
from pipeline.measure.observers.rows import ROW_IS_WRONG, RowGroup
from pipeline.measure.observers.told import ToldMoment

ToldRows = Mapping[tuple[int, int], ToldMoment]  # by the number of the row and of the takeover


NEAR_SD_S, NEAR_NU = 60.0, 3.0  # of the time at which an own clock is said to have read nought
SEARCHED_S = 240.0  # a misread row is anywhere in so long
NEAREST_S = 10.0  # a row that nothing else tells of is of a takeover so near in time, or of none
LEAST_TOLERANCE_S = 0.05
FITS_S, FITS_SDS = 0.15, 4.0  # a row explained by an offset is nearer to it
LEAST_SHARE = 0.5  # of the rows that an offset has to explain
MOST_OFFSETS = 2000
MOST_CELLS, MOST_CELLS_AT_ONCE = 400_000_000, 2_000_000  # rows × takeovers × offsets


@dataclass(frozen=True, eq=False)
class FoundOffset(Frozen):
    """An offset that was found, how many rows of how many it explains, each group's takeover."""

    offset_s: float
    explained: int
    told: int
    takeovers: tuple[int | None, ...]


def search_offset(
    observer: Observer, groups: Sequence[RowGroup], told: ToldRows
) -> FoundOffset | None:
    """The offset that explains most, None where no row may be of any takeover."""
    size = max((k for _, k in told), default=-1) + 1
    apart = np.full((len(observer.sightings), size), np.nan)
    tolerance = np.full_like(apart, np.nan)
    for group in groups:
        for number in group.rows:
            row = observer.sightings[number]
            for k in group.takeovers:
                moment = told.get((number, k))
                if moment is not None and row.time_s is not None:
                    apart[number, k] = moment.utc_s - row.time_s
                    tolerance[number, k] = np.hypot(
                        LEAST_TOLERANCE_S, np.hypot(row.sd_s or 0.0, moment.own_sd_s)
                    )
    proposed = apart[np.isfinite(apart)]
    if not len(proposed):
        return None
    proposed = np.unique(proposed)
    most = max(MOST_CELLS // apart.size, 100)
    proposed = proposed[:: max(1, len(proposed) // min(MOST_OFFSETS, most))]
    at_once = max(MOST_CELLS_AT_ONCE // apart.size, 1)
    counted = [np.array(group.rows) for group in groups]
    log_prior = _log_offset_prior(observer, proposed)
    best, log_best = 0.0, -np.inf
    for begin in range(0, len(proposed), at_once):
        part = proposed[begin : begin + at_once]
        log = log_prior[begin : begin + at_once]
        by_row = _log_fits(apart, tolerance, part)
        for rows in counted:
            log = log + by_row[:, rows].sum(axis=1).max(axis=1)
        i = int(np.argmax(log))
        if log[i] > log_best:
            best, log_best = float(part[i]), float(log[i])
    near = np.abs(apart - best) < np.maximum(FITS_S, FITS_SDS * tolerance)
    log = _log_fits(apart, tolerance, np.array([best]))[0]
    takeovers: list[int | None] = []
    explained = there = 0
    for rows in counted:
        k = int(np.argmax(log[rows].sum(axis=0)))
        fits = int(near[rows, k].sum())
        explained += fits
        there += int(np.isfinite(apart[rows]).any(axis=1).sum())
        takeovers.append(k if fits else None)
    fitting = apart[near]
    return FoundOffset(float(np.median(fitting)) if len(fitting) else best, explained, there,
                  tuple(takeovers))  # fmt: skip


def _log_fits(apart: Floats, tolerance: Floats, offsets: Floats) -> Floats:
    """Log-likelihood (c, n, k) of rows and takeovers under each offset (c,)."""
    z = (apart - offsets[:, None, None]) / tolerance
    right = (1 - ROW_IS_WRONG) * np.exp(-0.5 * z**2) / (tolerance * np.sqrt(2 * np.pi))
    return np.asarray(np.log(np.nan_to_num(right) + ROW_IS_WRONG / SEARCHED_S))


def _log_offset_prior(observer: Observer, offsets: Floats) -> Floats:
    if observer.clock == "utc":
        right = 0.95 * np.exp(-0.5 * (offsets / LEAST_TOLERANCE_S) ** 2) / LEAST_TOLERANCE_S
        return np.asarray(np.log(right + 0.05 * student_t.pdf(offsets / NEAR_SD_S, NEAR_NU)))
    if observer.near_utc_s is None:
        return np.zeros(len(offsets))
    return np.asarray(student_t.logpdf((offsets - observer.near_utc_s) / NEAR_SD_S, NEAR_NU))


def is_better_tie(other: FoundOffset, found: FoundOffset | None) -> bool:
    """Whether an offset found without the labels is a tie: it explains most rows of three
    takeovers at least, and twice as many as with them."""
    before = 0 if found is None else found.explained
    several = len({k for k in other.takeovers if k is not None}) >= 3
    enough = other.explained >= max(LEAST_SHARE * other.told, 4)
    return several and enough and other.explained >= 2 * before


def assign_groups(
    observer: Observer,
    groups: Sequence[RowGroup],
    free: Sequence[RowGroup],
    told: ToldRows,
    found: FoundOffset,
) -> tuple[list[int | None], dict[int, str]]:
    """By group its takeover: the labelled one where it fits, else the only one that does; and by
    row what is to be said of that. `free` are the groups without labels. A group that the fits tell
    nothing of keeps its label's takeover, the nearest in time."""
    out: list[int | None] = []
    notes: dict[int, str] = {}
    told_rows = {number for number, _ in told}
    for group, any_of, chosen in zip(groups, free, found.takeovers, strict=True):
        times = {i: observer.sightings[i].time_s for i in group.rows}
        testable = [i for i, t in times.items() if t is not None and i in told_rows]
        if chosen is None and not testable:
            chosen = _nearest(group, times, told, found)
        elif chosen is None:
            fit = [
                k for k in any_of.takeovers if _all_fit(testable, k, times, told, found.offset_s)
            ]
            chosen = group.takeovers[0] if len(group.takeovers) == 1 else None
            chosen = fit[0] if len(fit) == 1 and len(testable) > 1 else chosen
        if chosen is not None and chosen not in group.takeovers:
            notes |= dict.fromkeys(group.rows, f"labelled {group.label}, fits this one: used here")
        out.append(chosen)
    return out, notes


def _all_fit(
    rows: Sequence[int],
    takeover: int,
    times: Mapping[int, float | None],
    told: ToldRows,
    offset_s: float,
) -> bool:
    off = []
    for i in rows:
        moment, time = told.get((i, takeover)), times[i]
        if moment is None or time is None:
            return False
        off.append(abs(moment.utc_s - time - offset_s))
    return max(off) < FITS_S


def _nearest(
    group: RowGroup,
    times: Mapping[int, float | None],
    told: ToldRows,
    found: FoundOffset,
) -> int | None:
    """Of the takeovers that a group may mean, the one nearest in time to its rows."""
    known = [t for t in times.values() if t is not None]
    if len(group.takeovers) == 1:
        return group.takeovers[0]
    middle: dict[int, list[float]] = defaultdict(list)
    for (_, k), moment in told.items():
        if k in group.takeovers:
            middle[k].append(moment.utc_s)
    if not known or not middle:
        return None
    at = float(np.mean(known)) + found.offset_s
    near = {k: min(abs(t - at) for t in moments) for k, moments in middle.items()}
    best = min(near, key=near.__getitem__)
    return best if near[best] < NEAREST_S else None


def nought_of_each_rep(
    observer: Observer,
    groups: Sequence[RowGroup],
    told: ToldRows,
) -> tuple[list[float], list[int | None]]:
    """For a clock that starts anew in each rep, by row about what UTC its nought was, and by group
    its takeover: the only one that it may mean."""
    offsets = [0.0] * len(observer.sightings)
    chosen: list[int | None] = []
    for group in groups:
        takeover = group.takeovers[0] if len(group.takeovers) == 1 else None
        apart = [
            moment.utc_s - time
            for i in group.rows
            for moment, time in [
                (told.get((i, -1 if takeover is None else takeover)), observer.sightings[i].time_s)
            ]
            if moment is not None and time is not None
        ]
        for i in group.rows:
            offsets[i] = float(np.median(apart)) if apart else 0.0
        chosen.append(takeover)
    return offsets, chosen


def why_without_takeover(group: RowGroup, takeovers: int) -> str:
    """Why a group is of no takeover, of which there are so many."""
    if not takeovers:
        return "no takeover was measured"
    if not group.takeovers:
        return f"no takeover that was measured is {group.label}"
    if len(group.takeovers) > 1 and not group.label.startswith("line"):
        return f"{len(group.takeovers)} takeovers are {group.label}, and no time tells which"
    return "no takeover is near it in time"
