"""Elements of a page, and what makes sure that words from outside stay words.

A page is built as a tree of elements. Only the standard library's serialiser writes angle brackets,
so an id or a remark that looks like markup is shown as text. The page holds its style and script
and names their hashes in its policy, which lets nothing else run or load.
"""

from __future__ import annotations

import base64
import hashlib
import itertools
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from xml.etree import ElementTree as ET

from pipeline.language.choice import language_in_force

_SHAPE_END = re.compile("></(?:path|use|rect|circle)>")
_FIGURE_NAME_WIDTH = 16  # half-width characters of a name in a figure

_LEFT_TO_RIGHT = "\N{LEFT-TO-RIGHT MARK}"

Child = ET.Element | str | None


def element(tag: str, attributes: Mapping[str, str], *children: Child) -> ET.Element:
    """An element. Its children are elements or text; None is left out."""
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


def outside_name(text: str) -> ET.Element:
    """A word from outside, kept apart so that one written from right to left does not reorder the
    words around it."""
    return element("bdi", {}, plain_text(text))


def html_table(
    kind: str, heads: Sequence[str], rows: Iterable[ET.Element], caption: str = ""
) -> ET.Element:
    """A table of class `kind` with its column heads and the rows given."""
    columns = [element("th", {"scope": "col"}, head) for head in heads]
    return element(
        "table",
        {"class": kind},
        element("caption", {}, caption) if caption else None,
        element("thead", {}, element("tr", {}, *columns)),
        element("tbody", {}, *rows),
    )


def table_row(head: Sequence[Child], cells: Iterable[Child], **attributes: str) -> ET.Element:
    """A row of an `html_table`: its head, then its cells."""
    first = element("th", {"scope": "row"}, *head)
    return element("tr", attributes, first, *(element("td", {}, cell) for cell in cells))


_ROLES = {"table": "table", "tr": "row", "td": "cell"}
_ROLES |= dict.fromkeys(("thead", "tbody", "tfoot"), "rowgroup")


def say_roles(table: ET.Element) -> None:
    """Writes out the roles of a table's parts, which they lose where a style sheet folds it."""
    for part in table.iter():
        role = _ROLES.get(part.tag)
        if part.tag == "th":
            role = f"{'row' if part.get('scope') == 'row' else 'column'}header"
        if role is not None:
            part.set("role", role)


def list_item(*children: Child) -> ET.Element:
    return element("li", {}, *children)


def scrolling(label: str, wide: ET.Element) -> ET.Element:
    """A table that may be wider than the page: it scrolls sideways by finger and keyboard."""
    given = {"class": "wide", "role": "region", "aria-label": label, "tabindex": "0"}
    return element("div", given, wide)


def html_document(title: str, style: str, body: ET.Element, script: str = "") -> str:
    """A whole page as HTML text, to be stored as UTF-8.

    `style` and `script` come from this package alone. Raises ValueError where one of them holds
    text that would end its element.
    """
    if "</" in style + script or "<!--" in style + script:
        raise ValueError("style or script would end its element")
    scripts = f"script-src {_policy_hash(script)}; " if script else ""
    policy = (
        f"default-src 'none'; style-src {_policy_hash(style)}; {scripts}"
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
    page = element("html", {"lang": language_in_force()}, head, body)
    return "<!DOCTYPE html>\n" + _close_shapes(ET.tostring(page, encoding="unicode", method="html"))


def _close_shapes(text: str) -> str:
    """The shapes of a picture closed in their own tag, as HTML lets them be, for they are many.

    The letters looked for come from a tag's end alone: the serialiser writes no other > as it is.
    """
    return _SHAPE_END.sub("/>", text)


def _policy_hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def plain_text(text: str) -> str:
    """The text without characters that act unseen: controls, direction marks, lone surrogates."""
    spaced = " ".join(str(text).split())
    return "".join("\ufffd" if unicodedata.category(c).startswith("C") else c for c in spaced)


def keep_order(text: str) -> str:
    """The text with marks that keep its words in the order in which they are written, where one of
    them runs from right to left: in a picture nothing else sets words apart."""
    ways = "".join(map(_writing_way, text))
    ends = [run.end() for run in re.finditer(r"R(?:s*[Rn])*", ways)]
    if not ends:
        return text
    pieces = (text[first:last] for first, last in itertools.pairwise((0, *ends, len(text))))
    return _LEFT_TO_RIGHT + _LEFT_TO_RIGHT.join(pieces)


def _writing_way(letter: str) -> str:
    """R for a letter that runs from right to left, n for a sign on one, s for a space."""
    way = unicodedata.bidirectional(letter)
    return {"R": "R", "AL": "R", "NSM": "n"}.get(way, "s" if letter.isspace() else "l")


def half_widths(text: str) -> int:
    """The width of a text in half-width characters."""
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def short_name(text: str) -> str:
    """A name, short enough for a figure."""
    return shorten(plain_text(text), _FIGURE_NAME_WIDTH)


def shorten(text: str, most: int) -> str:
    """The text in at most `most` half-width characters. The middle is left out, because long names
    mostly differ at an end."""
    if half_widths(text) <= most:
        return text
    head, tail = text[:most], text[-most:]
    while half_widths(head) > (most - 1) - (most - 1) // 2:
        head = head[:-1]
    while half_widths(tail) > (most - 1) // 2:
        tail = tail[1:]
    return f"{head}…{tail}"
