"""What each file of a session gave: a table where there is room, else a few words a file."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree as ET

from pipeline.language.phrases import phrase
from pipeline.show.column_words import column_word
from pipeline.show.markup import Child, element, html_table, outside_name, say_roles, table_row
from pipeline.show.page.sheet_lines import table_sentences
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import decimal

_FILE_FIGURES = (  # columns with a number, and its decimals
    ("rate_hz", 1),
    ("clock_sd_s", 3),
    ("position_noise_m", 2),
    ("speed_noise_mps", 2),
)
_NOT_KNOWN = "–"


def recordings_section(rows: Sequence[LakeRow]) -> ET.Element | None:
    """The session's files; None where there are none. `rows` are those of `recordings`."""
    if not rows:
        return None
    heads = (
        phrase("runner"),
        phrase("file"),
        phrase("sensor"),
        phrase("clock by"),
        phrase("rate, Hz"),
        phrase("clock ±, s"),
        phrase("position noise, m"),
        phrase("speed noise, m/s"),
        phrase("dropped"),
        phrase("remarks"),
    )
    caption = phrase("What each file gave. Noise is the standard deviation of one fix.")
    given = html_table("recordings", heads, map(_recording_line, rows), caption)
    say_roles(given)
    return element(
        "section",
        {"id": "files", "aria-labelledby": "files-head"},
        element("h2", {"id": "files-head"}, phrase("Recordings")),
        given,
    )


def _recording_line(own: LakeRow) -> ET.Element:
    dropped = own["dropped_samples"]
    figures = [
        _NOT_KNOWN
        if own[column] is None
        else _in_sentence(_folded_sentence(column), decimal(own[column], digits))
        for column, digits in _FILE_FIGURES
    ]
    sensor = column_word("sensor", own["sensor"]) if own["sensor"] else None
    cells: list[Child] = [
        _in_sentence(": {value}", outside_name(own["file"])),
        _NOT_KNOWN if sensor is None else _in_sentence(", {value}", sensor),
        _in_sentence(_folded_sentence("clock_basis"), column_word("clock by", own["clock_basis"])),
        *figures,
        _in_sentence(_folded_sentence("dropped_samples"), str(dropped)) if dropped else _NOT_KNOWN,
        table_sentences(own["remarks"]) if own["remarks"] else _NOT_KNOWN,
    ]
    row = table_row([outside_name(own["runner"])], cells)
    for cell in row.iter("td"):
        if cell.text == _NOT_KNOWN:
            cell.set("class", "not-known")  # not worth a word where the row is folded
    return row


def _folded_sentence(column: str) -> str:
    """What is said of a column where the row is folded and has no heads, round its `{value}`."""
    return {
        "clock_basis": phrase(", clock by {value}"),
        "rate_hz": phrase(", {value}\u00a0Hz"),
        "clock_sd_s": phrase(", clock known to ±\u00a0{value}\u00a0s"),
        "position_noise_m": phrase(", position noise {value}\u00a0m"),
        "speed_noise_mps": phrase(", speed noise {value}\u00a0m/s"),
        "dropped_samples": phrase(", {value} samples dropped"),
    }[column]


def _in_sentence(sentence: str, value: Child) -> ET.Element:
    """A value, and the words of its sentence before and after it, which stand there where the row
    is folded."""
    before, after = sentence.split("{value}")
    around = [element("span", {"class": "folded"}, words) for words in (before, after)]
    return element("span", {}, around[0], value, around[1] if after else None)
