"""What observers saw as evidence on one takeover: its lines, its pass, the receiving hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag

from pipeline.base.defaults import SIGHT_SD_M
from pipeline.base.values import Estimate, Floats, Frozen
from pipeline.measure import estimator, passes, weighing
from pipeline.measure.observers.clock_law import TiedRow, rows_cov, told_cov
from pipeline.measure.observers.ties import Tie
from pipeline.measure.observers.told import tell_moment
from pipeline.measure.weighing import SeenTakeover

HAND_BEFORE_GO_S, HAND_AFTER_PASS_S = 0.2, 0.3  # the hand goes back between first movement and pass
FAR_S = 10.0
SWAPPED_SDS = 1.5  # a hand that goes back so much after the pass is a slip
PASS_WITHIN_M = 4.0  # no baton changes hands between trunks that are farther apart


@dataclass(frozen=True, eq=False)
class LineEvidence(Frozen):
    """Rows of one takeover that its fit tells of too: the moments (m,) in UTC and their covariance
    (m, m) as all other takeovers tell the observers' clocks."""

    rows: tuple[tuple[Tie, TiedRow], ...]
    utc_s: Floats
    cov: Floats


@dataclass(frozen=True, slots=True)
class SeenPass:
    """A row that saw the pass: its moment (s, on the clock of the fit) and its place (m), where it
    says them. `swapped`: the same observer has the hand go back later, which cannot be."""

    tie: Tie
    number: int
    moment: Estimate | None
    place: Estimate | None
    swapped: bool = False

    @property
    def says_nothing(self) -> bool:
        """Whether the row has no place, and nothing else ties its clock in this takeover."""
        return self.moment is None and self.place is None


def gather_lines(ties: Sequence[Tie], takeover: int) -> LineEvidence | None:
    """The rows that measure this takeover; None where there are none."""
    rows: list[tuple[Tie, TiedRow]] = []
    moments: list[Floats] = []
    covs = []
    for tie in ties:
        own = tie.used(takeover)
        if not own or tie.shared_sd_s:  # a tie by passes alone measures no line
            continue
        law = tie.law(without=takeover)
        at = np.array([row.columns for row in own])
        rows += [(tie, row) for row in own]
        moments.append(np.array([row.utc_s for row in own]) + at @ law.mean)
        covs.append(rows_cov(own, each_anew=tie.each_anew) + at @ law.cov @ at.T)
    if not rows:
        return None
    return LineEvidence(tuple(rows), np.concatenate(moments), np.asarray(block_diag(*covs)))


def measure_lines(one: SeenTakeover, evidence: LineEvidence | None) -> SeenTakeover:
    """The takeover with its fit knowing these rows."""
    if evidence is None:
        return one
    zero = one.fit.problem.zero_utc_s

    def predict(fit: estimator.Fit) -> tuple[Floats, Floats]:
        told = [tell_moment(replace(one, fit=fit), row.what) for _, row in evidence.rows]
        moments, rows = [], []
        for (_, row), moment in zip(evidence.rows, told, strict=True):
            moment = moment or row.told
            if moment is not None:
                moments.append(moment.utc_s - zero)
                rows.append(moment.row)
        return np.array(moments), np.array(rows)

    fit = estimator.condition(one.fit, predict, evidence.utc_s - zero, evidence.cov)
    if not np.isfinite(fit.x).all() or (np.diag(fit.cov) < 0).any():
        return one
    course = weighing.sample_course(fit, one.clock_sd_s)
    return replace(one, fit=fit, course=course, log_seen=weighing.log_sight(one.case, course))


def moment_of(tie: Tie, row: TiedRow, one: SeenTakeover) -> Estimate | None:
    """When a row's event was, on the clock of the fit, with the error of reading and clock; None
    where a clock that starts anew in each rep has nothing else in this one."""
    zero = one.fit.problem.zero_utc_s
    if not tie.each_anew:
        law = tie.law(without=row.takeover if tie.shared_sd_s else None)
        # What a tie by passes alone has wrong, this takeover's own pass as inferred has wrong too.
        sd = float(np.sqrt(row.sd_s**2 + row.columns @ law.cov @ row.columns + tie.shared_sd_s**2))
        return Estimate(row.utc_s + float(row.columns @ law.mean) - zero, sd)
    own = [other for other in tie.used(row.takeover) if other.number != row.number]
    told = [tell_moment(one, other.what) or other.told for other in own]
    known = [(r, t) for r, t in zip(own, told, strict=True) if t is not None]
    if not known:
        return None
    law = tie.law()
    rows = [replace(r, told=t) for r, t in known]
    off = np.array([t.utc_s - r.utc_s - float(r.columns @ law.mean) for r, t in known])
    cov = rows_cov(rows) + told_cov([t for _, t in known], one.fit, utc=False)
    weight = np.linalg.solve(cov, np.ones(len(rows)))
    variance = 1 / float(weight.sum())
    nought = variance * float(weight @ off)
    late = float(row.columns[1:] @ law.mean[1:])
    return Estimate(row.utc_s + nought + late - zero, float(np.sqrt(variance + row.sd_s**2)))


def seen_passes(ties: Sequence[Tie], takeover: int, one: SeenTakeover) -> list[SeenPass]:
    """The rows of these observers that saw this takeover's pass."""
    out = []
    for tie in ties:
        hands = _hands_go_back_s(tie, takeover)
        for row in tie.rows:
            seen = tie.observer.sightings[row.number]
            if row.takeover == takeover and seen.event == "pass":
                place = (
                    None
                    if seen.place_m is None
                    else Estimate(seen.place_m, seen.sd_m or SIGHT_SD_M)
                )
                moment = moment_of(tie, row, one)
                swapped = max(hands, default=row.utc_s) > row.utc_s + SWAPPED_SDS * row.sd_s
                out.append(SeenPass(tie, row.number, moment, place, swapped))
        for number, k in tie.places.items():
            seen = tie.observer.sightings[number]
            if k == takeover and seen.event == "pass" and seen.place_m is not None:
                out.append(
                    SeenPass(tie, number, None, Estimate(seen.place_m, seen.sd_m or SIGHT_SD_M))
                )
    return out


def _hands_go_back_s(tie: Tie, takeover: int) -> list[float]:
    """When this observer has the receiving hand go back, on the clock as it was found first."""
    rows = [row for row in tie.rows if row.takeover == takeover]
    return [row.utc_s for row in rows if _event(tie, row.number) == "hand back"]


def log_pass(seen: SeenPass, course: passes.GapCourse) -> Floats:
    """Log-likelihood (k,) of what one row says of the pass, over the moments of `course` (k,)."""
    out = np.zeros(len(course.t_s))
    if seen.moment is not None:
        out = out + passes.moment_log_likelihood(course, seen.moment)
    if seen.place is not None:
        out = out + passes.sight_log_likelihood(course, seen.place.value, seen.place.sd)
    return np.asarray(out)


def chance_pass_misread(seen: SeenPass, course: passes.GapCourse, weight: Floats) -> float:
    """The chance that a row on the pass is wrong, with the weights (k,) of the moments."""
    wrong = [0.0]
    if seen.moment is not None:
        wrong.append(passes.chance_moment_is_wrong(course, seen.moment, weight))
    if seen.place is not None:
        wrong.append(passes.chance_sight_is_wrong(course, seen.place.value, weight, seen.place.sd))
    return max(wrong)


def can_be(seen: SeenPass, course: passes.GapCourse | None) -> bool:
    """Whether the trunks were near enough for a pass when or where the row has it."""
    if course is None or seen.swapped or seen.says_nothing:
        return False
    log = log_pass(seen, course)
    near = log > log.max() - 2.0
    return bool(np.abs(course.gap_m[near]).min() < PASS_WITHIN_M) and bool(
        log.max() > _log_anywhere(seen) + 1.0
    )


def _log_anywhere(seen: SeenPass) -> float:
    out = 0.0
    if seen.moment is not None:
        out += float(np.log(passes.MOMENT_IS_WRONG / passes.ANY_TIME_S))
    if seen.place is not None:
        out += float(np.log(passes.SIGHT_IS_WRONG / passes.SIGHT_ANYWHERE_M))
    return out


def hand_back(
    ties: Sequence[Tie], takeover: int, one: SeenTakeover, passed_s: float | None
) -> tuple[Estimate | None, dict[tuple[str, int], str]]:
    """When the receiving hand went back as observers saw it (s, on the clock of the fit), and by
    observer and row why one cannot be: it is the other way round with the start or the pass."""
    go = one.fit.start("outgoing")
    found: list[Estimate] = []
    refused: dict[tuple[str, int], str] = {}
    for tie in ties:
        swapped = {seen.number for seen in seen_passes((tie,), takeover, one) if seen.swapped}
        times = [
            (row.number, moment_of(tie, row, one))
            for row in tie.rows
            if row.takeover == takeover and _event(tie, row.number) == "hand back"
        ]
        times += [
            (number, _when_at(tie, number, one))
            for number, k in tie.places.items()
            if k == takeover and _event(tie, number) == "hand back"
        ]
        for number, moment in times:
            if moment is None:
                continue
            if swapped:
                refused[tie.observer.id, number] = (
                    "the hand would go back after the pass, swapped? not used"
                )
                continue
            early = go is not None and moment.value < go.value - HAND_BEFORE_GO_S
            late = passed_s is not None and moment.value > passed_s + HAND_AFTER_PASS_S
            if early or late:
                far = abs(moment.value - (go.value if go is not None else 0.0)) > FAR_S
                refused[tie.observer.id, number] = (
                    "far from this takeover: not used"
                    if far
                    else "the hand would go back before the first movement: not used"
                    if early
                    else "the hand would go back after the pass: not used"
                )
            else:
                found.append(moment)
    if not found:
        return None, refused
    precision = np.array([one.sd for one in found]) ** -2
    value = float(precision @ [one.value for one in found] / precision.sum())
    return Estimate(value, float(precision.sum() ** -0.5)), refused


def _event(tie: Tie, number: int) -> str:
    return tie.observer.sightings[number].event


def _when_at(tie: Tie, number: int, one: SeenTakeover) -> Estimate | None:
    """When the receiver was where his hand went back, for a row that has a place only."""
    row = tie.observer.sightings[number]
    if row.place_m is None:
        return None
    crossed = estimator.crossing(one.fit, "outgoing", row.place_m)
    if crossed is None:
        return None
    speed = float(estimator.along(one.fit, "outgoing", np.array([crossed[0]]), 1)[0])
    own = float(estimator.deviation(one.fit, crossed[1][None, :])[0])
    return Estimate(crossed[0], float(np.hypot(own, (row.sd_m or SIGHT_SD_M) / max(speed, 0.5))))
