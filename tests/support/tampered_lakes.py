"""A small lake, and everything that a bad disk, a careless hand or a stranger may do to it.

`stored_lake(out)` lays down three sessions, a season's parts and tables of decisions. Each of
`TAMPERINGS` spoils one thing of the session SPOILT, or something beside it, and leaves WHOLE alone.
"""

import json
import os
import random
import shutil
import socket
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from random_tables import random_table
from stored_sessions import ASKED, tables_of

from pipeline.tables import compacting, folders, schema, writing
from pipeline.tables.places import Folder

SPOILT = "heron"
WHOLE = ("otter", "wren")
SESSIONS = (SPOILT, *WHOLE)
DEEP = "[" * 100_000 + "]" * 100_000
Tampering = Callable[[Path, random.Random], None]


def stored_lake(out: Path) -> None:
    for seed, session in enumerate(SESSIONS):
        writing.write_session(out, session, tables_of(session, seed), ASKED)
    compacting.compact(Folder(out))
    writing.write_decisions(out, {n: random_table(n) for n in schema.DECISIONS}, ASKED)


# --- one file ------------------------------------------------------------------------------


def flipped(path: Path, rng: random.Random) -> None:
    content = bytearray(path.read_bytes())
    content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
    path.write_bytes(content)


def cut(path: Path, rng: random.Random) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: rng.randrange(len(content))])


def doubled(path: Path, _: random.Random) -> None:
    path.write_bytes(path.read_bytes() * 2)


def noise(path: Path, rng: random.Random) -> None:
    path.write_bytes(b"PAR1" + rng.randbytes(500) + b"PAR1")


def emptied(path: Path, _: random.Random) -> None:
    path.write_bytes(b"")


def removed(path: Path, _: random.Random) -> None:
    path.unlink()


def sparse(path: Path, _: random.Random) -> None:
    with path.open("wb") as file:
        file.truncate(40 << 30)


def pipe(path: Path, _: random.Random) -> None:
    path.unlink()
    os.mkfifo(path)


def bound_socket(path: Path, _: random.Random) -> None:
    path.unlink()
    here = os.getcwd()
    os.chdir(path.parent)  # a socket's name may have 100 letters
    try:
        socket.socket(socket.AF_UNIX).bind(path.name)
    finally:
        os.chdir(here)


def folder(path: Path, _: random.Random) -> None:
    path.unlink()
    path.mkdir()


def link_to(target: str) -> Callable[[Path, random.Random], None]:
    def link(path: Path, _: random.Random) -> None:
        path.unlink()
        path.symlink_to(target)

    return link


def text(content: str | bytes) -> Callable[[Path, random.Random], None]:
    def write(path: Path, _: random.Random) -> None:
        path.write_bytes(content.encode() if isinstance(content, str) else content)

    return write


ANY_FILE = {
    "a bit flipped": flipped,
    "cut": cut,
    "doubled": doubled,
    "noise": noise,
    "emptied": emptied,
    "removed": removed,
    "sparse, 40 GB": sparse,
    "a named pipe": pipe,
    "a socket": bound_socket,
    "a folder": folder,
    "a link to an endless device": link_to("/dev/zero"),
    "a link to itself": link_to("part-0.parquet"),
    "a link to nothing": link_to("nowhere"),
}
JSON_FILE = {
    "deep JSON": text(DEEP),
    "deep JSON inside": text('{"tables": ' + DEEP + "}"),
    "a number of 5,000 digits": text('{"tables": ' + "9" * 5000 + "}"),
    "a list": text("[1, 2]"),
    "no UTF-8": text(b'{"tables": "\xff"}'),
    "lists for dictionaries": text('{"tables": [1], "inputs": [2], "versions": 3, "settings": 4}'),
    "numbers for dictionaries": text(
        '{"tables": {"exchanges": 1, "recordings": {"rows": 1e400, "sha256": 7}}, '
        '"inputs": {"a": 1}, "run_sha256": [], "settings": {"a": 1}, "sha256": 5}'
    ),
}

# --- a table's content, with no hash that would tell of it -----------------------------------


def rewritten(table: str, change: Callable[[pa.Table], pa.Table]) -> Tampering:
    """A table written anew, other than it was, its record taken away."""

    def tamper(out: Path, _: random.Random) -> None:
        folders.session_record_path(out, SPOILT).unlink()
        path = folders.part_path(out, table, SPOILT)
        pq.write_table(change(pq.ParquetFile(path).read()), path)

    return tamper


def with_column(name: str, values: Callable[[int], object]) -> Callable[[pa.Table], pa.Table]:
    def change(data: pa.Table) -> pa.Table:
        made = values(data.num_rows)
        made = made if isinstance(made, pa.Array) else pa.array(made)
        at = data.column_names.index(name)
        return data.set_column(at, pa.field(name, made.type), made)

    return change


def with_metadata(**more: bytes) -> Callable[[pa.Table], pa.Table]:
    added = {f"batontrace.{name}".encode(): value for name, value in more.items()}
    return lambda data: data.replace_schema_metadata({**(data.schema.metadata or {}), **added})


def no_utf8(rows: int) -> pa.Array:
    """Texts in bytes that are no UTF-8, as a file may hold them."""
    ends = pa.py_buffer(np.arange(0, 2 * rows + 1, 2, dtype=np.int32))
    return pa.Array.from_buffers(pa.string(), rows, [None, ends, pa.py_buffer(b"\xff\xfe" * rows)])


def no_utf8_in_lists(rows: int) -> pa.Array:
    ends = pa.array(range(rows + 1), pa.int32())
    return pa.ListArray.from_arrays(ends, no_utf8(rows))


def times(us: int) -> Callable[[int], pa.Array]:
    return lambda rows: pa.array([us] * rows, pa.int64()).cast(pa.timestamp("us", tz="UTC"))


def nested(depth: int) -> Callable[[int], pa.Array]:
    def make(rows: int) -> pa.Array:
        made = pa.array([1] * rows)
        for _ in range(depth):
            made = pa.StructArray.from_arrays([made], ["a"])
        return made

    return make


def taken(name: str) -> Callable[[pa.Table], pa.Table]:
    return lambda data: data.drop_columns([name])


CONTENTS = {
    "texts in no UTF-8": rewritten("exchanges", with_column("incoming", no_utf8)),
    "a list of no UTF-8": rewritten("exchanges", with_column("remarks", no_utf8_in_lists)),
    "a file's name in no UTF-8": rewritten("recordings", with_column("file", no_utf8)),
    "the year 290,000": rewritten("exchanges", with_column("zero_utc", times(2**63 - 1))),
    "before the year 1": rewritten("exchanges", with_column("zero_utc", times(-(2**62)))),
    "a recording in no year": rewritten("recordings", with_column("first_utc", times(2**62))),
    "times of no zone, in seconds": rewritten(
        "exchanges", with_column("zero_utc", lambda n: pa.array([2**40] * n, pa.timestamp("s")))
    ),
    "a version of 5,000 digits": rewritten("exchanges", with_metadata(version=b"9" * 5000)),
    "a version in no UTF-8": rewritten("exchanges", with_metadata(version=b"\xff")),
    "a run in no UTF-8": rewritten("exchanges", with_metadata(run_sha256=b"\xff" * 64)),
    "NaN": rewritten("speed_curves", with_column("v_mps", lambda n: [float("nan")] * n)),
    "a thousand million m/s": rewritten("speed_curves", with_column("v_mps", lambda n: [1e9] * n)),
    "zone 127": rewritten(
        "exchanges", with_column("zone", lambda n: pa.array([127] * n, pa.int8()))
    ),
    "nulls": rewritten("exchanges", with_column("outgoing", lambda n: pa.nulls(n, pa.string()))),
    "numbers for texts": rewritten("exchanges", with_column("incoming", lambda n: [1.5] * n)),
    "texts for numbers": rewritten("speed_curves", with_column("t_s", lambda n: ["soon"] * n)),
    "numbers beyond their type": rewritten(
        "exchanges", with_column("exchange", lambda n: [2**40] * n)
    ),
    "structs in structs": rewritten("exchanges", with_column("outcome", nested(60))),
    "a column gone": rewritten("speed_curves", taken("s_m")),
    "a column twice": rewritten(
        "speed_curves", lambda data: data.append_column("t_s", data.column("t_s"))
    ),
    "a column of its session's": rewritten(
        "exchanges", lambda data: data.append_column("session", pa.array(["wren"] * data.num_rows))
    ),
    "no columns": rewritten("exchanges", lambda _: pa.table({})),
    "of another run": rewritten("speed_curves", with_metadata(run_sha256=b"0" * 64)),
    "the first run's twice": lambda out, _: shutil.copy(
        folders.part_path(out, "exchanges", WHOLE[0]), folders.part_path(out, "exchanges", SPOILT)
    ),
}

# --- folders ---------------------------------------------------------------------------------


def odd_folder(name: str | bytes) -> Tampering:
    """A copy of a session's folders under a name that no session can have."""

    def tamper(out: Path, _: random.Random) -> None:
        for table in schema.TABLES:
            source = folders.part_path(out, table, SPOILT).parent
            target = os.path.join(os.fsencode(source.parent), os.fsencode(name))
            shutil.copytree(os.fsencode(source), target)

    return tamper


def file_for_folder(*names: str) -> Tampering:
    def tamper(out: Path, _: random.Random) -> None:
        path = out.joinpath(*names)
        shutil.rmtree(path)
        path.write_text("")

    return tamper


def folder_gone(*names: str) -> Tampering:
    return lambda out, _: shutil.rmtree(out.joinpath(*names))


FOLDERS = {
    "a session of no name": odd_folder("session="),
    "a session with a line break": odd_folder("session=a\nb"),
    "a session in no UTF-8": odd_folder(b"session=\xff\xfe"),
    "a session of 240 letters": odd_folder("session=" + "w" * 240),
    "a session of dots": odd_folder("session=..."),
    "a session with a control sequence": odd_folder("session=\x1b[2J"),
    "a file for a session": file_for_folder("exchanges", f"session={SPOILT}"),
    "a file for the curves": file_for_folder("speed_curves", f"session={SPOILT}"),
    "a file for the record's folder": file_for_folder("provenance", f"session={SPOILT}"),
    "a file for all records": file_for_folder("provenance"),
    "a file for the season": file_for_folder("season"),
    "a file for a season's table": file_for_folder("season", "exchanges"),
    "a session without curves": folder_gone("speed_curves", f"session={SPOILT}"),
    "no records at all": folder_gone("provenance"),
    "no season": folder_gone("season"),
    "a folder for the package": lambda out, _: (
        (out / "datapackage.json").unlink(),
        (out / "datapackage.json").mkdir(),
    ),
}

# --- a season's parts ------------------------------------------------------------------------


def part_rewritten(table: str, change: Callable[[pa.Table], pa.Table]) -> Tampering:
    """A compacted part written anew, and a record that fits it."""

    def tamper(out: Path, _: random.Random) -> None:
        name = folders.season_part_file(table, 0)
        data = change(pq.ParquetFile(out / name).read())
        sink = pa.BufferOutputStream()
        pq.write_table(data, sink)
        compacting._write_part(Folder(out), name, sink.getvalue().to_pybytes())

    return tamper


PARTS = {
    f"a part: {name}": part_rewritten(table, change)
    for name, table, change in (
        ("NaN", "speed_curves", with_column("v_mps", lambda n: [float("nan")] * n)),
        ("1e9 m/s", "speed_curves", with_column("v_mps", lambda n: [1e9] * n)),
        ("zone 127", "exchanges", with_column("zone", lambda n: pa.array([127] * n, pa.int8()))),
        ("no UTF-8", "exchanges", with_column("outgoing", no_utf8)),
        ("the year 290,000", "exchanges", with_column("zero_utc", times(2**63 - 1))),
        ("deep JSON", "exchanges", with_metadata(sessions=DEEP.encode())),
        ("a list of sessions", "exchanges", with_metadata(sessions=b"[3]")),
        ("slices of words", "exchanges", with_metadata(sessions=b'{"heron": ["a", {}]}')),
        (
            "slices beyond the end",
            "speed_curves",
            with_metadata(sessions=b'{"heron": [1, 2, "a", "b", 0, 99999999]}'),
        ),
        ("a column gone", "speed_curves", taken("v_mps")),
    )
}


def _of_file(find: Callable[[Path], Path], change: Callable[[Path, random.Random], None]):
    return lambda out, rng: change(find(out), rng)


def _all_tamperings() -> dict[str, Tampering]:
    found = {**CONTENTS, **FOLDERS, **PARTS}
    files: dict[str, Callable[[Path], Path]] = {
        name: lambda out, name=name: folders.part_path(out, name, SPOILT) for name in schema.TABLES
    }
    files["a part"] = lambda out: out / folders.season_part_file("speed_curves", 0)
    files["marks"] = lambda out: folders.decision_path(out, "marks")
    records: dict[str, Callable[[Path], Path]] = {
        "record": lambda out: folders.session_record_path(out, SPOILT),
        "a part's record": lambda out: (
            out / folders.season_record_file(folders.season_part_file("exchanges", 0))
        ),
        "marks' record": lambda out: folders.decision_record_path(out, "marks"),
        "the package": lambda out: out / "datapackage.json",
    }
    for kinds, changes in ((files | records, ANY_FILE), (records, JSON_FILE)):
        for file, find in kinds.items():
            for how, change in changes.items():
                found[f"{file}: {how}"] = _of_file(find, change)
    return found


TAMPERINGS: dict[str, Tampering] = _all_tamperings()


def record_of(out: Path, session: str) -> dict:
    return json.loads(folders.session_record_path(out, session).read_text(encoding="utf-8"))
