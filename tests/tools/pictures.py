"""Pictures of the pages, by one command:

    python tests/tools/pictures.py                    the docs' pictures, from the sample tracks
    python tests/tools/pictures.py --all FOLDER       the sample's pages whole: telephone,
                                                      tablet, desk, light, dark, and printed
    python tests/tools/pictures.py --all FOLDER PAGE.html ...     of these pages instead

Needs Chromium (see browser.py). Beside the docs' pictures is shown.json with the words they show
and the look they have. By it test_pictures.py tells without a browser whether they are current.
"""

from __future__ import annotations

import hashlib
import importlib.resources
import itertools
import json
import re
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import browser as browsers
from browser import opened
from checkout import ROOT, SAMPLES
from html_page import Page

from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.session.process import make_session_tables
from pipeline.show import publish
from pipeline.show.figures import page_svg

PICTURES = ROOT / "docs" / "pictures"
SHOWN = PICTURES / "shown.json"
SESSIONS = ("larch-straight", "larch-bend", "larch-unwritten")
SESSION, EXCHANGE, PAIR = "larch-straight", 4, ("stoat", "otter")


def sample_lake(out: Path) -> Path:
    """The sample's sessions of the 4x100 measured, and marks worked out."""
    for name in SESSIONS:
        make_session_tables(SAMPLES / name / "session.toml", out)
    decisions.decide_marks(out, Settings())
    return out


def sample_pages(out: Path, to: Path) -> dict[str, Path]:
    return {
        "session": publish.write_page(out, session=SESSION, to=to / "session.html").path,
        "pair": publish.write_page(out, pair=PAIR, to=to / "pair.html").path,
    }


# --- the docs' pictures ---------------------------------------------------------------------------


def docs_pictures(browser, pages: dict[str, Path], out: Path, to: Path) -> None:
    to.mkdir(parents=True, exist_ok=True)
    article = f"article.takeover >> nth={EXCHANGE - 1}"
    with opened(browser, pages["session"], "phone") as (page, _):
        page.screenshot(path=to / "next-phone.png")
        page.locator("#list").evaluate("e => window.scrollTo(0, e.offsetTop)")
        page.screenshot(path=to / "list-phone.png")
    with opened(browser, pages["session"], "phone") as (page, _):
        open_all(page)
        lane = page.locator(article).locator(".lane")
        lane.scroll_into_view_if_needed()
        lane.get_by_text("entry", exact=True).click()
        page.locator(article).evaluate("e => window.scrollTo(0, e.offsetTop - 60)")
        page.screenshot(path=to / "lane-phone.png")
    with opened(browser, pages["session"], "phone", dark=True) as (page, _):
        page.get_by_role("radio", name="clock").check()
        open_all(page)
        point(page, f"{article} >> .view.clock svg")
        page.locator(f"{article} >> figure.overlay").evaluate(
            "e => window.scrollTo(0, e.getBoundingClientRect().top + window.scrollY - 120)"
        )
        page.screenshot(path=to / "takeover-phone-dark.png")
    with opened(browser, pages["session"], "desk") as (page, _):
        shot(page, article, to / "takeover.png")
    with opened(browser, pages["pair"], "desk") as (page, _):
        shot(page, "article.pair", to / "pair.png")
    publish.write_figure(out, session=SESSION, exchange=EXCHANGE, to=to / "slide.png")


def open_all(page) -> None:
    """Unfold everything, as somebody does who wants to see it."""
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")


def point(page, svg: str) -> None:
    """Tap the figure, a little before its middle."""
    page.locator(svg).scroll_into_view_if_needed()
    page.locator(svg).locator("xpath=ancestor::figure").locator("input.pointer").wait_for()
    box = page.locator(svg).bounding_box()
    page.touchscreen.tap(box["x"] + 0.45 * box["width"], box["y"] + 0.4 * box["height"])


def shot(page, part: str, to: Path) -> None:
    """A picture of one part of a page, without the switches that stay in sight."""
    page.evaluate("document.querySelector('.settings').remove()")
    lay_out_all(page)
    page.locator(part).screenshot(path=to)


def lay_out_all(page) -> None:
    """Lay out what is out of sight too, so that nothing moves while a picture is taken."""
    page.evaluate(
        "document.querySelectorAll('.takeover').forEach("
        "one => { one.style.contentVisibility = 'visible'; })"
    )
    page.evaluate("dispatchEvent(new Event('beforeprint'))")  # which draws what is out of sight
    page.wait_for_timeout(200)


def shown(pages: dict[str, Path]) -> dict[str, object]:
    """What the pictures show: the pages' words, and what decides their look."""
    read = {name: Page(path.read_text(encoding="utf-8")) for name, path in pages.items()}
    files = importlib.resources.files("pipeline.show.page")
    looks = sorted(one.name for one in files.iterdir() if one.name.endswith((".css", ".js")))
    parts = [files.joinpath(name).read_text(encoding="utf-8") for name in looks]
    parts += [
        page_svg.theme_variables("light"),
        page_svg.theme_variables("dark"),
        page_svg.ink_rules(),
    ]
    parts += [" ".join(dict.fromkeys(kinds(page))) for page in read.values()]
    return {
        "look": hashlib.sha256("\n".join(parts).encode()).hexdigest(),
        "words": {name: _words(page.text) for name, page in read.items()},
    }


def kinds(page: Page) -> list[str]:
    return [f"{tag}.{given.get('class', '')}" for tag, given in page.opened]


def _words(text: str) -> list[str]:
    """All words but the digest of the tables, which differs with processor and libraries."""
    return [word for word in text.split() if not re.fullmatch(r"[0-9a-f]{16};?", word)]


def current(now: dict, then: dict) -> list[str]:
    """What differs between two results of `shown`; figures may differ by their last digit, as
    they do from one processor to another."""
    found = [] if now["look"] == then["look"] else ["the look has changed"]
    for name, words in now["words"].items():
        before = then["words"].get(name, [])
        pairs = itertools.zip_longest(before, words, fillvalue="")
        found += [f"{name}: {a!r} is {b!r} now" for a, b in pairs if not alike(a, b)]
    return found


def alike(one: str, other: str) -> bool:
    """The same word, or one whose numbers differ by two of their last digits at most."""
    number = r"\d+(?:\.\d+)?"
    if re.sub(number, "#", one) != re.sub(number, "#", other):
        return False
    for a, b in zip(re.findall(number, one), re.findall(number, other), strict=True):
        digits = len(a.partition(".")[2])
        if abs(float(a) - float(b)) > 2.001 * 10**-digits:
            return False
    return True


# --- whole pages ----------------------------------------------------------------------------------


def whole(browser, path: Path, to: Path) -> None:
    """A page at every size, in light and dark, and as it prints on A4 and letter."""
    to.mkdir(parents=True, exist_ok=True)
    for size in browsers.SIZES:
        for dark in (False, True):
            with opened(browser, path, size, dark=dark) as (page, _):
                paper = "dark" if dark else "light"
                lay_out_all(page)
                page.screenshot(path=to / f"{path.stem}-{size}-{paper}.png", full_page=True)
    with opened(browser, path) as (page, _):
        for paper in ("A4", "Letter"):
            page.pdf(path=to / f"{path.stem}-{paper.lower()}.pdf", format=paper)
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 720, "height": 1018})  # A4 within its margins, at 96 dpi
        page.screenshot(path=to / f"{path.stem}-print.png", full_page=True)


def main(arguments: list[str]) -> int:
    with tempfile.TemporaryDirectory() as folder, browsers.started() as browser:
        if arguments[:1] == ["--all"] and len(arguments) > 2:
            pages = [Path(name) for name in arguments[2:]]
        else:
            out = sample_lake(Path(folder) / "out")
            named = sample_pages(out, Path(folder))
            pages = list(named.values())
        if arguments[:1] == ["--all"]:
            for path in pages:
                whole(browser, path, Path(arguments[1]))
            return 0
        docs_pictures(browser, named, out, PICTURES)
        SHOWN.write_text(json.dumps(shown(named), ensure_ascii=False, indent=0) + "\n", "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
