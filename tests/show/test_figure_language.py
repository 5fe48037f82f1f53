"""Figures, slides and the card speak one language: words, numbers and dates."""

import ast
import functools
import html
import locale
import re
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest
from browser import opened
from pseudo_language import pseudo_language, texts_of, words_outside
from pypdf import PdfReader
from test_agreement_figure import held_out_row, verdict_row
from test_card import marks_of, row_of, runner_of
from test_cause_bars import LOST
from test_cause_bars import tables as cause_tables
from test_order_plane import order_row
from test_page_language import takeovers
from test_race_page import part
from test_what_if import in_use, marks

import pipeline
from pipeline.advise.settings import Settings
from pipeline.base import words
from pipeline.base.values import Estimate
from pipeline.cli.decide import _card_settings
from pipeline.language.choice import LANGUAGES, using
from pipeline.show import scenes, wording
from pipeline.show.card import card
from pipeline.show.card.card import CardSheet, card_html, race_card_html
from pipeline.show.figures import (
    agreement,
    cause_bars,
    held_out_strips,
    history,
    order_plane,
    overlays,
    page_svg,
    race_bars,
    risk,
    slides,
    what_if,
)
from pipeline.show.figures.figure import Figure, Panel, figure_words, make_scale
from pipeline.show.markup import half_widths
from pipeline.tables import schema

RELAYS = frozenset(("4x100", "4x400"))
ENGLISH = re.compile(r"\b(the|of|and|with|from|not|are|than|each|this|were|by|at|to|it)\b", re.I)
TEAM = tuple("12345678")
# What base.words gives that has words in it: all of it is taken from show.wording.
WORDED = {name for name in vars(words) if name.endswith("_in_words")} - {"in_feet_words"}
WORDED |= {"CAUTION", "TENTH", "count"}


@functools.cache
def candidates():
    """A pair's candidate marks, and two marks in use: among them, and beyond."""
    rows = [row | {"incoming": "1", "outgoing": "2", "remarks": []} for row in marks()]
    return rows, in_use(8.6), in_use(14.0)


def figures():
    """A figure of each kind, by its name. No name in it has letters."""
    several = scenes.order_by_time(takeovers(1, "4x100"))
    pair = [one for one in several if one.pair == several[0].pair]
    found = {"history": history.history_figure(pair)}
    for view in overlays.VIEWS:
        found[f"one {view}"] = overlays.takeover_overlay(several[0], view)
        found[f"pair {view}"] = overlays.pair_overlay(pair, view)
    rows, in_use, far = candidates()
    for by_sight in (False, True):
        for name, used in (("in use", in_use), ("far", far), ("none", None)):
            found[f"what if {by_sight} {name}"] = what_if.what_if_figure(
                rows, used, 30.0, by_sight=by_sight
            )
            found[f"risk {name}"] = risk.risk_figure(rows, used)
    bare = [row | {"mark_feet": None} for row in rows]
    found["risk in metres"] = risk.risk_figure(bare, in_use)
    found["what if in metres"] = what_if.what_if_figure(bare, in_use, 30.0, by_sight=False)
    causes, verdicts = cause_tables(
        (1, ("1", "2"), LOST, "mark"), (2, ("1", "2"), {"start": -0.3}, "start"),
        (3, ("3", "4"), {}, None), (4, ("1", "2"), {"rest": 0.01}, "rest"), session="5",
    )  # fmt: skip
    found["causes"] = cause_bars.session_causes_figure(causes, verdicts)
    mine = [row for row in verdicts if row["incoming"] == "1"]
    found["causes of a pair"] = cause_bars.pair_causes_figure(causes, mine, {"5": "5"}, most=2)
    for lane, p_best in ((4, 0.3), (None, None)):
        orders = [order_row(k, names=TEAM[:4], lane=lane, p_best=p_best) for k in range(1, 15)]
        found[f"orders {lane}"] = order_plane.order_plane_figure(orders)
    found["race"] = race_bars.race_bars_figure(
        [
            part(1, "run", 0.02, leg=1, runner="1"),
            part(2, "zone", -0.31, leg=1, runner="1", outgoing="2"),
            part(3, "run", 0.40, leg=2, runner="2"),
        ]
    )
    seen = [held_out_row(0.1 * k, 0.01 * k, kind=kind, event=event)
            for kind, event in (("film", "go"), ("gates", "gate"), ("watch", "exit"))
            for k in range(-2, 3)]  # fmt: skip
    found["agreement"] = agreement.checks_figure(seen, [verdict_row("5", lead_m=0.3)])
    strips = [
        held_out_strips.Strip(str(k), np.linspace(-2.0, 2.0, 9), np.arange(9) > 7) for k in range(8)
    ]
    found["strips"] = held_out_strips.agreement_figure(strips)
    return found


def all_words(figure) -> str:
    """What is written in a figure and said of it, as a page would have it."""
    told = (*figure_words(figure), figure.description)
    return "".join(f"<p>{html.escape(text)}</p>" for text in told)


@functools.cache
def card_tables(names: tuple[str, ...], event: str, every_metres: int):
    """The tables `marks` and `runners` of a team with all that a card can say. Every so many marks
    are counted in metres, none where that is 0."""
    rows = [
        row_of(a, b, mark_m, event=event, advised=mark_m == 8.0, p_in_zone=0.45, reps=3,
               p_ran_into=0.3, reps_pair=k % 2, outgoing_start_m=2.0, pass_m=15.0,
               pass_spread_m=2.0, pass_sd_m=1.0, zone_time_sd_s=0.03, zone_time_spread_s=0.05,
               mark_feet=None if every_metres and k % every_metres == 0 else mark_m / 0.25)
        for k, (a, b) in enumerate(permutations(names, 2))
        for mark_m in (7.75, 8.0, 8.25)
    ]  # fmt: skip
    known = [runner_of(name, foot_m=0.28, lag_s=0.15, lag_sd_s=0.02, event=event)
             for name in names]  # fmt: skip
    columns = {key: [row[key] for row in known] for key in known[0]}
    return marks_of(*rows), schema.conform("runners", columns)


def card_sheet(names, event: str) -> CardSheet:
    return CardSheet(event, "2026-06-30", names, dict.fromkeys(permutations(names, 2), 7.2))


ABOUT = {"settings": {"0": "1,5"}, "notes": ("0",)}


def cards() -> dict[str, str]:
    """Cards of two relays, for a small and a large team, and a race's card, by their names."""
    found = {}
    for event in sorted(RELAYS):
        tables = card_tables(TEAM, event, 5)
        found[event] = card_html(*tables, [card_sheet(TEAM[:4], event)], **ABOUT)
        found[f"race {event}"] = race_card_html(
            *tables, card_sheet(TEAM[:4], event), lane=5, **ABOUT
        )
        found[f"large {event}"] = card_html(*tables, [card_sheet(TEAM, event)], **ABOUT)
    return found


def test_all_words_of_figures_come_from_the_catalogue():
    with pseudo_language():
        found = {name: all_words(figure) for name, figure in figures().items()}
    for name, text in found.items():
        outside = words_outside(text, RELAYS)
        assert not outside, (name, outside)


def test_all_words_of_the_card_come_from_the_catalogue():
    with pseudo_language():
        found = cards()
    for name, text in found.items():
        outside = words_outside(text, RELAYS | {"cm"})
        assert not outside, (name, outside)


@pytest.mark.parametrize("language", ["de", "fr"])
def test_no_english_is_left_in_figures_and_on_the_card(language):
    with using(language):
        found = {name: all_words(figure) for name, figure in figures().items()} | cards()
    for name, text in found.items():
        left = [told for told in texts_of(text) if ENGLISH.search(told)]
        assert not left, (name, left)


@pytest.mark.parametrize("language", ["de", "fr"])
def test_the_card_says_its_language_and_writes_its_day(language):
    with using(language):
        text = cards()["4x100"]
    assert f'<html lang="{language}">' in text
    assert {"de": "30.06.2026", "fr": "30/06/2026"}[language] in text
    assert '<html lang="en">' in cards()["4x100"]


def test_both_pens_write_decimals_as_the_language_does_whatever_the_process_has():
    """The language is not the process's locale, which matplotlib would take."""
    before = locale.setlocale(locale.LC_ALL)
    with using("de"):
        drawn = {
            name: (slides.draw_slide(figure, "svg").decode(), page_svg.draw_svg(figure))
            for name, figure in figures().items()
            if name in ("history", "one zone", "risk in use", "race")
        }
    assert locale.setlocale(locale.LC_ALL) == before
    for name, (slide, page) in drawn.items():
        written = re.findall(r">([^<>]+)</text>", slide)
        for texts in (written, ["".join(one.itertext()) for one in page.iter("text")]):
            told = " ".join(texts)
            assert name not in ("history", "race") or re.search(r"\d,\d", told), name
            assert not re.search(r"(?<![\d.])\d+\.\d+(?![\d.])", told), (name, told)


def test_figures_and_cards_of_two_languages_do_not_mix():
    def shown():
        return {name: all_words(figure) for name, figure in figures().items()} | cards()

    first = shown()
    with using("fr"):
        french = shown()
    assert all(french[name] != text for name, text in first.items())
    assert shown() == first


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.usefixtures("light")
def test_a_card_is_one_sheet_in_every_language(browser, tmp_path, language):
    names = ("Maximiliane", "robin", "wren", "siskin", "plover", "avocet", "curlew", "merlin")
    tables = card_tables(names, "4x100", 0)
    sheets = [card_sheet(names[:size], "4x100") for size in (4, 6, 8)]
    file, paper = tmp_path / "card.html", tmp_path / "card.pdf"
    with using(language):
        file.write_text(card_html(*tables, sheets, **ABOUT), encoding="utf-8")
    with opened(browser, file) as (page, _):
        page.pdf(path=str(paper), format="A4", landscape=True)
    assert len(PdfReader(paper).pages) == len(sheets)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_names_of_the_cards_settings_stand_whole(language):
    asked = Settings(event="4x100", race=True, crouched=True, older=True, latest_m=28.0)
    with using(language):
        rows = _card_settings(asked)
    assert len(rows) == 6
    for name, value in rows.items():
        assert half_widths(name) <= card.SETTING_WIDTH
        assert half_widths(value) <= card.VALUE_WIDTH


@pytest.mark.parametrize(
    ("language", "told"),
    [
        ("en", ["3 feet nearer", "half a foot farther", "nearly 9 in 10", "0.14 s lost",
                "likelier beyond the zone (2 in 3)", "28½ feet (8.50 m)", "−3.20 ± 0.01"]),
        ("de", ["3 Fuß näher", "einen halben Fuß weiter weg", "knapp 9 von 10", "0,14 s verloren",
                "eher hinter der Zone (2 von 3)", "28½ Fuß (8,50 m)", "−3,20 ± 0,01"]),
        ("fr", ["3 pieds plus près", "un demi-pied plus loin", "presque 9 sur 10",
                "0,14 s de perdu", "plutôt après la zone (2 sur 3)", "28½ pieds (8,50 m)",
                "−3,20 ± 0,01"]),
    ],
)  # fmt: skip
def test_what_is_said_everywhere_is_said_in_the_language(language, told):
    with using(language):
        found = [
            wording.tape_move_words(-0.9, 0.3),
            wording.tape_move_words(0.15, 0.3),
            wording.odds_words(0.86),
            wording.cost_words(Estimate(0.14, 0.01)),
            wording.zone_doubt_words(0.3, 31.0, 0.5, 30.0),
            wording.mark_words(8.5, 0.3),
            wording.with_error(Estimate(-3.2, 0.001), 2),
        ]
    assert [text.replace("\u00a0", " ") for text in found] == told


@pytest.mark.parametrize(
    "sentence",
    [
        "3.22 ± 0.02 s, lost (0.14 ± 0.02 s).",
        "3,22\u00a0±\u00a00,02 s, lost (−0,14 ± 0,02\u00a0s).",
    ],
)
def test_errors_are_left_out_whatever_sign_is_before_decimals(sentence):
    left = wording.without_errors(sentence)
    assert left == f"{sentence[:4]} s, lost."


@pytest.mark.parametrize("language", ["de", "fr"])
def test_every_text_of_base_words_is_known(language):
    with using(language):
        said = {wording.odds_words(p) for p in np.linspace(0.0, 1.0, 401)}
        said |= {wording.tape_move_words(k * 0.15, 0.3) for k in range(-8, 9) if k}
        said |= {wording.small_number_words(k) for k in range(13)}
        said |= set(map(wording.cause_words, words.CAUSES))
        said |= set(map(wording.the_cause_words, words.CAUSES))
        said |= set(map(wording.outcome_words, ("passed", "not passed", "unclear")))
        said |= {
            wording.zone_doubt_words(p, pass_m, 0.5, 30.0)
            for p in np.linspace(0.0, 0.79, 80)
            for pass_m in (None, -1.0, 31.0)
        }
        said |= {wording.caution(), wording.tenth_words()}
    english = re.compile(
        r"\b(in|feet|foot|nearly|over|zone|the|tape|speed|passed|nearer|farther|no|two)\b"
    )
    mine = {"de": ("in",), "fr": ("zone",)}[language]
    assert not [text for text in said for word in english.findall(text) if word not in mine]


def test_show_takes_the_sentences_of_base_words_from_wording():
    """What is taken from there is in the reader's language: nobody has to remember it."""
    room = Path(pipeline.__file__).parent / "show"
    for path in room.rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        taken = {
            alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.module == "pipeline.base.words"
            for alias in node.names
        }
        assert path.name == "wording.py" or not taken & WORDED, path
        whole = [
            node
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom)
            and node.module == "pipeline.base"
            and any(alias.name == "words" for alias in node.names)
        ]
        assert path.name == "wording.py" or not whole, path


@pytest.mark.parametrize(("low", "is_wide"), [(-0.3, True), (0.0, False)])
def test_the_sign_before_a_long_number_of_an_axis_is_inside_the_picture(low, is_wide):
    y = make_scale("5", low, low + 0.1, 5)
    drawn = page_svg.draw_svg(Figure("5", "5", make_scale("5", 0.0, 1.0), (Panel(y, ()),)))
    left, _, wide, _ = map(float, drawn.get("viewBox").split())
    assert (left < -10.0) == is_wide
    assert left + wide == page_svg.WIDTH
