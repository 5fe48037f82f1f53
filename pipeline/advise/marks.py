"""Check marks: for every pair, tried or not, the mark that serves best at a wished risk.

For each candidate the pair is run a few thousand times (`changes`), with what is not known of the
runners and what they do from rep to rep kept apart; where there are reps on the mark, they count
directly. Also the visual change of the 4x400, where the mark is the place of the incoming runner at
which the receiver sets off.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.advise import laws, runners, simulate, takeovers
from pipeline.advise.runners import Squad
from pipeline.advise.simulate import Conditions, Draws, Outcomes, Receiver
from pipeline.base.relays import zone_lines_m
from pipeline.base.values import Floats
from pipeline.errors import NothingMeasured, UsageError
from pipeline.tables import schema
from pipeline.tables.lake import Lake

STANDS_M = (0.0, 2.0, 4.0, 6.0, 8.0)  # past the back line, where nobody says; then a metre about
STANDS_BY_SIGHT_M = (0.0, 2.0, 4.0)  # in a zone of 20 m, which begins to run out sooner
PACES = (1.0, 0.925, 1.05)  # of the practised start, in the visual change
CANDIDATE_STEP_M = 0.15  # between candidates where the foot-length is not known: half of 0.30 m
CANDIDATES = 48
LOOK_EVERY = 8  # of the draws, to choose the stand
RISK_PRICE_S = 5.0  # of a stand's whole risk: a point too much weighs as 0.05 s
MOVED_AWAY_S = 0.03  # what a metre away from where the receiver usually stands must bring
OTHER_PACE_S = 0.10  # what another pace than the practised one must bring
ENOUGH = 8  # passes inside the zone below which a candidate says nothing of them
COUNTS_AS = (2.0, 40.0)  # reps' worth of the model's chance, least and most
RACE_WEIGHT = 0.5  # of a practice rep where a race is asked for
SAME_STAND_M = 0.6
FEW_REPS = 6
MISSED_RISK_S = 50.0  # s, more than any mark gains: what misses the risk comes after what keeps it


@dataclass(frozen=True)
class Settings:
    """What the coach asks for. `risk`: accepted chance that the baton does not pass inside
    the zone (or not by `latest_m`, metres past the entry line); the same bound holds for running
    into each other. `stand_m` and `pace` (share of the practised start) are chosen where not
    given; in the blind change all of the start is run."""

    event: str | None = None
    team: tuple[str, ...] = ()
    risk: float = 0.10
    race: bool = False
    wind_mps: float = 0.0
    crouched: bool = False
    stand_m: float | None = None
    pace: float | None = None
    older: bool = False
    latest_m: float | None = None
    feet_m: Mapping[str, float] = field(default_factory=dict)
    half_life_days: float = runners.HALF_LIFE_DAYS
    seed: int = 1
    outer: int = 64
    inner: int = 32

    def __post_init__(self) -> None:
        def refuse(what: str, found: object, expected: str) -> None:
            raise UsageError(what, str(found), expected)

        if not 0.001 <= self.risk <= 0.5:
            refuse("risk", self.risk, "a chance between 0.001 and 0.5")
        if not -10.0 <= self.wind_mps <= 10.0:
            refuse("wind", self.wind_mps, "m/s along the zone, -10 to 10, positive from behind")
        if self.stand_m is not None and not 0.0 <= self.stand_m <= 15.0:
            refuse("stand", self.stand_m, "metres past the back line, 0 to 15")
        if self.pace is not None and not 0.5 <= self.pace <= 1.2:
            refuse("pace", self.pace, "a share of the practised start, 0.5 to 1.2")
        if self.latest_m is not None and not 3.0 <= self.latest_m <= 40.0:
            refuse("latest pass", self.latest_m, "metres past the entry line, 3 to 40")
        if not 1.0 <= self.half_life_days <= 10_000.0:
            refuse("half-life", self.half_life_days, "1 day or more")
        for name, foot in self.feet_m.items():
            if not 0.1 <= foot <= 0.5:
                refuse(f"foot-length of {name}", foot, "metres, 0.1 to 0.5")
        if self.seed < 0:
            refuse("seed", self.seed, "a whole number, 0 or more")


def conditions(squad: Squad, settings: Settings) -> Conditions:
    """Zone and weather: today's zones, or 20 m after 10 m of acceleration; 20 m where the
    change is visual."""
    back, entry, leave = zone_lines_m(squad.event, "older" if settings.older else "today")
    return Conditions(
        leave - entry, back - entry, settings.race, settings.wind_mps, settings.crouched
    )


# --- a pair -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class PairAdvice:
    """All candidates of a pair; (m,) arrays in the order of `mark_m`, by the names of the table."""

    incoming: str
    outgoing: str
    stand_m: float
    pace: float
    foot_m: float | None
    columns: Mapping[str, Any]
    advised: int
    remarks: tuple[str, ...]

    def at(self, name: str, k: int | None = None) -> float:
        return float(self.columns[name][self.advised if k is None else k])


@dataclass(frozen=True, eq=False)
class Advice:
    """The marks of an event: pairs, the squad they rest on, and what could not be advised."""

    squad: Squad
    settings: Settings
    conditions: Conditions
    pairs: tuple[PairAdvice, ...]
    remarks: tuple[str, ...]


def find_events(lake: Lake) -> list[str]:
    """The events of a lake, the most practised first. Raises NothingMeasured where it holds no
    takeover."""
    found = takeovers.rank_events(lake.exchanges)
    if not found:
        raise NothingMeasured(
            lake.path, "no takeover", "sessions with takeovers", "process one with --out"
        )
    return found


def find_squads(lake: Lake, settings: Settings) -> list[Squad]:
    """The squad of each event in the lake, or of the one asked for."""
    found = find_events(lake)
    if settings.event is not None and settings.event not in found:
        raise UsageError(
            f"event {settings.event}",
            f"no takeover of it in {lake.path}",
            f"one of {', '.join(found)}",
        )
    wanted = [settings.event] if settings.event is not None else found
    known = {*settings.team}
    for name in ("incoming", "outgoing"):
        known |= set(lake.exchanges.column(name).to_pylist())
    strangers = sorted(set(settings.feet_m) - known)
    if strangers:
        raise UsageError(
            f"foot-length of {strangers[0]}", "no such runner", f"one of {', '.join(sorted(known))}"
        )
    gathered = [takeovers.gather_reps(lake.exchanges, lake.curves, event) for event in wanted]
    if settings.team:
        here = sorted({name for one in gathered for name in one.runners})
        gathered = [one for one in gathered if set(one.runners) & set(settings.team)]
        if not gathered:
            raise UsageError(
                f"team {', '.join(settings.team)}",
                f"nobody of it has a takeover of the {' or '.join(wanted)} in {lake.path}",
                f"some of {', '.join(here)}",
            )
    return [
        runners.estimate_squad(
            one,
            team=settings.team,
            half_life_days=settings.half_life_days,
            feet_m=settings.feet_m,
        )
        for one in gathered
    ]


def advise_squad(squad: Squad, settings: Settings) -> Advice:
    """Advice for every ordered pair of the squad, or of the team asked for."""
    where = conditions(squad, settings)
    draws = simulate.draw_runners(
        squad, where, outer=settings.outer, inner=settings.inner, seed=settings.seed
    )
    names = settings.team or squad.runners
    if len(set(names)) < 2:
        raise UsageError("team", ", ".join(names) or "nobody", "two runners or more")
    pairs = []
    remarks = [
        f"{name}: no takeover of this event in the tables, the squad's mean stands in"
        for name in names
        if name not in squad.reps.runners
    ]
    starts, looks = _ReceiverStarts(draws, where), _ReceiverStarts(draws.thinned(LOOK_EVERY), where)
    for outgoing in names:
        for incoming in names:
            if incoming == outgoing:
                continue
            one = _advise_pair(squad, incoming, outgoing, where, settings, starts, looks)
            if one is None:
                remarks.append(
                    f"{incoming} to {outgoing}: no mark brings the baton across inside the zone"
                )
            else:
                pairs.append(one)
    order = {name: k for k, name in enumerate(names)}
    pairs.sort(key=lambda p: (order[p.incoming], order[p.outgoing]))
    return Advice(squad, settings, where, tuple(pairs), tuple(remarks))


def marks_table(advices: Sequence[Advice]) -> pa.Table:
    """The table `marks`."""
    names = schema.facts("marks").names
    columns: dict[str, list[Any]] = {name: [] for name in names}
    for advice in advices:
        for pair in advice.pairs:
            m = len(pair.columns["mark_m"])
            same = {
                "incoming": pair.incoming,
                "outgoing": pair.outgoing,
                "event": advice.squad.event,
                "outgoing_start_m": pair.stand_m,
                "pace": pair.pace,
            }
            for name in names:
                if name in same:
                    columns[name] += [same[name]] * m
                elif name == "advised":
                    columns[name] += [k == pair.advised for k in range(m)]
                elif name == "remarks":
                    columns[name] += [
                        list(pair.remarks) if k == pair.advised else [] for k in range(m)
                    ]
                elif name == "mark_feet" and pair.foot_m is None:
                    columns[name] += [None] * m
                else:
                    columns[name] += pair.columns[name].tolist()
    return schema.conform("marks", columns)


def advise_lake(lake: Lake, settings: Settings | None = None) -> list[Advice]:
    """Marks for each event in the lake, or the one asked for."""
    settings = settings or Settings()
    return [advise_squad(squad, settings) for squad in find_squads(lake, settings)]


def advise_table(
    lake: Lake, *, event: str | None = None, settings: Settings | None = None
) -> pa.Table:
    """The table `marks` of a lake."""
    settings = settings or Settings()
    return marks_table(
        advise_lake(lake, settings if event is None else replace(settings, event=event))
    )


class _ReceiverStarts:
    """The receivers' starts, each worked out once for all pairs. Keeps the last runner's only."""

    def __init__(self, draws: Draws, where: Conditions) -> None:
        self.draws, self._where = draws, where
        self._runner, self._kept = -1, dict[tuple[float, float], Receiver]()

    def of(self, j: int, stand_m: float, pace: float) -> Receiver:
        if j != self._runner:
            self._runner, self._kept = j, {}
        if (stand_m, pace) not in self._kept:
            self._kept[stand_m, pace] = simulate.run_receiver(
                self.draws, j, self._where, stand_m, pace
            )
        return self._kept[stand_m, pace]


def _advise_pair(
    squad: Squad, incoming: str, outgoing: str, where: Conditions, settings: Settings,
    starts: _ReceiverStarts, looks: _ReceiverStarts,
) -> PairAdvice | None:  # fmt: skip
    i, j = squad.index(incoming), squad.index(outgoing)
    foot = None if np.isnan(squad.feet_m[j]) else float(squad.feet_m[j])
    step = CANDIDATE_STEP_M if foot is None else foot / 2.0
    usual = _usual_stand(squad, i, j) if settings.stand_m is None else settings.stand_m
    stands = [usual]
    if settings.stand_m is None:
        stands = sorted({*(STANDS_M if squad.reps.blind else STANDS_BY_SIGHT_M), usual})
    paces = PACES if settings.pace is None else (settings.pace,)
    paces = (1.0,) if squad.reps.blind else paces

    def run(marks: Floats, stand: float, pace: float, using: _ReceiverStarts) -> Outcomes:
        return simulate.simulate(
            squad, using.draws, (i, j), marks, stand, where, pace=pace,
            latest_m=settings.latest_m, start=using.of(j, stand, pace),
        )  # fmt: skip

    def first_look(choices: Iterable[tuple[float, float]]) -> list[tuple[float, float, float]]:
        looked = []
        for stand, pace in choices:
            coarse = _candidate_marks(squad, i, j, where, stand, pace, step)[::3]
            worth = _priced_time_s(run(coarse, stand, pace, looks), settings.risk)
            looked.append((worth + MOVED_AWAY_S * abs(stand - usual), stand, pace))
        return looked

    found = [(0.0, stands[0], paces[0])]
    if len(stands) > 1 or len(paces) > 1:
        found = first_look((stand, paces[0]) for stand in stands)
        _, stand, _ = min(found)
        if len(stands) > 1:
            near = [x for x in (stand - 1.0, stand + 1.0) if 0.0 <= x <= max(stands)]
            found += first_look((x, paces[0]) for x in near)
        worth, stand, _ = min(found)
        others = first_look((stand, pace) for pace in paces[1:])
        # another pace than the practised one only where it gains clearly
        found += [one for one in others if one[0] < worth - OTHER_PACE_S]
    _, stand, pace = min(found)
    marks = _candidate_marks(squad, i, j, where, stand, pace, step)
    return _sum_up(
        squad, starts.draws, (i, j), marks, stand, pace, foot, where, settings,
        run(marks, stand, pace, starts),
    )  # fmt: skip


def _usual_stand(squad: Squad, i: int, j: int) -> float:
    """Where the receiver mostly stood with this partner, to half a metre; the back line where the
    two never tried."""
    own = squad.reps
    stood = own.stand_m[(own.incoming == i) & (own.outgoing == j)]
    stood = stood[np.isfinite(stood)]
    return float(np.clip(np.round(2.0 * np.median(stood)) / 2.0, 0.0, 10.0)) if len(stood) else 0.0


def _candidate_marks(
    squad: Squad, i: int, j: int, where: Conditions, stand_m: float, pace: float, step_m: float
) -> Floats:
    """Marks on whole steps, from a pass soon after the start to one that comes too late."""
    v, gain, fade = squad.entry.mean[i]
    top, tau, launch = squad.start.mean[j]
    reach = squad.reach.share[i] + squad.reach.share[j]
    d = np.linspace(4.0, where.zone_m - where.back_m - stand_m, 60)
    s = where.back_m + stand_m + d
    pull = np.where(s - reach < 0.0, gain, -fade)
    ahead = laws.seconds_to(d, top * pace, tau, launch) - laws.constant_pull_s(s - reach, v, pull)
    lag = float(squad.lag.mean[j, 0]) if squad.reps.blind else 0.0
    # where the mark is for the pass to come at d
    at = np.asarray(v * (ahead + lag) + where.back_m)
    low, high = float(at[0]), float(at.max()) + 1.5
    first = max(1, int(np.ceil(low / step_m)))
    last = max(first + 4, int(np.floor(high / step_m)))
    return np.asarray(step_m * np.arange(first, last + 1, max(1, (last - first) // CANDIDATES)))


def _mean_over_draws(values: Floats) -> Floats:
    return np.asarray(values.mean(axis=0))


def _mean_where(values: Floats, when: Floats) -> Floats:
    """(m,) mean over the draws (n) where `when` is 1; nan where there are too few."""
    mass = when.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        out = np.where(when > 0, values, 0.0).sum(axis=0) / mass
    return np.asarray(np.where(mass >= ENOUGH, out, np.nan))


def _priced_time_s(out: Outcomes, risk: float) -> float:
    """Expected time of the best candidate, risk beyond what is accepted priced in."""
    finish = _mean_where(out.finish_s, out.in_zone)
    over = _excess_risk(_mean_over_draws(out.in_time), _mean_over_draws(out.ran_into), risk)
    return float(np.min(np.nan_to_num(finish, nan=1e3) + RISK_PRICE_S * over))


def _excess_risk(p: Floats, into: Floats, risk: float) -> Floats:
    return np.asarray(np.maximum(0.0, 1.0 - risk - p) + np.maximum(0.0, into - risk))


def _mark_score(p: Floats, into: Floats, finish: Floats, risk: float) -> Floats:
    """Seconds, with a penalty beyond every gain of time for each share of risk too much."""
    over = _excess_risk(p, into, risk)
    return np.asarray(
        np.nan_to_num(finish, nan=1e3) + np.where(over > 0, MISSED_RISK_S, 0.0) + 1e3 * over
    )


def _sum_up(
    squad: Squad, draws: Draws, pair: tuple[int, int], marks: Floats, stand: float, pace: float,
    foot: float | None, where: Conditions, settings: Settings, out: Outcomes,
) -> PairAdvice | None:  # fmt: skip
    """The draws summed up mark by mark, the reps on each mark counted in, one mark chosen."""
    enough = out.in_zone.sum(axis=0) >= ENOUGH
    if not enough.any():
        return None
    i, j = pair
    p, p_sd = _estimate_chance(draws, out.in_zone)
    into, into_sd = _estimate_chance(draws, out.ran_into)
    away, away_sd = _estimate_chance(draws, out.ran_away)
    zone, zone_sd, zone_spread = _estimate_mean(draws, out.zone_time_s, out.in_zone)
    place, place_sd, place_spread = _estimate_mean(draws, out.pass_m, out.in_zone)
    close, close_sd, _ = _estimate_mean(draws, out.closing_mps, out.in_zone)
    ideal = where.zone_m / out.v_entry_mps
    loss, loss_sd, _ = _estimate_mean(draws, out.zone_time_s - ideal[:, None], out.in_zone)
    in_time = _mean_over_draws(out.in_time)
    counted = _count_on_mark(squad, pair, marks, stand, where, settings)
    on_mark = counted["reps"].astype(int)
    late = np.where(p > 0, in_time / np.maximum(p, 1e-9), 0.0)
    p, p_sd = _update_chance(p, p_sd, counted["weight"], counted["in_zone"])
    into, into_sd = _update_chance(into, into_sd, counted["weight"], counted["into"])
    away = np.minimum(away, 1.0 - p)
    zone, zone_sd = _update_time(zone, zone_sd, zone_spread, counted)
    finish = _mean_where(out.finish_s, out.in_zone)
    score = _mark_score(p * late, into, finish, settings.risk)
    reps_pair = int(np.sum((squad.reps.incoming == i) & (squad.reps.outgoing == j)))
    n_reps = int(squad.reps_in[i] + squad.reps_out[j])
    columns: dict[str, Any] = {
        "mark_m": marks,
        "mark_feet": None if foot is None else np.round(2.0 * marks / foot) / 2.0,
        "p_in_zone": p, "p_in_zone_sd": p_sd,
        "p_ran_into": into, "p_ran_into_sd": into_sd,
        "p_ran_away": away, "p_ran_away_sd": away_sd,
        "zone_time_s": zone, "zone_time_sd_s": zone_sd, "zone_time_spread_s": zone_spread,
        "pass_m": place, "pass_sd_m": place_sd, "pass_spread_m": place_spread,
        "closing_mps": close, "closing_sd_mps": close_sd,
        "baton_loss_s": loss, "baton_loss_sd_s": loss_sd,
        "gap_at_go_m": np.median(out.go_gap_m, axis=0),
        "mark_sd_m": _as_mark_metres(place_sd, place, marks),
        "mark_spread_m": _as_mark_metres(place_spread, place, marks),
        "reps": np.full(len(marks), n_reps),
        "reps_pair": np.full(len(marks), reps_pair),
        "reps_on_mark": on_mark,
        "finish_s": finish, "p_in_time": p * late,
    }  # fmt: skip
    enough &= _table_can_hold(columns)
    if not enough.any():
        return None
    columns = {k: None if v is None else v[enough] for k, v in columns.items()}
    advised = int(np.argmin(score[enough]))
    return PairAdvice(
        incoming=squad.runners[i],
        outgoing=squad.runners[j],
        stand_m=stand,
        pace=pace,
        foot_m=foot,
        columns=columns,
        advised=advised,
        remarks=tuple(_mark_remarks(columns, advised, n_reps, reps_pair, settings, squad, pace)),
    )


def _table_can_hold(columns: Mapping[str, Any]) -> NDArray[np.bool_]:
    """(m,) which candidates have figures that the table can hold: takeovers measured badly wrong
    can ask for a mark farther off than any lane has room for."""
    ok = np.ones(len(columns["mark_m"]), dtype=bool)
    for fact in schema.facts("marks").columns:
        values = columns.get(fact.name)
        if fact.type == "float64" and values is not None:
            low, high = fact.bounds
            ok &= (values >= low) & (values <= high)
    return ok


def _estimate_chance(draws: Draws, hits: Floats) -> tuple[Floats, Floats]:
    """(m,) probability and its estimation error: the variance between the outer groups less what
    chance within them alone would give."""
    by = draws.group(hits).mean(axis=1)
    p = by.mean(axis=0)
    noise = (by * (1.0 - by)).mean(axis=0) / (draws.inner - 1)
    return p, np.sqrt(np.maximum(by.var(axis=0, ddof=1) - noise, 0.0))


def _estimate_mean(draws: Draws, values: Floats, when: Floats) -> tuple[Floats, Floats, Floats]:
    """(m,) mean where `when`, its estimation error, and the spread from rep to rep."""
    w = draws.group(when)
    x = np.where(w > 0, draws.group(values), 0.0)
    mass = w.sum(axis=1)
    total = np.maximum(mass.sum(axis=0), 1e-9)
    mean = x.sum(axis=(0, 1)) / total
    own = x.sum(axis=1) / np.maximum(mass, 1e-9)  # (outer, m)
    inside = (w * (x - own[:, None]) ** 2).sum(axis=1)
    within = inside.sum(axis=0) / np.maximum((mass - (mass > 0)).sum(axis=0), 1.0)
    share = mass / total
    between = (share * (own - mean) ** 2).sum(axis=0)
    noise = (share * within / np.maximum(mass, 1.0)).sum(axis=0)
    return mean, np.sqrt(np.maximum(between - noise, 0.0)), np.sqrt(within)


def _as_mark_metres(moves_m: Floats, place: Floats, marks: Floats) -> Floats:
    """(m,) what moves the pass by `moves_m`, as metres of mark: over what the pass moves by when
    the mark does. `place` (m,) is where the baton passes."""
    slope = np.gradient(np.nan_to_num(place), marks) if len(marks) > 1 else np.ones(1)
    return np.asarray(np.clip(moves_m / np.maximum(slope, 1.0), 0.0, 20.0))


def _count_on_mark(
    squad: Squad, pair: tuple[int, int], marks: Floats, stand: float, where: Conditions,
    settings: Settings,
) -> dict[str, Floats]:  # fmt: skip
    """(m,) reps of this pair within half a step of each mark, stand and zone being the same."""
    own = squad.reps
    same = (
        (own.incoming == pair[0])
        & (own.outgoing == pair[1])
        & (np.abs(own.zone_m - where.zone_m) < 0.5)
        & (np.abs(own.back_m - where.back_m) < 0.5)
        & (np.abs(own.stand_m - stand) < SAME_STAND_M)
        & np.isfinite(own.p_in_zone)
    )
    half = 0.5 * float(np.min(np.diff(marks), initial=0.3))
    on = same[:, None] & (np.abs(own.mark_m[:, None] - marks) <= half)
    weight = on * (0.5 ** (own.age_days / settings.half_life_days))[:, None]
    weight = weight * (RACE_WEIGHT if settings.race else 1.0)
    timed = weight * np.isfinite(own.zone_time_s)[:, None]
    time = np.nan_to_num(own.zone_time_s)[:, None]
    return {
        "reps": on.sum(axis=0).astype(np.float64),
        "weight": weight.sum(axis=0),
        "in_zone": (weight * np.nan_to_num(own.p_in_zone)[:, None]).sum(axis=0),
        "into": (weight * np.nan_to_num(own.ran_into)[:, None]).sum(axis=0),
        "timed": timed.sum(axis=0),
        "time": (timed * time).sum(axis=0),
        "time_var": (timed * np.nan_to_num(own.zone_time_sd_s)[:, None] ** 2).sum(axis=0),
    }


def _update_chance(p: Floats, sd: Floats, n: Floats, k: Floats) -> tuple[Floats, Floats]:
    """Beta prior from the model (its mean, and its variance as far as COUNTS_AS lets), the reps
    on the mark as binomial data."""
    safe = np.clip(p, 1e-4, 1.0 - 1e-4)
    worth = safe * (1.0 - safe) / np.maximum(sd**2, 1e-9) - 1.0
    worth = np.clip(worth, *COUNTS_AS)
    a, b = worth * safe + k, worth * (1.0 - safe) + n - k
    mean = a / (a + b)
    own = np.sqrt(mean * (1.0 - mean) / (a + b + 1.0))
    tried = n > 0
    return np.where(tried, mean, p), np.where(tried, own, sd)


def _update_time(
    zone: Floats, sd: Floats, spread: Floats, counted: Mapping[str, Floats]
) -> tuple[Floats, Floats]:
    """The model's zone time and the mean of the timed reps, weighted by their variances."""
    n = np.maximum(counted["timed"], 1e-9)
    mean = counted["time"] / n
    var = (spread**2 + counted["time_var"] / n) / n
    model = np.maximum(sd, 5e-3) ** 2
    share = np.where(counted["timed"] > 0, model / (model + var), 0.0)
    return zone + share * (mean - zone), np.sqrt(1.0 - share) * sd


def _mark_remarks(
    columns: Mapping[str, Any], k: int, n_reps: int, n_pair: int, settings: Settings, squad: Squad,
    pace: float,
) -> list[str]:  # fmt: skip
    said = []
    if float(columns["p_in_time"][k]) < 1.0 - settings.risk:
        by = "" if settings.latest_m is None else f" for a pass by {settings.latest_m:g} m"
        said.append(
            f"no mark keeps the wished risk of {settings.risk:.1%}{by}: the safest is shown"
        )
    if float(columns["p_ran_into"][k]) > settings.risk:
        said.append("may run into each other more often than wished")
    if n_pair == 0:
        said.append("pair never tried: rests on what each did with others")
    if n_reps < FEW_REPS:
        said.append(f"fewer than {FEW_REPS} takeovers of the two: leans on the squad")
    if not squad.reps.blind:
        said.append("visual change: the mark is the incoming runner's place when to set off")
        if pace != 1.0:
            said.append(f"set off at {pace:.0%} of the practised start")
    return said


# --- what the coach asks next -------------------------------------------------------------


def move_tape(pair: PairAdvice, feet: float) -> dict[str, float] | None:
    """What moving the tape changes: by `feet` foot-lengths (0.30 m where not known), positive
    farther from the receiver. None where that lies outside the candidates."""
    by = feet * (pair.foot_m or 2.0 * CANDIDATE_STEP_M)
    marks = pair.columns["mark_m"]
    at = pair.at("mark_m") + by
    if not marks[0] - 1e-6 <= at <= marks[-1] + 1e-6:
        return None
    names = ("p_in_zone", "p_ran_into", "p_ran_away", "zone_time_s", "pass_m")
    return {name: float(np.interp(at, marks, pair.columns[name])) - pair.at(name) for name in names}
