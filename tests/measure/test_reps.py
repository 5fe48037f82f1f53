"""All reps of a session solved together: one that cannot be solved takes no other with it."""

from dataclasses import replace

import numpy as np
import pytest
from straight import NO_SLOW, axis

from pipeline.base import geodesy
from pipeline.measure import finding, reps
from pipeline.measure.traces import Trace

UTC = 1.778e9


def run(name, stand_m, sets_off_s, seed):
    """A trace of a standing start, ten fixes a second, with noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 24.0, 0.1)
    x = np.maximum(t - sets_off_s, 0.0)
    v = 9.0 * -np.expm1(-x / 1.2)
    s = stand_m + 9.0 * (x + 1.2 * np.expm1(-x / 1.2))
    lane = axis()
    origin = (lane.origin_lat_deg, lane.origin_lon_deg, lane.origin_alt_m)
    xy = np.column_stack([s, np.zeros(t.size)]) + rng.normal(0.0, 0.1, (t.size, 2))
    lat, lon, _ = geodesy.from_enu(np.column_stack([xy, np.zeros(t.size)]), origin)
    speed = np.abs(v + rng.normal(0.0, 0.08, t.size))
    return Trace(name, UTC + t, lat, lon, speed, speed, 10.0)


def case(incoming, outgoing, seed):
    lane = axis()
    traces = {
        incoming: run(incoming, -30.0, 10.0, seed),
        outgoing: run(outgoing, 3.0, 13.6, 100 + seed),
    }
    places = {name: one.on_axis(lane) for name, one in traces.items()}
    found = finding.TakeoverCandidate(
        axis=0,
        incoming=incoming,
        outgoing=outgoing,
        entry_s=UTC + 14.4,
        go_s=UTC + 13.6,
        set_off_s=UTC + 10.0,
        exit_s=UTC + 18.0,
        closest_m=1.2,
        completed=True,
        offset_m=0.0,
        stands_m=(-30.0, 3.0),
    )
    levels = dict.fromkeys(traces, reps.Levels())
    return reps.build_case(found, None, lane, traces, places, {}, levels, NO_SLOW, {})


def without_places(problem):
    one = problem.outgoing
    none = np.full_like(one.xy_m, np.nan)
    gone = replace(one, xy_m=none, speed_mps=np.full_like(one.speed_mps, np.nan))
    return replace(problem, outgoing=gone)


def without_fixes(problem):
    one = problem.incoming
    none = one.t_s[:0]
    gone = replace(one, t_s=none, xy_m=one.xy_m[:0], speed_mps=none, step_phase=none)
    return replace(problem, incoming=gone)


def flung_away(problem):
    """Places that would have the runner at 60 m/s, taken to be exact, and no speeds."""
    one = problem.outgoing
    far = one.xy_m + np.column_stack([60.0 * np.maximum(one.t_s, 0.0), np.zeros(one.t_s.size)])
    gone = replace(
        one, xy_m=far, speed_mps=np.full_like(one.speed_mps, np.nan), position_noise_m=0.01
    )
    return replace(problem, outgoing=gone)


def not_definite(problem):
    return replace(problem, theta_cov=-np.eye(len(problem.theta_mean)))


def not_finite(problem):
    return replace(problem, slow_mean=np.full_like(problem.slow_mean, np.nan))


BAD = [without_places, without_fixes, flung_away, not_definite, not_finite]


@pytest.fixture(scope="module")
def sound():
    cases = [case("ada", "bo", 1), case("bo", "cy", 2), case("cy", "ada", 3)]
    levels = {name: reps.Levels() for name in ("ada", "bo", "cy")}
    return cases, levels, reps.solve_all(cases, levels)


@pytest.mark.parametrize("spoil", BAD, ids=lambda f: f.__name__.replace("_", " "))
@pytest.mark.parametrize("place", [0, 2])
def test_a_rep_that_cannot_be_solved_takes_no_other_with_it(sound, spoil, place):
    cases, levels, alone = sound
    one = case("ada", "cy", 4)
    bad = replace(one, problem=spoil(one.problem))
    together = [*cases[:place], bad, *cases[place:]]
    solved = reps.solve_all(together, levels)
    assert [c.candidate for c, _ in solved.failed] == [bad.candidate]
    assert [c.candidate for c in solved.cases] == [c.candidate for c in cases]
    for fit, expected in zip(solved.fits, alone.fits, strict=True):
        np.testing.assert_allclose(fit.x, expected.x, atol=0.02)
        start = fit.start("outgoing")
        assert abs(start.value - expected.start("outgoing").value) < 0.2 * start.sd
    reason = solved.failed[0][1]
    assert len(reason.split()) > 4
    assert "nan" not in reason


def test_a_session_of_which_nothing_can_be_solved_gives_every_reason(sound):
    cases, levels, _ = sound
    solved = reps.solve_all([replace(c, problem=not_finite(c.problem)) for c in cases], levels)
    assert not solved.cases
    assert len(solved.failed) == len(cases)
