"""Sentences that several rooms say, and how marks and counts are written everywhere.

They are English, since rooms below store them. `show.wording` says them in the reader's language:
what is said here is a whole text of the catalogue each time, never a sum of words.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Literal

from pipeline.base.defaults import RISKY

# Takeovers of two runners: what rests on fewer is said to rest on little. A convention, no
# published limit.
FEW_REPS = 6

# A mark without its unit: more than this is counted in foot-lengths, not in metres.
MARK_FROM_FEET = 12.0

CAUTION = (
    "Takeovers are run at full speed: warm up, build the speed up in steps, keep the lanes clear, "
    "stop on pain. The coach, the competition's rules and local codes decide."
)

TENTH = (
    "0.1 s is about 1 m: a receiver who goes 0.1 s late or early shifts the pass as far as that."
)


def in_feet_words(feet: float) -> str:
    """A number of foot-lengths to half a foot-length, as a coach counts: 28½."""
    halves = round(2.0 * feet)
    whole = str(halves // 2) if halves != 1 else ""
    return f"{whole}{'½' if halves % 2 else ''}"


# By half foot-lengths: languages differ in where the plural begins.
_NEARER_WORDS = {1: "half a foot nearer", 2: "1 foot nearer", 3: "1½ feet nearer"}
_FARTHER_WORDS = {1: "half a foot farther", 2: "1 foot farther", 3: "1½ feet farther"}


def move_in_words(feet: float) -> str:
    """How far a tape moves, in foot-lengths to a half: "half a foot nearer", "2½ feet farther"; ""
    where that is nowhere."""
    halves = round(2.0 * feet)
    size = in_feet_words(abs(halves) / 2.0)
    if halves > 0:
        return _FARTHER_WORDS.get(halves, f"{size} feet farther")
    return _NEARER_WORDS.get(-halves, f"{size} feet nearer") if halves else ""


def percent(chance: float) -> int:
    """A chance in whole per cent; half a per cent is rounded up."""
    return math.floor(100.0 * chance + 0.5)


def is_risky(p: float) -> bool:
    """Whether a chance of something bad is above the accepted one, as it is written: in whole per
    cent."""
    return percent(p) > percent(RISKY)


def falls_short(p: float) -> bool:
    """Whether a chance of something good leaves more room for the bad than is accepted."""
    return percent(p) < percent(1.0 - RISKY)


def chance_in_words(p: float) -> str:
    """A chance as a coach would say it: "9 in 10", "19 in 20"; never certain, 99 in 100 at most.

    What is rounded across the accepted chance says so, "nearly 9 in 10", "over 1 in 10": else it
    would read as accepted beside a sign that it is not.
    """
    odds = _nearest_odds(_CHANCES, p)
    if falls_short(p) and not falls_short(_CHANCES[odds]):
        return f"nearly {odds}"
    if is_risky(p) and not is_risky(_CHANCES[odds]):
        return f"over {odds}"
    return odds


def _nearest_odds(of: Mapping[str, float], p: float) -> str:
    return min(of, key=lambda odds: abs(of[odds] - p))


def capitalised(text: str) -> str:
    """The text with a capital at its head, as a sentence begins."""
    return text[:1].upper() + text[1:]


def count(number: int, what: str) -> str:
    """A number of things in words: "1 rep", "2 reps"."""
    return f"{number} {what}{'' if number == 1 else 's'}"


_NUMBER_WORDS = {
    0: "no", 1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six", 7: "seven",
    8: "eight", 9: "nine", 10: "ten", 11: "eleven", 12: "twelve",
}  # fmt: skip


def number_in_words(number: int) -> str:
    """A number of things as it is said: in words up to twelve."""
    return _NUMBER_WORDS.get(number, str(number))


_CHANCES = {
    "1 in 100": 1 / 100, "1 in 50": 1 / 50, "1 in 20": 1 / 20, "1 in 10": 1 / 10, "2 in 10": 2 / 10,
    "3 in 10": 3 / 10, "4 in 10": 4 / 10, "5 in 10": 5 / 10, "6 in 10": 6 / 10, "7 in 10": 7 / 10,
    "8 in 10": 8 / 10, "9 in 10": 9 / 10, "19 in 20": 19 / 20, "49 in 50": 49 / 50,
    "99 in 100": 99 / 100,
}  # fmt: skip


# Below the first a pass counts as outside the zone, above the second as inside; between them it is
# left open. A convention.
SURELY_OUTSIDE_P, SURELY_INSIDE_P = 0.2, 0.8
_EVEN = "1 in 2"
_ODDS = {
    _EVEN: 1 / 2, "3 in 5": 3 / 5, "2 in 3": 2 / 3, "3 in 4": 3 / 4, "4 in 5": 4 / 5,
    "9 in 10": 9 / 10, "19 in 20": 19 / 20,
}  # fmt: skip


# What may cost a takeover time, in the order in which it happens.
CAUSES = (
    "mark", "start", "incoming speed", "outgoing speed", "reach", "braking", "pass place", "rest",
)  # fmt: skip
_CAUSE_WORDS = {
    "mark": "tape", "start": "start", "incoming speed": "incoming speed",
    "outgoing speed": "outgoing speed", "reach": "reach", "braking": "braking",
    "pass place": "place of the pass", "rest": "what is left over",
}  # fmt: skip
_THE_CAUSE_WORDS = {
    "mark": "the tape", "start": "the start", "incoming speed": "the incoming speed",
    "outgoing speed": "the outgoing speed", "reach": "the reach", "braking": "braking",
    "pass place": "the place of the pass", "rest": "what is left over",
}  # fmt: skip


def cause_in_words(cause: str) -> str:
    """A cause of lost time as a coach would call it."""
    return _CAUSE_WORDS.get(cause, cause)


def the_cause_in_words(cause: str) -> str:
    """The same with its article: "the tape", "braking"."""
    return _THE_CAUSE_WORDS.get(cause, cause)


_OUTCOME_WORDS = {
    "passed": "passed",
    "not passed": "not passed",
    "unclear": "unclear whether it was passed",
}


def outcome_in_words(outcome: str) -> str:
    """The outcome of a takeover as a coach would say it."""
    return _OUTCOME_WORDS.get(outcome, outcome)


def zone_doubt_in_words(
    p_in_zone: float | None,
    pass_m: float | None,
    pass_sd_m: float | None,
    zone_length_m: float,
) -> str | None:
    """A pass that may lie outside the zone, in words; None where it lies inside or is not known.

    `p_in_zone` is the probability that it lies inside, `pass_m` its place past the entry line and
    `pass_sd_m` the standard error of that [m]. So "likelier beyond the zone (3 in 4)", or "may have
    been passed before the zone" where inside is likelier.
    """
    if p_in_zone is None or p_in_zone >= SURELY_INSIDE_P:
        return None
    side = _side_of_zone(pass_m, pass_sd_m, zone_length_m)
    if p_in_zone >= 0.5:
        return {
            "before": "may have been passed before the zone",
            "beyond": "may have been passed beyond the zone",
            "outside": "may have been passed outside the zone",
        }[side]
    outside = 1.0 - p_in_zone
    if outside > 0.975:
        return {
            "before": "almost certainly before the zone",
            "beyond": "almost certainly beyond the zone",
            "outside": "almost certainly outside the zone",
        }[side]
    odds = _nearest_odds(_ODDS, outside)
    if odds == _EVEN:
        return {
            "before": "as likely before the zone as inside it",
            "beyond": "as likely beyond the zone as inside it",
            "outside": "as likely outside the zone as inside it",
        }[side]
    return {
        "before": f"likelier before the zone ({odds})",
        "beyond": f"likelier beyond the zone ({odds})",
        "outside": f"likelier outside the zone ({odds})",
    }[side]


def _side_of_zone(
    pass_m: float | None, pass_sd_m: float | None, zone_length_m: float
) -> Literal["before", "beyond", "outside"]:
    """The side of the zone on which a pass lies more probably than on the other."""
    if pass_m is None:
        return "outside"
    sd = pass_sd_m or 1e-9
    before, beyond = math.erfc(pass_m / sd), math.erfc((zone_length_m - pass_m) / sd)
    if before == beyond:  # both vanish
        return "before" if pass_m < zone_length_m / 2 else "beyond"
    return "before" if before > beyond else "beyond"


def takeover_in_words(
    outcome: str, faults: Sequence[str], zone_doubt: str | None
) -> tuple[str, ...]:
    """Outcome, faults, and the doubt about the zone where no fault has it already."""
    told = any(fault.startswith(("passed before", "passed beyond")) for fault in faults)
    doubt = () if zone_doubt is None or told else (zone_doubt,)
    # With a pass it is only unclear on which side of a line it was, and the doubt says so.
    first = outcome if doubt else outcome_in_words(outcome)
    return (first, *faults, *doubt)
