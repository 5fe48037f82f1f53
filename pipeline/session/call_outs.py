"""What somebody calls out beside the track, understood as cells of the practice sheet.

    rep 9 wren to jay zone 2 mark 27 feet
    rep 7 pass 21 m
    8 dropped
    7 note legs heavy
    9 build-up effort 80 wind +1.2
    9 rotation finch to robin
    9 do not use

A rep's number comes first. A number belongs to the name before it, words that belong to nothing are
a note, and so is everything after `note`. Words of how it was run stand by themselves (`build-up`)
or after their column's name (`drill build-up`); beside words of a note they may be part of it.
What is nearly right is understood as it was probably meant, and `guessed` says so: whoever hears
the call-out asks back before it is stored.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, cast

from pipeline.base.asking import either, nearest, one_of
from pipeline.base.values import Drill, Race, Runner
from pipeline.base.words import MARK_FROM_FEET
from pipeline.errors import UsageError
from pipeline.read.practice.dates import moment_of_cell
from pipeline.read.practice.race_cells import race_named, race_of_row
from pipeline.read.practice.sheet_cells import (
    CELL_RANGES,
    UnusableRow,
    check_zone,
    number_cell,
)
from pipeline.read.practice.time_zones import zone_named
from pipeline.read.practice.word_cells import WORD_CELLS, meaning_of_word, plain_words

MOST_CHARACTERS = 1000  # of a call-out
_START_FROM_M = 5.0  # a start without its runner: from here on it is the incoming runner's
_ALIKE_NAME, _ALIKE_RUNNER = 0.75, 0.6  # words like these are asked back
_MOST_ID_WORDS = 3  # of a runner's id
_LINKS = ("to", "->", "→")
_UNITS = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "feet": "feet", "foot": "feet", "ft": "feet",
    "%": "%", "percent": "%", "m/s": "m/s", "mps": "m/s",
    "km/h": "km/h", "kmh": "km/h", "kph": "km/h", "mph": "mph", "knots": "knots",
}  # fmt: skip
# The names that numbers follow: the column of the sheet for each unit, "" for none.
_NUMBERED: dict[str, dict[str, str]] = {
    "zone": {"": "zone"},
    "lane": {"": "lane"},
    "mark": {"m": "mark_m", "feet": "mark_feet"},
    "outgoing start": {"m": "outgoing_start_m", "": "outgoing_start_m"},
    "incoming start": {"m": "incoming_start_m", "": "incoming_start_m"},
    "start": {"": "start_utc"},
    "pass": {"m": "pass_m", "": "pass_m"},
    "effort": {"%": "effort", "": "effort"},
    "wind": {"m/s": "wind_mps", "": "wind_mps"},
}
# Words that say how it was run without their column's name, as `plain_words` has them.
_BARE_WORDS: dict[str, tuple[str, str]] = {
    **dict.fromkeys(("build up", "build ups", "buildup"), ("drill", "build-up")),
    "standing": ("drill", "standing"),
    **dict.fromkeys(("jog", "jogging"), ("drill", "jog")),
    **dict.fromkeys(("rotation", "rotations"), ("drill", "rotation")),
    **dict.fromkeys(("upsweep", "up sweep"), ("technique", "upsweep")),
    **dict.fromkeys(("downsweep", "down sweep"), ("technique", "downsweep")),
    "push pass": ("technique", "push"),
    "left hand": ("hand", "left"),
    "right hand": ("hand", "right"),
    **dict.fromkeys(("do not use", "don t use", "dont use"), ("use", "no")),
}
_MOST_VALUE_WORDS = 3
_HALVES = ("am", "pm", "a.m", "p.m")  # of a day
_SAID_NUMBER = re.compile(r"[+]?(-?\d{1,6}(?:[.,]\d{1,6})?)([^\W\d]*|%|[^\W\d]+/[^\W\d])")
_SAID_HOUR = re.compile(r"\d{1,2}h(\d{2})?")
_SAY = "say it like `rep 9 wren to jay zone 2 mark 27 feet` or `rep 7 pass 21 m`"


@dataclass(frozen=True, slots=True)
class SheetSetting:
    """What a session says around its practice sheet, by which call-outs are understood.

    `zones` are the venue's (lane, zone), empty where there is no venue yet. Times are local to
    `time_zone`, UTC where that is None. `session` is its id, `lane` that of rows that name none.
    """

    path: Path
    runners: tuple[Runner, ...]
    zones: frozenset[tuple[int, int]]
    date: dt.date
    time_zone: str | None = None
    races: tuple[Race, ...] = ()
    session: str = ""
    event: str = ""
    lane: int | None = None


@dataclass(frozen=True, slots=True)
class CallOut:
    """What is to be written down of a rep: cells by the sheet's columns, numbers with a decimal
    point, and a note. `guessed` where it is not quite what was said."""

    rep: int
    cells: Mapping[str, str]
    note: str = ""
    guessed: bool = False


class _Meaning(NamedTuple):
    """What some words mean: how many they are, and the cells that they fill."""

    used: int
    cells: Mapping[str, str]
    guessed: bool = False
    is_bare: bool = False  # it may as well be part of a note


def call_out_in_words(call_out: CallOut) -> str:
    """The call-out as one would say it plainly; understood again, it means the same."""
    cells = call_out.cells
    parts = [f"rep {call_out.rep}"]
    if "incoming" in cells and "outgoing" in cells:
        parts.append(f"{cells['incoming']} to {cells['outgoing']}")
    else:
        parts += [f"{role} {cells[role]}" for role in ("incoming", "outgoing") if role in cells]
    for name, columns in _NUMBERED.items():
        for unit, column in columns.items():
            if column in cells and (unit or len(columns) == 1):
                parts.append(f"{name} {cells[column]} {unit}".rstrip())
    parts += [f"{column} {cells[column]}" for column in (*WORD_CELLS, "race") if column in cells]
    return " ".join([*parts, *([f"note {call_out.note}"] if call_out.note else [])])


def parse_call_out(text: str, setting: SheetSetting) -> CallOut:
    """What a call-out means. Raises UsageError where it cannot be told."""
    if len(text) > MOST_CHARACTERS:
        where = f'"{text[:40]}…"'
        raise UsageError(where, f"{len(text)} characters", f"{MOST_CHARACTERS} at most")
    words = text.split()
    if not "".join(words).isprintable():
        raise _misheard(text, "characters that cannot be seen", "words and numbers")
    rep, at, guessed = _rep_of_words(text, words)
    cells: dict[str, str] = {}
    notes: list[list[str]] = [[]]
    bare_end = -1
    while at < len(words):
        if _plain(words[at]) in ("note", "notes"):
            notes.append(words[at + 1 :])
            break
        found = _meaning_of_words(text, words, at, setting)
        if found is not None:
            _add_cells(text, cells, found.cells)
            guessed = guessed or found.guessed or (found.is_bare and bool(notes[-1]))
            at += found.used
            bare_end = at if found.is_bare else -1
            notes.append([])
            continue
        guessed = guessed or at == bare_end
        if any(character.isdecimal() for character in words[at]):
            # a number that nothing before it asks for is probably a part of the note
            notes[-1] += words[at:]
            guessed = True
            break
        notes[-1].append(words[at])
        at += 1
    note = "; ".join(" ".join(part) for part in notes if part).strip(" ;")
    if not cells and not note:
        raise _misheard(text, "nothing to write down", "what was seen")
    _check_together(text, cells, setting)
    return CallOut(rep, cells, note, guessed)


def _misheard(text: str, found: str, expected: str, do: str = _SAY) -> UsageError:
    return UsageError(f'"{text}"', found, expected, do)


def _plain(word: str) -> str:
    return word.casefold().rstrip(",;:.")


def _rep_of_words(text: str, words: Sequence[str]) -> tuple[int, int, bool]:
    """The rep's number, how many words say it, and whether that is a guess."""
    first, second = (*map(_plain, words[:2]), "", "")[:2]
    if found := re.fullmatch(r"(?:reps?|#)?(\d{1,6})", first):
        return int(found[1]), 1, False
    if found := re.fullmatch(r"#?(\d{1,6})", second):
        if first in ("rep", "reps"):
            return int(found[1]), 2, False
        if nearest(first, ["rep"], _ALIKE_RUNNER):
            return int(found[1]), 2, True
    raise _misheard(text, "no rep's number at its start", "`rep 7` or `7` first")


def _meaning_of_words(
    text: str, words: Sequence[str], at: int, setting: SheetSetting
) -> _Meaning | None:
    """What the words from `at` on mean as cells; None where they mean none."""
    ids = [runner.id for runner in setting.runners]
    return (
        _pair(text, words, at, ids)
        or _one_runner(words, at, ids)
        or _numbered(text, words, at, setting)
        or _named_word(words, at, setting)
        or _bare_word(words, at)
    )


def _add_cells(text: str, cells: dict[str, str], more: Mapping[str, str]) -> None:
    for column, value in more.items():
        if cells.get(column, value) != value:
            raise _misheard(text, f"{column} twice, {cells[column]} and {value}", "each once")
        cells[column] = value


def _check_together(text: str, cells: Mapping[str, str], setting: SheetSetting) -> None:
    """Raises UsageError where the cells do not go together, or the venue has no such zone."""
    if "incoming" in cells and cells["incoming"] == cells.get("outgoing"):
        raise _misheard(text, f'"{cells["incoming"]}" is both incoming and outgoing', "two runners")
    if "mark_m" in cells and "mark_feet" in cells:
        raise _misheard(text, "the mark in metres and in feet", "one of them")
    zone, lane = (int(cells[name]) if name in cells else None for name in ("zone", "lane"))
    drill = cells.get("drill")
    if drill in (None, "build-up"):  # an exercise needs no zone
        try:
            check_zone(zone, lane, setting.zones)
        except UnusableRow as why:
            found = "; ".join(filter(None, (str(why), why.meant())))
            raise _misheard(text, found, "a zone of the venue", "") from None
    if "race" in cells and "incoming" in cells and "outgoing" in cells:
        pair, remarks = (cells["incoming"], cells["outgoing"]), list[str]()
        race_of_row(cells, pair, zone, lane, cast(Drill | None, drill), setting.races, remarks)
        if remarks:
            raise _misheard(text, "; ".join(remarks), "a takeover of that race", "correct it")


# --- runners -------------------------------------------------------------------------------


def _exact_runner(words: Sequence[str], at: int, ids: Sequence[str]) -> tuple[str, int] | None:
    """The runner whose whole id stands at `at`, and how many words it has."""
    for length in range(min(_MOST_ID_WORDS, len(words) - at), 0, -1):
        said = " ".join(words[at : at + length])
        for same in (str, str.casefold, _plain):  # as it is written, before what is like it
            found = [one for one in ids if same(one) == same(said)]
            if len(found) == 1:
                return found[0], length
    return None


def _near_runner(
    words: Sequence[str], at: int, ids: Sequence[str], alike: float = _ALIKE_RUNNER
) -> tuple[str, int] | None:
    near = nearest(_plain(words[at]), ids, alike) if at < len(words) else None
    return None if near is None else (near, 1)


def _pair(text: str, words: Sequence[str], at: int, ids: Sequence[str]) -> _Meaning | None:
    """`wren to jay`, perhaps misspelt."""
    left = _exact_runner(words, at, ids)
    link = at + (left[1] if left else 1)
    if link + 1 >= len(words) or words[link].casefold() not in _LINKS:
        return None
    right = _exact_runner(words, link + 1, ids)
    incoming = left or _near_runner(words, at, ids)
    outgoing = right or _near_runner(words, link + 1, ids)
    if incoming is None or outgoing is None:
        if left is None and right is None:
            return None
        raise _misheard(
            text,
            f'"{words[at if incoming is None else link + 1]}" is not a runner of the session',
            one_of(ids),
            "correct it, or say `note` before it",
        )
    cells = {"incoming": incoming[0], "outgoing": outgoing[0]}
    return _Meaning(link + 1 - at + outgoing[1], cells, left is None or right is None)


def _one_runner(words: Sequence[str], at: int, ids: Sequence[str]) -> _Meaning | None:
    """`incoming wren` or `outgoing jay`."""
    role = _plain(words[at])
    if role not in ("incoming", "outgoing") or at + 1 == len(words):
        return None
    exact = _exact_runner(words, at + 1, ids)
    found = exact or _near_runner(words, at + 1, ids, _ALIKE_NAME)
    return None if found is None else _Meaning(1 + found[1], {role: found[0]}, exact is None)


# --- words -----------------------------------------------------------------------------------


def _named_word(words: Sequence[str], at: int, setting: SheetSetting) -> _Meaning | None:
    """`drill build-up`, `hand left`, `use no` or `race heat`; the value may be misspelt."""
    column = _plain(words[at])
    for length in range(min(_MOST_VALUE_WORDS, len(words) - at - 1), 0, -1):
        said = " ".join(words[at + 1 : at + 1 + length]).rstrip(",;:.")
        if column == "race" and (race := race_named(said, setting.races)) is not None:
            return _Meaning(1 + length, {"race": race.id})
        if column in WORD_CELLS and (value := meaning_of_word(column, said)):
            return _Meaning(1 + length, {column: value})
    if at + 1 == len(words):
        return None
    known = {race.id: race.id for race in setting.races} if column == "race" else {}
    if column in WORD_CELLS:
        known = {word: value for value, own in WORD_CELLS[column].items() for word in own if value}
    near = nearest(_plain(words[at + 1]), known, _ALIKE_NAME)
    return None if near is None else _Meaning(2, {column: known[near]}, True)


def _bare_word(words: Sequence[str], at: int) -> _Meaning | None:
    """`build-up`, `left hand` or `do not use`, without their column's name."""
    for length in range(min(_MOST_VALUE_WORDS, len(words) - at), 0, -1):
        found = _BARE_WORDS.get(plain_words(" ".join(words[at : at + length])))
        if found is not None:
            return _Meaning(length, dict([found]), is_bare=True)
    return None


# --- numbers -------------------------------------------------------------------------------


def _numbered(text: str, words: Sequence[str], at: int, setting: SheetSetting) -> _Meaning | None:
    """A name and its number, `pass 21 m`; the name may be misspelt."""
    for alike in (1.0, _ALIKE_NAME):
        for length in (2, 1):
            value_at = at + length
            if value_at >= len(words) or not any(c.isdecimal() for c in words[value_at]):
                continue
            said = " ".join(map(_plain, words[at:value_at]))
            names = [name for name in _NUMBERED if name.count(" ") == length - 1]
            name = nearest(said, names, alike)
            if name is not None:
                found = _number_of_name(text, name, words, value_at, setting)
                used, guessed = length + found.used, alike < 1.0 or found.guessed
                return _Meaning(used, found.cells, guessed)
    return None


def _number_of_name(
    text: str, name: str, words: Sequence[str], at: int, setting: SheetSetting
) -> _Meaning:
    """The number at `at` and its unit, as the name before it takes them."""
    said = _plain(words[at])
    half = at + 1 < len(words) and _plain(words[at + 1]) in _HALVES
    if name == "start" and (half or ":" in said or "t" in said or _SAID_HOUR.fullmatch(said)):
        clock = " ".join(words[at : at + 1 + half]).rstrip(",;")
        return _Meaning(1 + half, {"start_utc": _time_text(text, clock, setting)})
    number = _SAID_NUMBER.fullmatch(said)
    if number is None:
        raise _misheard(text, f'"{words[at]}" after {name} is not a number', "a number such as 21")
    value, used, unit, guessed = number[1].replace(",", "."), 1, "", False
    behind = number[2] or (_plain(words[at + 1]) if at + 1 < len(words) else "")
    said_unit = behind if behind in _UNITS else nearest(behind[2:] and behind, _UNITS, _ALIKE_NAME)
    if said_unit and (name == "start" or any(_NUMBERED[name])):
        unit, used, guessed = _UNITS[said_unit], 1 if number[2] else 2, said_unit != behind
    elif number[2]:
        raise _misheard(text, f'"{words[at]}" after {name} is not a number', "a number such as 21")
    if name == "start":  # whose?
        name = "incoming start" if float(value) >= _START_FROM_M else "outgoing start"
        unit, guessed = unit or "m", True
    columns = _NUMBERED[name]
    if unit not in columns:
        if unit:
            raise _misheard(text, f"{name} in {unit}", f"{name} in {either(filter(None, columns))}")
        unit, guessed = "feet" if float(value) > MARK_FROM_FEET else "m", True
    column = columns[unit]
    _check_number(text, column, value)
    return _Meaning(used, {column: value}, guessed)


def _check_number(text: str, column: str, value: str) -> None:
    if column in CELL_RANGES:
        remarks: list[str] = []
        number_cell({column: value}, column, CELL_RANGES[column], remarks)
        if remarks:
            low, high = CELL_RANGES[column]
            raise _misheard(text, f"{column} {value}", f"{low:g} to {high:g}", "correct it")
    elif not value.isdecimal():
        raise _misheard(text, f"{column} {value}", "a whole number", "correct it")


def _time_text(text: str, said: str, setting: SheetSetting) -> str:
    remarks: list[str] = []
    zone = zone_named(setting.time_zone)
    if (
        moment_of_cell({"start_utc": said}, "start_utc", setting.date, None, remarks, zone=zone)
        is None
    ):
        raise _misheard(text, "; ".join(remarks), "a time of the session", "correct it")
    return said
