"""What each takeover in the lake says of its two runners, as arrays: one element a takeover.

Only tables are read. A figure that a takeover does not give has no information (a matrix of
zeros); it is never guessed. Neighbouring points of a curve share their error, since the curves are
smoothed over a quarter to half a second: points 0.25 s apart are taken as independent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.advise import laws
from pipeline.base import relays
from pipeline.base.relays import is_blind
from pipeline.base.units import DAY_S
from pipeline.base.values import Floats, Frozen, Ints
from pipeline.tables.courses import runner_courses

CURVE_STEP_S = 0.25  # between points of a curve that are taken as independent
LEAST_POINTS = 10  # of a course from which anything is learnt
MISFIT_MPS = 0.10  # a runner's own wander about an exponential
EASED = 0.03  # share of the speed lost before the pass that counts as easing
EASED_RUN_M = 2.5  # after so many metres an easing shows how deep it goes

# Weak beliefs that keep a fit to few points finite; they are taken out again afterwards.
START_PRIOR = np.array([9.5, 1.25, 0.05, 9.0])  # V, tau, launch, speed pushed to after a pass
START_PRIOR_SD = np.array([2.5, 0.4, 0.15, 2.5])
AFTER_PASS_SD_MPS = 0.5  # by which the speeds tended to before and after a blind pass may differ

# What a sprinter's figures can be; a course that gives others says nothing of the runner.
START_LOW, START_HIGH = np.array([3.0, 0.4, -0.6, 3.0]), np.array([14.0, 3.0, 0.6, 14.0])
ENTRY_LOW, ENTRY_HIGH = np.array([3.0, -5.0, -5.0]), np.array([14.0, 5.0, 5.0])
COST_LIMIT_S = 2.0
LEAST_INSIDE_S = 0.3  # past the entry line, so that its speed is not extrapolated
NEAR_M = 4.0  # trunks so near, the incoming runner may slow for the other
STANDS_MPS = 1.0  # a course that begins slower begins where the runner stood


@dataclass(frozen=True, eq=False)
class Evidence(Frozen):
    """Measurements y of p figures in information form: `information` (n, p, p) A, the inverse of
    their covariance, and `weighted` (n, p) A y."""

    information: Floats
    weighted: Floats


@dataclass(frozen=True, eq=False)
class Reps(Frozen):
    """(n,) each, NaN where not known. `runners` are all ids; `incoming`, `outgoing` index them.

    `start`: V, tau, launch of the receiver's start, and how much faster than V the speed is that he
    tends to after a blind pass; `push`: the speed tended to after a visual change; `lag`;
    `cost`: seconds to the exit line beyond
    what the start's law says; `entry`: speed at the entry line, gain before it, fade after it
    (m/s²); `reach`: distance of the trunks at the pass; `look`: distance of the trunks when
    the receiver first moves.
    """

    event: str
    runners: tuple[str, ...]
    sessions: tuple[str, ...]
    session: Ints
    incoming: Ints
    outgoing: Ints
    age_days: Floats  # before the newest takeover in the lake
    utc_s: Floats
    start: Evidence
    push: Evidence
    lag: Evidence
    cost: Evidence
    entry: Evidence
    reach: Evidence
    look: Evidence
    mark_m: Floats
    stand_m: Floats  # past the back line
    zone_m: Floats
    back_m: Floats
    zone_time_s: Floats
    zone_time_sd_s: Floats
    p_in_zone: Floats  # 0 where the baton was not passed
    ran_into: Floats  # 1 or 0
    eased_from: Floats  # share of the zone where a receiver who eased did so
    eased_by: Floats  # share of the speed
    waited_to: Floats  # share of the zone where the receiver was when the baton came, or never did
    race: Floats  # 1 where run in a race, else 0
    run_in_m: Floats  # from where the incoming runner stood to the entry line; NaN: long, not known
    feet_m: Floats  # (runners,) foot-lengths, NaN where not known

    @property
    def blind(self) -> bool:
        return is_blind(self.event)


def rank_events(exchanges: pa.Table) -> list[str]:
    """The events of the table `exchanges`, the most practised first."""
    counts = pc.value_counts(exchanges.column("event")).to_pylist()
    return [row["values"] for row in sorted(counts, key=lambda c: (-c["counts"], c["values"]))]


def rows_in_time(exchanges: pa.Table, event: str) -> tuple[pa.Table, Floats]:
    """The rows of one event in time order, which is that of `Reps`, and their times [s], (n,)."""
    rows = exchanges.filter(pc.equal(exchanges.column("event"), event))
    utc = _utc_s(rows)
    order = np.lexsort((_float_column(rows, "exchange"), utc))
    return rows.take(pa.array(order)), utc[order]


def gather_reps(exchanges: pa.Table, curves: pa.Table, event: str) -> Reps:
    """All takeovers of one event, from the tables `exchanges` and `speed_curves`."""
    newest = float(_utc_s(exchanges).max(initial=0.0))
    rows, utc = rows_in_time(exchanges, event)
    names = tuple(
        sorted({*rows.column("incoming").to_pylist(), *rows.column("outgoing").to_pylist()})
    )
    sessions = tuple(sorted(set(rows.column("session").to_pylist())))
    courses = _curves_by_role(rows, curves)
    column = {
        field.name: _float_column(rows, field.name)
        for field in rows.schema
        if field.type == pa.float64()
    }
    outgoing = _name_index(rows, "outgoing", names)
    outcomes, faults, zones = (
        rows.column(name).to_pylist() for name in ("outcome", "faults", "zone")
    )
    facts = [
        _takeover_facts(
            {name: float(v[i]) for name, v in column.items()},
            pair,
            outcomes[i],
            faults[i],
            event,
            zones[i],
        )
        for i, pair in enumerate(courses)
    ]

    def joined(name: str, p: int) -> Evidence:
        a = np.array([f.matter[name][0] for f in facts]).reshape(-1, p, p)
        return Evidence(a, np.array([f.matter[name][1] for f in facts]).reshape(-1, p))

    def numbers(name: str) -> Floats:
        return np.array([f.numbers.get(name, np.nan) for f in facts], dtype=np.float64)

    passed = np.array([_was_passed(*one) for one in zip(outcomes, column["pass_t_s"], strict=True)])
    return Reps(
        event=event,
        runners=names,
        sessions=sessions,
        session=_name_index(rows, "session", sessions),
        incoming=_name_index(rows, "incoming", names),
        outgoing=outgoing,
        age_days=(newest - utc) / DAY_S,
        utc_s=utc,
        start=joined("start", 4),
        push=joined("push", 1),
        lag=joined("lag", 1),
        cost=joined("cost", 1),
        entry=joined("entry", 3),
        reach=joined("reach", 1),
        look=joined("look", 1),
        mark_m=column["mark_m"],
        stand_m=numbers("stand_m"),
        zone_m=numbers("zone_m"),
        back_m=numbers("back_m"),
        zone_time_s=column["zone_time_s"],
        zone_time_sd_s=column["zone_time_sd_s"],
        p_in_zone=np.where(passed, column["p_in_zone"], 0.0),
        ran_into=numbers("ran_into"),
        eased_from=numbers("eased_from"),
        eased_by=numbers("eased_by"),
        waited_to=numbers("waited_to"),
        race=np.array(
            [name is not None for name in rows.column("race").to_pylist()], dtype=np.float64
        ),
        run_in_m=numbers("run_in_m"),
        feet_m=_newest_feet_m(exchanges, names),
    )


def _newest_feet_m(exchanges: pa.Table, names: tuple[str, ...]) -> Floats:
    """(runners,) foot-lengths, from every event; where sessions differ the newest counts."""
    said: list[tuple[float, str, float]] = []
    when = _utc_s(exchanges).tolist()
    for who, foot in (("incoming", "incoming_foot_m"), ("outgoing", "foot_m")):
        if foot in exchanges.column_names:
            both = (exchanges.column(name).to_pylist() for name in (who, foot))
            said += [x for x in zip(when, *both, strict=True) if x[2] is not None]
    known = {name: foot for _, name, foot in sorted(said)}
    return np.array([known.get(name, np.nan) for name in names], dtype=np.float64)


# --- tables as arrays -------------------------------------------------------------------


def _float_column(table: pa.Table, name: str) -> Floats:
    values = table.column(name).cast(pa.float64()).to_numpy(zero_copy_only=False)
    return np.asarray(values, dtype=np.float64)


def _utc_s(table: pa.Table) -> Floats:
    stamps = table.column("zero_utc").cast(pa.int64()).to_numpy(zero_copy_only=False)
    return np.asarray(stamps, dtype=np.float64) / 1e6


def _name_index(table: pa.Table, name: str, names: tuple[str, ...]) -> Ints:
    found = pc.index_in(table.column(name), value_set=pa.array(names, pa.string()))
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=np.intp)


def utc_datetime(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


RunnerCurve = tuple[Floats, Floats, Floats, Floats, Floats]  # t, s, v, sd of s, sd of v


def _curves_by_role(rows: pa.Table, curves: pa.Table) -> list[dict[str, RunnerCurve]]:
    """Each takeover's two courses; a role with too few points is left out."""
    keys = list(
        zip(*(rows.column(name).to_pylist() for name in ("session", "exchange")), strict=True)
    )
    courses = runner_courses(curves, set(keys))
    found = []
    for session, exchange in keys:
        pair: dict[str, RunnerCurve] = {}
        for role in ("incoming", "outgoing"):
            one = courses.get((session, exchange, role))
            if one is not None and len(one.t_s) >= LEAST_POINTS:
                pair[role] = (one.t_s, one.s_m, one.v_mps, one.s_sd_m, one.v_sd_mps)
        found.append(pair)
    return found


# --- one takeover -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _TakeoverFacts:
    matter: Mapping[str, tuple[Floats, Floats]]
    numbers: Mapping[str, float]


def _no_information(p: int) -> tuple[Floats, Floats]:
    return np.zeros((p, p)), np.zeros(p)


def _scalar_information(value: float, sd: float) -> tuple[Floats, Floats]:
    if not (np.isfinite(value) and np.isfinite(sd)):
        return _no_information(1)
    a = 1.0 / max(sd, 1e-3) ** 2
    return np.array([[a]]), np.array([a * value])


def _was_passed(outcome: str, pass_t_s: float) -> bool:
    """Whether the baton changed hands; an unclear outcome with a pass leaves open only where."""
    return outcome == "passed" or (outcome == "unclear" and bool(np.isfinite(pass_t_s)))


def _takeover_facts(
    row: Mapping[str, float],
    pair: Mapping[str, RunnerCurve],
    outcome: str,
    faults: Sequence[str],
    event: str,
    zone: int,
) -> _TakeoverFacts:
    passed = _was_passed(outcome, row["pass_t_s"])
    go, go_sd, end = row["go_t_s"], row["go_t_sd_s"], row["pass_t_s"]
    blind = is_blind(event, zone)
    zone_m = relays.zone_length_m(event, zone, row["zone_time_s"], row["zone_speed_mps"])
    numbers: dict[str, float] = {"zone_m": zone_m, "ran_into": float("ran into" in faults)}
    matter = {
        "lag": _scalar_information(row["go_lag_s"], float(np.hypot(go_sd, row["mark_t_sd_s"]))),
        "reach": _reach_information(row) if passed else _no_information(1),
        "start": _no_information(4),
        "push": _no_information(1),
        "entry": _no_information(3),
        "cost": _no_information(1),
        "look": _no_information(1),
    }
    course_in, course_out = pair.get("incoming"), pair.get("outgoing")
    back = _find_back_m(row, course_in, event, zone, zone_m)
    numbers["back_m"] = back
    numbers["run_in_m"] = _find_run_in_m(row, course_in, back)
    clean = passed and "ran into" not in faults
    if course_in is not None:
        # near the other the incoming runner reaches out, or brakes: that is no fade of his
        until = _time_until_near(pair, go)
        if clean and np.isfinite(end):
            until = min(max(until, LEAST_INSIDE_S), end - 0.2)
        matter["entry"] = _fit_entry(course_in, row["v_in_entry_sd_mps"], until)
    if course_out is not None and np.isfinite(go):
        t, s = course_out[:2]
        stand = float(np.interp(go, t, s))
        numbers["stand_m"] = stand - back
        matter["look"] = _trunk_distance(pair, go, go_sd)
        eased = _find_easing(course_out, go, end, zone_m, passed)
        numbers.update(eased)
        fit = _fit_start(course_out, go, end, blind, zone_m, eased.get("eased_t", np.inf))
        if fit is not None:
            matter["start"], matter["push"] = fit.matter, fit.push
            if "eased_t" in eased:
                numbers["eased_by"] = _easing_depth(course_out, go, fit.x[:3], eased)
            if clean and "eased_from" not in eased:
                matter["cost"] = _arm_cost(course_out, fit, go, go_sd, end, stand, zone_m)
    return _TakeoverFacts(matter, numbers)


def _reach_information(row: Mapping[str, float]) -> tuple[Floats, Floats]:
    """The distance at which the hand could have been reached: where it came late, the incoming
    runner had come nearer meanwhile."""
    closing = np.nan_to_num(row["v_in_pass_mps"] - row["v_out_pass_mps"])
    nearer = closing * laws.late_hand_s(closing)
    return _scalar_information(row["free_distance_m"] + float(nearer), row["free_distance_sd_m"])


def _find_back_m(
    row: Mapping[str, float], course: RunnerCurve | None, event: str, zone: int, zone_m: float
) -> float:
    """Where the back line is: the mark is reckoned from it; else as the zone's length says."""
    at = None
    if course is not None and np.isfinite(row["mark_t_s"]) and np.isfinite(row["mark_m"]):
        at = float(np.interp(row["mark_t_s"], course[0], course[1])) + row["mark_m"]
    return relays.back_line_m(event, zone, zone_m, at)


def _find_run_in_m(row: Mapping[str, float], course: RunnerCurve | None, back_m: float) -> float:
    """From where the incoming runner stood to the entry line: as the sheet says, else where the
    course begins, if it begins at a stand."""
    if np.isfinite(row.get("incoming_start_m", np.nan)):
        return row["incoming_start_m"] - back_m
    if course is None or course[2][0] > STANDS_MPS:
        return np.nan
    return -float(course[1][0])


def _trunk_distance(
    pair: Mapping[str, RunnerCurve], t_s: float, t_sd_s: float
) -> tuple[Floats, Floats]:
    """Distance of the trunks at a moment, where both courses cover it."""
    if "incoming" not in pair or "outgoing" not in pair:
        return _no_information(1)
    places, sds = [], []
    for role in ("incoming", "outgoing"):
        t, s, v, s_sd, _ = pair[role]
        if not t[0] <= t_s <= t[-1]:
            return _no_information(1)
        places.append(float(np.interp(t_s, t, s)))
        sds += [float(np.interp(t_s, t, s_sd)), float(np.interp(t_s, t, v)) * t_sd_s]
    return _scalar_information(places[1] - places[0], float(np.linalg.norm(sds)))


def _time_until_near(pair: Mapping[str, RunnerCurve], go: float) -> float:
    """The moment from which the incoming runner has the other in the way."""
    if "outgoing" not in pair or not np.isfinite(go):
        return 0.0
    t, s = pair["incoming"][:2]
    ahead = np.interp(t, *pair["outgoing"][:2]) - s
    near = np.flatnonzero((ahead < NEAR_M) & (t > go))
    return float(t[near[0]]) - 0.2 if len(near) else float(t[-1])


def _curve_points(course: RunnerCurve, first: float, last: float) -> tuple[Floats, Floats, Floats]:
    """Moments STEP_S apart with speed and its error, the wander about any law included."""
    t, _, v, _, v_sd = course
    at = np.arange(max(first, t[0]), min(last, t[-1]) + 1e-9, CURVE_STEP_S)
    sd = np.hypot(np.interp(at, t, v_sd), MISFIT_MPS)
    return at, np.interp(at, t, v), sd


def _fit_entry(course: RunnerCurve, entry_sd: float, until: float) -> tuple[Floats, Floats]:
    """Speed at the entry line, gain before it and fade after it, by least squares.

    The speed's own error is shared by all points (a receiver's scale): it is added to the
    first component at the end.
    """
    at, v, sd = _curve_points(course, -1.25, min(until, 3.5))
    if len(at) < 3 or not np.isfinite(entry_sd):
        return _no_information(3)
    design = np.stack([np.ones_like(at), np.minimum(at, 0.0), -np.maximum(at, 0.0)], axis=1)
    a = design.T @ (design / sd[:, None] ** 2)
    b = design.T @ (v / sd**2)
    if at[-1] < 0.6:  # no run inside the zone: nothing of the fade
        a, b = _integrate_out(a, b, 2)
    keep = np.diag(a) > 0
    cov = np.linalg.inv(a[np.ix_(keep, keep)])
    value = cov @ b[keep]
    if np.any((value <= ENTRY_LOW[keep]) | (value >= ENTRY_HIGH[keep])):
        return _no_information(3)
    cov[0, 0] += entry_sd**2
    out_a, out_b = _no_information(3)
    inner = np.linalg.inv(cov)
    out_a[np.ix_(keep, keep)] = inner
    out_b[keep] = inner @ value
    return out_a, out_b


def _integrate_out(a: Floats, b: Floats, k: int) -> tuple[Floats, Floats]:
    """Component k integrated out: what is left holds whatever it is."""
    share = a[:, k] / a[k, k] if a[k, k] > 0 else np.zeros(len(b))
    a, b = a - np.outer(share, a[k]), b - share * b[k]
    a[k, :] = a[:, k] = 0.0
    b[k] = 0.0
    return a, b


@dataclass(frozen=True, slots=True)
class _StartFit:
    """A start fitted: V, tau, launch, what is added to V after a blind pass, and by sight the speed
    pushed to after the pass, in information form; the fit itself and its covariance."""

    matter: tuple[Floats, Floats]
    push: tuple[Floats, Floats]
    x: Floats  # V, tau, launch, speed pushed to after the pass
    cov: Floats

    def seconds_to(self, distance_m: float) -> float:
        return float(laws.seconds_to(distance_m, *self.x[:3]))

    def sd_s(self, distance_m: float) -> float:
        """Standard error of `seconds_to`."""
        slope = laws.seconds_to_slope(distance_m, self.x[:3])
        return float(np.sqrt(slope @ self.cov[:3, :3] @ slope))


def _fit_start(
    course: RunnerCurve, go: float, end: float, blind: bool, zone_m: float, eased_t: float
) -> _StartFit | None:
    """The receiver's start by least squares, None where the course says too little of it.

    Left out: the moments about the pass, when the arm is back, and what comes after an
    easing or, where there was no pass, beyond the exit line: who has no baton pulls up there. From
    the pass on the receiver tends to another speed: with both arms free, or by sight with the pace
    no longer chosen.
    """
    passed = np.isfinite(end)
    leave = _crossing_s(*course[:2], zone_m)
    last = course[0][-1] if passed else (go + 2.5 if leave is None else leave)
    at, v, sd = _curve_points(course, go + 0.15, min(last, go + 7.0))
    keep = at < eased_t - 0.2
    if passed and blind:
        keep &= (at < end - 0.6) | (at > end + 0.8)
    elif passed:
        keep = (keep & (at < end - 0.1)) | (at > end + 0.3)
    at, v, sd = at[keep], v[keep], sd[keep]
    pushes = passed and bool(np.any(at > end))
    if len(at) < 4 or np.sum(at < end if pushes and not blind else at < np.inf) < 3:
        return None
    size = 4 if pushes else 3
    mean, low, high = (x[:size].copy() for x in (START_PRIOR, START_LOW, START_HIGH))
    prior = np.diag(START_PRIOR_SD[:size] ** -2)
    if pushes and blind:  # the two speeds are alike: only their difference is believed to be small
        prior[3, 3] = 0.0
        tie = np.array([1.0, 0.0, 0.0, -1.0])
        prior += np.outer(tie, tie) / AFTER_PASS_SD_MPS**2
        mean[3] = mean[0]
    x = mean.copy()
    for _ in range(15):
        model, jac = _start_speed(x, at - go, end - go)
        a = jac.T @ (jac / sd[:, None] ** 2)
        load = jac.T @ ((v - model) / sd**2)
        step = np.linalg.solve(a + prior, load + prior @ (mean - x))
        new = np.clip(x + np.clip(step, -0.5, 0.5), low, high)
        done = np.max(np.abs(new - x)) < 1e-5
        x = new
        if done:
            break
    if np.any((x <= low) | (x >= high)):
        return None
    weighted = a @ x + load
    cov = np.asarray(np.linalg.inv(a + prior), dtype=np.float64)
    matter, push = (a, weighted), _no_information(1)
    if pushes and blind:
        # y = (V, tau, launch, push) as (V, tau, launch, push - V)
        back = np.eye(4)
        back[3, 0] = 1.0
        return _StartFit((back.T @ a @ back, back.T @ weighted), push, x, cov)
    if pushes:
        rest = np.linalg.inv(a[:3, :3] + 1e-3 * prior[:3, :3])  # the start integrated out
        share = a[3, :3] @ rest
        push = (a[3:, 3:] - share @ a[:3, 3:], weighted[3:] - share @ weighted[:3])
        matter = _integrate_out(a, weighted, 3)
        matter = matter[0][:3, :3], matter[1][:3]
    wide = np.zeros((4, 4)), np.zeros(4)
    wide[0][:3, :3], wide[1][:3] = matter
    return _StartFit(wide, push, x if pushes else np.append(x, x[0]), cov)


def _start_speed(x: Floats, t: Floats, end: float) -> tuple[Floats, Floats]:
    """(n,) speed t after the first movement and its derivatives (n, p); with a fourth element, the
    speed pushed to, it tends there from `end` on with the same time constant."""
    top, tau, launch = x[:3]
    before = t if len(x) == 3 else np.minimum(t, end)
    u = np.maximum(0.0, before - launch) / tau
    e = np.where(before > launch, np.exp(-u), 0.0)
    v = top * (1.0 - e) * (before > launch)
    jac = np.stack([(1.0 - e) * (before > launch), -top * e * u / tau, -top * e / tau], axis=1)
    if len(x) == 3:
        return v, jac
    late = np.maximum(0.0, t - end)
    left = np.exp(-late / tau)
    tau_too = (v - x[3]) * left * late / tau**2
    jac = jac * left[:, None]
    jac[:, 1] += tau_too
    return x[3] + (v - x[3]) * left, np.column_stack([jac, 1.0 - left])


def _arm_cost(
    course: RunnerCurve, fit: _StartFit, go: float, go_sd: float, end: float, stand: float,
    zone_m: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Time from first movement to the exit line beyond what the start's law says."""
    t, s = course[:2]
    leave = _crossing_s(t, s, zone_m)
    if leave is None:
        return _no_information(1)
    law, sd = fit.seconds_to(zone_m - stand), fit.sd_s(zone_m - stand)
    if end < leave:
        run = float(np.interp(end, t, s)) - stand
        top, tau, launch, push = fit.x
        there = fit.seconds_to(max(run, 0.1))
        v = float(laws.speed_mps(there, top, tau, launch))
        law = there + float(laws.seconds_on(zone_m - stand - run, v, push, tau))
        sd = fit.sd_s(max(run, 0.1))
    if not abs(leave - go - law) < COST_LIMIT_S:
        return _no_information(1)
    return _scalar_information(leave - go - law, float(np.hypot(go_sd, sd)))


def _crossing_s(t: Floats, s: Floats, at_m: float) -> float | None:
    over = np.flatnonzero((s[:-1] < at_m) & (s[1:] >= at_m))
    if not len(over):
        return None
    i = int(over[0])
    return float(t[i] + (at_m - s[i]) / (s[i + 1] - s[i]) * (t[i + 1] - t[i]))


def _find_easing(
    course: RunnerCurve, go: float, end: float, zone_m: float, passed: bool
) -> dict[str, float]:
    """Where the receiver was when the baton came (or he gave up), and, if he had slowed for it
    before, where that began and when."""
    t, s, v = course[:3]
    last = end if passed and np.isfinite(end) else np.inf
    part = (t > go + 1.0) & (t <= last) & (s < zone_m + 3.0)
    if part.sum() < 5:
        return {}
    far = {"waited_to": float(s[part][-1]) / zone_m}
    best = np.maximum.accumulate(v[part])
    drop = 1.0 - v[part] / np.maximum(best, 1.0)
    worst = int(np.argmax(drop))
    if drop[worst] < EASED:
        return far
    top = int(np.argmax(v[part][: worst + 1]))
    return {
        **far,
        "eased_from": float(s[part][top]) / zone_m,
        "eased_t": float(t[part][top]),
        "eased_end_t": float(t[part][worst]),
    }


def _easing_depth(
    course: RunnerCurve, go: float, start: Floats, eased: Mapping[str, float]
) -> float:
    """Share of the speed that would have been given up: against the start's law, not against the
    speed before, for without easing he would have become faster still. A runner who eases slows
    over `laws.EASE_RAMP_M`, and most get the baton before its end. NaN where that came too soon to
    tell."""
    at = eased["eased_end_t"]
    t, s, v = course[:3]
    run = float(np.interp(at, t, s) - np.interp(eased["eased_t"], t, s))
    if run < EASED_RUN_M:
        return np.nan
    given = 1.0 - np.interp(at, t, v) / max(1.0, float(laws.speed_mps(at - go, *start)))
    return float(given / min(1.0, run / laws.EASE_RAMP_M))
