"""Windows' ways with files on another system: what it refuses is refused, what it lacks is hidden.

Within `like_windows`, as Microsoft's documentation of MoveFileEx, DeleteFile, FlushFileBuffers and
CreateFile, and Python's of `os`, have it: no file that is open or mapped is replaced or removed, no
folder that holds one is renamed, no folder is opened, nothing is synced through a handle that only
reads, a renamed file never lands on another, and calls that only POSIX has are not there. Two names
are still two names, and processes started from here know nothing of it.
"""

from __future__ import annotations

import errno
import fcntl
import importlib
import os
import pkgutil
import shutil
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import pipeline
from pipeline.base import file_systems

# Python's documentation of `os`: "Availability: Unix", of what a program might call.
POSIX_ONLY = (
    "O_NONBLOCK", "O_DIRECTORY", "O_NOFOLLOW", "O_CLOEXEC", "chown", "fchdir", "fchmod", "fchown",
    "fdatasync", "fork", "forkpty", "getegid", "geteuid", "getgid", "getloadavg", "getpgid",
    "getpriority", "getuid", "initgroups", "killpg", "lchown", "lockf", "mkfifo", "mknod", "nice",
    "openpty", "pathconf", "pipe2", "posix_fadvise", "posix_fallocate", "posix_spawn", "pread",
    "pwrite", "readv", "register_at_fork", "sched_getaffinity", "sched_setaffinity", "sendfile",
    "setpriority", "setsid", "setuid", "statvfs", "sync", "wait3", "writev",
)  # fmt: skip


def like_windows(patch: pytest.MonkeyPatch) -> None:
    """Puts Windows' ways in force until the patch is undone."""
    patch.setattr(file_systems, "_WINDOWS", True)
    patch.setattr(shutil, "_use_fd_functions", False)
    patch.setattr(shutil, "_USE_CP_SENDFILE", False)
    real = {name: getattr(os, name) for name in ("rename", "replace", "unlink", "open", "fsync")}

    def rename(source: Any, target: Any, **given: Any) -> None:
        refuse_open(source)
        if os.path.lexists(target):
            raise FileExistsError(
                errno.EEXIST, "Cannot create a file when that file exists", target
            )
        real["rename"](source, target, **given)

    def replace(source: Any, target: Any, **given: Any) -> None:
        refuse_open(source)
        refuse_open(target)
        real["replace"](source, target, **given)

    def unlink(path: Any, **given: Any) -> None:
        refuse_open(path)
        real["unlink"](path, **given)

    def open_(path: Any, flags: int, *rest: Any, **given: Any) -> int:
        if os.path.isdir(path):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return int(real["open"](path, flags, *rest, **given))

    def fsync(handle: int) -> None:
        if fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(errno.EBADF, "Bad file descriptor")
        real["fsync"](handle)

    def link(*_: Any, follow_symlinks: bool = True, **__: Any) -> None:
        if not follow_symlinks:
            raise NotImplementedError("link: follow_symlinks unavailable on this platform")
        raise OSError(errno.EPERM, "no second names here")

    patch.setattr(os, "rename", rename)
    patch.setattr(os, "replace", replace)
    patch.setattr(os, "unlink", unlink)
    patch.setattr(os, "remove", unlink)
    patch.setattr(os, "open", open_)
    patch.setattr(os, "fsync", fsync)
    patch.setattr(os, "link", link)
    for name in modules_of(pipeline):
        module = importlib.import_module(name)
        if getattr(module, "os", None) is os:  # libraries choose their way when they are imported
            patch.setattr(module, "os", WithoutPosix())


class WithoutPosix:
    """The module `os` without what only POSIX has."""

    def __getattr__(self, name: str) -> Any:
        if name in POSIX_ONLY:
            raise AttributeError(f"module 'os' has no attribute '{name}'")
        return getattr(os, name)


def modules_of(package: Any) -> Iterator[str]:
    for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
        if not found.name.endswith("__main__"):
            yield found.name


def refuse_open(path: Any) -> None:
    """Raises PermissionError where the file, or one below the folder, is open or mapped."""
    wanted = os.path.realpath(path)
    for held in open_paths():
        if held == wanted or held.startswith(wanted + os.sep):
            raise PermissionError(errno.EACCES, "it is open in another place", str(path))


def open_paths() -> set[str]:
    """The files that this process has open or mapped."""
    found = set()
    for handle in os.listdir("/proc/self/fd"):
        try:
            path = os.readlink(f"/proc/self/fd/{handle}")
            if stat.S_ISREG(os.stat(f"/proc/self/fd/{handle}").st_mode):
                found.add(path)
        except OSError:  # the listing's own
            continue
    for line in Path("/proc/self/maps").read_text("utf-8").splitlines():
        if (at := line.find("/")) >= 0:
            found.add(line[at:])
    return found
