"""The command line: a command parses, calls one function, prints.

Heavy imports stand inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from pipeline.base.words import CAUTION, count
from pipeline.cli import decide, export, season, show, terminal
from pipeline.cli.decide import ZoneRules
from pipeline.cli.terminal import pm
from pipeline.errors import BatontraceError

if TYPE_CHECKING:
    from pipeline.session.check import Report, Stream
    from pipeline.session.process import Result

DEFECT = 70  # EX_SOFTWARE of sysexits.h
LINE_LIMIT = 1000  # characters: no command's line is cut

EXIT_CODES = (
    "Exit codes: 0 done; 2 the command line asks for what cannot be; 3 other input; "
    "4 a recording; 5 session.toml or the practice sheet; 6 the venue; "
    "7 nothing could be measured; 8 the tables could not be written; 9 some sessions of a season "
    "failed; 70 a defect of batontrace; 130 stopped by Ctrl-C."
)


class Commands(TyperGroup):
    """The group's plain help, each command's whole line folded where the usual one is cut short."""

    def format_commands(self, _ctx: Any, formatter: Any) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, one.get_short_help_str(LINE_LIMIT)) for name, one in self.commands.items()]
            )


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # the boxes of the rich one take longer to load than all the rest
    context_settings={"help_option_names": ["-h", "--help"]},
)


SessionFile = Annotated[Path, typer.Argument(metavar="SESSION.toml", help="The session's file.")]


def _version(wanted: bool) -> None:
    if wanted:
        import importlib.metadata

        print(f"batontrace {importlib.metadata.version('batontrace')}")
        raise typer.Exit


@app.callback(epilog=EXIT_CODES)
def batontrace(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of a defect.")] = False,
) -> None:
    """Relay takeovers timed and measured from the track files runners' units write.

    Start with template and venue, look with check,
    measure with process, or many sessions with season; then marks, order,
    runners and progress turn the tables into decisions,
    report and overlay show them.
    """


@app.command(
    epilog="Examples:\n\n"
    "batontrace process evening/session.toml --out out\n\n"
    "batontrace process evening/session.toml   (look only: nothing is written)"
)
def process(
    session: SessionFile,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="OUT",
            help="Folder of the tables, shared by many sessions; this session's are replaced.",
        ),
    ] = None,
) -> None:
    """Measure a session's takeovers and write its tables."""
    from pipeline.session import process as stage

    with terminal.progress() as progress:
        result = stage.process(session, out, progress=progress)
    rows = result.tables["exchanges"].to_pylist()
    terminal.say(f"{result.session.id}, {result.session.event}: {count(len(rows), 'takeover')}")
    if rows:
        _takeovers(rows)
    terminal.listing("Remarks", result.remarks)
    terminal.listing("Recordings", _of_recordings(result))
    terminal.listing("Left out", result.left_out)
    terminal.say(
        f"Tables in {out}" if out else "Nothing written: give --out OUT to keep the tables"
    )


@app.command(
    epilog="Example, with a survey of two spots or more:\n\n"
    "batontrace venue --event 4x100 --lane 4 --lane 5 --survey points.csv --out venue.geojson\n\n"
    "points.csv:\n\n"
    "spot,latitude_deg,longitude_deg\n\n"
    "finish@lane1,44.9998490,-29.9995834\n\n"
    "back-end@lane1-inner,44.9994723,-30.0008982\n\n"
    "Spots are those of the plan: finish, back-start, back-end, home-start, start, zone1-entry "
    "and so on, each @lane1 to @lane9, with -inner or -outer for a lane's edges; centre1, centre2."
)
def venue(
    event: Annotated[str, typer.Option("--event", help="4x100, 4x200 or 4x400.")],
    lane: Annotated[list[int], typer.Option("--lane", help="A lane, 1 to 9; may be repeated.")],
    survey: Annotated[
        Path, typer.Option("--survey", metavar="points.csv", help="Two or more surveyed spots.")
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="venue.geojson", help="A new file; never overwritten.")
    ],
    rules: Annotated[
        ZoneRules,
        typer.Option("--rules", help="Zones: today's, or 20 m after 10 m of acceleration."),
    ] = ZoneRules.today,
    bends_in_lanes: Annotated[
        int | None,
        typer.Option("--bends-in-lanes", help="4x200: 4, 3, 1; 4x400: 3, 1. (default: the first)"),
    ] = None,
    radius_m: Annotated[float, typer.Option("--radius-m", help="Of the kerb.")] = 36.50,
    straight_m: Annotated[float, typer.Option("--straight-m", help="Of one straight.")] = 84.39,
    lane_width_m: Annotated[float, typer.Option("--lane-width-m", help="Of every lane.")] = 1.22,
) -> None:
    """Lay the standard 400 m plan on surveyed points and write it as a session's venue."""
    from pipeline.base.stadium import Stadium
    from pipeline.session.lay_out import lay_out

    placement = lay_out(
        survey,
        out,
        event=event,
        lanes=lane,
        rules=rules.value,
        bends_in_lanes=bends_in_lanes,
        track=Stadium(radius_m, straight_m, lane_width_m),
    )
    terminal.table(
        ["spot", "off, m", "east, m", "north, m"],
        [
            (r.spot, f"{r.distance_m:.3f}", f"{r.east_m:+.3f}", f"{r.north_m:+.3f}")
            for r in placement.residuals
        ],
        right=(1, 2, 3),
    )
    terminal.say(
        f"Standard error of one surveyed point: {placement.sd_m:.3f} m; the survey is "
        f"{placement.scale_ppm:+.0f} ppm longer than the plan."
    )
    terminal.say(f"Written: {out}")


@app.command(
    epilog="Example:\n\nbatontrace check evening/session.toml\n\n"
    "Exit code 4 where a recording cannot be read, 7 where too little is left to measure."
)
def check(session: SessionFile) -> None:
    """Say what each file of a session holds and what is missing; nothing is computed."""
    from pipeline.session import check as stage

    with terminal.progress() as progress:
        report = stage.check(session, progress=progress)
    _report(report)
    if not report.can_measure:
        raise typer.Exit(7)
    if report.unreadable:
        raise typer.Exit(4)


@app.command(epilog="Example:\n\nbatontrace template evening")
def template(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Made where it is not there.")],
) -> None:
    """Write a commented session to start from; never overwrites.

    What is still needed then: the recordings, and a venue; `batontrace venue` makes one.
    """
    from pipeline.session import template as stage

    for path in stage.write(folder):
        terminal.say(f"Written: {path}")
    terminal.say(f"Next: batontrace venue --out {folder / 'venue.geojson'} ..., then edit both.")
    terminal.say(CAUTION)


app.command(epilog=season.SEASON_EXAMPLE)(season.season)
app.command(epilog=decide.MARKS_EXAMPLE)(decide.marks)
app.command(epilog=decide.ORDER_EXAMPLE)(decide.order)
app.command(epilog=decide.RUNNERS_EXAMPLE)(decide.runners)
app.command(epilog=decide.PROGRESS_EXAMPLE)(decide.progress)
app.command(epilog=show.REPORT_EXAMPLE)(show.report)
app.command(epilog=show.OVERLAY_EXAMPLE)(show.overlay)
app.command(epilog=export.EXPORT_EXAMPLE)(export.export)


# --- printing --------------------------------------------------------------------------


def _takeovers(rows: Sequence[dict[str, Any]]) -> None:
    terminal.table(
        ["no", "rep", "zone", "runners", "zone time, s", "pass, m", "gap, m", "outcome, faults"],
        [
            (
                str(row["exchange"]),
                "-" if row["rep"] is None else str(row["rep"]),
                str(row["zone"]),
                f"{row['incoming']} to {row['outgoing']}",
                pm(row["zone_time_s"], row["zone_time_sd_s"], 2),
                pm(row["pass_m"], row["pass_sd_m"], 1),
                pm(row["free_distance_m"], row["free_distance_sd_m"], 1),
                "; ".join([row["outcome"], *row["faults"]]),
            )
            for row in rows
        ],
        right=(0, 1, 2, 4, 5, 6),
    )
    terminal.say(
        "± is one standard error. Units are worn on the trunk: pass is half-way between the two "
        "trunks, past the entry line; gap is the distance between them then."
    )
    terminal.listing("Weak or missing", _by_remark(rows))


def _by_remark(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Each remark once, with the takeovers it is about."""
    about: dict[str, list[str]] = {}
    for row in rows:
        for remark in row["remarks"]:
            about.setdefault(remark, []).append(str(row["exchange"]))
    return [
        f"takeover{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}: {remark}"
        for remark, numbers in about.items()
    ]


def _of_recordings(result: Result) -> list[str]:
    """What is remarkable about each file, once; why one was left out is told by itself."""
    said = [
        f"{row['file']}: {remark}"
        for row in result.tables["recordings"].to_pylist()
        for remark in row["remarks"]
        if not any(remark in why for why in result.left_out)
    ]
    return list(dict.fromkeys(said))


def _report(report: Report) -> None:
    session = report.session
    sheet = "no practice sheet" if session.reps is None else count(len(session.reps), "rep")
    lanes: dict[int, list[str]] = {}
    for axis in report.axes:
        lanes.setdefault(axis.lane, []).append(str(axis.zone))
    zones = "; ".join(f"lane {lane}, zone {', '.join(own)}" for lane, own in lanes.items())
    terminal.say(f"{session.id}, {session.date}, {session.event}: {sheet}; {zones}")
    if report.streams:
        terminal.table(
            [
                "runner",
                "file",
                "sensor",
                "samples",
                "rate, Hz",
                "from",
                "for, min",
                "gap, s",
                "holds",
            ],
            [_stream_row(stream) for stream in report.streams],
            right=(3, 4, 6, 7),
        )
    terminal.listing("Cannot be read", report.unreadable)
    terminal.listing("Missing", report.missing)
    terminal.listing("Remarks", report.remarks)
    if not report.can_measure:
        terminal.say("Too little to measure: a takeover needs the positions of two runners.")
    elif not (report.unreadable or report.missing):
        terminal.say("Nothing is missing.")


def _stream_row(stream: Stream) -> tuple[str, ...]:
    from datetime import UTC, datetime

    start = "counter"
    if stream.first_utc_s is not None:
        start = datetime.fromtimestamp(stream.first_utc_s, UTC).strftime("%Y-%m-%d %H:%M:%SZ")
    holds = [
        word
        for word, is_there in (
            ("position", stream.has_position),
            ("speed", stream.has_speed),
            ("acceleration", stream.sensor == "imu"),
            (f"{stream.dropped} dropped", stream.dropped > 0),
        )
        if is_there
    ]
    return (
        stream.runner,
        stream.file,
        f"{stream.sensor} ({stream.format})",
        str(stream.samples),
        "-" if stream.rate_hz is None else f"{stream.rate_hz:.4g}",
        start,
        f"{stream.span_s / 60:.1f}",
        f"{stream.longest_gap_s:.3g}",
        ", ".join(holds),
    )


# --- running ---------------------------------------------------------------------------


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; the exit code. No exception leaves it."""
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    debug = "--debug" in arguments
    terminal.survive_any_encoding()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(
            name, "1"
        )  # small matrices: waking threads costs more than they bring
    try:
        app(args=[word for word in arguments if word != "--debug"], prog_name="batontrace")
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    except BatontraceError as err:
        terminal.complain(str(err))
        return err.exit_code
    except Exception as err:
        if debug:
            traceback.print_exc()
        where = traceback.extract_tb(err.__traceback__)[-1]
        said = " ".join(f"{type(err).__name__}: {err}".split())
        terminal.complain(
            f"this is a defect, please report it: {said} "
            f"({Path(where.filename).name}:{where.lineno}); --debug shows more"
        )
        return DEFECT
    return 0


if __name__ == "__main__":
    sys.exit(main())
