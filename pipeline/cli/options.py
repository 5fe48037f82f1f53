"""Arguments and options that several commands share."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.base import defaults
from pipeline.base.relays import Rules


class Speed(enum.StrEnum):
    practice = "practice"
    race = "race"


class Start(enum.StrEnum):
    standing = "standing"
    crouched = "crouched"


# --- of every command, before its name or after it ---------------------------------------------

COMMON_FLAGS = ("--quiet", "--json", "--long", "--debug")
LANGUAGE_HELP = "The language of what is said. (default: the system's)"
QUIET_HELP = "Say nothing but errors; files are written all the same."
JSON_HELP = "Print the result as one JSON document, with the tables' columns."
LONG_HELP = "Print lists whole, and every column."
DEBUG_HELP = "Show the traceback of a defect."
COMMON_OPTIONS = (  # as the help of each command shows them
    ("--language en|de|fr", LANGUAGE_HELP),
    ("--quiet", QUIET_HELP),
    ("--json", JSON_HELP),
    ("--long", LONG_HELP),
)
LanguageOption = Annotated[
    str | None, typer.Option("--language", metavar="en|de|fr", help=LANGUAGE_HELP)
]
QuietOption = Annotated[bool, typer.Option("--quiet", help=QUIET_HELP)]
JsonOption = Annotated[bool, typer.Option("--json", help=JSON_HELP)]
LongOption = Annotated[bool, typer.Option("--long", help=LONG_HELP)]
DebugOption = Annotated[bool, typer.Option("--debug", help=DEBUG_HELP)]

# --- the session ---------------------------------------------------------------------------

# Files that may not be read (readable=False: typer does not look) get the error of those who read.
SessionFile = Annotated[
    Path,
    typer.Argument(
        metavar="SESSION.toml", readable=False, help="The file that describes the session."
    ),
]

# --- the tables -----------------------------------------------------------------------------

OutArgument = Annotated[
    str,
    typer.Argument(
        metavar="OUT",
        help="The folder of tables that process or season wrote, or a bucket: s3://club/lake.",
    ),
]
FolderArgument = Annotated[
    str,
    typer.Argument(
        metavar="OUT",
        help="The folder of tables that process or season wrote; a bucket is fetched first.",
    ),
]
PrintOnlyOption = Annotated[
    bool, typer.Option("--print-only", help="Print the result and write no table.")
]

# --- measuring ------------------------------------------------------------------------------

AnywayOption = Annotated[
    bool,
    typer.Option(
        "--anyway",
        help="Replace the tables in OUT even if they were made from more files than are there now.",
    ),
]

# --- whose takeovers --------------------------------------------------------------------------

EveryEventOption = Annotated[
    str | None,
    typer.Option("--event", help="One relay: 4x100, 4x400, ... (default: every one in OUT)"),
]
OneEventOption = Annotated[
    str | None,
    typer.Option("--event", help="The relay: 4x100, 4x400, ... (default: the most practised)"),
]
TeamOption = Annotated[
    list[str] | None,
    typer.Option(
        "--team", help="Runners, with commas between them or repeated. (default: all in OUT)"
    ),
]

# --- what is advised for ------------------------------------------------------------------------

StakeOption = Annotated[
    str,
    typer.Option(
        "--stake",
        metavar="heat|final|record|SECONDS",
        help="What it costs if the baton is lost or passes outside the zone: heat (it only has to "
        f"be survived, {defaults.STAKES_S['heat']:g} s), final ({defaults.STAKES_S['final']:g} s), "
        f"record ({defaults.STAKES_S['record']:g} s), or seconds.",
    ),
]
CollisionsOption = Annotated[
    str,
    typer.Option(
        "--collisions",
        metavar="avoid|time|SECONDS",
        help="What it costs if the two run into each other: avoid counts it as a danger "
        f"({defaults.COLLISION_S:g} s), time as nothing but the time it takes, or seconds.",
    ),
]
StraightWindOption = Annotated[
    float,
    typer.Option(
        "--wind",
        help="Wind along the home straight in m/s, positive from behind there; each leg and zone "
        "gets the share that blows along it.",
    ),
]
SpeedOption = Annotated[
    Speed, typer.Option("--speed", help="Advise for practice speed or for race speed.")
]
WindOption = Annotated[
    float, typer.Option("--wind", help="Wind along the zone in m/s, positive from behind.")
]
StartOption = Annotated[Start, typer.Option("--start", help="How the receiver starts.")]
RulesOption = Annotated[
    Rules,
    typer.Option(
        "--rules", help="Zones: those of today, or the older ones, 20 m after 10 m of acceleration."
    ),
]
FlatOption = Annotated[
    list[str] | None,
    typer.Option(
        "--flat",
        metavar="RUNNER=SECONDS",
        help="Flat time over the leg's distance; needed of all for legs beyond 100 m.",
    ),
]
FootOption = Annotated[
    list[str] | None,
    typer.Option(
        "--foot", metavar="RUNNER=M", help="A runner's foot-length in metres; may be repeated."
    ),
]
SeedOption = Annotated[
    int, typer.Option("--seed", help="The same seed gives the same numbers again.")
]
