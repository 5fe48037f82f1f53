"""An observer's clock tied to the units'; docs/methods.md, "What observers saw"."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import t as student_t

from pipeline.base.values import Estimate, Floats, Frozen, Observer
from pipeline.measure import estimator
from pipeline.measure.observers.rows import GatePlaces, RowGroup, group_rows, occurrence_of
from pipeline.measure.observers.told import (
    TOLD_BY_FITS,
    Occurrence,
    ToldMoment,
    tell_moment,
)
from pipeline.measure.weighing import SeenTakeover

UTC_SD_S = 0.01  # of times that are said to be UTC
RATE_SD = 50e-6  # of a telephone's quartz, from memory
BEAM_LEAD_M = Estimate(0.25, 0.10)  # chest or arm ahead of the unit: half a chest, an arm
SEEN_LATE_SD_S = 0.03  # how late an observer sees a first movement
MISREAD, MISREAD_BY_S = 0.05, 0.5  # chance that a row is wrong, and by about how much
NEAR_SD_S, NEAR_NU = 60.0, 3.0  # of the time at which an own clock is said to have read nought
PASSES_SHARE_SD_S = 0.12  # of the error of passes that nobody saw, what a squad's have in common
OWN_SD_S = 100.0  # of an offset about the one that was found, before the rows tell it
SEARCHED_S = 240.0  # a misread row is anywhere in so long
LEAST_TOLERANCE_S = 0.05
FITS_S, FITS_SDS = 0.15, 4.0  # a row explained by an offset is nearer to it
LEAST_SHARE = 0.5  # of the rows that an offset has to explain
MOST_OFFSETS, OFFSETS_AT_ONCE = 2000, 50
OFF_SDS = 3.0  # a clock of UTC that is farther off is not UTC
SHIFTED_S = 0.2
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
class Tie(Frozen):
    """An observer tied to the units. `rows` are those with a time that belong to a takeover,
    `misread` the numbers of those that are more likely wrong than right, `unused` says by row why
    others are not used; `places` the takeovers of rows where only a place was seen."""

    observer: Observer
    rows: tuple[TiedRow, ...]
    misread: frozenset[int]
    unused: Mapping[int, str]
    notes: Mapping[int, str]
    places: Mapping[int, int]
    info: Floats  # of the clock's law: prior and all takeovers
    vector: Floats
    sent: Mapping[int, tuple[Floats, Floats]]  # by takeover what its rows say of it
    shared_sd_s: float
    zero_utc_s: float | None  # when the clock read nought; None where it starts anew in each rep
    words: tuple[str, ...]

    @property
    def each_anew(self) -> bool:
        """Whether the clock starts anew in each rep."""
        return self.observer.clock == "rep"

    def law(self, without: int | None = None) -> ClockLaw:
        """The clock's law as all takeovers tell it, or all but one."""
        info, vector = self.info, self.vector
        own = None if without is None else self.sent.get(without)
        if own is not None:
            info, vector = np.subtract(info, own[0]), np.subtract(vector, own[1])
        cov = np.linalg.inv(info)
        shared = np.zeros_like(cov)
        shared[0, 0] = self.shared_sd_s**2
        return ClockLaw(cov @ vector, (cov + cov.T) / 2 + shared)

    def used(self, takeover: int) -> list[TiedRow]:
        """The rows of this takeover that the fits tell of too, without the misread ones."""
        return [
            row
            for row in self.rows
            if row.takeover == takeover and row.told is not None and row.number not in self.misread
        ]


# --- which takeover, which offset ----------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Found(Frozen):
    """An offset that was found, how many rows of how many it explains, each group's takeover."""

    offset_s: float
    explained: int
    told: int
    takeovers: tuple[int | None, ...]


def tie_observer(
    observer: Observer,
    seen: Sequence[SeenTakeover],
    gates: GatePlaces,
    inferred: Mapping[int, Estimate],
) -> Tie:
    """Tie an observer's clock by his rows.

    `inferred` are the passes as the traces have them (UTC, s), by takeover: used only for an
    observer whose rows show nothing else.
    """
    groups = group_rows(observer, seen)
    told = _tell_rows(observer, groups, seen, gates)
    passes_alone = not told
    if passes_alone:
        told = _tell_passes(observer, seen, inferred)
    words: list[str] = []
    notes: dict[int, str] = {}
    unused: dict[int, str] = {}
    if observer.clock == "rep":
        offsets, chosen = _anew_offsets(observer, groups, told)
    else:
        found = _search(observer, groups, told)
        agnostic = [replace(g, takeovers=tuple(range(len(seen)))) for g in groups]
        if found is None or found.explained < LEAST_SHARE * found.told:
            other = _search(observer, agnostic, told)
            best = other if other is not None and _is_better(other, found, observer) else None
            if best is None:
                return _untied(observer, groups, told, found)
            found = best
            words.append(
                f"{observer.id}: the rows fit takeovers of other numbers or runners than they name"
            )
        offsets = [found.offset_s] * len(observer.sightings)
        chosen = _reassign(observer, groups, agnostic, told, found, notes)
    rows, places = [], {}
    reference = _reference_s(observer)
    for group, takeover in zip(groups, chosen, strict=True):
        for number in group.rows:
            row = observer.sightings[number]
            why = _why_unusable(group, takeover, len(seen))
            if why is not None or takeover is None:
                unused[number] = why or ""
                continue
            if row.time_s is None:
                places[number] = takeover
                continue
            moment = told.get((number, takeover))
            if moment is None and row.event in TOLD_BY_FITS and not passes_alone:
                unused[number] = f"the traces do not tell the {row.event} of this takeover"
                continue
            rows.append(
                TiedRow(
                    number,
                    takeover,
                    occurrence_of(row, seen[takeover], gates) or Occurrence(row.event),
                    moment,
                    row.time_s + offsets[number],
                    _columns(observer, number, moment, reference),
                    row.sd_s or 0.0,
                )
            )
    tie = _solve(observer, rows, seen, offsets, passes_alone)
    return replace(tie, unused=unused, notes=notes, places=places, words=(*words, *tie.words))


def _tell_rows(
    observer: Observer,
    groups: Iterable[RowGroup],
    seen: Sequence[SeenTakeover],
    gates: GatePlaces,
) -> dict[tuple[int, int], ToldMoment]:
    """What the fits say of each row, for each takeover that it may be of."""
    out = {}
    for group in groups:
        for number in group.rows:
            row = observer.sightings[number]
            if row.time_s is None or row.event not in TOLD_BY_FITS:
                continue
            for k, one in enumerate(seen):
                what = occurrence_of(row, one, gates)
                moment = None if what is None else tell_moment(one, what)
                if moment is not None:
                    out[number, k] = moment
    return out


def _tell_passes(
    observer: Observer, seen: Sequence[SeenTakeover], inferred: Mapping[int, Estimate]
) -> dict[tuple[int, int], ToldMoment]:
    out = {}
    for number, row in enumerate(observer.sightings):
        if row.event != "pass" or row.time_s is None:
            continue
        for k, moment in inferred.items():
            own = float(np.sqrt(max(moment.sd**2 - PASSES_SHARE_SD_S**2, 0.05**2)))
            none = np.zeros(len(seen[k].fit.x))
            out[number, k] = ToldMoment(moment.value, none, 0.0, "incoming", 0.0, own)
    return out


def _reference_s(observer: Observer) -> float:
    times = [row.time_s for row in observer.sightings if row.time_s is not None]
    return float(np.mean(times)) if times else 0.0


def _columns(
    observer: Observer, number: int, moment: ToldMoment | None, reference_s: float
) -> Floats:
    row = observer.sightings[number]
    since = 0.0 if observer.clock == "rep" else (row.time_s or 0.0) - reference_s
    beam = 0.0
    if observer.kind == "gates" and moment is not None and moment.speed_mps > 1.0:
        beam = 1 / moment.speed_mps
    return np.array([1.0, since, beam, -1.0 if row.event == "go" else 0.0])


def _search(
    observer: Observer, groups: Sequence[RowGroup], told: Mapping[tuple[int, int], ToldMoment]
) -> _Found | None:
    """The offset that explains most, None where no row may be of any takeover."""
    size = max((k for _, k in told), default=-1) + 1
    apart = np.full((len(observer.sightings), size), np.nan)
    tolerance = np.full_like(apart, np.nan)
    for group in groups:
        for number in group.rows:
            row = observer.sightings[number]
            for k in group.takeovers:
                moment = told.get((number, k))
                if moment is not None and row.time_s is not None:
                    apart[number, k] = moment.utc_s - row.time_s
                    tolerance[number, k] = np.hypot(
                        LEAST_TOLERANCE_S, np.hypot(row.sd_s or 0.0, moment.own_sd_s)
                    )
    proposed = apart[np.isfinite(apart)]
    if not len(proposed):
        return None
    proposed = np.unique(proposed)
    proposed = proposed[:: max(1, len(proposed) // MOST_OFFSETS)]
    counted = [np.array(group.rows) for group in groups]
    log_prior = _log_offset_prior(observer, proposed)
    best, log_best = 0.0, -np.inf
    for begin in range(0, len(proposed), OFFSETS_AT_ONCE):
        part = proposed[begin : begin + OFFSETS_AT_ONCE]
        log = log_prior[begin : begin + OFFSETS_AT_ONCE]
        by_row = _log_fits(apart, tolerance, part)
        for rows in counted:
            log = log + by_row[:, rows].sum(axis=1).max(axis=1)
        i = int(np.argmax(log))
        if log[i] > log_best:
            best, log_best = float(part[i]), float(log[i])
    near = np.abs(apart - best) < np.maximum(FITS_S, FITS_SDS * tolerance)
    log = _log_fits(apart, tolerance, np.array([best]))[0]
    takeovers: list[int | None] = []
    explained = there = 0
    for rows in counted:
        k = int(np.argmax(log[rows].sum(axis=0)))
        fits = int(near[rows, k].sum())
        explained += fits
        there += int(np.isfinite(apart[rows]).any(axis=1).sum())
        takeovers.append(k if fits else None)
    fitting = apart[near]
    return _Found(float(np.median(fitting)) if len(fitting) else best, explained, there,
                  tuple(takeovers))  # fmt: skip


def _log_fits(apart: Floats, tolerance: Floats, offsets: Floats) -> Floats:
    """Log-likelihood (c, n, k) of rows and takeovers under each offset (c,)."""
    z = (apart - offsets[:, None, None]) / tolerance
    right = (1 - MISREAD) * np.exp(-0.5 * z**2) / (tolerance * np.sqrt(2 * np.pi))
    return np.asarray(np.log(np.nan_to_num(right) + MISREAD / SEARCHED_S))


def _log_offset_prior(observer: Observer, offsets: Floats) -> Floats:
    if observer.clock == "utc":
        right = 0.95 * np.exp(-0.5 * (offsets / LEAST_TOLERANCE_S) ** 2) / LEAST_TOLERANCE_S
        return np.asarray(np.log(right + 0.05 * student_t.pdf(offsets / NEAR_SD_S, NEAR_NU)))
    if observer.near_utc_s is None:
        return np.zeros(len(offsets))
    return np.asarray(student_t.logpdf((offsets - observer.near_utc_s) / NEAR_SD_S, NEAR_NU))


def _is_better(other: _Found, found: _Found | None, observer: Observer) -> bool:
    """Whether an offset found without the labels is a tie: it explains most rows of three
    takeovers at least, and twice as many as with them."""
    before = 0 if found is None else found.explained
    several = len({k for k in other.takeovers if k is not None}) >= 3
    enough = other.explained >= max(LEAST_SHARE * other.told, 4)
    return several and enough and other.explained >= 2 * before and observer.clock != "rep"


def _reassign(
    observer: Observer,
    groups: Sequence[RowGroup],
    agnostic: Sequence[RowGroup],
    told: Mapping[tuple[int, int], ToldMoment],
    found: _Found,
    notes: dict[int, str],
) -> list[int | None]:
    """By group its takeover: the labelled one where it fits, else the only one that does. A group
    that the fits tell nothing of keeps its label's takeover, the nearest in time."""
    out: list[int | None] = []
    for group, free, chosen in zip(groups, agnostic, found.takeovers, strict=True):
        times = {i: observer.sightings[i].time_s for i in group.rows}
        testable = [i for i, t in times.items() if t is not None and _is_told(told, i)]
        if chosen is not None or not testable:
            out.append(chosen if chosen is not None else _nearest(group, times, told, found))
            continue
        fitting = [k for k in free.takeovers if _all_fit(testable, k, times, told, found.offset_s)]
        if len(fitting) == 1 and len(testable) > 1:
            out.append(fitting[0])
            for i in group.rows:
                notes[i] = f"labelled {group.label}, fits this takeover: used here"
        else:
            out.append(group.takeovers[0] if len(group.takeovers) == 1 else None)
    return out


def _is_told(told: Mapping[tuple[int, int], ToldMoment], number: int) -> bool:
    return any(i == number for i, _ in told)


def _all_fit(
    rows: Sequence[int],
    takeover: int,
    times: Mapping[int, float | None],
    told: Mapping[tuple[int, int], ToldMoment],
    offset_s: float,
) -> bool:
    off = []
    for i in rows:
        moment, time = told.get((i, takeover)), times[i]
        if moment is None or time is None:
            return False
        off.append(abs(moment.utc_s - time - offset_s))
    return max(off) < FITS_S


def _nearest(
    group: RowGroup,
    times: Mapping[int, float | None],
    told: Mapping[tuple[int, int], ToldMoment],
    found: _Found,
) -> int | None:
    """Of the takeovers that a group may mean, the one nearest in time to its rows."""
    known = [t for t in times.values() if t is not None]
    if len(group.takeovers) == 1:
        return group.takeovers[0]
    middle: dict[int, list[float]] = defaultdict(list)
    for (_, k), moment in told.items():
        if k in group.takeovers:
            middle[k].append(moment.utc_s)
    if not known or not middle:
        return None
    at = float(np.mean(known)) + found.offset_s
    near = {k: min(abs(t - at) for t in moments) for k, moments in middle.items()}
    best = min(near, key=near.__getitem__)
    return best if near[best] < SEARCHED_S / 24 else None


def _anew_offsets(
    observer: Observer,
    groups: Sequence[RowGroup],
    told: Mapping[tuple[int, int], ToldMoment],
) -> tuple[list[float], list[int | None]]:
    """For a clock that starts anew in each rep, by row about what UTC its nought was, and by group
    its takeover: the only one that it may mean."""
    offsets = [0.0] * len(observer.sightings)
    chosen: list[int | None] = []
    for group in groups:
        takeover = group.takeovers[0] if len(group.takeovers) == 1 else None
        apart = [
            moment.utc_s - time
            for i in group.rows
            for moment, time in [
                (told.get((i, -1 if takeover is None else takeover)), observer.sightings[i].time_s)
            ]
            if moment is not None and time is not None
        ]
        for i in group.rows:
            offsets[i] = float(np.median(apart)) if apart else 0.0
        chosen.append(takeover)
    return offsets, chosen


def _why_unusable(group: RowGroup, takeover: int | None, takeovers: int) -> str | None:
    if takeover is not None:
        return None
    if not takeovers:
        return "no takeover was measured"
    if not group.takeovers:
        return f"no takeover that was measured is {group.label}"
    if len(group.takeovers) > 1 and not group.label.startswith("line"):
        return f"{len(group.takeovers)} takeovers are {group.label}, and no time tells which"
    return "no takeover is near it in time"


# --- the clock's law -----------------------------------------------------------------------------


def _solve(
    observer: Observer,
    rows: Sequence[TiedRow],
    seen: Sequence[SeenTakeover],
    offsets: Sequence[float],
    passes_alone: bool,
) -> Tie:
    """The clock's law by generalised least squares, without misread rows."""
    offset = offsets[0] if offsets else 0.0
    flat = observer.clock != "utc"
    words: list[str] = []
    if observer.clock == "utc":
        apart = _unprejudiced(observer, rows, seen, offsets)
        flat = abs(apart.value) > OFF_SDS * np.hypot(apart.sd, UTC_SD_S)
        if flat:
            way = "behind" if apart.value > 0 else "ahead of"
            words.append(
                f"{observer.id}: its UTC is {abs(apart.value):.3f} ± {apart.sd:.3f} s {way} the "
                "units': taken out"
            )
    prior = _law_prior(observer, None if flat else UTC_SD_S)
    misread: frozenset[int] = frozenset()
    for _ in range(len(rows)):
        info, vector, sent = _gather(observer, rows, misread, seen, prior)
        wrong = _worst_rows(observer, rows, misread, seen, info, vector, sent)
        if not wrong:
            break
        misread |= wrong
    info, vector, sent = _gather(observer, rows, misread, seen, prior)
    tie = Tie(
        observer,
        tuple(rows),
        misread,
        {},
        {},
        {},
        info,
        vector,
        sent,
        PASSES_SHARE_SD_S if passes_alone else 0.0,
        None if observer.clock == "rep" else offset,
        tuple(words),
    )
    return replace(tie, words=(*words, *_tie_in_words(tie, passes_alone)))


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


def _unprejudiced(
    observer: Observer,
    rows: Sequence[TiedRow],
    seen: Sequence[SeenTakeover],
    offsets: Sequence[float],
) -> Estimate:
    """The offset of a clock of UTC by the rows alone, and its standard error."""
    prior = _law_prior(observer, None)
    misread: frozenset[int] = frozenset()
    for _ in range(len(rows)):
        info, vector, sent = _gather(observer, rows, misread, seen, prior)
        wrong = _worst_rows(observer, rows, misread, seen, info, vector, sent)
        if not wrong:
            break
        misread |= wrong
    info, vector, _ = _gather(observer, rows, misread, seen, prior)
    cov = np.linalg.inv(info)
    found = (offsets[0] if offsets else 0.0) + float((cov @ vector)[0])
    return Estimate(found, float(np.sqrt(cov[0, 0])))


def _by_takeover(rows: Iterable[TiedRow], misread: frozenset[int]) -> dict[int, list[TiedRow]]:
    out: dict[int, list[TiedRow]] = defaultdict(list)
    for row in rows:
        if row.told is not None and row.number not in misread:
            out[row.takeover].append(row)
    return out


def rows_cov(
    rows: Sequence[TiedRow], fit: estimator.Fit | None, *, each_anew: bool = False
) -> Floats:
    """Covariance (m, m) in s² of the rows of one takeover about what the fit has: readings, clocks
    of the units, with `fit` the fit's own errors; with `each_anew` an unknown nought for all."""
    told = [row.told for row in rows if row.told is not None]
    own = np.array([row.sd_s for row in rows]) ** 2 + np.array([t.own_sd_s for t in told]) ** 2
    cov = np.diag(own)
    doubt = np.array([t.clock_sd_s for t in told])
    same = np.array([[a.role == b.role for b in told] for a in told])
    cov = cov + same * np.outer(doubt, doubt)
    if fit is not None:
        at = np.array([t.row for t in told])
        cov = cov + at @ fit.cov @ at.T
    return np.asarray(cov + (OWN_SD_S**2 if each_anew else 0.0))


def _gather(
    observer: Observer,
    rows: Sequence[TiedRow],
    misread: frozenset[int],
    seen: Sequence[SeenTakeover],
    prior: tuple[Floats, Floats],
) -> tuple[Floats, Floats, dict[int, tuple[Floats, Floats]]]:
    """Information and vector of the clock's law, altogether and by takeover."""
    info, vector = prior[0].copy(), prior[1].copy()
    sent = {}
    for k, own in _by_takeover(rows, misread).items():
        cov = rows_cov(own, seen[k].fit, each_anew=observer.clock == "rep")
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
    for k, own in _by_takeover(rows, misread).items():
        cov = np.linalg.inv(info - sent[k][0])
        mean = cov @ (vector - sent[k][1])
        at = np.array([row.columns for row in own])
        whole = rows_cov(own, seen[k].fit, each_anew=observer.clock == "rep")
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
    log_odds = np.log(MISREAD / (1 - MISREAD)) + np.log(sd_s / wide)
    log_odds = log_odds + 0.5 * (off_s / sd_s) ** 2 - 0.5 * (off_s / wide) ** 2
    return np.asarray(1 / (1 + np.exp(-np.clip(log_odds, -500, 500))))


# --- in words ------------------------------------------------------------------------------------


def _untied(
    observer: Observer,
    groups: Sequence[RowGroup],
    told: Mapping[tuple[int, int], ToldMoment],
    found: _Found | None,
) -> Tie:
    """An observer whose clock nothing ties: no row of his with a time is used."""
    if found is None:
        why = "none of its times is of a takeover that was measured: its clock is not tied"
    else:
        why = (
            f"no clock explains its times (the best one {found.explained} of {found.told}): a film "
            "of another session, or other reps?"
        )
    size = PARAMETERS
    unused = dict.fromkeys(range(len(observer.sightings)), "its clock is not tied")
    places = {
        i: group.takeovers[0]
        for group in groups
        for i in group.rows
        if observer.sightings[i].time_s is None and len(group.takeovers) == 1
    }
    unused = {i: words for i, words in unused.items() if i not in places}
    return Tie(
        observer, (), frozenset(), unused, {}, places, np.eye(size), np.zeros(size), {}, 0.0, None,
        (f"{observer.id}: {why}; its times are not used",) if told or unused else (),
    )  # fmt: skip


def _tie_in_words(tie: Tie, passes_alone: bool) -> list[str]:
    observer, words = tie.observer, []
    tied = [row for row in tie.rows if row.told is not None and row.number not in tie.misread]
    if observer.clock == "own" and tied:
        law = tie.law()
        sd = float(np.sqrt(law.cov[0, 0]))
        by = "the passes as the traces have them" if passes_alone else f"{len(tied)} rows"
        weak = "; a line in view would tie it to 0.01 s" if passes_alone else ""
        words.append(f"{observer.id}: its clock is tied to ± {sd:.3f} s by {by}{weak}")
        near = observer.near_utc_s
        if near is not None and tie.zero_utc_s is not None:
            off = tie.zero_utc_s - near
            if abs(off) > 120.0:
                words.append(
                    f"{observer.id}: its clock read nought {abs(off) / 60:.0f} min "
                    f"{'after' if off > 0 else 'before'} near_utc: is that time right?"
                )
    return words
