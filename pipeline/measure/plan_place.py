"""Where the plan of a venue lies that was not surveyed well: what a session finds out about it.

All lines of such a venue move together, by metres east and north and a turn about the plan's
centre. docs/methods.md, "A venue without a survey".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.base.geodesy import Origin, from_enu, move_rows, to_enu
from pipeline.base.values import Floats, Frozen, LaneLine, Rep, Spot, Venue, ZoneAxis
from pipeline.measure.finding import launches
from pipeline.measure.model import PlanInRep
from pipeline.measure.noise import LEVEL_SHARED, SlowError
from pipeline.measure.traces import OnAxis, Trace
from pipeline.measure.zones import heading_at

SLOW_FROM_S = 200.0  # parts of the slow error that hardly change within a rep
SURE_SD_M = 0.3  # of a plan that need not be moved before takeovers are sought
LEVER_M = 100.0  # from the plan's centre to its farthest lines
RUN_MPS = 5.0
RUN_SD_M, RUN_WORTH_S = 1.3, 6.0  # of a runner beside his lane; one place counts for so long
STAND_SD_M = 1.5
FAR_ASIDE_M, FAR_ALONG_M = 25.0, 18.0
STUDENT_NU = 3.0
TRIED_M = (-9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0)  # along each zone, to begin the search from
ROUNDS = 12
SESSION_SD_M = 0.15  # what all reps share besides: a squad's side of the lane, a delay of places
LEAST_INFO = 1e-3  # of the prior's: a message says at least so much, to stay regular
LEAST_NOISE_M2 = 0.01


@dataclass(frozen=True, eq=False)
class PlanDoubt(Frozen):
    """What is not known of the plan's place, in the axes' east-north metres: the centre (2,) it
    turns about, mean (3,) and covariance (3, 3) of the move in m, m and rad."""

    centre_m: Floats
    mean: Floats
    cov: Floats


@dataclass(frozen=True, eq=False)
class PlanInSession(Frozen):
    """The doubt a session begins with, and the receivers' slow error, of which `common` is the part
    that all units share and that hardly changes within a rep, `quick` the rest."""

    doubt: PlanDoubt
    quick: SlowError
    common: SlowError


@dataclass(frozen=True, eq=False)
class PlanFound(Frozen):
    """What a session found out about the plan: its move from where the venue's file has it, mean
    (3,) and covariance (3, 3) in m, m and rad, without the receivers' common error; the
    covariance it began with; how many takeovers tell of it."""

    mean: Floats
    cov: Floats
    prior_cov: Floats
    takeovers: int


def doubt_of_venue(venue: Venue, axes: Sequence[ZoneAxis]) -> PlanDoubt | None:
    """The doubt that the venue's file states; None where each line was surveyed for itself."""
    if venue.place is None:
        return None
    first = axes[0]
    origin = first.origin_lat_deg, first.origin_lon_deg, first.origin_alt_m
    centre = to_enu(venue.place.latitude_deg, venue.place.longitude_deg, None, origin)
    return PlanDoubt(centre, np.zeros(3), np.array(venue.place.cov))


def move_venue(venue: Venue, move: Floats) -> Venue:
    """The venue with its plan moved by metres east and north and turned about its centre [rad]."""
    place = venue.place
    if place is None or not np.any(move):
        return venue
    origin: Origin = (place.latitude_deg, place.longitude_deg, 0.0)

    def lat_lon(lat: Floats | float, lon: Floats | float) -> tuple[Floats, Floats]:
        return moved_lat_lon(lat, lon, move, origin)

    def moved_line(line: LaneLine) -> LaneLine:
        lat, lon = lat_lon(line.latitude_deg, line.longitude_deg)
        return replace(line, latitude_deg=lat, longitude_deg=lon)

    def moved_spot(spot: Spot) -> Spot:
        lat, lon = lat_lon(spot.latitude_deg, spot.longitude_deg)
        return replace(spot, latitude_deg=float(lat), longitude_deg=float(lon))

    lat, lon = lat_lon(place.latitude_deg, place.longitude_deg)
    return replace(
        venue,
        lanes=tuple(moved_line(one) for one in venue.lanes),
        zone_lines=tuple(moved_spot(one) for one in venue.zone_lines),
        gates=tuple(moved_spot(one) for one in venue.gates),
        race_lines=tuple(moved_spot(one) for one in venue.race_lines),
        place=replace(place, latitude_deg=float(lat), longitude_deg=float(lon)),
    )


def settle_venue(venue: Venue, found: PlanFound) -> Venue:
    """The venue with its plan where a session found it, and with what is left of the doubt in the
    standard errors of its race lines, for those that look at each line alone."""
    moved = move_venue(venue, found.mean)
    place = moved.place
    if place is None:
        return venue
    centre: Origin = (place.latitude_deg, place.longitude_deg, 0.0)

    def settled_spot(spot: Spot) -> Spot:
        away = to_enu(spot.latitude_deg, spot.longitude_deg, None, centre)
        rows = move_rows(np.zeros(2), away)
        return replace(spot, sd_m=float(np.sqrt(np.trace(rows @ found.cov @ rows.T) / 2)))

    return replace(
        moved,
        race_lines=tuple(settled_spot(one) for one in moved.race_lines),
        place=replace(place, cov=found.cov),
    )


def moved_lat_lon(
    lat_deg: ArrayLike, lon_deg: ArrayLike, move: Floats, centre: Origin
) -> tuple[Floats, Floats]:
    """Latitudes and longitudes once the plan is moved by (3,) metres east and north and turned by
    rad about its centre."""
    cos, sin = np.cos(move[2]), np.sin(move[2])
    turned = np.array([[cos, sin], [-sin, cos]])
    xy = to_enu(lat_deg, lon_deg, None, centre) @ turned + move[:2]
    return from_enu(xy, centre)[:2]


def sd_along_m(doubt_cov: Floats, centre_m: Floats, axis: ZoneAxis, s_m: float) -> float:
    """Standard error [m] along the lane, at `s_m`, from a plan's covariance (3, 3)."""
    heading = float(heading_at(axis, s_m))
    xy = np.array([np.interp(s_m, axis.s_m, axis.xy_m[:, k]) for k in (0, 1)])
    row = np.array([np.cos(heading), np.sin(heading)]) @ move_rows(centre_m, xy)
    return float(np.sqrt(max(float(row @ doubt_cov @ row), 0.0)))


# --- roughly, before takeovers are sought ------------------------------------------------


def rough_move(
    doubt: PlanDoubt,
    traces: Mapping[str, Trace],
    places: Mapping[int, Mapping[str, OnAxis]],
    axes: Sequence[ZoneAxis],
    sheet: Sequence[Rep],
    session_lane: int | None,
) -> Floats:
    """About how far the plan lies from where the venue has it, (3,) as in `PlanDoubt`.

    Runners mostly run in the lanes that sheet and session name, and start from the sheet's tapes.
    Student's t for both, the venue's own standard errors as prior; several beginnings, since a
    start may belong to more than one tape.
    """
    if np.sqrt(np.diag(doubt.cov) @ [1.0, 1.0, LEVER_M**2]) < SURE_SD_M:
        return np.zeros(3)
    named = {rep.lane or session_lane for rep in sheet} or {session_lane}
    lanes = {axis.lane for axis in axes} & named or {axis.lane for axis in axes}
    used = [i for i in places if axes[i].lane in lanes]
    rows, off = _beside_lanes(doubt, traces, places, axes, used)
    stands = list(_starts_by_tapes(doubt, traces, places, axes, used, sheet))
    if not len(off) and not stands:
        return np.zeros(3)
    prior = np.linalg.inv(doubt.cov)
    best, least = np.zeros(3), np.inf
    for begin in _beginnings(axes, used):
        move = begin
        for _ in range(ROUNDS):
            info, vector, worth = prior.copy(), np.zeros(3), float(move @ prior @ move)
            for own, seen, scale, share in (
                (rows, off, RUN_SD_M, 1 / RUN_WORTH_S),
                (*_nearest_tapes(stands, move), STAND_SD_M, 1.0),
            ):
                if not len(seen):
                    continue
                z2 = ((seen - own @ move) / scale) ** 2
                weight = share / scale**2 * (STUDENT_NU + 1) / (STUDENT_NU + z2)
                info += (own * weight[:, None]).T @ own
                vector += own.T @ (weight * seen)
                worth += share * (STUDENT_NU + 1) * float(np.log1p(z2 / STUDENT_NU).sum())
            move = np.linalg.solve(info, vector)
        if worth < least - 1e-9:
            best, least = move, worth
    return best


def _beginnings(axes: Sequence[ZoneAxis], used: Sequence[int]) -> Iterator[Floats]:
    yield np.zeros(3)
    headings = [round(float(heading_at(axes[i], 0.0)), 1) for i in used]
    for heading in dict.fromkeys(headings):
        for by in TRIED_M:
            if by:
                yield np.array([by * np.cos(heading), by * np.sin(heading), 0.0])


def _beside_lanes(
    doubt: PlanDoubt,
    traces: Mapping[str, Trace],
    places: Mapping[int, Mapping[str, OnAxis]],
    axes: Sequence[ZoneAxis],
    used: Sequence[int],
) -> tuple[Floats, Floats]:
    """Rows (n, 3) and offsets (n,) [m] to the right of the nearest named lane, one a second of
    running."""
    rows, off = [np.empty((0, 3))], [np.empty(0)]
    for name, trace in traces.items():
        fast = np.flatnonzero((trace.pace_mps > RUN_MPS) & (trace.pace_mps < 13.0))
        _, first = np.unique(np.floor(trace.t_s[fast]), return_index=True)
        fast = fast[first]
        if not len(fast) or not used:
            continue
        beside = np.array([places[i][name].offset_m[fast] for i in used])
        along = np.array([places[i][name].s_m[fast] for i in used])
        for k, i in enumerate(used):
            outside = (along[k] < axes[i].s_m[0]) | (along[k] > axes[i].s_m[-1])
            beside[k, outside] = np.nan
        far = np.where(np.isfinite(beside), np.abs(beside), np.inf)
        which = far.argmin(axis=0)
        each = np.arange(len(fast))
        near = far[which, each] < FAR_ASIDE_M
        for k, i in enumerate(used):
            own = each[near & (which == k)]
            xy = places[i][name].xy_m[fast[own]]
            heading = heading_at(axes[i], along[k, own])
            right = np.stack([np.sin(heading), -np.cos(heading)], axis=-1)
            found = np.einsum("nk,nkj->nj", right, move_rows(doubt.centre_m, xy))
            good = np.isfinite(found).all(axis=1)
            rows.append(found[good])
            off.append(beside[k, own][good])
    return np.concatenate(rows), np.concatenate(off)


def _starts_by_tapes(
    doubt: PlanDoubt,
    traces: Mapping[str, Trace],
    places: Mapping[int, Mapping[str, OnAxis]],
    axes: Sequence[ZoneAxis],
    used: Sequence[int],
    sheet: Sequence[Rep],
) -> Iterator[tuple[Floats, Floats]]:
    """Of each start near tapes that may be its own: the row (3,), and by how much (k,) [m] it was
    seen past each of them."""
    for i in used:
        axis = axes[i]
        for name, trace in traces.items():
            tapes = {
                axis.back_m + tape
                for rep in sheet
                if rep.zone in (None, axis.zone)
                for who, tape in (
                    (rep.outgoing, rep.outgoing_start_m),
                    (rep.incoming, None if rep.incoming_start_m is None else -rep.incoming_start_m),
                )
                if who == name and tape is not None
            }
            if not tapes:
                continue
            for launch in launches(trace, places[i][name]):
                past = launch.s_m - np.array(sorted(tapes))
                past = past[np.abs(past) < FAR_ALONG_M]
                if len(past) and abs(launch.offset_m) < FAR_ASIDE_M:
                    s = launch.s_m
                    heading = float(heading_at(axis, s))
                    xy = np.array([np.interp(s, axis.s_m, axis.xy_m[:, k]) for k in (0, 1)])
                    forward = np.array([np.cos(heading), np.sin(heading)])
                    yield forward @ move_rows(doubt.centre_m, xy), past


def _nearest_tapes(stands: Sequence[tuple[Floats, Floats]], move: Floats) -> tuple[Floats, Floats]:
    """Rows (n, 3) and places past the tape (n,) that is nearest once the plan is so moved."""
    if not stands:
        return np.empty((0, 3)), np.empty(0)
    rows = np.array([row for row, _ in stands])
    past = [own[np.argmin(np.abs(own - row @ move))] for row, own in stands]
    return rows, np.array(past)


# --- finely, with the fits ----------------------------------------------------------------


def plan_in_session(doubt: PlanDoubt, slow: SlowError) -> PlanInSession:
    """The doubt with the receivers' slow error cut in two."""
    lasting = slow.times_s >= SLOW_FROM_S
    return PlanInSession(
        doubt,
        replace(slow, shared_var=np.where(lasting, 0.0, slow.shared_var)),
        SlowError(slow.times_s[lasting], slow.shared_var[lasting], slow.own_var[lasting]),
    )


def plan_in_rep(plan: PlanInSession, xy_m: Floats) -> PlanInRep:
    """What a rep that knows nothing of the others has to find out; `xy_m` (2, k, 2) are about the
    runners' places by role at the knots of the slow error."""
    common = float(plan.common.shared_var.sum())
    cov = plan.doubt.cov + np.diag([common, common, 0.0])
    rows = move_rows(plan.doubt.centre_m, xy_m)  # role, knot, axis, 3
    return PlanInRep(rows.swapaxes(1, 2), plan.doubt.mean, cov)


def pool_plan(
    plan: PlanInSession,
    posteriors: Sequence[tuple[Floats, Floats]],
    priors: Sequence[PlanInRep],
    moments_s: Sequence[float],
    pairs: Sequence[tuple[str, str]],
) -> tuple[list[tuple[Floats, Floats]], PlanFound]:
    """By rep what all the others say of its plan, mean (3,) and covariance (3, 3); and what all of
    them say of the plan itself. Arguments by rep; `moments_s` UTC, `pairs` of runners."""
    n = len(posteriors)
    doubt = plan.doubt
    seen, noise = np.zeros((n, 3)), np.zeros((n, 3, 3))
    own_var = float(plan.common.own_var.sum())
    ground = np.diag([1.0, 1.0, 0.0])
    for r, ((mean, cov), prior) in enumerate(zip(posteriors, priors, strict=True)):
        before = np.linalg.inv(prior.cov)
        after = np.linalg.inv(cov)
        info = _at_least(after - before, LEAST_INFO * np.linalg.inv(doubt.cov))
        vector = after @ mean - before @ prior.mean
        noise[r] = np.linalg.inv(info)
        seen[r] = noise[r] @ vector
        noise[r] = _at_least(
            noise[r] - own_var / 2 * ground,
            LEAST_NOISE_M2 * np.diag([1.0, 1.0, 1 / LEVER_M**2]),
        )
    times = np.asarray(moments_s, dtype=np.float64)
    common = np.kron(plan.common.shared(times, times), ground)
    shares = np.array([[len(set(a) & set(b)) / 4 for b in pairs] for a in pairs])
    moved = np.kron(np.ones((n, n)), doubt.cov)
    known = moved + common
    whole = known + np.kron(own_var * shares + SESSION_SD_M**2, ground)
    for r in range(n):
        whole[3 * r : 3 * r + 3, 3 * r : 3 * r + 3] += noise[r]
    off = (seen - doubt.mean).ravel()
    hears = []
    for r in range(n):
        own = slice(3 * r, 3 * r + 3)
        others = np.r_[0 : 3 * r, 3 * r + 3 : 3 * n]
        cross = known[own][:, others]
        gain = np.linalg.solve(whole[np.ix_(others, others)], cross.T).T
        cov = known[own, own] - gain @ cross.T
        hears.append((doubt.mean + gain @ off[others], (cov + cov.T) / 2))
    cross = np.tile(doubt.cov, (1, n))
    gain = np.linalg.solve(whole, cross.T).T
    cov = doubt.cov - gain @ cross.T
    found = PlanFound(doubt.mean + gain @ off, (cov + cov.T) / 2, np.array(doubt.cov), n)
    return hears, found


def plan_moved_m(before: PlanFound | None, now: PlanFound | None) -> float:
    """How far the plan's farthest lines moved [m] between two estimates of its place."""
    if before is None or now is None:
        return np.inf if now is not None else 0.0
    off = np.abs(now.mean - before.mean)
    return float(max(off[0], off[1], LEVER_M * off[2]))


def _at_least(matrix: Floats, least: Any) -> Floats:
    """The symmetric matrix with what lies below `least` (positive definite) raised to it."""
    root = np.linalg.cholesky(least)
    inner = np.linalg.solve(root, np.linalg.solve(root, matrix).T)
    values, vectors = np.linalg.eigh((inner + inner.T) / 2)
    raised = root @ vectors
    return np.asarray((raised * np.maximum(values, 1.0)) @ raised.T)


# --- from session to session ----------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class EveningOfPlan(Frozen):
    """What one session found out about the plan: its day, and the move from where the venue's file
    has it, mean (3,) and covariance (3, 3) in m, m and rad, what the file states included."""

    day: str
    mean: Floats
    cov: Floats


def join_evenings(prior_cov: Floats, evenings: Sequence[EveningOfPlan]) -> tuple[Floats, Floats]:
    """The move of the plan (3,) and its covariance (3, 3) from all sessions measured on one file
    that states `prior_cov`.

    What the file states counts once. Sessions of one day share the receivers' error that lasts for
    hours (LEVEL_SHARED); those of different days share none.
    """
    n = len(evenings)
    before = np.linalg.inv(prior_cov)
    ground = np.diag([1.0, 1.0, 0.0])
    seen, whole = np.zeros((n, 3)), np.kron(np.ones((n, n)), prior_cov)
    for k, one in enumerate(evenings):
        after = np.linalg.inv(one.cov)
        noise = np.linalg.inv(_at_least(after - before, LEAST_INFO * before))
        seen[k] = noise @ after @ one.mean
        least = LEAST_NOISE_M2 * np.diag([1.0, 1.0, 1 / LEVER_M**2])
        part = slice(3 * k, 3 * k + 3)
        whole[part, part] += _at_least(noise - LEVEL_SHARED * ground, least)
    days = np.array([one.day for one in evenings])
    whole += np.kron(LEVEL_SHARED * (days[:, None] == days[None, :]), ground)
    cross = np.tile(prior_cov, (1, n))
    gain = np.linalg.solve(whole, cross.T).T
    cov = prior_cov - gain @ cross.T
    return gain @ seen.ravel(), (cov + cov.T) / 2
