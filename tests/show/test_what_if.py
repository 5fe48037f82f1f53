"""What if the tape lay elsewhere: the tables' passes at each mark, and what would change."""

import numpy as np
import pytest
from hostile_names import HOSTILE
from hypothesis import given, settings
from hypothesis import strategies as st
from pair_weeks import mark_rows
from random_tables import random_table

from pipeline.base.words import chance_in_words
from pipeline.show.figures import page_svg, slides
from pipeline.show.figures.candidates import mark_choices
from pipeline.show.figures.figure import Caption, Smear
from pipeline.show.figures.placing import width_em
from pipeline.show.figures.what_if import what_if_figure

FOOT_M = 0.3


def marks(**more):
    """Candidates from 8 to 11 m, half a foot apart, 9.8 m advised; passes come later with the mark
    farther off."""
    rows = mark_rows(**more)
    for k, row in enumerate(rows):
        row |= {"p_in_zone": 0.999 - 0.02 * k, "p_ran_into": 0.5 - 0.02 * k}
        row |= {"pass_m": 8.0 + k, "pass_sd_m": 0.3, "pass_spread_m": 0.4, "zone_time_s": 3.2}
    return rows


def in_use(mark_m):
    return random_table("progress", rows=1).to_pylist()[0] | {"mark_m": mark_m}


def drawn(figure, kind):
    return [item for item in figure.panels[0].items if isinstance(item, kind)]


def words(figure):
    return [item.text for item in drawn(figure, Caption) if item.strong]


def test_each_mark_s_passes_are_smeared_where_the_table_has_them():
    figure = what_if_figure(marks(), in_use(8.6), 30.0, by_sight=False)
    assert [text.split(":")[0] for text in words(figure)] == [
        "in use", "advised", "one foot nearer", "one foot farther",
    ]  # fmt: skip
    smears = drawn(figure, Smear)
    assert [smear.x for smear in smears] == pytest.approx([12.0, 20.0, 18.0, 22.0])
    assert {round(smear.sd, 9) for smear in smears} == {0.5}  # of both errors together
    assert [smear.ink for smear in smears].index("incoming") == 1
    assert figure.x.low < 0.0
    assert figure.x.high > 30.0


def test_between_candidates_it_is_linear_and_beyond_them_it_is_left_out_and_said():
    same = marks()
    (between,) = [one for one in mark_choices(same, 8.675) if one.name == "in use"]
    assert between.pass_m == pytest.approx(12.5)
    assert between.p_in_zone == pytest.approx(np.mean([same[4]["p_in_zone"], same[5]["p_in_zone"]]))
    figure = what_if_figure(same, in_use(14.0), 30.0, by_sight=False)
    assert not [text for text in words(figure) if text.startswith("in use")]
    assert "The mark in use, 46½ feet (14.00\N{NO-BREAK SPACE}m), lies beyond" in figure.notes[-1]


def test_beside_each_mark_stand_its_chances_in_words():
    same = marks()
    plain = [item.text for item in drawn(what_if_figure(same, None, 30.0, by_sight=False), Caption)]
    assert f"{chance_in_words(same[12]['p_in_zone'])} pass in the zone" in plain
    assert f"{chance_in_words(same[12]['p_ran_into'])} run into each other" in plain


def test_a_mark_in_use_that_is_the_one_advised_has_one_row():
    figure = what_if_figure(marks(), in_use(9.85), 30.0, by_sight=False)
    assert words(figure)[0].startswith("in use and advised: 32½ feet (9.80")
    assert len(words(figure)) == 3


@pytest.mark.parametrize(
    ("used", "title"),
    [
        (8.6, "robin to wren, 4 feet farther: 8 in 10 pass in the zone instead of 9 in 10, but 3 "
         "in 10 run into each other instead of 4 in 10"),
        (None, "robin to wren, advised: 8 in 10 pass in the zone and 3 in 10 run into each other; "
         "one foot nearer: 8 in 10 and 3 in 10; one foot farther: 7 in 10 and 2 in 10"),
    ],
)  # fmt: skip
def test_the_title_says_what_another_mark_would_do(used, title):
    progress = None if used is None else in_use(used)
    assert what_if_figure(marks(), progress, 30.0, by_sight=False).title == title


def test_where_the_chances_are_as_good_as_the_same_the_time_is_said():
    rows = marks()
    for k, row in enumerate(rows):
        row |= {"p_in_zone": 0.9, "p_ran_into": 0.1, "zone_time_s": 3.2 - 0.01 * k}
    title = what_if_figure(rows, in_use(8.6), 30.0, by_sight=False).title
    assert title == "robin to wren, 4 feet farther: 0.08 s faster, as safe"


def test_in_a_change_by_sight_the_words_say_when_to_go():
    figure = what_if_figure(marks(), None, 20.0, by_sight=True)
    assert figure.panels[0].y.label == "goes when the other is before the back line by"


def test_without_a_known_foot_the_step_is_in_metres():
    figure = what_if_figure(marks(mark_feet=None), None, 30.0, by_sight=False)
    assert words(figure)[1:] == [
        "0.3 m nearer: 9.50\N{NO-BREAK SPACE}m", "0.3 m farther: 10.10\N{NO-BREAK SPACE}m",
    ]  # fmt: skip


@pytest.mark.parametrize("rows", [[], mark_rows(advised=None), mark_rows(n=1, advised=0)])
def test_too_few_marks_make_no_figure(rows):
    assert what_if_figure(rows, None, 30.0, by_sight=False) is None


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 20), st.sampled_from(HOSTILE), st.sampled_from([None, 0.0, 8.3, 99.0]))
def test_any_rows_are_drawn_and_hostile_names_are_text(advised, name, used):
    rows = mark_rows(advised=advised, incoming=name, outgoing=name[::-1])
    progress = None if used is None else in_use(used)
    figure = what_if_figure(rows, progress, 30.0, by_sight=False)
    assert np.isfinite([figure.x.low, figure.x.high]).all()
    assert "<script" not in page_svg.ET.tostring(page_svg.draw_svg(figure), encoding="unicode")


def test_a_slide_of_it_is_drawn():
    assert slides.draw_slide(what_if_figure(marks(), None, 30.0, by_sight=False), "png")


@pytest.mark.parametrize("chance", [0.0, 0.04, 0.098, 0.11, 0.5, 0.893, 0.91, 0.99, 1.0])
def test_every_line_fits_the_page_where_type_is_largest(chance):
    rows = marks(p_in_zone=0.5)
    for row in rows:
        row |= {"p_in_zone": chance, "p_ran_into": chance}
    figure = what_if_figure(rows, in_use(8.6), 30.0, by_sight=True)
    for caption in drawn(figure, Caption):
        wide = page_svg.TYPE * width_em(caption.text, bold=caption.strong)
        assert wide <= page_svg.WIDTH - page_svg.LEFT
