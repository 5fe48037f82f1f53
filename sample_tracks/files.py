"""What lies in a session's folder: the units' files, venue.geojson, session.toml, reps.csv."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import devices
import numpy as np
import people
import plan
import writers
from devices import Knock, Level
from evening import Body
from people import Floats, Person, Rng
from practice import Site

Row = dict[str, Any]
T = TypeVar("T")


def deal(given: T | tuple[T, ...], k: int) -> T:
    """The k-th runner's of what is given once for all, or dealt in turn."""
    return given[k % len(given)] if isinstance(given, tuple) else given


@dataclass(frozen=True)
class Units:
    """What the squad wears; a tuple is dealt to the runners in turn."""

    rate_hz: float | tuple[float, ...]
    formats: str | tuple[str, ...]
    imu: bool | tuple[bool, ...]
    imu_hz: float
    counter_imu: bool | tuple[bool, ...]
    delay_s: float | None
    delay_on: str
    level: Level


@dataclass(frozen=True)
class Listed:
    """A [[recording]] of session.toml."""

    runner: str
    file: str
    clock: str
    columns: str = ""
    worn: str = "upper-back"


@dataclass(frozen=True)
class Felt:
    """What an accelerometer wrote; `counter_s` is its own count, else None."""

    utc_s: Floats
    counter_s: Floats | None
    acc_mps2: Floats
    gyro_radps: Floats
    zero_utc_s: float | None
    drift_ppm: float | None


def _taps(rng: Rng, squad: tuple[Person, ...], tap_t: list[float]) -> tuple[Row, dict[int, str]]:
    """A second, weaker knock after some taps (delay, g); and who misses which tap."""
    again: Row = {}
    missed: dict[int, str] = {}
    for k, t in enumerate(tap_t):
        after, g = float(rng.uniform(0.15, 0.4)), float(rng.uniform(2, 5))
        if rng.random() < 0.4:
            again[str(k)] = (t + after, g)
        if len(squad) > 2 and rng.random() < 0.3:
            missed[k] = squad[int(rng.integers(len(squad)))].id
    return again, missed


def _receive(
    rng: Rng, units: Units, k: int, body: Body, ground: plan.Ground, grid_s: Floats,
    common_m: Floats,
) -> tuple[writers.Fixes, Row]:  # fmt: skip
    """The k-th runner's fixes, stamped on the whole multiples of the period in UTC."""
    rate = float(deal(units.rate_hz, k))
    first = int(np.ceil((grid_s[0] + rng.uniform(0, 1.5)) * rate))
    last = int((grid_s[-1] - rng.uniform(0, 1)) * rate)
    t_s = np.arange(first, last + 1) / rate
    if units.delay_s is None:
        delay = float(rng.uniform(*units.level.delay_s))
    else:
        delay = units.delay_s * float(rng.uniform(0.97, 1.03))
    lag = devices.Lag(delay, str(rng.choice(["first order", "average"])), units.delay_on)
    true = ground.east_north(body.plan_xy_m)
    fix, speed, hdop, sats, keep, put_in = devices.receiver(
        rng, units.level, true, body.ground_mps, grid_s, t_s, common_m, lag
    )
    up = 1.3 + 1.5 * people.slow_noise(rng, len(t_s), 1 / rate, 60.0, 1.0)
    lat, lon, alt = ground.geodetic(fix, up)
    way = np.interp(t_s, grid_s, np.unwrap(body.course_rad)) + ground.turn_rad
    course = np.mod(90 - np.degrees(way + 0.05 * rng.standard_normal(len(t_s))), 360)
    columns = (t_s, lat, lon, alt, speed, course, hdop, sats)
    row = {"sensor": "gnss", "rate_hz": rate, "fixes": int(keep.sum()), "clock_offset_s": 0.0}
    return writers.Fixes(*(c[keep] for c in columns)), row | put_in


def _feel(
    rng: Rng, hz: float, counts: bool, body: Body, grid_s: Floats, knocks: list[Knock]
) -> Felt:
    first = grid_s[0] + float(rng.uniform(0.2, 2.0))
    n = int((grid_s[-1] - first - 1) * hz)
    if not counts:
        utc = np.ceil(first * hz) / hz + np.arange(n) / hz
        return Felt(utc, None, *devices.accelerometer(rng, body, grid_s, utc, knocks), None, None)
    drift = float(rng.uniform(-30, 30))
    zero = first - float(rng.uniform(30, 3000))
    counter = np.ceil((first - zero) * (1 + drift * 1e-6) * hz) / hz + np.arange(n) / hz
    utc = zero + counter / (1 + drift * 1e-6)
    acc, gyro = devices.accelerometer(rng, body, grid_s, utc, knocks)
    return Felt(utc, counter, acc, gyro, zero, drift)


def _fixes_file(form: str, f: writers.Fixes, felt: Felt | None) -> bytes:
    """A receiver's file; with `felt` the accelerometer's values are in it too."""
    if form == "csv.gz":
        return writers.zipped(writers.gnss_csv(f))
    if form == "gpx-s":
        return writers.gpx(f, whole_seconds=True)
    if form == "gpx-plain":
        return writers.gpx(f, speed=False)
    if form == "fit-record":
        return writers.fit_records(f)
    if form.startswith("fit"):
        if felt is None:
            return writers.fit_sensors(f)
        if felt.counter_s is None:
            sensors = (felt.utc_s, felt.acc_mps2, felt.gyro_radps)
            return writers.fit_sensors(f, sensors, raw=form == "fit-raw")
        zero, run = felt.zero_utc_s or 0.0, 1 + (felt.drift_ppm or 0.0) * 1e-6
        sensors = (felt.counter_s, felt.acc_mps2, felt.gyro_radps)
        return writers.fit_sensors(f, sensors, uptime=lambda t: (t - zero) * run)
    plain: dict[str, Callable[[writers.Fixes], bytes]] = {
        "csv": writers.gnss_csv, "gpx": writers.gpx, "tcx": writers.tcx, "nmea": writers.nmea,
    }  # fmt: skip
    return plain[form](f)


def record(
    folder: Path, rng: Rng, air: Rng, units: Units, site: Site, squad: tuple[Person, ...],
    bodies: dict[str, Body], grid_s: Floats, tap_t: list[float],
) -> tuple[list[Row], list[Listed]]:  # fmt: skip
    """Write every unit's files; what was put into each, and the lines for session.toml."""
    n = int((grid_s[-1] - grid_s[0]) / devices.SLOW_DT) + 8
    common = devices.shared_error(air, units.level, n)
    again, missed = _taps(air, squad, tap_t)
    rows: list[Row] = []
    listed: list[Listed] = []
    for k, (p, r) in enumerate(zip(squad, rng.spawn(len(squad)), strict=True)):
        form = deal(units.formats, k)
        fixes, row = _receive(r, units, k, bodies[p.id], site.ground, grid_s, common)
        felt: Felt | None = None
        inside = form in ("fit", "fit-raw", "fit-uptime")
        if deal(units.imu, k):
            knocks = [
                (t, float(r.uniform(4, 12)), float(r.uniform(0.005, 0.015)))
                for j, t in enumerate(tap_t) if missed.get(j) != p.id
            ]  # fmt: skip
            knocks += [(t, g, 0.01) for j, (t, g) in again.items() if missed.get(int(j)) != p.id]
            counts = form == "fit-uptime" or (deal(units.counter_imu, k) and not inside)
            felt = _feel(r, units.imu_hz, counts, bodies[p.id], grid_s, knocks)
        name = f"{p.id}.{form.split('-')[0]}"
        (folder / name).write_bytes(_fixes_file(form, fixes, felt if inside else None))
        listed.append(Listed(p.id, name, "gnss"))
        rows.append({"runner": p.id, "file": name} | row)
        if felt is None:
            continue
        if not inside:
            name = f"{p.id}-imu.csv" + (".gz" if form == "csv.gz" else "")
            sensors = (felt.acc_mps2, felt.gyro_radps)
            if felt.counter_s is None:
                data = writers.imu_csv(felt.utc_s, *sensors)
                listed.append(Listed(p.id, name, "gnss"))
            else:
                data = writers.imu_counter_csv(felt.counter_s, *sensors)
                listed.append(Listed(p.id, name, "device", writers.COUNTER_COLUMNS))
            (folder / name).write_bytes(writers.zipped(data) if form == "csv.gz" else data)
        rows.append(
            {
                "runner": p.id, "file": name, "sensor": "imu",
                # a FIT file on uptime ties its counter itself
                "counter": felt.counter_s is not None and not inside,
                "counter_zero_utc_s": felt.zero_utc_s, "drift_ppm": felt.drift_ppm,
                "missed_taps": [j for j, who in missed.items() if who == p.id],
            }
        )  # fmt: skip
    return rows, listed


# --- venue, session, sheet ----------------------------------------------------------------

SURVEY_SD_M = 0.03


def _surveyed(rng: Rng, site: Site, lane: int, l_m: float, sd_m: float) -> list[float]:
    """[longitude, latitude] of a point on a lane, found with an error of sd_m each way."""
    xy, _, _ = plan.on_track(np.array([l_m]), np.zeros(1), lane)
    east_north = site.ground.east_north(xy) + rng.normal(0, sd_m, (1, 2))
    lat, lon, _ = site.ground.geodetic(east_north, np.zeros(1))
    return [round(float(lon[0]), 8), round(float(lat[0]), 8)]


def _feature(shape: str, coordinates: Any, **properties: Any) -> Row:
    return {
        "type": "Feature",
        "geometry": {"type": shape, "coordinates": coordinates},
        "properties": properties | {"sd_m": SURVEY_SD_M},
    }


def write_venue(
    path: Path, rng: Rng, site: Site, gates_m: dict[str, float], gates_rng: Rng
) -> None:
    """The lane in use and one beside it, with their zones; on the lane in use the gates, which
    stand so many metres past the entry line."""
    features = []
    # the zones of the 4x400 overlap (in lane 1 they coincide): a squad surveys the one it uses
    zones = {site.zone} | (set() if site.four_hundred else {1, 2, 3})
    for n in sorted({site.lane, site.lane % 8 + 1}):
        bend = np.pi * plan.lane_radius_m(n)
        half = [*np.arange(0, bend, 2.5), *np.arange(bend, bend + plan.STRAIGHT_M, 8.0)]
        stations = [*half, *(x + plan.lap_m(n) / 2 for x in half)]
        line = [_surveyed(rng, site, n, x, 0.01) for x in stations]
        features.append(_feature("LineString", [*line, line[0]], kind="lane", lane=n))
        for z in sorted(zones):
            for name, l_m in site.lines_m(n, z).items():
                at = _surveyed(rng, site, n, l_m, SURVEY_SD_M / np.sqrt(2))
                features.append(_feature("Point", at, kind="zone-line", lane=n, zone=z, line=name))
    for id_, s_m in gates_m.items():
        l_m = site.entry_l_m + s_m
        at = _surveyed(gates_rng, site, site.lane, l_m, SURVEY_SD_M / np.sqrt(2))
        features.append(_feature("Point", at, kind="gate", lane=site.lane, id=id_))
    doc = {"type": "FeatureCollection", "features": features}
    path.write_text(json.dumps(doc, separators=(", ", ": ")) + "\n")


def stamp(t_s: float) -> str:
    return datetime.fromtimestamp(round(t_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_session(
    path: Path, id_: str, t_s: float, site: Site, sheet: bool, squad: tuple[Person, ...],
    listed: list[Listed], tap_t: list[float],
) -> None:  # fmt: skip
    out = [
        "[session]", f'id = "{id_}"', f"date = {datetime.fromtimestamp(t_s, UTC):%Y-%m-%d}",
        'venue = "venue.geojson"', f'event = "{site.event}"', f"lane = {site.lane}",
    ]  # fmt: skip
    if sheet:
        out.append('reps = "reps.csv"')
    for p in squad:
        out += ["", "[[runner]]", f'id = "{p.id}"', f"foot_m = {p.foot_m:.2f}"]
    for x in listed:
        out += ["", "[[recording]]", f'runner = "{x.runner}"', f'file = "{x.file}"']
        out += [f'worn = "{x.worn}"', f'clock = "{x.clock}"']
        if x.columns:
            out.append(x.columns)
    for t in tap_t:
        out += ["", "[[sync]]", 'kind = "tap"', f"near_utc = {stamp(t)}", "window_s = 8"]
    path.write_text("\n".join(out) + "\n")


def write_sheet(
    path: Path, rng: Rng, exchanges: list[Row], squad: tuple[Person, ...], seen_share: float,
    blank_cells: bool, notes: bool,
) -> None:  # fmt: skip
    """The practice sheet: marks in metres or in feet, starts to some seconds, passes to 0.4 m; with
    `notes` a word on most of the takeovers in which the baton did not go on."""
    foot = {p.id: p.foot_m for p in squad}
    feet = bool(rng.random() < 0.3) and all(x["mark_m"] is not None for x in exchanges)
    head = ["rep", "zone", "lane", "incoming", "outgoing", "mark_feet" if feet else "mark_m",
            "outgoing_start_m", "incoming_start_m", "start_utc", "pass_m", "note"]  # fmt: skip
    rows = [",".join(head)]
    for x in exchanges:
        mark = ""
        if x["mark_m"] is not None:
            mark = f"{x['mark_m'] / foot[x['outgoing']]:.2f}" if feet else f"{x['mark_m']:.1f}"
        seen = ""
        if x["pass_m"] is not None and rng.random() < seen_share:
            seen = f"{x['pass_m'] + rng.normal(0, 0.4):.1f}"
        note = "" if x["outcome"] == "passed" else str(rng.choice(["missed", "no baton", ""]))
        note = note if notes else ""
        start = stamp(x["start_utc_s"] + float(np.clip(rng.normal(0, 8), -25, 25)))
        cells = [str(x["rep"]), str(x["zone"]), str(x["lane"]), x["incoming"], x["outgoing"],
                 mark, f"{x['out_start_m']:.1f}", f"{x['in_start_m']:.0f}", start,
                 seen, note]  # fmt: skip
        blank = [blank_cells and k in (0, 1, 2, 8) and rng.random() < 0.15 for k in range(11)]
        rows.append(",".join("" if no else c for c, no in zip(cells, blank, strict=True)))
    path.write_text("\n".join(rows) + "\n")
