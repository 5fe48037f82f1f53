"""What if the tape lay elsewhere: where the passes would fall in the zone, mark by mark."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.language.phrases import phrase, phrase_of
from pipeline.show.column_words import column_word
from pipeline.show.figures.candidates import MarkChoice, mark_choices, marks_from_advised_stand
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
from pipeline.show.markup import short_name
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import (
    decimal,
    foot_length_m,
    joined_parts,
    mark_words,
    odds_words,
    pair_title,
    tape_move_words,
    with_head,
)

BEYOND_M = 4.0  # shown before the entry line and after the exit line, at least
# Heights in units of the page's picture, which the panel's share is made from.
_HEAD, _WORDS, _LANE, _AFTER = 22.0, 19.0, 18.0, 12.0
_ROW = 3 * _WORDS + _LANE + _AFTER
_PANEL = 100.0


def what_if_figure(
    rows: Sequence[LakeRow], progress: LakeRow | None, zone_m: float, *, by_sight: bool
) -> Figure | None:
    """Where passes would fall on the mark in use, on the one advised, and a foot to both sides.

    `rows` are the pair's rows of the table `marks` in one event, `progress` its row of that table
    (None: no mark is known to be in use), `zone_m` the zone's length. With fewer than two
    candidates where the receiver stands as advised the figure is None.
    """
    same = marks_from_advised_stand(rows)
    if len(same) < 2 or same[0]["mark_m"] == same[-1]["mark_m"]:
        return None
    advised = next(row for row in same if row["advised"])
    foot_m = foot_length_m(advised)
    in_use_m = None if progress is None else progress["mark_m"]
    choices = mark_choices(same, in_use_m)
    x = _zone_scale(choices, zone_m)
    who = pair_title(short_name(advised["incoming"]), short_name(advised["outgoing"]))
    return Figure(
        f"{who}, {_finding(choices, foot_m)}",
        " ".join(
            phrase(
                "{choice}: {inside}, {into}, passes about {place} m past the entry line.",
                choice=_choice_words(one, foot_m),
                inside=_inside_words(one),
                into=_into_words(one),
                place=decimal(one.pass_m, 1),
            )
            for one in choices
        ),
        x,
        (_choices_panel(choices, foot_m, x, zone_m, by_sight=by_sight),),
        (),
        (),
        _what_if_notes(same, in_use_m, foot_m),
    )


# --- what is drawn --------------------------------------------------------------------------------


def _zone_scale(choices: Sequence[MarkChoice], zone_m: float) -> Scale:
    ends = [end for one in choices for end in (one.pass_m - 2.0 * one.pass_sd_m,
                                               one.pass_m + 2.0 * one.pass_sd_m)]  # fmt: skip
    low = max(min(-BEYOND_M, *ends), -zone_m)
    high = min(max(zone_m + BEYOND_M, *ends), 2.0 * zone_m)
    return make_scale(phrase("place of the pass past the entry line, m"), low, high)


def _choices_panel(
    choices: Sequence[MarkChoice],
    foot_m: float | None,
    x: Scale,
    zone_m: float,
    *,
    by_sight: bool,
) -> Panel:
    """Each choice with its name, its chances in words, and its smear on a strip of the zone."""
    strips: list[Item] = []
    smears: list[Item] = []
    words: list[Item] = [
        Caption(0.0, -0.5 * _HEAD, column_word("moment", "entry"), side="middle"),
        Caption(zone_m, -0.5 * _HEAD, column_word("moment", "exit"), side="middle"),
    ]
    for k, one in enumerate(choices):
        top = -_HEAD - k * _ROW
        lane = top - 3.0 * _WORDS - 0.5 * _LANE
        strips.append(Bar("quiet", "ground", 0.0, zone_m, lane, _LANE))
        ink: InkName = "incoming" if "advised" in one.kind else "plain"
        smears.append(Smear(ink, one.pass_m, one.pass_sd_m, lane, _LANE))
        words.append(Caption(x.low, top - 0.5 * _WORDS, _choice_words(one, foot_m), strong=True))
        for line, chance in enumerate((_inside_words(one), _into_words(one))):
            words.append(Caption(x.low, top - (line + 1.5) * _WORDS, chance))
        edges = np.array([lane - 0.5 * _LANE, lane + 0.5 * _LANE])
        strips += [Curve("plain", np.full(2, at), edges) for at in (0.0, zone_m)]
    low = -_HEAD - len(choices) * _ROW
    label = (
        phrase("goes when the other is before the back line by") if by_sight else phrase("the tape")
    )
    return Panel(Scale(label, low, 0.0, ()), (*strips, *smears, *words), -low / _PANEL)


# --- words ----------------------------------------------------------------------------------------


def _choice_words(one: MarkChoice, foot_m: float | None) -> str:
    return with_head(one.name, mark_words(one.mark_m, foot_m))


def _inside_words(one: MarkChoice) -> str:
    return phrase("{odds} pass in the zone", odds=odds_words(one.p_in_zone))


def _into_words(one: MarkChoice) -> str:
    return phrase("{odds} run into each other", odds=odds_words(one.p_ran_into))


def _finding(choices: Sequence[MarkChoice], foot_m: float | None) -> str:
    """What moving the tape would do: from the mark in use to the one advised, else by a foot."""
    advised = next(one for one in choices if "advised" in one.kind)
    in_use = next((one for one in choices if one.kind == "in use"), None)
    if in_use is not None:
        move = tape_move_words(advised.mark_m - in_use.mark_m, foot_m)
        return with_head(move or phrase("nearly as it lies"), _change(in_use, advised))
    own = _both_words(_inside_words(advised), _into_words(advised))
    sides = (
        with_head(one.name, _both_words(odds_words(one.p_in_zone), odds_words(one.p_ran_into)))
        for one in choices
        if one is not advised
    )
    return joined_parts([with_head(advised.name, own), *sides])


def _both_words(inside: str, into: str) -> str:
    return phrase_of("two chances", "{inside} and {into}", inside=inside, into=into)


def _change(old: MarkChoice, new: MarkChoice) -> str:
    """What is better or worse with another mark: the chances that differ in words, else the time.

    Both chances are said where both differ: what one gains the other may lose.
    """
    inside = {"inside": odds_words(new.p_in_zone), "was_inside": odds_words(old.p_in_zone)}
    into = {"into": odds_words(new.p_ran_into), "was_into": odds_words(old.p_ran_into)}
    is_inside_told, is_into_told = (len(set(one.values())) == 2 for one in (inside, into))
    if is_inside_told and is_into_told:
        if (new.p_in_zone > old.p_in_zone) == (new.p_ran_into < old.p_ran_into):
            return phrase(
                "{inside} pass in the zone instead of {was_inside}, and {into} run into each other "
                "instead of {was_into}",
                **inside,
                **into,
            )
        return phrase(
            "{inside} pass in the zone instead of {was_inside}, but {into} run into each other "
            "instead of {was_into}",
            **inside,
            **into,
        )
    if is_inside_told:
        return phrase("{inside} pass in the zone instead of {was_inside}", **inside)
    if is_into_told:
        return phrase("{into} run into each other instead of {was_into}", **into)
    faster_s = old.zone_time_s - new.zone_time_s
    if abs(faster_s) < 0.005:
        return phrase("nothing changes that could be told")
    if faster_s > 0.0:
        return phrase("{faster_s:.2f} s faster, as safe", faster_s=faster_s)
    return phrase("{slower_s:.2f} s slower, as safe", slower_s=-faster_s)


def _what_if_notes(
    same: Sequence[LakeRow], in_use_m: float | None, foot_m: float | None
) -> tuple[str, ...]:
    notes = [
        phrase(
            "Dark is where most passes would fall, pale where few would. It holds how far "
            "takeovers differ, and how well the two are known. Worked out, not seen. The receiver "
            "stands as advised in all of them."
        )
    ]
    if in_use_m is not None and not same[0]["mark_m"] <= in_use_m <= same[-1]["mark_m"]:
        notes.append(
            phrase(
                "The mark in use, {mark}, lies beyond those that were tried.",
                mark=mark_words(in_use_m, foot_m),
            )
        )
    return tuple(notes)
