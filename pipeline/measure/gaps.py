"""The gap between the two runners of a takeover, read from its fit."""

from __future__ import annotations

import numpy as np

from pipeline.measure import agreement, estimator, passes
from pipeline.measure.reps import POSITION_DELAY_SD_S

# Who slows to this share so soon beyond the zone has no baton.
GIVE_UP_M, GIVE_UP_SHARE = 20.0, 0.75
LEAST_OF_VARIANCE = 0.2  # of a place's, what is left without a delay
CARRIED_OFF, CARRIED_NOT_FAR = 0.95, 0.1  # chances that who runs on, or slows so soon, had it


def sample_gap(fit: estimator.Fit) -> passes.GapCourse | None:
    """The gap from just after the receiver's start until the incoming runner is out of it."""
    go = fit.start("outgoing")
    exit_ = fit.leaves
    if go is None:
        return None
    last = min(
        fit.problem.incoming.end_s, (exit_[0] if exit_ is not None else go.value + 5.0) + 1.2
    )
    t = np.arange(go.value + 0.3, last, passes.PASS_GRID_S)
    if len(t) < 10:
        return None
    (s_in, s_out), cov = estimator.places_of_both(fit, t)
    own, common = cov[0, 0] + cov[1, 1], 2 * cov[0, 1]
    middle = (s_in + s_out) / 2
    # What delays both positions alike moves the moment of the pass, not its place.
    variance = np.maximum(own + common, 0.0) / 4
    delayed = (POSITION_DELAY_SD_S * np.gradient(middle, t)) ** 2
    return passes.GapCourse(
        t,
        s_out - s_in,
        np.sqrt(np.maximum(own - common, 0.0)),
        middle,
        np.sqrt(np.maximum(variance - delayed, LEAST_OF_VARIANCE * variance)),
    )


def receiver_gave_up(fit: estimator.Fit) -> bool:
    """Whether the outgoing runner slowed inside the zone or soon after it, or never left it."""
    exit_m = fit.problem.axis.exit_m
    last = fit.problem.outgoing.end_s
    go = fit.start("outgoing")
    if fit.leaves is None or go is None:
        return True
    t = np.arange(go.value + 0.5, last, 0.1)
    v = estimator.along(fit, "outgoing", t, 1)
    s = estimator.along(fit, "outgoing", t)
    best = float(v[s < exit_m + 2].max(initial=0.0))
    beyond = (s > exit_m) & (s < exit_m + GIVE_UP_M)
    return bool(v[beyond].min(initial=best) < GIVE_UP_SHARE * best)


def chance_of_pass(course: passes.GapCourse | None, gave_up: bool, usual_m: float) -> float:
    """The chance that the baton changed hands, from how near the trunks came and whether the
    receiver ran on as one who has it. `usual_m` is the squad's usual smallest gap in m."""
    if course is None:
        return 0.0
    nearest = int(np.argmin(course.gap_m))
    gap, sd = course.gap_m[[nearest]], float(course.gap_sd_m[nearest])
    prior = CARRIED_OFF if not gave_up else CARRIED_NOT_FAR
    met = prior * float(agreement.met_density(gap, sd, usual_m)[0])
    missed = (1 - prior) * float(agreement.missed_density(gap, sd, usual_m)[0])
    return met / max(met + missed, 1e-300)
