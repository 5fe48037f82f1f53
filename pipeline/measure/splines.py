"""Cubic B-splines of many courses at once, each on knots of its own.

Knots stand fourfold at both ends, simple between, and begin at nought. Beyond its ends a spline
keeps the nearest end's value, and before its beginning it has no derivative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.interpolate import BSpline

from pipeline.base.values import Floats, Frozen, Ints


class OnSpline(NamedTuple):
    """Moments on their splines: the cell (...,) each falls into, counted over all splines, how
    far inside the cell it lies, and 1.0 where it lies at or after the spline's beginning."""

    cell: Ints
    into: Floats
    begun: Floats


@dataclass(frozen=True, eq=False)
class SplineCells(Frozen):
    """The cells (c,) of several splines (b,), one spline after the other.

    `taylor` (4, c, 4) holds for each cell the derivatives of orders 0 to 3, at the cell's
    beginning, of the four basis functions that live in it. `first` (b,) is each spline's first
    cell, and the basis functions that live in cell `first + i` are its own numbers i to i + 3.
    """

    first: Ints
    length: Floats
    shift: Floats  # splines lie one behind the other on one axis, so that one search finds a cell
    begin: Floats  # of each cell, on that axis
    taylor: Floats

    def locate(self, which: Ints, x: Floats) -> OnSpline:
        """Find where `x` lies on the splines `which`; both have one shape."""
        inside = np.minimum(np.maximum(x, 0.0), self.length[which]) + self.shift[which]
        cell = np.searchsorted(self.begin, inside, side="right") - 1
        return OnSpline(cell, inside - self.begin[cell], (x >= 0.0).astype(np.float64))

    def derive_basis(self, near: OnSpline, order: int) -> Floats:
        """Derivative `order` of the four basis functions alive at each moment, (..., 4)."""
        u = near.into[..., None]
        value: Floats = self.taylor[3][near.cell]
        for k in range(2, order - 1, -1):
            value = self.taylor[k][near.cell] + u / (k + 1 - order) * value
        return value * near.begun[..., None] if order else value


def join_splines(knots: Sequence[tuple[float, ...]]) -> SplineCells:
    """Join splines, each given by its knots, into one table of cells."""
    pieces = [_taylor_pieces(one) for one in knots]
    length = np.array([breaks[-1] for breaks, _ in pieces])
    cells = np.array([len(breaks) - 1 for breaks, _ in pieces])
    shift = np.concatenate([[0.0], np.cumsum(length + 1.0)])[:-1]
    begin = [breaks[:-1] + at for (breaks, _), at in zip(pieces, shift, strict=True)]
    taylor = np.concatenate([own for _, own in pieces], axis=1)
    first = np.concatenate([[0], np.cumsum(cells)])[:-1]
    return SplineCells(first, length, shift, np.concatenate(begin), taylor)


@lru_cache(maxsize=1024)
def cells_of(knots: tuple[float, ...]) -> SplineCells:
    """The cells of one spline."""
    return join_splines([knots])


@lru_cache(maxsize=1024)
def _taylor_pieces(knots: tuple[float, ...]) -> tuple[Floats, Floats]:
    """Where each cell begins, with the end of the last (m + 1,), and its part of `taylor`."""
    breaks = np.array(knots[3:-3])
    m = len(breaks) - 1
    spline = BSpline(np.array(knots), np.eye(m + 3), 3)
    live = np.arange(m)[:, None] + np.arange(4)
    return breaks, np.array([np.take_along_axis(spline(breaks[:-1], k), live, 1) for k in range(4)])


def fill_rows(cell: Ints, values: Floats, size: int) -> Floats:
    """Dense rows (n, size) of values (n, 4) that belong to basis functions `cell` (n,) to + 3."""
    rows = np.zeros((len(cell), size))
    np.put_along_axis(rows, cell[:, None] + np.arange(4), values, axis=1)
    return rows
