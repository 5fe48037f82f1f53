"""Tables that obey the schemas: by lot, from rows given, and altered."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa

from pipeline.tables import schema


def random_table(name: str, session: str = "otter", rows: int = 3, seed: int = 0) -> pa.Table:
    """A table of `rows` rows that obeys schemas/<name>.json, nulls included."""
    rng = np.random.default_rng(seed)
    columns = {c.name: random_column(c, session, rows, rng) for c in schema.facts(name).columns}
    for column in schema.facts(name).columns:
        if column.sd is not None:  # null where and only where the estimate is
            sds = rng.uniform(0.0, 0.5, rows).tolist()
            values = columns[column.name]
            columns[column.sd] = [
                None if value is None else sd for value, sd in zip(values, sds, strict=True)
            ]
    return schema.conform(name, columns)


def table_of(name: str, rows: list[dict]) -> pa.Table:
    """A table from one row or more, each with every column of schemas/<name>.json."""
    return schema.conform(name, {column: [row[column] for row in rows] for column in rows[0]})


def with_values(table: pa.Table, name: str = "exchanges", **columns) -> pa.Table:
    """The table with some columns the same in every row."""
    return table_of(name, [row | columns for row in table.to_pylist()])


def random_column(column: schema.Column, session: str, rows: int, rng) -> list:
    values = [random_value(column, session, rng) for _ in range(rows)]
    if column.nullable:
        values = [None if rng.random() < 0.3 else value for value in values]
    return values


def random_value(column: schema.Column, session: str, rng):
    low = -5.0 if column.min is None else column.min
    high = low + 10.0 if column.max is None else column.max
    match column.type:
        case "string" if column.name == "session":
            return session
        case "string" if column.values:
            return str(rng.choice(column.values))
        case "string":
            return "".join(rng.choice(list("abcß-_ 1")) for _ in range(rng.integers(1, 8)))
        case "list<string>":
            return ["ran away", "early start"][: rng.integers(0, 3)]
        case "timestamp":
            return datetime(2026, 5, 12, tzinfo=UTC) + timedelta(
                microseconds=int(rng.integers(0, 86_400_000_000))
            )
        case "bool":
            return bool(rng.integers(0, 2))
        case "float64":
            return float(rng.uniform(low, high))
        case _:
            return int(rng.integers(int(low), int(high) + 1))
