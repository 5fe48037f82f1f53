"""A pair's weeks: the tables' numbers where they belong, and nothing besides."""

import dataclasses
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pair_weeks import weeks
from random_tables import random_table

from pipeline.base.units import WEEK_S
from pipeline.show import scenes
from pipeline.show.figures import history
from pipeline.show.figures.figure import Curve, Dot, Span
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
        ("start, s after the mark", lambda one: one.start),
        ("gap at the pass", lambda one: one.gap_at_pass),
        ("pass, m past the entry line", lambda one: one.pass_place),
    ],
)
def test_each_takeover_has_its_dot_with_its_error_and_a_gap_where_nothing_is_known(label, value):
    several = weeks()
    found = {dot.x: dot for dot in dots(history.history_figure(several), label)}
    for place, one in enumerate(several, 1):
        known = value(one)
        assert (place in found) is (known is not None)
        if known is not None:
            assert (found[place].y, found[place].y_sd) == (known.value, known.sd)


def test_what_rests_on_an_inferred_pass_is_hollow_and_zone_time_is_not():
    several = [one for one in weeks() if one.passed]
    assert {one.row["pass_basis"] for one in several} == {"inferred"}
    figure = history.history_figure(several)
    assert not any(dot.full for dot in dots(figure, "pass, m past the entry line"))
    assert not any(dot.full for dot in dots(figure, "gap at the pass"))
    assert all(dot.full for dot in dots(figure, "zone time"))


def test_takeovers_that_were_not_passed_are_triangles():
    several = list(weeks())
    nothing = {"outcome": "not passed", "zone_time_s": None, "zone_time_sd_s": None}
    for k in (1, 3):
        several[k] = dataclasses.replace(several[k], row=several[k].row | nothing)
    missed = [float(k) for k, one in enumerate(several, 1) if not one.passed]
    assert {2.0, 4.0} <= set(missed)
    figure = history.history_figure(several)
    assert [dot.x for dot in dots(figure, "zone time", "triangle")] == missed
    assert any(f"{len(missed)} not passed" in note for note in figure.notes)


def test_the_zone_lies_behind_the_passes():
    passes = panel(history.history_figure(weeks()), "pass, m past the entry line")
    (ground,) = [i for i in passes.items if isinstance(i, Span)]
    assert (ground.low, ground.high) == (0.0, 30.0)


def test_days_are_written_below_and_sessions_divided():
    several = weeks()
    figure = history.history_figure(several)
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
        scenes.Scene(
            one.row | {"session": f"s{k}", "zero_utc": one.when.replace(year=2001 + k)},
            30.0, 0.0, None, None, (), None, None,
        )
        for k in range(n)
    ]  # fmt: skip
    x = history.history_figure(several).x
    assert 1 <= len(x.ticks) <= history.MOST_DATES + 1
    assert x.low < min(x.ticks)
    assert max(x.ticks) < x.high


def test_the_trend_is_the_tables_level_at_its_last_takeover_and_steps_by_its_weeks():
    several = weeks()
    row = progress_of(several)
    (line,) = [
        i
        for i in panel(history.history_figure(several, row), "zone time").items
        if isinstance(i, Curve)
    ]
    assert (line.y[-1], line.sd[-1]) == (row["zone_time_s"], row["zone_time_sd_s"])
    ago = (several[-1].when - several[0].when).total_seconds() / WEEK_S
    assert line.y[0] == pytest.approx(row["zone_time_s"] - ago * row["zone_time_trend_s"])
    assert line.sd[0] == pytest.approx(np.hypot(0.03, ago * 0.02))
    assert line.dashed


def test_without_a_trend_there_is_no_line():
    several = weeks()
    row = progress_of(several, zone_time_trend_s=None, zone_time_trend_sd_s=None)
    for given_row in (None, row):
        items = panel(history.history_figure(several, given_row), "zone time").items
        assert not [i for i in items if isinstance(i, Curve)]


@pytest.mark.parametrize(
    ("slope", "sd", "words"),
    [
        (-0.05, 0.02, "zone time 0.05 s less each week, over two evenings"),
        (0.05, 0.02, "zone time 0.05 s more each week, over two evenings"),
        (-0.03, 0.02, "no change of the zone time that stands out over two evenings"),
    ],
)
def test_the_title_says_whether_the_zone_time_changes(slope, sd, words):
    row = progress_of(weeks(), zone_time_trend_s=slope, zone_time_trend_sd_s=sd)
    assert history.history_figure(weeks(), row).title.endswith(f", 4x100: {words}")


def test_the_title_of_one_day_speaks_of_no_weeks():
    first = weeks()[0].row["session"]
    evening = [one for one in weeks() if one.row["session"] == first]
    title = history.history_figure(evening, progress_of(evening)).title
    assert re.search(r": zone time \d\.\d\d to \d\.\d\d s in one evening$", title)
    assert "week" not in title


def test_changes_by_sight_have_no_start_after_a_mark():
    labels = [panel.y.label for panel in history.history_figure(weeks("4x400")).panels]
    assert not [label for label in labels if label.startswith(("start", "mark"))]


def test_no_takeover_is_an_error():
    with pytest.raises(ValueError, match="no takeover"):
        history.history_figure([])


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 30))
def test_any_table_gives_finite_axes_and_dots_inside_them(seed, rows):
    table = random_table("exchanges", rows=rows, seed=seed)
    several = scenes.order_by_time(scenes.read_scenes(table, schema.empty_table("speed_curves")))
    progress = random_table("progress", rows=1, seed=seed).to_pylist()[0]
    figure = history.history_figure(several, progress)
    for part in figure.panels:
        assert np.isfinite([part.y.low, part.y.high]).all()
        assert part.y.low < part.y.high
        for item in part.items:
            if isinstance(item, Dot):
                assert part.y.low <= item.y <= part.y.high
            if isinstance(item, Curve):
                assert np.isfinite(item.y).all()
                assert np.isfinite(item.sd).all()
