"""What a figure is before anything draws it: curves, bands, dots and lines in data units.

`page_svg` draws figures for the page, `slides` draws them as SVG and PNG files. Both use the same
inks. Colour never carries a meaning alone: every curve has its name beside it and a sign of its
own. Solid lines and full dots were seen or measured; dashed lines and hollow dots are inferred.
The baton's own speed is a double line, and each kind of upright has a sign at its head.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from pipeline.base.values import Floats, Frozen
from pipeline.language.numbers import localised

InkName = Literal[
    "incoming", "outgoing", "baton", "plain", "quiet", "inside", "into", "away", "usual"
]
Sign = Literal["disc", "square", "triangle", "none"]
Reading = Literal["in", "out", "baton", "gap"]  # speed of either runner, of the baton; the gap
UprightKind = Literal["line", "mark", "go", "entry", "pass", "exit", "advised", "used"]
Stroke = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Ink:
    """Colour on light and on dark paper, line width in points, and the sign along the curve.

    Where there is a `core`, the curve is a double line: that part of its width is paper.

    The colours follow Okabe & Ito, Color Universal Design (2008): blue and vermilion look different
    to every kind of colour vision. They are darker or lighter than the originals, so that their
    contrast is 4.5 : 1 on either paper.
    """

    light: str
    dark: str
    width: float
    sign: Sign
    core: float = 0.0


INKS: dict[InkName, Ink] = {
    "incoming": Ink("#005a9c", "#6db9f2", 2.0, "disc"),
    "outgoing": Ink("#b84300", "#ff9a57", 2.0, "square"),
    "baton": Ink("#006148", "#4fd8ae", 8.0, "none", core=0.55),
    "usual": Ink("#6b6b6b", "#a3a3a3", 5.0, "none"),
    "plain": Ink("#111111", "#f2f2f2", 1.5, "none"),
    "quiet": Ink("#595959", "#b5b5b5", 0.8, "none"),
    "inside": Ink("#005a9c", "#6db9f2", 2.2, "disc"),
    "into": Ink("#b84300", "#ff9a57", 2.0, "triangle"),
    "away": Ink("#111111", "#f2f2f2", 2.0, "square"),
}
PAPER = {"light": "#ffffff", "dark": "#121212"}
ZONE = {"light": "#ececec", "dark": "#2c2c2c"}


@dataclass(frozen=True, slots=True)
class UprightLook:
    """How one kind of upright looks: its width in points, and the strokes of the sign at its head,
    in units of the sign's half height, x to the right and y downwards."""

    width: float
    sign: tuple[Stroke, ...] = ()


# The zone's lines are heavy with feet turned into the zone, the mark is a cross of tape, go an
# arrowhead, the pass two bars across: the hands on the baton.
UPRIGHTS: dict[UprightKind, UprightLook] = {
    "line": UprightLook(1.4),
    "mark": UprightLook(1.4, (((-1.0, -1.0), (1.0, 1.0)), ((1.0, -1.0), (-1.0, 1.0)))),
    "go": UprightLook(1.4, (((0.0, -1.0), (1.6, 0.0), (0.0, 1.0)),)),
    "entry": UprightLook(2.4, (((0.0, 0.0), (1.8, 0.0)),)),
    "pass": UprightLook(1.8, (((-1.5, -0.5), (1.5, -0.5)), ((-1.5, 0.6), (1.5, 0.6)))),
    "exit": UprightLook(2.4, (((0.0, 0.0), (-1.8, 0.0)),)),
    "advised": UprightLook(2.0, (((0.0, -1.3), (1.1, 0.0), (0.0, 1.3), (-1.1, 0.0), (0.0, -1.3)),)),
    "used": UprightLook(1.4, (((-1.0, -1.0), (1.0, 1.0)), ((1.0, -1.0), (-1.0, 1.0)))),
}


def sign_reach(kind: UprightKind) -> tuple[float, float, float, float] | None:
    """How far the sign of an upright goes to the left, up, to the right and down from its head, in
    units of the sign's half height; None where the kind has no sign."""
    points = [point for stroke in UPRIGHTS[kind].sign for point in stroke]
    if not points:
        return None
    across, down = zip(*points, strict=True)
    return -min(across), -min(down), max(across), max(down)


@dataclass(frozen=True, slots=True)
class Scale:
    """An axis from `low` to `high`: its label with the unit, and where its ticks are.

    `words` are written at the ticks instead of numbers, which are as the language in force writes
    them.
    """

    label: str
    low: float
    high: float
    ticks: tuple[float, ...]
    words: tuple[str, ...] | None = None

    def part(self, value: Any) -> Any:
        """The part of the way from `low` (0) to `high` (1), for a number or an array."""
        return (value - self.low) / (self.high - self.low)

    def word(self, index: int) -> str:
        """What is written at a tick."""
        if self.words is not None:
            return self.words[index]
        return localised(f"{self.ticks[index]:g}")


@dataclass(frozen=True, eq=False)
class Curve(Frozen):
    """y over x, (n,) each, with a band of one standard error where `sd` is given.

    The line is interrupted before each row in `breaks`. `signs` (k, 2) are the places of the ink's
    sign along the curve. `word` is written at the row `word_at`: above the curve (`above`), below
    it, or beside it where it is steep (`beside`). `rep` is the takeover's index where several are
    drawn over each other, and `thin` draws a thin line for such figures. `reading` names the
    takeover's reading that the curve shows, where it is one.
    """

    ink: InkName
    x: Floats
    y: Floats
    sd: Floats | None = None
    breaks: tuple[int, ...] = ()
    signs: Floats | None = None
    word: str = ""
    word_at: int = 0
    above: bool = True
    beside: bool = False
    rep: int | None = None
    thin: bool = False
    dashed: bool = False
    reading: Reading | None = None


@dataclass(frozen=True, slots=True)
class Dot:
    """A point with its standard errors; full where it was seen or measured, else hollow. Where
    many lie together their errors are `faint`."""

    ink: InkName
    x: float
    y: float
    full: bool = True
    x_sd: float | None = None
    y_sd: float | None = None
    sign: Sign = "disc"
    word: str = ""
    rep: int | None = None
    faint: bool = False


@dataclass(frozen=True, slots=True)
class Upright:
    """A line across all panels at one x, with its word above them; dashed where it is inferred. Its
    `kind` gives it its width and the sign at its head."""

    ink: InkName
    x: float
    word: str = ""
    dashed: bool = False
    x_sd: float | None = None
    kind: UprightKind = "line"


@dataclass(frozen=True, slots=True)
class Bracket:
    """A distance between two points; `word` is written beside it."""

    x0: float
    y0: float
    x1: float
    y1: float
    word: str


@dataclass(frozen=True, slots=True)
class Span:
    """Shading from `low` to `high`: of x across all panels, or of y in one panel."""

    low: float
    high: float
    word: str = ""


@dataclass(frozen=True, slots=True)
class Smear:
    """How likely each place along x is, for a value that is spread by the standard deviation `sd`
    about `x`: darkest in the middle, paler outwards, in a lane about `y` that takes `height` of the
    y axis."""

    ink: InkName
    x: float
    sd: float
    y: float
    height: float


# A smear is drawn as layers over each other: each reaches so many standard deviations to both
# sides, which hold a quarter, half, three quarters and 19 in 20 of a normal law.
SMEAR_REACH = (0.32, 0.67, 1.15, 1.96)
SMEAR_LAYER = 0.27  # how much of the ground each layer covers


@dataclass(frozen=True, slots=True)
class Caption:
    """Words that stand at a place of their own, which begin (`start`), end or have their middle at
    `x`. Their middle line is at `y`."""

    x: float
    y: float
    text: str
    ink: InkName = "plain"
    side: Literal["start", "middle", "end"] = "start"
    strong: bool = False


BarPattern = Literal[
    "solid", "stripes", "bricks", "fine", "posts", "thin", "thin stripes", "pale", "ground"
]


@dataclass(frozen=True, slots=True)
class BarLook:
    """How a bar is filled: dashes along it in points (none: it is solid), the part of its height
    that is filled, and how much it covers."""

    dashes: tuple[float, ...] = ()
    part: float = 1.0
    cover: float = 1.0


BARS: dict[BarPattern, BarLook] = {
    "solid": BarLook(),
    "stripes": BarLook((3.0, 3.0)),
    "bricks": BarLook((9.0, 1.5)),
    "fine": BarLook((1.2, 1.8)),
    "posts": BarLook((2.0, 5.0)),
    "thin": BarLook(part=0.4),
    "thin stripes": BarLook((3.0, 2.0), part=0.4),
    "pale": BarLook(cover=0.4),
    "ground": BarLook(cover=0.15),
}


@dataclass(frozen=True, slots=True)
class Bar:
    """A piece of a bar from `x0` to `x1` about `y`, which takes `height` of the y axis."""

    ink: InkName
    pattern: BarPattern
    x0: float
    x1: float
    y: float
    height: float


Item = Curve | Dot | Bracket | Span | Smear | Caption | Bar


@dataclass(frozen=True, slots=True)
class Panel:
    """One y axis and the items on it, drawn in their order; `share` is its height relative to the
    figure's other panels."""

    y: Scale
    items: tuple[Item, ...]
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Figure:
    """Panels one below the other on one x axis.

    `title` names it. `description` says in words what it shows, for readers who cannot see it.
    `notes` are written below it: units, number of takeovers, uncertainty.
    """

    title: str
    description: str
    x: Scale
    panels: tuple[Panel, ...]
    uprights: tuple[Upright, ...] = ()
    spans: tuple[Span, ...] = ()
    notes: tuple[str, ...] = ()


def figure_words(figure: Figure) -> Iterator[str]:
    """All that is written in a figure, title and notes with it."""
    yield figure.title
    yield from figure.notes
    for scale in (figure.x, *(panel.y for panel in figure.panels)):
        yield scale.label
        yield from (scale.word(k) for k in range(len(scale.ticks)))
    yield from (upright.word for upright in figure.uprights)
    yield from (span.word for span in figure.spans)
    for panel in figure.panels:
        for item in panel.items:
            if isinstance(item, Caption):
                yield item.text
            elif isinstance(item, (Curve, Dot, Bracket, Span)):
                yield item.word


def stack_rows(extents: Sequence[tuple[float, float]]) -> list[int]:
    """A row for each extent (low, high), counted from 0, so that no two extents in a row overlap.
    From left to right each takes the lowest free row. Words above a figure are set in such rows."""
    rows = [0] * len(extents)
    taken: dict[int, list[tuple[float, float]]] = {}
    for index in sorted(range(len(rows)), key=lambda k: extents[k]):
        low, high = extents[index]
        row = 0
        while any(low < b and a < high for a, b in taken.get(row, [])):
            row += 1
        taken.setdefault(row, []).append((low, high))
        rows[index] = row
    return rows


def make_scale(label: str, low: float, high: float, at_most: int = 8) -> Scale:
    """An axis from low to high with at most about `at_most` steps of 1, 2 or 5 times a power of
    ten."""
    if not high > low:
        low, high = low - 0.5, high + 0.5
    least = (high - low) / at_most
    power = 10.0 ** np.floor(np.log10(least))
    step = next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= least * (1 - 1e-9))
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    ticks = tuple(float(round(k * step, 10) + 0.0) for k in range(first, last + 1))
    return Scale(label, low, high, ticks)


def range_around(values: Sequence[float] | Floats, around: float = 0.05) -> tuple[float, float]:
    """The least and the greatest finite value, widened by the part `around` of their distance;
    (0, 1) where there is none."""
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if not len(known):
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    room = around * (high - low) or 0.5
    return low - room, high + room
