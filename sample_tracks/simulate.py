"""Make a practice session that never was, and keep the truth of it.

`make_session` writes session.toml, reps.csv, venue.geojson, one file a recording and the truth
into a folder. README.md beside this file says what the words of the truth mean.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

import devices
import evening
import exercises
import files
import numpy as np
import observers as eyes
import people
import practice
import truths
import wrists
from people import DT, Person, RepRun, Rng
from practice import DISTRACTORS, Site, Squad
from truths import Row, Truth
from worlds import World

__all__ = ["DISTRACTORS", "Truth", "make_session"]

FIRST_EVENING_UTC_S = 1778602800.0  # 2026-05-12T16:20:00Z

Staged = list[tuple[Row, int, RepRun]]
Traces = dict[str, evening.Trace]


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
    notes: bool = True,
    squad_seed: int | None = None,
    world: World | None = None,
    restless: float = 0.0,
    false_starts: float = 0.0,
    observers: tuple[eyes.Observing, ...] = (),
    truth_folder: Path | None = None,
    wrist_kinds: tuple[str, ...] = (),
    wrist_hz: float | None = None,
    drills: tuple[str, ...] = (),
    pairs: tuple[tuple[int, int], ...] = (),
    stand_m: float | None = None,
) -> Truth:
    """Simulate an evening and write it to `folder`; the same arguments give the same bytes.

    `place`: straight (as far as a painted zone is one), bend, or cones: a zone set out on the
    back straight, straight with its run-up; `noise`: quiet, ordinary, rough (devices.LEVELS);
    `delay_s`: group delay of every receiver's speed low-pass (None: the level's own, 0 unless
    rough), applied to the speed, or with `delay_on="both"` to the position too; `formats`: csv,
    gpx-plain (no speed),
    csv.gz, fit (sensors in the same file; fit-raw: as counts with their calibration;
    fit-uptime: stamps from the unit's own switch-on, tied once), fit-record, gpx, gpx-s (stamps
    cut to whole seconds), tcx, nmea, dealt to the runners in turn, as are rates and `imu`;
    `counter_imu`: the accelerometers count for themselves (True, or one answer a runner);
    `taps`: how often all units are knocked together; `seen_share`: share of the reps whose
    sheet has a pass seen beside the zone; `notes`: whether it says of takeovers that failed that
    they did; `fault_share`: share of the reps that go wrong;
    `distractors`: which of DISTRACTORS come between, True for each once;
    `world`: habits and bodies of its people (None: the first world's); `restless`: share of the
    reps whose receiver shuffles on the spot before the start, or steps forward and back;
    `false_starts`: share of the reps whose receiver sets off too soon, stops and walks back;
    `observers`: films, gates and stopwatches (observers.py), each of which writes a CSV;
    `squad_seed`: sessions with the same one (and `names`) have the same runners and ground.
    `wrist_kinds`: what the arm with a unit on its wrist does (wrists.KINDS; "": no unit), dealt
    to the runners in turn, at `wrist_hz` (None: drawn).
    `drills`: exercises at the end of the evening (exercises.KINDS), in `Truth.session["drills"]`.
    `pairs`: those who practise, in turn, by their numbers (none: a programme of the generator's
    own); `stand_m`: where all receivers stand, past the back line (None: where they like).
    The truth goes into `folder` as truth.json and truth_curves.csv, or into `truth_folder`
    under the session's id.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    who, acts, ground, air, units_rng, survey, sheet_rng = np.random.default_rng(
        [seed, 20260512]
    ).spawn(7)
    if squad_seed is not None:
        who, ground = np.random.default_rng([squad_seed, 20260513]).spawn(2)
    site = practice.choose_site(acts, ground, event, place, lane, rules)
    squad = practice.draw_squad(who, n_runners, names, world)
    if start_utc_s is None:
        days, minutes = acts.integers(0, 90, 2)
        start_utc_s = FIRST_EVENING_UTC_S + 86400.0 * days + 60.0 * minutes
    t0 = float(start_utc_s + int(acts.integers(0, 200)) * DT)

    traces, now, tap_k = _gather(acts, site, squad, taps > 0)
    kinds = DISTRACTORS if distractors is True else (distractors or ())
    what = practice.programme(acts, n_reps, n_runners, kinds)
    if pairs:
        what = [("rep", *pairs[k % len(pairs)]) for k in range(n_reps)]
    feet = np.random.default_rng([seed, 20261130])
    unrest = practice.Unrest(feet, restless, false_starts) if restless or false_starts else None
    staged, others = _run_programme(
        acts, site, squad, traces, what, now, spacing_s, fault_share, placement_sd_m, unrest,
        stand_m,
    )  # fmt: skip
    trained = _train(np.random.default_rng([seed, 20261210]), site, traces, drills)
    end, late_taps = _gather_again(acts, site, traces, taps)
    tap_t = [t0 + k * DT for k in tap_k + late_taps]
    grid_s = t0 + np.arange(end, dtype=np.float64) * DT
    bodies = {
        p.id: evening.finish(traces[p.id], grid_s, site.lane, r)
        for p, r in zip(squad.people, acts.spawn(n_runners), strict=True)
    }
    exchanges, courses = [], {}
    for number, (row, start, run) in enumerate(staged, 1):
        x = truths.measure({"exchange": number} | row, start, run, site, bodies, grid_s)
        exchanges.append(x)
        if curves:
            courses.update(truths.curves_of(x, start, run, site, bodies, grid_s))

    level = devices.LEVELS[noise]
    if world is not None:
        delay_s = world.delay_s if delay_s is None else delay_s
        level = level if world.scale is None else replace(level, scale=world.scale)
    units = files.Units(rate_hz, formats, imu, imu_hz, counter_imu, delay_s, delay_on, level)
    recordings, listed = files.record(
        folder, units_rng, air, units, site, squad.people, bodies, grid_s, tap_t
    )
    if wrist_kinds:
        more = wrists.record(
            folder, np.random.default_rng([seed, 20261201]), wrist_kinds, wrist_hz, squad.people,
            exchanges, bodies, grid_s,
        )  # fmt: skip
        recordings, listed = recordings + more[0], listed + more[1]
    id_ = session_id or f"evening-{seed}"
    gated = any(isinstance(x, eyes.Gates) for x in observers)
    gates_m = eyes.gate_places_m(site.zone_m) if gated else {}
    gates_rng = np.random.default_rng([seed, 20261204])
    files.write_venue(folder / "venue.geojson", survey, site, gates_m, gates_rng)
    files.write_session(folder / "session.toml", id_, t0, site, sheet, squad.people, listed, tap_t)
    (folder / "reps.csv").unlink(missing_ok=True)
    if sheet:
        files.write_sheet(
            folder / "reps.csv", sheet_rng, exchanges, squad.people, seen_share, blank_cells, notes
        )
        if trained:
            exercises.add_to_sheet(folder / "reps.csv", _on_utc(trained, t0), files.stamp)
    session = {
        "id": id_, "event": event, "lane": site.lane, "zone": site.zone, "zone_m": site.zone_m,
        "back_s": site.back_s, "place": place, "rules": rules, "seed": seed, "noise": noise,
        "rate_hz": rate_hz, "entry_l_m": site.entry_l_m, "first_utc_s": t0,
        "last_utc_s": float(grid_s[-1]), "sheet": sheet, "ground": asdict(site.ground),
    }  # fmt: skip
    if trained:
        session["drills"] = _on_utc(trained, t0)
    truth = Truth(
        folder, session, exchanges, recordings, [asdict(p) for p in squad.people],
        [_dated(x, t0) for x in others], tap_t, courses, bodies, grid_s,
    )  # fmt: skip
    eyes.write_observations(truth, seed, observers)
    truths.write(truth, truth_folder)
    return truth


def _train(rng: Rng, site: Site, traces: Traces, drills: tuple[str, ...]) -> list[Row]:
    rows: list[Row] = []
    for kind in drills:
        now = max(trace.n for trace in traces.values())
        own, end = exercises.stage(kind, rng, site, list(traces.values()), now)
        first, last = own[0]["from_index"], own[0]
        last_in_line = last["outgoing"] if kind != "rotation" else list(traces)[-1]
        rows += [row | {"begin_index": first, "last_in_line": last_in_line} for row in own]
        for trace in traces.values():
            trace.stand(end)
    return rows


def _on_utc(rows: list[Row], t0: float) -> list[Row]:
    names = ("from", "to", "begin")
    return [
        row | {f"{name}_utc_s": t0 + row[f"{name}_index"] * DT for name in names} for row in rows
    ]


def _dated(other: Row, t0: float) -> Row:
    x = dict(other)
    x["from_utc_s"], x["to_utc_s"] = (t0 + x.pop(k) * DT for k in ("from_index", "to_index"))
    return x


def _meeting_point(site: Site, k: int) -> tuple[float, float]:
    return site.entry_l_m - 4.0 + 0.6 * k, 3.6 + 0.7 * (k % 2)


def _gather(rng: Rng, site: Site, squad: Squad, tap: bool) -> tuple[Traces, int, list[float]]:
    """All stand together; index at which the evening begins, and of the first tap."""
    traces = {
        p.id: evening.Trace(p, *_meeting_point(site, k), rng) for k, p in enumerate(squad.people)
    }
    now = int(rng.uniform(8, 11) / DT)
    if not tap:
        return traces, now, []
    at = now - (2.5 - float(rng.uniform(0, 0.5))) / DT
    for trace in traces.values():
        trace.stand(now + int(rng.uniform(1, 3) / DT))
    return traces, now, [at]


def _gather_again(rng: Rng, site: Site, traces: Traces, taps: int) -> tuple[int, list[float]]:
    """Index at which the recordings end; where there are taps to come, all stand together."""
    end = max(trace.n for trace in traces.values()) + int(6 / DT)
    if taps < 2:
        return end, []
    for k, trace in enumerate(traces.values()):
        far = abs(trace.l_m - _meeting_point(site, k)[0])
        end = max(end, trace.n + int((far / 1.5 + 8) / DT))
    for k, trace in enumerate(traces.values()):
        trace.walk(*_meeting_point(site, k), end, 4.2)
    between = 5 + float(rng.uniform(0, 0.5))
    knocks = [end + int((3 + between * k) / DT) for k in range(taps - 1)]
    return knocks[-1] + int(6 / DT), [float(k) for k in knocks]


def _run_programme(
    rng: Rng, site: Site, squad: Squad, traces: Traces, what: list[tuple[str, int, int]],
    now: int, spacing_s: float, fault_share: float, placement_sd_m: float,
    unrest: practice.Unrest | None, stand_m: float | None,
) -> tuple[Staged, list[Row]]:  # fmt: skip
    """Everything that is run, one after the other: takeovers, and what is none."""
    setups: dict[tuple[str, str], practice.Setup] = {}
    tries: dict[tuple[str, str], int] = {}
    staged: Staged = []
    others: list[Row] = []
    for kind, a, b in what:
        pi, po = squad.people[a], squad.people[b]
        pair = pi.id, po.id
        if tries.get(pair, 0) % 4 == 0:  # a coach moves tapes and mark now and then
            setup = practice.draw_setup(rng, site)
            setup = practice.of_world(rng, site, setup, squad.world)
            setups[pair] = setup if stand_m is None else replace(setup, out_start_m=stand_m)
        tries[pair] = tries.get(pair, 0) + 1
        faulty = kind == "rep" and rng.random() < fault_share
        fault = str(rng.choice(practice.FAULTS)) if faulty else None
        rep, mark_m = practice.plan_takeover(
            rng, site, pi, po, squad.reach_m[pair], setups[pair], fault, placement_sd_m,
            squad.world,
        )  # fmt: skip
        first, second = traces[pi.id], traces[po.id]
        c = practice.call(rng, site, traces, first, second, rep, now, spacing_s, squad.world)
        if kind == "rep":
            start, run = practice.stage_takeover(rng, site, c, rep, unrest)
            row = _meant(len(staged) + 1, site, pi, po, setups[pair], rep, mark_m, fault)
            staged.append((row, start, run))
        elif kind == "solo":
            others += practice.stage_solo(rng, site, c)
        elif kind == "start alone":
            others += practice.stage_start_alone(rng, site, c, rep.out_from_s)
        elif kind == "abreast":
            others += practice.stage_abreast(rng, site, c)
        elif kind == "broken off":
            others += practice.stage_broken_off(rng, site, c, rep)
        else:
            raise ValueError(f"no {kind!r}; there are {', '.join(DISTRACTORS)}")
        now = (second if kind == "start alone" else first).n
    return staged, others


def _meant(
    rep: int, site: Site, pi: Person, po: Person, setup: practice.Setup, plan: people.RepPlan,
    mark_m: float, fault: str | None,
) -> Row:  # fmt: skip
    return {
        "rep": rep, "incoming": pi.id, "outgoing": po.id, "event": site.event,
        "zone": site.zone, "lane": site.lane, "injected": fault,
        # in the 4x400 nobody tapes a mark: the trigger is where the eye says go
        "mark_m": None if site.four_hundred else mark_m, "trigger_s": plan.mark_s,
        "in_start_m": setup.in_start_m, "out_start_m": setup.out_start_m,
        "reach_m": plan.reach_m, "lag_planned_s": plan.lag_s,
    }  # fmt: skip
