"""The squad's matrix of pairs: costs, evidence, trust, links, and how sure it is."""

from itertools import pairwise

from hostile_names import HOSTILE
from html_page import Page
from sheet_rows import mark, sheet_row

from pipeline.show.markup import element, html_document
from pipeline.show.page.matrix_part import cost_meaning, pair_matrix, untried_pairs


def nowhere(*_):
    return None


def shown(rows, progress=(), event="4x100", link=nowhere) -> Page:
    found = pair_matrix(rows, progress, event, link)
    return Page(html_document("x", "", element("body", {}, found)))


SQUAD = [
    mark("otter", "heron", 0.20, reps_pair=8),
    mark("heron", "otter", 0.40, reps_pair=2),
    mark("otter", "rowan", 0.31, reps_pair=0),
    mark("rowan", "otter", 0.80, reps_pair=6),
]


def cell(page, incoming, outgoing):
    grid = page.grid()
    across = grid[0].index(outgoing)
    return next(row for row in grid if row and row[0] == incoming)[across]


def test_incoming_runners_are_rows_and_outgoing_ones_columns():
    page = shown(SQUAD)
    assert page.grid()[0][1:] == ["heron", "otter", "rowan"]
    assert cell(page, "otter", "heron").startswith("0.20 s")
    assert cell(page, "heron", "otter").startswith("0.40 s")
    assert cell(page, "heron", "heron") == "·"
    assert cell(page, "heron", "rowan") == "no mark"


def test_a_cell_tells_the_evidence_in_words_and_by_a_sign():
    page = shown(SQUAD)
    assert cell(page, "otter", "heron").endswith("● 8 reps")
    assert cell(page, "heron", "otter").endswith("◐ 2 reps")
    assert cell(page, "otter", "rowan").endswith("○ untried")


def test_the_cheapest_pairs_are_numbered_and_what_cannot_be_told_from_them_is_counted():
    page = shown(SQUAD)
    assert "1st" in cell(page, "otter", "heron")
    assert not any("2nd" in text for row in page.grid() for text in row)  # one pair in three
    assert "otter to heron costs least, 0.20 s. 1 pair never tried." in " ".join(page.text.split())
    near = [*SQUAD, mark("rowan", "heron", 0.25)]
    assert "1 of the other 4 cannot be told from it yet" in " ".join(shown(near).text.split())


def test_the_bar_is_the_cost_on_one_scale():
    page = shown([*SQUAD, mark("rowan", "heron", -0.05)])
    bars = [float(a["width"]) for tag, a in page.opened if a.get("class") == "fill"]
    assert sorted(bars) == [0.0, 25.0, 38.7, 50.0, 100.0]


def test_how_sure_is_there_on_demand():
    used = [sheet_row("progress", incoming="otter", outgoing="heron", mark_m=8.0)]
    page = shown(SQUAD, used)
    assert "details" in page.tags
    rows = {row[0]: row for row in page.grid()}
    sure = rows["otter to heron"]
    assert sure[1].replace("\u00a0", " ") == "0.20 ± 0.05"
    assert "(8.00" in sure[4]
    assert "±" not in "".join(text for row in page.grid()[:4] for text in row)


def test_the_cost_is_explained_in_one_sentence():
    assert cost_meaning() in shown(SQUAD).text
    assert cost_meaning().count(". ") == 0


def test_a_click_leads_to_the_pair_where_there_is_a_page():
    page = shown(SQUAD, link=lambda a, b, _: f"{a}-{b}.html" if a == "otter" else None)
    links = [a["href"] for tag, a in page.opened if tag == "a"]
    assert links == ["otter-heron.html", "otter-rowan.html"]


def test_marks_from_before_costs_were_say_so():
    old = [one | {"loss_s": None, "loss_sd_s": None} for one in SQUAD]
    page = shown(old)
    assert "batontrace marks OUT" in page.text
    assert cell(page, "otter", "heron").startswith("no cost")
    mixed = shown([*SQUAD[1:], old[0]])
    assert "heron to otter costs least" not in mixed.text
    assert "otter to rowan costs least" in " ".join(mixed.text.split())


def test_only_the_event_asked_for_and_only_marks_advised_count():
    other = mark("lark", "wren", event="4x400")
    page = shown([*SQUAD, other, mark("otter", "heron", 9.0, advised=False)])
    assert "lark" not in page.text
    assert "9.00" not in page.text
    assert pair_matrix([other], [], "4x100", nowhere) is None
    assert pair_matrix([], [], "4x100", nowhere) is None


def test_names_stay_text():
    rows = [mark(a, b) for a, b in pairwise(HOSTILE)]
    page = shown(rows, link=lambda *_: "pair.html")
    assert {"script", "img", "style"}.isdisjoint(page.tags[page.tags.index("body") :])


def test_pairs_never_tried_are_listed():
    assert len(untried_pairs(SQUAD, "4x100")) == 1
    assert untried_pairs(SQUAD, "4x400") == []
