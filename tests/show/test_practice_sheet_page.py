"""The practice sheet on a telephone: by thumb, keyboard and ear, without network; its CSV is one
that `check` reads as it was meant."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import json
import re
from pathlib import Path

import pytest
from browser import opened, violations
from checkout import ROOT

from pipeline.base.values import Runner
from pipeline.language.choice import using
from pipeline.read.practice.sheet import SHEET_COLUMNS, read_sheet
from pipeline.read.practice.sheet_cells import CELL_RANGES
from pipeline.show.page.practice_sheet import SheetFacts, practice_sheet_page

RUNNERS = [Runner("robin", 0.28), Runner("wren", 0.3), Runner("finch"), Runner("jay-2", 0.27)]
DAY = dt.date(2026, 5, 12)
FACTS = SheetFacts(
    session="tuesday",
    day=DAY,
    event="4x100",
    foot_m={runner.id: runner.foot_m for runner in RUNNERS},
    zones=(1, 2, 3),
    lanes=(4, 5),
    lane=4,
    races=(),
    columns=SHEET_COLUMNS,
    ranges=CELL_RANGES,
)
ZONES = {(lane, zone) for lane in (4, 5) for zone in (1, 2, 3)}


def write(folder: Path, facts: SheetFacts = FACTS) -> Path:
    path = folder / "sheet.html"
    own = dataclasses.replace(facts, session=folder.name)  # what a browser keeps is kept by it
    path.write_text(practice_sheet_page(own), encoding="utf-8")
    return path


def choose(page, name: str, value: str) -> None:
    page.locator(f'input[name="{name}"][value="{value}"]').check(force=True)


def write_down(page, incoming: str, outgoing: str, **cells: str) -> None:
    choose(page, "incoming", incoming)
    choose(page, "outgoing", outgoing)
    for name, value in cells.items():
        if name in ("zone", "unit", "outcome"):
            choose(page, name, value)
        else:
            page.fill(f"#f-{name}", value)
    page.click("#keep")


def saved(page, folder: Path) -> Path:
    with page.expect_download() as found:
        page.click("#save")
    path = folder / found.value.suggested_filename
    found.value.save_as(path)
    assert page.input_value("#csv") == path.read_text("utf-8")
    return path


def reps_of(path: Path):
    return read_sheet(path, RUNNERS, ZONES, DAY, 4)


def test_what_is_saved_is_what_was_written_down(tmp_path, browser):
    page_file = write(tmp_path)
    with opened(browser, page_file, "phone") as (page, noticed):
        page.clock.set_fixed_time(dt.datetime(2026, 5, 12, 17, 21, 3, tzinfo=dt.UTC))
        page.click("#start")
        write_down(page, "robin", "wren", zone="2", unit="feet", mark="28½", outcome="dropped")
        assert page.inner_text("#status") == "Rep 1 is written down."
        write_down(page, "wren", "jay-2", mark="7,25", unit="m", note='=1+1, "so" said; she')
        page.click("summary")
        page.select_option("#f-lane", "5")
        page.select_option("#f-drill", "build-up")
        page.check("#f-use")
        write_down(page, "finch", "robin", pass_m="21.5", effort="80", wind_mps="-1,2")
        page.click('button[aria-label="Edit rep 2"]')
        page.fill("#f-incoming_start_m", "40")
        page.click("#keep")
        page.click('button[aria-label="Delete rep 1"]')
        page.click("#undo")
        path = saved(page, tmp_path)
        assert page.locator("#unsaved").is_hidden()
        assert noticed.all == []
    assert path.name == "reps.csv"
    reps, remarks = reps_of(path)
    assert remarks == []
    first, second, third = (dataclasses.asdict(rep) for rep in reps)
    assert (first["rep"], first["incoming"], first["outgoing"], first["zone"]) == (
        1, "robin", "wren", 2,
    )  # fmt: skip
    assert first["mark_m"] == pytest.approx(28.5 * 0.3)
    assert first["start_utc_s"] == dt.datetime(2026, 5, 12, 17, 21, 3, tzinfo=dt.UTC).timestamp()
    assert first["note"] == "dropped"
    assert (second["mark_m"], second["note"]) == (7.25, '\'=1+1, "so" said; she')
    assert (second["incoming_start_m"], second["start_utc_s"]) == (40.0, None)
    assert (third["pass_m"], third["effort"], third["wind_mps"]) == (21.5, 80.0, -1.2)
    assert (third["lane"], third["drill"], third["use"]) == (5, "build-up", "no")
    assert (third["zone"], third["mark_m"]) == (2, None)


def test_columns_of_the_coachs_own_are_kept(tmp_path, browser):
    rows = [{"rep": "1", "incoming": "robin", "outgoing": "wren", "shoes, left": 'new "spikes"'}]
    with opened(browser, write(tmp_path, dataclasses.replace(FACTS, rows=rows)), "phone") as (
        page,
        noticed,
    ):
        page.click('button[aria-label="Edit rep 1"]')
        page.fill("#f-mark", "7,25")
        choose(page, "unit", "m")
        page.click("#keep")
        write_down(page, "wren", "jay-2", zone="1")
        path = saved(page, tmp_path)
        assert noticed.all == []
    with path.open(encoding="utf-8", newline="") as file:
        first, second = csv.DictReader(file)
    assert (first["shoes, left"], first["mark_m"]) == ('new "spikes"', "7.25")
    assert (second["shoes, left"], second["incoming"]) == ("", "wren")


def test_what_cannot_be_is_said_beside_its_field_and_not_written_down(tmp_path, browser):
    with opened(browser, write(tmp_path), "phone") as (page, _):
        page.click("#keep")
        assert page.inner_text("#wrong-incoming") == "Choose a runner."
        write_down(page, "robin", "robin", mark="280", unit="feet")
        assert "two runners" in page.inner_text("#wrong-outgoing")
        assert page.inner_text("#wrong-mark") == "A number from 1 to 130."
        assert page.get_attribute("#f-mark", "aria-invalid") == "true"
        choose(page, "outgoing", "wren")
        page.fill("#f-mark", "28")
        choose(page, "unit", "m")
        assert "feet?" in page.inner_text("#f-foot")
        choose(page, "unit", "feet")
        page.click("summary")
        page.fill("#f-effort", "fast")
        page.click("summary")  # folded again
        page.click("#keep")
        assert page.locator("#f-effort").is_visible()
        assert page.evaluate("document.activeElement.id") == "f-effort"
        page.fill("#f-effort", "")
        page.click("#keep")
        assert page.input_value("#csv").splitlines()[1:] == ["1,,,robin,wren,,28" + "," * 12]


def test_feet_or_metres_is_asked_where_no_foot_is_known(tmp_path, browser):
    facts = dataclasses.replace(FACTS, foot_m=dict.fromkeys(FACTS.foot_m))
    with opened(browser, write(tmp_path, facts), "phone") as (page, _):
        write_down(page, "robin", "wren", mark="28")
        assert page.inner_text("#wrong-unit") == "Choose feet or metres."
        choose(page, "unit", "feet")
        assert "foot_m" in page.inner_text("#f-foot")
        page.click("#keep")
        assert page.input_value("#csv").splitlines()[1].startswith("1,,,robin,wren,,28,")


def test_what_is_written_down_outlives_the_page_and_a_newer_sheet(tmp_path, browser):
    path = write(tmp_path)
    with opened(browser, path, "phone") as (page, _):
        write_down(page, "robin", "wren", mark="28")
        page.reload()
        write_down(page, "robin", "wren")
        assert page.locator("#reps li").count() == 2
        rows = page.input_value("#csv").splitlines()[1:]
        assert [row.split(",")[6] for row in rows] == ["28", "28"]  # as the last time
        row = {"rep": "1", "incoming": "robin", "outgoing": "wren", "start_utc": "17:05"}
        write(tmp_path, dataclasses.replace(FACTS, rows=[row]))
        page.reload()
        assert [row.split(",")[9] for row in page.input_value("#csv").splitlines()[1:]] == [
            "17:05", "",
        ]  # fmt: skip
        page.click('button[aria-label="Edit rep 1"]')
        page.click("#keep")
        assert "17:05" in page.input_value("#csv")


def test_it_works_where_the_browser_keeps_nothing(tmp_path, browser):
    path = write(tmp_path)
    with opened(browser, path, "phone") as (page, _):
        page.add_init_script(
            "Object.defineProperty(window, 'localStorage', {get() { throw new Error('refused'); }})"
        )
        page.reload()
        write_down(page, "robin", "wren")
        assert page.locator("#not-kept").is_visible()
        assert len(page.input_value("#csv").splitlines()) == 2


def test_by_keyboard_alone(tmp_path, browser):
    with opened(browser, write(tmp_path), "desk") as (page, _):
        page.focus('input[name="incoming"]')
        page.keyboard.press("Space")
        page.keyboard.press("Tab")
        page.keyboard.press("Space")
        page.keyboard.press("ArrowRight")
        page.focus("#start")
        page.keyboard.press("Enter")
        page.focus("#f-note")
        page.keyboard.type("good")
        page.keyboard.press("Enter")
        row = page.input_value("#csv").splitlines()[1]
        assert row.startswith("1,,,robin,wren,,,")
        assert ",good," in row
        assert re.search(r",\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ,", row)
        assert page.evaluate("document.activeElement.id") == "rep-head"


@pytest.mark.parametrize(("size", "dark"), [("phone", False), ("desk", True)])
def test_it_can_be_seen_heard_and_touched(tmp_path, browser, size, dark):
    with opened(browser, write(tmp_path), size, dark=dark) as (page, _):
        write_down(page, "robin", "finch", unit="feet", mark="280")
        choose(page, "outgoing", "finch")
        page.click("summary")
        page.fill("#f-mark", "28")
        page.click("#keep")
        assert violations(page) == []
        page.evaluate("document.documentElement.style.fontSize = '32px'")
        wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0
        small = page.evaluate(
            "[...document.querySelectorAll('button, input, select, summary')].filter((one) => {"
            "  const box = one.getBoundingClientRect();"
            "  const side = Math.min(box.width, box.height);"
            "  return side > 0 && one.type !== 'checkbox' && side < 44;"
            "}).map((one) => one.outerHTML)"
        )
        assert small == []


def test_without_its_script_it_says_what_to_do(tmp_path, browser):
    with opened(browser, write(tmp_path), "phone", script=False) as (page, _):
        assert "Open it in a browser" in page.inner_text("body")
        assert page.locator("#keep").is_hidden()


def test_words_from_outside_stay_words():
    facts = dataclasses.replace(FACTS, rows=[{"rep": "1", "note": "</p><script>alert(1)</script>"}])
    text = practice_sheet_page(facts)
    assert "<script>alert" not in text


@pytest.mark.parametrize(("language", "word"), [("de", "Übergeber"), ("fr", "Donneur")])
def test_it_speaks_the_readers_language_and_writes_the_sheets(tmp_path, browser, language, word):
    with using(language):
        path = write(tmp_path)
    with opened(browser, path, "phone") as (page, noticed):
        assert word in page.inner_text("form")
        write_down(page, "robin", "wren", zone="1", mark="28,5")
        page.click("summary")
        page.select_option("#f-hand", "left")
        write_down(page, "robin", "wren")
        assert "28,5" in page.inner_text("#reps")
        reps, remarks = reps_of(saved(page, tmp_path))
        assert noticed.all == []
    assert remarks == []
    assert [rep.hand for rep in reps] == [None, "left"]


def test_the_scripts_words_all_come_from_the_page():
    text = practice_sheet_page(FACTS)
    script = (ROOT / "pipeline/show/page/practice_sheet.js").read_text("utf-8")
    told = json.loads(re.search(r'id="facts"[^>]*>(.*?)</p>', text)[1].replace("&amp;", "&"))
    assert {*re.findall(r"words\.(\w+)", script)} == {*told["words"]}
