"""What a simulated squad does on a given mark: thousands of takeovers at once.

`sample_tracks/people.py` lets two runners see each other, one takeover at a time. Here the same
rules step many takeovers forward together, each a row of an array, until nothing more can change
what is asked about them; test_squads.py holds the two against each other. `true_changes`
draws the reps as an evening of the generator does, except that mark and stand are given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import squads  # noqa: F401 - finds sample_tracks

import people  # isort: skip - from sample_tracks
import practice  # isort: skip

DT = people.DT
ROWS_AT_ONCE = 3000  # more do not fit the cache
LONGEST_S = 40.0  # as people.take_over
FAULT_SHARE = 0.15  # simulate.make_session's own: of these, half are faults of the mark


@dataclass(frozen=True)
class Outcomes:
    """(n,) each; NaN where a moment never came. Places are metres past the entry line."""

    go_t_s: np.ndarray  # from the incoming runner's set-off
    pass_t_s: np.ndarray
    pass_m: np.ndarray  # half-way between the trunks
    zone_time_s: np.ndarray  # the baton's
    finish_s: np.ndarray  # from the baton's entry until it is `beyond_m` past the exit line
    v_in_mps: np.ndarray  # at the pass
    v_out_mps: np.ndarray
    nearest_m: np.ndarray  # the trunks' least distance, from the go to the pass
    nearest_after_m: np.ndarray  # the same from the pass to the exit line
    collided: np.ndarray  # the incoming runner had to brake behind a receiver who ran on
    eased: np.ndarray
    slowed: np.ndarray
    zone_m: float

    def rows(self, part: slice) -> Outcomes:
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return Outcomes(**{k: v if k == "zone_m" else v[part] for k, v in values.items()})

    @property
    def passed(self) -> np.ndarray:
        return np.isfinite(self.pass_t_s)

    @property
    def legal(self) -> np.ndarray:
        """Passed between entry and exit line."""
        return self.passed & (self.pass_m >= 0) & (self.pass_m <= self.zone_m)

    @property
    def ran_away(self) -> np.ndarray:
        """No pass, or one beyond the zone."""
        return ~self.passed | (self.pass_m > self.zone_m)


def true_changes(
    squad: practice.Squad, site: practice.Site, pair: tuple[str, str], mark_m: float,
    outgoing_start_m: float, n: int, rng: people.Rng, fault_share: float = FAULT_SHARE,
) -> Outcomes:  # fmt: skip
    """`n` fresh takeovers of a pair on a mark `mark_m` before the back line, the receiver
    `outgoing_start_m` past it."""
    return on_marks(squad, site, pair, [(mark_m, outgoing_start_m)], n, rng, fault_share)[0]


def same_on_marks(
    squad: practice.Squad, site: practice.Site, pair: tuple[str, str], marks_m: Sequence[float],
    outgoing_start_m: float, n: int, rng: people.Rng, fault_share: float = FAULT_SHARE,
    beyond_m: float = 0.0,
) -> list[Outcomes]:  # fmt: skip
    """For each mark the same `n` takeovers but for the mark: what differs is the mark's doing."""
    who = {p.id: p for p in squad.people}
    reps = _draw_plans(squad, site, pair, (0.0, outgoing_start_m), 1.0, n, rng, fault_share)
    out = []
    at_once = max(1, ROWS_AT_ONCE // n)
    for k in range(0, len(marks_m), at_once):
        some = marks_m[k : k + at_once]
        plans = [replace(one, mark_s=one.mark_s - mark_m) for mark_m in some for one in reps]
        done = take_over(who[pair[0]], who[pair[1]], plans, beyond_m)
        out += [done.rows(slice(i, i + n)) for i in range(0, len(plans), n)]
    return out


def on_marks(
    squad: practice.Squad, site: practice.Site, pair: tuple[str, str],
    places: Sequence[tuple[float, float]], n: int, rng: people.Rng,
    fault_share: float = FAULT_SHARE, paces: Sequence[float] | None = None,
) -> list[Outcomes]:  # fmt: skip
    """`true_changes` for several (mark_m, outgoing_start_m) of a pair, each with reps of its own.

    Every rep has a setup of its own, as on another evening; starts go wrong as often as on the
    generator's evenings. `paces`: the receiver's effort as a share of the usual, one for each
    place. Where the start is by sight (4x400) `mark_m` is where the incoming runner is at the
    first movement: a receiver who looks makes up for the own lag, and misses by half a metre.
    """
    who = {p.id: p for p in squad.people}
    plans = []
    for place, pace in zip(places, paces or [1.0] * len(places), strict=True):
        plans += _draw_plans(squad, site, pair, place, pace, n, rng, fault_share)
    every = take_over(who[pair[0]], who[pair[1]], plans)
    return [every.rows(slice(k, k + n)) for k in range(0, len(plans), n)]


def _draw_plans(
    squad: practice.Squad, site: practice.Site, pair: tuple[str, str],
    place: tuple[float, float], pace: float, n: int, rng: people.Rng, fault_share: float,
) -> list[people.RepPlan]:  # fmt: skip
    """`n` reps of a pair on one (mark_m, outgoing_start_m)."""
    who = {p.id: p for p in squad.people}
    pi, po = who[pair[0]], who[pair[1]]
    mark_m, stand_m = place
    plans = []
    for _ in range(n):
        setup = practice.draw_setup(rng, site)
        setup = replace(setup, out_start_m=stand_m, out_effort=setup.out_effort * pace)
        fault = None
        if rng.random() < fault_share:
            fault = str(rng.choice(practice.FAULTS))  # those of the mark change nothing here
        usual = practice.usual_plan(site, squad.reach_m[pair], setup)
        sight = 0.0
        if site.four_hundred:
            # as people.take_over has it: who goes before is off by a speed that is taken for all
            share = 0.93 if po.lag_s < 0.0 else setup.in_effort * site.bend
            ahead = po.lag_s * pi.top_mps * share
            sight = ahead + float(rng.normal(0, practice.SIGHT_SD_M))
        plans.append(
            practice.vary(rng, site, pi, po, usual, mark_m + sight, fault, 0.05, squad.world)
        )
    return plans


class _Rows:
    """State of all takeovers still under way; arrays of equal length, dropped together."""

    def __init__(self, **columns: np.ndarray) -> None:
        self.__dict__.update(columns)

    def keep(self, rows: np.ndarray) -> None:
        for name, column in self.__dict__.items():
            self.__dict__[name] = column[rows]


def _begin(plans: Sequence[people.RepPlan], top_mps: float) -> _Rows:
    n = len(plans)
    given = {
        f.name: np.array([getattr(p, f.name) for p in plans], dtype=float)
        for f in fields(people.RepPlan)
    }  # None becomes NaN
    never, no, zero = np.full(n, np.inf), np.zeros(n, dtype=bool), np.zeros(n)
    lag = given["lag_s"]
    return _Rows(
        **given,
        row=np.arange(n),
        si=given["in_from_s"].copy(), so=given["out_from_s"].copy(), vi=zero, vo=zero,
        trigger=given["mark_s"] + np.minimum(0.0, lag) * top_mps * 0.93,
        go=never, passed=never, call=never, give_up=never,
        collided=no, eased=no, slowed=no, stands_in=no,
        reach_cost=zero, hand_cost=zero, brake_in=zero, brake_out=zero,
        in_entry=never, in_exit=never, out_entry=never, out_exit=never, out_far=never,
        nearest=never, nearest_after=never,
        pass_m=np.full(n, np.nan), v_in=np.full(n, np.nan), v_out=np.full(n, np.nan),
    )  # fmt: skip


def take_over(
    pi: people.Person,
    po: people.Person,
    plans: Sequence[people.RepPlan],
    beyond_m: float = 0.0,
) -> Outcomes:
    """The rules of people.take_over for many plans of one pair, until the baton is `beyond_m` past
    the exit line."""
    zone_m = plans[0].zone_m
    x = _begin(plans, pi.top_mps)
    names = ("go", "passed", "pass_m", "v_in", "v_out", "nearest", "nearest_after", "collided",
             "eased", "slowed", "in_entry", "in_exit", "out_entry", "out_exit",
             "out_far")  # fmt: skip
    end = {name: np.full(len(plans), np.nan) for name in names}
    t = 0.0
    for step in range(round(LONGEST_S / DT)):
        _step(x, pi, po, t, beyond_m)
        t += DT  # added up as there: who goes on a step is half a second away on a step too
        if step % 50 == 49:
            # the baton is over the last line, or will never be
            done = (np.isfinite(x.passed) & np.isfinite(x.out_far)) | np.isfinite(x.give_up)
            for name in names:
                end[name][x.row[done]] = getattr(x, name)[done]
            x.keep(~done)
            if not len(x.row):
                break
    for name in names:
        end[name][x.row] = getattr(x, name)
    return _outcomes(end, zone_m)


def _outcomes(end: dict[str, np.ndarray], zone_m: float) -> Outcomes:
    """The baton is with the incoming trunk until the pass, with the outgoing one after it."""
    tp = end["passed"]
    with np.errstate(invalid="ignore"):
        leaves = np.where(end["in_exit"] <= tp, end["in_exit"], np.maximum(end["out_exit"], tp))
        late = np.maximum(end["out_entry"], tp)
        enters = np.where(end["in_entry"] <= tp, end["in_entry"], late)
        zone_time = np.where(np.isfinite(leaves - enters), leaves - enters, np.nan)
        there = np.maximum(end["out_far"], tp)
        finish = np.where(np.isfinite(there - enters), there - enters, np.nan)

    def finite(name: str) -> np.ndarray:
        return np.where(np.isfinite(end[name]), end[name], np.nan)

    flags = {name: end[name].astype(bool) for name in ("collided", "eased", "slowed")}
    return Outcomes(
        finite("go"), finite("passed"), end["pass_m"], zone_time, finish, end["v_in"], end["v_out"],
        finite("nearest"), finite("nearest_after"), **flags, zone_m=zone_m,
    )  # fmt: skip


def _push(p: people.Person, t: np.ndarray | float, v: np.ndarray, top: np.ndarray) -> np.ndarray:
    rise = np.sin(0.5 * np.pi * np.clip(t / p.build_s, 0.0, 1.0)) ** 2
    late = np.exp(-np.maximum(t, 0.0) / 2.2)
    fade = 1 - p.fade_per_s * np.maximum(0.0, t - 5.0)
    x = 1 - v / (top * (1 - p.late_gain * late) * fade)
    gain = rise * p.push_mps2 * top / p.top_mps * np.maximum(x, 0.0) ** 0.93
    out = np.where(x > 0, gain, np.maximum(-3.0, 2.2 * p.push_mps2 * x))
    return np.where(np.asarray(t) > 0, out, 0.0)


def _last_steps(v: np.ndarray) -> np.ndarray:
    return 0.3 + 0.7 * np.minimum(1.0, v / 3.0)


def _step(x: _Rows, pi: people.Person, po: people.Person, t: float, beyond_m: float) -> None:
    """One step of DT; each line has its twin in people.take_over."""
    gap, closing = x.so - x.si, x.vi - x.vo
    x.go = np.where(np.isinf(x.go) & (x.si >= x.trigger), t + np.maximum(0.0, x.lag_s), x.go)
    short = gap - x.reach_m
    calls = (short < 0.8) | ((closing > 0.3) & (short < 0.35 * closing))
    x.call = np.where((t - x.go > 0.5) & calls, np.minimum(x.call, t), x.call)
    under_way, over = t >= x.go, t > x.passed
    x.nearest = np.where(under_way & ~over, np.minimum(gap, x.nearest), x.nearest)
    x.nearest_after = np.where(over, np.minimum(gap, x.nearest_after), x.nearest_after)
    hand_back = t >= x.call + x.handback_s
    open_ = np.isinf(x.passed) & np.isinf(x.give_up)
    passes = open_ & hand_back & (gap <= x.reach_m)
    x.passed = np.where(passes, t, x.passed)
    x.pass_m = np.where(passes, 0.5 * (x.si + x.so), x.pass_m)
    x.v_in, x.v_out = np.where(passes, x.vi, x.v_in), np.where(passes, x.vo, x.v_out)
    far = (x.so > x.zone_m + 6) & (gap > x.reach_m + 1.0)
    hopeless = (gap > 0) & (far | (x.si > x.zone_m + 4))
    x.give_up = np.where(open_ & ~passes & (t >= x.go) & hopeless, t, x.give_up)
    open_ = np.isinf(x.passed) & np.isinf(x.give_up)
    ao = _outgoing(x, po, t, gap, hand_back, open_)
    ai = _incoming(x, pi, t, gap, closing, ao, open_)
    si = x.si + (x.vi + 0.5 * ai * DT) * DT
    so = x.so + (x.vo + 0.5 * ao * DT) * DT
    for name, old, new, line in (
        ("in_entry", x.si, si, 0.0), ("in_exit", x.si, si, x.zone_m),
        ("out_entry", x.so, so, 0.0), ("out_exit", x.so, so, x.zone_m),
        ("out_far", x.so, so, x.zone_m + beyond_m),
    ):  # fmt: skip
        first = (old < line) & (new >= line) & np.isinf(getattr(x, name))
        if first.any():
            with np.errstate(divide="ignore", invalid="ignore"):
                at = t + DT * (line - old) / (new - old)
            setattr(x, name, np.where(first, at, getattr(x, name)))
    x.si, x.so = si, so
    x.vi, x.vo = np.maximum(0.0, x.vi + ai * DT), np.maximum(0.0, x.vo + ao * DT)
    x.stands_in = x.stands_in | ((t > np.minimum(x.passed, x.give_up) + 0.5) & (x.vi < 0.02))
    x.vi = np.where(x.stands_in, 0.0, x.vi)


def _outgoing(
    x: _Rows, po: people.Person, t: float, gap: np.ndarray, hand_back: np.ndarray,
    open_: np.ndarray,
) -> np.ndarray:  # fmt: skip
    wish = np.where(hand_back & np.isinf(x.passed), 0.22, 0.0)
    x.hand_cost = x.hand_cost + DT / 0.15 * (wish - x.hand_cost)
    later = np.clip((t - x.passed) / 0.5, 0.0, 1.0)
    effort = x.out_effort + (x.out_effort_after - x.out_effort) * later
    top = po.top_mps * effort * x.bend - x.hand_cost
    misses = open_ & (x.gives_chase > 0) & (gap > x.reach_m + 0.2)
    short = np.where(misses, np.clip((x.so - 0.55 * x.zone_m) / 3.0, 0.0, 1.0), 0.0)
    top = top * (1 - 0.25 * short)
    x.eased = x.eased | (short > 0.25)
    # nobody is followed until the receiver stands again, only over the exit line
    since = np.where(t >= x.go, t - x.go + 0.5 * DT, 0.0)
    return np.where(t > x.give_up + 0.3, 0.0, _push(po, since, x.vo, top))


def _incoming(
    x: _Rows, pi: people.Person, t: float, gap: np.ndarray, closing: np.ndarray,
    ao: np.ndarray, open_: np.ndarray,
) -> np.ndarray:  # fmt: skip
    near = np.isinf(x.passed) & (t >= x.go) & (gap < x.reach_m + 0.9)
    x.reach_cost = x.reach_cost + DT / 0.18 * (np.where(near, 0.35, 0.0) - x.reach_cost)
    early = x.brake_early_s * np.maximum(0.5, closing)  # NaN, so never, where not planned
    lets_go = open_ & np.isfinite(x.call) & (gap - x.reach_m < early)
    after, given_up = t > x.passed + x.after_lag_s, t > x.give_up + 0.15
    lets_go = lets_go & ~after & ~given_up
    wish = np.where(lets_go, 1.3, 0.0)
    wish = np.where(given_up, pi.ease_mps2, wish)
    wish = np.where(after, x.after_brake_mps2, wish)
    room = gap - x.reach_m
    coasts = open_ & ~lets_go & ~after & ~given_up & (closing > 0.4)
    coasts = coasts & (room > 0) & (room < _coasts_m(x, closing, ao))
    wish = np.where(coasts, x.after_brake_mps2, wish)
    match = np.where((x.matches > 0) & open_ & (t >= x.go), _match(x, gap, closing, ao), 0.0)
    wish = np.maximum(wish, match)
    x.slowed = x.slowed | lets_go | coasts | (match > 0)
    need = closing**2 / (2 * np.maximum(0.15, gap - 0.5)) - np.maximum(0.0, ao)
    calm = (closing <= 0) | (gap >= 6) | (need < 2.5) | x.stands_in
    need = np.where(calm, 0.0, np.minimum(need, 7.0))
    pressed = (need > 0) & open_
    x.slowed, x.collided = (
        x.slowed | (pressed & x.eased),
        x.collided | (pressed & ~x.eased),
    )
    brake = np.maximum(wish, need)
    x.brake_in = x.brake_in + DT / 0.12 * (brake - x.brake_in)
    tired = 1 - x.in_fade_per_s * max(0.0, t - 6.0)
    top = (pi.top_mps * x.in_effort * x.bend - x.reach_cost) * tired
    slows = -x.brake_in * np.where(open_, 1.0, _last_steps(x.vi))
    ai = np.where(brake > 0, slows, _push(pi, t + 0.5 * DT, x.vi, top))
    return np.where(x.stands_in, 0.0, ai)


def _coasts_m(x: _Rows, closing: np.ndarray, ao: np.ndarray) -> np.ndarray:
    t = x.let_go_before_s
    lost = 0.5 * (x.after_brake_mps2 + np.maximum(0.0, ao)) * np.maximum(0.0, t - 0.06) ** 2
    return np.maximum(0.3 * closing * t, closing * t - lost)


def _match(x: _Rows, gap: np.ndarray, closing: np.ndarray, ao: np.ndarray) -> np.ndarray:
    room = np.maximum(0.2, gap - x.reach_m + 0.25)
    need = closing**2 / (2 * room) - np.maximum(0.0, ao)
    calm = (closing <= 0.2) | (gap >= x.reach_m + 3.5) | (need <= 0.8)
    return np.where(calm, 0.0, np.minimum(need, 4.5))
