"""The study of causes: its truth is the generator's, and its table says what the cases say."""

from dataclasses import replace

import causes_study as study
import crowd
import numpy as np
import pytest
import squads
import true_causes

import people  # isort: skip - from sample_tracks, found by squads
import practice  # isort: skip


@pytest.fixture(scope="module")
def pair():
    squad, site = squads.draw(3)
    pi, po = squad.people[:2]
    mark_m = people.good_mark_m(
        pi,
        po,
        true_causes.usual_plan(squad, site, (pi.id, po.id), 10.0, 0.0)[0][1],
        site.back_s,
        13.0,  # well before a receiver asks where the baton is
    )
    usual = true_causes.usual_plan(squad, site, (pi.id, po.id), mark_m, 0.0)
    return pi, po, usual


def test_habits_of_a_crowd_are_those_of_two_runners():
    squad, site = squads.draw(3)
    pi, po = squad.people[:2]
    rng = np.random.default_rng(4)
    plans = []
    for k in range(6):
        setup = practice.draw_setup(rng, site)
        plan, _ = practice.plan_takeover(rng, site, pi, po, 1.2, setup, None, 0.05)
        plans.append(replace(plan, matches=k % 2 == 0, let_go_before_s=0.15 * k))
    many = crowd.take_over(pi, po, plans)
    for k, plan in enumerate(plans):
        one = people.take_over(pi, po, plan)
        assert many.slowed[k] == one.slowed
        assert many.pass_t_s[k] == pytest.approx(one.pass_t, abs=1e-9)


def test_the_usual_takeover_lost_nothing(pair):
    pi, po, usual = pair
    assert sum(share for share, _ in usual) == pytest.approx(1.0)
    (parts,) = true_causes.true_parts(pi, po, [usual[0][1]], usual)
    assert parts.whole_s == pytest.approx(0.0, abs=0.01)  # the share of those who never ease


def test_a_late_start_is_the_starts_and_all_adds_up(pair):
    pi, po, usual = pair
    late = replace(usual[0][1], lag_s=usual[0][1].lag_s + 0.3)
    (parts,) = true_causes.true_parts(pi, po, [late], usual)
    assert sum(parts.lost_s.values()) == pytest.approx(parts.whole_s)
    assert parts.lost_s["start"] == pytest.approx(0.3, abs=0.05)
    assert parts.moved_m["start"] < -2.0
    assert max(parts.lost_s, key=parts.lost_s.get) == "start"


def test_the_table_counts_what_the_cases_say():
    cases = [
        study.CauseCase(1, str(k), "start", 0.1 + 0.02 * (-1) ** k, 0.01, 0.1, 0.0)
        for k in range(4)
    ]
    silent = study.CauseCase(1, "9", "start", 5.0, 0.001, 0.0, 0.0)
    mains = [
        study.MainCase(1, "1", "start", "start", 0.1, 0.0, 0.1),
        study.MainCase(1, "2", "mark", "start", 0.1, 0.0, 0.0),
        study.MainCase(1, "3", None, "start", 0.1, 0.0, 0.0),
    ]
    text = study.markdown([study.WorldCases((*cases, silent), tuple(mains), 5)])
    assert "| start | 4 | 0.100 | 0.020 | 0.010 | 2.00 |" in text
    assert (
        "5 takeovers, 3 of them with parts; a main cause is claimed for 2, and right in 1" in text
    )
    assert study.parse_worlds("3-5") == [3, 4, 5]
    assert study.parse_worlds("7") == [7]
