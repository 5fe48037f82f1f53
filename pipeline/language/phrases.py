"""Sentences in the language in force, from one catalogue.

The English sentence is the key. `phrase` is called where words for people are put together, in the
rooms `cli` and `show`. All rooms below speak English, since their sentences are stored: `reworded`
finds the catalogue's sentence that such a text was made from, old tables' included, and says it in
the language in force (docs/decisions/0016-languages.md).
"""

from __future__ import annotations

import functools
import re
import string
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any, TypeVar

from pipeline.language.choice import SOURCE, language_in_force
from pipeline.language.numbers import localised, localised_numbers

T = TypeVar("T")

_SEPARATOR = "\x04"  # between context and sentence, as gettext's own files have it
_FORMATTER = string.Formatter()
_LEAST_LETTERS = 3  # of a sentence without its values, to be known by them


def phrase(sentence: str, /, **values: Any) -> str:
    """A sentence in the language in force, with its `{values}` filled in.

    `sentence` is a literal, so that it can be found and translated; numbers among `values` are
    written as the language writes them: `phrase("{lost_s:.2f} s lost", lost_s=0.14)`.
    """
    return _filled(_translated(sentence), values)


def phrase_of(context: str, sentence: str, /, **values: Any) -> str:
    """The same for a word that means two things in English; `context` says which."""
    return _filled(_translated(sentence, context), values)


def phrase_count(one: str, many: str, count: int, /, **values: Any) -> str:
    """A sentence about a number of things, which it can name as `{count}`; each language has its own
    rule of when it says `one`."""
    language = language_in_force()
    forms = None if language == SOURCE else catalogue(language).plurals.get(one)
    if forms is None:
        chosen = one if count == 1 else many
    else:
        chosen = forms[plural_rule(language)(count)] or (one if count == 1 else many)
    return _filled(chosen, {"count": count, **values})


def phrase_around(sentence: str, /, **things: T | str) -> list[str | T]:
    """A sentence whose `{things}` are no text, say names set apart on a page: its parts in the order
    that the language puts them in."""
    parts: list[str | T] = []
    for text, name, _, _ in _FORMATTER.parse(_translated(sentence)):
        if text:
            parts.append(text)
        if name is not None:
            parts.append(things[name])
    return parts


def reworded(sentence: str) -> str:
    """An English sentence of a table or of a room below, in the language in force.

    What the catalogue does not know stays English, with its numbers as they are.
    """
    language = language_in_force()
    if language == SOURCE or not sentence:
        return sentence
    return _reworded(language, sentence)


def english_from(sentence: str) -> str:
    """The catalogue's sentence that a text was made from; "" where it knows none."""
    found = catalogue(next(iter(TRANSLATED))).source_of(sentence)
    return "" if found is None else found[0]


# --- the catalogue ---------------------------------------------------------------------

TRANSLATED = ("de", "fr")


class Catalogue:
    """The sentences of one language, found by the English ones."""

    def __init__(self, texts: Mapping[str, str], plurals: Mapping[str, Sequence[str]]) -> None:
        self.texts, self.plurals = dict(texts), dict(plurals)
        self._patterns: dict[str, list[_Pattern]] = {}
        for sentence in self.texts:
            if _SEPARATOR in sentence or "{" not in sentence:
                continue
            pattern = _Pattern(sentence)
            # "{incoming} to {outgoing}" would be found in any text with "to" in it.
            if pattern.letters >= _LEAST_LETTERS or not pattern.letters:
                self._patterns.setdefault(pattern.key, []).append(pattern)
        for patterns in self._patterns.values():
            patterns.sort(key=lambda one: -one.letters)

    def source_of(self, text: str) -> tuple[str, dict[str, str]] | None:
        """The English sentence with places for values that a text was made from, and the values."""
        if self.texts.get(text):
            return text, {}
        words = {"", *_WORD.findall(text)}
        fitting = [one for word in words for one in self._patterns.get(word, ())]
        for pattern in sorted(fitting, key=lambda one: -one.letters):
            values = pattern.values_in(text)
            if values is not None:
                return pattern.sentence, values
        return None


_WORD = re.compile(r"[^\W\d_]{2,}")


def _whole_words(text: str, is_last: bool) -> list[str]:
    """The words of a piece of a sentence that no value can lengthen: a value stands before each
    piece, and after it unless it is the last."""
    end = "" if is_last else r"(?!$)"
    return re.findall(rf"(?<=[^\w])[^\W\d_]{{2,}}(?![\w]){end}", text)


class _Pattern:
    """A sentence with places for values, as something that texts can be held against."""

    def __init__(self, sentence: str) -> None:
        self.sentence = sentence
        self.parts = [(text, name) for text, name, _, _ in _FORMATTER.parse(sentence)]
        words = [word for text, _ in self.parts for word in _WORD.findall(f"#{text}#")]
        # A word that touches a value may be a piece of one in the text: whole words alone serve.
        whole = [word for text, name in self.parts for word in _whole_words(text, name is None)]
        self.key = max(whole, key=len, default="")
        self.letters = sum(map(len, words))
        self._regex: re.Pattern[str] | None = None

    def values_in(self, text: str) -> dict[str, str] | None:
        """The values that make the text of the sentence; None where none do."""
        if self._regex is None:
            seen: set[str] = set()
            out = ""
            for literal, name in self.parts:
                out += re.escape(literal)
                if name is None:
                    continue
                out += f"(?P={name})" if name in seen else f"(?P<{name}>.+?)"
                seen.add(name)
            self._regex = re.compile(out, re.DOTALL)
        found = self._regex.fullmatch(text)
        return None if found is None else found.groupdict()


@functools.cache
def catalogue(language: str) -> Catalogue:
    """The catalogue of a language, read from its `.po` file."""
    from babel.messages.pofile import read_po

    texts: dict[str, str] = {}
    plurals: dict[str, tuple[str, ...]] = {}
    with resources.files(__package__).joinpath(f"{language}.po").open("rb") as file:
        for message in read_po(file, locale=language, ignore_obsolete=True):
            if not message.id or message.fuzzy:
                continue
            ids, own = _texts_of(message.id), _texts_of(message.string)
            if len(ids) > 1:
                plurals[ids[0]] = own
            context = f"{message.context}{_SEPARATOR}" if message.context else ""
            for english, text in zip(ids, (own[0], own[-1])[: len(ids)], strict=True):
                texts.setdefault(f"{context}{english}", text)
    return Catalogue(texts, plurals)


def _texts_of(text: object) -> tuple[str, ...]:
    """A message's sentence, or its forms for one and for many."""
    return tuple(map(str, text)) if isinstance(text, tuple | list) else (str(text or ""),)


@functools.cache
def plural_rule(language: str) -> Any:
    """Which form a number takes in a language: 0 for the one, 1 for the many."""
    from babel import Locale

    names = {"one": 0}
    rule = Locale.parse(language).plural_form
    return lambda count: names.get(rule(count), 1)


def _translated(sentence: str, context: str = "") -> str:
    language = language_in_force()
    if language == SOURCE:
        return sentence
    key = f"{context}{_SEPARATOR}{sentence}" if context else sentence
    return catalogue(language).texts.get(key) or sentence


@functools.lru_cache(maxsize=4096)
def _reworded(language: str, sentence: str) -> str:
    if language != language_in_force():
        return sentence
    book = catalogue(language)
    found = book.source_of(sentence)
    if found is None:
        # The head of a sentence may be a phrase with a capital: "The tape".
        small = sentence[:1].lower() + sentence[1:]
        said = sentence if small == sentence else _reworded(language, small)
        return sentence if said in (small, sentence) else said[:1].upper() + said[1:]
    english, values = found
    if not values:
        return book.texts.get(sentence) or sentence
    own = {name: _value_in(language, text) for name, text in values.items()}
    template = book.texts.get(english) or english
    parts = []
    for text, name, _, _ in _FORMATTER.parse(template):
        parts += [text] if name is None else [text, own.get(name, "")]
    return "".join(parts)


def _value_in(language: str, text: str) -> str:
    """A value found in an English sentence: a sentence itself, or numbers, or a name."""
    inner = _reworded(language, text)
    return inner if inner != text else localised_numbers(text)


class _Localised(string.Formatter):
    def format_field(self, value: Any, format_spec: str) -> str:
        text = super().format_field(value, format_spec)
        return localised(str(text)) if isinstance(value, float) else str(text)


_LOCALISED = _Localised()


def _filled(sentence: str, values: Mapping[str, Any]) -> str:
    return _LOCALISED.vformat(sentence, (), values) if values else sentence
