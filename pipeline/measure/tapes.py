"""Is a place on the sheet where the runner really stood?

A tape is a statement with a chance of being wrong: a slip of the pen, a spot of another rep. The
positions say where the stand was to about a metre, and the gap between two runners who passed a
baton says it to a third of a metre. docs/methods.md, "Statements that may be wrong".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp
from scipy.stats import t as student_t

from pipeline.base.values import Estimate, Floats
from pipeline.measure import agreement, estimator

TAPE_IS_WRONG = 0.03  # chance that a place on the sheet is not the runner's
WRONG_BY_M = 3.0  # and by about so much, if it is
OFFSETS_M: Floats = np.linspace(-12.0, 12.0, 481)
TAPED_BELOW_M = 1.0
STAND_NU = 4.0  # of Student's t for the misfit of a tape that is right
ALL_ARE_WRONG, ALL_WRONG_BY_M = 0.02, 1.5  # the same of all receivers' stands of a session
UNITS_APART_M = 0.9  # what two units' own slow errors leave of a difference, all evening
UNUSED_SD_M = 5.0  # of a tape that is not used
DOUBTED_P, DROPPED_P = 0.1, 0.5  # chance of being wrong from which a tape is doubted, not used


@dataclass(frozen=True, slots=True)
class TapeDoubt:
    """One stand: the chance that the sheet's place is wrong, where all else puts the runner (m
    from the entry line), how far the two disagree in standard errors, and how much farther ahead
    (m) the sheet has it than the positions alone."""

    p_wrong: float
    elsewhere: Estimate
    z: float
    ahead_m: float


def is_taped(measured: estimator.RunnerMeasurements) -> bool:
    """Whether the sheet tells the stand; without it the estimator knows it to metres only."""
    return measured.stand_m is not None and measured.stand_m.sd < TAPED_BELOW_M


def stand_of(fit: estimator.Fit, role: estimator.Role) -> Estimate | None:
    """Where the runner stood (m) as the fit has it; None for one who was under way."""
    layout = fit.layouts[estimator.ROLES.index(role)]
    if layout.stand is None:
        return None
    place = layout.block.start + layout.stand
    return Estimate(float(fit.x[place]), float(np.sqrt(fit.cov[place, place])))


def stand_without_tape(fit: estimator.Fit, role: estimator.Role) -> Estimate | None:
    """Where all but the sheet puts the stand (m): the posterior less the tape. None where there
    is no stand, or nothing but the tape tells of it."""
    i = estimator.ROLES.index(role)
    measured = fit.problem.of(role)
    layout = fit.layouts[i]
    if layout.stand is None or measured.stand_m is None:
        return None
    place = layout.block.start + layout.stand
    tape = measured.stand_m
    information = 1 / float(fit.cov[place, place]) - tape.sd**-2
    if information < 1e-4:
        return None
    value = (float(fit.x[place]) / float(fit.cov[place, place]) - tape.value / tape.sd**2) / (
        information
    )
    return Estimate(value, float(information**-0.5))


def doubt_tapes(
    fit: estimator.Fit, nearest: Estimate | None, went_on: float, usual_m: float
) -> Mapping[estimator.Role, TapeDoubt]:
    """The doubt of each stand that the sheet tells.

    `nearest` is the smallest gap (m) as it comes out with the tapes, its standard error without
    theirs; None where there is none. Three hypotheses: both tapes right, the one wrong, the
    other wrong; that both are is left out. The fit must not know of the gap at the pass.
    """
    said: dict[estimator.Role, tuple[Estimate, Estimate]] = {}
    for role in estimator.ROLES:
        measured = fit.problem.of(role)
        seen = stand_without_tape(fit, role)
        if seen is not None and measured.stand_m is not None and is_taped(measured):
            said[role] = (measured.stand_m, seen)
    if not said:
        return {}

    def log_gap(moved_m: Floats) -> Floats:
        if nearest is None:
            return np.zeros(len(moved_m))
        density = agreement.nearest_density(nearest.value + moved_m, nearest.sd, went_on, usual_m)
        return np.asarray(np.log(density))

    right = {
        role: _log_student(seen.value - tape.value, float(np.hypot(seen.sd, tape.sd)))
        for role, (tape, seen) in said.items()
    }
    both_right = float(sum(right.values()) + log_gap(np.zeros(1))[0])
    both_right += len(said) * float(np.log(1 - TAPE_IS_WRONG))
    step = float(OFFSETS_M[1] - OFFSETS_M[0])
    wrong: dict[estimator.Role, tuple[float, Estimate]] = {}
    for role, (tape, seen) in said.items():
        sign = 1.0 if role == "outgoing" else -1.0
        log = (
            _log_normal(OFFSETS_M, seen.value - tape.value, seen.sd)
            + _log_normal(OFFSETS_M, 0.0, WRONG_BY_M)
            + log_gap(sign * OFFSETS_M)
        )
        evidence = float(logsumexp(log)) + float(np.log(step * TAPE_IS_WRONG))
        evidence += sum(right[other] + np.log(1 - TAPE_IS_WRONG) for other in said if other != role)
        weight = np.exp(log - logsumexp(log))
        mean = float(weight @ OFFSETS_M)
        sd = float(np.sqrt(weight @ (OFFSETS_M - mean) ** 2))
        wrong[role] = (evidence, Estimate(tape.value + mean, sd))
    total = float(logsumexp([both_right, *(one[0] for one in wrong.values())]))
    return {
        role: TapeDoubt(
            float(np.exp(evidence - total)),
            elsewhere,
            float((said[role][0].value - said[role][1].value)
                  / np.hypot(said[role][0].sd, said[role][1].sd)),
            said[role][0].value - said[role][1].value,
        )
        for role, (evidence, elsewhere) in wrong.items()
    }  # fmt: skip


def doubt_all_stands(differences_m: Floats, units: int, usual_m: float) -> tuple[float, Estimate]:
    """The chance that all receivers' stands were taped from the wrong line, and by how much.

    `differences_m` (n,): in each rep, how much farther ahead of the place that all else tells the
    sheet puts the receiver than it puts the incoming runner. `units` is how many receivers there
    were, `usual_m` the squad's usual smallest gap as it comes out with these tapes.
    """
    usual = agreement.NEAREST_M
    precision, vector = usual.sd**-2, (usual_m - usual.value) / usual.sd**2
    if len(differences_m):
        sd = UNITS_APART_M / np.sqrt(max(units, 1))
        precision += sd**-2
        vector += float(np.median(differences_m)) / sd**2
    off, sd = vector / precision, precision**-0.5
    odds = np.log(ALL_ARE_WRONG / (1 - ALL_ARE_WRONG))
    odds += _log_normal(off, 0.0, float(np.hypot(sd, ALL_WRONG_BY_M))) - _log_normal(off, 0.0, sd)
    return float(1 / (1 + np.exp(-odds))), Estimate(float(off), float(sd))


def _log_student(x: float, sd: float) -> float:
    """Places are seldom as wild as a normal error never is: a right tape is given up late."""
    return float(student_t.logpdf(x, STAND_NU, scale=sd))


def _log_normal(x: Floats | float, mean: float, sd: float) -> Floats:
    return np.asarray(-0.5 * ((x - mean) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi)))
