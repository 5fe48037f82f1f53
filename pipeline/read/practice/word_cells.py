"""The cells of a practice sheet's row that hold a word: what kind of run it was, and how it was
handed over.

People's plain words are understood, and nothing is guessed: another word is passed over with a
remark. Where that word, or an effort, would have said whether the row counts for advice, the row
does not.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple, cast

from pipeline.base.asking import either, nearest
from pipeline.base.values import Drill, Hand, Technique, Use
from pipeline.read.practice.csv_cells import parse_decimal, quoted_cell
from pipeline.read.practice.sheet_cells import CELL_RANGES, PASSED_OVER, number_cell

# What people write, by what it means; the first word of each is the sheet's own.
_FULL_SPEED = ("full", "full speed", "max", "all out", "race pace")
WORD_CELLS: dict[str, dict[str, tuple[str, ...]]] = {
    "drill": {
        "": ("none", "no", "takeover", *_FULL_SPEED),  # a takeover at speed, as a blank cell
        "build-up": ("build up", "build ups", "buildup", "buildups", "build"),
        "standing": ("standing", "stand", "stationary", "static"),
        "jog": ("jog", "jogs", "jogging", "jogged"),
        "rotation": ("rotation", "rotations", "rotate", "rotating"),
    },
    "use": {
        "yes": ("yes", "y", "true", "1", "ja", "oui"),
        "no": ("no", "n", "false", "0", "nein", "non", "not", "never", "do not use"),
    },
    "technique": {
        "upsweep": ("upsweep", "up sweep", "up"),
        "downsweep": ("downsweep", "down sweep", "down"),
        "push": ("push", "push pass", "pushing", "push forward"),
    },
    "hand": {
        "left": ("left", "l", "left hand", "lh"),
        "right": ("right", "r", "right hand", "rh"),
    },
}
_MAY_MEAN = {  # words of which nobody can tell what they mean there
    ("drill", "easy"): '"build-up" (a takeover below full speed) or "jog"',
    ("drill", "slow"): '"build-up" (a takeover below full speed) or "jog"',
    ("drill", "walk"): '"standing" or "jog"',
    ("drill", "walking"): '"standing" or "jog"',
    ("use", "x"): '"yes" or "no"',
    ("effort", "easy"): 'a number such as 70, or "build-up" in the column drill',
    ("effort", "build up"): '"build-up" in the column drill',
    ("effort", "jog"): '"jog" in the column drill',
}
_DASHES = ("-", "--", "\u2013", "\u2014")  # nothing to say, as a blank cell
_LEAST_LIKELY_EFFORT = 10.0  # per cent; slower than a walk
_LONGEST_WORD = 20  # characters; a longer one is a sentence
_KMH_PER_MPS = 3.6
_NOT_USED = "the row is not used for advice"


class RunKind(NamedTuple):
    """What a row says of how it was run, as in Rep."""

    effort: float | None
    drill: Drill | None
    use: Use | None


def plain_words(text: str) -> str:
    """The text in small letters, its words parted by one space each."""
    spaced = re.sub(r"[\W_]+", " ", unicodedata.normalize("NFKC", text).casefold())
    return spaced.strip()


@lru_cache(maxsize=1000)
def meaning_of_word(column: str, text: str) -> str | None:
    """What a word of one of WORD_CELLS means; "" for a drill that is none, None if not known."""
    plain = plain_words(text)
    for value, words in WORD_CELLS[column].items():
        if plain in words:
            return value
    return None


def _cell_text(cells: Mapping[str, str], column: str) -> str:
    """What the cell says; "" for a dash, which says nothing."""
    text = cells.get(column, "")
    return "" if text in _DASHES else text


def run_kind_of_cells(cells: Mapping[str, str], remarks: list[str]) -> RunKind:
    """Effort, drill and use. A word or a number that cannot be read means no use for advice."""
    effort, effort_is_known = _effort_of_cell(cells, remarks)
    drill, drill_is_known = _word_of_cell(cells, "drill", remarks, _NOT_USED)
    use, use_is_known = _word_of_cell(cells, "use", remarks, _NOT_USED)
    if not (drill_is_known and use_is_known) or (not effort_is_known and use != "yes"):
        use = "no"
    return RunKind(effort, cast("Drill | None", drill or None), cast("Use | None", use))


def technique_of_cell(cells: Mapping[str, str], remarks: list[str]) -> Technique | None:
    """How the baton was handed over; None where that is not said."""
    return cast("Technique | None", _word_of_cell(cells, "technique", remarks, PASSED_OVER)[0])


def hand_of_cell(cells: Mapping[str, str], remarks: list[str]) -> Hand | None:
    """The receiving hand; None where that is not said."""
    return cast("Hand | None", _word_of_cell(cells, "hand", remarks, PASSED_OVER)[0])


def wind_of_cell(cells: Mapping[str, str], remarks: list[str]) -> float | None:
    """The wind along the zone [m/s], positive from behind; None where that is not said."""
    text = _cell_text(cells, "wind_mps")
    if not text:
        return None
    if found := re.fullmatch(r"([+-]?\d+(?:[.,]\d*)?)\s*km/?h", text.replace("\u2212", "-")):
        mps = parse_decimal(found[1]) / _KMH_PER_MPS
        remarks.append(
            f"wind_mps: {quoted_cell(text)} is not in metres a second; did you mean {mps:+.1f}? "
            f"{PASSED_OVER}"
        )
        return None
    return number_cell(cells, "wind_mps", CELL_RANGES["wind_mps"], remarks)


def _word_of_cell(
    cells: Mapping[str, str], column: str, remarks: list[str], consequence: str
) -> tuple[str | None, bool]:
    """What the column's word means, None where it is blank, and whether it could be read."""
    text = _cell_text(cells, column)
    if not text:
        return None, True
    found = meaning_of_word(column, text)
    if found is None:
        remarks.append(f"{_what_it_may_mean(column, text)}; {consequence}")
    return found, found is not None


@lru_cache(maxsize=1000)
def _what_it_may_mean(column: str, text: str) -> str:
    """What the word may mean, as a remark on its cell."""
    plain, shown = plain_words(text), quoted_cell(text)
    if (column, plain) in _MAY_MEAN:
        return f"{column}: {shown} may mean {_MAY_MEAN[column, plain]}"
    values = [value for value in WORD_CELLS[column] if value]
    words = {word: value for value, own in WORD_CELLS[column].items() if value for word in own}
    near = nearest(plain, words) if len(plain) <= _LONGEST_WORD else None
    if near is not None:
        return f'{column}: {shown} is not known; did you mean "{words[near]}"?'
    return f"{column}: {shown} is not known; expected {either(values)}"


def _effort_of_cell(cells: Mapping[str, str], remarks: list[str]) -> tuple[float | None, bool]:
    """Per cent of full speed, None where it is blank, and whether it could be read."""
    text = _cell_text(cells, "effort")
    if not text:
        return None, True
    plain = plain_words(text)
    if plain in _FULL_SPEED:
        return 100.0, True
    if ("effort", plain) in _MAY_MEAN:
        remarks.append(
            f"effort: {quoted_cell(text)} may mean {_MAY_MEAN['effort', plain]}; {_NOT_USED}"
        )
        return None, False
    value = number_cell(
        cells, "effort", CELL_RANGES["effort"], remarks, otherwise=_not_used_for_effort
    )
    if value is None:
        return None, False
    if value < _LEAST_LIKELY_EFFORT:
        remarks.append(
            f"effort: {quoted_cell(text)} is taken as {value:g} % of full speed, slower than a "
            "walk; a blank cell is full speed"
        )
    return value, True


def _not_used_for_effort(text: str) -> str:
    likely = _likely_effort(text)
    return f"did you mean {likely}? {_NOT_USED}" if likely else _NOT_USED


def _likely_effort(text: str) -> str:
    """The number that was probably meant by one that is out of range; "" where none is."""
    if re.fullmatch(r"0?[.,]\d+", text):
        return f"{100.0 * parse_decimal(text):g}"
    return "100" if re.fullmatch(r"1\d\d\s*%?", text) else ""
