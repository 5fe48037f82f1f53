"""Are the causes right? What takeovers are said to have lost, and to what, against the generator.

    python tests/tools/causes_study.py                   print, and write docs/accuracy.md
    python tests/tools/causes_study.py --worlds 1-8      some worlds, print only

For each world (sample_tracks/worlds.py) a squad practises for some evenings; its tables are made
without files, with the errors that processing leaves (support/squads.py). The causes of each
takeover are worked out from the tables, and compared with what truly made the difference
(support/true_causes.py): the generator's own takeover, with one thing after the other changed.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: one worker a core, one thread a worker

import numpy as np  # noqa: E402 - the threads must be set first

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import row_errors  # noqa: E402
from checkout import ROOT  # noqa: E402 - found by the line above

PAGE = ROOT / "docs" / "accuracy.md"
BEGIN, END = "<!-- causes: begin -->", "<!-- causes: end -->"
OPEN, UNSEEN = "1-8", "25-34"  # worlds that may be looked at, and worlds that were not
EVENINGS, REPS, RUNNERS = 3, 12, 5
TELLING_S = 0.004  # a part whose standard error is smaller than this tells nothing of its honesty


@dataclass(frozen=True)
class CauseCase:
    """One cause of one takeover: what was said and what was true."""

    world: int
    takeover: str
    cause: str
    said_s: float
    sd_s: float
    true_s: float
    outside: float

    @property
    def z(self) -> float:
        return (self.said_s - self.true_s) / self.sd_s


@dataclass(frozen=True)
class MainCase:
    """The main cause of one takeover, None where none was claimed, and the true ones."""

    world: int
    takeover: str
    said: str | None
    true: str
    true_s: float
    second_s: float
    said_true_s: float


@dataclass(frozen=True)
class WorldCases:
    causes: tuple[CauseCase, ...]
    mains: tuple[MainCase, ...]
    takeovers: int


def judge_world(number: int) -> WorldCases:
    """All takeovers of one world's squad."""
    import true_causes
    from practice_evenings import practise

    from pipeline.advise import causes, marks, runners, takeovers, verdicts
    from pipeline.advise.settings import Settings
    from pipeline.tables.full_speed import at_full_speed

    squad, site, tables, plans = practise(number, evenings=EVENINGS, reps=REPS, n_runners=RUNNERS)
    exchanges, _ = at_full_speed(tables[0])
    reps = takeovers.gather_reps(exchanges, tables[1], site.event)
    advice = marks.advise_squad(runners.estimate_squad(reps), Settings())
    losses = causes.find_causes(exchanges, [advice])
    judged = verdicts.judge_takeovers(losses)
    who = {one.id: one for one in squad.people}
    best = {(p.incoming, p.outgoing): p for p in advice.pairs}
    found: list[CauseCase] = []
    mains: list[MainCase] = []
    for pair, advised in best.items():
        own = [x for x in judged if (x.loss.incoming, x.loss.outgoing) == pair and x.loss.parts]
        usual = true_causes.usual_plan(squad, site, pair, advised.best.mark_m, advised.stand_m)
        plan_of = [plans[x.loss.session, x.loss.exchange] for x in own]
        true = true_causes.true_parts(who[pair[0]], who[pair[1]], plan_of, usual)
        for verdict, parts in zip(own, true, strict=True):
            name = f"{verdict.loss.session} {verdict.loss.exchange}"
            for part in verdict.loss.parts:
                was = parts.lost_s.get(part.cause, 0.0)
                found.append(
                    CauseCase(
                        number, name, part.cause, part.lost.value, part.lost.sd, was, parts.outside
                    )
                )
            if verdict.loss.lost is not None:
                lost = verdict.loss.lost
                found.append(
                    CauseCase(
                        number, name, "whole", lost.value, lost.sd, parts.whole_s, parts.outside
                    )
                )
            ranked = sorted(parts.lost_s.items(), key=lambda one: -one[1])
            said_true = parts.lost_s.get(verdict.main or "", 0.0)
            mains.append(MainCase(number, name, verdict.main, *ranked[0], ranked[1][1], said_true))
    return WorldCases(tuple(found), tuple(mains), len(judged))


# --- what it comes to -----------------------------------------------------------------------


def markdown(results: Sequence[WorldCases]) -> str:
    """The table of the parts and the line on main causes."""
    import true_causes

    cases = [case for one in results for case in one.causes]
    lines = [
        "| cause | parts | true size, s | error, s | said error, s | error / said |",
        "|---|---|---|---|---|---|",
    ]
    for cause in (*true_causes.CAUSES, "rest", "whole"):
        own = [case for case in cases if case.cause == cause and case.sd_s >= TELLING_S]
        if not own:
            continue
        errors = np.array([case.said_s - case.true_s for case in own])
        z = np.array([case.z for case in own])
        lines.append(
            f"| {cause} | {len(own)} | {_rms([case.true_s for case in own]):.3f} "
            f"| {_rms(errors):.3f} | {_rms([case.sd_s for case in own]):.3f} | {_rms(z):.2f} |"
        )
    mains = [case for one in results for case in one.mains]
    claimed = [case for case in mains if case.said is not None]
    right = sum(case.said == case.true for case in claimed)
    share = f"{right / len(claimed):.0%}" if claimed else "-"
    takeovers = sum(one.takeovers for one in results)
    lines += [
        "",
        f"{takeovers} takeovers, {len(mains)} of them with parts; a main cause is claimed for "
        f"{len(claimed)}, and right in {right} ({share}).",
    ]
    return "\n".join(lines)


def _rms(values: Any) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def parse_worlds(text: str) -> list[int]:
    """Numbers such as 3 or 1-8."""
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def judge_worlds(numbers: Sequence[int], workers: int) -> list[WorldCases]:
    if workers < 2:
        return [judge_world(number) for number in numbers]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return pool.map(judge_world, numbers, chunksize=1)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--worlds", help="such as 1-8: print only")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--pickle", type=Path, help="keep the cases in this file")
    asked = parser.parse_args(arguments)
    if asked.worlds:
        results = judge_worlds(parse_worlds(asked.worlds), asked.workers)
        print(markdown(results))
        if asked.pickle:
            import pickle

            asked.pickle.write_bytes(pickle.dumps(results))
        return 0
    parts = []
    for title, worlds in (("could be looked at", OPEN), ("were never looked at", UNSEEN)):
        table = markdown(judge_worlds(parse_worlds(worlds), asked.workers))
        parts.append(f"Worlds {worlds}, which {title}:\n\n{table}\n")
    text = "\n".join(parts)
    print(text)
    row_errors.renew_table(PAGE, BEGIN, END, text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
