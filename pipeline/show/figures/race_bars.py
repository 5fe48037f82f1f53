"""A race against what its order promised: one bar a part, won to the left, lost to the right."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.base.values import Estimate
from pipeline.base.words import capitalised
from pipeline.language.phrases import phrase
from pipeline.show.figures.figure import (
    Bar,
    Caption,
    Curve,
    Figure,
    InkName,
    Item,
    Panel,
    Scale,
    Smear,
    make_scale,
)
from pipeline.show.markup import plain_text, short_name
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.show.wording import (
    CLEAR_SDS,
    joined_parts,
    lost_axis_words,
    pair_title,
    with_head,
)

# Heights in units of the page's picture.
_WORDS_HIGH, _BAR_HIGH, _SMEAR_HIGH, _ROOM_AFTER = 19.0, 12.0, 6.0, 10.0
_PART_HIGH = _WORDS_HIGH + _BAR_HIGH + _SMEAR_HIGH + _ROOM_AFTER
_UNITS_A_SHARE = 100.0


def race_bars_figure(parts: Sequence[LakeRow]) -> Figure | None:
    """The parts of one race, from its rows of the table `race_parts`; None where no part of it has
    something to be compared with."""
    ordered = sorted((row for row in parts if row["part"]), key=lambda row: row["part"])
    if all(part_difference(row) is None for row in ordered):
        return None
    x = _difference_scale(ordered)
    lines: list[Item] = []
    bars: list[Item] = []
    words: list[Item] = []
    for index, row in enumerate(ordered):
        top = -index * _PART_HIGH
        words.append(Caption(x.low, top - _WORDS_HIGH / 2, part_words(row, short=True)))
        change = part_difference(row)
        told = difference_words(change)
        strong = is_part_clear(change)
        words.append(Caption(x.high, top - _WORDS_HIGH / 2, told, side="end", strong=strong))
        if change is None:
            continue
        line = np.array(
            [top - _WORDS_HIGH, top - _PART_HIGH + _ROOM_AFTER / 2]
        )  # clear of the words
        lines.append(Curve("plain", np.zeros(2), line))
        at = top - _WORDS_HIGH - _BAR_HIGH / 2

        ink: InkName = "incoming" if row["kind"] == "run" else "outgoing"
        low_s, high_s = sorted((0.0, change.value))
        bars.append(Bar(ink, "solid" if strong else "pale", low_s, high_s, at, _BAR_HIGH))
        low = top - _WORDS_HIGH - _BAR_HIGH - _SMEAR_HIGH / 2
        bars.append(Smear("plain", change.value, change.sd, low, _SMEAR_HIGH))
    bottom = -len(ordered) * _PART_HIGH

    panel = Panel(
        Scale(phrase("part after part"), bottom, 0.0, ()),
        (*bars, *lines, *words),
        -bottom / _UNITS_A_SHARE,
    )
    return Figure(
        race_finding(ordered),
        " ".join(
            f"{with_head(part_words(row), difference_words(part_difference(row)))}."
            for row in ordered
        ),
        x,
        (panel,),
        (),
        (),
        (
            phrase(
                "Against what was expected before the race, each pair on its best mark: won to the "
                "left of the line, lost to the right. The band below a bar is how well it is "
                "known; a pale bar may as well be nothing."
            ),
        ),
    )


def part_difference(row: LakeRow) -> Estimate | None:
    """What a part took beyond what was expected of it [s]; None where that cannot be told."""
    return row_estimate(row, "difference_s", "difference_sd_s")


def is_part_clear(change: Estimate | None) -> bool:
    return change is not None and abs(change.value) > CLEAR_SDS * change.sd


def part_words(row: LakeRow, *, short: bool = False) -> str:
    """A part of a race by name: "leg 2, heron", "zone 1, otter to heron"."""
    name = short_name if short else plain_text
    number, runner, outgoing = (
        "?" if row[key] is None else name(str(row[key])) for key in ("leg", "runner", "outgoing")
    )
    if row["kind"] == "zone":
        return phrase("zone {number}, {pair}", number=number, pair=pair_title(runner, outgoing))
    return phrase("leg {number}, {runner}", number=number, runner=runner)


def difference_words(change: Estimate | None) -> str:
    if change is None:
        return phrase("cannot be told")
    size_s = abs(change.value)
    if not float(f"{size_s:.2f}"):
        return phrase("as expected")
    if change.value > 0.0:
        if is_part_clear(change):
            return phrase("{size_s:.2f} s lost", size_s=size_s)
        return phrase("{size_s:.2f} s lost, unsure", size_s=size_s)
    if is_part_clear(change):
        return phrase("{size_s:.2f} s won", size_s=size_s)
    return phrase("{size_s:.2f} s won, unsure", size_s=size_s)


def race_finding(parts: Sequence[LakeRow]) -> str:
    """Where most was clearly lost and won, in one sentence."""
    known = [(row, change) for row in parts if row["part"] and (change := part_difference(row))]
    clear = sorted(
        ((row, change) for row, change in known if is_part_clear(change)),
        key=lambda one: one[1].value,
    )
    if not known:
        return phrase("Nothing was expected of this race that it could be compared with")
    if not clear:
        return phrase("No part was clearly faster or slower than expected")
    words = []
    if clear[-1][1].value > 0.0:
        row, change = clear[-1]
        words.append(
            phrase(
                "most was lost in {part} ({lost_s:.2f} s)",
                part=part_words(row),
                lost_s=change.value,
            )
        )
    if clear[0][1].value < 0.0:
        row, change = clear[0]
        words.append(
            phrase(
                "most was won in {part} ({won_s:.2f} s)",
                part=part_words(row),
                won_s=-change.value,
            )
        )
    return capitalised(joined_parts(words))


def _difference_scale(parts: Sequence[LakeRow]) -> Scale:
    ends = [-0.05, 0.05]
    for row in parts:
        change = part_difference(row)
        if change is not None:
            ends += [change.value + k * 2.0 * change.sd for k in (-1.0, 1.0)]
    room = 0.03 * (max(ends) - min(ends))
    return make_scale(lost_axis_words(), min(ends) - room, max(ends) + room, 7)
