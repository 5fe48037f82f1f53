"""The season's page: its evenings, what changed, what is still open, and the way to all others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, time
from itertools import groupby
from xml.etree import ElementTree as ET

from pipeline.base.relays import is_blind
from pipeline.language.numbers import day_words
from pipeline.language.phrases import phrase, phrase_around, phrase_count
from pipeline.show.file_names import PageLinks
from pipeline.show.markup import Child, element, outside_name
from pipeline.show.page import calendar_part, matrix_part, takeover_list, trend_lines
from pipeline.show.page.calendar_part import Evening
from pipeline.show.page.frame import whole_page
from pipeline.show.page.matrix_part import PairLink
from pipeline.show.page.sheet_lines import (
    DecisionRows,
    bullet_list,
    caution_line,
    colon,
    events_in_order,
    joined,
    linked,
    names_in_order,
    not_worked_out,
    notes_line,
    on_demand,
    pair_names,
    paragraph,
    quantity,
    semicolon,
    table_sentence,
    takeovers_passed,
    titled_section,
)
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import (
    CLEAR_SDS,
    day_range,
    foot_length_m,
    joined_parts,
    mark_words,
    odds_words,
    on_the_wall,
    small_number_words,
    tape_move_words,
    with_head,
)

SEASON_TABLES = ("marks", "progress", "runners", "verdicts", "orders", "validation")
_MOST_TO_PRACTISE = 5
_WORTH_S = 0.01  # less is not worth an evening
_MOST_PAGES = 12  # links of a kind in sight
_MOST_IN_SIGHT = 8  # lines of a list; the others open on demand
_LEAST_MOVE_FEET = 0.5  # a tape is laid to half a foot-length
_LEAST_MOVE_M = 0.1  # where the foot-length is not known


def _season_reading() -> tuple[str, ...]:
    return (
        phrase(
            "An evening's takeovers are all that were measured on its day; passed are those whose "
            "baton changed hands, inside the zone or not."
        ),
        phrase(
            "A change is said where it lies beyond {errors} standard errors. “Sure of the "
            "direction: {chance}” means that one such change in 50 is none, or the other way.",
            errors=small_number_words(int(CLEAR_SDS)),
            chance=odds_words(0.98),
        ),
        phrase(
            "What more practice is worth: how much less a takeover would lose, on the mean, if "
            "everything about the two runners were known."
        ),
    )


def season_page(
    takeovers: Sequence[LakeRow],
    sessions: Sequence[str],
    decisions: DecisionRows,
    *,
    races: Sequence[tuple[str, str]],
    links: PageLinks,
    link: PairLink,
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
) -> str:
    """The season's page as HTML text.

    `takeovers` are the rows of `exchanges`, `sessions` the ids of all sessions, `races` the session
    and the id of each race, `decisions` the rows of `SEASON_TABLES`; `links` lead to the pages
    beside this one, `link` to a pair's in an event.
    """
    lost = {(row["session"], row["exchange"]): row["lost_s"] for row in decisions["verdicts"] or ()}
    evenings = calendar_part.gather_evenings(takeovers, lost)
    parts: list[Child] = [
        _evenings_section(evenings, takeovers, sessions, decisions, links),
        _changes_section(decisions, next((row["time_zone"] for row in takeovers), None)),
        _open_section(takeovers, decisions, links),
        _matrices_section(takeovers, decisions, link),
        _belief_section(decisions["validation"], links),
        _pages_section(takeovers, decisions, races, links),
    ]
    title = (
        phrase("The season: {days}", days=_season_span(evenings))
        if evenings
        else phrase("The season")
    )
    return whole_page(
        title,
        _season_lead(evenings, takeovers),
        parts,
        about=about,
        remarks=remarks,
        reading=_season_reading(),
    )


def _season_span(evenings: Sequence[Evening]) -> str:
    first, last = (datetime.combine(evenings[k].day, time()) for k in (0, -1))
    return day_range(first, last)


def _season_lead(evenings: Sequence[Evening], takeovers: Sequence[LakeRow]) -> str:
    if not evenings:
        return phrase("No takeover was found in any session.")
    passed = sum(row["outcome"] == "passed" for row in takeovers)
    runners = {row[role] for row in takeovers for role in ("incoming", "outgoing")}
    return phrase(
        "{events}; {evenings}, {runners}, {takeovers}.",
        events=", ".join(events_in_order(takeovers)),
        evenings=phrase_count("{count} evening", "{count} evenings", len(evenings)),
        runners=phrase_count("{count} runner", "{count} runners", len(runners)),
        takeovers=takeovers_passed(len(takeovers), passed),
    )


# --- evenings -----------------------------------------------------------------------------------


def _evenings_section(
    evenings: Sequence[Evening],
    takeovers: Sequence[LakeRow],
    sessions: Sequence[str],
    decisions: DecisionRows,
    links: PageLinks,
) -> ET.Element:
    ran = {row["session"] for row in takeovers}
    idle = [one for one in sessions if one not in ran]
    return titled_section(
        "evenings",
        phrase("Evenings"),
        calendar_part.season_calendar(evenings, links.session),
        paragraph(
            *phrase_around(
                "Without a takeover: {sessions}.", sessions=joined(*names_in_order(idle))
            )
        )
        if idle
        else None,
        notes_line(calendar_part.costs_meaning()),
        not_worked_out("verdicts") if decisions["verdicts"] is None else None,
    )


# --- what changed -------------------------------------------------------------------------------


def _changes_section(decisions: DecisionRows, time_zone: str | None) -> ET.Element:
    """What changed, and marks that were moved, on days by the clocks of `time_zone`."""

    progress, runners = decisions["progress"], decisions["runners"]
    feet = _foot_lengths(decisions["marks"] or ())
    changed = [
        _pair_line(row, words)
        for row in _shorter_relays_first(progress)
        for words in trend_lines.clear_trends("progress", row, trend_lines.PAIR_TRENDS)
    ]
    kinds = (*trend_lines.RECEIVER_TRENDS, *trend_lines.INCOMING_TRENDS)
    changed += [
        joined(
            *phrase_around(
                "{runner}, {event}: {words}",
                runner=outside_name(row["runner"]),
                event=row["event"],
                words=words,
            )
        )
        for row in _shorter_relays_first(runners)
        for words in trend_lines.clear_trends("runners", row, kinds)
    ]
    moved: dict[bool, list[Child]] = {True: [], False: []}
    for row in _shorter_relays_first(progress):
        if row["reps_since_move"] is None or row["mark_m"] is None:
            continue
        came = trend_lines.since_the_move(row)
        line = _moved_mark_line(row, feet.get(_pairing(row)), came, time_zone)
        moved[bool(came)].append(line)
    there = progress is not None or runners is not None
    return titled_section(
        "changes",
        phrase("What changed"),
        bullet_list(changed)
        or (paragraph(phrase("No change stands out of its error yet.")) if there else None),
        element("h3", {}, phrase("Marks moved, and what came of it"))
        if any(moved.values())
        else None,
        bullet_list(moved[True]),
        on_demand(
            phrase_count(
                "{count} move of which nothing stands out yet",
                "{count} moves of which nothing stands out yet",
                len(moved[False]),
            ),
            bullet_list(moved[False]),
        )
        if moved[False]
        else None,
        not_worked_out("progress") if progress is None else None,
    )


def _moved_mark_line(
    row: LakeRow, foot_m: float | None, came: Sequence[str], time_zone: str | None
) -> ET.Element:
    since, mark = row["mark_since_utc"], mark_words(row["mark_m"], foot_m)
    on_it = phrase_count(
        "{count} takeover on it", "{count} takeovers on it", row["reps_since_move"]
    )
    if since is None:
        words = phrase("{mark}, {takeovers}", mark=mark, takeovers=on_it)
    else:
        day = day_words(on_the_wall(since, time_zone).date())
        words = phrase("{mark} since {day}, {takeovers}", mark=mark, day=day, takeovers=on_it)
    return _pair_line(row, joined_parts((words, *came)))


def _pair_line(row: LakeRow, words: str) -> ET.Element:
    """What is said of a pair in a relay."""
    return joined(
        *phrase_around(
            "{incoming} to {outgoing}, {event}: {words}",
            incoming=outside_name(row["incoming"]),
            outgoing=outside_name(row["outgoing"]),
            event=row["event"],
            words=words,
        )
    )


# --- what is open -------------------------------------------------------------------------------


def _open_section(
    takeovers: Sequence[LakeRow], decisions: DecisionRows, links: PageLinks
) -> ET.Element:
    marks, verdicts = decisions["marks"], decisions["verdicts"]
    advised = [row for row in _shorter_relays_first(marks) if row["advised"]]
    in_use = {_pairing(row): row["mark_m"] for row in decisions["progress"] or ()}
    moves = _move_lines(advised, in_use)

    worth = sorted(
        (row for row in advised if (row["practice_gain_s"] or 0.0) >= _WORTH_S),
        key=lambda row: -row["practice_gain_s"],
    )[:_MOST_TO_PRACTISE]
    parts: list[Child] = []
    for head, items in (
        (phrase("Tapes to move"), moves),
        (phrase("Most worth practising"), [_worth_line(row) for row in worth]),
        (phrase("Pairs never tried"), _untried_lines(marks or (), advised)),
        (phrase("Takeovers without an answer"), _unanswered_lines(takeovers, verdicts, links)),
    ):
        if items:
            more = items[_MOST_IN_SIGHT:]
            parts += [element("h3", {}, head), bullet_list(items[:_MOST_IN_SIGHT])]
            rest = phrase("{more} more", more=len(more))
            parts += [on_demand(rest, bullet_list(more))] if more else []
    if not parts and marks is not None:
        parts.append(paragraph(phrase("Nothing that the tables could tell.")))
    return titled_section(
        "open",
        phrase("What is still open"),
        caution_line() if moves or worth else None,
        *parts,
        not_worked_out("marks") if marks is None else None,
        not_worked_out("verdicts") if verdicts is None else None,
    )


def _move_lines(
    advised: Sequence[LakeRow], in_use: Mapping[tuple[str, str, str], float | None]
) -> list[Child]:
    """How far each pair's tape is from the mark advised, the farthest first; none where it is
    right, or where there is no tape."""
    found = [
        (row, used_m)
        for row in advised
        if is_blind(row["event"])
        and (used_m := in_use.get(_pairing(row))) is not None
        and abs(row["mark_m"] - used_m) >= _least_move_m(foot_length_m(row))
    ]
    found.sort(key=lambda one: -abs(one[0]["mark_m"] - one[1]))
    return [_move_line(row, used_m) for row, used_m in found]


def _least_move_m(foot_m: float | None) -> float:
    return _LEAST_MOVE_FEET * foot_m if foot_m else _LEAST_MOVE_M


def _move_line(row: LakeRow, used_m: float) -> ET.Element:
    foot_m = foot_length_m(row)
    stand_m = row["outgoing_start_m"]
    given = {
        "move": tape_move_words(row["mark_m"] - used_m, foot_m),
        "used": mark_words(used_m, foot_m),
        "mark": mark_words(row["mark_m"], foot_m),
    }
    if not stand_m:
        return _pair_line(row, phrase("{move}, from {used} to {mark}", **given))
    return _pair_line(
        row,
        phrase(
            "{move}, from {used} to {mark}, the receiver {stand} past the back line",
            **given,
            stand=quantity(stand_m, 1, "m"),
        ),
    )


def _worth_line(row: LakeRow) -> ET.Element:
    tried, gain = row["reps_pair"], quantity(row["practice_gain_s"], 2, "s")
    return _pair_line(
        row,
        phrase("worth up to {gain} a takeover ({times} together)", gain=gain, times=tried)
        if tried
        else phrase("worth up to {gain} a takeover (never tried)", gain=gain),
    )


def _untried_lines(marks: Sequence[LakeRow], advised: Sequence[LakeRow]) -> list[Child]:
    return [
        joined(event, colon(), *names)
        for event in events_in_order(advised)
        if (names := matrix_part.untried_pairs(marks, event))
    ]


def _unanswered_lines(
    takeovers: Sequence[LakeRow], verdicts: Sequence[LakeRow] | None, links: PageLinks
) -> list[Child]:
    """By session: takeovers of which the loss cannot be told, and clear losses without a cause."""
    lines: list[Child] = []
    when = {(row["session"], row["exchange"]): row["zero_utc"] for row in takeovers}
    open_ones = [
        (row, is_untold)
        for row in verdicts or ()
        if (is_untold := bool(row["lost_s"] is None))
        or (row["main_cause"] is None and row["lost_s"] > CLEAR_SDS * (row["lost_sd_s"] or 0.0))
    ]
    open_ones = [one for one in open_ones if (one[0]["session"], one[0]["exchange"]) in when]
    open_ones.sort(key=lambda one: when[one[0]["session"], one[0]["exchange"]])
    for session, group in groupby(open_ones, key=lambda one: one[0]["session"]):
        own = list(group)
        where = links.session(session)
        parts: list[Child] = []
        untold = [row["exchange"] for row, is_untold in own if is_untold]
        if untold:
            links_there = _takeover_links(session, untold, where)
            parts += [colon()]
            parts += (
                phrase_around(
                    "what was lost cannot be told of takeover {takeovers}", takeovers=links_there
                )
                if len(untold) == 1
                else phrase_around(
                    "what was lost cannot be told of takeovers {takeovers}", takeovers=links_there
                )
            )
        uncaused = [row["exchange"] for row, is_untold in own if not is_untold]
        if uncaused:
            links_there = _takeover_links(session, uncaused, where)
            parts += [semicolon() if parts else colon()]
            parts += (
                phrase_around(
                    "time was lost and no cause stands out in takeover {takeovers}",
                    takeovers=links_there,
                )
                if len(uncaused) == 1
                else phrase_around(
                    "time was lost and no cause stands out in takeovers {takeovers}",
                    takeovers=links_there,
                )
            )
        lines.append(joined(linked(where, outside_name(session)), *parts))
    return lines


def _takeover_links(session: str, numbers: Sequence[int], where: str | None) -> ET.Element:
    """Takeovers by number, each with a link to its own part of the session's page."""
    parts: list[Child] = []
    for index, number in enumerate(numbers):
        place = None if where is None else f"{where}#{takeover_list.anchor_of(session, number)}"
        parts += [", " if index else "", linked(place, str(number))]
    return joined(*parts)


# --- pairs, belief, pages -----------------------------------------------------------------------


def _matrices_section(
    takeovers: Sequence[LakeRow], decisions: DecisionRows, link: PairLink
) -> ET.Element:
    marks, progress = decisions["marks"], decisions["progress"]
    parts: list[Child] = []
    for event in events_in_order((*takeovers, *(marks or ()))):
        parts.append(element("h3", {}, event))
        found = matrix_part.pair_matrix(marks or (), progress or (), event, link)
        parts.append(found or paragraph(phrase("No mark is worked out for this relay.")))
    missing = not_worked_out("marks") if marks is None else None
    return titled_section("pairs", phrase("The pairs"), *parts, missing)


def _belief_section(validation: Sequence[LakeRow] | None, links: PageLinks) -> ET.Element | None:
    """What was held out and what it says; None where nothing was."""
    told = [row for row in validation or () if row["gate"] is None and row["conclusion"]]
    if not told:
        return None
    picture = links.picture("validation.png")
    return titled_section(
        "belief",
        phrase("How far to believe it"),
        paragraph(
            phrase("What films, gates and stopwatches saw, against what was measured without them:")
        ),
        bullet_list(table_sentence(row["conclusion"]) for row in told),
        paragraph(element("a", {"href": picture}, phrase("The figure of all observations")))
        if picture
        else None,
    )


def _pages_section(
    takeovers: Sequence[LakeRow],
    decisions: DecisionRows,
    races: Sequence[tuple[str, str]],
    links: PageLinks,
) -> ET.Element | None:
    """The way to the pages that lie beside this one; None where there is none."""
    runners = sorted({row[role] for row in takeovers for role in ("incoming", "outgoing")})
    pairs = sorted({(row["incoming"], row["outgoing"]) for row in takeovers})
    events = events_in_order((*takeovers, *(decisions["orders"] or ())))
    lists: list[Child] = []
    for head, found in (
        (phrase("Running orders"), [(links.order(one), [outside_name(one)]) for one in events]),
        (
            phrase("Races"),
            [
                (links.race(session, race), [outside_name(race), ", ", outside_name(session)])
                for session, race in races
            ],
        ),
        (
            phrase("Runners, each to hand out"),
            [(links.runner(one), [outside_name(one)]) for one in runners],
        ),
        (phrase("Pairs"), [(links.pair(*one), pair_names(*one)) for one in pairs]),
    ):
        there = [(where, words) for where, words in found if where is not None]
        if there:
            items = [element("li", {}, linked(where, *words)) for where, words in there]
            listed = element("ul", {"class": "pages"}, *items)
            if len(there) > _MOST_PAGES:
                lists.append(on_demand(with_head(head, str(len(there))), listed))
            else:
                lists += [element("h3", {}, head), listed]
    return titled_section("pages", phrase("Other pages"), *lists) if lists else None


def _foot_lengths(marks: Sequence[LakeRow]) -> dict[tuple[str, str, str], float | None]:
    return {_pairing(row): foot_length_m(row) for row in marks if row["advised"]}


def _pairing(row: LakeRow) -> tuple[str, str, str]:
    return row["incoming"], row["outgoing"], row["event"]


def _shorter_relays_first(rows: Sequence[LakeRow] | None) -> list[LakeRow]:
    """The rows of a table, the shorter relays first."""
    events = {event: place for place, event in enumerate(events_in_order(rows or ()))}
    return sorted(rows or (), key=lambda row: events[row["event"]])
