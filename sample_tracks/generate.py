"""Write the sample sessions and their truth anew: `python sample_tracks/generate.py [FOLDER]`.

The same bytes every time. FOLDER is where to write (default: beside this file).
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Any

from observers import Film, Gates
from race import make_race
from simulate import make_session

HERE = Path(__file__).resolve().parent
SQUAD = ("otter", "heron", "rowan", "stoat")
SQUAD_SEED = 121  # alike enough that their marks lie where the trade puts marks
EVENING_UTC_S = 1778606400.0  # 2026-05-12T17:20:00Z
TIME_ZONE = "Atlantic/Azores"  # where the invented track lies, in the sea

SESSIONS: dict[str, dict[str, Any]] = {
    "larch-straight": {
        "distractors": ("broken off", "solo"),
        "seed": 2, "event": "4x100", "place": "straight", "lane": 1, "taps": 2, "n_reps": 5,
        "formats": ("fit-raw", "csv.gz", "nmea", "gpx"), "rate_hz": (10.0, 10.0, 5.0, 5.0),
        "imu": (True, True, False, False), "counter_imu": (False, True, False, False),
        "seen_share": 0.4, "start_utc_s": EVENING_UTC_S,
        "observers": (Film("film-zone2", view="all", frames_per_s=60.0), Gates()),
    },
    "larch-bend": {
        "distractors": ("abreast",),
        "seed": 5, "event": "4x100", "place": "bend", "lane": 5, "n_reps": 5,
        "formats": ("fit-record", "csv", "tcx", "gpx-s"), "rate_hz": (10.0, 10.0, 5.0, 5.0),
        "imu": False, "delay_s": 0.12, "blank_cells": True, "start_utc_s": EVENING_UTC_S + 1200,
    },
    "larch-unwritten": {
        "distractors": ("abreast", "broken off", "start alone"),
        "seed": 6, "event": "4x100", "place": "bend", "lane": 2, "n_reps": 5, "sheet": False,
        "formats": ("fit-uptime", "fit-record", "csv", "csv.gz"),
        "imu": (True, False, False, False),
        "start_utc_s": EVENING_UTC_S + 2400,
    },
    "larch-long": {
        "distractors": ("solo",),
        "seed": 8, "event": "4x400", "place": "straight", "lane": 1, "n_reps": 4,
        "formats": ("csv", "fit", "fit-record", "tcx"), "rate_hz": (10.0, 10.0, 10.0, 1.0),
        "imu": False, "start_utc_s": EVENING_UTC_S + 3600,
    },
    "larch-long-unwritten": {
        "distractors": ("broken off",),
        "seed": 9, "event": "4x400", "place": "bend", "lane": 5, "n_reps": 3, "sheet": False,
        "noise": "rough",
        "formats": ("csv", "fit-record", "fit", "csv.gz"), "rate_hz": 18.0, "imu": False,
        "start_utc_s": EVENING_UTC_S + 4500,
    },
}  # fmt: skip

RACES: dict[str, dict[str, Any]] = {
    "larch-race": {
        "seed": 12, "event": "4x100", "lane": 5, "names": SQUAD, "squad_seed": SQUAD_SEED,
        "formats": ("fit-record", "csv.gz", "gpx", "fit-record"),
        "rate_hz": (10.0, 10.0, 5.0, 10.0),
        "start_utc_s": EVENING_UTC_S + 5 * 86400.0,
    },
}  # fmt: skip


def generate(folder: Path, only: tuple[str, ...] = (*SESSIONS, *RACES)) -> None:
    for name in only:
        if (folder / name).exists():
            shutil.rmtree(folder / name)
        if name in RACES:
            truth = folder / "truth"
            make_race(folder / name, session_id=name, truth_folder=truth, **RACES[name])
        else:
            make_session(
                folder / name,
                session_id=name,
                names=SQUAD,
                squad_seed=SQUAD_SEED,
                truth_folder=folder / "truth",
                **SESSIONS[name],
            )
        _name_time_zone(folder / name / "session.toml")


def _name_time_zone(path: Path) -> None:
    """Pages tell the time by these clocks; the times in sheets say themselves that they are UTC."""
    head, text = path.read_text().split("venue = ", 1)
    path.write_text(f'{head}time_zone = "{TIME_ZONE}"\nvenue = {text}')


if __name__ == "__main__":
    generate(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
