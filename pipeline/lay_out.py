"""The standard plan of a track, placed by surveyed points, as a session's venue.geojson."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import OutputError, UsageError
from pipeline.measure.track_plan import Placement, standard_venue
from pipeline.plan import Rules, Track
from pipeline.read.survey import read_survey


def lay_out(
    survey: Path,
    out: Path,
    *,
    event: str,
    lanes: Sequence[int],
    rules: Rules = "today",
    bends_in_lanes: int | None = None,
    track: Track | None = None,
) -> Placement:
    """Place the plan by the points of `survey`, write the venue to `out`, say how well it fits.

    Never overwrites: a venue may have been corrected by hand. Raises UsageError, VenueError,
    OutputError.
    """
    if out.exists():
        raise UsageError(out, "exists already", "a new file", "choose another --out or remove it")
    points = read_survey(survey)
    venue, placement = standard_venue(points, lanes, event, rules, bends_in_lanes, track or Track())
    partial = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        partial.write_text(_one_feature_a_line(venue["features"]), encoding="utf-8")
        os.replace(partial, out)
    except OSError as err:
        raise OutputError(out, f"cannot be written ({err.strerror})", "a file in a folder") from err
    finally:
        partial.unlink(missing_ok=True)
    return placement


def _one_feature_a_line(features: Sequence[object]) -> str:
    lines = ",\n".join(json.dumps(feature) for feature in features)
    return f'{{"type": "FeatureCollection", "features": [\n{lines}\n]}}\n'
