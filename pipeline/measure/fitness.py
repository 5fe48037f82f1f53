"""Do both traces, the tapes, the clocks and the lane agree? A test of each fit after solving.

Each part is held against what all else says of it, in standard errors; the worst counts. See
docs/methods.md, "A test of fit".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.base.values import Floats
from pipeline.measure import agreement, estimator, passes, tapes

DOUBT_SDS = 3.0
FIXES_ALIKE = 4.0  # neighbouring fixes share a step's swing and a receiver's smoothing
SURE_ENOUGH = 0.5  # the gap is tested where a pass is likelier than none

Culprit = Literal["tape", "gap", "lane", "speeds", "places"]


@dataclass(frozen=True, slots=True)
class Doubted:
    """What disagrees most, and a sentence for the remarks."""

    culprit: Culprit
    words: str


def check_fit(
    fit: estimator.Fit,
    doubts: Mapping[estimator.Role, tapes.TapeDoubt],
    course: passes.GapCourse | None,
    chance: float,
    usual_m: float,
) -> tuple[float, Doubted | None]:
    """The worst disagreement in standard errors (never negative), and what it is where it exceeds
    DOUBT_SDS. `fit` and `course` are those before the gap at the pass was used."""
    found: list[tuple[float, Culprit, str]] = [
        (doubt.z, "tape", f"the {role} runner's stand on the sheet")
        for role, doubt in doubts.items()
    ]
    if course is not None and chance > SURE_ENOUGH:
        i = int(np.argmin(course.gap_m))
        spread = np.hypot(agreement.NEAREST_REP_SD_M, course.gap_sd_m[i])
        z = float((course.gap_m[i] - usual_m) / spread)
        found.append((z, "gap", f"the smallest gap between the trunks ({course.gap_m[i]:.1f} m)"))
    for role in estimator.ROLES:
        found.append((lane_z(fit, role), "lane", f"the {role} runner's lane"))
        speeds, places = trace_z(fit, role)
        found.append((speeds, "speeds", f"the {role} runner's speeds"))
        found.append((places, "places", f"the {role} runner's places"))
    z, culprit, what = max(found, key=lambda one: abs(one[0]))
    doubted = None
    if abs(z) > DOUBT_SDS:
        doubted = Doubted(
            culprit, f"{what} and the rest do not agree ({abs(z):.1f} standard errors)"
        )
    return abs(z), doubted


def lane_z(fit: estimator.Fit, role: estimator.Role) -> float:
    """How far the mean sideways place lies from where a runner of this role keeps, against what
    both the lane and the fixes leave open."""
    i = estimator.ROLES.index(role)
    measured = fit.problem.of(role)
    layout = fit.layouts[i]
    where = layout.block.start + np.arange(layout.sideways.start, layout.sideways.stop)
    n = len(where)
    mean = float(fit.x[where].mean())
    left = float(fit.cov[np.ix_(where, where)].mean())
    prior = measured.sideways_sd_m**2 + measured.sway_m**2 / n
    return (mean - measured.sideways_m) / float(np.sqrt(max(prior - left, 0.1 * prior)))


def trace_z(fit: estimator.Fit, role: estimator.Role) -> tuple[float, float]:
    """Whether one runner's speeds and places scatter about the fit more than his unit does on the
    whole: each in standard errors of the mean square."""
    i = estimator.ROLES.index(role)
    return _scatter_z(fit.speed_residual[i]), _scatter_z(fit.position_residual[i])


def _scatter_z(residual: Floats) -> float:
    kept = residual[np.isfinite(residual)]
    if len(kept) < 10:
        return 0.0
    bounded = np.minimum(np.abs(kept), 3.0) ** 2  # lone outliers are weighed down anyway
    independent = len(kept) / FIXES_ALIKE
    return float((bounded.mean() - 1.0) / np.sqrt(2.0 / independent))
