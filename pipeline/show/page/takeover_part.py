"""One takeover's own part of the page: the overlay over the zone and over the clock, a table of the
moments, and the numbers that the page's script reads out where a finger or the keyboard points.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

import numpy as np

from pipeline.base.values import Estimate, Floats
from pipeline.base.words import capitalised
from pipeline.show.figures import overlays, page_svg
from pipeline.show.figures.figure import Figure
from pipeline.show.figures.overlays import OverlayScales
from pipeline.show.markup import (
    Child,
    element,
    html_table,
    list_item,
    outside_name,
    plain_text,
    scrolling,
    table_row,
)
from pipeline.show.page import takeover_list
from pipeline.show.scenes import LakeRow, Moment, Scene
from pipeline.show.wording import NBSP, change_words, cost_words, decimal, is_clear, with_error
from pipeline.tables import schema
from pipeline.tables.courses import RunnerCourse

EVERY_S = 0.1  # between the rows for the script, which interpolates between them
ERROR_ROWS = 10  # rows to one standard error: errors change slowly
NUMBERS_NOTE = (
    "Times count from the incoming runner's entry, places from the entry line. ± is one standard "
    "error."
)
LANE_NOTE = (
    "The lane from above is to scale. The shade along it is where each runner may be. Who runs on "
    "which side of the lane is not measured; the arms show the gap at the pass."
)
_LEAST_SHOWN_S = 0.005  # of a cause: what rounds to nothing is left out
_BASIS_WORDS = {"laid": ", as laid", "measured": ""}
_MOMENT_HEADS = (
    "moment",
    "time, s",
    "place, m",
    "incoming, m/s",
    "outgoing, m/s",
    "gap, m",
)


@dataclass(frozen=True, eq=False)
class Setting:
    """Where a takeover stands on its page: its number in the list, and the anchors of its
    neighbours there (None at an end); with the day in its heading on pages of several days."""

    number: int
    before: str | None = None
    after: str | None = None
    with_date: bool = False


def takeover_article(
    one: Scene,
    setting: Setting,
    *,
    scales: OverlayScales | None = None,
    seen: Sequence[LakeRow] = (),
    causes: Sequence[LakeRow] = (),
) -> ET.Element:
    """One takeover: the verdict and the cost lead; then the lane from above, the overlay, and all
    numbers with their errors.

    `scales` are the figure's axes, its own without them. `seen` holds its rows of `observations`,
    `causes` those of `causes`.
    """
    incoming, outgoing = one.pair
    number = setting.number
    whole = element(
        "details",
        {"class": "whole", "open": "open", "data-fold": ""},
        element("summary", {}, "Figures and numbers"),
        element(
            "div",
            {"class": "parts"},
            _lane_place(one),
            _takeover_overlay(one, number, scales),
            _all_numbers(one, causes),
            _beside_the_zone(one, seen),
        ),
    )
    return element(
        "article",
        {"class": "takeover", "id": takeover_list.anchor(one)},
        element("h3", {}, f"{number} ", outside_name(incoming), " to ", outside_name(outgoing)),
        element("p", {"class": "which"}, *_takeover_origin(one, setting.with_date)),
        element("p", {"class": "finding"}, *_headline(one)),
        whole,
        _steps(setting),
    )


def _headline(one: Scene) -> list[Child]:
    """What it cost, then the sentence."""
    found = takeover_list.finding(one)
    if one.lost is None or one.left_out is not None or not is_clear(one.lost):
        return found
    return [element("b", {"class": "cost"}, f"{capitalised(cost_words(one.lost))}."), " ", *found]


def _steps(setting: Setting) -> ET.Element:
    links: list[Child] = []
    for step, there, words in ((-1, setting.before, "Previous"), (1, setting.after, "Next")):
        if there is not None:
            given = {"href": f"#{there}", "data-step": str(step)}
            links += [element("a", given, words), " "]
    links.insert(len(links) // 2, element("a", {"href": "#list"}, "To the list"))
    label = f"From takeover {setting.number}"
    return element("nav", {"class": "steps", "aria-label": label}, *links)


def _lane_place(one: Scene) -> ET.Element | None:
    """Where the script draws the lane from above; nothing where there is no course to draw."""
    if overlays.has_no_curves(one) or not one.moments:
        return None
    mark = one.moment("mark")
    tape = f" {mark.s.value:.2f}" if mark is not None and mark.s is not None else ""
    given = {
        "class": "lane scripted",
        "data-lane": f"{one.zone_m:g} {one.back_m:g}{tape}",
        "data-moments": ";".join(f"{m.what} {m.t.value:.2f}" for m in _in_time_order(one)),
    }
    if one.baton is not None:
        given["data-baton"] = ""  # it is known who has it
    if one.gap_at_pass is not None and one.pass_place is not None:
        given["data-reach"] = f"{one.gap_at_pass.value:.2f}"
        given["data-pass-sd"] = f"{one.pass_place.sd:.2f}"
    return element("div", given)


def _in_time_order(one: Scene) -> list[Moment]:
    return sorted(one.moments, key=lambda moment: moment.t.value)


def _all_numbers(one: Scene, causes: Sequence[LakeRow]) -> ET.Element:
    """Everything with its standard error: the takeover in short, what it lost and to what,
    the moments; and what is not known and why."""
    remarks = [list_item(outside_name(text)) for text in one.row["remarks"]]
    return element(
        "details",
        {"class": "numbers", "open": "open", "data-fold": ""},
        element("summary", {}, "All numbers, and how sure"),
        element("p", {"class": "result"}, *_takeover_result(one)),
        element("p", {}, _lost_words(one.lost)) if one.lost is not None else None,
        _causes_line(causes),
        _moments_table(one),
        element("ul", {"class": "remarks"}, *remarks) if remarks else None,
    )


def _lost_words(lost: Estimate) -> str:
    return f"Against the pair's best mark {change_words(lost, 2)}{NBSP}s."


def _causes_line(causes: Sequence[LakeRow]) -> ET.Element | None:
    """Each cause with what it cost; None where they were not worked out."""
    if not causes:
        return None
    parts = "; ".join(
        f"{row['cause']} {change_words(Estimate(row['lost_s'], row['lost_sd_s']), 2)}"
        for row in sorted(causes, key=lambda row: -row["lost_s"])
        if abs(row["lost_s"]) >= _LEAST_SHOWN_S
    )
    return element("p", {}, f"Lost (+) and won (−), s: {parts}.")


def _takeover_overlay(one: Scene, number: int, scales: OverlayScales | None) -> ET.Element:
    if overlays.has_no_curves(one):
        return element(
            "p",
            {"class": "which"},
            "The tables have no speed curves of this takeover, so there is nothing to draw.",
        )
    views = [overlays.takeover_overlay(one, view, scales) for view in overlays.VIEWS]
    return overlay_figure(views, of=f"takeover {number}", reads=one)


def overlay_figure(
    drawn: Sequence[Figure],
    *,
    of: str,
    reads: Scene | None = None,
    reps: Sequence[Scene] = (),
) -> ET.Element:
    """The two views of one figure with its notes. The points of what is drawn over the clock are
    in the readings, where the script finds them.

    `of` names the figure's slider to a screen reader. `reads` is the takeover whose numbers the
    script reads out; `reps` are the takeovers of a pair's overlay, whose numbers are in their own
    parts of the page.
    """
    attributes = {"class": "overlay", "data-of": of}
    if reads is not None:
        attributes |= reading_attributes(reads)
    if reps:
        attributes["data-reps"] = " ".join(takeover_list.anchor(one) for one in reps)
    parts: list[Child] = []
    for view, one in zip(overlays.VIEWS, drawn, strict=True):
        svg = page_svg.draw_svg(one, live="all" if view == "clock" else "errors")
        parts.append(element("div", {"class": f"view {view}", "data-view": view}, svg))
    words = " ".join(drawn[0].notes if reads is None else overlays.takeover_notes(reads))
    caption = element("figcaption", {"class": "notes"}, words) if words else None
    return element("figure", attributes, *parts, caption)


def reading_attributes(one: Scene) -> dict[str, str]:
    """Both courses as attributes for the script: first time; places; their errors; speeds; their
    errors.

    Whole numbers: hundredths of a second, of a metre, of a metre a second. Rows are `EVERY_S`
    apart, one in `ERROR_ROWS` of the errors; columns are separated by `;`. Speeds and errors are
    given as changes from row to row, places as changes of that change. A comma stands before each
    number that has no sign.
    """
    incoming, outgoing = one.pair
    found = {"data-name-in": plain_text(incoming), "data-name-out": plain_text(outgoing)}
    low, high = _reading_range(one)
    for role, course in (("in", one.incoming), ("out", one.outgoing)):
        if course is not None:
            found[f"data-{role}"] = _course_attribute(course, low, high)
    handed = one.moment("pass")
    if handed is not None:
        found["data-pass"] = f"{handed.t.value:.2f}"
    return found


def _reading_range(one: Scene) -> tuple[float, float]:
    """The times [s] that the figures show, and a little more."""
    moments = [moment.t.value for moment in one.moments]
    low, high = min([-1.5, *moments]) - 0.8, max([1.0, *moments]) + 1.2
    for course in (one.incoming, one.outgoing):
        if course is not None:  # over the zone a figure reaches so far back
            begins = np.searchsorted(np.maximum.accumulate(course.s_m), -overlays.DRAWN_BEFORE_M)
            if 0 < begins < len(course.t_s):
                low = min(low, float(course.t_s[begins]) - 0.1)
    return low, high


def _course_attribute(course: RunnerCourse, low: float, high: float) -> str:
    first = np.ceil(100.0 * max(low, course.t_s[0])) / 100.0  # as it is written
    last = min(high, course.t_s[-1])
    t_s = first + np.arange(max(int((last - first) / EVERY_S), 1) + 1) * EVERY_S
    columns = [
        _difference_text(course.at(t_s[::every], name), order)
        for name, every, order in (
            ("s_m", 1, 2), ("s_sd_m", ERROR_ROWS, 1), ("v_mps", 1, 1), ("v_sd_mps", ERROR_ROWS, 1)
        )
    ]  # fmt: skip
    return ";".join([f"{100.0 * first:.0f}", *columns])


def _difference_text(values: Floats, order: int) -> str:
    """Hundredths as differences of an order, so that most of them have one digit."""
    whole = np.rint(100.0 * values).astype(int)
    for _ in range(order):
        whole = np.diff(whole, prepend=0)
    return ",".join(map(str, whole)).replace(",-", "-")


# --- what people saw and wrote ------------------------------------------------------------------


def _beside_the_zone(one: Scene, seen: Sequence[LakeRow]) -> ET.Element | None:
    """A list of what the sheet says and of what observers saw; None where there is neither."""
    note, told = one.row.get("note"), _sheet_words(one.row)
    items = [list_item(f"The sheet: {'; '.join(told)}")] if told else []
    items += [list_item("The sheet: ", _quotation(note))] if note else []
    items += [list_item(*_sighting_words(row)) for row in seen]
    return element("ul", {"class": "seen"}, *items) if items else None


def _sheet_words(row: LakeRow) -> list[str]:
    """What the practice sheet says of how a takeover was run."""
    effort, wind, hand = row.get("effort"), row.get("wind_mps"), row.get("hand")
    return [
        *([f"{effort:g}{NBSP}% effort"] if effort is not None else []),
        *(row[name] for name in ("drill", "technique") if row.get(name)),
        *([f"taken with the {hand} hand"] if hand else []),
        *([f"wind {decimal(wind, 1)}{NBSP}m/s"] if wind is not None else []),
        *(["not for advice"] if row.get("use") == "no" else []),
    ]


def _quotation(text: str) -> ET.Element:
    return element("q", {}, outside_name(text))


def _sighting_words(row: LakeRow) -> Iterable[Child]:
    """Who saw what and when, how far off the estimate without it is, and what became of it."""
    yield outside_name(row["observer"])
    yield ": "
    yield outside_name(row["gate"] or row["event"])
    if row["event"] == "gate" and row["runner"]:
        yield " broken by "
        yield outside_name(row["runner"])
    at = [
        f"{decimal(row[column], digits)}{NBSP}{unit}"
        for column, digits, unit in (("observed_t_s", 2, "s"), ("observed_m", 1, "m"))
        if row[column] is not None
    ]
    if at:
        yield f" at {' and '.join(at)}"
    yield from _difference_words(row)
    if row["use"] == "check":
        yield "; held out"
    elif not row["used"]:
        yield "; not used"
    if row["note"]:
        yield "; "
        yield _quotation(row["note"])
    for remark in row["remarks"]:
        yield "; "
        yield outside_name(remark)


def _difference_words(row: LakeRow) -> Iterable[str]:
    for column, digits, unit, over, under in (
        ("difference_s", 2, "s", "after", "before"),
        ("difference_m", 1, "m", "past", "short of"),
    ):
        off = row[column]
        if off is None:
            continue
        size = decimal(abs(off), digits)
        if float(size):
            yield f"; {size}{NBSP}{unit} {over if off > 0 else under} the estimate without it"
        else:
            yield "; as estimated without it"
        return


# --- words ------------------------------------------------------------------------------------


def _takeover_origin(one: Scene, with_date: bool) -> Iterable[Child]:
    yield takeover_list.rep_words(one, with_date=with_date)
    yield f"; {one.row['event']}, zone {one.row['zone']}, lane {one.row['lane']}"
    if with_date:
        yield "; session "
        yield outside_name(one.row["session"])


def _takeover_result(one: Scene) -> Iterable[Child]:
    words = []
    if one.zone_time is not None:
        words.append(f"zone time {with_error(one.zone_time, 2)}{NBSP}s")
    words.append(
        f"passed at {takeover_list.place_words(one, with_sd=True)}"
        if one.pass_place is not None
        else takeover_list.place_words(one)
    )
    if one.gap_at_pass is not None:
        words.append(f"gap {with_error(one.gap_at_pass, 1)}{NBSP}m")
    if one.start is not None:
        side = "after" if one.start.value >= 0 else "before"
        size = Estimate(abs(one.start.value), one.start.sd)
        words.append(f"start {with_error(size, 2)}{NBSP}s {side} the mark")
    if one.row["steps_to_pass"] is not None:
        words.append(f"{one.row['steps_to_pass']} steps to the pass, one more or less")
    yield f"{capitalised('; '.join(words))}."


def _moments_table(one: Scene) -> ET.Element:
    rows = [_moment_row(one, moment) for moment in _in_time_order(one)]
    incoming, outgoing = (plain_text(runner) for runner in one.pair)
    label = f"Moments of takeover {one.row['exchange']}, {incoming} to {outgoing}"
    return scrolling(label, html_table("moments", _MOMENT_HEADS, rows))


def _moment_row(one: Scene, moment: Moment) -> ET.Element:
    cells: list[Child] = [
        "0" if moment.what == "entry" else with_error(moment.t, 2),
        _place_cell(moment.s),
        _estimate_cell(_moment_speed(one, moment, "in"), 2),
        _estimate_cell(_moment_speed(one, moment, "out"), 2),
        _estimate_cell(_moment_gap(one, moment), 1),
    ]
    basis = _BASIS_WORDS.get(moment.basis, f", {moment.basis}")
    who = element("small", {}, basis.removeprefix(", ")) if basis else None
    kind = {"class": "inferred"} if moment.basis == "inferred" else {}
    return table_row([moment.what, " ", who], cells, **kind)


def _place_cell(place: Estimate | None) -> str:
    if place is None:
        return "–"
    return with_error(place, 1) if place.sd else decimal(place.value, 1)


def _estimate_cell(one: Estimate | None, digits: int) -> str:
    return "–" if one is None else with_error(one, digits)


def _moment_speed(one: Scene, moment: Moment, side: str) -> Estimate | None:
    """From the row where it has the number, else from the course."""
    stem = f"v_{side}_{moment.what}"
    # The row's speed at the exit line is at the outgoing runner's own crossing.
    elsewhere = moment.what == "exit" and moment.who != one.row["outgoing"]
    column = f"{stem}_mps"
    if column in one.row and not elsewhere:
        return one.estimate(column, schema.sd_column("exchanges", column))
    course = one.incoming if side == "in" else one.outgoing
    t = moment.t.value
    if (
        course is None
        or not course.covers(t)
        or (side == "out" and moment.what != "exit" and _is_standing(one, t))
    ):
        return None
    return Estimate(course.at(t, "v_mps"), course.at(t, "v_sd_mps"))


def _is_standing(one: Scene, t_s: float) -> bool:
    go = one.moment("go")
    return go is not None and t_s <= go.t.value


def _moment_gap(one: Scene, moment: Moment) -> Estimate | None:
    if moment.what == "pass":
        return one.gap_at_pass
    gap, t_s = one.gap, moment.t.value
    if gap is None or not gap.t_s[0] <= t_s <= gap.t_s[-1]:
        return None
    gap_m, sd_m = (float(np.interp(t_s, gap.t_s, y)) for y in (gap.gap_m, gap.sd_m))
    return Estimate(gap_m, sd_m)
