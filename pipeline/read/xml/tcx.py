"""TCX (TrainingCenterDatabase v1 and v2): the track points of every lap.

Speed is m/s, from an element named Speed in any extension namespace. A point without a
position and without a speed (a pause, a strap's pulse alone) is no fix.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.read.content import Content
from pipeline.read.xml.alike import Names
from pipeline.read.xml.points import track

_NAMES = Names(
    point="Trackpoint",
    parent="Track",
    columns={
        "t_s": "time",
        "latitude_deg": "latitudedegrees",
        "longitude_deg": "longitudedegrees",
        "speed_mps": "speed",
        "altitude_m": "altitudemeters",
    },
    attributes={},
)


def read(path: Path, data: bytes) -> Content:
    """Raises RecordingError where no track point has a time and a place or speed."""
    return track(path, data, _NAMES)
