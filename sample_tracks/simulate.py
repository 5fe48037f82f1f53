"""Make a practice session that never was, and keep the truth of it.

`make_session` writes session.toml, reps.csv, venue.geojson, one file a recording and
truth.json into a folder. All moments are UTC in POSIX seconds; places s are metres past the
entry line along the lane's measured line, of the trunk; speeds in the truth are those of the
smooth course along the lane, before the swing inside the step, sway and wander are laid on it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import devices
import evening
import numpy as np
import people
import plan
import writers
from people import DT, RepPlan

NAMES = (
    "alder", "bittern", "clover", "dormouse", "elder", "fennel", "gannet", "hazel",
    "ibex", "juniper", "kestrel", "linden",
)  # fmt: skip


DISTRACTORS = ("solo", "abreast", "broken off", "start alone")  # runs that are no takeovers


@dataclass
class Truth:
    """What really happened. `curves` maps (exchange, role) to t_utc_s, s_m, v_mps arrays."""

    folder: Path
    session: dict
    exchanges: list[dict]
    recordings: list[dict]
    runners: list[dict]
    others: list[dict]  # runs that are no takeovers
    taps: list[float]
    curves: dict = field(default_factory=dict, repr=False)
    bodies: dict = field(default_factory=dict, repr=False)  # runner -> evening.Body
    grid_s: np.ndarray | None = field(default=None, repr=False)


@dataclass
class _Fixes:
    t_s: np.ndarray
    lat_deg: np.ndarray
    lon_deg: np.ndarray
    alt_m: np.ndarray
    speed_mps: np.ndarray
    course_deg: np.ndarray
    hdop: np.ndarray
    satellites: np.ndarray


def _plain(x):
    """For JSON: numpy scalars to Python's, floats rounded to a microsecond's worth."""
    if isinstance(x, dict):
        return {k: _plain(v) for k, v in x.items()}
    if isinstance(x, (list, tuple)):
        return [_plain(v) for v in x]
    if isinstance(x, (bool, np.bool_)):
        return bool(x)
    if isinstance(x, (int, np.integer)):
        return int(x)
    if isinstance(x, (float, np.floating)):
        return None if not np.isfinite(x) else round(float(x), 6)
    return x


def _cross(s, at: float, t):
    """First moment at which s (n,) passes `at`, or None."""
    k = np.flatnonzero((s[:-1] < at) & (s[1:] >= at))
    if len(k) == 0:
        return None
    i = k[0]
    return float(t[i] + (at - s[i]) / (s[i + 1] - s[i]) * (t[i + 1] - t[i]))


def _iso(t_s: float) -> str:
    return datetime.fromtimestamp(round(t_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@dataclass(frozen=True)
class _Setup:
    """What a pair tries for some reps: tapes, mark, how hard both go."""

    in_start_m: float
    out_start_m: float
    in_effort: float
    out_effort: float
    out_effort_after: float
    in_fade_per_s: float
    target_s: float
    miss_m: float  # how far the coach's mark is off


def _draw_setup(rng, four: bool, zone_m: float) -> _Setup:
    u = rng.uniform
    if four:
        return _Setup(
            float(round(u(62, 78))), float(round(u(0, 2), 1)), u(0.8, 0.88), u(0.72, 0.82), 0.92,
            u(0.006, 0.016), u(7, 13), rng.normal(0, 0.4),
        )  # fmt: skip
    return _Setup(
        float(round(u(35, 60))), float(rng.choice([0.0, 0.0, 0.5, 1.0, 2.0, 3.0])),
        u(0.97, 1.0), u(0.95, 0.98), 1.0, 0.0, u(17, 23) if zone_m > 25 else u(9, 14),
        rng.normal(0, 0.45),
    )  # fmt: skip


def _deal(given, k: int):
    """The k-th runner's of what is given once for all, or dealt in turn."""
    return given[k % len(given)] if isinstance(given, tuple) else given


def _draw_fault(rng, share: float) -> str | None:
    if rng.random() >= share:
        return None
    return str(rng.choice(["early start", "late start", "mark too far", "mark too near"]))


def make_session(
    folder: Path,
    seed: int,
    *,
    event: str = "4x100",
    place: str = "straight",
    sheet: bool = True,
    rate_hz: float | tuple[float, ...] = 10.0,
    imu: bool | tuple[bool, ...] = True,
    noise: str = "ordinary",
    delay_s: float | None = None,
    delay_on: str = "speed",
    n_reps: int = 12,
    n_runners: int = 4,
    formats: tuple[str, ...] = ("csv",),
    counter_imu: bool | tuple[bool, ...] = False,
    taps: int = 0,
    lane: int | None = None,
    rules: str = "today",
    fault_share: float = 0.15,
    seen_share: float = 0.0,
    distractors: bool | tuple[str, ...] = True,
    spacing_s: float = 42.0,
    session_id: str | None = None,
    names: tuple[str, ...] | None = None,
    start_utc_s: float | None = None,
    imu_hz: float = 100.0,
    curves: bool = True,
    placement_sd_m: float = 0.05,
    blank_cells: bool = False,
    squad_seed: int | None = None,
    truth_folder: Path | None = None,
) -> Truth:
    """Simulate an evening and write it to `folder`; the same arguments give the same bytes.

    `place`: where the zone lies; `noise`: quiet, ordinary, rough (devices.LEVELS); `delay_s`:
    group delay of every receiver's speed low-pass (None: the level's own, 0 unless rough),
    applied to the speed, or with `delay_on="both"` to the position too; `formats`: csv, csv.gz,
    fit (sensors in the same file; fit-raw: as counts with their calibration; fit-uptime:
    stamps from the unit's own switch-on, tied once), fit-record, gpx, gpx-s (stamps cut to
    whole seconds), tcx, nmea, dealt to the runners in turn, as are rates and `imu`;
    `counter_imu`: the accelerometers count for themselves (True, or one answer a runner);
    `taps`: how often all units are knocked together; `seen_share`: share of the reps whose
    sheet has a pass seen beside the zone; `fault_share`: share of the reps that go wrong;
    `distractors`: which of DISTRACTORS come between, True for each once;
    `squad_seed`: sessions with the same one (and `names`) have the same runners and ground.
    The truth goes into `folder` as truth.json and truth_curves.csv, or into `truth_folder`
    under the session's id.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    rngs = np.random.default_rng([seed, 20260512]).spawn(8)
    _, who, acts, ground_rng, air, units, survey, sheet_rng = rngs
    if squad_seed is not None:
        who, ground_rng = np.random.default_rng([squad_seed, 20260513]).spawn(2)
    level = devices.LEVELS[noise]
    four = event == "4x400"
    # --- the place
    if place == "straight":
        zone = int(acts.choice([2, 3])) if four else 2
        lane = lane or int(acts.integers(1, 5))
    else:
        zone = 1 if four else 3
        lane = lane or (int(acts.integers(4, 9)) if four else int(acts.integers(1, 9)))
    lines = plan.zone_lines_m(event, lane, zone, rules)
    entry_l, zone_m, back_s = lines["entry"], lines["exit"] - lines["entry"], 0.0
    back_s = lines["back"] - entry_l
    ground = plan.Ground(
        ground_rng.uniform(30, 58), ground_rng.uniform(-42, -24), ground_rng.uniform(5, 400),
        ground_rng.uniform(0, 2 * np.pi),
    )  # fmt: skip
    bend = 0.965 if place == "bend" and not four else 0.99
    # --- the squad
    pool = list(names) if names else [str(x) for x in who.permutation(NAMES)]
    squad_mps = who.normal(9.6, 0.5)
    squad = [people.draw_person(who, pool[k], squad_mps) for k in range(n_runners)]
    reach = {
        (a.id, b.id): float(np.clip(a.reach_m + b.reach_m + who.normal(0, 0.08), 0.9, 1.5))
        for a in squad for b in squad
    }  # fmt: skip
    tenths = float(acts.integers(0, 200)) * DT
    if start_utc_s is None:
        start_utc_s = (
            1778602800.0 + float(acts.integers(0, 90)) * 86400 + 60.0 * float(acts.integers(0, 90))
        )
    t0 = start_utc_s + tenths
    at = lambda k: t0 + k * DT  # noqa: E731  sample index to UTC
    gather_l = entry_l - 4.0
    traces = {
        p.id: evening.Trace(p, gather_l + 0.6 * k, 3.6 + 0.7 * (k % 2), acts)
        for k, p in enumerate(squad)
    }
    tap_t: list[float] = []
    now = int(acts.uniform(8, 11) / DT)
    if taps:
        tap_t.append(at(now) - 2.5 + float(acts.uniform(0, 0.5)))
        for tr in traces.values():
            tr.stand(now + int(acts.uniform(1, 3) / DT))

    # --- the programme: takeovers, and what is none
    programme: list[tuple[str, int]] = [("rep", k) for k in range(n_reps)]
    if distractors:
        kinds = DISTRACTORS if distractors is True else distractors
        for what in kinds:
            programme.insert(int(acts.integers(0, len(programme) + 1)), (what, -1))
    pairs = [(a, b) for a in range(n_runners) for b in range(n_runners) if a != b]
    order = [pairs[k] for k in acts.permutation(len(pairs))]
    # a squad practises few pairs often: half of the reps fall to the first few
    few = order[: max(2, n_runners - 1)]
    setups: dict[tuple[str, str], _Setup] = {}
    exchanges: list[dict] = []
    others: list[dict] = []
    rep_no = 0
    tries: dict[tuple[str, str], int] = {}
    for what, k in programme:
        if what in ("rep", "broken off"):
            a, b = few[(k + (k // 7)) % len(few)] if k % 3 != 2 else order[k % len(order)]
        else:
            a, b = (int(x) for x in acts.choice(n_runners, 2, replace=False))
        pi, po = squad[a], squad[b]
        ti, to = traces[pi.id], traces[po.id]
        base = RepPlan(zone_m=zone_m, mark_s=0.0, in_from_s=0, out_from_s=0, bend=bend)
        key = (pi.id, po.id)
        if key not in setups or tries[key] % 4 == 0:  # a coach moves things now and then
            setups[key] = _draw_setup(acts, four, zone_m)
        tries[key] = tries.get(key, 0) + 1
        setup = setups[key]
        in_start, out_start = setup.in_start_m, setup.out_start_m
        base.reach_m = reach[key]
        tape_in, tape_out = back_s - in_start, back_s + out_start
        base.in_from_s, base.out_from_s = tape_in, tape_out
        base.in_effort, base.out_effort = setup.in_effort, setup.out_effort
        base.out_effort_after = setup.out_effort_after
        base.in_fade_per_s = setup.in_fade_per_s
        mark_m = people.good_mark_m(pi, po, base, back_s, setup.target_s) + setup.miss_m
        base.reach_m = float(np.clip(reach[key] + acts.normal(0, 0.12), 0.75, 1.75))
        if four:  # by sight: the place that triggers the start moves from rep to rep
            mark_m += float(acts.normal(0, 0.5))
        base.in_effort *= 1 + float(acts.normal(0, 0.012))
        base.out_effort *= 1 + float(acts.normal(0, 0.01))
        fault = _draw_fault(acts, fault_share) if what == "rep" else None
        mark_m += {"mark too far": -1, "mark too near": 1}.get(fault, 0) * -acts.uniform(1.5, 3.5)
        mark_m = float(np.round(np.clip(mark_m, 1.0, in_start - 12), 1))
        base.mark_s = back_s - mark_m + float(acts.normal(0, 0.01))
        base.in_from_s = tape_in + pi.trunk_habit_m + acts.normal(0, placement_sd_m)
        base.out_from_s = tape_out + po.trunk_habit_m + acts.normal(0, placement_sd_m)
        base.lag_s = float(max(0.06, acts.normal(po.lag_s, po.lag_spread_s)))
        if fault == "early start":
            base.lag_s = -float(acts.uniform(0.12, 0.4))
        if fault == "late start":
            base.lag_s += float(acts.uniform(0.25, 0.6))
        base.handback_s = float(acts.uniform(0.2, 0.4))
        base.brake_early_s = float(acts.uniform(0.1, 0.5)) if acts.random() < 0.2 else None
        base.after_lag_s = float(acts.uniform(0, 0.4))
        base.after_brake_mps2 = float(acts.uniform(1.5, 4.0))
        base.gives_chase = bool(acts.random() < 0.85)
        base.beyond_m = float(acts.uniform(32, 42))
        # --- when: everybody concerned must be able to get there without racing
        lead = int(acts.uniform(4, 9) / DT)
        reach_by = now + int(acts.uniform(0.7, 1.3) * spacing_s / DT)
        for tr, s_to in ((ti, base.in_from_s), (to, base.out_from_s)):
            far = abs(entry_l + s_to - tr.l_m)
            reach_by = max(reach_by, tr.n + lead + int((far / 2.7 + 5) / DT))
        go_in = reach_by
        side_i = float(np.clip(pi.side_m - 0.06 + acts.normal(0, 0.06), 0, 0.8))
        side_o = float(np.clip(po.side_m + 0.1 + acts.normal(0, 0.06), 0, 0.8))
        if what == "abreast":
            side_o = side_i + plan.WIDTH_M * float(acts.choice([1, -1]))
        away = acts.uniform(3.4, 4.8)
        for tr in traces.values():
            if tr is not ti and tr is not to and tr.n < go_in - int(40 / DT):
                tr.stand(tr.n + int(acts.uniform(2, 6) / DT))
                home = entry_l + acts.uniform(-8, zone_m)
                if abs(tr.l_m - home) > 25 or abs(tr.y_m) < 2.5:
                    tr.walk(
                        home,
                        acts.uniform(3.6, 7),
                        tr.n + int((abs(tr.l_m - home) / 1.2 + 6) / DT),
                        4.2,
                    )
                tr.linger(go_in)
        if what == "solo":
            from_s = -acts.uniform(25, 45)
            ti.linger(go_in - lead - int(60 / DT))
            ti.walk(entry_l + from_s, side_i, go_in - lead, away)
            ti.stand(go_in)
            v = people.run_curve(pi, acts.uniform(0.85, 0.98), bend, 40.0)
            others.append(
                _free_run(ti, v, zone_m + acts.uniform(5, 25) - from_s, what, at, entry_l)
            )
            now = ti.n
            continue
        if what == "start alone":
            to.walk(entry_l + base.out_from_s, side_o, go_in - lead, away)
            to.stand(go_in)
            v = people.run_curve(po, acts.uniform(0.9, 1.0), bend, 40.0)
            others.append(_free_run(to, v, zone_m + acts.uniform(-5, 15), what, at, entry_l))
            now = to.n
            continue
        if what == "abreast":
            from_s = -acts.uniform(30, 50)
            stop = zone_m + acts.uniform(0, 25) - from_s
            for tr, side in ((ti, side_i), (to, side_o)):
                tr.walk(entry_l + from_s + acts.normal(0, 0.25), side, go_in - lead, away)
                tr.stand(go_in + int(max(0, acts.normal(0.1, 0.06)) / DT))
                v = people.run_curve(tr.person, 7.4 / tr.person.top_mps, bend, 40.0)
                others.append(_free_run(tr, v, stop, what, at, entry_l))
            now = max(ti.n, to.n)
            continue
        ti.walk(entry_l + base.in_from_s, side_i, go_in - lead, away)
        to.walk(entry_l + base.out_from_s, side_o,
                max(go_in - int(acts.uniform(2, 5) / DT), to.n + 2), away)  # fmt: skip
        ti.stand(go_in)
        if what == "broken off":
            v = people.run_curve(pi, base.in_effort, bend, 40.0)
            stop = max(12.0, (back_s - mark_m - base.in_from_s) - acts.uniform(6, 14))
            others.append(_free_run(ti, v, stop, what, at, entry_l))
            to.stand(ti.n)
            now = ti.n
            continue
        run = people.take_over(pi, po, base)
        m = len(run.s_in)
        to.stand(go_in)
        go_k = None if run.go_t is None else round(run.go_t / DT)
        # arrays begin one step after the last sample laid
        drift_i = side_i + (acts.normal(0, 0.08)) * np.linspace(0, 1, m)
        drift_o = side_o + (acts.normal(0, 0.08)) * np.linspace(0, 1, m)
        start_i, start_o = ti.n - 1, to.n - 1
        if start_i != start_o:
            raise RuntimeError(f"rep {rep_no + 1}: both must be in place before it begins")
        ti.run(entry_l + run.s_in[1:], drift_i[1:], -1)
        if go_k is not None:
            to.run(entry_l + run.s_out[1:], drift_o[1:], go_k - 1)
        else:
            to.stand(to.n + m - 1)
        rep_no += 1
        exchanges.append(
            {
                "rep": rep_no, "incoming": pi.id, "outgoing": po.id, "zone": zone, "lane": lane,
                "event": event, "injected": fault, "brakes_early": run.slowed,
                "collision_avoided": run.collided, "outgoing_eased": run.eased,
                "mark_m": None if four else mark_m, "trigger_s": base.mark_s,
                "in_start_m": in_start, "out_start_m": out_start,
                "start_utc_s": at(start_i), "_i": start_i, "_o": start_o, "_run": run,
                "reach_m": base.reach_m, "lag_planned_s": base.lag_s,
            }
        )  # fmt: skip
        now = max(ti.n, to.n) - int(8 / DT)
    # --- the end
    end = max(tr.n for tr in traces.values()) + int(6 / DT)
    if taps > 1:
        for k, tr in enumerate(traces.values()):
            goal = gather_l + 0.6 * k
            by = tr.n + int((abs(tr.l_m - goal) / 1.5 + 8) / DT)
            end = max(end, by)
        for k, tr in enumerate(traces.values()):
            tr.walk(gather_l + 0.6 * k, 3.6 + 0.7 * (k % 2), end, 4.2)
        end += int(9 / DT)
        middle = np.linspace(0, 1, taps)[1:-1]
        tap_t += [t0 + 8 + x * (end * DT - 14) for x in middle] if taps > 2 else []
        tap_t.append(at(end) - 4.0 + float(acts.uniform(0, 0.5)))
        end += int(2 / DT)
    grid_s = t0 + np.arange(end) * DT
    bodies = {
        p.id: evening.finish(traces[p.id], grid_s, lane, r)
        for p, r in zip(squad, acts.spawn(n_runners), strict=True)
    }
    out_curves = {}
    for number, x in enumerate(exchanges, 1):
        x["exchange"] = number
        _measure(x, bodies, grid_s, entry_l, zone_m)
        if curves:
            out_curves.update(_curves(x, bodies, grid_s, entry_l, zone_m))
        for k in ("_i", "_o", "_run"):
            del x[k]

    recordings, toml_recordings = _record(
        folder, units, air, level, ground, squad, bodies, grid_s, rate_hz, imu, imu_hz,
        formats, counter_imu, delay_s, delay_on, tap_t,
    )  # fmt: skip
    _write_venue(folder / "venue.geojson", survey, ground, event, lane, zone, rules)
    id_ = session_id or f"evening-{seed}"
    _write_session(
        folder / "session.toml", id_, t0, event, lane, sheet, squad, toml_recordings, tap_t
    )
    if sheet:
        _write_sheet(folder / "reps.csv", sheet_rng, exchanges, squad, seen_share, blank_cells)
    elif (folder / "reps.csv").exists():
        (folder / "reps.csv").unlink()
    truth = Truth(
        folder,
        {
            "id": id_, "event": event, "lane": lane, "zone": zone, "zone_m": zone_m,
            "back_s": back_s, "place": place, "rules": rules, "seed": seed, "noise": noise,
            "rate_hz": rate_hz, "entry_l_m": entry_l, "first_utc_s": t0,
            "last_utc_s": float(grid_s[-1]), "sheet": sheet, "ground": asdict(ground),
        },
        exchanges, recordings, [asdict(p) for p in squad], others, tap_t, out_curves, bodies,
        grid_s,
    )  # fmt: skip
    _write_truth(truth, truth_folder)
    return truth


def _free_run(tr, v, stop_after: float, what: str, at, entry_l: float) -> dict:
    """Run on the curve v until `stop_after` metres, then ease to a stand."""
    s = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1])) * DT])
    k = int(np.searchsorted(s, stop_after))
    speed, end = [], v[k - 1]
    brake = 0.0
    while end > 0.02:
        brake = min(1.0, brake + DT / 0.4)
        end = max(0.0, end - brake * tr.person.ease_mps2 * DT)
        speed.append(end)
    v = np.concatenate([v[:k], speed])
    way = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1])) * DT])
    from_utc, from_s = at(tr.n - 1), tr.l_m - entry_l
    tr.run(tr.l_m + way[1:], np.full(len(way) - 1, tr.y_m), -1)
    return {
        "what": what, "runner": tr.person.id, "from_utc_s": from_utc, "to_utc_s": at(tr.n - 1),
        "from_s": from_s, "to_s": tr.l_m - entry_l,
    }  # fmt: skip


def _measure(x: dict, bodies, grid_s, entry_l: float, zone_m: float) -> None:
    """Fill the truth of one takeover from the finished motion of both trunks."""
    run, bi, bo = x["_run"], bodies[x["incoming"]], bodies[x["outgoing"]]
    m = len(run.s_in)
    wi = slice(x["_i"], min(x["_i"] + m, len(grid_s)))
    wo = slice(x["_o"], min(x["_o"] + m, len(grid_s)))
    t_in, t_out = grid_s[wi], grid_s[wo]
    s_in, s_out = bi.l_m[wi] - entry_l, bo.l_m[wo] - entry_l
    at = lambda b, y, t: float(np.interp(t, grid_s, getattr(b, y)))  # noqa: E731
    entry, exit_ = _cross(s_in, 0.0, t_in), _cross(s_out, zone_m, t_out)
    go = None if run.go_t is None else float(t_in[0] + run.go_t)
    # the trigger was met on the smooth course; the mark is passed by the trunk itself
    mark = None if x["mark_m"] is None else _cross(s_in, x["trigger_s"], t_in)
    x.update(
        outcome="passed" if run.pass_t is not None else "not passed",
        entry_utc_s=entry, exit_utc_s=exit_, mark_utc_s=mark, go_utc_s=go,
        go_lag_s=None if go is None or mark is None else go - mark,
        v_in_entry_mps=None if entry is None else at(bi, "v_smooth_mps", entry),
        v_out_exit_mps=None if exit_ is None else at(bo, "v_smooth_mps", exit_),
    )  # fmt: skip
    none = dict.fromkeys(
        ("pass_utc_s", "pass_m", "free_distance_m", "v_in_pass_mps", "v_out_pass_mps",
         "steps_to_pass", "zone_time_s", "baton_zone_time_s")
    )  # fmt: skip
    x.update(none)
    faults = []
    if x["go_lag_s"] is not None and x["go_lag_s"] < 0.0:
        faults.append("early start")
    if x["injected"] == "late start":
        faults.append("late start")
    if run.collided:
        faults.append("ran into")
    if run.pass_t is None and go is not None:
        faults.append("ran away")
    if run.slowed:
        faults.append("incoming slowed")
    if run.eased:
        faults.append("outgoing eased")
    if run.pass_t is not None:
        tp = float(t_in[0] + run.pass_t)
        pin, pout = at(bi, "l_m", tp) - entry_l, at(bo, "l_m", tp) - entry_l
        hits = bo.contact_t[(bo.contact_t > go) & (bo.contact_t <= tp)]
        pass_m = 0.5 * (pin + pout)
        if pass_m < 0:
            faults.append("passed before the zone")
        if pass_m > zone_m:
            faults.append("passed beyond the zone")
        # baton: with the incoming trunk until the pass, with the outgoing trunk after it
        own_exit = _cross(s_in, zone_m, t_in)
        baton_exit = own_exit if own_exit and own_exit <= tp else max(exit_ or tp, tp)
        own_entry = entry if entry is not None and entry <= tp else None
        baton_entry = own_entry or max(_cross(s_out, 0.0, t_out) or tp, tp)
        x.update(
            pass_utc_s=tp, pass_m=pass_m, free_distance_m=pout - pin,
            v_in_pass_mps=at(bi, "v_smooth_mps", tp), v_out_pass_mps=at(bo, "v_smooth_mps", tp),
            steps_to_pass=len(hits),
            zone_time_s=None if entry is None or exit_ is None else exit_ - entry,
            baton_zone_time_s=baton_exit - baton_entry,
        )  # fmt: skip
    x["faults"] = faults


def _curves(x: dict, bodies, grid_s, entry_l: float, exit_s: float) -> dict:
    """From the set-off (or 60 m before the zone) to 30 m beyond it, 25 rows a second."""
    start, m = x["_i"], len(x["_run"].s_in)
    w = slice(start, min(start + m, len(grid_s)))
    s = {r: bodies[x[r]].l_smooth_m[w] - entry_l for r in ("incoming", "outgoing")}
    first = int(np.argmax(s["incoming"] >= -60))
    beyond = s["outgoing"] > exit_s + 30
    last = int(np.argmax(beyond)) if beyond.any() else len(beyond)
    keep = slice(first, last, 8)
    return {
        (x["exchange"], r): (grid_s[w][keep], s[r][keep], bodies[x[r]].v_smooth_mps[w][keep])
        for r in ("incoming", "outgoing")
    }


def _record(
    folder, rng, air, level, ground, squad, bodies, grid_s, rate_hz, imu, imu_hz, formats,
    counter_imu, delay_s, delay_on, tap_t,
):  # fmt: skip
    t0, t1 = grid_s[0], grid_s[-1]
    coarse = int(np.ceil(t1 - t0 + 1) / 0.25) + 8
    common = devices.shared_error(air, level, coarse, 0.25)
    knocks = []
    for t in tap_t:
        again = (float(air.uniform(0.15, 0.4)), float(air.uniform(2, 5)))
        knocks.append((t, again if air.random() < 0.4 else None))
    missing = {}
    if len(squad) > 2:  # one unit may miss one knock
        for k in range(len(knocks)):
            if air.random() < 0.3:
                missing[k] = squad[int(air.integers(len(squad)))].id
    rows, lines = [], []
    for j, p in enumerate(squad):
        r = rng.spawn(1)[0]
        b = bodies[p.id]
        form = _deal(formats, j)
        rate = float(_deal(rate_hz, j))
        period = 1.0 / rate
        on = t0 + float(r.uniform(0, 1.5))
        k0 = int(np.ceil(on / period))
        k1 = int((t1 - float(r.uniform(0, 1))) / period)
        t_s = np.arange(k0, k1 + 1) / rate
        delay = float(r.uniform(*level.delay_s)) if delay_s is None else float(delay_s)
        if delay_s:
            delay *= float(r.uniform(0.97, 1.03))
        kind = str(r.choice(["first order", "average"]))
        en = ground.east_north(b.plan_xy_m)
        n_coarse = len(np.arange(t0, t1 + 1, 0.25))
        fix, speed, hdop, sats, keep, put_in = devices.receiver(
            r, level, en, b.ground_mps, grid_s, t_s, common[:n_coarse], delay, kind, delay_on
        )
        up = 1.3 + 1.5 * people.slow_noise(r, len(t_s), period, 60.0, 1.0)
        lat, lon, alt = ground.geodetic(fix, up)
        way = np.interp(t_s, grid_s, np.unwrap(b.course_rad)) + ground.turn_rad
        way += 0.05 * r.standard_normal(len(t_s))
        f = _Fixes(
            t_s[keep], lat[keep], lon[keep], alt[keep], speed[keep],
            np.mod(90 - np.degrees(way), 360)[keep], hdop[keep], sats[keep],
        )  # fmt: skip
        acc_t = acc = gyro = None
        counts, has_imu = bool(_deal(counter_imu, j)), bool(_deal(imu, j))
        whole = has_imu and form in ("fit", "fit-raw", "fit-uptime")
        zero, drift = None, 0.0
        if has_imu:
            ri = r.spawn(1)[0]
            first = t0 + float(ri.uniform(0.2, 2.0))
            mine = [
                (t, float(ri.uniform(4, 12)), float(ri.uniform(0.005, 0.015)))
                for k, (t, _) in enumerate(knocks) if missing.get(k) != p.id
            ]  # fmt: skip
            for k, (t, again) in enumerate(knocks):
                if again and missing.get(k) != p.id:
                    mine.append((t + again[0], again[1] * float(ri.uniform(0.8, 1.2)), 0.01))
            counts = (counts and not whole) or form == "fit-uptime"
            if counts:
                drift = float(ri.uniform(-30, 30))
                zero = first - float(ri.uniform(30, 3000))
                at_zero = np.ceil((first - zero) * (1 + drift * 1e-6) * imu_hz) / imu_hz
                m = int((t1 - first - 1) * imu_hz)
                counter = at_zero + np.arange(m) / imu_hz
                acc_t = zero + counter / (1 + drift * 1e-6)
            else:
                first = np.ceil(first * imu_hz) / imu_hz
                acc_t = first + np.arange(int((t1 - first - 1) * imu_hz)) / imu_hz
                counter = acc_t
            acc, gyro = devices.accelerometer(ri, b, grid_s, acc_t, mine)
        put_in |= {"runner": p.id, "rate_hz": rate, "fixes": int(keep.sum()), "sensor": "gnss",
                   "clock_offset_s": 0.0}  # fmt: skip
        imu_row = {
            "runner": p.id, "sensor": "imu", "counter": bool(counts), "counter_zero_utc_s": zero,
            "drift_ppm": drift if counts else None,
            "missed_taps": [k for k in missing if missing[k] == p.id],
        }  # fmt: skip
        kind_of_file = form.split("-")[0]
        name = f"{p.id}.{kind_of_file}"
        if form == "csv":
            data = writers.gnss_csv(f)
        elif form == "csv.gz":
            data = writers.zipped(writers.gnss_csv(f))
        elif whole and form == "fit-uptime":
            uptime = lambda t, z=zero, d=drift: (t - z) * (1 + d * 1e-6)  # noqa: E731
            data = writers.fit_sensors(f, counter, acc, gyro, uptime=uptime)
            imu_row["counter"] = False  # the file ties its counter itself
        elif form == "fit-record":
            data = writers.fit_records(f)
        elif kind_of_file == "fit":
            data = writers.fit_sensors(f, acc_t, acc, gyro, raw=form == "fit-raw")
        elif form == "gpx-s":
            data = writers.gpx(f, whole_seconds=True)
        else:
            data = {"gpx": writers.gpx, "tcx": writers.tcx, "nmea": writers.nmea}[form](f)
        (folder / name).write_bytes(data)
        lines.append((p.id, name, "gnss", None))
        rows.append(put_in | {"file": name})
        if whole:
            rows.append(imu_row | {"file": name})
        elif has_imu:
            name = f"{p.id}-imu.csv"
            if counts:
                data = writers.imu_counter_csv(counter, acc, gyro)
                lines.append((p.id, name, "device", writers.COUNTER_COLUMNS))
            else:
                data = writers.imu_csv(acc_t, acc, gyro)
                lines.append((p.id, name, "gnss", None))
            if form == "csv.gz":
                data = writers.zipped(data)
                name += ".gz"
                lines[-1] = (p.id, name, *lines[-1][2:])
            (folder / name).write_bytes(data)
            rows.append(imu_row | {"file": name})
    return rows, lines


def _write_venue(path: Path, rng, ground, event: str, lane: int, zone: int, rules: str) -> None:
    sd = 0.03
    features = []

    def point(l_m, y_m, lane, err):
        xy, _, _ = plan.on_track(np.atleast_1d(l_m), np.zeros(1) + y_m, lane)
        lat, lon, _ = ground.geodetic(ground.east_north(xy) + rng.normal(0, err, (1, 2)))
        return [round(float(lon[0]), 8), round(float(lat[0]), 8)]

    zones = {zone} | ({1, 2, 3} if event == "4x100" else {1})
    for n in sorted({lane, lane % 8 + 1}):
        lap = plan.lap_m(n)
        bend = np.pi * plan.lane_radius_m(n)
        stations = np.concatenate(
            [np.arange(0, bend, 2.5), np.arange(bend, bend + plan.STRAIGHT_M, 8.0)]
        )
        stations = np.concatenate([stations, stations + lap / 2, [lap]])
        line = [point(x, 0.0, n, 0.01) for x in stations[:-1]]
        line.append(line[0])
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "LineString", "coordinates": line},
                "properties": {"kind": "lane", "lane": n, "sd_m": sd},
            }
        )
        for z in sorted(zones):
            at = plan.zone_lines_m(event, n, z, rules)
            for name, l_m in at.items():
                features.append(
                    {
                        "type": "Feature",
                        "geometry": {"type": "Point", "coordinates": point(l_m, 0.0, n, sd / 1.4)},
                        "properties": {
                            "kind": "zone-line", "lane": n, "zone": z, "line": name, "sd_m": sd,
                        },
                    }
                )  # fmt: skip
    doc = {"type": "FeatureCollection", "features": features}
    path.write_text(json.dumps(doc, indent=None, separators=(", ", ": ")) + "\n")


def _write_session(path, id_, t0, event, lane, sheet, squad, recordings, tap_t) -> None:
    day = datetime.fromtimestamp(t0, UTC).strftime("%Y-%m-%d")
    out = [
        "[session]", f'id = "{id_}"', f"date = {day}", 'venue = "venue.geojson"',
        f'event = "{event}"', f"lane = {lane}",
    ]  # fmt: skip
    if sheet:
        out.append('reps = "reps.csv"')
    for p in squad:
        out += ["", "[[runner]]", f'id = "{p.id}"', f"foot_m = {p.foot_m:.2f}"]
    for runner, file, clock, columns in recordings:
        out += ["", "[[recording]]", f'runner = "{runner}"', f'file = "{file}"']
        out += ['worn = "upper-back"', f'clock = "{clock}"']
        if columns:
            out.append(columns)
    for t in tap_t:
        out += ["", "[[sync]]", 'kind = "tap"', f"near_utc = {_iso(t)}", "window_s = 8"]
    path.write_text("\n".join(out) + "\n")


def _write_sheet(path, rng, exchanges, squad, seen_share, blank_cells) -> None:
    foot = {p.id: p.foot_m for p in squad}
    feet = bool(rng.random() < 0.3) and not any(x["mark_m"] is None for x in exchanges)
    head = ["rep", "zone", "lane", "incoming", "outgoing", "mark_feet" if feet else "mark_m",
            "outgoing_start_m", "incoming_start_m", "start_utc", "pass_m", "note"]  # fmt: skip
    rows = [",".join(head)]
    for x in exchanges:
        mark = x["mark_m"]
        if mark is not None:
            mark = f"{mark / foot[x['outgoing']]:.2f}" if feet else f"{mark:.1f}"
        seen = ""
        if x["pass_m"] is not None and rng.random() < seen_share:
            seen = f"{x['pass_m'] + rng.normal(0, 0.4):.1f}"
        note = "" if x["outcome"] == "passed" else str(rng.choice(["missed", "no baton", ""]))
        start = _iso(x["start_utc_s"] + float(np.clip(rng.normal(0, 8), -25, 25)))
        cells = [x["rep"], x["zone"], x["lane"], x["incoming"], x["outgoing"], mark or "",
                 f"{x['out_start_m']:.1f}", f"{x['in_start_m']:.0f}", start,
                 seen, note]  # fmt: skip
        if blank_cells:
            for k in (0, 1, 2, 8):
                if rng.random() < 0.15:
                    cells[k] = ""
        rows.append(",".join(str(c) for c in cells))
    path.write_text("\n".join(rows) + "\n")


def _write_truth(t: Truth, folder: Path | None) -> None:
    doc = {
        "session": t.session, "exchanges": t.exchanges, "recordings": t.recordings,
        "runners": t.runners, "others": t.others, "taps_utc_s": t.taps,
    }  # fmt: skip
    stem = (t.folder / "truth") if folder is None else (folder / t.session["id"])
    stem.parent.mkdir(parents=True, exist_ok=True)
    stem.with_name(stem.name + ".json").write_text(json.dumps(_plain(doc), indent=1) + "\n")
    if t.curves:
        rows = ["exchange,role,t_utc_s,s_m,v_mps"]
        for (exchange, role), (tt, s, v) in t.curves.items():
            rows += [
                f"{exchange},{role},{a:.3f},{b:.3f},{c:.3f}"
                for a, b, c in zip(tt, s, v, strict=True)
            ]
        stem.with_name(stem.name + "_curves.csv").write_text("\n".join(rows) + "\n")
