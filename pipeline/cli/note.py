"""The command that writes down what somebody calls out: note. `app` registers it."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.base.asking import question
from pipeline.base.words import count
from pipeline.cli import terminal
from pipeline.cli.options import SessionFile
from pipeline.errors import InputError, UsageError
from pipeline.language.phrases import phrase, reworded

if TYPE_CHECKING:
    from pipeline.session.call_outs import CallOut, SheetSetting
    from pipeline.session.sheet_text import Clash

MOST_CALL_OUTS = 1000  # in one call

NOTE_EXAMPLE = (
    "Examples:\n\n"
    'batontrace note evening/session.toml "rep 7 pass 21 m" "8 dropped"\n\n'
    "batontrace note evening/session.toml   (then type, a line each; Ctrl-D ends)\n\n"
    "Call-outs begin with the rep's number: rep 9 wren to jay zone 2 mark 27 feet; "
    "7 incoming start 40 m; 7 start 17:05; 7 note legs heavy. Other words are a note too.\n\n"
    "How it was run: 9 build-up effort 80; 9 upsweep left hand wind +1.2; 9 race heat; "
    "9 rotation finch to robin; 9 do not use."
)


def run_note(
    session: SessionFile,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="WORDS",
            help="Call-outs, each in quotes. (default: lines of standard input)",
        ),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Take what is misspelt as it was probably meant.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Overwrite cells that hold something else.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be stored and write nothing.")
    ] = False,
) -> None:
    """Write into a session's practice sheet what somebody calls out, line by line.

    A new rep gets a new row, an old one its blank cells filled. All of a call is stored, or none;
    on a terminal each line as soon as it is understood, and what is in doubt is asked.
    """
    from pipeline.session import note as stage

    setting = stage.read_setting(session)
    asks = terminal.is_answered()
    if words or not asks:
        said = list(words) if words else list(_lines_said())
        if not said:
            raise UsageError("standard input", "nothing was said", "a call-out a line")
        stored = _store_together(said, setting, asks, yes, replace, dry_run)
        terminal.give({"stored": stored, "dry_run": dry_run})
        return
    terminal.say(phrase("A line each, such as: rep 7 pass 21 m. Ctrl-D ends."), sys.stderr)
    together: list[str] = []
    for line in _lines_said():
        try:
            together += _store_together([line], setting, asks, yes, replace, dry_run)
        except (UsageError, InputError) as error:
            terminal.complain_of(error)
    terminal.give({"stored": together, "dry_run": dry_run})


def _lines_said() -> Iterator[str]:
    """The lines of standard input that are not blank, each as it comes."""
    from pipeline.session.call_outs import MOST_CHARACTERS

    given = 0
    while (line := terminal.read_line(MOST_CHARACTERS)) is not None:
        if line.strip():
            given += 1
            if given > MOST_CALL_OUTS:
                found = f"more than {MOST_CALL_OUTS} lines"
                raise UsageError("standard input", found, "fewer in one call")
            yield line.strip()


def _store_together(
    said: Sequence[str], setting: SheetSetting, asks: bool, yes: bool, replace: bool, dry_run: bool
) -> tuple[str, ...]:
    """Store all call-outs or none; print and return where each went."""
    from pipeline.session import note as stage

    call_outs = _understood(said, setting, asks, yes)
    confirmed: set[Clash] = set()
    may_replace = (lambda _clash: True) if replace else confirmed.__contains__
    while True:
        merged = stage.store_call_outs(setting, call_outs, may_replace, dry_run=dry_run)
        if not merged.clashes:
            break
        refused = [
            clash
            for clash in merged.clashes
            if not (
                asks and terminal.confirm(phrase("{clash}. Replace?", clash=reworded(str(clash))))
            )
        ]
        file = setting.path.name
        _refuse(
            [
                UsageError(file, str(clash), do="what is there is kept")
                if asks
                else UsageError(file, str(clash), do="--replace overwrites what is there")
                for clash in refused
            ]
        )
        confirmed.update(merged.clashes)
    for line in merged.stored:
        said = reworded(line)
        terminal.say(phrase("{line} (not written)", line=said) if dry_run else said)
    return merged.stored


def _understood(said: Sequence[str], setting: SheetSetting, asks: bool, yes: bool) -> list[CallOut]:
    """What was called out. Raises UsageError with all that is not understood."""
    from pipeline.session.call_outs import call_out_in_words, parse_call_out

    understood: list[CallOut] = []
    wrong: list[UsageError] = []
    for line in said:
        try:
            call_out = parse_call_out(line, setting)
        except UsageError as error:
            wrong.append(error)
            continue
        understood.append(call_out)
        meant = question(call_out_in_words(call_out))
        if call_out.guessed and not yes:
            if not asks:
                wrong.append(
                    UsageError(
                        f'"{line}"', meant, do="say it so, or give --yes to take it as meant"
                    )
                )
            elif not terminal.confirm(reworded(meant)):
                wrong.append(UsageError(f'"{line}"', "not stored", do="say it in other words"))
    _refuse(wrong)
    return understood


def _refuse(wrong: Sequence[UsageError]) -> None:
    """Raise what is wrong, if anything is, as one UsageError."""
    from pipeline.read.practice.problems import shortened_remarks

    if len(wrong) == 1:
        raise wrong[0]
    if wrong:
        raise UsageError(
            "note",
            f"{count(len(wrong), 'problem')}; nothing is stored",
            details=shortened_remarks("note", [*map(str, wrong)]),
        )
