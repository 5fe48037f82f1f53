"""TOML values into checked Python ones: texts, numbers, choices and paths, and lists of tables."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from pipeline.base.asking import did_you_mean, either
from pipeline.base.file_systems import folded
from pipeline.errors import SessionError
from pipeline.read.practice.problems import collected_errors

T = TypeVar("T")
TomlTable = Mapping[str, Any]


def toml_tables(document: TomlTable, name: str) -> list[tuple[str, TomlTable]]:
    """(where, table) of each [name] or [[name]]; `made_tables` reports what is no table."""
    value = document.get(name)
    if name == "session":
        return [("[session]", value)] if isinstance(value, dict) else []
    rows = value if isinstance(value, list) else []
    return [(f"[[{name}]] {i}", row) for i, row in enumerate(rows, 1) if isinstance(row, dict)]


def made_tables(
    document: TomlTable, name: str, make: Callable[[str, TomlTable], T], wrong: list[SessionError]
) -> list[T]:
    """What `make` makes of each [[name]]; what is wrong with them goes to `wrong`."""
    value = document.get(name, [])
    if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
        wrong.append(
            SessionError(f"[{name}]", "not a list of tables", f"[[{name}]], in double brackets")
        )
        return []
    made = []
    for where, table in toml_tables(document, name):
        with collected_errors(wrong, SessionError):
            made.append(make(where, table))
    return made


def check_unique(table: str, key: str, values: Iterable[str], wrong: list[SessionError]) -> None:
    """Adds an error to `wrong` for each value that stands twice."""
    seen: set[str] = set()
    for value in values:
        if value in seen:
            wrong.append(
                SessionError(
                    f"{table} {key}", f'"{value}" stands twice', "each once", "delete one of them"
                )
            )
        seen.add(value)


def text_value(where: str, table: TomlTable, key: str) -> str:
    """The text of a key that must be there."""
    value = table.get(key)
    if value is None:
        raise SessionError(f"{where} {key}", "missing", f'{key} = "..."')
    if not isinstance(value, str) or not value.strip():
        raise SessionError(f"{where} {key}", shown_value(value), f'text in quotes, {key} = "..."')
    return value.strip()


def shown_value(value: object) -> str:
    """The value as an error shows it."""
    try:
        return json.dumps(value, default=str)[:80]
    except (ValueError, RecursionError):
        return "a number of thousands of digits, or brackets nested too deep"


def number_value(where: str, value: Any, low: float, high: float, what: str) -> float:
    """The number, checked to lie within `low` and `high`; `what` says what it means."""
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not low <= value <= high:  # a NaN compares false
        raise SessionError(where, shown_value(value), f"{what}, {low:g} to {high:g}")
    return float(value)


def file_value(where: str, table: TomlTable, key: str, session: Path) -> Path:
    """An absolute path. Refused where it leads out of the folder around the session's own.

    A name that Windows or a Mac would take for the one on the disk is taken for it everywhere, and
    so is a backslash between folders.
    """
    text = text_value(where, table, key)
    if "\0" in text:
        raise SessionError(f"{where} {key}", "a path with a null character", "the name of a file")
    home = Path(os.path.abspath(session)).parent
    full = Path(os.path.normpath(home / text))
    if "\\" in text and not os.path.lexists(full):
        full = Path(os.path.normpath(home / text.replace("\\", "/")))
    if not full.is_relative_to(home.parent):
        raise SessionError(
            f"{where} {key}",
            f'"{text}" leads out of {home.parent}',
            "a file in the session's folder or in a folder beside it",
            "move or link the file there",
        )
    return full if os.path.lexists(full) else _like_named(full)


def _like_named(path: Path) -> Path:
    """The one file beside `path` that has its name for Windows or a Mac; else `path`."""
    with suppress(OSError, ValueError):
        alike = [name for name in os.listdir(path.parent) if folded(name) == folded(path.name)]
        if len(alike) == 1:
            return path.with_name(alike[0])
    return path


def choice_value(
    where: str, table: TomlTable, key: str, known: tuple[str, ...], default: str
) -> str:
    """One of the `known` words; `default` where the key is missing."""
    value = table.get(key, default)
    if value not in known:
        hint = did_you_mean(value, known) if isinstance(value, str) else ""
        raise SessionError(f"{where} {key}", shown_value(value), either(known), hint)
    return str(value)
