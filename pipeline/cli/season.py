"""The command that measures many sessions: season. `app` registers it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.base.words import count
from pipeline.cli import terminal
from pipeline.cli.options import AnywayOption
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from pipeline.season.one_session import Outcome
    from pipeline.season.season import Engine, Summary

SOME_FAILED = 9
LISTED_APART = ("failed", "failed before", "kept")  # states whose reason is long
MOST_WORKERS = 1024
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
            terminal.complain(f"{outcome.name} failed: {_reasons_in_words(outcome)}")

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
            f"stopped; {count(measured, 'session')} measured and kept. The same command goes on"
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
    worth_telling = [o for o in summary.outcomes if o.state != "unchanged"]
    if worth_telling:
        terminal.print_table(
            ["session", "file below DIR", "state", "takeovers", "why"],
            [
                (
                    one.session or "-",
                    one.name,
                    one.state,
                    str(one.takeovers) if one.state == "measured" else "-",
                    "" if one.state in LISTED_APART else _reasons_in_words(one),
                )
                for one in worth_telling
            ],
            right=(3,),
        )
    terminal.print_list("Failed; the tables they had before are kept", _failure_lines(summary))
    terminal.print_list(
        "Kept as they are (--anyway replaces tables that were made from more files)",
        _kept_lines(summary),
    )
    terminal.print_list(
        "Remarks",
        [
            *summary.remarks,
            *(f"{one.session}: {text}" for one in worth_telling for text in one.remarks),
        ],
    )
    counted = ", ".join(f"{n} {state}" for state, n in sorted(summary.counts.items()))
    takeovers = sum(one.takeovers for one in summary.outcomes)
    sessions = f"{count(len(summary.outcomes), 'session')}: {counted}"
    if dry_run:
        terminal.say(f"{sessions}. Nothing was done.")
        return
    terminal.say(f"{sessions}; {count(takeovers, 'takeover')} measured; {summary.seconds:.1f} s")
    if summary.compacted is not None:
        terminal.print_list("Not compacted", summary.compacted.remarks)
    _print_places(summary, out)


def _failure_lines(summary: Summary) -> list[str]:
    return [_reasons_in_words(one) for one in summary.failed]


def _kept_lines(summary: Summary) -> list[str]:
    kept = [one for one in summary.outcomes if one.state == "kept"]
    return [f"{one.session}: {_reasons_in_words(one)}" for one in kept]


def _reasons_in_words(outcome: Outcome) -> str:
    """Why a session ended so, in one line."""
    return " | ".join(line.strip() for reason in outcome.why for line in reason.splitlines())


def _print_places(summary: Summary, out: str) -> None:
    """Where the tables lie, if there are any: a season in which all failed has none."""
    from pipeline.tables.places import is_url

    if summary.compacted is None or not summary.compacted.sessions:
        terminal.say("No tables yet: nothing could be measured")
        return
    base, _, options = out.partition("?")
    together = f"{base.rstrip('/')}/season" if is_url(out) else str(Path(out) / "season")
    together += f"?{options}" if is_url(out) and options else ""
    terminal.say(f"Tables in {out}; all sessions together, in few files, in {together}")
