"""Running orders on one plane: the tables' numbers where they belong, and a title that tells."""

import pytest
from hostile_names import HOSTILE
from hypothesis import given, settings
from hypothesis import strategies as st
from random_tables import random_table

from pipeline.show.figures import page_svg, slides
from pipeline.show.figures.figure import Dot, Smear
from pipeline.show.figures.order_plane import MOST_NUMBERED, order_plane_figure

NAMES = ("robin", "wren", "finch", "jay")


def order_row(rank, time_s=43.8, p_legal=0.9, loss_s=None, names=NAMES, **more):
    legs = dict(zip(("leg1", "leg2", "leg3", "leg4"), names, strict=True))
    row = {"event": "4x100", "lane": 4, "rank": rank, "time_s": time_s, "time_sd_s": 0.4}
    row |= {
        "p_best": 0.3,
        "p_legal": p_legal,
        "loss_s": 44.0 + 0.1 * rank if loss_s is None else loss_s,
    }
    return row | legs | more


def dots(figure):
    return [item for item in figure.panels[0].items if isinstance(item, Dot)]


def test_each_order_is_a_point_with_its_interval_and_the_chosen_one_has_its_runners_names():
    rows = [order_row(k, 43.7 + 0.1 * k, 0.9 - 0.05 * k) for k in (3, 1, 2)]
    figure = order_plane_figure(rows)
    found = {(round(dot.x, 6), round(dot.y, 6)): dot for dot in dots(figure)}
    assert set(found) == {(round(r["time_s"], 6), round(100 * r["p_legal"], 6)) for r in rows}
    assert [dot.word for dot in dots(figure)] == ["3", "2", "1: robin, wren, finch, jay"]
    assert [dot.x_sd for dot in dots(figure)] == [0.4, 0.4, None]
    (smear,) = [item for item in figure.panels[0].items if isinstance(item, Smear)]
    assert (smear.x, smear.sd, smear.y) == (pytest.approx(43.8), 0.4, pytest.approx(85.0))
    assert figure.x.low < 43.4
    assert figure.x.high > 44.4


@pytest.mark.parametrize(
    ("losses", "words"),
    [
        ((44.0, 44.3), "robin, wren, finch, jay leads by 0.30 s: 43.80 s"),
        ((44.0, 44.02, 44.03, 44.4), "is level with 2 others: 43.80 s"),
        ((44.0,), "robin, wren, finch, jay: 43.80 s"),
    ],
)
def test_the_title_says_how_far_ahead_the_order_is(losses, words):
    rows = [order_row(k, loss_s=loss) for k, loss in enumerate(losses, 1)]
    title = order_plane_figure(rows).title
    assert words in title
    assert title.endswith("all three passes in their zones 9 in 10")


def test_another_order_than_the_first_may_be_the_chosen_one():
    rows = [order_row(1, loss_s=44.0), order_row(2, loss_s=44.4, names=NAMES[::-1])]
    figure = order_plane_figure(rows, chosen_rank=2)
    assert figure.title.startswith("jay, finch, wren, robin is 0.40 s behind the best order: ")
    assert dots(figure)[-1].word == "2: jay, finch, wren, robin"


def test_of_many_orders_the_first_are_numbered_and_the_notes_say_so():
    figure = order_plane_figure([order_row(k, 43.0 + 0.01 * k) for k in range(1, 25)])
    assert sorted(int(dot.word) for dot in dots(figure)[:-1] if dot.word) == [
        *range(2, MOST_NUMBERED + 1)
    ]
    assert f"first {MOST_NUMBERED}" in figure.notes[-1]


def test_no_order_makes_no_figure():
    assert order_plane_figure([]) is None


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 30))
def test_any_table_is_drawn_with_its_points_inside_the_axes(seed, rows):
    table = random_table("orders", rows=rows, seed=seed).to_pylist()
    figure = order_plane_figure(table)
    (panel,) = figure.panels
    for dot in dots(figure):
        assert figure.x.low <= dot.x <= figure.x.high
        assert panel.y.low <= dot.y <= panel.y.high
    page_svg.draw_svg(figure)


def test_hostile_names_are_text_in_both_pens():
    rows = [order_row(k, names=HOSTILE[k : k + 4]) for k in range(5)]
    figure = order_plane_figure(rows)
    assert "<script" not in page_svg.ET.tostring(page_svg.draw_svg(figure), encoding="unicode")
    assert slides.draw_slide(figure, "png")
