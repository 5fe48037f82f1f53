"""A pair's weeks and a mark's risk: the tables' numbers where they belong, and nothing besides."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pair_weeks import mark_rows, weeks
from random_tables import random_table

from pipeline.show import scenes
from pipeline.show.figures import trends
from pipeline.show.figures.drawing import Curve, Dot, Span
from pipeline.tables import schema


def progress_of(several, **given_values):
    row = random_table("progress", rows=1, seed=3).to_pylist()[0]
    row |= {"zone_time_s": 3.2, "zone_time_sd_s": 0.03, "last_utc": several[-1].when}
    row |= {"zone_time_trend_s": -0.05, "zone_time_trend_sd_s": 0.02}
    return row | given_values


def panel(figure, label):
    return next(panel for panel in figure.panels if panel.y.label.startswith(label))


def dots(figure, label, sign="disc"):
    return [i for i in panel(figure, label).items if isinstance(i, Dot) and i.sign == sign]


# --- the weeks ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("label", "value"),
    [
        ("zone time", lambda one: one.zone_time),
        ("start after mark", lambda one: one.lag),
        ("between trunks", lambda one: one.distance),
        ("pass past", lambda one: one.place),
    ],
)
def test_each_takeover_has_its_dot_with_its_error_and_a_gap_where_nothing_is_known(label, value):
    several = weeks()
    found = {dot.x: dot for dot in dots(trends.history(several), label)}
    for place, one in enumerate(several, 1):
        known = value(one)
        assert (place in found) is (known is not None)
        if known is not None:
            assert (found[place].y, found[place].y_sd) == (known.value, known.sd)


def test_what_rests_on_an_inferred_pass_is_hollow_and_zone_time_is_not():
    several = [one for one in weeks() if one.passed]
    assert {one.row["pass_basis"] for one in several} == {"inferred"}
    figure = trends.history(several)
    assert not any(dot.full for dot in dots(figure, "pass past"))
    assert not any(dot.full for dot in dots(figure, "between trunks"))
    assert all(dot.full for dot in dots(figure, "zone time"))


def test_takeovers_that_were_not_passed_are_triangles():
    several = list(weeks())
    nothing = {"outcome": "not passed", "zone_time_s": None, "zone_time_sd_s": None}
    for k in (1, 3):
        several[k] = dataclasses.replace(several[k], row=several[k].row | nothing)
    missed = [float(k) for k, one in enumerate(several, 1) if not one.passed]
    assert {2.0, 4.0} <= set(missed)
    figure = trends.history(several)
    assert [dot.x for dot in dots(figure, "zone time", "triangle")] == missed
    assert any(f"{len(missed)} not passed" in note for note in figure.notes)


def test_the_zone_lies_behind_the_passes():
    (ground,) = [
        i for i in panel(trends.history(weeks()), "pass past").items if isinstance(i, Span)
    ]
    assert (ground.low, ground.high) == (0.0, 30.0)


def test_days_are_written_below_and_sessions_divided():
    several = weeks()
    figure = trends.history(several)
    days = list(dict.fromkeys(f"{one.when:%Y-%m-%d}" for one in several))
    assert list(figure.x.words) == days
    assert len(figure.uprights) == len(days) - 1
    for line in figure.uprights:
        k = int(line.x)
        assert several[k - 1].row["session"] != several[k].row["session"]


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 200))
def test_dates_have_room(n):
    one = weeks()[0]
    several = [
        scenes.Takeover(
            one.row | {"session": f"s{k}", "zero_utc": one.when.replace(year=2001 + k)},
            30.0, 0.0, None, None, (), None, None,
        )
        for k in range(n)
    ]  # fmt: skip
    x = trends.history(several).x
    assert 1 <= len(x.ticks) <= trends.MOST_DATES + 1
    assert x.low < min(x.ticks)
    assert max(x.ticks) < x.high


def test_the_trend_is_the_tables_level_at_its_last_takeover_and_steps_by_its_weeks():
    several = weeks()
    row = progress_of(several)
    (line,) = [
        i for i in panel(trends.history(several, row), "zone time").items if isinstance(i, Curve)
    ]
    assert (line.y[-1], line.sd[-1]) == (row["zone_time_s"], row["zone_time_sd_s"])
    ago = (several[-1].when - several[0].when).total_seconds() / trends.WEEK_S
    assert line.y[0] == pytest.approx(row["zone_time_s"] - ago * row["zone_time_trend_s"])
    assert line.sd[0] == pytest.approx(np.hypot(0.03, ago * 0.02))
    assert line.dashed


def test_without_a_trend_there_is_no_line():
    several = weeks()
    row = progress_of(several, zone_time_trend_s=None, zone_time_trend_sd_s=None)
    for given_row in (None, row):
        items = panel(trends.history(several, given_row), "zone time").items
        assert not [i for i in items if isinstance(i, Curve)]


def test_changes_by_sight_have_no_start_after_a_mark():
    labels = [panel.y.label for panel in trends.history(weeks("4x400")).panels]
    assert not [label for label in labels if label.startswith(("start", "mark"))]


def test_no_takeover_is_an_error():
    with pytest.raises(ValueError, match="no takeover"):
        trends.history([])


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 30))
def test_any_table_gives_finite_axes_and_dots_inside_them(seed, rows):
    table = random_table("exchanges", rows=rows, seed=seed)
    several = scenes.order_by_time(scenes.takeovers(table, schema.empty_table("speed_curves")))
    progress = random_table("progress", rows=1, seed=seed).to_pylist()[0]
    figure = trends.history(several, progress)
    for part in figure.panels:
        assert np.isfinite([part.y.low, part.y.high]).all()
        assert part.y.low < part.y.high
        for item in part.items:
            if isinstance(item, Dot):
                assert part.y.low <= item.y <= part.y.high
            if isinstance(item, Curve):
                assert np.isfinite(item.y).all()
                assert np.isfinite(item.sd).all()


# --- the risk -------------------------------------------------------------------------------------


def test_the_curves_are_the_tables_chances_over_the_marks():
    rows = mark_rows()
    figure = trends.risk(rows[::-1])
    foot_m = rows[12]["mark_m"] / rows[12]["mark_feet"]
    curves = {curve.word: curve for curve in figure.panels[0].items}
    for word, column in (("in the zone", "p_in_zone"), ("run into each other", "p_ran_into"),
                         ("run away", "p_ran_away")):  # fmt: skip
        np.testing.assert_allclose(curves[word].y, [100 * row[column] for row in rows])
        np.testing.assert_allclose(curves[word].sd, [100 * row[f"{column}_sd"] for row in rows])
        np.testing.assert_allclose(curves[word].x, [row["mark_m"] / foot_m for row in rows])
    assert len({curve.ink for curve in figure.panels[0].items}) == 3
    middle, below, above = figure.panels[1].items
    np.testing.assert_allclose(middle.y, [row["zone_time_s"] for row in rows])
    spread = [row["zone_time_spread_s"] for row in rows]
    np.testing.assert_allclose(above.y - middle.y, spread)
    np.testing.assert_allclose(middle.y - below.y, spread)


def test_the_advised_mark_and_the_one_in_use_have_their_lines():
    rows = mark_rows()
    foot_m = rows[12]["mark_m"] / rows[12]["mark_feet"]

    def lines(mark_m):
        progress = random_table("progress", rows=1).to_pylist()[0] | {"mark_m": mark_m}
        return {line.word: line.x for line in trends.risk(rows, progress).uprights}

    assert lines(8.6) == {
        "advised": pytest.approx(rows[12]["mark_m"] / foot_m),
        "in use": pytest.approx(8.6 / foot_m),
    }
    assert list(lines(rows[12]["mark_m"])) == ["in use, advised"]
    assert list(lines(None)) == ["advised"]
    assert list(lines(30.0)) == ["advised"]


def test_marks_of_another_stand_or_pace_are_left_out():
    other = mark_rows(outgoing_start_m=3.0, advised=None)
    figure = trends.risk([*mark_rows(), *other])
    assert len(figure.panels[0].items[0].x) == 21


def test_in_metres_where_the_foot_length_is_not_known():
    figure = trends.risk(mark_rows(mark_feet=None))
    assert figure.x.label.endswith(", m")
    np.testing.assert_allclose(figure.panels[0].items[0].x[[0, -1]], [8.0, 11.0])


@pytest.mark.parametrize("rows", [[], mark_rows(advised=None), mark_rows(n=1, advised=0)])
def test_too_few_marks_make_no_figure(rows):
    assert trends.risk(rows) is None
