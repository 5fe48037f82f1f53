"""Both runners' speeds over the zone or over the clock, for one takeover or many of a pair.

The upper panel has the speeds, with the baton's own as a broad line behind them. The lower panel
has the gap between the trunks. Over the zone each speed is drawn at the place of that runner's
trunk, so at the pass the two curves are one gap apart. Over the clock both are drawn at the same
time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.base.values import Floats
from pipeline.language.numbers import day_words
from pipeline.language.phrases import phrase
from pipeline.show.column_words import column_word
from pipeline.show.figures.figure import (
    Bracket,
    Curve,
    Dot,
    Figure,
    Item,
    Panel,
    Scale,
    Span,
    Upright,
    make_scale,
)
from pipeline.show.markup import plain_text, short_name, shorten
from pipeline.show.scenes import Moment, RunnerRole, Scene
from pipeline.show.wording import (
    clock_words,
    day_range,
    decimal,
    joined_parts,
    outcome_words,
    pair_title,
    takeovers_words,
    with_error,
    with_head,
)
from pipeline.tables.courses import RunnerCourse

View = Literal["zone", "clock"]
VIEWS: tuple[View, ...] = ("zone", "clock")

DRAWN_BEFORE_M, DRAWN_BEYOND_M = (
    12.0,
    10.0,
)  # drawn before the entry line, after the exit line
DRAWN_BEFORE_S, DRAWN_BEYOND_S = 0.6, 0.6  # drawn before the first moment, after the exit
GAP_TOP_M = 8.0  # a larger gap tells nothing about the takeover
SPEED_SHARE = 2.2  # of a figure's height, for the speeds; the gap has 1
USUAL_EVERY_M = 0.5  # between two places of what is usual
SIGN_EVERY_S = 0.5  # between the signs along a curve over the zone
SIGN_EVERY_M = 5.0  # and over the clock
SESSION_WIDTH = 32


@dataclass(frozen=True, slots=True)
class OverlayScales:
    """The axes of overlays that are to be compared."""

    zone: Scale
    clock: Scale
    speed: Scale
    gap: Scale

    def across(self, view: View) -> Scale:
        return self.zone if view == "zone" else self.clock


def overlay_scales(several: Sequence[Scene]) -> OverlayScales:
    """Axes that hold all of several takeovers, at least one."""
    return OverlayScales(
        _x_scale(several, "zone"),
        _x_scale(several, "clock"),
        _speed_scale(several),
        _gap_scale(several),
    )


def takeover_overlay(one: Scene, view: View, scales: OverlayScales | None = None) -> Figure:
    """The overlay of one takeover, on its own scales unless others are given."""
    scales = scales or overlay_scales([one])
    x = scales.across(view)
    speeds: list[Item] = []
    if one.baton is not None:
        at = _axis_values(one.baton.t_s, one.baton.s_m, view)
        keep = _is_on_axis(at, x)
        jump = int(np.argmax(one.baton.with_outgoing)) if one.baton.with_outgoing.any() else 0
        if keep.sum() > 1:
            handed = int(keep[:jump].sum())
            breaks = (handed,) if 0 < handed < keep.sum() else ()
            speeds.append(
                Curve("baton", at[keep], one.baton.v_mps[keep], breaks=breaks, reading="baton")
            )
    for role, course in _runners_with_course(one):
        speeds += _speed_curve(course, role, x, view, name=True)
    speeds += _pass_on_speeds(one, x, view)
    gaps = _gap_items(one, x, view)
    return _overlay_figure(
        [one],
        view,
        with_head(_takeover_names(one), _takeover_finding(one)),
        _describe_takeover(one),
        x,
        speeds,
        gaps,
        _moment_uprights(one, view),
        scales,
    )


def pair_overlay(
    several: Sequence[Scene], view: View, scales: OverlayScales | None = None
) -> Figure:
    """Many takeovers of one pair over each other; each item's `rep` is its index in `several`.

    Raises ValueError where there is no takeover.
    """
    if not several:
        raise ValueError("no takeover to lay over another")
    scales = scales or overlay_scales(several)
    x = scales.across(view)
    speeds: list[Item] = []
    gaps: list[Item] = []
    for rep, one in enumerate(several):
        for role, course in _runners_with_course(one):
            speeds += _speed_curve(course, role, x, view, name=rep == 0, rep=rep)
        speeds += _pass_on_speeds(one, x, view, rep)
        gaps += _gap_items(one, x, view, rep)
    title = with_head(_takeover_names(several[0]), _pair_finding(several))
    lines = [Upright("plain", 0.0, column_word("moment", "entry"), kind="entry")]
    if view == "zone":
        lines.append(
            Upright("plain", several[0].zone_m, column_word("moment", "exit"), kind="exit")
        )
    return _overlay_figure(
        several, view, title, _describe_pair(several), x, speeds, gaps, lines, scales
    )


def small_overlay(one: Scene, behind: Curve | None, scales: OverlayScales) -> Figure:
    """One takeover's speeds over the zone without words, with what is usual behind."""
    x = scales.zone
    items: list[Item] = [] if behind is None else [behind]
    for role, course in _runners_with_course(one):
        items += _speed_curve(course, role, x, "zone", name=False, rep=0)
    items += _pass_on_speeds(one, x, "zone", rep=0)
    lines = (Upright("plain", 0.0), Upright("plain", one.zone_m))
    return Figure(
        _takeover_names(one), _describe_takeover(one), x,
        (Panel(scales.speed, tuple(items), SPEED_SHARE),), lines,
        (Span(0.0, one.zone_m),),
    )  # fmt: skip


def usual_curve(several: Sequence[Scene], scales: OverlayScales) -> Curve | None:
    """The mean of the baton's speed over the places that all of several takeovers cover; None with
    fewer than two that were passed."""
    x = scales.zone
    batons = [one.baton for one in several if one.baton is not None and one.passed]
    if len(batons) < 2:
        return None
    low = max(x.low, *(float(one.s_m.min()) for one in batons))
    high = min(x.high, *(float(one.s_m.max()) for one in batons))
    if not high - low > 1.0:
        return None
    at = np.arange(low, high, USUAL_EVERY_M)
    speeds = [np.interp(at, np.maximum.accumulate(one.s_m), one.v_mps) for one in batons]
    return Curve("usual", at, np.mean(speeds, axis=0))


def _overlay_figure(
    several: Sequence[Scene], view: View, title: str, description: str, x: Scale,
    speeds: Sequence[Item], gaps: Sequence[Item], lines: Sequence[Upright],
    scales: OverlayScales,
) -> Figure:  # fmt: skip
    """The panel of speeds and, where a gap is known, the panel of the gap."""
    panels = [Panel(scales.speed, tuple(speeds), SPEED_SHARE)]
    if gaps:
        panels.append(Panel(scales.gap, tuple(gaps), 1.0))
    zone_m = several[0].zone_m
    ground = Span(0.0, zone_m, phrase("zone, {zone_m:g} m", zone_m=float(zone_m)))
    spans = (ground,) if view == "zone" else ()
    return Figure(
        title, description, x, tuple(panels), tuple(lines), spans,
        _overlay_notes(several, view),
    )  # fmt: skip


# --- axes ---------------------------------------------------------------------------------


def _across_label(view: View) -> str:
    if view == "zone":
        return phrase("place of the trunk past the entry line, m")
    return phrase("time since the incoming runner's entry, s")


def _x_scale(several: Sequence[Scene], view: View) -> Scale:
    if view == "zone":
        marks = [m.s.value for one in several if (m := one.moment("mark")) and m.s is not None]
        low = min([-DRAWN_BEFORE_M, *(m - 2.0 for m in marks)])
        return make_scale(
            _across_label(view), low, max(one.zone_m for one in several) + DRAWN_BEYOND_M
        )
    moments = [m.t.value for one in several for m in one.moments]
    low, high = min([-1.5, *moments]) - DRAWN_BEFORE_S, max([1.0, *moments]) + DRAWN_BEYOND_S
    return make_scale(_across_label(view), low, high)


def _speed_scale(several: Sequence[Scene]) -> Scale:
    tops = [course.v_mps.max() for one in several for _, course in _runners_with_course(one)]
    return make_scale(phrase("speed, m/s"), 0.0, float(np.ceil(max([8.0, *tops]) + 0.6)), 6)


def _gap_scale(several: Sequence[Scene]) -> Scale:
    """From 0 to `GAP_TOP_M`; farther where a gap at the pass lies outside that."""
    known = [one.gap_at_pass.value for one in several if one.gap_at_pass is not None]
    low, high = min([0.0, *(d - 0.5 for d in known)]), max([GAP_TOP_M, *(d + 0.5 for d in known)])
    return make_scale(phrase("gap, m"), 0.0 if low > -0.5 else low, high, 4)


# --- what stands on them --------------------------------------------------------------------


def _runners_with_course(one: Scene) -> list[tuple[RunnerRole, RunnerCourse]]:
    both: list[tuple[RunnerRole, RunnerCourse | None]] = [
        ("incoming", one.incoming),
        ("outgoing", one.outgoing),
    ]
    return [(role, course) for role, course in both if course is not None]


def _axis_values(t_s: Floats, s_m: Floats, view: View) -> Floats:
    return s_m if view == "zone" else t_s


def _is_on_axis(at: Floats, x: Scale) -> np.ndarray:
    return np.asarray((at >= x.low) & (at <= x.high))


def _speed_curve(
    course: RunnerCourse,
    role: RunnerRole,
    x: Scale,
    view: View,
    *,
    name: bool,
    rep: int | None = None,
) -> list[Item]:
    at = _axis_values(course.t_s, course.s_m, view)
    keep = _is_on_axis(at, x)
    if keep.sum() < 2:
        return []
    at, t_s, v = at[keep], course.t_s[keep], course.v_mps[keep]
    alone = rep is None
    word = (
        f"{short_name(course.runner)}, {column_word('runner', role)}"
        if alone
        else column_word("runner", role)
    )
    return [
        Curve(
            role,
            at,
            v,
            sd=course.v_sd_mps[keep] if alone else None,
            signs=_sign_places(t_s, course.s_m[keep], v, view) if alone else None,
            word=word if name else "",
            word_at=_word_row(at, v, x, role),
            beside=role == "outgoing",
            rep=rep,
            thin=not alone,
            reading="in" if role == "incoming" else "out",
        )
    ]


def _word_row(at: Floats, v: Floats, x: Scale, role: str) -> int:
    """The row where there is room for a curve's name: the incoming runner's well before the zone,
    the outgoing runner's beside the rise."""
    if role == "incoming":
        return int(np.abs(at - (x.low + 0.04 * (x.high - x.low))).argmin())
    return int((v >= 0.5 * v.max()).argmax())


def _sign_places(t_s: Floats, s_m: Floats, v: Floats, view: View) -> Floats:
    """Places and speeds of a runner every half second (zone), or times and speeds every fifth
    metre (clock)."""
    along, across, step = (t_s, s_m, SIGN_EVERY_S) if view == "zone" else (s_m, t_s, SIGN_EVERY_M)
    along = np.maximum.accumulate(along)  # a standing runner sways
    k = np.arange(np.ceil(along[0] / step), np.floor(along[-1] / step) + 1)
    at = np.searchsorted(along, k * step)
    at = at[at < len(along)]
    return np.column_stack([across[at], v[at]])


def _pass_on_speeds(one: Scene, x: Scale, view: View, rep: int | None = None) -> list[Item]:
    """A dot on each curve at the pass, and over the zone a bracket with the gap between them."""
    handed = one.moment("pass")
    if handed is None:
        return []
    t = handed.t.value
    points = [
        (role, float(course.at(t, "s_m")), float(course.at(t, "v_mps")))
        for role, course in _runners_with_course(one)
        if course.covers(t)
    ]
    seen = [point for point in points if x.low <= (point[1] if view == "zone" else t) <= x.high]
    full = handed.basis != "inferred"
    dots: list[Item] = [
        Dot(role, s if view == "zone" else t, v, full=full, rep=rep) for role, s, v in seen
    ]
    if rep is None and view == "zone" and len(seen) == 2 and one.gap_at_pass is not None:
        (_, s_in, v_in), (_, s_out, v_out) = seen
        dots.append(Bracket(s_in, v_in, s_out, v_out, f"{with_error(one.gap_at_pass, 1)} m"))
    return dots


def _gap_items(one: Scene, x: Scale, view: View, rep: int | None = None) -> tuple[Item, ...]:
    if one.gap is None:
        return ()
    at = _axis_values(one.gap.t_s, one.gap.s_m, view)
    keep = _is_on_axis(at, x) & (one.gap.gap_m <= GAP_TOP_M) & (one.gap.gap_m >= 0.0)
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
            reading="gap",
        )
    ]
    handed, distance = one.moment("pass"), one.gap_at_pass
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
                word=f"{with_error(distance, 1)} m" if alone else "",
                rep=rep,
            )
        )
    return tuple(items)


def _moment_uprights(one: Scene, view: View) -> list[Upright]:
    lines = []
    for moment in one.moments:
        where = moment.s if view == "zone" else moment.t
        if where is not None:
            lines.append(
                Upright(
                    _moment_ink(moment),
                    where.value,
                    column_word("moment", moment.what),
                    dashed=moment.basis == "inferred",
                    x_sd=where.sd if moment.what == "pass" or view == "clock" else None,
                    kind=moment.what,
                )
            )
    return lines


def _moment_ink(moment: Moment) -> Literal["incoming", "outgoing", "plain"]:
    if moment.what == "mark":
        return "incoming"
    return "outgoing" if moment.what == "go" else "plain"


# --- words -----------------------------------------------------------------------------------


def _takeover_names(one: Scene) -> str:
    return pair_title(short_name(one.row["incoming"]), short_name(one.row["outgoing"]))


def _takeover_finding(one: Scene) -> str:
    """What came of a takeover, as a title says it."""
    if one.pass_place is None:
        return outcome_words(one.row["outcome"])
    place = decimal(one.pass_place.value, 0)
    if one.zone_time is None:
        words = phrase("passed at {place} m", place=place)
    else:
        words = phrase(
            "passed at {place} m, {zone_time_s:.2f} s through the zone",
            place=place,
            zone_time_s=one.zone_time.value,
        )
    return f"{words}, {one.zone_doubt}" if one.zone_doubt is not None else words


def _pair_finding(several: Sequence[Scene]) -> str:
    """Where a pair passed, as a title says it."""
    places = [round(one.pass_place.value) for one in several if one.pass_place is not None]
    missed = sum(one.missed for one in several)
    words = [takeovers_words(len(several))]
    if places:
        low, high = min(places), max(places)
        words.append(
            phrase("passed at {place} m", place=low)
            if low == high
            else phrase("passed at {low} to {high} m", low=low, high=high)
        )
    if missed:
        words.append(phrase("{missed} not passed", missed=missed))
    return ", ".join(words)


def _describe_takeover(one: Scene) -> str:
    incoming, outgoing = (plain_text(name) for name in one.pair)
    words = [
        phrase(
            "Speed of {incoming}, incoming, and {outgoing}, outgoing.",
            incoming=incoming,
            outgoing=outgoing,
        )
    ]
    v_in = one.estimate("v_in_entry_mps", "v_in_entry_sd_mps")
    v_out = one.estimate("v_out_exit_mps", "v_out_exit_sd_mps")
    if v_in is not None:
        words.append(
            phrase("{runner} enters at {speed} m/s.", runner=incoming, speed=with_error(v_in, 2))
        )
    words.append(_describe_pass(one))
    if v_out is not None:
        words.append(
            phrase(
                "{runner} leaves the zone at {speed} m/s.",
                runner=outgoing,
                speed=with_error(v_out, 2),
            )
        )
    if one.zone_time is not None:
        words.append(
            phrase(
                "The baton takes {zone_time} s through the zone.",
                zone_time=with_error(one.zone_time, 2),
            )
        )
    return " ".join(words)


def _describe_pass(one: Scene) -> str:
    if one.pass_place is None:
        if one.missed:
            return phrase("The baton does not pass.")
        return phrase("It is not known whether the baton passes.")
    place, basis = (
        with_error(one.pass_place, 1),
        column_word("basis of a moment", one.row["pass_basis"]),
    )
    if one.gap_at_pass is None:
        sentence = phrase(
            "The baton passes {place} m past the entry line ({basis})", place=place, basis=basis
        )
    else:
        sentence = phrase(
            "The baton passes {place} m past the entry line ({basis}) with a gap of {gap} m",
            place=place,
            basis=basis,
            gap=with_error(one.gap_at_pass, 1),
        )
    parts = [sentence] if one.zone_doubt is None else [sentence, one.zone_doubt]
    return f"{joined_parts(parts)}."


def _describe_pair(several: Sequence[Scene]) -> str:
    passed = [one for one in several if one.passed]
    incoming, outgoing = (plain_text(name) for name in several[0].pair)
    parts = [
        phrase(
            "Speeds of {incoming} and {outgoing} in {takeovers}",
            incoming=incoming,
            outgoing=outgoing,
            takeovers=takeovers_words(len(several)),
        )
    ]
    times = [one.zone_time.value for one in passed if one.zone_time is not None]
    if times:
        parts.append(
            phrase("zone times from {low:.2f} to {high:.2f} s", low=min(times), high=max(times))
        )
    return f"{joined_parts(parts)}."


def _overlay_notes(several: Sequence[Scene], view: View) -> tuple[str, ...]:
    subject = _overlay_subject(several)
    passed = [one for one in several if one.passed]
    inferred = sum(one.row["pass_basis"] == "inferred" for one in passed)
    if len(several) > 1:
        explained = phrase(
            "Speeds are without the swing inside each step. Each takeover's standard errors are "
            "in its own figure."
        )
        notes = [f"{subject}. {takeovers_words(len(several))}. {explained}"]
        if inferred:
            notes.append(
                phrase(
                    "Hollow dots: the pass is inferred in {inferred} of {passed}.",
                    inferred=inferred,
                    passed=len(passed),
                )
            )
        return tuple(notes)
    return (f"{subject}. {reading_words()} {sign_words(view)}", *takeover_notes(several[0]))


def reading_words() -> str:
    """How to read bands, bars and the double line."""
    return phrase(
        "Bands and bars are ± 1 standard error (of the gap: at most). The double line is the "
        "baton's speed."
    )


def sign_words(*views: View) -> str:
    """How far the signs along the curves are apart."""
    every = {"every_s": SIGN_EVERY_S, "every_m": SIGN_EVERY_M}
    if len(set(views)) > 1:
        return phrase(
            "Discs and squares on the curves are {every_s:g} s apart over the zone and "
            "{every_m:g} m apart over the clock.",
            **every,
        )
    if "zone" in views:
        return phrase(
            "Discs and squares on the curves are {every_s:g} s apart over the zone.", **every
        )
    return phrase(
        "Discs and squares on the curves are {every_m:g} m apart over the clock.", **every
    )


def takeover_notes(one: Scene) -> tuple[str, ...]:
    """What is to be said of one takeover's figure and of no other."""
    notes = []
    if one.row["pass_basis"] == "inferred" and one.passed:
        notes.append(
            phrase("Hollow dots and dashed line: the pass is inferred from the two courses.")
        )
    if one.zone_doubt is not None:
        notes.append(phrase("The pass: {doubt}.", doubt=one.zone_doubt))
    return tuple(notes)


def _overlay_subject(several: Sequence[Scene]) -> str:
    """What a figure is about: the event, with the session, zone and lane of one takeover or the
    days of many."""
    first = several[0].row
    if len(several) == 1:
        session = shorten(plain_text(first["session"]), SESSION_WIDTH)
        clock = several[0].clock
        facts = {
            "event": first["event"], "session": session, "zone": first["zone"],
            "lane": first["lane"], "when": f"{day_words(clock)} {clock_words(clock)}",
        }  # fmt: skip
        if first["rep"] is None:
            return phrase("{event}, session {session}, {when}, zone {zone}, lane {lane}", **facts)
        return phrase(
            "{event}, session {session}, rep {rep}, {when}, zone {zone}, lane {lane}",
            rep=first["rep"],
            **facts,
        )
    clocks = [one.clock for one in several]
    return f"{first['event']}, {day_range(min(clocks), max(clocks))}"


def has_no_curves(one: Scene) -> bool:
    """Whether a takeover has no curves to draw."""
    return one.incoming is None and one.outgoing is None
