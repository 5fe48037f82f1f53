"""Many sessions: only what changed is measured, one failure costs itself, and a kill or a second
run at the same time changes nothing in the end."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time

import evenings as evenings_of
import pytest
import small_sessions as small
from command import run
from deadly import shout_or_die
from evenings import IDS, an_evening, contents
from random_tables import random_table

from pipeline.errors import FewerInputsError, InputError, NothingMeasured, OutputError
from pipeline.measure import noise
from pipeline.read.practice.session import read_session
from pipeline.season import engines, season
from pipeline.session import process
from pipeline.tables import provenance, schema, whole_files, writing


@pytest.fixture
def evenings(tmp_path):
    folder = tmp_path / "evenings" / "june"
    folder.mkdir(parents=True)
    for session_id in IDS:
        an_evening(folder, session_id)
    return tmp_path / "evenings"


@pytest.fixture(name="quick")
def quick_fixture(monkeypatch):
    """Sessions are read, written and recorded as ever, and their takeovers drawn by lot."""
    measured = []

    def measure(path, out, *, command=None, source=None, **_options):
        session = read_session(path)
        measured.append(session.id)
        if "unmeasurable" in path.read_text():
            raise NothingMeasured(path, "no takeover")
        tables = {name: random_table(name, session.id, 3) for name in schema.TABLES}
        writing.write_session(out, session.id, tables, process.run_record(session, command, source))
        return process.MeasuredSession(session, tables, (), ())

    monkeypatch.setattr(process, "make_session_tables", measure)
    return measured


def go(evenings, **options):
    out = evenings.parent / "out"
    return season.measure_season(
        str(evenings), str(out), engines.Here(), command=("season",), **options
    )


def states(summary):
    return {one.session: one.state for one in summary.outcomes}


# --- what is measured ---------------------------------------------------------------------


def test_only_what_changed_is_measured_again(evenings, quick):
    assert set(states(go(evenings)).values()) == {"measured"}
    assert sorted(quick) == list(IDS)
    quick.clear()
    assert set(states(go(evenings)).values()) == {"unchanged"}
    path = evenings / "june" / IDS[1] / "wren.csv"
    path.touch()  # another time, the same content
    assert set(states(go(evenings)).values()) == {"unchanged"}
    small.edit(path, lambda text: text + "\n")
    seen = go(evenings, dry_run=True)
    assert next(one.why for one in seen.outcomes if one.session == IDS[1]) == ("wren.csv changed",)
    assert quick == []
    go(evenings)
    assert quick == [IDS[1]]


def test_a_file_that_comes_or_goes_is_a_change(evenings, quick):
    path = evenings / "june" / IDS[0] / "wren.csv"
    content = path.read_bytes()
    path.unlink()
    go(evenings)
    quick.clear()
    path.write_bytes(content)
    seen = go(evenings, dry_run=True)
    assert seen.outcomes[0].why == ("wren.csv is new",)
    go(evenings)
    path.unlink()
    assert go(evenings, dry_run=True).outcomes[0].why == ("wren.csv is gone",)


def test_a_file_that_is_gone_leaves_richer_tables_as_they_are(evenings, quick):
    go(evenings)
    before = contents(evenings.parent / "out")
    path = evenings / "june" / IDS[0] / "wren.csv"
    content = path.read_bytes()
    path.unlink()
    small.edit(evenings / "june" / IDS[1] / "wren.csv", lambda text: text + "\n")
    quick.clear()
    for _ in range(2):
        summary = go(evenings)
        assert states(summary)[IDS[0]] == "kept"
        assert summary.outcomes[0].why == ("wren.csv is gone",)
        assert not summary.failed
    assert quick == [IDS[1]]
    after = contents(evenings.parent / "out")
    assert {k: v for k, v in after.items() if IDS[0] in k} == {
        k: v for k, v in before.items() if IDS[0] in k
    }
    path.with_name("swift.csv").write_bytes(content)  # under another name it is there
    small.replace(path.with_name("session.toml"), '"wren.csv"', '"swift.csv"')
    assert states(go(evenings))[IDS[0]] == "measured"
    path.with_name("swift.csv").unlink()
    assert states(go(evenings))[IDS[0]] == "kept"
    assert states(go(evenings, anyway=True))[IDS[0]] == "measured"
    assert states(go(evenings))[IDS[0]] == "unchanged"


def test_what_was_measured_and_not_written_is_not_tried_again(evenings, quick, monkeypatch):
    go(evenings)
    real = process.make_session_tables

    def refuse(path, out, *, anyway=False, **options):
        if not anyway and IDS[0] in str(path):
            quick.append(IDS[0])
            raise FewerInputsError(IDS[0], "wren.csv cannot be read now")
        return real(path, out, **options)

    monkeypatch.setattr(process, "make_session_tables", refuse)
    small.edit(evenings / "june" / IDS[0] / "wren.csv", lambda text: text + "\n")
    quick.clear()
    for _ in range(2):
        summary = go(evenings)
        assert states(summary)[IDS[0]] == "kept"
        assert "cannot be read" in summary.outcomes[0].why[0]
    assert quick == [IDS[0]]
    assert states(go(evenings, anyway=True))[IDS[0]] == "measured"
    assert states(go(evenings))[IDS[0]] == "unchanged"


@pytest.mark.parametrize(
    ("where", "name", "value", "said"),
    [
        (noise, "STILL_S", 4.0, "settings: measure.noise.STILL_S"),
        (provenance, "library_versions", lambda: {"batontrace": "9.9"}, "is now 9.9"),
    ],
)
def test_other_settings_or_versions_are_a_change(
    evenings, quick, monkeypatch, where, name, value, said
):
    go(evenings)
    quick.clear()
    monkeypatch.setattr(where, name, value)
    seen = go(evenings, dry_run=True)
    assert all(said in one.why[-1] for one in seen.outcomes)
    go(evenings)
    assert sorted(quick) == list(IDS)


def test_a_table_that_was_deleted_is_made_again(evenings, quick):
    go(evenings)
    quick.clear()
    shutil.rmtree(evenings.parent / "out" / "speed_curves" / f"session={IDS[2]}")
    go(evenings)
    assert quick == [IDS[2]]


def test_asked_for_again_all_are_measured(evenings, quick):
    go(evenings)
    go(evenings, again=True)
    assert sorted(quick) == sorted([*IDS, *IDS])


def test_looking_only_writes_nothing(evenings, quick):
    summary = go(evenings, dry_run=True)
    assert set(states(summary).values()) == {"new"}
    assert quick == []
    assert not (evenings.parent / "out").exists()


@pytest.mark.usefixtures("quick")
def test_sessions_are_found_by_what_is_in_them(evenings, tmp_path):
    (evenings / "other.toml").write_text("[project]\nid = 1\n")
    hidden = evenings / ".trash"
    shutil.copytree(evenings / "june" / IDS[0], hidden / "old")
    (evenings / "june" / IDS[0] / "session.toml").rename(evenings / "june" / IDS[0] / "monday.toml")
    elsewhere = tmp_path / "elsewhere"
    shutil.copytree(evenings / "june" / IDS[0], elsewhere)
    (evenings / "link").symlink_to(elsewhere, target_is_directory=True)
    assert sorted(one.name for one in go(evenings).outcomes) == [
        f"june/{IDS[0]}/monday.toml",
        f"june/{IDS[1]}/session.toml",
        f"june/{IDS[2]}/session.toml",
    ]


@pytest.mark.usefixtures("quick")
def test_a_folder_without_sessions_is_said(tmp_path):
    (tmp_path / "evenings").mkdir()
    with pytest.raises(InputError, match="holds no session"):
        go(tmp_path / "evenings")


def test_an_out_that_is_a_file_is_said_before_anything_is_done(evenings, quick):
    (evenings.parent / "out").write_text("mine")
    with pytest.raises(OutputError, match="is not a folder"):
        go(evenings)
    assert quick == []
    assert (evenings.parent / "out").read_text() == "mine"


# --- what fails ---------------------------------------------------------------------------


def test_a_failure_is_reported_its_tables_stay_and_the_rest_is_done(evenings, quick):
    go(evenings)
    out = evenings.parent / "out"
    before = contents(out)
    path = evenings / "june" / IDS[1] / "session.toml"
    small.edit(path, lambda text: text + "# unmeasurable\n")
    small.edit(evenings / "june" / IDS[2] / "wren.csv", lambda text: text + "\n")
    quick.clear()
    summary = go(evenings)
    assert states(summary)[IDS[1]] == "failed"
    assert states(summary)[IDS[2]] == "measured"
    assert "no takeover" in summary.failed[0].why[0]
    assert str(evenings) not in summary.failed[0].why[0]
    after = contents(out)
    assert {k: v for k, v in after.items() if IDS[1] in k} == {
        k: v for k, v in before.items() if IDS[1] in k
    }
    quick.clear()
    summary = go(evenings)
    assert states(summary)[IDS[1]] == "failed before"
    assert "no takeover" in summary.failed[0].why[0]
    assert quick == []
    small.edit(path, lambda text: text.replace("# unmeasurable\n", ""))
    summary = go(evenings)
    assert states(summary)[IDS[1]] == "unchanged"  # what its tables were made of
    assert not json.loads((out / season.FAILURES).read_text())


@pytest.mark.usefixtures("quick")
def test_a_file_that_is_no_session_is_reported_each_time(evenings):
    (evenings / "june" / IDS[0] / "session.toml").write_text("[session]\nid = 3\n")
    for _ in range(2):
        summary = go(evenings)
        assert [one.name for one in summary.failed] == [f"june/{IDS[0]}/session.toml"]
        assert states(summary)[IDS[1]] in ("measured", "unchanged")


def test_two_sessions_of_one_id_are_both_refused(evenings, quick):
    an_evening(evenings, IDS[0])
    summary = go(evenings)
    assert [one.state for one in summary.outcomes] == ["failed", "failed", "measured", "measured"]
    assert all("expected one id a session" in one.why[0] for one in summary.failed)
    assert IDS[0] not in quick


@pytest.mark.usefixtures("quick")
def test_a_defect_in_one_session_is_an_outcome(evenings, monkeypatch):
    real = process.make_session_tables

    def defective(path, out, **options):
        if IDS[0] in str(path):
            raise ZeroDivisionError("of a defect")
        return real(path, out, **options)

    monkeypatch.setattr(process, "make_session_tables", defective)
    summary = go(evenings)
    assert states(summary) == {IDS[0]: "failed", IDS[1]: "measured", IDS[2]: "measured"}
    assert "of a defect" in summary.failed[0].why[0]


# --- several at once ------------------------------------------------------------------------


def test_a_session_that_another_run_is_measuring_is_waited_for(evenings, quick):
    """The other run lets go once this one has come round to waiting, its work done."""
    out = evenings.parent / "out"
    go(evenings)
    before = contents(out)
    shutil.rmtree(out)
    rounds = []

    class Watched(engines.Here):
        def run(self, function, tasks):
            rounds.append([task.name for task in tasks])
            if len(rounds) == 2:
                session = read_session(evenings / "june" / IDS[0] / "session.toml")
                process.make_session_tables(session.path, out, command=("other",))
                held.__exit__(None, None, None)
            yield from super().run(function, tasks)

    held = whole_files.claim(out, IDS[0])
    assert held.__enter__()
    quick.clear()
    summary = season.measure_season(str(evenings), str(out), Watched(), command=("season",))
    assert rounds[1] == [f"june/{IDS[0]}/session.toml"]
    assert quick.count(IDS[0]) == 1
    assert [o.why for o in summary.outcomes if o.session == IDS[0]] == [
        ("another run has measured it meanwhile",)
    ]
    assert contents(out) == before


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_a_process_that_is_killed_costs_its_own_task_only():
    tasks = ["otter", "deadly", "heron", "bad", "stoat", "rowan"]
    done = dict(engines.Processes(2).run(shout_or_die, tasks))
    assert set(done) == set(tasks)
    assert {t: r for t, r in done.items() if not isinstance(r, BaseException)} == {
        t: t.upper() for t in ("otter", "heron", "stoat", "rowan")
    }
    assert "bad" in str(done["bad"])


# --- the command ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def alone():
    return evenings_of.measured("plain", "failed")


def command_line(*words):
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", *map(str, words)],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_two_runs_at_once_one_of_them_by_two_processes_give_what_one_gives(alone, tmp_path):
    evenings, tables = alone
    runs = [
        command_line("season", evenings, "--out", tmp_path / "out", "--workers", workers)
        for workers in (1, 2)
    ]
    for one in runs:
        said, problems = one.communicate()
        assert one.returncode == 0, problems
        assert "2 sessions: " in said
    assert contents(tmp_path / "out") == tables


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_killed_in_the_midst_it_goes_on_where_it_was(alone, tmp_path):
    evenings, tables = alone
    out = tmp_path / "out"
    killed = command_line("season", evenings, "--out", out, "--workers", "1")
    while killed.poll() is None and not list(out.glob("exchanges/session=*/*")):
        time.sleep(0.01)
    killed.send_signal(signal.SIGKILL)
    killed.wait()
    done = set(contents(out))
    assert done < set(tables)
    again = command_line("season", evenings, "--out", out, "--workers", "1")
    said, _ = again.communicate()
    assert again.returncode == 0
    assert "1 measured" in said
    assert contents(out) == tables


def test_a_stranger_reads_what_was_kept_and_how_to_insist(alone, tmp_path):
    evenings, out = tmp_path / "evenings", tmp_path / "out"
    shutil.copytree(alone[0], evenings)
    assert run("season", evenings, "--out", out, "--workers", "1")[0] == 0
    (evenings / IDS[0] / "wren.csv").unlink()
    code, said, _ = run("season", evenings, "--out", out, "--workers", "1")
    assert code == 0
    assert "2 sessions: 1 kept, 1 unchanged" in said
    assert "--anyway" in said
    assert f"{IDS[0]}: wren.csv is gone" in said
    assert contents(out) == alone[1]
    code, said, _ = run("season", evenings, "--out", out, "--workers", "1", "--anyway")
    assert (code, "2 sessions: 1 measured, 1 unchanged" in said) == (0, True)
    assert contents(out) != alone[1]


def test_a_stranger_reads_what_was_done_and_what_failed(alone, tmp_path):
    evenings = tmp_path / "evenings"
    shutil.copytree(alone[0], evenings)
    (evenings / "broken").mkdir()
    (evenings / "broken" / "session.toml").write_text("[session]\n")
    out = tmp_path / "out"
    code, said, problems = run("season", evenings, "--out", out, "--workers", "1")
    assert code == 9
    assert "broken/session.toml" in problems
    assert "3 sessions: 1 failed, 2 measured" in said
    assert "Failed; the tables they had before are kept:" in said
    code, said, _ = run("season", evenings, "--out", out, "--dry-run")
    assert (code, "3 sessions: 1 failed, 2 unchanged. Nothing was done." in said) == (9, True)
    code, _, problems = run("season", tmp_path / "none", "--out", out)
    assert code == 3
    assert "holds no session" in problems
