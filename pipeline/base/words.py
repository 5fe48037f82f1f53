"""Sentences that several rooms say, and how marks and counts are written everywhere."""

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


def count(number: int, what: str) -> str:
    """A number of things in words: "1 rep", "2 reps"."""
    return f"{number} {what}{'' if number == 1 else 's'}"
