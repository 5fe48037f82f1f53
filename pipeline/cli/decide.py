"""The commands that turn a lake of tables into decisions: runners, marks, order, progress.

Each parses, calls one function of `decide`, prints. `cli` gives them their place.
"""

from __future__ import annotations

import enum
import itertools
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.base.words import CAUTION, TENTH, count, in_feet_words
from pipeline.cli import terminal
from pipeline.cli.terminal import pm
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from pipeline.advise.decisions import MarkDecisions
    from pipeline.advise.marks import Advice, PairAdvice, Settings
    from pipeline.advise.orders import Reserve

TOP_ORDERS = 10


class Speed(enum.StrEnum):
    practice = "practice"
    race = "race"


class Start(enum.StrEnum):
    standing = "standing"
    crouched = "crouched"


class ZoneRules(enum.StrEnum):
    today = "today"
    older = "older"


Out = Annotated[
    Path, typer.Argument(metavar="OUT", help="The folder of tables that process wrote.")
]
Event = Annotated[
    str | None,
    typer.Option("--event", help="4x100, 4x400, ... (default: each in OUT)"),
]
OneEvent = Annotated[
    str | None,
    typer.Option("--event", help="4x100, 4x400, ... (default: the most practised)"),
]
Team = Annotated[
    list[str] | None,
    typer.Option("--team", help="Runners, by commas or repeated. (default: all in OUT)"),
]
Risk = Annotated[
    float,
    typer.Option(
        "--risk", help="Accepted chance that the baton does not pass inside the zone, 0.001 to 0.5."
    ),
]
Wind = Annotated[
    float, typer.Option("--wind", help="m/s along the zone, positive from behind the runners.")
]
StartStyle = Annotated[Start, typer.Option("--start", help="How the receiver starts.")]
Rules = Annotated[
    ZoneRules, typer.Option("--rules", help="Zones: today's, or 20 m after 10 m of acceleration.")
]
Stand = Annotated[
    float | None,
    typer.Option(
        "--stand", help="Where the receiver stands, m past the back line. (default: the best)"
    ),
]
Latest = Annotated[
    float | None,
    typer.Option(
        "--latest-pass",
        help="Latest pass accepted, m past the entry line. (default: the exit line)",
    ),
]
Feet = Annotated[
    list[str] | None,
    typer.Option("--foot", metavar="RUNNER=M", help="Foot-length in metres; may be repeated."),
]
HalfLife = Annotated[
    float, typer.Option("--half-life", help="Days after which a takeover counts half.")
]
Seed = Annotated[int, typer.Option("--seed", help="The same seed gives the same numbers.")]
PrintOnly = Annotated[bool, typer.Option("--print-only", help="Write no table.")]


# --- commands ---------------------------------------------------------------------------

RUNNERS_EXAMPLE = "Example:\n\nbatontrace runners out"


def runners(
    out: Out,
    event: Event = None,
    half_life: HalfLife = 60.0,
    print_only: PrintOnly = False,
) -> None:
    """What all takeovers say of each runner, receiving and bringing the baton."""
    from pipeline.advise import decisions
    from pipeline.advise.marks import Settings

    found = decisions.decide_runners(
        out, Settings(event=event, half_life_days=half_life), write=not print_only
    )
    rows = found.tables["runners"].to_pylist()
    for name in dict.fromkeys(row["event"] for row in rows):
        own = [row for row in rows if row["event"] == name]
        terminal.say(f"{name}: {count(len(own), 'runner')}")
        _runners(own)
    terminal.say(
        "± is one standard error: it shrinks with practice. 'by' is the spread from rep to rep, "
        "which does not. Reps: incoming, outgoing."
    )
    terminal.listing("Remarks", (*found.remarks, *_said(rows, ("runner",))))
    _written(out, found.tables, print_only)


MARKS_EXAMPLE = (
    "Examples:\n\n"
    "batontrace marks out --card card.html\n\n"
    "batontrace marks out --team robin,wren,finch,jay --risk 0.05 --speed race --wind -1.5\n\n"
    "batontrace marks out --pair robin wren   (every candidate mark of one pair)"
)


def marks(
    out: Out,
    event: Event = None,
    team: Team = None,
    risk: Risk = 0.10,
    speed: Annotated[
        Speed, typer.Option("--speed", help="Practice speed, or what a race makes of it.")
    ] = Speed.practice,
    wind: Wind = 0.0,
    start: StartStyle = Start.standing,
    stand: Stand = None,
    pace: Annotated[
        float | None,
        typer.Option(
            "--pace", help="Visual change: share of the practised start. (default: the best)"
        ),
    ] = None,
    rules: Rules = ZoneRules.today,
    latest_pass: Latest = None,
    foot: Feet = None,
    half_life: HalfLife = 60.0,
    seed: Seed = 1,
    pair: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--pair", metavar="INCOMING OUTGOING", help="Print every candidate of this pair."
        ),
    ] = None,
    card: Annotated[
        Path | None,
        typer.Option("--card", metavar="CARD.html", help="Write a trackside card to print."),
    ] = None,
    print_only: PrintOnly = False,
) -> None:
    """Where the tape goes: a check mark for every pair, with its risk."""
    from pipeline.advise import decisions
    from pipeline.show import publish

    if card is not None and card.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"--card {card}", "not a name for a page", "a name that ends in .html")
    settings = _settings(
        event, team, risk, speed, wind, start, rules, foot, half_life, seed,
        stand_m=stand, pace=pace, latest_m=latest_pass,
    )  # fmt: skip
    found = decisions.decide_marks(out, settings, pair=pair, write=not print_only)
    if pair is not None:
        _one_pair(found, pair)
    else:
        for advice in found.advices:
            _marks(advice)
    terminal.listing("Remarks", found.remarks)
    if card is not None:
        publish.card(card, found.tables, _in_words(settings), **decisions.card_facts(found))
        terminal.say(f"Card: {card}")
    _written(out, found.tables, print_only)
    terminal.say(TENTH)
    terminal.say(CAUTION)


ORDER_EXAMPLE = (
    "Examples:\n\n"
    "batontrace order out --team robin,wren,finch,jay,lark --lane 5\n\n"
    "batontrace order out --fix robin=4 --forbid wren=1 --hand finch=left\n\n"
    "batontrace order out --event 4x400 --flat robin=47.9 --flat wren=48.3 ..."
)


def order(
    out: Out,
    event: OneEvent = None,
    team: Team = None,
    lane: Annotated[int, typer.Option("--lane", help="1 to 9.")] = 4,
    fix: Annotated[
        list[str] | None,
        typer.Option("--fix", metavar="RUNNER=LEG", help="This runner runs this leg."),
    ] = None,
    forbid: Annotated[
        list[str] | None,
        typer.Option("--forbid", metavar="RUNNER=LEG", help="This runner never runs this leg."),
    ] = None,
    hand: Annotated[
        list[str] | None,
        typer.Option(
            "--hand",
            metavar="RUNNER=HAND",
            help="The only hand, left or right, this runner can carry in.",
        ),
    ] = None,
    flat: Annotated[
        list[str] | None,
        typer.Option(
            "--flat", metavar="RUNNER=SECONDS", help="Flat time; needed for legs beyond 100 m."
        ),
    ] = None,
    risk: Risk = 0.10,
    speed: Annotated[
        Speed, typer.Option("--speed", help="What a race makes of practice speed, or practice.")
    ] = Speed.race,
    wind: Wind = 0.0,
    start: StartStyle = Start.standing,
    rules: Rules = ZoneRules.today,
    foot: Feet = None,
    half_life: HalfLife = 60.0,
    seed: Seed = 1,
    print_only: PrintOnly = False,
) -> None:
    """Who runs which leg: the best orders of four, how sure, and what if one drops out."""
    from pipeline.advise import decisions

    settings = _settings(event, team, risk, speed, wind, start, rules, foot, half_life, seed)
    wishes = decisions.Wishes(
        {name: _leg(name, value, "--fix") for name, value in _pairs(fix, "--fix", "RUNNER=LEG")},
        tuple(
            (name, _leg(name, value, "--forbid"))
            for name, value in _pairs(forbid, "--forbid", "RUNNER=LEG")
        ),
        dict(_pairs(hand, "--hand", "RUNNER=left")),
    )
    flat_s = {
        name: _number(value, "--flat") for name, value in _pairs(flat, "--flat", "RUNNER=SECONDS")
    }
    found = decisions.decide_order(
        out, settings, wishes, lane=lane, flat_s=flat_s, write=not print_only
    )
    _orders(found.orders, found.advice)
    _reserves(found.reserves, found.advice)
    terminal.listing("Remarks", found.remarks)
    _written(out, found.tables, print_only)
    terminal.say(CAUTION)


PROGRESS_EXAMPLE = "Example:\n\nbatontrace progress out --event 4x100"


def progress(
    out: Out,
    event: Event = None,
    team: Team = None,
    half_life: HalfLife = 60.0,
    seed: Seed = 1,
    print_only: PrintOnly = False,
) -> None:
    """How each pair comes on over the weeks, and which still lack data for a race mark."""
    from pipeline.advise import decisions
    from pipeline.advise.marks import Settings

    settings = Settings(event=event, team=_names(team), half_life_days=half_life, seed=seed)
    found = decisions.decide_progress(out, settings, write=not print_only)
    rows = found.tables["progress"].to_pylist()
    for name in dict.fromkeys(row["event"] for row in rows):
        own = [row for row in rows if row["event"] == name]
        terminal.say(f"{name}: {count(len(own), 'pair')}")
        _progress(own)
    terminal.say("± is one standard error; trends are per week, changes since the mark was moved.")
    lacks = [
        f"{lack.incoming} to {lack.outgoing} ({lack.event}): {count(lack.reps, 'rep')} so far"
        + ("" if lack.reps_needed is None else f", about {lack.reps_needed} more")
        for lack in found.lacks
    ]
    terminal.listing(
        "Too little for a race mark known to half a foot-length, longest way first", lacks
    )
    terminal.listing("Remarks", (*found.remarks, *_said(rows, ("incoming", "outgoing"))))
    _written(out, found.tables, print_only)


# --- reading options ----------------------------------------------------------------------


def _settings(
    event: str | None, team: Sequence[str] | None, risk: float, speed: Speed, wind: float,
    start: Start, rules: ZoneRules, foot: Sequence[str] | None, half_life: float, seed: int,
    **more: float | None,
) -> Settings:  # fmt: skip
    """What `marks` and `order` ask for alike; `more` is of the marks alone."""
    from pipeline.advise.marks import Settings

    return Settings(
        event=event,
        team=_names(team),
        risk=risk,
        race=speed is Speed.race,
        wind_mps=wind,
        crouched=start is Start.crouched,
        older=rules is ZoneRules.older,
        feet_m=_feet(foot),
        half_life_days=half_life,
        seed=seed,
        stand_m=more.get("stand_m"),
        pace=more.get("pace"),
        latest_m=more.get("latest_m"),
    )


def _names(given: Sequence[str] | None) -> tuple[str, ...]:
    names = [name.strip() for text in given or () for name in text.split(",")]
    return tuple(dict.fromkeys(name for name in names if name))


def _pairs(given: Sequence[str] | None, option: str, form: str) -> list[tuple[str, str]]:
    found = []
    for text in given or ():
        name, sign, value = text.rpartition("=")
        if not (sign and name and value):
            raise UsageError(f"{option} {text}", "no '=' between two words", form)
        found.append((name, value))
    return found


def _number(text: str, option: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 < value < 1000.0:
        raise UsageError(f"{option} {text}", "not a number that can be", "such as 47.9")
    return value


def _leg(name: str, text: str, option: str) -> int:
    if text not in ("1", "2", "3", "4"):
        raise UsageError(f"{option} {name}={text}", f'"{text}" is no leg', "1, 2, 3 or 4")
    return int(text)


def _feet(given: Sequence[str] | None) -> dict[str, float]:
    return {
        name: _number(value, "--foot") for name, value in _pairs(given, "--foot", "RUNNER=0.29")
    }


def _in_words(settings: Settings) -> dict[str, str]:
    """Settings for the card."""
    said = {
        "speed": "race" if settings.race else "practice",
        "wind": f"{settings.wind_mps:+.1f} m/s",
        "zones": "older" if settings.older else "today's",
        "risk": f"{settings.risk:.0%}",
        "start": "crouched" if settings.crouched else "standing",
    }
    if settings.latest_m is not None:
        said["latest pass"] = f"{settings.latest_m:g} m"
    return said


# --- printing -----------------------------------------------------------------------------


def _written(out: Path, tables: Mapping[str, Any], print_only: bool) -> None:
    if print_only:
        terminal.say("Nothing written (--print-only)")
    else:
        terminal.say(f"Written in {out}: {', '.join(tables)}")


def _said(rows: Sequence[Mapping[str, Any]], who: Sequence[str]) -> list[str]:
    """Each remark once, with the rows it is about."""
    about: dict[str, list[str]] = {}
    for row in rows:
        name = " to ".join(str(row[key]) for key in who)
        for remark in row["remarks"]:
            about.setdefault(remark, []).append(name)
    return [f"{', '.join(dict.fromkeys(names))}: {remark}" for remark, names in about.items()]


def _by(row: Mapping[str, Any], name: str, unit: str, spread: str, digits: int) -> str:
    if row[f"{name}_{unit}"] is None:
        return "-"
    value = pm(row[f"{name}_{unit}"], row[f"{name}_sd_{unit}"], digits)
    return f"{value}, by {row[spread]:.{digits}f}"


def _runners(rows: Sequence[Mapping[str, Any]]) -> None:
    terminal.table(
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
                _by(row, "lag", "s", "lag_spread_s", 2),
                _by(row, "t20", "s", "t20_spread_s", 2),
                pm(row["v_max_mps"], row["v_max_sd_mps"], 1),
                pm(row["tau_s"], row["tau_sd_s"], 2),
                pm(row["arm_cost_s"], row["arm_cost_sd_s"], 2),
                _by(row, "v_in_entry", "mps", "v_in_spread_mps", 2),
                pm(row["fade_mps2"], row["fade_sd_mps2"], 2),
                pm(row["reach_m"], row["reach_sd_m"], 2),
            )
            for row in rows
        ],
        right=(1,),
    )


def _feet_of(pair: PairAdvice, k: int | None = None) -> str:
    return "-" if pair.foot_m is None else in_feet_words(pair.at("mark_feet", k))


def _percent(value: float, sd: float | None = None) -> str:
    return f"{100 * value:.0f}" + ("" if sd is None else f" ± {100 * sd:.0f}")


Cells = dict[str, Callable[["PairAdvice"], str]]


def _columns(blind: bool) -> Cells:
    """What the table of marks shows, heading by heading; --pair shows all there is."""
    first: Cells = {
        "incoming": lambda p: p.incoming,
        "outgoing": lambda p: p.outgoing,
        "feet": _feet_of,
        "mark, m" if blind else "goes at, m": lambda p: f"{p.at('mark_m'):.2f}",
        "stands, m": lambda p: f"{p.stand_m:g}",
        "in zone, %": lambda p: _percent(p.at("p_in_zone"), p.at("p_in_zone_sd")),
        "ran into, %": lambda p: _percent(p.at("p_ran_into")),
        "zone time, s": lambda p: pm(p.at("zone_time_s"), p.at("zone_time_sd_s"), 2),
        "pass, m": lambda p: pm(p.at("pass_m"), p.at("pass_sd_m"), 1),
    }
    by_sight: Cells = {
        "pace, %": lambda p: _percent(p.pace),
        "gap at go, m": lambda p: f"{p.at('gap_at_go_m'):.1f}",
        "closing, m/s": lambda p: f"{p.at('closing_mps'):.1f}",
        "baton loses, s": lambda p: pm(p.at("baton_loss_s"), p.at("baton_loss_sd_s"), 2),
    }
    last: Cells = {"reps": lambda p: f"{p.at('reps_pair'):.0f} of {p.at('reps'):.0f}"}
    return first | ({} if blind else by_sight) | last


def _marks(advice: Advice) -> None:
    from pipeline.advise import marks as stage

    blind = advice.squad.reps.blind
    terminal.say(
        f"{advice.squad.event}: zone {advice.conditions.zone_m:g} m, "
        f"{count(len(advice.pairs), 'pair')}, wished risk {advice.settings.risk:.0%}"
    )
    columns = _columns(blind)
    terminal.table(
        list(columns),
        [tuple(cell(pair) for cell in columns.values()) for pair in advice.pairs],
        right=tuple(range(2, len(columns))),
    )
    where = "metres before the back line, or the receiver's foot-lengths"
    what = (
        f"Marks are {where}"
        if blind
        else f"Goes at: where the incoming runner is when the receiver sets off, {where}; gap: the "
        "distance of the trunks then; baton loses: against going through at the entry speed"
    )
    terminal.say(
        f"{what}; stands: past the back line; pass: past the entry line. ± is one standard error. "
        "Reps: of the pair, of all it rests on."
    )
    _tape(advice, stage.move_tape)
    pairs = [{"pair": f"{p.incoming} to {p.outgoing}", "remarks": p.remarks} for p in advice.pairs]
    terminal.listing("Pairs", _said(pairs, ("pair",)))


def _tape(advice: Advice, moved: Any) -> None:
    """What a foot-length does in the pair in the middle."""
    for feet, word in ((1.0, "farther"), (-1.0, "nearer")):
        changes = [moved(pair, feet) for pair in advice.pairs]
        known = sorted((c for c in changes if c is not None), key=lambda c: c["p_in_zone"])
        if known:
            usual = known[len(known) // 2]
            terminal.say(
                f"One foot-length {word}: in the middle pair the chance of a pass in the zone "
                f"{100 * usual['p_in_zone']:+.0f} points, of running into each other "
                f"{100 * usual['p_ran_into']:+.0f}, zone time {usual['zone_time_s']:+.2f} s, the "
                f"pass {usual['pass_m']:+.1f} m."
            )


def _one_pair(found: MarkDecisions, names: tuple[str, str]) -> None:
    pairs = [
        (advice, pair)
        for advice in found.advices
        for pair in advice.pairs
        if (pair.incoming, pair.outgoing) == names
    ]
    for advice, pair in pairs:
        terminal.say(
            f"{advice.squad.event}, {pair.incoming} to {pair.outgoing}: receiver "
            f"{pair.stand_m:g} m past the back line, pace {pair.pace:.0%}"
        )
        marks = pair.columns["mark_m"]
        terminal.table(
            ["", "feet", "mark, m", "in zone, %", "ran into, %", "ran away, %", "zone time, s",
             "spread, s", "pass, m", "spread, m", "closing, m/s", "gap at go, m", "baton loses, s",
             "reps on it"],
            [
                (
                    "advised" if k == pair.advised else "", _feet_of(pair, k),
                    f"{marks[k]:.2f}",
                    _percent(pair.at("p_in_zone", k), pair.at("p_in_zone_sd", k)),
                    _percent(pair.at("p_ran_into", k)), _percent(pair.at("p_ran_away", k)),
                    pm(pair.at("zone_time_s", k), pair.at("zone_time_sd_s", k), 2),
                    f"{pair.at('zone_time_spread_s', k):.2f}",
                    pm(pair.at("pass_m", k), pair.at("pass_sd_m", k), 1),
                    f"{pair.at('pass_spread_m', k):.1f}", f"{pair.at('closing_mps', k):.1f}",
                    f"{pair.at('gap_at_go_m', k):.1f}",
                    pm(pair.at("baton_loss_s", k), pair.at("baton_loss_sd_s", k), 2),
                    f"{pair.at('reps_on_mark', k):.0f}",
                )
                for k in range(len(marks))
            ],
            right=tuple(range(1, 14)),
        )  # fmt: skip
        terminal.listing("About this pair", pair.remarks)


def _orders(orders: Any, advice: Advice) -> None:
    hands = "right, left, right, left" if advice.squad.reps.blind else "as the runners like"
    terminal.say(
        f"{orders.event}, lane {orders.lane}: {count(len(orders.legs), 'order')}; hands along the "
        f"legs: {hands}"
    )
    top = min(TOP_ORDERS, len(orders.legs))
    terminal.table(
        ["", "leg 1", "leg 2", "leg 3", "leg 4", "time, s", "two races in three, s", "best, %",
         "all in zone, %"],
        [
            (
                str(k + 1), *orders.names(k), pm(orders.time_s[k], orders.time_sd_s[k], 2),
                f"{orders.time_s[k] - _wide(orders, k):.2f} to "
                f"{orders.time_s[k] + _wide(orders, k):.2f}",
                _percent(orders.p_best[k]), _percent(orders.p_legal[k]),
            )
            for k in range(top)
        ],
        right=(0, 5, 6, 7, 8),
    )  # fmt: skip
    terminal.say(
        "± is one standard error of the expected time, mostly common to all orders; two races in "
        "three fall into the range. Best: in how many draws of what is not known."
    )
    if orders.beats_second is not None:
        terminal.say(f"The first order beats the second with chance {orders.beats_second:.0%}.")
    first = orders.names(0)
    by_pair = {(p.incoming, p.outgoing): p for p in advice.pairs}
    marks = []
    for incoming, outgoing in itertools.pairwise(first):
        pair = by_pair.get((incoming, outgoing))
        if pair is not None:
            marks.append(f"{incoming} to {outgoing}: {_tape_of(pair)}")
    terminal.listing("Marks of the first order", marks)
    terminal.listing("About the first order", orders.remarks[0])


def _wide(orders: Any, k: int) -> float:
    return float((orders.time_sd_s[k] ** 2 + orders.time_spread_s[k] ** 2) ** 0.5)


def _tape_of(pair: PairAdvice) -> str:
    feet = "" if pair.foot_m is None else f"{_feet_of(pair)} feet, "
    return (
        f"{feet}{pair.at('mark_m'):.2f} m, receiver {pair.stand_m:g} m past the back line, "
        f"in the zone {pair.at('p_in_zone'):.0%}"
    )


def _reserves(reserves: Sequence[Reserve], advice: Advice) -> None:
    by_pair = {(p.incoming, p.outgoing): p for p in advice.pairs}
    if all(one.order is None for one in reserves):
        for remark in dict.fromkeys(one.remark for one in reserves):
            terminal.say(f"If one drops out: {remark}")
        return
    said = []
    for one in reserves:
        if one.order is None:
            said.append(f"without {one.out}: {one.remark}")
            continue
        kept = ", ".join(" to ".join(pair) for pair in one.kept) or "none"
        new = "; ".join(
            f"{a} to {b}" + (f" ({_tape_of(by_pair[a, b])})" if (a, b) in by_pair else "")
            for a, b in one.new
        )
        said.append(
            f"without {one.out}: {', '.join(one.order)}, {pm(one.costs_s, one.costs_sd_s, 2)} s "
            f"slower; marks that hold: {kept}; new: {new or 'none'}"
        )
        if one.swap is not None and one.swap != one.order:
            said.append(
                f"without {one.out}, fewest new marks: {', '.join(one.swap)}, "
                f"{one.swap_costs_s:+.2f} s"
            )
    terminal.listing("If one drops out", said)


def _progress(rows: Sequence[Mapping[str, Any]]) -> None:
    def trend(row: Mapping[str, Any], name: str, unit: str, digits: int) -> str:
        value = pm(row[f"{name}_{unit}"], row[f"{name}_sd_{unit}"], digits)
        per_week = row[f"{name}_trend_{unit}"]
        return value if per_week is None else f"{value} ({per_week:+.{digits}f} a week)"

    terminal.table(
        ["incoming", "outgoing", "reps", "zone time, s", "lag, s", "gap, m", "in zone, %",
         "mark, m", "since it moved, s", "still needed"],
        [
            (
                row["incoming"], row["outgoing"], f"{row['reps']} in {row['sessions']}",
                trend(row, "zone_time", "s", 2), trend(row, "go_lag", "s", 2),
                trend(row, "free_distance", "m", 2),
                "-" if row["p_in_zone"] is None
                else _percent(row["p_in_zone"], row["p_in_zone_sd"]),
                "-" if row["mark_m"] is None else f"{row['mark_m']:.2f}",
                pm(row["zone_time_change_s"], row["zone_time_change_sd_s"], 2),
                "-" if row["reps_needed"] is None else str(row["reps_needed"]),
            )
            for row in rows
        ],
        right=(2, 6, 7, 8, 9),
    )  # fmt: skip
