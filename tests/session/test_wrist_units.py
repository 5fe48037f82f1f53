"""Units on wrists through the files of a small evening: where they show the pass, where they show
nothing, and where they cannot be believed."""

import functools
import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
import small_sessions as small
from shared_work import once, shared

from pipeline.measure import reps, wrists
from pipeline.measure.wrists import WristSign
from pipeline.session.process import make_session_tables

EVENING = {"n_reps": 3, "wrist_hz": 100.0, "seed": 20}


def run(folder):
    """The tables of a session by name, as rows."""
    tables = make_session_tables(folder / "session.toml", None).tables
    return {name: table.to_pylist() for name, table in tables.items()}


def _made(kinds, folder):
    return small.make(folder, "sensed", wrist_kinds=kinds, **EVENING)


def without_wrists(folder):
    """The same evening whose session.toml does not name the units on wrists."""
    path = folder / "session.toml"
    blocks = path.read_text(encoding="utf-8").split("\n\n")
    left = [block for block in blocks if "-wrist" not in block]
    assert len(left) < len(blocks)
    path.write_text("\n\n".join(left) + "\n", encoding="utf-8")
    return folder


@functools.cache
def evening(*kinds):
    """An evening with units on wrists; its folder is not to be written to, and its truth."""
    place = once(f"wrists {kinds}", lambda to: _made(kinds, to / "evening"))
    return place / "evening"


@functools.cache
@shared
def rows_with(*kinds):
    return run(evening(*kinds))


@functools.cache
@shared
def rows_without(*kinds):
    """The tables of the same evening where session.toml names no unit on a wrist."""

    def fill(place):
        shutil.copytree(evening(*kinds), place / "evening")
        without_wrists(place / "evening")

    return run(once(f"no wrists {kinds}", fill) / "evening")


def copy_of(tmp_path, *kinds):
    target = tmp_path / "evening"
    shutil.copytree(evening(*kinds), target, ignore=shutil.ignore_patterns("truth*"))
    return target


def passes_of(tables):
    return [row for row in tables["exchanges"] if row["pass_t_s"] is not None]


def utc(row, column):
    return row["zero_utc"].timestamp() + row[column]


def test_arms_that_reach_are_sensed_and_known_better():
    before = {row["exchange"]: row for row in passes_of(rows_without("reach"))}
    assert {row["pass_basis"] for row in before.values()} == {"inferred"}
    sensed = [row for row in passes_of(rows_with("reach")) if row["pass_basis"] == "sensed"]
    assert len(sensed) >= 2
    for row in sensed:
        assert row["pass_t_sd_s"] < 0.6 * before[row["exchange"]]["pass_t_sd_s"]
        assert row["pass_t_sd_s"] < wrists.SENSED_SD_S + 0.01


def test_what_is_sensed_is_true_within_its_errors():
    truth = json.loads((evening("reach") / "truth.json").read_text(encoding="utf-8"))
    true = {x["exchange"]: x for x in truth["exchanges"]}
    z, hands = [], []
    back = {
        act["exchange"]: act["hand_back_utc_s"]
        for unit in truth["recordings"]
        for act in unit.get("acts", ())
        if act["role"] == "outgoing"
    }
    for row in passes_of(rows_with("reach")):
        x = true[row["exchange"]]
        z.append((utc(row, "pass_t_s") - x["pass_utc_s"]) / row["pass_t_sd_s"])
        if row["hand_back_t_s"] is not None:
            off = utc(row, "hand_back_t_s") - back[row["exchange"]]
            hands.append(off / row["hand_back_t_sd_s"])
            assert row["hand_back_t_s"] < row["pass_t_s"]
            assert 0 <= row["steps_to_hand_back"] <= row["steps_to_pass"]
    assert np.abs(z).max() < 3
    assert hands
    assert np.abs(hands).max() < 3


def test_the_other_arm_changes_no_figure():
    """No sign: exactly the same figures as without the unit."""
    without = rows_without("other arm")
    with_unit = rows_with("other arm")
    assert with_unit["exchanges"] == without["exchanges"]
    assert with_unit["speed_curves"] == without["speed_curves"]
    assert len(with_unit["recordings"]) > len(without["recordings"])


@pytest.mark.parametrize("late_s", [-1.0])
def test_a_wrist_on_another_clock_is_not_used_and_that_is_said(tmp_path, late_s):
    folder = copy_of(tmp_path, "reach")
    files = sorted(folder.glob("*-wrist.csv"))
    for path in files:
        small.later(path, late_s)
    found, without = run(folder), rows_without("reach")
    assert [row["pass_t_s"] for row in found["exchanges"]] == [
        row["pass_t_s"] for row in without["exchanges"]
    ]
    for row in found["exchanges"]:
        words = [word for word in row["remarks"] if "wrist was not used" in word]
        assert len(words) == 2


def test_a_wrist_that_stops_too_soon_is_not_used_and_that_is_said(tmp_path):
    folder = copy_of(tmp_path, "reach")
    for path in folder.glob("*-wrist.csv"):
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        path.write_text("".join(lines[: len(lines) // 20]), encoding="utf-8")
    found = run(folder)
    last = found["exchanges"][-1]
    assert any("no samples about the takeover" in word for word in last["remarks"])
    assert last["pass_basis"] == "inferred"


def test_a_false_sign_moves_no_pass_without_a_word(monkeypatch):
    """A sign where the pass cannot have been: overruled, and named."""
    before = {row["exchange"]: row for row in passes_of(rows_without("reach"))}

    def find_false_signs(cases, units):
        del units
        return [
            replace(case, signs=(false_sign(case),), signs_on_trace_clock=(False,))
            for case in cases
        ]

    def false_sign(case):
        end = case.candidate.exit_s - case.problem.zero_utc_s + 1.2
        t = np.arange(end - 4.0, end, 0.02)
        density = np.exp(-0.5 * ((t - end + 0.2) / 0.05) ** 2) / (0.05 * np.sqrt(2 * np.pi))
        runner = case.candidate.outgoing
        return WristSign(runner, t, density, 0.97, None, "an arm still for 0.40 s, and a knock")

    monkeypatch.setattr(reps, "find_wrist_signs", find_false_signs)
    found = run(evening("reach"))
    assert passes_of(found)
    for row in passes_of(found):
        assert row["pass_basis"] == "inferred"
        assert any("wrist shows an arm still" in word for word in row["remarks"])
        was = before[row["exchange"]]
        assert abs(row["pass_t_s"] - was["pass_t_s"]) < 0.5 * was["pass_t_sd_s"]


def test_a_correction_of_the_traces_clock_moves_only_the_units_on_it():
    t = np.arange(1.0, 3.0, 0.02)
    signs = [
        WristSign(who, t, np.exp(-((t - 2.0) ** 2)), 0.9, None, "") for who in ("wren", "teal")
    ]
    moved = reps.moved_signs(signs, (True, False), {"wren": 0.3, "teal": 0.3})
    assert moved[0].t_s[0] == pytest.approx(1.3)
    assert moved[1].t_s[0] == 1.0


def test_the_evening_is_the_same_but_for_the_units_on_wrists(tmp_path):
    _made((), tmp_path / "plain")
    plain = {p.name: p.read_bytes() for p in (tmp_path / "plain").iterdir()}
    worn = {p.name: p.read_bytes() for p in evening("reach").iterdir()}
    own = {"session.toml", "truth.json"}
    assert {name for name in worn if name not in plain} == {
        name for name in worn if name.endswith("-wrist.csv")
    }
    assert all(worn[name] == plain[name] for name in plain if name not in own)
