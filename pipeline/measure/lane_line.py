"""A smooth line through a survey's vertices, by its own length; and places beside a line.

A place beside a line is (s, offset): s in metres along it, offset in metres across,
positive to the RIGHT of the running direction, which on a left-hand bend is outward.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import cumulative_simpson
from scipy.interpolate import BSpline, CubicHermiteSpline
from scipy.linalg import solveh_banded
from scipy.optimize import minimize_scalar
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from pipeline.base.values import Floats

LINE_STEP_M = 0.5  # of the line's points
KNOT_M = 2.0  # of the smoothing spline: strays from a 36.8 m arc by under 0.01 mm
LONGEST_CHORD_M = 10.5  # a longer step between vertices is a straight, not a chord of the bend
SMOOTHING_M = (1.0, 12.0)  # of the smoothing, least and most
ROUGH_SMOOTHING_M = 4.0  # while the vertices' places are still rough
FLOOR_M = 0.002  # no survey is better, and coordinates are rounded: keeps exact lines tame
GCV_WEIGHT = 1.4  # on degrees of freedom, against undersmoothing (Kim & Gu 2004, JRSS B 66)


class DenseLine(Protocol):
    """What `at` and `project` need: points (n,) by length, evenly and densely spaced."""

    @property
    def s_m(self) -> Floats: ...
    @property
    def xy_m(self) -> Floats: ...
    @property
    def heading_rad(self) -> Floats: ...
    @property
    def curvature_pm(self) -> Floats: ...


@dataclass(frozen=True, slots=True)
class SmoothLine:
    """Points 0.5 m apart along a smooth line; `rms_m` is the vertices' spread about it."""

    s_m: Floats
    xy_m: Floats
    heading_rad: Floats
    curvature_pm: Floats
    rms_m: float = 0.0


# --- places beside a line --------------------------------------------------------------


def _tangents(heading_rad: Floats) -> Floats:
    return np.stack([np.cos(heading_rad), np.sin(heading_rad)], axis=-1)


def _normals(heading_rad: Floats) -> Floats:
    return np.stack([np.sin(heading_rad), -np.cos(heading_rad)], axis=-1)


def heading_at(line: DenseLine, s_m: ArrayLike) -> Floats:
    """Direction of travel [rad], 0 = east, anticlockwise, without jumps of 2 pi."""
    return np.asarray(np.interp(np.asarray(s_m, dtype=np.float64), line.s_m, line.heading_rad))


def curvature_at(line: DenseLine, s_m: ArrayLike) -> Floats:
    """Change of heading per metre [1/m], positive in a left-hand bend; 0 beyond the ends."""
    s = np.asarray(s_m, dtype=np.float64)
    return np.asarray(np.interp(s, line.s_m, line.curvature_pm, left=0.0, right=0.0))


def _on_line(line: DenseLine, s_m: Floats) -> Floats:
    """(..., 2) points of the line itself: cubic in each step, straight beyond the ends."""
    i = np.clip(np.searchsorted(line.s_m, s_m, side="right") - 1, 0, len(line.s_m) - 2)
    step = (line.s_m[i + 1] - line.s_m[i])[..., None]
    q = (s_m - line.s_m[i])[..., None] / step
    u = np.clip(q, 0.0, 1.0)
    tangents = _tangents(line.heading_rad)
    from_tangent, to_tangent = tangents[i], tangents[i + 1]
    cubic = (
        (1 + 2 * u) * (1 - u) ** 2 * line.xy_m[i]
        + u**2 * (3 - 2 * u) * line.xy_m[i + 1]
        + u * (1 - u) ** 2 * step * from_tangent
        + u**2 * (u - 1) * step * to_tangent
    )
    beyond = (q - u) * step
    points: Floats = cubic + beyond * np.where(beyond < 0, from_tangent, to_tangent)
    return points


def at(line: DenseLine, s_m: ArrayLike, offset_m: ArrayLike = 0.0) -> Floats:
    """(..., 2) east-north metres of the place `offset_m` to the right of the line at `s_m`."""
    s, offset = np.broadcast_arrays(
        np.asarray(s_m, dtype=np.float64), np.asarray(offset_m, dtype=np.float64)
    )
    xy: Floats = _on_line(line, s) + offset[..., None] * _normals(heading_at(line, s))
    return xy


def project(
    line: DenseLine, xy_m: ArrayLike, *, within_m: float = np.inf, to_m: float = 1e-9
) -> tuple[Floats, Floats]:
    """(s_m, offset_m) of points (..., 2): the inverse of `at`.

    It holds for points nearer to the line than to the bend's centre, to within `to_m`. Beyond
    its ends the line goes on straight. A point farther than `within_m` from the line gets the
    nearest of the line's own points. NaN stays NaN.
    """
    xy = np.asarray(xy_m, dtype=np.float64)
    flat = xy.reshape(-1, 2)
    s, offset = np.full(len(flat), np.nan), np.full(len(flat), np.nan)
    known = np.flatnonzero(np.isfinite(flat).all(axis=1))
    points = flat[known]
    apart, nearest = cKDTree(line.xy_m).query(points)
    foot: Floats = np.asarray(line.s_m[nearest])
    # the foot of the perpendicular lies in a cell beside the nearest point, or past an end
    low = np.where(nearest == 0, -np.inf, foot - 2 * LINE_STEP_M)
    high = np.where(nearest == len(line.s_m) - 1, np.inf, foot + 2 * LINE_STEP_M)
    aside = np.empty(len(points))
    far = apart > within_m
    aside[far] = _beside(line, foot[far], points[far])[1]
    left = np.flatnonzero(~far)  # what Newton on (p - c(s)) . t(s) = 0 still moves
    for _ in range(8):
        if not len(left):
            break
        along, across = _beside(line, foot[left], points[left])
        bent = np.maximum(1 + curvature_at(line, foot[left]) * across, 0.1)
        now = np.clip(foot[left] + along / bent, low[left], high[left])
        moved = np.abs(now - foot[left]) >= to_m
        foot[left], aside[left] = now, across
        left = left[moved]
    s[known], offset[known] = foot, aside
    return s.reshape(xy.shape[:-1]), offset.reshape(xy.shape[:-1])


def _beside(line: DenseLine, s_m: Floats, xy_m: Floats) -> tuple[Floats, Floats]:
    """How far points (n, 2) lie from the line at `s_m` (n,): along it, and to its right."""
    heading = heading_at(line, s_m)
    away = xy_m - _on_line(line, s_m)
    cos, sin = np.cos(heading), np.sin(heading)
    x, y = away[:, 0], away[:, 1]
    return x * cos + y * sin, x * sin - y * cos


# --- a smooth line through vertices ----------------------------------------------------


def densify_straights(xy_m: Floats) -> Floats:
    """The vertices (n, 2) [m] without doubles, and with points put in along the straights.

    Between two vertices of a LineString the line is straight (RFC 7946, section 3.1.4), and a
    spline left alone over 84 m of it would bulge by metres.
    """
    apart = np.hypot(*np.diff(xy_m, axis=0).T)
    xy = xy_m[np.concatenate([[True], apart > 1e-6])]
    chords = np.hypot(*np.diff(xy, axis=0).T)
    longest = min(LONGEST_CHORD_M, float(chords.sum()) / 8) if len(xy) < 8 else LONGEST_CHORD_M
    parts = [
        np.linspace(a, b, int(np.ceil(3 * d / longest)), endpoint=False) if d > longest else a[None]
        for a, b, d in zip(xy[:-1], xy[1:], chords, strict=True)
    ]
    return np.concatenate([*parts, xy[-1:]])


def polygon_length(xy_m: Floats) -> Floats:
    """(n,) metres along the polygon to each of its points."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy_m, axis=0).T))])


def smooth_line(xy_m: Floats) -> SmoothLine:
    """The smooth line through the vertices (n, 2) of an open survey, in their order.

    s = 0 lies at the line's start. From vertices 1 to 10 m apart with centimetres of noise the
    line comes out within centimetres. How much is smoothed follows from their own spread.
    """
    xy = densify_straights(xy_m)
    line = _by_length(_spline(polygon_length(xy), xy, ROUGH_SMOOTHING_M))
    # noise makes the polygon longer than the line: take the vertices' places from the
    # line itself, so that only what lies across it is left to smooth
    for reach in (ROUGH_SMOOTHING_M, None):
        line = _by_length(_spline(project(line, xy)[0], xy, reach))
    rms = float(np.sqrt(np.mean(project(line, xy)[1] ** 2)))
    return SmoothLine(line.s_m, line.xy_m, line.heading_rad, line.curvature_pm, rms)


def _spline(u: Floats, xy_m: Floats, reach_m: float | None) -> BSpline:
    """A penalised cubic spline [1] through vertices (n, 2) at `u` (n,) metres along the line.

    It makes least the squared residuals plus lam times the integral of the squared third
    derivative, so that straights and arcs both pass nearly unbent. lam = density * L^6 smooths
    over about L = `reach_m` metres. Where that is None, generalised cross-validation [2] chooses
    it between the limits of SMOOTHING_M.

    [1] P. H. C. Eilers, B. D. Marx, Statistical Science 11 (1996).
    [2] P. Craven, G. Wahba, Numerische Mathematik 31 (1979).
    """
    u_from, u_to = float(u.min()), float(u.max())
    cells = max(int(np.ceil((u_to - u_from) / KNOT_M)), 3)
    h = (u_to - u_from) / cells
    knots = u_from + h * np.arange(-3, cells + 4)
    knots[-4] = u_to
    basis = BSpline.design_matrix(u, knots, 3)
    # the squares of the coefficients' third differences are the integral
    third = csr_array(np.diff(np.eye(cells + 3), n=3, axis=0) / h**2.5)
    centre = xy_m.mean(axis=0)
    gram, sums = (basis.T @ basis).toarray(), basis.T @ (xy_m - centre)
    gram_bands, penalty_bands = _bands(gram), _bands((third.T @ third).toarray())
    density = len(u) / (u_to - u_from)

    def solved(reach: float, right: Floats) -> Floats:
        # banded all the way: a small dense decomposition spends its time on waking threads
        bands = gram_bands + density * reach**6 * penalty_bands
        return np.asarray(solveh_banded(bands, right, lower=True))

    def score(log_reach: float) -> float:
        both = solved(float(np.exp(log_reach)), np.hstack([sums, gram]))
        residual = np.sum((xy_m - centre - basis @ both[:, :2]) ** 2)
        left = len(u) - GCV_WEIGHT * np.trace(both[:, 2:])
        return float(np.log(residual + 2 * len(u) * FLOOR_M**2) - 2 * np.log(max(left, 1e-3)))

    if reach_m is None:
        best = minimize_scalar(score, bounds=tuple(np.log(SMOOTHING_M)), method="bounded").x
        reach_m = float(np.exp(best))
    return BSpline(knots, solved(reach_m, sums) + centre, 3)


def _bands(matrix: Floats) -> Floats:
    """The lower four diagonals as rows, as scipy's banded solvers take them."""
    return np.array([np.append(np.diag(matrix, -k), np.zeros(k)) for k in range(4)])


def _by_length(spline: BSpline) -> SmoothLine:
    """The spline's points 0.5 m apart by length, with heading and curvature."""
    u_from, u_to = spline.t[3], spline.t[-4]
    fine = np.linspace(u_from, u_to, max(int((u_to - u_from) / 0.1), 50) | 1)
    speed = np.hypot(*spline(fine, 1).T)
    length = cumulative_simpson(speed, x=fine, initial=0.0)
    s = _even_places(length[-1])
    u = np.clip(CubicHermiteSpline(length, fine, 1 / speed)(s), u_from, u_to)
    d1, d2 = spline(u, 1), spline(u, 2)
    heading = np.unwrap(np.arctan2(d1[:, 1], d1[:, 0]))
    curvature = (d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]) / np.hypot(*d1.T) ** 3
    return SmoothLine(s, spline(u), heading, curvature)


def _even_places(length_m: float) -> NDArray[np.float64]:
    return np.linspace(0.0, length_m, max(int(np.ceil(length_m / LINE_STEP_M)), 2) + 1)
