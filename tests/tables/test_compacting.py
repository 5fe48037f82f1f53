"""A season's tables in few files: the same rows as in the sessions' own, and never stale ones."""

import shutil

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from random_tables import random_table

from pipeline.tables import compacting, folders, lake, schema, writing
from pipeline.tables.places import Folder

ASKED = {"inputs": {}, "settings": {}, "versions": {}, "command": ["x"]}
SESSIONS = [f"evening-{i:02d}" for i in range(12)]


def write(out, session, seed=1, rows=5):
    tables = {name: random_table(name, session, rows, seed) for name in schema.TABLES}
    writing.write_session(out, session, tables, ASKED | {"settings": {"seed": seed}})


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Do not write here."""
    out = tmp_path_factory.mktemp("written") / "out"
    for seed, session in enumerate(SESSIONS):
        write(out, session, seed)
    return out


@pytest.fixture
def out(written, tmp_path):
    return shutil.copytree(written, tmp_path, dirs_exist_ok=True)


def parts(out, table="exchanges"):
    return sorted((out / "season" / table).glob("*.parquet"))


def test_one_scan_gives_what_all_the_files_give(out):
    assert compacting.compact(Folder(out)).sessions == len(SESSIONS)
    for name in schema.TABLES:
        (part,) = parts(out, name)
        data = pq.ParquetFile(part).read()
        assert data.schema.equals(schema.arrow_schema(name))
        for session in SESSIONS:
            own = data.filter(pc.equal(data["session"], session))
            assert own.equals(schema.read_part(folders.part_path(out, name, session)))
    scanned = pd.read_parquet(out / "season" / "exchanges")
    assert len(scanned) == len(pd.read_parquet(out / "exchanges")) == 5 * len(SESSIONS)
    query = f"select count(distinct session) from '{out}/season/exchanges/*.parquet'"
    assert duckdb.sql(query).fetchall() == [(len(SESSIONS),)]


def test_nothing_is_written_where_nothing_has_changed(out):
    compacting.compact(Folder(out))
    before = {p: p.stat().st_mtime_ns for p in parts(out)}
    assert compacting.compact(Folder(out)).written == ()
    assert {p: p.stat().st_mtime_ns for p in parts(out)} == before


def test_only_the_part_of_a_session_that_was_replaced_is_made_anew(out, monkeypatch):
    monkeypatch.setattr(compacting, "PART_ROWS", 20)  # four sessions of five rows
    compacting.compact(Folder(out))
    assert len(parts(out)) == 3
    write(out, SESSIONS[5], seed=99, rows=7)
    done = compacting.compact(Folder(out))
    assert done.written == tuple(folders.season_part_file(name, 1) for name in schema.TABLES)
    assert_same_rows(out)
    write(out, "evening-99", seed=3)
    done = compacting.compact(Folder(out))
    assert {name.rpartition("/")[2] for name in done.written} == {"part-0003.parquet"}
    assert_same_rows(out)


def assert_same_rows(out):
    """What the parts hold is what the sessions' files hold."""
    for name in schema.TABLES:
        data = pa.concat_tables([pq.ParquetFile(part).read() for part in parts(out, name)])
        sessions = lake.session_ids(out)
        assert set(data["session"].to_pylist()) == set(sessions)
        for session in sessions:
            own = data.filter(pc.equal(data["session"], session))
            assert own.equals(schema.read_part(folders.part_path(out, name, session)))


def test_a_session_that_is_gone_leaves_the_parts(out):
    compacting.compact(Folder(out))
    for name in schema.TABLES:
        folders.part_path(out, name, SESSIONS[0]).unlink()
        folders.part_path(out, name, SESSIONS[0]).parent.rmdir()
    compacting.compact(Folder(out))
    assert_same_rows(out)


def test_a_lake_reads_the_same_with_parts_and_without(out):
    without = lake.read_lake(out)
    newest = lake.sessions_by_time(out)
    compacting.compact(Folder(out))
    for spoil in (lambda: None, lambda: write(out, SESSIONS[3], seed=50)):
        spoil()
        with_parts = lake.read_lake(out)
        for part in (*parts(out), *parts(out, "speed_curves")):
            part.rename(part.with_suffix(".away"))
        without = lake.read_lake(out)
        newest = lake.sessions_by_time(out)
        for part in (out / "season").rglob("*.away"):
            part.rename(part.with_suffix(".parquet"))
        assert with_parts.exchanges.equals(without.exchanges)
        assert with_parts.curves.equals(without.curves)
        assert with_parts.inputs == without.inputs
        assert lake.sessions_by_time(out) == newest


def test_a_lake_takes_what_has_not_changed_from_the_parts(out, monkeypatch):
    """Their own files are not even opened."""
    compacting.compact(Folder(out))
    write(out, SESSIONS[3], seed=50)
    opened = []
    real = lake._read_session
    monkeypatch.setattr(
        lake, "_read_session", lambda out, s, names: opened.append(s) or real(out, s, names)
    )
    assert lake.read_lake(out).exchanges.num_rows == 5 * len(SESSIONS)
    assert opened == [SESSIONS[3]]


@pytest.mark.parametrize("spoil", [b"", b"PAR1 and nothing", None])
def test_a_broken_part_is_made_anew_and_misleads_nobody(out, spoil):
    compacting.compact(Folder(out))
    without = lake.read_lake(out)
    (part,) = parts(out)
    content = part.read_bytes()
    part.write_bytes(content[: len(content) // 2] if spoil is None else spoil)
    assert lake.read_lake(out).exchanges.equals(without.exchanges)
    assert compacting.compact(Folder(out)).written == (folders.season_part_file("exchanges", 0),)
    assert_same_rows(out)


def test_a_broken_session_is_left_out_with_a_remark_and_the_rest_compacted(out):
    folders.part_path(out, "exchanges", SESSIONS[2]).write_bytes(b"PAR1")
    done = compacting.compact(Folder(out))
    assert [SESSIONS[2] in remark for remark in done.remarks] == [True]
    (part,) = parts(out)
    sessions = set(pq.ParquetFile(part).read()["session"].to_pylist())
    assert sessions == {*SESSIONS} - {SESSIONS[2]}


def test_parts_of_an_older_schema_are_made_anew(out, monkeypatch):
    compacting.compact(Folder(out))
    older = {name: schema.facts(name) for name in schema.TABLES}
    newer = {
        name: type(f)(f.table, f.version + 1, f.meaning, f.columns) for name, f in older.items()
    }
    monkeypatch.setattr(schema, "facts", lambda name: newer[name])
    assert compacting.read_current_parts(Folder(out), ("exchanges",)).run(SESSIONS[0]) is None
    assert len(compacting.compact(Folder(out)).written) == len(schema.TABLES)


def test_ids_that_look_like_numbers_stay_text_and_their_anchor_stays_out(tmp_path):
    write(tmp_path, "007")
    compacting.compact(Folder(tmp_path))
    assert pd.read_parquet(tmp_path / "season" / "exchanges")["session"].unique() == ["007"]
