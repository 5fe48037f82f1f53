"""Exercises that are no takeovers: standing, jogging, the squad's rotation round the track.

Found from the coarse traces and the sheet's rows, without the lane's axis; docs/methods.md,
"Exercises", says how and what cannot be known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import uniform_filter1d

from pipeline.base.signals import Bools
from pipeline.base.values import Drill, Estimate, Floats, Frozen, Rep
from pipeline.measure.noise import SlowError
from pipeline.measure.traces import Trace

STEP_S = 0.2  # of the common clock on which traces are compared
MATCH_WINDOW_S = 90.0  # a row's time is good to half a minute, and an exercise takes time to begin
JOG_MPS = (2.0, 7.0)  # slower is a walk back, faster is no exercise
NEAR_M, LINE_M, STAND_NEAR_M = 8.0, 30.0, 6.0  # two in a jog, a squad in file, two standing
LEAST_JOG_S, LEAST_ROTATION_S, LEAST_STAND_S = 3.0, 15.0, 5.0
BRIDGED_S = 2.0  # a pause within one bout
LOST_S = 6.0  # fixes that a unit loses: nobody changes much meanwhile
STAND_MPS = 0.6
EXCESS_MPS, LEAST_SPRINT_S, MOST_SPRINT_S = 1.0, 1.0, 20.0
LEAST_SPRINT_SHARE = 0.5  # of the line's length gained in a sprint to the front
HEADING_S, CROSSOVER_S = 2.0, 8.0
SPEED_SD_MPS = 0.05  # of a speed's mean over a bout: the receiver's scale
WHITE_M = 0.5  # of one place, on top of the slow error
AROUND_S = 5.0  # about a bout: a takeover then would be the exercise's


@dataclass(frozen=True, slots=True)
class HandOver:
    """A row of the table `exercises`, with figures where they could be measured."""

    rep: Rep
    incoming: str
    outgoing: str
    round: int | None = None
    between_s: tuple[float, float] | None = None  # UTC
    speed: Estimate | None = None
    speed_spread_mps: float | None = None
    gap: Estimate | None = None
    gap_spread_m: float | None = None
    sprint: Estimate | None = None
    sprint_s: float | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Bout:
    """A stretch of an exercise, and who took part."""

    first_s: float
    last_s: float
    runners: frozenset[str]

    def holds(self, runners: tuple[str, str], t_s: float) -> bool:
        """Whether a takeover of these two at that moment would be this exercise."""
        inside = self.first_s - AROUND_S <= t_s <= self.last_s + AROUND_S
        return inside and set(runners) <= self.runners


@dataclass(frozen=True, eq=False)
class Courses(Frozen):
    """Everybody on one clock: `t_s` (n,), places `xy_m` (k, n, 2) and speeds `v_mps` (k, n) of
    the `names`; NaN where a trace has a gap."""

    names: tuple[str, ...]
    t_s: Floats
    xy_m: Floats
    v_mps: Floats

    def of(self, name: str) -> int:
        return self.names.index(name)


@dataclass(frozen=True, eq=False)
class MeasuredExercises:
    """The hand-overs in time order, the bouts they lie in, and remarks on the sheet's rows."""

    hand_overs: tuple[HandOver, ...] = ()
    bouts: tuple[Bout, ...] = ()

    def hold(self, runners: tuple[str, str], t_s: float) -> bool:
        """Whether a takeover of these two at that moment would be one of the exercises."""
        return any(bout.holds(runners, t_s) for bout in self.bouts)


def measure_exercises(
    reps: Sequence[Rep],
    traces: Mapping[str, Trace],
    plane: Mapping[str, Floats],
    slow: SlowError,
    runners: Sequence[str] = (),
) -> MeasuredExercises:
    """Measure what the sheet's rows of exercises tell of.

    `runners` are all of the session: who of them has no trace may have run in a line unseen. `reps`
    are all rows in the sheet's order, with times on the recordings' clock; `plane` the
    traces' east-north metres, by runner. A row whose exercise cannot be found still gives a
    hand-over, without figures and with the reason.
    """
    found: list[HandOver] = []
    bouts: list[Bout] = []
    for k, rep in enumerate(reps):
        if not rep.is_exercise or rep.drill is None:
            continue
        missing = [name for name in (rep.incoming, rep.outgoing) if name not in traces]
        if missing:
            why = f"no usable recording of {' and '.join(missing)}"
            found.append(_unmeasured(rep, why))
            continue
        courses = _courses_about(traces, plane, *_window(reps, k, traces))
        bout = None if courses is None else _find_bout(courses, rep, bouts)
        if courses is None or bout is None:
            found.append(_unmeasured(rep, _NOT_FOUND[rep.drill]))
            continue
        bouts.append(bout)
        words = _doubts(rep, [name for name in runners if name not in traces])
        found += [
            replace(one, remarks=(*one.remarks, *words))
            for one in _measure_bout(courses, rep, bout, slow)
        ]
    order = sorted(found, key=lambda one: one.between_s[0] if one.between_s else np.inf)
    return MeasuredExercises(tuple(order), tuple(bouts))


_NOT_FOUND: dict[Drill, str] = {
    "standing": "not found: the two never stand near each other about that time",
    "jog": "not found: the two never jog behind each other about that time",
    "rotation": "not found: the two never jog in one line about that time",
}


def _doubts(rep: Rep, absent: Sequence[str]) -> list[str]:
    """What an exercise's own traces cannot rule out."""
    words = []
    if rep.start_utc_s is None:
        words.append("the sheet gives no time: the first stretch that fits was taken")
    if rep.drill == "rotation" and absent:
        names = " and ".join(absent)
        words.append(f"{names} left no usable recording, and may have run in the line unseen")
    return words


def _unmeasured(rep: Rep, why: str) -> HandOver:
    return HandOver(rep, rep.incoming, rep.outgoing, remarks=(why,))


def _window(reps: Sequence[Rep], k: int, traces: Mapping[str, Trace]) -> tuple[float, float]:
    """From when to when a row's exercise may be looked for [s]."""
    low = min(float(trace.t_s[0]) for trace in traces.values())
    high = max(float(trace.t_s[-1]) for trace in traces.values())
    start = reps[k].start_utc_s
    if start is not None:
        later = [r.start_utc_s for r in reps if r.start_utc_s is not None and r.start_utc_s > start]
        # An exercise may last for minutes, but not beyond the next row.
        until = min([high, *(t + MATCH_WINDOW_S / 3 for t in later)])
        return max(low, start - MATCH_WINDOW_S), until
    before = [r.start_utc_s for r in reps[:k] if r.start_utc_s is not None]
    after = [r.start_utc_s for r in reps[k + 1 :] if r.start_utc_s is not None]
    return max([low, *before]), min([high, *after])


def _courses_about(
    traces: Mapping[str, Trace],
    plane: Mapping[str, Floats],
    low_s: float,
    high_s: float,
) -> Courses | None:
    if high_s - low_s < LEAST_JOG_S:
        return None
    t = np.arange(low_s, high_s, STEP_S)
    names = tuple(traces)
    xy, v = np.full((len(names), len(t), 2), np.nan), np.full((len(names), len(t)), np.nan)
    for k, name in enumerate(names):
        trace, own = traces[name], plane[name]
        good = np.isfinite(own[:, 0])
        if good.sum() < 2:
            continue
        times = trace.t_s[good]
        after = np.clip(np.searchsorted(times, t), 1, len(times) - 1)
        covered = (times[after] - times[after - 1] <= LOST_S) & (t >= times[0])
        covered &= t <= times[-1]
        for axis in (0, 1):
            xy[k, :, axis] = np.where(covered, np.interp(t, times, own[good, axis]), np.nan)
        fine = np.isfinite(trace.pace_mps)
        if fine.sum() >= 2:
            v[k] = np.where(covered, np.interp(t, trace.t_s[fine], trace.pace_mps[fine]), np.nan)
    return Courses(names, t, xy, v)


# --- finding a row's bout ------------------------------------------------------------------


def _find_bout(courses: Courses, rep: Rep, taken: Sequence[Bout]) -> Bout | None:
    """The stretch that fits a row best: nearest to its time, else the first that is not taken."""
    a, b = courses.of(rep.incoming), courses.of(rep.outgoing)
    apart = np.hypot(*(courses.xy_m[a] - courses.xy_m[b]).T)
    pace = np.stack([_smooth(courses.v_mps[k], 1.0) for k in (a, b)])
    if rep.drill == "standing":
        fits, least_s = (pace < STAND_MPS).all(axis=0) & (apart < STAND_NEAR_M), LEAST_STAND_S
    else:
        jogging = ((pace > JOG_MPS[0]) & (pace < JOG_MPS[1])).all(axis=0)
        if rep.drill == "jog":
            fits, least_s = jogging & (apart < NEAR_M), LEAST_JOG_S
        else:  # whoever sprints to the front may be fast for a moment
            fits, least_s = (pace > JOG_MPS[0]).all(axis=0) & (apart < LINE_M), LEAST_ROTATION_S
    t = courses.t_s
    stretches = [(float(t[i]), float(t[j])) for i, j in _stretches(fits) if t[j] - t[i] >= least_s]
    free = [one for one in stretches if not any(_overlap(one, own, rep) for own in taken)]
    if not free:
        return None
    start = rep.start_utc_s
    if start is None:  # in the sheet's order, and nothing short: a squad jogs about at times
        done = max((own.last_s for own in taken), default=-np.inf)
        later = [one for one in free if one[0] >= done and one[1] - one[0] >= 2 * least_s]
        if not later:
            return None
        first, last = later[0]
    else:
        near = [one for one in free if one[0] <= start + MATCH_WINDOW_S]
        if not near:
            return None
        first, last = min(near, key=lambda one: _distance(one, start))
    if rep.drill == "standing" and start is not None:
        first = max(first, start)
    runners = {rep.incoming, rep.outgoing}
    if rep.drill == "rotation":
        runners |= _in_line(courses, (a, b), (t >= first) & (t <= last))
    return Bout(first, last, frozenset(runners))


def _overlap(one: tuple[float, float], own: Bout, rep: Rep) -> bool:
    same = {rep.incoming, rep.outgoing} & own.runners
    return bool(same) and one[0] < own.last_s and own.first_s < one[1]


def _distance(one: tuple[float, float], start_s: float) -> tuple[float, float]:
    """How far a stretch is from a moment [s], and how far its beginning is."""
    return max(0.0, one[0] - start_s, start_s - one[1]), abs(one[0] - start_s)


def _stretches(fits: Bools) -> Iterator[tuple[int, int]]:
    """First and last index of each run of true values, short pauses bridged."""
    at = np.flatnonzero(fits)
    if not len(at):
        return
    breaks = np.flatnonzero(np.diff(at) > BRIDGED_S / STEP_S)
    for first, last in zip(np.r_[0, breaks + 1], np.r_[breaks, len(at) - 1], strict=True):
        yield int(at[first]), int(at[last])


def _in_line(courses: Courses, two: tuple[int, int], during: Bools) -> set[str]:
    """Who moves with the two runners nearly all the time."""
    middle = courses.xy_m[list(two)][:, during].mean(axis=0)
    found = set()
    for k, name in enumerate(courses.names):
        apart = np.hypot(*(courses.xy_m[k][during] - middle).T)
        with np.errstate(invalid="ignore"):
            along = (apart < LINE_M) & (courses.v_mps[k][during] > JOG_MPS[0] / 2)
        if along.mean() > 0.9:
            found.add(name)
    return found


def _smooth(x: Floats, width_s: float) -> Floats:
    """Running mean over some seconds; gaps are bridged, and stay gaps."""
    good = np.isfinite(x)
    if not good.any():
        return x
    filled = np.interp(np.arange(len(x)), np.flatnonzero(good), x[good])
    even = uniform_filter1d(filled, max(1, round(width_s / STEP_S)), mode="nearest")
    return np.where(good, even, np.nan)


# --- measuring it --------------------------------------------------------------------------


def _measure_bout(courses: Courses, rep: Rep, bout: Bout, slow: SlowError) -> list[HandOver]:
    if rep.drill == "rotation":
        return _measure_rotation(courses, rep, bout, slow)
    one = _measure_pair(
        courses,
        HandOver(rep, rep.incoming, rep.outgoing),
        (bout.first_s, bout.last_s),
        slow,
    )
    unseen = "the hand-over itself cannot be seen by units on the trunk"
    behind = one.gap is not None and one.gap.value < -2 * one.gap.sd and rep.drill == "jog"
    turned = (f"{one.outgoing} ran behind {one.incoming}: are the two swapped?",) if behind else ()
    return [replace(one, remarks=(*one.remarks, unseen, *turned))]


def _measure_pair(
    courses: Courses, one: HandOver, between_s: tuple[float, float], slow: SlowError
) -> HandOver:
    """The hand-over with speed and gap over a time in which the two were behind each other."""
    during = (courses.t_s >= between_s[0]) & (courses.t_s <= between_s[1])
    one = replace(one, between_s=between_s)
    a, b = courses.of(one.incoming), courses.of(one.outgoing)
    if during.sum() < 3:
        return replace(one, remarks=("too short to measure",))
    v = courses.v_mps[[a, b]][:, during]
    together = _smooth(v.mean(axis=0), 1.0)
    if not np.isfinite(together).any():
        return replace(one, remarks=("no speed measured",))
    one = replace(
        one,
        speed=Estimate(float(np.nanmean(together)), SPEED_SD_MPS),
        speed_spread_mps=float(np.nanstd(together)),
    )
    if one.rep.drill == "standing":
        return _measure_standing_gap(courses, one, during, slow)
    gap = _gap(courses, a, b, during)
    if gap is None:
        return replace(one, remarks=("no gap measured",))
    return replace(
        one,
        gap=Estimate(float(gap.mean()), _gap_sd(courses.t_s[during], slow)),
        gap_spread_m=float(gap.std()),
    )


def _measure_standing_gap(
    courses: Courses, one: HandOver, during: Bools, slow: SlowError
) -> HandOver:
    """Nobody moves, so there is no direction: the distance of the mean places, if it is clear."""
    a, b = courses.of(one.incoming), courses.of(one.outgoing)
    apart = np.nanmean(courses.xy_m[b][during] - courses.xy_m[a][during], axis=0)
    distance, sd = float(np.hypot(*apart)), _gap_sd(courses.t_s[during], slow)
    if not distance > 2 * sd:  # the error alone makes a distance, never less than nothing
        return replace(one, remarks=(f"the two stood within {2 * sd:.1f} m of each other",))
    return replace(one, gap=Estimate(distance, sd))


def _gap(courses: Courses, a: int, b: int, during: Bools) -> Floats | None:
    """How far b is ahead of a [m] at each moment of the stretch, along the way they go."""
    apart = courses.xy_m[b][during] - courses.xy_m[a][during]
    middle = (courses.xy_m[b][during] + courses.xy_m[a][during]) / 2
    good = np.isfinite(apart[:, 0])
    if good.sum() < 3:
        return None
    apart, middle = apart[good], middle[good]
    way = np.stack([np.gradient(_smooth(middle[:, k], HEADING_S)) for k in (0, 1)], axis=1)
    size = np.hypot(*way.T)
    if not (size > 0).all():
        return None
    level = (apart * way).sum(axis=1) / size
    gained = courses.v_mps[b][during][good] - courses.v_mps[a][during][good]
    moved = np.cumsum(np.nan_to_num(gained)) * STEP_S
    return np.asarray(_smooth(level - moved, CROSSOVER_S) + moved)


def _gap_sd(t_s: Floats, slow: SlowError) -> float:
    """Standard error of a gap's mean: what two units do not share, and each place's own noise."""
    some = t_s[:: max(1, len(t_s) // 60)]
    own = float(slow.own(some, some).mean())
    return float(np.sqrt(2 * own + 2 * WHITE_M**2 / max(1.0, t_s[-1] - t_s[0])))


# --- the rotation --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sprint:
    """A runner's sprint to the front."""

    runner: str
    from_s: float
    to_s: float
    top_mps: float


def _measure_rotation(courses: Courses, rep: Rep, bout: Bout, slow: SlowError) -> list[HandOver]:
    line = [name for name in courses.names if name in bout.runners]
    if len(line) < 3:
        why = f"only {len(line)} in the line, three at least make a rotation"
        return [replace(_unmeasured(rep, why), between_s=(bout.first_s, bout.last_s))]
    sprints = _sprints(courses, line, bout)
    if not sprints:
        why = "nobody sprints to the front: measured as jogging in a line"
        rounds: list[tuple[int | None, tuple[float, float]]] = [(None, (bout.first_s, bout.last_s))]
    else:
        why = ""
        ends = [bout.first_s, *(one.to_s for one in sprints)]
        starts = [*(one.from_s for one in sprints), bout.last_s]
        rounds = [
            (k, (a, b)) for k, (a, b) in enumerate(zip(ends, starts, strict=True)) if b - a >= 1.0
        ]
    found = []
    for k, between in rounds:
        order, sure = _line_order(courses, line, sprints, k or 0, between)
        for place, (giver, taker) in enumerate(pairwise(order)):
            one = _measure_pair(
                courses,
                HandOver(rep, giver, taker, None if k is None else k + 1),
                between,
                slow,
            )
            notes = [*one.remarks, *([why] if why else [])]
            if not {giver, taker} <= sure:
                notes.append("who ran before whom is told by places alone, which may err")
            if place == 0 and k is not None and k < len(sprints):
                sprint = sprints[k]
                one = replace(
                    one,
                    sprint=Estimate(sprint.top_mps, 2 * SPEED_SD_MPS),
                    sprint_s=sprint.to_s - sprint.from_s,
                )
            found.append(replace(one, remarks=tuple(notes)))
    return found


def _sprints(courses: Courses, line: Sequence[str], bout: Bout) -> list[Sprint]:
    """The sprints to the front, in time order.

    A runner who is faster than the others' median by EXCESS_MPS gains on them; what he gains must
    be a good part of what the longest of all sprints gains, the line's length.
    """
    t = courses.t_s
    during = (t >= bout.first_s) & (t <= bout.last_s)
    rows = [courses.of(name) for name in line]
    v = np.stack([_smooth(courses.v_mps[k], 0.6) for k in rows])
    found: list[tuple[Sprint, float]] = []
    for i, name in enumerate(line):
        others = np.delete(v, i, axis=0)
        known = during & np.isfinite(others).any(axis=0)
        excess = np.full(len(t), np.nan)
        excess[known] = v[i][known] - np.nanmedian(others[:, known], axis=0)
        with np.errstate(invalid="ignore"):
            faster = during & (excess > EXCESS_MPS)
        for first, last in _stretches(faster):
            lasts = float(t[last] - t[first])
            if LEAST_SPRINT_S <= lasts <= MOST_SPRINT_S:
                gained = float(np.nansum(excess[first : last + 1]) * STEP_S)
                top = float(np.nanmax(v[i, first : last + 1]))
                found.append((Sprint(name, float(t[first]), float(t[last]), top), gained))
    if not found:
        return []
    length = float(np.median(sorted(gained for _, gained in found)[-len(line) :]))
    real = [one for one, gained in found if gained >= LEAST_SPRINT_SHARE * length]
    return sorted(real, key=lambda one: one.from_s)


def _line_order(
    courses: Courses,
    line: Sequence[str],
    sprints: Sequence[Sprint],
    k: int,
    between_s: tuple[float, float],
) -> tuple[list[str], set[str]]:
    """Who runs behind whom before sprint `k`, from the rear to the front, and of whom that is sure.

    Those who sprint next, in their order, make the rear; those who sprinted last, in theirs, the
    front. Nobody else is told by sprints.
    """
    coming = list(dict.fromkeys(one.runner for one in sprints[k:]))
    gone = list(dict.fromkeys(one.runner for one in reversed(sprints[:k])))
    front = [name for name in reversed(gone) if name not in coming]
    middle = [name for name in line if name not in coming and name not in front]
    if len(middle) > 1:
        middle = _by_place(courses, middle, between_s)
    told = {*coming, *front, *(middle if len(middle) == 1 else ())}
    return [*coming, *middle, *front], told if _goes_round([s.runner for s in sprints]) else set()


def _goes_round(sprinted: Sequence[str]) -> bool:
    """Whether everybody sprints in turn, each round in the same order: else one was not seen, or
    somebody sprinted who was not last."""
    size = len(set(sprinted))
    return all(name == sprinted[k % size] for k, name in enumerate(sprinted))


def _by_place(courses: Courses, names: Sequence[str], between_s: tuple[float, float]) -> list[str]:
    during = (courses.t_s >= between_s[0]) & (courses.t_s <= between_s[1])
    first = courses.of(names[0])
    ahead = {names[0]: 0.0}
    for name in names[1:]:
        gap = _gap(courses, first, courses.of(name), during)
        ahead[name] = 0.0 if gap is None else float(gap.mean())
    return sorted(names, key=lambda name: ahead[name])
