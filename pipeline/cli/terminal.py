"""How the command line speaks: tables and progress on a terminal, plain lines when piped.

Results go to standard output, everything about the run to standard error.
"""

from __future__ import annotations

import contextlib
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from pipeline.base.values import Progress


def survive_any_encoding() -> None:
    """Print '?' for signs that the terminal's encoding lacks; they would end the run otherwise."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def print_table(
    headings: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = ()
) -> None:
    """Print rows under their headings; columns whose index is in `right` end flush.

    On a terminal the table keeps to its width. In a pipe each row is one line, with two spaces or
    more between columns.
    """
    rows = [tuple(row) for row in rows]
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
    stream = stream or sys.stdout
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


def complain(text: str) -> None:
    """Print a problem to standard error."""
    say(f"batontrace: {text}", sys.stderr)


@contextlib.contextmanager
def progress_bar() -> Iterator[Progress | None]:
    """A callback (stage, done, of how many) that moves a bar on a terminal; None without one."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    # Steps of a season are minutes apart: the time left is told from all of them.
    with Bar(console=Console(stderr=True), transient=True, speed_estimate_period=86_400) as bar:
        task = bar.add_task("", total=None)

        def moved(stage: str, done: int, total: int) -> None:
            bar.update(task, description=stage, completed=done, total=total)

        yield moved


def value_with_error(value: float | None, sd: float | None, digits: int) -> str:
    """A value and its standard error, "3.25 ± 0.04"; "-" if they are not known."""
    if value is None or sd is None:
        return "-"
    return f"{value:.{digits}f} ± {sd:.{digits}f}"
