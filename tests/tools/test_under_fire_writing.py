"""Tables under fire: no room at any moment, killed at any moment, two writers at once.

What is promised: a session's tables are those of its former run or of its new one, once the
next run or reader has come by; nothing of another session changes; nothing hidden is left.
"""

from __future__ import annotations

import errno
import io
import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from stored_sessions import files_below, run_child
from under_fire_writer import asked, tables_of, write

from pipeline import errors
from pipeline.tables import folders, lake, provenance, schema, whole_files, work_folder, writing

KEPT = (work_folder.WORK_FOLDER, "lock", "claims")
MOVES = f"{work_folder.WORK_FOLDER}/run-*/{work_folder.MOVES_FILE}"
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals and limits")


def run_of(out: Path, session: str) -> int:
    """The run that all of a session's files are of; they are whole and as it wrote them."""
    record = json.loads(folders.session_record_path(out, session).read_text(encoding="utf-8"))
    for name in schema.TABLES:
        path = folders.part_path(out, name, session)
        stored = pq.read_schema(path).metadata[b"batontrace.run_sha256"].decode()
        assert stored == record["run_sha256"]
        assert provenance.file_sha256(path) == record["tables"][name]["sha256"]
    return int(record["settings"]["run"])


def seen(out: Path) -> dict[str, bytes]:
    """What users see: files without those that are hidden."""
    return {name: data for name, data in files_below(out).items() if not name.startswith(".")}


def hidden(out: Path) -> list[str]:
    """What runs have left; the lock itself stays."""
    work = out / work_folder.WORK_FOLDER
    return [path.name for path in (*out.glob(".*"), *work.glob("*")) if path.name not in KEPT]


# --- no room -------------------------------------------------------------------------------


class Disk:
    """Refuses the n-th call that needs room or touches the disk's names."""

    def __init__(self, refuse: int) -> None:
        self.left, self.refused = refuse, ""

    def wrap(self, name: str, real):
        def call(*words, **named):
            if name == "open" and not set("wxa+") & set("".join(map(str, words[1:2]))):
                return real(*words, **named)
            self.left -= 1
            if self.left == 0:
                self.refused = name
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(words[0]))
            return real(*words, **named)

        return call


@contextmanager
def failing(call: int) -> Iterator[Disk]:
    """The n-th of all writes, syncs, moves, links and new folders finds the disk full."""
    disk = Disk(call)
    with pytest.MonkeyPatch.context() as patch:
        for name in ("replace", "fsync", "link", "mkdir", "rename"):
            patch.setattr(os, name, disk.wrap(name, getattr(os, name)))
        patch.setattr(pq, "write_table", disk.wrap("write_table", pq.write_table))
        patch.setattr(io, "open", disk.wrap("open", io.open))
        yield disk


@pytest.mark.parametrize("session", ["otter", "2026-05-12"])
@pytest.mark.parametrize("first", [True, False], ids=["new", "again"])
def test_a_disk_that_fills_at_any_call_changes_nothing(tmp_path, session, first):
    """At every call in turn; in the end it succeeds, and was tried often enough to mean it."""
    out = tmp_path / "out"
    write(out, "heron", 1)
    if not first:
        write(out, session, 2)
    before = seen(out)
    for call in range(1, 200):
        with failing(call) as disk:
            said = refusal_of(lambda: write(out, session, 3))
        assert run_of(out, "heron") == 1
        assert hidden(out) == []
        if said:
            assert "No space left" in said
            assert {n: d for n, d in seen(out).items() if n in before or not anchors(n)} == before
            continue
        assert run_of(out, session) == 3
        if not disk.refused:
            break  # there are no more calls than that
        # It found another way (a copy for a link, a folder that was there): back, and on.
        shutil.rmtree(out)
        write(out, "heron", 1)
        if not first:
            write(out, session, 2)
    assert call > 15


def anchors(name: str) -> bool:
    return f"session={folders.ANCHOR}/" in name.replace(os.sep, "/")


def refusal_of(do) -> str:
    try:
        do()
    except errors.OutputError as error:
        return str(error)
    return ""


def test_a_disk_that_fills_at_any_call_keeps_the_former_decisions(tmp_path):
    out = tmp_path / "out"
    write(out, "heron", 1)
    tables = {"runners": schema.empty_table("runners"), "marks": schema.empty_table("marks")}
    writing.write_decisions(out, tables, asked(1))
    before = seen(out)
    for call in range(1, 200):
        with failing(call) as disk:
            said = refusal_of(lambda: writing.write_decisions(out, tables, asked(2)))
        assert hidden(out) == []
        if said:
            assert seen(out) == before
        elif disk.refused:
            writing.write_decisions(out, tables, asked(1))
        else:
            break
    assert call > 10


def test_a_page_or_a_picture_is_whole_or_as_it_was(tmp_path):
    page = tmp_path / "page.html"
    whole_files.write_text(page, "old")
    refused = 0
    for call in range(1, 50):
        with failing(call) as disk:
            said = refusal_of(lambda: whole_files.write_text(page, "new"))
        assert [path.name for path in tmp_path.iterdir()] == ["page.html"]
        if not said and not disk.refused:
            break
        refused += bool(said)
        assert page.read_bytes() == (b"old" if said else b"new")
        page.write_bytes(b"old")
    assert page.read_bytes() == b"new"
    assert refused >= 3


@POSIX
def test_a_limit_on_the_size_of_files_changes_nothing_at_any_size(tmp_path):
    """As a full disk, this stops a write in its middle; the sizes go through all files."""
    write(tmp_path, "otter", 1)
    before = seen(tmp_path)
    child = run_child(
        f"""
        import pathlib, resource
        from pipeline import errors
        from pipeline.tables import writing
        from under_fire_writer import asked, tables_of
        tables = tables_of("otter", 3, 60)
        refused = 0
        for room in [*range(0, 3000, 500), *range(3000, 40000, 4000)]:
            resource.setrlimit(resource.RLIMIT_FSIZE, (room, 1 << 30))
            try:
                writing.write_session(pathlib.Path({str(tmp_path)!r}), "otter", tables, asked(3))
                break
            except errors.OutputError:
                refused += 1
        raise SystemExit(refused)
        """
    )
    assert child.wait() >= 6
    assert run_of(tmp_path, "otter") == 3 or seen(tmp_path) == before
    assert hidden(tmp_path) == []


# --- killed --------------------------------------------------------------------------------


@contextmanager
def child_that_writes(out: Path, session: str, first: int = 10):
    """A child that writes a session again and again, each time as another run."""
    words = f"{str(out)!r}, {session!r}, {first}"
    child = run_child(f"import under_fire_writer; under_fire_writer.write_on({words})")
    try:
        yield child
    finally:
        child.kill()
        child.wait()


def wait_for(path: Path, child) -> None:
    while not path.exists():
        assert child.poll() is None, "the child ended before it had written once"
        time.sleep(0.01)


@POSIX
def test_a_kill_at_any_moment_leaves_each_session_of_one_run(tmp_path):
    """Children that do nothing but write are killed after random delays; now a reader comes by
    first, now the next writer."""
    out = tmp_path / "out"
    write(out, "heron", 1)
    write(out, "otter", 2)
    rng = random.Random(3)
    last = 2
    for kill in range(4):
        mark = tmp_path / "wrote-otter"
        mark.unlink(missing_ok=True)
        with child_that_writes(out, "otter", 1000 * (kill + 1)) as child:
            wait_for(mark, child)
            time.sleep(rng.uniform(0.0, 0.05))
            child.send_signal(signal.SIGKILL)
            child.wait()
        told = int(mark.read_text() or 0)
        if kill % 2:
            write(out, "heron", 1)  # another session's run: it must put this one right as well
        read = lake.read_lake(out)
        assert read.remarks == ()
        last = run_of(out, "otter")
        assert last >= told  # what was written before the kill is not lost
        assert run_of(out, "heron") == 1
        assert set(read.exchanges["session"].to_pylist()) == {"heron", "otter"}
        write(out, "heron", 1)
        assert [
            name for name in hidden(out) if not name.startswith("new-")
        ] == []  # these go in an hour
    assert last >= 4000


@POSIX
@pytest.mark.parametrize("moves", [2, 4])
def test_a_killed_run_is_finished_before_a_later_one_switches(tmp_path, moves):
    """One run is killed between its moves while another has its tables ready; then the other
    switches. Whoever comes next must not mix the first one's tables into the second one's."""
    write(tmp_path, "otter", 1)
    tables = tables_of("otter", 3)
    places = {name: folders.part_path(tmp_path, name, "otter") for name in schema.TABLES}
    with whole_files.staging(tmp_path, "otter") as folder:
        record = folders.session_record_path(tmp_path, "otter")
        ready = writing.stage_tables(folder, tables, places, record, {"session": "otter"}, asked(3))
        killed_at_move(tmp_path, moves)
        whole_files.switch(folder, ready)
    whole_files.recover(tmp_path)
    assert run_of(tmp_path, "otter") == 3
    assert hidden(tmp_path) == []


def killed_at_move(out: Path, moves: int) -> None:
    """A child that writes run 2 and dies at its n-th move."""
    words = f"{str(out)!r}, 'otter', 2, {moves}"
    child = run_child(f"import under_fire_writer; under_fire_writer.die_at_move({words})")
    assert child.wait() == -signal.SIGKILL


@POSIX
@pytest.mark.parametrize("deadly", range(1, 5))
@pytest.mark.parametrize("failing_move", [2, 4])
def test_a_kill_while_a_failed_write_is_taken_back_leaves_the_former_run(
    tmp_path, failing_move, deadly
):
    write(tmp_path, "otter", 1)
    words = f"{str(tmp_path)!r}, 'otter', 2, {failing_move}, {deadly}"
    child = run_child(f"import under_fire_writer; under_fire_writer.die_while_taking_back({words})")
    assert child.wait() == -signal.SIGKILL
    assert lake.read_lake(tmp_path).remarks == ()
    assert run_of(tmp_path, "otter") == 1
    assert hidden(tmp_path) == []


@POSIX
def test_a_list_of_moves_that_is_broken_stops_nobody(tmp_path):
    """As a bad disk leaves it. Nothing of it can be finished; the session may be torn, and a
    reader says so."""
    killed = tmp_path / "killed"
    write(killed, "otter", 1)
    write(killed, "heron", 1)
    killed_at_move(killed, 2)
    spoilt = (b"", b"[[", b'{"a": 1}', b'[["x"]]', b"\xff\xfe", b"[[1, 2]]", b"[" * 100_000)
    for number, content in enumerate(spoilt):
        out = tmp_path / str(number)
        shutil.copytree(killed, out)
        (moves,) = out.glob(MOVES)
        moves.write_bytes(content)
        read = lake.read_lake(out)
        assert read.exchanges["session"].unique().to_pylist() == ["heron"]
        assert len(read.remarks) == 1
        write(out, "otter", 4)
        assert run_of(out, "otter") == 4
        assert lake.read_lake(out).remarks == ()
        assert hidden(out) == []


def killed_run_folder(out: Path) -> Path:
    """A folder as a killed run leaves it, with the program's own mark."""
    left = out / work_folder.WORK_FOLDER / "run-otter-0123456789abcdef"
    left.mkdir(parents=True)
    (left / "held").touch()
    (left / "made-by").write_bytes(b"batontrace 0123456789abcdef\n")
    assert work_folder.run_folders(out) == [left]
    return left


def test_a_list_of_moves_moves_nothing_out_of_the_lake(tmp_path):
    out = tmp_path / "out"
    write(out, "otter", 1)
    left = killed_run_folder(out)
    (left / "a.parquet").write_bytes(b"x")
    (left / "moves.json").write_text(json.dumps([["a.parquet", "../stolen"]]))
    lake.read_lake(out)
    assert not (tmp_path / "stolen").exists()
    assert run_of(out, "otter") == 1


# --- two at once ---------------------------------------------------------------------------


@POSIX
@pytest.mark.parametrize("others", ["otter", "heron"], ids=["one session", "two sessions"])
def test_two_writers_at_once_leave_each_session_of_one_run(tmp_path, others):
    """Two children write in loops while this one reads: it sees tables of one run, or leaves
    the session out and says why."""
    out = tmp_path / "out"
    write(out, "otter", 1)
    write(out, others, 1)
    said: list[str] = []
    with (
        child_that_writes(out, "otter", 10) as one,
        child_that_writes(out, others, 50_000) as other,
    ):
        wait_for(tmp_path / "wrote-otter", one)
        wait_for(tmp_path / f"wrote-{others}", other)
        for _ in range(15):
            try:
                said += lake.read_lake(out).remarks
            except errors.InputError as error:  # both left out, for a moment
                said.append(str(error))
            assert one.poll() is None
            assert other.poll() is None
    for session in {"otter", others}:
        write_count = int((tmp_path / f"wrote-{session}").read_text() or 0)
        assert write_count > 1
    read = lake.read_lake(out)
    assert read.remarks == ()
    for session in {"otter", others}:
        assert run_of(out, session) >= 10
    assert all("another run" in words or "cannot be read" in words for words in said)
    write(out, "otter", 5)
    assert [name for name in hidden(out) if not name.startswith("new-")] == []


def test_a_lake_one_may_only_read_is_read(tmp_path):
    """Also with something a killed run left in it."""
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        pytest.skip("root may write anywhere")
    out = tmp_path / "out"
    write(out, "otter", 1)
    left = killed_run_folder(out)
    shutil.copy(folders.part_path(out, "exchanges", "otter"), left / "a")
    out.chmod(0o555)
    try:
        assert lake.read_lake(out).remarks == ()
    finally:
        out.chmod(0o755)
