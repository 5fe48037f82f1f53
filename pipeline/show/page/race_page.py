"""A race's page: the whole beside the official time, what was won and lost against the plan, leg by
leg, and each takeover with its verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.etree import ElementTree as ET

from pipeline.base.relays import legs_m
from pipeline.base.words import capitalised
from pipeline.language.phrases import phrase, phrase_around, reworded
from pipeline.show.figures import page_svg
from pipeline.show.figures.race_bars import (
    difference_words,
    part_difference,
    part_words,
    race_bars_figure,
    race_finding,
)
from pipeline.show.markup import (
    Child,
    element,
    html_table,
    list_item,
    plain_text,
    scrolling,
    table_row,
)
from pipeline.show.page import other_parts, takeover_list
from pipeline.show.page.frame import SeeAlso, whole_page
from pipeline.show.page.matrix_part import PairLink
from pipeline.show.page.sheet_lines import (
    DecisionRows,
    bullet_list,
    colon,
    flat_times_needed,
    joined,
    linked,
    not_worked_out,
    on_demand,
    pair_names,
    paragraph,
    quantity,
    table_sentence,
    titled_section,
)
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.show.wording import (
    decimal,
    joined_parts,
    odds_words,
    takeover_words,
    with_error,
    without_errors,
    zone_doubt_words,
)

RACE_TABLES = ("race_parts", "verdicts")


def _race_reading() -> tuple[str, ...]:
    return (
        phrase(
            "A leg runs from line to line, as the baton passes them. The parts of the plan are cut "
            "at the entry and exit lines of the zones, so that a zone is the pair's and a run one "
            "runner's."
        ),
        phrase(
            "The plan: what was to be expected from the takeovers before the race, each pair on "
            "its best mark. Won and lost are against it."
        ),
        phrase(
            "Clear is what lies beyond two standard errors. Most of those errors are what is not "
            "known of the runners, and races differ besides."
        ),
        phrase("The official time is compared, never used."),
    )


def race_page(
    legs: Sequence[LakeRow],
    takeovers: Sequence[LakeRow],
    decisions: DecisionRows,
    *,
    link: PairLink,
    session_page: str | None = None,
    about: Mapping[str, str],
    remarks: Sequence[str] = (),
    see_also: SeeAlso = (),
) -> str:
    """The page of one race as HTML text.

    `legs` are its rows of that table, one or more; `takeovers` those of `exchanges` of its session;
    `decisions` hold `RACE_TABLES`; `link` gives where a pair's own page is, `session_page` where
    the session's is. Raises ValueError where there is no leg.
    """
    if not legs:
        raise ValueError("a race's page needs its legs")
    session, race, event = (legs[0][name] for name in ("session", "race", "event"))
    parts = [
        row
        for row in decisions["race_parts"] or ()
        if row["session"] == session and row["race"] == race
    ]
    verdicts = {
        row["exchange"]: row for row in decisions["verdicts"] or () if row["session"] == session
    }
    own = [row for row in takeovers if row["race"] == race and row["session"] == session]
    whole = next((row for row in legs if row["leg"] == 0), None)
    title = phrase("Race {race}, {event}", race=plain_text(race), event=plain_text(event))
    sections: list[Child] = [
        _plan_section(event, parts, decisions["race_parts"] is None),
        other_parts.races_section(legs),
        _race_takeovers_section(own, verdicts, decisions["verdicts"] is None, link, session_page),
    ]
    return whole_page(
        title,
        _race_lead(legs[0], whole, parts),
        sections,
        about=about,
        remarks=remarks,
        reading=_race_reading(),
        see_also=see_also,
    )


def _race_lead(first: LakeRow, whole: LakeRow | None, parts: Sequence[LakeRow]) -> str:
    """The whole, the official time, and how it lies to the plan."""
    session = plain_text(first["session"])
    where = (
        phrase("Session {session}", session=session)
        if first["lane"] is None
        else phrase("Session {session}, lane {lane}", session=session, lane=first["lane"])
    )
    times = []
    if whole is None or whole["time_s"] is None:
        times.append(phrase("the whole time is not known"))
    else:
        times.append(phrase("{time} measured", time=quantity(whole["time_s"], 2, "s")))
    if whole is not None and whole["official_time_s"] is not None:
        official = quantity(whole["official_time_s"], 2, "s")
        times.append(phrase("{time} official", time=official))
    words = f"{where}{colon()}{', '.join(times)}"
    against = next((part_difference(row) for row in parts if row["kind"] == "whole"), None)
    if against is None:
        return f"{words}."
    told = phrase("against the plan {difference}", difference=difference_words(against))
    return f"{joined_parts((words, told))}."


# --- against the plan ---------------------------------------------------------------------------


def _plan_section(event: str, parts: Sequence[LakeRow], not_made: bool) -> ET.Element:
    if not parts:
        long_legs = max(legs_m(event), default=0.0) > 100.0
        return titled_section(
            "plan",
            phrase("Against the plan"),
            not_worked_out("race_parts")
            if not_made
            else paragraph(
                *phrase_around(
                    "The table {table} has nothing of this race. Run {command} and make this page "
                    "again.",
                    table="race_parts",
                    command=element("code", {}, "batontrace race OUT"),
                )
            ),
            paragraph(flat_times_needed()) if long_legs else None,
        )
    drawn = race_bars_figure(parts)
    told = [
        joined(_part_name(row), colon(), table_sentence(text))
        for row in sorted(parts, key=lambda row: row["part"])
        for text in row["remarks"]
    ]
    return titled_section(
        "plan",
        phrase("Against the plan"),
        paragraph(f"{race_finding(parts)}.") if drawn is None else None,
        page_svg.captioned_figure(drawn, "race-bars") if drawn is not None else None,
        on_demand(
            phrase("The numbers, with their errors"),
            scrolling(phrase("The parts"), _parts_table(parts)),
        ),
        bullet_list(told),
    )


def _part_name(row: LakeRow) -> str:
    return part_words(row) if row["part"] else phrase("the whole race")


def _parts_table(parts: Sequence[LakeRow]) -> ET.Element:
    def cell(row: LakeRow, name: str) -> str:
        known = row_estimate(row, f"{name}_s", f"{name}_sd_s")
        return "–" if known is None else with_error(known, 2)

    lines = [
        table_row(
            [_part_name(row)],
            [
                cell(row, "time"),
                cell(row, "expected"),
                cell(row, "difference"),
                "–" if row["spread_s"] is None else decimal(row["spread_s"], 2),
            ],
        )
        for row in sorted(parts, key=lambda row: row["part"] or 99)
    ]
    heads = (
        phrase("part"),
        phrase("measured, s"),
        phrase("expected, s"),
        phrase("lost (+) or won (−), s"),
        phrase("races differ by, s"),
    )
    return html_table("race-parts", heads, lines, phrase("± is one standard error."))


# --- its takeovers ------------------------------------------------------------------------------


def _race_takeovers_section(
    takeovers: Sequence[LakeRow],
    verdicts: Mapping[int, LakeRow],
    no_verdicts: bool,
    link: PairLink,
    session_page: str | None,
) -> ET.Element:
    lines = [
        _race_takeover(row, verdicts.get(row["exchange"]), link, session_page)
        for row in sorted(takeovers, key=lambda row: row["zero_utc"])
    ]
    return titled_section(
        "takeovers",
        phrase("The takeovers"),
        element("ol", {"class": "race-takeovers"}, *lines) if lines else None,
        None if lines else paragraph(phrase("No takeover of this race was found.")),
        not_worked_out("verdicts") if no_verdicts else None,
    )


def _in_full(row: LakeRow, session_page: str | None) -> ET.Element | None:
    """The way to the takeover's own part of the session's page; None where there is no page."""
    if session_page is None:
        return None
    place = takeover_list.anchor_of(row["session"], row["exchange"])
    return element("a", {"href": f"{session_page}#{place}"}, phrase("In full"))


def _race_takeover(
    row: LakeRow, verdict: LakeRow | None, link: PairLink, session_page: str | None
) -> ET.Element:
    pair = row["incoming"], row["outgoing"]
    doubt = (
        None
        if row["zone_length_m"] is None
        else zone_doubt_words(
            row["p_in_zone"], row["pass_m"], row["pass_sd_m"], row["zone_length_m"]
        )
    )
    words = [*takeover_words(row["outcome"], row["faults"], doubt)]
    if row["pass_m"] is not None and row["outcome"] == "passed":
        place = quantity(row["pass_m"], 0, "m")
        words.append(phrase("pass {place} past the entry line", place=place))
    if row["zone_time_s"] is not None:
        words.append(phrase("zone time {time}", time=quantity(row["zone_time_s"], 2, "s")))
    if row["p_in_zone"] is not None:
        words.append(phrase("in the zone {chance}", chance=odds_words(row["p_in_zone"])))
    told = joined_parts(words)
    who = linked(link(*pair, row["event"]), *pair_names(*pair))
    return list_item(
        element("h3", {}, *phrase_around("Zone {zone}: {pair}", zone=str(row["zone"]), pair=who)),
        element("p", {"class": "verdict"}, _verdict_sentence(verdict["verdict"]))
        if verdict is not None
        else None,
        paragraph(f"{capitalised(told)}. ", _in_full(row, session_page)),
        bullet_list(map(table_sentence, row["remarks"])),
    )


def _verdict_sentence(verdict: str) -> ET.Element:
    return element("bdi", {}, without_errors(reworded(plain_text(verdict))))
