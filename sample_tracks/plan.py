"""The standard 400 m track on invented ground: lane lines, zone lines, WGS 84.

Written for the samples alone. Plan: radius of the inner edge 36.50 m, straights 84.39 m,
lanes 1.22 m wide; the running line is measured 0.30 m from the kerb in lane 1, 0.20 m from
the line on the left in the others (Track and Field Facilities Manual, 2.2.1).

A place on a lane is (l, y): metres along the lane's measured line from the finish line in
running direction, and metres to the right of it (outwards).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RADIUS_M, STRAIGHT_M, WIDTH_M = 36.50, 84.39, 1.22
_A, _F = 6378137.0, 1 / 298.257223563  # WGS 84
_E2 = _F * (2 - _F)


def lane_radius_m(lane: int) -> float:
    return RADIUS_M + (0.30 if lane == 1 else WIDTH_M * (lane - 1) + 0.20)


def lap_m(lane: int) -> float:
    return 2 * STRAIGHT_M + 2 * np.pi * lane_radius_m(lane)


def _break_line_extra_m(lane: int) -> float:
    """What lane `lane` runs more than lane 1 between the break line and the next bend."""
    r1, rn = lane_radius_m(1), lane_radius_m(lane)
    d = np.hypot(STRAIGHT_M, rn)
    tangent = np.sqrt(d * d - r1 * r1)
    turn = np.arccos(r1 / d) - np.arctan(STRAIGHT_M / rn)
    return float(tangent - (STRAIGHT_M + r1 * turn))


def zone_lines_m(event: str, lane: int, zone: int, rules: str = "today") -> dict[str, float]:
    """Where back, entry and exit line lie: metres from the finish line along the lane."""
    if event == "4x100":
        scratch = lap_m(lane) - lap_m(1) + 100.0 * zone
        if rules == "older":
            return {"back": scratch - 20, "entry": scratch - 10, "exit": scratch + 10}
        return {"back": scratch - 20, "entry": scratch - 20, "exit": scratch + 10}
    if event == "4x400":
        middle = lap_m(lane)  # zones 2 and 3: the finish line, once round
        if zone == 1:
            middle += np.pi * (lane_radius_m(lane) - lane_radius_m(1)) + _break_line_extra_m(lane)
        return {"back": middle - 10, "entry": middle - 10, "exit": middle + 10}
    raise ValueError(f"no zones known for {event}")


def on_track(l_m: Floats, y_m: Floats, lane: int) -> tuple[Floats, Floats, Floats]:
    """(l, y) to plan metres (n, 2), heading (rad) and curvature (1/m, left-hand positive)."""
    r = lane_radius_m(lane)
    bend = np.pi * r
    u = np.mod(l_m, lap_m(lane))
    b1, b2 = u < bend, (u >= bend + STRAIGHT_M) & (u < 2 * bend + STRAIGHT_M)
    back = (u >= bend) & (u < bend + STRAIGHT_M)
    turn = np.where(b1, u / r, np.where(b2, np.pi + (u - bend - STRAIGHT_M) / r, 0.0))
    heading = np.where(b1 | b2, turn, np.where(back, np.pi, 0.0))
    home = ~(b1 | b2 | back)
    cx = np.where(b1, 0.0, -STRAIGHT_M)
    x = np.where(
        back, -(u - bend), np.where(home, u - 2 * bend - 2 * STRAIGHT_M, cx + r * np.sin(turn))
    )
    yy = np.where(back, r, np.where(home, -r, -r * np.cos(turn)))
    right = np.stack([np.sin(heading), -np.cos(heading)], axis=-1)
    xy = np.stack([x, yy], axis=-1) + y_m[..., None] * right
    return xy, heading, np.where(b1 | b2, 1.0 / r, 0.0)


@dataclass(frozen=True)
class Ground:
    """Where the invented track lies."""

    lat_deg: float
    lon_deg: float
    alt_m: float
    turn_rad: float

    def east_north(self, plan_xy: Floats) -> Floats:
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        x, y = plan_xy[..., 0] + STRAIGHT_M / 2, plan_xy[..., 1]
        return np.stack([c * x - s * y, s * x + c * y], axis=-1)

    def geodetic(self, east_north: Floats, up: Floats) -> tuple[Floats, Floats, Floats]:
        """East-north metres from the middle of the track to latitude, longitude, height."""
        lat, lon = np.radians(self.lat_deg), np.radians(self.lon_deg)
        n0 = _A / np.sqrt(1 - _E2 * np.sin(lat) ** 2)
        sl, cl, so, co = np.sin(lat), np.cos(lat), np.sin(lon), np.cos(lon)
        e, n = east_north[..., 0], east_north[..., 1]
        u = up
        x = (n0 + self.alt_m) * cl * co - so * e - sl * co * n + cl * co * u
        y = (n0 + self.alt_m) * cl * so + co * e - sl * so * n + cl * so * u
        z = (n0 * (1 - _E2) + self.alt_m) * sl + cl * n + sl * u
        p = np.hypot(x, y)
        phi = np.arctan2(z, p * (1 - _E2))
        for _ in range(5):  # converges to below a nanometre near the ground
            nn = _A / np.sqrt(1 - _E2 * np.sin(phi) ** 2)
            h = p / np.cos(phi) - nn
            phi = np.arctan2(z, p * (1 - _E2 * nn / (nn + h)))
        return np.degrees(phi), np.degrees(np.arctan2(y, x)), h
