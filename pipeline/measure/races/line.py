"""The line a race is run along, all round the track, and where its start, scratch lines and finish
lie on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.base.geodesy import Origin, to_enu
from pipeline.base.relays import bends, legs_m, zone_rules
from pipeline.base.stadium import STANDARD, keeps_lanes
from pipeline.base.values import Estimate, Floats, Frozen, LaneLine, Race, Venue, ZoneAxis
from pipeline.measure.lane_line import (
    LINE_STEP_M,
    SmoothLine,
    at,
    curvature_at,
    densify_straights,
    heading_at,
    polygon_length,
    project,
    smooth_line,
)
from pipeline.measure.races.expected import zone_lane
from pipeline.measure.zones import CLOSING_M, LAP_MIN_M

SEAM_M = 40.0  # of the lap are drawn twice, so that the seam is as smooth as the rest
BESIDE_M = 0.6  # a finish so far beside the line is another lane's
STRAIGHT_BEFORE_M = 20.0  # before a finish line the track is straight for much longer
SEAM_KEPT_M = 30.0  # beyond either end of the lap, for places beside the seam


@dataclass(frozen=True, eq=False)
class RaceLine(Frozen):
    """One lap of a lane's measured line, on which a race's places are counted.

    A place `s` counts on from the first lap (`unroll`), so that it grows from start to finish.
    `s_m`, `xy_m`, `heading_rad`, `curvature_pm` are the line's points (n,) as in ZoneAxis, a little
    more than a lap. `aside_m` (n,) is how far outward the race's own lane lies, 0 where that is
    the line itself. `lines` are start, scratch lines and finish, None where one is not surveyed.
    The lanes are left at `break_m`, and lane 1 is reached at `joined_m`; both infinite where they
    are kept throughout.
    """

    lane: int
    base_lane: int
    lap_m: float
    origin: Origin
    s_m: Floats
    xy_m: Floats
    heading_rad: Floats
    curvature_pm: Floats
    aside_m: Floats
    lines: tuple[Estimate | None, ...]
    break_m: float = np.inf
    joined_m: float = np.inf

    def in_lap(self, s_m: Floats) -> Floats:
        """Places on the lap, 0 to its length, of places that count on."""
        return np.asarray(np.mod(s_m, self.lap_m))

    def lane_aside(self, s_m: Floats) -> Floats:
        """How far outward of the line the race's own lane lies (n,) [m]."""
        return np.asarray(np.interp(self.in_lap(s_m), self.s_m, self.aside_m))


def lay_race_line(race: Race, venue: Venue, axes: Sequence[ZoneAxis], lane: int) -> RaceLine | str:
    """The line of a race in a lane, or the reason why there is none.

    While the lanes are kept it is the race's own lane. Where they are left (4x400), it is that of
    the innermost lane with the last zone, for the whole race: own lanes lie so far outward of it.
    """
    legs = legs_m(race.event)
    last = len(legs) - 1
    kept = keeps_lanes(race.event, last)
    base = lane if kept else zone_lane(race, last, axes)
    if base is None:
        return f"zone {last} is not surveyed in any lane"
    origin = axes[0].origin_lat_deg, axes[0].origin_lon_deg, axes[0].origin_alt_m
    circuits = {}
    for number in {base, lane}:
        drawn = next((one for one in venue.lanes if one.lane == number), None)
        circuit = None if drawn is None else _circuit(drawn, origin)
        if circuit is None:
            return (
                f"the line of lane {number} is not surveyed all round; draw the whole lap in the "
                "venue (`batontrace venue` does)"
            )
        circuits[number] = circuit
    line, lap_m = circuits[base]
    aside = np.zeros(len(line.s_m))
    if base != lane:
        s, off = project(line, circuits[lane][0].xy_m)
        order = np.argsort(s)
        aside = np.interp(line.s_m, s[order], off[order])
    lines = _race_lines(race, venue, axes, lane, line, lap_m, origin)
    leaves = joined = np.inf
    end = lines[-1] or lines[-2]
    if not kept and end is not None:  # both lie at the finish line, whole laps apart
        in_lanes = bends(race.event)[0]
        share = STANDARD.bend_m(base) / STANDARD.lap_m(base)
        first = end.value - (len(legs) - (0 if lines[-1] else 1)) * legs[0] / 400.0 * lap_m
        leaves = first + (in_lanes // 2) * lap_m + share * lap_m
        joined = leaves + (0.5 - share) * lap_m
    return RaceLine(
        lane,
        base,
        lap_m,
        origin,
        line.s_m,
        line.xy_m,
        line.heading_rad,
        line.curvature_pm,
        aside,
        lines,
        leaves,
        joined,
    )


def _circuit(lane: LaneLine, origin: Origin) -> tuple[SmoothLine, float] | None:
    """A lane's smooth line for one lap and a little more, and the lap's length [m]; None where it
    does not close."""
    drawn = to_enu(lane.latitude_deg, lane.longitude_deg, None, origin)
    ring = densify_straights(drawn)
    length = polygon_length(ring)
    gap = float(np.hypot(*(ring[0] - ring[-1])))
    if length[-1] < LAP_MIN_M or gap > CLOSING_M:
        return None
    if gap < 0.01:
        ring, length = ring[:-1], length[:-1]
    # Two halves, each with a piece of the other at both ends: a line that meets itself cannot be
    # smoothed by its own length.
    half = int(np.searchsorted(length, length[-1] / 2))
    there, back = ring[length < length[half] + SEAM_M], ring[length > length[half] - SEAM_M]
    before = ring[length > length[-1] - SEAM_M]
    after = ring[length < SEAM_M]
    one = smooth_line(np.concatenate([before, there]))
    other = smooth_line(np.concatenate([back, after]))
    begin, middle = (float(project(one, ring[k])[0]) for k in (0, half))
    again, end = (float(project(other, ring[k])[0]) for k in (half, 0))
    first_m = middle - begin
    lap_m = first_m + end - again
    s = np.linspace(
        -SEAM_KEPT_M, lap_m + SEAM_KEPT_M, int((lap_m + 2 * SEAM_KEPT_M) / LINE_STEP_M) + 2
    )
    early = s < first_m
    on, on_other = s[early] + begin, s[~early] - first_m + again
    turned = float(heading_at(one, middle) - heading_at(other, again))
    turned = 2 * np.pi * round(turned / (2 * np.pi))
    line = SmoothLine(
        s,
        np.concatenate([at(one, on), at(other, on_other)]),
        np.concatenate([heading_at(one, on), heading_at(other, on_other) + turned]),
        np.concatenate([curvature_at(one, on), curvature_at(other, on_other)]),
    )
    return line, lap_m


def _straight_on(line: SmoothLine, xy_m: Floats, s_m: float) -> float:
    """The place of a finish line, surveyed in another lane, on the line: it lies across the end of
    the home straight, and where the bend begins a smooth line has already turned a little."""
    from_m = s_m - STRAIGHT_BEFORE_M
    heading = float(heading_at(line, from_m))
    away = xy_m - at(line, from_m)
    return from_m + float(away[0] * np.cos(heading) + away[1] * np.sin(heading))


def _race_lines(
    race: Race,
    venue: Venue,
    axes: Sequence[ZoneAxis],
    lane: int,
    line: SmoothLine,
    lap_m: float,
    origin: Origin,
) -> tuple[Estimate | None, ...]:
    """Start, scratch lines and finish on the line, counting on from the first of them."""
    legs = legs_m(race.event)
    found: list[tuple[Floats, float] | None] = [None] * (len(legs) + 1)
    for spot in venue.race_lines:
        # the finish lies straight across the track, a start in its own lane only
        if spot.line == "start" and spot.lane != lane:
            continue
        number = 0 if spot.line == "start" else len(legs)
        if found[number] is None or spot.lane == lane:
            xy = to_enu(spot.latitude_deg, spot.longitude_deg, None, origin)
            found[number] = (xy, spot.sd_m)
    for zone in range(1, len(legs)):
        own = lane if keeps_lanes(race.event, zone) else zone_lane(race, zone, axes)
        for axis in axes:
            rules = zone_rules(race.event, zone)
            if axis.zone == zone and axis.lane == own and rules:
                rule = min(rules, key=lambda r: abs(r.back_m - axis.back_m))
                found[zone] = (at(axis, rule.scratch_m), axis.line_sd_m)
    ends_m = np.concatenate([[0.0], np.cumsum(legs)])
    out: list[Estimate | None] = []
    first: tuple[int, float] | None = None
    for number, one in enumerate(found):
        if one is None:
            out.append(None)
            continue
        s, aside = (float(x) for x in project(line, one[0]))
        if number == len(legs) and abs(aside) > BESIDE_M:
            s = _straight_on(line, one[0], s)
        s %= lap_m
        if first is None:
            first = (number, s)
        else:
            due = first[1] + float(ends_m[number] - ends_m[first[0]])
            s += lap_m * round((due - s) / lap_m)
        out.append(Estimate(s, one[1]))
    return tuple(out)
