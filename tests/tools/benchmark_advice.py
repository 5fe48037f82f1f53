"""How long does advice take? Not a test: nothing fails on a slow machine.

    python tests/tools/benchmark_advice.py [--runs 9]

Seconds of one core (the process's own, so that others on the machine count little), after import:
marks for all 30 ordered pairs of six runners with the whole curve behind each, and 360 running
orders of the six. Beside them what an opponent of plain Python takes: one rep on one mark after
the other, in a loop, without arrays. The lake is one without files (tests/support/squads.py): three
evenings of twelve reps.
"""

from __future__ import annotations

import argparse
import math
import os
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy: one core is what is measured

import numpy as np  # noqa: E402 - the threads must be set first

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import squads  # noqa: E402

from pipeline.advise import decisions, marks, orders, simulate  # noqa: E402
from pipeline.advise.settings import Settings, choose_conditions  # noqa: E402

LOOP_REPS = 32  # by hand, then scaled to as many as the advice draws


def seconds(do: Callable[[], Any], runs: int) -> list[float]:
    do()  # once for caches that fill on first use
    out = []
    for _ in range(runs):
        began = time.process_time()
        do()
        out.append(time.process_time() - began)
    return out


def said(name: str, times: list[float], target_s: float | None = None) -> str:
    line = (
        f"{name:58s} median {statistics.median(times):8.3f} s, "
        f"{min(times):.3f} to {max(times):.3f} s in {len(times)} runs"
    )
    return line + (f" (target {target_s:g} s)" if target_s else "")


def by_hand(
    draws: simulate.Draws,
    own: marks.Squad,
    where: simulate.Conditions,
    pair: tuple[int, int],
    marks_m: list[float],
    stand_m: float,
    reps: int,
) -> list[float]:
    """Share of passes inside the zone on each mark, a rep at a time: both runners are followed
    every hundredth of a second until the baton can pass. Nobody eases and no hand comes late,
    which the advice has: the loop does less."""
    i, j = pair
    inside = [0] * len(marks_m)
    for k in range(reps):
        top, tau, launch = (float(x[k, j]) for x in (draws.top_mps, draws.tau_s, draws.launch_s))
        v, gain, fade = (float(x[k, i]) for x in (draws.v_in_mps, draws.gain_mps2, draws.fade_mps2))
        lag = float(draws.lag_s[k, j])
        reach = float(
            draws.reach_share_m[k, i]
            + draws.reach_share_m[k, j]
            + own.reach.pair[i, j]
            + own.reach.pair_sd[i, j] * draws.reach_pair[k]
            + draws.reach_rep_m[k]
        )
        from_m = where.back_m + stand_m + float(draws.stand_m[k])
        for m, mark in enumerate(marks_m):
            at = where.back_m - mark
            pull = gain if at < 0 else -fade
            go = 2 * at / (v + math.sqrt(max(v * v + 2 * pull * at, 0.04 * v * v))) + lag
            t = go
            while True:
                u = max(0.0, (t - go - launch) / tau)
                s_out = from_m + top * tau * (u + math.exp(-u) - 1)
                s_in = v * t + 0.5 * (gain if t < 0 else -fade) * t * t
                if s_out - s_in <= reach:
                    inside[m] += 0.0 <= 0.5 * (s_out + s_in) <= where.zone_m
                    break
                if s_out > where.zone_m + 6 or t > 20.0:
                    break
                t += 0.01
    return [count / reps for count in inside]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=9)
    runs = max(7, parser.parse_args().runs)
    lake, _, _ = squads.lake(1, n_runners=6)
    settings = Settings(event="4x100")
    advice = decisions.advise_lake(lake, settings)[0]
    rows = sum(len(pair.candidates.mark_m) for pair in advice.pairs)
    print(
        f"{len(lake.exchanges)} takeovers of 6 runners; {len(advice.pairs)} pairs, {rows} marks, "
        f"{settings.outer} x {settings.inner} draws; load {os.getloadavg()[0]:.1f}"
    )
    whole = seconds(lambda: marks.marks_table(decisions.advise_lake(lake, settings)), runs)
    print(said("marks: lake to table", whole, 2.0))

    found = decisions.find_squads(lake, settings)[0]
    print(said("  of it runners", seconds(lambda: decisions.find_squads(lake, settings), runs)))
    print(
        said("  of it pairs and curves", seconds(lambda: marks.advise_squad(found, settings), runs))
    )

    legs = orders.gather_legs(advice, 4)
    count = len(orders.rank_orders(legs).legs)
    print(
        said(
            f"orders: {count} of {len(legs.runners)}",
            seconds(lambda: orders.rank_orders(legs), runs),
            1.0,
        )
    )

    where = choose_conditions(found.event, settings)
    draws = simulate.draw_runners(
        found, where, outer=settings.outer, inner=settings.inner, seed=settings.seed
    )
    rng = np.random.default_rng(0)
    pick = rng.permutation(settings.outer * settings.inner)[:LOOP_REPS]
    some = _some(draws, pick)
    pair = advice.pairs[0]
    i, j = found.index(pair.incoming), found.index(pair.outgoing)
    at = [float(m) for m in pair.candidates.mark_m]
    shares: list[float] = []

    def loop() -> None:
        shares[:] = by_hand(some, found, where, (i, j), at, pair.stand_m, LOOP_REPS)

    own = seconds(
        lambda: simulate.simulate(found, draws, (i, j), np.array(at), pair.stand_m, where), runs
    )
    slow = seconds(loop, runs)
    scale = settings.outer * settings.inner / LOOP_REPS
    print(said("one pair, one stand, arrays", own))
    print(said("the same by a plain loop, scaled to as many reps", [scale * x for x in slow]))
    ratio = scale * statistics.median(slow) / statistics.median(own)
    far = float(np.max(np.abs(np.array(shares) - pair.candidates.p_in_zone)[: len(at) // 2]))
    print(f"the loop takes {ratio:.0f} times as long; chances differ by {far:.2f} at most on the "
          f"nearer half of the marks ({LOOP_REPS} reps by hand)")  # fmt: skip


def _some(draws: simulate.Draws, pick: np.ndarray) -> simulate.Draws:
    """A few of the draws; the arrays' first axis."""
    from dataclasses import fields, replace

    arrays = {
        f.name: getattr(draws, f.name)[pick]
        for f in fields(draws)
        if isinstance(getattr(draws, f.name), np.ndarray)
    }
    return replace(draws, outer=len(pick), inner=1, **arrays)


if __name__ == "__main__":
    main()
