"""Each takeover in one line: what a coach needs in five seconds.

Zone time, where the baton passed on a drawing of the zone, free distance, start, what went wrong,
how sure. A table in the page's source and for who hears it; on a telephone the page's style sheet
folds each row to three lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree as ET

from pipeline.base.values import Estimate
from pipeline.show.markup import Child, element, name, plain
from pipeline.show.scenes import Takeover, ranks
from pipeline.show.wording import NBSP, chance, plus_minus

ROOM_M = 4.0  # drawn before the entry and beyond the exit line
_HIGH = 30.0
_UNITS_A_M = 5.0
COLUMNS = (
    "takeover",
    "zone time, s",
    "pass, m past the entry line",
    "gap, m",
    "start, s after the mark",
    "what went wrong",
    "in the zone, %",
)


def table(several: Sequence[Takeover], *, with_dates: bool) -> list[ET.Element]:
    """The list in the order given, and how to read it; each row knows its rank, for the script.

    `with_dates` names the session and day of each, for lists over several sessions.
    """
    zone_m = max((one.zone_m for one in several), default=30.0)
    ground = (-ROOM_M, zone_m + ROOM_M)
    heads = [
        element(
            "th",
            {"scope": "col", "role": "columnheader", "class": f"c{k}"},
            words,
            _ruler(*ground) if k == 2 else None,  # over the drawings of the zone
        )
        for k, words in enumerate(COLUMNS)
    ]
    numbers = pair_numbers(several)
    rows = []
    for number, (one, rank) in enumerate(zip(several, ranks(several), strict=True), 1):
        row = _row(one, number, rank, ground, with_dates)
        row.set("data-pair", numbers[one.pair])
        rows.append(row)
    notes = (
        "± is one standard error. Gap: between the trunks as the baton passes. A hollow dot is a "
        "pass inferred from the two courses, a full one was seen or sensed; the zone has a line "
        "every 10 m and is run from left to right. Zone times of different pairs "
        "tell of their speed as well."
    )
    # Roles are said again: folded by the style sheet, a table would lose them.
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


def anchor(one: Takeover) -> str:
    """The id of a takeover's own part of the page: letters, digits and dashes."""
    session = "".join(f"{byte:02x}" for byte in str(one.row["session"]).encode())
    return f"t-{session}-{one.row['exchange']}"


def pair_numbers(several: Sequence[Takeover]) -> dict[tuple[str, str], str]:
    """A number for each pair, in the order they come, by which the page's script shows one alone.

    Names stay out of attributes that a script compares.
    """
    return {pair: str(k) for k, pair in enumerate(dict.fromkeys(one.pair for one in several))}


def rep_words(one: Takeover, *, with_date: bool) -> str:
    """Which rep this was, and when."""
    rep = "" if one.row["rep"] is None else f"rep {one.row['rep']}, "
    day = f"{one.when:%Y-%m-%d} " if with_date else ""
    return f"{rep}{day}{one.when:%H:%M:%S}{NBSP}UTC"


def _row(
    one: Takeover, number: int, rank: int, ground: tuple[float, float], with_date: bool
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
            name(incoming),
            " to ",
            name(outgoing),
        ),
        " ",
        element("small", {}, *_where(one, with_date)),
    )
    attributes = {"role": "row", "data-rank": str(rank), "data-number": str(number)}
    return element("tr", attributes, first, *_cells(one, ground))


def _where(one: Takeover, with_date: bool) -> list[Child]:
    words = rep_words(one, with_date=with_date)
    return [name(one.row["session"]), f", {words}"] if with_date else [words]


def _cells(one: Takeover, ground: tuple[float, float]) -> list[ET.Element]:
    p = one.row["p_in_zone"]
    return [
        _cell(1, "zone time ", _value(one.zone_time, 2, "s")),
        _cell(2, "", drawing(one, *ground), " ", element("span", {}, place_words(one))),
        _cell(3, "gap ", _value(one.distance, 1, "m")),
        _cell(4, "start ", _value(one.lag, 2, "s")),
        _cell(5, "", faults(one)),
        _cell(6, "in the zone ", "–" if p is None else f"{chance(p)}{NBSP}%"),
    ]


def _cell(column: int, folded: str, *children: Child) -> ET.Element:
    """A cell; `folded` stands before it where the row has no column heads."""
    word = element("span", {"class": "folded"}, folded) if folded else None
    return element("td", {"role": "cell", "class": f"c{column}"}, word, *children)


def _value(one: Estimate | None, digits: int, unit: str) -> str:
    return "–" if one is None else f"{plus_minus(one, digits)}{NBSP}{unit}"


def place_words(one: Takeover) -> str:
    """Where the baton passed and how that is known, or that it did not."""
    if one.place is None:
        return f"{one.row['outcome']}, {one.row['pass_basis']}"
    return f"{plus_minus(one.place, 1)}{NBSP}m, {one.row['pass_basis']}"


def faults(one: Takeover) -> ET.Element:
    """What went wrong, in the tables' words."""
    found = one.row["faults"]
    if not found:
        words = "no fault found" if one.passed else one.row["outcome"]
        return element("span", {"class": "clean"}, words)
    return element("strong", {"class": "fault"}, "; ".join(map(plain, found)))


# --- the zone, drawn -------------------------------------------------------------------------


def _at(s_m: float, low: float) -> float:
    return (s_m - low) * _UNITS_A_M


def _svg(low: float, high: float, height: float, *children: Child) -> ET.Element:
    box = f"0 0 {_at(high, low):g} {height:g}"
    attributes = {"viewBox": box, "class": "strip", "aria-hidden": "true", "focusable": "false"}
    return element("svg", attributes, *children)


def _ruler(low: float, high: float) -> ET.Element:
    zone_m = high - ROOM_M
    marks = [
        element("text", {"x": f"{_at(m, low):g}", "y": "12", "class": "tick at-middle"}, f"{m:g}")
        for m in range(0, int(zone_m) + 1, 10)
    ]
    return _svg(low, high, 16.0, *marks)


def drawing(one: Takeover, low: float, high: float) -> ET.Element:
    """The zone with its lines every 10 m and the pass with its standard error."""
    top, bottom, middle = 3.0, _HIGH - 3.0, _HIGH / 2
    left, right = _at(0.0, low), _at(one.zone_m, low)
    ticks = "".join(f"M{_at(m, low):g} {top:g}V{bottom:g}" for m in range(10, int(one.zone_m), 10))
    parts: list[Child] = [
        element(
            "rect",
            {"class": "ground", "x": f"{left:g}", "y": f"{top:g}"}
            | {"width": f"{right - left:g}", "height": f"{bottom - top:g}"},
        ),
        element("path", {"class": "grid", "d": ticks}) if ticks else None,
        element(
            "path",
            {"class": "line", "d": f"M{left:g} 0V{_HIGH:g}M{right:g} 0V{_HIGH:g}"},
        ),
    ]
    if one.place is not None:
        parts += _pass(one.place, one.row["pass_basis"] != "inferred", low, high, middle)
    return _svg(low, high, _HIGH, *parts)


def _pass(place: Estimate, full: bool, low: float, high: float, middle: float) -> list[Child]:
    def x(s_m: float) -> float:
        return round(_at(min(max(s_m, low + 1.0), high - 1.0), low), 1)

    first, last = x(place.value - place.sd), x(place.value + place.sd)
    bar = f"M{first:g} {middle:g}H{last:g}M{first:g} {middle - 5:g}v10M{last:g} {middle - 5:g}v10"
    dot = {"cx": f"{x(place.value):g}", "cy": f"{middle:g}", "r": "4.5"}
    return [
        element("path", {"class": "bars ink-plain", "d": bar}),
        element("circle", {"class": f"sign {'full' if full else 'hollow'} ink-plain", **dot}),
    ]
