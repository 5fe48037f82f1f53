"""What a figure is, before anything draws it: curves, bands, dots, lines, in data units.

`vector` draws figures for the page, `slides` for SVG and PNG files; both read the same inks. An
ink never carries a meaning alone: curves have their name beside them and a sign of their own,
broken lines and hollow dots are what is inferred, whole lines and full dots what was seen or
measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from pipeline.base.values import Floats, Frozen

InkName = Literal["incoming", "outgoing", "baton", "plain", "quiet", "inside", "into", "away"]
Sign = Literal["disc", "square", "triangle", "none"]


@dataclass(frozen=True, slots=True)
class Ink:
    """Colour on light and on dark paper, width in points, sign set along the curve.

    Colours are chosen after Okabe & Ito, Color Universal Design (2008): blue and vermilion differ
    for every kind of colour vision; darker or lighter than theirs, for 4.5 : 1 on either paper.
    """

    light: str
    dark: str
    width: float
    sign: Sign


INKS: dict[InkName, Ink] = {
    "incoming": Ink("#005a9c", "#6db9f2", 2.0, "disc"),
    "outgoing": Ink("#b84300", "#ff9a57", 2.0, "square"),
    "baton": Ink("#8d8d8d", "#8a8a8a", 7.0, "none"),
    "plain": Ink("#111111", "#f2f2f2", 1.5, "none"),
    "quiet": Ink("#595959", "#b5b5b5", 0.8, "none"),
    "inside": Ink("#005a9c", "#6db9f2", 2.2, "disc"),
    "into": Ink("#b84300", "#ff9a57", 2.0, "triangle"),
    "away": Ink("#111111", "#f2f2f2", 2.0, "square"),
}
PAPER = {"light": "#ffffff", "dark": "#121212"}
ZONE = {"light": "#ececec", "dark": "#2c2c2c"}


@dataclass(frozen=True, slots=True)
class Scale:
    """An axis: what it counts, with its unit, from `low` to `high`, and where it is numbered.

    `words` stand at the ticks instead of numbers.
    """

    label: str
    low: float
    high: float
    ticks: tuple[float, ...]
    words: tuple[str, ...] | None = None

    def part(self, value: Any) -> Any:
        """0 at `low`, 1 at `high`; of a number or an array."""
        return (value - self.low) / (self.high - self.low)

    def word(self, index: int) -> str:
        if self.words is not None:
            return self.words[index]
        return f"{self.ticks[index]:g}".replace("-", "−")


@dataclass(frozen=True, eq=False)
class Curve(Frozen):
    """y over x, (n,) each, with a band of one standard error where `sd` is given.

    `breaks` are the rows before which the pen is lifted. `signs` (k, 2) are the places of the
    ink's sign along the curve. `word` is written at the row `word_at`: above it, below it, or,
    where the curve is steep, beside it on the right.
    `rep` groups what belongs to one takeover of several. `thin` is for many laid over each other.
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


@dataclass(frozen=True, slots=True)
class Dot:
    """A point with its standard errors: full where seen or measured, hollow where inferred."""

    ink: InkName
    x: float
    y: float
    full: bool = True
    x_sd: float | None = None
    y_sd: float | None = None
    sign: Sign = "disc"
    word: str = ""
    rep: int | None = None


@dataclass(frozen=True, slots=True)
class Upright:
    """A line across all panels at one x, its word above them; broken where it is inferred."""

    ink: InkName
    x: float
    word: str = ""
    broken: bool = False
    x_sd: float | None = None


@dataclass(frozen=True, slots=True)
class Bracket:
    """A distance between two points, written beside it."""

    x0: float
    y0: float
    x1: float
    y1: float
    word: str


@dataclass(frozen=True, slots=True)
class Span:
    """The ground from `low` to `high`, across all panels (along x) or one panel (along y)."""

    low: float
    high: float
    word: str = ""


Item = Curve | Dot | Bracket | Span


@dataclass(frozen=True, slots=True)
class Panel:
    """One y axis and what stands on it, drawn in this order; `share` of the figure's height."""

    y: Scale
    items: tuple[Item, ...]
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Figure:
    """Panels one below the other on one x axis.

    `title` names it, `says` is what it shows in words, for who cannot see it; `notes` state units,
    number of reps and uncertainty below it.
    """

    title: str
    says: str
    x: Scale
    panels: tuple[Panel, ...]
    uprights: tuple[Upright, ...] = ()
    spans: tuple[Span, ...] = ()
    notes: tuple[str, ...] = ()


def stacked(extents: Sequence[tuple[float, float]]) -> list[int]:
    """For each extent (low, high) the lowest row, from 0, where it lies on none given a row before,
    from left to right; words over a picture are set in such rows."""
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


def scale(label: str, low: float, high: float, at_most: int = 8) -> Scale:
    """An axis that covers low to high, numbered at steps of 1, 2 or 5 (times a power of ten)."""
    if not high > low:
        low, high = low - 0.5, high + 0.5
    least = (high - low) / at_most
    power = 10.0 ** np.floor(np.log10(least))
    step = next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= least * (1 - 1e-9))
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    ticks = tuple(float(round(k * step, 10) + 0.0) for k in range(first, last + 1))
    return Scale(label, low, high, ticks)


def covering(values: Sequence[float] | Floats, around: float = 0.05) -> tuple[float, float]:
    """The least and the most of some finite values with some room about them; (0, 1) of none."""
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    if not len(known):
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    room = around * (high - low) or 0.5
    return low - room, high + room
