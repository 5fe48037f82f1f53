"""What was held out, in seconds over the takeover's time: the tables' differences, and what was
found in the title."""

import numpy as np
import pytest
from held_out import observation_row
from hypothesis import given, settings
from hypothesis import strategies as st
from random_tables import random_table

from pipeline.show.figures import page_svg, slides
from pipeline.show.figures.agreement import MOST_PANELS, checks_figure
from pipeline.show.figures.figure import Curve, Dot


def held_out_row(moment_s, off_s, sd_s=0.03, **more):
    return observation_row(
        "evening", 1, 2, estimated_t_s=moment_s, estimated_t_sd_s=0.0,
        observed_t_s=moment_s + off_s, observed_t_sd_s=sd_s, **more,
    )  # fmt: skip


def verdict_row(conclusion, rows=8, verdict="honest", lead_m=None):
    return {"conclusion": conclusion, "rows": rows, "verdict": verdict, "lead_m": lead_m}


def parts(panel):
    band, signs, *hollow = panel.items
    assert isinstance(band, Curve)
    assert isinstance(signs, Curve)
    return band, signs.signs, hollow


def test_each_moment_that_was_held_out_is_a_sign_at_its_difference():
    rows = [
        held_out_row(0.5, 0.02),
        held_out_row(1.5, -0.03),
        held_out_row(2.5, 0.01, use="measure"),
    ]
    figure = checks_figure(rows, [])
    band, signs, hollow = parts(figure.panels[0])
    np.testing.assert_allclose(signs, [[0.5, 0.02], [1.5, -0.03]])
    assert hollow == []
    np.testing.assert_allclose(band.sd, 0.03)
    np.testing.assert_array_equal(band.y, 0.0)
    assert figure.panels[0].y.label == "pass on film: seen less measured, s"


def test_what_is_far_off_is_hollow_at_the_panel_s_edge():
    rows = [held_out_row(k / 9, 0.01) for k in range(9)] + [held_out_row(1.0, 0.9)]
    figure = checks_figure(rows, [])
    _, signs, (dot,) = parts(figure.panels[0])
    assert len(signs) == 9
    assert isinstance(dot, Dot)
    assert (dot.x, dot.y, dot.full) == (1.0, pytest.approx(figure.panels[0].y.high), False)


def test_the_title_says_what_was_found_and_errors_too_small_go_first():
    rows = [held_out_row(0.5, 0.02)]
    honest = verdict_row("all gates agree to 0.014 s; the standard errors are honest (0.70 ± 0.22)")
    assert checks_figure(rows, [honest]).title == (
        "All gates agree to 0.014 s; the standard errors are honest"
    )
    small = verdict_row("pass on film agrees to 0.1 s; too small by half", 3, "too small")
    assert checks_figure(rows, [honest, small]).title.startswith("Pass on film")


def test_the_lead_of_gates_is_told_and_kinds_with_few_rows_are_left_out():
    rows = [
        held_out_row(k + 0.1 * j, 0.01, event=event)
        for k, event in enumerate(("go", "entry", "pass", "exit", "mark"))
        for j in range(k + 1)
    ]
    figure = checks_figure(rows, [verdict_row("x", lead_m=0.33)])
    assert len(figure.panels) == MOST_PANELS
    assert figure.notes[1].startswith("Gates are broken 0.33 m ahead of the unit")
    assert figure.notes[-1] == "Not drawn: 1 kind with fewer observations."


def test_what_gates_are_broken_ahead_of_the_unit_is_taken_out():
    given_values = {"kind": "gates", "event": "gate", "speed_mps": 8.0}
    rows = [held_out_row(0.5, -0.01, **given_values), held_out_row(0.6, 0.02)]
    figure = checks_figure(rows, [verdict_row("x", lead_m=0.33)])
    gates, film = sorted(figure.panels, key=lambda panel: panel.y.label)
    assert parts(gates)[1][0, 1] == pytest.approx(-0.01 + 0.08 / 8.0)
    assert parts(film)[1][0, 1] == pytest.approx(0.02)


def test_without_a_moment_that_was_held_out_there_is_no_figure():
    assert checks_figure([], []) is None
    assert checks_figure([held_out_row(0.5, 0.02, use="measure")], []) is None


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 20))
def test_any_table_is_drawn_inside_its_axes(seed, rows):
    figure = checks_figure(
        random_table("observations", rows=rows, seed=seed).to_pylist(),
        random_table("validation", rows=2, seed=seed).to_pylist(),
    )
    for panel in () if figure is None else figure.panels:
        _, signs, _ = parts(panel)
        assert (np.abs(signs[:, 1]) <= panel.y.high).all()
    if figure is not None:
        page_svg.draw_svg(figure)


def test_a_slide_of_it_is_drawn():
    assert slides.draw_slide(checks_figure([held_out_row(0.5, 0.02)], []), "png")
