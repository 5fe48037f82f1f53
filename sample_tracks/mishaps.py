"""What goes wrong on real evenings, planted into a session that was made, with its truth.

`plant(truth, kind, seed)` changes the files of a session made with CSV fixes (clocks, tapes, lanes,
the sheet's slips) and says what it did. What has to happen in the running itself (restless feet) or
in the files' format (no speed) is an option of `simulate.make_session`. Two pairs at once are two
sessions joined by `join`.
"""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from people import Rng
from truths import Row, Truth

Stamps = NDArray[np.datetime64]


@dataclass(frozen=True)
class Planted:
    """What was changed: the kind, whose unit or which reps, and by how much (s, m or lanes);
    `other` is the second runner's unit where two are concerned."""

    kind: str
    runner: str | None
    reps: tuple[int, ...]
    size: float
    other: str | None = None


Plant = Callable[[Truth, Rng], Planted]


def plant(truth: Truth, kind: str, seed: int) -> Planted:
    """Change the session's files; the same seed changes them alike. `kind` is one of KINDS."""
    return KINDS[kind](truth, np.random.default_rng([seed, 20261129]))


# --- clocks ------------------------------------------------------------------------------


def _clock(off_s: float) -> Plant:
    def change(truth: Truth, rng: Rng) -> Planted:
        runner = _busy_runner(truth, rng)
        by_s = off_s * float(rng.choice([-1, 1]))
        _shift_unit(truth, runner, by_s)
        return Planted(f"clock {off_s:g} s", runner, _reps_of(truth, runner), by_s)

    return change


def _two_clocks(truth: Truth, rng: Rng) -> Planted:
    """Two units late or early by different times."""
    one, other = (str(x) for x in rng.choice(_busy_runners(truth), 2, replace=False))
    by_s, less_s = 0.7 * float(rng.choice([-1, 1])), 0.4 * float(rng.choice([-1, 1]))
    _shift_unit(truth, one, by_s)
    _shift_unit(truth, other, less_s)
    return Planted("two clocks off", one, _reps_of(truth, one, other), by_s, other)


def _stamps_cut(truth: Truth, rng: Rng) -> Planted:
    """A unit that stamps all fixes of a second with that whole second."""
    runner = _busy_runner(truth, rng)
    for row in truth.recordings:
        if row["runner"] == runner:
            _restamp(truth.folder / row["file"], lambda t: t.astype("datetime64[s]"))
    return Planted("stamps cut to seconds", runner, _reps_of(truth, runner), 0.5)


def _reps_of(truth: Truth, *runners: str) -> tuple[int, ...]:
    """The reps in which one of them took part."""
    return tuple(x["rep"] for x in truth.exchanges if {x["incoming"], x["outgoing"]} & set(runners))


def _busy_runner(truth: Truth, rng: Rng) -> str:
    """One who ran in several takeovers."""
    return str(rng.choice(_busy_runners(truth)))


def _busy_runners(truth: Truth) -> list[str]:
    """Those who ran in three takeovers or more; all who ran, where fewer than two did."""
    runs = [x[role] for x in truth.exchanges for role in ("incoming", "outgoing")]
    busy = sorted({one for one in runs if runs.count(one) >= 3})
    return busy if len(busy) > 1 else sorted(set(runs))


def _shift_unit(truth: Truth, runner: str, by_s: float) -> None:
    """Every stamp of a runner's files later by so much."""
    by = np.timedelta64(round(1000 * by_s), "ms")
    for row in truth.recordings:
        if row["runner"] == runner:
            _restamp(truth.folder / row["file"], lambda t: t + by)


def _restamp(path: Path, change: Callable[[Stamps], Stamps]) -> None:
    """Change every `time_utc` of a CSV, which comes and goes in milliseconds."""
    head, *lines = path.read_text(encoding="utf-8").splitlines()
    if not head.startswith("time_utc"):
        raise ValueError(f"{path.name}: no CSV with time_utc first")
    stamps = np.array([line.split(",", 1)[0].rstrip("Z") for line in lines], "datetime64[ms]")
    moved = np.datetime_as_string(change(stamps), unit="ms")
    rows = [f"{t}Z,{line.split(',', 1)[1]}" for t, line in zip(moved, lines, strict=True)]
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")


# --- the sheet ----------------------------------------------------------------------------


def _read_sheet(folder: Path) -> list[Row]:
    with (folder / "reps.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _write_sheet(folder: Path, rows: list[Row]) -> None:
    with (folder / "reps.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _one_in_the_sheet(truth: Truth, rng: Rng) -> tuple[list[Row], int]:
    rows = _read_sheet(truth.folder)
    return rows, int(rng.integers(len(rows)))


def _tape(column: str, off_m: float) -> Plant:
    def change(truth: Truth, rng: Rng) -> Planted:
        rows, k = _one_in_the_sheet(truth, rng)
        by_m = off_m * float(rng.choice([-1, 1]))
        if column not in rows[k]:  # the sheet counts marks in foot-lengths
            rows[k]["mark_feet"] = f"{float(rows[k]['mark_feet']) + by_m / 0.28:.1f}"
            _write_sheet(truth.folder, rows)
            return Planted(f"{column} {off_m:g} m", None, (int(rows[k]["rep"]),), by_m)
        if column == "outgoing_start_m" and float(rows[k][column]) + by_m < 0:
            by_m = abs(by_m)
        rows[k][column] = f"{float(rows[k][column]) + by_m:.1f}"
        _write_sheet(truth.folder, rows)
        return Planted(f"{column} {off_m:g} m", None, (int(rows[k]["rep"]),), by_m)

    return change


def _tapes_all_evening(truth: Truth, rng: Rng) -> Planted:
    """The receiver's tape measured from the wrong line: every stand of the sheet is off."""
    rows = _read_sheet(truth.folder)
    by_m = float(rng.choice([1.0, 2.0]))
    for row in rows:
        row["outgoing_start_m"] = f"{float(row['outgoing_start_m']) + by_m:.1f}"
    _write_sheet(truth.folder, rows)
    return Planted("every stand off", None, tuple(int(row["rep"]) for row in rows), by_m)


def _mark_slip(truth: Truth, rng: Rng) -> Planted:
    """A digit lost: 7.7 for 70.77, 1.2 for 12."""
    rows, k = _one_in_the_sheet(truth, rng)
    column = "mark_feet" if "mark_feet" in rows[k] else "mark_m"
    was = float(rows[k][column])
    rows[k][column] = f"{was / 10:.2f}"
    _write_sheet(truth.folder, rows)
    return Planted("mark's digit lost", None, (int(rows[k]["rep"]),), was / 10 - was)


def _wrong_zone(truth: Truth, _rng: Rng) -> Planted:
    rows = _read_sheet(truth.folder)
    zone = int(truth.session["zone"])
    for row in rows:
        row["zone"] = str(zone % 3 + 1)
    _write_sheet(truth.folder, rows)
    return Planted("wrong zone", None, tuple(int(row["rep"]) for row in rows), 1.0)


def _wrong_lane(truth: Truth, _rng: Rng) -> Planted:
    """Session and sheet say the neighbouring lane, which the venue has too."""
    lane = int(truth.session["lane"])
    said = lane % 8 + 1
    rows = _read_sheet(truth.folder)
    for row in rows:
        row["lane"] = str(said)
    _write_sheet(truth.folder, rows)
    toml = truth.folder / "session.toml"
    toml.write_text(re.sub(r"(?m)^lane = \d+$", f"lane = {said}", toml.read_text()))
    return Planted("wrong lane", None, tuple(int(row["rep"]) for row in rows), said - lane)


def _no_lane(truth: Truth, _rng: Rng) -> Planted:
    rows = _read_sheet(truth.folder)
    for row in rows:
        row["lane"] = ""
    _write_sheet(truth.folder, rows)
    toml = truth.folder / "session.toml"
    toml.write_text(re.sub(r"(?m)^lane = \d+\n", "", toml.read_text()))
    return Planted("lane unknown", None, tuple(int(row["rep"]) for row in rows), 0.0)


def _wrong_pair(truth: Truth, rng: Rng) -> Planted:
    rows, k = _one_in_the_sheet(truth, rng)
    names = sorted({x["id"] for x in truth.runners} - {rows[k]["incoming"], rows[k]["outgoing"]})
    rows[k]["outgoing"] = str(rng.choice(names))
    _write_sheet(truth.folder, rows)
    return Planted("wrong receiver", None, (int(rows[k]["rep"]),), 0.0)


def _turned_pair(truth: Truth, rng: Rng) -> Planted:
    rows, k = _one_in_the_sheet(truth, rng)
    rows[k]["incoming"], rows[k]["outgoing"] = rows[k]["outgoing"], rows[k]["incoming"]
    _write_sheet(truth.folder, rows)
    return Planted("pair turned round", None, (int(rows[k]["rep"]),), 0.0)


def _hours_ahead(truth: Truth, _rng: Rng) -> Planted:
    """Local time written as if it were UTC."""
    rows = _read_sheet(truth.folder)
    for row in rows:
        if row["start_utc"]:
            stamp = np.datetime64(row["start_utc"].rstrip("Z"), "s") + np.timedelta64(2, "h")
            row["start_utc"] = f"{stamp}Z"
    _write_sheet(truth.folder, rows)
    return Planted("sheet two hours ahead", None, tuple(int(row["rep"]) for row in rows), 7200.0)


def _another_order(truth: Truth, rng: Rng) -> Planted:
    """Written from memory afterwards: no times, rows in another order and numbered in it."""
    rows = _read_sheet(truth.folder)
    order = np.arange(len(rows))
    while (order == np.arange(len(rows))).any():  # nobody's row stays where it was
        order = rng.permutation(len(rows))
    written = [rows[k] | {"rep": str(n), "start_utc": ""} for n, k in enumerate(order, 1)]
    _write_sheet(truth.folder, written)
    return Planted("rows in another order", None, tuple(int(row["rep"]) for row in rows), 0.0)


def _pass_slip(truth: Truth, rng: Rng) -> Planted:
    """A pass seen at the wrong place: another rep's line, or a slip of the pen."""
    rows = _read_sheet(truth.folder)
    done = [x for x in truth.exchanges if x["pass_m"] is not None]
    x = done[int(rng.integers(len(done)))]
    by_m = float(rng.choice([-1, 1]) * rng.uniform(5, 9))
    for row in rows:
        if int(row["rep"]) == x["rep"]:
            row["pass_m"] = f"{x['pass_m'] + by_m:.1f}"
    _write_sheet(truth.folder, rows)
    return Planted("seen pass off", None, (x["rep"],), by_m)


def _file_gone(truth: Truth, rng: Rng) -> Planted:
    runner = _busy_runner(truth, rng)
    for row in truth.recordings:
        if row["runner"] == runner:
            (truth.folder / row["file"]).unlink()
    return Planted("recording gone", runner, _reps_of(truth, runner), 0.0)


def _units_swapped(truth: Truth, rng: Rng) -> Planted:
    """Two runners took each other's unit."""
    files = {row["runner"]: row["file"] for row in truth.recordings if row["sensor"] == "gnss"}
    one, other = (str(x) for x in rng.choice(sorted(files), 2, replace=False))
    a, b = truth.folder / files[one], truth.folder / files[other]
    between = a.with_suffix(".swap")
    shutil.move(a, between)
    shutil.move(b, a)
    shutil.move(between, b)
    return Planted("units swapped", one, _reps_of(truth, one, other), 0.0, other)


KINDS: dict[str, Plant] = {
    "clock 0.1 s": _clock(0.1),
    "clock 0.3 s": _clock(0.3),
    "clock 1 s": _clock(1.0),
    "clock 3 s": _clock(3.0),
    "clock 2 s": _clock(2.0),
    "clock an hour": _clock(3600.0),
    "two clocks off": _two_clocks,
    "stamps cut to seconds": _stamps_cut,
    "receiver's stand 1 m": _tape("outgoing_start_m", 1.0),
    "receiver's stand 3 m": _tape("outgoing_start_m", 3.0),
    "receiver's stand 5 m": _tape("outgoing_start_m", 5.0),
    "incoming stand 1 m": _tape("incoming_start_m", 1.0),
    "incoming stand 3 m": _tape("incoming_start_m", 3.0),
    "incoming stand 5 m": _tape("incoming_start_m", 5.0),
    "mark 3 m": _tape("mark_m", 3.0),
    "every stand off": _tapes_all_evening,
    "mark's digit lost": _mark_slip,
    "wrong zone": _wrong_zone,
    "wrong lane": _wrong_lane,
    "lane unknown": _no_lane,
    "wrong receiver": _wrong_pair,
    "pair turned round": _turned_pair,
    "sheet two hours ahead": _hours_ahead,
    "rows in another order": _another_order,
    "seen pass off": _pass_slip,
    "recording gone": _file_gone,
    "units swapped": _units_swapped,
}


# --- two squads at once -------------------------------------------------------------------


def join(one: Truth, other: Truth, folder: Path) -> Path:
    """Two sessions of one evening on neighbouring lanes of one ground (the first one's venue), made
    with names that differ: session.toml of both together, rep numbers of the second from 101 on."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(one.folder / "venue.geojson", folder / "venue.geojson")
    for truth in (one, other):
        for row in truth.recordings:
            shutil.copy(truth.folder / row["file"], folder / row["file"])
    text = (one.folder / "session.toml").read_text()
    more = (other.folder / "session.toml").read_text()
    (folder / "session.toml").write_text(text + "\n" + more[more.index("[[runner]]") :])
    rows = _read_sheet(one.folder)
    later = [row | {"rep": str(int(row["rep"]) + 100)} for row in _read_sheet(other.folder)]
    if list(rows[0]) != list(later[0]):
        raise ValueError("one sheet counts marks in metres, the other in foot-lengths")
    both = sorted([*rows, *later], key=lambda row: row["start_utc"])
    _write_sheet(folder, both)
    return folder / "session.toml"
