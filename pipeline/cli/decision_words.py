"""How decisions are printed: what was found and what to do, then narrow tables, then remarks."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from pipeline.base import defaults
from pipeline.base.words import (
    chance_in_words,
    falls_short,
    in_feet_words,
    is_risky,
    move_in_words,
    percent,
)
from pipeline.cli import terminal
from pipeline.cli.terminal import SOME, pair_words, signed, value_with_error
from pipeline.language.numbers import localised, number
from pipeline.language.phrases import phrase, phrase_count, phrase_of, reworded

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.advise.backtest import BackTest
    from pipeline.advise.decisions import MarkDecisions, OrderDecisions
    from pipeline.advise.marks import Advice, CandidateMark, PairAdvice
    from pipeline.advise.orders import Orders, Reserve
    from pipeline.advise.settings import Settings

SHOWN_ORDERS, MOST_ORDERS = 5, 200
CLEAR_SDS = 2.0  # a difference of so many standard errors is said to be one

TableRow = Mapping[str, Any]  # of a table, by its columns


# --- runners ------------------------------------------------------------------------------


def print_runners(found: MarkDecisions) -> None:
    rows = found.tables["runners"].to_pylist()
    by_event = _rows_by_event(rows)
    for event, own in by_event.items():
        terminal.say(
            phrase_count(
                "{event}: {count} runner", "{event}: {count} runners", len(own), event=event
            )
        )
        _print_quickest(own)
    for event, own in by_event.items():
        _print_runner_tables(event, own)
        print_runner_trends(event, own)
    terminal.say(
        phrase(
            "± is one standard error: it shrinks with practice. Spread is from rep to rep, which "
            "does not."
        )
    )
    for event, own in by_event.items():
        terminal.print_list(
            phrase("{event}, remarks", event=event), _remarks_of_rows(own, _runner_of_row), SOME
        )
    terminal.print_list(phrase("Remarks"), map(reworded, found.remarks), SOME)


def _print_quickest(rows: Sequence[TableRow]) -> None:
    """Who is quickest off the mark and brings the baton in fastest, where that is clear."""
    start = _clear_first(rows, "t20_s", "t20_sd_s", 1.0)
    if start is not None:
        terminal.say(
            phrase(
                "  Quickest over the first 20 m: {runner}, {time} s",
                runner=start["runner"],
                time=value_with_error(start["t20_s"], start["t20_sd_s"], 2),
            )
        )
    else:
        terminal.say(phrase("  Over the first 20 m nobody is clearly the quickest"))
    entry = _clear_first(rows, "v_in_entry_mps", "v_in_entry_sd_mps", -1.0)
    if entry is not None:
        terminal.say(
            phrase(
                "  Fastest into the zone with the baton: {runner}, {speed} m/s",
                runner=entry["runner"],
                speed=value_with_error(entry["v_in_entry_mps"], entry["v_in_entry_sd_mps"], 2),
            )
        )
    else:
        terminal.say(phrase("  Into the zone with the baton nobody is clearly the fastest"))


def _clear_first(rows: Sequence[TableRow], name: str, sd: str, sign: float) -> TableRow | None:
    """The row with the least (sign 1) or greatest (-1) value, if it stands out of the errors."""
    known = sorted((r for r in rows if r[name] is not None), key=lambda row: sign * row[name])
    if len(known) < 2:
        return None
    first, second = known[:2]
    error = ((first[sd] or 0.0) ** 2 + (second[sd] or 0.0) ** 2) ** 0.5
    return first if abs(second[name] - first[name]) > CLEAR_SDS * error else None


def _print_runner_tables(event: str, rows: Sequence[TableRow]) -> None:
    """Receiving and bringing, a table each: the two are different skills."""
    terminal.say(phrase("{event}, receiving the baton:", event=event))
    terminal.print_table(
        [
            phrase("runner"),
            phrase("reps"),
            phrase("start, s"),
            phrase("spread"),
            phrase("20 m, s"),
            phrase("spread"),
            phrase("top, m/s"),
        ],
        [
            (
                row["runner"],
                str(row["reps_out"]),
                *_with_spread(row, "lag", "s", "lag_spread_s"),
                *_with_spread(row, "t20", "s", "t20_spread_s"),
                value_with_error(row["v_max_mps"], row["v_max_sd_mps"], 1),
            )
            for row in rows
        ],
        right=(1, 2, 3, 4, 5, 6),
    )
    terminal.say(phrase("{event}, bringing it:", event=event))
    terminal.print_table(
        [
            phrase("runner"),
            phrase("reps"),
            phrase("entry, m/s"),
            phrase("spread"),
            phrase("fade, m/s²"),
            phrase("reach, m"),
        ],
        [
            (
                row["runner"],
                str(row["reps_in"]),
                *_with_spread(row, "v_in_entry", "mps", "v_in_spread_mps"),
                value_with_error(row["fade_mps2"], row["fade_sd_mps2"], 2),
                value_with_error(row["reach_m"], row["reach_sd_m"], 2),
            )
            for row in rows
        ],
        right=(1, 2, 3, 4, 5),
    )
    if terminal.is_long():
        terminal.print_table(
            [phrase("runner"), phrase("time constant of the start, s"), phrase("arm costs, s")],
            [
                (
                    row["runner"],
                    value_with_error(row["tau_s"], row["tau_sd_s"], 2),
                    value_with_error(row["arm_cost_s"], row["arm_cost_sd_s"], 2),
                )
                for row in rows
            ],
            right=(1, 2),
        )


_TREND_COLUMNS = ("lag_trend_s", "t20_trend_s", "v_in_entry_trend_mps")


def print_runner_trends(event: str, rows: Sequence[TableRow]) -> None:
    """What a week changes in each runner who has takeovers on two days; nothing if nobody has."""
    from pipeline.tables import schema

    changed = [row for row in rows if any(row[name] is not None for name in _TREND_COLUMNS)]
    if not changed:
        return
    terminal.say(phrase("{event}, change over a week, ± one standard error:", event=event))
    terminal.print_table(
        [phrase("runner"), phrase("start, s"), phrase("20 m, s"), phrase("entry, m/s")],
        [
            (
                row["runner"],
                *(
                    _change_with_error(row[name], row[schema.sd_column("runners", name)], 3)
                    for name in _TREND_COLUMNS
                ),
            )
            for row in changed
        ],
        right=(1, 2, 3),
    )


def _change_with_error(value: float | None, sd: float | None, digits: int) -> str:
    """A change with its sign and its standard error; "-" if they are not known."""
    if value is None or sd is None:
        return "-"
    return f"{signed(value, digits)} ± {number(sd, digits)}"


def _with_spread(row: TableRow, stem: str, unit: str, spread: str) -> tuple[str, str]:
    """An estimate with its standard error, and the spread from rep to rep."""
    from pipeline.tables import schema

    column = f"{stem}_{unit}"
    if row[column] is None:
        return "-", "-"
    value = value_with_error(row[column], row[schema.sd_column("runners", column)], 2)
    return value, number(row[spread], 2)


# --- marks --------------------------------------------------------------------------------


def print_marks(found: MarkDecisions, pair: tuple[str, str] | None) -> None:
    """The advised mark of every pair in a line each, or every candidate mark of the one named."""
    in_use = {
        (row["event"], row["incoming"], row["outgoing"]): row["mark_m"]
        for row in found.tables["progress"].to_pylist()
    }
    for advice in found.advices:
        event = advice.squad.event
        if pair is None:
            used = [in_use.get((event, one.incoming, one.outgoing)) for one in advice.pairs]
            _print_advice(advice, used)
            continue
        for one in advice.pairs:
            if (one.incoming, one.outgoing) == pair:
                _print_candidates(event, one, advice.squad.reps.blind)
    terminal.print_list(phrase("Remarks"), map(reworded, found.remarks))


def _feet_words(mark: CandidateMark) -> str:
    return "-" if mark.mark_feet is None else in_feet_words(mark.mark_feet)


def _percent(value: float, sd: float | None = None) -> str:
    """A chance in per cent, rounded as on pages and cards."""
    return f"{percent(value)}" + ("" if sd is None else f" ± {percent(sd)}")


MarkCells = dict[str, Callable[["PairAdvice", "CandidateMark", float | None], str]]


def _mark_cells(blind: bool) -> MarkCells:
    """What the list of marks shows of a pair, its best mark and the mark in use [m], heading by
    heading; --pair shows all there is."""
    names: MarkCells = {
        phrase_of("marks", "incoming"): lambda pair, *_: pair.incoming,
        phrase_of("marks", "outgoing"): lambda pair, *_: pair.outgoing,
    }
    tape: MarkCells = {
        phrase_of("marks", "in use"): lambda pair, _, used: _used_words(pair, used),
        phrase("feet"): lambda _, best, __: _feet_words(best),
        phrase("mark, m"): lambda _, best, __: number(best.mark_m, 2),
        phrase_of("marks", "move"): _move_words,
    }
    sight: MarkCells = {
        phrase("feet"): lambda _, best, __: _feet_words(best),
        phrase("goes at, m"): lambda _, best, __: number(best.mark_m, 2),
        phrase("pace, %"): lambda pair, *_: _percent(pair.pace),
    }
    what_comes: MarkCells = {
        phrase("in zone"): lambda _, best, __: reworded(chance_in_words(best.p_in_zone)),
        phrase_of("marks", "pass, m"): lambda _, best, __: _one_takeover(
            best.pass_m, best.pass_sd_m, best.pass_spread_m, 0
        ),
        phrase("zone, s"): lambda _, best, __: _one_takeover(
            best.zone_time_s, best.zone_time_sd_s, best.zone_time_spread_s, 2
        ),
    }
    return names | (tape if blind else sight) | what_comes


def _one_takeover(value: float, sd: float, spread: float, digits: int) -> str:
    """What to expect of one takeover, and how far it may be off: spread and estimation error."""
    return value_with_error(value, (sd**2 + spread**2) ** 0.5, digits)


def _used_words(pair: PairAdvice, used_m: float | None) -> str:
    if used_m is None:
        return "-"
    return number(used_m, 2) if pair.foot_m is None else in_feet_words(used_m / pair.foot_m)


def _move_words(pair: PairAdvice, best: CandidateMark, used_m: float | None) -> str:
    """How far the tape moves, in the receiver's foot-lengths (in metres where that is not
    known), + away from the receiver."""
    if used_m is None:
        return "-"
    by = best.mark_m - used_m
    if pair.foot_m is None:
        return signed(by, 2) if abs(by) >= 0.05 else "0"
    words = in_feet_words(abs(by) / pair.foot_m)
    return "0" if words == "0" else localised(f"{'+' if by > 0 else '-'}{words}")


def print_about_start(settings: Settings) -> None:
    """What a crouched start changes, where one is asked for."""
    if settings.crouched:
        terminal.say(
            phrase(
                "A crouched start leaves these marks as they are, within what they are known to: "
                "from 10 m on there is no difference, neither in speed at 25 m nor in the time to "
                "25 or 50 m (Salo & Bezodis, Sports Biomech 3 (2004) 43-53, six sprinters)."
            )
        )


def _stake_words(failure_s: float) -> str:
    names = {cost_s: name for name, cost_s in defaults.STAKES_S.items()}
    if failure_s not in names:
        return phrase("{seconds:g} s", seconds=failure_s)
    return phrase("{seconds:g} s ({stake})", seconds=failure_s, stake=reworded(names[failure_s]))


def _asked_words(settings: Settings) -> str:
    """What the advice is for, so that two commands are never compared unknowingly."""
    stake, more_s = _stake_words(settings.failure_s), settings.collision_s
    if settings.race:
        if more_s:
            return phrase(
                "Times and marks are for race speed; a failure costs {stake}, running into each "
                "other {seconds:g} s more.",
                stake=stake,
                seconds=more_s,
            )
        return phrase(
            "Times and marks are for race speed; a failure costs {stake}, running into each other "
            "its time alone.",
            stake=stake,
        )
    if more_s:
        return phrase(
            "Times and marks are for practice speed; a failure costs {stake}, running into each "
            "other {seconds:g} s more.",
            stake=stake,
            seconds=more_s,
        )
    return phrase(
        "Times and marks are for practice speed; a failure costs {stake}, running into each other "
        "its time alone.",
        stake=stake,
    )


def _print_advice(advice: Advice, used_m: Sequence[float | None]) -> None:
    blind = advice.squad.reps.blind
    terminal.say(
        phrase_count(
            "{event}: zone {zone_m:g} m, {count} pair",
            "{event}: zone {zone_m:g} m, {count} pairs",
            len(advice.pairs),
            event=advice.squad.event,
            zone_m=advice.conditions.zone_m,
        )
    )
    terminal.say(_asked_words(advice.settings))
    if blind:
        _print_moved(advice.pairs, used_m)
    _print_dangers(advice.pairs)
    cells = _mark_cells(blind)
    terminal.print_table(
        list(cells),
        [
            tuple(cell(pair, pair.best, used) for cell in cells.values())
            for pair, used in zip(advice.pairs, used_m, strict=True)
        ],
        right=tuple(range(2, len(cells))),
    )
    if blind:
        terminal.say(
            phrase(
                "Mark: metres before the back line, and the receiver's foot-lengths. In use and "
                "move are in the receiver's foot-lengths too, + away from the receiver. Pass: past "
                "the entry line; zone: the baton's time in the zone; ± is how far one takeover may "
                "be off. --pair shows every candidate mark of a pair."
            )
        )
    else:
        terminal.say(
            phrase(
                "Mark: metres before the back line, and the receiver's foot-lengths. Goes at: "
                "where the incoming runner is when the receiver sets off. Pass: past the entry "
                "line; zone: the baton's time in the zone; ± is how far one takeover may be off. "
                "--pair shows every candidate mark of a pair."
            )
        )
    _print_tape_moves(advice)
    _print_trade_rule(advice)
    remarks = [
        (pair_words(pair.incoming, pair.outgoing), remark)
        for pair in advice.pairs
        for remark in (*_stand_words(pair), *map(reworded, pair.remarks))
    ]
    terminal.print_list(phrase("Pairs"), gather_remarks(remarks, len(advice.pairs)), SOME)


def _print_moved(pairs: Sequence[PairAdvice], used_m: Sequence[float | None]) -> None:
    """How many of the tapes in use should move, and which most."""
    moves = [
        ((pair.best.mark_m - used) / pair.foot_m, pair)
        for pair, used in zip(pairs, used_m, strict=True)
        if used is not None and pair.foot_m is not None
    ]
    moved = [(feet, pair) for feet, pair in moves if move_in_words(feet)]
    if not moves:
        return
    if not moved:
        terminal.say(phrase("The tapes in use can stay where they are."))
        return
    feet, pair = max(moved, key=lambda one: abs(one[0]))
    terminal.say(
        phrase(
            "Of {used} tapes in use {moved} should move; the farthest: {pair}, {move}.",
            used=len(moves),
            moved=len(moved),
            pair=pair_words(pair.incoming, pair.outgoing),
            move=reworded(move_in_words(feet)),
        )
    )


def _print_dangers(pairs: Sequence[PairAdvice]) -> None:
    """In how many pairs a chance is worse than what is accepted."""
    run_into = sum(is_risky(pair.best.p_ran_into) for pair in pairs)
    outside = sum(falls_short(pair.best.p_in_zone) for pair in pairs)
    if run_into:
        terminal.say(
            phrase(
                "Beware: in {some} of {all} pairs they may run into each other more often than 1 "
                "time in 10.",
                some=run_into,
                all=len(pairs),
            )
            if len(pairs) > 1
            else phrase("Beware: they may run into each other more often than 1 time in 10.")
        )
    if outside:
        terminal.say(
            phrase(
                "Beware: in {some} of {all} pairs the pass may miss the zone more often than 1 "
                "time in 10.",
                some=outside,
                all=len(pairs),
            )
            if len(pairs) > 1
            else phrase("Beware: the pass may miss the zone more often than 1 time in 10.")
        )


def _stand_words(pair: PairAdvice) -> tuple[str, ...]:
    """Where the receiver stands, unless on the back line."""
    if not pair.stand_m:
        return ()
    return (phrase("the receiver stands {stand_m:g} m past the back line", stand_m=pair.stand_m),)


def _print_trade_rule(advice: Advice) -> None:
    """Where the trade's rule of thumb would put the pass, if the advice lies far from it."""
    from pipeline.advise.trade_rule import judge_trade_rule

    rule = judge_trade_rule(advice)
    if rule is None or not rule.is_far:
        return
    sentences = [
        phrase(
            "The trade's rule of thumb (common practice) is about {feet:.0f} foot-lengths for "
            "runners of {top_mps:.1f} m/s; advised here are {advised:.0f} (the middle pair).",
            feet=rule.feet,
            top_mps=rule.top_mps,
            advised=rule.advised_feet,
        )
    ]
    if rule.nearer:
        sentences.append(
            phrase_count(
                "In {there} of {count} pair it is nearer than any mark looked at: the receiver "
                "would be caught in the first metres of the run.",
                "In {there} of {count} pairs it is nearer than any mark looked at: the receiver "
                "would be caught in the first metres of the run.",
                rule.pairs,
                there=rule.nearer,
            )
        )
    if rule.farther:
        sentences.append(
            phrase_count(
                "In {there} of {count} pair it is farther out than any mark looked at: the "
                "receiver would run away.",
                "In {there} of {count} pairs it is farther out than any mark looked at: the "
                "receiver would run away.",
                rule.pairs,
                there=rule.farther,
            )
        )
    if rule.pass_m is not None and rule.p_in_zone is not None:
        chance = reworded(chance_in_words(rule.p_in_zone))
        sentences.append(
            phrase(
                "In the others the pass would come at {pass_m:.0f} m, in the zone {chance} (the "
                "middle pair).",
                pass_m=rule.pass_m,
                chance=chance,
            )
            if len(sentences) > 1
            else phrase(
                "There the pass would come at {pass_m:.0f} m, in the zone {chance} (the middle "
                "pair).",
                pass_m=rule.pass_m,
                chance=chance,
            )
        )
    terminal.say(" ".join(sentences))


def _print_tape_moves(advice: Advice) -> None:
    """What moving the tape by a foot-length does in the pair in the middle."""
    from pipeline.advise.marks import move_tape

    for feet in (1.0, -1.0):
        moves = [move_tape(pair, feet) for pair in advice.pairs]
        ranked = sorted((m for m in moves if m is not None), key=lambda m: m.p_in_zone)
        if not ranked:
            continue
        usual = ranked[len(ranked) // 2]
        changes = {
            "in_zone": 100 * usual.p_in_zone,
            "ran_into": 100 * usual.p_ran_into,
            "zone_s": usual.zone_time_s,
            "pass_m": usual.pass_m,
        }
        if feet > 0:
            terminal.say(
                phrase(
                    "One foot-length farther, in the middle pair: the chance of a pass in the zone "
                    "changes by {in_zone:+.0f} points, of running into each other by "
                    "{ran_into:+.0f}, the zone time by {zone_s:+.2f} s, the place of the pass by "
                    "{pass_m:+.1f} m.",
                    **changes,
                )
            )
        else:
            terminal.say(
                phrase(
                    "One foot-length nearer, in the middle pair: the chance of a pass in the zone "
                    "changes by {in_zone:+.0f} points, of running into each other by "
                    "{ran_into:+.0f}, the zone time by {zone_s:+.2f} s, the place of the pass by "
                    "{pass_m:+.1f} m.",
                    **changes,
                )
            )


def _print_candidates(event: str, pair: PairAdvice, blind: bool) -> None:
    terminal.say(
        phrase(
            "{event}, {pair}: the receiver stands {stand_m:g} m past the back line and starts at "
            "{pace:.0f}% of the practised pace.",
            event=event,
            pair=pair_words(pair.incoming, pair.outgoing),
            stand_m=pair.stand_m + 0.0,
            pace=100.0 * pair.pace,
        )
    )
    terminal.say(
        phrase_count(
            "Rests on {count} takeover of the two, {together} of them together.",
            "Rests on {count} takeovers of the two, {together} of them together.",
            pair.reps,
            together=pair.reps_pair,
        )
    )
    if blind:
        terminal.say(phrase("More practice: {gain}.", gain=_practice_words(pair.practice_gain_s)))
    _print_dangers([pair])
    candidates = [pair.at(k) for k in range(len(pair.candidates.mark_m))]
    terminal.print_table(
        [
            "",
            phrase("feet"),
            phrase("mark, m"),
            phrase("in zone, %"),
            phrase("ran into, %"),
            phrase("ran away, %"),
            phrase("zone time, s"),
            phrase("pass, m"),
        ],
        [
            (
                phrase("advised") if k == pair.advised else "",
                _feet_words(one),
                number(one.mark_m, 2),
                _percent(one.p_in_zone, one.p_in_zone_sd),
                _percent(one.p_ran_into),
                _percent(one.p_ran_away),
                value_with_error(one.zone_time_s, one.zone_time_sd_s, 2),
                value_with_error(one.pass_m, one.pass_sd_m, 1),
            )
            for k, one in enumerate(candidates)
        ],
        right=tuple(range(1, 8)),
    )
    if terminal.is_long():
        _print_more_of_candidates(candidates)
    else:
        terminal.say(
            phrase("--long shows spreads, closing speed, the gap at go and what the baton loses.")
        )
    terminal.print_list(phrase("About this pair"), map(reworded, pair.remarks))


def _print_more_of_candidates(candidates: Sequence[CandidateMark]) -> None:
    terminal.print_table(
        [
            phrase("mark at, m"),
            phrase("spread of the time, s"),
            phrase("spread of the pass, m"),
            phrase("closing, m/s"),
            phrase("gap at go, m"),
            phrase("baton loses, s"),
            phrase("reps on it"),
        ],
        [
            (
                number(one.mark_m, 2),
                number(one.zone_time_spread_s, 2),
                number(one.pass_spread_m, 1),
                number(one.closing_mps, 1),
                number(one.gap_at_go_m, 1),
                value_with_error(one.baton_loss_s, one.baton_loss_sd_s, 2),
                f"{one.reps_on_mark:.0f}",
            )
            for one in candidates
        ],
        right=tuple(range(7)),
    )


SETTLED_S = 0.01  # a gain below this is not worth a practice


def _practice_words(gain_s: float | None) -> str:
    """What more practice of a pair would be worth to its advice."""
    if gain_s is None:
        return "-"
    if gain_s < SETTLED_S:
        return phrase("settled")
    return phrase("worth {gain_s:.2f} s", gain_s=gain_s)


# --- orders -------------------------------------------------------------------------------


def print_order(found: OrderDecisions) -> None:
    pairs = {(p.incoming, p.outgoing): p for p in found.advice.pairs}
    _print_first_order(found.orders, pairs, found.advice)
    _print_orders(found.orders)
    _print_reserves(found.reserves, pairs)
    terminal.print_list(phrase("About the first order"), map(reworded, found.orders.remarks[0]))
    terminal.print_list(phrase("Remarks"), map(reworded, found.remarks))


def _print_first_order(
    orders: Orders, pairs: Mapping[tuple[str, str], PairAdvice], advice: Advice
) -> None:
    """The best order, how sure it is, and its marks."""
    terminal.say(
        phrase_count(
            "{event}, lane {lane}: {count} order",
            "{event}, lane {lane}: {count} orders",
            len(orders.legs),
            event=orders.event,
            lane=orders.lane,
        )
    )
    terminal.say(
        phrase(
            "The first: {names}, in {time} s.",
            names=", ".join(orders.names(0)),
            time=value_with_error(orders.time_s[0], orders.time_sd_s[0], 2),
        )
    )
    if orders.beats_second is not None:
        terminal.say(
            phrase(
                "The first order is better than the second: {chance}.",
                chance=reworded(chance_in_words(orders.beats_second)),
            )
        )
    terminal.say(
        phrase("Hands along the legs: right, left, right, left.")
        if advice.squad.reps.blind
        else phrase("Hands along the legs: as the runners like.")
    )
    terminal.say(_asked_words(advice.settings))
    marks = [
        phrase(
            "{pair}: {mark}",
            pair=pair_words(incoming, outgoing),
            mark=_tape_words(pairs[incoming, outgoing]),
        )
        for incoming, outgoing in itertools.pairwise(orders.names(0))
        if (incoming, outgoing) in pairs
    ]
    terminal.print_list(phrase("Marks of the first order"), marks)


def _print_orders(orders: Orders) -> None:
    shown = min(MOST_ORDERS if terminal.is_long() else SHOWN_ORDERS, len(orders.legs))
    wide = (orders.time_sd_s**2 + orders.time_spread_s**2) ** 0.5
    terminal.print_table(
        [
            "",
            *(phrase_of("orders", "leg {leg}", leg=leg) for leg in (1, 2, 3, 4)),
            phrase("time, s"),
            phrase("best, %"),
            phrase_of("orders", "all in zone, %"),
            phrase("loss, s"),
        ],
        [
            (
                str(k + 1),
                *orders.names(k),
                value_with_error(orders.time_s[k], orders.time_sd_s[k], 2),
                _percent(orders.p_best[k]),
                _percent(orders.p_legal[k]),
                number(orders.loss_s[k], 2),
            )
            for k in range(shown)
        ],
        right=(0, 5, 6, 7, 8),
    )
    if shown < len(orders.legs):
        terminal.say(
            phrase_count(
                "--long shows {count} more order.", "--long shows {count} more orders.",
                len(orders.legs) - shown,
            )
        )  # fmt: skip
    terminal.say(
        phrase(
            "± is one standard error of the expected time; most of it is common to all orders. Two "
            "races in three of the first order take {low:.2f} to {high:.2f} s. Loss: the time and "
            "what failures cost, by which the orders are ranked. Best: the chance that this order "
            "loses least.",
            low=float(orders.time_s[0] - wide[0]),
            high=float(orders.time_s[0] + wide[0]),
        )
    )


def _tape_words(pair: PairAdvice) -> str:
    best = pair.best
    values = {
        "mark_m": best.mark_m,
        "stand_m": pair.stand_m + 0.0,
        "chance": reworded(chance_in_words(best.p_in_zone)),
    }
    if best.mark_feet is None:
        return phrase(
            "{mark_m:.2f} m, receiver {stand_m:g} m past the back line, in the zone {chance}",
            **values,
        )
    return phrase(
        "{feet} feet, {mark_m:.2f} m, receiver {stand_m:g} m past the back line, in the zone "
        "{chance}",
        feet=_feet_words(best),
        **values,
    )


def _print_reserves(
    reserves: Sequence[Reserve], pairs: Mapping[tuple[str, str], PairAdvice]
) -> None:
    if all(one.order is None for one in reserves):
        for remark in dict.fromkeys(one.remark for one in reserves):
            terminal.say(phrase("If one drops out: {remark}", remark=reworded(remark)))
        return
    lines = []
    for one in reserves:
        if one.order is None:
            lines.append(
                phrase("without {runner}: {remark}", runner=one.out, remark=reworded(one.remark))
            )
            continue
        new = [
            f"{pair_words(a, b)} ({_tape_words(pairs[a, b])})"
            if (a, b) in pairs
            else pair_words(a, b)
            for a, b in one.new
        ]
        lines.append(
            phrase(
                "without {runner}: {order}, {costs} s slower; marks kept: {kept}; new marks: {new}",
                runner=one.out,
                order=", ".join(one.order),
                costs=value_with_error(one.costs_s, one.costs_sd_s, 2),
                kept=", ".join(pair_words(*pair) for pair in one.kept) or phrase("none"),
                new="; ".join(new) or phrase("none"),
            )
        )
        if one.swap is not None and one.swap != one.order:
            lines.append(
                phrase(
                    "without {runner}, with the fewest new marks: {order}, {costs_s:+.2f} s",
                    runner=one.out,
                    order=", ".join(one.swap),
                    costs_s=one.swap_costs_s,
                )
            )
    terminal.print_list(phrase("If one drops out"), lines)


# --- progress -----------------------------------------------------------------------------


def print_progress(found: MarkDecisions) -> None:
    rows = found.tables["progress"].to_pylist()
    by_event = _rows_by_event(rows)
    for event, own in by_event.items():
        _print_about_event(event, own)
    for advice, backtest in itertools.zip_longest(found.advices, found.backtests):
        if backtest is not None:
            _print_backtest(advice.squad.event, backtest)
    for event, own in by_event.items():
        _print_progress_tables(event, own)
    terminal.say(
        phrase(
            "± is one standard error. Trends are per week. Since it moved: how the zone time "
            "changed when the mark was last moved. More practice: what knowing all of the two "
            "runners would gain at the mark; settled: less than a hundredth of a second."
        )
    )
    for advice in found.advices:
        _print_progress_of_runners(advice)
    for event, own in by_event.items():
        terminal.print_list(
            phrase("{event}, remarks", event=event), _remarks_of_rows(own, _pair_of_row), SOME
        )
    terminal.print_list(phrase("Remarks"), map(reworded, found.remarks), SOME)


def _print_about_event(event: str, rows: Sequence[TableRow]) -> None:
    """How many pairs, and whom practice would serve most."""
    terminal.say(
        phrase_count("{event}: {count} pair", "{event}: {count} pairs", len(rows), event=event)
    )
    gains = [row for row in rows if (row["practice_gain_s"] or 0.0) >= SETTLED_S]
    if gains:
        most = max(gains, key=lambda row: row["practice_gain_s"])
        terminal.say(
            phrase(
                "  More practice is worth most to {pair}: {gain_s:.2f} s",
                pair=_pair_of_row(most),
                gain_s=most["practice_gain_s"],
            )
        )


def _print_progress_of_runners(advice: Advice) -> None:
    from pipeline.advise.runners import runners_table

    rows = runners_table([advice.squad]).to_pylist()
    team = advice.settings.team
    print_runner_trends(
        advice.squad.event, [row for row in rows if not team or row["runner"] in team]
    )


def _print_backtest(event: str, backtest: BackTest) -> None:
    """How often the advice of the days before held, in one sentence for the whole squad."""
    from pipeline.advise.validation import HONEST_FROM_TO

    all_of_it = backtest.of_all()
    if all_of_it is None:
        return
    terminal.say(
        phrase_count(
            "{event}: of {count} takeover foretold from the days before, {foretold:.1f} in 10 were "
            "said to pass in the zone, {held:.1f} in 10 did.",
            "{event}: of {count} takeovers foretold from the days before, {foretold:.1f} in 10 "
            "were said to pass in the zone, {held:.1f} in 10 did.",
            all_of_it.takeovers,
            event=event,
            foretold=10 * all_of_it.p_in_zone,
            held=10 * all_of_it.p_held,
        )
    )
    z = all_of_it.z
    if z is None:
        return
    if z <= HONEST_FROM_TO[1]:
        terminal.say(
            phrase(
                "  Their zone times lay within their standard errors (root mean square {z:.1f}).",
                z=z,
            )
        )
    else:
        terminal.say(
            phrase(
                "  Their zone times were {z:.1f} times as far off as their standard errors say.",
                z=z,
            )
        )


def _print_progress_tables(event: str, rows: Sequence[TableRow]) -> None:
    from pipeline.tables import schema

    def with_error(row: TableRow, stem: str, unit: str) -> str:
        column = f"{stem}_{unit}"
        return value_with_error(row[column], row[schema.sd_column("progress", column)], 2)

    def trend(row: TableRow, stem: str, unit: str) -> str:
        per_week = row[f"{stem}_trend_{unit}"]
        return "-" if per_week is None else signed(per_week, 2)

    names = [phrase_of("marks", "incoming"), phrase_of("marks", "outgoing")]
    shares = (("zone_time", "s"), ("go_lag", "s"), ("free_distance", "m"))
    terminal.say(phrase("{event}, takeovers:", event=event))
    terminal.print_table(
        [
            *names,
            phrase("reps"),
            phrase("sessions"),
            phrase("zone time, s"),
            phrase("start, s"),
            phrase("gap, m"),
        ],
        [
            (
                row["incoming"],
                row["outgoing"],
                str(row["reps"]),
                str(row["sessions"]),
                *(with_error(row, *stem) for stem in shares),
            )
            for row in rows
        ],
        right=(2, 3, 4, 5, 6),
    )
    changed = [
        row for row in rows if any(row[f"{s}_trend_{unit}"] is not None for s, unit in shares)
    ]
    if changed:
        terminal.say(phrase("{event}, trend a week:", event=event))
        terminal.print_table(
            [*names, phrase("zone time, s"), phrase("start, s"), phrase("gap, m")],
            [
                (row["incoming"], row["outgoing"], *(trend(row, *stem) for stem in shares))
                for row in changed
            ],
            right=(2, 3, 4),
        )
    terminal.say(phrase("{event}, marks and what they are worth:", event=event))
    terminal.print_table(
        [
            *names,
            phrase("in zone, %"),
            phrase("mark, m"),
            phrase("since it moved, s"),
            phrase("more practice"),
        ],
        [
            (
                row["incoming"],
                row["outgoing"],
                "-"
                if row["p_in_zone"] is None
                else _percent(row["p_in_zone"], row["p_in_zone_sd"]),
                "-" if row["mark_m"] is None else number(row["mark_m"], 2),
                value_with_error(row["zone_time_change_s"], row["zone_time_change_sd_s"], 2),
                _practice_words(row["practice_gain_s"]),
            )
            for row in rows
        ],
        right=(2, 3, 4, 5),
    )


# --- all of them --------------------------------------------------------------------------


class Decisions(Protocol):
    """What a command worked out from a lake: its tables, and remarks about the lake."""

    @property
    def tables(self) -> Mapping[str, pa.Table]: ...

    @property
    def remarks(self) -> tuple[str, ...]: ...


def give_decisions(out: str, found: Decisions, print_only: bool, **files: Any) -> None:
    """Say where the tables are, and give them with the `files` that were written beside them."""
    if print_only:
        terminal.say(phrase("Nothing written (--print-only)"))
    else:
        terminal.say(phrase("Written in {out}: {tables}", out=out, tables=", ".join(found.tables)))
    terminal.give(
        {"out": None if print_only else out, **found.tables, "remarks": found.remarks, **files}
    )


def _rows_by_event(rows: Sequence[TableRow]) -> dict[str, list[TableRow]]:
    """The rows of each event, in the order in which the events come."""
    events = dict.fromkeys(row["event"] for row in rows)
    return {event: [row for row in rows if row["event"] == event] for event in events}


def _runner_of_row(row: TableRow) -> str:
    return str(row["runner"])


def _pair_of_row(row: TableRow) -> str:
    return pair_words(row["incoming"], row["outgoing"])


MOST_NAMES = 4  # that a remark is said with


def _remarks_of_rows(rows: Sequence[TableRow], name_of: Callable[[TableRow], str]) -> list[str]:
    named = [(name_of(row), reworded(remark)) for row in rows for remark in row["remarks"]]
    return gather_remarks(named, len(dict.fromkeys(map(name_of, rows))))


def gather_remarks(remarks: Sequence[tuple[str, str]], everybody: int) -> list[str]:
    """Each remark once, with whom it is about: all, some by name, or how many."""
    about: dict[str, dict[str, None]] = {}
    for name, remark in remarks:
        about.setdefault(remark, {})[name] = None
    lines = []
    for remark, names in about.items():
        if len(names) == everybody > 1:
            lines.append(phrase("all: {remark}", remark=remark))
        elif len(names) > MOST_NAMES and not terminal.is_long():
            lines.append(
                phrase(
                    "{some} of {everybody} (--long names them): {remark}",
                    some=len(names),
                    everybody=everybody,
                    remark=remark,
                )
            )
        else:
            lines.append(phrase("{names}: {remark}", names=", ".join(names), remark=remark))
    return lines
