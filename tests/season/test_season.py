"""Many sessions: only what changed is measured, one failure costs itself, and a kill or a second
run at the same time changes nothing in the end."""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import evenings as evenings_of
import pyarrow.parquet as pq
import pytest
import small_sessions as small
from command import run
from deadly import shout_or_die
from evenings import IDS, an_evening, contents
from random_tables import random_table

from pipeline.errors import DEFECT, FewerInputsError, InputError, NothingMeasured, OutputError
from pipeline.measure import noise
from pipeline.read.practice.session import read_session
from pipeline.season import engines, season
from pipeline.session import process
from pipeline.tables import provenance, schema, work_folder, writing


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


@pytest.mark.parametrize("name", schema.TABLES)
def test_a_table_that_was_damaged_is_made_again(evenings, quick, name):
    go(evenings)
    quick.clear()
    path = evenings.parent / "out" / name / f"session={IDS[1]}" / "part-0.parquet"
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    looked = go(evenings, dry_run=True)
    assert states(looked)[IDS[1]] == "changed"
    assert f"{name} is not as it was written" in [o.why for o in looked.outcomes][1]
    go(evenings)
    assert quick == [IDS[1]]
    assert set(states(go(evenings)).values()) == {"unchanged"}


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

    held = work_folder.claim(out, IDS[0])
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
    assert (code, said.startswith("3 sessions: 1 failed, 2 unchanged\nNothing was done.\n")) == (
        9,
        True,
    )
    code, _, problems = run("season", tmp_path / "none", "--out", out)
    assert code == 3
    assert "holds no session" in problems


def test_every_path_that_is_printed_is_there(alone, tmp_path):
    evenings, out = tmp_path / "evenings", tmp_path / "out"
    (evenings / "broken").mkdir(parents=True)
    (evenings / "broken" / "session.toml").write_text("[session]\n")
    for _ in range(2):  # all fail, then one is measured
        _, said, problems = run("season", evenings, "--out", out, "--workers", "1")
        (row,) = [line for line in said.splitlines() if "broken/session.toml  " in line]
        assert "file below DIR" in said
        assert (evenings / row.split()[1]).is_file()
        assert "broken/session.toml failed" in problems
        printed = [Path(word.rstrip(",;.")) for word in said.split() if str(tmp_path) in word]
        assert all(path.exists() for path in printed)
        assert (out / "season" in printed) == (out / "exchanges").exists()
        shutil.copytree(alone[0] / IDS[0], evenings / IDS[0], dirs_exist_ok=True)
    assert (out / "season") in printed


# --- what is a session ----------------------------------------------------------------------


def head_written(write):
    """A change of session.toml that writes its table [session] in another way."""

    def change(text: str) -> str:
        before, _, after = text.partition("[session]\n")
        head, sign, rest = after.partition("\n[")
        pairs = [line.partition("#")[0].strip() for line in head.splitlines()]
        return before + write([pair for pair in pairs if pair]) + sign + rest

    return change


WRITTEN_OTHERWISE = {
    "with a byte order mark": lambda text: "\N{BYTE ORDER MARK}" + text,
    "as an inline table": head_written(lambda pairs: f"session = {{ {', '.join(pairs)} }}\n"),
    "with dotted keys": head_written(lambda pairs: "".join(f"session.{p}\n" for p in pairs)),
    "with a quoted name": lambda text: text.replace("[session]", '["session"]'),
    "with an escape in its name": lambda text: text.replace("[session]", r'["se\u0073sion"]'),
    "with spaces about it": lambda text: text.replace("[session]", "\t[ session ] # here"),
    "with lines that end as elsewhere": lambda text: text.replace("\n", "\r\n"),
    "of more than a megabyte": lambda text: text + "# no more\n" * 120_000,
}


@pytest.mark.parametrize("change", WRITTEN_OTHERWISE.values(), ids=WRITTEN_OTHERWISE)
@pytest.mark.parametrize("name", ["session.toml", "monday.toml"])
@pytest.mark.usefixtures("quick")
def test_a_session_is_one_for_season_where_it_is_one_for_check(evenings, change, name):
    path = evenings / "june" / IDS[0] / "session.toml"
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(change((evenings / "june" / IDS[1] / "session.toml").read_text("utf-8")))
    small.edit(path, lambda text: text.replace(IDS[1], IDS[0]))
    path.rename(path.with_name(name))
    assert read_session(path.with_name(name)).id == IDS[0]
    assert states(go(evenings, dry_run=True)) == dict.fromkeys(IDS, "new")


def written(content: bytes):
    return lambda path: path.write_bytes(content)


def padded(path):
    with path.open("wb") as file:
        file.truncate(5 << 20)


UNTELLABLE = {
    "a pipe": os.mkfifo,
    "a link to an endless device": lambda path: path.symlink_to("/dev/zero"),
    "a link to itself": lambda path: path.symlink_to(path.name),
    "a link to nothing": lambda path: path.symlink_to("nowhere"),
    "too large": padded,
    "no TOML": written(b"session of monday\n"),
    "no UTF-8": written(b"# Z\xfcrich, session of monday\n"),
    "of two bytes a letter": written("[session]\nid = 'a'\n".encode("utf-16")),
    "brackets without end": written(b"session_times = " + b"[" * 100_000),
}


def test_what_cannot_be_told_is_told_of_and_the_others_are_looked_at(evenings):
    """In a process of its own, which would wait or grow for ever."""
    for number, make in enumerate(UNTELLABLE.values()):
        for name in ("note.toml", "session.toml"):
            (evenings / f"{number}").mkdir(exist_ok=True)
            make(evenings / f"{number}" / name)
    code = (
        "import resource, sys; from pipeline.cli.app import main;"
        f"resource.setrlimit(resource.RLIMIT_AS, ({2 << 30},) * 2);"
        "sys.exit(main(sys.argv[1:]))"
    )
    words = ["season", str(evenings), "--out", str(evenings.parent / "out"), "--dry-run", "--long"]
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 9, done.stderr
    for session_id in IDS:
        assert f"{session_id} " in done.stdout
    failures = done.stdout.partition("Failed;")[2].partition("Remarks")[0]
    for number in range(len(UNTELLABLE)):
        assert f"{number}/note.toml was passed over" in done.stdout
        assert f"{number}/session.toml: " in failures
    assert str(evenings) not in done.stdout


STRANGE_NAMES = [
    *(b"a.toml", b"\xff\xfe.toml", b"a\nb.toml", b"\x1b[2J.toml", b"w" * 240 + b".toml"),
    *(b"session.toml", b".toml", b"..toml", b" .toml", "ß\u202e.toml".encode()),
]


@pytest.mark.parametrize("seed", range(3))
def test_whatever_lies_about_every_session_is_found(evenings, seed):
    """Names, links, loops, encodings and depths by lot, some hundred in all."""
    rng = random.Random(seed)
    folders_there = [os.fsencode(evenings / "june" / one) for one in IDS]
    for number in range(40):
        name = rng.choice(STRANGE_NAMES)
        path = os.path.join(rng.choice(folders_there), b"%d" % number, name)
        os.makedirs(os.path.dirname(path))
        match rng.randrange(6):
            case 0:
                os.mkdir(path)
                folders_there.append(path)
            case 1:
                os.symlink(rng.choice([b"..", b".", path, b"/", b"/dev/null"]), path)
            case 2:
                os.makedirs(path + b"/x" * rng.randrange(1, 200))
            case _:
                with open(path, "wb") as file:
                    text = rng.choice(["[session]\n", "session = 3\n", "[session", "[tool]\n", ""])
                    file.write(text.encode(rng.choice(["utf-8", "utf-16", "utf-8-sig"])))
                    file.write(rng.choice([b"", b"\xff", b"\0", rng.randbytes(30)]))
    summary = go(evenings, dry_run=True)
    assert dict.fromkeys(IDS, "new") == {k: v for k, v in states(summary).items() if k in IDS}
    assert all(one.exit_code not in (0, DEFECT) for one in summary.failed)


@pytest.mark.parametrize("name", ["no-utf8", "deep"])
@pytest.mark.usefixtures("quick")
def test_a_session_under_a_strange_name_is_measured_and_written_down(evenings, name):
    folder = os.fsencode(evenings / "june" / IDS[0])
    place = os.fsencode(evenings) + (b"/\xff\xfe" if name == "no-utf8" else b"/d" * 500)
    os.makedirs(os.path.dirname(place), exist_ok=True)
    os.rename(folder, place)
    os.rename(place + b"/session.toml", place + b"/\xfe.toml")
    assert states(go(evenings)) == dict.fromkeys(IDS, "measured")
    with open(place + b"/\xfe.toml", "ab") as file:
        file.write(b"# unmeasurable\n")
    assert states(go(evenings))[IDS[0]] == "failed"
    assert states(go(evenings))[IDS[0]] == "failed before"


# --- what is written of the folders above ---------------------------------------------------


@pytest.mark.parametrize("given", ["plain", "slash", "relative", "dots", "link", "out and back"])
@pytest.mark.usefixtures("quick")
def test_no_file_in_out_names_a_folder_above_the_sessions(tmp_path, monkeypatch, given):
    above = tmp_path / "jane-doe"
    (above / "evenings").mkdir(parents=True)
    for session_id in IDS:
        an_evening(above / "evenings", session_id)
    kept_elsewhere = above / "archive" / "wren.csv"
    kept_elsewhere.parent.mkdir()
    recording = above / "evenings" / IDS[0] / "wren.csv"
    recording.rename(kept_elsewhere)
    recording.symlink_to(kept_elsewhere)
    small.edit(above / "evenings" / IDS[1] / "session.toml", lambda t: t + "# unmeasurable\n")
    monkeypatch.chdir(above)
    (tmp_path / "way-in").symlink_to(above)
    source = {
        "plain": f"{above}/evenings",
        "slash": f"{above}/evenings/",
        "relative": "evenings",
        "dots": "./evenings/../evenings",
        "link": f"{tmp_path}/way-in/evenings",
        "out and back": "../jane-doe/evenings//",
    }[given]
    out = tmp_path / "lake"
    command = ("batontrace", "season", source, "--out", str(out))
    summary = season.measure_season(source, str(out), engines.Here(), command=command)
    assert sorted(one.state for one in summary.outcomes) == ["failed", "measured", "measured"]
    assert (out / season.FAILURES).exists()
    for path in out.rglob("*"):
        if path.suffix == ".parquet":
            said = repr(pq.read_table(path, partitioning=None).to_pylist())
        else:
            said = path.read_text("utf-8") if path.is_file() else path.name
        assert "jane-doe" not in said
        assert "way-in" not in said
    record = json.loads((out / f"provenance/session={IDS[0]}/provenance.json").read_text())
    assert "wren.csv" in record["inputs"]
    again = season.measure_season(source, str(out), engines.Here(), command=command)
    assert sorted(one.state for one in again.outcomes) == ["failed before", *["unchanged"] * 2]


def test_a_recording_of_forty_gigabytes_and_one_nobody_may_read_have_no_hash(tmp_path):
    names = ("session.toml", "large.csv", "pipe.csv", "gone.csv")
    (tmp_path / "session.toml").write_text("x")
    with (tmp_path / "large.csv").open("wb") as file:
        file.truncate(40 << 30)
    os.mkfifo(tmp_path / "pipe.csv")
    files = [tmp_path / name for name in names]
    record = provenance.provenance_of_files(files, {}, (), most_bytes=256 << 20)
    assert list(record["inputs"]) == ["session.toml", "large.csv"]
    assert record["inputs"]["large.csv"] is None
