"""What is not this program's own stays as it is: others' files, and what links lead to."""

import json
import os
import shutil
import stat
import sys
import tempfile
import time
from pathlib import Path

import pytest
from other_user import call_as_other_user, is_root
from stored_sessions import ASKED, files_below, run_child, tables_of

from pipeline.errors import InputError, OutputError
from pipeline.show import publish
from pipeline.tables import folders, lake, whole_files, work_folder, writing
from pipeline.tables.export import export_tables

TOKEN = "0123456789abcdef"
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX links and users")


def write(out, session, seed):
    writing.write_session(out, session, tables_of(session, seed), ASKED)


def leave_run_folder(out, moves=None, mark=f"batontrace {TOKEN}\n"):
    """As a run leaves it that was killed."""
    left = out / work_folder.WORK_FOLDER / f"run-otter-{TOKEN}"
    left.mkdir(parents=True)
    (left / "held").touch()
    if mark is not None:
        (left / "made-by").write_text(mark)
    if moves is not None:
        (left / "staged").write_text("moved")
        (left / "moves.json").write_text(json.dumps(moves))
    return left


# --- nothing of others is swept up -----------------------------------------------------


def own_things(folder):
    """Hidden things of the user's own, all old, whose names are like those of runs' folders."""
    for name in (".writing-novel", ".new-ideas", ".batontrace-export-x", "run-away", ".claims"):
        (folder / name).mkdir(parents=True)
        (folder / name / "chapter").write_text("words")
    for name in (".new-file", ".lock", "moves.json"):
        (folder / name).write_text("words")
    for path in folder.rglob("*"):
        os.utime(path, (1e9, 1e9))
    return files_below(folder)


def kept(folder, before):
    return {name: content for name, content in files_below(folder).items() if name in before}


def test_an_export_sweeps_up_nothing_in_the_users_folder(tmp_path):
    out, home = tmp_path / "out", tmp_path / "home"
    write(out, "otter", 1)
    before = own_things(home)
    export_tables(out, home / "season.csv")
    export_tables(out, home / "season.xlsx")
    export_tables(out, home)
    export_tables(out, home / "new")
    assert kept(home, before) == before
    assert not list(home.glob(".batontrace-export-*/season*"))


def test_a_run_sweeps_up_nothing_in_a_folder_that_was_there_before(tmp_path):
    before = own_things(tmp_path)
    write(tmp_path, "otter", 1)
    lake.read_lake(tmp_path)
    publish.write_page(tmp_path)
    assert kept(tmp_path, before) == before


@pytest.mark.parametrize(
    "mark", [None, "", "batontrace\n", f"batontrace {TOKEN}", "batontrace f\n"]
)
def test_a_folder_without_the_mark_is_nobodys_to_sweep_up(tmp_path, mark):
    write(tmp_path, "otter", 1)
    left = leave_run_folder(tmp_path, [["staged", "stolen"]], mark)
    write(tmp_path, "otter", 2)
    lake.read_lake(tmp_path)
    assert (left / "staged").read_text() == "moved"
    assert not (tmp_path / "stolen").exists()


def test_a_folder_with_the_mark_is_swept_up(tmp_path):
    left = leave_run_folder(tmp_path)
    (left / "deep").mkdir()
    (left / "deep" / "table").touch()
    write(tmp_path, "otter", 1)
    assert not left.exists()


def test_what_a_run_left_before_it_had_its_lock_goes_after_an_hour(tmp_path):
    write(tmp_path, "otter", 1)
    work = tmp_path / work_folder.WORK_FOLDER
    for name, inside in (("new-empty", ()), ("new-full", ("held", "made-by")), ("new-own", ("x",))):
        (work / name).mkdir()
        for file in inside:
            (work / name / file).touch()
    write(tmp_path, "otter", 1)
    assert len(list(work.glob("new-*"))) == 3
    for path in work.glob("new-*"):
        os.utime(path, (time.time() - 7200,) * 2)
    write(tmp_path, "otter", 1)
    assert [path.name for path in work.glob("new-*")] == ["new-own"]  # it holds something else


def test_a_failed_export_leaves_the_users_empty_folders(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write(out, "otter", 1)
    (tmp_path / "mine").mkdir()

    def full(_source, _target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    for to in ("mine", "new"):
        with pytest.raises(OutputError, match="No space left"):
            export_tables(out, tmp_path / to)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["mine", "out"]


@POSIX
def test_a_killed_report_is_swept_up_by_the_next_run(tmp_path):
    write(tmp_path, "otter", 1)
    child = run_child(
        f"""
        import os, pathlib, signal
        from pipeline.tables import whole_files
        os.replace = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
        out = pathlib.Path({str(tmp_path)!r})
        whole_files.write_text(out / "report" / "page.html", "page", lake=out)
        """
    )
    assert child.wait() == -9
    assert len(work_folder.run_folders(tmp_path)) == 1
    write(tmp_path, "otter", 1)
    assert work_folder.run_folders(tmp_path) == []
    assert not list(tmp_path.glob("report/*"))


# --- no link is followed ---------------------------------------------------------------


def outside(tmp_path):
    """A folder that no write may reach, with the names a lake has."""
    folder = tmp_path / "elsewhere"
    for name in (folders.part_file("exchanges", "otter"), "report/session-otter.html", "staged"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("outside")
    return folder, files_below(folder)


LED_OUT = {
    "a folder that is a link": ("link/staged", lambda out, far: (out / "link").symlink_to(far)),
    "a deep link": (
        "exchanges/session=otter/link/staged",
        lambda out, far: (out / "exchanges/session=otter/link").symlink_to(far),
    ),
    "the table's own folder": (
        folders.part_file("exchanges", "heron"),
        lambda out, far: (out / "exchanges/session=heron").symlink_to(
            far / "exchanges/session=otter"
        ),
    ),
    "a path with two dots": ("../elsewhere/staged", lambda _out, _far: None),
    "two dots behind a folder": ("exchanges/../../elsewhere/staged", lambda _out, _far: None),
}


@POSIX
@pytest.mark.parametrize("led_out", LED_OUT)
@pytest.mark.parametrize("staged", ["staged", None, "../../../elsewhere/staged"])
def test_a_list_of_moves_leads_nowhere_out_of_the_lake(tmp_path, led_out, staged):
    far, before = outside(tmp_path)
    out = tmp_path / "out"
    write(out, "otter", 1)
    place, prepare = LED_OUT[led_out]
    prepare(out, far)
    left = leave_run_folder(out, [[staged, place], ["staged", str(far / "staged")]])
    read = lake.read_lake(out)
    assert read.exchanges.num_rows == 3
    assert files_below(far) == before
    write(out, "otter", 2)
    assert files_below(far) == before
    assert not left.exists()


@POSIX
def test_a_link_among_the_staged_files_is_moved_and_not_followed(tmp_path):
    far, before = outside(tmp_path)
    write(tmp_path, "otter", 1)
    left = leave_run_folder(tmp_path, [["led", folders.part_file("exchanges", "otter")]])
    (left / "led").symlink_to(far / "staged")
    with pytest.raises(InputError, match="cannot be read"):
        lake.read_lake(tmp_path)
    write(tmp_path, "otter", 2)
    assert lake.read_lake(tmp_path).remarks == ()
    assert files_below(far) == before


LINKED = ("exchanges", "exchanges/session=otter", "provenance", ".batontrace")


@POSIX
@pytest.mark.parametrize("name", LINKED)
def test_a_session_is_not_written_through_a_link(tmp_path, name):
    far, _ = outside(tmp_path)
    (far / "session=otter").mkdir()
    (far / "session=otter" / "part-0.parquet").write_text("outside")
    before = files_below(far)
    out = tmp_path / "out"
    (out / name).parent.mkdir(parents=True)
    (out / name).symlink_to(far)
    with pytest.raises(OutputError, match="a link stands where a folder was expected"):
        write(out, "otter", 1)
    assert files_below(far) == before


@POSIX
def test_a_page_is_not_written_through_a_link_in_the_lake(tmp_path):
    far, before = outside(tmp_path)
    write(tmp_path, "otter", 1)
    (tmp_path / "report").symlink_to(far / "report")
    with pytest.raises(OutputError, match="a link stands where a folder was expected"):
        publish.write_page(tmp_path)
    assert files_below(far) == before
    (tmp_path / "report").unlink()
    path = publish.write_page(tmp_path).path
    path.unlink()
    path.symlink_to(far / "staged")
    publish.write_page(tmp_path)  # it takes the link's place
    assert files_below(far) == before
    assert not path.is_symlink()


@POSIX
def test_out_itself_may_be_a_link(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "real")
    write(tmp_path / "out", "otter", 1)
    assert lake.read_lake(tmp_path / "real").exchanges.num_rows == 3


@POSIX
def test_a_link_beside_a_file_to_be_written_is_not_followed(tmp_path):
    """Whatever stands there under any name: the file is first written under a name of its own."""
    (tmp_path / "far").write_text("outside")
    (tmp_path / f".new-page.html-{os.getpid()}").symlink_to(tmp_path / "far")
    whole_files.write_text(tmp_path / "page.html", "page")
    assert (tmp_path / "far").read_text() == "outside"


# --- locks -----------------------------------------------------------------------------

NO_LOCKS = {
    "a link": lambda path, far: path.symlink_to(far),
    "a second name": lambda path, far: os.link(far, path),
    "a file with words": lambda path, _far: path.write_text("words"),
    "a pipe": lambda path, _far: os.mkfifo(path),
    "a folder": lambda path, _far: path.mkdir(),
}


@POSIX
@pytest.mark.parametrize("kind", NO_LOCKS)
def test_what_is_no_lock_of_ours_is_not_taken_for_one(tmp_path, kind):
    far, out = tmp_path / "far", tmp_path / "out"
    far.write_text("outside")
    write(out, "otter", 1)
    path = out / work_folder.WORK_FOLDER / "lock"
    path.unlink()
    NO_LOCKS[kind](path, far)
    for attempt in (lambda: write(out, "otter", 2), lambda: write(out, "heron", 2)):
        with pytest.raises(OutputError, match="stands where a lock was expected; remove it"):
            attempt()
    assert far.read_text() == "outside"
    assert kind != "a file with words" or path.read_text() == "words"
    assert lake.read_lake(out).exchanges["session"].unique().to_pylist() == ["otter"]


@POSIX
@pytest.mark.parametrize("kind", NO_LOCKS)
def test_a_run_folders_lock_that_is_none_stops_nobody(tmp_path, kind):
    far, out = tmp_path / "far", tmp_path / "out"
    far.write_text("outside")
    left = leave_run_folder(out, [["staged", "stolen"]])
    (left / "held").unlink()
    NO_LOCKS[kind](left / "held", far)
    write(out, "otter", 1)
    assert lake.read_lake(out).remarks == ()
    assert far.read_text() == "outside"


@POSIX
def test_a_claim_is_not_taken_through_a_link(tmp_path):
    (tmp_path / "far").mkdir()
    write(tmp_path / "out", "otter", 1)
    (tmp_path / "out" / work_folder.WORK_FOLDER / "claims").symlink_to(tmp_path / "far")
    claim = work_folder.claim(tmp_path / "out", "otter")
    with pytest.raises(OSError, match="a link stands"):
        claim.__enter__()
    assert not list((tmp_path / "far").iterdir())


# --- others who write in OUT too -------------------------------------------------------


@pytest.fixture(name="others")
def others_fixture():
    """A folder that other users may enter, as they may not enter pytest's own."""
    with tempfile.TemporaryDirectory(prefix="shared-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


def shared(folder, mode=0o777):
    """An OUT that two users may write in, which the first has already written in."""
    out = folder / "out"
    out.mkdir()
    out.chmod(mode)
    write(out, "otter", 1)
    return out


@POSIX
def test_a_second_user_writes_in_a_shared_folder(others):
    out = shared(others)
    call_as_other_user(write, out, "heron", 2)
    call_as_other_user(write, out, "otter", 3)
    write(out, "heron", 4)
    write(out, "otter", 5)
    read = call_as_other_user(lambda: lake.read_lake(out).remarks)
    assert read == ()
    expected = tables_of("otter", 5)["exchanges"].sort_by("zero_utc")
    assert lake.read_lake(out, "otter").exchanges.equals(expected, check_metadata=False)


@POSIX
@pytest.mark.parametrize("begun", [True, False], ids=["while moving", "before"])
def test_what_the_first_users_killed_run_left_blocks_no_second_user(others, begun):
    out = shared(others)
    moves = [["staged", "exchanges/session=otter/x"]] if begun else None
    left = leave_run_folder(out, moves)
    left.chmod(0o777 if begun else 0o700)
    (left / "held").chmod(0o666)
    call_as_other_user(write, out, "heron", 2)
    assert left.exists() is not begun
    assert (out / "exchanges/session=otter/x").exists() is begun
    write(out, "otter", 3)
    assert not left.exists()


@POSIX
@pytest.mark.skipif(not is_root(), reason="there is no second user")
@pytest.mark.parametrize("mode", [0o755, 0o700, 0o1777])
def test_a_second_user_without_the_right_is_told_so(others, mode):
    out = shared(others, mode)
    before = files_below(out)
    with pytest.raises(OutputError, match=r"cannot be written .*(Permission denied|not permitted)"):
        call_as_other_user(write, out, "otter", 2)
    assert {k: v for k, v in files_below(out).items() if k in before} == before


@POSIX
def test_new_folders_have_the_permissions_of_out(others):
    out = shared(others, 0o2770)
    modes = {stat.S_IMODE(path.stat().st_mode) for path in out.rglob("*") if path.is_dir()}
    assert modes == {0o2770}


@POSIX
def test_where_the_file_system_has_no_second_names_copies_serve(tmp_path, monkeypatch):
    write(tmp_path, "otter", 1)
    before = files_below(tmp_path)
    replaced = []
    real = os.replace

    def third_fails(source, target):
        replaced.append(target)
        if len([one for one in replaced if str(one).endswith("part-0.parquet")]) == 3:
            raise OSError(5, "Input/output error", str(target))
        real(source, target)

    def no_links(*_words, **_named):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", no_links)
    monkeypatch.setattr(os, "replace", third_fails)
    with pytest.raises(OutputError, match="Input/output error"):
        write(tmp_path, "otter", 2)
    monkeypatch.undo()
    assert files_below(tmp_path) == before
    shutil.rmtree(tmp_path / work_folder.WORK_FOLDER)
    assert lake.read_lake(tmp_path).remarks == ()
