"""Slides: the figure's words and things in a picture, inside it, the same bytes each time."""

import functools
import io
import itertools
import re
import struct
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
import squads
from hostile_names import HOSTILE
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure as Canvas
from pair_weeks import mark_rows, weeks
from PIL import Image

from pipeline.show import scenes
from pipeline.show.figures import history, overlays, risk, slides
from pipeline.show.figures.figure import (
    PAPER,
    Bracket,
    Curve,
    Dot,
    Figure,
    Panel,
    Span,
    Upright,
    figure_words,
    make_scale,
)
from pipeline.show.markup import keep_order, plain_text


@functools.cache
def figures():
    lake, _, _ = squads.lake(3, n_runners=4, evenings=1, reps=10)
    several = scenes.read_scenes(lake.exchanges, lake.curves)
    passed = next(one for one in several if one.passed)
    missed = next((one for one in several if not one.passed), passed)
    return {
        "zone": overlays.takeover_overlay(passed, "zone"),
        "clock": overlays.takeover_overlay(passed, "clock"),
        "not passed": overlays.takeover_overlay(missed, "zone"),
        "laid over": overlays.pair_overlay(several, "zone"),
        "history": history.history_figure(weeks()),
        "risk": risk.risk_figure(mark_rows()),
    }


NAMES = ("zone", "clock", "not passed", "laid over", "history", "risk")


def small(*items, word="robin", **more):
    panel = Panel(make_scale("speed, m/s", 0.0, 10.0), items)
    return Figure(
        f"{word} to wren", "what it says", make_scale("place, m", -10.0, 40.0), (panel,), **more
    )


def words(svg: bytes) -> list[str]:
    return [t for t in ET.fromstring(svg).itertext() if t.strip()]


@pytest.mark.parametrize("name", NAMES)
def test_a_png_is_a_slide_and_the_same_each_time(name):
    first = slides.draw_slide(figures()[name], "png")
    assert struct.unpack(">II", first[16:24]) == (1920, 1080)
    assert first == slides.draw_slide(figures()[name], "png")


@pytest.mark.parametrize("name", NAMES)
def test_an_svg_holds_the_words_as_text_and_is_the_same_each_time(name):
    figure = figures()[name]
    svg = slides.draw_slide(figure, "svg")
    assert svg == slides.draw_slide(figure, "svg")
    text = " ".join(words(svg))
    assert figure.title in text
    assert figure.x.label in text
    for panel in figure.panels:
        assert panel.y.label in text
    for upright in figure.uprights:
        assert upright.word in text
    # notes are folded at the slide's width
    assert " ".join(" ".join(figure.notes).split()[:4]) in text
    assert figure.description in svg.decode("utf-8").replace("&#39;", "'").replace("&apos;", "'")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("dark", [False, True])
def test_no_word_leaves_the_slide_and_words_over_the_panels_lie_apart(name, dark):
    check_words(figures()[name], dark=dark)


def check_words(figure, *, dark=False):
    """Every word stands on the slide, and none on another."""
    boxes = word_boxes(figure, dark=dark)
    for text, box in boxes:
        where = f"{text!r} {box}"
        assert box.x0 >= -1 and box.y0 >= -1, where  # noqa: PT018 - one box
        assert box.x1 <= 1921 and box.y1 <= 1081, where  # noqa: PT018
    for (text, one), (other, two) in itertools.combinations(boxes, 2):
        across = min(one.x1, two.x1) - max(one.x0, two.x0)
        up = min(one.y1, two.y1) - max(one.y0, two.y0)
        # an accent or a tail may reach a little into the next line's room
        assert across <= 1.0 or up <= 6.0, (text, one, other, two)


def word_boxes(figure, *, dark=False):
    """Each word of a slide with its place in dots."""
    look = slides._Look("dark" if dark else "light")
    with slides._matplotlib_settings(look, " ".join(figure_words(figure))):
        canvas = Canvas(figsize=(slides.WIDE_IN, slides.HIGH_IN), dpi=slides.DOTS)
        agg = FigureCanvasAgg(canvas)
        slides._compose_slide(canvas, figure, look)
        agg.draw()
        renderer = agg.get_renderer()
        texts = [
            t
            for t in canvas.findobj(mpl.text.Text)
            if t.get_text() and t.get_visible() and t.get_label() != slides.HALO
        ]
        return [(t.get_text(), t.get_window_extent(renderer)) for t in texts]


@pytest.mark.parametrize("dark", [False, True])
def test_the_paper_is_light_or_dark(dark):
    picture = Image.open(io.BytesIO(slides.draw_slide(figures()["zone"], "png", dark=dark)))
    corner = picture.convert("RGB").getpixel((3, 3))
    assert "#{:02x}{:02x}{:02x}".format(*corner) == PAPER["dark" if dark else "light"]


@pytest.mark.parametrize(
    "name", [*HOSTILE, "$x_1$ \\alpha", "a_b^c", "snow \N{SNOWMAN} \N{GRINNING FACE}"]
)
def test_any_name_is_text(name, capfd):
    word = plain_text(name)[:30]
    curve = Curve("incoming", np.array([0.0, 30.0]), np.array([9.0, 8.0]), word=word)
    svg = slides.draw_slide(small(curve, word=word), "svg")
    assert word in words(svg)
    tags = {part.tag.rsplit("}")[-1] for part in ET.fromstring(svg).iter()}
    assert not tags & {"script", "image", "foreignObject", "a", "img"}
    slides.draw_slide(small(curve, word=word), "png")
    assert capfd.readouterr() == ("", "")


def test_what_is_inferred_looks_different():
    def drawn(full):
        return slides.draw_slide(
            small(
                Dot("plain", 18.0, 6.0, full=full),
                uprights=(Upright("plain", 18.0, "pass", dashed=not full),),
            ),
            "svg",
        ).decode()

    assert drawn(full=False).count("stroke-dasharray: 6") > 0  # widths of 1.6 pt make dashes of 6.4
    assert not re.search(r"stroke-dasharray: [1-9]", drawn(full=True))
    assert drawn(full=True) != drawn(full=False)


@pytest.mark.parametrize(
    "item",
    [
        Curve("incoming", np.array([0.0, 30.0]), np.array([9.0, 8.0]), sd=np.array([0.5, 0.5])),
        Curve("baton", np.arange(4.0), np.array([9.0, 9.0, 8.0, 8.0]), breaks=(2,)),
        Dot("plain", 18.0, 6.0, x_sd=1.0, y_sd=0.5, word="1.3 m"),
        Bracket(17.0, 9.0, 18.3, 8.0, "1.3 m"),
        Span(2.0, 4.0, "zone"),
    ],
    ids=lambda item: type(item).__name__,
)
def test_every_kind_of_thing_is_drawn(item):
    bare, full = (slides.draw_slide(small(*given), "svg") for given in ((), (item,)))
    assert len(full) > len(bare) + 200
    word = getattr(item, "word", "")
    assert not word or word in words(full)


def test_matplotlib_s_own_settings_are_left_alone():
    before = dict(mpl.rcParams)
    slides.draw_slide(figures()["zone"], "png")
    assert dict(mpl.rcParams) == before


# --- room -----------------------------------------------------------------------------------------


def axes_of(figure):
    look = slides._Look("light")
    with slides._matplotlib_settings(look):
        canvas = Canvas(figsize=(slides.WIDE_IN, slides.HIGH_IN), dpi=slides.DOTS)
        FigureCanvasAgg(canvas)
        slides._compose_slide(canvas, figure, look)
        return [ax.get_position() for ax in canvas.axes]


@pytest.mark.parametrize("many", [0, 10, 60, 3000])
def test_notes_and_title_of_any_length_leave_the_axes_their_room(many):
    curve = Curve("incoming", np.array([0.0, 30.0]), np.array([9.0, 8.0]), word="robin")
    notes = ("It says what there is to say. " * many, "w" * many)
    figure = small(curve, word="robin " * (1 + many // 10), notes=notes)
    check_words(figure)
    (place,) = axes_of(figure)
    assert place.height > 0.4
    svg = words(slides.draw_slide(figure, "svg"))
    assert (svg[-1].endswith("…") or "…" in " ".join(svg)) is (many > 20)


def test_the_caption_of_a_risk_in_a_change_by_sight_lies_below_its_axis():
    rows = mark_rows(event="4x400", remarks=["a remark on the mark that takes a line " * 3] * 4)
    check_words(risk.risk_figure(rows))


names = st.text(alphabet="abgWm ,é東م", min_size=1, max_size=14).filter(str.strip)


@settings(max_examples=6, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-10, 40), st.floats(0, 10), names), min_size=1, max_size=7),
    st.lists(st.tuples(st.floats(-10, 40), names), max_size=4),
)
def test_no_two_words_of_any_slide_overlap(dots, uprights):
    items = [
        Dot("plain", x, y, word=word)
        if k % 2
        else Curve("incoming", np.array([x, 40.0]), np.array([y, 5.0]), word=word)
        for k, (x, y, word) in enumerate(dots)
    ]
    lines = tuple(Upright("plain", x, word) for x, word in uprights)
    check_words(small(*items, uprights=lines, spans=(Span(0.0, 30.0, "zone"),)))


# --- letters --------------------------------------------------------------------------------------


def test_arabic_letters_are_joined_and_keep_their_place_in_the_line():
    with slides._matplotlib_settings(slides._Look("light"), "محمد"):
        apart = sum(slides._text_width(letter, 20.0, bold=False) for letter in "محمد")
        assert slides._text_width("محمد", 20.0, bold=False) < apart - 0.5
    assert keep_order("wren to محمد, 12") == "\u200ewren to محمد\u200e, 12"
    assert keep_order("محمد علي, نور") == "\u200eمحمد علي\u200e, نور\u200e"
    assert keep_order("robin") == "robin"


def test_letters_that_no_installed_font_has_are_told():
    assert slides.unknown_letters(small(word="robin, محمد, jürgen")) == ""
    old = "\U00016a40\U00016a41"
    assert slides.unknown_letters(small(word=f"robin {old}")) == old


def test_a_font_that_has_the_letters_is_taken_where_one_is_installed(monkeypatch):
    def has(file):
        return {0x6771} if "DejaVuSerif" in file else set(map(ord, "robin"))

    monkeypatch.setattr(slides, "_font_letters", has)
    families, missing = slides._find_fonts("robin 東京")
    assert families[-1] == "DejaVu Serif"
    assert missing == "京"


def test_words_have_a_halo_and_no_box_behind_them():
    curve = Curve("incoming", np.array([0.0, 30.0]), np.array([9.0, 8.0]), word="robin")
    with slides._matplotlib_settings(look := slides._Look("light")):
        canvas = Canvas(figsize=(slides.WIDE_IN, slides.HIGH_IN))
        FigureCanvasAgg(canvas)
        slides._compose_slide(canvas, small(curve), look)
        texts = canvas.findobj(mpl.text.Text)
    assert [t.get_text() for t in texts if t.get_label() == slides.HALO] == ["robin"]
    assert not [t for t in texts if t.get_bbox_patch() is not None]
