"""One runner's sheet, to hand out: starts, speed brought in, marks, trends and what to practise.

It holds no other runner's figures. Partners appear by name alone, and marks with them, which are
laid on the track for all to see.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.cause_weeks import find_costliest
from pipeline.base.relays import is_blind
from pipeline.base.values import Estimate
from pipeline.base.words import CAUTION, capitalised, chance_in_words, count
from pipeline.show.markup import (
    Child,
    element,
    html_table,
    outside_name,
    plain_text,
    table_row,
)
from pipeline.show.page.calendar_part import takeover_day
from pipeline.show.page.frame import whole_page
from pipeline.show.page.sheet_lines import (
    DecisionRows,
    bullet_list,
    events_in_order,
    joined,
    not_worked_out,
    on_demand,
    paragraph,
    stands_out,
    titled_section,
)
from pipeline.show.page.trend_lines import INCOMING_TRENDS, RECEIVER_TRENDS, TrendWords
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.show.wording import (
    CLEAR_SDS,
    NBSP,
    day_range,
    decimal,
    foot_length_m,
    mark_words,
    on_the_wall,
    with_error,
)
from pipeline.tables import schema

RUNNER_TABLES = ("runners", "marks", "causes", "verdicts")
# Causes that one of the two answers for, and those that both do. The speed and the start of the
# partner are the partner's own.
_OF_RECEIVER = ("start", "outgoing speed", "reach", "pass place")
_OF_INCOMING = ("incoming speed", "reach", "braking", "pass place")
_FAULTS_OF = {
    "outgoing": ("early start", "late start", "outgoing eased", "ran away", "ran into"),
    "incoming": ("incoming slowed", "ran into"),
}
_TOLD_ELSEWHERE = ("visual change", "never ")  # remarks whose figures are not on the sheet
_RUNNER_READING = (
    "The receiver takes the baton, the incoming runner brings it. The start is the receiver's "
    "first movement against the moment when the incoming runner crosses the mark.",
    "From rep to rep: two reps in three lie within what is said.",
    "A mark is counted in the receiver's own foot-lengths, heel to toe, from the back line towards "
    "the incoming runner.",
)
_SHEET_PRIVACY = (
    "This sheet is about one runner. Others are named only as partners, and none of their speeds "
    "is on it. It belongs to the runner and to those whom he or she shows it to."
)


def runner_page(
    runner: str,
    takeovers: Sequence[LakeRow],
    decisions: DecisionRows,
    *,
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
) -> str:
    """The page of one runner as HTML text.

    `takeovers` are the rows of `exchanges` in which the runner took part, `decisions` the rows of
    `RUNNER_TABLES`, other runners' among them.
    """
    own = [row for row in takeovers if runner in (row["incoming"], row["outgoing"])]
    told = [row for row in decisions["runners"] or () if row["runner"] == runner]
    marks = [
        row for row in decisions["marks"] or () if row["advised"] and row["outgoing"] == runner
    ]
    events = events_in_order((*own, *told, *marks))
    first_marked = next(iter(events_in_order(marks)), None)
    sections: list[Child] = [
        _event_section(
            runner,
            event,
            [row for row in own if row["event"] == event],
            next((row for row in told if row["event"] == event), None),
            [row for row in marks if row["event"] == event],
            decisions,
            with_caution=event == first_marked,
        )
        for event in events
    ]
    missing = [name for name in ("runners", "marks", "causes") if decisions[name] is None]
    if missing or not sections:
        sections.append(
            titled_section(
                "missing",
                "What this sheet lacks",
                *(
                    element("div", {}, element("h3", {}, _TABLE_WORDS[name]), not_worked_out(name))
                    for name in missing
                ),
                None if sections else paragraph("Nothing is known of this runner."),
            )
        )
    sections.append(titled_section("privacy", "Whose this is", paragraph(_SHEET_PRIVACY)))
    return whole_page(
        f"{plain_text(runner)}: takeovers",
        _runner_lead(runner, own),
        sections,
        about=about,
        remarks=remarks,
        reading=_RUNNER_READING,
    )


_TABLE_WORDS = {"runners": "Starts and speeds", "marks": "Marks", "causes": "What costs time"}


def _runner_lead(runner: str, own: Sequence[LakeRow]) -> str:
    if not own:
        return "No takeover of this runner was measured."
    receives = sum(row["outgoing"] == runner for row in own)
    brings = sum(row["incoming"] == runner for row in own)
    when = sorted(on_the_wall(row["zero_utc"], row["time_zone"]) for row in own)
    return (
        f"{', '.join(events_in_order(own))}; {receives} as receiver, {brings} as incoming runner; "
        f"{day_range(when[0], when[-1])}."
    )


def _event_section(
    runner: str,
    event: str,
    own: Sequence[LakeRow],
    told: LakeRow | None,
    marks: Sequence[LakeRow],
    decisions: DecisionRows,
    *,
    with_caution: bool,
) -> ET.Element:
    causes = [row for row in decisions["causes"] or () if row["event"] == event]
    receives = [row for row in own if row["outgoing"] == runner]
    brings = [row for row in own if row["incoming"] == runner]
    mine = element(
        "div",
        {"class": "roles"},
        _role_part(
            "As receiver",
            _receiver_lines(event, told),
            _partner_words("from", "incoming", receives),
            _fault_words("outgoing", receives),
            _cost_of(causes, "outgoing", runner, _OF_RECEIVER),
        ),
        _role_part(
            "As incoming runner",
            _incoming_lines(told),
            _partner_words("to", "outgoing", brings),
            _fault_words("incoming", brings),
            _cost_of(causes, "incoming", runner, _OF_INCOMING),
        ),
    )
    name = "".join(letter if letter.isalnum() and letter.isascii() else "-" for letter in event)
    return titled_section(
        f"in-{name}",
        plain_text(event),
        mine,
        *_marks_part(event, marks, with_caution=with_caution),
        *_trends_part(told, own),
        _numbers_part(told),
        bullet_list(
            outside_name(text)
            for text in (told["remarks"] if told is not None else ())
            if not text.startswith(_TOLD_ELSEWHERE)
        ),
    )


def _role_part(title: str, *lines: Iterable[Child]) -> ET.Element:
    found = [line for group in lines for line in group]
    listed = bullet_list(found) or paragraph("Not run yet.")
    return element("div", {}, element("h3", {}, title), listed)


# --- what is usual ------------------------------------------------------------------------------


def _receiver_lines(event: str, told: LakeRow | None) -> Iterable[Child]:
    if told is None or not told["reps_out"]:  # else the figures are the squad's
        return
    if told["lag_s"] is not None:
        yield _usual_start_words(told)
    elif not is_blind(event):
        yield "Goes by sight: there is no start against a mark."
    if told["t20_s"] is not None:
        yield (
            f"First 20 m: {decimal(told['t20_s'], 2)}{NBSP}s; from rep to rep "
            f"{decimal(told['t20_spread_s'], 2)}{NBSP}s more or less."
        )


def _usual_start_words(told: LakeRow) -> str:
    """The usual start and how it scatters: "goes 0.19 s before ..."."""
    usual, spread = told["lag_s"], told["lag_spread_s"]
    side = "after" if usual >= 0.0 else "before"
    words = (
        f"Goes {decimal(abs(usual), 2)}{NBSP}s {side} the incoming runner crosses the mark"
        if float(decimal(abs(usual), 2))
        else "Goes as the incoming runner crosses the mark"
    )
    if spread is None:
        return f"{words}."
    return f"{words}; from rep to rep {decimal(spread, 2)}{NBSP}s earlier or later."


def _incoming_lines(told: LakeRow | None) -> Iterable[Child]:
    if told is None or not told["reps_in"]:
        return
    yield (
        f"Brings {decimal(told['v_in_entry_mps'], 1)}{NBSP}m/s into the zone; from rep to rep "
        f"{decimal(told['v_in_spread_mps'], 1)}{NBSP}m/s more or less."
    )
    fade = row_estimate(told, "fade_mps2", "fade_sd_mps2")
    if fade is None or not stands_out(fade):
        yield "Whether the speed fades inside the zone is not known yet."
    else:
        way = "Loses" if fade.value < 0.0 else "Gains"
        yield f"{way} {decimal(abs(fade.value), 1)}{NBSP}m/s each second inside the zone."


def _partner_words(word: str, role: str, rows: Sequence[LakeRow]) -> Iterable[Child]:
    """With whom, and how often; all takeovers, passed or not."""
    if not rows:
        return
    partners = Counter(row[role] for row in rows)
    parts: list[Child] = []
    for name, number in sorted(partners.items(), key=lambda one: (-one[1], one[0])):
        parts += [", " if parts else "", outside_name(name), f" ({number})"]
    passed = sum(row["outcome"] == "passed" for row in rows)
    yield joined(f"Baton {word} ", *parts, f"; {passed} of {len(rows)} passed.")


def _fault_words(role: str, rows: Sequence[LakeRow]) -> Iterable[Child]:
    """What went wrong on this runner's side, and how often."""
    faults = Counter(text for row in rows for text in row["faults"] if text in _FAULTS_OF[role])
    if faults:
        told = ", ".join(f"{text} ({number})" for text, number in faults.most_common())
        yield f"What went wrong, in {count(len(rows), 'takeover')}: {told}."


def _cost_of(
    causes: Sequence[LakeRow], role: str, runner: str, kinds: Sequence[str]
) -> Iterable[Child]:
    """What costs most of all this runner answers for, and what to practise."""
    own = [row for row in causes if row[role] == runner and row["cause"] in kinds]
    found = find_costliest(own)
    if found is not None:
        yield element("b", {}, found.words)
    elif own:
        yield "Nothing on this side costs enough to tell."


# --- marks, trends, numbers ---------------------------------------------------------------------


def _marks_part(event: str, marks: Sequence[LakeRow], *, with_caution: bool) -> Iterable[Child]:
    if not marks:
        return
    by_mark = is_blind(event)
    ordered = sorted(marks, key=lambda row: (-row["reps_pair"], row["incoming"]))
    shared = [
        text for text in ordered[0]["remarks"] if all(text in row["remarks"] for row in ordered)
    ]
    yield element("h3", {}, "Marks" if by_mark else "When to go")
    if with_caution:
        yield element("p", {"class": "caution"}, CAUTION)
    yield paragraph(
        "The tape, before the back line:"
        if by_mark
        else "Go when the incoming runner is so far before the back line:"
    )
    lines = [_mark_line(row, shared) for row in ordered]
    yield element("ul", {"class": "own-marks"}, *lines)
    if shared:
        of_all = "All of them" if len(ordered) > 1 else "It"
        yield paragraph(f"{of_all}: ", outside_name("; ".join(shared)), ".")


def _mark_line(row: LakeRow, shared: Sequence[str]) -> ET.Element:
    """The mark with one incoming runner, where to stand, and how far to trust it."""
    stand_m = row["outgoing_start_m"]
    stand = f"stand {decimal(stand_m, 1)}{NBSP}m past it" if stand_m else "stand on it"
    tried = row["reps_pair"]
    told = [text for text in row["remarks"] if text not in shared]
    return element(
        "li",
        {},
        "from ",
        outside_name(row["incoming"]),
        ": ",
        element("b", {}, mark_words(row["mark_m"], foot_length_m(row))),
        f", {stand}; in the zone {chance_in_words(row['p_in_zone'])}, "
        f"{f'{tried} together' if tried else 'never tried'}",
        element("small", {}, "; ", outside_name("; ".join(told))) if told else None,
    )


def _trends_part(told: LakeRow | None, own: Sequence[LakeRow]) -> Iterable[Child]:
    """Trends in words; nothing is said over the weeks of one day."""
    if told is None or not own:
        return
    days = {takeover_day(row) for row in own}
    if len(days) < 2:
        yield paragraph("All on one day so far: no trend can be told.")
        return
    known = [
        (kind, change)
        for kind in (*RECEIVER_TRENDS, *INCOMING_TRENDS)
        if (change := kind.estimate("runners", told)) is not None
    ]
    yield element("h3", {}, "From day to day")
    clear = [_trend_item(kind, change) for kind, change in known if stands_out(change)]
    yield bullet_list(clear) or paragraph(
        f"{count(len(days), 'day')}: no change stands out of its error yet."
    )


def _trend_item(kind: TrendWords, change: Estimate) -> str:
    return f"{capitalised(kind.a_week(change))}."


_SHEET_NUMBERS = (  # column, words, and the column that counts the reps on which it rests
    ("lag_s", "start against the mark, s", "reps_out"),
    ("t20_s", "first 20 m, s", "reps_out"),
    ("v_max_mps", "speed towards which the start runs, m/s", "reps_out"),
    ("v_in_entry_mps", "speed brought in, m/s", "reps_in"),
    ("fade_mps2", "change of it each second, m/s²", "reps_in"),
)


def _numbers_part(told: LakeRow | None) -> ET.Element | None:
    if told is None:
        return None
    known = [
        (words, row_estimate(told, name, schema.sd_column("runners", name)))
        for name, words, counted in _SHEET_NUMBERS
        if told[counted]
    ]
    rows = [table_row([words], [with_error(one, 2)]) for words, one in known if one]
    if not rows:
        return None
    caption = f"± is one standard error; a change is clear beyond {CLEAR_SDS:g} of them."
    table = html_table("own-numbers", ("what", "average rep"), rows, caption)
    return on_demand("The numbers, and how sure they are", table)
