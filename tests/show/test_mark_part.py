"""A pair's mark on its page: what to do in words first, the numbers behind it to be opened."""

from xml.etree import ElementTree as ET

import pytest
from pair_weeks import mark_rows
from random_tables import random_table

from pipeline.base.words import chance_in_words
from pipeline.show.markup import element
from pipeline.show.page import mark_part

FOOT_M = 0.3


def lines(rows=None, used=None, **more):
    progress = None
    if used is not None:
        progress = random_table("progress", rows=1).to_pylist()[0] | {"mark_m": used}
    given = {"zone_m": 30.0, "by_sight": False, "with_candidates": True} | more
    found = mark_part.mark_lines(mark_rows() if rows is None else rows, progress, "h3", **given)
    return element("div", {}, *found)


def text(part):
    return " ".join("".join(part.itertext()).split())


def outside_details(part):
    """The words that are seen before anything is opened."""
    copy = ET.fromstring(ET.tostring(part))
    for parent in copy.iter():
        for child in list(parent):
            if child.tag in ("details", "svg", "figcaption"):
                parent.remove(child)
    return text(copy)


def test_the_advice_is_in_words_and_its_errors_are_to_be_opened():
    rows = mark_rows(p_in_zone=0.79, p_ran_into=0.055)
    part = lines(rows)
    assert "8 in 10 pass in the zone, 1 in 20 run into each other" in text(part)
    assert "±" not in outside_details(part)
    sure = next(d for d in part.iter("details") if text(d).startswith("How sure"))
    assert "Passed in the zone 79 ± " in text(sure)
    assert "± is one standard error" in text(sure)


def test_about_nine_marks_in_steps_of_a_foot_are_listed_and_all_others_to_be_opened():
    part = lines(used=8.45)
    near, every = list(part.iter("table"))
    rows = [text(row) for row in near.find("tbody")]
    marks = [float(row.split("(")[1].split()[0]) for row in rows]
    assert marks == pytest.approx([8.45, 8.6, 8.9, 9.2, 9.5, 9.8, 10.1, 10.4, 10.7, 11.0])
    assert [row for row in rows if "advised" in row] == [rows[5]]
    assert [row for row in rows if "in use" in row] == [rows[0]]
    advised = mark_rows()[12]
    assert chance_in_words(advised["p_in_zone"]) in rows[5]
    assert len(every.find("tbody")) == 21
    (details,) = [d for d in part.iter("details") if every in d.iter()]
    assert text(details).startswith("All 21 marks, with standard errors")


def test_the_mark_in_use_may_be_the_one_advised_or_beyond_all():
    same = mark_rows()
    names = [names for _, names in mark_part.nearby_marks(same, 9.8) if names]
    assert names == [("advised", "in use")]
    names = [names for _, names in mark_part.nearby_marks(same, 20.0) if names]
    assert names == [("advised",)]


def test_what_another_mark_would_do_is_drawn_before_the_risk():
    kinds = [figure.get("class") for figure in lines().iter("figure")]
    assert kinds == ["whatif", "risk"]
    assert "goes when the other is before the back line by" in text(lines(by_sight=True))


def test_without_a_curve_of_marks_the_advice_stands_alone():
    part = lines([mark_rows()[12] | {"remarks": ["the trend rests on two days"]}])
    assert not list(part.iter("figure"))
    assert "the trend rests on two days" in text(part)
