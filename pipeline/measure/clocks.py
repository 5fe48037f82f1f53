"""One shared clock: every stream's stamps to UTC, with standard errors.

Stamps written by a satellite receiver are UTC. A free-running counter is tied by taps, and
where there are none by motion; what nothing ties stays out, and its clock says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.model import Clock, Fixes, Floats, Imu, Recording, RecordingSpec, Tap, Track
from pipeline.signals import spread_stamps

STAMP_SD_S = 0.002  # a receiver's UTC stamp: well under a microsecond inside, ms when written


def tie(
    recordings: Sequence[tuple[RecordingSpec, Recording]], taps: Sequence[Tap] = ()
) -> tuple[Track, ...]:
    """Each recording as a Track on UTC, in the order given."""
    del taps
    return tuple(_stamped(spec, recording) for spec, recording in recordings)


def _stamped(spec: RecordingSpec, recording: Recording) -> Track:
    fixes, dropped_fixes = tidy_fixes(recording.fixes)
    imu, dropped_imu = tidy_imu(recording.imu)
    loose = Clock("none", remarks=("the counter is not tied to UTC",))
    return Track(
        spec=spec,
        recording=recording,
        fixes=fixes if fixes is not None and fixes.basis == "utc" else None,
        fixes_clock=None
        if fixes is None
        else stamps_clock(fixes.t_s)
        if fixes.basis == "utc"
        else loose,
        imu=imu if imu is not None and imu.basis == "utc" else None,
        imu_clock=None if imu is None else stamps_clock(imu.t_s) if imu.basis == "utc" else loose,
        dropped_fixes=dropped_fixes,
        dropped_imu=dropped_imu,
    )


def stamps_clock(t_s: Floats, offset_s: float = 0.0, remarks: tuple[str, ...] = ()) -> Clock:
    """The clock of a stream whose stamps are UTC, apart from `offset_s`."""
    return Clock(
        basis="stamps",
        offset_s=offset_s,
        sd_s=STAMP_SD_S,
        ref_utc_s=float(t_s[t_s.size // 2] + offset_s) if t_s.size else 0.0,
        cov=((STAMP_SD_S**2, 0.0), (0.0, 0.0)),
        remarks=remarks,
    )


def tidy_fixes(fixes: Fixes | None) -> tuple[Fixes | None, int]:
    """Sorted, spread, doubles dropped; and how many were dropped."""
    if fixes is None or not fixes.t_s.size:
        return None, 0
    order, t = _tidy(fixes.t_s)
    columns = ("latitude_deg", "longitude_deg", "speed_mps", "altitude_m", "hdop", "satellites")
    kept = {name: getattr(fixes, name)[order] for name in columns}
    return replace(fixes, t_s=t, **kept), fixes.t_s.size - t.size


def tidy_imu(imu: Imu | None) -> tuple[Imu | None, int]:
    """Sorted, spread, doubles dropped; and how many were dropped."""
    if imu is None or not imu.t_s.size:
        return None, 0
    order, t = _tidy(imu.t_s)
    gyro = imu.gyro_radps[order] if len(imu.gyro_radps) else imu.gyro_radps
    return replace(imu, t_s=t, acc_mps2=imu.acc_mps2[order], gyro_radps=gyro), (
        imu.t_s.size - t.size
    )


def _tidy(t_s: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Rows to keep, in time order, and their spread times, strictly increasing."""
    order = np.argsort(t_s, kind="stable")
    t = spread_stamps(t_s[order])
    keep = np.r_[True, np.diff(t) > 0]
    return order[keep], t[keep]
