"""The command `new`: a session from a folder of device files, told in a table."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.base.defaults import FOOT_LIMITS_M
from pipeline.base.words import CAUTION
from pipeline.cli import terminal
from pipeline.cli.options import FootOption, OneEventOption
from pipeline.cli.sheet import write_sheet_page
from pipeline.errors import UsageError
from pipeline.language.numbers import day_words, number
from pipeline.language.phrases import phrase, reworded

if TYPE_CHECKING:
    from pipeline.session.new_session import NewFile, NewSession

NEW_EXAMPLE = (
    "Examples:\n\n"
    "batontrace new evening   (a folder with the files of the units, and perhaps venue.geojson)\n\n"
    "batontrace new evening --venue north.geojson --runner 0417.fit=robin --worn 0533.csv=waist\n\n"
    "batontrace new evening --team robin,wren,finch,jay   (before practice, with no files yet)"
)


def run_new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The folder with the files of the units.")
    ],
    venue: Annotated[
        Path | None,
        typer.Option(
            "--venue",
            metavar="VENUE.geojson",
            readable=False,
            help="The venue, which is copied into the folder. (default: the one in it)",
        ),
    ] = None,
    runner: Annotated[
        list[str] | None,
        typer.Option(
            "--runner",
            metavar="FILE=ID",
            help="Whose a file or a folder of files is; may be repeated. (default: the name of the "
            "folder it lies in, else runner-1 and so on)",
        ),
    ] = None,
    worn: Annotated[
        list[str] | None,
        typer.Option(
            "--worn",
            metavar="FILE=PLACE",
            help="Where a unit was worn: upper-back (default), waist, left-wrist or right-wrist; "
            "may be repeated.",
        ),
    ] = None,
    foot: FootOption = None,
    team: Annotated[
        list[str] | None,
        typer.Option(
            "--team", help="Who runs, with commas between them, where files are still to come."
        ),
    ] = None,
    day: Annotated[
        str | None,
        typer.Option("--date", metavar="YYYY-MM-DD", help="The day. (default: that of most files)"),
    ] = None,
    event: OneEventOption = None,
) -> None:
    """Write session.toml, an empty practice sheet and its page from a folder of device files.

    Nothing is overwritten. What the traces suggest stands in session.toml; change there what is
    otherwise, and the runners' ids first.
    """
    from pipeline.session import new_session

    wanted = new_session.Wanted(
        runners=_named_values("--runner", runner),
        worn=_named_values("--worn", worn),
        feet_m=_feet(foot),
        team=[name.strip() for word in team or () for name in word.split(",") if name.strip()],
        time_zone=machine_time_zone(),
        day=None if day is None else _day(day),
        event=event,
        venue=venue,
    )
    with terminal.progress_bar() as progress:
        made = new_session.make_new_session(folder, wanted, progress=progress)
    _print_new(made)
    sheet = folder / "sheet.html"
    if sheet.exists():
        made_files, kept = made.written, (*made.kept, sheet)
    else:
        made_files, kept = (*made.written, write_sheet_page(made.path, sheet)), made.kept
    for path in made_files:
        terminal.say(phrase("Written: {path}", path=str(path)))
    for path in kept:
        terminal.say(phrase("Was there already and stays as it is: {path}", path=str(path)))
    _print_next(made)
    terminal.say(reworded(CAUTION))
    terminal.give(_values(made, made_files, kept))


def machine_time_zone() -> str | None:
    """The IANA name of this machine's time zone; None where the machine does not tell."""
    from babel.localtime import get_localzone

    try:
        name = getattr(get_localzone(), "key", None)
    except (LookupError, OSError, ValueError):
        return None
    return None if name is None or name in ("UTC", "Etc/UTC", "Etc/UCT") else str(name)


def _named_values(option: str, words: list[str] | None) -> dict[str, str]:
    """{FILE: VALUE} of an option that may be repeated."""
    found = {}
    for word in words or ():
        name, sign, value = word.rpartition("=")
        if not sign or not name or not value:
            raise UsageError(option, f'"{word}"', "a file or folder, = and a value")
        found[Path(name).as_posix()] = value
    return found


def _feet(words: list[str] | None) -> dict[str, float]:
    feet_m = {}
    for runner, text in _named_values("--foot", words).items():
        try:
            feet_m[runner] = float(text)
        except ValueError:
            feet_m[runner] = math.nan
        low, high = FOOT_LIMITS_M
        if not low <= feet_m[runner] <= high:
            raise UsageError(f"--foot {runner}={text}", f'"{text}"', f"metres, {low:g} to {high:g}")
    return feet_m


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError("--date", f'"{text}"', "a day such as 2026-05-12") from None


# --- printing --------------------------------------------------------------------------


def _print_new(made: NewSession) -> None:
    lane = made.lane
    if lane.lane is None:
        terminal.say(
            phrase("{session}, {day}, {event}", session=made.id, day=day_words(made.day),
                   event=lane.event)
        )  # fmt: skip
    else:
        terminal.say(
            phrase(
                "{session}, {day}, {event}: lane {lane}, by {there} of {found} takeovers in the "
                "traces",
                session=made.id,
                day=day_words(made.day),
                event=lane.event,
                lane=lane.lane,
                there=lane.takeovers_there,
                found=lane.takeovers,
            )
        )
    used = [one for one in made.files if one.runner is not None]
    if used:
        terminal.print_table(
            [
                phrase("file"),
                phrase("format"),
                phrase("Hz"),
                phrase("from - to"),
                phrase("unit"),
                phrase("runner"),
                phrase("lane"),
                phrase("zone"),
            ],
            [_file_row(one, made) for one in used],
            right=(2,),
        )
        zone = made.time_zone
        terminal.say(
            phrase("Times are UTC.") if zone is None
            else phrase("Times are local ({zone}).", zone=zone)
        )  # fmt: skip
    terminal.print_list(
        phrase("Not used; session.toml names them in notes"),
        [f"{one.found.file}: {_why_not_used(one)}" for one in made.files if one.runner is None],
    )
    terminal.print_list(
        phrase("To be checked"),
        [
            *(f"{one.found.file}: {reworded(one.found.why)}" for one in used if one.found.why),
            *map(reworded, made.remarks),
        ],
    )


def _why_not_used(one: NewFile) -> str:
    kind = one.found.kind
    if kind == "observer":
        return phrase("what somebody saw, an [[observer]]")
    if kind == "sheet":
        return phrase("a practice sheet")
    return reworded(one.found.why) or phrase("whose it is cannot be told: --runner FILE=ID")


def _file_row(one: NewFile, made: NewSession) -> tuple[str, ...]:
    from pipeline.show.markup import shorten

    found = one.found
    rates = [number(s.rate_hz, 0 if s.rate_hz >= 9.5 else 1) for s in found.streams if s.rate_hz]
    span = phrase("counter")
    if found.span_s is not None:
        first, last = (datetime.fromtimestamp(s, made.local_zone) for s in found.span_s)
        span = f"{first:%H:%M}-{last:%H:%M}"
    lane, zones = one.place or (None, ())
    return (
        shorten(found.file, 17),
        str(found.streams[0].format),
        "+".join(rates),
        span,
        shorten(found.unit.serial or found.unit.name or "-", 10),
        shorten(one.runner or "-", 10),
        "-" if lane is None else str(lane),
        ",".join(map(str, zones)) or "-",
    )


def _values(made: NewSession, written: Sequence[Path], kept: Sequence[Path]) -> dict[str, object]:
    return {
        "session": made.id,
        "date": made.day,
        "time_zone": made.time_zone,
        "venue": made.venue,
        "event": made.lane.event,
        "lane": made.lane.lane,
        "runners": made.runners,
        "files": [
            {
                "file": one.found.file,
                "kind": one.found.kind,
                "runner": one.runner,
                "worn": one.worn,
                "clock": one.found.clock,
                "serial": one.found.unit.serial,
                "unit": one.found.unit.name,
                "streams": [asdict(stream) for stream in one.found.streams],
                "remark": one.found.why or None,
            }
            for one in made.files
        ],
        "remarks": made.remarks,
        "written": written,
        "kept": kept,
    }


def _print_next(made: NewSession) -> None:
    """What the coach does now, step by step."""
    steps = []
    if made.venue is None:
        steps.append(
            phrase(
                "make the venue, {venue}: batontrace venue --help",
                venue=str(made.path.with_name("venue.geojson")),
            )
        )
    if any(name.startswith("runner-") for name in made.runners):
        steps.append(phrase("give the runners their ids and foot-lengths in session.toml"))
    steps += [
        phrase("send sheet.html to the telephone, and save reps.csv from there"),
        f"batontrace check {made.path}",
        f"batontrace watch {made.path.parent} --out out",
    ]
    terminal.print_list(phrase("Next"), steps)
