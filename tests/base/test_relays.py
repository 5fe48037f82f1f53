"""The rule book's relays: legs, zones, and whether a takeover is by check mark or by sight.

Zones: IAAF Competition Rules 2018-2019, Rule 170.3. By mark or by sight: common practice.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import pytest
import squads
from html_page import Page
from random_tables import with_values
from straight import axis

from pipeline.advise import decisions, marks, progress, runners, takeovers
from pipeline.advise.settings import Settings
from pipeline.base import relays
from pipeline.errors import UsageError
from pipeline.measure import reps
from pipeline.show import markup, scenes
from pipeline.show.card.card import CardSheet, card_html
from pipeline.show.page.pair_part import PairDecisions, pair_article
from pipeline.tables import schema

# event: the whole race [m]; whether each of its takeovers is by check mark, and the event's tables
KINDS = {
    "4x100": (400, (True, True, True), True),
    "4x200": (800, (True, True, True), True),
    "100-200-300-400": (1000, (True, True, False), True),
    "4x400": (1600, (False, False, False), False),
    "4x800": (3200, (False, False, False), False),
    "1200-400-800-1600": (4000, (False, False, False), False),
    "4x1500": (6000, (False, False, False), False),
}
OTHERS = {  # legs that the rules do not list
    "8x50": (400, (True,) * 7, True),
    "3x100": (300, (True, True), True),
    "5x300": (1500, (False,) * 4, False),
    "400-300-200-100": (1000, (False, False, True), False),
    "200-200-400-800": (1600, (True, True, False), True),
}
every_relay = pytest.mark.parametrize("event", [*KINDS, *OTHERS])


def kinds(event):
    return (KINDS | OTHERS)[event]


def test_every_relay_of_the_rule_book_is_here():
    assert set(relays.RULE_BOOK) == set(KINDS)


@every_relay
def test_legs_add_up_to_the_race(event):
    race_m, by_mark, _ = kinds(event)
    assert sum(relays.legs_m(event)) == race_m
    assert len(relays.legs_m(event)) == len(by_mark) + 1


@every_relay
def test_by_mark_where_the_incoming_leg_is_short(event):
    _, by_mark, event_wide = kinds(event)
    assert tuple(relays.is_blind(event, zone + 1) for zone in range(len(by_mark))) == by_mark
    assert relays.is_blind(event) is event_wide
    assert relays.is_blind(event, len(by_mark) + 1) is event_wide  # no such zone


@every_relay
def test_zones_are_those_of_the_incoming_leg(event):
    """Rule 170.3: 30 m with the scratch line 20 m in, 20 m about the scratch line; until 2017
    20 m about the scratch line with 10 m of acceleration before."""
    for zone, by_mark in enumerate(kinds(event)[1], start=1):
        today, older = (relays.zone_lines_m(event, rules, zone) for rules in ("today", "older"))
        assert today == ((-20, -20, 10) if by_mark else (-10, -10, 10))
        assert older == ((-20, -10, 10) if by_mark else (-10, -10, 10))
        known = [(r.length_m, r.back_m) for r in relays.zone_rules(event, zone)]
        assert known == [
            (leave - entry, back - entry) for back, entry, leave in dict.fromkeys((today, older))
        ]
        assert relays.zone_length_m(event, zone, None, None) == (30.0 if by_mark else 20.0)
        assert relays.back_line_m(event, zone, 20.0) == (-10.0 if by_mark else 0.0)


@pytest.mark.parametrize(("event", "in_all"), [("4x100", 2), ("4x200", 4), ("4x400", 8)])
def test_bends_of_the_relays_that_can_be_laid_out(event, in_all):
    assert relays.bends(event)[1] == in_all
    for way in relays.BENDS_IN_LANES[event]:
        assert relays.bends(event, way) == (way, in_all)
        assert way <= in_all


@pytest.mark.parametrize("event", ["4x1500", "100-200-300-400", "shuttle"])
def test_a_relay_that_cannot_be_laid_out_is_refused(event):
    with pytest.raises(UsageError, match="4x100, 4x200, 4x400"):
        relays.leg_m(event)


def test_what_is_no_relay_has_no_legs():
    for name in ("shuttle", "4x", "x100", "100", "4x100m", ""):
        assert relays.legs_m(name) == () == relays.zone_rules(name, 1)
        assert not relays.is_blind(name)


# --- tables, card, page and estimator say the same ----------------------------------------------


@functools.cache
def practice():
    return squads.lake(5, n_runners=2, evenings=1, reps=6)[0]


@functools.cache
def lake_of(event):
    return replace(practice(), exchanges=with_values(practice().exchanges, event=event, zone=1))


@every_relay
def test_the_tables_the_card_and_the_page_say_the_same(event):
    by_mark = kinds(event)[2]
    settings = Settings(outer=8, inner=8, stand_m=0.0, pace=1.0)
    (squad,) = decisions.find_squads(lake_of(event), settings)
    advice = marks.advise_squad(squad, settings)
    assert squad.reps.blind is by_mark
    assert advice.conditions.zone_m == (30.0 if by_mark else 20.0)
    lags = runners.runners_table([squad])["lag_s"].to_pylist()
    assert [lag is not None for lag in lags] == [by_mark] * 2

    rows = marks.marks_table([advice])
    shown = Page(card_html(rows, None, [CardSheet(event, "")], settings={}))
    assert ("Check marks" in shown.text) is by_mark
    assert ("When to go" in shown.text) is not by_mark
    assert ("50 x 400 mm" in shown.text) is by_mark  # of tape

    known = {(p.incoming, p.outgoing): progress.MarkKnowledge(0.1, 0.02) for p in advice.pairs}
    weeks = progress.progress_table(lake_of(event).exchanges, known=known)
    assert {gain is not None for gain in weeks["practice_gain_s"].to_pylist()} == {by_mark}

    several = scenes.read_scenes(lake_of(event).exchanges, schema.empty_table("speed_curves"))
    own = [one for one in several if one.pair == several[0].pair]
    known = PairDecisions(
        None,
        tuple(row for row in rows.to_pylist() if (row["incoming"], row["outgoing"]) == own[0].pair),
    )
    part = pair_article(own, known, {}, with_history=False)
    text = Page(markup.html_document("x", "", markup.element("body", {}, part))).text
    assert ("go when the incoming runner is" in text) is not by_mark


@every_relay
def test_takeovers_of_a_medley_are_each_of_their_own_kind(event):
    _, by_mark, _ = kinds(event)
    first = practice().exchanges.slice(0, 1)
    nothing = {"zone_time_s": None, "zone_time_sd_s": None, "zone_speed_mps": None}
    for zone, short in enumerate(by_mark, start=1):
        rows = with_values(first, event=event, zone=zone, **nothing)
        (one,) = scenes.read_scenes(rows, schema.empty_table("speed_curves"))
        assert one.zone_m == (30.0 if short else 20.0)
        seen = takeovers.gather_reps(rows, practice().curves.slice(0, 0), event)
        assert seen.zone_m.tolist() == [one.zone_m]


@every_relay
def test_runners_who_look_keep_to_the_middle_of_the_lane(event):
    """Where the baton goes right, left, right, left, one runner keeps inside and one outside."""
    for zone, by_mark in enumerate(kinds(event)[1], start=1):
        where = axis(event=event, zone=zone)
        sides = {reps._usual_side_m(role, where) for role in ("incoming", "outgoing")}
        assert len(sides) == (2 if by_mark else 1)
