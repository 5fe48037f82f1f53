"""Figures as SVG elements: each thing lies where its numbers say, words lie free, nothing acts."""

import importlib.resources
import itertools
import re
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.show.figures import page_svg
from pipeline.show.figures.figure import (
    INKS,
    PAPER,
    UPRIGHTS,
    ZONE,
    Bracket,
    Curve,
    Dot,
    Figure,
    Panel,
    Span,
    Upright,
    make_scale,
    range_around,
)
from pipeline.show.figures.placing import width_em


def figure(*items, uprights=(), spans=(), low=-10.0, high=40.0, top=10.0, **more):
    panel = Panel(make_scale("speed, m/s", 0.0, top), tuple(items))
    return Figure("a title", "what it says", make_scale("place, m", low, high), (panel,), uprights,
                  spans, **more)  # fmt: skip


def axes(svg):
    low, high, left, right = map(float, svg.get("data-x").split())
    bottom_value, top_value, bottom, top = map(float, svg.get("data-y").split()[:4])

    def back(x, y):
        return (
            low + (x - left) / (right - left) * (high - low),
            bottom_value + (y - bottom) / (top - bottom) * (top_value - bottom_value),
        )

    return back


def points(path):
    """A polyline's points, from its moves and relative lines."""
    found = []
    for part in re.findall(r"M[^M]*", path.get("d")):
        start, _, steps = part[1:].rstrip("z").partition("l")
        numbers = np.array((start + " " + steps).split(), dtype=float).reshape(-1, 2)
        found.append(np.cumsum(numbers, axis=0))
    return found


def with_class(svg, word):
    return [part for part in svg.iter() if word in part.get("class", "").split()]


# --- where things lie ---------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 400))
def test_a_drawn_curve_stays_within_the_tolerance_of_every_row(seed, rows):
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(-10.0, 40.0, rows))
    y = 5.0 + np.cumsum(rng.normal(0.0, 0.05, rows))
    y = np.clip(y, 0.0, 10.0)
    svg = page_svg.draw_svg(figure(Curve("incoming", x, y)))
    (path,) = with_class(svg, "curve")
    (drawn,) = points(path)
    back = axes(svg)
    at = np.array([back(*point) for point in drawn])
    unit = 50.0 / (page_svg.WIDTH - page_svg.LEFT - page_svg.RIGHT), 10.0 / page_svg.PANEL
    # the way from each row to the polyline, in the picture's units
    from_rows = np.column_stack([x / unit[0], y / unit[1]])
    line = at / np.array(unit)
    a, b = line[:-1], line[1:]
    length = np.maximum(((b - a) ** 2).sum(axis=1), 1e-12)
    part = ((from_rows[:, None] - a) * (b - a)).sum(axis=2) / length
    nearest = a + np.clip(part, 0.0, 1.0)[..., None] * (b - a)
    off = np.hypot(*np.moveaxis(from_rows[:, None] - nearest, -1, 0)).min(axis=1)
    assert off.max() < page_svg.TOLERANCE + 0.11  # and the rounding to tenths
    assert len(drawn) <= rows


def test_a_pen_lifted_leaves_a_gap():
    x = np.linspace(0.0, 30.0, 61)
    svg = page_svg.draw_svg(figure(Curve("baton", x, np.where(x < 15.0, 9.0, 8.0), breaks=(30,))))
    first, second = points(with_class(svg, "curve")[0])
    assert first[-1, 0] < second[0, 0]
    assert len({round(y, 1) for y in first[:, 1]}) == len({round(y, 1) for y in second[:, 1]}) == 1


def test_a_band_lies_one_standard_error_about_its_curve():
    x = np.linspace(0.0, 30.0, 31)
    svg = page_svg.draw_svg(figure(Curve("incoming", x, np.full(31, 5.0), sd=np.full(31, 0.8))))
    (band,) = points(with_class(svg, "band")[0])
    back = axes(svg)
    levels = {round(back(*point)[1], 1) for point in band}
    assert levels == {4.2, 5.8}


def test_dots_bars_and_brackets_lie_at_their_numbers():
    svg = page_svg.draw_svg(
        figure(
            Dot("plain", 18.0, 6.0, full=False, x_sd=1.5, y_sd=0.5),
            Bracket(17.0, 9.0, 18.3, 8.0, "1.3 m"),
        )
    )
    back = axes(svg)
    bars = np.array(re.findall(r"-?[\d.]+", with_class(svg, "bars")[0].get("d")), dtype=float)
    left, y, right, x, low, high = bars
    assert back(left, y) == pytest.approx((16.5, 6.0), abs=0.06)
    assert back(right, y)[0] == pytest.approx(19.5, abs=0.06)
    assert sorted(back(x, v)[1] for v in (low, high)) == pytest.approx([5.5, 6.5], abs=0.06)
    x0, _, _, x1, _ = map(float, re.findall(r"-?[\d.]+", with_class(svg, "bracket")[0].get("d")))
    assert back(x1, 0)[0] - back(x0, 0)[0] == pytest.approx(1.3, abs=0.06)


def test_what_is_inferred_is_hollow_or_dashed_and_what_was_seen_is_not():
    def kinds(full):
        svg = page_svg.draw_svg(
            figure(
                Dot("plain", 18.0, 6.0, full=full),
                uprights=(Upright("plain", 18.0, "pass", dashed=not full),),
            )
        )
        return len(with_class(svg, "hollow")), len(with_class(svg, "dashed"))

    assert kinds(full=True) == (0, 0)
    assert kinds(full=False) == (1, 1)


def test_what_lies_outside_the_axes_is_not_drawn_outside():
    svg = page_svg.draw_svg(
        figure(
            Dot("plain", 39.0, 6.0, x_sd=10.0),
            Curve("plain", np.array([0.0, 20.0]), np.array([9.5, 9.5]), sd=np.array([3.0, 3.0])),
            uprights=(Upright("plain", 55.0, "far"), Upright("plain", 38.0, "pass", x_sd=9.0)),
            spans=(Span(30.0, 70.0),),
        )
    )
    assert "far" not in "".join(svg.itertext())
    for rect in svg.iter("rect"):
        assert (
            float(rect.get("x")) + float(rect.get("width")) <= page_svg.WIDTH - page_svg.RIGHT + 0.1
        )
    right, top = page_svg.WIDTH - page_svg.RIGHT, float(svg.get("data-y").split()[3])
    (around,) = [p.get("d") for p in with_class(svg, "band") if "faint" in p.get("class")]
    assert max(float(x) for x in re.findall(r"H([\d.]+)", around)) <= right + 0.1
    (band,) = points(next(p for p in with_class(svg, "band") if "faint" not in p.get("class")))
    assert band[:, 1].min() >= top - 0.1


# --- words ---------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-10.0, 40.0), min_size=1, max_size=7))
def test_words_over_the_panels_lie_apart_and_inside(places):
    uprights = tuple(Upright("plain", x, f"word{k}") for k, x in enumerate(places))
    svg = page_svg.draw_svg(figure(uprights=uprights))
    words = [t for t in with_class(svg, "word") if (t.text or "").startswith("word")]
    assert len(words) == len(places)
    half = 0.56 * page_svg.TYPE * 5 / 2
    boxes = sorted((float(t.get("y")), float(t.get("x"))) for t in words)
    for (y0, x0), (y1, x1) in itertools.pairwise(boxes):
        assert abs(y1 - y0) >= page_svg.ROW - 0.1 or x1 - x0 >= 2 * half - 0.2
    top = float(svg.get("viewBox").split()[1])
    for y, x in boxes:
        assert half - 0.2 <= x <= page_svg.WIDTH - half + 0.2
        assert y >= top + 8.0


def test_every_word_of_a_figure_is_in_the_picture():
    svg = page_svg.draw_svg(
        figure(
            Curve("incoming", np.array([0.0, 30.0]), np.array([9.0, 9.0]), word="robin <b>"),
            Span(2.0, 3.0, "ground"),
            spans=(Span(0.0, 30.0, "zone, 30 m"),),
            uprights=(Upright("quiet", 3.0, "go"),),
        )
    )
    text = list(svg.itertext())
    assert {"robin <b>", "ground", "zone, 30 m", "go", "place, m"} <= set(text)
    assert svg.get("aria-label") == "a title. what it says"
    assert "robin &lt;b&gt;" in ET.tostring(svg, encoding="unicode")


def test_the_reps_of_a_figure_are_groups():
    items = [Dot("plain", float(k), 5.0, rep=k % 3) for k in range(9)]
    groups = [g for g in page_svg.draw_svg(figure(*items)).iter("g") if g.get("data-rep")]
    assert [group.get("data-rep") for group in groups] == ["0", "1", "2"]
    assert [len(group) for group in groups] == [3, 3, 3]


def test_figures_with_the_same_axes_have_the_same_frame_whatever_stands_on_them():
    x = np.linspace(0.0, 30.0, 61)
    plain, full = (
        page_svg.draw_svg(one)
        for one in (
            figure(spans=(Span(0.0, 30.0, "zone"),)),
            figure(
                Curve("incoming", x, np.full(61, 9.0)),
                uprights=tuple(Upright("plain", k, "word") for k in (1.0, 2.0, 3.0)),
                spans=(Span(0.0, 30.0, "zone"),),
            ),
        )
    )
    frames = [ET.tostring(with_class(one, page_svg.FRAME)[0]) for one in (plain, full)]
    assert frames[0] == frames[1]
    other = page_svg.draw_svg(figure(top=12.0))
    assert ET.tostring(with_class(other, page_svg.FRAME)[0]) not in frames


def test_a_live_curve_names_its_reading_and_holds_no_points():
    x = np.linspace(0.0, 30.0, 61)
    sd, signs = np.full(61, 0.1), np.array([[5.0, 9.0]])
    curve = Curve("incoming", x, np.full(61, 9.0), sd=sd, signs=signs, word="robin", reading="in")

    def drawn(live):
        svg = page_svg.draw_svg(figure(curve), live=live)
        paths = [part for part in svg.iter("path") if "ink-incoming" in part.get("class")]
        kinds = ("data-band", "data-reading", "data-signs")
        names = [next(filter(None, map(part.get, kinds)), None) for part in paths]
        words = [t.text for t in svg.iter("text")]
        return [part.get("d") is not None for part in paths], names, words

    points_there, names, words = drawn("none")
    assert (points_there, names) == ([True] * 3, [None] * 3)
    assert drawn("errors") == ([False, True, False], ["in", None, "in"], words)
    assert drawn("all") == ([False] * 3, ["in"] * 3, words)


# --- inks and axes -------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = np.array([int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("ink", sorted(INKS))
def test_inks_stand_out_from_paper_and_zone(ink, theme):
    # WCAG 2.2: 4.5 : 1 for words (1.4.3), 3 : 1 for what a picture needs (1.4.11)
    colour = getattr(INKS[ink], theme)
    assert contrast(colour, PAPER[theme]) >= 4.5
    assert contrast(colour, ZONE[theme]) >= 4.5


def test_the_baton_s_own_speed_is_a_double_line_and_no_other_curve_is():
    assert [name for name, ink in INKS.items() if ink.core] == ["baton"]
    x = np.linspace(0.0, 30.0, 61)
    svg = page_svg.draw_svg(figure(Curve("baton", x, np.full(61, 9.0))))
    outer, core = with_class(svg, "ink-baton")
    assert outer.get("d") == core.get("d")
    assert "core" in core.get("class").split()
    assert ".core.ink-baton{stroke:var(--paper)" in page_svg.ink_rules()


def test_uprights_of_different_kinds_have_different_signs_and_widths():
    looks = [(look.width, look.sign) for kind, look in UPRIGHTS.items() if kind != "used"]
    assert len(set(looks)) == len(looks)
    drawn = {
        kind: with_class(
            page_svg.draw_svg(figure(uprights=(Upright("plain", 10.0, "x", kind=kind),))), "upright"
        )
        for kind in UPRIGHTS
    }
    for kind, (path,) in drawn.items():
        assert kind in path.get("class").split()
        assert path.get("d").count("M") == 1 + len(UPRIGHTS[kind].sign)
        assert f".upright.{kind}{{stroke-width" in page_svg.ink_rules()


def test_the_sign_of_an_inferred_upright_is_not_dashed():
    line = Upright("plain", 10.0, "pass", dashed=True, kind="pass")
    dashed, sign = with_class(page_svg.draw_svg(figure(uprights=(line,))), "upright")
    assert "dashed" in dashed.get("class").split()
    assert "dashed" not in sign.get("class").split()


# Machado, Oliveira & Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, severity 1.0;
# matrices from the authors' table, from memory.
BLINDNESS = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("kind", sorted(BLINDNESS))
def test_the_two_runners_differ_for_every_kind_of_colour_vision(kind, theme):
    def seen(colour):
        parts = np.array([int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)])
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return np.clip(np.array(BLINDNESS[kind]) @ linear, 0.0, 1.0)

    incoming, outgoing = (seen(getattr(INKS[ink], theme)) for ink in ("incoming", "outgoing"))
    assert np.abs(incoming - outgoing).max() > 0.15
    assert INKS["incoming"].sign != INKS["outgoing"].sign  # and without any colour


@settings(max_examples=60, deadline=None)
@given(st.floats(-1e3, 1e3), st.floats(1e-3, 1e3), st.integers(5, 12))
def test_axes_are_numbered_at_even_steps_inside(low, length, at_most):
    found = make_scale("x", low, low + length, at_most)
    assert 2 <= len(found.ticks) <= at_most + 1
    steps = np.diff(found.ticks)
    np.testing.assert_allclose(steps, steps[0], rtol=1e-6)
    assert found.ticks[0] >= low - 1e-6 * length
    assert found.ticks[-1] <= low + length * (1 + 1e-6)


def test_an_axis_of_one_value_or_none_still_has_a_length():
    for values in ([], [3.0], [3.0, 3.0], [float("nan")]):
        low, high = range_around(values)
        assert high > low
        assert make_scale("x", low, high).high > low
    assert make_scale("x", 2.0, 2.0).high > make_scale("x", 2.0, 2.0).low


def test_no_rule_for_what_figures_share_asks_what_it_stands_in():
    # what is used from elsewhere is matched where it stands first, without the figure around it
    for name in ("page.css", "print.css"):
        style = importlib.resources.files("pipeline.show.page").joinpath(name).read_text()
        assert not re.search(r"\bsvg (text|\.tick|\.quiet|\.label|\.word)", style)


# --- words and words ------------------------------------------------------------------------------

x_places, y_places = st.floats(-10.0, 40.0), st.floats(0.0, 10.0)
some_word = st.text(alphabet="abgWm ,.12é東م", min_size=1, max_size=14).filter(str.strip)
some_item = st.one_of(
    st.builds(
        lambda x, y, end, word, above: Curve(
            "incoming", np.array([x, 40.0]), np.array([y, end]), word=word, above=above
        ),
        st.floats(-10.0, 39.0), y_places, y_places, some_word, st.booleans(),
    ),
    st.builds(lambda x, y, word: Dot("plain", x, y, word=word), x_places, y_places, some_word),
    st.builds(lambda x, y, word: Bracket(x, y, x + 1.0, y, word), x_places, y_places, some_word),
)  # fmt: skip


def text_boxes(svg):
    """The box of each text with its words; type is as large as on a telephone."""
    for text in svg.iter("text"):
        kind = text.get("class").split()
        size = page_svg.TYPE if "tick" not in kind and "quiet" not in kind else page_svg.TYPE - 1.0
        wide = size * width_em(text.text, bold="word" in kind) * 0.97
        part = {"at-start": 0.0, "at-middle": 0.5, "at-end": 1.0}[kind[-1]]
        left, foot = float(text.get("x")) - part * wide, float(text.get("y"))
        below = 0.0 if "tick" in kind else 0.2  # figures reach no farther down than their line
        yield text.text, left, foot - 0.72 * size, left + wide, foot + below * size


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(some_item, max_size=6), min_size=1, max_size=3),
    st.lists(st.tuples(x_places, some_word), max_size=5),
)
def test_no_two_words_of_any_figure_overlap(panels, uprights):
    whole = Figure(
        "a title", "what it says", make_scale("place, m", -10.0, 40.0),
        tuple(Panel(make_scale("speed, m/s", 0.0, 10.0), tuple(items)) for items in panels),
        tuple(Upright("plain", x, word) for x, word in uprights), (Span(0.0, 30.0, "zone, 30 m"),),
    )  # fmt: skip
    boxes = list(text_boxes(page_svg.draw_svg(whole)))
    for (a, *one), (b, *two) in itertools.combinations(boxes, 2):
        apart = one[2] <= two[0] or two[2] <= one[0] or one[3] <= two[1] or two[3] <= one[1]
        assert apart, (a, one, b, two)


def test_words_stand_on_top_of_lines_and_outside_the_groups_of_takeovers():
    curve = Curve("incoming", np.array([0.0, 30.0]), np.array([9.0, 9.0]), word="incoming", rep=0)
    svg = page_svg.draw_svg(figure(curve))
    assert svg[-1].text == "incoming"


def test_no_upright_strikes_through_the_label_of_a_panel():
    path = with_class(
        page_svg.draw_svg(figure(uprights=(Upright("plain", -9.0, "mark"),))), "upright"
    )
    top = page_svg.HEAD
    starts = [float(part.split()[1].split("V")[0]) for part in path[0].get("d").split("M")[1:]]
    assert starts == [top]
