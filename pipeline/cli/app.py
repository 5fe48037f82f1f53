"""The command line: registers the commands of the other modules and turns errors into exit codes.

Heavy imports stand inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

import errno
import os
import sys
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from pipeline.cli import (
    causes,
    decide,
    export,
    forget,
    new,
    note,
    race,
    season,
    session,
    sheet,
    show,
    terminal,
    validate,
    venue,
    watch,
)
from pipeline.cli.help_text import Command, Commands
from pipeline.cli.options import (
    COMMON_FLAGS,
    DebugOption,
    JsonOption,
    LanguageOption,
    LongOption,
    QuietOption,
)
from pipeline.errors import DEFECT, BatontraceError, InputError, OutputError, UsageError
from pipeline.language.choice import LANGUAGES, system_language, using
from pipeline.language.phrases import phrase, reworded

# What typer raises where a command line is wrong; it exports the class of one kind alone.
WrongCommandLine: Any = typer.BadParameter.__mro__[2]
WRITING_ERRNOS = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG})

EXIT_CODES = (
    "Exit codes: 0 done; 2 the command line asks for something impossible; 3 other input; "
    "4 a recording; 5 session.toml or the practice sheet; 6 the venue; "
    "7 nothing could be measured; 8 tables, pages or the output could not be written; 9 some "
    "sessions of a season failed; 70 a defect of batontrace; 130 stopped by Ctrl-C."
)


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # the boxes of the rich one take longer to load than all the rest
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        import importlib.metadata

        print(f"batontrace {importlib.metadata.version('batontrace')}")
        raise typer.Exit


@app.callback(epilog=EXIT_CODES)
def batontrace(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
    language: LanguageOption = None,
    quiet: QuietOption = False,
    json: JsonOption = False,
    long: LongOption = False,
    debug: DebugOption = False,
) -> None:
    """Measure relay takeovers from the track files that the runners' units write.

    Start a session with template and venue, look at it with check, and measure it with process, or
    measure many with season; note fills in its practice sheet beside the track. Then marks, order,
    runners and progress turn the tables into decisions; report and overlay show them, and export
    hands them to a spreadsheet. Causes says what each takeover lost, and race tells a race leg by
    leg. Validate says how far to believe it all, where somebody filmed or timed. Forget takes a
    runner or a session out of the tables again.

    At the track: new makes a session from a folder of device files, sheet its practice sheet for a
    telephone, and watch tells each takeover in two lines as the files arrive.
    """


app.command("new", cls=Command, epilog=new.NEW_EXAMPLE)(new.run_new)
app.command("template", cls=Command, epilog=session.TEMPLATE_EXAMPLE)(session.run_template)
app.command("venue", cls=Command, epilog=venue.VENUE_EXAMPLE)(venue.run_venue)
app.command("check", cls=Command, epilog=session.CHECK_EXAMPLE)(session.run_check)
app.command("process", cls=Command, epilog=session.PROCESS_EXAMPLE)(session.run_process)
app.command("note", cls=Command, epilog=note.NOTE_EXAMPLE)(note.run_note)
app.command("sheet", cls=Command, epilog=sheet.SHEET_EXAMPLE)(sheet.run_sheet)
app.command("watch", cls=Command, epilog=watch.WATCH_EXAMPLE)(watch.run_watch)
app.command("season", cls=Command, epilog=season.SEASON_EXAMPLE)(season.run_season)
app.command("marks", cls=Command, epilog=decide.MARKS_EXAMPLE)(decide.run_marks)
app.command("order", cls=Command, epilog=decide.ORDER_EXAMPLE)(decide.run_order)
app.command("runners", cls=Command, epilog=decide.RUNNERS_EXAMPLE)(decide.run_runners)
app.command("causes", cls=Command, epilog=causes.CAUSES_EXAMPLE)(causes.run_causes)
app.command("progress", cls=Command, epilog=decide.PROGRESS_EXAMPLE)(decide.run_progress)
app.command("validate", cls=Command, epilog=validate.VALIDATE_EXAMPLE)(validate.run_validate)
app.command("race", cls=Command, epilog=race.RACE_EXAMPLE)(race.run_race)
app.command("report", cls=Command, epilog=show.REPORT_EXAMPLE)(show.run_report)
app.command("overlay", cls=Command, epilog=show.OVERLAY_EXAMPLE)(show.run_overlay)
app.command("export", cls=Command, epilog=export.EXPORT_EXAMPLE)(export.run_export)
app.command("forget", cls=Command, epilog=forget.FORGET_EXAMPLE)(forget.run_forget)


# --- running ---------------------------------------------------------------------------


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; no exception leaves it.

    A reader that closes the pipe has enough: the work is done to its end all the same.
    """
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(
            name, "1"
        )  # small matrices: waking threads costs more than they bring
    asked = _asked_of_every_command(arguments)
    manner = terminal.Manner(
        "--quiet" in asked.flags, "--json" in asked.flags, "--long" in asked.flags
    )
    language = asked.language if asked.language in LANGUAGES else system_language()
    with terminal.lenient_streams() as out, using(language), terminal.telling(manner):
        code = _run(asked)
        out.flush()
        if code == 0 and out.failure is not None and not isinstance(out.failure, BrokenPipeError):
            reason = terminal.reason_in_words(out.failure)
            terminal.complain(
                phrase(
                    "standard output: cannot be written ({reason}); the command itself was carried "
                    "out",
                    reason=reason,
                )
            )
            code = OutputError.exit_code
    return code


@dataclass(frozen=True)
class Asked:
    """A command line: what stands for every command, wherever it stands, and all the rest."""

    words: list[str]
    flags: frozenset[str] = frozenset()
    language: str | None = None


def _asked_of_every_command(arguments: Sequence[str]) -> Asked:
    words: list[str] = []
    flags: set[str] = set()
    language = None
    rest = iter(arguments)
    for word in rest:
        if word == "--":
            words += [word, *rest]
        elif word in COMMON_FLAGS:
            flags.add(word)
        elif word == "--language":
            language = next(rest, "")
        elif word.startswith("--language="):
            language = word.partition("=")[2]
        else:
            words.append(word)
    return Asked(words, frozenset(flags), language)


def _run(asked: Asked) -> int:
    """The exit code of a command line, with everything said that is to be said."""
    words = asked.words
    try:
        if asked.language not in (None, *LANGUAGES):
            known = ", ".join(f"{code} ({name})" for code, name in LANGUAGES.items())
            raise UsageError("--language", f'no language "{asked.language}"', known)
        for word in words:
            if "\0" in word:  # no file's name can hold one
                raise UsageError(word, "a null character", "text")
        # Not standalone: typer prints what a wrong command line holds as it is.
        code = app(args=words or ["--help"], prog_name="batontrace", standalone_mode=False)
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    except (KeyboardInterrupt, typer.Abort):
        terminal.complain(phrase("stopped"))
        return season.INTERRUPTED
    except WrongCommandLine as err:
        _print_wrong_command_line(err)
        return int(err.exit_code)
    except BatontraceError as err:
        terminal.complain_of(err)
        return err.exit_code
    except Exception as err:
        if "--debug" in asked.flags:
            for line in traceback.format_exc().splitlines():
                terminal.say(line, sys.stderr)
        if isinstance(err, UnicodeEncodeError):
            terminal.complain(
                phrase(
                    '"{name}": cannot be written in {encoding}; expected a name that can; rename '
                    "the file or folder, or set LC_ALL=C.UTF-8",
                    name=err.object,
                    encoding=err.encoding,
                )
            )
            return InputError.exit_code
        if isinstance(err, OSError) and err.filename is not None:
            terminal.complain(f"{err.filename}: {terminal.reason_in_words(err)}")
            kind = OutputError if err.errno in WRITING_ERRNOS else InputError
            return kind.exit_code
        where = traceback.extract_tb(err.__traceback__)[-1]
        reason = " ".join(f"{type(err).__name__}: {err}".split())
        terminal.complain(
            phrase(
                "this is a defect, please report it: {reason} ({place}); --debug shows more",
                reason=reason,
                place=f"{Path(where.filename).name}:{where.lineno}",
            )
        )
        return DEFECT
    if not words:
        return UsageError.exit_code
    return code if isinstance(code, int) else 0


def _print_wrong_command_line(err: Any) -> None:
    """Print the usage and what is wrong, as typer would, but nothing that a terminal obeys."""
    context = getattr(err, "ctx", None)
    if context is not None:
        for line in context.get_usage().splitlines():
            terminal.say(line, sys.stderr)
        path = context.command_path
        terminal.say(phrase("Try '{command} --help' for help.", command=path), sys.stderr)
    terminal.say(phrase("Error: {message}", message=reworded(err.format_message())), sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
