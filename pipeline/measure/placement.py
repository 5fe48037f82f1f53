"""The standard plan on the ground: the rigid fit of surveyed spots, and the venue from it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.base.geodesy import Origin, SurveyPoint, from_enu, to_enu
from pipeline.base.relays import Rules, zone_lines_m
from pipeline.base.stadium import (
    LANES,
    LAP_M,
    STANDARD,
    Stadium,
    plan_xy,
    scratch_m,
    spot_xy,
    start_m,
)
from pipeline.base.values import Floats
from pipeline.errors import UsageError, VenueError

VERTEX_M = 1.5  # between vertices of a lane's line: the chord of a bend cuts 8 mm
APART_MIN_M = 20.0  # nearer points do not say which way the track points
RESIDUAL_MAX_M = 3.0  # beyond it a spot is mistaken rather than badly surveyed
LAP_OFF_MAX_M = 1.0


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


def place_plan(
    points: Sequence[SurveyPoint],
    event: str = "4x100",
    rules: Rules = Rules.today,
    bends_in_lanes: int | None = None,
    track: Stadium = STANDARD,
) -> Placement:
    """The rigid fit of the plan to two or more surveyed spots, by weighted least squares.

    It has a closed form in the plane, the case in two dimensions of [1]. Raises VenueError where
    the points are too few, too near to one another, mirrored or metres off.

    [1] B. K. P. Horn, Journal of the Optical Society of America A 4 (1987).
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
    rules: Rules = Rules.today,
    bends_in_lanes: int | None = None,
    track: Stadium = STANDARD,
) -> tuple[dict[str, Any], Placement]:
    """The venue (a GeoJSON FeatureCollection) of the standard plan placed by surveyed spots.

    Every lane is drawn for a whole lap, with the zones of all three takeovers and with the start
    and the finish of a race. The 4x200 is laid
    out for lanes kept throughout (4 bends) unless 3 or 1 are asked for, the 4x400 for 3 bends
    unless 1 is. Raises UsageError for what the plan does not hold, VenueError for the survey.
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
    placement = place_plan(points, event, rules, bends_in_lanes, track)
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
                ("back", "entry", "exit"), zone_lines_m(event, rules, zone), strict=True
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
        for name, s in (("start", start_m(event, lane, bends_in_lanes, track)), ("finish", 0.0)):
            xy = plan_xy(s, lane, track=track)
            features.append(
                _feature(
                    "Point",
                    _lon_lat(placement, xy),
                    kind="race-line",
                    lane=lane,
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
