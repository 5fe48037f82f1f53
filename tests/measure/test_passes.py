"""The moment of the pass: gap, smallest gap, sight, and what a squad's reps teach each other."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.base.values import Estimate
from pipeline.measure import passes

T = np.arange(0.5, 4.0, passes.PASS_GRID_S)
HABITS, SPREADS = len(passes.NEARESTS_S), len(passes.SPREADS)


def course(meet_s=2.2, reach=1.2, rate=1.6, sd=0.1, entry_s=0.0):
    """The gap closes at a steady rate to the reach at `meet_s`, and further."""
    gap = reach - rate * (T - meet_s)
    middle = 9.0 * (T - entry_s)
    n = np.full(T.size, 1.0)
    return passes.GapCourse(T, gap, sd * n, middle, sd * n)


def turning(meet_s=2.2, reach=1.2, rate=1.6, after_s=0.45, sd=0.1):
    """The gap closes ever more slowly, passes the reach at `meet_s`, and opens again `after_s`
    later."""
    bend = 0.5 * rate / after_s
    gap = reach + bend * ((T - meet_s - after_s) ** 2 - after_s**2)
    n = np.full(T.size, 1.0)
    return passes.GapCourse(T, gap, sd * n, 9.0 * T, sd * n)


def known(reach, after_s=0.45, sd=0.05):
    """What the others say of spreads (nothing), habit and reach, (h, n, r)."""
    weight = np.exp(
        -0.5 * ((passes.REACHES_M[None, :] - reach) / sd) ** 2
        - 0.5 * ((passes.NEARESTS_S[:, None] - after_s) / 0.05) ** 2
    ) + np.zeros((SPREADS, 1, 1))
    return weight / weight.sum()


def seen(moment, sd):
    return -0.5 * ((T - moment) / sd) ** 2


# --- the smallest gap --------------------------------------------------------------------------


def test_a_pass_lies_its_habit_before_the_smallest_gap():
    for density in passes.nearest_likelihood(turning(after_s=0.45)):
        peaks = T[density.argmax(axis=1)]
        assert peaks == pytest.approx(2.65 - passes.NEARESTS_S, abs=0.02)
        inner = (peaks > 1.2) & (peaks < 3.3)
        np.testing.assert_allclose(density[inner].sum(axis=1) * passes.PASS_GRID_S, 1.0, rtol=0.02)


def test_a_gap_that_still_closes_at_the_end_says_nothing_of_its_smallest():
    density = passes.nearest_likelihood(course())
    assert (density == 1.0).all()


@pytest.mark.parametrize("after_s", [0.1, 0.45, 0.9])
def test_the_smallest_gap_tells_the_moment_where_the_reach_is_not_known(after_s):
    flat = np.zeros(T.size)
    wide = known(1.2, after_s, sd=0.5)
    belief = passes.believe(turning(2.2, 1.2, 1.6, after_s, sd=0.5), flat, wide, 30.0)
    assert belief.moment.value == pytest.approx(2.2, abs=0.12)
    assert belief.moment.sd < 0.25


def test_weights_without_the_reach_do_not_hear_the_gaps_size():
    one, other = turning(reach=0.9), turning(reach=1.4)
    flat = np.zeros(T.size)
    np.testing.assert_allclose(
        passes.weigh_without_reach(one, flat, known(0.9)),
        passes.weigh_without_reach(other, flat, known(1.4)),
        atol=1e-12,
    )


def test_a_squads_habit_is_learned_from_passes_seen():
    reps = [(("ada", "bo"), passes.reach_message(turning(2.2, 1.2, 1.6, 0.9), seen(2.2, 0.05)))] * 6
    others, _ = passes.learn(reps)
    habit = others[0].sum(axis=(0, 2))
    assert float(habit @ passes.NEARESTS_S) == pytest.approx(0.9, abs=0.08)
    prior, _ = passes.learn(reps[:1])
    assert float(prior[0].sum(axis=(0, 2)) @ passes.NEARESTS_S) == pytest.approx(
        passes.NEAREST_AFTER_S.value, abs=0.06
    )


# --- gap and belief ------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(
    st.floats(1.2, 3.2),
    st.floats(0.7, 1.8),
    st.floats(0.4, 3.0),
    st.floats(0.03, 0.4),
    st.integers(0, 2**32 - 1),
)
def test_belief_is_a_probability(meet, reach, rate, sd, seed):
    rest = np.random.default_rng(seed).normal(0, 2, T.size)
    belief = passes.believe(course(meet, reach, rate, sd), rest, known(reach), 30.0)
    assert belief.weight.sum() == pytest.approx(1.0)
    assert (belief.weight >= 0).all()
    assert T[0] <= belief.moment.value <= T[-1]
    assert 0.0 <= belief.p_in_zone <= 1.0
    assert min(belief.moment.sd, belief.place_m.sd, belief.gap_m.sd) > 0.0


def test_reach_tells_the_moment_and_closing_faster_tells_it_better():
    flat = np.zeros(T.size)
    slow, fast = (
        passes.believe(course(2.2, 1.2, rate), flat, known(1.2), 30.0) for rate in (0.8, 3.0)
    )
    assert fast.moment.value == pytest.approx(2.2, abs=0.05)
    assert slow.moment.value == pytest.approx(2.2, abs=0.15)
    assert fast.moment.sd < slow.moment.sd
    assert fast.gap_m.value == pytest.approx(1.2, abs=0.05)


@pytest.mark.parametrize("moment", [1.4, 2.0, 3.1])
def test_sharp_sight_wins(moment):
    belief = passes.believe(course(2.2), seen(moment, 0.01), known(1.2), 30.0)
    assert belief.moment.value == pytest.approx(moment, abs=0.03)
    assert belief.moment.sd < 0.03
    assert belief.place_m.value == pytest.approx(9.0 * moment, abs=0.3)
    # a sight of more than a reach's spread away from the gap still leaves the gap of that moment
    assert belief.moment.value < T[-1]


def test_smallest_gap_and_reach_agree_better_than_either():
    one = turning(2.2, 1.2, 1.6, 0.45)
    wide = passes.GapCourse(T, one.gap_m, 20.0 * one.gap_sd_m, one.middle_m, one.middle_sd_m)
    flat, broad = np.zeros(T.size), known(1.2, 0.45)
    spread = broad.copy()
    spread[:] = broad.sum(axis=1, keepdims=True) / HABITS  # any habit
    both = passes.believe(one, flat, broad, 30.0)
    reach_only = passes.believe(one, flat, spread, 30.0)
    nearest_only = passes.believe(wide, flat, broad, 30.0)
    assert both.moment.sd < min(reach_only.moment.sd, nearest_only.moment.sd)
    assert both.moment.value == pytest.approx(2.2, abs=0.1)


def test_probability_of_the_zone_follows_the_place():
    flat = np.zeros(T.size)
    inside = passes.believe(course(2.2), flat, known(1.2), 30.0)
    outside = passes.believe(course(2.2), flat, known(1.2), 12.0)
    edge = passes.believe(course(2.2), flat, known(1.2), inside.place_m.value)
    assert inside.p_in_zone > 0.95
    assert outside.p_in_zone < 0.05
    assert 0.3 < edge.p_in_zone < 0.7


@settings(max_examples=15, deadline=None)
@given(st.floats(-1e3, 1e3))
def test_belief_knows_no_zero_of_time(shift):
    one = course(2.2)
    moved = passes.GapCourse(T + shift, one.gap_m, one.gap_sd_m, one.middle_m, one.middle_sd_m)
    here = passes.believe(one, seen(2.4, 0.2), known(1.2), 30.0)
    there = passes.believe(moved, seen(2.4, 0.2), known(1.2), 30.0)
    assert there.moment.value - shift == pytest.approx(here.moment.value, abs=1e-6)
    assert there.place_m.value == pytest.approx(here.place_m.value, abs=1e-6)
    np.testing.assert_allclose(there.weight, here.weight, rtol=1e-5, atol=1e-9)


# --- learning -----------------------------------------------------------------------------


def says(reach, moment=2.2):
    return passes.reach_message(course(moment, reach), seen(moment, 0.05))


def test_more_reps_know_the_reach_better():
    sds = []
    for n in (1, 3, 9):
        _, reach = passes.learn([(("ada", "bo"), says(1.5))] * n)
        sds.append(reach["ada", "bo"].sd)
        value = reach["ada", "bo"].value
    assert sds[0] > sds[1] > sds[2]
    assert value == pytest.approx(1.5, abs=0.12)


@pytest.mark.parametrize("reach", [0.9, 1.2, 1.6])
def test_reach_comes_back_between_prior_and_truth(reach):
    _, few = passes.learn([(("ada", "bo"), says(reach))])
    prior = passes.REACH_PRIOR_M.value
    low, high = sorted((prior, reach))
    assert low - 0.06 < few["ada", "bo"].value < high + 0.06


def test_pairs_of_a_squad_teach_each_other_but_keep_their_own():
    mixed = [(("ada", "bo"), says(1.6))] * 6 + [(("bo", "cy"), says(0.9))] * 6
    _, reach = passes.learn(mixed)
    assert reach["ada", "bo"].value - reach["bo", "cy"].value > 0.4
    one = [(("bo", "cy"), says(1.2))]
    _, alone = passes.learn(one)
    _, with_far = passes.learn([*one, *[(("ada", "bo"), says(1.7))] * 8])
    assert with_far["bo", "cy"].value > alone["bo", "cy"].value


def test_order_of_the_reps_does_not_matter_and_no_rep_hears_itself():
    reps = [(("ada", "bo"), says(1.5)), (("bo", "cy"), says(1.0)), (("ada", "bo"), says(1.3))]
    others, reach = passes.learn(reps)
    back, reach_back = passes.learn(reps[::-1])
    for one, other in zip(others, back[::-1], strict=True):
        np.testing.assert_allclose(one, other, atol=1e-12)
    assert reach["ada", "bo"].value == pytest.approx(reach_back["ada", "bo"].value)
    for belief in others:
        assert belief.shape == (SPREADS, HABITS, len(passes.REACHES_M))
        assert belief.sum() == pytest.approx(1.0)
        assert (belief >= 0).all()
    changed, _ = passes.learn([(("ada", "bo"), says(0.7)), *reps[1:]])
    np.testing.assert_allclose(changed[0], others[0], atol=1e-9)
    assert np.abs(changed[2] - others[2]).max() > 1e-4


def test_one_rep_alone_hears_the_prior():
    (belief,), _ = passes.learn([(("ada", "bo"), says(1.7))])
    reach = belief.sum(axis=(0, 1))
    mean = float(reach @ passes.REACHES_M)
    sd = float(np.sqrt(reach @ (passes.REACHES_M - mean) ** 2))
    prior = Estimate(
        passes.REACH_PRIOR_M.value, np.hypot(passes.REACH_PRIOR_M.sd, passes.REACH_PRIOR_PAIR_SD_M)
    )
    assert mean == pytest.approx(prior.value, abs=0.05)
    assert sd == pytest.approx(prior.sd, rel=0.15)


def test_no_reps_teach_nothing():
    others, reach = passes.learn([])
    assert others == []
    assert reach == {}
