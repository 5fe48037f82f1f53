"""TCX (TrainingCenterDatabase v1 and v2): the track points of every lap.

Speed is m/s, from an element named Speed in any extension namespace. A point without a
position and without a speed (a pause, a strap's pulse alone) is no fix.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

from pipeline.read.content import Content
from pipeline.read.markup import Point, number, texts, track
from pipeline.read.stamps import iso_stamp


def read(path: Path, data: bytes) -> Content:
    """Raises RecordingError where no track point has a time and a place or speed."""
    return track(path, data, "Trackpoint", "Track", _point)


def _point(point: ElementTree.Element) -> Point:
    text = texts(point)
    stamp = iso_stamp(text.get("time"))
    return Point(
        stamp.posix_s,
        stamp.zoned,
        number(text.get("latitudedegrees")),
        number(text.get("longitudedegrees")),
        number(text.get("speed")),
        number(text.get("altitudemeters")),
    )
