"""Writers that are killed at random moments, with readers beside them: a program of its own.

    python kill_at_random.py FOLDER EVENINGS SEED

It imports everything once and forks a child for each writer, reader and check, so a hundred kills
take seconds. FOLDER is empty, EVENINGS holds sessions as a season finds them. Prints how often each
operation was killed, and how often in the midst of its moves. Ends with 1 where a check fails.
"""

from __future__ import annotations

import contextlib
import importlib
import itertools
import json
import os
import random
import shutil
import signal
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path

import pyarrow as pa
import under_fire_writer as writer
from random_tables import random_table

from pipeline import api
from pipeline.errors import BatontraceError
from pipeline.read.practice.session import read_session
from pipeline.season import engines, season
from pipeline.session import process
from pipeline.show import publish
from pipeline.tables import compacting, export, folders, lake, places, schema, whole_files, writing
from pipeline.tables.provenance import file_sha256

Operation = Callable[[Path, int], None]
SESSION = "otter"
STOP = "stop"  # a file beside OUT: readers end
DONE = "done"  # a file beside OUT: the last run a writer has finished


# --- what is killed ----------------------------------------------------------------------


def write_session(out: Path, run: int) -> None:
    writer.write(out, SESSION, run)


def write_decisions(out: Path, run: int) -> None:
    tables = {name: random_table(name, rows=2 + run % 5, seed=run) for name in schema.DECISIONS}
    writing.write_decisions(out, tables, writer.asked(run))


def write_compacted(out: Path, run: int) -> None:
    writer.write(out, SESSION, run)
    compacting.compact(places.Folder(out))


def write_season(out: Path, run: int) -> None:
    """A season whose takeovers are drawn by lot: all else is read, hashed and written as ever."""

    def measure(path, out, *, command=None, source=None, **_options):
        session = read_session(path)
        tables = writer.tables_of(session.id, run, 2 + run % 5)
        record = process.run_record(session, command, source) | {"settings": {"run": run}}
        writing.write_session(out, session.id, tables, record)
        return process.MeasuredSession(session, tables, (), ())

    process.make_session_tables = measure
    here = engines.Here()
    found = season.measure_season(str(EVENINGS), str(out), here, again=True, command=("season",))
    if found.failed:
        raise AssertionError(found.failed)


def write_export(out: Path, _run: int) -> None:
    export.export_tables(out, out.parent / "exported.csv")


def write_page(out: Path, _run: int) -> None:
    publish.write_page(out, session=SESSION)


OPERATIONS: dict[str, tuple[Operation, int]] = {  # and its share of the kills
    "process": (write_session, 30),
    "decisions": (write_decisions, 18),
    "compaction": (write_compacted, 18),
    "season": (write_season, 8),
    "export": (write_export, 14),
    "report": (write_page, 12),
}


# --- what readers find -------------------------------------------------------------------


def check_one_run(out: Path) -> None:
    """Everything is whole and of one run: nobody has to be told of anything."""
    found = lake.read_lake(out)
    if found.remarks or whole_files.interrupted(out):
        raise AssertionError(found.remarks)
    there = lake.session_ids(out)
    for session in there:
        record = json.loads(folders.session_record_path(out, session).read_bytes())
        for name in schema.TABLES:
            stored = file_sha256(folders.part_path(out, name, session))
            if stored != record["tables"][name]["sha256"]:
                raise AssertionError(f"{name} of {session} is not of the run of its record")
    runs = {len(table) for name in schema.DECISIONS if (table := lake.read_decision(out, name))}
    if len(runs) > 1:
        raise AssertionError(f"decisions of {runs}")
    exported = out.parent / "exported.csv"
    if exported.exists() and not exported.read_bytes().endswith(b"\r\n"):
        raise AssertionError("half an export")
    page = out / "report" / "session-otter.html"
    if page.exists() and not page.read_text(encoding="utf-8").rstrip().endswith("</html>"):
        raise AssertionError("half a page")


def read_through_all(out: Path) -> None:
    """Every reader, beside writers: one run of a session, or its own error or a remark."""
    own = out.parent / f"own-{os.getpid()}"
    ways: tuple[Callable[[], object], ...] = (
        lambda: check_pairs(lake.read_lake(out)),
        lambda: check_pairs(lake.read_lake(out, SESSION)),
        lambda: lake.sessions_by_time(out),
        lambda: lake.read_session_table(out, SESSION, "recordings"),
        lambda: [lake.read_decision(out, name) for name in schema.DECISIONS],
        lambda: api.table(out, "exchanges"),
        lambda: export.export_tables(out, own / "all"),
        lambda: publish.write_page(out, session=SESSION, to=own / "page.html"),
    )
    for way in ways:
        try:
            way()
        except BatontraceError as err:
            if "Traceback" in str(err):
                raise
    shutil.rmtree(own, ignore_errors=True)


def check_pairs(found: lake.Lake) -> None:
    """A run has as many rows of takeovers as of curves, and no two runs in a row as many."""
    for session in set(found.exchanges["session"].to_pylist()):
        tables = (found.exchanges, found.curves)
        rows = {table["session"].to_pylist().count(session) for table in tables}
        if len(rows) > 1:
            raise AssertionError(f"{session} is of two runs: {rows}")


# --- children ----------------------------------------------------------------------------


def fork(function: Callable[[], object]) -> int:
    child = os.fork()
    if child:
        return child
    try:
        function()
    except BaseException:
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def require_success(child: int, what: str) -> None:
    _, status = os.waitpid(child, 0)
    if status:
        raise SystemExit(f"{what} ended with {status}")


def kill_once(name: str, out: Path, first: int, usual_s: float, rng: random.Random) -> bool:
    """Whether the writer was killed in the midst of its moves. It takes about `usual_s` a run."""
    done, stop = out.parent / DONE, out.parent / STOP
    done.unlink(missing_ok=True)
    stop.unlink(missing_ok=True)

    def write_on() -> None:
        for run in itertools.count(first):
            OPERATIONS[name][0](out, run)
            done.with_suffix(".new").write_text(str(run))
            done.with_suffix(".new").replace(done)

    def read_on() -> None:
        while not stop.exists():
            read_through_all(out)

    writing_child = fork(write_on)
    reading_child = fork(read_on) if rng.random() < 0.2 else None
    time.sleep(rng.uniform(0.0, 2.0) * usual_s)
    if rng.random() < 0.3:  # in the midst of moves, which last for some milliseconds only
        until = time.monotonic() + 2.0 * usual_s
        while not whole_files.interrupted(out) and time.monotonic() < until:
            pass
    os.kill(writing_child, signal.SIGKILL)
    if os.waitpid(writing_child, 0)[1] != signal.SIGKILL:
        raise SystemExit(f"{name}: the writer had ended before it was killed")
    amid = whole_files.interrupted(out)
    last = int(done.read_text()) if done.exists() else 0
    stop.touch()
    if reading_child is not None:
        require_success(reading_child, f"a reader beside {name}")

    by_reader = rng.random() < 0.3

    def check() -> None:
        if by_reader:
            read_through_all(out)
        else:
            writer.write(out, "heron", 1)  # another session's run puts this one right as well
        check_one_run(out)
        if name in ("process", "compaction"):
            record = json.loads(folders.session_record_path(out, SESSION).read_bytes())
            if record["settings"]["run"] < last:
                raise AssertionError("what was written before the kill is lost")
        writer.write(out, "heron", 1)
        left = [path.name for path in (out / ".batontrace").iterdir()]
        if [one for one in left if one not in ("lock", "claims") and not one.startswith("new-")]:
            raise AssertionError(f"left behind: {left}")

    require_success(fork(check), f"the check after {name}")
    return amid


def import_what_is_used(folder: Path, operations: Sequence[Operation]) -> None:
    """Import here what the children would each import by themselves."""
    names, out = folder / "modules", folder / "first" / "out"
    names.parent.mkdir()
    uses: list[Callable[[], None]] = [
        lambda: prepare(out),
        *(lambda do=operation: do(out, 3) for operation in operations),
        lambda: read_through_all(out),
        lambda: check_one_run(out),
    ]
    for use in uses:

        def use_once(use: Callable[[], None] = use) -> None:
            use()
            with names.open("a") as file:
                file.write("".join(f"{name}\n" for name in sys.modules))

        require_success(fork(use_once), "the first use of everything")
    for name in dict.fromkeys(names.read_text().splitlines()):
        with contextlib.suppress(Exception):
            importlib.import_module(name)


def main(folder: Path, seed: int) -> None:
    rng = random.Random(seed)
    import_what_is_used(folder, [operation for operation, _ in OPERATIONS.values()])
    counts = {}
    for name, (operation, kills) in OPERATIONS.items():
        out = folder / name / "out"
        prepare(out)
        began = time.monotonic()
        require_success(fork(lambda out=out, do=operation: do(out, 2)), name)
        usual_s = time.monotonic() - began
        amid = [kill_once(name, out, 1000 * (k + 1), usual_s, rng) for k in range(kills)]
        counts[name] = {"killed": kills, "amid moves": sum(amid)}
    print(json.dumps(counts))


def prepare(out: Path) -> None:
    """A lake with everything in it, each part of it written by a child of its own."""
    steps: tuple[Callable[[], object], ...] = (
        lambda: writer.write(out, "heron", 1),
        lambda: writer.write(out, SESSION, 2),
        lambda: write_decisions(out, 2),
        lambda: compacting.compact(places.Folder(out)),
    )
    for step in steps:
        require_success(fork(step), "preparing")


if __name__ == "__main__":
    EVENINGS = Path(sys.argv[2])
    pa.set_cpu_count(1)
    main(Path(sys.argv[1]), int(sys.argv[3]))
