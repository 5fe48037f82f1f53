"""The command that takes runners or sessions out of the tables: forget. `app` registers it."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli import terminal
from pipeline.cli.options import FolderArgument
from pipeline.errors import UsageError
from pipeline.language.phrases import phrase, reworded

FORGET_EXAMPLE = (
    "Examples:\n\n"
    "batontrace forget out --runner robin --dry-run   (what would go)\n\n"
    "batontrace forget out --runner robin --runner wren --yes\n\n"
    "batontrace forget out --session otter-evening"
)


def run_forget(
    out: FolderArgument,
    runner: Annotated[
        list[str] | None,
        typer.Option("--runner", metavar="ID", help="A runner; may be repeated."),
    ] = None,
    session: Annotated[
        list[str] | None,
        typer.Option("--session", metavar="ID", help="A session; may be repeated."),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would go, and change nothing.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do it without asking.")] = False,
) -> None:
    """Take a runner, or a session, out of all tables, decisions and pages in OUT, for good.

    The takeovers of a runner vanish for the partner too. It is done whole or not at all.
    """
    from pipeline.tables import forgetting
    from pipeline.tables.places import Folder, as_place

    runners, sessions = list(dict.fromkeys(runner or ())), list(dict.fromkeys(session or ()))
    if not runners and not sessions:
        raise UsageError("forget", "nothing to forget", "--runner ID or --session ID")
    place = as_place(out)
    if not isinstance(place, Folder):
        raise UsageError(
            f"forget {place}",
            "a bucket, in which many files cannot be changed together",
            "a folder",
            "fetch the bucket into a folder, forget there, and put it back in place of the old one",
        )
    with terminal.at_work(phrase("looks for what goes")):
        found = forgetting.find_forgettable(place.path, runners, sessions)
    told = [reworded(one) for one in found.told]
    if dry_run or not yes:
        terminal.print_list(phrase("Goes"), told)
    else:
        terminal.print_list(phrase("Taken out"), told)
    if dry_run:
        terminal.say(phrase("Nothing was changed (--dry-run)"))
        terminal.give({"goes": found.told, "done": False})
        return
    if not yes:
        if not terminal.is_answered():
            raise UsageError("forget", "nobody is there to be asked", "--yes, or a terminal")
        if not terminal.confirm(phrase("It cannot be brought back from OUT. Go on?")):
            terminal.say(phrase("Nothing was changed"))
            terminal.give({"goes": found.told, "done": False})
            return
    with terminal.at_work(phrase("takes it out")):
        forgetting.forget(place.path, runners, sessions)
    out_of_reach = (*forgetting.NEVER_IN_REACH, *found.out_of_reach)
    terminal.give({"goes": found.told, "done": True, "out_of_reach": out_of_reach})
    terminal.print_list(phrase("Not in reach, so look there yourself"), map(reworded, out_of_reach))
    terminal.say(
        phrase(
            "Marks and orders of the others rest on the old tables until marks and order run "
            "again. season leaves sessions alone whose folders still name what was forgotten; "
            "process on such a session brings it back."
        )
    )
