"""A pair over the weeks, and a mark's risk: the figures of a pair beyond single takeovers."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from pipeline.base.units import WEEK_S
from pipeline.base.values import Estimate, Floats
from pipeline.base.words import count
from pipeline.show.figures.drawing import (
    Curve,
    Dot,
    Figure,
    InkName,
    Item,
    Panel,
    Scale,
    Span,
    Upright,
    covering,
    scale,
)
from pipeline.show.markup import plain, short
from pipeline.show.scenes import Row, Takeover, estimate
from pipeline.show.wording import chance, change, foot_of, plus_minus, tape
from pipeline.tables import schema

MOST_DATES = 6  # written below the axis


# --- over the weeks -----------------------------------------------------------------------------


def history(several: Sequence[Takeover], progress: Row | None = None) -> Figure:
    """One pair's takeovers in time order, one place each on the x axis, sessions told apart.

    `several` in time order, at least one; `progress` is the pair's row of that table, whose level
    and trend are drawn with their band. Raises ValueError where there is no takeover.
    """
    if not several:
        raise ValueError("no takeover to draw")
    x = np.arange(1.0, len(several) + 1.0)
    panels = [
        _panel("zone time, s", several, x, lambda one: one.zone_time, progress, "zone_time", "s"),
        _panel("start after mark, s", several, x, lambda one: one.lag, progress, "go_lag", "s"),
        _panel(
            "between trunks at the pass, m",
            several, x, lambda one: one.distance, progress, "free_distance", "m", inferred=True,
        ),
        _panel("pass past entry line, m", several, x, lambda one: one.place, None, "", "m",
               inferred=True, ground=True),
        _panel("mark before back line, m", several, x, _mark, None, "", "m"),
    ]  # fmt: skip
    known = tuple(panel for panel in panels if panel is not None) or (
        Panel(scale("zone time, s", 0.0, 5.0, 5), (), 0.8),
    )
    known = (_with_missed(known[0], several, x), *known[1:])
    incoming, outgoing = several[0].pair
    return Figure(
        f"{short(incoming)} to {short(outgoing)}, {several[0].row['event']}, over the weeks",
        _says(several, progress),
        _sessions(several),
        known,
        _nights(several),
        (),
        _notes(several, progress),
    )


def _mark(one: Takeover) -> Estimate | None:
    return None if one.row["mark_m"] is None else Estimate(one.row["mark_m"], 0.0)


def _panel(
    label: str,
    several: Sequence[Takeover],
    x: Floats,
    of: Callable[[Takeover], Estimate | None],
    progress: Row | None,
    stem: str,
    unit: str,
    *,
    inferred: bool = False,
    ground: bool = False,
) -> Panel | None:
    """One quantity with its standard errors; None where no takeover has it."""
    known = [(at, one, value) for at, one in zip(x, several, strict=True) if (value := of(one))]
    if not known:
        return None
    items: list[Item] = []
    if ground:
        items.append(Span(0.0, several[-1].zone_m, "zone"))
    line = _trend(several, x, progress, stem, unit)
    if line is not None:
        items.append(line)
    for at, one, value in known:
        hollow = inferred and one.row["pass_basis"] == "inferred"
        sd = value.sd or None
        items.append(Dot("plain", float(at), value.value, full=not hollow, y_sd=sd, sign="disc"))
    ends = [end for _, _, v in known for end in (v.value - v.sd, v.value + v.sd)]
    if ground:
        ends += [0.0, several[-1].zone_m]
    return Panel(scale(label, *covering(ends, 0.1), at_most=5), tuple(items), 0.8)


def _with_missed(panel: Panel, several: Sequence[Takeover], x: Floats) -> Panel:
    """Takeovers that were not passed stand as triangles at the panel's foot."""
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


def _trend(
    several: Sequence[Takeover], x: Floats, progress: Row | None, stem: str, unit: str
) -> Curve | None:
    if progress is None:
        return None
    if not stem or len(x) < 2:
        return None
    level, slope = (
        estimate(progress, name, schema.sd_column("progress", name))
        for name in (f"{stem}_{unit}", f"{stem}_trend_{unit}")
    )
    if level is None or slope is None:
        return None
    last = progress["last_utc"]
    weeks = np.array([(one.when - last).total_seconds() / WEEK_S for one in several])
    y = level.value + slope.value * weeks
    return Curve("quiet", x, y, sd=np.hypot(level.sd, slope.sd * weeks), dashed=True)


def _sessions(several: Sequence[Takeover]) -> Scale:
    """Takeovers one after the other, dated at the middle of each session, as many as there is room
    for."""
    days = [f"{one.when:%Y-%m-%d}" for one in several]
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
    label = "takeovers one after the other; lines part sessions"
    return Scale(label, 0.0, len(several) + 1.0, tuple(ticks), tuple(words))


def _nights(several: Sequence[Takeover]) -> tuple[Upright, ...]:
    return tuple(
        Upright("quiet", k + 0.5)
        for k in range(1, len(several))
        if several[k].row["session"] != several[k - 1].row["session"]
    )


def _says(several: Sequence[Takeover], progress: Row | None) -> str:
    incoming, outgoing = (plain(name) for name in several[0].pair)
    sessions = len({one.row["session"] for one in several})
    words = [
        f"{count(len(several), 'takeover')} of {incoming} to {outgoing} in "
        f"{count(sessions, 'session')}."
    ]
    times = [one.zone_time for one in several if one.zone_time is not None]
    if times:
        words.append(
            f"Zone time {plus_minus(times[0], 2)} s in the first, {plus_minus(times[-1], 2)} s in "
            "the last."
        )
    missed = sum(one.missed for one in several)
    if missed:
        words.append(f"{missed} not passed.")
    slope = None if progress is None else estimate(
        progress, "zone_time_trend_s", "zone_time_trend_sd_s"
    )  # fmt: skip
    if slope is not None:
        words.append(f"Zone time changes by {change(slope, 2)} s a week.")
    return " ".join(words)


def _notes(several: Sequence[Takeover], progress: Row | None) -> tuple[str, ...]:
    missed = sum(one.missed for one in several)
    sessions = len({one.row["session"] for one in several})
    notes = [
        f"{count(len(several), 'rep')} in {count(sessions, 'session')}; bars ± 1 standard error; "
        "hollow: rests on an inferred pass."
    ]
    if missed:
        notes.append(f"Triangles: {missed} not passed (hollow: inferred).")
    unclear = sum(one.row["outcome"] == "unclear" for one in several)
    if unclear:
        notes.append(f"{unclear} unclear: whether they were passed is not known.")
    if progress is not None and progress["zone_time_trend_s"] is not None:
        notes.append(
            "Broken line: level and trend with one standard error, taken as if the two erred "
            "independently, so too wide in the past."
        )
    return tuple(notes)


# --- the risk of a mark ---------------------------------------------------------------------------

_CHANCES: tuple[tuple[str, InkName, str], ...] = (
    ("p_in_zone", "inside", "in the zone"),
    ("p_ran_into", "into", "run into each other"),
    ("p_ran_away", "away", "run away"),
)


def risk(rows: Sequence[Row], progress: Row | None = None) -> Figure | None:
    """Chances and expected zone time over the candidate marks of one pair in one event.

    `rows` of the table `marks`, of which those count where the receiver stands and sets off as
    advised; None where fewer than two do. Chances in per cent, marks in the receiver's
    foot-lengths where the foot-length is known, else in metres.
    """
    same = same_stand(rows)
    if len(same) < 2 or same[0]["mark_m"] == same[-1]["mark_m"]:
        return None
    advised = next(row for row in same if row["advised"])
    foot_m = foot_of(advised)
    x = np.array([row["mark_m"] / (foot_m or 1.0) for row in same])
    unit = "foot-lengths" if foot_m else "m"
    chances = Panel(Scale("chance, %", 0.0, 100.0, (0.0, 25.0, 50.0, 75.0, 100.0)),
                    tuple(_chance(same, x, *given) for given in _CHANCES), 1.6)  # fmt: skip
    incoming, outgoing = short(advised["incoming"]), short(advised["outgoing"])
    return Figure(
        f"Where the tape lies, {incoming} to {outgoing}, {advised['event']}",
        _says_risk(same[0], advised, same[-1], foot_m),
        scale(f"mark before the back line, {unit}", float(x[0]), float(x[-1])),
        (chances, _times(same, x)),
        _tapes(advised, progress, foot_m, x),
        (),
        _notes_risk(advised, foot_m),
    )


def same_stand(rows: Sequence[Row]) -> list[Row]:
    """The candidates by their mark where the receiver stands and sets off as advised; none without
    an advised one."""
    advised = next((row for row in rows if row["advised"]), None)
    if advised is None:
        return []
    how = ("outgoing_start_m", "pace")
    same = [row for row in rows if all(abs(row[k] - advised[k]) < 1e-6 for k in how)]
    return sorted(same, key=lambda row: row["mark_m"])


def _chance(rows: Sequence[Row], x: Floats, column: str, ink: InkName, word: str) -> Curve:
    y = 100.0 * np.array([row[column] for row in rows])
    # A chance ends at nought and at all: so does its band, which is cut there when drawn.
    sd = 100.0 * np.array([row[schema.sd_column("marks", column)] for row in rows])
    every = max(1, len(x) // 8)
    signs = np.column_stack([x[::every], y[::every]])
    at, above, beside = _word_place(ink, y)
    return Curve(ink, x, y, sd=sd, signs=signs, word=word, word_at=at, above=above, beside=beside)


def _word_place(ink: InkName, y: Floats) -> tuple[int, bool, bool]:
    """Row, above, beside: below the chance to pass in its middle, where the other two are low; at
    the end of running away; beside the fall of running into, or over its end where it is low."""
    if ink == "inside":
        return len(y) // 2, False, False
    if ink == "away":
        return len(y) - 1, True, False
    return (int(np.abs(y - 60.0).argmin()), True, True) if y[0] > 60.0 else (0, True, False)


def _times(rows: Sequence[Row], x: Floats) -> Panel:
    y, sd, spread = (
        np.array([row[name] for row in rows])
        for name in ("zone_time_s", "zone_time_sd_s", "zone_time_spread_s")
    )
    curves = (
        Curve("plain", x, y, sd=sd),
        Curve("quiet", x, y - spread, dashed=True),
        Curve("quiet", x, y + spread, dashed=True),
    )
    low, high = covering(np.concatenate([y - spread, y + spread]), 0.1)
    return Panel(scale("expected zone time, s", low, high, 5), curves, 1.0)


def _tapes(
    advised: Row, progress: Row | None, foot_m: float | None, x: Floats
) -> tuple[Upright, ...]:
    unit_m = foot_m or 1.0
    at = advised["mark_m"] / unit_m
    used = None if progress is None or progress["mark_m"] is None else progress["mark_m"] / unit_m
    if used is None or not x[0] <= used <= x[-1]:
        return (Upright("plain", at, "advised"),)
    if abs(used - at) < 0.02 * (x[-1] - x[0]):
        return (Upright("plain", at, "in use, advised"),)
    return Upright("plain", at, "advised"), Upright("quiet", used, "in use")


def _says_risk(near: Row, advised: Row, far: Row, foot_m: float | None) -> str:
    parts = [
        f"at {tape(row['mark_m'], foot_m)} {chance(row['p_in_zone'])} % pass in the zone, "
        f"{chance(row['p_ran_into'])} % run into each other, {chance(row['p_ran_away'])} % run away"
        for row in (near, advised, far)
    ]
    return f"Nearest, advised and farthest mark: {'; '.join(parts)}."


def _notes_risk(advised: Row, foot_m: float | None) -> tuple[str, ...]:
    foot = "" if foot_m is None else f"A foot-length is {foot_m:.2f} m. "
    warned = "; ".join(plain(text) for text in advised["remarks"])
    return (
        *((f"The mark advised: {warned}.",) if warned else ()),
        f"{foot}Rests on {count(advised['reps'], 'rep')}, {advised['reps_pair']} of this pair, "
        f"{advised['reps_on_mark']} on the mark advised.",
        "Worked out from all takeovers of the two runners, not seen: bands ± 1 standard error, "
        "which more reps make smaller; broken lines: how far single takeovers spread, which they "
        "do not.",
    )
