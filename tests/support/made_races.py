"""Invented races, made once and measured once: what goes into the measuring of their legs, so that
a test can change one thing of it and measure the legs again."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any
from unittest import mock

from race import make_race

from pipeline.measure.races import legs
from pipeline.session.process import MeasuredSession, make_session_tables


@dataclass(frozen=True)
class MadeRace:
    """A race's truth, its session as measured, and the arguments of `legs.measure_races`."""

    truth: dict[str, Any]
    session: MeasuredSession
    given: dict[str, Any]

    def true_leg_s(self, leg: int) -> float:
        return float(self.truth["legs"][leg]["time_s"])

    def rows(self) -> list[dict[str, Any]]:
        return list(self.session.tables["legs"].to_pylist())

    def measure_again(self, **changed: Any) -> list[legs.MeasuredLeg]:
        """The legs with some of the arguments changed."""
        return legs.measure_races(**(self.given | changed))

    def with_race(self, **changed: Any) -> list[legs.MeasuredLeg]:
        """The legs with something else in the [[race]]."""
        cut = self.given["cut"]
        races = [replace(one, race=replace(one.race, **changed)) for one in cut.races]
        return self.measure_again(cut=replace(cut, races=tuple(races)))

    def without_runs(self, *numbers: int) -> list[legs.MeasuredLeg]:
        """The legs where some runners (from 0) were not recorded, nor their takeovers found."""
        cut = self.given["cut"]
        (one,) = cut.races
        team = one.race.team
        runs = tuple(
            f"no recording of {team[i]}" if i in numbers else run for i, run in enumerate(one.runs)
        )
        gone = {team[i] for i in numbers}
        measured = tuple(x for x in self.given["measured"] if not gone & set(x.case.candidate.pair))
        cut = replace(cut, races=(replace(one, runs=runs),))
        return self.measure_again(cut=cut, measured=measured)


@cache
def made_race(seed: int, event: str = "4x100", **given: Any) -> MadeRace:
    """Make and measure a race; `given` as in `race.make_race`."""
    with tempfile.TemporaryDirectory() as folder:
        truth = make_race(Path(folder), seed, event=event, **given)
        return measured_race(Path(folder), truth)


def measured_race(folder: Path, truth: dict[str, Any]) -> MadeRace:
    """Measure the race that lies in a folder."""
    names = ("cut", "measured", "venue", "axes", "levels", "offsets", "before")
    with mock.patch.object(legs, "measure_races", wraps=legs.measure_races) as measure:
        session = make_session_tables(folder / "session.toml", None)
    return MadeRace(truth, session, dict(zip(names, measure.call_args.args, strict=True)))
