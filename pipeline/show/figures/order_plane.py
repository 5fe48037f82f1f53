"""Running orders on one plane: how fast each is expected to be, and how likely it gets round."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.base.words import chance_in_words, count, percent
from pipeline.show.figures.figure import (
    Dot,
    Figure,
    Item,
    Panel,
    Smear,
    make_scale,
    range_around,
)
from pipeline.show.markup import plain_text, shorten
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import decimal

LEGS = ("leg1", "leg2", "leg3", "leg4")
MOST_NUMBERED = 12  # more numbers than these would hide the points
LEVEL_S = 0.05  # orders nearer to each other in expected loss than this are level; a convention
_NAME_WIDTH = 10  # half-width characters of a runner's name


def order_plane_figure(rows: Sequence[LakeRow], chosen_rank: int = 1) -> Figure | None:
    """Each running order at its expected time and at the chance that all its passes lie in their
    zones.

    `rows` are those of the table `orders` of one event in one lane; `chosen_rank` is the rank of
    the order that is named. None where there is no order.
    """
    ranked = sorted(rows, key=lambda row: row["rank"])
    if not ranked:
        return None
    chosen = next((row for row in ranked if row["rank"] == chosen_rank), ranked[0])
    times = [end for row in ranked for end in _time_ends(row)]
    chances = [100.0 * row["p_legal"] for row in ranked]
    low, high = range_around(chances, 0.15)
    y = make_scale("all three passes in their zones, times in 100", low, min(high, 101.0), 6)
    return Figure(
        _order_title(chosen, ranked),
        _describe_orders(chosen, ranked),
        make_scale("expected time, s", *range_around(times, 0.04)),
        (Panel(y, tuple(_order_items(ranked, chosen, y.high - y.low)), 2.4),),
        (),
        (),
        _order_notes(ranked),
    )


def order_words(row: LakeRow, width: int = _NAME_WIDTH) -> str:
    """The runners of an order in their legs' order, short enough for a figure."""
    return ", ".join(shorten(plain_text(row[leg]), width) for leg in LEGS)


def _time_ends(row: LakeRow) -> tuple[float, float]:
    return row["time_s"] - row["time_sd_s"], row["time_s"] + row["time_sd_s"]


def _order_items(ranked: Sequence[LakeRow], chosen: LakeRow, y_range: float) -> list[Item]:
    """The chosen order's interval as a smear, then all points, the chosen one last, on top."""
    at = chosen["time_s"], 100.0 * chosen["p_legal"]
    items: list[Item] = [Smear("incoming", at[0], chosen["time_sd_s"], at[1], 0.04 * y_range)]
    items += [
        Dot(
            "plain",
            row["time_s"],
            100.0 * row["p_legal"],
            x_sd=row["time_sd_s"],
            word=str(row["rank"]) if row["rank"] <= MOST_NUMBERED else "",
            faint=True,
        )
        for row in reversed(ranked)
        if row is not chosen
    ]
    word = f"{chosen['rank']}: {order_words(chosen)}"
    items.append(Dot("incoming", *at, sign="square", word=word))
    return items


# --- words ----------------------------------------------------------------------------------------


def _order_title(chosen: LakeRow, ranked: Sequence[LakeRow]) -> str:
    """What was found: how far ahead the chosen order is, how fast, and how likely it gets round."""
    who = order_words(chosen)
    facts = (
        f"{decimal(chosen['time_s'], 2)} s, all three passes in their zones "
        f"{chance_in_words(chosen['p_legal'])}"
    )
    lead = _lead_words(chosen, ranked)
    return f"{who} {lead}: {facts}" if lead else f"{who}: {facts}"


def _lead_words(chosen: LakeRow, ranked: Sequence[LakeRow]) -> str:
    others = [row["loss_s"] for row in ranked if row is not chosen and row["loss_s"] is not None]
    if chosen["loss_s"] is None or not others:
        return ""
    ahead = min(others) - chosen["loss_s"]
    if ahead < -LEVEL_S:
        return f"is {decimal(-ahead, 2)} s behind the best order"
    level = sum(loss - chosen["loss_s"] < LEVEL_S for loss in others)
    if level:
        return f"is level with {count(level, 'other')}"
    return f"leads by {decimal(ahead, 2)} s"


def _describe_orders(chosen: LakeRow, ranked: Sequence[LakeRow]) -> str:
    rows = "; ".join(
        f"{row['rank']}: {order_words(row, 16)}, {decimal(row['time_s'], 2)} s, "
        f"{percent(row['p_legal'])} in 100"
        for row in ranked[:MOST_NUMBERED]
    )
    p_best = chosen["p_best"]
    best = "" if p_best is None else f", the best with a chance of {chance_in_words(p_best)}"
    return (
        f"{count(len(ranked), 'order')}; named is number {chosen['rank']}{best}. Expected time "
        f"and chance of all three passes in their zones: {rows}."
    )


def _order_notes(ranked: Sequence[LakeRow]) -> tuple[str, ...]:
    first = ranked[0]
    lane = "" if first["lane"] is None else f", lane {first['lane']}"
    notes = [
        "Left is faster, up is safer. Numbers are ranks by expected loss, which weighs both. The "
        "smear, and pale lines of one standard error, are how well the times are known. Most of "
        "that is common to all orders, since the same runners run them: points lie apart more "
        "surely than the lines say.",
        f"{plain_text(first['event'])}{lane}. Worked out, not seen.",
    ]
    if ranked[-1]["rank"] > MOST_NUMBERED:
        notes.append(f"Orders after the first {MOST_NUMBERED} have no number.")
    return tuple(notes)
