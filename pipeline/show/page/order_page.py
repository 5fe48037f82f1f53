"""The page of a relay's running orders: the one with the least expected loss, how near the others
are, its three zones, and what is left where somebody drops out.

Everything is from the tables `orders` and `marks`. The marks are those of `marks`, which may have
been asked for other settings than the orders; the page says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from xml.etree import ElementTree as ET

from pipeline.base.relays import SHORT_LEG_M, is_blind, legs_m
from pipeline.base.values import Estimate
from pipeline.base.words import CAUTION, FEW_REPS, chance_in_words, count
from pipeline.show.figures import page_svg
from pipeline.show.figures.order_plane import LEGS, LEVEL_S, order_plane_figure
from pipeline.show.markup import (
    Child,
    element,
    html_table,
    outside_name,
    plain_text,
    scrolling,
    table_row,
)
from pipeline.show.page.frame import SeeAlso, whole_page
from pipeline.show.page.matrix_part import PairLink
from pipeline.show.page.sheet_lines import (
    DecisionRows,
    bullet_list,
    joined,
    linked,
    names_in_order,
    not_worked_out,
    notes_line,
    on_demand,
    pair_names,
    paragraph,
    titled_section,
)
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import NBSP, decimal, foot_length_m, mark_words, with_error, with_sign

ORDER_TABLES = ("orders", "marks")
MOST_DRAWN = 24  # orders in the figure: as many as four runners have; more hide each other
MOST_NEXT = 10  # orders that are compared with the first
_ORDER_READING = (
    "Expected loss: the expected time, and for each of the three takeovers what a failure and "
    "running into each other are worth, times their chances. Orders are ranked by it.",
    "Passes all three zones: all three takeovers happen between the entry and the exit line.",
    "How well the expected time is known is mostly common to all orders, since the same runners "
    "run them. Two orders lie apart more surely than their errors say.",
    "Nothing here was seen: it is worked out from the takeovers of these runners.",
)


def order_page(
    event: str,
    decisions: DecisionRows,
    *,
    link: PairLink,
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
    see_also: SeeAlso = (),
) -> str:
    """The page of the orders of one event as HTML text. `decisions` are rows of `ORDER_TABLES`,
    `link` gives where a pair's own page is."""
    ranked = sorted(
        (row for row in decisions["orders"] or () if row["event"] == event),
        key=lambda row: row["rank"],
    )
    title = f"Running orders, {plain_text(event)}"
    parts: list[Child]
    if not ranked:
        lead = f"No running order of the {plain_text(event)} is worked out yet."
        parts = [titled_section("order", "The order", *_how_to_get_orders(event))]
    else:
        lead = _order_lead(ranked)
        marks = {
            (row["incoming"], row["outgoing"]): row
            for row in decisions["marks"] or ()
            if row["event"] == event and row["advised"]
        }
        parts = [
            _chosen_section(event, ranked[0], marks, decisions["marks"] is None, link),
            _plane_section(ranked),
            _next_section(ranked),
            _reserves_section(ranked),
        ]
    return whole_page(
        title, lead, parts, about=about, remarks=remarks, reading=_ORDER_READING, see_also=see_also
    )


def _how_to_get_orders(event: str) -> list[Child]:
    legs = legs_m(event)
    flat = (
        [paragraph("Legs of more than 100 m need each runner's flat time: --flat RUNNER=SECONDS.")]
        if legs and max(legs) > SHORT_LEG_M / 2
        else []
    )
    return [
        not_worked_out("orders"),
        paragraph(
            "For this relay: ",
            element("code", {}, f"batontrace order OUT --event {plain_text(event)}"),
        ),
        *flat,
    ]


def order_runners(row: LakeRow) -> tuple[str, ...]:
    """The four runners of an order, leg by leg."""
    return tuple(row[leg] for leg in LEGS)


def _order_pairs(row: LakeRow) -> list[tuple[str, str]]:
    return list(pairwise(order_runners(row)))


def _order_lead(ranked: Sequence[LakeRow]) -> str:
    """What was found, in one sentence."""
    first = ranked[0]
    words = (
        f"{_names_words(first)}: {decimal(first['time_s'], 2)}{NBSP}s expected, "
        f"{chance_in_words(first['p_legal'])} races pass all three zones"
    )
    behind = [(row, by_s) for row in ranked[1:] if (by_s := _loss_beyond(first, row)) is not None]
    level = [row for row, by_s in behind if by_s < LEVEL_S]
    if level:
        words += f"; nearly level with {_names_words(level[0])}"
        words += f" and {count(len(level) - 1, 'other')}" if len(level) > 1 else ""
    elif behind:
        words += f"; {decimal(behind[0][1], 2)}{NBSP}s ahead of the next"
    return f"{words}."


def _loss_beyond(first: LakeRow, row: LakeRow) -> float | None:
    """How much more a row is expected to lose than the first [s]; None in tables from before
    losses were weighed."""
    if first["loss_s"] is None or row["loss_s"] is None:
        return None
    return float(row["loss_s"] - first["loss_s"])


def _names_words(row: LakeRow) -> str:
    return ", ".join(map(plain_text, order_runners(row)))


# --- the chosen order ---------------------------------------------------------------------------


def _chosen_section(
    event: str,
    first: LakeRow,
    marks: Mapping[tuple[str, str], LakeRow],
    no_marks: bool,
    link: PairLink,
) -> ET.Element:
    legs = [
        element("li", {}, element("small", {}, f"leg {number} "), outside_name(runner))
        for number, runner in enumerate(order_runners(first), 1)
    ]
    zones = [
        _zone_card(event, zone, pair, marks.get(pair), link)
        for zone, pair in enumerate(_order_pairs(first), 1)
    ]
    lane = "" if first["lane"] is None else f", lane {first['lane']}"
    return titled_section(
        "order",
        f"The order{lane}",
        element("p", {"class": "caution"}, CAUTION),
        element("ol", {"class": "legs-line"}, *legs),
        *_expectation(first),
        element("div", {"class": "zones"}, *zones),
        not_worked_out("marks") if no_marks else None,
        notes_line(
            "The marks are those that batontrace marks wrote last, the order that of batontrace "
            "order. Ask both for the same speed and the same stake."
        ),
        bullet_list(outside_name(text) for text in first["remarks"]),
    )


def _expectation(first: LakeRow) -> Iterable[Child]:
    """What to expect of a race in this order, and its expected loss in words."""
    wide = math.hypot(first["time_sd_s"], first["time_spread_s"])
    low, high = (decimal(first["time_s"] + k * wide, 2) for k in (-1.0, 1.0))
    yield paragraph(
        f"Two races in three take {low} to {high}{NBSP}s. The chance that no other order "
        f"is better: {chance_in_words(first['p_best'])}."
    )
    if first["loss_s"] is not None:
        more = first["loss_s"] - first["time_s"]
        yield paragraph(
            f"Expected loss {decimal(first['loss_s'], 2)}{NBSP}s: "
            f"{decimal(first['time_s'], 2)}{NBSP}s expected, and {decimal(more, 2)}{NBSP}s for "
            "what failures and running into each other are worth, times their chances."
        )
    time = Estimate(first["time_s"], first["time_sd_s"])
    yield on_demand(
        "How well the time is known",
        paragraph(
            f"{with_error(time, 2)}{NBSP}s: ± is one standard error, which more practice makes "
            f"smaller. Races differ by {decimal(first['time_spread_s'], 2)}{NBSP}s besides, "
            "which it does not."
        ),
    )


def _zone_card(
    event: str, zone: int, pair: tuple[str, str], row: LakeRow | None, link: PairLink
) -> ET.Element:
    head = element("h3", {}, f"Zone {zone}: ", linked(link(*pair, event), *pair_names(*pair)))
    if row is None:
        return element("div", {"class": "zone"}, head, paragraph("No mark is advised."))
    return element("div", {"class": "zone"}, head, *_zone_lines(row, is_blind(event, zone)))


def _zone_lines(row: LakeRow, by_mark: bool) -> Iterable[Child]:
    mark = element("b", {"class": "mark"}, mark_words(row["mark_m"], foot_length_m(row)))
    before = " before the back line"
    yield paragraph("Tape ", mark, before) if by_mark else paragraph("Go at ", mark, before)
    stand_m = row["outgoing_start_m"]
    where = f"{decimal(stand_m, 1)}{NBSP}m past the back line" if stand_m else "on the back line"
    yield paragraph(f"The receiver stands {where}.")
    wide = math.hypot(row["pass_sd_m"], row["pass_spread_m"])
    low, high = max(row["pass_m"] - wide, 0.0), row["pass_m"] + wide
    yield paragraph(
        f"In the zone {chance_in_words(row['p_in_zone'])}; the pass two times in three at "
        f"{decimal(low, 0)} to {decimal(high, 0)}{NBSP}m; zone time "
        f"{decimal(row['zone_time_s'], 2)}{NBSP}s."
    )
    tried = row["reps_pair"]
    trust = "Never tried together" if not tried else f"{count(tried, 'takeover')} together"
    yield paragraph(trust, ": few." if 0 < tried < FEW_REPS else ".")
    yield bullet_list(outside_name(text) for text in row["remarks"])


# --- the others ---------------------------------------------------------------------------------


def _plane_section(ranked: Sequence[LakeRow]) -> ET.Element | None:
    drawn = order_plane_figure(ranked[:MOST_DRAWN])
    if drawn is None:
        return None
    left = len(ranked) - MOST_DRAWN
    return titled_section(
        "plane",
        "Fast or safe",
        page_svg.captioned_figure(drawn, "order-plane"),
        notes_line(f"{count(left, 'more order')} of the table are not drawn.")
        if left > 0
        else None,
    )


_NEXT_HEADS = (
    "order",
    "loss beyond the first, s",
    "time, s",
    "pass all three zones",
    "takeovers that the first has not",
    "never tried",
)


def _next_section(ranked: Sequence[LakeRow]) -> ET.Element | None:
    """The orders after the first, and in what they differ from it."""
    first, others = ranked[0], ranked[1 : 1 + MOST_NEXT]
    if not others:
        return None
    pairs = set(_order_pairs(first))
    lines = []
    for row in others:
        new = [pair for pair in _order_pairs(row) if pair not in pairs]
        untried = [
            text.removesuffix(": never tried")
            for text in row["remarks"]
            if text.endswith(": never tried")
        ]
        cells: list[Child] = [
            "–" if (by_s := _loss_beyond(first, row)) is None else with_sign(by_s, 2),
            decimal(row["time_s"], 2),
            chance_in_words(row["p_legal"]),
            joined(*names_in_order([f"{one} to {other}" for one, other in new])) if new else "none",
            joined(*names_in_order(untried)) if untried else "–",
        ]
        lines.append(table_row([f"{row['rank']}: ", *names_in_order(order_runners(row))], cells))
    left = len(ranked) - 1 - len(others)
    return titled_section(
        "next",
        f"The {len(others)} next" if len(others) > 1 else "The next",
        scrolling("The orders after the first", html_table("orders", _NEXT_HEADS, lines)),
        notes_line(f"{count(left, 'more order')} of the table are not listed.") if left else None,
    )


def _reserves_section(ranked: Sequence[LakeRow]) -> ET.Element:
    """For each runner of the first order, the best of the orders without him or her."""
    first = ranked[0]
    squad = {runner for row in ranked for runner in order_runners(row)}
    if len(squad) <= len(LEGS):
        return titled_section(
            "reserves",
            "If one drops out",
            paragraph(
                "No reserve: all orders of the table have the same four runners. Name a fifth: ",
                element("code", {}, "batontrace order OUT --team A,B,C,D,E"),
            ),
        )
    lines = [_reserve_line(out, first, ranked) for out in order_runners(first)]
    return titled_section(
        "reserves",
        "If one drops out",
        bullet_list(lines),
        notes_line("The best order of the table without that runner; it holds the best ones only."),
    )


def _reserve_line(out: str, first: LakeRow, ranked: Sequence[LakeRow]) -> ET.Element:
    without = element("b", {}, "Without ", outside_name(out), ": ")
    best = next((row for row in ranked if out not in order_runners(row)), None)
    if best is None:
        return joined(without, "the table holds no order.")
    kept = [pair for pair in _order_pairs(best) if pair in set(_order_pairs(first))]
    more_s = _loss_beyond(first, best)
    costs = "" if more_s is None else f", {decimal(more_s, 2)}{NBSP}s more expected loss"
    keeps = [f"{one} to {other}" for one, other in kept]
    return joined(
        without,
        *names_in_order(order_runners(best)),
        f"; {decimal(best['time_s'], 2)}{NBSP}s expected{costs}; ",
        *(["marks kept: ", *names_in_order(keeps)] if keeps else ["no mark is kept"]),
        ".",
    )
