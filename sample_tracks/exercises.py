"""Exercises that a squad does besides takeovers: standing, jogging, the rotation round the track.

Each stage lays its part of the evening and gives rows of truth: who gave to whom between which
moments (seconds of the evening), at which speed and gap.
"""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from evening import Trace, ease
from people import DT, Rng, slow_noise
from practice import Site

KINDS = ("standing", "jog", "rotation")
Row = dict[str, Any]


def stage(kind: str, rng: Rng, site: Site, traces: list[Trace], now: int) -> tuple[list[Row], int]:
    """One exercise from index `now` on (the pair, or the whole squad for the rotation), and when it
    has ended."""
    begin = now + int(rng.uniform(25, 40) / DT)
    who = traces if kind == "rotation" else traces[:2]
    gap_m = 1.6 if kind == "standing" else float(rng.uniform(1.7, 2.4))
    first_l = site.entry_l_m - float(rng.uniform(30, 45))
    for trace in who:
        far = abs(trace.l_m - first_l)
        begin = max(begin, trace.n + int((far / 1.2 + 12) / DT))
        trace.linger(min(begin - int(60 / DT), begin))
    for place, trace in enumerate(who):
        trace.walk(first_l + gap_m * place, 0.3, begin, 4.0)
    if kind == "standing":
        end = begin + int(20 / DT)
        for trace in who:
            trace.stand(end)
        rows = [_row(kind, begin, end, who[0], who[1], 0.0, gap_m)]
    elif kind == "jog":
        rows, end = _jog(rng, who, begin, gap_m)
    else:
        rows, end = _rotation(rng, who, begin, gap_m)
    return rows, end


def _row(kind: str, first: int, last: int, a: Trace, b: Trace, v: float, gap: float) -> Row:
    return {
        "drill": kind, "incoming": a.person.id, "outgoing": b.person.id,
        "from_index": first, "to_index": last, "speed_mps": v, "gap_m": gap,
    }  # fmt: skip


def _jog(rng: Rng, who: list[Trace], begin: int, gap_m: float) -> tuple[list[Row], int]:
    n = int(float(rng.uniform(15, 30)) / DT)
    pace = float(rng.uniform(2.8, 4.5))
    t = np.arange(1, n + 1) * DT
    v = pace * ease(t / 2.0) * ease((n * DT - t) / 2.0)
    way = np.cumsum(v) * DT
    wander = slow_noise(rng, n, DT, 3.0, 0.15) * ease(t / 2.0) * ease((n * DT - t) / 2.0)
    who[0].run(who[0].l_m + way, np.full(n, 0.3), -1)
    who[1].run(who[1].l_m + way + wander, np.full(n, 0.3), -1)
    row = _row("jog", begin, begin + n, who[0], who[1], pace, gap_m)
    return [row], begin + n


def _rotation(rng: Rng, who: list[Trace], begin: int, gap_m: float) -> tuple[list[Row], int]:
    """In each round the baton goes to the front, then the last sprints there."""
    pace = float(rng.uniform(2.7, 3.5))
    rounds, size = 2 * len(who), len(who)
    times, clock = [], 4.0
    for _ in range(rounds):
        clock += float(rng.uniform(5.0, 8.0))  # the baton travels
        times.append((clock, clock + float(rng.uniform(3.5, 5.0))))
        clock = times[-1][1]
    n = int((clock + 6.0) / DT)
    t = np.arange(1, n + 1) * DT
    way = np.cumsum(pace * ease(t / 2.0) * ease((n * DT - t) / 2.0)) * DT
    order, rows, ahead = list(range(size)), [], np.zeros((size, n))
    before = 0.0
    for k, (first, last) in enumerate(times):
        for a, b in pairwise(order):
            rows.append(
                _row("rotation", begin + int(before / DT), begin + int(first / DT),
                     who[a], who[b], pace, gap_m) | {"round": k + 1}
            )  # fmt: skip
        rear = order.pop(0)
        ahead[rear] += gap_m * size * ease((t - first) / (last - first))
        order.append(rear)
        before = last
    for k, trace in enumerate(who):
        wander = slow_noise(rng, n, DT, 3.0, 0.12) * ease(t / 2.0) * ease((n * DT - t) / 2.0)
        trace.run(trace.l_m + way + ahead[k] + wander, np.full(n, 0.3), -1)
    return rows, begin + n


def add_to_sheet(path: Path, rows: list[Row], stamp: Any) -> None:
    """The exercises as further rows of the practice sheet, one for each."""
    with path.open(newline="") as file:
        table = list(csv.reader(file))
    head = [*table[0], "drill"]
    out = [head, *([*row, ""] for row in table[1:])]
    seen = set()
    for row in rows:
        if (begin := row["begin_utc_s"]) in seen:
            continue
        seen.add(begin)
        cells = {"incoming": row["incoming"], "outgoing": row["last_in_line"],
                 "start_utc": stamp(begin), "drill": row["drill"]}  # fmt: skip
        out.append([cells.get(name, "") for name in head])
    with path.open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(out)
