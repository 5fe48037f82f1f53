"""One takeover's own part of the page: the overlay on the zone and on the clock, every moment in
figures, and the numbers that the page's script reads out where a finger or the keyboard points.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.etree import ElementTree as ET

import numpy as np

from pipeline.base.values import Estimate
from pipeline.show.figures import overlays, vector
from pipeline.show.figures.drawing import Figure
from pipeline.show.markup import Child, element, name, plain, row, scrolling, table
from pipeline.show.page import glance
from pipeline.show.scenes import Course, Moment, Takeover
from pipeline.show.wording import NBSP, number, plus_minus
from pipeline.tables import schema

EVERY_S = 0.05  # between the rows that the script reads out, linear between them
_BASIS = {"laid": ", by tape", "measured": ""}
_HEADS = (
    "moment",
    "time, s",
    "place, m",
    "incoming, m/s",
    "outgoing, m/s",
    "between trunks, m",
)


def article(one: Takeover, number: int, *, with_date: bool) -> ET.Element:
    """Heading, what came of it, the figures, the moments, what is null and why."""
    incoming, outgoing = one.pair
    remarks = [element("li", {}, name(text)) for text in one.row["remarks"]]
    return element(
        "article",
        {"class": "takeover", "id": glance.anchor(one)},
        element("h3", {}, f"{number} ", name(incoming), " to ", name(outgoing)),
        element("p", {"class": "which"}, *_which(one, with_date)),
        element("p", {"class": "result"}, *_result(one)),
        _overlay(one, number),
        _moments(one),
        element("ul", {"class": "remarks"}, *remarks) if remarks else None,
        element("p", {"class": "back"}, element("a", {"href": "#list"}, "To the list")),
    )


def _overlay(one: Takeover, number: int) -> ET.Element:
    if overlays.no_curves(one):
        return element("p", {"class": "which"}, "No speed curves in the tables: nothing to draw.")
    views = [overlays.takeover(one, view) for view in overlays.VIEWS]
    return figure(views, of=f"takeover {number}", reads=one)


def figure(
    drawn: Sequence[Figure],
    *,
    of: str,
    reads: Takeover | None = None,
    reps: Sequence[Takeover] = (),
) -> ET.Element:
    """The two views of one figure with their notes; `of` tells its slider from others, `reads` is
    what the script reads out of it, `reps` the takeovers laid over each other, read out of their
    own parts."""
    attributes = {"class": "overlay", "data-of": of}
    if reads is not None:
        attributes |= readings(reads)
    if reps:
        attributes["data-reps"] = " ".join(glance.anchor(one) for one in reps)
    parts: list[Child] = []
    for view, one in zip(overlays.VIEWS, drawn, strict=True):
        notes = element("p", {"class": "notes"}, " ".join(one.notes))
        parts.append(element("div", {"class": f"view {view}"}, vector.draw(one), notes))
    return element("figure", attributes, *parts)


def readings(one: Takeover) -> dict[str, str]:
    """Both courses as whole numbers in attributes: start, then place, its error, speed, its error.

    Hundredths of a second, of a metre, of a metre a second; `EVERY_S` apart; `;` between columns.
    """
    incoming, outgoing = one.pair
    found = {"data-name-in": plain(incoming), "data-name-out": plain(outgoing)}
    low = min([-2.0, *(m.t.value for m in one.moments)]) - 1.5
    high = max([2.0, *(m.t.value for m in one.moments)]) + 2.0
    for role, course in (("in", one.incoming), ("out", one.outgoing)):
        if course is not None:
            found[f"data-{role}"] = _columns(course, low, high)
    handed = one.moment("pass")
    if handed is not None:
        found["data-pass"] = f"{handed.t.value:.2f}"
    return found


def _columns(course: Course, low: float, high: float) -> str:
    first, last = max(low, course.t_s[0]), min(high, course.t_s[-1])
    t_s = first + np.arange(max(int((last - first) / EVERY_S), 1) + 1) * EVERY_S
    columns = [
        ",".join(f"{x:d}" for x in np.rint(100.0 * course.at(t_s, name)).astype(int))
        for name in ("s_m", "s_sd_m", "v_mps", "v_sd_mps")
    ]
    return ";".join([f"{100.0 * first:.0f}", *columns])


# --- words ------------------------------------------------------------------------------------


def _which(one: Takeover, with_date: bool) -> Iterable[Child]:
    yield glance.rep_words(one, with_date=with_date)
    yield f"; {one.row['event']}, zone {one.row['zone']}, lane {one.row['lane']}"
    if with_date:
        yield "; session "
        yield name(one.row["session"])


def _result(one: Takeover) -> Iterable[Child]:
    yield glance.faults(one)
    words = []
    if one.zone_time is not None:
        words.append(f"zone time {plus_minus(one.zone_time, 2)}{NBSP}s")
    words.append(
        f"passed at {glance.place_words(one)}" if one.place is not None else glance.place_words(one)
    )
    if one.distance is not None:
        words.append(f"trunks {plus_minus(one.distance, 1)}{NBSP}m apart")
    if one.lag is not None:
        side = "after" if one.lag.value >= 0 else "before"
        lag = Estimate(abs(one.lag.value), one.lag.sd)
        words.append(f"started {plus_minus(lag, 2)}{NBSP}s {side} the mark")
    if one.row["steps_to_pass"] is not None:
        words.append(f"{one.row['steps_to_pass']} steps to the pass, within one")
    yield ": " + "; ".join(words)


def _moments(one: Takeover) -> ET.Element:
    rows = [_moment(one, moment) for moment in sorted(one.moments, key=lambda m: m.t.value)]
    caption = (
        "Time since the incoming runner's entry, place past the entry line; ± one standard error."
    )
    incoming, outgoing = (plain(runner) for runner in one.pair)
    label = f"Moments of takeover {one.row['exchange']}, {incoming} to {outgoing}"
    return element(
        "div",
        {"class": "figures"},
        element("p", {"class": "notes"}, caption),
        scrolling(label, table("moments", _HEADS, rows)),
    )


def _moment(one: Takeover, moment: Moment) -> ET.Element:
    cells: list[Child] = [
        "0" if moment.what == "entry" else plus_minus(moment.t, 2),
        _place(moment.s),
        _or_dash(_speed(one, moment, "in"), 2),
        _or_dash(_speed(one, moment, "out"), 2),
        _or_dash(_apart(one, moment), 1),
    ]
    basis = _BASIS.get(moment.basis, f", {moment.basis}")
    who = element("small", {}, name(moment.who), basis)
    kind = {"class": "inferred"} if moment.basis == "inferred" else {}
    return row([moment.what, " ", who], cells, **kind)


def _place(place: Estimate | None) -> str:
    if place is None:
        return "–"
    return plus_minus(place, 1) if place.sd else number(place.value, 1)


def _or_dash(one: Estimate | None, digits: int) -> str:
    return "–" if one is None else plus_minus(one, digits)


def _speed(one: Takeover, moment: Moment, side: str) -> Estimate | None:
    """From the row where it has the figure, else from the course."""
    stem = f"v_{side}_{moment.what}"
    # The row's speed at the exit line is of the outgoing runner's own crossing.
    elsewhere = moment.what == "exit" and moment.who != one.row["outgoing"]
    column = f"{stem}_mps"
    if column in one.row and not elsewhere:
        return one.estimate(column, schema.sd_column("exchanges", column))
    course = one.incoming if side == "in" else one.outgoing
    t = moment.t.value
    if (
        course is None
        or not course.covers(t)
        or (side == "out" and moment.what != "exit" and _stands(one, t))
    ):
        return None
    return Estimate(course.at(t, "v_mps"), course.at(t, "v_sd_mps"))


def _stands(one: Takeover, t_s: float) -> bool:
    go = one.moment("go")
    return go is not None and t_s <= go.t.value


def _apart(one: Takeover, moment: Moment) -> Estimate | None:
    if moment.what == "pass":
        return one.distance
    gap, t_s = one.gap, moment.t.value
    if gap is None or not gap.t_s[0] <= t_s <= gap.t_s[-1]:
        return None
    gap_m, sd_m = (float(np.interp(t_s, gap.t_s, y)) for y in (gap.gap_m, gap.sd_m))
    return Estimate(gap_m, sd_m)
