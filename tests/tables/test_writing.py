"""Tables on disk: every reader sees every session, ids as text; failures change nothing."""

import json
import os
import signal
import sys
import time

import pandas as pd
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from stored_sessions import ASKED, files_below, run_child, tables_of

from pipeline.errors import OutputError
from pipeline.tables import folders, lake, provenance, schema, whole_files, work_folder, writing

# Ids that a reader guessing types would take for a date, a number, a truth value or nothing.
TYPED_IDS = ["2026-05-12", "007", "1.5", "1e5", "true", "nan", "-3", "null"]


def test_a_table_comes_back_as_it_was_written(tmp_path):
    tables = tables_of("otter")
    writing.write_session(tmp_path, "otter", tables, ASKED)
    for name, table in tables.items():
        back = schema.read_part(folders.part_path(tmp_path, name, "otter"))
        assert back.equals(table, check_metadata=False)
        assert back.schema.field(1).metadata == table.schema.field(1).metadata


def test_units_and_meanings_stand_in_the_file(tmp_path):
    writing.write_session(tmp_path, "otter", tables_of("otter"), ASKED)
    stored = pq.read_schema(folders.part_path(tmp_path, "exchanges", "otter"))
    for column in schema.facts("exchanges").columns[1:]:
        metadata = stored.field(column.name).metadata
        assert metadata[b"description"].decode() == column.meaning
        assert metadata.get(b"unit", b"").decode() == column.unit


@pytest.mark.parametrize("ids", [["otter-evening", "b.c_d"], ["2026-05-12", "2026-05-13"], ["007"]])
def test_pandas_reads_all_sessions_with_string_ids(tmp_path, ids):
    for seed, session in enumerate(ids):
        writing.write_session(tmp_path, session, tables_of(session, seed), ASKED)
    for name in schema.TABLES:
        frame = pd.read_parquet(tmp_path / name)
        assert len(frame) == 3 * len(ids)
        assert set(frame["session"].astype(str)) == set(ids)
        assert all(isinstance(value, str) for value in frame["session"])
        assert set(frame.columns) == set(schema.facts(name).names)
    assert str(pd.read_parquet(tmp_path / "exchanges")["rep"].dtype) == "Int32"


@pytest.mark.parametrize("session", TYPED_IDS)
def test_an_id_that_looks_like_a_number_or_a_date_stays_text(tmp_path, session):
    writing.write_session(tmp_path, session, tables_of(session), ASKED)
    assert pd.read_parquet(tmp_path / "exchanges")["session"].tolist() == [session] * 3
    arrow = ds.dataset(tmp_path / "exchanges", partitioning="hive").to_table()
    assert arrow["session"].to_pylist() == [session] * 3
    filtered = pd.read_parquet(tmp_path / "exchanges", filters=[("session", "=", session)])
    assert len(filtered) == 3


def test_duckdb_reads_ids_as_text(tmp_path):
    duckdb = pytest.importorskip("duckdb")
    writing.write_session(tmp_path, "2026-05-12", tables_of("2026-05-12"), ASKED)
    query = f"select session, outcome from read_parquet('{tmp_path}/exchanges/*/*.parquet')"
    assert [row[0] for row in duckdb.sql(query).fetchall()] == ["2026-05-12"] * 3


def test_polars_reads_ids_as_text(tmp_path):
    polars = pytest.importorskip("polars")
    writing.write_session(tmp_path, "2026-05-12", tables_of("2026-05-12"), ASKED)
    frame = polars.read_parquet(tmp_path / "exchanges")
    assert frame["session"].to_list() == ["2026-05-12"] * 3


def test_an_ordinary_id_needs_no_anchor(tmp_path):
    writing.write_session(tmp_path, "otter", tables_of("otter"), ASKED)
    assert [p.name for p in (tmp_path / "exchanges").iterdir()] == ["session=otter"]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10_000), rows=st.integers(0, 40))
def test_any_table_of_the_schema_survives_the_disk(tmp_path_factory, seed, rows):
    out = tmp_path_factory.mktemp("out")
    tables = tables_of("otter", seed, rows)
    writing.write_session(out, "otter", tables, ASKED)
    for name, table in tables.items():
        assert schema.read_part(folders.part_path(out, name, "otter")).equals(table)


def test_processing_again_replaces_one_session_and_leaves_the_others(tmp_path):
    writing.write_session(tmp_path, "otter", tables_of("otter", 1), ASKED)
    writing.write_session(tmp_path, "heron", tables_of("heron", 2), ASKED)
    before = files_below(tmp_path)
    new = tables_of("otter", 3, rows=5)
    writing.write_session(tmp_path, "otter", new, ASKED)
    after = files_below(tmp_path)
    assert set(after) == set(before)
    assert all(after[name] == before[name] for name in before if "heron" in name)
    back = schema.read_part(folders.part_path(tmp_path, "exchanges", "otter"))
    assert back.equals(new["exchanges"])


def test_the_same_inputs_give_the_same_bytes(tmp_path):
    for when in ("early", "late"):
        asked = {**ASKED, "command": [when], "written_utc": when}
        writing.write_session(tmp_path / when, "otter", tables_of("otter"), asked)
    for name in schema.TABLES:
        early, late = (folders.part_path(tmp_path / w, name, "otter") for w in ("early", "late"))
        assert early.read_bytes() == late.read_bytes()


def test_the_record_names_inputs_and_fits_the_tables(tmp_path):
    source = tmp_path / "robin.fit"
    source.write_bytes(b"abc")
    record = provenance.provenance_of_files(
        [source, tmp_path / "absent.fit"], {"lane": 4}, ["batontrace"]
    )
    # FIPS 180-4's worked example for SHA-256: the message "abc".
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert record["inputs"] == {"robin.fit": digest}
    writing.write_session(tmp_path / "out", "otter", tables_of("otter"), record)
    written = json.loads(folders.session_record_path(tmp_path / "out", "otter").read_text())
    assert written["settings"] == {"lane": 4}
    assert {"batontrace", "numpy", "scipy", "pyarrow"} == set(written["versions"])
    for name in schema.TABLES:
        stored = pq.read_schema(folders.part_path(tmp_path / "out", name, "otter")).metadata
        assert stored[b"batontrace.run_sha256"].decode() == written["run_sha256"]
        assert written["tables"][name]["rows"] == 3


def test_the_record_keeps_files_of_one_name_apart_and_no_folder_above_the_session(tmp_path):
    files = [tmp_path / part for part in ("session.toml", "robin/a.fit", "kit/a.fit")]
    for file in files:
        file.parent.mkdir(exist_ok=True)
        file.write_text(str(file))
    record = provenance.provenance_of_files(
        files, {}, [str(tmp_path / "batontrace"), "process", str(files[0])]
    )
    assert list(record["inputs"]) == ["session.toml", "robin/a.fit", "kit/a.fit"]
    assert record["command"] == ["batontrace", "process", "session.toml"]
    assert str(tmp_path) not in json.dumps(record)


@pytest.mark.parametrize("first", [True, False], ids=["new", "again"])
@pytest.mark.parametrize("failing", range(4))
def test_a_failed_move_puts_everything_back(tmp_path, monkeypatch, failing, first):
    if not first:
        writing.write_session(tmp_path, "otter", tables_of("otter", 1), ASKED)
    writing.write_session(tmp_path, "heron", tables_of("heron", 2), ASKED)
    before = files_below(tmp_path)
    real, calls = os.replace, []

    def replace(source, target):
        calls.append(target)
        if len(calls) == failing + 1:
            raise OSError(28, "No space left on device", str(target))
        real(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(OutputError, match="No space left"):
        writing.write_session(tmp_path, "otter", tables_of("otter", 3), ASKED)
    assert files_below(tmp_path) == before
    assert not [p for p in tmp_path.rglob("*") if p.is_dir() and not any(p.iterdir())]


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits")
@pytest.mark.parametrize("room_bytes", [0, 4_000, 20_000])
def test_a_disk_without_room_is_an_output_error_and_changes_nothing(tmp_path, room_bytes):
    """A limit on the size of files stops writes in the middle, as a full disk does."""
    writing.write_session(tmp_path, "otter", tables_of("otter", 1), ASKED)
    before = files_below(tmp_path)
    done = run_child(
        f"""
        import pathlib, resource
        from pipeline import errors
        from pipeline.tables import writing
        import stored_sessions
        tables = stored_sessions.tables_of("otter", 3, 300)
        resource.setrlimit(resource.RLIMIT_FSIZE, ({room_bytes}, {room_bytes}))
        try:
            out = pathlib.Path({str(tmp_path)!r})
            writing.write_session(out, "otter", tables, stored_sessions.ASKED)
        except errors.DiskError as err:
            raise SystemExit(err.exit_code) from None
        """
    ).wait()
    assert done == 8
    assert files_below(tmp_path) == before


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_a_kill_while_writing_leaves_the_old_tables_whole(tmp_path):
    writing.write_session(tmp_path, "otter", tables_of("otter", 1), ASKED)
    before = {k: v for k, v in files_below(tmp_path).items() if not k.startswith(".")}
    script = f"""
        import time, pathlib
        from pipeline.tables import whole_files, writing
        import stored_sessions
        def waiting(folder, moves):
            pathlib.Path({str(tmp_path / "ready")!r}).touch()
            time.sleep(60)
        whole_files.switch = waiting
        writing.write_session(pathlib.Path({str(tmp_path)!r}), "otter",
                            stored_sessions.tables_of("otter", 3), stored_sessions.ASKED)
    """
    child = run_child(script)
    try:
        while not (tmp_path / "ready").exists():
            assert child.poll() is None, "the child ended before it was ready to write"
            time.sleep(0.02)
        child.send_signal(signal.SIGKILL)
    finally:
        child.wait()
    (tmp_path / "ready").unlink()
    after = {k: v for k, v in files_below(tmp_path).items() if not k.startswith(".")}
    assert after == before
    assert len(pd.read_parquet(tmp_path / "exchanges")) == 3
    assert work_folder.run_folders(tmp_path)
    writing.write_session(tmp_path, "otter", tables_of("otter", 1), ASKED)
    assert not work_folder.run_folders(tmp_path)


MOVES = len(schema.TABLES) + 1  # the tables and their record


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
@pytest.mark.parametrize("moves", range(1, MOVES + 2))
def test_what_a_killed_run_began_to_switch_is_finished(tmp_path, moves):
    """Killed at its n-th move; the one after the last is never reached."""
    writing.write_session(tmp_path, "otter", tables_of("otter", 1), ASKED)
    killed = run_child(
        f"""
        import os, pathlib, signal
        from pipeline.tables import writing
        import stored_sessions
        real, moved = os.replace, []
        def deadly(staged, place):
            if pathlib.Path(place).name in ("part-0.parquet", "provenance.json"):
                moved.append(place)
                if len(moved) == {moves}:
                    os.kill(os.getpid(), signal.SIGKILL)
            real(staged, place)
        os.replace = deadly
        asked = stored_sessions.ASKED | {{"settings": {{"second": 1}}}}
        writing.write_session(pathlib.Path({str(tmp_path)!r}), "otter",
                            stored_sessions.tables_of("otter", 3), asked)
        """
    ).wait()
    assert killed == (-signal.SIGKILL if moves <= MOVES else 0)
    assert whole_files.interrupted(tmp_path) is (moves <= MOVES)
    read = lake.read_lake(tmp_path)  # as whoever looks at the tables next
    assert read.remarks == ()
    written = tables_of("otter", 3)["exchanges"].sort_by("zero_utc")
    assert read.exchanges.equals(written, check_metadata=False)
    assert not work_folder.run_folders(tmp_path)
    record = json.loads(folders.session_record_path(tmp_path, "otter").read_text())
    assert record["settings"] == {"second": 1}


def test_writers_wait_for_one_another(tmp_path):
    writing.write_session(tmp_path, "otter", tables_of("otter", 1), ASKED)
    before = files_below(tmp_path)
    with work_folder.exclusive(tmp_path):
        in_another_process = run_child(
            f"""
            import pathlib
            from pipeline import errors
            from pipeline.tables import work_folder, writing
            import stored_sessions
            work_folder._PATIENCE_S = 0.1
            out = pathlib.Path({str(tmp_path)!r})
            try:
                tables = stored_sessions.tables_of("otter", 3)
                writing.write_session(out, "otter", tables, stored_sessions.ASKED)
            except errors.LockError as err:
                raise SystemExit(err.exit_code) from None
            """
        )
        assert in_another_process.wait() == 8
    assert files_below(tmp_path) == before


@pytest.mark.parametrize("bad", ["", "..", ".hidden", "a/b", "a\\b", "ä", "a b", "_", "x" * 101])
def test_an_id_that_cannot_name_a_folder_is_refused(tmp_path, bad):
    with pytest.raises(OutputError, match="cannot name a folder"):
        writing.write_session(tmp_path, bad, tables_of(bad), ASKED)
    assert not list(tmp_path.iterdir())


def test_a_table_of_another_session_is_refused(tmp_path):
    with pytest.raises(OutputError, match="heron"):
        writing.write_session(tmp_path, "otter", tables_of("heron"), ASKED)


def test_a_missing_table_is_refused(tmp_path):
    with pytest.raises(OutputError, match="all of"):
        writing.write_session(tmp_path, "otter", {}, ASKED)


def test_out_that_is_a_file_is_an_output_error(tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        writing.write_session(tmp_path / "out", "otter", tables_of("otter"), ASKED)


def test_reading_a_broken_part_names_it(tmp_path):
    writing.write_session(tmp_path, "otter", tables_of("otter"), ASKED)
    path = folders.part_path(tmp_path, "exchanges", "otter")
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(OutputError, match=r"part-0\.parquet"):
        schema.read_part(path)


def test_more_rows_than_readers_take_are_not_written(tmp_path, monkeypatch):
    monkeypatch.setattr(writing, "MOST_ROWS", 2)
    with pytest.raises(OutputError, match=r"3 rows in session otter.*make two sessions"):
        writing.write_session(tmp_path, "otter", tables_of("otter"), ASKED)
    assert not list(tmp_path.iterdir())
