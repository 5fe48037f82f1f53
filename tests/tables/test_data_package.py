"""datapackage.json: true of what lies in OUT, valid by the standard, never in the way."""

import json
from pathlib import Path

import jsonschema
import pandas as pd
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest
from checkout import DATA
from lakes import store_lake
from random_tables import random_table
from stored_sessions import ASKED, tables_of

from pipeline.errors import OutputError
from pipeline.tables import data_package, folders, lake, schema, whole_files, work_folder, writing

STANDARD = DATA / "data_package_2_0.json"


@pytest.fixture(scope="module")
def validator():
    return jsonschema.Draft7Validator(json.loads(STANDARD.read_text(encoding="utf-8")))


def said(out: Path) -> dict:
    return json.loads((out / "datapackage.json").read_text(encoding="utf-8"))


def resources(out: Path) -> dict[str, dict]:
    return {resource["name"]: resource for resource in said(out)["resources"]}


def fill(out: Path, session: str = "otter") -> None:
    writing.write_session(out, session, tables_of(session), ASKED)
    writing.write_decisions(out, {name: random_table(name) for name in schema.DECISIONS}, ASKED)


def compact(out: Path, name: str) -> None:
    place = out / "season" / name / "part-0000.parquet"
    place.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(random_table(name), place)


def test_it_is_a_data_package_by_the_standard(tmp_path, validator):
    fill(tmp_path)
    for name in schema.TABLES:
        compact(tmp_path, name)
    writing.renew_data_package(tmp_path)
    package_said = said(tmp_path)
    assert [error.message for error in validator.iter_errors(package_said)] == []
    assert len(package_said["resources"]) == 22  # eight of decisions, seven twice


@pytest.mark.parametrize(
    "spoil",
    [
        lambda said: said.pop("resources"),
        lambda said: said["resources"][0].pop("path"),
        lambda said: said["resources"][0].update(path="../elsewhere.parquet"),
        lambda said: said["resources"][0]["schema"]["fields"][0].update(type="text"),
    ],
    ids=["no resources", "no path", "a path that leads out", "an unknown type"],
)
def test_the_standard_refuses_what_is_none(tmp_path, validator, spoil):
    fill(tmp_path)
    package_said = said(tmp_path)
    spoil(package_said)
    assert not validator.is_valid(package_said)


def test_the_frictionless_framework_takes_it_too(tmp_path):
    frictionless = pytest.importorskip("frictionless")
    fill(tmp_path)
    assert frictionless.Package.validate_descriptor(said(tmp_path)).valid


@pytest.mark.parametrize("name", [*schema.TABLES, *schema.DECISIONS])
def test_fields_say_what_the_schemas_say(tmp_path, name):
    fill(tmp_path)
    resource = resources(tmp_path)[name]
    assert resource["batontrace"]["version"] == schema.facts(name).version
    fields = {field["name"]: field for field in resource["schema"]["fields"]}
    assert list(fields) == list(schema.facts(name).names)
    for column in schema.facts(name).columns:
        field, bounds = fields[column.name], fields[column.name].get("constraints", {})
        assert field["description"] == column.meaning
        assert field.get("unit", "") == column.unit
        assert field.get("standardError") == column.sd
        assert bounds.get("required", False) is not column.nullable
        assert (bounds.get("minimum"), bounds.get("maximum")) == (column.min, column.max)
        assert tuple(bounds.get("enum", ())) == column.values
        assert field["arrowType"] == str(schema.arrow_schema(name).field(column.name).type)


@pytest.mark.parametrize("name", [*schema.TABLES, *schema.DECISIONS])
def test_paths_lead_to_all_rows(tmp_path, name):
    fill(tmp_path)
    fill(tmp_path, "wren")
    parts = list(tmp_path.glob(resources(tmp_path)[name]["path"]))
    rows = sum(pq.read_metadata(part).num_rows for part in parts)
    assert rows == ds.dataset(tmp_path / name, partitioning="hive").count_rows() > 0


def test_keys_name_columns_that_are_there_and_hold_no_nulls():
    for name in (*schema.TABLES, *schema.DECISIONS):
        facts = schema.facts(name)
        columns = {column.name: column for column in facts.columns}
        assert bool(facts.key) != bool(facts.unique)
        assert not any(columns[key].nullable for key in facts.key)
        assert set(facts.unique) <= set(columns)
        if facts.refers is not None:
            assert facts.refers.columns == schema.facts(facts.refers.table).key


def test_keys_are_keys_in_a_measured_lake(tmp_path):
    store_lake(tmp_path)
    found = lake.read_lake(tmp_path)
    curves, exchanges = found.curves.to_pandas(), found.exchanges.to_pandas()
    assert not exchanges.duplicated(list(schema.facts("exchanges").key)).any()
    assert not curves.duplicated(list(schema.facts("speed_curves").key)).any()
    refers = schema.facts("speed_curves").refers
    assert refers is not None
    joined = curves.merge(exchanges, on=list(refers.columns), how="left", indicator=True)
    assert (joined["_merge"] == "both").all()


def test_only_tables_that_are_there_are_named(tmp_path):
    writing.write_session(tmp_path, "otter", tables_of("otter"), ASKED)
    assert list(resources(tmp_path)) == list(schema.TABLES)
    writing.write_decisions(tmp_path, {"marks": random_table("marks")}, ASKED)
    assert list(resources(tmp_path)) == [*schema.TABLES, "marks"]
    compact(tmp_path, "exchanges")
    writing.renew_data_package(tmp_path)
    assert "season-exchanges" in resources(tmp_path)


def test_no_key_refers_to_a_table_that_is_not_there(tmp_path, validator):
    part = tmp_path / "speed_curves" / "session=otter" / "part-0.parquet"
    part.parent.mkdir(parents=True)
    pq.write_table(random_table("speed_curves"), part)
    found = data_package.build_data_package(tmp_path)
    assert validator.is_valid(found)
    assert "foreignKeys" not in found["resources"][0]["schema"]


def test_another_session_changes_nothing_and_is_not_written_again(tmp_path):
    fill(tmp_path)
    path = tmp_path / "datapackage.json"
    before = path.stat()
    fill(tmp_path, "wren")
    assert (path.stat().st_ino, path.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


def test_what_somebody_spoilt_is_made_good(tmp_path):
    fill(tmp_path)
    right = (tmp_path / "datapackage.json").read_bytes()
    (tmp_path / "datapackage.json").write_bytes(b"\xff\xfe no JSON")
    fill(tmp_path)
    assert (tmp_path / "datapackage.json").read_bytes() == right


def test_an_empty_folder_gets_none(tmp_path):
    writing.renew_data_package(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("failure", ["a folder stands there", "the disk is full"])
def test_it_never_makes_a_write_fail(tmp_path, monkeypatch, failure):
    if failure == "a folder stands there":
        (tmp_path / "datapackage.json").mkdir(parents=True)
    else:

        def full(path: Path, _text: str, *, lake: Path) -> None:  # noqa: ARG001
            raise OutputError(path, "cannot be written (no space left)")

        monkeypatch.setattr(whole_files, "write_text", full)
    fill(tmp_path)
    assert schema.read_part(folders.part_path(tmp_path, "exchanges", "otter")).num_rows == 3
    assert not work_folder.run_folders(tmp_path)


def test_readers_of_a_table_see_nothing_of_it(tmp_path):
    duckdb, polars = pytest.importorskip("duckdb"), pytest.importorskip("polars")
    fill(tmp_path)
    names = list(schema.facts("exchanges").names)
    assert sorted(pd.read_parquet(tmp_path / "exchanges").columns) == sorted(names)
    assert sorted(polars.read_parquet(tmp_path / "exchanges").columns) == sorted(names)
    path = resources(tmp_path)["exchanges"]["path"]
    found = duckdb.sql(f"select * from read_parquet('{tmp_path}/{path}')")
    assert sorted(found.columns) == sorted(names)
    assert isinstance(ds.dataset(tmp_path / "exchanges").to_table(), pa.Table)
