"""FIT fixes: the messages `record` and `gps_metadata` as columns of position and speed."""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats
from pipeline.read.fit.clock import FIRST_DATE, UtcTie, milliseconds
from pipeline.read.fit.messages import Messages, first_stated
from pipeline.read.screening import impossible_place

SEMICIRCLE_DEG = 180.0 / 2**31


class FixColumns(NamedTuple):
    """One file's fixes, (n,) each, NaN where null; `t_s` counts as its user says."""

    t_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    speed_mps: Floats
    altitude_m: Floats

    def has_place(self) -> NDArray[np.bool_]:
        lat, lon = self.latitude_deg, self.longitude_deg
        has: NDArray[np.bool_] = ~np.isnan(lat) & ~np.isnan(lon) & ~impossible_place(lat, lon)
        return has


def record_fixes(records: Messages) -> FixColumns:
    """The fixes of the `record` messages, with times in FIT seconds."""
    m = records
    return FixColumns(
        m.single("timestamp") + _part_of_second(m),
        m.single("position_lat") * SEMICIRCLE_DEG,
        m.single("position_long") * SEMICIRCLE_DEG,
        first_stated(m.single("enhanced_speed"), m.single("speed")),
        first_stated(m.single("enhanced_altitude"), m.single("altitude")),
    )


def _part_of_second(records: Messages) -> Floats:
    """(n,) seconds to add to each record's whole second; 0 where no field states it."""
    for name in records.columns:
        if name == "time128":  # the profile's own, already in seconds
            part = records.single(name)
        elif name.startswith("developer."):
            values = records.columns[name]
            part = records.single(name) * _developer_unit_s(name, records.units[name], values)
        else:
            continue
        stated = part[np.isfinite(part)]
        # Outside [0, 1) the field counts something else, and adding it would be worse than nothing.
        if len(stated) and stated.min() >= 0.0 and stated.max() < 1.0:
            return np.nan_to_num(part)
    return np.zeros(len(records.order))


def _developer_unit_s(name: str, unit: str, values: Floats) -> float:
    """Seconds in one count of a developer's sub-second field, by its unit or else its name."""
    unit = unit.strip().lower()
    if unit in ("ms", "msec", "millisecond", "milliseconds") or re.search(r"ms$|milli", name):
        return 1e-3
    if "256" in unit or "256" in name:
        return 1.0 / 256.0
    if "128" in unit or "128" in name:
        return 1.0 / 128.0
    whole = bool((np.nan_to_num(values) % 1.0 == 0.0).all())
    # As the profile scales fractional_timestamp in its own messages.
    return 1.0 / 32768.0 if whole and "fractional_timestamp" in name else 1.0


def gps_metadata_fixes(metadata: Messages, tie: UtcTie) -> FixColumns:
    """The fixes of the `gps_metadata` messages, at the receiver's own rate, in FIT seconds.

    Where times are uptime and nothing ties it to UTC, the fixes' whole seconds of UTC are used.
    """
    m = metadata
    t_s = m.single("timestamp") + np.nan_to_num(milliseconds(m, "timestamp_ms"))
    utc_s = m.single("utc_timestamp")
    with np.errstate(invalid="ignore"):
        is_uptime = (t_s < FIRST_DATE) & (utc_s >= FIRST_DATE)
    if is_uptime.any() and not len(tie.system_s):
        t_s = np.where(is_uptime, utc_s, t_s)
    velocity = m.array("velocity")
    horizontal_mps = np.full(len(t_s), np.nan)
    if velocity.shape[1] > 1:
        horizontal_mps = np.hypot(velocity[:, 0], velocity[:, 1])
    return FixColumns(
        t_s,
        m.single("position_lat") * SEMICIRCLE_DEG,
        m.single("position_long") * SEMICIRCLE_DEG,
        first_stated(m.single("enhanced_speed"), horizontal_mps),
        m.single("enhanced_altitude"),
    )
