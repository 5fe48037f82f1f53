"""Long evenings for benchmarks, made once and kept: a squad, an hour, every format.

An evening's figures are in its folder's name, and a digest of the generator, so that a kept one
is never that of another generator. One seed throughout: formats differ in nothing but the format.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from checkout import SAMPLES

FORMATS = ("fit", "csv", "gpx", "tcx", "nmea")
NAMES = (
    "robin", "wren", "otter", "heron", "rowan", "stoat", "larch", "finch",
    "jay", "lark", "alder", "clover", "hazel", "ibex", "juniper", "kestrel",
)  # fmt: skip
START_UTC_S = 1778606400.0  # 2026-05-12T17:20:00Z
DISTRACTORS = 4  # one run of each kind that is no takeover
ON_THE_WAY_S = 17.0  # what a run takes besides the wait before it


@dataclass(frozen=True)
class Evening:
    """Fixes at 10 Hz, and 100 Hz accelerometer and gyroscope where the format has room."""

    format: str = "fit"
    hours: float = 1.0
    runners: int = 8
    takeovers: int = 30
    others: bool = True  # runs that are no takeovers come between

    @property
    def name(self) -> str:
        figures = f"{self.hours:g}h-{self.runners}runners-{self.takeovers}takeovers"
        return f"{self.format}-{figures}" + ("" if self.others else "-alone")


def made(folder: Path, evening: Evening) -> Path:
    """The evening's session.toml, beside its files; made where it is not there yet."""
    place = folder / f"{evening.name}-{_generator()}"
    if not place.is_dir():
        import simulate

        part = place.with_name(f"{place.name}.{os.getpid()}")
        runs = evening.takeovers + (DISTRACTORS if evening.others else 0)
        wait_s = 3600.0 * evening.hours / runs - ON_THE_WAY_S
        simulate.make_session(
            part, 5, place="bend", lane=5, session_id=evening.name, names=NAMES,
            n_runners=evening.runners, n_reps=evening.takeovers, formats=(evening.format,),
            imu=evening.format in ("fit", "csv"), rate_hz=10.0, imu_hz=100.0,
            spacing_s=max(12.0, wait_s), distractors=evening.others, curves=False,
            start_utc_s=START_UTC_S,
        )  # fmt: skip
        try:
            part.rename(place)
        except OSError:  # another run was quicker
            shutil.rmtree(part)
    return place / "session.toml"


def lasted_h(session: Path) -> float:
    """Hours from an evening's first moment to its last."""
    of = json.loads((session.parent / "truth.json").read_text())["session"]
    return float(of["last_utc_s"] - of["first_utc_s"]) / 3600.0


def files(session: Path) -> list[Path]:
    """The recordings of an evening, those of satellites first."""
    kept = {"session.toml", "reps.csv", "venue.geojson", "truth.json", "truth_curves.csv"}
    found = [path for path in session.parent.iterdir() if path.name not in kept]
    return sorted(found, key=lambda path: ("-imu" in path.name, path.name))


def _generator() -> str:
    sources = sorted(SAMPLES.glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:8]
