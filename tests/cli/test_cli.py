"""The command line: what it prints, where, with which exit code; never a traceback."""

import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pymap3d
import pytest
from random_tables import random_table

import pipeline.session.check
import pipeline.session.process
from pipeline import errors
from pipeline.cli import app, season, terminal
from pipeline.language.numbers import number
from pipeline.read.practice.session import read_session
from pipeline.session import template
from pipeline.tables import schema

COMMANDS = sorted(command.name for command in app.app.registered_commands)
TREE = [errors.BatontraceError, *errors.BatontraceError.__subclasses__()]
TREE += errors.InputError.__subclasses__()


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture(autouse=True)
def wide_and_english(monkeypatch):
    """As conftest has it, which the wheel's tests do without."""
    monkeypatch.setenv("COLUMNS", "1000")
    monkeypatch.setenv("LC_ALL", "C.UTF-8")


@pytest.fixture
def a_result():
    tables = {name: random_table(name, rows=4, seed=5) for name in schema.TABLES}
    numbered = {**tables["exchanges"].to_pydict(), "exchange": [1, 2, 3, 4]}
    tables["exchanges"] = schema.conform("exchanges", numbered)
    return SimpleNamespace(
        session=SimpleNamespace(id="otter", event="4x100"),
        tables=tables,
        remarks=("one unit's clock was [not] tied",),
        left_out=("kit.fit: empty",),
    )


@pytest.fixture
def session(tmp_path):
    """A venue of one straight lane and two runners' recordings of ten seconds."""

    def place(east: float, north: float) -> list[float]:
        latitude, longitude, _ = pymap3d.enu2geodetic(east, north, 0, 48.2, 11.5, 0)
        return [round(float(longitude), 9), round(float(latitude), 9)]

    def feature(shape: str, coordinates, **properties):
        geometry = {"type": shape, "coordinates": coordinates}
        return {"type": "Feature", "geometry": geometry, "properties": properties}

    line = [place(0, metres) for metres in range(-100, 101, 5)]
    zone = {"kind": "zone-line", "lane": 4, "zone": 1}
    features = [
        feature("LineString", line, kind="lane", lane=4),
        feature("Point", place(0, 0), line="back", **zone),
        feature("Point", place(0, 0), line="entry", **zone),
        feature("Point", place(0, 30), line="exit", **zone),
    ]
    collection = {"type": "FeatureCollection", "features": features}
    (tmp_path / "venue.geojson").write_text(json.dumps(collection))
    (tmp_path / "reps.csv").write_text("rep,incoming,outgoing\n1,robin,kit\n")
    text = (
        template.template_text("session.toml")
        .replace("kit.gpx", "kit.csv")
        .replace("robin.fit", "robin.csv")
    )
    (tmp_path / "session.toml").write_text(text)
    for name, start in (("robin", -60.0), ("kit", 0.0)):
        rows = ["time_utc,latitude_deg,longitude_deg,speed_mps"]
        for tick in range(101):
            longitude, latitude = place(0, start + 0.5 * tick)
            stamp = f"2026-01-31T17:00:{tick / 10:06.3f}Z"
            rows.append(f"{stamp},{latitude},{longitude},5.0")
        (tmp_path / f"{name}.csv").write_text("\n".join(rows) + "\n")
    return tmp_path / "session.toml"


def run(*words: object) -> int:
    return app.main([str(word) for word in words])


# --- help ------------------------------------------------------------------------------


@pytest.mark.parametrize("command", [[], *([name] for name in COMMANDS)], ids=["", *COMMANDS])
def test_help_fits_80_columns_and_shows_an_example(command, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert run(*command, "--help") == 0
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80
    assert "Usage: batontrace" in shown
    if command:
        assert f"batontrace {command[0]} " in shown.split("Example")[1]


def test_help_names_every_exit_code(capsys):
    run("--help")
    shown = " ".join(capsys.readouterr().out.split())
    listed = {int(code) for code in re.findall(r"(?:: |; )(\d+) ", shown.split("Exit codes")[1])}
    ends = {0, app.DEFECT, season.SOME_FAILED, season.INTERRUPTED}
    assert listed == {*ends, *(error.exit_code for error in TREE[1:])}


def test_errors_have_exit_codes_of_their_own():
    assert len({error.exit_code for error in TREE}) == len(TREE)


HEAVY = {"numpy", "scipy", "pyarrow", "pandas", "matplotlib", "fitparse"}
HEAVY |= {"rich", "rich.markdown", "rich.syntax", "markdown_it", "pygments", "typer.rich_utils"}


def loaded_after(*words: str) -> set[str]:
    code = (
        f"import sys; from pipeline.cli import app; app.main({list(words)}); "
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


@pytest.mark.parametrize("words", [("--help",), ("marks", "--help"), ("report", "--help")])
def test_help_loads_nothing_heavy(words):
    loaded = loaded_after(*words)
    assert "typer" in loaded
    assert loaded & HEAVY == set()
    assert not {name for name in loaded if name.startswith(("pipeline.read", "pipeline.measure"))}


def test_help_cuts_no_command_short_and_shows_no_markup(capsys):
    run("--help")
    shown = capsys.readouterr().out
    assert "..." not in shown.split("Commands:")[1]
    assert not re.search(r"\[/?[a-z]+\]", shown)
    listed = re.findall(r"(?m)^  ([a-z]+)  ", shown.split("Commands:")[1])
    assert sorted(listed) == COMMANDS


def test_version_is_the_distributions(capsys):
    assert run("--version") == 0
    assert re.fullmatch(r"batontrace \d+\.\d+\.\d+\n", capsys.readouterr().out)


# --- errors ----------------------------------------------------------------------------


@pytest.mark.parametrize("error", TREE)
def test_every_kind_of_error_has_its_exit_code_and_one_line(error, monkeypatch, capsys):
    def fail(*_args, **_options):
        raise error("x.toml", "no [session]", "a table [session]", "see `batontrace template`")

    monkeypatch.setattr(pipeline.session.process, "make_session_tables", fail)
    assert run("process", "x.toml") == error.exit_code
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == (
        "batontrace: x.toml: no [session]; expected a table [session]; see `batontrace template`\n"
    )


def test_a_defect_is_one_line_and_its_traceback_is_for_debug(monkeypatch, capsys):
    def fail(*_args, **_options):
        raise ZeroDivisionError("division\nby zero")

    monkeypatch.setattr(pipeline.session.process, "make_session_tables", fail)
    assert run("process", "x.toml") == app.DEFECT
    said = capsys.readouterr().err
    assert "this is a defect" in said
    assert "ZeroDivisionError: division by zero" in said
    assert said.count("\n") == 1
    for words in (("--debug", "process", "x.toml"), ("process", "x.toml", "--debug")):
        assert run(*words) == app.DEFECT
        assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["process"], ["proces", "x"], ["process", "x", "--outt", "y"]])
def test_a_wrong_command_line_is_a_usage_error(words, capsys):
    assert run(*words) == errors.UsageError.exit_code
    said = capsys.readouterr()
    assert "Usage" in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize("command", ["process", "check"])
def test_a_session_that_is_not_there_is_a_session_error(command, tmp_path, capsys):
    assert run(command, tmp_path / "none.toml") == errors.SessionError.exit_code
    assert "none.toml" in capsys.readouterr().err


# --- process ---------------------------------------------------------------------------


def test_process_prints_plain_lines_when_piped(a_result, monkeypatch, capsys):
    asked = []
    monkeypatch.setenv("COLUMNS", "4000")

    def give(path, out, *, progress, anyway):
        asked.append((path, out, progress, anyway))
        return a_result

    monkeypatch.setattr(pipeline.session.process, "make_session_tables", give)
    assert run("process", "a.toml", "--out", "lake") == 0
    assert asked == [(Path("a.toml"), Path("lake"), None, False)]  # piped: no progress
    said = capsys.readouterr()
    assert said.err == ""
    assert "\t" not in said.out
    assert "\x1b" not in said.out
    rows = a_result.tables["exchanges"].to_pylist()
    for row in rows:
        (line,) = [x for x in said.out.splitlines() if x.split()[:1] == [str(row["exchange"])]]
        assert f"{row['incoming']} to {row['outgoing']}" in line
        assert row["outcome"] in line
        if row["zone_time_s"] is not None:
            assert f"{number(row['zone_time_s'], 2)} ± {row['zone_time_sd_s']:.2f}" in line
        assert all(fault in line for fault in row["faults"])
    assert "one unit's clock was [not] tied" in said.out
    assert "kit.fit: empty" in said.out
    assert "Tables in lake" in said.out


def test_process_without_out_says_that_nothing_was_written(a_result, monkeypatch, capsys):
    monkeypatch.setattr(pipeline.session.process, "make_session_tables", lambda *_a, **_k: a_result)
    assert run("process", "a.toml") == 0
    assert "Nothing written" in capsys.readouterr().out


@pytest.mark.parametrize("width", [50, 80, 120])
def test_on_a_terminal_the_table_keeps_to_its_width(a_result, monkeypatch, width):
    screen = Terminal()
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setattr(sys, "stdout", screen)
    monkeypatch.setattr(pipeline.session.process, "make_session_tables", lambda *_a, **_k: a_result)
    assert run("process", "a.toml", "--out", "lake") == 0
    assert not re.search(r"\x1b\[[0-9;]*3\d", screen.getvalue())  # no colour
    shown = re.sub(r"\x1b\[[0-9;]*m", "", screen.getvalue())
    assert max(map(len, shown.splitlines())) <= width
    assert "[not]" in shown  # square brackets are no markup
    for row in a_result.tables["exchanges"].to_pylist():
        if row["pass_m"] is not None and width > 50:
            assert f" {number(row['pass_m'], 1)} ± {row['pass_sd_m']:.1f} " in shown


def test_the_bar_is_for_terminals(monkeypatch):
    with terminal.progress_bar() as piped:
        assert piped is None
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with terminal.progress_bar() as progress:
        progress("read robin.fit", 1, 2)
    assert "read robin.fit" in screen.getvalue()


def test_an_encoding_without_the_signs_does_not_end_the_run():
    code = "from pipeline.cli import terminal\nwith terminal.lenient_streams():\n    print('± é')"
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment)
    assert (done.returncode, done.stdout.split()) == (0, [b"?", b"?"])


# --- check -----------------------------------------------------------------------------


def test_check_says_what_each_file_holds(session, capsys):
    assert run("check", session, "--long") == 0
    said = capsys.readouterr().out
    for name in ("robin", "kit"):
        lines = " ".join(x for x in said.splitlines() if f"{name}.csv" in x)
        for word in ("gnss (csv)", " 101 ", " 10 ", " 17:00:00 ", "position, speed"):
            assert word in lines
        assert f"{name}: no accelerometer" in said
    assert "2026-01-31 (UTC), 4x100" in said  # the zone of all times, once
    assert "UTC" not in said.split("(UTC)")[1]
    assert "1 rep;" in said
    assert "lane 4, zone 1\n" in said


def test_check_lists_races_and_the_time_zone(session, capsys):
    text = session.read_text().replace('# time_zone = "Europe', 'time_zone = "Europe')
    runners = "".join(f'[[runner]]\nid = "{name}"\n' for name in ("wren", "finch"))
    race = '[[race]]\nid = "heat"\nteam = ["robin", "kit", "wren", "finch"]\n'
    session.write_text(text + runners + race + "gun_utc = 2026-01-31T18:02:10.4\n")
    assert run("check", session) == 0
    said = capsys.readouterr().out
    assert "2026-01-31 (Europe/Zurich), 4x100" in said
    (line,) = [x for x in said.splitlines() if x.lstrip().startswith("heat")]
    for word in ("4x100", "robin, kit, wren, finch", "18:02:10.400"):
        assert word in line
    assert " 18:00:00 " in said  # the recordings' first moments are local as well
    assert "race heat: the venue has no start and no finish line of lane 4" in " ".join(
        said.split()
    )
    session.write_text(session.read_text().replace("gun_utc = 2026", "# gun_utc = 2026"))
    run("check", session)
    assert "race heat: no gun_utc" in capsys.readouterr().out


def test_check_computes_the_rate_and_the_gap(session):
    file = session.with_name("kit.csv")
    rows = file.read_text().splitlines()
    file.write_text("\n".join(rows[:40] + rows[60:]) + "\n")
    report = pipeline.session.check.check_session(session)
    kit = next(stream for stream in report.streams if stream.runner == "kit")
    assert kit.rate_hz == pytest.approx(10, rel=1e-6)
    assert kit.longest_gap_s == pytest.approx(2.1, abs=1e-6)
    assert kit.samples == 81


def test_check_names_a_file_that_is_not_there_and_goes_on(session, capsys):
    session.with_name("robin.csv").unlink()
    assert run("check", session) == errors.NothingMeasured.exit_code
    said = capsys.readouterr().out
    assert "robin.csv" in said.split("Cannot be read")[1]
    assert "robin: no positions" in said
    assert "kit.csv" in said
    assert "needs the positions of two runners" in said


def test_check_fails_as_a_recording_where_enough_is_left(session, capsys):
    text = session.read_text() + '\n[[recording]]\nrunner = "kit"\nfile = "empty.fit"\n'
    session.write_text(text)
    session.with_name("empty.fit").touch()
    assert run("check", session) == errors.RecordingError.exit_code
    assert "empty.fit" in capsys.readouterr().out


def test_check_notices_a_rep_outside_the_recordings(session):
    session.with_name("reps.csv").write_text(
        "rep,incoming,outgoing,start_utc\n"
        "1,robin,kit,2026-01-31T17:00:05Z\n2,robin,kit,2026-01-31T18:00:05Z\n"
    )
    missing = [
        x for x in pipeline.session.check.check_session(session).missing if "practice sheet" in x
    ]
    assert len(missing) == 2  # the second rep, for each of the two runners
    assert all("line 3" in sentence and "18:00:05Z" in sentence for sentence in missing)


def test_check_notices_a_file_of_another_day(session):
    file = session.with_name("kit.csv")
    file.write_text(file.read_text().replace("2026-01-31T", "2026-01-11T"))
    (sentence,) = [
        x for x in pipeline.session.check.check_session(session).missing if "recorded on" in x
    ]
    assert "kit.csv" in sentence
    assert "2026-01-11" in sentence


# --- template --------------------------------------------------------------------------


def test_the_template_is_a_session_that_reads(tmp_path, session, capsys):
    assert run("template", tmp_path / "new" / "folder") == 0
    said = capsys.readouterr().out
    assert "stop on pain" in said
    folder = tmp_path / "new" / "folder"
    (folder / "venue.geojson").write_text(session.with_name("venue.geojson").read_text())
    started = read_session(folder / "session.toml")
    assert [runner.id for runner in started.runners] == ["robin", "kit"]
    assert [rep.mark_m for rep in started.reps] == [None, 7.5]
    assert not started.remarks


def test_every_line_of_the_template_that_is_switched_off_reads_too(session):
    keys = "id|runner|file|worn|clock|columns|kind|near|window|use|time_zone"
    keys += "|event|lane|team|gun|official"
    switched = re.sub(rf"(?m)^# (?=\[\[|(?:{keys})\w* = )", "", session.read_text())
    session.write_text(switched)
    (session.parent / "film-zone1.csv").write_text("rep,event,time_s\n1,pass,0:01:02.35\n")
    started = read_session(session)
    assert len(started.recordings) == 3
    assert len(started.taps) == 1
    assert [len(one.sightings) for one in started.observers] == [1]
    assert started.time_zone == "Europe/Zurich"
    assert [race.team for race in started.races] == [("robin", "kit", "wren", "finch")]
    assert not started.remarks


@pytest.mark.parametrize("name", template.TEMPLATE_FILES)
def test_the_template_never_overwrites(name, tmp_path, capsys):
    (tmp_path / name).write_text("mine")
    assert run("template", tmp_path) == errors.UsageError.exit_code
    assert "exists already" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_a_template_where_nothing_can_be_written_is_an_output_error(tmp_path, capsys):
    (tmp_path / "file").touch()
    assert run("template", tmp_path / "file" / "below") == errors.OutputError.exit_code
    assert "cannot be written" in capsys.readouterr().err


# --- venue -----------------------------------------------------------------------------

POINTS = """\
spot,latitude_deg,longitude_deg
finish@lane1,44.9998490,-29.9995834
back-end@lane1-inner,44.9994723,-30.0008982
back-start@lane9-outer,45.0001939,-30.0005367
"""


def lay_out(tmp_path, points=POINTS, **options):
    (tmp_path / "points.csv").write_text(points)
    words = {"event": "4x100", "lane": 4, "survey": tmp_path / "points.csv", **options}
    words.setdefault("out", tmp_path / "venue.geojson")
    return run("venue", *(f"--{name.replace('_', '-')}={word}" for name, word in words.items()))


def test_venue_writes_a_venue_that_reads_and_tells_its_residuals(tmp_path, session, capsys):
    session.with_name("venue.geojson").unlink()
    assert lay_out(tmp_path) == 0
    said = capsys.readouterr().out
    off = dict(re.findall(r"(?m)^(\S+@\S+)\s+(\d+\.\d+)", said))
    assert set(off) == {line.split(",")[0] for line in POINTS.splitlines()[1:]}
    assert all(0 < float(distance) < 0.1 for distance in off.values())  # surveyed with sd 0.03
    axes = pipeline.session.check.check_session(session).axes
    assert [(axis.lane, axis.zone) for axis in axes] == [(4, 1), (4, 2), (4, 3)]
    # World Athletics Technical Rules 24.3: takeover zones of 30 m in the 4x100 m.
    assert all(abs(axis.exit_m - 30.0) < 0.01 for axis in axes)


def test_the_older_zones_have_their_back_line_10_m_before_the_entry(tmp_path, session):
    # IAAF Competition Rules 2016-2017, Rule 170.3: 20 m zones, 10 m of acceleration.
    session.with_name("venue.geojson").unlink()
    assert lay_out(tmp_path, rules="older") == 0
    for axis in pipeline.session.check.check_session(session).axes:
        assert abs(axis.exit_m - 20.0) < 0.01
        assert abs(axis.back_m + 10.0) < 0.01


def test_the_example_in_the_help_works(tmp_path, capsys):
    run("venue", "--help")
    shown = capsys.readouterr().out
    rows = re.findall(r"(?m)^ *(\S+@\S+,[\d.-]+,[\d.-]+) *$", shown)
    assert len(rows) == 2
    assert lay_out(tmp_path, "spot,latitude_deg,longitude_deg\n" + "\n".join(rows)) == 0


def test_venue_never_overwrites(tmp_path, capsys):
    (tmp_path / "venue.geojson").write_text("mine")
    assert lay_out(tmp_path) == errors.UsageError.exit_code
    assert "exists already" in capsys.readouterr().err
    assert (tmp_path / "venue.geojson").read_text() == "mine"


BAD_SURVEYS = {
    "empty": ("", "spot, latitude_deg, longitude_deg"),
    "no column": ("spot,lat\nfinish@lane1,45", "add latitude_deg, longitude_deg"),
    "one point": ("\n".join(POINTS.splitlines()[:2]), "two or more"),
    "no number": (POINTS.replace("45.0001939", "north"), 'line 4: latitude_deg "north"'),
    "no fix": (POINTS.replace("45.0001939,-30.0005367", "0,0"), "no fix"),
    "unknown spot": (POINTS.replace("back-end", "backend-x"), "backend-x"),
    "metres off": (POINTS.replace("45.0001939", "45.0011939"), "back-start@lane9-outer"),
}


@pytest.mark.parametrize(("points", "said"), BAD_SURVEYS.values(), ids=BAD_SURVEYS)
def test_a_bad_survey_is_a_venue_error_and_writes_nothing(tmp_path, capsys, points, said):
    assert lay_out(tmp_path, points) == errors.VenueError.exit_code
    assert said in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["points.csv"]


def test_a_track_that_is_no_400_m_is_a_usage_error(tmp_path, capsys):
    assert lay_out(tmp_path, radius_m=30) == errors.UsageError.exit_code
    assert "400 m" in capsys.readouterr().err


def test_a_venue_where_nothing_can_be_written_is_an_output_error(tmp_path, capsys):
    assert lay_out(tmp_path, out=tmp_path / "no" / "v.geojson") == errors.OutputError.exit_code
    assert "cannot be written" in capsys.readouterr().err
