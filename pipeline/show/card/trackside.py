"""The trackside card: the advised marks of a team's pairs on one page, from the tables alone.

One HTML file that needs nothing else: no script, no network, a policy that forbids both. Meaning is
carried by words, signs and line style, never by colour, so that it survives a black printer.

Sizes are chosen for one page, landscape, A4 or letter, up to `MOST` runners; what comes from
outside is shortened to what the page holds, never cut off at its edge.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.base.relays import is_blind
from pipeline.base.words import CAUTION, FEW_REPS, TENTH, in_feet_words
from pipeline.errors import InputError, UsageError
from pipeline.show.markup import Child, document, element, name, plain, shortened, width
from pipeline.show.wording import NBSP, chance, chance_error, foot_of, percent, signed
from pipeline.tables import schema

MOST = 8  # runners on one card: more would need figures too small for arm's length
RISK = 0.10  # of running into each other, from which on a mark is signed, where none is wished
STEP_M = 0.30  # what the tape is moved by where the foot-length is not known: about one shoe

# World Athletics Technical Rules, TR24.4, from memory.
TAPE = (
    "One check mark a receiver, in the own lane, of tape at most 50 x 400 mm "
    "(World Athletics TR24.4, from memory: look it up); lay only the one in use."
)

_NAME_WIDTH = 18  # half-width signs; longer names are shortened and spelled out below the grid
_WHOLE_NAME_WIDTH = 50
_SETTING_WIDTH = 20
_VALUE_WIDTH = 30
_MOST_SETTINGS = 8
_ROOMY = 1650  # signs of text below the grid, and
_TWO_LINES = 240  # in the lines of settings, from which on smaller type is needed


def card(
    marks: pa.Table,
    runners: pa.Table | None,
    *,
    event: str,
    team: Sequence[str] | None,
    settings: Mapping[str, str],
    date: str,
    wished: float | None = None,
    short: Collection[Pair] = (),
    few_reps: int = FEW_REPS,
) -> str:
    """The card of one event as HTML text; to be stored as UTF-8.

    `marks` and `runners` are the tables of these names (schemas/), `runners` for the receivers'
    foot-length and lag. `team` chooses and orders the runners, at least two; None takes all that
    `marks` holds, by name. Of more than `MOST` the first are shown, and the card says so.
    `settings` and `date` are printed as they are. `wished` (0 to 1) is the chance of a pass inside
    the zone that was asked for: marks below it get a sign, also the pairs (incoming, outgoing)
    in `short`, which the caller knows to fall short; so do marks with a greater chance to run into
    each other than the rest of `wished` (`RISK` without it), and those that rest on fewer than
    `few_reps` takeovers. The remarks of the table, longer than a card can hold, stay there.
    Raises UsageError where the event or a runner is not in `marks`, InputError where a pair has
    two advised rows, OutputError where a table does not hold to its schema.
    """
    if wished is not None and not 0.0 <= wished <= 1.0:
        raise UsageError("wished", f"{wished:g}", "a chance from 0 to 1")
    schema.check_table("marks", marks)
    marks = marks.filter(pc.equal(marks["event"], event))
    asked = _team(marks, event, team)
    shown = asked[:MOST]
    receivers = _receivers(runners, event, shown)
    advice = _advice(marks, shown, receivers, wished, frozenset(short), few_reps)
    names = _names(shown)

    size = next(n for n in (4, 6, MOST) if len(shown) <= n)
    title = f"{'When to go' if not is_blind(event) else 'Check marks'}, {_value(event)}"
    heading = _heading(title, date, settings)
    notes = element(
        "div",
        {"class": "notes"},
        _legend(event, advice, wished, few_reps),
        _moving(advice, names, asked),
        _cautions(event),
    )
    is_crowded = _length(notes) > _ROOMY or _length(heading) > _TWO_LINES
    body = element(
        "body",
        {"class": f"runners-{size} crowded" if is_crowded else f"runners-{size}"},
        heading,
        _grid(shown, names, advice, receivers, not is_blind(event)),
        notes,
    )
    return document(title, _STYLE, body)


# --- from the tables -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Receiver:
    foot_m: float | None
    lag_s: float | None
    lag_sd_s: float | None


@dataclass(frozen=True, slots=True)
class _Advice:
    """One pair's advised row, and what the tape one step shorter and longer does (or None)."""

    row: Mapping[str, Any]
    is_short: bool
    may_collide: bool
    is_thin: bool
    shorter: tuple[float, float] | None  # chance, and change of the zone time in s
    longer: tuple[float, float] | None

    @property
    def is_untried(self) -> bool:
        return bool(self.row["reps_pair"] == 0)


Pair = tuple[str, str]


def _team(marks: pa.Table, event: str, team: Sequence[str] | None) -> list[str]:
    there = sorted({*marks["incoming"].to_pylist(), *marks["outgoing"].to_pylist()})
    if not there:
        raise UsageError(
            "marks", f"no marks of the event {event}", "an event of the table", "make them first"
        )
    chosen = there if team is None else list(team)
    unknown = [runner for runner in chosen if runner not in there]
    if unknown:
        raise UsageError(
            "team", f"{', '.join(unknown)}: not in the table marks", f"of {', '.join(there)}"
        )
    if len(set(chosen)) < len(chosen):
        raise UsageError("team", ", ".join(chosen), "each runner once")
    if len(chosen) < 2:
        raise UsageError("team", f"{len(chosen)} runner", "two or more: a card shows pairs")
    return chosen


def _receivers(
    runners: pa.Table | None, event: str, team: Sequence[str]
) -> dict[str, _Receiver] | None:
    if runners is None:
        return None
    schema.check_table("runners", runners)
    rows = runners.select(["runner", "event", "foot_m", "lag_s", "lag_sd_s"]).to_pylist()
    return {
        row["runner"]: _Receiver(row["foot_m"], row["lag_s"], row["lag_sd_s"])
        for row in rows
        if row["event"] == event and row["runner"] in team
    }


def _advice(
    marks: pa.Table,
    team: Sequence[str],
    receivers: Mapping[str, _Receiver] | None,
    wished: float | None,
    short: Collection[Pair],
    few_reps: int,
) -> dict[Pair, _Advice]:
    members = pa.array(team, pa.string())
    both = pc.and_(
        pc.is_in(marks["incoming"], value_set=members),
        pc.is_in(marks["outgoing"], value_set=members),
    )
    marks = marks.filter(both)
    curves = _curves(marks)
    out: dict[Pair, _Advice] = {}
    for row in marks.filter(marks["advised"]).to_pylist():
        pair = (row["incoming"], row["outgoing"])
        if pair in out:
            raise InputError(
                "marks",
                f"two advised marks from {pair[0]} to {pair[1]}",
                "one a pair",
                "make the marks again",
            )
        receiver = None if receivers is None else receivers.get(pair[1])
        step_m = _foot_m(row, receiver) or STEP_M
        out[pair] = _Advice(
            row,
            is_short=pair in short
            or (wished is not None and percent(row["p_in_zone"]) < 100.0 * wished - 1e-9),
            may_collide=row["p_ran_into"] > _risk(wished) + 1e-9,
            is_thin=row["reps"] < few_reps,
            shorter=_moved(curves[pair], row, -step_m),
            longer=_moved(curves[pair], row, step_m),
        )
    return out


def _foot_m(row: Mapping[str, Any], receiver: _Receiver | None) -> float | None:
    """The receiver's foot-length; None where marks are not counted in it."""
    if not row["mark_feet"]:
        return None
    if receiver is not None and receiver.foot_m is not None:
        return receiver.foot_m
    return foot_of(row)


def _risk(wished: float | None) -> float:
    return RISK if wished is None else 1.0 - wished


Curve = NDArray[np.float64]  # (rows, 4): start, mark, chance, zone time; by start, then mark


def _curves(marks: pa.Table) -> dict[Pair, Curve]:
    numbers = np.column_stack(
        [
            marks[name].to_numpy()
            for name in ("outgoing_start_m", "mark_m", "p_in_zone", "zone_time_s")
        ]
    )
    rows: dict[Pair, list[int]] = {}
    pairs = zip(marks["incoming"].to_pylist(), marks["outgoing"].to_pylist(), strict=True)
    for index, pair in enumerate(pairs):
        rows.setdefault(pair, []).append(index)
    out = {}
    for pair, own in rows.items():
        curve = numbers[own]
        out[pair] = curve[np.lexsort((curve[:, 1], curve[:, 0]))]
    return out


def _moved(curve: Curve, row: Mapping[str, Any], by_m: float) -> tuple[float, float] | None:
    """Chance, and change of the zone time, with the mark moved and the receiver standing where
    advised: linear between the candidates; None beyond the last of them."""
    same = curve[np.abs(curve[:, 0] - row["outgoing_start_m"]) < 1e-6]
    mark_m = row["mark_m"] + by_m
    if not same[0, 1] - 1e-6 <= mark_m <= same[-1, 1] + 1e-6:
        return None
    chance = float(np.interp(mark_m, same[:, 1], same[:, 2]))
    return chance, float(np.interp(mark_m, same[:, 1], same[:, 3])) - row["zone_time_s"]


# --- words and numbers -----------------------------------------------------------------


def _names(team: Sequence[str]) -> dict[str, str]:
    """What stands at the head of each runner's row and column, different for each."""
    short = [shortened(plain(runner), _NAME_WIDTH) for runner in team]
    return {
        runner: one if short.count(one) == 1 else f"{one} {number}"
        for number, (runner, one) in enumerate(zip(team, short, strict=True), start=1)
    }


def _value(text: str) -> str:
    return shortened(plain(text), _VALUE_WIDTH)


# --- the page --------------------------------------------------------------------------


def _length(part: ET.Element) -> int:
    return sum(map(width, part.itertext()))


def _heading(title: str, date: str, settings: Mapping[str, str]) -> ET.Element:
    parts: list[Child] = []
    for setting, value in list(settings.items())[:_MOST_SETTINGS]:
        words = element(
            "span",
            {},
            f"{shortened(plain(setting), _SETTING_WIDTH)}: ",
            element("b", {}, _value(value)),
        )
        parts += [" · ", words] if parts else [words]
    if len(settings) > _MOST_SETTINGS:
        parts.append(f" · and {len(settings) - _MOST_SETTINGS} more")
    return element(
        "header",
        {},
        element("h1", {}, title),
        element("p", {"class": "date"}, _value(date)),
        element("p", {"class": "settings"}, *parts),
    )


def _grid(
    team: Sequence[str],
    names: Mapping[str, str],
    advice: Mapping[Pair, _Advice],
    receivers: Mapping[str, _Receiver] | None,
    by_eye: bool,
) -> ET.Element:
    corner = element(
        "th",
        {"scope": "col", "class": "corner"},
        element("span", {}, "outgoing →"),
        " ",
        element("span", {}, "incoming ↓"),
    )
    heads = [element("th", {"scope": "col"}, name(names[runner])) for runner in team]
    rows = [
        element(
            "tr",
            {},
            element("th", {"scope": "row"}, name(names[incoming])),
            *(_cell(incoming, outgoing, advice) for outgoing in team),
        )
        for incoming in team
    ]
    table = element(
        "table",
        {},
        element(
            "caption",
            {},
            "The tape's place for each pair: incoming runners in rows, outgoing ones in columns",
        ),
        element("thead", {}, element("tr", {}, corner, *heads)),
        element("tbody", {}, *rows),
    )
    if receivers is not None:
        table.append(element("tfoot", {}, _receivers_row(team, receivers, by_eye)))
    return element(
        "div", {"class": "grid", "role": "region", "aria-label": "Marks", "tabindex": "0"}, table
    )


def _receivers_row(
    team: Sequence[str], receivers: Mapping[str, _Receiver], by_eye: bool
) -> ET.Element:
    cells = []
    for runner in team:
        one = receivers.get(runner, _Receiver(None, None, None))
        foot = "foot not known" if one.foot_m is None else f"foot {100.0 * one.foot_m:.1f} cm"
        lag = "goes by eye" if by_eye else "lag not known"
        if one.lag_s is not None and one.lag_sd_s is not None:
            lag = f"lag {one.lag_s:.2f} ± {max(one.lag_sd_s, 0.01):.2f} s".replace("-", "−")
        cells.append(element("td", {}, _line(foot), _line(lag)))
    return element("tr", {}, element("th", {"scope": "row"}, "The receiver"), *cells)


def _cell(incoming: str, outgoing: str, advice: Mapping[Pair, _Advice]) -> ET.Element:
    if incoming == outgoing:
        return element("td", {"class": "self"}, "·")
    one = advice.get((incoming, outgoing))
    if one is None:
        return element("td", {"class": "none"}, "no mark")
    row = one.row
    metres = f"{row['mark_m']:.2f}"
    in_feet = row["mark_feet"] is not None
    unit = "feet" if in_feet else "m"
    big = in_feet_words(row["mark_feet"]) if in_feet else metres
    flags: list[Child] = [
        _sign("!", "below the chance wished for") if one.is_short else None,
        _sign("×", "may run into each other") if one.may_collide else None,
        _sign("?", "few takeovers") if one.is_thin else None,
        element("span", {"class": "spoken"}, "untried") if one.is_untried else None,
    ]
    place = [*([f"{metres}{NBSP}m"] if in_feet else []), *_how(row)]
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
                element("small", {}, unit),
                " ",
                element("span", {}, *flags) if any(flag is not None for flag in flags) else None,
            ),
        ),
        _line(", ".join(place)) if place else None,
        _line("in zone ", element("b", {}, chance(row["p_in_zone"])), _error_of(row)),
        _step_line(one),
    )
    return element("td", {}, box)


def _line(*children: Child) -> ET.Element:
    return element("p", {}, *children)


def _sign(sign: str, words: str) -> ET.Element:
    return element("span", {"class": "sign", "role": "img", "aria-label": words}, sign)


def _key(sign: str) -> ET.Element:
    return element("span", {"class": "sign"}, sign)


def _error_of(row: Mapping[str, Any]) -> str:
    return f" ± {chance_error(row['p_in_zone_sd'])} %".replace(" ", NBSP)


def _how(row: Mapping[str, Any]) -> list[str]:
    """Where the receiver stands and how hard he or she sets off, where not as usual."""
    words = []
    if abs(row["outgoing_start_m"]) >= 0.05:
        words.append(f"stand {signed(row['outgoing_start_m'], 1)} m")
    if percent(row["pace"]) != 100:
        words.append(f"pace {percent(row['pace'])} %")
    return [word.replace(" ", NBSP) for word in words]


def _step_line(one: _Advice) -> ET.Element:
    step = "1" if one.row["mark_feet"] else f"{100.0 * STEP_M:.0f}"
    parts = [
        f"{sign}{step}: {'–' if there is None else chance(there[0]) + ' %'}".replace(" ", NBSP)
        for sign, there in (("−", one.shorter), ("+", one.longer))
    ]
    shorter, longer = (element("span", {}, part) for part in parts)
    return element("p", {"class": "step"}, shorter, " ", longer)


def _legend(
    event: str, advice: Mapping[Pair, _Advice], wished: float | None, few_reps: int
) -> ET.Element:
    rows = [one.row for one in advice.values()]
    counted = {row["mark_feet"] is not None for row in rows}
    items: list[Child] = ["Rows bring the baton, columns take it."]
    if True in counted:
        items.append(
            "Big: foot-lengths of the receiver, heel to toe, from the back line to the tape; "
            "below it the same in metres."
        )
    if False in counted:
        items.append("Big in m: from the back line, where the foot-length is not known.")
    if any(_how(row) for row in rows):
        items.append(
            "stand +2.0 m: the receiver stands 2 m past the back line; otherwise on it. "
            "pace 90 %: sets off with 90 % of a full start."
        )
    items.append(
        "in zone 90 %: 9 passes of 10 lie inside the zone. ± is one standard error, which more "
        "takeovers make smaller."
    )
    if wished is not None or any(one.is_short for one in advice.values()):
        asked = "what was" if wished is None else f"the {percent(wished)} %"
        items.append(_item(_key("!"), f" falls short of {asked} wished for."))
    risk = f"more than {percent(_risk(wished))} %"
    items.append(
        _item(_key("×"), f" chance of running into each other {risk}: try it slower first.")
    )
    items.append(_item(_key("?"), f" rests on fewer than {few_reps} takeovers of the two runners."))
    untried = element("span", {"class": "untried key"}, "Dashed, italic")
    items.append(_item(untried, ": this pair has not tried it; worked out from its runners."))
    if not is_blind(event):
        items.append(
            "By eye: go when the incoming runner is that far before the back line; no tape where "
            "the change is not in lanes."
        )
    return _section("Reading a cell", items)


def _moving(
    advice: Mapping[Pair, _Advice],
    names: Mapping[str, str],
    asked: Sequence[str],
) -> ET.Element:
    signs, step = _steps(advice.values())
    items: list[Child] = [
        f"{signs} in a cell: the chance with the tape {step} nearer (the receiver goes later) and "
        "farther away (goes earlier).",
        *_zone_times(advice.values(), step),
        *_settled(advice.values()),
        _item(element("b", {}, TENTH)),
    ]
    if len(asked) > len(names):
        items.append(
            f"The first {len(names)} of {len(asked)} runners are shown; name a team to choose."
        )
    for runner, short in names.items():
        if short != plain(runner):
            whole = shortened(plain(runner), _WHOLE_NAME_WIDTH)
            items.append(_item(name(short), " is ", name(whole)))
    return _section("Moving the tape", items)


def _steps(advice: Iterable[_Advice]) -> tuple[str, str]:
    """How a step of the tape is signed in the cells, and how long it is, in words."""
    by_cm = f"{100.0 * STEP_M:.0f}"
    counted = {bool(one.row["mark_feet"]) for one in advice}
    if counted == {False}:
        return f"−{by_cm} and +{by_cm}", f"{by_cm} cm"
    if counted == {True, False}:
        return f"−1 and +1 (−{by_cm} and +{by_cm})", f"one foot-length ({by_cm} cm)"
    return "−1 and +1", "one foot-length"


def _zone_times(advice: Iterable[_Advice], step: str) -> list[str]:
    """What one step does to the zone time: least, middle and most over the pairs."""
    advice = list(advice)
    out = []
    for words, steps in (
        ("nearer", [one.shorter for one in advice]),
        ("farther", [one.longer for one in advice]),
    ):
        changes = [step[1] for step in steps if step is not None]
        if changes:
            low, middle, high = np.quantile(changes, [0.0, 0.5, 1.0])
            out.append(
                f"{words} changes the zone time by {signed(middle, 2)} s "
                f"({signed(low, 2)} to {signed(high, 2)})"
            )
    return [f"The tape {step} {'; '.join(out)}; middle pair and range."] if out else []


def _settled(advice: Iterable[_Advice]) -> list[str]:
    """How well the takeovers so far say where the tapes belong."""
    sds = [one.row["mark_sd_m"] for one in advice]
    if not sds:
        return []
    low, middle, high = np.quantile(sds, [0.0, 0.5, 1.0])
    return [
        f"The takeovers so far settle the tape's place to ± {middle:.2f} m "
        f"({low:.2f} to {high:.2f}; one standard error)."
    ]


def _cautions(event: str) -> ET.Element:
    return _section("Before running", [CAUTION] if not is_blind(event) else [CAUTION, TAPE])


def _item(*children: Child) -> ET.Element:
    return element("li", {}, *children)


def _section(title: str, items: Iterable[Child]) -> ET.Element:
    lines = [item if isinstance(item, ET.Element) else _item(item) for item in items]
    return element("section", {}, element("h2", {}, title), element("ul", {}, *lines))


# Points in print, because paper is looked at from arm's length; rem on screens, which know theirs.
_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; margin: 0; padding: 0; }
html { background: #fff; color: #000; font-family: Arial, "Liberation Sans", Helvetica, sans-serif;
  font-variant-numeric: tabular-nums lining-nums; line-height: 1.2; }
body { padding: 0.75rem; }
h1 { font-size: 1.5rem; display: inline; }
.date { display: inline; font-size: 1.25rem; padding-left: 1em; white-space: nowrap; }
.settings { padding: 0.25rem 0; }
bdi, .settings, li { overflow-wrap: anywhere; }
.grid { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
caption { text-align: left; padding-bottom: 0.25rem; }
th, td { border: 1px solid #000; padding: 0.15rem; text-align: center; vertical-align: middle;
  min-width: 8.75rem; }
th { font-size: 1.1rem; overflow: hidden; }
th[scope="row"], .corner { min-width: 5.5rem; max-width: 7rem; position: sticky; left: 0;
  background: #fff; outline: 1px solid #000; outline-offset: -1px; }
.corner { font-size: 0.8rem; font-weight: normal; }
.corner span { display: block; }
.pair { border: 2px solid transparent; padding: 0.1rem; }
.mark { white-space: nowrap; }
.step span { margin: 0 0.1em; }
.side { display: inline-block; vertical-align: middle; text-align: left; line-height: 1.1; }
.side > * { display: block; }
.untried { border: 2px dashed #000; font-style: italic; }
.mark b { font-size: 2rem; line-height: 1; vertical-align: middle; }
.sign { display: inline-block; border: 2px solid #000; font-weight: bold; font-style: normal;
  min-width: 1.3em; margin-right: 0.2em; text-align: center; line-height: 1.1; }
.key { display: inline-block; }
.spoken { position: absolute; width: 1px; height: 1px; overflow: hidden;
  clip-path: inset(50%); white-space: nowrap; }
.notes { display: grid; grid-template-columns: repeat(auto-fit, minmax(16rem, 1fr)); gap: 0.75rem;
  padding-top: 0.5rem; }
h2 { font-size: 1rem; }
ul { list-style: none; }
li { padding-left: 0.8em; text-indent: -0.8em; }
li * { text-indent: 0; }
@page { size: landscape; margin: 8mm; }
@media print {
  body { padding: 0; font-size: 9pt; }
  h1 { font-size: 15pt; }
  .date { font-size: 13pt; padding-right: 1em; }
  .settings { font-size: 9.5pt; display: inline; }
  header { padding-bottom: 1mm; }
  .grid { overflow: visible; }
  table { table-layout: fixed; }
  caption { position: absolute; width: 1px; height: 1px; overflow: hidden; }
  th, td { min-width: 0; padding: 0.3mm; border: 0.5pt solid #000; }
  th[scope="row"], .corner { position: static; outline: none; min-width: 0; max-width: none;
    width: 11%; }
  .corner { font-size: 8pt; }
  .pair { padding: 0; border-width: 1.2pt; line-height: 1.08; }
  .sign { border-width: 1pt; font-size: 10pt; }
  .notes { display: block; columns: 3; column-gap: 4mm; padding-top: 1.5mm;
    font-size: 7.5pt; line-height: 1.12; }
  .notes .sign { font-size: 7pt; }
  .key { border-width: 0.8pt; }
  h2 { font-size: 8.5pt; break-after: avoid; }
  .crowded .notes { font-size: 6.2pt; line-height: 1.08; column-gap: 3mm; padding-top: 0.5mm; }
  .crowded .notes .sign { font-size: 6pt; line-height: 1; }
  .crowded h2 { font-size: 7pt; }
  .crowded .settings { font-size: 8pt; }
  tr, li { break-inside: avoid; }
  .runners-4 th { font-size: 14pt; }
  .runners-4 .pair { font-size: 13pt; }
  .runners-4 .mark b { font-size: 36pt; }
  .runners-4 tfoot td { font-size: 11pt; }
  .runners-6 th { font-size: 11pt; }
  .runners-6 .pair { font-size: 9.5pt; }
  .runners-6 .mark b { font-size: 26pt; }
  .runners-8 th { font-size: 9.5pt; line-height: 1.05; }
  .runners-8 .pair { font-size: 7.5pt; }
  .runners-8 .mark b { font-size: 18pt; }
  .runners-8 tfoot td { font-size: 7.5pt; }
  .runners-8 .sign { font-size: 7pt; line-height: 1; border-width: 0.7pt; }
}
"""
