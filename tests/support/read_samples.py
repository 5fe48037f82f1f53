"""Where the real device files stand, and one run written in every format; for reader tests."""

from __future__ import annotations

import os
import tempfile
from datetime import UTC, datetime
from functools import reduce
from operator import xor
from pathlib import Path
from typing import NamedTuple

import fit_encoder as enc
import pytest
from checkout import ROOT

from pipeline.base.values import Fixes, Recording
from pipeline.read import read

SHARED = Path(os.environ.get("BATONTRACE_SHARED", ROOT.parent / "shared"))
REAL = SHARED / "real"


def real(folder: str, pattern: str = "*") -> list[object]:
    """Parameters for `pytest.mark.parametrize`, one a device file; one skip where absent."""
    files = sorted((REAL / folder).glob(pattern))
    if not files:
        skip = pytest.mark.skip(reason=f"no device files in {REAL / folder}")
        return [pytest.param(Path("absent"), marks=skip)]
    return [pytest.param(f, id=f.name) for f in files]


class Sample(NamedTuple):
    t_s: float  # POSIX
    latitude_deg: float
    longitude_deg: float
    speed_mps: float


def iso(t_s: float) -> str:
    return datetime.fromtimestamp(t_s, UTC).isoformat(timespec="milliseconds")


def as_csv(run: list[Sample]) -> bytes:
    rows = [f"{iso(s.t_s)},{s.latitude_deg!r},{s.longitude_deg!r},{s.speed_mps!r}" for s in run]
    return "\n".join(["time_utc,latitude_deg,longitude_deg,speed_mps", *rows, ""]).encode()


def as_gpx(run: list[Sample]) -> bytes:
    points = "".join(
        f'<trkpt lat="{s.latitude_deg:.9f}" lon="{s.longitude_deg:.9f}"><time>{iso(s.t_s)}</time>'
        f"<extensions><x:speed>{s.speed_mps:.3f}</x:speed></extensions></trkpt>\n"
        for s in run
    )
    return (
        '<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1" '
        f'xmlns:x="urn:x"><trk><trkseg>{points}</trkseg></trk></gpx>'
    ).encode()


def as_tcx(run: list[Sample]) -> bytes:
    points = "".join(
        f"<Trackpoint><Time>{iso(s.t_s)}</Time><Position>"
        f"<LatitudeDegrees>{s.latitude_deg:.9f}</LatitudeDegrees>"
        f"<LongitudeDegrees>{s.longitude_deg:.9f}</LongitudeDegrees></Position>"
        f'<Extensions><TPX xmlns="urn:a"><Speed>{s.speed_mps:.3f}</Speed></TPX></Extensions>'
        "</Trackpoint>\n"
        for s in run
    )
    return (
        '<TrainingCenterDatabase xmlns="urn:t"><Activities><Activity><Lap><Track>'
        f"{points}</Track></Lap></Activity></Activities></TrainingCenterDatabase>"
    ).encode()


def sentence(body: str) -> str:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n"


def nmea_angle(degrees: float, sides: str, width: int) -> str:
    whole = int(abs(degrees))
    minutes = round((abs(degrees) - whole) * 60.0, 6)
    if minutes >= 60.0:
        whole, minutes = whole + 1, 0.0
    return f"{whole:0{width}d}{minutes:09.6f},{sides[degrees < 0]}"


def rmc(s: Sample, talker: str = "GN", status: str = "A") -> str:
    t = datetime.fromtimestamp(round(s.t_s, 3), UTC)
    return sentence(
        f"{talker}RMC,{t:%H%M%S}.{t.microsecond // 1000:03d},{status},"
        f"{nmea_angle(s.latitude_deg, 'NS', 2)},{nmea_angle(s.longitude_deg, 'EW', 3)},"
        f"{s.speed_mps * 3600 / 1852:.4f},,{t:%d%m%y},,,A"
    )


def gga(s: Sample, talker: str = "GN", quality: str = "1") -> str:
    t = datetime.fromtimestamp(round(s.t_s, 3), UTC)
    return sentence(
        f"{talker}GGA,{t:%H%M%S}.{t.microsecond // 1000:03d},"
        f"{nmea_angle(s.latitude_deg, 'NS', 2)},{nmea_angle(s.longitude_deg, 'EW', 3)},"
        f"{quality},09,0.8,171.5,M,44.0,M,,"
    )


def as_nmea(run: list[Sample]) -> bytes:
    return "".join(rmc(s) + gga(s) for s in run).encode()


def as_fit(run: list[Sample]) -> bytes:
    """gps_metadata at the run's own rate."""
    messages = []
    for s in run:
        ms = round(s.t_s * 1000)
        messages.append(
            enc.GPS.data(
                ms // 1000 - 631_065_600,
                ms % 1000,
                enc.semicircles(s.latitude_deg),
                enc.semicircles(s.longitude_deg),
                round(s.speed_mps * 1000),
                None,
            )
        )
    head = (enc.FILE_ID.definition(), enc.FILE_ID.data(4, 1_000_000_000), enc.GPS.definition())
    return enc.fit_file(*head, *messages)


WRITERS = {"csv": as_csv, "gpx": as_gpx, "tcx": as_tcx, "nmea": as_nmea, "fit": as_fit}
QUANTUM_DEG = {"csv": 1e-12, "gpx": 1e-9, "tcx": 1e-9, "nmea": 1e-6 / 60, "fit": 180 / 2**31}
QUANTUM_MPS = {"csv": 1e-12, "gpx": 1e-3, "tcx": 1e-3, "nmea": 1e-4 * 1852 / 3600, "fit": 1e-3}


def read_bytes(data: bytes, name: str = "recording", **how: object) -> Recording:
    """Under a name that tells nothing."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        return read(path, **how)  # type: ignore[arg-type]


def fixes_of(recording: Recording) -> Fixes:
    assert recording.fixes is not None
    return recording.fixes


def some_run(n: int = 8) -> list[Sample]:
    return [
        Sample(1_778_605_400.0 + i / 10, 48.1234567 + i * 1e-6, -16.7654321 - i * 2e-6, 8.0 + i / 8)
        for i in range(n)
    ]
