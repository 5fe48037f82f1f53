"""Each evening foretold from those before it: how often the advice would have held.

For every practice day but the first the squad is estimated from the earlier days alone. Each
takeover of the day is then simulated on the mark and the stand it was run on. What was foretold, a
chance to pass in the zone and a zone time, is held against what happened.

A takeover's evidence is worked out from that takeover alone (`takeovers`), so leaving out the later
ones leaves out all that they say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from pipeline.advise import simulate
from pipeline.advise.runners import estimate_squad
from pipeline.advise.settings import Conditions, Settings
from pipeline.advise.takeovers import Evidence, Reps
from pipeline.base.units import DAY_S
from pipeline.base.values import Bools, Floats, Frozen, Ints

NIGHT_S = 10 * 3600.0  # a longer pause is a night
FORETOLD_DAYS = 8  # the last so many are foretold, which bounds the time
OUTER, INNER = 32, 16  # draws
LIKELY_IN_ZONE = 0.5  # a takeover whose zone time is held against the one foretold


@dataclass(frozen=True, slots=True)
class Foretold:
    """Some takeovers that the days before them foretold.

    `takeovers`: how many; `p_in_zone`: the mean of their chances to pass in the zone; `p_held`: the
    share that did; `times`: how many had a zone time to compare; `z`: root mean square of what
    those differed from the expected ones, in the standard errors foretold, None without any.
    """

    takeovers: int
    p_in_zone: float
    p_held: float
    times: int
    z: float | None


@dataclass(frozen=True, eq=False)
class BackTest(Frozen):
    """Takeovers that were foretold, (n,) each: `pair` by number of incoming and outgoing runner
    (n, 2); `p_in_zone` foretold and `held`, 0 to 1; `z`: the zone time's difference in standard
    errors, NaN where there is none."""

    runners: tuple[str, ...]
    pair: Ints
    p_in_zone: Floats
    held: Floats
    z: Floats

    def of_all(self) -> Foretold | None:
        """All of them summed up; None where there is none."""
        return self._sum_up(np.ones(len(self.held), dtype=bool))

    def of_pairs(self) -> Mapping[tuple[str, str], Foretold]:
        """Each pair's, by incoming and outgoing runner."""
        out = {}
        for i, j in sorted({(int(i), int(j)) for i, j in self.pair}):
            one = self._sum_up((self.pair == (i, j)).all(axis=1))
            if one is not None:
                out[self.runners[i], self.runners[j]] = one
        return out

    def _sum_up(self, part: Bools) -> Foretold | None:
        if not part.any():
            return None
        z = self.z[part]
        z = z[np.isfinite(z)]
        return Foretold(
            takeovers=int(part.sum()),
            p_in_zone=float(self.p_in_zone[part].mean()),
            p_held=float(self.held[part].mean()),
            times=len(z),
            z=float(np.sqrt(np.mean(np.square(z)))) if len(z) else None,
        )


def foretell_days(reps: Reps, settings: Settings) -> BackTest:
    """Foretell each of the last `FORETOLD_DAYS` days but the first of all from those before it.

    `reps` are those gathered from the tables, not a squad's, in which later days have had a say.
    Of `settings` the seed counts. Every takeover with a mark, a stand and a known outcome is
    foretold, as a race's where it was one, without wind; in a change by sight there is none.
    """
    found = []
    day = number_days(reps.utc_s)
    useful = np.isfinite(reps.mark_m) & np.isfinite(reps.stand_m) & np.isfinite(reps.p_in_zone)
    for one in range(
        max(1, int(day.max(initial=0)) + 1 - FORETOLD_DAYS), int(day.max(initial=0)) + 1
    ):
        rows = np.flatnonzero((day == one) & useful)
        if reps.blind and len(rows):
            found.append(_foretell_day(_take_reps(reps, day < one), reps, rows, settings))
    names = reps.runners
    if not found:
        return BackTest(names, np.zeros((0, 2), dtype=np.intp), *(np.zeros(0),) * 3)
    pair, chance, held, z = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return BackTest(names, pair.astype(np.intp), chance, held, z)


def number_days(utc_s: Floats) -> Ints:
    """(n,) which practice day each takeover is of, from 0; `utc_s` ascends."""
    nights = np.diff(utc_s) > NIGHT_S
    return np.concatenate([np.zeros(min(1, len(utc_s))), np.cumsum(nights)]).astype(np.intp)


def _take_reps(reps: Reps, keep: Bools) -> Reps:
    """The reps that are kept, their ages counted from the newest of them."""
    n = len(reps.utc_s)
    changed: dict[str, Any] = {}
    for field in fields(reps):
        value = getattr(reps, field.name)
        if isinstance(value, Evidence):
            changed[field.name] = Evidence(value.information[keep], value.weighted[keep])
        elif isinstance(value, np.ndarray) and field.name != "feet_m":
            changed[field.name] = value[keep] if len(value) == n else value
    changed["age_days"] = (changed["utc_s"].max() - changed["utc_s"]) / DAY_S
    return replace(reps, **changed)


def _foretell_day(
    before: Reps, reps: Reps, rows: Ints, settings: Settings
) -> tuple[Ints, Floats, Floats, Floats]:
    """Pair, chance, outcome and z of the takeovers `rows`, from the reps `before` alone."""
    squad = estimate_squad(before)
    draws = {
        race: simulate.draw_runners(
            squad, Conditions(race=race), outer=OUTER, inner=INNER, seed=settings.seed
        )
        for race in sorted({bool(x) for x in reps.race[rows]})
    }
    chance, held, z = (np.full(len(rows), np.nan) for _ in range(3))
    for k, row in enumerate(rows):
        race = bool(reps.race[row])
        where = Conditions(float(reps.zone_m[row]), float(reps.back_m[row]), race)
        pair = int(reps.incoming[row]), int(reps.outgoing[row])
        out = simulate.simulate(
            squad, draws[race], pair, reps.mark_m[[row]], float(reps.stand_m[row]), where
        )
        inside = out.in_zone[:, 0] > 0
        chance[k] = inside.mean()
        held[k] = reps.p_in_zone[row]
        if inside.sum() > 1 and held[k] > LIKELY_IN_ZONE:
            times = out.zone_time_s[inside, 0]
            wide = np.hypot(times.std(ddof=1), reps.zone_time_sd_s[row])
            z[k] = (reps.zone_time_s[row] - times.mean()) / wide
    return np.stack([reps.incoming[rows], reps.outgoing[rows]], axis=1), chance, held, z
