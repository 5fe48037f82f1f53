"""What a race and a short run-in do to speeds, learned from labelled takeovers.

A runner's speed is that of an endless run-in in practice, times factors that all runners share:

    log v = log v_full + race log f - k exp(-u(D)),

f for incoming runners and another for receivers; D is the run-in of the incoming runner, u(D) its
time in time constants by the law of the start (laws), and k is near 1 where that law holds [1]. The
factors are learned within runners, from what the same runner does with a longer run-in, or in a
race: who is faster than whom says nothing of them. With nothing labelled they are assumptions.
Takeovers are brought to each runner's usual run-in in practice, and from there to a race.

Sources
-------
[1] The law against published splits: at 30 m of a start sprinters are at 92 to 94 % of their top
    speed, at 50 m at 98 % (10 m splits of the 100 m finals of Seoul 1988 to Berlin 2009, as in
    tests/support/published_sprints.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.advise import laws
from pipeline.advise.takeovers import Evidence, Reps
from pipeline.base.values import Bools, Floats, Frozen, Ints
from pipeline.base.words import count

# Assumptions: racing against practice, as shares of speed, and the law of the run-in.
RACE_IN, RACE_IN_SD = 0.99, 0.012  # all-out, but at the end of a leg: about the same
RACE_OUT, RACE_OUT_SD = 1.01, 0.008
SHORT, SHORT_SD = 1.0, 0.3
TAU_S = 1.25
GAIN_INSIDE = 0.5  # of the gain at the entry line that is left on the mean until the pass
TOLD = 0.005  # shortness from which it is told of
REP_SPREAD, DAY_SPREAD = 0.015, 0.006  # of log speed: from rep to rep, from day to day


@dataclass(frozen=True, eq=False)
class Pace(Frozen):
    """The shared factors and what each runner's takeovers rest on.

    `mean` (3,) and `cov` (3, 3): log of an incoming runner's race speed over practice speed, how
    much a short run-in costs (k), log of a receiver's race speed over practice speed. `short` (J,):
    exp(-u) of each runner's usual run-in in practice, 0 where it is long or not known. `usual_in`
    (J, 2): mean of (race, `short` - exp(-u)) over each runner's takeovers as incoming runner;
    `usual_out` (J,): share of a receiver's that were races. `races_in`, `races_out`, `run_ins`:
    takeovers from which the factors were learned.
    """

    mean: Floats
    cov: Floats
    usual_in: Floats
    usual_out: Floats
    short: Floats
    races_in: int
    races_out: int
    run_ins: int


def shortness(run_in_m: Floats, v_mps: Floats) -> Floats:
    """(n,) exp(-u): the share of the speed still lacking after a run-in; 0 where it is not
    known."""
    way = np.where(np.isfinite(run_in_m), np.maximum(run_in_m, 5.0), 1e3)
    u = laws.seconds_to(way, np.maximum(v_mps, 3.0), TAU_S) / TAU_S
    return np.asarray(np.where(np.isfinite(run_in_m), np.exp(-u), 0.0))


def learn_pace(reps: Reps, n_runners: int) -> Pace:
    """The factors, from takeovers labelled as races and from run-ins of different length."""
    v, v_var, short = entry_speeds(reps)
    design = np.column_stack([reps.race, -short])
    usual_short = _usual_shortness(short, reps, n_runners)
    against_usual = design + np.column_stack([np.zeros(len(v)), usual_short[reps.incoming]])
    usual_in = _mean_by_runner(against_usual, reps.incoming, np.isfinite(v), n_runners)
    prior_in = np.array([np.log(RACE_IN), SHORT]), np.diag([RACE_IN_SD**2, SHORT_SD**2])
    mean_in, cov_in = _within_runners(
        np.log(v), v_var / v**2, design, reps.incoming, reps, prior_in
    )
    top, top_var = _component(reps.start, 0)
    race = reps.race[:, None]
    usual_out = _mean_by_runner(race, reps.outgoing, np.isfinite(top), n_runners)[:, 0]
    prior_out = np.array([np.log(RACE_OUT)]), np.diag([RACE_OUT_SD**2])
    log_top, relative = np.log(top), top_var / top**2
    mean_out, cov_out = _within_runners(log_top, relative, race, reps.outgoing, reps, prior_out)
    cov = np.zeros((3, 3))
    cov[:2, :2], cov[2:, 2:] = cov_in, cov_out
    return Pace(
        np.r_[mean_in, mean_out],
        cov,
        usual_in,
        usual_out,
        usual_short,
        int(np.sum((reps.race > 0) & np.isfinite(v))),
        int(np.sum((reps.race > 0) & np.isfinite(top))),
        int(np.sum(np.isfinite(reps.run_in_m) & np.isfinite(v))),
    )


def entry_speeds(reps: Reps) -> tuple[Floats, Floats, Floats]:
    """(n,) speeds at the entry line, NaN where not known, their variances, and the shortness of
    their run-ins."""
    v, var = _component(reps.entry, 0)
    return v, var, shortness(reps.run_in_m, np.nan_to_num(v, nan=9.0))


def practised_entries(reps: Reps, pace: Pace) -> Evidence:
    """What each takeover says of the speed at the entry line, the gain before it and the fade after
    it, as they are in practice with the runner's usual run-in."""
    v, _, short = entry_speeds(reps)
    usual = pace.short[reps.incoming]
    factor = np.exp(-(reps.race * pace.mean[0] - pace.mean[1] * (short - usual)))
    v = np.nan_to_num(v)
    more = gain_of(v * factor, usual, pace.mean[1]) - gain_of(v, short, pace.mean[1])
    scale = np.column_stack([factor, np.ones(len(v)), np.ones(len(v))])
    shift = np.column_stack([np.zeros(len(v)), more, -GAIN_INSIDE * more])
    a = reps.entry.information / (scale[:, :, None] * scale[:, None, :])
    b = reps.entry.weighted / scale + np.einsum("nab,nb->na", a, shift)
    return Evidence(a, b)


def practised_starts(reps: Reps, pace: Pace) -> Evidence:
    """What each takeover says of a receiver's start in practice: V, tau, launch, and what is added
    to V after a blind pass."""
    factor = np.exp(-reps.race * pace.mean[2])
    scale = np.column_stack([factor, *(np.ones(len(factor)) for _ in range(3))])
    a = reps.start.information / (scale[:, :, None] * scale[:, None, :])
    return Evidence(a, reps.start.weighted / scale)


def pace_words(pace: Pace) -> str:
    """What an advice for a race rests on, in one sentence."""
    parts = []
    for k, who, learned in (
        (0, "incoming runners", pace.races_in),
        (2, "receivers", pace.races_out),
    ):
        value, sd = float(np.exp(pace.mean[k])), float(np.sqrt(pace.cov[k, k]))
        basis = f"from {count(learned, 'takeover')} in races" if learned else "assumed"
        parts.append(f"{who} {value:.3f} ± {sd:.3f} of their practice speed ({basis})")
    short = f"; a short run-in in practice counts {pace.mean[1]:.1f} ± {pace.cov[1, 1] ** 0.5:.1f}"
    told = f"{short} of what the start's law says" if pace.short.max(initial=0.0) > TOLD else ""
    return f"race speed: {', '.join(parts)}{told}"


def gain_of(v_mps: Floats, short: Floats, k: Floats | float) -> Floats:
    """The acceleration [m/s²] at the entry line that is left of a short run-in."""
    return np.asarray(v_mps * k * short / TAU_S)


def _component(matter: Evidence, k: int) -> tuple[Floats, Floats]:
    """(n,) figure k of each rep and its variance, the other figures being open; NaN where a rep
    says nothing of it."""
    n = len(matter.weighted)
    value, var = np.full(n, np.nan), np.full(n, np.nan)
    for i, (a, b) in enumerate(zip(matter.information, matter.weighted, strict=True)):
        keep = np.diag(a) > 0
        if keep[k]:
            cov = np.linalg.pinv(a[np.ix_(keep, keep)], hermitian=True)
            at = int(np.sum(keep[:k]))
            value[i], var[i] = cov[at] @ b[keep], cov[at, at]
    ok = (value > 0) & (var > 0)
    return np.where(ok, value, np.nan), np.where(ok, var, np.nan)


def _mean_by_runner(values: Floats, runner: Ints, known: Bools, n_runners: int) -> Floats:
    total, count = np.zeros((n_runners, values.shape[1])), np.zeros(n_runners)
    np.add.at(total, runner[known], values[known])
    np.add.at(count, runner[known], 1.0)
    return np.asarray(total / np.maximum(count, 1.0)[:, None])


def _usual_shortness(short: Floats, reps: Reps, n_runners: int) -> Floats:
    """(J,) of each runner's practice; the squad's where a runner never brought the baton."""
    practice = reps.race == 0
    squad = float(np.median(short[practice])) if practice.any() else 0.0
    out = np.full(n_runners, squad)
    for j in range(n_runners):
        own = short[(reps.incoming == j) & practice]
        out[j] = float(np.median(own)) if len(own) else squad
    return out


def _within_runners(
    y: Floats, var: Floats, design: Floats, runner: Ints, reps: Reps, prior: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Coefficients of `design` (n, q) and their covariance: least squares within runners, the reps
    of one day, in one kind of condition, being one datum."""
    known = np.isfinite(y) & np.isfinite(var)
    rows: dict[tuple[int, int, bool], list[int]] = {}
    for i in np.flatnonzero(known):
        rows.setdefault((int(runner[i]), int(reps.session[i]), bool(reps.race[i])), []).append(
            int(i)
        )
    mean, precision = prior[0], np.linalg.inv(prior[1])
    load = precision @ mean
    groups: dict[float, list[tuple[float, Floats, float]]] = {}
    for (who, *_), own in rows.items():
        n = len(own)
        spread = DAY_SPREAD**2 + (REP_SPREAD**2 + float(var[own].mean())) / n
        groups.setdefault(who, []).append((float(y[own].mean()), design[own].mean(axis=0), spread))
    for several in groups.values():
        w = np.array([1.0 / one[2] for one in several])
        values, x = np.array([one[0] for one in several]), np.array([one[1] for one in several])
        values = values - w @ values / w.sum()
        x = x - (w @ x / w.sum())
        precision = precision + (x.T * w) @ x
        load = load + (x.T * w) @ values
    cov = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    return np.asarray(cov @ load), cov
