"""The commands with Windows' ways of handling files, and names that Windows and Macs do not tell
apart."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from like_windows import POSIX_ONLY, like_windows, open_paths

from pipeline.cli.app import main

SAMPLES = Path(__file__).parents[2] / "sample_tracks"

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks /proc")


@pytest.fixture
def lake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    like_windows(monkeypatch)
    return tmp_path / "out"


def test_every_writing_command_works_with_windows_ways_of_handling_files(
    lake: Path, tmp_path: Path
) -> None:
    evening = tmp_path / "evenings" / "larch-unwritten"
    shutil.copytree(SAMPLES / "larch-unwritten", evening)
    out = str(lake)
    for words in (
        ["process", str(evening / "session.toml"), "--out", out],
        ["watch", str(evening), "--out", out, "--once"],  # onto what is there
        ["season", str(evening.parent), "--out", out, "--again", "--workers", "1"],
        ["runners", out],
        ["marks", out, "--card", str(tmp_path / "card.html")],
        ["causes", out],
        ["progress", out],
        ["report", out],
        ["report", out],
        ["overlay", out, "--exchange", "1", "--to", str(tmp_path / "one.png")],
        ["export", out, "--to", str(tmp_path / "tables")],
        ["export", out, "--to", str(tmp_path / "season.xlsx")],
        ["forget", out, "--runner", "otter", "--yes"],
    ):  # fmt: skip
        assert main(words) == 0, words
        assert not [path for path in open_paths() if path.startswith(out)], words
    left = sorted(path.name for path in (lake / ".batontrace").iterdir())
    assert left == ["claims", "lock"]  # nothing of a run stays behind


def test_no_call_that_only_posix_has_stands_without_its_other_way() -> None:
    lacking = {*POSIX_ONLY, "fcntl", "grp", "pwd", "resource", "termios"}
    found = []
    for path in sorted((SAMPLES.parent / "pipeline").rglob("*.py")):
        code = ast.parse(path.read_text("utf-8"))
        asked = {
            node.args[1].value
            for node in ast.walk(code)
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("hasattr", "getattr")
            and len(node.args) > 1 and isinstance(node.args[1], ast.Constant)
        }  # fmt: skip
        for node in ast.walk(code):
            names: list[str] = []
            if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "os":
                names = [node.attr]
            elif isinstance(node, ast.Import):
                names = [one.name for one in node.names]
            found += [f"{path.name}: {name}" for name in {*names} & lacking - asked]
    assert not found


def test_what_a_killed_run_left_is_finished_and_swept_up(
    lake: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = str(SAMPLES / "larch-unwritten" / "session.toml")
    assert main(["process", session, "--out", str(lake)]) == 0
    refused = os.replace

    def killed(source: str, target: str, **given: object) -> None:
        if str(target).endswith("provenance.json"):
            raise KeyboardInterrupt
        refused(source, target, **given)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", killed)
        assert main(["process", session, "--out", str(lake)]) == 130
    assert main(["process", session, "--out", str(lake)]) == 0
    assert {path.name for path in (lake / ".batontrace").iterdir()} <= {"claims", "lock"}


def test_no_text_depends_on_the_systems_own_encoding(tmp_path: Path) -> None:
    """Western Windows writes to a terminal in its own encoding, and Python opens files in it."""
    evening = tmp_path / "evening"
    evening.mkdir()
    for path in (SAMPLES / "larch-unwritten").iterdir():
        if path.suffix not in (".toml", ".geojson"):
            shutil.copy(path, evening)
    venue, session = SAMPLES / "larch-unwritten" / "venue.geojson", evening / "session.toml"
    out = tmp_path / "out"
    for words in (
        ["new", evening, "--venue", venue],
        ["watch", evening, "--out", out, "--once"],
        ["note", session, "rep 1 runner-1 to runner-2 zone 3"],
        ["check", session],
        ["marks", out, "--card", tmp_path / "card.html", "--language", "de"],
        ["report", out, "--language", "fr"],
        ["export", out, "--to", tmp_path / "tables"],
    ):
        run = subprocess.run(
            [
                *(sys.executable, "-X", "warn_default_encoding", "-W", "error::EncodingWarning"),
                *("-m", "pipeline.cli", *map(str, words)),
            ],
            env={**os.environ, "PYTHONIOENCODING": "cp1252"},
            cwd=SAMPLES.parent,
            capture_output=True,
        )
        assert run.returncode == 0, run.stderr.decode("cp1252")
        run.stdout.decode("cp1252")
