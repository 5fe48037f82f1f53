"""Scenes: the tables' takeovers as pages and figures need them, with both runners' courses, the
moments and the baton.

Reads tables only. A takeover whose curves are missing is still a scene: its numbers are in the
row of `exchanges`, and what cannot be drawn is None.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

import numpy as np
import pyarrow as pa

from pipeline.base import relays
from pipeline.base.values import Estimate, Floats, Frozen
from pipeline.show.wording import on_the_wall, zone_doubt_words
from pipeline.tables import schema
from pipeline.tables.courses import CourseKey, RunnerCourse, runner_courses
from pipeline.tables.full_speed import judge_speeds

LakeRow = Mapping[str, Any]
RunnerRole = Literal["incoming", "outgoing"]
MomentBasis = Literal["laid", "seen", "sensed", "inferred", "measured"]

_ZONE_COLUMNS = ["session", "event", "zone", "zone_time_s", "zone_speed_mps"]


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that happens at a time `t` [s] and a place `s` [m]; `basis` says how it is known.

    `s` is where the runner `who` was (the pass: half-way between the trunks); None where no course
    covers the time.
    """

    what: Literal["mark", "go", "entry", "pass", "exit"]
    who: str
    t: Estimate
    s: Estimate | None
    basis: MomentBasis


@dataclass(frozen=True, eq=False)
class Baton(Frozen):
    """The baton's course, (n,) each: the incoming trunk's until the pass, the outgoing's after it.

    `with_outgoing` is True in the rows after the pass. Place and speed jump at the pass.
    """

    t_s: Floats
    s_m: Floats
    v_mps: Floats
    with_outgoing: Any


@dataclass(frozen=True, eq=False)
class TrunkGap(Frozen):
    """The gap between the trunks, outgoing less incoming, (n,) each; `s_m` is half-way between.

    `sd_m` treats the errors of both places as independent. Errors that two units share cancel in
    the difference, so `sd_m` is an upper bound. At the pass the tables hold the smaller value.
    """

    t_s: Floats
    s_m: Floats
    gap_m: Floats
    sd_m: Floats


@dataclass(frozen=True, eq=False)
class Scene:
    """One takeover: its row of `exchanges`, the zone's length, the back line's place, and what the
    curves show of it."""

    row: LakeRow
    zone_m: float
    back_m: float
    incoming: RunnerCourse | None
    outgoing: RunnerCourse | None
    moments: tuple[Moment, ...]
    baton: Baton | None
    gap: TrunkGap | None
    left_out: str | None = None  # why it does not serve advice and comparisons; None: it does
    verdict: LakeRow | None = None  # its row of `verdicts`; None: not worked out

    @property
    def pair(self) -> tuple[str, str]:
        return self.row["incoming"], self.row["outgoing"]

    @property
    def passed(self) -> bool:
        """Whether there is a pass to show; inside the zone or not may be open."""
        return bool(self.row["outcome"] != "not passed" and self.row["pass_t_s"] is not None)

    @property
    def when(self) -> datetime:
        when: datetime = self.row["zero_utc"]
        return when

    @property
    def clock(self) -> datetime:
        """The same moment by the clocks at the track, in UTC where their zone is not known."""
        return on_the_wall(self.when, self.row["time_zone"])

    @property
    def missed(self) -> bool:
        return bool(self.row["outcome"] == "not passed")

    @property
    def failed(self) -> bool:
        """Not passed, or likelier passed outside the zone than in it."""
        p = self.row["p_in_zone"]
        return self.missed or (p is not None and bool(p < 0.5))

    @property
    def lost(self) -> Estimate | None:
        """The baton's time lost against the pair's best mark [s]; None where it is not known."""
        if self.verdict is None:
            return None
        return row_estimate(self.verdict, "lost_s", "lost_sd_s")

    @property
    def zone_doubt(self) -> str | None:
        """That the pass may lie outside the zone, in words."""
        row = self.row
        return zone_doubt_words(row["p_in_zone"], row["pass_m"], row["pass_sd_m"], self.zone_m)

    def estimate(self, name: str, sd: str) -> Estimate | None:
        return row_estimate(self.row, name, sd)

    @property
    def zone_time(self) -> Estimate | None:
        """The baton's time from the entry line to the exit line [s]."""
        return self.estimate("zone_time_s", "zone_time_sd_s")

    @property
    def pass_place(self) -> Estimate | None:
        """Where the baton passed, past the entry line [m]."""
        return self.estimate("pass_m", "pass_sd_m")

    @property
    def gap_at_pass(self) -> Estimate | None:
        """The gap between the trunks at the pass [m]; the tables call it the free distance."""
        return self.estimate("free_distance_m", "free_distance_sd_m")

    @property
    def start(self) -> Estimate | None:
        """First movement less crossing of the mark [s]; the tables call it the lag.

        The errors of the two moments are treated as independent.
        """
        lag, go, mark = (self.row[k] for k in ("go_lag_s", "go_t_sd_s", "mark_t_sd_s"))
        return None if None in (lag, go, mark) else Estimate(lag, float(np.hypot(go, mark)))

    def moment(self, what: str) -> Moment | None:
        return next((one for one in self.moments if one.what == what), None)


def read_scenes(
    exchanges: pa.Table, curves: pa.Table, among: pa.Table | None = None
) -> tuple[Scene, ...]:
    """One scene for every row of `exchanges`, in its order, with its rows of `curves`.

    Both tables are as the schema has them, with the column `session`. `among` is the whole table
    where `exchanges` is a part of one: a row that does not tell its zone's length takes it from
    others in the same zone. Raises OutputError where a table does not hold to its schema.
    """
    schema.check_table("exchanges", exchanges)
    schema.check_table("speed_curves", curves)
    rows = exchanges.to_pylist()
    courses = runner_courses(curves, {(row["session"], row["exchange"]) for row in rows})
    known_m = _zones_m(rows if among is None else among.select(_ZONE_COLUMNS).to_pylist())
    whole = exchanges if among is None else among
    left_out = {
        (session, number): one.why
        for session, number, one in zip(
            whole["session"].to_pylist(),
            whole["exchange"].to_pylist(),
            judge_speeds(whole),
            strict=True,
        )
        if not one.used
    }
    return tuple(
        replace(
            _make_scene(row, _zone_m(row, known_m), courses),
            left_out=left_out.get((row["session"], row["exchange"])),
        )
        for row in rows
    )


def at_full_speed(several: Sequence[Scene]) -> list[Scene]:
    """Those that can be compared; all of them where none was run at full speed."""
    return [one for one in several if one.left_out is None] or list(several)


def row_estimate(row: LakeRow, name: str, sd: str) -> Estimate | None:
    """A column of a row with its standard error; None where it is null."""
    value, error = row[name], row[sd]
    return None if value is None or error is None else Estimate(value, error)


def order_by_time(several: Sequence[Scene]) -> tuple[Scene, ...]:
    return tuple(sorted(several, key=lambda one: (one.when, one.row["session"])))


def rank_scenes(several: Sequence[Scene]) -> tuple[int, ...]:
    """Each scene's rank, 1 for what deserves a look first: what was not passed or passed outside
    the zone, then by the time lost against the pair's own best mark, then what was not judged;
    what was not run at full speed comes last.

    A pass counts as outside where that is likelier than not. Who is faster does not matter: each
    takeover is held against its own pair.
    """

    def key(index: int) -> tuple[bool, int, float, int]:
        one = several[index]
        lost_s = 0.0 if one.lost is None else one.lost.value
        kind = 0 if one.failed else 2 if one.lost is None else 1
        return one.left_out is not None, kind, -lost_s, index

    ranked = {index: rank for rank, index in enumerate(sorted(range(len(several)), key=key), 1)}
    return tuple(ranked[index] for index in range(len(several)))


# --- one takeover -------------------------------------------------------------------------


def _zones_m(rows: Sequence[LakeRow]) -> dict[tuple[Any, ...], float]:
    """Zone lengths that zone times tell: by session, event and zone, and by session and event."""
    found: dict[tuple[Any, ...], float] = {}
    for row in rows:
        if row["zone_time_s"] is not None:
            length = relays.zone_length_m(
                row["event"], row["zone"], row["zone_time_s"], row["zone_speed_mps"]
            )
            found.setdefault((row["session"], row["event"], row["zone"]), length)
            found.setdefault((row["session"], row["event"]), length)
    return found


def _zone_m(row: LakeRow, known_m: Mapping[tuple[Any, ...], float]) -> float:
    """A takeover's zone length: its own, else that of others in the same zone of the session, else
    of others in the session, else the event's usual one."""
    own = relays.zone_length_m(row["event"], row["zone"], row["zone_time_s"], row["zone_speed_mps"])
    if row["zone_time_s"] is not None:
        return own
    session = (row["session"], row["event"])
    return known_m.get((*session, row["zone"]), known_m.get(session, own))


def _make_scene(row: LakeRow, zone_m: float, courses: Mapping[CourseKey, RunnerCourse]) -> Scene:
    incoming, outgoing = (
        courses.get((row["session"], row["exchange"], role)) for role in ("incoming", "outgoing")
    )
    back_m = relays.back_line_m(row["event"], row["zone"], zone_m, _back_seen_m(row, incoming))
    return Scene(
        row,
        zone_m,
        back_m,
        incoming,
        outgoing,
        tuple(_scene_moments(row, incoming, outgoing, zone_m, back_m)),
        _baton_course(row, incoming, outgoing),
        _trunk_gap(incoming, outgoing),
    )


def _back_seen_m(row: LakeRow, incoming: RunnerCourse | None) -> float | None:
    if incoming is None or row["mark_m"] is None or row["mark_t_s"] is None:
        return None
    if not incoming.covers(row["mark_t_s"]):
        return None
    return float(incoming.at(row["mark_t_s"], "s_m") + row["mark_m"])


def _scene_moments(
    row: LakeRow,
    incoming: RunnerCourse | None,
    outgoing: RunnerCourse | None,
    zone_m: float,
    back_m: float,
) -> list[Moment]:
    found = []
    if row["mark_t_s"] is not None and row["mark_m"] is not None:
        when = Estimate(row["mark_t_s"], row["mark_t_sd_s"])
        place = Estimate(back_m - row["mark_m"], 0.0)
        found.append(Moment("mark", row["incoming"], when, place, "laid"))
    if row["go_t_s"] is not None:
        when = Estimate(row["go_t_s"], row["go_t_sd_s"])
        found.append(Moment("go", row["outgoing"], when, _place_at(outgoing, when), "measured"))
    sd = 0.0 if incoming is None else incoming.at(0.0, "s_sd_m")
    v = row["v_in_entry_mps"] or (0.0 if incoming is None else incoming.at(0.0, "v_mps"))
    when = Estimate(0.0, sd / max(v, 0.1))
    found.append(Moment("entry", row["incoming"], when, Estimate(0.0, 0.0), "measured"))
    if row["pass_t_s"] is not None and row["pass_m"] is not None:
        when = Estimate(row["pass_t_s"], row["pass_t_sd_s"])
        place = Estimate(row["pass_m"], row["pass_sd_m"])
        found.append(Moment("pass", row["outgoing"], when, place, row["pass_basis"]))
    leaves = _exit_moment(row, incoming, outgoing, zone_m)
    return found if leaves is None else [*found, leaves]


def _counts_from_entry(row: LakeRow) -> bool:
    """Whether the zone time is counted from time 0, the incoming runner's crossing of the entry
    line: it is where the baton crossed that line with the incoming runner."""
    return row["zone_time_s"] is not None and (row["pass_t_s"] or 0.0) > 0.0


def _place_at(course: RunnerCourse | None, when: Estimate) -> Estimate | None:
    if course is None or not course.covers(when.value):
        return None
    return Estimate(course.at(when.value, "s_m"), course.at(when.value, "s_sd_m"))


def _exit_moment(
    row: LakeRow, incoming: RunnerCourse | None, outgoing: RunnerCourse | None, zone_m: float
) -> Moment | None:
    """The baton crosses the exit line: with the runner who has it there, or as it changes hands."""
    handed, place = row["pass_t_s"], Estimate(zone_m, 0.0)
    by_in = None if incoming is None else incoming.reaches(zone_m)
    by_out = None if outgoing is None else outgoing.reaches(zone_m)
    basis: MomentBasis = "measured"
    if row["outcome"] == "not passed":
        who, when = row["incoming"], by_in
    elif handed is None or outgoing is None:
        return None
    elif by_out is not None and by_out.value >= handed:
        who, when = row["outgoing"], by_out
    elif by_in is not None and by_in.value <= handed:
        who, when = row["incoming"], by_in
    elif by_out is not None:
        who, when = row["outgoing"], Estimate(handed, row["pass_t_sd_s"])
        basis = row["pass_basis"]
    else:
        who, when = row["outgoing"], None
    if _counts_from_entry(row):
        when = Estimate(row["zone_time_s"], row["zone_time_sd_s"])
    return None if when is None else Moment("exit", who, when, place, basis)


def _baton_course(
    row: LakeRow, incoming: RunnerCourse | None, outgoing: RunnerCourse | None
) -> Baton | None:
    if incoming is None or (row["outcome"] == "unclear" and row["pass_t_s"] is None):
        return None
    if row["outcome"] == "not passed" or row["pass_t_s"] is None:
        if row["outcome"] == "passed":
            return None
        still = np.zeros(len(incoming.t_s), dtype=bool)
        return Baton(incoming.t_s, incoming.s_m, incoming.v_mps, still)
    if outgoing is None or not (
        incoming.covers(row["pass_t_s"]) and outgoing.covers(row["pass_t_s"])
    ):
        return None
    handed = row["pass_t_s"]
    before, after = incoming.t_s < handed, outgoing.t_s > handed
    parts = [
        np.concatenate(
            [
                getattr(incoming, name)[before],
                [incoming.at(handed, name), outgoing.at(handed, name)],
                getattr(outgoing, name)[after],
            ]
        )
        for name in ("t_s", "s_m", "v_mps")
    ]
    parts[0][before.sum() : before.sum() + 2] = handed
    with_outgoing = np.arange(len(parts[0])) > before.sum()
    return Baton(parts[0], parts[1], parts[2], with_outgoing)


def _trunk_gap(incoming: RunnerCourse | None, outgoing: RunnerCourse | None) -> TrunkGap | None:
    if incoming is None or outgoing is None:
        return None
    first = max(incoming.t_s[0], outgoing.t_s[0])
    last = min(incoming.t_s[-1], outgoing.t_s[-1])
    t_s = outgoing.t_s[(outgoing.t_s >= first) & (outgoing.t_s <= last)]
    if len(t_s) < 2:
        return None
    s_in, s_out = incoming.at(t_s, "s_m"), outgoing.at(t_s, "s_m")
    sd_m = np.hypot(incoming.at(t_s, "s_sd_m"), outgoing.at(t_s, "s_sd_m"))
    return TrunkGap(t_s, (s_in + s_out) / 2.0, s_out - s_in, sd_m)
