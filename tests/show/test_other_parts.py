"""Races and exercises on a session's page: what the tables say, a line each."""

from datetime import UTC, datetime, timedelta

import pytest

from pipeline.show.page.other_parts import exercises_section, races_section
from pipeline.tables import schema

BEGIN = datetime(2026, 5, 12, 17, 3, 20, tzinfo=UTC)


def row_of(table, **values):
    return dict.fromkeys(schema.facts(table).names) | {"remarks": []} | values


def lines(section):
    rows = section.findall(".//tbody/tr")
    return [["".join(cell.itertext()).replace("\xa0", " ") for cell in row] for row in rows]


def leg(number, **values):
    return row_of("legs", race="heat", leg=number, event="4x100", **values)


def hand_over(giver, taker, number, **values):
    known = {"first_utc": BEGIN, "last_utc": BEGIN + timedelta(seconds=9), "speed_mps": 3.2}
    known |= {"speed_sd_mps": 0.1, "gap_m": 2.0, "gap_sd_m": 1.2, "gap_spread_m": 0.2}
    known |= {"drill": "rotation", "round": 1, "incoming": giver, "outgoing": taker}
    return row_of("exercises", exercise=number, **known | values)


def test_a_race_has_a_line_a_leg_and_its_whole_at_the_end():
    rows = [
        leg(0, time_s=43.31, time_sd_s=0.04, official_time_s=43.21, difference_s=0.1),
        leg(1, runner="wren", time_s=11.5, time_sd_s=0.03),
        leg(2, runner="lynx", remarks=["no unit"]),
    ]
    section = races_section(rows)
    shown = lines(section)
    assert [row[0] for row in shown] == ["1", "2", "all"]
    assert shown[0][1:3] == ["wren", "11.50 ± 0.03"]
    assert shown[1][2] == "–"
    assert shown[1][-1] == "no unit"
    assert "Official time 43.21 s; measured 0.10 s more" in "".join(section.itertext()).replace(
        "\xa0", " "
    )


@pytest.mark.parametrize("whole", [leg(0), leg(0, official_time_s=43.2)])
def test_a_race_of_which_nothing_is_known_has_its_lines(whole):
    assert lines(races_section([whole]))[0][1:] == ["–"] * 5


def test_a_round_of_a_rotation_is_one_line_from_hand_to_hand():
    rows = [
        hand_over("wren", "lynx", 1, sprint_mps=7.2, sprint_sd_mps=0.1),
        hand_over("lynx", "teal", 2, gap_m=1.0),
        hand_over("lynx", "teal", 3, round=2, first_utc=BEGIN + timedelta(seconds=20)),
    ]
    first, second = lines(exercises_section(rows))
    assert first[:2] == ["rotation, round 1", "wren to lynx to teal"]
    assert first[2].replace("\xa0", " ") == "17:03:20 to 17:03:29 UTC"
    there, _ = lines(exercises_section(rows, "Europe/Zurich"))
    assert there[2] == "19:03:20 to 19:03:29"
    # the two gaps add up to the distance of the ends, known to 1.2 m: their mean to half of it
    assert first[4] == "1.5 ± 0.6"
    assert "then wren sprints: 7.2 m/s" in first[-1]
    assert second[0] == "rotation, round 2"


def test_what_was_not_found_has_its_reason():
    nothing = dict.fromkeys(("first_utc", "last_utc", "speed_mps", "gap_m", "gap_spread_m"))
    row = hand_over("wren", "lynx", 1, **nothing, drill="jog", round=None, remarks=["not found"])
    (line,) = lines(exercises_section([row]))
    assert line == ["jog", "wren to lynx", "–", "–", "–", "–", "not found"]


def test_without_rows_there_is_no_section():
    assert races_section([]) is None
    assert exercises_section([]) is None
