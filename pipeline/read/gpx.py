"""GPX 1.0 and 1.1 (topografix.com/GPX/1/0, /1/1): the points of all tracks and segments.

Speed is m/s: GPX 1.0's own <speed>, or an element of that name in any extension namespace.
Routes and waypoints are places, not fixes, and are passed over.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np

from pipeline.read.content import Content
from pipeline.read.markup import Point, number, texts, track
from pipeline.read.stamps import iso_stamp


def read(path: Path, data: bytes) -> Content:
    """Raises RecordingError where no track point has a time and a place."""
    return track(path, data, "trkpt", "trkseg", _point)


def _point(point: ElementTree.Element) -> Point:
    text = texts(point)
    stamp = iso_stamp(text.get("time"))
    void = text.get("fix", "").strip() == "none"  # GPX 1.1, fixType
    return Point(
        np.nan if void else stamp.posix_s,
        stamp.zoned,
        number(point.get("lat", "nan")),
        number(point.get("lon", "nan")),
        number(text.get("speed")),
        number(text.get("ele")),
        number(text.get("hdop")),
        number(text.get("sat")),
    )
