"""How what observers saw agrees with what was measured without it, one strip a kind of event."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats, Frozen
from pipeline.language.phrases import phrase
from pipeline.show.figures.figure import (
    Curve,
    Dot,
    Figure,
    Item,
    Panel,
    Scale,
    Span,
    Upright,
    make_scale,
)
from pipeline.show.wording import joined_parts, kinds_left_words

MOST_STRIPS = 6  # more would be too low to read
MOST_DOTS, MOST_HOLLOW = 1000, 50  # of a strip: the others would hide behind them
_WIDEST, _NARROWEST = 6.0, 3.5  # standard errors, either way
_TURN = 0.5 * (np.sqrt(5.0) - 1.0)  # of a golden section: neighbours lie far apart


@dataclass(frozen=True, eq=False)
class Strip(Frozen):
    """One kind of event: what is written above it, and each observation's difference in its
    standard errors, (n,), with those that are far off and were left out."""

    label: str
    z: Floats
    far_off: NDArray[np.bool_]


def agreement_figure(strips: Sequence[Strip], notes: Sequence[str] = ()) -> Figure:
    """The strips below each other, those with the most observations where there are too many."""
    shown = _most_observed(strips)
    rest = len(strips) - len(shown)
    reach = max(float(np.abs(one.z[~one.far_off]).max(initial=0.0)) for one in shown)
    reach = float(np.clip(reach, _NARROWEST, _WIDEST))
    return Figure(
        phrase("What was seen against what was measured without it"),
        joined_parts(one.label for one in shown) + ".",
        make_scale(phrase("seen less measured, in standard errors"), -reach, reach, 12),
        tuple(Panel(Scale(one.label, 0.0, 1.0, ()), _strip_items(one, reach)) for one in shown),
        (Upright("plain", 0.0),),
        (Span(-1.0, 1.0),),
        (
            phrase(
                "Each dot is an observation held out, in the standard errors that were stated. "
                "Where those are honest, two in three lie in the shaded band and 19 in 20 within "
                "2. Hollow: far off, perhaps misread, and left out of the figures. What lies "
                "beyond the edge is drawn at it."
            ),
            *notes,
            *kinds_left_words(rest),
        ),
    )


def _most_observed(strips: Sequence[Strip]) -> list[Strip]:
    by_size = sorted(range(len(strips)), key=lambda k: -len(strips[k].z))[:MOST_STRIPS]
    return [strips[k] for k in sorted(by_size)]


def _strip_items(strip: Strip, reach: float) -> tuple[Item, ...]:
    """Signs of a curve without a line for what counts, hollow dots for what is far off."""
    order = np.argsort(strip.z, kind="stable")
    height = 0.15 + 0.7 * (np.arange(len(order)) * _TURN % 1.0)
    at = np.column_stack([np.clip(strip.z[order], -reach, reach), height])
    far = strip.far_off[order]
    none = np.zeros(0)
    return (
        Curve("incoming", none, none, signs=_thinned(at[~far], MOST_DOTS)),
        *(Dot("into", float(x), float(y), full=False) for x, y in _thinned(at[far], MOST_HOLLOW)),
    )


def _thinned(at: Floats, most: int) -> Floats:
    """At most so many rows, evenly chosen."""
    return at[:: max(1, -(-len(at) // most))]
