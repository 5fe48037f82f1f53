"""The pages of orders, races, runners and the season in a real browser: they fit, are clean for
axe-core, and print whole."""

from itertools import pairwise

import pytest
from browser import opened, printed, violations
from hostile_names import HOSTILE
from pypdf import PdfReader
from sheet_rows import mark, order, sheet_row, takeover

from pipeline.show.file_names import PageLinks, session_file_name
from pipeline.show.page.order_page import order_page
from pipeline.show.page.race_page import race_page
from pipeline.show.page.runner_page import runner_page
from pipeline.show.page.season_page import season_page

NAMES = ("otter", "heron", "rowan", "stoat", "wren")
WIDTHS = (320, 390, 820, 1280, 2560)
PAGES = ("season", "order", "race", "runner")


def page_text(kind: str, names=NAMES, session="evening") -> str:
    """A page with something in each of its parts."""
    pairs = [(a, b) for a in names for b in names if a != b]
    takeovers = [
        takeover(a, b, number, days=7 * (number % 3), session=session, race="heat",
                 zone=1 + number % 3, faults=["late start"], time_zone="Europe/Zurich")
        for number, (a, b) in enumerate(pairwise(names), 1)
    ]  # fmt: skip
    tables = {
        "marks": [
            mark(a, b, 0.2 + k / 50, reps_pair=k % 8, remarks=["may run into each other"])
            for k, (a, b) in enumerate(pairs)
        ],
        "progress": [
            sheet_row("progress", incoming=a, outgoing=b, mark_m=9.0, reps_since_move=3,
                      zone_time_trend_s=-0.05, zone_time_trend_sd_s=0.01)
            for a, b in pairs[:3]
        ],
        "runners": [
            sheet_row("runners", runner=one, lag_trend_s=0.05, lag_trend_sd_s=0.01)
            for one in names
        ],
        "verdicts": [
            sheet_row("verdicts", session=session, exchange=k, verdict="Left 0.2 s late.",
                      lost_s=0.2 if k % 2 else None, lost_sd_s=0.05 if k % 2 else None)
            for k in range(1, 5)
        ],
        "causes": [
            sheet_row("causes", session=session, incoming=names[0], outgoing=names[1],
                      exchange=k, cause="start", lost_s=k / 10)
            for k in range(1, 4)
        ],
        "orders": [
            order(k + 1, *names[k : k + 4], loss_s=44.4 + k / 10, time_s=43.8 + k / 20)
            for k in range(len(names) - 3)
        ],
        "validation": [sheet_row("validation", conclusion="all gates agree to 0.014 s")],
        "race_parts": [
            sheet_row("race_parts", session=session, part=k, kind=("run", "zone")[k % 2],
                      leg=1, runner=names[0], outgoing=names[1], time_s=9.0, time_sd_s=0.03,
                      expected_s=9.1, expected_sd_s=0.1, difference_s=0.1 * (k - 2),
                      difference_sd_s=0.06, spread_s=0.08)
            for k in range(1, 5)
        ],
    }  # fmt: skip
    legs = [
        sheet_row("legs", session=session, leg=k, runner=one)
        for k, one in enumerate((None, *names[:4]))
    ]
    links = PageLinks(frozenset({f"session-{session_file_name(session)}.html", "season.html"}))
    given = {"about": {"Made by": "a test"}, "remarks": ("one session was left out",)}
    match kind:
        case "season":
            return season_page(
                takeovers, [session], tables, races=[], links=links,
                link=lambda a, b, _: "pair.html" if a < b else None, **given,
            )  # fmt: skip
        case "order":
            see = {"see_also": links.to_season()}
            return order_page("4x100", tables, link=lambda *_: "pair.html", **given, **see)
        case "race":
            see = {"see_also": links.from_session(session, ())}
            return race_page(legs, takeovers, tables, link=lambda *_: None, **given, **see)
        case _:
            return runner_page(names[1], takeovers, tables, **given)


def stored(folder, kind: str, **how):
    path = folder / f"{kind}.html"
    path.write_text(page_text(kind, **how), encoding="utf-8")
    return path


@pytest.mark.parametrize("kind", PAGES)
def test_it_fits_from_the_smallest_telephone_to_the_largest_screen(browser, tmp_path, kind):
    with opened(browser, stored(tmp_path, kind), "phone") as (page, noticed):
        page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true; })")
        for wide in WIDTHS:
            page.set_viewport_size({"width": wide, "height": 800})
            assert page.evaluate("document.documentElement.scrollWidth") <= wide, wide
        page.set_viewport_size({"width": 390, "height": 800})
        page.evaluate("document.documentElement.style.fontSize = '32px'")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert noticed.all == []


@pytest.mark.parametrize("kind", PAGES)
def test_no_name_is_broken_into_letters(browser, tmp_path, kind):
    """No cell of a table and no heading stands one letter a line."""
    with opened(browser, stored(tmp_path, kind), "phone") as (page, _):
        page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true; })")
        squeezed = page.evaluate(
            """() => [...document.querySelectorAll('th, td, h1, h2, h3, li')].filter(one => {
                 const line = parseFloat(getComputedStyle(one).lineHeight);
                 return one.offsetParent && one.innerText.trim().length > 3
                   && one.clientWidth < 2.2 * line && one.clientHeight > 2.5 * line;
               }).map(one => one.innerText)"""
        )
        assert squeezed == []


@pytest.mark.parametrize(
    ("kind", "size", "dark"),
    [*((kind, "phone", False) for kind in PAGES), ("season", "desk", True), ("race", "desk", True)],
)
def test_axe_finds_nothing_in_it(browser, tmp_path, kind, size, dark):
    with opened(browser, stored(tmp_path, kind), size, dark=dark, bypass_csp=True) as (page, _):
        page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true; })")
        assert violations(page) == []


@pytest.mark.parametrize("kind", PAGES)
def test_names_that_would_do_harm_do_none_and_fit(browser, tmp_path, kind):
    path = stored(tmp_path, kind, names=HOSTILE[:4] + HOSTILE[7:8], session=HOSTILE[0])
    with opened(browser, path, "phone") as (page, noticed):
        page.set_viewport_size({"width": 320, "height": 600})
        assert page.evaluate("document.documentElement.scrollWidth") <= 320
        assert page.locator("img, svg script").count() == 0
    assert noticed.all == []


@pytest.mark.parametrize(
    ("kind", "paper"), [*((kind, "A4") for kind in PAGES), ("runner", "Letter")]
)
def test_it_prints_with_what_is_shown_on_demand(browser, tmp_path, kind, paper):
    with opened(browser, stored(tmp_path, kind)) as (page, _):
        told = printed(page, paper, tmp_path / "page.pdf")
        assert "± is one standard error" in told
        assert "all gates agree" in told or kind != "season"
        assert "Paper" not in told
    sheets = len(PdfReader(tmp_path / "page.pdf").pages)
    assert sheets == 1 or kind != "runner"


@pytest.mark.parametrize("kind", PAGES)
def test_it_is_whole_without_its_script(browser, tmp_path, kind):
    with opened(browser, stored(tmp_path, kind), script=False) as (page, noticed):
        assert page.locator(".scripted:visible").count() == 0
        for summary in page.locator("summary").all():
            summary.click()
        assert page.get_by_text("one standard error").first.is_visible()
    assert noticed.all == []


def test_the_matrix_scrolls_by_keyboard_where_it_is_too_wide(browser, tmp_path):
    # what waits for the page is evaluated there, which the page's policy refuses
    with opened(browser, stored(tmp_path, "season"), "phone", bypass_csp=True) as (page, _):
        region = page.get_by_role("region", name="Pairs of the 4x100: what a takeover costs").first
        region.focus()
        page.keyboard.press("ArrowRight")
        page.wait_for_function("document.activeElement.scrollLeft > 0")
        head = region.locator("tbody th").first
        assert head.bounding_box()["x"] >= 0  # the row's name stays in sight
