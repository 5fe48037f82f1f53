"""The command that measures many sessions: season. `app` registers it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import terminal
from pipeline.cli.decision_words import gather_remarks
from pipeline.cli.options import AnywayOption
from pipeline.cli.terminal import SOME
from pipeline.errors import UsageError
from pipeline.language.phrases import phrase, phrase_count, reworded

if TYPE_CHECKING:
    from pipeline.season.one_session import Outcome
    from pipeline.season.season import Engine, Summary

SOME_FAILED = 9
LISTED_APART = ("failed", "failed before", "kept")  # states whose reason is long
MOST_WORKERS = 1024
SHOWN_SESSIONS = 20
INTERRUPTED = 130  # as shells have it: 128 and the signal's number

SEASON_EXAMPLE = (
    "Examples:\n\n"
    "batontrace season evenings --out out --dry-run   (what would be done)\n\n"
    "batontrace season evenings --out out\n\n"
    "batontrace season s3://club/evenings --out s3://club/lake --cluster tcp://10.0.0.5:8786\n\n"
    "Exit code 9 if a session failed and the others were measured; 130 after Ctrl-C."
)


def run_season(
    folder: Annotated[
        str,
        typer.Argument(
            metavar="DIR",
            help="The folder or URL with the sessions; those in folders below it count.",
        ),
    ],
    out: Annotated[str, typer.Option("--out", metavar="OUT", help="Folder or URL of the tables.")],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be done; write nothing.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Measure every session, changed or not.")
    ] = False,
    anyway: AnywayOption = False,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers",
            min=1,
            max=MOST_WORKERS,
            help="How many processes. (default: one for each core)",
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option("--cluster", metavar="ADDRESS", help="A Dask scheduler; its workers measure."),
    ] = None,
) -> None:
    """Measure every session below a folder that is new or has changed; then compact the tables.

    A session has changed when its files, the settings or the version have. A session that fails
    keeps its old tables and is reported. So does one whose tables were made from more files than
    are there now. The others are measured. You may stop the command at any moment and run it
    again, even twice at once.
    """
    if workers is not None and cluster is not None:
        raise UsageError("--workers", "given with --cluster", "one of them")
    from pipeline.season import season as stage

    measured = 0

    def report_outcome(outcome: Outcome) -> None:
        nonlocal measured
        measured += outcome.state == "measured"
        if outcome.state == "failed":
            terminal.complain(
                phrase(
                    "{name} failed: {reasons}",
                    name=outcome.name,
                    reasons=_reasons_in_words(outcome),
                )
            )

    try:
        with terminal.progress_bar() as progress:
            summary = stage.measure_season(
                folder,
                out,
                _choose_engine(workers, cluster),
                again=again,
                anyway=anyway,
                dry_run=dry_run,
                progress=progress,
                told=report_outcome,
            )
    except KeyboardInterrupt:
        terminal.complain(
            phrase_count(
                "stopped; {count} session measured and kept. The same command goes on",
                "stopped; {count} sessions measured and kept. The same command goes on",
                measured,
            )
        )
        raise typer.Exit(INTERRUPTED) from None
    _print_summary(summary, out, dry_run)
    terminal.give(
        {
            "sessions": [
                {
                    "session": one.session or None,
                    "file": one.name,
                    "state": one.state,
                    "takeovers": one.takeovers if one.state == "measured" else None,
                    "why": one.why,
                    "remarks": one.remarks,
                }
                for one in summary.outcomes
            ],
            "remarks": summary.remarks,
            "seconds": summary.seconds,
            "dry_run": dry_run,
            "out": out,
        }
    )
    if summary.failed:
        raise typer.Exit(SOME_FAILED)


def _choose_engine(workers: int | None, cluster: str | None) -> Engine:
    from pipeline.season import engines

    if cluster is not None:
        from pipeline.season.cluster import Cluster

        return Cluster(cluster)
    workers = workers or engines.cores()
    return engines.Processes(workers) if workers > 1 else engines.Here()


def _print_summary(summary: Summary, out: str, dry_run: bool) -> None:
    """How many sessions in which state and where the tables are, then each that is worth it."""
    counted = ", ".join(f"{n} {reworded(state)}" for state, n in sorted(summary.counts.items()))
    terminal.say(
        phrase_count(
            "{count} session: {states}",
            "{count} sessions: {states}",
            len(summary.outcomes),
            states=counted,
        )
    )
    if dry_run:
        terminal.say(phrase("Nothing was done."))
    else:
        terminal.say(
            phrase_count(
                "{count} takeover measured in {seconds:.1f} s",
                "{count} takeovers measured in {seconds:.1f} s",
                sum(one.takeovers for one in summary.outcomes),
                seconds=summary.seconds,
            )
        )
        _print_places(summary, out)
    terminal.print_list(
        phrase("Failed; the tables they had before are kept"),
        map(_reasons_in_words, summary.failed),
    )
    terminal.print_list(
        phrase("Kept as they are (--anyway replaces tables that were made from more files)"),
        _kept_lines(summary),
    )
    worth_telling = [one for one in summary.outcomes if one.state != "unchanged"]
    _print_sessions(worth_telling)
    reasons = [
        (one.session or one.name, _reasons_in_words(one))
        for one in worth_telling
        if one.why and one.state not in LISTED_APART
    ]
    terminal.print_list(phrase("Why"), gather_remarks(reasons, len(worth_telling)), SOME)
    terminal.print_list(
        phrase("Remarks"),
        [
            *map(reworded, summary.remarks),
            *(
                phrase("{session}: {remark}", session=one.session, remark=reworded(text))
                for one in worth_telling
                for text in one.remarks
            ),
        ],
        SOME,
    )
    if not dry_run and summary.compacted is not None:
        terminal.print_list(phrase("Not compacted"), map(reworded, summary.compacted.remarks))


def _print_sessions(outcomes: Sequence[Outcome]) -> None:
    """A line each; of many the first, unless all are asked for."""
    shown = outcomes if terminal.is_long() else outcomes[:SHOWN_SESSIONS]
    if not shown:
        return
    terminal.print_table(
        [
            phrase("session"),
            phrase("file below DIR"),
            phrase("state"),
            phrase("takeovers"),
        ],
        [
            (
                one.session or "-",
                one.name,
                reworded(one.state),
                str(one.takeovers) if one.state == "measured" else "-",
            )
            for one in shown
        ],
        right=(3,),
    )
    if len(shown) < len(outcomes):
        terminal.say(
            phrase_count(
                "--long shows {count} more session.",
                "--long shows {count} more sessions.",
                len(outcomes) - len(shown),
            )
        )


def _kept_lines(summary: Summary) -> list[str]:
    return [
        phrase("{session}: {remark}", session=one.session, remark=_reasons_in_words(one))
        for one in summary.outcomes
        if one.state == "kept"
    ]


def _reasons_in_words(outcome: Outcome) -> str:
    """Why a session ended so, in one line."""
    lines = [line.strip() for reason in outcome.why for line in reason.splitlines()]
    return " | ".join(map(reworded, lines))


def _print_places(summary: Summary, out: str) -> None:
    """Where the tables lie, if there are any: a season in which all failed has none."""
    from pipeline.tables.places import is_url

    if summary.compacted is None or not summary.compacted.sessions:
        terminal.say(phrase("No tables yet: nothing could be measured"))
        return
    base, _, options = out.partition("?")
    together = f"{base.rstrip('/')}/season" if is_url(out) else str(Path(out) / "season")
    together += f"?{options}" if is_url(out) and options else ""
    terminal.say(
        phrase(
            "Tables in {out}; all sessions together, in few files, in {together}",
            out=out,
            together=together,
        )
    )
