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
from pipeline.base.words import capitalised
from pipeline.language.phrases import phrase, phrase_around, phrase_count, reworded
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
    caution_line,
    events_in_order,
    joined,
    not_worked_out,
    on_demand,
    paragraph,
    quantity,
    semicolon,
    stands_out,
    table_sentence,
    table_sentences,
    titled_section,
)
from pipeline.show.page.trend_lines import INCOMING_TRENDS, RECEIVER_TRENDS, Trend
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.show.wording import (
    CLEAR_SDS,
    day_range,
    foot_length_m,
    joined_parts,
    mark_words,
    odds_words,
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


def _runner_reading() -> tuple[str, ...]:
    return (
        phrase(
            "The receiver takes the baton, the incoming runner brings it. The start is the "
            "receiver's first movement against the moment when the incoming runner crosses the "
            "mark."
        ),
        phrase("From rep to rep: two reps in three lie within what is said."),
        phrase(
            "A mark is counted in the receiver's own foot-lengths, heel to toe, from the back line "
            "towards the incoming runner."
        ),
    )


def _sheet_privacy() -> str:
    return phrase(
        "This sheet is about one runner. Others are named only as partners, and none of their "
        "speeds is on it. It belongs to the runner and to those whom he or she shows it to."
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
                phrase("What this sheet lacks"),
                *(
                    element("div", {}, element("h3", {}, _table_title(name)), not_worked_out(name))
                    for name in missing
                ),
                None if sections else paragraph(phrase("Nothing is known of this runner.")),
            )
        )
    whose = titled_section("privacy", phrase("Whose this is"), paragraph(_sheet_privacy()))
    sections.append(whose)
    return whole_page(
        phrase("{runner}: takeovers", runner=plain_text(runner)),
        _runner_lead(runner, own),
        sections,
        about=about,
        remarks=remarks,
        reading=_runner_reading(),
    )


def _table_title(name: str) -> str:
    """What a table of decisions tells of a runner."""
    titles = {
        "runners": phrase("Starts and speeds"),
        "marks": phrase("Marks"),
        "causes": phrase("What costs time"),
    }
    return titles[name]


def _runner_lead(runner: str, own: Sequence[LakeRow]) -> str:
    if not own:
        return phrase("No takeover of this runner was measured.")
    receives = sum(row["outgoing"] == runner for row in own)
    brings = sum(row["incoming"] == runner for row in own)
    when = sorted(on_the_wall(row["zero_utc"], row["time_zone"]) for row in own)
    return phrase(
        "{events}; {receives} as receiver, {brings} as incoming runner; {days}.",
        events=", ".join(events_in_order(own)),
        receives=receives,
        brings=brings,
        days=day_range(when[0], when[-1]),
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
            phrase("As receiver"),
            _receiver_lines(event, told),
            _partner_words("incoming", receives),
            _fault_words("outgoing", receives),
            _cost_of(causes, "outgoing", runner, _OF_RECEIVER),
        ),
        _role_part(
            phrase("As incoming runner"),
            _incoming_lines(told),
            _partner_words("outgoing", brings),
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
            table_sentence(text)
            for text in (told["remarks"] if told is not None else ())
            if not text.startswith(_TOLD_ELSEWHERE)
        ),
    )


def _role_part(title: str, *lines: Iterable[Child]) -> ET.Element:
    found = [line for group in lines for line in group]
    listed = bullet_list(found) or paragraph(phrase("Not run yet."))
    return element("div", {}, element("h3", {}, title), listed)


# --- what is usual ------------------------------------------------------------------------------


def _receiver_lines(event: str, told: LakeRow | None) -> Iterable[Child]:
    if told is None or not told["reps_out"]:  # else the figures are the squad's
        return
    if told["lag_s"] is not None:
        yield _usual_start_words(told)
    elif not is_blind(event):
        yield phrase("Goes by sight: there is no start against a mark.")
    if told["t20_s"] is not None:
        yield phrase(
            "First 20 m: {time}; from rep to rep {spread} more or less.",
            time=quantity(told["t20_s"], 2, "s"),
            spread=quantity(told["t20_spread_s"], 2, "s"),
        )


def _usual_start_words(told: LakeRow) -> str:
    """The usual start and how it scatters: "goes 0.19 s before ..."."""
    usual, spread = told["lag_s"], told["lag_spread_s"]
    time = quantity(abs(usual), 2, "s")
    if not round(usual, 2):
        words = phrase("Goes as the incoming runner crosses the mark")
    elif usual > 0.0:
        words = phrase("Goes {time} after the incoming runner crosses the mark", time=time)
    else:
        words = phrase("Goes {time} before the incoming runner crosses the mark", time=time)
    if spread is None:
        return f"{words}."
    scatter = phrase("from rep to rep {spread} earlier or later", spread=quantity(spread, 2, "s"))
    return f"{joined_parts((words, scatter))}."


def _incoming_lines(told: LakeRow | None) -> Iterable[Child]:
    if told is None or not told["reps_in"]:
        return
    yield phrase(
        "Brings {speed} into the zone; from rep to rep {spread} more or less.",
        speed=quantity(told["v_in_entry_mps"], 1, "m/s"),
        spread=quantity(told["v_in_spread_mps"], 1, "m/s"),
    )
    fade = row_estimate(told, "fade_mps2", "fade_sd_mps2")
    if fade is None or not stands_out(fade):
        yield phrase("Whether the speed fades inside the zone is not known yet.")
        return
    change = quantity(abs(fade.value), 1, "m/s")
    if fade.value < 0.0:
        yield phrase("Loses {change} each second inside the zone.", change=change)
    else:
        yield phrase("Gains {change} each second inside the zone.", change=change)


def _partner_words(role: str, rows: Sequence[LakeRow]) -> Iterable[Child]:
    """With whom, and how often; all takeovers, passed or not."""
    if not rows:
        return
    partners = Counter(row[role] for row in rows)
    parts: list[Child] = []
    for name, number in sorted(partners.items(), key=lambda one: (-one[1], one[0])):
        parts += [", " if parts else "", outside_name(name), f" ({number})"]
    given: dict[str, Child] = {
        "partners": joined(*parts),
        "passed": str(sum(row["outcome"] == "passed" for row in rows)),
        "all": str(len(rows)),
    }
    yield joined(
        *(
            phrase_around("Baton from {partners}; {passed} of {all} passed.", **given)
            if role == "incoming"
            else phrase_around("Baton to {partners}; {passed} of {all} passed.", **given)
        )
    )


def _fault_words(role: str, rows: Sequence[LakeRow]) -> Iterable[Child]:
    """What went wrong on this runner's side, and how often."""
    faults = Counter(text for row in rows for text in row["faults"] if text in _FAULTS_OF[role])
    if faults:
        told = ", ".join(f"{reworded(text)} ({k})" for text, k in faults.most_common())
        yield phrase_count(
            "What went wrong, in {count} takeover: {faults}.",
            "What went wrong, in {count} takeovers: {faults}.",
            len(rows),
            faults=told,
        )


def _cost_of(
    causes: Sequence[LakeRow], role: str, runner: str, kinds: Sequence[str]
) -> Iterable[Child]:
    """What costs most of all this runner answers for, and what to practise."""
    own = [row for row in causes if row[role] == runner and row["cause"] in kinds]
    found = find_costliest(own)
    if found is not None:
        yield element("b", {}, reworded(found.words))
    elif own:
        yield phrase("Nothing on this side costs enough to tell.")


# --- marks, trends, numbers ---------------------------------------------------------------------


def _marks_part(event: str, marks: Sequence[LakeRow], *, with_caution: bool) -> Iterable[Child]:
    if not marks:
        return
    by_mark = is_blind(event)
    ordered = sorted(marks, key=lambda row: (-row["reps_pair"], row["incoming"]))
    shared = [
        text for text in ordered[0]["remarks"] if all(text in row["remarks"] for row in ordered)
    ]
    yield element("h3", {}, phrase("Marks") if by_mark else phrase("When to go"))
    if with_caution:
        yield caution_line()
    yield paragraph(
        phrase("The tape, before the back line:")
        if by_mark
        else phrase("Go when the incoming runner is so far before the back line:")
    )
    lines = [_mark_line(row, shared) for row in ordered]
    yield element("ul", {"class": "own-marks"}, *lines)
    if shared:
        told = table_sentences(shared)
        yield paragraph(
            *(
                phrase_around("All of them: {remarks}.", remarks=told)
                if len(ordered) > 1
                else phrase_around("It: {remarks}.", remarks=told)
            )
        )


def _mark_line(row: LakeRow, shared: Sequence[str]) -> ET.Element:
    """The mark with one incoming runner, where to stand, and how far to trust it."""
    stand_m, tried = row["outgoing_start_m"], row["reps_pair"]
    told = [text for text in row["remarks"] if text not in shared]
    place = phrase_around(
        "from {incoming}: {mark}",
        incoming=outside_name(row["incoming"]),
        mark=element("b", {}, mark_words(row["mark_m"], foot_length_m(row))),
    )
    stand = (
        phrase("stand {stand} past it", stand=quantity(stand_m, 1, "m"))
        if stand_m
        else phrase("stand on it")
    )
    trust = phrase("{times} together", times=tried) if tried else phrase("never tried")
    chance = phrase("in the zone {chance}", chance=odds_words(row["p_in_zone"]))
    return element(
        "li",
        {},
        *place,
        f", {joined_parts((stand, chance))}, {trust}",
        element("small", {}, semicolon(), table_sentences(told)) if told else None,
    )


def _trends_part(told: LakeRow | None, own: Sequence[LakeRow]) -> Iterable[Child]:
    """Trends in words; nothing is said over the weeks of one day."""
    if told is None or not own:
        return
    days = {takeover_day(row) for row in own}
    if len(days) < 2:
        yield paragraph(phrase("All on one day so far: no trend can be told."))
        return
    known = [
        (kind, change)
        for kind in (*RECEIVER_TRENDS, *INCOMING_TRENDS)
        if (change := kind.estimate("runners", told)) is not None
    ]
    yield element("h3", {}, phrase("From day to day"))
    clear = [_trend_item(kind, change) for kind, change in known if stands_out(change)]
    yield bullet_list(clear) or paragraph(
        phrase_count(
            "{count} day: no change stands out of its error yet.",
            "{count} days: no change stands out of its error yet.",
            len(days),
        )
    )


def _trend_item(kind: Trend, change: Estimate) -> str:
    return f"{capitalised(kind.sentence(change))}."


def _sheet_numbers() -> tuple[tuple[str, str, str], ...]:
    """Columns, how they are called, and the column that counts the reps on which each rests."""
    return (
        ("lag_s", phrase("start against the mark, s"), "reps_out"),
        ("t20_s", phrase("first 20 m, s"), "reps_out"),
        ("v_max_mps", phrase("speed towards which the start runs, m/s"), "reps_out"),
        ("v_in_entry_mps", phrase("speed brought in, m/s"), "reps_in"),
        ("fade_mps2", phrase("change of it each second, m/s²"), "reps_in"),
    )


def _numbers_part(told: LakeRow | None) -> ET.Element | None:
    if told is None:
        return None
    known = [
        (words, row_estimate(told, name, schema.sd_column("runners", name)))
        for name, words, counted in _sheet_numbers()
        if told[counted]
    ]
    rows = [table_row([words], [with_error(one, 2)]) for words, one in known if one]
    if not rows:
        return None
    caption = phrase(
        "± is one standard error; a change is clear beyond {errors:g} of them.", errors=CLEAR_SDS
    )
    table = html_table("own-numbers", (phrase("what"), phrase("average rep")), rows, caption)
    return on_demand(phrase("The numbers, and how sure they are"), table)
