"""A mark's risk: the tables' numbers where they belong, and nothing besides."""

import numpy as np
import pytest
from pair_weeks import mark_rows
from random_tables import random_table

from pipeline.show.figures import risk
from pipeline.show.figures.figure import Curve


def chance_curves(figure):
    """The curves of chances by their words, whichever panel they are in."""
    items = [item for panel in figure.panels[:2] for item in panel.items]
    return {item.word: item for item in items if isinstance(item, Curve) and item.sd is not None}


def test_the_curves_are_the_tables_chances_over_the_marks():
    rows = mark_rows()
    figure = risk.risk_figure(rows[::-1])
    foot_m = rows[12]["mark_m"] / rows[12]["mark_feet"]
    curves = chance_curves(figure)
    for word, column in (("pass in the zone", "p_in_zone"), ("run into each other", "p_ran_into"),
                         ("run away", "p_ran_away")):  # fmt: skip
        np.testing.assert_allclose(curves[word].y, [100 * row[column] for row in rows])
        np.testing.assert_allclose(curves[word].sd, [100 * row[f"{column}_sd"] for row in rows])
        np.testing.assert_allclose(curves[word].x, [row["mark_m"] / foot_m for row in rows])
    assert len({curve.ink for curve in curves.values()}) == 3
    middle, below, above = figure.panels[2].items
    np.testing.assert_allclose(middle.y, [row["zone_time_s"] for row in rows])
    spread = [row["zone_time_spread_s"] for row in rows]
    np.testing.assert_allclose(above.y - middle.y, spread)
    np.testing.assert_allclose(middle.y - below.y, spread)


def test_what_goes_well_and_what_goes_wrong_stand_apart_each_with_what_is_accepted():
    figure = risk.risk_figure(mark_rows(p_ran_into=0.2, p_ran_away=0.05))
    well, wrong = figure.panels[:2]
    assert [i.word for i in well.items if isinstance(i, Curve)] == [
        "accepted: 9 in 10", "pass in the zone",
    ]  # fmt: skip
    assert [i.word for i in wrong.items if isinstance(i, Curve)] == [
        "accepted: 1 in 10", "run into each other", "run away",
    ]  # fmt: skip
    assert [set(panel.items[1].y) for panel in (well, wrong)] == [{90.0}, {10.0}]
    assert [(panel.items[0].low, panel.items[0].high) for panel in (well, wrong)] == [
        (90.0, 100.0), (0.0, 10.0),
    ]  # fmt: skip
    assert (well.y.high, wrong.y.high) == (100.0, 25.0)  # no two shares of one hundred


@pytest.mark.parametrize(
    ("into", "title"),
    [
        (0.05, "robin to wren, advised 32½ feet: 49 in 50 pass in the zone; one foot farther 19 in "
         "20"),
        (0.31, "robin to wren, advised 32½ feet: 49 in 50 pass in the zone; one foot farther 19 in "
         "20; 3 in 10 run into each other, where 1 in 10 is accepted"),
    ],
)  # fmt: skip
def test_the_title_says_what_was_found(into, title):
    rows = mark_rows(p_ran_into=into)
    for k, row in enumerate(rows):
        row |= {"p_in_zone": 0.98 if k <= 12 else 0.95}
    assert risk.risk_figure(rows).title == title


def test_the_advised_mark_and_the_one_in_use_have_their_lines():
    rows = mark_rows()
    foot_m = rows[12]["mark_m"] / rows[12]["mark_feet"]

    def lines(mark_m):
        progress = random_table("progress", rows=1).to_pylist()[0] | {"mark_m": mark_m}
        return {line.word: line.x for line in risk.risk_figure(rows, progress).uprights}

    assert lines(8.6) == {
        "advised": pytest.approx(rows[12]["mark_m"] / foot_m),
        "in use": pytest.approx(8.6 / foot_m),
    }
    assert list(lines(rows[12]["mark_m"])) == ["in use, advised"]
    assert list(lines(None)) == ["advised"]
    assert list(lines(30.0)) == ["advised"]


def test_marks_of_another_stand_or_pace_are_left_out():
    other = mark_rows(outgoing_start_m=3.0, advised=None)
    figure = risk.risk_figure([*mark_rows(), *other])
    assert {len(curve.x) for curve in chance_curves(figure).values()} == {21}


def test_in_metres_where_the_foot_length_is_not_known():
    figure = risk.risk_figure(mark_rows(mark_feet=None))
    assert figure.x.label.endswith(", m")
    for curve in chance_curves(figure).values():
        np.testing.assert_allclose(curve.x[[0, -1]], [8.0, 11.0])


@pytest.mark.parametrize("rows", [[], mark_rows(advised=None), mark_rows(n=1, advised=0)])
def test_too_few_marks_make_no_figure(rows):
    assert risk.risk_figure(rows) is None
