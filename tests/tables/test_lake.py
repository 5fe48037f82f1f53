"""All sessions of an OUT together: what is read, what is left out, how decisions are written."""

import hashlib
import json
import os
import pathlib
import random
import shutil
import signal
import sys
import time
from datetime import UTC, datetime, timedelta

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lakes import newest
from random_tables import random_table
from stored_sessions import ASKED, files_below, run_child, tables_of

from pipeline.errors import InputError, OutputError, UsageError
from pipeline.tables import folders, lake, schema, work_folder, writing

SESSIONS = ("otter", "heron", "2026-05-12")


def decisions(seed: int = 1, rows: int = 3) -> dict[str, pa.Table]:
    return {name: random_table(name, rows=rows, seed=seed) for name in schema.DECISIONS}


@pytest.fixture
def out(tmp_path):
    """Three sessions, one of whose ids needs an anchor."""
    for seed, session in enumerate(SESSIONS):
        writing.write_session(tmp_path, session, tables_of(session, seed), ASKED)
    return tmp_path


# --- reading -----------------------------------------------------------------------------


def test_every_session_is_read_with_its_rows_as_written(out):
    got = lake.read_lake(out)
    assert got.remarks == ()
    for seed, session in enumerate(SESSIONS):
        tables = tables_of(session, seed)
        own = got.curves.filter(pc.equal(got.curves["session"], session))
        assert own.equals(tables["speed_curves"])
        own = got.exchanges.filter(pc.equal(got.exchanges["session"], session))
        assert own.equals(tables["exchanges"].sort_by("zero_utc"))
    assert set(got.exchanges["session"].to_pylist()) == set(SESSIONS)  # and no anchor's
    for name, table in (("exchanges", got.exchanges), ("speed_curves", got.curves)):
        schema.check_table(name, table)


def test_takeovers_come_in_the_order_of_time(out):
    zeros = lake.read_lake(out).exchanges["zero_utc"].to_pylist()
    assert len(zeros) == 9
    assert zeros == sorted(zeros)


def test_the_order_in_which_sessions_were_written_says_nothing(out, tmp_path_factory):
    other = tmp_path_factory.mktemp("other")
    for seed, session in reversed(list(enumerate(SESSIONS))):
        writing.write_session(other, session, tables_of(session, seed), ASKED)
    one, two = lake.read_lake(out), lake.read_lake(other)
    assert one.exchanges.equals(two.exchanges)
    assert one.curves.equals(two.curves)
    assert one.inputs == two.inputs


def cut(path):
    path.write_bytes(path.read_bytes()[:-40])


def of_another_schema(path):
    pq.write_table(pa.table({"lap": [1, 2]}), path)


def with_a_negative_probability(path):
    table = pq.read_table(path, partitioning=None)
    place = table.column_names.index("p_in_zone")
    wrong = pa.array([-1.0] * table.num_rows)
    pq.write_table(table.set_column(place, table.schema.field(place), wrong), path)


def of_another_run(path):
    newer = path.parents[2] / "newer"
    writing.write_session(newer, "heron", tables_of("heron", 9), {**ASKED, "settings": {"x": 1}})
    shutil.copy(folders.part_path(newer, "speed_curves", "heron"), path)
    shutil.rmtree(newer)


def a_folder(path):
    path.unlink()
    path.mkdir()


BREAKS = {
    "cut short": ("exchanges", cut, "cannot be read as Parquet"),
    "curves cut short": ("speed_curves", cut, "cannot be read as Parquet"),
    "another schema": ("exchanges", of_another_schema, "unknown: lap"),
    "out of bounds": ("exchanges", with_a_negative_probability, "p_in_zone, row 0: -1.0"),
    "no takeovers": ("exchanges", lambda path: path.unlink(), "No such file"),
    "no curves": ("speed_curves", lambda path: shutil.rmtree(path.parent), "No such file"),
    "a folder": ("exchanges", a_folder, "cannot be read"),
    "of another run": ("speed_curves", of_another_run, "another run"),
}


@pytest.mark.parametrize(("table", "breaks", "said"), BREAKS.values(), ids=BREAKS)
def test_a_broken_session_is_left_out_by_name_and_the_others_go_on(out, table, breaks, said):
    breaks(folders.part_path(out, table, "heron"))
    got = lake.read_lake(out)
    (remark,) = got.remarks
    for word in ("heron", f"{table}/session=heron/part-0.parquet", said, "process the session"):
        assert word in remark
    assert str(out) not in remark  # folders above may bear a person's name
    assert set(got.exchanges["session"].to_pylist()) == {"otter", "2026-05-12"}
    assert set(got.curves["session"].to_pylist()) == {"otter", "2026-05-12"}
    assert not [name for name in got.inputs if "heron" in name]


def test_a_session_without_a_takeover_is_a_session(tmp_path):
    writing.write_session(tmp_path, "otter", tables_of("otter", rows=0), ASKED)
    got = lake.read_lake(tmp_path)
    assert (got.exchanges.num_rows, got.curves.num_rows, got.remarks) == (0, 0, ())
    assert len(got.inputs) == 2


def test_strange_files_beside_the_sessions_are_no_sessions(out):
    (out / "exchanges" / "notes.txt").write_text("tape moved")
    (out / "exchanges" / ".DS_Store").write_bytes(b"\0")
    assert lake.read_lake(out).remarks == ()


# --- one session ---------------------------------------------------------------------------------


def test_one_session_is_what_it_is_among_all(out):
    whole, one = lake.read_lake(out), lake.read_lake(out, "heron")
    assert one.remarks == ()
    for name in ("exchanges", "curves"):
        table = getattr(whole, name)
        assert getattr(one, name).equals(table.filter(pc.equal(table["session"], "heron")))
    assert one.inputs == {name: sha for name, sha in whole.inputs.items() if "=heron/" in name}


def test_where_one_session_is_asked_for_no_other_is_opened(out, monkeypatch):
    opened, real = [], os.open
    monkeypatch.setattr(
        os, "open", lambda path, *more: (opened.append(str(path)), real(path, *more))[1]
    )
    lake.read_lake(out, "heron")
    assert len(opened) == 3  # its two tables, and the record of their hashes
    assert all("session=heron" in path for path in opened)


@pytest.mark.parametrize(("table", "breaks", "said"), BREAKS.values(), ids=BREAKS)
def test_a_broken_session_asked_for_by_name_says_what_to_do(out, table, breaks, said):
    breaks(folders.part_path(out, table, "heron"))
    with pytest.raises(InputError, match="process the session again") as caught:
        lake.read_lake(out, "heron")
    assert caught.value.where == str(folders.part_path(out, table, "heron"))
    assert said in str(caught.value)
    assert lake.read_lake(out, "otter").remarks == ()  # whatever lies beside it


def test_a_session_that_is_not_there_is_a_usage_error_with_those_that_are(out):
    for k in range(6):
        writing.write_session(out, f"club-{k:02}", tables_of(f"club-{k:02}", rows=0), ASKED)
    with pytest.raises(UsageError) as caught:
        lake.read_lake(out, "herno")
    others = "2026-05-12, club-00, club-01, club-02, club-03, club-04, club-05"
    assert caught.value.expected == f"one of heron, {others} and 1 more"
    with pytest.raises(UsageError) as caught:
        lake.read_lake(out, "zzz")
    assert caught.value.expected.startswith("one of 2026-05-12, club-00, club-01, ")
    assert caught.value.expected.endswith(", heron and 1 more")
    assert folders.ANCHOR not in caught.value.expected.replace(", ", " ").split()
    with pytest.raises(UsageError):  # nor is the session of no rows
        lake.read_lake(out, folders.ANCHOR)


def at(session: str, *hours: float) -> dict[str, pa.Table]:
    """Takeovers so many hours into a day."""
    tables = tables_of(session, rows=len(hours))
    moments = [datetime(2026, 5, 12, tzinfo=UTC) + timedelta(hours=hour) for hour in hours]
    place = tables["exchanges"].column_names.index("zero_utc")
    field = tables["exchanges"].schema.field(place)
    column = pa.array(moments, field.type)
    tables["exchanges"] = tables["exchanges"].set_column(place, field, column)
    return tables


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    hours=st.dictionaries(
        st.sampled_from(["a", "b", "c", "2026", "Z"]),
        st.lists(st.integers(0, 9000), max_size=2),
        min_size=1,
    )
)
def test_the_newest_session_has_the_last_takeover(tmp_path_factory, hours):
    out = tmp_path_factory.mktemp("out")
    for session, own in hours.items():
        writing.write_session(out, session, at(session, *own), ASKED)
    in_order, remarks = lake.sessions_by_time(out)
    assert remarks == ()
    assert in_order == tuple(sorted(hours, key=lambda one: (max(hours[one], default=-1), one)))
    assert newest(out) == in_order[-1]


def with_words_for_times(path):
    table = pq.read_table(path, partitioning=None)
    place = table.column_names.index("zero_utc")
    words = pa.array(["late"] * table.num_rows)
    pq.write_table(table.set_column(place, "zero_utc", words), path)


@pytest.mark.parametrize(
    "breaks", [cut, of_another_schema, a_folder, with_words_for_times, pathlib.Path.unlink]
)
def test_a_session_whose_times_cannot_be_read_is_passed_over_by_name(out, breaks):
    for session, hour in (("otter", 1), ("heron", 3), ("2026-05-12", 2)):
        writing.write_session(out, session, at(session, hour), ASKED)
    assert newest(out) == "heron"
    breaks(folders.part_path(out, "exchanges", "heron"))
    in_order, (remark,) = lake.sessions_by_time(out)
    assert in_order == ("otter", "2026-05-12")
    assert "session heron was passed over" in remark
    assert "process the session again" in remark
    assert str(out) not in remark
    for session in in_order:
        breaks(folders.part_path(out, "exchanges", session))
    with pytest.raises(InputError, match="session otter was passed over") as caught:
        newest(out)
    assert caught.value.do.endswith(f"batontrace process SESSION.toml --out {out}")


def test_a_sessions_recordings_come_back_as_written(out):
    assert lake.read_session_table(out, "heron", "recordings").equals(
        tables_of("heron", 1)["recordings"]
    )


@pytest.mark.parametrize("breaks", [cut, of_another_schema, a_folder, pathlib.Path.unlink])
def test_recordings_that_cannot_be_read_are_an_input_error(out, breaks):
    path = folders.part_path(out, "recordings", "heron")
    breaks(path)
    with pytest.raises(InputError, match="process the session again") as caught:
        lake.read_session_table(out, "heron", "recordings")
    assert caught.value.where == str(path)


# --- no session ----------------------------------------------------------------------------------


def empty_exchanges(out):
    (out / "exchanges").mkdir(parents=True)


def only_an_anchor(out):
    writing.write_session(out, "007", tables_of("007"), ASKED)
    for name in schema.TABLES:
        shutil.rmtree(out / name / "session=007")


def only_broken_sessions(out):
    writing.write_session(out, "otter", tables_of("otter"), ASKED)
    cut(folders.part_path(out, "exchanges", "otter"))


def a_file_for_a_folder(out):
    out.mkdir()
    (out / "exchanges").write_text("")


@pytest.mark.parametrize(
    ("make", "found"),
    [
        (lambda _: None, "is not there"),
        (lambda out: out.mkdir(), "is not there"),
        (empty_exchanges, "holds no session"),
        (only_an_anchor, "holds no session"),
        (only_broken_sessions, "session otter was left out"),
        (a_file_for_a_folder, "cannot be read"),
    ],
)
def test_where_nothing_was_measured_the_error_says_what_to_do(tmp_path, make, found):
    out = tmp_path / "out"
    make(out)
    with pytest.raises(InputError, match=r"batontrace process SESSION\.toml --out") as caught:
        lake.read_lake(out)
    assert found in str(caught.value)
    assert "exchanges" in caught.value.where
    with pytest.raises(InputError):  # and as much where one is asked for by name
        lake.read_lake(out, "otter")


# --- what it rests on ----------------------------------------------------------------------


def test_the_record_names_every_file_read_with_its_hash(out):
    got = lake.read_lake(out)
    record = lake.lake_provenance(
        got, {"risk": 0.1}, ["/home/someone/batontrace", "marks", str(out)]
    )
    for session in SESSIONS:
        for name in ("exchanges", "speed_curves"):
            path = folders.part_path(out, name, session)
            inputs = record["inputs"]
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            assert inputs[f"{name}/session={session}/part-0.parquet"] == digest
    assert len(record["inputs"]) == 6
    assert record["settings"] == {"risk": 0.1}
    assert record["command"] == ["batontrace", "marks", out.name]
    assert str(out.parent) not in json.dumps(record)


def test_record_and_table_carry_one_run_and_it_changes_with_the_inputs(out):
    def run() -> str:
        writing.write_decisions(
            out, decisions(), lake.lake_provenance(lake.read_lake(out), {}, ["x"])
        )
        records = [
            json.loads(folders.decision_record_path(out, n).read_text()) for n in schema.DECISIONS
        ]
        for name, record in zip(schema.DECISIONS, records, strict=True):
            path = folders.decision_path(out, name)
            written = pq.read_schema(path).metadata[b"batontrace.run_sha256"].decode()
            assert written == record["run_sha256"]
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            assert record["tables"] == {name: {"rows": 3, "sha256": digest}}
        (one,) = {record["run_sha256"] for record in records}
        return one

    first = run()
    assert run() == first
    writing.write_session(out, "otter", tables_of("otter", 8), ASKED)
    assert run() != first


# --- writing and reading back ----------------------------------------------------------------


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10_000), rows=st.integers(0, 40))
def test_any_table_of_decisions_survives_the_disk(tmp_path_factory, seed, rows):
    out = tmp_path_factory.mktemp("out")
    tables = decisions(seed, rows)
    writing.write_decisions(out, tables, ASKED)
    for name, table in tables.items():
        back = lake.read_decision(out, name)
        assert back is not None
        assert back.equals(table)
        assert back.schema.equals(schema.arrow_schema(name), check_metadata=True)


def test_units_and_meanings_stand_in_the_file(tmp_path):
    writing.write_decisions(tmp_path, decisions(), ASKED)
    for name in schema.DECISIONS:
        stored = pq.read_schema(folders.decision_path(tmp_path, name))
        for column in schema.facts(name).columns:
            metadata = stored.field(column.name).metadata
            assert metadata[b"description"].decode() == column.meaning
            assert metadata.get(b"unit", b"").decode() == column.unit


def test_pandas_duckdb_polars_and_arrow_read_the_folder(out):
    duckdb, polars = pytest.importorskip("duckdb"), pytest.importorskip("polars")
    tables = decisions(2, rows=6)
    writing.write_decisions(out, tables, ASKED)
    for name, table in tables.items():
        rows = table.to_pylist()
        assert ds.dataset(out / name).to_table().to_pylist() == rows
        assert polars.read_parquet(out / name).columns == table.column_names
        # neither needs to know of microseconds or time zones to be held to these
        names = [c.name for c in schema.facts(name).columns if c.type != "timestamp"]
        plain = [{n: row[n] for n in names} for row in rows]
        assert polars.read_parquet(out / name).select(names).to_dicts() == plain
        query = f"select {', '.join(names)} from read_parquet('{out}/{name}/*.parquet')"
        assert duckdb.sql(query).fetchall() == [tuple(row.values()) for row in plain]
        frame = pd.read_parquet(out / name)
        assert list(frame.columns) == table.column_names
        assert len(frame) == 6
    frame = pd.read_parquet(out / "marks")
    assert frame["advised"].dtype == bool
    assert frame["advised"].tolist() == tables["marks"]["advised"].to_pylist()
    assert str(pd.read_parquet(out / "progress")["reps_needed"].dtype) == "Int32"


def test_decisions_leave_the_sessions_readable(out):
    before = lake.read_lake(out)
    files = files_below(out)
    writing.write_decisions(out, decisions(), ASKED)
    del files["datapackage.json"]  # which names the decisions now
    assert {name: files_below(out)[name] for name in files} == files
    after = lake.read_lake(out)
    assert after.exchanges.equals(before.exchanges)
    assert after.inputs == before.inputs
    assert len(pd.read_parquet(out / "exchanges")) == 9


def test_one_table_is_replaced_and_the_others_stay(tmp_path):
    writing.write_decisions(tmp_path, decisions(1), ASKED)
    before = files_below(tmp_path)
    new = random_table("marks", rows=5, seed=7)
    writing.write_decisions(tmp_path, {"marks": new}, ASKED)
    after = files_below(tmp_path)
    assert set(after) == set(before)
    assert {name for name in after if after[name] != before[name]} == {
        "marks/part-0.parquet",
        "provenance/marks.json",
    }
    assert lake.read_decision(tmp_path, "marks").equals(new)


def test_the_same_inputs_give_the_same_bytes(tmp_path):
    for when in ("early", "late"):
        asked = {**ASKED, "command": [when], "written_utc": when}
        names = list(schema.DECISIONS)
        random.Random(when).shuffle(names)
        tables = decisions()
        writing.write_decisions(tmp_path / when, {name: tables[name] for name in names}, asked)
    for name in schema.DECISIONS:
        early, late = (folders.decision_path(tmp_path / when, name) for when in ("early", "late"))
        assert early.read_bytes() == late.read_bytes()


@pytest.mark.parametrize("name", schema.DECISIONS)
def test_a_table_not_yet_written_is_none(tmp_path, name):
    assert lake.read_decision(tmp_path, name) is None
    assert lake.read_decision(tmp_path / "nowhere", name) is None


@pytest.mark.parametrize("breaks", [cut, of_another_schema, a_folder])
def test_a_broken_table_is_an_input_error_that_names_it(tmp_path, breaks):
    writing.write_decisions(tmp_path, decisions(), ASKED)
    breaks(folders.decision_path(tmp_path, "marks"))
    with pytest.raises(InputError, match=r"marks.part-0\.parquet") as caught:
        lake.read_decision(tmp_path, "marks")
    assert caught.value.do == "have the table written again"


@pytest.mark.parametrize("name", ["exchanges", "laps"])
def test_only_decisions_are_written_here(tmp_path, name):
    with pytest.raises(OutputError, match="one or more of runners"):
        writing.write_decisions(tmp_path, {**decisions(), name: random_table("exchanges")}, ASKED)
    with pytest.raises(OutputError, match="one or more of runners"):
        writing.write_decisions(tmp_path, {}, ASKED)
    assert not list(tmp_path.iterdir())


def test_a_table_that_breaks_its_schema_changes_nothing(tmp_path):
    writing.write_decisions(tmp_path, decisions(1), ASKED)
    before = files_below(tmp_path)
    with pytest.raises(OutputError, match="orders"):
        writing.write_decisions(tmp_path, {**decisions(2), "orders": random_table("marks")}, ASKED)
    assert files_below(tmp_path) == before


# --- failures ----------------------------------------------------------------------------------


@pytest.mark.parametrize("first", [True, False], ids=["new", "again"])
@pytest.mark.parametrize("failing", range(2 * len(schema.DECISIONS)))
def test_a_failed_move_puts_everything_back(out, monkeypatch, failing, first):
    if not first:
        writing.write_decisions(out, decisions(1), ASKED)
    before = files_below(out)
    real, calls = os.replace, []

    def replace(source, target):
        calls.append(target)
        if len(calls) == failing + 1:
            raise OSError(28, "No space left on device", str(target))
        real(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(OutputError, match="No space left"):
        writing.write_decisions(out, decisions(3), ASKED)
    assert files_below(out) == before
    assert not [p for p in out.rglob("*") if p.is_dir() and not any(p.iterdir())]


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits")
@pytest.mark.parametrize("room_bytes", [0, 40_000])
def test_a_disk_without_room_is_an_output_error_and_changes_nothing(out, room_bytes):
    """A limit on the size of files stops writes in the middle, as a full disk does."""
    writing.write_decisions(out, decisions(1), ASKED)
    before = files_below(out)
    done = run_child(
        f"""
        import pathlib, resource
        from pipeline import errors
        from pipeline.tables import writing
        import test_lake
        tables = test_lake.decisions(3, 300)
        resource.setrlimit(resource.RLIMIT_FSIZE, ({room_bytes}, {room_bytes}))
        try:
            writing.write_decisions(pathlib.Path({str(out)!r}), tables, test_lake.ASKED)
        except errors.DiskError as err:
            raise SystemExit(err.exit_code) from None
        """
    ).wait()
    assert done == 8
    assert files_below(out) == before


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_a_kill_while_writing_leaves_the_old_tables_whole(out, tmp_path_factory):
    writing.write_decisions(out, decisions(1), ASKED)
    before = files_below(out)
    ready = tmp_path_factory.mktemp("signs") / "ready"
    child = run_child(
        f"""
        import time, pathlib
        from pipeline.tables import whole_files, writing
        import test_lake
        def waiting(folder, moves):
            pathlib.Path({str(ready)!r}).touch()
            time.sleep(60)
        whole_files.switch = waiting
        writing.write_decisions(pathlib.Path({str(out)!r}), test_lake.decisions(3), test_lake.ASKED)
        """
    )
    try:
        while not ready.exists():
            assert child.poll() is None, "the child ended before it was ready to write"
            time.sleep(0.02)
        child.send_signal(signal.SIGKILL)
    finally:
        child.wait()
    left = [name for name in files_below(out) if name.startswith(f"{work_folder.WORK_FOLDER}/run-")]
    assert left
    assert {k: v for k, v in files_below(out).items() if k not in left} == before
    assert lake.read_lake(out).remarks == ()
    writing.write_decisions(out, decisions(1), ASKED)
    assert files_below(out) == before
