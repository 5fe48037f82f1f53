"""The `venue` command: where a track's plan lies on Earth, from what a coach can get.

It parses its options, calls one function and prints what came of it. `app` registers it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.base import defaults
from pipeline.base.relays import Rules
from pipeline.cli import terminal
from pipeline.cli.options import RulesOption

VENUE_EXAMPLE = (
    "Example, with a survey of two spots or more:\n\n"
    "batontrace venue --event 4x100 --lane 4 --lane 5 --survey points.csv --out venue.geojson\n\n"
    "points.csv:\n\n"
    "spot,latitude_deg,longitude_deg\n\n"
    "finish@lane1,44.9998490,-29.9995834\n\n"
    "back-end@lane1-inner,44.9994723,-30.0008982\n\n"
    "Spots are those of the plan: finish, back-start, back-end, home-start, start, zone1-entry "
    "and so on, each @lane1 to @lane9, with -inner or -outer for a lane's edges; centre1, centre2."
)


def run_venue(
    event: Annotated[str, typer.Option("--event", help="The relay: 4x100, 4x200 or 4x400.")],
    lane: Annotated[list[int], typer.Option("--lane", help="A lane, 1 to 9; may be repeated.")],
    survey: Annotated[
        Path,
        typer.Option(
            "--survey", metavar="points.csv", readable=False, help="Two or more surveyed spots."
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="venue.geojson",
            help="A new file; one that is there is never overwritten.",
        ),
    ],
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
    """Lay the standard 400 m plan on surveyed points and write it as a session's venue."""
    from pipeline.base.stadium import Stadium
    from pipeline.session.venue_file import write_venue

    placement = write_venue(
        survey,
        out,
        event=event,
        lanes=lane,
        rules=rules,
        bends_in_lanes=bends_in_lanes,
        track=Stadium(radius_m, straight_m, lane_width_m),
    )
    terminal.print_table(
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
