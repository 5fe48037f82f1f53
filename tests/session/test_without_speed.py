"""Units that state no speeds, as plain GPX has none: measured from their places, and said."""

import numpy as np
import pytest
import simulate

from pipeline.session.process import make_session_tables


@pytest.fixture(scope="module", params=[10.0, 5.0, 1.0], ids="{:g} Hz".format)
def session(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("no-speed")
    truth = simulate.make_session(
        folder,
        15,
        n_reps=4,
        n_runners=3,
        imu=False,
        spacing_s=15.0,
        distractors=False,
        fault_share=0.0,
        curves=False,
        formats=("gpx-plain",),
        rate_hz=request.param,
    )
    return truth, make_session_tables(folder / "session.toml", None).tables["exchanges"].to_pylist()


def test_every_takeover_is_there_and_says_that_speeds_were_missing(session):
    truth, rows = session
    assert len(rows) == len(truth.exchanges)
    for row in rows:
        assert row["outcome"] == "passed"
        for runner in (row["incoming"], row["outgoing"]):
            assert any(r.startswith(f"{runner}'s unit states no speeds") for r in row["remarks"])


@pytest.mark.parametrize(
    ("column", "sd", "true", "at_most"),
    [
        ("zone_time_s", "zone_time_sd_s", "baton_zone_time_s", 0.08),
        ("v_in_entry_mps", "v_in_entry_sd_mps", "v_in_entry_mps", 0.4),
        ("v_out_exit_mps", "v_out_exit_sd_mps", "v_out_exit_mps", 0.4),
    ],
)
def test_what_places_tell_lies_within_its_errors(session, column, sd, true, at_most):
    truth, rows = session
    z = []
    for row in rows:
        moment = row["zero_utc"].timestamp()
        x = min(truth.exchanges, key=lambda x: abs(x["entry_utc_s"] - moment))
        assert row[sd] < at_most
        z.append((row[column] - x[true]) / row[sd])
    assert np.abs(z).max() < 3.5
    assert np.sqrt(np.mean(np.square(z))) < 2.0
