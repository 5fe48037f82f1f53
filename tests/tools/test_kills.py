"""A hundred kills at random moments, of everything that writes, with readers beside it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import kill_at_random
import pytest
from evenings import an_evening

KILLS = 100


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and POSIX signals")
def test_a_hundred_kills_leave_every_session_of_one_run(tmp_path):
    for session in ("adder-evening", "lynx-evening"):
        an_evening(tmp_path / "evenings", session)
    words = [str(tmp_path / "killed"), str(tmp_path / "evenings"), "7"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    done = subprocess.run(
        [sys.executable, str(Path(kill_at_random.__file__)), *words],
        env=environment, capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    counts = json.loads(done.stdout.splitlines()[-1])
    assert sum(one["killed"] for one in counts.values()) >= KILLS
    assert set(counts) == set(kill_at_random.OPERATIONS)
