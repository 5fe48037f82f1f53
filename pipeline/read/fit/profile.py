"""What of the public FIT profile is read, and how decoded messages are handed on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats

DEVELOPER_ID, FIELD_DESCRIPTION = 207, 206  # FIT profile, type mesg_num
TIMESTAMP = 253  # the same field number in every message

# Developer fields by which units tell several records of one second apart; the developer
# names them, so spellings differ.
_SUBSECOND = re.compile(
    r"(time_?(stamp)?|utc|gps|gnss|fix)?_?(ms|milli(s|second|seconds)?|128|256)"
    r"|(fractional|sub)_?(time_?stamp|time|seconds?)"
)


class Messages(NamedTuple):
    """All messages of one name in one file of a chain.

    `order` (n,) grows as they follow one another among all messages; `columns` hold numbers in
    the profile's units, (n,) or, for array fields, (n, k), NaN where null or not there;
    developer fields are called "developer.<name>", with their units in `units`.
    """

    order: NDArray[np.int64]
    columns: Mapping[str, Floats]
    units: Mapping[str, str]


class Decoded(NamedTuple):
    """Message name -> Messages of one file, and what stopped the decoding before its end."""

    messages: Mapping[str, Messages]
    fault: str | None


class Fact(NamedTuple):
    """One field: a stored number is worth `stored / scale - offset`, in the profile's unit.

    `also` is the field that it repeats in (the profile's component), if any.
    """

    name: str
    scale: float = 1.0
    offset: float = 0.0
    also: str = ""


class Kind(NamedTuple):
    """One message: its fields by number. `unpacked` are numbers of fields that hold others in
    their bits, which only the general reader takes apart."""

    name: str
    fields: Mapping[int, Fact]
    unpacked: frozenset[int] = frozenset()


def _axes(first: int, name: str) -> dict[int, Fact]:
    return {first + i: Fact(f"{name}_{axis}") for i, axis in enumerate("xyz")}


# FIT profile 21: messages by their global number, fields by theirs.
WANTED: Mapping[int, Kind] = {
    20: Kind(
        "record",
        {
            TIMESTAMP: Fact("timestamp"),
            0: Fact("position_lat"),
            1: Fact("position_long"),
            2: Fact("altitude", 5.0, 500.0, also="enhanced_altitude"),
            6: Fact("speed", 1000.0, also="enhanced_speed"),
            48: Fact("time128", 128.0),
            73: Fact("enhanced_speed", 1000.0),
            78: Fact("enhanced_altitude", 5.0, 500.0),
        },
        frozenset({8}),  # compressed_speed_distance
    ),
    160: Kind(
        "gps_metadata",
        {
            TIMESTAMP: Fact("timestamp"),
            0: Fact("timestamp_ms"),
            1: Fact("position_lat"),
            2: Fact("position_long"),
            3: Fact("enhanced_altitude", 5.0, 500.0),
            4: Fact("enhanced_speed", 1000.0),
            6: Fact("utc_timestamp"),
            7: Fact("velocity", 100.0),
        },
    ),
    165: Kind(
        "accelerometer_data",
        {
            TIMESTAMP: Fact("timestamp"),
            0: Fact("timestamp_ms"),
            1: Fact("sample_time_offset"),
            **_axes(2, "accel"),
            **_axes(5, "calibrated_accel"),
            **_axes(8, "compressed_calibrated_accel"),
        },
    ),
    164: Kind(
        "gyroscope_data",
        {
            TIMESTAMP: Fact("timestamp"),
            0: Fact("timestamp_ms"),
            1: Fact("sample_time_offset"),
            **_axes(2, "gyro"),
            **_axes(5, "calibrated_gyro"),
        },
    ),
    167: Kind(
        "three_d_sensor_calibration",
        {
            0: Fact("sensor_type"),
            1: Fact("calibration_factor"),
            2: Fact("calibration_divisor"),
            3: Fact("level_shift"),
            4: Fact("offset_cal"),
            5: Fact("orientation_matrix", 65535.0),
        },
    ),
    162: Kind(
        "timestamp_correlation",
        {
            TIMESTAMP: Fact("timestamp"),
            0: Fact("fractional_timestamp", 32768.0),
            1: Fact("system_timestamp"),
            2: Fact("fractional_system_timestamp", 32768.0),
            4: Fact("timestamp_ms"),
            5: Fact("system_timestamp_ms"),
        },
    ),
}


def uneven(rows: int, width: int, stated: int) -> bool:
    """Whether a column of `rows` by `width` cells, of which `stated` are in the file, is nearly
    all filling: one long message among a million short ones would fill the memory."""
    return width > 1 and rows * width > 8 * stated + (1 << 20)


def developer_column(name: str) -> str | None:
    """What a developer's field is called here, None where it counts no parts of a second."""
    plain = re.sub(r"\W+", "_", name.strip().lower())
    return f"developer.{plain}" if _SUBSECOND.fullmatch(plain) else None
