"""What a page draws more than once is in it once.

The frame behind a figure and the curves of a takeover come again in other figures: laid over each
other, side by side, behind each other. They are found by being the same, moved to one place at the
page's head, and used from there. Nothing that draws has to know of it.
"""

from __future__ import annotations

from collections import Counter
from xml.etree import ElementTree as ET

from pipeline.show.figures.page_svg import FRAME
from pipeline.show.markup import element

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
        given = {"class": "shared", "aria-hidden": "true", "focusable": "false"}
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
