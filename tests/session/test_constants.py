"""The mark of a run moves with every constant that its tables rest on."""

import ast
import importlib
import json
import pkgutil
import re
import threading
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from types import FunctionType
from typing import TypeVar

import numpy as np
import pytest
import small_sessions as small

import pipeline
from pipeline.measure import noise, steps
from pipeline.read.practice.session import read_session
from pipeline.session import constants, process
from pipeline.tables import provenance, schema

NO_DATA = (TypeVar, type(threading.Lock()))
FOUND = [
    (module, name)
    for module, values in constants.gather_constants().items()
    if module != "schemas"
    for name in values
]


def mark():
    return provenance.run_sha256(
        provenance.provenance_of_hashes({}, constants.gather_constants(), ())
    )


def other(value):
    """A value of the same kind that differs from this one, if only in one place deep inside."""
    if isinstance(value, np.ndarray):
        return ~value if value.dtype == bool else value + 1
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 1
    if isinstance(value, str):
        return value + "x"
    if isinstance(value, bytes):
        return value + b"x"
    if isinstance(value, range):
        return range(value.start, value.stop + 1)
    if isinstance(value, re.Pattern):
        return re.compile(other(value.pattern), value.flags)
    if isinstance(value, FunctionType):
        return other
    if isinstance(value, dict):
        last = list(value)[-1]
        return {**value, last: other(value[last])}
    if isinstance(value, set | frozenset):
        return type(value)([*value, "another"])
    if isinstance(value, list):
        return [*value[:-1], other(value[-1])]
    if is_dataclass(value):
        name = fields(value)[0].name
        return replace(value, **{name: other(getattr(value, name))})
    if isinstance(value, tuple):
        changed = [*value[:-1], other(value[-1])]
        return type(value)(*changed) if hasattr(value, "_fields") else tuple(changed)
    return None if value is not None else 1


@pytest.mark.parametrize(("module", "name"), FOUND, ids=[".".join(one) for one in FOUND])
def test_each_constant_moves_the_mark(monkeypatch, module, name):
    where = importlib.import_module(f"pipeline.{module}")
    before = mark()
    monkeypatch.setattr(where, name, other(getattr(where, name)))
    assert mark() != before
    monkeypatch.undo()
    assert mark() == before


def test_no_constant_of_the_rooms_is_missed():
    """Looked for in the source, so that what the walk over the modules misses is seen."""
    gathered = constants.gather_constants()
    root = Path(pipeline.__file__).parent
    seen = set()
    for room in constants.ROOMS:
        for path in (root.parent / room.replace(".", "/")).rglob("*.py"):
            words = path.relative_to(root.parent).with_suffix("").parts
            module = ".".join(words[:-1] if words[-1] == "__init__" else words)
            if module in constants.ELSEWHERE:
                continue
            for statement in ast.parse(path.read_text(encoding="utf-8")).body:
                targets = getattr(statement, "targets", [getattr(statement, "target", None)])
                for node in (n for t in targets if t is not None for n in ast.walk(t)):
                    if not (isinstance(node, ast.Name) and node.id.isupper()):
                        continue
                    if f"{module}.{node.id}" in constants.ELSEWHERE:
                        continue
                    value = getattr(importlib.import_module(module), node.id)
                    if not isinstance(value, NO_DATA):
                        seen.add((module.removeprefix("pipeline."), node.id))
    assert {one for one in seen if one[1] not in gathered.get(one[0], {})} == set()
    assert len(seen) > 200


def test_what_is_left_out_is_there_to_be_left_out():
    for name in constants.ELSEWHERE:
        pkgutil.resolve_name(name)


@pytest.mark.parametrize("table", schema.TABLES)
def test_a_bound_of_a_table_moves_the_mark(monkeypatch, table):
    before = mark()
    facts = schema.facts(table)
    columns = (*facts.columns[:-1], replace(facts.columns[-1], max=1e6))
    known = {name: schema.facts(name) for name in schema.TABLES}
    known[table] = replace(facts, columns=columns)
    monkeypatch.setattr(schema, "facts", known.__getitem__)
    assert mark() != before


def test_the_record_of_a_run_holds_them_and_stays_small(tmp_path):
    session = read_session(small.copied("plain", tmp_path))
    record = process.run_record(session, ())
    gathered = json.loads(json.dumps(record["settings"]))
    assert gathered == constants.gather_constants()
    assert gathered["measure.noise"]["STILL_S"] == noise.STILL_S
    assert json.loads(gathered["measure.steps"]["DECAYS_S"]) == steps.DECAYS_S.tolist()
    assert len(json.dumps(gathered)) < 20_000  # bytes, beside tables of hundreds of thousands


def test_what_changed_is_said_by_name(monkeypatch):
    before = constants.gather_constants()
    assert constants.differences(before, constants.gather_constants()) == ""
    monkeypatch.setattr(noise, "STILL_S", 4.0)
    monkeypatch.setattr(steps, "DECAYS_S", steps.DECAYS_S * 2)
    now = constants.gather_constants()
    assert (
        constants.differences(before, now)
        == "settings: measure.noise.STILL_S, measure.steps.DECAYS_S"
    )
    del before["measure.noise"]
    said = constants.differences(before, now)
    assert said.startswith("settings: measure.noise.CORRELATION_TIMES_S, ")
    assert re.search(r" and \d+ more$", said)


@pytest.mark.parametrize("former", [{"tau_s": 1.2}, None, []])
def test_a_record_of_an_older_version_is_another(former):
    now = constants.gather_constants()
    assert constants.differences(former, now) == "settings: recorded by an older version"
