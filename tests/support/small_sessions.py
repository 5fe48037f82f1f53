"""Small practice sessions with their truth, simulated and measured once a run, and what tests do
to them.

A session is a folder of text files; every function here rewrites such a folder. Tables come
back as lists of rows, so that a test compares rows and not formats.
"""

from __future__ import annotations

import csv
import dataclasses
import functools
import json
import pickle
import shutil
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import checkout  # noqa: F401 - finds sample_tracks
import numpy as np
import pymap3d
import simulate
from shared_work import once, shared

from pipeline.session.process import MeasuredSession, make_session_tables

NAMES = ("wren", "adder", "teal", "lynx")
BRIEF = {"n_runners": 3, "spacing_s": 12.0, "names": NAMES, "distractors": (), "fault_share": 0.0}
OPTIONS: dict[str, dict[str, Any]] = {
    "plain": {**BRIEF, "seed": 15, "imu": False, "n_reps": 4},
    "sensed": {**BRIEF, "seed": 12, "imu": True, "n_reps": 3, "place": "bend"},
    "counted": {**BRIEF, "seed": 14, "imu": True, "n_reps": 3, "counter_imu": True, "taps": 2},
    "unwritten": {**BRIEF, "seed": 14, "imu": False, "n_reps": 3, "sheet": False},
    "failed": {**BRIEF, "seed": 16, "imu": False, "n_reps": 4},  # two receivers run away
    # with everything that is no takeover in between
    "busy": {**BRIEF, "seed": 19, "imu": False, "n_reps": 3, "distractors": True},
    "busy-unwritten": {
        **BRIEF, "seed": 19, "imu": False, "n_reps": 3, "distractors": True, "sheet": False,
    },
}  # fmt: skip

# Most reps go wrong: on purpose (starts too early or late, marks too near or far) or of themselves.
FAULTY = {**BRIEF, "n_runners": 4, "imu": False, "n_reps": 12, "fault_share": 1.0}
FAULTY_OPTIONS: dict[str, dict[str, Any]] = {
    "faulty": {**FAULTY, "seed": 501},
    "faulty-too": {**FAULTY, "seed": 504},
    "faulty-older": {**FAULTY, "seed": 505, "rules": "older"},  # passes before the zone
}

Rows = list[dict[str, Any]]


@dataclasses.dataclass(frozen=True)
class Tables:
    """What one run gave, as rows."""

    exchanges: Rows
    speed_curves: Rows
    recordings: Rows
    observations: Rows
    legs: Rows
    exercises: Rows
    plan_places: Rows
    remarks: tuple[str, ...]
    left_out: tuple[str, ...]


def make(folder: Path, name: str, **changed: Any) -> simulate.Truth:
    """One of OPTIONS or FAULTY_OPTIONS, some options changed, simulated into a folder."""
    options = {**{**OPTIONS, **FAULTY_OPTIONS}[name], **changed}
    return simulate.make_session(folder, options.pop("seed"), session_id=name, **options)


@functools.cache
def simulated(name: str) -> simulate.Truth:
    """Its folder is not to be written to."""

    def fill(place: Path) -> None:
        truth = make(place / name, name)
        (place / "truth").write_bytes(pickle.dumps(truth))

    truth: simulate.Truth = pickle.loads((once(f"small {name}", fill) / "truth").read_bytes())
    return truth


@functools.cache
@shared
def processed(name: str) -> Tables:
    return run(simulated(name).folder)


def run(folder: Path, out: Path | None = None, *, anyway: bool = False) -> Tables:
    return rows_of(make_session_tables(folder / "session.toml", out, anyway=anyway))


def rows_of(result: MeasuredSession) -> Tables:
    rows = {name: table.to_pylist() for name, table in result.tables.items()}
    return Tables(**rows, remarks=result.remarks, left_out=result.left_out)


def copied(name: str, folder: Path) -> Path:
    """The inputs alone, where a test may change them."""
    target = folder / name
    shutil.copytree(simulated(name).folder, target, ignore=shutil.ignore_patterns("truth*"))
    return target


# --- changing the files ------------------------------------------------------------------


def edit(path: Path, change: Callable[[str], str]) -> None:
    before = path.read_text(encoding="utf-8")
    after = change(before)
    if after == before:
        raise ValueError(f"{path.name}: nothing was changed")
    path.write_text(after, encoding="utf-8")


def replace(path: Path, old: str, new: str) -> None:
    edit(path, lambda text: text.replace(old, new))


def track_files(folder: Path) -> list[Path]:
    """The satellite units' files, all CSV."""
    others = ("reps.csv", "truth_curves.csv")
    return [
        p for p in sorted(folder.glob("*.csv")) if p.name not in others and "-imu" not in p.name
    ]


def each_row(path: Path, change: Callable[[dict[str, str]], dict[str, str] | None]) -> None:
    """Change, or with None drop, every row of a CSV."""
    with path.open(newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        names, rows = list(reader.fieldnames or ()), [change(row) for row in reader]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(row for row in rows if row is not None)


def posix(stamp: str) -> float:
    return datetime.fromisoformat(stamp).timestamp()


def iso(utc_s: float) -> str:
    whole = datetime.fromtimestamp(round(utc_s, 3), UTC)
    return whole.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def later(path: Path, by_s: float, column: str = "time_utc") -> None:
    """Every stamp of a CSV so much later."""
    each_row(
        path,
        lambda row: {**row, column: iso(posix(row[column]) + by_s) if row[column] else ""},
    )


def session_later(folder: Path, by_s: float) -> None:
    """A whole session so much later: recordings, sheet, taps and date."""
    for path in folder.glob("*.csv"):
        if path.name == "reps.csv":
            later(path, by_s, "start_utc")
        elif "time_utc" in path.read_text(encoding="utf-8").partition("\n")[0]:
            later(path, by_s)

    def stamps(line: str) -> str:
        if line.startswith("near_utc"):
            return f"near_utc = {iso(posix(line.split()[-1]) + by_s)}"
        if line.startswith("date"):
            day = datetime.fromisoformat(line.split()[-1]).replace(tzinfo=UTC).timestamp()
            return f"date = {iso(day + by_s)[:10]}"
        return line

    path = folder / "session.toml"
    path.write_text("\n".join(map(stamps, path.read_text().splitlines())) + "\n")


def kept(path: Path, until_s: float = np.inf, since_s: float = -np.inf) -> None:
    """Only the rows of a CSV whose stamps lie between."""
    each_row(path, lambda row: row if since_s <= posix(row["time_utc"]) <= until_s else None)


def moved(folder: Path, turn_rad: float, to_lat_deg: float, to_lon_deg: float) -> None:
    """The stadium turned about a place of its own and set down elsewhere, tracks and survey.

    By way of east-north-up metres at both places (pymap3d), with ten decimals: 0.01 mm.
    """
    venue = json.loads((folder / "venue.geojson").read_text())
    lon, lat = venue["features"][0]["geometry"]["coordinates"][0]

    def there(lon_deg: Any, lat_deg: Any) -> tuple[Any, Any]:
        e, n, u = pymap3d.geodetic2enu(lat_deg, lon_deg, 0.0, lat, lon, 0.0)
        c, s = np.cos(turn_rad), np.sin(turn_rad)
        to = pymap3d.enu2geodetic(c * e - s * n, s * e + c * n, u, to_lat_deg, to_lon_deg, 0.0)
        return (to[1] + 180) % 360 - 180, to[0]

    def place(at: Any) -> Any:
        if isinstance(at[0], list):
            return [place(one) for one in at]
        return [round(float(x), 10) for x in there(*at)]

    for feature in venue["features"]:
        feature["geometry"]["coordinates"] = place(feature["geometry"]["coordinates"])
    (folder / "venue.geojson").write_text(json.dumps(venue))

    for path in track_files(folder):
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        degrees = np.array([[row["longitude_deg"], row["latitude_deg"]] for row in rows], float)
        places = iter(np.transpose(there(*degrees.T)))  # all at once, as one by one takes long

        def row_there(row: dict[str, str], places: Iterator[Any] = places) -> dict[str, str]:
            to_lon, to_lat = next(places)
            return {**row, "longitude_deg": f"{to_lon:.10f}", "latitude_deg": f"{to_lat:.10f}"}

        each_row(path, row_there)


def tables_of_toml(folder: Path) -> list[str]:
    """session.toml cut into its tables, the first being [session]."""
    text = (folder / "session.toml").read_text(encoding="utf-8")
    return [part.strip() + "\n" for part in text.split("\n\n")]


def write_toml(folder: Path, tables: list[str]) -> None:
    (folder / "session.toml").write_text("\n".join(tables), encoding="utf-8")


def renamed(folder: Path, names: Mapping[str, str]) -> None:
    """Runners under other ids; the files keep their names."""

    def ids(text: str) -> str:
        for old, new in names.items():
            text = text.replace(f'id = "{old}"', f'id = "{new}"')
            text = text.replace(f'runner = "{old}"', f'runner = "{new}"')
        return text

    edit(folder / "session.toml", ids)
    each_row(
        folder / "reps.csv",
        lambda row: {**row, "incoming": names[row["incoming"]], "outgoing": names[row["outgoing"]]},
    )


# --- comparing ---------------------------------------------------------------------------


def true_exchange(truth: simulate.Truth, row: Mapping[str, Any]) -> dict[str, Any]:
    """The true takeover a row is about: the same two runners within 2 s of the entry."""
    found = [
        x
        for x in truth.exchanges
        if (x["incoming"], x["outgoing"]) == (row["incoming"], row["outgoing"])
        and x["entry_utc_s"] is not None
        and abs(x["entry_utc_s"] - row["zero_utc"].timestamp()) < 2.0
    ]
    if len(found) != 1:
        raise LookupError(f"{row['incoming']} to {row['outgoing']}, {row['zero_utc']}: no truth")
    return dict(found[0])


def differences(
    one: Mapping[str, Any], other: Mapping[str, Any], near: Mapping[str, float], skip: set[str]
) -> list[str]:
    """In which columns two rows differ. `near`: how much by a column's unit, the ending of its
    name; what has no such ending has to be equal."""
    out = []
    for name in one:
        if name in skip:
            continue
        a, b = one[name], other[name]
        units = [unit for unit in near if name.endswith(unit)]
        if isinstance(a, float) and isinstance(b, float) and units:
            same = abs(a - b) <= near[max(units, key=len)]
        elif isinstance(a, float) and isinstance(b, float):
            same = abs(a - b) <= 1e-6
        else:
            same = a == b
        if not same:
            out.append(f"{name}: {a} and {b}")
    return out
