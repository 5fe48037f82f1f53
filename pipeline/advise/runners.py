"""What many takeovers say of one runner, as receiver and as the one who brings the baton.

The model and the priors are in docs/methods.md, "From takeovers to advice". Each figure is a mean
with its estimation error, which shrinks with practice, and a spread from rep to rep, which does
not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from pipeline.advise import hierarchy, laws
from pipeline.advise.pace import Pace, learn_pace, practised_entries, practised_starts
from pipeline.advise.takeovers import Evidence, Reps, utc_datetime
from pipeline.base.values import Bools, Estimate, Floats, Frozen, Ints
from pipeline.tables import schema

SAME_DAY = 0.15  # share of the rep-to-rep variance that a day has in common: an assumption

# Priors: means, their uncertainty, between runners, within a runner. Sources in docs/methods.md.
PRIOR_OF_START = hierarchy.Prior(
    np.array([9.5, 1.25, 0.05, 0.1]), np.array([1.5, 0.25, 0.12, 0.25]),
    np.array([0.4, 0.12, 0.05, 0.1]), np.array([0.10, 0.025, 0.012, 0.1]),
    walk=np.array([0.05, 0.01, 0.005, 0.01]),
)  # fmt: skip
PRIOR_OF_PUSH = hierarchy.Prior(
    np.array([9.0]), np.array([1.5]), np.array([0.4]), np.array([0.2]), walk=np.array([0.05])
)
PRIOR_OF_LAG = hierarchy.Prior(
    np.array([-0.2]), np.array([0.25]), np.array([0.08]), np.array([0.045]), walk=np.array([0.015])
)
PRIOR_OF_COST = hierarchy.Prior(
    np.array([0.04]), np.array([0.06]), np.array([0.02]), np.array([0.04]), walk=np.array([0.005])
)
PRIOR_OF_ENTRY = hierarchy.Prior(
    np.array([9.3, 0.15, 0.1]), np.array([1.5, 0.3, 0.2]),
    np.array([0.4, 0.1, 0.1]), np.array([0.12, 0.08, 0.08]), walk=np.array([0.05, 0.02, 0.02]),
)  # fmt: skip
PRIOR_OF_LOOK = hierarchy.Prior(
    np.array([0.0]), np.array([0.05]), np.array([0.05]), np.array([0.5])
)
SQUAD_REACH = Estimate(1.2, 0.2)  # of a squad's pairs, usual teaching 1.0 to 1.5 m, from memory
# How reach differs from runner to runner, pair to pair and rep to rep of a squad.
REACH_BETWEEN_RUNNERS_SD_M, REACH_BETWEEN_PAIRS_SD_M, REACH_BETWEEN_REPS_SD_M = 0.08, 0.08, 0.13
REACH_DF, REACH_ROUNDS = 8.0, 30
REACH_WALK_M = 0.02  # what a reach changes over a week

# The share of receivers who ease when no baton has come, where in the zone they begin and what
# share of the speed they give up. Common practice says that they do; how many, where and how deep
# is in no source, so each is believed widely: the share counts as EASE_REPS reps.
EASE_SHARE, EASE_REPS = 0.5, 2.0
EASE_FROM = Estimate(0.6, 0.12)
EASE_BY = Estimate(0.2, 0.1)
EASE_FROM_SPREAD, EASE_BY_SPREAD = 0.12, 0.15  # from rep to rep
EASE_WAIT = 0.1  # of the zone: a receiver who waits so much longer has had reason to ease


@dataclass(frozen=True, eq=False)
class Reach(Frozen):
    """The trunks' distance at the pass, in metres, as a sum.

    `share` (J,): what each runner adds, with the joint covariance `cov` (J, J); `pair` (J, J): what
    a pair adds, incoming by outgoing, with the standard error `pair_sd`; `rep_sd_m`: the spread
    from rep to rep; `reps` (J,): passes of each runner.
    """

    share: Floats
    cov: Floats
    pair: Floats
    pair_sd: Floats
    rep_sd_m: float
    reps: Floats


@dataclass(frozen=True, slots=True)
class EasingHabit:
    """What receivers do when no baton comes, and how well it is known: the `share` of them who
    ease, which rests on `share_reps`; the `start` of it as a share of the zone; the share of the
    speed that they give up, `by`."""

    share: float
    share_reps: float
    start: Estimate
    by: Estimate


@dataclass(frozen=True, eq=False)
class Squad(Frozen):
    """What is known of all runners of one event; arrays are in the order of `runners`."""

    event: str
    runners: tuple[str, ...]
    pace: Pace
    start: hierarchy.Effects  # V, tau, launch, in practice
    after: hierarchy.Effects  # what is added to V after a blind pass
    push: hierarchy.Effects  # speed tended to after a visual change
    lag: hierarchy.Effects
    cost: hierarchy.Effects
    entry: hierarchy.Effects  # speed, gain before, fade after, in practice, usual run-in
    look: hierarchy.Effects
    reach: Reach
    easing: EasingHabit
    reps_in: Floats
    reps_out: Floats
    feet_m: Floats
    reps: Reps

    def index(self, runner: str) -> int:
        """The runner's number; raises ValueError for a stranger."""
        return self.runners.index(runner)


def estimate_squad(
    reps: Reps,
    *,
    team: Sequence[str] = (),
    feet_m: Mapping[str, float] | None = None,
) -> Squad:
    """The squad of an event: everybody in the lake, and those of `team` who are not yet in it.

    `feet_m`: foot-lengths that replace those of the tables.
    """
    names = reps.runners + tuple(sorted(set(team) - set(reps.runners)))
    weeks = reps.age_days / hierarchy.DAYS_A_WEEK

    def effects(
        matter: Evidence, index: Ints, prior: hierarchy.Prior, blunders: bool = True
    ) -> hierarchy.Effects:
        has = np.trace(matter.information, axis1=1, axis2=2) > 0
        weight = day_weight(has, index, reps)
        return hierarchy.estimate_effects(
            matter.information, matter.weighted, index, len(names), prior, weight, blunders, weeks
        )

    feet = np.full(len(names), np.nan)
    feet[: len(reps.runners)] = reps.feet_m
    for name, foot in (feet_m or {}).items():
        if name in names:
            feet[names.index(name)] = foot
    pace = learn_pace(reps, len(names))
    start = effects(practised_starts(reps, pace), reps.outgoing, PRIOR_OF_START)
    after = start.part(slice(3, 4))
    return Squad(
        event=reps.event,
        runners=names,
        pace=pace,
        start=start.part(slice(0, 3)),
        after=after,
        push=effects(reps.push, reps.outgoing, PRIOR_OF_PUSH),
        lag=effects(reps.lag, reps.outgoing, PRIOR_OF_LAG),
        cost=effects(reps.cost, reps.outgoing, PRIOR_OF_COST),
        entry=effects(practised_entries(reps, pace), reps.incoming, PRIOR_OF_ENTRY),
        look=effects(_look_departures(reps), reps.outgoing, PRIOR_OF_LOOK, blunders=False),
        reach=_estimate_reach(reps, len(names), weeks),
        easing=_estimate_easing(reps),
        reps_in=np.bincount(reps.incoming, minlength=len(names)).astype(np.float64),
        reps_out=np.bincount(reps.outgoing, minlength=len(names)).astype(np.float64),
        feet_m=feet,
        reps=replace(reps, start=_starts_alone(reps, after)),
    )


def _starts_alone(reps: Reps, after: hierarchy.Effects) -> Evidence:
    """What each takeover says of V, tau and launch, what comes to V after a pass being the
    runner's usual."""
    a, b = reps.start.information, reps.start.weighted
    usual = after.mean[reps.outgoing]
    return Evidence(a[:, :3, :3], b[:, :3] - a[:, :3, 3] * usual)


def _look_departures(reps: Reps) -> Evidence:
    """The distance at which a receiver who looks sets off, less the pair's mean of that session.

    Which distance is tried is the coach's choice; how well it is kept is the receiver's.
    """
    info = reps.look.information[:, 0, 0]
    y = np.divide(reps.look.weighted[:, 0], info, out=np.zeros_like(info), where=info > 0)
    size = len(reps.runners)
    key = (reps.session * size + reps.incoming) * size + reps.outgoing
    _, group = np.unique(key, return_inverse=True)
    known = info > 0
    n = np.bincount(group[known], minlength=group.max(initial=0) + 1)
    mean = np.bincount(group[known], weights=y[known], minlength=len(n)) / np.maximum(n, 1)
    use = known & (n[group] > 1)
    # a departure from the mean of n is smaller than one from the truth: (n - 1) / n of its variance
    wider = np.sqrt(np.maximum(n[group], 1.0) / np.maximum(n[group] - 1.0, 1.0))
    info = np.where(use, info / wider**2, 0.0)
    return Evidence(info[:, None, None], (info * (y - mean[group]) * wider)[:, None])


def day_weight(has: Bools, runner: Ints, reps: Reps) -> Floats:
    """(n,) what a rep counts for, since a runner's reps of one day share part of their spread;
    `has` (n,): which of them tell something."""
    key = runner * len(reps.sessions) + reps.session
    count = np.bincount(key[has], minlength=int(key.max(initial=0)) + 1)
    return np.asarray(1.0 / (1.0 + (np.maximum(count[key], 1) - 1.0) * SAME_DAY))


def _estimate_reach(reps: Reps, n_runners: int, weeks: Floats) -> Reach:
    """Distance at the pass = share of the incoming + share of the outgoing + pair + rep.

    All are normal and solved in closed form for given variances. An old rep says less of today by
    what a reach may have changed since. The rep's variance is the mean square of what the rep added
    [1], as far as the measurement tells it, with its prior.

    [1] Dempster, Laird & Rubin, J R Stat Soc B 39, 1977, 1-38.
    """
    has = reps.reach.information[:, 0, 0] > 0
    info = reps.reach.information[has, 0, 0]
    y = reps.reach.weighted[has, 0] / info
    i, j = reps.incoming[has], reps.outgoing[has]
    n, pairs = len(y), n_runners * n_runners
    size = n_runners + pairs
    design = np.zeros((n, size))
    np.add.at(design, (np.arange(n), i), 1.0)
    np.add.at(design, (np.arange(n), j), 1.0)
    design[np.arange(n), n_runners + i * n_runners + j] = 1.0
    common = np.zeros((size, size))
    common[:n_runners, :n_runners] = SQUAD_REACH.sd**2 / 4.0  # the squad's level is shared
    prior = common + np.diag(
        np.r_[
            np.full(n_runners, REACH_BETWEEN_RUNNERS_SD_M**2),
            np.full(pairs, REACH_BETWEEN_PAIRS_SD_M**2),
        ]
    )
    mean0 = np.r_[np.full(n_runners, SQUAD_REACH.value / 2.0), np.zeros(pairs)]
    rep_var = REACH_BETWEEN_REPS_SD_M**2
    x, cov = mean0, prior
    error = 1.0 / info + REACH_WALK_M**2 * weeks[has]
    for _ in range(REACH_ROUNDS):
        weight = 1.0 / (error + rep_var)
        inverse = np.linalg.inv(prior)
        cov = np.linalg.inv(inverse + design.T @ (design * weight[:, None]))
        x = cov @ (inverse @ mean0 + design.T @ (weight * y))
        left = (y - design @ x) ** 2 + np.einsum("na,ab,nb->n", design, cov, design)
        share = rep_var / (rep_var + error)  # of what is left over that is the rep's own
        own = share**2 * left + share * error
        rep_var = (REACH_DF * REACH_BETWEEN_REPS_SD_M**2 + own.sum()) / (REACH_DF + n)
    return Reach(
        share=x[:n_runners],
        cov=cov[:n_runners, :n_runners],
        pair=x[n_runners:].reshape(n_runners, n_runners),
        pair_sd=np.sqrt(np.diag(cov)[n_runners:]).reshape(n_runners, n_runners),
        rep_sd_m=float(np.sqrt(rep_var)),
        reps=np.bincount(np.r_[i, j], minlength=n_runners).astype(np.float64),
    )


def _estimate_easing(reps: Reps) -> EasingHabit:
    """Where easing begins, how deep it goes, and the share of those who had to wait beyond that
    place who did ease: each the mean of the assumption and the reps."""
    eased, deep = np.isfinite(reps.eased_from), np.isfinite(reps.eased_by)
    start = _combine(EASE_FROM, EASE_FROM_SPREAD, reps.eased_from[eased])
    by = _combine(EASE_BY, EASE_BY_SPREAD, np.clip(reps.eased_by[deep], 0.0, 0.5))
    waited = np.nan_to_num(reps.waited_to) > start.value + EASE_WAIT
    total = EASE_REPS + float(waited.sum())
    share = (EASE_REPS * EASE_SHARE + float(eased[waited].sum())) / total
    return EasingHabit(share, total, start, by)


def _combine(prior: Estimate, spread: float, values: Floats) -> Estimate:
    """A mean of values of a known spread, and a belief."""
    weight = prior.sd**-2 + len(values) / spread**2
    mean = (prior.value * prior.sd**-2 + float(values.sum()) / spread**2) / weight
    return Estimate(mean, float(weight**-0.5))


# --- the table --------------------------------------------------------------------------


def times_to(squad: Squad, distance_m: float) -> tuple[Floats, Floats, Floats, Floats]:
    """(J,) seconds from the first movement to a distance, their standard error, the spread from rep
    to rep and its standard error."""
    x = squad.start.mean
    base = laws.seconds_to(distance_m, *x.T)
    slope = laws.seconds_to_slope(distance_m, x)
    sd = np.sqrt(np.einsum("ja,jab,jb->j", slope, squad.start.cov, slope))
    spread = np.sqrt(squad.start.scale * np.einsum("ja,ab,jb->j", slope, squad.start.within, slope))
    return base, sd, spread, spread / np.sqrt(2.0 * squad.start.spread_df)


def _trend_cells(squad: Squad, j: int, blind: bool) -> dict[str, float | None]:
    """What a week changes in runner j, and its standard error; None before there are two days."""
    slope = laws.seconds_to_slope(20.0, squad.start.mean[j])
    start = squad.start.change
    cells = {
        "v_in_entry_trend_mps": squad.entry.change.per_week[j, 0],
        "v_in_entry_trend_sd_mps": squad.entry.change.sd[j, 0],
        "t20_trend_s": float(slope @ start.per_week[j]),
        "t20_trend_sd_s": float(np.sqrt(slope @ start.cov[j] @ slope)),
        "lag_trend_s": squad.lag.change.per_week[j, 0] if blind else np.nan,
        "lag_trend_sd_s": squad.lag.change.sd[j, 0] if blind else np.nan,
    }
    return {name: float(x) if np.isfinite(x) else None for name, x in cells.items()}


def runners_table(squads: Sequence[Squad]) -> pa.Table:
    """The table `runners`: one row a runner and event."""
    rows = [row for squad in squads for row in _runner_rows(squad)]
    names = schema.facts("runners").names
    return schema.conform("runners", {name: [row.get(name) for row in rows] for name in names})


def _runner_rows(squad: Squad) -> list[dict[str, object]]:
    reps = squad.reps
    t20, t20_sd, t20_spread, t20_spread_sd = times_to(squad, 20.0)

    def sd(effects: hierarchy.Effects, j: int, k: int) -> float:
        return float(np.sqrt(effects.cov[j, k, k]))

    rows: list[dict[str, object]] = []
    for j, name in enumerate(squad.runners):
        inn, out = reps.incoming == j, reps.outgoing == j
        any_ = inn | out
        blind = reps.blind
        foot = float(squad.feet_m[j])
        remarks = []
        if not any_.any():
            remarks.append("no takeover in the tables: the squad's mean stands in for this runner")
        elif not out.any():
            remarks.append("never a receiver in the tables: start and lag lean on the squad")
        elif not inn.any():
            remarks.append("never brought the baton in the tables: entry speed leans on the squad")
        if not blind:
            remarks.append("visual change: no check mark, so no start after it; the pace is chosen")
        if np.isnan(foot):
            remarks.append("foot-length not known: give foot_m in session.toml or --foot")
        rows.append(
            {
                "runner": name,
                "event": squad.event,
                "reps_in": int(inn.sum()),
                "reps_out": int(out.sum()),
                "sessions": len(set(reps.session[any_].tolist())),
                "last_utc": utc_datetime(float(reps.utc_s[any_].max())) if any_.any() else None,
                "v_max_mps": float(squad.start.mean[j, 0]),
                "v_max_sd_mps": sd(squad.start, j, 0),
                "tau_s": float(squad.start.mean[j, 1]),
                "tau_sd_s": sd(squad.start, j, 1),
                "launch_s": float(squad.start.mean[j, 2]),
                "launch_sd_s": sd(squad.start, j, 2),
                "t20_s": float(t20[j]),
                "t20_sd_s": float(t20_sd[j]),
                "t20_spread_s": float(t20_spread[j]),
                "t20_spread_sd_s": float(t20_spread_sd[j]),
                "lag_s": float(squad.lag.mean[j, 0]) if blind else None,
                "lag_sd_s": sd(squad.lag, j, 0) if blind else None,
                "lag_spread_s": float(squad.lag.spread[j, 0]) if blind else None,
                "lag_spread_sd_s": float(squad.lag.spread_sd[j, 0]) if blind else None,
                "arm_cost_s": float(squad.cost.mean[j, 0]),
                "arm_cost_sd_s": sd(squad.cost, j, 0),
                "v_in_entry_mps": float(squad.entry.mean[j, 0]),
                "v_in_entry_sd_mps": sd(squad.entry, j, 0),
                "v_in_spread_mps": float(squad.entry.spread[j, 0]),
                "v_in_spread_sd_mps": float(squad.entry.spread_sd[j, 0]),
                "fade_mps2": -float(squad.entry.mean[j, 2]),
                "fade_sd_mps2": sd(squad.entry, j, 2),
                "reach_m": float(squad.reach.share[j]),
                "reach_sd_m": float(np.sqrt(squad.reach.cov[j, j])),
                **_trend_cells(squad, j, blind),
                "foot_m": None if np.isnan(foot) else foot,
                "remarks": remarks,
            }
        )
    return rows
