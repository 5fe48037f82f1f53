"""Everything that can go wrong, drawn as one tree; each branch has its own exit code.

    BatontraceError            1
    ├── UsageError             2   the command line asks for something impossible
    ├── InputError             3   something handed in is wrong
    │   ├── RecordingError     4   a track file
    │   ├── SessionError       5   session.toml, reps.csv
    │   └── VenueError         6   venue.geojson
    ├── NothingMeasured        7   everything was read, and no takeover could be measured
    └── OutputError            8   tables could not be written
        ├── DiskError          8   the disk refused: no room, or no right to write
        ├── FewerInputsError   8   the tables there rest on more than is there now, and are kept
        └── LockError          8   another run held the lock for too long

A message says where, what was found, what was expected and what to do, in that order.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator

DEFECT = 70  # the exit code of anything else: EX_SOFTWARE of sysexits.h


class BatontraceError(Exception):
    """A problem the user can understand and act on; never shown with a traceback."""

    exit_code = 1

    def __init__(
        self,
        where: object,
        found: str,
        expected: str = "",
        do: str = "",
        details: Iterable[str] = (),
    ) -> None:
        self.where, self.found, self.expected, self.do = str(where), found, expected, do
        self.details = tuple(details)
        super().__init__(self.where, found, expected, do, self.details)

    @property
    def lines(self) -> tuple[str, ...]:
        """The message, then each of the `details` that stand below it in a line of its own.

        A line break inside one of them is part of a word from outside, such as a file's name.
        """
        parts = [f"{self.where}: {self.found}"]
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.do:
            parts.append(self.do)
        return ("; ".join(parts), *self.details)

    def __str__(self) -> str:
        return "\n  ".join(self.lines)

    def message_from(self, folder: object) -> str:
        """The message with paths from `folder` (a path or a URL), for what is written down.

        The folders above a lake or a season may bear a person's name. So every way to write them
        is taken away: as given, in full, and with links followed.
        """
        text = str(self)
        for name, instead in _ways_to_name(str(folder)):
            text = re.sub(rf"(?<![\w./-]){re.escape(name)}[/{re.escape(os.sep)}]", instead, text)
        return text


def _ways_to_name(folder: str) -> Iterator[tuple[str, str]]:
    """A folder as messages may name it, the longest way first, and what stands for it and "/"."""
    if "://" in folder:
        yield folder.rstrip("/"), ""
        return
    full = {os.path.abspath(folder), os.path.realpath(folder)}
    for name in sorted({os.path.normpath(folder), *full}, key=len, reverse=True):
        if name.strip(f".{os.sep}"):  # paths from "." and ".." tell nothing of what is above them
            yield name, ""
    for name in sorted({os.path.dirname(name) for name in full}, key=len, reverse=True):
        if name.strip(os.sep):
            yield name, "../"


class UsageError(BatontraceError):
    exit_code = 2


class InputError(BatontraceError):
    exit_code = 3


class RecordingError(InputError):
    exit_code = 4


class SessionError(InputError):
    exit_code = 5


class VenueError(InputError):
    exit_code = 6


class NothingMeasured(BatontraceError):
    exit_code = 7


class OutputError(BatontraceError):
    exit_code = 8


class DiskError(OutputError):
    pass


class FewerInputsError(OutputError):
    pass


class LockError(OutputError):
    pass
