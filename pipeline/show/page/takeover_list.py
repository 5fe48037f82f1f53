"""The list at the top of a page: each takeover in one line, to be read in five seconds.

A line has the zone time, the pass on a drawing of the zone, the gap, the start, what went wrong,
and the chance that the pass was in the zone. It is a table in the page's source and to a screen
reader; on a telephone the style sheet folds each row to a few lines.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.etree import ElementTree as ET

from pipeline.base.values import Estimate
from pipeline.base.words import takeover_in_words
from pipeline.show.markup import Child, element, outside_name, plain_text
from pipeline.show.scenes import Scene, rank_scenes
from pipeline.show.wording import NBSP, chance_words, clock_words, with_error

ROOM_M = 4.0  # drawn before the entry line and after the exit line
_STRIP_HEIGHT = 30.0
_STRIP_UNITS_A_M = 5.0
LIST_HEADS = (
    "takeover",
    "zone time, s",
    "pass, m past the entry line",
    "gap, m",
    "start, s after the mark",
    "what went wrong",
    "in the zone, %",
)


def takeover_table(several: Sequence[Scene], *, with_dates: bool) -> list[ET.Element]:
    """The list in the order given, and a note on how to read it.

    Each row carries its rank, by which the script sorts. `with_dates` adds session and day to each
    row, for lists over several sessions.
    """
    zone_m = max((one.zone_m for one in several), default=30.0)
    ground = (-ROOM_M, zone_m + ROOM_M)
    heads = [
        element(
            "th",
            {"scope": "col", "role": "columnheader", "class": f"c{k}"},
            words,
            _strip_ruler(*ground) if k == 2 else None,  # over the drawings of the zone
        )
        for k, words in enumerate(LIST_HEADS)
    ]
    numbers = pair_numbers(several)
    rows = []
    for number, (one, rank) in enumerate(zip(several, rank_scenes(several), strict=True), 1):
        row = _list_row(one, number, rank, ground, with_dates)
        row.set("data-pair", numbers[one.pair])
        rows.append(row)
    notes = (
        "± is one standard error. Gap: the distance between the trunks at the pass. Start: how "
        "long after the mark the outgoing runner first moves. In the drawing the zone is run from "
        "left to right and has a line every 10 m. A full dot is a pass that was seen or sensed, a "
        "hollow dot a pass that is inferred from the two courses. Zone times of different pairs "
        "also depend on how fast the runners are."
    )
    # The roles are repeated here because a table that the style sheet folds would lose them.
    return [
        element(
            "table",
            {"class": "glance", "role": "table", "aria-label": "Takeovers"}
            | {"aria-describedby": "list-notes"},
            element("thead", {"role": "rowgroup"}, element("tr", {"role": "row"}, *heads)),
            element("tbody", {"role": "rowgroup"}, *rows),
        ),
        element("p", {"class": "notes", "id": "list-notes"}, notes),
    ]


def anchor(one: Scene) -> str:
    """The id of a takeover's own part of the page: letters, digits and dashes."""
    session = "".join(f"{byte:02x}" for byte in str(one.row["session"]).encode())
    return f"t-{session}-{one.row['exchange']}"


def pair_numbers(several: Sequence[Scene]) -> dict[tuple[str, str], str]:
    """A number for each pair, in the order they come, by which the page's script shows one alone.

    Names stay out of attributes that a script compares.
    """
    return {pair: str(k) for k, pair in enumerate(dict.fromkeys(one.pair for one in several))}


def rep_words(one: Scene, *, with_date: bool) -> str:
    """Which rep of the practice sheet this was, and when."""
    rep = "" if one.row["rep"] is None else f"rep {one.row['rep']}, "
    day = f"{one.clock:%Y-%m-%d} " if with_date else ""
    return f"{rep}{day}{clock_words(one.clock)}"


def _list_row(
    one: Scene, number: int, rank: int, ground: tuple[float, float], with_date: bool
) -> ET.Element:
    incoming, outgoing = one.pair
    first = element(
        "th",
        {"scope": "row", "role": "rowheader", "class": "c0"},
        element(
            "a",
            {"href": f"#{anchor(one)}"},
            element("b", {}, f"{number}"),
            " ",
            outside_name(incoming),
            " to ",
            outside_name(outgoing),
        ),
        " ",
        element("small", {}, *_rep_place(one, with_date)),
    )
    attributes = {"role": "row", "data-rank": str(rank), "data-number": str(number)}
    return element("tr", attributes, first, *_list_cells(one, ground))


def _rep_place(one: Scene, with_date: bool) -> list[Child]:
    words = rep_words(one, with_date=with_date)
    return [outside_name(one.row["session"]), f", {words}"] if with_date else [words]


def _list_cells(one: Scene, ground: tuple[float, float]) -> list[ET.Element]:
    p = one.row["p_in_zone"]
    return [
        _list_cell(1, "zone time ", _estimate_or_dash(one.zone_time, 2, "s")),
        _list_cell(2, "", zone_drawing(one, *ground), " ", element("span", {}, place_words(one))),
        _list_cell(3, "gap ", _estimate_or_dash(one.gap_at_pass, 1, "m")),
        _list_cell(4, "start ", _estimate_or_dash(one.start, 2, "s")),
        _list_cell(5, "", fault_words(one)),
        _list_cell(6, "in the zone ", "–" if p is None else f"{chance_words(p)}{NBSP}%"),
    ]


def _list_cell(column: int, folded: str, *children: Child) -> ET.Element:
    """A cell; the words `folded` come before it where the row is folded and has no column heads."""
    word = element("span", {"class": "folded"}, folded) if folded else None
    return element("td", {"role": "cell", "class": f"c{column}"}, word, *children)


def _estimate_or_dash(one: Estimate | None, digits: int, unit: str) -> str:
    return "–" if one is None else f"{with_error(one, digits)}{NBSP}{unit}"


def place_words(one: Scene) -> str:
    """Where the baton passed and how that is known, or that it did not."""
    if one.pass_place is None:
        unclear = one.row["outcome"] == "unclear"
        return "place not known" if unclear else f"{one.row['outcome']}, {one.row['pass_basis']}"
    return f"{with_error(one.pass_place, 1)}{NBSP}m, {one.row['pass_basis']}"


def fault_words(one: Scene) -> ET.Element:
    """What went wrong, in the tables' words, and whether the pass may lie outside the zone."""
    if one.left_out is not None:
        return element("span", {"class": "clean"}, f"not at full speed: {plain_text(one.left_out)}")
    outcome, *found = takeover_in_words(one.row["outcome"], one.row["faults"], one.zone_doubt)
    if not found:
        words = "no fault found" if one.passed else outcome
        return element("span", {"class": "clean"}, words)
    words = "; ".join(map(plain_text, found))
    odds = re.sub(r"\((\d+) in (\d+)\)", rf"(\1{NBSP}in{NBSP}\2)", words)
    return element("strong", {"class": "fault"}, odds)


# --- the zone, drawn -------------------------------------------------------------------------


def _strip_x(s_m: float, low: float) -> float:
    return (s_m - low) * _STRIP_UNITS_A_M


def _strip_svg(low: float, high: float, height: float, *children: Child) -> ET.Element:
    box = f"0 0 {_strip_x(high, low):g} {height:g}"
    attributes = {"viewBox": box, "class": "strip", "aria-hidden": "true", "focusable": "false"}
    return element("svg", attributes, *children)


def _strip_ruler(low: float, high: float) -> ET.Element:
    zone_m = high - ROOM_M
    marks = [
        element(
            "text", {"x": f"{_strip_x(m, low):g}", "y": "12", "class": "tick at-middle"}, f"{m:g}"
        )
        for m in range(0, int(zone_m) + 1, 10)
    ]
    return _strip_svg(low, high, 16.0, *marks)


def zone_drawing(one: Scene, low: float, high: float) -> ET.Element:
    """The zone with its lines every 10 m and the pass with its standard error."""
    top, bottom, middle = 3.0, _STRIP_HEIGHT - 3.0, _STRIP_HEIGHT / 2
    left, right = _strip_x(0.0, low), _strip_x(one.zone_m, low)
    ticks = "".join(
        f"M{_strip_x(m, low):g} {top:g}V{bottom:g}" for m in range(10, int(one.zone_m), 10)
    )
    parts: list[Child] = [
        element(
            "rect",
            {"class": "ground", "x": f"{left:g}", "y": f"{top:g}"}
            | {"width": f"{right - left:g}", "height": f"{bottom - top:g}"},
        ),
        element("path", {"class": "grid", "d": ticks}) if ticks else None,
        element(
            "path",
            {"class": "line", "d": f"M{left:g} 0V{_STRIP_HEIGHT:g}M{right:g} 0V{_STRIP_HEIGHT:g}"},
        ),
    ]
    if one.pass_place is not None:
        parts += _strip_pass(one.pass_place, one.row["pass_basis"] != "inferred", low, high, middle)
    return _strip_svg(low, high, _STRIP_HEIGHT, *parts)


def _strip_pass(place: Estimate, full: bool, low: float, high: float, middle: float) -> list[Child]:
    def x(s_m: float) -> float:
        return round(_strip_x(min(max(s_m, low + 1.0), high - 1.0), low), 1)

    first, last = x(place.value - place.sd), x(place.value + place.sd)
    bar = f"M{first:g} {middle:g}H{last:g}M{first:g} {middle - 5:g}v10M{last:g} {middle - 5:g}v10"
    dot = {"cx": f"{x(place.value):g}", "cy": f"{middle:g}", "r": "4.5"}
    return [
        element("path", {"class": "bars ink-plain", "d": bar}),
        element("circle", {"class": f"sign {'full' if full else 'hollow'} ink-plain", **dot}),
    ]
