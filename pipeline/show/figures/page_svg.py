"""A figure as an <svg> element of a page.

It is drawn `WIDTH` units wide, and the page scales it. Words are set out for a telephone, where
type is largest (`TYPE` units). Colours, type and line widths come from the page's style sheet by
class; `theme_variables` and `ink_rules` give the parts of it that depend on the inks. There are no
inline styles, since the page's policy refuses them.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal
from xml.etree import ElementTree as ET

import numpy as np

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
    Item,
    Panel,
    Scale,
    Sign,
    Smear,
    Span,
    Upright,
    sign_reach,
    stack_rows,
)
from pipeline.show.figures.placing import Box, place_words, width_em
from pipeline.show.markup import element, keep_order

WIDTH = 480.0
TYPE = 16.0  # units high: the largest type on the page, for which words are kept apart
LEFT, RIGHT = 40.0, 12.0
PANEL = 100.0  # units high for a share of 1
ROW = 18.0  # units high: a row of words above the panels
HEAD = 26.0  # units above a panel for its axis' label, clear of the topmost number
BELOW = 40.0  # ticks and label of the x axis
LINE_ROWS = 24  # of a curve, enough to see where words would be struck through by it
TOLERANCE = 0.25  # units by which a drawn curve may be off, a quarter of a telephone's pixel
LEAST_BAND = 3.0  # units: the band of a line that is no wider is not seen beside it
BAND_TOLERANCE = 0.8  # units by which the edge of a band, which is soft anyway, may be off
_SIGN_SIZE = 3.2
Live = Literal["none", "errors", "all"]
FRAME = "frame"  # the class of what lies behind a figure
_DIGIT_EM, _LONG_NUMBER = (
    0.64,
    5,
)  # a digit's width; letters of a number that need more room: "−0.22"
_UPRIGHT_SIGN = 4.0  # half the height of the sign at an upright's head


@dataclass(frozen=True, slots=True)
class _PanelBox:
    """A panel's place in the picture, in its units."""

    x: Scale
    y: Scale
    top: float
    bottom: float

    def across(self, x: Any) -> Any:
        return _svg_x(self.x, x)

    def down(self, y: Any) -> Any:
        return self.bottom - self.y.part(y) * (self.bottom - self.top)

    def at(self, x: float, y: float) -> tuple[float, float]:
        return float(self.across(x)), float(self.down(y))

    def across_inside(self, *x: float) -> list[float]:
        """Places across; a place beyond the axis is moved to its end."""
        return [float(np.clip(self.across(one), LEFT, WIDTH - RIGHT)) for one in x]

    def down_inside(self, *y: float) -> list[float]:
        return [float(np.clip(self.down(one), self.top, self.bottom)) for one in y]


@dataclass(frozen=True, slots=True)
class _PageWord:
    """Words that begin (`start`), end or have their middle at `x`, with their foot at `y`; `kind`
    is their class."""

    x: float
    y: float
    text: str
    anchor: str
    kind: str

    @property
    def box(self) -> Box:
        """The room it takes where type is largest, a little more than its ink."""
        wide = TYPE * width_em(self.text, bold=self.kind.startswith("word")) + 4.0
        left = self.x - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[self.anchor]
        return Box(left, self.y - 0.8 * TYPE, left + wide, self.y + 0.25 * TYPE)

    def drawn(self, shift: tuple[float, float] = (0.0, 0.0)) -> ET.Element:
        return _svg_text(self.x + shift[0], self.y + shift[1], self.text, self.anchor, self.kind)


def _svg_x(scale: Scale, x: Any) -> Any:
    return LEFT + scale.part(x) * (WIDTH - LEFT - RIGHT)


def draw_svg(figure: Figure, *, live: Live = "none") -> ET.Element:
    """The figure as an element; the page decides its size.

    `data-x` and `data-y` tell the page's script where the axes are: low and high in data units,
    then left and right (or bottom and top) in the picture's units, one panel after the other.
    Panels begin at 0 and words stand above it, so that figures with the same axes hold the same
    frame and the same curves, which a page then needs only once. What is `live` of curves that name
    a reading, all or only bands and signs, is left to the page's script, which has the readings.
    """
    rows = stack_rows([_svg_word_extent(figure.x, upright) for upright in figure.uprights])
    head = ROW * (max(rows, default=-1) + 1)
    boxes, top = [], 0.0
    for panel in figure.panels:
        top += HEAD
        boxes.append(_PanelBox(figure.x, panel.y, top, top + PANEL * panel.share))
        top += PANEL * panel.share + 6.0
    height = top + BELOW
    start = min(0.0, *(_tick_start(panel.y) for panel in figure.panels))
    svg = element(
        "svg",
        {
            "viewBox": f"{start:g} {-head:g} {WIDTH - start:g} {head + height:g}",
            "role": "img",
            "aria-label": f"{figure.title}. {figure.description}"
            if live != "all"
            else figure.title,
            "data-x": _svg_numbers([figure.x.low, figure.x.high, LEFT, WIDTH - RIGHT]),
            "data-y": " ".join(
                _svg_numbers([box.y.low, box.y.high, box.bottom, box.top]) for box in boxes
            ),
        },
    )
    svg.append(_svg_frame(figure, boxes))
    for upright, row in zip(figure.uprights, rows, strict=True):
        svg.extend(_svg_upright(upright, boxes, -ROW * row - 4.0))
    for panel, box in zip(figure.panels, boxes, strict=True):
        svg.extend(_svg_items(panel.items, box, live))
    for panel, box in zip(figure.panels, boxes, strict=True):
        svg.extend(_svg_words(figure, panel, box, is_first=box is boxes[0]))
    return svg


def draw_small(figure: Figure) -> ET.Element:
    """A figure's first panel alone, without axes and words: its curves lie where they lie in the
    whole figure, so a page that has both needs their points once."""
    panel = figure.panels[0]
    box = _PanelBox(figure.x, panel.y, HEAD, HEAD + PANEL * panel.share)
    frame = element("g", {"class": FRAME}, *_svg_ground(box, figure.spans, is_first=True))
    frame.append(_svg_line("axis", LEFT, box.bottom, WIDTH - RIGHT, box.bottom))
    for upright in figure.uprights:
        x = float(box.across(upright.x))
        frame.append(_svg_line(f"upright ink-{upright.ink}", x, box.top, x, box.bottom))
    return element(
        "svg",
        {
            "viewBox": _svg_numbers([LEFT, box.top, WIDTH - LEFT - RIGHT, box.bottom - box.top]),
            "class": "small",
            "aria-hidden": "true",
        },
        frame,
        *(part for item in panel.items for part in _svg_item(item, box, "none")),
    )


def captioned_figure(figure: Figure, kind: str) -> ET.Element:
    """The figure in a <figure> of class `kind`, with its title and notes below it."""
    title = element("b", {}, f"{figure.title}. ")
    caption = element("figcaption", {}, title, " ".join(figure.notes))
    return element("figure", {"class": kind}, draw_svg(figure), caption)


def theme_variables(theme: str) -> str:
    """The colours of one theme, light or dark, as CSS variables."""
    inks = "".join(
        f"--{name}:{ink.light if theme == 'light' else ink.dark};" for name, ink in INKS.items()
    )
    return f"--paper:{PAPER[theme]};--zone:{ZONE[theme]};{inks}"


def ink_rules() -> str:
    """CSS rules that give the class of each ink its colour and line width."""
    inks = (
        f".ink-{name}{{--ink:var(--{name});--pen:{ink.width:g}}}\n" for name, ink in INKS.items()
    )
    cores = (
        f".core.ink-{name}{{stroke:var(--paper);stroke-width:{ink.core * ink.width:g}}}\n"
        for name, ink in INKS.items()
        if ink.core
    )
    smear = f".spread{{stroke:var(--ink)}}.spread path{{opacity:{SMEAR_LAYER:g}}}\n"
    bars = (
        f".bar.{name.replace(' ', '-')}{{"
        + (f"stroke-dasharray:{_svg_numbers(look.dashes)};" if look.dashes else "")
        + f"opacity:{look.cover:g}}}\n"
        for name, look in BARS.items()
    )
    kinds = (f".upright.{kind}{{stroke-width:{look.width:g}}}\n" for kind, look in UPRIGHTS.items())
    return "".join((*inks, *cores, smear, *bars, *kinds))


# --- the frame ------------------------------------------------------------------------------


def _svg_frame(figure: Figure, boxes: Sequence[_PanelBox]) -> ET.Element:
    """What lies behind everything, the same for all figures with these axes."""
    frame = element("g", {"class": FRAME})
    for box in boxes:
        frame.extend(_svg_ground(box, figure.spans, is_first=box is boxes[0]))
    for panel, box in zip(figure.panels, boxes, strict=True):
        frame.extend(_svg_panel(panel, box))
    frame.extend(_svg_x_axis(figure.x, boxes[-1]))
    return frame


def _svg_ground(box: _PanelBox, spans: Iterable[Span], *, is_first: bool) -> Iterable[ET.Element]:
    for span in spans:
        low, high = box.across_inside(span.low, span.high)
        yield _svg_rect("ground", low, box.top, high - low, box.bottom - box.top)
    if is_first:
        yield from (word.drawn() for word in _ground_words(spans, box))


def _ground_words(spans: Iterable[Span], box: _PanelBox) -> Iterable[_PageWord]:
    for span in spans:
        if span.word:
            _, high = box.across_inside(span.low, span.high)
            yield _PageWord(high - 5.0, box.bottom - 5.0, span.word, "end", "quiet")


def _span_words(panel: Panel, box: _PanelBox) -> Iterable[_PageWord]:
    for item in panel.items:
        if isinstance(item, Span) and item.word:
            up, _ = box.down_inside(item.high, item.low)
            yield _PageWord(WIDTH - RIGHT - 3.0, up + 14.0, item.word, "end", "quiet")


def _svg_panel(panel: Panel, box: _PanelBox) -> Iterable[ET.Element]:
    for item in panel.items:
        if isinstance(item, Span):
            up, down = box.down_inside(item.high, item.low)
            yield _svg_rect("ground", LEFT, up, WIDTH - LEFT - RIGHT, down - up)
    yield from (word.drawn() for word in _span_words(panel, box))
    for index, tick in enumerate(panel.y.ticks):
        y = float(box.down(tick))
        yield _svg_line("grid", LEFT, y, WIDTH - RIGHT, y)
        yield _svg_text(LEFT - 4.0, y + 4.5, panel.y.word(index), "end", "tick")
    yield _svg_line("axis", LEFT, box.bottom, WIDTH - RIGHT, box.bottom)
    yield _panel_label(panel.y, box.top).drawn()


def _tick_start(y: Scale) -> float:
    """Where the longest number of an axis begins: left of the picture, a minus would be cut off."""
    longest = max((len(y.word(k)) for k in range(len(y.ticks))), default=0)
    return 0.0 if longest < _LONG_NUMBER else LEFT - 4.0 - TYPE * _DIGIT_EM * longest


def _panel_label(y: Scale, top: float) -> _PageWord:
    return _PageWord(2.0, top - 13.0, y.label, "start", "label")


def _svg_x_axis(x: Scale, last: _PanelBox) -> Iterable[ET.Element]:
    for index, tick in enumerate(x.ticks):
        at = float(last.across(tick))
        yield _svg_line("axis", at, last.bottom, at, last.bottom + 4.0)
        yield _svg_text(at, last.bottom + 17.0, x.word(index), "middle", "tick")
    yield _svg_text((LEFT + WIDTH - RIGHT) / 2, last.bottom + 35.0, x.label, "middle", "label")


def _svg_word_extent(x: Scale, upright: Upright) -> tuple[float, float]:
    """Where an upright's word begins and ends, in the picture's units. Without a word both are the
    line's place."""
    half = _word_length(upright.word) / 2 + 3.0
    middle = min(max(_svg_x(x, upright.x), half), WIDTH - half)
    return (middle - half, middle + half) if upright.word else (middle, middle)


def _word_length(word: str) -> float:
    return TYPE * width_em(word)


def _svg_upright(upright: Upright, boxes: Sequence[_PanelBox], y: float) -> Iterable[ET.Element]:
    x = float(boxes[0].across(upright.x))
    if not LEFT - 1.0 <= x <= WIDTH - RIGHT + 1.0:
        return
    if upright.x_sd is not None:
        low, high = boxes[0].across_inside(upright.x - upright.x_sd, upright.x + upright.x_sd)
        if high - low > LEAST_BAND:
            d = "".join(
                f"M{_tenths(low)} {_tenths(box.top)}H{_tenths(high)}V{_tenths(box.bottom)}"
                f"H{_tenths(low)}z"
                for box in boxes
            )
            yield element("path", {"class": f"band faint ink-{upright.ink}", "d": d})
    kind = f"upright {upright.kind} ink-{upright.ink}"
    line = _upright_line(x, y + 3.0, boxes)
    sign = _upright_sign(upright, x, boxes[0].top)
    if upright.dashed:  # the sign stays whole
        yield element("path", {"class": f"{kind} dashed", "d": line})
        line = ""
    if line + sign:
        yield element("path", {"class": kind, "d": line + sign})
    if upright.word:
        low, high = _svg_word_extent(boxes[0].x, upright)
        yield _svg_text((low + high) / 2, y, upright.word, "middle", f"word ink-{upright.ink}")


def _upright_line(x: float, y: float, boxes: Sequence[_PanelBox]) -> str:
    """From an upright's word down to the axis, interrupted where it would strike through the label
    of a panel."""
    pieces = [[y, y]]
    for box in boxes:
        label = _panel_label(box.y, box.top).box
        if label.left <= x <= label.right:
            pieces.append([box.top, box.top])
        pieces[-1][1] = box.bottom
    return "".join(
        f"M{_tenths(x)} {_tenths(start)}V{_tenths(end)}" for start, end in pieces if end > start
    )


def _upright_sign(upright: Upright, x: float, y: float) -> str:
    """The strokes of the sign at an upright's head, as a path."""
    return "".join(
        f"M{_tenths(x + _UPRIGHT_SIGN * a)} {_tenths(y + _UPRIGHT_SIGN * b)}l"
        + " ".join(
            f"{_tenths(_UPRIGHT_SIGN * (d - b))} {_tenths(_UPRIGHT_SIGN * (e - c))}"
            for (b, c), (d, e) in itertools.pairwise(stroke)
        )
        for stroke in UPRIGHTS[upright.kind].sign
        for a, b in stroke[:1]
    )


# --- what stands on a panel -----------------------------------------------------------------


def _svg_items(items: Iterable[Item], box: _PanelBox, live: Live) -> Iterable[ET.Element]:
    groups: dict[int, ET.Element] = {}
    for _, alike in itertools.groupby(items, _same_look):
        item, *more = alike
        parts = list(_svg_alike([item, *more], box) if more else _svg_item(item, box, live))
        rep = getattr(item, "rep", None)
        if rep is None:
            yield from parts
            continue
        if rep not in groups:
            groups[rep] = element("g", {"data-rep": str(rep)})
            yield groups[rep]
        groups[rep].extend(parts)


def _same_look(item: Item) -> tuple[Any, ...]:
    """What bars and smears beside each other have in common, which are drawn as one path; what is
    drawn alone is like itself only."""
    if isinstance(item, Bar):
        return Bar, item.ink, item.pattern, item.height
    if isinstance(item, Smear):
        return Smear, item.ink, item.height
    return (id(item),)


def _svg_alike(alike: Sequence[Item], box: _PanelBox) -> Iterable[ET.Element]:
    bars = [item for item in alike if isinstance(item, Bar)]
    return (
        (_svg_bars(bars, box),)
        if bars
        else (_svg_smears([item for item in alike if isinstance(item, Smear)], box),)
    )


def _svg_bars(bars: Sequence[Bar], box: _PanelBox) -> ET.Element:
    first = bars[0]
    pieces = [
        f"M{_tenths(low)} {_tenths(float(box.down(bar.y)))}H{_tenths(high)}"
        for bar in bars
        for low, high in [box.across_inside(bar.x0, bar.x1)]
    ]
    high = BARS[first.pattern].part * _lane_height(first.height, box)
    kind = f"bar {first.pattern.replace(' ', '-')} ink-{first.ink}"
    return element("path", {"class": kind, "stroke-width": _tenths(high), "d": "".join(pieces)})


def _lane_height(height: float, box: _PanelBox) -> float:
    return float(abs(height / (box.y.high - box.y.low)) * (box.bottom - box.top))


def _svg_item(item: Item, box: _PanelBox, live: Live) -> Iterable[ET.Element]:
    if isinstance(item, Curve):
        return _svg_curve(item, box, "none" if item.reading is None else live)
    if isinstance(item, Dot):
        return _svg_dot(item, box)
    if isinstance(item, Bracket):
        return _svg_bracket(item, box)
    if isinstance(item, Smear):
        return (_svg_smears([item], box),)
    if isinstance(item, Bar):
        return (_svg_bars([item], box),)
    return ()


def _svg_smears(smears: Sequence[Smear], box: _PanelBox) -> ET.Element:
    """Layers over each other, each of broad lines."""
    layers = []
    for reach in SMEAR_REACH:
        pieces = [
            f"M{_tenths(low)} {_tenths(float(box.down(one.y)))}H{_tenths(high)}"
            for one in smears
            for low, high in [box.across_inside(one.x - reach * one.sd, one.x + reach * one.sd)]
        ]
        layers.append(element("path", {"d": "".join(pieces)}))
    high = _tenths(_lane_height(smears[0].height, box))
    return element("g", {"class": f"spread ink-{smears[0].ink}", "stroke-width": high}, *layers)


def _svg_curve(curve: Curve, box: _PanelBox, live: Live) -> Iterable[ET.Element]:
    x = np.asarray(box.across(curve.x))
    y = np.clip(np.asarray(box.down(curve.y)), box.top, box.bottom)
    sd = None if curve.sd is None else curve.sd / (box.y.high - box.y.low) * (box.bottom - box.top)
    ink, reading = f"ink-{curve.ink}", curve.reading or ""
    parts = [
        slice(first, last)
        for first, last in zip((0, *curve.breaks), (*curve.breaks, len(x)), strict=True)
        if last - first > 1
    ]
    if sd is not None and parts:
        if live == "none":
            d = "".join(_band_path(x[part], y[part], sd[part], box) for part in parts)
            yield element("path", {"class": f"band {ink}", "d": d})
        else:
            yield element("path", {"class": f"band {ink}", "data-band": reading})
    if parts:
        more = (" thin" if curve.thin else "") + (" dashed" if curve.dashed else "")
        given = {"class": f"curve {ink}{more}"}
        if live == "all":
            given["data-reading"] = reading
        else:
            given["d"] = "".join(_line_path(x[p], y[p]) for p in parts)
        yield element("path", given)
        if INKS[curve.ink].core:
            yield element("path", given | {"class": f"curve core {ink}"})
    if curve.signs is not None and len(curve.signs):
        sign = INKS[curve.ink].sign
        yield (
            _svg_signs(curve, box)
            if live == "none"
            else element("path", {"class": f"signs {sign} {ink}", "data-signs": reading})
        )


def _line_path(x: Floats, y: Floats) -> str:
    return _simplified_path(x.tobytes(), y.tobytes())


@functools.lru_cache(maxsize=2048)  # a takeover's curves are drawn in three figures
def _simplified_path(x_bytes: bytes, y_bytes: bytes) -> str:
    x, y = np.frombuffer(x_bytes), np.frombuffer(y_bytes)
    rows = _simplified_rows(x, y)
    return _polyline_path(x[rows], y[rows])


def _band_path(x: Floats, y: Floats, sd: Floats, box: _PanelBox) -> str:
    edges = [np.clip(y + k * sd, box.top, box.bottom) for k in (-1, 1)]
    upper, lower = (_simplified_rows(x, edge, BAND_TOLERANCE) for edge in edges)
    around = np.concatenate([x[upper], x[lower][::-1]])
    edge = np.concatenate([edges[0][upper], edges[1][lower][::-1]])
    return _polyline_path(around, edge) + "z"


def _svg_signs(curve: Curve, box: _PanelBox) -> ET.Element:
    places = np.asarray(curve.signs)
    x, y = np.asarray(box.across(places[:, 0])), np.asarray(box.down(places[:, 1]))
    sign = INKS[curve.ink].sign
    if sign in ("disc", "square"):  # the end of a line of no length is one: a dozen bytes each
        path = "".join(f"M{_tenths(a)} {_tenths(b)}h0" for a, b in zip(x, y, strict=True))
        return element("path", {"class": f"signs {sign} ink-{curve.ink}", "d": path})
    path = "".join(_sign_path(sign, float(a), float(b)) for a, b in zip(x, y, strict=True))
    return element("path", {"class": f"sign full ink-{curve.ink}", "d": path})


def _sign_path(sign: Sign, x: float, y: float, r: float = _SIGN_SIZE) -> str:
    if sign == "square":
        side = _tenths(2 * r)
        return f"M{_tenths(x - r)} {_tenths(y - r)}h{side}v{side}h{_tenths(-2 * r)}z"
    if sign == "triangle":
        fall = f"l{_tenths(1.3 * r)} {_tenths(2.2 * r)}"
        return f"M{_tenths(x)} {_tenths(y - 1.3 * r)}{fall}h{_tenths(-2.6 * r)}z"
    return ""


def _svg_dot(dot: Dot, box: _PanelBox) -> Iterable[ET.Element]:
    x, y = box.at(dot.x, dot.y)
    ink = f"ink-{dot.ink}"
    bars = ""
    if dot.x_sd is not None:
        low, high = box.across_inside(dot.x - dot.x_sd, dot.x + dot.x_sd)
        bars += f"M{_tenths(low)} {_tenths(y)}H{_tenths(high)}"
    if dot.y_sd is not None:
        low, high = box.down_inside(dot.y - dot.y_sd, dot.y + dot.y_sd)
        bars += f"M{_tenths(x)} {_tenths(low)}V{_tenths(high)}"
    if bars:
        kind = f"bars faint {ink}" if dot.faint else f"bars {ink}"
        yield element("path", {"class": kind, "d": bars})
    size = 3.0 if dot.rep is not None else 4.2
    kind = f"sign {'full' if dot.full else 'hollow'} {ink}"
    if dot.sign == "disc":
        centre = {"cx": _tenths(x), "cy": _tenths(y), "r": f"{size:g}"}
        yield element("circle", {"class": kind, **centre})
    else:
        yield element("path", {"class": kind, "d": _sign_path(dot.sign, x, y, size)})


def _svg_bracket(bracket: Bracket, box: _PanelBox) -> Iterable[ET.Element]:
    (x0, y0), (x1, y1) = box.at(bracket.x0, bracket.y0), box.at(bracket.x1, bracket.y1)
    middle = (y0 + y1) / 2
    path = f"M{_tenths(x0)} {_tenths(y0)}V{_tenths(middle)}H{_tenths(x1)}V{_tenths(y1)}"
    yield element("path", {"class": "bracket", "d": path})


# --- words on a panel -------------------------------------------------------------------------


def _svg_words(
    figure: Figure, panel: Panel, box: _PanelBox, *, is_first: bool
) -> Iterable[ET.Element]:
    """The words of a panel's items, each near its thing and none on another. Captions keep their
    places before all others."""
    room = Box(LEFT, box.top - 8.0, WIDTH - 2.0, box.bottom)
    fixed = [word.box for word in _span_words(panel, box)]
    if is_first:
        fixed += [word.box for word in _ground_words(figure.spans, box)]
        fixed += _sign_boxes(figure, box)
    captions = [_caption_word(item, box) for item in panel.items if isinstance(item, Caption)]
    named = (_item_word(item, box) for item in reversed(panel.items))  # what is on top first
    wanted = [word for word in named if word is not None]
    if not captions and not wanted:
        return
    kept = place_words([word.box for word in captions], room, fixed)
    for word, shift in zip(captions, kept, strict=True):
        yield word.drawn(shift or (0.0, 0.0))
        fixed.append(_shifted_box(word.box, shift or (0.0, 0.0)))
    lines = [line for item in panel.items if (line := _item_line(item, box)) is not None]
    lines += [
        np.array([[x, box.top], [x, box.bottom]])
        for upright in figure.uprights
        for x in [float(box.across(upright.x))]
    ]
    shifts = place_words([word.box for word in wanted], room, fixed, lines)
    for word, shift in zip(wanted, shifts, strict=True):
        if shift is not None:
            yield word.drawn(shift)


def _sign_boxes(figure: Figure, box: _PanelBox) -> list[Box]:
    """Where the signs of the uprights stand, on which no word may."""
    found = []
    for upright in figure.uprights:
        reach = sign_reach(upright.kind)
        if reach is not None:
            x, (left, up, right, down) = float(box.across(upright.x)), reach
            size, top = _UPRIGHT_SIGN, box.top
            found.append(Box(x - size * left, top - size * up, x + size * right, top + size * down))
    return found


def _shifted_box(box: Box, shift: tuple[float, float]) -> Box:
    across, down = shift
    return Box(box.left + across, box.low + down, box.right + across, box.high + down)


def _item_line(item: Item, box: _PanelBox) -> Floats | None:
    """The course of what words are better not written across."""
    if isinstance(item, Curve) and len(item.x) > 1:
        rows = np.unique(np.linspace(0, len(item.x) - 1, LINE_ROWS).astype(int))
        down = np.clip(np.asarray(box.down(item.y[rows])), box.top, box.bottom)
        return np.column_stack([np.asarray(box.across(item.x[rows])), down])
    if isinstance(item, Dot):
        x, y = box.at(item.x, item.y)
        return np.array([[x - 4.0, y - 4.0], [x + 4.0, y + 4.0]])
    if isinstance(item, Bracket):
        return np.array([box.at(item.x0, item.y0), box.at(item.x1, item.y1)])
    return None


def _caption_word(caption: Caption, box: _PanelBox) -> _PageWord:
    x, y = box.at(caption.x, caption.y)
    kind = f"word ink-{caption.ink}" if caption.strong else f"label ink-{caption.ink}"
    return _PageWord(x, y + 5.0, caption.text, caption.side, kind)


def _item_word(item: Item, box: _PanelBox) -> _PageWord | None:
    """An item's word where it would best stand."""
    if isinstance(item, Curve) and item.word and len(item.x):
        return _curve_word(item, box)
    if isinstance(item, Dot) and item.word:
        x, y = box.at(item.x, item.y)
        at_end = x + 8.0 + _word_length(item.word) > WIDTH
        lift = -8.0 if y > box.top + 24.0 else 20.0
        return _PageWord(x + (-8.0 if at_end else 8.0), y + lift, item.word,
                         "end" if at_end else "start", "word")  # fmt: skip
    if isinstance(item, Bracket) and item.word:
        (x0, y0), (x1, y1) = box.at(item.x0, item.y0), box.at(item.x1, item.y1)
        # There is room below the slower runner's curve.
        late = max(x0, x1) + 8.0 + _word_length(item.word) > WIDTH
        at, anchor = (min(x0, x1) - 7.0, "end") if late else (max(x0, x1) + 7.0, "start")
        return _PageWord(at, max(y0, y1) + 20.0, item.word, anchor, "word")
    return None


def _curve_word(curve: Curve, box: _PanelBox) -> _PageWord:
    x = float(box.across(curve.x[curve.word_at]))
    y = float(np.clip(box.down(curve.y[curve.word_at]), box.top, box.bottom))
    late = x > 0.65 * WIDTH
    anchor = "start" if x < 0.35 * WIDTH else "end" if late else "middle"
    if curve.beside:
        x, y, anchor = x + (-10.0 if late else 10.0), y + 5.0, "end" if late else "start"
    else:
        y += -12.0 if curve.above else 21.0
    return _PageWord(x, y, curve.word, anchor, f"word ink-{curve.ink}")


# --- elements -------------------------------------------------------------------------------


def _simplified_rows(x: Floats, y: Floats, tolerance: float = TOLERANCE) -> np.ndarray:
    """Rows enough for a polyline that is off by `tolerance` at most.

    The method is that of Ramer (1972) and of Douglas & Peucker (1973).
    """
    keep = np.zeros(len(x), dtype=bool)
    keep[[0, -1]] = True
    parts = [(0, len(x) - 1)]
    while parts:
        first, last = parts.pop()
        if last - first < 2:
            continue
        dx, dy = x[last] - x[first], y[last] - y[first]
        ax, ay = x[first + 1 : last] - x[first], y[first + 1 : last] - y[first]
        length = float(np.hypot(dx, dy))
        off = np.abs(dx * ay - dy * ax) / length if length > 1e-9 else np.hypot(ax, ay)
        worst = int(off.argmax())
        if off[worst] > tolerance:
            keep[first + 1 + worst] = True
            parts += [(first, first + 1 + worst), (first + 1 + worst, last)]
    return np.flatnonzero(keep)


def _polyline_path(x: Floats, y: Floats) -> str:
    """The path of a polyline. Each point is given relative to the one before, in tenths of a unit,
    so that rounding does not add up."""
    tenths = np.rint(10.0 * np.column_stack([x, y])).astype(int)
    steps = np.diff(tenths, axis=0)
    start = f"M{_tenths(tenths[0, 0] / 10)} {_tenths(tenths[0, 1] / 10)}"
    return start + "l" + " ".join(f"{_tenths(a / 10)} {_tenths(b / 10)}" for a, b in steps)


def _tenths(value: float) -> str:
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


def _svg_numbers(values: Sequence[float]) -> str:
    return " ".join(f"{value:g}" for value in values)


def _svg_rect(kind: str, x: float, y: float, wide: float, high: float) -> ET.Element:
    sides = {
        "x": _tenths(x),
        "y": _tenths(y),
        "width": _tenths(max(wide, 0.0)),
        "height": _tenths(max(high, 0.0)),
    }
    return element("rect", {"class": kind, **sides})


def _svg_line(kind: str, x0: float, y0: float, x1: float, y1: float) -> ET.Element:
    if x0 == x1:
        end = f"V{_tenths(y1)}"
    else:
        end = f"H{_tenths(x1)}" if y0 == y1 else f"L{_tenths(x1)} {_tenths(y1)}"
    path = f"M{_tenths(x0)} {_tenths(y0)}{end}"
    return element("path", {"class": kind, "d": path})


def _svg_text(x: float, y: float, text: str, anchor: str, kind: str) -> ET.Element:
    place = {"x": _tenths(x), "y": _tenths(y), "class": f"{kind} at-{anchor}"}
    return element("text", place, keep_order(text))
