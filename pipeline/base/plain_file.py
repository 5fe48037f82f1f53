"""A plain file, read up to a limit; pipes, devices and folders are refused.

A session may come from elsewhere and name anything. Reading a pipe that nobody writes to would
wait for ever, and reading a device might never end. Both are refused before they are opened, and
so is a file that is larger than the caller expects, however little of it the disk holds.

`plain_file_bytes(path, most_bytes)` gives the bytes, `plain_file_sha256(path, most_bytes)` their
hash without holding them, and `open_plain_file(path)` the open file for anything else.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
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

    Raises what `open_plain_file` raises, and OSError with errno EFBIG where the file is larger
    than `most_bytes`.
    """
    with open_plain_file(path) as file:
        parts = list(_file_parts(path, file, most_bytes))
    return parts[0] if len(parts) == 1 else b"".join(parts)


def plain_file_sha256(path: Path, most_bytes: int) -> str:
    """The SHA-256 of a plain file's bytes in hexadecimal digits, links followed.

    Never waits, and never reads more than `most_bytes`: a larger file is refused by its stated
    size before any of it is read. Raises what `plain_file_bytes` raises.
    """
    digest = hashlib.sha256()
    with open_plain_file(path) as file:
        for part in _file_parts(path, file, most_bytes, largest_part_bytes=_READ_BYTES):
            digest.update(part)
    return digest.hexdigest()


@contextmanager
def open_plain_file(path: Path) -> Iterator[FileIO]:
    """A plain file, open for reading, links followed. Never waits.

    Raises FileNotFoundError where there is no file, IsADirectoryError for a folder, and else
    OSError, always with a `strerror` that can stand in a message.
    """
    try:
        _refuse_other_than_files(path, os.stat(path))
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        file = FileIO(os.open(path, flags))
    except NotADirectoryError:  # a file stands where a folder was expected
        raise FileNotFoundError(errno.ENOENT, "no such file", str(path)) from None
    except ValueError as error:  # a null character in the name, or a name that is no UTF-8
        raise OSError(errno.EINVAL, str(error), str(path)) from None
    with file:
        # What was looked at may have been replaced meanwhile.
        _refuse_other_than_files(path, os.fstat(file.fileno()))
        yield file


def _refuse_other_than_files(path: Path, state: os.stat_result) -> None:
    if stat.S_ISREG(state.st_mode):
        return
    kind = next((name for test, name in _OTHER_KINDS if test(state.st_mode)), "not a file")
    number = errno.EISDIR if kind == "a directory" else errno.EINVAL
    raise OSError(number, f"it is {kind}", str(path))


def _file_parts(
    path: Path, file: FileIO, most_bytes: int, largest_part_bytes: int | None = None
) -> Iterator[bytes]:
    """The file's bytes, in one part where it is as long as it says and no limit is given.

    The stated size is only a hint: some system files state 0, and a file may still grow.
    """
    stated_bytes = os.fstat(file.fileno()).st_size
    if stated_bytes > most_bytes:
        raise _file_too_large(path, most_bytes)
    given, wanted = 0, max(stated_bytes, 1)
    while part := file.read(min(wanted, largest_part_bytes or wanted)):
        given += len(part)
        if given > most_bytes:
            raise _file_too_large(path, most_bytes)
        yield part
        wanted = max(stated_bytes - given, min(_READ_BYTES, most_bytes + 1 - given))


def _file_too_large(path: Path, most_bytes: int) -> OSError:
    return OSError(errno.EFBIG, f"larger than {most_bytes / 2**20:.4g} MiB", str(path))
