"""The squad's matrix of pairs: what a takeover of each costs at its best mark, and how far to trust
that. Incoming runners stand in rows, outgoing ones in columns.

The bar in a cell is its cost; the longest of the matrix fills its cell. The sign tells how often
the pair was tried, and words beside it say the same. How sure each cost is stands below, on demand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.words import FEW_REPS
from pipeline.language.phrases import phrase, phrase_around, phrase_count, phrase_of
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
    colon,
    linked,
    names_in_order,
    notes_line,
    on_demand,
    pair_names,
    paragraph,
    quantity,
)
from pipeline.show.request import pair_words
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.show.wording import foot_length_m, mark_words, odds_words, with_error

_MOST_BEST = 3  # pairs that are marked as costing least
_BAR_WIDTH, _BAR_HEIGHT = 100.0, 8.0
PairLink = Callable[[str, str, str], str | None]  # incoming, outgoing, event: where the pair stands


def cost_meaning() -> str:
    """What the cost of a takeover is."""
    return phrase(
        "The cost is how many seconds are expected to be lost, failures among them, with the tape "
        "on the pair's best mark, against a baton that goes through the zone at the speed with "
        "which it came in and never slows."
    )


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
    heads = [phrase("from, down; to, across"), *(plain_text(one) for one in runners)]
    label = phrase("Pairs of the {event}: what a takeover costs", event=plain_text(event))
    return element(
        "div",
        {"class": "squad"},
        paragraph(*_matrix_finding(advised, best)),
        scrolling(label, html_table("pairs", heads, rows)),
        notes_line(
            cost_meaning(),
            f" {phrase('Below 0 the baton gains.')}" if best_s < 0.0 else "",
            " ",
            phrase(
                "The bar is the cost; it fills the cell at {cost}. The pairs that cost least are "
                "framed and numbered. Reps are takeovers together: {often} {few} or more, {seldom} "
                "fewer, {never} never tried, so worked out from what each did with others.",
                cost=_cost_words(most),
                few=FEW_REPS,
                often=_TRUST_SIGNS[2],
                seldom=_TRUST_SIGNS[1],
                never=_TRUST_SIGNS[0],
            ),
        ),
        on_demand(
            phrase("How sure, pair by pair"),
            scrolling(
                phrase(
                    "Pairs of the {event}: what a takeover costs, how sure", event=plain_text(event)
                ),
                _sure_table(advised, used),
            ),
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
) -> Sequence[Child]:
    """Which pair costs least, and how many cannot be told from it.

    The errors of two pairs are treated as independent. They are not quite, so a few more could be
    told apart than this says.
    """
    if not best:
        return phrase_around(
            "What a takeover costs is not in the table: it is older than costs are. Run {command}.",
            command=element("code", {}, "batontrace marks OUT"),
        )
    first = next(iter(best))
    cost = advised[first]["loss_s"]
    level = sum(
        row["loss_s"] - cost
        < math.hypot(row["loss_sd_s"] or 0.0, advised[first]["loss_sd_s"] or 0.0)
        for pair, row in advised.items()
        if pair != first and row["loss_s"] is not None
    )
    untried = sum(row["reps_pair"] == 0 for row in advised.values())
    given: dict[str, Child] = {
        "incoming": outside_name(first[0]),
        "outgoing": outside_name(first[1]),
        "cost": _cost_words(cost),
        "level": str(level),
        "others": str(len(advised) - 1),
    }
    words = (
        phrase_around(
            "{incoming} to {outgoing} costs least, {cost}; {level} of the other {others} cannot be "
            "told from it yet.",
            **given,
        )
        if level
        else phrase_around("{incoming} to {outgoing} costs least, {cost}.", **given)
    )
    if not untried:
        return words
    never = phrase_count("{count} pair never tried.", "{count} pairs never tried.", untried)
    return [*words, f" {never}"]


_TRUST_SIGNS = ("○", "◐", "●")


def _trust(row: LakeRow) -> tuple[str, str]:
    """A sign and words for how often the pair was tried."""
    tried = row["reps_pair"]
    if not tried:
        return _TRUST_SIGNS[0], phrase("untried")
    words = phrase_count("{count} rep", "{count} reps", tried)
    return _TRUST_SIGNS[2 if tried >= FEW_REPS else 1], words


def _cost_words(cost_s: float | None) -> str:
    return phrase("no cost") if cost_s is None else quantity(cost_s, 2, "s")


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
        return element("span", {"class": "none"}, phrase("no mark"))
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
        told = [_cost_words(row["loss_s"]), *([_rank_words(rank)] if rank else []), words]
        who = pair_words((incoming, outgoing))
        cell.set("aria-label", f"{who}{colon()}{', '.join(told)}")
    return cell


def _rank_words(rank: int) -> str:
    return (phrase("1st"), phrase("2nd"), phrase("3rd"))[rank - 1]


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
            odds_words(row["p_in_zone"]),
            mark_words(row["mark_m"], foot_m),
            "–" if laid is None else mark_words(laid, foot_m),
            str(row["reps_pair"]),
            str(row["reps"]),
        ]
        rows.append(table_row(pair_names(*pair), cells))
    heads = (
        phrase("pair"),
        phrase("cost, s"),
        phrase("passes in the zone"),
        phrase("best mark"),
        phrase_of("mark", "in use"),
        phrase("takeovers together"),
        phrase("of the two with anybody"),
    )
    caption = phrase("± is one standard error of the cost; most of it goes with more practice.")
    return html_table("sure", heads, rows, caption)


def untried_pairs(rows_of_marks: Sequence[LakeRow], event: str) -> list[Child]:
    """The pairs of an event that were never tried, as names."""
    found = [
        pair_words((row["incoming"], row["outgoing"]))
        for row in rows_of_marks
        if row["advised"] and row["event"] == event and not row["reps_pair"]
    ]
    return names_in_order(sorted(found))
