"""Exercises through files: who gave to whom, when, how fast, how far apart; and nothing of them
among the takeovers."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import checkout  # noqa: F401 - finds sample_tracks
import numpy as np
import pytest
import simulate
from shared_work import shared

from pipeline.base.values import Rep
from pipeline.measure.exercises import measure_exercises
from pipeline.measure.noise import SlowError
from pipeline.measure.traces import Trace
from pipeline.session.process import make_session_tables

WORLDS = [(3, 10.0, "ordinary"), (5, 5.0, "ordinary"), (4, 1.0, "rough")]


@shared
def evening(seed: int, rate_hz: float, noise: str):
    """Its exercises as truth and as measured, its takeovers and the session's remarks."""
    with tempfile.TemporaryDirectory() as place:
        truth = simulate.make_session(
            Path(place), seed, n_reps=2, n_runners=5, drills=("standing", "jog", "rotation"),
            imu=False, distractors=False, fault_share=0.0, rate_hz=rate_hz, noise=noise,
        )  # fmt: skip
        measured = make_session_tables(Path(place) / "session.toml", None)
    tables = {name: measured.tables[name].to_pylist() for name in ("exchanges", "exercises")}
    return truth.session["drills"], tables["exercises"], tables["exchanges"], measured.remarks


def who(row):
    return row["drill"], row.get("round"), row["incoming"], row["outgoing"]


def of_kind(rows, drill):
    return [row for row in rows if row["drill"] == drill]


@pytest.mark.parametrize("world", WORLDS)
def test_each_exercise_has_its_time_speed_and_gap(world):
    drills, found, _, _ = evening(*world)
    for drill in ("standing", "jog"):
        (told,), (row,) = of_kind(drills, drill), of_kind(found, drill)
        assert who(row) == who(told)
        begun = max(row["first_utc"].timestamp(), told["from_utc_s"])
        ended = min(row["last_utc"].timestamp(), told["to_utc_s"])
        assert ended - begun > 0.6 * (told["to_utc_s"] - told["from_utc_s"])
        # begin and end of the bout are slower than its middle
        assert row["speed_mps"] == pytest.approx(told["speed_mps"], abs=0.25)
        if drill == "jog":
            assert abs(row["gap_m"] - told["gap_m"]) < 3 * row["gap_sd_m"]
            assert row["gap_spread_m"] < 0.6
        assert row["remarks"]  # that nobody sees the hand-over


@pytest.mark.parametrize("world", WORLDS)
def test_a_rotation_tells_who_gave_to_whom_between_which_sprints(world):
    drills, found, _, _ = evening(*world)
    told = {who(row): row for row in of_kind(drills, "rotation")}
    rows = [row for row in of_kind(found, "rotation") if who(row) in told]
    assert len(rows) >= 0.7 * len(told)
    rounds = {row["round"] for row in told.values()}
    wrong = [
        row
        for row in of_kind(found, "rotation")
        if row["round"] in rounds and who(row) not in told and not row["remarks"]
    ]
    assert not wrong
    for row in rows:
        truth = told[who(row)]
        assert row["first_utc"].timestamp() < truth["to_utc_s"]
        assert row["last_utc"].timestamp() > truth["from_utc_s"]
        assert row["speed_mps"] == pytest.approx(truth["speed_mps"], abs=0.3)
    z = [(row["gap_m"] - told[who(row)]["gap_m"]) / row["gap_sd_m"] for row in rows]
    assert np.sqrt(np.mean(np.square(z))) < 1.5
    for number in rounds:
        own = [row for row in rows if row["round"] == number]
        assert sum(row["sprint_mps"] is not None for row in own) <= 1
        assert all(row["sprint_mps"] > 5.0 for row in own if row["sprint_mps"] is not None)


@pytest.mark.parametrize("world", WORLDS)
def test_no_exercise_is_among_the_takeovers(world):
    drills, _, exchanges, remarks = evening(*world)
    assert [row["rep"] for row in exchanges] == [1, 2]
    first = min(row["from_utc_s"] for row in drills)
    assert all(row["zero_utc"].timestamp() < first for row in exchanges)
    assert not any("not found in the traces" in words for words in remarks)


# --- by hand ---------------------------------------------------------------------------

CALM = SlowError(np.array([60.0]), np.array([0.1]), np.array([0.1]))
HZ = 5.0


def runner(name: str, places_m: np.ndarray) -> tuple[Trace, np.ndarray]:
    t = 1e9 + np.arange(len(places_m)) / HZ
    speed = np.abs(np.gradient(places_m, 1 / HZ))
    nowhere = np.zeros(len(t))
    trace = Trace(name, t, nowhere, nowhere, speed, speed, HZ)
    return trace, np.stack([places_m, np.zeros(len(t))], axis=1)


def pair(gap_m: float, pace_mps: float = 3.0, seconds: float = 40.0):
    """Two who stand 10 s, jog one behind the other, and stand 10 s."""
    t = np.arange(0, seconds + 20, 1 / HZ)
    way = pace_mps * np.clip(t - 10, 0, seconds)
    made = {"wren": runner("wren", way), "lynx": runner("lynx", way + gap_m)}
    return {n: one[0] for n, one in made.items()}, {n: one[1] for n, one in made.items()}


JOG = Rep(2, "wren", "lynx", start_utc_s=1e9 + 12, drill="jog")


def test_a_jog_behind_each_other_is_measured_to_centimetres_where_places_are_true():
    (one,) = measure_exercises([JOG], *pair(1.8), CALM).hand_overs
    assert one.gap is not None
    assert one.speed is not None
    assert one.gap.value == pytest.approx(1.8, abs=0.02)
    assert one.gap.sd > 0.3  # two units side by side may differ all the same
    assert one.speed.value == pytest.approx(3.0, abs=0.1)
    assert one.gap_spread_m < 0.05


def test_who_gave_from_the_front_is_asked_about():
    (one,) = measure_exercises([JOG], *pair(-4.0), CALM).hand_overs
    assert any("swapped" in words for words in one.remarks)
    (one,) = measure_exercises([JOG], *pair(4.0), CALM).hand_overs
    assert not any("swapped" in words for words in one.remarks)


@pytest.mark.parametrize(
    ("rep", "why"),
    [
        (replace(JOG, start_utc_s=1e9 + 2000), "never jog"),
        (replace(JOG, incoming="heron"), "no usable recording of heron"),
        (replace(JOG, drill="rotation"), "only 2 in the line"),
    ],
)
def test_what_cannot_be_found_says_why(rep, why):
    (one,) = measure_exercises([rep], *pair(1.8), CALM).hand_overs
    assert one.gap is None
    assert one.speed is None
    assert why in " ".join(one.remarks)


def test_walking_back_is_no_jog_and_a_takeover_is_no_exercise():
    for pace in (1.4, 9.0):
        (one,) = measure_exercises([JOG], *pair(1.8, pace), CALM).hand_overs
        assert one.between_s is None
    takeover = replace(JOG, drill=None)
    assert measure_exercises([takeover], *pair(1.8), CALM).hand_overs == ()


def test_a_takeover_in_the_middle_of_a_jog_is_the_jogs():
    found = measure_exercises([JOG], *pair(1.8), CALM)
    assert found.hold(("wren", "lynx"), 1e9 + 30)
    assert not found.hold(("wren", "lynx"), 1e9 + 90)
    assert not found.hold(("wren", "teal"), 1e9 + 30)


def test_two_jogs_without_times_take_their_places_in_the_order():
    traces, plane = pair(1.8)
    rows = [replace(JOG, start_utc_s=None), replace(JOG, line=3, start_utc_s=None)]
    one, other = measure_exercises(rows, traces, plane, CALM).hand_overs
    assert one.between_s is not None
    assert other.between_s is None  # there was one jog only


def test_an_untimed_row_says_so_and_a_timed_one_does_not():
    for rep, says in ((replace(JOG, start_utc_s=None), True), (JOG, False)):
        (one,) = measure_exercises([rep], *pair(1.8), CALM).hand_overs
        assert any("no time" in words for words in one.remarks) is says


def test_an_untimed_jog_before_a_timed_stretch_does_not_take_the_longer_one_after_it():
    """Two bouts, the second longer: rows without times take them in their order."""
    t = np.arange(0, 150, 1 / HZ)
    way = 3.0 * (np.clip(t - 10, 0, 15) + np.clip(t - 60, 0, 60))
    made = {"wren": runner("wren", way), "lynx": runner("lynx", way + 1.8)}
    rows = [replace(JOG, start_utc_s=None), replace(JOG, line=3, start_utc_s=None)]
    first, second = measure_exercises(
        rows, {n: one[0] for n, one in made.items()}, {n: one[1] for n, one in made.items()}, CALM
    ).hand_overs
    assert first.between_s[1] < 1e9 + 40 < second.between_s[0]


def test_a_line_with_a_runner_who_has_no_recording_says_who_may_be_missing():
    t = np.arange(0, 60, 1 / HZ)
    made = {
        name: runner(name, 3.0 * np.clip(t - 10, 0, 40) + 2.0 * k)
        for k, name in enumerate(("wren", "teal", "lynx"))
    }
    traces, plane = ({n: one[k] for n, one in made.items()} for k in (0, 1))
    rep = replace(JOG, drill="rotation")
    for squad, says in ((("wren", "teal", "lynx", "heron"), True), (("wren", "teal"), False)):
        found = measure_exercises([rep], traces, plane, CALM, squad).hand_overs
        assert len(found) == 2
        for one in found:
            assert any("heron" in words for words in one.remarks) is says
