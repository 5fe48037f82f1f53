"""What the coach asks for, and the conditions that follow from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.base import defaults
from pipeline.base.relays import TODAY_SHORT, Rules, zone_lines_m
from pipeline.errors import UsageError


@dataclass(frozen=True)
class Settings:
    """What the coach asks for.

    `event`: one relay, or None for each in the lake; `team`: runner ids, empty for everybody.
    `failure_s` (0 to 100): what it costs, in seconds, that the baton does not pass inside the zone,
    or not by `latest_m` (metres past the entry line). `collision_s` (0 to 100): what it costs that
    the two run into each other, beyond the time it takes. `race`: at race speed, not practice
    speed. `wind_mps`: along the zone, positive from behind. `crouched`: the receiver starts
    crouched, not standing. `older`: the older zones, 20 m after 10 m of acceleration. The receiver
    stands `stand_m` past the back line, where he usually does if that is None, and where it serves
    best with `free_stand`. `pace` (share of the practised start) is chosen where it is None; in a
    blind change the receiver always starts at full pace. `feet_m`: foot-lengths by runner. `seed`,
    `outer` and `inner` are those of `simulate.draw_runners`.

    Raises UsageError where a value is out of its range.
    """

    event: str | None = None
    team: tuple[str, ...] = ()
    failure_s: float = defaults.FAILURE_S
    collision_s: float = defaults.COLLISION_S
    race: bool = False
    wind_mps: float = 0.0
    crouched: bool = False
    stand_m: float | None = None
    free_stand: bool = False
    pace: float | None = None
    older: bool = False
    latest_m: float | None = None
    feet_m: Mapping[str, float] = field(default_factory=dict)
    seed: int = defaults.SEED
    outer: int = 64
    inner: int = 32

    def __post_init__(self) -> None:
        def refuse(what: str, found: object, expected: str) -> None:
            raise UsageError(what, str(found), expected)

        if not 0.0 <= self.failure_s <= 100.0:
            refuse("cost of a failure", self.failure_s, "seconds, 0 to 100")
        if not 0.0 <= self.collision_s <= 100.0:
            refuse("cost of running into each other", self.collision_s, "seconds, 0 to 100")
        if not -10.0 <= self.wind_mps <= 10.0:
            refuse("wind", self.wind_mps, "m/s along the zone, -10 to 10, positive from behind")
        if self.stand_m is not None and not 0.0 <= self.stand_m <= 15.0:
            refuse("stand", self.stand_m, "metres past the back line, 0 to 15")
        if self.pace is not None and not 0.5 <= self.pace <= 1.2:
            refuse("pace", self.pace, "a share of the practised start, 0.5 to 1.2")
        if self.latest_m is not None and not 3.0 <= self.latest_m <= 40.0:
            refuse("latest pass", self.latest_m, "metres past the entry line, 3 to 40")
        for name, foot in self.feet_m.items():
            low, high = defaults.FOOT_LIMITS_M
            if not low <= foot <= high:
                refuse(f"foot-length of {name}", foot, f"metres, {low:g} to {high:g}")
        if not 0 <= self.seed <= defaults.SEED_MAX:
            refuse("seed", self.seed, f"a whole number, 0 to {defaults.SEED_MAX}")


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a takeover is run under.

    `zone_m`: length of the zone; `back_m`: place of the back line, 0 or less, from the entry line;
    `wind_mps`: along the zone, positive from behind.
    """

    zone_m: float = TODAY_SHORT.length_m
    back_m: float = TODAY_SHORT.back_m
    race: bool = False
    wind_mps: float = 0.0
    crouched: bool = False


def choose_conditions(event: str, settings: Settings) -> Conditions:
    """The zone of an event under the rules asked for, with the speed, wind and start asked for."""
    back, entry, leave = zone_lines_m(event, Rules.older if settings.older else Rules.today)
    return Conditions(
        leave - entry, back - entry, settings.race, settings.wind_mps, settings.crouched
    )
