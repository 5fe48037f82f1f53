"""One pair's part of a page: its takeovers laid over each other, its weeks, and its mark."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from pipeline.base.cause_weeks import find_costliest
from pipeline.base.relays import is_blind
from pipeline.base.values import Estimate
from pipeline.base.words import capitalised
from pipeline.language.numbers import localised
from pipeline.language.phrases import phrase, phrase_around, phrase_count, phrase_of, reworded
from pipeline.show.figures import history, overlays, page_svg
from pipeline.show.figures.overlays import OverlayScales
from pipeline.show.markup import Child, element, list_item, outside_name
from pipeline.show.page import causes_part, mark_part, sheet_lines, takeover_list, takeover_part
from pipeline.show.page.trend_lines import PAIR_TRENDS
from pipeline.show.request import pair_words
from pipeline.show.scenes import LakeRow, Scene, at_full_speed, row_estimate
from pipeline.show.wording import (
    NBSP,
    chance_error_words,
    chance_words,
    change_words,
    day_range,
    joined_parts,
    odds_words,
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
    compared = at_full_speed(several)
    drawn = [one for one in compared if not overlays.has_no_curves(one)]
    level = "h4" if heading == "h3" else "h3"  # of the headings below it
    left: list[Child] = []
    if with_history:
        weeks = history.history_figure(compared, known.progress)
        left.append(page_svg.captioned_figure(weeks, "history"))
    if len(drawn) > 1:
        left += _overlay_lines(drawn, numbers, scales, level)
    weeks_of_causes = causes_part.pair_causes(several, known.causes) if with_history else None
    if weeks_of_causes is not None:
        left += [element(level, {}, phrase("Where the time went")), weeks_of_causes]
    right: list[Child] = []
    costliest = find_costliest(known.causes)
    over_weeks = [] if known.progress is None else list(_weeks_items(known.progress, several))
    over_weeks += [] if costliest is None else [list_item(reworded(costliest.words))]
    if over_weeks:
        right.append(element(level, {}, phrase("Over all sessions")))
        right.append(element("ul", {}, *over_weeks))
    if known.progress is not None:
        sure = element("ul", {}, *map(list_item, _sure_words(known.progress)))
        right.append(sheet_lines.on_demand(phrase("How sure"), sure))
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
        element(heading, {}, *_pair_heading(first)),
        element("p", {"class": "which"}, _pair_summary(compared, len(several) - len(compared))),
        element("div", {"class": "columns"}, element("div", {}, *left), element("div", {}, *right)),
    )


def _pair_heading(first: Scene) -> Sequence[Child]:
    return phrase_around(
        "{incoming} to {outgoing}, {event}, zone of {zone} m",
        incoming=outside_name(first.row["incoming"]),
        outgoing=outside_name(first.row["outgoing"]),
        event=first.row["event"],
        zone=localised(f"{first.zone_m:g}"),
    )


def _pair_summary(several: Sequence[Scene], left_out: int) -> str:
    """`several` are compared; `left_out` more were not run at full speed."""
    passed = [one for one in several if one.passed]
    words = [sheet_lines.takeovers_passed(len(several), len(passed))]
    if left_out:
        words.append(phrase("{more} more not at full speed, left out here", more=left_out))
    times, many = _mean_words((one.zone_time for one in passed), "s", 2)
    words += [phrase("zone time {mean} (mean of {many})", mean=times, many=many)] * bool(many)
    gaps, many = _mean_words((one.gap_at_pass for one in passed), "m", 1)
    words += [phrase("gap {mean} (mean of {many})", mean=gaps, many=many)] * bool(many)
    starts, many = _mean_words((one.start for one in several), "s", 2)
    words += [phrase("start {mean} (mean of {many})", mean=starts, many=many)] * bool(many)
    return f"{joined_parts(words)}."


def _mean_words(estimates: Iterable[Estimate | None], unit: str, digits: int) -> tuple[str, int]:
    """The plain mean of what is known, and of how many. How sure the pair's usual is stands with
    its weeks."""
    known = [one.value for one in estimates if one is not None]
    if not known:
        return "", 0
    return sheet_lines.quantity(sum(known) / len(known), digits, unit), len(known)


# --- the weeks --------------------------------------------------------------------------------


_LEVELS = (("zone_time", "s", 2), ("go_lag", "s", 2), ("free_distance", "m", 2))


def _level_labels() -> tuple[str, ...]:
    """What `_LEVELS` are called."""
    return phrase("zone time"), phrase("start"), phrase("gap")


def _weeks_items(own: LakeRow, several: Sequence[Scene]) -> Iterable[ET.Element]:
    """How it stands now and what changes, without errors: a trend is told where it stands out."""
    days = (on_the_wall(own[name], several[-1].row["time_zone"]) for name in _WEEKS_ENDS)
    takeovers = phrase_count("{count} takeover", "{count} takeovers", own["reps"])
    yield list_item(
        phrase_count(
            "{takeovers} in {count} session, {days}.",
            "{takeovers} in {count} sessions, {days}.",
            own["sessions"],
            takeovers=takeovers,
            days=day_range(*days),
        )
    )
    levels = [
        f"{label} {sheet_lines.quantity(level.value, digits, unit)}"
        for label, (stem, unit, digits) in zip(_level_labels(), _LEVELS, strict=True)
        if (level := _progress_estimate(own, f"{stem}_{unit}")) is not None
    ]
    if levels:
        yield list_item(phrase("Now: {levels}.", levels=", ".join(levels)))
    if own["p_in_zone"] is not None:
        chance = odds_words(own["p_in_zone"])
        yield list_item(phrase("{chance} passed in the zone.", chance=chance))
    trends = [(one, one.estimate("progress", own)) for one in PAIR_TRENDS]
    for one, change in trends:
        if change is not None and sheet_lines.stands_out(change):
            yield list_item(f"{capitalised(one.sentence(change))}.")
    if any(change is not None for _, change in trends) and not any(
        sheet_lines.stands_out(change) for _, change in trends
    ):
        yield list_item(phrase("No change stands out of its error yet."))
    for remark in own["remarks"]:
        yield list_item(sheet_lines.table_sentence(remark))


def _sure_words(own: LakeRow) -> Iterable[str]:
    """The same with standard errors."""
    yield phrase("± is one standard error. It allows for how much takeovers differ.")
    for label, (stem, unit, digits) in zip(_level_labels(), _LEVELS, strict=True):
        level = _progress_estimate(own, f"{stem}_{unit}")
        trend = _progress_estimate(own, f"{stem}_trend_{unit}")
        if level is not None and trend is None:
            now = f"{with_error(level, digits)}{NBSP}{unit}"
            yield phrase("{label}: {now}.", label=label, now=now)
        elif level is not None and trend is not None:
            yield phrase(
                "{label}: {now}; {change} a week.",
                label=label,
                now=f"{with_error(level, digits)}{NBSP}{unit}",
                change=f"{change_words(trend, digits)}{NBSP}{unit}",
            )
    if own["p_in_zone"] is not None:
        yield phrase(
            "passed in the zone: {share} ± {error}\u00a0%.",
            share=chance_words(own["p_in_zone"]),
            error=chance_error_words(own["p_in_zone_sd"]),
        )


def _progress_estimate(own: LakeRow, name: str) -> Estimate | None:
    return row_estimate(own, name, schema.sd_column("progress", name))


# --- figures ----------------------------------------------------------------------------------


def _overlay_lines(
    drawn: Sequence[Scene], numbers: Mapping[str, int], scales: OverlayScales | None, level: str
) -> list[Child]:
    more, drawn = len(drawn) > MOST_LAID, drawn[-MOST_LAID:]
    options = [element("option", {"value": ""}, phrase_of("takeovers", "all"))]
    for rep, one in enumerate(drawn):
        words = (
            f"{numbers[takeover_list.anchor(one)]}, {takeover_list.rep_words(one, with_date=True)}"
        )
        options.append(element("option", {"value": str(rep)}, words))
    who = pair_words(drawn[0].pair)
    select = {"class": "rep", "id": f"pick-{takeover_list.anchor(drawn[0])}"}
    select["aria-label"] = phrase("Pick out one of {pair}", pair=who)
    choice = element(
        "p",
        {"class": "scripted pick"},
        element("label", {"for": select["id"]}, phrase("Pick out")),
        " ",
        element("select", select, *options),
    )
    views = [overlays.pair_overlay(drawn, view, scales) for view in overlays.VIEWS]
    head = (
        phrase("The newest {number} takeovers laid over each other", number=len(drawn))
        if more
        else phrase("{number} takeovers laid over each other", number=len(drawn))
    )
    return [
        element(level, {}, head),
        choice,
        takeover_part.overlay_figure(views, of=who, reps=drawn),
    ]
