"""What is advice worth, and does what it says come true? Over worlds, from 1 to 48 reps a pair.

    python tests/tools/advice_study.py                  print, and write docs/advice.md and its plot
    python tests/tools/advice_study.py --seeds 1-6      other squads, print only
    python tests/tools/advice_study.py --reps 2,8       other counts of reps a pair, print only
    python tests/tools/advice_study.py --files          through files, as the command line does
    python tests/tools/advice_study.py --keep FOLDER    keep truth and lakes, and use them again

Each squad comes from a world of its own (sample_tracks/worlds.py): four runners whose four pairs
each run so many takeovers. From these the lake of tables is made (support/squads.py, or real files)
and asked for marks. What a mark is truly worth comes from hundreds of fresh takeovers on every mark
of a grid (support/true_marks.py). Two coach's rules have as many reps on the same pairs.

Worlds up to the 24th may be looked at while the advice is made. The others were drawn for the
table, and nobody looks at them before.
"""

from __future__ import annotations

import argparse
import itertools
import math
import multiprocessing
import os
import pickle
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: one worker a core, one thread a worker

import numpy as np  # noqa: E402 - the threads must be set first

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from checkout import ROOT  # noqa: E402 - found by the line above

PAGE = ROOT / "docs" / "advice.md"
PLOT = ROOT / "docs" / "advice_study.svg"
BEGIN, END = "<!-- advice study: begin -->", "<!-- advice study: end -->"
SEEDS = "101-124"

COUNTS = (1, 2, 4, 8, 16, 48)  # reps a pair
RUNNERS = 4
PAIRS = ((0, 1), (1, 2), (2, 3), (3, 0))  # that practise: each runs in once and out once
REPS_AN_EVENING = 4  # of each pair
STAND_M = 0.0  # all receivers stand on the back line
FAILURES_S = (1.0, 3.0, 10.0)  # what a failure costs
USUAL_S = 3.0
LEVELS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99)
INTO_BINS = (0.0, 0.01, 0.03, 0.1, 0.3, 1.0 + 1e-9)
TOOL, FOOT, MEAN = "the tool", "a foot after each miss", "the mean of places seen"
WHO = (TOOL, FOOT, MEAN)

Case = dict[str, Any]


class Work(NamedTuple):
    seed: int
    counts: tuple[int, ...]
    keep: str | None
    files: bool


# --- one squad ------------------------------------------------------------------------------


def draw_squad(seed: int) -> tuple[Any, Any]:
    """The squad of a world and where it practises: a bend for even seeds."""
    import squads
    import worlds

    world = worlds.draw_world(seed)
    return squads.draw(seed, n_runners=RUNNERS, place=place_of(seed), world=world)


def place_of(seed: int) -> str:
    return "cones" if seed % 2 else "bend"


def names_of(squad: Any) -> list[tuple[str, str]]:
    return [(squad.people[a].id, squad.people[b].id) for a, b in PAIRS]


def find_truths(seed: int, keep: str | None) -> dict[tuple[str, str], Any]:
    """What every mark of each pair is worth; kept on disk where a folder is given."""
    import true_marks

    squad, site = draw_squad(seed)
    out = {}
    for k, pair in enumerate(names_of(squad)):
        path = None if keep is None else Path(keep) / f"truth-{seed}-{k}.npz"
        if path is not None and path.exists():
            out[pair] = true_marks.read_stored(path)
            continue
        out[pair] = true_marks.find_true_marks(squad, site, pair, STAND_M, 10 * seed + k)
        if path is not None:
            true_marks.store(out[pair], path)
    return out


def make_tables(seed: int, most: int, keep: str | None) -> tuple[Any, Any]:
    """`exchanges` and `speed_curves` of a lake without files in which each pair has `most` reps."""
    import squads
    import true_marks

    path = None if keep is None else Path(keep) / f"lake-{seed}-{most}.pickle"
    if path is not None and path.exists():
        found: tuple[Any, Any] = pickle.loads(path.read_bytes())
        return found
    squad, site = draw_squad(seed)
    found = squads.tables(
        seed, squad, site, math.ceil(most / REPS_AN_EVENING), min(most, REPS_AN_EVENING),
        fault_share=true_marks.FAULT_SHARE, pairs=PAIRS, stand_m=STAND_M,
    )  # fmt: skip
    if path is not None:
        part = path.with_suffix(".part")
        part.write_bytes(pickle.dumps(found))
        part.rename(path)
    return found


def first_reps(tables: tuple[Any, Any], count: int) -> tuple[Any, Any]:
    """The same lake as it was when each pair had `count` reps."""
    import pyarrow as pa
    import pyarrow.compute as pc

    exchanges, curves = tables
    tries: dict[tuple[str, str], int] = defaultdict(int)
    kept = []
    for pair in zip(*(exchanges[n].to_pylist() for n in ("incoming", "outgoing")), strict=True):
        tries[pair] += 1
        kept.append(tries[pair] <= count)
    exchanges = exchanges.filter(pa.array(kept))

    def key(table: Any) -> Any:
        number = pc.cast(table["exchange"], pa.string())
        return pc.binary_join_element_wise(pc.cast(table["session"], pa.string()), number, " ")

    return exchanges, curves.filter(pc.is_in(key(curves), key(exchanges).combine_chunks()))


def advise(found: Any, failure_s: float | None, collision_s: float = 0.0) -> list[Case]:
    """The rows of the table `marks` at what a failure costs, or, where that is None, at the tool's
    own defaults."""
    from pipeline.advise import decisions, marks
    from pipeline.advise.settings import Settings

    given: dict[str, Any] = {"event": "4x100", "stand_m": STAND_M}
    if failure_s is not None:
        given |= {"failure_s": failure_s, "collision_s": collision_s}
    rows: list[Case] = marks.marks_table(
        decisions.advise_lake(found, Settings(**given))
    ).to_pylist()
    return rows


def cases_of(work: Work) -> list[Case]:
    """All that is judged of one squad: `what` is "mark" (one that somebody came to), "level" (one
    whose chance is near a level) or "into" (one that says how likely the two run into each other).
    """
    from pipeline.tables.lake import Lake

    truths = find_truths(work.seed, work.keep)
    out = coach_cases(work, truths)
    tables = None if work.files else make_tables(work.seed, max(COUNTS), work.keep)
    for count in work.counts:
        if tables is None:
            found = lake_through_files(work.seed, count, work.keep)
        else:
            found = Lake(Path("lake"), *first_reps(tables, count), {})
        for failure_s in (*FAILURES_S, None):
            rows = advise(found, failure_s)
            for pair, truth in truths.items():
                own = [r for r in rows if (r["incoming"], r["outgoing"]) == pair]
                base = {"seed": work.seed, "pair": pair, "reps": count}
                out += advised_cases(base, own, truth, failure_s)
                if failure_s == USUAL_S:
                    out += level_cases(base, own, truth)
    return out


def advised_cases(
    base: Case, rows: Sequence[Case], truth: Any, failure_s: float | None
) -> list[Case]:
    """The regret on the mark advised. At the tool's defaults (None) running into each other counts
    too, as it does there."""
    row = next((r for r in rows if r["advised"]), None)
    if row is None:
        return [base | {"what": "none advised", "failure_s": failure_s}]
    price = default_price() if failure_s is None else (failure_s, 0.0)
    return [
        base | {"what": "mark", "who": TOOL, "failure_s": failure_s, "mark_m": row["mark_m"],
                "regret_s": float(truth.regret_s(row["mark_m"], *price))}
        | said_and_true(row, truth)
    ]  # fmt: skip


def default_price() -> tuple[float, float]:
    """What a failure and what running into each other cost where nobody says otherwise, s."""
    from pipeline.advise.settings import Settings

    usual = Settings()
    return usual.failure_s, usual.collision_s


def level_cases(base: Case, rows: Sequence[Case], truth: Any) -> list[Case]:
    """For each level the marks nearest to it, on either side of the safest one; and all marks for
    what they say of running into each other."""
    out = []
    for side, level, row in choose_levels(rows):
        out.append(
            base | {"what": "level", "level": level, "side": side} | said_and_true(row, truth)
        )
    for row in rows[::2]:
        was = truth.chance("ran_into", row["mark_m"])
        out.append(base | {"what": "into", "said": row["p_ran_into"], "was": was})
    return out


def choose_levels(rows: Sequence[Case]) -> list[tuple[str, float, Case]]:
    """(side, level, row): of the marks nearer than the safest, and of those farther, the one whose
    said chance is nearest to each level, where one is near enough."""
    rows = sorted(rows, key=lambda row: row["mark_m"])
    if not rows:
        return []
    safest = int(np.argmax([row["p_in_zone"] for row in rows]))
    out = []
    for side, part in (("near", rows[: safest + 1]), ("far", rows[safest:])):
        for level in LEVELS:
            row = min(part, key=lambda row: abs(logit(row["p_in_zone"]) - logit(level)))
            if abs(row["p_in_zone"] - level) < 0.1 * min(level, 1 - level) + 0.0025:
                out.append((side, level, row))
    return out


def logit(p: float) -> float:
    p = min(max(p, 1e-4), 1 - 1e-4)
    return math.log(p / (1 - p))


def said_and_true(row: Case, truth: Any) -> Case:
    """What a mark says of itself, and what happens on it."""
    at = row["mark_m"]
    slope = (truth.mean("pass_m", at + 0.4) - truth.mean("pass_m", at - 0.4)) / 0.8
    off_m = (row["pass_m"] - truth.mean("pass_m", at)) / max(1.0, slope if slope == slope else 1.0)
    return {
        "said": row["p_in_zone"], "said_sd": row["p_in_zone_sd"], "was": truth.chance("legal", at),
        "n": len(truth.legal), "mark_off_m": off_m, "mark_sd_m": row["mark_sd_m"],
        "into_said": row["p_ran_into"], "into_was": truth.chance("ran_into", at),
        "time_off_s": row["zone_time_s"] - truth.mean("zone_time_s", at),
        "time_sd_s": row["zone_time_sd_s"], "time_spread_s": row["zone_time_spread_s"],
        "time_spread_was_s": truth.spread("zone_time_s", at),
        "pass_spread_m": row["pass_spread_m"], "pass_spread_was_m": truth.spread("pass_m", at),
    }  # fmt: skip


def coach_cases(work: Work, truths: dict[tuple[str, str], Any]) -> list[Case]:
    """What the coach's rules come to with as many reps."""
    import true_marks

    squad, _ = draw_squad(work.seed)
    out = []
    for k, (pair, truth) in enumerate(truths.items()):
        foot = next(p.foot_m for p in squad.people if p.id == pair[1])
        start = true_marks.rule_of_thumb_m(squad, pair[1])
        rng = np.random.default_rng([work.seed, k, 20261129])
        moved = true_marks.a_foot_after_each_miss(truth, start, foot, work.counts, rng)
        means = true_marks.mean_of_places_seen(truth, start, work.counts, rng)
        for who, ends in ((FOOT, moved), (MEAN, means)):
            out += [
                {"seed": work.seed, "pair": pair, "reps": count, "what": "mark", "who": who,
                 "failure_s": failure_s, "mark_m": float(marks.mean()),
                 "regret_s": float(truth.regret_s(marks, failure_s).mean()),
                 "was": float(np.mean([truth.chance("legal", m) for m in marks[:40]]))}
                for count, marks in ends.items()
                for failure_s in FAILURES_S
            ]  # fmt: skip
    return out


def lake_through_files(seed: int, count: int, keep: str | None) -> Any:
    """The lake of as many reps a pair, written as files and measured by the same call as the
    command line makes."""
    from pipeline.tables.lake import read_lake

    if keep is None:
        with tempfile.TemporaryDirectory() as folder:
            return read_lake(measure_files(seed, count, Path(folder)))
    home = Path(keep) / f"files-{seed}-{count}"
    if not (home / "done").exists():
        measure_files(seed, count, home)
        (home / "done").touch()
    return read_lake(home / "out")


def measure_files(seed: int, count: int, folder: Path) -> Path:
    """Evenings of the squad of a world as files, processed into one lake; where it lies."""
    import simulate
    import squads
    import true_marks
    import worlds

    from pipeline.session.process import make_session_tables

    for evening in range(math.ceil(count / REPS_AN_EVENING)):
        reps = min(REPS_AN_EVENING, count - evening * REPS_AN_EVENING)
        session = folder / f"evening-{evening + 1}"
        simulate.make_session(
            session, 100 * seed + evening, place=place_of(seed), world=worlds.draw_world(seed),
            n_runners=RUNNERS, n_reps=reps * len(PAIRS), pairs=PAIRS, stand_m=STAND_M,
            squad_seed=seed, session_id=f"squad-{seed}-{evening + 1}",
            start_utc_s=squads.FIRST_UTC_S + 7 * evening * squads.DAY_S, spacing_s=30.0,
            fault_share=true_marks.FAULT_SHARE, curves=False, distractors=False,
        )  # fmt: skip
        make_session_tables(session / "session.toml", folder / "out")
    return folder / "out"


def _job(work: Work) -> tuple[list[Case], str]:
    try:
        return cases_of(work), ""
    except Exception as error:  # one squad must not end the study; it is named
        return [], f"squad {work.seed}: {type(error).__name__}: {error}"


def study(work: Sequence[Work], workers: int) -> tuple[list[Case], list[str]]:
    """Cases of all squads, and failures in words."""
    cases: list[Case] = []
    failures = []
    with multiprocessing.get_context("spawn").Pool(min(workers, len(work))) as pool:
        for found, failure in pool.imap(_job, work):
            cases += found
            failures += [failure] if failure else []
    return cases, failures


# --- figures --------------------------------------------------------------------------------


def column(cases: Iterable[Case], name: str) -> np.ndarray:
    return np.array([math.nan if c.get(name) is None else c[name] for c in cases], dtype=float)


def mean_se(cases: Sequence[Case], name: str) -> tuple[float, float]:
    """Mean of a figure, and its standard error where the cases of one squad err together."""
    values = column(cases, name)
    known = np.isfinite(values)
    seeds = np.array([c["seed"] for c in cases])[known]
    values = values[known]
    if not len(values):
        return math.nan, math.nan
    mean = float(values.mean())
    sums = np.array([(values[seeds == s] - mean).sum() for s in np.unique(seeds)])
    if len(sums) < 2:
        return mean, math.nan
    se = math.sqrt(len(sums) / (len(sums) - 1) * float(np.sum(sums**2))) / len(values)
    return mean, se


def rms(x: np.ndarray) -> float:
    x = x[np.isfinite(x)]
    return float(np.sqrt(np.mean(x**2))) if len(x) else math.nan


@dataclass(frozen=True)
class Ratios:
    """Root mean squares of errors over their standard errors, the fresh takeovers' own chance taken
    in; and spreads from rep to rep, said over seen."""

    marks: int
    chance: float
    mark: float
    time: float
    time_bias_s: float
    time_spread: float
    pass_spread: float


def ratios(cases: Sequence[Case]) -> Ratios:
    def get(name: str) -> np.ndarray:
        return column(cases, name)

    said, n = get("said"), get("n")
    chance = np.sqrt(np.clip(said * (1 - said), 1e-4, None) / n)
    own_s = get("time_spread_was_s") / np.sqrt(n)
    return Ratios(
        marks=len(cases),
        chance=rms((said - get("was")) / np.hypot(get("said_sd"), chance)),
        mark=rms(
            get("mark_off_m") / np.hypot(get("mark_sd_m"), get("pass_spread_was_m") / np.sqrt(n))
        ),
        time=rms(get("time_off_s") / np.hypot(get("time_sd_s"), own_s)),
        time_bias_s=float(np.nanmean(get("time_off_s"))),
        time_spread=rms(get("time_spread_s")) / rms(get("time_spread_was_s")),
        pass_spread=rms(get("pass_spread_m")) / rms(get("pass_spread_was_m")),
    )


def pick(cases: Iterable[Case], **wanted: Any) -> list[Case]:
    """The cases with these values."""
    return [c for c in cases if all(c.get(k) == v for k, v in wanted.items())]


def in_bin(cases: Iterable[Case], name: str, low: float, high: float) -> list[Case]:
    return [c for c in cases if low <= c[name] < high]


# --- tables ---------------------------------------------------------------------------------


def markdown(cases: Sequence[Case]) -> str:
    """The tables of docs/advice.md."""
    parts = [regret_table(cases), level_table(cases), ratio_table(cases), into_table(cases)]
    return "\n\n".join(parts)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def _counts(cases: Iterable[Case]) -> list[int]:
    return sorted({c["reps"] for c in cases})


def _seconds(cases: Sequence[Case]) -> str:
    mean, se = mean_se(cases, "regret_s")
    return f"{mean:.3f}" + (f" ± {se:.3f}" if math.isfinite(se) else "")


def _percent(mean: float, se: float = math.nan) -> str:
    if math.isnan(mean):
        return ""
    return f"{100 * mean:.1f} %" + (f" ± {100 * se:.1f}" if math.isfinite(se) else "")


def regret_table(cases: Sequence[Case]) -> str:
    """Seconds lost on the marks that somebody came to, against each pair's best mark."""
    marks = pick(cases, what="mark")
    counts = _counts(marks)
    rows = []
    for failure_s in FAILURES_S:
        for who in WHO:
            own = pick(marks, who=who, failure_s=failure_s)
            rows.append([f"{failure_s:g} s", who, *(_seconds(pick(own, reps=n)) for n in counts)])
            if who == TOOL or failure_s == USUAL_S:
                chances = (_said_was(pick(own, reps=n)) for n in counts)
                rows.append(["", "its marks: in the zone, said, happened", *chances])
    usual = pick(marks, who=TOOL, failure_s=None)
    if usual:
        cells = (_seconds(pick(usual, reps=n)) for n in counts)
        failure, into = default_price()
        words = f"the tool's defaults: running into each other counted at {into:g} s"
        rows.append([f"{failure:g} s", words, *cells])
    return _table(["a failure costs", "loss beyond the best mark's, s", *map(str, counts)], rows)


def _said_was(cases: Sequence[Case]) -> str:
    was, said = mean_se(cases, "was")[0], mean_se(cases, "said")[0]
    return ("" if math.isnan(said) else f"{100 * said:.1f}, ") + f"{100 * was:.1f} %"


def level_table(cases: Sequence[Case]) -> str:
    """Said against happened, at every level, over all counts and by count."""
    own = pick(cases, what="level")
    counts = _counts(own)
    rows = []
    for level in LEVELS:
        here = pick(own, level=level)
        by_count = []
        for n in counts:
            part = pick(here, reps=n)
            off = mean_se(part, "was")[0] - mean_se(part, "said")[0]
            by_count.append(f"{100 * off:+.1f} ({len(part)})" if part else "")
        sides = [pick(here, side=side) for side in ("near", "far")]
        said = _percent(mean_se(here, "said")[0])
        happened = (_percent(*mean_se(part, "was")) for part in (here, *sides))
        rows.append([f"{100 * level:g} %", str(len(here)), said, *happened, *by_count])
    head = ["level", "marks", "said", "happened", "nearer than the safest", "farther"]
    return _table([*head, *(f"{n} reps: happened less said (marks)" for n in counts)], rows)


def ratio_table(cases: Sequence[Case]) -> str:
    """Errors over their standard errors, of the advised marks and of those of every level."""
    own = pick(cases, what="level")
    advised = pick(cases, what="mark", who=TOOL, failure_s=USUAL_S)
    rows = []
    for name, part in (
        ("all levels", own),
        *((f"level {100 * level:g} %", pick(own, level=level)) for level in LEVELS),
        ("advised", advised),
        *((f"advised, {n} reps", pick(advised, reps=n)) for n in _counts(advised)),
    ):
        if part:
            r = ratios(part)
            rows.append([
                name, str(r.marks), f"{r.chance:.2f}", f"{r.mark:.2f}", f"{r.time:.2f}",
                f"{r.time_bias_s:+.3f}", f"{r.time_spread:.2f}", f"{r.pass_spread:.2f}",
            ])  # fmt: skip
    return _table(
        ["marks", "number", "chance: error over its own", "mark", "zone time", "mean error, s",
         "spread of zone times, said over seen", "spread of passes"],
        rows,
    )  # fmt: skip


def into_table(cases: Sequence[Case]) -> str:
    """What is said of running into each other against what happened."""
    own = pick(cases, what="into")
    rows = []
    for low, high in itertools.pairwise(INTO_BINS):
        part = in_bin(own, "said", low, high)
        if part:
            name = f"{100 * low:g} to {min(100.0, 100 * high):g} %"
            said = _percent(mean_se(part, "said")[0])
            rows.append([name, str(len(part)), said, _percent(*mean_se(part, "was"))])
    return _table(["said to run into each other", "marks", "said", "happened"], rows)


def plot(cases: Sequence[Case], path: Path) -> None:
    """Left the loss by count of reps, of the tool and both rules; right said against happened."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    pyplot.rcParams |= {"svg.hashsalt": "advice", "svg.fonttype": "none", "font.size": 10}
    drawing, (left, right) = pyplot.subplots(1, 2, figsize=(11, 4.4))
    marks = pick(cases, what="mark", failure_s=USUAL_S)
    for who, style in zip(WHO, ("o-k", "s--", "^:"), strict=True):
        own = pick(marks, who=who)
        if not own:
            continue
        counts = _counts(own)
        found = np.array([mean_se(pick(own, reps=n), "regret_s") for n in counts])
        colour = {} if who == TOOL else {"color": "0.45"}
        left.errorbar(counts, found[:, 0], 2 * np.nan_to_num(found[:, 1]), fmt=style, capsize=3,
                      label=who, **colour)  # fmt: skip
    left.set(xscale="log", xlabel="reps a pair", ylabel="loss beyond the best mark's, s")
    left.set_xticks(list(COUNTS), [str(n) for n in COUNTS])
    left.set_ylim(bottom=0.0)
    left.legend(frameon=False)
    level = pick(cases, what="level")
    right.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    dots = column(level, "said"), column(level, "was")
    right.plot(*dots, ".", color="0.8", markersize=2, rasterized=True)  # thousands: one picture
    for one in LEVELS:
        here = pick(level, level=one)
        if here:
            mean, se = mean_se(here, "was")
            right.errorbar(
                mean_se(here, "said")[0], mean, 2 * np.nan_to_num(se), fmt="ok", capsize=3
            )
    right.set(xlabel="said to pass in the zone", ylabel="share of fresh takeovers that did")
    right.set(xlim=(0.3, 1.02), ylim=(0.0, 1.02))
    drawing.tight_layout()
    drawing.savefig(path, metadata={"Date": None})
    pyplot.close(drawing)


# --- command --------------------------------------------------------------------------------


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", default=SEEDS, help="squads, as in 1-6,9")
    parser.add_argument("--reps", default=",".join(map(str, COUNTS)), help="reps a pair")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument(
        "--keep", help="folder for truth and lakes, used again where they are there"
    )
    parser.add_argument("--files", action="store_true", help="through files, print only")
    parser.add_argument("--cases", type=Path, help="file for all cases, pickled")
    options = parser.parse_args()

    from worlds_study import parse_seeds

    counts = tuple(parse_seeds(options.reps))
    if options.keep is not None:
        Path(options.keep).mkdir(parents=True, exist_ok=True)
    whole = options.seeds == SEEDS and counts == COUNTS and not options.files
    work = [Work(seed, counts, options.keep, options.files) for seed in parse_seeds(options.seeds)]
    cases, failures = study(work, options.workers)
    for failure in failures:
        print("FAILED", failure)
    if not cases:
        return 1
    if options.cases is not None:
        options.cases.write_bytes(pickle.dumps(cases))
    text = markdown(cases)
    print(text)
    if whole and not failures:
        page = PAGE.read_text(encoding="utf-8")
        before, after = page.split(BEGIN)[0], page.split(END)[1]
        PAGE.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}", encoding="utf-8")
        plot(cases, PLOT)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
