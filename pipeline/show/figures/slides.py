"""A figure for slides, as SVG or PNG, drawn by matplotlib.

This does not touch matplotlib's shared state: it uses its own settings and no pyplot. The same
figure gives the same bytes. A name with `$` or `_` in it is drawn as text, never as a formula.
Words are measured before anything is drawn, so that title, notes and axes share the slide's height
and no word lies on another.
"""

from __future__ import annotations

import functools
import io
import unicodedata
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib import font_manager, patheffects
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure as Canvas
from matplotlib.path import Path
from matplotlib.textpath import text_to_path

from pipeline.base.values import Floats
from pipeline.show.figures.figure import (
    BARS,
    INKS,
    PAPER,
    SMEAR_LAYER,
    SMEAR_REACH,
    UPRIGHTS,
    ZONE,
    Bar,
    Bracket,
    Caption,
    Curve,
    Dot,
    Figure,
    InkName,
    Item,
    Panel,
    Scale,
    Sign,
    Smear,
    Span,
    Upright,
    figure_words,
    sign_reach,
    stack_rows,
)
from pipeline.show.figures.placing import Box, place_words
from pipeline.show.markup import keep_order

WIDE_IN, HIGH_IN = 12.8, 7.2  # a slide of 16 : 9
DOTS = 150  # per inch, of a PNG
WIDE_PT, HIGH_PT = 72.0 * WIDE_IN, 72.0 * HIGH_IN
TYPE_PT, SMALL_PT = 15.0, 12.0
CAPTION_PTS = (9.0, 15.0)  # the least and the largest size of captions
# Sizes that are tried in turn, each with the most lines it may take.
TITLE_TRIES = ((20.0, 1), (18.0, 1), (20.0, 2), (18.0, 2), (16.0, 2))
NOTE_TRIES = ((12.0, 4), (11.0, 5), (10.0, 5))
MANY_PANELS = 4  # from so many on their type is small
LINE = 1.25  # of a line of type, in its size
HALO = "halo"  # the label of what lies behind a word
MOST_LETTERS = 400  # of a line in the smallest size
_FONTS = ["Liberation Sans", "Arial", "Helvetica", "DejaVu Sans", "sans-serif"]
_LAST_RESORT = "Last Resort"  # begins the name of the font that has a box for every letter
_MARKERS: dict[Sign, str] = {"disc": "o", "square": "s", "triangle": "^", "none": ""}
_UPRIGHT_SIGN = 10.0  # points: the height of the sign at an upright's head
_LEFT, _RIGHT, _EDGE = 69.0, 908.0, 11.0  # points
_ROW, _BELOW = 20.0, 46.0  # points: a row of words above the panels; ticks and label of the x axis
_LINE_ROWS = 24  # of a curve, enough to see where words would be struck through by it

_Side = Literal["left", "center", "right"]


@dataclass(frozen=True, slots=True)
class _Look:
    """The colours of one paper."""

    theme: Literal["light", "dark"]

    def ink(self, name: InkName) -> str:
        return INKS[name].light if self.theme == "light" else INKS[name].dark

    @property
    def paper(self) -> str:
        return PAPER[self.theme]

    @property
    def zone(self) -> str:
        return ZONE[self.theme]


@dataclass(frozen=True, slots=True)
class _AxesBox:
    """A panel's place on the slide in points, upwards, with its axes of matplotlib."""

    x: Scale
    y: Scale
    low: float
    high: float
    ax: Axes

    def at(self, x: Any, y: Any) -> tuple[Any, Any]:
        across = _LEFT + self.x.part(x) * (_RIGHT - _LEFT)
        return across, self.low + self.y.part(y) * (self.high - self.low)


@dataclass(frozen=True, slots=True)
class _SlideWord:
    """Words whose `side` is at `x` and whose middle line is at `y`, in points."""

    x: float
    y: float
    text: str
    side: _Side
    ink: InkName
    size: float = TYPE_PT
    bold: bool = True

    @property
    def box(self) -> Box:
        wide = _text_width(self.text, self.size, bold=self.bold) + 6.0
        left = self.x - wide * {"left": 0.0, "center": 0.5, "right": 1.0}[self.side]
        left += {"left": -3.0, "center": 0.0, "right": 3.0}[self.side]
        return Box(left, self.y - 0.62 * self.size, left + wide, self.y + 0.62 * self.size)


def draw_slide(figure: Figure, kind: Literal["svg", "png"], *, dark: bool = False) -> bytes:
    """The figure as the bytes of a picture, on white or dark paper."""
    look = _Look("dark" if dark else "light")
    with _matplotlib_settings(look, " ".join(figure_words(figure))):
        canvas = Canvas(figsize=(WIDE_IN, HIGH_IN), dpi=DOTS, facecolor=look.paper)
        (FigureCanvasSVG if kind == "svg" else FigureCanvasAgg)(canvas)
        _compose_slide(canvas, figure, look)
        out = io.BytesIO()
        about: dict[str, Any] = {"Title": figure.title, "Description": figure.description}
        if kind == "svg":
            about |= {"Date": None, "Creator": None, "Format": None, "Type": None}
        else:
            about["Software"] = None
        canvas.savefig(out, format=kind, metadata=about, facecolor=look.paper)
    return out.getvalue()


def unknown_letters(figure: Figure) -> str:
    """The letters of a figure that no installed font has: a PNG shows boxes in their places, an SVG
    leaves them to the program that shows it."""
    return _find_fonts(" ".join(figure_words(figure)))[1]


@contextmanager
def _matplotlib_settings(look: _Look, text: str = "") -> Iterator[None]:
    plain = look.ink("plain")
    with mpl.rc_context(), warnings.catch_warnings():
        mpl.rcdefaults()
        mpl.rcParams.update(
            {
                "font.family": list(_find_fonts(text)[0]),
                "font.size": TYPE_PT,
                "svg.fonttype": "none",
                "svg.hashsalt": "batontrace",
                "text.hinting": "none",  # letters are as wide as they are measured to be
                "text.parse_math": False,
                "text.usetex": False,
                "axes.edgecolor": look.ink("quiet"),
                "axes.labelcolor": plain,
                "text.color": plain,
                "xtick.color": look.ink("quiet"),
                "ytick.color": look.ink("quiet"),
            }
        )
        # `unknown_letters` tells of them.
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*")
        yield


# --- fonts and widths -------------------------------------------------------------------------


def _find_fonts(text: str) -> tuple[tuple[str, ...], str]:
    """The wanted fonts that are installed, since matplotlib warns of each one that is not, with
    others for letters that none of them has; and the letters that no installed font has."""
    there: dict[str, str] = {}
    for font in font_manager.fontManager.ttflist:
        if not font.name.startswith(_LAST_RESORT) and font.style == "normal":
            there.setdefault(font.name, font.fname)
    families = [name for name in _FONTS if name in there] or ["DejaVu Sans"]
    missing = {ord(sign) for sign in text if unicodedata.category(sign)[0] not in "CZ"}
    for name in (*families, *sorted(set(there) - set(families))):
        if not missing:
            break
        has = missing & _font_letters(there[name]) if name in there else set()
        if has and name not in families:
            families.append(name)
        missing -= has
    return tuple(families), "".join(map(chr, sorted(missing)))


@functools.lru_cache(maxsize=1024)
def _font_letters(file: str) -> frozenset[int]:
    """The letters a font has; none where its file cannot be read."""
    try:
        return frozenset(font_manager.get_font(file).get_charmap())
    except (OSError, RuntimeError):
        return frozenset()


def _text_width(text: str, size_pt: float, *, bold: bool) -> float:
    """How wide a line is, in points."""
    return size_pt * _width_em(keep_order(text), bold, tuple(mpl.rcParams["font.family"]))


@functools.lru_cache(maxsize=8192)
def _width_em(text: str, bold: bool, families: tuple[str, ...]) -> float:
    """How wide a line is, in the size of its type: unhinted letters are alike in all sizes."""
    weight = "bold" if bold else "normal"
    font = font_manager.FontProperties(family=list(families), weight=weight, size=100.0)
    wide, _, _ = text_to_path.get_text_width_height_descent(text, font, False)
    return float(wide) / 100.0


def _fit_lines(
    text: str, tries: Sequence[tuple[float, int]], *, bold: bool
) -> tuple[list[str], float]:
    """A text in lines of the slide's width, and its size in points: the first of the sizes in which
    it takes no more lines than it may, else the last, and the end is left out."""
    lines, (size, most) = [""], tries[-1]
    text = text[: most * MOST_LETTERS]  # more would not fit, and takes long to measure
    for size, most in tries:
        lines = _wrapped_lines(text, size, bold=bold)
        if len(lines) <= most:
            return lines, size
    kept = lines[:most]
    while kept[-1] and _text_width(f"{kept[-1]}…", size, bold=bold) > _RIGHT - _LEFT:
        kept[-1] = kept[-1][:-1]
    kept[-1] = f"{kept[-1].rstrip()}…"
    return kept, size


def _wrapped_lines(text: str, size_pt: float, *, bold: bool) -> list[str]:
    """Lines no wider than the slide allows, broken between words, and within a word that is wider
    than a line."""
    most, space = _RIGHT - _LEFT, _text_width(" ", size_pt, bold=bold)
    lines, used = [""], 0.0
    for word in text.split(" "):
        pieces = [word]
        if _text_width(word, size_pt, bold=bold) > most:
            pieces = [word[k : k + 16] for k in range(0, len(word), 16)]
        for index, piece in enumerate(pieces):
            before = " " if lines[-1] and not index else ""
            wide = _text_width(piece, size_pt, bold=bold)
            if used + space * len(before) + wide <= most:
                lines[-1] += before + piece
                used += space * len(before) + wide
            else:
                lines.append(piece)
                used = wide
    return lines


# --- the slide --------------------------------------------------------------------------------


def _compose_slide(canvas: Canvas, figure: Figure, look: _Look) -> None:
    """Title and rows of words from the top, notes and the x axis from the bottom; the panels share
    what is left."""
    top = HIGH_PT - _EDGE
    title, size = _fit_lines(figure.title, TITLE_TRIES, bold=True)
    for line in title:
        top -= LINE * size
        _draw_text(canvas, _LEFT, top + 0.5 * LINE * size, line, look, size=size, bold=True)
    notes, size = _fit_lines(" ".join(figure.notes), NOTE_TRIES, bold=False)
    foot = _EDGE + LINE * size * len(notes)
    for index, line in enumerate(notes):
        y = foot - (index + 0.5) * LINE * size
        _draw_text(canvas, _LEFT, y, line, look, ink="quiet", size=size)
    rows = stack_rows([_upright_extent(figure, upright) for upright in figure.uprights])
    over = any(upright.word for upright in figure.uprights) * (max(rows, default=0) + 1)
    boxes = _panel_boxes(canvas, figure, look, foot + _BELOW, top - 6.0 - _ROW * over)
    for panel, box in zip(figure.panels, boxes, strict=True):
        _axes_panel(panel, box, figure, look)
    _axes_x_axis(boxes[-1].ax, figure)
    head = boxes[0].high + _head_pt(figure)
    for upright, row in zip(figure.uprights, rows, strict=True):
        _axes_upright(canvas, boxes, upright, head + _ROW * (row + 0.5), look, figure)
    for panel, box in zip(figure.panels, boxes, strict=True):
        _draw_words(canvas, figure, panel, box, look, is_first=box is boxes[0])


def _head_pt(figure: Figure) -> float:
    """Above a panel, for its axis' label, clear of the topmost number."""
    return 2.5 * _panel_type(figure)


def _panel_type(figure: Figure) -> float:
    return TYPE_PT if len(figure.panels) < MANY_PANELS else SMALL_PT


def _panel_boxes(
    canvas: Canvas, figure: Figure, look: _Look, low: float, high: float
) -> list[_AxesBox]:
    """The panels below each other between two heights in points."""
    head = _head_pt(figure)
    body = high - low - head * len(figure.panels)
    whole = sum(panel.share for panel in figure.panels)
    boxes, top = [], high
    for panel in figure.panels:
        tall = body * panel.share / whole
        top -= head
        place = (
            _LEFT / WIDE_PT,
            (top - tall) / HIGH_PT,
            (_RIGHT - _LEFT) / WIDE_PT,
            tall / HIGH_PT,
        )
        ax = canvas.add_axes(place, facecolor=look.paper)
        boxes.append(_AxesBox(figure.x, panel.y, top - tall, top, ax))
        top -= tall
    return boxes


def _axes_panel(panel: Panel, box: _AxesBox, figure: Figure, look: _Look) -> None:
    ax, size = box.ax, _panel_type(figure)
    ax.set_xlim(figure.x.low, figure.x.high)
    ax.set_ylim(panel.y.low, panel.y.high)
    ax.set_xticks([])
    ax.set_yticks(panel.y.ticks, _words_apart(box, size))
    ax.tick_params(axis="y", length=0, labelsize=size)
    ax.grid(axis="y", color=look.ink("quiet"), alpha=0.35, linewidth=0.7)
    ax.set_axisbelow(True)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    # The label is above the panel, clear of its topmost number: turned words are slow to read.
    label = box.high + 1.4 * size
    _draw_text(ax.get_figure(), 23.0, label, panel.y.label, look, size=size)  # type: ignore[arg-type]
    for span in figure.spans:
        ax.axvspan(span.low, span.high, color=look.zone, linewidth=0, zorder=0)
    for item in panel.items:
        if type(item) in _PENS:
            _PENS[type(item)](box, item, look)


def _words_apart(box: _AxesBox, size: float) -> list[str]:
    """What is written at the ticks of a panel: as many of them as stand clear of each other."""
    y = box.y
    steps = np.diff([box.at(box.x.low, tick)[1] for tick in y.ticks])
    every = int(np.ceil(1.1 * size / max(float(steps.min(initial=np.inf)), 1e-3)))
    return [y.word(k) if k % max(every, 1) == 0 else "" for k in range(len(y.ticks))]


def _axes_x_axis(ax: Axes, figure: Figure) -> None:
    ax.set_xticks(figure.x.ticks, [figure.x.word(k) for k in range(len(figure.x.ticks))])
    ax.set_xlabel(figure.x.label, fontsize=TYPE_PT)


def _upright_extent(figure: Figure, upright: Upright) -> tuple[float, float]:
    """Where an upright's word begins and ends, in points. Without a word both are the line's
    place."""
    half = _text_width(upright.word, TYPE_PT, bold=True) / 2 + 5.0
    at = _LEFT + figure.x.part(upright.x) * (_RIGHT - _LEFT)
    middle = min(max(at, half), WIDE_PT - half)
    return (middle - half, middle + half) if upright.word else (at, at)


def _axes_upright(
    canvas: Canvas,
    boxes: Sequence[_AxesBox],
    upright: Upright,
    y: float,
    look: _Look,
    figure: Figure,
) -> None:
    if not figure.x.low <= upright.x <= figure.x.high:
        return
    colour = look.ink(upright.ink)
    width = 1.15 * UPRIGHTS[upright.kind].width
    style = (0, (4, 3)) if upright.dashed else "-"
    for box in boxes:
        if upright.x_sd is not None:
            low, high = upright.x - upright.x_sd, upright.x + upright.x_sd
            box.ax.axvspan(low, high, color=colour, alpha=0.13, linewidth=0, zorder=0.5)
        box.ax.axvline(upright.x, color=colour, linewidth=width, linestyle=style, zorder=1)
    signs = Path.make_compound_path(
        *(Path([(x, -y) for x, y in stroke]) for stroke in UPRIGHTS[upright.kind].sign)
    )
    reach = float(np.abs(np.asarray(signs.vertices)).max(initial=0.0))
    if reach:
        ax = boxes[0].ax
        ax.plot(
            [upright.x], [1.0], marker=signs, markersize=_UPRIGHT_SIGN * reach,
            markeredgewidth=width, markeredgecolor=colour, fillstyle="none", clip_on=False,
            transform=ax.get_xaxis_transform(), zorder=1.5,
        )  # fmt: skip
    if upright.word:
        middle = sum(_upright_extent(figure, upright)) / 2
        _draw_text(canvas, middle, y, upright.word, look, side="center", ink=upright.ink, bold=True)


# --- what stands on a panel -------------------------------------------------------------------


def _axes_curve(box: _AxesBox, curve: Curve, look: _Look) -> None:
    ax, ink, colour = box.ax, INKS[curve.ink], look.ink(curve.ink)
    thickness = 1.0 if curve.thin else ink.width * 1.3
    alpha = 0.75 if curve.thin else 1.0
    style = (0, (4, 3)) if curve.dashed else "-"
    for first, last in zip((0, *curve.breaks), (*curve.breaks, len(curve.x)), strict=True):
        part = slice(first, last)
        ax.plot(curve.x[part], curve.y[part], color=colour, linewidth=thickness, alpha=alpha,
                linestyle=style, solid_capstyle="butt",
                zorder=1.5 if ink.core else 2.5)  # fmt: skip
        if ink.core:
            ax.plot(curve.x[part], curve.y[part], color=look.paper, linewidth=thickness * ink.core,
                    solid_capstyle="butt", zorder=1.6)  # fmt: skip
        if curve.sd is not None:
            low, high = curve.y[part] - curve.sd[part], curve.y[part] + curve.sd[part]
            ax.fill_between(curve.x[part], low, high, color=colour, alpha=0.22, linewidth=0,
                            zorder=2)  # fmt: skip
    if curve.signs is not None and len(curve.signs) and ink.sign != "none":
        ax.plot(curve.signs[:, 0], curve.signs[:, 1], _MARKERS[ink.sign], color=colour,
                markersize=6.5, zorder=3, clip_on=False)  # fmt: skip


def _axes_dot(box: _AxesBox, dot: Dot, look: _Look) -> None:
    ax, colour = box.ax, look.ink(dot.ink)
    size = 6.0 if dot.rep is not None or not dot.word else 9.0
    ax.errorbar(
        [dot.x], [dot.y],
        xerr=None if dot.x_sd is None else [dot.x_sd],
        yerr=None if dot.y_sd is None else [dot.y_sd],
        fmt="none", ecolor=colour, elinewidth=2.0, zorder=2.2 if dot.faint else 4,
        alpha=0.25 if dot.faint else 1.0, clip_on=dot.faint,
    )  # fmt: skip
    ax.plot(
        [dot.x], [dot.y], _MARKERS[dot.sign], markersize=size, color=colour,
        markerfacecolor=colour if dot.full else look.paper, markeredgewidth=2.0, zorder=4,
        clip_on=False,
    )  # fmt: skip


def _axes_bracket(box: _AxesBox, bracket: Bracket, look: _Look) -> None:
    middle = (bracket.y0 + bracket.y1) / 2
    x = [bracket.x0, bracket.x0, bracket.x1, bracket.x1]
    y = [bracket.y0, middle, middle, bracket.y1]
    box.ax.plot(x, y, color=look.ink("plain"), linewidth=1.8, zorder=3.5)


def _axes_span(box: _AxesBox, span: Span, look: _Look) -> None:
    box.ax.axhspan(span.low, span.high, color=look.zone, linewidth=0, zorder=0)


def _axes_smear(box: _AxesBox, smear: Smear, look: _Look) -> None:
    for reach in SMEAR_REACH:
        box.ax.fill_between(
            [smear.x - reach * smear.sd, smear.x + reach * smear.sd],
            smear.y - smear.height / 2, smear.y + smear.height / 2,
            color=look.ink(smear.ink), alpha=SMEAR_LAYER, linewidth=0, zorder=1.2,
        )  # fmt: skip


def _axes_bar(box: _AxesBox, bar: Bar, look: _Look) -> None:
    """A broad line, as on the page; its dashes are given in its own widths."""
    pattern = BARS[bar.pattern]
    scale = (box.high - box.low) / abs(box.y.high - box.y.low)
    broad = max(scale * pattern.part * bar.height, 0.1)
    dashes = (0.0, [1.4 * dash / broad for dash in pattern.dashes])
    box.ax.plot(
        [bar.x0, bar.x1], [bar.y, bar.y], color=look.ink(bar.ink), linewidth=broad,
        alpha=pattern.cover, linestyle=dashes if pattern.dashes else "-",
        solid_capstyle="butt", dash_capstyle="butt", zorder=2 if pattern.cover == 1.0 else 1.1,
    )  # fmt: skip


_PENS: dict[type[Item], Callable[[_AxesBox, Any, _Look], None]] = {
    Curve: _axes_curve,
    Dot: _axes_dot,
    Bracket: _axes_bracket,
    Span: _axes_span,
    Smear: _axes_smear,
    Bar: _axes_bar,
}


# --- words on a panel ---------------------------------------------------------------------------


def _draw_words(
    canvas: Canvas, figure: Figure, panel: Panel, box: _AxesBox, look: _Look, *, is_first: bool
) -> None:
    """The words of a panel and its items, each near its thing and none on another. What the ground
    is called and captions keep their places before all others."""
    room = Box(_LEFT, box.low, WIDE_PT - 3.0, box.high + 8.0)
    lines = [line for item in panel.items if (line := _item_course(item, box)) is not None]
    lines += [
        np.array([box.at(upright.x, panel.y.low), box.at(upright.x, panel.y.high)])
        for upright in figure.uprights
    ]
    ground = _ground_names(figure.spans, panel, box) if is_first else []
    size = _caption_size(panel, box)
    standing = (_standing_word(item, box, size) for item in panel.items)
    ground += [word for word in standing if word is not None]
    named = (_thing_word(item, box) for item in reversed(panel.items))  # what is on top first
    wanted = [word for word in named if word is not None]
    fixed = _sign_boxes(figure, panel, box) if is_first else []
    for words, courses, may_go in ((ground, [], False), (wanted, lines, True)):
        shifts = place_words([word.box for word in words], room, fixed, courses)
        for word, found in zip(words, shifts, strict=True):
            if found is None and may_go:
                continue
            across, up = found or (0.0, 0.0)
            _draw_text(canvas, word.x + across, word.y + up, word.text, look, side=word.side,
                       ink=word.ink, size=word.size, bold=word.bold, halo=True)  # fmt: skip
            own = word.box
            fixed.append(Box(own.left + across, own.low + up, own.right + across, own.high + up))


def _sign_boxes(figure: Figure, panel: Panel, box: _AxesBox) -> list[Box]:
    """Where the signs of the uprights stand, on which no word may."""
    found = []
    for upright in figure.uprights:
        reach = sign_reach(upright.kind)
        if reach is not None:
            x, y = box.at(upright.x, panel.y.high)
            left, up, right, down = (0.5 * _UPRIGHT_SIGN * one for one in reach)
            found.append(Box(x - left, y - down, x + right, y + up))
    return found


def _ground_names(spans: Sequence[Span], panel: Panel, box: _AxesBox) -> list[_SlideWord]:
    found = []
    for span in spans:
        if span.word:
            x, y = box.at(min(span.high, box.x.high), panel.y.low)
            found.append(_SlideWord(x - 6.0, y + 10.0, span.word, "right", "quiet", bold=False))
    return found


def _caption_size(panel: Panel, box: _AxesBox) -> float:
    """Captions are as large as their rows allow: a panel's share is made for type of 16 on 100."""
    return float(np.clip(0.14 * (box.high - box.low) / panel.share, *CAPTION_PTS))


def _standing_word(item: Item, box: _AxesBox, size: float) -> _SlideWord | None:
    """A word that has a place of its own."""
    if isinstance(item, Span) and item.word:
        _, y = box.at(box.x.high, min(item.high, box.y.high))
        return _SlideWord(_RIGHT - 6.0, y - 10.0, item.word, "right", "quiet", bold=False)
    if isinstance(item, Caption):
        x, y = box.at(item.x, item.y)
        sides: dict[str, _Side] = {"start": "left", "middle": "center", "end": "right"}
        return _SlideWord(x, y, item.text, sides[item.side], item.ink, size, item.strong)
    return None


def _thing_word(item: Item, box: _AxesBox) -> _SlideWord | None:
    """An item's word where it would best stand."""
    if isinstance(item, Curve) and item.word and len(item.x):
        x, y = box.at(float(item.x[item.word_at]), float(item.y[item.word_at]))
        part = (x - _LEFT) / (_RIGHT - _LEFT)
        side: _Side = "left" if part < 0.35 else "right" if part > 0.65 else "center"
        shift = (0.0, 19.0 if item.above else -19.0)
        if item.beside:
            side, shift = ("right", (-12.0, 0.0)) if part > 0.65 else ("left", (12.0, 0.0))
        return _SlideWord(x + shift[0], y + shift[1], item.word, side, item.ink)
    if isinstance(item, Dot) and item.word:
        x, y = box.at(item.x, item.y)
        late = x + 12.0 + _text_width(item.word, TYPE_PT, bold=True) > _RIGHT
        return _SlideWord(x + (-12.0 if late else 12.0), y + 14.0, item.word,
                          "right" if late else "left", "plain")  # fmt: skip
    if isinstance(item, Bracket) and item.word:
        x, y = box.at(max(item.x0, item.x1), min(item.y0, item.y1))
        return _SlideWord(x + 9.0, y - 20.0, item.word, "left", "plain")  # below the curves
    return None


def _item_course(item: Item, box: _AxesBox) -> Floats | None:
    """The course of what words are better not written across."""
    if isinstance(item, Curve) and len(item.x) > 1:
        rows = np.unique(np.linspace(0, len(item.x) - 1, _LINE_ROWS).astype(int))
        across, up = box.at(item.x[rows], item.y[rows])
        return np.column_stack([across, np.clip(up, box.low, box.high)])
    if isinstance(item, Dot):
        x, y = box.at(item.x, item.y)
        return np.array([[x - 5.0, y - 5.0], [x + 5.0, y + 5.0]])
    if isinstance(item, Bracket):
        return np.array([box.at(item.x0, item.y0), box.at(item.x1, item.y1)])
    return None


def _draw_text(
    canvas: Canvas, x: float, y: float, text: str, look: _Look, *, side: _Side = "left",
    ink: InkName = "plain", size: float = TYPE_PT, bold: bool = False, halo: bool = False,
) -> None:  # fmt: skip
    """A line of words with its middle line at a height in points. A `halo` of paper keeps what is
    behind from running into the letters; it hides no more than that."""
    given: dict[str, Any] = {
        "ha": side, "va": "center_baseline", "fontsize": size,
        "weight": "bold" if bold else "normal",
    }  # fmt: skip
    place, words = (x / WIDE_PT, y / HIGH_PT), keep_order(text)
    if halo:
        stroke = patheffects.Stroke(linewidth=4.0, foreground=look.paper)
        canvas.text(*place, words, color=look.paper, path_effects=[stroke], label=HALO, **given)
    canvas.text(*place, words, color=look.ink(ink), **given)
