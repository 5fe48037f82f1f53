"""The standard plan against published tables, and as one unbroken line."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.base.stadium import (
    STANDARD,
    Stadium,
    break_extra_m,
    plan_xy,
    scratch_m,
    spot_xy,
    stagger_m,
    start_m,
)

MM = 0.001

# IAAF / World Athletics Track and Field Facilities Manual, 2.2.1 and table 2.2.1.6
# (36.50 m radius, 84.39 m straights, 1.22 m lanes; 200 and 400 m columns from memory of the
# printed table, the rest computed by the Manual's definitions): lane, lap, 200 m, 400 m,
# 800 m, 4x400 with three bends in lanes. The Manual rounds one bend up to 1 mm first.
STAGGERS = [
    (1, 400.001, 0.000, 0.000, 0.000, 0.000),
    (2, 407.038, 3.519, 7.038, 3.526, 10.564),
    (3, 414.704, 7.352, 14.704, 7.384, 22.088),
    (4, 422.369, 11.185, 22.370, 11.260, 33.630),
    (5, 430.035, 15.017, 30.034, 15.151, 45.185),
    (6, 437.700, 18.850, 37.700, 19.061, 56.761),
    (7, 445.366, 22.683, 45.366, 22.988, 68.354),
    (8, 453.031, 26.516, 53.032, 26.931, 79.963),
    (9, 460.697, 30.348, 60.696, 30.890, 91.586),
]
# s of the 4x100's scratch lines from the finish line, along each lane (computed from the
# Manual's plan): lane, first, second, third
SCRATCH_4X100 = [
    (1, 100.000, 200.000, 300.000),
    (2, 107.037, 207.037, 307.037),
    (3, 114.703, 214.703, 314.703),
    (4, 122.368, 222.368, 322.368),
    (5, 130.034, 230.034, 330.034),
    (6, 137.699, 237.699, 337.699),
    (7, 145.365, 245.365, 345.365),
    (8, 153.030, 253.030, 353.030),
    (9, 160.696, 260.696, 360.696),
]
# break-line extra, 800 m (computed; printed values of lanes 8 and 9 may differ by a few mm)
BREAK_EXTRA = [0, 0.007, 0.032, 0.075, 0.134, 0.211, 0.305, 0.415, 0.542]


@pytest.mark.parametrize(("lane", "lap", "d200", "d400", "d800", "d4x400"), STAGGERS)
def test_laps_and_staggers_are_the_manuals(lane, lap, d200, d400, d800, d4x400) -> None:
    assert STANDARD.lap_m(lane) == pytest.approx(lap, abs=0.6 * MM)
    assert stagger_m(lane, 1) == pytest.approx(d200, abs=1 * MM)
    # the Manual's printed convention: one bend rounded up to 1 mm, then multiplied, then added
    bend, extra = math.ceil(stagger_m(lane, 1) / MM - 1e-6) * MM, break_extra_m(lane)
    assert 2 * bend == pytest.approx(d400, abs=0.6 * MM)
    assert bend + extra == pytest.approx(d800, abs=1 * MM)
    assert 3 * bend + extra == pytest.approx(d4x400, abs=1 * MM)
    # ours is not rounded: up to 1 mm a bend less than the print, never more
    assert start_m("4x400", lane) == pytest.approx(stagger_m(lane, 3) + extra)
    assert -0.6 * MM <= d4x400 - start_m("4x400", lane) <= 3.6 * MM
    assert start_m("4x100", lane) == stagger_m(lane, 2)


def test_the_break_lines_extra() -> None:
    assert [break_extra_m(n) for n in range(1, 10)] == pytest.approx(BREAK_EXTRA, abs=0.6 * MM)


@pytest.mark.parametrize("lane", range(2, 10))
def test_the_much_copied_stagger_formula_is_not_used(lane) -> None:
    """2 pi 1.22 (n - 1) forgets that lane 1 is measured 0.30 m out and the others 0.20 m."""
    wrong = 2 * math.pi * 1.22 * (lane - 1)
    assert wrong - stagger_m(lane, 2) == pytest.approx(2 * math.pi * 0.10, abs=1e-9)


@pytest.mark.parametrize(("lane", "first", "second", "third"), SCRATCH_4X100)
def test_the_scratch_lines_of_the_4x100(lane, first, second, third) -> None:
    found = [scratch_m("4x100", zone, lane) for zone in (1, 2, 3)]
    assert found == pytest.approx([first, second, third], abs=0.6 * MM)
    end_of_second_bend = STANDARD.lap_m(lane) - 84.39
    assert end_of_second_bend - found[2] == pytest.approx(15.611, abs=0.6 * MM)
    assert end_of_second_bend - found[1] == pytest.approx(115.611, abs=0.6 * MM)


@pytest.mark.parametrize(
    ("lane", "degrees"),
    # arc angle of the third scratch line, 0 at the start of the second bend (computed, as above)
    [(1, 155.69), (2, 156.41), (3, 157.15), (4, 157.84), (5, 158.49), (8, 160.23), (9, 160.75)],
)
def test_where_on_the_bend_the_third_scratch_line_lies(lane, degrees) -> None:
    xy = spot_xy(f"zone3-exit@lane{lane}", "4x100")  # 10 m past it
    centre = spot_xy("centre2", "4x100")
    turned = math.degrees(math.atan2(*(xy - centre)[::-1])) % 360 - 90
    past = math.degrees(10 / STANDARD.measured_m(lane))
    assert turned - past == pytest.approx(degrees, abs=0.006)


@pytest.mark.parametrize("lane", range(1, 10))
def test_the_4x400s_zones(lane) -> None:
    """The first is laid about the 800 m start line, the others about the finish line
    (the Manual's marking plan); with one bend in lanes all lie about the finish line."""
    d800 = STAGGERS[lane - 1][4]
    assert scratch_m("4x400", 1, lane) == pytest.approx(d800, abs=2 * MM)
    assert [scratch_m("4x400", z, lane) for z in (2, 3)] == [0, 0]
    assert [scratch_m("4x400", z, lane, bends_in_lanes=1) for z in (1, 2, 3)] == [0, 0, 0]


@pytest.mark.parametrize("lane", range(1, 10))
def test_the_4x200s_zones(lane) -> None:
    lap, half = STANDARD.lap_m(lane), STANDARD.lap_m(lane) / 2
    # kept throughout, every team runs the same: what is left after zone 3 is one leg
    whole = [scratch_m("4x200", z, lane) for z in (1, 2, 3)]
    assert lap - whole[2] == pytest.approx(200, abs=1.3 * MM)  # a lap is 400.001 m
    assert whole[1] == pytest.approx(stagger_m(lane, 2), abs=1e-9)
    # three bends: the second takeover where the 4x400 has its first, the third beyond the break
    three = [scratch_m("4x200", z, lane, 3) for z in (1, 2, 3)]
    assert three[0] == pytest.approx(start_m("4x400", lane) + 200)
    assert three[1] == pytest.approx(scratch_m("4x400", 1, lane))
    assert three[2] == pytest.approx(half)
    assert [scratch_m("4x200", z, lane, 1) for z in (1, 2, 3)] == pytest.approx([half, 0, half])


@pytest.mark.parametrize(
    ("track", "lap"),
    [
        (Stadium(), 400.001),  # the Manual's
        (Stadium(radius_m=36.00, straight_m=85.96), 400.00),  # a Chinese handbook's, 36.30 pi
        (Stadium(radius_m=37.898, straight_m=80.0), 400.00),  # likewise
    ],
)
def test_other_radii(track, lap) -> None:
    assert track.lap_m(1) == pytest.approx(lap, abs=0.015)
    assert stagger_m(2, 2, track) == pytest.approx(2 * math.pi * 1.12)


@given(
    lane=st.integers(1, 9), s=st.floats(0, 399), ds=st.floats(0.01, 2), across=st.floats(-0.5, 1)
)
def test_the_plan_is_one_line_without_jumps(lane, s, ds, across) -> None:
    a, b = plan_xy([s, s + ds], lane)
    assert math.dist(a, b) <= ds + 1e-9
    assert math.dist(a, b) >= ds * (1 - (ds / 36.8) ** 2 / 20)
    assert math.dist(a, plan_xy(s, lane, across)) == pytest.approx(abs(across), abs=1e-9)
    assert plan_xy(s, lane) == pytest.approx(plan_xy(s + STANDARD.lap_m(lane), lane), abs=1e-7)


def test_lanes_lie_a_lanes_width_apart() -> None:
    for line in ("finish", "back-start", "back-end", "home-start"):
        inner, outer = (spot_xy(f"{line}@lane4{e}", "4x100") for e in ("-inner", "-outer"))
        assert math.dist(inner, outer) == pytest.approx(1.22)
        assert outer == pytest.approx(spot_xy(f"{line}@lane5-inner", "4x100"))
