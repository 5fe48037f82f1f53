"""Sprints that others measured: the law of a standing start against 52 real ones, and real motion
under simulated receivers, a truth that no generator's law has shaped. Sources: real_sprints.py."""

import numpy as np
import pytest
import real_sprints as real

pytestmark = pytest.mark.skipif(
    not real.FOLDER.is_dir(), reason=f"no sprints measured by others in {real.FOLDER}"
)


@pytest.fixture(scope="module")
def starts():
    return real.fit_gates()


def test_the_law_leaves_no_more_of_52_starts_than_their_times_are_written_to(starts):
    _, left = starts
    assert left.shape == (52, 5)
    assert real.rms(left) < real.TIMED_TO_S
    # at no distance is it early or late by more than half a hundredth
    assert np.abs(left.mean(axis=0)).max() < 0.5 * real.TIMED_TO_S
    assert np.sqrt(np.mean(left**2, axis=0)).max() < 1.5 * real.TIMED_TO_S
    assert np.abs(left).max() < 4.0 * real.TIMED_TO_S


def test_top_speeds_and_time_constants_of_52_women_and_how_they_spread(starts):
    """Field players: slower than sprinters, and a longer time constant from a free origin."""
    found, _ = starts
    top, tau, launch = found.mean(axis=0)
    assert top == pytest.approx(7.68, abs=0.02)
    assert tau == pytest.approx(1.08, abs=0.02)
    assert launch == pytest.approx(-0.24, abs=0.01)
    np.testing.assert_allclose(found.std(axis=0, ddof=1), (0.44, 0.15, 0.105), atol=0.01)
    assert 6.5 < found[:, 0].min() < found[:, 0].max() < 9.0
    assert 0.8 < found[:, 1].min() < found[:, 1].max() < 1.6


def test_a_start_tied_to_the_beam_is_late_at_5_m():
    """Without the free origin the first gate comes too late by the law, as with the finals."""
    _, left = real.fit_gates(free=False)
    first, *others = left.mean(axis=0)
    assert first == pytest.approx(0.039, abs=0.005)
    assert first > max(others) + 0.02


def test_the_law_follows_a_sprint_measured_a_thousand_times_a_second():
    run = real.tether_sprint()
    places = np.arange(5.0, real.END_M + 1.0, 5.0)
    (top, tau, launch), left = real.fit_start(places, np.interp(places, run.s_m, run.t_s))
    assert np.abs(left).max() < 0.003
    assert (top, tau, launch) == pytest.approx((8.945, 1.285, -0.047), abs=0.01)


def test_the_truth_of_the_sprint_is_of_one_piece():
    """Speed without the swing adds up to the distance; the recorder's smooth speed does not."""
    run = real.tether_sprint()
    here = run.t_s <= run.end_s
    place = run.s_m[here]
    assert np.abs(np.cumsum(run.swinging_mps[here]) * 1e-3 - place).max() < 0.02
    assert np.abs(np.cumsum(run.v_mps[here]) * 1e-3 - place).max() < 0.06
    assert np.abs(np.cumsum(run.recorder_mps[here]) * 1e-3 - place).max() > 0.25


@pytest.mark.parametrize("level", ["quiet", "ordinary", "rough"])
def test_course_and_speed_of_a_real_sprint_come_back_within_their_errors(level):
    run = real.tether_sprint()
    several = [real.errors(run, real.fit_under_receivers(run, level, seed)) for seed in range(30)]
    for name, within in (("s", 0.35), ("v", 0.1)):
        pairs = np.array([one[name] for one in several])
        assert 0.7 < real.ratio(pairs) < 1.3, name
        assert real.rms(pairs[..., 0]) < within, name
