"""What a unit on a wrist shows of the pass: an arm that stops swinging, a knock, a swing again.

docs/methods.md, "A unit on the wrist", has the equations and what they rest on. The unit may be
worn in any orientation: only the size of the specific force and of its changes is used. Nothing
here knows which arm takes the baton: an arm that takes no part swings on and gives no sign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple, Self

import numpy as np
from scipy import ndimage, signal
from scipy.stats import norm

from pipeline.base.values import Estimate, Floats, Frozen, Ints

ONE_G_MPS2 = 9.80665
CELL_S = 0.01
FEWEST_HZ = 20.0
LONGEST_GAP_S = 0.15  # a knock or the end of a stretch may hide in a longer one
LARGEST_CLOCK_SD_S = 0.5
# The arm that is still, against the arm that swings.
MEDIAN_S = 0.07  # the force's square is the median over so long: a knock is shorter
LEVEL_S, LEVEL_SHARE = 1.0, 0.75  # the swing's level: so high a quantile over so long
INDEPENDENT_S = 0.06  # an arm's force turns round in about that time
STILL_SHARE = 0.35  # of the swing's force, felt by an arm held still
MOST_A_VALUE = 3.0  # natural logarithm, that one independent value may say
LEAST_SCORE = 0.2
MOST_LULLS = 60
STRIDES_HZ, FEWEST_STRIDES = 2.0, 5
BEYOND_LULLS = 4.0  # so many spreads beyond the arm's own lulls is as likely a reach as not
LEAST_SPREAD = 1.0  # of the sums; an even swing has a lull now and then
MOST_LOG_ODDS = 6.0
HELD_S = {"incoming": 0.28, "outgoing": 0.45}
HELD_FACTOR = 1.8
AFTER_START_S = 0.4  # a stretch cannot begin sooner: standing arms are still too
FADED = 0.5  # of its usual level: arms of one who has let go hang now and then
# The moment.
SHOCK_S = 0.015  # a knock differs from the force so long before and after it
EDGE_S = 0.03  # of a stretch, where the arm's own force begins
KNOCK_G = (0.5, 30.0)
LEAST_SHOCK_G = 0.3
MOST_LOG_KNOCK = 4.0
KNOCK_S = 0.05  # two shocks so near to each other are one
KNOCK_STANDS_OUT = 0.6
KNOCK_BEFORE_S = {"incoming": Estimate(0.11, 0.08), "outgoing": Estimate(0.11, 0.06)}
CHANGE_AFTER_KNOCK_S = Estimate(0.03, 0.03)
CHANGE_BEFORE_SWING_S = {"incoming": Estimate(0.09, 0.08), "outgoing": Estimate(0.09, 0.06)}
STAYS = 0.2  # an arm may stay where it is, once the baton is gone
WAVERS, WAVERS_S = 0.07, 0.3  # it may move before the baton comes, to find it
HAND_BACK_SD_S = 0.10
SWUNG_S, SWUNG_SHARE = 0.5, 0.4  # so long before, so much of the swing's force squared
# Whether it is right.
RIGHT_WITH_KNOCK, RIGHT_WITHOUT = 0.97, 0.90
LEAST_CHANCE = 0.5
SENSED_P, SENSED_SD_S = 0.9, 0.08
ARM_RUN_IN_S, ARM_RUN_ON_S = 4.0, 1.0  # before and after the moments, that belong to the run
# The clock, from the arm's own start.
STARTS_G = 1.8  # a standing arm feels less
RESTS_S = 0.3
ARM_STARTS_S = 0.15  # after the trunk, ...
ARM_HABIT_S, ARM_START_S = 0.15, 0.2  # ... at most so much otherwise as a habit, and at one start
LOOK_FOR_START_S = 2.5


@dataclass(frozen=True, eq=False)
class WristStream(Frozen):
    """What a unit on a runner's wrist felt: `acc_mps2` (n, 3) in m/s² at `t_s` (n,) in s, strictly
    increasing, with the standard error of that clock."""

    runner: str
    role: Literal["incoming", "outgoing"]
    t_s: Floats
    acc_mps2: Floats
    clock_sd_s: float


@dataclass(frozen=True, eq=False)
class WristSign(Frozen):
    """A sign of the pass: its density (k,) in 1/s at evenly spaced moments `t_s` (k,), the only
    ones at which a pass was looked for; the chance that it is right before anything else is known;
    and when the hand went back (the receiver's)."""

    runner: str
    t_s: Floats
    density: Floats
    chance: float
    hand_back: Estimate | None
    words: str

    def log_likelihood(self, at_s: Floats) -> Floats:
        """Of the pass at each moment (k,): the sign is right, or says nothing."""
        return np.asarray(np.log(self._right(at_s) + self._nothing()))

    def chance_right(self, at_s: Floats, weight: Floats) -> float:
        """The chance that the sign is right, with the posterior weights (k,) of the moments."""
        right = self._right(at_s)
        return float(weight @ (right / (right + self._nothing())))

    def later(self, by_s: float) -> Self:
        """The same sign on a clock that shows `by_s` more."""
        back = self.hand_back
        moved = None if back is None else Estimate(back.value + by_s, back.sd)
        return replace(self, t_s=self.t_s + by_s, hand_back=moved)

    def _right(self, at_s: Floats) -> Floats:
        seen = np.interp(at_s, self.t_s, self.density, left=0.0, right=0.0)
        return np.asarray(self.chance * seen)

    def _nothing(self) -> float:
        return (1 - self.chance) / float(self.t_s[-1] - self.t_s[0])


@dataclass(frozen=True, slots=True)
class NoSign:
    """Why a wrist says nothing of the pass; `unusable` where the unit is to blame, and not the
    arm."""

    words: str
    unusable: bool = False


@dataclass(frozen=True, slots=True)
class StillStretch:
    """The arm is still from `from_s` to `to_s`; `log_odds` that it is no lull of its swing."""

    from_s: float
    to_s: float
    log_odds: float


class WristCells(NamedTuple):
    """The stream in cells of CELL_S, (m,) each: moment, squared force in (m/s²)², shock in g."""

    t_s: Floats
    square: Floats
    shock_g: Floats


def find_sign(
    stream: WristStream, moments_s: Floats, start_s: float | None = None
) -> WristSign | NoSign:
    """The sign of a pass at one of `moments_s` (k,), evenly spaced, on the stream's clock.

    `start_s` is when the runner set off from a stand, where that is known.
    """
    stream = _cut_stream(stream, moments_s, start_s)
    why = _find_defect(stream, moments_s)
    if why is not None:
        return NoSign(why, unusable=True)
    cells = _fill_cells(stream)
    stretches = find_stretches(stream, cells, moments_s, start_s)
    if not stretches:
        return NoSign("the arm swings on")
    odds = np.exp([one.log_odds for one in stretches])
    share = odds / odds.sum()
    found = [_moment_density(one, cells, stream, moments_s) for one in stretches]
    density = share @ np.array([density for density, _ in found])
    knock = float(share @ np.array([knock for _, knock in found]))
    chance = float(odds.sum() / (1 + odds.sum()))
    chance *= knock * RIGHT_WITH_KNOCK + (1 - knock) * RIGHT_WITHOUT
    if chance < LEAST_CHANCE:
        return NoSign("the arm is still for no longer than in its own swing")
    best = stretches[int(np.argmax(odds))]
    knocks = "a knock" if knock > 0.5 else "no clear knock"
    return WristSign(
        stream.runner,
        moments_s,
        np.asarray(density),
        chance,
        _hand_back(stretches, share, cells, stream.clock_sd_s)
        if stream.role == "outgoing"
        else None,
        f"an arm still for {best.to_s - best.from_s:.2f} s, and {knocks}",
    )


def is_sensed(signs: Sequence[WristSign], at_s: Floats, weight: Floats, moment_sd_s: float) -> bool:
    """Whether the pass rests on a wrist: the posterior weights (k,) of the moments `at_s` (k,) have
    a sign right, and the pass is known well enough."""
    right = max((one.chance_right(at_s, weight) for one in signs), default=0.0)
    return right > SENSED_P and moment_sd_s < SENSED_SD_S


def _cut_stream(stream: WristStream, moments_s: Floats, start_s: float | None) -> WristStream:
    """The run alone, with the stand before it: arms that walk or hang say nothing of a swing."""
    if not len(moments_s):
        return stream
    begin = float(moments_s[0]) - ARM_RUN_IN_S if start_s is None else start_s - LOOK_FOR_START_S
    near = slice(*np.searchsorted(stream.t_s, [begin, float(moments_s[-1]) + ARM_RUN_ON_S]))
    return replace(stream, t_s=stream.t_s[near], acc_mps2=stream.acc_mps2[near])


def _find_defect(stream: WristStream, moments_s: Floats) -> str | None:
    """Why the stream cannot be used; None where it can."""
    t = stream.t_s
    if len(moments_s) < 10 or len(t) < 3:
        return "it has no samples about the takeover"
    first, last = float(moments_s[0]), float(moments_s[-1])
    if t[0] > first or t[-1] < last:
        return "it has no samples about the takeover"
    around = np.flatnonzero((t >= first - 0.5) & (t <= last + 0.5))
    if len(around) < FEWEST_HZ * (last - first):
        return f"it has fewer than {FEWEST_HZ:.0f} samples a second"
    if float(np.diff(t[around]).max()) > LONGEST_GAP_S:
        return "samples are missing about the takeover"
    if not np.isfinite(stream.acc_mps2).all():
        return "samples are missing about the takeover"
    if not stream.clock_sd_s < LARGEST_CLOCK_SD_S:
        return f"its clock is known to {stream.clock_sd_s:.1f} s only"
    return None


def _fill_cells(stream: WristStream) -> WristCells:
    """The median of the squared force over MEDIAN_S, and what the force differs by from the mean of
    the forces SHOCK_S before and after (at low rates: one sample)."""
    t, acc = stream.t_s, stream.acc_mps2
    cells = np.arange(t[0], t[-1], CELL_S)

    def force_at(moments_s: Floats) -> Floats:
        return np.stack([np.interp(moments_s, t, acc[:, k]) for k in range(3)], 1)

    square = (force_at(cells) ** 2).sum(axis=1)
    beside = max(SHOCK_S, float(np.median(np.diff(t))))
    own = acc - (force_at(t + beside) + force_at(t - beside)) / 2
    shock = np.zeros(len(cells))
    at = np.clip(np.searchsorted(cells, t), 0, len(cells) - 1)
    np.maximum.at(shock, at, np.linalg.norm(own, axis=1) / ONE_G_MPS2)
    return WristCells(cells, ndimage.median_filter(square, round(MEDIAN_S / CELL_S)), shock)


# --- the arm that is still -----------------------------------------------------------------------


def find_stretches(
    stream: WristStream, cells: WristCells, moments_s: Floats, start_s: float | None
) -> list[StillStretch]:
    """The stretches that may end with a pass at one of `moments_s`, judged by the arm's own lulls.

    None where the arm has not swung often enough to be known.
    """
    t = cells.t_s
    begin = float(t[0]) if start_s is None else start_s
    level = _swing_level(cells.square)
    says = _still_log_ratio(cells.square / level)
    says[t <= begin] = -MOST_A_VALUE
    lulls = _best_runs(says * CELL_S / INDEPENDENT_S)
    strides = int(STRIDES_HZ * (t[-1] - max(begin, t[0])))
    if strides < FEWEST_STRIDES:
        return []
    # An arm that swings evenly has no lulls to speak of: a stride without one counts as nought.
    score = np.zeros(max(strides, len(lulls)))
    score[: len(lulls)] = [one.score for one in lulls]
    usual = float(np.median(score))
    off = float(np.median(np.abs(score - usual)))
    spread = max(1.4826 * off, 0.25 * usual, LEAST_SPREAD)
    out = []
    for one in lulls:
        from_s, to_s = float(t[one.first]), float(t[one.last]) + CELL_S
        if from_s < begin + AFTER_START_S or not moments_s[0] < to_s < moments_s[-1] + 0.1:
            continue
        before = (t > begin) & (t <= from_s)
        if level[one.first] < FADED * np.median(level[before]):
            continue
        length = np.log((to_s - from_s) / HELD_S[stream.role]) / np.log(HELD_FACTOR)
        odds = min((one.score - usual) / spread - BEYOND_LULLS, MOST_LOG_ODDS) - 0.5 * length**2
        out.append(StillStretch(from_s, to_s, float(odds)))
    return out


def _swing_level(square: Floats) -> Floats:
    """The squared force (m,) of the swing about each cell, not below a quarter of the usual."""
    width = round(LEVEL_S / CELL_S)
    local = ndimage.percentile_filter(square, 100 * LEVEL_SHARE, size=width, mode="nearest")
    return np.asarray(np.maximum(local, max(0.25 * float(np.median(local)), 1e-3)))


def _still_log_ratio(share: Floats) -> Floats:
    """Log-likelihood ratio of a still arm against a swinging one, for three normal components whose
    mean square is `share` (m,) of the swing's; bounded both ways."""
    r2 = STILL_SHARE**2
    ratio = -1.5 * np.log(r2) - 1.5 * share * (1 / r2 - 1)
    return np.asarray(np.clip(ratio, -MOST_A_VALUE, MOST_A_VALUE))


class Lull(NamedTuple):
    """First and last cell of a run of cells, and the sum of what they say."""

    first: int
    last: int
    score: float


def _best_runs(says: Floats) -> list[Lull]:
    """The runs of cells with the largest sums of `says` (m,), the largest first, none
    overlapping: at most MOST_LULLS, each of at least LEAST_SCORE."""
    left = says.copy()
    found: list[Lull] = []
    while len(found) < MOST_LULLS:
        total = np.cumsum(left)
        lowest = np.minimum.accumulate(np.concatenate([[0.0], total[:-1]]))
        last = int(np.argmax(total - lowest))
        score = float(total[last] - lowest[last])
        if score < LEAST_SCORE:
            break
        before: Ints = np.flatnonzero(np.concatenate([[0.0], total[:last]]) == lowest[last])
        first = int(before[-1])
        found.append(Lull(first, last, score))
        left[first : last + 1] = -MOST_A_VALUE
    return found


def _hand_back(
    stretches: Sequence[StillStretch], share: Floats, cells: WristCells, clock_sd_s: float
) -> Estimate | None:
    """When the hand goes back: the beginning of the stretches, weighed by their shares (p,). None
    where the arm did not swing before the likeliest: it may have been back for longer."""
    begins = np.array([one.from_s for one in stretches])
    first = float(begins[np.argmax(share)])
    before = cells.square[(cells.t_s > first - SWUNG_S) & (cells.t_s < first)]
    if not len(before) or before.mean() < SWUNG_SHARE * np.quantile(cells.square, LEVEL_SHARE):
        return None
    mean = float(share @ begins)
    spread = float(np.sqrt(share @ (begins - mean) ** 2))
    return Estimate(mean, float(np.linalg.norm([spread, HAND_BACK_SD_S, clock_sd_s])))


# --- the clock -----------------------------------------------------------------------------------


def arm_lateness(stream: WristStream, start_s: float) -> float | None:
    """How long in s after `start_s`, the trunk's first movement, the arm begins to move; negative:
    before it. None where the arm was not at rest before a start near that time."""
    around = np.array([start_s - LOOK_FOR_START_S, start_s + LOOK_FOR_START_S])
    stream = _cut_stream(stream, around, start_s)
    if len(stream.t_s) < 3 or not np.isfinite(stream.acc_mps2).all():
        return None
    cells = _fill_cells(stream)
    rests = cells.square < (STARTS_G * ONE_G_MPS2) ** 2
    least = round(RESTS_S / CELL_S)
    rested = ndimage.minimum_filter1d(rests.astype(int), least, origin=(least - 1) // 2)
    goes = np.flatnonzero((rested[:-1] == 1) & ~rests[1:]) + 1
    late = cells.t_s[goes] - start_s
    late = late[np.abs(late) < LOOK_FOR_START_S]
    return float(late[np.argmin(np.abs(late - ARM_STARTS_S))]) if len(late) else None


def find_clock_off(lateness_s: Sequence[float]) -> float | None:
    """By how much in s the clock of a unit looks late, from how late its arm was at several starts;
    None where it may as well be right."""
    if not len(lateness_s):
        return None
    off = float(np.median(lateness_s)) - ARM_STARTS_S
    allowed = ARM_HABIT_S + ARM_START_S / np.sqrt(len(lateness_s))
    return off if abs(off) > allowed else None


# --- the moment ----------------------------------------------------------------------------------


def _moment_density(
    one: StillStretch, cells: WristCells, stream: WristStream, moments_s: Floats
) -> tuple[Floats, float]:
    """Density (k,) in 1/s of the pass if this stretch is the reach, and the chance of a knock."""
    step_sd = float(np.median(np.diff(stream.t_s))) / np.sqrt(12)
    open_s = float(np.hypot(stream.clock_sd_s, step_sd))
    at, log_ratio = _find_knocks(one, cells)
    prior = _before_swing_density(one, at, KNOCK_BEFORE_S[stream.role]) * KNOCK_S
    weight = KNOCK_STANDS_OUT * prior * np.exp(log_ratio)
    after = CHANGE_AFTER_KNOCK_S
    knocks = norm.pdf(moments_s[None, :] - at[:, None], after.value, np.hypot(after.sd, open_s))
    usual = CHANGE_BEFORE_SWING_S[stream.role]
    swing = _before_swing_density(
        one, moments_s, Estimate(usual.value, float(np.hypot(usual.sd, open_s)))
    )
    without = 1 - KNOCK_STANDS_OUT
    total = float(weight.sum()) + without
    return np.asarray((weight @ knocks + without * swing) / total), 1 - without / total


def _before_swing_density(one: StillStretch, at_s: Floats, before: Estimate) -> Floats:
    """Density in 1/s of what happens so long before the arm swings again, at moments `at_s`; with
    the chance STAYS anywhere in the stretch, with the chance WAVERS within WAVERS_S after it."""
    usual = norm.pdf(one.to_s - at_s, before.value, before.sd)
    within = (at_s > one.from_s) & (at_s < one.to_s)
    after = (at_s >= one.to_s) & (at_s < one.to_s + WAVERS_S)
    other = STAYS * within / (one.to_s - one.from_s) + WAVERS * after / WAVERS_S
    return np.asarray((1 - STAYS - WAVERS) * usual + other)


def _find_knocks(one: StillStretch, cells: WristCells) -> tuple[Floats, Floats]:
    """The shocks (p,) in a stretch: their moments, and the log-likelihood ratio of a knock of any
    size against one of the arm's other shocks, footfalls among them."""
    near = (cells.t_s >= one.from_s + EDGE_S) & (cells.t_s <= one.to_s - EDGE_S)
    at, size = cells.t_s[near], cells.shock_g[near]
    peak, _ = signal.find_peaks(np.concatenate([[0.0], size, [0.0]]))
    at, size = at[peak - 1], size[peak - 1]
    others = (size.sum() - size) / max(len(size) - 1, 1)
    scale = np.maximum(others, LEAST_SHOCK_G)
    least, most = KNOCK_G
    ratio = np.log(scale / np.maximum(size, least)) + size / scale - np.log(np.log(most / least))
    ratio = np.where(size < least, -MOST_LOG_KNOCK, ratio)
    return at, np.asarray(np.clip(ratio, -MOST_LOG_KNOCK, MOST_LOG_KNOCK))
