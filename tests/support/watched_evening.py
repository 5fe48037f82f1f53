"""An evening that is solved once, so that tests can let different people look at it cheaply."""

import csv
import functools
import pickle
import shutil
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from unittest import mock

import checkout  # noqa: F401 - finds sample_tracks
import observers
import simulate
from shared_work import once

from pipeline.measure import takeovers, zones
from pipeline.read.practice.session import read_session
from pipeline.session import process

EVENING = {
    "seed": 9031,
    "n_reps": 10,
    "n_runners": 4,
    "imu": False,
    "spacing_s": 20.0,
    "distractors": False,
    "fault_share": 0.0,
    "curves": False,
    "observers": (observers.Gates("gates", use="check"),),  # so that the venue has gates
}


@functools.cache
def solved_evening():
    """The truth, the session, what was solved, and what the clocks agreed on."""

    def fill(place):
        options = dict(EVENING)
        truth = simulate.make_session(place / "evening", options.pop("seed"), **options)
        kept = {}
        solve = process.clocks.solve_on_agreed_clocks

        def keep(*given):
            kept["solved"] = solve(*given)
            return kept["solved"]

        with mock.patch.object(process.clocks, "solve_on_agreed_clocks", keep):
            result = process.make_session_tables(truth.folder / "session.toml", None)
        state = truth, result.session, *kept["solved"]
        (place / "state").write_bytes(pickle.dumps(state))

    return pickle.loads((once("watched evening", fill) / "state").read_bytes())


def write(folder: Path, *eyes, chance=1):
    """The evening's folder with what these observers write down, and the truth of it."""
    truth, *_ = solved_evening()
    for name in ("session.toml", "reps.csv", "venue.geojson"):
        shutil.copy(truth.folder / name, folder)
    session = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(session.split("[[observer]]")[0], encoding="utf-8")
    seen = replace(truth, folder=folder, exchanges=[dict(x) for x in truth.exchanges], observers=[])
    observers.write_observations(seen, chance, eyes)
    return seen


def measure(folder: Path | None):
    """The evening measured with the observers of a folder; without any where it is None."""
    _, session, solved, agreed = solved_evening()
    watching = () if folder is None else read_session(folder / "session.toml").observers
    gates = zones.gate_places(session.venue, zones.axes(session))
    return takeovers.measure_takeovers(solved, agreed.offsets, agreed.usual_m, watching, gates)


@contextmanager
def rows_of_file(path: Path):
    """The rows of a CSV, written back as they are left."""
    with path.open(newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        rows, names = list(reader), list(reader.fieldnames or ())
    yield rows
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
