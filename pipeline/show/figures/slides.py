"""A figure for slides, as SVG or PNG, drawn by matplotlib.

This does not touch matplotlib's shared state: it uses its own settings and no pyplot. The same
figure gives the same bytes. A name with `$` or `_` in it is drawn as text, never as a formula.
"""

from __future__ import annotations

import io
import textwrap
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure as Canvas
from matplotlib.path import Path
from matplotlib.textpath import TextPath

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
    Sign,
    Smear,
    Span,
    Upright,
    stack_rows,
)
from pipeline.show.markup import half_widths, shorten

WIDE_IN, HIGH_IN = 12.8, 7.2  # a slide of 16 : 9
DOTS = 150  # per inch, of a PNG
TYPE_PT, SMALL_PT, TITLE_PT = 15.0, 12.0, 20.0
_FONTS = ["Liberation Sans", "Arial", "Helvetica", "DejaVu Sans", "sans-serif"]
_MARKERS: dict[Sign, str] = {"disc": "o", "square": "s", "triangle": "^", "none": ""}
_UPRIGHT_SIGN = 10.0  # points: the height of the sign at an upright's head
_LEFT, _RIGHT, _BOTTOM = 0.075, 0.985, 0.175


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


def draw_slide(figure: Figure, kind: Literal["svg", "png"], *, dark: bool = False) -> bytes:
    """The figure as the bytes of a picture, on white or dark paper."""
    look = _Look("dark" if dark else "light")
    with _matplotlib_settings(look):
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


@contextmanager
def _matplotlib_settings(look: _Look) -> Iterator[None]:
    plain = look.ink("plain")
    with mpl.rc_context(), warnings.catch_warnings():
        mpl.rcdefaults()
        mpl.rcParams.update(
            {
                "font.family": _installed_fonts(),
                "font.size": TYPE_PT,
                "svg.fonttype": "none",
                "svg.hashsalt": "batontrace",
                "text.parse_math": False,
                "text.usetex": False,
                "axes.edgecolor": look.ink("quiet"),
                "axes.labelcolor": plain,
                "text.color": plain,
                "xtick.color": look.ink("quiet"),
                "ytick.color": look.ink("quiet"),
            }
        )
        # A sign that no font has is drawn as a box. A warning about it would help nobody.
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*")
        yield


def _installed_fonts() -> list[str]:
    """The wanted fonts that are installed: matplotlib warns of each one that is not."""
    there = {font.name for font in font_manager.fontManager.ttflist}
    return [font for font in _FONTS if font in there] or ["DejaVu Sans"]


# --- the slide --------------------------------------------------------------------------------


def _compose_slide(canvas: Canvas, figure: Figure, look: _Look) -> None:
    rows = stack_rows([_slide_word_extent(figure, upright) for upright in figure.uprights])
    over = any(upright.word for upright in figure.uprights) * (max(rows, default=0) + 1)
    top = 0.87 - 0.042 * over
    title, size = _fit_title(figure.title, TITLE_PT, (_RIGHT - _LEFT) * WIDE_IN * 72.0)
    canvas.text(_LEFT, 0.955, title, fontsize=size, weight="bold", va="center")
    notes = textwrap.fill(" ".join(figure.notes), 150)
    canvas.text(_LEFT, 0.015, notes, fontsize=SMALL_PT, color=look.ink("quiet"), va="bottom")
    shares = [panel.share for panel in figure.panels]
    axes = canvas.subplots(
        len(shares),
        1,
        sharex=True,
        squeeze=False,
        gridspec_kw={"height_ratios": shares, "left": _LEFT, "right": _RIGHT}
        | {"bottom": _BOTTOM, "top": top, "hspace": 0.34 if len(shares) < 4 else 0.62},
    )[:, 0]
    for panel, ax in zip(figure.panels, axes, strict=True):
        _axes_panel(panel, ax, figure, look)
    _axes_x_axis(axes[-1], figure)
    for ax in axes[:-1]:
        ax.tick_params(axis="x", length=0)
    for upright, row in zip(figure.uprights, rows, strict=True):
        _axes_upright(canvas, list(axes), upright, row, look, figure)


def _fit_title(text: str, size_pt: float, most_pt: float) -> tuple[str, float]:
    """A bold line that fits, and its size in points: smaller type for a long line, and a shorter
    text where the type would be too small."""
    bold = font_manager.FontProperties(family=mpl.rcParams["font.family"], weight="bold")

    def long_pt(words: str) -> float:
        path = TextPath((0.0, 0.0), words, size=size_pt, prop=bold, usetex=False)
        return float(path.get_extents().width) if len(path.vertices) else 0.0

    most = half_widths(text)
    while long_pt(text) > most_pt * size_pt / SMALL_PT and most > 8:
        most = most * 9 // 10
        text = shorten(text, most)
    return text, min(size_pt, size_pt * most_pt / max(long_pt(text), 1.0))


def _axes_panel(panel: Panel, ax: Axes, figure: Figure, look: _Look) -> None:
    ax.set_facecolor(look.paper)
    ax.set_xlim(figure.x.low, figure.x.high)
    ax.set_ylim(panel.y.low, panel.y.high)
    ax.set_yticks(panel.y.ticks, [panel.y.word(k) for k in range(len(panel.y.ticks))])
    size = TYPE_PT if len(figure.panels) < 4 else SMALL_PT
    ax.tick_params(axis="y", length=0, labelsize=size)
    ax.grid(axis="y", color=look.ink("quiet"), alpha=0.35, linewidth=0.7)
    ax.set_axisbelow(True)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    # The label is above the panel, clear of its topmost number: turned words are slow to read.
    ax.set_title(panel.y.label, loc="left", fontsize=size, pad=9.0, x=-0.055)
    for span in figure.spans:
        ax.axvspan(span.low, span.high, color=look.zone, linewidth=0, zorder=0)
        if span.word and ax.get_subplotspec().rowspan.start == 0:  # type: ignore[union-attr]
            _axes_word(ax, (span.high, panel.y.low), span.word, look, "quiet", (-6, 6), "right")
    for item in panel.items:
        _PENS[type(item)](ax, item, look)


def _axes_x_axis(ax: Axes, figure: Figure) -> None:
    ax.set_xticks(figure.x.ticks, [figure.x.word(k) for k in range(len(figure.x.ticks))])
    ax.set_xlabel(figure.x.label, fontsize=TYPE_PT)


def _slide_word_extent(figure: Figure, upright: Upright) -> tuple[float, float]:
    """Where an upright's word begins and ends, in parts of the slide. Without a word both are the
    line's place."""
    half = 0.66 * TYPE_PT / 72.0 * half_widths(upright.word) / 2 / WIDE_IN + 0.004
    at = _LEFT + figure.x.part(upright.x) * (_RIGHT - _LEFT)
    middle = min(max(at, half), 1.0 - half)
    return (middle - half, middle + half) if upright.word else (at, at)


def _axes_upright(
    canvas: Canvas, axes: Sequence[Axes], upright: Upright, row: int, look: _Look, figure: Figure
) -> None:
    if not figure.x.low <= upright.x <= figure.x.high:
        return
    colour = look.ink(upright.ink)
    width = 1.15 * UPRIGHTS[upright.kind].width
    style = (0, (4, 3)) if upright.dashed else "-"
    for ax in axes:
        if upright.x_sd is not None:
            low, high = upright.x - upright.x_sd, upright.x + upright.x_sd
            ax.axvspan(low, high, color=colour, alpha=0.13, linewidth=0, zorder=0.5)
        ax.axvline(upright.x, color=colour, linewidth=width, linestyle=style, zorder=1)
    signs = Path.make_compound_path(
        *(Path([(x, -y) for x, y in stroke]) for stroke in UPRIGHTS[upright.kind].sign)
    )
    reach = float(np.abs(np.asarray(signs.vertices)).max(initial=0.0))
    if reach:
        axes[0].plot(
            [upright.x], [1.0], marker=signs, markersize=_UPRIGHT_SIGN * reach,
            markeredgewidth=width, markeredgecolor=colour, fillstyle="none", clip_on=False,
            transform=axes[0].get_xaxis_transform(), zorder=1.5,
        )  # fmt: skip
    if upright.word:
        middle = sum(_slide_word_extent(figure, upright)) / 2
        y = axes[0].get_position().y1 + 0.058 + 0.042 * row
        canvas.text(middle, y, upright.word, color=colour, weight="bold", ha="center", va="center")


# --- what stands on a panel -------------------------------------------------------------------


def _axes_curve(ax: Axes, curve: Curve, look: _Look) -> None:
    ink, colour = INKS[curve.ink], look.ink(curve.ink)
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
    if curve.word:
        at = (float(curve.x[curve.word_at]), float(curve.y[curve.word_at]))
        part_of_axis = (at[0] - ax.get_xlim()[0]) / np.ptp(ax.get_xlim())
        side: Literal["left", "center", "right"]
        side = "left" if part_of_axis < 0.35 else "right" if part_of_axis > 0.65 else "center"
        shift = (0.0, 14.0 if curve.above else -16.0)
        if curve.beside:
            side, shift = ("right", (-12.0, 0.0)) if part_of_axis > 0.65 else ("left", (12.0, 0.0))
        _axes_word(ax, at, curve.word, look, curve.ink, shift, side)


def _axes_dot(ax: Axes, dot: Dot, look: _Look) -> None:
    colour = look.ink(dot.ink)
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
    if dot.word:
        low, high = ax.get_xlim()
        late = (dot.x - low) / (high - low) > 0.75
        _axes_word(ax, (dot.x, dot.y), dot.word, look, "plain", (-12 if late else 12, 14),
              "right" if late else "left")  # fmt: skip


def _axes_bracket(ax: Axes, bracket: Bracket, look: _Look) -> None:
    middle = (bracket.y0 + bracket.y1) / 2
    x = [bracket.x0, bracket.x0, bracket.x1, bracket.x1]
    y = [bracket.y0, middle, middle, bracket.y1]
    ax.plot(x, y, color=look.ink("plain"), linewidth=1.8, zorder=3.5)
    at = (max(bracket.x0, bracket.x1), min(bracket.y0, bracket.y1))
    _axes_word(ax, at, bracket.word, look, "plain", (9, -20), "left")  # below the curves


def _axes_span(ax: Axes, span: Span, look: _Look) -> None:
    ax.axhspan(span.low, span.high, color=look.zone, linewidth=0, zorder=0)
    if span.word:
        at = (ax.get_xlim()[1], span.high)
        _axes_word(ax, at, span.word, look, "quiet", (-6, -8), "right")


def _axes_smear(ax: Axes, smear: Smear, look: _Look) -> None:
    for reach in SMEAR_REACH:
        ax.fill_between(
            [smear.x - reach * smear.sd, smear.x + reach * smear.sd],
            smear.y - smear.height / 2, smear.y + smear.height / 2,
            color=look.ink(smear.ink), alpha=SMEAR_LAYER, linewidth=0, zorder=1.2,
        )  # fmt: skip


def _axes_bar(ax: Axes, bar: Bar, look: _Look) -> None:
    """A broad line, as on the page; its dashes are given in its own widths."""
    pattern = BARS[bar.pattern]
    low, high = ax.get_ylim()
    broad = ax.get_position().height * HIGH_IN * 72.0 * pattern.part * bar.height / (high - low)
    dashes = (0.0, [1.4 * dash / broad for dash in pattern.dashes])
    ax.plot(
        [bar.x0, bar.x1], [bar.y, bar.y], color=look.ink(bar.ink), linewidth=broad,
        alpha=pattern.cover, linestyle=dashes if pattern.dashes else "-",
        solid_capstyle="butt", dash_capstyle="butt", zorder=2,
    )  # fmt: skip


def _axes_caption(ax: Axes, caption: Caption, look: _Look) -> None:
    side: dict[str, Literal["left", "center", "right"]] = {
        "start": "left", "middle": "center", "end": "right",
    }  # fmt: skip
    ax.text(
        caption.x, caption.y, caption.text, color=look.ink(caption.ink), ha=side[caption.side],
        va="center", fontsize=SMALL_PT, weight="bold" if caption.strong else "normal", zorder=5,
    )  # fmt: skip


_PENS: dict[type[Item], Callable[[Axes, Any, _Look], None]] = {
    Curve: _axes_curve,
    Dot: _axes_dot,
    Bracket: _axes_bracket,
    Span: _axes_span,
    Smear: _axes_smear,
    Bar: _axes_bar,
    Caption: _axes_caption,
}


def _axes_word(
    ax: Axes,
    at: tuple[float, float],
    word: str,
    look: _Look,
    ink: InkName,
    shift: tuple[float, float],
    side: Literal["left", "center", "right"],
) -> None:
    """A word near a point, on a patch of paper so that no line runs through it."""
    ax.annotate(
        word, at, xytext=shift, textcoords="offset points", color=look.ink(ink), ha=side,
        va="center", zorder=5, weight="normal" if ink == "quiet" else "bold",
        bbox={"facecolor": look.paper, "alpha": 0.75, "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip
