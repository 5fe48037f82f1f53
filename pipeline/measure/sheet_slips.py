"""Slips of the practice sheet: what it says otherwise than the traces, set right and said once.

A row that no takeover fits as it stands may name another zone, another runner, the pair turned
round, or a time some hours off; two runners may have taken each other's unit. docs/methods.md,
"Finding takeovers and matching them to the sheet", says what is taken for which.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from pipeline.base.asking import in_words
from pipeline.base.values import Rep, ZoneAxis
from pipeline.measure import finding
from pipeline.measure.finding import MATCH_WINDOW_S, TakeoverCandidate
from pipeline.measure.traces import Trace

HALF_HOUR_OFF_S = 1800.0  # a sheet's times are off by whole or half hours, as time zones are
FARTHEST_OFF = 28  # of them: 14 hours, as far as time zones go
SHIFTED_SHARE = 0.6  # of the rows with times that a shift has to explain, and twice what none does
SWAPPED_ROWS = 2  # so many more rows fit once two units are exchanged
_MOST_LINES_NAMED = 50  # in one remark
AROUND_ROW_S = 60.0  # a recording that holds nothing this near to a row's time does not cover it


@dataclass(frozen=True, slots=True)
class MatchedTakeover:
    """A takeover with its row of the sheet, and what the sheet says otherwise."""

    candidate: TakeoverCandidate
    rep: Rep | None
    remarks: tuple[str, ...] = ()


# --- hours ----------------------------------------------------------------------------


def find_hours_off(found: Iterable[TakeoverCandidate], reps: Sequence[Rep]) -> float:
    """How far [s] the sheet's times are ahead of the takeovers found, in half hours; 0 where they
    fit as they are, or where no shift explains them clearly."""
    begins: dict[tuple[str, str], list[float]] = {}
    for one in found:
        begins.setdefault(one.pair, []).append(one.begin_s)
    timed = [rep for rep in reps if rep.start_utc_s is not None]

    def explained(shift: float) -> int:
        return sum(
            any(
                abs(begin - (rep.start_utc_s or 0.0) + shift) <= MATCH_WINDOW_S
                for begin in begins.get((rep.incoming, rep.outgoing), ())
            )
            for rep in timed
        )

    return choose_hours(explained, len(timed))


def choose_hours(explained: Callable[[float], int], rows: int) -> float:
    """The shift [s] in half hours that explains most rows, the smallest of equal ones; 0 where it
    explains too few of them, or hardly more than none does."""
    shifts = sorted((k * HALF_HOUR_OFF_S for k in range(-FARTHEST_OFF, FARTHEST_OFF + 1)), key=abs)
    best = max(shifts, key=explained)
    enough = max(2.0, SHIFTED_SHARE * rows, 2.0 * explained(0.0))
    return best if best and explained(best) >= enough else 0.0


def shift_rows(reps: Sequence[Rep], ahead_s: float) -> tuple[Rep, ...]:
    """The rows with their times set back by so much."""
    return tuple(
        rep if rep.start_utc_s is None else replace(rep, start_utc_s=rep.start_utc_s - ahead_s)
        for rep in reps
    )


def hours_in_words(ahead_s: float) -> str:
    """What is said of a sheet whose times are so far ahead of the recordings."""
    way = "ahead of" if ahead_s > 0 else "behind"
    return (
        f"the sheet's times are {abs(ahead_s) / 3600:g} h {way} the recordings: taken as local time"
    )


# --- units that were swapped ---------------------------------------------------------------


def find_swapped_units(
    found: Sequence[TakeoverCandidate], reps: Sequence[Rep], axes: Sequence[ZoneAxis]
) -> tuple[str, str] | None:
    """Two runners who seem to have taken each other's unit: with their names exchanged in the
    traces, all rows of both fit that do not fit now, SWAPPED_ROWS at least."""
    fitting, worth = _fitting_rows(found, reps, axes)
    left = [rep for rep in reps if rep.line not in fitting]
    if len(left) < SWAPPED_ROWS:
        return None
    runners = sorted({name for one in found for name in one.pair})
    best: tuple[float, tuple[str, str]] | None = None
    for one, other in combinations(runners, 2):
        own = {rep.line for rep in reps if {one, other} & {rep.incoming, rep.outgoing}}
        if sum(rep.line in own for rep in left) < SWAPPED_ROWS:
            continue
        now, now_worth = _fitting_rows(swap_names(found, one, other), reps, axes)
        if own <= now and len(now) - len(fitting) >= SWAPPED_ROWS:
            gain = now_worth - worth
            best = max(best or (gain, (one, other)), (gain, (one, other)))
    return None if best is None else best[1]


def _fitting_rows(
    found: Sequence[TakeoverCandidate], reps: Sequence[Rep], axes: Sequence[ZoneAxis]
) -> tuple[set[int], float]:
    """The lines of the rows that a takeover fits, near their time, and what that is worth."""
    lines, worth = set(), 0.0
    for one, rep in finding.match(found, reps, axes):
        if one is not None and rep is not None and finding.starts_near(one, rep):
            lines.add(rep.line)
            worth += finding.rate_likeness(one, rep, axes)
    return lines, worth


def swap_names(found: Iterable[TakeoverCandidate], one: str, other: str) -> list[TakeoverCandidate]:
    """The candidates as if the two runners had each other's name."""
    names = {one: other, other: one}
    return [
        replace(
            c,
            incoming=names.get(c.incoming, c.incoming),
            outgoing=names.get(c.outgoing, c.outgoing),
        )
        for c in found
    ]


def swapped_in_words(one: str, other: str) -> str:
    """What is said of two units that were swapped, once and on each of their takeovers."""
    return (
        f"{one}'s and {other}'s units look swapped: the takeovers of both fit the sheet only with "
        "their names exchanged, so the traces are used as the sheet names them"
    )


# --- rows that no takeover fits as they stand ------------------------------------------------


def match_with_slips(
    found: Sequence[TakeoverCandidate],
    reps: Sequence[Rep],
    axes: Sequence[ZoneAxis],
    traces: Mapping[str, Trace],
) -> tuple[list[MatchedTakeover], list[str]]:
    """All takeovers with their rows, the sheet's slips set right, and the session's remarks.

    What is neither completed nor in the sheet is left out. Rows go by their pair, zone and time
    first; those left over take a takeover of their pair in another zone; then one near their time
    (or, without times, in their place of the order) that shares a runner with them.
    """
    pairs = finding.match(found, reps, axes)
    row_of = {_key(one): rep for one, rep in pairs if one is not None and rep is not None}
    said: dict[str, list[Rep]] = {}
    notes: dict[tuple[str, str, float], str] = {}
    for slip, fits in ((_zone_slip, _is_same_pair), (_pair_slip, _shares_a_runner)):
        for one, rep in _second_choice(found, reps, row_of, fits):
            row_of[_key(one)] = rep
            once, each = slip(one, rep, axes)
            said.setdefault(once, []).append(rep)
            notes[_key(one)] = each
    remarks = [f"{_lines_in_words(rows)}: {words}" for words, rows in said.items()]
    matched_lines = {rep.line for rep in row_of.values()}
    remarks += _remarks_on_missing([r for r in reps if r.line not in matched_lines], traces)
    matched = []
    for one in found:
        row = row_of.get(_key(one))
        if row is not None or one.completed:
            note = notes.get(_key(one))
            matched.append(MatchedTakeover(one, row, () if note is None else (note,)))
    return matched, remarks


def _key(one: TakeoverCandidate) -> tuple[str, str, float]:
    return (*one.pair, one.entry_s)


def _is_same_pair(one: TakeoverCandidate, rep: Rep) -> int:
    return 2 * int(one.pair == (rep.incoming, rep.outgoing))


def _shares_a_runner(one: TakeoverCandidate, rep: Rep) -> int:
    """How alike a takeover's and a row's runners are: two turned round, one, none."""
    if one.pair == (rep.outgoing, rep.incoming):
        return 2
    return int(one.incoming == rep.incoming) + int(one.outgoing == rep.outgoing)


def _second_choice(
    found: Sequence[TakeoverCandidate],
    reps: Sequence[Rep],
    row_of: Mapping[tuple[str, str, float], Rep],
    alike: Callable[[TakeoverCandidate, Rep], int],
) -> list[tuple[TakeoverCandidate, Rep]]:
    """Rows and takeovers left over that belong together by time, or by their place in the order."""
    place = {rep.line: j for j, rep in enumerate(reps)}
    rows = {rep.line for rep in row_of.values()}
    anchors = [(c.entry_s, place[row_of[_key(c)].line]) for c in found if _key(c) in row_of]
    left = [rep for rep in reps if rep.line not in rows]
    free = [c for c in found if _key(c) not in row_of]

    def gap_of(one: TakeoverCandidate) -> tuple[int, int]:
        before = [row for entry, row in anchors if entry < one.entry_s]
        after = [row for entry, row in anchors if entry > one.entry_s]
        return max(before, default=-1), min(after, default=len(reps))

    choices = []
    for rep in left:
        for one in free:
            likeness = alike(one, rep)
            if not likeness:
                continue
            if rep.start_utc_s is not None:
                off = abs(one.begin_s - rep.start_utc_s)
                near = off <= MATCH_WINDOW_S
            else:
                low, high = gap_of(one)
                off = 0.0
                near = low < place[rep.line] < high and (
                    sum(low < place[r.line] < high for r in left)
                    == sum(gap_of(c) == (low, high) and c.completed for c in free)
                )
            if near:
                choices.append((-likeness, not one.completed, off, rep.line, one, rep))
    chosen: list[tuple[TakeoverCandidate, Rep]] = []
    for *_, one, rep in sorted(choices, key=lambda choice: (*choice[:4], choice[4].entry_s)):
        if all(one is not c and rep is not r for c, r in chosen):
            chosen.append((one, rep))
    return chosen


def _zone_slip(one: TakeoverCandidate, rep: Rep, axes: Sequence[ZoneAxis]) -> tuple[str, str]:
    words = (
        f"the sheet says zone {rep.zone}, the traces show zone {axes[one.axis].zone}: "
        "the traces' zone is used"
    )
    return words, words


def _pair_slip(one: TakeoverCandidate, rep: Rep, axes: Sequence[ZoneAxis]) -> tuple[str, str]:
    ran = f"{one.incoming} ran to {one.outgoing}"
    stated = f"{rep.incoming} to {rep.outgoing}"
    zone = axes[one.axis].zone
    words = f"at that time {ran}; the sheet says {stated}"
    if rep.zone not in (None, zone):
        words = (
            f"at that time {ran}; the sheet says {stated}, and zone {rep.zone} where the traces "
            f"show zone {zone}"
        )
    return words, words


# --- rows that nothing fits ----------------------------------------------------------------


def _remarks_on_missing(rows: Sequence[Rep], traces: Mapping[str, Trace]) -> list[str]:
    """A sentence for each reason, with the rows it holds for."""
    by_reason: dict[str, list[Rep]] = {}
    for rep in rows:
        by_reason.setdefault(_why_missing(rep, traces), []).append(rep)
    return [f"{_lines_in_words(own)}: {reason}" for reason, own in by_reason.items()]


def _why_missing(rep: Rep, traces: Mapping[str, Trace]) -> str:
    runners = (rep.incoming, rep.outgoing)
    gone = [name for name in runners if name not in traces]
    if gone:
        return f"no recording of {in_words(gone)}"
    begin = rep.start_utc_s
    if begin is not None:
        beyond = [name for name in runners if not _covers(traces[name], begin)]
        if beyond:
            return f"{in_words(beyond)}: the recording does not cover that time"
    return f"{rep.incoming} to {rep.outgoing} was not found in the traces (broken off?)"


def _covers(trace: Trace, moment_s: float) -> bool:
    near = np.searchsorted(trace.t_s, [moment_s - AROUND_ROW_S, moment_s + AROUND_ROW_S])
    return bool(near[1] > near[0])


def _lines_in_words(rows: Sequence[Rep]) -> str:
    lines = sorted(rep.line for rep in rows)
    if len(lines) == 1:
        return f"sheet line {lines[0]}"
    shown = [str(line) for line in lines[:_MOST_LINES_NAMED]]
    more = len(lines) - len(shown)
    numbers = f"{', '.join(shown)} and {more} more" if more else in_words(shown)
    return f"{len(lines)} rows of the sheet (lines {numbers})"
