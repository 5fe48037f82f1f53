"""Finding takeovers in the traces, and matching them to the practice sheet.

It works on coarse traces, with places good to metres and speeds to 0.2 m/s. It only has to tell
a takeover from everything else a squad does in an evening; `takeovers` measures them.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.base.values import Floats, Frozen, Rep, ZoneAxis
from pipeline.measure.traces import OnAxis, Trace

RUN_MPS = 4.0  # nobody carries a baton into a zone slower, even at the end of 400 m
REST_MPS = 1.2
AROUND_M = 25.0  # about a zone: two seconds of running, and a fix's error
OFF_LANE_M = 9.0  # slow errors of two metres, a neighbour's lane, a survey's mistake
BEHIND_M = 45.0  # how far the incoming runner may still be when the receiver goes
NEAR_M = 4.0  # trunks this near at speed could pass a baton, errors included
ASIDE_M = 5.0  # two who run farther beside each other than this are no pair
MATCH_WINDOW_S = 90.0
TYPICAL_MPS, TYPICAL_S = 9.8, 1.25  # of a start, to guess its moment across a gap
RUN_UP_S = 7.0
SAME_S = 3.0  # two takeovers of one runner this near in time are one
STAND_OFF_M = 5.0  # a stand seen this far from the sheet's tape is another rep's
AT_ONCE_S = 20.0  # takeovers this near in time may stand in the sheet in either order


@dataclass(frozen=True, slots=True)
class TakeoverCandidate:
    """A takeover as the coarse traces show it. Moments are UTC in seconds.

    `axis` is the number of the zone's axis; `closest_m` how near the trunks came; `completed`
    whether it looks as if the baton went on; `offset_m` how far beside the lane's line it was,
    `aside_m` how far the two ran beside each other.
    """

    axis: int
    incoming: str
    outgoing: str
    entry_s: float
    go_s: float
    set_off_s: float | None  # the incoming runner's, None if under way beyond the window
    exit_s: float | None
    closest_m: float
    completed: bool
    offset_m: float
    stands_m: tuple[float | None, float]  # where the incoming and the outgoing runner stood
    aside_m: float = 0.0

    @property
    def begin_s(self) -> float:
        """When the rep began: the set-off, or a usual run-up before the entry."""
        return self.set_off_s if self.set_off_s is not None else self.entry_s - RUN_UP_S

    @property
    def pair(self) -> tuple[str, str]:
        return self.incoming, self.outgoing


@dataclass(frozen=True, slots=True)
class Launch:
    at_s: float
    rest_s: float  # still at rest then
    s_m: float
    offset_m: float


def may_hold_one(axis: ZoneAxis, traces: Mapping[str, Trace], plane: Mapping[str, Floats]) -> bool:
    """Whether two runners ran near the zone at all. Otherwise a closer look can find nothing.

    `plane` are the traces' east-north metres (n, 2), as `Trace.in_plane` gives them.
    """
    zone = (axis.s_m > axis.back_m - AROUND_M) & (axis.s_m < axis.exit_m + AROUND_M)
    low, high = axis.xy_m[zone].min(axis=0) - AROUND_M, axis.xy_m[zone].max(axis=0) + AROUND_M
    ran = 0
    for name, trace in traces.items():
        running = plane[name][trace.pace_mps > RUN_MPS]
        ran += bool(((running > low) & (running < high)).all(axis=1).any())
    return ran >= 2


@dataclass(frozen=True, eq=False)
class PlacesOnAxes(Frozen):
    """Where the traces run: `plane` by runner the east-north metres (n, 2) that all axes share,
    `by_axis` by an axis' number and by runner the places beside it, for the axes where something
    may have happened."""

    plane: Mapping[str, Floats]
    by_axis: Mapping[int, Mapping[str, OnAxis]]


def place_on_axes(traces: Mapping[str, Trace], axes: Sequence[ZoneAxis]) -> PlacesOnAxes:
    """The traces in the plane and beside each axis. They stay as they are when a clock is moved."""
    plane = {name: trace.in_plane(axes[0]) for name, trace in traces.items()}
    by_axis = {
        i: {name: trace.on_axis(axis, plane[name]) for name, trace in traces.items()}
        for i, axis in enumerate(axes)
        if may_hold_one(axis, traces, plane)
    }
    return PlacesOnAxes(plane, by_axis)


def launches(trace: Trace, place: OnAxis) -> list[Launch]:
    """The starts from rest to a run, in running direction and in time order."""
    t, v = trace.t_s, trace.pace_mps
    up = np.flatnonzero((v[:-1] < 3.0) & (v[1:] >= 3.0)) + 1
    found = []
    for i in up:
        if t[i] - t[i - 1] > 6.0:
            continue
        # The last fix before a gap counts too: units lose fixes just when a runner crouches.
        before = np.arange(np.searchsorted(t, min(t[i] - 2.6, t[i - 1] - 1.0)), i)
        rest = before[v[before] < REST_MPS]
        if not len(rest):
            continue
        after = slice(i, int(np.searchsorted(t, t[i] + 3.5)))
        if not len(v[after]) or np.nanmax(v[after]) < RUN_MPS + 0.5:
            continue
        last = int(rest[-1])
        later = int(np.searchsorted(t, t[last] + 3.0))
        if later >= len(t) or not place.s_m[later] - place.s_m[last] > 5.0:
            continue
        share = min(v[i] / TYPICAL_MPS, 0.9)  # of what a sprinter reaches, exponentially
        begin = max(t[last], t[i] + TYPICAL_S * np.log1p(-share))
        stand = before[0] if last == before[0] else last
        found.append(Launch(float(begin), float(t[last]), place.s_m[stand], place.offset_m[stand]))
    return sorted(found, key=lambda launch: launch.at_s)


def line_crossings(trace: Trace, place: OnAxis, line_m: float) -> Floats:
    """The moments (k,) at which the runner crosses a line of the lane at a run."""
    s, v = place.s_m, trace.pace_mps
    step = np.diff(trace.t_s)
    with np.errstate(invalid="ignore"):
        hit = (
            (s[:-1] < line_m)
            & (s[1:] >= line_m)
            & (s[1:] - s[:-1] < 16 * np.minimum(step, 4.0) + 4)
            & (np.maximum(v[1:], v[:-1]) > RUN_MPS)
            & (np.abs(place.offset_m[1:]) < OFF_LANE_M)
            & (step < 4.0)
        )
    i = np.flatnonzero(hit)
    return trace.t_s[i] + step[i] * (line_m - s[i]) / np.maximum(s[i + 1] - s[i], 1e-6)


def candidates(
    traces: Mapping[str, Trace], places: Mapping[str, OnAxis], axis: ZoneAxis, number: int
) -> list[TakeoverCandidate]:
    """What may be a takeover on one axis, attempted ones too, in time order.

    Each pair has each takeover once. Where two pairs run at once, the crossed pairs may look like
    takeovers too; `across_axes` chooses between them. `places` are the traces on this axis, whose
    number in the venue is `number`.
    """
    starts = {name: launches(traces[name], places[name]) for name in traces}
    entries = {name: line_crossings(traces[name], places[name], 0.0) for name in traces}
    exits = {name: line_crossings(traces[name], places[name], axis.exit_m) for name in traces}
    found = []
    for outgoing in traces:
        for launch in starts[outgoing]:
            inside = axis.back_m - 8 < launch.s_m < axis.exit_m
            if not inside or abs(launch.offset_m) > OFF_LANE_M:
                continue
            for incoming in traces:
                if incoming == outgoing:
                    continue
                for entry in _between(entries[incoming], launch.at_s - 4.0, launch.at_s + 6.0):
                    one = _judge_candidate(
                        traces,
                        places,
                        axis,
                        number,
                        incoming,
                        outgoing,
                        float(entry),
                        launch,
                        starts[incoming],
                        exits[outgoing],
                    )
                    if one is not None:
                        found.append(one)
    # A completed one wins over an attempted one, then the one that came nearest.
    return _once_a_pair(found, lambda c: (not c.completed, abs(c.closest_m), abs(c.offset_m)))


def _between(moments: Floats, after: float, before: float) -> Floats:
    """The moments that lie between two others; `moments` must rise."""
    return moments[np.searchsorted(moments, after, "right") : np.searchsorted(moments, before)]


def _judge_candidate(
    traces: Mapping[str, Trace],
    places: Mapping[str, OnAxis],
    axis: ZoneAxis,
    number: int,
    incoming: str,
    outgoing: str,
    entry: float,
    launch: Launch,
    runs: Sequence[Launch],
    exits: Floats,
) -> TakeoverCandidate | None:
    t_in, v_in = traces[incoming].t_s, traces[incoming].pace_mps
    t_out, v_out = traces[outgoing].t_s, traces[outgoing].pace_mps
    at_go = float(np.interp(launch.at_s, t_in, v_in))
    behind = launch.s_m - float(np.interp(launch.rest_s, t_in, places[incoming].s_m))
    if at_go < RUN_MPS - 0.5 or not -2.0 < behind < BEHIND_M:
        return None
    grid = np.arange(min(entry, launch.at_s + 0.6), entry + 8.0, 0.1)
    s_in = np.interp(grid, t_in, places[incoming].s_m)
    s_out = np.interp(grid, t_out, places[outgoing].s_m)
    fast = (np.interp(grid, t_in, v_in) > 3.0) & (np.interp(grid, t_out, v_out) > 3.0)
    fast &= s_in < axis.exit_m + 12
    if not fast.any():
        return None
    gap = s_out - s_in
    aside = np.interp(grid, t_in, places[incoming].offset_m) - np.interp(
        grid, t_out, places[outgoing].offset_m
    )
    aside_m = float(np.median(np.abs(aside[fast])))
    if aside_m > ASIDE_M:  # other lanes, other pairs
        return None
    closest = float(gap[fast].min())
    after = _between(exits, launch.at_s, launch.at_s + 12)
    exit_s = float(after[0]) if len(after) else None
    late = np.interp(np.arange(entry + 1, entry + 9, 0.2), t_in, v_in)
    slowed = late.min() < 0.6 * np.interp(entry, t_in, v_in)
    completed = exit_s is not None and closest < NEAR_M and bool(slowed)
    run_up = _last_before(runs, entry - 16, entry - 1.5)
    return TakeoverCandidate(
        number,
        incoming,
        outgoing,
        entry,
        launch.at_s,
        None if run_up is None else run_up.at_s,
        exit_s,
        closest,
        completed,
        float(np.median(np.interp(grid[fast], t_out, places[outgoing].offset_m))),
        (None if run_up is None else float(run_up.s_m), float(launch.s_m)),
        aside_m,
    )


def _last_before(runs: Sequence[Launch], after: float, before: float) -> Launch | None:
    """The last launch between two moments; `runs` are in time order."""
    place = bisect_left(runs, before, key=lambda run: run.at_s) - 1
    return runs[place] if place >= 0 and runs[place].at_s > after else None


class _KeptMoments:
    """The moments of the takeovers kept so far, by whose they are.

    It tells whether another lies within SAME_S, looking at the neighbours in time only.
    """

    def __init__(self) -> None:
        self._moments: dict[object, list[float]] = {}

    def near(self, whose: object, moment: float) -> bool:
        own = self._moments.get(whose, [])
        i = bisect_left(own, moment)
        return any(abs(other - moment) < SAME_S for other in own[max(i - 1, 0) : i + 1])

    def add(self, whose: object, moment: float) -> None:
        insort(self._moments.setdefault(whose, []), moment)


def _once_a_pair(
    found: Iterable[TakeoverCandidate], order: Callable[[TakeoverCandidate], Any]
) -> list[TakeoverCandidate]:
    """One takeover of a pair for each launch and each entry: the first in `order`."""
    kept: list[TakeoverCandidate] = []
    goes, entries = _KeptMoments(), _KeptMoments()
    for one in sorted(found, key=order):
        if not (goes.near(one.pair, one.go_s) or entries.near(one.pair, one.entry_s)):
            goes.add(one.pair, one.go_s)
            entries.add(one.pair, one.entry_s)
            kept.append(one)
    return sorted(kept, key=lambda c: c.entry_s)


def across_axes(
    lists: Sequence[Sequence[TakeoverCandidate]],
    axes: Sequence[ZoneAxis],
    reps: Sequence[Rep],
    lane: int | None,
) -> list[TakeoverCandidate]:
    """The candidates of all axes, each takeover once, and each runner in one takeover at a time.

    A takeover seen on several axes counts where the sheet has that pair, else on the session's
    lane, else on the lane it lies nearest to. Zones can coincide (4x400, lane 1). Where two pairs
    run at once, crossed pairs may look like takeovers too. The sheet comes first then: a pair it
    names near that time, a pair it names, another pair of one squad, a pair of two squads. Next
    come a completed takeover and the pair that came nearest.
    """
    rows: dict[tuple[str, str], list[Rep]] = {}
    for rep in reps:
        rows.setdefault((rep.incoming, rep.outgoing), []).append(rep)
    squad = _number_squads(rows)

    def place(one: TakeoverCandidate) -> tuple[bool, int, float]:
        axis = axes[one.axis]
        strange = 1 if lane is None or axis.lane == lane else 2
        for rep in rows.get(one.pair, ()):
            if rep.zone in (None, axis.zone) and (rep.lane or lane) in (None, axis.lane):
                strange = 0
        return not one.completed, strange, abs(one.offset_m)

    def pair(one: TakeoverCandidate) -> tuple[int, bool, float]:
        own = rows.get(one.pair)
        if own is None:
            strange = 2 if squad.get(one.incoming) == squad.get(one.outgoing) else 3
        else:
            strange = 0 if any(starts_near(one, rep) for rep in own) else 1
        return strange, not one.completed, float(np.hypot(one.closest_m, one.aside_m))

    kept: list[TakeoverCandidate] = []
    goes, entries = _KeptMoments(), _KeptMoments()
    for one in sorted(_once_a_pair((c for own in lists for c in own), place), key=pair):
        busy = any(entries.near(runner, one.entry_s) for runner in one.pair)
        if not (busy or goes.near(one.outgoing, one.go_s)):
            goes.add(one.outgoing, one.go_s)
            for runner in one.pair:
                entries.add(runner, one.entry_s)
            kept.append(one)
    return sorted(kept, key=lambda c: c.entry_s)


def starts_near(one: TakeoverCandidate, rep: Rep) -> bool:
    """Whether a row has no time, or one near the candidate's."""
    return rep.start_utc_s is None or abs(one.begin_s - rep.start_utc_s) <= MATCH_WINDOW_S


def _number_squads(pairs: Iterable[tuple[str, str]]) -> dict[str, int]:
    """The number of each runner's squad: who takes over from whom, directly or by others."""
    squad: dict[str, int] = {}
    for one, other in pairs:
        into = squad.setdefault(one, len(squad))
        old = squad.setdefault(other, into)
        squad = {name: into if number == old else number for name, number in squad.items()}
    return squad


def match(
    found: Sequence[TakeoverCandidate], reps: Sequence[Rep], axes: Sequence[ZoneAxis]
) -> list[tuple[TakeoverCandidate | None, Rep | None]]:
    """Sheet rows and candidates in one order, with each pair of names respected.

    The order is the sheet's, or that of its times where every row has one and they fit better.
    Squads that run at the same time keep an order each, and takeovers within AT_ONCE_S of each
    other may stand in the sheet either way round. A row without a candidate comes with None, and
    so does a candidate without a row.
    """
    orders = [list(reps)]
    if reps and all(rep.start_utc_s is not None for rep in reps):
        orders.append(sorted(reps, key=lambda rep: rep.start_utc_s or 0.0))
    groups = _squads_at_once(found, reps)

    def aligned(order: Sequence[Rep]) -> tuple[float, dict[int, int]]:
        worth = 0.0
        row_of: dict[int, int] = {}
        for names in groups:
            own = [i for i, one in enumerate(found) if one.incoming in names]
            rows = [j for j, rep in enumerate(order) if rep.incoming in names]
            part, pairs = _align_group([found[i] for i in own], [order[j] for j in rows], axes)
            worth += part
            row_of |= {own[i]: rows[j] for i, j in pairs.items()}
        return worth, row_of

    solutions = [(*aligned(order), order) for order in orders]
    _, row_of, order = max(solutions, key=lambda one: one[0])
    return _merge_orders(found, order, row_of)


def _squads_at_once(
    found: Sequence[TakeoverCandidate], reps: Sequence[Rep]
) -> list[frozenset[str]]:
    """The runners in groups, each of which keeps one order: every squad that ever runs at the same
    time as another for itself, all others together."""
    squad = _number_squads(
        [*(one.pair for one in found), *((r.incoming, r.outgoing) for r in reps)]
    )
    alone: set[int] = set()
    for one, other in pairwise(sorted(found, key=lambda c: c.entry_s)):
        both = {squad[one.incoming], squad[other.incoming]}
        if len(both) > 1 and other.entry_s - one.entry_s < AT_ONCE_S:
            alone |= both
    groups: dict[int, set[str]] = {}
    for name, number in squad.items():
        groups.setdefault(number if number in alone else -1, set()).add(name)
    return [frozenset(names) for names in groups.values()]


def _align_group(
    found: Sequence[TakeoverCandidate], reps: Sequence[Rep], axes: Sequence[ZoneAxis]
) -> tuple[float, dict[int, int]]:
    """Which row (index) belongs to which candidate (index) of one group, and what that is worth."""
    worth, aligned = _best_alignment(found, reps, axes)
    row_of: dict[int, int] = {}
    i = j = 0
    for one, rep in aligned:
        if one is not None and rep is not None:
            row_of[i] = j
        i, j = i + (one is not None), j + (rep is not None)
    rows = set(range(len(reps))) - set(row_of.values())
    left = sorted(
        (
            (rate_likeness(found[i], reps[j], axes), i, j)
            for i in range(len(found))
            if i not in row_of
            for j in rows
            if (reps[j].incoming, reps[j].outgoing) == found[i].pair
        ),
        reverse=True,
    )
    for likeness, i, j in left:
        crossed = [k for k, row in row_of.items() if (k - i) * (row - j) < 0]
        if (
            likeness > 0
            and i not in row_of
            and j not in row_of.values()
            and all(abs(found[k].entry_s - found[i].entry_s) < AT_ONCE_S for k in crossed)
        ):
            row_of[i] = j
            worth += likeness
    return worth, row_of


def _merge_orders(
    found: Sequence[TakeoverCandidate], order: Sequence[Rep], row_of: Mapping[int, int]
) -> list[tuple[TakeoverCandidate | None, Rep | None]]:
    """Candidates in their order with their rows; rows without one before the next row's."""
    left = [j for j in range(len(order)) if j not in set(row_of.values())]
    pairs: list[tuple[TakeoverCandidate | None, Rep | None]] = []
    for i, one in enumerate(found):
        row = row_of.get(i)
        while row is not None and left and left[0] < row:
            pairs.append((None, order[left.pop(0)]))
        pairs.append((one, None if row is None else order[row]))
    return [*pairs, *((None, order[j]) for j in left)]


def _best_alignment(
    found: Sequence[TakeoverCandidate], reps: Sequence[Rep], axes: Sequence[ZoneAxis]
) -> tuple[float, list[tuple[TakeoverCandidate | None, Rep | None]]]:
    """The best alignment of two orders, and what it is worth.

    Dynamic programming over both orders [1]. A row goes with a candidate of the same two
    runners, in its zone and lane where the row names them, and near its `start_utc` where it
    has one.

    [1] S. B. Needleman, C. D. Wunsch, Journal of Molecular Biology 48 (1970).
    """
    n, m = len(found), len(reps)
    of_pair: dict[tuple[str, str], list[int]] = {}
    for j, rep in enumerate(reps):
        of_pair.setdefault((rep.incoming, rep.outgoing), []).append(j)
    score = np.zeros(m + 1)  # of the candidates so far with the rows up to each
    back = np.zeros((n + 1, m + 1), dtype=np.int8)
    back[1:, 0], back[0, 1:] = 1, 2
    for i, one in enumerate(found, start=1):
        likeness = np.full(m, -1.0)
        for j in of_pair.get((one.incoming, one.outgoing), ()):
            likeness[j] = rate_likeness(one, reps[j], axes)
        together = score[:-1] + likeness
        now = np.maximum.accumulate(np.concatenate([[0.0], np.maximum(together, score[1:])]))
        back[i, 1:] = np.where(together == now[1:], 0, np.where(score[1:] == now[1:], 1, 2))
        score = now
    pairs: list[tuple[TakeoverCandidate | None, Rep | None]] = []
    i, j = n, m
    while i or j:
        move = back[i, j]
        if move == 0:
            pairs.append((found[i - 1], reps[j - 1]))
            i, j = i - 1, j - 1
        elif move == 1:
            pairs.append((found[i - 1], None))
            i -= 1
        else:
            pairs.append((None, reps[j - 1]))
            j -= 1
    return float(score[m]), pairs[::-1]


def rate_likeness(one: TakeoverCandidate, rep: Rep, axes: Sequence[ZoneAxis]) -> float:
    """What a row and a candidate together are worth, at most 1.2; -1 where they cannot be one."""
    if (one.incoming, one.outgoing) != (rep.incoming, rep.outgoing):
        return -1.0
    axis = axes[one.axis]
    if rep.zone is not None and rep.zone != axis.zone:
        return -1.0
    worth = 1.0 + (0.2 if one.completed else 0.0)
    if rep.lane is not None and rep.lane != axis.lane:
        worth -= 0.1
    taped = (
        None if rep.incoming_start_m is None else axis.back_m - rep.incoming_start_m,
        None if rep.outgoing_start_m is None else axis.back_m + rep.outgoing_start_m,
    )
    for seen, tape in zip(one.stands_m, taped, strict=True):
        if seen is not None and tape is not None:
            worth -= 0.2 * min(abs(seen - tape) / STAND_OFF_M, 1.0)
    if rep.start_utc_s is not None:
        late = abs(one.begin_s - rep.start_utc_s)
        worth -= 0.5 * min(late / MATCH_WINDOW_S, 1.0) + (0.4 if late > MATCH_WINDOW_S else 0.0)
    return worth
