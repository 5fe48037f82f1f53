"""A Parquet file's content as an Arrow table, within bounds, wherever the file comes from.

A small file may state a large table: a constant column of a thousand million rows takes a few
bytes, and so does one long text that every row repeats. So the file's own statement is looked at
first, then texts are read as they are stored, each once, and rows are read in batches that are
counted. Only then are texts repeated, where there is room for that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.base.words import count
from pipeline.errors import OutputError

MOST_ROWS = 1 << 22  # of a session's table: the curves of three thousand takeovers
MOST_BYTES = 1 << 29  # of a table in memory: curves of so many rows take two thirds of it
MOST_FILE_BYTES = 1 << 28
_MOST_VALUES_A_ROW = 4  # of a column, on average over the rows that may be
_BATCH_ROWS = 1 << 16
_THREADED_BYTES = 1 << 20  # below this, waking threads costs more than they bring
# What pyarrow raises over content that is not what it states, names in no UTF-8 included.
UNREADABLE = (
    pa.ArrowException,
    ArithmeticError,
    LookupError,
    MemoryError,
    OSError,
    RecursionError,
    TypeError,
    ValueError,
)


def parquet_table(
    where: Path,
    content: bytes,
    do: str,
    *,
    columns: Sequence[str] | None = None,
    texts_once: bool = False,
    most_rows: int = MOST_ROWS,
    most_bytes: int = MOST_BYTES,
) -> pa.Table:
    """The table, or its `columns`, with the file's metadata; texts are checked to be UTF-8.

    `where` and `do` are for the error. `texts_once` leaves each column of texts a dictionary, which
    is quicker to look at. Raises OutputError where the content is not Parquet or holds more than a
    table may.
    """
    try:
        file = _open_with_texts_once(content, columns)
        _check_statement(where, file.metadata, do, most_rows, most_bytes)
        batches, held = [], 0
        threads = len(content) > _THREADED_BYTES
        for batch in file.iter_batches(_BATCH_ROWS, columns=columns, use_threads=threads):
            held += batch.nbytes
            if held > most_bytes:
                raise _too_large(where, f"more than {_megabytes(most_bytes)} in memory", do)
            batches.append(batch)
        table = pa.Table.from_batches(batches) if batches else file.read(columns)
        table.validate(full=True)
        if not _texts_fit(table, most_bytes - held):
            raise _too_large(where, f"more than {_megabytes(most_bytes)} in memory", do)
        return table if texts_once else with_plain_texts(table)
    except UNREADABLE as err:
        raise OutputError(where, f"cannot be read as Parquet ({error_words(err)})", do=do) from err


def error_words(err: BaseException) -> str:
    """What a library says of an error, on one line and not without end."""
    return " ".join(str(err).split())[:300]


def _open_with_texts_once(content: bytes, columns: Sequence[str] | None) -> pq.ParquetFile:
    """The file, opened so that each column of texts comes with a dictionary, as it is stored."""
    file = pq.ParquetFile(pa.BufferReader(content))
    stored = [file.metadata.schema.column(i) for i in range(file.metadata.num_columns)]
    texts = [
        column.path
        for column in stored
        if column.physical_type == "BYTE_ARRAY"
        and (columns is None or column.path.split(".")[0] in columns)
    ]
    if not texts:
        return file
    return pq.ParquetFile(pa.BufferReader(content), metadata=file.metadata, read_dictionary=texts)


def _check_statement(where: Path, metadata: Any, do: str, most_rows: int, most_bytes: int) -> None:
    if metadata.num_rows > most_rows:
        raise _too_large(where, count(metadata.num_rows, "row"), do, f"at most {most_rows:,} rows")
    groups = [metadata.row_group(i) for i in range(metadata.num_row_groups)]
    for i in range(metadata.num_columns):  # a row may hold a list of any length
        values = sum(group.column(i).num_values for group in groups)
        if values > _MOST_VALUES_A_ROW * most_rows:
            raise _too_large(where, count(values, "value"), do, "lists of a few words")
    stated = sum(group.total_byte_size for group in groups)
    if stated > most_bytes:
        raise _too_large(where, _megabytes(stated), do)


def _texts_fit(table: pa.Table, most_bytes: int) -> bool:
    """Whether there is room for all texts, once each row has its own."""
    if _text_bytes(table, _most_text_bytes) <= most_bytes:  # nearly always, and at no cost
        return True
    return _text_bytes(table, _repeated_text_bytes) <= most_bytes


def _text_bytes(table: pa.Table, bytes_of: Callable[[pa.DictionaryArray], int]) -> int:
    """How many bytes all texts come to."""
    total = 0
    for chunk in (chunk for column in table.columns for chunk in column.chunks):
        texts = chunk.flatten() if pa.types.is_list(chunk.type) else chunk
        if pa.types.is_dictionary(texts.type):
            total += bytes_of(texts)
    return total


def _most_text_bytes(texts: pa.DictionaryArray) -> int:
    """No fewer than there are: as if all were as long as the longest."""
    return len(texts) * (pc.max(pc.binary_length(texts.dictionary)).as_py() or 0)


def _repeated_text_bytes(texts: pa.DictionaryArray) -> int:
    return pc.sum(pc.binary_length(texts.dictionary).take(texts.indices)).as_py() or 0


def with_plain_texts(table: pa.Table) -> pa.Table:
    """The table with texts where it has dictionaries of texts."""
    fields = [field.with_type(plain_type(field.type)) for field in table.schema]
    return table.cast(pa.schema(fields, table.schema.metadata))


def plain_type(kind: pa.DataType) -> pa.DataType:
    """The type of a column whose texts are no dictionary."""
    if pa.types.is_dictionary(kind):
        return kind.value_type
    if pa.types.is_list(kind):
        return pa.list_(plain_type(kind.value_type))
    return kind


def _too_large(where: Path, found: str, do: str, expected: str = "") -> OutputError:
    return OutputError(
        where, f"states {found}", expected or f"at most {_megabytes(MOST_BYTES)} of one table", do
    )


def _megabytes(size: int) -> str:
    return f"{size >> 20:,} MiB"
