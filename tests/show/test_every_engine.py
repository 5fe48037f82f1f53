"""Pages in every browser engine: they open without a network, fit, and work by keyboard."""

import importlib.resources
import re
from pathlib import Path

import pytest
from lakes import newest, store_lake

from pipeline.advise import decisions
from pipeline.advise.decisions import Wishes
from pipeline.advise.settings import Settings
from pipeline.show import publish, squad_pages
from pipeline.show.card.card import CardSheet
from pipeline.tables import lake

WIDTHS = (320, 390, 820, 1280, 2560)  # px: narrow telephone, telephone, tablet, desk, wall
PAPER = "() => getComputedStyle(document.documentElement).backgroundColor"
LIGHT, DARK = "rgb(255, 255, 255)", "rgb(18, 18, 18)"

pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """A page of each kind, of one evening of a small squad."""
    out = tmp_path_factory.mktemp("engines") / "out"
    store_lake(out, evenings=1, reps=3)
    decisions.decide_marks(out, Settings())
    first = lake.read_lake(out, newest(out)).exchanges.to_pylist()[0]
    pair = (first["incoming"], first["outgoing"])
    session, of_pair = publish.write_page(out).path, publish.write_page(out, pair=pair).path
    tables = {name: lake.read_decision(out, name) for name in ("marks", "runners")}
    publish.write_card(out / "card.html", tables, [CardSheet("4x100", "2026-05-12")], {})
    decisions.decide_order(out, Settings(), Wishes({}))
    return {
        "session": session,
        "pair": of_pair,
        "card": out / "card.html",
        "order": squad_pages.write_order_page(out, "4x100").path,
        "runner": squad_pages.write_runner_page(out, pair[0]).path,
        "season": squad_pages.write_season_page(out).path,
    }


@pytest.fixture(params=("session", "pair"))
def shown_page(request, pages):
    return pages[request.param]


def altered(path: Path, folder: Path, pattern: re.Pattern, instead: str) -> Path:
    """A copy of the page that has something else in one place."""
    text, times = pattern.subn(lambda _: instead, path.read_text(encoding="utf-8"))
    assert times == 1
    copy = folder / path.name
    copy.write_text(text, encoding="utf-8")
    return copy


def without_policy(path: Path, folder: Path) -> Path:
    return altered(path, folder, re.compile("<meta http-equiv=.Content-Security-Policy[^>]*>"), "")


def without_script(path: Path, folder: Path) -> Path:
    return altered(path, folder, re.compile("<script>.*?</script>", re.DOTALL), "")


def what_sticks_out(window) -> list[str]:
    """Parts of the page that reach past its window, but for those in a part that scrolls."""
    return window.evaluate(
        """() => { const wide = window.innerWidth;
             const out = [...document.querySelectorAll('body *')].filter(one =>
               !one.closest('svg, .wide *, .grid *') && one.checkVisibility() &&
               one.getBoundingClientRect().right > wide + 1);
             if (document.documentElement.scrollWidth > wide) out.push(document.documentElement);
             return out.slice(0, 4).map(one => one.outerHTML.slice(0, 90)); }"""
    )


@pytest.mark.parametrize("kind", ["session", "pair", "order", "runner", "season"])
def test_it_opens_without_a_complaint_and_fits_everywhere(window, pages, kind):
    window.show(pages[kind], WIDTHS[0])
    assert window.evaluate("() => document.querySelectorAll('h1').length") == 1
    takeovers = window.evaluate("() => document.querySelectorAll('article.takeover').length")
    assert (takeovers > 0) == (kind in ("session", "pair"))
    for wide in WIDTHS:
        window.resize(wide)
        assert window.evaluate("() => window.innerWidth") == wide
        assert what_sticks_out(window) == []
    window.evaluate("() => window.scrollTo(0, document.documentElement.scrollHeight)")
    window.evaluate("() => new Promise(done => setTimeout(done, 100))")
    assert window.complaints == []


@pytest.mark.parametrize("wide", [390, 1280])
def test_type_of_twice_the_size_fits(window, shown_page, tmp_path, wide):
    window.show(without_policy(shown_page, tmp_path), wide)
    window.evaluate("() => { document.documentElement.style.fontSize = '32px'; }")
    assert what_sticks_out(window) == []


def test_the_paper_is_the_devices_or_the_one_chosen(window, shown_page):
    window.show(shown_page)
    assert window.evaluate(PAPER) == DARK
    for choice, paper in (("light", LIGHT), ("dark", DARK), ("auto", DARK)):
        window.evaluate(
            """choice => { const paper = document.querySelector('#paper'); paper.value = choice;
                 paper.dispatchEvent(new Event('change', {bubbles: true})); }""",
            choice,
        )
        assert window.evaluate(PAPER) == paper


def tab_to(window, selector: str) -> None:
    for _ in range(200):
        window.press("Tab")
        if window.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
    pytest.fail(f"the tab key does not reach {selector}")


def test_by_keyboard_a_slider_is_reached_and_says_values(window, shown_page):
    window.show(shown_page)
    tab_to(window, "input[type=range]:enabled")
    state = "() => { const s = document.activeElement; return [+s.value, s.ariaValueText]; }"
    before, _ = window.evaluate(state)
    for _ in range(3):
        window.press("ArrowRight")
    after, said = window.evaluate(state)
    assert after > before
    assert "m/s" in said
    assert window.complaints == []


def test_by_keyboard_the_figures_change_their_view(window, shown_page):
    window.show(shown_page)
    shown = "() => document.documentElement.dataset.view"
    tab_to(window, "input[name=view]")
    assert window.evaluate(shown) == "zone"
    window.press("ArrowRight")
    assert window.evaluate(shown) == "clock"
    assert window.complaints == []


def test_without_script_all_is_there_and_no_switch_is_dead(window, shown_page, tmp_path):
    window.show(without_script(shown_page, tmp_path))
    seen = """kind => [...document.querySelectorAll(kind)].filter(
                one => one.checkVisibility()).length"""
    assert window.evaluate(seen, "input, select, button") == 0
    whole = window.evaluate("() => document.querySelectorAll('article.takeover').length")
    assert window.evaluate(seen, "article.takeover") == whole > 0
    assert window.evaluate(seen, "article.takeover figure svg") >= whole
    assert window.complaints == []


def test_the_policy_keeps_out_what_gets_in_all_the_same(window, shown_page, tmp_path):
    bad = (
        '<script>window.hacked = 1</script><img src="http://example.invalid/x.png" '
        'onerror="window.hacked = 2"><p id="bad" style="color: red">x</p><footer>'
    )
    window.show(altered(shown_page, tmp_path, re.compile("<footer>"), bad))
    assert window.evaluate("() => window.hacked ?? null") is None
    red = "() => getComputedStyle(document.querySelector('#bad')).color === 'rgb(255, 0, 0)'"
    assert not window.evaluate(red)
    assert window.complaints != []


def violations_of(window) -> list[str]:
    """What axe-core finds in the page."""
    source = importlib.resources.files("axe_playwright_python").joinpath("axe.min.js").read_text()
    window.evaluate("source => { (0, eval)(source); }", source)
    return window.evaluate(
        """async () => (await axe.run({resultTypes: ['violations']})).violations.map(
             one => `${one.id}: ${one.help} (${one.nodes[0].html.slice(0, 120)})`)"""
    )


@pytest.mark.parametrize(
    ("kind", "wide", "paper"), [("session", 390, "dark"), ("pair", 1280, "light")]
)
def test_axe_core_finds_nothing(window, pages, tmp_path, kind, wide, paper):
    # axe-core builds its report as HTML, which the page's policy refuses
    window.show(without_policy(pages[kind], tmp_path), wide)
    window.evaluate("paper => { document.documentElement.dataset.paper = paper; }", paper)
    assert violations_of(window) == []


def test_a_card_is_read_without_cutting(window, pages, tmp_path):
    window.show(without_policy(pages["card"], tmp_path))
    for wide in WIDTHS:
        window.resize(wide)
        assert what_sticks_out(window) == []
        # four runners have room at once from a tablet on, and stand one below the other before
        assert window.evaluate(
            """() => { const grid = document.querySelector('.grid');
                 return grid.scrollWidth <= grid.clientWidth; }"""
        )
        seen = window.evaluate("() => document.querySelector('.who').checkVisibility()")
        assert seen is (wide < 704)
    window.resize(390)
    assert violations_of(window) == []
