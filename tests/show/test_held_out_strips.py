"""The figure of what was held out: what is drawn, and what is left out and said."""

import numpy as np
import pytest

from pipeline.show.figures import slides
from pipeline.show.figures.figure import INKS
from pipeline.show.figures.held_out_strips import (
    MOST_DOTS,
    MOST_HOLLOW,
    MOST_STRIPS,
    Strip,
    agreement_figure,
)


def strip(label="pass on film", z=(0.3, -1.2, 2.4), far=()):
    off = np.zeros(len(z), dtype=bool)
    off[list(far)] = True
    return Strip(label, np.array(z, dtype=float), off)


def drawn_of(panel):
    """The places of what counts (n, 2), and the hollow dots."""
    curve, *hollow = panel.items
    assert not len(curve.x)  # no line
    return curve.signs, hollow


def test_every_observation_is_a_sign_at_its_standard_errors():
    figure = agreement_figure([strip(), strip("entry on film", (0.1,))])
    assert [panel.y.label for panel in figure.panels] == ["pass on film", "entry on film"]
    signs, hollow = drawn_of(figure.panels[0])
    assert sorted(signs[:, 0]) == pytest.approx([-1.2, 0.3, 2.4])
    assert ((signs[:, 1] > 0) & (signs[:, 1] < 1)).all()
    assert hollow == []


def test_what_is_far_off_is_hollow_of_another_ink_and_within_the_figure():
    figure = agreement_figure([strip(z=(0.5, -0.2, 40.0, -30.0), far=(2, 3))])
    signs, hollow = drawn_of(figure.panels[0])
    assert len(signs) == 2
    assert [dot.x for dot in hollow] == [figure.x.low, figure.x.high]
    assert {(dot.ink, dot.full) for dot in hollow} == {("into", False)}
    assert INKS["into"].light != INKS["incoming"].light
    assert "far off" in figure.notes[0]


def test_the_axis_holds_what_is_not_far_off():
    figure = agreement_figure([strip(z=(5.2, 0.0, 0.1))])
    assert figure.x.low < -5.1
    assert figure.x.high > 5.1
    narrow = agreement_figure([strip(z=(0.1, 0.2))])
    assert narrow.x.high == 3.5


def test_of_many_dots_some_are_drawn():
    z = np.random.default_rng(1).normal(size=5000)
    figure = agreement_figure([strip(z=z, far=range(4000))])
    signs, hollow = drawn_of(figure.panels[0])
    assert len(signs) == MOST_DOTS
    assert MOST_HOLLOW / 2 < len(hollow) <= MOST_HOLLOW


def test_of_many_kinds_those_with_the_most_observations_are_drawn_and_the_rest_counted():
    strips = [strip(f"kind {k}", np.zeros(k + 1)) for k in range(MOST_STRIPS + 2)]
    figure = agreement_figure(strips)
    assert [panel.y.label for panel in figure.panels] == [
        f"kind {k}" for k in range(2, MOST_STRIPS + 2)
    ]
    assert "Not drawn: 2 kinds" in " ".join(figure.notes)


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_it_is_drawn_the_same_again(kind):
    figure = agreement_figure([strip(), strip("all gates", (9.0,), far=(0,))], ["A note."])
    drawn = slides.draw_slide(figure, kind)
    assert drawn == slides.draw_slide(figure, kind)
    if kind == "svg":
        assert all(word in drawn.decode() for word in ("pass on film", "all gates", "A note."))
