"""The legs of a race from the baton's course: times from line to line with their standard errors.

What cannot be known is left out with a remark, and takes nothing else with it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from pipeline.base.relays import BENDS_IN_LANES, is_blind, legs_m
from pipeline.base.stadium import keeps_lanes
from pipeline.base.values import Estimate, Floats, Frozen, Race, Venue, ZoneAxis
from pipeline.measure import reps
from pipeline.measure.agreement import ClockOffset
from pipeline.measure.lane_line import at, curvature_at, project
from pipeline.measure.noise import SlowError
from pipeline.measure.races import course
from pipeline.measure.races.expected import FASTEST_LEG_MPS, SLOWEST_LEG_MPS
from pipeline.measure.races.line import RaceLine, lay_race_line
from pipeline.measure.races.runs import RacesCut, RunsOfRace, moved_in_time
from pipeline.measure.takeovers import MeasuredTakeover

# Published reactions to the gun [1]; they judge, and enter no time.
REACTION_S = Estimate(0.166, 0.030)
CROUCH_M = Estimate(-0.45, 0.15)  # the trunk of a crouched starter, past the start line: assumption
STARTER_SD_S = 0.02  # of a starter's clock against UTC: assumption
GUN_STEPS_S = (1.0, 0.1, 0.01)  # to what a gun's time may be rounded
CHEST_SD_S = 0.03  # officials time the torso, the unit is 0.1 to 0.3 m behind the chest
DIFFERS_SD = 3.0
UNSURE_START_S = 0.25
BY_SIGHT_DOUBT = 1.5  # what is believed of a pass comes from changes at a mark
QUANTILES = ndtri((np.arange(41) + 0.5) / 41)
MOMENT_OF_GAP = 0.3  # a doubt of a second about the pass is worth so many metres of the gap


@dataclass(frozen=True, eq=False)
class MeasuredLeg(Frozen):
    """One row of `legs`; leg 0 is the whole race. What is not given is not known."""

    race: Race
    leg: int
    lane: int
    runner: str | None = None
    exchange: int | None = None
    start_utc_s: float | None = None
    time: Estimate | None = None
    start_basis: str | None = None
    v_max: Estimate | None = None
    zone_time: Estimate | None = None
    difference_s: float | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Moment(Frozen):
    """When the baton passed a line, UTC, with the row of the race's unknowns (p,) and the variance
    that has nothing to do with them [s²]."""

    utc_s: float
    row: Floats
    variance: float


def measure_races(
    cut: RacesCut,
    measured: Sequence[MeasuredTakeover],
    venue: Venue,
    axes: Sequence[ZoneAxis],
    levels: Mapping[str, reps.Levels],
    offsets: Mapping[str, ClockOffset],
    before: Mapping[str, ClockOffset],
) -> list[MeasuredLeg]:
    """The legs of all races, and leg 0 of each.

    `measured` are all takeovers of the session in their order, `offsets` tell by runner by how much
    his clock was set later, `before` the part of it that was done before the runs were cut.
    """
    if cut.slow is None:
        return []

    def by(whose: Mapping[str, ClockOffset], name: str) -> float:
        return whose[name].offset.value if name in whose and whose[name].corrected else 0.0

    moved_s = {name: by(offsets, name) - by(before, name) for name in offsets}
    return [
        leg
        for runs in cut.races
        for leg in measure_race(runs, measured, venue, axes, levels, cut.slow, offsets, moved_s)
    ]


def measure_race(
    runs: RunsOfRace,
    measured: Sequence[MeasuredTakeover],
    venue: Venue,
    axes: Sequence[ZoneAxis],
    levels: Mapping[str, reps.Levels],
    slow: SlowError,
    offsets: Mapping[str, ClockOffset],
    moved_s: Mapping[str, float],
) -> list[MeasuredLeg]:
    """The legs of a race and the whole of it. `measured` are all takeovers of the session in their
    order; `moved_s` tells by runner by how much a clock was set later since the runs were cut."""
    runs = moved_in_time(runs, moved_s)
    race = runs.race
    own = {
        one.case.problem.axis.zone: (number, one)
        for number, one in enumerate(measured, start=1)
        if one.case.rep is not None and one.case.rep.race == race.id
    }
    lane, words = _lane_run_in(race, [one for _, one in own.values()])
    whole = MeasuredLeg(race, 0, lane, remarks=(*runs.remarks, *words))
    legs = [
        MeasuredLeg(
            race,
            i + 1,
            lane,
            runner,
            exchange=own[i + 1][0] if i + 1 in own else None,
            zone_time=own[i + 1][1].zone_time if i + 1 in own else None,
        )
        for i, runner in enumerate(race.team)
    ]
    times = [leg.zone_time for leg in legs[:-1] if leg.zone_time is not None]
    if len(times) == len(legs) - 1:
        sd = float(np.linalg.norm([one.sd for one in times]))
        whole = replace(whole, zone_time=Estimate(sum(one.value for one in times), sd))
    if race.event not in BENDS_IN_LANES or len(legs_m(race.event)) != len(race.team):
        why = f"only races over {', '.join(BENDS_IN_LANES)} with four runners are measured"
        return _unmeasured([whole, *legs], why)
    if race.event != axes[0].event:
        why = (
            f"the race is a {race.event}, the venue's zones are those of the {axes[0].event}: give "
            "the race a session of its own"
        )
        return _unmeasured([whole, *legs], why)
    line = lay_race_line(race, venue, axes, lane)
    if isinstance(line, str):
        return _unmeasured([whole, *legs], line)
    takeovers = {zone: one for zone, (_, one) in own.items()}
    try:
        fit = course.solve_race(
            line,
            runs.runs,
            _stands(line, takeovers),
            _meetings(line, takeovers),
            levels,
            slow,
            {name: one.offset.sd for name, one in offsets.items()},
        )
    except np.linalg.LinAlgError as error:
        missing = [run for run in runs.runs if isinstance(run, str)]
        return _unmeasured([whole, *legs], str(error), *missing)
    return _from_fit(race, line, fit, runs, takeovers, whole, legs)


def _unmeasured(legs: Sequence[MeasuredLeg], *why: str) -> list[MeasuredLeg]:
    return [_with_remarks(leg, *why) for leg in legs]


def _with_remarks(leg: MeasuredLeg, *words: str) -> MeasuredLeg:
    return replace(leg, remarks=tuple(dict.fromkeys((*leg.remarks, *words))))


def _lane_run_in(race: Race, takeovers: Sequence[MeasuredTakeover]) -> tuple[int, list[str]]:
    """The lane in which the race was run, by its takeovers while lanes are kept."""
    lanes = Counter(
        one.case.problem.axis.lane
        for one in takeovers
        if keeps_lanes(race.event, one.case.problem.axis.zone)
    )
    if not lanes:
        return race.lane, []
    lane, _ = lanes.most_common(1)[0]
    if lane == race.lane:
        return lane, []
    return lane, [
        f"the takeovers lie in lane {lane}, not in lane {race.lane} as written: measured there; "
        "correct `lane`"
    ]


def _near_line(line: RaceLine, number: int, s_in_lap: float) -> float | None:
    due = line.lines[number]
    if due is None:
        return None
    return s_in_lap + line.lap_m * round((due.value - s_in_lap) / line.lap_m)


def _stands(line: RaceLine, takeovers: Mapping[int, MeasuredTakeover]) -> dict[int, Estimate]:
    """By leg (from 0) where its runner stood before it."""
    out = {}
    start = line.lines[0]
    if start is not None:
        sd = float(np.hypot(CROUCH_M.sd, start.sd))
        out[0] = Estimate(start.value + CROUCH_M.value, sd)
    for zone, one in takeovers.items():
        stand, axis = one.case.problem.outgoing.stand_m, one.case.problem.axis
        if stand is None:
            continue
        here = float(project(line, at(axis, stand.value))[0])
        place = _near_line(line, zone, here)
        if place is not None:
            out[zone] = Estimate(place, stand.sd)
    return out


def _meetings(line: RaceLine, takeovers: Mapping[int, MeasuredTakeover]) -> list[course.Meeting]:
    """What is known of the gap at each pass, on the race's line."""
    out = []
    for zone, one in takeovers.items():
        if one.passed is None or one.free_distance is None:
            continue
        scratch = line.lines[zone]
        s = np.array([0.0 if scratch is None else scratch.value])
        kept = keeps_lanes(one.case.problem.axis.event, zone)
        outward = float(line.lane_aside(s)[0]) if kept else 0.0
        bent = 1 + outward * float(curvature_at(line, line.in_lap(s))[0])
        gap = Estimate(
            one.free_distance.value / bent,
            float(np.hypot(one.free_distance.sd, MOMENT_OF_GAP * one.passed.sd)),
        )
        out.append(course.Meeting(zone - 1, one.zero_utc_s + one.passed.value, gap))
    return out


# --- moments of the baton ------------------------------------------------------------------------


def _from_fit(
    race: Race,
    line: RaceLine,
    fit: course.RaceFit,
    runs: RunsOfRace,
    takeovers: Mapping[int, MeasuredTakeover],
    whole: MeasuredLeg,
    legs: Sequence[MeasuredLeg],
) -> list[MeasuredLeg]:
    moments: list[_Moment | str] = [_start(race, fit, runs)]
    for zone in range(1, len(legs)):
        moments.append(_taken_over(line, fit, runs, takeovers.get(zone), zone))
    moments.append(_finish(line, fit, runs))
    known = [one for one in moments if isinstance(one, _Moment)]
    rows = np.array([one.row for one in known]).reshape(len(known), len(fit.x))
    cov = rows @ fit.cov @ rows.T + np.diag([one.variance for one in known])
    number = {i: known.index(one) for i, one in enumerate(moments) if isinstance(one, _Moment)}

    def between(a: int, b: int) -> Estimate | None:
        if a not in number or b not in number:
            return None
        i, j = number[a], number[b]
        variance = cov[i, i] + cov[j, j] - 2 * cov[i, j]
        value = known[j].utc_s - known[i].utc_s
        return Estimate(value, float(np.sqrt(max(variance, 0.0))))

    basis = "gun" if race.gun_utc_s is not None else "movement"
    lengths = legs_m(race.event)
    out = []
    for i, leg in enumerate(legs):
        time = between(i, i + 1)
        words = [one for one in moments[i : i + 2] if isinstance(one, str)]
        run = runs.runs[i]
        words += [run] if isinstance(run, str) else []
        if time is not None and not _may_be(time.value, lengths[i]):
            words.append(f"the leg's time came out as {time.value:.2f} s: left empty")
            time = None
        began, ended = moments[i], moments[i + 1]
        v_max = None
        if isinstance(began, _Moment) and isinstance(ended, _Moment):
            v_max = course.top_speed(fit, i, began.utc_s, ended.utc_s)
        if i == 0 and basis == "movement" and isinstance(began, _Moment):
            words.append(_MOVEMENT)
            if not isinstance(run, str) and run.onset is None and run.launch.sd > UNSURE_START_S:
                words.append("the fixes have a gap at the start: the first movement is unsure")
        out.append(
            replace(
                _with_remarks(leg, *words),
                start_utc_s=began.utc_s if isinstance(began, _Moment) else None,
                time=time,
                start_basis=basis if i == 0 and isinstance(began, _Moment) else None,
                v_max=v_max,
            )
        )
    total = between(0, len(legs))
    words = [moments[i] for i in (0, len(legs)) if isinstance(moments[i], str)]  # type: ignore[misc]
    lost = [zone for zone, one in takeovers.items() if one.outcome == "not passed"]
    if lost and total is not None:
        words.append(
            f"the baton was not seen to change hands in zone {lost[0]}, so that the last runner's "
            "finish ends no race: no time is given"
        )
        total = None
    if total is not None and not _may_be(total.value, sum(lengths)):
        words.append(f"the race's time came out as {total.value:.2f} s: left empty")
        total = None
    began = moments[0]
    whole = replace(
        _with_remarks(whole, *words),
        start_utc_s=began.utc_s if isinstance(began, _Moment) else None,
        start_basis=basis if isinstance(began, _Moment) else None,
        time=total,
    )
    return [_judge(race, fit, whole), *out]


_MOVEMENT = (
    "timed from the first movement, which is later than the gun by the reaction (published: "
    f"{REACTION_S.value:.2f} ± {REACTION_S.sd:.2f} s); nothing was added"
)


def _may_be(time_s: float, far_m: float) -> bool:
    return far_m / FASTEST_LEG_MPS < time_s < far_m / (SLOWEST_LEG_MPS / 2)


def _start(race: Race, fit: course.RaceFit, runs: RunsOfRace) -> _Moment | str:
    """The gun, else the first runner's first movement."""
    if race.gun_utc_s is not None:
        return _Moment(race.gun_utc_s, np.zeros(len(fit.x)), gun_sd_s(race.gun_utc_s) ** 2)
    found = course.first_movement(fit, 0)
    first = runs.runs[0]
    if found is None or isinstance(first, str):
        return f"no gun, and no recording of {runs.race.team[0]}: the start is not known"
    rise = np.hypot(reps.RISE_SD_S, reps.RISE_OWN_SD_S) / 2 if first.onset is None else 0.0
    return _Moment(found[0], found[1], float(rise) ** 2)


def gun_sd_s(gun_utc_s: float) -> float:
    """Standard error [s] of a gun's UTC: the starter's clock, and the step to which it is
    rounded."""
    steps = [x for x in GUN_STEPS_S if abs(gun_utc_s - x * round(gun_utc_s / x)) < 1e-5]
    step = max(steps, default=0.0)
    return float(np.hypot(STARTER_SD_S, step / np.sqrt(12)))


def _taken_over(
    line: RaceLine,
    fit: course.RaceFit,
    runs: RunsOfRace,
    one: MeasuredTakeover | None,
    zone: int,
) -> _Moment | str:
    """When the baton passed a zone's scratch line: with the incoming runner's trunk until the pass,
    with the outgoing runner's after it."""
    where = f"zone {zone}"
    scratch = line.lines[zone]
    if scratch is None:
        return f"{where} is not surveyed in the race's lane"
    missing = [run for run in runs.runs[zone - 1 : zone + 1] if isinstance(run, str)]
    if missing:
        return f"the takeover in {where} is not known: {missing[0]}"
    if one is None:
        return f"no takeover of {runs.race.team[zone - 1]} and {runs.race.team[zone]} in {where}"
    if one.passed is None:
        return f"the takeover in {where}: whether and when the baton changed hands is not known"
    into, out = (course.crossing(fit, leg, scratch.value) for leg in (zone - 1, zone))
    if out is None:
        return f"{runs.race.team[zone]} was not seen to cross the line in {where}"
    doubt = 1.0 if is_blind(runs.race.event, zone) else BY_SIGHT_DOUBT
    handed = one.zero_utc_s + one.passed.value + doubt * one.passed.sd * QUANTILES
    if into is None:  # the incoming runner stopped before the line
        carried, p_in, in_row = np.maximum(handed, out[0]), 0.0, np.zeros(len(fit.x))
        p_out = float(np.mean(handed <= out[0]))
    else:
        carried = np.clip(handed, min(out[0], into[0]), into[0])
        p_in, in_row = float(np.mean(handed >= into[0])), into[1]
        p_out = float(np.mean(handed <= min(out[0], into[0])))
    # Where the pass itself decides, it moves with both trunks.
    p_in, p_out = p_in + (1 - p_in - p_out) / 2, p_out + (1 - p_in - p_out) / 2
    if into is None:
        p_in, p_out = 0.0, 1.0
    speed = max(course.speed_at(fit, zone, out[0]), 1.0)
    variance = float(np.var(carried)) + (scratch.sd / speed) ** 2
    return _Moment(float(np.mean(carried)), p_in * in_row + p_out * out[1], variance)


def _finish(line: RaceLine, fit: course.RaceFit, runs: RunsOfRace) -> _Moment | str:
    finish, last = line.lines[-1], runs.runs[-1]
    if finish is None:
        return (
            'no finish line in the venue: add a point with kind "race-line" and line "finish" '
            "(`batontrace venue` does)"
        )
    if isinstance(last, str):
        return f"the finish is not known: {last}"
    found = course.crossing(fit, len(runs.runs) - 1, finish.value)
    if found is None:
        return f"{last.runner}'s recording does not reach the finish"
    speed = max(course.speed_at(fit, len(runs.runs) - 1, found[0]), 1.0)
    return _Moment(found[0], found[1], (finish.sd / speed) ** 2)


# --- judging -----------------------------------------------------------------------------------


def _judge(race: Race, fit: course.RaceFit, whole: MeasuredLeg) -> MeasuredLeg:
    """The whole race beside the official time, and the gun beside the first movement.

    [1] Tønnessen, Haugen and Shalfawi, Journal of Strength and Conditioning Research 27 (2013)
    885-892: reactions of 0.166 ± 0.030 s.
    """
    words = []
    moved = course.first_movement(fit, 0)
    if race.gun_utc_s is not None and moved is not None:
        after = moved[0] - race.gun_utc_s
        variance = float(moved[1] @ fit.cov @ moved[1]) + gun_sd_s(race.gun_utc_s) ** 2
        usual = DIFFERS_SD * float(np.sqrt(variance + REACTION_S.sd**2))
        if abs(after - REACTION_S.value) > usual:
            words.append(
                f"the first runner moved {after:+.2f} s from the gun, where about "
                f"{REACTION_S.value:.2f} s are usual: is `gun_utc` right, and on the units' clock?"
            )
    difference = None
    if whole.time is not None and race.official_time_s is not None:
        difference = whole.time.value - race.official_time_s
        due, sd = 0.0, float(np.hypot(whole.time.sd, CHEST_SD_S))
        if whole.start_basis == "movement":
            due, sd = -REACTION_S.value, float(np.hypot(sd, REACTION_S.sd))
        if abs(difference - due) > DIFFERS_SD * sd:
            words.append(
                f"the official time is {race.official_time_s:.2f} s, {difference:+.2f} s from what "
                f"was measured, where {due:+.2f} ± {sd:.2f} s were to be expected: is it this "
                "race's, is `gun_utc` right, was the start seen, is a unit's clock off?"
            )
    if whole.start_basis == "movement" and whole.time is not None:
        words.append(_MOVEMENT)
    return replace(_with_remarks(whole, *words), difference_s=difference)
