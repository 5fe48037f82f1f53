"""What to do next, before anything else: where each pair's tape goes, and the takeovers that
deserve a look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from pipeline.base.relays import is_blind
from pipeline.base.words import in_feet_words
from pipeline.language.phrases import phrase, phrase_around
from pipeline.show.markup import Child, element, list_item, plain_text
from pipeline.show.page import takeover_list
from pipeline.show.page.pair_part import PairDecisions
from pipeline.show.page.sheet_lines import (
    colon,
    notes_line,
    pair_names,
    paragraph,
)
from pipeline.show.scenes import LakeRow, Scene, rank_scenes
from pipeline.show.wording import decimal, foot_length_m, mark_words, odds_words, tape_move_words

MOST_LOOKS = 3
SAME_PLACE_M = 0.25  # a stand nearer than this is the same; a tape, where no foot-length is known


def next_section(
    ordered: Sequence[Scene], known: Mapping[takeover_list.PairInEvent, PairDecisions]
) -> ET.Element | None:
    """The section; None without a takeover. `ordered` in time order, as the list has them."""
    if not ordered:
        return None
    moves = _move_items(ordered, known)
    parts: list[Child] = [
        element("h3", {}, phrase("Where the tape goes")),
        element("ul", {"class": "moves"}, *moves)
        if moves
        else paragraph(
            phrase("No marks are worked out yet: run {command}.", command="batontrace marks")
        ),
        element("h3", {}, phrase("What deserves a look")),
        *_looks(ordered),
    ]
    return element(
        "section",
        {"id": "next", "aria-labelledby": "next-head"},
        element("h2", {"id": "next-head"}, phrase("What to do next")),
        element("div", {"class": "next"}, *_two_columns(parts)),
    )


def _two_columns(parts: Sequence[Child]) -> list[Child]:
    return [element("div", {}, *parts[:2]), element("div", {}, *parts[2:])]


# --- the tape ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Move:
    """What to do with one pair's tape, in words; `stays` where nothing changes."""

    words: str
    stays: bool


def move_of_pair(
    progress: LakeRow | None, marks: Sequence[LakeRow], newest: LakeRow
) -> Move | None:
    """From the mark in use and the mark advised; None where no mark is advised.

    `progress` and `marks` are the pair's rows of these tables, `newest` its newest takeover's row
    of `exchanges`, which says where the receiver stood.
    """
    advised = next((row for row in marks if row["advised"]), None)
    if advised is None:
        return None
    foot_m = foot_length_m(advised)
    mark = mark_words(advised["mark_m"], foot_m)
    chance = odds_words(advised["p_in_zone"])
    if not is_blind(advised["event"]):
        words = phrase(
            "go when the incoming runner is {mark} before the back line; {chance} then pass in the "
            "zone.",
            mark=mark,
            chance=chance,
        )
        return Move(words, False)
    used_m = None if progress is None else progress["mark_m"]
    stand = _stand_words(advised, newest)
    if used_m is None:
        return Move(_lay_words(mark, stand, chance), False)
    by_m = advised["mark_m"] - used_m
    if foot_m:
        move, used = tape_move_words(by_m, foot_m), in_feet_words(used_m / foot_m)
    else:
        move = tape_move_words(by_m, None) if abs(by_m) >= SAME_PLACE_M else ""
        used = decimal(used_m, 2)
    if not move:
        return Move(_leave_words(mark, stand, chance), stays=not stand)
    given = {"move": move, "used": used, "mark": mark, "stand": stand, "chance": chance}
    words = (
        phrase(
            "tape {move}, from the {used} in use to {mark}, {stand}; {chance} then pass in the "
            "zone.",
            **given,
        )
        if stand
        else phrase(
            "tape {move}, from the {used} in use to {mark}; {chance} then pass in the zone.",
            **given,
        )
    )
    return Move(words, False)


def _lay_words(mark: str, stand: str, chance: str) -> str:
    given = {"mark": mark, "stand": stand, "chance": chance}
    if stand:
        return phrase("lay the tape at {mark}, {stand}; {chance} then pass in the zone.", **given)
    return phrase("lay the tape at {mark}; {chance} then pass in the zone.", **given)


def _leave_words(mark: str, stand: str, chance: str) -> str:
    given = {"mark": mark, "stand": stand, "chance": chance}
    if stand:
        return phrase("leave the tape at {mark}, {stand}; {chance} then pass in the zone.", **given)
    return phrase("leave the tape at {mark}; {chance} then pass in the zone.", **given)


def _stand_words(advised: LakeRow, newest: LakeRow) -> str:
    """Where the receiver stands, if that is elsewhere than the last time; else ""."""
    stood_m, stand_m = newest["outgoing_start_m"] or 0.0, advised["outgoing_start_m"]
    if abs(stand_m - stood_m) < SAME_PLACE_M:
        return ""
    if not round(stand_m, 1):
        return phrase("the receiver at the back line")
    return phrase("the receiver {stand} m past the back line", stand=decimal(stand_m, 1))


def _move_items(
    ordered: Sequence[Scene], known: Mapping[takeover_list.PairInEvent, PairDecisions]
) -> list[ET.Element]:
    newest = {takeover_list.pair_in_event(one): one.row for one in ordered}
    several = len({event for *_, event in newest}) > 1
    found = []
    for key, row in newest.items():
        own = known.get(key)
        move = None if own is None else move_of_pair(own.progress, own.marks, row)
        if move is None:
            continue
        incoming, outgoing, event = key
        who = element("b", {}, *pair_names(incoming, outgoing))
        given: dict[str, Child] = {
            "pair": who,
            "event": plain_text(event),
            "move": move.words,
        }
        item = (
            phrase_around("{pair}, {event}: {move}", **given)
            if several
            else phrase_around("{pair}: {move}", **given)
        )
        found.append((move.stays, event, list_item(*item)))
    return [item for _, _, item in sorted(found, key=lambda one: one[:2])]


# --- the takeovers -------------------------------------------------------------------------------


def _looks(ordered: Sequence[Scene]) -> list[Child]:
    """The few that deserve a look, what went wrong worst first; a sentence where there is none."""
    ranks = rank_scenes(ordered)
    worst = [
        (number, one)
        for _, number, one in sorted(
            (rank, number, one)
            for number, (rank, one) in enumerate(zip(ranks, ordered, strict=True), 1)
        )
        if takeover_list.deserves_look(one)
    ]
    judged = any(one.verdict for one in ordered)
    if not worst:
        words = phrase("Nothing went wrong that stands out of its error.")
        return [paragraph(words if judged else _unjudged())]
    items = [
        list_item(takeover_list.takeover_link(one, number), colon(), *takeover_list.finding(one))
        for number, one in worst[:MOST_LOOKS]
    ]
    more = len(worst) - len(items)
    rest = notes_line(phrase("{more} more stand in the list.", more=more)) if more > 0 else None
    unjudged = None if judged else paragraph(_unjudged())
    return [unjudged, element("ol", {"class": "looks"}, *items), rest]


def _unjudged() -> str:
    return phrase("No takeover is judged yet: run {command}.", command="batontrace causes")
