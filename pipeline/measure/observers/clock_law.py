"""The law of an observer's clock, by generalised least squares over the takeovers he saw.

The model stands in docs/methods.md, "What observers saw".
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.base.defaults import GATE_LEAD_M, GATE_LEAD_SD_M
from pipeline.base.values import Estimate, Floats, Frozen, Observer
from pipeline.measure import estimator
from pipeline.measure.observers.rows import ROW_IS_WRONG
from pipeline.measure.observers.told import Occurrence, ToldMoment
from pipeline.measure.reps import POSITION_DELAY_SD_S
from pipeline.measure.weighing import SeenTakeover

UTC_SD_S = 0.01  # of times that are said to be UTC
RATE_SD = 30e-6  # of a telephone's quartz, whose data sheets allow ± 50 ppm: from memory
MOST_SHARED = 0.8  # of what the fit has wrong about a moment, what the squad's delay can be
BEAM_LEAD_M = Estimate(GATE_LEAD_M, GATE_LEAD_SD_M)
SEEN_LATE_SD_S = 0.03  # how late an observer sees a first movement
MISREAD_BY_S = 0.5  # about how far a misread row is off
OWN_SD_S = 100.0  # of an offset about the one that was found, before the rows tell it
OFF_SDS = 3.0  # a clock of UTC that is farther off is not UTC
MOST_TURNS = 200  # in which misread rows are left out, the worst first
_FIXED = 1e-6  # standard deviation of what is not learned
PARAMETERS = 4  # offset (s), rate, lead at a beam (m), lateness of a first movement as seen (s)


@dataclass(frozen=True, eq=False)
class ClockLaw(Frozen):
    """Offset, rate, lead and lateness (PARAMETERS,) of an observer, with their covariance."""

    mean: Floats
    cov: Floats


@dataclass(frozen=True, eq=False)
class TiedRow(Frozen):
    """A row that is tied: its takeover, what the fits say of it (None for a pass and a hand), what
    its clock read as UTC by the offset that was found first, and its `columns` (PARAMETERS,)."""

    number: int
    takeover: int
    what: Occurrence
    told: ToldMoment | None
    utc_s: float
    columns: Floats
    sd_s: float


@dataclass(frozen=True, eq=False)
class SolvedLaw(Frozen):
    """Information and vector of a clock's law, prior and all takeovers together; by takeover what
    its rows say of it; the numbers of the rows that are more likely misread than right."""

    misread: frozenset[int]
    info: Floats
    vector: Floats
    sent: Mapping[int, tuple[Floats, Floats]]

    def law(self, without: int | None = None) -> ClockLaw:
        """The law as all takeovers tell it, or all but one."""
        info, vector = self.info, self.vector
        own = None if without is None else self.sent.get(without)
        if own is not None:
            info, vector = np.subtract(info, own[0]), np.subtract(vector, own[1])
        cov = np.linalg.inv(info)
        return ClockLaw(cov @ vector, (cov + cov.T) / 2)


def _law_prior(observer: Observer, offset_sd_s: float | None) -> tuple[Floats, Floats]:
    """Information and vector of offset, rate, lead and lateness before any row is looked at.

    Of one who is only compared no more is learned than without which nothing can be compared: the
    offset and rate of his own clock.
    """
    lead = BEAM_LEAD_M if observer.kind == "gates" else Estimate(0.0, _FIXED)
    sd = np.array([offset_sd_s or OWN_SD_S, RATE_SD, lead.sd, SEEN_LATE_SD_S])
    if observer.use == "check":
        sd[2:] = _FIXED
        sd[:2] = _FIXED if offset_sd_s else sd[:2]
    if observer.clock == "rep":
        sd[0] = _FIXED  # each rep has its own
    precision = sd**-2
    return np.diag(precision), precision * np.array([0.0, 0.0, lead.value, 0.0])


def solve_law(
    observer: Observer, rows: Sequence[TiedRow], seen: Sequence[SeenTakeover], *, utc: bool
) -> SolvedLaw:
    """The clock's law by the rows that are not misread; with `utc` its times are believed to be
    UTC."""
    prior = _law_prior(observer, UTC_SD_S if utc else None)
    misread: frozenset[int] = frozenset()
    for _ in range(MOST_TURNS):
        info, vector, sent = _gather_law(observer, rows, misread, seen, prior)
        wrong = _worst_rows(observer, rows, misread, seen, info, vector, sent)
        if not wrong:
            break
        misread |= wrong
    else:
        info, vector, sent = _gather_law(observer, rows, misread, seen, prior)
    return SolvedLaw(misread, info, vector, sent)


def _rows_by_takeover(rows: Iterable[TiedRow], misread: frozenset[int]) -> dict[int, list[TiedRow]]:
    out: dict[int, list[TiedRow]] = defaultdict(list)
    for row in rows:
        if row.told is not None and row.number not in misread:
            out[row.takeover].append(row)
    return out


def rows_cov(rows: Sequence[TiedRow], *, each_anew: bool = False) -> Floats:
    """Covariance (m, m) in s² of what the rows of one takeover say, but for their observer's clock:
    readings, and the doubt of the units' clocks; with `each_anew` an unknown nought for all."""
    told = [row.told for row in rows if row.told is not None]
    own = np.array([row.sd_s for row in rows]) ** 2 + np.array([t.own_sd_s for t in told]) ** 2
    doubt = np.array([t.clock_sd_s for t in told])
    same = np.array([[a.role == b.role for b in told] for a in told])
    cov = np.diag(own) + same * np.outer(doubt, doubt)
    return np.asarray(cov + (OWN_SD_S**2 if each_anew else 0.0))


def told_cov(told: Sequence[ToldMoment], fit: estimator.Fit, *, utc: bool) -> Floats:
    """Covariance (m, m) in s² of what the fit says of moments.

    What delays the positions of a whole squad moves all its moments alike, and with them an
    observer's offset, unless his clock shows UTC: then it is no error of the one against the other.
    """
    at = np.array([one.row for one in told])
    cov = at @ fit.cov @ at.T
    if utc or not len(cov):
        return np.asarray(cov)
    shared = min(POSITION_DELAY_SD_S**2, MOST_SHARED * float(np.diag(cov).min()))
    return np.asarray(cov - shared)


def _rows_and_fit_cov(observer: Observer, rows: Sequence[TiedRow], fit: estimator.Fit) -> Floats:
    told = [row.told for row in rows if row.told is not None]
    own = rows_cov(rows, each_anew=observer.clock == "rep")
    return own + told_cov(told, fit, utc=observer.clock == "utc")


def _gather_law(
    observer: Observer,
    rows: Sequence[TiedRow],
    misread: frozenset[int],
    seen: Sequence[SeenTakeover],
    prior: tuple[Floats, Floats],
) -> tuple[Floats, Floats, dict[int, tuple[Floats, Floats]]]:
    """Information and vector of the clock's law, altogether and by takeover."""
    info, vector = prior[0].copy(), prior[1].copy()
    sent = {}
    for k, own in _rows_by_takeover(rows, misread).items():
        cov = _rows_and_fit_cov(observer, own, seen[k].fit)
        at = np.array([row.columns for row in own])
        gain = np.linalg.solve(cov, at)
        sent[k] = (at.T @ gain, gain.T @ misfits(own))
        info, vector = info + sent[k][0], vector + sent[k][1]
    return info, vector, sent


def misfits(rows: Sequence[TiedRow]) -> Floats:
    """What the fits say less what the rows do (m,), by the offset that was found first."""
    return np.array([row.told.utc_s - row.utc_s for row in rows if row.told is not None])


def _worst_rows(
    observer: Observer,
    rows: Sequence[TiedRow],
    misread: frozenset[int],
    seen: Sequence[SeenTakeover],
    info: Floats,
    vector: Floats,
    sent: Mapping[int, tuple[Floats, Floats]],
) -> frozenset[int]:
    """The rows that are more likely misread than right, the worst of its takeover each, and of
    these only those nearly as bad as the worst of all."""
    found: dict[int, float] = {}
    for k, own in _rows_by_takeover(rows, misread).items():
        cov = np.linalg.inv(info - sent[k][0])
        mean = cov @ (vector - sent[k][1])
        at = np.array([row.columns for row in own])
        whole = _rows_and_fit_cov(observer, own, seen[k].fit)
        whole = whole + at @ cov @ at.T
        inverse = np.linalg.inv(whole)
        off = inverse @ (misfits(own) - at @ mean) / np.diag(inverse)
        sd = np.diag(inverse) ** -0.5
        wrong = chance_misread(off, sd)
        worst = int(np.argmax(np.abs(off) / sd * (wrong > 0.5)))
        if wrong[worst] > 0.5:
            found[own[worst].number] = float(abs(off[worst]) / sd[worst])
    most = max(found.values(), default=0.0)
    return frozenset(number for number, z in found.items() if z > most / 2)


def chance_misread(off_s: Floats, sd_s: Floats) -> Floats:
    """The chance (n,) that rows are misread that lie `off_s` from all else, give or take `sd_s`."""
    wide = np.hypot(sd_s, MISREAD_BY_S)
    log_odds = np.log(ROW_IS_WRONG / (1 - ROW_IS_WRONG)) + np.log(sd_s / wide)
    log_odds = log_odds + 0.5 * (off_s / sd_s) ** 2 - 0.5 * (off_s / wide) ** 2
    return np.asarray(1 / (1 + np.exp(-np.clip(log_odds, -500, 500))))
