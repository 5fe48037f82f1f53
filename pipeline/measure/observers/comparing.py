"""Each row of an observer beside what all else says: the rows of table `observations`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.base.defaults import SIGHT_SD_M
from pipeline.base.values import Estimate, Floats
from pipeline.measure import passes
from pipeline.measure.observers.clock_law import (
    BEAM_LEAD_M,
    SEEN_LATE_SD_S,
    UTC_SD_S,
    TiedRow,
    misfits,
    rows_cov,
    told_cov,
)
from pipeline.measure.observers.evidence import LineEvidence, SeenPass, log_pass
from pipeline.measure.observers.ties import Tie
from pipeline.measure.observers.told import WHO, tell_moment
from pipeline.measure.weighing import SeenTakeover, pair_of


@dataclass(frozen=True, slots=True)
class Comparison:
    """A row of an observer beside the estimate without it; moments in UTC, places in m."""

    tie: Tie
    number: int
    used: bool
    observed: Estimate | None = None
    estimated: Estimate | None = None
    observed_place: Estimate | None = None
    estimated_place: Estimate | None = None
    z: float | None = None
    speed_mps: float | None = None
    remarks: tuple[str, ...] = field(default=())


def compare_lines(one: SeenTakeover, evidence: LineEvidence | None) -> list[Comparison]:
    """The rows that measured the lines of a takeover, each against its fit with all the others
    [1]; `one` has the fit without any.

    [1] Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, eq. 5.12.
    """
    if evidence is None:
        return []
    told = [tell_moment(one, row.what) or row.told for _, row in evidence.rows]
    known = [t for t in told if t is not None]
    utc = any(tie.observer.clock == "utc" for tie, _ in evidence.rows)
    inverse = np.linalg.inv(told_cov(known, one.fit, utc=utc) + evidence.cov)
    off = inverse @ (evidence.utc_s - np.array([t.utc_s for t in known])) / np.diag(inverse)
    variance = 1 / np.diag(inverse)
    out = []
    for j, (tie, row) in enumerate(evidence.rows):
        law = tie.law(without=row.takeover)
        shift = float(row.columns[2:] @ law.mean[2:])
        clock = row.columns[:2] @ law.cov[:2, :2] @ row.columns[:2]
        observed = Estimate(float(evidence.utc_s[j]) - shift, float(np.sqrt(row.sd_s**2 + clock)))
        rest = float(variance[j]) - observed.sd**2
        estimated = Estimate(observed.value - float(off[j]), float(np.sqrt(max(rest, 0.0))))
        out.append(
            Comparison(
                tie,
                row.number,
                True,
                observed,
                estimated if variance[j] < 1.0 else None,
                z=float(off[j] / np.sqrt(variance[j])) if variance[j] < 1.0 else None,
                speed_mps=known[j].speed_mps,
            )
        )
    return out


def compare_unused(one: SeenTakeover, tie: Tie, row: TiedRow, words: str) -> Comparison:
    """A row that the fits tell of and that entered nothing, against the fit as it is."""
    told = tell_moment(one, row.what) or row.told
    found = None if told is None else _clock_without(tie, row, one)
    if told is None or found is None:
        return Comparison(tie, row.number, False, remarks=(words,) if words else ())
    offset, offset_var = found
    shift, shift_var = _shift(tie, row)
    observed = Estimate(row.utc_s + offset, float(np.sqrt(row.sd_s**2 + offset_var)))
    utc = tie.observer.clock == "utc"
    own = float(told_cov([told], one.fit, utc=utc)[0, 0]) + told.clock_sd_s**2 + shift_var
    estimated = Estimate(told.utc_s - shift, float(np.sqrt(max(own, 0.0))))
    z = (observed.value - estimated.value) / float(np.hypot(observed.sd, estimated.sd))
    remarks = [words] if words else []
    if tie.observer.use == "check" and row.number in tie.misread:
        remarks.append("far from all else: misread?")
    return Comparison(
        tie, row.number, False, observed, estimated, z=z, speed_mps=told.speed_mps,
        remarks=tuple(remarks),
    )  # fmt: skip


def _shift(tie: Tie, row: TiedRow) -> tuple[float, float]:
    """By how much (s) a row's event comes before the trunk's, and the variance of that."""
    law = tie.law(without=row.takeover)
    value = float(row.columns[2:] @ law.mean[2:])
    cov = law.cov[2:, 2:]
    if tie.observer.use == "check":
        cov = np.diag([BEAM_LEAD_M.sd**2, SEEN_LATE_SD_S**2])
    return value, float(row.columns[2:] @ cov @ row.columns[2:])


def _clock_without(tie: Tie, row: TiedRow, one: SeenTakeover) -> tuple[float, float] | None:
    """What a row's clock is off as all other rows tell it (s, and its variance in s²); None where
    nothing does."""
    own = [other for other in tie.used(row.takeover) if other.number != row.number]
    law = tie.law(without=row.takeover)
    if tie.each_anew:
        if not own:
            return None
        known = [row.told for row in own if row.told is not None]
        cov = rows_cov(own) + told_cov(known, one.fit, utc=False)
        weight = np.linalg.solve(cov, np.ones(len(own)))
        variance = 1 / float(weight.sum())
        at = np.array([other.columns for other in own])
        off = misfits(own) - at[:, 2:] @ law.mean[2:]
        return variance * float(weight @ off), variance
    if tie.shows_utc and tie.observer.use == "check":
        return float(row.columns[:2] @ law.mean[:2]), UTC_SD_S**2
    info, vector = np.linalg.inv(law.cov), np.linalg.solve(law.cov, law.mean)
    if own:
        at = np.array([other.columns for other in own])
        known = [row.told for row in own if row.told is not None]
        cov = rows_cov(own) + told_cov(known, one.fit, utc=tie.observer.clock == "utc")
        gain = np.linalg.solve(cov, at)
        info, vector = info + at.T @ gain, vector + gain.T @ misfits(own)
    cov = np.linalg.inv(info)
    variance = float(row.columns[:2] @ cov[:2, :2] @ row.columns[:2])
    if variance > 1.0:
        return None
    return float(row.columns[:2] @ (cov @ vector)[:2]), variance


def compare_pass(
    seen: SeenPass,
    course: passes.GapCourse,
    log_others: Floats,
    others: Floats,
    exit_m: float,
    zero_utc_s: float,
    *,
    used: bool,
    words: str,
) -> Comparison:
    """A row on the pass against the pass as all but this row has it. `log_others` (k,) is what was
    seen of it otherwise, `others` what the other reps say (see `passes.believe`)."""
    belief = passes.believe(course, log_others, others, exit_m)
    z = None
    observed = estimated = None
    if seen.moment is not None:
        observed = Estimate(seen.moment.value + zero_utc_s, seen.moment.sd)
        estimated = Estimate(belief.moment.value + zero_utc_s, belief.moment.sd)
        z = _z(observed, estimated)
    place = None if seen.place is None else belief.place_m
    if z is None and seen.place is not None and place is not None:
        z = _z(seen.place, place)
    return Comparison(
        seen.tie, seen.number, used, observed, estimated, seen.place, place, z,
        remarks=(words,) if words else (),
    )  # fmt: skip


def _z(observed: Estimate, estimated: Estimate) -> float:
    return (observed.value - estimated.value) / float(np.hypot(observed.sd, estimated.sd))


def log_without(log_seen: Floats, seen: SeenPass, course: passes.GapCourse) -> Floats:
    """What was seen of a pass without one row that is part of it."""
    return np.asarray(log_seen - log_pass(seen, course))


def observation_row(
    compared: Comparison, one: SeenTakeover | None, zero_utc_s: float | None
) -> dict[str, object]:
    """The row of table `observations` but for session and exchange."""
    tie, sighting = compared.tie, compared.tie.observer.sightings[compared.number]
    remarks = list(compared.remarks)
    note = tie.notes.get(compared.number)
    if note is not None:
        remarks.append(note)
    observed = _on_clock(compared.observed, zero_utc_s)
    estimated = _on_clock(compared.estimated, zero_utc_s)
    places = compared.observed_place, compared.estimated_place
    if places[0] is None and sighting.place_m is not None:
        places = Estimate(sighting.place_m, sighting.sd_m or SIGHT_SD_M), places[1]
    return {
        "observer": tie.observer.id,
        "line": sighting.line,
        "kind": tie.observer.kind,
        "use": tie.observer.use,
        "event": sighting.event,
        "gate": sighting.gate,
        "runner": _runner(sighting.event, sighting.runner, one),
        "used": compared.used,
        **_cells("observed_t", "s", observed),
        **_cells("estimated_t", "s", estimated),
        "difference_s": _difference(observed, estimated),
        "z": compared.z,
        **_cells("observed", "m", places[0]),
        **_cells("estimated", "m", places[1]),
        "difference_m": _difference(*places),
        "speed_mps": compared.speed_mps,
        "note": sighting.note or None,
        "remarks": remarks,
    }


def _on_clock(moment: Estimate | None, zero_utc_s: float | None) -> Estimate | None:
    if moment is None or zero_utc_s is None:
        return None
    return Estimate(moment.value - zero_utc_s, moment.sd)


def _cells(stem: str, unit: str, estimate: Estimate | None) -> Mapping[str, float | None]:
    return {
        f"{stem}_{unit}": None if estimate is None else estimate.value,
        f"{stem}_sd_{unit}": None if estimate is None else estimate.sd,
    }


def _difference(observed: Estimate | None, estimated: Estimate | None) -> float | None:
    if observed is None or estimated is None:
        return None
    return observed.value - estimated.value


def _runner(event: str, named: str | None, one: SeenTakeover | None) -> str | None:
    if event == "gate" or one is None:
        return named
    role = {str(name): role for name, role in WHO.items()}.get(event)
    return None if role is None else pair_of(one.case)[0 if role == "incoming" else 1]
