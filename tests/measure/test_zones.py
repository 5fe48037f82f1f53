"""The standard plan on the ground; axes, projection and checks by their laws."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.base.geodesy import SurveyPoint, from_enu, to_enu
from pipeline.base.relays import zone_lines_m
from pipeline.base.stadium import STANDARD, Stadium, plan_xy, scratch_m, spot_xy, start_m
from pipeline.base.values import LaneLine, Spot, Venue, ZoneAxis
from pipeline.errors import UsageError, VenueError
from pipeline.measure.lane_line import smooth_line
from pipeline.measure.placement import place_plan, standard_venue
from pipeline.measure.zones import at, curvature_at, heading_at, project, venue_axes
from pipeline.read.practice.venue import read_venue

MM = 0.001
ORIGIN = (48.2, 16.4, 0.0)

# --- building venues -------------------------------------------------------------------


def ground(xy, turn=0.0, shift=(0.0, 0.0), origin=ORIGIN):
    """Plan metres turned, moved, and put on the Earth: (lat, lon)."""
    c, s = math.cos(turn), math.sin(turn)
    enu = np.asarray(xy) @ np.array([[c, s], [-s, c]]) + np.asarray(shift)
    lat, lon, _ = from_enu(enu, origin)
    return lat, lon


def surveyed(spots, event="4x100", rules="today", noise=None, **where):
    xy = np.array([spot_xy(s, event, rules) for s in spots])
    if noise is not None:
        xy = xy + noise
    lat, lon = ground(xy, **where)
    return [SurveyPoint(s, float(a), float(b)) for s, a, b in zip(spots, lat, lon, strict=True)]


SPOTS = ("finish@lane1-inner", "back-end@lane8-outer", "centre1")


def as_venue(collection, tmp_path) -> Venue:
    path = tmp_path / "venue.geojson"
    path.write_text(json.dumps(collection))
    return read_venue(path)


def venue_of(s, spots, lane=3, noise=None, **where) -> Venue:
    """A lane of the standard plan surveyed at `s`, with spots {(zone, line): s}."""
    xy = plan_xy(s, lane) + (0 if noise is None else noise)
    lat, lon = ground(xy, **where)
    points = []
    for (zone, line), at_s in spots.items():
        a, b = ground(plan_xy(at_s, lane), **where)
        points.append(Spot(lane, float(b), float(a), zone=zone, line=line))
    return Venue(Path("v.geojson"), (LaneLine(lane, lon, lat),), tuple(points))


ZONE = {(1, "entry"): 94.703, (1, "exit"): 124.703}


# --- axes ------------------------------------------------------------------------------


@pytest.mark.parametrize("event", ["4x100", "4x200", "4x400"])
@pytest.mark.parametrize("rules", ["today", "older"])
def test_the_standard_venue_reads_back_to_the_rules_zones(event, rules, tmp_path) -> None:
    points = surveyed(SPOTS, turn=2.2, shift=(40, -7))
    collection, placement = standard_venue(points, (1, 4, 9), event, rules)
    found = venue_axes(as_venue(collection, tmp_path), event)
    back, entry, leave = zone_lines_m(event, rules)
    assert [(a.lane, a.zone) for a in found] == [(n, z) for n in (1, 4, 9) for z in (1, 2, 3)]
    for axis in found:
        # the lines on the ground are a few tenths of a millimetre off by smoothing
        assert axis.exit_m == pytest.approx(leave - entry, abs=2 * MM)
        assert axis.back_m == pytest.approx(back - entry, abs=2 * MM)
        assert axis.remarks == ()
        assert axis.surveyed_m[0] <= -80
        assert axis.surveyed_m[1] >= axis.exit_m + 60
    assert max(r.distance_m for r in placement.residuals) < 1e-6


@pytest.mark.parametrize(("event", "zone"), [("4x100", 2), ("4x100", 3), ("4x400", 2)])
def test_an_axis_has_the_plans_length_heading_and_bend(event, zone, tmp_path) -> None:
    lane, turn = 5, 0.9
    points = surveyed(SPOTS, event, turn=turn)
    collection, _ = standard_venue(points, [lane], event)
    axis = venue_axes(as_venue(collection, tmp_path), event)[zone - 1]
    s0 = scratch_m(event, zone, lane) + zone_lines_m(event)[1]
    s = np.arange(-75.0, 90.0, 0.7)
    lat, lon = ground(plan_xy(s0 + s, lane), turn=turn)
    where = (axis.origin_lat_deg, axis.origin_lon_deg, axis.origin_alt_m)
    found_s, offset = project(axis, to_enu(lat, lon, None, where))
    assert found_s == pytest.approx(s, abs=0.004)
    assert np.abs(offset).max() < 0.02  # where straight and bend meet; elsewhere far less
    assert np.median(np.abs(offset)) < 0.002
    around = (s0 + s) % STANDARD.lap_m(lane)
    bend = STANDARD.bend_m(lane)
    half = STANDARD.lap_m(lane) / 2
    in_bend = around % half < bend
    edge = np.minimum(np.abs(around % half - bend), np.abs((around + 10) % half - 10)) < 8
    expected = np.where(in_bend, 1 / STANDARD.measured_m(lane), 0.0)
    assert curvature_at(axis, s)[~edge] == pytest.approx(expected[~edge], abs=3e-4)
    # the heading turns left by the bend run
    steps = np.diff(plan_xy(s0 + s + np.array([[-1e-4], [1e-4]]), lane), axis=0)[0]
    direct = np.arctan2(steps[:, 1], steps[:, 0]) + turn
    off = np.angle(np.exp(1j * (heading_at(axis, s) - direct)))
    assert np.abs(off).max() < 0.02
    assert np.abs(np.diff(heading_at(axis, s))).max() < 0.1


def test_an_axis_is_dense_even_and_unbroken(tmp_path) -> None:
    collection, _ = standard_venue(surveyed(SPOTS), [2], "4x400")
    for axis in venue_axes(as_venue(collection, tmp_path), "4x400"):
        assert 0.0 in axis.s_m
        assert np.diff(axis.s_m) == pytest.approx(0.5)
        steps = np.hypot(*np.diff(axis.xy_m, axis=0).T)
        assert steps == pytest.approx(0.5, abs=2e-5)
        # heading is the direction of the points, curvature its change
        slope = np.gradient(axis.heading_rad, axis.s_m)
        assert np.abs(slope - axis.curvature_pm)[2:-2].max() < 0.004
        with pytest.raises(ValueError, match="read-only"):
            axis.xy_m[0, 0] = 1.0


@given(
    turn=st.floats(-math.pi, math.pi),
    east=st.floats(-300, 300),
    north=st.floats(-300, 300),
    spacing=st.sampled_from([1.0, 2.0, 4.0]),
    sd=st.sampled_from([0.0, 0.05]),
)
@settings(max_examples=25, deadline=None)
def test_turn_and_move_the_stadium_and_nothing_on_the_axis_changes(
    turn, east, north, spacing, sd
) -> None:
    s = np.arange(0, 240, spacing)
    noise = sd * np.random.default_rng(5).standard_normal((len(s), 2))
    still = venue_axes(venue_of(s, ZONE, noise=noise), "4x100")[0]
    moved = venue_axes(venue_of(s, ZONE, noise=noise, turn=turn, shift=(east, north)), "4x100")[0]
    assert moved.exit_m == pytest.approx(still.exit_m, abs=1e-6)
    assert moved.s_m == pytest.approx(still.s_m)
    assert moved.curvature_pm == pytest.approx(still.curvature_pm, abs=1e-6)
    swing = np.exp(1j * (moved.heading_rad - still.heading_rad - turn))
    assert swing == pytest.approx(swing[0], abs=1e-6)
    assert swing[0] == pytest.approx(1, abs=1e-4)  # north itself turns over 300 m at 48 degrees
    # a runner's place beside the line
    runner = plan_xy([70.0, 100.0, 118.0, 150.0], 3, 0.3)
    places = []
    for axis, where in ((still, {}), (moved, {"turn": turn, "shift": (east, north)})):
        enu = to_enu(
            *ground(runner, **where), None, (axis.origin_lat_deg, axis.origin_lon_deg, 0.0)
        )
        places.append(np.concatenate(project(axis, enu)))
    assert places[0] == pytest.approx(places[1], abs=1e-6)


@pytest.fixture(scope="module")
def bend_axis() -> ZoneAxis:
    return venue_axes(venue_of(np.arange(0, 240, 2.0), ZONE), "4x100")[0]


@given(
    s=st.lists(st.floats(-150, 200), min_size=1, max_size=5),
    offset=st.floats(-8, 8),
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(s=[0.0, 30.0], offset=0.0)
def test_project_is_the_inverse_of_at(bend_axis, s, offset) -> None:
    found_s, found_offset = project(bend_axis, at(bend_axis, s, offset))
    assert found_s == pytest.approx(s, abs=1e-6)
    assert found_offset == pytest.approx(offset, abs=1e-6)


def test_outward_of_a_left_hand_bend_is_positive(bend_axis) -> None:
    centre = np.linalg.norm(at(bend_axis, 5.0, [0.0, 1.0]) - at(bend_axis, 5.0, -39.14), axis=1)
    assert centre[1] - centre[0] == pytest.approx(1.0)
    assert curvature_at(bend_axis, 5.0) == pytest.approx(1 / 39.14, abs=1e-3)


def test_projecting_keeps_shape_and_missing_places(bend_axis) -> None:
    xy = at(bend_axis, np.array([[0.0, 10.0, 20.0], [1.0, 2.0, 3.0]]), 0.5)
    xy[0, 1] = np.nan
    s, offset = project(bend_axis, xy)
    assert s.shape == (2, 3) == offset.shape
    assert np.isnan(s[0, 1])
    assert np.isnan(offset[0, 1])
    assert s[1] == pytest.approx([1, 2, 3])
    one_s, one_offset = project(bend_axis, at(bend_axis, 3.0, -0.2))
    assert (float(one_s), float(one_offset)) == pytest.approx((3.0, -0.2))


def test_beyond_the_survey_the_axis_goes_on_straight() -> None:
    axis = venue_axes(venue_of(np.arange(60, 150, 2.0), ZONE), "4x100")[0]
    assert axis.s_m[0] <= -80
    assert axis.s_m[-1] >= axis.exit_m + 60
    assert axis.surveyed_m == pytest.approx((60 - 94.703, 148 - 94.703), abs=0.01)
    assert np.ptp(heading_at(axis, [-200, -90, -40])) == 0
    assert np.all(curvature_at(axis, [-60, -40, 80]) == 0)
    far = at(axis, [-100.0, -300.0])
    assert math.dist(*far) == pytest.approx(200)


@pytest.mark.parametrize("spacing", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("seed", range(4))
def test_a_noisy_survey_still_gives_the_zones_length(spacing, seed) -> None:
    """Straight joins between vertices 1 m apart and 5 cm off would be 8 cm long in 30 m."""
    rng = np.random.default_rng(seed)
    s = np.arange(0, 240, spacing)
    line = smooth_line(plan_xy(s, 3) + 0.05 * rng.standard_normal((len(s), 2)))
    truth = plan_xy(np.arange(20.0, 220.0, 1.0), 3)
    found, offset = project(line, truth)
    lengths = found[30:] - found[:-30]
    assert np.sqrt(np.mean((lengths - 30) ** 2)) < 0.03
    assert np.sqrt(np.mean(offset**2)) < 0.06
    turn = line.curvature_pm[(line.s_m > 30) & (line.s_m < 100)]
    assert np.mean(turn) == pytest.approx(1 / 39.14, rel=0.02)
    assert np.std(turn) < 0.2 / 39.14


def test_a_straight_of_two_vertices_stays_straight() -> None:
    """The long step between a bend's dense vertices does not belly out."""
    bend = STANDARD.bend_m(3)
    s = np.concatenate(
        [np.arange(20, bend, 2.0), [bend, bend + 84.39], bend + 84.39 + np.arange(2, 60, 2.0)]
    )
    line = smooth_line(plan_xy(s, 3))
    _, offset = project(line, plan_xy(np.linspace(bend + 10, bend + 74, 50), 3))
    assert np.abs(offset).max() < 0.05


def test_a_lap_may_begin_anywhere() -> None:
    """A closed line's own ends are no ends: the zone may lie across them."""
    lap = STANDARD.lap_m(3)
    found = []
    for start in (0.0, 100.0, 250.0):
        s = start + np.linspace(0, lap, 211)
        found.append(venue_axes(venue_of(s, {(2, "entry"): -10, (2, "exit"): 10}), "4x400")[0])
    for axis in found:
        assert axis.exit_m == pytest.approx(20, abs=0.002)
        assert axis.surveyed_m[0] < -150
        assert axis.surveyed_m[1] > 100
    one, other, _ = found
    assert curvature_at(one, [-50.0, -20.0, 5.0, 30.0]) == pytest.approx(
        curvature_at(other, [-50.0, -20.0, 5.0, 30.0]), abs=1e-3
    )


# --- checks ----------------------------------------------------------------------------

DENSE = np.arange(0, 240, 2.0)


@pytest.mark.parametrize(
    ("event", "spots", "words"),
    [
        ("4x100", {(1, "entry"): 100}, ["lane 3, zone 1", "no exit line", "lines given: entry"]),
        ("4x100", {(1, "exit"): 100}, ["no entry line"]),
        ("4x100", {(1, "entry"): 100, (1, "exit"): 100}, ["0.00 m long", "20 m or 30 m"]),
        ("4x100", {(1, "entry"): 130, (1, "exit"): 100}, ["30.00 m before", "running direction"]),
        ("4x100", {(1, "entry"): 100, (1, "exit"): 160}, ["60.00 m long"]),
        ("4x100", {(1, "entry"): 100, (1, "exit"): 120}, ["10.00 m shorter", "back line"]),
        ("4x400", {(1, "entry"): 100, (1, "exit"): 130}, ["10.00 m longer", "4x400"]),
        (
            "4x100",
            {(1, "back"): 110, (1, "entry"): 100, (1, "exit"): 130},
            ["back line", "10.00 m past"],
        ),
        ("4x100", {(1, "entry"): 225, (1, "exit"): 255}, ["exit line", "beyond the end"]),
    ],
)
def test_a_wrong_zone_is_told(event, spots, words) -> None:
    with pytest.raises(VenueError) as told:
        venue_axes(venue_of(DENSE, spots), event)
    for word in words:
        assert word in str(told.value)


def test_every_wrong_zone_is_told_at_once() -> None:
    spots = {(1, "entry"): 20, (1, "exit"): 50, (2, "entry"): 100, (3, "exit"): 130}
    with pytest.raises(VenueError, match=r"(?s)2 zones.*zone 2: no exit.*zone 3: no entry"):
        venue_axes(venue_of(DENSE, spots), "4x100")


def test_a_line_drawn_backwards_is_told() -> None:
    with pytest.raises(VenueError, match="running direction"):
        venue_axes(venue_of(DENSE[::-1], ZONE), "4x100")


def test_a_zone_on_another_lane_is_told() -> None:
    venue = venue_of(DENSE, ZONE)
    moved = tuple(
        Spot(7, p.longitude_deg, p.latitude_deg, zone=1, line=p.line) for p in venue.zone_lines
    )
    with pytest.raises(VenueError, match=r"lane 7, zone 1: the lane has no line.*with a line: 3"):
        venue_axes(Venue(venue.path, venue.lanes, moved), "4x100")
    beside = venue_of(DENSE, ZONE, lane=5)
    points = tuple(
        Spot(3, p.longitude_deg, p.latitude_deg, zone=1, line=p.line) for p in beside.zone_lines
    )
    with pytest.raises(VenueError, match=r"entry line: the point lies 2\.4 m right of"):
        venue_axes(Venue(venue.path, venue.lanes, points), "4x100")


def test_no_zones_and_no_length_are_told() -> None:
    venue = venue_of(DENSE, {})
    with pytest.raises(VenueError, match="no zone lines"):
        venue_axes(venue, "4x100")
    with pytest.raises(VenueError, match="all at one place"):
        venue_axes(venue_of(np.array([94.0, 95.0, 96.0]), ZONE), "4x100")


def test_swapped_coordinates_are_guessed() -> None:
    """Both orders lie within range here, but only one gives the zone its length."""
    venue = venue_of(DENSE, ZONE)
    line = venue.lanes[0]
    swapped = Venue(
        venue.path,
        (LaneLine(3, line.latitude_deg, line.longitude_deg),),
        tuple(
            Spot(3, p.latitude_deg, p.longitude_deg, zone=1, line=p.line) for p in venue.zone_lines
        ),
    )
    with pytest.raises(VenueError, match="look swapped"):
        venue_axes(swapped, "4x100")


@pytest.mark.parametrize(
    ("event", "spots", "words"),
    [
        ("4x100", {(1, "entry"): 100, (1, "exit"): 130.08}, "0.08 m longer than the rule's 30 m"),
        ("4x400", {(1, "entry"): 100, (1, "exit"): 119.7}, "0.30 m shorter than the rule's 20 m"),
        ("4x90-", {(1, "entry"): 100, (1, "exit"): 130}, "no rule is known"),
        (
            "4x100",
            {(1, "back"): 90.5, (1, "entry"): 100, (1, "exit"): 120},
            "back line lies 9.50 m before",
        ),
    ],
)
def test_a_zone_a_little_off_is_remarked(event, spots, words) -> None:
    axis = venue_axes(venue_of(DENSE, spots), event)[0]
    assert any(words in r for r in axis.remarks)


def test_a_right_zone_is_not_remarked() -> None:
    assert venue_axes(venue_of(DENSE, ZONE), "4x100")[0].remarks == ()
    older = {(1, "back"): 90, (1, "entry"): 100, (1, "exit"): 120}
    axis = venue_axes(venue_of(DENSE, older), "4x100")[0]
    assert axis.remarks == ()
    assert axis.back_m == pytest.approx(-10, abs=0.002)


def test_a_line_that_bends_right_is_remarked() -> None:
    """Drawn against the running direction with its zones named against it too: nothing but
    the bend's sense shows it (IAAF Rule 163.1, from memory: left hand inside)."""
    spots = {(1, "entry"): 124.703, (1, "exit"): 94.703}
    axis = venue_axes(venue_of(DENSE[::-1], spots), "4x100")[0]
    assert any("bends to the right" in r for r in axis.remarks)


def test_corners_cut_and_spread_are_remarked() -> None:
    coarse = np.array([0, 30, 60, 90, 116, 150, 200, 240.0])
    lane, spots = 3, {(1, "entry"): 130, (1, "exit"): 160}
    axis = venue_axes(venue_of(coarse, spots, lane), "4x100")[0]
    assert any("cut the bend" in r for r in axis.remarks)
    rough = 0.4 * np.random.default_rng(0).standard_normal((len(DENSE), 2))
    axis = venue_axes(venue_of(DENSE, spots, noise=rough), "4x100")[0]
    assert any("off a smooth line" in r for r in axis.remarks)


# --- placing the plan ------------------------------------------------------------------


@given(
    turn=st.floats(-3, 3),
    east=st.floats(-500, 500),
    north=st.floats(-500, 500),
    spots=st.lists(
        st.sampled_from(
            [
                "finish@lane1-inner",
                "back-start@lane8",
                "back-end@lane4-outer",
                "home-start@lane1",
                "centre1",
                "centre2",
                "zone2-exit@lane3-inner",
                "start@lane6",
            ]
        ),
        min_size=3,
        max_size=8,
        unique=True,
    ),
)
@settings(deadline=None)
def test_the_plan_falls_back_where_it_was(turn, east, north, spots) -> None:
    points = surveyed(spots, turn=turn, shift=(east, north))
    placement = place_plan(points)
    assert math.remainder(placement.turn_rad - turn, 2 * math.pi) == pytest.approx(0, abs=2e-4)
    # (north itself turns by so much over some hundred metres at 48 degrees)
    assert max(r.distance_m for r in placement.residuals) < 1e-4
    assert abs(placement.scale_ppm) < 1
    assert placement.remarks == ()


def test_residuals_are_told_and_within_their_spread() -> None:
    """The residuals of a rigid fit by n points have 2n - 3 degrees of freedom."""
    rng = np.random.default_rng(3)
    spots = [*SPOTS, "home-start@lane1", "back-start@lane1-inner"]
    ratios = []
    for _ in range(300):
        noise = 0.05 * rng.standard_normal((len(spots), 2))
        placement = place_plan(surveyed(spots, noise=noise))
        total = sum(r.distance_m**2 for r in placement.residuals)
        ratios.append(total / 0.05**2 / (2 * len(spots) - 3))
    assert np.mean(ratios) == pytest.approx(1, abs=0.12)


def test_the_stated_standard_errors_are_honest() -> None:
    """Zone points placed by a noisy survey lie as far off as their sd_m says."""
    rng = np.random.default_rng(4)
    spots = ["finish@lane1-inner", "back-end@lane1-inner", "home-start@lane1"]
    truth = spot_xy("zone1-entry@lane8", "4x100")
    ratios = []
    for _ in range(300):
        collection, _ = standard_venue(
            surveyed(spots, noise=0.05 * rng.standard_normal((3, 2))), [8], "4x100"
        )
        feature = collection["features"][2]
        assert feature["properties"]["line"] == "entry"
        lon, lat = feature["geometry"]["coordinates"]
        off = to_enu(lat, lon, None, ORIGIN) - truth
        ratios.append(np.sum(off**2) / 2 / feature["properties"]["sd_m"] ** 2)
    assert 0.5 < np.mean(ratios) < 1.2  # the residuals' chance excess only widens sd_m


def test_another_size_of_track_is_told_by_the_scale() -> None:
    other = Stadium(radius_m=36.0, straight_m=85.96)
    xy = np.array(
        [spot_xy(s, "4x100", track=other) for s in ("back-start@lane1", "back-end@lane1")]
    )
    lat, lon = ground(xy)
    points = [
        SurveyPoint(s, float(a), float(b))
        for s, a, b in zip(("back-start@lane1", "back-end@lane1"), lat, lon, strict=True)
    ]
    placement = place_plan(points)
    assert placement.scale_ppm == pytest.approx((85.96 / 84.39 - 1) * 1e6, rel=1e-3)
    assert "1.86 % larger" in placement.remarks[0]
    assert place_plan(points, track=other).remarks == ()


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (surveyed(["finish@lane1"]), "1 point"),
        (surveyed(["finish@lane1", "finish@lane2"]), "within 1\\.1 m"),
        (
            [*surveyed(["finish@lane1", "back-end@lane1"]), SurveyPoint("centre1", 48.3, 16.4)],
            "m from where the plan has it",
        ),
        (
            [SurveyPoint("finish line", 48.2, 16.4), SurveyPoint("centre1", 48.2, 16.4)],
            "not a spot",
        ),
        (
            [
                p._replace(lat_deg=2 * 48.2 - p.lat_deg)
                for p in surveyed(["finish@lane1", "back-end@lane1", "home-start@lane8", "centre1"])
            ],
            "mirror",
        ),
    ],
)
def test_a_survey_that_cannot_place_the_plan(points, words) -> None:
    with pytest.raises(VenueError, match=words):
        place_plan(points)


@pytest.mark.parametrize(
    ("kwargs", "words"),
    [
        ({"lanes": [0]}, "lanes from 1 to 9"),
        ({"lanes": []}, "none"),
        ({"event": "4x1500"}, "4x100, 4x200, 4x400"),
        ({"event": "4x400", "bends_in_lanes": 2}, "3 or 1"),
        ({"track": Stadium(radius_m=30)}, "a lap of"),
    ],
)
def test_what_the_plan_does_not_hold(kwargs, words) -> None:
    arguments = {"points": surveyed(SPOTS), "lanes": [4], "event": "4x100", **kwargs}
    with pytest.raises(UsageError, match=words):
        standard_venue(**arguments)


@pytest.mark.parametrize("event", ["4x100", "4x400"])
def test_the_standard_venue_has_the_start_and_the_finish_of_a_race(event, tmp_path) -> None:
    points = surveyed(SPOTS, event, turn=2.2, shift=(40, -7))
    collection, _ = standard_venue(points, (1, 5), event)
    found = as_venue(collection, tmp_path).race_lines
    assert [(one.lane, one.line) for one in found] == [
        (1, "start"), (1, "finish"), (5, "start"), (5, "finish"),
    ]  # fmt: skip
    for one in found:
        s = start_m(event, one.lane) if one.line == "start" else 0.0
        lat, lon = ground(plan_xy(np.array([s]), one.lane), turn=2.2, shift=(40, -7))
        assert one.latitude_deg == pytest.approx(float(lat[0]), abs=1e-8)
        assert one.longitude_deg == pytest.approx(float(lon[0]), abs=1e-8)
