"""Tapes and seen passes are statements that may be wrong; right ones are believed."""

from dataclasses import replace

import numpy as np
import pytest
from straight import problem, sight, without_swing

from pipeline.base.values import Estimate
from pipeline.measure import estimator, passes, tapes


def standing_start(stand_m, taped_m, sd_m=0.08, noise_m=0.05):
    """An outgoing runner who starts from `stand_m`, whom the sheet has at `taped_m`."""
    t = np.arange(-5.0, 4.0, 0.1)
    x = np.maximum(t, 0.0)
    v = 9.0 * (1 - np.exp(-x / 1.2))
    s = stand_m + 9.0 * (x + 1.2 * np.expm1(-x / 1.2))
    seen = sight(t, s, v, speed_noise_mps=0.05, position_noise_m=noise_m)
    return replace(without_swing(seen), start_s=0.0, stand_m=Estimate(taped_m, sd_m))


def incoming():
    t = np.arange(-5.0, 4.0, 0.1)
    return without_swing(sight(t, 9.5 * (t + 0.5), np.full(t.size, 9.5), speed_noise_mps=0.05,
                               position_noise_m=0.05))  # fmt: skip


def fitted(stand_m, taped_m):
    return estimator.solve(problem(incoming(), standing_start(stand_m, taped_m)))


def test_without_the_tape_the_rest_says_where_the_stand_was():
    """The posterior less the tape is what a fit without a tape says."""
    fit = fitted(2.0, 2.0)
    loose = fit.problem.outgoing
    loose = replace(loose, stand_m=Estimate(2.0, 50.0))
    alone = estimator.solve(replace(fit.problem, outgoing=loose), start_from=fit)
    place = alone.layouts[1].block.start + alone.layouts[1].stand
    less = tapes.stand_without_tape(fit, "outgoing")
    assert less.value == pytest.approx(alone.x[place], abs=0.05)
    assert less.sd == pytest.approx(np.sqrt(alone.cov[place, place]), rel=0.1)
    assert tapes.stand_without_tape(fit, "incoming") is None  # he is under way


@pytest.mark.parametrize("off_m", [-5.0, -3.0, 3.0, 5.0])
def test_a_tape_metres_off_is_not_used(off_m):
    fit = fitted(2.0, 2.0 + off_m)
    nearest = Estimate(0.7 + off_m, 0.2)  # the gap comes out with the tape
    doubt = tapes.doubt_tapes(fit, nearest, 0.95, 0.7)["outgoing"]
    assert doubt.p_wrong > tapes.DROPPED_P
    assert abs(doubt.elsewhere.value - 2.0) < 0.5 * abs(off_m)  # the words come from a fit without
    assert doubt.ahead_m == pytest.approx(off_m, abs=1.5)


def test_a_right_tape_is_believed():
    fit = fitted(2.0, 2.0)
    for gap_m in (0.2, 0.7, 1.2):
        doubt = tapes.doubt_tapes(fit, Estimate(gap_m, 0.2), 0.95, 0.7)["outgoing"]
        assert doubt.p_wrong < tapes.DOUBTED_P
        assert abs(doubt.z) < 2.5


def test_a_receiver_who_slowed_says_little_of_the_tapes():
    """Who never got the baton may have been metres away."""
    fit = estimator.solve(problem(incoming(), standing_start(2.0, 2.0, noise_m=20.0)))
    ran_on = tapes.doubt_tapes(fit, Estimate(3.5, 0.2), 0.95, 0.7)["outgoing"]
    gave_up = tapes.doubt_tapes(fit, Estimate(3.5, 0.2), 0.1, 0.7)["outgoing"]
    assert gave_up.p_wrong < ran_on.p_wrong
    assert gave_up.p_wrong < tapes.DOUBTED_P


def test_a_guess_at_a_stand_is_no_statement_of_the_sheet():
    guessed = standing_start(2.0, 1.5, sd_m=3.0)
    fit = estimator.solve(problem(incoming(), guessed))
    assert tapes.doubt_tapes(fit, Estimate(0.7, 0.2), 0.95, 0.7) == {}


def test_all_stands_from_the_wrong_line_show_in_all_gaps_together():
    sound, off = tapes.doubt_all_stands(np.full(8, 0.1), 4, 0.8)
    assert sound < tapes.DOUBTED_P
    wrong, off = tapes.doubt_all_stands(np.full(8, 1.9), 4, 1.5)
    assert wrong > tapes.DROPPED_P
    assert 0.8 < off.value < 2.2
    few, _ = tapes.doubt_all_stands(np.empty(0), 4, 0.8)
    assert few < tapes.DOUBTED_P


def course():
    t = np.arange(0.0, 4.0, passes.PASS_GRID_S)
    gap = np.abs(t - 2.4) * 1.5 + 0.6
    return passes.GapCourse(t, gap, np.full(t.size, 0.2), 9.0 * t, np.full(t.size, 0.2))


def test_a_pass_seen_at_the_wrong_place_is_given_up():
    seen = course()
    flat = np.ones((len(passes.SPREADS), len(passes.NEARESTS_S), len(passes.REACHES_M)))
    (others,), _ = passes.learn([(("a", "b"), passes.reach_message(seen, np.zeros(len(seen.t_s))))])
    assert others.shape == flat.shape
    believed = passes.believe(seen, np.zeros(len(seen.t_s)), others, 30.0)
    for off_m, wrong in ((0.3, False), (-9.0, True), (9.0, True)):
        said = believed.place_m.value + off_m
        sight_ = passes.sight_log_likelihood(seen, said)
        belief = passes.believe(seen, sight_, others, 30.0)
        p_wrong = passes.chance_sight_is_wrong(seen, said, belief.weight)
        assert (p_wrong > 0.5) == wrong
