"""The docs' pictures are of the sample as it is now, and every one of them is shown somewhere."""

import json
import re

import numpy as np
import pytest
from pictures import (
    PICTURES,
    ROOT,
    SESSIONS,
    SHOWN,
    alike,
    current,
    sample_lake,
    sample_pages,
    shown,
)
from PIL import Image

DO = "the docs' pictures are not current, run: python tests/tools/pictures.py"


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    return sample_pages(sample_lake(folder / "out"), folder)


@pytest.fixture(scope="module")
def now(pages):
    return shown(pages)


def test_no_place_on_earth_is_on_a_page(pages):
    """Every coordinate of the sessions' venues, to 11 m, is looked for."""
    venues = [ROOT / "sample_tracks" / name / "venue.geojson" for name in SESSIONS]
    degrees = {
        f"{float(number):.4f}"
        for venue in venues
        for number in re.findall(r"-?\d+\.\d{5,}", venue.read_text(encoding="utf-8"))
    }
    assert len(degrees) > 10
    for path in pages.values():
        text = path.read_text(encoding="utf-8")
        assert not [number for number in degrees if number.lstrip("-") in text]


def test_the_pictures_show_the_sample_as_it_is(now):
    then = json.loads(SHOWN.read_text(encoding="utf-8"))
    assert current(now, then) == [], DO


def test_a_change_of_words_numbers_or_look_is_noticed(now):
    for change in (
        {"look": "another"},
        {"words": now["words"] | {"pair": now["words"]["pair"][:-1]}},
        {"words": now["words"] | {"session": ["Other", *now["words"]["session"][1:]]}},
    ):
        assert current(now | change, now)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("3.22", "3.23", True),
        ("3.22", "3.25", False),
        ("18.0", "18.1", True),
        ("(4)", "(4)", True),
        ("robin", "wren", False),
        ("−1.62", "1.62", False),
        ("5", "50", False),
    ],
)
def test_the_last_digit_may_differ(one, other, same):
    assert alike(one, other) is same


def test_every_picture_is_in_the_docs_and_every_one_named_is_there():
    pages = [ROOT / "README.md", *(ROOT / "docs").glob("*.md")]
    named = {
        (page.parent / link).resolve()
        for page in pages
        for link in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", page.read_text(encoding="utf-8"))
    }
    assert {path.resolve() for path in PICTURES.glob("*.png")} <= named
    assert all(path.is_file() for path in named)


@pytest.mark.parametrize("path", sorted(PICTURES.glob("*.png")), ids=lambda path: path.name)
def test_no_picture_is_blank(path):
    grey = np.asarray(Image.open(path).convert("L"), dtype=float)
    for part in np.array_split(grey, 3):  # something is drawn from top to bottom
        assert (np.abs(part - np.median(grey)) > 60.0).mean() > 0.005


def test_every_picture_says_what_it_shows():
    for page in [ROOT / "README.md", *(ROOT / "docs").glob("*.md")]:
        for words, _ in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
            assert len(words) > 20
