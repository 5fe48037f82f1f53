"""Words that tables hold for one of a few things, in the language in force.

Tables keep their English words, whoever reads them; so a page says them through here. Moments and
how they are known stand in `wording`.
"""

from __future__ import annotations

from pipeline.language.phrases import phrase_of


def exercise_words(drill: str) -> str:
    """What was practised: "build-up"."""
    known = {
        "build-up": phrase_of("exercise", "build-up"),
        "standing": phrase_of("exercise", "standing"),
        "jog": phrase_of("exercise", "jog"),
        "rotation": phrase_of("exercise", "rotation"),
    }
    return known.get(drill, drill)


def technique_words(technique: str) -> str:
    """How the baton is given: "upsweep"."""
    known = {
        "upsweep": phrase_of("how the baton is given", "upsweep"),
        "downsweep": phrase_of("how the baton is given", "downsweep"),
        "push": phrase_of("how the baton is given", "push"),
    }
    return known.get(technique, technique)


def sensor_words(sensor: str) -> str:
    """What recorded: "gnss"."""
    known = {"gnss": phrase_of("sensor", "gnss"), "imu": phrase_of("sensor", "imu")}
    return known.get(sensor, sensor)


def clock_basis_words(basis: str) -> str:
    """What a recording's clock was tied by: "stamps"."""
    known = {
        "stamps": phrase_of("clock by", "stamps"),
        "taps": phrase_of("clock by", "taps"),
        "motion": phrase_of("clock by", "motion"),
        "none": phrase_of("clock by", "none"),
    }
    return known.get(basis, basis)


def raw_cause_words(cause: str) -> str:
    """A cause of lost time by the word of its column, for the line of all of them: "mark"."""
    known = {
        "mark": phrase_of("cause", "mark"),
        "start": phrase_of("cause", "start"),
        "incoming speed": phrase_of("cause", "incoming speed"),
        "outgoing speed": phrase_of("cause", "outgoing speed"),
        "reach": phrase_of("cause", "reach"),
        "braking": phrase_of("cause", "braking"),
        "pass place": phrase_of("cause", "pass place"),
        "rest": phrase_of("cause", "rest"),
    }
    return known.get(cause, cause)
