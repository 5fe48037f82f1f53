"""What the card shows of each pair and each receiver, from the tables `marks` and `runners`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.base import defaults
from pipeline.base.relays import is_blind
from pipeline.base.track_rule import TrackRule, track_rule
from pipeline.base.words import FEW_REPS, falls_short, is_risky
from pipeline.errors import InputError, UsageError
from pipeline.show.wording import foot_length_m
from pipeline.tables import schema

CardPair = tuple[str, str]  # incoming, outgoing

# (rows, 4): where the receiver stands, mark, chance, zone time; sorted by stand, then mark
CandidateCurve = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ReceiverFacts:
    """A receiver's foot-length [m] and start after the mark [s]; None where not known."""

    foot_m: float | None
    lag_s: float | None


@dataclass(frozen=True, slots=True)
class PairMark:
    """One pair's advised row, and what the mark one step nearer and farther would do (or None).

    `in_use_m`: the mark the pair used last, and `foot_m`: the receiver's foot-length, None where
    not known; `rule`: when to move the mark at the track, None in a change by sight.
    """

    row: Mapping[str, Any]
    is_short: bool
    may_collide: bool
    is_thin: bool
    nearer: tuple[float, float] | None  # chance, and change of the zone time [s]
    farther: tuple[float, float] | None
    in_use_m: float | None
    foot_m: float | None
    rule: TrackRule | None

    @property
    def is_untried(self) -> bool:
        return bool(self.row["reps_pair"] == 0)


def choose_team(marks: pa.Table, event: str, team: Sequence[str] | None) -> list[str]:
    """The runners of the card: `team`, or all in `marks` by name.

    Raises UsageError where `marks` is empty, a runner is not in it or named twice, or there are
    fewer than two.
    """
    there = sorted({*marks["incoming"].to_pylist(), *marks["outgoing"].to_pylist()})
    if not there:
        raise UsageError(
            "marks", f"no marks of the event {event}", "an event of the table", "make them first"
        )
    chosen = there if team is None else list(team)
    unknown = [runner for runner in chosen if runner not in there]
    if unknown:
        raise UsageError(
            "team", f"{', '.join(unknown)}: not in the table marks", f"of {', '.join(there)}"
        )
    if len(set(chosen)) < len(chosen):
        raise UsageError("team", ", ".join(chosen), "each runner once")
    if len(chosen) < 2:
        raise UsageError("team", f"{len(chosen)} runner", "two or more: a card shows pairs")
    return chosen


def receiver_facts(
    runners: pa.Table | None, event: str, team: Sequence[str]
) -> dict[str, ReceiverFacts] | None:
    """The facts of the team's runners in an event; None without the table."""
    if runners is None:
        return None
    schema.check_table("runners", runners)
    rows = runners.select(["runner", "event", "foot_m", "lag_s"]).to_pylist()
    return {
        row["runner"]: ReceiverFacts(row["foot_m"], row["lag_s"])
        for row in rows
        if row["event"] == event and row["runner"] in team
    }


def pair_marks(
    marks: pa.Table,
    team: Sequence[str],
    receivers: Mapping[str, ReceiverFacts] | None,
    in_use: Mapping[CardPair, float],
    zone_m: float,
) -> dict[CardPair, PairMark]:
    """The advised mark of each pair in the team. The arguments are those of `card_html`.

    Raises InputError where a pair has two advised rows.
    """
    members = pa.array(team, pa.string())
    both = pc.and_(
        pc.is_in(marks["incoming"], value_set=members),
        pc.is_in(marks["outgoing"], value_set=members),
    )
    marks = marks.filter(both)
    curves = _candidate_curves(marks)
    out: dict[CardPair, PairMark] = {}
    for row in marks.filter(marks["advised"]).to_pylist():
        pair = (row["incoming"], row["outgoing"])
        if pair in out:
            raise InputError(
                "marks",
                f"two advised marks from {pair[0]} to {pair[1]}",
                "one for each pair",
                "make the marks again",
            )
        receiver = None if receivers is None else receivers.get(pair[1])
        foot_m = _receiver_foot_m(row, receiver)
        step_m = foot_m or defaults.FOOT_M
        out[pair] = PairMark(
            row,
            is_short=falls_short(row["p_in_zone"]),
            may_collide=is_risky(row["p_ran_into"]),
            is_thin=row["reps"] < FEW_REPS,
            nearer=_moved_mark(curves[pair], row, -step_m),
            farther=_moved_mark(curves[pair], row, step_m),
            in_use_m=in_use.get(pair),
            foot_m=foot_m,
            rule=_rule_at_the_track(row, zone_m) if is_blind(row["event"]) else None,
        )
    return out


def _rule_at_the_track(row: Mapping[str, Any], zone_m: float) -> TrackRule | None:
    return track_rule(
        row["pass_m"], row["pass_spread_m"], row["p_in_zone"], row["p_ran_away"], zone_m
    )


def _receiver_foot_m(row: Mapping[str, Any], receiver: ReceiverFacts | None) -> float | None:
    """The receiver's foot-length; None where marks are not counted in it."""
    if not row["mark_feet"]:
        return None
    if receiver is not None and receiver.foot_m is not None:
        return receiver.foot_m
    return foot_length_m(row)


def _candidate_curves(marks: pa.Table) -> dict[CardPair, CandidateCurve]:
    numbers = np.column_stack(
        [
            marks[name].to_numpy()
            for name in ("outgoing_start_m", "mark_m", "p_in_zone", "zone_time_s")
        ]
    )
    rows: dict[CardPair, list[int]] = {}
    pairs = zip(marks["incoming"].to_pylist(), marks["outgoing"].to_pylist(), strict=True)
    for index, pair in enumerate(pairs):
        rows.setdefault(pair, []).append(index)
    out = {}
    for pair, own in rows.items():
        curve = numbers[own]
        out[pair] = curve[np.lexsort((curve[:, 1], curve[:, 0]))]
    return out


def _moved_mark(
    curve: CandidateCurve, row: Mapping[str, Any], by_m: float
) -> tuple[float, float] | None:
    """Chance, and change of the zone time [s], with the mark moved and the receiver standing where
    advised: linear between the candidates, None beyond the last of them."""
    same = curve[np.abs(curve[:, 0] - row["outgoing_start_m"]) < 1e-6]
    mark_m = row["mark_m"] + by_m
    if not same[0, 1] - 1e-6 <= mark_m <= same[-1, 1] + 1e-6:
        return None
    chance = float(np.interp(mark_m, same[:, 1], same[:, 2]))
    return chance, float(np.interp(mark_m, same[:, 1], same[:, 3])) - row["zone_time_s"]
