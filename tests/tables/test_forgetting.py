"""What is forgotten is nowhere in OUT, the others keep their rows, and a kill leaves no half."""

import json
import shutil
import signal
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from command import run
from lakes import QUICK
from stored_sessions import files_below, run_child

from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.errors import InputError, UsageError
from pipeline.season import engines, season
from pipeline.show import publish
from pipeline.tables import compacting, folders, forgetting, lake, schema, whole_files, writing
from pipeline.tables.places import Folder

pytestmark = pytest.mark.usefixtures("light")

GONE = "otter"


@pytest.fixture(scope="module")
def full(two_events, tmp_path_factory):
    """A lake with decisions, parts, pages, and texts that name one; do not write here."""
    out = Path(shutil.copytree(two_events, tmp_path_factory.mktemp("full") / "out"))
    session = lake.session_ids(out)[0]
    tables = {n: schema.read_part(folders.part_path(out, n, session), n) for n in schema.TABLES}
    rows = tables["exchanges"].to_pylist()
    told = next(k for k, r in enumerate(rows) if GONE not in (r["incoming"], r["outgoing"]))
    rows[told]["note"] = "Otter stood in the way"
    rows[told]["remarks"] = ["beside otter's unit", "gap in the trace"]
    columns = {n: [row[n] for row in rows] for n in schema.facts("exchanges").names}
    tables["exchanges"] = schema.conform("exchanges", columns)
    record = {
        "inputs": {"session.toml": "0" * 64, "otter.fit": "1" * 64, "otters-den.csv": "2" * 64},
        "settings": {}, "versions": {}, "command": ["process", "otter.fit"],
    }  # fmt: skip
    writing.write_session(out, session, tables, record)
    decisions.decide_marks(out, Settings(**QUICK))
    decisions.decide_order(out, Settings(**QUICK, event="4x100"), decisions.Wishes({GONE: 4}))
    compacting.compact(Folder(out))
    publish.write_page(out, session=session)
    return out


@pytest.fixture
def mine(full, tmp_path):
    return Path(shutil.copytree(full, tmp_path / "out"))


def everything(out):
    """All that can be read in OUT, as one text, each file's name with it."""
    said = []
    for name, content in files_below(out).items():
        said.append(name)
        if name.endswith(".parquet"):
            said.append(json.dumps(pq.ParquetFile(out / name).read().to_pylist(), default=str))
            said.append(str(pq.read_schema(out / name).metadata))
        else:
            said.append(content.decode())
    return "\n".join(said).casefold().replace("otters-den", "")


def test_a_runner_is_nowhere_any_more_and_the_others_keep_what_is_theirs(mine):
    assert GONE in everything(mine)
    before = lake.read_lake(mine).exchanges.to_pylist()
    code, said, problems = run("forget", mine, "--runner", GONE, "--yes")
    assert (code, problems) == (0, "")
    assert GONE not in everything(mine)
    found = lake.read_lake(mine)
    assert found.remarks == ()
    after = found.exchanges.to_pylist()
    left = [r for r in before if GONE not in (r["incoming"], r["outgoing"])]
    assert after
    for old, new in zip(left, after, strict=True):  # numbers of takeovers included
        same = {k: v for k, v in old.items() if k not in ("note", "remarks")}
        assert same == {k: v for k, v in new.items() if k not in ("note", "remarks")}
    (told,) = [row for row in after if row["remarks"] != left[after.index(row)]["remarks"]]
    assert told["note"] is None
    assert told["remarks"] == ["gap in the trace", forgetting.TAKEN_OUT]
    keys = {(row["session"], row["exchange"]) for row in after}
    curves = found.curves.select(["session", "exchange"]).to_pylist()
    assert {(row["session"], row["exchange"]) for row in curves} <= keys
    for name in ("runners", "marks", "progress"):
        assert lake.read_decision(mine, name).num_rows > 0
    assert lake.read_decision(mine, "orders") is None
    record = json.loads(folders.session_record_path(mine, lake.session_ids(mine)[0]).read_text())
    assert set(record["inputs"]) == {"session.toml", "otters-den.csv"}
    assert "recordings and practice sheets" in said
    assert run("marks", mine)[0] == 0


def test_a_session_goes_with_all_its_files(mine):
    session = lake.session_ids(mine)[0]
    others = {k: v for k, v in files_below(mine).items() if "session=" in k and session not in k}
    assert run("forget", mine, "--session", session, "--yes")[0] == 0
    assert session not in lake.session_ids(mine)
    assert session not in everything(mine)
    assert others.items() <= files_below(mine).items()


def test_looking_only_and_nobody_to_ask_change_nothing(mine):
    before = files_below(mine)
    code, said, _ = run("forget", mine, "--runner", GONE, "--dry-run")
    assert (code, "takeovers" in said, "Nothing was changed" in said) == (0, True, True)
    assert run("forget", mine, "--runner", GONE)[0] == 2
    assert run("forget", mine)[0] == 2
    assert files_below(mine) == before


def test_who_is_nowhere_is_asked_for(mine):
    with pytest.raises(UsageError, match=r'did you mean "otter"\?'):
        forgetting.forget(mine, ["oter"], [])
    with pytest.raises(UsageError, match="evening-5-1"):
        forgetting.forget(mine, [], ["evening-5"])


def test_a_table_that_cannot_be_looked_through_stops_it_all(mine):
    folders.part_path(mine, "exchanges", "evening-5-2").write_bytes(b"PAR1")
    before = everything_but_claims(mine)
    with pytest.raises(InputError, match="--session evening-5-2"):
        forgetting.forget(mine, [GONE], [])
    assert everything_but_claims(mine) == before


def everything_but_claims(out):
    return {k: v for k, v in files_below(out).items() if not k.startswith(".batontrace")}


@pytest.mark.parametrize("deadly", [1, 2, 12, 25])
def test_killed_in_the_midst_it_is_finished_by_who_comes_next(mine, deadly):
    """Killed at its n-th move or removal."""
    killed = run_child(
        f"""
        import os, pathlib, signal
        from pipeline.tables import forgetting, whole_files
        real = whole_files._make_moves
        def one_by_one(moves):
            for number, move in enumerate(moves, start=1):
                if number == {deadly}:
                    os.kill(os.getpid(), signal.SIGKILL)
                real([move])
        whole_files._make_moves = one_by_one
        forgetting.forget(pathlib.Path({str(mine)!r}), [{GONE!r}], [])
        """
    ).wait()
    assert killed == -signal.SIGKILL
    assert whole_files.interrupted(mine)
    assert lake.read_lake(mine).remarks == ()
    assert GONE not in everything(mine)


def test_a_season_does_not_bring_back_what_was_forgotten(tmp_path):
    import evenings as evenings_of

    evenings, _ = evenings_of.measured("plain")
    out = tmp_path / "out"

    def go(**more):
        here = engines.Here()
        return season.measure_season(str(evenings), str(out), here, command=("season",), **more)

    assert go().counts == {"measured": 1}
    forgetting.forget(out, ["wren"], [])
    for more in ({}, {"again": True}, {"anyway": True}):
        (one,) = go(**more).outcomes
        assert one.state == "kept"
        assert "was forgotten" in one.why[0]
    assert "wren" not in str(lake.read_lake(out).exchanges.drop(["session"]).to_pylist())
