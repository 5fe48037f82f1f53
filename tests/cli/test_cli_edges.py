"""The command line under a careless or hostile hand: numbers, names and streams of every sort.

Whatever is typed, and wherever the output goes, no command ends in a defect (exit code 70), shows a
traceback or sends a terminal what it would obey.
"""

import inspect
import io
import json
import os
import re
import shutil
import subprocess
import sys
import types
import typing
import unicodedata

import pytest
import small_sessions as small
from checkout import ROOT, SAMPLES
from command import run
from hostile_names import HOSTILE
from lakes import store_lake

import pipeline.session.check
from pipeline import errors
from pipeline.cli import app, terminal

RED = "\x1b[31m"
NAMES = (f"{RED}\u202enibor", "[bold]\x9b\x07", "a\x00b\nc\u200b", "=1+1|cmd\u2028")
SESSION = SAMPLES / "larch-straight" / "session.toml"
POINTS = """\
spot,latitude_deg,longitude_deg
finish@lane1,44.9998490,-29.9995834
back-end@lane1-inner,44.9994723,-30.0008982
back-start@lane9-outer,45.0001939,-30.0005367
"""


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    """A lake `out` and a survey `points.csv`; do not write here."""
    folder = tmp_path_factory.mktemp("ground")
    store_lake(folder / "out")
    (folder / "points.csv").write_text(POINTS)
    return folder


def needed_words(command, ground, target):
    """What a command cannot do without, all of it in order."""
    out = ground / "out"
    venue = ("--event=4x100", "--lane=4", f"--survey={ground / 'points.csv'}")
    return {
        "venue": (*venue, f"--out={target / 'venue.geojson'}"),
        "season": (SAMPLES, f"--out={target / 'lake'}", "--dry-run"),
        "watch": (SAMPLES / "larch-straight", f"--out={target / 'lake'}", "--once"),
        "overlay": (out, f"--to={target / 'a.svg'}"),
        **dict.fromkeys(
            ("marks", "order", "race", "runners", "progress", "causes"), (out, "--print-only")
        ),
    }[command]


# --- numbers ---------------------------------------------------------------------------


def plain_types(hint):
    """The types an option's hint is made of: `float | None` gives float and NoneType."""
    if typing.get_origin(hint) is typing.Annotated:
        return plain_types(typing.get_args(hint)[0])
    if typing.get_origin(hint) in (types.UnionType, typing.Union, list, tuple):
        return {found for one in typing.get_args(hint) for found in plain_types(one)}
    return {hint}


def number_options():
    """(command, option, its type) for every option that takes a number."""
    return list(_number_options())


def _number_options():
    for command in app.app.registered_commands:
        hints = typing.get_type_hints(command.callback, include_extras=True)
        for name in inspect.signature(command.callback).parameters:
            for kind in plain_types(hints[name]) & {int, float}:
                yield command.name, f"--{name.replace('_', '-')}", kind


IMPOSSIBLE = {
    float: ("nan", "inf", "-inf", "1e999", "1e308", "-1e308", "", "1_0e9", "٣e9", "0x10"),
    int: ("nan", "-1", "-9" * 20, "9" * 30, "9" * 5000, "", "1.5", "0x10"),
}


@pytest.mark.parametrize(("command", "option", "kind"), number_options())
def test_no_impossible_number_is_taken(command, option, kind, ground, tmp_path):
    for text in IMPOSSIBLE[kind]:
        words = needed_words(command, ground, tmp_path)
        code, _, complained = run(command, *words, f"{option}={text}")
        assert (code, "Traceback" in complained) == (errors.UsageError.exit_code, False), text
        assert list(tmp_path.iterdir()) == []


def test_the_walk_over_numbers_finds_them():
    found = {(command, option) for command, option, _ in number_options()}
    assert {("venue", "--radius-m"), ("venue", "--lane"), ("season", "--workers")} <= found
    assert {("marks", "--pace"), ("overlay", "--exchange"), ("order", "--seed")} <= found


@pytest.mark.parametrize("option", ["--foot", "--flat", "--fix", "--forbid"])
@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999", "-1", "", "0x10", "9" * 5000])
def test_no_impossible_number_of_a_runner_is_taken(option, text, ground):
    code, _, complained = run("order", ground / "out", f"{option}=heron={text}", "--print-only")
    assert code == errors.UsageError.exit_code
    assert option in complained


def test_a_survey_cell_of_any_length_is_a_venue_error(tmp_path):
    (tmp_path / "points.csv").write_text(POINTS + "finish@lane1," + "4" * 140_000 + ",1\n")
    words = needed_words("venue", tmp_path, tmp_path)
    code, _, complained = run("venue", *words)
    assert code == errors.VenueError.exit_code
    assert "line 5" in complained


# --- what a terminal obeys ---------------------------------------------------------------

ESCAPES = ("\x1b[31mred", "\x1b]0;title\x07", "bell\x07", "\x9b31m", "del\x7f", "a\rb", "a\nb")
TURNS = ("\N{RIGHT-TO-LEFT OVERRIDE}nibor", "\u2067a", "\ufeffa", "a\u200bb", "\u2028", "\u3164")
UNSEEN = (*ESCAPES, *TURNS, "\udc80", *HOSTILE)


def unseen_in(text):
    return {
        char
        for char in text
        if char != "\n"
        and (unicodedata.category(char) in ("Cc", "Cf", "Cs", "Zl", "Zp") or char == "\u3164")
    }


@pytest.mark.parametrize("text", UNSEEN)
def test_what_acts_unseen_is_written_out(text):
    shown = terminal.show_unseen(text)
    assert unseen_in(shown) == set()
    assert "\n" not in shown
    assert terminal.show_unseen(shown) == shown


@pytest.mark.parametrize("text", ["robin", "Zoë ± 3 m/s²", "小鳥", "[bold]", "a\\nb", ""])
def test_what_is_seen_stays_as_it_is(text):
    assert terminal.show_unseen(text) == text


class Screen(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture(scope="module")
def hostile_lake(tmp_path_factory):
    """A lake whose runners have hostile names; do not write here."""
    out = tmp_path_factory.mktemp("hostile") / "out"
    store_lake(out, names=NAMES)
    return out


def lake_commands(out, target):
    pair = ("--pair", NAMES[0], NAMES[1])
    yield from (("runners", out), ("progress", out), ("marks", out), ("order", out))
    yield ("marks", out, *pair)
    yield from (("report", out, "--to", target / "a.html"), ("export", out, "--to", target / "a"))
    yield ("report", out, *pair, "--to", target / "b.html")
    yield ("validate", out, "--to", target / "c.svg")
    yield ("overlay", out, "--exchange", 99, "--session", NAMES[0])
    yield ("order", out, "--fix", f"{NAMES[0]}=9")
    yield from ((name, NAMES[0]) for name in ("marks", "process", "check", "season", NAMES[1]))
    yield ("check", NAMES[0], NAMES[1])
    yield ("--" + NAMES[0],)
    yield ("marks", out, f"--stake={NAMES[0]}")


@pytest.mark.usefixtures("light")
def test_no_hostile_name_is_printed(hostile_lake, tmp_path):
    for words in lake_commands(hostile_lake, tmp_path):
        code, said, complained = run(*words)
        assert code != app.DEFECT, complained
        assert unseen_in(said + complained) == set(), words


@pytest.mark.parametrize("words", [("runners", "OUT"), ("marks", NAMES[1]), ("order", "OUT")])
@pytest.mark.usefixtures("light")
def test_no_hostile_name_reaches_a_terminal(words, hostile_lake, monkeypatch):
    screen, errors = Screen(), Screen()
    monkeypatch.setattr(sys, "stdout", screen)
    monkeypatch.setattr(sys, "stderr", errors)
    app.main([word.replace("OUT", str(hostile_lake)) for word in words])
    beside = re.sub(r"\r|\x1b\[(2K|1A|\?25[lh])", "", errors.getvalue())  # less the bar's moves
    shown = re.sub(r"\x1b\[[0-9;]*m", "", screen.getvalue() + beside)  # and rich's colours
    assert RED not in screen.getvalue() + errors.getvalue()
    assert unseen_in(shown) == set()
    assert r"\x" in shown
    assert "[bold]" in "".join(shown.split())


def test_file_names_and_remarks_reach_no_terminal(tmp_path):
    text = SESSION.read_text(encoding="utf-8")
    text = text.replace('"otter.fit"', r'"\u001b[31m\u202eotter\u0085.fit"')
    text = text.replace('"heron.csv.gz"', r'"[bold]\nTables in out.csv"')
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    for name in ("reps.csv", "venue.geojson", "stoat.gpx"):
        shutil.copy(SESSION.with_name(name), tmp_path)
    with (tmp_path / "reps.csv").open("a", encoding="utf-8") as sheet:
        sheet.write("\x1b[31m,\x9b,rowan,\u202eheron\n")
    for command in ("check", "process"):
        code, said, complained = run(command, tmp_path / "session.toml")
        assert code not in (0, app.DEFECT)
        assert unseen_in(said + complained) == set()
        assert "\nTables in out" not in said + complained


def test_a_stage_with_a_hostile_name_moves_the_bar_alone(monkeypatch):
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    with terminal.progress_bar() as progress:
        progress("read [bold]a\x1b]0;title\x07\u202e.fit", 1, 2)
    assert r"read [bold]a\x1b]0;title\x07\u202e.fit" in screen.getvalue()


def test_a_traceback_is_shown_without_them(monkeypatch):
    def fail(*_args, **_options):
        raise RuntimeError(NAMES[0])

    monkeypatch.setattr(pipeline.session.check, "check_session", fail)
    code, _, complained = run("--debug", "check", "a.toml")
    assert code == app.DEFECT
    assert "Traceback" in complained
    assert unseen_in(complained) == set()


# --- streams ---------------------------------------------------------------------------


def run_in_shell(script, *words, **environment):
    """A shell's `script`, in which "$@" is the command with its words."""
    command = [sys.executable, "-m", "pipeline.cli", *map(str, words)]
    inherited = {k: v for k, v in os.environ.items() if not k.startswith(("LC_", "LANG", "PYTHON"))}
    return subprocess.run(
        ["bash", "-o", "pipefail", "-c", script, "bash", *command],
        capture_output=True, check=False, cwd=ROOT, env={**inherited, **environment}, timeout=120,
    )  # fmt: skip


PLAIN_C = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
EXPORT = ("export", "OUT", "--to", "TARGET/a.csv")
HELP = ("--help",)
STREAMS = {  # script, environment, exit code, what is complained of, words
    "closed": ('"$@" >&-', {}, 0, b"", EXPORT),
    "all closed": ('"$@" <&- >&- 2>&-', {}, 0, b"", HELP),
    "full": (
        '"$@" >/dev/full',
        {},
        8,
        b"standard output: cannot be written (No space left",
        EXPORT,
    ),
    "both full": ('"$@" >/dev/full 2>&1', {}, 8, b"", HELP),
    "full, unbuffered": ('"$@" >/dev/full', {"PYTHONUNBUFFERED": "1"}, 8, b"No space left", HELP),
    "pipe": ('"$@" | true', {}, 0, b"", EXPORT),
    "pipe, unbuffered": ('"$@" | true', {"PYTHONUNBUFFERED": "1"}, 0, b"", HELP),
    "plain C": ('"$@"', PLAIN_C, 0, b"", EXPORT),
}


@pytest.mark.parametrize("kind", STREAMS)
def test_where_the_output_goes_ends_no_command(kind, hostile_lake, tmp_path):
    script, environment, code, complaint, words = STREAMS[kind]
    words = [w.replace("OUT", str(hostile_lake)).replace("TARGET", str(tmp_path)) for w in words]
    done = run_in_shell(script, *words, **environment)
    assert done.returncode == code, done.stderr
    assert complaint in done.stderr
    assert b"Traceback" not in done.stderr
    assert b"Exception" not in done.stderr
    if words[0] == "export":  # the work is done to its end
        assert (tmp_path / "a.csv").stat().st_size > 1000


def test_bytes_that_are_no_text_are_a_name_like_others(tmp_path):
    """Also where they come back from the file system or go into a record."""
    folder = tmp_path / os.fsdecode(b"z\xff\xfe")
    shutil.copytree(small.simulated("plain").folder, folder)
    (folder / "session.toml").rename(folder / os.fsdecode(b"\xfe.toml"))
    assert run("check", folder / os.fsdecode(b"\xfe.toml"))[0] == 0
    words = ("process", folder / os.fsdecode(b"\xfe.toml"), "--out")
    code, _, complained = run(*words, tmp_path / "out")
    assert (code, complained) == (0, "")
    (record,) = tmp_path.glob("out/provenance/*/*.json")
    assert "\udcfe.toml" in json.loads(record.read_text(encoding="utf-8"))["inputs"]
    code, said, complained = run(*words, folder / "out")
    assert code in (0, errors.InputError.exit_code)
    assert "Traceback" not in complained
    assert unseen_in(said + complained) == set()


def test_a_locale_that_knows_ascii_alone_costs_the_names_beyond_it(tmp_path):
    folder = small.copied("plain", tmp_path / "zoë")
    (folder / "wren.csv").rename(folder / "zoë.csv")
    small.replace(folder / "session.toml", "wren.csv", "zoë.csv")
    words = ("process", folder / "session.toml", "--out", tmp_path / "out")
    done = run_in_shell('"$@"', *words, **PLAIN_C)
    assert done.returncode == 0, done.stderr
    assert b"Left out" in done.stdout


# --- paths of every sort ---------------------------------------------------------------------

ROADS = {  # how a path goes wrong
    "empty": "",
    "here": ".",
    "the root": "/",
    "a folder": "folder",
    "a file": "file.txt",
    "below a file": "file.txt/a",
    "missing": "none/a",
    "dangling": "dangling",
    "a loop": "loop",
    "too long": "a" * 300,
    "too deep": "a/" * 2500,
    "two lines": "a\nTables in out",
    "a device": "/dev/null",
    "a pipe": "pipe",
    "no text": "\udcff",
    "null": "a\x00b",
    "URL": "s3:/",
}
READERS = {  # the path is read, so nothing can come of it
    "check": ("check", "PATH"),
    "process": ("process", "PATH"),
    "venue": ("venue", "--event=4x100", "--lane=4", "--survey", "PATH", "--out=v.geojson"),
    "note": ("note", "PATH", "7 dropped"),
    "season": ("season", "PATH", "--out", "new"),
    "marks": ("marks", "PATH"),
    "order": ("order", "PATH"),
    "runners": ("runners", "PATH"),
    "progress": ("progress", "PATH"),
    "validate": ("validate", "PATH"),
    "report": ("report", "PATH"),
    "overlay": ("overlay", "PATH", "--exchange=1"),
    "export": ("export", "PATH", "--to=a.csv"),
}
WRITERS = {
    "template": ("template", "PATH"),
    "venue, out": ("venue", "--event=4x100", "--lane=4", "--survey=points.csv", "--out", "PATH"),
    "season, out": ("season", "evenings", "--workers=1", "--out", "PATH"),
    "season, dry": ("season", "evenings", "--dry-run", "--out", "PATH"),
    "process, out": ("process", "evenings/none/session.toml", "--out", "PATH"),
    "card": ("marks", "out", "--print-only", "--card", "PATH"),
    "report, to": ("report", "out", "--to", "PATH"),
    "overlay, to": ("overlay", "out", "--exchange=1", "--to", "PATH"),
    "validate, to": ("validate", "out", "--to", "PATH"),
    "export, to": ("export", "out", "--to", "PATH"),
}
WRITTEN_ELSEWHERE = ("the root", "a device")  # not by a test that root may run


@pytest.fixture
def roads(ground, tmp_path, monkeypatch):
    """A folder to stand in, with the things that ROADS name and sound ones beside them."""
    shutil.copytree(ground / "out", tmp_path / "out")
    shutil.copy(ground / "points.csv", tmp_path)
    (tmp_path / "folder").mkdir()
    (tmp_path / "file.txt").write_text("a stranger's\n")
    (tmp_path / "dangling").symlink_to("nowhere")
    (tmp_path / "loop").symlink_to("loop")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "evenings" / "none").mkdir(parents=True)
    (tmp_path / "evenings" / "none" / "session.toml").write_text("[session]\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("command", READERS)
@pytest.mark.usefixtures("roads")
def test_no_path_to_read_ends_in_a_defect(command):
    for name, path in ROADS.items():
        if command == "season" and name in ("the root", "empty", "here"):
            continue  # looked through, and rightly
        words = [path if word == "PATH" else word for word in READERS[command]]
        code, said, complained = run(*words)
        assert code not in (0, app.DEFECT), (name, complained)
        assert "Traceback" not in said + complained
        assert unseen_in(said + complained) == set(), name
        assert complained.strip(), name


@pytest.mark.parametrize("command", WRITERS)
@pytest.mark.usefixtures("light")
def test_no_path_to_write_ends_in_a_defect(command, roads):
    for name, path in ROADS.items():
        if name in WRITTEN_ELSEWHERE:
            continue
        words = [path if word == "PATH" else word for word in WRITERS[command]]
        code, said, complained = run(*words)
        assert code != app.DEFECT, (name, complained)
        assert "Traceback" not in said + complained
        assert unseen_in(said + complained) == set(), name
        assert (said + complained).strip(), name
        if (roads / "file.txt").read_text() != "a stranger's\n":  # one that is there is replaced
            assert code == 0
            (roads / "file.txt").write_text("a stranger's\n")
