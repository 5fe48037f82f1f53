"""What went wrong in a takeover, in trade words, and only where the traces are sure of it.

Early and late starts are judged against the receivers' habits, in `starts`. docs/accuracy.md says
how many of the faults that happened are named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from pipeline.base.values import Estimate, Frozen
from pipeline.measure import estimator, passes

RAN_INTO_M = 0.55  # trunks nearer than this while the baton is not passed: no room for arms
# Within CLOSE_M of a receiver whom he must not come nearer than CLEAR_M, an incoming runner has to
# brake by so much (m/s²), the other's gain taken off: harder than one who reaches out eases.
CLOSE_M, CLEAR_M, HARD_MPS2 = 2.0, 0.5, 2.0
GAINING_S = 0.4  # over which the other's gain is taken
BEFORE_PASS_P = 0.3  # the trunks were nearest before the pass with at least this chance
OUT_OF_REACH_M = 0.9  # no pass, and never nearer than this: the receiver was too far away
OUTSIDE_P = 0.1  # a pass less likely in the zone than this was outside
INCOMING_SLOWED_SHARE = 0.05  # of the speed at the entry line, lost by the pass
OUTGOING_EASED_MPS = 0.35  # lost before the pass, from the outgoing runner's highest speed
SURE_SDS = 2.0  # a fault is named when it exceeds its bound by so many standard errors
SURE_P = 0.977  # or with the chance that this means


@dataclass(frozen=True, eq=False)
class FaultEvidence(Frozen):
    """All that faults are judged by. `course` is the gap between the two trunks and `belief` the
    posterior of the pass; None where there is none."""

    outcome: str
    fit: estimator.Fit
    course: passes.GapCourse | None
    belief: passes.PassBelief | None
    p_in_zone: float | None = None
    pass_place: Estimate | None = None
    v_in_entry: Estimate | None = None


def name_faults(seen: FaultEvidence) -> tuple[str, ...]:
    """The faults but for early and late starts. A gap or a loss of speed counts when it lies
    SURE_SDS standard errors beyond its bound."""
    found = []
    into = _ran_into(seen)
    if into:
        found.append("ran into")
    if _ran_away(seen):
        found.append("ran away")
    if seen.p_in_zone is not None and seen.p_in_zone < OUTSIDE_P and seen.pass_place is not None:
        before = seen.pass_place.value < seen.fit.problem.axis.exit_m / 2
        found.append("passed before the zone" if before else "passed beyond the zone")
    if not into and _incoming_slowed(seen):
        found.append("incoming slowed")
    if seen.belief is not None and _outgoing_eased(seen.fit, seen.belief):
        found.append("outgoing eased")
    return tuple(found)


def _ran_into(seen: FaultEvidence) -> bool:
    course = seen.course
    if course is None:
        return False
    nearest = int(np.argmin(course.gap_m))
    close = np.flatnonzero(course.gap_m[: nearest + 1] < CLOSE_M)
    comes_near = len(close) > 0 and close[0] > 0
    if comes_near and _braking_needed(seen.fit, float(course.t_s[close[0]])) > HARD_MPS2:
        return True
    if course.gap_m[nearest] + SURE_SDS * course.gap_sd_m[nearest] >= RAN_INTO_M:
        return False
    # Beside one another after the pass is no collision.
    belief = seen.belief
    if belief is None:
        return True
    return float(belief.weight[belief.t_s > course.t_s[nearest]].sum()) > BEFORE_PASS_P


def _braking_needed(fit: estimator.Fit, moment_s: float) -> float:
    """Braking (m/s²) that keeps the incoming runner, CLOSE_M behind at `moment_s`, CLEAR_M behind
    the other: by the least he may be faster, SURE_SDS standard errors taken off."""
    at = np.array([moment_s, moment_s + GAINING_S])
    v_in, in_rows = estimator.course(fit, "incoming", at[:1], 1)
    v_out, out_rows = estimator.course(fit, "outgoing", at, 1)
    sd = float(estimator.deviation(fit, in_rows - out_rows[:1])[0])
    closing = max(float(v_in[0] - v_out[0]) - SURE_SDS * sd, 0.0)
    gain = float(v_out[1] - v_out[0]) / GAINING_S
    return closing**2 / (2 * (CLOSE_M - CLEAR_M)) - gain


def _ran_away(seen: FaultEvidence) -> bool:
    course = seen.course
    return bool(
        seen.outcome == "not passed" and course is not None and course.gap_m.min() > OUT_OF_REACH_M
    )


def _incoming_slowed(seen: FaultEvidence) -> bool:
    """At each moment that may be the pass the loss is known; how sure it is counts all of them."""
    if seen.v_in_entry is None or seen.belief is None:
        return False
    v, sd = estimator.course_with_sd(seen.fit, "incoming", seen.belief.t_s, 1)
    bound = (1 - INCOMING_SLOWED_SHARE) * seen.v_in_entry.value
    below = ndtr((bound - v) / np.hypot(sd, seen.v_in_entry.sd))
    return float(seen.belief.weight @ below) > SURE_P


def _outgoing_eased(fit: estimator.Fit, belief: passes.PassBelief) -> bool:
    before_pass = np.arange(float(belief.t_s[0]), belief.moment.value, 0.05)
    if len(before_pass) <= 4:
        return False
    v = estimator.along(fit, "outgoing", before_pass, 1)
    return float((np.maximum.accumulate(v) - v).max()) > OUTGOING_EASED_MPS
