"""What a bend costs and how a sprint fades, against published values and by their laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_sprints import BERLIN_2009, RACES, fit_law
from scipy.optimize import brentq

from pipeline.advise import bends, laws
from pipeline.base.stadium import STANDARD, scratch_m

LAW = (11.5, 1.35, -0.05)  # V, tau, launch of somebody fast

runners = st.tuples(st.floats(7.0, 12.5), st.floats(0.9, 1.8), st.floats(-0.3, 0.2))


# --- bend ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("straight", "lanes"),
    # Greene, J Biomech Eng 107 (1985) 96, and Usherwood & Wilson, Biol Lett 2 (2006) 47-50: the
    # equation (from memory) solved by bisection at g = 9.81 for the measured lines of lanes
    # 1, 2, 5 and 8 of the standard track
    [
        (9.83, (9.533, 9.548, 9.589, 9.623)),
        (10.5, (10.104, 10.123, 10.177, 10.221)),
        (11.5, (10.920, 10.946, 11.022, 11.083)),
    ],
)
def test_the_models_speed_on_a_bend(straight, lanes):
    radii = np.array([STANDARD.measured_m(lane) for lane in (1, 2, 5, 8)])
    assert bends.bend_speed_mps(straight, radii) == pytest.approx(lanes, abs=0.0006)


@given(v=st.floats(0.5, 13.0), radius=st.floats(10.0, 60.0))
def test_it_solves_the_models_equation_and_a_wider_bend_costs_less(v, radius):
    slow = bends.bend_speed_mps(v, radius)
    assert (slow**2 / (radius * 9.81)) ** 2 == pytest.approx((v / slow) ** 2 - 1, abs=1e-9)
    assert bends.bend_loss(v, radius) > bends.bend_loss(v, radius * 1.1)
    assert bends.bend_loss(v * 1.02, radius) > bends.bend_loss(v, radius)


def test_the_scale_is_that_of_the_measured_losses():
    """Loss, speed on the straight, radius, runners. Speeds of the second and third study are not
    known here: 9.5 m/s is between those of the others."""
    measured = [
        # Churchill, Salo & Trewartha, Sports Biomech 14 (2015) 106-121: left, right step
        ((0.47 / 9.86 + 0.47 / 9.80) / 2, 9.83, 37.72, 7),
        (0.023, 9.5, 37.72, 7),  # Churchill et al., SJMSS 26 (2016) 1171-1179
        (0.041, 9.5, 36.5, 9),  # J Exp Biol 227(4) (2024) jeb246649
    ]
    ratio = np.array([loss / bends.bend_loss(v, r, 1.0) for loss, v, r, _ in measured])
    weight = np.array([n for *_, n in measured])
    assert np.average(ratio, weights=weight) == pytest.approx(bends.BEND_SCALE, abs=0.02)
    assert ratio.std(ddof=1) / np.sqrt(3) == pytest.approx(bends.BEND_SCALE_SD, abs=0.02)
    assert pytest.approx(1.6 / 4.1, abs=0.005) == bends.BEND_RUNNER_SPREAD  # the third's spread


def test_lanes_differ_about_as_measured():
    """Churchill, Trewartha & Salo, Sports Biomech 18 (2019) 437-447, n = 9: 9.56 m/s in lane 8
    and 9.34 in lane 2 (left step), 9.49 and 9.30 (right). The model spreads lanes half as much,
    which so few runners (± 0.5 m/s between them) do not rule out."""
    eight, two = (9.9 * (1 - bends.bend_loss(9.9, r)) for r in (45.10, 37.72))
    assert 0.05 < eight - two < 0.22


def test_the_200_m_of_berlin_2009():
    """The winner's 100 m curve carried through his 200 m (Graubner & Nixdorf, New Studies in
    Athletics 26, 2011): 4.32 s from 50 to 100 m in lane 5, 4.52 s for the next 50. He lost less on
    the bend than runners do on average, within their spread, and he paced himself."""
    law = fit_law(BERLIN_2009)
    way = {"on_bend": 1.0, "radius_m": STANDARD.measured_m(5)}
    low, mean, high = (
        bends.run_s(50.0, 50.0, *law, scale=bends.BEND_SCALE * (1 + k), **way)
        for k in (-2 * bends.BEND_RUNNER_SPREAD, 0, 2 * bends.BEND_RUNNER_SPREAD)
    )
    assert low < 4.32 < high
    assert mean == pytest.approx(4.32, rel=0.04)
    assert bends.run_s(100.0, 50.0, *law) == pytest.approx(4.52, rel=0.02)


@pytest.mark.parametrize(
    ("lane", "before_bends_end"),
    # first 4x100 scratch line against the first bend's end (Facilities Manual's plan, computed);
    # the zone goes from 20 m before it to 10 m past it (IAAF Rule 170.3)
    [(1, 15.611), (4, 4.427), (5, 0.594), (6, -3.239), (8, -10.904), (9, -14.737)],
)
def test_how_much_of_the_first_zone_is_bend(lane, before_bends_end):
    at = scratch_m("4x100", 1, lane)
    expected = min(30.0, 20.0 + before_bends_end) / 30.0
    share = bends.bend_share(at - 20.0, at + 10.0, lane)
    assert share == pytest.approx(expected, abs=1e-4)


@given(
    lane=st.integers(1, 9),
    a=st.floats(-300, 900),
    first=st.floats(0.1, 300),
    second=st.floats(0.1, 300),
)
def test_bend_metres_add_up(lane, a, first, second):
    b, c = a + first, a + first + second
    parts = bends.bend_share(np.array([a, b]), np.array([b, c]), lane)
    assert np.all((parts >= -1e-12) & (parts <= 1 + 1e-12))
    whole = bends.bend_share(a, c, lane)
    assert parts @ [first, second] == pytest.approx(whole * (c - a), abs=1e-9)
    lap = STANDARD.lap_m(lane)
    assert bends.bend_share(a, a + lap, lane) * lap == pytest.approx(2 * STANDARD.bend_m(lane))


# --- fade ------------------------------------------------------------------------------


def test_the_fade_is_that_of_the_published_finals():
    """Which loss per metre after 60 m brings the law of each final's first 60 m to its 100 m."""

    def needed(race):
        law, (reaction, seconds) = fit_law(race), race
        return brentq(
            lambda per_m: (
                bends.from_gun_s(100.0, *law, reaction_s=reaction, fade_per_m=per_m) - seconds[-1]
            ),
            -0.01,
            0.02,
        )

    found = np.array([needed(race) for race in RACES.values()])
    assert found.mean() == pytest.approx(bends.FADE_PER_M, abs=1e-4)
    assert found.std(ddof=1) == pytest.approx(bends.FADE_SPREAD_PER_M, abs=1e-4)


def test_the_last_20_m_against_the_fastest_10_m():
    """The same finals without a law: the last 20 m are 3.5 % slower on average than the fastest
    10 m; the fade at their middle against that at 65 m says the same to a half."""
    slower = []
    for reaction, seconds in RACES.values():
        each = np.diff([reaction, *seconds])
        slower.append(1 - each.min() / each[-2:].mean())
    assert np.mean(slower) == pytest.approx(0.035, abs=0.001)
    assert 1 - bends.fade(90.0) / bends.fade(65.0) == pytest.approx(np.mean(slower), rel=0.5)


def test_the_fade_carries_over_to_a_final_it_was_not_taken_from():
    """Berlin 2009 women's 100 m, reaction 0.146 s, 20 m marks (public sheet): 10.73 s."""
    law = fit_law((0.146, (3.03, 4.98, 6.88)), np.array([20.0, 40.0, 60.0]))
    assert bends.from_gun_s(100.0, *law, reaction_s=0.146) == pytest.approx(10.73, abs=0.10)


# --- a stretch -------------------------------------------------------------------------


@given(runner=runners, start=st.floats(0, 30), length=st.floats(5, 100), cut=st.floats(0.1, 0.9))
def test_without_bend_and_fade_a_stretch_is_the_laws(runner, start, length, cut):
    law = laws.seconds_to(start + length, *runner) - laws.seconds_to(start, *runner)
    assert bends.run_s(start, length, *runner, fade_per_m=0.0) == pytest.approx(law, abs=1e-6)
    # and with fade it is a sum of its parts, but for the pieces' middles
    parts = bends.run_s(start, cut * length, *runner) + bends.run_s(
        start + cut * length, (1 - cut) * length, *runner
    )
    assert bends.run_s(start, length, *runner) == pytest.approx(parts, abs=0.003)


def test_a_stretch_is_what_a_step_by_step_run_gives():
    """A centimetre at a time, with each metre's own bend and fade: lane 4's last leg."""
    lane, start, length = 4, 28.0, 90.0
    where = scratch_m("4x100", 3, lane) + 10.0
    x = np.arange(0.0, length, 0.01) + 0.005
    t = laws.seconds_to(start + x, *LAW)
    v = laws.speed_mps(t, *LAW) * np.minimum(1, 1 - bends.FADE_PER_M * (start + x - 60))
    half, bend = STANDARD.lap_m(lane) / 2, STANDARD.bend_m(lane)
    on_bend = (where + x) % half < bend
    slow = np.array([bends.bend_loss(u, STANDARD.measured_m(lane)) for u in v])
    expected = np.sum(0.01 / (v * np.where(on_bend, 1 - slow, 1.0)))
    places = where + bends.pieces_m(length)
    share = bends.bend_share(places[:-1], places[1:], lane)
    assert share.max() == 1  # from the bend
    assert share.min() == 0  # to the home straight
    found = bends.run_s(start, length, *LAW, on_bend=share, radius_m=STANDARD.measured_m(lane))
    assert found == pytest.approx(expected, abs=0.002)


def test_runners_and_starts_broadcast():
    v, start = np.array([[9.0], [10.0]]), np.array([20.0, 25.0, 30.0])
    way = {"on_bend": 1.0, "radius_m": 40.0, "fade_per_m": 0.0}
    found = bends.run_s(start, 70.0, v, 1.2, 0.05, scale=v / 8, **way)
    assert found.shape == (2, 3)
    one = bends.run_s(25.0, 70.0, 10.0, 1.2, 0.05, scale=10.0 / 8, **way)
    assert found[1, 1] == pytest.approx(float(one))
    assert np.all(np.diff(found, axis=0) < 0)  # the faster runner
    assert np.all(np.diff(found, axis=1) < 0)  # who is nearer his top speed


@given(runner=runners)
def test_reaction_and_launch_come_before_the_run(runner):
    v, tau, launch = runner
    late = bends.from_gun_s(60.0, v, tau, launch + 0.1, reaction_s=0.2)
    soon = bends.from_gun_s(60.0, v, tau, launch, reaction_s=0.15)
    assert late - soon == pytest.approx(0.15)
    assert soon == pytest.approx(0.15 + laws.seconds_to(60.0, *runner), abs=1e-6)
