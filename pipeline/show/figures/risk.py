"""What each candidate mark of a pair risks: chances and expected zone time over the marks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.base.defaults import RISKY
from pipeline.base.values import Floats
from pipeline.base.words import in_feet_words
from pipeline.language.phrases import phrase, reworded
from pipeline.show.figures.candidates import MarkChoice, mark_choices, marks_from_advised_stand
from pipeline.show.figures.figure import (
    Curve,
    Figure,
    InkName,
    Item,
    Panel,
    Scale,
    Span,
    Upright,
    make_scale,
    range_around,
)
from pipeline.show.markup import plain_text, short_name
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import (
    foot_length_m,
    joined_parts,
    mark_words,
    odds_words,
    pair_title,
    takeovers_words,
    with_head,
)
from pipeline.tables import schema

LEAST_TOP = 25.0  # times in 100: the axis of what goes wrong reaches at least so far


def risk_figure(rows: Sequence[LakeRow], progress: LakeRow | None = None) -> Figure | None:
    """Chances and expected zone time over the candidate marks of one pair in one event.

    `rows` are the pair's rows of the table `marks`. Only those count where the receiver stands and
    sets off as advised; with fewer than two of them the figure is None. `progress` is the pair's
    row of that table: its mark is the one in use. Chances are in per cent. Marks are in the
    receiver's foot-lengths where the foot-length is known, else in metres.
    """
    same = marks_from_advised_stand(rows)
    if len(same) < 2 or same[0]["mark_m"] == same[-1]["mark_m"]:
        return None
    advised = next(row for row in same if row["advised"])
    foot_m = foot_length_m(advised)
    x = np.array([row["mark_m"] / (foot_m or 1.0) for row in same])
    label = (
        phrase("mark before the back line, foot-lengths")
        if foot_m
        else phrase("mark before the back line, m")
    )
    in_use_m = None if progress is None else progress["mark_m"]
    return Figure(
        _risk_title(advised, mark_choices(same, in_use_m), foot_m),
        _describe_risk(same[0], advised, same[-1], foot_m),
        make_scale(label, float(x[0]), float(x[-1])),
        (_success_panel(same, x), _failure_panel(same, x), _zone_time_panel(same, x)),
        _mark_uprights(advised, progress, foot_m, x),
        (),
        _risk_notes(advised, foot_m),
    )


def _success_panel(rows: Sequence[LakeRow], x: Floats) -> Panel:
    """How often the baton passes in the zone, with what is accepted shaded."""
    least = 100.0 * (1.0 - RISKY)
    items = (
        Span(least, 100.0),
        _accepted_line(
            x, least, phrase("accepted: {odds}", odds=odds_words(1.0 - RISKY)), above=False
        ),
        _chance_curve(rows, x, "p_in_zone", "inside", phrase("pass in the zone")),
    )
    label = phrase("pass in the zone, times in 100")
    return Panel(Scale(label, 0.0, 100.0, (0.0, 25.0, 50.0, 75.0, 100.0)), items, 1.1)


def _failure_panel(rows: Sequence[LakeRow], x: Floats) -> Panel:
    """How often something goes wrong, on a scale of its own: no share of the panel above."""
    most = 100.0 * RISKY
    curves = [
        _chance_curve(rows, x, "p_ran_into", "into", phrase("run into each other")),
        _chance_curve(rows, x, "p_ran_away", "away", phrase("run away")),
    ]
    top = max(LEAST_TOP, *(1.08 * float(curve.y.max()) for curve in curves))
    items: tuple[Item, ...] = (
        Span(0.0, most),
        _accepted_line(x, most, _accepted_words(RISKY), above=True),
        *curves,
    )
    scale = make_scale(phrase("something goes wrong, times in 100"), 0.0, min(top, 100.0), 5)
    return Panel(scale, items, 1.1)


def _accepted_words(chance: float) -> str:
    return phrase("accepted: {odds}", odds=odds_words(chance))


def _accepted_line(x: Floats, y: float, word: str, *, above: bool) -> Curve:
    ends = np.array([x[0], x[-1]])
    return Curve("quiet", ends, np.full(2, y), word=word, word_at=1, above=above)


def _chance_curve(
    rows: Sequence[LakeRow], x: Floats, column: str, ink: InkName, word: str
) -> Curve:
    y = 100.0 * np.array([row[column] for row in rows])
    # The band may reach beyond 0 or 100 %: it is cut there when it is drawn.
    sd = 100.0 * np.array([row[schema.sd_column("marks", column)] for row in rows])
    every = max(1, len(x) // 8)
    signs = np.column_stack([x[::every], y[::every]])
    # "Pass in the zone" is below the middle of its curve, "run away" at the end of its own, and
    # "run into each other" at its start, where each is alone.
    at = {"inside": len(y) // 2, "away": len(y) - 1}.get(ink, 0)
    return Curve(ink, x, y, sd=sd, signs=signs, word=word, word_at=at, above=ink != "inside")


def _zone_time_panel(rows: Sequence[LakeRow], x: Floats) -> Panel:
    y, sd, spread = (
        np.array([row[name] for row in rows])
        for name in ("zone_time_s", "zone_time_sd_s", "zone_time_spread_s")
    )
    curves = (
        Curve("plain", x, y, sd=sd),
        Curve("quiet", x, y - spread, dashed=True),
        Curve("quiet", x, y + spread, dashed=True),
    )
    low, high = range_around(np.concatenate([y - spread, y + spread]), 0.1)
    return Panel(make_scale(phrase("expected zone time, s"), low, high, 5), curves, 0.8)


def _mark_uprights(
    advised: LakeRow, progress: LakeRow | None, foot_m: float | None, x: Floats
) -> tuple[Upright, ...]:
    unit_m = foot_m or 1.0
    at = advised["mark_m"] / unit_m
    used = None if progress is None or progress["mark_m"] is None else progress["mark_m"] / unit_m
    if used is None or not x[0] <= used <= x[-1]:
        return (Upright("plain", at, phrase("advised"), kind="advised"),)
    if abs(used - at) < 0.02 * (x[-1] - x[0]):
        return (Upright("plain", at, phrase("in use, advised"), kind="advised"),)
    return (
        Upright("plain", at, phrase("advised"), kind="advised"),
        Upright("quiet", used, phrase("in use"), kind="used"),
    )


def _risk_title(advised: LakeRow, choices: Sequence[MarkChoice], foot_m: float | None) -> str:
    """What was found: the chance on the mark advised and a foot farther, and whether more run into
    each other than is accepted."""
    who = pair_title(short_name(advised["incoming"]), short_name(advised["outgoing"]))
    if foot_m:
        head = phrase(
            "{pair}, advised {feet} feet", pair=who, feet=in_feet_words(advised["mark_feet"])
        )
    else:
        mark = mark_words(advised["mark_m"], None)
        head = phrase("{pair}, advised {mark}", pair=who, mark=mark)
    inside = phrase("{odds} pass in the zone", odds=odds_words(advised["p_in_zone"]))
    parts = [with_head(head, inside)]
    farther = next((one for one in choices if one.kind == "farther"), None)
    if farther is not None:
        parts.append(f"{farther.name} {odds_words(farther.p_in_zone)}")
    into, accepted = (odds_words(p) for p in (advised["p_ran_into"], RISKY))
    if advised["p_ran_into"] > RISKY and into != accepted:
        parts.append(
            phrase(
                "{odds} run into each other, where {accepted} is accepted",
                odds=into,
                accepted=accepted,
            )
        )
    return joined_parts(parts)


def _describe_risk(near: LakeRow, advised: LakeRow, far: LakeRow, foot_m: float | None) -> str:
    marks = joined_parts(
        phrase(
            "at {mark} {inside} pass in the zone, {into} run into each other, {away} run away",
            mark=mark_words(row["mark_m"], foot_m),
            inside=odds_words(row["p_in_zone"]),
            into=odds_words(row["p_ran_into"]),
            away=odds_words(row["p_ran_away"]),
        )
        for row in (near, advised, far)
    )
    return phrase("Nearest, advised and farthest mark: {marks}.", marks=marks)


def _risk_notes(advised: LakeRow, foot_m: float | None) -> tuple[str, ...]:
    warned = joined_parts(plain_text(reworded(text)) for text in advised["remarks"])
    notes = [phrase("On the mark advised: {warned}.", warned=warned)] if warned else []
    if foot_m is not None:
        notes.append(phrase("A foot-length is {foot_m:.2f} m.", foot_m=foot_m))
    notes.append(
        phrase(
            "Rests on {takeovers}, {pair} of this pair, {on_mark} on the mark advised.",
            takeovers=takeovers_words(advised["reps"]),
            pair=advised["reps_pair"],
            on_mark=advised["reps_on_mark"],
        )
    )
    notes.append(
        phrase(
            "Shaded is what is accepted: {inside} pass in the zone, {wrong} go wrong. Two who run "
            "into each other may pass in the zone all the same, so the panels do not add up. "
            "Worked out, not seen. Bands are ± 1 standard error and shrink with more takeovers. "
            "Dashed lines show how far single takeovers spread, which more takeovers do not "
            "change.",
            inside=odds_words(1.0 - RISKY),
            wrong=odds_words(RISKY),
        )
    )
    return tuple(notes)
