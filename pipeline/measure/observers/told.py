"""What the fit of a takeover says of a moment that an observer can see too."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.base.values import Floats, Frozen, SeenEvent
from pipeline.measure import estimator
from pipeline.measure.model import first_movement_row
from pipeline.measure.weighing import SeenTakeover, pair_of

TOLD_BY_FITS: tuple[SeenEvent, ...] = ("mark", "go", "entry", "exit", "gate")
WHO: dict[SeenEvent, estimator.Role] = {
    "mark": "incoming",
    "entry": "incoming",
    "go": "outgoing",
    "hand back": "outgoing",
    "exit": "outgoing",
}


@dataclass(frozen=True, eq=False)
class ToldMoment(Frozen):
    """A moment as the fit has it, in UTC, with its row (p,) (see `estimator.course`), the speed of
    the runner it is about, his role, and what is left of the doubt of his unit's clock. `own_sd_s`
    is an error that it shares with nothing else."""

    utc_s: float
    row: Floats
    speed_mps: float
    role: estimator.Role
    clock_sd_s: float
    own_sd_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Occurrence:
    """What happened: an event, and for a gate who broke it and where it lies (m from the entry
    line of the takeover's lane)."""

    event: SeenEvent
    role: estimator.Role | None = None
    place_m: float | None = None


def tell_moment(one: SeenTakeover, what: Occurrence) -> ToldMoment | None:
    """When it happened as the fit has it; None where the fit does not say, or it did not happen."""
    fit, axis = one.fit, one.case.problem.axis
    if what.event == "go":
        return _tell_first_movement(one)
    place, role = what.place_m, what.role or WHO.get(what.event)
    if what.event == "entry":
        place = 0.0
    elif what.event == "exit":
        place = axis.exit_m
    elif what.event == "mark":
        mark_m = None if one.case.rep is None else one.case.rep.mark_m
        place = None if mark_m is None else axis.back_m - mark_m
    if place is None or role is None:
        return None
    crossed = estimator.crossing(fit, role, place)
    if crossed is None:
        return None
    speed = float(estimator.along(fit, role, np.array([crossed[0]]), 1)[0])
    return _told(one, role, crossed[0], crossed[1], speed)


def _tell_first_movement(one: SeenTakeover) -> ToldMoment | None:
    fit = one.fit
    layout = fit.layouts[1]
    if layout.start is None:
        return None
    seen = fit.problem.outgoing.onset is not None
    found = first_movement_row(layout, fit.x[layout.block], by_accelerometer=seen)
    row = np.zeros(len(fit.x))
    row[layout.block] = found.row
    return _told(one, "outgoing", found.value, row, 0.0)


def _told(
    one: SeenTakeover, role: estimator.Role, value: float, row: Floats, speed: float
) -> ToldMoment:
    doubt = one.clock_doubt_s[estimator.ROLES.index(role)]
    return ToldMoment(one.fit.problem.zero_utc_s + value, row, speed, role, doubt)


def role_of(one: SeenTakeover, runner: str) -> estimator.Role | None:
    """The role of this runner in the takeover, None where he has none."""
    for role, name in zip(estimator.ROLES, pair_of(one.case), strict=True):
        if name == runner:
            return role
    return None
