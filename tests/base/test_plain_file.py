"""Plain files up to a limit: their bytes, their hash, and what is refused unopened."""

from __future__ import annotations

import errno
import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.base.plain_file import open_plain_file, plain_file_bytes, plain_file_sha256

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX files")


@pytest.mark.parametrize("size", [0, 1, 99, 1 << 20, (1 << 20) + 1, 3 << 20])
def test_the_hash_is_that_of_the_bytes(tmp_path, size):
    path = tmp_path / "file"
    path.write_bytes(os.urandom(size))
    assert plain_file_bytes(path, size) == path.read_bytes()
    assert plain_file_sha256(path, size) == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("read", [plain_file_bytes, plain_file_sha256])
def test_one_byte_too_many_is_refused(tmp_path, read):
    path = tmp_path / "file"
    path.write_bytes(b"x" * 100)
    with pytest.raises(OSError, match="larger than") as refused:
        read(path, 99)
    assert refused.value.errno == errno.EFBIG


@POSIX
@pytest.mark.parametrize("read", [plain_file_bytes, plain_file_sha256])
def test_a_file_that_grows_while_it_is_read_is_refused(read):
    """A file of the system that states 0 bytes stands for it."""
    with pytest.raises(OSError, match="larger than"):
        read(Path("/proc/self/maps"), 100)


@POSIX
def test_a_sparse_file_is_refused_before_it_is_hashed(tmp_path):
    """40 GB that take no disk would take minutes."""
    path = tmp_path / "sparse"
    with path.open("wb") as file:
        file.truncate(40_000_000_000)
    for read in ("plain_file_bytes", "plain_file_sha256"):
        child = subprocess.run(
            [
                sys.executable,
                "-c",
                f"import pathlib, sys; from pipeline.base.plain_file import {read} as read\n"
                "read(pathlib.Path(sys.argv[1]), 1 << 28)",
                path,
            ],
            capture_output=True,
            timeout=10,
            check=False,
        )
        assert b"larger than 256 MiB" in child.stderr


@POSIX
@pytest.mark.parametrize(
    "read",
    [lambda path: plain_file_sha256(path, 1 << 20), lambda path: open_plain_file(path).__enter__()],
)
def test_what_is_no_file_is_refused_unopened(tmp_path, read):
    """Also behind a link."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "device").symlink_to("/dev/zero")
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "file").touch()
    cases = {
        "pipe": OSError,
        "device": OSError,
        "loop": OSError,
        "": IsADirectoryError,
        "absent": FileNotFoundError,
        "file/below": FileNotFoundError,
        "nul\0": OSError,
    }
    for name, error in cases.items():
        with pytest.raises(error) as refused:
            read(tmp_path / name)
        assert refused.value.strerror
