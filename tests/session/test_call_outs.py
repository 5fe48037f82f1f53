"""What a call-out is understood as, and what is asked back or refused."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.base.values import Race, Runner
from pipeline.errors import UsageError
from pipeline.session.call_outs import (
    MOST_CHARACTERS,
    CallOut,
    SheetSetting,
    call_out_in_words,
    parse_call_out,
)

IDS = ("wren", "jay", "robin", "Runner 4", "n7")
ZONES = frozenset({(4, 1), (4, 2), (5, 1)})
HEAT = Race("heat", "4x100", 4, ("wren", "jay", "robin", "n7"))
SETTING = SheetSetting(
    Path("reps.csv"), tuple(map(Runner, IDS)), ZONES, dt.date(2026, 5, 12), races=(HEAT,)
)
PAIR = {"incoming": "wren", "outgoing": "jay"}

UNDERSTOOD = [
    # what is said, rep, cells, note
    ("rep 9 wren to jay zone 2 mark 27 feet", 9, {**PAIR, "zone": "2", "mark_feet": "27"}, ""),
    ("rep 7 pass 21 m", 7, {"pass_m": "21"}, ""),
    ("rep 8 dropped", 8, {}, "dropped"),
    ("7 note legs heavy", 7, {}, "legs heavy"),
    ("7 note: pass at 25 m, mark 3", 7, {}, "pass at 25 m, mark 3"),
    ("#7 pass 21", 7, {"pass_m": "21"}, ""),
    ("rep7, pass 21m, smooth hand", 7, {"pass_m": "21"}, "smooth hand"),
    ("Rep 7: PASS 18,5 Metres", 7, {"pass_m": "18.5"}, ""),
    ("7 pass -3 m", 7, {"pass_m": "-3"}, ""),
    ("7 mark 27 feet", 7, {"mark_feet": "27"}, ""),
    ("7 mark 27 foot", 7, {"mark_feet": "27"}, ""),
    ("7 mark 27ft", 7, {"mark_feet": "27"}, ""),
    ("7 mark 7.6 m", 7, {"mark_m": "7.6"}, ""),
    ("7 Wren to JAY", 7, PAIR, ""),
    ("7 wren -> jay", 7, PAIR, ""),
    ("7 runner 4 to n7 lane 5", 7, {"incoming": "Runner 4", "outgoing": "n7", "lane": "5"}, ""),
    ("7 incoming wren", 7, {"incoming": "wren"}, ""),
    ("7 incoming start 40 m outgoing start 0.3", 7,
     {"incoming_start_m": "40", "outgoing_start_m": "0.3"}, ""),
    ("7 start 17:05:30", 7, {"start_utc": "17:05:30"}, ""),
    ("7 start 2026-05-12T17:05Z", 7, {"start_utc": "2026-05-12T17:05Z"}, ""),
    ("7 late start pass 21 m no mark", 7, {"pass_m": "21"}, "late start; no mark"),
    ("7 close to exit", 7, {}, "close to exit"),
    ("7 passed late", 7, {}, "passed late"),
    ("rep 9 effort 80", 9, {"effort": "80"}, ""),
    ("9 effort 80 %", 9, {"effort": "80"}, ""),
    ("9 effort 72,5%", 9, {"effort": "72.5"}, ""),
    ("9 upsweep", 9, {"technique": "upsweep"}, ""),
    ("9 push pass", 9, {"technique": "push"}, ""),
    ("9 left hand", 9, {"hand": "left"}, ""),
    ("9 hand R", 9, {"hand": "right"}, ""),
    ("9 wind +1.2", 9, {"wind_mps": "1.2"}, ""),
    ("9 wind -0,4 m/s", 9, {"wind_mps": "-0.4"}, ""),
    ("9 wind 1.2m/s", 9, {"wind_mps": "1.2"}, ""),
    ("9 build-up", 9, {"drill": "build-up"}, ""),
    ("9 Build up, wren to jay", 9, {**PAIR, "drill": "build-up"}, ""),
    ("9 rotation wren to jay", 9, {**PAIR, "drill": "rotation"}, ""),
    ("9 jog lane 1 zone 3", 9, {"drill": "jog", "lane": "1", "zone": "3"}, ""),
    ("9 do not use", 9, {"use": "no"}, ""),
    ("9 use yes", 9, {"use": "yes"}, ""),
    ("9 race Heat wren to jay", 9, {**PAIR, "race": "heat"}, ""),
    ("9 upsweep left hand wind +1.2 effort 90 note fine", 9,
     {"technique": "upsweep", "hand": "left", "wind_mps": "1.2", "effort": "90"}, "fine"),
    ("9 technique poor", 9, {}, "technique poor"),
    ("9 use your arms", 9, {}, "use your arms"),
    ("9 hand too low", 9, {}, "hand too low"),
    ("7 start 17h05", 7, {"start_utc": "17h05"}, ""),
    ("7 start 5:05 pm pass 21 m", 7, {"start_utc": "5:05 pm", "pass_m": "21"}, ""),
    ("7 start 5 pm", 7, {"start_utc": "5 pm"}, ""),
]  # fmt: skip


@pytest.mark.parametrize(("said", "rep", "cells", "note"), UNDERSTOOD)
def test_what_is_said_plainly_is_understood(said, rep, cells, note) -> None:
    assert parse_call_out(said, SETTING) == CallOut(rep, cells, note)


GUESSED = [
    # what is said, what was probably meant
    ("rep 7 pas 21 m", "rep 7 pass 21 m"),
    ("rep 7 passed 21 m", "rep 7 pass 21 m"),
    ("rp 7 pass 21 m", "rep 7 pass 21 m"),
    ("rep 7 pass 21 metrs", "rep 7 pass 21 m"),
    ("rep 7 mark 27 fet", "rep 7 mark 27 feet"),
    ("rep 7 mrak 27 feet", "rep 7 mark 27 feet"),
    ("rep 7 mark 27", "rep 7 mark 27 feet"),
    ("rep 7 mark 7.5", "rep 7 mark 7.5 m"),
    ("rep 7 zoen 2", "rep 7 zone 2"),
    ("rep 7 wern to jay", "rep 7 wren to jay"),
    ("rep 7 wren to jya", "rep 7 wren to jay"),
    ("rep 7 wern to jya zone 1", "rep 7 wren to jay zone 1"),
    ("rep 7 outgoing robbin", "rep 7 outgoing robin"),
    ("rep 7 incomin start 40 m", "rep 7 incoming start 40 m"),
    ("rep 7 start 40", "rep 7 incoming start 40 m"),
    ("rep 7 start 0.5 m", "rep 7 outgoing start 0.5 m"),
    ("rep 8 dropped at 25 m", "rep 8 note dropped at 25 m"),
    ("rep 8 pass 21 m late by 2", "rep 8 pass 21 m note late by 2"),
    ("rep 9 standing too far back", "rep 9 drill standing note too far back"),
    ("rep 9 slow build-up", "rep 9 drill build-up note slow"),
    ("rep 9 don't use: fell", "rep 9 use no note fell"),
    ("rep 9 efort 80", "rep 9 effort 80 %"),
    ("rep 9 technique upswep", "rep 9 technique upsweep"),
    ("rep 9 race heats", "rep 9 race heat"),
]


@pytest.mark.parametrize(("said", "meant"), GUESSED)
def test_what_is_nearly_said_gets_its_nearest_reading(said, meant) -> None:
    found = parse_call_out(said, SETTING)
    assert found.guessed
    assert call_out_in_words(found) == meant
    assert not parse_call_out(meant, SETTING).guessed


REFUSED = [
    ("pass 21 m", ["no rep's number", "rep 7 pass 21 m"]),
    ("rep seven pass 21 m", ["no rep's number"]),
    ("rep 7", ["nothing to write down"]),
    ("7 note", ["nothing to write down"]),
    ("rep 7 pass 2l m", ['"2l" after pass is not a number']),
    ("rep 7 pass 210 m", ["pass_m 210", "-25 to 60"]),
    ("rep 7 pass 21 feet", ["pass in feet", '"m"']),
    ("rep 7 mark 0.1 m", ["mark_m 0.1", "0.3 to 40"]),
    ("rep 7 zone 3", ["zone 3 is not in the venue", "lane 4 zone 2"]),
    ("rep 7 zone 2 lane 5", ["lane 5 zone 2 is not in the venue"]),
    ("rep 7 zone 1.5", ["zone 1.5", "a whole number"]),
    ("rep 7 pass 21 pass 22", ["pass_m twice, 21 and 22"]),
    ("rep 7 mark 27 feet mark 7.6 m", ["the mark in metres and in feet"]),
    ("rep 7 wren to wren", ["both incoming and outgoing"]),
    ("rep 7 xx to wren", ['"xx" is not a runner', "wren", "note"]),
    ("rep 7 wren to quail", ['"quail" is not a runner']),
    ("rep 9 effort 0.8", ["effort 0.8", "1 to 100"]),
    ("rep 9 effort 80 m", ["effort in m", '"%"']),
    ("rep 9 wind 5 km/h", ["wind in km/h", '"m/s"']),
    ("rep 9 upsweep downsweep", ["technique twice, upsweep and downsweep"]),
    ("rep 9 race heat jay to wren", ["no successive runners of heat", "wren to jay"]),
    ("rep 9 build-up zone 3", ["zone 3 is not in the venue"]),
    ("rep 7 start 25:00", ["not a time", "17:03:20"]),
    ("rep 7 start 2025-05-12T17:05Z", ["not on the session's day"]),
    ("rep 7 note a\x1b[2Jb", ["cannot be seen"]),
    ("rep 7 note \udcff", ["cannot be seen"]),
    ("rep 7 note " + "x" * MOST_CHARACTERS, [f"{MOST_CHARACTERS} at most"]),
]


@pytest.mark.parametrize(("said", "words"), REFUSED)
def test_what_cannot_be_told_is_refused(said, words) -> None:
    with pytest.raises(UsageError) as told:
        parse_call_out(said, SETTING)
    for word in words:
        assert word in str(told.value)


def test_without_a_venue_any_zone_is_taken() -> None:
    setting = SheetSetting(SETTING.path, SETTING.runners, frozenset(), SETTING.date)
    assert parse_call_out("7 zone 3", setting).cells == {"zone": "3"}


WORDS = st.sampled_from(
    ["rep", "7", "pass", "mark", "21", "27", "m", "feet", "zone", "2", "wren", "to", "jay", "note",
     "start", "incoming", "outgoing", "dropped", "17:05", "7,5", "pas", "-1", "wern", "late;", "=",
     "build-up", "up", "left", "hand", "use", "no", "race", "heat", "wind", "effort", "80", "%",
     "jog", "pm"]
)  # fmt: skip


@given(st.lists(st.one_of(WORDS, st.text(max_size=5)), max_size=9).map(" ".join))
@settings(max_examples=200, deadline=None)
def test_what_is_understood_means_the_same_when_said_plainly(said) -> None:
    try:
        found = parse_call_out(said, SETTING)
    except UsageError:
        return
    again = parse_call_out(call_out_in_words(found), SETTING)
    assert again == CallOut(found.rep, found.cells, found.note)
