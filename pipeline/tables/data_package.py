"""OUT says itself what it holds: `datapackage.json`, a Data Package of the published standard.

Data Package 2.0 (https://datapackage.org): each table that is there is a resource with a Table
Schema made from `schemas/*.json`. What the standard has no word for stands beside it: `unit`,
`standardError` (the column that holds this one's), `arrowType`, and in `batontrace` the version
of the table's schema and how its parts lie.

A session's tables are named by a pattern, not part by part: the file then stays as it is while
sessions come and go, a thousand of them cost no more than one, and two runs that write at the
same time write the same. The price: readers that know the standard's lists only must expand it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.tables import schema

FILE = "datapackage.json"
PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
COMPACT = "season"  # the folder of the tables that season compacts (compact.py)

_TYPES = {
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


def describe(out: Path) -> dict[str, Any]:
    """The Data Package of the tables that lie in `out`; `resources` is empty where none does.

    Looks at names only and reads no table.
    """
    found = [
        _resource(name, path, layout)
        for name in (*schema.TABLES, *schema.DECISIONS)
        for path, layout in _places(out, name)
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


def text(out: Path) -> str | None:
    """`describe` as the file has it; None where `out` holds no table."""
    package = describe(out)
    if not package["resources"]:
        return None
    return json.dumps(package, indent=1, ensure_ascii=False) + "\n"


def table_schema(table_name: str) -> dict[str, Any]:
    """One table's facts as a Table Schema 2.0."""
    facts = schema.facts(table_name)
    said: dict[str, Any] = {"fields": [_field(column) for column in facts.columns]}
    if facts.key:
        said["primaryKey"] = list(facts.key)
    if facts.unique:
        said["uniqueKeys"] = [list(facts.unique)]
    if facts.refers is not None:
        columns = list(facts.refers.columns)
        reference = {"resource": facts.refers.table, "fields": columns}
        said["foreignKeys"] = [{"fields": columns, "reference": reference}]
    return said


def _places(out: Path, table_name: str) -> Iterator[tuple[str, str]]:
    """Where the table lies in `out`, from OUT, and in which layout."""
    if table_name in schema.DECISIONS:
        if (out / table_name / "part-0.parquet").is_file():
            yield f"{table_name}/part-0.parquet", "whole"
        return
    if next((out / table_name).glob("session=*"), None) is not None:
        yield f"{table_name}/session=*/part-0.parquet", "session"
    if next((out / COMPACT / table_name).glob("part-*.parquet"), None) is not None:
        yield f"{COMPACT}/{table_name}/part-*.parquet", "season"


def _resource(table_name: str, path: str, layout: str) -> dict[str, Any]:
    facts = schema.facts(table_name)
    return {
        "name": f"{COMPACT}-{table_name}" if layout == "season" else table_name,
        "type": "table",
        "title": table_name,
        "description": f"{facts.meaning} {_LAYOUTS[layout]}",
        "path": path,
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        "schema": table_schema(table_name),
        "batontrace": {"table": table_name, "version": facts.version, "layout": layout},
    }


def _field(column: schema.Column) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, "type": _TYPES[column.type]}
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
