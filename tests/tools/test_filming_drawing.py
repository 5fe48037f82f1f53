"""The drawing of docs/filming.md is the one this code draws, and true to scale."""

import csv
import io
import re
import tomllib

import filming_drawing
import numpy as np
import pytest
from filming_drawing import (
    AROUND_M,
    DRAWING,
    FROM_STRAIGHT_M,
    ROOT,
    ZONE_M,
    filming_svg,
    on_the_bend,
    on_the_straight,
)
from pictures import alike
from practice_files import ENTRY, EXIT, LANE, SESSION, SHEET, feature, geojson

from pipeline.read.practice.session import read_session

PAGE = (ROOT / "docs" / "filming.md").read_text(encoding="utf-8")
EVENTS = {"mark", "go", "entry", "hand back", "pass", "exit"}


def test_the_drawing_in_the_docs_is_this_codes():
    now, there = (re.split(r"[\s,]+", text) for text in (filming_svg(), DRAWING.read_text("utf-8")))
    assert len(now) == len(there)
    other = [(a, b) for a, b in zip(now, there, strict=True) if not alike(a, b)]
    assert not other, "run: python tests/tools/filming_drawing.py"


def test_a_moved_camera_would_be_noticed(monkeypatch):
    there = filming_svg().split()
    monkeypatch.setattr(filming_drawing, "FROM_STRAIGHT_M", FROM_STRAIGHT_M + 1.0)
    moved = filming_svg().split()
    assert not all(map(alike, there, moved))


def test_from_the_bends_centre_every_line_is_looked_along():
    ground = on_the_bend()
    for s_m in (0.0, ZONE_M):
        line = [ground.from_camera(np.array([s_m]), across)[0] for across in (-4.0, 0.0, 4.0)]
        bearings = [np.arctan2(x, y) for x, y in line]
        assert bearings == pytest.approx([bearings[1]] * 3, abs=1e-9)


def test_the_angles_are_what_a_telephone_takes_in():
    straight = on_the_straight()
    expected = 2 * np.degrees(np.arctan((ZONE_M / 2 + AROUND_M) / FROM_STRAIGHT_M))
    assert straight.view_deg() == pytest.approx(expected, abs=1e-6)
    assert max(straight.view_deg(), on_the_bend().view_deg()) < 60.0
    assert "60°" in PAGE
    assert straight.distance_m == pytest.approx(FROM_STRAIGHT_M)


def test_distances_in_the_words_are_those_of_the_drawing():
    for ground in (on_the_bend(), on_the_straight()):
        metres = f"{ground.distance_m:.0f} m"
        assert metres in filming_svg()
        assert metres in PAGE


def test_examples_are_files_as_the_contract_has_them():
    sheets = re.findall(r"```csv\n(.*?)```", PAGE, re.DOTALL)
    assert len(sheets) == 3
    for text in sheets:
        rows = list(csv.DictReader(io.StringIO(text)))
        assert {row["event"] for row in rows} <= EVENTS | {"gate"}
        assert None not in {key for row in rows for key in row}
        for row in rows:
            assert row.get("time_s") or row.get("time_utc") or row.get("place_m")
    tables = [tomllib.loads(text) for text in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)]
    kinds = [table["observer"][0]["kind"] for table in tables]
    assert kinds == ["film", "gates", "watch"]


def test_the_examples_are_read_without_a_remark(tmp_path):
    tables = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    sheets = re.findall(r"```csv\n(.*?)```", PAGE, re.DOTALL)
    for table, text in zip(tables, sheets, strict=True):
        (tmp_path / tomllib.loads(table)["observer"][0]["file"]).write_text(text, "utf-8")
    gates = [
        feature("Point", [east, 48.2], kind="gate", lane=4, id=id_)
        for id_, east in (("gate-entry", 16.4015), ("gate-exit", 16.4019))
    ]
    (tmp_path / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT, *gates), "utf-8")
    head, row = SHEET.splitlines()[:2]
    sheet = [head, *(f"{k},{row.partition(',')[2]}" for k in range(1, 7))]
    (tmp_path / "reps.csv").write_text("\n".join(sheet) + "\n", "utf-8")
    (tmp_path / "session.toml").write_text("\n".join([SESSION, *tables]), "utf-8")
    session = read_session(tmp_path)
    assert session.remarks == ()
    assert [len(one.sightings) for one in session.observers] == [7, 2, 3]
    film, gates, watch = session.observers
    assert (film.clock, gates.clock, watch.clock) == ("own", "utc", "rep")
    assert (film.use, gates.use, watch.use) == ("measure", "check", "measure")
    assert film.sightings[-1].place_m == 24.5
    assert film.sightings[-1].time_s is None


def test_every_event_of_a_film_is_explained():
    assert set(re.findall(r"^\| `([a-z ]+)` \|", PAGE, re.MULTILINE)) == EVENTS
