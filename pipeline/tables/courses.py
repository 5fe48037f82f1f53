"""The table `speed_curves` as courses: one runner in one takeover, by time."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.base import signals
from pipeline.base.values import Estimate, Floats, Frozen

COURSE_COLUMNS = ("t_s", "s_m", "s_sd_m", "v_mps", "v_sd_mps")
LEAST_ROWS = 2  # of a course

CourseKey = tuple[str, int, str]  # session, exchange, role


@dataclass(frozen=True, eq=False)
class RunnerCourse(Frozen):
    """One runner's place and speed over time, (n,) each, in time order; n at least 2."""

    runner: str
    t_s: Floats
    s_m: Floats
    s_sd_m: Floats
    v_mps: Floats
    v_sd_mps: Floats

    def covers(self, t_s: float) -> bool:
        """Whether a moment lies between the first and the last row."""
        return bool(self.t_s[0] <= t_s <= self.t_s[-1])

    def at(self, t_s: float | Floats, column: str) -> Any:
        """A column at a moment or moments, linear between the rows."""
        value = np.interp(t_s, self.t_s, getattr(self, column))
        return float(value) if np.ndim(t_s) == 0 else value

    def reaches(self, s_m: float) -> Estimate | None:
        """When the trunk first crosses a place in the running direction; None where it does not."""
        found = signals.crossings(self.t_s, self.s_m, s_m, self.s_sd_m)
        forward = np.flatnonzero(found.direction > 0)
        if not len(forward):
            return None
        first = int(forward[0])
        v = max(self.at(float(found.t_s[first]), "v_mps"), 0.1)
        # The place's error drifts slowly: neighbouring rows share it.
        return Estimate(float(found.t_s[first]), self.at(float(found.t_s[first]), "s_sd_m") / v)


def runner_courses(
    curves: pa.Table, wanted: Collection[tuple[str, int]]
) -> dict[CourseKey, RunnerCourse]:
    """The courses of the `wanted` takeovers (session, exchange), from the table `speed_curves`.

    Rows in which a number is null are left out, and so are courses of fewer than two rows.
    """
    if not len(curves):
        return {}
    session = curves["session"].combine_chunks().dictionary_encode()
    codes = session.indices.to_numpy()
    names = session.dictionary.to_pylist()
    outgoing = pc.equal(curves["role"], "outgoing").to_numpy()
    exchange = curves["exchange"].to_numpy()
    numbers = {name: curves[name].to_numpy(zero_copy_only=False) for name in COURSE_COLUMNS}
    most = int(exchange.max()) + 1
    course = (codes.astype(np.int64) * most + exchange) * 2 + outgoing
    order = np.lexsort((numbers["t_s"], course))
    first = np.flatnonzero(np.diff(course[order])) + 1
    runners = curves["runner"]
    found = {}
    for rows in np.split(order, first):
        key = (names[codes[rows[0]]], int(exchange[rows[0]]))
        if key not in wanted:
            continue
        own = {name: np.asarray(column[rows], dtype=float) for name, column in numbers.items()}
        known = np.all([np.isfinite(column) for column in own.values()], axis=0)
        if known.sum() < LEAST_ROWS:
            continue
        role = "outgoing" if outgoing[rows[0]] else "incoming"
        found[*key, role] = RunnerCourse(
            runners[int(rows[0])].as_py(), **{name: x[known] for name, x in own.items()}
        )
    return found
