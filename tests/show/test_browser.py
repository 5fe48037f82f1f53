"""The browser's helpers notice what they are there to notice."""

import pytest
from browser import opened, printed, violations
from engines import opened_window

CLEAN = '<!DOCTYPE html><html lang="en"><title>t</title><main><h1>Takeovers</h1>{}</main></html>'


@pytest.fixture
def page_with(tmp_path):
    def write(body):
        path = tmp_path / "page.html"
        path.write_text(CLEAN.format(body), encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        ("<script>console.log('x')</script>", "console"),
        ("<script>nothing.here()</script>", "errors"),
        ('<img alt="x" src="http://example.invalid/x.png">', "requests"),
        ('<img alt="x" src="other.png">', "requests"),
        ("<script>alert(1)</script>", "dialogs"),
    ],
)
def test_what_a_page_does_is_noticed(browser, page_with, body, kind):
    with opened(browser, page_with(body)) as (page, noticed):
        page.wait_for_timeout(100)
    assert getattr(noticed, kind)
    assert noticed.all


def test_a_page_that_does_nothing_is_not_blamed(browser, page_with):
    with opened(browser, page_with("<p>Nothing.</p>")) as (page, noticed):
        assert violations(page) == []
    assert noticed.all == []


@pytest.mark.parametrize(
    "body", ['<img src="data:,">', '<p style="color: #ccc">pale</p>', "<h4>too deep</h4>"]
)
def test_axe_finds_what_is_planted(browser, page_with, body):
    with opened(browser, page_with(body)) as (page, _):
        assert violations(page)


def test_what_is_printed_can_be_read(browser, page_with, tmp_path):
    rows = "".join(f"<p>row {k}</p>" for k in range(200))
    with opened(browser, page_with(rows)) as (page, _):
        text = printed(page, "A4", tmp_path / "page.pdf")
    assert all(f"row {k}" in text for k in range(200))


@pytest.mark.parametrize("engine", ["Chromium", "Firefox", "WebKit"])
@pytest.mark.parametrize(
    ("needed", "outcome"), [("", pytest.skip.Exception), ("needed", pytest.fail.Exception)]
)
def test_without_a_browser_tests_are_skipped_or_fail_where_it_is_needed(
    monkeypatch, playwright, engine, needed, outcome
):
    monkeypatch.setenv("PATH", "/nowhere")
    for name in ("BATONTRACE_CHROMIUM", "BATONTRACE_FIREFOX"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("BATONTRACE_BROWSER", needed)
    opened_one = opened_window(engine.lower(), playwright)
    with pytest.raises(outcome, match=f"install {engine}"), opened_one:
        pass
