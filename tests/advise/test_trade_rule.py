"""The trade's rule of thumb beside the marks advised."""

import numpy as np
import pytest
import squads

from pipeline.advise import decisions, trade_rule
from pipeline.advise.settings import Settings
from pipeline.advise.trade_rule import judge_trade_rule, trade_mark_feet

QUICK = Settings(outer=16, inner=16)


def test_the_rule_is_the_trades_for_squads_of_women_and_of_men():
    """25 and 30 foot-lengths: common practice, no source."""
    assert trade_mark_feet(9.3) == pytest.approx(25.0)
    assert trade_mark_feet(10.8) == pytest.approx(30.0)


def test_where_the_rule_would_put_the_pass_is_read_off_the_candidates(monkeypatch):
    (advice,) = decisions.advise_lake(squads.lake(61, evenings=2)[0], QUICK)
    found = judge_trade_rule(advice)
    assert found.pairs == len(advice.pairs) == 30
    assert found.top_mps == pytest.approx(advice.squad.start.mean[:, 0].mean())
    # a rule that is the advice itself puts the pass where the advice does
    feet = [pair.best.mark_m / pair.foot_m for pair in advice.pairs]
    assert found.advised_feet == pytest.approx(np.median(feet))
    monkeypatch.setattr(trade_rule, "trade_mark_feet", lambda _: found.advised_feet)
    same = judge_trade_rule(advice)
    assert not same.is_far
    passes = [
        np.interp(found.advised_feet * p.foot_m, p.candidates.mark_m, p.candidates.pass_m)
        for p in advice.pairs
        if p.candidates.mark_m[0] <= found.advised_feet * p.foot_m <= p.candidates.mark_m[-1]
    ]
    assert same.pass_m == pytest.approx(np.median(passes))
    assert len(passes) == same.pairs - same.nearer - same.farther


@pytest.mark.parametrize(("feet", "side"), [(1.0, "nearer"), (120.0, "farther")])
def test_a_rule_beyond_all_candidates_says_on_which_side(feet, side, monkeypatch):
    (advice,) = decisions.advise_lake(squads.lake(61, evenings=2)[0], QUICK)
    monkeypatch.setattr(trade_rule, "trade_mark_feet", lambda _: feet)
    found = judge_trade_rule(advice)
    assert (found.is_far, found.pass_m, getattr(found, side)) == (True, None, found.pairs)


def test_a_change_by_sight_has_no_such_rule():
    lake, _, _ = squads.lake(61, evenings=2, reps=6, event="4x400", place="straight")
    (advice,) = decisions.advise_lake(lake, Settings(outer=16, inner=16, stand_m=0.0, pace=1.0))
    assert judge_trade_rule(advice) is None
