"""The file `datapackage.json`, in which OUT itself says what it holds.

It follows the published standard Data Package 2.0 (https://datapackage.org). Each table that is
there is a resource with a Table Schema made from `schemas/*.json`. Some facts have no word in the
standard and stand beside it: `unit`, `standardError` (the column that holds this one's standard
error), `arrowType`, and in `batontrace` the version of the table's schema and how its parts lie.

Sessions' tables are named by a pattern and not part by part. So the file stays the same while
sessions come and go, a thousand of them cost no more than one, and two runs that write at the
same time write the same file. The price: readers that know only lists must expand the pattern.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.tables import folders, schema

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"

_STANDARD_TYPES = {
    "string": "string",
    "int8": "integer",
    "int16": "integer",
    "int32": "integer",
    "int64": "integer",
    "float64": "number",
    "bool": "boolean",
    "timestamp": "datetime",
    "list<string>": "array",  # not "list": the standard's own JSON Schema does not know it
}
_LAYOUTS = {
    "session": "One file a session; the column `session` is the folder's name and in no file.",
    "season": "All sessions in parts of about a million rows, with the column `session`.",
    "whole": "One file for all sessions.",
}


def build_data_package(out: Path) -> dict[str, Any]:
    """The Data Package of the tables that lie in `out`; `resources` is empty where none does.

    Only names of files are looked at; no table is read.
    """
    found = [
        _table_resource(name, path, parts)
        for name in schema.ALL_TABLES
        for path, parts in _find_tables(out, name)
    ]
    there = {resource["name"] for resource in found}
    for resource in found:
        keys = resource["schema"].get("foreignKeys", [])
        if any(key["reference"]["resource"] not in there for key in keys):
            del resource["schema"]["foreignKeys"]
    return {
        "$schema": PROFILE,
        "name": "batontrace",
        "title": "Relay takeovers",
        "description": (
            "Relay takeovers timed and measured from the track files runners' units write. Null "
            "where nothing is known, never NaN. Places are metres along the lane past the entry "
            "line of the zone, speeds are along the lane, times are UTC."
        ),
        "resources": found,
    }


def data_package_text(out: Path) -> str | None:
    """The content of the file; None where `out` holds no table."""
    package = build_data_package(out)
    if not package["resources"]:
        return None
    return json.dumps(package, indent=1, ensure_ascii=False) + "\n"


def table_schema(table_name: str) -> dict[str, Any]:
    """One table's facts as a Table Schema 2.0."""
    facts = schema.facts(table_name)
    made: dict[str, Any] = {"fields": [_field_descriptor(column) for column in facts.columns]}
    if facts.key:
        made["primaryKey"] = list(facts.key)
    if facts.unique:
        made["uniqueKeys"] = [list(facts.unique)]
    if facts.refers is not None:
        columns = list(facts.refers.columns)
        reference = {"resource": facts.refers.table, "fields": columns}
        made["foreignKeys"] = [{"fields": columns, "reference": reference}]
    return made


def _find_tables(out: Path, table_name: str) -> Iterator[tuple[str, str]]:
    """Where the table lies in `out`, as a name from OUT, and how its parts lie (`_LAYOUTS`)."""
    if table_name in schema.DECISIONS:
        path = folders.decision_path(out, table_name)
        if path.is_file():
            yield path.relative_to(out).as_posix(), "whole"
        return
    if next((out / table_name).glob("session=*"), None) is not None:
        yield folders.part_file(table_name, "*"), "session"
    if next((out / folders.SEASON_FOLDER / table_name).glob("part-*.parquet"), None) is not None:
        yield f"{folders.SEASON_FOLDER}/{table_name}/part-*.parquet", "season"


def _table_resource(table_name: str, path: str, parts: str) -> dict[str, Any]:
    facts = schema.facts(table_name)
    return {
        "name": f"{folders.SEASON_FOLDER}-{table_name}" if parts == "season" else table_name,
        "type": "table",
        "title": table_name,
        "description": f"{facts.meaning} {_LAYOUTS[parts]}",
        "path": path,
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        "schema": table_schema(table_name),
        "batontrace": {"table": table_name, "version": facts.version, "layout": parts},
    }


def _field_descriptor(column: schema.Column) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, "type": _STANDARD_TYPES[column.type]}
    field["description"] = column.meaning
    if column.unit:
        field["unit"] = column.unit
    if column.sd is not None:
        field["standardError"] = column.sd
    field["arrowType"] = schema.arrow_type(column)
    constraints: dict[str, Any] = {} if column.nullable else {"required": True}
    for name, bound in (("minimum", column.min), ("maximum", column.max)):
        if bound is not None:
            constraints[name] = bound
    if column.values:
        constraints["enum"] = list(column.values)
    if constraints:
        field["constraints"] = constraints
    return field
