"""The bytes of a plain file, up to a limit; pipes, devices and folders are refused.

A session may come from elsewhere and name anything. Reading a pipe that nobody writes to would
wait for ever, and reading a device might never end. Both are refused before they are opened.
"""

from __future__ import annotations

import errno
import os
import stat
from io import FileIO
from pathlib import Path

_READ_BYTES = 1 << 20
_OTHER_KINDS = (
    (stat.S_ISDIR, "a directory"),
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def plain_file_bytes(path: Path, most_bytes: int) -> bytes:
    """All of a plain file, links followed. Never waits and never holds more than `most_bytes`.

    Raises FileNotFoundError where there is no file, IsADirectoryError for a folder, and else
    OSError: with errno EFBIG where the file is larger than `most_bytes`, and always with a
    `strerror` that can stand in a message.
    """
    try:
        _refuse_other_than_files(path, os.stat(path))
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        with FileIO(os.open(path, flags)) as file:
            state = os.fstat(file.fileno())
            _refuse_other_than_files(path, state)  # it may have been replaced meanwhile
            return _read_at_most(path, file, state.st_size, most_bytes)
    except NotADirectoryError:  # a file stands where a folder was expected
        raise FileNotFoundError(errno.ENOENT, "no such file", str(path)) from None
    except ValueError as error:  # a null character in the name
        raise OSError(errno.EINVAL, str(error), str(path)) from None


def _refuse_other_than_files(path: Path, state: os.stat_result) -> None:
    if stat.S_ISREG(state.st_mode):
        return
    kind = next((name for test, name in _OTHER_KINDS if test(state.st_mode)), "not a file")
    number = errno.EISDIR if kind == "a directory" else errno.EINVAL
    raise OSError(number, f"it is {kind}", str(path))


def _read_at_most(path: Path, file: FileIO, stated_bytes: int, most_bytes: int) -> bytes:
    """The stated size is only a hint: some system files state 0, and a file may still grow."""
    if stated_bytes > most_bytes:
        raise _file_too_large(path, most_bytes)
    parts, held, wanted = list[bytes](), 0, max(stated_bytes, 1)
    while part := file.read(wanted):
        parts.append(part)
        held += len(part)
        if held > most_bytes:
            raise _file_too_large(path, most_bytes)
        wanted = max(stated_bytes - held, min(_READ_BYTES, most_bytes + 1 - held))
    return parts[0] if len(parts) == 1 else b"".join(parts)


def _file_too_large(path: Path, most_bytes: int) -> OSError:
    return OSError(errno.EFBIG, f"larger than {most_bytes / 2**20:.4g} MiB", str(path))
