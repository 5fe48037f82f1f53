"""Lines that the pages of the order, the race, the runner and the season share."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.relays import legs_m
from pipeline.base.values import Estimate
from pipeline.language.phrases import phrase, phrase_around, phrase_count, phrase_of, reworded
from pipeline.show.markup import Child, element, list_item, outside_name, plain_text
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import CLEAR_SDS, NBSP, caution, decimal, joined_parts, odds_words
from pipeline.tables import schema

# Rows of tables of decisions, by table; None where one is not there or cannot be read.
DecisionRows = Mapping[str, Sequence[LakeRow] | None]


def titled_section(name: str, title: str, *parts: Child) -> ET.Element:
    """A section of a page with its heading; `name` is its anchor."""
    return element(
        "section",
        {"id": name, "aria-labelledby": f"{name}-head"},
        element("h2", {"id": f"{name}-head"}, title),
        *parts,
    )


def paragraph(*children: Child) -> ET.Element:
    return element("p", {}, *children)


def notes_line(*children: Child) -> ET.Element:
    return element("p", {"class": "notes"}, *children)


def bullet_list(items: Iterable[Child]) -> ET.Element | None:
    """A list; None where there is nothing to list."""
    found = [list_item(one) for one in items]
    return element("ul", {}, *found) if found else None


def joined(*children: Child) -> ET.Element:
    """Words and elements as one child."""
    return element("span", {}, *children)


def on_demand(summary: str, *parts: Child) -> ET.Element:
    """What is shown when somebody asks for it; on paper it always is."""
    return element("details", {}, element("summary", {}, summary), *parts)


def table_sentence(text: str) -> ET.Element:
    """A sentence that tables or errors hold, in the language in force; set apart, since names from
    outside may stand in it."""
    return element("bdi", {}, reworded(plain_text(text)))


def table_sentences(texts: Iterable[str]) -> ET.Element:
    """Several of them in one line."""
    return element("bdi", {}, joined_parts(reworded(plain_text(text)) for text in texts))


def caution_line() -> ET.Element:
    """The caution that stands where marks or drills are advised."""
    return element("p", {"class": "caution"}, caution())


def not_worked_out(table_name: str) -> ET.Element:
    """That a table of decisions is not there, and which command makes it."""
    command = schema.DECISION_COMMANDS[table_name]
    words = phrase_around(
        "Not worked out yet. Run {command} and make this page again.",
        command=element("code", {}, f"batontrace {command} OUT"),
    )
    return element("p", {"class": "which"}, *words)


def names_in_order(names: Sequence[str]) -> list[Child]:
    """Names from outside with commas between."""
    parts: list[Child] = []
    for index, name in enumerate(names):
        parts += [", ", outside_name(name)] if index else [outside_name(name)]
    return parts


def pair_names(incoming: str, outgoing: str) -> Sequence[Child]:
    """From whom to whom a baton goes, as elements: what `pair_title` is as text."""
    return phrase_around(
        "{incoming} to {outgoing}", incoming=outside_name(incoming), outgoing=outside_name(outgoing)
    )


def quantity(value: float, digits: int, unit: str) -> str:
    """A number and its unit on one line."""
    return f"{decimal(value, digits)}{NBSP}{unit}"


def flat_times_needed() -> str:
    """What the legs of a long relay are worked out with."""
    return phrase(
        "Legs of more than 100 m need each runner's flat time: {option}.",
        option="--flat RUNNER=SECONDS",
    )


def colon() -> str:
    """What stands between a name and what is said of it."""
    return phrase_of("between a head and what is said of it", ": ")


def semicolon() -> str:
    """What stands between the parts of a sentence."""
    return joined_parts(("", ""))


def takeovers_passed(takeovers: int, passed: int) -> str:
    """How many takeovers there were, and how many were passed."""
    return phrase_count(
        "{count} takeover, {passed} passed",
        "{count} takeovers, {passed} passed",
        takeovers,
        passed=passed,
    )


def linked(where: str | None, *children: Child) -> ET.Element:
    """A link, or the same words without one where there is nothing to lead to."""
    if where is None:
        return element("span", {}, *children)
    return element("a", {"href": where}, *children)


def events_in_order(rows: Iterable[LakeRow]) -> list[str]:
    """The relays of some rows, the shorter first: 4x100 before 4x400."""
    return sorted({row["event"] for row in rows}, key=lambda event: (sum(legs_m(event)), event))


def stands_out(change: Estimate | None) -> bool:
    """Whether a change lies beyond `CLEAR_SDS` standard errors."""
    return change is not None and abs(change.value) > CLEAR_SDS * change.sd


def surely(change: Estimate) -> str:
    """How sure the direction of a change is, as a chance in words: "19 in 20"."""
    if change.sd <= 0.0:
        return odds_words(1.0)
    return odds_words(0.5 * (1.0 + math.erf(abs(change.value) / change.sd / math.sqrt(2.0))))
