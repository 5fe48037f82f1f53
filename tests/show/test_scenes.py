"""Scenes: every takeover with its own courses, moments where the tables have them, the baton."""

import functools
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest
import squads
from hypothesis import given, settings
from hypothesis import strategies as st
from random_tables import random_table, with_values

from pipeline.errors import OutputError
from pipeline.show import scenes
from pipeline.tables import schema
from pipeline.tables.courses import RunnerCourse


@functools.cache
def lake(event="4x100"):
    found, _, _ = squads.lake(3, n_runners=4, evenings=2, reps=10, event=event)
    return found


@functools.cache
def older():
    squad, site = squads.draw(4, n_runners=4, rules="older")
    return scenes.read_scenes(*squads.tables(4, squad, site, evenings=1, reps=8))


@pytest.fixture(scope="module")
def several():
    return scenes.read_scenes(lake().exchanges, lake().curves)


# --- whose is what ----------------------------------------------------------------------------


def test_each_takeover_has_its_own_curves(several):
    rows = lake().exchanges.to_pylist()
    assert [one.row for one in several] == rows
    curves = lake().curves.to_pandas()
    for one in several:
        for role, course in (("incoming", one.incoming), ("outgoing", one.outgoing)):
            own = curves[
                (curves.session == one.row["session"])
                & (curves.exchange == one.row["exchange"])
                & (curves.role == role)
            ]
            assert course.runner == one.row[role]
            np.testing.assert_array_equal(course.s_m, own.s_m)
            np.testing.assert_array_equal(course.v_mps, own.v_mps)


def test_the_order_of_curve_rows_does_not_matter(several):
    order = np.random.default_rng(1).permutation(len(lake().curves))
    shuffled = scenes.read_scenes(lake().exchanges, lake().curves.take(pa.array(order)))
    for one, other in zip(several, shuffled, strict=True):
        np.testing.assert_array_equal(one.outgoing.t_s, other.outgoing.t_s)
        np.testing.assert_array_equal(one.incoming.s_m, other.incoming.s_m)


def test_without_curves_the_figures_of_the_row_remain(several):
    bare = scenes.read_scenes(lake().exchanges, schema.empty_table("speed_curves"))
    assert all(one.incoming is one.outgoing is one.baton is one.gap is None for one in bare)
    assert [one.zone_time for one in bare] == [one.zone_time for one in several]
    assert [one.pass_place for one in bare] == [one.pass_place for one in several]


def test_rows_of_a_curve_that_lack_a_number_are_left_out():
    curves = lake().curves.to_pydict()
    curves["v_mps"] = [None if k % 3 else v for k, v in enumerate(curves["v_mps"])]
    curves["v_sd_mps"] = [None if k % 3 else v for k, v in enumerate(curves["v_sd_mps"])]
    thin = scenes.read_scenes(lake().exchanges, schema.conform("speed_curves", curves))
    assert all(np.isfinite(one.outgoing.v_mps).all() for one in thin)
    assert all(len(one.outgoing.t_s) > 50 for one in thin)


def test_tables_of_another_schema_are_refused():
    with pytest.raises(OutputError):
        scenes.read_scenes(lake().exchanges.drop_columns(["pass_m"]), lake().curves)


# --- moments ------------------------------------------------------------------------------------


def test_moments_are_those_of_the_row_in_time_and_place(several):
    for one in several:
        mark, go, entry = (one.moment(what) for what in ("mark", "go", "entry"))
        assert entry.t.value == 0.0 == entry.s.value
        assert mark.t.value == one.row["mark_t_s"]
        assert mark.s.value == one.back_m - one.row["mark_m"]
        assert go.t.value == one.row["go_t_s"]
        # the tape is where the incoming runner is as the tables have him cross it
        assert one.incoming.at(mark.t.value, "s_m") == pytest.approx(mark.s.value, abs=0.05)
        handed = one.moment("pass")
        assert (handed is None) == (one.row["pass_m"] is None)
        if handed is not None:
            assert (handed.t.value, handed.s.value) == (one.row["pass_t_s"], one.row["pass_m"])
            assert handed.basis == one.row["pass_basis"]


def test_the_exit_is_where_the_zone_time_ends(several):
    inside = [one for one in several if one.passed and one.row["pass_t_s"] > 0.0]
    assert inside
    for one in inside:
        assert one.moment("exit").t.value == one.row["zone_time_s"]
        holder = one.outgoing if one.row["pass_m"] < one.zone_m else one.incoming
        assert holder.at(one.row["zone_time_s"], "s_m") == pytest.approx(one.zone_m, abs=0.15)


def test_the_exit_has_the_one_who_has_the_baton_there(several):
    one = next(one for one in several if one.passed and one.row["pass_m"] < one.zone_m - 2.0)
    by_in, by_out = one.incoming.reaches(one.zone_m), one.outgoing.reaches(one.zone_m)
    if by_in is None:
        pytest.skip("the incoming runner stopped before the exit line")

    def leaves(handed):
        row = one.row | {"pass_t_s": handed, "zone_time_s": None, "zone_speed_mps": None}
        table = schema.conform(
            "exchanges", {n: [v] for n, v in (row | {"zone_time_sd_s": None}).items()}
        )
        return scenes.read_scenes(table, lake().curves)[0].moment("exit")

    first, last = sorted([by_in.value, by_out.value])
    assert leaves(first - 0.5).who == one.row["outgoing"]
    assert leaves(first - 0.5).t.value == by_out.value
    assert leaves(last + 0.1).who == one.row["incoming"]
    assert leaves(last + 0.1).t.value == by_in.value
    if by_out.value < by_in.value:  # it changes hands across the line
        between = (first + last) / 2
        assert leaves(between).t.value == between
        assert leaves(between).basis == one.row["pass_basis"]


def test_a_curve_that_begins_after_the_mark_does_not_move_the_back_line():
    squad, site = squads.draw(4, n_runners=4, rules="older")
    exchanges, curves = squads.tables(4, squad, site, evenings=1, reps=8)
    late = curves.filter(pc.greater(curves["t_s"], -1.0))
    assert all(one.back_m == -10.0 for one in scenes.read_scenes(exchanges, late) if one.passed)


def test_the_older_back_line_lies_ten_metres_before_the_entry():
    found = older()
    assert all(one.back_m == -10.0 and one.zone_m == 20.0 for one in found if one.passed)
    for one in found:
        mark = one.moment("mark")
        assert one.incoming.at(mark.t.value, "s_m") == pytest.approx(mark.s.value, abs=0.05)


def test_a_crossing_takes_the_place_s_error_along():
    t = np.linspace(0.0, 4.0, 201)
    course = RunnerCourse("robin", t, 8.0 * t - 6.0, np.full(201, 0.2), np.full(201, 8.0), t * 0)
    found = course.reaches(10.0)
    assert found.value == pytest.approx(2.0)
    assert found.sd == pytest.approx(0.2 / 8.0)
    assert course.reaches(50.0) is None


# --- the baton ----------------------------------------------------------------------------------


def test_the_baton_is_with_the_incoming_runner_until_the_pass_and_then_with_the_other(several):
    for one in several:
        if not one.passed:
            assert not one.baton.with_outgoing.any()
            np.testing.assert_array_equal(one.baton.s_m, one.incoming.s_m)
            continue
        handed = one.row["pass_t_s"]
        before = one.baton.t_s < handed
        np.testing.assert_allclose(
            one.baton.s_m[before], one.incoming.at(one.baton.t_s[before], "s_m")
        )
        after = one.baton.t_s > handed
        np.testing.assert_allclose(
            one.baton.v_mps[after], one.outgoing.at(one.baton.t_s[after], "v_mps")
        )
        assert not one.baton.with_outgoing[before].any()
        assert one.baton.with_outgoing[after].all()
        # it leaps the trunks' distance, which is the free distance but for its moment's error
        row = int(one.baton.with_outgoing.argmax())
        leap = one.baton.s_m[row] - one.baton.s_m[row - 1]
        assert one.baton.t_s[row] == one.baton.t_s[row - 1] == handed
        assert leap == pytest.approx(one.gap.gap_m[np.abs(one.gap.t_s - handed).argmin()], abs=0.2)


def test_the_gap_is_the_difference_of_the_places(several):
    for one in several:
        t = one.gap.t_s
        np.testing.assert_allclose(
            one.gap.gap_m, one.outgoing.at(t, "s_m") - one.incoming.at(t, "s_m")
        )
        np.testing.assert_allclose(one.gap.s_m, one.incoming.at(t, "s_m") + one.gap.gap_m / 2)
        assert (one.gap.sd_m >= one.outgoing.at(t, "s_sd_m") - 1e-12).all()


def test_an_unclear_outcome_leaves_the_baton_out():
    table = with_values(
        lake().exchanges, outcome="unclear", pass_t_s=None, pass_t_sd_s=None, pass_m=None,
        pass_sd_m=None,
    )  # fmt: skip
    found = scenes.read_scenes(table, lake().curves)
    assert all(one.baton is None and one.moment("exit") is None for one in found)


# --- ranks --------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12))
def test_ranks_put_failures_first_then_what_lost_most_against_its_own_pair(seed, rows):
    table = random_table("exchanges", rows=rows, seed=seed)
    verdicts = random_table("verdicts", rows=rows, seed=seed + 1).to_pylist()
    judged = np.random.default_rng(seed).random(rows) < 0.7
    found = [
        replace(one, verdict=verdict if has else None)
        for one, verdict, has in zip(
            scenes.read_scenes(table, schema.empty_table("speed_curves")),
            verdicts,
            judged,
            strict=True,
        )
    ]
    places = scenes.rank_scenes(found)
    assert sorted(places) == list(range(1, rows + 1))
    ordered = [found[places.index(k)] for k in range(1, rows + 1)]

    def group(one):
        p = one.row["p_in_zone"]
        failed = one.row["outcome"] == "not passed" or (p is not None and p < 0.5)
        known = one.verdict is not None and one.verdict["lost_s"] is not None
        return one.left_out is not None, 0 if failed else 1 if known else 2

    groups = [group(one) for one in ordered]
    assert groups == sorted(groups)
    for kind in set(groups):
        lost = [one.lost for one, of in zip(ordered, groups, strict=True) if of == kind]
        known = [-(0.0 if one is None else one.value) for one in lost]
        assert known == sorted(known)


def test_ranks_do_not_ask_who_is_faster():
    found = list(scenes.read_scenes(lake().exchanges, lake().curves))
    slower = [replace(one, row=one.row | {"zone_time_s": 9.0 - k}) for k, one in enumerate(found)]
    assert scenes.rank_scenes(slower) == scenes.rank_scenes(found)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_any_table_of_the_schema_makes_finite_moments(seed):
    exchanges = random_table("exchanges", rows=4, seed=seed)
    curves = random_table("speed_curves", rows=30, seed=seed + 1)
    numbers = np.random.default_rng(seed).integers(1, 5, 30)
    place = curves.schema.get_field_index("exchange")
    curves = curves.set_column(place, curves.schema.field(place), pa.array(numbers, pa.int32()))
    numbered = exchanges.set_column(
        exchanges.schema.get_field_index("exchange"),
        exchanges.schema.field("exchange"),
        pa.array(range(1, 5), pa.int32()),
    )
    for one in scenes.read_scenes(numbered, curves):
        for moment in one.moments:
            assert np.isfinite([moment.t.value, moment.t.sd]).all()
            assert moment.s is None or np.isfinite([moment.s.value, moment.s.sd]).all()
