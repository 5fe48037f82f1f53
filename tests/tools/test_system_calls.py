"""Each system call that writes, renames or syncs fails once, one after the other."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import fault_at_call
import pytest

CALLS = (
    "write", "pwrite64", "fsync", "fdatasync", "?rename", "?renameat", "?renameat2", "?mkdir",
    "mkdirat", "?link", "linkat", "?unlink", "unlinkat", "?rmdir", "?chmod", "fchmod", "fchmodat",
    "ftruncate",
)  # fmt: skip


@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace")
@pytest.mark.parametrize("error", ["ENOSPC"])
def test_whatever_call_fails_the_tables_are_the_former_ones_or_the_new(tmp_path, error):
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    calls = ",".join(CALLS)
    strace = ["strace", "-f", "--seccomp-bpf", "-qqq", "-o", os.devnull, "-e", f"trace={calls}"]
    if subprocess.run([*strace, "true"], capture_output=True, check=False).returncode:
        pytest.skip("strace may not look into processes here")
    words = ["-e", f"inject={calls}:error={error}:when={fault_at_call.NTH}"]
    program = [sys.executable, str(Path(fault_at_call.__file__)), str(tmp_path / "tried")]
    done = subprocess.run(
        [*strace, *words, *program],
        env=environment, capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    counts = json.loads(done.stdout.splitlines()[-1])
    for one in counts.values():
        assert min(one[kind] for kind in ("write", "fsync", "rename")) >= 1
    assert sum(sum(one.values()) for one in counts.values()) > 100
