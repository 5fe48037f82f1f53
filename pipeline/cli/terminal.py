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
import io
import json
import math
import os
import re
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, TextIO, cast

from pipeline.errors import InputError
from pipeline.language.numbers import localised, number
from pipeline.language.phrases import phrase, phrase_of, reworded

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
        self._has_minus = True
        try:
            "\N{MINUS SIGN}".encode(getattr(self.stream, "encoding", None) or "utf-8")
        except UnicodeEncodeError:
            self._has_minus = False

    def write(self, text: str) -> int:
        # A minus that became '?' would leave a wrong figure.
        self._try(
            self.stream.write, text if self._has_minus else text.replace("\N{MINUS SIGN}", "-")
        )
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

LINE_CELLS = 80  # where no terminal says otherwise; the variable COLUMNS does anywhere
LEAST_CELLS = 20
SPACING = 2  # between columns
SOME = 5  # of a list that may be long
WORD_CELLS = 24  # a longer word in a table may be folded where room is short


def line_cells() -> int:
    """How many cells a line of standard output has."""
    return max(shutil.get_terminal_size((LINE_CELLS, 24)).columns, LEAST_CELLS)


def print_table(
    headings: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = ()
) -> None:
    """Print rows under their headings, within the line; columns whose index is in `right` end
    flush.

    Where room is short headings fold, then words, but never figures: a folded figure reads as two.
    Where even that is too wide, each row becomes a list of what it holds.
    """
    if not _in_force.get().has_words:
        return
    rows = [tuple(map(show_unseen, row)) for row in rows]
    widths = _column_widths(list(zip(headings, *rows, strict=True)), right)
    if widths is not None:
        _print_grid(headings, rows, right, widths)
        return
    for row in rows:
        cells = zip(headings, row, strict=True)
        held = (
            phrase_of("cell", "{heading}: {value}", heading=heading, value=cell)
            if heading
            else cell
            for heading, cell in cells
            if cell
        )
        _print_folded("; ".join(held), "", "    ")


def _column_widths(columns: Sequence[Sequence[str]], right: Sequence[int]) -> list[int] | None:
    """The cells of each column, so that all fit the line; None where they cannot."""
    from rich.cells import cell_len

    widths = [max(map(cell_len, column)) for column in columns]
    least = [
        max(map(cell_len, (*heading.split(), *cells)), default=0)
        if index in right
        else min(width, _longest_word((heading, *cells)), WORD_CELLS)
        for index, ((heading, *cells), width) in enumerate(zip(columns, widths, strict=True))
    ]
    over = sum(widths) + SPACING * (len(columns) - 1) - line_cells()
    figures = [index for index in range(len(columns)) if index in right]
    words = [index for index in range(len(columns)) if index not in right]
    for indices in (figures, words):  # a heading that folds costs a line, words one in each row
        while over > 0 and (loose := [k for k in indices if widths[k] > least[k]]):
            widths[max(loose, key=lambda k: widths[k])] -= 1
            over -= 1
    return widths if over <= 0 else None


def _longest_word(column: Iterable[str]) -> int:
    from rich.cells import cell_len

    return max((cell_len(word) for text in column for word in text.split()), default=1)


def _print_grid(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    right: Sequence[int],
    widths: Sequence[int],
) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    on_screen = sys.stdout.isatty()
    grid = Table(
        box=box.SIMPLE_HEAD if on_screen else None,
        show_edge=False,
        pad_edge=False,
        padding=(0, SPACING - on_screen, 0, 0),
        header_style="table.header" if on_screen else "",
    )
    for index, heading in enumerate(headings):
        width = widths[index]
        grid.add_column(
            Text("\n".join(textwrap.wrap(heading, max(width, 1)))),
            justify="right" if index in right else "left",
            overflow="fold",
            width=width,
        )
    for row in rows:
        grid.add_row(*map(Text, row))
    if on_screen:
        Console(width=line_cells()).print(grid)
        return
    lines = io.StringIO()
    Console(file=lines, width=line_cells(), color_system=None, force_terminal=False).print(grid)
    for line in lines.getvalue().splitlines():
        print(line.rstrip())


def say(text: str = "", stream: TextIO | None = None) -> None:
    """Print a paragraph, folded at the line's end. On standard error it is one line where no
    terminal shows it, as in a log."""
    if stream is None:
        if _in_force.get().has_words:
            _print_folded(show_unseen(text))
    elif stream.isatty():
        _print_folded(show_unseen(text), stream=stream)
    else:
        print(show_unseen(text), file=stream)


def print_list(title: str, items: Iterable[str], most: int | None = None) -> None:
    """Print a titled list; nothing if it is empty. Of a long one the first `most`, and how many
    there are besides, unless it is wanted whole (--long)."""
    items = list(items)
    if not (items and _in_force.get().has_words):
        return
    shown = items if most is None or is_long() or len(items) <= most + 1 else items[:most]
    say(phrase("{heading}:", heading=title))
    for item in shown:
        _print_folded(show_unseen(item), "  - ", "    ")
    if len(shown) < len(items):
        more = phrase("--long shows {count} more", count=len(items) - len(shown))
        _print_folded(more, "  ", "    ")


def _print_folded(text: str, first: str = "", rest: str = "", stream: TextIO | None = None) -> None:
    for line in folded(text, line_cells(), first, rest):
        print(line, file=stream or sys.stdout)


def folded(text: str, cells: int, first: str = "", rest: str = "") -> list[str]:
    """A paragraph as lines of so many cells at most, which begin with `first` and `rest`.

    A path that is longer stands alone on its line, whole, so that it can be copied.
    """
    from rich.cells import cell_len, chop_cells

    start = text[: len(text) - len(text.lstrip(" "))]
    rest = f"{rest}{start}"
    lines = [f"{first}{start}"]
    is_empty = True
    for word in text.split(" ") if not start else text.lstrip(" ").split(" "):
        pieces = [word]
        if cell_len(word) > cells - len(rest) and not re.search(r"[/\\]", word):
            pieces = chop_cells(word, cells - len(rest)) or [word]
        for piece in pieces:
            if not is_empty and cell_len(f"{lines[-1]} {piece}") > cells:
                lines.append(f"{rest}{piece}")
            else:
                lines[-1] += piece if is_empty else f" {piece}"
            is_empty = False
    return [line.rstrip(" ") for line in lines]


def reason_in_words(error: Exception) -> str:
    """Why the system refused, without the path that Python puts beside it."""
    return reworded((error.strerror if isinstance(error, OSError) else None) or str(error))


# What systems say; the catalogue's tool reads it here.
SYSTEM_SENTENCES = (
    "No such file or directory",
    "Permission denied",
    "Is a directory",
    "Not a directory",
    "No space left on device",
    "Read-only file system",
    "File name too long",
    "Too many levels of symbolic links",
    "Disk quota exceeded",
    "Input/output error",
)


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


YES, NO = ("y", "yes", "j", "ja", "o", "oui"), ("n", "no", "nein", "non")  # in any language


def confirm(text: str) -> bool:
    """Ask a question on standard error; whether the answer from standard input is yes."""
    while True:
        say(phrase("{question} [y/n]", question=text), sys.stderr)
        answer = read_line(100)
        if answer is None:
            return False
        if answer.strip().casefold() in (*YES, *NO):
            return answer.strip().casefold() in YES


# --- problems --------------------------------------------------------------------------


def complain(text: str) -> None:
    """Print a problem to standard error."""
    say(f"batontrace: {text}", sys.stderr)


def complain_of(error: BatontraceError) -> None:
    """Print an error and what stands below it to standard error."""
    complain(error_in_words(error))
    for line in error.lines[1:]:
        say(f"  {reworded(line)}", sys.stderr)


def error_in_words(error: BatontraceError) -> str:
    """An error's first line: where, what was found, what was expected, what to do."""
    where, found, expected, do = map(reworded, (error.where, error.found, error.expected, error.do))
    if expected and do:
        return phrase(
            "{where}: {found}; expected {expected}; {do}",
            where=where, found=found, expected=expected, do=do,
        )  # fmt: skip
    if expected:
        return phrase(
            "{where}: {found}; expected {expected}", where=where, found=found, expected=expected
        )
    if do:
        return phrase("{where}: {found}; {do}", where=where, found=found, do=do)
    return phrase("{where}: {found}", where=where, found=found)


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
            bar.update(
                task, description=show_unseen(reworded(stage)), completed=done, total=total or None
            )

        yield moved


@contextlib.contextmanager
def at_work(stage: str) -> Iterator[Progress | None]:
    """A bar that moves while work goes on of which nobody knows yet how long it takes; gives what
    moves it further."""
    with progress_bar() as progress:
        if progress is not None:
            progress(stage, 0, 0)
        yield progress


def value_with_error(value: float | None, sd: float | None, digits: int) -> str:
    """A value and its standard error, "3.25 ± 0.04"; "-" if they are not known."""
    if value is None or sd is None:
        return "-"
    return f"{number(value, digits)} ± {number(sd, digits)}"


def signed(value: float, digits: int) -> str:
    """A number with + or a true minus; no sign before a 0."""
    text = f"{value:+.{digits}f}"
    return localised(text if float(text) else text[1:])


def pair_words(incoming: str, outgoing: str) -> str:
    """A pair of runners, the incoming one first."""
    return phrase_of("pair", "{incoming} to {outgoing}", incoming=incoming, outgoing=outgoing)


def leg_words(leg: int | None) -> str:
    """A leg of a race, or all of them together (0, None)."""
    return phrase("leg {leg}", leg=leg) if leg else phrase_of("legs", "all")
