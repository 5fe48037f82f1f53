"""The season's page from rows: its calendar, what changed, what is open, the way to the others."""

from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hostile_names import HOSTILE
from html_page import Page
from sheet_rows import FIRST_EVENING, mark, no_decisions, order, sheet_row, takeover

from pipeline.show.file_names import PageLinks, session_file_name
from pipeline.show.page.calendar_part import gather_evenings
from pipeline.show.page.season_page import SEASON_TABLES, season_page

TAKEOVERS = [
    takeover("otter", "heron", 1),
    takeover("otter", "heron", 2, outcome="not passed"),
    takeover("heron", "rowan", 1, days=7, session="second"),
    takeover("heron", "rowan", 1, days=21, session="third", event="4x400"),
]


def season(takeovers=TAKEOVERS, there=(), races=(), sessions=("evening",), **tables) -> Page:
    links = PageLinks(frozenset(there))
    return Page(
        season_page(
            takeovers,
            sessions,
            no_decisions(*SEASON_TABLES) | tables,
            races=races,
            links=links,
            link=lambda a, b, _: links.pair(a, b),
            about={},
        )
    )


def said(page: Page) -> str:
    return " ".join(page.text.replace("\u00a0", " ").split())


def test_the_head_says_how_much_was_run():
    page = season()
    assert "The season: 2026-05-12 to 2026-06-02" in said(page)
    assert "4x100, 4x400; 3 evenings, 3 runners, 4 takeovers, 3 passed." in said(page)


def test_the_calendar_has_a_sheet_for_each_month_with_an_evening_on_its_day():
    page = season()
    times = [given["datetime"] for tag, given in page.opened if tag == "time"]
    assert times == ["2026-05-12", "2026-05-19", "2026-06-02"]
    assert "May 2026" in page.text
    assert "June 2026" in page.text
    idle = [given for tag, given in page.opened if (given.get("class") or "").startswith("idle")]
    assert len(idle) == 31 + 30 - 3
    firsts = [
        part
        for tag, given in page.opened
        if tag == "li"
        for part in (given.get("class") or "").split()
        if part.startswith("from-")
    ]
    assert firsts == ["from-5", "from-1"]  # 1 May 2026 was a Friday, 1 June a Monday


def test_an_evening_tells_its_takeovers_and_what_they_cost():
    verdicts = [
        sheet_row("verdicts", exchange=number, lost_s=lost, lost_sd_s=0.02)
        for number, lost in ((1, 0.10), (2, 0.20))
    ]
    page = season(verdicts=verdicts)
    assert "2 takeovers, 1 passed" in said(page)
    assert "0.15 s lost each" in said(page)
    (first, second, _) = gather_evenings(TAKEOVERS, {("evening", 1): -0.2, ("evening", 2): None})
    assert first.cost_words.replace("\u00a0", " ") == "0.20 s won each"
    assert second.cost_words is None


def test_the_day_is_the_sessions_own_even_where_it_was_past_midnight_in_utc():
    late = takeover("a", "b", zero_utc=datetime(2026, 5, 13, 0, 30, tzinfo=UTC), date="2026-05-12")
    assert gather_evenings([late], {})[0].day.isoformat() == "2026-05-12"
    undated = late | {"date": None}
    assert gather_evenings([undated], {})[0].day.isoformat() == "2026-05-13"
    abroad = undated | {"time_zone": "America/New_York"}
    assert gather_evenings([abroad], {})[0].day.isoformat() == "2026-05-12"


def test_changes_are_told_only_where_they_stand_out_of_their_error():
    progress = [
        sheet_row(
            "progress", incoming="otter", outgoing="heron",
            zone_time_trend_s=-0.05, zone_time_trend_sd_s=0.01,
            go_lag_trend_s=0.05, go_lag_trend_sd_s=0.04,
        )
    ]  # fmt: skip
    runners = [
        sheet_row("runners", runner="heron", v_in_entry_trend_mps=0.2, v_in_entry_trend_sd_mps=0.05)
    ]
    text = said(season(progress=progress, runners=runners))
    assert "otter to heron, 4x100: the zone time gets shorter by 0.05 s a week" in text
    assert "heron, 4x100: the speed brought into the zone grows by 0.20 m/s a week" in text
    assert "the start comes" not in text
    quiet = said(season(progress=[], runners=[]))
    assert "No change stands out of its error yet." in quiet


def test_marks_moved_and_what_came_of_it():
    moved = sheet_row(
        "progress", incoming="otter", outgoing="heron", mark_m=7.5, reps_since_move=4,
        mark_since_utc=FIRST_EVENING, zone_time_change_s=-0.08, zone_time_change_sd_s=0.02,
    )  # fmt: skip
    text = said(season(progress=[moved], marks=[mark("otter", "heron")]))
    assert "25 feet (7.50 m) since 2026-05-12, 4 takeovers on it" in text
    assert "the zone time is shorter by 0.08 s" in text
    nothing = moved | {"zone_time_change_s": 0.01}
    assert "1 move of which nothing stands out yet" in said(season(progress=[nothing]))
    never = moved | {"reps_since_move": None}
    assert "Marks moved" not in said(season(progress=[never]))


def test_what_is_open_names_tapes_practice_untried_pairs_and_verdicts_without_answer():
    marks = [
        mark("otter", "heron", practice_gain_s=0.15),
        mark("heron", "rowan", practice_gain_s=0.001, reps_pair=0),
    ]
    in_use = [sheet_row("progress", incoming="otter", outgoing="heron", mark_m=9.0)]
    verdicts = [
        sheet_row("verdicts", exchange=1, lost_s=0.2, lost_sd_s=0.02),
        sheet_row("verdicts", exchange=2),
    ]
    text = said(season(marks=marks, progress=in_use, verdicts=verdicts))
    assert "otter to heron, 4x100: 5 feet nearer, from 30 feet (9.00 m) to 25 feet (7.50 m)" in text
    assert "otter to heron, 4x100: worth up to 0.15 s a takeover (6 together)" in text
    assert "heron to rowan, 4x100: worth" not in text
    assert "4x100: heron to rowan" in text
    assert "what was lost cannot be told of takeover 2" in text
    assert "no cause stands out in takeover 1" in text
    right = [in_use[0] | {"mark_m": 7.6}]
    assert "Tapes to move" not in said(season(marks=marks, progress=right, verdicts=[]))


def test_a_relay_without_marks_is_named_and_the_shorter_relay_comes_first():
    text = said(season(marks=[mark("otter", "heron")]))
    assert "4x400 No mark is worked out for this relay." in text
    assert text.index("4x100 otter to heron costs least") < text.index("4x400 No mark")


@pytest.mark.parametrize("name", SEASON_TABLES)
def test_a_table_that_is_missing_is_told_with_its_command(name):
    page = season(**{table: [] for table in SEASON_TABLES if table != name})
    if name in ("marks", "progress", "verdicts"):
        command = "causes" if name == "verdicts" else name
        assert f"batontrace {command} OUT" in page.text
    assert page.tags.count("main") == 1


def test_a_season_without_takeovers_is_a_whole_page():
    page = season(takeovers=[], sessions=("evening",))
    assert "No takeover was found in any session." in page.text
    assert "Without a takeover: evening." in said(page)


def test_links_lead_to_pages_that_are_there_and_to_no_others():
    there = {
        "order-4x100.html", "race-heat_in_evening.html", "runner-heron.html",
        "session-evening.html", "validation.png", "pair-otter-to-heron.html",
    }  # fmt: skip
    told = [sheet_row("validation", conclusion="all gates agree to 0.014 s")]
    page = season(
        there=there, races=(("evening", "heat"), ("evening", "final")), validation=told,
        orders=[order(1, "otter", "heron", "rowan", "stoat")], marks=[mark("otter", "heron")],
    )  # fmt: skip
    links = {given["href"] for tag, given in page.opened if tag == "a"}
    assert links == there
    assert "all gates agree to 0.014 s" in page.text


def test_hostile_names_stay_text():
    rows = [
        takeover(a, b, session=c)
        for a, b, c in zip(HOSTILE, HOSTILE[1:], HOSTILE[2:], strict=False)
    ]
    there = {f"session-{session_file_name(one)}.html" for one in HOSTILE}
    marks = [mark(a, b, remarks=[a]) for a, b in pairwise(HOSTILE)]
    verdicts = [sheet_row("verdicts", session=one, exchange=1) for one in HOSTILE]
    page = season(rows, there, [(HOSTILE[0], HOSTILE[1])], HOSTILE, marks=marks, verdicts=verdicts)
    assert page.tags.count("script") == 1  # the page's own
    assert "img" not in page.tags
    assert all(given["href"].partition("#")[0] in there for tag, given in page.opened if tag == "a")


def test_nothing_is_said_over_the_weeks():
    page = season(TAKEOVERS[:2], progress=[], runners=[], marks=[], verdicts=[])
    assert "over the weeks" not in page.text
