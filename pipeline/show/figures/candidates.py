"""A pair's candidate marks, and what is expected at those a coach asks of first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.base.defaults import FOOT_M
from pipeline.language.phrases import phrase
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import foot_length_m

SAME_FEET = 0.25  # marks nearer to each other than this are one: a tape is laid to half a foot
ChoiceKind = Literal["in use", "advised", "in use and advised", "nearer", "farther"]
_COLUMNS = ("p_in_zone", "p_ran_into", "pass_m", "pass_sd_m", "pass_spread_m", "zone_time_s")


@dataclass(frozen=True, slots=True)
class MarkChoice:
    """One place of the tape, what it is and is called, and what is expected there: `p_in_zone` and
    `p_ran_into` are chances, the pass comes at `pass_m` past the entry line, give or take
    `pass_sd_m` [m]: how far takeovers differ and how well their middle is known, together."""

    kind: ChoiceKind
    name: str
    mark_m: float
    p_in_zone: float
    p_ran_into: float
    pass_m: float
    pass_sd_m: float
    zone_time_s: float


def marks_from_advised_stand(rows: Sequence[LakeRow]) -> list[LakeRow]:
    """The candidates where the receiver stands and sets off as advised, by their mark; none where
    no row is advised."""
    advised = next((row for row in rows if row["advised"]), None)
    if advised is None:
        return []
    how = ("outgoing_start_m", "pace")
    same = [row for row in rows if all(abs(row[k] - advised[k]) < 1e-6 for k in how)]
    return sorted(same, key=lambda row: row["mark_m"])


def mark_choices(same: Sequence[LakeRow], in_use_m: float | None) -> list[MarkChoice]:
    """The mark in use, the one advised, and those one foot nearer and farther than that, as far as
    the candidates reach.

    `same` are the candidates where the receiver stands as advised, by their mark; between them
    everything is linear. A foot is the receiver's foot-length, else `FOOT_M`.
    """
    advised = next(row for row in same if row["advised"])
    foot_m = foot_length_m(advised) or FOOT_M
    is_one = in_use_m is not None and abs(in_use_m - advised["mark_m"]) < SAME_FEET * foot_m
    wanted: list[tuple[ChoiceKind, float | None]] = [
        ("in use", None if is_one else in_use_m),
        ("in use and advised" if is_one else "advised", advised["mark_m"]),
        ("nearer", advised["mark_m"] - foot_m),
        ("farther", advised["mark_m"] + foot_m),
    ]
    in_feet = bool(foot_length_m(advised))
    found = (
        _choice_at(kind, _choice_name(kind, in_feet=in_feet), mark_m, same)
        for kind, mark_m in wanted
        if mark_m is not None
    )
    return [one for one in found if one is not None]


def _choice_name(kind: ChoiceKind, *, in_feet: bool) -> str:
    if kind == "in use":
        return phrase("in use")
    if kind == "advised":
        return phrase("advised")
    if kind == "in use and advised":
        return phrase("in use and advised")
    if kind == "nearer":
        return phrase("one foot nearer") if in_feet else phrase("{m:.1f} m nearer", m=FOOT_M)
    return phrase("one foot farther") if in_feet else phrase("{m:.1f} m farther", m=FOOT_M)


def _choice_at(
    kind: ChoiceKind, name: str, mark_m: float, same: Sequence[LakeRow]
) -> MarkChoice | None:
    """What is expected at a mark, linear between the candidates; None beyond the last of them."""
    marks = [row["mark_m"] for row in same]
    if not marks[0] - 1e-6 <= mark_m <= marks[-1] + 1e-6:
        return None
    at = {
        column: float(np.interp(mark_m, marks, [row[column] for row in same]))
        for column in _COLUMNS
    }
    return MarkChoice(
        kind,
        name,
        mark_m,
        at["p_in_zone"],
        at["p_ran_into"],
        at["pass_m"],
        float(np.hypot(at["pass_sd_m"], at["pass_spread_m"])),
        at["zone_time_s"],
    )
