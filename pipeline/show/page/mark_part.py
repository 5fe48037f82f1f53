"""A pair's mark: the one in use, the one advised, and what each candidate risks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.defaults import FOOT_M
from pipeline.base.values import Estimate
from pipeline.base.words import chance_in_words, count, in_feet_words
from pipeline.show.figures import candidates, page_svg, risk, what_if
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
    on_the_wall,
    with_error,
)
from pipeline.tables import schema

NEAR_FEET = 4  # so many feet to both sides of the mark advised are listed at once
_NEAR_HEADS = ("mark", "in the zone", "run into each other", "zone time, s", "pass, m")
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
    zone_m: float,
    by_sight: bool,
    with_candidates: bool,
    time_zone: str | None = None,
) -> list[Child]:
    """Heading, mark in use, mark advised, what another mark would do, the figure of the risk;
    nothing where no mark is known.

    `marks` and `progress` are the pair's rows of these tables, `level` the heading's tag, `zone_m`
    the zone's length, `time_zone` that of the days. `with_candidates` adds tables of the candidate
    marks: those about the one advised, and all of them to be opened.
    """
    advised = next((row for row in marks if row["advised"]), None)
    in_use = _mark_in_use(progress, advised, time_zone)
    if advised is None and in_use is None:
        return []
    lines: list[Child] = [element(level, {}, "When to go" if by_sight else "The mark"), in_use]
    if advised is not None:
        lines.append(element("p", {}, *_advice_words(advised, by_sight)))
        lines.append(_how_sure(advised))
    drawn = risk.risk_figure(marks, progress)
    if advised is not None and drawn is None and advised["remarks"]:  # else in the figure's notes
        remarks = [list_item(outside_name(text)) for text in advised["remarks"]]
        lines.append(element("ul", {"class": "remarks"}, *remarks))
    elsewhere = what_if.what_if_figure(marks, progress, zone_m, by_sight=by_sight)
    if elsewhere is not None:
        lines.append(page_svg.captioned_figure(elsewhere, "whatif"))
    if drawn is not None:
        lines.append(page_svg.captioned_figure(drawn, "risk"))
        if with_candidates:
            same = candidates.marks_from_advised_stand(marks)
            in_use_m = None if progress is None else progress["mark_m"]
            lines.append(_near_table(same, in_use_m))
            all_marks = element("summary", {}, f"All {len(same)} marks, with standard errors")
            lines.append(element("details", {}, all_marks, _candidates_table(same)))
    return lines


def _mark_in_use(
    progress: LakeRow | None, advised: LakeRow | None, time_zone: str | None
) -> ET.Element | None:
    if progress is None or progress["mark_m"] is None:
        return None
    foot_m = None if advised is None else foot_length_m(advised)
    first = progress["mark_since_utc"]
    since = f" since {on_the_wall(first, time_zone):%Y-%m-%d}" if first else ""
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
    yield (
        f". Worked out, not seen: {chance_in_words(advised['p_in_zone'])} pass in the zone, "
        f"{chance_in_words(advised['p_ran_into'])} run into each other. Rests on "
        f"{count(advised['reps'], 'takeover')}, {advised['reps_pair']} of this pair, "
        f"{advised['reps_on_mark']} on this mark."
    )


def _how_sure(advised: LakeRow) -> ET.Element:
    """The numbers behind the advice with their standard errors, to be opened."""
    zone_time = Estimate(advised["zone_time_s"], advised["zone_time_sd_s"])
    pass_place = Estimate(advised["pass_m"], advised["pass_sd_m"])
    return element(
        "details",
        {},
        element("summary", {}, "How sure"),
        element(
            "p",
            {},
            f"Passed in the zone {_chance_with_error(advised, 'p_in_zone')}{NBSP}%, run into each "
            f"other {_chance_with_error(advised, 'p_ran_into')}{NBSP}%, run away "
            f"{_chance_with_error(advised, 'p_ran_away')}{NBSP}%. Zone time "
            f"{with_error(zone_time, 2)}{NBSP}s, pass at {with_error(pass_place, 1)}{NBSP}m. The "
            f"place of the mark is known to ± {decimal(advised['mark_sd_m'], 2)}{NBSP}m. ± is one "
            "standard error.",
        ),
    )


def _chance_with_error(mark: LakeRow, column: str) -> str:
    sd = mark[schema.sd_column("marks", column)]
    return f"{chance_words(mark[column])} ± {chance_error_words(sd)}"


def nearby_marks(
    same: Sequence[LakeRow], in_use_m: float | None
) -> list[tuple[LakeRow, tuple[str, ...]]]:
    """The candidates nearest to steps of a foot about the mark advised, and the one nearest to the
    mark in use, each with its names.

    `same` are the candidates where the receiver stands as advised, by their mark. A foot is the
    receiver's foot-length, else `FOOT_M`. A mark in use beyond the candidates is none of them.
    """
    advised = next(row for row in same if row["advised"])
    foot_m = foot_length_m(advised) or FOOT_M
    names: dict[int, list[str]] = {}
    for k in range(-NEAR_FEET, NEAR_FEET + 1):
        at = _nearest_mark(same, advised["mark_m"] + k * foot_m, 0.3 * foot_m)
        if at is not None:
            names.setdefault(at, []).extend(["advised"] if k == 0 else [])
    used = None if in_use_m is None else _nearest_mark(same, in_use_m, 0.5 * foot_m)
    if used is not None:
        names.setdefault(used, []).append("in use")
    return [(same[at], tuple(names[at])) for at in sorted(names)]


def _nearest_mark(same: Sequence[LakeRow], mark_m: float, most_m: float) -> int | None:
    """The row of the candidate nearest to a mark; None where that is farther off than `most_m`."""
    at = min(range(len(same)), key=lambda k: abs(same[k]["mark_m"] - mark_m))
    return at if abs(same[at]["mark_m"] - mark_m) <= most_m + 1e-6 else None


def _near_table(same: Sequence[LakeRow], in_use_m: float | None) -> ET.Element:
    """What to expect about the mark advised, in words."""
    advised = next(row for row in same if row["advised"])
    foot_m = foot_length_m(advised)
    body = []
    for mark, names in nearby_marks(same, in_use_m):
        name = element("strong", {}, f" {', '.join(names)}") if names else None
        cells = (
            chance_in_words(mark["p_in_zone"]),
            chance_in_words(mark["p_ran_into"]),
            decimal(mark["zone_time_s"], 2),
            decimal(mark["pass_m"], 1),
        )
        body.append(table_row([mark_words(mark["mark_m"], foot_m), name], cells))
    incoming, outgoing = (plain_text(advised[role]) for role in ("incoming", "outgoing"))
    label = f"Marks about the one advised, {incoming} to {outgoing}"
    return scrolling(label, html_table("moments near", _NEAR_HEADS, body))


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
