"""A table that is not as its run wrote it is noticed on every way in, and costs only itself."""

import json
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import fuzz_lake
import other_user
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from checkout import DATA
from random_tables import random_table
from stored_sessions import ASKED, tables_of
from tampered_lakes import (
    SESSIONS,
    SPOILT,
    TAMPERINGS,
    WHOLE,
    flipped,
    no_utf8,
    stored_lake,
    times,
    with_column,
)

import pipeline
from pipeline.errors import InputError, OutputError
from pipeline.show import publish
from pipeline.tables import compacting, export, folders, lake, reading, schema, writing
from pipeline.tables.places import Folder

TRIES = 120  # damaged tables, of which none may come back with other values
ANOTHER = {**ASKED, "settings": {"a": 1}}  # of another run
REPLAYED = 14  # ways to spoil a lake, of all that fuzz_lake.py knows


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Do not write here."""
    out = tmp_path_factory.mktemp("sound") / "out"
    stored_lake(out)
    return out


@pytest.fixture
def out(sound, tmp_path):
    return shutil.copytree(sound, tmp_path / "out")


def forge(path: Path, seed: int = 77) -> None:
    """Another table of the same schema and the same run: only its hash tells."""
    name = path.parent.name if path.parent.name in schema.DECISIONS else path.parents[1].name
    metadata = pq.read_schema(path).metadata
    table = random_table(name, seed=seed)
    body = table.drop_columns(["session"]) if name in schema.TABLES else table
    pq.write_table(body.replace_schema_metadata(metadata), path)


def without_season(out: Path) -> Path:
    shutil.rmtree(out / "season")
    return out


# --- every way in -----------------------------------------------------------------------------


def of_lake(out):
    got = lake.read_lake(out)
    return got.remarks, set(got.exchanges["session"].to_pylist())


def of_times(out):
    in_order, remarks = lake.sessions_by_time(out)
    return remarks, set(in_order)


def of_export(out):
    done = export.export_tables(out, out.parent / "t.csv")
    text = (out.parent / "t.csv").read_text(encoding="utf-8")
    return done.remarks, {session for session in SESSIONS if f'"{session}"' in text}


def of_compacting(out):
    done = compacting.compact(Folder(out))
    part = pq.ParquetFile(out / folders.season_part_file("exchanges", 0)).read()
    return done.remarks, set(part["session"].to_pylist())


def of_pair_page(out):
    pair = lake.read_lake(out).exchanges.select(["incoming", "outgoing"]).to_pylist()[0]
    done = publish.write_page(out, pair=tuple(pair.values()), to=out.parent / "page.html")
    return done.remarks, of_lake(out)[1]


@pytest.mark.parametrize("read", [of_lake, of_times, of_export, of_compacting, of_pair_page])
def test_a_session_whose_table_was_exchanged_is_left_out_and_the_others_are_there(out, read):
    forge(folders.part_path(without_season(out), "exchanges", SPOILT))
    remarks, sessions = read(out)
    assert sessions == set(WHOLE)
    (remark,) = (one for one in remarks if SPOILT in one)
    assert f"exchanges/session={SPOILT}/part-0.parquet: is not as it was written" in remark
    assert "as its record says" in remark
    assert "process the session again" in remark
    assert str(out) not in remark


@pytest.mark.parametrize(
    "read",
    [
        lambda out: lake.read_lake(out, SPOILT),
        lambda out: lake.read_session_table(out, SPOILT, "recordings"),
        lambda out: lake.read_decision(out, "marks"),
        lambda out: pipeline.table(out, "exchanges"),
        lambda out: pipeline.curves(out, SPOILT, 1),
        lambda out: export.export_tables(out, out.parent / "t.csv", tables=["marks"]),
    ],
)
def test_asked_for_by_name_it_is_an_error(out, read):
    for name in schema.TABLES:
        forge(folders.part_path(out, name, SPOILT))
    forge(folders.decision_path(out, "marks"))
    with pytest.raises(InputError, match=r"is not as it was written.*again"):
        read(out)


def test_a_page_tells_of_a_table_beside_it_that_was_exchanged(out):
    forge(folders.decision_path(out, "marks"))
    forge(folders.part_path(out, "recordings", SPOILT))
    done = publish.write_page(out, session=SPOILT, to=out.parent / "page.html")
    for name in ("marks", "recordings"):
        (remark,) = (one for one in done.remarks if one.startswith(f"table {name} was left out"))
        assert "is not as it was written" in remark


@pytest.mark.parametrize("name", ["exchanges", "speed_curves"])
def test_of_many_damaged_tables_none_comes_back_with_other_values(out, name):
    """A part of them breaks the Parquet, and a part changes a number that the schema allows."""
    without_season(out)
    path = folders.part_path(out, name, SPOILT)
    content, rng = path.read_bytes(), random.Random(9)
    wanted = lake.read_lake(out, SPOILT)
    for _ in range(TRIES // 2):
        path.write_bytes(content)
        flipped(path, rng)
        with pytest.raises(InputError):
            lake.read_lake(out, SPOILT)
    path.write_bytes(content)
    assert lake.read_lake(out, SPOILT).exchanges.equals(wanted.exchanges)


def test_old_records_hold_no_hash_and_their_tables_are_read(out):
    before = lake.read_lake(without_season(out))
    for session in SESSIONS:
        path = folders.session_record_path(out, session)
        record = json.loads(path.read_text(encoding="utf-8"))
        del record["tables"]
        path.write_text(json.dumps(record), encoding="utf-8")
    assert lake.read_lake(out).exchanges.equals(before.exchanges)
    shutil.rmtree(out / "provenance")
    assert lake.read_lake(out).curves.equals(before.curves)
    assert lake.read_lake(DATA / "old_lake").remarks == ()


# --- compacted parts ---------------------------------------------------------------------------


def forged_part(out: Path) -> None:
    part = out / folders.season_part_file("speed_curves", 0)
    table = pq.ParquetFile(part).read()
    faster = with_column("v_mps", lambda n: [9.87] * n)(table)
    before = part.stat()
    pq.write_table(faster, part)
    os.utime(part, ns=(before.st_atime_ns, before.st_mtime_ns))


def part_of(name: str):
    return lambda out: TAMPERINGS[f"a part: {name}"](out, random.Random(1))


@pytest.mark.parametrize(
    "spoil",
    [
        forged_part,
        *map(part_of, ("NaN", "1e9 m/s", "zone 127", "no UTF-8", "a list of sessions")),
    ],
)
def test_a_part_that_is_not_as_it_was_written_or_not_of_the_schema_is_passed_over(out, spoil):
    before = lake.read_lake(out)
    assert before.remarks == ()
    spoil(out)
    got = lake.read_lake(out)
    assert got.exchanges.equals(before.exchanges)
    assert got.curves.equals(before.curves)
    (remark,) = got.remarks
    assert "/part-0000.parquet was passed over, and its sessions read from their own" in remark
    assert "run batontrace season" in remark
    assert str(out) not in remark


@pytest.mark.parametrize(
    "spoil", [forged_part, lambda out: shutil.rmtree(out / "provenance/season")]
)
def test_the_next_season_makes_it_anew(out, spoil):
    spoil(out)
    assert compacting.compact(Folder(out)).written
    assert compacting.compact(Folder(out)).written == ()
    assert lake.read_lake(out).remarks == ()
    assert compacting.read_current_parts(Folder(out), ("speed_curves",)).run(SPOILT)


def test_a_session_exchanged_for_one_as_large_and_as_old_is_not_taken_from_the_parts(out):
    """Such as a copy brought back by a tool that keeps the times of files."""
    stamps = {}
    for name in schema.TABLES:
        path = folders.part_path(out, name, SPOILT)
        stamps[path] = path.stat()
    writing.write_session(out, SPOILT, tables_of(SPOILT, 0), ANOTHER)
    for path, before in stamps.items():
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    found = compacting.read_current_parts(Folder(out), ("exchanges", "speed_curves"))
    assert found.run(SPOILT) is None
    assert found.run(WHOLE[0])


# --- lakes spoilt in every way -------------------------------------------------------------------


@pytest.mark.parametrize("name", random.Random(5).sample(sorted(TAMPERINGS), REPLAYED))
def test_a_spoilt_lake_never_stops_a_reader_for_a_defect(out, name):
    fuzz_lake.attempt(out, (name,), seed=1)


@pytest.mark.parametrize("name", random.Random(6).sample(sorted(TAMPERINGS), 2))
def test_nor_a_command(out, name):
    fuzz_lake.attempt(out, (name,), 1, readers=(), commands=fuzz_lake.COMMANDS[:1])


def test_there_are_many_ways_and_the_fuzzer_would_see_a_reader_that_believes(out, monkeypatch):
    assert len(TAMPERINGS) > 150
    monkeypatch.setattr(reading, "_check_hash", lambda *_: None)
    forge(folders.part_path(without_season(out), "exchanges", WHOLE[0]))
    with pytest.raises(AssertionError):
        fuzz_lake.attempt(out, (), 1)


@pytest.mark.parametrize(
    ("column", "values", "said"),
    [
        ("incoming", no_utf8, "UTF8"),
        ("zero_utc", times(2**63 - 1), "between the years 1678 and 2262"),
        ("zero_utc", times(-(2**62)), "between the years 1678 and 2262"),
    ],
)
def test_what_no_python_can_hold_says_so(out, column, values, said):
    path = folders.part_path(out, "exchanges", SPOILT)
    pq.write_table(with_column(column, values)(pq.ParquetFile(path).read()), path)
    with pytest.raises(OutputError, match=said):
        schema.read_part(path)


# --- memory --------------------------------------------------------------------------


def many_rows(path: Path) -> None:
    """Ten million rows of eight zeros: 640 MB from some kilobytes."""
    none = pa.Array.from_buffers(pa.float64(), 10**6, [None, pa.py_buffer(bytes(8 * 10**6))])
    rows = pa.table({f"column {i}": none for i in range(8)})
    with pq.ParquetWriter(path, rows.schema, compression="zstd") as writer:
        for _ in range(10):
            writer.write_table(rows)


def long_texts(path: Path) -> None:
    """One text of a megabyte in each of a hundred thousand rows."""
    texts = pa.DictionaryArray.from_arrays(pa.array([0] * 100_000, pa.int32()), ["w" * (1 << 20)])
    pq.write_table(pa.table({"runner": texts}), path)


def long_lists(path: Path) -> None:
    """Twenty million words in twenty rows."""
    none = pa.py_buffer(bytes(20_000_000))
    indices = pa.Array.from_buffers(pa.int8(), 20_000_000, [None, none])
    words = pa.DictionaryArray.from_arrays(indices, ["a"])
    ends = pa.array(range(0, 20_000_001, 1_000_000), pa.int32())
    pq.write_table(pa.table({"remarks": pa.ListArray.from_arrays(ends, words)}), path)


LIMITED = """
import resource, sys
from pathlib import Path
import pandas
import pyarrow.parquet
from pipeline.errors import OutputError
from pipeline.tables import schema
held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (held + (400 << 20),) * 2)
for name in sys.argv[1:]:
    try:
        schema.read_part(Path(name), "speed_curves")
    except OutputError as err:
        print(err.found)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="measures by the limit of Linux")
def test_a_small_file_never_becomes_a_large_table(tmp_path):
    made = {many_rows: "rows", long_texts: "in memory", long_lists: "values"}
    paths = []
    for make in made:
        paths.append(tmp_path / make.__name__)
        make(paths[-1])
        assert paths[-1].stat().st_size < 1_000_000
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, *map(str, paths)],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    said = done.stdout.splitlines()
    assert len(said) == 3, done.stdout
    for line, word in zip(said, made.values(), strict=True):
        assert line.startswith("states ")
        assert word in line


# --- one run -------------------------------------------------------------------------


def test_an_export_never_mixes_two_runs_of_a_session(out, tmp_path):
    """As a kill between two moves leaves them, the list of moves lost."""
    writing.write_session(tmp_path / "new", SPOILT, tables_of(SPOILT, 9), ANOTHER)
    new = folders.part_path(tmp_path / "new", "exchanges", SPOILT)
    shutil.copy(new, folders.part_path(out, "exchanges", SPOILT))
    for records in (True, False):  # the record tells, and without it the tables do
        if not records:
            shutil.rmtree(out / "provenance")
        done = export.export_tables(out, tmp_path / "all")
        assert [r for r in done.remarks if SPOILT in r and "process the session again" in r]
        runs = set()
        for name in ("exchanges", "speed_curves", "recordings"):
            if f'"{SPOILT}"' in (tmp_path / "all" / f"{name}.csv").read_text(encoding="utf-8"):
                runs.add("new" if name == "exchanges" else "old")
        assert len(runs) <= 1


def test_an_export_finishes_what_a_killed_run_began(out, tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr(lake, "finish_interrupted", lambda place: asked.append(str(place)))
    export.export_tables(out, tmp_path / "t.csv")
    assert asked == [str(out)]


def test_a_session_replaced_during_an_export_is_of_one_run(out, tmp_path):
    real = reading.read_session_tables

    def replacing(place, session, names):
        found = real(place, session, names)
        if session == SPOILT and names == ("exchanges",):
            writing.write_session(out, SPOILT, tables_of(SPOILT, 9), ANOTHER)
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "read_session_tables", replacing)
        done = export.export_tables(out, tmp_path / "all")
    assert [r for r in done.remarks if SPOILT in r and "is of another run" in r]
    assert f'"{SPOILT}"' not in (tmp_path / "all" / "speed_curves.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("file", "kind"),
    [
        ("exchanges", "a named pipe"),
        ("record", "a named pipe"),
        ("a part", "a link to an endless device"),
        ("a part's record", "a named pipe"),
        ("marks", "a link to an endless device"),
        ("recordings", "sparse, 40 GB"),
        ("the package", "a named pipe"),
    ],
)
def test_what_is_no_plain_file_is_refused_at_once(out, file, kind):
    fuzz_lake.attempt(out, (f"{file}: {kind}",), 1, readers=fuzz_lake.READERS[:4])


@pytest.mark.parametrize("file", ["exchanges", "record", "season", "season's records"])
def test_what_one_may_not_read_costs_only_itself(sound, file):
    with other_user.folder_of_other_user() as folder:
        out = shutil.copytree(sound, folder / "out")
        other_user.hand_over(folder)
        closed = {
            "exchanges": folders.part_path(out, "exchanges", SPOILT),
            "record": folders.session_record_path(out, SPOILT),
            "season": out / "season",
            "season's records": out / "provenance" / "season",
        }[file]
        if file == "exchanges":
            shutil.rmtree(out / "season")
        closed.chmod(0)
        remarks, sessions = other_user.call_as_other_user(remarks_and_sessions, out)
        closed.chmod(0o755)
    assert set(sessions) >= set(WHOLE)
    assert (SPOILT in sessions) == (file != "exchanges")
    assert any("Permission denied" in one for one in remarks) == (file == "exchanges")


def remarks_and_sessions(out: Path) -> tuple[tuple[str, ...], list[str]]:
    got = lake.read_lake(out)
    return got.remarks, sorted(set(got.exchanges["session"].to_pylist()))


def test_a_record_of_another_run_is_no_damage_and_is_said_so(tmp_path):
    """As a reader meets it between two moves of a run, or after a kill there: nobody has spoilt
    the table, and nobody has to look for a copy."""
    out = tmp_path / "out"
    record = folders.session_record_path(out, "otter")
    writing.write_session(out, "otter", tables_of("otter"), ASKED)
    former = record.read_bytes()
    writing.write_session(out, "otter", tables_of("otter", seed=5), ANOTHER)
    record.write_bytes(former)
    with pytest.raises(InputError, match=r"is of another run than its record"):
        lake.read_lake(out, "otter")
    with pytest.raises(InputError, match=r"is of another run than its record"):
        lake.sessions_by_time(out)
