"""How each pair goes over the weeks: levels, trends, what moving the mark did, what was foretold.

The table `progress`, by the model in `trend`. Reps less than `backtest.NIGHT_S` apart are of one
day, whatever the time zone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from pipeline.advise.backtest import Foretold, number_days
from pipeline.advise.trend import (
    PairFit,
    Series,
    SquadFit,
    day_likeness,
    fit_series,
    fit_squad,
    legal_share,
    legal_trend,
    weeks_before_last,
)
from pipeline.base import defaults
from pipeline.base.relays import is_blind
from pipeline.base.values import Estimate, Floats, Frozen, Ints
from pipeline.errors import InputError
from pipeline.tables import schema

RunnerPair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class _Figure:
    """A figure that is followed. `usual` is its rep-to-rep spread in common practice, the middle
    of a wide belief; `words` is what people call it."""

    column: str
    usual: float
    words: str


ZONE_TIME_FIGURE = _Figure("zone_time_s", 0.08, "zone time")
LAG_FIGURE = _Figure("go_lag_s", 0.04, "start")
FREE_DISTANCE_FIGURE = _Figure("free_distance_m", 0.15, "gap")
REPORTED_FIGURES = (ZONE_TIME_FIGURE, LAG_FIGURE, FREE_DISTANCE_FIGURE)


@dataclass(frozen=True, slots=True)
class MarkKnowledge:
    """What the model of the marks says of a pair: the standard error of its best mark [m], and how
    much less would be lost at it, on the mean, if everything about the two were known [s]."""

    mark_sd_m: float
    practice_gain_s: float


def progress_table(
    exchanges: pa.Table,
    *,
    event: str | None = None,
    foot_m: float = defaults.FOOT_M,
    known: Mapping[RunnerPair, MarkKnowledge] | None = None,
    foretold: Mapping[RunnerPair, Foretold] | None = None,
) -> pa.Table:
    """The table `progress`: one row an ordered pair with a takeover, by event and names.

    `exchanges`: all sessions' (columns of schemas/exchanges.json, any order of rows); `event`: only
    that one. `foot_m`: foot-length where the table has none. Spreads are pooled within an event.

    Levels are those at the pair's last day with the figure; trends are per week and need two days.
    `p_in_zone` is the share over all its takeovers, its trend that at their middle. Marks within
    half a foot-length of the one first used are the same mark. Changes compare the reps on the
    last mark with those on the one just before it; a trend that goes on anyway is part of them.

    `known` and `foretold`, by (incoming, outgoing): what the model of the marks and the back-test
    say of a pair; null without them, and in a change by sight.

    A value outside the schema's bounds is null, with a remark. Raises InputError where
    `exchanges` lacks a column.
    """
    columns: dict[str, list[Any]] = {name: [] for name in schema.facts("progress").names}
    for name in sorted(set(_column(exchanges, "event").to_pylist())):
        if event is None or name == event:
            squad = _gather_event(exchanges, name, foot_m)
            for row in _progress_rows(squad, known or {}, foretold or {}):
                for key, values in columns.items():
                    values.append(row.get(key))
    return schema.conform("progress", columns)


# --- one event's takeovers, as arrays ----------------------------------------------------


@dataclass(frozen=True, eq=False)
class _EventReps(Frozen):
    """One event's takeovers in time order, (n,) each, NaN where not known.

    `pair` indexes `pairs`; `day` counts practice days; `us` are microseconds since 1970.
    `legal`: probability of a pass in the zone, 0 where there was none, NaN where unclear.
    """

    event: str
    pairs: tuple[RunnerPair, ...]
    pair: Ints
    day: Ints
    us: Ints
    session: tuple[str, ...]
    values: dict[str, tuple[Floats, Floats]]
    mark_m: Floats
    legal: Floats
    foot_m: Floats  # (pairs,)


def _column(table: pa.Table, name: str) -> pa.ChunkedArray:
    if name not in table.column_names:
        raise InputError("exchanges", f"no column {name}", "the columns of schemas/exchanges.json")
    return table.column(name)


def _gather_event(exchanges: pa.Table, event: str, foot_m: float) -> _EventReps:
    words = {
        name: np.array(_column(exchanges, name).to_pylist(), dtype=object)
        for name in ("event", "session", "incoming", "outgoing", "outcome")
    }
    us = np.asarray(_column(exchanges, "zero_utc").cast(pa.int64()).to_numpy(), dtype=np.int64)
    number = np.asarray(_column(exchanges, "exchange").to_numpy(), dtype=np.int64)
    rows = [i for i, name in enumerate(words["event"]) if name == event]
    # one order whatever the order of rows, down to the last bit of every sum
    rows.sort(key=lambda i: (us[i], words["session"][i], number[i], words["incoming"][i],
                             words["outgoing"][i]))  # fmt: skip
    at = np.array(rows, dtype=np.intp)

    def numbers(name: str) -> Floats:
        column = _column(exchanges, name).cast(pa.float64())
        return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)[at]

    pairs = tuple(sorted({(words["incoming"][i], words["outgoing"][i]) for i in rows}))
    index = {pair: k for k, pair in enumerate(pairs)}
    pair = np.array([index[words["incoming"][i], words["outgoing"][i]] for i in rows], np.intp)
    values = {
        kind.column: (numbers(kind.column), numbers(schema.sd_column("exchanges", kind.column)))
        for kind in (ZONE_TIME_FIGURE, FREE_DISTANCE_FIGURE)
    }
    lag_sd = np.hypot(numbers("go_t_sd_s"), numbers("mark_t_sd_s"))
    values[LAG_FIGURE.column] = (numbers(LAG_FIGURE.column), lag_sd)
    outcome = words["outcome"][at]
    handed = (outcome == "passed") | np.isfinite(numbers("pass_t_s"))  # in the zone or not
    legal = np.where(handed, numbers("p_in_zone"), np.nan)
    feet = np.full(len(pairs), foot_m)
    if "foot_m" in exchanges.column_names:
        for k, foot in zip(pair, numbers("foot_m"), strict=True):  # the newest says
            feet[k] = foot if np.isfinite(foot) else feet[k]
    return _EventReps(
        event=event,
        pairs=pairs,
        pair=pair,
        day=number_days(us[at] / 1e6),
        us=us[at],
        session=tuple(words["session"][at]),
        values=values,
        mark_m=numbers("mark_m"),
        legal=np.where(outcome == "not passed", 0.0, legal),
        foot_m=feet,
    )


# --- one row a pair ----------------------------------------------------------------------


def _progress_rows(
    squad: _EventReps,
    known: Mapping[RunnerPair, MarkKnowledge],
    foretold: Mapping[RunnerPair, Foretold],
) -> list[dict[str, Any]]:
    members = [np.flatnonzero(squad.pair == k) for k in range(len(squad.pairs))]
    runs = [_mark_runs(squad.mark_m[at], squad.foot_m[k] / 2.0) for k, at in enumerate(members)]
    fitted = {
        kind: fit_squad([_pair_series(squad, kind, at) for at in members], kind.usual)
        for kind in REPORTED_FIGURES
    }
    judged = [at[np.isfinite(squad.legal[at])] for at in members]
    alike = day_likeness([(squad.legal[at], squad.day[at]) for at in judged])
    rows = []
    for k, at in enumerate(members):
        pair, sessions = squad.pairs[k], {squad.session[i] for i in at}
        row: dict[str, Any] = {
            "incoming": pair[0],
            "outgoing": pair[1],
            "event": squad.event,
            "reps": len(at),
            "sessions": len(sessions),
            "first_utc": squad.us[at[0]] / 1e6,
            "last_utc": squad.us[at[-1]] / 1e6,
        }
        remarks = []
        days = len(set(squad.day[at]))
        if len(at) == 1:
            remarks.append("one takeover only: how it spreads is taken from the squad")
        if days == 1:
            remarks.append("all on one day: no trend")
        elif days == 2:
            remarks.append("the trend rests on two days")
        for kind in REPORTED_FIGURES:
            if kind is LAG_FIGURE and not is_blind(squad.event) and fitted[kind].pairs[k] is None:
                continue  # no mark, no lag: said once, below
            remarks += _put_levels(row, kind, fitted[kind].pairs[k], days)
        remarks += _put_legal_share(row, squad, at, alike)
        remarks += _put_changes(row, squad, at, runs[k], fitted, alike)
        if is_blind(squad.event):
            _put_model(row, known.get(pair), foretold.get(pair))
        row, vague = schema.keep_bounds("progress", row)
        if vague:
            remarks.append(f"too uncertain to be given: {', '.join(one.column for one in vague)}")
        row["remarks"] = remarks
        rows.append(row)
    return rows


def _pair_series(squad: _EventReps, kind: _Figure, at: Ints) -> Series | None:
    """A pair's figure over its reps `at`, with a trend where it has days; None where no rep has
    the figure."""
    y, sd = squad.values[kind.column]
    at = at[np.isfinite(y[at]) & np.isfinite(sd[at])]
    if not len(at):
        return None
    weeks = weeks_before_last(squad.us[at], squad.day[at])
    ones = np.ones(len(at))
    x = np.column_stack([ones, weeks]) if weeks.min() < 0 else ones[:, None]
    return Series(y[at], sd[at], squad.day[at], x)


def _put_estimate(row: dict[str, Any], column: str, value: Estimate) -> None:
    row[column] = float(value.value)
    row[schema.sd_column("progress", column)] = float(value.sd)


def _put_levels(row: dict[str, Any], kind: _Figure, one: PairFit | None, days: int) -> list[str]:
    if one is None:
        return [f"no {kind.words} measured"]
    _put_estimate(row, kind.column, one.estimates[0])
    if len(one.estimates) == 2:
        stem, unit = kind.column.rsplit("_", 1)
        _put_estimate(row, f"{stem}_trend_{unit}", one.estimates[1])
    elif days > 1:
        return [f"{kind.words} on one day only: no trend of it"]
    return []


def _put_legal_share(row: dict[str, Any], squad: _EventReps, at: Ints, alike: float) -> list[str]:
    at = at[np.isfinite(squad.legal[at])]
    if not len(at):
        return ["no takeover says whether it lay in the zone"]
    legal, day = squad.legal[at], squad.day[at]
    _put_estimate(row, "p_in_zone", legal_share(legal, day, alike))
    weeks = weeks_before_last(squad.us[at], day)
    if weeks.min() < 0:
        _put_estimate(row, "p_in_zone_trend", legal_trend(legal, day, weeks, alike))
    return []


def _put_changes(
    row: dict[str, Any],
    squad: _EventReps,
    at: Ints,
    runs: list[Ints],
    fitted: Mapping[_Figure, SquadFit],
    alike: float,
) -> list[str]:
    if not is_blind(squad.event) and not runs:
        return ["changed by sight: no check mark"]
    if not runs:
        return ["no check mark written"]
    after = at[runs[-1]]
    row["mark_m"] = float(squad.mark_m[after[-1]])
    row["mark_since_utc"] = squad.us[after[0]] / 1e6
    if len(runs) == 1:
        return ["the mark was never moved"]
    before = at[runs[-2]]
    row["reps_since_move"] = len(after)
    both = np.concatenate([before, after])
    moved = np.concatenate([np.zeros(len(before)), np.ones(len(after))])
    remarks = []
    for kind, name in ((ZONE_TIME_FIGURE, "zone_time_change_s"), (LAG_FIGURE, "go_lag_change_s")):
        y, sd = (a[both] for a in squad.values[kind.column])
        ok = np.isfinite(y) & np.isfinite(sd)
        if len(set(moved[ok])) < 2:
            remarks.append(f"{kind.column} not on both marks: no change of it")
            continue
        x = np.column_stack([np.ones(int(ok.sum())), moved[ok]])
        series = Series(y[ok], sd[ok], squad.day[both][ok], x)
        one = fit_series([series], fitted[kind].grid, [fitted[kind].prior_of(squad.pair[at[0]])])[0]
        _put_estimate(row, name, one.estimates[1])
    shares = []
    for part in (before, after):
        part = part[np.isfinite(squad.legal[part])]
        if len(part):
            shares.append(legal_share(squad.legal[part], squad.day[part], alike))
    if len(shares) == 2:
        change = shares[1].value - shares[0].value
        _put_estimate(
            row, "p_in_zone_change", Estimate(change, math.hypot(shares[0].sd, shares[1].sd))
        )
    else:
        remarks.append("share of legal passes not on both marks: no change of it")
    return remarks


def _mark_runs(mark_m: Floats, same_m: float) -> list[Ints]:
    """Places of the reps on one mark after the other; a mark is new beyond `same_m` from the first
    of the run. Reps without a mark belong to none."""
    runs: list[list[int]] = []
    for i in np.flatnonzero(np.isfinite(mark_m)):
        # a hair more than half a foot: 13.15 - 13.0 is not 0.15 in binary
        if not runs or abs(mark_m[i] - mark_m[runs[-1][0]]) > same_m + 1e-9:
            runs.append([])
        runs[-1].append(int(i))
    return [np.array(run, dtype=np.intp) for run in runs]


def _put_model(row: dict[str, Any], known: MarkKnowledge | None, foretold: Foretold | None) -> None:
    if known is not None:
        row["mark_sd_m"] = known.mark_sd_m
        row["practice_gain_s"] = known.practice_gain_s
    if foretold is not None:
        row["foretold"] = foretold.takeovers
        row["p_foretold"] = foretold.p_in_zone
        row["p_foretold_held"] = foretold.p_held
        row["foretold_z"] = foretold.z
