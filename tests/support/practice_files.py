"""A session.toml with every table that version 1 knows, a sheet and a venue, to change."""

from __future__ import annotations

import datetime as dt
import json

from pipeline.errors import InputError

SESSION = """\
[session]
id = "otter-evening"
date = 2026-05-12
venue = "venue.geojson"
event = "4x100"
lane = 4
reps = "reps.csv"

[[runner]]
id = "robin"
foot_m = 0.30

[[runner]]
id = "wren"

[[recording]]
runner = "robin"
file = "robin.fit"
worn = "waist"

[[recording]]
runner = "wren"
file = "wren.csv"
clock = "device"
columns = { time = { column = "ms", unit = "ms" }, acc_x = { column = "ax_g", unit = "g" } }

[[sync]]
kind = "tap"
near_utc = 2026-05-12T17:03:20Z
window_s = 8
"""
SHEET = """\
rep,zone,lane,incoming,outgoing,mark_m,mark_feet,outgoing_start_m,incoming_start_m,start_utc,pass_m,note
1,1,4,robin,wren,7.6,,0.3,40,17:05:30,18.5,smooth
2,,,wren,robin,,25,,,17:15,,
"""


OBSERVER = """\
[[observer]]
id = "film-zone1"
kind = "film"
file = "film.csv"
near_utc = 2026-05-12T17:05:00Z
"""
FILM = """\
rep,incoming,outgoing,event,gate,runner,time_s,time_utc,place_m,sd_s,sd_m,note
1,,,entry,,,0:34.02,,,,,
1,,,hand back,,,35.40,,,0.04,,
1,,,pass,,,35.88,,18.4,,0.3,low hand
2,wren,robin,gate,beam,wren,612.5,,,,,
,wren,robin,exit,,,614.10,,,,,
"""


def feature(shape, coordinates, **properties):
    return {
        "type": "Feature",
        "geometry": {"type": shape, "coordinates": coordinates},
        "properties": properties,
    }


LANE = feature("LineString", [[16.4, 48.2], [16.403, 48.2]], kind="lane", lane=4)
ENTRY = feature("Point", [16.4015, 48.2], kind="zone-line", lane=4, zone=1, line="entry")
EXIT = feature("Point", [16.4019, 48.2], kind="zone-line", lane=4, zone=1, line="exit")
GATE = feature("Point", [16.402, 48.2], kind="gate", lane=4, id="beam")
START = feature("Point", [16.4, 48.2], kind="race-line", lane=4, line="start")
FINISH = feature("Point", [16.403, 48.2], kind="race-line", lane=4, line="finish")


def geojson(*features) -> str:
    return json.dumps({"type": "FeatureCollection", "features": list(features)})


def error_of(read) -> str | None:
    """The InputError that a reader raises, as text, or None; any other exception goes on."""
    try:
        read()
    except InputError as error:
        return str(error)
    return None


def utc(text: str) -> float:
    return dt.datetime.fromisoformat(text + "+00:00").timestamp()
