"""Both runners' speed on the zone's axis and on the clock: one takeover, or many of a pair.

The upper panel has the speeds and, broad below them, the baton's own; the lower one the distance
between the trunks. On the zone's axis each speed stands where that runner's trunk was, so that at
the pass the two curves are the free distance apart; on the clock they stand at the same moment.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from pipeline.base.values import Floats
from pipeline.base.words import count
from pipeline.show.figures.drawing import (
    Bracket,
    Curve,
    Dot,
    Figure,
    Item,
    Panel,
    Scale,
    Span,
    Upright,
    scale,
)
from pipeline.show.markup import plain, short, shortened
from pipeline.show.scenes import Course, Moment, Takeover
from pipeline.show.wording import days, plus_minus

View = Literal["zone", "clock"]
VIEWS: tuple[View, ...] = ("zone", "clock")

BEFORE_M, BEYOND_M = 12.0, 10.0  # drawn before the entry line, or from before the mark; beyond exit
BEFORE_S, BEYOND_S = 0.6, 0.6  # drawn before the first moment and beyond the exit
GAP_TOP_M = 8.0  # farther apart there is nothing to see in the gap
SIGN_EVERY_S = 0.5  # between the signs along a curve on the zone
SIGN_EVERY_M = 5.0  # and on the clock
SESSION_WIDTH = 32

X_LABEL = {
    "zone": "place of the trunk past the entry line, m",
    "clock": "time since the incoming runner's entry, s",
}
_WHERE = {"zone": "on the zone", "clock": "on the clock"}
SPEED = "speed, m/s"
GAP = "between trunks, m"


def takeover(one: Takeover, view: View) -> Figure:
    """The overlay of one takeover."""
    x = _x_scale([one], view)
    speeds: list[Item] = []
    if one.baton is not None:
        at = _on(one.baton.t_s, one.baton.s_m, view)
        keep = _inside(at, x)
        jump = int(np.argmax(one.baton.carried)) if one.baton.carried.any() else 0
        if keep.sum() > 1:
            handed = int(keep[:jump].sum())
            breaks = (handed,) if 0 < handed < keep.sum() else ()
            speeds.append(Curve("baton", at[keep], one.baton.v_mps[keep], breaks=breaks))
    for role, course in _runners(one):
        speeds += _speed(course, role, x, view, name=True)
    speeds += _pass_on_speeds(one, x, view)
    gaps = _gap_items(one, x, view)
    return _figure([one], view, _heading(one), _says(one), x, speeds, gaps, _uprights(one, view))


def laid_over(several: Sequence[Takeover], view: View) -> Figure:
    """Many takeovers of one pair over each other; `rep` of each item is its place in `several`.

    Raises ValueError where there is none.
    """
    if not several:
        raise ValueError("no takeover to lay over another")
    x = _x_scale(several, view)
    speeds: list[Item] = []
    gaps: list[Item] = []
    for rep, one in enumerate(several):
        for role, course in _runners(one):
            speeds += _speed(course, role, x, view, name=rep == 0, rep=rep)
        speeds += _pass_on_speeds(one, x, view, rep)
        gaps += _gap_items(one, x, view, rep)
    incoming, outgoing = map(short, several[0].pair)
    title = f"{incoming} to {outgoing}, {count(len(several), 'takeover')}"
    lines = [Upright("plain", 0.0, "entry")]
    if view == "zone":
        lines.append(Upright("plain", several[0].zone_m, "exit"))
    return _figure(several, view, title, _says_many(several), x, speeds, gaps, lines)


def _figure(
    several: Sequence[Takeover], view: View, title: str, says: str, x: Scale,
    speeds: Sequence[Item], gaps: Sequence[Item], lines: Sequence[Upright],
) -> Figure:  # fmt: skip
    """The speeds and, where there is something to see, the distance between the trunks."""
    panels = [Panel(_speed_scale(several), tuple(speeds), 2.2)]
    if gaps:
        panels.append(Panel(_gap_scale(several), tuple(gaps), 1.0))
    zone_m = several[0].zone_m
    spans = (Span(0.0, zone_m, f"zone, {zone_m:g} m"),) if view == "zone" else ()
    return Figure(
        f"{title}, {_WHERE[view]}", says, x, tuple(panels), tuple(lines), spans,
        _notes(several, view),
    )  # fmt: skip


# --- axes ---------------------------------------------------------------------------------


def _x_scale(several: Sequence[Takeover], view: View) -> Scale:
    if view == "zone":
        marks = [m.s.value for one in several if (m := one.moment("mark")) and m.s is not None]
        low = min([-BEFORE_M, *(m - 2.0 for m in marks)])
        return scale(X_LABEL[view], low, max(one.zone_m for one in several) + BEYOND_M)
    moments = [m.t.value for one in several for m in one.moments]
    low, high = min([-1.5, *moments]) - BEFORE_S, max([1.0, *moments]) + BEYOND_S
    return scale(X_LABEL[view], low, high)


def _speed_scale(several: Sequence[Takeover]) -> Scale:
    tops = [course.v_mps.max() for one in several for _, course in _runners(one)]
    return scale(SPEED, 0.0, float(np.ceil(max([8.0, *tops]) + 0.6)), 6)


def _gap_scale(several: Sequence[Takeover]) -> Scale:
    """From nought to `GAP_TOP_M`; farther where a free distance lies beyond."""
    known = [one.distance.value for one in several if one.distance is not None]
    low, high = min([0.0, *(d - 0.5 for d in known)]), max([GAP_TOP_M, *(d + 0.5 for d in known)])
    return scale(GAP, 0.0 if low > -0.5 else low, high, 4)


# --- what stands on them --------------------------------------------------------------------


def _runners(one: Takeover) -> list[tuple[Literal["incoming", "outgoing"], Course]]:
    both: list[tuple[Literal["incoming", "outgoing"], Course | None]] = [
        ("incoming", one.incoming),
        ("outgoing", one.outgoing),
    ]
    return [(role, course) for role, course in both if course is not None]


def _on(t_s: Floats, s_m: Floats, view: View) -> Floats:
    return s_m if view == "zone" else t_s


def _inside(at: Floats, x: Scale) -> np.ndarray:
    return np.asarray((at >= x.low) & (at <= x.high))


def _speed(
    course: Course,
    role: Literal["incoming", "outgoing"],
    x: Scale,
    view: View,
    *,
    name: bool,
    rep: int | None = None,
) -> list[Item]:
    at = _on(course.t_s, course.s_m, view)
    keep = _inside(at, x)
    if keep.sum() < 2:
        return []
    at, t_s, v = at[keep], course.t_s[keep], course.v_mps[keep]
    alone = rep is None
    word = f"{short(course.runner)}, {role}" if alone else role
    return [
        Curve(
            role,
            at,
            v,
            sd=course.v_sd_mps[keep] if alone else None,
            signs=_signs(t_s, course.s_m[keep], v, view) if alone else None,
            word=word if name else "",
            word_at=_word_row(at, v, x, role),
            beside=role == "outgoing",
            rep=rep,
            thin=not alone,
        )
    ]


def _word_row(at: Floats, v: Floats, x: Scale, role: str) -> int:
    """Where a curve's name stands free: the incoming one's well before the zone, the outgoing
    one's beside its rise."""
    if role == "incoming":
        return int(np.abs(at - (x.low + 0.04 * (x.high - x.low))).argmin())
    return int((v >= 0.5 * v.max()).argmax())


def _signs(t_s: Floats, s_m: Floats, v: Floats, view: View) -> Floats:
    """Where a runner is every half second (zone), or when at every fifth metre (clock)."""
    along, across, step = (t_s, s_m, SIGN_EVERY_S) if view == "zone" else (s_m, t_s, SIGN_EVERY_M)
    along = np.maximum.accumulate(along)  # a standing trunk sways
    k = np.arange(np.ceil(along[0] / step), np.floor(along[-1] / step) + 1)
    at = np.searchsorted(along, k * step)
    at = at[at < len(along)]
    return np.column_stack([across[at], v[at]])


def _pass_on_speeds(one: Takeover, x: Scale, view: View, rep: int | None = None) -> list[Item]:
    """A dot on each curve as the baton passes, and between them on the zone's axis the distance."""
    handed = one.moment("pass")
    if handed is None:
        return []
    t = handed.t.value
    points = [
        (role, float(course.at(t, "s_m")), float(course.at(t, "v_mps")))
        for role, course in _runners(one)
        if course.covers(t)
    ]
    seen = [point for point in points if x.low <= (point[1] if view == "zone" else t) <= x.high]
    full = handed.basis != "inferred"
    dots: list[Item] = [
        Dot(role, s if view == "zone" else t, v, full=full, rep=rep) for role, s, v in seen
    ]
    if rep is None and view == "zone" and len(seen) == 2 and one.distance is not None:
        (_, s_in, v_in), (_, s_out, v_out) = seen
        dots.append(Bracket(s_in, v_in, s_out, v_out, f"{plus_minus(one.distance, 1)} m"))
    return dots


def _gap_items(one: Takeover, x: Scale, view: View, rep: int | None = None) -> tuple[Item, ...]:
    if one.gap is None:
        return ()
    at = _on(one.gap.t_s, one.gap.s_m, view)
    keep = _inside(at, x) & (one.gap.gap_m <= GAP_TOP_M) & (one.gap.gap_m >= 0.0)
    if keep.sum() < 2:
        return ()
    alone = rep is None
    rows = np.flatnonzero(keep)
    items: list[Item] = [
        Curve(
            "plain",
            at[keep],
            one.gap.gap_m[keep],
            sd=one.gap.sd_m[keep] if alone else None,
            breaks=tuple(int(k) for k in np.flatnonzero(np.diff(rows) > 1) + 1),
            rep=rep,
            thin=not alone,
        )
    ]
    handed, distance = one.moment("pass"), one.distance
    if handed is not None and handed.s is not None and distance is not None:
        where = handed.s if view == "zone" else handed.t
        if not x.low <= where.value <= x.high:
            return tuple(items)
        items.append(
            Dot(
                "plain",
                where.value,
                distance.value,
                full=handed.basis != "inferred",
                x_sd=where.sd if alone else None,
                y_sd=distance.sd if alone else None,
                word=f"{plus_minus(distance, 1)} m" if alone else "",
                rep=rep,
            )
        )
    return tuple(items)


def _uprights(one: Takeover, view: View) -> list[Upright]:
    lines = []
    for moment in one.moments:
        where = moment.s if view == "zone" else moment.t
        if where is not None:
            lines.append(
                Upright(
                    _ink(moment),
                    where.value,
                    moment.what,
                    broken=moment.basis == "inferred",
                    x_sd=where.sd if moment.what == "pass" or view == "clock" else None,
                )
            )
    return lines


def _ink(moment: Moment) -> Literal["incoming", "outgoing", "plain"]:
    if moment.what == "mark":
        return "incoming"
    return "outgoing" if moment.what == "go" else "plain"


# --- words -----------------------------------------------------------------------------------


def _heading(one: Takeover) -> str:
    rep = "" if one.row["rep"] is None else f", rep {one.row['rep']}"
    names = f"{short(one.row['incoming'])} to {short(one.row['outgoing'])}"
    return f"{names}{rep}, {one.when:%Y-%m-%d %H:%M:%S} UTC"


def _says(one: Takeover) -> str:
    incoming, outgoing = (plain(name) for name in one.pair)
    words = [f"Speed of {incoming}, incoming, and {outgoing}, outgoing."]
    v_in = one.estimate("v_in_entry_mps", "v_in_entry_sd_mps")
    v_out = one.estimate("v_out_exit_mps", "v_out_exit_sd_mps")
    if v_in is not None:
        words.append(f"{incoming} enters at {plus_minus(v_in, 2)} m/s.")
    words.append(_pass_in_words(one))
    if v_out is not None:
        words.append(f"{outgoing} leaves the zone at {plus_minus(v_out, 2)} m/s.")
    if one.zone_time is not None:
        words.append(f"The baton takes {plus_minus(one.zone_time, 2)} s through the zone.")
    return " ".join(words)


def _pass_in_words(one: Takeover) -> str:
    if one.place is None:
        return "The baton does not pass." if one.missed else "Whether it passes is not known."
    gap = "" if one.distance is None else f", trunks {plus_minus(one.distance, 1)} m apart"
    basis = one.row["pass_basis"]
    return f"The baton passes {plus_minus(one.place, 1)} m past the entry line ({basis}){gap}."


def _says_many(several: Sequence[Takeover]) -> str:
    passed = [one for one in several if one.passed]
    incoming, outgoing = (plain(name) for name in several[0].pair)
    words = f"Speeds of {incoming} and {outgoing} in {count(len(several), 'takeover')}"
    times = [one.zone_time.value for one in passed if one.zone_time is not None]
    if times:
        words += f"; zone times from {min(times):.2f} to {max(times):.2f} s"
    return f"{words}."


def _notes(several: Sequence[Takeover], view: View) -> tuple[str, ...]:
    what = _what(several)
    passed = [one for one in several if one.passed]
    inferred = sum(one.row["pass_basis"] == "inferred" for one in passed)
    if len(several) > 1:
        notes = [
            f"{what}. {count(len(several), 'rep')}; speeds in m/s with the swing inside each step "
            "taken out, distances in m. Each rep's standard errors stand in its own figure."
        ]
        if inferred:
            notes.append(f"Pass inferred in {inferred} of {len(passed)}: hollow dots.")
        return tuple(notes)
    every = f"{SIGN_EVERY_S:g} s" if view == "zone" else f"{SIGN_EVERY_M:g} m"
    notes = [
        f"{what}. 1 rep; bands and bars ± 1 standard error (between the trunks: at most). "
        "Grey, broad: the baton's own speed.",
        f"Signs along the curves: every {every}.",
    ]
    if inferred:
        notes.append("Pass inferred from the two courses: hollow dots, broken line.")
    return tuple(notes)


def _what(several: Sequence[Takeover]) -> str:
    """Relay, and session, zone and lane of one, days of many."""
    first = several[0].row
    if len(several) == 1:
        session = shortened(plain(first["session"]), SESSION_WIDTH)
        return f"{first['event']}, session {session}, zone {first['zone']}, lane {first['lane']}"
    when = [one.when for one in several]
    return f"{first['event']}, {days(min(when), max(when))}"


def no_curves(one: Takeover) -> bool:
    """Whether there is nothing to draw of a takeover."""
    return one.incoming is None and one.outgoing is None
