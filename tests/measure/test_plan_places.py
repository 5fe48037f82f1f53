"""Laws of a plan whose place is not well known: corners, laps walked, lines stood on."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from pipeline.base.geodesy import SurveyPoint, from_enu, move_rows, to_enu
from pipeline.base.stadium import STANDARD, plan_xy, spot_xy
from pipeline.base.values import Fixes
from pipeline.errors import VenueError
from pipeline.measure.noise import LEVEL_SHARED, usual_slow_error
from pipeline.measure.placement import beside_plan_lane, place_plan
from pipeline.measure.placing_walk import places_by_second, stood_spots, walked_lap
from pipeline.measure.plan_place import (
    EveningOfPlan,
    PlanDoubt,
    PlanFound,
    join_evenings,
    plan_in_rep,
    plan_in_session,
    pool_plan,
)

ORIGIN = (48.2, 16.4, 0.0)
TURN = 0.7
CENTRE = np.array([-STANDARD.straight_m / 2, 0.0])
FLAT = np.diag([1.0, 1.0, 1e-4])


def on_ground(xy):
    cos, sin = math.cos(TURN), math.sin(TURN)
    return np.asarray(xy) @ np.array([[cos, sin], [-sin, cos]])


def lat_lon(xy):
    lat, lon, _ = from_enu(xy, ORIGIN)
    return lat, lon


def corners(rng, sd, stated):
    """Two corners of the plan as a telephone has them; half of the variance is common."""
    spots = ("finish@lane1", "back-end@lane1")
    xy = on_ground([spot_xy(s, "4x100") for s in spots])
    xy = xy + rng.normal(0, sd * 0.5**0.5, 2) + rng.normal(0, sd * 0.5**0.5, (2, 2))
    lat, lon = lat_lon(xy)
    return [SurveyPoint(s, *map(float, at), stated) for s, *at in zip(spots, lat, lon, strict=True)]


def slow(rng, n):
    """(n, 2) metres, one a second, with the kernel that is believed."""
    t = np.arange(n, dtype=float)
    error = usual_slow_error()
    root = np.linalg.cholesky(error.shared(t, t) + error.own(t, t) + 1e-6 * np.eye(n))
    return root @ rng.standard_normal((n, 2))


def fixes(xy):
    lat, lon = lat_lon(xy)
    none = np.full(len(lat), np.nan)
    t = 1.7e9 + np.arange(len(lat), dtype=float)
    return Fixes(t, lat, lon, none, none, none, none)


def lap(rng, error=None, lane=4):
    s = np.arange(0.0, STANDARD.lap_m(lane), 1.45)
    xy = on_ground(plan_xy(s, lane))
    return fixes(xy + (slow(rng, len(s)) if error is None else error))


def walk(rng, error=None, lane=4):
    return walked_lap("walk", places_by_second("walk", lap(rng, error, lane), 0), lane)


def moved_off(placement):
    """Where the plan's centre lies from the truth, and how much it is turned, (3,)."""
    cos, sin = math.cos(placement.turn_rad), math.sin(placement.turn_rad)
    centre = CENTRE @ np.array([[cos, sin], [-sin, cos]]) + np.array(placement.shift_m)
    lat, lon, _ = from_enu(centre, placement.origin)
    place = to_enu(lat, lon, None, ORIGIN) - on_ground(CENTRE)
    return np.append(place, math.remainder(placement.turn_rad - TURN, 2 * math.pi))


def share_of(placements):
    """Mean square of the errors in units of the stated covariance, a number near 1."""
    z = [off @ np.linalg.solve(one.cov, off) / 3 for one in placements for off in [moved_off(one)]]
    return float(np.mean(z))


def test_corners_of_three_metres_are_taken_and_say_how_unsure_they_are():
    rng = np.random.default_rng(1)
    found = [place_plan(corners(rng, 3.0, 3.0)) for _ in range(200)]
    assert 0.7 < share_of(found) < 1.3
    assert 2.0 < np.median([one.cov[0, 0] ** 0.5 for one in found]) < 3.5


def test_corners_that_do_not_say_how_good_they_are_show_it_by_how_they_disagree():
    rng = np.random.default_rng(2)
    found = [place_plan(corners(rng, 1.5, 0.05)) for _ in range(100)]
    told = [one for one in found if any("say how good they are" in r for r in one.remarks)]
    assert len(told) > 85  # the others agree by chance: nothing can tell
    far = [np.hypot(*moved_off(one)[:2]) / one.cov[0, 0] ** 0.5 for one in told]
    assert np.mean(np.array(far) > 3) < 0.05


def test_a_spot_that_is_another_one_is_still_refused():
    points = corners(np.random.default_rng(3), 3.0, 3.0)
    wrong = [points[0], points[1]._replace(spot="back-start@lane1"), points[1]]
    with pytest.raises(VenueError, match="where the plan has it"):
        place_plan(wrong)


def test_a_lap_walked_places_the_plan_as_well_as_it_says():
    rng = np.random.default_rng(4)
    found = [place_plan([], walked=[walk(rng)]) for _ in range(25)]
    assert 0.6 < share_of(found) < 1.5
    for one in found:
        assert one.cov[2, 2] ** 0.5 * 100 < 3.0  # metres in 100 m
        assert 0.5 < one.cov[0, 0] ** 0.5 < 2.0  # what an evening's receiver leaves


def test_a_lap_without_errors_puts_the_plan_where_it_is():
    rng = np.random.default_rng(5)
    (east, north, turn) = moved_off(place_plan([], walked=[walk(rng, error=0.0)]))
    assert math.hypot(east, north) < 0.15
    assert abs(turn) * 100 < 0.1


def test_a_lap_the_wrong_way_round_is_told():
    rng = np.random.default_rng(6)
    there = lap(rng, error=0.0)
    back = Fixes(there.t_s, there.latitude_deg[::-1], there.longitude_deg[::-1], *[there.hdop] * 4)
    with pytest.raises(VenueError, match="clockwise"):
        place_plan([], walked=[walked_lap("w", places_by_second("w", back, 0), 4)])


def test_half_a_lap_is_no_lap():
    whole = lap(np.random.default_rng(7), error=0.0)
    with pytest.raises(VenueError, match="one lap"):
        walked_lap("w", places_by_second("w", whole.rows(slice(0, 140)), 0), 4)


def stands(rng, spots, names=None):
    minutes = [on_ground(spot_xy(s, "4x100"))[None].repeat(64, axis=0) for s in spots]
    ways = [np.linspace(a[0], b[0], 30) for a, b in pairwise(minutes)]
    parts = [minutes[0]]
    for way, minute in zip(ways, minutes[1:], strict=True):
        parts += [way, minute]
    xy = np.concatenate(parts)
    places = places_by_second("lines", fixes(xy + slow(rng, len(xy))), 0)
    return stood_spots("lines", places, names or spots)


def test_a_minute_on_each_of_two_lines_places_the_plan_as_well_as_it_says():
    rng = np.random.default_rng(8)
    spots = ["zone1-entry@lane4", "zone2-entry@lane4"]
    found = [place_plan([], stood=stands(rng, spots)) for _ in range(40)]
    assert 0.6 < share_of(found) < 1.5


def test_more_lines_named_than_stood_on_is_told():
    rng = np.random.default_rng(9)
    spots = ["zone1-entry@lane4", "zone2-entry@lane4"]
    with pytest.raises(VenueError, match="2 still spells"):
        stands(rng, spots, [*spots, "finish@lane4"])


def test_all_together_are_better_than_each():
    rng = np.random.default_rng(10)
    points, walked = corners(rng, 3.0, 3.0), walk(rng)
    both = place_plan(points, walked=[walked])
    for one in (place_plan(points), place_plan([], walked=[walked])):
        assert np.linalg.eigvalsh(one.cov - both.cov)[0] > -1e-6


def test_a_place_of_the_plan_beside_its_lane_comes_back():
    s = np.linspace(0.0, STANDARD.lap_m(6) - 0.01, 300)
    out, along = beside_plan_lane(plan_xy(s, 6, 0.4), 6, STANDARD)
    assert out == pytest.approx(0.4)
    assert along == pytest.approx(s, abs=1e-6)


# --- in a session, and from session to session ----------------------------------------------


def pooled(rng, doubt_cov, reps=12):
    """One evening's pooling with messages drawn from what is believed; the truth and the find."""
    doubt = PlanDoubt(np.zeros(2), np.zeros(3), doubt_cov)
    plan = plan_in_session(doubt, usual_slow_error())
    true = rng.multivariate_normal(np.zeros(3), doubt_cov)
    t = 60.0 * np.arange(reps)
    pairs = [("a", "b") if k % 2 else ("c", "d") for k in range(reps)]
    root = np.linalg.cholesky(plan.common.shared(t, t) + 1e-9 * np.eye(reps))
    common = root @ rng.standard_normal((reps, 2))
    own = {pair: rng.normal(0, (plan.common.own_var.sum() / 2) ** 0.5, 2) for pair in pairs}
    xy = np.stack([np.linspace([0.0, -30.0], [60.0, -36.0], 9)] * 2)
    noise = np.diag([0.09, 0.09, 1e-5])
    posteriors, priors = [], []
    for k, pair in enumerate(pairs):
        prior = plan_in_rep(plan, xy)
        seen = true + np.append(common[k] + own[pair], 0.0)
        seen = seen + rng.multivariate_normal(np.zeros(3), noise)
        wide = noise + np.diag([1.0, 1.0, 0.0]) * plan.common.own_var.sum() / 2
        cov = np.linalg.inv(np.linalg.inv(prior.cov) + np.linalg.inv(wide))
        posteriors.append((cov @ np.linalg.solve(wide, seen), cov))
        priors.append(prior)
    hears, found = pool_plan(plan, posteriors, priors, t, pairs)
    return true, found, hears


def test_what_an_evening_finds_out_is_as_good_as_it_says():
    rng = np.random.default_rng(11)
    wide = np.diag([9.0, 9.0, 0.03**2])
    z = []
    for _ in range(80):
        true, found, _ = pooled(rng, wide)
        off = found.mean - true
        z.append(off @ np.linalg.solve(found.cov, off) / 3)
        assert found.cov[0, 0] > 0.5 * LEVEL_SHARED / 2  # receivers err alike all evening
    assert 0.5 < np.mean(z) < 1.4


def test_a_surveyed_plan_stays_where_it_is():
    _, found, hears = pooled(np.random.default_rng(12), np.diag([0.0025, 0.0025, 1e-7]))
    assert isinstance(found, PlanFound)
    assert np.abs(found.mean[:2]).max() < 0.15
    assert all(np.linalg.eigvalsh(cov)[0] > 0 for _, cov in hears)


def evening(day, mean, prior):
    """An evening whose own evidence has a variance of 1 m² east and north."""
    noise = FLAT
    cov = np.linalg.inv(np.linalg.inv(prior) + np.linalg.inv(noise))
    return EveningOfPlan(day, cov @ np.linalg.solve(noise, np.array(mean)), cov)


def test_two_sessions_of_one_evening_say_less_than_two_of_two_evenings():
    prior = np.diag([9.0, 9.0, 1e-3])
    one = [evening("2026-05-12", [2.0, 0.0, 0.0], prior)]
    same = [*one, evening("2026-05-12", [2.0, 0.0, 0.0], prior)]
    apart = [*one, evening("2026-05-19", [2.0, 0.0, 0.0], prior)]
    sds = [join_evenings(prior, x)[1][0, 0] ** 0.5 for x in (one, same, apart)]
    assert sds[0] > sds[1] > sds[2]
    assert sds[1] > LEVEL_SHARED**0.5 * 0.85  # however often the same evening is measured
    assert join_evenings(prior, one)[1] == pytest.approx(one[0].cov, rel=1e-6)
    assert join_evenings(prior, one)[0] == pytest.approx(one[0].mean, rel=1e-6)


def test_what_the_file_states_counts_once():
    prior = np.diag([1.0, 1.0, 1e-4])
    knows_nothing = EveningOfPlan("2026-05-12", np.zeros(3), prior * 0.9999)
    _, cov = join_evenings(prior, [knows_nothing] * 5)
    assert cov == pytest.approx(prior, rel=0.01)


def test_a_radian_moves_a_place_across_its_arm():
    assert move_rows(np.zeros(2), np.array([10.0, 0.0])).tolist() == [[1, 0, 0], [0, 1, 10]]
