"""Decoded FIT messages as columns, and what both decoders and all readers of columns share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats
from pipeline.read.screening import AXES, float_column


class Messages(NamedTuple):
    """All messages of one name in one file of a chain.

    `order` (n,) rises in the order in which they stand among all messages of the file. `columns`
    hold numbers in the profile's units, (n,) or, for array fields, (n, k), NaN where null or
    missing. Developer fields are called "developer.<name>", with their units in `units`.
    """

    order: NDArray[np.int64]
    columns: Mapping[str, Floats]
    units: Mapping[str, str]

    def single(self, field: str) -> Floats:
        """(n,) the field, or the first value of an array field; NaN where it is missing."""
        values = self.columns.get(field)
        if values is not None and values.ndim > 1:
            values = values[:, 0]
        return float_column(values, len(self.order))

    def array(self, field: str) -> Floats:
        """(n, k) the field, also where k is 1; (n, 1) NaN where it is missing."""
        n = len(self.order)
        return float_column(self.columns.get(field), n).reshape(n, -1)

    def axes(self, field: str, k: int) -> Floats | None:
        """(n, k, 3) the fields `<field>_x`, `_y` and `_z`, NaN where one of them is missing; None
        where all three are."""
        names = [f"{field}_{axis}" for axis in AXES]
        if not any(name in self.columns for name in names):
            return None
        return np.stack([to_width(self.array(name), k) for name in names], axis=2)


class Decoded(NamedTuple):
    """The messages of one file by name, and what stopped the decoding before its end: a fault of
    the file, or that it holds `too_many` messages."""

    messages: Mapping[str, Messages]
    fault: str | None
    too_many: bool = False


def first_stated(first: Floats, second: Floats) -> Floats:
    """`first`, and `second` where the first is NaN; of one shape."""
    return np.where(np.isnan(first), second, first)


def to_width(values: Floats, k: int) -> Floats:
    """(n, j) cut to (n, k), or filled up with NaN."""
    if values.shape[1] == k:
        return values
    return np.pad(values[:, :k], ((0, 0), (0, max(0, k - values.shape[1]))), constant_values=np.nan)


def mostly_filling(rows: int, width: int, stated: int) -> bool:
    """Whether a column of `rows` by `width` cells holds little more than NaN.

    `stated` of the cells are in the file. One long message among a million short ones would
    otherwise fill the memory.
    """
    return width > 1 and rows * width > 8 * stated + (1 << 20)
