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
from pipeline.cli.decide import Out

if TYPE_CHECKING:
    from pipeline.show.publish import Written


class Axis(enum.StrEnum):
    zone = "zone"
    clock = "clock"


class Kind(enum.StrEnum):
    overlay = "overlay"
    history = "history"
    risk = "risk"


Session = Annotated[
    str | None,
    typer.Option("--session", metavar="ID", help="A session's id in OUT. (default: the newest)"),
]
Pair = Annotated[
    tuple[str, str] | None,
    typer.Option("--pair", metavar="INCOMING OUTGOING", help="A pair, in this order."),
]
Event = Annotated[str | None, typer.Option("--event", help="Only 4x100, 4x400, ...")]

REPORT_EXAMPLE = (
    "Examples:\n\n"
    "batontrace report out   (the newest session)\n\n"
    "batontrace report out --session otter-evening\n\n"
    "batontrace report out --pair robin wren   (over all sessions)"
)


def report(
    out: Out,
    session: Session = None,
    pair: Pair = None,
    event: Event = None,
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

    done = publish.report(out, session=session, pair=pair, event=event, to=to)
    _say(done, "Page")


OVERLAY_EXAMPLE = (
    "Examples:\n\n"
    "batontrace overlay out --session otter-evening --exchange 3 --to third.svg\n\n"
    "batontrace overlay out --pair robin wren --axis clock --dark --to robin-wren.png\n\n"
    "batontrace overlay out --pair robin wren --figure risk"
)


def overlay(
    out: Out,
    session: Session = None,
    exchange: Annotated[
        int | None,
        typer.Option("--exchange", help="A takeover's number in the session."),
    ] = None,
    pair: Pair = None,
    event: Event = None,
    axis: Annotated[
        Axis | None,
        typer.Option(
            "--axis", help="Speeds over the zone's metres or over the clock. (default: zone)"
        ),
    ] = None,
    figure: Annotated[
        Kind,
        typer.Option(
            "--figure",
            help="Of a pair: its takeovers laid over each other, its weeks, its mark's risk.",
        ),
    ] = Kind.overlay,
    dark: Annotated[bool, typer.Option("--dark", help="On dark paper.")] = False,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FIGURE.svg|png", help="(default: a PNG in OUT/report)"),
    ] = None,
) -> None:
    """One figure for a slide, as SVG or PNG: a takeover, or a pair's many."""
    from pipeline.show import publish

    done = publish.overlay(
        out, session=session, exchange=exchange, pair=pair, event=event,
        view=None if axis is None else axis.value, figure=figure.value, dark=dark, to=to,
    )  # fmt: skip
    _say(done, "Figure")


def _say(done: Written, what: str) -> None:
    terminal.say(f"{what} of {count(done.takeovers, 'takeover')}: {done.path}")
    terminal.listing("Remarks", done.remarks)
    terminal.say(CAUTION)
