"""The commands that show what the tables hold: report, overlay.

Each parses its options, calls one function of `show.publish` and prints what came of it. `app`
registers them.
"""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.base.words import CAUTION, count
from pipeline.cli import terminal
from pipeline.cli.options import OutArgument

if TYPE_CHECKING:
    from pipeline.show.report_files import WrittenFile


class Axis(enum.StrEnum):
    zone = "zone"
    clock = "clock"


class FigureKind(enum.StrEnum):
    overlay = "overlay"
    history = "history"
    risk = "risk"


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
    "batontrace report out --pair robin wren   (over all sessions)"
)


def run_report(
    out: OutArgument,
    session: SessionOption = None,
    pair: PairOption = None,
    event: EventFilterOption = None,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", metavar="PAGE.html", help="The file to write. (default: one in OUT/report)"
        ),
    ] = None,
) -> None:
    """Write a page to read: each takeover in one line and in full, or a pair over the weeks.

    It is one HTML file that needs no network, for a telephone or to print. It shows marks and
    trends once marks has been run.
    """
    from pipeline.show import publish

    done = publish.write_page(out, session=session, pair=pair, event=event, to=to)
    _print_written(done, "Page")


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
            help="Of a pair: its takeovers over each other, its weeks, or the risk of its mark.",
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

    done = publish.write_figure(
        out, session=session, exchange=exchange, pair=pair, event=event,
        view=None if axis is None else axis.value, figure=figure.value, dark=dark, to=to,
    )  # fmt: skip
    _print_written(done, "Figure")


def _print_written(done: WrittenFile, what: str) -> None:
    terminal.say(f"{what} of {count(done.takeovers, 'takeover')}: {done.path}")
    terminal.print_list("Remarks", done.remarks)
    terminal.say(CAUTION)
