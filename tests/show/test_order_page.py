"""The page of a relay's orders from rows: the finding, the zones, the next ones, the reserves."""

from itertools import pairwise

from hostile_names import HOSTILE
from html_page import Page
from sheet_rows import mark, no_decisions, order

from pipeline.show.page.order_page import ORDER_TABLES, order_page

FOUR = ("heron", "stoat", "otter", "rowan")
FIRST = order(1, *FOUR, remarks=["nearly level with the second order"])
LEVEL = order(2, "heron", "otter", "stoat", "rowan", loss_s=44.42, p_legal=0.95,
              remarks=["heron to otter: never tried"])  # fmt: skip
FAR = order(3, "lark", "stoat", "otter", "rowan", loss_s=44.7, time_s=44.0)
MARKS = [
    mark("heron", "stoat", remarks=["may run into each other in more than 10% of them"]),
    mark("stoat", "otter", outgoing_start_m=1.5, reps_pair=2),
    mark("otter", "rowan", advised=False),
]


def shown(*orders, marks=MARKS, event="4x100", link=lambda *_: None) -> Page:
    tables = no_decisions(*ORDER_TABLES) | {"orders": list(orders) or None, "marks": marks}
    return Page(order_page(event, tables, link=link, about={}))


def said(page: Page) -> str:
    return " ".join(page.text.replace("\u00a0", " ").split())


def test_the_lead_says_what_was_found():
    assert (
        "heron, stoat, otter, rowan: 43.80 s expected, 9 in 10 races pass all three zones; nearly "
        "level with heron, otter, stoat, rowan." in said(shown(FAR, LEVEL, FIRST))
    )
    assert "; 0.30 s ahead of the next." in said(shown(FIRST, FAR))
    assert "pass all three zones." in said(shown(FIRST))


def test_the_zones_have_their_marks_in_feet_and_metres_and_where_to_stand():
    page = shown(FIRST, LEVEL)
    text = said(page)
    assert "Zone 1: heron to stoat Tape 25 feet (7.50 m) before the back line" in text
    assert "The receiver stands on the back line." in text
    assert "The receiver stands 1.5 m past the back line." in text
    assert "2 takeovers together: few." in text
    assert "may run into each other in more than 10% of them" in text
    assert "Zone 3: otter to rowan No mark is advised." in text
    assert "two times in three at 11 to 17 m" in text  # 14 ± hypot(1, 2.5)


def test_the_caution_stands_above_the_marks():
    text = said(shown(FIRST))
    assert text.index("warm up") < text.index("Zone 1")


def test_expected_loss_is_said_in_words_and_errors_on_demand():
    page = shown(FIRST, LEVEL)
    assert "Expected loss 44.40 s: 43.80 s expected, and 0.60 s for what failures" in said(page)
    assert "Two races in three take 43.35 to 44.25 s" in said(page)
    before, after = page.source.split("<details>", 1)
    assert "±" not in before[before.index("<main>") :]
    assert "43.80\u00a0±\u00a00.40" in after


def test_the_next_orders_tell_in_what_they_differ():
    rows = {row[0]: row for row in shown(FIRST, LEVEL, FAR).grid()}
    second = rows["2: heron, otter, stoat, rowan"]
    assert second[1:4] == ["+0.02", "43.80", "19 in 20"]
    assert second[4] == "heron to otter, otter to stoat, stoat to rowan"
    assert second[5] == "heron to otter"
    assert rows["3: lark, stoat, otter, rowan"][4] == "lark to stoat"


def test_ten_orders_are_listed_and_the_rest_are_counted():
    many = [FIRST, *(order(k, *FOUR[::-1], loss_s=44.4 + k / 10) for k in range(2, 15))]
    page = shown(*many)
    assert len([row for row in page.grid() if row and row[0][:1].isdigit()]) == 10
    assert "3 more orders of the table are not listed." in said(page)
    assert "not drawn" not in said(page)
    crowd = [FIRST, *(order(k, *FOUR[::-1], loss_s=44.4 + k / 10) for k in range(2, 41))]
    assert "16 more orders of the table are not drawn." in said(shown(*crowd))


def test_who_drops_out_is_replaced_from_the_table_or_it_says_that_it_holds_none():
    text = said(shown(FIRST, LEVEL, FAR))
    assert "Without heron: lark, stoat, otter, rowan; 44.00 s expected" in text
    assert "0.30 s more expected loss; marks kept: stoat to otter, otter to rowan." in text
    assert "Without otter: the table holds no order." in text
    assert "all orders of the table have the same four runners" in said(shown(FIRST, LEVEL))


def test_without_orders_the_page_says_how_to_get_them():
    text = said(shown(marks=None))
    assert "batontrace order OUT --event 4x100" in text
    assert "--flat" not in text
    assert "--flat RUNNER=SECONDS" in said(shown(event="4x400"))


def test_without_marks_the_order_stands_and_the_page_says_so():
    text = said(shown(FIRST, marks=None))
    assert "No mark is advised." in text
    assert "batontrace marks OUT" in text


def test_orders_from_before_losses_were_weighed_are_shown_without():
    old = [one | {"loss_s": None} for one in (FIRST, LEVEL, FAR)]
    page = shown(*old)
    assert "9 in 10 races pass all three zones." in said(page)
    assert "Expected loss 4" not in said(page)
    assert {row[0]: row for row in page.grid()}["2: heron, otter, stoat, rowan"][1] == "–"
    assert "Without heron: lark, stoat, otter, rowan; 44.00 s expected; marks" in said(page)


def test_a_change_by_sight_has_no_tape():
    rows = [order(1, *FOUR, event="4x400")]
    text = said(shown(*rows, marks=[one | {"event": "4x400"} for one in MARKS], event="4x400"))
    assert "Go at 25 feet (7.50 m) before the back line" in text
    assert "Tape" not in text


def test_a_pair_leads_to_its_page():
    page = shown(FIRST, link=lambda a, b, _: f"{a}-{b}.html" if b == "otter" else None)
    assert [given["href"] for tag, given in page.opened if tag == "a"] == ["stoat-otter.html"]


def test_hostile_names_stay_text():
    names = HOSTILE[:4]
    marks = [mark(a, b, remarks=list(HOSTILE)) for a, b in pairwise(names)]
    page = shown(order(1, *names), order(2, *HOSTILE[4:8], loss_s=45.0), marks=marks)
    assert page.tags.count("script") == 1
    assert "img" not in page.tags
