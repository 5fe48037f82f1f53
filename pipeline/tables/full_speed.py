"""Which takeovers were run at full speed, as advice and trends need them.

A coach's word comes first: the sheet's `drill`, `use` and `effort`. Where it says nothing, a
takeover in which both runners were clearly slower than they usually are is taken as a build-up.
A runner's usual speed comes from all the takeovers at hand, so an evening that was run slowly
throughout is seen only beside others.

The limits are assumptions from common practice, not measured: athletes asked for 70 or 80 per
cent run at 75 to 90 per cent of their speed, and from rep to rep an earnest takeover differs by 2
or 3 per cent (docs/methods.md, "Full speed").
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa

from pipeline.base.asking import in_words
from pipeline.base.relays import is_blind
from pipeline.base.words import count

FULL_EFFORT = 95.0  # per cent asked for, from which on a takeover counts as one at full speed
ALIKE = 0.94  # speeds within this share of a runner's top ones make up the usual speed
LEAST_ALIKE = 2  # how many of them there must be
OTHER_ROLE = 0.97  # of what a runner's speed in the other role lets expect
SLOW, SLOW_EACH = 0.92, 0.95  # of the usual speeds: both runners' mean, and each of them
SLOW_BY_SIGHT = 0.80  # each of them in a change by sight, where a tired runner comes in
LEAST_EVENING = 3  # takeovers without a word of the sheet, from which an evening is judged whole
CLEAR_SDS = 2.0  # by so many standard errors must the speeds be below the limit
_NEEDED = ("session", "event", "zone", "incoming", "outgoing")
_SLOWS_THE_EXIT = {"outgoing eased", "ran away", "ran into"}
_SPEEDS = {"incoming": "v_in_entry_mps", "outgoing": "v_out_exit_mps"}


class SpeedJudgement(NamedTuple):
    """Whether a takeover serves advice and trends; if not, `why`, in words that follow "left out
    of advice: ". `recognised` where no word of the sheet says so."""

    used: bool
    why: str | None = None
    recognised: bool = False


def judge_speeds(exchanges: pa.Table) -> list[SpeedJudgement]:
    """One judgement a row of the table `exchanges`, all sessions together.

    Columns of the sheet may be missing, as in tables from before they were read.
    """
    rows = exchanges.select(
        [name for name in exchanges.column_names if name in _columns_read()]
    ).to_pylist()
    told = [_judge_by_sheet(row) for row in rows]
    shares = _shares_of_usual(rows, [one is None or one.used for one in told])
    slow = _slow_evenings(rows, told, shares)
    return [
        _judge_by_speed(row, own, row["session"] in slow) if one is None else one
        for row, one, own in zip(rows, told, shares, strict=True)
    ]


def at_full_speed(exchanges: pa.Table) -> tuple[pa.Table, tuple[str, ...]]:
    """The rows that serve advice and trends, and remarks on those that were left out."""
    judged = judge_speeds(exchanges)
    sessions = exchanges.column("session").to_pylist()
    kept = exchanges.filter(pa.array([one.used for one in judged], pa.bool_()))
    return kept, _left_out_in_words(sessions, judged)


def _columns_read() -> set[str]:
    speeds = {name for one in _SPEEDS.values() for name in (one, _sd_of(one))}
    return {*_NEEDED, "faults", "effort", "drill", "use", "race", *speeds}


def _sd_of(speed: str) -> str:
    return speed.replace("_mps", "_sd_mps")


def _judge_by_sheet(row: dict[str, Any]) -> SpeedJudgement | None:
    """What the sheet says of a takeover; None where it says nothing that decides."""
    drill, effort = row.get("drill"), row.get("effort")
    if row.get("use") == "no":
        return SpeedJudgement(False, "the sheet says so")
    if drill is not None:
        return SpeedJudgement(False, f"the sheet calls it {drill}")
    if effort is not None and effort < FULL_EFFORT:
        return SpeedJudgement(False, f"the sheet asks for {effort:g} %")
    if effort is not None or row.get("use") == "yes" or row.get("race") is not None:
        return SpeedJudgement(True)
    return None


class _Share(NamedTuple):
    """A runner's speed as a share of the usual one, as logarithm, with its standard error."""

    log: float
    sd: float


def _shares_of_usual(
    rows: Sequence[dict[str, Any]], may_count: Sequence[bool]
) -> list[dict[str, _Share]]:
    """By role, how fast each takeover's runners were beside their usual speed; roles without a
    speed that tells, or whose runner has no usual one yet, are left out."""
    speeds: dict[str, _Speeds] = defaultdict(lambda: defaultdict(list))
    for row, counts in zip(rows, may_count, strict=True):
        for role, v in _speeds_of(row).items():
            if counts:
                speeds[row["event"]][row[role], role].append(v)
    usual = {event: _usual_speeds(own) for event, own in speeds.items()}
    found: list[dict[str, _Share]] = []
    for row in rows:
        own: dict[str, _Share] = {}
        for role, v in _speeds_of(row).items():
            normal = usual.get(row["event"], {}).get((row[role], role))
            if normal:
                sd = row.get(_sd_of(_SPEEDS[role])) or 0.0
                own[role] = _Share(float(np.log(v / normal)), sd / v)
        found.append(own)
    return found


_Speeds = dict[tuple[str, str], list[float]]  # by runner and role


def _speeds_of(row: dict[str, Any]) -> dict[str, float]:
    """By role the speeds that tell: not the receiver's exit after a fault that slows it."""
    spoilt = not _SLOWS_THE_EXIT.isdisjoint(row.get("faults") or ())
    return {
        role: row[column]
        for role, column in _SPEEDS.items()
        if row.get(column) and not (spoilt and role == "outgoing")
    }


def _usual_speeds(speeds: _Speeds) -> dict[tuple[str, str], float]:
    """Each runner's usual speed in each role [m/s], where it is known.

    A runner who was fast in one role only is expected to be as fast in the other as the squad is:
    his speeds count there too, moved by the squad's usual ratio, and a little less.
    """
    tops = {key: float(np.sort(v)[::-1][min(1, len(v) - 1)]) for key, v in speeds.items()}
    runners = {runner for runner, _ in tops}
    ratios = [
        tops[name, "outgoing"] / tops[name, "incoming"]
        for name in runners
        if (name, "outgoing") in tops and (name, "incoming") in tops
    ]
    ratio = float(np.median(ratios)) if ratios else None
    found = {}
    for name in runners:
        for role, other, factor in (
            ("incoming", "outgoing", None if ratio is None else 1 / ratio),
            ("outgoing", "incoming", ratio),
        ):
            own = _usual_speed(speeds.get((name, role), []))
            there = None if factor is None else _usual_speed(speeds.get((name, other), []))
            known = [one for one in (own, there and there * (factor or 1.0) * OTHER_ROLE) if one]
            if known:
                found[name, role] = max(known)
    return found


def _usual_speed(speeds: Sequence[float]) -> float | None:
    """The middle of a runner's fast takeovers [m/s]; None where there are too few.

    Fast are those near the second fastest: a single figure that is too high sets no standard.
    Nobody runs above his speed, but anybody may run below it, so the middle of all takeovers would
    be no standard either.
    """
    if len(speeds) < LEAST_ALIKE:
        return None
    ordered = np.sort(speeds)[::-1]
    fast = ordered[ordered >= ALIKE * ordered[1]]
    return float(np.median(fast)) if len(fast) >= LEAST_ALIKE else None


def _mean_log(shares: dict[str, _Share]) -> float | None:
    return float(np.mean([one.log for one in shares.values()])) if shares else None


def _slow_evenings(
    rows: Sequence[dict[str, Any]],
    told: Sequence[SpeedJudgement | None],
    shares: Sequence[dict[str, _Share]],
) -> set[str]:
    """Sessions run slowly as a whole, of whose takeovers by check mark the sheet says nothing."""
    logs: dict[str, list[float]] = defaultdict(list)
    for row, one, own in zip(rows, told, shares, strict=True):
        mean = _mean_log(own)
        if one is None and mean is not None and is_blind(row["event"], row["zone"]):
            logs[row["session"]].append(mean)
    return {
        session
        for session, own in logs.items()
        if len(own) >= LEAST_EVENING and np.median(own) < np.log(SLOW)
    }


def _judge_by_speed(
    row: dict[str, Any], shares: dict[str, _Share], slow_evening: bool
) -> SpeedJudgement:
    """Whether both runners were clearly slower than usual."""
    incoming, outgoing = shares.get("incoming"), shares.get("outgoing")
    mean = _mean_log(shares)
    if mean is None:
        return SpeedJudgement(True)
    if not is_blind(row["event"], row["zone"]):
        slow = len(shares) == 2 and all(_is_below(one, SLOW_BY_SIGHT) for one in shares.values())
    elif slow_evening:
        slow = mean < np.log(SLOW_EACH)
    elif incoming is None or outgoing is None:
        slow = False  # it may have been a fault: one runner alone says no more
    else:
        both = _Share(mean, float(np.hypot(incoming.sd, outgoing.sd)) / 2)
        slow = _is_below(both, SLOW) and max(incoming.log, outgoing.log) < np.log(SLOW_EACH)
    if not slow:
        return SpeedJudgement(True)
    speeds = in_words([f"{np.exp(one.log):.0%}" for one in (incoming, outgoing) if one])
    role = next(iter(shares))
    words = (
        f"both runners were at {speeds} of the usual speed"
        if len(shares) == 2
        else f"the {role} runner was at {speeds} of the usual speed"
    )
    return SpeedJudgement(False, words, recognised=True)


def _is_below(share: _Share, limit: float) -> bool:
    return bool(share.log + CLEAR_SDS * share.sd < np.log(limit))


def _left_out_in_words(
    sessions: Sequence[str], judged: Sequence[SpeedJudgement]
) -> tuple[str, ...]:
    told = sum(not one.used and not one.recognised for one in judged)
    remarks = [f"{count(told, 'takeover')} left out of advice by the sheet"] if told else []
    slow: dict[str, list[SpeedJudgement]] = defaultdict(list)
    for session, one in zip(sessions, judged, strict=True):
        if one.recognised:
            slow[session].append(one)
    remarks += [
        f"session {session}: {count(len(some), 'takeover')} left out of advice as build-ups "
        f"({some[0].why}{'' if len(some) == 1 else ', the first of them'}); if they count, write "
        "use = yes or effort = 100 in the sheet and measure again"
        for session, some in sorted(slow.items())
    ]
    return tuple(remarks)
