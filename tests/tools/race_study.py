"""How well the legs of a race are measured, over invented races of many kinds.

    python tests/tools/race_study.py --races 1-24
    python tests/tools/race_study.py --published

Each race has its own people, ground, lane, units and weather of the satellites, drawn from its
number. Printed are, by kind of race, the root mean square error of legs and totals, and the ratio
of the errors to the standard errors given. `--published` shapes the runners so that a race has the
legs of a published championship final, and measures it from files. Races up to the 99th may be
looked at while something is changed, later ones only for a final table.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

if __name__ == "__main__":  # pytest sets the same paths
    here = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(here), str(here / "sample_tracks")]

from race import make_race

from pipeline.session.process import make_session_tables

# Official passing times at 100, 200 and 300 m as reported, Tokyo 2025, men's 4x100 final: the first
# and the second team (trackalerts.com, September 2025). Stuttgart 1993, men's 4x400 final, first
# team: legs as reported (sources differ by up to 0.13 s; letsrun thread 873296).
PUBLISHED = {
    "Tokyo 2025, men's 4x100 final, 37.29": ("4x100", (10.30, 8.84, 9.31, 8.84)),
    "Tokyo 2025, men's 4x100 final, 37.55": ("4x100", (10.41, 8.75, 9.42, 8.97)),
    "Stuttgart 1993, men's 4x400 final, 2:54.27": ("4x400", (44.5, 43.6, 43.23, 42.94)),
}


@dataclass(frozen=True)
class LegError:
    """One leg's (0: the race's) error and standard error in s; `kind` says of which races."""

    kind: str
    leg: int
    error_s: float
    sd_s: float
    v_error_mps: float | None = None
    v_sd_mps: float | None = None


def draw_race(number: int, event: str) -> dict[str, Any]:
    """What is special about a race, by its number."""
    rng = np.random.default_rng([number, 20261211])
    rate = float(rng.choice([10.0, 10.0, 10.0, 5.0, 1.0]))
    return {
        "event": event,
        "lane": int(rng.integers(2, 9)),
        "squad_mps": float(rng.uniform(8.8, 11.0)),
        "rate_hz": rate,
        "formats": (str(rng.choice(["csv", "fit-record", "gpx", "csv.gz"])),),
        "imu": bool(rng.random() < 0.3),
        "noise": str(rng.choice(["quiet", "ordinary", "ordinary", "rough"])),
        "delay_s": float(max(0.0, rng.uniform(-0.05, 0.2))),
        "gun": bool(rng.random() < 0.7),
        "missing": (int(rng.integers(0, 4)),) if rng.random() < 0.15 else (),
    }


def race_errors(kind: str, truth: dict[str, Any], rows: Sequence[dict[str, Any]]) -> list[LegError]:
    """The errors of a race's rows of `legs`. Without a gun the truth is from the first movement."""
    true = {leg["leg"]: leg for leg in truth["legs"]}
    reaction = truth["race"]["first_movement_utc_s"] - truth["race"]["gun_utc_s"]
    out = []
    for row in rows:
        if row["time_s"] is None:
            continue
        leg = true[row["leg"]]
        wanted = leg["time_s"] - (reaction if row["start_basis"] == "movement" else 0.0)
        fast = None if row["v_max_mps"] is None else row["v_max_mps"] - leg["v_max_mps"]
        error, sd = row["time_s"] - wanted, row["time_sd_s"]
        out.append(LegError(kind, row["leg"], error, sd, fast, row["v_max_sd_mps"]))
    return out


def run_races(numbers: Iterable[int], event: str) -> list[LegError]:
    """Make and measure the races of these numbers."""
    out = []
    for number in numbers:
        with tempfile.TemporaryDirectory() as folder:
            given = draw_race(number, event)
            truth = make_race(Path(folder), number, **given)
            tables = make_session_tables(Path(folder) / "session.toml", None).tables
            kind = f"{event}, {given['rate_hz']:g} Hz"
            found = race_errors(kind, truth, tables["legs"].to_pylist())
            print(
                number, kind, given["noise"], "gun" if given["gun"] else "no gun",
                "imu" if given["imu"] else "", given["missing"] or "", given["lane"],
                " ".join(f"{one.leg}:{one.error_s:+.3f}/{one.sd_s:.3f}" for one in found),
                flush=True,
            )  # fmt: skip
            out += found
    return out


def table_of_errors(errors: Sequence[LegError]) -> list[str]:
    """Lines of a table: by kind the legs' and the totals' errors."""
    lines = ["| races | what | number | rms error | ratio |", "|---|---|---|---|---|"]
    kinds = sorted({one.kind for one in errors})
    for kind in kinds:
        for what, keep in (("legs", lambda n: n > 0), ("whole", lambda n: n == 0)):
            own = [one for one in errors if one.kind == kind and keep(one.leg)]
            if not own:
                continue
            error = np.array([one.error_s for one in own])
            z = error / np.array([one.sd_s for one in own])
            lines.append(
                f"| {kind} | {what} | {len(own)} | {np.sqrt(np.mean(error**2)):.3f} s "
                f"| {np.sqrt(np.mean(z**2)):.2f} |"
            )
        fast = [one for one in errors if one.kind == kind and one.v_error_mps is not None]
        if fast:
            error = np.array([one.v_error_mps for one in fast], dtype=float)
            z = error / np.array([one.v_sd_mps for one in fast], dtype=float)
            lines.append(
                f"| {kind} | top speed | {len(fast)} | {np.sqrt(np.mean(error**2)):.2f} m/s "
                f"| {np.sqrt(np.mean(z**2)):.2f} |"
            )
    return lines


def published_lines(seeds: Iterable[int] = (1, 2, 3)) -> list[str]:
    """Published legs beside those measured from files of runners shaped to run them."""
    lines = ["| race | legs as published | errors measured (standard error) |", "|---|---|---|"]
    for name, (event, splits) in PUBLISHED.items():
        for seed in seeds:
            with tempfile.TemporaryDirectory() as folder:
                truth = make_race(Path(folder), seed, event=event, splits_s=splits, lane=5)
                tables = make_session_tables(Path(folder) / "session.toml", None).tables
                found = race_errors(name, truth, tables["legs"].to_pylist())
            legs = " ".join(f"{x:.2f}" for x in splits)
            errors = ", ".join(f"{x.error_s:+.2f} ({x.sd_s:.2f})" for x in found)
            lines.append(f"| {name} | {legs} | {errors} |")
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--races", default="1-12", help="from-to")
    parser.add_argument("--events", default="4x100,4x400")
    parser.add_argument("--published", action="store_true")
    chosen = parser.parse_args()
    if chosen.published:
        print("\n".join(published_lines()))
        return
    low, high = (int(x) for x in chosen.races.split("-"))
    errors = []
    for event in chosen.events.split(","):
        errors += run_races(range(low, high + 1), event)
    print("\n".join(table_of_errors(errors)))


if __name__ == "__main__":
    main()
