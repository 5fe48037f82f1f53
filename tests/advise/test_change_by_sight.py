"""The 4x400's change: published last 50 m of 400 m runs, and takeovers stepped through time."""

from dataclasses import replace

import numpy as np
import pytest
from made_pairs import course, pair_squad, run

from pipeline.advise import laws, runners
from pipeline.advise.settings import Conditions

ZONE = Conditions(zone_m=20.0)

# Mean speeds from 300 to 350 m and from 350 to 400 m, m/s, Berlin 2009, 400 m finals, men and
# women (Graubner & Nixdorf, New Studies in Athletics 26 (2011)): what a tired incoming runner
# brings into the zone, the best published stand-in for it.
LAST = {"men": (8.80, 8.22), "women": (7.84, 7.20)}


def fade_mps2(before_mps: float, after_mps: float) -> float:
    """Loss of speed a second between the middles of the two stretches of 50 m."""
    return (before_mps - after_mps) / (25.0 / before_mps + 25.0 / after_mps)


@pytest.mark.parametrize("who", LAST)
def test_what_is_believed_before_any_rep_holds_the_published_runs(who):
    before, last = LAST[who]
    speed, _, fade = zip(runners.PRIOR_OF_ENTRY.mean, runners.PRIOR_OF_ENTRY.mean_sd, strict=True)
    assert abs(last - speed[0]) < 2.0 * speed[1]
    assert 0.09 < fade_mps2(before, last) < 0.11
    assert abs(fade_mps2(before, last) - fade[0]) < fade[1]


def stepped(v_in, fade, top, tau, push, reach, gap, pace=1.0, dt=1e-4):
    """The same takeover run step by step: place of the pass, zone time, closing speed."""
    s_in, s_out, v_out, t, t_entry = -gap, 0.0, 0.0, 0.0, None
    passed, v = None, v_in
    while s_out < ZONE.zone_m:
        if t_entry is None and s_in >= 0.0:
            t_entry = t
        v = v_in if t_entry is None else v_in - fade * (t - t_entry)
        if passed is None and s_out - s_in <= reach and t > 0.3:
            passed = (s_in + s_out) / 2.0, v - v_out
        goal = push if passed else top * pace
        v_out += (goal - v_out) / tau * dt
        s_in, s_out, t = s_in + v * dt, s_out + v_out * dt, t + dt
    return passed[0], t - t_entry, passed[1]


@pytest.mark.parametrize("who", LAST)
@pytest.mark.parametrize(("gap", "pace", "push"), [(7.0, 1.0, 9.2), (8.0, 0.9, 8.6)])
def test_the_closed_form_is_what_stepping_gives(who, gap, pace, push):
    before, last = LAST[who]
    top, tau, reach = 1.06 * last, 1.3, 1.1
    draws = course(last, top, tau, 0.0, reach, fade=fade_mps2(before, last))
    draws = replace(draws, push_mps=np.full_like(draws.push_mps, push))
    squad = pair_squad(0.0, 0.0, blind=False)
    out = run(draws, gap, where=ZONE, squad=squad, pace=pace)
    place, time, closing = stepped(last, fade_mps2(before, last), top, tau, push, reach, gap, pace)
    assert out.pass_m == pytest.approx(place, abs=0.03)
    assert out.zone_time_s == pytest.approx(time, abs=3e-3)
    assert out.closing_mps == pytest.approx(closing, abs=0.02)
    # against going through at the speed brought in: nobody gains by waiting for a tired runner
    assert (out.zone_time_s - ZONE.zone_m / last > -0.3).all()


def test_going_later_is_safer_and_costs_time():
    """Over the gap at which the receiver goes: risk on both sides, time lost on the near one."""
    before, last = LAST["men"]
    draws = course(last, 8.7, 1.3, 0.0, 1.1, fade=fade_mps2(before, last))
    squad = pair_squad(0.0, 0.0, blind=False)
    out = run(draws, np.arange(4.0, 9.1, 0.5), where=ZONE, squad=squad)
    assert (np.diff(out.pass_m[0][out.in_zone[0] > 0]) > 0).all()
    assert (np.diff(out.zone_time_s[0][out.in_zone[0] > 0]) < 0).all()
    assert (np.diff(out.closing_mps[0][out.in_zone[0] > 0]) < 0.05).all()


def test_time_on_the_way_to_another_speed():
    # v to push with time constant tau over a way, against the integral of the speed
    t = np.linspace(0.0, 3.0, 30_001)
    v = 9.0 + (7.0 - 9.0) * np.exp(-t / 1.2)
    way = np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(t))])
    found = laws.seconds_on(way[::3000], 7.0, 9.0, 1.2)
    assert found == pytest.approx(t[::3000], abs=1e-6)
