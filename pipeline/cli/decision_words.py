"""How decisions are printed: tables and lines for a terminal or a pipe."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.base.words import count, in_feet_words
from pipeline.cli import terminal
from pipeline.cli.terminal import value_with_error

if TYPE_CHECKING:
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
            "lag, s",
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
    """The advised mark of every pair, or every candidate mark of the one named."""
    for advice in found.advices:
        if pair is None:
            _print_advice(advice)
            continue
        for one in advice.pairs:
            if (one.incoming, one.outgoing) == pair:
                _print_candidates(advice.squad.event, one)
    terminal.print_list("Remarks", found.remarks)


def _feet_words(mark: CandidateMark) -> str:
    return "-" if mark.mark_feet is None else in_feet_words(mark.mark_feet)


def _percent(value: float, sd: float | None = None) -> str:
    return f"{100 * value:.0f}" + ("" if sd is None else f" ± {100 * sd:.0f}")


MarkCells = dict[str, Callable[["PairAdvice", "CandidateMark"], str]]


def _mark_cells(blind: bool) -> MarkCells:
    """What the list of marks shows of a pair and its best mark, heading by heading; --pair shows
    all there is."""
    first: MarkCells = {
        "incoming": lambda pair, _: pair.incoming,
        "outgoing": lambda pair, _: pair.outgoing,
        "feet": lambda _, best: _feet_words(best),
        "mark, m" if blind else "goes at, m": lambda _, best: f"{best.mark_m:.2f}",
        "stands, m": lambda pair, _: f"{pair.stand_m:g}",
        "in zone, %": lambda _, best: _percent(best.p_in_zone, best.p_in_zone_sd),
        "ran into, %": lambda _, best: _percent(best.p_ran_into),
        "zone time, s": lambda _, best: value_with_error(best.zone_time_s, best.zone_time_sd_s, 2),
        "pass, m": lambda _, best: value_with_error(best.pass_m, best.pass_sd_m, 1),
    }
    by_sight: MarkCells = {
        "pace, %": lambda pair, _: _percent(pair.pace),
        "gap at go, m": lambda _, best: f"{best.gap_at_go_m:.1f}",
        "closing, m/s": lambda _, best: f"{best.closing_mps:.1f}",
        "baton loses, s": lambda _, best: value_with_error(
            best.baton_loss_s, best.baton_loss_sd_s, 2
        ),
    }
    last: MarkCells = {"reps": lambda pair, _: f"{pair.reps_pair} of {pair.reps}"}
    return first | ({} if blind else by_sight) | last


def _asked_words(settings: Settings) -> str:
    """What the advice is for, so that two commands are never compared unknowingly."""
    danger = "avoided" if settings.collision_s else "counted as time"
    return (
        f"for {'race' if settings.race else 'practice'} speed; a failure costs "
        f"{settings.failure_s:g} s; running into each other is {danger}"
    )


def _print_advice(advice: Advice) -> None:
    blind = advice.squad.reps.blind
    terminal.say(
        f"{advice.squad.event}: zone {advice.conditions.zone_m:g} m, "
        f"{count(len(advice.pairs), 'pair')}, "
        f"{_asked_words(advice.settings)}"
    )
    cells = _mark_cells(blind)
    bests = [(pair, pair.best) for pair in advice.pairs]
    terminal.print_table(
        list(cells),
        [tuple(cell(pair, best) for cell in cells.values()) for pair, best in bests],
        right=tuple(range(2, len(cells))),
    )
    unit = "metres before the back line, or the receiver's foot-lengths"
    mark = (
        f"Mark: {unit}"
        if blind
        else f"Goes at: where the incoming runner is when the receiver sets off, {unit}; gap: the "
        "distance between the trunks then; baton loses: compared with going through at the entry "
        "speed"
    )
    terminal.say(
        f"{mark}; stands: past the back line; pass: past the entry line. ± is one standard error. "
        "Reps: of the pair, and of all takeovers it rests on."
    )
    _print_tape_moves(advice)
    rows = [{"pair": f"{p.incoming} to {p.outgoing}", "remarks": p.remarks} for p in advice.pairs]
    terminal.print_list("Pairs", _gather_remarks(rows, ("pair",)))


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


def _print_candidates(event: str, pair: PairAdvice) -> None:
    terminal.say(
        f"{event}, {pair.incoming} to {pair.outgoing}: the receiver stands {pair.stand_m:g} m past "
        f"the back line and starts at {pair.pace:.0%} of the practised pace"
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
    terminal.print_list("About this pair", pair.remarks)


# --- orders -------------------------------------------------------------------------------


def print_order(found: OrderDecisions) -> None:
    pairs = {(p.incoming, p.outgoing): p for p in found.advice.pairs}
    _print_orders(found.orders, pairs, found.advice.squad.reps.blind)
    _print_reserves(found.reserves, pairs)
    terminal.print_list("Remarks", found.remarks)


def _print_orders(orders: Orders, pairs: Mapping[tuple[str, str], PairAdvice], blind: bool) -> None:
    hands = "right, left, right, left" if blind else "as the runners like"
    terminal.say(
        f"{orders.event}, lane {orders.lane}: {count(len(orders.legs), 'order')}; hands along the "
        f"legs: {hands}"
    )
    wide = (orders.time_sd_s**2 + orders.time_spread_s**2) ** 0.5
    terminal.print_table(
        ["", "leg 1", "leg 2", "leg 3", "leg 4", "time, s", "two races in three, s", "best, %",
         "all in zone, %"],
        [
            (
                str(k + 1),
                *orders.names(k),
                value_with_error(orders.time_s[k], orders.time_sd_s[k], 2),
                f"{orders.time_s[k] - wide[k]:.2f} to {orders.time_s[k] + wide[k]:.2f}",
                _percent(orders.p_best[k]),
                _percent(orders.p_legal[k]),
            )
            for k in range(min(TOP_ORDERS, len(orders.legs)))
        ],
        right=(0, 5, 6, 7, 8),
    )  # fmt: skip
    terminal.say(
        "± is one standard error of the expected time; most of it is common to all orders. Two "
        "races in three fall into the range. Best: the chance that this order is the fastest."
    )
    if orders.beats_second is not None:
        terminal.say(
            f"The first order is faster than the second with a chance of {orders.beats_second:.0%}."
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
        f"{feet}{best.mark_m:.2f} m, receiver {pair.stand_m:g} m past the back line, "
        f"in the zone {best.p_in_zone:.0%}"
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
        "when the mark was last moved. Still needed: takeovers until the mark is known to half a "
        "foot-length."
    )
    lacks = [
        f"{lack.incoming} to {lack.outgoing} ({lack.event}): {count(lack.reps, 'rep')} so far"
        + ("" if lack.reps_needed is None else f", about {lack.reps_needed} more")
        for lack in found.lacks
    ]
    terminal.print_list(
        "Too few takeovers to know the race mark to half a foot-length, those farthest from it "
        "first",
        lacks,
    )
    terminal.print_list(
        "Remarks", (*found.remarks, *_gather_remarks(rows, ("incoming", "outgoing")))
    )


def _print_progress_table(rows: Sequence[TableRow]) -> None:
    from pipeline.tables import schema

    def trend(row: TableRow, stem: str, unit: str) -> str:
        column = f"{stem}_{unit}"
        value = value_with_error(row[column], row[schema.sd_column("progress", column)], 2)
        per_week = row[f"{stem}_trend_{unit}"]
        return value if per_week is None else f"{value} ({per_week:+.2f} a week)"

    terminal.print_table(
        ["incoming", "outgoing", "reps", "zone time, s", "lag, s", "gap, m", "in zone, %",
         "mark, m", "since it moved, s", "still needed"],
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
                "-" if row["reps_needed"] is None else str(row["reps_needed"]),
            )
            for row in rows
        ],
        right=(2, 6, 7, 8, 9),
    )  # fmt: skip


# --- all of them --------------------------------------------------------------------------


def print_where_written(out: str, tables: Mapping[str, Any], print_only: bool) -> None:
    if print_only:
        terminal.say("Nothing written (--print-only)")
    else:
        terminal.say(f"Written in {out}: {', '.join(tables)}")


def _rows_by_event(rows: Sequence[TableRow]) -> dict[str, list[TableRow]]:
    """The rows of each event, in the order in which the events come."""
    events = dict.fromkeys(row["event"] for row in rows)
    return {event: [row for row in rows if row["event"] == event] for event in events}


def _gather_remarks(rows: Sequence[TableRow], who: Sequence[str]) -> list[str]:
    """Each remark once, with the rows it is about; `who` names the columns that name a row."""
    about: dict[str, list[str]] = {}
    for row in rows:
        name = " to ".join(str(row[key]) for key in who)
        for remark in row["remarks"]:
            about.setdefault(remark, []).append(name)
    return [f"{', '.join(dict.fromkeys(names))}: {remark}" for remark, names in about.items()]
