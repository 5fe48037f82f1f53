"""How each pair goes over the weeks: levels, trends, what moving the mark did, what is lacking.

The model of a figure y (zone time, lag, free distance) at rep i of one pair on practice day d:

    y_i = x_i b + u_d + e_i + m_i,   u_d ~ N(0, (r s)^2),  e_i ~ N(0, s^2),  m_i ~ N(0, sd_i^2)

`x_i b` is a level and, with reps on two days, a trend in weeks; u is what the reps of one day have
in common, so that ten of them are not ten independent ones; e is the spread from rep to rep; m the
row's own standard error. Nothing is known exactly about s and r: both are integrated out on a grid
by their restricted likelihood (Patterson & Thompson, Biometrika 58, 1971, 545-554), s with the
squad's as its prior, learned from the other pairs (a pair's log s lies within `ALIKE` of the
squad's), r one for the squad. What comes out is the mean of that mixture and its standard
deviation, which is wider than a plain least-squares error where reps are few.

Collisions and other bad reps stay in, bounded: residuals beyond `HUBER` spreads are pulled in to
there, by pseudo-values (Huber & Ronchetti, Robust Statistics, 2nd ed. 2009, ch. 7; from memory).

Reps less than `NIGHT_S` apart are of one day, whatever the time zone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from scipy.special import betaln

from pipeline.base import defaults
from pipeline.base.relays import is_blind
from pipeline.base.units import WEEK_S
from pipeline.base.values import Estimate, Floats, Frozen, Ints
from pipeline.errors import InputError
from pipeline.tables import schema

RunnerPair = tuple[str, str]
Estimates = tuple[Estimate, ...]

NIGHT_S = 10 * 3600.0  # a longer pause is a night
START_SPREAD_S = 0.04  # rep-to-rep spread of a receiver's start, assumed (common practice)

HUBER = 2.0
HUBER_SLOPE = math.erf(
    HUBER / math.sqrt(2.0)
)  # mean slope of the bounding function for normal residuals
FIT_ROUNDS = 20
FIT_SETTLED = 1e-3  # spreads by which no fitted value moves any more

# Beliefs about spreads, weak: a squad with a dozen reps has forgotten them.
SPREAD_BELIEF = 0.6  # standard deviation of the log of the squad's spread about the usual one
PAIRS_ALIKE = 0.35  # ... of a pair's about the squad's: spreads differ by about a third
DAYS_BELIEF = 0.85  # scale of the half-normal of r: days rarely differ much more than reps
LOG_STEP = 0.3  # of the grid in log s
LOG_STEPS = 8  # either way from the usual spread: to a tenth and to ten times it
DAY_RATIOS = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 1.4, 1.9, 2.6])

# The share of legal passes.
ALIKE_REPS = np.array([0.002, 0.03, 0.07, 0.12, 0.2, 0.3, 0.45])  # correlation within a day
ALIKE_REPS_MEAN = 0.1  # of its exponential prior
LOGIT_SLOPE = 2.5  # over two standard deviations of the days


@dataclass(frozen=True, slots=True)
class _Figure:
    """A figure that is followed. `usual` is its rep-to-rep spread in common practice, the middle
    of a wide belief; `words` say what is missing where it is."""

    column: str
    usual: float
    words: str


ZONE_TIME_FIGURE = _Figure("zone_time_s", 0.08, "no zone time measured")
LAG_FIGURE = _Figure("go_lag_s", 0.04, "no lag measured")
FREE_DISTANCE_FIGURE = _Figure("free_distance_m", 0.15, "no free distance measured")
ENTRY_SPEED_FIGURE = _Figure("v_in_entry_mps", 0.15, "")
REPORTED_FIGURES = (ZONE_TIME_FIGURE, LAG_FIGURE, FREE_DISTANCE_FIGURE)


@dataclass(frozen=True, slots=True)
class Lack:
    """An ordered pair whose race mark is not settled. `reps` it has; `reps_needed` further ones
    until its mark is known to half a foot-length, None where nothing says how many."""

    incoming: str
    outgoing: str
    event: str
    reps: int
    reps_needed: int | None


def progress_table(
    exchanges: pa.Table,
    *,
    event: str | None = None,
    foot_m: float = defaults.FOOT_M,
    start_spread_s: float = START_SPREAD_S,
    mark_sd_m: Mapping[RunnerPair, float] | None = None,
    mark_spread_m: Mapping[RunnerPair, float] | None = None,
) -> pa.Table:
    """The table `progress`: one row an ordered pair with a takeover, by event and names.

    `exchanges`: all sessions' (columns of schemas/exchanges.json, any order of rows); `event`: only
    that one. `foot_m`: foot-length where the table has none. Spreads are pooled within an event.

    Levels are those at the pair's last day with the figure; trends are per week and need two days.
    `p_in_zone` is the share over all its takeovers, its trend that at their middle. Marks within
    half a foot-length of the one first used are the same mark. Changes compare the reps on the
    last mark with those on the one just before it; a trend that goes on anyhow is in them.

    The right mark differs from rep to rep by about

        sqrt( v^2 (lag_spread^2 + start_spread^2) + (t v_spread)^2 ),

    v the speed at the entry line, t the time from mark to pass (the closed form of
    `laws.closed_form_mark_m`, differentiated). `mark_sd_m` and `mark_spread_m` by (incoming,
    outgoing), from a better model, take the place of it.

    What would lie outside the schema's bounds is null, with a remark. Raises InputError where
    `exchanges` lacks a column.
    """
    columns: dict[str, list[Any]] = {name: [] for name in schema.facts("progress").names}
    for name in sorted(set(_column(exchanges, "event").to_pylist())):
        if event is None or name == event:
            squad = _gather_event(exchanges, name, foot_m)
            better = (dict(mark_sd_m or {}), dict(mark_spread_m or {}))
            for row in _progress_rows(squad, start_spread_s, *better):
                for key, values in columns.items():
                    values.append(row.get(key))
    return schema.conform("progress", columns)


def find_lacks(
    table: pa.Table,
    team: Sequence[str] = (),
    *,
    event: str = "4x100",
    foot_m: float = defaults.FOOT_M,
    known: Mapping[RunnerPair, tuple[float, float]] | None = None,
) -> tuple[Lack, ...]:
    """The pairs of a `progress` table whose race mark is not known to half a foot-length.

    With a `team`: its ordered pairs only, those never tried too; they need what `known` (a mark's
    standard error and spread, m) makes of it, else what the other pairs needed in all (median).
    The longest way off first, never tried and unknown ones before all.
    Empty for an event without check marks.
    """
    if not is_blind(event):
        return ()
    found: dict[RunnerPair, tuple[int, int | None]] = {}
    wanted = []
    for row in table.to_pylist():
        if row["event"] != event:
            continue
        needed, sd = row["reps_needed"], row["mark_sd_m"]
        found[row["incoming"], row["outgoing"]] = (row["reps"], needed)
        if needed and sd and sd > foot_m / 2.0:
            # needed = all - n and sd^2 / (foot / 2)^2 = all / n
            wanted.append(needed / (1.0 - (foot_m / 2.0 / sd) ** 2))
    usual = math.ceil(float(np.median(wanted))) if wanted else None
    pairs = [(a, b) for a in team for b in team if a != b] if team else list(found)
    lacks = []
    for pair in dict.fromkeys(pairs):
        reps, needed = found.get(pair, (0, usual))
        if pair not in found and known and pair in known:
            sd, spread = known[pair]
            needed = _further_reps(spread, foot_m / 2.0, (spread / sd) ** 2 if sd > 0 else math.inf)
        if needed != 0:
            lacks.append(Lack(*pair, event, reps, needed))
    return tuple(sorted(lacks, key=_longest_way_first))


def _longest_way_first(lack: Lack) -> tuple[bool, float, str, str]:
    needed = math.inf if lack.reps_needed is None else lack.reps_needed
    return lack.reps > 0, -needed, lack.incoming, lack.outgoing


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
    run_in_s: Floats  # from mark to pass
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
        for kind in (ZONE_TIME_FIGURE, FREE_DISTANCE_FIGURE, ENTRY_SPEED_FIGURE)
    }
    lag_sd = np.hypot(numbers("go_t_sd_s"), numbers("mark_t_sd_s"))
    values[LAG_FIGURE.column] = (numbers(LAG_FIGURE.column), lag_sd)
    outcome = words["outcome"][at]
    legal = np.where(outcome == "passed", numbers("p_in_zone"), np.nan)
    feet = np.full(len(pairs), foot_m)
    if "foot_m" in exchanges.column_names:
        for k, foot in zip(pair, numbers("foot_m"), strict=True):  # the newest says
            feet[k] = foot if np.isfinite(foot) else feet[k]
    return _EventReps(
        event=event,
        pairs=pairs,
        pair=pair,
        day=np.concatenate([[0], np.cumsum(np.diff(us[at]) > NIGHT_S * 1e6)]).astype(np.intp),
        us=us[at],
        session=tuple(words["session"][at]),
        values=values,
        mark_m=numbers("mark_m"),
        run_in_s=numbers("pass_t_s") - numbers("mark_t_s"),
        legal=np.where(outcome == "not passed", 0.0, legal),
        foot_m=feet,
    )


# --- one row a pair ----------------------------------------------------------------------


def _progress_rows(
    squad: _EventReps,
    start_spread_s: float,
    mark_sd_m: dict[RunnerPair, float],
    spread_m: dict[RunnerPair, float],
) -> list[dict[str, Any]]:
    members = [np.flatnonzero(squad.pair == k) for k in range(len(squad.pairs))]
    runs = [_mark_runs(squad.mark_m[at], squad.foot_m[k] / 2.0) for k, at in enumerate(members)]
    fitted = {kind: _fit(squad, kind, members) for kind in (*REPORTED_FIGURES, ENTRY_SPEED_FIGURE)}
    alike = _day_likeness(squad, members)
    right = _find_right_marks(
        squad, members, fitted[LAG_FIGURE], fitted[ENTRY_SPEED_FIGURE], start_spread_s
    )
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
        remarks += _put_mark_error(
            row, right[k], squad.foot_m[k] / 2.0, mark_sd_m.get(pair), spread_m.get(pair),
            is_blind(squad.event),
        )  # fmt: skip
        row, vague = schema.keep_bounds("progress", row)
        if vague:
            remarks.append(f"too uncertain to be given: {', '.join(one.column for one in vague)}")
        row["remarks"] = remarks
        rows.append(row)
    return rows


def _put_estimate(row: dict[str, Any], column: str, value: Estimate) -> None:
    row[column] = float(value.value)
    row[schema.sd_column("progress", column)] = float(value.sd)


def _put_levels(row: dict[str, Any], kind: _Figure, one: _Fitted | None, days: int) -> list[str]:
    if one is None:
        return [kind.words]
    _put_estimate(row, kind.column, one.estimates[0])
    if len(one.estimates) == 2:
        stem, unit = kind.column.rsplit("_", 1)
        _put_estimate(row, f"{stem}_trend_{unit}", one.estimates[1])
    elif days > 1:
        return [f"{kind.column} on one day only: no trend of it"]
    return []


def _put_legal_share(row: dict[str, Any], squad: _EventReps, at: Ints, alike: float) -> list[str]:
    at = at[np.isfinite(squad.legal[at])]
    if not len(at):
        return ["no takeover says whether it lay in the zone"]
    legal, day = squad.legal[at], squad.day[at]
    _put_estimate(row, "p_in_zone", _legal_share(legal, day, alike))
    weeks = _weeks_before_last(squad.us[at], day)
    if weeks.min() < 0:
        _put_estimate(row, "p_in_zone_trend", _legal_trend(legal, day, weeks, alike))
    return []


def _put_changes(
    row: dict[str, Any],
    squad: _EventReps,
    at: Ints,
    runs: list[Ints],
    fitted: Mapping[_Figure, _Fits],
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
        series = _Series(y[ok], sd[ok], squad.day[both][ok], x)
        one = _settle([series], fitted[kind].grid, [fitted[kind].prior_of(squad.pair[at[0]])])[0]
        _put_estimate(row, name, one.estimates[1])
    shares = []
    for part in (before, after):
        part = part[np.isfinite(squad.legal[part])]
        if len(part):
            shares.append(_legal_share(squad.legal[part], squad.day[part], alike))
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


# --- how well the mark is known ----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _RightMark:
    """What a pair's reps say of its right mark. `spread_m`: rep to rep, measuring error included,
    None where nobody in the squad has a lag; `reps`: independent reps' worth."""

    spread_m: float | None
    reps: float


def _find_right_marks(
    squad: _EventReps, members: list[Ints], lag: _Fits, entry: _Fits, start_spread_s: float
) -> list[_RightMark]:
    speeds = [one.estimates[0].value for one in entry.pairs if one is not None]
    speed = float(np.median(speeds)) if speeds else math.nan
    ok = np.isfinite(squad.run_in_s)
    usual_run = float(np.median(squad.run_in_s[ok])) if ok.any() else math.nan
    measured = [one.sd for one in lag.pairs if one is not None]
    out = []
    for k, at in enumerate(members):
        if not measured or not math.isfinite(speed) or not math.isfinite(usual_run):
            out.append(_RightMark(None, 0.0))
            continue
        one, run = lag.pairs[k], entry.pairs[k]
        v = run.estimates[0].value if run else speed
        v_spread = run.spread if run else entry.pooled_spread
        known = at[ok[at]]
        t = float(np.median(squad.run_in_s[known])) if len(known) else usual_run
        own = one.spread if one else lag.pooled_spread
        noise = one.sd if one else float(np.median(measured))
        in_time = math.sqrt(own**2 + start_spread_s**2 + noise**2)
        reps = 0.0 if one is None else _effective_reps(one.day_sizes, one.day_ratio**2)
        out.append(_RightMark(math.hypot(v * in_time, t * v_spread), reps))
    return out


def _put_mark_error(
    row: dict[str, Any],
    right: _RightMark,
    half_foot_m: float,
    sd_m: float | None,
    spread_m: float | None,
    blind: bool,
) -> list[str]:
    if not blind:
        return []
    spread = right.spread_m if spread_m is None else spread_m
    if sd_m is not None:
        row["mark_sd_m"] = sd_m
    elif spread and right.reps > 0:
        row["mark_sd_m"] = spread / math.sqrt(right.reps)
    if not spread:
        return ["how many takeovers would settle the mark cannot be said: no lags in the squad"]
    reps: float = right.reps
    if sd_m is not None:
        reps = (spread / sd_m) ** 2 if sd_m > 0 else math.inf
    row["reps_needed"] = _further_reps(spread, half_foot_m, reps)
    return []


def _further_reps(spread_m: float, wanted_m: float, reps: float) -> int:
    """Reps beyond `reps` until a mean of such a spread is known to `wanted_m`."""
    return math.ceil(max(0.0, (spread_m / wanted_m) ** 2 - reps - 1e-9))


def _effective_reps(day_sizes: Ints, day_variance: float) -> float:
    """Independent reps that tell as much of a mean as reps on days of those sizes, a day's common
    part having `day_variance` times the rep-to-rep variance (Kish, Survey Sampling, 1965, ch. 5,
    for sizes that differ): 1 / n_eff = 1 / n + day_variance * sum(m^2) / n^2."""
    n = float(day_sizes.sum())
    squares = float(np.square(day_sizes, dtype=np.float64).sum())
    return n / (1.0 + day_variance * squares / n)


# --- levels and trends -------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Series(Frozen):
    """One pair's figure: (n,) values, standard errors and days in time order; (n, k) regressors."""

    y: Floats
    sd: Floats
    day: Ints
    x: Floats


@dataclass(frozen=True, eq=False)
class _Grid(Frozen):
    """(E,) rep-to-rep spreads, (R,) day ratios, (E, R) log prior of the squad's; (E, E) log
    probability of a pair's spread (second) where the squad's is the first; (R,) ratios."""

    spread: Floats
    ratio: Floats
    log_prior: Floats
    log_alike: Floats


@dataclass(frozen=True, eq=False)
class _Fitted(Frozen):
    """`estimates` (k of them), `spread` rep to rep, `day_ratio` (root mean square), `sd` of one
    rep's measurement (root mean square), (days,) reps on each."""

    estimates: Estimates
    spread: float
    day_ratio: float
    sd: float
    day_sizes: Ints
    log_prior: Floats  # (E, R): what the other pairs say of this one's spreads
    centre: Floats  # (n,) fitted, the day's part included
    scale: Floats  # (n,) standard deviation about it


@dataclass(frozen=True, eq=False)
class _Fits(Frozen):
    grid: _Grid
    pairs: tuple[_Fitted | None, ...]
    pooled: Floats  # (E, R) log probability of a new pair's spreads

    @property
    def pooled_spread(self) -> float:
        weight = _weights(self.pooled)
        return float(weight.sum(1) @ self.grid.spread)

    def prior_of(self, pair: int) -> Floats:
        one = self.pairs[pair]
        return self.pooled if one is None else one.log_prior


def _fit(squad: _EventReps, kind: _Figure, members: list[Ints]) -> _Fits:
    y, sd = squad.values[kind.column]
    ok = np.isfinite(y) & np.isfinite(sd)
    series, who = [], []
    for k, at in enumerate(members):
        at = at[ok[at]]
        if len(at):
            weeks = _weeks_before_last(squad.us[at], squad.day[at])
            ones = np.ones(len(at))
            x = np.column_stack([ones, weeks]) if weeks.min() < 0 else ones[:, None]
            series.append(_Series(y[at], sd[at], squad.day[at], x))
            who.append(k)
    grid = _grid(kind.usual, series)
    pairs: list[_Fitted | None] = [None] * len(members)
    logs = grid.log_prior
    if series:
        fitted = _settle(series, grid)
        for k, one in zip(who, fitted, strict=True):
            pairs[k] = one
        surfaces = [_surface(_pulled_in(s, f), grid) for s, f in zip(series, fitted, strict=True)]
        logs = grid.log_prior + sum(_of_squad(s.log_likelihood, grid) for s in surfaces)
    return _Fits(grid, tuple(pairs), _of_pair(logs, grid))


def _weeks_before_last(us: Ints, day: Ints) -> Floats:
    """(n,) weeks from the last day to each rep's, 0 or less; all reps of a day have one."""
    first = np.concatenate([[True], np.diff(day) > 0])
    start = us[first][np.cumsum(first) - 1]
    return np.asarray((start - start[-1]) / (WEEK_S * 1e6))


def _grid(usual: float, series: list[_Series]) -> _Grid:
    """`STEPS` either way from the usual spread, and on as far as the data go."""
    widest = max((_rough_scale(s, usual) for s in series), default=usual)
    steps = max(LOG_STEPS, math.ceil(math.log(3.0 * widest / usual) / LOG_STEP))
    log_ratio = LOG_STEP * np.arange(-LOG_STEPS, steps + 1)
    log_prior = -0.5 * np.square(log_ratio / SPREAD_BELIEF)
    # the trapezium's weights of a half-normal on ratios that lie unevenly
    width = np.gradient(DAY_RATIOS)
    width[[0, -1]] *= 0.5
    log_days = np.log(width) - 0.5 * np.square(DAY_RATIOS / DAYS_BELIEF)
    log_alike = -0.5 * np.square((log_ratio[None] - log_ratio[:, None]) / PAIRS_ALIKE)
    log_alike -= _log_sum(log_alike, 1)[:, None]
    return _Grid(
        usual * np.exp(log_ratio), DAY_RATIOS, log_prior[:, None] + log_days[None], log_alike
    )


def _rough_scale(one: _Series, usual: float) -> float:
    return max(usual, 1.4826 * float(np.median(np.abs(one.y - np.median(one.y)))))


def _settle(
    series: list[_Series], grid: _Grid, log_priors: list[Floats] | None = None
) -> list[_Fitted]:
    """Fits, bad reps pulled in. Without `log_priors` each pair's is what the others say."""
    centre = [np.full(len(s.y), np.median(s.y)) for s in series]
    rough = float(np.median([_rough_scale(s, float(grid.spread[LOG_STEPS])) for s in series]))
    data = [
        _Series(np.clip(s.y, c - 3.0 * np.hypot(s.sd, rough), c + 3.0 * np.hypot(s.sd, rough)),
                s.sd, s.day, s.x)
        for s, c in zip(series, centre, strict=True)
    ]  # fmt: skip
    fitted: list[_Fitted] = []
    for _ in range(FIT_ROUNDS):
        before = fitted
        surfaces = [_surface(s, grid) for s in data]
        if log_priors is None:
            said = [_of_squad(s.log_likelihood, grid) for s in surfaces]
            total = grid.log_prior + sum(said)
            priors = [_of_pair(total - own, grid) for own in said]
        else:
            priors = log_priors
        fitted = [
            _mixed(s, surface, prior, grid)
            for s, surface, prior in zip(data, surfaces, priors, strict=True)
        ]
        data = [_pulled_in(s, f) for s, f in zip(series, fitted, strict=True)]
        if before and all(map(_alike_fits, before, fitted)):
            break
    return fitted


def _alike_fits(one: _Fitted, other: _Fitted) -> bool:
    return bool(np.all(np.abs(one.centre - other.centre) < FIT_SETTLED * one.scale))


def _pulled_in(one: _Series, fitted: _Fitted) -> _Series:
    """Pseudo-values: with them least squares solves Huber's equations and has his variance."""
    off = (one.y - fitted.centre) / fitted.scale
    bound = np.clip(off, -HUBER, HUBER) / HUBER_SLOPE
    return _Series(fitted.centre + bound * fitted.scale, one.sd, one.day, one.x)


@dataclass(frozen=True, eq=False)
class _Surface(Frozen):
    """At each point of the grid: (E, R) restricted log likelihood, (E, R, k) estimates,
    (E, R, k, k) their covariance, (days, E, R) the days' own parts."""

    log_likelihood: Floats
    value: Floats
    cov: Floats
    day: Floats


def _surface(one: _Series, grid: _Grid) -> _Surface:
    """Generalised least squares with V = diag(sd^2 + s^2) + (r s)^2 within a day, by Woodbury."""
    middle = float(np.median(one.y))
    y, x = one.y - middle, one.x  # small numbers: nothing cancels
    w = 1.0 / (np.square(one.sd)[:, None] + np.square(grid.spread)[None])  # (n, E)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(one.day) > 0]))
    w_day = np.add.reduceat(w, starts)  # (days, E)
    wx_day = np.add.reduceat(w[:, :, None] * x[:, None, :], starts)
    wy_day = np.add.reduceat(w * y[:, None], starts)
    common = np.square(grid.spread)[:, None] * np.square(grid.ratio)[None]  # (E, R)
    share = common / (1.0 + common * w_day[:, :, None])  # (days, E, R)
    gram = np.einsum("ne,nk,nl->ekl", w, x, x)[:, None] - np.einsum(
        "jer,jek,jel->erkl", share, wx_day, wx_day
    )
    load = np.einsum("ne,nk,n->ek", w, x, y)[:, None] - np.einsum(
        "jer,jek,je->erk", share, wx_day, wy_day
    )
    square = np.einsum("ne,n->e", w, y * y)[:, None] - np.einsum(
        "jer,je->er", share, np.square(wy_day)
    )
    cov = np.linalg.inv(gram)
    value = np.einsum("erkl,erl->erk", cov, load)
    _, log_gram = np.linalg.slogdet(gram)
    log_v = -np.log(w).sum(0)[:, None] + np.log1p(common * w_day[:, :, None]).sum(0)
    misfit = square - np.einsum("erk,erk->er", load, value)
    day = share * (wy_day[:, :, None] - np.einsum("jek,erk->jer", wx_day, value))
    value[..., 0] += middle  # every design has the level first
    return _Surface(-0.5 * (log_v + log_gram + misfit), value, cov, day)


def _mixed(one: _Series, surface: _Surface, log_prior: Floats, grid: _Grid) -> _Fitted:
    """Mean and covariance over the grid."""
    weight = _weights(surface.log_likelihood + log_prior)
    value = np.einsum("er,erk->k", weight, surface.value)
    off = surface.value - value
    variance = np.einsum("er,erk->k", weight, np.square(off)) + np.einsum(
        "er,erkk->k", weight, surface.cov
    )
    number = np.cumsum(np.concatenate([[0], np.diff(one.day) > 0]))
    of_spread = weight.sum(1)
    centre = one.x @ value + np.einsum("er,jer->j", weight, surface.day)[number]
    return _Fitted(
        estimates=tuple(Estimate(float(v), math.sqrt(q)) for v, q in zip(value, variance,
                                                                         strict=True)),
        spread=float(of_spread @ grid.spread),
        day_ratio=math.sqrt(float(weight.sum(0) @ np.square(grid.ratio))),
        sd=math.sqrt(float(np.square(one.sd).mean())),
        day_sizes=np.bincount(number),
        log_prior=log_prior,
        centre=centre,
        scale=np.sqrt(np.square(one.sd) + float(of_spread @ np.square(grid.spread))),
    )  # fmt: skip


def _of_squad(log_pair: Floats, grid: _Grid) -> Floats:
    """(E, R) what a pair's log likelihood says of the squad's spread."""
    return _log_sum(grid.log_alike[:, :, None] + log_pair[None], 1)


def _of_pair(log_squad: Floats, grid: _Grid) -> Floats:
    """(E, R) what the squad's log probability says of a pair's spread."""
    return _log_sum(grid.log_alike[:, :, None] + log_squad[:, None], 0)


def _log_sum(logs: Floats, axis: int) -> Floats:
    top = logs.max(axis=axis, keepdims=True)
    out: Floats = np.log(np.exp(logs - top).sum(axis=axis)) + np.squeeze(top, axis)
    return out


def _weights(logs: Floats) -> Floats:
    weight = np.exp(logs - logs.max())
    out: Floats = weight / weight.sum()
    return out


# --- the share of legal passes -----------------------------------------------------------


def _by_day(legal: Floats, day: Ints) -> tuple[Floats, Floats]:
    """(days,) legal passes and takeovers."""
    number = np.cumsum(np.concatenate([[0], np.diff(day) > 0]))
    legal_passes: Floats = np.bincount(number, legal).astype(np.float64)
    return legal_passes, np.bincount(number).astype(np.float64)


def _day_likeness(squad: _EventReps, members: list[Ints]) -> float:
    """How strongly legal or not goes together within a day (intraclass correlation), in the squad.

    Beta-binomial likelihood (Skellam, J R Stat Soc B 10, 1948, 257-261), each pair's share
    integrated out under Jeffreys's prior; posterior mean under an exponential prior.
    """
    share = (np.arange(32) + 0.5) / 32.0
    log_share = -0.5 * np.log(share * (1.0 - share))
    logs = -ALIKE_REPS / ALIKE_REPS_MEAN + np.log(np.gradient(ALIKE_REPS))
    size = 1.0 / ALIKE_REPS - 1.0
    a = size[:, None] * share[None]
    b = size[:, None] - a
    for at in members:
        at = at[np.isfinite(squad.legal[at])]
        if len(at) < 2:
            continue  # one rep says nothing of it
        legal, reps = _by_day(squad.legal[at], squad.day[at])
        one = np.zeros_like(a)
        for k, m in zip(legal, reps, strict=True):
            one += betaln(a + k, b + m - k) - betaln(a, b)
        logs = logs + _log_sum(log_share[None] + one, 1)
    return float(_weights(logs) @ ALIKE_REPS)


def _legal_share(legal: Floats, day: Ints, alike: float) -> Estimate:
    """Share of legal passes under Jeffreys's Beta(1/2, 1/2) (Brown, Cai & DasGupta, Stat Sci 16,
    2001, 101-133). `legal` (n,) are probabilities: the count has their mean and their variance.
    Reps of one day count for fewer (`_worth`)."""
    sizes = _by_day(legal, day)[1].astype(np.intp)
    n = float(len(legal))
    # correlation rho within a day: 1 + rho (sum m^2 / n - 1)
    worth = n / (1.0 + alike * (float(np.square(sizes).sum()) / n - 1.0))
    count = worth * float(legal.mean())
    mean = (0.5 + count) / (1.0 + worth)
    unsure = float((legal * (1.0 - legal)).sum()) * (worth / n) ** 2 / (1.0 + worth) ** 2
    return Estimate(mean, math.sqrt((mean * (1.0 - mean) - unsure) / (2.0 + worth) + unsure))


def _legal_trend(legal: Floats, day: Ints, weeks: Floats, alike: float) -> Estimate:
    """Change of the share a week, at the mean of the reps' days, by logistic regression.

    Two-parameter posterior on a grid. Jeffreys's prior on the share at the middle; the slope's is
    normal, `LOGIT_SLOPE` over two standard deviations of the days (scaled as in Gelman et al., Ann
    Appl Stat 2, 2008, 1360-1383, who have a Cauchy of that width). The likelihood is tempered to
    the reps' worth (quasi-likelihood: McCullagh & Nelder, Generalized Linear Models, 2nd ed. 1989).
    """
    count, reps = _by_day(legal, day)
    first = np.concatenate([[True], np.diff(day) > 0])
    at = weeks[first] - weeks.mean()
    width = 2.0 * float(weeks.std())
    temper = 1.0 / (1.0 + alike * (float(np.square(reps).sum() / reps.sum()) - 1.0))
    level = np.linspace(-9.0, 9.0, 145)[:, None]
    slope = LOGIT_SLOPE * np.linspace(-3.5, 3.5, 113)[None]
    middle = 1.0 / (1.0 + np.exp(-level))
    logs = 0.5 * np.log(middle * (1.0 - middle)) - 0.5 * np.square(slope / LOGIT_SLOPE)
    for x, k, m in zip(at / width, count, reps, strict=True):
        logit = level + slope * x
        logs = logs + temper * (k * logit - m * np.logaddexp(0.0, logit))
    weight = _weights(logs)
    change = middle * (1.0 - middle) * slope / width
    mean = float((weight * change).sum())
    return Estimate(mean, math.sqrt(float((weight * np.square(change - mean)).sum())))
