"""`batontrace causes`: what it prints, writes and refuses, and what pages make of it."""

import shutil
from pathlib import Path

import pytest
from command import run
from lakes import NAMES
from stored_sessions import files_below

from pipeline.show import publish
from pipeline.show.wording import without_errors
from pipeline.tables import lake

pytestmark = pytest.mark.usefixtures("light")


@pytest.fixture(scope="module")
def done(two_events, tmp_path_factory):
    out = Path(shutil.copytree(two_events, tmp_path_factory.mktemp("causes") / "out"))
    return (*run("causes", out, "--long"), out)


def test_every_takeover_has_a_sentence_under_its_session(done):
    code, said, complained, out = done
    assert (code, complained) == (0, "")
    table = lake.read_decision(out, "verdicts")
    assert table.num_rows == lake.read_lake(out).exchanges.num_rows
    for row in table.to_pylist():
        line = f"{row['exchange']}, {row['incoming']} to {row['outgoing']}: {row['verdict']}"
        assert line in said
        assert not any(name in row["verdict"] for name in NAMES)
    assert "Written in" in said
    parts = lake.read_decision(out, "causes").to_pandas()
    whole = parts.groupby(["session", "exchange"]).lost_s.sum()
    told = table.to_pandas().dropna(subset="lost_s").set_index(["session", "exchange"])
    assert len(told) > 5
    assert (whole - told.lost_s).abs().max() < 1e-9


def test_the_newest_session_is_told_and_the_others_are_counted(done):
    *_, out = done
    code, said, _ = run("causes", out, "--event", "4x100", "--print-only")
    rows = [r for r in lake.read_decision(out, "verdicts").to_pylist() if r["event"] == "4x100"]
    newest = [row for row in rows if row["session"] == rows[-1]["session"]]
    assert code == 0
    assert said.startswith(f"{len(rows)} takeovers; sessions: 2\n")
    assert sum(row["verdict"] in said for row in newest) == len(newest) < len(rows)
    assert f"--long shows {len(rows) - len(newest)} takeovers of earlier sessions too" in said


def test_one_pair_shows_its_parts_and_nobody_else(done):
    *_, out = done
    before = files_below(out)
    code, said, _ = run("causes", out, "--pair", "heron", "stoat", "--print-only")
    assert code == 0
    assert "otter" not in said
    assert all(cause in said for cause in ("incoming speed", "pass place", "rest"))
    assert files_below(out) == before


@pytest.mark.parametrize(
    "wish", [("--session", "monday"), ("--pair", "heron", "magpie"), ("--event", "4x200")]
)
def test_what_is_not_there_is_refused_before_anything_is_written(two_events, tmp_path, wish):
    out = Path(shutil.copytree(two_events, tmp_path / "out"))
    before = files_below(out)
    code, _, complained = run("causes", out, *wish)
    assert code == 2
    assert wish[-1] in complained
    assert files_below(out) == before


def test_a_team_replaces_its_own_rows_and_keeps_the_others(done, tmp_path):
    *_, out = done
    out = Path(shutil.copytree(out, tmp_path / "out"))
    rows = lake.read_decision(out, "verdicts").num_rows
    code, said, _ = run("causes", out, "--team", "heron,otter", "--event", "4x100")
    assert code == 0
    assert "table verdicts: kept" in said
    assert lake.read_decision(out, "verdicts").num_rows == rows


def test_pages_show_the_sentence_unless_the_session_was_measured_again(done, tmp_path):
    *_, out = done
    out = Path(shutil.copytree(out, tmp_path / "out"))
    session = "evening-5-1"
    verdict = lake.read_decision(out, "verdicts").to_pylist()[0]
    assert verdict["session"] == session
    sentence = without_errors(verdict["verdict"])  # which stand below it, each with its cause
    shown = publish.write_page(out, session=session)
    assert sentence in shown.path.read_text()
    pair = (verdict["incoming"], verdict["outgoing"])
    assert sentence in publish.write_page(out, pair=pair).path.read_text()

    record = out / "provenance" / "verdicts.json"
    record.write_text(record.read_text().replace('"exchanges/session=', '"exchanges/session=x'))
    again = publish.write_page(out, session=session)
    assert sentence not in again.path.read_text()
    assert any("older than the measurement" in words for words in again.remarks)
