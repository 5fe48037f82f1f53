"""A file's bytes, where it is a plain file of a size one can hold.

A session may come from elsewhere and name anything: a pipe that nobody writes to would be
waited on for ever, a device read without end. Both are refused before they are opened.
"""

from __future__ import annotations

import errno
import os
import stat
from io import FileIO
from pathlib import Path

_CHUNK = 1 << 20
_KINDS = (
    (stat.S_ISDIR, "a directory"),
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def contents(path: Path, most_bytes: int) -> bytes:
    """All of a plain file, links followed. Never waits, never holds more than `most_bytes`.

    Raises OSError: FileNotFoundError where there is none, IsADirectoryError for a folder,
    with errno EFBIG where it is larger, else with a `strerror` fit for a message.
    """
    try:
        _refuse_other_than_files(path, os.stat(path))
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        with FileIO(os.open(path, flags)) as file:
            state = os.fstat(file.fileno())
            _refuse_other_than_files(path, state)  # it may have been exchanged meanwhile
            return _at_most(path, file, state.st_size, most_bytes)
    except NotADirectoryError:  # a file where a folder was expected: nothing is there
        raise FileNotFoundError(errno.ENOENT, "no such file", str(path)) from None
    except ValueError as error:  # a null character in the name
        raise OSError(errno.EINVAL, str(error), str(path)) from None


def _refuse_other_than_files(path: Path, state: os.stat_result) -> None:
    if stat.S_ISREG(state.st_mode):
        return
    kind = next((name for test, name in _KINDS if test(state.st_mode)), "no file")
    number = errno.EISDIR if kind == "a directory" else errno.EINVAL
    raise OSError(number, f"it is {kind}", str(path))


def _at_most(path: Path, file: FileIO, stated_bytes: int, most_bytes: int) -> bytes:
    """A stated size is a hint: files of the system state none, and one being written grows."""
    if stated_bytes > most_bytes:
        raise _too_large(path, most_bytes)
    parts, held, wanted = list[bytes](), 0, max(stated_bytes, 1)
    while part := file.read(wanted):
        parts.append(part)
        held += len(part)
        if held > most_bytes:
            raise _too_large(path, most_bytes)
        wanted = max(stated_bytes - held, min(_CHUNK, most_bytes + 1 - held))
    return parts[0] if len(parts) == 1 else b"".join(parts)


def _too_large(path: Path, most_bytes: int) -> OSError:
    return OSError(errno.EFBIG, f"larger than {most_bytes / 2**20:.4g} MiB", str(path))
