"""Where words stand, so that none lies on another: one way for every pen.

A pen says where each word would best stand, as a box, and gets back how far to shift it. Words keep
apart from each other and from what is fixed, and stay in their room; where they can, they also keep
off lines. A word that finds no room near its place is left out.
"""

from __future__ import annotations

import functools
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.base.values import Floats

STRUCK = 1.5  # heights of a word that it goes aside for each line that would strike it through
FARTHEST = 7.0  # heights of a word that it goes at most: farther off it would name something else
_ACROSS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.15, 1.4)  # shifts that are tried, in widths of the word
_DOWN = (0.0, 0.5, 0.85, 1.1, 1.5, 2.0, 2.6, 3.3, 4.2, 5.4, 7.0)  # and in its heights

# Widths in em, at least those of the broadest common type, DejaVu Sans Bold.
_NARROW, _SMALL, _USUAL, _CAPITAL, _WIDE, _FULL = 0.42, 0.5, 0.72, 0.86, 1.1, 1.0
_PIECES = 8  # of a line between two rows: what its boxes hold beyond the line is little
_LIGHT = 0.92  # of the same in plain weight


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle from `left` to `right` and from `low` to `high`, in a pen's units."""

    left: float
    low: float
    right: float
    high: float


def place_words(
    words: Sequence[Box],
    room: Box,
    fixed: Sequence[Box] = (),
    lines: Sequence[Floats] = (),
) -> list[tuple[float, float] | None]:
    """For each word how far to shift it across and up; None for a word that finds no room.

    The first come first. `fixed` are boxes that no word may touch, `lines` are courses (n, 2)
    through which words are better not struck.
    """
    taken = np.array([_edges(box) for box in fixed]).reshape(-1, 4)
    strokes = [part for part in map(_line_pieces, lines) if len(part)]
    found: list[tuple[float, float] | None] = []
    for word in words:
        shift = _shift_of(word, room, taken, strokes)
        found.append(shift)
        if shift is not None:
            moved = _edges(word) + np.array([*shift, *shift])
            taken = np.vstack([taken, moved])
    return found


def _edges(box: Box) -> Floats:
    return np.array([box.left, box.low, box.right, box.high])


def _line_pieces(line: Floats) -> Floats:
    """The boxes around a course's pieces, (n, 4): what such a box touches is taken as struck."""
    course = np.asarray(line, dtype=float).reshape(-1, 2)
    if len(course) < 2:
        return np.zeros((0, 4))
    way = np.linspace(0.0, 1.0, _PIECES, endpoint=False)[:, None]
    between = course[:-1, None, :] + (course[1:] - course[:-1])[:, None, :] * way
    points = np.vstack([between.reshape(-1, 2), course[-1:]])
    first, last = points[:-1], points[1:]
    return np.column_stack([np.minimum(first, last), np.maximum(first, last)])


def _shift_of(
    word: Box, room: Box, taken: Floats, strokes: Sequence[Floats]
) -> tuple[float, float] | None:
    wide, high = max(word.right - word.left, 1e-9), max(word.high - word.low, 1e-9)
    inside = _moved_inside(word, room)
    if inside is None:
        return None
    at_once = (_edges(word) + np.tile(inside, 2))[None, :]  # most words stand well where they are
    if not any(_touches(at_once, others).any() for others in (taken, *strokes)):
        return float(inside[0]), float(inside[1])
    across, down = np.meshgrid(wide * _both_ways(_ACROSS), high * _both_ways(_DOWN))
    shifts = np.column_stack([across.ravel(), down.ravel()]) + inside
    boxes = _edges(word) + np.tile(shifts, 2)
    edge = 1e-6 * max(wide, high)
    fits = (
        (boxes[:, 0] >= room.left - edge)
        & (boxes[:, 1] >= room.low - edge)
        & (boxes[:, 2] <= room.right + edge)
        & (boxes[:, 3] <= room.high + edge)
    )
    fits &= ~_touches(boxes, taken).any(axis=1)
    # A long word that goes to the other side of its thing has not gone far.
    step = np.array([0.5 * max(wide, 2.0 * high), high])
    cost = np.hypot(*(shifts / step).T)
    fits &= cost <= FARTHEST + np.hypot(*(inside / step))
    if not fits.any():
        return None
    reached = np.hstack([boxes[fits, :2].min(axis=0), boxes[fits, 2:].max(axis=0)])[None, :]
    for line in strokes:
        near = line[_touches(reached, line)[0]]
        cost += STRUCK * _touches(boxes, near).any(axis=1)
    best = int(np.where(fits, cost, np.inf).argmin())
    return float(shifts[best, 0]), float(shifts[best, 1])


def _both_ways(steps: Sequence[float]) -> Floats:
    return np.array([way * step for step in steps for way in ((1.0,) if not step else (1.0, -1.0))])


def _moved_inside(word: Box, room: Box) -> Floats | None:
    """The least shift that brings a word into its room; None where it is larger than that."""
    out = []
    for low, high, least, most in (
        (word.left, word.right, room.left, room.right),
        (word.low, word.high, room.low, room.high),
    ):
        if high - low > most - least + 1e-9:
            return None
        out.append(max(least - low, 0.0) - max(high - most, 0.0))
    return np.array(out)


def _touches(boxes: Floats, others: Floats) -> np.ndarray:
    """Whether each of the boxes (n, 4) overlaps each of the others (m, 4)."""
    a, b = boxes[:, None, :], others[None, :, :]
    across = (a[..., 0] < b[..., 2]) & (b[..., 0] < a[..., 2])
    down = (a[..., 1] < b[..., 3]) & (b[..., 1] < a[..., 3])
    return np.asarray(across & down)


@functools.lru_cache(maxsize=4096)
def width_em(text: str, *, bold: bool = True) -> float:
    """How wide a text is at most, in the size of its type, whatever common type it is set in."""
    return (1.0 if bold else _LIGHT) * sum(map(_letter_em, text))


def _letter_em(letter: str) -> float:
    if letter in " '!ijlI|/\\.,:;·()[]-’‘":
        return _NARROW
    if letter in 'tfrJ"*_`–':
        return _SMALL
    if letter in "mwMW%@½—":
        return _WIDE
    if unicodedata.combining(letter) or unicodedata.category(letter) == "Cf":
        return 0.0
    if unicodedata.east_asian_width(letter) in "WF":
        return _FULL
    return _CAPITAL if letter.isupper() or letter in "+<=>±−&#^~…" else _USUAL
