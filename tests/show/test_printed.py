"""On paper no heading is the last on its sheet, and neither are the words that belong to it."""

import pytest
from browser import feet_of_sheets, opened, plain_line
from lakes import newest, store_lake

from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.show import publish
from pipeline.show.page import frame
from pipeline.tables import lake

HEADS = "h1, h2, h3, h4, summary, caption, .which"
PAPERS = ("A4", "Letter")

pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """The pages of an evening, and of the pair that took over most often in two."""
    out = tmp_path_factory.mktemp("printed") / "out"
    store_lake(out, evenings=2, reps=7)
    decisions.decide_marks(out, Settings())
    rows = lake.read_lake(out).exchanges.to_pylist()
    pairs = [(row["incoming"], row["outgoing"]) for row in rows]
    return {
        "session": publish.write_page(out, session=newest(out)).path,
        "pair": publish.write_page(out, pair=max(pairs, key=pairs.count)).path,
    }


def heads_at_the_foot(page, paper, to) -> list[str]:
    """The headings, or their last lines, that are the lowest on a sheet."""
    heads = [plain_line(text) for text in page.locator(HEADS).all_inner_texts()]
    feet = feet_of_sheets(page, paper, to)
    return [foot for foot in feet if any(head.endswith(foot) for head in heads)]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["session", "pair"])
def test_no_heading_is_the_last_on_its_sheet(browser, pages, tmp_path, kind, paper):
    with opened(browser, pages[kind]) as (page, _):
        assert heads_at_the_foot(page, paper, tmp_path / "page.pdf") == []


@pytest.mark.parametrize("paper", PAPERS)
def test_a_heading_at_the_foot_is_found(browser, tmp_path, paper):
    page = tmp_path / "page.html"
    after = "".join(f'<p>line {k}</p>{"<br>" * k}<h2>Of {k} lines</h2><figure>x</figure>'
                    for k in range(25))  # fmt: skip
    tall = "<style>figure { height: 60mm; break-inside: avoid; } h2 { margin: 0; }</style>"
    page.write_text(f"<!DOCTYPE html><title>t</title>{tall}{after}", encoding="utf-8")
    with opened(browser, page) as (shown, _):
        assert heads_at_the_foot(shown, paper, tmp_path / "page.pdf") != []
        keep = frame.whole_page("t", "t.", [], about={}).split("<style>")[1].split("</style>")[0]
        shown.add_style_tag(content=keep)
        assert heads_at_the_foot(shown, paper, tmp_path / "kept.pdf") == []
