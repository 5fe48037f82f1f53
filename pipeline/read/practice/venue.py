"""`read_venue`: a venue.geojson (RFC 7946) into a Venue, every feature checked."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np

from pipeline.base.asking import did_you_mean, either, misspelt, question
from pipeline.base.geodesy import to_enu
from pipeline.base.values import LaneLine, PlanPlace, Spot, Venue
from pipeline.errors import VenueError
from pipeline.read.practice.documents import VENUE_GEOJSON, utf8_text
from pipeline.read.practice.problems import collected_errors, combined_error
from pipeline.read.quoting import quote_without_numbers

FEATURE_KINDS = ("lane", "zone-line", "gate", "race-line")
ZONE_LINE_NAMES = ("back", "entry", "exit")
RACE_LINE_NAMES = ("start", "finish")
RACE_LINE_OFF_MAX_M = 2.0  # off its lane's line, as zone lines may be
SHARPEST_BEND_M = 30.0  # radius of a bend that a lane's line may cut between two vertices ...
MOST_CUT_M = 8.0  # ... and by how much at the most
FEATURE_PROPERTIES = ("kind", "lane", "zone", "line", "id", "sd_m")
PLACE_MEMBER = "plan_place"  # of the collection, beside its features (RFC 7946, section 6.1)
MOST_PLACE_SD_M, MOST_TURN_SD = 12.0, 0.2  # beyond it nobody could tell one zone from another
DEFAULT_LINE_SD_M = 0.05  # of a tape or a survey receiver, where the file does not say
MOST_LANES, MOST_ZONES = 12, 9
_MOST_LISTS, _MOST_OBJECTS = 4_000_000, 1_000_000  # of brackets, small in a file, large in memory
_SHORT = 3  # characters of a number that is no part of a position, such as 4.5
_MOST_DIGITS = 18  # of a whole number that can mean anything here

Position = tuple[float, float]  # longitude, latitude [deg]


def read_venue(path: Path) -> Venue:
    """The venue of a GeoJSON file: the lines of its lanes, zone lines, gates and race lines.

    Features of other kinds are passed over, and altitudes too. Raises VenueError with every problem
    of the file.
    """
    lanes: dict[int, LaneLine] = {}
    spots: dict[tuple[object, ...], Spot] = {}
    race_lines: list[tuple[str, Spot]] = []
    wrong: list[VenueError] = []
    whole = _geojson_collection(path)
    place = None
    with collected_errors(wrong, VenueError):
        place = _plan_place(whole.get(PLACE_MEMBER))
    for where, feature in _numbered_features(whole["features"]):
        with collected_errors(wrong, VenueError):
            thing = _feature_value(where, feature)
            if isinstance(thing, LaneLine):
                if thing.lane in lanes:
                    raise _second_of(where, f"line of lane {thing.lane}")
                lanes[thing.lane] = thing
            elif thing is not None:
                key = (thing.lane, thing.zone, thing.line, thing.id)
                if key in spots:
                    raise _second_of(where, _spot_name(thing))
                spots[key] = thing
                if thing.line in RACE_LINE_NAMES:
                    race_lines.append((where, thing))
    if lanes:
        for where, spot in race_lines:
            with collected_errors(wrong, VenueError):
                _check_race_line(where, spot, lanes)
    if wrong:
        raise combined_error(VenueError, path, wrong)
    if not lanes:
        raise VenueError(
            path, "no lane's line", 'a LineString with properties kind "lane" and lane'
        )
    return Venue(
        path,
        tuple(lanes[k] for k in sorted(lanes)),
        tuple(s for s in spots.values() if s.zone is not None),
        tuple(s for s in spots.values() if s.id is not None),
        tuple(spot for _, spot in race_lines),
        place,
    )


def _plan_place(value: Any) -> PlanPlace | None:
    """How well the plan is placed, as `batontrace venue` writes it beside the features."""
    if value is None:
        return None
    where = f'"{PLACE_MEMBER}"'
    do = "make the venue again with `batontrace venue`, or delete it: then lines count as surveyed"
    if not isinstance(value, dict):
        raise VenueError(where, "not an object", '{"centre": ..., "covariance": ...}', do)
    longitude, latitude = _checked_position(where, value.get("centre"))
    try:
        cov = np.array(value.get("covariance"), dtype=np.float64)
    except (TypeError, ValueError):
        cov = np.empty(0)
    good = cov.shape == (3, 3) and bool(np.isfinite(cov).all())
    if not good or not np.allclose(cov, cov.T) or np.linalg.eigvalsh(cov)[0] <= 0:
        raise VenueError(
            where,
            "a covariance that is none",
            "three rows of three numbers, symmetric and positive: m east, m north, turn in rad",
            do,
        )
    if max(cov[0, 0], cov[1, 1]) > MOST_PLACE_SD_M**2 or cov[2, 2] > MOST_TURN_SD**2:
        raise VenueError(
            where,
            f"a place known to {max(cov[0, 0], cov[1, 1]) ** 0.5:.0f} m and "
            f"{np.degrees(cov[2, 2] ** 0.5):.0f}°",
            f"{MOST_PLACE_SD_M:.0f} m and {np.degrees(MOST_TURN_SD):.0f}° at most",
            "walk a lap of the lane with a unit: `batontrace venue --walked`",
        )
    texts = []
    for name in ("sources", "sessions"):
        own = value.get(name, [])
        if not isinstance(own, list) or not all(isinstance(x, str) for x in own):
            raise VenueError(where, f"{name} that are no list of texts", "a list of texts", do)
        texts.append(tuple(own))
    return PlanPlace(longitude, latitude, cov, *texts)


def _check_race_line(where: str, spot: Spot, lanes: Mapping[int, LaneLine]) -> None:
    """Raises VenueError where a race's line does not lie on its lane."""
    where = f"{where} ({_spot_name(spot)})"
    if spot.lane not in lanes:
        raise VenueError(
            where,
            "the lane has no line",
            f'a LineString with kind "lane" and lane {spot.lane}',
            f"lanes with a line: {', '.join(map(str, sorted(lanes)))}",
        )
    off_m, cut_m = _distance_from_line(spot, lanes[spot.lane])
    if off_m > RACE_LINE_OFF_MAX_M + cut_m:
        raise VenueError(
            where,
            f"a point {off_m:.1f} m off the lane's line",
            f"a point on it, within {RACE_LINE_OFF_MAX_M:g} m",
            "survey it again, correct its lane, or draw the lane's line as far as that",
        )


def _distance_from_line(spot: Spot, lane: LaneLine) -> tuple[float, float]:
    """How far a spot lies from a lane's polyline [m], and by how much that may cut a bend there."""
    origin = spot.latitude_deg, spot.longitude_deg, 0.0
    xy = to_enu(lane.latitude_deg, lane.longitude_deg, None, origin)
    along = np.diff(xy, axis=0)
    length2 = np.maximum((along**2).sum(axis=1), 1e-12)
    share = np.clip(-(xy[:-1] * along).sum(axis=1) / length2, 0.0, 1.0)
    off_m = np.hypot(*(xy[:-1] + share[:, None] * along).T)
    nearest = int(np.argmin(off_m))
    cut_m = float(length2[nearest]) / (8 * SHARPEST_BEND_M)
    return float(off_m[nearest]), min(cut_m, MOST_CUT_M)


def _shown(value: object) -> str:
    """A value as an error shows it, which may stand in a season's list of failures: no part of a
    position."""
    if isinstance(value, str):
        return quote_without_numbers(value).replace("'", '"')
    text = json.dumps(value)
    return text if len(text) <= _SHORT else quote_without_numbers(text).strip("'")


def _second_of(where: str, what: str) -> VenueError:
    return VenueError(where, f"a second {what}", "one", "delete the one that is wrong")


def _spot_name(spot: Spot) -> str:
    if spot.line in RACE_LINE_NAMES:
        return f"{spot.line} line of lane {spot.lane}"
    if spot.line is None:
        return f"gate {_shown(spot.id)} on lane {spot.lane}"
    return f"{spot.line} line of lane {spot.lane}, zone {spot.zone}"


def _geojson_collection(path: Path) -> dict[str, Any]:
    """A GeoJSON file with a list of features. Raises VenueError where it is none."""
    text = utf8_text(path, VENUE_GEOJSON)
    if text.count("[") > _MOST_LISTS or text.count("{") > _MOST_OBJECTS:
        raise VenueError(
            path,
            "more brackets than a venue has",
            "a GeoJSON file of lanes, zone lines and gates",
            "export the lanes alone",
        )
    try:
        whole = json.loads(text, parse_int=_bounded_int)
    except json.JSONDecodeError as error:
        raise VenueError(
            f"{path}, line {error.lineno}, column {error.colno}",
            f"no JSON there ({error.msg})" if text.strip() else "the file is empty",
            "a GeoJSON file",
            "export the venue again, or make one with `batontrace venue`",
        ) from None
    except RecursionError:
        raise VenueError(path, "brackets nested too deep", "GeoJSON") from None
    kind = whole.get("type") if isinstance(whole, dict) else type(whole).__name__
    features = whole.get("features") if isinstance(whole, dict) else None
    if not isinstance(whole, dict) or kind != "FeatureCollection" or not isinstance(features, list):
        raise VenueError(
            path,
            f"type {_shown(kind)}",
            'a "FeatureCollection" with a list "features"',
            "export the whole layer as GeoJSON, not one shape of it",
        )
    return whole


def _bounded_int(digits: str) -> int | float:
    """A whole number. Long ones become floats, since Python refuses thousands of digits."""
    return int(digits) if len(digits) <= _MOST_DIGITS else float(digits)


def _numbered_features(features: list[Any]) -> Iterator[tuple[str, Any]]:
    for number, feature in enumerate(features, 1):
        yield f"feature {number}", feature


def _feature_value(where: str, feature: Any) -> LaneLine | Spot | None:
    try:
        return _lane_or_spot(where, feature)
    except RecursionError:  # nested just shallow enough to be read, too deep for a message
        raise VenueError(where, "brackets nested too deep", "a GeoJSON feature") from None


def _lane_or_spot(where: str, feature: Any) -> LaneLine | Spot | None:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        raise VenueError(where, "not a feature", 'an object with "type": "Feature"')
    properties = feature.get("properties") or {}
    if not isinstance(properties, dict):
        raise VenueError(where, "properties that are not an object", '{"kind": ..., "lane": ...}')
    kind = properties.get("kind")
    wrong_names = misspelt(properties, FEATURE_PROPERTIES)
    if kind not in FEATURE_KINDS:
        hint = did_you_mean(str(kind), FEATURE_KINDS) if kind is not None else ""
        if hint or "kind" in wrong_names.values():
            name = next((w for w, k in wrong_names.items() if k == "kind"), None)
            found = f"property {_shown(name)}" if name else f"kind {_shown(kind)}"
            raise VenueError(where, found, either(FEATURE_KINDS), hint or question("kind"))
        return None  # somebody else's feature
    for name, known in wrong_names.items():
        if known != "kind":
            raise VenueError(
                where, f"property {_shown(name)}", either(FEATURE_PROPERTIES), question(known)
            )
    lane = _whole_property(where, properties, "lane", MOST_LANES)
    where = f"{where} ({kind}, lane {lane})"
    sd_m = _survey_sd_m(where, properties)
    geometry = feature.get("geometry") or {}
    if not isinstance(geometry, dict):
        raise VenueError(
            where, "a geometry that is not an object", '{"type": ..., "coordinates": ...}'
        )
    if kind == "lane":
        line = _line_positions(where, geometry)
        return LaneLine(lane, np.array([p[0] for p in line]), np.array([p[1] for p in line]), sd_m)
    longitude, latitude = _point_position(where, geometry)
    if kind == "gate":
        name = properties.get("id")
        if not isinstance(name, str | int) or not str(name).strip():
            raise VenueError(where, "a gate without id", 'a text "id"')
        return Spot(lane, longitude, latitude, sd_m, id=str(name))
    if kind == "race-line":
        race_line = cast(
            Literal["start", "finish"], _line_property(where, properties, RACE_LINE_NAMES)
        )
        return Spot(lane, longitude, latitude, sd_m, line=race_line)
    zone = _whole_property(where, properties, "zone", MOST_ZONES)
    zone_line = cast(
        Literal["back", "entry", "exit"], _line_property(where, properties, ZONE_LINE_NAMES)
    )
    return Spot(lane, longitude, latitude, sd_m, zone, zone_line)


def _line_property(where: str, properties: Mapping[str, Any], known: tuple[str, ...]) -> str:
    name = properties.get("line")
    if name not in known:
        hint = did_you_mean(str(name), known)
        raise VenueError(where, f"line {_shown(name)}", either(known), hint)
    return str(name)


def _whole_property(where: str, properties: Mapping[str, Any], name: str, most: int) -> int:
    value = properties.get(name)
    if isinstance(value, str) and value.strip().isdecimal() and len(value) <= _MOST_DIGITS:
        value = int(value)  # some editors write every property as text
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= most:
        found = f"no {name}" if name not in properties else f"{name} {_shown(value)}"
        raise VenueError(where, found, f"{name}: a whole number from 1 to {most}")
    return value


def _survey_sd_m(where: str, properties: Mapping[str, Any]) -> float:
    value = properties.get("sd_m", DEFAULT_LINE_SD_M)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 10:
        raise VenueError(
            where,
            f"sd_m {_shown(value)}",
            "the survey's standard error in metres, more than 0 and at most 10",
        )
    return float(value)


def _line_positions(where: str, geometry: Mapping[str, Any]) -> list[Position]:
    positions = geometry.get("coordinates")
    if geometry.get("type") != "LineString" or not isinstance(positions, list):
        raise VenueError(
            where,
            f"geometry {_shown(geometry.get('type'))}",
            'a "LineString" in running direction',
            "join the parts into one line" if geometry.get("type") == "MultiLineString" else "",
        )
    if len(positions) < 2:
        raise VenueError(where, f"a line of {len(positions)} position", "two or more")
    return [_checked_position(f"{where}, position {i}", p) for i, p in enumerate(positions, 1)]


def _point_position(where: str, geometry: Mapping[str, Any]) -> Position:
    if geometry.get("type") != "Point":
        raise VenueError(where, f"geometry {_shown(geometry.get('type'))}", 'a "Point"')
    return _checked_position(where, geometry.get("coordinates"))


def _checked_position(where: str, value: Any) -> Position:
    expected = "[longitude, latitude] in degrees (WGS 84)"
    if (
        not isinstance(value, list)
        or len(value) < 2
        or any(isinstance(v, bool) or not isinstance(v, int | float) for v in value[:2])
    ):
        raise VenueError(where, f"coordinates {_shown(value)}", expected)
    longitude, latitude = float(value[0]), float(value[1])
    if not (math.isfinite(longitude) and math.isfinite(latitude)):
        raise VenueError(
            where, "a coordinate that is not a number", expected, "survey it again, or delete it"
        )
    if longitude == latitude == 0:
        raise VenueError(where, "0, 0", expected, "survey it again: the receiver had no fix")
    if abs(longitude) > 180 or abs(latitude) > 90:
        swapped = abs(longitude) <= 90 and abs(latitude) <= 180
        raise VenueError(
            where,
            "a longitude beyond 180 or a latitude beyond 90",
            expected,
            "latitude and longitude look swapped: longitude comes first"
            if swapped
            else "export the layer in WGS 84 (EPSG:4326), not in metres of a grid",
        )
    return longitude, latitude
