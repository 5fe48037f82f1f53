"""What the units of a race's runners recorded of it: each runner's stand and run, cut out early so
that a long session need not be kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.base.relays import legs_m
from pipeline.base.values import Estimate, Floats, Frozen, Imu, Race, Rep, ZoneAxis
from pipeline.measure import reps
from pipeline.measure.finding import REST_MPS, TYPICAL_MPS, TYPICAL_S, TakeoverCandidate
from pipeline.measure.noise import SlowError
from pipeline.measure.races.expected import FASTEST_LEG_MPS, SLOWEST_LEG_MPS
from pipeline.measure.traces import Trace

STAND_S = 60.0  # so much of the wait before a run tells how the slow errors change
STANDS_MPS = 0.8
RUNS_MPS = 3.0
BROKEN_S = 1.5  # who is slower for longer has ended his run
GAP_S = 8.0  # without fixes a run may go on so long
BEYOND_S = 2.5  # after the run's end
LEAST_SHARE = 0.6  # of a leg's length, for a run to be the leg's
SURE_OF_GUN_S = 3.0


@dataclass(frozen=True, eq=False)
class RunOfLeg(Frozen):
    """One runner's stand and run in a race: fixes (n,), UTC, from `t_s[0]` to `t_s[-1]`.

    `launch` is the first movement in the speeds, the receiver's delay not taken out; `onset` that
    of an accelerometer, None without one. `over_s` is when the run ended: the runner slowed.
    """

    runner: str
    t_s: Floats
    xy_m: Floats
    speed_mps: Floats
    launch: Estimate
    onset: Estimate | None
    over_s: float


@dataclass(frozen=True, eq=False)
class RunsOfRace(Frozen):
    """A race as the traces have it: `race` with the team in the order in which it ran, each leg's
    run or why there is none, and remarks on the whole."""

    race: Race
    runs: tuple[RunOfLeg | str, ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class RacesCut(Frozen):
    """All races of a session as the traces have them, and the slow error of the positions, None
    where there is no race."""

    races: tuple[RunsOfRace, ...]
    slow: SlowError | None


def cut_races(
    races: Sequence[Race],
    chosen: Sequence[tuple[TakeoverCandidate, Rep | None]],
    axes: Sequence[ZoneAxis],
    traces: Mapping[str, Trace],
    plane: Mapping[str, Floats],
    imus: Mapping[str, tuple[Imu, float]],
    levels: Mapping[str, reps.Levels],
    slow: SlowError,
) -> RacesCut:
    """Cut the runs of all races, whose takeovers are those of `chosen` with a race's row."""
    cut = []
    for race in races:
        chain = [
            (axes[one.axis].zone, one)
            for one, rep in chosen
            if rep is not None and rep.race == race.id
        ]
        cut.append(
            cut_race(race, sorted(chain, key=lambda link: link[0]), traces, plane, imus, levels)
        )
    return RacesCut(tuple(cut), slow)


def cut_race(
    race: Race,
    chain: Sequence[tuple[int, TakeoverCandidate]],
    traces: Mapping[str, Trace],
    plane: Mapping[str, Floats],
    imus: Mapping[str, tuple[Imu, float]],
    levels: Mapping[str, reps.Levels],
) -> RunsOfRace:
    """Cut every leg's run out of the traces. `chain` are the race's takeovers with their zones,
    in their order, `plane` the traces'
    east-north metres (n, 2)."""
    legs = legs_m(race.event)
    if len(legs) != len(race.team):
        words = f"the {race.event} has {len(legs)} legs, the team {len(race.team)} runners"
        return RunsOfRace(race, (words,) * len(race.team))
    window = _race_window(race, legs, chain)
    if window is None:
        words = "the race is not seen in the traces: no gun, and none of its takeovers"
        return RunsOfRace(race, (words,) * len(legs))
    into = dict(chain)
    runs: list[RunOfLeg | str] = []
    for leg, (runner, far_m) in enumerate(zip(race.team, legs, strict=True)):
        if runner not in traces:
            runs.append(f"no recording of {runner}, who ran leg {leg + 1}")
            continue
        starts = into[leg].go_s if leg in into else None
        ends = into[leg + 1].entry_s if leg + 1 in into else None
        seen = _fast_stretch(traces[runner], window, far_m, starts, ends)
        if seen is None:
            runs.append(f"no run over the {far_m:.0f} m of leg {leg + 1} in {runner}'s recording")
            continue
        runs.append(_cut(traces[runner], plane[runner], seen, imus.get(runner), levels[runner]))
    return RunsOfRace(race, tuple(runs))


def moved_in_time(one: RunsOfRace, by_s: Mapping[str, float]) -> RunsOfRace:
    """The same with the units' stamps later, by runner, by so many seconds."""

    def later(run: RunOfLeg | str) -> RunOfLeg | str:
        by = 0.0 if isinstance(run, str) else by_s.get(run.runner, 0.0)
        if isinstance(run, str) or not by:
            return run
        onset = run.onset
        return replace(
            run,
            t_s=run.t_s + by,
            launch=Estimate(run.launch.value + by, run.launch.sd),
            onset=None if onset is None else Estimate(onset.value + by, onset.sd),
            over_s=run.over_s + by,
        )

    return replace(one, runs=tuple(later(run) for run in one.runs))


def _race_window(
    race: Race, legs: Sequence[float], chain: Sequence[tuple[int, TakeoverCandidate]]
) -> tuple[float, float] | None:
    """Between which moments the race was run."""
    if race.gun_utc_s is not None:
        first = race.gun_utc_s - SURE_OF_GUN_S
    elif chain:
        zone, one = chain[0]
        first = one.entry_s - sum(legs[:zone]) / SLOWEST_LEG_MPS
    else:
        return None
    last = first + sum(legs) / SLOWEST_LEG_MPS + 2 * SURE_OF_GUN_S
    if chain:
        zone, one = chain[-1]
        last = min(last, one.entry_s + (sum(legs[zone:]) + 40.0) / SLOWEST_LEG_MPS)
    return first, last


def _fast_stretch(
    trace: Trace,
    window: tuple[float, float],
    far_m: float,
    starts_s: float | None,
    ends_s: float | None,
) -> tuple[float, float] | None:
    """When the runner began and ended the run of his leg: the stretch at speed that reaches a known
    takeover, else the longest in the window."""
    inside = np.flatnonzero(
        (trace.t_s >= window[0]) & (trace.t_s <= window[1]) & (trace.pace_mps > RUNS_MPS)
    )
    t, v = trace.t_s[inside], trace.pace_mps[inside]
    if len(t) < 2:
        return None
    slowed = (np.diff(inside) > 1) & (np.diff(t) > BROKEN_S)  # fixes between them at a walk
    broken = np.flatnonzero(slowed | (np.diff(t) > GAP_S)) + 1
    best: tuple[float, tuple[float, float]] | None = None
    for part in np.split(np.arange(len(t)), broken):
        begin, end = float(t[part[0]]), float(t[part[-1]])
        if starts_s is not None and not begin - 3.0 <= starts_s <= end:
            continue
        if ends_s is not None and not begin <= ends_s <= end + 1.0:
            continue
        ran_m = float(np.trapezoid(v[part], t[part])) if len(part) > 1 else 0.0
        quick = far_m / FASTEST_LEG_MPS * LEAST_SHARE
        if ran_m >= LEAST_SHARE * far_m and end - begin >= quick:
            best = max(best or (ran_m, (begin, end)), (ran_m, (begin, end)))
    return None if best is None else best[1]


def _launch(trace: Trace, fast_s: float, level: reps.Levels) -> Estimate:
    """The first movement in the speeds before the first fix at a run. Where the fixes have a gap
    there, it is as unsure as the gap is long."""
    rest = (trace.t_s < fast_s) & (trace.t_s > fast_s - GAP_S) & (trace.pace_mps < REST_MPS)
    still_s = float(trace.t_s[rest][-1]) if rest.any() else fast_s - 2 * TYPICAL_S
    v = float(trace.pace_mps[np.searchsorted(trace.t_s, fast_s)])
    typical_s = fast_s + TYPICAL_S * float(np.log1p(-min(v / TYPICAL_MPS, 0.9)))
    near = max(still_s, typical_s)
    found = reps.measure_launch(trace, near, level, 0.0)
    before = trace.t_s[trace.t_s <= found.value]
    after = trace.t_s[trace.t_s > found.value]
    gap_s = float(after[0] - before[-1]) if len(before) and len(after) else GAP_S
    usual_s = 1.5 / trace.rate_hz
    if gap_s <= usual_s:
        return found
    return Estimate(found.value, float(np.hypot(found.sd, gap_s / np.sqrt(12))))


def _cut(
    trace: Trace,
    xy_m: Floats,
    seen: tuple[float, float],
    imu: tuple[Imu, float] | None,
    level: reps.Levels,
) -> RunOfLeg:
    fast_s, over_s = seen
    launch = _launch(trace, fast_s, level)
    near = launch.value
    onset = None
    if imu is not None:
        seen_start = Estimate(launch.value - reps.DELAY_S.value, launch.sd)
        onset = reps.measure_onset(reps.cut_imu(imu, near, near)[0], seen_start, imu[1])
    before = (trace.t_s < launch.value - 0.3) & (trace.t_s > launch.value - STAND_S)
    moving = before & ~(trace.pace_mps < STANDS_MPS)
    first = float(trace.t_s[moving][-1]) + 0.7 if moving.any() else launch.value - STAND_S
    inside = (trace.t_s >= min(first, launch.value - 0.3)) & (trace.t_s <= over_s + BEYOND_S)
    return RunOfLeg(
        trace.runner,
        trace.t_s[inside],
        xy_m[inside],
        trace.speed_mps[inside],
        launch,
        onset,
        over_s,
    )
