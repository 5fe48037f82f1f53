"""The command `watch`: files arrive, and each takeover is told in two lines."""

from __future__ import annotations

import os
import sys
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.base import defaults
from pipeline.base.words import CAUTION
from pipeline.cli import terminal
from pipeline.errors import SessionError, UsageError
from pipeline.language.phrases import phrase, phrase_count, reworded

if TYPE_CHECKING:
    from pipeline.session.watch import LookResult

WATCH_EXAMPLE = (
    "Examples:\n\n"
    "batontrace watch evening --out out   (Ctrl-C ends it)\n\n"
    "batontrace watch evening --out out --once   (measure what is there, and end)\n\n"
    "Put each runner's files into a folder of the runner's id, evening/robin/0417.fit: they are "
    "added to session.toml by themselves."
)
LEAST_EVERY_S, MOST_EVERY_S = 0.2, 600.0


def run_watch(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER", help="The folder of session.toml, in which the files arrive."
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="OUT", help="Folder of the tables and pages, shared by all sessions."
        ),
    ],
    every: Annotated[
        float, typer.Option("--every", metavar="SECONDS", help="How often to look.")
    ] = 2.0,
    once: Annotated[
        bool, typer.Option("--once", help="Measure what is there, tell it, and end.")
    ] = False,
    stake: Annotated[
        str,
        typer.Option(
            "--stake", metavar="heat|final|record|SECONDS", help="As in marks, for the tape."
        ),
    ] = "final",
) -> None:
    """Measure files as they arrive, and tell each takeover in two lines: what happened, what to
    change.

    The session's page in OUT/report is renewed each time. A file that is still being copied is
    waited for, and nothing that is wrong with one file stops the others.
    """
    from pipeline.session.arrivals import Readings
    from pipeline.session.watch import WatchSettings, WatchState, take_look

    if not LEAST_EVERY_S <= every <= MOST_EVERY_S:
        raise UsageError("--every", f"{every:g}", f"seconds, {LEAST_EVERY_S:g} to {MOST_EVERY_S:g}")
    path = folder if folder.suffix.casefold() == ".toml" else folder / "session.toml"
    if not os.path.lexists(path):
        raise SessionError(
            path, "no such file", "a session.toml", f"make one: batontrace new {path.parent}"
        )
    settings = WatchSettings(path, out, _stake_s(stake), _tell_begin)
    state, readings = WatchState(), Readings()
    terminal.say(reworded(CAUTION))
    if not once:
        terminal.say(phrase("Watching {folder}; Ctrl-C ends it.", folder=path.parent))
        sys.stdout.flush()
    while True:
        state, result = take_look(state, settings, readings, at_once=once)
        _print_look(result)
        sys.stdout.flush()
        if once:
            if result.problems and not result.is_measured:
                raise typer.Exit(7)
            return
        time.sleep(every)


def _stake_s(text: str) -> float:
    if text in defaults.STAKES_S:
        return defaults.STAKES_S[text]
    try:
        return float(text)
    except ValueError:
        raise UsageError(
            "--stake", f'"{text}"', f"{', '.join(defaults.STAKES_S)} or seconds"
        ) from None


def _tell_begin(session: str) -> None:
    if sys.stderr.isatty():
        terminal.say(phrase("measuring {session} ...", session=session), sys.stderr)


def _print_look(result: LookResult) -> None:
    """Print what one look found; nothing where nothing is new."""
    for file, runner in result.added.items():
        terminal.say(
            phrase("{file} is {runner}'s: added to session.toml", file=file, runner=runner)
        )
    for file, why in result.unknown.items():
        terminal.say(
            phrase("{file} cannot be read: {why}", file=file, why=reworded(why))
            if why
            else phrase(
                "{file} is not in session.toml, and whose it is cannot be told: put it into a "
                "folder of the runner's id.",
                file=file,
            )
        )
    for problem in result.problems:
        terminal.complain(reworded(problem))
    if result.mended and not result.problems:
        terminal.say(phrase("In order again."))
    if result.zone:
        terminal.say(result.zone)
    for one in result.news:
        terminal.say(one.happened)
        terminal.say(one.change)
    if result.is_measured or result.added or result.unknown or result.problems:
        terminal.give(
            {
                "takeovers": [
                    {
                        "exchange": one.exchange,
                        "incoming": one.key[0],
                        "outgoing": one.key[1],
                        "lost_s": one.lost_s,
                        "happened": one.happened,
                        "change": one.change,
                    }
                    for one in result.news
                ],
                "added": result.added,
                "unknown": result.unknown,
                "waiting": result.waiting,
                "problems": result.problems,
                "page": result.page,
            }
        )
    if not result.is_measured:
        return
    if result.waiting:
        terminal.say(phrase("Still to come: {files}", files=", ".join(result.waiting)))
    terminal.say(
        phrase_count(
            "{count} takeover is new at {time}, measured in {took_s:.0f} s; page: {page}",
            "{count} takeovers are new at {time}, measured in {took_s:.0f} s; page: {page}",
            len(result.news),
            time=f"{datetime.now():%H:%M:%S}",
            took_s=result.took_s,
            page=result.page or "-",
        )
    )
