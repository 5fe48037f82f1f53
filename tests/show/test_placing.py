"""Words find places where none lies on another, in their room, and off lines where they can."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.show.figures import page_svg, slides
from pipeline.show.figures.figure import Curve, Figure, Panel, Upright, make_scale
from pipeline.show.figures.placing import Box, place_words, width_em

ROOM = Box(0.0, 0.0, 400.0, 200.0)


def word(x, y, wide=60.0, high=16.0):
    return Box(x, y, x + wide, y + high)


def moved(box, shift):
    return Box(box.left + shift[0], box.low + shift[1], box.right + shift[0], box.high + shift[1])


def overlap(a, b):
    return (
        a.left < b.right - 1e-6
        and b.left < a.right - 1e-6
        and (a.low < b.high - 1e-6 and b.low < a.high - 1e-6)
    )


places = st.tuples(st.floats(-50.0, 450.0), st.floats(-50.0, 250.0), st.floats(5.0, 150.0))


@settings(max_examples=60, deadline=None)
@given(st.lists(places, max_size=14), st.lists(places, max_size=3))
def test_no_two_words_overlap_and_none_leaves_the_room_or_touches_what_is_fixed(words, fixed):
    boxes = [word(*place) for place in words]
    walls = [word(*place) for place in fixed]
    shifts = place_words(boxes, ROOM, walls)
    stand = [moved(box, shift) for box, shift in zip(boxes, shifts, strict=True) if shift]
    for k, one in enumerate(stand):
        assert not any(overlap(one, other) for other in (*stand[k + 1 :], *walls))
        assert one.left >= -1e-3
        assert one.right <= 400.001
        assert one.low >= -1e-3
        assert one.high <= 200.001


def test_a_word_that_is_free_stays_where_it_is():
    assert place_words([word(10.0, 10.0), word(200.0, 10.0)], ROOM) == [(0.0, 0.0), (0.0, 0.0)]


def test_of_two_words_in_one_place_the_second_goes_aside_a_little():
    first, second = place_words([word(100.0, 100.0)] * 2, ROOM)
    assert first == (0.0, 0.0)
    assert 16.0 <= np.hypot(*second) <= 3 * 16.0


def test_a_word_goes_off_a_line_where_there_is_room_and_stays_on_it_where_there_is_none():
    line = np.array([[0.0, 108.0], [400.0, 108.0]])
    ((_, up),) = place_words([word(100.0, 100.0)], ROOM, lines=[line])
    assert abs(up) >= 8.0
    low = Box(0.0, 100.0, 400.0, 116.0)
    assert place_words([word(100.0, 100.0)], low, lines=[line]) == [(0.0, 0.0)]


def test_a_word_that_finds_no_room_is_left_out():
    assert place_words([word(0.0, 0.0, wide=500.0)], ROOM) == [None]
    assert place_words([word(100.0, 100.0)], ROOM, [ROOM]) == [None]


@pytest.mark.parametrize(
    "text", ["mark", "go", "heron, incoming", "1.3 ± 0.2 m", "WWW", "28½ feet"]
)
def test_a_width_is_at_least_that_of_the_broadest_common_type(text):
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    for weight in ("bold", "normal"):
        prop = FontProperties(family="DejaVu Sans", weight=weight)
        ink = TextPath((0, 0), text, size=100.0, prop=prop).get_extents().width / 100.0
        assert ink <= width_em(text, bold=weight == "bold") <= 1.35 * ink


@pytest.mark.parametrize("pen", [slides, page_svg])
@pytest.mark.parametrize("kind", ["mark", "go", "pass"])
def test_no_word_stands_on_the_sign_at_the_head_of_an_upright(pen, kind, monkeypatch):
    """The curve's word would best stand there, just below the top of the panel."""
    placed = []

    def seen(boxes, room, fixed=(), lines=()):
        shifts = place_words(boxes, room, fixed, lines)
        placed.extend(moved(box, shift) for box, shift in zip(boxes, shifts, strict=True) if shift)
        return shifts

    monkeypatch.setattr(pen, "place_words", seen)
    signs = []
    found = pen._sign_boxes
    monkeypatch.setattr(
        pen, "_sign_boxes", lambda *given: signs.extend(found(*given)) or list(signs)
    )
    x, y = np.array([0.0, 20.0, 40.0]), np.full(3, 9.3)
    curve = Curve("incoming", x, y, word="robin, incoming", word_at=1)
    panel = Panel(make_scale("speed, m/s", 0.0, 10.0), (curve,))
    upright = Upright("plain", 20.0, kind=kind)
    axis = make_scale("place, m", -10.0, 40.0)
    drawn = Figure("a title", "what it says", axis, (panel,), uprights=(upright,))
    if pen is slides:
        slides.draw_slide(drawn, "png")
    else:
        page_svg.draw_svg(drawn)
    assert len(signs) == 1
    assert placed
    assert not any(overlap(one, signs[0]) for one in placed)
