"""The season's evenings as months: a sheet of weeks for each month in which somebody practised.

Each month is a list of its days, which the style sheet lays out as weeks from Monday to Sunday; on
a telephone the days without practice are left out and the others stand below each other.
"""

from __future__ import annotations

import calendar
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from xml.etree import ElementTree as ET

import numpy as np

from pipeline.language.numbers import month_words, weekday_words
from pipeline.language.phrases import phrase
from pipeline.show.markup import Child, element, list_item, outside_name
from pipeline.show.page.sheet_lines import linked, quantity, takeovers_passed
from pipeline.show.scenes import LakeRow
from pipeline.show.wording import on_the_wall

SessionLink = Callable[[str], str | None]


def costs_meaning() -> str:
    """What the evenings' lost time is."""
    return phrase(
        "Lost: the baton's time against what each pair does at its best mark, on the mean of the "
        "takeovers of which it can be told; won, where it was less."
    )


@dataclass(frozen=True, slots=True)
class Evening:
    """One day's practice: its sessions in time order, takeovers, passes, and the mean time lost a
    takeover [s], None where no verdict tells."""

    day: date
    sessions: tuple[str, ...]
    takeovers: int
    passed: int
    lost_s: float | None

    @property
    def words(self) -> str:
        return takeovers_passed(self.takeovers, self.passed)

    @property
    def cost_words(self) -> str | None:
        """What a takeover lost or won on the mean."""
        if self.lost_s is None:
            return None
        if not round(self.lost_s, 2):
            return phrase("nothing lost")
        time = quantity(abs(self.lost_s), 2, "s")
        if self.lost_s > 0.0:
            return phrase("{time} lost each", time=time)
        return phrase("{time} won each", time=time)


def takeover_day(row: LakeRow) -> date:
    """The day of a takeover: the session's date, else the day on the wall at its moment."""
    told = row["date"]
    if told is not None:
        try:
            return date.fromisoformat(told)
        except ValueError:
            pass
    return on_the_wall(row["zero_utc"], row["time_zone"]).date()


def gather_evenings(
    takeovers: Sequence[LakeRow], lost_s: Mapping[tuple[str, int], float | None]
) -> list[Evening]:
    """The days of the takeovers, in order; `lost_s` by session and takeover, as in `verdicts`."""
    by_day: dict[date, list[LakeRow]] = {}
    for row in sorted(takeovers, key=lambda one: (one["zero_utc"], one["session"])):
        by_day.setdefault(takeover_day(row), []).append(row)
    found = []
    for day, rows in sorted(by_day.items()):
        known = [lost_s.get((row["session"], row["exchange"])) for row in rows]
        told = [one for one in known if one is not None]
        found.append(
            Evening(
                day,
                tuple(dict.fromkeys(row["session"] for row in rows)),
                len(rows),
                sum(row["outcome"] == "passed" for row in rows),
                float(np.mean(told)) if told else None,
            )
        )
    return found


def season_calendar(evenings: Sequence[Evening], link: SessionLink) -> ET.Element:
    """A sheet for each month that has an evening, side by side where there is room."""
    months = dict.fromkeys((one.day.year, one.day.month) for one in evenings)
    by_day = {one.day: one for one in evenings}
    return element(
        "div",
        {"class": "months"},
        *(_month_sheet(year, month, by_day, link) for year, month in months),
    )


def _month_sheet(
    year: int, month: int, by_day: Mapping[date, Evening], link: SessionLink
) -> ET.Element:
    title = month_words(date(year, month, 1))
    names = [
        element("span", {"class": f"day-{number}"}, weekday_words(number - 1, 2))
        for number in range(1, 8)
    ]
    first, length = calendar.monthrange(year, month)
    days = [date(year, month, number) for number in range(1, length + 1)]
    cells = [_day_cell(day, by_day.get(day), link, first if day.day == 1 else None) for day in days]
    return element(
        "div",
        {"class": "month"},
        element("h3", {}, title),
        element("p", {"class": "week", "aria-hidden": "true"}, *names),
        element("ol", {"aria-label": phrase("Evenings in {month}", month=title)}, *cells),
    )


def _day_cell(
    day: date, evening: Evening | None, link: SessionLink, weekday: int | None
) -> ET.Element:
    """One day; the first of the month says below which weekday it stands."""
    starts = [] if weekday is None else [f"from-{weekday + 1}"]
    if evening is None:
        given = {"class": " ".join(["idle", *starts]), "aria-hidden": "true"}
        return element("li", given, str(day.day))
    sessions: list[Child] = [
        list_item(linked(link(session), outside_name(session))) for session in evening.sessions
    ]
    cost = evening.cost_words
    cell = list_item(
        element(
            "time",
            {"datetime": day.isoformat()},
            element("span", {"class": "weekday"}, f"{weekday_words(day.weekday(), 3)} "),
            str(day.day),
        ),
        element("p", {}, evening.words),
        None if cost is None else element("p", {"class": "cost-each"}, cost),
        element("ul", {}, *sessions),
    )
    cell.set("class", " ".join(["evening", *starts]))
    return cell
