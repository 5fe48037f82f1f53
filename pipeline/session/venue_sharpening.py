"""A sharper venue.geojson: the plan moved to where sessions measured on it have it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.base.geodesy import Origin, move_rows, to_enu
from pipeline.base.values import Floats, Frozen, PlanPlace
from pipeline.errors import InputError, UsageError, VenueError
from pipeline.measure.placement import MOST_SD_M
from pipeline.measure.plan_place import EveningOfPlan, join_evenings, moved_lat_lon
from pipeline.read.practice.venue import FEATURE_KINDS, PLACE_MEMBER, read_venue
from pipeline.session.venue_file import write_collection
from pipeline.tables import lake, provenance

_DIGITS = 9  # of a degree: 0.1 mm


@dataclass(frozen=True, eq=False)
class SharperVenue(Frozen):
    """What became of a venue: the sessions used, why others were not, the plan's move (3,) in m, m
    and rad, and its covariance (3, 3) before and now."""

    used: tuple[str, ...]
    left_out: tuple[str, ...]
    move: Floats
    cov_before: Floats
    cov: Floats


def sharpen_venue(path: Path, tables: Path | str, out: Path) -> SharperVenue:
    """Write the venue of `path` to `out` with its plan where the sessions in `tables` have it.

    Sessions count that were measured on this very file, each once. Neither file nor tables are
    changed. Raises UsageError, VenueError, InputError, OutputError.
    """
    if out.exists():
        raise UsageError(out, "exists already", "a new file", "choose another --out or remove it")
    place = read_venue(path).place
    if place is None:
        raise VenueError(
            path,
            "every line of it was surveyed for itself",
            "a venue that states how well its plan is placed",
            "make it with `batontrace venue`",
        )
    evenings, left_out = _evenings(tables, provenance.file_sha256(path), place)
    if not evenings:
        raise UsageError(
            tables,
            "no session in it was measured on this venue file",
            "one or more",
            "process sessions with it first",
            left_out,
        )
    move, cov = join_evenings(place.cov, list(evenings.values()))
    whole = json.loads(path.read_text(encoding="utf-8-sig"))
    write_collection(out, _moved_collection(whole, place, move, cov, tuple(evenings)))
    return SharperVenue(tuple(evenings), tuple(left_out), move, np.array(place.cov), cov)


def _evenings(
    tables: Path | str, venue_sha256: str, place: PlanPlace
) -> tuple[dict[str, EveningOfPlan], list[str]]:
    """By session what it found out about this venue's plan; and a line for each that does not
    count."""
    found: dict[str, EveningOfPlan] = {}
    left_out = []
    for session in sorted(lake.session_ids(tables)):
        try:
            rows = lake.read_session_table(tables, session, "plan_places").to_pylist()
        except InputError as error:
            left_out.append(f"{session}: {error}")
            continue
        if session in place.sessions:
            left_out.append(f"{session}: is in this venue already")
        elif not rows:
            left_out.append(f"{session}: was measured on a surveyed venue, or has no takeover")
        elif rows[0]["venue_sha256"] != venue_sha256:
            left_out.append(f"{session}: was measured on another venue file")
        else:
            found[session] = _evening(rows[0])
    return found, left_out


def _evening(row: Mapping[str, Any]) -> EveningOfPlan:
    radian = np.pi / 180.0
    mean = np.array([row["east_m"], row["north_m"], row["turn_deg"] * radian])
    sd = np.array([row["east_sd_m"], row["north_sd_m"], row["turn_sd_deg"] * radian])
    corr = np.eye(3)
    for i, j, name in ((0, 1, "east_north"), (0, 2, "east_turn"), (1, 2, "north_turn")):
        corr[i, j] = corr[j, i] = row[f"{name}_corr"]
    return EveningOfPlan(row["date"], mean, corr * np.outer(sd, sd))


def _moved_collection(
    whole: Mapping[str, Any], place: PlanPlace, move: Floats, cov: Floats, used: tuple[str, ...]
) -> dict[str, Any]:
    """The collection with its own features moved and their standard errors renewed; what is
    somebody else's stays as it is."""
    centre: Origin = (place.latitude_deg, place.longitude_deg, 0.0)

    def moved(position: list[Any]) -> list[Any]:
        lat, lon = moved_lat_lon(position[1], position[0], move, centre)
        return [round(float(lon), _DIGITS), round(float(lat), _DIGITS), *position[2:]]

    def sd_m(position: list[Any]) -> float:
        rows = move_rows(np.zeros(2), to_enu(position[1], position[0], None, centre))
        sd = float(np.sqrt(np.trace(rows @ cov @ rows.T) / 2))
        return min(max(round(sd, 3), 0.001), MOST_SD_M)

    features = []
    for feature in whole["features"]:
        properties = feature.get("properties") or {}
        if properties.get("kind") not in FEATURE_KINDS:
            features.append(feature)
            continue
        geometry = feature["geometry"]
        line = geometry["type"] == "LineString"
        positions = geometry["coordinates"] if line else [geometry["coordinates"]]
        renewed = [moved(one) for one in positions]
        features.append(
            {
                **feature,
                "geometry": {**geometry, "coordinates": renewed if line else renewed[0]},
                "properties": {**properties, "sd_m": max(sd_m(one) for one in positions)},
            }
        )
    new_place = {
        **whole[PLACE_MEMBER],
        "centre": moved([place.longitude_deg, place.latitude_deg]),
        "covariance": [[float(f"{x:.6g}") for x in row] for row in cov],
        "sessions": [*place.sessions, *used],
    }
    return {**whole, PLACE_MEMBER: new_place, "features": features}
