"""How far off results are on a venue without a survey: telephones, laps walked, lines stood on.

    python tests/tools/venue_study.py              print the table and write docs/accuracy.md
    python tests/tools/venue_study.py --seeds 1-2  other sessions, print only

Sessions come from the generator in sample_tracks/, which knows nothing of placements. Of each the
venue is made again with `write_venue`: from two corners by telephone, from a lap walked, from two
lines stood on. Their errors are drawn here: half of a telephone's variance common to all corners; a
walk's and a stand's receiver as the generator's, on another day than the session. Every session is
measured with the sheet as it is, and without the sheet's stands.
"""

from __future__ import annotations

import argparse
import csv
import multiprocessing
import os
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: one worker a core, one thread a worker

import numpy as np  # noqa: E402 - the threads must be set first

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import row_errors  # noqa: E402 - found by the line above
import worlds_study  # noqa: E402
from checkout import ROOT  # noqa: E402

PAGE = ROOT / "docs" / "accuracy.md"
BEGIN, END = "<!-- venue: begin -->", "<!-- venue: end -->"
CORNERS = ("finish@lane1", "back-end@lane1")
HOW = (
    "surveyed, 0.05 m",
    "two corners, 1.5 m",
    "two corners, 1.5 m, not stated",
    "two corners, 3 m",
    "two corners, 5 m",
    "a lap walked",
    "two lines stood on",
    "two corners, 3 m, and a lap",
)
SHEETS = ("stands on the sheet", "no stands on the sheet")
UNITS = {
    "zone time": "s",
    "entry moment": "s",
    "mark moment": "s",
    "pass place": "m",
    "v out, exit": "m/s",
}
FIGURES = tuple(UNITS)
SESSION = {
    "n_reps": 10,
    "imu": False,
    "notes": False,
    "distractors": False,
    "spacing_s": 30.0,
    "curves": False,
}


def receiver_error(rng, n: int):
    """(n, 2) metres, one a second: what a receiver of the generator's makes of standing still."""
    import devices

    level = devices.LEVELS["ordinary"]
    step = round(1 / devices.SLOW_DT)
    shared = devices.shared_error(rng, level, n * step)
    own = devices.shared_error(
        rng, devices.Level(level.own_m, *[level.own_m] * 3, 0, 0, 0, 0, (0, 0)), n * step
    )
    return (shared + own)[::step] + 0.1 * rng.standard_normal((n, 2))


def write_track(path: Path, truth, plan_xy, rng, start: str) -> None:
    """A unit carried along places (n, 2) of the plan, one a second, as a plain CSV."""
    import plan

    ground = plan.Ground(**truth.session["ground"])
    east_north = ground.east_north(plan_xy) + receiver_error(rng, len(plan_xy))
    lat, lon, _ = ground.geodetic(east_north, np.zeros(len(plan_xy)))
    lines = ["time_utc,latitude_deg,longitude_deg"]
    for k, (a, b) in enumerate(zip(lat, lon, strict=True)):
        lines.append(f"{start}T10:{k // 60:02d}:{k % 60:02d}Z,{a:.8f},{b:.8f}")
    path.write_text("\n".join(lines) + "\n")


def walked_plan(rng, lane: int):
    """Places (n, 2) of the plan of a walker who goes once round a lane."""
    from pipeline.base.stadium import STANDARD, plan_xy

    s = np.arange(0.0, STANDARD.lap_m(lane), 1.4 * float(rng.uniform(0.85, 1.2)))
    sway = np.cumsum(rng.normal(0, 0.06, len(s)))
    sway -= np.linspace(sway[0], sway[-1], len(s))
    across = float(rng.normal(0, 0.15)) + np.clip(sway, -0.4, 0.4)
    inside, outside = plan_xy(s, lane), plan_xy(s, lane, 1.0)
    return inside + across[:, None] * (outside - inside)


def stood_plan(spots, event: str):
    """Places of one who stands a minute on each spot, walking between them."""
    from pipeline.base.stadium import spot_xy

    places = []
    for spot in spots:
        xy = spot_xy(spot, event)
        if places:
            way = np.linspace(places[-1], xy, max(int(np.hypot(*(xy - places[-1])) / 1.5), 5))
            places += list(way[1:])
        places += [xy] * 66
    return np.array(places)


def place_again(folder: Path, truth, how: str, seed: int) -> Path:
    """The session with its venue placed so; the path of its session.toml."""
    import plan

    from pipeline.base.stadium import spot_xy
    from pipeline.session.venue_file import write_venue

    rng = np.random.default_rng([seed, HOW.index(how), 20261129])
    event, lane = truth.session["event"], truth.session["lane"]
    out = folder / "placed.geojson"
    out.unlink(missing_ok=True)
    survey, walked, stood = None, [], []
    if "corners" in how or "surveyed" in how:
        sd = float(how.split(", ")[1].removesuffix(" m"))
        ground = plan.Ground(**truth.session["ground"])
        common = rng.normal(0, sd * np.sqrt(0.5), 2)
        stated = "" if "not stated" in how else f",{sd}"
        rows = ["spot,latitude_deg,longitude_deg" + (",sd_m" if stated else "")]
        for spot in CORNERS:
            xy = ground.east_north(spot_xy(spot, event)[None])
            lat, lon, _ = ground.geodetic(
                xy + common + rng.normal(0, sd * np.sqrt(0.5), 2), np.zeros(1)
            )
            rows.append(f"{spot},{lat[0]:.8f},{lon[0]:.8f}{stated}")
        survey = folder / "points.csv"
        survey.write_text("\n".join(rows) + "\n")
    if "lap" in how:
        write_track(folder / "walk.csv", truth, walked_plan(rng, lane), rng, "2026-03-01")
        walked = [(folder / "walk.csv", lane)]
    if "stood" in how:
        spots = [f"finish@lane{lane}", f"back-end@lane{lane}"]
        write_track(folder / "stood.csv", truth, stood_plan(spots, event), rng, "2026-03-01")
        stood = [(folder / "stood.csv", spots)]
    write_venue(survey, out, event=event, lanes=[lane, lane % 8 + 1], walked=walked, stood=stood)
    text = (folder / "session.toml").read_text().replace("venue.geojson", "placed.geojson")
    path = folder / "placed.toml"
    path.write_text(text)
    return path


def without_stands(folder: Path) -> None:
    """Blank out where runners stand, on the sheet in the folder."""
    with (folder / "reps.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    with (folder / "reps.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows([r | {"outgoing_start_m": "", "incoming_start_m": ""} for r in rows])


def errors_of(work: tuple[int, str]) -> tuple[str, dict, list[str]]:
    """One session with either sheet on all placements: errors by placement and figure; what
    failed."""
    import simulate

    from pipeline.session.process import make_session_tables

    seed, sheet = work
    found: dict[tuple[str, str], list] = defaultdict(list)
    failed = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        place = "bend" if seed % 2 else "straight"
        event = "4x400" if seed % 3 == 0 else "4x100"
        truth = simulate.make_session(folder, 9100 + seed, place=place, event=event, **SESSION)
        if sheet == SHEETS[1]:
            without_stands(folder)
        for how in HOW:
            try:
                path = place_again(folder, truth, how, seed)
                tables = make_session_tables(path, None).tables
            except Exception as error:
                failed.append(f"{how}, seed {seed}: {type(error).__name__}: {error}")
                continue
            rows = tables["exchanges"].to_pylist()
            pairs, invented, missed = row_errors.pair_up(rows, truth.exchanges)
            out: dict[str, list] = defaultdict(list)
            counts: dict[str, float] = defaultdict(float)
            for row, true in pairs:
                row_errors.compare(row, true, out, counts)
                if true["entry_utc_s"] is not None:
                    error = row["zero_utc"].timestamp() - true["entry_utc_s"]
                    found[how, "entry moment"].append((error, row["zero_sd_s"]))
            for figure in FIGURES:
                if figure != "entry moment":
                    found[how, figure] += out[figure]
            if missed or invented:
                failed.append(f"{how}, seed {seed}: {missed} missed, {invented} invented")
    return sheet, dict(found), failed


def study(seeds: list[int], workers: int) -> str:
    """The tables in Markdown."""
    work = [(seed, sheet) for seed in seeds for sheet in SHEETS]
    whole: dict[tuple[str, str, str], list] = defaultdict(list)
    failures = []
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for sheet, found, failed in pool.imap(errors_of, work):
            failures += failed
            for (how, figure), values in found.items():
                whole[sheet, how, figure] += values
            print(f"{sheet}: done", flush=True)
    lines = [
        f"Sessions {worlds_study.name_seeds(seeds)}, bends and straights in turn, each third a "
        "4x400. In each cell the "
        "root mean square error, the one that the standard errors state, and the share of errors "
        "within two of them."
    ]
    for sheet in SHEETS:
        lines += ["", f"{sheet[0].upper()}{sheet[1:]}:", ""]
        lines += ["| venue | " + " | ".join(f"{f}, {UNITS[f]}" for f in FIGURES) + " |"]
        lines += ["|---|" + "---|" * len(FIGURES)]
        for how in HOW:
            cells = [_cell(whole[sheet, how, figure]) for figure in FIGURES]
            lines.append(f"| {how} | " + " | ".join(cells) + " |")
    lines += ["", f"Takeovers missed or invented, failures: {'; '.join(failures) or 'none'}."]
    return "\n".join(lines)


def _cell(values: list[tuple[float, float]]) -> str:
    if not values:
        return ""
    error, sd = np.array(values, dtype=float).T
    rms, stated = (float(np.sqrt(np.mean(x**2))) for x in (error, sd))
    digits = 3 if rms < 1 else 2
    return f"{rms:.{digits}f} ({stated:.{digits}f}), {np.mean(np.abs(error) < 2 * sd):.0%}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1-6")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    table = study(worlds_study.parse_seeds(options.seeds), options.workers)
    print(table)
    if options.seeds == "1-6":
        row_errors.renew_table(PAGE, BEGIN, END, table)


if __name__ == "__main__":
    main()
