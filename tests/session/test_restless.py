"""Receivers who shuffle or start falsely: the start that leads to the run counts."""

import numpy as np
import pytest
import simulate

from pipeline.session.process import make_session_tables


@pytest.mark.parametrize("share", [0.5, 1.0])
def test_first_movement_is_right_within_its_standard_error(tmp_path, share):
    truth = simulate.make_session(
        tmp_path,
        31,
        n_reps=6,
        n_runners=3,
        spacing_s=12.0,
        fault_share=0.0,
        distractors=(),
        restless=share,
    )
    rows = make_session_tables(tmp_path / "session.toml", None).tables["exchanges"].to_pylist()
    true = {x["rep"]: x["go_utc_s"] for x in truth.exchanges}
    assert len(rows) == len(true)
    errors = np.array([r["zero_utc"].timestamp() + r["go_t_s"] - true[r["rep"]] for r in rows])
    ratio = errors / np.array([r["go_t_sd_s"] for r in rows])
    assert np.abs(errors).max() < 0.06
    assert np.abs(ratio).max() < 4
