"""The list at the top of a page: each takeover in one line, to be read in five seconds.

A line has the verdict, what the takeover cost its pair, the pass on a drawing of the zone with the
pair's other passes behind it, the zone time beside the pair's usual, start and gap. It is a table
in the page's source and to a screen reader; on a telephone the style sheet folds each row to a few
lines. Standard errors stand in each takeover's own part.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from xml.etree import ElementTree as ET

from pipeline.base.values import Estimate
from pipeline.language.numbers import day_words
from pipeline.language.phrases import phrase, reworded
from pipeline.show.column_words import column_word
from pipeline.show.figures import page_svg
from pipeline.show.markup import Child, element, outside_name, plain_text
from pipeline.show.page.sheet_lines import pair_names, quantity
from pipeline.show.scenes import Scene, rank_scenes
from pipeline.show.wording import (
    NBSP,
    clock_words,
    cost_words,
    decimal,
    is_loss,
    joined_parts,
    odds_words,
    outcome_words,
    takeover_words,
    with_error,
    without_errors,
)

PairInEvent = tuple[str, str, str]  # incoming, outgoing, event

ROOM_M = 4.0  # drawn before the entry line and after the exit line
_STRIP_HEIGHT = 30.0
_STRIP_UNITS_A_M = 5.0
_STRIP_COLUMN = 3
_MOST_STROKES = 12  # of other passes behind one: more would be a wall


def list_heads() -> tuple[str, ...]:
    """The heads of the list's columns."""
    return (
        phrase("takeover"),
        phrase("what happened, and what to change"),
        phrase("cost, s"),
        phrase("pass, m past the entry line"),
        phrase("zone time, s (usual)"),
        phrase("start, s after the mark"),
        phrase("gap, m"),
        phrase("in the zone"),
    )


def _list_notes() -> str:
    return phrase(
        "The sentence and the cost compare a takeover with what its own pair does on its best "
        "mark, so a slow pair is not behind a fast one. In the drawing the zone is run from left "
        "to right and has a line every 10 m. The dot is the pass: full where it was seen or "
        "sensed, hollow where it is inferred from the two courses; the shade about it is where it "
        "may have been. Grey strokes are the pair's other passes here. Usual: the mean of the "
        "pair's zone times. How sure all this is stands in each takeover's own part."
    )


def takeover_table(
    several: Sequence[Scene],
    *,
    with_dates: bool,
    usual_s: Mapping[PairInEvent, float] = MappingProxyType({}),
) -> list[ET.Element]:
    """The list in the order given, and a note on how to read it.

    Each row carries its rank, by which the script sorts, and what the script filters by.
    `with_dates` adds session and day to each row, for lists over several sessions. `usual_s` are
    the zone times that pairs usually have.
    """
    zone_m = max((one.zone_m for one in several), default=30.0)
    ground = (-ROOM_M, zone_m + ROOM_M)
    heads = [
        element(
            "th",
            {"scope": "col", "role": "columnheader", "class": f"c{k}"},
            words,
            _strip_ruler(*ground) if k == _STRIP_COLUMN else None,  # over the drawings of the zone
        )
        for k, words in enumerate(list_heads())
    ]
    numbers = pair_numbers(several)
    by_pair: dict[PairInEvent, list[Scene]] = {}
    for one in several:
        by_pair.setdefault(pair_in_event(one), []).append(one)
    rows = []
    for number, (one, rank) in enumerate(zip(several, rank_scenes(several), strict=True), 1):
        others = by_pair[pair_in_event(one)]
        beside = [other.pass_place.value for other in others if other.pass_place and other != one]
        cells = _list_cells(one, ground, usual_s.get(pair_in_event(one)), beside)
        row = _list_row(one, number, rank, with_dates, cells)
        row.set("data-pair", numbers[one.pair])
        row.set("data-kinds", " ".join(_kinds(one)))
        rows.append(row)
    # The roles are repeated here because a table that the style sheet folds would lose them.
    return [
        element(
            "table",
            {"class": "glance", "role": "table", "aria-label": phrase("Takeovers")}
            | {"aria-describedby": "list-notes"},
            element("thead", {"role": "rowgroup"}, element("tr", {"role": "row"}, *heads)),
            element("tbody", {"role": "rowgroup"}, *rows),
        ),
        element("p", {"class": "notes", "id": "list-notes"}, _list_notes()),
    ]


def kinds_in_words() -> dict[str, str]:
    """What a choice of the list may ask for, and how it is called."""
    return {
        "look": phrase("deserve a look"),
        "failed": phrase("not passed in the zone"),
        "lost": phrase("lost time"),
    }


def _kinds(one: Scene) -> list[str]:
    """What a choice of the list may ask for."""
    found = {"look": deserves_look(one), "failed": one.failed, "lost": is_loss(one.lost)}
    return [kind for kind, is_so in found.items() if is_so]


def deserves_look(one: Scene) -> bool:
    """Whether something went wrong at full speed: a failure, a fault, or time lost that stands out
    of its error."""
    wrong = one.failed or is_loss(one.lost) or bool(one.row["faults"])
    return one.left_out is None and wrong


def anchor(one: Scene) -> str:
    """The id of a takeover's own part of the page."""
    return anchor_of(one.row["session"], one.row["exchange"])


def anchor_of(session: str, exchange: int) -> str:
    """The id of a takeover's own part of a page, from its session and number: letters, digits and
    dashes."""
    return f"t-{zlib.crc32(str(session).encode()):08x}-{exchange}"


def pair_numbers(several: Sequence[Scene]) -> dict[tuple[str, str], str]:
    """A number for each pair, in the order they come, by which the page's script shows one alone.

    Names stay out of attributes that a script compares.
    """
    return {pair: str(k) for k, pair in enumerate(dict.fromkeys(one.pair for one in several))}


def pair_in_event(one: Scene) -> PairInEvent:
    """Whose takeovers one compares with."""
    return (*one.pair, one.row["event"])


Alike = tuple[str, float]  # event and zone length [m]: figures of such takeovers have one scale


def alike(one: Scene) -> Alike:
    return one.row["event"], one.zone_m


def rep_words(one: Scene, *, with_date: bool) -> str:
    """Which rep of the practice sheet this was, and when."""
    when = clock_words(one.clock)
    if with_date:
        when = f"{day_words(one.clock.date())} {when}"
    if one.row["rep"] is None:
        return when
    return phrase("rep {rep}, {when}", rep=one.row["rep"], when=when)


def _list_row(
    one: Scene, number: int, rank: int, with_date: bool, cells: Sequence[ET.Element]
) -> ET.Element:
    first = element(
        "th",
        {"scope": "row", "role": "rowheader", "class": "c0"},
        takeover_link(one, number),
        " ",
        element("small", {}, *_rep_place(one, with_date)),
    )
    kind = {"class": "failed"} if one.failed else {}
    attributes = {"role": "row", "data-rank": str(rank), "data-number": str(number)} | kind
    return element("tr", attributes, first, *cells)


def takeover_link(one: Scene, number: int) -> ET.Element:
    """The way to a takeover's own part: its number and whose it is."""
    number_in_bold = element("b", {}, f"{number}")
    return element("a", {"href": f"#{anchor(one)}"}, number_in_bold, " ", *pair_names(*one.pair))


def _rep_place(one: Scene, with_date: bool) -> list[Child]:
    words = rep_words(one, with_date=with_date)
    return [outside_name(one.row["session"]), f", {words}"] if with_date else [words]


def _list_cells(
    one: Scene, ground: tuple[float, float], usual_s: float | None, beside: Sequence[float]
) -> list[ET.Element]:
    p = one.row["p_in_zone"]
    place = element("span", {}, place_words(one))
    return [
        _list_cell(1, "", *finding(one)),
        _list_cell(2, "", "–" if one.lost is None else element("b", {}, cost_words(one.lost))),
        _list_cell(3, "", zone_drawing(one, *ground, beside), " ", place),
        _list_cell(4, phrase("zone time"), *_zone_time_words(one, usual_s)),
        _list_cell(5, phrase("start"), _value_or_dash(one.start, 2, "s")),
        _list_cell(6, phrase("gap"), _value_or_dash(one.gap_at_pass, 1, "m")),
        _list_cell(7, phrase("in the zone"), "–" if p is None else odds_words(p)),
    ]


def _zone_time_words(one: Scene, usual_s: float | None) -> Iterable[Child]:
    yield _value_or_dash(one.zone_time, 2, "s")
    if usual_s is not None and one.zone_time is not None:
        yield " "
        yield element("small", {}, f"({decimal(usual_s, 2)})")


def _list_cell(column: int, folded: str, *children: Child) -> ET.Element:
    """A cell; the words `folded` come before it where the row is folded and has no column heads."""
    word = element("span", {"class": "folded"}, f"{folded} ") if folded else None
    return element("td", {"role": "cell", "class": f"c{column}"}, word, *children)


def _value_or_dash(one: Estimate | None, digits: int, unit: str) -> str:
    return "–" if one is None else quantity(one.value, digits, unit)


def place_words(one: Scene, *, with_sd: bool = False) -> str:
    """Where the baton passed and how that is known, or that it did not."""
    if one.pass_place is None:
        if one.row["outcome"] == "unclear":
            return phrase("place not known")
        return f"{outcome_words(one.row['outcome'])}, {_pass_basis(one)}"
    place = one.pass_place
    where = with_error(place, 1) if with_sd else decimal(place.value, 1)
    return f"{where}{NBSP}m, {_pass_basis(one)}"


def _pass_basis(one: Scene) -> str:
    """How it is known that and where the baton was passed."""
    return column_word("basis of a moment", str(one.row["pass_basis"]))


def finding(one: Scene) -> list[Child]:
    """What happened and what to change, as short as it can be said: the verdict without its
    errors, and the faults that the tables name."""
    if one.left_out is not None:
        words = phrase("not at full speed: {why}", why=reworded(plain_text(one.left_out)))
        return [element("span", {"class": "clean"}, words)]
    found = fault_element(one)
    if one.verdict is None:
        plain = element("span", {"class": "clean"}, _unjudged_words(one))
        return [plain if found is None else found]
    told = without_errors(reworded(one.verdict["verdict"]))
    sentence = element("span", {"class": "verdict"}, told)
    return [sentence] if found is None else [sentence, " ", found]


def _unjudged_words(one: Scene) -> str:
    if one.passed:
        return phrase("passed; not judged")
    return outcome_words(one.row["outcome"])


def fault_element(one: Scene) -> ET.Element | None:
    """What went wrong, in the tables' words, and whether the pass may lie outside the zone; None
    where the tables name nothing."""
    outcome, *found = takeover_words(one.row["outcome"], one.row["faults"], one.zone_doubt)
    words = [outcome] * (one.missed and one.verdict is None) + found
    if not words:
        return None
    text = joined_parts(map(plain_text, words))
    odds = re.sub(r"\((\d+) (\w+) (\d+)\)", rf"(\1{NBSP}\2{NBSP}\3)", text)
    return element("strong", {"class": "fault"}, odds)


# --- the zone, drawn -------------------------------------------------------------------------


def _strip_x(s_m: float, low: float) -> float:
    return (s_m - low) * _STRIP_UNITS_A_M


def _strip_svg(low: float, high: float, height: float, *children: Child) -> ET.Element:
    box = f"0 0 {_strip_x(high, low):g} {height:g}"
    attributes = {"viewBox": box, "class": "strip", "aria-hidden": "true"}
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


def zone_drawing(one: Scene, low: float, high: float, beside: Sequence[float] = ()) -> ET.Element:
    """The zone with its lines every 10 m, the pass with a shade over where it may have been, and
    strokes where the pair passed `beside` it [m]."""
    top, bottom, middle = 3.0, _STRIP_HEIGHT - 3.0, _STRIP_HEIGHT / 2
    left, right = _strip_x(0.0, low), _strip_x(one.zone_m, low)
    ticks = "".join(
        f"M{_strip_x(m, low):g} {top:g}V{bottom:g}" for m in range(10, int(one.zone_m), 10)
    )
    places = sorted({round(m, 1) for m in beside if low < m < high})
    strokes = "".join(
        f"M{_strip_x(m, low):.0f} {top + 3:g}V{bottom - 3:g}"
        for m in places[:: 1 + len(places) // _MOST_STROKES]
    )
    sides = {"x": f"{left:g}", "y": f"{top:g}", "width": f"{right - left:g}"}
    behind = element(
        "g",
        {"class": page_svg.FRAME},
        element("rect", {"class": "ground", **sides, "height": f"{bottom - top:g}"}),
        element("path", {"class": "grid", "d": ticks}) if ticks else None,
        element(
            "path",
            {"class": "line", "d": f"M{left:g} 0V{_STRIP_HEIGHT:g}M{right:g} 0V{_STRIP_HEIGHT:g}"},
        ),
    )
    beside_it = element("path", {"class": "beside", "d": strokes}) if strokes else None
    parts: list[Child] = [behind, beside_it]
    if one.pass_place is not None:
        parts += _strip_pass(one.pass_place, one.row["pass_basis"] != "inferred", low, high, middle)
    elif one.missed:
        parts.append(_strip_miss(right, middle))
    return _strip_svg(low, high, _STRIP_HEIGHT, *parts)


def _strip_pass(place: Estimate, full: bool, low: float, high: float, middle: float) -> list[Child]:
    def x(s_m: float) -> float:
        return round(_strip_x(min(max(s_m, low + 1.0), high - 1.0), low), 1)

    shades = "".join(
        f"M{x(place.value - k * place.sd):g} {middle - 9 / k:g}H{x(place.value + k * place.sd):g}"
        f"v{18 / k:g}H{x(place.value - k * place.sd):g}z"
        for k in (1, 2)
    )
    dot = {"cx": f"{x(place.value):g}", "cy": f"{middle:g}", "r": "4.5"}
    return [
        element("path", {"class": "shade", "d": shades}) if place.sd >= 0.1 else None,
        element("circle", {"class": f"sign {'full' if full else 'hollow'} ink-plain", **dot}),
    ]


def _strip_miss(right: float, middle: float) -> ET.Element:
    """Two strokes across each other beyond the exit line: the baton did not change hands."""
    x = right + 10.0
    path = f"M{x - 6:g} {middle - 6:g}l12 12m0 -12l-12 12"
    return element("path", {"class": "miss", "d": path})
