"""What is taken where nobody says otherwise is the same in options, settings, card and guides."""

import dataclasses
import inspect
import tomllib
from pathlib import Path

import pytest

from pipeline.advise import progress
from pipeline.advise.settings import Conditions, Settings
from pipeline.base import defaults, relays
from pipeline.base.stadium import STANDARD
from pipeline.cli import decide
from pipeline.cli.options import Speed
from pipeline.cli.venue import run_venue
from pipeline.errors import UsageError
from pipeline.session import template

DOCS = Path(__file__).parents[2] / "docs"


def option_defaults(command) -> dict:
    return {name: one.default for name, one in inspect.signature(command).parameters.items()}


@pytest.mark.parametrize(
    "command", [decide.run_marks, decide.run_order, decide.run_runners, decide.run_progress]
)
def test_a_command_takes_what_the_settings_take(command):
    found = option_defaults(command)
    usual = {f.name: f.default for f in dataclasses.fields(Settings)}
    if "seed" in found:
        assert found["seed"] == usual["seed"]
    if "stake" in found:
        assert defaults.STAKES_S[found["stake"]] == usual["failure_s"] == defaults.FAILURE_S
        assert (found["collisions"] == "avoid") == (usual["collision_s"] > 0)
        assert (found["speed"] is Speed.race) == usual["race"]
    if "rules" in found:
        assert found["rules"] == relays.Rules.today
        assert usual["older"] is False


def test_a_tracks_measures_are_the_standard_ones():
    found = option_defaults(run_venue)
    for name in ("radius_m", "straight_m", "lane_width_m"):
        assert found[name] == getattr(STANDARD, name)


def test_estimates_and_conditions_start_from_the_same():
    assert (
        inspect.signature(progress.progress_table).parameters["foot_m"].default == defaults.FOOT_M
    )
    usual = Conditions()
    assert (usual.zone_m, usual.back_m) == (30.0, 0.0)  # of the 4x100, today's rules


@pytest.mark.parametrize("foot_m", [0.149, 0.451, 30.0])
def test_a_foot_is_believed_within_the_same_limits_wherever_it_is_given(foot_m):
    with pytest.raises(UsageError, match=r"metres, 0\.15 to 0\.45"):
        Settings(feet_m={"robin": foot_m})
    for limit in defaults.FOOT_LIMITS_M:
        Settings(feet_m={"robin": limit})


def test_the_guides_and_the_template_name_the_defaults():
    advice = (DOCS / "advice.md").read_text(encoding="utf-8")
    for name, cost_s in defaults.STAKES_S.items():
        assert f"| `--stake {name}`" in advice
        assert f"| {cost_s:g} s |" in advice.split(f"| `--stake {name}`")[1].splitlines()[0]
    assert f"counts {defaults.COLLISION_S:g} s" in advice
    assert f"{defaults.RISKY:.0%}" in advice
    session = template.template_text("session.toml")
    assert tomllib.loads(session)["runner"][0]["foot_m"] == defaults.FOOT_M
