"""What is taken where nobody says otherwise is the same in options, settings, card and guides."""

import dataclasses
import inspect
import tomllib
from pathlib import Path

import pytest

from pipeline.advise import progress, runners
from pipeline.advise.settings import Conditions, Settings
from pipeline.base import defaults, relays
from pipeline.base.stadium import STANDARD
from pipeline.cli import decide
from pipeline.cli.session import run_venue
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
    for option, setting in (("risk", "risk"), ("half_life", "half_life_days"), ("seed", "seed")):
        if option in found:
            assert found[option] == usual[setting]
    if "rules" in found:
        assert found["rules"] == relays.Rules.today
        assert usual["older"] is False


def test_a_tracks_measures_are_the_standard_ones():
    found = option_defaults(run_venue)
    for name in ("radius_m", "straight_m", "lane_width_m"):
        assert found[name] == getattr(STANDARD, name)


def test_estimates_and_conditions_start_from_the_same():
    half_life = inspect.signature(runners.estimate_squad).parameters["half_life_days"].default
    assert half_life == Settings().half_life_days == defaults.HALF_LIFE_DAYS
    assert inspect.signature(progress.find_lacks).parameters["foot_m"].default == defaults.FOOT_M
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
    assert f"The default is {defaults.RISK:.2f}." in advice
    methods = (DOCS / "methods.md").read_text(encoding="utf-8")
    assert f"A rep counts half after {defaults.HALF_LIFE_DAYS:.0f} days" in methods
    session = template.template_text("session.toml")
    assert tomllib.loads(session)["runner"][0]["foot_m"] == defaults.FOOT_M
