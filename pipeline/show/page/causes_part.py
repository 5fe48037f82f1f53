"""Where the time went: the causes of a page's takeovers, and of a pair's over the weeks."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree as ET

from pipeline.language.numbers import day_words
from pipeline.language.phrases import phrase
from pipeline.show.figures import cause_bars, page_svg
from pipeline.show.figures.figure import Figure
from pipeline.show.markup import element
from pipeline.show.scenes import LakeRow, Scene
from pipeline.show.wording import on_the_wall

MOST_BARS = 40  # of more nobody compares one with another: those that cost most are drawn


def causes_section(ordered: Sequence[Scene], causes: Sequence[LakeRow]) -> ET.Element | None:
    """One bar a takeover on a common scale; None where nothing was judged. `causes` are rows of
    that table, of these takeovers and others."""
    judged = [one for one in ordered if one.verdict is not None]
    worst = sorted(judged, key=lambda one: 0.0 if one.lost is None else -one.lost.value)
    shown = {id(one) for one in worst[:MOST_BARS]}
    verdicts = [one.verdict for one in judged if id(one) in shown and one.verdict is not None]
    figure = cause_bars.session_causes_figure(
        _rows_of(verdicts, causes), verdicts, _list_labels(ordered)
    )
    if figure is None:
        return None
    more = len(judged) - len(verdicts)
    rest = phrase(
        "The {shown} that cost most; {more} more were judged.", shown=len(verdicts), more=more
    )
    return element(
        "section",
        {"id": "causes", "aria-labelledby": "causes-head"},
        element("h2", {"id": "causes-head"}, phrase("Where the time went")),
        element("p", {"class": "notes"}, rest) if more else None,
        page_svg.captioned_figure(figure, "causes"),
    )


def pair_causes(several: Sequence[Scene], causes: Sequence[LakeRow]) -> ET.Element | None:
    """One pair's takeovers over the evenings; None where nothing was judged. `several` in time
    order, `causes` the pair's rows of that table."""
    figure = draw_pair_causes(several, causes, MOST_BARS)
    return None if figure is None else page_svg.captioned_figure(figure, "causes")


def draw_pair_causes(
    several: Sequence[Scene], causes: Sequence[LakeRow], most: int
) -> Figure | None:
    """The figure of a pair's causes; of more than `most` takeovers the last."""
    verdicts = [one.verdict for one in several if one.verdict is not None]
    if not verdicts:
        return None
    days = {
        one.row["session"]: day_words(on_the_wall(one.when, one.row["time_zone"]).date())
        for one in several
    }
    return cause_bars.pair_causes_figure(causes, verdicts, days, _list_labels(several), most=most)


def _rows_of(verdicts: Sequence[LakeRow], causes: Sequence[LakeRow]) -> list[LakeRow]:
    shown = {(row["session"], row["exchange"]) for row in verdicts}
    return [row for row in causes if (row["session"], row["exchange"]) in shown]


def _list_labels(ordered: Sequence[Scene]) -> dict[tuple[str, int], str]:
    """What the list calls each takeover."""
    return {
        (one.row["session"], one.row["exchange"]): str(number)
        if one.row["rep"] is None
        else phrase("{number}, rep {rep}", number=number, rep=one.row["rep"])
        for number, one in enumerate(ordered, start=1)
    }
