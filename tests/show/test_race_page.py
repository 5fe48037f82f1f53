"""A race's page and its figure, from rows: against the plan, leg by leg, takeover by takeover."""

from itertools import pairwise

import pytest
from hostile_names import HOSTILE
from html_page import Page
from sheet_rows import no_decisions, sheet_row, takeover

from pipeline.show.figures import page_svg
from pipeline.show.figures.figure import Bar, Smear
from pipeline.show.figures.race_bars import race_bars_figure, race_finding
from pipeline.show.page.race_page import RACE_TABLES, race_page

LEGS = [
    sheet_row("legs", leg=1, runner="otter", v_max_mps=9.9, v_max_sd_mps=0.1),
    sheet_row("legs", leg=2, runner="heron"),
    sheet_row("legs", leg=0, time_s=41.85, official_time_s=41.88, difference_s=-0.03),
]


def part(number, kind, difference, sd=0.05, **given):
    return sheet_row(
        "race_parts", part=number, kind=kind, time_s=9.0, time_sd_s=0.03, expected_s=9.1,
        expected_sd_s=0.05, spread_s=0.08, difference_s=difference, difference_sd_s=sd, **given,
    )  # fmt: skip


PARTS = [
    part(0, "whole", -0.40, 0.1),
    part(1, "run", 0.02, leg=1, runner="otter"),
    part(2, "zone", -0.31, leg=1, runner="otter", outgoing="heron"),
    part(3, "run", 0.20, leg=2, runner="heron", remarks=["no unit in the last 20 m"]),
]
TAKEOVERS = [
    takeover("otter", "heron", 1, race="heat", faults=["late start"]),
    takeover("heron", "rowan", 2, race="heat", zone=2, outcome="not passed"),
    takeover("lark", "wren", 3, race="final"),
]


def shown(legs=LEGS, takeovers=TAKEOVERS, link=lambda *_: None, **tables) -> Page:
    found = no_decisions(*RACE_TABLES) | tables
    return Page(race_page(legs, takeovers, found, link=link, about={}))


def said(page: Page) -> str:
    return " ".join(page.text.replace("\u00a0", " ").split())


def test_the_head_has_the_measured_the_official_and_the_planned():
    text = said(shown(race_parts=PARTS))
    assert "Race heat, 4x100" in text
    assert (
        "Session evening, lane 5: 41.85 s measured, 41.88 s official; against the plan 0.40 s won."
        in text
    )
    bare = [row for row in LEGS if row["leg"]]
    assert "the whole time is not known" in said(shown(legs=bare))


def test_the_figure_says_where_most_was_lost_and_won():
    figure = race_bars_figure(PARTS)
    lost, won = "leg 2, heron (0.20 s)", "zone 1, otter to heron (0.31 s)"
    assert figure.title == f"Most was lost in {lost}; most was won in {won}"
    bars = [item for item in figure.panels[0].items if isinstance(item, Bar)]
    assert [(one.pattern, one.ink) for one in bars] == [
        ("pale", "incoming"), ("solid", "outgoing"), ("solid", "incoming"),
    ]  # fmt: skip
    assert [(one.x0, one.x1) for one in bars] == [(0.0, 0.02), (-0.31, 0.0), (0.0, 0.20)]
    smears = [item for item in figure.panels[0].items if isinstance(item, Smear)]
    assert [(one.x, one.sd) for one in smears] == [(0.02, 0.05), (-0.31, 0.05), (0.20, 0.05)]
    assert "leg 1, otter: 0.02 s lost, unsure." in figure.description
    page_svg.draw_svg(figure)


def test_slides_draw_it_too():
    from pipeline.show.figures import slides

    assert slides.draw_slide(race_bars_figure(PARTS), "svg").startswith(b"<?xml")


def test_parts_that_cannot_be_told_have_no_bar_and_say_so():
    unknown = part(4, "run", None, None, leg=3, runner="rowan")
    figure = race_bars_figure([*PARTS, unknown])
    assert "leg 3, rowan: cannot be told." in figure.description
    assert len([one for one in figure.panels[0].items if isinstance(one, Bar)]) == 3
    assert race_bars_figure([unknown]) is None
    assert race_bars_figure([]) is None


def test_nothing_clear_is_no_finding():
    assert race_finding(PARTS[:2]) == "No part was clearly faster or slower than expected"


def test_the_numbers_with_their_errors_are_there_on_demand():
    page = shown(race_parts=PARTS)
    rows = {row[0]: row for row in page.grid() if row}
    assert rows["zone 1, otter to heron"][3].replace("\u00a0", " ") == "−0.31 ± 0.05"
    assert "leg 2, heron: no unit in the last 20 m" in said(page)


def test_each_takeover_of_the_race_has_its_verdict_and_no_other_has():
    verdicts = [
        sheet_row("verdicts", exchange=1, verdict="Left 0.20 ± 0.05 s late."),
        sheet_row("verdicts", exchange=2, session="other", verdict="Not this one."),
    ]
    text = said(shown(verdicts=verdicts))
    assert "Zone 1: otter to heron Left 0.20 s late. Passed; late start; pass 14 m" in text
    assert "Zone 2: heron to rowan Not passed" in text
    assert "Not this one" not in text
    assert "lark" not in text


def test_without_a_plan_the_page_says_which_command_makes_it():
    assert "batontrace race OUT" in said(shown())
    assert "batontrace race OUT" in said(shown(race_parts=[]))
    long_legs = [row | {"event": "4x400"} for row in LEGS]
    assert "--flat RUNNER=SECONDS" in said(shown(legs=long_legs))


def test_without_takeovers_and_verdicts_the_page_is_whole():
    text = said(shown(takeovers=[]))
    assert "No takeover of this race was found." in text
    assert "batontrace causes OUT" in text
    with pytest.raises(ValueError, match="legs"):
        shown(legs=[])


def test_hostile_names_stay_text():
    legs = [row | {"race": HOSTILE[0], "session": HOSTILE[1], "runner": HOSTILE[2]} for row in LEGS]
    rows = [
        takeover(a, b, race=HOSTILE[0], session=HOSTILE[1], faults=[c], remarks=[c])
        for a, b, c in zip(HOSTILE, HOSTILE[1:], HOSTILE[2:], strict=False)
    ]
    parts = [
        part(k, "zone", 0.2, leg=k, runner=a, outgoing=b, race=HOSTILE[0], session=HOSTILE[1])
        for k, (a, b) in enumerate(pairwise(HOSTILE), 1)
    ]
    verdict = sheet_row("verdicts", session=HOSTILE[1], exchange=1, verdict=HOSTILE[0])
    page = shown(legs, rows, race_parts=parts, verdicts=[verdict])
    assert page.tags.count("script") == 1
    assert "img" not in page.tags
