"""Pages tell the time by the clock on the wall where its zone is known, and say UTC where not."""

from datetime import UTC, datetime, timedelta

import pyarrow as pa
import pytest
import squads
from html_page import Page
from hypothesis import given
from hypothesis import strategies as st

from pipeline.show import scenes
from pipeline.show.figures import history, overlays
from pipeline.show.page import layout
from pipeline.show.wording import clock_words, on_the_wall, zone_words

MIDNIGHT = datetime(2026, 5, 13, 0, 0, tzinfo=UTC)


def evening(time_zone, begin=MIDNIGHT - timedelta(minutes=4)):
    """Takeovers two minutes apart, by the clocks of `time_zone`."""
    lake, _, _ = squads.lake(7, n_runners=4, evenings=1, reps=5)
    rows = [
        row | {"zero_utc": begin + timedelta(minutes=2 * k), "time_zone": time_zone}
        for k, row in enumerate(lake.exchanges.to_pylist())
    ]
    return scenes.read_scenes(pa.Table.from_pylist(rows, lake.exchanges.schema), lake.curves)


def session_words(several) -> str:
    page = layout.session_page("otter", several, known={}, recordings=[], about={})
    return " ".join(Page(page).text.split())


@given(st.datetimes(timezones=st.just(UTC)), st.text(max_size=30) | st.none())
def test_no_name_of_a_zone_moves_a_moment(when, name):
    there = on_the_wall(when, name)
    assert there.astimezone(UTC) == when
    assert name is not None or there.tzinfo is UTC


@pytest.mark.parametrize("name", [None, "UTC", "Atlantis/Nowhere", "../../etc/passwd", "", "a\0b"])
def test_without_a_zone_that_is_known_it_is_utc_and_says_so(name):
    when = on_the_wall(MIDNIGHT, name)
    assert clock_words(when).replace("\xa0", " ") == "00:00:00 UTC"
    assert zone_words([when]) == ""


def test_an_evening_past_midnight_utc_is_one_evening_at_the_track():
    several = evening("America/Los_Angeles")
    words = session_words(several)
    assert "2026-05-12; 4x100" in words
    assert words.count("Times are local (America/Los_Angeles).") == 1
    assert "16:56:00" in words
    assert "17:04:00" in words
    assert "2026-05-13" not in words
    assert "UTC" not in words
    assert history.history_figure(several).x.words == ("2026-05-12",)
    notes = " ".join(overlays.takeover_overlay(several[0], "zone").notes)
    assert "2026-05-12 16:56:00," in notes


def test_where_the_zone_is_not_known_every_time_says_utc():
    words = session_words(evening(None))
    assert "2026-05-12 to 2026-05-13; 4x100" in words
    assert "Times are local" not in words
    assert words.count("UTC") >= 2 * 5  # in the list and in its own part
