"""The tables of a session.toml: their keys, and the value that each becomes."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Literal, cast, get_args

from pipeline.base import defaults
from pipeline.base.asking import did_you_mean, either, misspelt, one_of, question
from pipeline.base.relays import legs_m
from pipeline.base.values import (
    Observer,
    ObserverClock,
    ObserverKind,
    ObserverUse,
    RecordingSpec,
    Runner,
    Tap,
    Worn,
)
from pipeline.errors import SessionError
from pipeline.read.practice.dates import is_near_day, moment_in_zone
from pipeline.read.practice.problems import MOST_PROBLEMS_SHOWN, collected_errors
from pipeline.read.practice.time_zones import time_zone_of_key
from pipeline.read.practice.toml_values import (
    TomlTable,
    choice_value,
    file_value,
    number_value,
    shown_value,
    text_value,
    toml_tables,
)
from pipeline.read.practice.venue import MOST_LANES

SESSION_KEYS: dict[str, tuple[str, ...]] = {
    "session": ("id", "date", "venue", "event", "lane", "reps", "time_zone"),
    "runner": ("id", "foot_m"),
    "recording": ("runner", "file", "worn", "clock", "columns"),
    "sync": ("kind", "near_utc", "window_s"),
    "observer": ("id", "kind", "file", "clock", "near_utc", "sd_s", "use"),
    "race": ("id", "event", "lane", "team", "gun_utc", "official_time_s"),
}
DEFAULT_TAP_WINDOW_S, MOST_TAP_WINDOW_S = 10.0, 600.0
# The contract's clock of each kind of observer, and the standard error of one reading.
OBSERVER_DEFAULTS: dict[ObserverKind, tuple[ObserverClock, float]] = {
    "film": ("own", 0.02),
    "gates": ("utc", 0.003),
    "watch": ("rep", 0.15),
}
READING_SD_LIMITS_S = (1e-4, 5.0)


def unread_name_remarks(document: TomlTable, wrong: list[SessionError]) -> list[str]:
    """Remarks on tables and keys that are not read. Those that look misspelt go to `wrong`."""
    remarks = []
    for name, known in misspelt(document, SESSION_KEYS).items():
        wrong.append(
            SessionError(f"[{name}]", "no such table", either(SESSION_KEYS), question(known))
        )
    unread = {w for w in document if w not in SESSION_KEYS} - set(misspelt(document, SESSION_KEYS))
    remarks += [f'session.toml: "{name}" is not read' for name in sorted(unread)]
    for table, keys in SESSION_KEYS.items():
        for where, values in toml_tables(document, table):
            bad = misspelt(values, keys)
            wrong += [
                SessionError(f"{where} {w}", "no such key", either(keys), question(k))
                for w, k in bad.items()
            ]
            remarks += [
                f'session.toml, {where}: "{key}" is not read'
                for key in values
                if key not in keys and key not in bad
            ]
    return remarks


def session_head(path: Path, document: TomlTable, wrong: list[SessionError]) -> dict[str, Any]:
    """The [session] table's id, date, venue, event, lane, reps and time_zone, as far as they can
    be read.

    What is wrong with the others goes to `wrong`.
    """
    head = document.get("session")
    if not isinstance(head, dict):
        if not any(known == "session" for known in misspelt(document, SESSION_KEYS).values()):
            wrong.append(
                SessionError(
                    "[session]", "no such table", "[session] with id, date, venue and event"
                )
            )
        return {}
    readers: dict[str, Callable[[], Any]] = {
        "id": lambda: id_value("[session]", head),
        "date": lambda: _session_date(head),
        "event": lambda: relay_value("[session]", head),
        "lane": lambda: lane_value("[session]", head),
        "venue": lambda: file_value("[session]", head, "venue", path),
        "reps": lambda: file_value("[session]", head, "reps", path) if head.get("reps") else None,
        "time_zone": lambda: time_zone_of_key("[session]", head),
    }
    values = {}
    for name, reader in readers.items():
        if name not in head and name in misspelt(head, SESSION_KEYS["session"]).values():
            continue  # already reported as misspelt
        with collected_errors(wrong, SessionError):
            values[name] = reader()
    return values


def id_value(where: str, table: TomlTable) -> str:
    """The key id, of letters that are safe in the name of a file."""
    value = text_value(where, table, "id")
    if not re.fullmatch(r"[A-Za-z0-9_.-]{1,100}", value) or not value.strip("."):
        raise SessionError(
            f"{where} id", f'"{value}"', "letters, digits, '-', '_' and '.', at most 100"
        )
    return value


def _session_date(head: TomlTable) -> dt.date:
    value = head.get("date")
    if isinstance(value, str):
        with suppress(ValueError):
            value = dt.date.fromisoformat(value.strip())
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        found = "missing" if value is None else shown_value(value)
        raise SessionError("[session] date", found, "a day without time, date = 2026-05-12")
    return value


def relay_value(where: str, table: TomlTable) -> str:
    """The key event, a relay whose legs are known."""
    value = text_value(where, table, "event")
    plain = re.sub(r"\s+|m$", "", value.casefold().strip()).replace("×", "x").replace("*", "x")
    if not legs_m(plain):
        raise SessionError(
            f"{where} event", f'"{value}"', '"4x100", "4x200", "4x400" or like "100-200-300-400"'
        )
    return plain


def lane_value(where: str, table: TomlTable) -> int | None:
    """The key lane, None where it is missing."""
    value = table.get("lane")
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MOST_LANES:
        raise SessionError(
            f"{where} lane",
            shown_value(value),
            f"a whole number from 1 to {MOST_LANES}, without quotes",
        )
    return value


def runner_of_table(where: str, table: TomlTable) -> Runner:
    """A [[runner]]."""
    name = text_value(where, table, "id")
    foot = table.get("foot_m")
    if foot is not None:
        where = f'{where} ("{name}") foot_m'
        foot = number_value(where, foot, *defaults.FOOT_LIMITS_M, "a shoe's length in metres")
    return Runner(name, foot)


def stranger_errors(document: TomlTable, runners: Collection[str]) -> dict[str, SessionError]:
    """The error for each name of a [[recording]] that no [[runner]] has, but for its `where`.

    What was meant is looked for only for as many as are shown.
    """
    names = (table.get("runner") for _, table in toml_tables(document, "recording"))
    strangers = dict.fromkeys(n.strip() for n in names if isinstance(n, str))
    errors: dict[str, SessionError] = {}
    for name in strangers:
        if name in runners:
            continue
        expected, do = "the id of a [[runner]]", ""
        if len(errors) < MOST_PROBLEMS_SHOWN:
            expected = one_of(runners, name)
            do = did_you_mean(name, runners) or f'add a [[runner]] with id = "{name}"'
        errors[name] = SessionError("", f'"{name}" is not a [[runner]]', expected, do)
    return errors


def recording_of_table(
    session: Path, strangers: Mapping[str, SessionError], where: str, table: TomlTable
) -> RecordingSpec:
    """A [[recording]] of a runner who is none of the `strangers`; `session` is the path of
    session.toml."""
    runner = text_value(where, table, "runner")
    if (why := strangers.get(runner)) is not None:
        raise SessionError(f"{where} runner", why.found, why.expected, why.do)
    return RecordingSpec(
        runner=runner,
        path=file_value(where, table, "file", session),
        file=text_value(where, table, "file"),
        worn=cast(Worn, choice_value(where, table, "worn", get_args(Worn), "upper-back")),
        clock=cast(
            Literal["gnss", "device"],
            choice_value(where, table, "clock", ("gnss", "device"), "gnss"),
        ),
        columns=_recording_columns(where, table.get("columns")),
    )


def _recording_columns(where: str, value: Any) -> dict[str, dict[str, str]] | None:
    """{name: {column, unit}}. The reader of CSV checks which names and units there are."""
    if value is None:
        return None
    if not isinstance(value, dict) or not value:
        raise SessionError(
            f"{where} columns", shown_value(value), '{ time = { column = "ms", unit = "ms" }, ... }'
        )
    for name, entry in value.items():
        good = isinstance(entry, dict) and all(isinstance(v, str) for v in entry.values())
        if not good or not set(entry) <= {"column", "unit"} or not entry.get("column"):
            raise SessionError(
                f"{where} columns.{name}", shown_value(entry), '{ column = "a header", unit = "g" }'
            )
    return {name: dict(entry) for name, entry in value.items()}


def tap_of_table(date: dt.date | None, where: str, table: TomlTable) -> Tap:
    """A [[sync]] on the session's date."""
    choice_value(where, table, "kind", ("tap",), "")
    near_utc_s = _near_utc(where, table, date)
    window = number_value(
        f"{where} window_s",
        table.get("window_s", DEFAULT_TAP_WINDOW_S),
        0.1,
        MOST_TAP_WINDOW_S,
        "seconds",
    )
    return Tap(near_utc_s, window)


def observer_of_table(
    session: Path, date: dt.date | None, where: str, table: TomlTable
) -> Observer:
    """An [[observer]], with nothing of what it saw yet; `session` is the path of session.toml."""
    name = text_value(where, table, "id")
    file = file_value(where, table, "file", session)
    kind = cast(ObserverKind, choice_value(where, table, "kind", get_args(ObserverKind), ""))
    usual_clock, usual_sd_s = OBSERVER_DEFAULTS[kind]
    clock = choice_value(where, table, "clock", get_args(ObserverClock), usual_clock)
    near_utc_s = None
    if "near_utc" in table:
        if clock != "own":
            raise SessionError(
                f"{where} near_utc",
                f'given, and the clock is "{clock}"',
                'near_utc only where clock = "own", whose zero is not known',
                'delete near_utc, or set clock = "own"',
            )
        near_utc_s = _near_utc(where, table, date)
    sd_s = number_value(
        f"{where} sd_s", table.get("sd_s", usual_sd_s), *READING_SD_LIMITS_S, "seconds"
    )
    return Observer(
        id=name,
        kind=kind,
        path=file,
        file=text_value(where, table, "file"),
        clock=cast(ObserverClock, clock),
        use=cast(ObserverUse, choice_value(where, table, "use", get_args(ObserverUse), "measure")),
        near_utc_s=near_utc_s,
        sd_s=sd_s,
    )


def _near_utc(where: str, table: TomlTable, date: dt.date | None) -> float:
    """POSIX seconds of the key near_utc, a moment on the session's date."""
    if "near_utc" not in table:
        raise SessionError(f"{where} near_utc", "missing", _expected_moment("near_utc", False))
    return moment_value(where, table, "near_utc", date, None)


def _expected_moment(key: str, has_zone: bool) -> str:
    zone = "a moment" if has_zone else "a moment with its zone"
    return f"{zone}, {key} = 2026-05-12T17:03:20Z"


def moment_value(
    where: str, table: TomlTable, key: str, date: dt.date | None, zone: dt.tzinfo | None
) -> float:
    """POSIX seconds of a key, a moment on the session's date. Without a zone of its own it is local
    to `zone`, and refused where that is None."""
    value = table.get(key)
    expected = _expected_moment(key, zone is not None)
    if isinstance(value, str):
        try:
            value = dt.datetime.fromisoformat(value.strip())
        except ValueError:
            raise SessionError(f"{where} {key}", shown_value(value), expected) from None
    if not isinstance(value, dt.datetime):
        raise SessionError(f"{where} {key}", shown_value(value), expected)
    if value.tzinfo is None and zone is None:
        raise SessionError(
            f"{where} {key}", f"{value.isoformat()} without a zone", expected, "add Z for UTC"
        )
    try:
        moment = moment_in_zone(value, zone or dt.UTC)
    except (OverflowError, ValueError):  # at either end of the calendar
        raise SessionError(f"{where} {key}", value.isoformat(), expected) from None
    if date is not None and not is_near_day(date, moment.utc_s):
        raise SessionError(
            f"{where} {key}",
            f"{value.isoformat()}, not on the session's day",
            f"a moment of {date.isoformat()}",
        )
    if moment.doubt:
        raise SessionError(
            f"{where} {key}",
            f"{value.isoformat()}, "
            + ("which clocks showed twice" if moment.doubt == "twice" else "which clocks skipped"),
            expected,
            "add its zone, as +02:00, or Z for UTC",
        )
    return moment.utc_s
