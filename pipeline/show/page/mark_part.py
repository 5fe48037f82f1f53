"""A pair's mark: the one in use, the one advised, and what each candidate risks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.values import Estimate
from pipeline.base.words import count, in_feet_words
from pipeline.show.figures import page_svg, risk
from pipeline.show.markup import (
    Child,
    element,
    html_table,
    list_item,
    outside_name,
    plain_text,
    scrolling,
    table_row,
)
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import (
    NBSP,
    chance_error_words,
    chance_words,
    decimal,
    foot_length_m,
    mark_words,
    with_error,
)
from pipeline.tables import schema

_CANDIDATE_HEADS = (
    "mark, m",
    "feet",
    "in the zone, %",
    "run into, %",
    "run away, %",
    "zone time, s",
    "pass, m",
)


def mark_lines(
    marks: Sequence[LakeRow],
    progress: LakeRow | None,
    level: str,
    *,
    by_sight: bool,
    with_candidates: bool,
) -> list[Child]:
    """Heading, mark in use, mark advised, the figure of the risk; nothing where no mark is known.

    `marks` and `progress` are the pair's rows of these tables, `level` the heading's tag.
    `with_candidates` adds a table of all candidate marks.
    """
    advised = next((row for row in marks if row["advised"]), None)
    in_use = _mark_in_use(progress, advised)
    if advised is None and in_use is None:
        return []
    lines: list[Child] = [element(level, {}, "When to go" if by_sight else "The mark"), in_use]
    if advised is not None:
        lines.append(element("p", {}, *_advice_words(advised, by_sight)))
    drawn = risk.risk_figure(marks, progress)
    if advised is not None and drawn is None and advised["remarks"]:  # else in the figure's notes
        remarks = [list_item(outside_name(text)) for text in advised["remarks"]]
        lines.append(element("ul", {"class": "remarks"}, *remarks))
    if drawn is not None:
        lines.append(page_svg.captioned_figure(drawn, "risk"))
        if with_candidates:
            lines.append(_candidates_table(risk.marks_from_advised_stand(marks)))
    return lines


def _mark_in_use(progress: LakeRow | None, advised: LakeRow | None) -> ET.Element | None:
    if progress is None or progress["mark_m"] is None:
        return None
    foot_m = None if advised is None else foot_length_m(advised)
    first = progress["mark_since_utc"]
    since = f" since {first:%Y-%m-%d}" if first else ""
    mark = element("b", {}, mark_words(progress["mark_m"], foot_m))
    return element("p", {}, "In use: ", mark, f" before the back line{since}.")


def _advice_words(advised: LakeRow, by_sight: bool) -> Iterable[Child]:
    yield "Advised: "
    if by_sight:
        yield "go when the incoming runner is "
    yield element("b", {}, mark_words(advised["mark_m"], foot_length_m(advised)))
    yield " before the back line"
    if abs(advised["outgoing_start_m"]) >= 0.05:
        yield f"; the receiver stands {decimal(advised['outgoing_start_m'], 1)}{NBSP}m past it"
    zone_time = Estimate(advised["zone_time_s"], advised["zone_time_sd_s"])
    pass_place = Estimate(advised["pass_m"], advised["pass_sd_m"])
    yield (
        f". Expected (worked out, not seen): passed in the zone "
        f"{_chance_with_error(advised, 'p_in_zone')}{NBSP}%, run into each other "
        f"{_chance_with_error(advised, 'p_ran_into')}{NBSP}%, zone time "
        f"{with_error(zone_time, 2)}{NBSP}s, pass at {with_error(pass_place, 1)}{NBSP}m. Rests on "
        f"{count(advised['reps'], 'takeover')}, {advised['reps_pair']} of this pair, "
        f"{advised['reps_on_mark']} on this mark. The place of the mark is known to ± "
        f"{decimal(advised['mark_sd_m'], 2)}{NBSP}m."
    )


def _chance_with_error(mark: LakeRow, column: str) -> str:
    sd = mark[schema.sd_column("marks", column)]
    return f"{chance_words(mark[column])} ± {chance_error_words(sd)}"


def _candidates_table(rows: Sequence[LakeRow]) -> ET.Element:
    """The numbers behind the curves of the risk."""

    def cells(mark: LakeRow) -> Iterable[str]:
        yield in_feet_words(mark["mark_feet"]) if mark["mark_feet"] else "–"
        for column in ("p_in_zone", "p_ran_into", "p_ran_away"):
            yield _chance_with_error(mark, column)
        yield with_error(Estimate(mark["zone_time_s"], mark["zone_time_sd_s"]), 2)
        yield with_error(Estimate(mark["pass_m"], mark["pass_sd_m"]), 1)

    body = []
    for mark in rows:
        advised = element("strong", {}, " advised") if mark["advised"] else None
        body.append(table_row([decimal(mark["mark_m"], 2), advised], cells(mark)))
    incoming, outgoing = (plain_text(rows[0][role]) for role in ("incoming", "outgoing"))
    label = f"Candidate marks, {incoming} to {outgoing}"
    return scrolling(label, html_table("moments", _CANDIDATE_HEADS, body))
