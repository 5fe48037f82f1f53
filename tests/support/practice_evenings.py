"""Evenings of a world's squad as tables, without files, with the true plan of each takeover."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import squads

from pipeline.tables import schema

import people  # isort: skip - from sample_tracks
import practice  # isort: skip
import worlds  # isort: skip

FAULT_SHARE = 0.15  # as on the generator's own evenings


def practise(
    number: int, *, evenings: int = 3, reps: int = 12, n_runners: int = 5, event: str = "4x100"
) -> tuple[
    practice.Squad, practice.Site, tuple[pa.Table, pa.Table], dict[tuple[str, int], people.RepPlan]
]:
    """The squad of world `number`, its site, its tables `exchanges` and `speed_curves`, and each
    takeover's plan by session and number."""
    world = worlds.draw_world(number)
    who, ground, rng = np.random.default_rng([number, 20261129]).spawn(3)
    place = "cones" if event == "4x100" else "straight"
    site = practice.choose_site(rng, ground, event, place, None, "today")
    squad = practice.draw_squad(who, n_runners, None, world)
    rows: list[dict[str, Any]] = []
    parts: list[dict[str, Any]] = []
    plans: dict[tuple[str, int], people.RepPlan] = {}
    setups: dict[tuple[str, str], practice.Setup] = {}
    tries: dict[tuple[str, str], int] = {}
    for evening in range(evenings):
        session = f"world-{number}-{evening + 1}"
        begin = squads.FIRST_UTC_S + evening * 7.0 * squads.DAY_S
        programme = practice.programme(rng, reps, n_runners, ())
        for count, (_, a, b) in enumerate(programme, 1):
            pi, po = squad.people[a], squad.people[b]
            pair = pi.id, po.id
            if tries.get(pair, 0) % 4 == 0:
                setups[pair] = practice.of_world(rng, site, practice.draw_setup(rng, site), world)
            tries[pair] = tries.get(pair, 0) + 1
            fault = str(rng.choice(practice.FAULTS)) if rng.random() < FAULT_SHARE else None
            plan, mark_m = practice.plan_takeover(
                rng, site, pi, po, squad.reach_m[pair], setups[pair], fault, 0.05, world
            )
            plans[session, count] = plan
            who_runs = {"in": pi, "out": po, "mark_m": None if site.four_hundred else mark_m}
            run = people.take_over(pi, po, plan)
            key = {"session": session, "exchange": count}
            exchange, courses = squads.seen(rng, who_runs, run, site, 1.0)
            zero = exchange.pop("zero_t_s")
            rows.append(key | exchange | {"zero_utc": begin + 90.0 * count + zero, "rep": count})
            parts += [
                key
                | {"runner": who_runs[one].id, "role": role, "course": courses[one]}
                | {"zero": zero, "errors": 1.0, "zone_m": site.zone_m}
                for one, role in (("in", "incoming"), ("out", "outgoing"))
            ]
    names = schema.facts("exchanges").names
    exchanges = schema.conform("exchanges", {n: [row.get(n) for row in rows] for n in names})
    return squad, site, (exchanges, squads._curves(parts)), plans
