"""The season's page: its evenings, what changed, what is still open, and the way to all others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from xml.etree import ElementTree as ET

from pipeline.base.relays import is_blind
from pipeline.base.words import CAUTION, count, number_in_words
from pipeline.show.file_names import PageLinks
from pipeline.show.markup import Child, element, outside_name
from pipeline.show.page import calendar_part, matrix_part, takeover_list, trend_lines
from pipeline.show.page.calendar_part import Evening
from pipeline.show.page.frame import whole_page
from pipeline.show.page.matrix_part import PairLink
from pipeline.show.page.sheet_lines import (
    DecisionRows,
    bullet_list,
    events_in_order,
    joined,
    linked,
    names_in_order,
    not_worked_out,
    notes_line,
    on_demand,
    pair_names,
    paragraph,
    titled_section,
)
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import (
    CLEAR_SDS,
    NBSP,
    decimal,
    foot_length_m,
    mark_words,
    on_the_wall,
    tape_move_words,
)

SEASON_TABLES = ("marks", "progress", "runners", "verdicts", "orders", "validation")
_SEASON_READING = (
    "An evening's takeovers are all that were measured on its day; passed are those whose baton "
    "changed hands, inside the zone or not.",
    f"A change is said where it lies beyond {number_in_words(int(CLEAR_SDS))} standard errors. "
    "“Sure of the direction: 49 in 50” means that one such change in 50 is none, or the other way.",
    "What more practice is worth: how much less a takeover would lose, on the mean, if everything "
    "about the two runners were known.",
)
_MOST_TO_PRACTISE = 5
_WORTH_S = 0.01  # less is not worth an evening
_MOST_PAGES = 12  # links of a kind in sight
_MOST_IN_SIGHT = 8  # lines of a list; the others open on demand
_LEAST_MOVE_FEET = 0.5  # a tape is laid to half a foot-length
_LEAST_MOVE_M = 0.1  # where the foot-length is not known


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
    title = "The season" if not evenings else f"The season: {_season_span(evenings)}"
    return whole_page(
        title,
        _season_lead(evenings, takeovers),
        parts,
        about=about,
        remarks=remarks,
        reading=_SEASON_READING,
    )


def _season_span(evenings: Sequence[Evening]) -> str:
    ends = dict.fromkeys(one.day.isoformat() for one in (evenings[0], evenings[-1]))
    return " to ".join(ends)


def _season_lead(evenings: Sequence[Evening], takeovers: Sequence[LakeRow]) -> str:
    if not evenings:
        return "No takeover was found in any session."
    passed = sum(row["outcome"] == "passed" for row in takeovers)
    runners = {row[role] for row in takeovers for role in ("incoming", "outgoing")}
    return (
        f"{', '.join(events_in_order(takeovers))}; {count(len(evenings), 'evening')}, "
        f"{count(len(runners), 'runner')}, {count(len(takeovers), 'takeover')}, {passed} passed."
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
        "Evenings",
        calendar_part.season_calendar(evenings, links.session),
        paragraph("Without a takeover: ", *names_in_order(idle), ".") if idle else None,
        notes_line(calendar_part.COSTS_MEANING),
        not_worked_out("verdicts") if decisions["verdicts"] is None else None,
    )


# --- what changed -------------------------------------------------------------------------------


def _changes_section(decisions: DecisionRows, time_zone: str | None) -> ET.Element:
    """What changed, and marks that were moved, on days by the clocks of `time_zone`."""

    progress, runners = decisions["progress"], decisions["runners"]
    feet = _foot_lengths(decisions["marks"] or ())
    changed = [
        joined(*pair_names(row["incoming"], row["outgoing"]), f", {row['event']}: {words}")
        for row in _shorter_relays_first(progress)
        for words in trend_lines.clear_trends("progress", row, trend_lines.PAIR_TRENDS)
    ]
    kinds = (*trend_lines.RECEIVER_TRENDS, *trend_lines.INCOMING_TRENDS)
    changed += [
        joined(outside_name(row["runner"]), f", {row['event']}: {words}")
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
        "What changed",
        bullet_list(changed)
        or (paragraph("No change stands out of its error yet.") if there else None),
        element("h3", {}, "Marks moved, and what came of it") if any(moved.values()) else None,
        bullet_list(moved[True]),
        on_demand(
            f"{count(len(moved[False]), 'move')} of which nothing stands out yet",
            bullet_list(moved[False]),
        )
        if moved[False]
        else None,
        not_worked_out("progress") if progress is None else None,
    )


def _moved_mark_line(
    row: LakeRow, foot_m: float | None, came: Sequence[str], time_zone: str | None
) -> ET.Element:
    since = row["mark_since_utc"]
    when = "" if since is None else f" since {on_the_wall(since, time_zone):%Y-%m-%d}"
    words = (
        f", {row['event']}: {mark_words(row['mark_m'], foot_m)}{when}, "
        f"{count(row['reps_since_move'], 'takeover')} on it"
    )
    return joined(*pair_names(row["incoming"], row["outgoing"]), "; ".join((words, *came)))


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
        ("Tapes to move", moves),
        ("Most worth practising", [_worth_line(row) for row in worth]),
        ("Pairs never tried", _untried_lines(marks or (), advised)),
        ("Takeovers without an answer", _unanswered_lines(takeovers, verdicts, links)),
    ):
        if items:
            more = items[_MOST_IN_SIGHT:]
            parts += [element("h3", {}, head), bullet_list(items[:_MOST_IN_SIGHT])]
            parts += [on_demand(f"{len(more)} more", bullet_list(more))] if more else []
    if not parts and marks is not None:
        parts.append(paragraph("Nothing that the tables could tell."))
    return titled_section(
        "open",
        "What is still open",
        element("p", {"class": "caution"}, CAUTION) if moves or worth else None,
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
    move = tape_move_words(row["mark_m"] - used_m, foot_m)
    stand_m = row["outgoing_start_m"]
    stand = f", the receiver {decimal(stand_m, 1)}{NBSP}m past the back line" if stand_m else ""
    return joined(
        *pair_names(row["incoming"], row["outgoing"]),
        f", {row['event']}: {move}, from {mark_words(used_m, foot_m)} to "
        f"{mark_words(row['mark_m'], foot_m)}{stand}",
    )


def _worth_line(row: LakeRow) -> ET.Element:
    tried = row["reps_pair"]
    return joined(
        *pair_names(row["incoming"], row["outgoing"]),
        f", {row['event']}: worth up to {decimal(row['practice_gain_s'], 2)}{NBSP}s a takeover "
        f"({f'{tried} together' if tried else 'never tried'})",
    )


def _untried_lines(marks: Sequence[LakeRow], advised: Sequence[LakeRow]) -> list[Child]:
    return [
        joined(f"{event}: ", *names)
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
        (row, untold)
        for row in verdicts or ()
        if (untold := bool(row["lost_s"] is None))
        or (row["main_cause"] is None and row["lost_s"] > CLEAR_SDS * (row["lost_sd_s"] or 0.0))
    ]
    open_ones = [one for one in open_ones if (one[0]["session"], one[0]["exchange"]) in when]
    open_ones.sort(key=lambda one: when[one[0]["session"], one[0]["exchange"]])
    for session, group in groupby(open_ones, key=lambda one: one[0]["session"]):
        own = list(group)
        where = links.session(session)
        parts: list[Child] = []
        for kind, words in (
            (True, "what was lost cannot be told of "),
            (False, "time was lost and no cause stands out in "),
        ):
            numbers = [row["exchange"] for row, untold in own if untold is kind]
            if numbers:
                parts += ["; " if parts else ": ", words, *_takeover_links(session, numbers, where)]

        lines.append(joined(linked(where, outside_name(session)), *parts))
    return lines


def _takeover_links(session: str, numbers: Sequence[int], where: str | None) -> list[Child]:
    """Takeovers by number, each with a link to its own part of the session's page."""
    parts: list[Child] = [f"takeover{'' if len(numbers) == 1 else 's'} "]
    for index, number in enumerate(numbers):
        place = None if where is None else f"{where}#{takeover_list.anchor_of(session, number)}"
        parts += [", " if index else "", linked(place, str(number))]
    return parts


# --- pairs, belief, pages -----------------------------------------------------------------------


def _matrices_section(
    takeovers: Sequence[LakeRow], decisions: DecisionRows, link: PairLink
) -> ET.Element:
    marks, progress = decisions["marks"], decisions["progress"]
    parts: list[Child] = []
    for event in events_in_order((*takeovers, *(marks or ()))):
        parts.append(element("h3", {}, event))
        found = matrix_part.pair_matrix(marks or (), progress or (), event, link)
        parts.append(found or paragraph("No mark is worked out for this relay."))
    return titled_section(
        "pairs", "The pairs", *parts, not_worked_out("marks") if marks is None else None
    )


def _belief_section(validation: Sequence[LakeRow] | None, links: PageLinks) -> ET.Element | None:
    """What was held out and what it says; None where nothing was."""
    told = [row for row in validation or () if row["gate"] is None and row["conclusion"]]
    if not told:
        return None
    picture = links.picture("validation.png")
    return titled_section(
        "belief",
        "How far to believe it",
        paragraph("What films, gates and stopwatches saw, against what was measured without them:"),
        bullet_list(outside_name(row["conclusion"]) for row in told),
        paragraph(element("a", {"href": picture}, "The figure of all observations"))
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
        ("Running orders", [(links.order(one), [outside_name(one)]) for one in events]),
        (
            "Races",
            [
                (links.race(session, race), [outside_name(race), ", ", outside_name(session)])
                for session, race in races
            ],
        ),
        (
            "Runners, each to hand out",
            [(links.runner(one), [outside_name(one)]) for one in runners],
        ),
        ("Pairs", [(links.pair(*one), pair_names(*one)) for one in pairs]),
    ):
        there = [(where, words) for where, words in found if where is not None]
        if there:
            items = [element("li", {}, linked(where, *words)) for where, words in there]
            listed = element("ul", {"class": "pages"}, *items)
            if len(there) > _MOST_PAGES:
                lists.append(on_demand(f"{head}: {len(there)}", listed))
            else:
                lists += [element("h3", {}, head), listed]
    return titled_section("pages", "Other pages", *lists) if lists else None


def _foot_lengths(marks: Sequence[LakeRow]) -> dict[tuple[str, str, str], float | None]:
    return {_pairing(row): foot_length_m(row) for row in marks if row["advised"]}


def _pairing(row: LakeRow) -> tuple[str, str, str]:
    return row["incoming"], row["outgoing"], row["event"]


def _shorter_relays_first(rows: Sequence[LakeRow] | None) -> list[LakeRow]:
    """The rows of a table, the shorter relays first."""
    events = {event: place for place, event in enumerate(events_in_order(rows or ()))}
    return sorted(rows or (), key=lambda row: events[row["event"]])
