"""Elements of a page, and what keeps words from outside words.

A page is built as a tree of elements and written by the standard library's serialiser, which alone
sets angle brackets: an id or a remark that looks like markup is shown as the text it is. Style and
script stand in the page under their hashes; its policy lets nothing else run or load.
"""

from __future__ import annotations

import base64
import hashlib
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from xml.etree import ElementTree as ET

_NAME_WIDTH = 16  # half-width signs of a name in a figure

Child = ET.Element | str | None


def element(tag: str, attributes: Mapping[str, str], *children: Child) -> ET.Element:
    """An element; children are elements, text, or None for nothing."""
    out = ET.Element(tag, dict(attributes))
    last: ET.Element | None = None
    for child in children:
        if isinstance(child, ET.Element):
            out.append(child)
            last = child
        elif child is not None and last is None:
            out.text = (out.text or "") + child
        elif child is not None and last is not None:
            last.tail = (last.tail or "") + child
    return out


def name(text: str) -> ET.Element:
    """A word from outside: one written from right to left leaves those around it in their order."""
    return element("bdi", {}, plain(text))


def table(
    kind: str, heads: Sequence[str], rows: Iterable[ET.Element], caption: str = ""
) -> ET.Element:
    """A table of class `kind`: its column heads, and rows as they are given."""
    columns = [element("th", {"scope": "col"}, head) for head in heads]
    return element(
        "table",
        {"class": kind},
        element("caption", {}, caption) if caption else None,
        element("thead", {}, element("tr", {}, *columns)),
        element("tbody", {}, *rows),
    )


def row(head: Sequence[Child], cells: Iterable[Child], **attributes: str) -> ET.Element:
    """A row of such a table: its head, then its cells."""
    first = element("th", {"scope": "row"}, *head)
    return element("tr", attributes, first, *(element("td", {}, cell) for cell in cells))


def scrolling(label: str, wide: ET.Element) -> ET.Element:
    """A table that may be wider than the page, moved sideways by finger and keyboard."""
    given = {"class": "wide", "role": "region", "aria-label": label, "tabindex": "0"}
    return element("div", given, wide)


def document(title: str, style: str, body: ET.Element, script: str = "") -> str:
    """A whole page as HTML text, to be stored as UTF-8; `style` and `script` are ours alone.

    Raises ValueError where they hold what would end their element.
    """
    if "</" in style + script or "<!--" in style + script:
        raise ValueError("style or script would end its element")
    scripts = f"script-src {_hash(script)}; " if script else ""
    policy = (
        f"default-src 'none'; style-src {_hash(style)}; {scripts}"
        "base-uri 'none'; form-action 'none'"
    )
    if script:
        policy += "; require-trusted-types-for 'script'; trusted-types 'none'"
    head = element(
        "head",
        {},
        element("meta", {"charset": "utf-8"}),
        element("meta", {"http-equiv": "Content-Security-Policy", "content": policy}),
        element("meta", {"name": "viewport", "content": "width=device-width, initial-scale=1"}),
        element("title", {}, title),
        element("style", {}, style),
    )
    if script:
        body.append(element("script", {}, script))
    page = element("html", {"lang": "en"}, head, body)
    return "<!DOCTYPE html>\n" + ET.tostring(page, encoding="unicode", method="html")


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def plain(text: str) -> str:
    """Without signs that are not seen but act: controls, direction marks, lone surrogates."""
    spaced = " ".join(str(text).split())
    return "".join("\ufffd" if unicodedata.category(c).startswith("C") else c for c in spaced)


def width(text: str) -> int:
    """In half-width signs."""
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def short(text: str) -> str:
    """A name as a figure has room for it."""
    return shortened(plain(text), _NAME_WIDTH)


def shortened(text: str, most: int) -> str:
    """At most `most` half-width signs: the middle is left out, for names that differ at an end."""
    if width(text) <= most:
        return text
    head, tail = text[:most], text[-most:]
    while width(head) > (most - 1) - (most - 1) // 2:
        head = head[:-1]
    while width(tail) > (most - 1) // 2:
        tail = tail[1:]
    return f"{head}…{tail}"
