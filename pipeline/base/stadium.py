"""The standard 400 m track: lanes, staggers, scratch lines, in metres of its own plan.

Plan frame: metres; the finish line lies at x = 0, the home straight is run towards +x below
the x axis, the first bend turns left about (0, 0), the back straight is run towards -x.
`s` is metres along a lane's own measured line from the finish line, in running direction:
first bend, back straight, second bend, home straight.

The relays run on it are in `relays`.

Source: IAAF / World Athletics Track and Field Facilities Manual, 2.2.1 (radius, straight,
lane width, measured lines).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.base import defaults, relays
from pipeline.base.relays import Rules, leg_m
from pipeline.base.values import Floats
from pipeline.errors import UsageError, VenueError

LANES = range(1, 10)
LAP_M = 400.0


@dataclass(frozen=True, slots=True)
class Stadium:
    """The measures of a track [m]: kerb radius, straight, lane width."""

    radius_m: float = defaults.RADIUS_M
    straight_m: float = defaults.STRAIGHT_M
    lane_width_m: float = defaults.LANE_WIDTH_M
    kerb: bool = True  # raised kerb on the inside of lane 1

    def __post_init__(self) -> None:
        for name, value, (low, high) in (
            ("radius of the kerb", self.radius_m, defaults.RADIUS_LIMITS_M),
            ("straight", self.straight_m, defaults.STRAIGHT_LIMITS_M),
            ("lane width", self.lane_width_m, defaults.LANE_WIDTH_LIMITS_M),
        ):
            if not low <= value <= high:  # nor is NaN
                raise UsageError(name, f"{value:g} m", f"{low:g} to {high:g} m")

    def edge_m(self, lane: int) -> float:
        """Radius of a lane's inner edge: the kerb, or the outer edge of the line on its left."""
        return self.radius_m + self.lane_width_m * (lane - 1)

    def measured_m(self, lane: int) -> float:
        """Radius of the measured line: 0.30 m from a raised kerb, else 0.20 m from the line."""
        return self.edge_m(lane) + (0.30 if lane == 1 and self.kerb else 0.20)

    def bend_m(self, lane: int) -> float:
        return math.pi * self.measured_m(lane)

    def lap_m(self, lane: int) -> float:
        return 2 * self.straight_m + 2 * self.bend_m(lane)


STANDARD = Stadium()


# --- staggers and zones ----------------------------------------------------------------


def stagger_m(lane: int, bends: int, track: Stadium = STANDARD) -> float:
    """How far ahead of lane 1 a lane starts that is kept for so many bends [m].

    One bend is pi (r_n - r_1). That lane 1 is measured 0.30 m from its kerb and the others
    0.20 m from their line makes each 0.63 m a lap less than the much-copied
    2 pi * 1.22 (n - 1).
    """
    return bends * (track.bend_m(lane) - track.bend_m(1))


def break_extra_m(lane: int, track: Stadium = STANDARD) -> float:
    """What a lane's runner runs more from the break line at the end of a bend than lane 1's:
    straight from it, tangent to lane 1's measured line where the next bend takes it up [m]."""
    r1, rn, straight = track.measured_m(1), track.measured_m(lane), track.straight_m
    far = math.hypot(straight, rn)
    tangent = math.sqrt(far**2 - r1**2)
    turned = math.acos(r1 / far) - math.atan2(straight, rn)
    return tangent - (straight + r1 * turned)


def start_m(
    event: str, lane: int, bends_in_lanes: int | None = None, track: Stadium = STANDARD
) -> float:
    """s of a relay's start line in a lane."""
    bends, all_bends = relays.bends(event, bends_in_lanes)
    return stagger_m(lane, bends, track) + (
        break_extra_m(lane, track) if bends < all_bends else 0.0
    )


def in_lanes(event: str, zone: int, bends_in_lanes: int | None = None) -> bool:
    """Whether the lanes are still kept at a takeover zone."""
    bends, all_bends = relays.bends(event, bends_in_lanes)
    # every half lap begins with its bend, and the break comes at the end of one
    return bends == all_bends or zone * leg_m(event) <= (bends - 1) * LAP_M / 2


def keeps_lanes(event: str, zone: int) -> bool:
    """Whether the lanes are usually kept at a takeover zone, as `in_lanes`; yes for a relay that
    the plan does not hold."""
    return event not in relays.BENDS_IN_LANES or in_lanes(event, zone)


def scratch_m(
    event: str,
    zone: int,
    lane: int,
    bends_in_lanes: int | None = None,
    track: Stadium = STANDARD,
) -> float:
    """s (0 to a lap) of the line a takeover zone is laid out from: where a leg ends.

    While the lanes are kept it lies so many legs past the lane's own start line; after the
    break it lies straight across the track, at the finish line or half a lap on.
    """
    laps, rest_m = divmod(zone * leg_m(event), LAP_M)
    lap_m = track.lap_m(lane)
    if in_lanes(event, zone, bends_in_lanes):
        s = start_m(event, lane, bends_in_lanes, track) + laps * track.lap_m(1) + rest_m
    else:
        s = rest_m / LAP_M * lap_m
    s %= lap_m
    return 0.0 if lap_m - s < 1e-6 else s


# --- places on the plan ----------------------------------------------------------------


def plan_xy(s_m: ArrayLike, lane: int, across_m: float = 0.0, track: Stadium = STANDARD) -> Floats:
    """(..., 2) plan metres of places along a lane's measured line, `across_m` outward of it."""
    r, straight, bend = track.measured_m(lane), track.straight_m, track.bend_m(lane)
    s = np.mod(np.asarray(s_m, dtype=np.float64), track.lap_m(lane))
    part = np.searchsorted(np.cumsum([bend, straight, bend]), s, side="right")
    out = r + across_m
    first, second = s / r - np.pi / 2, (s - straight) / r - np.pi / 2
    x = np.choose(
        part,
        [
            out * np.cos(first),
            bend - s,
            -straight + out * np.cos(second),
            s - track.lap_m(lane),
        ],
    )
    y = np.choose(
        part,
        [out * np.sin(first), np.full_like(s, out), out * np.sin(second), np.full_like(s, -out)],
    )
    return np.stack([x, y], axis=-1)


SPOTS = """\
finish@lane1            where a line meets a lane: finish, back-start, back-end, home-start
back-end@lane4-inner    (the ends of the two straights), start (the event's), zone1-back,
zone2-entry@lane5-outer zone1-entry, zone1-exit, ... zone3-exit (the event's zones)
centre1, centre2        the centre of the first and of the second bend

laneN alone is the lane's measured line (0.20 m outward of its inner edge, in lane 1 0.30 m
from a raised kerb), laneN-inner the kerb or the outer edge of the line on the lane's left,
laneN-outer that of the line on its right. Of a line's width the edge counts that is nearer
the start; of a start line the edge farther from the finish."""


def spot_xy(
    spot: str,
    event: str,
    rules: Rules = Rules.today,
    bends_in_lanes: int | None = None,
    track: Stadium = STANDARD,
) -> Floats:
    """(2,) plan metres of a spot named as in SPOTS. Errors: VenueError."""
    name = re.sub(r"\s+", "", spot.casefold()).replace("_", "-")
    if name in ("centre1", "centre2", "center1", "center2"):
        return np.array([0.0 if name.endswith("1") else -track.straight_m, 0.0])
    match = re.fullmatch(
        r"(finish|back-start|back-end|home-start|start|zone([1-3])-(back|entry|exit))"
        r"@lane([1-9])(-inner|-outer)?",
        name,
    )
    if not match:
        raise VenueError(
            f'spot "{spot}"',
            "not a spot of the plan",
            "a line of the track at a lane's edge, such as finish@lane1-inner",
            "the spots are",
            SPOTS.splitlines(),
        )
    line, zone, zone_line, lane = match[1], match[2], match[3], int(match[4])
    radius = track.measured_m(lane)
    edges = {"-inner": track.edge_m(lane), "-outer": track.edge_m(lane + 1), None: radius}
    bend, straight = track.bend_m(lane), track.straight_m
    if zone:
        back, entry, leave = relays.zone_lines_m(event, rules, int(zone))
        s = scratch_m(event, int(zone), lane, bends_in_lanes, track)
        s += {"back": back, "entry": entry, "exit": leave}[zone_line]
    elif line == "start":
        s = start_m(event, lane, bends_in_lanes, track)
    else:
        s = {
            "finish": 0.0,
            "back-start": bend,
            "back-end": bend + straight,
            "home-start": 2 * bend + straight,
        }[line]
    return plan_xy(s, lane, edges[match[5]] - radius, track)
