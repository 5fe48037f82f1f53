"""Options of `simulate.make_session` for a squad to whom nothing happens but what a test plants."""

from typing import Any

CALM: dict[str, Any] = {
    "n_runners": 4,
    "imu": False,
    "distractors": False,
    "fault_share": 0.0,
    "curves": False,
}
