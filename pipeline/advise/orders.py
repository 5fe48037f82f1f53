"""Running orders: which four of a squad, who on which leg, how sure, and what if one drops out.

The baton's time is cut at the entry and exit lines of the takeover zones. So it is a sum of what
one runner and what one pair give (`time_terms`):

- leg 1 from the gun to the first entry line: the reaction to the gun, then the law of the start;
- three zone times of pairs, as practised at the mark that is advised for the pair;
- after each zone the receiver's way to the next entry line, or to the finish, by his own law from
  where he began to run.

Orders are ranked by their expected loss: the time, what a failure is worth times the chance of one
in any of the three takeovers, and what running into each other is worth. The three chances rest on
the same runners, known as well or badly in all of them: they are drawn together.

The lane says where each zone lies, on a bend or a straight, and the radius. On a bend each runner
loses what `bends` says, and late in a leg he fades. In the 4x100 that is all. The law of the start
says nothing of the last three quarters of a longer leg, so flat times are needed. A runner who
begins to run x metres before the exit line has, from there on, the rest of a flat race before him:
F - R - t(x), where F is his flat time, R the reaction in it and t(x) the law's time to x. His way
may be longer or shorter than that rest; he runs the difference at the speed he brings into a zone.
The bends of the flat race are part of F. Running room, lane breaks and tactics are not in the
model.

Two things are kept apart. `time_sd_s` is how well the expected time is known: the estimation errors
of runners and pairs, and of what a bend and the end of a leg cost, in general and this runner.
`time_spread_s` is how races differ: the spread of the zones, the reaction, the form of the day.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow as pa

from pipeline.advise import bends, laws, simulate
from pipeline.advise.marks import Advice, PairAdvice
from pipeline.base import defaults
from pipeline.base.asking import one_of
from pipeline.base.relays import Rules, is_blind, leg_m, zone_lines_m
from pipeline.base.stadium import LANES, STANDARD, Stadium, in_lanes, scratch_m, start_m
from pipeline.base.values import Floats, Frozen, Ints
from pipeline.base.words import chance_in_words, falls_short
from pipeline.errors import UsageError
from pipeline.tables import schema

LEGS = (1, 2, 3, 4)
HANDS = ("right", "left", "right", "left")  # that carry the baton, leg by leg: common practice

# Of one athlete from race to race: about 0.9 % of a sprint's time (Hopkins, from memory).
FORM_SPREAD = 0.009

OUTER, INNER = 128, 32  # draws of the estimation error, and reps in each draw
AT_ONCE = 4096  # orders compared at a time: bounds the memory
CLOSE_CALL = 0.9  # a remark says if the chance of beating the second order is below this


@dataclass(frozen=True, eq=False)
class Legs(Frozen):
    """What is known of J runners and their pairs, in n draws of the estimation error.

    `v_max_mps`, `tau_s`, `launch_s` (n, J): the law of the start with both arms free, launch from
    the first movement;
    `v_in_mps` (n, J): the speed brought into a zone. Of pairs, incoming by outgoing, at the advised
    mark: `zone_time_s` (n, J, J), the zone time expected on a straight; its
    `zone_time_spread_s` (J, J);
    `p_in_zone` (n, J, J), or (J, J) where it is the same in all draws; `p_ran_into` (J, J);
    `outgoing_start_m` (J, J), past the back line. `failure_s` and `collision_s` are those of
    Settings. A pair that is not known is
    NaN, and no order uses it; the diagonal is not looked at. `flat_s` (J,): flat times expected
    over the leg's distance, NaN where not known, and their standard errors `flat_sd_s` (J,); needed
    where a leg is longer than 100 m. `remarks`: words on pairs (incoming, outgoing), which the
    orders pass on.
    """

    event: str
    lane: int
    runners: tuple[str, ...]
    v_max_mps: Floats
    tau_s: Floats
    launch_s: Floats
    v_in_mps: Floats
    zone_time_s: Floats
    zone_time_spread_s: Floats
    p_in_zone: Floats
    outgoing_start_m: Floats
    flat_s: Floats | None = None
    flat_sd_s: Floats | None = None
    rules: Rules = Rules.today
    bends_in_lanes: int | None = None
    track: Stadium = STANDARD
    remarks: Mapping[tuple[str, str], str] = field(default_factory=dict)
    p_ran_into: Floats | float = 0.0
    wind_mps: float = 0.0  # along the home straight, positive from behind there
    failure_s: float = defaults.FAILURE_S
    collision_s: float = defaults.COLLISION_S


def refuse_unknown_lane(lane: int) -> None:
    """Raise UsageError for a lane that no track has."""
    if lane not in LANES:
        raise UsageError("lane", str(lane), f"{LANES[0]} to {LANES[-1]}")


def gather_legs(advice: Advice, lane: int, flat_s: Mapping[str, float] | None = None) -> Legs:
    """What running orders rest on: every pair of the team on its advised mark.

    The estimation errors are drawn together for the whole squad. `lane`: 1 to 9; `flat_s`: flat
    times by runner. Raises UsageError for the flat time of a stranger.
    """
    squad, settings = advice.squad, advice.settings
    names = settings.team or squad.runners
    strangers = sorted(set(flat_s or {}) - set(names))
    if strangers:
        raise UsageError("flat time", strangers[0], one_of(names))
    # the wind blows along the home straight: each stretch has its own share (`time_terms`)
    still = replace(advice.conditions, wind_mps=0.0)
    draws = simulate.draw_runners(
        squad, still, outer=OUTER, inner=INNER, seed=settings.seed, same_reps=True
    )
    own = np.array([squad.index(name) for name in names], dtype=np.intp)
    place = {name: k for k, name in enumerate(names)}
    size = len(names)
    time = np.full((draws.outer, size, size), np.nan)
    chance = np.full((draws.outer, size, size), np.nan)
    spread, into, stand = (np.full((size, size), np.nan) for _ in range(3))
    starts: dict[tuple[int, float, float], simulate.Receiver] = {}
    for pair in sorted(advice.pairs, key=lambda one: one.outgoing):
        i, j = squad.index(pair.incoming), squad.index(pair.outgoing)
        how = (j, pair.stand_m, pair.pace)
        if how not in starts:  # one receiver's at a time: each is large
            starts = {how: simulate.run_receiver(draws, j, still, pair.stand_m, pair.pace)}
        out = simulate.simulate(
            squad, draws, (i, j), np.array([pair.best.mark_m]), pair.stand_m, still,
            pace=pair.pace, latest_m=settings.latest_m, start=starts[how],
        )  # fmt: skip
        hit = draws.group(out.in_zone)[..., 0]
        value = np.where(hit > 0, draws.group(out.zone_time_s)[..., 0], 0.0).sum(axis=1)
        mass = hit.sum(axis=1)
        # a group without a pass in the zone says nothing of its time: the mean stands in
        mean = np.divide(value, mass, out=np.full_like(value, np.nan), where=mass > 0)
        mean = np.where(mass > 0, mean, pair.best.zone_time_s)
        at = place[pair.incoming], place[pair.outgoing]
        time[(slice(None), *at)] = mean + (pair.best.zone_time_s - mean.mean())
        chance[(slice(None), *at)] = draws.group(out.in_time)[..., 0].mean(axis=1)
        spread[at], into[at] = pair.best.zone_time_spread_s, pair.best.p_ran_into
        stand[at] = pair.stand_m

    def means(values: Floats) -> Floats:
        return np.asarray(draws.group(values).mean(axis=1)[:, own])

    said = {(p.incoming, p.outgoing): _pair_remark(p) for p in advice.pairs}
    return Legs(
        event=squad.event,
        lane=lane,
        runners=tuple(names),
        # from the gun, and on the way after a zone, both arms are free
        v_max_mps=means(draws.push_mps if squad.reps.blind else draws.top_mps),
        tau_s=means(draws.tau_s),
        launch_s=means(draws.launch_s),
        v_in_mps=means(draws.v_in_mps),
        zone_time_s=time,
        zone_time_spread_s=spread,
        p_in_zone=chance,
        outgoing_start_m=stand,
        flat_s=np.array([flat_s.get(name, np.nan) for name in names]) if flat_s else None,
        rules=Rules.older if settings.older else Rules.today,
        remarks={pair: words for pair, words in said.items() if words},
        p_ran_into=into,
        wind_mps=settings.wind_mps,
        failure_s=settings.failure_s,
        collision_s=settings.collision_s,
    )


def _pair_remark(pair: PairAdvice) -> str:
    words = []
    if falls_short(pair.best.p_in_zone):
        words.append(f"in the zone {chance_in_words(pair.best.p_in_zone)} only")
    if pair.reps_pair == 0:
        words.append("never tried")
    return ", ".join(words)


@dataclass(frozen=True, eq=False)
class Terms(Frozen):
    """The baton's time of order a, b, c, d is `first`[a] + `pair`[a, b, 0] + `pair`[b, c, 1] +
    `pair`[c, d, 2], its race-to-race variance likewise the sum of `first_var`, `pair_var`.

    `first` (n, J) is leg 1 to the first entry line; `zone` (n, J, J, 3) each zone time and `way`
    (n, J, J, 3) the receiver's way after it, together `pair`. `first_var` (J,), `zone_var` and
    `way_var` (J, J, 3) in s².
    """

    first: Floats
    zone: Floats
    way: Floats
    first_var: Floats
    zone_var: Floats
    way_var: Floats

    @property
    def pair(self) -> Floats:
        return self.zone + self.way

    @property
    def pair_var(self) -> Floats:
        return self.zone_var + self.way_var


@dataclass(frozen=True, eq=False)
class Orders(Frozen):
    """m orders, the least expected loss first; `legs` (m, 4) indexes `runners`.

    `time_s`, `time_sd_s`, `time_spread_s`, `p_best`, `p_legal`, `loss_s` (m,) as in the table
    `orders`. `beats_second` is the chance that the first order's expected loss is below the
    second's, None where there is one order only. `flat_gain_s` (m,): the flat times' sum less
    `time_s`, NaN where flat times are not known.
    """

    event: str
    lane: int
    runners: tuple[str, ...]
    legs: Ints
    time_s: Floats
    time_sd_s: Floats
    time_spread_s: Floats
    p_best: Floats
    p_legal: Floats
    loss_s: Floats
    beats_second: float | None
    flat_gain_s: Floats
    remarks: tuple[tuple[str, ...], ...]

    def names(self, row: int = 0) -> tuple[str, ...]:
        """The runners of legs 1 to 4."""
        return tuple(self.runners[j] for j in self.legs[row])


@dataclass(frozen=True, slots=True)
class Reserve:
    """What holds when runner `out` of the best order drops out; losses against that order's.

    `order` is the fastest without them, with the pairs whose marks hold (`kept`) and those that
    need another (`new`); `swap` is the fastest of those that keep the most pairs. None, with the
    reason in `remark`, where there is no order left.
    """

    out: str
    order: tuple[str, ...] | None = None
    costs_s: float | None = None
    costs_sd_s: float | None = None
    kept: tuple[tuple[str, str], ...] = ()
    new: tuple[tuple[str, str], ...] = ()
    swap: tuple[str, ...] | None = None
    swap_costs_s: float | None = None
    swap_new: tuple[tuple[str, str], ...] = ()
    remark: str = ""


# --- what one runner and one pair give -------------------------------------------------


def time_terms(legs: Legs, seed: int = 0) -> Terms:
    """The terms of the sum. Raises UsageError where the event or lane is unknown or flat times are
    missing."""
    long = leg_m(legs.event) > 100.0
    refuse_unknown_lane(legs.lane)
    draws, count = legs.v_max_mps.shape
    rng = np.random.default_rng(seed)
    # What a bend costs, in general and this runner; not below 0, since nobody gains by it.
    general = bends.BEND_SCALE + bends.BEND_SCALE_SD * rng.standard_normal((draws, 1))
    own = 1.0 + bends.BEND_RUNNER_SPREAD * rng.standard_normal((draws, count))
    scale = np.maximum(general * own, 0.0)
    late = rng.standard_normal((draws, count)) * bends.FADE_SPREAD_PER_M + bends.FADE_PER_M
    late = np.maximum(late, 0.0)
    if long:
        first, after = _flat_time_terms(legs, rng.standard_normal((draws, count)))
    else:
        first, after = _sprint_terms(legs, scale, late)
    zones = np.stack([_zone_times_s(legs, zone, scale) for zone in (1, 2, 3)], axis=-1)
    if legs.wind_mps:
        leg_wind, zone_winds, way_winds = winds_mps(legs)
        first = first / laws.wind_factor(leg_wind)
        zones, after = zones / laws.wind_factor(zone_winds), after / laws.wind_factor(way_winds)
    first_var = bends.REACTION_SPREAD_S**2 + (FORM_SPREAD * first.mean(axis=0)) ** 2
    zone_var = np.broadcast_to(
        np.square(legs.zone_time_spread_s)[..., None], (*legs.zone_time_spread_s.shape, 3)
    )
    way_var = np.square(FORM_SPREAD * after.mean(axis=0))
    return Terms(first, zones, after, first_var, zone_var, way_var)


def winds_mps(legs: Legs) -> tuple[float, Floats, Floats]:
    """The wind from behind on the mean of each stretch: leg 1 to the first entry line, the three
    zones (3,), and the ways after them (3,)."""
    _, entry, leave = zone_lines_m(legs.event, legs.rules)
    gun, leg = start_m(legs.event, legs.lane, legs.bends_in_lanes, legs.track), leg_m(legs.event)

    def wind(from_m: Floats | float, to_m: Floats | float) -> Floats:
        share = bends.along_home(gun + from_m, gun + to_m, legs.lane, legs.track)
        return np.asarray(legs.wind_mps * share)

    begin = leg * np.array([1.0, 2.0, 3.0])
    ways = wind(begin + leave, begin + leave + np.array(_way_lengths_m(legs)))
    return float(wind(0.0, leg + entry)), wind(begin + entry, begin + leave), ways


def _zone_times_s(legs: Legs, zone: int, scale: Floats) -> Floats:
    """(n, J, J) zone times where the zone lies: those on a straight, and what the bend adds.

    Half of the bend costs what it costs the incoming runner at the speed he brings, half what it
    costs the outgoing one at his speed at the exit line: a slow change is not slow by the bend.
    """
    _, entry, leave = zone_lines_m(legs.event, legs.rules)
    # after the break all run on lane 1's line
    lane = legs.lane if in_lanes(legs.event, zone, legs.bends_in_lanes) else 1
    at = scratch_m(legs.event, zone, lane, legs.bends_in_lanes, legs.track)
    share = float(bends.bend_share(at + entry, at + leave, lane, legs.track))
    radius = legs.track.measured_m(lane)
    law = legs.v_max_mps, legs.tau_s, legs.launch_s
    v_out = laws.speed_mps(laws.seconds_to(leave - entry, *law), *law)

    def more_s(v: Floats) -> Floats:
        factor = bends.on_bend_factor(bends.bend_loss(v, radius, scale), share)
        return (leave - entry) / v * (factor - 1.0) / 2.0

    return legs.zone_time_s + more_s(legs.v_in_mps)[:, :, None] + more_s(v_out)[:, None, :]


def _sprint_terms(legs: Legs, scale: Floats, late: Floats) -> tuple[Floats, Floats]:
    """Leg 1 (n, J) and the ways after the zones (n, J, J, 3) where all is run in lanes."""
    back, entry, leave = zone_lines_m(legs.event, legs.rules)
    leg = leg_m(legs.event)
    gun = start_m(legs.event, legs.lane, legs.bends_in_lanes, legs.track)
    radius = legs.track.measured_m(legs.lane)

    def on_bend(from_m: float, length_m: float) -> Floats:
        places = gun + from_m + bends.pieces_m(length_m)
        return bends.bend_share(places[:-1], places[1:], legs.lane, legs.track)

    first = bends.from_gun_s(
        leg + entry,
        legs.v_max_mps,
        legs.tau_s,
        legs.launch_s,
        on_bend=on_bend(0.0, leg + entry),
        radius_m=radius,
        scale=scale,
        fade_per_m=late,
    )
    own = leave - back - legs.outgoing_start_m  # run before the exit line, (J, J)
    ways = [
        bends.run_s(
            own,
            length,
            legs.v_max_mps[:, None, :],
            legs.tau_s[:, None, :],
            legs.launch_s[:, None, :],
            on_bend=on_bend(zone * leg + leave, length),
            radius_m=radius,
            scale=scale[:, None, :],
            fade_per_m=late[:, None, :],
        )
        for zone, length in zip((1, 2, 3), _way_lengths_m(legs), strict=True)
    ]
    return first, np.stack(ways, axis=-1)


def _way_lengths_m(legs: Legs) -> tuple[float, float, float]:
    """Metres from each exit line to the next entry line, and from the last one to the finish."""
    _, entry, leave = zone_lines_m(legs.event, legs.rules)
    leg = leg_m(legs.event)
    return leg + entry - leave, leg + entry - leave, leg - leave


def _flat_time_terms(legs: Legs, normal: Floats) -> tuple[Floats, Floats]:
    """As `_sprint_terms`, from flat times."""
    back, entry, leave = zone_lines_m(legs.event, legs.rules)
    leg = leg_m(legs.event)
    if legs.flat_s is None or not np.all(np.isfinite(legs.flat_s)):
        known = (
            np.zeros(len(legs.runners), bool) if legs.flat_s is None else np.isfinite(legs.flat_s)
        )
        missing = [name for name, has in zip(legs.runners, known, strict=True) if not has]
        raise UsageError(
            "flat times",
            f"not given for {', '.join(missing)}",
            f"the {leg:.0f} m time of every runner: a start's curve says nothing of its end",
            f"give --flat {missing[0]}=SECONDS, and so on",
        )
    sd = FORM_SPREAD * legs.flat_s if legs.flat_sd_s is None else legs.flat_sd_s
    flat = legs.flat_s + sd * normal  # (n, J)
    first = flat + entry / legs.v_in_mps
    own = leave - back - legs.outgoing_start_m
    start = laws.seconds_to(
        own, legs.v_max_mps[:, None, :], legs.tau_s[:, None, :], legs.launch_s[:, None, :]
    )
    rest = (flat - bends.REACTION_S)[:, None, :] - start
    more = np.array(_way_lengths_m(legs)) - (leg - own[..., None])  # (J, J, 3)
    return first, rest[..., None] + more / legs.v_in_mps[:, None, :, None]


# --- orders ----------------------------------------------------------------------------


def rank_orders(
    legs: Legs,
    *,
    fixed: Mapping[str, int] | None = None,
    forbidden: Collection[tuple[str, int]] = (),
    hands: Mapping[str, str] | None = None,
    seed: int = 0,
) -> Orders:
    """All orders of four that the wishes allow, the least expected loss first.

    `fixed` gives runners their legs, {"robin": 4}; they then run in every order. `forbidden` takes
    legs from runners, {("robin", 1)}. `hands` says in which hand alone a runner can carry
    the baton, {"robin": "left"}: right, left, right, left along the legs of a 4x100 or 4x200.
    Raises UsageError for wishes that cannot be met, fewer than four runners, missing flat times.
    """
    chosen = _list_allowed_orders(legs, fixed or {}, forbidden, hands or {})
    return _rank_places(legs, time_terms(legs, seed), chosen)


def _list_allowed_orders(
    legs: Legs,
    fixed: Mapping[str, int],
    forbidden: Collection[tuple[str, int]],
    hands: Mapping[str, str],
) -> Ints:
    """(m, 4) runners of the legs, by number. Raises UsageError as `rank_orders` does."""
    runners = legs.runners
    if len(set(runners)) < len(runners):
        raise UsageError("team", ", ".join(runners), "every runner once")
    if len(runners) < 4:
        raise UsageError("team", f"{len(runners)} runner(s)", "four or more")
    may = np.ones((len(runners), 4), dtype=bool)
    for name, leg in [*fixed.items(), *forbidden]:
        _require_runner(name, runners)
        if leg not in LEGS:
            raise UsageError(f"leg of {name}", str(leg), "1, 2, 3 or 4")
    for name, leg in fixed.items():
        others = np.array([other != name for other in runners])
        may[others, leg - 1] = False
        may[~others, [other - 1 for other in LEGS if other != leg]] = False
    for name, leg in forbidden:
        may[runners.index(name), leg - 1] = False
    if hands and not is_blind(legs.event):
        raise UsageError(
            "hands",
            f"wishes for a {legs.event}",
            "none: in that relay each receiver takes the baton in the left hand and moves it over "
            "(common practice)",
        )
    for name, hand in hands.items():
        _require_runner(name, runners)
        if hand not in HANDS:
            raise UsageError(f"hand of {name}", f'"{hand}"', "left or right")
        may[runners.index(name), [h != hand for h in HANDS]] = False
    options = [np.flatnonzero(may[:, k]) for k in range(4)]
    places: Ints = np.stack(np.meshgrid(*options, indexing="ij"), axis=-1).reshape(-1, 4)
    once = np.diff(np.sort(places, axis=1), axis=1).min(axis=1, initial=1) > 0
    places = places[once]
    if not len(places):
        free = [
            f"leg {k + 1}: {', '.join(runners[j] for j in options[k]) or 'nobody'}"
            for k in range(4)
        ]
        raise UsageError(
            "wishes", "no order is left; " + "; ".join(free), "four runners for four legs"
        )
    return places


def _require_runner(name: str, runners: tuple[str, ...]) -> None:
    if name not in runners:
        raise UsageError("runner", f'"{name}"', one_of(runners))


def _rank_places(legs: Legs, given: Terms, places: Ints) -> Orders:
    """Rank `places` (m, 4) by loss; orders with a pair that is not known are left out."""
    a, b, c, d = places.T
    mean_pair = given.pair.mean(axis=0)
    known = np.isfinite(mean_pair[a, b, 0] + mean_pair[b, c, 1] + mean_pair[c, d, 2])
    if not known.any():
        raise UsageError(
            "pairs",
            "no order whose three pairs all have an estimate",
            "takeovers of these runners",
            "process sessions with them, or ask for another team",
        )
    places = places[known]
    draws = len(given.first)
    mean, sd, p_legal, loss = (np.empty(len(places)) for _ in range(4))
    for start, times, legal in _order_draws(legs, given, places):
        part = slice(start, start + times.shape[1])
        mean[part], p_legal[part] = times.mean(axis=0), legal.mean(axis=0)
        sd[part] = times.std(axis=0, ddof=1) if draws > 1 else 0.0
        loss[part] = _order_losses(legs, places[part], times, legal).mean(axis=0)
    rank = np.lexsort((mean, loss))
    places = places[rank]
    mean, sd, p_legal, loss = (x[rank] for x in (mean, sd, p_legal, loss))
    least_loss, winner = np.full(draws, np.inf), np.zeros(draws, dtype=np.intp)
    for start, times, legal in _order_draws(legs, given, places):
        each = _order_losses(legs, places[start : start + times.shape[1]], times, legal)
        least = each.argmin(axis=1)
        value = each[np.arange(draws), least]
        better = value < least_loss
        least_loss[better], winner[better] = value[better], start + least[better]
    a, b, c, d = places.T
    var = given.pair_var
    spread = np.sqrt(given.first_var[a] + var[a, b, 0] + var[b, c, 1] + var[c, d, 2])
    flat = legs.flat_s if legs.flat_s is not None else np.full(len(legs.runners), np.nan)
    beats = None
    if len(places) > 1:
        (_, times, legal), *_ = _order_draws(legs, given, places[:2])
        each = _order_losses(legs, places[:2], times, legal)
        beats = float(np.mean(each[:, 0] < each[:, 1]))
    return Orders(
        event=legs.event,
        lane=legs.lane,
        runners=legs.runners,
        legs=places,
        time_s=mean,
        time_sd_s=sd,
        time_spread_s=spread,
        p_best=np.bincount(winner, minlength=len(places)) / draws,
        p_legal=p_legal,
        loss_s=loss,
        beats_second=beats,
        flat_gain_s=flat[places].sum(axis=1) - mean,
        remarks=_order_remarks(legs, places, beats),
    )


def _order_draws(legs: Legs, given: Terms, places: Ints) -> Iterator[tuple[int, Floats, Floats]]:
    """Expected times and chances of three passes in their zones draw by draw, some thousand orders
    at a time: their first row, (n, rows) and (n, rows)."""
    pair, draws = given.pair, len(given.first)
    chance = np.broadcast_to(legs.p_in_zone, (draws, *legs.p_in_zone.shape[-2:]))
    for start in range(0, len(places), AT_ONCE):
        a, b, c, d = places[start : start + AT_ONCE].T
        times = given.first[:, a] + pair[:, a, b, 0]
        times += pair[:, b, c, 1]
        times += pair[:, c, d, 2]
        yield start, times, chance[:, a, b] * chance[:, b, c] * chance[:, c, d]


def _order_losses(legs: Legs, places: Ints, times: Floats, legal: Floats) -> Floats:
    """(n, m) expected losses of m orders in each draw."""
    into = np.broadcast_to(legs.p_ran_into, (len(legs.runners),) * 2)
    a, b, c, d = places.T
    collisions = into[a, b] + into[b, c] + into[c, d]
    return np.asarray(times + legs.failure_s * (1.0 - legal) + legs.collision_s * collisions)


def _order_remarks(legs: Legs, places: Ints, beats: float | None) -> tuple[tuple[str, ...], ...]:
    of_pair = {
        (legs.runners.index(one), legs.runners.index(other)): f"{one} to {other}: {words}"
        for (one, other), words in legs.remarks.items()
        if one in legs.runners and other in legs.runners
    }
    rows = [
        [of_pair[pair] for pair in itertools.pairwise(row) if pair in of_pair]
        for row in places.tolist()
    ]
    if beats is not None and beats < CLOSE_CALL:
        rows[0].append(
            f"nearly level with the second order: {chance_in_words(beats)} that it is the better"
        )
    return tuple(tuple(row) for row in rows)


# --- reserves --------------------------------------------------------------------------


def find_reserves(
    legs: Legs,
    best: Orders,
    *,
    fixed: Mapping[str, int] | None = None,
    forbidden: Collection[tuple[str, int]] = (),
    hands: Mapping[str, str] | None = None,
    seed: int = 0,
) -> tuple[Reserve, ...]:
    """What to run without each runner of the best order.

    Wishes and seed as for `rank_orders`; a leg fixed for the runner who drops out is free.
    """
    given = time_terms(legs, seed)
    return tuple(
        _find_reserve(name, legs, given, best, fixed or {}, forbidden, hands or {})
        for name in best.names()
    )


def _find_reserve(
    out: str,
    legs: Legs,
    given: Terms,
    best: Orders,
    fixed: Mapping[str, int],
    forbidden: Collection[tuple[str, int]],
    hands: Mapping[str, str],
) -> Reserve:
    if len(legs.runners) < 5:
        return Reserve(out, remark="no reserve: the team has four runners")
    try:
        places = _list_allowed_orders(
            legs,
            {name: leg for name, leg in fixed.items() if name != out},
            {*forbidden, *((out, leg) for leg in LEGS)},
            hands,
        )
        left = _rank_places(legs, given, places)
    except UsageError as err:
        return Reserve(out, remark=f"no order without {out}: {err.found}")
    before = set(itertools.pairwise(best.legs[0].tolist()))
    same = np.array([len(before & set(itertools.pairwise(row))) for row in left.legs.tolist()])
    swap = int(np.argmax(same))  # the first, so the best, of the most
    (_, were_s, were_legal), *_ = _order_draws(legs, given, best.legs[:1])
    (_, now_s, now_legal), *_ = _order_draws(legs, given, left.legs[[0, swap]])
    were = _order_losses(legs, best.legs[:1], were_s, were_legal)
    now = _order_losses(legs, left.legs[[0, swap]], now_s, now_legal)
    more = now - were
    kept, new = _split_pairs(left, 0, before)
    return Reserve(
        out,
        order=left.names(),
        costs_s=float(more[:, 0].mean()),
        costs_sd_s=float(more[:, 0].std(ddof=1)) if len(more) > 1 else 0.0,
        kept=kept,
        new=new,
        swap=left.names(swap),
        swap_costs_s=float(more[:, 1].mean()),
        swap_new=_split_pairs(left, swap, before)[1],
    )


def _split_pairs(
    found: Orders, row: int, before: set[tuple[int, int]]
) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...]]:
    """The pairs of a row that were there before, and those that were not."""
    pairs = list(itertools.pairwise(found.legs[row].tolist()))
    named = [(found.runners[one], found.runners[other]) for one, other in pairs]
    kept = tuple(n for n, pair in zip(named, pairs, strict=True) if pair in before)
    return kept, tuple(n for n in named if n not in kept)


# --- the table -------------------------------------------------------------------------


def orders_table(found: Orders, top: int | None = None) -> pa.Table:
    """The table `orders` (all, or the `top` first)."""
    rows = len(found.legs) if top is None else min(top, len(found.legs))
    names = np.array(found.runners)[found.legs[:rows]]
    return schema.conform(
        "orders",
        {
            "event": [found.event] * rows,
            "lane": [found.lane] * rows,
            "rank": np.arange(1, rows + 1).tolist(),
            **{f"leg{leg}": names[:, leg - 1].tolist() for leg in LEGS},
            "time_s": found.time_s[:rows],
            "time_sd_s": found.time_sd_s[:rows],
            "time_spread_s": found.time_spread_s[:rows],
            "p_best": found.p_best[:rows],
            "p_legal": found.p_legal[:rows],
            "loss_s": found.loss_s[:rows],
            "remarks": [list(words) for words in found.remarks[:rows]],
        },
    )
