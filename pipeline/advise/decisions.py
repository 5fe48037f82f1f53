"""From a lake of tables to decisions: the one place where reading, advising and writing meet.

Each function reads OUT, works out its tables and, unless told otherwise, writes them back:
`runners` with all of them, since everything rests on it.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, TypedDict

import pyarrow as pa

from pipeline.advise import marks as mark_advice
from pipeline.advise import orders as order_advice
from pipeline.advise import progress as over_time
from pipeline.advise import runners as runner_advice
from pipeline.advise import takeovers
from pipeline.advise.marks import Advice, Settings
from pipeline.advise.orders import Orders, Reserve
from pipeline.advise.progress import Lack
from pipeline.errors import UsageError
from pipeline.tables import lake
from pipeline.tables.lake import Lake

ORDERS_KEPT = 1000  # rows of the table `orders`: the fastest


@dataclass(frozen=True, eq=False)
class MarkDecisions:
    """What `marks` worked out: the advice of each event, its tables, what to know of the lake."""

    advices: tuple[Advice, ...]
    tables: Mapping[str, pa.Table]
    lacks: tuple[Lack, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Wishes:
    """Who may run where: legs given, legs forbidden, the only hand that can carry the baton."""

    fixed: Mapping[str, int]
    forbidden: tuple[tuple[str, int], ...] = ()
    hands: Mapping[str, str] | None = None


@dataclass(frozen=True, eq=False)
class OrderDecisions:
    """What `order` worked out."""

    advice: Advice
    orders: Orders
    reserves: tuple[Reserve, ...]
    tables: Mapping[str, pa.Table]
    remarks: tuple[str, ...]


def decide_runners(out: Path, settings: Settings, *, write: bool = True) -> MarkDecisions:
    """The table `runners` of a lake."""
    found = lake.read(out)
    squads = mark_advice.find_squads(found, settings)
    tables = {"runners": runner_advice.runners_table(squads)}
    _write_tables(found, tables, settings, write)
    return MarkDecisions((), tables, (), found.remarks)


def decide_marks(
    out: Path, settings: Settings, *, pair: tuple[str, str] | None = None, write: bool = True
) -> MarkDecisions:
    """The tables `marks`, `runners` and `progress`, for each event or the one asked for.

    Raises UsageError, before anything is written, where there are no marks for `pair`.
    """
    found = lake.read(out)
    advices = mark_advice.advise_lake(found, settings)
    if pair is not None and not any(
        (one.incoming, one.outgoing) == pair for advice in advices for one in advice.pairs
    ):
        raise UsageError(
            f"pair {pair[0]} to {pair[1]}", "no marks for it", "two runners of the team in OUT"
        )
    tables = {
        "runners": runner_advice.runners_table([one.squad for one in advices]),
        "marks": mark_advice.marks_table(advices),
        "progress": _progress_tables(found, advices),
    }
    _write_tables(found, tables, settings, write)
    said = [f"{one.squad.event}: {text}" for one in advices for text in one.remarks]
    return MarkDecisions(
        tuple(advices), tables, _find_all_lacks(advices, tables), (*found.remarks, *said)
    )


class CardFacts(TypedDict):
    """What a card needs to know besides the tables; see `show.card.trackside.card`."""

    event: str
    team: tuple[str, ...] | None
    date: str
    wished: float
    short: list[tuple[str, str]]
    few_reps: int


def card_facts(found: MarkDecisions) -> CardFacts:
    """The card of the first event: its team, the newest practice, the pairs that miss the risk."""
    advice = found.advices[0]
    wished = 1.0 - advice.settings.risk
    return {
        "event": advice.squad.event,
        "team": advice.settings.team or None,
        "date": takeovers.utc_datetime(float(advice.squad.reps.utc_s.max())).date().isoformat(),
        "wished": wished,
        "short": [
            (pair.incoming, pair.outgoing) for pair in advice.pairs if pair.at("p_in_time") < wished
        ],
        "few_reps": mark_advice.FEW_REPS,
    }


def decide_progress(out: Path, settings: Settings, *, write: bool = True) -> MarkDecisions:
    """The table `progress`; how well marks are known comes from the marks' own model."""
    found = lake.read(out)
    advices = mark_advice.advise_lake(found, settings)
    tables = {"progress": _progress_tables(found, advices)}
    _write_tables(found, tables, settings, write)
    return MarkDecisions(tuple(advices), tables, _find_all_lacks(advices, tables), found.remarks)


def decide_order(
    out: Path,
    settings: Settings,
    wishes: Wishes,
    *,
    lane: int = 4,
    flat_s: Mapping[str, float] | None = None,
    write: bool = True,
) -> OrderDecisions:
    """The table `orders` of one event: the lake's most practised one unless `settings` name it."""
    found = lake.read(out)
    if settings.event is None:
        settings = replace(settings, event=mark_advice.find_events(found)[0])
    advice = mark_advice.advise_lake(found, settings)[0]
    known = order_advice.gather_legs(advice, lane, flat_s)
    given: dict[str, Any] = {
        "fixed": wishes.fixed,
        "forbidden": wishes.forbidden,
        "hands": wishes.hands,
        "seed": settings.seed,
    }
    ranked = order_advice.rank_orders(known, **given)
    reserves = order_advice.find_reserves(known, ranked, **given)
    tables = {
        "runners": runner_advice.runners_table([advice.squad]),
        "orders": order_advice.orders_table(ranked, ORDERS_KEPT),
    }
    more = {"lane": lane, "flat_s": dict(flat_s or {}), **asdict(wishes)}
    _write_tables(found, tables, settings, write, more)
    return OrderDecisions(advice, ranked, reserves, tables, (*found.remarks, *advice.remarks))


def _progress_tables(found: Lake, advices: Sequence[Advice]) -> pa.Table:
    parts = []
    for advice in advices:
        known = _mark_errors(advice)
        blind = advice.squad.reps.blind
        parts.append(
            over_time.progress_table(
                found.exchanges,
                event=advice.squad.event,
                mark_sd_m={pair: sd for pair, (sd, _) in known.items()} if blind else None,
                mark_spread_m={pair: s for pair, (_, s) in known.items()} if blind else None,
            )
        )
    return pa.concat_tables(parts)


def _mark_errors(advice: Advice) -> dict[tuple[str, str], tuple[float, float]]:
    """Standard error and spread of each pair's mark, metres."""
    return {
        (pair.incoming, pair.outgoing): (pair.at("mark_sd_m"), pair.at("mark_spread_m"))
        for pair in advice.pairs
    }


def _find_all_lacks(advices: Sequence[Advice], tables: Mapping[str, pa.Table]) -> tuple[Lack, ...]:
    return tuple(
        lack
        for advice in advices
        if advice.squad.reps.blind
        for lack in over_time.find_lacks(
            tables["progress"],
            advice.settings.team or advice.squad.runners,
            event=advice.squad.event,
            known=_mark_errors(advice),
        )
    )


def _write_tables(
    found: Lake,
    tables: Mapping[str, pa.Table],
    settings: Settings,
    write: bool,
    more: Mapping[str, object] | None = None,
) -> None:
    if write:
        said = {**asdict(settings), **(more or {})}
        lake.write(found.path, tables, lake.provenance(found, said, sys.argv))
