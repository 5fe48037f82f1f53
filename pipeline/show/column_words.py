"""Words that tables hold for one of a few things, in the language in force.

Tables keep their English words, whoever reads them; so pages and figures say them through here.
"""

from __future__ import annotations

from pipeline.language.phrases import word_of

# What each is a word for, as the catalogue has it beside the word, and the words there are.
COLUMN_WORDS = {
    "exercise": ("build-up", "standing", "jog", "rotation"),
    "how the baton is given": ("upsweep", "downsweep", "push"),
    "hand": ("left", "right"),
    "sensor": ("gnss", "imu"),
    "clock by": ("stamps", "taps", "motion", "none"),
    "cause": (
        "mark", "start", "incoming speed", "outgoing speed", "reach", "braking", "pass place",
        "rest",
    ),
    "moment": ("mark", "go", "entry", "hand back", "pass", "exit", "gate"),
    "basis of a moment": ("laid", "seen", "sensed", "inferred", "measured"),
    "runner": ("incoming", "outgoing"),
}  # fmt: skip


def column_word(kind: str, word: str) -> str:
    """A table's word for something of a `kind`, in the language in force; one that is none of the
    kind's stays as it is."""
    return word_of(kind, word) if word in COLUMN_WORDS[kind] else word


def column_words(kind: str) -> dict[str, str]:
    """All words of a kind, by what tables have for them."""
    return {word: word_of(kind, word) for word in COLUMN_WORDS[kind]}
