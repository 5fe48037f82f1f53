"""Check marks: for every pair, tried or not, the mark with the least expected loss.

Each candidate mark is simulated a few thousand times (`simulate`). What is not known of the runners
and what they do from rep to rep are kept apart. The loss of a mark is

    L = E[time | passed in the zone] + failure_s P(not so, or later than accepted)
        + collision_s P(ran into each other),

the time being the zone time, what the speed at the exit line will still cost, less the time of a
baton that goes through the zone at the incoming runner's speed. One smooth figure weighs all, so
that a dearer failure always asks for a safer mark.

The change by sight of the 4x400 is covered too. There the mark is the place of the incoming runner
at which the receiver sets off.

Sources
-------
[1] Raiffa & Schlaifer, Applied Statistical Decision Theory, 1961, ch. 4. From memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Generic, TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.advise import laws, simulate
from pipeline.advise.pace import pace_words
from pipeline.advise.runners import Squad
from pipeline.advise.settings import Conditions, Settings, choose_conditions
from pipeline.advise.simulate import Draws, Outcomes, Receiver
from pipeline.base import defaults
from pipeline.base.values import Floats, Frozen, Progress
from pipeline.base.words import FEW_REPS, falls_short, is_risky
from pipeline.errors import UsageError
from pipeline.tables import schema

V = TypeVar("V", float, Floats)

STANDS_M = (0.0, 2.0, 4.0, 6.0, 8.0)  # past the back line, the first look; then a metre about
STANDS_BY_SIGHT_M = (0.0, 2.0, 4.0)  # fewer: a zone of 20 m runs out sooner
PACES = (1.0, 0.925, 1.05)  # of the practised start, in the change by sight
CANDIDATES = 48
LOOK_EVERY = 8  # one draw in so many serves to choose the stand
MOVED_AWAY_S = 0.03  # a stand a metre away from the receiver's usual one must gain so much
OTHER_PACE_S = 0.10  # a pace other than the practised one must gain so much
ENOUGH = 8  # passes inside the zone: with fewer a candidate says nothing of them
SAME_STAND_M = 0.6
SMOOTH_M = 0.45  # marks so near each other share their luck when groups of draws are compared


# --- values -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class MarkFigures(Frozen, Generic[V]):
    """What is expected of a pair's marks; units and meanings as in the table `marks`.

    `CandidateMarks` holds (m,) arrays, one element a mark, from the nearest to the farthest; a
    `CandidateMark` holds the numbers of one of them. Two figures are not in the table: `finish_s`,
    the zone time and what the speed at the exit line will still cost, and `p_in_time`, the chance
    of a pass inside the zone that is no later than asked for.
    """

    mark_m: V
    mark_feet: V | None  # None where the foot-length is not known
    p_in_zone: V
    p_in_zone_sd: V
    p_ran_into: V
    p_ran_into_sd: V
    p_ran_away: V
    p_ran_away_sd: V
    zone_time_s: V
    zone_time_sd_s: V
    zone_time_spread_s: V
    pass_m: V
    pass_sd_m: V
    pass_spread_m: V
    closing_mps: V
    closing_sd_mps: V
    baton_loss_s: V
    baton_loss_sd_s: V
    gap_at_go_m: V
    mark_sd_m: V
    mark_spread_m: V
    reps_on_mark: V
    loss_s: V
    loss_sd_s: V
    finish_s: V
    p_in_time: V


CandidateMarks = MarkFigures[Floats]
CandidateMark = MarkFigures[float]


@dataclass(frozen=True, eq=False)
class PairAdvice:
    """All candidate marks of a pair and which of them is advised (`advised` counts from 0).

    `stand_m`: where the receiver stands, past the back line; `pace`: share of the practised start;
    `foot_m`: None where not known; `reps`: takeovers of either runner on which the advice rests,
    `reps_pair`: those of the two together; `practice_gain_s`: how much less would be lost, on the
    mean, if everything about the two were known.
    """

    incoming: str
    outgoing: str
    stand_m: float
    pace: float
    foot_m: float | None
    reps: int
    reps_pair: int
    candidates: CandidateMarks
    advised: int
    practice_gain_s: float
    remarks: tuple[str, ...]

    @property
    def best(self) -> CandidateMark:
        """The mark that is advised."""
        return self.at(self.advised)

    def at(self, k: int) -> CandidateMark:
        """Candidate number `k`, from 0."""

        def one(values: Floats) -> float:
            return float(values[k])

        return _map_figures(one, self.candidates)


@dataclass(frozen=True, eq=False)
class Advice:
    """The marks of an event: the pairs, the squad they rest on, and what could not be advised."""

    squad: Squad
    settings: Settings
    conditions: Conditions
    pairs: tuple[PairAdvice, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TapeMove:
    """What moving the tape changes in one pair: chances, seconds and metres more (or fewer)."""

    p_in_zone: float
    p_ran_into: float
    p_ran_away: float
    zone_time_s: float
    pass_m: float


# --- a squad ----------------------------------------------------------------------------


def advise_squad(squad: Squad, settings: Settings, *, progress: Progress | None = None) -> Advice:
    """Advice for every ordered pair of the squad, or of the team asked for; `progress` hears of
    each.

    Raises UsageError where the team has fewer than two runners.
    """
    where = choose_conditions(squad.event, settings)
    draws = simulate.draw_runners(
        squad, where, outer=settings.outer, inner=settings.inner, seed=settings.seed
    )
    names = settings.team or squad.runners
    if len(set(names)) < 2:
        raise UsageError("team", ", ".join(names) or "nobody", "two runners or more")
    pairs = []
    remarks = [
        f"{name}: no takeover of this event in the tables, the squad's mean stands in"
        for name in names
        if name not in squad.reps.runners
    ]
    if settings.race:
        remarks.append(pace_words(squad.pace))
    starts = _ReceiverStarts(draws, where)
    few_starts = _ReceiverStarts(draws.thin(LOOK_EVERY), where)
    ordered = [(giver, taker) for taker in names for giver in names if giver != taker]
    for done, (incoming, outgoing) in enumerate(ordered):
        if progress is not None:
            progress(f"marks of the {squad.event}", done, len(ordered))
        one = _advise_pair(squad, incoming, outgoing, where, settings, starts, few_starts)
        if one is None:
            remarks.append(
                f"{incoming} to {outgoing}: no mark brings the baton across inside the zone"
            )
        else:
            pairs.append(one)
    order = {name: k for k, name in enumerate(names)}
    pairs.sort(key=lambda p: (order[p.incoming], order[p.outgoing]))
    return Advice(squad, settings, where, tuple(pairs), tuple(remarks))


def marks_table(advices: Sequence[Advice]) -> pa.Table:
    """The table `marks`: one row a pair and candidate mark."""
    columns: dict[str, list[Any]] = {name: [] for name in schema.facts("marks").names}
    for advice in advices:
        for pair in advice.pairs:
            own = _pair_columns(advice.squad.event, pair)
            for name, values in columns.items():
                values += own.get(name, [None] * len(pair.candidates.mark_m))
    return schema.conform("marks", columns)


def _pair_columns(event: str, pair: PairAdvice) -> dict[str, list[Any]]:
    """A pair's part of the table `marks`, column by column."""
    m = len(pair.candidates.mark_m)
    figures = {
        name: [None] * m if values is None else values.tolist()
        for name, values in _figures_by_name(pair.candidates).items()
    }
    return {
        **figures,
        "incoming": [pair.incoming] * m,
        "outgoing": [pair.outgoing] * m,
        "event": [event] * m,
        "outgoing_start_m": [pair.stand_m] * m,
        "pace": [pair.pace] * m,
        "reps": [pair.reps] * m,
        "reps_pair": [pair.reps_pair] * m,
        "reps_on_mark": [int(n) for n in pair.candidates.reps_on_mark],
        "advised": [k == pair.advised for k in range(m)],
        "practice_gain_s": [pair.practice_gain_s if k == pair.advised else None for k in range(m)],
        "remarks": [list(pair.remarks) if k == pair.advised else [] for k in range(m)],
    }


def _map_figures(change: Callable[[Floats], V], candidates: CandidateMarks) -> MarkFigures[V]:
    """Every figure changed alike; what is not known stays so."""
    changed: dict[str, Any] = {
        name: None if values is None else change(values)
        for name, values in _figures_by_name(candidates).items()
    }
    return MarkFigures(**changed)


def _figures_by_name(candidates: CandidateMarks) -> dict[str, Floats | None]:
    """The figures by their names, which are those of the table's columns."""
    return {figure.name: getattr(candidates, figure.name) for figure in fields(candidates)}


# --- a pair -----------------------------------------------------------------------------


class _ReceiverStarts:
    """The receivers' starts, each worked out once for all pairs. Keeps the last runner's only."""

    def __init__(self, draws: Draws, where: Conditions) -> None:
        self.draws, self._where = draws, where
        self._runner, self._starts = -1, dict[tuple[float, float], Receiver]()

    def of(self, j: int, stand_m: float, pace: float) -> Receiver:
        if j != self._runner:
            self._runner, self._starts = j, {}
        if (stand_m, pace) not in self._starts:
            self._starts[stand_m, pace] = simulate.run_receiver(
                self.draws, j, self._where, stand_m, pace
            )
        return self._starts[stand_m, pace]


def _advise_pair(
    squad: Squad, incoming: str, outgoing: str, where: Conditions, settings: Settings,
    starts: _ReceiverStarts, few_starts: _ReceiverStarts,
) -> PairAdvice | None:  # fmt: skip
    """The stand and the pace that promise most in a first look at few draws, then all candidates
    at these. None where no candidate brings the baton across inside the zone."""
    i, j = squad.index(incoming), squad.index(outgoing)
    foot = None if np.isnan(squad.feet_m[j]) else float(squad.feet_m[j])
    step = (defaults.FOOT_M if foot is None else foot) / 2.0
    usual = _usual_stand(squad, i, j) if settings.stand_m is None else settings.stand_m
    stands = [usual]
    if settings.free_stand:
        stands = sorted({*(STANDS_M if squad.reps.blind else STANDS_BY_SIGHT_M), usual})
    paces = PACES if settings.pace is None else (settings.pace,)
    paces = (1.0,) if squad.reps.blind else paces

    def run(marks: Floats, stand: float, pace: float, using: _ReceiverStarts) -> Outcomes:
        return simulate.simulate(
            squad, using.draws, (i, j), marks, stand, where, pace=pace,
            latest_m=settings.latest_m, start=using.of(j, stand, pace),
        )  # fmt: skip

    def first_look(choices: Iterable[tuple[float, float]]) -> list[tuple[float, float, float]]:
        looks = []
        for stand, pace in choices:
            coarse = _candidate_marks(squad, i, j, where, stand, pace, step)[::3]
            loss = float(_losses_s(run(coarse, stand, pace, few_starts), where, settings).min())
            looks.append((loss + MOVED_AWAY_S * abs(stand - usual), stand, pace))
        return looks

    looks = [(0.0, stands[0], paces[0])]
    if len(stands) > 1 or len(paces) > 1:
        looks = first_look((stand, paces[0]) for stand in stands)
        _, stand, _ = min(looks)
        if len(stands) > 1:
            near = [x for x in (stand - 1.0, stand + 1.0) if 0.0 <= x <= max(stands)]
            looks += first_look((x, paces[0]) for x in near)
        loss, stand, _ = min(looks)
        others = first_look((stand, pace) for pace in paces[1:])
        # another pace than the practised one only where it gains clearly
        looks += [one for one in others if one[0] < loss - OTHER_PACE_S]
    _, stand, pace = min(looks)
    marks = _candidate_marks(squad, i, j, where, stand, pace, step)
    return _sum_up(
        squad, starts.draws, (i, j), marks, stand, pace, foot, where, settings,
        run(marks, stand, pace, starts),
    )  # fmt: skip


def _usual_stand(squad: Squad, i: int, j: int) -> float:
    """Where the receiver mostly stood with this partner, to half a metre; the back line where the
    two never tried."""
    own = squad.reps
    stood = own.stand_m[(own.incoming == i) & (own.outgoing == j)]
    stood = stood[np.isfinite(stood)]
    if not len(stood):
        return 0.0
    # + 0.0, since a hair before the line is no -0
    return float(np.clip(np.round(2.0 * np.median(stood)) / 2.0, 0.0, 10.0)) + 0.0


def _candidate_marks(
    squad: Squad, i: int, j: int, where: Conditions, stand_m: float, pace: float, step_m: float
) -> Floats:
    """Marks on whole steps, from a pass soon after the start to one that comes too late."""
    v, gain, fade = squad.entry.mean[i]
    top, tau, launch = squad.start.mean[j]
    reach = squad.reach.share[i] + squad.reach.share[j]
    d = np.linspace(4.0, where.zone_m - where.back_m - stand_m, 60)
    s = where.back_m + stand_m + d
    pull = np.where(s - reach < 0.0, gain, -fade)
    ahead = laws.seconds_to(d, top * pace, tau, launch) - laws.constant_pull_s(s - reach, v, pull)
    lag = float(squad.lag.mean[j, 0]) if squad.reps.blind else 0.0
    # where the mark is for the pass to come at d
    at = np.asarray(v * (ahead + lag) + where.back_m)
    low, high = float(at[0]), float(at.max()) + 1.5
    first = max(1, int(np.ceil(low / step_m)))
    last = max(first + 4, int(np.floor(high / step_m)))
    return np.asarray(step_m * np.arange(first, last + 1, max(1, (last - first) // CANDIDATES)))


def _mean_over_draws(values: Floats) -> Floats:
    return np.asarray(values.mean(axis=0))


def _mean_where(values: Floats, when: Floats) -> Floats:
    """(m,) mean over the draws (n) where `when` is 1; nan where there are too few."""
    mass = when.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        out = np.where(when > 0, values, 0.0).sum(axis=0) / mass
    return np.asarray(np.where(mass >= ENOUGH, out, np.nan))


def _losses_s(out: Outcomes, where: Conditions, settings: Settings) -> Floats:
    """(m,) the expected loss of each mark, over all draws."""
    time = np.nan_to_num(_mean_where(_slower_s(out, where), out.in_zone), nan=1e3)
    fails = 1.0 - _mean_over_draws(out.in_time)
    return _weigh(time, fails, _mean_over_draws(out.ran_into), settings)


def _slower_s(out: Outcomes, where: Conditions) -> Floats:
    """(n, m) seconds beyond a baton that goes through the zone at the incoming runner's speed."""
    return np.asarray(out.finish_s - (where.zone_m / out.v_entry_mps)[:, None])


def _weigh(time: Floats, fails: Floats, into: Floats, settings: Settings) -> Floats:
    return np.asarray(time + settings.failure_s * fails + settings.collision_s * into)


def _group_losses_s(
    draws: Draws, out: Outcomes, marks: Floats, where: Conditions, settings: Settings, part: slice
) -> Floats:
    """(outer, m) the expected loss of each mark for each draw of the runners' means, from some of
    its reps; marks near each other share their luck."""
    near = np.exp(-0.5 * np.square((marks[:, None] - marks) / SMOOTH_M))

    def smooth(values: Floats) -> Floats:
        return np.asarray(draws.group(values)[:, part].mean(axis=1) @ near)

    own = _slower_s(out, where)
    mass = near.sum(axis=0)
    passed = smooth(out.in_zone)
    total = smooth(np.where(out.in_zone > 0, own, 0.0))
    usual = np.nan_to_num(_mean_where(own, out.in_zone), nan=1e3)
    # a group without a pass says nothing of its time: the mean over all stands in
    time = np.where(passed > 0.05 * mass, total / np.maximum(passed, 1e-9), usual)
    return _weigh(time, 1.0 - smooth(out.in_time) / mass, smooth(out.ran_into) / mass, settings)


def _practice_gain_s(
    draws: Draws, out: Outcomes, marks: Floats, advised: int, where: Conditions, settings: Settings
) -> float:
    """The expected value of perfect information [1]: what the best mark of each draw of the means
    would lose less than the one advised, on the mean.

    The best mark is chosen on one half of the reps and judged on the other, so that luck is not
    taken for knowledge.
    """
    halves = (slice(0, None, 2), slice(1, None, 2))
    one, other = (_group_losses_s(draws, out, marks, where, settings, part) for part in halves)
    gains = []
    for chosen, judged in ((one, other), (other, one)):
        best = judged[np.arange(len(judged)), chosen.argmin(axis=1)]
        gains.append(float(np.mean(judged[:, advised] - best)))
    return max(0.0, 0.5 * sum(gains))


def _sum_up(
    squad: Squad, draws: Draws, pair: tuple[int, int], marks: Floats, stand: float, pace: float,
    foot: float | None, where: Conditions, settings: Settings, out: Outcomes,
) -> PairAdvice | None:  # fmt: skip
    """The draws summed up mark by mark, and the mark with the least expected loss."""
    enough = out.in_zone.sum(axis=0) >= ENOUGH
    if not enough.any():
        return None
    i, j = pair
    p, p_sd = _estimate_chance(draws, out.in_zone)
    into, into_sd = _estimate_chance(draws, out.ran_into)
    away, away_sd = _estimate_chance(draws, out.ran_away)
    zone, zone_sd, zone_spread = _estimate_mean(draws, out.zone_time_s, out.in_zone)
    place, place_sd, place_spread = _estimate_mean(draws, out.pass_m, out.in_zone)
    close, close_sd, _ = _estimate_mean(draws, out.closing_mps, out.in_zone)
    ideal = where.zone_m / out.v_entry_mps
    loss, loss_sd, _ = _estimate_mean(draws, out.zone_time_s - ideal[:, None], out.in_zone)
    in_time = _mean_over_draws(out.in_time)
    away = np.minimum(away, 1.0 - p)
    finish = _mean_where(out.finish_s, out.in_zone)
    losses = _losses_s(out, where, settings)
    by_group = _group_losses_s(draws, out, marks, where, settings, slice(None))
    candidates = CandidateMarks(
        mark_m=marks,
        mark_feet=None if foot is None else np.round(2.0 * marks / foot) / 2.0,
        p_in_zone=p,
        p_in_zone_sd=p_sd,
        p_ran_into=into,
        p_ran_into_sd=into_sd,
        p_ran_away=away,
        p_ran_away_sd=away_sd,
        zone_time_s=zone,
        zone_time_sd_s=zone_sd,
        zone_time_spread_s=zone_spread,
        pass_m=place,
        pass_sd_m=place_sd,
        pass_spread_m=place_spread,
        closing_mps=close,
        closing_sd_mps=close_sd,
        baton_loss_s=loss,
        baton_loss_sd_s=loss_sd,
        gap_at_go_m=np.asarray(np.median(out.go_gap_m, axis=0)),
        mark_sd_m=_as_mark_metres(place_sd, place, marks),
        mark_spread_m=_as_mark_metres(place_spread, place, marks),
        reps_on_mark=_count_on_mark(squad, pair, marks, stand, where),
        loss_s=losses,
        loss_sd_s=by_group.std(axis=0, ddof=1) if draws.outer > 1 else np.zeros(len(marks)),
        finish_s=finish,
        p_in_time=in_time,
    )
    enough &= _table_can_hold(candidates)
    if not enough.any():
        return None
    kept = _map_figures(lambda values: values[enough], candidates)
    best = int(np.argmin(np.where(enough, losses, np.inf)))
    gain = _practice_gain_s(draws, out, marks, best, where, settings)
    advice = PairAdvice(
        incoming=squad.runners[i],
        outgoing=squad.runners[j],
        stand_m=stand,
        pace=pace,
        foot_m=foot,
        reps=int(squad.reps_in[i] + squad.reps_out[j]),
        reps_pair=int(np.sum((squad.reps.incoming == i) & (squad.reps.outgoing == j))),
        candidates=kept,
        advised=int(np.argmin(losses[enough])),
        practice_gain_s=gain,
        remarks=(),
    )
    return replace(advice, remarks=tuple(_mark_remarks(advice, settings, squad.reps.blind)))


def _table_can_hold(candidates: CandidateMarks) -> NDArray[np.bool_]:
    """(m,) which candidates have figures within the table's bounds: takeovers that were measured
    badly wrong can ask for a mark farther off than any lane has room for."""
    ok = np.ones(len(candidates.mark_m), dtype=bool)
    figures = _figures_by_name(candidates)
    for fact in schema.facts("marks").columns:
        values = figures.get(fact.name)
        if fact.type == "float64" and values is not None:
            low, high = fact.bounds
            ok &= (values >= low) & (values <= high)
    return ok


def _estimate_chance(draws: Draws, hits: Floats) -> tuple[Floats, Floats]:
    """(m,) probability and its estimation error: the variance between the outer groups less what
    chance within them alone would give."""
    by = draws.group(hits).mean(axis=1)
    p = by.mean(axis=0)
    noise = (by * (1.0 - by)).mean(axis=0) / (draws.inner - 1)
    return p, np.sqrt(np.maximum(by.var(axis=0, ddof=1) - noise, 0.0))


def _estimate_mean(draws: Draws, values: Floats, when: Floats) -> tuple[Floats, Floats, Floats]:
    """(m,) mean where `when`, its estimation error, and the spread from rep to rep."""
    w = draws.group(when)
    x = np.where(w > 0, draws.group(values), 0.0)
    mass = w.sum(axis=1)
    total = np.maximum(mass.sum(axis=0), 1e-9)
    mean = x.sum(axis=(0, 1)) / total
    own = x.sum(axis=1) / np.maximum(mass, 1e-9)  # (outer, m)
    inside = (w * (x - own[:, None]) ** 2).sum(axis=1)
    within = inside.sum(axis=0) / np.maximum((mass - (mass > 0)).sum(axis=0), 1.0)
    share = mass / total
    between = (share * (own - mean) ** 2).sum(axis=0)
    noise = (share * within / np.maximum(mass, 1.0)).sum(axis=0)
    return mean, np.sqrt(np.maximum(between - noise, 0.0)), np.sqrt(within)


def _as_mark_metres(moves_m: Floats, place: Floats, marks: Floats) -> Floats:
    """(m,) what moves the pass by `moves_m`, as metres of mark: over what the pass moves by when
    the mark does. `place` (m,) is where the baton passes."""
    slope = np.gradient(np.nan_to_num(place), marks) if len(marks) > 1 else np.ones(1)
    return np.asarray(np.clip(moves_m / np.maximum(slope, 1.0), 0.0, 20.0))


def _count_on_mark(
    squad: Squad, pair: tuple[int, int], marks: Floats, stand: float, where: Conditions
) -> Floats:
    """(m,) reps of this pair within half a step of each mark, stand and zone being the same."""
    own = squad.reps
    same = (
        (own.incoming == pair[0])
        & (own.outgoing == pair[1])
        & (np.abs(own.zone_m - where.zone_m) < 0.5)
        & (np.abs(own.back_m - where.back_m) < 0.5)
        & (np.abs(own.stand_m - stand) < SAME_STAND_M)
    )
    half = 0.5 * float(np.min(np.diff(marks), initial=0.3))
    on = same[:, None] & (np.abs(own.mark_m[:, None] - marks) <= half)
    return np.asarray(on.sum(axis=0), dtype=np.float64)


def _mark_remarks(advice: PairAdvice, settings: Settings, blind: bool) -> list[str]:
    best = advice.best
    remarks = []
    if falls_short(best.p_in_time):
        by = "" if settings.latest_m is None else f", or comes later than {settings.latest_m:g} m"
        remarks.append(
            f"fails in more than {defaults.RISKY:.0%} of the takeovers{by}: their spread must "
            "become smaller first"
        )
    if is_risky(best.p_ran_into):
        remarks.append(f"may run into each other in more than {defaults.RISKY:.0%} of them")
    if advice.reps_pair == 0:
        remarks.append("pair never tried: rests on what each did with others")
    if advice.reps < FEW_REPS:
        remarks.append(f"fewer than {FEW_REPS} takeovers of the two: leans on the squad")
    if not blind:
        remarks.append("visual change: the mark is the incoming runner's place when to set off")
        if advice.pace != 1.0:
            remarks.append(f"set off at {advice.pace:.0%} of the practised start")
    return remarks


# --- what the coach asks next -------------------------------------------------------------


def move_tape(pair: PairAdvice, feet: float) -> TapeMove | None:
    """What moving the tape changes: by `feet` foot-lengths (0.30 m where not known), positive
    farther from the receiver. None where that lies outside the candidates."""
    by = feet * (pair.foot_m or defaults.FOOT_M)
    best, curve = pair.best, pair.candidates
    marks = curve.mark_m
    at = best.mark_m + by
    if not marks[0] - 1e-6 <= at <= marks[-1] + 1e-6:
        return None

    def change(values: Floats, now: float) -> float:
        return float(np.interp(at, marks, values)) - now

    return TapeMove(
        p_in_zone=change(curve.p_in_zone, best.p_in_zone),
        p_ran_into=change(curve.p_ran_into, best.p_ran_into),
        p_ran_away=change(curve.p_ran_away, best.p_ran_away),
        zone_time_s=change(curve.zone_time_s, best.zone_time_s),
        pass_m=change(curve.pass_m, best.pass_m),
    )
