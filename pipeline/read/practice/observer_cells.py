"""The cells of an observer's row: what was seen, of whom, when and where.

A cell that cannot be read is passed over with a remark. A row is unusable as a whole where it does
not say what was seen, names somebody or something that the session does not have, or has neither a
time nor a place. The file may be any by mistake, also a recording, so remarks quote words of its
cells and no numbers.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal, get_args

from pipeline.base.asking import comma_list, did_you_mean, either, one_of
from pipeline.base.defaults import SIGHT_SD_M
from pipeline.base.values import ObserverClock, Rep, Runner, SeenEvent, Sighting
from pipeline.read.practice.csv_cells import parse_decimal
from pipeline.read.practice.dates import moment_of_cell
from pipeline.read.practice.sheet_cells import (
    UnusableRow,
    number_cell,
    runner_of_cell,
    runners_by_name,
    whole_cell,
)
from pipeline.read.practice.sheet_rows import SheetRow
from pipeline.read.quoting import quote_without_numbers

TimeColumn = Literal["time_s", "time_utc"]

SEEN_EVENTS: tuple[SeenEvent, ...] = get_args(SeenEvent)
PLACE_LIMITS_M = (-60.0, 60.0)  # past the entry line; a check mark lies up to 50 m before it
SIGHTING_SD_LIMITS = {"sd_s": (1e-4, 5.0), "sd_m": (1e-3, 10.0)}
LONGEST_CLOCK_S: dict[ObserverClock, float] = {"own": 86_400.0, "rep": 3600.0}
EPOCH_LIMITS_S = (1e8, 1e10)  # a number as large as that counts seconds from 1970
_MOST_REP_SHOWN = 999  # a larger number may be a part of a position
_READING = re.compile(r"([+-]?)(?:(?:(\d{1,2}):)?(\d{1,3}):)?(\d{1,12}(?:[.,]\d*)?|[.,]\d+)\s*s?")


@dataclass(frozen=True, slots=True)
class SessionNames:
    """What a session has that an observer's row may name; `pairs` are None without a sheet."""

    date: dt.date
    runners: Mapping[str, Sequence[Runner]]
    gates: Mapping[str, str]  # ids by themselves in small letters
    pairs: Mapping[int, frozenset[tuple[str, str]]] | None  # of each rep: incoming, outgoing


def names_of_session(
    date: dt.date, runners: Sequence[Runner], gates: Iterable[str], reps: Sequence[Rep] | None
) -> SessionNames:
    """The names by which a row is looked up."""
    pairs: dict[int, frozenset[tuple[str, str]]] = {}
    for one in reps or ():
        if one.rep is not None:
            known = pairs.get(one.rep, frozenset())
            pairs[one.rep] = known | {(one.incoming, one.outgoing)}
    return SessionNames(
        date,
        runners_by_name(runners),
        {gate.strip().casefold(): gate for gate in gates},
        None if reps is None else pairs,
    )


def event_of_cell(cells: Mapping[str, str]) -> SeenEvent:
    """What was seen. Capitals, spaces, hyphens and underscores do not matter."""
    text = cells.get("event", "")
    if not text:
        raise UnusableRow(f"event is blank; expected {either(SEEN_EVENTS)}")
    plain = re.sub(r"[\W_]+", "", text.casefold())
    for event in SEEN_EVENTS:
        if plain == event.replace(" ", ""):
            return event
    spaced = re.sub(r"[\W_]+", " ", text).strip()

    def meant() -> str:
        return did_you_mean(spaced, SEEN_EVENTS) or f"expected {either(SEEN_EVENTS)}"

    raise UnusableRow(f"event {quote_without_numbers(text)} is not known", meant)


def sighting_of_row(
    row: SheetRow,
    names: SessionNames,
    clock: ObserverClock,
    times_in: TimeColumn,
    sd_s: float,
    before: float | None,
) -> tuple[Sighting, list[str]]:
    """The row's Sighting, and remarks on its cells ("place_m: ..."). Raises UnusableRow.

    `times_in` is the column that the file's times are read in, and `sd_s` the standard error of a
    reading [s]. `before` is the moment of the row above [POSIX s], for times past midnight.
    """
    cells, remarks = row.cells, list[str]()
    event = event_of_cell(cells)
    rep, incoming, outgoing = _takeover_of_cells(cells, names)
    gate, runner = None, None
    if event == "gate":
        gate, runner = _gate_of_cell(cells, names.gates), _runner_id(cells, "runner", names)
        _check_gate_runner(runner, rep, incoming, outgoing, names)
    elif cells.get("gate") or cells.get("runner"):
        remarks.append('gate and runner are read only where the event is "gate"')
    time_s = _time_of_cells(cells, clock, times_in, names.date, before, remarks)
    place_m = _number(cells, "place_m", PLACE_LIMITS_M, remarks)
    sds = {
        name: _standard_error(cells, name, *limits, remarks)
        for name, limits in SIGHTING_SD_LIMITS.items()
    }
    if time_s is None and place_m is None:
        raise UnusableRow("; ".join([*remarks, "the row has neither a time nor a place"]))
    return Sighting(
        line=row.line,
        event=event,
        rep=rep,
        incoming=incoming,
        outgoing=outgoing,
        gate=gate,
        runner=runner,
        time_s=time_s,
        place_m=place_m,
        sd_s=None if time_s is None else sds["sd_s"] or sd_s,
        sd_m=None if place_m is None else sds["sd_m"] or SIGHT_SD_M,
        note=cells.get("note", ""),
    ), remarks


# --- whose ---------------------------------------------------------------------------------


def _takeover_of_cells(
    cells: Mapping[str, str], names: SessionNames
) -> tuple[int | None, str | None, str | None]:
    """The rep, the incoming and the outgoing runner, each None where its cell is blank."""
    rep = _rep_of_cell(cells)
    incoming, outgoing = (
        _runner_id(cells, column, names) if cells.get(column) else None
        for column in ("incoming", "outgoing")
    )
    if incoming is not None and incoming == outgoing:
        raise UnusableRow(f'"{incoming}" is both incoming and outgoing')
    if rep is None or names.pairs is None:
        return None, incoming, outgoing
    if rep not in names.pairs:
        raise UnusableRow(
            f"rep {_shown_rep(rep)} is not on the practice sheet, or its row there is left out"
        )
    for known_in, known_out in names.pairs[rep]:
        if incoming in (None, known_in) and outgoing in (None, known_out):
            return rep, incoming, outgoing
    raise UnusableRow(
        f"{_pairs_in_words(rep, names)} on the practice sheet, "
        f"not {incoming or '...'} to {outgoing or '...'}"
    )


def _rep_of_cell(cells: Mapping[str, str]) -> int | None:
    try:
        return whole_cell(cells, "rep")
    except UnusableRow:
        shown = quote_without_numbers(cells["rep"])
        raise UnusableRow(f"rep: {shown} is not a whole number") from None


def _shown_rep(rep: int) -> str:
    return str(rep) if rep <= _MOST_REP_SHOWN else "of that number"


def _pairs_in_words(rep: int, names: SessionNames) -> str:
    pairs = [f"{a} to {b}" for a, b in sorted((names.pairs or {})[rep])]
    return f"rep {_shown_rep(rep)} is {comma_list(pairs, 3)}"


def _runner_id(cells: Mapping[str, str], column: str, names: SessionNames) -> str:
    if not cells.get(column):
        raise UnusableRow(f'{column} is blank, and the event is "gate"; expected who broke it')
    try:
        return runner_of_cell(cells, column, names.runners).id
    except UnusableRow as why:
        shown = quote_without_numbers(cells[column])
        raise UnusableRow(
            f"{column} {shown} is not a runner of the session",
            why.meant if shown[1:-1] == cells[column] else str,
        ) from None


def _gate_of_cell(cells: Mapping[str, str], gates: Mapping[str, str]) -> str:
    text = cells.get("gate", "")
    if not text:
        raise UnusableRow('gate is blank, and the event is "gate"; expected its id in the venue')
    found = gates.get(text.casefold())
    shown = quote_without_numbers(text)
    if found is None and not gates:
        raise UnusableRow(f"gate {shown} is not in the venue file, which has no gates")
    if found is None:
        meant = partial(_nearest_gates, text, tuple(gates.values()))
        raise UnusableRow(f"gate {shown} is not in the venue file", meant)
    return found


def _nearest_gates(text: str, gates: Sequence[str]) -> str:
    return did_you_mean(text, gates) or f"expected {one_of(gates, text)}"


def _check_gate_runner(
    runner: str, rep: int | None, incoming: str | None, outgoing: str | None, names: SessionNames
) -> None:
    """Raises UnusableRow where the row's takeover is one that the gate's runner has no part in."""
    if rep is not None and not any(runner in pair for pair in (names.pairs or {})[rep]):
        raise UnusableRow(f'{_pairs_in_words(rep, names)}, and the gate\'s runner is "{runner}"')
    if incoming is not None and outgoing is not None and runner not in (incoming, outgoing):
        raise UnusableRow(f'the gate\'s runner "{runner}" is neither incoming nor outgoing')


# --- when and where ------------------------------------------------------------------------


def time_column(clock: ObserverClock, rows: Sequence[SheetRow]) -> TimeColumn:
    """The column that a file's times are read in. An own clock has one zero, so it reads one."""
    if clock == "utc":
        return "time_utc"
    stamped = any(row.cells.get("time_utc") for row in rows)
    counted = any(row.cells.get("time_s") for row in rows)
    return "time_utc" if clock == "own" and stamped and not counted else "time_s"


def parse_reading(text: str) -> float:
    """Seconds of a reading as watches and players show it, such as 62.3, 1:02,3 or 0:01:02.30.

    NaN where the text is no such reading.
    """
    found = _READING.fullmatch(text.replace("\u2212", "-").replace("\xa0", ""))
    if found is None:
        return math.nan
    sign, hours, minutes, seconds = found.groups()
    last = parse_decimal(seconds)
    if (minutes is not None and last >= 60) or (hours is not None and int(minutes) >= 60):
        return math.nan
    total = 3600.0 * int(hours or 0) + 60.0 * int(minutes or 0) + last
    return -total if sign == "-" else total


def _time_of_cells(
    cells: Mapping[str, str],
    clock: ObserverClock,
    times_in: TimeColumn,
    date: dt.date,
    before: float | None,
    remarks: list[str],
) -> float | None:
    if times_in == "time_utc":
        if cells.get("time_utc"):
            if cells.get("time_s"):
                remarks.append("time_s: not used, since this clock is read in time_utc")
            return moment_of_cell(cells, "time_utc", date, before, remarks, quote_without_numbers)
        return _epoch_of_cell(cells, date, remarks)
    if cells.get("time_utc"):
        remarks.append(
            'time_utc: not used, since this clock is read in time_s; with clock = "utc" it is'
        )
    return _clock_reading(cells, clock, remarks)


def _epoch_of_cell(cells: Mapping[str, str], date: dt.date, remarks: list[str]) -> float | None:
    """A moment that is written in time_s as seconds since 1970."""
    text = cells.get("time_s", "")
    if not text:
        return None
    value = parse_reading(text)
    low, high = EPOCH_LIMITS_S
    if ":" in text or not low < value < high:
        remarks.append(
            'time_s: not UTC, and the clock is "utc"; write UTC into time_utc (17:03:20.25Z), '
            'or set clock = "own" or "rep"'
        )
        return None
    moment = dt.datetime.fromtimestamp(value, dt.UTC).isoformat()
    return moment_of_cell({"time_s": moment}, "time_s", date, None, remarks, quote_without_numbers)


def _clock_reading(
    cells: Mapping[str, str], clock: ObserverClock, remarks: list[str]
) -> float | None:
    text = cells.get("time_s", "")
    if not text:
        return None
    value, longest_s = parse_reading(text), LONGEST_CLOCK_S[clock]
    if math.isnan(value):
        remarks.append(
            f"time_s: {quote_without_numbers(text)} is not a time; expected seconds, or minutes "
            "and seconds as 1:02.35"
        )
        return None
    if abs(value) > longest_s:
        hint = '; for UTC set clock = "utc"' if value > EPOCH_LIMITS_S[0] else ""
        remarks.append(
            f'time_s: beyond {longest_s:.0f} s of a clock "{clock}"; the cell is passed over{hint}'
        )
        return None
    return value


def _standard_error(
    cells: Mapping[str, str], column: str, low: float, high: float, remarks: list[str]
) -> float | None:
    value = _number(cells, column, (0.0, high), remarks)
    if value is not None and value < low:
        remarks.append(f"{column}: too small for a standard error; the cell is passed over")
        return None
    return value


def _number(
    cells: Mapping[str, str], column: str, limits: tuple[float, float], remarks: list[str]
) -> float | None:
    return number_cell(cells, column, limits, remarks, quote_without_numbers)
