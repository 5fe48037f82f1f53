"""`read_tcx`: the track points of every lap of a TCX file (TrainingCenterDatabase v1 and v2).

Speed is in m/s, from an element named Speed in any extension namespace. A point without a
position and without a speed (a pause, a strap's pulse alone) is no fix.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.read.screening import Content
from pipeline.read.xml.point_runs import PointNames
from pipeline.read.xml.points import read_track

_TCX_NAMES = PointNames(
    point="Trackpoint",
    path=("TrainingCenterDatabase", "Activities", "Activity", "Lap", "Track"),
    columns={
        "t_s": "time",
        "latitude_deg": "latitudedegrees",
        "longitude_deg": "longitudedegrees",
        "speed_mps": "speed",
        "altitude_m": "altitudemeters",
    },
    attributes={},
)


def read_tcx(path: Path, data: bytes) -> Content:
    """The track points as fixes. Raises RecordingError where none has a time and place or speed."""
    return read_track(path, data, _TCX_NAMES)
