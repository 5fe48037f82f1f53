"""How every command tells its result: in words, as JSON, or not at all; in which language."""

import io
import json
import math
import re
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from checkout import SAMPLES
from command import run

from pipeline.cli import app, terminal
from pipeline.language.choice import language_in_force
from pipeline.show import squad_pages
from pipeline.tables import lake

SESSION = SAMPLES / "larch-straight" / "session.toml"
pytestmark = pytest.mark.usefixtures("light")


def commands(out, folder):
    """A command line of every command that the lake and an empty folder serve."""
    yield ("template", folder / "new")
    yield ("new", folder / "tuesday", "--team", "robin,wren")
    yield ("sheet", folder / "tuesday")
    yield ("check", SESSION)
    yield ("season", SAMPLES, "--out", folder / "lake", "--dry-run")
    yield from ((name, out, "--print-only") for name in ("runners", "marks", "order", "progress"))
    yield ("marks", out, "--pair", "heron", "otter", "--print-only")
    yield ("causes", out, "--print-only")
    yield ("report", out, "--to", folder / "page.html")
    yield ("overlay", out, "--exchange", 1, "--to", folder / "a.svg")
    yield ("export", out, "--to", folder / "a.csv")
    yield ("forget", out, "--runner", "heron", "--dry-run")


def test_json_is_one_document_and_quiet_is_none(out, tmp_path):
    for words in commands(out, tmp_path):
        code, said, complained = run("--json", *words)
        assert (code, complained) == (0, ""), words
        assert json.loads(said), words
        assert said.isascii()
    again = tmp_path / "again"
    again.mkdir()
    for words in commands(out, again):
        assert run(*words, "--quiet") == (0, "", ""), words
    for name in ("page.html", "a.svg", "a.csv", "new/session.toml"):
        assert (again / name).stat().st_size > 0


def test_json_holds_what_the_table_holds(out):
    found = json.loads(run("marks", out, "--json")[1])
    rows = lake.read_decision(out, "marks").to_pylist()
    assert len(found["marks"]) == len(rows) > 0
    for one, row in zip(found["marks"], rows, strict=True):
        assert list(one) == list(row)
        assert one["mark_m"] == row["mark_m"]
        assert isinstance(one["p_in_zone"], float)
    assert found["out"] == str(out)


def test_values_of_every_sort_are_plain(capsys):
    when = datetime(2026, 5, 12, 17, 21, 3, 500, tzinfo=UTC)
    with terminal.telling(terminal.Manner(as_json=True)):
        terminal.say("nothing of this")
        terminal.print_list("Nor", ["of this"])
        terminal.print_table(["nor"], [("this",)])
        terminal.give(
            {"a": math.nan, "b": (1, None, True), "c": when, "d": Path("x"), "e": {"f": "\x1b"}}
        )
    said = capsys.readouterr().out
    assert "\x1b" not in said
    assert json.loads(said) == {
        "a": None, "b": [1, None, True], "c": "2026-05-12T17:21:03.000500Z", "d": "x",
        "e": {"f": "\x1b"},
    }  # fmt: skip


def test_an_error_is_told_all_the_same(tmp_path):
    for word in ("--json", "--quiet"):
        code, said, complained = run("marks", tmp_path / "none", word)
        assert (code, said) == (3, "")
        assert complained.startswith("batontrace: ")


@pytest.mark.parametrize("words", [("--language", "de"), ("--language=de",), ()])
def test_the_language_is_asked_for_or_the_systems(words, monkeypatch):
    seen = []
    monkeypatch.setattr(terminal, "complain_of", lambda _error: seen.append(language_in_force()))
    monkeypatch.setenv("LC_ALL", "fr_CH.UTF-8")
    for line in ((*words, "marks", "none"), ("marks", "none", *words)):
        assert run(*line)[0] == 3
    assert seen == ["de" if words else "fr"] * 2


def test_a_language_that_is_none_of_ours_is_a_usage_error():
    for words in (("--language", "xx"), ("--language=xx",), ("--language",)):
        code, _, complained = run("marks", "none", *words)
        assert code == 2
        assert re.search(r"--language: no language .*en \(English\), de \(Deutsch\)", complained)


def test_after_two_dashes_words_are_words():
    code, _, complained = run("check", "--", "--json")
    assert code == 5
    assert "--json" in complained


# --- progress ----------------------------------------------------------------------------------


class Screen(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize("words", [("marks",), ("order",), ("causes",), ("progress",)])
def test_long_work_shows_how_far_it_is_on_a_terminal_alone(words, out, monkeypatch):
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("COLUMNS", "80")
    assert app.main([*words, str(out), "--print-only"]) == 0
    assert "marks of the 4x100" in screen.getvalue()
    for manner in ("--quiet", "--json"):
        silent = Screen()
        monkeypatch.setattr(sys, "stderr", silent)
        assert app.main([*words, str(out), "--print-only", manner]) == 0
        assert silent.getvalue() == ""


def test_every_page_is_counted(out):
    told = []
    squad_pages.write_all_pages(out, progress=lambda *one: told.append(one))
    pages = [path.name for path in (out / "report").glob("*.html")]
    assert [(done, total) for _, done, total in told] == [
        (k, len(pages)) for k in range(len(pages) - 1)
    ]
    assert {name for name, *_ in told} < set(pages)
