"""Is advice calibrated? Of marks said to be 90 % safe, are 90 % safe?

    python tests/tools/advice_study.py                  print, and write docs/advice.md and its plot
    python tests/tools/advice_study.py --only bend      squads of such a kind, print only
    python tests/tools/advice_study.py --seeds 50-53    other squads, print only
    python tests/tools/advice_study.py --keep FOLDER    keep what was measured, and use it again
    python tests/tools/advice_study.py --quick          lakes without files (support/squads.py)

For each squad some evenings are simulated (sample_tracks/), written as files, processed by the
same call the command line makes, and the lake of tables is asked for marks. Then the same squad
takes over hundreds of times on marks of every chance, tried pairs and untried
(tests/support/crowd.py): what was said against what then happens.
"""

from __future__ import annotations

import argparse
import itertools
import math
import multiprocessing
import os
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: one worker a core, one thread a worker

import numpy as np  # noqa: E402 - the threads must be set first

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from checkout import ROOT  # noqa: E402 - found by the line above

PAGE = ROOT / "docs" / "advice.md"
PLOT = ROOT / "docs" / "advice_calibration.svg"
BEGIN, END = "<!-- advice study: begin -->", "<!-- advice study: end -->"
SEEDS = "1-12"

EVENINGS, REPS = 3, 12
ANEW = 300  # fresh takeovers on each mark
PAIRS = 6  # asked about in each squad, half of them untried where there are so many
AIMS = (0.2, 0.5, 0.8, 0.9, 0.95, 0.99)
BINS = (0.0, 0.1, 0.35, 0.65, 0.85, 0.925, 0.97, 0.99, 1.0 + 1e-9)

Case = dict[str, Any]


@dataclass(frozen=True)
class Kind:
    name: str
    event: str
    options: dict = field(default_factory=dict)


KINDS = (
    Kind("4x100, straight", "4x100", {"place": "cones"}),
    Kind("4x100, bend", "4x100", {"place": "bend"}),
    Kind("4x400", "4x400", {}),
)


# --- one squad ------------------------------------------------------------------------------


def practise(kind_index: int, seed: int, folder: Path) -> Path:
    """Evenings of one squad as files, processed into one lake; where it lies."""
    import simulate
    import squads

    from pipeline.session.process import make_session_tables

    kind = KINDS[kind_index]
    squad_seed = squad_of(kind_index, seed)
    out = folder / "out"
    for evening in range(EVENINGS):
        begin = squads.FIRST_UTC_S + (7 * evening + seed % 3) * squads.DAY_S
        session = folder / f"evening-{evening + 1}"
        simulate.make_session(
            session,
            100 * squad_seed + evening,
            event=kind.event,
            n_runners=runners_of(seed),
            n_reps=REPS,
            squad_seed=squad_seed,
            session_id=f"squad-{seed}-{evening + 1}",
            start_utc_s=begin,
            curves=False,
            distractors=False,
            **kind.options,
        )
        make_session_tables(session / "session.toml", out)
    return out


def squad_of(kind_index: int, seed: int) -> int:
    return 10_000 * (kind_index + 1) + seed


def runners_of(seed: int) -> int:
    """Four, of whom most pairs are tried, or six, of whom many are not."""
    return 4 if seed % 2 else 6


def cases_of(kind_index: int, seed: int, out: Path | None) -> list[Case]:
    """What the marks from a lake (None: one without files) say of some pairs, and what the squad
    then does."""
    import crowd
    import squads

    from pipeline.advise import decisions, marks
    from pipeline.advise.settings import Settings
    from pipeline.tables import lake

    kind = KINDS[kind_index]
    place = kind.options.get("place", "straight")
    key = squad_of(kind_index, seed)
    squad, site = squads.draw(key, n_runners=runners_of(seed), event=kind.event, place=place)
    if out is None:
        tables = squads.tables(key, squad, site, EVENINGS, REPS)
        known = lake.Lake(Path("lake"), *tables, {})
    else:
        known = lake.read_lake(out)
    rng = np.random.default_rng([seed, kind_index, 20260514])
    advices = decisions.advise_lake(known, Settings(event=kind.event))
    said = marks.marks_table(advices).to_pylist()
    found = []
    for pair in choose_pairs(said, rng):
        rows = [row for row in said if (row["incoming"], row["outgoing"]) == pair]
        chosen = choose_marks(rows)
        places = [(row["mark_m"], row["outgoing_start_m"]) for row, _ in chosen]
        paces = [row["pace"] for row, _ in chosen]
        happened = crowd.on_marks(squad, site, pair, places, ANEW, rng, paces=paces)
        for (row, aim), anew in zip(chosen, happened, strict=True):
            found.append(
                {"kind": kind.name, "squad": f"{kind_index}-{seed}", "aim": aim}
                | {name: row[name] for name in SAID}
                | observed(anew)
            )
    return found


SAID = (
    "incoming", "outgoing", "advised", "reps", "reps_pair", "mark_m", "outgoing_start_m", "pace",
    "p_in_zone", "p_in_zone_sd", "p_ran_into", "p_ran_away", "zone_time_s", "zone_time_sd_s",
    "zone_time_spread_s", "pass_m", "pass_sd_m", "pass_spread_m",
)  # fmt: skip


def choose_pairs(said: Sequence[Case], rng: np.random.Generator) -> list[tuple[str, str]]:
    """Some tried pairs and some untried ones, by chance."""
    tried = {(row["incoming"], row["outgoing"]): row["reps_pair"] > 0 for row in said}
    groups = [sorted(p for p, known in tried.items() if known is want) for want in (True, False)]
    mixed = [[group[k] for k in rng.permutation(len(group))] for group in groups]
    few = min(PAIRS // 2, len(mixed[1]))
    return mixed[0][: PAIRS - few] + mixed[1][:few]


def choose_marks(rows: Sequence[Case]) -> list[tuple[Case, float | None]]:
    """The advised mark, and for each aim the candidates nearest to it: among marks nearer
    than the safest (aim is what they come to through a pass too early) and farther than it."""
    rows = sorted(rows, key=lambda row: row["mark_m"])
    chosen: list[tuple[Case, float | None]] = [(row, None) for row in rows if row["advised"]]
    stand = chosen[0][0]["outgoing_start_m"] if chosen else rows[0]["outgoing_start_m"]
    rows = [row for row in rows if row["outgoing_start_m"] == stand]
    p = np.array([row["p_in_zone"] for row in rows])
    safest = int(np.argmax(p))
    for side in (slice(None, safest), slice(safest, None)):
        part = rows[side]
        for aim in AIMS if part else ():
            row = min(part, key=lambda row: abs(logit(row["p_in_zone"]) - logit(aim)))
            near = abs(row["p_in_zone"] - aim) < 0.25 * min(aim, 1 - aim) + 0.02
            if near and all(row is not other for other, _ in chosen):
                chosen.append((row, aim))
    return chosen


def logit(p: float) -> float:
    p = min(max(p, 1e-4), 1 - 1e-4)
    return math.log(p / (1 - p))


def observed(anew: Any) -> Case:
    """What fresh takeovers came to; times and places of those that passed in the zone."""
    legal = anew.legal

    def mean_sd(values: np.ndarray) -> tuple[float, float]:
        values = values[np.isfinite(values)]
        if len(values) < 20:
            return math.nan, math.nan
        return float(values.mean()), float(values.std(ddof=1))

    time, place = mean_sd(anew.zone_time_s[legal]), mean_sd(anew.pass_m[legal])
    return {
        "n": len(legal), "was_in_zone": float(legal.mean()),
        "was_ran_into": float(anew.collided.mean()),
        "was_near_after": float((anew.nearest_after_m < 0.5).mean()),
        "was_ran_away": float(anew.ran_away.mean()),
        "was_zone_time_s": time[0], "was_zone_time_spread_s": time[1], "legal": int(legal.sum()),
        "was_pass_m": place[0], "was_pass_spread_m": place[1],
    }  # fmt: skip


def _job(work: tuple[int, int, str | None, bool]) -> tuple[list[Case], str]:
    kind_index, seed, keep, quick = work
    try:
        if quick:
            return cases_of(kind_index, seed, None), ""
        if keep is None:
            with tempfile.TemporaryDirectory() as folder:
                out = practise(kind_index, seed, Path(folder))
                return cases_of(kind_index, seed, out), ""
        folder = Path(keep) / f"{kind_index}-{seed}"
        done = folder / "done"
        if not done.exists():
            practise(kind_index, seed, folder)
            done.touch()
        return cases_of(kind_index, seed, folder / "out"), ""
    except Exception as error:
        return [], f"{KINDS[kind_index].name}, seed {seed}: {type(error).__name__}: {error}"


def study(
    kinds: Sequence[int], seeds: range, workers: int, keep: str | None, quick: bool
) -> tuple[list[Case], list[str]]:
    """All cases of all squads, and what failed."""
    cases: list[Case] = []
    failures = []
    work = [(kind, seed, keep, quick) for seed in seeds for kind in kinds]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for found, failure in pool.imap(_job, work):  # in order: the same page every time
            cases += found
            failures += [failure] if failure else []
    return cases, failures


# --- figures --------------------------------------------------------------------------------


def column(cases: Sequence[Case], name: str) -> np.ndarray:
    return np.array([math.nan if c[name] is None else c[name] for c in cases], dtype=float)


def mean_se(cases: Sequence[Case], values: np.ndarray) -> tuple[float, float]:
    """Mean, and its standard error where the cases of one squad err together."""
    known = np.isfinite(values)
    squads = np.array([c["squad"] for c in cases])[known]
    values = values[known]
    if not len(values):
        return math.nan, math.nan
    mean = float(values.mean())
    sums = np.array([(values[squads == s] - mean).sum() for s in np.unique(squads)])
    if len(sums) < 2:
        return mean, math.nan
    se = math.sqrt(len(sums) / (len(sums) - 1) * float(np.sum(sums**2))) / len(values)
    return mean, se


def binned(cases: Sequence[Case]) -> list[tuple[str, int, float, float, float]]:
    """A row a bin of said chances: name, cases, mean said, mean observed and its error."""
    p, was = column(cases, "p_in_zone"), column(cases, "was_in_zone")
    rows = []
    for low, high in itertools.pairwise(BINS):
        here = [c for c, x in zip(cases, p, strict=True) if low <= x < high]
        inside = (p >= low) & (p < high)
        if here:
            mean, se = mean_se(here, was[inside])
            name = f"{100 * low:g} to {min(100.0, 100 * high):g} %"
            rows.append((name, len(here), float(p[inside].mean()), mean, se))
    return rows


def z_rms(error: np.ndarray, sd: np.ndarray) -> float:
    z = error / sd
    z = z[np.isfinite(z)]
    return float(np.sqrt(np.mean(z**2))) if len(z) else math.nan


def rms(x: np.ndarray) -> float:
    x = x[np.isfinite(x)]
    return float(np.sqrt(np.mean(x**2))) if len(x) else math.nan


@dataclass(frozen=True)
class Figures:
    """One group of cases against what happened. z: root mean square of errors over standard
    errors, the fresh takeovers' own chance taken in."""

    marks: int
    p_z: float
    p_rms: float
    time_bias_s: float
    time_rms_s: float
    time_z: float
    spread_ratio: float
    place_bias_m: float
    place_rms_m: float
    place_z: float
    place_spread_ratio: float
    away_said: float
    away_was: float
    into_said: float
    into_was: float


def figures(cases: Sequence[Case]) -> Figures:
    def get(name: str) -> np.ndarray:
        return column(cases, name)

    p, was, n = get("p_in_zone"), get("was_in_zone"), get("n")
    chance = np.sqrt(np.clip(p * (1 - p), 1e-4, None) / n)
    time = get("zone_time_s") - get("was_zone_time_s")
    time_own = get("was_zone_time_spread_s") / np.sqrt(np.maximum(get("legal"), 1))
    place = get("pass_m") - get("was_pass_m")
    place_own = get("was_pass_spread_m") / np.sqrt(np.maximum(get("legal"), 1))
    return Figures(
        marks=len(cases),
        p_z=z_rms(p - was, np.hypot(get("p_in_zone_sd"), chance)),
        p_rms=rms(p - was),
        time_bias_s=float(np.nanmean(time)),
        time_rms_s=rms(time),
        time_z=z_rms(time, np.hypot(get("zone_time_sd_s"), time_own)),
        spread_ratio=rms(get("zone_time_spread_s")) / rms(get("was_zone_time_spread_s")),
        place_bias_m=float(np.nanmean(place)),
        place_rms_m=rms(place),
        place_z=z_rms(place, np.hypot(get("pass_sd_m"), place_own)),
        place_spread_ratio=rms(get("pass_spread_m")) / rms(get("was_pass_spread_m")),
        away_said=float(np.nanmean(get("p_ran_away"))),
        away_was=float(np.nanmean(get("was_ran_away"))),
        into_said=float(np.nanmean(get("p_ran_into"))),
        into_was=float(np.nanmean(get("was_ran_into"))),
    )


def groups(cases: Sequence[Case]) -> list[tuple[str, list[Case]]]:
    def where(test: Callable[[Case], bool]) -> list[Case]:
        return [c for c in cases if test(c)]

    named = [
        ("all", list(cases)),
        (TRIED, where(lambda c: blind(c) and c["reps_pair"] > 0)),
        (UNTRIED, where(lambda c: blind(c) and c["reps_pair"] == 0)),
        *((kind.name, where(lambda c, k=kind: c["kind"] == k.name)) for kind in KINDS),
        (ADVISED, where(lambda c: c["advised"])),
    ]
    return [(name, part) for name, part in named if part]


TRIED, UNTRIED, ADVISED = "4x100, tried pairs", "4x100, untried pairs", "advised marks"
SIGHT = "4x400"


def blind(case: Case) -> bool:
    return bool(case["kind"] != SIGHT)


def markdown(cases: Sequence[Case], risk: float) -> str:
    """The tables of docs/advice.md."""
    parts = dict(groups(cases))
    shown = [n for n in (TRIED, UNTRIED, SIGHT) if n in parts]
    tables = {name: {row[0]: row for row in binned(parts[name])} for name in shown}
    lines = [
        "| said to pass in the zone | "
        + " | ".join(f"{n}: marks | said | happened" for n in shown)
        + " |",
        "|" + "---|" * (1 + 3 * len(shown)),
    ]
    for name in (row[0] for row in binned(cases)):
        cells = []
        for part in shown:
            row = tables[part].get(name)
            cells += (
                ["", "", ""]
                if row is None
                else [f"{row[1]}", f"{100 * row[2]:.1f} %", _percent(row[3], row[4])]
            )
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    advised = parts.get(ADVISED, [])
    lines += ["", _advised_line("4x100", [c for c in advised if blind(c)], risk)]
    lines += ["", _advised_line(SIGHT, [c for c in advised if not blind(c)], risk), ""]
    lines += [
        "| marks | number | chance: error (z) | zone time: mean, rms error, s (z) | its "
        "rep-to-rep spread, said to seen | pass: mean, rms error, m (z) | its spread, said to "
        "seen | ran away: said, seen | ran into: said, seen |",
        "|" + "---|" * 9,
    ]
    for name, part in parts.items():
        f = figures(part)
        lines.append(
            f"| {name} | {f.marks} | {f.p_rms:.3f} ({f.p_z:.2f}) | {f.time_bias_s:+.3f}, "
            f"{f.time_rms_s:.3f} ({f.time_z:.2f}) | {f.spread_ratio:.2f} | {f.place_bias_m:+.2f}, "
            f"{f.place_rms_m:.2f} ({f.place_z:.2f}) | {f.place_spread_ratio:.2f} | "
            f"{100 * f.away_said:.1f}, {100 * f.away_was:.1f} % | "
            f"{100 * f.into_said:.1f}, {100 * f.into_was:.1f} % |"
        )
    return "\n".join(lines)


def _percent(mean: float, se: float) -> str:
    return f"{100 * mean:.1f} %" + (f" ± {100 * se:.1f}" if math.isfinite(se) else "")


def _advised_line(event: str, advised: Sequence[Case], risk: float) -> str:
    if not advised:
        return f"{event}: no mark was advised."
    said, was = column(advised, "p_in_zone"), column(advised, "was_in_zone")
    keeps = said >= 1 - risk
    words = (
        f"{event}: {len(advised)} advised marks, said to pass in the zone "
        f"{100 * said.mean():.1f} %, happened {_percent(*mean_se(advised, was))}."
    )
    kept = [c for c, yes in zip(advised, keeps, strict=True) if yes]
    if not kept:
        return words + f" None was said to keep the risk of {100 * risk:g} %."
    return words + (
        f" {len(kept)} were said to keep the risk of {100 * risk:g} %: of the takeovers on them "
        f"{_percent(*mean_se(kept, 1 - was[keeps]))} did not pass in the zone."
    )


def plot(cases: Sequence[Case], path: Path) -> None:
    """Said against seen: every mark a dot, bins with twice their standard error."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    pyplot.rcParams |= {"svg.hashsalt": "advice", "svg.fonttype": "none", "font.size": 10}
    drawing, axes = pyplot.subplots(1, 3, figsize=(12, 4.4), sharey=True)
    parts = dict(groups(cases))
    for axis, name in zip(axes, (TRIED, UNTRIED, SIGHT), strict=True):
        part = parts.get(name, [])
        p, was = column(part, "p_in_zone"), column(part, "was_in_zone")
        axis.plot([0, 1], [0, 1], color="0.6", linewidth=1)
        axis.plot(p, was, ".", color="0.75", markersize=3)
        rows = binned(part)
        x, y, se = (np.array([row[k] for row in rows]) for k in (2, 3, 4))
        axis.errorbar(x, y, 2 * np.nan_to_num(se), fmt="o", color="black", markersize=5, capsize=3)
        axis.set(title=name, xlabel="said to pass in the zone", xlim=(-0.02, 1.02))
        axis.set_ylim(-0.02, 1.02)
    axes[0].set_ylabel("share of fresh takeovers that did")
    drawing.tight_layout()
    drawing.savefig(path, metadata={"Date": None})
    pyplot.close(drawing)


# --- command --------------------------------------------------------------------------------


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--only", default="", help="squads whose kind holds this")
    parser.add_argument("--seeds", default=SEEDS, help="first-last, squads of each kind")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--keep", help="folder for what was measured, used again where it is there")
    parser.add_argument("--quick", action="store_true", help="lakes without files")
    options = parser.parse_args()
    first, last = (int(part) for part in options.seeds.split("-"))
    whole = not (options.only or options.quick) and options.seeds == SEEDS
    kinds = [i for i, kind in enumerate(KINDS) if options.only in kind.name]
    cases, failures = study(
        kinds, range(first, last + 1), options.workers, options.keep, options.quick
    )
    for failure in failures:
        print("FAILED", failure)
    if not cases:
        return 1

    from pipeline.advise.settings import Settings

    text = markdown(cases, Settings().risk)
    print(text)
    if whole and not failures:
        page = PAGE.read_text(encoding="utf-8")
        before, after = page.split(BEGIN)[0], page.split(END)[1]
        PAGE.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}", encoding="utf-8")
        plot(cases, PLOT)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
