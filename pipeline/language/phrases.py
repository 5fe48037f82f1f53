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

from pipeline.language.choice import LANGUAGES, SOURCE, language_in_force
from pipeline.language.numbers import localised, localised_numbers
from pipeline.language.reading import Grammar, Reading

T = TypeVar("T")

_SEPARATOR = "\x04"  # between context and sentence, as gettext's own files have it
_FORMATTER = string.Formatter()
_LINES = re.compile(r"\s*\n\s*|[^\n]+?(?=\s*\n|$)")  # what parts lines, and the lines


def phrase(sentence: str, /, **values: Any) -> str:
    """A sentence in the language in force, with its `{values}` filled in.

    `sentence` is a literal, so that it can be found and translated; numbers among `values` are
    written as the language writes them: `phrase("{lost_s:.2f} s lost", lost_s=0.14)`.
    """
    return _filled(_translated(sentence), values)


def phrase_of(context: str, sentence: str, /, **values: Any) -> str:
    """The same for a word that means two things in English; `context` says which."""
    return _filled(_translated(sentence, context), values)


def word_of(context: str, word: str) -> str:
    """A word of a list, `show.column_words` say, that the catalogue has with its context."""
    return _translated(word, context)


def phrase_count(one: str, many: str, count: int, /, **values: Any) -> str:
    """A sentence about a number of things, which it can name as `{count}`; each language has its
    own rule of when it says `one`."""
    language = language_in_force()
    forms = None if language == SOURCE else catalogue(language).plurals.get(one)
    if forms is None:
        chosen = one if count == 1 else many
    else:
        chosen = forms[plural_rule(language)(count)] or (one if count == 1 else many)
    return _filled(chosen, {"count": count, **values})


def phrase_around(sentence: str, /, **things: T | str) -> list[str | T]:
    """A sentence whose `{things}` are no text, say names set apart on a page: its parts in the
    order that the language puts them in."""
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


def reading_of(sentence: str) -> Reading:
    """How an English text is read with the sentences of the catalogue."""
    return catalogue(TRANSLATED[0]).grammar.read(sentence)


# --- the catalogue ---------------------------------------------------------------------

TRANSLATED = tuple(one for one in LANGUAGES if one != SOURCE)


class Catalogue:
    """The sentences of one language, found by the English ones."""

    def __init__(self, texts: Mapping[str, str], plurals: Mapping[str, Sequence[str]]) -> None:
        self.texts, self.plurals = dict(texts), dict(plurals)

    @functools.cached_property
    def grammar(self) -> Grammar:
        """All sentences that have a translation, to read finished texts with."""
        return Grammar(one for one, own in self.texts.items() if own and _SEPARATOR not in one)

    def say(self, reading: Reading) -> str:
        """A text in this language; what is no sentence keeps its letters."""
        if not reading.sentence:
            return reading.text if reading.is_quoted else localised_numbers(reading.text)
        values = {name: self.say(value) for name, value in reading.values}
        parts = []
        for text, name, _, _ in _FORMATTER.parse(
            self.texts.get(reading.sentence, reading.sentence)
        ):
            parts += [text] if name is None else [text, values.get(name, "")]
        out = "".join(parts)
        return out[:1].upper() + out[1:] if reading.is_begun else out


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
    if "\n" in sentence.strip():  # an error with details in lines of their own
        return "".join(_reworded(language, one) for one in _LINES.findall(sentence))
    book = catalogue(language)
    reading = book.grammar.read(sentence)
    return book.say(reading) if reading.sentence else sentence


class _Localised(string.Formatter):
    def format_field(self, value: Any, format_spec: str) -> str:
        text = super().format_field(value, format_spec)
        return localised(str(text)) if isinstance(value, float) else str(text)


_LOCALISED = _Localised()


def _filled(sentence: str, values: Mapping[str, Any]) -> str:
    return _LOCALISED.vformat(sentence, (), values) if values else sentence
