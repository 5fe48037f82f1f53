"""A whole relay that never was: four legs, three takeovers, a gun and a clock at the finish.

`make_race` writes a session's folder as `simulate.make_session` does, with a `[[race]]` in
session.toml, the race's lines in venue.geojson, and the truth with every leg to the millisecond.

All runners are laid down on one base line: the race's own lane, or lane 1 where the lanes are left
(4x400). What is run farther out stands in the sideways place.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import devices
import evening
import files
import numpy as np
import people
import plan
import truths
from people import DT, Floats, Person, Rng
from practice import Site, draw_squad

LEG_M = {"4x100": 100.0, "4x400": 400.0}
BEFORE_GUN_S = 32.0
AFTER_S = 9.0
FIRST_RACE_UTC_S = 1779040800.0  # 2026-05-17T18:00:00Z
Row = dict[str, Any]


@dataclass(frozen=True)
class Course:
    """The lines a race is run by, in metres along its base line from the finish line of the first
    lap: the start, each zone's (entry, scratch, exit), the finish."""

    event: str
    lane: int
    base_lane: int
    start_m: float
    zones_m: tuple[tuple[float, float, float], ...]
    finish_m: float

    @property
    def lines_m(self) -> tuple[float, ...]:
        return (self.start_m, *(z[1] for z in self.zones_m), self.finish_m)

    def lane_aside_m(self) -> float:
        return plan.lane_radius_m(self.lane) - plan.lane_radius_m(self.base_lane)


def _to_base(l_m: float, lane: int, base: int) -> float:
    """A place on a lane as the place straight beside it on another one, whole laps included."""

    def marks(n: int) -> Floats:
        bend = np.pi * plan.lane_radius_m(n)
        return np.array(
            [0.0, bend, bend + plan.STRAIGHT_M, 2 * bend + plan.STRAIGHT_M, plan.lap_m(n)]
        )

    laps, rest = divmod(l_m, plan.lap_m(lane))
    return float(laps * plan.lap_m(base) + np.interp(rest, marks(lane), marks(base)))


def lay_course(event: str, lane: int) -> Course:
    """Start, zones and finish as the rule book has them (plan.py)."""
    base = lane if event == "4x100" else 1
    if event == "4x100":
        start = plan.lap_m(lane) - plan.lap_m(1)
    else:
        first = plan.zone_lines_m(event, lane, 1)
        start = first["entry"] + 10 - 400.0
    zones = []
    for zone in (1, 2, 3):
        home = lane if event == "4x100" or zone == 1 else 1
        lines = plan.zone_lines_m(event, home, zone)
        laps = 0.0 if event == "4x100" or zone == 1 else (zone - 1) * plan.lap_m(1)
        scratch = lines["exit"] - 10.0
        zones.append(
            tuple(laps + _to_base(x, home, base) for x in (lines["entry"], scratch, lines["exit"]))
        )
    finish = plan.lap_m(lane) if event == "4x100" else 4 * plan.lap_m(1)
    return Course(event, lane, base, _to_base(start, lane, base), tuple(zones), finish)


# --- who runs how -----------------------------------------------------------------------------


@dataclass(frozen=True)
class LegChance:
    """What chance does to one leg: all of it drawn before anybody runs."""

    stand_m: float  # behind the start line, or past the zone's back line
    reaction_s: float
    target: float  # where in the zone the pass is wanted, as a share of its length
    late_s: float  # the receiver's start against the right moment
    reach_m: float
    ease_lag_s: float
    ease_mps2: float
    side_m: float


@dataclass
class LegRun:
    """One runner's way along the base line at DT from `go_t` on, in s from the gun."""

    go_t: float
    s_m: Floats
    y_m: Floats
    pass_t: float | None = None  # he hands over

    def at(self, t: float | Floats) -> Any:
        return np.interp(np.asarray(t) - self.go_t, np.arange(len(self.s_m)) * DT, self.s_m)

    def crosses(self, place_m: float) -> float:
        k = int(np.argmax(self.s_m >= place_m))
        part = (place_m - self.s_m[k - 1]) / (self.s_m[k] - self.s_m[k - 1])
        return self.go_t + (k - 1 + part) * DT


def draw_chance(rng: Rng, event: str, leg: int) -> LegChance:
    short = event == "4x100"
    if leg == 0:
        stand = float(rng.uniform(0.3, 0.6))
    else:
        stand = float(rng.uniform(0.0, 1.0) if short else rng.uniform(0.0, 4.0))
    return LegChance(
        stand_m=stand,
        reaction_s=round(float(np.clip(rng.normal(0.166, 0.03), 0.11, 0.26)) / DT) * DT,
        target=float(rng.uniform(0.55, 0.78) if short else rng.uniform(0.4, 0.7)),
        late_s=float(rng.normal(0, 0.04)),
        reach_m=float(np.clip(rng.normal(1.2, 0.12), 0.85, 1.6)),
        ease_lag_s=float(rng.uniform(0.0, 0.4)),
        ease_mps2=float(rng.uniform(1.5, 3.5)),
        side_m=float(np.clip(rng.normal(0.2, 0.08), 0.0, 0.5)),
    )


def _aside(course: Course, leg: int, chance: LegChance) -> Callable[[float], float]:
    """Metres right of the base line at a place along it."""
    out = course.lane_aside_m()
    if course.event == "4x100" or leg == 0:
        return lambda _s: out + chance.side_m
    if leg == 1:  # the lane is left at the end of the first bend, lane 1 taken by the next
        leaves = plan.lap_m(1) + np.pi * plan.lane_radius_m(1)

        def cut_in(s: float) -> float:
            x = np.clip((s - leaves) / plan.STRAIGHT_M, 0, 1)
            return float(out * (1 - x) + chance.side_m)

        return cut_in
    waits = 0.4 + 2.5 * chance.ease_lag_s  # in lane 1 or 2
    from_m = course.zones_m[leg - 1][0]

    def into_lane(s: float) -> float:
        x = np.clip((s - from_m - 15) / 40.0, 0, 1)
        return float(waits + (chance.side_m - waits) * x * x * (3 - 2 * x))

    return into_lane


def _bend_pm(course: Course, s: float) -> float:
    r = plan.lane_radius_m(course.base_lane)
    u = s % plan.lap_m(course.base_lane)
    bend = np.pi * r
    return 1 / r if u < bend or bend + plan.STRAIGHT_M <= u < 2 * bend + plan.STRAIGHT_M else 0.0


def _run(
    p: Person, course: Course, leg: int, chance: LegChance, go_t: float, from_m: float,
    seconds: float, slack: float = 1.0, pass_t: float | None = None,
) -> LegRun:  # fmt: skip
    """A run on and on; a receiver of the 4x400 goes at a share `slack` of his speed until he has
    the baton at `pass_t`."""
    aside = _aside(course, leg, chance)
    n = int(seconds / DT)
    s, y = np.empty(n), np.empty(n)
    at, v, bent = from_m, 0.0, 1.0
    for k in range(n):
        s[k], y[k] = at, aside(at)
        curve = _bend_pm(course, at)
        slow = 0.965 if course.event == "4x100" else 0.985
        bent += DT / 0.4 * ((slow if curve else 1.0) - bent)
        have = 1.0 if pass_t is not None and leg and go_t + k * DT > pass_t else 0.0
        share = slack + (1 - slack) * min(1.0, have * (go_t + k * DT - (pass_t or 0.0)) / 1.5)
        a = people._push(p, (k + 0.5) * DT, v, p.top_mps * share * bent)
        at += (v + 0.5 * a * DT) * DT / (1 + y[k] * curve)
        v = max(0.0, v + a * DT)
    return LegRun(go_t, s, y)


def _ease(run: LegRun, from_t: float, brake_mps2: float) -> LegRun:
    """The run with an easing from `from_t` on, until the runner stands."""
    k = max(2, int((from_t - run.go_t) / DT))
    v, brake = (run.s_m[k] - run.s_m[k - 1]) / DT, 0.0
    s = [float(run.s_m[k])]
    while v > 0.02:
        brake = min(1.0, brake + DT / 0.4)
        v = max(0.0, v - brake * brake_mps2 * (0.3 + 0.7 * min(1.0, v / 3.0)) * DT)
        s.append(s[-1] + v * DT)
    s_m = np.concatenate([run.s_m[:k], s])
    # he keeps his place in the lane
    y_m = np.interp(s_m, run.s_m, run.y_m)
    return LegRun(run.go_t, s_m, y_m, run.pass_t)


def _receive(
    course: Course, leg: int, before: LegRun, p: Person, chance: LegChance, seconds: float
) -> LegRun:
    """The receiver of a takeover, whose start makes the pass come about where it is wanted;
    `before.pass_t` is set."""
    entry, _, exit_ = course.zones_m[leg - 1]
    slack = 1.0 if course.event == "4x100" else 0.8
    from_m = entry + chance.stand_m
    alone = _run(p, course, leg, chance, 0.0, from_m, 8.0, slack)
    wanted = entry + chance.target * (exit_ - entry)
    late = chance.late_s
    for _ in range(40):
        go = before.crosses(wanted - chance.reach_m / 2) - alone.crosses(
            wanted + chance.reach_m / 2
        )
        go = round((go + late) / DT) * DT
        t = np.arange(go + 0.9, go + 7.0, DT)
        gap = alone.at(t - go) - before.at(t)
        near = np.flatnonzero(gap <= chance.reach_m)
        if len(near) and alone.at(t[near[0]] - go) < exit_ + 2:
            before.pass_t = float(t[near[0]])
            break
        late += 0.03
        wanted -= 0.25  # who closes up too slowly passes earlier
    else:
        raise RuntimeError("the incoming runner never came within reach")
    return _run(p, course, leg, chance, go, from_m, seconds, slack, before.pass_t)


def run_relay(
    course: Course, team: tuple[Person, ...], chances: tuple[LegChance, ...]
) -> tuple[list[LegRun], list[float]]:
    """All four runs, and the baton's moments at the start, the scratch lines and the finish, in s
    from the gun."""
    leg_s = LEG_M[course.event] / 6.0
    runs = [
        _run(team[0], course, 0, chances[0], chances[0].reaction_s,
             course.start_m - chances[0].stand_m, leg_s + 6.0)
    ]  # fmt: skip
    times = [0.0]
    for leg in range(1, 4):
        runs.append(_receive(course, leg, runs[-1], team[leg], chances[leg], leg_s + 6.0))
        times.append(baton_at(runs[leg - 1], runs[leg], course.zones_m[leg - 1][1]))
    times.append(runs[-1].crosses(course.finish_m))
    for leg in range(3):
        handed = runs[leg].pass_t or 0.0
        runs[leg] = _ease(runs[leg], handed + chances[leg].ease_lag_s, chances[leg].ease_mps2)
    runs[3] = _ease(runs[3], times[-1] + 0.4, 2.0)
    return runs, times


def baton_at(first: LegRun, second: LegRun, place_m: float) -> float:
    """When the baton is at a place: with the first trunk until the pass, with the second after."""
    handed = first.pass_t or 0.0
    out, into = second.crosses(place_m), first.crosses(place_m)
    return float(np.clip(handed, min(out, into), into))


def _with_splits(
    course: Course, team: tuple[Person, ...], chances: tuple[LegChance, ...],
    splits_s: tuple[float, ...],
) -> tuple[Person, ...]:  # fmt: skip
    """The team with top speeds at which its legs take so long."""
    people_ = list(team)
    for _ in range(6):
        times = run_relay(course, tuple(people_), chances)[1]
        legs = np.diff(times)
        for k, (is_, wish) in enumerate(zip(legs, splits_s, strict=True)):
            share = 1 + 1.05 * (is_ - wish) / wish
            one = people_[k]
            people_[k] = replace(one, top_mps=one.top_mps * share, push_mps2=one.push_mps2 * share)
        if np.abs(legs - splits_s).max() < 2e-4:
            break
    return tuple(people_)


# --- the folder ------------------------------------------------------------------------------


def make_race(
    folder: Path,
    seed: int,
    *,
    event: str = "4x100",
    lane: int = 5,
    splits_s: tuple[float, ...] | None = None,
    squad_mps: float = 9.8,
    squad_seed: int | None = None,
    names: tuple[str, ...] = ("otter", "heron", "rowan", "stoat"),
    rate_hz: float | tuple[float, ...] = 10.0,
    formats: tuple[str, ...] = ("csv",),
    imu: bool | tuple[bool, ...] = False,
    noise: str = "ordinary",
    delay_s: float | None = None,
    gun: bool = True,
    gun_sd_s: float = 0.02,
    official: bool = True,
    missing: tuple[int, ...] = (),
    race_lines: tuple[str, ...] = ("start", "finish"),
    written: tuple[int, ...] = (0, 1, 2, 3),
    session_id: str | None = None,
    start_utc_s: float = FIRST_RACE_UTC_S,
    truth_folder: Path | None = None,
) -> Row:
    """Run a race and write its session; the same arguments give the same bytes.

    `squad_seed`: the runners are those of `make_session` with the same one and `names`.
    `splits_s`: the legs' times, which the runners are shaped to run; `gun`, `official`: whether
    session.toml has the gun's UTC (off by the starter's clock, `gun_sd_s`, and rounded to 0.01 s)
    and the official time; `missing`: runners (0 to 3) without a file; `race_lines`: which are
    surveyed; `written`: the team's order in session.toml. The other words are `make_session`'s.
    What comes back is the truth, which is written too.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    who, acts, ground_rng, air, units_rng, survey = np.random.default_rng([seed, 20261210]).spawn(6)
    course = lay_course(event, lane)
    u = ground_rng.uniform
    ground = plan.Ground(u(30, 58), u(-42, -24), u(5, 400), u(0, 2 * np.pi))
    team = tuple(people.draw_person(who, name, squad_mps) for name in names)
    if squad_seed is not None:
        (own,) = np.random.default_rng([squad_seed, 20260513]).spawn(1)
        team = draw_squad(own, len(names), names).people
    if event == "4x400":
        team = tuple(
            replace(p, top_mps=0.93 * p.top_mps, push_mps2=0.9 * p.push_mps2,
                    fade_per_s=float(who.uniform(0.003, 0.0055))) for p in team
        )  # fmt: skip
    chances = tuple(draw_chance(acts, event, leg) for leg in range(4))
    if splits_s is not None:
        team = _with_splits(course, team, chances, splits_s)
    runs, times = run_relay(course, team, chances)

    t0 = start_utc_s + int(acts.integers(0, 200)) * DT
    gun_t = t0 + BEFORE_GUN_S + int(acts.integers(0, 200)) * DT
    end = int((gun_t - t0 + times[-1] + AFTER_S + 4.0) / DT)
    grid_s = t0 + np.arange(end) * DT
    traces = [_lay(acts, p, run, gun_t - t0) for p, run in zip(team, runs, strict=True)]
    bodies = {
        p.id: evening.finish(trace, grid_s, course.base_lane, r)
        for p, trace, r in zip(team, traces, acts.spawn(4), strict=True)
    }
    site = Site(event, "race", "today", lane, 1, 0.0, 30.0, 0.0, 1.0, ground)
    level = devices.LEVELS[noise]
    units = files.Units(rate_hz, formats, imu, 100.0, False, delay_s, "speed", level)
    recordings, listed = files.record(folder, units_rng, air, units, site, team, bodies, grid_s, [])
    for k in missing:
        for one in listed:
            if one.runner == names[k]:
                (folder / one.file).unlink()
    listed = [one for one in listed if one.runner not in {names[k] for k in missing}]
    _write_venue(folder / "venue.geojson", survey, site, course, race_lines)
    id_ = session_id or f"race-{seed}"
    files.write_session(folder / "session.toml", id_, t0, site, False, team, listed, [])
    chest = float(acts.uniform(0.0, 0.02))  # the chest is a little ahead of the unit
    official_s = float(np.ceil((times[-1] - chest) * 100) / 100)
    stamped = float(np.round(gun_t + acts.normal(0, gun_sd_s), 2))
    race = {
        "id": "final", "event": event, "lane": lane, "team": [names[k] for k in written],
        "gun_utc_s": stamped if gun else None, "official_time_s": official_s if official else None,
    }  # fmt: skip
    with (folder / "session.toml").open("a") as out:
        out.write(_race_in_toml(race))
    truth = {
        "session": {"id": id_, "event": event, "lane": lane, "seed": seed, "noise": noise,
                    "first_utc_s": t0, "last_utc_s": float(grid_s[-1]), "ground": asdict(ground)},
        "race": race | {"team": list(names), "gun_utc_s": gun_t,
                        "first_movement_utc_s": gun_t + runs[0].go_t,
                        "official_time_s": official_s},
        "legs": _true_legs(course, runs, names, gun_t, bodies, grid_s),
        "exchanges": _true_exchanges(course, runs, names, gun_t, bodies, grid_s),
        "recordings": recordings, "runners": [asdict(p) for p in team],
    }  # fmt: skip
    path = folder / "truth.json" if truth_folder is None else truth_folder / f"{id_}.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(truths.plain(truth), indent=1) + "\n")
    return truth


def _lay(rng: Rng, p: Person, run: LegRun, gun_s: float) -> evening.Trace:
    """The runner comes to his place, stands, and runs; `gun_s` is the gun in s from the beginning
    of the recordings. He has been still for some seconds when the race begins."""
    from_m, y = float(run.s_m[0]), float(run.y_m[0])
    trace = evening.Trace(p, from_m - float(rng.uniform(3, 7)), y + float(rng.uniform(0, 1)), rng)
    trace.stand(int(rng.uniform(8, 12) / DT))
    trace.walk(from_m, y, int(rng.uniform(18, 21) / DT), y)
    go = round((gun_s + run.go_t) / DT)
    trace.stand(go)
    trace.run(run.s_m[1:], run.y_m[1:], -1)
    return trace


def _race_in_toml(race: Row) -> str:
    out = ["", "[[race]]", f'id = "{race["id"]}"', f'event = "{race["event"]}"']
    out += [f"lane = {race['lane']}", "team = [" + ", ".join(f'"{x}"' for x in race["team"]) + "]"]
    if race["gun_utc_s"] is not None:
        stamp = datetime.fromtimestamp(round(race["gun_utc_s"] * 100) / 100, UTC)
        out.append(f"gun_utc = {stamp:%Y-%m-%dT%H:%M:%S}.{round(stamp.microsecond / 1e4):02d}Z")
    if race["official_time_s"] is not None:
        out.append(f"official_time_s = {race['official_time_s']:.2f}")
    return "\n".join(out) + "\n"


def _write_venue(
    path: Path, rng: Rng, site: Site, course: Course, race_lines: tuple[str, ...]
) -> None:
    """The lanes that the race is run in, all round, with their zones and the race's lines."""
    features = []
    lanes = sorted({course.lane, course.base_lane})
    for n in lanes:
        bend = np.pi * plan.lane_radius_m(n)
        half = [*np.arange(0, bend, 2.5), *np.arange(bend, bend + plan.STRAIGHT_M, 8.0)]
        stations = [*half, *(x + plan.lap_m(n) / 2 for x in half)]
        line = [files._surveyed(rng, site, n, x, 0.01) for x in stations]
        features.append(files._feature("LineString", [*line, line[0]], kind="lane", lane=n))
    sd = files.SURVEY_SD_M / np.sqrt(2)
    for zone in (1, 2, 3):
        home = course.lane if course.event == "4x100" or zone == 1 else course.base_lane
        for name, l_m in plan.zone_lines_m(course.event, home, zone).items():
            at = files._surveyed(rng, site, home, l_m, sd)
            features.append(
                files._feature("Point", at, kind="zone-line", lane=home, zone=zone, line=name)
            )
    places = {"start": plan.zone_lines_m(course.event, course.lane, 1)["exit"] - 10.0
              - LEG_M[course.event], "finish": 0.0}  # fmt: skip
    for name in race_lines:
        at = files._surveyed(rng, site, course.lane, places[name], sd)
        features.append(files._feature("Point", at, kind="race-line", lane=course.lane, line=name))
    doc = {"type": "FeatureCollection", "features": features}
    path.write_text(json.dumps(doc, separators=(", ", ": ")) + "\n")


# --- what really happened ----------------------------------------------------------------------


def _true_legs(
    course: Course, runs: list[LegRun], names: tuple[str, ...], gun_t: float,
    bodies: dict[str, evening.Body], grid_s: Floats,
) -> list[Row]:  # fmt: skip
    """The legs by the finished motion of the trunks, in which steps and wander are laid on."""
    lines = course.lines_m
    at = [gun_t]
    for leg in range(1, 4):
        into, out = (truths.cross(bodies[names[k]].l_m, lines[leg], grid_s) for k in (leg - 1, leg))
        handed = gun_t + (runs[leg - 1].pass_t or 0.0)
        if out is None:
            raise RuntimeError("a runner never came to the line")
        if into is None:  # he stopped before it
            at.append(max(handed, out))
        else:
            at.append(float(np.clip(handed, min(out, into), into)))
    over = truths.cross(bodies[names[3]].l_m, lines[4], grid_s)
    at.append(float(over or np.nan))
    rows: list[Row] = []
    for leg in range(1, 5):
        body = bodies[names[leg - 1]]
        own = (grid_s >= at[leg - 1]) & (grid_s <= at[leg])
        curve = np.array([_bend_pm(course, x) for x in body.l_smooth_m[own][::20]])
        aside = np.interp(body.l_smooth_m[own][::20], runs[leg - 1].s_m, runs[leg - 1].y_m)
        pace = body.v_smooth_mps[own][::20] * (1 + aside * curve)
        rows.append(
            {"leg": leg, "runner": names[leg - 1], "start_utc_s": at[leg - 1],
             "time_s": at[leg] - at[leg - 1], "v_max_mps": float(pace.max())}
        )  # fmt: skip
    total: Row = {"leg": 0, "runner": None, "start_utc_s": at[0], "time_s": at[4] - at[0]}
    return [total, *rows]


def _true_exchanges(
    course: Course, runs: list[LegRun], names: tuple[str, ...], gun_t: float,
    bodies: dict[str, evening.Body], grid_s: Floats,
) -> list[Row]:  # fmt: skip
    rows = []
    for k, (entry, _, exit_) in enumerate(course.zones_m):
        handed = gun_t + (runs[k].pass_t or 0.0)
        s_in, s_out = (bodies[names[k + i]].l_m for i in (0, 1))
        at = [float(np.interp(handed, grid_s, s)) for s in (s_in, s_out)]
        enters, leaves = truths.cross(s_in, entry, grid_s), truths.cross(s_out, exit_, grid_s)
        rows.append(
            {"exchange": k + 1, "zone": k + 1, "incoming": names[k], "outgoing": names[k + 1],
             "go_utc_s": gun_t + runs[k + 1].go_t, "entry_utc_s": enters, "exit_utc_s": leaves,
             "pass_utc_s": handed, "pass_m": sum(at) / 2 - entry, "free_distance_m": at[1] - at[0],
             "zone_time_s": None if enters is None or leaves is None else leaves - enters}
        )  # fmt: skip
    return rows
