"""WGS 84 <-> east-north-up, against a reference library and by its own laws."""

from __future__ import annotations

import numpy as np
import pymap3d
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.base.geodesy import from_ecef, from_enu, to_ecef, to_enu, to_sphere_m

latitudes = st.floats(-90, 90)
longitudes = st.floats(-180, 180)
heights = st.floats(-500, 5000)
origins = st.tuples(latitudes, longitudes, heights)
metres = st.floats(-2000, 2000)


def test_constants_are_those_of_wgs84() -> None:
    # NIMA TR8350.2: a = 6 378 137 m, 1/f = 298.257223563, so b = 6 356 752.3142 m
    assert to_ecef(0.0, 0.0, 0.0) == pytest.approx([6378137.0, 0, 0])
    assert to_ecef(90.0, 0.0, 0.0)[2] == pytest.approx(6356752.3142, abs=5e-5)


@given(origin=origins, east=metres, north=metres, up=st.floats(-100, 100))
def test_agrees_with_pymap3d_to_micrometres(origin, east, north, up) -> None:
    lat, lon, alt = pymap3d.enu2geodetic(east, north, up, *origin)
    theirs = pymap3d.geodetic2enu(lat, lon, alt, *origin)
    # pymap3d's own there-and-back is not exact near the poles: compare like with like
    assert to_enu(lat, lon, alt, origin) == pytest.approx(theirs, abs=1e-6)
    assert np.column_stack(to_ecef(lat, lon, alt)) == pytest.approx(
        np.array([pymap3d.geodetic2ecef(lat, lon, alt)]), abs=1e-6
    )


@given(origin=origins, east=metres, north=metres, up=st.floats(-100, 100))
def test_there_and_back_is_exact(origin, east, north, up) -> None:
    place = from_enu([east, north, up], origin)
    assert to_enu(*place, origin) == pytest.approx([east, north, up], abs=1e-7)


@given(latitudes, longitudes, st.floats(-10_000, 2_000_000))
def test_earth_centred_there_and_back(lat, lon, alt) -> None:
    back = from_ecef(to_ecef(lat, lon, alt))
    assert to_ecef(*back) == pytest.approx(to_ecef(lat, lon, alt), abs=1e-7)
    assert back[2] == pytest.approx(alt, abs=1e-7)


def test_one_scale_in_every_direction_and_right_handed() -> None:
    """A degree of latitude and of longitude at 45 N: 111.132 and 78.847 km, to a few metres
    (published tables of the ellipsoid's degree lengths)."""
    step = 0.01
    origin = (45.0, 7.0, 0.0)
    north = to_enu(45.0 + step, 7.0, 0.0, origin)
    east = to_enu(45.0, 7.0 + step, 0.0, origin)
    assert north[1] / step == pytest.approx(111_132, abs=20)
    assert east[0] / step == pytest.approx(78_847, abs=20)
    assert north[0] == pytest.approx(0, abs=1e-6)


def test_without_heights_all_lie_at_the_origins() -> None:
    origin = (48.2, 16.4, 515.0)
    flat = to_enu([48.201, 48.199], [16.4, 16.401], None, origin)
    full = to_enu([48.201, 48.199], [16.4, 16.401], 515.0, origin)
    assert flat.shape == (2, 2)
    assert np.array_equal(flat, full[:, :2])


def test_the_date_line_is_no_seam() -> None:
    enu = to_enu([-17.8, -17.8], [179.9999, -179.9999], None, (-17.8, 180.0, 0.0))
    assert enu[0, 0] == pytest.approx(-enu[1, 0], abs=1e-6)
    assert 5 < enu[1, 0] < 15


def test_missing_stays_missing() -> None:
    enu = to_enu([np.nan, 48.2], [16.4, 16.4], None, (48.2, 16.4, 0.0))
    assert np.isnan(enu[0]).all()
    assert enu[1] == pytest.approx([0, 0], abs=1e-9)


@given(lat=st.floats(-80, 80), east=st.floats(-200, 200), north=st.floats(-200, 200))
def test_metres_on_a_sphere_serve_to_compare_distances(lat, east, north):
    """WGS 84 radii of curvature lie between 6,335 and 6,400 km: within 0.6 % of the sphere's."""
    there = from_enu(np.array([east, north]), (lat, 7.0, 0.0))
    on_sphere = to_sphere_m(there[0] - lat, there[1] - 7.0, lat)
    away = np.hypot(east, north)
    assert np.hypot(*on_sphere) == pytest.approx(away, rel=0.006 + 2e-5 * away, abs=1e-6)
