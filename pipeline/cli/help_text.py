"""Help and complaints of the command line itself, in the language in force.

Typer speaks English. Its formatter is the one place through which all help passes, so that the
words are translated there, paragraph by paragraph.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from pipeline.cli.options import COMMON_OPTIONS
from pipeline.language.phrases import phrase, reworded

LINE_LIMIT = 1000  # characters: no command's line is cut

# What typer itself says; the catalogue's tool reads it here.
TYPERS_SENTENCES = (
    "Options",
    "Arguments",
    "Commands",
    "[OPTIONS]",
    "required",
    "Show this message and exit.",
    "Missing command.",
    "Missing argument {name}.",
    "Missing option {name}.",
    "Missing option {name}. {more}",
    "No such command {name}.",
    "No such command {name}. Did you mean {others}?",
    "No such option: {name}",
    "No such option: {name} (Possible options: {others})",
    "Option {name} does not take a value.",
    "Option {name} requires an argument.",
    "Option {name} requires {number} arguments.",
    "Got unexpected extra argument(s) ({words})",
    "Invalid value for {name}: {reason}",
    "Value {value} is not a valid {kind}.",
    "{value} is not one of {choices}.",
    "{value} is not in the range {limits}.",
)
_WITH_EXTRAS = re.compile(r"(.*?)(?:  \[([^][]*)\])?", re.DOTALL)
_WITH_COMMENT = re.compile(r"(batontrace .*?)(?:   \((.*)\))?", re.DOTALL)


def paragraphs(text: str) -> list[str]:
    """The paragraphs of a help text, each in one line."""
    return [" ".join(one.split("\n")).strip() for one in text.split("\n\n")]


def sentence_in(paragraph: str) -> str:
    """What is to be translated in a paragraph: of an example its comment alone, "" of data."""
    example = _WITH_COMMENT.fullmatch(paragraph)
    if example:
        return example[2] or ""
    return paragraph if " " in paragraph or paragraph.endswith(":") else ""


def _paragraph_in_language(paragraph: str) -> str:
    sentence = sentence_in(paragraph)
    if not sentence:
        return paragraph
    return paragraph[::-1].replace(sentence[::-1], reworded(sentence)[::-1], 1)[::-1]


def _definition_in_language(text: str) -> str:
    """The help of an option, and what typer adds: [default: 4; required]."""
    found = _WITH_EXTRAS.fullmatch(text)
    if found is None or found[2] is None:
        return reworded(text)
    extras = "; ".join(map(_extra_in_language, found[2].split("; ")))
    return f"{reworded(found[1])}  [{extras}]"


_Formatter: Any = typer.Context.formatter_class
_Context: Any = TyperCommand.context_class


def _extra_in_language(text: str) -> str:
    """What typer adds to an option's help; a default stays as it is typed."""
    name, sign, value = text.partition(": ")
    return phrase("default: {value}", value=value) if sign and name == "default" else reworded(text)


class HelpInLanguage(_Formatter):  # type: ignore[misc] # typer exports neither class
    """Typer's formatter, with every text translated before it is folded."""

    def write_usage(self, prog: str, args: str = "", prefix: str | None = None) -> None:
        args = args.replace("[OPTIONS]", reworded("[OPTIONS]"))
        super().write_usage(prog, args, f"{phrase('Usage:')} " if prefix is None else prefix)

    def write_heading(self, heading: str) -> None:
        self.write(
            f"{'':>{self.current_indent}}{phrase('{heading}:', heading=reworded(heading))}\n"
        )

    def write_text(self, text: str) -> None:
        super().write_text("\n\n".join(map(_paragraph_in_language, paragraphs(text))))

    def write_dl(self, rows: Sequence[tuple[str, str]], *args: Any, **options: Any) -> None:
        told = [(first, _definition_in_language(second)) for first, second in rows]
        super().write_dl(told, *args, **options)


class ContextInLanguage(_Context):  # type: ignore[misc]
    formatter_class = HelpInLanguage


class Command(TyperCommand):
    """A command whose help speaks the reader's language and names what every command takes."""

    context_class = ContextInLanguage

    def format_options(self, ctx: Any, formatter: Any) -> None:
        super().format_options(ctx, formatter)
        with formatter.section("Options of every command"):
            formatter.write_dl(COMMON_OPTIONS)


class Commands(TyperGroup):
    """A group whose help shows the whole line of each command, folded and not cut short."""

    context_class = ContextInLanguage

    def format_commands(self, _ctx: Any, formatter: Any) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, one.get_short_help_str(LINE_LIMIT)) for name, one in self.commands.items()]
            )


def sentences_in_help(commands: Any) -> Iterator[str]:
    """Every sentence that the help of a group of commands says."""
    yield from (*TYPERS_SENTENCES, "Options of every command")
    for one in (commands, *commands.commands.values()):
        for text in (one.help, one.epilog):
            yield from filter(None, map(sentence_in, paragraphs(text or "")))
        yield one.get_short_help_str(LINE_LIMIT)
        yield from (parameter.help for parameter in one.params if parameter.help)
    yield from (text for _, text in COMMON_OPTIONS)
