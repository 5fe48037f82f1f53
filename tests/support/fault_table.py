"""What went wrong, as named and as it was: right, missed and false ones of each kind.

The bounds say how well the rules of `faults.name_faults` do today, over sessions in which most
reps go wrong. A rule that names less, or names what did not happen, breaks them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Bound:
    """Of those that happened the share named at least; of the others the share named at most."""

    right: float
    false: float


BOUNDS = {
    "early start": Bound(0.9, 0.03),
    "late start": Bound(0.75, 0.03),
    # Trunks an arm apart with a gap good to 0.2 m: few are sure.
    "ran into": Bound(0.1, 0.03),
    "ran away": Bound(0.6, 0.03),
    # A third of a metre a second less for a few steps: the traces cannot tell it from reaching out.
    "incoming slowed": Bound(0.0, 0.04),
    "outgoing eased": Bound(0.6, 0.03),
    "passed before the zone": Bound(0.4, 0.03),
    "passed beyond the zone": Bound(0.4, 0.03),
}
KINDS = tuple(BOUNDS)


@dataclass(frozen=True)
class Count:
    """Takeovers of one kind of fault; `fine` are those without it, of which none was named."""

    right: int
    missed: int
    false: int
    fine: int


def count_faults(pairs: Iterable[tuple[Iterable[str], Iterable[str]]]) -> dict[str, Count]:
    """From (faults named, faults that happened) of each takeover, one count a kind."""
    sets = [(set(named), set(true)) for named, true in pairs]
    unknown = {word for both in sets for words in both for word in words} - set(KINDS)
    if unknown:
        raise ValueError(f"no kind of fault: {', '.join(sorted(unknown))}")
    return {
        kind: Count(
            right=sum(kind in named and kind in true for named, true in sets),
            missed=sum(kind not in named and kind in true for named, true in sets),
            false=sum(kind in named and kind not in true for named, true in sets),
            fine=sum(kind not in named and kind not in true for named, true in sets),
        )
        for kind in KINDS
    }


def broken_bounds(counts: dict[str, Count]) -> list[str]:
    """Which bounds the counts do not keep, in words."""
    out = []
    for kind, count in counts.items():
        happened, others = count.right + count.missed, count.false + count.fine
        if count.right < BOUNDS[kind].right * happened:
            out.append(f"{kind}: {count.right} right of {happened}")
        if count.false > BOUNDS[kind].false * others:
            out.append(f"{kind}: {count.false} false of {others}")
    return out
