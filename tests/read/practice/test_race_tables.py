"""[[race]] and the time zone of a session.toml: what is read, and how errors are told."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from practice_files import ENTRY, EXIT, LANE, SESSION, SHEET, error_of, geojson, utc

from pipeline.base.values import Race
from pipeline.errors import SessionError
from pipeline.read.practice.session import read_session

TEAM = ("robin", "wren", "finch", "jay")
RACE = """\
[[runner]]
id = "finch"

[[runner]]
id = "jay"

[[race]]
id = "heat"
event = "4x100"
lane = 4
team = ["robin", "wren", "finch", "jay"]
gun_utc = 2026-05-12T18:02:10.4Z
official_time_s = 43.21
"""


def session_folder(parent: Path, text: str) -> Path:
    home = parent / "season" / "otter"
    home.mkdir(parents=True)
    (home / "session.toml").write_text(text, encoding="utf-8")
    (home / "reps.csv").write_text(SHEET, encoding="utf-8")
    (home / "venue.geojson").write_text(geojson(LANE, ENTRY, EXIT), encoding="utf-8")
    return home


def read_with(parent: Path, *changes: tuple[str, str]):
    text = SESSION + RACE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return read_session(session_folder(parent, text))


def zoned(name: str) -> tuple[str, str]:
    return "lane = 4", f'lane = 4\ntime_zone = "{name}"'


def test_a_race_is_read_whole(tmp_path) -> None:
    session = read_with(tmp_path)
    gun = utc("2026-05-12T18:02:10.4")
    assert session.races == (Race("heat", "4x100", 4, TEAM, gun, 43.21),)
    assert session.time_zone is None
    assert session.remarks == ()


def test_what_a_race_need_not_say(tmp_path) -> None:
    changes = [("gun_utc = 2026-05-12T18:02:10.4Z\n", ""), ("official_time_s = 43.21\n", "")]
    changes += [('id = "heat"\nevent = "4x100"\nlane = 4\n', 'id = "heat"\n')]
    assert read_with(tmp_path, *changes).races == (Race("heat", "4x100", 4, TEAM),)


@pytest.mark.parametrize(
    ("event", "written", "seconds"),
    [
        ("4x100", "43.21", 43.21),
        ("4x100", "43", 43.0),
        ("4x100", '"43.21"', 43.21),
        ("4x100", '"43,21"', 43.21),
        ("4x400", '"3:02.11"', 182.11),
        ("4x400", '"3:02,11"', 182.11),
        ("4x400", "182.11", 182.11),
    ],
)
def test_the_official_time_as_it_is_written(tmp_path, event, written, seconds) -> None:
    changes = [("official_time_s = 43.21", f"official_time_s = {written}")]
    changes += [('event = "4x100"', f'event = "{event}"')] * 2  # the session's and the race's
    changes[1] = ('event = "4x100"\nlane = 4\nreps', f'event = "{event}"\nlane = 4\nreps')
    (race,) = read_with(tmp_path, *changes).races
    assert race.official_time_s == pytest.approx(seconds, abs=1e-9)


RACE_ERRORS = [
    ('id = "heat"', "", ["[[race]] 1 id", "missing"]),
    ('id = "heat"', 'id = "heat/1"', ["[[race]] 1 id", "heat/1", "letters"]),
    ('heat"\nevent = "4x100"', 'heat"\nevent = "sprint"', ["[[race]] 1 event", "sprint", "4x400"]),
    ('heat"\nevent = "4x100"', 'heat"\nevent = "4x100"\nlegs = 4', ["[[race]]", "legs"]),
    ('lane = 4\nteam = ["', 'lane = 0\nteam = ["', ["[[race]] 1 lane", "0", "1 to 12"]),
    ('lane = 4\nteam = ["', 'lane = 7\nteam = ["', ['[[race]] "heat" lane', "7", "geojson: 4"]),
    ('team = ["robin"', 'team = ["robn"', ["[[race]] 1 team", '"robn"', 'did you mean "robin"?']),
    ('team = ["robin"', 'team = ["heron"', ['add a [[runner]] with id = "heron"']),
    ('team = ["robin"', 'team = ["wren"', ["[[race]] 1 team", '"wren" stands twice']),
    ('team = ["robin", ', "team = [", ["[[race]] 1 team", "3 runners", "4 runners, leg 1 first"]),
    ('team = ["robin"', "team = [4", ["[[race]] 1 team", "4 runners"]),
    ('team = ["', 'tema = ["', ["tema", 'did you mean "team"?']),
    ("[[race]]", "[race]", ["[race]", "double brackets"]),
    ("[[race]]", "[[rase]]", ["rase", 'did you mean "race"?']),
    ("18:02:10.4Z", "18:02:10.4", ["[[race]] 1 gun_utc", "without a zone", "add Z"]),
    ("2026-05-12T18:02:10.4Z", "2026-06-12T18:02:10.4Z", ["gun_utc", "not on the session's day"]),
    ("2026-05-12T18:02:10.4Z", "18.04", ["[[race]] 1 gun_utc", "18.04"]),
    ("43.21", "4.321", ["[[race]] 1 official_time_s", "4.321", "32 to 160"]),
    ("43.21", '"43 s 21"', ["official_time_s", "43 s 21", '"3:02.11"']),
    ("43.21", "true", ["official_time_s", "true"]),
    ("43.21", "nan", ["official_time_s"]),
]


@pytest.mark.parametrize(("old", "new", "words"), RACE_ERRORS)
def test_what_is_wrong_in_a_race_is_told(tmp_path, old, new, words) -> None:
    try:
        session = read_with(tmp_path, (old, new))
    except SessionError as error:
        told = str(error)
    else:  # a key that nobody knows is remarked
        told = "\n".join(session.remarks)
    for word in words:
        assert word in told


def test_two_races_of_one_name(tmp_path) -> None:
    text = SESSION + RACE + RACE[RACE.index("[[race]]") :]
    with pytest.raises(SessionError, match=r'\[\[race\]\] id: "heat" stands twice'):
        read_session(session_folder(tmp_path, text))


def test_a_race_of_another_relay_than_the_sessions_is_remarked(tmp_path) -> None:
    changes = ('heat"\nevent = "4x100"', 'heat"\nevent = "4x400"'), ("43.21", "183.21")
    (remark,) = read_with(tmp_path, *changes).remarks
    assert '[[race]] "heat": its event is 4x400, and the session\'s is 4x100' in remark


@pytest.mark.parametrize(
    ("written", "moment"),
    [
        ("2026-05-12T20:02:10.4", "2026-05-12T18:02:10.4"),  # summer time
        ('"2026-05-12 20:02:10.4"', "2026-05-12T18:02:10.4"),
        ("2026-05-12T18:02:10.4Z", "2026-05-12T18:02:10.4"),
        ("2026-05-12T19:02:10.4+01:00", "2026-05-12T18:02:10.4"),
    ],
)
def test_a_gun_without_a_zone_is_local(tmp_path, written, moment) -> None:
    session = read_with(
        tmp_path, zoned("Europe/Zurich"), ("gun_utc = 2026-05-12T18:02:10.4Z", f"gun_utc={written}")
    )
    assert session.time_zone == "Europe/Zurich"
    assert session.races[0].gun_utc_s == pytest.approx(utc(moment), abs=1e-6)


@pytest.mark.parametrize(
    ("date", "gun", "words"),
    [
        ("2026-03-29", "2026-03-29T02:30:00", "which clocks skipped"),
        ("2026-10-25", "2026-10-25T02:30:00", "which clocks showed twice"),
    ],
)
def test_a_gun_at_an_hour_that_is_not_one(tmp_path, date, gun, words) -> None:
    changes = [("2026-05-12T18:02:10.4Z", gun), ("date = 2026-05-12", f"date = {date}")]
    changes += [("[[sync]]", "[[sync]]\n"), ("near_utc = 2026-05-12", f"near_utc = {date}")]
    with pytest.raises(SessionError, match=f"{words}.*add its zone"):
        read_with(tmp_path, zoned("Europe/Zurich"), *changes)


@pytest.mark.parametrize("name", ["Europe/Zurich", "America/New_York", "UTC", "utc", "Asia/Tokyo"])
def test_a_time_zone_by_its_name(tmp_path, name) -> None:
    assert read_with(tmp_path, zoned(name)).time_zone == ("UTC" if name == "utc" else name)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Zurich", 'did you mean "Europe/Zurich"?'),
        ("Zürich", 'did you mean "Europe/Zurich"?'),
        ("Europe/Zuerich", 'did you mean "Europe/Zurich"?'),
        ("europe/zurich", 'did you mean "Europe/Zurich"?'),
        ("New York", 'did you mean "America/New_York"?'),
        ("CET", '"Europe/Zurich", "Europe/Berlin" or "Europe/Paris"'),
        ("MESZ", "its summer time counts"),
        ("EST", '"America/New_York"'),
        ("GMT", '"Europe/London"'),
        ("+02:00", 'time_zone = "Europe/Zurich"'),
        ("../../etc/passwd", "expected a place"),
        ("right/Europe/Zurich", 'did you mean "Europe/Zurich"?'),
        ("Europe", "expected a place"),
        ("\\u0000/x", "expected a place"),
        ("a/" + "b" * 5000, "expected a place"),
    ],
)
def test_a_time_zone_that_is_none_is_asked_back(tmp_path, name, words) -> None:
    with pytest.raises(SessionError) as told:
        read_with(tmp_path, zoned(name))
    assert "[session] time_zone" in str(told.value)
    assert words in str(told.value)


VALUES = st.one_of(
    st.integers(), st.floats(), st.booleans(), st.text(alphabet="robin4x100:.,/ ", max_size=9)
)


@given(st.sampled_from(["id", "event", "lane", "team", "gun_utc", "official_time_s"]), VALUES)
@settings(max_examples=60, deadline=None)
def test_any_value_in_any_key_of_a_race_is_read_or_told(tmp_path_factory, key, value) -> None:
    shown = f'"{value}"' if isinstance(value, str) else str(value).lower()
    table = dict(line.split(" = ") for line in RACE.split("[[race]]\n")[1].splitlines())
    race = "".join(f"{name} = {shown if name == key else own}\n" for name, own in table.items())
    text = SESSION + RACE.split("[[race]]")[0] + "[[race]]\n" + race
    home = session_folder(tmp_path_factory.mktemp("race"), text)
    told = error_of(lambda: read_session(home))
    assert told is None or f"{key}" in told
