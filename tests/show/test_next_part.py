"""What to do next: where each pair's tape goes, and what deserves a look, from the tables alone."""

import functools
from dataclasses import replace

import pytest
import squads
from html_page import Page
from random_tables import random_table

from pipeline.show import scenes
from pipeline.show.markup import element, html_document
from pipeline.show.page import next_part
from pipeline.show.page.pair_part import PairDecisions

FOOT_M = 0.3


@functools.cache
def takeovers():
    lake, _, _ = squads.lake(7, n_runners=4, evenings=1, reps=8)
    return scenes.order_by_time(scenes.read_scenes(lake.exchanges, lake.curves))


def advised(mark_m, *, event="4x100", stand_m=0.0, feet=True, p=0.95):
    (row,) = random_table("marks", rows=1).to_pylist()
    known = {"mark_m": mark_m, "mark_feet": mark_m / FOOT_M if feet else None, "p_in_zone": p}
    return row | known | {"event": event, "outgoing_start_m": stand_m, "advised": True}


def move(mark_m, used_m, *, stood_m=None, **more):
    progress = None if used_m is None else {"mark_m": used_m}
    return next_part.move_of_pair(
        progress, [advised(mark_m, **more)], {"outgoing_start_m": stood_m}
    )


@pytest.mark.parametrize(
    ("mark_m", "used_m", "words", "stays"),
    [
        (7.35, 9.0, "tape 5½ feet nearer, from the 30 in use to 24½ feet (7.35 m)", False),
        (7.5, 7.2, "tape 1 foot farther, from the 24 in use to 25 feet (7.50 m)", False),
        (7.5, 7.65, "tape half a foot nearer, from the 25½ in use to 25 feet (7.50 m)", False),
        (7.5, 7.55, "leave the tape at 25 feet (7.50 m)", True),
        (7.5, None, "lay the tape at 25 feet (7.50 m)", False),
    ],
)
def test_the_move_is_from_the_mark_in_use_to_the_mark_advised(mark_m, used_m, words, stays):
    found = move(mark_m, used_m)
    assert found.words.replace("\u00a0", " ") == f"{words}; 19 in 20 then pass in the zone."
    assert found.stays is stays


def test_without_a_foot_length_it_is_told_in_metres():
    found = move(7.0, 7.6, feet=False).words.replace("\u00a0", " ")
    assert found.startswith("tape 0.60 m nearer, from the 7.60 in use to 7.00 m;")
    assert move(7.0, 7.1, feet=False).stays


def test_a_receiver_who_is_to_stand_elsewhere_is_told_so():
    assert "the receiver 1.5 m past the back line" in move(7.5, 7.5, stand_m=1.5).words
    assert not move(7.5, 7.5, stand_m=1.5).stays
    assert "the receiver at the back line" in move(7.5, 7.5, stood_m=2.0).words
    assert "receiver" not in move(7.5, 7.5, stand_m=1.5, stood_m=1.4).words


def test_a_change_by_sight_has_no_tape():
    words = move(7.5, None, event="4x400").words
    assert words.startswith("go when the incoming runner is 25 feet")
    assert "tape" not in words


def test_without_an_advised_mark_nothing_is_told_and_the_command_is_named():
    assert next_part.move_of_pair({"mark_m": 7.0}, [], {"outgoing_start_m": None}) is None
    assert "run batontrace marks" in text_of(takeovers(), {})


def text_of(several, known):
    body = element("body", {}, next_part.next_section(several, known))
    return " ".join(Page(html_document("x", "", body)).text.split())


def judged(one, lost_s, lost_sd_s=0.02):
    return replace(
        one, verdict={"verdict": f"Cost {lost_s} s.", "lost_s": lost_s, "lost_sd_s": lost_sd_s}
    )


def calm():
    """Passes in the zone without a fault."""
    known = {"outcome": "passed", "faults": [], "p_in_zone": 0.99, "pass_m": 15.0, "pass_sd_m": 0.5}
    return [replace(one, row=one.row | known, left_out=None) for one in takeovers() if one.passed]


def test_three_at_most_deserve_a_look_what_lost_most_first():
    several = [judged(one, 0.01 * k * k) for k, one in enumerate(calm())]
    text = text_of(several, {})
    found = sorted((one.verdict["lost_s"] for one in several), reverse=True)[:3]
    places = [text.index(f"Cost {lost_s} s.") for lost_s in found]
    assert places == sorted(places)
    assert text.count("Cost ") == 3
    assert "more stand in the list" in text


def test_what_was_not_passed_comes_before_any_loss():
    first, second, *_ = (judged(one, 0.4) for one in calm())
    missed = replace(
        second, row=second.row | {"outcome": "not passed"}, verdict=second.verdict | {
            "verdict": "Not passed: left early.", "lost_s": None, "lost_sd_s": None},
    )  # fmt: skip
    text = text_of([first, missed], {})
    assert text.index("Not passed: left early.") < text.index("Cost 0.4 s.")


def test_a_loss_within_its_error_deserves_no_look():
    several = [judged(one, 0.05, 0.04) for one in calm()]
    assert "Nothing went wrong that stands out of its error." in text_of(several, {})


def test_every_pair_of_the_page_is_told_once_and_those_with_a_move_first():
    several = [replace(one, row=one.row | {"outgoing_start_m": None}) for one in takeovers()]
    keys = list(dict.fromkeys((*one.pair, "4x100") for one in several))
    known = {
        key: PairDecisions({"mark_m": 7.5 + 0.6 * (k % 2)}, (advised(7.5),))
        for k, key in enumerate(keys)
    }
    text = text_of(several, known)
    for incoming, outgoing, _ in keys:
        assert text.count(f"{incoming} to {outgoing}: ") >= 1
    assert text.rindex("tape 2 feet nearer") < text.index("leave the tape")
