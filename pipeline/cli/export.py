"""The command that hands tables to other programs: export.

It parses, calls one function of `export`, prints. `cli` gives it its place.
"""

from __future__ import annotations

import enum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.base.words import count
from pipeline.cli import terminal
from pipeline.cli.options import OutArgument


class TableName(enum.StrEnum):
    exchanges = "exchanges"
    speed_curves = "speed_curves"
    recordings = "recordings"
    runners = "runners"
    marks = "marks"
    orders = "orders"
    progress = "progress"


EXPORT_EXAMPLE = (
    "Examples:\n\n"
    "batontrace export out --to takeovers.csv\n\n"
    "batontrace export out --to season.xlsx\n\n"
    "batontrace export out --to curves.csv --table speed_curves --session otter-evening\n\n"
    "batontrace export out --to everything   (a folder: a CSV file a table)\n\n"
    "In CSV a text that begins with =, +, - or @ gets a ' before it, so that no spreadsheet takes "
    "it for a formula."
)


def run_export(
    out: OutArgument,
    to: Annotated[
        Path,
        typer.Option(
            "--to", metavar="FILE.csv|FILE.xlsx|FOLDER", help="Replaced where it is there."
        ),
    ],
    table: Annotated[
        list[TableName] | None,
        typer.Option(
            "--table",
            metavar="TABLE",
            help="exchanges, speed_curves, recordings, runners, marks, orders or progress; may be "
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
    """Tables for a spreadsheet: CSV or XLSX, units in the headings, one row a takeover.

    What each column means stands in the workbook's sheet, or the folder's file, columns.
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
    terminal.print_table(
        ["table", "rows"], [(name, str(rows)) for name, rows in done.rows], right=(1,)
    )
    terminal.print_list("Remarks", done.remarks)
    terminal.say(f"{count(len(done.paths), 'file')}: {', '.join(str(p) for p in done.paths)}")
