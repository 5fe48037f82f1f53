"""From a lake of tables to decisions: the one place where the lake and the advice meet.

Each `decide_` function reads OUT, works out its tables and, unless told otherwise, writes them
there. `runners` is always among them, since every other decision rests on it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from itertools import pairwise, zip_longest

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.advise.backtest import BackTest, foretell_days
from pipeline.advise.causes import causes_table, find_causes
from pipeline.advise.marks import Advice, advise_squad, marks_table
from pipeline.advise.orders import (
    Orders,
    Reserve,
    find_reserves,
    gather_legs,
    orders_table,
    rank_orders,
    refuse_unknown_lane,
    winds_mps,
)
from pipeline.advise.progress import MarkKnowledge, progress_table
from pipeline.advise.race_parts import (
    RaceStory,
    TableRow,
    add_expected,
    measured_parts,
    race_parts_table,
    races_of,
)
from pipeline.advise.runners import Squad, estimate_squad, runners_table
from pipeline.advise.settings import Settings
from pipeline.advise.takeovers import gather_reps, rank_events
from pipeline.advise.validation import Agreements, judge_checks, validation_table
from pipeline.advise.verdicts import Verdict, judge_takeovers, verdicts_table
from pipeline.base.asking import did_you_mean, one_of
from pipeline.base.values import Progress
from pipeline.base.words import count
from pipeline.errors import NothingMeasured, UsageError
from pipeline.tables import lake
from pipeline.tables.decision_parts import Scope, write_part
from pipeline.tables.full_speed import at_full_speed
from pipeline.tables.lake import Lake
from pipeline.tables.places import Out

ORDERS_KEPT = 1000  # rows of the table `orders`: the fastest


@dataclass(frozen=True, eq=False)
class MarkDecisions:
    """The advice of each event, the tables that were worked out, how the days before foretold each
    event's practice (for `progress` alone), remarks about the lake and the advice, and the newest
    day of each event (for `marks` alone)."""

    advices: tuple[Advice, ...]
    tables: Mapping[str, pa.Table]
    remarks: tuple[str, ...]
    backtests: tuple[BackTest, ...] = ()
    newest_days: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class CauseDecisions:
    """What every takeover lost and to what: the verdicts in time order, event by event, the tables
    `causes` and `verdicts`, and remarks about the lake and the advice."""

    verdicts: tuple[Verdict, ...]
    tables: Mapping[str, pa.Table]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Wishes:
    """Who may run where: legs given to runners, legs taken from them, and the only hand in which a
    runner can carry the baton."""

    fixed: Mapping[str, int]
    forbidden: tuple[tuple[str, int], ...] = ()
    hands: Mapping[str, str] | None = None


@dataclass(frozen=True, eq=False)
class OrderDecisions:
    """The orders of one event, what to run when somebody drops out, the marks they rest on, the
    tables that were worked out, remarks about the lake and the advice, and the newest day."""

    advice: Advice
    orders: Orders
    reserves: tuple[Reserve, ...]
    tables: Mapping[str, pa.Table]
    remarks: tuple[str, ...]
    newest_day: str


@dataclass(frozen=True, eq=False)
class ValidationDecision:
    """How what was held out agrees with what was measured, the table `validation`, and remarks."""

    agreements: Agreements
    tables: Mapping[str, pa.Table]
    remarks: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class RaceDecisions:
    """The races of a lake against what their orders promised, the table `race_parts`, and remarks
    about the lake."""

    stories: tuple[RaceStory, ...]
    tables: Mapping[str, pa.Table]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class CardFacts:
    """What a card needs to know besides the tables.

    `team` is None for everybody; `date` of the newest practice, as in 2026-05-12; `in_use`: each
    pair's last mark [m], by (incoming, outgoing); `zone_m`: length of the zone advised for.
    """

    event: str
    team: tuple[str, ...] | None
    date: str
    in_use: Mapping[tuple[str, str], float]
    zone_m: float


# --- what each command decides ------------------------------------------------------------


def decide_runners(out: Out, settings: Settings, *, write: bool = True) -> MarkDecisions:
    """Work out the table `runners` of a lake.

    Raises InputError where OUT cannot be read, NothingMeasured where it holds no takeover,
    UsageError where it holds none of what `settings` ask for, OutputError where OUT cannot be
    written. So do the other `decide_` functions.
    """
    found = _read_full_speed(out)
    squads = find_squads(found, settings)
    tables = {"runners": runners_table(squads)}
    kept = _write_tables(found, tables, settings, write, _scope_of(settings, squads))
    return MarkDecisions((), tables, (*found.remarks, *kept))


def decide_marks(
    out: Out,
    settings: Settings,
    *,
    pair: tuple[str, str] | None = None,
    write: bool = True,
    progress: Progress | None = None,
) -> MarkDecisions:
    """Work out the tables `marks`, `runners`, `progress`, `causes` and `verdicts` of each event, or
    of the one asked for.

    Raises UsageError, before anything is written, where there are no marks for `pair`.
    """
    found = _read_full_speed(out)
    if pair is not None:
        _require_known(found, pair, f"pair {pair[0]} to {pair[1]}", in_pair=True)
    advices = advise_lake(found, settings, progress)
    if pair is not None and not any(
        (one.incoming, one.outgoing) == pair for advice in advices for one in advice.pairs
    ):
        raise UsageError(
            f"pair {pair[0]} to {pair[1]}", "no marks for it", "two runners of the team in OUT"
        )
    tables = {
        "runners": runners_table([one.squad for one in advices]),
        "marks": marks_table(advices),
        "progress": _progress_of_events(found, advices),
        **_tell_causes(found, advices)[1],
    }
    scope = _scope_of(settings, [one.squad for one in advices])
    kept = _write_tables(found, tables, settings, write, scope)
    remarks = [f"{one.squad.event}: {text}" for one in advices for text in one.remarks]
    days = {one.squad.event: _newest_day(found, one.squad.event) for one in advices}
    said = (*found.remarks, *remarks, *kept)
    return MarkDecisions(tuple(advices), tables, said, newest_days=days)


def decide_causes(
    out: Out,
    settings: Settings,
    *,
    session: str | None = None,
    pair: tuple[str, str] | None = None,
    write: bool = True,
    progress: Progress | None = None,
) -> CauseDecisions:
    """Work out the tables `causes` and `verdicts` of each event, or of the one asked for: what each
    takeover lost against its pair's best mark, and to what.

    The tables are of all takeovers; the verdicts given back are those of `session` and `pair`.
    Raises UsageError, before anything is written, where there is none of these.
    """
    found = _read_full_speed(out)
    if pair is not None:
        _require_known(found, pair, f"pair {pair[0]} to {pair[1]}", in_pair=True)
    advices = advise_lake(found, settings, progress)
    every, tables = _tell_causes(found, advices)
    verdicts = [
        one
        for one in every
        if session in (None, one.loss.session)
        and pair in (None, (one.loss.incoming, one.loss.outgoing))
    ]
    if not verdicts:
        own = [v for v in every if pair in (None, (v.loss.incoming, v.loss.outgoing))]
        there = list(dict.fromkeys(one.loss.session for one in own))
        raise UsageError(
            f"session {session}" if pair is None else f"pair {pair[0]} to {pair[1]}",
            "no takeover at full speed" + ("" if session is None else f" in session {session}"),
            one_of(there or ["a pair that took over"], session),
        )
    scope = _scope_of(settings, [one.squad for one in advices])
    kept = _write_tables(found, tables, settings, write, scope)
    return CauseDecisions(tuple(verdicts), tables, (*found.remarks, *kept))


def decide_progress(
    out: Out, settings: Settings, *, write: bool = True, progress: Progress | None = None
) -> MarkDecisions:
    """Work out the table `progress`. How well a mark is known comes from the model of the marks."""
    found = _read_full_speed(out)
    advices = advise_lake(found, settings, progress)
    # from the tables, for the squad's own reps hold what later days say
    backtests = tuple(
        foretell_days(gather_reps(found.exchanges, found.curves, one.squad.event), settings)
        for one in advices
    )
    tables = {"progress": _progress_of_events(found, advices, backtests)}
    scope = _scope_of(settings, [one.squad for one in advices])
    kept = _write_tables(found, tables, settings, write, scope)
    remarks = (*found.remarks, *kept)
    return MarkDecisions(tuple(advices), tables, remarks, backtests)


def decide_order(
    out: Out,
    settings: Settings,
    wishes: Wishes,
    *,
    lane: int = 4,
    flat_s: Mapping[str, float] | None = None,
    write: bool = True,
    progress: Progress | None = None,
) -> OrderDecisions:
    """Work out the tables `orders` and `runners` of one event: the one that `settings` name, else
    the most practised one.

    `lane`: 1 to 9; `flat_s`: flat times by runner, needed where a leg is longer than 100 m.
    Raises UsageError for wishes that cannot be met too.
    """
    refuse_unknown_lane(lane)
    found = _read_full_speed(out)
    _require_known(found, wishes.fixed, "fixed leg")
    _require_known(found, [name for name, _ in wishes.forbidden], "forbidden leg")
    _require_known(found, wishes.hands or (), "hand")
    _require_known(found, flat_s or (), "flat time")
    if settings.event is None:
        settings = replace(settings, event=find_events(found)[0])
    advice = _advise_still(found, settings, progress)
    if progress is not None:
        progress("ranks the orders", 0, 0)
    legs = gather_legs(advice, lane, flat_s)
    ranked = rank_orders(
        legs,
        fixed=wishes.fixed,
        forbidden=wishes.forbidden,
        hands=wishes.hands,
        seed=settings.seed,
    )
    reserves = find_reserves(
        legs,
        ranked,
        fixed=wishes.fixed,
        forbidden=wishes.forbidden,
        hands=wishes.hands,
        seed=settings.seed,
    )
    tables = {
        "runners": runners_table([advice.squad]),
        "orders": orders_table(ranked, ORDERS_KEPT),
    }
    more = {"lane": lane, "flat_s": dict(flat_s or {}), **asdict(wishes)}
    kept = _write_tables(found, tables, settings, write, Scope((advice.squad.event,)), more)
    remarks = (*found.remarks, *advice.remarks, *kept)
    if settings.wind_mps:
        advice = _in_its_wind(advice, ranked, winds_mps(legs)[1].tolist())
    day = _newest_day(found, advice.squad.event)
    return OrderDecisions(advice, ranked, reserves, tables, remarks, day)


def _advise_still(found: Lake, settings: Settings, progress: Progress | None = None) -> Advice:
    """The advice of one event in still air, under its settings: a race's wind is one of its
    stretches (`orders.time_terms`), and marks in still air are nearly those in a wind."""
    still = replace(settings, wind_mps=0.0)
    return replace(advise_lake(found, still, progress)[0], settings=settings)


def _in_its_wind(advice: Advice, ranked: Orders, winds: Sequence[float]) -> Advice:
    """The advice with the marks of the first order's pairs made for the wind of their zones."""
    made = {}
    for pair, wind_mps in zip(pairwise(ranked.names()), winds, strict=True):
        asked = replace(advice.settings, team=pair, wind_mps=wind_mps)
        for one in advise_squad(advice.squad, asked).pairs:
            if (one.incoming, one.outgoing) == pair:
                words = f"made for {wind_mps:+.1f} m/s along its zone"
                made[pair] = replace(one, remarks=(*one.remarks, words))
    pairs = tuple(made.get((one.incoming, one.outgoing), one) for one in advice.pairs)
    return replace(advice, pairs=pairs)


def decide_validation(out: Out, *, write: bool = True) -> ValidationDecision:
    """Work out the table `validation`: what observers saw that was held out (`use = "check"`),
    against what was measured without it.

    Raises NothingMeasured where nothing was held out, or none of it could be compared; otherwise as
    the other `decide_` functions.
    """
    found = lake.read_observations(out)
    remarks = found.remarks
    if found.too_old:
        which = count(found.too_old, "session")
        remarks = (*remarks, f"{which} measured before observers were read: measure again")
    agreements = judge_checks(found.observations)
    if agreements is None or not agreements.groups:
        nothing = "no observation was held out" if agreements is None else "nothing to compare"
        raise NothingMeasured(
            out,
            nothing,
            'a film or gates with use = "check" in a session.toml: docs/filming.md says how',
            "then measure that session again, and run validate",
            [*remarks, *(agreements.remarks if agreements else ())],
        )
    tables = {"validation": validation_table(agreements)}
    if write:
        record = lake.lake_provenance(found, {}, sys.argv)
        lake.write_decisions(out, tables, record)
    return ValidationDecision(agreements, tables, (*remarks, *agreements.remarks))


def decide_race(
    out: Out,
    settings: Settings,
    *,
    flat_s: Mapping[str, float] | None = None,
    write: bool = True,
) -> RaceDecisions:
    """Work out the table `race_parts`: each race of the lake against what its order promised.

    The promise rests on the takeovers before the race; `flat_s` as for `decide_order`. Raises
    NothingMeasured where the lake holds no race, UsageError for the flat time of a stranger;
    otherwise as the other `decide_` functions.
    """
    found = lake.read_lake(out)
    _require_known(found, flat_s or (), "flat time")
    legs, remarks = lake.read_legs(out)
    races = races_of(legs)
    if not races:
        raise NothingMeasured(
            out,
            "no race",
            "a session with a [[race]] in its session.toml",
            "`batontrace template` shows one; then measure that session",
            list(remarks),
        )
    stories = tuple(_tell_race(found, rows, settings, flat_s or {}) for rows in races)
    tables = {"race_parts": race_parts_table(stories)}
    _write_tables(found, tables, settings, write, None, {"flat_s": dict(flat_s or {})})
    return RaceDecisions(stories, tables, (*found.remarks, *remarks))


def _tell_race(
    found: Lake, rows: Mapping[int, TableRow], settings: Settings, flat_s: Mapping[str, float]
) -> RaceStory:
    """One race's parts, with what was to be expected where the lake tells it."""
    first = rows[min(rows)]
    own = found.exchanges.filter(pc.equal(found.exchanges["session"], first["session"]))
    parts = measured_parts(rows, own.to_pylist())
    story = RaceStory(
        first["session"], first["race"], first["event"], first["lane"], rows, tuple(parts)
    )
    begin = next((row["start_utc"] for _, row in sorted(rows.items()) if row["start_utc"]), None)
    if begin is None:
        return replace(story, remarks=("its start is not known: nothing to compare with",))
    earlier = found.exchanges.filter(pc.less(found.exchanges["zero_utc"], pa.scalar(begin)))
    earlier, remarks = at_full_speed(earlier)
    asked = replace(settings, event=story.event, team=story.team, race=True)
    try:
        if not earlier.num_rows:
            raise UsageError("before the race", "no takeover", "some practice before it")
        advice = _advise_still(replace(found, exchanges=earlier), asked)
        flat = {name: flat_s[name] for name in story.team if name in flat_s}
        expected = gather_legs(advice, story.lane or 4, flat or None)
        basis = rows.get(1, {}).get("start_basis") or rows.get(0, {}).get("start_basis")
        told = add_expected(parts, expected, story.team, basis, settings.seed)
    except (UsageError, NothingMeasured) as err:
        return replace(story, remarks=(*remarks, f"nothing to compare with: {err}"))
    return replace(story, parts=tuple(told), remarks=remarks)


def gather_card_facts(found: MarkDecisions) -> tuple[CardFacts, ...]:
    """What the card needs to know of each event besides the tables."""
    return tuple(
        _card_facts(one, one.settings.team or None, found.newest_days[one.squad.event])
        for one in found.advices
    )


def gather_race_card(found: OrderDecisions) -> tuple[CardFacts, dict[str, pa.Table]]:
    """What the card of the first order's race needs: its facts, the order as their `team`, and the
    tables `marks` and `runners`."""
    tables = {"marks": marks_table([found.advice]), "runners": found.tables["runners"]}
    return _card_facts(found.advice, found.orders.names(), found.newest_day), tables


def _newest_day(found: Lake, event: str) -> str:
    """The day of an event's newest takeover, by the practice sheet where its session has one: an
    evening past midnight in UTC is still the evening before."""
    own = found.exchanges.filter(pc.equal(found.exchanges["event"], event))
    last = own.select(["zero_utc", "date"]).take([own.num_rows - 1]).to_pylist()[0]
    return last["date"] or f"{last['zero_utc']:%Y-%m-%d}"


def _card_facts(advice: Advice, team: tuple[str, ...] | None, day: str) -> CardFacts:
    return CardFacts(
        event=advice.squad.event,
        team=team,
        date=day,
        in_use=_marks_in_use(advice.squad),
        zone_m=advice.conditions.zone_m,
    )


def _marks_in_use(squad: Squad) -> dict[tuple[str, str], float]:
    """Each pair's last mark, metres before the back line; the reps are in time order."""
    reps, names = squad.reps, squad.reps.runners
    return {
        (names[i], names[j]): float(mark)
        for i, j, mark in zip(reps.incoming, reps.outgoing, reps.mark_m, strict=True)
        if np.isfinite(mark)
    }


def _read_full_speed(out: Out) -> Lake:
    """The lake without what was not run at full speed, and remarks on that."""
    found = lake.read_lake(out)
    kept, remarks = at_full_speed(found.exchanges)
    if found.exchanges.num_rows and not kept.num_rows:
        raise NothingMeasured(
            out,
            f"{count(found.exchanges.num_rows, 'takeover')}, none at full speed",
            "some at full speed: build-ups and exercises never serve advice",
            "see effort, drill and use in the practice sheets",
            list(remarks),
        )
    return replace(found, exchanges=kept, remarks=(*found.remarks, *remarks))


# --- from the lake to the advice ------------------------------------------------------------


def find_events(found: Lake) -> list[str]:
    """The events of a lake, the most practised first.

    Raises NothingMeasured where it holds no takeover.
    """
    events = rank_events(found.exchanges)
    if not events:
        raise NothingMeasured(
            found.place, "no takeover", "sessions with takeovers", "process one with --out"
        )
    return events


def find_squads(found: Lake, settings: Settings) -> list[Squad]:
    """The squad of each event in the lake, or of the one asked for.

    Raises NothingMeasured where the lake holds no takeover, UsageError where it holds none of the
    event or the team asked for, or no takeover of a runner who is named.
    """
    events = find_events(found)
    if settings.event is not None and settings.event not in events:
        raise UsageError(
            f"event {settings.event}",
            f"no takeover of it in {found.place}",
            one_of(events),
        )
    wanted = [settings.event] if settings.event is not None else events
    _require_known(found, settings.team, "team")
    _require_known(found, settings.feet_m, "foot-length")
    gathered = [gather_reps(found.exchanges, found.curves, event) for event in wanted]
    if settings.team:
        here = sorted({name for one in gathered for name in one.runners})
        gathered = [one for one in gathered if set(one.runners) & set(settings.team)]
        if not gathered:
            raise UsageError(
                f"team {', '.join(settings.team)}",
                f"nobody of it has a takeover of the {' or '.join(wanted)} in {found.place}",
                f"some of {', '.join(here)}",
            )
    return [
        estimate_squad(
            one,
            team=settings.team,
            feet_m=settings.feet_m,
        )
        for one in gathered
    ]


def _require_known(found: Lake, names: Iterable[str], what: str, *, in_pair: bool = False) -> None:
    """Raises UsageError where a runner has no takeover in the lake, and names those meant.

    A misspelt name would otherwise get the marks of the squad's mean.
    """
    columns = (found.exchanges.column(name) for name in ("incoming", "outgoing"))
    known = {name for column in columns for name in column.unique().to_pylist()}
    for name in names:
        if known and name not in known:
            raise UsageError(
                what,
                f"{name} has no takeover at full speed in {found.place}",
                f"two runners, each {one_of(known, name)}" if in_pair else one_of(known, name),
                did_you_mean(name, known),
            )


def advise_lake(found: Lake, settings: Settings, progress: Progress | None = None) -> list[Advice]:
    """The marks of each event in the lake, or of the one asked for; raises as `find_squads`."""
    squads = find_squads(found, settings)
    return [advise_squad(squad, settings, progress=progress) for squad in squads]


# --- parts of the tables ----------------------------------------------------------------------


def _tell_causes(
    found: Lake, advices: Sequence[Advice]
) -> tuple[list[Verdict], dict[str, pa.Table]]:
    """The verdict on each takeover, and the tables `causes` and `verdicts`."""
    losses = find_causes(found.exchanges, advices)
    verdicts = judge_takeovers(losses)
    return verdicts, {"causes": causes_table(losses), "verdicts": verdicts_table(verdicts)}


def _progress_of_events(
    found: Lake, advices: Sequence[Advice], backtests: Sequence[BackTest] = ()
) -> pa.Table:
    """The rows of the table `progress` of the pairs advised: all, or those of the team."""
    parts = []
    for advice, backtest in zip_longest(advices, backtests):
        parts.append(
            progress_table(
                found.exchanges,
                event=advice.squad.event,
                known=_mark_knowledge(advice),
                foretold=None if backtest is None else backtest.of_pairs(),
            )
        )
    rows = pa.concat_tables(parts)
    team = advices[0].settings.team
    return _rows_within(rows, team) if team else rows


def _rows_within(pairs: pa.Table, team: Sequence[str]) -> pa.Table:
    """The rows of a table of pairs in which both runners are of the team."""
    own = (pc.is_in(pairs[role], pa.array(team, pa.string())) for role in ("incoming", "outgoing"))
    return pairs.filter(pc.and_(*own))


def _mark_knowledge(advice: Advice) -> dict[tuple[str, str], MarkKnowledge]:
    return {
        (pair.incoming, pair.outgoing): MarkKnowledge(pair.best.mark_sd_m, pair.practice_gain_s)
        for pair in advice.pairs
    }


def _scope_of(settings: Settings, squads: Sequence[Squad]) -> Scope | None:
    """The part of the tables that was asked for; None for all of them."""
    if settings.event is None and not settings.team:
        return None
    return Scope(tuple(one.event for one in squads), settings.team)


def _write_tables(
    found: Lake,
    tables: Mapping[str, pa.Table],
    settings: Settings,
    write: bool,
    scope: Scope | None,
    more: Mapping[str, object] | None = None,
) -> tuple[str, ...]:
    """Write the tables where that is asked for; remarks on rows of earlier runs that were kept."""
    if not write:
        return ()
    record = lake.lake_provenance(found, {**asdict(settings), **(more or {})}, sys.argv)
    if scope is not None:
        return write_part(found.place, tables, record, scope)
    lake.write_decisions(found.place, tables, record)
    return ()
