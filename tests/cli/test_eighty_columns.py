"""What any command prints fits 80 columns, in each language, short and long; times are local."""

import functools
import io
import shutil

import pytest
from checkout import SAMPLES
from command import run
from held_out import Evening, observations, store_evening
from lakes import store_lake
from rich.cells import cell_len
from shared_work import once

from pipeline.advise import decisions
from pipeline.cli import app, terminal
from pipeline.language.choice import LANGUAGES
from pipeline.session import check, process
from pipeline.show import publish

RACE = SAMPLES / "larch-race" / "session.toml"
MANNERS = [(language, *long) for language in LANGUAGES for long in ((), ("--long",))]
WIDE_NAMES = ("小鳥遊小鳥遊小鳥遊", "otter-with-a-long-name", "rowan", "stoat")
pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture(scope="module")
def measured():
    """The sample's race, measured; do not write here."""
    return once("the sample's race", lambda place: process.make_session_tables(RACE, place))


@pytest.fixture(autouse=True, scope="module")
def only_once():
    """What commands work out is the same in every language: it is worked out once."""
    with pytest.MonkeyPatch.context() as patch:
        for name in [name for name in dir(decisions) if name.startswith("decide_")]:
            patch.setattr(decisions, name, remembered(getattr(decisions, name)))
        for module, name in (
            (process, "make_session_tables"),
            (check, "check_session"),
            (publish, "write_page"),
            (publish, "write_figure"),
        ):
            patch.setattr(module, name, remembered(getattr(module, name)))
        yield


def remembered(function):
    known = {}

    @functools.wraps(function)
    def answer(*args, **options):
        key = repr((args, options))
        if key not in known:
            known[key] = function(*args, **options)
        return known[key]

    return answer


@pytest.fixture(autouse=True)
def narrow(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")


def is_narrow(line: str) -> bool:
    """Within 80 cells, or a path alone on its line, whole."""
    return cell_len(line) <= 80 or (" " not in line.strip() and "/" in line)


def wide_lines(*words: object) -> list[str]:
    """Lines that are too wide, of what the words print in every manner; none is to be a defect."""
    found = []
    for language, *long in MANNERS:
        code, said, complained = run(*words, "--language", language, *long)
        assert code == 0, complained
        assert said.strip(), words
        found += [line for line in said.splitlines() if not is_narrow(line)]
    return found


@pytest.fixture(scope="module")
def long_names(tmp_path_factory):
    """Two evenings with names that are wide; do not write here."""
    out = tmp_path_factory.mktemp("wide") / "out"
    store_lake(out, names=WIDE_NAMES)
    return out


@pytest.mark.parametrize(
    "words",
    [
        *((name,) for name in ("runners", "marks", "order", "progress", "causes")),
        *((name, "--pair", *WIDE_NAMES[:2]) for name in ("marks", "causes")),
    ],
    ids=" ".join,
)
def test_decisions_fit(words, long_names):
    assert wide_lines(words[0], long_names, *words[1:], "--print-only") == []


@pytest.mark.parametrize("words", [("process",), ("check",)])
def test_a_session_fits(words):
    assert wide_lines(*words, RACE) == []


def test_a_race_fits(measured, tmp_path):
    out = shutil.copytree(measured, tmp_path / "out")
    assert wide_lines("race", out, "--print-only") == []
    assert wide_lines("forget", out, "--runner", "heron", "--dry-run") == []
    assert wide_lines("export", out, "--to", tmp_path / "a.xlsx") == []
    assert wide_lines("report", out, "--to", tmp_path / "a.html") == []
    assert wide_lines("overlay", out, "--exchange", 1, "--to", tmp_path / "a.svg") == []


def test_what_was_held_out_fits(tmp_path):
    store_evening(tmp_path, "otter", observations(Evening("otter", seed=1, misread=2)))
    assert wide_lines("validate", tmp_path, "--print-only") == []


def test_a_season_fits(tmp_path):
    assert wide_lines("season", SAMPLES, "--out", tmp_path / "lake", "--dry-run") == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_help_fits_in_every_language(language):
    for command in ((), *((one.name,) for one in app.app.registered_commands)):
        code, said, _ = run(*command, "--help", "--language", language)
        assert code == 0
        assert all(map(is_narrow, said.splitlines())), command
        assert ("Options" in said) == (language != "de")
        assert ("Usage" in said) == (language != "de")


def test_a_wrong_command_line_is_told_in_ones_language():
    told = {
        ("marks",): "Es fehlt das Argument",
        ("marksi",): "Den Befehl 'marksi' gibt es nicht. Gemeint war 'marks'?",
        ("marks", "x", "--nope"): "Diese Option gibt es nicht: --nope",
        ("marks", "x", "--speed", "slow"): "'slow' ist keines von",
        ("marks", "none"): "erwartet: ",
        ("marks", "x", "--stake"): "Die Option '--stake' braucht einen Wert.",
        ("season", "x", "--out", "y", "--workers", "0"): "Ungültiger Wert für '--workers'",
    }
    for words, part in told.items():
        code, _, complained = run(*words, "--language", "de")
        assert code in (2, 3)
        assert part in complained


# --- times -------------------------------------------------------------------------------------


def test_times_are_local_and_their_zone_is_named_once():
    said = run("check", RACE)[1]
    assert said.count("Atlantic/Azores") == 1
    assert "UTC" not in said


# --- how lines are folded ------------------------------------------------------------------------


@pytest.mark.parametrize("cells", [20, 31, 80])
@pytest.mark.parametrize(
    "text", ["a b", "word " * 40, "小鳥" * 90, "מילה " * 30, "x" * 200, "e\u0301 " * 50, ""]
)
def test_a_paragraph_keeps_its_words_and_to_the_line(text, cells):
    lines = terminal.folded(text, cells, "- ", "  ")
    assert all(cell_len(line) <= cells for line in lines)
    whole = "".join(line[2:] if k else line.removeprefix("- ") for k, line in enumerate(lines))
    assert whole.replace(" ", "") == text.replace(" ", "").removeprefix("- ") or text == ""


def test_a_path_stands_alone_and_whole():
    path = "/a/" + "long/" * 30 + "path.html"
    lines = terminal.folded(f"Page of 3 takeovers: {path} and more", 80)
    assert lines == ["Page of 3 takeovers:", path, "and more"]


def test_a_table_that_cannot_fit_becomes_lists(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    terminal.print_table(
        ["one", "two", "three"], [("1.23 ± 0.45",) * 3 + (), ("x" * 60,) * 3], right=(0, 1, 2)
    )
    lines = capsys.readouterr().out.splitlines()
    assert all(cell_len(line) <= 40 for line in lines)
    assert "1.23 ± 0.45" in " ".join(lines)  # no figure is folded


def test_a_minus_stays_one_where_the_encoding_has_none():
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="cp1252")
    lenient = terminal.LenientStream(stream)
    lenient.write(f"{terminal.signed(-0.5, 2)} ± 0.10 ½")
    lenient.flush()
    assert raw.getvalue().decode("cp1252") == "-0.50 ± 0.10 ½"
