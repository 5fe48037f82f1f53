"""The command `sheet`: the practice sheet as a page for a telephone."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli import terminal
from pipeline.cli.options import SessionFile
from pipeline.errors import UsageError
from pipeline.language.phrases import phrase

SHEET_EXAMPLE = (
    "Example:\n\nbatontrace sheet evening/session.toml\n\n"
    "Send sheet.html to the telephone (as a mail or message to yourself, or by cable), save it "
    "there, and open it in the browser. It needs no network."
)


def run_sheet(
    session: SessionFile,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="PAGE.html",
            help="The page to write; one that is there is replaced. (default: sheet.html beside "
            "session.toml)",
        ),
    ] = None,
) -> None:
    """Write the practice sheet as a page to fill in on a telephone at the track, offline.

    It knows the session's runners, zones and lanes, and has the rows that the sheet holds already.
    """
    path = session / "session.toml" if os.path.isdir(session) else session
    page = to or path.with_name("sheet.html")
    if page.suffix.casefold() not in (".html", ".htm"):
        raise UsageError("--to", f'"{page}"', "a name that ends in .html")
    terminal.say(phrase("Written: {path}", path=write_sheet_page(path, page)))
    terminal.say(
        phrase(
            "Send it to the telephone, open it there in the browser, and bring back the sheet that "
            "it saves."
        )
    )
    terminal.give({"page": page})


def write_sheet_page(session: Path, to: Path) -> Path:
    """Write the page of a session's practice sheet, whole or not at all; gives its path.

    Raises SessionError where session.toml or the sheet that is there cannot be read, OutputError
    where the page cannot be written.
    """
    from pipeline.read.practice.sheet import REPS_FORM, SHEET_COLUMNS
    from pipeline.read.practice.sheet_cells import CELL_RANGES
    from pipeline.read.practice.sheet_rows import sheet_rows
    from pipeline.session.note import read_setting
    from pipeline.show.page.practice_sheet import SheetFacts, practice_sheet_page
    from pipeline.tables import whole_files

    setting = read_setting(session)
    rows = sheet_rows(setting.path, REPS_FORM)[0] if os.path.lexists(setting.path) else []
    facts = SheetFacts(
        session=setting.session,
        day=setting.date,
        event=setting.event,
        foot_m={runner.id: runner.foot_m for runner in setting.runners},
        zones=sorted({zone for _, zone in setting.zones}),
        lanes=sorted({lane for lane, _ in setting.zones}),
        lane=setting.lane,
        races=[race.id for race in setting.races],
        columns=SHEET_COLUMNS,
        ranges=CELL_RANGES,
        rows=[row.cells for row in rows],
        file=setting.path.name,
    )
    whole_files.write_text(to, practice_sheet_page(facts), make_folder=False)
    return to
