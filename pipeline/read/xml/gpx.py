"""`read_gpx`: the points of all tracks of a GPX 1.0 or 1.1 file (topografix.com/GPX/1/0, /1/1).

Speed is in m/s, from GPX 1.0's own <speed> or an element of that name in any extension namespace.
Routes and waypoints are places, not fixes, and are passed over.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.read.screening import Content
from pipeline.read.xml.point_runs import PointNames
from pipeline.read.xml.points import read_track

_GPX_NAMES = PointNames(
    point="trkpt",
    path=("gpx", "trk", "trkseg"),
    columns={
        "t_s": "time",
        "speed_mps": "speed",
        "altitude_m": "ele",
        "hdop": "hdop",
        "satellites": "sat",
    },
    attributes={"latitude_deg": "lat", "longitude_deg": "lon"},
    void=("fix", "none"),  # GPX 1.1, fixType
)


def read_gpx(path: Path, data: bytes) -> Content:
    """The track points as fixes. Raises RecordingError where none has a time and a place."""
    return read_track(path, data, _GPX_NAMES)
