"""venue.geojson: what is read of it, and how its errors are told."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice_files import ENTRY, EXIT, FINISH, GATE, LANE, START, error_of, feature, geojson

from pipeline.errors import VenueError
from pipeline.read.practice.venue import read_venue


def venue(tmp_path, text: str | bytes):
    path = tmp_path / "venue.geojson"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_venue(path)


def with_(base, coordinates=None, **properties):
    made = json.loads(json.dumps(base))
    made["properties"] |= properties
    if coordinates is not None:
        made["geometry"]["coordinates"] = coordinates
    return made


def test_a_venue_is_read_whole(tmp_path) -> None:
    high = with_(LANE, [[16.4, 48.2, 171.0], [16.403, 48.2, 171.5]], lane=2, sd_m=0.02)
    foreign = feature("Polygon", [], name="grass")
    found = venue(tmp_path, geojson(LANE, ENTRY, EXIT, GATE, high, foreign))
    assert [(n.lane, n.sd_m) for n in found.lanes] == [(2, 0.02), (4, 0.05)]
    assert found.lanes[0].latitude_deg.tolist() == [48.2, 48.2]
    assert [(s.lane, s.zone, s.line) for s in found.zone_lines] == [(4, 1, "entry"), (4, 1, "exit")]
    assert [g.id for g in found.gates] == ["beam"]


def test_a_races_lines_are_read_apart_from_zone_lines_and_gates(tmp_path) -> None:
    found = venue(tmp_path, geojson(START, LANE, ENTRY, EXIT, GATE, FINISH))
    assert [(s.lane, s.line, s.zone, s.id) for s in found.race_lines] == [
        (4, "start", None, None),
        (4, "finish", None, None),
    ]
    assert [s.line for s in found.zone_lines] == ["entry", "exit"]
    assert [g.id for g in found.gates] == ["beam"]


def test_a_races_line_in_a_bend_of_few_vertices_is_near_enough(tmp_path) -> None:
    # a bend of 36.5 m drawn with a vertex every 30 degrees cuts it by 1.2 m half-way between two
    turns = [math.radians(30 * n) for n in range(7)]
    east_m, north_m = (36.5 / 111_320 / math.cos(math.radians(48.2)), 36.5 / 111_320)
    bend = with_(LANE, [[16.4 + east_m * math.sin(a), 48.2 + north_m * math.cos(a)] for a in turns])
    middle = math.radians(45)
    on_it = [16.4 + east_m * math.sin(middle), 48.2 + north_m * math.cos(middle)]
    assert venue(tmp_path, geojson(bend, with_(START, on_it))).race_lines


def test_text_numbers_and_a_byte_order_mark_are_taken(tmp_path) -> None:
    text = "\ufeff" + geojson(with_(LANE, lane="4"), with_(ENTRY, lane=4.0, zone="1"))
    assert venue(tmp_path, text).zone_lines[0].zone == 1


GEOJSON_ERRORS = [
    ("", ["line 1", "JSON"]),
    ('{"type": "FeatureCollection",\n "features": [}', ["line 2, column"]),
    ("[" * 100_000, ["nested too deep"]),
    ("[]", ["FeatureCollection"]),
    (json.dumps(LANE), ['type "Feature"', "FeatureCollection", "whole layer"]),
    (b"\xff\xfe", ["not UTF-8"]),
    (geojson(), ["no lane's line"]),
    (geojson(ENTRY), ["no lane's line"]),
    (geojson(LANE, 3), ["feature 2", "not a feature"]),
    (geojson(LANE, LANE), ["feature 2", "a second line of lane 4"]),
    (geojson(LANE, ENTRY, ENTRY), ["feature 3", "a second entry line of lane 4, zone 1"]),
    (geojson(LANE, GATE, GATE), ['a second gate "beam"']),
    (geojson(LANE, with_(ENTRY, kind="zone line")), ["zone line", 'did you mean "zone-line"?']),
    (geojson(LANE, with_(ENTRY, line="entrance")), ['line "entrance"', '"entry"']),
    (geojson(LANE, with_(ENTRY, zone=0)), ["feature 2 (zone-line, lane 4)", "zone 0", "1 to 9"]),
    (geojson(LANE, feature("Point", [1, 2], kind="zone-line", lane=4)), ["no zone"]),
    (geojson(feature("LineString", [], kind="lane")), ["no lane"]),
    (geojson(feature("LineString", [], knid="lane", lane=1)), ["knid", 'did you mean "kind"?']),
    (geojson(with_(LANE, lane=4.5)), ["lane 4.5"]),
    (geojson(with_(LANE, sd_m=0)), ["sd_m 0"]),
    (geojson(with_(LANE, sd_m=float("nan"))), ["sd_m NaN"]),
    (geojson(with_(LANE, [[16.4, 48.2]])), ["1 position", "two or more"]),
    (geojson(with_(LANE, [[16.4, 48.2], [16.4, None]])), ["position 2", "null"]),
    (geojson(with_(LANE, [[16.4, 48.2], [float("nan"), 48.2]])), ["position 2", "not a number"]),
    (geojson(with_(LANE, [[16.4, 48.2], [0, 0]])), ["position 2", "0, 0", "no fix"]),
    (geojson(with_(LANE, [[48.2, 116.4], [48.2, 116.41]])), ["look swapped"]),
    (geojson(with_(LANE, [[601000, 5340000], [601100, 5340000]])), ["EPSG:4326"]),
    (
        geojson(feature("MultiLineString", [[[1, 2], [3, 4]]], kind="lane", lane=1)),
        ["MultiLineString", "join the parts"],
    ),
    (geojson(LANE, START, START), ["feature 3", "a second start line of lane 4"]),
    (geojson(LANE, with_(START, line="strat")), ['line "strat"', 'did you mean "start"?']),
    (geojson(LANE, with_(START, line="entry")), ['line "entry"', '"start" or "finish"']),
    (geojson(LANE, with_(START, kind="race line")), ['did you mean "race-line"?']),
    (geojson(LANE, with_(START, lane=5)), ["start line of lane 5", "the lane has no line"]),
    (geojson(LANE, with_(START, [16.4, 48.2003])), ["start line of lane 4", "33.4 m off"]),
    (geojson(LANE, with_(FINISH, [16.4035, 48.2])), ["finish line of lane 4", "37.2 m off"]),
    (geojson(LANE, feature("LineString", [[1, 2]], kind="gate", lane=4, id="a")), ['a "Point"']),
    (geojson(LANE, feature("Point", [1, 2], kind="gate", lane=4)), ["gate without id"]),
]


@pytest.mark.parametrize(("text", "words"), GEOJSON_ERRORS)
def test_what_is_wrong_in_the_venue_is_told(tmp_path, text, words) -> None:
    with pytest.raises(VenueError) as told:
        venue(tmp_path, text)
    assert "venue.geojson" in str(told.value)
    for word in words:
        assert word in str(told.value)


def test_all_wrong_features_are_told_at_once(tmp_path) -> None:
    with pytest.raises(VenueError, match=r"(?s)2 problems.*feature 2.*feature 3"):
        venue(tmp_path, geojson(LANE, with_(ENTRY, zone=-1), with_(EXIT, line="out")))


def test_no_venue_at_all(tmp_path) -> None:
    with pytest.raises(VenueError, match="no such file"):
        read_venue(tmp_path / "none.geojson")


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-200, 200) | st.floats() | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=6,
)


@given(
    where=st.sampled_from(
        ["type", "geometry", "properties", "coordinates", "kind", "lane", "zone"]
    ),
    value=json_values,
)
@settings(max_examples=150, deadline=None)
def test_any_value_anywhere_is_read_or_told(tmp_path_factory, where, value) -> None:
    broken = with_(ENTRY)
    place = {
        "coordinates": broken["geometry"],
        **dict.fromkeys(["kind", "lane", "zone"], broken["properties"]),
    }.get(where, broken)
    place[where] = value
    tmp = tmp_path_factory.mktemp("venue")
    told = error_of(lambda: venue(tmp, geojson(LANE, broken)))
    assert told is None or "feature 2" in told
