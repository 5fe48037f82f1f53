"""One pair's part of a page: its takeovers laid over each other, what the weeks say, where its mark
is and where it is advised, with the risk about it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

import numpy as np

from pipeline.base.relays import is_blind
from pipeline.base.values import Estimate
from pipeline.base.words import count, in_feet_words
from pipeline.show.figures import overlays, trends, vector
from pipeline.show.figures.drawing import Figure
from pipeline.show.markup import Child, element, name, plain, row, scrolling, table
from pipeline.show.page import detail, glance
from pipeline.show.scenes import Row, Takeover, estimate
from pipeline.show.wording import (
    NBSP,
    chance,
    chance_error,
    change,
    days,
    foot_of,
    number,
    plus_minus,
    tape,
)
from pipeline.tables import schema


@dataclass(frozen=True, eq=False)
class Known:
    """What the tables of decisions say of one pair in one event: its row of `progress`, its rows of
    `marks`; None and nothing where they were not worked out."""

    progress: Row | None
    marks: tuple[Row, ...]


UNKNOWN = Known(None, ())


def section(
    several: Sequence[Takeover],
    known: Known,
    numbers: Mapping[str, int],
    *,
    heading: str = "h3",
    with_history: bool,
) -> ET.Element:
    """Everything on one pair in one event; `several` in time order, at least one.

    `numbers` are those of the page's list, by anchor.
    """
    first = several[0]
    incoming, outgoing = first.pair
    drawn = [one for one in several if not overlays.no_curves(one)]
    level = "h4" if heading == "h3" else "h3"  # of the headings below it
    what = f"{first.row['event']}, zone of {first.zone_m:g} m"
    left: list[Child] = []
    if with_history:
        left.append(_plain_figure(trends.history(several, known.progress), "history"))
    if len(drawn) > 1:
        left += _laid_over(drawn, numbers, level)
    right: list[Child] = []
    if known.progress is not None:
        right.append(element(level, {}, "Over all sessions"))
        right.append(element("ul", {}, *_weeks(known.progress)))
    by_sight = not is_blind(first.row["event"])
    right += _marks(known, level, by_sight=by_sight, in_full=with_history)
    return element(
        "article",
        {"class": "pair"},
        element(heading, {}, name(incoming), " to ", name(outgoing), f", {what}"),
        element("p", {"class": "which"}, _summary(several)),
        element("div", {"class": "columns"}, element("div", {}, *left), element("div", {}, *right)),
    )


def _summary(several: Sequence[Takeover]) -> str:
    passed = [one for one in several if one.passed]
    words = [f"{count(len(several), 'takeover')}, {len(passed)} passed"]
    for label, estimates, unit, digits in (
        ("zone time", [one.zone_time for one in passed], "s", 2),
        ("gap", [one.distance for one in passed], "m", 1),
        ("start after the mark", [one.lag for one in several], "s", 2),
    ):
        mean = _mean(estimates)
        if mean is not None:
            many = sum(one is not None for one in estimates)
            words.append(f"{label} {plus_minus(mean, digits)}{NBSP}{unit} (mean of {many})")
    return "; ".join(words) + "; ± is one standard error."


def _mean(estimates: Iterable[Estimate | None]) -> Estimate | None:
    """Plain mean; its error from how far the reps differ, or from their own where that is more."""
    known = [one for one in estimates if one is not None]
    if not known:
        return None
    values, sds = np.array([one.value for one in known]), np.array([one.sd for one in known])
    own = float(np.sqrt((sds**2).sum())) / len(known)
    spread = float(values.std(ddof=1)) / len(known) ** 0.5 if len(known) > 1 else 0.0
    return Estimate(float(values.mean()), max(own, spread))


# --- the weeks --------------------------------------------------------------------------------


def _weeks(own: Row) -> Iterable[ET.Element]:
    yield _item(
        f"{count(own['reps'], 'takeover')} in {count(own['sessions'], 'session')}, "
        f"{days(own['first_utc'], own['last_utc'])}; ± allows for how takeovers differ."
    )
    for label, stem, unit, digits in (
        ("Zone time", "zone_time", "s", 2),
        ("Start after the mark", "go_lag", "s", 2),
        ("Gap", "free_distance", "m", 2),
    ):
        level_name, trend_name = f"{stem}_{unit}", f"{stem}_trend_{unit}"
        level = estimate(own, level_name, schema.sd_column("progress", level_name))
        if level is None:
            continue
        trend = estimate(own, trend_name, schema.sd_column("progress", trend_name))
        words = f"{label} as it stands: {plus_minus(level, digits)}{NBSP}{unit}"
        if trend is not None:
            words += f"; {change(trend, digits)}{NBSP}{unit} a week"
        yield _item(f"{words}.")
    if own["p_in_zone"] is not None:
        yield _item(
            f"Share passed in the zone: {chance(own['p_in_zone'])} ± "
            f"{chance_error(own['p_in_zone_sd'])}{NBSP}%."
        )
    for remark in own["remarks"]:
        yield _item(name(remark))


# --- marks ------------------------------------------------------------------------------------


def _marks(known: Known, level: str, *, by_sight: bool, in_full: bool) -> list[Child]:
    advised = next((row for row in known.marks if row["advised"]), None)
    in_use = _in_use(known, advised)
    if advised is None and in_use is None:
        return []
    what = "When to go" if by_sight else "The mark"
    lines: list[Child] = [element(level, {}, what), in_use]
    if advised is not None:
        lines.append(element("p", {}, *_advice(advised, by_sight)))
    drawn = trends.risk(known.marks, known.progress)
    if advised is not None and drawn is None and advised["remarks"]:  # the figure's notes say them
        remarks = [_item(name(text)) for text in advised["remarks"]]
        lines.append(element("ul", {"class": "remarks"}, *remarks))
    if drawn is not None:
        lines.append(_plain_figure(drawn, "risk"))
        if in_full:
            lines.append(_candidates(trends.same_stand(known.marks)))
    return lines


_CANDIDATES = (
    "mark, m",
    "feet",
    "in the zone, %",
    "run into, %",
    "run away, %",
    "zone time, s",
    "pass, m",
)


def _candidates(rows: Sequence[Row]) -> ET.Element:
    """What stands behind the risk's curves, in figures."""

    def cells(mark: Row) -> Iterable[str]:
        yield in_feet_words(mark["mark_feet"]) if mark["mark_feet"] else "–"
        for column in ("p_in_zone", "p_ran_into", "p_ran_away"):
            sd = mark[schema.sd_column("marks", column)]
            yield f"{chance(mark[column])} ± {chance_error(sd)}"
        yield plus_minus(Estimate(mark["zone_time_s"], mark["zone_time_sd_s"]), 2)
        yield plus_minus(Estimate(mark["pass_m"], mark["pass_sd_m"]), 1)

    body = []
    for mark in rows:
        advised = element("strong", {}, " advised") if mark["advised"] else None
        body.append(row([number(mark["mark_m"], 2), advised], cells(mark)))
    label = f"Candidate marks, {plain(rows[0]['incoming'])} to {plain(rows[0]['outgoing'])}"
    return scrolling(label, table("moments", _CANDIDATES, body))


def _in_use(known: Known, advised: Row | None) -> ET.Element | None:
    own = known.progress
    if own is None or own["mark_m"] is None:
        return None
    foot_m = None if advised is None else foot_of(advised)
    since = f" since {own['mark_since_utc']:%Y-%m-%d}" if own["mark_since_utc"] else ""
    return element(
        "p",
        {},
        "In use: ",
        element("b", {}, tape(own["mark_m"], foot_m)),
        f" before the back line{since}.",
    )


def _advice(own: Row, by_sight: bool) -> Iterable[Child]:
    yield "Advised: "
    yield element("b", {}, tape(own["mark_m"], foot_of(own)))
    yield " before the back line"
    yield ", where the incoming runner is as the receiver goes" if by_sight else ""
    if abs(own["outgoing_start_m"]) >= 0.05:
        yield f", the receiver {number(own['outgoing_start_m'], 1)}{NBSP}m past it"
    passes = Estimate(own["pass_m"], own["pass_sd_m"])
    zone_time = Estimate(own["zone_time_s"], own["zone_time_sd_s"])
    yield (
        f". Expected, worked out and not seen: passed in the zone {chance(own['p_in_zone'])} ± "
        f"{chance_error(own['p_in_zone_sd'])}{NBSP}%, run into each other "
        f"{chance(own['p_ran_into'])} ± {chance_error(own['p_ran_into_sd'])}{NBSP}%, zone time "
        f"{plus_minus(zone_time, 2)}{NBSP}s, pass at {plus_minus(passes, 1)}{NBSP}m. Rests on "
        f"{count(own['reps'], 'takeover')}, {own['reps_pair']} of this pair, "
        f"{own['reps_on_mark']} on this mark; they settle the tape's place to ± "
        f"{number(own['mark_sd_m'], 2)}{NBSP}m."
    )


# --- figures ----------------------------------------------------------------------------------


def _laid_over(drawn: Sequence[Takeover], numbers: Mapping[str, int], level: str) -> list[Child]:
    options = [element("option", {"value": ""}, "all")]
    for rep, one in enumerate(drawn):
        words = f"{numbers[glance.anchor(one)]}, {glance.rep_words(one, with_date=True)}"
        options.append(element("option", {"value": str(rep)}, words))
    who = " to ".join(plain(runner) for runner in drawn[0].pair)
    select = {"class": "rep", "id": f"pick-{glance.anchor(drawn[0])}"}
    select["aria-label"] = f"Pick out one of {who}"
    choice = element(
        "p",
        {"class": "scripted pick"},
        element("label", {"for": select["id"]}, "Pick out"),
        " ",
        element("select", select, *options),
    )
    views = [overlays.laid_over(drawn, view) for view in overlays.VIEWS]
    return [
        element(level, {}, f"{len(drawn)} takeovers laid over each other"),
        choice,
        detail.figure(views, of=who, reps=drawn),
    ]


def _plain_figure(drawn: Figure, kind: str) -> ET.Element:
    caption = element("figcaption", {}, element("b", {}, f"{drawn.title}. "), " ".join(drawn.notes))
    return element("figure", {"class": kind}, vector.draw(drawn), caption)


def _item(*children: Child) -> ET.Element:
    return element("li", {}, *children)
