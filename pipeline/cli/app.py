"""The command line: registers the commands of the other modules and turns errors into exit codes.

Heavy imports stand inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from pipeline.cli import decide, export, season, session, show, terminal
from pipeline.errors import DEFECT, BatontraceError

if TYPE_CHECKING:
    pass

LINE_LIMIT = 1000  # characters: no command's line is cut

EXIT_CODES = (
    "Exit codes: 0 done; 2 the command line asks for something impossible; 3 other input; "
    "4 a recording; 5 session.toml or the practice sheet; 6 the venue; "
    "7 nothing could be measured; 8 the tables could not be written; 9 some sessions of a season "
    "failed; 70 a defect of batontrace; 130 stopped by Ctrl-C."
)


class Commands(TyperGroup):
    """A group whose help shows the whole line of each command, folded and not cut short."""

    def format_commands(self, _ctx: Any, formatter: Any) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, one.get_short_help_str(LINE_LIMIT)) for name, one in self.commands.items()]
            )


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
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
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of a defect.")] = False,
) -> None:
    """Measure relay takeovers from the track files that the runners' units write.

    Start a session with template and venue, look at it with check, and measure it with process, or
    measure many with season. Then marks, order, runners and progress turn the tables into
    decisions; report and overlay show them, and export hands them to a spreadsheet.
    """


app.command("template", epilog=session.TEMPLATE_EXAMPLE)(session.run_template)
app.command("venue", epilog=session.VENUE_EXAMPLE)(session.run_venue)
app.command("check", epilog=session.CHECK_EXAMPLE)(session.run_check)
app.command("process", epilog=session.PROCESS_EXAMPLE)(session.run_process)
app.command("season", epilog=season.SEASON_EXAMPLE)(season.run_season)
app.command("marks", epilog=decide.MARKS_EXAMPLE)(decide.run_marks)
app.command("order", epilog=decide.ORDER_EXAMPLE)(decide.run_order)
app.command("runners", epilog=decide.RUNNERS_EXAMPLE)(decide.run_runners)
app.command("progress", epilog=decide.PROGRESS_EXAMPLE)(decide.run_progress)
app.command("report", epilog=show.REPORT_EXAMPLE)(show.run_report)
app.command("overlay", epilog=show.OVERLAY_EXAMPLE)(show.run_overlay)
app.command("export", epilog=export.EXPORT_EXAMPLE)(export.run_export)


# --- running ---------------------------------------------------------------------------


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; no exception leaves it."""
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    debug = "--debug" in arguments
    terminal.survive_any_encoding()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(
            name, "1"
        )  # small matrices: waking threads costs more than they bring
    try:
        app(args=[word for word in arguments if word != "--debug"], prog_name="batontrace")
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    except BatontraceError as err:
        terminal.complain(str(err))
        return err.exit_code
    except Exception as err:
        if debug:
            traceback.print_exc()
        where = traceback.extract_tb(err.__traceback__)[-1]
        words = " ".join(f"{type(err).__name__}: {err}".split())
        terminal.complain(
            f"this is a defect, please report it: {words} "
            f"({Path(where.filename).name}:{where.lineno}); --debug shows more"
        )
        return DEFECT
    return 0


if __name__ == "__main__":
    sys.exit(main())
