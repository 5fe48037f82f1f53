"""The page a coach reads: a session, or a pair over all sessions, as one HTML file from the tables.

The page needs no network and no other file: everything is in its source, figures included. It is
complete without its script, which adds the switches, the order of the list, and the values under
the finger. Style and script are the files page.css, print.css and page.js beside this module. The
language is that in force when the page is made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from pipeline.language.phrases import phrase, phrase_of
from pipeline.show.figures import overlays
from pipeline.show.figures.overlays import OverlayScales
from pipeline.show.markup import (
    Child,
    element,
    plain_text,
)
from pipeline.show.page import (
    causes_part,
    frame,
    matrix_part,
    multiples_part,
    next_part,
    other_parts,
    pair_part,
    recordings_part,
    sheet_lines,
    takeover_list,
    takeover_part,
)
from pipeline.show.page.pair_part import NO_DECISIONS, PairDecisions
from pipeline.show.request import pair_words
from pipeline.show.scenes import LakeRow, Scene, order_by_time
from pipeline.show.wording import day_range, joined_parts, zone_words

Pairing = takeover_list.PairInEvent
Sightings = Mapping[tuple[str, int], Sequence[LakeRow]]  # of `observations`, by session, exchange
NOTHING_SEEN: Sightings = {}


@dataclass(frozen=True, eq=False)
class Squad:
    """All rows of the tables `marks` and `progress`, of every pair."""

    marks: Sequence[LakeRow] = ()
    progress: Sequence[LakeRow] = ()


NO_SQUAD = Squad()


def session_page(
    session_id: str,
    takeovers: Sequence[Scene],
    *,
    known: Mapping[Pairing, PairDecisions],
    recordings: Sequence[LakeRow],
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
    seen: Sightings = NOTHING_SEEN,
    legs: Sequence[LakeRow] = (),
    exercises: Sequence[LakeRow] = (),
    squad: Squad = NO_SQUAD,
    see_also: frame.SeeAlso = (),
) -> str:
    """The page of one session as HTML text, to be stored as UTF-8.

    `takeovers` may be empty. `recordings` are the session's rows of that table, `seen`, `legs` and
    `exercises` those of `observations` and of the tables so called, `squad` all rows of `marks` and
    `progress`. `remarks` say what was left out. `about` says what the page rests on, and is printed
    at its end. `see_also` are other pages.
    """
    ordered = order_by_time(takeovers)
    scales = _common_scales(ordered)
    parts: list[Child] = [
        next_part.next_section(ordered, known),
        _list_section(ordered, known, with_dates=False),
        multiples_part.multiples_section(ordered, scales),
        _side_by_side(
            causes_part.causes_section(
                ordered, [row for own in known.values() for row in own.causes]
            ),
            _matrix_section(ordered, squad),
        ),
        other_parts.races_section(legs),
        _pairs_section(ordered, known, scales),
        _takeovers_section(ordered, known, scales, seen, with_dates=False),
        other_parts.exercises_section(exercises, _time_zone(ordered)),
        recordings_part.recordings_section(recordings),
    ]
    title = phrase("Takeovers, {session}", session=plain_text(session_id))
    return frame.whole_page(
        title, _lead_sentence(ordered), parts, about=about, remarks=remarks,
        has_views=bool(ordered), settings_after=2, see_also=see_also,
    )  # fmt: skip


def pair_page(
    takeovers: Sequence[Scene],
    *,
    known: Mapping[Pairing, PairDecisions],
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
    seen: Sightings = NOTHING_SEEN,
    see_also: frame.SeeAlso = (),
) -> str:
    """The page of one pair, in one event or several, as HTML text.

    The arguments are those of `session_page`. Raises ValueError where there is no takeover.
    """
    if not takeovers:
        raise ValueError("a pair's page needs a takeover")
    ordered = order_by_time(takeovers)
    scales = _common_scales(ordered)
    parts: list[Child] = [
        next_part.next_section(ordered, known),
        _list_section(ordered, known, with_dates=True),
        multiples_part.multiples_section(ordered, scales),
    ]
    places = _list_numbers(ordered)
    for key, several in _by_pairing(ordered):
        own = known.get(key, NO_DECISIONS)
        axes = scales[takeover_list.alike(several[0])]
        parts.append(
            pair_part.pair_article(several, own, places, axes, heading="h2", with_history=True)
        )
    parts.append(_takeovers_section(ordered, known, scales, seen, with_dates=True))
    return frame.whole_page(
        pair_words(ordered[0].pair), _lead_sentence(ordered), parts, about=about, remarks=remarks,
        has_views=True, settings_after=2, see_also=see_also,
    )  # fmt: skip


# --- parts --------------------------------------------------------------------------------------


def _by_pairing(ordered: Sequence[Scene]) -> list[tuple[Pairing, list[Scene]]]:
    """Groups that can be compared: takeovers of one pair, in one event, in zones of one length."""
    found: dict[tuple[Pairing, float], list[Scene]] = {}
    for one in ordered:
        found.setdefault((takeover_list.pair_in_event(one), one.zone_m), []).append(one)
    return [(key, several) for (key, _), several in found.items()]


def _list_numbers(ordered: Sequence[Scene]) -> dict[str, int]:
    """Each takeover's number in the list, by its anchor."""
    return {takeover_list.anchor(one): number for number, one in enumerate(ordered, start=1)}


def _lead_sentence(ordered: Sequence[Scene]) -> str:
    if not ordered:
        return phrase("No takeover was found in this session.")
    sessions = dict.fromkeys(one.row["session"] for one in ordered)
    events = ", ".join(dict.fromkeys(one.row["event"] for one in ordered))
    passed = sum(one.passed for one in ordered)
    clocks = [one.clock for one in ordered]
    words = [
        day_range(clocks[0], clocks[-1]),
        events,
        sheet_lines.takeovers_passed(len(ordered), passed),
    ]
    if len(sessions) > 1:
        words.append(phrase("{sessions} sessions", sessions=len(sessions)))
    zones = dict.fromkeys((one.row["zone"], one.row["lane"]) for one in ordered)
    if len(zones) == 1:
        zone, lane = next(iter(zones))
        words.append(phrase("zone {zone}, lane {lane}", zone=zone, lane=lane))
    return f"{joined_parts(words)}. {zone_words(clocks)}".rstrip()


def _time_zone(ordered: Sequence[Scene]) -> str | None:
    """The zone of a session's clocks, as its takeovers have it."""
    return next((one.row["time_zone"] for one in ordered), None)


def _common_scales(ordered: Sequence[Scene]) -> dict[takeover_list.Alike, OverlayScales]:
    """The axes of each relay in zones of one length, so that its takeovers compare at a glance."""
    found: dict[takeover_list.Alike, list[Scene]] = {}
    for one in ordered:
        found.setdefault(takeover_list.alike(one), []).append(one)
    return {key: overlays.overlay_scales(several) for key, several in found.items()}


def _list_section(
    ordered: Sequence[Scene], known: Mapping[Pairing, PairDecisions], *, with_dates: bool
) -> ET.Element | None:
    if not ordered:
        return None
    usual_s = {
        key: own.progress["zone_time_s"]
        for key, own in known.items()
        if own.progress is not None and own.progress["zone_time_s"] is not None
    }
    return element(
        "section",
        {"id": "list", "aria-labelledby": "list-head"},
        element("h2", {"id": "list-head"}, phrase("At a glance")),
        _list_choices(ordered),
        *takeover_list.takeover_table(ordered, with_dates=with_dates, usual_s=usual_s),
    )


def _list_choices(ordered: Sequence[Scene]) -> ET.Element:
    found = takeover_list.pair_numbers(ordered)
    orders = (("time", phrase("as run")), ("cost", phrase("worst first")))
    parts = [frame.radio_choice("order", phrase("Order"), orders)]
    if len(found) > 1:
        options = [element("option", {"value": ""}, phrase("all pairs"))]
        options += [
            element("option", {"value": number}, pair_words(pair)) for pair, number in found.items()
        ]
        select = element("select", {"id": "which-pair"}, *options)
        parts.append(frame.labelled_choice(phrase("Pair"), select))
    options = [element("option", {"value": ""}, phrase_of("takeovers", "all"))]
    options += [
        element("option", {"value": kind}, words)
        for kind, words in takeover_list.kinds_in_words().items()
    ]
    which = element("select", {"id": "which-kind"}, *options)
    parts.append(frame.labelled_choice(phrase("Show"), which))
    parts.append(element("output", {"id": "tally"}))
    return element("div", {"class": "scripted choices"}, *parts)


def _pairs_section(
    ordered: Sequence[Scene],
    known: Mapping[Pairing, PairDecisions],
    scales: Mapping[takeover_list.Alike, OverlayScales],
) -> ET.Element | None:
    numbers, places = takeover_list.pair_numbers(ordered), _list_numbers(ordered)
    ids = _pair_places(ordered)
    sections = []
    for key, several in _by_pairing(ordered):
        section = pair_part.pair_article(
            several,
            known.get(key, NO_DECISIONS),
            places,
            scales[takeover_list.alike(several[0])],
            with_history=False,
        )
        section.set("data-pair", numbers[key[:2]])
        if key in ids:  # a pair in zones of two lengths has two parts, and one id
            section.set("id", ids.pop(key))
        sections.append(section)
    if not sections:
        return None
    head = element("h2", {"id": "pairs-head"}, phrase("Pair by pair"))
    advises = any(one.marks for one in known.values())
    caution = sheet_lines.caution_line() if advises else None
    return element(
        "section", {"id": "pairs", "aria-labelledby": "pairs-head"}, head, caution, *sections
    )


def _matrix_section(ordered: Sequence[Scene], squad: Squad) -> ET.Element | None:
    """All pairs of the squad in the relays of this page; a click leads to those that are on it."""
    places = _pair_places(ordered)

    def link(incoming: str, outgoing: str, event: str) -> str | None:
        place = places.get((incoming, outgoing, event))
        return None if place is None else f"#{place}"

    parts: list[Child] = []
    for event in sheet_lines.events_in_order([one.row for one in ordered]):
        found = matrix_part.pair_matrix(squad.marks, squad.progress, event, link)
        parts += [element("h3", {}, event), found] if found is not None else []
    return (
        sheet_lines.titled_section("squad", phrase("The squad's pairs"), *parts) if parts else None
    )


def _side_by_side(left: ET.Element | None, right: ET.Element | None) -> ET.Element | None:
    """Two sections beside each other where there is room; one alone as it is."""
    if left is None or right is None:
        return right if left is None else left
    return element("div", {"class": "columns"}, left, right)


def _pair_places(ordered: Sequence[Scene]) -> dict[Pairing, str]:
    """The id of each pair's own part of the page."""
    keys = dict.fromkeys(map(takeover_list.pair_in_event, ordered))
    return {key: f"pair-{k}" for k, key in enumerate(keys)}


def _takeovers_section(
    ordered: Sequence[Scene],
    known: Mapping[Pairing, PairDecisions],
    scales: Mapping[takeover_list.Alike, OverlayScales],
    seen: Sightings,
    *,
    with_dates: bool,
) -> ET.Element | None:
    if not ordered:
        return None
    numbers = takeover_list.pair_numbers(ordered)
    anchors = [None, *map(takeover_list.anchor, ordered), None]
    causes = _causes_by_takeover(known)
    articles = []
    for number, one in enumerate(ordered, start=1):
        key = one.row["session"], one.row["exchange"]
        setting = takeover_part.Setting(
            number, anchors[number - 1], anchors[number + 1], with_date=with_dates
        )
        article = takeover_part.takeover_article(
            one,
            setting,
            scales=scales[takeover_list.alike(one)],
            seen=seen.get(key, ()),
            causes=causes.get(key, ()),
        )
        article.set("data-pair", numbers[one.pair])
        articles.append(article)
    head = element("h2", {"id": "each-head"}, phrase("Each takeover"))
    signs = overlays.sign_words(*overlays.VIEWS)
    own = f"{takeover_part.lane_note()} {takeover_part.numbers_note()}"
    notes = f"{overlays.reading_words()} {signs} {own}"
    about = element("p", {"class": "notes"}, notes)
    return element(
        "section", {"id": "each", "aria-labelledby": "each-head"}, head, about, *articles
    )


def _causes_by_takeover(
    known: Mapping[Pairing, PairDecisions],
) -> dict[tuple[str, int], list[LakeRow]]:
    found: dict[tuple[str, int], list[LakeRow]] = {}
    for own in known.values():
        for row in own.causes:
            found.setdefault((row["session"], row["exchange"]), []).append(row)
    return found
