"""Which takeovers of a session belong to a race.

A race says who takes over from whom, where and in which order. Rows of the sheet that name the race
come first; what they leave open the race supplies itself, so that no sheet is needed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, permutations

import numpy as np

from pipeline.base.relays import legs_m
from pipeline.base.stadium import keeps_lanes
from pipeline.base.values import Race, Rep, ZoneAxis
from pipeline.measure.finding import TakeoverCandidate, starts_near
from pipeline.measure.sheet_slips import MatchedTakeover
from pipeline.measure.zones import at

FASTEST_LEG_MPS, SLOWEST_LEG_MPS = 12.0, 3.5  # the baton's mean speed over a leg
AROUND_GUN_S = 4.0  # zone entries lie before the line where a leg ends, and clocks are off
MOST_PERMUTED = 5  # longer teams are taken as written
OTHER_ORDER_LINKS = 2  # takeovers another order must have more than the written one
SAME_PLACE_M = 3.0  # zones whose entry lines lie so near are one place (4x400)


@dataclass(frozen=True, slots=True)
class RaceTakeovers:
    """A race's takeovers as found: by zone, from 1, and what is to be said of the race. `race` has
    the team in the order in which it ran."""

    race: Race
    by_zone: dict[int, TakeoverCandidate]
    remarks: tuple[str, ...] = ()


def race_rows(races: Sequence[Race], sheet: Sequence[Rep], axes: Sequence[ZoneAxis]) -> list[Rep]:
    """The rows that races add to the sheet: a takeover each of two successive runners, where no row
    of the sheet names the race and the two."""
    given = {(rep.race, rep.incoming, rep.outgoing) for rep in sheet}
    rows = []
    for race in races:
        if any(axis.event != race.event for axis in axes):
            continue  # its zones are others
        for zone, (incoming, outgoing) in enumerate(pairwise(race.team), start=1):
            if (race.id, incoming, outgoing) not in given:
                lane = zone_lane(race, zone, axes)
                rows.append(Rep(0, incoming, outgoing, zone=zone, lane=lane, race=race.id))
    return rows


def zone_lane(race: Race, zone: int, axes: Sequence[ZoneAxis]) -> int | None:
    """The lane whose lines count at a zone of a race: its own while lanes are kept, and after the
    break the innermost that is surveyed; None where the zone is not."""
    surveyed = sorted(axis.lane for axis in axes if axis.zone == zone)
    if race.lane in surveyed and keeps_lanes(race.event, zone):
        return race.lane
    if not surveyed or keeps_lanes(race.event, zone):
        return None
    return surveyed[0]


@dataclass(frozen=True, slots=True)
class RacesFound:
    """The takeovers of races with their rows; the candidates and the sheet's rows that are left to
    match; the races with their teams in the order in which they ran; and remarks."""

    matched: tuple[MatchedTakeover, ...]
    left: tuple[TakeoverCandidate, ...]
    rows: tuple[Rep, ...]
    races: tuple[Race, ...]
    remarks: tuple[str, ...] = ()


def take_out_races(
    races: Sequence[Race],
    supplied: Sequence[Rep],
    found: Sequence[TakeoverCandidate],
    sheet: Sequence[Rep],
    axes: Sequence[ZoneAxis],
) -> RacesFound:
    """Match the rows that races supplied to takeovers.

    A row of the sheet without a race that stands for such a takeover, near its time, goes with it.
    A race whose rows are all in the sheet takes nothing.
    """
    matched: list[MatchedTakeover] = []
    left, rows = list(found), list(sheet)
    remarks: list[str] = []
    as_run = {race.id: race for race in races}
    for race in sorted(races, key=lambda r: (r.gun_utc_s is None, r.gun_utc_s or 0.0)):
        own = {rep.zone: rep for rep in supplied if rep.race == race.id}
        if not own:
            continue
        seen = find_race(race, left, axes)
        remarks += [f"race {race.id}: {words}" for words in seen.remarks]
        as_written = seen.race.team == race.team
        as_run[race.id] = seen.race
        for zone, one in seen.by_zone.items():
            if as_written and zone not in own:
                continue  # the sheet has it
            row = replace(
                own.get(zone, Rep(0, *one.pair, zone=zone, race=race.id)),
                incoming=one.incoming,
                outgoing=one.outgoing,
            )
            twin = _row_of_sheet(one, zone, rows)
            if twin is not None:
                rows.remove(twin)
                row = replace(twin, race=race.id, zone=zone)
            left = [c for c in left if (c.pair, c.entry_s) != (one.pair, one.entry_s)]
            matched.append(MatchedTakeover(one, row))
    in_order = tuple(as_run[race.id] for race in races)
    return RacesFound(tuple(matched), tuple(left), tuple(rows), in_order, tuple(remarks))


def _row_of_sheet(one: TakeoverCandidate, zone: int, rows: Sequence[Rep]) -> Rep | None:
    for rep in rows:
        same = (rep.incoming, rep.outgoing) == one.pair and rep.zone in (None, zone)
        if same and rep.race is None and rep.start_utc_s is not None and starts_near(one, rep):
            return rep
    return None


def find_race(
    race: Race, found: Sequence[TakeoverCandidate], axes: Sequence[ZoneAxis]
) -> RaceTakeovers:
    """The takeovers of a race: the team's successive pairs in its zones, one after the other, after
    the gun where that is known. Where the traces clearly show another order of the team, that."""
    written = _chain(race, found, axes)
    best, order = written, race
    if len(race.team) <= MOST_PERMUTED:
        for team in permutations(race.team):
            other = replace(race, team=team)
            chain = _chain(other, found, axes)
            if len(chain) >= len(written) + OTHER_ORDER_LINKS and len(chain) > len(best):
                best, order = chain, other
    remarks = []
    if order is not race:
        remarks.append(
            f"the team ran in the order {', '.join(order.team)}, not {', '.join(race.team)} as "
            "written: measured as it ran; correct `team`"
        )
    return RaceTakeovers(order, best, tuple(remarks))


def _chain(
    race: Race, found: Iterable[TakeoverCandidate], axes: Sequence[ZoneAxis]
) -> dict[int, TakeoverCandidate]:
    """The longest chain of takeovers, of equal ones the fastest: by zone."""
    legs = legs_m(race.event)
    if len(legs) != len(race.team):
        return {}
    ends_m = np.cumsum(legs)
    links = [
        (zone, placed)
        for one in found
        for zone, pair in enumerate(pairwise(race.team), start=1)
        if pair == one.pair
        for placed in [_in_zone(one, race, zone, axes)]
        if placed is not None and _after_gun(race, ends_m[zone - 1], placed)
    ]
    links.sort(key=lambda link: link[1].entry_s)
    best: list[tuple[tuple[int, float], dict[int, TakeoverCandidate]]] = []
    for zone, one in links:
        kept = (1, 0.0), {zone: one}
        for (count, lasts), chain in best:
            last = max(chain)
            if last >= zone:
                continue
            took = one.entry_s - chain[last].entry_s
            far = ends_m[zone - 1] - ends_m[last - 1]
            if far / FASTEST_LEG_MPS <= took <= far / SLOWEST_LEG_MPS:
                longer = (count + 1, lasts - took)
                if longer > kept[0]:
                    kept = longer, {**chain, zone: one}
        best.append(kept)
    return max(best, key=lambda one: one[0])[1] if best else {}


def _after_gun(race: Race, far_m: float, one: TakeoverCandidate) -> bool:
    if race.gun_utc_s is None:
        return True
    took = one.entry_s - race.gun_utc_s
    return bool(
        far_m / FASTEST_LEG_MPS - AROUND_GUN_S <= took <= far_m / SLOWEST_LEG_MPS + AROUND_GUN_S
    )


def _in_zone(
    one: TakeoverCandidate, race: Race, zone: int, axes: Sequence[ZoneAxis]
) -> TakeoverCandidate | None:
    """The candidate on the axis of that zone, or None where it is not there. The second and the
    third zone of the 4x400 are one place."""
    here = axes[one.axis]
    if here.zone == zone:
        return one
    if keeps_lanes(race.event, zone):
        return None
    for number, axis in enumerate(axes):
        apart = np.hypot(*(at(axis, 0.0) - at(here, 0.0)))
        if axis.zone == zone and axis.lane == here.lane and apart < SAME_PLACE_M:
            return replace(one, axis=number)
    return None
