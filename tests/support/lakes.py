"""Lakes on disk: evenings of invented squads (squads.py), stored as processing stores them."""

import functools
from pathlib import Path

import pyarrow.compute as pc
import pytest
import squads
from conftest import random_table
from test_store import ASKED

from pipeline.advise import marks, orders
from pipeline.advise.marks import Settings
from pipeline.tables import lake, store

NAMES = ("heron", "otter", "rowan", "stoat")
QUICK = {"outer": 8, "inner": 8}  # draws


@functools.cache
def tables_of(seed: int, names: tuple[str, ...], evenings: int, reps: int, event: str):
    place = "cones" if event == "4x100" else "straight"
    squad, site = squads.draw(seed, n_runners=len(names), event=event, place=place, names=names)
    return squads.tables(seed, squad, site, evenings, reps)


def store_lake(
    out: Path, seed: int = 5, names: tuple[str, ...] = NAMES, evenings: int = 2, reps: int = 5,
    event: str = "4x100",
) -> None:  # fmt: skip
    """Evenings of a squad as tables on disk."""
    exchanges, curves = tables_of(seed, names, evenings, reps, event)
    for session in sorted(set(exchanges["session"].to_pylist())):
        tables = {
            name: table.filter(pc.equal(table["session"], session))
            for name, table in (("exchanges", exchanges), ("speed_curves", curves))
        }
        tables["recordings"] = random_table("recordings", session)
        store.write_session(out, session, tables, ASKED)


def store_two_events(out: Path) -> Path:
    """Six takeovers of the 4x400 beside the ten of the 4x100."""
    store_lake(out)
    store_lake(out, seed=1, evenings=1, reps=6, event="4x400")
    return out


def lighten(patch: pytest.MonkeyPatch) -> None:
    """Few draws and no search for stand and pace: neither matters to what is asked here."""
    patch.setattr(marks, "Settings", functools.partial(Settings, **QUICK))
    patch.setattr(marks, "PACES", (1.0,))
    for name, few in (("OUTER", 16), ("INNER", 8)):
        patch.setattr(orders, name, few)
    for name in ("STANDS_M", "STANDS_BY_SIGHT_M"):
        patch.setattr(marks, name, (0.0,))


def newest(out: Path) -> str:
    """The session whose takeovers are the latest."""
    return lake.by_time(out)[0][-1]
