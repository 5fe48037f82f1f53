"""The commands that show what the tables hold: report, overlay.

Each parses, calls one function of `publish`, prints. `cli` gives them their place.
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
    from pipeline.show.publish import WrittenFile


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
    typer.Option("--pair", metavar="INCOMING OUTGOING", help="A pair, in this order."),
]
EventFilterOption = Annotated[str | None, typer.Option("--event", help="Only 4x100, 4x400, ...")]

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
        typer.Option("--to", metavar="PAGE.html", help="(default: a file in OUT/report)"),
    ] = None,
) -> None:
    """A page to read: each takeover in one line and in full, or a pair over the weeks.

    One HTML file that needs no network: it opens on a telephone and prints. Marks and trends are
    in it once marks has been run.
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
            help="Of a pair: its takeovers laid over each other, its weeks, its mark's risk.",
        ),
    ] = FigureKind.overlay,
    dark: Annotated[bool, typer.Option("--dark", help="On dark paper.")] = False,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FIGURE.svg|png", help="(default: a PNG in OUT/report)"),
    ] = None,
) -> None:
    """One figure for a slide, as SVG or PNG: a takeover, or a pair's many."""
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
