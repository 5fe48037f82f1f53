"""The quantities a CSV of samples can hold, and the units they may be in, by every spelling."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import NamedTuple

from pipeline.read.screening import AXES, STANDARD_GRAVITY_MPS2

ISO_UTC = "utc"  # ISO 8601 texts instead of numbers
# What each unit is worth in SI; degrees stay degrees, as in `Fixes`.
UNITS: Mapping[str, Mapping[str, float]] = {
    "time": {ISO_UTC: 1.0, "s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9},
    "angle": {"deg": 1.0, "rad": 180.0 / math.pi, "1e-7 deg": 1e-7, "semicircles": 180.0 / 2**31},
    "speed": {
        "m/s": 1.0,
        "km/h": 1.0 / 3.6,
        "kn": 1852.0 / 3600.0,
        "mph": 1609.344 / 3600.0,
        "cm/s": 1e-2,
        "mm/s": 1e-3,
    },
    "length": {"m": 1.0, "ft": 0.3048, "cm": 1e-2, "mm": 1e-3},
    "acceleration": {
        "m/s2": 1.0,
        "g": STANDARD_GRAVITY_MPS2,
        "mg": STANDARD_GRAVITY_MPS2 / 1000.0,
    },
    "turn": {
        "rad/s": 1.0,
        "deg/s": math.pi / 180.0,
        "mrad/s": 1e-3,
        "mdeg/s": math.pi / 180_000.0,
    },
    "number": {"": 1.0},
}
_UNIT_SPELLINGS: Mapping[str, str] = {
    "iso": ISO_UTC, "iso8601": ISO_UTC, "iso-8601": ISO_UTC,
    "sec": "s", "seconds": "s", "msec": "ms", "millis": "ms", "milliseconds": "ms",
    "usec": "us", "micros": "us", "microseconds": "us", "nanoseconds": "ns",
    "degrees": "deg", "radians": "rad", "1e-7deg": "1e-7 deg", "deg1e7": "1e-7 deg",
    "deg*1e7": "1e-7 deg", "semicircle": "semicircles",
    "mps": "m/s", "kmh": "km/h", "kph": "km/h", "kmph": "km/h", "knots": "kn", "kt": "kn",
    "cmps": "cm/s", "mmps": "mm/s", "metres": "m", "meters": "m", "feet": "ft",
    "mps2": "m/s2", "m/s/s": "m/s2", "ms2": "m/s2", "ms-2": "m/s2", "gs": "g",
    "radps": "rad/s", "rads": "rad/s", "dps": "deg/s", "degps": "deg/s", "degrees/s": "deg/s",
    "mradps": "mrad/s", "mdps": "mdeg/s", "mdegps": "mdeg/s",
    "1": "", "none": "", "count": "",
}  # fmt: skip
ACC_AXES = tuple(f"acc_{a}" for a in AXES)
GYRO_AXES = tuple(f"gyro_{a}" for a in AXES)
DIMENSIONS: Mapping[str, str] = {
    "time": "time",
    "latitude": "angle",
    "longitude": "angle",
    "speed": "speed",
    "altitude": "length",
    "hdop": "number",
    "satellites": "number",
    **dict.fromkeys(ACC_AXES, "acceleration"),
    **dict.fromkeys(GYRO_AXES, "turn"),
}
# By dimension; what the suggestion in an error proposes where a header names no unit.
DEFAULT_UNITS: Mapping[str, str] = {
    "time": "ms", "angle": "deg", "speed": "m/s", "length": "m", "acceleration": "g",
    "turn": "deg/s", "number": "",
}  # fmt: skip


def known_unit(text: str) -> str:
    """The unit's one name where it is known, else the text in lower case."""
    name = text.strip().lower().replace("²", "2").replace("^", "").replace("°", "deg")
    name = re.sub("[µμ]", "u", name).replace("**", "")
    return _UNIT_SPELLINGS.get(name.replace(" ", ""), name)


class PlainHeader(NamedTuple):
    quantity: str
    unit: str


def plain_header(header: str) -> PlainHeader | None:
    """The quantity and unit that a header states; None unless it states both."""
    name = header.strip().lower()
    for quantity, dimension in DIMENSIONS.items():
        if not name.startswith(quantity):
            continue
        rest = name[len(quantity) :]
        if dimension == "number":
            if not rest:
                return PlainHeader(quantity, "")
        elif m := re.fullmatch(r"[ _]?\((.+)\)|[ _]?\[(.+)\]|[ _](.+)", rest):
            unit = known_unit(m[1] or m[2] or m[3])
            if unit in UNITS[dimension]:
                return PlainHeader(quantity, unit)
    return None
