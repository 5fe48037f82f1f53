"""What a page draws more than once is in it once.

The frame behind a figure and the curves of a takeover come again in other figures: laid over each
other, side by side, behind each other. They are found by being the same, moved to one place at the
page's head, and used from there. What nothing but the script can draw, because its points are in
the readings, is packed into fewer letters, and the script unpacks what comes into sight. Nothing
that draws has to know of either.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from typing import Any
from xml.etree import ElementTree as ET

from pipeline.show.figures.page_svg import FRAME
from pipeline.show.markup import element

_DECIMAL = re.compile(r"-?(?:0|[1-9][0-9]{0,5})\.[0-9]*[1-9]")
MOST_WHOLE = 60  # pictures that are there without a script
LEAST = 60  # characters of a path worth sharing: a reference to it takes thirty


def share_repeated(body: ET.Element) -> ET.Element:
    """The page's body with each frame and each long path that comes more than once in it moved to
    its first child, and references in their places. The body given is changed."""
    parts = [(part, text) for part in body.iter() if (text := _shareable_text(part))]
    often = {text for text, times in Counter(text for _, text in parts).items() if times > 1}
    names: dict[str, str] = {}
    kept = []
    for part, text in parts:
        if text not in often:
            continue
        if text not in names:
            names[text] = f"o{len(names)}"
            kept.append(_shared_copy(part, names[text]))
        _make_reference(part, names[text])
    if kept:
        given = {"class": "shared", "aria-hidden": "true"}
        body.insert(0, element("svg", given, element("defs", {}, *kept)))
    return body


def _shareable_text(part: ET.Element) -> str:
    """What makes two parts the same; "" for a part that is not worth sharing."""
    if part.tag == "path" and len(part.get("d", "")) >= LEAST:
        return part.get("d", "")
    if part.tag == "g" and part.get("class") == FRAME:
        return "".join(ET.tostring(child, encoding="unicode") for child in part)
    return ""


def _shared_copy(part: ET.Element, name: str) -> ET.Element:
    """A path keeps its shape alone, so that each place of use gives it ink and pen."""
    if part.tag == "path":
        return element("path", {"id": name, "d": part.get("d", "")})
    return element("g", {"id": name}, *part)


def _make_reference(part: ET.Element, name: str) -> None:
    part.tag = "use"
    part.attrib.pop("d", None)
    part.set("href", f"#{name}")
    for child in list(part):
        part.remove(child)


def pack_scripted(body: ET.Element) -> ET.Element:
    """The page's body with each picture on the clock packed: a hidden element holds it as JSON,
    and another the classes that are in them. Where there are more than `MOST_WHOLE` pictures over
    the zone, these are packed too, for a telephone's sake. The body given is changed."""
    views = [part for part in body.iter("div") if part.get("class", "").startswith("view ")]
    whole = sum(view.get("data-view") == "zone" for view in views) <= MOST_WHOLE
    kinds: dict[str, int] = {}
    for view in views:
        if view.get("data-view") == "clock" or not whole:
            packed = [_packed_part(svg, kinds) for svg in view]
            for svg in list(view):
                view.remove(svg)
            for one in packed:
                text = json.dumps(one, ensure_ascii=False, separators=(",", ":"))
                view.append(element("p", {"class": "packed", "hidden": ""}, text))
    if kinds:
        body.insert(0, element("p", {"id": "kinds", "hidden": ""}, "|".join(kinds)))
    return body


def _packed_part(part: ET.Element, kinds: dict[str, int]) -> list[Any]:
    """Tag, number of the class, attributes, and the words or what is inside; no more of these than
    there are."""
    given = {name: _number_or_text(value) for name, value in part.items() if name != "class"}
    number = kinds.setdefault(part.get("class", ""), len(kinds))
    inner: list[Any] | str = part.text or [_packed_part(child, kinds) for child in part]
    found: list[Any] = [part.tag, number, given, inner]
    return found if inner else found[:3]


def _number_or_text(value: str) -> str | float:
    """A number needs no quotes; what would not read back as it is written stays text."""
    return float(value) if _DECIMAL.fullmatch(value) else value
