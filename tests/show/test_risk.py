"""A mark's risk: the tables' numbers where they belong, and nothing besides."""

import numpy as np
import pytest
from pair_weeks import mark_rows
from random_tables import random_table

from pipeline.show.figures import risk


def test_the_curves_are_the_tables_chances_over_the_marks():
    rows = mark_rows()
    figure = risk.risk_figure(rows[::-1])
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
    assert len(figure.panels[0].items[0].x) == 21


def test_in_metres_where_the_foot_length_is_not_known():
    figure = risk.risk_figure(mark_rows(mark_feet=None))
    assert figure.x.label.endswith(", m")
    np.testing.assert_allclose(figure.panels[0].items[0].x[[0, -1]], [8.0, 11.0])


@pytest.mark.parametrize("rows", [[], mark_rows(advised=None), mark_rows(n=1, advised=0)])
def test_too_few_marks_make_no_figure(rows):
    assert risk.risk_figure(rows) is None
