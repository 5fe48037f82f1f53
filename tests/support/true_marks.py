"""What each mark of a pair is truly worth, and what two coach's rules make of their reps.

A pair runs the same fresh takeovers on every mark of a grid (crowd.py), so that marks differ by
nothing else. A rule is followed through reps drawn from these.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path

import crowd
import numpy as np
import squads  # noqa: F401 - finds sample_tracks

import practice  # isort: skip - from sample_tracks
import worlds  # isort: skip

MARKS_M = np.arange(1.0, 18.0, 0.4)  # before the back line
ANEW = 80  # fresh takeovers, the same on each mark
BEYOND_M = 30.0  # past the exit line, where what the exit speed still costs has been paid
FAULT_SHARE = 0.10  # of the reps; half of these are starts that go wrong on any mark
SMOOTHED_OVER = 7  # marks, 2.4 m from end to end
FEW = 12  # passes in the zone; with fewer a mark has no mean time

CHAINS = 200  # coaches who follow a rule, each with reps of their own
BAND_M = (10.0, 25.0)  # a pass outside it moves the tape
WISHED_M = 20.0
PASS_PER_MARK = 1.2  # metres that the pass moves by when the mark moves by one
BEYOND_ZONE_M = 2.0  # a pass that never came counts as one so far past the exit line


@dataclass(frozen=True)
class TrueMarks:
    """(ANEW, m) one takeover a row, one mark a column; NaN where nothing passed. `finish_s` is the
    baton's time from the entry line to BEYOND_M past the exit line."""

    marks_m: np.ndarray  # (m,)
    legal: np.ndarray  # passed inside the zone
    pass_m: np.ndarray
    zone_time_s: np.ndarray
    finish_s: np.ndarray
    ran_into: np.ndarray
    zone_m: float

    def chance(self, what: str, mark_m: float) -> float:
        """Share of the takeovers on a mark of which `what` is true, smoothed over marks."""
        share = getattr(self, what).mean(axis=0)
        return float(np.clip(np.interp(mark_m, self.marks_m, smooth(share)), 0.0, 1.0))

    def mean(self, what: str, mark_m: float) -> float:
        """Mean over the passes in the zone, smoothed over marks; NaN where there are few."""
        means = self._means(what)
        known = np.isfinite(means)
        if known.sum() < SMOOTHED_OVER:
            return np.nan
        return float(
            np.interp(mark_m, self.marks_m[known], smooth(means[known]), left=np.nan, right=np.nan)
        )

    def spread(self, what: str, mark_m: float) -> float:
        """Standard deviation of the passes in the zone on the nearest mark."""
        k = int(np.argmin(np.abs(self.marks_m - mark_m)))
        values = getattr(self, what)[self.legal[:, k], k]
        return float(values.std(ddof=1)) if len(values) >= FEW else np.nan

    def loss_s(self, failure_s: float, collision_s: float = 0.0) -> np.ndarray:
        """(m,) mean time of passes in the zone, and what failures cost on the mean."""
        time = self._means("finish_s")
        known = np.isfinite(time)
        time = np.interp(self.marks_m, self.marks_m[known], time[known])
        fails = failure_s * (1.0 - self.legal.mean(axis=0))
        return smooth(time + fails + collision_s * self.ran_into.mean(axis=0))

    def regret_s(
        self, mark_m: float | np.ndarray, failure_s: float, collision_s: float = 0.0
    ) -> np.ndarray:
        """Loss on a mark less the least of all marks."""
        loss = self.loss_s(failure_s, collision_s)
        return np.asarray(np.interp(mark_m, self.marks_m, loss) - loss.min())

    def _means(self, what: str) -> np.ndarray:
        values = np.where(self.legal, getattr(self, what), 0.0)
        count = self.legal.sum(axis=0)
        return np.where(count >= FEW, values.sum(axis=0) / np.maximum(count, 1), np.nan)


def smooth(values: np.ndarray) -> np.ndarray:
    """A parabola through each value's neighbours, so that chance makes no optimum."""
    from scipy.signal import savgol_filter

    return np.asarray(savgol_filter(values, SMOOTHED_OVER, 2))


def find_true_marks(
    squad: practice.Squad, site: practice.Site, pair: tuple[str, str], stand_m: float, seed: int
) -> TrueMarks:
    """Run a pair's fresh takeovers on every mark of the grid."""
    rng = np.random.default_rng([seed, 20261128])
    done = crowd.same_on_marks(
        squad, site, pair, list(MARKS_M), stand_m, ANEW, rng, FAULT_SHARE, BEYOND_M
    )

    def column(name: str) -> np.ndarray:
        return np.stack([getattr(one, name) for one in done], axis=1)

    return TrueMarks(
        MARKS_M, column("legal"), column("pass_m"), column("zone_time_s"), column("finish_s"),
        column("collided"), site.zone_m,
    )  # fmt: skip


def store(truth: TrueMarks, path: Path) -> None:
    values = {f.name: getattr(truth, f.name) for f in fields(truth)}
    part = path.with_suffix(".part.npz")
    np.savez_compressed(part, **values)
    part.rename(path)


def read_stored(path: Path) -> TrueMarks:
    with np.load(path) as found:
        values = {name: found[name] for name in found.files}
    return TrueMarks(**(values | {"zone_m": float(values["zone_m"])}))


# --- what a coach does without the tool -----------------------------------------------------


def rule_of_thumb_m(squad: practice.Squad, outgoing: str) -> float:
    """Where the trade puts the mark: 25 to 30 of the receiver's foot-lengths, by the squad's
    speed."""
    foot = next(p.foot_m for p in squad.people if p.id == outgoing)
    mean = float(np.mean([p.top_mps for p in squad.people]))
    return worlds.trade_mark_feet(mean) * foot


def _seen_on(truth: TrueMarks, marks: np.ndarray, rep: np.ndarray) -> np.ndarray:
    """(chains,) where the baton passed in rep number `rep` with the tape nearest to `marks`; a pass
    that never came counts as one beyond the zone."""
    step = truth.marks_m[1] - truth.marks_m[0]
    k = np.clip(np.rint((marks - truth.marks_m[0]) / step), 0, len(truth.marks_m) - 1).astype(int)
    at = truth.pass_m[rep, k]
    return np.where(np.isfinite(at), at, truth.zone_m + BEYOND_ZONE_M)


def _moved_a_foot(at: np.ndarray, marks: np.ndarray, foot_m: float) -> np.ndarray:
    early, late = at < BAND_M[0], at > BAND_M[1]
    return marks + foot_m * (early.astype(float) - late.astype(float))


def a_foot_after_each_miss(
    truth: TrueMarks,
    start_m: float,
    foot_m: float,
    counts: tuple[int, ...],
    rng: np.random.Generator,
) -> dict[int, np.ndarray]:
    """By count of reps the marks (CHAINS,) of coaches who begin at `start_m` and move the tape a
    foot after each pass outside the band."""
    marks, out = np.full(CHAINS, start_m), {}
    for rep in range(1, max(counts) + 1):
        at = _seen_on(truth, marks, rng.integers(0, len(truth.pass_m), CHAINS))
        marks = np.clip(_moved_a_foot(at, marks, foot_m), 1.0, truth.marks_m[-1])
        if rep in counts:
            out[rep] = marks
    return out


def mean_of_places_seen(
    truth: TrueMarks, start_m: float, counts: tuple[int, ...], rng: np.random.Generator
) -> dict[int, np.ndarray]:
    """The same of coaches who put the tape where, from all passes seen, the mean pass would come
    at the wished place."""
    marks, total, out = np.full(CHAINS, start_m), np.zeros(CHAINS), {}
    for rep in range(1, max(counts) + 1):
        at = _seen_on(truth, marks, rng.integers(0, len(truth.pass_m), CHAINS))
        total += marks + (WISHED_M - at) / PASS_PER_MARK
        marks = np.clip(total / rep, 1.0, truth.marks_m[-1])
        if rep in counts:
            out[rep] = marks
    return out
