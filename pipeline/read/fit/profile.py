"""Which messages and fields of the public FIT profile are read, with their scales."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

from pipeline.read.screening import AXES

DEVELOPER_ID, FIELD_DESCRIPTION = 207, 206  # FIT profile, type mesg_num
TIMESTAMP = 253  # the same field number in every message

# Developer fields in which units write parts of a second, to tell apart several records of one
# second. The developer names them, so spellings differ.
_SUBSECOND = re.compile(
    r"(time_?(stamp)?|utc|gps|gnss|fix)?_?(ms|milli(s|second|seconds)?|128|256)"
    r"|(fractional|sub)_?(time_?stamp|time|seconds?)"
)


class ProfileField(NamedTuple):
    """One field. A stored number means `stored / scale - offset` in the profile's unit.

    `also` is the field that repeats it (the profile's component), if there is one.
    """

    name: str
    scale: float = 1.0
    offset: float = 0.0
    also: str = ""


class MessageKind(NamedTuple):
    """One message: its fields by number.

    `unpacked` are the numbers of fields that hold other fields in their bits. Only the general
    decoder takes these apart.
    """

    name: str
    fields: Mapping[int, ProfileField]
    unpacked: frozenset[int] = frozenset()


def _axis_fields(first: int, name: str) -> dict[int, ProfileField]:
    return {first + i: ProfileField(f"{name}_{axis}") for i, axis in enumerate(AXES)}


# FIT profile 21: messages by their global number, fields by theirs.
WANTED: Mapping[int, MessageKind] = {
    20: MessageKind(
        "record",
        {
            TIMESTAMP: ProfileField("timestamp"),
            0: ProfileField("position_lat"),
            1: ProfileField("position_long"),
            2: ProfileField("altitude", 5.0, 500.0, also="enhanced_altitude"),
            6: ProfileField("speed", 1000.0, also="enhanced_speed"),
            48: ProfileField("time128", 128.0),
            73: ProfileField("enhanced_speed", 1000.0),
            78: ProfileField("enhanced_altitude", 5.0, 500.0),
        },
        frozenset({8}),  # compressed_speed_distance
    ),
    160: MessageKind(
        "gps_metadata",
        {
            TIMESTAMP: ProfileField("timestamp"),
            0: ProfileField("timestamp_ms"),
            1: ProfileField("position_lat"),
            2: ProfileField("position_long"),
            3: ProfileField("enhanced_altitude", 5.0, 500.0),
            4: ProfileField("enhanced_speed", 1000.0),
            6: ProfileField("utc_timestamp"),
            7: ProfileField("velocity", 100.0),
        },
    ),
    165: MessageKind(
        "accelerometer_data",
        {
            TIMESTAMP: ProfileField("timestamp"),
            0: ProfileField("timestamp_ms"),
            1: ProfileField("sample_time_offset"),
            **_axis_fields(2, "accel"),
            **_axis_fields(5, "calibrated_accel"),
            **_axis_fields(8, "compressed_calibrated_accel"),
        },
    ),
    164: MessageKind(
        "gyroscope_data",
        {
            TIMESTAMP: ProfileField("timestamp"),
            0: ProfileField("timestamp_ms"),
            1: ProfileField("sample_time_offset"),
            **_axis_fields(2, "gyro"),
            **_axis_fields(5, "calibrated_gyro"),
        },
    ),
    167: MessageKind(
        "three_d_sensor_calibration",
        {
            0: ProfileField("sensor_type"),
            1: ProfileField("calibration_factor"),
            2: ProfileField("calibration_divisor"),
            3: ProfileField("level_shift"),
            4: ProfileField("offset_cal"),
            5: ProfileField("orientation_matrix", 65535.0),
        },
    ),
    162: MessageKind(
        "timestamp_correlation",
        {
            TIMESTAMP: ProfileField("timestamp"),
            0: ProfileField("fractional_timestamp", 32768.0),
            1: ProfileField("system_timestamp"),
            2: ProfileField("fractional_system_timestamp", 32768.0),
            4: ProfileField("timestamp_ms"),
            5: ProfileField("system_timestamp_ms"),
        },
    ),
}


def developer_column(name: str) -> str | None:
    """The column of a developer's field; None unless it holds parts of a second."""
    plain = re.sub(r"\W+", "_", name.strip().lower())
    return f"developer.{plain}" if _SUBSECOND.fullmatch(plain) else None
