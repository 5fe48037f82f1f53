"""Every page speaks one language: its words come from the catalogue, its script's too."""

import functools
import json
import re
from dataclasses import replace

import pytest
from html_page import Page
from lakes import random_lake
from pseudo_language import pseudo_language, texts_of, words_outside
from random_tables import table_of
from test_any_tables import drawn_rows

from pipeline.language.choice import using
from pipeline.show import scenes
from pipeline.show.file_names import PageLinks
from pipeline.show.page import layout
from pipeline.show.page.frame import whole_page
from pipeline.show.page.order_page import order_page
from pipeline.show.page.pair_part import PairDecisions
from pipeline.show.page.race_page import race_page
from pipeline.show.page.runner_page import runner_page
from pipeline.show.page.season_page import season_page
from pipeline.tables import schema

SEEDS = range(3)
COMMANDS = ("marks", "order", "causes")
WHO = {"otter": "1", "heron": "2", "rowan": "3", "stoat": "4", "<b>": "2", "ß 1": "3"}
# Relays, and what is typed on a command line.
AS_TYPED = frozenset(
    ("4x100", "4x400", "--flat RUNNER=SECONDS", *(f"batontrace {one}" for one in COMMANDS))
)
MONTHS = re.compile(r"\b(Mai|Juli|Mo|Di|Mi|Do|Fr|Sa|So)\b")  # Babel's own, not the catalogue's
# Words of English sentences that neither German nor French has.
ENGLISH = re.compile(r"\b(the|of|and|with|from|not|are|than|each|this|were|by|at|to|it)\b", re.I)


def rows_of(name: str, seed: int):
    return [without_letters(name, row) for row in drawn_rows(name, seed)]


def without_letters(name: str, row):
    """A row in which names and notes have no letters: what has is from the code."""
    free = {c.name for c in schema.facts(name).columns if c.type == "string" and not c.values}
    return {
        key: WHO.get(value, "5") if key in free - {"event"} and value is not None else value
        for key, value in row.items()
    }


@functools.cache
def tables(seed: int):
    return {name: rows_of(name, seed) for name in (*schema.DECISIONS, *schema.TABLES)}


@functools.cache
def takeovers(seed: int, event: str):
    """Takeovers with their curves, of three runners, a verdict on most."""
    lake = random_lake(seed, 6, event)
    exchanges, curves = (
        table_of(name, [without_letters(name, row) | {"session": "5"} for row in rows.to_pylist()])
        for name, rows in (("exchanges", lake.exchanges), ("speed_curves", lake.curves))
    )
    found = scenes.read_scenes(exchanges, curves)
    verdicts = tables(seed)["verdicts"]
    return tuple(
        replace(one, verdict=verdict) for one, verdict in zip(found, verdicts, strict=False)
    )


def pages(seed: int) -> dict[str, str]:
    """A page of each kind, by its name."""
    own = tables(seed)
    decisions = {name: own[name] for name in schema.DECISIONS}
    links = PageLinks(frozenset({"session-5.html", "season.html", "validation.png"}))
    event = ("4x100", "4x400")[seed % 2]
    several = takeovers(seed, event)
    known = {
        (*one.pair, event): PairDecisions(
            own["progress"][k] if k % 3 else None,
            marks_of(own["marks"], *one.pair, event),
            tuple(own["causes"]),
        )
        for k, one in enumerate(several)
    }
    seen = {("5", one.row["exchange"]): own["observations"] for one in several[:2]}
    where = {"link": lambda *_: "5.html", "about": {}}
    found = {
        "season": season_page(own["exchanges"], ["5"], decisions, races=[("5", "5")], links=links,
                              **where),
        "race": race_page(own["legs"], own["exchanges"], decisions, session_page="5.html", **where),
        "session": layout.session_page(
            "5", several, known=known, recordings=own["recordings"], about={}, seen=seen,
            legs=own["legs"], exercises=own["exercises"], see_also=links.to_season(),
            squad=layout.Squad(own["marks"], own["progress"]),
        ),
        "pair": layout.pair_page(several[:1], known=known, about={}, seen=seen),
        "empty session": layout.session_page("5", (), known={}, recordings=(), about={}),
    }  # fmt: skip
    for relay in ("4x100", "4x400"):
        found[f"order {relay}"] = order_page(relay, decisions, **where)
    for runner in ("1", "4"):
        found[f"runner {runner}"] = runner_page(runner, own["exchanges"], decisions, about={})
    nothing = dict.fromkeys(schema.DECISIONS)
    found["no season"] = season_page((), (), nothing, races=(), links=links, **where)
    found["no order"] = order_page("4x400", nothing, **where)
    found["no race"] = race_page(own["legs"][:1], (), nothing, **where)
    found["no runner"] = runner_page("1", (), nothing, about={})
    return found


def marks_of(rows, incoming: str, outgoing: str, event: str):
    """Rows by lot as one pair's candidates, the first of them advised."""
    return tuple(
        row | {"incoming": incoming, "outgoing": outgoing, "event": event, "advised": k == 0}
        for k, row in enumerate(rows)
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_all_words_of_all_pages_come_from_the_catalogue(seed):
    with pseudo_language():
        found = pages(seed)
    for name, text in found.items():
        outside = words_outside(MONTHS.sub(" ", text), AS_TYPED)
        assert not outside, (name, outside)


@pytest.mark.parametrize("language", ["de", "fr"])
def test_no_english_is_left_and_the_page_says_its_language(language):
    with using(language):
        found = pages(1)
    for name, text in found.items():
        assert f'<html lang="{language}">' in text
        left = [told for told in texts_of(text) if ENGLISH.search(told)]
        assert not left, (name, left)


def test_pages_in_two_languages_do_not_mix():
    """What was worked out for one language is not kept for another."""
    first = pages(0)
    with using("de"):
        german = pages(0)
    assert pages(0) == first
    assert all(german[name] != text for name, text in first.items())
    assert '<html lang="en">' in first["season"]


def test_the_script_gets_its_words_and_the_sign_before_decimals_from_the_page():
    """Scripts hold no sentences: each key that they ask for is in the page."""
    with using("fr"):
        text = whole_page("5", "5", [], about={})
    words = json.loads(re.search(r'<p id="words" hidden="">(.*?)</p>', text)[1])
    script = Page(text).script
    asked = set(re.findall(r'say\("([\w-]+)"', script)) | {"place", "moment"}
    assert asked <= set(words)
    assert words["decimal"] == ","
    assert words["gap"] == "écart {gap} m"
    assert not re.findall(r'"[A-Z][a-z]+ [a-z]+[^"]*"', script.replace('"use strict"', ""))
