"""Track files as units and their software write them: CSV, GPX, TCX, NMEA 0183, FIT.

Every writer takes columns and gives bytes, the same bytes for the same columns.
"""

from __future__ import annotations

import gzip
import io
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Fixes:
    """A receiver's columns (n,): UTC, WGS 84, speed and course over ground, quality."""

    t_s: Floats
    lat_deg: Floats
    lon_deg: Floats
    alt_m: Floats
    speed_mps: Floats
    course_deg: Floats
    hdop: Floats
    satellites: Floats


G = 9.80665
FIT_EPOCH_S = 631065600  # 1989-12-31T00:00:00Z
SEMICIRCLE = 2**31 / 180.0


def zipped(data: bytes) -> bytes:
    return gzip.compress(data, 9, mtime=0)


def iso(t_s: Floats, digits: int = 3) -> list[str]:
    """UTC stamps, rounded to whole seconds (`digits` 0) or milliseconds (3)."""
    if digits == 0:
        whole = np.round(t_s).astype("int64").astype("datetime64[s]")
        return [f"{s}Z" for s in np.datetime_as_string(whole, unit="s")]
    ticks = np.round(t_s * 1000).astype("int64").astype("datetime64[ms]")
    return [f"{s}Z" for s in np.datetime_as_string(ticks, unit="ms")]


def csv_table(columns: dict[str, Any]) -> bytes:
    """Plain comma-separated columns with one line of headers."""
    buf = io.BytesIO()
    arrays = [pa.array(c) for c in columns.values()]
    opt = pa.csv.WriteOptions(quoting_style="none")
    pa.csv.write_csv(pa.table(arrays, names=list(columns)), buf, opt)
    # headers are quoted whatever the style
    head, _, rest = buf.getvalue().partition(b"\n")
    return head.replace(b'"', b"") + b"\n" + rest


def gnss_csv(f: Fixes) -> bytes:
    return csv_table(
        {
            "time_utc": iso(f.t_s),
            "latitude_deg": np.round(f.lat_deg, 7),
            "longitude_deg": np.round(f.lon_deg, 7),
            "altitude_m": np.round(f.alt_m, 1),
            "speed_mps": np.round(f.speed_mps, 2),
            "hdop": np.round(f.hdop, 2),
            "satellites": f.satellites.astype(int),
        }
    )


def imu_csv(t_s: Floats, acc: Floats, gyro: Floats) -> bytes:
    out: dict[str, Any] = {"time_utc": iso(t_s)}
    for k, a in enumerate("xyz"):
        out[f"acc_{a}_mps2"] = np.round(acc[:, k], 2)
    for k, a in enumerate("xyz"):
        out[f"gyro_{a}_radps"] = np.round(gyro[:, k], 3)
    return csv_table(out)


COUNTER_COLUMNS = (
    'columns = { time = { column = "ms", unit = "ms" }, '
    + ", ".join(f'acc_{a} = {{ column = "a{a}_g", unit = "g" }}' for a in "xyz")
    + ", "
    + ", ".join(f'gyro_{a} = {{ column = "g{a}_dps", unit = "deg/s" }}' for a in "xyz")
    + " }"
)


def imu_counter_csv(counter_s: Floats, acc: Floats, gyro: Floats) -> bytes:
    out: dict[str, Any] = {"ms": np.round(counter_s * 1000).astype("int64")}
    for k, a in enumerate("xyz"):
        out[f"a{a}_g"] = np.round(acc[:, k] / G, 3)
    for k, a in enumerate("xyz"):
        out[f"g{a}_dps"] = np.round(np.degrees(gyro[:, k]), 1)
    return csv_table(out)


def gpx(f: Fixes, whole_seconds: bool = False, speed: bool = True) -> bytes:
    """Places and stamps; the speed, where a unit writes it, stands in an extension."""
    rows = [
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="sample tracks" '
        'xmlns="http://www.topografix.com/GPX/1/1" xmlns:u="urn:sample:unit">\n<trk><trkseg>'
    ]
    # some units' software cuts the stamps to whole seconds, several fixes to one
    stamps = iso(np.floor(f.t_s + 1e-6), 0) if whole_seconds else iso(f.t_s)
    for t, la, lo, h, v in zip(stamps, f.lat_deg, f.lon_deg, f.alt_m, f.speed_mps, strict=True):
        rows.append(
            f'<trkpt lat="{la:.7f}" lon="{lo:.7f}"><ele>{h:.1f}</ele><time>{t}</time>'
            + (f"<extensions><u:speed>{v:.2f}</u:speed></extensions>" if speed else "")
            + "</trkpt>"
        )
    rows.append("</trkseg></trk>\n</gpx>\n")
    return "\n".join(rows).encode()


def tcx(f: Fixes) -> bytes:
    stamps = iso(f.t_s)
    rows = [
        '<?xml version="1.0" encoding="UTF-8"?>\n<TrainingCenterDatabase '
        'xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2" '
        'xmlns:x="http://www.garmin.com/xmlschemas/ActivityExtension/v2">\n'
        f'<Activities><Activity Sport="Running"><Id>{stamps[0]}</Id><Lap StartTime="{stamps[0]}">'
        f"<TotalTimeSeconds>{f.t_s[-1] - f.t_s[0]:.1f}</TotalTimeSeconds>"
        "<DistanceMeters>0</DistanceMeters><Calories>0</Calories>"
        "<Intensity>Active</Intensity><TriggerMethod>Manual</TriggerMethod><Track>"
    ]
    for t, la, lo, h, v in zip(stamps, f.lat_deg, f.lon_deg, f.alt_m, f.speed_mps, strict=True):
        rows.append(
            f"<Trackpoint><Time>{t}</Time><Position><LatitudeDegrees>{la:.7f}</LatitudeDegrees>"
            f"<LongitudeDegrees>{lo:.7f}</LongitudeDegrees></Position>"
            f"<AltitudeMeters>{h:.1f}</AltitudeMeters>"
            f"<Extensions><x:TPX><x:Speed>{v:.2f}</x:Speed></x:TPX></Extensions></Trackpoint>"
        )
    rows.append("</Track></Lap></Activity></Activities>\n</TrainingCenterDatabase>\n")
    return "\n".join(rows).encode()


def _sentence(body: str) -> str:
    x = 0
    for c in body.encode():
        x ^= c
    return f"${body}*{x:02X}\r\n"


def _dm(deg: float, wide: int, signs: str) -> str:
    a = round(abs(deg) * 60 * 1e6)  # micro-minutes
    d, m = divmod(a, 60_000_000)
    return f"{d:0{wide}d}{m / 1e6:09.6f},{signs[0] if deg >= 0 else signs[1]}"


def nmea(f: Fixes) -> bytes:
    out = []
    for k in range(len(f.t_s)):
        ms = round(float(f.t_s[k]) * 1000)
        when = datetime.fromtimestamp(ms // 1000, UTC)
        clock = f"{when:%H%M%S}.{ms % 1000:03d}"
        lat, lon = _dm(f.lat_deg[k], 2, "NS"), _dm(f.lon_deg[k], 3, "EW")
        course = f"{f.course_deg[k]:.1f}" if f.speed_mps[k] > 0.5 else ""
        knots = f.speed_mps[k] * 3600 / 1852
        out.append(_sentence(f"GNRMC,{clock},A,{lat},{lon},{knots:.3f},{course},{when:%d%m%y},,,A"))
        out.append(
            _sentence(
                f"GNGGA,{clock},{lat},{lon},1,{int(f.satellites[k]):02d},{f.hdop[k]:.2f},"
                f"{f.alt_m[k]:.1f},M,45.0,M,,"
            )
        )
    return "".join(out).encode()


# --- FIT -------------------------------------------------------------------------------


def _crc_table() -> list[int]:
    table = []
    for b in range(256):
        c = b
        for _ in range(8):
            c = (c >> 1) ^ (0xA001 if c & 1 else 0)
        table.append(c)
    return table


_TABLE = _crc_table()


def fit_crc(data: bytes) -> int:
    c = 0
    table = _TABLE
    for b in data:
        c = (c >> 8) ^ table[(c ^ b) & 0xFF]
    return c


# base type number -> struct letter
_TYPES = {
    "enum": (0x00, "B"), "u8": (0x02, "B"), "u16": (0x84, "H"), "i16": (0x83, "h"),
    "u32": (0x86, "I"), "i32": (0x85, "i"), "f32": (0x88, "f"), "u32z": (0x8C, "I"),
}  # fmt: skip


class FitFile:
    """Definitions and messages, little-endian, header with CRC."""

    def __init__(self) -> None:
        self.body = bytearray()
        self.layout: dict[int, str] = {}

    def define(self, local: int, number: int, fields: list[tuple[int, str, int]]) -> None:
        """`fields`: (field number, base type, how many)."""
        self.body += struct.pack("<BBBHB", 0x40 | local, 0, 0, number, len(fields))
        form = "<B"
        for num, kind, count in fields:
            base, letter = _TYPES[kind]
            self.body += struct.pack("<BBB", num, struct.calcsize(letter) * count, base)
            form += f"{count}{letter}" if count > 1 else letter
        self.layout[local] = form

    def add(self, local: int, *values: int | float) -> None:
        self.body += struct.pack(self.layout[local], local, *values)

    def bytes(self) -> bytes:
        head = struct.pack("<BBHI4s", 14, 0x20, 2132, len(self.body), b".FIT")
        whole = head + struct.pack("<H", fit_crc(head)) + bytes(self.body)
        return whole + struct.pack("<H", fit_crc(whole))


def _fit_start(t_s: float) -> FitFile:
    w = FitFile()
    w.define(0, 0, [(0, "enum", 1), (1, "u16", 1), (2, "u16", 1), (3, "u32z", 1), (4, "u32", 1)])
    w.add(0, 4, 255, 1, 12345, int(t_s) - FIT_EPOCH_S)  # an activity by a maker in development
    return w


def _semi(deg: float) -> int:
    return round(float(deg) * SEMICIRCLE)


def fit_records(f: Fixes) -> bytes:
    """`record` messages only; above 1 Hz the part of the second stands in time128."""
    w = _fit_start(f.t_s[0])
    sub = np.median(np.diff(f.t_s)) < 0.99
    fields = [(253, "u32", 1), (0, "i32", 1), (1, "i32", 1), (78, "u32", 1), (73, "u32", 1)]
    w.define(1, 20, fields + ([(48, "u8", 1)] if sub else []))
    for k in range(len(f.t_s)):
        whole, part = divmod(round(float(f.t_s[k]) * 128), 128)
        vals = [whole - FIT_EPOCH_S, _semi(f.lat_deg[k]), _semi(f.lon_deg[k]),
                round((f.alt_m[k] + 500) * 5), round(f.speed_mps[k] * 1000)]  # fmt: skip
        w.add(1, *vals, *([part] if sub else []))
    return w.bytes()


def _ms(t_s: float) -> tuple[int, int]:
    return divmod(round(float(t_s) * 1000), 1000)


def fit_sensors(
    f: Fixes,
    sensors: tuple[Floats, Floats, Floats] | None = None,
    uptime: Callable[[Floats], Floats] | None = None,
    raw: bool = False,
) -> bytes:
    """`gps_metadata`, and with `sensors` (time, m/s², rad/s) accelerometer and gyroscope batches.

    Without `uptime` the stamps are UTC; with it (UTC -> seconds since the unit was switched on)
    stamps, those of `sensors` too, count from the switch and one timestamp_correlation ties them
    to UTC. Values are calibrated (g, deg/s), or with `raw` counts beside their
    three_d_sensor_calibration: value = (count - level_shift - offset_cal) * factor / divisor.
    """
    base = FIT_EPOCH_S if uptime is None else 0
    stamps = f.t_s if uptime is None else uptime(f.t_s)
    w = _fit_start(f.t_s[0])
    if uptime is not None:
        w.define(4, 162, [(253, "u32", 1), (1, "u32", 1), (4, "u16", 1), (5, "u16", 1)])
        (s, ms), (us, ums) = _ms(float(f.t_s[0])), _ms(float(stamps[0]))
        w.add(4, s - FIT_EPOCH_S, us, ms, ums)
    w.define(1, 160, [(253, "u32", 1), (0, "u16", 1), (1, "i32", 1), (2, "i32", 1),
                      (3, "u32", 1), (4, "u32", 1), (5, "u16", 1), (6, "u32", 1)])  # fmt: skip
    batches = iter(()) if sensors is None else _batches(w, sensors, base, raw)
    waiting = next(batches, None)
    for k in range(len(f.t_s)):
        while waiting is not None and waiting[0] <= stamps[k]:
            for local, values in zip((2, 3), waiting[1], strict=True):
                w.add(local, *values)
            waiting = next(batches, None)
        s, ms = _ms(float(stamps[k]))
        w.add(1, s - base, ms, _semi(f.lat_deg[k]), _semi(f.lon_deg[k]),
              round((f.alt_m[k] + 500) * 5), round(f.speed_mps[k] * 1000),
              round(float(f.course_deg[k]) * 100) % 36000, int(f.t_s[k]) - FIT_EPOCH_S)  # fmt: skip
    return w.bytes()


BATCH = 25  # samples in one message
_COUNTS = ((0, 2048, (12, -7, 3)), (1, 16, (5, 2, -9)))  # sensor, divisor, offset


def _batches(
    w: FitFile, sensors: tuple[Floats, Floats, Floats], base: int, raw: bool
) -> Iterator[tuple[float, list[list[float]]]]:
    """Define the two messages in w, then give (time, fields of both) batch by batch."""
    t_s, acc, gyro = sensors
    offs = np.round((t_s - t_s[0]) * 1000).astype(int)
    values: list[NDArray[Any]] = [np.round(acc / G, 3), np.round(np.degrees(gyro), 1)]
    first, kind = (2, "u16") if raw else (5, "f32")
    for local, number in ((2, 165), (3, 164)):
        w.define(local, number, [(253, "u32", 1), (0, "u16", 1), (1, "u16", BATCH)]
                 + [(first + k, kind, BATCH) for k in range(3)])  # fmt: skip
    if raw:
        w.define(5, 167, [(253, "u32", 1), (0, "enum", 1), (1, "u32", 1), (2, "u32", 1),
                          (3, "u32", 1), (4, "i32", 3), (5, "i32", 9)])  # fmt: skip
        same = [65535, 0, 0, 0, 65535, 0, 0, 0, 65535]
        for k, (sensor, divisor, offset) in enumerate(_COUNTS):
            w.add(5, int(t_s[0]) - base, sensor, 1, divisor, 32768, *offset, *same)
            counts = np.round(values[k] * divisor) + 32768 + np.array(offset)
            values[k] = np.clip(counts, 0, 65534).astype(int)
    for j in range(0, len(t_s) - BATCH + 1, BATCH):
        s, ms = _ms(float(t_s[j]))
        head = [s - base, ms, *(offs[j : j + BATCH] - offs[j]).tolist()]
        yield float(t_s[j]), [head + v[j : j + BATCH].T.ravel().tolist() for v in values]
