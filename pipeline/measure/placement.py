"""The standard plan on the ground: the rigid fit to surveyed spots, laps walked with a unit and
lines stood on, and the venue from it. docs/methods.md, "A venue without a survey"."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.base.geodesy import Origin, SurveyPoint, from_enu, move_rows, to_enu
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
from pipeline.base.values import Floats, Frozen, Ints
from pipeline.errors import UsageError, VenueError
from pipeline.measure.noise import usual_slow_error
from pipeline.measure.placing_walk import StoodSpot, WalkedLap

VERTEX_M = 1.5  # between vertices of a lane's line: the chord of a bend cuts 8 mm
APART_MIN_M = 20.0  # nearer points do not say which way the track points
MISTAKEN_M, MISTAKEN_SDS = 12.0, 6.0  # beyond both a spot is mistaken, not badly surveyed
LAP_OFF_MAX_M = 1.0
COMMON_SHARE = 0.5  # of a point's variance, that all points of a survey share
DENIED = 4.0  # residuals so much larger than stated (mean square) deny what is stated
WORST_SURVEY_M = 10.0
FEET_SD_M = 0.15  # of who stands on a line
SIDE_SD_M, SWAY_SD_M, SWAY_S, FIX_SD_M = 0.15, 0.25, 5.0, 0.2  # of who walks along one
BEGIN_SD_M = 3.0  # of a lap's first place along the lane
WALK_STEP_S = 3  # of the places of a walk that are used: nearer ones say nothing more
STAND_STEP_S = 4
OFF_LANE_M = 8.0  # a place of a walk farther from its lane is not of the lap ...
OFF_LANE_FIRST_M = 25.0  # ... nor, while the plan still lies wrong
LEAST_INFO = (1e-6, 1e-6, 1e-2)  # of the place (1/m²) and the turn (1/rad²), to stay regular
STEPS = 12
SETTLED_M = 1e-4
MOST_SD_M = 10.0  # that a venue's feature can state


@dataclass(frozen=True, slots=True)
class Residual:
    """How far a surveyed point lies from where the placed plan has its spot [m]."""

    spot: str
    east_m: float
    north_m: float

    @property
    def distance_m(self) -> float:
        return math.hypot(self.east_m, self.north_m)


@dataclass(frozen=True, eq=False)
class Placement(Frozen):
    """The plan turned by `turn_rad` (anticlockwise) and moved onto the ground; no stretch.

    `cov` (3, 3) is that of its place, metres east and north, and of its turn in rad, about
    `centre_m`, a place of the plan. `sd_m` is the standard error of one surveyed point: what the
    survey states or, if more, what its residuals show. `scale_ppm` (positive: the survey is larger
    than the plan) is told, not used; NaN where no two points were surveyed. `walk_off_m` is how far
    a lap's places lie beside its lane (root mean square).
    """

    origin: Origin
    turn_rad: float
    shift_m: tuple[float, float]
    centre_m: tuple[float, float]
    cov: Floats
    residuals: tuple[Residual, ...]
    sd_m: float
    scale_ppm: float
    scale_sd_ppm: float
    sources: tuple[str, ...] = ()
    walk_off_m: float | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Carried(Frozen):
    """Places of units on the ground (n, 2): when, of which file, and what they are of: a lap's
    lane, or the number of a spot stood on (-1 for a lap)."""

    t_s: Floats
    xy_m: Floats
    file: Ints
    spot: Ints
    lane: Ints


def place_plan(
    points: Sequence[SurveyPoint],
    event: str = "4x100",
    rules: Rules = Rules.today,
    bends_in_lanes: int | None = None,
    track: Stadium = STANDARD,
    walked: Sequence[WalkedLap] = (),
    stood: Sequence[StoodSpot] = (),
) -> Placement:
    """The rigid fit of the plan to surveyed spots, laps walked and spots stood on, by generalised
    least squares.

    Spots alone begin with the closed form in the plane, the case in two dimensions of [1]; a lap
    alone begins about its own centre. Raises VenueError where the points are too few, too near to
    one another, mirrored or metres off.

    [1] B. K. P. Horn, Journal of the Optical Society of America A 4 (1987).
    """
    names = [p.spot for p in points] + [one.spot for one in stood]
    if len(names) < 2 and not walked:
        raise VenueError(
            "survey",
            f"{len(names)} point(s)",
            "two or more, far apart",
            "or walk a lap of the lane with a unit: --walked",
        )
    plan = np.array([spot_xy(name, event, rules, bends_in_lanes, track) for name in names])
    plan = plan.reshape(-1, 2)
    units = [one.places for one in walked] + [one.places for one in stood]
    begin = [(one.latitude_deg[0], one.longitude_deg[0]) for one in units]
    latitude, longitude = [*((p.lat_deg, p.lon_deg) for p in points), *begin][0]
    origin = (float(latitude), float(longitude), 0.0)
    surveyed = to_enu([p.lat_deg for p in points], [p.lon_deg for p in points], None, origin)
    carried = _carried_places(walked, stood, origin)
    spots = _spots_on_ground(surveyed.reshape(-1, 2), carried, len(stood))
    remarks: list[str] = []
    turn, shift = _first_placement(names, plan, spots, points, stood, carried, track, bool(walked))
    stated = np.array([p.sd_m for p in points])
    scatter = _scatter_m(stated, plan[: len(points)], surveyed.reshape(-1, 2), remarks)
    centre = np.array([-track.straight_m / 2, 0.0])
    cov = np.eye(3)
    for step in range(STEPS):
        move, cov = _one_step(
            plan, surveyed, stated * scatter, carried, turn, shift, centre, track, step
        )
        middle = _turned(centre, turn) + shift + move[:2]
        turn += float(move[2])
        shift = middle - _turned(centre, turn)
        if max(abs(move[0]), abs(move[1]), 100 * abs(move[2])) < SETTLED_M and step > 1:
            break
    off = spots - (_turned(plan, turn) + shift)
    residuals = tuple(
        Residual(name, float(e), float(n)) for name, (e, n) in zip(names, off, strict=True)
    )
    scale, scale_sd = _scale_ppm(plan, spots, stated, turn) if points else (np.nan, np.nan)
    if len(points) > 1 and abs(scale) > 3 * scale_sd:
        share = abs(scale) / 1e4
        remarks.insert(
            0,
            f"the survey is {share:.2f} % {'larger' if scale > 0 else 'smaller'} than the plan "
            f"({share:.2f} m in 100 m): are radius and straight those of this track?",
        )
    walk_off = None
    if walked:
        aside, _, _ = _beside_lap(carried, turn, shift, track)
        near = np.abs(aside[carried.spot < 0]) < OFF_LANE_M
        walk_off = float(np.sqrt(np.mean(aside[carried.spot < 0][near] ** 2)))
    unit = float(np.sqrt(np.mean((stated * scatter) ** 2))) if points else np.nan
    return Placement(
        origin=origin,
        turn_rad=float(np.angle(np.exp(1j * turn))),
        shift_m=(float(shift[0]), float(shift[1])),
        centre_m=(float(centre[0]), float(centre[1])),
        cov=cov,
        residuals=residuals,
        sd_m=unit,
        scale_ppm=scale,
        scale_sd_ppm=scale_sd,
        sources=tuple(
            [f"{len(points)} surveyed spots"] * bool(points)
            + [f"a lap walked in lane {one.lane}" for one in walked]
            + [f"{len(stood)} lines stood on"] * bool(stood)
        ),
        walk_off_m=walk_off,
        remarks=tuple(remarks),
    )


# --- to begin with -----------------------------------------------------------------------


def _first_placement(
    names: Sequence[str],
    plan: Floats,
    spots: Floats,
    points: Sequence[SurveyPoint],
    stood: Sequence[StoodSpot],
    carried: _Carried,
    track: Stadium,
    with_lap: bool,
) -> tuple[float, Floats]:
    """Turn [rad] and shift (2,) to begin with. Raises VenueError where the spots are too near to
    one another, mirrored, or where one is mistaken."""
    apart = float(np.max(np.abs(plan[:, None] - plan[None]).sum(axis=-1), initial=0.0))
    if apart < APART_MIN_M:
        if with_lap:
            return _placement_of_lap(carried, track)
        raise VenueError(
            "survey",
            f"spots within {apart:.1f} m of one another",
            f"two that are {APART_MIN_M:.0f} m apart or more, better 80 m",
            "or walk a lap of the lane with a unit: --walked",
        )
    sd = np.array([p.sd_m for p in points] + [1.5] * len(stood))
    weight = sd**-2 / np.sum(sd**-2)
    plan_centre, ground_centre = weight @ plan, weight @ spots
    a, b = plan - plan_centre, spots - ground_centre
    za, zb = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    moment = np.sum(weight * np.conj(za) * zb)
    mirrored = np.sum(weight * za * zb)
    turn = float(np.angle(moment))
    shift = ground_centre - _turned(plan_centre, turn)
    off = np.hypot(*(spots - (_turned(plan, turn) + shift)).T)
    worst = int(np.argmax(off - MISTAKEN_SDS * sd))
    limit = max(MISTAKEN_M, MISTAKEN_SDS * float(sd[worst]))
    if off[worst] > limit:
        flipped = len(names) > 2 and abs(mirrored) > 1.5 * abs(moment)
        raise VenueError(
            f'spot "{names[worst]}"',
            f"{off[worst]:.1f} m from where the plan has it",
            f"at most {limit:.0f} m",
            "the points lie as in a mirror: are latitude and longitude, or the two straights, "
            "swapped?"
            if flipped
            else "check the spots' names, the coordinates, and the track's radius and straight",
        )
    return turn, shift


def _placement_of_lap(carried: _Carried, track: Stadium) -> tuple[float, Floats]:
    """Turn and shift from a lap alone: about its own centre, begun at the finish line."""
    lap = carried.xy_m[carried.spot < 0]
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(lap, axis=0).T))])
    even = np.linspace(0, way[-1], 400, endpoint=False)
    ring = np.stack([np.interp(even, way, lap[:, k]) for k in (0, 1)], axis=-1)
    centre = np.array([-track.straight_m / 2, 0.0])
    lane = int(carried.lane[carried.spot < 0][0])
    best, least = (0.0, np.zeros(2)), np.inf
    for turn in np.radians(np.arange(0.0, 360.0, 3.0)):
        shift = ring.mean(axis=0) - _turned(centre, turn)
        own = _turned(ring - shift, -turn)
        aside, s = beside_plan_lane(own, lane, track)
        begun = abs((s[0] + track.lap_m(lane) / 2) % track.lap_m(lane) - track.lap_m(lane) / 2)
        backwards = np.median(np.diff(np.unwrap(s, period=track.lap_m(lane)))) < 0
        worth = float(np.mean(np.minimum(np.abs(aside), 20.0) ** 2)) + (begun / 20.0) ** 2
        worth += 1e4 * bool(backwards)
        if worth < least:
            best, least = (float(turn), shift), worth
    if least > 1e4:
        raise VenueError(
            "the lap walked",
            "it goes round clockwise",
            "a lap in running direction",
            "walk it anticlockwise, from the finish line",
        )
    return best


def _carried_places(
    walked: Sequence[WalkedLap], stood: Sequence[StoodSpot], origin: Origin
) -> _Carried:
    """The places of laps and stands, thinned: so slow errors need not be looked at every second."""
    parts: list[tuple[Floats, Floats, int, int, int]] = []
    for lap in walked:
        own = lap.places.rows(slice(None, None, WALK_STEP_S))
        xy = to_enu(own.latitude_deg, own.longitude_deg, None, origin)
        parts.append((own.t_s, xy, own.number, -1, lap.lane))
    for k, stand in enumerate(stood):
        own = stand.places.rows(slice(None, None, STAND_STEP_S))
        xy = to_enu(own.latitude_deg, own.longitude_deg, None, origin)
        parts.append((own.t_s, xy, own.number, k, 0))
    if not parts:
        none = np.zeros(0, dtype=np.intp)
        return _Carried(np.zeros(0), np.zeros((0, 2)), none, none, none)
    numbers = [
        np.repeat(np.array([part[k] for part in parts], dtype=np.intp), [len(p[0]) for p in parts])
        for k in (2, 3, 4)
    ]
    return _Carried(
        np.concatenate([part[0] for part in parts]),
        np.concatenate([part[1] for part in parts]),
        *numbers,
    )


def _spots_on_ground(surveyed: Floats, carried: _Carried, stands: int) -> Floats:
    """Where the surveyed points and the stands lie on the ground (n, 2)."""
    means = [carried.xy_m[carried.spot == k].mean(axis=0) for k in range(stands)]
    return np.concatenate([surveyed, np.array(means).reshape(-1, 2)])


def _scatter_m(stated: Floats, plan: Floats, ground: Floats, remarks: list[str]) -> float:
    """By how much a survey's points are worse than stated, from how they disagree.

    Posterior mean square of the scatter under a prior flat in its logarithm, from what is stated to
    WORST_SURVEY_M; with one degree of freedom that is far more than the residual.
    """
    freedom = 2 * len(stated) - 3
    if freedom < 1:
        return 1.0
    weight = stated**-2 / np.sum(stated**-2)
    a, b = plan - weight @ plan, ground - weight @ ground
    za, zb = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    turn = np.angle(np.sum(weight * np.conj(za) * zb))
    misfit = float(np.sum(np.abs(zb - za * np.exp(1j * turn)) ** 2 / stated**2))
    share = 1 - COMMON_SHARE
    if misfit / freedom < DENIED * share:
        return 1.0
    unit = float(np.sqrt(np.mean(stated**2)))
    worse = np.geomspace(1.0, max(WORST_SURVEY_M / unit, 2.0), 400)
    log = -freedom * np.log(worse) - misfit / (2 * share * worse**2)
    odds = np.exp(log - log.max())
    found = float(np.sqrt(odds @ worse**2 / odds.sum()))
    apart = float(np.sqrt(misfit)) * unit
    remarks.append(
        f"the points lie {apart:.2f} m off the plan together, so each counts as good to "
        f"{found * unit:.2g} m, not {unit:.2g} m; say how good they are in a column sd_m"
    )
    return found


def _scale_ppm(plan: Floats, spots: Floats, stated: Floats, turn: float) -> tuple[float, float]:
    """How much larger than the plan the survey is, and the standard error [1e-6]."""
    n = len(stated)
    if n < 2:
        return np.nan, np.nan
    weight = stated**-2 / np.sum(stated**-2)
    a, b = plan[:n] - weight @ plan[:n], spots[:n] - weight @ spots[:n]
    za, zb = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    spread = np.sum(weight * np.abs(za) ** 2)
    scale = float(np.real(np.exp(-1j * turn) * np.sum(weight * np.conj(za) * zb)) / spread)
    sd = 1 / math.sqrt(float(np.sum(np.abs(za) ** 2 / stated**2)))
    return (scale - 1) * 1e6, sd * 1e6


# --- least squares -------------------------------------------------------------------------


def beside_plan_lane(xy_m: Floats, lane: int, track: Stadium) -> tuple[Floats, Floats]:
    """How far outward of a lane's measured line places (n, 2) of the plan lie, and where along it,
    from the finish line [m]."""
    r, straight, bend = track.measured_m(lane), track.straight_m, track.bend_m(lane)
    x, y = xy_m[:, 0], xy_m[:, 1]
    middle_x = np.where(x > 0, 0.0, -straight)
    in_bend = (x > 0) | (x < -straight)
    out = np.where(in_bend, np.hypot(x - middle_x, y), np.abs(y)) - r
    angle = np.mod(np.arctan2(y, x - middle_x) + np.pi / 2, 2 * np.pi)
    s = np.where(
        x > 0,
        r * np.minimum(angle, np.pi),
        np.where(
            x < -straight,
            bend + straight + r * np.clip(angle - np.pi, 0.0, np.pi),
            np.where(y > 0, bend - x, 2 * bend + 2 * straight + x),
        ),
    )
    return out, s


def _beside_lap(
    carried: _Carried, turn: float, shift: Floats, track: Stadium
) -> tuple[Floats, Floats, Floats]:
    """Of all carried places (n,) how far outward of their lane and where along it they lie, and
    which way is outward on the ground (n, 2); noughts for stands."""
    n = len(carried.t_s)
    aside, along, outward = np.zeros(n), np.zeros(n), np.zeros((n, 2))
    for lane in np.unique(carried.lane[carried.spot < 0]):
        own = np.flatnonzero((carried.lane == lane) & (carried.spot < 0))
        on_plan = _turned(carried.xy_m[own] - shift, -turn)
        aside[own], along[own] = beside_plan_lane(on_plan, int(lane), track)
        out = plan_xy(along[own], int(lane), 1.0, track) - plan_xy(
            along[own], int(lane), 0.0, track
        )
        outward[own] = _turned(out, turn)
    return aside, along, outward


def _one_step(
    plan: Floats,
    surveyed: Floats,
    sd_m: Floats,
    carried: _Carried,
    turn: float,
    shift: Floats,
    centre: Floats,
    track: Stadium,
    step: int,
) -> tuple[Floats, Floats]:
    """One step of the fit: the move (3,) of the plan and its covariance (3, 3)."""
    middle = _turned(centre, turn) + shift
    info, vector = np.zeros((3, 3)), np.zeros(3)
    n = len(sd_m)
    if n:
        cov = np.outer(sd_m, sd_m) * (COMMON_SHARE + (1 - COMMON_SHARE) * np.eye(n))
        here = _turned(plan[:n], turn) + shift
        off = surveyed.reshape(-1, 2) - here
        rows = move_rows(middle, here)
        for axis in (0, 1):
            weighted = np.linalg.solve(cov, np.column_stack([rows[:, axis], off[:, axis]]))
            info = info + rows[:, axis].T @ weighted[:, :3]
            vector = vector + rows[:, axis].T @ weighted[:, 3]
    if len(carried.t_s):
        own_info, own_vector = _carried_equations(
            plan[n:], carried, turn, shift, middle, track, step
        )
        info, vector = info + own_info, vector + own_vector
    left = np.asarray(np.linalg.inv((info + info.T) / 2 + np.diag(LEAST_INFO)), dtype=np.float64)
    return left @ vector, (left + left.T) / 2


def _carried_equations(
    stood_plan: Floats,
    carried: _Carried,
    turn: float,
    shift: Floats,
    middle: Floats,
    track: Stadium,
    step: int,
) -> tuple[Floats, Floats]:
    """Information (3, 3) and vector (3,) of laps and stands together, whose slow errors are one
    process in time."""
    aside, along, outward = _beside_lap(carried, turn, shift, track)
    limit = OFF_LANE_FIRST_M if step < 2 else OFF_LANE_M
    lap = np.flatnonzero((carried.spot < 0) & (np.abs(aside) < limit))
    rows, off, weights = [], [], []  # weights (n, 2): what an equation takes of each place's error
    for k in lap:
        weight = np.zeros((len(carried.t_s), 2))
        weight[k] = outward[k]
        weights.append(weight)
        rows.append(outward[k] @ move_rows(middle, carried.xy_m[k]))
        off.append(aside[k])
    extra = SIDE_SD_M**2 * (carried.file[lap][:, None] == carried.file[lap][None, :])
    apart = np.abs(carried.t_s[lap][:, None] - carried.t_s[lap][None, :])
    extra = extra + SWAY_SD_M**2 * np.exp(-apart / SWAY_S) + FIX_SD_M**2 * np.eye(len(lap))
    for file in np.unique(carried.file[lap]):  # a lap begins at the finish line
        k = lap[carried.file[lap] == file][0]
        length = track.lap_m(int(carried.lane[k]))
        forward = np.array([-outward[k][1], outward[k][0]])  # outward is to the right
        weight = np.zeros((len(carried.t_s), 2))
        weight[k] = forward
        weights.append(weight)
        rows.append(forward @ move_rows(middle, carried.xy_m[k]))
        off.append((along[k] + length / 2) % length - length / 2)
        extra = np.pad(extra, ((0, 1), (0, 1)))
        extra[-1, -1] = BEGIN_SD_M**2
    for number in range(len(stood_plan)):
        own = np.flatnonzero(carried.spot == number)
        here = _turned(stood_plan[number], turn) + shift
        for axis in (0, 1):
            weight = np.zeros((len(carried.t_s), 2))
            weight[own, axis] = 1 / len(own)
            weights.append(weight)
            rows.append(move_rows(middle, here)[axis])
            off.append(float(carried.xy_m[own, axis].mean() - here[axis]))
            extra = np.pad(extra, ((0, 1), (0, 1)))
            extra[-1, -1] = FEET_SD_M**2
    slow = usual_slow_error()
    t = carried.t_s - carried.t_s.min()
    same = carried.file[:, None] == carried.file[None, :]
    kernel = slow.shared(t, t) + same * slow.own(t, t)
    whole = np.array(weights)
    cov = extra + sum(whole[:, :, axis] @ kernel @ whole[:, :, axis].T for axis in (0, 1))
    design = np.array(rows)
    solved = np.linalg.solve(cov, np.column_stack([design, np.array(off)]))
    left = len(off) - 3
    misfit = float(np.array(off) @ solved[:, 3])
    worse = max(1.0, misfit / max(left, 1)) if step > 2 else 1.0
    return design.T @ solved[:, :3] / worse, design.T @ solved[:, 3] / worse


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


def sd_on_plan_m(placement: Placement, xy: Floats) -> float:
    """Standard error [m], in any one direction, of a place on the placed plan."""
    rows = move_rows(np.zeros(2), _turned(xy - np.array(placement.centre_m), placement.turn_rad))
    sd = float(np.sqrt(np.trace(rows @ placement.cov @ rows.T) / 2))
    return min(max(round(sd, 3), 0.001), MOST_SD_M)


def standard_venue(
    points: Sequence[SurveyPoint],
    lanes: Iterable[int],
    event: str,
    rules: Rules = Rules.today,
    bends_in_lanes: int | None = None,
    track: Stadium = STANDARD,
    walked: Sequence[WalkedLap] = (),
    stood: Sequence[StoodSpot] = (),
) -> tuple[dict[str, Any], Placement]:
    """The venue (a GeoJSON FeatureCollection) of the standard plan placed by surveyed spots, laps
    walked and lines stood on; its member `plan_place` says how well.

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
    placement = place_plan(points, event, rules, bends_in_lanes, track, walked, stood)
    features = []
    for lane in chosen:
        lap = track.lap_m(lane)
        line = plan_xy(np.linspace(0, lap, round(lap / VERTEX_M) + 1), lane, track=track)
        line[-1] = line[0]
        sd = max(sd_on_plan_m(placement, xy) for xy in line[:: len(line) // 8])
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
                        sd_m=sd_on_plan_m(placement, xy),
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
                    sd_m=sd_on_plan_m(placement, xy),
                )
            )
    place = {
        "centre": _lon_lat(placement, np.array(placement.centre_m)),
        "covariance": [[float(f"{x:.6g}") for x in row] for row in placement.cov],
        "sources": list(placement.sources),
    }
    return {"type": "FeatureCollection", "plan_place": place, "features": features}, placement


def _feature(shape: str, coordinates: list[Any], **properties: object) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": shape, "coordinates": coordinates},
        "properties": properties,
    }
