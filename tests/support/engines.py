"""One window in each browser engine: Chromium, Firefox, and WebKit, all from Debian's packages.

What must hold in every engine is asked in JavaScript and with keys, which all of them understand,
so a `Window` can little more. The device behind it asks for dark colours in every engine.

Playwright drives Chromium and, by way of firefox_relay.py, Firefox. WebKit is the system's
WebKitGTK with a driver of its own that speaks WebDriver, so Selenium drives it. It needs a screen:
Xvfb makes one that nobody sees. Its windows are never narrower than their tool bar, so it shows
the page in a frame, which may be.
"""

from __future__ import annotations

import glob
import os
import shlex
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from browser import PATIENCE_MS, Noticed, launched, program, watch

HIGH = 900  # px
_SCREEN = (2700, 1100)
_FIREFOX_PREFERENCES = {
    "layout.css.prefers-color-scheme.content-override": 0,  # dark
    "ui.prefersReducedMotion": 1,
}


class Window(Protocol):
    """A window that shows one page after the other."""

    complaints: list[str]  # what the page did besides showing itself: console, errors, requests

    def show(self, path: Path, wide: int = 1280) -> None:
        """Opens a page from its file, so many px of CSS wide."""

    def resize(self, wide: int) -> None: ...

    def evaluate(self, function: str, given: object = None) -> object:
        """What a JavaScript function of at most one argument gives; a promise is awaited."""

    def press(self, key: str) -> None:
        """A key by the name that pages know it by: Tab, ArrowRight."""


@contextmanager
def opened_window(engine: str, playwright) -> Iterator[Window]:
    """A window in the engine; without it the test is skipped, or fails where it is needed."""
    openers = {"chromium": _chromium_window, "firefox": _firefox_window, "webkit": _webkit_window}
    with openers[engine](playwright) as window:
        yield window


def _starter(file: Path, command: str) -> str:
    """A file that runs the command with whatever arguments it is given."""
    file.write_text(f"#!/bin/sh\nexec {command}\n")
    file.chmod(0o755)
    return str(file)


# --- driven by Playwright -------------------------------------------------------------------------


class _PlaywrightWindow:
    def __init__(self, page) -> None:
        self._page, self._noticed, self._own = page, Noticed(), ""
        watch(page, "", self._noticed)

    def show(self, path: Path, wide: int = 1280) -> None:
        self.resize(wide)
        self._own = path.resolve().as_uri()
        self._noticed.forget()
        self._page.goto(self._own)

    @property
    def complaints(self) -> list[str]:
        return [text for text in self._noticed.all if text.split("#")[0] != self._own]

    def resize(self, wide: int) -> None:
        self._page.set_viewport_size({"width": wide, "height": HIGH})

    def evaluate(self, function: str, given: object = None) -> object:
        return self._page.evaluate(function, given)

    def press(self, key: str) -> None:
        self._page.keyboard.press(key)


@contextmanager
def _chromium_window(playwright) -> Iterator[Window]:
    with launched(playwright) as browser, browser.page(device={}, color_scheme="dark") as page:
        yield _PlaywrightWindow(page)


@contextmanager
def _firefox_window(playwright) -> Iterator[Window]:
    how = "install Firefox (Debian: apt-get install firefox-esr) or name it in BATONTRACE_FIREFOX"
    firefox = program(os.environ.get("BATONTRACE_FIREFOX"), ("firefox-esr", "firefox"), how)
    relay = Path(__file__).with_name("firefox_relay.py")
    command = shlex.join([sys.executable, str(relay), firefox])
    with tempfile.TemporaryDirectory() as folder:
        start = _starter(Path(folder) / "firefox", f'{command} "$@"')
        browser = playwright.firefox.launch(
            channel="moz-firefox", executable_path=start, firefox_user_prefs=_FIREFOX_PREFERENCES
        )
        page = browser.new_context(offline=True).new_page()
        page.set_default_timeout(PATIENCE_MS)
        yield _PlaywrightWindow(page)
        browser.close()


# --- driven by Selenium ---------------------------------------------------------------------------


class _WebKitWindow:
    """A driven browser keeps its console to itself, so complaints are those of another that opens
    the page once more."""

    def __init__(self, driver, frame: Path, open_once: Callable[[Path], str]) -> None:
        self._driver, self._frame, self._open_once = driver, frame, open_once
        self._page = frame

    def show(self, path: Path, wide: int = 1280) -> None:
        self._page = path
        self._frame.write_text(
            f'<!DOCTYPE html><title>frame</title><body style="margin: 0"><iframe width="{wide}" '
            f'height="{HIGH}" frameborder="0" src="{path.resolve().as_uri()}"></iframe>'
        )
        self._driver.switch_to.default_content()
        self._driver.get(self._frame.as_uri())
        self._driver.switch_to.frame(0)
        self.evaluate("() => window.focus()")

    @property
    def complaints(self) -> list[str]:
        lines = self._open_once(self._page).splitlines()
        return [line for line in lines if "CONSOLE " in line]

    def resize(self, wide: int) -> None:
        self._driver.switch_to.default_content()
        self.evaluate("wide => { document.querySelector('iframe').width = wide; }", wide)
        self._driver.switch_to.frame(0)

    def evaluate(self, function: str, given: object = None) -> object:
        return self._driver.execute_script(f"return ({function})(arguments[0])", given)

    def press(self, key: str) -> None:
        from selenium.webdriver.common.action_chains import ActionChains
        from selenium.webdriver.common.keys import Keys

        named = {"Tab": Keys.TAB, "ArrowLeft": Keys.ARROW_LEFT, "ArrowRight": Keys.ARROW_RIGHT}
        ActionChains(self._driver, duration=0).send_keys(named[key]).perform()


@contextmanager
def _webkit_window(_) -> Iterator[Window]:
    from selenium import webdriver

    how = "install WebKit (Debian: apt-get install webkit2gtk-driver xvfb)"
    place = program(None, ("WebKitWebDriver",), how)
    screen = program(None, ("Xvfb",), how)
    found = sorted(glob.glob("/usr/lib/*/webkit2gtk-4.*/MiniBrowser"))
    browser = program(found[-1] if found else None, (), how)
    # some of its processes end, and write, a little later than it
    passing = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
    with passing as folder, _unseen_screen(screen) as display:
        device = os.environ | {"DISPLAY": display, "GTK_THEME": "Adwaita:dark"}
        device |= dict.fromkeys(("XDG_CACHE_HOME", "XDG_DATA_HOME"), folder)

        def open_once(page: Path) -> str:
            words = ["--exit-after-load", "--enable-write-console-messages-to-stdout=true"]
            command = [browser, *words, page.resolve().as_uri()]
            ran = subprocess.run(command, env=device, capture_output=True, text=True, check=True)
            return ran.stdout + ran.stderr

        options = webdriver.WebKitGTKOptions()
        options.binary_location = browser
        options.add_argument("--automation")
        service = webdriver.WebKitGTKService(place, env=device)
        with warnings.catch_warnings():  # this one is about Selenium's own code
            warnings.filterwarnings("ignore", "setting remote_server_addr", DeprecationWarning)
            driver = webdriver.WebKitGTK(options, service)
        try:
            driver.set_window_rect(0, 0, *_SCREEN)
            yield _WebKitWindow(driver, Path(folder) / "frame.html", open_once)
        finally:
            driver.quit()


@contextmanager
def _unseen_screen(program_file: str) -> Iterator[str]:
    """The name of a screen that is made for this and ends with it."""
    wide, high = _SCREEN
    got, told = os.pipe()
    command = [program_file, "-displayfd", str(told), "-screen", "0", f"{wide}x{high}x24"]
    server = subprocess.Popen(
        [*command, "-nolisten", "tcp"], pass_fds=[told], stderr=subprocess.DEVNULL
    )
    os.close(told)
    try:
        with os.fdopen(got) as answer:
            yield f":{answer.readline().strip()}"
    finally:
        server.terminate()
        server.wait()
