"""A takeover in two lines, to be read between two reps: what happened, and what to change.

They rest on what the page rests on: the row of `exchanges`, the verdict, and the marks advised.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.base.relays import is_blind
from pipeline.base.words import in_feet_words
from pipeline.language.numbers import number
from pipeline.language.phrases import phrase, reworded
from pipeline.show.markup import half_widths, plain_text, shorten
from pipeline.show.page.pair_part import PairDecisions
from pipeline.show.scenes import LakeRow, Scene
from pipeline.show.wording import (
    clock_words,
    cost_words,
    foot_length_m,
    is_loss,
    odds_words,
    takeover_words,
)

LINE_WIDTH = 80
_NAME_WIDTH = 14
_SAME_PLACE_M = 0.05  # a tape cannot be laid closer


@dataclass(frozen=True)
class TakeoverNews:
    """What is told of a takeover, and by what one told before is known again."""

    happened: str
    change: str
    key: tuple[str, str, float]  # incoming, outgoing, seconds of the entry
    facts: tuple[object, ...]  # where these are others, it is told again
    lost_s: float | None
    exchange: int

    def is_news_after(self, before: TakeoverNews | None, least_s: float = 0.05) -> bool:
        """Whether it is told, when it was told so before: other facts, or another cost by
        `least_s` [s], which a takeover measured again beside more others may get."""
        if before is None or before.facts != self.facts:
            return True
        if self.lost_s is None or before.lost_s is None:
            return self.lost_s is not before.lost_s
        return abs(self.lost_s - before.lost_s) >= least_s


def takeover_news(one: Scene, known: PairDecisions | None) -> TakeoverNews:
    """The two lines of a takeover. `known` are the pair's decisions, None where there are none."""
    row = one.row
    return TakeoverNews(
        happened=_fitted(_head(one), _happened(one)),
        change=_first_fitting(_change(one, known)),
        key=(*one.pair, one.when.timestamp()),
        facts=(row["rep"], row["zone"], row["mark_m"], row["outcome"], tuple(row["faults"])),
        lost_s=None if one.lost is None else one.lost.value,
        exchange=row["exchange"],
    )


def _first_fitting(ways: Sequence[str]) -> str:
    """The first way of saying it that fits into a line, indented; the last one cut where none
    does."""
    fitting = (way for way in ways if half_widths(way) <= LINE_WIDTH - 2)
    return "  " + next(fitting, shorten(ways[-1], LINE_WIDTH - 2))


def _fitted(head: str, parts: Sequence[str]) -> str:
    """The parts that fit into a line behind its head."""
    line = head
    for part in parts:
        longer = line + (", " if line != head else "") + part
        if half_widths(longer) <= LINE_WIDTH:
            line = longer
        elif line == head:
            line = shorten(longer, LINE_WIDTH)
    return line


def _head(one: Scene) -> str:
    incoming, outgoing = (shorten(plain_text(name), _NAME_WIDTH) for name in one.pair)
    time = clock_words(one.clock).replace("\u00a0", " ")
    if one.row["rep"] is None:
        return phrase(
            "{time} {incoming} to {outgoing}: ", time=time, incoming=incoming, outgoing=outgoing
        )
    return phrase(
        "{time} rep {rep}, {incoming} to {outgoing}: ",
        time=time,
        rep=one.row["rep"],
        incoming=incoming,
        outgoing=outgoing,
    )


def _happened(one: Scene) -> list[str]:
    """Outcome, cost, faults, and the cause that cost most, in the order of their worth."""
    faults, doubt = one.row["faults"], one.zone_doubt
    outcome, *said = takeover_words(one.row["outcome"], faults, doubt)
    if doubt is not None and doubt in said:
        parts = [doubt]
    elif one.pass_place is not None and one.row["outcome"] == "passed":
        parts = [phrase("passed at {place_m:.1f} m", place_m=one.pass_place.value)]
    else:
        parts = [outcome]
    if one.lost is not None:
        parts.append(cost_words(one.lost).replace("\u00a0", " "))
    parts += map(reworded, faults)
    main = None if one.verdict is None else one.verdict["main_cause"]
    if main is not None and is_loss(one.lost):
        parts.append(_main_cause_words()[main])
    if one.left_out is not None:
        parts.append(reworded(one.left_out))
    return parts


def _main_cause_words() -> Mapping[str, str]:
    return {
        "mark": phrase("mostly the tape"),
        "start": phrase("mostly the start"),
        "incoming speed": phrase("mostly the incoming speed"),
        "outgoing speed": phrase("mostly the outgoing speed"),
        "reach": phrase("mostly the reach"),
        "braking": phrase("mostly braking"),
        "pass place": phrase("mostly the place of the pass"),
    }


def _change(one: Scene, known: PairDecisions | None) -> list[str]:
    """Where the tape goes, or that it stays, the longest way first; what else cost time is said in
    the first line."""
    if one.left_out is not None:
        return [phrase("Nothing to change by this one: it was not at full speed")]
    advised = None if known is None else next((row for row in known.marks if row["advised"]), None)
    if known is None or advised is None:
        return [phrase("No mark is advised for this pair yet")]
    foot_m = foot_length_m(advised)
    if is_blind(advised["event"]):
        used_m = None if known.progress is None else known.progress["mark_m"]
        words = _tape_words(advised, foot_m, used_m)
    else:
        words = _go_words(advised, foot_m)
    chance = odds_words(advised["p_in_zone"])
    return [phrase("{move}; {chance} in the zone", move=words, chance=chance), words]


def _go_words(advised: LakeRow, foot_m: float | None) -> str:
    if foot_m:
        return phrase(
            "Go when the incoming runner is {feet} feet before the back line",
            feet=in_feet_words(advised["mark_m"] / foot_m),
        )
    return phrase(
        "Go when the incoming runner is {metres:.2f} m before the back line",
        metres=advised["mark_m"],
    )


def _tape_words(advised: LakeRow, foot_m: float | None, used_m: float | None) -> str:
    by_m = 0.0 if used_m is None else advised["mark_m"] - used_m
    if foot_m:
        feet = in_feet_words(advised["mark_m"] / foot_m)
        metres = number(advised["mark_m"], 2)
        if used_m is None:
            return phrase("Lay the tape at {feet} feet ({metres} m)", feet=feet, metres=metres)
        by_feet = round(2.0 * abs(by_m) / foot_m) / 2.0
        if not by_feet:
            return phrase("Leave the tape at {feet} feet ({metres} m)", feet=feet, metres=metres)
        return _moved_feet_words(by_m > 0, by_feet).format(
            by=in_feet_words(by_feet), feet=feet, metres=metres, used=in_feet_words(used_m / foot_m)
        )
    if used_m is None:
        return phrase("Lay the tape at {metres:.2f} m", metres=advised["mark_m"])
    if abs(by_m) < _SAME_PLACE_M:
        return phrase("Leave the tape at {metres:.2f} m", metres=advised["mark_m"])
    values = {"metres": advised["mark_m"], "by": abs(by_m), "used": used_m}
    if by_m > 0:
        return phrase("Tape {by:.2f} m farther: to {metres:.2f} m, from {used:.2f}", **values)
    return phrase("Tape {by:.2f} m nearer: to {metres:.2f} m, from {used:.2f}", **values)


def _moved_feet_words(farther: bool, by_feet: float) -> str:
    """How the tape moves in foot-lengths, with places for the values."""
    places = {name: "{" + name + "}" for name in ("by", "feet", "metres", "used")}
    if by_feet <= 1.0 and farther:
        return phrase("Tape {by} foot farther: to {feet} feet ({metres} m), from {used}", **places)
    if by_feet <= 1.0:
        return phrase("Tape {by} foot nearer: to {feet} feet ({metres} m), from {used}", **places)
    if farther:
        return phrase("Tape {by} feet farther: to {feet} feet ({metres} m), from {used}", **places)
    return phrase("Tape {by} feet nearer: to {feet} feet ({metres} m), from {used}", **places)
