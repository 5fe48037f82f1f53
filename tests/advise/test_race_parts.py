"""A race against what its order promised: its parts, and what cannot be said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pytest
import squads

from pipeline.advise import bends, decisions
from pipeline.advise.race_parts import RacePart, biggest_changes, measured_parts, races_of
from pipeline.advise.settings import Settings
from pipeline.base.values import Estimate
from pipeline.errors import NothingMeasured, UsageError
from pipeline.tables import lake, schema

GUN = datetime(2026, 6, 14, 18, 0, tzinfo=UTC)
FIRST, ZONES, RUNS = 10.0, (3.2, 3.3, 3.4), (7.0, 7.1, 9.4)  # the last run ends at the finish
SCRATCH_S = 2.2  # from the entry line to the scratch line


def race_rows(team, *, basis="gun", event="4x100", zones=ZONES, found=(1, 2, 3)):
    """Rows of `legs` by leg, and of `exchanges`, of a race with these times."""
    enters, at = [], FIRST
    for zone, run in zip(ZONES, RUNS, strict=True):
        enters.append(at)
        at += zone + run
    lines = [0.0, *(enter + SCRATCH_S for enter in enters), at]
    blank = dict.fromkeys(schema.facts("legs").names) | {
        "session": "cup", "race": "final", "event": event, "lane": 5, "remarks": [],
    }  # fmt: skip
    rows = [
        blank | {"leg": 0, "start_utc": GUN, "time_s": at, "time_sd_s": 0.04, "start_basis": basis}
    ]
    for leg, runner in enumerate(team, start=1):
        rows.append(blank | {
            "leg": leg, "runner": runner, "time_s": lines[leg] - lines[leg - 1], "time_sd_s": 0.03,
            "start_utc": GUN + timedelta(seconds=lines[leg - 1]),
            "exchange": leg if leg in found else None,
            "start_basis": basis if leg == 1 else None,
        })  # fmt: skip
    takeovers = [
        {"exchange": k, "zero_utc": GUN + timedelta(seconds=enters[k - 1]),
         "zone_time_s": zones[k - 1], "zone_time_sd_s": None if zones[k - 1] is None else 0.03}
        for k in found
    ]  # fmt: skip
    return {row["leg"]: row for row in rows}, takeovers


def test_the_parts_are_the_runs_and_the_zones_and_add_up_to_the_whole():
    whole, *parts = measured_parts(*race_rows("abcd"))
    assert [one.kind for one in parts] == ["run", "zone"] * 3 + ["run"]
    times = [one.measured.value for one in parts]
    wanted = [FIRST, ZONES[0], RUNS[0], ZONES[1], RUNS[1], ZONES[2], RUNS[2]]
    assert times == pytest.approx(wanted, abs=1e-6)
    assert sum(times) == pytest.approx(whole.measured.value, abs=1e-6)
    assert [(one.runner, one.outgoing) for one in parts if one.kind == "zone"] == [
        ("a", "b"), ("b", "c"), ("c", "d"),
    ]  # fmt: skip


def test_a_takeover_that_is_missing_empties_what_it_bounds_and_nothing_else():
    parts = measured_parts(*race_rows("abcd", found=(1, 3)))
    empty = {one.part for one in parts if one.measured is None}
    assert empty == {3, 4, 5}  # the run to it, the zone, the run from it
    assert all(one.remarks for one in parts if one.measured is None)


def test_a_zone_without_a_time_empties_itself_and_the_run_after_it():
    parts = measured_parts(*race_rows("abcd", zones=(3.2, None, 3.4)))
    assert {one.part for one in parts if one.measured is None} == {4, 5}


# --- in a lake ----------------------------------------------------------------------------


@pytest.fixture
def with_race(monkeypatch):
    """A lake of practice, and a race of four of its runners after it; gives the team and a function
    that decides with changed rows."""
    found, _, _ = squads.lake(3, evenings=2)
    names = {*found.exchanges["incoming"].to_pylist(), *found.exchanges["outgoing"].to_pylist()}
    team = tuple(sorted(names)[:4])

    def decide(later=found, flat_s=None, legs_too=True, **options):
        rows, takeovers = race_rows(team, **options)
        names_of = schema.facts("exchanges").names
        last = later.exchanges.to_pylist()[-1:] or found.exchanges.to_pylist()[-1:]
        run = [last[0] | {"session": "cup", "race": "final"} | one for one in takeovers]
        table = schema.conform("exchanges", {n: [row[n] for row in run] for n in names_of})
        whole = replace(later, exchanges=pa.concat_tables([later.exchanges, table]))
        legs = schema.conform(
            "legs", {n: [row[n] for row in rows.values()] for n in schema.facts("legs").names}
        )
        legs = legs if legs_too else legs.slice(0, 0)
        monkeypatch.setattr(lake, "read_lake", lambda _out: whole)
        monkeypatch.setattr(lake, "read_legs", lambda _out: (legs, ()))
        settings = Settings(outer=8, inner=8)
        return decisions.decide_race(Path("lake"), settings, flat_s=flat_s, write=False)

    return team, decide


def test_expected_parts_add_up_to_the_expected_whole_and_are_those_of_the_order(with_race):
    team, decide = with_race
    (story,) = decide().stories
    assert story.team == team
    whole, *parts = story.parts
    assert sum(one.expected.value for one in parts) == pytest.approx(whole.expected.value)
    lost = [one.difference.value for one in parts]
    assert sum(lost) == pytest.approx(whole.difference.value)
    order = decisions.decide_order(
        Path("lake"), Settings(outer=8, inner=8, team=team, race=True, event="4x100"),
        decisions.Wishes({name: k for k, name in enumerate(team, start=1)}), lane=5, write=False,
    )  # fmt: skip
    assert order.orders.time_s[0] == pytest.approx(whole.expected.value, abs=0.1)


def part(number, difference_s, sd_s):
    return RacePart(
        number, "run", 1, "wren", measured=Estimate(10.0 + difference_s, sd_s),
        expected=Estimate(10.0, 0.0),
    )  # fmt: skip


def test_most_was_lost_and_won_where_it_is_clear_not_where_it_is_doubtful():
    parts = [part(0, -9, 0.1), part(1, 0.9, 0.8), part(2, 0.2, 0.05), part(3, 0.1, 0.01)]
    parts += [part(4, -0.5, 0.3), part(5, -0.1, 0.02)]
    lost, won = biggest_changes(parts)
    assert (lost.part, won.part) == (2, 5)
    assert biggest_changes([part(1, 0.3, 0.2), part(2, -0.3, 0.2)]) == (None, None)


def test_without_a_gun_the_reaction_is_not_expected(with_race):
    _, decide = with_race
    gun, moved = (decide(basis=basis).stories[0].parts for basis in ("gun", "movement"))
    assert gun[1].expected.value - moved[1].expected.value == pytest.approx(bends.REACTION_S)
    assert gun[0].expected.value - moved[0].expected.value == pytest.approx(bends.REACTION_S)
    assert gun[3].expected == moved[3].expected


def test_a_race_before_all_practice_is_told_without_a_promise(with_race):
    _, decide = with_race
    found, _, _ = squads.lake(3, evenings=2)
    (story,) = decide(replace(found, exchanges=found.exchanges.slice(0, 0))).stories
    assert all(one.expected is None for one in story.parts)
    assert story.parts[0].measured is not None
    assert any("nothing to compare with" in words for words in story.remarks)


def test_a_longer_relay_asks_for_flat_times_in_a_word_and_is_told_all_the_same(with_race):
    _, decide = with_race
    (story,) = decide(event="4x400").stories
    assert story.parts[0].measured is not None
    assert any("nothing to compare with" in words for words in story.remarks)


def test_the_flat_time_of_a_stranger_is_asked_back(with_race):
    team, decide = with_race
    with pytest.raises(UsageError, match=f'did you mean "{team[0]}"'):
        decide(flat_s={f"{team[0]}x": 48.0})


def test_a_lake_without_a_race_says_how_to_get_one(with_race):
    _, decide = with_race
    with pytest.raises(NothingMeasured, match=r"no race.*\[\[race\]\]"):
        decide(legs_too=False)


def test_the_table_holds_every_part(with_race):
    _, decide = with_race
    found = decide()
    table = found.tables["race_parts"]
    schema.check_table("race_parts", table)
    assert table["part"].to_pylist() == list(range(8))
    assert races_of(schema.empty_table("legs")) == []
