"""What writers under fire write, in this process and in children: light to import."""

from __future__ import annotations

import errno
import itertools
import os
import signal
from pathlib import Path

import pyarrow as pa
from random_tables import random_table

from pipeline.tables import schema, writing

ASKED = {"inputs": {"robin.fit": "0" * 64}, "versions": {}, "command": ["x"]}


def asked(run: int) -> dict[str, object]:
    """A record by which runs are told apart."""
    return {**ASKED, "settings": {"run": run}}


def tables_of(session: str, run: int, rows: int = 3) -> dict[str, pa.Table]:
    return {name: random_table(name, session, rows, run) for name in schema.TABLES}


def write(out: Path, session: str, run: int) -> None:
    writing.write_session(out, session, tables_of(session, run, rows=2 + run % 5), asked(run))


def write_on(out: str, session: str, first: int) -> None:
    """Without end; a file beside OUT tells the last run that was written."""
    for run in itertools.count(first):
        write(Path(out), session, run)
        mark = Path(out).parent / f"wrote-{session}"
        mark.with_suffix(".new").write_text(str(run))
        mark.with_suffix(".new").replace(mark)  # whole, whenever this is killed


def die_at_move(out: str, session: str, run: int, move: int) -> None:
    """Writes, and is killed as it makes its n-th move."""
    real, moved = os.replace, []

    def deadly(staged, place):
        if Path(place).name in ("part-0.parquet", "provenance.json"):
            moved.append(place)
            if len(moved) == move:
                os.kill(os.getpid(), signal.SIGKILL)
        real(staged, place)

    os.replace = deadly
    write(Path(out), session, run)


def die_while_taking_back(out: str, session: str, run: int, failing: int, deadly: int) -> None:
    """Writes, finds the disk full at its n-th move, and is killed at the m-th move back."""
    real, moved = os.replace, []

    def refusing(staged, place):
        if Path(place).name in ("part-0.parquet", "provenance.json"):
            moved.append(place)
            if len(moved) == failing:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(place))
            if len(moved) == failing + deadly:
                os.kill(os.getpid(), signal.SIGKILL)
        real(staged, place)

    os.replace = refusing
    write(Path(out), session, run)
