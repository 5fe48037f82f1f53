"""Do the units' clocks agree with the takeovers they saw?

A clock that is off by half a second moves a runner by five metres. Each unit alone looks sound
then, but two runners who passed a baton were never about an arm's reach apart. One offset a unit
has to make sense of all its takeovers together; docs/methods.md, "Clocks that disagree".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.base.values import Estimate, Floats, Frozen

# Of a takeover in which the baton went on, the smallest distance between the trunks: about 0.4 m
# less than a reach, and less still for those who run through.
NEAREST_M = Estimate(0.75, 0.30)  # of a squad
NEAREST_REP_SD_M = 0.35  # from rep to rep and pair to pair
APART_SCALE_M = 2.0  # how much farther apart those stay who miss each other
BATON_WENT_ON = 0.95  # chance of a pass where the receiver ran on at speed, ...
BATON_WAS_LOST = 0.3  # ... and where he slowed inside or soon after the zone
NO_RULE = 0.02  # share of takeovers in which the smallest gap follows no rule, within ...
NO_RULE_M = 20.0  # ... so many metres
CLOCK_IS_OFF = 0.05  # chance that a unit's stamps are off by more than LEAST_OFF_S
LEAST_OFF_S = 0.03
ODDS_TO_CORRECT = 4.0  # a clock is corrected when this much likelier off than right
STAND_UNSEEN_M = 0.9  # of a gap without tapes: what two units' own slow errors have in common
RIVAL = 2.0  # another explanation within this (natural logarithm) leaves it open whose clock it is
NEVER_MET_M = 1e3
COARSE_STAMPS_S = 0.02  # stamps with a larger standard error than this are off, only not known how
COARSE_ODDS = 10.0
USUAL_M = np.arange(0.0, 1.51, 0.15)
LEAST_LOG = -600.0  # of a likelihood against the best one: beyond it numbers end
STYLE_SD_M = 0.15  # what one runner's takeovers have in common: his way of letting go, his reach


@dataclass(frozen=True, eq=False)
class GapByOffset(Frozen):
    """One takeover: the smallest gap `nearest_m` (k,) between the trunks when the outgoing unit's
    stamps are moved later by each of `offset_s` (k,), with the standard error `sd_m` of a gap.

    `went_on` is the chance that the baton went on; `taped` whether tapes say where both stood;
    `closing_mps` the speed by which an offset changes the gap.
    """

    incoming: str
    outgoing: str
    offset_s: Floats
    nearest_m: Floats
    sd_m: float
    went_on: float
    taped: bool
    closing_mps: float


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """By how much (s) a unit's stamps have to be moved later. `corrected` is false where the
    clock is taken to be right; its standard error is then what is left of the doubt.
    `rivals` are the units that may be the ones that are off instead."""

    offset: Estimate
    corrected: bool
    rivals: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Agreement(Frozen):
    """By unit what its clock is off, and the squad's usual smallest gap in m that fits best."""

    offsets: Mapping[str, ClockOffset]
    usual_m: float


def smallest_gaps(t_s: Floats, in_m: Floats, out_m: Floats, offsets_s: Floats) -> Floats:
    """Smallest gap (k,) in m for each offset (k,) in s by which the outgoing runner is moved later.

    `in_m` and `out_m` (n,) are the places at `t_s` (n,), evenly spaced, NaN where a runner does not
    count. NaN comes back where the two never ran together.
    """
    step = float(t_s[1] - t_s[0])
    place = np.arange(len(t_s))[None, :] - offsets_s[:, None] / step
    low = np.clip(np.floor(place).astype(np.intp), 0, len(t_s) - 2)
    share = place - low
    moved = (1 - share) * out_m[low] + share * out_m[low + 1]
    inside = (place >= 0) & (place <= len(t_s) - 1)
    gap = np.where(inside, moved - in_m[None, :], np.inf)
    nearest = np.where(np.isnan(gap), np.inf, gap).min(axis=1)
    return np.asarray(np.where(np.isfinite(nearest), nearest, np.nan))


def met_density(nearest_m: Floats, sd_m: float, usual_m: float) -> Floats:
    """Density (k,) in 1/m of the smallest gaps (k,) where the baton was passed; `sd_m` is the
    standard error of a gap, `usual_m` the squad's usual one."""
    spread = np.hypot(NEAREST_REP_SD_M, sd_m)
    z = (nearest_m - usual_m) / spread
    return np.asarray(np.exp(-0.5 * z**2) / (spread * np.sqrt(2 * np.pi)))


def missed_density(nearest_m: Floats, sd_m: float, usual_m: float) -> Floats:
    """The same where it was not passed: seldom nearer, and up to metres farther apart."""
    spread = np.hypot(NEAREST_REP_SD_M, sd_m)
    off = nearest_m - usual_m
    side = np.exp(-0.5 * (np.minimum(off, 0.0) / spread) ** 2)
    return np.asarray(side * np.exp(-np.maximum(off, 0.0) / APART_SCALE_M) / APART_SCALE_M)


def nearest_density(nearest_m: Floats, sd_m: float, went_on: float, usual_m: float) -> Floats:
    """The same where the baton went on with the chance `went_on`, or no rule holds."""
    known = went_on * met_density(nearest_m, sd_m, usual_m)
    known += (1 - went_on) * missed_density(nearest_m, sd_m, usual_m)
    return np.asarray((1 - NO_RULE) * known + NO_RULE / NO_RULE_M)


def find_clock_offsets(
    takeovers: Sequence[GapByOffset],
    stamp_sd_s: Mapping[str, float] | None = None,
    *,
    least_s: float = LEAST_OFF_S,
) -> Agreement:
    """One offset for each unit from the consistency of all its takeovers.

    Most clocks are right: each has a spike at zero and a slab of offsets from LEAST_OFF_S up,
    equally likely by their logarithm [1]. The unit whose offset explains most is corrected first,
    as long as it is ODDS_TO_CORRECT times likelier off than right; then the next. How near this
    squad's trunks usually come is not known either: of several answers, each with its own
    offsets, the likeliest counts. `stamp_sd_s` gives the standard error of stamps that are coarse:
    such a unit has no spike, and what the takeovers say is used at once. Offsets below
    `least_s` are not looked for.

    [1] Mitchell and Beauchamp, Bayesian variable selection in linear regression, Journal of the
    American Statistical Association, 1988, from memory: spike and slab.
    """
    if not takeovers:
        return Agreement({}, NEAREST_M.value)
    coarse = {name: sd for name, sd in (stamp_sd_s or {}).items() if sd > COARSE_STAMPS_S}
    names = sorted({name for one in takeovers for name in (one.incoming, one.outgoing)})
    units = {name: _unit_view(name, takeovers, coarse.get(name), least_s) for name in names}
    answers = [(*_explain(takeovers, units, float(usual)), float(usual)) for usual in USUAL_M]
    _, offsets, usual = max(answers, key=lambda one: one[0])
    return Agreement(offsets, usual)


@dataclass(frozen=True, eq=False)
class _UnitView(Frozen):
    """What is asked of one unit's clock, whatever the others' are: by the number of each takeover
    it saw who the other one was and whether this unit was the outgoing one; the blur (k, k) of what
    they have in common; the logarithm (k,) of how likely each offset is beforehand; and whether
    its stamps are coarse."""

    takeovers: tuple[tuple[int, str, bool], ...]
    grid_s: Floats
    blur: Floats
    log_prior: Floats
    coarse: bool


def _unit_view(
    unit: str, takeovers: Sequence[GapByOffset], stamp_sd_s: float | None, least_s: float
) -> _UnitView:
    own = [
        (i, one.incoming if unit == one.outgoing else one.outgoing, unit == one.outgoing)
        for i, one in enumerate(takeovers)
        if unit in (one.incoming, one.outgoing)
    ]
    grid = takeovers[0].offset_s
    # A runner's way, and without tapes the unit's slow error, pass for a clock's.
    untaped = float(np.mean([not takeovers[i].taped for i, _, _ in own]))
    speed = float(np.mean([takeovers[i].closing_mps for i, _, _ in own]))
    common_m = float(np.hypot(STYLE_SD_M, STAND_UNSEEN_M * untaped))
    size = np.maximum(np.abs(grid), least_s)
    reach = float(np.abs(grid).max())
    prior = np.where(np.abs(grid) < least_s, 0.0, 1 / (2 * size * np.log(reach / least_s)))
    if stamp_sd_s is not None:
        prior = np.exp(-0.5 * (grid / stamp_sd_s) ** 2) / (stamp_sd_s * np.sqrt(2 * np.pi))
    with np.errstate(divide="ignore"):
        log_prior = np.log(prior * np.gradient(grid))
    blur = _blur_matrix(grid, common_m / max(speed, 1.0))
    return _UnitView(tuple(own), grid, blur, log_prior, stamp_sd_s is not None)


def _explain(
    takeovers: Sequence[GapByOffset], units: Mapping[str, _UnitView], usual_m: float
) -> tuple[float, Mapping[str, ClockOffset]]:
    """The best offsets where the squad's usual smallest gap is `usual_m`, and the logarithm of how
    likely that is altogether."""
    grid = takeovers[0].offset_s
    logs = [_log_by_offset(one, usual_m) for one in takeovers]
    mirrored = [np.interp(-grid, grid, log) for log in logs]
    offsets = dict.fromkeys(units, 0.0)
    off: dict[str, tuple[str, ...]] = {}
    score = -0.5 * ((usual_m - NEAREST_M.value) / NEAREST_M.sd) ** 2
    score += sum(float(np.interp(0.0, grid, log)) for log in logs)
    for _ in range(max(1, len(units) // 2)):
        gains = {
            unit: _judge_unit(view, logs, mirrored, offsets)
            for unit, view in units.items()
            if unit not in off
        }
        best = max(gains, key=lambda unit: gains[unit].log_odds)
        if gains[best].log_odds < np.log(ODDS_TO_CORRECT):
            break
        score += gains[best].log_odds
        off[best] = tuple(
            unit
            for unit, gain in gains.items()
            if unit != best and gain.log_odds > gains[best].log_odds - RIVAL
        )
        offsets[best] = gains[best].if_off.value
        for unit in off:  # each again, now that the others are known better
            offsets[unit] = _judge_unit(units[unit], logs, mirrored, offsets).if_off.value
    out = {}
    for unit, view in units.items():
        judged = _judge_unit(view, logs, mirrored, offsets)
        if unit in off:
            out[unit] = ClockOffset(judged.if_off, True, off[unit])
        else:
            share = 1 / (1 + np.exp(-judged.log_odds))
            spread = float(np.hypot(judged.if_off.value, judged.if_off.sd))
            out[unit] = ClockOffset(Estimate(0.0, float(np.sqrt(share)) * spread), False)
    return score, out


def _log_by_offset(one: GapByOffset, usual_m: float) -> Floats:
    nearest = np.nan_to_num(one.nearest_m, nan=NEVER_MET_M)
    return np.asarray(np.log(nearest_density(nearest, one.sd_m, one.went_on, usual_m)))


@dataclass(frozen=True, slots=True)
class _Judged:
    log_odds: float  # of being off against being right
    if_off: Estimate


def _judge_unit(
    unit: _UnitView,
    logs: Sequence[Floats],
    mirrored: Sequence[Floats],
    offsets: Mapping[str, float],
) -> _Judged:
    """How likely one unit is off, all others as they are, and by how much if it is.

    `logs` (k,) are of each takeover by the outgoing unit's offset, `mirrored` (k,) by the incoming
    unit's.
    """
    grid = unit.grid_s
    total = np.zeros(len(grid))
    for i, other, is_outgoing in unit.takeovers:
        log = logs[i] if is_outgoing else mirrored[i]
        total += np.interp(grid - offsets[other], grid, log) if offsets[other] else log
    total = _blurred(total, unit.blur)
    density = total + unit.log_prior
    evidence = float(np.logaddexp.reduce(density))
    at_zero = float(np.interp(0.0, grid, total))
    weight = np.exp(density - evidence)
    mean = float(weight @ grid)
    sd = float(np.sqrt(weight @ (grid - mean) ** 2))
    odds = evidence - at_zero + float(np.log(CLOCK_IS_OFF / (1 - CLOCK_IS_OFF)))
    if unit.coarse:
        odds = max(odds, 0.0) + COARSE_ODDS
    return _Judged(odds, Estimate(mean, sd))


def _blur_matrix(grid: Floats, sd_s: float) -> Floats:
    """By which a density on the grid (k,) is multiplied where an error of `sd_s` is added."""
    apart = (grid[:, None] - grid[None, :]) / max(sd_s, 1e-6)
    weight = np.exp(-0.5 * apart**2)
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _blurred(log_density: Floats, blur: Floats) -> Floats:
    """The logarithm of a density after an error was added."""
    top = float(log_density.max())
    # What is so much less likely than the best is impossible, and its logarithm stays finite.
    density = np.exp(np.maximum(log_density - top, LEAST_LOG))
    return np.asarray(np.log(blur @ density) + top)


def correction_in_words(runner: str, one: ClockOffset) -> str:
    """What a clock was off and what was done about it: "robin's unit is 0.42 ± 0.03 s late ..."."""
    off = -one.offset.value
    words = f"{abs(off):.2f} ± {one.offset.sd:.2f} s {'late' if off > 0 else 'early'}"
    others = f" (or {' or '.join(one.rivals)}'s, the other way)" if one.rivals else ""
    return f"{runner}'s unit{others} is {words} against the others: corrected"
