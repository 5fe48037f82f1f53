"""Running orders on one plane: how fast each is expected to be, and how likely it gets round."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.base.words import percent
from pipeline.language.phrases import phrase, phrase_count
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
from pipeline.show.wording import joined_parts, odds_words, with_head

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
    label = phrase("all three passes in their zones, times in 100")
    y = make_scale(label, low, min(high, 101.0), 6)
    return Figure(
        _order_title(chosen, ranked),
        _describe_orders(chosen, ranked),
        make_scale(phrase("expected time, s"), *range_around(times, 0.04)),
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
    word = with_head(str(chosen["rank"]), order_words(chosen))
    items.append(Dot("incoming", *at, sign="square", word=word))
    return items


# --- words ----------------------------------------------------------------------------------------


def _order_title(chosen: LakeRow, ranked: Sequence[LakeRow]) -> str:
    """What was found: how far ahead the chosen order is, how fast, and how likely it gets round."""
    facts = phrase(
        "{time_s:.2f} s, all three passes in their zones {odds}",
        time_s=chosen["time_s"],
        odds=odds_words(chosen["p_legal"]),
    )
    return with_head(_lead_words(chosen, ranked), facts)


def _lead_words(chosen: LakeRow, ranked: Sequence[LakeRow]) -> str:
    """Who runs, and how far ahead of other orders, where that is known."""
    who = order_words(chosen)
    others = [row["loss_s"] for row in ranked if row is not chosen and row["loss_s"] is not None]
    if chosen["loss_s"] is None or not others:
        return who
    ahead = min(others) - chosen["loss_s"]
    if ahead < -LEVEL_S:
        return phrase("{who} is {behind_s:.2f} s behind the best order", who=who, behind_s=-ahead)
    level = sum(loss - chosen["loss_s"] < LEVEL_S for loss in others)
    if level:
        return phrase_count(
            "{who} is level with {count} other", "{who} is level with {count} others", level,
            who=who,
        )  # fmt: skip
    return phrase("{who} leads by {ahead_s:.2f} s", who=who, ahead_s=ahead)


def _describe_orders(chosen: LakeRow, ranked: Sequence[LakeRow]) -> str:
    rows = joined_parts(
        phrase(
            "{rank}: {who}, {time_s:.2f} s, {chance} in 100",
            rank=row["rank"],
            who=order_words(row, 16),
            time_s=row["time_s"],
            chance=percent(row["p_legal"]),
        )
        for row in ranked[:MOST_NUMBERED]
    )
    orders = phrase_count("{count} order", "{count} orders", len(ranked))
    about = {"orders": orders, "rank": chosen["rank"], "rows": rows}
    if chosen["p_best"] is None:
        return phrase(
            "{orders}; named is number {rank}. Expected time and chance of all three passes in "
            "their zones: {rows}.",
            **about,
        )
    return phrase(
        "{orders}; named is number {rank}, the best with a chance of {odds}. Expected time and "
        "chance of all three passes in their zones: {rows}.",
        odds=odds_words(chosen["p_best"]),
        **about,
    )


def _order_notes(ranked: Sequence[LakeRow]) -> tuple[str, ...]:
    first = ranked[0]
    event, lane = plain_text(first["event"]), first["lane"]
    notes = [
        phrase(
            "Left is faster, up is safer. Numbers are ranks by expected loss, which weighs both. "
            "The smear, and pale lines of one standard error, are how well the times are known. "
            "Most of that is common to all orders, since the same runners run them: points lie "
            "apart more surely than the lines say."
        ),
        phrase("{event}. Worked out, not seen.", event=event)
        if lane is None
        else phrase("{event}, lane {lane}. Worked out, not seen.", event=event, lane=lane),
    ]
    if ranked[-1]["rank"] > MOST_NUMBERED:
        notes.append(phrase("Orders after the first {most} have no number.", most=MOST_NUMBERED))
    return tuple(notes)
