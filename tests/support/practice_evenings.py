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
    place = "cones" if event == "4x100" else "straight"
    world = worlds.draw_world(number)
    squad, site = squads.draw(number, n_runners=n_runners, event=event, place=place, world=world)
    rng = np.random.default_rng([number, 20261129])
    rows: list[dict[str, Any]] = []
    parts: list[dict[str, Any]] = []
    plans: dict[tuple[str, int], people.RepPlan] = {}
    for evening in range(evenings):
        session = f"world-{number}-{evening + 1}"
        begin = squads.FIRST_UTC_S + evening * 7.0 * squads.DAY_S
        dealt = squads.takeovers(rng, squad, site, reps, FAULT_SHARE)
        for count, (row, plan) in enumerate(dealt, 1):
            plans[session, count] = plan
            run = people.take_over(row["in"], row["out"], plan)
            key = {"session": session, "exchange": count}
            exchange, courses = squads.seen(rng, row, run, site, 1.0)
            zero = exchange.pop("zero_t_s")
            rows.append(key | exchange | {"zero_utc": begin + 90.0 * count + zero, "rep": count})
            parts += [
                key
                | {"runner": row[one].id, "role": role, "course": courses[one]}
                | {"zero": zero, "errors": 1.0, "zone_m": site.zone_m}
                for one, role in (("in", "incoming"), ("out", "outgoing"))
            ]
    names = schema.facts("exchanges").names
    exchanges = schema.conform("exchanges", {n: [row.get(n) for row in rows] for n in names})
    return squad, site, (exchanges, squads._curves(parts)), plans
