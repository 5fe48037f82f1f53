"""Sentences that several rooms say, and how marks and counts are written everywhere."""

import math
from collections.abc import Sequence

from pipeline.base.defaults import RISKY

# Takeovers of two runners: what rests on fewer is said to rest on little. A convention, no
# published limit.
FEW_REPS = 6

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


def feet_in_words(feet: float) -> str:
    """A number of foot-lengths to a half, without its sign: "half a foot", "2½ feet"."""
    size = abs(feet)
    if size == 0.5:
        return "half a foot"
    return f"{in_feet_words(size)} {'foot' if size == 1.0 else 'feet'}"


def move_in_words(feet: float) -> str:
    """How far a tape moves, in foot-lengths to a half: "half a foot nearer", "2½ feet farther"; ""
    where that is nowhere."""
    halves = round(2.0 * feet) / 2.0
    return f"{feet_in_words(halves)} {'farther' if halves > 0 else 'nearer'}" if halves else ""


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
    part, whole = min(_CHANCES, key=lambda odds: abs(odds[0] / odds[1] - p))
    said = part / whole
    if falls_short(p) and not falls_short(said):
        return f"nearly {part} in {whole}"
    if is_risky(p) and not is_risky(said):
        return f"over {part} in {whole}"
    return f"{part} in {whole}"


def capitalised(text: str) -> str:
    """The text with a capital at its head, as a sentence begins."""
    return text[:1].upper() + text[1:]


def count(number: int, what: str) -> str:
    """A number of things in words: "1 rep", "2 reps"."""
    return f"{number} {what}{'' if number == 1 else 's'}"


_SMALL_NUMBERS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve",
)  # fmt: skip


def number_in_words(number: int) -> str:
    """A number of things as it is said: in words up to twelve."""
    return _SMALL_NUMBERS[number] if 0 <= number < len(_SMALL_NUMBERS) else str(number)


_TENTHS = tuple((k, 10) for k in range(1, 10))
_CHANCES = ((1, 100), (1, 50), (1, 20), *_TENTHS, (19, 20), (49, 50), (99, 100))


# Below the first a pass counts as outside the zone, above the second as inside; between them it is
# left open. A convention.
SURELY_OUTSIDE_P, SURELY_INSIDE_P = 0.2, 0.8
_ODDS = ((1, 2), (3, 5), (2, 3), (3, 4), (4, 5), (9, 10), (19, 20))


# What may cost a takeover time, in the order in which it happens.
CAUSES = (
    "mark", "start", "incoming speed", "outgoing speed", "reach", "braking", "pass place", "rest",
)  # fmt: skip
_CAUSE_WORDS = {"mark": "tape", "pass place": "place of the pass", "rest": "what is left over"}
_THE_CAUSE_WORDS = {
    "mark": "the tape",
    "start": "the start",
    "incoming speed": "the incoming speed",
    "outgoing speed": "the outgoing speed",
    "reach": "the reach",
    "pass place": "the place of the pass",
}


def cause_in_words(cause: str) -> str:
    """A cause of lost time as a coach would call it."""
    return _CAUSE_WORDS.get(cause, cause)


def the_cause_in_words(cause: str) -> str:
    """The same with its article: "the tape", "braking"."""
    return _THE_CAUSE_WORDS.get(cause) or cause_in_words(cause)


def outcome_in_words(outcome: str) -> str:
    """The outcome of a takeover as a coach would say it."""
    return "unclear whether it was passed" if outcome == "unclear" else outcome


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
        return f"may have been passed {side}"
    outside = 1.0 - p_in_zone
    if outside > 0.975:
        return f"almost certainly {side}"
    part, whole = min(_ODDS, key=lambda odds: abs(odds[0] / odds[1] - outside))
    chance = f"{part} in {whole}"
    if part / whole == 0.5:
        return f"as likely {side} as inside it"
    return f"likelier {side} ({chance})"


def _side_of_zone(pass_m: float | None, pass_sd_m: float | None, zone_length_m: float) -> str:
    """The side of the zone on which a pass lies more probably than on the other."""
    if pass_m is None:
        return "outside the zone"
    sd = pass_sd_m or 1e-9
    before, beyond = math.erfc(pass_m / sd), math.erfc((zone_length_m - pass_m) / sd)
    if before == beyond:  # both vanish
        return "before the zone" if pass_m < zone_length_m / 2 else "beyond the zone"
    return "before the zone" if before > beyond else "beyond the zone"


def takeover_in_words(
    outcome: str, faults: Sequence[str], zone_doubt: str | None
) -> tuple[str, ...]:
    """Outcome, faults, and the doubt about the zone where no fault has it already."""
    told = any(fault.startswith(("passed before", "passed beyond")) for fault in faults)
    doubt = () if zone_doubt is None or told else (zone_doubt,)
    # With a pass it is only unclear on which side of a line it was, and the doubt says so.
    first = outcome if doubt else outcome_in_words(outcome)
    return (first, *faults, *doubt)
