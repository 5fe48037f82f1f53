"""The benchmark's pieces on a small evening: who is compared reads the same, tables are whole."""

import importlib
import math

import benchmark_season as bench
import hours
import notebook
import numpy as np
import pandas as pd
import pytest

from pipeline.read import read
from pipeline.session import process as stage

SMALL = {"hours": 0.02, "runners": 2, "takeovers": 2, "others": False}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("evenings")


@pytest.fixture(params=hours.FORMATS)
def session(request, folder):
    return hours.made(folder, hours.Evening(request.param, **SMALL))


def test_an_evening_is_made_once(folder):
    evening = hours.Evening("csv", **SMALL)
    first = hours.made(folder, evening)
    kept = first.stat().st_mtime_ns
    assert hours.made(folder, evening) == first
    assert first.stat().st_mtime_ns == kept


def test_the_notebook_reads_what_the_reader_reads(session):
    path = hours.files(session)[0]
    fixes, felt = notebook.READ[path.suffix](path)
    ours = read(path)
    assert len(fixes) == len(ours.fixes.t_s) > 300
    assert np.allclose(fixes["time"], ours.fixes.t_s, rtol=0, atol=1e-6)
    assert np.allclose(fixes["lat"], ours.fixes.latitude_deg, rtol=0, atol=1e-9)
    assert np.allclose(fixes["lon"], ours.fixes.longitude_deg, rtol=0, atol=1e-9)
    assert np.allclose(fixes["speed"], ours.fixes.speed_mps, rtol=0, atol=1e-6)
    if felt is not None:
        felt_by_us = (ours if path.suffix == ".fit" else read(hours.files(session)[-2])).imu
        assert np.allclose(felt["time"], felt_by_us.t_s, rtol=0, atol=1e-6)
        assert np.allclose(felt[["x", "y", "z"]], felt_by_us.acc_mps2, rtol=0, atol=1e-5)


def test_the_notebook_measures_the_same_takeovers(folder, tmp_path):
    session = hours.made(folder, hours.Evening("csv", **SMALL))
    found = notebook.process(session, tmp_path)
    rows = stage.make_session_tables(session, None).tables["exchanges"].to_pylist()
    assert len(found) == len(rows) == SMALL["takeovers"]
    for one, row in zip(found.itertuples(), rows, strict=True):
        assert (one.incoming, one.outgoing) == (row["incoming"], row["outgoing"])
        assert abs(one.zone_time_s - row["zone_time_s"]) < 0.3
    assert set(pd.read_parquet(tmp_path / "curves.parquet")["rep"]) == set(found["rep"])


@pytest.mark.parametrize(
    ("job", "library"),
    [
        ("fitparse_columns", "fitparse"),
        ("fitdecode_columns", "fitdecode"),
        ("vendor_columns", "garmin_fit_sdk"),
        ("fitfast_columns", "fitfast"),
    ],
)
def test_every_reader_finds_as_many_samples(folder, job, library):
    pytest.importorskip(library)
    path = str(hours.files(hours.made(folder, hours.Evening("fit", **SMALL)))[0])
    assert bench.JOBS[job](path)() == bench.ours(path)()


def test_tables_of_sensors_are_read_alike(folder):
    fixes, *_, felt = hours.files(hours.made(folder, hours.Evening("csv", **SMALL)))
    assert bench.notebooks(str(fixes))() == bench.ours(str(fixes))()
    assert bench.notebooks(str(felt))() == bench.ours(str(felt))()


def test_a_measurement_is_made_in_a_process_of_its_own(folder):
    path = hours.files(hours.made(folder, hours.Evening("csv", **SMALL)))[0]
    one = bench.measured("ours", path)
    assert one.said == bench.ours(str(path))()
    assert one.seconds > 0
    assert one.cpu_s > 0
    assert 20 < one.peak_mb < 1000


def test_the_stages_are_watched_and_add_up(folder, monkeypatch):
    for calls in bench.STAGES.values():  # what `stages` watches is put back afterwards
        for module, name in calls:
            target = f"pipeline.{module}.{name}"
            monkeypatch.setattr(target, _at(target))
    session = hours.made(folder, hours.Evening("csv", **SMALL))
    said = bench.stages(str(session))()
    assert said["takeovers"] == SMALL["takeovers"]
    assert set(said["took_s"]) == {*bench.STAGES, "between"}
    assert all(said["took_s"][name] > 0 for name in bench.STAGES)
    assert set(said["held_mb"]) == set(bench.STAGES)


def _at(target: str):
    module, _, name = target.rpartition(".")
    return getattr(importlib.import_module(module), name)


def test_tables_are_whole_and_ratios_are_of_the_same_round():
    found = {
        bench.OURS: [bench.Measured(2.0, 1.0, 50.0, None), bench.Measured(3.0, 2.0, 60.0, None)],
        "other": [bench.Measured(4.0, 4.0, 70.0, None), bench.Measured(4.0, 4.0, 65.0, None)],
    }
    rows = bench.beside(found)
    lines = bench.table(("", *bench.BESIDE), rows).splitlines()
    assert len(lines) == 4
    assert {line.count("|") for line in lines} == {6}
    assert rows[0] == [bench.OURS, "2.500 (2.000 to 3.000)", "1.500 (1.000 to 2.000)", "1", "60"]
    assert rows[1][3:] == ["3.00 (2.00 to 4.00)", "70"]


def test_the_exponent_is_that_of_a_power():
    x = [0.5, 1.0, 2.0, 4.0]
    for power in (0.0, 1.0, 1.7):
        assert math.isclose(bench.exponent(x, [3 * v**power for v in x]), power, abs_tol=1e-12)


def test_every_job_has_its_turn_first(monkeypatch):
    order = []
    monkeypatch.setattr(bench, "measured", lambda name: order.append(name))
    bench.in_turns({"a": ("a",), "b": ("b",)}, 2)
    assert order == ["a", "b", "b", "a"]


def test_an_unknown_section_is_refused(capsys):
    with pytest.raises(SystemExit):
        bench.main(["--only", "weather"])
    assert "weather" in capsys.readouterr().err


def here(name, *args):
    """A job in the test's own process; how long it took is made up."""
    return bench.Measured(2.0, 1.0, 50.0, bench.JOBS[name](*map(str, args))())


def test_a_section_prints_its_table(folder, capsys, monkeypatch):
    monkeypatch.setattr(bench, "Evening", lambda form, **_: hours.Evening(form, **SMALL))
    monkeypatch.setattr(bench, "there", lambda module: module == "fitdecode")
    monkeypatch.setattr(bench, "measured", here)
    assert bench.main(["--only", "reading", "--rounds", "1", "--folder", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert "## One FIT file" in shown
    figures = [line for line in shown.splitlines() if line.startswith(f"| {bench.OURS}")]
    assert len(figures) == 1
