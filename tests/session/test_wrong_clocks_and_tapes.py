"""A clock, a tape or a seen pass that is not as it was said: right within its error, and said."""

import numpy as np
import pytest
import simulate
import worlds
from calm_squads import CALM
from mishaps import plant

from pipeline.session.process import make_session_tables

SQUAD = CALM | {"n_reps": 8, "spacing_s": 15.0}
WORLD = 3


def make(folder, seed=3, **options):
    folder.mkdir(parents=True, exist_ok=True)
    world = worlds.draw_world(WORLD)
    return simulate.make_session(folder, 50 + seed, world=world, **SQUAD | options)


def measured(truth):
    """Rows with their truths, the session's remarks, and the rows of `recordings`."""
    result = make_session_tables(truth.folder / "session.toml", None)
    rows = result.tables["exchanges"].to_pylist()
    by_rep = {x["rep"]: x for x in truth.exchanges}
    pairs = [(row, by_rep[row["rep"]]) for row in rows]
    return pairs, result.remarks, result.tables["recordings"].to_pylist()


def assert_right(pairs):
    for row, true in pairs:
        if row["zone_time_s"] is None or true["baton_zone_time_s"] is None:
            continue
        assert abs(row["zone_time_s"] - true["baton_zone_time_s"]) < 3 * row["zone_time_sd_s"]
        assert abs(row["zero_utc"].timestamp() - true["entry_utc_s"]) < 0.09


def test_a_sound_session_is_left_alone(tmp_path):
    pairs, remarks, recordings = measured(make(tmp_path / "sound"))
    assert_right(pairs)
    said = [word for row, _ in pairs for word in row["remarks"]] + list(remarks)
    assert not [word for word in said if "unit" in word or "the sheet has" in word]
    assert {row["clock_basis"] for row in recordings} == {"stamps"}
    assert all(row["fit_z"] < 4 for row, _ in pairs)


@pytest.mark.parametrize("kind", ["clock 0.3 s", "clock 3 s"])
def test_a_clock_that_is_off_is_corrected_and_said(tmp_path, kind):
    truth = make(tmp_path / "late")
    planted = plant(truth, kind, 3)
    pairs, remarks, recordings = measured(truth)
    assert len(pairs) == SQUAD["n_reps"]
    assert_right(pairs)
    late = "late" if planted.size > 0 else "early"
    (words,) = [word for word in remarks if "against the others" in word]
    assert words.startswith(f"{planted.runner}'s unit is ")
    assert late in words
    assert "corrected" in words
    for row, _ in pairs:
        concerned = planted.runner in (row["incoming"], row["outgoing"])
        assert any("corrected" in word for word in row["remarks"]) == concerned
    (unit,) = [row for row in recordings if row["runner"] == planted.runner]
    assert unit["clock_basis"] == "motion"
    assert abs(unit["offset_s"] + planted.size) < 4 * unit["clock_sd_s"]
    assert unit["clock_sd_s"] > 0.005


@pytest.mark.parametrize("kind", ["receiver's stand 3 m", "incoming stand 5 m"])
def test_a_tape_that_is_off_is_not_used_and_said(tmp_path, kind):
    truth = make(tmp_path / "taped")
    planted = plant(truth, kind, 3)
    pairs, _, _ = measured(truth)
    assert_right(pairs)
    for row, true in pairs:
        words = [word for word in row["remarks"] if "the sheet has" in word]
        if true["rep"] in planted.reps:
            assert any("the traces are used" in word for word in words)
            assert row["fit_z"] > 3
            assert row["outcome"] in (true["outcome"], "unclear")
        else:
            assert words == []


def test_a_pass_seen_on_another_line_of_the_sheet_is_doubted(tmp_path):
    truth = make(tmp_path / "seen", seen_share=0.5)
    row = next(x for x in truth.exchanges if x["pass_m"] is not None)
    path = truth.folder / "reps.csv"
    head, *lines = path.read_text(encoding="utf-8").splitlines()
    at = head.split(",").index("pass_m")
    cells = [line.split(",") for line in lines]
    for line in cells:
        if int(line[head.split(",").index("rep")]) == row["rep"]:
            line[at] = f"{row['pass_m'] - 12:.1f}"
    path.write_text("\n".join([head, *(",".join(line) for line in cells)]) + "\n", encoding="utf-8")
    pairs, _, _ = measured(truth)
    (found,) = [one for one, true in pairs if true["rep"] == row["rep"]]
    assert found["pass_basis"] == "inferred"
    assert any("the sheet saw the pass" in word for word in found["remarks"])
    assert abs(found["pass_m"] - row["pass_m"]) < 3 * found["pass_sd_m"]


def test_every_row_says_how_well_all_agrees(tmp_path):
    pairs, _, _ = measured(make(tmp_path / "z", n_reps=3))
    assert all(row["fit_z"] is not None and np.isfinite(row["fit_z"]) for row, _ in pairs)
