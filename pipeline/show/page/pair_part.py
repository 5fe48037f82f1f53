"""One pair's part of a page: its takeovers laid over each other, its weeks, and its mark."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from pipeline.base.cause_weeks import find_costliest
from pipeline.base.relays import is_blind
from pipeline.base.values import Estimate
from pipeline.base.words import capitalised, chance_in_words, count
from pipeline.show.figures import history, overlays, page_svg
from pipeline.show.figures.overlays import OverlayScales
from pipeline.show.markup import Child, element, list_item, outside_name, plain_text
from pipeline.show.page import causes_part, mark_part, sheet_lines, takeover_list, takeover_part
from pipeline.show.page.trend_lines import PAIR_TRENDS
from pipeline.show.scenes import LakeRow, Scene, at_full_speed, row_estimate
from pipeline.show.wording import (
    NBSP,
    chance_error_words,
    chance_words,
    change_words,
    day_range,
    decimal,
    on_the_wall,
    with_error,
)
from pipeline.tables import schema


@dataclass(frozen=True, eq=False)
class PairDecisions:
    """What the tables of decisions say of one pair in one event: its row of `progress` (None where
    there is none) and its rows of `marks` and `causes` (none where they were not worked out)."""

    progress: LakeRow | None
    marks: tuple[LakeRow, ...]
    causes: tuple[LakeRow, ...] = ()


MOST_LAID = 24  # takeovers laid over each other: of more nobody sees one
NO_DECISIONS = PairDecisions(None, ())
_WEEKS_ENDS = ("first_utc", "last_utc")


def pair_article(
    several: Sequence[Scene],
    known: PairDecisions,
    numbers: Mapping[str, int],
    scales: OverlayScales | None = None,
    *,
    heading: str = "h3",
    with_history: bool,
) -> ET.Element:
    """Everything about one pair in one event; `several` in time order, at least one.

    `numbers` are the takeovers' numbers in the page's list, by anchor, `scales` the axes of its
    overlays. `heading` is the tag of the pair's heading. `with_history` adds the figures of the
    weeks and the table of candidate marks.
    """
    first = several[0]
    incoming, outgoing = first.pair
    compared = at_full_speed(several)
    drawn = [one for one in compared if not overlays.has_no_curves(one)]
    level = "h4" if heading == "h3" else "h3"  # of the headings below it
    what = f"{first.row['event']}, zone of {first.zone_m:g} m"
    left: list[Child] = []
    if with_history:
        weeks = history.history_figure(compared, known.progress)
        left.append(page_svg.captioned_figure(weeks, "history"))
    if len(drawn) > 1:
        left += _overlay_lines(drawn, numbers, scales, level)
    weeks_of_causes = causes_part.pair_causes(several, known.causes) if with_history else None
    if weeks_of_causes is not None:
        left += [element(level, {}, "Where the time went"), weeks_of_causes]
    right: list[Child] = []
    costliest = find_costliest(known.causes)
    over_weeks = [] if known.progress is None else list(_weeks_items(known.progress, several))
    over_weeks += [] if costliest is None else [list_item(costliest.words)]
    if over_weeks:
        right.append(element(level, {}, "Over all sessions"))
        right.append(element("ul", {}, *over_weeks))
    if known.progress is not None:
        sure = element("ul", {}, *map(list_item, _sure_words(known.progress)))
        right.append(sheet_lines.on_demand("How sure", sure))
    right += mark_part.mark_lines(
        known.marks,
        known.progress,
        level,
        zone_m=first.zone_m,
        by_sight=not is_blind(first.row["event"]),
        with_candidates=with_history,
        time_zone=several[-1].row["time_zone"],
    )
    return element(
        "article",
        {"class": "pair"},
        element(heading, {}, outside_name(incoming), " to ", outside_name(outgoing), f", {what}"),
        element("p", {"class": "which"}, _pair_summary(compared, len(several) - len(compared))),
        element("div", {"class": "columns"}, element("div", {}, *left), element("div", {}, *right)),
    )


def _pair_summary(several: Sequence[Scene], left_out: int) -> str:
    """`several` are compared; `left_out` more were not run at full speed."""
    passed = [one for one in several if one.passed]
    words = [f"{count(len(several), 'takeover')}, {len(passed)} passed"]
    words += [f"{left_out} more not at full speed, left out here"] if left_out else []
    for label, estimates, unit, digits in (
        ("zone time", [one.zone_time for one in passed], "s", 2),
        ("gap", [one.gap_at_pass for one in passed], "m", 1),
        ("start", [one.start for one in several], "s", 2),
    ):
        mean = _mean_value(estimates)
        if mean is not None:
            many = sum(one is not None for one in estimates)
            words.append(f"{label} {decimal(mean, digits)}{NBSP}{unit} (mean of {many})")
    return "; ".join(words) + "."


def _mean_value(estimates: Iterable[Estimate | None]) -> float | None:
    """The plain mean of what is known. How sure the pair's usual is stands with its weeks."""
    known = [one.value for one in estimates if one is not None]
    return sum(known) / len(known) if known else None


# --- the weeks --------------------------------------------------------------------------------


_LEVELS = (
    ("zone time", "zone_time", "s", 2),
    ("start", "go_lag", "s", 2),
    ("gap", "free_distance", "m", 2),
)


def _weeks_items(own: LakeRow, several: Sequence[Scene]) -> Iterable[ET.Element]:
    """How it stands now and what changes, without errors: a trend is told where it stands out."""
    days = (on_the_wall(own[name], several[-1].row["time_zone"]) for name in _WEEKS_ENDS)
    yield list_item(
        f"{count(own['reps'], 'takeover')} in {count(own['sessions'], 'session')}, "
        f"{day_range(*days)}."
    )
    levels = [
        f"{label} {decimal(level.value, digits)}{NBSP}{unit}"
        for label, stem, unit, digits in _LEVELS
        if (level := _progress_estimate(own, f"{stem}_{unit}")) is not None
    ]
    if levels:
        yield list_item(f"Now: {', '.join(levels)}.")
    if own["p_in_zone"] is not None:
        yield list_item(f"{chance_in_words(own['p_in_zone'])} passed in the zone.")
    trends = [(one, one.estimate("progress", own)) for one in PAIR_TRENDS]
    for one, change in trends:
        if change is not None and sheet_lines.stands_out(change):
            yield list_item(f"{capitalised(one.a_week(change))}.")
    if any(change is not None for _, change in trends) and not any(
        sheet_lines.stands_out(change) for _, change in trends
    ):
        yield list_item("No change stands out of its error yet.")
    for remark in own["remarks"]:
        yield list_item(outside_name(remark))


def _sure_words(own: LakeRow) -> Iterable[str]:
    """The same with standard errors."""
    yield "± is one standard error. It allows for how much takeovers differ."
    for label, stem, unit, digits in _LEVELS:
        level = _progress_estimate(own, f"{stem}_{unit}")
        trend = _progress_estimate(own, f"{stem}_trend_{unit}")
        if level is not None:
            week = "" if trend is None else f"; {change_words(trend, digits)}{NBSP}{unit} a week"
            yield f"{label}: {with_error(level, digits)}{NBSP}{unit}{week}."
    if own["p_in_zone"] is not None:
        share = chance_words(own["p_in_zone"])
        yield f"passed in the zone: {share} ± {chance_error_words(own['p_in_zone_sd'])}{NBSP}%."


def _progress_estimate(own: LakeRow, name: str) -> Estimate | None:
    return row_estimate(own, name, schema.sd_column("progress", name))


# --- figures ----------------------------------------------------------------------------------


def _overlay_lines(
    drawn: Sequence[Scene], numbers: Mapping[str, int], scales: OverlayScales | None, level: str
) -> list[Child]:
    more, drawn = len(drawn) > MOST_LAID, drawn[-MOST_LAID:]
    options = [element("option", {"value": ""}, "all")]
    for rep, one in enumerate(drawn):
        words = (
            f"{numbers[takeover_list.anchor(one)]}, {takeover_list.rep_words(one, with_date=True)}"
        )
        options.append(element("option", {"value": str(rep)}, words))
    who = " to ".join(plain_text(runner) for runner in drawn[0].pair)
    select = {"class": "rep", "id": f"pick-{takeover_list.anchor(drawn[0])}"}
    select["aria-label"] = f"Pick out one of {who}"
    choice = element(
        "p",
        {"class": "scripted pick"},
        element("label", {"for": select["id"]}, "Pick out"),
        " ",
        element("select", select, *options),
    )
    views = [overlays.pair_overlay(drawn, view, scales) for view in overlays.VIEWS]
    head = f"{len(drawn)} takeovers laid over each other"
    return [
        element(level, {}, f"The newest {head}" if more else head),
        choice,
        takeover_part.overlay_figure(views, of=who, reps=drawn),
    ]
