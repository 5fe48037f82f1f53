"""Pages in a real browser: the system's Chromium, driven by Playwright; axe-core looks at them.
Other browsers, for what must hold in all of them, are in engines.py.

Nothing is downloaded: Chromium comes from the system's packages. Without it the tests that need it
are skipped and say so. Where BATONTRACE_BROWSER is "needed", as in CI, they fail instead.
"""

import os
import shutil
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

SIZES = {  # width, height, device pixels to one of CSS, touch
    "phone": (390, 844, 2.0, True),
    "tablet": (820, 1180, 1.5, True),
    "desk": (1280, 900, 1.0, False),
}
_SAME_LINE_PT = 3.0
PATIENCE_MS = 180_000  # no test is about how long a busy machine takes
_NAMES = ("chromium", "chromium-browser", "google-chrome")
_FLAGS = (
    "--no-sandbox",  # CI runs as root, and all pages are our own
    "--disable-gpu",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
_HOW = "install Chromium (Debian: apt-get install chromium) or name it in BATONTRACE_CHROMIUM"


def chromium() -> str:
    """The browser's file; skips the test, or fails it where a browser is needed."""
    return program(os.environ.get("BATONTRACE_CHROMIUM"), _NAMES, _HOW)


def program(named: str | None, names: Sequence[str], how: str) -> str:
    """The file of a program that a test needs: the one named, else the first found by one of the
    names. Where there is none the test is skipped, or fails where a browser is needed."""
    found = named or next(filter(None, map(shutil.which, names)), None)
    if found is None:
        refuse = pytest.fail if os.environ.get("BATONTRACE_BROWSER") == "needed" else pytest.skip
        refuse(f"no browser: {how}")
    return found


class Browser:
    """A running Chromium with one profile for each kind of device.

    A new profile, and a process of its own for the page in it, takes it three times as long as a
    page. So pages of one kind share a profile, in which an empty page keeps the process alive.
    They share nothing else: a page closes with its test, and our pages store nothing. The practice
    sheet alone does, under its session's name.
    """

    def __init__(self, chromium) -> None:
        self._chromium = chromium
        self._profiles: dict[tuple, object] = {}

    @contextmanager
    def page(self, *, device: dict, color_scheme: str) -> Iterator[object]:
        kind = tuple(sorted(device.items(), key=str))
        if kind not in self._profiles:
            options = {name: dict(value) if name == "viewport" else value for name, value in kind}
            self._profiles[kind] = self._chromium.new_context(offline=True, **options)
            self._profiles[kind].new_page()
        page = self._profiles[kind].new_page()
        try:
            page.emulate_media(color_scheme=color_scheme, reduced_motion="reduce")
            page.set_default_timeout(PATIENCE_MS)
            yield page
        finally:
            page.close()


@contextmanager
def started() -> Iterator[Browser]:
    """A browser with a Playwright of its own, for whoever is no test."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright, launched(playwright) as browser:
        yield browser


@contextmanager
def launched(playwright) -> Iterator[Browser]:
    """A browser, to be shared by all tests of a process, as they share Playwright."""
    browser = playwright.chromium.launch(executable_path=chromium(), args=list(_FLAGS))
    yield Browser(browser)
    browser.close()


@dataclass
class Noticed:
    """What a page did besides showing itself."""

    console: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)

    @property
    def all(self) -> list[str]:
        return [*self.console, *self.errors, *self.requests, *self.dialogs]

    def forget(self) -> None:
        for noted in (self.console, self.errors, self.requests, self.dialogs):
            noted.clear()


@contextmanager
def opened(
    browser: Browser,
    path: Path,
    size: str = "desk",
    *,
    dark: bool = False,
    script: bool = True,
    bypass_csp: bool = False,
) -> Iterator[tuple[object, Noticed]]:
    """A page opened from a file without network, and what it did besides loading that file."""
    wide, high, pixels, touch = SIZES[size]
    device = {
        "viewport": (("width", wide), ("height", high)),
        "device_scale_factor": pixels,
        "has_touch": touch,
        "java_script_enabled": script,
        "bypass_csp": bypass_csp,
    }
    own = path.resolve().as_uri()
    with browser.page(device=device, color_scheme="dark" if dark else "light") as page:
        noticed = Noticed()
        watch(page, own, noticed)
        page.goto(own)
        yield page, noticed


def watch(page, own: str, noticed: Noticed) -> None:
    """Writes into `noticed` what a page of Playwright does besides loading the file `own`."""
    page.on("console", lambda message: noticed.console.append(message.text))
    page.on("pageerror", lambda error: noticed.errors.append(str(error)))
    page.on("dialog", lambda dialog: (noticed.dialogs.append(dialog.message), dialog.dismiss()))
    page.on(
        "request",
        lambda request: (
            None if request.url.split("#")[0] == own else noticed.requests.append(request.url)
        ),
    )


def violations(page, *selectors: str) -> list[str]:
    """What axe-core finds against WCAG 2.2 AA and good practice, in the page or parts of it."""
    from axe_playwright_python.sync_playwright import Axe

    options = {"resultTypes": ["violations"]}
    context = {"include": [[selector] for selector in selectors]} if selectors else None
    found = Axe().run(page, context=context, options=options).response["violations"]
    return [
        f"{one['id']}: {one['help']} ({node['html'][:120]})"
        for one in found
        for node in one["nodes"][:3]
    ]


def printed(page, paper: str, to: Path) -> str:
    """The text of the page as it prints, with single spaces; the PDF stays in `to`."""
    from pypdf import PdfReader

    page.pdf(path=str(to), format=paper)
    text = " ".join(sheet.extract_text() for sheet in PdfReader(to).pages)
    return " ".join(text.split())


def feet_of_sheets(page, paper: str, to: Path) -> list[str]:
    """The lowest line of text on each sheet of the page as it prints."""
    from pypdf import PdfReader

    page.pdf(path=str(to), format=paper)
    return [_lowest_line(sheet) for sheet in PdfReader(to).pages]


def _lowest_line(sheet) -> str:
    found: list[tuple[float, float, str]] = []  # y from the foot, x, text

    def note(text, now, line, *_):
        if text.strip():
            found.append(
                (
                    line[4] * now[1] + line[5] * now[3] + now[5],
                    line[4] * now[0] + line[5] * now[2] + now[4],
                    text,
                )
            )

    sheet.extract_text(visitor_text=note)
    lowest = min((y for y, _, _ in found), default=0.0)
    line = sorted((x, text) for y, x, text in found if y - lowest < _SAME_LINE_PT)
    return plain_line(" ".join(text for _, text in line))


def plain_line(text: str) -> str:
    """Text as a page and its PDF agree on it: without ligatures, with single spaces."""
    return " ".join(unicodedata.normalize("NFKC", text).split())
