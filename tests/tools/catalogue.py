"""Finds the sentences that people read and keeps the catalogues of the languages up to date.

    python tests/tools/catalogue.py                 renews pipeline/language/*.po; names what lacks
    python tests/tools/catalogue.py --take NEW.json takes translations in first:
                                            {"English sentence": {"de": "…", "fr": "…"}}
    python tests/tools/catalogue.py --missing       prints what lacks as such a file, to fill in

A sentence that counts has lists of two forms:
{"{count} rep": {"de": ["{count} …", "{count} …"], …}}.
A sentence with a context is written "context|sentence".
"""

from __future__ import annotations

import argparse
import ast
import json
import string
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import plain_sentences  # noqa: E402
from babel.messages.catalog import Catalog, Message  # noqa: E402
from babel.messages.pofile import read_po, write_po  # noqa: E402

from pipeline.language.phrases import TRANSLATED  # noqa: E402
from pipeline.language.reading import NUMBERS  # noqa: E402

SPEAKING = ("cli", "show")  # the rooms that speak the reader's language
FORMS = {"phrase": 1, "phrase_of": 2, "phrase_count": 2, "phrase_around": 1}


@dataclass(frozen=True)
class Sentence:
    """A sentence of the catalogue: its English, the form for many, its context, and where it
    stands."""

    english: str
    many: str = ""
    context: str = ""
    place: str = ""

    @property
    def key(self) -> str:
        return f"{self.context}|{self.english}" if self.context else self.english


class NoLiteralError(Exception):
    """A sentence that cannot be found by reading the code."""


def spoken(root: Path = ROOT) -> Iterator[Sentence]:
    """The sentences that `cli` and `show` say."""
    for room in SPEAKING:
        for path in sorted((root / "pipeline" / room).rglob("*.py")):
            yield from sentences_said(path.read_text("utf-8"), str(path.relative_to(root)))


def sentences_said(code: str, place: str) -> Iterator[Sentence]:
    """The sentences of one module. Raises NoLiteralError where one is not a literal."""
    for node in ast.walk(ast.parse(code)):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        if name not in FORMS:
            continue
        words = [one.value if isinstance(one, ast.Constant) else None for one in node.args]
        words = words[: FORMS[name]]
        if len(words) < FORMS[name] or any(not isinstance(word, str) for word in words):
            raise NoLiteralError(f"{place}:{node.lineno}: {name} wants a literal")
        texts = [str(word) for word in words]
        if name == "phrase_of":
            yield Sentence(texts[1], context=texts[0], place=place)
        elif name == "phrase_count":
            yield Sentence(texts[0], many=texts[1], place=place)
        else:
            yield Sentence(texts[0], place=place)


def sentences_of_columns() -> Iterator[Sentence]:
    """The words that tables hold for one of a few things."""
    from pipeline.show.column_words import COLUMN_WORDS

    for context, words in COLUMN_WORDS.items():
        for word in words:
            yield Sentence(word, context=context, place="pipeline/show/column_words.py")


def sentences_of_help() -> Iterator[Sentence]:
    """The sentences that `--help` says, and those of typer that a wrong command line meets."""
    from typer.main import get_command

    from pipeline.cli import app, help_text, terminal

    for text in help_text.sentences_in_help(get_command(app.app)):
        yield Sentence(text, place="pipeline/cli/help_text.py")
    for text in terminal.SYSTEM_SENTENCES:
        yield Sentence(text, place="pipeline/cli/terminal.py")


def plain(root: Path = ROOT) -> Iterator[Sentence]:
    """The sentences of the rooms that speak plain English, each once whatever its values are
    called."""
    met: set[str] = set()
    for one in plain_sentences.plain_sentences(root):
        shape = without_names(one.english), _has_numbers_alone(one.english)
        if shape not in met:
            met.add(shape)
            yield Sentence(one.english, place=one.place)


def _has_numbers_alone(sentence: str) -> bool:
    return any(name in NUMBERS for _, name, *_ in string.Formatter().parse(sentence))


def all_sentences(root: Path = ROOT) -> list[Sentence]:
    """Every sentence once, in the order of the alphabet."""
    found: dict[str, Sentence] = {}
    for one in (*spoken(root), *sentences_of_columns(), *sentences_of_help(), *plain(root)):
        former = found.get(one.key)
        if former is None or (one.many and not former.many):
            found[one.key] = one
    return [found[key] for key in sorted(found)]


def catalogue_path(language: str) -> Path:
    return ROOT / "pipeline" / "language" / f"{language}.po"


def stored(language: str) -> Catalog:
    path = catalogue_path(language)
    if not path.exists():
        return Catalog(locale=language)
    with path.open("rb") as file:
        return read_po(file, locale=language, ignore_obsolete=True)


def renewed(language: str, sentences: list[Sentence], new: dict[str, dict[str, object]]) -> Catalog:
    """The catalogue with these sentences alone, old translations kept and new ones taken in."""
    former = stored(language)
    alike = {
        (without_names(message.id), message.context): message
        for message in former
        if isinstance(message.id, str) and message.string
    }
    out = Catalog(
        locale=language,
        project="batontrace",
        copyright_holder="the batontrace contributors",
        header_comment="# batontrace in another language, under the MIT licence.\n"
        "# `python tests/tools/catalogue.py` renews this file from the code.",
        last_translator="the batontrace contributors",
        language_team="none",
        msgid_bugs_address="none",
        fuzzy=False,
    )
    out.creation_date = out.revision_date = datetime(2026, 11, 29, tzinfo=UTC)  # the same bytes
    for one in sentences:
        own = new.get(one.key, {}).get(language)
        known = former.get(one.english, one.context or None)
        if own is None and known is not None:
            own = known.string
        if not own and not one.many:  # a value has another name now, or the place another function
            twin = alike.get((without_names(one.english), one.context or None))
            own = own if twin is None else renamed(str(twin.id), str(twin.string), one.english)
        empty = ("", "") if one.many else ""
        if isinstance(own, list | tuple):  # French has a third form, for millions: as for many
            forms = [text for text in own if text]
            own = tuple(forms + forms[-1:] * (out.num_plurals - len(forms)))
        if bool(one.many) != isinstance(own, tuple):
            own = empty
        out.add(
            (one.english, one.many) if one.many else one.english,
            own or empty,
            context=one.context or None,
            flags=["python-brace-format"] if "{" in one.english + one.many else [],
            locations=[(one.place, None)] if one.place else [],
        )
    return out


def named(text: str) -> Iterator[tuple[str, str, str | None, str | None]]:
    """The places for values in a sentence."""
    for before, name, spec, way in string.Formatter().parse(text):
        if name is not None:
            yield before, name, spec, way


def without_names(sentence: str) -> str:
    """A sentence with its values numbered: two with the same have the same text in English."""
    parts = enumerate(string.Formatter().parse(sentence))
    return "".join(text + (f"{{{i}}}" if name is not None else "") for i, (text, name, *_) in parts)


def renamed(former: str, translation: str, sentence: str) -> str:
    """A translation of a former sentence with the values' names of one with the same text."""
    places = zip(*(_places(text) for text in (former, sentence)), strict=True)
    instead = dict(places)
    out = ""
    for text, name, spec, _ in string.Formatter().parse(translation):
        out += text.replace("{", "{{").replace("}", "}}")
        if name is not None:
            out += instead.get(f"{{{name}:{spec}}}" if spec else f"{{{name}}}", "")
    return out


def _places(sentence: str) -> list[str]:
    found = [(name, spec) for _, name, spec, _ in string.Formatter().parse(sentence) if name]
    return [f"{{{name}:{spec}}}" if spec else f"{{{name}}}" for name, spec in found]


def fields(text: str) -> set[str]:
    return {f"{name}:{spec}" for _, name, spec, _ in named(text) if name}


def lacking(catalog: Catalog) -> list[Message]:
    """The sentences without their translation, or with another set of values in it."""

    def is_whole(message: Message) -> bool:
        ids = message.id if isinstance(message.id, tuple) else (message.id,)
        # of a count the one and the many: French has a third form, for millions
        strings = message.string[:2] if isinstance(message.string, tuple) else (message.string,)
        wanted = fields(ids[-1]) | fields(ids[0])
        return all(text and fields(text) <= wanted for text in strings) and (
            set().union(*(fields(text) for text in strings)) == wanted
        )

    return [message for message in catalog if message.id and not is_whole(message)]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--take", type=Path, action="append", default=[])
    parser.add_argument("--missing", action="store_true")
    options = parser.parse_args()
    new: dict[str, dict[str, object]] = {}
    for path in options.take:
        new |= json.loads(path.read_text("utf-8"))
    sentences = all_sentences()
    missing: dict[str, dict[str, object]] = {}
    for language in TRANSLATED:
        catalog = renewed(language, sentences, new)
        with catalogue_path(language).open("wb") as file:
            write_po(file, catalog, width=100, omit_header=False, sort_output=False)
        for message in lacking(catalog):
            one = message.id[0] if isinstance(message.id, tuple) else message.id
            key = f"{message.context}|{one}" if message.context else one
            missing.setdefault(key, {})[language] = (
                ["", ""] if isinstance(message.id, tuple) else ""
            )
    if options.missing:
        print(json.dumps(missing, ensure_ascii=False, indent=1))
    else:
        print(f"{len(sentences)} sentences; {len(missing)} lack a translation")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
