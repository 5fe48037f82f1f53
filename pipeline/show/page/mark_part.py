"""A pair's mark: the one in use, the one advised, and what each candidate risks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.defaults import FOOT_M
from pipeline.base.values import Estimate
from pipeline.base.words import in_feet_words
from pipeline.language.numbers import day_words
from pipeline.language.phrases import phrase, phrase_around, phrase_count, phrase_of
from pipeline.show.figures import candidates, page_svg, risk, what_if
from pipeline.show.markup import (
    Child,
    element,
    html_table,
    list_item,
    scrolling,
    table_row,
)
from pipeline.show.page.sheet_lines import (
    on_demand,
    paragraph,
    quantity,
    table_sentence,
)
from pipeline.show.request import pair_words
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import (
    chance_error_words,
    chance_words,
    decimal,
    foot_length_m,
    mark_words,
    odds_words,
    on_the_wall,
    with_error,
)
from pipeline.tables import schema

NEAR_FEET = 4  # so many feet to both sides of the mark advised are listed at once


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
    lines: list[Child] = [
        element(level, {}, phrase("When to go") if by_sight else phrase("The mark")),
        in_use,
    ]
    if advised is not None:
        lines.append(element("p", {}, *_advice_words(advised, by_sight)))
        lines.append(_how_sure(advised))
    drawn = risk.risk_figure(marks, progress)
    if advised is not None and drawn is None and advised["remarks"]:  # else in the figure's notes
        remarks = [list_item(table_sentence(text)) for text in advised["remarks"]]
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
            all_marks = phrase("All {marks} marks, with standard errors", marks=len(same))
            lines.append(on_demand(all_marks, _candidates_table(same)))
    return lines


def _mark_in_use(
    progress: LakeRow | None, advised: LakeRow | None, time_zone: str | None
) -> ET.Element | None:
    if progress is None or progress["mark_m"] is None:
        return None
    foot_m = None if advised is None else foot_length_m(advised)
    first = progress["mark_since_utc"]
    mark = element("b", {}, mark_words(progress["mark_m"], foot_m))
    if not first:
        return paragraph(*phrase_around("In use: {mark} before the back line.", mark=mark))
    day = day_words(on_the_wall(first, time_zone).date())
    return paragraph(
        *phrase_around("In use: {mark} before the back line since {day}.", mark=mark, day=day)
    )


def _advice_words(advised: LakeRow, by_sight: bool) -> Iterable[Child]:
    mark = element("b", {}, mark_words(advised["mark_m"], foot_length_m(advised)))
    stand = quantity(advised["outgoing_start_m"], 1, "m")
    if abs(advised["outgoing_start_m"]) < 0.05:
        yield from (
            phrase_around(
                "Advised: go when the incoming runner is {mark} before the back line.", mark=mark
            )
            if by_sight
            else phrase_around("Advised: {mark} before the back line.", mark=mark)
        )
    else:
        yield from (
            phrase_around(
                "Advised: go when the incoming runner is {mark} before the back line; the receiver "
                "stands {stand} past it.",
                mark=mark,
                stand=stand,
            )
            if by_sight
            else phrase_around(
                "Advised: {mark} before the back line; the receiver stands {stand} past it.",
                mark=mark,
                stand=stand,
            )
        )
    yield " "
    yield phrase(
        "Worked out, not seen: {in_zone} pass in the zone, {ran_into} run into each other.",
        in_zone=odds_words(advised["p_in_zone"]),
        ran_into=odds_words(advised["p_ran_into"]),
    )
    yield " "
    yield phrase_count(
        "Rests on {count} takeover, {of_pair} of this pair, {on_mark} on this mark.",
        "Rests on {count} takeovers, {of_pair} of this pair, {on_mark} on this mark.",
        advised["reps"],
        of_pair=advised["reps_pair"],
        on_mark=advised["reps_on_mark"],
    )


def _how_sure(advised: LakeRow) -> ET.Element:
    """The numbers behind the advice with their standard errors, to be opened."""
    zone_time = Estimate(advised["zone_time_s"], advised["zone_time_sd_s"])
    pass_place = Estimate(advised["pass_m"], advised["pass_sd_m"])
    words = phrase(
        "Passed in the zone {in_zone}\u00a0%, run into each other {ran_into}\u00a0%, run away "
        "{ran_away}\u00a0%. Zone time {zone_time}\u00a0s, pass at {place}\u00a0m. The place of the "
        "mark is known to ± {error}\u00a0m. ± is one standard error.",
        in_zone=_chance_with_error(advised, "p_in_zone"),
        ran_into=_chance_with_error(advised, "p_ran_into"),
        ran_away=_chance_with_error(advised, "p_ran_away"),
        zone_time=with_error(zone_time, 2),
        place=with_error(pass_place, 1),
        error=decimal(advised["mark_sd_m"], 2),
    )
    return on_demand(phrase("How sure"), paragraph(words))


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
            names.setdefault(at, []).extend([phrase_of("mark", "advised")] if k == 0 else [])
    used = None if in_use_m is None else _nearest_mark(same, in_use_m, 0.5 * foot_m)
    if used is not None:
        names.setdefault(used, []).append(phrase_of("mark", "in use"))
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
            odds_words(mark["p_in_zone"]),
            odds_words(mark["p_ran_into"]),
            decimal(mark["zone_time_s"], 2),
            decimal(mark["pass_m"], 1),
        )
        body.append(table_row([mark_words(mark["mark_m"], foot_m), name], cells))
    who = pair_words((advised["incoming"], advised["outgoing"]))
    label = phrase("Marks about the one advised, {pair}", pair=who)
    heads = (
        phrase("mark"),
        phrase("in the zone"),
        phrase("run into each other"),
        phrase("zone time, s"),
        phrase("pass, m"),
    )
    return scrolling(label, html_table("moments near", heads, body))


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
        advised = (
            element("strong", {}, f" {phrase_of('mark', 'advised')}") if mark["advised"] else None
        )
        body.append(table_row([decimal(mark["mark_m"], 2), advised], cells(mark)))
    who = pair_words((rows[0]["incoming"], rows[0]["outgoing"]))
    label = phrase("Candidate marks, {pair}", pair=who)
    heads = (
        phrase("mark, m"),
        phrase("feet"),
        phrase("in the zone, %"),
        phrase("run into, %"),
        phrase("run away, %"),
        phrase("zone time, s"),
        phrase("pass, m"),
    )
    return scrolling(label, html_table("moments", heads, body))
