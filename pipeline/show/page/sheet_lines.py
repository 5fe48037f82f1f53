"""Lines that the pages of the order, the race, the runner and the season share."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.relays import legs_m
from pipeline.base.values import Estimate
from pipeline.base.words import chance_in_words
from pipeline.show.markup import Child, element, list_item, outside_name
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import CLEAR_SDS
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


def not_worked_out(table_name: str) -> ET.Element:
    """That a table of decisions is not there, and which command makes it."""
    command = schema.DECISION_COMMANDS[table_name]
    return element(
        "p",
        {"class": "which"},
        "Not worked out yet. Run ",
        element("code", {}, f"batontrace {command} OUT"),
        " and make this page again.",
    )


def names_in_order(names: Sequence[str]) -> list[Child]:
    """Names from outside with commas between."""
    parts: list[Child] = []
    for index, name in enumerate(names):
        parts += [", ", outside_name(name)] if index else [outside_name(name)]
    return parts


def pair_names(incoming: str, outgoing: str) -> list[Child]:
    return [outside_name(incoming), " to ", outside_name(outgoing)]


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
        return chance_in_words(1.0)
    return chance_in_words(0.5 * (1.0 + math.erf(abs(change.value) / change.sd / math.sqrt(2.0))))
