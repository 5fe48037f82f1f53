"""What a bend costs, how speed fades late in a leg, and what a stretch of a leg then takes.

Plain functions that broadcast. Speeds are those of the start's law (`laws`), as on a straight.

Bend: a runner whose legs bear no more force on a bend than on a straight is slowed there to the v
of (v²/(r g))² = (v0/v)² - 1 [1, 2]. Measured losses are larger on average and scatter widely, so
the model's loss is multiplied by `BEND_SCALE`. Published losses of 4.7, 2.3 and 4.1 % [3, 4, 5] are
1.6, 0.9 and 1.5 times the model's: weighted by their 7, 7 and 9 runners 1.35, with a standard
error of 0.25. Runners differ: by 1.6 of 4.1 % in [5], measurement error included, so by at most
`BEND_RUNNER_SPREAD` of the loss.

Fade: from `FADE_FROM_M` on, the speed falls behind the law in proportion to the distance run. Laws
fitted to the first 60 m of seven published finals reach 100 m 0.04 to 0.22 s too early. That gives
`FADE_PER_M`; the races differ by `FADE_SPREAD_PER_M` (test_bends.py derives both; some of those
winners eased). It was measured up to 100 m; the last 20 to 30 m of a relay leg are extrapolated.

Sources
-------
[1] Greene, J Biomech Eng 107, 1985, 96. The equation is from memory.
[2] Usherwood & Wilson, Biol Lett 2, 2006, 47-50.
[3] Churchill et al., Sports Biomech 14, 2015, 106-121.
[4] Churchill et al., Scand J Med Sci Sports 26, 2016, 1171-1179.
[5] J Exp Biol 227(4), 2024, jeb246649.
[6] Tønnessen, Haugen & Shalfawi, J Strength Cond Res 27, 2013, 885-892.
[7] Salo & Bezodis, Sports Biomech 3, 2004, 43-53.
"""

from __future__ import annotations

import numpy as np

from pipeline.advise import laws
from pipeline.base.stadium import STANDARD, Stadium, plan_xy
from pipeline.base.values import Floats

Number = float | Floats

G_MPS2 = 9.81

BEND_SCALE, BEND_SCALE_SD = 1.35, 0.25
BEND_RUNNER_SPREAD = 0.39

FADE_FROM_M = 60.0  # top speed comes at 55 to 75 m in the same finals
FADE_PER_M, FADE_SPREAD_PER_M = 0.0016, 0.0009

# From the gun to the first force on the blocks: men, World Championships 2003-2009, n = 1319 [6].
# Women are slower, 0.176 s, from memory.
REACTION_S, REACTION_SPREAD_S = 0.166, 0.030

PIECE_M = 5.0  # a stretch is summed in pieces of at most so much


def bend_speed_mps(v_mps: Number, radius_m: Number) -> Floats:
    """The model's speed in m/s on a bend of a runner who has `v_mps` on a straight [1, 2].

    `radius_m`: of the measured line, 36.8 to 46.6 m in the lanes of a standard track. With x = v²
    the equation is the cubic x³ + (r g)² x = (r g)² v0², which has one real root.
    """
    rg = np.asarray(radius_m, dtype=np.float64) * G_MPS2
    third = np.arcsinh(1.5 * np.sqrt(3.0) * np.square(v_mps) / rg) / 3.0
    return np.asarray(np.sqrt(2.0 * rg / np.sqrt(3.0) * np.sinh(third)))


def bend_loss(v_mps: Number, radius_m: Number, scale: Number = BEND_SCALE) -> Floats:
    """Share of the speed `v_mps` that a bend takes away: the model's [1, 2] times `scale` [3-5].

    `radius_m`: of the measured line.
    """
    v = np.maximum(np.asarray(v_mps, dtype=np.float64), 1e-3)
    return np.asarray(scale * (1.0 - bend_speed_mps(v, radius_m) / v))


def bend_share(from_m: Number, to_m: Number, lane: int, track: Stadium = STANDARD) -> Floats:
    """Share (0 to 1) of a lane's measured line between two places that is bend.

    Places are metres past the finish line, as in `stadium`. They may go on for several laps, or
    lie before the line (negative); `to_m` > `from_m`.
    """
    half, bend = track.lap_m(lane) / 2.0, track.bend_m(lane)

    def run(s_m: Number) -> Floats:  # bend metres since the finish line
        halves, rest = np.divmod(np.asarray(s_m, dtype=np.float64), half)
        return np.asarray(halves * bend + np.minimum(rest, bend))

    share = (run(to_m) - run(from_m)) / np.subtract(to_m, from_m)
    return np.asarray(np.clip(share, 0.0, 1.0))  # rounding, hundreds of metres on


def along_home(from_m: Number, to_m: Number, lane: int, track: Stadium = STANDARD) -> Floats:
    """The mean share, -1 to 1, of a wind along the home straight that blows from behind between two
    places of a lane, as in `bend_share`: 1 on the home straight, -1 on the back one."""
    ends = plan_xy(np.stack(np.broadcast_arrays(from_m, to_m)), lane, track=track)[..., 0]
    return np.asarray((ends[1] - ends[0]) / np.subtract(to_m, from_m))


def fade(run_m: Number, per_m: Number = FADE_PER_M) -> Floats:
    """What is left of the law's speed after `run_m` metres of a sprint from a start, 0.2 to 1.

    `per_m`: the share lost with each metre beyond `FADE_FROM_M`; derived from races of 100 m.
    """
    late = np.maximum(0.0, np.asarray(run_m, dtype=np.float64) - FADE_FROM_M)
    return np.asarray(np.maximum(0.2, 1.0 - per_m * late))


def pieces_m(length_m: float) -> Floats:
    """(k + 1,) places from 0 to `length_m`, evenly, at most `PIECE_M` apart."""
    return np.linspace(0.0, length_m, max(1, int(np.ceil(length_m / PIECE_M - 1e-9))) + 1)


def run_s(
    from_m: Number,
    length_m: float,
    v_max_mps: Number,
    tau_s: Number,
    launch_s: Number = 0.0,
    *,
    on_bend: Number = 0.0,
    radius_m: float = np.inf,
    scale: Number = BEND_SCALE,
    fade_per_m: Number = FADE_PER_M,
) -> Floats:
    """Seconds a runner takes for the next `length_m` metres, having run `from_m`.

    `v_max_mps`, `tau_s`, `launch_s`: the law of his start; `radius_m`: of the measured line;
    `scale`: of the bend's loss; `fade_per_m`: as in `fade`. All broadcast to the shape of the
    result, except `on_bend`: the share of each piece of `pieces_m(length_m)` that is bend, (k,) or
    one for all.
    """
    t = _law_s(from_m, length_m, v_max_mps, tau_s, launch_s)
    pieces = pieces_m(length_m)
    middle = np.asarray(from_m, dtype=np.float64)[..., None] + (pieces[:-1] + pieces[1:]) / 2.0
    law_s = np.diff(t, axis=-1) / fade(middle, np.asarray(fade_per_m)[..., None])
    if np.isinf(radius_m) or not np.any(on_bend):
        return np.asarray(law_s.sum(axis=-1))
    loss = bend_loss(np.diff(pieces) / law_s, radius_m, np.asarray(scale)[..., None])
    return np.asarray((law_s * on_bend_factor(loss, on_bend)).sum(axis=-1))


def on_bend_factor(loss: Number, share: Number) -> Floats:
    """The factor by which a time on the straight grows where `share` of the way (0 to 1) is bend,
    which takes `loss` (0 to 0.5) of the speed."""
    lost = np.minimum(np.asarray(loss, dtype=np.float64), 0.5)
    return np.asarray(1.0 + share * lost / (1.0 - lost))


def _law_s(
    from_m: Number, length_m: float, v_max_mps: Number, tau_s: Number, launch_s: Number
) -> Floats:
    places = np.asarray(from_m, dtype=np.float64)[..., None] + pieces_m(length_m)
    v, tau, launch = (
        np.asarray(a, dtype=np.float64)[..., None] for a in (v_max_mps, tau_s, launch_s)
    )
    return laws.seconds_to(places, v, tau, launch)


def from_gun_s(
    length_m: float,
    v_max_mps: Number,
    tau_s: Number,
    launch_s: Number = 0.0,
    *,
    reaction_s: Number = REACTION_S,
    on_bend: Number = 0.0,
    radius_m: float = np.inf,
    scale: Number = BEND_SCALE,
    fade_per_m: Number = FADE_PER_M,
) -> Floats:
    """Seconds from the gun over the first `length_m` metres; arguments and shapes as in `run_s`.

    `reaction_s`: from the gun to the first force on the blocks [6]. The law of a standing start
    serves for blocks too: the two were found equal at 10 m, and no different in the time to 25 or
    50 m (n = 6) [7].
    """
    run = run_s(
        0.0,
        length_m,
        v_max_mps,
        tau_s,
        launch_s,
        on_bend=on_bend,
        radius_m=radius_m,
        scale=scale,
        fade_per_m=fade_per_m,
    )
    return np.asarray(reaction_s + np.asarray(launch_s) + run)
