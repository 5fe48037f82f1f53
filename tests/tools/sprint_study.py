"""How real sprints come back: the second table of docs/accuracy.md.

    python tests/tools/sprint_study.py                 print the tables and write docs/accuracy.md
    python tests/tools/sprint_study.py --seeds 0-19    other evenings, print only

Needs the sprints that others measured (tests/support/real_sprints.py says which and where).
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy

import numpy as np  # noqa: E402 - the threads must be set first

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import checkout  # noqa: E402 - found by the line above
import real_sprints as real  # noqa: E402

PAGE = checkout.ROOT / "docs" / "accuracy.md"
BEGIN, END = "<!-- sprints: begin -->", "<!-- sprints: end -->"
SEEDS = "0-99"
LEVELS = ("quiet", "ordinary", "rough")


def motion_table(seeds: range) -> list[str]:
    """Course and speed of the real sprint under simulated receivers, by their level."""
    run = real.tether_sprint()
    lines = [
        "| receivers | runs | course, m (ratio) | speed, m/s (ratio) | "
        "ratio against the recorder's smooth speed |",
        "|---|---:|---:|---:|---:|",
    ]
    for level in LEVELS:
        several = [real.errors(run, real.fit_under_receivers(run, level, k)) for k in seeds]
        pairs = {name: np.array([one[name] for one in several]) for name in several[0]}
        s, v = (f"{real.rms(pairs[x][..., 0]):.3f} ({real.ratio(pairs[x]):.2f})" for x in "sv")
        recorder = f"{real.ratio(pairs['recorder']):.2f}"
        lines.append(f"| {level} | {2 * len(several)} | {s} | {v} | {recorder} |")
    return lines


def starts_table() -> list[str]:
    """Residuals of the law at the gates, by distance."""
    lines = [
        "| law, fitted to 52 starts | "
        + " | ".join(f"{m:.0f} m" for m in real.GATES_M)
        + " | all |",
        "|---|" + "---:|" * (len(real.GATES_M) + 1),
    ]
    for name, free in (("origin free", True), ("origin at the beam", False)):
        _, left = real.fit_gates(free)
        mean = " | ".join(f"{1000 * x:+.0f}" for x in [*left.mean(axis=0), left.mean()])
        lines.append(f"| {name}: mean, ms | {mean} |")
        each = [*(real.rms(column) for column in left.T), real.rms(left)]
        spread = " | ".join(f"{1000 * x:.0f}" for x in each)
        lines.append(f"| {name}: root mean square, ms | {spread} |")
    found, _ = real.fit_gates()
    values = [
        f"{name} {mean:.2f} ± {sd:.2f} {unit}"
        for name, unit, mean, sd in zip(
            ("V", "τ", "origin"),
            ("m/s", "s", "s"),
            found.mean(axis=0),
            found.std(axis=0, ddof=1),
            strict=True,
        )
    ]
    return [*lines, "", "Between the 52, origin free: " + ", ".join(values) + "."]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", default=SEEDS, help="first-last, evenings of each level")
    options = parser.parse_args()
    first, last = (int(part) for part in options.seeds.split("-"))
    tables = "\n".join([*motion_table(range(first, last + 1)), "", *starts_table()])
    print(tables)
    if options.seeds == SEEDS:
        text = PAGE.read_text(encoding="utf-8")
        before, after = text.split(BEGIN)[0], text.split(END)[1]
        PAGE.write_text(f"{before}{BEGIN}\n{tables}\n{END}{after}", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
