"""A race: its takeovers without a sheet, its legs, and what is said where something is missing."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from made_races import made_race, measured_race
from race import make_race
from race_study import PUBLISHED, race_errors, table_of_errors

from pipeline.base.values import Estimate, Race, Rep
from pipeline.measure.finding import TakeoverCandidate
from pipeline.measure.races import expected, legs
from pipeline.measure.races.line import lay_race_line

SAMPLE = Path(__file__).resolve().parents[2] / "sample_tracks" / "larch-race"
TEAM = ("otter", "heron", "rowan", "stoat")


def short():
    return made_race(2, rate_hz=10.0, lane=4)


def words(leg) -> str:
    return " | ".join(leg.remarks)


# --- what a race gives --------------------------------------------------------------------------


def test_every_takeover_carries_the_race_and_no_sheet_is_needed():
    rows = short().session.tables["exchanges"].to_pylist()
    assert [(r["zone"], r["lane"], r["race"]) for r in rows] == [
        (1, 4, "final"), (2, 4, "final"), (3, 4, "final"),
    ]  # fmt: skip
    assert [(r["incoming"], r["outgoing"]) for r in rows] == list(pairwise(TEAM))


@pytest.mark.parametrize("event", ["4x100", "4x400"])
def test_legs_and_whole_lie_within_their_standard_errors_of_the_truth(event):
    made = made_race(4, event, lane=5)
    rows = made.rows()
    assert [r["leg"] for r in rows] == [0, 1, 2, 3, 4]
    assert [r["runner"] for r in rows] == [None, *TEAM]
    for row in rows:
        assert abs(row["time_s"] - made.true_leg_s(row["leg"])) < 3.5 * row["time_sd_s"]
        assert 0.01 < row["time_sd_s"] < (0.12 if event == "4x100" else 0.2)
    assert rows[0]["time_s"] == pytest.approx(sum(r["time_s"] for r in rows[1:]))
    assert rows[0]["time_sd_s"] < np.linalg.norm([r["time_sd_s"] for r in rows[1:]])
    for row in rows[1:]:
        true = made.truth["legs"][row["leg"]]["v_max_mps"]
        assert abs(row["v_max_mps"] - true) < 4 * row["v_max_sd_mps"]
        assert row["exchange"] == (row["leg"] if row["leg"] < 4 else None)
    assert rows[0]["start_basis"] == rows[1]["start_basis"] == "gun"
    official = made.truth["race"]["official_time_s"]
    assert rows[0]["official_time_s"] == official
    assert rows[0]["difference_s"] == pytest.approx(rows[0]["time_s"] - official)
    zones = [r["zone_time_s"] for r in rows[1:4]]
    assert rows[0]["zone_time_s"] == pytest.approx(sum(zones))


def test_the_legs_of_a_published_final_come_back_from_files():
    """Tokyo 2025, men's 4x100 final, official passing times as reported."""
    event, splits = PUBLISHED["Tokyo 2025, men's 4x100 final, 37.29"]
    made = made_race(3, event, lane=5, splits_s=splits)
    for row in made.rows():
        published = sum(splits) if row["leg"] == 0 else splits[row["leg"] - 1]
        assert abs(row["time_s"] - published) < 3.5 * row["time_sd_s"] + 0.01


def test_the_sample_race_is_measured_as_its_truth_has_it():
    truth = json.loads((SAMPLE.parent / "truth" / "larch-race.json").read_text())
    for row in measured_race(SAMPLE, truth).rows():
        assert abs(row["time_s"] - truth["legs"][row["leg"]]["time_s"]) < 3.5 * row["time_sd_s"]


def test_the_study_counts_errors_from_the_gun_or_the_first_movement():
    made = short()
    found = race_errors("4x100, 10 Hz", made.truth, made.rows())
    assert [one.leg for one in found] == [0, 1, 2, 3, 4]
    for one, row in zip(found, made.rows(), strict=True):
        assert one.error_s == pytest.approx(row["time_s"] - made.true_leg_s(one.leg))
    assert sum("| legs |" in line for line in table_of_errors(found)) == 1
    moved = [row | {"start_basis": "movement"} for row in made.rows()[:1]]
    race = made.truth["race"]
    later = race["first_movement_utc_s"] - race["gun_utc_s"]
    (other,) = race_errors("x", made.truth, moved)
    assert other.error_s == pytest.approx(found[0].error_s + later)


# --- what is missing ----------------------------------------------------------------------------


def test_without_a_gun_the_first_movement_counts_and_nothing_is_added():
    made = short()
    legs_ = made.with_race(gun_utc_s=None, official_time_s=None)
    moved = made.truth["race"]["first_movement_utc_s"]
    assert legs_[1].start_basis == legs_[0].start_basis == "movement"
    sd = legs_[0].time.sd
    assert abs(legs_[1].start_utc_s - moved) < 4 * sd
    wanted = made.true_leg_s(0) - (moved - made.truth["race"]["gun_utc_s"])
    assert abs(legs_[0].time.value - wanted) < 4 * sd
    assert "nothing was added" in words(legs_[1])


def test_without_a_gun_an_official_time_is_longer_by_a_reaction_and_that_is_no_contradiction():
    made = short()
    right = made.with_race(gun_utc_s=None)
    assert -0.35 < right[0].difference_s < 0.0
    assert "official time" not in words(right[0])


def test_a_missing_unit_takes_its_legs_and_no_other():
    legs_ = short().without_runs(2)
    assert [leg.time is None for leg in legs_] == [False, False, True, True, True]
    assert "no recording of rowan" in words(legs_[3])
    assert "no recording of rowan" in words(legs_[2])
    assert legs_[0].time.value == pytest.approx(short().true_leg_s(0), abs=0.2)


def test_without_the_last_runner_there_is_no_finish():
    legs_ = short().without_runs(3)
    assert [leg.time is None for leg in legs_] == [True, False, False, True, True]
    assert "no recording of stoat" in words(legs_[0])


def test_without_the_first_runner_the_gun_still_tells_the_whole():
    legs_ = short().without_runs(0)
    assert [leg.time is None for leg in legs_] == [False, True, True, False, False]


def test_without_any_runner_it_says_why():
    legs_ = short().without_runs(0, 1, 2, 3)
    assert all(leg.time is None for leg in legs_)
    assert "no recording of otter" in words(legs_[0])


def test_without_a_finish_line_the_last_leg_and_the_whole_are_not_known():
    made = short()
    venue = made.given["venue"]
    venue = replace(venue, race_lines=tuple(x for x in venue.race_lines if x.line != "finish"))
    legs_ = made.measure_again(venue=venue)
    assert [leg.time is None for leg in legs_] == [True, False, False, False, True]
    assert "no finish line in the venue" in words(legs_[4])
    assert "no finish line in the venue" in words(legs_[0])


def test_without_a_start_line_the_gun_still_times_the_first_leg():
    made = short()
    venue = made.given["venue"]
    venue = replace(venue, race_lines=tuple(x for x in venue.race_lines if x.line != "start"))
    first = made.measure_again(venue=venue)[1]
    assert abs(first.time.value - made.true_leg_s(1)) < 4 * first.time.sd


def test_a_lane_that_is_not_surveyed_all_round_is_no_race_line():
    made = short()
    venue = made.given["venue"]
    (lane,) = venue.lanes
    half = len(lane.latitude_deg) // 2
    part = replace(
        lane, latitude_deg=lane.latitude_deg[:half], longitude_deg=lane.longitude_deg[:half]
    )
    legs_ = made.measure_again(venue=replace(venue, lanes=(part,)))
    assert all(leg.time is None for leg in legs_)
    assert "not surveyed all round" in words(legs_[0])


def test_a_baton_that_was_not_passed_ends_no_race():
    made = short()
    first, second, third = made.given["measured"]
    lost = replace(second, outcome="not passed", passed=None, free_distance=None)
    legs_ = made.measure_again(measured=(first, lost, third))
    assert [leg.time is None for leg in legs_] == [True, False, True, True, False]
    assert "not seen to change hands in zone 2" in words(legs_[0])
    assert "zone 2" in words(legs_[2])


def test_a_takeover_that_was_not_found_leaves_the_whole():
    made = short()
    first, _, third = made.given["measured"]
    legs_ = made.measure_again(measured=(first, third))
    assert [leg.time is None for leg in legs_] == [False, False, True, True, False]
    assert "no takeover of heron and rowan in zone 2" in words(legs_[2])


def test_an_official_time_that_does_not_fit_is_doubted_aloud():
    made = short()
    off = made.with_race(official_time_s=made.truth["race"]["official_time_s"] + 1.0)[0]
    assert off.difference_s == pytest.approx(-1.0, abs=0.2)
    assert "is it this race's" in words(off)
    assert "official time" not in words(made.with_race()[0])


def test_a_gun_that_does_not_fit_the_first_movement_is_doubted_aloud():
    made = short()
    off = made.with_race(gun_utc_s=made.truth["race"]["gun_utc_s"] - 1.0)[0]
    assert "is `gun_utc` right" in words(off)
    assert "gun_utc" not in words(made.with_race()[0])


def test_another_event_than_the_plan_knows_is_not_measured():
    legs_ = short().with_race(event="100-200-300-400")
    assert all(leg.time is None for leg in legs_)
    assert "are measured" in words(legs_[0])


def test_a_race_over_another_distance_than_the_zones_is_not_measured():
    made = short()
    legs_ = made.with_race(event="4x200")
    assert all(leg.time is None for leg in legs_)
    assert all("the venue's zones are those of the 4x100" in words(leg) for leg in legs_)
    assert not expected.race_rows([replace(RACE, event="4x200")], (), axes_of(made))


# --- through files ------------------------------------------------------------------------------


def test_a_team_in_another_order_is_noticed(tmp_path):
    truth = make_race(tmp_path, 2, lane=4, written=(1, 0, 2, 3))
    made = measured_race(tmp_path, truth)
    assert any(
        "the team ran in the order otter, heron, rowan, stoat" in x for x in made.session.remarks
    )
    for row in made.rows():
        assert abs(row["time_s"] - made.true_leg_s(row["leg"])) < 3.5 * row["time_sd_s"]
    assert [r["race"] for r in made.session.tables["exchanges"].to_pylist()] == ["final"] * 3


def test_a_file_that_is_gone_leaves_the_other_legs(tmp_path):
    truth = make_race(tmp_path, 2, lane=4)
    (tmp_path / "rowan.csv").unlink()
    rows = measured_race(tmp_path, truth).rows()
    assert [r["time_s"] is None for r in rows] == [False, False, True, True, True]
    assert any("no recording of rowan" in x for x in rows[3]["remarks"])


def test_a_start_in_a_gap_of_the_fixes_is_unsure_and_said(tmp_path):
    truth = make_race(tmp_path, 2, lane=4, gun=False)
    moved = truth["race"]["first_movement_utc_s"]
    file = tmp_path / "otter.csv"
    head, *lines = file.read_text().splitlines()
    time_of = head.split(",").index("time_utc")

    def utc_s(line):
        stamp = line.split(",")[time_of].replace("Z", "+00:00")
        return datetime.fromisoformat(stamp).timestamp()

    kept = [line for line in lines if not moved - 2.2 < utc_s(line) < moved + 0.7]
    file.write_text("\n".join([head, *kept]) + "\n")
    made = measured_race(tmp_path, truth)
    first = made.rows()[1]
    true = made.true_leg_s(1) - (moved - truth["race"]["gun_utc_s"])
    assert abs(first["time_s"] - true) < 4 * first["time_sd_s"]
    assert first["time_sd_s"] < 0.5
    assert any("gap at the start" in x for x in first["remarks"])


def test_a_race_at_another_time_is_not_made_up(tmp_path):
    shutil.copytree(SAMPLE, tmp_path, dirs_exist_ok=True)
    toml = tmp_path / "session.toml"
    toml.write_text(toml.read_text().replace("T17:20:33.04Z", "T19:20:33.04Z"))
    made = measured_race(tmp_path, {})
    assert [r["race"] for r in made.session.tables["exchanges"].to_pylist()] == [None] * 3
    assert all(r["time_s"] is None and r["remarks"] for r in made.rows()[1:])


# --- which takeovers ----------------------------------------------------------------------------


def axes_of(made):
    return made.given["axes"]


def candidate(axis: int, pair: tuple[str, str], entry_s: float) -> TakeoverCandidate:
    return TakeoverCandidate(
        axis, *pair, entry_s, entry_s - 1, None, entry_s + 3, 1.0, True, 0.0, (None, 1.0)
    )


def relay(from_s: float, axes, pairs=None, leg_s: float = 10.5) -> list[TakeoverCandidate]:
    pairs = pairs or list(pairwise(TEAM))
    number = {axis.zone: i for i, axis in enumerate(axes)}
    return [
        candidate(number[zone], pair, from_s + leg_s * (zone - 1))
        for zone, pair in enumerate(pairs, start=1)
    ]


RACE = Race("heat", "4x100", 4, TEAM)


def test_practice_before_the_gun_stays_practice():
    axes = axes_of(short())
    practised, raced = relay(100.0, axes, leg_s=40.0), relay(1000.0, axes)
    race = replace(RACE, gun_utc_s=990.0)
    rows = expected.race_rows([race], (), axes)
    found = expected.take_out_races([race], rows, [*practised, *raced], (), axes)
    assert [one.candidate for one in found.matched] == raced
    assert list(found.left) == practised
    assert {one.rep.race for one in found.matched} == {"heat"}


def test_without_a_gun_the_chain_in_one_go_is_the_race():
    axes = axes_of(short())
    practised, raced = relay(100.0, axes, leg_s=40.0), relay(1000.0, axes)
    assert list(expected.find_race(RACE, [*practised, *raced], axes).by_zone.values()) == raced


def test_two_races_of_one_team_get_a_chain_each():
    axes = axes_of(short())
    first, second = relay(100.0, axes), relay(1000.0, axes)
    races = [replace(RACE, gun_utc_s=990.0), replace(RACE, id="final", gun_utc_s=90.0)]
    rows = expected.race_rows(races, (), axes)
    found = expected.take_out_races(races, rows, [*first, *second], (), axes)
    by = {one.rep.race: [] for one in found.matched}
    for one in found.matched:
        by[one.rep.race].append(one.candidate)
    assert by == {"heat": second, "final": first}
    assert not found.left


def test_rows_of_the_sheet_that_name_the_race_are_not_supplied_again():
    axes = axes_of(short())
    sheet = [Rep(2, "otter", "heron", zone=1, race="heat")]
    rows = expected.race_rows([RACE], sheet, axes)
    assert [(r.incoming, r.zone) for r in rows] == [("heron", 2), ("rowan", 3)]
    found = expected.take_out_races([RACE], rows, relay(100.0, axes), sheet, axes)
    assert [m.candidate.pair for m in found.matched] == [("heron", "rowan"), ("rowan", "stoat")]
    assert list(found.rows) == sheet
    assert len(found.left) == 1


def test_a_row_without_the_race_that_stands_for_its_takeover_goes_with_it():
    axes = axes_of(short())
    sheet = [Rep(2, "otter", "heron", rep=7, mark_m=8.0, start_utc_s=95.0)]
    rows = expected.race_rows([RACE], sheet, axes)
    found = expected.take_out_races([RACE], rows, relay(100.0, axes), sheet, axes)
    assert not found.rows
    first = found.matched[0].rep
    assert (first.rep, first.mark_m, first.race, first.zone) == (7, 8.0, "heat", 1)


def test_a_single_takeover_of_another_pair_makes_no_other_order():
    axes = axes_of(short())
    odd = [*relay(100.0, axes)[:1], candidate(0, ("heron", "otter"), 300.0)]
    seen = expected.find_race(RACE, odd, axes)
    assert seen.race is RACE
    assert not seen.remarks


# --- geometry -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("event", "far"), [("4x100", 400.0), ("4x400", 1600.0)])
def test_the_race_line_is_as_long_as_the_race(event, far):
    made = made_race(4, event, lane=5)
    venue, axes = made.given["venue"], axes_of(made)
    line = lay_race_line(replace(RACE, event=event, lane=5), venue, axes, 5)
    assert not isinstance(line, str)
    places = [one.value for one in line.lines]
    assert all(isinstance(one, Estimate) for one in line.lines)
    if event == "4x100":
        assert np.diff(places) == pytest.approx(100.0, abs=0.15)
        assert np.isinf(line.break_m)
    else:  # three bends in lane 5 are counted on lane 1's line
        assert np.diff(places)[1:] == pytest.approx([386.6, 400.0, 400.0], abs=0.3)
        assert line.break_m == pytest.approx(400.0 + 115.6, abs=0.5)
        assert np.ptp(line.aside_m) < 0.2
        assert np.median(line.aside_m) == pytest.approx(41.58 - 36.80, abs=0.05)
    assert places[-1] - places[0] == pytest.approx(far - (0 if event == "4x100" else 39.9), abs=0.4)


@pytest.mark.parametrize(
    ("gun_utc_s", "sd"),
    [(1000.0, 0.29), (1000.4, 0.035), (1000.43, 0.020), (1000.437, 0.020)],
)
def test_a_gun_is_as_good_as_its_last_digit_and_the_starters_clock(gun_utc_s, sd):
    assert legs.gun_sd_s(gun_utc_s) == pytest.approx(sd, abs=0.001)


@pytest.mark.parametrize(("zone", "free"), [(1, False), (2, True), (3, True)])
def test_after_the_break_a_runner_may_be_metres_beside_the_line(zone, free):
    """World Athletics, Technical Rule 24, from memory: three bends of the 4x400 in lanes."""
    cases = [one.case for one in made_race(4, "4x400", lane=5).given["measured"]]
    (case,) = [one for one in cases if one.problem.axis.zone == zone]
    outgoing = case.problem.outgoing
    assert (outgoing.sideways_sd_m > 0.5) is free
    assert case.problem.axis.lane == (1 if free else 5)
