"""How the command line speaks: tables and progress on a terminal, plain lines when piped.

Results go to standard output, everything about the run to standard error. Whatever is printed goes
through `show_unseen`, since ids, file names and remarks come from outside, and a terminal obeys
the control characters in them.

A command says its result in words (`say`, `print_table`, `print_list`) and gives it as values
(`give`). With `--json` the words are silent and the values are printed, with `--quiet` neither is:
no command has to ask which.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import sys
import textwrap
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, TextIO, cast

from pipeline.errors import InputError

if TYPE_CHECKING:
    from pipeline.base.values import Progress
    from pipeline.errors import BatontraceError

# Unicode's categories of characters that act unseen: controls, format characters (which turn the
# direction of writing, or join), lone surrogates (bytes that are no UTF-8), line breaks.
UNSEEN_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
# Letters and marks that show nothing: joiner, fillers, inherent vowels, blank Braille.
UNSEEN_LETTERS = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0")


def show_unseen(text: str) -> str:
    r"""The text with characters that act unseen written out, a line break as \n, say."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        char.encode("unicode_escape").decode("ascii")
        if char in UNSEEN_LETTERS or unicodedata.category(char) in UNSEEN_CATEGORIES
        else char
        for char in text
    )


# --- how results are told --------------------------------------------------------------


@dataclass(frozen=True)
class Manner:
    """How a command tells its result, as its options ask for."""

    quiet: bool = False  # errors alone
    as_json: bool = False  # one JSON document on standard output, and no words there
    long: bool = False  # lists whole, and all columns

    @property
    def has_words(self) -> bool:
        return not (self.quiet or self.as_json)


_in_force: ContextVar[Manner] = ContextVar("manner", default=Manner())  # noqa: B039 - it is frozen


@contextlib.contextmanager
def telling(manner: Manner) -> Iterator[None]:
    """Puts a manner in force within a `with` block."""
    token = _in_force.set(manner)
    try:
        yield
    finally:
        _in_force.reset(token)


def is_long() -> bool:
    """Whether lists are wanted whole (--long)."""
    return _in_force.get().long


def give(result: Mapping[str, Any]) -> None:
    """Print a command's result as one JSON document where --json asks for it; nothing otherwise.

    Keys are English, those of tables their columns' names; times are UTC in ISO 8601; what is not
    known is null. A command gives once, when its work is done.
    """
    if _in_force.get().as_json:
        print(json.dumps(_plain_value(result), indent=1))  # ASCII: no terminal obeys any of it


def _plain_value(value: Any) -> Any:
    """A value as JSON has it: no number that is none, times as text."""
    if isinstance(value, Mapping):
        return {str(key): _plain_value(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain_value(one) for one in value]
    if hasattr(value, "to_pylist"):  # a table
        return _plain_value(value.to_pylist())
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if value is None or isinstance(value, bool | int):
        return value
    return value.isoformat() if isinstance(value, date) else str(value)


# --- streams ---------------------------------------------------------------------------


class LenientStream:
    """A stream that never ends the run: what it cannot take is dropped, and `failure` says why."""

    def __init__(self, stream: TextIO | None) -> None:
        # Python has None where the caller closed the stream.
        self.stream = stream or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        self.failure: Exception | None = None
        reconfigure = getattr(self.stream, "reconfigure", None)
        if reconfigure is not None:  # '?' for signs that the encoding lacks
            reconfigure(errors="replace")

    def write(self, text: str) -> int:
        self._try(self.stream.write, text)
        return len(text)

    def flush(self) -> None:
        self._try(self.stream.flush)

    def _try(self, act: Any, *arguments: str) -> None:
        if self.failure is None:
            try:
                act(*arguments)
            except (OSError, ValueError) as error:  # ValueError: the stream was closed
                self.failure = error

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)

    def drop_the_rest(self) -> None:
        """Let what a failed stream still holds vanish, else Python complains of it at its end."""
        if self.failure is not None:
            with contextlib.suppress(OSError, ValueError, AttributeError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), self.stream.fileno())


@contextlib.contextmanager
def lenient_streams() -> Iterator[LenientStream]:
    """Standard output and error as streams that never end the run; gives the first of them.

    Bytes of standard input that are no text come as lone surrogates, which `read_line` passes on.
    """
    keep_standard_streams_apart()
    reconfigure = getattr(sys.stdin, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="surrogateescape")
    former = sys.stdout, sys.stderr
    out, err = LenientStream(sys.stdout), LenientStream(sys.stderr)
    sys.stdout, sys.stderr = cast(TextIO, out), cast(TextIO, err)
    try:
        yield out
    finally:
        sys.stdout, sys.stderr = former
        for stream in (out, err):
            stream.flush()
            stream.drop_the_rest()


def keep_standard_streams_apart() -> None:
    """Open what the caller has closed of the first three file descriptors: the next file opened
    would have its number otherwise, and be taken for standard output."""
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(number)


# --- what is printed -------------------------------------------------------------------


def print_table(
    headings: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = ()
) -> None:
    """Print rows under their headings; columns whose index is in `right` end flush.

    On a terminal the table keeps to its width. In a pipe each row is one line, with two spaces or
    more between columns.
    """
    if not _in_force.get().has_words:
        return
    rows = [tuple(map(show_unseen, row)) for row in rows]
    if sys.stdout.isatty():
        _print_boxed(headings, rows, right)
        return
    widths = [max(map(len, column)) for column in zip(headings, *rows, strict=True)]
    for row in (tuple(headings), *rows):
        cells = [
            cell.rjust(width) if index in right else cell.ljust(width)
            for index, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        print("  ".join(cells).rstrip())


def _print_boxed(
    headings: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int]
) -> None:
    """Print the table in the terminal's width.

    Headings fold to the width of what stands below them. Figures fold only where there is no other
    way to leave room for words, since a folded figure reads as two.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    grid = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    widths, least = [], 0
    for index, (heading, *cells) in enumerate(zip(headings, *rows, strict=True)):
        words = [len(word) for text in (heading, *cells) for word in text.split()]
        longest = max(map(len, heading.split()), default=0)
        full = max([longest, *map(len, cells)])
        widths.append(full)
        least += (full if index in right else min(full, max([*words, 1]), 12)) + 2
    for index, heading in enumerate(headings):
        flush, whole = index in right, least <= console.width
        grid.add_column(
            "\n".join(textwrap.wrap(heading, widths[index])) if flush and whole else heading,
            justify="right" if flush else "left",
            overflow="fold",
            no_wrap=flush and whole,
        )
    for row in rows:
        grid.add_row(*(Text(cell) for cell in row))
    console.print(grid)


def say(text: str = "", stream: TextIO | None = None) -> None:
    """Print a paragraph: folded at the width of a terminal, one line when piped."""
    if stream is None and not _in_force.get().has_words:
        return
    stream = stream or sys.stdout
    text = show_unseen(text)
    if stream.isatty():
        from rich.console import Console
        from rich.text import Text

        Console(file=stream).print(Text(text))
    else:
        print(text, file=stream)


def print_list(title: str, items: Iterable[str]) -> None:
    """Print a titled list; nothing if it is empty."""
    items = list(items)
    if items:
        say(f"{title}:")
        for item in items:
            say(f"  - {item}")


def reason_in_words(error: Exception) -> str:
    """Why the system refused, without the path that Python puts beside it."""
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


# --- what is typed ---------------------------------------------------------------------


def is_answered() -> bool:
    """Whether somebody sits at standard input who can be asked."""
    return sys.stdin is not None and sys.stdin.isatty()


def read_line(most: int) -> str | None:
    """The next line of standard input, without its end; None where there is no more.

    Of a line that is longer than `most` characters only the beginning, one character more than
    that. Raises InputError where standard input cannot be read.
    """
    try:
        line = "" if sys.stdin is None else sys.stdin.readline(most + 1)
        rest = line
        while rest and not rest.endswith("\n"):
            rest = sys.stdin.readline(most + 1)
    except (OSError, ValueError) as error:  # ValueError: it is closed
        found = f"cannot be read ({reason_in_words(error)})"
        raise InputError("standard input", found, "lines of text") from None
    return line.rstrip("\r\n") if line else None


def confirm(text: str) -> bool:
    """Ask a question on standard error; whether the answer from standard input is yes."""
    while True:
        say(f"{text} [y/n]", sys.stderr)
        answer = read_line(100)
        if answer is None:
            return False
        if answer.strip().casefold() in ("y", "yes", "n", "no"):
            return answer.strip().casefold().startswith("y")


# --- problems --------------------------------------------------------------------------


def complain(text: str) -> None:
    """Print a problem to standard error."""
    say(f"batontrace: {text}", sys.stderr)


def complain_of(error: BatontraceError) -> None:
    """Print an error and what stands below it to standard error."""
    complain(error.lines[0])
    for line in error.lines[1:]:
        say(f"  {line}", sys.stderr)


@contextlib.contextmanager
def progress_bar() -> Iterator[Progress | None]:
    """A callback (stage, done, of how many) that moves a bar on a terminal; None without one, and
    where only values or nothing is wanted."""
    if not (sys.stderr.isatty() and _in_force.get().has_words):
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress as Bar
    from rich.progress import TextColumn

    stage_column = TextColumn("{task.description}", markup=False)  # it may hold a file's name
    # Steps of a season are minutes apart: the time left is told from all of them.
    with Bar(
        stage_column,
        *Bar.get_default_columns()[1:],
        console=Console(stderr=True),
        transient=True,
        speed_estimate_period=86_400,
    ) as bar:
        task = bar.add_task("", total=None)

        def moved(stage: str, done: int, total: int) -> None:
            bar.update(task, description=show_unseen(stage), completed=done, total=total)

        yield moved


def value_with_error(value: float | None, sd: float | None, digits: int) -> str:
    """A value and its standard error, "3.25 ± 0.04"; "-" if they are not known."""
    if value is None or sd is None:
        return "-"
    return f"{value:.{digits}f} ± {sd:.{digits}f}"
