"""Many short texts of one buffer at once: cut out, compared and turned into numbers.

The numbers are pyarrow's own, taken from its buffers, since its `to_numpy` loads pandas.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.base.values import Floats

Bytes = NDArray[np.uint8]
Offsets = NDArray[np.int64]


def windows(buffer: Bytes, start: Offsets, width: int) -> Bytes:
    """The `width` bytes from each `start` (n,), as (n, width). None may reach beyond the end."""
    every = np.ndarray((len(buffer) - width + 1,), f"V{width}", buffer, 0, (1,))
    cut: Bytes = every[start].view(np.uint8).reshape(-1, width)
    return cut


def cut_texts(buffer: Bytes, start: Offsets, end: Offsets) -> pa.Array:
    """The texts buffer[start:end] as Arrow strings, whatever their bytes; an empty one is null.

    `start` and `end` are (n,), in rising order, and the texts do not overlap.
    """
    n = len(start)
    bounds = np.empty(2 * n + 1, dtype=np.int32)  # of the texts, and of what lies between them
    bounds[0:-1:2], bounds[1::2], bounds[-1] = start, end, end[-1] if n else 0
    both = pa.Array.from_buffers(
        pa.string(), 2 * n, [None, pa.py_buffer(bounds), pa.py_buffer(buffer)]
    )
    stated = end > start
    valid = None if stated.all() else pa.py_buffer(np.packbits(stated, bitorder="little"))
    wanted = np.arange(0, 2 * n, 2, dtype=np.int64)
    return both.take(pa.Array.from_buffers(pa.int64(), n, [valid, pa.py_buffer(wanted)]))


def float_values(texts: pa.Array) -> Floats:
    """Each text as Python's `float` reads it, NaN where it is no number."""
    try:
        return arrow_floats(pc.cast(texts, pa.float64()))
    except pa.ArrowInvalid:  # a text is no number, or a number that only Python reads
        return np.array([_float_or_nan(t) for t in texts.cast(pa.binary()).to_pylist()], np.float64)


def arrow_floats(values: pa.Array | pa.ChunkedArray) -> Floats:
    """An Arrow float64 column as a numpy array, null as NaN."""
    whole, stated = arrow_column(values, np.float64)
    return whole if stated is None else np.where(stated, whole, math.nan)


def arrow_column(
    values: pa.Array | pa.ChunkedArray, kind: type[np.generic]
) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """The numbers of an Arrow column of numpy's type `kind`, and which of them are stated.

    The first is a view that must not be written to; where a value is null, its number means
    nothing. The second is None where all are stated.
    """
    if isinstance(values, pa.ChunkedArray):
        values = values.combine_chunks()
    end = values.offset + len(values)
    if len(values) == 0:
        return np.empty(0, kind), None
    validity, numbers_ = values.buffers()
    whole = np.frombuffer(numbers_, kind, end)[values.offset :]
    if not values.null_count:
        return whole, None
    bits = np.unpackbits(np.frombuffer(validity, np.uint8), count=end, bitorder="little")
    return whole, bits[values.offset :].astype(np.bool_)


def _float_or_nan(text: bytes | None) -> float:
    try:
        return float(text) if text is not None else math.nan
    except ValueError:
        return math.nan
