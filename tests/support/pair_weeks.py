"""What is drawn of a pair: its takeovers over the weeks, and the rows of its mark."""

import functools

import squads
from random_tables import random_table

from pipeline.show import scenes


@functools.cache
def weeks(event="4x100"):
    """The takeovers of the pair with most of them, over three evenings a week apart."""
    lake, _, _ = squads.lake(11, n_runners=3, evenings=3, reps=10, event=event)
    found = scenes.order_by_time(scenes.read_scenes(lake.exchanges, lake.curves))
    pairs = [one.pair for one in found]
    most = max(pairs, key=pairs.count)
    return [one for one in found if one.pair == most]


def mark_rows(n=21, advised=12, **given_values):
    rows = []
    for k in range(n):
        row = random_table("marks", rows=1, seed=k).to_pylist()[0]
        row |= {"mark_m": 8.0 + 0.15 * k, "mark_feet": (8.0 + 0.15 * k) / 0.3}
        row |= {"outgoing_start_m": 1.0, "pace": 1.0, "advised": k == advised}
        row |= {"incoming": "robin", "outgoing": "wren", "event": "4x100"}
        rows.append(row | given_values)
    return rows
