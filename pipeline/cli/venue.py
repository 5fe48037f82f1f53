"""The `venue` command: where a track's plan lies on Earth, from what a coach can get.

It parses its options, calls one function and prints what came of it. `app` registers it.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.base import defaults
from pipeline.base.relays import Rules
from pipeline.cli import terminal
from pipeline.cli.options import RulesOption
from pipeline.errors import UsageError
from pipeline.language.phrases import phrase, phrase_count, reworded

if TYPE_CHECKING:
    from pipeline.base.values import Floats
    from pipeline.measure.placement import Placement
    from pipeline.session.venue_sharpening import SharperVenue

TRUSTED_SD_M = 0.1  # of points that count as surveyed

VENUE_EXAMPLE = (
    "Example, with a survey of two spots or more:\n\n"
    "batontrace venue --event 4x100 --lane 4 --lane 5 --survey points.csv --out venue.geojson\n\n"
    "points.csv (a column sd_m may say how good each point is, in metres):\n\n"
    "spot,latitude_deg,longitude_deg\n\n"
    "finish@lane1,44.9998490,-29.9995834\n\n"
    "back-end@lane1-inner,44.9994723,-30.0008982\n\n"
    "Spots are those of the plan: finish, back-start, back-end, home-start, start, zone1-entry "
    "and so on, each @lane1 to @lane9, with -inner or -outer for a lane's edges; centre1, "
    "centre2.\n\n"
    "Without a survey, from a lap walked in lane 4 with a unit, or a minute on each of two lines:"
    "\n\n"
    "batontrace venue --event 4x100 --lane 4 --walked walk.fit --walked-lane 4 --out v.geojson\n\n"
    "batontrace venue --event 4x100 --lane 4 --stood lines.gpx --stood-at zone1-entry@lane4 "
    "--stood-at zone2-entry@lane4 --out v.geojson\n\n"
    "Sharper, from all sessions of OUT that were measured on it:\n\n"
    "batontrace venue --sharpen v.geojson --sessions out --out sharper.geojson"
)


def run_venue(
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="venue.geojson",
            help="A new file; one that is there is never overwritten.",
        ),
    ],
    event: Annotated[
        str | None, typer.Option("--event", help="The relay: 4x100, 4x200 or 4x400.")
    ] = None,
    lane: Annotated[
        list[int] | None, typer.Option("--lane", help="A lane, 1 to 9; may be repeated.")
    ] = None,
    survey: Annotated[
        Path | None,
        typer.Option(
            "--survey", metavar="points.csv", readable=False, help="Two or more surveyed spots."
        ),
    ] = None,
    sd_m: Annotated[
        float | None,
        typer.Option(
            "--sd-m",
            min=0.001,
            max=10.0,
            help="How good the surveyed spots are, where the file has no column sd_m. "
            "(default: 0.05)",
        ),
    ] = None,
    walked: Annotated[
        list[Path] | None,
        typer.Option(
            "--walked",
            metavar="FILE",
            readable=False,
            help="A unit's recording of a lap walked along a lane, from the finish line in running "
            "direction; may be repeated.",
        ),
    ] = None,
    walked_lane: Annotated[
        int | None,
        typer.Option(
            "--walked-lane", help="The lane it was walked in. (default: the first --lane)"
        ),
    ] = None,
    stood: Annotated[
        Path | None,
        typer.Option(
            "--stood",
            metavar="FILE",
            readable=False,
            help="A unit's recording of standing a minute on each of some lines.",
        ),
    ] = None,
    stood_at: Annotated[
        list[str] | None,
        typer.Option(
            "--stood-at",
            metavar="SPOT",
            help="A line stood on, such as zone1-entry@lane4; once for each, in order.",
        ),
    ] = None,
    sharpen: Annotated[
        Path | None,
        typer.Option(
            "--sharpen",
            metavar="venue.geojson",
            readable=False,
            help="A venue to make sharper from the sessions measured on it.",
        ),
    ] = None,
    sessions: Annotated[
        str | None,
        typer.Option("--sessions", metavar="OUT", help="The tables of those sessions."),
    ] = None,
    rules: RulesOption = Rules.today,
    bends_in_lanes: Annotated[
        int | None,
        typer.Option(
            "--bends-in-lanes",
            help="Bends run in lanes. 4x200: 4, 3 or 1; 4x400: 3 or 1. (default: the first)",
        ),
    ] = None,
    radius_m: Annotated[
        float, typer.Option("--radius-m", help="Radius of the kerb.")
    ] = defaults.RADIUS_M,
    straight_m: Annotated[
        float, typer.Option("--straight-m", help="Length of one straight.")
    ] = defaults.STRAIGHT_M,
    lane_width_m: Annotated[
        float, typer.Option("--lane-width-m", help="Width of every lane.")
    ] = defaults.LANE_WIDTH_M,
) -> None:
    """Lay the standard 400 m plan on the ground and write it as a session's venue.

    It is laid on surveyed spots, a lap walked with a unit, or lines stood on, or all of them, and
    the file says how well its place is known. Later it can be made sharper.
    """
    from pipeline.base.stadium import Stadium
    from pipeline.session.venue_file import write_venue

    if sharpen is not None or sessions is not None:
        _sharpen(sharpen, sessions, out)
        return
    for name, value in (("--event", event), ("--lane", lane)):
        if not value:
            raise UsageError(name, "missing", "the event and one lane or more", "see --help")
    if survey is None and not walked and stood is None:
        raise UsageError(
            "venue",
            "nothing to place the plan by",
            "--survey, --walked or --stood",
            "see --help for what each needs",
        )
    if stood is None and stood_at:
        raise UsageError("--stood-at", "no recording", "--stood FILE with it", "add it")
    if walked_lane is not None and not walked:
        raise UsageError("--walked-lane", "no recording", "--walked FILE with it", "add it")
    lanes = lane or []
    placement = write_venue(
        survey,
        out,
        event=event or "",
        lanes=lanes,
        rules=rules,
        bends_in_lanes=bends_in_lanes,
        track=Stadium(radius_m, straight_m, lane_width_m),
        sd_m=sd_m,
        walked=[(path, walked_lane or lanes[0]) for path in walked or []],
        stood=[] if stood is None else [(stood, stood_at or [])],
    )
    _print_placement(placement)
    if sd_m is None and len(placement.residuals) == 2 and placement.sd_m < TRUSTED_SD_M:
        terminal.say(
            phrase(
                "Two points cannot show how good they are: they count as surveyed. From a "
                "telephone or a map, say so: --sd-m 3"
            )
        )
    terminal.say(phrase("Written: {path}", path=out))
    terminal.give(
        {
            "spots": [
                {"spot": r.spot, "east_m": r.east_m, "north_m": r.north_m}
                for r in placement.residuals
            ],
            "east_sd_m": float(placement.cov[0, 0] ** 0.5),
            "north_sd_m": float(placement.cov[1, 1] ** 0.5),
            "turn_sd_rad": float(placement.cov[2, 2] ** 0.5),
            "remarks": placement.remarks,
            "written": out,
        }
    )


def _print_placement(placement: Placement) -> None:
    if placement.residuals:
        terminal.print_table(
            [phrase("spot"), phrase("off, m"), phrase("east, m"), phrase("north, m")],
            [
                (r.spot, f"{r.distance_m:.3f}", f"{r.east_m:+.3f}", f"{r.north_m:+.3f}")
                for r in placement.residuals
            ],
            right=(1, 2, 3),
        )
    if math.isfinite(placement.scale_ppm):
        terminal.say(
            phrase(
                "Standard error of one surveyed point: {sd_m:.3f} m; the survey is "
                "{scale_ppm:+.0f} ppm longer than the plan.",
                sd_m=placement.sd_m,
                scale_ppm=placement.scale_ppm,
            )
        )
    if placement.walk_off_m is not None:
        terminal.say(
            phrase(
                "The lap's places lie {off_m:.1f} m beside the lane's line (root mean square).",
                off_m=placement.walk_off_m,
            )
        )
    terminal.say(_place_words(placement.cov))
    for remark in placement.remarks:
        terminal.say(reworded(remark))


def _place_words(cov: Floats) -> str:
    return phrase(
        "The plan's place is known to {place_m:.2f} m, its turn to {turn_m:.2f} m in 100 m.",
        place_m=float(((cov[0, 0] + cov[1, 1]) / 2) ** 0.5),
        turn_m=100 * float(cov[2, 2] ** 0.5),
    )


def _sharpen(venue: Path | None, sessions: str | None, out: Path) -> None:
    from pipeline.session.venue_sharpening import sharpen_venue

    if venue is None or sessions is None:
        raise UsageError(
            "--sharpen and --sessions",
            "one of them alone",
            "both: the venue, and the tables of sessions measured on it",
            "add the other",
        )
    done = sharpen_venue(venue, sessions, out)
    _print_sharper(done)
    terminal.say(phrase("Written: {path}", path=out))
    terminal.give(
        {
            "sessions": done.used,
            "left_out": done.left_out,
            "east_m": float(done.move[0]),
            "north_m": float(done.move[1]),
            "turn_rad": float(done.move[2]),
            "east_sd_m": float(done.cov[0, 0] ** 0.5),
            "north_sd_m": float(done.cov[1, 1] ** 0.5),
            "turn_sd_rad": float(done.cov[2, 2] ** 0.5),
            "written": out,
        }
    )


def _print_sharper(done: SharperVenue) -> None:
    terminal.say(
        phrase_count(
            "{count} session: the plan lies {east_m:+.2f} m east and {north_m:+.2f} m north of "
            "where the venue had it.",
            "{count} sessions: the plan lies {east_m:+.2f} m east and {north_m:+.2f} m north of "
            "where the venue had it.",
            len(done.used),
            east_m=float(done.move[0]),
            north_m=float(done.move[1]),
        )
    )
    terminal.say(_place_words(done.cov))
    terminal.print_list(phrase("Left out"), [reworded(one) for one in done.left_out])
