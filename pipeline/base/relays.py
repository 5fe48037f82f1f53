"""The rule book's relays: legs, takeover zones, bends run in lanes, by check mark or by sight.

An event is named by its legs: "4x400", or "100-200-300-400" for a medley. Takeover zone 1 lies
between the first and the second runner. The leg that ends at a zone decides what kind it is.

The relays of World Athletics Technical Rule 24.1 [1]: 4x100, 4x200, 100-200-300-400 (medley),
4x400, 4x800, 1200-400-800-1600 (distance medley), 4x1500. Others are answered by their legs.

Sources
-------
[1] World Athletics, Competition and Technical Rules, Technical Rule 24 (relay races): the relays
    24.1, zones 24.3, check marks 24.4, bends in lanes 24.14 to 24.16. From memory, but for 24.3.
[2] IAAF Competition Rules 2018-2019, Rule 170.3 (now [1] 24.3): zones.
[3] Common practice: after a leg of up to 200 m the receiver goes at a check mark and does not
    look round; after a longer one he looks and judges a tired incoming runner.
"""

from __future__ import annotations

import enum
import math
import re
from dataclasses import dataclass

from pipeline.errors import UsageError


class Rules(enum.StrEnum):
    """Which zones: today's, or those of before November 2017."""

    today = "today"
    older = "older"


RULE_BOOK = ("4x100", "4x200", "100-200-300-400", "4x400", "4x800", "1200-400-800-1600", "4x1500")
SHORT_LEG_M = 200.0  # the longest leg that ends in a takeover by check mark [2, 3]

# How many bends are run in lanes, the usual way first, of the relays that can be laid out [1].
BENDS_IN_LANES: dict[str, tuple[int, ...]] = {"4x100": (2,), "4x200": (4, 3, 1), "4x400": (3, 1)}
BEND_EVERY_M = 200.0

_ZONE_LOW_M, _ZONE_HIGH_M = 5.0, 60.0


@dataclass(frozen=True, slots=True)
class ZoneRule:
    """A takeover zone by the rules: its length, where the outgoing runner may stand, and where
    the scratch line is, at which the leg ends."""

    length_m: float
    back_m: float  # s of the back line, from the entry line
    scratch_m: float  # s of the scratch line, from the entry line
    name: str


TODAY_SHORT = ZoneRule(30.0, 0.0, 20.0, "30 m")
OLDER_SHORT = ZoneRule(20.0, -10.0, 10.0, "20 m with the back line 10 m before it")
LONG = ZoneRule(20.0, 0.0, 10.0, "20 m")
OLDER_BACK_M = OLDER_SHORT.back_m


def legs_m(event: str) -> tuple[float, ...]:
    """Length of each leg [m]; () where the event's name is not one of a relay."""
    if equal := re.fullmatch(r"([1-9]\d?)x([1-9]\d{1,3})", event):
        return (float(equal[2]),) * int(equal[1])
    if re.fullmatch(r"[1-9]\d{1,3}(-[1-9]\d{1,3})+", event):
        return tuple(float(leg) for leg in event.split("-"))
    return ()


def is_blind(event: str, zone: int | None = None) -> bool:
    """Whether the receiver of a takeover goes at a check mark, without looking round [3].

    A medley has both kinds of takeover. Without a `zone`, or for one that the relay does not
    have, the answer is the kind of most of its takeovers: the marks, the card and the page of
    100-200-300-400 are thus those of its first two, with check marks. An event whose legs are
    not known is changed by sight.
    """
    legs = legs_m(event)[:-1]
    if zone is not None and 1 <= zone <= len(legs):
        legs = (legs[zone - 1],)
    return sum(leg <= SHORT_LEG_M for leg in legs) > len(legs) / 2


def zone_rules(event: str, zone: int) -> tuple[ZoneRule, ...]:
    """The zones an event's rules know, today's first; () where the event or the zone is not known.

    Today 30 m after legs up to 200 m, 20 m after longer ones; before November 2017 a 20 m zone
    after 10 m of acceleration for legs up to 200 m [2].
    """
    if not 1 <= zone < len(legs_m(event)):
        return ()
    return (TODAY_SHORT, OLDER_SHORT) if is_blind(event, zone) else (LONG,)


def zone_lines_m(
    event: str, rules: Rules = Rules.today, zone: int | None = None
) -> tuple[float, float, float]:
    """(back, entry, exit) of a zone [m], reckoned from its scratch line [2]. Without a `zone`: of
    most of the event's zones, as `is_blind`."""
    rule = LONG
    if is_blind(event, zone):
        rule = TODAY_SHORT if rules == Rules.today else OLDER_SHORT
    entry = -rule.scratch_m
    return entry + rule.back_m, entry, entry + rule.length_m


def zone_length_m(
    event: str, zone: int | None, zone_time_s: float | None, zone_speed_mps: float | None
) -> float:
    """A zone's length [m] from a takeover's time and speed in it, whole metres; the relay's usual
    one under today's rules where they are not known (None, NaN) or make no zone."""
    found = (zone_time_s or math.nan) * (zone_speed_mps or math.nan)
    if _ZONE_LOW_M <= found <= _ZONE_HIGH_M:
        return float(round(found))
    return (TODAY_SHORT if is_blind(event, zone) else LONG).length_m


def back_line_m(
    event: str, zone: int | None, length_m: float, back_m: float | None = None
) -> float:
    """Where the back line is, past the entry line [m]: 0 or `OLDER_BACK_M`, whichever the measured
    `back_m` is nearer to; without one as the zone's length says."""
    if back_m is not None:
        return OLDER_BACK_M if back_m < OLDER_BACK_M / 2 else 0.0
    halfway_m = (OLDER_SHORT.length_m + TODAY_SHORT.length_m) / 2
    return OLDER_BACK_M if is_blind(event, zone) and length_m < halfway_m else 0.0


def leg_m(event: str) -> float:
    """Length of one leg [m]. Raises UsageError for a relay that cannot be laid out."""
    bends(event)
    return legs_m(event)[0]


def bends(event: str, in_lanes: int | None = None) -> tuple[int, int]:
    """How many bends of a relay are run in lanes, and how many in all; `in_lanes` chooses another
    way than the usual one. Raises UsageError for a relay that cannot be laid out, and for a way
    that the rules do not know."""
    if event not in BENDS_IN_LANES:
        raise UsageError(
            "event", f'"{event}"', ", ".join(BENDS_IN_LANES), "survey the zones of other events"
        )
    ways = BENDS_IN_LANES[event]
    found = ways[0] if in_lanes is None else in_lanes
    if found not in ways:
        raise UsageError(
            "bends in lanes", str(found), f"{' or '.join(map(str, ways))} for the {event}"
        )
    return found, round(sum(legs_m(event)) / BEND_EVERY_M)
