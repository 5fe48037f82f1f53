"""The commands that show what the tables hold: report, overlay.

Each parses its options, calls one function of `publish` or `squad_pages` and prints what came of
it. `app` registers them.
"""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.base.words import CAUTION
from pipeline.cli import terminal
from pipeline.cli.options import OutArgument
from pipeline.language.phrases import phrase, phrase_count, reworded

if TYPE_CHECKING:
    from pipeline.show.report_files import WrittenFile
    from pipeline.show.squad_pages import WrittenPages


class Axis(enum.StrEnum):
    zone = "zone"
    clock = "clock"


class FigureKind(enum.StrEnum):
    overlay = "overlay"
    history = "history"
    risk = "risk"
    marks = "marks"
    causes = "causes"


SessionOption = Annotated[
    str | None,
    typer.Option("--session", metavar="ID", help="A session's id in OUT. (default: the newest)"),
]
PairOption = Annotated[
    tuple[str, str] | None,
    typer.Option("--pair", metavar="INCOMING OUTGOING", help="A pair, the incoming runner first."),
]
EventFilterOption = Annotated[
    str | None, typer.Option("--event", help="Only this relay: 4x100, 4x400, ...")
]

REPORT_EXAMPLE = (
    "Examples:\n\n"
    "batontrace report out   (the newest session)\n\n"
    "batontrace report out --session otter-evening\n\n"
    "batontrace report out --pair robin wren   (over all sessions)\n\n"
    "batontrace report out --order 4x100\n\n"
    "batontrace report out --race heat --session otter-evening\n\n"
    "batontrace report out --runner robin   (a sheet to hand out)\n\n"
    "batontrace report out --season\n\n"
    "batontrace report out --all   (every page, linked; begin with season.html)"
)


def run_report(
    out: OutArgument,
    session: SessionOption = None,
    pair: PairOption = None,
    event: EventFilterOption = None,
    order: Annotated[
        str | None,
        typer.Option("--order", metavar="EVENT", help="The running orders of a relay, as 4x100."),
    ] = None,
    race: Annotated[
        str | None,
        typer.Option("--race", metavar="RACE", help="A race by its id in session.toml."),
    ] = None,
    runner: Annotated[
        str | None,
        typer.Option("--runner", metavar="ID", help="One runner's sheet, to hand out."),
    ] = None,
    season: Annotated[
        bool, typer.Option("--season", help="The season: its evenings, what changed, what is open.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--all", help="Every page into OUT/report, linked to one another.")
    ] = False,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", metavar="PAGE.html", help="The file to write. (default: one in OUT/report)"
        ),
    ] = None,
) -> None:
    """Write a page to read: a session's takeovers, a pair, an order, a race, a runner, the season.

    It is one HTML file that needs no network, for a telephone or to print. It shows marks, orders
    and trends once the commands that work them out have been run.
    """
    from pipeline.show import publish, squad_pages
    from pipeline.show.request import check_page_request

    check_page_request(
        session=session, pair=pair, event=event, order=order, race=race, runner=runner,
        season=season, every=every, has_name=to is not None,
    )  # fmt: skip
    if every:
        with terminal.at_work(phrase("writes pages")) as progress:
            pages = squad_pages.write_all_pages(out, progress=progress)
        _print_all_written(pages)
        return
    with terminal.at_work(phrase("writes pages")):
        if order is not None:
            done = squad_pages.write_order_page(out, order, to=to)
        elif race is not None:
            done = squad_pages.write_race_page(out, race, session=session, to=to)
        elif runner is not None:
            done = squad_pages.write_runner_page(out, runner, to=to)
        elif season:
            done = squad_pages.write_season_page(out, to=to)
        else:
            done = publish.write_page(out, session=session, pair=pair, event=event, to=to)
    _print_written(done, is_page=True)


def _print_all_written(done: WrittenPages) -> None:
    terminal.give({"written": done.index.path, "pages": done.pages, "remarks": done.remarks})
    terminal.say(
        phrase_count(
            "{count} page; begin with: {path}",
            "{count} pages; begin with: {path}",
            done.pages,
            path=done.index.path,
        )
    )
    terminal.print_list(phrase("Remarks"), map(reworded, done.remarks), terminal.SOME)
    terminal.say(reworded(CAUTION))


OVERLAY_EXAMPLE = (
    "Examples:\n\n"
    "batontrace overlay out --session otter-evening --exchange 3 --to third.svg\n\n"
    "batontrace overlay out --pair robin wren --axis clock --dark --to robin-wren.png\n\n"
    "batontrace overlay out --pair robin wren --figure risk"
)


def run_overlay(
    out: OutArgument,
    session: SessionOption = None,
    exchange: Annotated[
        int | None,
        typer.Option("--exchange", help="A takeover's number in the session."),
    ] = None,
    pair: PairOption = None,
    event: EventFilterOption = None,
    axis: Annotated[
        Axis | None,
        typer.Option(
            "--axis", help="Speeds over the zone's metres or over the clock. (default: zone)"
        ),
    ] = None,
    figure: Annotated[
        FigureKind,
        typer.Option(
            "--figure",
            help="Of a pair: its takeovers over each other, its weeks, the risk of its mark, what "
            "other marks would do, or where its time went.",
        ),
    ] = FigureKind.overlay,
    dark: Annotated[bool, typer.Option("--dark", help="Draw on a dark ground.")] = False,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FIGURE.svg|png",
            help="The file to write. (default: a PNG in OUT/report)",
        ),
    ] = None,
) -> None:
    """Draw one figure for a slide, as SVG or PNG: of a takeover, or of a pair's many."""
    from pipeline.show import publish

    with terminal.at_work(phrase("draws")):
        done = publish.write_figure(
            out, session=session, exchange=exchange, pair=pair, event=event,
            view=None if axis is None else axis.value, figure=figure.value, dark=dark, to=to,
        )  # fmt: skip
    _print_written(done, is_page=False)


def _print_written(done: WrittenFile, is_page: bool) -> None:
    terminal.give({"written": done.path, "takeovers": done.takeovers, "remarks": done.remarks})
    if is_page:
        terminal.say(
            phrase_count(
                "Page of {count} takeover: {path}",
                "Page of {count} takeovers: {path}",
                done.takeovers,
                path=done.path,
            )
        )
    else:
        terminal.say(
            phrase_count(
                "Figure of {count} takeover: {path}",
                "Figure of {count} takeovers: {path}",
                done.takeovers,
                path=done.path,
            )
        )
    terminal.print_list(phrase("Remarks"), map(reworded, done.remarks), terminal.SOME)
    terminal.say(reworded(CAUTION))
