"""What each candidate mark of a pair risks: chances and expected zone time over the marks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.base.values import Floats
from pipeline.base.words import count
from pipeline.show.figures.figure import (
    Curve,
    Figure,
    InkName,
    Panel,
    Scale,
    Upright,
    make_scale,
    range_around,
)
from pipeline.show.markup import plain_text, short_name
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import chance_words, foot_length_m, mark_words
from pipeline.tables import schema

_CHANCE_COLUMNS: tuple[tuple[str, InkName, str], ...] = (
    ("p_in_zone", "inside", "in the zone"),
    ("p_ran_into", "into", "run into each other"),
    ("p_ran_away", "away", "run away"),
)


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
    unit = "foot-lengths" if foot_m else "m"
    curves = tuple(_chance_curve(same, x, *given) for given in _CHANCE_COLUMNS)
    chances = Panel(Scale("chance, %", 0.0, 100.0, (0.0, 25.0, 50.0, 75.0, 100.0)), curves, 1.6)
    incoming, outgoing = short_name(advised["incoming"]), short_name(advised["outgoing"])
    return Figure(
        f"What each mark risks, {incoming} to {outgoing}, {advised['event']}",
        _describe_risk(same[0], advised, same[-1], foot_m),
        make_scale(f"mark before the back line, {unit}", float(x[0]), float(x[-1])),
        (chances, _zone_time_panel(same, x)),
        _mark_uprights(advised, progress, foot_m, x),
        (),
        _risk_notes(advised, foot_m),
    )


def marks_from_advised_stand(rows: Sequence[LakeRow]) -> list[LakeRow]:
    """The candidates where the receiver stands and sets off as advised, by their mark; none where
    no row is advised."""
    advised = next((row for row in rows if row["advised"]), None)
    if advised is None:
        return []
    how = ("outgoing_start_m", "pace")
    same = [row for row in rows if all(abs(row[k] - advised[k]) < 1e-6 for k in how)]
    return sorted(same, key=lambda row: row["mark_m"])


def _chance_curve(
    rows: Sequence[LakeRow], x: Floats, column: str, ink: InkName, word: str
) -> Curve:
    y = 100.0 * np.array([row[column] for row in rows])
    # The band may reach beyond 0 or 100 %: it is cut there when it is drawn.
    sd = 100.0 * np.array([row[schema.sd_column("marks", column)] for row in rows])
    every = max(1, len(x) // 8)
    signs = np.column_stack([x[::every], y[::every]])
    at, above, beside = _word_place(ink, y)
    return Curve(ink, x, y, sd=sd, signs=signs, word=word, word_at=at, above=above, beside=beside)


def _word_place(ink: InkName, y: Floats) -> tuple[int, bool, bool]:
    """Where a curve's word is written: its row, whether above the curve, whether beside it.

    "In the zone" is below the middle of its curve, where the other two are low. "Run away" is at
    the end of its curve. "Run into each other" is beside its fall, or over its start where it is
    low from the beginning.
    """
    if ink == "inside":
        return len(y) // 2, False, False
    if ink == "away":
        return len(y) - 1, True, False
    return (int(np.abs(y - 60.0).argmin()), True, True) if y[0] > 60.0 else (0, True, False)


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
    return Panel(make_scale("expected zone time, s", low, high, 5), curves, 1.0)


def _mark_uprights(
    advised: LakeRow, progress: LakeRow | None, foot_m: float | None, x: Floats
) -> tuple[Upright, ...]:
    unit_m = foot_m or 1.0
    at = advised["mark_m"] / unit_m
    used = None if progress is None or progress["mark_m"] is None else progress["mark_m"] / unit_m
    if used is None or not x[0] <= used <= x[-1]:
        return (Upright("plain", at, "advised", kind="advised"),)
    if abs(used - at) < 0.02 * (x[-1] - x[0]):
        return (Upright("plain", at, "in use, advised", kind="advised"),)
    return (
        Upright("plain", at, "advised", kind="advised"),
        Upright("quiet", used, "in use", kind="used"),
    )


def _describe_risk(near: LakeRow, advised: LakeRow, far: LakeRow, foot_m: float | None) -> str:
    parts = []
    for row in (near, advised, far):
        chances = (
            f"{chance_words(row[column])} % {word}" for column, word in (
                ("p_in_zone", "pass in the zone"),
                ("p_ran_into", "run into each other"),
                ("p_ran_away", "run away"),
            )
        )  # fmt: skip
        parts.append(f"at {mark_words(row['mark_m'], foot_m)} {', '.join(chances)}")
    return f"Nearest, advised and farthest mark: {'; '.join(parts)}."


def _risk_notes(advised: LakeRow, foot_m: float | None) -> tuple[str, ...]:
    foot = "" if foot_m is None else f"A foot-length is {foot_m:.2f} m. "
    warned = "; ".join(plain_text(text) for text in advised["remarks"])
    return (
        *((f"On the mark advised: {warned}.",) if warned else ()),
        f"{foot}Rests on {count(advised['reps'], 'takeover')}, {advised['reps_pair']} of this "
        f"pair, {advised['reps_on_mark']} on the mark advised.",
        "The three chances do not add up to 100 %: two who run into each other may pass in the "
        "zone all the same, and a baton may pass before it. "
        "Chances and times are worked out from all takeovers of the two runners; nobody has "
        "seen them happen. Bands are ± 1 standard error and shrink with more takeovers. Dashed "
        "lines show how far single takeovers spread, which more takeovers do not change.",
    )
