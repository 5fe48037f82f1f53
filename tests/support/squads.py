"""Lakes of invented squads in a second, without files: takeovers of the generator in
sample_tracks/, with the errors that processing leaves (docs/accuracy.md) put on them here.

Courses get an error that wanders over seconds (0.1 m, 0.05 m/s); crossings, speeds, free
distance and zone time are read from those courses, so their errors belong together as they do
in real tables. Moments of pass and first movement get errors of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import checkout  # noqa: F401 - finds sample_tracks
import numpy as np
import people
import practice
import pyarrow as pa
from shared_work import shared
from worlds import World

from pipeline.tables import schema

FIRST_UTC_S = 1_778_602_800.0  # 2026-05-12T16:20:00Z
DAY_S = 86_400.0
CURVE_HZ = 50.0

# Errors, as docs/accuracy.md has them for 10 Hz units with accelerometers and a sheet.
OFFSET_M, WANDER_M, WANDER_S = 0.07, 0.08, 2.5
PASS_S, GO_S, MARK_S = 0.12, 0.010, 0.012
SPEED_SD_MPS = 0.05
LEAST_OFF_S, HABIT_SDS = 0.08, 2.5  # a start so far off the habit is early or late

Row = dict[str, Any]


@dataclass(frozen=True)
class Course:
    """One runner's course as processing would give it, (n,) each; times from the set-off."""

    t_s: np.ndarray
    s_m: np.ndarray
    v_mps: np.ndarray
    a_mps2: np.ndarray

    def s_at(self, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.s_m))

    def v_at(self, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.v_mps))

    def crosses(self, s_m: float) -> float | None:
        """First moment at or beyond `s_m`, None where that is never."""
        beyond = np.flatnonzero((self.s_m[:-1] < s_m) & (self.s_m[1:] >= s_m))
        if not len(beyond):
            return None
        i = int(beyond[0])
        part = (s_m - self.s_m[i]) / (self.s_m[i + 1] - self.s_m[i])
        return float(self.t_s[i] + part * (self.t_s[i + 1] - self.t_s[i]))


def draw(
    seed: int,
    *,
    n_runners: int = 6,
    event: str = "4x100",
    place: str = "cones",
    lane: int | None = None,
    names: tuple[str, ...] | None = None,
    rules: str = "today",
    world: World | None = None,
) -> tuple[practice.Squad, practice.Site]:
    """The squad that `simulate.make_session(..., squad_seed=seed, names=names, world=world)` has
    too, and a site of its kind."""
    who, ground = np.random.default_rng([seed, 20260513]).spawn(2)
    site = practice.choose_site(np.random.default_rng([seed, 1]), ground, event, place, lane, rules)
    return practice.draw_squad(who, n_runners, names, world), site


@shared
def lake(
    seed: int,
    *,
    n_runners: int = 6,
    evenings: int = 3,
    reps: int = 12,
    event: str = "4x100",
    place: str = "cones",
    days_between: float = 7.0,
    fault_share: float = 0.15,
    errors: float = 1.0,
) -> tuple[Any, practice.Squad, practice.Site]:
    """A lake (`tables.lake.Lake`, without a folder behind it) of some evenings of one squad,
    the squad and the site. `errors` scales all measuring errors and their standard errors."""
    from pipeline.tables.lake import Lake

    squad, site = draw(seed, n_runners=n_runners, event=event, place=place)
    exchanges, curves = tables(seed, squad, site, evenings, reps, days_between, fault_share, errors)
    return Lake(Path("lake"), exchanges, curves, {}), squad, site


def tables(
    seed: int,
    squad: practice.Squad,
    site: practice.Site,
    evenings: int = 3,
    reps: int = 12,
    days_between: float = 7.0,
    fault_share: float = 0.15,
    errors: float = 1.0,
    **dealt: Any,
) -> tuple[pa.Table, pa.Table]:
    """`exchanges` and `speed_curves` of all evenings, in time order; `dealt` as in `takeovers`."""
    rng = np.random.default_rng([seed, 2])
    rows: list[Row] = []
    parts: list[dict[str, Any]] = []
    for evening in range(evenings):
        session = f"evening-{seed}-{evening + 1}"
        begin = FIRST_UTC_S + evening * days_between * DAY_S
        dealt_reps = takeovers(rng, squad, site, reps, fault_share, **dealt)
        for number, (row, plan) in enumerate(dealt_reps, 1):
            run = people.take_over(row["in"], row["out"], plan)
            key = {"session": session, "exchange": number}
            exchange, courses = seen(rng, row, run, site, errors)
            zero = exchange.pop("zero_t_s")
            rows.append(key | exchange | {"zero_utc": begin + 90.0 * number + zero, "rep": number})
            parts += [
                key
                | {"runner": row[who].id, "role": role, "course": courses[who]}
                | {"zero": zero, "errors": errors, "zone_m": site.zone_m}
                for who, role in (("in", "incoming"), ("out", "outgoing"))
            ]
    facts = schema.facts("exchanges").names
    exchanges = schema.conform("exchanges", {n: [row.get(n) for row in rows] for n in facts})
    return exchanges, _curves(parts)


def takeovers(
    rng: people.Rng,
    squad: practice.Squad,
    site: practice.Site,
    reps: int,
    fault_share: float,
    pairs: Sequence[tuple[int, int]] = (),
    stand_m: float | None = None,
) -> list[tuple[Row, people.RepPlan]]:
    """An evening's takeovers as `simulate` deals them: who, what was meant, how it will go.

    `pairs`: those that practise, in turn, `reps` each (none: `reps` of the generator's own
    programme); `stand_m`: where every receiver stands (None: where the setup says)."""
    setups: dict[tuple[str, str], practice.Setup] = {}
    tries: dict[tuple[str, str], int] = {}
    out = []
    dealt = list(pairs) * reps
    if not dealt:
        dealt = [(a, b) for _, a, b in practice.programme(rng, reps, len(squad.people), ())]
    for a, b in dealt:
        pi, po = squad.people[a], squad.people[b]
        pair = pi.id, po.id
        if tries.get(pair, 0) % 4 == 0:
            setup = practice.of_world(rng, site, practice.draw_setup(rng, site), squad.world)
            setups[pair] = setup if stand_m is None else replace(setup, out_start_m=stand_m)
        tries[pair] = tries.get(pair, 0) + 1
        fault = str(rng.choice(practice.FAULTS)) if rng.random() < fault_share else None
        plan, mark_m = practice.plan_takeover(
            rng, site, pi, po, squad.reach_m[pair], setups[pair], fault, 0.05, squad.world
        )
        row = {"in": pi, "out": po, "mark_m": None if site.four_hundred else mark_m}
        row |= {"incoming_start_m": setups[pair].in_start_m}
        row |= {"outgoing_start_m": setups[pair].out_start_m}
        out.append((row, plan))
    return out


# --- what processing would make of it -----------------------------------------------------


def seen(
    rng: people.Rng, row: Row, run: people.RepRun, site: practice.Site, errors: float
) -> tuple[Row, dict[str, Course]]:
    """A row of `exchanges` but for its keys, with `zero_t_s` from the set-off; both courses."""
    t = np.arange(len(run.s_in)) * people.DT
    go = run.go_t
    courses = {
        "in": _course(rng, t, run.s_in, 0.0, errors),
        "out": _course(rng, t, run.s_out, t[-1] if go is None else go, errors),
    }
    entry = courses["in"].crosses(0.0)
    exit_ = courses["out"].crosses(site.zone_m)
    zero = t[-1] if entry is None else entry  # pulled up before the zone
    x: Row = {
        "event": site.event, "zone": site.zone, "lane": site.lane,
        "incoming": row["in"].id, "outgoing": row["out"].id, "foot_m": row["out"].foot_m,
        "incoming_foot_m": row["in"].foot_m,
        "outcome": "not passed", "zero_t_s": zero, "pass_basis": "inferred",
        "mark_m": row["mark_m"], "faults": [], "remarks": [],
        "incoming_start_m": row["incoming_start_m"], "outgoing_start_m": row["outgoing_start_m"],
    }  # fmt: skip
    if row["mark_m"] is not None:
        mark = courses["in"].crosses(site.back_s - row["mark_m"])
        if mark is not None:
            x |= {"mark_t_s": mark - zero, "mark_t_sd_s": MARK_S * errors}
    if go is not None:
        seen_go = go + rng.normal(0, GO_S * errors)
        x |= {"go_t_s": seen_go - zero, "go_t_sd_s": GO_S * errors}
        if x.get("mark_t_s") is not None:
            x["go_lag_s"] = x["go_t_s"] - x["mark_t_s"]
    if entry is not None:
        x |= _speed("v_in_entry", courses["in"].v_at(entry), errors)
    if exit_ is not None:
        x |= _speed("v_out_exit", courses["out"].v_at(exit_), errors)
    if run.pass_t is not None:
        moment = run.pass_t + rng.normal(0, PASS_S * errors)
        x |= _pass(moment, courses, entry, exit_, site, errors, zero)
    x["faults"] = _faults(x, run, site, row["out"])
    return x, courses


def _course(rng: people.Rng, t: np.ndarray, s: np.ndarray, go: float, errors: float) -> Course:
    """Truth at 200 Hz with an error that is constant while the runner stands, then wanders."""
    keep = slice(None, None, round(1 / (CURVE_HZ * people.DT)))
    dt = 1 / CURVE_HZ
    v = np.gradient(s, people.DT)
    t, s, v = t[keep], s[keep], v[keep]
    moving = np.clip((t - go) / 0.8, 0.0, 1.0) ** 2
    wander = people.slow_noise(rng, len(t), dt, WANDER_S, WANDER_M, 4.0)
    error = errors * (rng.normal(0, OFFSET_M) + moving * wander)
    v = v + np.gradient(error, dt)
    return Course(t, s + error, v, np.gradient(v, dt))


def _speed(name: str, value: float, errors: float) -> Row:
    return {f"{name}_mps": value, f"{name}_sd_mps": SPEED_SD_MPS * errors}


def _pass(
    moment: float, courses: dict[str, Course], entry: float | None, exit_: float | None,
    site: practice.Site, errors: float, zero: float,
) -> Row:  # fmt: skip
    c_in, c_out = courses["in"], courses["out"]
    s_in, s_out = c_in.s_at(moment), c_out.s_at(moment)
    v_in, v_out = c_in.v_at(moment), c_out.v_at(moment)
    at, sd = 0.5 * (s_in + s_out), PASS_S * errors * 0.5 * (v_in + v_out)
    gap_sd = errors * np.hypot(0.15, PASS_S * (v_in - v_out))
    out: Row = {
        "outcome": "passed", "pass_t_s": moment - zero, "pass_t_sd_s": PASS_S * errors,
        "pass_m": at, "pass_sd_m": sd, "free_distance_m": s_out - s_in,
        "free_distance_sd_m": gap_sd, "p_in_zone": _inside(at, sd, site.zone_m),
    }  # fmt: skip
    # speeds at the pass move with the moment taken for it
    for name, course in (("v_in_pass", c_in), ("v_out_pass", c_out)):
        a = float(np.interp(moment, course.t_s, course.a_mps2))
        sd_v = errors * float(np.hypot(SPEED_SD_MPS, PASS_S * a))
        out |= {f"{name}_mps": course.v_at(moment), f"{name}_sd_mps": sd_v}
    carried_out = c_in.crosses(site.zone_m)
    leaves = exit_
    if carried_out is not None and carried_out <= moment:
        leaves = carried_out
    elif exit_ is not None:
        leaves = max(exit_, moment)
    enters = entry
    if entry is None or entry > moment:
        enters = max(c_out.crosses(0.0) or moment, moment)
    if leaves is not None and enters is not None and leaves - enters > 0.5:
        sd = float(errors * np.hypot(OFFSET_M, WANDER_M) * np.hypot(1 / v_in, 1 / v_out))
        out |= {
            "zone_time_s": leaves - enters, "zone_time_sd_s": sd,
            "zone_speed_mps": site.zone_m / (leaves - enters),
        }  # fmt: skip
    return out


def _inside(at: float, sd: float, zone_m: float) -> float:
    if sd == 0:
        return float(0 <= at <= zone_m)
    from scipy.special import ndtr

    return float(np.clip(ndtr((zone_m - at) / sd) - ndtr(-at / sd), 0.0, 1.0))


def _faults(x: Row, run: people.RepRun, site: practice.Site, receiver: people.Person) -> list[str]:
    """The words processing would find; starts are judged by the receiver's habit."""
    lag, at, p = x.get("go_lag_s"), x.get("pass_m"), x.get("p_in_zone")
    off = None if lag is None else lag - receiver.lag_s
    usual_s = max(LEAST_OFF_S, HABIT_SDS * receiver.lag_spread_s)
    gap = float(np.min(run.s_out - run.s_in))
    said = {
        "early start": off is not None and off < -usual_s,
        "late start": off is not None and off > usual_s,
        "ran into": gap < 0.4,
        "ran away": run.pass_t is None and run.go_t is not None,
        "passed before the zone": p is not None and p < 0.2 and at < site.zone_m / 2,
        "passed beyond the zone": p is not None and p < 0.2 and at > site.zone_m / 2,
        "incoming slowed": run.slowed,
        "outgoing eased": run.eased,
    }
    return [word for word, so in said.items() if so]


def _curves(parts: list[dict[str, Any]]) -> pa.Table:
    columns: dict[str, list[Any]] = {n: [] for n in schema.facts("speed_curves").names}
    spans = _spans(parts)
    for part, (first, last) in zip(parts, spans, strict=True):
        c, zero = part["course"], part["zero"]
        # rows at whole fiftieths from the moment on the entry line
        t = np.arange(np.ceil((first - zero) * CURVE_HZ), (last - zero) * CURVE_HZ) / CURVE_HZ
        at = t + zero
        n, still = len(t), np.interp(at, c.t_s, c.v_mps) < 1e-3
        columns["t_s"].append(t)
        columns["s_m"].append(np.interp(at, c.t_s, c.s_m))
        columns["v_mps"].append(np.interp(at, c.t_s, c.v_mps))
        columns["a_mps2"].append(np.interp(at, c.t_s, c.a_mps2))
        sd = np.where(still, OFFSET_M, np.hypot(OFFSET_M, WANDER_M))
        columns["s_sd_m"].append(part["errors"] * sd)
        columns["v_sd_mps"].append(np.where(still, 0.0, part["errors"] * SPEED_SD_MPS))
        for name in ("session", "exchange", "runner", "role"):
            columns[name] += [part[name]] * n
    for name in ("t_s", "s_m", "v_mps", "a_mps2", "s_sd_m", "v_sd_mps"):
        columns[name] = np.concatenate(columns[name])  # type: ignore[assignment]
    return schema.conform("speed_curves", columns)


def _spans(parts: list[dict[str, Any]]) -> list[tuple[float, float]]:
    """From the set-off (or 60 m before the zone) to the receiver's first 30 m beyond it."""
    spans = []
    for one, other in zip(parts[::2], parts[1::2], strict=True):
        first = one["course"].crosses(-60.0) or 0.0
        last = other["course"].crosses(one["zone_m"] + 30.0) or float(other["course"].t_s[-1])
        spans += [(first, last)] * 2
    return spans
