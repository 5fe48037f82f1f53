"""Schemas change by version: what each version held is on record, and old lakes still read.

`old_lake/` was written by the program as it was when `exchanges` was of version 1: two takeovers
of an invented squad.
"""

import hashlib
import json

import pyarrow.parquet as pq
import pytest
from checkout import DATA

from pipeline.show import publish
from pipeline.tables import folders, lake, schema, writing

OLD = DATA / "old_lake"
RECORD = DATA / "schema_fingerprints.json"
NAMES = (*schema.TABLES, *schema.DECISIONS)


def fingerprint(name: str) -> str:
    """Of all that a reader or writer of the table relies on; not of the wording of meanings."""
    facts = schema.facts(name)
    columns = [
        [c.name, c.type, c.nullable, c.unit, c.min, c.max, list(c.values), c.sd, c.since]
        for c in facts.columns
    ]
    said = json.dumps([columns, facts.key, facts.unique], ensure_ascii=False)
    return hashlib.sha256(said.encode()).hexdigest()[:16]


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_changes_only_with_its_version(name):
    known = json.loads(RECORD.read_text(encoding="utf-8"))[name]
    version = schema.facts(name).version
    assert known.get(str(version)) == fingerprint(name), (
        f"schemas/{name}.json is not the version {version} on record: raise its version, say in "
        f'`changes` what is new, give new columns `since`, and add "{version + 1}": '
        f'"{fingerprint(name)}" (once more after the last change) to {RECORD.name}'
    )


@pytest.mark.parametrize("name", NAMES)
def test_each_version_says_what_it_brought(name):
    facts = schema.facts(name)
    assert len(facts.changes) == facts.version
    assert max(map(int, json.loads(RECORD.read_text(encoding="utf-8"))[name])) == facts.version
    for column in facts.columns:
        assert 1 <= column.since <= facts.version
        if column.since > 1:
            assert column.nullable  # or older files could not be read
            assert f"`{column.name}`" in facts.changes[column.since - 1]


# --- an old lake ----------------------------------------------------------------------------


def test_the_old_lake_is_old():
    path = folders.part_path(OLD, "exchanges", "version-1")
    stored = pq.read_schema(path)
    assert stored.metadata[b"batontrace.version"] == b"1"
    assert not {"foot_m", "incoming_foot_m", "fit_z"} & set(stored.names)


OLD_TABLES = ("exchanges", "speed_curves", "recordings")  # the others came later


def test_it_has_no_table_of_what_observers_saw_and_says_so():
    found = lake.read_observations(OLD)
    assert (found.too_old, found.observations.num_rows, found.remarks) == (1, 0, ())
    later = {"observations", "legs", "exercises", "plan_places"}
    assert set(OLD_TABLES) == set(schema.TABLES) - later


@pytest.mark.parametrize("name", OLD_TABLES)
def test_each_of_its_tables_reads_as_of_today(name):
    path = folders.part_path(OLD, name, "version-1")
    table = schema.read_part(path)
    assert table.schema.equals(schema.arrow_schema(name), check_metadata=True)
    stored = pq.read_table(path, partitioning=None)
    for column in stored.column_names:
        assert table[column].to_pylist() == stored[column].to_pylist()
    for column in set(table.column_names) - set(stored.column_names) - {"session"}:
        assert table[column].null_count == table.num_rows


def test_it_reads_as_a_lake_and_beside_new_sessions(tmp_path):
    old = lake.read_lake(OLD)
    assert old.remarks == ()
    assert old.exchanges["exchange"].to_pylist() == [1, 2]
    tables = {
        "exchanges": old.exchanges,
        "speed_curves": old.curves,
        "recordings": lake.read_session_table(OLD, "version-1", "recordings"),
    }
    for name, table in tables.items():
        (tmp_path / name / "session=version-1").mkdir(parents=True)
        part = folders.part_path(OLD, name, "version-1").read_bytes()
        folders.part_path(tmp_path, name, "version-1").write_bytes(part)
        at = table.column_names.index("session")
        field = table.schema.field("session")
        tables[name] = table.set_column(at, field, [["today"] * table.num_rows])
    later = {name: schema.empty_table(name) for name in schema.TABLES if name not in tables}
    writing.write_session(tmp_path, "today", tables | later, {})
    both = lake.read_lake(tmp_path)
    assert both.remarks == ()
    assert sorted(both.exchanges["session"].to_pylist()) == ["today"] * 2 + ["version-1"] * 2


def test_its_page_is_made(tmp_path):
    done = publish.write_page(OLD, to=tmp_path / "page.html")
    assert done.takeovers == 2
    assert "adder" in (tmp_path / "page.html").read_text(encoding="utf-8")
