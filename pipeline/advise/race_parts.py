"""A race against what its order promised: where time was won and lost.

The baton's way is cut at the entry and exit lines of the zones, as `orders` cuts it: the run to the
first zone, then each zone and the run after it. What was measured comes from `legs` and
`exchanges`; what was to be expected from the runners and pairs as the takeovers before the race
show them, each pair on its best mark. The parts' differences add up to the whole's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import pyarrow as pa

from pipeline.advise import bends
from pipeline.advise.orders import Legs, time_terms
from pipeline.base.values import Estimate
from pipeline.tables import schema

CLEAR_SDS = 2.0  # by so many standard errors a part was clearly faster or slower
TableRow = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class RacePart:
    """A run or a zone of a race. `spread_s` is how such parts differ from race to race.

    `runner` runs it, or brings the baton into the zone in which `outgoing` takes it. The whole race
    is part 0, a `whole`, with no runner.
    """

    part: int
    kind: Literal["whole", "run", "zone"]
    leg: int | None
    runner: str | None = None
    outgoing: str | None = None
    measured: Estimate | None = None
    expected: Estimate | None = None
    spread_s: float | None = None
    remarks: tuple[str, ...] = ()

    @property
    def difference(self) -> Estimate | None:
        """Measured less expected [s]: positive where time was lost."""
        if self.measured is None or self.expected is None:
            return None
        sd = float(np.hypot(self.measured.sd, self.expected.sd))
        return Estimate(self.measured.value - self.expected.value, sd)


@dataclass(frozen=True, slots=True)
class RaceStory:
    """One race: its rows of `legs` by leg, its parts, and remarks."""

    session: str
    race: str
    event: str
    lane: int | None
    legs: Mapping[int, TableRow]
    parts: tuple[RacePart, ...]
    remarks: tuple[str, ...] = ()

    @property
    def team(self) -> tuple[str, ...]:
        return tuple(row["runner"] for leg, row in sorted(self.legs.items()) if leg)


def races_of(legs: pa.Table) -> list[dict[int, TableRow]]:
    """The races of a table `legs`, each as rows by leg, in the table's order."""
    found: dict[tuple[str, str], dict[int, TableRow]] = {}
    for row in legs.to_pylist():
        found.setdefault((row["session"], row["race"]), {})[row["leg"]] = row
    return list(found.values())


def measured_parts(legs: Mapping[int, TableRow], exchanges: Sequence[TableRow]) -> list[RacePart]:
    """The parts of one race as measured, the whole first; where a line's moment is not known the
    part is empty and says so.

    `exchanges` are the session's rows. A run's standard error is that of the leg it lies in: both
    end where the baton crosses a line at speed.
    """
    by_number = {row["exchange"]: row for row in exchanges}
    ends = [by_number.get(row["exchange"]) for leg, row in sorted(legs.items()) if leg]
    numbers = [leg for leg in sorted(legs) if leg]
    enters = [None if row is None else row["zero_utc"].timestamp() for row in ends[:-1]]
    zones = [_estimate(row, "zone_time_s", "zone_time_sd_s") if row else None for row in ends[:-1]]
    leaves = [
        None if enter is None or zone is None else enter + zone.value
        for enter, zone in zip(enters, zones, strict=True)
    ]
    whole = legs.get(0, {})
    start = _utc_s(whole.get("start_utc")) or _utc_s(legs[numbers[0]].get("start_utc"))
    total = _estimate(whole, "time_s", "time_sd_s")
    finish = None if start is None or total is None else start + total.value
    parts = [RacePart(0, "whole", None, measured=total)]
    for k, leg in enumerate(numbers):
        row = legs[leg]
        from_s = start if k == 0 else leaves[k - 1]
        to_s = enters[k] if k < len(enters) else finish
        run = None
        sd = row.get("time_sd_s")
        if from_s is not None and to_s is not None and to_s > from_s:
            run = Estimate(to_s - from_s, sd if sd is not None else 0.1)
        parts.append(RacePart(2 * k + 1, "run", leg, row["runner"], measured=run))
        if k < len(zones):
            taker = legs[numbers[k + 1]]["runner"]
            parts.append(RacePart(2 * k + 2, "zone", leg, row["runner"], taker, measured=zones[k]))
    return [
        one
        if one.measured is not None
        else _with_remark(one, "not measured: the line's moment is not known")
        for one in parts
    ]


def add_expected(
    parts: Sequence[RacePart], legs: Legs, team: Sequence[str], basis: str | None, seed: int = 0
) -> list[RacePart]:
    """The parts with what the order promised. `basis` is how the race's start is known: without the
    gun the reaction is no part of it.

    Raises UsageError where flat times are missing or the event cannot be laid out.
    """
    terms = time_terms(legs, seed)
    places = [legs.runners.index(name) for name in team]
    means: list[Any] = [terms.first[:, places[0]]]
    variances = [float(terms.first_var[places[0]])]
    for zone, (a, b) in enumerate(pairwise(places)):
        means += [terms.zone[:, a, b, zone], terms.way[:, a, b, zone]]
        variances += [float(terms.zone_var[a, b, zone]), float(terms.way_var[a, b, zone])]
    if basis == "movement":
        means[0] = means[0] - bends.REACTION_S
        variances[0] = max(0.0, variances[0] - bends.REACTION_SPREAD_S**2)
    draws = {0: sum(means), **dict(enumerate(means, start=1))}
    spreads = {0: sum(variances), **dict(enumerate(variances, start=1))}
    out = []
    for one in parts:
        drawn = np.asarray(draws[one.part])
        if not np.isfinite(drawn).all():
            out.append(_with_remark(one, "nothing known of this pair before the race"))
            continue
        expected = Estimate(float(drawn.mean()), float(drawn.std(ddof=1)))
        spread_s = float(np.sqrt(spreads[one.part]))
        out.append(replace(one, expected=expected, spread_s=spread_s))
    return out


def biggest_changes(parts: Sequence[RacePart]) -> tuple[RacePart | None, RacePart | None]:
    """The part in which most time was clearly lost, and that in which most was clearly won, against
    what was expected; None where there was no such part."""
    clear = [
        (one.difference.value, one)
        for one in parts
        if one.part
        and one.difference is not None
        and abs(one.difference.value) > CLEAR_SDS * one.difference.sd
    ]
    lost = max((pair for pair in clear if pair[0] > 0), key=lambda pair: pair[0], default=None)
    won = min((pair for pair in clear if pair[0] < 0), key=lambda pair: pair[0], default=None)
    return None if lost is None else lost[1], None if won is None else won[1]


def race_parts_table(stories: Sequence[RaceStory]) -> pa.Table:
    """The table `race_parts`."""
    rows = []
    for story in stories:
        for one in story.parts:
            rows.append(
                {
                    "session": story.session,
                    "race": story.race,
                    "part": one.part,
                    "kind": one.kind,
                    "leg": one.leg,
                    "runner": one.runner,
                    "outgoing": one.outgoing,
                    **_cells("time", one.measured),
                    **_cells("expected", one.expected),
                    "spread_s": one.spread_s,
                    **_cells("difference", one.difference),
                    "remarks": list(one.remarks),
                }
            )
    names = schema.facts("race_parts").names
    return schema.conform("race_parts", {name: [row[name] for row in rows] for name in names})


def _cells(name: str, estimate: Estimate | None) -> dict[str, float | None]:
    value, sd = (None, None) if estimate is None else (estimate.value, estimate.sd)
    return {f"{name}_s": value, f"{name}_sd_s": sd}


def _estimate(row: TableRow, value: str, sd: str) -> Estimate | None:
    found, error = row.get(value), row.get(sd)
    return None if found is None or error is None else Estimate(found, error)


def _utc_s(moment: Any) -> float | None:
    return None if moment is None else float(moment.timestamp())


def _with_remark(one: RacePart, words: str) -> RacePart:
    return replace(one, remarks=(*one.remarks, words))
