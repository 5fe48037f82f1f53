"""What else a session held: races leg by leg, and exercises."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree as ET

from pipeline.base.values import Estimate
from pipeline.language.phrases import phrase, phrase_count, phrase_of
from pipeline.show.column_words import column_word
from pipeline.show.markup import Child, element, html_table, outside_name, scrolling, table_row
from pipeline.show.page.sheet_lines import (
    notes_line,
    quantity,
    table_sentences,
    titled_section,
)
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.show.wording import clock_words, decimal, on_the_wall, with_error


def races_section(rows: Sequence[LakeRow]) -> ET.Element | None:
    """Each race leg by leg; None where there was none. `rows` are those of the table `legs`."""
    if not rows:
        return None
    parts: list[Child] = []
    for race in dict.fromkeys(row["race"] for row in rows):
        own = sorted((r for r in rows if r["race"] == race), key=lambda row: row["leg"] or 99)
        caption = phrase(
            "Times from line to line, as the baton passes them; ± is one standard error."
        )
        parts.append(element("h3", {}, outside_name(race), f", {own[0]['event']}"))
        parts.append(element("p", {"class": "which"}, _race_words(own[-1])))
        parts.append(element("p", {"class": "notes"}, caption))
        heads = (
            phrase("leg"),
            phrase("runner"),
            phrase("time, s"),
            phrase("top speed, m/s"),
            phrase("zone time at its end, s"),
            phrase("remarks"),
        )
        table = html_table("legs", heads, map(_leg_line, own))
        parts.append(scrolling(phrase("The race leg by leg"), table))
    several = len({row["race"] for row in rows}) > 1
    return titled_section("races", phrase("Races") if several else phrase("The race"), *parts)


def _race_words(whole: LakeRow) -> str:
    """The official time beside the measured one."""
    if whole["official_time_s"] is None:
        return phrase("No official time was given.")
    official = quantity(whole["official_time_s"], 2, "s")
    if whole["difference_s"] is None:
        return phrase("Official time {official}.", official=official)
    size = quantity(abs(whole["difference_s"]), 2, "s")
    if whole["difference_s"] > 0:
        return phrase(
            "Official time {official}; measured {size} more.", official=official, size=size
        )
    return phrase("Official time {official}; measured {size} less.", official=official, size=size)


def _leg_line(row: LakeRow) -> ET.Element:
    def cell(name: str, sd: str) -> str:
        known = row_estimate(row, name, sd)
        return "–" if known is None else with_error(known, 2)

    cells: list[Child] = [
        outside_name(row["runner"]) if row["runner"] else "–",
        cell("time_s", "time_sd_s"),
        cell("v_max_mps", "v_max_sd_mps"),
        cell("zone_time_s", "zone_time_sd_s"),
        table_sentences(row["remarks"] or ["–"]),
    ]
    return table_row([str(row["leg"]) if row["leg"] else phrase_of("legs", "all")], cells)


def exercises_section(rows: Sequence[LakeRow], time_zone: str | None = None) -> ET.Element | None:
    """The exercises, a line each, or a line a round of a rotation; None where there were none.
    `rows` are those of the table `exercises`, their times by the clocks of `time_zone`."""
    if not rows:
        return None
    caption = phrase(
        "Exercises are no takeovers at speed and never serve advice. The hand-overs lie between "
        "the two moments. The gap is the mean distance between the trunks of neighbours; how much "
        "it wavers is known far better than the gap itself."
    )
    lines: dict[tuple[object, ...], list[LakeRow]] = {}
    for row in rows:
        key = row["drill"], row["rep"], row["round"], row["first_utc"]
        lines.setdefault(key, []).append(row)
    heads = (
        phrase("exercise"),
        phrase("from hand to hand"),
        phrase("when"),
        phrase("speed, m/s"),
        phrase("gap, m"),
        phrase("wavers by, m"),
        phrase("remarks"),
    )
    table = html_table(
        "exercises", heads, (_exercise_line(own, time_zone) for own in lines.values())
    )
    words = phrase_count(
        "{count} hand-over in exercises", "{count} hand-overs in exercises", len(rows)
    )
    return titled_section(
        "exercises", phrase("Exercises"), notes_line(caption), scrolling(words, table)
    )


def _exercise_line(rows: Sequence[LakeRow], time_zone: str | None) -> ET.Element:
    """One line for hand-overs from the rear of a line to its front, in their order."""
    first = rows[0]
    when = "–"
    if first["first_utc"] is not None and first["last_utc"] is not None:
        begun, ended = (on_the_wall(first[name], time_zone) for name in ("first_utc", "last_utc"))
        when = phrase("{first} to {last}", first=f"{begun:%H:%M:%S}", last=clock_words(ended))
    speed = row_estimate(first, "speed_mps", "speed_sd_mps")
    gap, spread = _mean_gap(rows)
    drill = column_word("exercise", first["drill"])
    if first["round"] is not None:
        drill = phrase("{exercise}, round {round}", exercise=drill, round=first["round"])
    sprint = row_estimate(first, "sprint_mps", "sprint_sd_mps")
    hands: list[Child] = [outside_name(first["incoming"])]
    for row in rows:
        hands += [phrase_of("hand to hand", " to "), outside_name(row["outgoing"])]
    remarks = list(dict.fromkeys(words for row in rows for words in row["remarks"]))
    if sprint is not None:
        sprints = phrase(
            "then {runner} sprints: {speed} m/s",
            runner=first["incoming"],
            speed=decimal(sprint.value, 1),
        )
        remarks.insert(0, sprints)
    cells: list[Child] = [
        element("span", {}, *hands),
        when,
        "–" if speed is None else with_error(speed, 1),
        "–" if gap is None else with_error(gap, 1),
        "–" if spread is None else decimal(spread, 1),
        table_sentences(remarks or ["–"]),
    ]
    return table_row([drill], cells)


def _mean_gap(rows: Sequence[LakeRow]) -> tuple[Estimate | None, float | None]:
    """The mean gap along a line and how much gaps waver.

    The gaps of a line add up to the distance of its ends, so the places between cancel: the mean
    of n gaps is known n times as well as one.
    """
    known = [one for row in rows if (one := row_estimate(row, "gap_m", "gap_sd_m")) is not None]
    if len(known) < len(rows):
        return None, None
    mean = sum(one.value for one in known) / len(known)
    spreads = [row["gap_spread_m"] for row in rows if row["gap_spread_m"] is not None]
    gap = Estimate(mean, max(one.sd for one in known) / len(known))
    return gap, max(spreads, default=None)
