"""From a venue's lane lines and zone lines to each takeover zone's own axis, checked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.base.geodesy import Origin, to_enu
from pipeline.base.relays import ZoneRule, zone_rules
from pipeline.base.values import Floats, LaneLine, Session, Spot, Venue, ZoneAxis
from pipeline.errors import VenueError
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

__all__ = ["at", "axes", "curvature_at", "heading_at", "project", "venue_axes"]

AXIS_BEFORE_M, AXIS_BEFORE_MAX_M = 90.0, 200.0  # reach before the entry line: at least, at most
AXIS_BEYOND_M, AXIS_BEYOND_MAX_M = 70.0, 130.0  # reach beyond the exit line
CLOSING_M = 12.0  # ends nearer than this, on a line of LAP_MIN_M or more, close a lap
LAP_MIN_M = 150.0
OFF_LINE_MAX_M, OFF_LINE_TOLD_M = 1.0, 0.3
PAINTED_SD_M = 0.02  # of a line of a plan that moves as a whole: how true it is painted
ZONE_OFF_MAX_M, ZONE_OFF_TOLD_M = 2.0, 0.03
TRUSTED_OFF_M, POOR_LENGTH_SD_M, ALLOWED_SDS = 0.3, 0.25, 3.0  # against the rule's length
ZONE_LIMITS_M = (5.0, 45.0)
GATE_OFF_LINE_M = 5.0  # a post stands beside the lane; farther away it is another straight's


def axes(session: Session) -> tuple[ZoneAxis, ...]:
    """One axis a lane and zone of the session's venue, in the order of lane and zone.

    Errors: VenueError, with every zone's problem in it.
    """
    return venue_axes(session.venue, session.event)


def venue_axes(venue: Venue, event: str) -> tuple[ZoneAxis, ...]:
    """One axis a lane and zone of a venue, as `axes` gives them, for an event.

    All axes share one origin, a vertex of the first lane. Places are taken at the ellipsoid's
    height 0, which makes a zone of 30 m that lies 500 m up 2 mm too short. Errors as in `axes`.
    """
    zones: dict[tuple[int, int], dict[str, Spot]] = defaultdict(dict)
    for spot in venue.zone_lines:
        zones[spot.lane, spot.zone or 0][spot.line or ""] = spot
    lanes = {lane.lane: lane for lane in venue.lanes}
    if not zones:
        raise VenueError(
            venue.path,
            "no zone lines",
            'points with kind "zone-line", lane, zone and line "entry" or "exit"',
        )
    origin = _origin(venue.lanes)
    done, wrong = [], []
    for (lane, zone), lines in sorted(zones.items()):
        try:
            if lane not in lanes:
                raise VenueError(
                    _zone_name(lane, zone),
                    "the lane has no line",
                    f'a LineString with kind "lane" and lane {lane}',
                    f"lanes with a line: {', '.join(map(str, sorted(lanes))) or 'none'}",
                )
            axis = _zone_axis(lanes[lane], zone, lines, event, origin)
            if venue.place is not None:  # what else is unsure of its lines they have in common
                axis = replace(axis, line_sd_m=PAINTED_SD_M)
            done.append(axis)
        except VenueError as error:
            wrong.append(error)
    if wrong:
        raise _as_one_error(venue, wrong)
    return tuple(done)


def gate_places(venue: Venue, axes: Sequence[ZoneAxis]) -> dict[tuple[str, int], float]:
    """How many metres past the entry line each gate lies, by its id and the number of an axis of
    its lane; gates far from a zone's line are left out."""
    found = {}
    for spot in venue.gates:
        for number, axis in enumerate(axes):
            if axis.lane != spot.lane or spot.id is None:
                continue
            origin = axis.origin_lat_deg, axis.origin_lon_deg, axis.origin_alt_m
            xy = to_enu(spot.latitude_deg, spot.longitude_deg, None, origin)
            s, offset = project(axis, xy)
            inside = axis.s_m[0] <= float(s) <= axis.s_m[-1]
            if inside and abs(float(offset)) < GATE_OFF_LINE_M:
                found[spot.id, number] = float(s)
    return found


def _as_one_error(venue: Venue, wrong: list[VenueError]) -> VenueError:
    if len(wrong) == 1:
        error = wrong[0]
        return VenueError(
            f"{venue.path}, {error.where}", error.found, error.expected, error.do, error.details
        )
    lines = [line for error in wrong for line in error.lines]
    return VenueError(venue.path, f"{len(wrong)} zones cannot be used", details=lines)


def _zone_name(lane: int, zone: int) -> str:
    return f"lane {lane}, zone {zone}"


def _origin(lanes: tuple[LaneLine, ...]) -> Origin:
    """The origin of all axes: a vertex rather than a mean, which fails across the date line."""
    if not lanes:
        return (0.0, 0.0, 0.0)
    middle = len(lanes[0].latitude_deg) // 2
    return (float(lanes[0].latitude_deg[middle]), float(lanes[0].longitude_deg[middle]), 0.0)


def _zone_axis(
    lane: LaneLine, zone: int, lines: Mapping[str, Spot], event: str, origin: Origin
) -> ZoneAxis:
    where = _zone_name(lane.lane, zone)
    for needed in ("entry", "exit"):
        if needed not in lines:
            raise VenueError(
                where,
                f"no {needed} line",
                f'a point with kind "zone-line", lane {lane.lane}, zone {zone}, line "{needed}"',
                f"lines given: {', '.join(sorted(lines)) or 'none'}",
            )
    spots = {
        name: to_enu(p.latitude_deg, p.longitude_deg, None, origin) for name, p in lines.items()
    }
    vertices = to_enu(lane.latitude_deg, lane.longitude_deg, None, origin)
    if float(np.ptp(vertices, axis=0).max()) < ZONE_LIMITS_M[0]:
        raise VenueError(
            f"lane {lane.lane}", "the line's vertices lie all at one place", "a line along the lane"
        )
    window, lap_m, cut_m = _window(densify_straights(vertices), spots["entry"])
    line = smooth_line(window)
    remarks: list[str] = []
    s = {}
    for name, xy in spots.items():
        most_m = max(OFF_LINE_MAX_M, ALLOWED_SDS * float(np.hypot(lines[name].sd_m, lane.sd_m)))
        s[name], told = _foot_on_line(line, xy, f"{where}, {name} line", lap_m is not None, most_m)
        remarks += told
    entry = s["entry"]
    back_m, exit_m = s.get("back", entry) - entry, s["exit"] - entry
    _check_order(where, back_m, exit_m)
    remarks += _check_rule(where, event, zone, back_m, exit_m, lines, origin)
    ruled = _with_rule(where, event, zone, s, lines)
    entry, back_m, exit_m = ruled.entry_m, ruled.back_m, ruled.exit_m
    remarks += ruled.doubts
    if cut_m > 0.25:
        remarks.append(
            f"lane {lane.lane}: vertices so far apart that the line may cut the bend by "
            f"{cut_m:.1f} m; survey a vertex every 5 m"
        )
    if line.rms_m > max(3 * lane.sd_m, 0.15):
        remarks.append(
            f"lane {lane.lane}: the vertices lie {line.rms_m:.2f} m (root mean square) off a "
            f"smooth line, the survey states {lane.sd_m:.2f} m"
        )
    if line.heading_rad[-1] - line.heading_rad[0] < -0.5:
        remarks.append(
            f"lane {lane.lane}: the line bends to the right, a track's to the left; is it drawn "
            "backwards, or are latitude and longitude swapped?"
        )
    low, high = -entry, float(line.s_m[-1]) - entry
    from_m = -min(max(-low, AXIS_BEFORE_M), AXIS_BEFORE_MAX_M)
    to_m = exit_m + min(max(high - exit_m, AXIS_BEYOND_M), AXIS_BEYOND_MAX_M)
    grid = LINE_STEP_M * np.arange(np.floor(from_m / LINE_STEP_M), np.ceil(to_m / LINE_STEP_M) + 1)
    return ZoneAxis(
        lane=lane.lane,
        zone=zone,
        event=event,
        origin_lat_deg=origin[0],
        origin_lon_deg=origin[1],
        origin_alt_m=origin[2],
        s_m=grid,
        xy_m=at(line, grid + entry),
        heading_rad=heading_at(line, grid + entry),
        curvature_pm=curvature_at(line, grid + entry),
        back_m=back_m,
        exit_m=exit_m,
        surveyed_m=(max(low, float(grid[0])), min(high, float(grid[-1]))),
        line_sd_m=ruled.line_sd_m,
        remarks=tuple(remarks),
        doubts=ruled.doubts,
    )


@dataclass(frozen=True, slots=True)
class _RuledZone:
    """A zone's lines once its rule is thought of: the entry line's place on the smooth line, back
    and exit line from it, the standard error of a line, and what is in doubt."""

    entry_m: float
    back_m: float
    exit_m: float
    line_sd_m: float
    doubts: tuple[str, ...] = ()


def _with_rule(
    where: str, event: str, zone: int, s_m: Mapping[str, float], lines: Mapping[str, Spot]
) -> _RuledZone:
    """The zone with its rule's length where a poor survey allows that, and with wider standard
    errors where a survey that calls itself good does not. A good survey that agrees stays."""
    entry, leave = s_m["entry"], s_m["exit"]
    back = s_m.get("back", entry)
    surveyed_sd = float(np.sqrt(np.mean([p.sd_m**2 for p in lines.values()])))
    same = _RuledZone(entry, back - entry, leave - entry, surveyed_sd)
    rules = zone_rules(event, zone)
    if not rules:
        return same
    rule = min(rules, key=lambda r: abs(r.back_m - (back - entry)))
    off = leave - entry - rule.length_m
    length_sd = _length_sd(lines)
    if abs(off) < TRUSTED_OFF_M and length_sd < POOR_LENGTH_SD_M:
        return same
    if abs(off) <= ALLOWED_SDS * length_sd:
        due = {"entry": 0.0, "exit": rule.length_m, "back": rule.back_m}
        weight = {name: lines[name].sd_m ** -2 for name in lines}
        total = sum(weight.values())
        entry = sum(weight[name] * (s_m[name] - due[name]) for name in lines) / total
        return _RuledZone(entry, rule.back_m, rule.length_m, surveyed_sd)
    return replace(
        same,
        line_sd_m=max(surveyed_sd, abs(off) / float(np.sqrt(2))),
        doubts=(
            f"{where}: its lines were surveyed {leave - entry:.2f} m apart, by the rule they are "
            f"{rule.length_m:.0f} m apart, and the survey calls itself good to {length_sd:.2f} m: "
            "zone times have wider errors. Place the plan as a whole with `batontrace venue`, or "
            "write in sd_m how good the points are",
        ),
    )


def _window(xy_m: Floats, entry_xy_m: Floats) -> tuple[Floats, float | None, float]:
    """The vertices that matter to a zone, the lap's length [m] where the line closes, and the
    widest cut across a bend between two vertices [m].

    A closed line is unrolled from well before the zone to well beyond it, whichever vertex the
    survey began at, so that it does not meet itself.
    """
    u = polygon_length(xy_m)
    gap = float(np.hypot(*(xy_m[0] - xy_m[-1])))
    nearest = float(u[np.argmin(np.hypot(*(xy_m - entry_xy_m).T))])
    lap: float | None = None
    if u[-1] >= LAP_MIN_M and gap <= CLOSING_M:
        lap = float(u[-1]) + gap
        ring, ring_u = (xy_m, u) if gap > 0.01 else (xy_m[:-1], u[:-1])
        xy_m = np.concatenate([ring, ring, ring])
        u = np.concatenate([ring_u - lap, ring_u, ring_u + lap])
        before = min(AXIS_BEFORE_MAX_M, 0.45 * lap) + min(15.0, 0.04 * lap)
        beyond = min(AXIS_BEYOND_MAX_M + ZONE_LIMITS_M[1], 0.45 * lap) + min(15.0, 0.04 * lap)
    else:
        before, beyond = AXIS_BEFORE_MAX_M + 50.0, AXIS_BEYOND_MAX_M + ZONE_LIMITS_M[1] + 50.0
    inside = (u >= nearest - before) & (u <= nearest + beyond)
    return xy_m[inside], lap, _widest_cut(xy_m[inside])


def _widest_cut(xy_m: Floats) -> float:
    """How far a bend bulges beyond the chords between vertices [m], at the worst vertex.

    It is chord * turn / 8, the sagitta of an arc of a small turn.
    """
    steps = np.diff(xy_m, axis=0)
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    chords = np.hypot(*steps.T)
    shorter = np.minimum(chords[1:], chords[:-1])
    return float(np.max(np.abs(np.diff(heading)) * shorter / 8, initial=0.0))


def _foot_on_line(
    line: SmoothLine, xy: Floats, where: str, closed: bool, most_m: float
) -> tuple[float, list[str]]:
    """A spot's place along the line [m], and a remark where it lies a little beside it.

    Raises VenueError where it lies more than `most_m` from the line.
    """
    s, offset = (float(v) for v in project(line, xy))
    outside = 0.0 if closed else max(-s, s - float(line.s_m[-1]), 0.0)
    if outside > most_m or abs(offset) > most_m:
        side = "right" if offset > 0 else "left"
        raise VenueError(
            where,
            f"the point lies {outside:.1f} m beyond the end of the lane's line"
            if outside > most_m
            else f"the point lies {abs(offset):.1f} m {side} of the lane's line",
            f"a point on it, within {most_m:.0f} m",
            "check the lane's number, the coordinates and that the line reaches so far",
        )
    if abs(offset) > OFF_LINE_TOLD_M:
        side = "right" if offset > 0 else "left"
        return s, [f"{where}: the point lies {abs(offset):.2f} m {side} of the lane's line"]
    return s, []


def _check_order(where: str, back_m: float, exit_m: float) -> None:
    if exit_m < -ZONE_LIMITS_M[0] / 5:
        raise VenueError(
            where,
            f"the exit line comes {-exit_m:.2f} m before the entry line",
            "the lane's line drawn in running direction",
            "turn the order of its coordinates round, or swap entry and exit",
        )
    if not ZONE_LIMITS_M[0] <= exit_m <= ZONE_LIMITS_M[1]:
        raise VenueError(
            where,
            f"a zone {exit_m:.2f} m long",
            "20 m or 30 m between entry and exit line",
            "correct the two points",
        )
    if back_m > 0.5:
        raise VenueError(
            where,
            f"the back line lies {back_m:.2f} m past the entry line",
            "the back line at the entry line or before it",
            "swap back and entry, or leave the back line out",
        )


def _check_rule(
    where: str,
    event: str,
    zone: int,
    back_m: float,
    exit_m: float,
    lines: Mapping[str, Spot],
    origin: Origin,
) -> list[str]:
    """Remarks on how the zone differs from the event's rule. Raises VenueError where it is too far
    from any of the event's rules."""
    rules = zone_rules(event, zone)
    if not rules:
        return [f"{where}: no rule is known for this zone of {event}; its length was not checked"]
    rule = min(rules, key=lambda r: abs(r.back_m - back_m))
    off = exit_m - rule.length_m
    longer = "longer" if off > 0 else "shorter"
    if abs(off) > max(ZONE_OFF_MAX_M, ALLOWED_SDS * _length_sd(lines)):
        raise VenueError(
            where,
            f"a zone {exit_m:.2f} m long, {abs(off):.2f} m {longer} than the rule's",
            f"{' or '.join(r.name for r in rules)} for the {event}",
            _length_advice(rules, back_m, exit_m, lines, origin),
        )
    remarks = []
    if abs(off) > ZONE_OFF_TOLD_M:
        remarks.append(
            f"{where}: the zone measures {exit_m:.2f} m, {abs(off):.2f} m {longer} than the "
            f"rule's {rule.length_m:.0f} m (survey's standard error {_length_sd(lines):.2f} m)"
        )
    if abs(back_m - rule.back_m) > 0.1:
        remarks.append(
            f"{where}: the back line lies {-back_m:.2f} m before the entry line, by the rule "
            f"{-rule.back_m:.0f} m"
        )
    return remarks


def _length_sd(lines: Mapping[str, Spot]) -> float:
    return float(np.hypot(lines["entry"].sd_m, lines["exit"].sd_m))


def _length_advice(
    rules: tuple[ZoneRule, ...],
    back_m: float,
    exit_m: float,
    lines: Mapping[str, Spot],
    origin: Origin,
) -> str:
    """What to do about a zone of the wrong length, from what most likely happened to it."""
    entry, leave = lines["entry"], lines["exit"]
    swapped_origin = (origin[1], origin[0], 0.0)
    if abs(origin[1]) < 90:
        one, other = (
            to_enu(p.longitude_deg, p.latitude_deg, None, swapped_origin) for p in (entry, leave)
        )
        # 30 m along the bend of lane 1 are 29.2 m across
        chord = float(np.hypot(*(one - other)))
        if any(-1.0 < chord - r.length_m < 0.3 for r in rules):
            return "latitude and longitude look swapped: GeoJSON has longitude first"
    older = len(rules) == 2 and abs(exit_m - 20) < ZONE_OFF_MAX_M and abs(back_m) < 1
    if older:
        return 'under the older rules add the back line (line "back") 10 m before the entry line'
    return "correct the points, or the event of the session"
