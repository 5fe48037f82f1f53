"""Long recordings as text, as units and their software write them; for benchmarks and tests.

One invented runner round a 400 m track, fixes at `rate_hz`; each function gives a file's bytes.
"""

from __future__ import annotations

import numpy as np
from read_samples import nmea_angle, sentence

START_MS = 1_778_605_200_000  # 2026-05-12T17:00:00Z


def _run(n: int, rate_hz: int) -> list[tuple[float, float, float, float]]:
    """Latitude and longitude in degrees, altitude in metres, speed in m/s."""
    t = np.arange(n) / rate_hz
    rng = np.random.default_rng(7)
    angle = 2 * np.pi * t * 8.0 / 400.0
    lat = 47.1476 + 5.7e-4 * np.sin(angle) + rng.normal(0, 3e-6, n)
    lon = -25.0199 + 8.4e-4 * np.cos(angle) + rng.normal(0, 4e-6, n)
    altitude = 157.0 + rng.normal(0, 0.4, n)
    speed = np.abs(8.0 + rng.normal(0, 0.3, n))
    return list(zip(lat.tolist(), lon.tolist(), altitude.tolist(), speed.tolist(), strict=True))


def stamps(n: int, rate_hz: int) -> list[str]:
    ms = START_MS + np.arange(n) * 1000 // rate_hz
    return [f"{s}Z" for s in np.datetime_as_string(ms.astype("datetime64[ms]"), unit="ms")]


def gpx(n: int, rate_hz: int = 10) -> bytes:
    """An indented GPX 1.1 with heart rate and speed in extensions."""
    points = "".join(
        f'   <trkpt lat="{lat:.9f}" lon="{lon:.9f}">\n    <ele>{ele:.2f}</ele>\n'
        f"    <time>{time}</time>\n    <extensions>\n     <g:TrackPointExtension>\n"
        f"      <g:hr>{150 + i % 30}</g:hr>\n      <g:speed>{v:.3f}</g:speed>\n"
        "     </g:TrackPointExtension>\n    </extensions>\n   </trkpt>\n"
        for i, ((lat, lon, ele, v), time) in enumerate(
            zip(_run(n, rate_hz), stamps(n, rate_hz), strict=True)
        )
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="invented" xmlns="http://www.topografix.com/GPX/1/1" '
        'xmlns:g="urn:invented:point">\n <trk>\n  <name>evening</name>\n  <trkseg>\n'
        f"{points}  </trkseg>\n </trk>\n</gpx>\n"
    ).encode()


def tcx(n: int, rate_hz: int = 10, lap: int = 6000) -> bytes:
    """An indented TCX of laps of `lap` points with heart rate, cadence and speed."""
    points = [
        f"     <Trackpoint>\n      <Time>{time}</Time>\n      <Position>\n"
        f"       <LatitudeDegrees>{lat:.9f}</LatitudeDegrees>\n"
        f"       <LongitudeDegrees>{lon:.9f}</LongitudeDegrees>\n      </Position>\n"
        f"      <AltitudeMeters>{ele:.2f}</AltitudeMeters>\n"
        f"      <HeartRateBpm><Value>{150 + i % 30}</Value></HeartRateBpm>\n"
        f'      <Extensions>\n       <TPX xmlns="urn:invented:point"><Speed>{v:.3f}</Speed></TPX>\n'
        "      </Extensions>\n     </Trackpoint>\n"
        for i, ((lat, lon, ele, v), time) in enumerate(
            zip(_run(n, rate_hz), stamps(n, rate_hz), strict=True)
        )
    ]
    laps = "".join(
        f'   <Lap StartTime="2026-05-12T17:00:00Z">\n    <TotalTimeSeconds>600</TotalTimeSeconds>\n'
        "    <DistanceMeters>0</DistanceMeters>\n    <Calories>0</Calories>\n"
        "    <Intensity>Active</Intensity>\n    <TriggerMethod>Manual</TriggerMethod>\n"
        f"    <Track>\n{''.join(points[at : at + lap])}    </Track>\n   </Lap>\n"
        for at in range(0, n, lap)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<TrainingCenterDatabase '
        'xmlns="http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2">\n <Activities>\n'
        '  <Activity Sport="Running">\n   <Id>2026-05-12T17:00:00Z</Id>\n'
        f"{laps}  </Activity>\n </Activities>\n</TrainingCenterDatabase>\n"
    ).encode()


def nmea(n: int, rate_hz: int = 10) -> bytes:
    """RMC, GGA and VTG of each epoch."""
    parts = []
    for (lat, lon, ele, v), time in zip(_run(n, rate_hz), stamps(n, rate_hz), strict=True):
        tod = time[11:23].replace(":", "")
        date = time[8:10] + time[5:7] + time[2:4]
        place = f"{nmea_angle(lat, 'NS', 2)},{nmea_angle(lon, 'EW', 3)}"
        knots = v * 3600 / 1852
        parts.append(sentence(f"GNRMC,{tod},A,{place},{knots:.3f},84.40,{date},,,A"))
        parts.append(sentence(f"GNGGA,{tod},{place},1,14,0.86,{ele:.1f},M,45.0,M,,"))
        parts.append(sentence(f"GNVTG,84.40,T,,M,{knots:.3f},N,{v * 3.6:.3f},K,A"))
    return "".join(parts).encode()


def gps_csv(n: int, rate_hz: int = 10) -> bytes:
    head = "time_utc,latitude_deg,longitude_deg,altitude_m,speed_mps,hdop,satellites,heart_rate\n"
    return (
        head.encode()
        + "".join(
            f"{time},{lat:.9f},{lon:.9f},{ele:.2f},{v:.3f},0.86,14,{150 + i % 30}\n"
            for i, ((lat, lon, ele, v), time) in enumerate(
                zip(_run(n, rate_hz), stamps(n, rate_hz), strict=True)
            )
        ).encode()
    )


def imu_csv(n: int, rate_hz: int = 100) -> bytes:
    rng = np.random.default_rng(8)
    acc = rng.normal(0.0, 5.0, (n, 3)).tolist()
    gyro = rng.normal(0.0, 2.0, (n, 3)).tolist()
    head = "time_utc,acc_x_mps2,acc_y_mps2,acc_z_mps2,gyro_x_radps,gyro_y_radps,gyro_z_radps\n"
    return (
        head.encode()
        + "".join(
            f"{time},{a[0]:.4f},{a[1]:.4f},{a[2]:.4f},{g[0]:.5f},{g[1]:.5f},{g[2]:.5f}\n"
            for time, a, g in zip(stamps(n, rate_hz), acc, gyro, strict=True)
        ).encode()
    )
