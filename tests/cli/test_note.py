"""`batontrace note`: from arguments, a pipe and a terminal, whole or not at all."""

from __future__ import annotations

import contextlib
import io
import json
import os
import stat
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest
from checkout import ROOT
from command import run
from practice_files import ENTRY, EXIT, LANE, SESSION, geojson

from pipeline.cli import note
from pipeline.read.practice.session import read_session

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX terminals and signals")
SHEET = "rep,incoming,outgoing,pass_m,note\n1,robin,wren,,\n2,wren,robin,20,good\n"
ENV = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "300"}


@pytest.fixture
def evening(tmp_path) -> Path:
    """A session without recordings, in a folder below another."""
    folder = tmp_path / "evenings" / "otter"
    folder.mkdir(parents=True)
    (folder / "session.toml").write_text(SESSION)
    (folder / "reps.csv").write_text(SHEET)
    (folder / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT))
    return folder


def piped(monkeypatch, text: str | bytes) -> None:
    raw = text if isinstance(text, bytes) else text.encode()
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(raw), encoding="utf-8"))


def sheet_of(evening: Path) -> str:
    return (evening / "reps.csv").read_bytes().decode()


# --- a whole call ----------------------------------------------------------------------------


def test_each_argument_is_a_call_out(evening) -> None:
    code, said, complained = run("note", evening, "rep 1 pass 21 m", "3 robin to wren dropped")
    assert (code, complained) == (0, "")
    assert said.splitlines() == [
        "rep 1 pass 21 m: reps.csv, line 2",
        "rep 3 robin to wren note dropped: reps.csv, line 4, a new row",
    ]
    assert sheet_of(evening) == SHEET.replace("wren,,", "wren,21,") + "3,robin,wren,,dropped\n"
    assert [rep.pass_m for rep in read_session(evening).reps] == [21.0, 20.0, None]


def test_lines_of_a_pipe_are_call_outs(evening, monkeypatch) -> None:
    piped(monkeypatch, "rep 1 pass 21 m\r\n\n  2 late  \n3 robin to wren")
    code, said, _ = run("note", evening / "session.toml")
    assert code == 0
    assert len(said.splitlines()) == 3
    assert sheet_of(evening) == (
        SHEET.replace("wren,,", "wren,21,").replace("good", "good; late") + "3,robin,wren,,\n"
    )


ALL_OR_NOTHING = [
    # said, words of the complaint
    (["1 pass 21 m", "rep 1 pas 22 m"], ['"rep 1 pas 22 m": did you mean "rep 1 pass 22 m"?']),
    (["1 pass 21 m", "1 mark 27"], ['did you mean "rep 1 mark 27 feet"?', "--yes"]),
    (["1 pass 21 m", "1 wern to robin"], ['did you mean "rep 1 wren to robin"?']),
    (["1 pass 21 m", "what"], ['"what": no rep']),
    (["1 pass 21 m", "1 zone 3"], ["zone 3 is not in the venue"]),
    (["1 pass 21 m", "2 pass 21 m"], ['pass_m is "20" on line 3, not "21"', "--replace"]),
    (["1 pass 21 m", "what", "2 pas 3 m"], ["2 problems; nothing is stored", '"what"', "pas 3"]),
]


@pytest.mark.parametrize(("said", "words"), ALL_OR_NOTHING)
@pytest.mark.parametrize("by", ["arguments", "a pipe"])
def test_nothing_is_stored_unless_all_of_it_can_be(evening, monkeypatch, said, words, by) -> None:
    piped(monkeypatch, "\n".join(said) if by == "a pipe" else "y\ny\ny\n")
    code, out, complained = run("note", evening, *(said if by == "arguments" else ()))
    assert (code, out) == (2, "")
    for word in words:
        assert word in complained
    assert sheet_of(evening) == SHEET


def test_yes_and_replace_take_what_would_be_asked(evening) -> None:
    code, said, _ = run("note", evening, "2 pas 21 m", "--yes", "--replace")
    assert (code, said) == (0, "rep 2 pass 21 m: reps.csv, line 3\n")
    assert sheet_of(evening) == SHEET.replace("20", "21")


def test_a_dry_run_says_it_and_writes_nothing(evening) -> None:
    before = sorted(evening.iterdir())
    code, said, _ = run("note", evening, "1 pass 21 m", "--dry-run")
    assert (code, said) == (0, "rep 1 pass 21 m: reps.csv, line 2 (not written)\n")
    assert sheet_of(evening) == SHEET
    assert sorted(evening.iterdir()) == before


def test_said_again_it_changes_nothing(evening) -> None:
    run("note", evening, "1 pass 21 m", "2 late")
    before = (evening / "reps.csv").stat()
    code, said, _ = run("note", evening, "1 pass 21 m", "2 late")
    assert code == 0
    assert said.count("was there already") == 2
    after = (evening / "reps.csv").stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "nothing was said"),
        (b"\n \n", "nothing was said"),
        (b"1 note \xff\xfe\n", "cannot be seen"),
        (b"1 note \x1b[2J\n", "cannot be seen"),
        (b"1 note " + b"x" * 5000 + b"\n", "1000 at most"),
        (b"1 late\n" * (note.MOST_CALL_OUTS + 1), "more than 1000 lines"),
        (b"\0\n", "cannot be seen"),
    ],
)
def test_whatever_comes_through_a_pipe_is_stored_or_refused(
    evening, monkeypatch, raw, words
) -> None:
    piped(monkeypatch, raw)
    code, _, complained = run("note", evening)
    assert code == 2
    assert words in complained
    assert sheet_of(evening) == SHEET


def test_standard_input_that_cannot_be_read_is_an_input_error(evening, monkeypatch) -> None:
    class Broken(io.StringIO):
        def readline(self, *_: object) -> str:
            raise IsADirectoryError(21, "Is a directory")

    monkeypatch.setattr(sys, "stdin", Broken())
    code, _, complained = run("note", evening)
    assert code == 3
    assert "standard input: cannot be read (Is a directory)" in complained


# --- the files -------------------------------------------------------------------------------


def test_a_session_without_a_sheet_is_told_the_line_to_add(evening) -> None:
    text = SESSION.replace('reps = "reps.csv"\n', "")
    (evening / "session.toml").write_text(text)
    (evening / "reps.csv").unlink()
    code, _, complained = run("note", evening, "1 pass 21 m")
    assert code == 5
    assert 'add the line reps = "reps.csv" below [session]' in complained
    assert not (evening / "reps.csv").exists()
    (evening / "session.toml").write_text(text.replace("[session]", '[session]\nreps = "reps.csv"'))
    assert run("note", evening, "1 robin to wren pass 21 m")[0] == 0
    ((rep,), remarks) = read_session(evening).reps, read_session(evening).remarks
    assert (rep.incoming, rep.pass_m, remarks) == ("robin", 21.0, ())


def test_recordings_and_venue_need_not_be_there_yet(evening) -> None:
    (evening / "venue.geojson").unlink()
    assert run("note", evening, "1 pass 21 m zone 3")[0] == 0
    assert sheet_of(evening).startswith(
        "rep,incoming,outgoing,pass_m,note,zone\n1,robin,wren,21,,3"
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("date = 2026-05-12", "date = 3", "[session] date"),
        ("foot_m = 0.30", "foot_m = 30", "foot_m"),
        ('reps = "reps.csv"', 'reps = "/etc/reps.csv"', "leads out of"),
        ("[session]", "[session", "not TOML"),
    ],
)
def test_a_session_that_is_wrong_is_told(evening, old, new, words) -> None:
    (evening / "session.toml").write_text(SESSION.replace(old, new))
    code, _, complained = run("note", evening, "1 pass 21 m")
    assert code == 5
    assert words in complained


def test_where_a_link_leads_the_sheet_is_replaced_and_the_link_stays(evening) -> None:
    shared = evening.parent / "shared.csv"
    (evening / "reps.csv").rename(shared)
    (evening / "reps.csv").symlink_to("../shared.csv")
    assert run("note", evening, "1 pass 21 m")[0] == 0
    assert (evening / "reps.csv").is_symlink()
    assert "1,robin,wren,21," in shared.read_text()


@POSIX
def test_the_sheet_keeps_its_permissions(evening) -> None:
    for mode in (0o600, 0o664):
        (evening / "reps.csv").chmod(mode)
        assert run("note", evening, f"1 note mode {mode}", "--yes")[0] == 0
        assert stat.S_IMODE((evening / "reps.csv").stat().st_mode) == mode


def test_a_sheet_in_latin_1_stays_one(evening) -> None:
    (evening / "reps.csv").write_bytes(SHEET.replace("good", "schön").encode("latin-1"))
    assert run("note", evening, "2 note früh")[0] == 0
    text = (evening / "reps.csv").read_bytes().decode("latin-1")
    assert text == SHEET.replace("good", "schön; früh")


def test_a_folder_where_nothing_can_be_written_is_an_output_error(evening, monkeypatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.tables.whole_files.os.replace", full)
    code, said, complained = run("note", evening, "1 pass 21 m")
    assert (code, said) == (8, "")
    assert "No space left on device" in complained
    assert sheet_of(evening) == SHEET
    assert not list(evening.glob(".new-*"))


# --- a terminal ------------------------------------------------------------------------------


def typed(evening: Path, *lines: str, words: tuple[str, ...] = ()) -> tuple[int, str]:
    """Exit code and what a terminal shows where these lines are typed; Ctrl-C is sent as \\x03."""
    import pty

    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "pipeline.cli", "note", str(evening), *words]
    child = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, env=ENV, start_new_session=True,
        preexec_fn=lambda: take_terminal(theirs),
    )  # fmt: skip
    os.close(theirs)
    shown = b""
    waiting = list(lines)
    deadline = time.monotonic() + 60.0
    try:
        while time.monotonic() < deadline:
            try:
                shown += os.read(ours, 4096)
            except OSError:  # the child has closed its end
                break
            asked = shown.count(b"[y/n]") + shown.count(b"Ctrl-D ends")
            told = len(lines) - len(waiting)
            answered = shown.count(b"reps.csv, line") + shown.count(b"batontrace: ")
            if waiting and (asked > told or asked + answered > told):
                line = waiting.pop(0)
                os.write(ours, line.encode() if line == "\x03" else f"{line}\n".encode())
            elif not waiting and not words and asked + answered > len(lines):
                os.write(ours, b"\x04")
        return child.wait(timeout=30), shown.decode()
    finally:
        child.kill()
        os.close(ours)


def take_terminal(number: int) -> None:
    """In the child: the pseudo-terminal is the one whose Ctrl-C it hears."""
    import fcntl
    import termios

    with contextlib.suppress(OSError):
        fcntl.ioctl(number, termios.TIOCSCTTY, 0)


@POSIX
def test_on_a_terminal_each_line_is_stored_and_what_is_in_doubt_is_asked(evening) -> None:
    code, shown = typed(
        evening, "1 pass 21 m", "2 pas 19 m", "y", "n", "what", "2 pas 19 m", "y", "y"
    )
    assert code == 0
    assert 'did you mean "rep 2 pass 19 m"? [y/n]' in shown
    assert 'pass_m is "20" on line 3, not "19". Replace? [y/n]' in shown
    assert "what is there is kept" in shown
    assert '"what": no rep' in shown
    assert sheet_of(evening) == SHEET.replace("wren,,", "wren,21,").replace("20", "19")


@POSIX
def test_ctrl_c_leaves_what_was_stored(evening) -> None:
    code, shown = typed(evening, "1 pass 21 m", "\x03")
    assert code == 130
    assert "rep 1 pass 21 m: reps.csv, line 2" in shown
    assert sheet_of(evening) == SHEET.replace("wren,,", "wren,21,")


@POSIX
def test_arguments_on_a_terminal_are_asked_too(evening) -> None:
    code, shown = typed(evening, "n", words=("1 pas 21 m",))
    assert code == 2
    assert "not stored" in shown
    assert sheet_of(evening) == SHEET


# --- kills, and two at once ------------------------------------------------------------------

WRITERS = """
    import json, os, pathlib, signal, sys, time
    from pipeline.session import note
    from pipeline.session.call_outs import parse_call_out

    setting = note.read_setting(pathlib.Path({evening!r}))

    def fork_writer(first, count, told):
        child = os.fork()
        if child:
            return child
        for rep in range(first, first + count):
            said = parse_call_out(f"rep {{rep}} robin to wren note of {{first}}", setting)
            note.store_call_outs(setting, [said], lambda _clash: False)
            os.write(told, f"{{rep}}\\n".encode())
        os._exit(0)
"""
TWO_AT_ONCE = """
    for child in [fork_writer(first, 20, 1) for first in (100, 200)]:
        os.waitpid(child, 0)
"""
KILLED = """
    stored = {}
    for first, wait_s in ((100, 0.0), (200, 0.003), (300, 0.008), (400, 0.013)):
        ours, theirs = os.pipe()
        child = fork_writer(first, 90, theirs)
        os.close(theirs)
        with os.fdopen(ours) as told:
            reps = [told.readline() for _ in range(3)]
            time.sleep(wait_s)
            os.kill(child, signal.SIGKILL)
            reps += told.readlines()
        os.waitpid(child, 0)
        stored[first] = [int(rep) for rep in reps]
    print(json.dumps(stored))
"""


def output_of_writers(evening: Path, script: str) -> str:
    """What a process says that forks writers of the sheet."""
    whole = textwrap.dedent(WRITERS).format(evening=str(evening)) + textwrap.dedent(script)
    command = [sys.executable, "-c", whole]
    done = subprocess.run(command, capture_output=True, text=True, env=ENV, timeout=120, check=True)
    return done.stdout


def reps_of(evening: Path) -> list[int | None]:
    session = read_session(evening)
    assert session.remarks == ()
    return [rep.rep for rep in session.reps or ()]


@POSIX
def test_a_kill_leaves_the_old_sheet_or_the_new_one(evening) -> None:
    said = json.loads(output_of_writers(evening, KILLED))
    assert len(said) == 4
    there = reps_of(evening)
    for first, stored in said.items():
        own = [rep for rep in there if rep is not None and int(first) <= rep < int(first) + 100]
        assert 3 <= len(stored) < 90
        assert own[: len(stored)] == stored
        assert len(own) <= len(stored) + 1
    assert run("note", evening, "1 pass 21 m")[0] == 0  # no lock is left behind


@POSIX
def test_two_at_once_lose_nothing(evening) -> None:
    told = output_of_writers(evening, TWO_AT_ONCE).split()
    assert sorted(map(int, told)) == [*range(100, 120), *range(200, 220)]
    assert sorted(reps_of(evening)) == [1, 2, *range(100, 120), *range(200, 220)]
