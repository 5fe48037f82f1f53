"""How accurate over all worlds together: squads whose habits differ, judged as one.

A part of accuracy_study.py (`--worlds 1-12`). Every world gives two sessions at 10 Hz with a sheet
and without accelerometer: one in which nobody saw a pass, and one in which half of the passes were
seen. One rep in ten goes wrong. Worlds up to the 24th may be looked at while the estimator is
made; the others were drawn for the table and never looked at.
"""

from __future__ import annotations

import multiprocessing
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import checkout  # noqa: F401 - finds sample_tracks
import numpy as np
import row_errors
import simulate
import worlds

from pipeline.session.process import make_session_tables

BEGIN, END = "<!-- worlds: begin -->", "<!-- worlds: end -->"
LAST_LOOKED_AT = 24
LATE_M = 3.0  # a pass is late in these last metres of the zone, and beyond it
SHEETS = ("no pass seen", "half of the passes seen")
SESSION = {
    "n_reps": 16,
    "n_runners": 4,
    "imu": False,
    "spacing_s": 30.0,
    "distractors": False,
    "fault_share": 0.1,
    "curves": False,
    "notes": False,  # a note tells how a takeover ended, which is asked here
}
RATIO_FROM_TO = (0.8, 1.25)
BEYOND_THREE = 0.01
BIAS_SHARE = 1 / 3  # of the root mean square


@dataclass(frozen=True)
class Figure:
    """One column of the study: its unit, and the root mean square error asked of it with each of
    SHEETS (None where none was asked)."""

    unit: str
    asked: tuple[float | None, float | None] = (None, None)


FIGURES = {
    "zone time": Figure("s", (0.022, 0.022)),
    "zone time, late pass": Figure("s"),
    "entry moment": Figure("s"),
    "exit moment": Figure("s"),
    "first movement": Figure("s"),
    "mark moment": Figure("s"),
    "v in, entry": Figure("m/s"),
    "v out, exit": Figure("m/s"),
    "v in, pass": Figure("m/s", (0.25, 0.25)),
    "v out, pass": Figure("m/s", (0.25, 0.25)),
    "free distance": Figure("m", (0.22, 0.22)),
    "pass place": Figure("m", (1.8, 0.9)),
    "pass moment": Figure("s", (0.20, 0.10)),
}
Errors = dict[str, list[tuple[float, float]]]


@dataclass(frozen=True)
class WorldResult:
    """One session of one world: the errors of each figure, and counts."""

    seed: int
    sheet: str
    errors: Errors
    counts: dict[str, float]
    failure: str = ""


@dataclass(frozen=True)
class Score:
    """Errors of one figure: how many, root mean square, mean, the root mean square of errors over
    their standard errors and the share beyond three of them (NaN without standard errors)."""

    n: int
    rms: float
    bias: float
    ratio: float
    beyond: float
    worst: float


def parse_seeds(text: str) -> list[int]:
    """The seeds of a list such as `1-12,4711,4712`."""
    out: list[int] = []
    for part in text.split(","):
        first, _, last = part.partition("-")
        out += range(int(first), int(last or first) + 1)
    return list(dict.fromkeys(out))


def measure_world(work: tuple[int, str]) -> WorldResult:
    """Simulate, measure and compare one session of a world; a failure is a result too."""
    seed, sheet = work
    with tempfile.TemporaryDirectory() as folder:
        try:
            return _compare_world(Path(folder), seed, sheet)
        except Exception as error:
            said = f"world {seed}, {sheet}: {type(error).__name__}: {error}"
            return WorldResult(seed, sheet, {}, {}, said)


def _compare_world(folder: Path, seed: int, sheet: str) -> WorldResult:
    half_seen = sheet == SHEETS[1]
    options = {
        # bends and straights with both kinds of sheet
        "place": "bend" if (seed % 2 == 0) == half_seen else "straight",
        "seen_share": 0.5 if half_seen else 0.0,
    }
    world = worlds.draw_world(seed)
    session_seed = (7000 if half_seen else 5000) + seed
    truth = simulate.make_session(folder, session_seed, world=world, **SESSION, **options)
    began = time.process_time()
    rows = make_session_tables(folder / "session.toml", None).tables["exchanges"].to_pylist()
    seconds = time.process_time() - began
    pairs, invented, missed = row_errors.pair_up(rows, truth.exchanges)
    errors: Errors = defaultdict(list)
    counts: dict[str, float] = defaultdict(float)
    for row, true in pairs:
        found: Errors = defaultdict(list)
        row_errors.compare(row, true, found, counts)
        late_by_m = -np.inf if true["pass_m"] is None else true["pass_m"] - truth.session["zone_m"]
        if late_by_m > -LATE_M:
            found["zone time, late pass"] = found["zone time"]
        if late_by_m > 0:
            found = {name: values for name, values in found.items() if name != "zone time"}
        for name, values in found.items():
            errors[name] += values
    counts["rows"] += len(pairs)
    counts["invented"] += invented
    counts["missed"] += missed
    counts["seconds"] += seconds
    return WorldResult(seed, sheet, dict(errors), dict(counts))


def study_worlds(seeds: Iterable[int], workers: int) -> list[WorldResult]:
    """Both sessions of every world, in the order of the seeds."""
    work = [(seed, sheet) for seed in seeds for sheet in SHEETS]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        out = []
        for result in pool.imap(measure_world, work):
            print(world_line(result), flush=True)
            out.append(result)
    return out


def score(values: list[tuple[float, float]]) -> Score:
    """The errors (estimate less truth, standard error) of one figure in numbers."""
    table = np.array(values, dtype=float)
    error = table[:, 0]
    z = np.abs(error / table[:, 1])
    z = z[np.isfinite(z)]
    return Score(
        len(error),
        float(np.sqrt(np.mean(error**2))),
        float(error.mean()),
        float(np.sqrt(np.mean(z**2))) if len(z) else np.nan,
        float(np.mean(z > 3)) if len(z) else np.nan,
        float(np.abs(error).max()),
    )


def scores(results: Iterable[WorldResult], sheet: str) -> dict[str, Score]:
    """The score of every figure over all sessions with such a sheet."""
    errors: Errors = defaultdict(list)
    for result in results:
        if result.sheet == sheet:
            for name, values in result.errors.items():
                errors[name] += values
    return {name: score(errors[name]) for name in FIGURES if errors[name]}


def shortfalls(results: Iterable[WorldResult]) -> list[str]:
    """What falls short of what was asked, in words; over all worlds together."""
    results = list(results)
    out = []
    for k, sheet in enumerate(SHEETS):
        for name, one in scores(results, sheet).items():
            asked = FIGURES[name].asked[k]
            where = f"{name}, {sheet}"
            if asked is not None and one.rms > asked:
                out.append(f"{where}: {one.rms:.3f} {FIGURES[name].unit}, asked {asked:.3f}")
            if not np.isnan(one.ratio) and not RATIO_FROM_TO[0] <= one.ratio <= RATIO_FROM_TO[1]:
                out.append(f"{where}: ratio {one.ratio:.2f}, asked 0.80 to 1.25")
            if one.beyond > BEYOND_THREE:
                out.append(f"{where}: {100 * one.beyond:.1f} % beyond three, asked 1")
            if abs(one.bias) > BIAS_SHARE * one.rms:
                share = abs(one.bias) / one.rms
                out.append(f"{where}: mean {one.bias:+.3f}, {share:.2f} of the root mean square")
    return out


def world_line(result: WorldResult) -> str:
    """One session of one world in a line."""
    if result.failure:
        return f"FAILED {result.failure}"
    counts: dict[str, float] = defaultdict(float, result.counts)
    parts = [
        f"world {result.seed:5d}, {result.sheet:23s} {counts['rows']:3.0f} takeovers, missed "
        f"{counts['missed']:.0f}, invented {counts['invented']:.0f}, outcome wrong "
        f"{counts['outcomes wrong']:.0f}, unclear {counts['outcomes unclear']:.0f}"
    ]
    for name in ("zone time", "pass moment", "pass place", "free distance"):
        if result.errors.get(name):
            one = score(result.errors[name])
            parts.append(f"{name} {one.rms:.3f} ({one.ratio:.2f})")
    return "; ".join(parts)


def print_scores(results: list[WorldResult]) -> None:
    """All worlds together, with either sheet, figure by figure; then what falls short."""
    for k, sheet in enumerate(SHEETS):
        print(f"\n{sheet}, all worlds: {_count_words(results, sheet)}")
        for name, one in scores(results, sheet).items():
            asked = FIGURES[name].asked[k]
            print(
                f"  {name:20s} n {one.n:4d}  rms {one.rms:.3f} {FIGURES[name].unit:3s} "
                f"(asked {'     ' if asked is None else f'{asked:.3f}'})  mean {one.bias:+.3f}  "
                f"ratio {one.ratio:.2f}  beyond three {100 * one.beyond:4.1f} %  "
                f"worst {one.worst:.2f}"
            )
    print("\nfalls short:")
    for line in shortfalls(results) or ["nothing"]:
        print("  " + line)


def _count_words(results: Iterable[WorldResult], sheet: str) -> str:
    total: dict[str, float] = defaultdict(float)
    for result in results:
        if result.sheet == sheet:
            for name, count in result.counts.items():
                total[name] += count
    return (
        f"{total['rows']:.0f} takeovers, missed {total['missed']:.0f}, invented "
        f"{total['invented']:.0f}, outcome wrong {total['outcomes wrong']:.0f}, unclear "
        f"{total['outcomes unclear']:.0f}"
    )


def name_seeds(seeds: Iterable[int]) -> str:
    """1 to 12, 4711: seeds in words."""
    runs: list[list[int]] = []
    for seed in sorted(seeds):
        if runs and seed == runs[-1][-1] + 1:
            runs[-1].append(seed)
        else:
            runs.append([seed])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]} to {r[-1]}" for r in runs) or "none"


def worlds_markdown(results: list[WorldResult]) -> str:
    """The tables of docs/accuracy.md: all worlds, those never looked at, what falls short, and
    a line a world."""
    seeds = {result.seed for result in results}
    unseen = {seed for seed in seeds if seed > LAST_LOOKED_AT}
    seen_words = name_seeds(seeds - unseen)
    lines = [
        f"Worlds that could be looked at while the estimator was made: {seen_words}. "
        f"Never looked at before this table: {name_seeds(unseen)}.",
        "",
    ]
    groups = [("all worlds", results)]
    if unseen and unseen != seeds:
        never = [result for result in results if result.seed in unseen]
        groups.append(("only the worlds never looked at", never))
    for title, some in groups:
        for k, sheet in enumerate(SHEETS):
            lines += [f"{title[0].upper()}{title[1:]}, {sheet}: {_count_words(some, sheet)}.", ""]
            lines += [*_figure_rows(scores(some, sheet), k), ""]
    lines += ["What falls short over all worlds:", ""]
    lines += [f"- {line}" for line in shortfalls(results) or ["nothing"]]
    lines += ["", *_world_rows(results)]
    lines += [f"\nFAILED {result.failure}" for result in results if result.failure]
    return "\n".join(lines)


def _figure_rows(found: dict[str, Score], k: int) -> list[str]:
    lines = [
        "| figure | n | root mean square | asked | mean | ratio | beyond three | worst |",
        "|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for name, one in found.items():
        figure = FIGURES[name]
        asked = figure.asked[k]
        sure = not np.isnan(one.ratio)
        lines.append(
            f"| {name}, {figure.unit} | {one.n} | {one.rms:.3f} | "
            f"{'' if asked is None else f'{asked:.3f}'} | {one.bias:+.3f} | "
            f"{f'{one.ratio:.2f}' if sure else ''} | "
            f"{f'{100 * one.beyond:.1f} %' if sure else ''} | {one.worst:.2f} |"
        )
    return lines


WORLD_COLUMNS = ("zone time", "pass moment", "pass place", "free distance")


def _world_rows(results: list[WorldResult]) -> list[str]:
    """Each world with either sheet: root mean square errors, ratios in brackets."""
    lines = [
        "| world | sheet | takeovers | missed, invented | outcome wrong, unclear | "
        + " | ".join(f"{name}, {FIGURES[name].unit}" for name in WORLD_COLUMNS)
        + " |",
        "|---|---|---:|---|---|" + "---:|" * len(WORLD_COLUMNS),
    ]
    for result in results:
        counts: dict[str, float] = defaultdict(float, result.counts)
        cells = []
        for name in WORLD_COLUMNS:
            values = result.errors.get(name)
            one = score(values) if values else None
            cells.append("" if one is None else f"{one.rms:.3f} ({one.ratio:.2f})")
        lines.append(
            f"| {result.seed} | {result.sheet} | {counts['rows']:.0f} | {counts['missed']:.0f}, "
            f"{counts['invented']:.0f} | {counts['outcomes wrong']:.0f}, "
            f"{counts['outcomes unclear']:.0f} | " + " | ".join(cells) + " |"
        )
    return lines
