"""The standard 400 m track: lanes, staggers, takeover zones, and its place on the ground.

Plan frame: metres; the finish line lies at x = 0, the home straight is run towards +x below
the x axis, the first bend turns left about (0, 0), the back straight is run towards -x.
`s` is metres along a lane's own measured line from the finish line, in running direction:
first bend, back straight, second bend, home straight.

Sources: IAAF / World Athletics Track and Field Facilities Manual, 2.2.1 (radius, straight,
lane width, measured lines); IAAF Competition Rules 2018-2019, Rule 170.3 (zones). How many
bends of 4x200 and 4x400 are run in lanes: World Athletics TR 24.14-24.16, from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from pipeline.errors import UsageError, VenueError
from pipeline.geodesy import Origin, SurveyPoint, from_enu, to_enu
from pipeline.model import Floats

Rules = Literal["today", "older"]

LANES = range(1, 10)
VERTEX_M = 1.5  # between vertices of a lane's line: the chord of a bend cuts 8 mm
APART_MIN_M = 20.0  # nearer points do not say which way the track points
RESIDUAL_MAX_M = 3.0  # beyond it a spot is mistaken rather than badly surveyed
LAP_M, LAP_OFF_MAX_M = 400.0, 1.0


@dataclass(frozen=True, slots=True)
class Track:
    """A track's own measures [m]: kerb radius, straight, lane width."""

    radius_m: float = 36.50
    straight_m: float = 84.39
    lane_width_m: float = 1.22
    kerb: bool = True  # raised kerb on the inside of lane 1

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


STANDARD = Track()


# --- staggers and zones ----------------------------------------------------------------


def stagger_m(lane: int, bends: int, track: Track = STANDARD) -> float:
    """How far ahead of lane 1 a lane starts that is kept for so many bends [m].

    One bend is pi (r_n - r_1). That lane 1 is measured 0.30 m from its kerb and the others
    0.20 m from their line makes each 0.63 m a lap less than the much-copied
    2 pi * 1.22 (n - 1).
    """
    return bends * (track.bend_m(lane) - track.bend_m(1))


def break_extra_m(lane: int, track: Track = STANDARD) -> float:
    """What a lane's runner runs more from the break line at the end of a bend than lane 1's:
    straight from it, tangent to lane 1's measured line where the next bend takes it up [m]."""
    r1, rn, straight = track.measured_m(1), track.measured_m(lane), track.straight_m
    far = math.hypot(straight, rn)
    tangent = math.sqrt(far**2 - r1**2)
    turned = math.acos(r1 / far) - math.atan2(straight, rn)
    return tangent - (straight + r1 * turned)


def start_m(
    event: str, lane: int, bends_in_lanes: int | None = None, track: Track = STANDARD
) -> float:
    """s of a relay's start line in a lane."""
    bends, all_bends = _bends(event, bends_in_lanes)
    return stagger_m(lane, bends, track) + (
        break_extra_m(lane, track) if bends < all_bends else 0.0
    )


# event: leg, bends in all, bends in lanes (the usual way first)
_RELAYS: dict[str, tuple[float, int, tuple[int, ...]]] = {
    "4x100": (100.0, 2, (2,)),
    "4x200": (200.0, 4, (4, 3, 1)),
    "4x400": (400.0, 8, (3, 1)),
}


def _bends(event: str, bends_in_lanes: int | None) -> tuple[int, int]:
    if event not in _RELAYS:
        raise UsageError(
            "event", f'"{event}"', ", ".join(_RELAYS), "survey the zones of other events"
        )
    _, all_bends, ways = _RELAYS[event]
    bends = ways[0] if bends_in_lanes is None else bends_in_lanes
    if bends not in ways:
        raise UsageError(
            "bends in lanes", str(bends), f"{' or '.join(map(str, ways))} for the {event}"
        )
    return bends, all_bends


def scratch_m(
    event: str,
    zone: int,
    lane: int,
    bends_in_lanes: int | None = None,
    track: Track = STANDARD,
) -> float:
    """s (0 to a lap) of the line a takeover zone is laid out from: where a leg ends.

    While the lanes are kept it lies so many legs past the lane's own start line; after the
    break it lies straight across the track, at the finish line or half a lap on.
    """
    bends, all_bends = _bends(event, bends_in_lanes)
    laps, rest_m = divmod(zone * _RELAYS[event][0], LAP_M)
    lap_m = track.lap_m(lane)
    # every half lap begins with its bend, and the break comes at the end of one
    if bends == all_bends or laps * 2 + rest_m / (LAP_M / 2) <= bends - 1:
        s = start_m(event, lane, bends_in_lanes, track) + laps * track.lap_m(1) + rest_m
    else:
        s = rest_m / LAP_M * lap_m
    s %= lap_m
    return 0.0 if lap_m - s < 1e-6 else s


def zone_m(event: str, rules: Rules = "today") -> tuple[float, float, float]:
    """(back, entry, exit) of a zone [m], reckoned from its scratch line."""
    if _RELAYS[event][0] > 200:
        return -10.0, -10.0, 10.0
    return (-20.0, -20.0, 10.0) if rules == "today" else (-20.0, -10.0, 10.0)


# --- places on the plan ----------------------------------------------------------------


def plan_xy(s_m: ArrayLike, lane: int, across_m: float = 0.0, track: Track = STANDARD) -> Floats:
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
    rules: Rules = "today",
    bends_in_lanes: int | None = None,
    track: Track = STANDARD,
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
            "the spots are\n" + SPOTS,
        )
    line, zone, zone_line, lane = match[1], match[2], match[3], int(match[4])
    radius = track.measured_m(lane)
    edges = {"-inner": track.edge_m(lane), "-outer": track.edge_m(lane + 1), None: radius}
    bend, straight = track.bend_m(lane), track.straight_m
    if zone:
        back, entry, leave = zone_m(event, rules)
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


# --- the plan placed on the ground -----------------------------------------------------


@dataclass(frozen=True, slots=True)
class Residual:
    """How far a surveyed point lies from where the placed plan has its spot [m]."""

    spot: str
    east_m: float
    north_m: float

    @property
    def distance_m(self) -> float:
        return math.hypot(self.east_m, self.north_m)


@dataclass(frozen=True, slots=True)
class Placement:
    """The plan turned by `turn_rad` (anticlockwise) and moved onto the ground; no stretch.

    `sd_m` is the standard error of one surveyed point: what the survey states or, if more,
    what its residuals show. `scale_ppm` (positive: the survey is larger than the plan) is
    told, not used.
    """

    origin: Origin
    turn_rad: float
    shift_m: tuple[float, float]
    centre_m: tuple[float, float]  # of the surveyed spots, on the plan
    spread_m2: float  # sum of the squares of their distances from it
    residuals: tuple[Residual, ...]
    sd_m: float
    scale_ppm: float
    scale_sd_ppm: float
    remarks: tuple[str, ...] = ()


def place(
    points: Sequence[SurveyPoint],
    event: str = "4x100",
    rules: Rules = "today",
    bends_in_lanes: int | None = None,
    track: Track = STANDARD,
) -> Placement:
    """The rigid fit of the plan to two or more surveyed spots, by weighted least squares.

    Closed form in the plane (e.g. Horn 1987, J. Opt. Soc. Am. A 4, for space). Errors:
    VenueError where the points are too few, too near, mirrored or metres off.
    """
    if len(points) < 2:
        raise VenueError("survey", f"{len(points)} point(s)", "two or more, far apart")
    plan = np.array([spot_xy(p.spot, event, rules, bends_in_lanes, track) for p in points])
    origin = (points[0].lat_deg, points[0].lon_deg, 0.0)
    ground = to_enu([p.lat_deg for p in points], [p.lon_deg for p in points], None, origin)
    stated = np.array([p.sd_m for p in points])
    weight = stated**-2 / np.sum(stated**-2)
    plan_centre, ground_centre = weight @ plan, weight @ ground
    a, b = plan - plan_centre, ground - ground_centre
    za, zb = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    apart = float(np.max(np.abs(plan[:, None] - plan[None]).sum(axis=-1)))
    if apart < APART_MIN_M:
        raise VenueError(
            "survey",
            f"spots within {apart:.1f} m of one another",
            f"two that are {APART_MIN_M:.0f} m apart or more, better 80 m",
        )
    moment = np.sum(weight * np.conj(za) * zb)
    mirrored = np.sum(weight * za * zb)
    spread = np.sum(weight * np.abs(za) ** 2)
    turn = float(np.angle(moment))
    shift = ground_centre - _turned(plan_centre, turn)
    off = ground - (_turned(plan, turn) + shift)
    residuals = tuple(
        Residual(p.spot, float(e), float(n)) for p, (e, n) in zip(points, off, strict=True)
    )
    worst = max(residuals, key=lambda r: r.distance_m)
    if worst.distance_m > RESIDUAL_MAX_M:
        flipped = len(points) > 2 and abs(mirrored) > 1.5 * abs(moment)
        raise VenueError(
            f'spot "{worst.spot}"',
            f"{worst.distance_m:.1f} m from where the plan has it",
            f"at most {RESIDUAL_MAX_M:.0f} m",
            "the points lie as in a mirror: are latitude and longitude, or the two straights, "
            "swapped?"
            if flipped
            else "check the spots' names, the coordinates, and the track's radius and straight",
        )
    freedom = 2 * len(points) - 3
    chi2 = float(np.sum((off / stated[:, None]) ** 2)) / freedom
    unit = float(np.mean(stated**2)) ** 0.5
    sd = unit * max(1.0, math.sqrt(chi2))
    scale = float((np.real(np.exp(-1j * turn) * moment)) / spread)
    scale_sd = float(1 / math.sqrt(np.sum(np.abs(za) ** 2 / stated**2)))
    remarks = []
    if abs(scale - 1) > 3 * scale_sd:
        remarks.append(
            f"the survey is {abs(scale - 1) * 100:.2f} % {'larger' if scale > 1 else 'smaller'} "
            f"than the plan ({abs(scale - 1) * 100:.2f} m in 100 m): are radius and straight "
            "those of this track?"
        )
    return Placement(
        origin=origin,
        turn_rad=turn,
        shift_m=(float(shift[0]), float(shift[1])),
        centre_m=(float(plan_centre[0]), float(plan_centre[1])),
        spread_m2=float(np.sum(np.abs(za) ** 2)),
        residuals=residuals,
        sd_m=sd,
        scale_ppm=(scale - 1) * 1e6,
        scale_sd_ppm=scale_sd * 1e6,
        remarks=tuple(remarks),
    )


def _turned(xy: Floats, turn_rad: float) -> Floats:
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    turned: Floats = xy @ np.array([[c, s], [-s, c]])
    return turned


def _lon_lat(placement: Placement, xy: Floats) -> list[Any]:
    """Plan metres as GeoJSON coordinates, to 0.1 mm."""
    ground = _turned(xy, placement.turn_rad) + np.array(placement.shift_m)
    lat, lon, _ = from_enu(ground, placement.origin)
    coordinates: list[Any] = np.round(np.stack([lon, lat], axis=-1), 9).tolist()
    return coordinates


def _sd_at(placement: Placement, xy: Floats) -> float:
    """Standard error [m], in any one direction, of a place on the placed plan."""
    lever2 = float(np.sum((xy - np.array(placement.centre_m)) ** 2)) / 2
    n = len(placement.residuals)
    return round(placement.sd_m * math.sqrt(1 / n + lever2 / placement.spread_m2), 3)


def standard_venue(
    points: Sequence[SurveyPoint],
    lanes: Iterable[int],
    event: str,
    rules: Rules = "today",
    bends_in_lanes: int | None = None,
    track: Track = STANDARD,
) -> tuple[dict[str, Any], Placement]:
    """The venue (a GeoJSON FeatureCollection) of the standard plan placed by surveyed spots.

    Every lane is drawn for a whole lap, with the zones of all three takeovers. 4x200 is laid
    out for lanes kept throughout (4 bends) unless 3 or 1 are asked for, 4x400 for 3 bends
    unless 1. Errors: UsageError for what the plan does not hold, VenueError for the survey.
    """
    chosen = sorted(set(lanes))
    if not chosen or not set(chosen) <= set(LANES):
        raise UsageError("lanes", ", ".join(map(str, chosen)) or "none", "lanes from 1 to 9")
    if abs(track.lap_m(1) - LAP_M) > LAP_OFF_MAX_M:
        raise UsageError(
            "radius and straight",
            f"a lap of {track.lap_m(1):.2f} m in lane 1",
            f"{LAP_M:.0f} m, within {LAP_OFF_MAX_M:.0f} m",
            "survey the lane's line and the zones of other tracks",
        )
    placement = place(points, event, rules, bends_in_lanes, track)
    features = []
    for lane in chosen:
        lap = track.lap_m(lane)
        line = plan_xy(np.linspace(0, lap, round(lap / VERTEX_M) + 1), lane, track=track)
        line[-1] = line[0]
        sd = max(_sd_at(placement, xy) for xy in line[:: len(line) // 8])
        features.append(
            _feature("LineString", _lon_lat(placement, line), kind="lane", lane=lane, sd_m=sd)
        )
        for zone in (1, 2, 3):
            scratch = scratch_m(event, zone, lane, bends_in_lanes, track)
            for name, from_scratch in zip(
                ("back", "entry", "exit"), zone_m(event, rules), strict=True
            ):
                xy = plan_xy(scratch + from_scratch, lane, track=track)
                features.append(
                    _feature(
                        "Point",
                        _lon_lat(placement, xy),
                        kind="zone-line",
                        lane=lane,
                        zone=zone,
                        line=name,
                        sd_m=_sd_at(placement, xy),
                    )
                )
    return {"type": "FeatureCollection", "features": features}, placement


def _feature(shape: str, coordinates: list[Any], **properties: object) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": shape, "coordinates": coordinates},
        "properties": properties,
    }
