"""WGS 84 to local east-north-up metres and back: exact, through the earth-centred frame.

No map projection is used: a Mercator plane is metres off within a stadium, an azimuthal one
millimetres. The constants of the ellipsoid are those of WGS 84 [1].

[1] NIMA TR8350.2, Department of Defense World Geodetic System 1984, 3rd ed.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.base.values import Floats

Origin = tuple[float, float, float]  # latitude [deg], longitude [deg], height above ellipsoid [m]

MEAN_RADIUS_M = 6_371_000.0  # of the Earth, as a sphere
SEMI_MAJOR_M = 6378137.0
FLATTENING = 1 / 298.257223563
E2 = FLATTENING * (2 - FLATTENING)  # first eccentricity, squared


def to_ecef(lat_deg: ArrayLike, lon_deg: ArrayLike, alt_m: ArrayLike) -> Floats:
    """Earth-centred x, y, z [m], (..., 3), of latitude, longitude [deg], ellipsoidal height [m]."""
    lat, lon = np.radians(lat_deg), np.radians(lon_deg)
    alt = np.asarray(alt_m, dtype=np.float64)
    normal = SEMI_MAJOR_M / np.sqrt(1 - E2 * np.sin(lat) ** 2)
    x = (normal + alt) * np.cos(lat) * np.cos(lon)
    y = (normal + alt) * np.cos(lat) * np.sin(lon)
    z = (normal * (1 - E2) + alt) * np.sin(lat)
    return np.stack(np.broadcast_arrays(x, y, z), axis=-1)


def from_ecef(xyz_m: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Inverse of `to_ecef`: latitude [deg], longitude [deg], height [m].

    Exact to rounding for heights from -10 km up to satellites; meaningless near the earth's centre.
    """
    x, y, z = np.moveaxis(np.asarray(xyz_m, dtype=np.float64), -1, 0)
    p = np.hypot(x, y)
    lat = np.arctan2(z, (1 - E2) * p)
    for _ in range(6):  # exact at once on the ellipsoid; elsewhere a round gains 2.2 digits
        normal = SEMI_MAJOR_M / np.sqrt(1 - E2 * np.sin(lat) ** 2)
        lat = np.arctan2(z + E2 * normal * np.sin(lat), p)
    # This form of the height also holds at the poles.
    root = np.sqrt(1 - E2 * np.sin(lat) ** 2)
    alt = p * np.cos(lat) + z * np.sin(lat) - SEMI_MAJOR_M * root
    return np.degrees(lat), np.degrees(np.arctan2(y, x)), alt


def _rotation(lat_deg: float, lon_deg: float) -> Floats:
    """(3, 3) rows: the east, north and up directions at a place, in the earth-centred frame."""
    sin_lat, cos_lat = np.sin(np.radians(lat_deg)), np.cos(np.radians(lat_deg))
    sin_lon, cos_lon = np.sin(np.radians(lon_deg)), np.cos(np.radians(lon_deg))
    return np.array(
        [
            [-sin_lon, cos_lon, 0.0],
            [-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat],
            [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat],
        ]
    )


def to_enu(
    lat_deg: ArrayLike, lon_deg: ArrayLike, alt_m: ArrayLike | None, origin: Origin
) -> Floats:
    """Metres east, north and up of `origin`, (..., 3), of places in degrees [deg] and height [m].

    Where `alt_m` is None the result is (..., 2), without up. All heights are then taken to be the
    origin's, since a receiver's height (metres of noise) would only spoil them. NaN in gives NaN
    out.
    """
    height = origin[2] if alt_m is None else alt_m
    offset = to_ecef(lat_deg, lon_deg, height) - to_ecef(*origin)
    enu: Floats = offset @ _rotation(origin[0], origin[1]).T
    return enu[..., :2] if alt_m is None else enu


def from_enu(enu_m: ArrayLike, origin: Origin) -> tuple[Floats, Floats, Floats]:
    """Inverse of `to_enu`: (..., 2) or (..., 3) metres to latitude, longitude [deg], height [m].

    Two columns are taken to lie in the origin's tangent plane (up = 0). At 100 m from the origin
    that plane is 0.8 mm above the ground.
    """
    enu = np.asarray(enu_m, dtype=np.float64)
    if enu.shape[-1] == 2:
        enu = np.concatenate([enu, np.zeros((*enu.shape[:-1], 1))], axis=-1)
    return from_ecef(to_ecef(*origin) + enu @ _rotation(origin[0], origin[1]))


def move_rows(centre_m: Floats, xy_m: Floats) -> Floats:
    """(..., 2, 3): what a metre east, a metre north and a radian do to places (..., 2)."""
    away = xy_m - centre_m
    rows = np.zeros((*xy_m.shape, 3))
    rows[..., 0, 0] = rows[..., 1, 1] = 1.0
    rows[..., 0, 2], rows[..., 1, 2] = -away[..., 1], away[..., 0]
    return rows


def to_sphere_m(
    lat_deg: ArrayLike, lon_deg: ArrayLike, near_lat_deg: float
) -> tuple[Floats, Floats]:
    """Places or differences of places near a latitude as metres east and north on a sphere.

    Good to 0.6 % of a distance: for speeds and distances that are only compared with each other.
    A NaN in gives NaN out.
    """
    east = np.radians(lon_deg) * MEAN_RADIUS_M * np.cos(np.radians(near_lat_deg))
    return np.asarray(east), np.asarray(np.radians(lat_deg) * MEAN_RADIUS_M)


class SurveyPoint(NamedTuple):
    """A named spot as surveyed: WGS 84 degrees, and the survey's standard error."""

    spot: str
    lat_deg: float
    lon_deg: float
    sd_m: float = 0.05
