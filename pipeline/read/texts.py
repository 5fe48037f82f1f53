"""Many short texts of one buffer at once: cut out, compared, and made numbers.

pyarrow's own conversions, without the detour by pandas that its `to_numpy` takes.
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
Places = NDArray[np.int64]


def windows(buffer: Bytes, start: Places, width: int) -> Bytes:
    """The `width` bytes from each `start` (n,), as (n, width); none may reach beyond the end."""
    every = np.ndarray((len(buffer) - width + 1,), f"V{width}", buffer, 0, (1,))
    cut: Bytes = every[start].view(np.uint8).reshape(-1, width)
    return cut


def cut(buffer: Bytes, start: Places, end: Places) -> pa.Array:
    """The texts buffer[start:end], (n,) each, in rising order and not overlapping. As Arrow
    strings, though their bytes may be anything; an empty one is null."""
    n = len(start)
    bounds = np.empty(2 * n + 1, dtype=np.int32)  # of texts and of what lies between them
    bounds[0:-1:2], bounds[1::2], bounds[-1] = start, end, end[-1] if n else 0
    both = pa.Array.from_buffers(
        pa.string(), 2 * n, [None, pa.py_buffer(bounds), pa.py_buffer(buffer)]
    )
    stated = end > start
    valid = None if stated.all() else pa.py_buffer(np.packbits(stated, bitorder="little"))
    wanted = np.arange(0, 2 * n, 2, dtype=np.int64)
    return both.take(pa.Array.from_buffers(pa.int64(), n, [valid, pa.py_buffer(wanted)]))


def numbers(texts: pa.Array) -> Floats:
    """What Python's `float` makes of each text, NaN where it makes nothing."""
    try:
        return floats(pc.cast(texts, pa.float64()))
    except pa.ArrowInvalid:  # some text is no number, or one that only Python reads
        return np.array([_number(t) for t in texts.cast(pa.binary()).to_pylist()], np.float64)


def floats(values: pa.Array | pa.ChunkedArray) -> Floats:
    """Arrow's float64 as numpy's, null as NaN."""
    whole, stated = column(values, np.float64)
    return whole if stated is None else np.where(stated, whole, math.nan)


def column(
    values: pa.Array | pa.ChunkedArray, kind: type[np.generic]
) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """The numbers of an Arrow column of that `kind`, unchanged and not to be changed; and which
    are stated, None where all are (a null's number means nothing)."""
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


def _number(text: bytes | None) -> float:
    try:
        return float(text) if text is not None else math.nan
    except ValueError:
        return math.nan
