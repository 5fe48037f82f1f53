"""What a film of half the reps is worth, over squads whose habits differ, judged as one.

A part of accuracy_study.py (`--films 1-12`). Every world gives one session at 10 Hz with a sheet
and without accelerometer; one or two films show half of its reps, from places drawn at random, and
gates are held out. One rep in ten goes wrong. Worlds up to the 24th may be looked at while the
estimator is made; the others were drawn for the table and never looked at.
"""

from __future__ import annotations

import csv
import multiprocessing
import tempfile
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import checkout  # noqa: F401 - finds sample_tracks
import numpy as np
import observers
import row_errors
import simulate
import worlds
import worlds_study
from worlds_study import LAST_LOOKED_AT, Errors, Score, score

from pipeline.session.process import make_session_tables

BEGIN, END = "<!-- films: begin -->", "<!-- films: end -->"
FILMED, SAME_SQUAD = "filmed", "not filmed, same squad"
PASSES_ALONE, NO_LINES = "filmed, passes alone in view", "not filmed, no line in any view"
GROUPS = (FILMED, SAME_SQUAD, PASSES_ALONE, NO_LINES)
ASKED = {  # root mean square error by group and figure
    (FILMED, "pass moment"): 0.03,
    (FILMED, "pass place"): 0.35,
    (FILMED, "free distance"): 0.20,
    (SAME_SQUAD, "pass moment"): 0.10,
    (SAME_SQUAD, "pass place"): 0.90,
    ("films", "clock"): 0.01,
}
FIGURES = ("pass moment", "pass place", "free distance", "zone time")
UNITS = {"pass moment": "s", "pass place": "m", "free distance": "m", "zone time": "s"}


@dataclass(frozen=True)
class FilmResult:
    """One world's session: errors by group and figure, and counts."""

    seed: int
    errors: dict[tuple[str, str], list[tuple[float, float]]]
    counts: dict[str, float]
    failure: str = ""


def measure_world(seed: int) -> FilmResult:
    """Simulate, measure and compare one world's session; a failure is a result too."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            return _compare_world(Path(folder), seed)
        except Exception as error:
            return FilmResult(seed, {}, {}, f"world {seed}: {type(error).__name__}: {error}")


def _compare_world(folder: Path, seed: int) -> FilmResult:
    eyes = (*observers.draw_observers(seed), observers.Gates("gates", use="check"))
    truth = simulate.make_session(
        folder,
        6000 + seed,
        world=worlds.draw_world(seed),
        place="bend" if seed % 2 else "straight",
        observers=eyes,
        **worlds_study.SESSION,
    )
    tables = make_session_tables(folder / "session.toml", None).tables
    rows, seen = tables["exchanges"].to_pylist(), tables["observations"].to_pylist()
    pairs, invented, missed = row_errors.pair_up(rows, truth.exchanges)
    errors: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    counts: dict[str, float] = defaultdict(float)
    views = {one["id"]: one.get("view") for one in truth.observers if one["kind"] == "film"}
    for row, true in pairs:
        found: Errors = defaultdict(list)
        row_errors.compare(row, true, found, counts)
        group = _group(true, truth.observers, views)
        for name in FIGURES:
            errors[group, name] += found[name]
    counts |= {"rows": len(pairs), "invented": invented, "missed": missed}
    zeros = {row["exchange"]: row["zero_utc"].timestamp() for row in rows}
    for one in truth.observers:
        own = [row for row in seen if row["observer"] == one["id"]]
        if one["kind"] == "film" and views[one["id"]] != "passes":
            errors["films", "clock"] += _clock_error(folder, one, own, zeros)
        _count_misread(one, own, counts)
        if one["kind"] == "gates":
            errors["gates held out", "gate"] += [
                (row["difference_s"], row["difference_s"] / row["z"]) for row in own if row["z"]
            ]
    return FilmResult(seed, dict(errors), dict(counts))


def _group(true: dict[str, Any], seen_by: list[dict[str, Any]], views: dict[str, Any]) -> str:
    saw_pass = {
        one["id"]
        for one in seen_by
        if one["id"] in views
        for row in one["rows"]
        if row["event"] == "pass" and row["exchange"] == true["exchange"]
    }
    if any(views[name] != "passes" for name in saw_pass):
        return FILMED
    if saw_pass:
        return PASSES_ALONE
    return SAME_SQUAD if any(view != "passes" for view in views.values()) else NO_LINES


def _clock_error(
    folder: Path, film: dict[str, Any], rows: list[dict[str, Any]], zeros: dict[int, float]
) -> list[tuple[float, float]]:
    """The error of a film's clock, a mean over its rows, and the standard error that they state."""
    with (folder / film["file"]).open(newline="", encoding="utf-8") as file:
        read = {line: float(row["time_s"]) for line, row in enumerate(csv.DictReader(file), 2)}
    off, variance = [], []
    for row in rows:
        if row["observed_t_s"] is None or row["exchange"] is None:
            continue
        true = film["zero_utc_s"] + read[row["line"]] / (1 + film["rate_ppm"] * 1e-6)
        off.append(zeros[row["exchange"]] + row["observed_t_s"] - true)
        variance.append(row["observed_t_sd_s"] ** 2 - film["sd_s"] ** 2)
    if not off:
        return []
    return [(float(np.mean(off)), float(np.sqrt(max(np.mean(variance), 1e-8))))]


def _count_misread(
    one: dict[str, Any], rows: list[dict[str, Any]], counts: dict[str, float]
) -> None:
    """How many rows of a film were misread by a tenth of a second and more, how many of them were
    used, and how many right ones were not."""
    if one["kind"] != "film":
        return
    used = {row["line"]: row["used"] for row in rows}
    for row in one["rows"]:
        wrong = abs(row["misread_s"]) > 0.1
        counts["misread"] += wrong
        counts["misread and used"] += wrong and used.get(row["line"], False)
        counts["right and left out"] += not wrong and not used.get(row["line"], False)


def study_films(seeds: Iterable[int], workers: int) -> list[FilmResult]:
    """One session of every world, in the order of the seeds."""
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        out = []
        for result in pool.imap(measure_world, seeds):
            print(result_line(result), flush=True)
            out.append(result)
    return out


def scores(results: Iterable[FilmResult]) -> dict[tuple[str, str], Score]:
    """The score of every group and figure over all worlds."""
    errors: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    for result in results:
        for key, values in result.errors.items():
            errors[key] += values
    names = [(group, figure) for group in GROUPS for figure in FIGURES]
    names += [("films", "clock"), ("gates held out", "gate")]
    return {key: score(errors[key]) for key in names if errors[key]}


def shortfalls(results: Iterable[FilmResult]) -> list[str]:
    """What falls short of what was asked, in words."""
    out = []
    for key, one in scores(results).items():
        asked, name = ASKED.get(key), ", ".join(key)
        if asked is None:
            continue
        if one.rms > asked:
            out.append(f"{name}: {one.rms:.3f}, asked {asked:.3f}")
        low, high = worlds_study.RATIO_FROM_TO
        if not low <= one.ratio <= high:
            out.append(f"{name}: ratio {one.ratio:.2f}, asked {low:.2f} to {high:.2f}")
    return out


def result_line(result: FilmResult) -> str:
    """One world in a line."""
    if result.failure:
        return f"FAILED {result.failure}"
    parts = [f"world {result.seed:5d}, {result.counts.get('rows', 0):.0f} takeovers"]
    for key in ((FILMED, "pass moment"), (SAME_SQUAD, "pass moment"), ("films", "clock")):
        if result.errors.get(key):
            one = score(result.errors[key])
            parts.append(f"{', '.join(key)} {one.rms:.3f} ({one.ratio:.2f})")
    return "; ".join(parts)


def print_films(results: list[FilmResult]) -> None:
    """All worlds together, figure by figure; then what falls short."""
    print("\n" + films_markdown(results))


def films_markdown(results: list[FilmResult]) -> str:
    """The table of docs/accuracy.md."""
    seeds = {result.seed for result in results}
    unseen = {seed for seed in seeds if seed > LAST_LOOKED_AT}
    groups = [("All worlds", results)]
    if unseen and unseen != seeds:
        never = [result for result in results if result.seed in unseen]
        groups.append(("Only the worlds never looked at", never))
    lines = [
        "Worlds that could be looked at while the estimator was made: "
        f"{worlds_study.name_seeds(seeds - unseen)}. Never looked at before this table: "
        f"{worlds_study.name_seeds(unseen)}.",
        "",
    ]
    for title, some in groups:
        total: dict[str, float] = defaultdict(float)
        for result in some:
            for name, count in result.counts.items():
                total[name] += count
        lines += [
            f"{title}: {total['rows']:.0f} takeovers, outcome wrong "
            f"{total['outcomes wrong']:.0f}, unclear {total['outcomes unclear']:.0f}. Rows of "
            f"films misread by 0.1 s and more {total['misread']:.0f}, of which used "
            f"{total['misread and used']:.0f}; right rows left out "
            f"{total['right and left out']:.0f}.",
            "",
            "| takeovers | figure | n | root mean square | asked | mean | ratio | beyond three |",
            "|---|---|---:|---:|---:|---:|---:|---:|",
        ]
        for key, one in scores(some).items():
            asked = ASKED.get(key)
            lines.append(
                f"| {key[0]} | {key[1]}, {UNITS.get(key[1], 's')} | {one.n} | {one.rms:.3f} | "
                f"{'' if asked is None else f'{asked:.3f}'} | {one.bias:+.3f} | {one.ratio:.2f} | "
                f"{100 * one.beyond:.1f} % |"
            )
        lines.append("")
    lines += ["What falls short over all worlds:", ""]
    lines += [f"- {line}" for line in shortfalls(results) or ["nothing"]]
    lines += [f"\nFAILED {result.failure}" for result in results if result.failure]
    return "\n".join(lines)
