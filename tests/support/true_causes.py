"""What a simulated takeover truly lost against what its pair does at a mark, and to what.

The generator's own law (crowd.py) takes the place of the pair's laws. One thing after the other is
changed from the usual plan to the rep's own, in every order; a cause's part is the mean over the
orders of what its change cost.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import crowd
import numpy as np
import squads  # noqa: F401 - finds sample_tracks

import people  # isort: skip - from sample_tracks
import practice  # isort: skip

# Which figures of a plan belong to which cause.
FIGURES = {
    "mark": ("mark_s", "out_from_s"),
    "start": ("lag_s",),
    "incoming speed": ("in_effort", "in_from_s", "in_fade_per_s"),
    "outgoing speed": ("out_effort", "out_effort_after"),
    "reach": ("reach_m",),
    "braking": (
        "brake_early_s", "let_go_before_s", "after_lag_s", "after_brake_mps2", "matches",
        "gives_chase",
    ),
    "pass place": ("handback_s",),
}  # fmt: skip
CAUSES = tuple(FIGURES)


@dataclass(frozen=True)
class TrueParts:
    """Seconds lost by cause; `whole` is their sum; `outside`: the share of the coalitions whose
    baton did not pass inside the zone, where the time has little meaning."""

    lost_s: Mapping[str, float]
    moved_m: Mapping[str, float]
    whole_s: float
    outside: float


def usual_plan(
    squad: practice.Squad, site: practice.Site, pair: tuple[str, str], mark_m: float, stand_m: float
) -> list[tuple[float, people.RepPlan]]:
    """What a pair usually does on a mark: plans and their shares, since habits such as waiting for
    the baton come in some takeovers and not in others. Ranges are those of practice.py."""
    who = {one.id: one for one in squad.people}
    pi, po = who[pair[0]], who[pair[1]]
    world = squad.world
    middle = practice.Setup(47.5, stand_m, 0.985, 0.965, 1.0, 0.0, 0.0, 0.0)
    if site.four_hundred:
        middle = practice.Setup(70.0, stand_m, 0.84, 0.77, 0.92, 0.011, 0.0, 0.0)
    plan = practice.usual_plan(site, squad.reach_m[pair], middle)
    let_go = 0.2 if world is None else pi.let_go_s
    hand, brake = ((0.2, 0.4), (1.5, 4.0)) if world is None else (world.hand_s, world.ease_mps2)
    plan = replace(
        plan,
        mark_s=site.back_s - mark_m,
        in_from_s=plan.in_from_s + pi.trunk_habit_m,
        out_from_s=plan.out_from_s + po.trunk_habit_m,
        lag_s=po.lag_s,
        handback_s=float(np.mean(hand)),
        let_go_before_s=max(0.0, -let_go),
        after_lag_s=max(0.0, let_go),
        after_brake_mps2=float(np.mean(brake)),
    )
    chases = 0.85 if world is None else world.chases
    out = []
    for p, matches in ((pi.matches, True), (1.0 - pi.matches, False)):
        for q, gives_chase in ((chases, True), (1.0 - chases, False)):
            if p * q > 0:
                out.append((p * q, replace(plan, matches=matches, gives_chase=gives_chase)))
    return out


def true_parts(
    pi: people.Person, po: people.Person, plans: Sequence[people.RepPlan],
    usual: Sequence[tuple[float, people.RepPlan]],
) -> list[TrueParts]:  # fmt: skip
    """Of each plan of one pair, its true parts against the usual plan."""
    coalitions = list(itertools.product((False, True), repeat=len(CAUSES)))
    todo: list[people.RepPlan] = []
    spots: list[list[list[tuple[float, int]]]] = []
    for plan in plans:
        own = []
        for inside in coalitions:
            mixed = []
            for share, other in usual:
                chosen = {
                    name: getattr(plan, name)
                    for cause, there in zip(CAUSES, inside, strict=True)
                    if there
                    for name in FIGURES[cause]
                }
                mixed.append((share, replace(other, **chosen)))
            if inside[CAUSES.index("braking")]:  # as in this rep: nothing is left to habit
                mixed = [(1.0, mixed[0][1])]
            own.append([(share, len(todo) + k) for k, (share, _) in enumerate(mixed)])
            todo += [one for _, one in mixed]
        spots.append(own)
    if not todo:
        return []
    run = crowd.take_over(pi, po, todo)
    carried = _carried_s(pi, todo)
    time = np.where(run.legal, run.zone_time_s, carried)
    far = todo[0].zone_m + 6.0
    place = np.clip(np.where(run.passed, run.pass_m, far), -20.0, far)

    def mean(own: list[list[tuple[float, int]]], values: np.ndarray) -> np.ndarray:
        return np.array([sum(share * values[k] for share, k in one) for one in own])

    found = []
    for own in spots:
        seconds, metres, outside = (mean(own, x) for x in (time, place, 1.0 - run.legal))
        found.append(
            TrueParts(
                _shares(coalitions, seconds), _shares(coalitions, metres),
                float(seconds[-1] - seconds[0]), float(outside.mean()),
            )
        )  # fmt: skip
    return found


def _shares(coalitions: Sequence[tuple[bool, ...]], values: np.ndarray) -> dict[str, float]:
    """Each cause's mean over the orders."""
    n = len(CAUSES)
    at = {inside: k for k, inside in enumerate(coalitions)}
    out = dict.fromkeys(CAUSES, 0.0)
    for inside in coalitions:
        for k, cause in enumerate(CAUSES):
            if not inside[k]:
                size = sum(inside)
                weight = math.factorial(size) * math.factorial(n - size - 1) / math.factorial(n)
                joined = (*inside[:k], True, *inside[k + 1 :])
                out[cause] += weight * float(values[at[joined]] - values[at[inside]])
    return out


def _carried_s(pi: people.Person, plans: Sequence[people.RepPlan]) -> np.ndarray:
    """(n,) the incoming runner's own time through the zone, undisturbed: a baton that is not passed
    inside the zone is carried over the exit line."""
    known: dict[tuple[float, ...], float] = {}
    out = []
    for plan in plans:
        key = plan.in_effort, plan.in_from_s, plan.in_fade_per_s, plan.bend
        if key not in known:
            v = people.run_curve(pi, plan.in_effort, plan.bend, 20.0)
            t = np.arange(len(v)) * people.DT
            v = v * (1 - plan.in_fade_per_s * np.maximum(0.0, t - 6.0))
            s = plan.in_from_s + np.cumsum(v) * people.DT
            known[key] = float(np.interp(plan.zone_m, s, t) - np.interp(0.0, s, t))
        out.append(known[key])
    return np.array(out)
