"""Every constant a session's tables rest on, for the record of a run.

The constants are the upper-case names at the top of the modules of `ROOMS`, private ones too,
and the versions and bounds of the tables' schemas. Modules are found by walking the packages,
so a new one cannot be forgotten. Each constant stands once, with the module that defines it and
not with those that import it. A number written inside a function is not seen: what changes
there changes with the version of batontrace, which the record holds as well.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import math
import pkgutil
import re
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import lru_cache
from importlib.abc import InspectLoader
from types import FunctionType, ModuleType
from typing import Any

import numpy as np

from pipeline.tables import schema

ROOMS = ("pipeline.base", "pipeline.measure", "pipeline.read", "pipeline.session")
ELSEWHERE = (  # modules, and constants of others, that reach no table of a session
    "pipeline.base.asking",  # words of errors
    "pipeline.base.cause_weeks",  # of advice
    "pipeline.base.defaults.COLLISION_S",
    "pipeline.base.defaults.FAILURE_S",
    "pipeline.base.defaults.RISKY",
    "pipeline.base.defaults.STAKES_S",
    "pipeline.base.defaults.SEED",
    "pipeline.base.track_rule",  # of cards
    "pipeline.base.words",  # cautions: pages and cards show them
    "pipeline.base.file_systems",  # which names are refused
    "pipeline.measure.placement",  # lays out a venue, which is then a file of the session
    "pipeline.measure.placing_walk",  # as placement
    "pipeline.read.practice.documents",  # which files are refused, and words of errors
    "pipeline.read.practice.csv_cells",  # how much of a cell a remark shows
    "pipeline.read.practice.problems",  # how many remarks
    "pipeline.read.practice.races.RACE_SPEED_LIMITS_MPS",  # what is refused
    "pipeline.read.practice.survey",  # as placement
    "pipeline.read.units",  # names of units, which are kept in no table
    "pipeline.read.practice.time_zones",
    "pipeline.session.call_outs",  # what is called out is then in the sheet
    "pipeline.session.check",
    "pipeline.session.constants",
    "pipeline.session.device_files",  # what is found there is then in session.toml
    "pipeline.session.new_session",
    "pipeline.session.traced_lane",
    "pipeline.session.watch",
    "pipeline.session.note",
    "pipeline.session.sheet_text",
    "pipeline.session.venue_file",
    "pipeline.session.venue_sharpening",
    "pipeline.session.template",
)
LONGEST = 30  # characters of one constant in the record; a longer one stands there by its digest
NAMED_CHANGES = 6  # in a sentence about what changed


DEFINITION = re.compile(r"^(_?[A-Z][A-Z0-9_, ]*?)(?:: [^=\n]+)? = ", re.MULTILINE)


def gather_constants() -> dict[str, dict[str, Any]]:
    """All constants by module and name, such as {"measure.noise": {"STILL_S": 3.0}}.

    A number or a string stands as it is; arrays, estimates and the like stand as JSON text, by
    their digest where that is long. The values are those of this moment, and the result comes
    back from JSON as it went.
    """
    found = {
        module.__name__.removeprefix("pipeline."): _constants_of(module) for module in _modules()
    }
    found["schemas"] = {table: _schema_of(table) for table in schema.TABLES}
    return {name: constants for name, constants in found.items() if constants}


def differences(before: Any, now: Mapping[str, Mapping[str, Any]]) -> str:
    """Which constants differ between a stored record and `now`, in words; "" where none does.

    `before` is what `gather` gave to the former run, or whatever an older version recorded.
    """
    if not isinstance(before, Mapping) or not all(isinstance(v, Mapping) for v in before.values()):
        return "settings: recorded by an older version"
    changed = [
        f"{module}.{name}"
        for module in sorted({*before, *now})
        for name in sorted({*before.get(module, {}), *now.get(module, {})})
        if before.get(module, {}).get(name) != now.get(module, {}).get(name)
    ]
    if not changed:
        return ""
    more = f" and {len(changed) - NAMED_CHANGES} more" if len(changed) > NAMED_CHANGES else ""
    return f"settings: {', '.join(changed[:NAMED_CHANGES])}{more}"


@lru_cache(maxsize=1)
def _modules() -> tuple[ModuleType, ...]:
    """The modules of `ROOMS` in the order of their names, but for those `ELSEWHERE`."""
    names = set(ROOMS)
    for room in ROOMS:
        path = importlib.import_module(room).__path__
        names |= {found.name for found in pkgutil.walk_packages(path, f"{room}.")}
    return tuple(importlib.import_module(name) for name in sorted(names - {*ELSEWHERE}))


@lru_cache(maxsize=256)
def _defined_names(module: ModuleType) -> frozenset[str]:
    """The upper-case names that a module defines at its top, or, where its source is not there, all
    that it has: then what it imports stands with it too."""
    loader = None if module.__spec__ is None else module.__spec__.loader
    source = loader.get_source(module.__name__) if isinstance(loader, InspectLoader) else None
    if source is None:
        return frozenset(name for name in vars(module) if name.isupper())
    found = DEFINITION.findall(source)
    return frozenset(name for names in found for name in names.split(", "))


def _constants_of(module: ModuleType) -> dict[str, Any]:
    """A module's own upper-case names that hold data, as `_one_line` has them."""
    values = {
        name: _plain_data(value)
        for name, value in sorted(vars(module).items())
        if name in _defined_names(module) and f"{module.__name__}.{name}" not in ELSEWHERE
    }
    return {name: _one_line(value) for name, value in values.items() if value is not None}


def _plain_data(value: object) -> Any:
    """A constant in numbers, strings, lists and dicts; None where it is no data (a lock, a type
    variable, a time zone)."""
    if isinstance(value, np.ndarray | np.generic):
        return _plain_data(value.tolist())
    if isinstance(value, str | int) or (isinstance(value, float) and math.isfinite(value)):
        return value
    if isinstance(value, float | bytes | complex | range):
        return repr(value)
    if isinstance(value, re.Pattern):
        return [_plain_data(value.pattern), value.flags]
    if isinstance(value, FunctionType):
        return f"{value.__module__}.{value.__qualname__}"
    if isinstance(value, Mapping):
        return {str(key): _plain_data(own) for key, own in value.items()}
    if isinstance(value, set | frozenset):
        return sorted((_plain_data(own) for own in value), key=repr)
    if isinstance(value, tuple | list):
        return [_plain_data(own) for own in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: _plain_data(getattr(value, one.name)) for one in fields(value)}
    return None


def _one_line(value: Any) -> Any:
    text = json.dumps(value, sort_keys=True, ensure_ascii=False)
    if len(text) > LONGEST:
        return _short_digest(text)
    return text if isinstance(value, list | dict) else value


def _short_digest(text: str) -> str:
    """The first eight digits of the text's SHA-256: enough to tell that a constant changed."""
    return f"#{hashlib.sha256(text.encode()).hexdigest()[:8]}"


def _schema_of(table: str) -> str:
    """A table's version, and a digest of its columns' types and bounds: a figure out of bounds
    is left empty."""
    facts = schema.facts(table)
    columns = [
        [one.name, one.type, one.nullable, *map(str, one.bounds), one.values, one.sd]
        for one in facts.columns
    ]
    return f"version {facts.version}, {_short_digest(json.dumps(columns))}"
