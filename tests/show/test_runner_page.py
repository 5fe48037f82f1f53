"""A runner's sheet from rows: what is usual, marks, trends, practice, and nobody else's figures."""

import pytest
from hostile_names import HOSTILE
from html_page import Page
from sheet_rows import mark, no_decisions, sheet_row, takeover

from pipeline.base.words import CAUTION
from pipeline.show.page.runner_page import RUNNER_TABLES, runner_page

TAKEOVERS = [
    takeover("otter", "heron", 1, faults=["late start", "incoming slowed"]),
    takeover("otter", "heron", 2, days=7, outcome="not passed"),
    takeover("heron", "rowan", 3, days=7, faults=["incoming slowed"]),
]
HERON = sheet_row("runners", runner="heron")
OTTER = sheet_row("runners", runner="otter", v_in_entry_mps=8.88, t20_s=3.77, lag_s=-0.44)


def sheet(runner="heron", takeovers=TAKEOVERS, **tables) -> Page:
    return Page(runner_page(runner, takeovers, no_decisions(*RUNNER_TABLES) | tables, about={}))


def said(page: Page) -> str:
    return " ".join(page.text.replace("\u00a0", " ").split())


def test_the_head_says_how_often_in_which_role():
    assert "4x100; 2 as receiver, 1 as incoming runner; 2026-05-12 to 2026-05-19." in said(sheet())


def test_what_is_usual_is_in_plain_words():
    text = said(sheet(runners=[HERON, OTTER]))
    assert "Goes 0.19 s before the incoming runner crosses the mark; from rep to rep 0.06 s" in text
    assert "First 20 m: 3.19 s" in text
    assert "Brings 9.6 m/s into the zone" in text
    assert "Whether the speed fades inside the zone is not known yet." in text
    faded = HERON | {"fade_mps2": -0.9}
    assert "Loses 0.9 m/s each second inside the zone." in said(sheet(runners=[faded]))
    late = HERON | {"lag_s": 0.1}
    assert "Goes 0.10 s after the incoming" in said(sheet(runners=[late]))


def test_with_whom_and_what_went_wrong_on_this_side():
    text = said(sheet(runners=[HERON]))
    assert "Baton from otter (2); 1 of 2 passed." in text
    assert "Baton to rowan (1); 1 of 1 passed." in text
    assert "What went wrong, in 2 takeovers: late start (1)." in text
    assert "What went wrong, in 1 takeover: incoming slowed (1)." in text


def test_nobody_elses_speeds_are_on_it():
    causes = [
        sheet_row(
            "causes", incoming="otter", outgoing="heron", exchange=k, cause=cause, lost_s=lost
        )
        for k in (1, 2, 3)
        for cause, lost in (("incoming speed", 0.777), ("start", 0.1))
    ]
    verdicts = [sheet_row("verdicts", exchange=1, verdict="otter came in 0.7 m/s slower.")]
    page = sheet(runners=[HERON, OTTER], marks=[mark("otter", "heron")], causes=causes,
                 verdicts=verdicts)  # fmt: skip
    assert not [
        one for one in ("8.88", "8.9", "3.77", "0.44", "0.78", "0.7 m/s") if one in page.text
    ]
    assert "a" not in page.tags  # it is handed out alone
    assert "none of their speeds is on it" in page.text


def test_figures_that_are_the_squads_are_not_said_to_be_the_runners():
    stranger = HERON | {"reps_out": 0, "reps_in": 0}
    text = said(sheet(runners=[stranger], takeovers=[]))
    assert "First 20 m" not in text
    assert "Brings" not in text
    assert text.count("Not run yet.") == 2
    assert "No takeover of this runner was measured." in text


def test_marks_to_stand_on_with_each_incoming_runner_come_with_the_caution():
    marks = [
        mark("otter", "heron", remarks=["shared", "own"]),
        mark("rowan", "heron", outgoing_start_m=1.5, reps_pair=0, remarks=["shared"]),
        mark("heron", "rowan", mark_feet=20.0),
        mark("lark", "heron", advised=False, mark_m=3.0),
    ]
    page = sheet(marks=marks)
    text = said(page)
    assert "from otter: 25 feet (7.50 m), stand on it; in the zone 9 in 10, 6 together; own" in text
    assert "from rowan: 25 feet (7.50 m), stand 1.5 m past it; in the zone 9 in 10, never" in text
    assert "All of them: shared." in text
    assert "20 feet" not in text
    assert "3.00" not in text
    assert text.count(CAUTION) == 2  # at the marks and at the end


def test_trends_are_told_with_how_sure_and_never_from_one_day():
    moving = HERON | {"lag_trend_s": -0.05, "lag_trend_sd_s": 0.01}
    text = said(sheet(runners=[moving]))
    assert "The start comes earlier by 0.05 s a week (sure of the direction: 99 in 100)." in text
    still = HERON | {"lag_trend_s": -0.05, "lag_trend_sd_s": 0.05}
    assert "2 days: no change stands out of its error yet." in said(sheet(runners=[still]))
    one_day = said(sheet(runners=[moving], takeovers=TAKEOVERS[:1]))
    assert "All on one day so far: no trend can be told." in one_day
    assert "a week" not in one_day
    assert "over the weeks" not in one_day


def test_what_to_practise_comes_from_the_causes_of_this_side():
    causes = [
        sheet_row("causes", incoming="otter", outgoing="heron", exchange=k, cause="start",
                  lost_s=lost)
        for k, lost in enumerate((0.3, -0.1, 0.2), 1)
    ]  # fmt: skip
    text = said(sheet(runners=[HERON], causes=causes))
    assert "practise the start against the mark" in text
    others = said(sheet("otter", runners=[OTTER], causes=causes))
    assert "practise the start" not in others


@pytest.mark.parametrize("name", ["runners", "marks", "causes"])
def test_a_table_that_is_missing_is_told_with_its_command(name):
    rest = {table: [] for table in RUNNER_TABLES if table != name}
    assert f"batontrace {name} OUT" in sheet(**rest).text


def test_somebody_of_whom_nothing_is_known_gets_a_whole_page():
    page = sheet("nobody", takeovers=[], **{table: [] for table in RUNNER_TABLES})
    assert "Nothing is known of this runner." in page.text
    assert page.tags.count("main") == 1


def test_the_shorter_relay_comes_first_and_a_change_by_sight_has_no_start():
    rows = [*TAKEOVERS, takeover("otter", "heron", 4, event="4x400")]
    both = [HERON, HERON | {"event": "4x400", "lag_s": None, "lag_sd_s": None}]
    text = said(sheet(takeovers=rows, runners=both, marks=[mark("otter", "heron", event="4x400")]))
    assert text.index("Goes 0.19 s before") < text.index("Goes by sight")
    assert "Go when the incoming runner is so far before the back line" in text


def test_hostile_names_stay_text():
    rows = [takeover(a, HOSTILE[0], remarks=[a], faults=[a]) for a in HOSTILE[1:]]
    marks = [mark(a, HOSTILE[0], remarks=[a]) for a in HOSTILE[1:]]
    page = sheet(HOSTILE[0], rows, marks=marks, runners=[HERON | {"runner": HOSTILE[0]}])
    assert page.tags.count("script") == 1
    assert "img" not in page.tags
