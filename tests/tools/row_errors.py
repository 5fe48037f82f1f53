"""Rows of a table beside the truth of them: which is which, and every figure's error."""

from __future__ import annotations

from pathlib import Path

import numpy as np

NEAR_S = 1.5  # a row this near to a true entry is that takeover


def pair_up(rows: list[dict], truths: list[dict]) -> tuple[list, int, int]:
    """Rows with the true takeover they are, how many are none, and how many are missing."""
    pairs, left = [], list(range(len(truths)))
    invented = 0
    for row in rows:
        zero = row["zero_utc"].timestamp()
        near = [
            i
            for i in left
            if truths[i]["entry_utc_s"] is not None
            and abs(truths[i]["entry_utc_s"] - zero) < NEAR_S
            and truths[i]["incoming"] == row["incoming"]
        ]
        if not near:
            invented += 1
            continue
        i = min(near, key=lambda i: abs(truths[i]["entry_utc_s"] - zero))
        left.remove(i)
        pairs.append((row, truths[i]))
    missed = sum(truths[i]["outcome"] == "passed" for i in left)
    return pairs, invented, missed


def compare(row: dict, true: dict, out: dict, counts: dict) -> None:
    """Add the errors of one row to `out`, as (estimate less truth, standard error or NaN) under
    the column's name, and what was right or not to `counts`."""
    zero = row["zero_utc"].timestamp()

    def add(name: str, value: float | None, sd: float | None, truth: float | None) -> None:
        if value is not None and truth is not None:
            out[name].append((value - truth, np.nan if sd is None else sd))

    def moment(name: str, column: str, truth: float | None) -> None:
        value = row[f"{column}_t_s"]
        add(name, None if value is None else zero + value, row[f"{column}_t_sd_s"], truth)

    add("entry moment", zero, None, true["entry_utc_s"])
    moment("first movement", "go", true["go_utc_s"])
    moment("mark moment", "mark", true["mark_utc_s"])
    add("v in, entry", row["v_in_entry_mps"], row["v_in_entry_sd_mps"], true["v_in_entry_mps"])
    add("v out, exit", row["v_out_exit_mps"], row["v_out_exit_sd_mps"], true["v_out_exit_mps"])
    if row["outcome"] == "unclear":
        counts["outcomes unclear"] += 1
    else:
        counts["outcomes wrong"] += row["outcome"] != true["outcome"]
    if true["outcome"] != "passed" or row["outcome"] == "not passed":
        return
    counts["passes"] += 1
    add("zone time", row["zone_time_s"], row["zone_time_sd_s"], true["baton_zone_time_s"])
    outgoing_carried = abs(true["baton_zone_time_s"] - (true["zone_time_s"] or 0.0)) < 1e-6
    if row["zone_time_s"] is not None and outgoing_carried:
        add("exit moment", zero + row["zone_time_s"], None, true["exit_utc_s"])
    moment("pass moment", "pass", true["pass_utc_s"])
    add("pass place", row["pass_m"], row["pass_sd_m"], true["pass_m"])
    add("free distance", row["free_distance_m"], row["free_distance_sd_m"], true["free_distance_m"])
    add("v in, pass", row["v_in_pass_mps"], row["v_in_pass_sd_mps"], true["v_in_pass_mps"])
    add("v out, pass", row["v_out_pass_mps"], row["v_out_pass_sd_mps"], true["v_out_pass_mps"])
    if row["steps_to_pass"] is not None and true["steps_to_pass"] is not None:
        counts["steps counted"] += 1
        counts["steps within one"] += abs(row["steps_to_pass"] - true["steps_to_pass"]) <= 1


def renew_table(page: Path, begin: str, end: str, table: str) -> None:
    """Put a table between its two marks on the page; all else stays."""
    text = page.read_text(encoding="utf-8")
    before, after = text.split(begin)[0], text.split(end)[1]
    page.write_text(f"{before}{begin}\n{table}\n{end}{after}", encoding="utf-8")
