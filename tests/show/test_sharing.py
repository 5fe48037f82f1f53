"""What is drawn twice is in the page once, and looks as if it were there twice."""

import copy
import json
from xml.etree import ElementTree as ET

import pytest
from hostile_names import HOSTILE
from hypothesis import given
from hypothesis import strategies as st

from pipeline.show.markup import element, html_document
from pipeline.show.page.sharing import MOST_WHOLE, pack_scripted, share_repeated

LONG = "M0 0l" + " ".join(f"{k} {k + 1}" for k in range(30))


def frame(word="1"):
    return element("g", {"class": "frame"}, element("text", {"x": "1"}, word))


def used_in_place(body):
    """The body with what references name put in their places again."""
    body = copy.deepcopy(body)
    shared = {
        part.get("id"): part for part in body.iter() if (part.get("id") or "").startswith("o")
    }
    for part in body.iter("use"):
        kept = shared[part.attrib.pop("href")[1:]]
        part.tag = kept.tag
        if kept.tag == "path":
            part.set("d", kept.get("d"))
        part.extend(copy.deepcopy(child) for child in kept)
    for child in list(body):
        if child.get("class") == "shared":
            body.remove(child)
    return body


def test_frames_and_curves_that_come_again_are_there_once():
    body = element("body", {}, *(
        element("svg", {}, frame(), element("path", {"class": kind, "d": LONG}))
        for kind in ("curve ink-incoming", "curve thin ink-incoming")
    ))  # fmt: skip
    before = ET.tostring(body)
    shared = share_repeated(copy.deepcopy(body))
    assert ET.tostring(shared).count(LONG.encode()) == 1
    assert [part.get("class") for part in shared.iter("use")] == [
        "frame", "curve ink-incoming", "frame", "curve thin ink-incoming",
    ]  # fmt: skip
    assert not [part for part in shared[0].iter("path") if "class" in part.attrib]
    again = used_in_place(shared)
    assert {part.get("d") for part in again.iter("path")} == {LONG}
    assert before.count(b"<text") == ET.tostring(again).count(b"<text")


def test_what_comes_once_or_is_short_stays_where_it_is():
    body = element("body", {}, frame("1"), frame("2"), element("path", {"d": LONG}),
                   element("path", {"d": "M0 0"}), element("path", {"d": "M0 0"}))  # fmt: skip
    before = ET.tostring(body)
    assert ET.tostring(share_repeated(body)) == before


@given(st.lists(st.sampled_from(["a", "b", "c"]), min_size=1, max_size=8))
def test_references_lead_to_what_was_there(words):
    body = element("body", {}, *(element("svg", {}, frame(word)) for word in words))
    shared = share_repeated(copy.deepcopy(body))
    drawn = [
        "".join(part.itertext())
        for part in used_in_place(shared).iter()
        if part.get("class") == "frame"
    ]
    assert drawn == words


def unpacked(packed, kinds):
    tag, kind, given_, *inner = packed
    children = inner[0] if inner else []
    written = {name: str(value) for name, value in given_.items()}
    made = element(tag, ({"class": kinds[kind]} if kinds[kind] else {}) | written)
    if isinstance(children, str):
        made.text = children
    else:
        made.extend(unpacked(child, kinds) for child in children)
    return made


def views(count, word="a"):
    return [
        element(
            "div",
            {"class": f"view {view}", "data-view": view},
            element("svg", {"viewBox": "0 0 1 1"}, element("text", {"class": "word"}, word),
                    element("g", {}, element("path", {"class": "curve", "d": "M0 0"}))),
        )
        for _ in range(count)
        for view in ("zone", "clock")
    ]  # fmt: skip


@pytest.mark.parametrize("word", HOSTILE)
def test_what_is_packed_is_all_there_and_text_stays_text(word):
    body = element("body", {}, *views(1, word))
    whole = ET.tostring(body[1][0])
    packed = pack_scripted(body)
    kinds = packed.find("p[@id='kinds']").text.split("|")
    (hidden,) = packed.findall(".//p[@class='packed']")
    assert ET.tostring(unpacked(json.loads(hidden.text), kinds)) == whole
    assert len(list(packed.iter("svg"))) == 1  # the view over the zone is whole
    assert "<script" not in html_document("x", "", packed)


@pytest.mark.parametrize(("count", "whole"), [(MOST_WHOLE, MOST_WHOLE), (MOST_WHOLE + 1, 0)])
def test_pages_of_many_takeovers_leave_all_views_to_the_script(count, whole):
    packed = pack_scripted(element("body", {}, *views(count)))
    assert len(list(packed.iter("svg"))) == whole
    assert len(packed.findall(".//p[@class='packed']")) == 2 * count - whole
