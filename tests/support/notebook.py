"""What a sports scientist's notebook does with a session: common readers, pandas, a low-pass.

Beside it the benchmark times the package. It is written to be read and to be quick as such
notebooks go: columns where the libraries allow them, nothing read twice. What it has not:
standard errors, a clock common to the units, takeovers that no sheet names, damaged files.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.signal import butter, filtfilt, find_peaks
from scipy.spatial import cKDTree

GRAVITY_MPS2 = 9.80665
SEMICIRCLE_DEG = 180 / 2**31
KNOT_MPS = 1852 / 3600
EARTH_M = 6_371_000.0
CURVE_HZ = 50.0
ACC = ["time_utc", "acc_x_mps2", "acc_y_mps2", "acc_z_mps2"]

Acc = pd.DataFrame | None


class Lane(NamedTuple):
    """The lane in use, metres east and north of its first point, with its entry line and exit."""

    tree: cKDTree
    along_m: np.ndarray
    from_deg: np.ndarray
    entry_m: float
    exit_m: float


# --- reading: time (s, UTC), lat and lon (degrees), speed (m/s); time and x, y, z (m/s²) --------


def read_fit(path: Path) -> tuple[pd.DataFrame, Acc]:
    import fitparse

    fixes, batches = [], []
    for message in fitparse.FitFile(str(path)).get_messages():
        if message.name == "gps_metadata":
            v = message.get_values()
            fixes.append(
                (
                    v["timestamp"], v["timestamp_ms"], v["position_lat"], v["position_long"],
                    v["enhanced_speed"],
                )
            )  # fmt: skip
        elif message.name == "accelerometer_data":
            v = message.get_values()
            xyz = [v[f"calibrated_accel_{axis}"] for axis in "xyz"]
            batches.append((v["timestamp"], v["timestamp_ms"], v["sample_time_offset"], xyz))
    stamp, ms, lat, lon, speed = zip(*fixes, strict=True)
    found = pd.DataFrame({"time": _fit_time(stamp, ms), "lat": lat, "lon": lon, "speed": speed})
    found[["lat", "lon"]] *= SEMICIRCLE_DEG
    if not batches:
        return found, None
    stamp, ms, offset, xyz = zip(*batches, strict=True)
    time = (_fit_time(stamp, ms)[:, None] + np.asarray(offset) / 1000).ravel()
    values = np.asarray(xyz, float).transpose(0, 2, 1).reshape(-1, 3) * GRAVITY_MPS2
    return found, pd.DataFrame({"time": time, **dict(zip("xyz", values.T, strict=True))})


def _fit_time(stamp, ms) -> np.ndarray:
    return _seconds(pd.to_datetime(pd.Series(stamp), utc=True)) + np.asarray(ms) / 1000


def _seconds(when: pd.Series) -> np.ndarray:
    return (when - pd.Timestamp(0, tz="UTC")).dt.total_seconds().to_numpy()


def read_gpx(path: Path) -> tuple[pd.DataFrame, Acc]:
    import gpxpy

    with path.open(encoding="utf-8") as file:
        track = gpxpy.parse(file)
    rows = [
        (p.time, p.latitude, p.longitude, float(p.extensions[0].text) if p.extensions else np.nan)
        for one in track.tracks
        for segment in one.segments
        for p in segment.points
    ]
    found = pd.DataFrame(rows, columns=["time", "lat", "lon", "speed"])
    return found.assign(time=_seconds(pd.to_datetime(found["time"], utc=True))), None


def read_tcx(path: Path) -> tuple[pd.DataFrame, Acc]:
    from tcxreader.tcxreader import TCXReader

    rows = [
        (p.time, p.latitude, p.longitude, p.tpx_ext.get("Speed", np.nan))
        for p in TCXReader().read(str(path)).trackpoints
    ]
    found = pd.DataFrame(rows, columns=["time", "lat", "lon", "speed"])
    return found.assign(time=_seconds(pd.to_datetime(found["time"], utc=True))), None


def read_nmea(path: Path) -> tuple[pd.DataFrame, Acc]:
    import pynmea2

    rows = []
    with path.open(encoding="ascii") as file:
        for line in file:
            if line[3:6] == "RMC":
                m = pynmea2.parse(line, check=True)
                rows.append((m.datetime, m.latitude, m.longitude, m.spd_over_grnd))
    found = pd.DataFrame(rows, columns=["time", "lat", "lon", "speed"])
    found["speed"] *= KNOT_MPS
    return found.assign(time=_seconds(pd.to_datetime(found["time"], utc=True))), None


def read_csv(path: Path) -> tuple[pd.DataFrame, Acc]:
    """A unit's table of fixes, and that of its accelerometer where one lies beside it."""
    beside = path.with_name(f"{path.stem}-imu.csv")
    return read_fixes_csv(path), read_acc_csv(beside) if beside.exists() else None


def read_fixes_csv(path: Path) -> pd.DataFrame:
    names = {"latitude_deg": "lat", "longitude_deg": "lon", "speed_mps": "speed"}
    table = pd.read_csv(path, parse_dates=["time_utc"]).rename(columns=names)
    table.insert(0, "time", _seconds(table.pop("time_utc")))
    return table


def read_acc_csv(path: Path, wanted: list[str] = ACC) -> pd.DataFrame:
    table = pd.read_csv(path, usecols=wanted, parse_dates=["time_utc"])
    table.insert(0, "time", _seconds(table.pop("time_utc")))
    return table.rename(columns={f"acc_{axis}_mps2": axis for axis in "xyz"})


READ = {
    ".fit": read_fit, ".gpx": read_gpx, ".tcx": read_tcx, ".nmea": read_nmea, ".csv": read_csv,
}  # fmt: skip


# --- measuring ---------------------------------------------------------------------------------


def smooth(values: np.ndarray, cut_hz: float, rate_hz: float) -> np.ndarray:
    b, a = butter(2, cut_hz, fs=rate_hz)
    return filtfilt(b, a, values)


def lane_of(venue: Path, lane: int, zone: int) -> Lane:
    features = json.loads(venue.read_text())["features"]
    own = [f for f in features if f["properties"]["lane"] == lane]
    line = next(f for f in own if f["properties"]["kind"] == "lane")
    points = np.asarray(line["geometry"]["coordinates"], float)[:, :2]
    xy = _metres(points[:, 1], points[:, 0], points[0])
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    along = np.arange(0, length[-1], 0.05)
    tree = cKDTree(np.column_stack([np.interp(along, length, axis) for axis in xy.T]))

    def place(name: str) -> float:
        at = next(
            f["geometry"]["coordinates"] for f in own
            if f["properties"].get("zone") == zone and f["properties"].get("line") == name
        )  # fmt: skip
        return float(along[tree.query(_metres(at[1], at[0], points[0]))[1]])

    return Lane(tree, along, points[0], place("entry"), place("exit"))


def _metres(lat, lon, origin) -> np.ndarray:
    """East and north of [longitude, latitude], on a sphere."""
    east = np.radians(np.asarray(lon) - origin[0]) * EARTH_M * np.cos(np.radians(origin[1]))
    return np.stack([east, np.radians(np.asarray(lat) - origin[1]) * EARTH_M], axis=-1)


def prepared(fixes: pd.DataFrame, lane: Lane) -> pd.DataFrame:
    """Distance past the entry line along the lane, and the speed without its steps."""
    fixes = fixes.sort_values("time").drop_duplicates("time")
    rate_hz = 1 / np.median(np.diff(fixes["time"]))
    nearest = lane.tree.query(_metres(fixes["lat"], fixes["lon"], lane.from_deg))[1]
    return fixes.assign(
        s=lane.along_m[nearest] - lane.entry_m,
        v=smooth(fixes["speed"].interpolate().to_numpy(), 1.5, rate_hz),
    )


def crossing(t: np.ndarray, s: np.ndarray, v: np.ndarray, level_m: float) -> float:
    """When a runner at speed crosses a line; NaN where nobody does."""
    k = np.flatnonzero((s[:-1] < level_m) & (s[1:] >= level_m) & (v[1:] > 3) & (np.diff(s) < 2))
    return np.nan if len(k) == 0 else np.interp(level_m, s[k[0] : k[0] + 2], t[k[0] : k[0] + 2])


def takeover(rep, runs: dict[str, pd.DataFrame], acc: dict[str, Acc], lane: Lane):
    """The curves of both runners on one clock, and the figures of the takeover."""
    start = pd.Timestamp(rep.start_utc).timestamp()
    t = np.arange(start - 40, start + 60, 1 / CURVE_HZ)
    s_in, v_in, s_out, v_out = (
        np.interp(t, runs[who]["time"], runs[who][column])
        for who in (rep.incoming, rep.outgoing)
        for column in ("s", "v")
    )
    entry = crossing(t, s_in, v_in, 0.0)
    later = t > entry if np.isfinite(entry) else t > start
    leaves = crossing(t[later], s_out[later], v_out[later], lane.exit_m - lane.entry_m)
    both = later & (t < leaves) & (v_out > 3)
    k = int(np.argmin(np.where(both, np.abs(s_out - s_in), np.inf)))
    began = np.flatnonzero((v_out < 1) & (t < t[k]))
    go = t[began[-1]] if len(began) else np.nan
    felt, steps = acc[rep.outgoing], np.nan
    if felt is not None and np.isfinite(go):
        during = felt["time"].between(go, t[k])
        size = np.linalg.norm(felt.loc[during, ["x", "y", "z"]], axis=1)
        if len(size) > 20:
            steps = len(find_peaks(smooth(size, 8, 100), height=12, distance=15)[0])
    curves = pd.DataFrame(
        {"rep": rep.rep, "t": t - entry, "s_in": s_in, "v_in": v_in, "s_out": s_out, "v_out": v_out}
    )
    figures = {
        "rep": rep.rep, "incoming": rep.incoming, "outgoing": rep.outgoing, "entry_utc": entry,
        "zone_time_s": leaves - entry, "go_s": go - entry, "pass_s": t[k] - entry,
        "pass_m": (s_in[k] + s_out[k]) / 2, "v_in": v_in[k], "v_out": v_out[k], "steps": steps,
    }  # fmt: skip
    return curves, figures


def process(session: Path, out: Path) -> pd.DataFrame:
    """Read a session's files, measure the takeovers its sheet names, write two tables."""
    told = tomllib.loads(session.read_text())
    reps = pd.read_csv(session.parent / told["session"]["reps"])
    zone = int(reps["zone"].iloc[0])
    lane = lane_of(session.parent / told["session"]["venue"], told["session"]["lane"], zone)
    runs, acc = {}, {}
    for one in told["recording"]:
        if one["runner"] not in runs:
            path = session.parent / one["file"]
            fixes, acc[one["runner"]] = READ[path.suffix](path)
            runs[one["runner"]] = prepared(fixes, lane)
    measured = [takeover(rep, runs, acc, lane) for rep in reps.itertuples()]
    takeovers = pd.DataFrame([figures for _, figures in measured])
    out.mkdir(parents=True, exist_ok=True)
    takeovers.to_parquet(out / "takeovers.parquet")
    pd.concat([curves for curves, _ in measured]).to_parquet(out / "curves.parquet")
    return takeovers
