"""Tables of decisions of which a run makes a part: the marks of one team, or of one relay.

Such a run replaces the rows of its own pairs and relays and keeps all others. The record of the
table tells under `kept` what the kept rows rest on, run by run; and where they were asked for with
other settings than the new ones, their `remarks` say with which.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import pyarrow as pa

from pipeline.base.asking import comma_list
from pipeline.base.words import count
from pipeline.errors import LockError, OutputError
from pipeline.tables import folders, lake, reading, schema, work_folder
from pipeline.tables.places import Folder, Out, Place, as_place
from pipeline.tables.provenance import MOST_RECORD_BYTES, parse_record

KEPT_WITH = "from an earlier run"  # how the remark on such rows begins
_CLAIM = ".decisions"  # no session's id begins with a dot
_PATIENCE_S = 120.0
_TOLD = ("settings", "inputs", "versions", "command", "written_utc", "run_sha256")
_DECIDING = {  # settings on which rows rest, and their words
    "risk": "risk",
    "race": "race speed",
    "wind_mps": "wind, m/s",
    "crouched": "crouched start",
    "stand_m": "stand, m",
    "pace": "pace",
    "older": "older zones",
    "latest_m": "latest pass, m",
    "half_life_days": "half-life, days",
}
_OF_RUNNERS = ("half_life_days",)


class Scope(NamedTuple):
    """What a run decides on: some relays and, where there is a `team`, the pairs within it."""

    events: tuple[str, ...]
    team: tuple[str, ...] = ()

    def covers(self, row: Mapping[str, Any]) -> bool:
        """Whether a row of a table of decisions is replaced by this run."""
        if row["event"] not in self.events:
            return False
        pair = [row[role] for role in ("incoming", "outgoing") if role in row]
        return not self.team or set(pair) <= set(self.team)


def write_part(
    out: Out, tables: Mapping[str, pa.Table], record: Mapping[str, Any], scope: Scope
) -> tuple[str, ...]:
    """Write tables of decisions, and keep what lies there of other pairs and relays.

    Returns remarks on what was kept. In a folder two such runs take turns, so that neither loses
    the other's rows; in a bucket, which has no locks, the later one wins. Raises OutputError as
    `writing.write_decisions` does, LockError after a long wait.
    """
    place = as_place(out)
    if not isinstance(place, Folder):
        return _merge_and_write(place, tables, record, scope)
    folder = place.path
    try:
        with work_folder.claim(folder, _CLAIM, _PATIENCE_S) as ours:
            if not ours:
                raise LockError(folder, "another run is writing decisions", do="try again")
            return _merge_and_write(place, tables, record, scope)
    except OSError as err:
        raise OutputError(folder, f"cannot be written ({err.strerror or err})") from err


def _merge_and_write(
    place: Place, tables: Mapping[str, pa.Table], record: Mapping[str, Any], scope: Scope
) -> tuple[str, ...]:
    merged: dict[str, pa.Table] = {}
    kept: dict[str, list[dict[str, Any]]] = {}
    remarks = []
    for name, table in tables.items():
        try:
            former = reading.read_decision_table(place, name)
        except OutputError as err:
            why = err.message_from(place)
            remarks.append(f"table {name}: nothing of other pairs and relays was kept: {why}")
            former = None
        others = [
            row for row in ([] if former is None else former.table.to_pylist())
            if not scope.covers(row)
        ]  # fmt: skip
        if not others:
            merged[name] = table
            continue
        kept[name] = _kept_parts(_read_former_record(place, name), others)
        _tell_settings(name, others, kept[name], record["settings"])
        columns = {key: [row[key] for row in others] for key in schema.facts(name).names}
        merged[name] = pa.concat_tables([table, schema.conform(name, columns)])
        about = comma_list(list(dict.fromkeys(_words_of(row) for row in others)), 6)
        remarks.append(f"table {name}: kept {count(len(others), 'row')} of earlier runs ({about})")
    lake.write_decisions(place, merged, record, kept)
    return tuple(remarks)


def _read_former_record(place: Place, table_name: str) -> dict[str, Any]:
    name = folders.decision_record_file(table_name)
    if place.stat(name) is None:
        return {}
    return parse_record(place.read(name, MOST_RECORD_BYTES)) or {}


def _key_of(row: Mapping[str, Any]) -> tuple[str, ...]:
    """The pair and relay, or the runner's relay, that rows of one run share."""
    return tuple(row[name] for name in ("event", "incoming", "outgoing") if name in row)


def _words_of(row: Mapping[str, Any]) -> str:
    event, *pair = _key_of(row)
    return f"{' to '.join(pair)}, {event}" if pair else event


def _kept_parts(
    record: Mapping[str, Any], others: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """What the kept rows rest on: the runs of the former record, each with the rows it made."""
    left = dict.fromkeys(_key_of(row) for row in others)
    older = record.get("kept")
    parts = []
    for one in older if isinstance(older, list) else []:
        if isinstance(one, dict) and isinstance(one.get("rows"), list):
            rows = [key for key in left if list(key) in one["rows"]]
            parts += [{**one, "rows": [list(key) for key in rows]}] if rows else []
            for key in rows:
                del left[key]
    if left:
        told = {name: record[name] for name in _TOLD if name in record}
        parts.insert(0, {**told, "rows": [list(key) for key in left]})
    return parts


def _tell_settings(
    table_name: str,
    others: Sequence[dict[str, Any]],
    parts: Sequence[Mapping[str, Any]],
    now: Mapping[str, Any],
) -> None:
    """Write into the remarks of kept rows the settings in which they differ from the new ones;
    the record alone tells it where a table has no remarks."""
    if "remarks" not in schema.facts(table_name).names:
        return
    wanted = _OF_RUNNERS if table_name == "runners" else tuple(_DECIDING)
    words: dict[tuple[str, ...], str] = {}
    for part in parts:
        before = part.get("settings")
        if not isinstance(before, Mapping) or not before:
            text = f"{KEPT_WITH} whose settings are not known"
        else:
            other = [name for name in wanted if before.get(name) != now.get(name)]
            told = "; ".join(f"{_DECIDING[name]}: {_in_words(before.get(name))}" for name in other)
            text = f"{KEPT_WITH}, with {told}" if told else ""
        words |= {tuple(key): text for key in part["rows"]}
    for row in others:
        plain = [one for one in row["remarks"] if not one.startswith(KEPT_WITH)]
        text = words.get(_key_of(row), "")
        shown = row.get("advised", True)  # of candidate marks only the advised one has remarks
        row["remarks"] = [*plain, text] if text and shown else plain


def _in_words(value: Any) -> str:
    if value is None:
        return "chosen"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float | int) else str(value)
