"""What is said of a pass that may lie outside the zone."""

import numpy as np
import pytest

from pipeline.base.words import (
    chance_in_words,
    falls_short,
    is_risky,
    outcome_in_words,
    percent,
    takeover_in_words,
    zone_doubt_in_words,
)


@pytest.mark.parametrize(
    ("p", "place_m", "said"),
    [
        (None, 31.0, None),
        (1.0, 20.0, None),
        (0.8, 28.0, None),
        (0.79, 29.0, "may have been passed beyond the zone"),
        (0.6, 0.5, "may have been passed before the zone"),
        (0.5, 30.0, "may have been passed beyond the zone"),
        (0.48, 30.1, "as likely beyond the zone as inside it"),
        (0.25, 31.0, "likelier beyond the zone (3 in 4)"),
        (0.25, -1.0, "likelier before the zone (3 in 4)"),
        (0.1, 32.0, "likelier beyond the zone (9 in 10)"),
        (0.0, 45.0, "almost certainly beyond the zone"),
        (0.3, None, "likelier outside the zone (2 in 3)"),
    ],
)
def test_a_pass_that_may_lie_outside_is_said_so(p, place_m, said):
    assert zone_doubt_in_words(p, place_m, 1.5, 30.0) == said


def test_the_side_is_told_however_sure_the_place_is():
    for sd in (0.0, 1e-6, 0.1, 10.0):
        assert "beyond" in zone_doubt_in_words(0.3, 21.0, sd, 20.0)
        assert "before" in zone_doubt_in_words(0.3, -1.0, sd, 20.0)
        assert "beyond" in zone_doubt_in_words(0.3, 19.0, sd, 20.0)


def test_what_a_fault_says_is_not_said_twice():
    doubt = "likelier beyond the zone (9 in 10)"
    assert takeover_in_words("passed", [], doubt) == ("passed", doubt)
    assert takeover_in_words("passed", ["early start"], doubt) == ("passed", "early start", doubt)
    far = ["passed beyond the zone"]
    assert takeover_in_words("passed", far, doubt) == ("passed", *far)
    assert takeover_in_words("not passed", ["ran away"], None) == ("not passed", "ran away")


def test_an_outcome_that_is_unclear_is_said_in_words():
    assert outcome_in_words("unclear") == "unclear whether it was passed"
    assert outcome_in_words("passed") == "passed"


@pytest.mark.parametrize(
    ("p", "words"),
    [(0.0, "1 in 100"), (0.3, "3 in 10"), (0.9, "9 in 10"), (0.94, "19 in 20"),
     (0.96, "19 in 20"), (0.98, "49 in 50"), (0.992, "99 in 100"), (1.0, "99 in 100"),
     (0.896, "9 in 10"), (0.894, "nearly 9 in 10"), (0.104, "1 in 10"), (0.106, "over 1 in 10")],
)  # fmt: skip
def test_a_chance_is_said_as_a_coach_would(p, words):
    assert chance_in_words(p) == words


def test_a_higher_chance_never_sounds_lower():
    said = [chance_in_words(p) for p in np.linspace(0.0, 1.0, 200)]
    shares = [int(x.split()[-3]) / int(x.split()[-1]) for x in said]
    assert shares == sorted(shares)


def test_what_is_accepted_is_judged_as_it_is_written():
    for p in np.linspace(0.0, 1.0, 1001):
        assert falls_short(p) == (percent(p) < 90)
        assert is_risky(p) == (percent(p) > 10)
        words = chance_in_words(p)
        share = int(words.split()[-3]) / int(words.split()[-1])
        assert falls_short(p) == (share < 0.9 or "nearly" in words)
        assert is_risky(p) == (share > 0.1 or "over" in words)
