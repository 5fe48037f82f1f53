"""What was seen against what was measured without it, in seconds over the takeover's time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.base.defaults import GATE_LEAD_M
from pipeline.base.values import Floats
from pipeline.base.words import capitalised
from pipeline.language.phrases import phrase, phrase_count, reworded
from pipeline.show.column_words import column_word
from pipeline.show.figures.figure import (
    Curve,
    Dot,
    Figure,
    Item,
    Panel,
    Upright,
    make_scale,
    range_around,
)
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import joined_parts, kinds_left_words, with_head

MOST_PANELS = 4  # more would be too low to read
MOST_SIGNS = 1000  # of a panel: the others would hide behind them
MOST_REACH = 5.0  # stated errors: what is farther off is drawn at the panel's edge
_SLOW_MPS = 1.0  # below it seconds at a gate say nothing about metres
BAND_STEPS = 16  # places along the time at which the stated error is drawn


def checks_figure(observations: Sequence[LakeRow], judged: Sequence[LakeRow]) -> Figure | None:
    """The moments that were held out, less what was measured without them, with the error that was
    stated; None where none was timed.

    `observations` are rows of that table, of whom those count that were held out (`use` is "check")
    and timed; `judged` are the rows of the table `validation`.
    """
    groups: dict[tuple[str, str], list[LakeRow]] = {}
    for row in observations:
        timed = None not in (row["difference_s"], row["estimated_t_s"]) and row["z"]
        if row["use"] == "check" and timed:
            groups.setdefault((row["kind"], row["event"]), []).append(row)
    if not groups:
        return None
    lead = next((row["lead_m"] for row in judged if row["lead_m"] is not None), None)
    shift_m = 0.0 if lead is None else float(lead) - GATE_LEAD_M
    most = sorted(groups, key=lambda key: -len(groups[key]))[:MOST_PANELS]
    times = [row["estimated_t_s"] for key in most for row in groups[key]]
    rest = len(groups) - len(most)
    return Figure(
        _agreement_title(judged),
        joined_parts(with_head(_group_words(key), _size_words(groups[key])) for key in most) + ".",
        make_scale(phrase("time since the incoming runner's entry, s"), *range_around(times, 0.05)),
        tuple(_check_panel(key, groups[key], shift_m) for key in most),
        (Upright("plain", 0.0, column_word("moment", "entry"), kind="entry"),)
        if min(times) < 0.0 < max(times)
        else (),
        (),
        _check_notes(None if lead is None else shift_m + GATE_LEAD_M, rest),
    )


def _check_panel(key: tuple[str, str], rows: Sequence[LakeRow], shift_m: float) -> Panel:
    """One kind of event: a sign at each difference, and the error that was stated as a band.

    Beams are broken `shift_m` farther ahead of the unit than was taken, so that much later."""
    t, difference = (
        np.array([row[name] for row in rows]) for name in ("estimated_t_s", "difference_s")
    )
    sd = np.abs(difference / np.array([row["z"] for row in rows]))
    if key == ("gates", "gate"):
        speed = [max(row["speed_mps"] or np.inf, _SLOW_MPS) for row in rows]
        difference = difference + shift_m / np.array(speed)
    reach = float(np.clip(np.abs(difference).max() * 1.15, 2.5 * np.median(sd),
                          MOST_REACH * np.median(sd)))  # fmt: skip
    near = np.abs(difference) <= reach
    order = np.argsort(t[near], kind="stable")
    at = np.column_stack([t[near], difference[near]])[order]
    at = at[:: max(1, -(-len(at) // MOST_SIGNS))]
    none = np.zeros(0)
    items: list[Item] = [_stated_band(t, sd), Curve("incoming", none, none, signs=at)]
    items += [
        Dot("into", float(x), float(np.sign(y) * reach), full=False)
        for x, y in zip(t[~near], difference[~near], strict=True)
    ]
    label = phrase("{group}: seen less measured, s", group=_group_words(key))
    return Panel(make_scale(label, -reach, reach, 4), tuple(items))


def _stated_band(t: Floats, sd: Floats) -> Curve:
    """Nothing off, with the error that was stated about each time as its band."""
    low, high = float(t.min()), float(t.max())
    x = np.linspace(low, high if high > low else low + 1e-3, BAND_STEPS)
    wide = max((high - low) / 8.0, 1e-3)
    weight = np.exp(-0.5 * ((x[:, None] - t) / wide) ** 2) + 1e-12
    return Curve("quiet", x, np.zeros(BAND_STEPS), sd=(weight @ sd) / weight.sum(axis=1))


# --- words ----------------------------------------------------------------------------------------


def _group_words(key: tuple[str, str]) -> str:
    kind, event = key
    moment = phrase("crossing") if event == "gate" else column_word("moment", event)
    if kind == "film":
        return phrase("{moment} on film", moment=moment)
    if kind == "gates":
        return phrase("{moment} at gates", moment=moment)
    return phrase("{moment} by stopwatch", moment=moment)


def _size_words(rows: Sequence[LakeRow]) -> str:
    off = float(np.sqrt(np.mean([row["difference_s"] ** 2 for row in rows])))
    observations = phrase_count("{count} observation", "{count} observations", len(rows))
    return phrase("{observations}, {off_s:.3f} s off", observations=observations, off_s=off)


def _agreement_title(judged: Sequence[LakeRow]) -> str:
    """What was found of the kind with the most observations; one whose errors are too small goes
    before all others."""
    if not judged:
        return phrase("What was seen lies as far off what was measured as is drawn")

    def rank(row: LakeRow) -> tuple[bool, int]:
        return row["verdict"] != "too small", -row["rows"]

    found = reworded(str(min(judged, key=rank)["conclusion"]))
    return capitalised(found.partition(" (")[0])


def _check_notes(lead_m: float | None, rest: int) -> tuple[str, ...]:
    notes = [
        phrase(
            "Each sign is a moment that was held out, less the one measured without it. The band "
            "is the standard error that was stated: where it is honest, two in three lie in it. "
            "Hollow: farther off than the panel reaches."
        ),
    ]
    if lead_m is not None:
        notes.append(
            phrase(
                "Gates are broken {lead_m:.2f} m ahead of the unit, by chest or arm; that is "
                "taken out.",
                lead_m=lead_m,
            )
        )
    return (*notes, *kinds_left_words(rest))
