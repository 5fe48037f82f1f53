"""The facts of every column, from schemas/*.json, which alone own them.

`conform` makes a checked table from columns, `check_table` checks one that exists, `read_part`
reads and checks a file, `markdown` makes docs/tables.md. Unit and meaning of every column travel
in the Arrow field's metadata and so into Parquet. `TABLES` are written a session at a time,
`DECISIONS` for all sessions together.
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.base.asking import in_words, one_of
from pipeline.base.plain_file import plain_file_bytes
from pipeline.errors import OutputError
from pipeline.tables import folders
from pipeline.tables.parquet_content import MOST_FILE_BYTES, error_words, parquet_table, plain_type

TABLES = (
    "exchanges",
    "speed_curves",
    "recordings",
    "observations",
    "legs",
    "exercises",
    "plan_places",
)
# Each table of decisions, and the command that makes it: batontrace COMMAND OUT.
DECISION_COMMANDS = {
    "runners": "runners",
    "marks": "marks",
    "orders": "order",
    "progress": "progress",
    "validation": "validate",
    "race_parts": "race",
    "causes": "causes",
    "verdicts": "causes",
}
DECISIONS = tuple(DECISION_COMMANDS)
ALL_TABLES = (*TABLES, *DECISIONS)

_VERSION_DIGITS = 9
# Times that pandas can hold in nanoseconds: from 1678 to 2262, and well within Python's.
_FIRST_US, _LAST_US = -9_214_560_000_000_000, 9_214_646_400_000_000

_ARROW_TYPES: dict[str, pa.DataType] = {
    "string": pa.string(),
    "int8": pa.int8(),
    "int16": pa.int16(),
    "int32": pa.int32(),
    "int64": pa.int64(),
    "float64": pa.float64(),
    "bool": pa.bool_(),
    "timestamp": pa.timestamp("us", tz="UTC"),
    "list<string>": pa.list_(pa.string()),
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column's facts.

    `sd` names the column that holds this one's standard error; `since` is the version of the table
    that brought the column.
    """

    name: str
    type: str
    nullable: bool
    meaning: str
    unit: str = ""
    min: float | None = None
    max: float | None = None
    values: tuple[str, ...] = ()
    sd: str | None = None
    since: int = 1

    @property
    def bounds(self) -> tuple[float, float]:
        """The least and the greatest value; infinite where there is no bound."""
        low = -math.inf if self.min is None else self.min
        return low, math.inf if self.max is None else self.max


@dataclass(frozen=True, slots=True)
class Reference:
    """The columns of a table that point to a row of another `table`, by columns of these names."""

    columns: tuple[str, ...]
    table: str


@dataclass(frozen=True, slots=True)
class TableFacts:
    """One table's facts.

    `changes` says what each version brought, from version 1 on. No two rows agree in all columns
    of `key`, nor in all columns of `unique`; those of `key` hold no nulls, those of `unique` may.
    """

    table: str
    version: int
    meaning: str
    columns: tuple[Column, ...]
    changes: tuple[str, ...] = ()
    key: tuple[str, ...] = ()
    unique: tuple[str, ...] = ()
    refers: Reference | None = None

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)


def _schemas_folder() -> Path:
    # In a wheel the folder lies inside the package; in a checkout it lies beside the package.
    package = Path(__file__).parents[1]
    inside = package / "schemas"
    return inside if inside.is_dir() else package.parent / "schemas"


@functools.cache
def facts(table_name: str) -> TableFacts:
    """The facts of one table. Raises OutputError where there is no such table."""
    if table_name not in ALL_TABLES:
        raise OutputError(table_name, "no such table", one_of(ALL_TABLES))
    raw = json.loads((_schemas_folder() / f"{table_name}.json").read_text(encoding="utf-8"))
    columns = tuple(
        Column(**{**column, "values": tuple(column.get("values", ()))}) for column in raw["columns"]
    )
    refers = raw.get("refers")
    return TableFacts(
        table=raw["table"],
        version=raw["version"],
        meaning=raw["meaning"],
        columns=columns,
        changes=tuple(raw["changes"]),
        key=tuple(raw.get("key", ())),
        unique=tuple(raw.get("unique", ())),
        refers=None if refers is None else Reference(tuple(refers["columns"]), refers["table"]),
    )


def sd_column(table_name: str, column: str) -> str:
    """The column that holds another's standard error. Raises OutputError where there is none."""
    for one in facts(table_name).columns:
        if one.name == column and one.sd is not None:
            return one.sd
    raise OutputError(f"{table_name}.{column}", "no standard error", "an estimate's column")


class LeftOut(NamedTuple):
    """An estimate that was left out: its `column`, and the `culprit` that was out of bounds with
    its `value`: the same column or that of the standard error."""

    column: str
    culprit: str
    value: float


def keep_bounds(
    table_name: str, row: Mapping[str, Any]
) -> tuple[dict[str, Any], tuple[LeftOut, ...]]:
    """A row without the numbers that cannot be: not finite, or beyond their column's bounds.

    An estimate goes with its standard error, whichever of them cannot be. Only columns that may be
    null are looked at.
    """
    kept, left_out = dict(row), []
    columns = {column.name: column for column in facts(table_name).columns}
    errors = {column.sd for column in columns.values()}
    for column in columns.values():
        if column.name in errors or not column.nullable:
            continue
        names = [column.name] if column.sd is None else [column.name, column.sd]
        for name in names:
            value = row.get(name)
            if not isinstance(value, float | int):
                continue
            low, high = columns[name].bounds
            if not (math.isfinite(value) and low <= value <= high):
                left_out.append(LeftOut(column.name, name, float(value)))
                kept |= dict.fromkeys(names)
                break
    return kept, tuple(left_out)


def _arrow_field(column: Column) -> pa.Field:
    metadata = {"description": column.meaning}
    if column.unit:
        metadata["unit"] = column.unit
    return pa.field(column.name, _ARROW_TYPES[column.type], column.nullable, metadata)


def arrow_type(column: Column) -> str:
    """The Arrow type of a column as Arrow writes it, such as "timestamp[us, tz=UTC]"."""
    return str(_ARROW_TYPES[column.type])


@functools.cache
def arrow_schema(table_name: str) -> pa.Schema:
    """The table's Arrow schema, with `unit` and `description` in each field's metadata."""
    table = facts(table_name)
    metadata = {
        "description": table.meaning,
        "batontrace.table": table.table,
        "batontrace.version": str(table.version),
    }
    return pa.schema([_arrow_field(column) for column in table.columns], metadata)


def conform(table_name: str, columns: Mapping[str, Sequence[Any] | np.ndarray]) -> pa.Table:
    """Make a checked table from columns of equal length, in the schema's order and types.

    A null is None, in a list. A time is an aware datetime, or a number of seconds since
    1970-01-01T00:00Z (POSIX). NaN and infinities are errors, also in arrays.
    Raises OutputError, which names table, column and row.
    """
    table = facts(table_name)
    _check_names(table, tuple(columns))
    lengths = {name: len(values) for name, values in columns.items()}
    if len(set(lengths.values())) > 1:
        raise OutputError(table_name, f"columns of different lengths: {lengths}", "equal lengths")
    arrays = [_arrow_array(table_name, column, columns[column.name]) for column in table.columns]
    return check_table(table_name, pa.Table.from_arrays(arrays, schema=arrow_schema(table_name)))


def empty_table(table_name: str) -> pa.Table:
    """The table without rows."""
    return arrow_schema(table_name).empty_table()


def check_table(table_name: str, data: pa.Table) -> pa.Table:
    """Check names, types, nulls, bounds and standard errors of a table, and give it back.

    Texts may be dictionaries. Raises OutputError, which names table, column and row.
    """
    table = facts(table_name)
    _check_names(table, tuple(data.column_names))
    for column in table.columns:
        values = data.column(column.name)
        if plain_type(values.type) != _ARROW_TYPES[column.type]:
            raise OutputError(f"{table_name}.{column.name}", f"type {values.type}", column.type)
        _check_values(table_name, column, values)
    for column in table.columns:
        if column.sd is not None:
            _check_standard_error(
                table_name, column, data.column(column.name), data.column(column.sd)
            )
    return data


class StoredPart(NamedTuple):
    """A table as a file has it, checked, and what stands beside it in the file's metadata."""

    table: pa.Table
    metadata: Mapping[bytes, bytes]


def read_part(path: Path, table_name: str | None = None, content: bytes | None = None) -> pa.Table:
    """Read and check one file: a session's part of a table, or a table of decisions.

    The file is `.../<table>/session=<id>/part-0.parquet`, where the column `session` is made from
    the folder's name (docs/decisions/0003-partitions.md), or `.../<table>/part-0.parquet`.
    `content` is the file's content, where the caller has it already. A file of an older version of
    the schema is read too, with nulls in the columns it did not have yet.

    Raises OutputError where the file is missing, broken or not of the schema.
    """
    session = folders.session_of_folder(path.parent.name)
    name = table_name or (path.parent.name if session is None else path.parent.parent.name)
    if content is None:
        try:
            content = plain_file_bytes(path, MOST_FILE_BYTES)
        except OSError as err:
            found = f"cannot be read ({err.strerror})"
            raise OutputError(path, found, do=write_again(session)) from err
    return check_part(path, name, session, content).table


def write_again(session: str | None) -> str:
    """What to do about a broken part of a session's table, or a broken table of decisions."""
    return "have the table written again" if session is None else "process the session again"


def check_part(path: Path, table_name: str, session: str | None, content: bytes) -> StoredPart:
    """The table in a file's content: that of `session`, or one for all sessions.

    `path` is for errors alone. Raises OutputError as `read_part` does.
    """
    wanted, again = arrow_schema(table_name), write_again(session)
    data = parquet_table(path, content, again)
    metadata = dict(data.schema.metadata or {})
    if session is not None and "session" in wanted.names:
        column = pa.array([session] * data.num_rows, pa.string())
        data = data.add_column(0, wanted.field("session"), column)
    data = _add_new_columns(table_name, data)
    try:
        _check_names(facts(table_name), tuple(data.column_names))
        return StoredPart(check_table(table_name, data.cast(wanted)), metadata)
    except (pa.ArrowException, ArithmeticError, LookupError, TypeError, ValueError) as err:
        found = f"does not hold the table {table_name} ({error_words(err)})"
        raise OutputError(path, found, do=again) from err
    except OutputError as err:
        raise OutputError(path, f"{err.where}: {err.found}", err.expected, again) from err


def _add_new_columns(table_name: str, data: pa.Table) -> pa.Table:
    """Add, full of nulls, the columns that came into the schema after `data` was written."""
    stored = (data.schema.metadata or {}).get(b"batontrace.version", b"").decode("ascii", "replace")
    if not stored.isdecimal() or len(stored) > _VERSION_DIGITS:
        return data
    for place, column in enumerate(facts(table_name).columns):
        if column.since > int(stored) and column.name not in data.column_names:
            nulls = pa.nulls(data.num_rows, _ARROW_TYPES[column.type])
            data = data.add_column(min(place, data.num_columns), _arrow_field(column), nulls)
    return data


def markdown() -> str:
    """The content of docs/tables.md, from the schemas."""
    parts = [
        "# Tables",
        "",
        "Made from `schemas/*.json` by `python -m pipeline.tables.schema > docs/tables.md`: to",
        "change this page, change those.",
        "",
        f"{_quoted_list(TABLES)} are written a session at a time and",
        "lie at `OUT/<table>/session=<id>/part-0.parquet`.",
        f"{_quoted_list(DECISIONS)} are made from all sessions together",
        "and lie at `OUT/<table>/part-0.parquet`; each is replaced as a whole.",
        "",
        "Units and meanings are in each file's metadata too. A type marked `?` may be null; there",
        "is no NaN. A column named like another with `_sd_`, or with `_sd` at the end, is that",
        "one's standard error, and is null where the estimate is null and only there. A standard",
        "error says how well the estimate is known, and gets smaller as data come in. A `_spread_`",
        "says how far things differ from rep to rep, and does not get smaller.",
    ]
    for name in ALL_TABLES:
        table = facts(name)
        parts += ["", f"## {name}", "", table.meaning, *_markdown_keys(table), ""]
        parts += ["| column | type | unit | range | meaning |", "|---|---|---|---|---|"]
        parts += [_markdown_row(column) for column in table.columns]
    return "\n".join([*parts, "", *_markdown_versions()]) + "\n"


# --- checks ----------------------------------------------------------------------------


def _check_names(table: TableFacts, names: tuple[str, ...]) -> None:
    missing = [name for name in table.names if name not in names]
    unknown = [name for name in names if name not in table.names]
    if missing or unknown:
        found = [f"missing: {', '.join(missing)}"] if missing else []
        found += [f"unknown: {', '.join(unknown)}"] if unknown else []
        raise OutputError(
            table.table,
            "; ".join(found),
            f"the columns of schemas/{table.table}.json",
        )


def _arrow_array(table_name: str, column: Column, values: Sequence[Any] | np.ndarray) -> pa.Array:
    where = f"{table_name}.{column.name}"
    if column.type == "timestamp":
        values = [_microseconds(where, row, value) for row, value in enumerate(values)]
    elif column.type.startswith("int") and not _is_whole(values):
        values = [_whole_number(where, row, value) for row, value in enumerate(values)]
    try:
        if column.type == "timestamp":
            return pa.array(values, pa.int64()).cast(_ARROW_TYPES[column.type])
        return pa.array(values, _ARROW_TYPES[column.type], from_pandas=False)
    except (pa.ArrowException, OverflowError, TypeError, ValueError) as err:
        raise OutputError(where, str(err), column.type) from err


def _is_whole(values: Sequence[Any] | np.ndarray) -> bool:
    return isinstance(values, np.ndarray) and values.dtype.kind == "i"


def _microseconds(where: str, row: int, value: Any) -> int | None:
    if value is None:
        return None
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise OutputError(f"{where}, row {row}", f"{value} without a time zone", "UTC")
        return round(value.timestamp() * 1e6)
    if isinstance(value, (int, float, np.integer, np.floating)) and math.isfinite(value):
        return round(float(value) * 1e6)
    raise OutputError(f"{where}, row {row}", f"{value!r}", "an aware datetime or POSIX seconds")


def _whole_number(where: str, row: int, value: Any) -> int | None:
    if value is None:
        return None
    try:
        if value == int(value) and not isinstance(value, (bool, str)):
            return int(value)
    except (TypeError, ValueError, OverflowError):
        pass  # the error is raised below
    raise OutputError(f"{where}, row {row}", f"{value!r}", "a whole number or None")


def _first_true_row(mask: pa.ChunkedArray) -> int | None:
    """The first row where `mask` is true; null counts as false."""
    row = pc.index(pc.fill_null(mask, False), pa.scalar(True)).as_py()
    return None if row < 0 else int(row)


def _check_values(table_name: str, column: Column, values: pa.ChunkedArray) -> None:
    def refuse(mask: pa.ChunkedArray, expected: str) -> None:
        row = _first_true_row(mask)
        if row is not None:
            where = f"{table_name}.{column.name}, row {row}"
            raise OutputError(where, repr(values[row].as_py()), expected)

    # Reading a lake of a thousand sessions spends its time here. So one quick call for each law
    # says whether all is well, and a mask is made only where something is not.
    if not column.nullable and values.null_count:
        refuse(pc.is_null(values), "a value: the column is not nullable")
    if column.type == "list<string>":
        lists = values.combine_chunks()
        if lists.flatten().null_count:
            raise OutputError(f"{table_name}.{column.name}", "a null inside a list", "words")
    least, most = None, None
    if pa.types.is_integer(values.type) or pa.types.is_floating(values.type):
        least, most = _extremes(values)
        if any(number is not None and not math.isfinite(number) for number in (least, most)):
            refuse(pc.invert(pc.is_finite(values)), "a finite number; null where nothing is known")
    if column.type == "timestamp":
        _check_years(f"{table_name}.{column.name}", values)
    if column.min is not None or column.max is not None:
        if column.min is not None and least is not None and least < column.min:
            refuse(pc.less(values, column.min), f"at least {column.min:g} {column.unit}".rstrip())
        if column.max is not None and most is not None and most > column.max:
            refuse(pc.greater(values, column.max), f"at most {column.max:g} {column.unit}".rstrip())
    if column.values and not set(pc.unique(values).to_pylist()) <= {*column.values, None}:
        known = pc.is_in(values, value_set=pa.array(column.values))
        refuse(pc.and_(pc.is_valid(values), pc.invert(known)), one_of(column.values))


def _extremes(values: pa.ChunkedArray) -> tuple[Any, Any]:
    """The least and the greatest number, NaN where one is NaN; None where there is no number."""
    if values.null_count:
        values = values.drop_null()
    chunks = [chunk.to_numpy() for chunk in values.chunks if len(chunk)]
    if not chunks:
        return None, None
    # Ten times as quick as Arrow's, and a NaN is not lost.
    least, most = np.min([x.min() for x in chunks]), np.max([x.max() for x in chunks])
    return least.item(), most.item()


def _check_years(where: str, times: pa.ChunkedArray) -> None:
    """Raise OutputError for a time that other programs, Python among them, cannot express."""
    numbers = times.cast(pa.int64())
    outside = pc.or_(pc.less(numbers, _FIRST_US), pc.greater(numbers, _LAST_US))
    row = _first_true_row(outside)
    if row is not None:
        found = f"{numbers[row].as_py()} microseconds from 1970"
        raise OutputError(f"{where}, row {row}", found, "a time between the years 1678 and 2262")


def _check_standard_error(
    table_name: str, column: Column, values: pa.ChunkedArray, sds: pa.ChunkedArray
) -> None:
    if not (values.null_count or sds.null_count):
        return
    row = _first_true_row(pc.xor(pc.is_null(values), pc.is_null(sds)))
    if row is not None:
        raise OutputError(
            f"{table_name}.{column.name}, row {row}",
            f"value {values[row].as_py()} with {column.sd} {sds[row].as_py()}",
            "both or neither: every estimate has its standard error",
        )


def _quoted_list(names: Sequence[str]) -> str:
    return in_words([f"`{name}`" for name in names])


def _markdown_keys(table: TableFacts) -> list[str]:
    sentences = []
    if table.key or table.unique:
        sentences.append(f"Rows are told apart by {_quoted_list(table.key or table.unique)}.")
    if table.refers is not None:
        columns = _quoted_list(table.refers.columns)
        sentences.append(f"{columns} find the row in `{table.refers.table}`.")
    return ["", " ".join(sentences)] if sentences else []


def _markdown_versions() -> list[str]:
    return [
        "## Versions",
        "",
        "Each file says in its metadata (`batontrace.version`) which version of its table it",
        "holds. Files of older versions are read as if newly written, with nulls in the columns",
        "that they did not have yet. A new version never takes a column away or changes what one",
        "means.",
        "",
        "| table | version | what it brought |",
        "|---|---|---|",
        *(
            f"| `{name}` | {version} | {change} |"
            for name in ALL_TABLES
            for version, change in enumerate(facts(name).changes, start=1)
        ),
    ]


def _markdown_row(column: Column) -> str:
    kind = column.type.replace("timestamp", "timestamp[us, UTC]") + ("?" if column.nullable else "")
    if column.values:
        bounds = ", ".join(f"`{value}`" for value in column.values)
    else:
        low = "" if column.min is None else f"{column.min:g}"
        high = "" if column.max is None else f"{column.max:g}"
        bounds = f"{low} … {high}".strip() if low or high else ""
    return f"| `{column.name}` | {kind} | {column.unit} | {bounds} | {column.meaning} |"


if __name__ == "__main__":
    print(markdown(), end="")
