"""How decisions are printed: tables and lines for a terminal or a pipe."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from pipeline.base import defaults
from pipeline.base.words import chance_in_words, count, in_feet_words, percent
from pipeline.cli import terminal
from pipeline.cli.terminal import value_with_error

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.advise.backtest import BackTest
    from pipeline.advise.decisions import MarkDecisions, OrderDecisions
    from pipeline.advise.marks import Advice, CandidateMark, PairAdvice
    from pipeline.advise.orders import Orders, Reserve
    from pipeline.advise.settings import Settings

TOP_ORDERS = 10

TableRow = Mapping[str, Any]  # of a table, by its columns


# --- runners ------------------------------------------------------------------------------


def print_runners(found: MarkDecisions) -> None:
    rows = found.tables["runners"].to_pylist()
    for event, own in _rows_by_event(rows).items():
        terminal.say(f"{event}: {count(len(own), 'runner')}")
        _print_runner_table(own)
        print_runner_trends(own)
    terminal.say(
        "± is one standard error: it shrinks with practice. 'by' is the spread from rep to rep, "
        "which does not. Reps: as incoming, as outgoing runner."
    )
    terminal.print_list("Remarks", (*found.remarks, *_gather_remarks(rows, ("runner",))))


def _print_runner_table(rows: Sequence[TableRow]) -> None:
    terminal.print_table(
        [
            "runner",
            "reps",
            "start, s",
            "20 m, s",
            "top, m/s",
            "tau, s",
            "arm costs, s",
            "entry, m/s",
            "fade, m/s²",
            "reach, m",
        ],
        [
            (
                row["runner"],
                f"{row['reps_in']}, {row['reps_out']}",
                _with_spread(row, "lag", "s", "lag_spread_s"),
                _with_spread(row, "t20", "s", "t20_spread_s"),
                value_with_error(row["v_max_mps"], row["v_max_sd_mps"], 1),
                value_with_error(row["tau_s"], row["tau_sd_s"], 2),
                value_with_error(row["arm_cost_s"], row["arm_cost_sd_s"], 2),
                _with_spread(row, "v_in_entry", "mps", "v_in_spread_mps"),
                value_with_error(row["fade_mps2"], row["fade_sd_mps2"], 2),
                value_with_error(row["reach_m"], row["reach_sd_m"], 2),
            )
            for row in rows
        ],
        right=(1,),
    )


_TRENDS = {  # headings, and the columns of the table `runners`
    "start, s": ("lag_trend_s", 3),
    "20 m, s": ("t20_trend_s", 3),
    "entry, m/s": ("v_in_entry_trend_mps", 3),
}


def print_runner_trends(rows: Sequence[TableRow]) -> None:
    """What a week changes in each runner who has takeovers on two days; nothing if nobody has."""
    from pipeline.tables import schema

    changed = [row for row in rows if any(row[name] is not None for name, _ in _TRENDS.values())]
    if not changed:
        return
    terminal.say("Change over a week, ± one standard error:")
    terminal.print_table(
        ["runner", *_TRENDS],
        [
            (
                row["runner"],
                *(
                    _change_with_error(row[name], row[schema.sd_column("runners", name)], digits)
                    for name, digits in _TRENDS.values()
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
    return f"{value:+.{digits}f} ± {sd:.{digits}f}"


def _with_spread(row: TableRow, stem: str, unit: str, spread: str) -> str:
    """An estimate with its standard error, and the spread from rep to rep."""
    from pipeline.tables import schema

    column = f"{stem}_{unit}"
    if row[column] is None:
        return "-"
    value = value_with_error(row[column], row[schema.sd_column("runners", column)], 2)
    return f"{value}, by {row[spread]:.2f}"


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
    terminal.print_list("Remarks", found.remarks)


def _feet_words(mark: CandidateMark) -> str:
    return "-" if mark.mark_feet is None else in_feet_words(mark.mark_feet)


def _percent(value: float, sd: float | None = None) -> str:
    """A chance in per cent, rounded as on pages and cards."""
    return f"{percent(value)}" + ("" if sd is None else f" ± {percent(sd)}")


MarkCells = dict[str, Callable[["PairAdvice", "CandidateMark", float | None], str]]


def _mark_cells(blind: bool) -> MarkCells:
    """What the list of marks shows of a pair, its best mark and the mark in use [m], heading by
    heading. It keeps to 80 columns; --pair shows all there is."""
    names: MarkCells = {
        "incoming": lambda pair, *_: pair.incoming,
        "outgoing": lambda pair, *_: pair.outgoing,
    }
    tape: MarkCells = {
        "in use": lambda pair, _, used: _used_words(pair, used),
        "feet": lambda _, best, __: _feet_words(best),
        "mark, m": lambda _, best, __: f"{best.mark_m:.2f}",
        "move": _move_words,
    }
    sight: MarkCells = {
        "feet": lambda _, best, __: _feet_words(best),
        "goes at, m": lambda _, best, __: f"{best.mark_m:.2f}",
        "pace, %": lambda pair, *_: _percent(pair.pace),
    }
    what_comes: MarkCells = {
        "in zone": lambda _, best, __: chance_in_words(best.p_in_zone),
        "pass, m": lambda _, best, __: _one_takeover(
            best.pass_m, best.pass_sd_m, best.pass_spread_m, 0
        ),
        "zone, s": lambda _, best, __: _one_takeover(
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
    return f"{used_m:.2f}" if pair.foot_m is None else in_feet_words(used_m / pair.foot_m)


def _move_words(pair: PairAdvice, best: CandidateMark, used_m: float | None) -> str:
    """How far the tape moves, in the receiver's foot-lengths (in metres where that is not
    known), + away from the receiver."""
    if used_m is None:
        return "-"
    by = best.mark_m - used_m
    if pair.foot_m is None:
        return f"{by:+.2f}" if abs(by) >= 0.05 else "0"
    words = in_feet_words(abs(by) / pair.foot_m)
    return "0" if words == "0" else f"{'+' if by > 0 else '-'}{words}"


def print_about_start(settings: Settings) -> None:
    """What a crouched start changes, where one is asked for."""
    if settings.crouched:
        terminal.say(
            "A crouched start leaves these marks as they are, within what they are known to: from "
            "10 m on there is no difference, neither in speed at 25 m nor in the time to 25 or "
            "50 m (Salo & Bezodis, Sports Biomech 3 (2004) 43-53, six sprinters)."
        )


def _stake_words(failure_s: float) -> str:
    names = {cost_s: name for name, cost_s in defaults.STAKES_S.items()}
    usual = f" ({names[failure_s]})" if failure_s in names else ""
    return f"{failure_s:g} s{usual}"


def _asked_words(settings: Settings) -> str:
    """What the advice is for, so that two commands are never compared unknowingly."""
    danger = f"{settings.collision_s:g} s more" if settings.collision_s else "its time alone"
    return (
        f"for {'race' if settings.race else 'practice'} speed; a failure costs "
        f"{_stake_words(settings.failure_s)}, running into each other {danger}"
    )


def _print_advice(advice: Advice, used_m: Sequence[float | None]) -> None:
    blind = advice.squad.reps.blind
    terminal.say(
        f"{advice.squad.event}: zone {advice.conditions.zone_m:g} m, "
        f"{count(len(advice.pairs), 'pair')}, "
        f"{_asked_words(advice.settings)}"
    )
    cells = _mark_cells(blind)
    terminal.print_table(
        list(cells),
        [
            tuple(cell(pair, pair.best, used) for cell in cells.values())
            for pair, used in zip(advice.pairs, used_m, strict=True)
        ],
        right=tuple(range(2, len(cells))),
    )
    mark = (
        "In use and move are in the receiver's foot-lengths too, + away from the receiver"
        if blind
        else "Goes at: where the incoming runner is when the receiver sets off"
    )
    terminal.say(
        f"Mark: metres before the back line, and the receiver's foot-lengths. {mark}. Pass: past "
        "the entry line; zone: the baton's time in the zone; ± is how far one takeover may be off. "
        "--pair shows every candidate mark of a pair."
    )
    _print_tape_moves(advice)
    _print_trade_rule(advice)
    rows = [
        {"pair": f"{p.incoming} to {p.outgoing}", "remarks": (*_stand_words(p), *p.remarks)}
        for p in advice.pairs
    ]
    terminal.print_list("Pairs", _gather_remarks(rows, ("pair",)))


def _stand_words(pair: PairAdvice) -> tuple[str, ...]:
    """Where the receiver stands, unless on the back line."""
    return (f"the receiver stands {pair.stand_m:g} m past the back line",) if pair.stand_m else ()


def _print_trade_rule(advice: Advice) -> None:
    """Where the trade's rule of thumb would put the pass, if the advice lies far from it."""
    from pipeline.advise.trade_rule import judge_trade_rule

    rule = judge_trade_rule(advice)
    if rule is None or not rule.is_far:
        return
    parts = []
    if rule.nearer:
        parts.append(
            f"in {rule.nearer} of {count(rule.pairs, 'pair')} it is nearer than any mark looked "
            "at: the receiver would be caught in the first metres of the run"
        )
    if rule.farther:
        parts.append(
            f"in {rule.farther} of {count(rule.pairs, 'pair')} it is farther out than any mark "
            "looked at: the receiver would run away"
        )
    if rule.pass_m is not None and rule.p_in_zone is not None:
        parts.append(
            f"{'in the others' if parts else 'there'} the pass would come at {rule.pass_m:.0f} m, "
            f"in the zone {chance_in_words(rule.p_in_zone)} (the middle pair)"
        )
    terminal.say(
        f"The trade's rule of thumb (common practice) is about {rule.feet:.0f} foot-lengths for "
        f"runners of {rule.top_mps:.1f} m/s; advised here are {rule.advised_feet:.0f} (the middle "
        f"pair): {'; '.join(parts)}."
    )


def _print_tape_moves(advice: Advice) -> None:
    """What moving the tape by a foot-length does in the pair in the middle."""
    from pipeline.advise.marks import move_tape

    for feet, word in ((1.0, "farther"), (-1.0, "nearer")):
        moves = [move_tape(pair, feet) for pair in advice.pairs]
        ranked = sorted((m for m in moves if m is not None), key=lambda m: m.p_in_zone)
        if ranked:
            usual = ranked[len(ranked) // 2]
            terminal.say(
                f"One foot-length {word}, in the middle pair: the chance of a pass in the zone "
                f"changes by {100 * usual.p_in_zone:+.0f} points, of running into each other by "
                f"{100 * usual.p_ran_into:+.0f}, the zone time by {usual.zone_time_s:+.2f} s, the "
                f"place of the pass by {usual.pass_m:+.1f} m."
            )


def _print_candidates(event: str, pair: PairAdvice, blind: bool) -> None:
    terminal.say(
        f"{event}, {pair.incoming} to {pair.outgoing}: the receiver stands "
        f"{pair.stand_m + 0.0:g} m past the back line and starts at {pair.pace:.0%} of the "
        f"practised pace; rests on {count(pair.reps, 'takeover')} of the two, "
        f"{pair.reps_pair} of them together"
    )
    candidates = [pair.at(k) for k in range(len(pair.candidates.mark_m))]
    terminal.print_table(
        ["", "feet", "mark, m", "in zone, %", "ran into, %", "ran away, %", "zone time, s",
         "spread, s", "pass, m", "spread, m", "closing, m/s", "gap at go, m", "baton loses, s",
         "reps on it"],
        [
            (
                "advised" if k == pair.advised else "",
                _feet_words(one),
                f"{one.mark_m:.2f}",
                _percent(one.p_in_zone, one.p_in_zone_sd),
                _percent(one.p_ran_into),
                _percent(one.p_ran_away),
                value_with_error(one.zone_time_s, one.zone_time_sd_s, 2),
                f"{one.zone_time_spread_s:.2f}",
                value_with_error(one.pass_m, one.pass_sd_m, 1),
                f"{one.pass_spread_m:.1f}",
                f"{one.closing_mps:.1f}",
                f"{one.gap_at_go_m:.1f}",
                value_with_error(one.baton_loss_s, one.baton_loss_sd_s, 2),
                f"{one.reps_on_mark:.0f}",
            )
            for k, one in enumerate(candidates)
        ],
        right=tuple(range(1, 14)),
    )  # fmt: skip
    if blind:
        terminal.say(f"More practice: {_practice_words(pair.practice_gain_s)}.")
    terminal.print_list("About this pair", pair.remarks)


SETTLED_S = 0.01  # a gain below this is not worth a practice


def _practice_words(gain_s: float | None) -> str:
    """What more practice of a pair would be worth to its advice."""
    if gain_s is None:
        return "-"
    return "settled" if gain_s < SETTLED_S else f"worth {gain_s:.2f} s"


# --- orders -------------------------------------------------------------------------------


def print_order(found: OrderDecisions) -> None:
    pairs = {(p.incoming, p.outgoing): p for p in found.advice.pairs}
    _print_orders(found.orders, pairs, found.advice)
    _print_reserves(found.reserves, pairs)
    terminal.print_list("Remarks", found.remarks)


def _print_orders(
    orders: Orders, pairs: Mapping[tuple[str, str], PairAdvice], advice: Advice
) -> None:
    hands = "right, left, right, left" if advice.squad.reps.blind else "as the runners like"
    terminal.say(
        f"{orders.event}, lane {orders.lane}: {count(len(orders.legs), 'order')}; hands along the "
        f"legs: {hands}"
    )
    terminal.say(f"Times and marks are {_asked_words(advice.settings)}")
    wide = (orders.time_sd_s**2 + orders.time_spread_s**2) ** 0.5
    terminal.print_table(
        ["", "leg 1", "leg 2", "leg 3", "leg 4", "time, s", "two races in three, s", "best, %",
         "all in zone, %", "loss, s"],
        [
            (
                str(k + 1),
                *orders.names(k),
                value_with_error(orders.time_s[k], orders.time_sd_s[k], 2),
                f"{orders.time_s[k] - wide[k]:.2f} to {orders.time_s[k] + wide[k]:.2f}",
                _percent(orders.p_best[k]),
                _percent(orders.p_legal[k]),
                f"{orders.loss_s[k]:.2f}",
            )
            for k in range(min(TOP_ORDERS, len(orders.legs)))
        ],
        right=(0, 5, 6, 7, 8, 9),
    )  # fmt: skip
    terminal.say(
        "± is one standard error of the expected time; most of it is common to all orders. Two "
        "races in three fall into the range. Loss: the time and what failures cost, by which the "
        "orders are ranked. Best: the chance that this order loses least."
    )
    if orders.beats_second is not None:
        terminal.say(
            f"The first order is better than the second: {chance_in_words(orders.beats_second)}."
        )
    marks = [
        f"{incoming} to {outgoing}: {_tape_words(pairs[incoming, outgoing])}"
        for incoming, outgoing in itertools.pairwise(orders.names(0))
        if (incoming, outgoing) in pairs
    ]
    terminal.print_list("Marks of the first order", marks)
    terminal.print_list("About the first order", orders.remarks[0])


def _tape_words(pair: PairAdvice) -> str:
    best = pair.best
    feet = "" if best.mark_feet is None else f"{_feet_words(best)} feet, "
    return (
        f"{feet}{best.mark_m:.2f} m, receiver {pair.stand_m + 0.0:g} m past the back line, "
        f"in the zone {chance_in_words(best.p_in_zone)}"
    )


def _print_reserves(
    reserves: Sequence[Reserve], pairs: Mapping[tuple[str, str], PairAdvice]
) -> None:
    if all(one.order is None for one in reserves):
        for remark in dict.fromkeys(one.remark for one in reserves):
            terminal.say(f"If one drops out: {remark}")
        return
    lines = []
    for one in reserves:
        if one.order is None:
            lines.append(f"without {one.out}: {one.remark}")
            continue
        kept = ", ".join(" to ".join(pair) for pair in one.kept) or "none"
        new = "; ".join(
            f"{a} to {b}" + (f" ({_tape_words(pairs[a, b])})" if (a, b) in pairs else "")
            for a, b in one.new
        )
        lines.append(
            f"without {one.out}: {', '.join(one.order)}, "
            f"{value_with_error(one.costs_s, one.costs_sd_s, 2)} s slower; marks kept: {kept}; "
            f"new marks: {new or 'none'}"
        )
        if one.swap is not None and one.swap != one.order:
            lines.append(
                f"without {one.out}, with the fewest new marks: {', '.join(one.swap)}, "
                f"{one.swap_costs_s:+.2f} s"
            )
    terminal.print_list("If one drops out", lines)


# --- progress -----------------------------------------------------------------------------


def print_progress(found: MarkDecisions) -> None:
    rows = found.tables["progress"].to_pylist()
    for event, own in _rows_by_event(rows).items():
        terminal.say(f"{event}: {count(len(own), 'pair')}")
        _print_progress_table(own)
    terminal.say(
        "± is one standard error. Trends are per week. Since it moved: how the zone time changed "
        "when the mark was last moved. More practice: what knowing all of the two runners would "
        "gain at the mark; settled: less than a hundredth of a second."
    )
    for advice, backtest in itertools.zip_longest(found.advices, found.backtests):
        _print_progress_of_runners(advice)
        if backtest is not None:
            _print_backtest(advice.squad.event, backtest)
    terminal.print_list(
        "Remarks", (*found.remarks, *_gather_remarks(rows, ("incoming", "outgoing")))
    )


def _print_progress_of_runners(advice: Advice) -> None:
    from pipeline.advise.runners import runners_table

    rows = runners_table([advice.squad]).to_pylist()
    team = advice.settings.team
    print_runner_trends([row for row in rows if not team or row["runner"] in team])


def _print_backtest(event: str, backtest: BackTest) -> None:
    """How often the advice of the days before held, in one sentence for the whole squad."""
    from pipeline.advise.validation import HONEST_FROM_TO

    all_of_it = backtest.of_all()
    if all_of_it is None:
        return
    z = all_of_it.z
    times = ""
    if z is not None:
        times = (
            f"; zone times within their standard errors (root mean square {z:.1f})"
            if z <= HONEST_FROM_TO[1]
            else f"; zone times {z:.1f} times as far off as their standard errors say"
        )
    terminal.say(
        f"{event}: of {count(all_of_it.takeovers, 'takeover')} foretold from the days before, "
        f"{10 * all_of_it.p_in_zone:.1f} in 10 were said to pass in the zone, "
        f"{10 * all_of_it.p_held:.1f} in 10 did{times}."
    )


def _print_progress_table(rows: Sequence[TableRow]) -> None:
    from pipeline.tables import schema

    def trend(row: TableRow, stem: str, unit: str) -> str:
        column = f"{stem}_{unit}"
        value = value_with_error(row[column], row[schema.sd_column("progress", column)], 2)
        per_week = row[f"{stem}_trend_{unit}"]
        return value if per_week is None else f"{value} ({per_week:+.2f} a week)"

    terminal.print_table(
        ["incoming", "outgoing", "reps", "zone time, s", "start, s", "gap, m", "in zone, %",
         "mark, m", "since it moved, s", "more practice"],
        [
            (
                row["incoming"],
                row["outgoing"],
                f"{row['reps']} in {row['sessions']}",
                trend(row, "zone_time", "s"),
                trend(row, "go_lag", "s"),
                trend(row, "free_distance", "m"),
                "-" if row["p_in_zone"] is None
                else _percent(row["p_in_zone"], row["p_in_zone_sd"]),
                "-" if row["mark_m"] is None else f"{row['mark_m']:.2f}",
                value_with_error(row["zone_time_change_s"], row["zone_time_change_sd_s"], 2),
                _practice_words(row["practice_gain_s"]),
            )
            for row in rows
        ],
        right=(2, 6, 7, 8, 9),
    )  # fmt: skip


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
        terminal.say("Nothing written (--print-only)")
    else:
        terminal.say(f"Written in {out}: {', '.join(found.tables)}")
    terminal.give(
        {"out": None if print_only else out, **found.tables, "remarks": found.remarks, **files}
    )


def _rows_by_event(rows: Sequence[TableRow]) -> dict[str, list[TableRow]]:
    """The rows of each event, in the order in which the events come."""
    events = dict.fromkeys(row["event"] for row in rows)
    return {event: [row for row in rows if row["event"] == event] for event in events}


def _gather_remarks(rows: Sequence[TableRow], who: Sequence[str]) -> list[str]:
    """Each remark once, with the rows it is about; `who` names the columns that name a row."""
    about: dict[str, list[str]] = {}
    everybody = {" to ".join(str(row[key]) for key in who) for row in rows}
    for row in rows:
        name = " to ".join(str(row[key]) for key in who)
        for remark in row["remarks"]:
            about.setdefault(remark, []).append(name)

    def whom(names: Sequence[str]) -> str:
        return "all" if len(everybody) > 1 and set(names) == everybody else ", ".join(names)

    return [f"{whom(list(dict.fromkeys(n)))}: {remark}" for remark, n in about.items()]
