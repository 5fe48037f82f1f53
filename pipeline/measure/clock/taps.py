"""Counters tied by taps: all units knocked together show a spike at the same moment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from pipeline.base.signals import Spikes, robust_sd, sampling_rate_hz, spikes
from pipeline.base.values import Floats, Imu, Tap
from pipeline.measure.clock.counter import CRYSTAL_PPM, CounterFit

MODEL_SD_S = 0.012  # what ties by motion share: no start is quite as the model has it
TAP_SD_S = 0.0015  # what the housings' ringing and the sensors' own filters leave, one unit
TAP_LEAST_MPS2 = 8.0  # a knock that counts
TAP_REACH_S = 0.015  # spikes of one tap in two units lie no farther apart

Pattern = Sequence[Sequence[tuple[Floats, Floats]]]  # by tap and unit: spikes' UTC, likeness


@dataclass(frozen=True, eq=False)
class Knocks:
    """One unit's spikes by tap, on the unit's own stamps, and the step between its samples."""

    by_tap: tuple[Spikes, ...]
    step_s: float


class UnitSpike(NamedTuple):
    """One spike near a tap: on the unit's own stamps, as UTC, and how like a tap it is."""

    unit: int
    t_s: float
    utc_s: float
    likeness: float
    step_s: float


class TapSpike(NamedTuple):
    """A tap as one unit saw it, on the unit's own stamps."""

    event: int
    unit: int
    t_s: float
    sd_s: float


def tie_counters(
    counters: Mapping[int, Imu],
    motion: Mapping[int, CounterFit],
    stamped: Sequence[Imu | None],
    taps: Sequence[Tap],
) -> dict[int, CounterFit]:
    """The line to UTC of every counter that taps or motion can tie.

    `counters` are the accelerometers on counters and `motion` what motion says of them, both by
    the unit's number; `stamped` are all units' accelerometers with UTC stamps, in that order.
    """
    if taps and counters:
        near = [(tap.near_utc_s - tap.window_s, tap.near_utc_s + tap.window_s) for tap in taps]
        fixed = {i: find_knocks(imu, near) for i, imu in enumerate(stamped) if imu is not None}
        fits, moving = _align_counters(counters, motion, fixed, near)
        tap_spikes, centres = _tap_moments(fixed, moving, fits)
        if tap_spikes:
            return _adjust_counters(counters, motion, fits, fixed, tap_spikes, centres)
    return dict(motion)


def find_knocks(imu: Imu, spans: Sequence[tuple[float, float]]) -> Knocks:
    """The spikes within each span of the unit's own stamps.

    A knock may come from any side, so what counts is how far the acceleration as a vector
    stands off its own running median.
    """
    found = []
    for start, end in spans:
        use = (imu.t_s >= start) & (imu.t_s <= end)
        found.append(_spikes_in(imu.t_s[use], imu.acc_mps2[use]))
    return Knocks(tuple(found), 1.0 / sampling_rate_hz(imu.t_s))


def _spikes_in(t_s: Floats, acc_mps2: Floats) -> Spikes:
    if t_s.size < 8:
        none = np.empty(0)
        return Spikes(none, none, none)
    half = max(2, round(0.05 * sampling_rate_hz(t_s)))
    calm = ndimage.median_filter(acc_mps2, size=(2 * half + 1, 1), mode="nearest")
    off = np.linalg.norm(acc_mps2 - calm, axis=1)
    least = max(TAP_LEAST_MPS2, 6 * robust_sd(off))
    return spikes(t_s, off, least)


def _tap_likeness(found: Spikes) -> Floats:
    """How like a tap a spike is: high against TAP_LEAST_MPS2, and alone, since footfalls come in
    rows."""
    return np.asarray(np.log1p(found.height / TAP_LEAST_MPS2) * np.clip(found.alone, 0.3, 3.0))


def _align_counters(
    counters: Mapping[int, Imu],
    fits: Mapping[int, CounterFit],
    fixed: Mapping[int, Knocks],
    near: Sequence[tuple[float, float]],
) -> tuple[dict[int, CounterFit], dict[int, Knocks]]:
    """Bring the counters onto the common pattern of spikes, the best known one first.

    The pattern is what the units with UTC stamps saw. Where there are none, the counter that
    motion ties best stands in. A counter that matched joins the pattern.
    """
    pattern = [
        [(k.by_tap[j].t_s, _tap_likeness(k.by_tap[j])) for k in fixed.values()]
        for j in range(len(near))
    ]
    out, moving = dict(fits), {}
    order = sorted(counters, key=lambda i: fits[i].sd_s if i in fits else np.inf)
    for i in order:
        imu, fit = counters[i], out.get(i)
        bare = not any(t.size for tap in pattern for t, _ in tap)
        if fit is None and bare:
            continue
        if fit is None:
            fit = _search_whole_file(imu, pattern)
            if fit is None:
                continue
        reach = min(3.0, 4 * fit.sd_s + 0.15)
        spans = [tuple(float(x) for x in np.sort(fit.counter(np.array(span)))) for span in near]
        knocks = find_knocks(imu, [(a - reach, b + reach) for a, b in spans])
        moving[i] = knocks
        if not bare:
            out[i] = _best_match(fit, knocks, pattern, reach)
        for tap, found in zip(pattern, knocks.by_tap, strict=True):
            tap.append((out.setdefault(i, fit).utc(found.t_s), _tap_likeness(found)))
    return out, moving


def _best_match(fit: CounterFit, knocks: Knocks, pattern: Pattern, reach_s: float) -> CounterFit:
    """The fit with the offset and rate at which most spikes fall together with the pattern's."""
    step = 0.001
    grid = np.arange(-reach_s, reach_s + step, step)
    heaps = [
        _coincidences(fit.utc(found.t_s), _tap_likeness(found), tap, grid, step)
        for found, tap in zip(knocks.by_tap, pattern, strict=True)
    ]
    when = np.array([np.mean(f.t_s) if f.t_s.size else np.nan for f in knocks.by_tap], dtype=float)
    lever = np.where(np.isfinite(when), when - fit.t_ref_s, 0.0)
    sd_ppm = float(np.sqrt(max(fit.cov[1, 1], 1.0)))
    rates = np.arange(-3.0, 3.01, 0.1) * sd_ppm
    score = np.zeros((rates.size, grid.size))
    for heap, arm in zip(heaps, lever, strict=True):
        shift = grid[None, :] + rates[:, None] * arm * 1e-6
        score += np.interp(shift, grid, heap, left=0.0, right=0.0)
    if score.max() <= 0:
        return fit
    sd = fit.sd_s
    score -= 0.5 * (rates[:, None] / sd_ppm) ** 2 * 0.2 + 0.5 * (grid[None, :] / sd) ** 2 * 0.2
    r, g = np.unravel_index(int(np.argmax(score)), score.shape)
    return fit._replace(utc_s=fit.utc_s + grid[g], rate_ppm=fit.rate_ppm + rates[r])


def _coincidences(
    t_s: Floats, weight: Floats, tap: Sequence[tuple[Floats, Floats]], grid: Floats, step: float
) -> Floats:
    """How much of the tap's pattern the spikes meet when shifted by each value of `grid` [s]."""
    heap = np.zeros(grid.size)
    for other, other_weight in tap:
        if not (t_s.size and other.size):
            continue
        apart = (other[None, :] - t_s[:, None]).ravel()
        both = np.sqrt(weight[:, None] * other_weight[None, :]).ravel()
        at = np.round((apart - grid[0]) / step).astype(int)
        inside = (at >= 0) & (at < grid.size)
        heap += np.bincount(at[inside], weights=both[inside], minlength=grid.size)
    return np.asarray(ndimage.gaussian_filter1d(heap, 0.005 / step) * 0.0125 / step)


def _search_whole_file(imu: Imu, pattern: Pattern) -> CounterFit | None:
    """Find the taps on a counter that nothing else places; None where they are not clear.

    All spikes of the file are held against the pattern. With two taps or more their distance
    tells; one tap alone tells only where the file holds one spike that stands out.
    """
    found = _spikes_in(imu.t_s, imu.acc_mps2)
    pick = np.sort(np.argsort(-_tap_likeness(found))[:300])
    found = Spikes(found.t_s[pick], found.height[pick], found.alone[pick])
    known = [
        (np.concatenate([t for t, _ in tap]), np.concatenate([w for _, w in tap]))
        for tap in pattern
        if any(t.size for t, _ in tap)
    ]
    if not found.t_s.size or not known:
        return None
    weight = _tap_likeness(found)
    offsets = np.unique(
        np.round(np.concatenate([(t[None, :] - found.t_s[:, None]).ravel() for t, _ in known]), 2)
    )
    score = np.zeros(offsets.size)
    slack = 0.05 + 2e-6 * CRYSTAL_PPM * (imu.t_s[-1] - imu.t_s[0]) / 2
    for t, w in known:
        want = t[None, :] - offsets[:, None]
        at = np.clip(np.searchsorted(found.t_s, want), 1, max(found.t_s.size - 1, 1))
        at = np.minimum(at, found.t_s.size - 1)
        left = np.abs(found.t_s[at - 1] - want) < np.abs(found.t_s[at] - want)
        near = np.where(left, at - 1, at)
        hit = np.abs(found.t_s[near] - want) < slack
        score += np.max(np.where(hit, np.sqrt(weight[near] * w[None, :]), 0.0), axis=1)
    best = int(np.argmax(score))
    rival = score[np.abs(offsets - offsets[best]) > 2 * slack]
    if rival.size and rival.max() > 0.75 * score[best]:
        return None
    t_ref = float(0.5 * (imu.t_s[0] + imu.t_s[-1]))
    cov = np.diag([slack**2, CRYSTAL_PPM**2])
    return CounterFit(t_ref, t_ref + float(offsets[best]), 0.0, cov)


def _tap_moments(
    fixed: Mapping[int, Knocks], moving: Mapping[int, Knocks], fits: Mapping[int, CounterFit]
) -> tuple[list[TapSpike], list[float]]:
    """The taps: moments that at least two units saw within TAP_REACH_S, up to three a window.

    A second moment of the same window (a double knock) counts where as many units saw it.
    Gives the spikes of all taps, and each tap's moment [s, UTC] as the median of its spikes.
    """
    tap_spikes: list[TapSpike] = []
    centres: list[float] = []
    units = {**fixed, **moving}
    count = len(next(iter(units.values())).by_tap) if units else 0
    for j in range(count):
        near = [
            UnitSpike(unit, t, utc, likeness, knocks.step_s)
            for unit, knocks in units.items()
            for t, utc, likeness in zip(
                knocks.by_tap[j].t_s,
                fits[unit].utc(knocks.by_tap[j].t_s) if unit in moving else knocks.by_tap[j].t_s,
                _tap_likeness(knocks.by_tap[j]),
                strict=True,
            )
        ]
        most = 0
        for _ in range(3):
            group = _largest_group(near)
            if len(group) < 2 or len(group) < most:
                break
            most = max(most, len(group))
            event = len(centres)
            centre = float(np.median([one.utc_s for one in group]))
            centres.append(centre)
            tap_spikes += [
                TapSpike(event, one.unit, one.t_s, float(np.hypot(0.25 * one.step_s, TAP_SD_S)))
                for one in group
            ]
            near = [one for one in near if abs(one.utc_s - centre) > 0.06]
    return tap_spikes, centres


def _largest_group(near: Sequence[UnitSpike]) -> list[UnitSpike]:
    """The spikes of the most units, one a unit, within TAP_REACH_S of one of them."""
    best: list[UnitSpike] = []
    for seed in near:  # spikes in a tap's window: a dozen or two
        closest: dict[int, UnitSpike] = {}
        for one in near:
            apart = abs(one.utc_s - seed.utc_s)
            if apart <= TAP_REACH_S and (
                one.unit not in closest or apart < abs(closest[one.unit].utc_s - seed.utc_s)
            ):
                closest[one.unit] = one
        group = list(closest.values())
        if (len(group), sum(one.likeness for one in group)) > (
            len(best),
            sum(one.likeness for one in best),
        ):
            best = group
    return best


def _adjust_counters(
    counters: Mapping[int, Imu],
    motion: Mapping[int, CounterFit],
    fits: Mapping[int, CounterFit],
    fixed: Mapping[int, Knocks],
    tap_spikes: Sequence[TapSpike],
    centres: Sequence[float],
) -> dict[int, CounterFit]:
    """Robust least squares of taps and counters together.

    The unknowns are a shift of each tap from its centre and, of each counter, a shift and a
    rate from its line in `fits`. A group of counters that no UTC accelerometer ties hangs on
    its ties by motion.
    """
    units = sorted({spike.unit for spike in tap_spikes} - set(fixed))
    column = {unit: len(centres) + 2 * k for k, unit in enumerate(units)}
    size = len(centres) + 2 * len(units)
    design, observed = np.zeros((len(tap_spikes), size)), np.empty(len(tap_spikes))
    for row, spike in enumerate(tap_spikes):
        design[row, spike.event] = 1.0
        utc = spike.t_s
        if spike.unit in column:
            fit = fits[spike.unit]
            utc = float(fit.utc(np.array(spike.t_s)))
            design[row, column[spike.unit]] = -1.0
            design[row, column[spike.unit] + 1] = -(spike.t_s - fit.t_ref_s) * 1e-6
        observed[row] = utc - centres[spike.event]
    prior, pull = np.zeros((size, size)), np.zeros(size)
    for unit, at in column.items():
        block = slice(at, at + 2)
        prior[block, block], pull[block] = _counter_prior(fits[unit], motion.get(unit))
    sd = np.array([spike.sd_s for spike in tap_spikes])
    solution, cov = _robust_least_squares(design, observed, sd, prior, pull)
    ties = _reaches_utc(tap_spikes, set(fixed), set(motion))
    out: dict[int, CounterFit] = {}
    for unit in counters:
        if unit in column and unit in ties:
            at, fit = column[unit], fits[unit]
            by_motion = ties[unit] == "motion"
            words = "taps tie the counters to each other, UTC comes from motion"
            out[unit] = CounterFit(
                fit.t_ref_s,
                fit.utc_s + float(solution[at]),
                fit.rate_ppm + float(solution[at + 1]),
                cov[at : at + 2, at : at + 2],
                MODEL_SD_S if by_motion else 0.0,
                (words,) if by_motion else (),
                "taps",
            )
        elif unit in motion:
            kept = motion[unit]
            without = ("no tap found in it",) if fixed else ()
            out[unit] = kept._replace(remarks=kept.remarks + without)
    return out


def _counter_prior(fit: CounterFit, motion: CounterFit | None) -> tuple[Floats, Floats]:
    """What is known of a counter's shift [s] and rate [ppm] from `fit` without any tap:
    information (2, 2) and vector (2,)."""
    prior, pull = np.zeros((2, 2)), np.zeros(2)
    prior[1, 1] += CRYSTAL_PPM**-2
    pull[1] += -fit.rate_ppm * CRYSTAL_PPM**-2
    if motion is None:
        prior[0, 0] += 1e-6  # keeps a counter that hangs on nothing solvable
        return prior, pull
    # The crystal's prior is in the tie by motion already.
    full = motion.cov + np.diag([motion.common_sd_s**2, 0.0])
    information = np.linalg.inv(full) - np.diag([0.0, CRYSTAL_PPM**-2])
    off = np.array([motion.utc_s - fit.utc_s, motion.rate_ppm - fit.rate_ppm])
    return prior + information, pull + information @ off


def _robust_least_squares(
    design: Floats, y: Floats, sd: Floats, prior: Floats, pull: Floats
) -> tuple[Floats, Floats]:
    """Student-t least squares with a Gaussian prior: solution (p,) and covariance (p, p).

    `design` (n, p), observations `y` (n,) with standard errors `sd` (n,); the prior as
    information (p, p) and vector (p,). Iteratively reweighted with four degrees of freedom
    [1]. The scale of the residuals is estimated, with the nominal one counting as eight more
    residuals.

    [1] K. L. Lange, R. J. A. Little, J. M. G. Taylor, Journal of the American Statistical
        Association 84 (1989), robust statistical modeling using the t distribution.
    """
    weight = np.ones(y.size)
    for _ in range(20):
        w = weight / sd**2
        normal = design.T @ (w[:, None] * design) + prior
        solution = np.linalg.solve(normal, design.T @ (w * y) + pull)
        r = (y - design @ solution) / sd
        weight = 5.0 / (4.0 + r**2)
    free = max(0.0, y.size - design.shape[1])
    scale2 = (8.0 + float(np.sum(weight * r**2))) / (8.0 + free)
    normal = design.T @ ((weight / sd**2 / scale2)[:, None] * design) + prior
    return np.asarray(solution, float), np.asarray(np.linalg.inv(normal), float)


def _reaches_utc(
    tap_spikes: Sequence[TapSpike], stamped: set[int], moved: set[int]
) -> dict[int, str]:
    """What ties each unit through shared taps: "utc" or "motion"; a unit that neither reaches is
    absent. `stamped` are the units with UTC stamps, `moved` those that motion ties."""
    group = {spike.unit: spike.unit for spike in tap_spikes}
    by_event: dict[int, list[int]] = {}
    for spike in tap_spikes:
        by_event.setdefault(spike.event, []).append(spike.unit)
    for units in by_event.values():
        names = {group[u] for u in units}
        lowest = min(names)
        group = {u: lowest if g in names else g for u, g in group.items()}
    utc = {group[u] for u in group if u in stamped}
    motion = {group[u] for u in group if u in moved}
    return {u: "utc" if g in utc else "motion" for u, g in group.items() if g in utc or g in motion}
