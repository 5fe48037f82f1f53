"""The practice sheet, as spreadsheets export it, into Reps.

Told apart by content: commas, semicolons or tabs; decimal points or commas; a byte-order
mark or none; columns in any order, with others beside them.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.base.values import Rep, Runner
from pipeline.errors import SessionError
from pipeline.read.plain_file import plain_file_bytes
from pipeline.read.practice.problems import MOST_TOLD, did_you_mean, misspelt, together

COLUMNS = (
    "rep",
    "zone",
    "lane",
    "incoming",
    "outgoing",
    "mark_m",
    "mark_feet",
    "outgoing_start_m",
    "incoming_start_m",
    "start_utc",
    "pass_m",
    "note",
)
MOST_BYTES = 16 << 20  # a hundred thousand reps
NEEDED = ("incoming", "outgoing")
RANGES = {  # of what a practice can hold: a slip of the decimal point falls outside
    "mark_m": (0.3, 40.0),
    "mark_feet": (1.0, 130.0),
    "outgoing_start_m": (-2.0, 35.0),
    "incoming_start_m": (5.0, 450.0),
    "pass_m": (-25.0, 60.0),
}
AGREE_M = 0.2  # mark_m and mark_feet, counted in feet, may differ by this
DAYS_OFF_MAX = 1.6  # anywhere on Earth a day lies within this of the same date's noon in UTC


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: Mapping[str, str]


class _Unusable(Exception):
    """Why a row is left out; `meant` adds what may have been meant."""

    def __init__(self, why: str, meant: Callable[[], str] = str) -> None:
        super().__init__(why)
        self.meant = meant


def read_sheet(
    path: Path,
    runners: Sequence[Runner],
    zones: Collection[tuple[int, int]],
    date: dt.date,
    lane: int | None,
) -> tuple[tuple[Rep, ...], list[str]]:
    """The sheet's usable rows in their order, and remarks on what was left out or passed over.

    `zones` are the venue's (lane, zone), `lane` is that of rows that name none. A time of
    day without date or zone is UTC on `date`, and the next day's where it falls more than
    12 h before the row above. Errors: SessionError where the sheet as a whole cannot be
    read or a column is misspelt.
    """
    rows, remarks = _rows(path)
    by_name = _by_name(runners)
    reps: list[Rep] = []
    before: float | None = None
    for row in rows:
        where = f"{path.name}, line {row.line}"
        try:
            rep, told = _rep(row, by_name, zones, date, lane, before)
        except _Unusable as why:
            # looking for what was meant costs more than the row itself
            meant = why.meant() if len(remarks) < MOST_TOLD else ""
            remarks.append(f"{where}: row left out: {why}{meant}")
            continue
        reps.append(rep)
        remarks += [f"{where}, {words}" for words in told]
        before = rep.start_utc_s if rep.start_utc_s is not None else before
    if len(remarks) > MOST_TOLD:
        more = f"{path.name}: {len(remarks) - MOST_TOLD} more remarks like these"
        remarks = [*remarks[:MOST_TOLD], more]
    twice = [n for n, k in Counter(r.rep for r in reps if r.rep is not None).items() if k > 1]
    if len(twice) > MOST_TOLD:
        remarks.append(f"{path.name}: {len(twice)} reps stand on several lines; all are kept")
        twice = []
    remarks += [f"{path.name}: rep {n} stands on several lines; all are kept" for n in twice]
    if not reps:
        remarks.append(f"{path.name}: no usable row; takeovers are found in the traces alone")
    return tuple(reps), remarks


# --- rows ------------------------------------------------------------------------------


def _decoded(path: Path) -> str:
    try:
        raw = plain_file_bytes(path, MOST_BYTES)
    except FileNotFoundError:
        raise SessionError(
            path, "no such file", "the practice sheet", "correct reps in session.toml, or drop it"
        ) from None
    except OSError as error:
        raise SessionError(
            path,
            f"cannot be read: {error.strerror}",
            "the practice sheet, a CSV file",
            "correct reps in session.toml, or drop it",
        ) from None
    if raw.startswith(b"PK\x03\x04") or raw.startswith(b"\xd0\xcf\x11\xe0"):
        raise SessionError(path, "a spreadsheet's own format", "CSV", "export the sheet as CSV")
    try:
        if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
            text = raw.decode("utf-16")
        else:
            text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")  # what older spreadsheets write
    if "\0" in text:
        raise SessionError(path, "not text", "a CSV file", "export the sheet as CSV")
    return text


def _rows(path: Path) -> tuple[list[_Row], list[str]]:
    text = _decoded(path)
    lines = text.splitlines()
    skip = 0
    while skip < len(lines) and not lines[skip].strip(' ,;\t"'):
        skip += 1
    declared = re.fullmatch(r'"?sep=(.)"?', lines[skip].strip()) if skip < len(lines) else None
    skip += declared is not None
    if skip >= len(lines):
        raise SessionError(
            path,
            "an empty sheet",
            f"a line of headers: {', '.join(COLUMNS)}",
            "export it again, or drop reps from session.toml",
        )
    delimiter = declared[1] if declared else max(",;\t", key=lines[skip].count)
    try:
        reader = csv.reader(io.StringIO("\n".join(lines[skip:])), delimiter=delimiter)
        table = [(skip + reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        raise SessionError(path, f"not CSV: {error}", "a spreadsheet's CSV export") from None
    head_line, header = table[0]
    names = [re.sub(r"[\s-]+", "_", cell.strip().casefold()) for cell in header]
    while names and not names[-1]:
        names.pop()
    remarks = _check_header(f"{path}, line {head_line}", path.name, names)
    rows = []
    for line, cells in table[1:]:
        if not any(cell.strip() for cell in cells):
            continue
        beyond = [cell for cell in cells[len(names) :] if cell.strip()]
        shifted = delimiter == "," and (beyond or len(cells) > len(header))
        if shifted:
            # an unquoted decimal comma moves every later cell one column on
            remarks.append(
                f"{path.name}, line {line}: row left out: {len(cells)} cells under "
                f"{len(header)} headers; put decimal commas and texts with commas in quotes, "
                "or export with semicolons"
            )
            continue
        named = {name: cell.strip() for name, cell in zip(names, cells, strict=False) if name}
        rows.append(_Row(line, named))
    return rows, remarks


def _check_header(where: str, name: str, names: Sequence[str]) -> list[str]:
    wrong = []
    slips = misspelt([n for n in names if n], COLUMNS)
    wrong += [
        SessionError(where, f'column "{w}"', ", ".join(COLUMNS), f'did you mean "{known}"?')
        for w, known in slips.items()
    ]
    wrong += [
        SessionError(where, f'no column "{n}"', "incoming and outgoing, with runner ids")
        for n in NEEDED
        if n not in names and n not in slips.values()
    ]
    wrong += [
        SessionError(where, f'column "{n}" twice', "each once")
        for n, k in Counter(names).items()
        if k > 1 and n in COLUMNS
    ]
    if len(wrong) == 1:
        raise wrong[0]
    if wrong:
        raise together(SessionError, where, wrong)
    strange = [n for n in names if n and n not in COLUMNS]
    return [f"{name}: columns not read: {', '.join(strange)}"] if strange else []


# --- cells -----------------------------------------------------------------------------


def _rep(
    row: _Row,
    runners: Mapping[str, Sequence[Runner]],
    zones: Collection[tuple[int, int]],
    date: dt.date,
    lane: int | None,
    before: float | None,
) -> tuple[Rep, list[str]]:
    """The row's Rep and remarks on its cells ("mark_m: ..."); _Unusable where it has none."""
    cells, told = row.cells, list[str]()
    incoming = _known_runner(cells, "incoming", runners)
    outgoing = _known_runner(cells, "outgoing", runners)
    if incoming.id == outgoing.id:
        raise _Unusable(f'"{incoming.id}" is both incoming and outgoing')
    zone, own_lane = _whole(cells, "zone"), _whole(cells, "lane")
    _check_zone(zone, own_lane if own_lane is not None else lane, zones)
    rep_number: int | None = None
    try:
        rep_number = _whole(cells, "rep")
    except _Unusable as why:
        told.append(str(why))
    numbers = {name: _cell(cells, name, told) for name in RANGES}
    start_s = _start(cells.get("start_utc", ""), date, before, told)
    return Rep(
        line=row.line,
        incoming=incoming.id,
        outgoing=outgoing.id,
        rep=rep_number,
        zone=zone,
        lane=own_lane,
        mark_m=_mark(numbers["mark_m"], numbers["mark_feet"], outgoing, told),
        outgoing_start_m=numbers["outgoing_start_m"],
        incoming_start_m=numbers["incoming_start_m"],
        start_utc_s=start_s,
        pass_m=numbers["pass_m"],
        note=cells.get("note", ""),
    ), told


def _by_name(runners: Sequence[Runner]) -> dict[str, list[Runner]]:
    """Runners by their ids as if spelt without capitals."""
    found: dict[str, list[Runner]] = {}
    for runner in runners:
        found.setdefault(runner.id.casefold(), []).append(runner)
    return found


def _known_runner(
    cells: Mapping[str, str], column: str, runners: Mapping[str, Sequence[Runner]]
) -> Runner:
    name = cells.get(column, "")
    if not name:
        raise _Unusable(f"{column} is blank; expected a runner's id")
    # spreadsheets begin cells with a capital unasked
    alike = runners.get(name.casefold(), ())
    found = [r for r in alike if r.id == name] or alike
    if len(found) != 1:

        def meant() -> str:
            ids = [r.id for every in runners.values() for r in every]
            return "; " + (did_you_mean(name, ids) or f'add a [[runner]] with id = "{name}"')

        raise _Unusable(f'{column} "{name}" is no runner of the session', meant)
    return found[0]


def _whole(cells: Mapping[str, str], column: str) -> int | None:
    text = cells.get(column, "")
    if not text:
        return None
    match = re.fullmatch(r"(\d{1,6})([.,]0*)?", text)
    if not match:
        raise _Unusable(f'{column}: "{text}" is no whole number')
    return int(match[1])


def _check_zone(zone: int | None, lane: int | None, zones: Collection[tuple[int, int]]) -> None:
    fits = [
        (known_lane, known_zone)
        for known_lane, known_zone in zones
        if (lane is None or lane == known_lane) and (zone is None or zone == known_zone)
    ]
    if zones and not fits:
        asked = " ".join(
            f"{what} {n}" for what, n in (("lane", lane), ("zone", zone)) if n is not None
        )
        there = ", ".join(f"lane {a} zone {b}" for a, b in sorted(zones))
        raise _Unusable(f"{asked} is not in the venue file, which has {there}")


def _cell(cells: Mapping[str, str], column: str, told: list[str]) -> float | None:
    """A number of the sheet; None with a remark where it is none or out of range."""
    text = cells.get(column, "")
    if not text:
        return None
    plain = re.sub(r"\s*m$", "", text.replace("\u2212", "-").replace("\xa0", ""))
    low, high = RANGES[column]
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", plain):
        told.append(f'{column}: "{text}" is no number; the cell is passed over')
        return None
    value = float(plain.replace(",", "."))
    if not low <= value <= high:
        told.append(f"{column}: {text} is not within {low:g} to {high:g}; the cell is passed over")
        return None
    return value


def _mark(
    mark_m: float | None, feet: float | None, outgoing: Runner, told: list[str]
) -> float | None:
    """The check mark in metres before the back line, from either column."""
    if feet is None:
        return mark_m
    if outgoing.foot_m is None:
        if mark_m is None:
            told.append(
                f"mark_feet: the length of {outgoing.id}'s shoe is not known, so the mark is not; "
                f'add foot_m to the [[runner]] "{outgoing.id}"'
            )
        return mark_m
    counted = feet * outgoing.foot_m
    if mark_m is not None and abs(counted - mark_m) > max(AGREE_M, outgoing.foot_m):
        told.append(
            f"mark_m: {mark_m:g} m, but mark_feet: {feet:g} of {outgoing.foot_m:g} m are "
            f"{counted:.2f} m; neither is taken, blank the wrong one"
        )
        return None
    return counted if mark_m is None else mark_m


def days_from(date: dt.date, utc_s: float) -> float:
    """Days from the date's noon in UTC to a moment."""
    noon = dt.datetime.combine(date, dt.time(12), dt.UTC)
    return (utc_s - noon.timestamp()) / 86400


def _start(text: str, date: dt.date, before: float | None, told: list[str]) -> float | None:
    """Seconds since 1970 of `HH:MM`, `HH:MM:SS` or a date with time; None with a remark."""
    if not text:
        return None
    plain = re.sub(r"^(\d)(?=:)", r"0\1", text)
    try:
        if re.match(r"\d{2}:\d{2}", plain):
            clock = dt.time.fromisoformat(plain)
            moment = dt.datetime.combine(date, clock)
            day_given = False
        else:
            moment, day_given = dt.datetime.fromisoformat(plain), True
            if re.fullmatch(r"\d{4}-?\d{2}-?\d{2}", plain):
                raise ValueError
    except ValueError:
        told.append(f'start_utc: "{text}" is no time; expected 17:03:20 or 2026-05-12T17:03:20Z')
        return None
    utc_s = moment.replace(tzinfo=moment.tzinfo or dt.UTC).timestamp()
    if not day_given and before is not None and before - utc_s > 43200:
        utc_s += 86400
    if abs(days_from(date, utc_s)) > DAYS_OFF_MAX:
        told.append(
            f"start_utc: {text} is not on the session's day, {date}; the cell is passed over"
        )
        return None
    return utc_s
