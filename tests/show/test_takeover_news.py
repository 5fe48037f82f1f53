"""A takeover in two lines: within a line's width in every language, told again where it differs."""

from __future__ import annotations

import dataclasses

import pytest
from lakes import newest, store_lake

from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.language.choice import LANGUAGES, using
from pipeline.show import page_tables, scenes
from pipeline.show.markup import half_widths
from pipeline.show.takeover_news import LINE_WIDTH, takeover_news
from pipeline.tables import lake

pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Takeovers of an evening, judged, with what is known of their pairs."""
    out = tmp_path_factory.mktemp("news") / "out"
    store_lake(out, evenings=2, reps=6)
    decisions.decide_marks(out, Settings())
    found = lake.read_lake(out, newest(out))
    several = scenes.read_scenes(found.exchanges, found.curves)
    known, _ = page_tables.read_pair_decisions(out, several)
    judged, _ = page_tables.with_verdicts(found, several)
    return [(one, known[*one.pair, one.row["event"]]) for one in judged]


def renamed(one, **cells):
    return dataclasses.replace(one, row={**one.row, **cells})


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_line_fits_in_every_language(told, language):
    with using(language):
        for one, known in told:
            long = renamed(one, incoming="Bartholomäus-" * 7, outgoing="夜" * 40, rep=123_456)
            faulty = renamed(one, outcome="not passed", faults=["early start", "ran away"])
            for scene in (one, long, faulty):
                news = takeover_news(scene, known)
                assert half_widths(news.happened) <= LINE_WIDTH
                assert half_widths(news.change) <= LINE_WIDTH
                assert news.change.startswith("  ")
                assert "{" not in news.happened + news.change


def test_the_second_line_is_where_the_page_puts_the_tape(told):
    for one, known in told:
        (advised,) = [row for row in known.marks if row["advised"]]
        change = takeover_news(one, known).change
        assert f"{advised['mark_m']:.2f} m" in change
        used = known.progress["mark_m"]
        farther = advised["mark_m"] > used
        assert ("farther" if farther else "nearer") in change or "Leave the tape" in change


def test_without_marks_or_at_less_than_full_speed_nothing_is_advised(told):
    one, known = told[0]
    assert "No mark is advised" in takeover_news(one, None).change
    slow = dataclasses.replace(one, left_out="a build-up")
    assert "not at full speed" in takeover_news(slow, known).change


def test_it_is_told_again_where_its_facts_or_its_cost_differ(told):
    one, known = told[0]
    first = takeover_news(one, known)
    assert first.is_news_after(None)
    assert not first.is_news_after(first)
    assert takeover_news(renamed(one, rep=99), known).is_news_after(first)
    assert takeover_news(renamed(one, faults=["late start"]), known).is_news_after(first)
    lost = first.lost_s or 0.0
    assert not dataclasses.replace(first, lost_s=lost + 0.02).is_news_after(first)
    assert dataclasses.replace(first, lost_s=lost + 0.2).is_news_after(first)
    assert dataclasses.replace(first, lost_s=None).is_news_after(first) == (
        first.lost_s is not None
    )
