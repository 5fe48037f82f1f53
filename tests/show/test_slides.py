"""Slides: the figure's words and things in a picture, inside it, the same bytes each time."""

import functools
import io
import re
import struct
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
import squads
from hostile_names import HOSTILE
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
    make_scale,
)
from pipeline.show.markup import plain_text


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
    figure = figures()[name]
    with slides._matplotlib_settings(look := slides._Look("dark" if dark else "light")):
        canvas = Canvas(figsize=(slides.WIDE_IN, slides.HIGH_IN), dpi=slides.DOTS)
        agg = FigureCanvasAgg(canvas)
        slides._compose_slide(canvas, figure, look)
        agg.draw()
        renderer = agg.get_renderer()
        texts = [t for t in canvas.findobj(mpl.text.Text) if t.get_text() and t.get_visible()]
        boxes = {t: t.get_window_extent(renderer) for t in texts}
    for text, box in boxes.items():
        where = f"{text.get_text()!r} {box}"
        assert box.x0 >= -1 and box.y0 >= -1, where  # noqa: PT018 - one box
        assert box.x1 <= 1921 and box.y1 <= 1081, where  # noqa: PT018
    over = [box for text, box in boxes.items() if text in canvas.texts]
    for k, one in enumerate(over):
        assert not any(one.overlaps(other) for other in over[k + 1 :])


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
