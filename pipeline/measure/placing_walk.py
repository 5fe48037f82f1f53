"""What a unit carried along a lane, or held still on its lines, says of where the plan lies.

docs/methods.md, "A venue without a survey". A recording becomes places a second, in time order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.base.geodesy import to_sphere_m
from pipeline.base.values import Columns, Fixes, Floats
from pipeline.errors import VenueError

FEWEST_SECONDS = 30
WALKS_FROM_MPS, WALKS_TO_MPS = 0.6, 4.0  # a lap may be jogged
OVER_S = 5  # of a pace from places, a second apart each
STILL_MPS = 0.5
STILL_S = 40.0  # of a minute on a line, what is left after settling
SETTLING_S = 3.0
BREAK_S = 20.0  # a longer pause in the fixes ends a spell
SHORTEST_LAP_M, LONGEST_LAP_M = 320.0, 560.0
STRAYS_M = 4.0  # a single place farther from the mean of its spell is left out


@dataclass(frozen=True, eq=False)
class CarriedPlaces(Columns):
    """Places of one unit, one a second: `t_s` (n,) as the file counts, degrees (n,). `number` says
    which file it is, since a unit's own error runs through the whole of it."""

    number: int
    t_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats


@dataclass(frozen=True, eq=False)
class WalkedLap:
    """A lap walked along a lane's measured line from the finish line, in running direction."""

    lane: int
    places: CarriedPlaces


@dataclass(frozen=True, eq=False)
class StoodSpot:
    """A unit held still on a spot of the plan."""

    spot: str
    places: CarriedPlaces


def places_by_second(path: Path, fixes: Fixes | None, number: int) -> CarriedPlaces:
    """The mean place of every second. Raises VenueError where there are too few."""
    if fixes is None:
        raise VenueError(path, "no satellite fixes", "a recording with places")
    good = np.isfinite(fixes.latitude_deg) & np.isfinite(fixes.t_s)
    second = np.floor(fixes.t_s[good])
    moments, where, count = np.unique(second, return_inverse=True, return_counts=True)
    if len(moments) < FEWEST_SECONDS:
        raise VenueError(
            path,
            f"places of {len(moments)} seconds",
            f"{FEWEST_SECONDS} at least",
            "record at one fix a second or more, and wait for the first fix",
        )
    first_lon = fixes.longitude_deg[good][0]  # about the first one: a mean fails at the date line
    turned = np.mod(fixes.longitude_deg[good] - first_lon + 180.0, 360.0) - 180.0
    lat, lon = (np.bincount(where, column) / count for column in (fixes.latitude_deg[good], turned))
    return CarriedPlaces(number, moments + 0.5, lat, lon + first_lon)


def walked_lap(path: Path, places: CarriedPlaces, lane: int) -> WalkedLap:
    """The lap in a recording: from the first lasting walk to the last. Raises VenueError where
    what was walked is no lap."""
    pace = _pace_mps(places)
    walks = (pace > WALKS_FROM_MPS) & (pace < WALKS_TO_MPS)
    lasting = np.convolve(walks, np.ones(2 * OVER_S + 1), mode="same") > OVER_S + 1
    which = np.flatnonzero(walks & lasting)
    way_m = float(pace[which].sum()) if len(which) else 0.0
    if not SHORTEST_LAP_M < way_m < LONGEST_LAP_M:
        raise VenueError(
            path,
            f"a way of {way_m:.0f} m walked",
            "one lap, about 400 m, from the finish line in running direction",
            "begin to record on the finish line and stop there after one lap",
        )
    return WalkedLap(lane, places.rows(which))


def stood_spots(path: Path, places: CarriedPlaces, spots: Sequence[str]) -> list[StoodSpot]:
    """The still spells of a recording, each on the spot that is named for it in order. Raises
    VenueError where there are not as many spells as names."""
    still = _pace_mps(places) < STILL_MPS
    found: list[CarriedPlaces] = []
    change = np.flatnonzero(np.diff(np.r_[False, still, False].astype(np.int8)))
    for begin, end in change.reshape(-1, 2):
        spell = places.rows(np.arange(begin, end))
        inside = (spell.t_s > spell.t_s[0] + SETTLING_S) & (spell.t_s < spell.t_s[-1] - SETTLING_S)
        if inside.sum() >= STILL_S - 2 * SETTLING_S:
            found.append(_without_strays(spell.rows(inside)))
    if len(found) != len(spots):
        begins = places.t_s[0]
        told = [
            f"still from second {one.t_s[0] - begins:.0f} to {one.t_s[-1] - begins:.0f}"
            for one in found
        ]
        raise VenueError(
            path,
            f"{len(found)} still spells of {STILL_S:.0f} s or more, for {len(spots)} lines named",
            "as many spells as lines, in the order in which you stood on them",
            "name each line with --stood-at, or record only the minutes on the lines",
            told,
        )
    return [StoodSpot(spot, one) for spot, one in zip(spots, found, strict=True)]


def _pace_mps(places: CarriedPlaces) -> Floats:
    """Speed (n,) over some seconds, from places; a pause in the fixes counts as moving."""
    east, north = to_sphere_m(
        places.latitude_deg - places.latitude_deg[0],
        np.mod(places.longitude_deg - places.longitude_deg[0] + 180.0, 360.0) - 180.0,
        float(places.latitude_deg[0]),
    )
    t = places.t_s
    kernel = np.ones(3) / 3
    east, north = (
        np.convolve(np.pad(x, 1, mode="edge"), kernel, mode="valid") for x in (east, north)
    )
    before = np.maximum(np.searchsorted(t, t - OVER_S / 2), 0)
    after = np.minimum(np.searchsorted(t, t + OVER_S / 2, side="right") - 1, len(t) - 1)
    span = np.maximum(t[after] - t[before], 1.0)
    pace = np.hypot(east[after] - east[before], north[after] - north[before]) / span
    return np.where(span > BREAK_S, np.inf, pace)


def _without_strays(spell: CarriedPlaces) -> CarriedPlaces:
    east, north = to_sphere_m(
        spell.latitude_deg - np.median(spell.latitude_deg),
        spell.longitude_deg - np.median(spell.longitude_deg),
        float(spell.latitude_deg[0]),
    )
    return spell.rows(np.hypot(east, north) < STRAYS_M)
