"""An observer's rows, and which takeovers each may mean."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.base.values import Observer, Sighting
from pipeline.measure.observers.told import TOLD_BY_FITS, Occurrence, role_of
from pipeline.measure.weighing import SeenTakeover, pair_of

ROW_IS_WRONG = 0.05  # chance that a row is misread, or not of the moment that it names
APART_S = 15.0  # rows of one rep that lie farther apart are not of one takeover

GatePlaces = Mapping[tuple[str, int], float]  # by gate and number of the axis: m from its entry


@dataclass(frozen=True, slots=True)
class RowGroup:
    """Rows of one takeover, by their number in the observer's file; `takeovers` are the numbers of
    those they may mean as they are labelled, `label` says how that is."""

    rows: tuple[int, ...]
    takeovers: tuple[int, ...]
    label: str


def group_rows(observer: Observer, seen: Sequence[SeenTakeover]) -> list[RowGroup]:
    """The observer's rows by takeover. Rows without rep and runners stand each for itself."""
    groups: list[tuple[list[int], tuple[int, ...], str]] = []
    last: dict[str, int] = {}
    for number, row in enumerate(observer.sightings):
        label = _label(row)
        i = last.get(label, -1)
        alone = label.startswith("line")
        if i < 0 or alone or _is_apart(observer, groups[i][0], row):
            groups.append(([], _meant(row, seen), label))
            i = last[label] = len(groups) - 1
        groups[i][0].append(number)
    return [RowGroup(tuple(rows), meant, label) for rows, meant, label in groups]


def sees_passes_alone(observer: Observer) -> bool:
    """Whether none of his times is of something that the traces tell too."""
    return not any(
        row.event in TOLD_BY_FITS and row.time_s is not None for row in observer.sightings
    )


def _label(row: Sighting) -> str:
    if row.rep is not None:
        return f"rep {row.rep}"
    if row.incoming is not None or row.outgoing is not None:
        return f"{row.incoming or 'anybody'} to {row.outgoing or 'anybody'}"
    return f"line {row.line}"


def _is_apart(observer: Observer, rows: Sequence[int], row: Sighting) -> bool:
    times = [observer.sightings[i].time_s for i in rows]
    known = [t for t in times if t is not None]
    if row.time_s is None or not known or observer.clock == "rep":
        return False
    return min(abs(row.time_s - t) for t in known) > APART_S


def _meant(row: Sighting, seen: Sequence[SeenTakeover]) -> tuple[int, ...]:
    out = []
    for i, one in enumerate(seen):
        incoming, outgoing = pair_of(one.case)
        rep = None if one.case.rep is None else one.case.rep.rep
        fits = row.rep is None or rep == row.rep
        fits &= row.incoming in (None, incoming) and row.outgoing in (None, outgoing)
        if fits and (row.runner is None or row.runner in (incoming, outgoing)):
            out.append(i)
    return tuple(out)


def occurrence_of(row: Sighting, one: SeenTakeover, gates: GatePlaces) -> Occurrence | None:
    """What the row is about in this takeover; None where it cannot be: a gate of another lane, a
    runner who takes no part."""
    if row.event != "gate":
        return Occurrence(row.event)
    place = gates.get((row.gate or "", one.case.candidate.axis))
    role = None if row.runner is None else role_of(one, row.runner)
    return None if place is None or role is None else Occurrence("gate", role, place)
