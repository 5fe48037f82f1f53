"""Many takeovers of a pair at once: the closed form, and with uncertainty the laws of chance.

Two runners are made by hand: `course` gives Draws that are all alike, `pair_squad` a Squad whose
spread from rep to rep and whose estimation error are set as wanted.
"""

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from made_pairs import TODAY, course, pair_squad, run

from pipeline.advise import laws, pace, simulate
from pipeline.advise.settings import Conditions

OLDER = Conditions(zone_m=20.0, back_m=-10.0)

# Check marks for a constant incoming speed and an exponential start: m/s, m/s, s, s (lag), m
# (receiver's run to the pass), m (free distance), then the mark's distance; computed from
# G = v_in (t_D + lag) - (D - F). In the first four rows the pass lies deep in a 30 m zone.
WORKED = (
    (10.5, 10.5, 1.20, 0.2, 20.0, 1.0, 14.6716),
    (10.5, 10.5, 1.20, 0.0, 20.0, 1.0, 12.5716),
    (11.5, 11.5, 1.25, 0.2, 22.0, 1.0, 16.4265),
    (9.5, 9.5, 1.15, 0.2, 18.0, 0.8, 12.7898),
    (8.0, 8.5, 1.15, 0.0, 8.0, 0.6, 7.5099),  # of a 4x400
)


SPEEDS = st.floats(8.0, 11.5)
TAUS = st.floats(1.0, 1.5)
LAGS = st.floats(0.0, 0.3)
FREES = st.floats(0.8, 1.8)


# --- without uncertainty: the closed form ------------------------------------------------------


@pytest.mark.parametrize(("v_in", "top", "tau", "lag", "run_m", "free", "mark"), WORKED)
def test_the_worked_marks_bring_the_pass_where_it_was_wanted(
    v_in, top, tau, lag, run_m, free, mark
):
    out = run(course(v_in, top, tau, lag, free), mark)
    # courses meet at a small angle: a thousandth of a second is 0.1 m
    assert out.pass_m == pytest.approx(run_m - free / 2, abs=0.03)
    assert out.in_zone.all()
    assert not out.ran_into.any() or free < 0.8  # trunks nearly touch as it is
    t = laws.seconds_to(run_m, top, tau)
    closing = v_in - laws.speed_mps(t, top, tau)
    assert out.closing_mps == pytest.approx(closing, abs=0.01)
    # the baton: at the incoming runner's speed up to the reach, then with the receiver
    expected = (run_m - free) / v_in + laws.seconds_to(30.0, top, tau) - t
    assert out.zone_time_s == pytest.approx(expected, abs=2e-3)
    assert out.go_gap_m == pytest.approx(mark - v_in * lag, abs=1e-6)


@given(SPEEDS, SPEEDS, TAUS, LAGS, FREES, st.floats(12.0, 24.0), st.floats(0.0, 4.0))
@settings(max_examples=60, deadline=None)
def test_the_closed_form_comes_back_for_any_runners(v_in, top, tau, lag, free, run_m, stand):
    """Wherever the receiver is still the slower one; else he is never reached again."""
    t = laws.seconds_to(run_m, top, tau)
    v_out = float(laws.speed_mps(t, top, tau))
    mark = float(laws.closed_form_mark_m(v_in, top, tau, lag, run_m, free))
    assume(0.6 < v_in - v_out < 3.0)  # beyond, the hand is not there in time
    out = run(course(v_in, top, tau, lag, free), mark - stand, stand=stand)
    assert out.pass_m == pytest.approx(stand + run_m - free / 2, abs=0.06)
    assert out.closing_mps == pytest.approx(v_in - v_out, abs=0.03)


@given(SPEEDS, SPEEDS, TAUS, LAGS, st.floats(3.0, 12.0), st.floats(-0.05, 0.05))
@settings(max_examples=40, deadline=None)
def test_a_metre_farther_the_receiver_leaves_and_the_baton_arrives_the_earlier(
    v_in, top, tau, lag, mark, cost
):
    out = run(course(v_in, top, tau, lag, cost=cost), [mark, mark + 1.0])
    # wherever the baton passes, the receiver runs on by one law (tabulated to a millionth)
    assume(out.in_zone.all())
    assert np.diff(out.zone_time_s) == pytest.approx(-1.0 / v_in, abs=1e-6)
    assert np.diff(out.finish_s) == pytest.approx(-1.0 / v_in, abs=1e-6)
    assert np.diff(out.go_gap_m) == pytest.approx(1.0, abs=1e-9)


@given(SPEEDS, st.floats(0.02, 0.2), st.floats(5.0, 12.0))
@settings(max_examples=30, deadline=None)
def test_a_later_start_is_a_nearer_mark(v_in, later, mark):
    """Sensitivity v_in x 0.1 s: 0.1 s is about 1 m (computed from the closed form)."""
    one = run(course(v_in, lag=0.1), mark)
    other = run(course(v_in, lag=0.1 + later), mark + v_in * later)
    for name in ("pass_m", "zone_time_s", "closing_mps", "go_gap_m"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-6)


def test_each_metre_of_free_distance_saves_its_own_time():
    """F / v a takeover: 1 m at 10 m/s is 0.10 s, 0.30 s over three (computed)."""
    times = []
    for free in (1.0, 2.0):
        mark = laws.closed_form_mark_m(10.0, 10.0, 1.2, 0.2, 20.0, free)
        times.append(run(course(10.0, 10.0, 1.2, 0.2, free), mark).zone_time_s[0, 0])
    assert times[0] - times[1] == pytest.approx(0.10, abs=1e-3)
    assert 3 * (times[0] - times[1]) == pytest.approx(0.30, abs=3e-3)


@given(SPEEDS, SPEEDS, TAUS, st.floats(4.0, 10.0))
@settings(max_examples=30, deadline=None)
def test_finish_is_what_the_speed_at_the_exit_line_still_costs(v_in, top, tau, mark):
    """Against a receiver who leaves the zone at full speed, a hundred metres on."""
    out = run(course(v_in, top, tau), mark)
    assume(out.in_zone.all())
    there, far = laws.seconds_to(np.array([30.0, 130.0]), top, tau)
    assert out.finish_s - out.zone_time_s == pytest.approx(far - there - 100.0 / top, abs=2e-3)


def test_beyond_the_farthest_mark_the_receiver_runs_away():
    """Nobody is reached from a mark beyond the greatest that any place of the zone asks for."""
    v_in, top, tau, lag, free = 9.2, 9.8, 1.2, 0.2, 1.0
    places = np.linspace(2.0, 30.0, 600)
    farthest = laws.closed_form_mark_m(v_in, top, tau, lag, places, free).max()
    out = run(course(v_in, top, tau, lag, free), farthest + np.array([-0.1, 0.1]))
    assert out.ran_away.mean(axis=0) == pytest.approx([0.0, 1.0])
    assert out.in_zone.mean(axis=0) == pytest.approx([1.0, 0.0])


def test_a_pass_beyond_the_exit_line_is_no_pass_in_the_zone():
    v_in, top, free = 10.5, 9.5, 1.0  # reaches the receiver anywhere, so also beyond the line
    marks = laws.closed_form_mark_m(v_in, top, 1.2, 0.2, np.array([30.0, 31.0]), free)
    out = run(course(v_in, top, 1.2, 0.2, free), marks)
    assert out.pass_m[0] == pytest.approx([29.5, 30.5], abs=0.05)
    assert out.in_zone.mean(axis=0) == pytest.approx([1.0, 0.0])
    assert out.ran_away.mean(axis=0) == pytest.approx([0.0, 1.0])


def test_no_later_than_accepted():
    marks = np.linspace(12.0, 15.0, 13)
    plain, asked = (run(course(10.0), marks, latest_m=latest) for latest in (None, 15.0))
    assert np.array_equal(plain.in_time, plain.in_zone)
    assert np.array_equal(asked.in_time, asked.in_zone * (asked.pass_m <= 15.0))
    assert 0 < asked.in_time.sum() < plain.in_time.sum()


def test_who_comes_up_on_a_receiver_just_off_runs_into_him_and_never_the_faster_receiver():
    near, far = run(course(10.0, 9.5), [1.0, 14.5]).ran_into.mean(axis=0)
    assert (near, far) == (1.0, 0.0)
    # a closing speed of nought or less is no collision, however far the reach
    assert not run(course(8.0, 10.5, free=0.7), np.linspace(1.0, 20.0, 20)).ran_into[:, 8:].any()


@pytest.mark.parametrize(("v_in", "mark"), [(9.0, 5.0), (10.5, 6.0), (11.0, 6.0)])
def test_a_fast_closing_waits_for_the_hand_which_is_back_in_three_tenths_of_a_second(v_in, mark):
    """Called 1.0 m short of reach, with the hand there 0.30 s later (docs/methods.md), stepped
    through here."""
    top, tau, free, stand = 9.5, 1.2, 1.2, 0.0
    t = np.arange(0.0, 6.0, 1e-4)  # from the first movement, when the other is at the mark
    own = top * (t + tau * np.expm1(-t / tau))
    gap = stand + own + mark - v_in * t
    reached = int(np.argmax(gap <= free))
    speed = float(laws.speed_mps(t[reached], top, tau))
    closing = v_in - speed
    wait = max(0.0, 0.30 - 1.0 / closing)
    assert (wait > 0.02) == (closing > 3.6)
    middle = own[reached + round(wait / 1e-4)] - (free - closing * wait) / 2
    out = run(course(v_in, top, tau, lag=0.0, free=free), mark)
    assert out.closing_mps == pytest.approx(closing, abs=0.05)
    assert out.pass_m == pytest.approx(middle, abs=0.05)


def test_the_older_zone_is_the_same_ground_less_its_first_ten_metres():
    """The scratch and exit lines did not move when the acceleration zone became part of the
    takeover zone (IAAF Competition Rules 2018-2019, Rule 170.3)."""
    marks = np.linspace(4.0, 14.0, 21)
    draws = course(9.8)
    new, old = run(draws, marks), run(draws, marks, where=OLDER)
    assert old.pass_m == pytest.approx(new.pass_m - 10.0, abs=1e-6)
    assert old.zone_time_s == pytest.approx(new.zone_time_s - 10.0 / 9.8, abs=1e-6)
    assert np.array_equal(old.in_zone, new.in_zone * (new.pass_m >= 10.0))
    assert 0 < old.in_zone.sum() < new.in_zone.sum()


def test_a_fading_incoming_runner_asks_for_a_nearer_mark():
    fresh, tired = (run(course(10.0, fade=fade), 13.0) for fade in (0.0, 0.4))
    assert (tired.pass_m > fresh.pass_m).all()
    assert tired.zone_time_s == pytest.approx(fresh.zone_time_s, abs=1e-6)  # of the entry's clock


def test_by_sight_no_lag_counts_and_a_look_is_a_place():
    """Where the receiver looks, the mark is where the other is when he sets off."""
    squad = pair_squad(0.0, 0.0, blind=False)
    where = Conditions(zone_m=20.0)
    prompt, slow = (run(course(8.0, 8.5, lag=x), 7.5, squad=squad, where=where) for x in (0.0, 0.3))
    assert np.array_equal(prompt.pass_m, slow.pass_m)
    assert prompt.go_gap_m == pytest.approx(7.5)
    late = run(course(8.0, 8.5, look=1.0), 8.5, squad=squad, where=where)
    assert late.pass_m == pytest.approx(prompt.pass_m, abs=1e-6)


def test_a_slower_pace_is_reached_sooner_and_by_a_faster_runner():
    full, part = (run(course(9.5), 8.0, pace=pace) for pace in (1.0, 0.9))
    assert (part.pass_m < full.pass_m).all()
    assert (part.closing_mps > full.closing_mps).all()
    assert (part.zone_time_s > full.zone_time_s).all()


def test_who_waits_for_the_baton_eases_and_who_has_it_does_not():
    marks = np.array([10.5, 14.2])
    steady, eases = (run(course(9.8, 9.8, ease=x), marks) for x in (0.0, 1.0))
    assert steady.pass_m[0, 0] < 0.66 * 30.0 < steady.pass_m[0, 1]
    assert eases.zone_time_s[:, 0] == pytest.approx(steady.zone_time_s[:, 0], abs=1e-9)
    assert (eases.zone_time_s[:, 1] > steady.zone_time_s[:, 1] + 0.01).all()
    assert (eases.pass_m[:, 1] < steady.pass_m[:, 1]).all()
    assert (eases.finish_s >= eases.zone_time_s - 1e-9).all()


def test_only_some_draws_are_looked_at_and_they_are_the_same():
    squad = pair_squad()
    draws = simulate.draw_runners(squad, TODAY, outer=8, inner=8)
    marks = np.array([8.0, 10.0])
    every, some = run(draws, marks, squad=squad), run(draws.thin(4), marks, squad=squad)
    for f in fields(simulate.Outcomes):
        assert np.array_equal(getattr(every, f.name)[::4], getattr(some, f.name))
    start = simulate.run_receiver(draws, 1, TODAY, 0.0, 1.0)
    again = run(draws, marks, squad=squad, start=start)
    assert np.array_equal(every.zone_time_s, again.zone_time_s)


# --- conditions -------------------------------------------------------------------------------


def mean_ratio(name: str, where: Conditions) -> np.ndarray:
    squad = pair_squad()
    one, other = (simulate.draw_runners(squad, c, outer=16, inner=16) for c in (TODAY, where))
    return getattr(other, name) / getattr(one, name)


@pytest.mark.parametrize("name", ["top_mps", "v_in_mps"])
def test_two_metres_a_second_from_behind_make_one_per_cent(name):
    """Linthorne, J Appl Biomech 10 (1994): 0.10 ± 0.01 s for 2 m/s over 100 m; men, about 10 s."""
    assert mean_ratio(name, Conditions(wind_mps=2.0)) == pytest.approx(1.0 + 0.10 / 10.0, abs=1e-3)
    # into the wind one loses more than one gains from behind (the same source)
    assert (1.0 - mean_ratio(name, Conditions(wind_mps=-2.0)) > 0.0101).all()


def test_a_following_wind_makes_the_zone_time_shorter_by_about_as_much():
    squad = pair_squad()
    times = []
    for wind in (0.0, 2.0):
        where = Conditions(wind_mps=wind)
        draws = simulate.draw_runners(squad, where, outer=16, inner=16)
        times.append(run(draws, 8.0, squad=squad, where=where).zone_time_s.mean())
    assert 0.005 < 1.0 - times[1] / times[0] < 0.015


def test_racing_is_unknown_by_a_factor_that_all_reps_of_a_race_share():
    for name, usual in (("top_mps", pace.RACE_OUT), ("v_in_mps", pace.RACE_IN)):
        ratio = mean_ratio(name, Conditions(race=True)).reshape(16, 16, 2)
        assert np.ptp(ratio, axis=(1, 2)) == pytest.approx(0.0, abs=1e-9)
        assert np.std(ratio[:, 0, 0]) > 1e-3
        assert ratio.mean() == pytest.approx(usual, abs=0.02)


def test_a_crouched_start_is_later_for_the_first_metres_only():
    draws = course()
    standing, crouched = (
        simulate.run_receiver(draws, 1, Conditions(crouched=x), 0.0, 1.0) for x in (False, True)
    )
    later = crouched.t_s[0] - standing.t_s[0]
    far = standing.d_m >= simulate.CROUCH_M
    assert later.min() >= 0.0
    assert 0.0 < later.max() <= simulate.CROUCH_S
    assert later[far] == pytest.approx(0.0, abs=1e-12)
    assert (np.diff(crouched.t_s[0]) > 0).all()


# --- chance ----------------------------------------------------------------------------------

MARKS = np.linspace(2.0, 18.0, 33)


@pytest.fixture(scope="module")
def curve():
    squad = pair_squad(eases=0.7)
    return run(simulate.draw_runners(squad, TODAY), MARKS, squad=squad)


def test_beyond_the_safest_mark_the_chance_only_falls(curve):
    p = curve.in_zone.mean(axis=0)
    safest = int(p.argmax())
    assert p[safest] > 0.95
    assert p[-1] < 0.05
    assert (np.diff(p[safest:]) <= 0.01).all()


def test_the_farther_the_mark_the_fewer_run_into_each_other_and_the_more_run_away(curve):
    into, away = curve.ran_into.mean(axis=0), curve.ran_away.mean(axis=0)
    assert into[0] > 0.5
    assert (np.diff(into) <= 0.01).all()
    assert (np.diff(away) >= -0.01).all()


def test_no_pass_is_both_in_the_zone_and_run_away(curve):
    assert set(np.unique(curve.in_zone)) == {0.0, 1.0}
    assert not (curve.in_zone * curve.ran_away).any()
    for f in fields(simulate.Outcomes):
        assert np.isfinite(getattr(curve, f.name)).all(), f.name


def test_the_same_seed_gives_the_same_arrays_and_another_close_ones():
    squad = pair_squad()
    runs = []
    for seed in (3, 3, 4):
        draws = simulate.draw_runners(squad, TODAY, outer=128, inner=16, seed=seed)
        runs.append(run(draws, [8.0, 10.0, 11.0], squad=squad))
    one, again, other = runs
    for f in fields(simulate.Outcomes):
        assert np.array_equal(getattr(one, f.name), getattr(again, f.name))
    assert not np.array_equal(one.pass_m, other.pass_m)
    assert other.in_zone.mean(axis=0) == pytest.approx(one.in_zone.mean(axis=0), abs=0.06)
    assert other.zone_time_s.mean(axis=0) == pytest.approx(one.zone_time_s.mean(axis=0), abs=0.02)


def spreads(squad, mark=10.0) -> tuple[float, float]:
    """Standard deviations of the pass: within a group of draws, and of the groups' means."""
    draws = simulate.draw_runners(squad, TODAY, outer=64, inner=32)
    draws = replace(draws, stand_m=0.0 * draws.stand_m)  # the tape's own error has no scale here
    by = draws.group(run(draws, mark, squad=squad).pass_m)[..., 0]
    return float(np.sqrt(by.var(axis=1, ddof=1).mean())), float(by.mean(axis=1).std(ddof=1))


def test_spread_and_estimation_error_are_kept_apart():
    """Ten times the reps: the error falls to a third, the spread stays; and the other way round."""
    within, between = spreads(pair_squad())
    more_reps, known = spreads(pair_squad(error=10**-0.5))
    assert more_reps == pytest.approx(within, rel=0.1)
    # what is left between groups are means of 32 reps
    assert np.sqrt(known**2 - more_reps**2 / 32) == pytest.approx(
        np.sqrt((between**2 - within**2 / 32) / 10), rel=0.25
    )
    steady, _ = spreads(pair_squad(spread=0.5))
    assert 1.6 < within / steady < 2.5
    assert spreads(pair_squad(spread=0.0, error=0.0)) == pytest.approx((0.0, 0.0), abs=1e-3)


def test_draws_have_the_means_errors_and_spreads_they_were_given():
    error, spread = np.array([0.12, 0.03, 0.01]), np.array([0.10, 0.02, 0.01])
    draws = simulate.draw_runners(pair_squad(), TODAY, outer=2048, inner=16)
    values = np.stack([draws.top_mps, draws.tau_s, draws.launch_s], axis=-1)
    by = draws.group(values)  # (outer, inner, J, 3)
    assert values.mean(axis=(0, 1)) == pytest.approx([9.6, 1.25, 0.05], abs=0.01)
    assert np.sqrt(by.var(axis=1, ddof=1).mean(axis=(0, 1))) == pytest.approx(spread, rel=0.05)
    means = by.mean(axis=1).var(axis=0, ddof=1).mean(axis=0)
    assert np.sqrt(means - spread**2 / 16) == pytest.approx(error, rel=0.1)
    # two runners' errors have nothing to do with each other here
    assert abs(np.corrcoef(by[:, :, 0, 0].mean(1), by[:, :, 1, 0].mean(1))[0, 1]) < 0.1


def test_what_a_squad_has_in_common_is_drawn_in_common():
    """Runners known only as members of the squad share the error of the squad's mean."""
    base = pair_squad()
    follows = replace(
        base.start,
        cov=np.tile(0.05**2 * np.eye(3) + 0.10**2 * np.eye(3), (2, 1, 1)),
        squad_cov=0.10**2 * np.eye(3),
        pull=np.tile(np.eye(3), (2, 1, 1)),
    )
    draws = simulate.draw_runners(replace(base, start=follows), TODAY, outer=2048, inner=8)
    means = draws.group(draws.top_mps).mean(axis=1)
    own = 0.05**2 + 0.10**2 / 8  # of the runner, and of eight reps
    common = 0.10**2 + 0.10**2 / 8  # all runners' reps are drawn from the same numbers
    expected = np.array([[0.10**2 + own, common], [common, 0.10**2 + own]])
    assert np.cov(means.T) == pytest.approx(expected, rel=0.15)


def test_with_the_same_reps_groups_differ_by_estimation_error_alone():
    draws = simulate.draw_runners(pair_squad(), TODAY, outer=8, inner=16, same_reps=True)
    off = draws.group(draws.top_mps) - draws.group(draws.top_mps).mean(axis=1, keepdims=True)
    assert off == pytest.approx(np.broadcast_to(off[:1], off.shape), abs=1e-3)
    assert np.ptp(draws.group(draws.top_mps).mean(axis=1)) > 0.05


def test_blunders_widen_the_lag_and_nothing_else():
    base = pair_squad()
    wild = replace(base, lag=replace(base.lag, blunders=0.2))
    one, other = (simulate.draw_runners(x, TODAY, outer=64, inner=32) for x in (base, wild))
    assert other.lag_s.std() > 1.5 * one.lag_s.std()
    assert np.array_equal(one.v_in_mps, other.v_in_mps)
    assert np.array_equal(one.top_mps, other.top_mps)
