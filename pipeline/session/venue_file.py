"""A venue.geojson made: the standard plan, placed by what a coach can get of it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.base.relays import Rules
from pipeline.base.stadium import Stadium
from pipeline.errors import UsageError
from pipeline.measure.placement import Placement, standard_venue
from pipeline.measure.placing_walk import (
    StoodSpot,
    WalkedLap,
    places_by_second,
    stood_spots,
    walked_lap,
)
from pipeline.read import read
from pipeline.read.practice.survey import read_survey
from pipeline.tables import whole_files


def write_venue(
    survey: Path | None,
    out: Path,
    *,
    event: str,
    lanes: Sequence[int],
    rules: Rules = Rules.today,
    bends_in_lanes: int | None = None,
    track: Stadium | None = None,
    sd_m: float | None = None,
    walked: Sequence[tuple[Path, int]] = (),
    stood: Sequence[tuple[Path, Sequence[str]]] = (),
) -> Placement:
    """Place the plan, write the venue to `out`, say how well it fits.

    It is placed by the points of `survey` (`sd_m`: their standard error where the file states
    none), by laps `walked` (recording and lane) and by recordings of a unit that `stood` on spots
    of the plan, in order. Never overwrites: a venue may have been corrected by hand. Raises
    UsageError, VenueError, RecordingError, OutputError.
    """
    if out.exists():
        raise UsageError(out, "exists already", "a new file", "choose another --out or remove it")
    points = [] if survey is None else read_survey(survey, sd_m)
    laps, stands = _carried(walked, stood)
    venue, placement = standard_venue(
        points, lanes, event, rules, bends_in_lanes, track or Stadium(), laps, stands
    )
    write_collection(out, venue)
    return placement


def _carried(
    walked: Sequence[tuple[Path, int]], stood: Sequence[tuple[Path, Sequence[str]]]
) -> tuple[list[WalkedLap], list[StoodSpot]]:
    """The laps and stands of recordings; one file that holds both is one unit's."""
    number = {path: k for k, path in enumerate(dict.fromkeys([p for p, _ in (*walked, *stood)]))}
    places = {path: places_by_second(path, read(path).fixes, k) for path, k in number.items()}
    laps = [walked_lap(path, places[path], lane) for path, lane in walked]
    stands = [one for path, spots in stood for one in stood_spots(path, places[path], spots)]
    return laps, stands


def write_collection(out: Path, venue: Mapping[str, Any]) -> None:
    """Write a GeoJSON collection with a feature a line. Raises OutputError."""
    head = {name: value for name, value in venue.items() if name != "features"}
    lines = ",\n".join(json.dumps(feature) for feature in venue["features"])
    text = f'{json.dumps(head)[:-1]}, "features": [\n{lines}\n]}}\n'
    whole_files.write_text(out, text, make_folder=False)
