"""session.toml with its venue, and its practice sheet, into one validated Session."""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, Literal, TypeVar, cast, get_args

from pipeline.base.relays import legs_m
from pipeline.base.values import RecordingSpec, Runner, Session, Tap, Venue, Worn
from pipeline.errors import SessionError
from pipeline.read.plain_file import plain_file_bytes
from pipeline.read.practice.problems import did_you_mean, either, misspelt, noted, together
from pipeline.read.practice.sheet import DAYS_OFF_MAX, days_from, read_sheet
from pipeline.read.practice.venue import LANE_MAX, read_venue

KEYS: dict[str, tuple[str, ...]] = {
    "session": ("id", "date", "venue", "event", "lane", "reps"),
    "runner": ("id", "foot_m"),
    "recording": ("runner", "file", "worn", "clock", "columns"),
    "sync": ("kind", "near_utc", "window_s"),
}
FOOT_M = (0.15, 0.45)
WINDOW_S, WINDOW_MAX_S = 10.0, 600.0
MOST_BYTES = 4 << 20  # of a session.toml: ten thousand recordings

T = TypeVar("T")
Table = Mapping[str, Any]


def read_session(path: Path) -> Session:
    """The session of a session.toml (or of the folder that holds one), its sheet and venue.

    Structure must be right: the first file with problems stops with all of its problems in
    one SessionError (VenueError for the venue). A row of the sheet that cannot be used is
    left out and a cell that cannot be read is passed over, each with a remark that names
    the line. Files of recordings need not exist yet.

    Paths are relative to session.toml; they may climb to a folder beside the session's own
    (`../venues/north.geojson`) and no further, so that a session from elsewhere cannot
    point at whatever lies on this machine. Keys the contract does not know are passed over
    with a remark, unless they look like a known one misspelt.
    """
    path = Path(path)
    path = path / "session.toml" if os.path.isdir(path) else path
    document = _parse(path)
    wrong: list[SessionError] = []
    remarks = _strange_names(document, wrong)
    head = _head(path, document, wrong)
    runners = _each(document, "runner", _runner, wrong)
    # as written: a runner wrong in something else is still known to the recordings
    ids = [t["id"].strip() for _, t in _tables(document, "runner") if isinstance(t.get("id"), str)]
    _no_second("[[runner]]", "id", ids, wrong)
    recordings = _each(document, "recording", partial(_recording, path, ids), wrong)
    _no_second("[[recording]]", "file", [os.path.normpath(s.path) for s in recordings], wrong)
    taps = _each(document, "sync", partial(_tap, head.get("date")), wrong)
    wrong += [
        SessionError(f"[[{name}]]", "none", f"one [[{name}]] for each {name}")
        for name in ("runner", "recording")
        if not document.get(name)
    ]
    if wrong:
        raise together(SessionError, path, wrong)
    venue = read_venue(head["venue"])
    _check_lane(path, head["lane"], venue)
    reps = None
    if head["reps"]:
        zones = {(s.lane, s.zone) for s in venue.zone_lines if s.zone is not None}
        reps, told = read_sheet(head["reps"], runners, zones, head["date"], head["lane"])
        remarks += told
    return Session(
        path=path,
        id=head["id"],
        date=head["date"].isoformat(),
        event=head["event"],
        lane=head["lane"],
        venue=venue,
        runners=tuple(runners),
        recordings=tuple(recordings),
        taps=tuple(taps),
        reps=reps,
        remarks=tuple(remarks),
        sheet=head["reps"],
    )


def _parse(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(plain_file_bytes(path, MOST_BYTES).decode("utf-8-sig"))
    except FileNotFoundError:
        raise SessionError(
            path, "no such file", "a session.toml", "start from a template, or check the path"
        ) from None
    except OSError as error:
        raise SessionError(
            path,
            f"cannot be read: {error.strerror}",
            "a session.toml",
            "check the path and the file's permissions",
        ) from None
    except UnicodeDecodeError as error:
        raise SessionError(path, f"byte {error.start} is not UTF-8", "text in UTF-8") from None
    except RecursionError:
        raise SessionError(path, "brackets nested too deep", "TOML of one level or two") from None
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        raise SessionError(
            path,
            f"not TOML: {error}",
            "key = value; text in quotes",
            "mend that line; `batontrace template` writes a file to compare with",
        ) from None


# --- names -----------------------------------------------------------------------------


def _strange_names(document: Table, wrong: list[SessionError]) -> list[str]:
    """Remarks on tables and keys that are not read; errors on those that are misspelt."""
    remarks = []
    for name, known in misspelt(document, KEYS).items():
        wrong.append(
            SessionError(f"[{name}]", "no such table", either(KEYS), f'did you mean "{known}"?')
        )
    told = {w for w in document if w not in KEYS} - set(misspelt(document, KEYS))
    remarks += [f'session.toml: "{name}" is not read' for name in sorted(told)]
    for table, keys in KEYS.items():
        for where, values in _tables(document, table):
            bad = misspelt(values, keys)
            wrong += [
                SessionError(f"{where} {w}", "no such key", either(keys), f'did you mean "{k}"?')
                for w, k in bad.items()
            ]
            remarks += [
                f'session.toml, {where}: "{key}" is not read'
                for key in values
                if key not in keys and key not in bad
            ]
    return remarks


def _tables(document: Table, name: str) -> list[tuple[str, Table]]:
    """(where, table) of each [name] or [[name]]; what is no table is left to `_each`."""
    value = document.get(name)
    if name == "session":
        return [("[session]", value)] if isinstance(value, dict) else []
    rows = value if isinstance(value, list) else []
    return [(f"[[{name}]] {i}", row) for i, row in enumerate(rows, 1) if isinstance(row, dict)]


def _each(
    document: Table, name: str, make: Callable[[str, Table], T], wrong: list[SessionError]
) -> list[T]:
    value = document.get(name, [])
    if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
        wrong.append(
            SessionError(f"[{name}]", "not a list of tables", f"[[{name}]], twice bracketed")
        )
        return []
    made = []
    for where, table in _tables(document, name):
        with noted(wrong, SessionError):
            made.append(make(where, table))
    return made


def _no_second(table: str, key: str, values: Iterable[str], wrong: list[SessionError]) -> None:
    seen: set[str] = set()
    for value in values:
        if value in seen:
            wrong.append(
                SessionError(
                    f"{table} {key}", f'"{value}" twice', "each once", "delete one of them"
                )
            )
        seen.add(value)


# --- tables ----------------------------------------------------------------------------


def _head(path: Path, document: Table, wrong: list[SessionError]) -> dict[str, Any]:
    """id, date, venue, event, lane and reps, each read where it can be."""
    head = document.get("session")
    if not isinstance(head, dict):
        if not any(known == "session" for known in misspelt(document, KEYS).values()):
            wrong.append(SessionError("[session]", "no such table", f"[session] with {_needed()}"))
        return {}
    readers: dict[str, Callable[[], Any]] = {
        "id": lambda: _id(head),
        "date": lambda: _date(head),
        "event": lambda: _event(head),
        "lane": lambda: _lane(head),
        "venue": lambda: _file("[session]", head, "venue", path),
        "reps": lambda: _file("[session]", head, "reps", path) if head.get("reps") else None,
    }
    values = {}
    for name, reader in readers.items():
        if name not in head and name in misspelt(head, KEYS["session"]).values():
            continue  # told already, as a misspelt key
        with noted(wrong, SessionError):
            values[name] = reader()
    return values


def _needed() -> str:
    return "id, date, venue and event"


def _text(where: str, table: Table, key: str) -> str:
    value = table.get(key)
    if value is None:
        raise SessionError(f"{where} {key}", "missing", f'{key} = "..."')
    if not isinstance(value, str) or not value.strip():
        raise SessionError(f"{where} {key}", _shown(value), f'text in quotes, {key} = "..."')
    return value.strip()


def _shown(value: object) -> str:
    try:
        return json.dumps(value, default=str)[:80]
    except (ValueError, RecursionError):
        return "a number of thousands of digits, or brackets nested too deep"


def _number(where: str, value: Any, low: float, high: float, what: str) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not low <= value <= high:  # a NaN compares false
        raise SessionError(where, _shown(value), f"{what}, {low:g} to {high:g}")
    return float(value)


def _file(where: str, table: Table, key: str, session: Path) -> Path:
    """An absolute path; refused where it leaves the folder round the session's own."""
    text = _text(where, table, key)
    if "\0" in text:
        raise SessionError(f"{where} {key}", "a path with a null character", "a file's name")
    home = Path(os.path.abspath(session)).parent
    full = Path(os.path.normpath(home / text))
    if not full.is_relative_to(home.parent):
        raise SessionError(
            f"{where} {key}",
            f'"{text}" leads out of {home.parent}',
            "a file in the session's folder or in a folder beside it",
            "move or link the file there",
        )
    return full


def _id(head: Table) -> str:
    value = _text("[session]", head, "id")
    if not re.fullmatch(r"[A-Za-z0-9_.-]{1,100}", value) or not value.strip("."):
        raise SessionError(
            "[session] id", f'"{value}"', "letters, digits, '-', '_' and '.', at most 100"
        )
    return value


def _date(head: Table) -> dt.date:
    value = head.get("date")
    if isinstance(value, str):
        with suppress(ValueError):
            value = dt.date.fromisoformat(value.strip())
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        found = "missing" if value is None else _shown(value)
        raise SessionError("[session] date", found, "a day without time, date = 2026-05-12")
    return value


def _event(head: Table) -> str:
    value = _text("[session]", head, "event")
    plain = re.sub(r"\s+|m$", "", value.casefold().strip()).replace("×", "x").replace("*", "x")
    if not legs_m(plain):
        raise SessionError(
            "[session] event", f'"{value}"', '"4x100", "4x200", "4x400" or like "100-200-300-400"'
        )
    return plain


def _lane(head: Table) -> int | None:
    value = head.get("lane")
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= LANE_MAX:
        raise SessionError(
            "[session] lane", _shown(value), f"a whole number from 1 to {LANE_MAX}, no quotes"
        )
    return value


def _check_lane(path: Path, lane: int | None, venue: Venue) -> None:
    known = sorted({s.lane for s in venue.zone_lines})
    if lane is not None and known and lane not in known:
        raise SessionError(
            f"{path}, [session] lane",
            str(lane),
            f"a lane with zone lines in {venue.path.name}: {', '.join(map(str, known))}",
        )


def _runner(where: str, table: Table) -> Runner:
    name = _text(where, table, "id")
    foot = table.get("foot_m")
    if foot is not None:
        foot = _number(f'{where} ("{name}") foot_m', foot, *FOOT_M, "a shoe's length in metres")
    return Runner(name, foot)


def _recording(session: Path, runners: list[str], where: str, table: Table) -> RecordingSpec:
    runner = _text(where, table, "runner")
    if runner not in runners:
        raise SessionError(
            f"{where} runner",
            f'"{runner}" is no [[runner]]',
            f"one of {', '.join(runners) or 'none'}",
            did_you_mean(runner, runners) or f'add a [[runner]] with id = "{runner}"',
        )
    return RecordingSpec(
        runner=runner,
        path=_file(where, table, "file", session),
        file=_text(where, table, "file"),
        worn=cast(Worn, _choice(where, table, "worn", get_args(Worn), "upper-back")),
        clock=cast(
            Literal["gnss", "device"], _choice(where, table, "clock", ("gnss", "device"), "gnss")
        ),
        columns=_columns(where, table.get("columns")),
    )


def _choice(where: str, table: Table, key: str, known: tuple[str, ...], default: str) -> str:
    value = table.get(key, default)
    if value not in known:
        hint = did_you_mean(value, known) if isinstance(value, str) else ""
        raise SessionError(f"{where} {key}", _shown(value), either(known), hint)
    return str(value)


def _columns(where: str, value: Any) -> dict[str, dict[str, str]] | None:
    """name -> {column, unit}; which names and units there are is the CSV reader's to know."""
    if value is None:
        return None
    if not isinstance(value, dict) or not value:
        raise SessionError(
            f"{where} columns", _shown(value), '{ time = { column = "ms", unit = "ms" }, ... }'
        )
    for name, entry in value.items():
        good = isinstance(entry, dict) and all(isinstance(v, str) for v in entry.values())
        if not good or not set(entry) <= {"column", "unit"} or not entry.get("column"):
            raise SessionError(
                f"{where} columns.{name}", _shown(entry), '{ column = "a header", unit = "g" }'
            )
    return {name: dict(entry) for name, entry in value.items()}


def _tap(date: dt.date | None, where: str, table: Table) -> Tap:
    _choice(where, table, "kind", ("tap",), "")
    value = table.get("near_utc")
    expected = "a moment with its zone, near_utc = 2026-05-12T17:03:20Z"
    if isinstance(value, str):
        try:
            value = dt.datetime.fromisoformat(value.strip())
        except ValueError:
            raise SessionError(f"{where} near_utc", _shown(value), expected) from None
    if not isinstance(value, dt.datetime):
        found = "missing" if value is None else _shown(value)
        raise SessionError(f"{where} near_utc", found, expected)
    if value.tzinfo is None:
        raise SessionError(
            f"{where} near_utc", f"{value.isoformat()} without a zone", expected, "add Z for UTC"
        )
    if date is not None and abs(days_from(date, value.timestamp())) > DAYS_OFF_MAX:
        raise SessionError(
            f"{where} near_utc",
            f"{value.isoformat()}, not on the session's day",
            f"a moment of {date.isoformat()}",
        )
    window = _number(
        f"{where} window_s", table.get("window_s", WINDOW_S), 0.1, WINDOW_MAX_S, "seconds"
    )
    return Tap(value.timestamp(), window)
