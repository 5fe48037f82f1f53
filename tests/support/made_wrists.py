"""Takeovers of invented squads as the units on their wrists feel them, without any files."""

from __future__ import annotations

from dataclasses import dataclass

import checkout  # noqa: F401 - finds sample_tracks
import evening
import numpy as np
import people
import practice
import worlds
import wrists

from pipeline.base.values import Floats

STANDS_S = 2.0


@dataclass(frozen=True, eq=False)
class MadeWrist:
    """What one unit felt; `back_s` is when the hand is where it takes the baton."""

    runner: str
    kind: str
    t_s: Floats
    acc_mps2: Floats
    back_s: float | None


@dataclass(frozen=True, eq=False)
class MadeTakeover:
    """Moments in s from the incoming runner's set-off; `wrists` by role."""

    go_s: float
    pass_s: float | None
    end_s: float  # the receiver has left the zone
    knock_g: float
    wrists: dict[str, MadeWrist]


def made_takeovers(
    seed: int,
    n: int,
    kinds: dict[str, str],
    *,
    rate_hz: float | None = None,
    knock_g: float | None = None,
    one_pair: bool = False,
) -> list[MadeTakeover]:
    """`n` takeovers of the squad of one world; `kinds` says by role what the arm does
    (wrists.KINDS; "any": drawn with the chances a squad may have; "misleading": one of those). With
    `one_pair` it is always the same two runners."""
    rng = np.random.default_rng([seed, 20261129])
    world = worlds.draw_world(seed)
    site = practice.choose_site(rng, rng, "4x100", "straight", None, "today")
    squad = practice.draw_squad(rng, 4, None, world)
    arms = {p.id: wrists.draw_arm(rng) for p in squad.people}
    units = {p.id: wrists.draw_unit(rng, rate_hz) for p in squad.people}
    out: list[MadeTakeover] = []
    while len(out) < n:
        a, b = (0, 1) if one_pair else rng.permutation(4)[:2]
        pi, po = squad.people[a], squad.people[b]
        setup = practice.of_world(rng, site, practice.draw_setup(rng, site), world)
        reach = squad.reach_m[pi.id, po.id]
        plan, _ = practice.plan_takeover(rng, site, pi, po, reach, setup, None, 0.05, world)
        run = people.take_over(pi, po, plan)
        if run.go_t is None:
            continue
        beyond = run.s_out > site.zone_m
        end = float(np.argmax(beyond)) * people.DT if beyond.any() else run.go_t + 5.0
        one = wrists.draw_handover(rng, arms[po.id], run.go_t, run.pass_t, None, end + 1.2, knock_g)
        felt = {}
        for role, person, s_m in (("incoming", pi, run.s_in), ("outgoing", po, run.s_out)):
            if role not in kinds:
                continue
            kind = _draw_kind(rng, kinds[role])
            acts = wrists.draw_acts(rng, arms[person.id], one, role, kind)
            body, grid = _body(rng, person, s_m, 0.0 if role == "incoming" else run.go_t)
            unit = units[person.id]
            t = np.arange(grid[0] + rng.uniform(0, 0.1), grid[-1], 1 / unit.rate_hz)
            acc = wrists.feel(rng, body, grid, t, arms[person.id], unit, [acts])
            felt[role] = MadeWrist(person.id, acts.kind, t, acc, acts.back_s)
        out.append(MadeTakeover(run.go_t, run.pass_t, end, one.knock_g, felt))
    return out


def _draw_kind(rng: np.random.Generator, asked: str) -> str:
    if asked == "any":
        asked = str(rng.choice(["reach", "other arm", "misleading"], p=[0.5, 0.25, 0.25]))
    return str(rng.choice(wrists.MISLEADING)) if asked == "misleading" else asked


def _body(
    rng: np.random.Generator, person: people.Person, s_m: Floats, go_s: float
) -> tuple[evening.Body, Floats]:
    """What a trunk does that stands for a moment and then runs `s_m`, and its grid of times."""
    trace = evening.Trace(person, float(s_m[0]), 0.2, rng)
    still = int(STANDS_S / people.DT)
    trace.stand(still + 1)
    trace.run(s_m[1:], np.full(len(s_m) - 1, 0.2), round(go_s / people.DT) - 1)
    n = trace.n
    grid = (np.arange(n) - still) * people.DT
    return evening.finish(trace, grid, 1, rng), grid
