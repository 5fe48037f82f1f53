"""The lane: stated wrongly, not stated, two used in turn; and what is said of it."""

import dataclasses
import shutil

import mishaps
import numpy as np
import pytest
import simulate
from calm_squads import CALM

from pipeline.measure import lanes
from pipeline.measure.noise import SlowError
from pipeline.session.process import make_session_tables

BRIEF = CALM | {"n_reps": 4, "spacing_s": 20.0}


@pytest.fixture(scope="module", params=["straight", "bend"])
def made(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(f"lanes-{request.param}")
    return simulate.make_session(folder, 2, place=request.param, **BRIEF)


def lanes_of(made, folder, kind):
    shutil.copytree(made.folder, folder)
    mishaps.plant(dataclasses.replace(made, folder=folder), kind, 1)
    session = make_session_tables(folder / "session.toml", None)
    rows = session.tables["exchanges"].to_pylist()
    assert len(rows) == len(made.exchanges)
    for row, x in zip(rows, made.exchanges, strict=True):
        assert row["lane"] == x["lane"]
        assert row["zero_utc"].timestamp() == pytest.approx(x["entry_utc_s"], abs=0.08)
    return rows, session.remarks


def test_a_wrong_lane_is_the_traces_and_said(made, tmp_path):
    rows, remarks = lanes_of(made, tmp_path / "session", "wrong lane")
    lane = made.session["lane"]
    words = f"the sheet says lane {lane % 8 + 1}, both ran in lane {lane}"
    assert all(words in row["remarks"] for row in rows)
    assert remarks == (f"4 takeovers: {words}",)


def test_a_lane_nobody_states_is_found(made, tmp_path):
    rows, _ = lanes_of(made, tmp_path / "session", "lane unknown")
    assert len(rows) == 4


def test_tapes_off_all_evening_are_no_other_lane(made, tmp_path):
    rows, remarks = lanes_of(made, tmp_path / "session", "every stand off")
    assert not any("lane" in words for row in rows for words in row["remarks"])
    assert not any("lane" in words for words in remarks)


# --- the odds -----------------------------------------------------------------------------

SLOW = SlowError(np.array([60.0, 2000.0]), np.array([0.4, 0.8]), np.array([0.2, 0.4]))


def evidence(moment_s, lane, along_m, aside_m=1.22, seen_m=0.0, count=8):
    """Places beside the line and one stand, for lanes 1 and 2, of somebody in lane `lane`;
    `seen_m` is what the slow error adds to all."""
    shift = {1: 0.0, 2: 1.0}
    off = [
        np.array(
            [(shift[lane] - shift[k]) * aside_m] * count + [(shift[lane] - shift[k]) * along_m]
        )
        for k in (1, 2)
    ]
    return lanes.LaneEvidence(
        (1, 2),
        (0, 1),
        np.array(off) + seen_m,
        np.array([[0.0, -1.0]] * count + [[1.0, 0.0]]),
        moment_s + np.arange(count + 1.0),
        np.zeros(count + 1),
        np.full(count + 1, 0.4),
        np.array([0.0] * count + [-1.0]),
    )


def judged(ran, stated, apart_s=60.0, along_m=3.8, **more):
    moments = [apart_s * i for i in range(len(ran))]
    given = [evidence(t, lane, along_m, **more) for t, lane in zip(moments, ran, strict=True)]
    return lanes.judge_lanes(given, stated, moments, SLOW)


@pytest.mark.parametrize("stated", [[None] * 8, [1] * 8, [2] * 8])
def test_two_lanes_in_turn_are_told_apart(stated):
    ran = [1, 2] * 4
    assert [one.axis + 1 for one in judged(ran, stated)] == ran


def test_what_is_stated_holds_where_lines_lie_together():
    """Nothing but the slow error's own metre sideways: the sheet is believed, and not doubted."""
    for lane in (1, 2):
        found = judged([1] * 4, [lane] * 4, along_m=0.3, seen_m=0.6)
        assert {one.axis + 1 for one in found} == {lane}
        assert all(one.p_other < 0.2 for one in found)
    (open_,) = judged([1], [None], along_m=0.3, seen_m=0.6)
    assert 0.3 < open_.p_other <= 0.5


def test_two_at_once_do_not_run_in_one_lane():
    apart, together = (
        judged([1, 1], [1, None], apart_s=apart_s, along_m=0.3, seen_m=0.0)
        for apart_s in (60.0, 3.0)
    )
    assert [one.axis for one in apart] == [0, 0]
    assert [one.axis for one in together] == [0, 1]
