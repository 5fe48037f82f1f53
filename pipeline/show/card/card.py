"""The trackside card: the advised marks of a team's pairs, a sheet a relay, from the tables alone.

One HTML file that needs nothing else: no script, no network, and a policy that forbids both.
Words, signs and line style carry the meaning, never colour, so that a black printer loses nothing.

Sizes are chosen for one sheet, landscape, A4 or letter, for up to `MOST` runners. Words from
outside are shortened to what the sheet holds, so that nothing is cut off at its edge. Where there
is no room for the grid, on a telephone, each of its cells stands below the other and says whose it
is; on paper and beside the grid that would say it twice, and is not shown.
"""

from __future__ import annotations

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
from pipeline.base.words import (
    CAUTION,
    FEW_REPS,
    TENTH,
    chance_in_words,
    in_feet_words,
    percent,
)
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
    decimal,
    with_sign,
)
from pipeline.tables import schema

MOST = 8  # runners on one card: more would need type too small for arm's length
MOST_IN_FULL = 6  # with what to expect of each pass

# World Athletics Technical Rules, TR24.4: from memory, as docs/advice.md says.
TAPE = (
    "One check mark for each receiver, in his or her own lane, of tape at most 50 x 400 mm "
    "(World Athletics TR24.4). Lay only the one in use."
)

READ_GRID = "Rows: incoming runners. Columns: outgoing runners, the receivers."
READ_ZONES = "One row a takeover zone, in the order of the race. Lay these marks and no others."

_CARD_NAME_WIDTH = 18  # half-width characters; the whole of a longer name is below the grid
_WHOLE_NAME_WIDTH = 50
_SETTING_WIDTH = 20
_VALUE_WIDTH = 30
_MOST_SETTINGS = 8
_ROOMY = 1650  # half-width characters below the grid above which smaller type is needed,
_TWO_LINES = 240  # and in the lines of settings


@dataclass(frozen=True, slots=True)
class CardSheet:
    """What one sheet, that of a relay, needs to know besides the tables.

    `team` chooses and orders the runners, at least two; None takes all in `marks`, by name; of more
    than `MOST` the first are shown, and the sheet says so. On a race's card it is the order.
    `date` is printed as it is. `in_use`: the mark each pair used last, metres before the back
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
    title = f"{'When to go' if by_sight else 'Check marks'}, {_short_value(event)}"
    return _card_sheet(
        _card_header(title, wanted.date, settings),
        _marks_grid(shown, names, advice, receivers, by_sight),
        [
            _legend_section(
                advice, receivers, by_sight, READ_GRID, in_full=len(shown) <= MOST_IN_FULL
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
    title = f"Race card, {_short_value(event)}, lane {lane}"
    sheet = _card_sheet(
        _card_header(title, wanted.date, settings),
        _zones_grid(event, lane, needed, names, advice, receivers),
        [
            _legend_section(advice, receivers, by_sight, READ_ZONES),
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
    return html_document("; ".join(titles), _card_style(), element("body", {}, main))


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
    return shorten(plain_text(text), _VALUE_WIDTH)


# --- the page --------------------------------------------------------------------------


def _text_length(part: ET.Element) -> int:
    return sum(map(half_widths, part.itertext()))


def _card_header(title: str, date: str, settings: Mapping[str, str]) -> ET.Element:
    parts: list[Child] = []
    for setting, value in list(settings.items())[:_MOST_SETTINGS]:
        words = element(
            "span",
            {},
            f"{shorten(plain_text(setting), _SETTING_WIDTH)}: ",
            element("b", {}, _short_value(value)),
        )
        parts += [" · ", words] if parts else [words]
    if len(settings) > _MOST_SETTINGS:
        parts.append(f" · and {len(settings) - _MOST_SETTINGS} more")
    return element(
        "header",
        {},
        element("h1", {}, title),
        element("p", {"class": "date"}, _short_value(date)),
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
        element("span", {}, "outgoing →"),
        " ",
        element("span", {}, "incoming ↓"),
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
            "The mark of each pair: incoming runners in rows, outgoing runners in columns",
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
    given = {"class": "grid", "role": "region", "aria-label": "Marks", "tabindex": "0"}
    return element("div", given, table)


def _pair_names(names: Mapping[str, str], incoming: str, outgoing: str) -> ET.Element:
    """Whose cell it is, for where it stands alone."""
    both = outside_name(names[incoming]), " to ", outside_name(names[outgoing])
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
                        outside_name(names[incoming]), " to ", outside_name(names[outgoing])
                    ),
                    _text_line(f"zone {zone}, {_zone_lane_words(event, zone, lane)}"),
                ),
                _mark_cell(incoming, outgoing, advice),
                _receiver_cell(receiver, by_sight=not is_blind(event, zone)),
            )
        )
    heads = [
        element("th", {"scope": "col"}, words)
        for words in ("incoming to outgoing", "mark", "the receiver")
    ]
    table = element(
        "table",
        {"class": "zones"},
        element("caption", {}, "The marks of this order, zone by zone"),
        element("thead", {}, element("tr", {}, *heads)),
        element("tbody", {}, *rows),
    )
    return _grid_region(table)


def _zone_lane_words(event: str, zone: int, lane: int) -> str:
    """In which lane the zone lies: after the break from lanes no lane is kept."""
    return f"lane {lane}" if keeps_lanes(event, zone) else "after the break, as placed"


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
    return element("tr", {}, element("th", {"scope": "row"}, "The receiver"), *cells)


def _receiver_cell(one: ReceiverFacts, by_sight: bool, who: Child = "The receiver") -> ET.Element:
    foot = "foot not known" if one.foot_m is None else f"foot {100.0 * one.foot_m:.1f} cm"
    start = "goes by sight" if by_sight else "start not known"
    if one.lag_s is not None:
        start = _start_words(one.lag_s)
    head = element("p", {"class": "who"}, who)
    return element("td", {}, head, _text_line(foot), _text_line(start))


def _start_words(lag_s: float) -> str:
    """When the receiver first moves: 0.12 s after the mark is crossed."""
    words = decimal(abs(lag_s), 2)
    if not float(words):
        return "starts on the mark"
    return f"starts {words}{NBSP}s {'after' if lag_s > 0 else 'before'} the mark"


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
        return element("td", {"class": "none"}, who, element("p", {}, "no mark"))
    row = one.row
    metres = f"{row['mark_m']:.2f}"
    in_feet = row["mark_feet"] is not None
    unit = "feet" if in_feet else "m"
    big = in_feet_words(row["mark_feet"]) if in_feet else metres
    flags: list[Child] = [
        _sign_element("!", "fails often") if one.is_short else None,
        _sign_element("×", "may run into each other") if one.may_collide else None,
        _sign_element("?", "few takeovers") if one.is_thin else None,
        element("span", {"class": "spoken"}, "untried") if one.is_untried else None,
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
        _text_line("in zone ", element("b", {}, _odds(row["p_in_zone"]))),
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
        used, by = f"{one.in_use_m:.2f}", with_sign(by_m, 2)
    else:
        used, by = in_feet_words(one.in_use_m / one.foot_m), _feet_with_sign(by_m / one.foot_m)
    return element("small", {}, f"from {used}: {by}".replace(" ", NBSP))


def _feet_with_sign(feet: float) -> str:
    words = in_feet_words(abs(feet))
    if words == "0":
        return "stays"
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
    lines = [_text_line(f"pass {_likely(place, 0)}{NBSP}m, {_likely(time, 2)}{NBSP}s")]
    if one.rule is not None:
        step = _step_unit(one)
        lines.append(
            _text_line(
                f"twice >{one.rule.far_m}{NBSP}m: −{step}, <{one.rule.near_m}{NBSP}m: +{step}"
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


def _sign_key(sign: str) -> ET.Element:
    return element("span", {"class": "sign"}, sign)


def _odds(p: float) -> str:
    return chance_in_words(p).replace(" ", NBSP)


def _likely(one: Estimate, digits: int) -> str:
    """Where two of three lie: 11 to 17."""
    ends = (decimal(one.value + by * one.sd, digits) for by in (-1.0, 1.0))
    return NBSP.join(dict.fromkeys(ends)).replace(NBSP, f"{NBSP}to{NBSP}")


def _stand_words(row: Mapping[str, Any]) -> list[str]:
    """Where the receiver stands, unless on the back line, and the pace, unless full."""
    words = []
    if abs(row["outgoing_start_m"]) >= 0.05:
        words.append(f"stand {with_sign(row['outgoing_start_m'], 1)} m")
    if percent(row["pace"]) != 100:
        words.append(f"pace {percent(row['pace'])} %")
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
            "Large number: the receiver's foot-lengths, heel to toe, from the back line to the "
            "mark. Below it: the same in metres."
        )
    if False in counted:
        items.append("Large number in m: from the back line, where the foot-length is not known.")
    if any(_stand_words(row) for row in rows):
        items.append(
            "stand +2.0 m: the receiver stands 2 m past the back line, otherwise on it. "
            "pace 90 %: sets off with 90 % of a full start."
        )
    items.append("in zone 9 in 10: 9 passes of 10 are in the zone.")
    if any(one.in_use_m is not None for one in advice.values()):
        items.append(
            "from 33: +3½: the pair's last mark, and the move; + is away from the receiver."
        )
    if in_full:
        items.append(
            "pass 11 to 17 m, 2.89 to 3.01 s: expected past the entry line, and the zone time; two "
            "of three lie there."
        )
        if any(one.rule is not None for one in advice.values()):
            items.append(
                "twice >18 m: −1, <9 m: +1: after two in a row beyond 18 m (or missed, the "
                "receiver ran away) one step nearer, before 9 m one farther. Once says nothing."
            )
    else:
        items.append(f"For what to expect of each pass, name a team of {MOST_IN_FULL} or fewer.")
    if any(one.lag_s is not None for one in (receivers or {}).values()):
        items.append("starts 0.15 s after the mark: moves so long after the mark is crossed.")
    risk = f"more than {chance_in_words(defaults.RISKY)}"
    items.append(list_item(_sign_key("!"), f" fails in {risk} takeovers."))
    items.append(
        list_item(
            _sign_key("×"), f" chance of running into each other {risk}: try it slower first."
        )
    )
    items.append(
        list_item(_sign_key("?"), f" rests on fewer than {FEW_REPS} takeovers of the two runners.")
    )
    untried = element("span", {"class": "untried key"}, "Dashed, italic")
    items.append(list_item(untried, ": the pair has not tried it; worked out from its runners."))
    if by_sight:
        items.append(
            "By sight: go when the incoming runner is that far before the back line. Lay no mark "
            "where the takeover is not in lanes."
        )
    return _notes_section("Reading a cell", items)


def _moving_section(
    advice: Mapping[CardPair, PairMark],
    names: Mapping[str, str],
    asked: Sequence[str],
) -> ET.Element:
    signs, step = _step_words(advice.values())
    items: list[Child] = [
        f"{signs} in a cell: the chance with the mark {step} nearer (the receiver goes later) and "
        "farther (goes earlier).",
        *_zone_time_words(advice.values(), step),
        *_mark_error_words(advice.values()),
        list_item(element("b", {}, TENTH)),
    ]
    if len(asked) > len(names):
        items.append(
            f"The first {len(names)} of {len(asked)} runners are shown. Name a team to choose."
        )
    for runner, short in names.items():
        if short != plain_text(runner):
            whole = shorten(plain_text(runner), _WHOLE_NAME_WIDTH)
            items.append(list_item(outside_name(short), " is ", outside_name(whole)))
    return _notes_section("Moving the mark", items)


def _step_words(advice: Iterable[PairMark]) -> tuple[str, str]:
    """How a step of the mark is written in the cells, and its length in words."""
    by_cm = f"{100.0 * defaults.FOOT_M:.0f}"
    counted = {bool(one.row["mark_feet"]) for one in advice}
    if counted == {False}:
        return f"−{by_cm} and +{by_cm}", f"{by_cm} cm"
    if counted == {True, False}:
        return f"−1 and +1 (−{by_cm} and +{by_cm})", f"one foot-length ({by_cm} cm)"
    return "−1 and +1", "one foot-length"


def _zone_time_words(advice: Iterable[PairMark], step: str) -> list[str]:
    """What one step does to the zone time: the middle pair and the range over the pairs."""
    advice = list(advice)
    out = []
    for words, steps in (
        ("nearer", [one.nearer for one in advice]),
        ("farther", [one.farther for one in advice]),
    ):
        changes = [step[1] for step in steps if step is not None]
        if changes:
            low, middle, high = np.quantile(changes, [0.0, 0.5, 1.0])
            out.append(
                f"{words} changes the zone time by {with_sign(middle, 2)} s "
                f"({with_sign(low, 2)} to {with_sign(high, 2)})"
            )
    return [f"The mark {step} {'; '.join(out)}: the middle pair and the range."] if out else []


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
        f"The takeovers so far fix a mark's place to ± {place[0]:.2f} m "
        f"({place[1]:.2f} to {place[2]:.2f}) and a chance to ± {percent(chance[0])} % "
        f"({percent(chance[1])} to {percent(chance[2])}): the middle pair and the range, one "
        "standard error. More takeovers make it smaller."
    ]


def _cautions_section(by_sight: bool, notes: Sequence[str]) -> ET.Element:
    first = [list_item(element("b", {}, plain_text(note))) for note in notes]
    return _notes_section("Before running", [*first, CAUTION, *([] if by_sight else [TAPE])])


def _notes_section(title: str, items: Iterable[Child]) -> ET.Element:
    lines = [item if isinstance(item, ET.Element) else list_item(item) for item in items]
    return element("section", {}, element("h2", {}, title), element("ul", {}, *lines))
