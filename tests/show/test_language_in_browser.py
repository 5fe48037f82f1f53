"""Pages in German and French in a real browser: what the script says, and that long words fit."""

import pytest
from browser import opened, violations
from lakes import store_lake

from pipeline.language.choice import using
from pipeline.show import publish

# The button that runs a takeover, step by step where motion is unwanted; the gap in the lane; what
# stands where a reading will.
SAID = {
    "de": ("Ein Zehntel weiter", "Abstand", "Auf das Bild zeigen"),
    "fr": ("Avancer d’un dixième", "écart", "Pointer le graphique"),
}


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    folder = tmp_path_factory.mktemp("spoken") / "out"
    store_lake(folder, evenings=1, reps=3)
    return folder


@pytest.mark.parametrize("language", sorted(SAID))
def test_the_script_speaks_the_pages_language_and_all_of_it_fits(out, browser, language, tmp_path):
    run, gap, before = SAID[language]
    with using(language):
        file = publish.write_page(out, to=tmp_path / "page.html").path
    with opened(browser, file, "phone") as (page, noticed):
        page.locator("details.whole").first.evaluate("one => one.open = true")
        lane = page.locator(".lane").first
        lane.scroll_into_view_if_needed()
        assert lane.locator(".run").text_content() == run
        slider = lane.locator(".scrubber")
        slider.press("ArrowRight")
        readout = lane.locator(".readout").text_content()
        assert f"{gap} " in readout
        assert "," in readout
        assert "." not in readout
        assert slider.get_attribute("aria-valuetext") == readout
        assert page.locator("figure.overlay .readout").first.text_content().startswith(before)
        width = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
        assert width[0] <= width[1]
        assert violations(page) == []
        assert noticed.all == []
