"""docs/analysis.md and the examples of `import pipeline`, run as they are printed."""

import contextlib
import doctest
import io
import re
import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pytest
from checkout import DATA, ROOT
from lakes import QUICK
from stored_sessions import ASKED

import pipeline
from pipeline import api
from pipeline.advise import decisions
from pipeline.advise.settings import Settings
from pipeline.errors import InputError, UsageError
from pipeline.tables import folders, lake, schema, writing

PAGE = (ROOT / "docs" / "analysis.md").read_text(encoding="utf-8")
OLD = DATA / "old_lake"
STRAIGHT = "sample_tracks/larch-straight"
OPTIONS = {"optionflags": doctest.NORMALIZE_WHITESPACE}


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)


def example(name: str) -> doctest.DocTest:
    found = doctest.DocTestFinder(recurse=False).find(getattr(api, name), name, api, globs={})
    return found[0]


def failures(name: str) -> str:
    """What went wrong in a docstring's examples."""
    said = io.StringIO()
    doctest.DocTestRunner(**OPTIONS).run(example(name), out=said.write)
    return said.getvalue()


@pytest.fixture(scope="module")
def folder(tmp_path_factory, request):
    """A folder to work in: the sample, and its tables, made by an example; not to be written to."""
    request.getfixturevalue("light")
    folder = tmp_path_factory.mktemp("notebook")
    (folder / "sample_tracks").mkdir()
    shutil.copytree(ROOT / STRAIGHT, folder / STRAIGHT)
    with contextlib.chdir(folder):
        assert failures("process_session") == ""
    decisions.decide_marks(folder / "out", Settings(**QUICK))
    return folder


@pytest.fixture(autouse=True)
def _there(folder, monkeypatch):
    monkeypatch.chdir(folder)


# --- the page ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ran(folder):
    """What the page's Python leaves behind, and what it printed."""
    pytest.importorskip("matplotlib").use("agg")
    space: dict = {}
    with contextlib.chdir(folder), contextlib.redirect_stdout(io.StringIO()) as said:
        for number, block in enumerate(blocks("python"), start=1):
            exec(compile(block, f"analysis.md, block {number}", "exec"), space)
    return space | {"said": said.getvalue()}


def test_three_readers_find_the_same_pairs(ran):
    frame = ran["pairs"].reset_index()[
        ["event", "incoming", "outgoing", "takeovers", "mean_s", "mean_sd_s", "spread_s"]
    ]
    assert len(frame) == 3
    by_pandas = frame.values.tolist()
    for other in (ran["pairs_polars"].rows(), ran["pairs_duckdb"]):
        assert [list(row[:4]) for row in other] == [row[:4] for row in by_pandas]
        for one, two in zip(other, by_pandas, strict=True):
            known = [np.nan if value is None else value for value in one[4:]]
            assert known == pytest.approx(two[4:], rel=1e-9, nan_ok=True)


def test_the_recipes_tell_events_apart_and_leave_out_what_was_not_at_full_speed(
    folder, tmp_path, monkeypatch
):
    """The sample's takeovers once more as a 4x400, and once more as drills, unused and at 70 %."""
    shutil.copytree(folder / "out", tmp_path / "out")
    tables = {
        name: schema.read_part(folders.part_path(folder / "out", name, "larch-straight"), name)
        for name in schema.TABLES
    }
    told = {
        "otter-long": {"event": "4x400"},
        "otter-drill": {"drill": "build-up"},
        "otter-unused": {"use": "no"},
        "otter-slow": {"effort": 70.0},
    }
    for session, changed in told.items():
        own = {}
        for name, table in tables.items():
            columns = table.to_pydict() | {"session": [session] * table.num_rows}
            if name == "exchanges":
                columns |= {key: [value] * table.num_rows for key, value in changed.items()}
            own[name] = schema.conform(name, columns)
        writing.write_session(tmp_path / "out", session, own, ASKED)
    monkeypatch.chdir(tmp_path)
    space: dict = {}
    with contextlib.redirect_stdout(io.StringIO()):
        for block in blocks("python"):
            if "pairs" in block:
                exec(compile(block, "analysis.md", "exec"), space)
    found = space["pairs"].reset_index()
    assert found.groupby("event")["takeovers"].sum().to_dict() == {"4x100": 5, "4x400": 5}
    for other in (space["pairs_polars"].rows(), space["pairs_duckdb"]):
        assert [(*row[:3],) for row in other] == [
            *zip(*(found[n] for n in ("event", "incoming", "outgoing")), strict=True)
        ]
        assert [row[3] for row in other] == found["takeovers"].tolist()


def test_the_mean_is_that_of_inverse_variances(ran, folder):
    rows = lake.read_lake(folder / "out").exchanges.to_pylist()
    times = [r for r in rows if (r["incoming"], r["outgoing"]) == ("heron", "stoat")]
    x = np.array([r["zone_time_s"] for r in times])
    sd = np.array([r["zone_time_sd_s"] for r in times])
    pair = ran["pairs"].loc[("4x100", "heron", "stoat")]
    assert pair["takeovers"] == len(times) == 2
    assert pair["mean_s"] == pytest.approx(np.average(x, weights=1 / sd**2))
    assert pair["mean_sd_s"] == pytest.approx(1 / np.sqrt(np.sum(1 / sd**2)))


def test_curves_meet_the_takeover(ran, folder):
    rows = {r["exchange"]: r for r in lake.read_lake(folder / "out").exchanges.to_pylist()}
    gap = ran["gap"]
    t = gap["t_s"].to_numpy()
    at_pass = float(np.interp(rows[1]["pass_t_s"], t, gap["gap_m"].to_numpy()))
    assert at_pass == pytest.approx(rows[1]["free_distance_m"], abs=0.05)
    speeds = {(exchange, role): v for _, exchange, role, v, _ in ran["at_pass"]}
    for exchange, row in rows.items():
        assert speeds[exchange, "incoming"] == pytest.approx(row["v_in_pass_mps"], abs=0.1)
        assert speeds[exchange, "outgoing"] == pytest.approx(row["v_out_pass_mps"], abs=0.1)
    assert list(ran["speed"].columns) == ["incoming", "outgoing"]


def test_marks_are_within_the_risk(ran, folder):
    marks = schema.read_part(folders.decision_path(folder / "out", "marks")).to_pylist()
    quickest = ran["quickest"].to_dict("records")
    assert quickest
    for one in quickest:
        pair = (one["incoming"], one["outgoing"])
        own = [m for m in marks if (m["incoming"], m["outgoing"]) == pair]
        safe = [m["zone_time_s"] for m in own if m["p_in_zone"] >= 0.95]
        assert one["zone_time_s"] == min(safe)


def test_what_is_printed(ran):
    assert "larch-straight" in ran["said"]
    assert ran["said"].rstrip().endswith("m/s")


def test_the_page_names_what_there_is(folder):
    columns = {n: set(schema.facts(n).names) for n in (*schema.TABLES, *schema.DECISIONS)}
    words = set(re.findall(r"`(\w+)`", PAGE))
    known = set().union(*columns.values(), columns, api.__all__)
    assert {"zone_time_s", "t_s"} <= set().union(*columns.values())
    loose = {"session", "columns", "union_by_name", "out", "name", "frame"}
    assert {word for word in words if "_" in word} <= known | loose
    for name in api.__all__:
        assert f"{name}(" in PAGE or name == "BatontraceError"
    for path in re.findall(r"out/(\w+)/session=<id>/part-0", PAGE):
        assert (folder / "out" / path / "session=larch-straight" / "part-0.parquet").is_file()


def test_the_recipes_for_r_name_columns_and_paths_that_are_there(folder):
    """R is run where it is there (below); what it names is checked everywhere."""
    spoken = {"library", "arrow", "dplyr", "open_dataset", "read_parquet", "filter", "is", "na"}
    spoken |= {"mutate", "group_by", "summarise", "select", "collect", "slice_min", "n", "sum"}
    spoken |= {"sqrt", "sd", "weight", "takeovers", "mean_s", "mean_sd_s", "spread_s", "curves"}
    for block in blocks("r"):
        paths = re.findall(r'"(out/[^"]+)"', block)
        tables = [Path(path).parts[1] for path in paths]
        assert all((folder / path).exists() for path in paths)
        bare = re.sub(r'"[^"]*"', "", block)
        names = set(re.findall(r"[A-Za-z_]\w*", bare)) - spoken
        columns = set().union(*(schema.facts(name).names for name in tables)) if tables else set()
        assert names
        assert names <= columns


def test_r_runs_its_recipes(folder):
    rscript = shutil.which("Rscript")
    script = "\n".join(blocks("r"))
    wanted = "quit(status = !all(c('arrow', 'dplyr') %in% rownames(installed.packages())))"
    if rscript is None or subprocess.run([rscript, "-e", wanted], check=False).returncode:
        pytest.skip("no R with arrow and dplyr here")
    done = subprocess.run(
        [rscript, "-e", script], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


# --- the examples ------------------------------------------------------------------------


@pytest.mark.parametrize("name", [n for n in api.__all__ if n != "BatontraceError"])
def test_each_function_has_an_example_that_holds(name):
    assert len(example(name).examples) >= 2
    if name != "process_session":  # the fixture's
        assert failures(name) == ""


def test_the_examples_would_notice(monkeypatch):
    monkeypatch.setattr(pipeline, "sessions", lambda _out: ("another",))
    assert "larch-straight" in failures("sessions")


# --- import pipeline -----------------------------------------------------------------------

HEAVY = ["numpy", "scipy", "pyarrow", "pandas", "matplotlib", "fitparse", "typer"]


def loaded(code: str) -> set[str]:
    code = f"import sys; {code}; print(*(set({HEAVY!r}) & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    return set(done.stdout.split())


def test_importing_it_loads_nothing_heavy():
    assert loaded("import pipeline; dir(pipeline); pipeline.table") == set()


NO_PANDAS = """
class Nowhere:
    def find_spec(self, name, path=None, target=None):
        if name == "pandas":
            raise ModuleNotFoundError(name)

sys.meta_path.insert(0, Nowhere())
"""


def test_an_arrow_table_needs_no_pandas_and_no_estimator():
    code = f"exec({NO_PANDAS!r}); import pipeline; pipeline.table({str(OLD)!r}, 'exchanges')"
    assert loaded(code) == {"numpy", "pyarrow"}


def test_all_names_are_there_and_hide_no_module():
    assert pipeline.__all__ == api.__all__
    modules = {path.stem for path in (ROOT / "pipeline").iterdir()}
    for name in pipeline.__all__:
        assert getattr(pipeline, name) is getattr(api, name)
        assert name not in modules
        assert name in dir(pipeline)
    with pytest.raises(AttributeError, match="takeover"):
        _ = pipeline.takeover


def test_types_are_announced():
    assert (ROOT / "pipeline" / "py.typed").exists()


# --- tables and frames -----------------------------------------------------------------------


def test_a_table_is_every_session_or_those_named(folder):
    out = folder / "mixed"
    shutil.copytree(OLD, out)
    for name in schema.TABLES:
        shutil.copytree(folder / "out" / name, out / name, dirs_exist_ok=True)
    every = pipeline.table(out, "exchanges")
    assert every.schema.equals(schema.arrow_schema("exchanges"), check_metadata=True)
    assert every["session"].to_pylist() == ["larch-straight"] * 5 + ["version-1"] * 2
    assert pipeline.table(str(out), "exchanges", ["version-1"]).equals(every.slice(5))
    assert pipeline.table(out, "exchanges", []).num_rows == 0
    # as the page has it for files of several versions
    path = f"{out}/exchanges/*/part-0.parquet"
    query = f"select session, foot_m from read_parquet('{path}', union_by_name = true)"
    mine = [tuple(row.values()) for row in every.select(["session", "foot_m"]).to_pylist()]
    assert sorted(duckdb.sql(query).fetchall(), key=str) == sorted(mine, key=str)
    options = {"missing_columns": "insert", "extra_columns": "ignore"}
    frame = pl.scan_parquet(out / "exchanges", **options).collect()
    assert frame["zone_time_s"].to_list() == every["zone_time_s"].to_pylist()
    assert (
        pd.read_parquet(out / "exchanges")["zone_time_s"].tolist()
        == every["zone_time_s"].to_pylist()
    )
    shutil.move(out / "exchanges" / "session=version-1", out / "exchanges" / "session=a")
    assert len(pl.scan_parquet(out / "exchanges", **options).collect()) == 7  # the old one first
    assert sorted(duckdb.sql(query).fetchall(), key=str)[0][0] == "a"
    shutil.rmtree(out)


def test_a_frame_keeps_types_nulls_and_units(folder):
    table = pipeline.table(folder / "out", "exchanges")
    made = pipeline.frame(table)
    for column in schema.facts("exchanges").columns:
        kept = [None if value is pd.NA or value is pd.NaT else value for value in made[column.name]]
        if column.type in ("float64", "string"):  # pandas writes a missing text as NaN too
            kept = [None if value != value else value for value in kept]
        if column.type.startswith("list"):
            kept = [list(value) for value in kept]
        assert kept == table[column.name].to_pylist()
        assert made.attrs["units"].get(column.name, "") == column.unit
    assert str(made["zero_utc"].dtype) == "datetime64[us, UTC]"
    assert pipeline.frame(table.slice(0, 0)).dtypes.equals(made.dtypes)


def test_curves_are_the_tables_rows(folder):
    every = pipeline.table(folder / "out", "speed_curves")
    one = pipeline.curves_table("out", "larch-straight", 2)
    assert one.equals(every.filter(pc.equal(every["exchange"], 2)))
    assert len(pipeline.curves("out", "larch-straight", 2)) == one.num_rows > 100


def test_samples_are_those_of_the_file():
    recording = pipeline.read_recording(f"{STRAIGHT}/otter.fit")
    fixes, imu = pipeline.fixes_frame(recording), pipeline.imu_frame(recording)
    assert recording.fixes is not None
    assert recording.imu is not None
    np.testing.assert_array_equal(fixes["speed_mps"], recording.fixes.speed_mps)
    np.testing.assert_array_equal(imu["acc_z_mps2"], recording.imu.acc_mps2[:, 2])
    seconds = (fixes["time_utc"] - pd.Timestamp(0, tz="UTC")).dt.total_seconds()
    np.testing.assert_allclose(seconds, fixes["t_s"], rtol=0, atol=1e-6)
    counted = pipeline.read_recording(f"{STRAIGHT}/heron.csv.gz", clock="device")
    assert list(pipeline.fixes_frame(counted).columns[:2]) == ["t_s", "latitude_deg"]
    with pytest.raises(InputError, match="no inertial samples"):
        pipeline.imu_frame(counted)


@pytest.mark.parametrize(
    ("ask", "error", "words"),
    [
        (lambda: pipeline.table("out", "takeovers"), UsageError, "one of exchanges"),
        (lambda: pipeline.table("out", "exchanges", ["larch"]), UsageError, "larch-straight"),
        (lambda: pipeline.table("out", "marks", ["larch-straight"]), UsageError, "all sessions"),
        (lambda: pipeline.table("out", "orders"), InputError, "batontrace order out"),
        (lambda: pipeline.table("none", "exchanges"), InputError, "batontrace process"),
        (lambda: pipeline.sessions("none"), InputError, "batontrace process"),
        (lambda: pipeline.curves("out", "larch-straight", 9), UsageError, "one of 1, 2, 3, 4, 5"),
        (lambda: pipeline.read_recording("none.fit"), pipeline.BatontraceError, "none.fit"),
    ],
)
def test_what_cannot_be_is_said(ask, error, words):
    with pytest.raises(error, match=words):
        ask()


def test_a_broken_file_is_named(folder, tmp_path):
    shutil.copytree(folder / "out", tmp_path / "out")
    path = tmp_path / "out" / "exchanges" / "session=larch-straight" / "part-0.parquet"
    path.write_bytes(b"PAR1")
    with pytest.raises(InputError, match=r"part-0.*process the session again, or name the other"):
        pipeline.table(tmp_path / "out", "exchanges")


def test_without_pandas_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(UsageError, match=r"pip install 'batontrace\[notebook\]'"):
        pipeline.curves("out", "larch-straight", 1)
    assert isinstance(pipeline.curves_table("out", "larch-straight", 1), pa.Table)
