"""Lakes on disk: evenings of invented squads (squads.py), stored as processing stores them."""

import functools
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pytest
import squads
from random_tables import random_table
from shared_work import shared
from stored_sessions import ASKED

from pipeline.advise import marks, orders, settings
from pipeline.advise.settings import Settings
from pipeline.tables import lake, schema, writing
from pipeline.tables.lake import Lake

NAMES = ("heron", "otter", "rowan", "stoat")
QUICK = {"outer": 8, "inner": 8}  # draws


@functools.cache
@shared
def squad_tables(seed: int, names: tuple[str, ...], evenings: int, reps: int, event: str):
    place = "cones" if event == "4x100" else "straight"
    squad, site = squads.draw(seed, n_runners=len(names), event=event, place=place, names=names)
    return squads.tables(seed, squad, site, evenings, reps)


def store_lake(
    out: Path, seed: int = 5, names: tuple[str, ...] = NAMES, evenings: int = 2, reps: int = 5,
    event: str = "4x100",
) -> None:  # fmt: skip
    """Evenings of a squad as tables on disk."""
    exchanges, curves = squad_tables(seed, names, evenings, reps, event)
    for session in sorted(set(exchanges["session"].to_pylist())):
        tables = {
            name: table.filter(pc.equal(table["session"], session))
            for name, table in (("exchanges", exchanges), ("speed_curves", curves))
        }
        tables["recordings"] = random_table("recordings", session)
        tables |= {n: schema.empty_table(n) for n in schema.TABLES if n not in tables}
        writing.write_session(out, session, tables, ASKED)


def store_two_events(out: Path) -> Path:
    """Six takeovers of the 4x400 beside the ten of the 4x100."""
    store_lake(out)
    store_lake(out, seed=1, evenings=1, reps=6, event="4x400")
    return out


def lighten(patch: pytest.MonkeyPatch) -> None:
    """Few draws and no search for stand and pace: neither matters to what is asked here."""
    patch.setattr(settings, "Settings", functools.partial(Settings, **QUICK))
    patch.setattr(marks, "PACES", (1.0,))
    for name, few in (("OUTER", 16), ("INNER", 8)):
        patch.setattr(orders, name, few)
    for name in ("STANDS_M", "STANDS_BY_SIGHT_M"):
        patch.setattr(marks, name, (0.0,))


def newest(out: Path) -> str:
    """The session whose takeovers are the latest."""
    return lake.sessions_by_time(out)[0][-1]


def ordered_pairs(names) -> list[tuple[str, str]]:
    return [(a, b) for a in names for b in names if a != b]


def random_lake(seed: int, rows: int, event: str) -> Lake:
    """Takeovers of three runners whose figures obey the schema and nothing else."""
    names = ("otter", "<b>", "ß 1")
    exchanges = random_table("exchanges", rows=rows, seed=seed).to_pydict()
    exchanges |= {
        "event": [event] * rows, "exchange": list(range(1, rows + 1)),
        "incoming": [names[k % 3] for k in range(rows)],
        "outgoing": [names[(k + 1 + seed % 2) % 3] for k in range(rows)],
    }  # fmt: skip
    curves = random_table("speed_curves", rows=40 * rows, seed=seed).to_pydict()
    curves["exchange"] = [1 + k % rows for k in range(40 * rows)]
    return Lake(
        Path("out"),
        schema.conform("exchanges", exchanges),
        schema.conform("speed_curves", curves),
        {},
    )


def store_many(out, reps):
    """`reps` takeovers in one session: forty, run again and again."""
    found, _, _ = squads.lake(9, n_runners=4, evenings=1, reps=40)
    tables = {"exchanges": found.exchanges, "speed_curves": found.curves}
    tables = {
        name: pa.concat_tables(
            [table.set_column(*shifted(table, 40 * k)) for k in range(reps // 40)]
        )
        for name, table in tables.items()
    }
    tables |= {name: schema.empty_table(name) for name in schema.TABLES if name not in tables}
    writing.write_session(out, "evening-9-1", tables, ASKED)


def shifted(table, by):
    place = table.schema.get_field_index("exchange")
    return place, table.schema.field(place), pc.add(table["exchange"], pa.scalar(by, pa.int32()))
