"""A population of worlds: squads whose habits, bodies, receivers and marks differ.

A world says what all its people have in common and how much they differ; `draw_world` draws one
from a seed, over wider ranges than anybody expects of one squad. What is measured has to hold over
all of them together (tests/tools/accuracy_study.py), never in one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from people import Rng


@dataclass(frozen=True)
class World:
    """Ranges in seconds, metres, m/s; a pair of numbers is from, to."""

    squad_mps: float = 9.6  # mean top speed
    let_go_s: float = 0.2  # the squad's mean from the pass to the easing; negative: before it
    let_go_runner_s: float = 0.1  # spread between runners
    let_go_rep_s: float = 0.1  # and from rep to rep
    ease_mps2: tuple[float, float] = (1.5, 4.0)  # gentle to hard
    matches: float = 0.0  # share of takeovers in which the incoming runner brakes to match
    reach_m: float = 1.2
    reach_pair_m: float = 0.1
    reach_rep_m: float = 0.12
    build_s: tuple[float, float] = (0.11, 0.2)
    hand_s: tuple[float, float] = (0.2, 0.4)  # from the call to the hand
    chases: float = 0.85  # share of receivers who ease when the baton does not come
    lag_s: float = 0.15  # from the mark to the first movement, the squad's mean
    lag_runner_s: float = 0.05
    lag_rep_s: tuple[float, float] = (0.03, 0.05)
    side_in_m: float = 0.14  # right of the measured line, incoming and outgoing
    side_out_m: float = 0.3
    side_by_zone: bool = False  # swapped in the second zone
    target_m: tuple[float, float] = (17.0, 23.0)  # where the coach wants the pass
    delay_s: float | None = None  # of the speed the squad's make of receiver states
    scale: float | None = None  # spread of these speeds' scale error between units
    farthest_mark_feet: float = 41.0  # no mark lies farther before the back line than this

    def sides_m(self, zone: int) -> tuple[float, float]:
        """Usual places right of the measured line: the incoming runner's, the outgoing one's."""
        sides = self.side_in_m, self.side_out_m
        return sides[::-1] if self.side_by_zone and zone == 2 else sides


def trade_mark_feet(squad_mps: float) -> float:
    """Where the trade puts a mark, in foot-lengths: about 25 for women and 30 for men (common
    practice, no source); here for squads of 9.3 and 10.8 m/s. Never more than 30."""
    return min(30.0, 25.0 + 5.0 / 1.5 * (squad_mps - 9.3))


def farthest_mark_feet(squad_mps: float) -> float:
    """The farthest mark a squad uses: fifteen foot-lengths beyond where the trade puts it.

    Receivers who go before the mark need about as much as the trade says. Those who go after it
    need more; where even the farthest mark is not enough, they take the pass earlier."""
    return trade_mark_feet(squad_mps) + 15.0


def draw_world(seed: int) -> World:
    """A world from the population; the same seed gives the same."""
    rng: Rng = np.random.default_rng([seed, 20261128])
    u = rng.uniform
    let_go = float(u(-0.4, 0.6))
    easy = float(u(1.0, 3.0))
    build = float(u(0.05, 0.2))
    hand = float(u(0.15, 0.5))
    middle, apart = float(u(0.1, 0.3)), float(rng.choice([-1, 0, 1]) * u(0.05, 0.2))
    target = float(u(10.0, 23.0))
    squad = float(u(7.5, 12.0))
    return World(
        squad_mps=squad,
        let_go_s=let_go,
        let_go_runner_s=float(u(0.03, 0.15)),
        let_go_rep_s=float(u(0.03, 0.15)),
        ease_mps2=(easy, easy + float(u(0.5, 2.5))),
        matches=float(rng.choice([0.0, 0.0, 0.3, 0.8, 1.0])),
        reach_m=float(u(0.8, 1.5)),
        reach_pair_m=float(u(0.05, 0.12)),
        reach_rep_m=float(u(0.08, 0.2)),
        build_s=(build, build + 0.05),
        hand_s=(hand, hand + float(u(0.1, 0.4))),
        chases=float(u(0.3, 1.0)),
        lag_s=float(u(-0.4, 0.25)),
        lag_runner_s=float(u(0.02, 0.08)),
        lag_rep_s=(0.03, float(u(0.04, 0.08))),
        side_in_m=middle - apart / 2,
        side_out_m=middle + apart / 2,
        side_by_zone=bool(rng.random() < 0.5),
        target_m=(target - 3.0, target + 3.0),
        # Published receivers state speeds 0 to 0.25 s late (Hoppe et al. 2018), nine in ten within
        # 0.1 m/s (Townshend et al. 2008).
        delay_s=float(max(0.0, u(-0.05, 0.2))),
        scale=float(u(0.003, 0.007)),
        farthest_mark_feet=farthest_mark_feet(squad),
    )
