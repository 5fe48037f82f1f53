"""What a race and a short run-in do to speeds: truth comes back; nothing labelled is the
assumption."""

from dataclasses import replace

import numpy as np
import pytest
import squads
from published_sprints import RACES

from pipeline.advise import decisions, laws, pace, runners, simulate, takeovers
from pipeline.advise.settings import Conditions, Settings


@pytest.fixture(scope="module")
def reps():
    lake, _, _ = squads.lake(5, n_runners=4, evenings=3, reps=12)
    return takeovers.gather_reps(lake.exchanges, lake.curves, "4x100")


def with_speeds(reps, v, short_m=np.nan, race=0.0):
    """The same takeovers with these entry speeds, known to 0.05 m/s, run-ins and races."""
    n = len(reps.incoming)
    information = np.tile(np.diag([0.05**-2, 1.0, 1.0]), (n, 1, 1))
    entry = takeovers.Evidence(information, information[:, :, 0] * np.asarray(v)[:, None])
    return replace(
        reps, entry=entry, run_in_m=np.broadcast_to(short_m, n), race=np.broadcast_to(race, n)
    )


def test_with_nothing_labelled_it_is_the_assumption_and_is_said(reps):
    plain = with_speeds(reps, np.full(len(reps.incoming), 9.3))
    found = pace.learn_pace(plain, len(reps.runners))
    assert np.exp(found.mean[[0, 2]]) == pytest.approx([pace.RACE_IN, pace.RACE_OUT])
    assert np.sqrt(np.diag(found.cov))[[0, 2]] == pytest.approx(
        [pace.RACE_IN_SD, pace.RACE_OUT_SD], rel=0.01
    )
    assert (found.races_in, found.races_out) == (0, 0)
    assert pace.pace_words(found).count("assumed") == 2


def test_a_race_that_is_faster_is_learned_within_runners_and_not_between_them(reps):
    """Races are run by the fast ones: who is faster than whom says nothing of racing."""
    rng = np.random.default_rng(4)
    own = np.array([8.6, 9.0, 9.4, 9.8])[reps.incoming]
    race = ((reps.session == 2) & (own > 9.2)).astype(float)
    z = []
    for factor in (0.97, 1.0, 1.03):
        v = own * factor**race * np.exp(rng.normal(0.0, 0.012, len(own)))
        found = pace.learn_pace(with_speeds(reps, v, race=race), len(reps.runners))
        z.append((found.mean[0] - np.log(factor)) / np.sqrt(found.cov[0, 0]))
        assert found.races_in == race.sum()
        assert found.cov[0, 0] < 0.8 * pace.RACE_IN_SD**2
        assert "in races" in pace.pace_words(found)
    assert np.abs(z).max() < 2.5


def test_run_ins_of_two_lengths_tell_what_a_short_one_costs(reps):
    rng = np.random.default_rng(9)
    n = len(reps.incoming)
    far = np.where(rng.random(n) < 0.5, 25.0, 60.0)
    for k in (0.6, 1.0, 1.4):
        v = 9.4 * np.exp(-k * pace.shortness(far, np.full(n, 9.4)) + rng.normal(0.0, 0.012, n))
        found = pace.learn_pace(with_speeds(reps, v, short_m=far), len(reps.runners))
        assert abs(found.mean[1] - k) < 2.5 * np.sqrt(found.cov[1, 1])
        assert np.sqrt(found.cov[1, 1]) < pace.SHORT_SD


def test_takeovers_are_brought_to_the_usual_run_in_and_back(reps):
    n = len(reps.incoming)
    far = np.where(np.arange(n) % 3 == 0, 25.0, 50.0)
    v = 9.4 * np.exp(-pace.shortness(far, np.full(n, 9.4)))
    seen = with_speeds(reps, v, short_m=far)
    found = pace.learn_pace(seen, len(reps.runners))
    same = pace.practised_entries(seen, replace(found, mean=np.array([0.0, 1.0, 0.0])))
    speeds = np.array([np.linalg.solve(a, b)[0] for a, b in zip(*vars_of(same), strict=True)])
    # the median's of each runner
    assert set(np.round(found.short, 3)) <= set(np.round(pace.shortness(far, v), 3))
    assert speeds == pytest.approx(9.4 * np.exp(-found.short[reps.incoming]), abs=0.05)


def vars_of(matter):
    return matter.information, matter.weighted


@pytest.mark.parametrize("race", RACES, ids=str)
def test_the_law_of_the_run_in_against_published_splits(race):
    """Shares of the top speed 30 and 50 m after a start, from 10 m splits of championship finals
    (the source of each race stands beside it in published_sprints.py)."""
    splits = np.diff(np.asarray(RACES[race][1]))
    speeds = 10.0 / splits  # from 10 to 20 m, and so on
    for run_in, tolerance in ((30.0, 0.045), (50.0, 0.03)):  # marks carry 0.02 s
        k = round(run_in / 10.0) - 1  # the line lies between two splits
        share = 0.5 * (speeds[k - 1] + speeds[k]) / speeds.max()
        said = 1.0 - float(pace.shortness(np.array([run_in]), np.array([speeds.max()]))[0])
        assert said == pytest.approx(share, abs=tolerance)


def test_a_short_run_in_in_practice_moves_the_mark_for_a_race_farther_out():
    """The incoming runner of a race is faster than after 30 m of practice: the issue is a metre."""
    lake, _, _ = squads.lake(5, n_runners=4, evenings=3, reps=12)
    marks = {}
    for short in (False, True):
        (squad,) = decisions.find_squads(lake, Settings())
        n = len(squad.reps.incoming)
        run_in = np.full(n, 30.0 if short else 80.0)
        own = runners.estimate_squad(replace(gathered(lake), run_in_m=run_in))
        draws = simulate.draw_runners(own, Conditions(race=True), outer=32, inner=16)
        marks[short] = draws.v_in_mps.mean()
    slower = float(pace.shortness(np.array([30.0]), np.array([9.3]))[0])
    assert marks[True] / marks[False] == pytest.approx(1.0 + slower, abs=0.05)
    assert float(laws.speed_mps(10.0, 9.3, 1.25)) == pytest.approx(9.3, abs=0.01)


def gathered(lake):
    return takeovers.gather_reps(lake.exchanges, lake.curves, "4x100")
