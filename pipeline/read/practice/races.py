"""The [[race]] tables of a session.toml: whole relays that were run in the session."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from pipeline.base.asking import did_you_mean, one_of
from pipeline.base.relays import legs_m
from pipeline.base.values import Race, Venue
from pipeline.base.words import count
from pipeline.errors import SessionError
from pipeline.read.practice.observer_cells import parse_reading
from pipeline.read.practice.session_tables import (
    id_value,
    lane_value,
    moment_value,
    relay_value,
)
from pipeline.read.practice.time_zones import zone_named
from pipeline.read.practice.toml_values import (
    TomlTable,
    check_unique,
    made_tables,
    shown_value,
    toml_tables,
)

# A whole relay's mean speed [m/s]. The fastest 4x100 is run at 10.9; below the least, children's
# teams walk. Bounds for slips of the pen, no published limits.
RACE_SPEED_LIMITS_MPS = (2.5, 12.5)


def races_of_document(
    document: TomlTable, head: Mapping[str, Any], wrong: list[SessionError]
) -> tuple[Race, ...]:
    """All [[race]] tables; `head` is what `session_head` gave. What is wrong goes to `wrong`."""
    tables = toml_tables(document, "runner")
    runners = dict.fromkeys(t["id"].strip() for _, t in tables if isinstance(t.get("id"), str))
    name = head.get("time_zone")
    zone = None if name is None else zone_named(name)

    def race(where: str, table: TomlTable) -> Race:
        known = (head.get("event"), head.get("lane"), head.get("date"))
        return _race_of_table(runners, *known, zone, where, table)

    races = made_tables(document, "race", race, wrong)
    check_unique("[[race]]", "id", [race.id for race in races], wrong)
    return tuple(races)


def _race_of_table(
    runners: Collection[str],
    event: str | None,
    lane: int | None,
    date: dt.date | None,
    zone: dt.tzinfo | None,
    where: str,
    table: TomlTable,
) -> Race:
    """A [[race]]. Its event and lane are the session's where it names none.

    `runners` are the ids that its team may name. A gun_utc without a zone is local to `zone`.
    """
    own_event = event if "event" not in table and event else relay_value(where, table)
    own_lane = lane_value(where, table) or lane
    if own_lane is None:
        raise SessionError(f"{where} lane", "missing", "lane = 5")
    gun_utc_s = None
    if "gun_utc" in table:
        gun_utc_s = moment_value(where, table, "gun_utc", date, zone)
    return Race(
        id=id_value(where, table),
        event=own_event,
        lane=own_lane,
        team=_team_value(where, table.get("team"), len(legs_m(own_event)), runners),
        gun_utc_s=gun_utc_s,
        official_time_s=_official_time_s(where, table.get("official_time_s"), own_event),
    )


def race_lane_errors(races: Iterable[Race], venue: Venue) -> list[SessionError]:
    """An error for each race in a lane that the venue has no zone lines of."""
    known = sorted({spot.lane for spot in venue.zone_lines})
    return [
        SessionError(
            f'[[race]] "{race.id}" lane',
            str(race.lane),
            f"a lane with zone lines in {venue.path.name}: {', '.join(map(str, known))}",
        )
        for race in races
        if known and race.lane not in known
    ]


def other_event_remarks(races: Iterable[Race], event: str) -> list[str]:
    """A remark on each race of another relay than the session's, whose zones the venue has."""
    return [
        f'session.toml, [[race]] "{race.id}": its event is {race.event}, and the session\'s is '
        f"{event}, so the venue's zones are taken as those of the {event}"
        for race in races
        if race.event != event
    ]


def _team_value(where: str, value: Any, legs: int, runners: Collection[str]) -> tuple[str, ...]:
    where, expected = f"{where} team", f"the ids of {count(legs, 'runner')}, leg 1 first"
    if value is None:
        raise SessionError(where, "missing", f'{expected}, team = ["robin", "wren", ...]')
    if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
        raise SessionError(where, shown_value(value), f'{expected}, team = ["robin", "wren", ...]')
    team = [_runner_value(where, one.strip(), runners) for one in value]
    for one in team:
        if team.count(one) > 1:
            raise SessionError(where, f'"{one}" stands twice', "each runner once")
    if len(team) != legs:
        raise SessionError(where, count(len(team), "runner"), expected)
    return tuple(team)


def _runner_value(where: str, name: str, runners: Collection[str]) -> str:
    if name not in runners:
        do = did_you_mean(name, runners) or f'add a [[runner]] with id = "{name}"'
        raise SessionError(where, f'"{name}" is not a [[runner]]', one_of(runners, name), do)
    return name


def _official_time_s(where: str, value: Any, event: str) -> float | None:
    """Seconds, written as a number or as on a scoreboard: "43.21", "3:02.11"."""
    if value is None:
        return None
    slowest, fastest = RACE_SPEED_LIMITS_MPS
    low, high = (sum(legs_m(event)) / speed for speed in (fastest, slowest))
    seconds = math.nan
    if isinstance(value, str):
        seconds = parse_reading(value.strip())
    elif isinstance(value, int | float) and not isinstance(value, bool):
        seconds = value
    if not low <= seconds <= high:  # a NaN compares false
        raise SessionError(
            f"{where} official_time_s",
            shown_value(value),
            f"the {event}'s time in seconds, {low:.0f} to {high:.0f}",
            'with minutes it is text, official_time_s = "3:02.11"',
        )
    return float(seconds)
