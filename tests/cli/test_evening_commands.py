"""From a bag of units to two lines a takeover, as it is typed: new, sheet, check, watch."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import small_sessions as small
from checkout import ROOT
from command import run

from pipeline.cli import season, watch
from pipeline.read.practice.session import read_session

ENV = {**os.environ, "PYTHONPATH": str(ROOT)}
pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture
def evening(tmp_path) -> Path:
    """The files of three units, and a venue."""
    folder = small.copied("plain", tmp_path)
    for name in ("session.toml", "reps.csv"):
        (folder / name).unlink()
    return folder


def test_new_writes_a_session_a_sheet_and_its_page(evening):
    code, said, complained = run("new", evening, "--worn", "teal.csv=waist")
    assert (code, complained) == (0, "")
    assert {path.name for path in evening.iterdir()} >= {"session.toml", "reps.csv", "sheet.html"}
    table = said.splitlines()[1:5]
    assert [line.split()[0] for line in table[1:]] == ["adder.csv", "teal.csv", "wren.csv"]
    assert max(map(len, table)) <= 80
    assert "runner-1" in said
    assert run("check", evening)[0] == 0
    assert [spec.worn for spec in read_session(evening).recordings].count("waist") == 1
    code, _, complained = run("new", evening)
    assert code == 2
    assert "exists already" in complained


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--runner", "teal.csv"], "--runner"),
        (["--runner", "tael.csv=jay"], "expected one of teal.csv"),
        (["--worn", "teal.csv=head"], "upper-back"),
        (["--date", "yesterday"], "2026-05-12"),
        (["--venue", "no.geojson"], "no such file"),
    ],
)
def test_new_says_what_an_option_wants(evening, words, complaint):
    code, _, complained = run("new", evening, *words)
    assert code in (2, 6)
    assert complaint in complained
    assert not (evening / "session.toml").exists()


def test_before_practice_there_are_only_names(tmp_path):
    code, said, _ = run("new", tmp_path / "tuesday", "--team", "robin,wren", "--team", "jay")
    assert code == 0
    assert "batontrace venue" in said
    page = (tmp_path / "tuesday" / "sheet.html").read_text("utf-8")
    assert all(f">{name}<" in page for name in ("robin", "wren", "jay"))


def test_the_sheet_is_made_again_with_what_was_written_down(evening):
    run("new", evening)
    (evening / "reps.csv").write_text("rep,incoming,outgoing,note\n1,runner-1,runner-2,gusty\n")
    code, said, _ = run("sheet", evening / "session.toml")
    assert code == 0
    assert "sheet.html" in said
    assert "gusty" in (evening / "sheet.html").read_text("utf-8")
    assert run("sheet", evening, "--to", evening / "sheet.csv")[0] == 2
    (evening / "reps.csv").write_text("rep,incomming,outgoing\n")
    code, _, complained = run("sheet", evening)
    assert code == 5
    assert "incoming" in complained


def test_a_file_arrives_and_each_takeover_is_told_in_two_lines(evening, tmp_path, monkeypatch):
    """One runner's file comes late, half at first; Ctrl-C ends the watch."""
    late = (evening / "teal.csv").read_bytes()
    (evening / "teal.csv").unlink()
    run("new", evening)
    with (evening / "session.toml").open("a") as file:
        file.write('\n[[runner]]\nid = "teal"\n')
    (evening / "teal").mkdir()
    there = evening / "teal" / "7.csv"
    acts = iter([None, None, lambda: there.write_bytes(late[:4000]),
                 lambda: there.write_bytes(late), None, None])  # fmt: skip

    def pause(_seconds):
        act = next(acts, KeyboardInterrupt)
        if act is KeyboardInterrupt:
            raise KeyboardInterrupt
        if act is not None:
            act()

    monkeypatch.setattr(watch.time, "sleep", pause)
    out = tmp_path / "out"
    code, said, _ = run("watch", evening, "--out", out)
    assert code == season.INTERRUPTED
    assert "teal/7.csv is teal's: added to session.toml" in said
    before, after = said.split("teal/7.csv is teal's")
    assert "teal" not in before
    assert "to teal: " in after
    lines = [line for line in said.splitlines() if re.match(r"\d\d:\d\d:\d\d| {2}\w", line)]
    assert len(lines) >= 8
    assert all(re.search(r" \S+ to \S+: ", line) for line in lines[0::2])
    assert all(line.startswith("  ") for line in lines[1::2])
    assert all(len(line) <= 80 for line in lines)
    assert len(re.findall("new at .*measured in", said)) == 2
    (page,) = (out / "report").glob("session-*.html")
    assert "Where the tape goes" in page.read_text("utf-8")


def test_watch_without_a_session_says_how_to_make_one(tmp_path):
    code, _, complained = run("watch", tmp_path, "--out", tmp_path / "out", "--once")
    assert code == 5
    assert "batontrace new" in complained
    run("new", tmp_path / "a", "--team", "robin,wren")
    assert run("watch", tmp_path / "a", "--out", tmp_path / "out", "--every", "0")[0] == 2
    assert run("watch", tmp_path / "a", "--out", tmp_path / "out", "--stake", "much")[0] == 2


def test_watch_of_what_cannot_be_measured_ends_with_its_problem(evening, tmp_path):
    run("new", evening)
    path = evening / "session.toml"
    path.write_text(path.read_text("utf-8").replace("event =", "evnt ="), "utf-8")
    code, _, complained = run("watch", evening, "--out", tmp_path / "out", "--once")
    assert code == 7
    assert "event" in complained


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_ctrl_c_ends_it(tmp_path):
    run("new", tmp_path / "tuesday", "--team", "robin,wren")
    words = [sys.executable, "-m", "pipeline.cli", "watch", str(tmp_path / "tuesday")]
    words += ["--out", str(tmp_path / "out"), "--every", "0.2"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, env=ENV, cwd=ROOT, text=True) as process:
        try:
            while "Watching" not in process.stdout.readline():
                assert process.poll() is None
            process.send_signal(signal.SIGINT)
            assert process.wait(60) == season.INTERRUPTED
        finally:
            process.kill()


def test_once_ends_by_itself(tmp_path):
    run("new", tmp_path / "tuesday", "--team", "robin,wren")
    code, said, _ = run("watch", tmp_path / "tuesday", "--out", tmp_path / "out", "--once")
    assert code == 7  # there is no venue yet
    assert "full speed" in said
