"""What the words of docs/advice.md rest on besides the calibration study: what a stake does to
marks, what the rule at the track does, and what the fastest runner on leg 1 costs.

    python tests/tools/track_study.py --squads 6

Squads are those of tests/support/squads.py: the generator's, measured without files.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / "support")]

import crowd  # noqa: E402
import squads  # noqa: E402

from pipeline.advise import decisions  # noqa: E402
from pipeline.advise.marks import Advice, PairAdvice  # noqa: E402
from pipeline.advise.orders import gather_legs, rank_orders  # noqa: E402
from pipeline.advise.settings import Settings  # noqa: E402
from pipeline.base import defaults  # noqa: E402
from pipeline.base.track_rule import track_rule  # noqa: E402

FEET = np.arange(-5, 6)  # about the mark advised, where the rule is tried
REPS = 150  # on each of these marks
PAIRS = 5  # of each squad
EVENING = 8  # reps on which a pair keeps to the rule
PLAYED = 3000


def advised_squads(first: int, number: int, settings: Settings) -> Iterator[tuple]:
    for seed in range(first, first + number):
        lake, squad, site = squads.lake(seed, evenings=2)
        yield decisions.advise_lake(lake, settings)[0], squad, site


# --- stakes ------------------------------------------------------------------------------


def stake_rows(first: int, number: int) -> list[str]:
    lines = ["| stake | collisions | mark, feet | in the zone | run into | zone time | pass |",
             "|---|---|---|---|---|---|---|"]  # fmt: skip
    for collisions, collision_s in (("avoid", defaults.COLLISION_S), ("time", 0.0)):
        for name, failure_s in defaults.STAKES_S.items():
            settings = Settings(failure_s=failure_s, collision_s=collision_s)
            pairs = [p for one, *_ in advised_squads(first, number, settings) for p in one.pairs]
            feet, *means = np.mean(
                [
                    (p.best.mark_m / (p.foot_m or defaults.FOOT_M), p.best.p_in_zone,
                     p.best.p_ran_into, p.best.zone_time_s, p.best.pass_m)
                    for p in pairs
                ],
                axis=0,
            )  # fmt: skip
            lines.append(
                f"| {name} | {collisions} | {feet:.1f} | {means[0]:.3f} | {means[1]:.3f} | "
                f"{means[2]:.3f} s | {means[3]:.1f} m |"
            )
    return lines


# --- the rule at the track -----------------------------------------------------------------


def play(
    near: np.ndarray, far: np.ndarray, start: int, reps: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Where the mark is after some reps by the rule, and the first move, in feet; (PLAYED,)."""
    at, first = np.full(PLAYED, start), np.zeros(PLAYED, dtype=int)
    runs = np.zeros((2, PLAYED), dtype=int)
    for _ in range(reps):
        u = rng.random(PLAYED)
        row = at - FEET[0]
        beyond = np.stack([u < near[row], u > 1.0 - far[row]])
        runs = np.where(beyond, runs + 1, 0)
        move = (runs[0] == 2).astype(int) - (runs[1] == 2)
        first = np.where(first == 0, move, first)
        at = np.clip(at + move, FEET[0], FEET[-1])
        runs[:, move != 0] = 0
    return at, first


def rule_of_a_pair(pair: PairAdvice, squad, site, rng) -> dict[str, float] | None:
    best = pair.best
    rule = track_rule(best.pass_m, best.pass_spread_m, best.p_in_zone, best.p_ran_away, site.zone_m)
    if rule is None:
        return None
    foot = pair.foot_m or defaults.FOOT_M
    places = [(best.mark_m + feet * foot, pair.stand_m) for feet in FEET]
    seen = crowd.on_marks(squad, site, (pair.incoming, pair.outgoing), places, REPS, rng)
    at = [np.where(one.passed, one.pass_m, np.inf) for one in seen]
    near = np.array([np.mean(x < rule.near_m) for x in at])
    far = np.array([np.mean(x > rule.far_m) for x in at])
    loss = np.array(
        [
            (np.nanmean(one.zone_time_s[one.legal]) if one.legal.any() else 5.0)
            + defaults.FAILURE_S * (1.0 - one.legal.mean())
            + defaults.COLLISION_S * one.collided.mean()
            for one in seen
        ]
    )
    # the right mark: where the middle pass is what was foretold
    right = int(np.abs([np.median(x) - best.pass_m for x in at]).argmin())
    out = {
        "limits": rule.far_m - rule.near_m,
        "two in a row": near[right] ** 2 + far[right] ** 2,
        "moved": np.mean(play(near, far, FEET[right], 6, rng)[1] != 0),
    }
    for off in (-2, 2):
        if 0 <= right + off < len(FEET):
            first = play(near, far, FEET[right + off], 6, rng)[1]
            out |= {f"right way {off:+d}": np.mean(first == -np.sign(off)),
                    f"wrong way {off:+d}": np.mean(first == np.sign(off))}  # fmt: skip
    for off in (-3, -2, 0, 2, 3):
        end, _ = play(near, far, off, EVENING, rng)
        out[f"gain {off:+d}"] = float(loss[off - FEET[0]] - loss[end - FEET[0]].mean())
    return out


def rule_rows(first: int, number: int) -> list[str]:
    found = []
    for k, (advice, squad, site) in enumerate(advised_squads(first, number, Settings())):
        rng = np.random.default_rng([first, k])
        for pair in rng.permutation(len(advice.pairs))[:PAIRS]:
            found.append(rule_of_a_pair(advice.pairs[pair], squad, site, rng))
    told = [one for one in found if one is not None]
    names = list(dict.fromkeys(name for one in told for name in one))
    lines = [f"{len(told)} of {len(found)} pairs have a rule"]
    for name in names:
        values = [one[name] for one in told if name in one]
        error = np.std(values, ddof=1) / np.sqrt(len(values))
        lines.append(f"{name}: {np.mean(values):.3f} ± {error:.3f}")
    return lines


# --- the fastest on leg 1 ------------------------------------------------------------------


def strength_row(advice: Advice) -> tuple[float, float]:
    """What the best order with the squad's fastest runner on leg 1 takes and loses more than the
    best of all [s]."""
    legs = gather_legs(advice, 4, None)
    top = advice.squad.start.mean[[advice.squad.index(name) for name in legs.runners], 0]
    asked = {"forbidden": (), "hands": None, "seed": 1}
    free = rank_orders(legs, fixed={}, **asked)
    led = rank_orders(legs, fixed={legs.runners[int(np.argmax(top))]: 1}, **asked)
    return (
        float(led.time_s[0] - free.time_s[0]),
        float(led.loss_s[0] - free.loss_s[0]),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--squads", type=int, default=6)
    parser.add_argument("--first", type=int, default=71, help="seed of the first squad")
    asked = parser.parse_args()
    print("\n".join(stake_rows(asked.first, asked.squads)), flush=True)
    print("\n".join(rule_rows(asked.first, asked.squads)), flush=True)
    more = np.array(
        [strength_row(one) for one, *_ in advised_squads(asked.first, asked.squads, Settings())]
    )
    print(f"fastest on leg 1: {np.round(more, 3).tolist()} s, mean {more.mean(axis=0)}")


if __name__ == "__main__":
    main()
