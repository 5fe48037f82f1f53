"""The programme of an evening: who takes over from whom, and what comes between.

Every stage_... function lays the runners' traces on from where they are and says what happened.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import people
import plan
from evening import Trace, ease
from people import DT, Floats, Person, RepPlan, RepRun, Rng
from worlds import World

NAMES = (
    "alder", "bittern", "clover", "dormouse", "elder", "fennel", "gannet", "hazel",
    "ibex", "juniper", "kestrel", "linden",
)  # fmt: skip
DISTRACTORS = ("solo", "abreast", "broken off", "start alone")  # runs that are no takeovers


@dataclass(frozen=True)
class Site:
    """The zone in use; `entry_l_m` places the entry line on the lane, s counts from there."""

    event: str
    place: str
    rules: str
    lane: int
    zone: int
    entry_l_m: float
    zone_m: float
    back_s: float
    bend: float  # share of a runner's speed that the bend leaves
    ground: plan.Ground

    @property
    def four_hundred(self) -> bool:
        return self.event == "4x400"

    def lines_m(self, lane: int, zone: int) -> dict[str, float]:
        """Where the lines of a zone lie on a lane; the zone in use may be one of cones."""
        if self.place == "cones" and zone == self.zone:
            wider = plan.lane_radius_m(lane) - plan.lane_radius_m(self.lane)
            entry = self.entry_l_m + np.pi * wider  # beside the cones of the lane in use
            return {
                "back": entry + self.back_s, "entry": entry, "exit": entry + self.zone_m,
            }  # fmt: skip
        return plan.zone_lines_m(self.event, lane, zone, self.rules)


def choose_site(
    rng: Rng, ground_rng: Rng, event: str, place: str, lane: int | None, rules: str
) -> Site:
    """`place`: straight (as far as a painted zone is one), bend, or cones: a zone set out
    on the back straight so that run-up and zone are straight."""
    u = ground_rng.uniform
    ground = plan.Ground(u(30, 58), u(-42, -24), u(5, 400), u(0, 2 * np.pi))
    four = event == "4x400"
    if place == "bend":
        zone = 1 if four else 3
        lane = lane or (int(rng.integers(4, 9)) if four else int(rng.integers(1, 9)))
    else:
        zone = int(rng.choice([2, 3])) if four else 2
        lane = lane or int(rng.integers(1, 5 if four or place == "cones" else 3))
    lines = plan.zone_lines_m(event, lane, zone, rules)
    entry, zone_m = lines["entry"], lines["exit"] - lines["entry"]
    if place == "cones":
        entry = np.pi * plan.lane_radius_m(lane) + plan.STRAIGHT_M - zone_m - 4.0
    slow = 0.965 if place == "bend" and not four else 0.99
    back_s = lines["back"] - lines["entry"]
    return Site(event, place, rules, lane, zone, float(entry), zone_m, back_s, slow, ground)


@dataclass(frozen=True)
class Squad:
    people: tuple[Person, ...]
    reach_m: dict[tuple[str, str], float]  # a pair's usual distance between trunks at the pass
    world: World | None = None  # None: the first world, whose ranges stand in people and here


def draw_squad(
    rng: Rng, n: int, names: tuple[str, ...] | None, world: World | None = None
) -> Squad:
    pool = list(names) if names else [str(x) for x in rng.permutation(NAMES)]
    level = rng.normal(9.6, 0.5)
    squad = tuple(people.draw_person(rng, pool[k], level) for k in range(n))
    if world is not None:
        return _of_world(rng, squad, world)
    reach = {
        (a.id, b.id): float(np.clip(a.reach_m + b.reach_m + rng.normal(0, 0.08), 0.9, 1.5))
        for a in squad
        for b in squad
    }
    return Squad(squad, reach)


def _of_world(rng: Rng, squad: tuple[Person, ...], world: World) -> Squad:
    """The same people with the bodies and habits of their world."""
    own = tuple(_habits(rng, one, world) for one in squad)
    reach = {
        (a.id, b.id): float(np.clip(rng.normal(world.reach_m, world.reach_pair_m), 0.7, 1.7))
        for a in own
        for b in own
    }
    return Squad(own, reach, world)


def _habits(rng: Rng, one: Person, world: World) -> Person:
    top = float(np.clip(rng.normal(world.squad_mps, 0.3), 7.0, 12.3))
    return replace(
        one,
        top_mps=top,
        push_mps2=top / rng.uniform(1.0, 1.45),
        build_s=rng.uniform(*world.build_s),
        lag_s=rng.normal(world.lag_s, world.lag_runner_s),
        lag_spread_s=rng.uniform(*world.lag_rep_s),
        let_go_s=rng.normal(world.let_go_s, world.let_go_runner_s),
        matches=world.matches,
    )


# --- who does what ------------------------------------------------------------------------


def programme(
    rng: Rng, n_reps: int, n_runners: int, kinds: Iterable[str]
) -> list[tuple[str, int, int]]:
    """(what, first runner, second runner): a squad practises few pairs often, others at times."""
    pairs = [(a, b) for a in range(n_runners) for b in range(n_runners) if a != b]
    order = [pairs[k] for k in rng.permutation(len(pairs))]
    few = order[: max(2, n_runners - 1)]
    out = []
    for k in range(n_reps):
        a, b = few[(k + k // 7) % len(few)] if k % 3 != 2 else order[k % len(order)]
        out.append(("rep", a, b))
    for what in kinds:
        a, b = pairs[int(rng.integers(len(pairs)))]
        out.insert(int(rng.integers(0, len(out) + 1)), (what, a, b))
    return out


@dataclass(frozen=True)
class Setup:
    """What a pair tries for some reps: tapes, mark, how hard both go."""

    in_start_m: float
    out_start_m: float
    in_effort: float
    out_effort: float
    out_effort_after: float
    in_fade_per_s: float
    target_s: float
    miss_m: float  # how far the coach's mark is off


def draw_setup(rng: Rng, site: Site) -> Setup:
    u = rng.uniform
    if site.four_hundred:
        return Setup(
            float(round(u(62, 78))), float(round(u(0, 2), 1)), u(0.8, 0.88), u(0.72, 0.82), 0.92,
            u(0.006, 0.016), u(7, 13), rng.normal(0, 0.4),
        )  # fmt: skip
    return Setup(
        float(round(u(35, 60))), float(rng.choice([0.0, 0.0, 0.5, 1.0, 2.0, 3.0])),
        u(0.97, 1.0), u(0.95, 0.98), 1.0, 0.0, u(17, 23) if site.zone_m > 25 else u(9, 14),
        rng.normal(0, 0.45),
    )  # fmt: skip


def of_world(rng: Rng, site: Site, setup: Setup, world: World | None) -> Setup:
    """The setup with the pass where the coaches of this world want it."""
    if world is None or site.four_hundred:
        return setup
    return replace(setup, target_s=rng.uniform(*world.target_m) * site.zone_m / 30.0)


FAULTS = ("early start", "late start", "mark too far", "mark too near")


SIGHT_SD_M = 0.5  # without a tape the place that triggers the start moves from rep to rep


def plan_takeover(
    rng: Rng, site: Site, pi: Person, po: Person, reach_m: float, setup: Setup,
    fault: str | None, placement_sd_m: float, world: World | None = None,
) -> tuple[RepPlan, float]:  # fmt: skip
    """How a rep will go if nothing comes between, and its mark in metres before the back line."""
    usual = usual_plan(site, reach_m, setup)
    mark_m = people.good_mark_m(pi, po, usual, site.back_s, setup.target_s) + setup.miss_m
    if site.four_hundred:
        mark_m += float(rng.normal(0, SIGHT_SD_M))
    elif world is not None:  # whose receivers go late take the pass earlier
        mark_m = min(mark_m, world.farthest_mark_feet * po.foot_m)
    if fault in ("mark too far", "mark too near"):
        mark_m += float(rng.uniform(1.5, 3.5)) * (1 if fault == "mark too far" else -1)
    mark_m = float(np.round(np.clip(mark_m, 1.0, setup.in_start_m - 12), 1))
    return vary(rng, site, pi, po, usual, mark_m, fault, placement_sd_m, world), mark_m


def usual_plan(site: Site, reach_m: float, setup: Setup) -> RepPlan:
    """What a setup asks of both, its mark still to come."""
    return RepPlan(
        zone_m=site.zone_m, mark_s=0.0, in_from_s=site.back_s - setup.in_start_m,
        out_from_s=site.back_s + setup.out_start_m,
        in_effort=setup.in_effort, out_effort=setup.out_effort,
        out_effort_after=setup.out_effort_after, bend=site.bend,
        in_fade_per_s=setup.in_fade_per_s, reach_m=reach_m,
    )  # fmt: skip


def vary(
    rng: Rng, site: Site, pi: Person, po: Person, usual: RepPlan, mark_m: float,
    fault: str | None, placement_sd_m: float, world: World | None = None,
) -> RepPlan:  # fmt: skip
    """One rep of the usual plan on a mark: what differs from rep to rep.

    The tapes say one thing, the feet another: both stand where habit and chance put them.
    """
    lag = float(rng.normal(po.lag_s, po.lag_spread_s))
    if fault == "early start":
        lag -= float(rng.uniform(0.12, 0.4))
        if world is None:  # as far off the habit as late starts are
            lag -= 0.15
    if fault == "late start":
        lag += float(rng.uniform(0.25, 0.6))
    one = replace(
        usual,
        mark_s=site.back_s - mark_m + float(rng.normal(0, 0.01)),
        in_from_s=usual.in_from_s + pi.trunk_habit_m + float(rng.normal(0, placement_sd_m)),
        out_from_s=usual.out_from_s + po.trunk_habit_m + float(rng.normal(0, placement_sd_m)),
        in_effort=usual.in_effort * (1 + float(rng.normal(0, 0.012))),
        out_effort=usual.out_effort * (1 + float(rng.normal(0, 0.01))),
        reach_m=float(np.clip(usual.reach_m + rng.normal(0, 0.12), 0.75, 1.75)),
        lag_s=lag,
        handback_s=float(rng.uniform(0.2, 0.4)),
        brake_early_s=float(rng.uniform(0.1, 0.5)) if rng.random() < 0.2 else None,
        after_lag_s=float(rng.uniform(0, 0.4)),
        after_brake_mps2=float(rng.uniform(1.5, 4.0)),
        gives_chase=bool(rng.random() < 0.85),
        beyond_m=float(rng.uniform(32, 42)),
    )
    return one if world is None else _by_habit(rng, world, pi, usual, one)


def _by_habit(rng: Rng, world: World, pi: Person, usual: RepPlan, one: RepPlan) -> RepPlan:
    """The same rep as the people of this world do it."""
    let_go = float(rng.normal(pi.let_go_s, world.let_go_rep_s))
    return replace(
        one,
        reach_m=float(np.clip(rng.normal(usual.reach_m, world.reach_rep_m), 0.55, 2.0)),
        handback_s=float(rng.uniform(*world.hand_s)),
        brake_early_s=None,
        let_go_before_s=max(0.0, -let_go),
        after_lag_s=max(0.0, let_go),
        after_brake_mps2=float(rng.uniform(*world.ease_mps2)),
        matches=bool(rng.random() < pi.matches),
        gives_chase=bool(rng.random() < world.chases),
    )


# --- on the track -------------------------------------------------------------------------


@dataclass(frozen=True)
class Call:
    """The next run: who, from when (index on the grid), in place how long before, where to
    the side of the line, and how far outside they walk there."""

    first: Trace
    second: Trace
    go: int
    lead: int
    sides_m: tuple[float, float]
    away_m: float


def call(
    rng: Rng, site: Site, traces: dict[str, Trace], first: Trace, second: Trace,
    plan_: RepPlan, now: int, spacing_s: float, world: World | None = None,
) -> Call:  # fmt: skip
    """Late enough that both get there without racing; the others stand by meanwhile."""
    lead = int(rng.uniform(4, 9) / DT)
    go = now + int(rng.uniform(0.7, 1.3) * spacing_s / DT)
    for trace, s in ((first, plan_.in_from_s), (second, plan_.out_from_s)):
        far = abs(site.entry_l_m + s - trace.l_m)
        go = max(go, trace.n + lead + int((far / 2.7 + 5) / DT))
    usual = first.person.side_m - 0.06, second.person.side_m + 0.1
    if world is not None:
        usual = world.sides_m(site.zone)
    sides = (
        float(np.clip(usual[0] + rng.normal(0, 0.06), 0, 0.8)),
        float(np.clip(usual[1] + rng.normal(0, 0.06), 0, 0.8)),
    )
    for trace in traces.values():
        if trace is not first and trace is not second and trace.n < go - int(40 / DT):
            _stand_by(rng, site, trace, go)
    return Call(first, second, go, lead, sides, float(rng.uniform(3.4, 4.8)))


def _stand_by(rng: Rng, site: Site, trace: Trace, until: int) -> None:
    trace.stand(trace.n + int(rng.uniform(2, 6) / DT))
    home = site.entry_l_m + rng.uniform(-8, site.zone_m)
    far = abs(trace.l_m - home)
    if far > 25 or abs(trace.y_m) < 2.5:
        trace.walk(home, rng.uniform(3.6, 7), trace.n + int((far / 1.2 + 6) / DT), 4.2)
    trace.linger(until)


def _free_run(
    trace: Trace, v: Floats, stop_after_m: float, what: str, site: Site
) -> dict[str, Any]:
    """Run on the speed curve v until `stop_after_m`, then ease to a stand."""
    s = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1])) * DT])
    k = int(np.searchsorted(s, stop_after_m))
    slower, brake = [float(v[k - 1])], 0.0
    while slower[-1] > 0.02:
        brake = min(1.0, brake + DT / 0.4)
        slower.append(max(0.0, slower[-1] - brake * trace.person.ease_mps2 * DT))
    v = np.concatenate([v[:k], slower[1:]])
    way = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1])) * DT])
    begin, from_s = trace.n - 1, trace.l_m - site.entry_l_m
    trace.run(trace.l_m + way[1:], np.full(len(way) - 1, trace.y_m), -1)
    return {
        "what": what, "runner": trace.person.id, "from_index": begin, "to_index": trace.n - 1,
        "from_s": from_s, "to_s": trace.l_m - site.entry_l_m,
    }  # fmt: skip


def stage_solo(rng: Rng, site: Site, c: Call) -> list[dict[str, Any]]:
    """One runner through the zone, at speed, with nobody waiting."""
    from_s, trace = -rng.uniform(25, 45), c.first
    trace.linger(c.go - c.lead - int(60 / DT))
    trace.walk(site.entry_l_m + from_s, c.sides_m[0], c.go - c.lead, c.away_m)
    trace.stand(c.go)
    v = people.run_curve(trace.person, rng.uniform(0.85, 0.98), site.bend, 40.0)
    return [_free_run(trace, v, site.zone_m + rng.uniform(5, 25) - from_s, "solo", site)]


def stage_start_alone(rng: Rng, site: Site, c: Call, out_from_s: float) -> list[dict[str, Any]]:
    """An outgoing runner practises the start; nobody comes."""
    trace = c.second
    trace.walk(site.entry_l_m + out_from_s, c.sides_m[1], c.go - c.lead, c.away_m)
    trace.stand(c.go)
    v = people.run_curve(trace.person, rng.uniform(0.9, 1.0), site.bend, 40.0)
    return [_free_run(trace, v, site.zone_m + rng.uniform(-5, 15), "start alone", site)]


def stage_abreast(rng: Rng, site: Site, c: Call) -> list[dict[str, Any]]:
    """Two strides side by side in neighbouring lanes."""
    from_s = -rng.uniform(30, 50)
    stop = site.zone_m + rng.uniform(0, 25) - from_s
    beside = c.sides_m[0] + plan.WIDTH_M * float(rng.choice([1, -1]))
    out = []
    for trace, side in ((c.first, c.sides_m[0]), (c.second, beside)):
        start = site.entry_l_m + from_s + rng.normal(0, 0.25)
        trace.walk(start, side, c.go - c.lead, c.away_m)
        trace.stand(c.go + int(max(0, rng.normal(0.1, 0.06)) / DT))
        v = people.run_curve(trace.person, 7.4 / trace.person.top_mps, site.bend, 40.0)
        out.append(_free_run(trace, v, stop, "abreast", site))
    return out


def _take_places(rng: Rng, site: Site, c: Call, rep: RepPlan) -> None:
    c.first.walk(site.entry_l_m + rep.in_from_s, c.sides_m[0], c.go - c.lead, c.away_m)
    by = max(c.go - int(rng.uniform(2, 5) / DT), c.second.n + 2)
    c.second.walk(site.entry_l_m + rep.out_from_s, c.sides_m[1], by, c.away_m)
    c.first.stand(c.go)


def stage_broken_off(rng: Rng, site: Site, c: Call, rep: RepPlan) -> list[dict[str, Any]]:
    """The incoming runner pulls up before the mark; the outgoing one never leaves."""
    _take_places(rng, site, c, rep)
    v = people.run_curve(c.first.person, rep.in_effort, site.bend, 40.0)
    stop = max(12.0, (rep.mark_s - rep.in_from_s) - rng.uniform(6, 14))
    out = [_free_run(c.first, v, stop, "broken off", site)]
    c.second.stand(c.first.n)
    return out


@dataclass(frozen=True)
class Unrest:
    """What receivers do before they go. Chance has a generator of its own, so that the same
    evening without unrest goes on otherwise alike."""

    rng: Rng
    restless: float  # share of the reps in which the receiver rocks on the spot or steps forward
    false_starts: float  # share in which the receiver sets off, stops and walks back to the tape

    def before_m(self, s_m: Floats, go_t: float) -> Floats:
        """(n,) metres to add to a receiver's places before the start."""
        out = np.zeros(len(s_m))
        if self.rng.random() < self.restless:
            out += _rocking(self.rng, s_m, go_t)
        if self.rng.random() < self.false_starts:
            out += _false_start(self.rng, s_m, go_t)
        return out


def _rocking(rng: Rng, s_m: Floats, go_t: float) -> Floats:
    """A rocking on the spot, or a step and a half forward, as if the mark had been hit, and back to
    the tape."""
    t = np.arange(len(s_m)) * DT
    out = np.zeros(len(s_m))
    one_step = rng.random() < 0.4
    ends = go_t - float(rng.uniform(0.4, 1.2))
    lasts = float(rng.uniform(1.4, 2.0) if one_step else rng.uniform(0.6, 0.9))
    for _ in range(1 if one_step else int(rng.integers(1, 4))):
        if ends - lasts <= 0:
            break
        size = float(rng.uniform(0.6, 1.3) if one_step else rng.uniform(0.08, 0.25))
        part = np.clip((t - (ends - lasts)) / lasts, 0, 1)
        out += size * np.sin(np.pi * part) ** 2
        ends -= lasts + float(rng.uniform(0.3, 1.0))
    return out


def _false_start(rng: Rng, s_m: Floats, go_t: float) -> Floats:
    """Off for two or three strides at up to 3 m/s, a stop, and back at a walk; on the tape again
    half a second or more before the start, or none where there is no time."""
    t = np.arange(len(s_m)) * DT
    far_m, off_s, pause_s = (float(rng.uniform(*x)) for x in ((1.0, 1.8), (0.9, 1.2), (0.1, 0.3)))
    back_s = far_m / 1.3 + 0.4
    begins = go_t - float(rng.uniform(0.5, 0.9)) - back_s - pause_s - off_s
    if begins <= 0:
        return np.zeros(len(s_m))
    gone = ease((t - begins) / off_s) - ease((t - begins - off_s - pause_s) / back_s)
    return far_m * gone


def stage_takeover(
    rng: Rng, site: Site, c: Call, rep: RepPlan, unrest: Unrest | None = None
) -> tuple[int, RepRun]:
    """Index on the grid at which the incoming runner sets off, and what came of it."""
    _take_places(rng, site, c, rep)
    run = people.take_over(c.first.person, c.second.person, rep)
    c.second.stand(c.go)
    start = c.first.n - 1
    if c.second.n - 1 != start:
        raise RuntimeError("both must be in place before a rep begins")
    shift = np.linspace(0, 1, len(run.s_in))[1:]
    side_i, side_o = (side + rng.normal(0, 0.08) * shift for side in c.sides_m)
    # what is laid on begins one step after the last sample
    c.first.run(site.entry_l_m + run.s_in[1:], side_i, -1)
    if run.go_t is None:
        c.second.stand(c.first.n)
    else:
        s_out = run.s_out
        if unrest is not None:
            s_out = s_out + unrest.before_m(s_out, run.go_t)
        c.second.run(site.entry_l_m + s_out[1:], side_o, round(run.go_t / DT) - 1)
    return start, run
