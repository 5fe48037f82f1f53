"""From traces to the problem of one rep: what each runner's measurements are taken to be."""

import numpy as np
import pytest
from straight import NO_SLOW, axis

from pipeline.base import geodesy
from pipeline.measure import finding, reps
from pipeline.measure.traces import Trace

UTC = 1.778e9


def trace(name, stand_m, sets_off_s):
    """A runner at rest, then at 9 m/s along the lane, ten fixes a second."""
    t = np.arange(0.0, 30.0, 0.1)
    v = np.where(t > sets_off_s, 9.0 * -np.expm1(-(t - sets_off_s) / 1.2), 0.0)
    s = stand_m + np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * 0.1)])
    lane = axis()
    origin = (lane.origin_lat_deg, lane.origin_lon_deg, lane.origin_alt_m)
    flat = np.zeros(t.size)
    lat, lon, _ = geodesy.from_enu(np.column_stack([s, flat, flat]), origin)
    return Trace(name, UTC + t, lat, lon, v, v, 10.0)


def case_on(zone, event):
    lane = axis(zone=zone, event=event)
    traces = {"ada": trace("ada", -30.0, 10.0), "bo": trace("bo", 3.0, 13.6)}
    places = {name: one.on_axis(lane) for name, one in traces.items()}
    found = finding.TakeoverCandidate(
        0, "ada", "bo", UTC + 14.4, UTC + 13.6, UTC + 10.0, UTC + 18.0, 1.2, True, 0.0, (-30.0, 3.0)
    )
    levels = dict.fromkeys(traces, reps.Levels())
    return reps.build_case(found, None, lane, traces, places, {}, levels, NO_SLOW, {})


@pytest.mark.parametrize("zone", [1, 2, 3])
def test_runners_of_the_bends_keep_to_the_inside_of_the_lane(zone):
    """Legs 1 and 3 run the bends with the baton in the right hand and keep to the inside, legs 2
    and 4 take it in the left hand and keep to the outside: common practice. Zone n lies between
    leg n and leg n + 1, and a place to the right of the measured line is farther out."""
    problem = case_on(zone, "4x100").problem
    side_m = {zone: problem.incoming.sideways_m, zone + 1: problem.outgoing.sideways_m}
    bend, straight = sorted(side_m, key=lambda leg: leg % 2 == 0)
    assert 0.0 <= side_m[bend] < side_m[straight] - 0.1
    assert side_m[straight] < 0.61  # half the width of a lane


def test_in_the_4x400_both_run_where_the_lane_is():
    problem = case_on(2, "4x400").problem
    assert problem.incoming.sideways_m == problem.outgoing.sideways_m
    assert 0.0 < problem.incoming.sideways_m < 0.3
