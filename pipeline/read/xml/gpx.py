"""GPX 1.0 and 1.1 (topografix.com/GPX/1/0, /1/1): the points of all tracks and segments.

Speed is m/s: GPX 1.0's own <speed>, or an element of that name in any extension namespace.
Routes and waypoints are places, not fixes, and are passed over.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.read.content import Content
from pipeline.read.xml.alike import Names
from pipeline.read.xml.points import track

_NAMES = Names(
    point="trkpt",
    parent="trkseg",
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


def read(path: Path, data: bytes) -> Content:
    """Raises RecordingError where no track point has a time and a place."""
    return track(path, data, _NAMES)
