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
from pipeline.language.phrases import phrase, phrase_around, phrase_of
from pipeline.show.column_words import column_word
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
from pipeline.show.page.sheet_lines import pair_names, quantity, semicolon, table_sentence
from pipeline.show.request import pair_words
from pipeline.show.scenes import LakeRow, Moment, Scene
from pipeline.show.wording import (
    change_words,
    cost_words,
    decimal,
    is_clear,
    joined_parts,
    with_error,
)
from pipeline.tables import schema
from pipeline.tables.courses import RunnerCourse

EVERY_S = 0.1  # between the rows for the script, which interpolates between them
ERROR_ROWS = 10  # rows to one standard error: errors change slowly
_LEAST_SHOWN_S = 0.005  # of a cause: what rounds to nothing is left out


def numbers_note() -> str:
    """How a takeover's numbers are read."""
    return phrase(
        "Times count from the incoming runner's entry, places from the entry line. ± is one "
        "standard error."
    )


def lane_note() -> str:
    """How the lane from above is read."""
    return phrase(
        "The lane from above is to scale. The shade along it is where each runner may be. Who runs "
        "on which side of the lane is not measured; the arms show the gap at the pass."
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
    number = setting.number
    whole = element(
        "details",
        {"class": "whole", "open": "open", "data-fold": ""},
        element("summary", {}, phrase("Figures and numbers")),
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
        element("h3", {}, f"{number} ", *pair_names(*one.pair)),
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
    for step, there, words in (
        (-1, setting.before, phrase("Previous")),
        (1, setting.after, phrase_of("takeover", "Next")),
    ):
        if there is not None:
            given = {"href": f"#{there}", "data-step": str(step)}
            links += [element("a", given, words), " "]
    links.insert(len(links) // 2, element("a", {"href": "#list"}, phrase("To the list")))
    label = phrase("From takeover {number}", number=setting.number)
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
    remarks = [list_item(table_sentence(text)) for text in one.row["remarks"]]
    return element(
        "details",
        {"class": "numbers", "open": "open", "data-fold": ""},
        element("summary", {}, phrase("All numbers, and how sure")),
        element("p", {"class": "result"}, *_takeover_result(one)),
        element("p", {}, _lost_words(one.lost)) if one.lost is not None else None,
        _causes_line(causes),
        _moments_table(one),
        element("ul", {"class": "remarks"}, *remarks) if remarks else None,
    )


def _lost_words(lost: Estimate) -> str:
    return phrase("Against the pair's best mark {lost}\u00a0s.", lost=change_words(lost, 2))


def _causes_line(causes: Sequence[LakeRow]) -> ET.Element | None:
    """Each cause with what it cost; None where they were not worked out."""
    if not causes:
        return None
    costs = [
        (column_word("cause", row["cause"]), Estimate(row["lost_s"], row["lost_sd_s"]))
        for row in sorted(causes, key=lambda row: -row["lost_s"])
        if abs(row["lost_s"]) >= _LEAST_SHOWN_S
    ]
    parts = joined_parts(f"{cause} {change_words(lost, 2)}" for cause, lost in costs)
    return element("p", {}, phrase("Lost (+) and won (−), s: {causes}.", causes=parts))


def _takeover_overlay(one: Scene, number: int, scales: OverlayScales | None) -> ET.Element:
    if overlays.has_no_curves(one):
        return element(
            "p",
            {"class": "which"},
            phrase(
                "The tables have no speed curves of this takeover, so there is nothing to draw."
            ),
        )
    views = [overlays.takeover_overlay(one, view, scales) for view in overlays.VIEWS]
    return overlay_figure(views, of=phrase("takeover {number}", number=number), reads=one)


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
    items = [list_item(phrase("The sheet: {words}", words=joined_parts(told)))] if told else []
    if note:
        items.append(list_item(*phrase_around("The sheet: {words}", words=_quotation(note))))
    items += [list_item(*_sighting_words(row)) for row in seen]
    return element("ul", {"class": "seen"}, *items) if items else None


def _sheet_words(row: LakeRow) -> list[str]:
    """What the practice sheet says of how a takeover was run."""
    effort, wind, hand = row.get("effort"), row.get("wind_mps"), row.get("hand")
    return [
        *([phrase("{effort:g}\u00a0% effort", effort=effort)] if effort is not None else []),
        *([column_word("exercise", row["drill"])] if row.get("drill") else []),
        *(
            [column_word("how the baton is given", row["technique"])]
            if row.get("technique")
            else []
        ),
        *([phrase("taken with the left hand")] if hand == "left" else []),
        *([phrase("taken with the right hand")] if hand == "right" else []),
        *([phrase("wind {wind}\u00a0m/s", wind=decimal(wind, 1))] if wind is not None else []),
        *([phrase("not for advice")] if row.get("use") == "no" else []),
    ]


def _quotation(text: str) -> ET.Element:
    return element("q", {}, outside_name(text))


def _sighting_words(row: LakeRow) -> Iterable[Child]:
    """Who saw what and when, how far off the estimate without it is, and what became of it."""
    yield from _seen_words(row, _when_and_where(row))
    off = _difference_words(row)
    if off is not None:
        yield from (semicolon(), off)
    if row["use"] == "check":
        yield from (semicolon(), phrase("held out"))
    elif not row["used"]:
        yield from (semicolon(), phrase("not used"))
    if row["note"]:
        yield semicolon()
        yield _quotation(row["note"])
    for remark in row["remarks"]:
        yield semicolon()
        yield table_sentence(remark)


def _seen_words(row: LakeRow, at: str | None) -> Sequence[Child]:
    """Who saw what; `at`: when and where."""
    observer = outside_name(row["observer"])
    what = outside_name(row["gate"] or column_word("moment", row["event"]))
    if row["event"] == "gate" and row["runner"]:
        runner = outside_name(row["runner"])
        if at is None:
            return phrase_around(
                "{observer}: {gate} broken by {runner}", observer=observer, gate=what, runner=runner
            )
        return phrase_around(
            "{observer}: {gate} broken by {runner} at {at}",
            observer=observer,
            gate=what,
            runner=runner,
            at=at,
        )
    if at is None:
        return phrase_around("{observer}: {what}", observer=observer, what=what)
    return phrase_around("{observer}: {what} at {at}", observer=observer, what=what, at=at)


def _when_and_where(row: LakeRow) -> str | None:
    """The moment and the place that an observer saw; None where neither was told."""
    t_s, s_m = row["observed_t_s"], row["observed_m"]
    time = None if t_s is None else quantity(t_s, 2, "s")
    place = None if s_m is None else quantity(s_m, 1, "m")
    if time is None or place is None:
        return time or place
    return phrase("{time} and {place}", time=time, place=place)


def _difference_words(row: LakeRow) -> str | None:
    """How far what was seen is off the estimate without it; None where that is not known."""
    late_s, far_m = row["difference_s"], row["difference_m"]
    if late_s is not None:
        size, is_over = quantity(abs(late_s), 2, "s"), late_s > 0
        if round(late_s, 2):
            return (
                phrase("{time} after the estimate without it", time=size)
                if is_over
                else phrase("{time} before the estimate without it", time=size)
            )
    elif far_m is not None:
        size, is_over = quantity(abs(far_m), 1, "m"), far_m > 0
        if round(far_m, 1):
            return (
                phrase("{place} past the estimate without it", place=size)
                if is_over
                else phrase("{place} short of the estimate without it", place=size)
            )
    else:
        return None
    return phrase("as estimated without it")


# --- words ------------------------------------------------------------------------------------


def _takeover_origin(one: Scene, with_date: bool) -> Iterable[Child]:
    yield takeover_list.rep_words(one, with_date=with_date)
    row = one.row
    place = phrase(
        "{event}, zone {zone}, lane {lane}", event=row["event"], zone=row["zone"], lane=row["lane"]
    )
    yield from (semicolon(), place)
    if with_date:
        yield semicolon()
        yield from phrase_around("session {session}", session=outside_name(one.row["session"]))


def _takeover_result(one: Scene) -> Iterable[Child]:
    words = []
    if one.zone_time is not None:
        words.append(phrase("zone time {time}\u00a0s", time=with_error(one.zone_time, 2)))
    words.append(
        phrase("passed at {place}", place=takeover_list.place_words(one, with_sd=True))
        if one.pass_place is not None
        else takeover_list.place_words(one)
    )
    if one.gap_at_pass is not None:
        words.append(phrase("gap {gap}\u00a0m", gap=with_error(one.gap_at_pass, 1)))
    if one.start is not None:
        size = with_error(Estimate(abs(one.start.value), one.start.sd), 2)
        words.append(
            phrase("start {time}\u00a0s after the mark", time=size)
            if one.start.value >= 0
            else phrase("start {time}\u00a0s before the mark", time=size)
        )
    steps = one.row["steps_to_pass"]
    if steps is not None:
        words.append(phrase("{steps} steps to the pass, one more or less", steps=steps))
    yield f"{capitalised(joined_parts(words))}."


def _moments_table(one: Scene) -> ET.Element:
    rows = [_moment_row(one, moment) for moment in _in_time_order(one)]
    label = phrase(
        "Moments of takeover {number}, {pair}",
        number=one.row["exchange"],
        pair=pair_words(one.pair),
    )
    heads = (
        phrase("moment"),
        phrase("time, s"),
        phrase("place, m"),
        phrase("incoming, m/s"),
        phrase("outgoing, m/s"),
        phrase("gap, m"),
    )
    return scrolling(label, html_table("moments", heads, rows))


def _moment_row(one: Scene, moment: Moment) -> ET.Element:
    cells: list[Child] = [
        "0" if moment.what == "entry" else with_error(moment.t, 2),
        _place_cell(moment.s),
        _estimate_cell(_moment_speed(one, moment, "in"), 2),
        _estimate_cell(_moment_speed(one, moment, "out"), 2),
        _estimate_cell(_moment_gap(one, moment), 1),
    ]
    is_measured = moment.basis == "measured"
    basis = None if is_measured else element("small", {}, _moment_basis(moment.basis))
    kind = {"class": "inferred"} if moment.basis == "inferred" else {}
    return table_row([column_word("moment", moment.what), " ", basis], cells, **kind)


def _moment_basis(basis: str) -> str:
    """How a moment in a row of the table is known."""
    known = {
        "laid": phrase("as laid"),
        "seen": phrase_of("how a moment is known", "seen"),
        "sensed": phrase_of("how a moment is known", "sensed"),
        "inferred": phrase_of("how a moment is known", "inferred"),
    }
    return known.get(basis, basis)


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
