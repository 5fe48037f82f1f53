"""The command `causes`: what each takeover lost, and to what. `app` registers it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.base import defaults
from pipeline.base.words import CAUTION, count
from pipeline.cli import terminal
from pipeline.cli.decide import split_names
from pipeline.cli.decision_words import give_decisions
from pipeline.cli.options import (
    EveryEventOption,
    OutArgument,
    PrintOnlyOption,
    SeedOption,
    TeamOption,
)

if TYPE_CHECKING:
    from pipeline.advise.verdicts import Verdict

CAUSES_EXAMPLE = (
    "Examples:\n\n"
    "batontrace causes out\n\n"
    "batontrace causes out --session otter-evening\n\n"
    "batontrace causes out --pair robin wren   (with the seconds of every cause)"
)


def run_causes(
    out: OutArgument,
    session: Annotated[
        str | None, typer.Option("--session", help="Print the takeovers of this session.")
    ] = None,
    pair: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--pair",
            metavar="INCOMING OUTGOING",
            help="Print this pair's takeovers, with the seconds of every cause.",
        ),
    ] = None,
    event: EveryEventOption = None,
    team: TeamOption = None,
    seed: SeedOption = defaults.SEED,
    print_only: PrintOnlyOption = False,
) -> None:
    """Say what each takeover lost against its pair's best mark, and to what.

    One sentence a takeover; then, for every pair, which cause costs most over the weeks and
    whether it is the same each time.
    """
    from pipeline.advise import decisions
    from pipeline.advise.settings import Settings

    settings = Settings(event=event, team=split_names(team), seed=seed)
    found = decisions.decide_causes(out, settings, session=session, pair=pair, write=not print_only)
    print_verdicts(found.verdicts)
    rows = found.tables["causes"].to_pylist()
    if pair is not None:
        _print_parts(found.verdicts)
    pairs = dict.fromkeys(_pair_key(one) for one in found.verdicts)
    terminal.print_list("Over the weeks", _week_lines(rows, list(pairs)))
    terminal.say(
        "Times are the baton's from the entry line to the exit line; ± is one standard error. The "
        "best mark is the one that `batontrace marks` advises. Late and early are against the "
        "receiver's own usual start; farther and nearer is the tape from the receiver."
    )
    terminal.print_list("Remarks", found.remarks)
    give_decisions(out, found, print_only)
    terminal.say(CAUTION)


def print_verdicts(verdicts: Sequence[Verdict]) -> None:
    """A sentence for each takeover, under its session."""
    for key in dict.fromkeys((one.loss.session, one.loss.event) for one in verdicts):
        own = [one for one in verdicts if (one.loss.session, one.loss.event) == key]
        lines = [
            f"{one.loss.exchange}, {one.loss.incoming} to {one.loss.outgoing}: {one.sentence}"
            for one in own
        ]
        terminal.print_list(f"{key[0]}, {key[1]}: {count(len(own), 'takeover')}", lines)


def _pair_key(one: Verdict) -> tuple[str, str, str]:
    return one.loss.event, one.loss.incoming, one.loss.outgoing


def _print_parts(verdicts: Sequence[Verdict]) -> None:
    """Every cause's seconds, and how far it moved the pass; one row a takeover and cause."""
    terminal.print_table(
        ["session", "no", "cause", "lost, s", "pass moved, m", "what differed"],
        [
            (
                one.loss.session,
                str(one.loss.exchange),
                part.cause,
                terminal.value_with_error(part.lost.value, part.lost.sd, 2),
                "-" if part.moved_pass_m is None else f"{part.moved_pass_m:+.1f}",
                part.note or "",
            )
            for one in verdicts
            for part in one.loss.parts
        ],
        right=(1, 3, 4),
    )


def _week_lines(
    rows: Sequence[Mapping[str, Any]], pairs: Sequence[tuple[str, str, str]]
) -> list[str]:
    from pipeline.base.cause_weeks import find_costliest

    lines = []
    for event, incoming, outgoing in pairs:
        own = [
            row
            for row in rows
            if (row["event"], row["incoming"], row["outgoing"]) == (event, incoming, outgoing)
        ]
        costliest = find_costliest(own)
        if costliest is not None:
            lines.append(f"{incoming} to {outgoing}, {event}: {costliest.words}")
    return lines
