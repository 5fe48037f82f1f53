"""The command `causes`: what each takeover lost, and to what. `app` registers it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.base import defaults
from pipeline.base.words import CAUTION
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
from pipeline.cli.terminal import pair_words, signed
from pipeline.language.phrases import phrase, phrase_count, phrase_of, reworded

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
    with terminal.at_work(phrase("weighs the takeovers")) as progress:
        found = decisions.decide_causes(
            out, settings, session=session, pair=pair, write=not print_only, progress=progress
        )
    shown: Sequence[Verdict] = found.verdicts
    if session is None and pair is None and not terminal.is_long():
        shown = _newest(found.verdicts)
    _print_summary(found.verdicts)
    print_verdicts(shown)
    if len(shown) < len(found.verdicts):
        terminal.say(
            phrase_count(
                "--long shows {count} takeover of earlier sessions too, --session ID one session.",
                "--long shows {count} takeovers of earlier sessions too, --session ID one session.",
                len(found.verdicts) - len(shown),
            )
        )
    rows = found.tables["causes"].to_pylist()
    if pair is not None:
        _print_parts(found.verdicts)
    pairs = dict.fromkeys(_pair_key(one) for one in found.verdicts)
    terminal.print_list(phrase("Over the weeks"), _week_lines(rows, list(pairs)))
    terminal.say(
        phrase(
            "Times are the baton's from the entry line to the exit line; ± is one standard error. "
            "The best mark is the one that `batontrace marks` advises. Late and early are against "
            "the receiver's own usual start; farther and nearer is the tape from the receiver."
        )
    )
    terminal.print_list(phrase("Remarks"), map(reworded, found.remarks))
    give_decisions(out, found, print_only)
    terminal.say(reworded(CAUTION))


def _newest(verdicts: Sequence[Verdict]) -> list[Verdict]:
    """Those of the session that was last, event by event: verdicts come in time order."""
    last = {one.loss.event: one.loss.session for one in verdicts}
    return [one for one in verdicts if last[one.loss.event] == one.loss.session]


def _print_summary(verdicts: Sequence[Verdict]) -> None:
    """How many takeovers, and how many of them lost or won time that stands out."""
    from pipeline.show.wording import is_clear

    losses = [one.loss.lost for one in verdicts]
    known = [one for one in losses if one is not None]
    lost = sum(one.value > 0.0 for one in known if is_clear(one))
    won = sum(one.value < 0.0 for one in known if is_clear(one))
    terminal.say(
        phrase_count(
            "{count} takeover; sessions: {sessions}",
            "{count} takeovers; sessions: {sessions}",
            len(verdicts),
            sessions=len({one.loss.session for one in verdicts}),
        )
    )
    terminal.say(
        phrase(
            "  {lost} lost time that stands out, {won} won some, {level} neither, of {open} it is "
            "not known",
            lost=lost,
            won=won,
            level=len(known) - lost - won,
            open=len(losses) - len(known),
        )
    )


def print_verdicts(verdicts: Sequence[Verdict]) -> None:
    """A sentence for each takeover, under its session."""
    for session, event in dict.fromkeys((one.loss.session, one.loss.event) for one in verdicts):
        own = [one for one in verdicts if (one.loss.session, one.loss.event) == (session, event)]
        lines = [
            phrase(
                "{number}, {pair}: {sentence}",
                number=one.loss.exchange,
                pair=pair_words(one.loss.incoming, one.loss.outgoing),
                sentence=reworded(one.sentence),
            )
            for one in own
        ]
        title = phrase_count(
            "{session}, {event}: {count} takeover",
            "{session}, {event}: {count} takeovers",
            len(own),
            session=session,
            event=event,
        )
        terminal.print_list(title, lines)


def _pair_key(one: Verdict) -> tuple[str, str, str]:
    return one.loss.event, one.loss.incoming, one.loss.outgoing


def _print_parts(verdicts: Sequence[Verdict]) -> None:
    """Every cause's seconds, and how far it moved the pass; one row a takeover and cause."""
    terminal.print_table(
        [
            phrase("session"),
            phrase_of("number", "no"),
            phrase("cause"),
            phrase("lost, s"),
            phrase("pass moved, m"),
            phrase("what differed"),
        ],
        [
            (
                one.loss.session,
                str(one.loss.exchange),
                reworded(part.cause),
                terminal.value_with_error(part.lost.value, part.lost.sd, 2),
                "-" if part.moved_pass_m is None else signed(part.moved_pass_m, 1),
                reworded(part.note or ""),
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
            lines.append(
                phrase(
                    "{pair}, {event}: {sentence}",
                    pair=pair_words(incoming, outgoing),
                    event=event,
                    sentence=reworded(costliest.words),
                )
            )
    return lines
