"""A language that nobody speaks: what comes from the catalogue stands in brackets, so that words
outside the catalogue show.

Names and numbers that are filled into a sentence stand outside its brackets: `⟦pass at ⟧23⟦ m⟧`.
"""

import json
import re
import string
from collections.abc import Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from types import SimpleNamespace
from unittest import mock

from pipeline.language import phrases
from pipeline.language.choice import using

SPOKEN = ("aria-label", "aria-valuetext", "title", "alt", "placeholder", "data-of")
_SILENT = ("script", "style", "code")
_WORD = re.compile(r"[^\W\d_]+(?:[^\W\d_'’/-]*[^\W\d_])?")
UNITS = frozenset(("s", "m", "m/s", "m/s²", "Hz", "UTC", "SHA", "x"))


@contextmanager
def pseudo_language() -> Iterator[None]:
    """Puts brackets round what the catalogue is asked for within a `with` block."""
    fill = phrases._filled

    def bracketed(sentence: str, _context: str = "") -> str:
        out = ""
        for text, name, spec, _ in string.Formatter().parse(sentence):
            out += f"⟦{text}⟧" if text else ""
            out += "" if name is None else f"{{{name}:{spec}}}" if spec else f"{{{name}}}"
        return out

    def filled(sentence, values):
        return fill(sentence if "⟦" in sentence else bracketed(sentence), values)

    nothing_known = SimpleNamespace(plurals={}, texts={})
    with (
        using("de"),
        mock.patch.object(phrases, "_translated", bracketed),
        mock.patch.object(phrases, "_reworded", lambda _language, text: f"⟦{text}⟧"),
        mock.patch.object(phrases, "_filled", filled),
        mock.patch.object(phrases, "catalogue", return_value=nothing_known),
    ):
        yield


class _Spoken(HTMLParser):
    """The texts of a page that people read or hear."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.told: list[str] = []
        self._open: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.told += [text for name in SPOKEN if (text := given.get(name))]
        if tag not in ("meta", "input", "link", "br"):
            self._open.append((tag, given))

    def handle_startendtag(self, _tag, attrs):
        self.told += [text for name, text in attrs if name in SPOKEN and text]

    def handle_endtag(self, tag):
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data):
        if any(tag in _SILENT for tag, _ in self._open):
            return
        given = self._open[-1][1] if self._open else {}
        if given.get("id") == "words":
            self.told += [re.sub(r"\{\w+\}", " ", text) for text in json.loads(data).values()]
        elif given.get("id") == "kinds":
            return  # classes
        elif given.get("class") == "packed":
            self.told += _packed_texts(json.loads(data))
        else:
            self.told.append(data)


def _packed_texts(part) -> Iterator[str]:
    """The words inside a packed picture, and what it says aloud."""
    _, _, given, *inner = part
    yield from (given[name] for name in SPOKEN if isinstance(given.get(name), str))
    for one in inner:
        if isinstance(one, str):
            yield one
        else:
            for child in one:
                yield from _packed_texts(child)


def texts_of(page: str) -> list[str]:
    """All texts of a page, words of its script and of packed pictures among them."""
    parser = _Spoken()
    parser.feed(page)
    return parser.told


def words_outside(page: str, known: frozenset[str]) -> dict[str, str]:
    """The words of a page outside the brackets, each with a text in which it stands. `known` are
    names from outside, which stay as they are; so do units."""
    found: dict[str, str] = {}
    for text in texts_of(page):
        bare = re.sub(r"⟦[^⟦⟧]*⟧", " ", text)
        for _ in range(3):  # sentences inside sentences
            bare = re.sub(r"⟦[^⟦⟧]*⟧", " ", bare)
        for name in sorted(known, key=len, reverse=True):
            bare = bare.replace(name, " ")
        for word in _WORD.findall(bare):
            if word not in UNITS and any(map(str.isalpha, word)):
                found.setdefault(word, text)
    return found
