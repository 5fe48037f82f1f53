"""A trace cuts itself and goes on an axis, alike in either order."""

import numpy as np
import pytest
from straight import axis

from pipeline.base import geodesy
from pipeline.measure.traces import Trace

LANE = axis()


@pytest.fixture(name="trace")
def trace_fixture():
    t = np.arange(0.0, 12.0, 0.25)  # 4 Hz: nothing is filtered
    place = np.column_stack([8.0 * t - 40.0, 0.3 * np.sin(t), np.zeros(t.size)])
    origin = (LANE.origin_lat_deg, LANE.origin_lon_deg, LANE.origin_alt_m)
    lat, lon, _ = geodesy.from_enu(place, origin)
    speed = np.full(t.size, 8.0)
    return Trace("ada", 1.78e9 + t, lat, lon, speed, speed + 0.1, 4.0)


@pytest.mark.parametrize("which", [slice(5, 20), np.array([1, 4, 9]), np.arange(48) % 3 == 0])
def test_a_part_of_a_trace_has_the_same_rows_of_every_column(trace, which):
    part = trace.rows(which)
    assert (part.runner, part.rate_hz) == ("ada", 4.0)
    for name in ("t_s", "latitude_deg", "longitude_deg", "speed_mps", "pace_mps"):
        assert np.array_equal(getattr(part, name), getattr(trace, name)[which])


def test_cutting_and_going_on_an_axis_may_change_places(trace):
    whole, part = trace.on_axis(LANE).rows(slice(8, 30)), trace.rows(slice(8, 30)).on_axis(LANE)
    for name in ("xy_m", "s_m", "offset_m"):
        assert getattr(part, name) == pytest.approx(getattr(whole, name), abs=1e-3)


def test_a_fix_without_a_place_takes_one_between_its_neighbours(trace):
    lat = trace.latitude_deg.copy()
    lat[20] = np.nan
    holed = Trace("ada", trace.t_s, lat, trace.longitude_deg, trace.speed_mps, trace.pace_mps, 4.0)
    place = holed.on_axis(LANE)
    assert place.s_m[20] == pytest.approx((place.s_m[19] + place.s_m[21]) / 2, abs=1e-6)
    assert np.isnan(place.xy_m[20]).any()
