"""A run that finds less than the tables in OUT hold leaves them as they are, and says why."""

import json

import evenings
import pytest
import small_sessions as small
from evenings import contents

from pipeline.cli import app
from pipeline.errors import FewerInputsError
from pipeline.session import former
from pipeline.session.process import make_session_tables
from pipeline.tables import folders

WREN = "wren.csv"


@pytest.fixture
def measured(tmp_path):
    """A session and its tables, as before something happens to a recording."""
    path = evenings.an_evening(tmp_path, "wren-evening")
    make_session_tables(path, tmp_path / "out")
    return path, tmp_path / "out"


def assert_kept(path, out, *words):
    before = contents(out)
    with pytest.raises(FewerInputsError) as caught:
        make_session_tables(path, out)
    assert contents(out) == before
    for word in (*words, "--anyway"):
        assert word in str(caught.value)
    fewer = make_session_tables(path, None).tables["exchanges"].num_rows
    written = make_session_tables(path, out, anyway=True).tables["exchanges"].num_rows
    assert written == fewer < 4
    assert contents(out) != before
    make_session_tables(path, out)  # and from then on these are the tables to keep


def test_a_recording_that_is_gone(measured):
    path, out = measured
    (path.parent / WREN).unlink()
    assert_kept(path, out, "missing now: wren.csv", "4 takeovers")


def test_a_recording_that_cannot_be_read_any_more(measured):
    path, out = measured
    (path.parent / WREN).write_bytes(b"\0" * 500)
    assert_kept(path, out, "wren.csv could be read before", "4 takeovers")


def test_a_recording_that_was_cut_short(measured):
    path, out = measured

    def third(text):
        lines = text.splitlines(keepends=True)
        return "".join(lines[: len(lines) // 3])

    small.edit(path.parent / WREN, third)
    assert_kept(path, out, "wren.csv changed", "fewer takeovers", "4 in the tables before")


def test_fewer_takeovers_from_the_same_recordings_are_written_and_said(measured):
    """As a better version may find that one of them was none."""
    path, out = measured
    record = folders.session_record_path(out, "wren-evening")
    stored = json.loads(record.read_text(encoding="utf-8"))
    stored["tables"]["exchanges"]["rows"] = 5
    record.write_text(json.dumps(stored), encoding="utf-8")
    small.edit(path.parent / "reps.csv", lambda text: text + "\n")
    assert "4 takeovers now, 5 in the tables before" in make_session_tables(path, out).remarks
    assert not [r for r in make_session_tables(path, out).remarks if "before" in r]


def test_a_recording_that_session_toml_names_no_longer_was_left_out_on_purpose():
    before = {"session.toml": "a", "wren.csv": "b", "teal.csv": "c"}
    now = {"session.toml": "d", "teal.csv": "c"}
    assert former.missing_inputs(before, now, lambda _: True) == ()
    assert former.missing_inputs(before, now, lambda _: False) == ("wren.csv",)
    assert former.missing_inputs(before, {**now, "finch.csv": "b"}, lambda _: False) == ()


def test_process_says_it_and_prints_how_to_insist(measured, capsys):
    path, out = measured
    (path.parent / WREN).unlink()
    before = contents(out)
    assert app.main(["process", str(path), "--out", str(out)]) == 8
    assert "wren.csv" in capsys.readouterr().err
    assert contents(out) == before
    assert app.main(["process", str(path), "--out", str(out), "--anyway"]) == 0
