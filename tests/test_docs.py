"""Documentation is generated or tested: tables, commands, options, links, the sample's path."""

import re

import pytest
import typer
from checkout import ROOT

from pipeline import errors
from pipeline.cli import app, season
from pipeline.tables import schema

PAGES = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def commands():
    return typer.main.get_command(app.app).commands


def options(command) -> list[str]:
    names = [name for parameter in command.params for name in parameter.opts]
    return [name for name in names if name.startswith("--") and name != "--help"]


def test_the_table_page_is_current():
    page = (ROOT / "docs" / "tables.md").read_text(encoding="utf-8")
    assert page == schema.markdown(), "run: python -m pipeline.tables.schema > docs/tables.md"


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_and_option_is_in_the_readme(name):
    assert f"`{name}" in README
    assert f"batontrace {name} " in README
    undocumented = [option for option in options(commands()[name]) if option not in README]
    assert not undocumented


def test_every_option_of_the_program_is_in_the_readme():
    assert all(option in README for option in options(typer.main.get_command(app.app)))


def test_the_readme_invents_no_option():
    ours = {o for command in commands().values() for o in options(command)}
    ours |= set(options(typer.main.get_command(app.app))) | {"--help"}
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README)) <= ours


def test_the_readme_lists_the_exit_codes():
    listed = re.search(r"Exit codes: (.*?)\.\n", README, re.DOTALL)[1]
    codes = {int(code) for code in re.findall(r"(?:^|, |,\n)(\d+) ", listed)}
    kinds = [*errors.BatontraceError.__subclasses__(), *errors.InputError.__subclasses__()]
    ends = {0, app.DEFECT, season.SOME_FAILED, season.INTERRUPTED}
    assert codes == {*ends, *(kind.exit_code for kind in kinds)}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page):
    links = re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8"))
    assert [link for link in links if not (page.parent / link).exists()] == []


def test_the_sample_in_the_readme_is_there():
    named = re.findall(r"sample_tracks/\S+\.toml", README)
    assert named
    assert all((ROOT / path).is_file() for path in named)


@pytest.mark.parametrize("name", ["DEVELOPERS.md", "README.md"])
def test_paths_named_in_the_guides_exist(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    named = re.findall(r"`((?:docs|tests|pipeline|schemas|sample_tracks)/[\w./-]+)`", text)
    assert [path for path in named if not (ROOT / path).exists()] == []
