"""Lakes that a bad disk, a careless hand or a stranger has spoilt, and every reader over them:
python tests/tools/fuzz_lake.py [--minutes 2] [--seed 1] [--only WORD]

Each round spoils a sound lake in one way of tests/support/tampered_lakes.py, and when all have had
their turn in two, and has every reader and two commands over it. None may raise anything but a
BatontraceError, none may give a row that was not written or that its schema forbids, and the
sessions that nobody touched must be there. Every run of the tests replays some ways
(tests/tables/test_tables_as_written.py).
"""

import argparse
import contextlib
import io
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import pyarrow.compute as pc
from command import run
from stored_sessions import tables_of
from tampered_lakes import SESSIONS, SPOILT, TAMPERINGS, WHOLE, stored_lake

from pipeline.errors import DEFECT, BatontraceError
from pipeline.session import former
from pipeline.tables import compacting, lake, schema, writing
from pipeline.tables.export import export_tables
from pipeline.tables.places import Folder

WRITTEN = {session: tables_of(session, seed) for seed, session in enumerate(SESSIONS)}


def rows_of(table, session: str):
    return table.filter(pc.equal(table["session"], session))


def check_rows(table_name: str, table) -> None:
    """What was read obeys the schema, and the untouched sessions are there as they were written."""
    schema.check_table(table_name, table)
    for session in WHOLE:
        own = rows_of(table, session)
        if "zero_utc" in own.column_names:
            own = own.sort_by("exchange")
        wanted = WRITTEN[session][table_name]
        assert sorted(map(repr, own.to_pylist())) == sorted(map(repr, wanted.to_pylist()))


def read_the_lake(out: Path) -> None:
    got = lake.read_lake(out)
    check_rows("exchanges", got.exchanges)
    check_rows("speed_curves", got.curves)
    for session in WHOLE:
        check_rows_of_one(lake.read_lake(out, session), session)


def check_rows_of_one(got, session: str) -> None:
    assert got.exchanges.num_rows == WRITTEN[session]["exchanges"].num_rows


def read_the_spoilt_session(out: Path) -> None:
    with contextlib.suppress(BatontraceError):
        lake.read_lake(out, SPOILT)
    with contextlib.suppress(BatontraceError):
        schema.check_table("recordings", lake.read_session_table(out, SPOILT, "recordings"))
    former.read_former(Folder(out), SPOILT)


def read_times(out: Path) -> None:
    assert set(WHOLE) <= set(lake.sessions_by_time(out)[0])


def read_decisions(out: Path) -> None:
    for name in schema.DECISIONS:
        with contextlib.suppress(BatontraceError):
            table = lake.read_decision(out, name)
            if table is not None:
                schema.check_table(name, table)


def export(out: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        for to in ("all", "all.xlsx"):
            done = export_tables(out, Path(name, to), tables=schema.TABLES)
            assert all(rows >= 6 for table, rows in done.rows if table in schema.TABLES)


def compact(out: Path) -> None:
    """Where the season's folder can be written, its parts are then as good as the lake."""
    compacting.compact(Folder(out))
    read_the_lake(out)


def renew_package(out: Path) -> None:
    writing.renew_data_package(out)


READERS: tuple[Callable[[Path], None], ...] = (
    read_the_lake,
    read_the_spoilt_session,
    read_times,
    read_decisions,
    export,
    compact,
    renew_package,
)
COMMANDS: tuple[tuple[str, ...], ...] = (
    ("runners", "OUT"),
    ("marks", "OUT"),
    ("order", "OUT"),
    ("progress", "OUT"),
    ("validate", "OUT"),
    ("report", "OUT"),
    ("report", "OUT", "--session", SPOILT),
    ("overlay", "OUT", "--session", WHOLE[0], "--exchange", "1"),
    ("export", "OUT", "--to", "TO/t.csv"),
    ("export", "OUT", "--to", "TO/t.xlsx"),
    ("export", "OUT", "--to", "TO/all"),
)


def attempt(out: Path, names: tuple[str, ...], seed: int, readers=READERS, commands=()) -> None:
    """Spoil the lake `out`, and read it. Raises AssertionError or what a reader should not."""
    rng = random.Random(seed)
    for name in names:
        with contextlib.suppress(OSError):  # one way may take away what the other would spoil
            TAMPERINGS[name](out, rng)
    for read in readers:
        try:
            read(out)
        except BatontraceError as err:
            if not any(word in name for name in names for word in MAY_STOP.get(read, ())):
                raise AssertionError(f"{read.__name__} stopped: {err}") from err
    with tempfile.TemporaryDirectory() as to:
        for words in commands:
            given = [word.replace("OUT", str(out)).replace("TO", to) for word in words]
            code, _, complained = run(*given)
            assert code != DEFECT, (names, words, complained)


# Compacting cannot write where a file or a folder that is none of its own stands in its way.
MAY_STOP = {
    compact: ("a file for the season", "a file for a season", "a folder", "a file for all records"),
}


def main() -> int:
    asked = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    asked.add_argument("--minutes", type=float, default=2.0)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--only", default="", help="ways with this word in their name")
    given = asked.parse_args()
    rng = random.Random(given.seed)
    ways = [name for name in TAMPERINGS if given.only in name]
    until, rounds, failures = time.monotonic() + 60 * given.minutes, 0, 0
    with tempfile.TemporaryDirectory() as folder:
        sound = Path(folder, "sound")
        stored_lake(sound)
        while time.monotonic() < until:
            names = (ways[rounds],) if rounds < len(ways) else tuple(rng.sample(ways, 2))
            out = Path(folder, "out")
            shutil.copytree(sound, out)
            try:
                with contextlib.redirect_stderr(io.StringIO()):
                    commands = rng.sample(COMMANDS, 2)
                    attempt(out, names, given.seed + rounds, commands=commands)
            except Exception as err:
                failures += 1
                print(f"{names}, seed {given.seed + rounds}: {type(err).__name__}: {err}"[:1500])
            shutil.rmtree(os_bytes(out))
            rounds += 1
    print(f"{rounds} rounds over {len(ways)} ways, {failures} failures")
    return int(failures > 0)


def os_bytes(path: Path) -> bytes:
    """The path in bytes, so that names in no UTF-8 are found below it."""
    return str(path).encode()


if __name__ == "__main__":
    sys.exit(main())
