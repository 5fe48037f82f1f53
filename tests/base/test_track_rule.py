"""The rule at the track: rarely wrong on the right mark, soon right on a wrong one."""

from statistics import NormalDist

import crowd
import numpy as np
import pytest
import squads
from hypothesis import given
from hypothesis import strategies as st

from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.base.track_rule import RARE, track_rule


def test_two_in_a_row_beyond_a_limit_are_as_rare_as_said():
    """14 ± 3 m, nothing outside the zone: 0.158 of a normal law lies beyond 1.00 of its spread."""
    rule = track_rule(14.0, 3.0, 1.0, 0.0, 30.0)
    assert (rule.near_m, rule.far_m) == (10, 18)
    shares = [NormalDist(0.0, 3.0).cdf(-abs(limit - 14.0)) for limit in (rule.near_m, rule.far_m)]
    assert sum(share**2 for share in shares) <= RARE  # rounded outward


@given(
    pass_m=st.floats(0, 30),
    spread=st.floats(0.1, 10),
    p_in=st.floats(0, 1),
    part=st.floats(0, 1),
)
def test_limits_lie_about_the_expected_place_within_the_zone(pass_m, spread, p_in, part):
    rule = track_rule(pass_m, spread, p_in, part * (1.0 - p_in), 30.0)
    if rule is None:
        assert p_in < 0.5
        return
    assert 0 <= rule.near_m <= rule.far_m <= 30
    # the more of those who miss run away, the farther out the far limit, and the near one too
    all_away, all_early = (track_rule(pass_m, spread, p_in, x * (1 - p_in), 30.0) for x in (1, 0))
    assert all_early.far_m <= rule.far_m <= all_away.far_m
    assert all_early.near_m <= rule.near_m <= all_away.near_m


def test_where_many_miss_on_one_side_only_a_miss_counts_there():
    assert track_rule(20.0, 3.0, 0.7, 0.3, 30.0).far_m == 30
    assert track_rule(6.0, 3.0, 0.7, 0.0, 30.0).near_m == 0


def shares_beyond(seed: int, pairs: int) -> np.ndarray:
    """(pairs, places, 2) shares of simulated passes before and beyond the limits, on marks from
    two feet nearer to two farther."""
    lake, squad, site = squads.lake(seed, evenings=2)
    (advice,) = decisions.advise_lake(lake, Settings(outer=32, inner=16))
    rng = np.random.default_rng(seed)
    out = []
    for k in rng.permutation(len(advice.pairs))[:pairs]:
        pair, best = advice.pairs[k], advice.pairs[k].best
        rule = track_rule(
            best.pass_m, best.pass_spread_m, best.p_in_zone, best.p_ran_away, site.zone_m
        )
        places = [(best.mark_m + feet * pair.foot_m, pair.stand_m) for feet in (-2, -1, 0, 1, 2)]
        seen = crowd.on_marks(squad, site, (pair.incoming, pair.outgoing), places, 60, rng)
        at = [np.where(one.passed, one.pass_m, np.inf) for one in seen]
        out.append([(np.mean(x < rule.near_m), np.mean(x > rule.far_m)) for x in at])
    return np.array(out)


def test_simulated_squads_are_seldom_misled_and_often_put_right():
    """Four pairs of a squad; docs/advice.md has more."""
    near, far = np.moveaxis(shares_beyond(71, 4), 2, 0)  # (pairs, places)
    # the right mark of a pair is the one on which neither side is the commoner
    right = np.abs(near - far).argmin(axis=1)
    pair = np.arange(len(near))
    two_in_a_row = near[pair, right] ** 2 + far[pair, right] ** 2
    assert two_in_a_row.mean() < 2 * RARE
    # two feet too near: two in a row before the limit; two feet too far: beyond it
    assert np.mean(near[:, 0] ** 2) > 4 * np.mean(far[:, 0] ** 2)
    assert np.mean(far[:, 4] ** 2) > 4 * np.mean(near[:, 4] ** 2)
    assert np.mean(near[:, 0] ** 2) + np.mean(far[:, 4] ** 2) == pytest.approx(0.4, abs=0.3)
