"""Two runners made by hand, and their takeovers simulated.

`course` gives Draws that are all alike, `pair_squad` a Squad whose spread from rep to rep and
whose estimation error are set as wanted.
"""

from types import SimpleNamespace

import numpy as np

from pipeline.advise import hierarchy, pace, runners, simulate
from pipeline.advise.settings import Conditions
from pipeline.advise.simulate import Draws
from pipeline.base.values import Estimate

TODAY = Conditions()


def course(
    v_in=9.5, top=9.5, tau=1.2, lag=0.2, free=1.2, *, launch=0.0, cost=0.0, gain=0.0, fade=0.0,
    look=0.0, ease=0.0, n=2,
) -> Draws:  # fmt: skip
    """`n` draws, all alike: runner 0 brings the baton, runner 1 takes it."""

    def both(value: float) -> np.ndarray:
        return np.full((n, 2), value)

    return Draws(
        outer=2, inner=n // 2, top_mps=both(top), tau_s=both(tau), launch_s=both(launch),
        push_mps=both(top), lag_s=both(lag), cost_s=both(cost), v_in_mps=both(v_in),
        gain_mps2=both(gain), fade_mps2=both(fade), look_m=both(look), reach_share_m=both(free / 2),
        reach_rep_m=np.zeros(n), reach_pair=np.zeros(n), stand_m=np.zeros(n),
        eases=np.full(n, ease), ease_from=np.full(n, 0.66), ease_by=np.full(n, 0.15),
    )  # fmt: skip


def effects(mean, error, spread, blunders=0.0) -> hierarchy.Effects:
    """Two runners of the same `mean` (p,), estimation errors and spreads of their own."""
    p = len(mean)
    return hierarchy.Effects(
        mean=np.tile(mean, (2, 1)), cov=np.tile(np.diag(np.square(error)), (2, 1, 1)),
        within=np.diag(np.square(spread)), scale=np.ones(2), spread_df=np.full(2, 1e6),
        squad=np.asarray(mean), squad_cov=1e-12 * np.eye(p), between=np.eye(p),
        pull=np.zeros((2, p, p)), blunders=blunders, weight=np.full(2, 10.0),
        change=hierarchy.Change(np.full((2, p), np.nan), np.full((2, p, p), np.nan)),
    )  # fmt: skip


def learned_pace() -> pace.Pace:
    """Two runners of whom no takeover tells how they race: the assumption stands."""
    mean = np.array([np.log(pace.RACE_IN), pace.SHORT, np.log(pace.RACE_OUT)])
    cov = np.diag(np.square([pace.RACE_IN_SD, pace.SHORT_SD, pace.RACE_OUT_SD]))
    return pace.Pace(mean, cov, np.zeros((2, 2)), np.zeros(2), np.zeros(2), 0, 0, 0)


def pair_squad(spread=1.0, error=1.0, *, blind=True, eases=0.0, reach=1.2) -> runners.Squad:
    """Two average sprinters; `spread` and `error` scale all of either kind."""
    tiny = 1e-9

    def of(mean, own_error, own_spread):
        return effects(
            np.array(mean),
            tiny + error * np.array(own_error),
            tiny + spread * np.array(own_spread),
        )

    return runners.Squad(
        event="4x100" if blind else "4x400",
        runners=("robin", "wren"),
        pace=learned_pace(),
        start=of([9.6, 1.25, 0.05], [0.12, 0.03, 0.01], [0.10, 0.02, 0.01]),
        after=of([0.0], [0.0], [0.0]),
        push=of([9.0], [0.1], [0.2]),
        lag=of([0.18], [0.02], [0.04]),
        cost=of([0.03], [0.01], [0.02]),
        entry=of([9.5, 0.1, 0.15], [0.08, 0.02, 0.02], [0.12, 0.03, 0.03]),
        look=of([0.0], [0.05], [0.4]),
        reach=runners.Reach(
            np.full(2, reach / 2), (tiny + 0.05 * error) ** 2 * np.eye(2), np.zeros((2, 2)),
            np.full((2, 2), 0.05 * error), 0.1 * spread, np.zeros(2),
        ),
        easing=runners.EasingHabit(eases, 1e6, Estimate(0.66, 0.0), Estimate(0.15, 0.0)),
        reps_in=np.full(2, 10.0),
        reps_out=np.full(2, 10.0),
        feet_m=np.array([0.29, 0.30]),
        reps=SimpleNamespace(blind=blind),
    )  # fmt: skip


def run(draws, marks, *, stand=0.0, where=TODAY, squad=None, **options) -> simulate.Outcomes:
    squad = squad or pair_squad(0.0, 0.0)
    return simulate.simulate(squad, draws, (0, 1), np.atleast_1d(marks), stand, where, **options)
