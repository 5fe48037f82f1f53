"""A session to start from: session.toml and reps.csv with their explanations."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import OutputError, UsageError

SESSION = """\
# One practice session. Every line that starts with '#' is a note or can be switched on.
# Check it with:    batontrace check session.toml
# Measure it with:  batontrace process session.toml --out out
#
# Takeovers are run at full speed. Warm up well, build the speed up in steps from rep to rep,
# keep the lanes clear, and stop on pain. The coach, the competition's rules and local codes
# decide. Runners' data is personal: pseudonyms serve as ids.

[session]
id = "my-session"               # letters, digits, '-', '_', '.'; unique in a season
date = 2026-01-31
venue = "venue.geojson"         # made by `batontrace venue`; paths are relative to this file
event = "4x100"                 # 4x100, 4x200, 4x400, ...
lane = 4                        # where the practice sheet does not say otherwise
reps = "reps.csv"               # without it takeovers are found in the traces alone

[[runner]]
id = "robin"
foot_m = 0.30                   # shoe length, for marks counted in foot-lengths

[[runner]]
id = "kit"

[[recording]]
runner = "robin"
file = "robin.fit"              # .fit .gpx .tcx .nmea .csv, told by content
worn = "upper-back"             # upper-back, waist, left-wrist, right-wrist

[[recording]]
runner = "kit"
file = "kit.gpx"
worn = "upper-back"

# A second unit of the same runner, with a counter of its own for a clock:
# [[recording]]
# runner = "kit"
# file = "kit-imu.csv"
# worn = "upper-back"
# clock = "device"
# columns = { time = { column = "ms", unit = "ms" }, acc_x = { column = "ax", unit = "g" }, \
acc_y = { column = "ay", unit = "g" }, acc_z = { column = "az", unit = "g" } }

# All units knocked together, once at the beginning and once at the end, tie such counters:
# [[sync]]
# kind = "tap"
# near_utc = 2026-01-31T17:03:20Z
# window_s = 8
"""

# Columns as in the contract of the practice sheet; the row shows the least and the usual.
REPS = """\
rep,zone,lane,incoming,outgoing,mark_m,mark_feet,outgoing_start_m,incoming_start_m,start_utc,pass_m,note
1,1,4,robin,kit,,,0.0,40.0,,,build-up at three quarters: no mark yet
2,1,4,robin,kit,7.5,,0.0,40.0,,,
"""

FILES = {"session.toml": SESSION, "reps.csv": REPS}


def write(folder: Path) -> tuple[Path, ...]:
    """Write the files into `folder`, made where it is not there; the paths.

    Never overwrites: raises UsageError, nothing written, where one of them exists already.
    Raises OutputError where the folder cannot be written to.
    """
    paths = {folder / name: text for name, text in FILES.items()}
    for path in paths:
        if path.exists():
            raise UsageError(path, "exists already", "a folder without it", "choose another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in paths.items():
            with path.open("x", encoding="utf-8") as file:
                file.write(text)
    except OSError as err:
        raise OutputError(folder, f"cannot be written ({err.strerror})", "a folder") from err
    return tuple(paths)
