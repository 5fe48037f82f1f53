"""The squad's matrix of pairs: what a takeover of each costs at its best mark, and how far to trust
that. Incoming runners stand in rows, outgoing ones in columns.

The bar in a cell is its cost; the longest of the matrix fills its cell. The sign tells how often
the pair was tried, and words beside it say the same. How sure each cost is stands below, on demand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.words import FEW_REPS, chance_in_words, count
from pipeline.show.markup import (
    Child,
    element,
    html_table,
    outside_name,
    plain_text,
    scrolling,
    table_row,
)
from pipeline.show.page.sheet_lines import (
    linked,
    names_in_order,
    notes_line,
    on_demand,
    pair_names,
    paragraph,
)
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.show.wording import NBSP, decimal, foot_length_m, mark_words, with_error

COST_MEANING = (
    "The cost is how many seconds are expected to be lost, failures among them, with the tape on "
    "the pair's best mark, against a baton that goes through the zone at the speed with which it "
    "came in and never slows."
)
_MOST_BEST = 3  # pairs that are marked as costing least
_BAR_WIDTH, _BAR_HEIGHT = 100.0, 8.0
PairLink = Callable[[str, str, str], str | None]  # incoming, outgoing, event: where the pair stands


def pair_matrix(
    rows_of_marks: Sequence[LakeRow],
    rows_of_progress: Sequence[LakeRow],
    event: str,
    link: PairLink,
) -> ET.Element | None:
    """The matrix of one event with its notes, without a heading; None where no mark is advised.

    The rows are those of the tables `marks` and `progress`, of any event; `link` gives where a pair
    stands, or None.
    """
    advised = {
        (row["incoming"], row["outgoing"]): row
        for row in rows_of_marks
        if row["advised"] and row["event"] == event
    }
    if not advised:
        return None
    used = {
        (row["incoming"], row["outgoing"]): row for row in rows_of_progress if row["event"] == event
    }
    runners = sorted({runner for pair in advised for runner in pair})
    best = _least_costly(advised)
    costs = [row["loss_s"] for row in advised.values() if row["loss_s"] is not None]
    best_s, most = min(costs, default=0.0), max(costs, default=0.0)
    rows = [
        table_row(
            [outside_name(incoming)],
            [
                _pair_cell(incoming, outgoing, advised, best, most, link(incoming, outgoing, event))
                for outgoing in runners
            ],
        )
        for incoming in runners
    ]
    heads = ["from, down; to, across", *(plain_text(one) for one in runners)]
    label = f"Pairs of the {plain_text(event)}: what a takeover costs"
    return element(
        "div",
        {"class": "squad"},
        paragraph(*_matrix_finding(advised, best)),
        scrolling(label, html_table("pairs", heads, rows)),
        notes_line(
            COST_MEANING,
            " Below 0 the baton gains." if best_s < 0.0 else "",
            f" The bar is the cost; it fills the cell at {_cost_words(most)}. The pairs that cost "
            "least are framed and numbered. Reps are takeovers together: "
            f"{_TRUST_SIGNS[2]} {FEW_REPS} or more, {_TRUST_SIGNS[1]} fewer, {_TRUST_SIGNS[0]} "
            "never tried, so worked out from what each did with others.",
        ),
        on_demand(
            "How sure, pair by pair", scrolling(f"{label}, how sure", _sure_table(advised, used))
        ),
    )


def _least_costly(advised: dict[tuple[str, str], LakeRow]) -> dict[tuple[str, str], int]:
    """The rank of the pairs that cost least, for a third of the pairs at most."""
    known = [pair for pair, row in advised.items() if row["loss_s"] is not None]
    ranked = sorted(known, key=lambda pair: (advised[pair]["loss_s"], pair))
    few = min(_MOST_BEST, max(1, len(ranked) // 3))
    return {pair: rank for rank, pair in enumerate(ranked[:few], 1)}


def _matrix_finding(
    advised: dict[tuple[str, str], LakeRow], best: dict[tuple[str, str], int]
) -> list[Child]:
    """Which pair costs least, and how many cannot be told from it.

    The errors of two pairs are treated as independent. They are not quite, so a few more could be
    told apart than this says.
    """
    if not best:
        return [
            "What a takeover costs is not in the table: it is older than costs are. Run ",
            element("code", {}, "batontrace marks OUT"),
            ".",
        ]
    first = next(iter(best))
    cost = advised[first]["loss_s"]
    level = sum(
        row["loss_s"] - cost
        < math.hypot(row["loss_sd_s"] or 0.0, advised[first]["loss_sd_s"] or 0.0)
        for pair, row in advised.items()
        if pair != first and row["loss_s"] is not None
    )
    untried = sum(row["reps_pair"] == 0 for row in advised.values())
    words: list[Child] = [*pair_names(*first), f" costs least, {_cost_words(cost)}"]
    if level:
        words.append(f"; {level} of the other {len(advised) - 1} cannot be told from it yet")
    words.append(f". {count(untried, 'pair')} never tried." if untried else ".")
    return words


_TRUST_SIGNS = ("○", "◐", "●")


def _trust(row: LakeRow) -> tuple[str, str]:
    """A sign and words for how often the pair was tried."""
    tried = row["reps_pair"]
    if not tried:
        return _TRUST_SIGNS[0], "untried"
    return _TRUST_SIGNS[2 if tried >= FEW_REPS else 1], count(tried, "rep")


def _cost_words(cost_s: float | None) -> str:
    return "no cost" if cost_s is None else f"{decimal(cost_s, 2)}{NBSP}s"


def _pair_cell(
    incoming: str,
    outgoing: str,
    advised: dict[tuple[str, str], LakeRow],
    best: dict[tuple[str, str], int],
    most_s: float,
    where: str | None,
) -> Child:
    if incoming == outgoing:
        return element("span", {"class": "self"}, "·")
    row = advised.get((incoming, outgoing))
    if row is None:
        return element("span", {"class": "none"}, "no mark")
    sign, words = _trust(row)
    rank = best.get((incoming, outgoing))
    kinds = ["cost", *(["untried"] if not row["reps_pair"] else []), *(["best"] if rank else [])]
    cell = linked(
        where,
        element("b", {}, _cost_words(row["loss_s"])),
        element("span", {"class": "rank"}, _rank_words(rank)) if rank else None,
        _cost_bar(row["loss_s"], most_s),
        element(
            "span", {"class": "trust"}, element("span", {"aria-hidden": "true"}, sign), f" {words}"
        ),
    )
    cell.set("class", " ".join(kinds))
    if where is not None:
        who = f"{plain_text(incoming)} to {plain_text(outgoing)}"
        told = f", {_rank_words(rank)}" if rank else ""
        cell.set("aria-label", f"{who}: {_cost_words(row['loss_s'])}{told}, {words}")
    return cell


def _rank_words(rank: int) -> str:
    return ("1st", "2nd", "3rd")[rank - 1]


def _cost_bar(cost_s: float | None, most_s: float) -> ET.Element:
    """The cost as a bar on the scale of the matrix; nothing of it where the baton gains."""
    part = min(max(cost_s or 0.0, 0.0) / most_s, 1.0) if most_s > 0.0 else 0.0
    box = {
        "viewBox": f"0 0 {_BAR_WIDTH:g} {_BAR_HEIGHT:g}",
        "preserveAspectRatio": "none",
        "class": "cost-bar",
        "aria-hidden": "true",
    }
    whole = {"x": "0", "y": "0", "width": f"{_BAR_WIDTH:g}", "height": f"{_BAR_HEIGHT:g}"}
    return element(
        "svg",
        box,
        element("rect", {**whole, "class": "ground"}),
        element("rect", {**whole, "width": f"{part * _BAR_WIDTH:.1f}", "class": "fill"}),
    )


_SURE_HEADS = (
    "pair",
    "cost, s",
    "passes in the zone",
    "best mark",
    "in use",
    "takeovers together",
    "of the two with anybody",
)


def _sure_table(
    advised: dict[tuple[str, str], LakeRow], used: dict[tuple[str, str], LakeRow]
) -> ET.Element:
    rows = []
    for pair, row in sorted(advised.items(), key=lambda one: (one[1]["loss_s"] or 0.0, one[0])):
        cost = row_estimate(row, "loss_s", "loss_sd_s")
        foot_m = foot_length_m(row)
        in_use = used.get(pair)
        laid = None if in_use is None else in_use["mark_m"]
        cells: list[Child] = [
            "–" if cost is None else with_error(cost, 2),
            chance_in_words(row["p_in_zone"]),
            mark_words(row["mark_m"], foot_m),
            "–" if laid is None else mark_words(laid, foot_m),
            str(row["reps_pair"]),
            str(row["reps"]),
        ]
        rows.append(table_row(pair_names(*pair), cells))
    caption = "± is one standard error of the cost; most of it goes with more practice."
    return html_table("sure", _SURE_HEADS, rows, caption)


def untried_pairs(rows_of_marks: Sequence[LakeRow], event: str) -> list[Child]:
    """The pairs of an event that were never tried, as names."""
    found = [
        f"{row['incoming']} to {row['outgoing']}"
        for row in rows_of_marks
        if row["advised"] and row["event"] == event and not row["reps_pair"]
    ]
    return names_in_order(sorted(found))
