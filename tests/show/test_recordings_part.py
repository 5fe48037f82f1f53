"""What each file gave: a table where there is room, and a line or two a file where not."""

import unicodedata

import pytest
from browser import opened, printed

from pipeline.show.page import frame
from pipeline.show.page.recordings_part import recordings_section
from pipeline.tables import schema

NOTHING = {c.name: None if c.nullable else 1 for c in schema.facts("recordings").columns}
NOTHING |= {"session": "larch", "clock": "gnss", "clock_basis": "none", "dropped_samples": 0}
ROWS = [
    NOTHING
    | {"runner": runner, "file": f"{runner}-of-tuesday.fit", "sensor": "gnss", "rate_hz": 10.0}
    | {"clock_basis": "stamps", "clock_sd_s": 0.002, "position_noise_m": 0.11}
    | {"speed_noise_mps": 0.12, "remarks": remarks, "dropped_samples": dropped}
    for runner, remarks, dropped in (
        ("otter", [], 0),
        ("heron", ["its stamps are 3 s late: corrected", "every second fix is a copy"], 12),
    )
] + [NOTHING | {"runner": "rowan", "file": "rowan.csv", "remarks": ["no fix in it"]}]
SEEN = """row => [...row.querySelectorAll('th, td')].filter(
            cell => cell.checkVisibility()).map(cell => cell.innerText).join('|')"""


@pytest.fixture(scope="module")
def files_page(tmp_path_factory):
    path = tmp_path_factory.mktemp("files") / "page.html"
    text = frame.whole_page("Files", "Three files.", [recordings_section(ROWS)], about={})
    path.write_text(text, encoding="utf-8")
    return path


def test_without_files_there_is_no_section():
    assert recordings_section([]) is None


def test_with_room_it_is_a_table_under_its_heads(browser, files_page):
    with opened(browser, files_page) as (page, _):
        heads = page.locator(".recordings thead th").all_inner_texts()
        first, _, last = page.locator(".recordings tbody tr").all()
        assert dict(zip(heads, first.evaluate(SEEN).split("|"), strict=True)) == {
            "runner": "otter",
            "file": "otter-of-tuesday.fit",
            "sensor": "gnss",
            "clock by": "stamps",
            "rate, Hz": "10.0",
            "clock ±, s": "0.002",
            "position noise, m": "0.11",
            "speed noise, m/s": "0.12",
            "dropped": "–",
            "remarks": "–",
        }
        assert last.evaluate(SEEN).split("|")[4:] == ["–"] * 5 + ["no fix in it"]


@pytest.mark.parametrize("type_px", [16, 32])
def test_on_a_telephone_a_file_is_a_few_words_as_wide_as_the_page(browser, files_page, type_px):
    with opened(browser, files_page, "phone") as (page, _):
        page.evaluate("px => { document.documentElement.style.fontSize = px + 'px'; }", type_px)
        rows = page.locator(".recordings tbody tr").all()
        assert [row.inner_text().replace("\xa0", " ") for row in rows] == [
            "otter: otter-of-tuesday.fit, gnss, clock by stamps, 10.0 Hz, clock known to "
            "± 0.002 s, position noise 0.11 m, speed noise 0.12 m/s",
            "heron: heron-of-tuesday.fit, gnss, clock by stamps, 10.0 Hz, clock known to "
            "± 0.002 s, position noise 0.11 m, speed noise 0.12 m/s, 12 samples dropped\n"
            "its stamps are 3 s late: corrected; every second fix is a copy",
            "rowan: rowan.csv, clock by none\nno fix in it",
        ]
        for row in rows:
            box = row.bounding_box()
            assert box["width"] > 340
            assert box["height"] < 20 * type_px


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_on_paper_a_file_is_a_line_too(browser, files_page, tmp_path, paper):
    with opened(browser, files_page) as (page, _):
        text = unicodedata.normalize("NFKC", printed(page, paper, tmp_path / "page.pdf"))
    assert "otter: otter-of-tuesday.fit, gnss, clock by stamps, 10.0 Hz" in text
    assert "rowan: rowan.csv, clock by none no fix in it" in text
