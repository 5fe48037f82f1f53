"""`batontrace validate`: what it prints, writes and refuses, over whole and spoilt lakes."""

import re
import shutil

import pandas as pd
import pytest
from command import run
from held_out import (
    Evening,
    observation_row,
    observations,
    observations_of,
    observed,
    store_evening,
)
from PIL import Image
from stored_sessions import files_below

from pipeline import errors
from pipeline.tables import compacting, folders, lake, reading, schema
from pipeline.tables.places import Folder

SESSIONS = ("otter", "robin", "wren")


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """Three evenings with films and gates held out, one row of each film misread; do not write."""
    out = tmp_path_factory.mktemp("validate") / "out"
    for seed, session in enumerate(SESSIONS):
        store_evening(out, session, observations(Evening(session, seed=seed, misread=1)))
    return out


@pytest.fixture
def out(filled, tmp_path):
    return shutil.copytree(filled, tmp_path / "out")


@pytest.fixture(scope="module")
def done(filled, tmp_path_factory):
    out = shutil.copytree(filled, tmp_path_factory.mktemp("done") / "out")
    return (*run("validate", out), out)


def test_it_says_plain_narrow_words(done):
    code, said, complained, _ = done
    assert (code, complained) == (0, "")
    meaning, _, rest = said.partition("Bias:")
    table = meaning[meaning.index("\nseen ") :]
    assert max(map(len, table.splitlines())) <= 80
    assert "\x1b" not in said
    assert "nan" not in re.findall(r"\w+", said)
    for words in ("pass on film agrees to 0.0", "all gates agree to 0.0", "honest", "far off"):
        assert words in meaning + rest
    assert re.search(r"Gates are broken 0\.\d\d ± 0\.0\d m ahead of the unit", rest)


def test_the_worst_are_named_as_a_coach_finds_them(done):
    _, said, _, out = done
    worst = said.partition("Worst:\n")[2].splitlines()[:3]
    rows = pd.read_parquet(out / "observations")
    misread = rows[rows["difference_s"].abs() > 0.5]
    assert len(misread) == 3
    for line in worst:
        assert "far off" in line
    for _, row in misread.iterrows():
        what = row["event"] if pd.isna(row["gate"]) else row["gate"]
        named = f"{row['session']}, takeover {row['exchange']}, {what} by {row['observer']}"
        assert any(named in line and f"(line {row['line']})" in line for line in worst)


def test_pandas_reads_the_table_and_the_figure_lies_elsewhere(done):
    _, said, _, out = done
    frame = pd.read_parquet(out / "validation")
    assert set(frame["event"]) == {"go", "entry", "pass", "exit", "gate"}
    assert frame["gate"].nunique() == 3
    assert (frame["far_off"].groupby(frame["gate"].isna()).sum()[True]) == 3
    table = lake.read_decision(out, "validation")
    assert table.num_rows == len(frame) == 8
    assert str(out / "report" / "validation.png") in said
    assert f"Written in {out}: validation" in said
    assert Image.open(out / "report" / "validation.png").size == (1920, 1080)
    for sentence in frame["conclusion"]:
        assert f"  - {sentence}\n" in said


def test_what_it_rests_on_is_beside_it(done):
    out = done[-1]
    record = reading._read_record(Folder(out), folders.decision_record_file("validation"))
    for session in SESSIONS:
        assert folders.part_file("observations", session) in record.decode()


def test_the_same_lake_gives_the_same_bytes(out, done):
    assert run("validate", out)[0] == 0
    for name in ("validation/part-0.parquet", "report/validation.png"):
        assert files_below(out)[name] == files_below(done[-1])[name]


def test_print_only_writes_nothing(out):
    before = files_below(out)
    code, said, _ = run("validate", out, "--print-only")
    assert code == 0
    assert "Nothing written" in said
    assert files_below(out) == before


def test_the_figure_goes_where_it_is_wanted(out, tmp_path):
    code, said, _ = run("validate", out, "--print-only", "--to", tmp_path / "a.svg")
    assert code == 0
    assert str(tmp_path / "a.svg") in said
    text = (tmp_path / "a.svg").read_text()
    assert "pass on film" in text
    assert not (out / "report").exists()


def test_no_name_for_a_picture_is_refused_before_anything_is_written(out):
    before = files_below(out)
    code, _, complained = run("validate", out, "--to", "a.doc")
    assert code == errors.UsageError.exit_code
    assert ".svg or .png" in complained
    assert files_below(out) == before


def test_hostile_names_drive_nothing(tmp_path):
    name = "\x1b[31m[bold]\u202egates\n=1+1"
    rows = [
        observation_row(
            "otter", k, k + 1, kind="gates", event="gate", gate=f"{name}{k % 2}", observer=name,
            **observed(1.0, 0.02 * (-1) ** (k // 2), 0.02),
        )
        for k in range(1, 31)
    ]  # fmt: skip
    store_evening(tmp_path, "otter", observations_of(rows))
    code, said, complained = run("validate", tmp_path, "--print-only")
    assert code == 0, complained
    assert not set("\x1b\u202e") & set(said + complained)
    assert name not in said
    assert "gates" in said.partition("Worst:")[2]


# --- nothing to judge -------------------------------------------------------------------------


def test_without_anything_held_out_it_says_how_to_get_it(tmp_path):
    store_evening(tmp_path, "otter", observations(Evening("otter", use="measure")))
    before = files_below(tmp_path)
    code, said, complained = run("validate", tmp_path)
    assert (code, said) == (errors.NothingMeasured.exit_code, "")
    assert 'use = "check"' in complained
    assert "docs/filming.md" in complained
    assert files_below(tmp_path) == before


def test_what_cannot_be_compared_is_no_table(tmp_path):
    rows = [observation_row("otter", None, 2, **observed(1.0, 0.0, 0.02))]
    store_evening(tmp_path, "otter", observations_of(rows))
    code, _, complained = run("validate", tmp_path)
    assert code == errors.NothingMeasured.exit_code
    assert "1 observation held out could not be compared" in complained
    assert not (tmp_path / "validation").exists()


def test_no_lake_is_said(tmp_path):
    code, _, complained = run("validate", tmp_path / "none")
    assert code == errors.InputError.exit_code
    assert "is not there" in complained


# --- lakes as they are found ------------------------------------------------------------------


def rows_of(out):
    return lake.read_observations(out).observations


def make_old(out, session):
    """As a run wrote it that knew no observers."""
    folders.part_path(out, "observations", session).unlink()
    record = folders.session_record_path(out, session)
    record.write_text(record.read_text().replace('"observations"', '"nothing"'))


def test_sessions_from_before_are_counted_and_the_others_judged(out):
    make_old(out, "wren")
    found = lake.read_observations(out)
    assert (found.too_old, found.remarks) == (1, ())
    assert set(found.observations["session"].to_pylist()) == {"otter", "robin"}
    code, said, _ = run("validate", out, "--print-only")
    assert code == 0
    assert "1 session measured before observers were read" in said


def test_a_lake_of_old_sessions_alone_says_so(out):
    for session in SESSIONS:
        make_old(out, session)
    code, _, complained = run("validate", out)
    assert code == errors.NothingMeasured.exit_code
    assert "3 sessions measured before observers were read" in complained


def test_a_table_that_is_gone_is_not_taken_for_an_old_session(out):
    folders.part_path(out, "observations", "wren").unlink()
    found = lake.read_observations(out)
    assert found.too_old == 0
    (remark,) = found.remarks
    assert remark.startswith("session wren was left out")


def test_a_table_that_was_changed_is_left_out_with_a_remark(out):
    path = folders.part_path(out, "observations", "wren")
    path.write_bytes(folders.part_path(out, "observations", "robin").read_bytes())
    code, said, _ = run("validate", out, "--print-only")
    assert code == 0
    assert "session wren was left out: " in said
    assert "robin" in said.partition("Worst:")[2]
    assert "wren" not in said.partition("Worst:")[2].partition("Remarks:")[0]


def test_compacted_parts_give_the_same(out):
    before = rows_of(out)
    compacting.compact(Folder(out))
    assert rows_of(out).equals(before)
    (part,) = (out / folders.SEASON_FOLDER / "observations").iterdir()
    part.write_bytes(b"PAR1")
    assert rows_of(out).equals(before)


def test_a_write_that_fails_leaves_what_was_there(out):
    assert run("validate", out)[0] == 0
    blocked = folders.decision_path(out, "validation")
    blocked.unlink()
    (blocked / "something").mkdir(parents=True)  # a folder where the file is to be
    before = files_below(out)
    code, _, complained = run("validate", out)
    assert code == errors.OutputError.exit_code
    assert "Traceback" not in complained
    assert files_below(out) == before


def test_it_is_a_decision_like_the_others():
    assert schema.DECISION_COMMANDS["validation"] == "validate"
