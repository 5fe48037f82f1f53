"""How accurate is it? Hundreds of takeovers with known truth, a few minutes, one table.

    python tests/tools/accuracy_study.py                 print the table and write docs/accuracy.md
    python tests/tools/accuracy_study.py --only rough    scenarios named so, print only
    python tests/tools/accuracy_study.py --seeds 100-104 other sessions
    python tests/tools/accuracy_study.py --faults        what went wrong, and only that table
    python tests/tools/accuracy_study.py --worlds 1-12,4711   squads that differ, print only
    python tests/tools/accuracy_study.py --worlds 1-12,4711 --write   and write docs/accuracy.md
    python tests/tools/accuracy_study.py --films 1-12    half of the reps filmed; --write as above
    python tests/tools/accuracy_study.py --mistakes    planted mistakes, print only
    python tests/tools/accuracy_study.py --mistakes --only clock   some kinds; --write as above

Sessions come from the generator in sample_tracks/, which shares no code with the estimator, are
written as files and processed by the same call the command line makes. Every figure is
estimate less truth; `z` is the root mean square of errors over their standard errors, and
should be one.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: one worker a core, one thread a worker

import numpy as np  # noqa: E402 - the threads must be set first

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import fault_table  # noqa: E402 - found by the line above
import films_study  # noqa: E402
import mistakes_study  # noqa: E402
import row_errors  # noqa: E402
import worlds_study  # noqa: E402
from checkout import ROOT  # noqa: E402

PAGE = ROOT / "docs" / "accuracy.md"
BEGIN, END = "<!-- study: begin -->", "<!-- study: end -->"
FAULTS_BEGIN, FAULTS_END = "<!-- faults: begin -->", "<!-- faults: end -->"


@dataclass(frozen=True)
class Scenario:
    name: str
    options: dict = field(default_factory=dict)
    zone_time_s: float = 0.025  # what is asked of it
    faulty: bool = False  # every rep is meant to go wrong; for the table of faults


SCENARIOS = (
    Scenario("10 Hz, straight", {}),
    Scenario("10 Hz, bend", {"place": "bend"}),
    Scenario("10 Hz, no accelerometer", {"imu": False}),
    Scenario("10 Hz, bend, no accelerometer", {"place": "bend", "imu": False}),
    Scenario("10 Hz, speed delayed 0.15 s", {"delay_s": 0.15, "imu": False}),
    Scenario("10 Hz, delayed, accelerometer", {"delay_s": 0.15, "place": "bend"}),
    Scenario("10 Hz, no sheet", {"sheet": False}, 0.04),
    Scenario(
        "10 Hz, no sheet, bend, no acc.", {"sheet": False, "place": "bend", "imu": False}, 0.04
    ),
    Scenario("10 Hz, half the passes seen", {"seen_share": 0.5}),
    Scenario("10 Hz, 4x400", {"event": "4x400"}),
    Scenario(
        "10 Hz, two counters, two UTC, taps",
        {"counter_imu": (True, False, True, False), "taps": 2},
    ),
    Scenario("10 Hz, all counters, two taps", {"counter_imu": True, "taps": 2}),
    Scenario("10 Hz, all counters, motion", {"counter_imu": True}),
    Scenario("1 Hz", {"rate_hz": 1.0, "imu": False}, 0.04),
    Scenario("1 Hz, bend, accelerometer", {"rate_hz": 1.0, "place": "bend"}, 0.04),
    Scenario("5 Hz, bend", {"rate_hz": 5.0, "place": "bend", "imu": False}),
    Scenario("25 Hz", {"rate_hz": 25.0}),
    Scenario("18 Hz, rough", {"rate_hz": 18.0, "noise": "rough", "imu": False}, 0.045),
    Scenario(
        "18 Hz, rough, bend, acc.", {"rate_hz": 18.0, "noise": "rough", "place": "bend"}, 0.045
    ),
    Scenario("10 Hz, FIT", {"formats": ("fit",)}),
    Scenario(
        "10 Hz, FIT records, GPX, TCX, NMEA", {"formats": ("fit-record", "gpx", "tcx", "nmea")}
    ),
    Scenario("faults, straight", {"fault_share": 1.0}, faulty=True),
    Scenario("faults, bend", {"fault_share": 1.0, "place": "bend", "imu": False}, faulty=True),
    Scenario(
        "faults, older zones", {"fault_share": 1.0, "rules": "older", "imu": False}, faulty=True
    ),
    Scenario("faults, 4x400", {"fault_share": 1.0, "event": "4x400", "imu": False}, faulty=True),
    Scenario(
        "faults, 18 Hz, rough",
        {"fault_share": 1.0, "rate_hz": 18.0, "noise": "rough", "imu": False},
        faulty=True,
    ),
)

# column -> (truth's name, unit, bound on the root mean square where one was set)
COLUMNS = {
    "zone time": "s",
    "entry moment": "s",
    "exit moment": "s",
    "v in, entry": "m/s",
    "v out, exit": "m/s",
    "v in, pass": "m/s",
    "v out, pass": "m/s",
    "free distance": "m",
    "pass place": "m",
    "pass moment": "s",
    "first movement": "s",
    "mark moment": "s",
    "curve s": "m",
    "curve v": "m/s",
    "clock": "s",
}


def errors_of(folder: Path, options: dict, seed: int) -> tuple[dict, dict]:
    """One session simulated, processed and compared: errors with their sd by column; counts."""
    import simulate

    from pipeline.session.process import make_session_tables

    truth = simulate.make_session(folder, seed, notes=False, **options)
    began = time.perf_counter()
    result = make_session_tables(folder / "session.toml", None)
    seconds = time.perf_counter() - began
    rows = result.tables["exchanges"].to_pylist()
    pairs, invented, missed = row_errors.pair_up(rows, truth.exchanges)
    out: dict[str, list] = defaultdict(list)
    counts: dict[str, float] = defaultdict(float)
    for row, true in pairs:
        row_errors.compare(row, true, out, counts)
    _compare_curves(result.tables["speed_curves"], pairs, truth, out)
    for row in result.tables["recordings"].to_pylist():
        _compare_clock(row, truth, out)
    named = fault_table.count_faults((row["faults"], true["faults"]) for row, true in pairs)
    for kind, count in named.items():
        counts[f"{kind}, right"] += count.right
        counts[f"{kind}, missed"] += count.missed
        counts[f"{kind}, false"] += count.false
    counts["rows"] += len(pairs)
    counts["invented"] += invented
    counts["missed"] += missed
    counts["seconds"] += seconds
    return dict(out), dict(counts)


def _compare_curves(table, pairs, truth, out) -> None:
    """Curves at ten moments a takeover and runner, between set-off and half-way past the exit."""
    columns = {n: table.column(n).to_numpy(zero_copy_only=False) for n in table.column_names}
    for row, true in pairs:
        zero = row["zero_utc"].timestamp()
        for role in ("incoming", "outgoing"):
            course = truth.curves.get((true["exchange"], role))
            here = (columns["exchange"] == row["exchange"]) & (columns["role"] == role)
            if course is None or not here.any():
                continue
            t = columns["t_s"][here]
            pick = np.linspace(0, len(t) - 1, 12).astype(int)[1:-1]
            at = t[pick] + zero
            true_t, true_s, true_v = course
            inside = (at > true_t[0]) & (at < true_t[-1])
            for name, column, sd, known in (
                ("curve s", "s_m", "s_sd_m", true_s),
                ("curve v", "v_mps", "v_sd_mps", true_v),
            ):
                value = columns[column][here][pick] - np.interp(at, true_t, known)
                spread = columns[sd][here][pick]
                moving = inside & (spread > 1e-9)
                out[name] += list(zip(value[moving], spread[moving], strict=True))


def _compare_clock(row: dict, truth, out) -> None:
    if row["counter_zero_utc"] is None or row["clock_sd_s"] is None:
        return
    for true in truth.recordings:
        if true.get("file") == row["file"] and true.get("counter_zero_utc_s") is not None:
            middle = 0.5 * (row["first_utc"].timestamp() + row["last_utc"].timestamp())
            reading = (middle - true["counter_zero_utc_s"]) * (1 + true["drift_ppm"] * 1e-6)
            said = row["counter_zero_utc"].timestamp() + reading / (1 + row["drift_ppm"] * 1e-6)
            out["clock"].append((said - middle, row["clock_sd_s"]))


def _job(work: tuple[int, int]) -> tuple[int, dict, dict, str]:
    index, seed = work
    scenario = SCENARIOS[index]
    with tempfile.TemporaryDirectory() as folder:
        try:
            found, counts = errors_of(Path(folder), scenario.options, seed)
        except Exception as error:
            return index, {}, {}, f"{scenario.name}, seed {seed}: {type(error).__name__}: {error}"
    return index, found, counts, ""


def study(indices: list[int], seeds: range, workers: int) -> tuple[list, list[str]]:
    """All scenarios over all seeds: (scenario, errors, counts) each, and what failed."""
    errors: dict[int, dict] = {i: defaultdict(list) for i in indices}
    counts: dict[int, dict] = {i: defaultdict(float) for i in indices}
    failures = []
    work = [(i, 1000 * i + seed) for i in indices for seed in seeds]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for index, found, counted, failure in pool.imap_unordered(_job, work):
            if failure:
                failures.append(failure)
            for name, values in found.items():
                errors[index][name] += values
            for name, value in counted.items():
                counts[index][name] += value
    return [(SCENARIOS[i], errors[i], counts[i]) for i in indices], failures


def _figures(values: list) -> tuple[int, float, float, float, float]:
    table = np.array(values, dtype=float)
    error, sd = table[:, 0], table[:, 1]
    z = np.sqrt(np.mean((error / sd) ** 2)) if np.isfinite(sd).all() else np.nan
    return (
        len(error),
        float(np.sqrt(np.mean(error**2))),
        float(error.mean()),
        float(z),
        float(np.abs(error).max()),
    )


def print_detail(results: list) -> None:
    for scenario, errors, counts in results:
        ms = 1000 * counts["seconds"] / max(counts["rows"], 1)
        print(
            f"\n{scenario.name}: {counts['rows']:.0f} takeovers, {counts['passes']:.0f} passed, "
            f"missed {counts['missed']:.0f}, invented {counts['invented']:.0f}, outcome wrong "
            f"{counts['outcomes wrong']:.0f}, {ms:.0f} ms a takeover, all of the work"
        )
        if counts["steps counted"]:
            share = counts["steps within one"] / counts["steps counted"]
            print(f"  steps right within one: {100 * share:.0f} of 100")
        for name, unit in COLUMNS.items():
            if errors.get(name):
                n, rms, bias, z, worst = _figures(errors[name])
                print(
                    f"  {name:15s} n {n:5d}  rms {rms:.4f} {unit:3s}  mean {bias:+.4f}  "
                    f"z {z:5.2f}  worst {worst:.3f}"
                )


def markdown(results: list) -> str:
    """The table of docs/accuracy.md: root mean square error, and z in brackets."""
    shown = [name for name in COLUMNS if any(errors.get(name) for _, errors, _ in results)]
    lines = [
        "| session | takeovers | missed, invented | "
        + " | ".join(f"{n}, {COLUMNS[n]}" for n in shown)
        + " | steps within 1 |",
        "|" + "---|" * (len(shown) + 4),
    ]
    for scenario, errors, counts in results:
        cells = []
        for name in shown:
            if not errors.get(name):
                cells.append("")
                continue
            _, rms, _, z, _ = _figures(errors[name])
            cells.append(f"{rms:.3f}" + (f" ({z:.2f})" if np.isfinite(z) else ""))
        steps = (
            f"{100 * counts['steps within one'] / counts['steps counted']:.0f} %"
            if counts["steps counted"]
            else ""
        )
        lines.append(
            f"| {scenario.name} | {counts['rows']:.0f} | {counts['missed']:.0f}, "
            f"{counts['invented']:.0f} | " + " | ".join(cells) + f" | {steps} |"
        )
    return "\n".join(lines)


def fault_markdown(results: list) -> str:
    """The table of faults: of each kind how many were named rightly, missed, named falsely."""
    kinds = fault_table.KINDS
    lines = [
        "| session | takeovers | outcome wrong | " + " | ".join(kinds) + " |",
        "|" + "---|" * (len(kinds) + 3),
    ]
    total: dict[str, float] = defaultdict(float)
    for _, _, counts in results:
        for name, value in counts.items():
            total[name] += value
    names = [scenario.name.removeprefix("faults, ") for scenario, _, _ in results]
    for name, counts in zip([*names, "all"], [*(r[2] for r in results), total], strict=True):
        cells = [
            ", ".join(f"{counts[f'{kind}, {what}']:.0f}" for what in ("right", "missed", "false"))
            for kind in kinds
        ]
        lines.append(
            f"| {name} | {counts['rows']:.0f} | {counts['outcomes wrong']:.0f} | "
            + " | ".join(cells)
            + " |"
        )
    return "\n".join(lines)


def study_worlds(seeds: list[int], options: argparse.Namespace) -> int:
    """The study over worlds; on two cores at most, and after everybody else's work."""
    os.nice(5)
    results = worlds_study.study_worlds(seeds, min(2, options.workers))
    worlds_study.print_scores(results)
    if options.write:
        table = worlds_study.worlds_markdown(results)
        row_errors.renew_table(PAGE, worlds_study.BEGIN, worlds_study.END, table)
    return 1 if any(result.failure for result in results) else 0


def study_films(seeds: list[int], options: argparse.Namespace) -> int:
    """The study of films; on two cores at most, and after everybody else's work."""
    os.nice(5)
    results = films_study.study_films(seeds, min(2, options.workers))
    films_study.print_films(results)
    if options.write:
        table = films_study.films_markdown(results)
        row_errors.renew_table(PAGE, films_study.BEGIN, films_study.END, table)
    return 1 if any(result.failure for result in results) else 0


def study_mistakes(options: argparse.Namespace) -> int:
    """The study of planted mistakes; on two cores at most, and after everybody else's work."""
    os.nice(5)
    results = mistakes_study.study_mistakes(options.only, min(2, options.workers))
    mistakes_study.print_mistakes(results)
    if options.write and not options.only:
        table = mistakes_study.mistakes_markdown(results)
        row_errors.renew_table(PAGE, mistakes_study.BEGIN, mistakes_study.END, table)
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--only", default="", help="scenarios or kinds whose name holds this")
    parser.add_argument("--faults", action="store_true", help="only the table of faults")
    parser.add_argument("--seeds", default="1-3", help="first-last, sessions of each scenario")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--worlds", metavar="SEEDS", help="only worlds of these seeds: 1-12,4711")
    parser.add_argument("--films", metavar="SEEDS", help="only films of worlds of these seeds")
    parser.add_argument(
        "--write", action="store_true", help="write the table of --worlds, --films or --mistakes"
    )
    parser.add_argument("--mistakes", action="store_true", help="only the planted mistakes")
    options = parser.parse_args()
    if options.worlds:
        return study_worlds(worlds_study.parse_seeds(options.worlds), options)
    if options.films:
        return study_films(worlds_study.parse_seeds(options.films), options)
    if options.mistakes:
        return study_mistakes(options)
    first, last = (int(part) for part in options.seeds.split("-"))
    indices = [
        i
        for i, s in enumerate(SCENARIOS)
        if options.only in s.name and (s.faulty or not options.faults)
    ]
    results, failures = study(indices, range(first, last + 1), options.workers)
    print_detail(results)
    for failure in failures:
        print("FAILED", failure)
    if not options.only and PAGE.exists():
        usual = [result for result in results if not result[0].faulty]
        faulty = [result for result in results if result[0].faulty]
        if usual:
            row_errors.renew_table(PAGE, BEGIN, END, markdown(usual))
        if faulty:
            print(fault_markdown(faulty))
            row_errors.renew_table(PAGE, FAULTS_BEGIN, FAULTS_END, fault_markdown(faulty))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
