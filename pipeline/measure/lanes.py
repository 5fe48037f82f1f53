"""Which lane each takeover was run in, judged over the whole session.

Zone lines of neighbouring lanes lie metres apart along the lane (but in the last bend), the lanes
1.22 m beside each other. What hides this is the slow error of the positions, about a metre and
mostly shared; so all takeovers are judged together, with that error's own covariance.
docs/methods.md, "Which lane".
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.special import logsumexp

from pipeline.base.geodesy import move_rows
from pipeline.base.signals import Bools
from pipeline.base.values import Floats, Frozen, Rep, ZoneAxis
from pipeline.measure.finding import SAME_S, TakeoverCandidate
from pipeline.measure.noise import SlowError
from pipeline.measure.plan_place import PlanDoubt
from pipeline.measure.traces import OnAxis, Trace
from pipeline.measure.zones import at, heading_at, project

KEEP_STATED_P = 0.05  # a stated lane is overruled when its own chance is below this
STATED_WRONG = 0.03  # chance that a stated lane is another for the whole session, ...
ONE_WRONG = 0.005  # ... for one takeover alone: assumption
UNSTATED_OTHER = 0.1  # chance of a takeover without a stated lane in another than the rest
TOGETHER = 1e-3  # odds of two takeovers at once in one lane: they would run into each other
TOGETHER_S = 8.0
STEP_S = 1.0  # a place a second: more say nothing more about so slow an error
BEFORE_S, BEYOND_S = 4.0, 3.0  # of the entry: the run in and the run out
HABIT_M = 0.25  # of a run's place in the lane, from the measured line: common practice
TAPE_M, LONE_TAPE_M = 0.6, 1.5  # of a stand on its tape; of one no other tape stands beside
TAPES_APART_M = 2.5  # two stands that disagree more have a wrong tape between them: neither counts
PLACE_M = 0.3  # of one place, on top of the slow error
MOST_AT_ONCE = 60  # takeovers judged together; more go in blocks, so that cost stays linear
DOUBT = 0.1  # from this chance of another lane on the takeover says so and its errors grow


@dataclass(frozen=True, eq=False)
class LaneEvidence(Frozen):
    """What places say of one takeover's lane: where they were seen to the right of a candidate's
    lane line, or past its tape. `off_m` (k, n) by lane, `normal` (n, 2) east-north, `t_s` (n,),
    `runner` (n,) as a number, `sd_m` (n,), `run` (n,): the run they share a habit in, -1 none."""

    lanes: tuple[int, ...]
    axes: tuple[int, ...]
    off_m: Floats
    normal: Floats
    t_s: Floats
    runner: Floats
    sd_m: Floats
    run: Floats
    moved: Floats | None = None  # (n, 3): what a move of the plan does to `off_m`


@dataclass(frozen=True, slots=True)
class LaneVerdict:
    """The number of the axis judged to be the takeover's, and the chance of another lane, the
    likeliest of which has the axis `other`."""

    axis: int
    p_other: float = 0.0
    other: int | None = None


def gather_evidence(
    one: TakeoverCandidate,
    rep: Rep | None,
    choices: Sequence[int],
    axes: Sequence[ZoneAxis],
    traces: Mapping[str, Trace],
    places: Mapping[int, Mapping[str, OnAxis]],
    number: Mapping[str, int],
    plan: PlanDoubt | None = None,
) -> LaneEvidence:
    """The evidence of one takeover for the axes `choices` of its zone; `number` of each runner,
    `plan` what is not known of the venue's place."""
    first = places[choices[0]]
    moments: list[tuple[str, float]] = []
    for name, begin in ((one.incoming, one.entry_s - BEFORE_S), (one.outgoing, one.go_s + 1.0)):
        last = one.entry_s + (1.5 if name == one.incoming else BEYOND_S)
        moments += [(name, float(t)) for t in np.arange(begin, last, STEP_S)]
    stands: list[tuple[str, float, float]] = []
    if rep is not None and rep.outgoing_start_m is not None:
        stands.append((one.outgoing, one.go_s - 1.0, rep.outgoing_start_m))
    if rep is not None and rep.incoming_start_m is not None and one.set_off_s is not None:
        stands.append((one.incoming, one.set_off_s - 1.0, -rep.incoming_start_m))
    names = [name for name, _ in moments] + [name for name, _, _ in stands]
    t_s = np.array([t for _, t in moments] + [t for _, t, _ in stands])
    xy = np.column_stack(
        [
            _interpolate_by_runner(names, t_s, traces, {n: p.xy_m[:, k] for n, p in first.items()})
            for k in (0, 1)
        ]
    )
    off = []
    normal = np.empty((0, 2))
    for i in choices:
        axis = axes[i]
        n = len(moments)
        along = {name: place.s_m for name, place in places[i].items()}
        where = _interpolate_by_runner(names[:n], t_s[:n], traces, along)
        heading = heading_at(axis, where)
        right = np.column_stack([np.sin(heading), -np.cos(heading)])
        beside = ((xy[:n] - at(axis, where)) * right).sum(axis=1)
        tapes = np.array([axis.back_m + tape for _, _, tape in stands])
        ahead = heading_at(axis, tapes) if len(tapes) else np.empty(0)
        forward = np.column_stack([np.cos(ahead), np.sin(ahead)])
        past = ((xy[n:] - at(axis, tapes)) * forward).sum(axis=1) if len(tapes) else np.empty(0)
        off.append(np.concatenate([beside, past]))
        if i == choices[0]:
            normal = np.concatenate([right, forward]) if len(tapes) else right
    tape_sd = TAPE_M if len(stands) > 1 else LONE_TAPE_M
    runs = [float(name == one.outgoing) for name, _ in moments] + [-1.0] * len(stands)
    gathered = LaneEvidence(
        tuple(axes[i].lane for i in choices),
        tuple(choices),
        np.array(off),
        normal,
        t_s,
        np.array([float(number[name]) for name in names]),
        np.array([PLACE_M] * len(moments) + [float(np.hypot(PLACE_M, tape_sd))] * len(stands)),
        np.array(runs),
        None if plan is None else np.einsum("nk,nkj->nj", normal, move_rows(plan.centre_m, xy)),
    )
    if len(stands) > 1 and np.abs(np.diff(gathered.off_m[0, -2:]))[0] > TAPES_APART_M:
        gathered = _only(gathered, gathered.run >= 0)
    placed = np.asarray(np.isfinite(gathered.off_m).all(axis=0))  # fixes may have no place
    return _only(gathered, placed)


def _only(one: LaneEvidence, keep: Bools) -> LaneEvidence:
    """The evidence without some of its places."""
    return replace(
        one,
        off_m=one.off_m[:, keep],
        normal=one.normal[keep],
        t_s=one.t_s[keep],
        runner=one.runner[keep],
        sd_m=one.sd_m[keep],
        run=one.run[keep],
        moved=None if one.moved is None else one.moved[keep],
    )


def _interpolate_by_runner(
    names: Sequence[str],
    t_s: Floats,
    traces: Mapping[str, Trace],
    values: Mapping[str, Floats],
) -> Floats:
    """Each runner's own values, which go with the fixes of his trace, at the moments `t_s` (n,);
    `names` (n,) says whose moment it is."""
    whose = np.array(names)
    out = np.empty(len(t_s))
    for name in dict.fromkeys(names):
        own = whose == name
        out[own] = np.interp(t_s[own], traces[name].t_s, values[name])
    return out


def judge_lanes(
    evidence: Sequence[LaneEvidence],
    stated: Sequence[int | None],
    moments_s: Sequence[float],
    slow: SlowError,
    plan: PlanDoubt | None = None,
) -> list[LaneVerdict]:
    """The lane of each takeover, all judged together; `stated` is what the sheet or else the
    session says, `moments_s` when each was, in time order, `plan` what is not known of the venue's
    place."""
    verdicts: list[LaneVerdict] = []
    for begin in range(0, len(evidence), MOST_AT_ONCE):
        part = slice(begin, begin + MOST_AT_ONCE)
        verdicts += _judge_block(evidence[part], stated[part], moments_s[part], slow, plan)
    return verdicts


def _judge_block(
    evidence: Sequence[LaneEvidence],
    stated: Sequence[int | None],
    moments_s: Sequence[float],
    slow: SlowError,
    plan: PlanDoubt | None,
) -> list[LaneVerdict]:
    misfit = _misfit(evidence, slow, plan)
    lanes = sorted({lane for one in evidence for lane in one.lanes})

    def log_odds(chosen: tuple[int, ...]) -> float:
        own = [one.lanes[k] for one, k in zip(evidence, chosen, strict=True)]
        return _log_prior(own, stated, lanes, moments_s) - 0.5 * misfit(chosen)

    def best_from(chosen: tuple[int, ...]) -> tuple[int, ...]:
        best, worth = chosen, log_odds(chosen)
        while True:
            tries = [(log_odds(turned), turned) for turned in _one_turned(best, evidence)]
            top = max(tries, default=(worth, best))
            if top[0] <= worth + 1e-9:
                return best
            worth, best = top

    starts = {
        tuple(
            one.lanes.index(said + by) if said is not None and said + by in one.lanes else 0
            for one, said in zip(evidence, stated, strict=True)
        )
        for by in range(1 - len(lanes) - 8, len(lanes) + 9)
    }
    starts |= {
        tuple(one.lanes.index(lane) if lane in one.lanes else 0 for one in evidence)
        for lane in lanes
    }
    weights: dict[tuple[int, ...], float] = {start: log_odds(start) for start in starts}
    for start in sorted(weights, key=lambda one: -weights[one])[:3]:
        top = best_from(start)
        weights |= {turned: log_odds(turned) for turned in (top, *_one_turned(top, evidence))}
    total = float(logsumexp(list(weights.values())))
    chance = {chosen: float(np.exp(weight - total)) for chosen, weight in weights.items()}
    return [
        _verdict(one, i, chance, said)
        for i, (one, said) in enumerate(zip(evidence, stated, strict=True))
    ]


def _one_turned(chosen: tuple[int, ...], evidence: Sequence[LaneEvidence]) -> list[tuple[int, ...]]:
    """The same with one takeover in another lane."""
    return [
        (*chosen[:i], k, *chosen[i + 1 :])
        for i, one in enumerate(evidence)
        for k in range(len(one.lanes))
        if k != chosen[i]
    ]


def _misfit(
    evidence: Sequence[LaneEvidence], slow: SlowError, plan: PlanDoubt | None
) -> Callable[[tuple[int, ...]], float]:
    """The squared misfit of all places to the chosen lanes, in standard errors."""
    t = np.concatenate([one.t_s for one in evidence])
    t = t - t.min(initial=np.inf) if len(t) else t
    normal = np.concatenate([one.normal for one in evidence])
    runner = np.concatenate([one.runner for one in evidence])
    run = np.concatenate([np.where(e.run < 0, -1, e.run + 2 * i) for i, e in enumerate(evidence)])
    sd = np.concatenate([one.sd_m for one in evidence])
    same = runner[:, None] == runner[None, :]
    cov = (slow.shared(t, t) + same * slow.own(t, t)) * (normal @ normal.T)
    cov += HABIT_M**2 * ((run[:, None] == run[None, :]) & (run >= 0)[:, None])
    cov += np.diag(sd**2)
    moved = np.concatenate(
        [np.zeros((len(e.t_s), 3)) if e.moved is None else e.moved for e in evidence]
    )
    if plan is not None:
        cov += moved @ plan.cov @ moved.T
    due = moved @ (np.zeros(3) if plan is None else plan.mean)
    first = np.cumsum([0, *(len(one.lanes) for one in evidence)])
    ends = np.cumsum([0, *(len(one.t_s) for one in evidence)])
    columns = np.zeros((ends[-1], first[-1]))  # one a takeover and lane
    for i, one in enumerate(evidence):
        own = slice(ends[i], ends[i + 1])
        columns[own, first[i] : first[i + 1]] = one.off_m.T - due[own, None]
    products = columns.T @ cho_solve(cho_factor(cov), columns)

    def squares(chosen: tuple[int, ...]) -> float:
        which = first[:-1] + np.array(chosen)
        return float(products[np.ix_(which, which)].sum())

    return squares


def _log_prior(
    own: Sequence[int],
    stated: Sequence[int | None],
    lanes: Sequence[int],
    moments_s: Sequence[float],
) -> float:
    """Logarithm of how likely lanes are before the traces are looked at. What is stated holds, or
    is wrong by the same number of lanes all session long; single takeovers stand alone."""
    shifts = [lane - said for lane, said in zip(own, stated, strict=True) if said is not None]
    free = [lane for lane, said in zip(own, stated, strict=True) if said is None]
    others = max(len(lanes) - 1, 1)
    terms = []
    for shift in {0, *shifts}:
        whole = 1 - STATED_WRONG if shift == 0 else STATED_WRONG / others
        odd = sum(one != shift for one in shifts)
        terms.append(np.log(whole) + odd * np.log(ONE_WRONG / others))
    prior = float(logsumexp(terms)) if shifts else 0.0
    if free:
        base = max(set(free), key=free.count)
        prior += sum(lane != base for lane in free) * float(np.log(UNSTATED_OTHER / others))
    for i, moment in enumerate(moments_s[:-1]):
        if own[i] == own[i + 1] and moments_s[i + 1] - moment < TOGETHER_S:
            prior += float(np.log(TOGETHER))
    return prior


def _verdict(
    one: LaneEvidence, i: int, chance: Mapping[tuple[int, ...], float], said: int | None
) -> LaneVerdict:
    """What is stated holds until the traces leave it less than KEEP_STATED_P: a lane that is kept
    and doubted is said and has wider errors, one that is wrongly overruled is worse than either."""
    by_lane = [
        sum(p for chosen, p in chance.items() if chosen[i] == k) for k in range(len(one.lanes))
    ]
    best, *others = sorted(range(len(one.lanes)), key=lambda k: -by_lane[k])
    kept = one.lanes.index(said) if said in one.lanes else best
    if kept != best and by_lane[kept] >= KEEP_STATED_P:
        best, others = kept, [best, *(k for k in others if k != kept)]
    if not others:
        return LaneVerdict(one.axes[best])
    return LaneVerdict(one.axes[best], max(1 - by_lane[best], 0.0), one.axes[others[0]])


def move_of_lines_m(here: ZoneAxis, there: ZoneAxis) -> float:
    """How far [m] along the lane the zone's lines would move if it were the other lane's."""
    moved = [float(project(here, at(there, np.array([s])))[0][0]) - s for s in (0.0, there.exit_m)]
    return float(np.max(np.abs(moved)))


# --- a session's takeovers ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlacedTakeover:
    """A takeover on the axis of its lane. `doubt_m`: standard error of the lines from the chance
    of another lane; `remark`: what speaks against what was stated, or that it stays open."""

    candidate: TakeoverCandidate
    doubt_m: float = 0.0
    remark: str | None = None


def place_in_lanes(
    chosen: Sequence[tuple[TakeoverCandidate, Rep | None]],
    lists: Mapping[int, Sequence[TakeoverCandidate]],
    axes: Sequence[ZoneAxis],
    session_lane: int | None,
    traces: Mapping[str, Trace],
    places: Mapping[int, Mapping[str, OnAxis]],
    slow: SlowError,
    plan: PlanDoubt | None = None,
) -> list[PlacedTakeover]:
    """The takeovers, in time order, each on its lane's axis; `lists` has all candidates by axis.

    Where a takeover was seen in the zones of several lanes, all of the session are judged together.
    """
    choices = [_same_on_other_lanes(one, lists, axes) for one, _ in chosen]
    if all(len(own) < 2 for own in choices):
        return [PlacedTakeover(one) for one, _ in chosen]
    number = {name: k for k, name in enumerate(traces)}
    evidence = [
        gather_evidence(one, rep, sorted(own), axes, traces, places, number, plan)
        for (one, rep), own in zip(chosen, choices, strict=True)
    ]
    with_sheet = any(rep is not None for _, rep in chosen)
    stated = [
        rep.lane or session_lane
        if rep is not None
        else (None if with_sheet else session_lane)  # the sheet does not know it at all
        for _, rep in chosen
    ]
    verdicts = judge_lanes(evidence, stated, [one.entry_s for one, _ in chosen], slow, plan)
    return [
        _place(own[verdict.axis], verdict, said, axes)
        for own, verdict, said in zip(choices, verdicts, stated, strict=True)
    ]


def _same_on_other_lanes(
    one: TakeoverCandidate,
    lists: Mapping[int, Sequence[TakeoverCandidate]],
    axes: Sequence[ZoneAxis],
) -> dict[int, TakeoverCandidate]:
    """The same takeover by axis, on every lane on which it was seen."""
    found = {
        c.axis: c
        for i, own in lists.items()
        if axes[i].zone == axes[one.axis].zone
        for c in own
        if c.pair == one.pair and abs(c.entry_s - one.entry_s) < SAME_S
    }
    return {**found, one.axis: one}


def _place(
    one: TakeoverCandidate, verdict: LaneVerdict, stated: int | None, axes: Sequence[ZoneAxis]
) -> PlacedTakeover:
    lane, other, p = axes[verdict.axis].lane, verdict.other, verdict.p_other
    words = []
    if stated is not None and lane != stated:
        words.append(f"the sheet says lane {stated}, both ran in lane {lane}")
    if other is None or p < DOUBT:
        return PlacedTakeover(one, 0.0, words[0] if words else None)
    moved = move_of_lines_m(axes[verdict.axis], axes[other])
    words.append(
        f"the lane is in doubt: {lane} is taken, with a chance of about {round(p, 1):.0%} that it "
        f"was {axes[other].lane}, whose lines lie {moved:.1f} m from these: the errors are wider"
    )
    return PlacedTakeover(one, moved * float(np.sqrt(p)), "; ".join(words))
