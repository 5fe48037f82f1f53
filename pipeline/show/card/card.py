"""The trackside card: the advised marks of a team's pairs, a sheet a relay, from the tables alone.

One HTML file that needs nothing else: no script, no network, and a policy that forbids both.
Words, signs and line style carry the meaning, never colour, so that a black printer loses nothing.

Sizes are chosen for one sheet, landscape, A4 or letter, for up to `MOST` runners. Words from
outside are shortened to what the sheet holds, so that nothing is cut off at its edge. Where there
is no room for the grid, on a telephone, each of its cells stands below the other and says whose it
is; on paper and beside the grid that would say it twice, and is not shown.
"""

from __future__ import annotations

import datetime
import importlib.resources
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.base import defaults
from pipeline.base.relays import Rules, is_blind, zone_lines_m
from pipeline.base.stadium import keeps_lanes
from pipeline.base.values import Estimate
from pipeline.base.words import FEW_REPS, in_feet_words, percent
from pipeline.language.numbers import day_words
from pipeline.language.phrases import phrase, phrase_around, phrase_of, reworded
from pipeline.show.card.pair_marks import (
    CardPair,
    PairMark,
    ReceiverFacts,
    choose_team,
    pair_marks,
    receiver_facts,
)
from pipeline.show.markup import (
    Child,
    element,
    half_widths,
    html_document,
    list_item,
    outside_name,
    plain_text,
    say_roles,
    shorten,
)
from pipeline.show.wording import (
    NBSP,
    caution,
    decimal,
    joined_parts,
    odds_words,
    pair_around,
    tenth_words,
    with_sign,
)
from pipeline.tables import schema

MOST = 8  # runners on one card: more would need type too small for arm's length
MOST_IN_FULL = 6  # with what to expect of each pass

_CARD_NAME_WIDTH = 18  # half-width characters; the whole of a longer name is below the grid
_WHOLE_NAME_WIDTH = 50
SETTING_WIDTH = 20
VALUE_WIDTH = 30
_MOST_SETTINGS = 8
_ROOMY = 1650  # half-width characters below the grid above which smaller type is needed,
_TWO_LINES = 240  # and in the lines of settings


@dataclass(frozen=True, slots=True)
class CardSheet:
    """What one sheet, that of a relay, needs to know besides the tables.

    `team` chooses and orders the runners, at least two; None takes all in `marks`, by name; of more
    than `MOST` the first are shown, and the sheet says so. On a race's card it is the order.
    `date` is printed as the language in force writes a day, where it is one in ISO 8601, else as it
    is. `in_use`: the mark each pair used last, metres before the back
    line, by (incoming, outgoing). `zone_m`: the zone's length, today's unless given.
    """

    event: str
    date: str
    team: Sequence[str] | None = None
    in_use: Mapping[CardPair, float] = field(default_factory=dict)
    zone_m: float | None = None

    @property
    def length_m(self) -> float:
        if self.zone_m is not None:
            return self.zone_m
        _, entry, leave = zone_lines_m(self.event, Rules.today)
        return leave - entry


def card_html(
    marks: pa.Table,
    runners: pa.Table | None,
    sheets: Sequence[CardSheet],
    *,
    settings: Mapping[str, str],
    notes: Sequence[str] = (),
) -> str:
    """The card of one relay or several, a sheet each, as HTML text, to be stored as UTF-8.

    `marks` and `runners` are the tables of these names; `runners` gives the receivers' foot-length
    and start. `settings` and `notes`, sentences above the cautions, are printed as they are. What
    to expect of each pass, and when to move the mark at the track, is left out of a sheet for more
    than `MOST_IN_FULL` runners.

    A mark gets a sign where its chance of failing, or of running into each other, is above
    `defaults.RISKY`, and where it rests on fewer than `FEW_REPS` takeovers. The remarks of the
    table are too long for a card and stay in the table.

    Raises UsageError where an event or a runner is not in `marks`, InputError where a pair has
    two advised rows, OutputError where a table does not hold to its schema.
    """
    schema.check_table("marks", marks)
    return _card_document([_relay_sheet(marks, runners, one, settings, notes) for one in sheets])


def _relay_sheet(
    marks: pa.Table,
    runners: pa.Table | None,
    wanted: CardSheet,
    settings: Mapping[str, str],
    notes: Sequence[str],
) -> ET.Element:
    event = wanted.event
    marks = marks.filter(pc.equal(marks["event"], event))
    asked = choose_team(marks, event, wanted.team)
    shown = asked[:MOST]
    receivers = receiver_facts(runners, event, shown)
    advice = pair_marks(marks, shown, receivers, wanted.in_use, wanted.length_m)
    names = _head_names(shown)
    by_sight = not is_blind(event)
    relay = _short_value(event)
    title = (
        phrase("When to go, {event}", event=relay)
        if by_sight
        else phrase("Check marks, {event}", event=relay)
    )
    how_to_read = phrase("Rows: incoming runners. Columns: outgoing runners, the receivers.")
    return _card_sheet(
        _card_header(title, wanted.date, settings),
        _marks_grid(shown, names, advice, receivers, by_sight),
        [
            _legend_section(
                advice, receivers, by_sight, how_to_read, in_full=len(shown) <= MOST_IN_FULL
            ),
            _moving_section(advice, names, asked),
            _cautions_section(by_sight, notes),
        ],
        size=next(n for n in (4, 6, MOST) if len(shown) <= n),
    )


def race_card_html(
    marks: pa.Table,
    runners: pa.Table | None,
    wanted: CardSheet,
    *,
    lane: int,
    settings: Mapping[str, str],
    notes: Sequence[str] = (),
) -> str:
    """The card of one race: only the marks that a running order needs, zone by zone.

    `wanted.team` are the runners of the legs, `lane` is the team's; a zone after the break from
    lanes is shown as such. The other arguments and what is raised are as for `card_html`.
    """
    schema.check_table("marks", marks)
    event = wanted.event
    marks = marks.filter(pc.equal(marks["event"], event))
    team = choose_team(marks, event, wanted.team)
    receivers = receiver_facts(runners, event, team)
    needed = list(pairwise(team))
    found = pair_marks(marks, team, receivers, wanted.in_use, wanted.length_m)
    advice = {pair: found[pair] for pair in needed if pair in found}
    names = _head_names(team)
    by_sight = not is_blind(event)
    title = phrase("Race card, {event}, lane {lane}", event=_short_value(event), lane=lane)
    how_to_read = phrase(
        "One row a takeover zone, in the order of the race. Lay these marks and no others."
    )
    sheet = _card_sheet(
        _card_header(title, wanted.date, settings),
        _zones_grid(event, lane, needed, names, advice, receivers),
        [
            _legend_section(advice, receivers, by_sight, how_to_read),
            _moving_section(advice, names, team),
            _cautions_section(by_sight, notes),
        ],
        size=4,
        is_race=True,
    )
    return _card_document([sheet])


def _card_document(sheets: Sequence[ET.Element]) -> str:
    titles = [head.text or "" for sheet in sheets for head in sheet.iter("h1")]
    main = element("main", {}, *sheets)
    return html_document(joined_parts(titles), _card_style(), element("body", {}, main))


def _card_sheet(
    heading: ET.Element,
    grid: ET.Element,
    sections: Sequence[ET.Element],
    *,
    size: int,
    is_race: bool = False,
) -> ET.Element:
    notes = element("div", {"class": "notes"}, *sections)
    roomy = 2 * _ROOMY if is_race else _ROOMY
    is_crowded = _text_length(notes) > roomy or _text_length(heading) > _TWO_LINES
    kind = f"sheet runners-{size}{' crowded' if is_crowded else ''}"
    return element("article", {"class": kind}, heading, grid, notes)


def _card_style() -> str:
    files = importlib.resources.files("pipeline.show.card")
    return files.joinpath("card.css").read_text(encoding="utf-8")


# --- words and numbers -----------------------------------------------------------------


def _head_names(team: Sequence[str]) -> dict[str, str]:
    """The name at the head of each runner's row and column, different for each."""
    short = [shorten(plain_text(runner), _CARD_NAME_WIDTH) for runner in team]
    return {
        runner: one if short.count(one) == 1 else f"{one} {number}"
        for number, (runner, one) in enumerate(zip(team, short, strict=True), start=1)
    }


def _short_value(text: str) -> str:
    return shorten(plain_text(text), VALUE_WIDTH)


def _day_or_text(date: str) -> str:
    try:
        return day_words(datetime.date.fromisoformat(date))
    except ValueError:
        return _short_value(date)


# --- the page --------------------------------------------------------------------------


def _text_length(part: ET.Element) -> int:
    return sum(map(half_widths, part.itertext()))


def _card_header(title: str, date: str, settings: Mapping[str, str]) -> ET.Element:
    parts: list[Child] = []
    for setting, value in list(settings.items())[:_MOST_SETTINGS]:
        words = element(
            "span",
            {},
            *phrase_around(
                "{setting}: {value}",
                setting=shorten(plain_text(setting), SETTING_WIDTH),
                value=element("b", {}, _short_value(value)),
            ),
        )
        parts += [" · ", words] if parts else [words]
    if len(settings) > _MOST_SETTINGS:
        more = phrase("and {count} more", count=len(settings) - _MOST_SETTINGS)
        parts.append(f" · {more}")
    return element(
        "header",
        {},
        element("h1", {}, title),
        element("p", {"class": "date"}, _day_or_text(date)),
        element("p", {"class": "settings"}, *parts),
    )


def _marks_grid(
    team: Sequence[str],
    names: Mapping[str, str],
    advice: Mapping[CardPair, PairMark],
    receivers: Mapping[str, ReceiverFacts] | None,
    by_sight: bool,
) -> ET.Element:
    corner = element(
        "th",
        {"scope": "col", "class": "corner"},
        element("span", {}, phrase("outgoing →")),
        " ",
        element("span", {}, phrase("incoming ↓")),
    )
    heads = [element("th", {"scope": "col"}, outside_name(names[runner])) for runner in team]
    rows = [
        element(
            "tr",
            {},
            element("th", {"scope": "row"}, outside_name(names[incoming])),
            *(
                _mark_cell(
                    incoming,
                    outgoing,
                    advice,
                    _pair_names(names, incoming, outgoing),
                    in_full=len(team) <= MOST_IN_FULL,
                )
                for outgoing in team
            ),
        )
        for incoming in team
    ]
    table = element(
        "table",
        {},
        element(
            "caption",
            {},
            phrase("The mark of each pair: incoming runners in rows, outgoing runners in columns"),
        ),
        element("thead", {}, element("tr", {}, corner, *heads)),
        element("tbody", {}, *rows),
    )
    if receivers is not None:
        table.append(element("tfoot", {}, _receivers_row(team, names, receivers, by_sight)))
    return _grid_region(table)


def _grid_region(table: ET.Element) -> ET.Element:
    """The grid, which scrolls by itself where it is too wide."""
    say_roles(table)
    given = {"class": "grid", "role": "region", "aria-label": phrase("Marks"), "tabindex": "0"}
    return element("div", given, table)


def _pair_names(names: Mapping[str, str], incoming: str, outgoing: str) -> ET.Element:
    """Whose cell it is, for where it stands alone."""
    both = pair_around(outside_name(names[incoming]), outside_name(names[outgoing]))
    return element("p", {"class": "who"}, *both)


def _zones_grid(
    event: str,
    lane: int,
    needed: Sequence[CardPair],
    names: Mapping[str, str],
    advice: Mapping[CardPair, PairMark],
    receivers: Mapping[str, ReceiverFacts] | None,
) -> ET.Element:
    """One row a takeover zone: where it is, who gives to whom, the mark, the receiver."""
    known = receivers or {}
    rows = []
    for zone, (incoming, outgoing) in enumerate(needed, start=1):
        receiver = known.get(outgoing, ReceiverFacts(None, None))
        rows.append(
            element(
                "tr",
                {},
                element(
                    "th",
                    {"scope": "row"},
                    _text_line(
                        *pair_around(outside_name(names[incoming]), outside_name(names[outgoing]))
                    ),
                    _text_line(_zone_lane_words(event, zone, lane)),
                ),
                _mark_cell(incoming, outgoing, advice),
                _receiver_cell(receiver, by_sight=not is_blind(event, zone)),
            )
        )
    heads = [
        element("th", {"scope": "col"}, words)
        for words in (
            phrase("incoming to outgoing"),
            phrase_of("column", "mark"),
            phrase("the receiver"),
        )
    ]
    table = element(
        "table",
        {"class": "zones"},
        element("caption", {}, phrase("The marks of this order, zone by zone")),
        element("thead", {}, element("tr", {}, *heads)),
        element("tbody", {}, *rows),
    )
    return _grid_region(table)


def _zone_lane_words(event: str, zone: int, lane: int) -> str:
    """Which zone, and in which lane it lies: after the break from lanes no lane is kept."""
    if keeps_lanes(event, zone):
        return phrase("zone {zone}, lane {lane}", zone=zone, lane=lane)
    return phrase("zone {zone}, after the break, as placed", zone=zone)


def _receivers_row(
    team: Sequence[str],
    names: Mapping[str, str],
    receivers: Mapping[str, ReceiverFacts],
    by_sight: bool,
) -> ET.Element:
    cells = []
    for runner in team:
        one = receivers.get(runner, ReceiverFacts(None, None))
        cells.append(_receiver_cell(one, by_sight, outside_name(names[runner])))
    return element("tr", {}, element("th", {"scope": "row"}, phrase("The receiver")), *cells)


def _receiver_cell(one: ReceiverFacts, by_sight: bool, who: Child = None) -> ET.Element:
    foot = (
        phrase("foot not known")
        if one.foot_m is None
        else phrase("foot {foot_cm:.1f} cm", foot_cm=100.0 * one.foot_m)
    )
    start = phrase("goes by sight") if by_sight else phrase("start not known")
    if one.lag_s is not None:
        start = _start_words(one.lag_s)
    head = element("p", {"class": "who"}, phrase("The receiver") if who is None else who)
    return element("td", {}, head, _text_line(foot), _text_line(start))


def _start_words(lag_s: float) -> str:
    """When the receiver first moves: 0.12 s after the mark is crossed."""
    if not float(f"{lag_s:.2f}"):
        return phrase("starts on the mark")
    if lag_s > 0:
        return phrase("starts {start_s:.2f}\u00a0s after the mark", start_s=lag_s)
    return phrase("starts {start_s:.2f}\u00a0s before the mark", start_s=-lag_s)


def _mark_cell(
    incoming: str,
    outgoing: str,
    advice: Mapping[CardPair, PairMark],
    who: ET.Element | None = None,
    *,
    in_full: bool = True,
) -> ET.Element:
    if incoming == outgoing:
        return element("td", {"class": "self"}, "·")
    one = advice.get((incoming, outgoing))
    if one is None:
        return element("td", {"class": "none"}, who, element("p", {}, phrase("no mark")))
    row = one.row
    metres = decimal(row["mark_m"], 2)
    in_feet = row["mark_feet"] is not None
    unit = phrase_of("unit of a mark", "feet") if in_feet else "m"
    big = in_feet_words(row["mark_feet"]) if in_feet else metres
    flags: list[Child] = [
        _sign_element("!", phrase("fails often")) if one.is_short else None,
        _sign_element("×", phrase("may run into each other")) if one.may_collide else None,
        _sign_element("?", phrase("few takeovers")) if one.is_thin else None,
        element("span", {"class": "spoken"}, phrase("untried")) if one.is_untried else None,
    ]
    place = [*([f"{metres}{NBSP}m"] if in_feet else []), *_stand_words(row)]
    box = element(
        "div",
        {"class": "pair untried" if one.is_untried else "pair"},
        element(
            "p",
            {"class": "mark"},
            element("b", {}, big),
            " ",
            element(
                "span",
                {"class": "side"},
                element("span", {}, element("small", {}, unit), " ", *flags),
                " ",
                _from_words(one),
            ),
        ),
        _text_line(", ".join(place)) if place else None,
        _text_line(*phrase_around("in zone {odds}", odds=_strong(_odds(row["p_in_zone"])))),
        _step_line(one),
        *(_expected_lines(one) if in_full else ()),
    )
    return element("td", {}, who, box)


def _from_words(one: PairMark) -> Child:
    """Where the mark was, and how far it moves; nothing where the pair has used none."""
    if one.in_use_m is None:
        return None
    by_m = one.row["mark_m"] - one.in_use_m
    if one.foot_m is None:
        used, by = decimal(one.in_use_m, 2), with_sign(by_m, 2)
    else:
        used, by = in_feet_words(one.in_use_m / one.foot_m), _feet_with_sign(by_m / one.foot_m)
    words = phrase_of("the last mark, and its move", "from {used}: {by}", used=used, by=by)
    return element("small", {}, words.replace(" ", NBSP))


def _feet_with_sign(feet: float) -> str:
    words = in_feet_words(abs(feet))
    if words == "0":
        return phrase_of("a mark", "stays")
    return f"{'+' if feet > 0 else '−'}{words}"


def _expected_lines(one: PairMark) -> list[ET.Element]:
    """Where to expect the pass, the zone time, and when to move the mark at the track."""
    row = one.row
    place, time = (
        Estimate(
            row[f"{stem}_{unit}"],
            math.hypot(row[f"{stem}_sd_{unit}"], row[f"{stem}_spread_{unit}"]),
        )
        for stem, unit in (("pass", "m"), ("zone_time", "s"))
    )
    expected = phrase(
        "pass {place}\u00a0m, {zone_time}\u00a0s",
        place=_likely(place, 0),
        zone_time=_likely(time, 2),
    )
    lines = [_text_line(expected)]
    if one.rule is not None:
        step = _step_unit(one)
        lines.append(
            _text_line(
                phrase(
                    "twice >{far_m}\u00a0m: −{step}, <{near_m}\u00a0m: +{step}",
                    far_m=one.rule.far_m,
                    near_m=one.rule.near_m,
                    step=step,
                )
            )
        )
    return lines


def _step_unit(one: PairMark) -> str:
    """A step of the mark: one foot-length, or so many centimetres where that is not known."""
    return "1" if one.row["mark_feet"] else f"{100.0 * defaults.FOOT_M:.0f}"


def _text_line(*children: Child) -> ET.Element:
    return element("p", {}, *children)


def _sign_element(sign: str, words: str) -> ET.Element:
    return element("span", {"class": "sign", "role": "img", "aria-label": words}, sign)


def _strong(text: str) -> ET.Element:
    return element("b", {}, text)


def _sign_key(sign: str) -> ET.Element:
    return element("span", {"class": "sign"}, sign)


def _odds(p: float) -> str:
    return odds_words(p).replace(" ", NBSP)


def _likely(one: Estimate, digits: int) -> str:
    """Where two of three lie: 11 to 17."""
    low, high = (decimal(one.value + by * one.sd, digits) for by in (-1.0, 1.0))
    if low == high:
        return low
    return phrase_of("where two of three lie", "{low}\u00a0to\u00a0{high}", low=low, high=high)


def _stand_words(row: Mapping[str, Any]) -> list[str]:
    """Where the receiver stands, unless on the back line, and the pace, unless full."""
    words = []
    if abs(row["outgoing_start_m"]) >= 0.05:
        words.append(phrase("stand {place} m", place=with_sign(row["outgoing_start_m"], 1)))
    if percent(row["pace"]) != 100:
        words.append(phrase("pace {percent} %", percent=percent(row["pace"])))
    return [word.replace(" ", NBSP) for word in words]


def _step_line(one: PairMark) -> ET.Element:
    step = _step_unit(one)
    parts = [
        f"{sign}{step}:{NBSP}{'–' if there is None else _odds(there[0])}"
        for sign, there in (("−", one.nearer), ("+", one.farther))
    ]
    nearer, farther = (element("span", {}, part) for part in parts)
    return element("p", {"class": "step"}, nearer, " ", farther)


def _legend_section(
    advice: Mapping[CardPair, PairMark],
    receivers: Mapping[str, ReceiverFacts] | None,
    by_sight: bool,
    how_to_read: str,
    *,
    in_full: bool = True,
) -> ET.Element:
    rows = [one.row for one in advice.values()]
    counted = {row["mark_feet"] is not None for row in rows}
    items: list[Child] = [how_to_read]
    if True in counted:
        items.append(
            phrase(
                "Large number: the receiver's foot-lengths, heel to toe, from the back line to "
                "the mark. Below it: the same in metres."
            )
        )
    if False in counted:
        items.append(
            phrase("Large number in m: from the back line, where the foot-length is not known.")
        )
    if any(_stand_words(row) for row in rows):
        items.append(
            phrase(
                "stand +2.0 m: the receiver stands 2 m past the back line, otherwise on it. "
                "pace 90 %: sets off with 90 % of a full start."
            )
        )
    items.append(phrase("in zone 9 in 10: 9 passes of 10 are in the zone."))
    if any(one.in_use_m is not None for one in advice.values()):
        items.append(
            phrase("from 33: +3½: the pair's last mark, and the move; + is away from the receiver.")
        )
    if in_full:
        items.append(
            phrase(
                "pass 11 to 17 m, 2.89 to 3.01 s: expected past the entry line, and the zone "
                "time; two of three lie there."
            )
        )
        if any(one.rule is not None for one in advice.values()):
            items.append(
                phrase(
                    "twice >18 m: −1, <9 m: +1: after two in a row beyond 18 m (or missed, the "
                    "receiver ran away) one step nearer, before 9 m one farther. Once says "
                    "nothing."
                )
            )
    else:
        items.append(
            phrase(
                "For what to expect of each pass, name a team of {most} or fewer.",
                most=MOST_IN_FULL,
            )
        )
    if any(one.lag_s is not None for one in (receivers or {}).values()):
        items.append(
            phrase("starts 0.15 s after the mark: moves so long after the mark is crossed.")
        )
    risk = odds_words(defaults.RISKY)
    items.append(
        list_item(
            *phrase_around(
                "{sign} fails in more than {odds} takeovers.", sign=_sign_key("!"), odds=risk
            )
        )
    )
    items.append(
        list_item(
            *phrase_around(
                "{sign} chance of running into each other more than {odds}: try it slower first.",
                sign=_sign_key("×"),
                odds=risk,
            )
        )
    )
    items.append(
        list_item(
            *phrase_around(
                "{sign} rests on fewer than {few} takeovers of the two runners.",
                sign=_sign_key("?"),
                few=str(FEW_REPS),
            )
        )
    )
    untried = element("span", {"class": "untried key"}, phrase("Dashed, italic"))
    items.append(
        list_item(
            *phrase_around(
                "{look}: the pair has not tried it; worked out from its runners.", look=untried
            )
        )
    )
    if by_sight:
        items.append(
            phrase(
                "By sight: go when the incoming runner is that far before the back line. Lay no "
                "mark where the takeover is not in lanes."
            )
        )
    return _notes_section(phrase("Reading a cell"), items)


def _moving_section(
    advice: Mapping[CardPair, PairMark],
    names: Mapping[str, str],
    asked: Sequence[str],
) -> ET.Element:
    signs, step = _step_words(advice.values())
    items: list[Child] = [
        phrase(
            "{signs} in a cell: the chance with the mark {step} nearer (the receiver goes later) "
            "and farther (goes earlier).",
            signs=signs,
            step=step,
        ),
        *_zone_time_words(advice.values(), step),
        *_mark_error_words(advice.values()),
        list_item(_strong(tenth_words())),
    ]
    if len(asked) > len(names):
        items.append(
            phrase(
                "The first {shown} of {asked} runners are shown. Name a team to choose.",
                shown=len(names),
                asked=len(asked),
            )
        )
    for runner, short in names.items():
        if short != plain_text(runner):
            whole = shorten(plain_text(runner), _WHOLE_NAME_WIDTH)
            both = {"short": outside_name(short), "whole": outside_name(whole)}
            items.append(list_item(*phrase_around("{short} is {whole}", **both)))
    return _notes_section(phrase("Moving the mark"), items)


def _step_words(advice: Iterable[PairMark]) -> tuple[str, str]:
    """How a step of the mark is written in the cells, and its length in words."""
    by_cm = f"{100.0 * defaults.FOOT_M:.0f}"
    counted = {bool(one.row["mark_feet"]) for one in advice}
    if counted == {False}:
        return phrase("−{cm} and +{cm}", cm=by_cm), f"{by_cm} cm"
    if counted == {True, False}:
        return (
            phrase("−1 and +1 (−{cm} and +{cm})", cm=by_cm),
            phrase("one foot-length ({cm} cm)", cm=by_cm),
        )
    return phrase("−1 and +1"), phrase("one foot-length")


def _zone_time_words(advice: Iterable[PairMark], step: str) -> list[str]:
    """What one step does to the zone time: the middle pair and the range over the pairs."""
    advice = list(advice)
    nearer = _change_facts("near", [one.nearer for one in advice])
    farther = _change_facts("far", [one.farther for one in advice])
    if nearer and farther:
        return [
            phrase(
                "The mark {step} nearer changes the zone time by {near} s ({near_low} to "
                "{near_high}); farther changes the zone time by {far} s ({far_low} to {far_high}): "
                "the middle pair and the range.",
                step=step,
                **nearer,
                **farther,
            )
        ]
    if nearer:
        return [
            phrase(
                "The mark {step} nearer changes the zone time by {near} s ({near_low} to "
                "{near_high}): the middle pair and the range.",
                step=step,
                **nearer,
            )
        ]
    if farther:
        return [
            phrase(
                "The mark {step} farther changes the zone time by {far} s ({far_low} to "
                "{far_high}): the middle pair and the range.",
                step=step,
                **farther,
            )
        ]
    return []


def _change_facts(side: str, steps: Sequence[tuple[float, float] | None]) -> dict[str, str]:
    """The change of the zone time by a step to one side: the middle pair, the least and the
    most."""
    changes = [step[1] for step in steps if step is not None]
    if not changes:
        return {}
    low, middle, high = (with_sign(one, 2) for one in np.quantile(changes, [0.0, 0.5, 1.0]))
    return {side: middle, f"{side}_low": low, f"{side}_high": high}


def _mark_error_words(advice: Iterable[PairMark]) -> list[str]:
    """How well the takeovers so far fix the places of the marks and the chances."""
    rows = [one.row for one in advice]
    if not rows:
        return []
    place, chance = (
        np.quantile([row[name] for row in rows], [0.5, 0.0, 1.0])
        for name in ("mark_sd_m", "p_in_zone_sd")
    )
    return [
        phrase(
            "The takeovers so far fix a mark's place to ± {place:.2f} m ({place_low:.2f} to "
            "{place_high:.2f}) and a chance to ± {chance} % ({chance_low} to {chance_high}): the "
            "middle pair and the range, one standard error. More takeovers make it smaller.",
            **dict(zip(("place", "place_low", "place_high"), map(float, place), strict=True)),
            **dict(zip(("chance", "chance_low", "chance_high"), map(percent, chance), strict=True)),
        )
    ]


def _cautions_section(by_sight: bool, notes: Sequence[str]) -> ET.Element:
    items: list[Child] = [list_item(_strong(plain_text(reworded(note)))) for note in notes]
    items.append(caution())
    if not by_sight:
        # World Athletics Technical Rules, TR24.4: from memory, as docs/advice.md says.
        items.append(
            phrase(
                "One check mark for each receiver, in his or her own lane, of tape at most "
                "50 x 400 mm (World Athletics TR24.4). Lay only the one in use."
            )
        )
    return _notes_section(phrase("Before running"), items)


def _notes_section(title: str, items: Iterable[Child]) -> ET.Element:
    lines = [item if isinstance(item, ET.Element) else list_item(item) for item in items]
    return element("section", {}, element("h2", {}, title), element("ul", {}, *lines))
