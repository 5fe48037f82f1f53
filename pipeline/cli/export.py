"""The command that hands tables to other programs: export. `app` registers it."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli import terminal
from pipeline.cli.options import OutArgument
from pipeline.language.phrases import phrase, phrase_count, reworded


class TableName(enum.StrEnum):
    exchanges = "exchanges"
    speed_curves = "speed_curves"
    recordings = "recordings"
    observations = "observations"
    legs = "legs"
    exercises = "exercises"
    plan_places = "plan_places"
    runners = "runners"
    marks = "marks"
    orders = "orders"
    progress = "progress"
    validation = "validation"
    race_parts = "race_parts"
    causes = "causes"
    verdicts = "verdicts"


EXPORT_EXAMPLE = (
    "Examples:\n\n"
    "batontrace export out --to takeovers.csv\n\n"
    "batontrace export out --to season.xlsx\n\n"
    "batontrace export out --to curves.csv --table speed_curves --session otter-evening\n\n"
    "batontrace export out --to everything   (a folder with one CSV file for each table)\n\n"
    "In CSV a text that begins with =, +, - or @ gets a ' before it, so that no spreadsheet takes "
    "it for a formula."
)


def run_export(
    out: OutArgument,
    to: Annotated[
        Path,
        typer.Option(
            "--to",
            metavar="FILE.csv|FILE.xlsx|FOLDER",
            help="The file or folder to write; one that is there is replaced.",
        ),
    ],
    table: Annotated[
        list[TableName] | None,
        typer.Option(
            "--table",
            metavar="TABLE",
            help="One of the tables, such as exchanges, legs, exercises or marks; may be "
            "repeated. (default: exchanges for FILE.csv, all but speed_curves for FILE.xlsx, all "
            "for a folder)",
        ),
    ] = None,
    session: Annotated[
        list[str] | None,
        typer.Option(
            "--session", metavar="ID", help="A session; may be repeated. (default: all in OUT)"
        ),
    ] = None,
) -> None:
    """Write tables for a spreadsheet: CSV or XLSX, with units in the headings.

    The sheet "columns" of the workbook, or the file of that name, says what each column means.
    """
    from pipeline.tables import export as stage

    with terminal.progress_bar() as progress:
        done = stage.export_tables(
            out,
            to,
            tables=[one.value for one in table or ()],
            sessions=session or (),
            progress=progress,
        )
    terminal.give({"written": done.paths, "rows": dict(done.rows), "remarks": done.remarks})
    terminal.say(
        phrase_count(
            "{count} file: {paths}",
            "{count} files: {paths}",
            len(done.paths),
            paths=", ".join(map(str, done.paths)),
        )
    )
    terminal.print_table(
        [phrase("table"), phrase("rows")],
        [(name, str(rows)) for name, rows in done.rows],
        right=(1,),
    )
    terminal.print_list(phrase("Remarks"), map(reworded, done.remarks), terminal.SOME)
