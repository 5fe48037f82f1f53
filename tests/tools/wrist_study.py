"""What a unit on a wrist is worth: the last table of docs/accuracy.md.

    python tests/tools/wrist_study.py                 print the table and write docs/accuracy.md
    python tests/tools/wrist_study.py --seeds 1-24    squads that may be looked at, print only

Takeovers of invented squads (sample_tracks/wrists.py) without files. What the traces say of the
pass is stood in for by a normal distribution about the truth, as docs/accuracy.md has it.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy

import numpy as np  # noqa: E402 - the threads must be set first

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import checkout  # noqa: E402 - found by the line above
import made_wrists  # noqa: E402
import wrists as arms  # noqa: E402

from pipeline.measure import wrists  # noqa: E402

PAGE = checkout.ROOT / "docs" / "accuracy.md"
BEGIN, END = "<!-- wrists: begin -->", "<!-- wrists: end -->"
SEEDS = "301-330"
EACH = 4  # takeovers of a squad and row
TRACES_LATE_S, TRACES_SD_S, TRACES_STATED_S = 0.09, 0.18, 0.21
CLOCK_SD_S = 0.003
FAR_S = 0.1
RECEIVER, INCOMER, BOTH = ("outgoing",), ("incoming",), ("incoming", "outgoing")


@dataclass(frozen=True)
class Row:
    """A row of the table: which arms have a unit, what they do, and what is not drawn."""

    words: str
    roles: tuple[str, ...]
    kind: str
    options: dict[str, Any]
    clock_off_s: float = 0.0


ROWS = [
    *(
        Row(f"receiver's wrist, {hz} Hz", RECEIVER, "reach", {"rate_hz": float(hz)})
        for hz in (25, 50, 100, 200)
    ),
    *(
        Row(f"receiver's wrist, 100 Hz, knock of {g:g} g", RECEIVER, "reach",
            {"rate_hz": 100.0, "knock_g": float(g)})
        for g in (0, 2, 5, 10)
    ),
    Row("incoming runner's wrist", INCOMER, "reach", {}),
    Row("both wrists", BOTH, "reach", {}),
    Row("both wrists, 100 Hz, knock of 5 g", BOTH, "reach", {"rate_hz": 100.0, "knock_g": 5.0}),
    Row("both on the other arm", BOTH, "other arm", {}),
    *(Row(f"receiver's wrist: {kind}", RECEIVER, kind, {}) for kind in arms.MISLEADING),
    Row("receiver's wrist, as it comes", RECEIVER, "any", {}),
    Row("both wrists, as it comes", BOTH, "any", {}),
    *(
        Row(f"receiver's wrist, clock {off:g} s late", RECEIVER, "reach", {"one_pair": True}, off)
        for off in (0.0, 0.1, 0.2, 0.3, 1.0)
    ),
]  # fmt: skip


@dataclass(frozen=True)
class Result:
    """Of one takeover: errors and standard errors in s; `hand` is None where none was given."""

    traces: float
    error: float
    sd: float
    sign: bool
    sensed: bool
    doubted: bool
    unusable: bool
    hand: tuple[float, float] | None


def results(row: Row, seeds: range) -> Iterator[Result]:
    for seed in seeds:
        rng = np.random.default_rng([seed, 20261202])
        kinds = dict.fromkeys(row.roles, row.kind)
        made = made_wrists.made_takeovers(seed, EACH, kinds, **row.options)
        off = _clocks_off(made, row)
        for one in made:
            if one.pass_s is not None:
                traces_off_s = rng.normal(TRACES_LATE_S, TRACES_SD_S)
                yield _measure(one, row, one.pass_s, traces_off_s, off)


def _stream(worn: made_wrists.MadeWrist, role: str, row: Row) -> wrists.WristStream:
    return wrists.WristStream(
        worn.runner, role, worn.t_s + row.clock_off_s, worn.acc_mps2, CLOCK_SD_S
    )


def _start_s(one: made_wrists.MadeTakeover, role: str) -> float:
    return 0.0 if role == "incoming" else one.go_s


def _clocks_off(made: list[made_wrists.MadeTakeover], row: Row) -> set[str]:
    """The runners the clock of whose wrist looks off over these takeovers."""
    lateness: dict[str, list[float]] = {}
    for one in made:
        for role, worn in one.wrists.items():
            late = wrists.arm_lateness(_stream(worn, role, row), _start_s(one, role))
            if late is not None:
                lateness.setdefault(worn.runner, []).append(late)
    return {who for who, late in lateness.items() if wrists.find_clock_off(late) is not None}


def _measure(
    one: made_wrists.MadeTakeover, row: Row, pass_s: float, traces_off_s: float, off: set[str]
) -> Result:
    moments = np.arange(one.go_s + 0.3, one.end_s + 1.2, 0.02)
    signs, unusable = {}, False
    for role, worn in one.wrists.items():
        found = wrists.find_sign(_stream(worn, role, row), moments, _start_s(one, role))
        if worn.runner in off or (isinstance(found, wrists.NoSign) and found.unusable):
            unusable = True
        elif isinstance(found, wrists.WristSign):
            signs[role] = found
    log = -0.5 * ((moments - pass_s - traces_off_s) / TRACES_STATED_S) ** 2
    log = sum((sign.log_likelihood(moments) for sign in signs.values()), log)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = float(weight @ moments)
    sd = float(np.sqrt(weight @ (moments - mean) ** 2 + 0.02**2 / 12))
    right = {role: sign.chance_right(moments, weight) for role, sign in signs.items()}
    hand = None
    if right.get("outgoing", 0.0) > wrists.SENSED_P:
        back, true = signs["outgoing"].hand_back, one.wrists["outgoing"].back_s
        hand = None if back is None or true is None else (back.value - true, back.sd)
    return Result(
        traces_off_s,
        mean - pass_s,
        sd,
        bool(signs),
        wrists.is_sensed(list(signs.values()), moments, weight, sd),
        any(chance < 0.5 for chance in right.values()),
        unusable,
        hand,
    )


def table(seeds: range) -> list[str]:
    lines = [
        "| | takeovers | with a sign | `sensed` | traces alone, s | pass moment, s | "
        "where `sensed`, s | `sensed` and 0.1 s off | doubted or not used | hand goes back, s |",
        "|---|---:|---:|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for row in ROWS:
        found = list(results(row, seeds))
        sensed = [one for one in found if one.sensed]
        far = sum(abs(one.error) > FAR_S for one in sensed)
        hands = [one.hand for one in found if one.hand is not None]
        cells = [
            row.words,
            str(len(found)),
            _share(sum(one.sign for one in found), len(found)),
            _share(len(sensed), len(found)),
            f"{_rms([one.traces for one in found]):.3f}",
            _error([(one.error, one.sd) for one in found]),
            _error([(one.error, one.sd) for one in sensed]),
            f"{far} of {len(sensed)}",
            _share(sum(one.doubted or one.unusable for one in found), len(found)),
            _error(hands),
        ]
        lines.append("| " + " | ".join(cells) + " |")
        print(lines[-1], flush=True)
    return lines


def _share(part: int, whole: int) -> str:
    return f"{part / max(whole, 1):.0%}".replace("%", " %")


def _rms(x: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(x)))) if x else float("nan")


def _error(pairs: list[tuple[float, float]]) -> str:
    if not pairs:
        return ""
    return f"{_rms([e for e, _ in pairs]):.3f} ({_rms([e / sd for e, sd in pairs]):.2f})"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", default=SEEDS, help="first-last, squads")
    options = parser.parse_args()
    first, last = (int(part) for part in options.seeds.split("-"))
    lines = table(range(first, last + 1))
    if options.seeds == SEEDS:
        text = PAGE.read_text(encoding="utf-8")
        before, after = text.split(BEGIN)[0], text.split(END)[1]
        PAGE.write_text(before + "\n".join([BEGIN, *lines, END]) + after, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
