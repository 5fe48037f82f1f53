"""A pair over the weeks: the figure that sets its takeovers one after the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.base.units import WEEK_S
from pipeline.base.values import Estimate, Floats
from pipeline.language.numbers import day_words
from pipeline.language.phrases import phrase, phrase_count
from pipeline.show.figures.figure import (
    Curve,
    Dot,
    Figure,
    Item,
    Panel,
    Scale,
    Span,
    Upright,
    make_scale,
    range_around,
)
from pipeline.show.markup import plain_text, short_name
from pipeline.show.scenes import LakeRow, Scene, row_estimate
from pipeline.show.wording import (
    CLEAR_SDS,
    change_words,
    decimal,
    pair_title,
    small_number_words,
    takeovers_words,
    with_error,
    with_head,
)
from pipeline.tables import schema

MOST_DATES = 6  # written below the axis


@dataclass(frozen=True, slots=True)
class _Quantity:
    """One panel: its axis' label, where its value comes from, and what the table `progress` calls
    it (`stem`, "" where the table does not have it). `needs_pass`: the value rests on the place of
    the pass. `on_zone`: the axis is the zone's, so the zone is drawn behind."""

    label: str
    unit: str
    of: Callable[[Scene], Estimate | None]
    stem: str = ""
    needs_pass: bool = False
    on_zone: bool = False


def _mark_estimate(one: Scene) -> Estimate | None:
    return None if one.row["mark_m"] is None else Estimate(one.row["mark_m"], 0.0)


def _quantities() -> tuple[_Quantity, ...]:
    pass_m, gap_m = phrase("pass, m past the entry line"), phrase("gap at the pass, m")
    return (
        _Quantity(phrase("zone time, s"), "s", lambda one: one.zone_time, "zone_time"),
        _Quantity(phrase("start, s after the mark"), "s", lambda one: one.start, "go_lag"),
        _Quantity(gap_m, "m", lambda one: one.gap_at_pass, "free_distance", True),
        _Quantity(pass_m, "m", lambda one: one.pass_place, "", True, True),
        _Quantity(phrase("mark, m before the back line"), "m", _mark_estimate),
    )


def history_figure(several: Sequence[Scene], progress: LakeRow | None = None) -> Figure:
    """One pair's takeovers in time order, one place each on the x axis, with a line between
    sessions.

    `several` in time order, at least one. `progress` is the pair's row of that table: its level
    and trend are drawn with their band. Raises ValueError where there is no takeover.
    """
    if not several:
        raise ValueError("no takeover to draw")
    x = np.arange(1.0, len(several) + 1.0)
    quantities = _quantities()
    panels = [_quantity_panel(quantity, several, x, progress) for quantity in quantities]
    known = tuple(panel for panel in panels if panel is not None) or (
        Panel(make_scale(quantities[0].label, 0.0, 5.0, 5), (), 0.8),
    )
    incoming, outgoing = several[0].pair
    who = pair_title(short_name(incoming), short_name(outgoing))
    finding = _history_finding(several, progress)
    return Figure(
        with_head(f"{who}, {several[0].row['event']}", finding),
        _describe_history(several, progress),
        _session_scale(several),
        (_mark_missed(known[0], several, x), *known[1:]),
        _session_lines(several),
        (),
        _history_notes(several, progress),
    )


def _quantity_panel(
    quantity: _Quantity, several: Sequence[Scene], x: Floats, progress: LakeRow | None
) -> Panel | None:
    """One quantity with its standard errors; None where no takeover has it."""
    known = [
        (at, one, value)
        for at, one in zip(x, several, strict=True)
        if (value := quantity.of(one)) is not None
    ]
    if not known:
        return None
    items: list[Item] = []
    ends = [end for _, _, v in known for end in (v.value - v.sd, v.value + v.sd)]
    if quantity.on_zone:
        items.append(Span(0.0, several[-1].zone_m, phrase("zone")))
        ends += [0.0, several[-1].zone_m]
    line = _trend_curve(quantity, several, x, progress)
    if line is not None:
        items.append(line)
    for at, one, value in known:
        hollow = quantity.needs_pass and one.row["pass_basis"] == "inferred"
        items.append(Dot("plain", float(at), value.value, full=not hollow, y_sd=value.sd or None))
    y = make_scale(quantity.label, *range_around(ends, 0.1), at_most=5)
    return Panel(y, tuple(items), 0.8)


def _mark_missed(panel: Panel, several: Sequence[Scene], x: Floats) -> Panel:
    """Takeovers that were not passed are triangles at the panel's foot."""
    missed = [
        Dot(
            "into",
            float(at),
            panel.y.low,
            full=one.row["pass_basis"] != "inferred",
            sign="triangle",
        )
        for at, one in zip(x, several, strict=True)
        if one.missed
    ]
    return Panel(panel.y, (*panel.items, *missed), panel.share)


def _trend_curve(
    quantity: _Quantity, several: Sequence[Scene], x: Floats, progress: LakeRow | None
) -> Curve | None:
    if progress is None or not quantity.stem or len(x) < 2:
        return None
    stem, unit = quantity.stem, quantity.unit
    level, slope = (
        row_estimate(progress, name, schema.sd_column("progress", name))
        for name in (f"{stem}_{unit}", f"{stem}_trend_{unit}")
    )
    if level is None or slope is None:
        return None
    last = progress["last_utc"]
    weeks = np.array([(one.when - last).total_seconds() / WEEK_S for one in several])
    y = level.value + slope.value * weeks
    return Curve("quiet", x, y, sd=np.hypot(level.sd, slope.sd * weeks), dashed=True)


def _session_scale(several: Sequence[Scene]) -> Scale:
    """Takeovers one after the other. The date is at the middle of each session, for as many
    sessions as there is room."""
    days = [day_words(one.clock) for one in several]
    firsts = [k for k in range(len(days)) if k == 0 or days[k] != days[k - 1]]
    ends = [*firsts[1:], len(days)]
    middles = [(first + end - 1) / 2 + 1.0 for first, end in zip(firsts, ends, strict=True)]
    ticks: list[float] = []
    words: list[str] = []
    room = (len(several) + 1.0) / MOST_DATES
    for first, middle in zip(firsts, middles, strict=True):
        if not ticks or middle - ticks[-1] >= room:
            ticks.append(middle)
            words.append(days[first])
    label = phrase("takeovers one after the other, a line between sessions")
    return Scale(label, 0.0, len(several) + 1.0, tuple(ticks), tuple(words))


def _session_lines(several: Sequence[Scene]) -> tuple[Upright, ...]:
    return tuple(
        Upright("quiet", k + 0.5)
        for k in range(1, len(several))
        if several[k].row["session"] != several[k - 1].row["session"]
    )


# --- words ----------------------------------------------------------------------------------------


def _history_finding(several: Sequence[Scene], progress: LakeRow | None) -> str:
    """What was found: whether the zone time changes, or what it was."""
    days = len({one.clock.date() for one in several})
    evenings = small_number_words(days)
    slope = None if progress is None else row_estimate(
        progress, "zone_time_trend_s", "zone_time_trend_sd_s"
    )  # fmt: skip
    if slope is not None and days > 1:
        if abs(slope.value) > CLEAR_SDS * slope.sd:
            change = {"change": decimal(abs(slope.value), 2), "evenings": evenings}
            if slope.value < 0.0:
                return phrase(
                    "zone time {change} s less each week, over {evenings} evenings", **change
                )
            return phrase("zone time {change} s more each week, over {evenings} evenings", **change)
        return phrase(
            "no change of the zone time that stands out over {evenings} evenings",
            evenings=evenings,
        )
    times = [one.zone_time.value for one in several if one.zone_time is not None]
    if not times:
        takeovers = takeovers_words(len(several))
        if days == 1:
            return phrase("{takeovers} in one evening", takeovers=takeovers)
        return phrase(
            "{takeovers} over {evenings} evenings", takeovers=takeovers, evenings=evenings
        )
    low, high = decimal(min(times), 2), decimal(max(times), 2)
    if low == high:
        if days == 1:
            return phrase("zone time {low} s in one evening", low=low)
        return phrase("zone time {low} s over {evenings} evenings", low=low, evenings=evenings)
    if days == 1:
        return phrase("zone time {low} to {high} s in one evening", low=low, high=high)
    return phrase(
        "zone time {low} to {high} s over {evenings} evenings",
        low=low,
        high=high,
        evenings=evenings,
    )


def _describe_history(several: Sequence[Scene], progress: LakeRow | None) -> str:
    incoming, outgoing = (plain_text(runner) for runner in several[0].pair)
    words = [
        phrase(
            "{takeovers} of {pair} in {sessions}.",
            takeovers=takeovers_words(len(several)),
            pair=pair_title(incoming, outgoing),
            sessions=_sessions_words(several),
        )
    ]
    times = [one.zone_time for one in several if one.zone_time is not None]
    if times:
        words.append(
            phrase(
                "Zone time {first} s in the first, {last} s in the last.",
                first=with_error(times[0], 2),
                last=with_error(times[-1], 2),
            )
        )
    missed = sum(one.missed for one in several)
    if missed:
        words.append(phrase("{missed} not passed.", missed=missed))
    slope = None if progress is None else row_estimate(
        progress, "zone_time_trend_s", "zone_time_trend_sd_s"
    )  # fmt: skip
    if slope is not None:
        words.append(
            phrase("Zone time changes by {change} s a week.", change=change_words(slope, 2))
        )
    return " ".join(words)


def _sessions_words(several: Sequence[Scene]) -> str:
    sessions = len({one.row["session"] for one in several})
    return phrase_count("{count} session", "{count} sessions", sessions)


def _history_notes(several: Sequence[Scene], progress: LakeRow | None) -> tuple[str, ...]:
    notes = [
        phrase(
            "{takeovers} in {sessions}. Bars are ± 1 standard error. A hollow dot rests on an "
            "inferred pass.",
            takeovers=takeovers_words(len(several)),
            sessions=_sessions_words(several),
        )
    ]
    missed = sum(one.missed for one in several)
    if missed:
        notes.append(phrase("Triangles: {missed} not passed (hollow: inferred).", missed=missed))
    unclear = sum(one.row["outcome"] == "unclear" and not one.passed for one in several)
    if unclear:
        notes.append(
            phrase(
                "{unclear} unclear: it is not known whether the baton was passed.",
                unclear=unclear,
            )
        )
    if progress is not None and progress["zone_time_trend_s"] is not None:
        notes.append(
            phrase(
                "The dashed line is the level and trend with a band of one standard error. The "
                "band treats the errors of level and trend as independent, so it is too wide in "
                "the past."
            )
        )
    return tuple(notes)
