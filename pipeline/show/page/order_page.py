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
from pipeline.base.words import FEW_REPS
from pipeline.language.phrases import phrase, phrase_around, phrase_count, phrase_of
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
    caution_line,
    flat_times_needed,
    joined,
    linked,
    names_in_order,
    not_worked_out,
    notes_line,
    on_demand,
    pair_names,
    paragraph,
    quantity,
    semicolon,
    table_sentence,
    titled_section,
)
from pipeline.show.request import pair_words
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import (
    decimal,
    foot_length_m,
    joined_parts,
    mark_words,
    odds_words,
    with_error,
    with_sign,
)

ORDER_TABLES = ("orders", "marks")
MOST_DRAWN = 24  # orders in the figure: as many as four runners have; more hide each other
MOST_NEXT = 10  # orders that are compared with the first


def _order_reading() -> tuple[str, ...]:
    return (
        phrase(
            "Expected loss: the expected time, and for each of the three takeovers what a failure "
            "and running into each other are worth, times their chances. Orders are ranked by it."
        ),
        phrase(
            "Passes all three zones: all three takeovers happen between the entry and the exit "
            "line."
        ),
        phrase(
            "How well the expected time is known is mostly common to all orders, since the same "
            "runners run them. Two orders lie apart more surely than their errors say."
        ),
        phrase("Nothing here was seen: it is worked out from the takeovers of these runners."),
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
    title = phrase("Running orders, {event}", event=plain_text(event))
    parts: list[Child]
    if not ranked:
        lead = phrase("No running order of the {event} is worked out yet.", event=plain_text(event))
        parts = [titled_section("order", phrase("The order"), *_how_to_get_orders(event))]
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
        title,
        lead,
        parts,
        about=about,
        remarks=remarks,
        reading=_order_reading(),
        see_also=see_also,
    )


def _how_to_get_orders(event: str) -> list[Child]:
    legs = legs_m(event)
    flat = [paragraph(flat_times_needed())] if legs and max(legs) > SHORT_LEG_M / 2 else []
    return [
        not_worked_out("orders"),
        paragraph(
            *phrase_around(
                "For this relay: {command}",
                command=element("code", {}, f"batontrace order OUT --event {plain_text(event)}"),
            )
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
    words = [
        phrase(
            "{order}: {time} expected, {chance} races pass all three zones",
            order=_names_words(first),
            time=quantity(first["time_s"], 2, "s"),
            chance=odds_words(first["p_legal"]),
        )
    ]
    behind = [(row, by_s) for row in ranked[1:] if (by_s := _loss_beyond(first, row)) is not None]
    level = [row for row, by_s in behind if by_s < LEVEL_S]
    if len(level) == 1:
        words.append(phrase("nearly level with {order}", order=_names_words(level[0])))
    elif level:
        words.append(
            phrase_count(
                "nearly level with {order} and {count} other",
                "nearly level with {order} and {count} others",
                len(level) - 1,
                order=_names_words(level[0]),
            )
        )
    elif behind:
        ahead = quantity(behind[0][1], 2, "s")
        words.append(phrase("{time} ahead of the next", time=ahead))
    return f"{joined_parts(words)}."


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
        element(
            "li",
            {},
            element("small", {}, f"{phrase('leg {number}', number=number)} "),
            outside_name(runner),
        )
        for number, runner in enumerate(order_runners(first), 1)
    ]
    zones = [
        _zone_card(event, zone, pair, marks.get(pair), link)
        for zone, pair in enumerate(_order_pairs(first), 1)
    ]
    title = (
        phrase("The order")
        if first["lane"] is None
        else phrase("The order, lane {lane}", lane=first["lane"])
    )
    return titled_section(
        "order",
        title,
        caution_line(),
        element("ol", {"class": "legs-line"}, *legs),
        *_expectation(first),
        element("div", {"class": "zones"}, *zones),
        not_worked_out("marks") if no_marks else None,
        notes_line(
            phrase(
                "The marks are those that {marks} wrote last, the order that of {order}. Ask both "
                "for the same speed and the same stake.",
                marks="batontrace marks",
                order="batontrace order",
            )
        ),
        bullet_list(map(table_sentence, first["remarks"])),
    )


def _expectation(first: LakeRow) -> Iterable[Child]:
    """What to expect of a race in this order, and its expected loss in words."""
    wide = math.hypot(first["time_sd_s"], first["time_spread_s"])
    low, high = (decimal(first["time_s"] + k * wide, 2) for k in (-1.0, 1.0))
    yield paragraph(
        phrase(
            "Two races in three take {low} to {high}\u00a0s. The chance that no other order is "
            "better: {chance}.",
            low=low,
            high=high,
            chance=odds_words(first["p_best"]),
        )
    )
    if first["loss_s"] is not None:
        more = first["loss_s"] - first["time_s"]
        yield paragraph(
            phrase(
                "Expected loss {loss}: {time} expected, and {more} for what failures and running "
                "into each other are worth, times their chances.",
                loss=quantity(first["loss_s"], 2, "s"),
                time=quantity(first["time_s"], 2, "s"),
                more=quantity(more, 2, "s"),
            )
        )
    time = Estimate(first["time_s"], first["time_sd_s"])
    yield on_demand(
        phrase("How well the time is known"),
        paragraph(
            phrase(
                "{time}\u00a0s: ± is one standard error, which more practice makes smaller. Races "
                "differ by {spread} besides, which it does not.",
                time=with_error(time, 2),
                spread=quantity(first["time_spread_s"], 2, "s"),
            )
        ),
    )


def _zone_card(
    event: str, zone: int, pair: tuple[str, str], row: LakeRow | None, link: PairLink
) -> ET.Element:
    who = linked(link(*pair, event), *pair_names(*pair))
    head = element("h3", {}, *phrase_around("Zone {zone}: {pair}", zone=str(zone), pair=who))
    if row is None:
        return element("div", {"class": "zone"}, head, paragraph(phrase("No mark is advised.")))
    return element("div", {"class": "zone"}, head, *_zone_lines(row, is_blind(event, zone)))


def _zone_lines(row: LakeRow, by_mark: bool) -> Iterable[Child]:
    mark = element("b", {"class": "mark"}, mark_words(row["mark_m"], foot_length_m(row)))
    yield paragraph(
        *(
            phrase_around("Tape {mark} before the back line", mark=mark)
            if by_mark
            else phrase_around("Go at {mark} before the back line", mark=mark)
        )
    )
    stand_m = row["outgoing_start_m"]
    yield paragraph(
        phrase("The receiver stands {stand} past the back line.", stand=quantity(stand_m, 1, "m"))
        if stand_m
        else phrase("The receiver stands on the back line.")
    )
    wide = math.hypot(row["pass_sd_m"], row["pass_spread_m"])
    low, high = max(row["pass_m"] - wide, 0.0), row["pass_m"] + wide
    yield paragraph(
        phrase(
            "In the zone {chance}; the pass two times in three at {low} to {high}\u00a0m; zone "
            "time {time}\u00a0s.",
            chance=odds_words(row["p_in_zone"]),
            low=decimal(low, 0),
            high=decimal(high, 0),
            time=decimal(row["zone_time_s"], 2),
        )
    )
    tried = row["reps_pair"]
    if not tried:
        yield paragraph(phrase("Never tried together."))
    elif tried < FEW_REPS:
        yield paragraph(
            phrase_count(
                "{count} takeover together: few.", "{count} takeovers together: few.", tried
            )
        )
    else:
        yield paragraph(
            phrase_count("{count} takeover together.", "{count} takeovers together.", tried)
        )
    yield bullet_list(map(table_sentence, row["remarks"]))


# --- the others ---------------------------------------------------------------------------------


def _plane_section(ranked: Sequence[LakeRow]) -> ET.Element | None:
    drawn = order_plane_figure(ranked[:MOST_DRAWN])
    if drawn is None:
        return None
    left = len(ranked) - MOST_DRAWN
    return titled_section(
        "plane",
        phrase("Fast or safe"),
        page_svg.captioned_figure(drawn, "order-plane"),
        notes_line(
            phrase_count(
                "{count} more order of the table are not drawn.",
                "{count} more orders of the table are not drawn.",
                left,
            )
        )
        if left > 0
        else None,
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
            pair
            for pair in _order_pairs(row)
            if f"{pair[0]} to {pair[1]}: never tried" in row["remarks"]
        ]
        cells: list[Child] = [
            "–" if (by_s := _loss_beyond(first, row)) is None else with_sign(by_s, 2),
            decimal(row["time_s"], 2),
            odds_words(row["p_legal"]),
            joined(*names_in_order(list(map(pair_words, new))))
            if new
            else phrase_of("takeovers", "none"),
            joined(*names_in_order(list(map(pair_words, untried)))) if untried else "–",
        ]
        lines.append(table_row([f"{row['rank']}: ", *names_in_order(order_runners(row))], cells))
    left = len(ranked) - 1 - len(others)
    heads = (
        phrase("order"),
        phrase("loss beyond the first, s"),
        phrase("time, s"),
        phrase("pass all three zones"),
        phrase("takeovers that the first has not"),
        phrase("never tried"),
    )
    return titled_section(
        "next",
        phrase("The {number} next", number=len(others)) if len(others) > 1 else phrase("The next"),
        scrolling(phrase("The orders after the first"), html_table("orders", heads, lines)),
        notes_line(
            phrase_count(
                "{count} more order of the table are not listed.",
                "{count} more orders of the table are not listed.",
                left,
            )
        )
        if left
        else None,
    )


def _reserves_section(ranked: Sequence[LakeRow]) -> ET.Element:
    """For each runner of the first order, the best of the orders without him or her."""
    first = ranked[0]
    squad = {runner for row in ranked for runner in order_runners(row)}
    if len(squad) <= len(LEGS):
        return titled_section(
            "reserves",
            phrase("If one drops out"),
            paragraph(
                *phrase_around(
                    "No reserve: all orders of the table have the same four runners. Name a fifth: "
                    "{command}",
                    command=element("code", {}, "batontrace order OUT --team A,B,C,D,E"),
                )
            ),
        )
    lines = [_reserve_line(out, first, ranked) for out in order_runners(first)]
    return titled_section(
        "reserves",
        phrase("If one drops out"),
        bullet_list(lines),
        notes_line(
            phrase("The best order of the table without that runner; it holds the best ones only.")
        ),
    )


def _reserve_line(out: str, first: LakeRow, ranked: Sequence[LakeRow]) -> ET.Element:
    without = element("b", {}, *phrase_around("Without {runner}: ", runner=outside_name(out)))
    best = next((row for row in ranked if out not in order_runners(row)), None)
    if best is None:
        return joined(without, phrase("the table holds no order."))
    kept = [pair for pair in _order_pairs(best) if pair in set(_order_pairs(first))]
    more_s = _loss_beyond(first, best)
    time = quantity(best["time_s"], 2, "s")
    expected = (
        phrase("{time} expected", time=time)
        if more_s is None
        else phrase(
            "{time} expected, {more} more expected loss", time=time, more=quantity(more_s, 2, "s")
        )
    )
    marks: Sequence[Child] = [phrase("no mark is kept")]
    if kept:
        pairs = joined(*names_in_order([pair_words(pair) for pair in kept]))
        marks = phrase_around("marks kept: {marks}", marks=pairs)
    return joined(
        without,
        *names_in_order(order_runners(best)),
        semicolon(),
        expected,
        semicolon(),
        *marks,
        ".",
    )
