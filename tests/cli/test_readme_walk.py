"""The walk through an evening in README.md, as it is printed there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HEADING = "## An evening, from the bag of units to the card in the hand"


def printed_lines() -> list[str]:
    section = (ROOT / "README.md").read_text("utf-8").partition(HEADING)[2].partition("\n## ")[0]
    found = re.search(r"```sh\n(.*?)```", section, re.DOTALL)
    assert found is not None
    return found[1].splitlines()


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A folder with the samples and the command where README.md has them."""
    (tmp_path / "sample_tracks").symlink_to(ROOT / "sample_tracks")
    command = tmp_path / ".venv" / "bin" / "batontrace"
    command.parent.mkdir(parents=True)
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m pipeline.cli "$@"\n', "utf-8")
    command.chmod(0o755)
    return tmp_path


def test_the_walk_leads_from_the_bag_to_the_card(checkout: Path) -> None:
    lines = printed_lines()
    run = subprocess.run(
        ["sh", "-e", "-c", "\n".join(lines)],
        cwd=checkout,
        env={**os.environ, "PYTHONPATH": str(ROOT), "LC_ALL": "C.UTF-8", "COLUMNS": "80"},
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    assert run.returncode == 0, run.stderr
    assert (checkout / "bag" / "sheet.html").exists()
    assert (checkout / "out-bag" / "report" / "session-bag.html").exists()
    card = (checkout / "card.html").read_text("utf-8")
    assert "heron" in card
    said = (ROOT / "README.md").read_text("utf-8").partition(HEADING)[2]
    shown = re.search(r"```\n(\d\d:\d\d.*?)```", said, re.DOTALL)
    assert shown is not None
    assert shown[1].strip() in run.stdout  # the two lines of a takeover, as README.md shows them
    assert [line for line in run.stdout.splitlines() if len(line) > 80] == []


def test_powershell_has_no_line_of_its_own_but_the_first() -> None:
    """What PowerShell takes as it stands: one source a copy, `/` in paths, no `&&`, no quotes."""
    for line in printed_lines():
        assert "&&" not in line
        assert not re.search(r"['\"\\${}]", line)
        if line.startswith("cp "):
            assert len(line.split()) == 3
        assert line.split()[0] in ("mkdir", "cp", ".venv/bin/batontrace")
