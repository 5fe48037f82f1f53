"""Finds the sentences of the catalogue that an English text was made from, and the values in it.

A text may be one sentence, clauses joined by "; ", a place and what was found there (": "), a
list, or such a thing inside another's value. Of all ways to read it the one counts that leaves the
fewest letters unexplained; what no sentence explains stays as it is, a name, a number, a path.
"""

from __future__ import annotations

import itertools
import re
import string
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

# How clauses, places and lists are joined; each language has its own signs and spaces.
JOINED = {
    "; ": "{first}; {rest}",
    ": ": "{where}: {found}",
    " | ": "{first} | {rest}",
    ", ": "{first}, {rest}",
    " and ": "{first} and {rest}",
    " or ": "{first} or {rest}",
    ", or ": "{first}, or {rest}",
}
SENTENCE = "{sentence}."

# Places for numbers alone, and places where a single word is one of a table's vocabulary. In all
# others a single word is a name, be it a runner who is called "mark".
NUMBERS = frozenset({"low", "high", "part", "whole", "count"})
WORDS = frozenset(
    {
        *("drill", "event", "outcome", "cause", "technique", "hand", "verdict", "role", "kind"),
        *("basis", "quantity", "times", "what", "expected"),
    }
)

# Single words that are said of a place: "[session] lane: missing".
FOUND = ("missing", "none", "nobody")

LONGEST = 4000  # characters: a longer text is no sentence
_MOST_CLAUSES, _MOST_LISTED = 24, 200
_LEAST_LETTERS = 4  # of a sentence that may hold whatever values: "{a} to {b}" wants names

_FORMATTER = string.Formatter()
_LETTERS = re.compile(r"[^\W\d_]")
_WORD = re.compile(r"[^\W\d_]{2,}")
_JOINT = re.compile(r"[;:,] ")
_QUOTES = "\"'`"
_QUOTED = re.compile(r'"[^"]*"|\'[^\']*\'|`[^`]*`|\[\[?\w+\]?\]')


@dataclass(frozen=True, slots=True)
class Reading:
    """How a text is read: as a `sentence` of the catalogue with `values`, or as neither (""), with
    `left`, the number of letters that no sentence explains. `is_begun`: the text has a capital
    that the sentence has not; `is_quoted`: it stands in quotes, and is left as it is."""

    text: str
    sentence: str = ""
    values: tuple[tuple[str, Reading], ...] = ()
    left: int = 0
    is_begun: bool = False
    is_quoted: bool = False

    def unexplained(self) -> Iterator[str]:
        """The pieces of the text that are no sentences."""
        if not self.sentence and not self.is_quoted:
            yield self.text
        for _, value in self.values:
            yield from value.unexplained()


class Grammar:
    """All sentences of a catalogue, as something that texts are held against."""

    def __init__(self, sentences: Iterable[str]) -> None:
        templates = [_Template(one) for one in sentences]
        self._plain = {one.parts[0][0]: one.sentence for one in templates if one.is_plain}
        joints = {*JOINED.values(), SENTENCE}
        with_values = [
            one
            for one in templates
            if not one.is_plain and one.letters and one.sentence not in joints
        ]
        frequent = Counter(word for one in with_values for word in one.words)
        self._by_word: dict[str, list[_Template]] = {}
        self._open: list[_Template] = []  # without a whole word of their own
        for one in with_values:
            key = min(one.words, key=lambda word: (frequent[word], word), default="")
            (self._by_word.setdefault(key, []) if key else self._open).append(one)
        self._known: dict[tuple[str, bool], Reading] = {}

    def read(self, text: str) -> Reading:
        """How a text is read. A text that is far too long is left as it is."""
        if len(text) > LONGEST:
            return Reading(text, left=len(text))
        if len(self._known) > 20_000:
            self._known.clear()
        return self._read(text, True)

    def _read(self, text: str, words_allowed: bool) -> Reading:
        key = text, words_allowed
        found = self._known.get(key)
        if found is None:
            self._known[key] = Reading(text, left=_left_in(text))  # while it is being read
            found = self._known[key] = self._read_anew(text, words_allowed)
        return found

    def _read_anew(self, text: str, words_allowed: bool) -> Reading:
        best = opaque = Reading(text, left=_left_in(text))
        if not opaque.left:
            return opaque
        if words_allowed or " " in text:
            for english, is_begun in _spellings(text):
                if english in self._plain:
                    return Reading(text, self._plain[english], is_begun=is_begun)
        if " " not in text:
            return opaque
        for one in self._ways(text):
            if one.left < best.left or (one.left == best.left and best is opaque):
                best = one
            if not best.left or (best is one and _is_simple(one)):
                break
        return best

    def _ways(self, text: str) -> Iterator[Reading]:
        if text[:1].isupper():
            yield from self._whole_sentence(text)
        if "; " in text:
            yield from self._clauses(text)
        for place in self._places(text):
            if all(one.sentence for _, one in place.values):
                yield place
        for template, english, is_begun in self._fitting(text):
            values = template.values_in(english)
            if values is None:
                continue
            read = tuple(
                (name, self._value(name, value, i in template.quoted))
                for i, (name, value) in enumerate(values)
            )
            if template.is_slight and not all(
                _is_sure(one) and not _JOINT.search(one.text) for _, one in read
            ):
                continue
            left = sum(one.left for _, one in read)
            yield Reading(text, template.sentence, read, left, is_begun)
        yield from self._whole_sentence(text)
        yield from self._places(text)
        yield from self._lists(text)

    def _whole_sentence(self, text: str) -> Iterator[Reading]:
        """What ends with a full stop; one at the end of a name is told by what comes before."""
        if text.endswith(".") and not text.endswith(".."):
            inner = self._read(text[:-1], False)
            if inner.sentence:
                yield Reading(text, SENTENCE, (("sentence", inner),), inner.left)

    def _value(self, name: str, text: str, is_quoted: bool) -> Reading:
        if is_quoted:
            return Reading(text, is_quoted=True)
        return self._read(text, name.rstrip("0123456789") in WORDS)

    def _fitting(self, text: str) -> list[tuple[_Template, str, bool]]:
        """The sentences whose head, end and rarest word stand in the text, the longest first."""
        words = {*_WORD.findall(text)}
        found = []
        for english, is_begun in _spellings(text):
            for template in itertools.chain(
                self._open, *(self._by_word[word] for word in words if word in self._by_word)
            ):
                fits = english.startswith(template.head) and english.endswith(template.tail)
                if fits and (template.head or not is_begun):
                    found.append((template, english, is_begun))
        return sorted(found, key=lambda one: one[0].order)

    def _clauses(self, text: str) -> Iterator[Reading]:
        """Clauses between semicolons, best all of them known: some may have one inside."""
        ends = [found.start() for found in re.finditer("; ", text)][:_MOST_CLAUSES]
        for end in reversed(ends):
            head, rest = self._read(text[:end], False), self._read(text[end + 2 :], False)
            if head.sentence or rest.sentence:
                yield _join("; ", text, head, rest)
                if head.sentence and rest.sentence:
                    return

    def _places(self, text: str) -> Iterator[Reading]:
        for joint in (": ", " | "):
            starts = [found.start() for found in re.finditer(re.escape(joint), text)]
            for start in starts[:_MOST_CLAUSES]:
                tail = text[start + len(joint) :]
                found = self._read(tail, tail in FOUND)
                where = self._read(text[:start], False)
                if found.sentence or where.sentence:
                    yield _join(joint, text, where, found)

    def _lists(self, text: str) -> Iterator[Reading]:
        """A list whose parts are known, or are single words: names and numbers."""
        for joint in (", or ", " and ", " or "):
            head, found, tail = text.rpartition(joint)
            if found:
                first, last = self._list(head), self._part(tail)
                if first is not None and last is not None:
                    yield _join(joint, text, first, last)
        whole = self._list(text) if ", " in text else None
        if whole is not None and whole.sentence:
            yield whole

    def _list(self, text: str) -> Reading | None:
        texts = text.split(", ")
        if len(texts) > _MOST_LISTED:
            return None
        parts = [self._part(part, False) for part in texts]
        if any(part is not None and part.sentence for part in parts):
            parts = [self._part(part, True) for part in texts]
        read = [part for part in parts if part is not None]
        if len(read) < len(parts):
            return None
        if not any(part.sentence for part in read):
            return Reading(text, left=_left_in(text))
        whole = read[-1]
        for part in reversed(read[:-1]):
            whole = _join(", ", f"{part.text}, {whole.text}", part, whole)
        return whole

    def _part(self, text: str, words_allowed: bool = False) -> Reading | None:
        read = self._read(text, words_allowed)
        return read if _is_sure(read) and text[-1:] not in ";:" else None


_JOINTS = frozenset({*JOINED.values(), SENTENCE})


def _join(joint: str, text: str, first: Reading, rest: Reading) -> Reading:
    sentence = JOINED[joint]
    names = [name for _, name, _, _ in _FORMATTER.parse(sentence) if name]
    values = ((names[0], first), (names[1], rest))
    return Reading(text, sentence, values, first.left + rest.left)


def _is_sure(one: Reading) -> bool:
    """Whether a value is a sentence, a single word or a number."""
    return bool(one.sentence) or " " not in _QUOTED.sub("#", one.text)


def _is_simple(one: Reading) -> bool:
    """Whether all values are numbers or single words, which nothing can read better."""
    return all(not value.left or " " not in value.text for _, value in one.values) and (
        one.sentence not in _JOINTS
    )


def _spellings(text: str) -> Iterator[tuple[str, bool]]:
    """The text, and as it stands inside a sentence where it begins with a capital."""
    yield text, False
    if text[:1].isupper():
        yield text[:1].lower() + text[1:], True


def _left_in(text: str) -> int:
    """The letters of a text outside quotes."""
    return len(_LETTERS.findall(_QUOTED.sub("", text)))


def _parts_of(sentence: str) -> list[tuple[str, str | None]]:
    """The words of a sentence, and the place that follows each; a brace in the words is a word."""
    parts: list[tuple[str, str | None]] = []
    words = ""
    for text, name, _, _ in _FORMATTER.parse(sentence):
        words += text
        if name is not None:
            parts.append((words, name))
            words = ""
    return [*parts, (words, None)] if words or not parts else parts


class _Template:
    """A sentence with places for values."""

    def __init__(self, sentence: str) -> None:
        self.sentence = sentence
        self.parts = _parts_of(sentence)
        self.is_plain = len(self.parts) == 1 and self.parts[0][1] is None
        fixed = [text for text, _ in self.parts]
        letters = sum(len(_LETTERS.findall(text)) for text in fixed)
        numbers = sum(name in NUMBERS for _, name in self.parts)
        self.order = (-letters, -sum(map(len, fixed)), -numbers, sentence)
        self.letters, self.is_slight = letters, letters < _LEAST_LETTERS
        self.head = fixed[0]
        self.quoted = {
            i
            for i, (before, after) in enumerate(itertools.pairwise([*fixed, ""]))
            if (before[-1:] in _QUOTES and before[-1:] == after[:1] != "")
            or (before.endswith("[") and after.startswith("]"))
        }
        self.tail = fixed[-1] if self.parts[-1][1] is None else ""
        self.words = {
            word
            for i, (text, name) in enumerate(self.parts)
            for word in _whole_words(text, i == 0, name is None)
        }

    def values_in(self, text: str) -> tuple[tuple[str, str], ...] | None:
        """The values that make the text of the sentence; None where none do."""
        if not (text.startswith(self.head) and text.endswith(self.tail)):
            return None
        end, at = len(text) - len(self.tail), len(self.head)
        names = [name for _, name in self.parts if name is not None]
        inner = [literal for literal, _ in self.parts[1 : len(names)]]
        values: list[tuple[str, str]] = []
        for name, literal in zip(names, inner, strict=False):
            found = text.find(literal, at + 1, end)
            if found < 0:
                return None
            values.append((name, text[at:found]))
            at = found + len(literal)
        if at >= end:
            return None
        values.append((names[-1], text[at:end]))
        if any(name in NUMBERS and _LETTERS.search(value) for name, value in values):
            return None
        return tuple(values)


def _whole_words(text: str, is_first: bool, is_last: bool) -> list[str]:
    """The words of a piece of a sentence that no value can lengthen: a value stands before each
    piece but the first, and after it unless it is the last. The first word may have a capital."""
    begin = r"(?<![\w])(?!^)" if is_first else r"(?<=[^\w])"
    end = "" if is_last else r"(?!$)"
    return re.findall(rf"{begin}[^\W\d_]{{2,}}(?![\w]){end}", text)
