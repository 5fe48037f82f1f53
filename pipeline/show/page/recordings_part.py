"""What each file of a session gave: a table where there is room, else a few words a file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from pipeline.show.markup import Child, element, html_table, outside_name, say_roles, table_row
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import NBSP, decimal


@dataclass(frozen=True, slots=True)
class _FileFigure:
    """A column with a number: its head, and what stands before and after the number where the row
    is folded and has no head."""

    head: str
    column: str
    digits: int
    before: str
    after: str


_FILE_FIGURES = (
    _FileFigure("rate, Hz", "rate_hz", 1, ", ", f"{NBSP}Hz"),
    _FileFigure("clock ±, s", "clock_sd_s", 3, f", clock known to ±{NBSP}", f"{NBSP}s"),
    _FileFigure("position noise, m", "position_noise_m", 2, ", position noise ", f"{NBSP}m"),
    _FileFigure("speed noise, m/s", "speed_noise_mps", 2, ", speed noise ", f"{NBSP}m/s"),
)
_NOT_KNOWN = "–"


def recordings_section(rows: Sequence[LakeRow]) -> ET.Element | None:
    """The session's files; None where there are none. `rows` are those of `recordings`."""
    if not rows:
        return None
    figures = (one.head for one in _FILE_FIGURES)
    heads = ("runner", "file", "sensor", "clock by", *figures, "dropped", "remarks")
    caption = "What each file gave. Noise is the standard deviation of one fix."
    given = html_table("recordings", heads, map(_recording_line, rows), caption)
    say_roles(given)
    return element(
        "section",
        {"id": "files", "aria-labelledby": "files-head"},
        element("h2", {"id": "files-head"}, "Recordings"),
        given,
    )


def _recording_line(own: LakeRow) -> ET.Element:
    dropped = str(own["dropped_samples"] or _NOT_KNOWN)
    cells: list[Child] = [
        _in_words(": ", outside_name(own["file"]), ""),
        _in_words(", ", own["sensor"], "") if own["sensor"] else _NOT_KNOWN,
        _in_words(", clock by ", own["clock_basis"], ""),
        *(_figure_cell(one, own[one.column]) for one in _FILE_FIGURES),
        dropped if dropped == _NOT_KNOWN else _in_words(", ", dropped, " samples dropped"),
        outside_name("; ".join(own["remarks"])) if own["remarks"] else _NOT_KNOWN,
    ]
    row = table_row([outside_name(own["runner"])], cells)
    for cell in row.iter("td"):
        if cell.text == _NOT_KNOWN:
            cell.set("class", "not-known")  # not worth a word where the row is folded
    return row


def _figure_cell(what: _FileFigure, value: float | None) -> Child:
    if value is None:
        return _NOT_KNOWN
    return _in_words(what.before, decimal(value, what.digits), what.after)


def _in_words(before: str, value: Child, after: str) -> ET.Element:
    """A value, and the words round it that stand there where the row is folded."""
    around = [element("span", {"class": "folded"}, words) for words in (before, after)]
    return element("span", {}, around[0], value, around[1] if after else None)
