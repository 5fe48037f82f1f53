"""The standard plan of a track, placed by surveyed points, as a session's venue.geojson."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from pipeline.base.relays import Rules
from pipeline.base.stadium import Stadium
from pipeline.errors import UsageError
from pipeline.measure.placement import Placement, standard_venue
from pipeline.read.practice.survey import read_survey
from pipeline.tables import whole_files


def write_venue(
    survey: Path,
    out: Path,
    *,
    event: str,
    lanes: Sequence[int],
    rules: Rules = Rules.today,
    bends_in_lanes: int | None = None,
    track: Stadium | None = None,
) -> Placement:
    """Place the plan by the points of `survey`, write the venue to `out`, say how well it fits.

    Never overwrites: a venue may have been corrected by hand. Raises UsageError, VenueError,
    OutputError.
    """
    if out.exists():
        raise UsageError(out, "exists already", "a new file", "choose another --out or remove it")
    points = read_survey(survey)
    venue, placement = standard_venue(
        points, lanes, event, rules, bends_in_lanes, track or Stadium()
    )
    whole_files.write_text(out, _one_feature_a_line(venue["features"]), make_folder=False)
    return placement


def _one_feature_a_line(features: Sequence[object]) -> str:
    lines = ",\n".join(json.dumps(feature) for feature in features)
    return f'{{"type": "FeatureCollection", "features": [\n{lines}\n]}}\n'
