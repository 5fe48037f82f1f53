"""What a takeover lost against what its pair does at its best mark, and to what.

The pair's laws (`runners`, `simulate`) give the baton's time through the zone as a function of what
was done: where the tape lay, when the receiver started, the speed that came in, and so on. Each of
these is changed from what the pair usually does to what was measured in this takeover, one at a
time, in every order; a cause's part is the mean over the orders of what its change cost [1].
docs/methods.md, "Causes", says what is assumed.

Sources
-------
[1] Shapley, "A value for n-person games", Contributions to the Theory of Games II, Princeton 1953,
    307-317.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import factorial
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.advise import hierarchy, simulate
from pipeline.advise.marks import Advice, PairAdvice
from pipeline.advise.rep_values import (
    DRAWS,
    PairDraws,
    TakeoverRow,
    TakeoverValues,
    arrival_s,
    draw_pair,
    draw_takeover,
    estimate_runs,
)
from pipeline.advise.runners import Squad
from pipeline.advise.settings import Conditions
from pipeline.advise.simulate import Draws
from pipeline.advise.takeovers import rows_in_time
from pipeline.base import defaults
from pipeline.base.asking import in_words
from pipeline.base.values import Estimate, Floats, Frozen, Ints
from pipeline.base.words import CAUSES, move_in_words
from pipeline.tables import schema

# What is changed in turn, in the order of the bits of a coalition's number.
PLAYERS = CAUSES[:-2]  # the others are what these do not explain
_BIT = {name: k for k, name in enumerate(PLAYERS)}
_ALL = 2 ** len(PLAYERS) - 1

COURSE_POINTS = 28  # of the receiver's course: enough for a time to a thousandth of a second

# What a hand held back costs of the receiver's speed. An assumption: without the swing of one arm
# a runner is a few hundredths slower. It enters only where the baton was late for the hand.
HAND_MPS, HAND_SD_MPS = 0.2, 0.15
PLACE_SD_M = 2.5  # how well the laws tell the place of a pass, all else known: an assumption
HAND_SD_S = 0.1  # how hands differ in the time from the call to being there: an assumption

ADVISED = "advised: "  # how the words on a tape that is not right begin

SAME_ZONE_M = 0.5
SAME_STAND_M = 0.6

# A departure is put into words where it stands out of its error and is no less than this.
CLEAR_SDS = 2.0
TIMELY_S, ALIKE_MPS, ALIKE_RUN_S, ALIKE_REACH_M, AT_DISTANCE_M = 0.05, 0.15, 0.05, 0.3, 0.5


# --- values -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CausePart:
    """One cause's part of a takeover's loss: `lost` in seconds, positive where it cost time;
    `moved_pass_m`: how far it moved the pass, None where there was none; `note`: words for it."""

    cause: str
    lost: Estimate
    moved_pass_m: float | None
    note: str | None


@dataclass(frozen=True, slots=True)
class TakeoverLoss:
    """What one takeover lost.

    `parts` are empty, and `lost` is None, where there is no zone time or no best mark to compare
    with; `why` then says what is missing. `notes`: the departures in words by cause, of those that
    stand out of their errors. `move_feet`: how far the tape should be moved, in foot-lengths,
    positive farther from the receiver; None where no mark is advised or none was laid.
    """

    session: str
    exchange: int
    event: str
    incoming: str
    outgoing: str
    parts: tuple[CausePart, ...]
    lost: Estimate | None
    why: str | None
    notes: Mapping[str, str]
    move_feet: float | None


def causes_table(losses: Sequence[TakeoverLoss]) -> pa.Table:
    """The table `causes`: one row a takeover and cause; none of a takeover without parts."""
    rows = [
        {
            "session": loss.session,
            "exchange": loss.exchange,
            "event": loss.event,
            "incoming": loss.incoming,
            "outgoing": loss.outgoing,
            "cause": part.cause,
            "lost_s": part.lost.value,
            "lost_sd_s": part.lost.sd,
            "moved_pass_m": part.moved_pass_m,
            "note": part.note,
        }
        for loss in losses
        for part in loss.parts
    ]
    names = schema.facts("causes").names
    return schema.conform("causes", {name: [row[name] for row in rows] for name in names})


# --- all takeovers of the advice ------------------------------------------------------------


def find_causes(exchanges: pa.Table, advices: Sequence[Advice]) -> list[TakeoverLoss]:
    """The loss of every takeover of the runners advised, in time order within an event.

    `exchanges`: the rows on which the advice rests, those at full speed.
    """
    return [loss for advice in advices for loss in _event_losses(exchanges, advice)]


def _event_losses(exchanges: pa.Table, advice: Advice) -> list[TakeoverLoss]:
    squad = advice.squad
    team = set(advice.settings.team or squad.runners)
    pairs = {(pair.incoming, pair.outgoing): pair for pair in advice.pairs}
    # The takeovers were run as they were: a race or a wind that the advice is for changes the mark,
    # not what the pair usually does.
    where = replace(advice.conditions, race=False, wind_mps=0.0, crouched=False)
    games: dict[tuple[str, str], PairGame] = {}
    losses = []
    rows = rows_of_reps(exchanges, squad)
    runs = estimate_runs(squad, rows, where)
    for k, row in enumerate(rows):
        i, j = int(squad.reps.incoming[k]), int(squad.reps.outgoing[k])
        who = squad.runners[i], squad.runners[j]
        if not team.issuperset(who):
            continue
        with np.errstate(all="ignore"):  # figures measured badly wrong give no finite parts
            if who in pairs and who not in games:
                games[who] = pair_game(squad, runs, i, j, pairs[who], where, advice.settings.seed)
            losses.append(_takeover_loss(squad, k, who, row, games.get(who)))
    return losses


def rows_of_reps(exchanges: pa.Table, squad: Squad) -> list[TakeoverRow]:
    """The rows of `exchanges` in the order of the squad's reps."""
    names = list(TakeoverRow.__dataclass_fields__)
    own, _ = rows_in_time(exchanges, squad.event)

    def known(value: Any) -> Any:
        return np.nan if value is None else value

    return [
        TakeoverRow(**{name: known(row[name]) for name in names} | {"faults": tuple(row["faults"])})
        for row in own.select(names).to_pylist()
    ]


# --- one takeover -------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class PairGame(Frozen):
    """What all takeovers of a pair have in common: their usual one on the mark advised, and its
    zone times (D,) and places of the pass, with every receiver's habit weighed in."""

    pair: tuple[int, int]
    where: Conditions
    mark_m: float
    mark_sd_m: float
    stand_m: float
    foot_m: float | None
    draws: PairDraws


def pair_game(
    squad: Squad, runs: hierarchy.Effects, i: int, j: int, pair: PairAdvice, where: Conditions,
    seed: int,
) -> PairGame:  # fmt: skip
    best = pair.best
    drawn = draw_pair(squad, runs, i, j, best.mark_m, pair.stand_m, best.pass_m, where, seed)
    return PairGame(
        pair=(i, j),
        where=where,
        mark_m=best.mark_m,
        mark_sd_m=best.mark_sd_m,
        stand_m=pair.stand_m,
        foot_m=pair.foot_m,
        draws=drawn,
    )


def _takeover_loss(
    squad: Squad, k: int, who: tuple[str, str], row: TakeoverRow, game: PairGame | None
) -> TakeoverLoss:
    loss = TakeoverLoss(row.session, row.exchange, squad.event, *who, (), None, None, {}, None)
    reps = squad.reps
    if game is None:
        return replace(loss, why="no mark is advised for this pair")
    if not _is_same_zone(squad, k, game.where):
        return replace(loss, why="the mark advised is for another zone")
    loss = replace(loss, move_feet=_tape_move_feet(game, float(reps.mark_m[k])))
    own = draw_takeover(squad, k, row, game.draws, game.where.back_m)
    notes = _departure_notes(squad, k, row, game, own)
    loss = replace(loss, notes={name: words for name, words in notes.items() if words is not None})
    why = _what_hinders(row)
    if why is not None:
        return replace(loss, why=why)
    parts = _takeover_parts(squad, k, row, game, own)
    if parts is None:
        return replace(loss, why="its figures do not fit together")
    return replace(
        loss,
        parts=tuple(
            CausePart(name, lost, moved, _part_note(name, lost, row, notes))
            for name, (lost, moved) in parts.by_cause.items()
        ),
        lost=parts.whole,
    )


def _is_same_zone(squad: Squad, k: int, where: Conditions) -> bool:
    reps = squad.reps
    return bool(
        abs(reps.zone_m[k] - where.zone_m) < SAME_ZONE_M
        and abs(reps.back_m[k] - where.back_m) < SAME_ZONE_M
    )


def _what_hinders(row: TakeoverRow) -> str | None:
    """Why there is no loss to be told of a takeover; None where there is."""
    if row.outcome == "not passed":
        return "not passed"
    if not (np.isfinite(row.pass_t_s) and np.isfinite(row.zone_time_s)):
        return "nobody saw the pass" if row.outcome == "unclear" else "no zone time"
    if row.p_in_zone < 0.5:
        return "passed before the zone" if row.pass_m < 0.0 else "passed beyond the zone"
    if not np.isfinite(row.go_t_s):
        return "the receiver's start was not seen"
    return None


@dataclass(frozen=True, eq=False)
class _Parts(Frozen):
    """A takeover's whole loss, and by cause its part and how far it moved the pass."""

    whole: Estimate
    by_cause: Mapping[str, tuple[Estimate, float | None]]


def _takeover_parts(
    squad: Squad, k: int, row: TakeoverRow, game: PairGame, own: TakeoverValues
) -> _Parts | None:
    """None where the figures give nothing finite."""
    z = game.draws.z
    time_s, place_m = coalition_values(squad, game, own)
    lost, moved = _shares(time_s), _shares(place_m)  # (players, D)
    measured = row.zone_time_s + row.zone_time_sd_s * z["zone time"][:, 0]
    late_m = row.pass_m - place_m[_ALL]
    passes = (np.maximum(place_m[0], place_m[_ALL]) < game.where.zone_m) & (place_m[_ALL] > 0.0)
    weight = _draw_weights(late_m, row.pass_sd_m, passes)
    speed = own.entry[:, 0]
    waited = _hand_cost_s(late_m, row.pass_sd_m, weight, speed, z)
    # What the receiver's run took beyond what the law makes of it is the receiver's own; where the
    # receiver eased, it was the easing: how deep that goes is hardly known otherwise.
    go = row.go_t_s + row.go_t_sd_s * z["go"][:, 0]
    mark_s = arrival_s(game.where.back_m - own.mark_m, own.entry)
    left = mark_s + (own.lag_s if squad.reps.blind else own.look_m / speed)
    run = (measured - go) - (time_s[_ALL] - left) - waited
    eased = np.isfinite(squad.reps.eased_from[k])
    lost[_BIT["braking" if eased else "outgoing speed"]] += run
    if row.braked_at_entry:
        lost += _early_share(moved, weight)[:, None] * (go - left)
    parts = dict(zip(PLAYERS, zip(lost, moved, strict=True), strict=True))
    parts["pass place"] = waited, late_m
    rest = measured - time_s[0] - np.sum([one for one, _ in parts.values()], axis=0)
    parts["rest"] = rest, np.zeros(DRAWS)
    if not all(np.isfinite(x).all() for both in parts.values() for x in both):
        return None
    by_cause = {
        name: (_mean_of(seconds, weight), float(weight @ metres))
        for name, (seconds, metres) in parts.items()
    }
    total = sum(part.value for part, _ in by_cause.values())
    whole = Estimate(total, _mean_of(measured - time_s[0], weight).sd)
    return _Parts(whole, by_cause) if _table_can_hold(by_cause) else None


def _draw_weights(late_m: Floats, pass_sd_m: float, passes: NDArray[np.bool_]) -> Floats:
    """(D,) how well each draw explains where the baton passed, as weights that add up to 1: its
    place tells which of the two runners was slower than the draw has it. Draws count only where
    both this takeover, as it did, and the usual one, as advised, pass inside the zone: `passes`."""
    off = (late_m / np.hypot(pass_sd_m, PLACE_SD_M)) ** 2
    if passes.any():
        off = np.where(passes, off, np.inf)
    weight = np.exp(-0.5 * (off - np.min(off)))
    return np.asarray(weight / weight.sum())


def _early_share(moved: Floats, weight: Floats) -> Floats:
    """(players,) whose doing it was that the incoming runner had to brake before the zone: those
    who brought the pass nearer, by how much they did."""
    share = np.maximum(-(moved @ weight), 0.0)
    total = share.sum()
    return np.asarray(share / total if total > 0.0 else share)


def _table_can_hold(by_cause: Mapping[str, tuple[Estimate, float | None]]) -> bool:
    """Whether all parts lie within the table's bounds: a takeover that was measured badly wrong
    can have others."""
    facts = {one.name: one for one in schema.facts("causes").columns}
    low, high = facts["lost_s"].bounds
    near, far = facts["moved_pass_m"].bounds
    return all(
        low < lost.value < high and lost.sd < high and (moved is None or near < moved < far)
        for lost, moved in by_cause.values()
    )


def _hand_cost_s(
    late_m: Floats, pass_sd_m: float, weight: Floats, speed_mps: Floats, z: Mapping[str, Floats]
) -> Floats:
    """(D,) seconds that a hand held back costs where the baton came `late_m` later than all else
    lets expect. How late is known as badly as the place of the pass and the laws, and hands differ
    by so little that most of a large `late_m` is error."""
    mean = float(weight @ late_m)
    var = float(weight @ (late_m - mean) ** 2) + pass_sd_m**2
    share = 1.0 / (1.0 + var / (HAND_SD_S * float(np.mean(speed_mps))) ** 2)
    late = share * mean + np.sqrt(share * var) * z["late"][:, 0]
    held = np.maximum(HAND_MPS + HAND_SD_MPS * z["hand"][:, 0], 0.0)
    return np.asarray(held * late / speed_mps**2)


def _mean_of(values: Floats, weight: Floats | None = None) -> Estimate:
    """Mean and standard deviation of draws, weighed where they have weights (adding up to 1)."""
    if weight is None:
        weight = np.full(len(values), 1.0 / len(values))
    mean = float(weight @ values)
    free = max(1.0 - float(weight @ weight), 1e-3)
    return Estimate(mean, float(np.sqrt(weight @ (values - mean) ** 2 / free)))


# --- the game -----------------------------------------------------------------------------


def shapley_weights(players: int) -> Floats:
    """(players, 2^players) what the value of each coalition counts for in each player's share [1]:
    with S of n players, (|S| - 1)! (n - |S|)! / n! where the player is in, -|S|! (n - |S| - 1)! /
    n! where not."""
    numbers = np.arange(2**players)
    size = np.array([int(c).bit_count() for c in numbers])
    weights = np.empty((players, len(numbers)))
    for k in range(players):
        inside = (numbers >> k) & 1 == 1
        weights[k] = [
            factorial(s - 1) * factorial(players - s)
            if there
            else -factorial(s) * factorial(players - s - 1)
            for s, there in zip(size.tolist(), inside.tolist(), strict=True)
        ]
    return weights / factorial(players)


_WEIGHTS = shapley_weights(len(PLAYERS))


def _shares(values: Floats) -> Floats:
    """(players, D) each player's mean over the orders of joining, of `values` (coalitions, D)."""
    return np.asarray(_WEIGHTS @ values)


def coalition_values(squad: Squad, game: PairGame, own: TakeoverValues) -> tuple[Floats, Floats]:
    """(coalitions, D) zone time and place of the pass, where each coalition's players are as in
    this takeover and the others as usual."""
    shape = (_ALL + 1, DRAWS)
    coalition, draw = (x.ravel() for x in np.indices(shape))
    braked = (coalition >> _BIT["braking"]) & 1 == 1
    # where nobody slows, who slows makes no difference
    rows = np.flatnonzero(~braked)
    time_s, place_m = (
        np.tile(x, 2) for x in _run(squad, game, own, coalition[rows], draw[rows], eases=False)
    )
    usual = game.draws.usual
    begin = np.where(braked, own.ease_from[draw], usual.ease_from[draw]) * game.where.zone_m
    # Who usually eases does so in some takeovers and not in others: both, weighed.
    share = np.where(braked, own.eases[draw], usual.eases[draw])
    # Who has the baton before the place of easing never comes to it.
    rows = np.flatnonzero(~(place_m < begin) & (share > 0.0))
    if len(rows):
        seconds, metres = _run(squad, game, own, coalition[rows], draw[rows], eases=True)
        time_s[rows] += share[rows] * (seconds - time_s[rows])
        place_m[rows] += share[rows] * (metres - place_m[rows])
    return time_s.reshape(shape), place_m.reshape(shape)


def _run(
    squad: Squad, game: PairGame, own: TakeoverValues, coalition: Ints, draw: Ints, *, eases: bool
) -> tuple[Floats, Floats]:
    """(n,) zone time and place of the pass, by the laws of the simulation, for rows of `coalition`
    and `draw` (n,); `eases`: whether receivers slow who get no baton."""
    usual, where = game.draws.usual, game.where
    i, j = game.pair
    n, runners = len(coalition), len(squad.runners)

    def choose(name: str, player: str) -> Floats:
        inside = (coalition >> _BIT[player]) & 1 == 1
        a, b = getattr(own, name)[draw], getattr(usual, name)[draw]
        return np.asarray(np.where(inside[:, None] if a.ndim == 2 else inside, a, b))

    def for_all(values: Floats) -> Floats:
        return np.broadcast_to(values[:, None], (n, runners))

    entry, start = choose("entry", "incoming speed"), choose("start", "outgoing speed")
    reach = squad.reach.share[i] + squad.reach.share[j] + squad.reach.pair[i, j]
    draws = Draws(
        outer=n,
        inner=1,
        top_mps=for_all(start[:, 0]),
        tau_s=for_all(start[:, 1]),
        launch_s=for_all(start[:, 2]),
        push_mps=for_all(choose("push_mps", "outgoing speed")),
        lag_s=for_all(choose("lag_s", "start")),
        cost_s=for_all(choose("cost_s", "outgoing speed")),
        v_in_mps=for_all(entry[:, 0]),
        gain_mps2=for_all(entry[:, 1]),
        fade_mps2=for_all(entry[:, 2]),
        look_m=for_all(choose("look_m", "start")),
        reach_share_m=np.broadcast_to(squad.reach.share, (n, runners)),
        reach_rep_m=choose("reach_m", "reach") - reach,
        reach_pair=np.zeros(n),
        stand_m=choose("stand_m", "mark") - game.stand_m,
        eases=np.full(n, float(eases)),
        ease_from=choose("ease_from", "braking"),
        ease_by=choose("ease_by", "braking"),
    )
    # the usual starts of all draws and then this takeover's, each worked out once
    top, tau, launch = (x[:, None] for x in np.concatenate([usual.start, own.start]).T)
    courses = simulate.receiver_course(top, tau, launch, where, game.stand_m, COURSE_POINTS)
    out = simulate.simulate(
        squad, draws, game.pair, np.array([game.mark_m, own.mark_m]), game.stand_m, where,
        start=courses.take(draw + DRAWS * ((coalition >> _BIT["outgoing speed"]) & 1)),
    )  # fmt: skip
    column = (coalition >> _BIT["mark"]) & 1
    row = np.arange(n)
    # a baton that is not passed by then is carried over the exit line by the incoming runner
    carried = arrival_s(where.zone_m, entry)
    time_s = np.where(out.ran_away[row, column] > 0, carried, out.zone_time_s[row, column])
    place_m = np.clip(out.pass_m[row, column], -20.0, where.zone_m + simulate.SEARCH_BEYOND_M)
    return time_s, place_m


# --- words --------------------------------------------------------------------------------


def _tape_move_feet(game: PairGame, mark_m: float) -> float | None:
    """Foot-lengths, to a half, from the tape as laid to the mark advised; 0 where that is no more
    than the advice itself may be off."""
    if not np.isfinite(mark_m):
        return None
    foot = game.foot_m or defaults.FOOT_M
    move = game.mark_m - mark_m
    if abs(move) <= max(0.75 * foot, game.mark_sd_m):
        return 0.0
    return float(np.clip(round(2.0 * move / foot) / 2.0, -200.0, 200.0))


def _departure_notes(
    squad: Squad, k: int, row: TakeoverRow, game: PairGame, own: TakeoverValues
) -> dict[str, str | None]:
    """By cause, what differed from the usual takeover at the best mark, in words; None where it did
    not, or cannot be told."""
    usual = game.draws.usual
    notes: dict[str, str | None] = dict.fromkeys(CAUSES)
    notes["mark"] = _tape_words(squad, k, game)
    if np.isfinite(row.go_t_s):
        notes["start"] = (
            _start_words(_mean_of(own.lag_s - usual.lag_s))
            if squad.reps.blind
            else _distance_words(_mean_of(own.look_m))
        )
    speed = _mean_of(own.entry[:, 0] - usual.entry[:, 0])
    if _is_clear(speed, ALIKE_MPS):
        amount = "less" if speed.value < 0 else "more"
        notes["incoming speed"] = f"came in with {_size(speed, 1)} m/s {amount} than usual"
    reach = _mean_of(own.reach_m - usual.reach_m)
    if _is_clear(reach, ALIKE_REACH_M):
        side = "nearer to each other" if reach.value < 0 else "farther apart"
        notes["reach"] = f"{_size(reach, 1)} m {side} at the pass than usual"
    waits = []
    if np.isfinite(squad.reps.eased_from[k]):
        waits.append("the receiver slowed, waiting for the baton")
    if "incoming slowed" in row.faults:
        waits.append("the incoming runner slowed")
    notes["braking"] = "; ".join(waits) or None
    return notes


def _is_clear(departure: Estimate, least: float) -> bool:
    return abs(departure.value) > max(CLEAR_SDS * departure.sd, least)


def _size(one: Estimate, digits: int) -> str:
    return f"{abs(one.value):.{digits}f} ± {max(one.sd, 10.0**-digits):.{digits}f}"


def _start_words(lag: Estimate) -> str | None:
    if not _is_clear(lag, TIMELY_S):
        return "left on time" if CLEAR_SDS * lag.sd < 2.0 * TIMELY_S else None
    return f"left {_size(lag, 2)} s {'late' if lag.value > 0 else 'early'}"


def _distance_words(look: Estimate) -> str | None:
    """In a change by sight: how much farther the other had come at the first movement."""
    if not _is_clear(look, AT_DISTANCE_M):
        return "set off at the distance advised"
    return (
        f"set off with the other {_size(look, 1)} m too {'near' if look.value > 0 else 'far away'}"
    )


def _tape_words(squad: Squad, k: int, game: PairGame) -> str | None:
    """That the tape is right, or else where it and the receiver are better: `ADVISED` and that."""
    reps = squad.reps
    feet = _tape_move_feet(game, float(reps.mark_m[k])) if reps.blind else None
    off = float(reps.stand_m[k]) - game.stand_m
    better = [f"the receiver at {game.stand_m:g} m"] if abs(off) > SAME_STAND_M else []
    if feet:
        better.append(f"the tape {move_in_words(feet)}")
    if better:
        return f"{ADVISED}{in_words(better)}"
    return "the tape is right" if feet == 0.0 else None


def _part_note(
    cause: str, lost: Estimate, row: TakeoverRow, notes: Mapping[str, str | None]
) -> str | None:
    if cause == "pass place" and np.isfinite(row.pass_m):
        return f"passed at {row.pass_m:.0f} m"
    if cause == "outgoing speed" and _is_clear(lost, ALIKE_RUN_S):
        side = "longer" if lost.value > 0 else "less"
        return f"the receiver took {_size(lost, 2)} s {side} than usual"
    return notes[cause]
