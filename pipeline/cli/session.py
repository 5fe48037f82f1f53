"""The commands for one session: template, check, process.

Each parses its options, calls one function and prints what came of it. `app` registers them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.base.relays import zone_length_m
from pipeline.base.words import (
    CAUTION,
    outcome_in_words,
    takeover_in_words,
    zone_doubt_in_words,
)
from pipeline.cli import terminal
from pipeline.cli.options import AnywayOption, SessionFile
from pipeline.cli.terminal import leg_words, pair_words, value_with_error
from pipeline.language.numbers import day_words, localised, number
from pipeline.language.phrases import phrase, phrase_count, phrase_of, reworded

if TYPE_CHECKING:
    from pipeline.base.values import Observer, Race, Session, ZoneAxis
    from pipeline.session.check import Report, Stream
    from pipeline.session.process import MeasuredSession

PROCESS_EXAMPLE = (
    "Examples:\n\n"
    "batontrace process evening/session.toml --out out\n\n"
    "batontrace process evening/session.toml   (print the result and write nothing)"
)


def run_process(
    session: SessionFile,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="OUT",
            help="Folder of the tables, shared by many sessions; this session's are replaced.",
        ),
    ] = None,
    anyway: AnywayOption = False,
) -> None:
    """Measure a session's takeovers and write its tables.

    Tables that OUT already has from more files than are there now are kept.
    """
    from pipeline.session import process as stage

    with terminal.progress_bar() as progress:
        result = stage.make_session_tables(session, out, progress=progress, anyway=anyway)
    _print_result(result, out)
    terminal.give(
        {
            "session": result.session.id,
            "event": result.session.event,
            **{name: table for name, table in result.tables.items() if name != "speed_curves"},
            "remarks": result.remarks,
            "left_out": result.left_out,
            "out": out,
        }
    )


def _print_result(result: MeasuredSession, out: Path | None) -> None:
    """What was found and what to do, then each takeover, then what is to be known of them."""
    rows = result.tables["exchanges"].to_pylist()
    terminal.say(
        phrase_count(
            "{session}, {event}: {count} takeover",
            "{session}, {event}: {count} takeovers",
            len(rows),
            session=result.session.id,
            event=result.session.event,
        )
    )
    if rows:
        terminal.say(_outcomes_in_words(rows))
    if result.left_out:
        terminal.say(phrase("Recordings left out: {count} (see below)", count=len(result.left_out)))
    if out is None:
        terminal.say(phrase("Nothing written: give --out OUT to keep the tables"))
    else:
        terminal.say(phrase("Tables in {out}", out=out))
        if rows:
            terminal.say(
                phrase(
                    "Next: `batontrace causes {out}` says what each takeover lost, and to what",
                    out=out,
                )
            )
    if rows:
        _print_takeovers(rows)
    _print_races(result.tables["legs"].to_pylist())
    _print_exercises(result.tables["exercises"].to_pylist())
    terminal.print_list(phrase("Left out"), map(reworded, result.left_out))
    terminal.print_list(phrase("Weak or missing"), _remark_lines(rows), terminal.SOME)
    terminal.print_list(phrase("Remarks"), map(reworded, result.remarks), terminal.SOME)
    terminal.print_list(phrase("Recordings"), _recording_lines(result), terminal.SOME)


def _outcomes_in_words(rows: Sequence[Mapping[str, Any]]) -> str:
    """How many takeovers ended how, and how many of them have a fault or rest on little."""
    counted = Counter(outcome_in_words(row["outcome"]) for row in rows)
    outcomes = ", ".join(f"{number} {reworded(outcome)}" for outcome, number in counted.items())
    faulty = sum(bool(row["faults"]) or _zone_doubt(row) is not None for row in rows)
    weak = sum(bool(row["remarks"]) for row in rows)
    return phrase(
        "Outcomes: {outcomes}. With a fault or a doubt about the zone: {faulty}; with a remark: "
        "{weak}.",
        outcomes=outcomes,
        faulty=faulty,
        weak=weak,
    )


def _print_races(rows: Sequence[Mapping[str, Any]]) -> None:
    for race in dict.fromkeys(row["race"] for row in rows):
        own = [row for row in rows if row["race"] == race]
        terminal.say(
            phrase(
                "Race {race}: `batontrace race OUT` compares it with what was to be expected",
                race=race,
            )
        )
        terminal.print_table(
            ["", phrase("runner"), phrase("time, s"), phrase("top speed, m/s")],
            [
                (
                    leg_words(row["leg"]),
                    row["runner"] or "",
                    value_with_error(row["time_s"], row["time_sd_s"], 2),
                    value_with_error(row["v_max_mps"], row["v_max_sd_mps"], 2),
                )
                for row in sorted(own, key=lambda row: row["leg"] or 99)
            ],
            right=(2, 3),
        )
        remarks = dict.fromkeys(words for row in own for words in row["remarks"])
        terminal.print_list(phrase("About race {race}", race=race), map(reworded, remarks))


def _print_exercises(rows: Sequence[Mapping[str, Any]]) -> None:
    """Each exercise in one line: what, who, and how many hand-overs."""
    lines = []
    for drill, rep in dict.fromkeys((row["drill"], row["rep"]) for row in rows):
        own = [row for row in rows if (row["drill"], row["rep"]) == (drill, rep)]
        found = [row for row in own if row["first_utc"] is not None]
        who = ", ".join(dict.fromkeys(name for r in own for name in (r["incoming"], r["outgoing"])))
        which = reworded(drill)
        if rep is not None:
            which = phrase("rep {rep}, {drill}", rep=rep, drill=which)
        result = reworded(own[0]["remarks"][0]) if not found else ""
        lines.append(
            phrase("{drill}, {names}: {remark}", drill=which, names=who, remark=result)
            if result
            else phrase_count(
                "{drill}, {names}: {count} hand-over",
                "{drill}, {names}: {count} hand-overs",
                len(found),
                drill=which,
                names=who,
            )
        )
    terminal.print_list(phrase("Exercises, which never serve advice"), lines)


CHECK_EXAMPLE = (
    "Example:\n\nbatontrace check evening/session.toml\n\n"
    "Exit code 4 if a recording cannot be read, 7 if too little is left to measure."
)


def run_check(session: SessionFile) -> None:
    """Say what each file of a session holds and what is missing, without measuring."""
    from pipeline.session import check as stage

    with terminal.progress_bar() as progress:
        report = stage.check_session(session, progress=progress)
    _print_report(report)
    terminal.give(_report_values(report))
    if not report.can_measure:
        raise typer.Exit(7)
    if report.unreadable:
        raise typer.Exit(4)


TEMPLATE_EXAMPLE = "Example:\n\nbatontrace template evening"


def run_template(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The folder for it; made if it does not exist.")
    ],
) -> None:
    """Write a commented session to start from; nothing is overwritten.

    The recordings and a venue are still needed then; `batontrace venue` makes a venue.
    """
    from pipeline.session import template as stage

    written = stage.write_template(folder)
    for path in written:
        terminal.say(phrase("Written: {path}", path=path))
    terminal.say(
        phrase(
            "Next: batontrace venue --out {path} ..., then edit both.",
            path=folder / "venue.geojson",
        )
    )
    terminal.say(reworded(CAUTION))
    terminal.give({"written": written})


# --- printing --------------------------------------------------------------------------


def _print_takeovers(rows: Sequence[dict[str, Any]]) -> None:
    terminal.print_table(
        [
            phrase_of("number", "no"),
            phrase("rep"),
            phrase("zone"),
            phrase("runners"),
            phrase("zone time, s"),
            phrase("pass, m"),
            phrase("gap, m"),
            phrase("outcome, faults"),
        ],
        [
            (
                str(row["exchange"]),
                "-" if row["rep"] is None else str(row["rep"]),
                str(row["zone"]),
                pair_words(row["incoming"], row["outgoing"]),
                value_with_error(row["zone_time_s"], row["zone_time_sd_s"], 2),
                value_with_error(row["pass_m"], row["pass_sd_m"], 1),
                value_with_error(row["free_distance_m"], row["free_distance_sd_m"], 1),
                "; ".join(
                    map(
                        reworded,
                        takeover_in_words(row["outcome"], row["faults"], _zone_doubt(row)),
                    )
                ),
            )
            for row in rows
        ],
        right=(0, 1, 2, 4, 5, 6),
    )
    terminal.say(
        phrase(
            "± is one standard error. Units are worn on the trunk: the pass is half-way between "
            "the trunks, in metres past the entry line; gap is the distance between them then."
        )
    )


def _zone_doubt(row: Mapping[str, Any]) -> str | None:
    length_m = zone_length_m(row["event"], row["zone"], row["zone_time_s"], row["zone_speed_mps"])
    return zone_doubt_in_words(row["p_in_zone"], row["pass_m"], row["pass_sd_m"], length_m)


def _remark_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Each remark once, with the takeovers it is about."""
    about: dict[str, list[str]] = {}
    for row in rows:
        for remark in row["remarks"]:
            about.setdefault(remark, []).append(str(row["exchange"]))
    return [
        phrase_count(
            "takeover {numbers}: {remark}",
            "takeovers {numbers}: {remark}",
            len(numbers),
            numbers=", ".join(numbers),
            remark=reworded(remark),
        )
        for remark, numbers in about.items()
    ]


def _recording_lines(result: MeasuredSession) -> list[str]:
    """What is remarkable about each file, once; why a file was left out is listed apart."""
    lines = [
        phrase("{file}: {remark}", file=row["file"], remark=reworded(remark))
        for row in result.tables["recordings"].to_pylist()
        for remark in row["remarks"]
        if not any(remark in why for why in result.left_out)
    ]
    return list(dict.fromkeys(lines))


def _report_values(report: Report) -> dict[str, Any]:
    return {
        "session": report.session.id,
        "date": report.session.date,
        "time_zone": report.session.time_zone,
        "event": report.session.event,
        "reps": None if report.session.reps is None else len(report.session.reps),
        "zones": [{"lane": axis.lane, "zone": axis.zone} for axis in report.axes],
        "recordings": [
            {
                "runner": one.runner,
                "file": one.file,
                "format": one.format,
                "sensor": one.sensor,
                "samples": one.samples,
                "dropped": one.dropped,
                "rate_hz": one.rate_hz,
                "first_utc": _utc(one.first_utc_s),
                "last_utc": _utc(one.last_utc_s),
                "span_s": one.span_s,
                "longest_gap_s": one.longest_gap_s,
                "has_position": one.has_position,
                "has_speed": one.has_speed,
            }
            for one in report.streams
        ],
        "observers": [
            {"observer": one.id, "kind": one.kind, "clock": one.clock, "use": one.use,
             "rows": len(one.sightings)}
            for one in report.session.observers
        ],
        "races": [
            {"race": one.id, "event": one.event, "lane": one.lane, "team": one.team,
             "gun_utc": _utc(one.gun_utc_s), "official_time_s": one.official_time_s}
            for one in report.session.races
        ],
        "unreadable": report.unreadable,
        "missing": report.missing,
        "remarks": report.remarks,
        "can_measure": report.can_measure,
    }  # fmt: skip


def _utc(moment_s: float | None) -> datetime | None:
    return None if moment_s is None else datetime.fromtimestamp(moment_s, UTC)


def _print_report(report: Report) -> None:
    """Whether it can be measured and what is wrong, then what each file holds."""
    session = report.session
    terminal.say(
        phrase(
            "{session}, {day} ({time_zone}), {event}: {sheet}; {zones}",
            session=session.id,
            day=day_words(date.fromisoformat(session.date)),
            time_zone=session.time_zone or "UTC",
            event=session.event,
            sheet=phrase("no practice sheet")
            if session.reps is None
            else phrase_count("{count} rep", "{count} reps", len(session.reps)),
            zones=_zones_in_words(report.axes),
        )
    )
    if not report.can_measure:
        terminal.say(
            phrase("Too little to measure: a takeover needs the positions of two runners.")
        )
    elif not (report.unreadable or report.missing):
        terminal.say(phrase("Nothing is missing."))
    terminal.print_list(phrase("Cannot be read"), map(reworded, report.unreadable))
    terminal.print_list(phrase("Missing"), map(reworded, report.missing), terminal.SOME)
    if report.streams:
        _print_streams(report.streams, session)
    if session.observers:
        terminal.print_table(
            [
                phrase("observer"),
                phrase("kind"),
                phrase("clock"),
                phrase("use"),
                phrase("rows"),
                phrase("saw"),
            ],
            [_observer_row(observer) for observer in session.observers],
            right=(4,),
        )
    if session.races:
        terminal.print_table(
            [
                phrase("race"),
                phrase("event"),
                phrase("lane"),
                phrase("team"),
                phrase("gun"),
                phrase("official time, s"),
            ],
            [_race_row(race, session) for race in session.races],
            right=(2, 5),
        )
    terminal.print_list(phrase("Remarks"), map(reworded, report.remarks), terminal.SOME)


def _zones_in_words(axes: Sequence[ZoneAxis]) -> str:
    lanes: dict[int, list[str]] = {}
    for axis in axes:
        lanes.setdefault(axis.lane, []).append(str(axis.zone))
    return "; ".join(
        phrase("lane {lane}, zone {zones}", lane=lane, zones=", ".join(own))
        for lane, own in lanes.items()
    )


def _print_streams(streams: Sequence[Stream], session: Session) -> None:
    terminal.print_table(
        [
            phrase("runner"),
            phrase("file"),
            phrase("sensor"),
            phrase("rate, Hz"),
            phrase_of("recordings", "from"),
            phrase("for, min"),
            phrase("gap, s"),
            phrase("dropped"),
        ],
        [
            (
                one.runner,
                one.file,
                one.sensor,
                "-" if one.rate_hz is None else localised(f"{one.rate_hz:.4g}"),
                phrase("counter")
                if one.first_utc_s is None
                else _clock_on_the_wall(one.first_utc_s, session),
                number(one.span_s / 60, 1),
                localised(f"{one.longest_gap_s:.3g}"),
                str(one.dropped),
            )
            for one in streams
        ],
        right=(3, 5, 6, 7),
    )
    if not terminal.is_long():
        return
    terminal.print_table(
        [phrase("file"), phrase("format"), phrase("samples"), phrase("holds")],
        [
            (
                one.file,
                f"{one.sensor} ({one.format})",
                str(one.samples),
                ", ".join(
                    word
                    for word, is_there in (
                        (phrase("position"), one.has_position),
                        (phrase("speed"), one.has_speed),
                        (phrase("acceleration"), one.sensor == "imu"),
                    )
                    if is_there
                ),
            )
            for one in streams
        ],
        right=(2,),
    )


def _clock_on_the_wall(moment_s: float, session: Session) -> str:
    """A moment by the session's clocks, with its day where it is another than the session's."""
    from pipeline.show.wording import on_the_wall

    when = on_the_wall(datetime.fromtimestamp(moment_s, UTC), session.time_zone)
    is_its_day = f"{when:%Y-%m-%d}" == str(session.date)
    return f"{when:%H:%M:%S}" if is_its_day else f"{day_words(when.date())} {when:%H:%M:%S}"


def _observer_row(observer: Observer) -> tuple[str, ...]:
    events = Counter(sighting.event for sighting in observer.sightings)
    return (
        observer.id,
        reworded(observer.kind),
        reworded(observer.clock),
        reworded(observer.use),
        str(len(observer.sightings)),
        ", ".join(f"{number} {reworded(event)}" for event, number in events.items()) or "-",
    )


def _race_row(race: Race, session: Session) -> tuple[str, ...]:
    from pipeline.show.wording import on_the_wall

    gun = "-"
    if race.gun_utc_s is not None:
        when = on_the_wall(datetime.fromtimestamp(race.gun_utc_s, UTC), session.time_zone)
        gun = f"{when:%H:%M:%S}{localised(f'.{when.microsecond // 1000:03}')}"
    official = "-" if race.official_time_s is None else number(race.official_time_s, 2)
    return race.id, race.event, str(race.lane), ", ".join(race.team), gun, official
