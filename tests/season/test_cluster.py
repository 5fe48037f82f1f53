"""The same season on other machines: a cluster of processes of which one is killed, and folders
on an object store, give the tables that one process gives."""

import os
import signal
import sys

import evenings as evenings_of
import pyarrow.parquet as pq
import pytest
from command import run
from evenings import IDS, contents

from pipeline.errors import InputError
from pipeline.season import engines, season
from pipeline.tables import folders, schema
from pipeline.tables.places import Bucket, Folder, open_place

distributed = pytest.importorskip("distributed")
moto_server = pytest.importorskip("moto.server")


@pytest.fixture(scope="module")
def alone():
    return evenings_of.measured("plain", "failed", "plain")


@pytest.fixture(scope="module")
def scheduler(bucket):  # noqa: ARG001
    """Workers are processes of their own; they inherit the keys of the bucket."""
    import distributed

    where = os.pathsep.join(p for p in sys.path if p)
    environment = {"PYTHONPATH": where, "OMP_NUM_THREADS": "1"}
    with (
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            env=environment,
            silence_logs=50,
        ) as cluster,
    ):
        yield cluster.scheduler_address


def upload(folder, place):
    for entry in Folder(folder).files():
        place.write("", {entry.name: (folder / entry.name).read_bytes()})


def download(place, folder):
    for entry in place.files():
        path = folder / entry.name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(place.read(entry.name, 1 << 30))
    return folder


def test_on_a_cluster_one_worker_killed_the_tables_are_those_of_one_process(
    alone, bucket, scheduler, tmp_path
):
    from pipeline.season.cluster import Cluster

    evenings, tables = alone
    upload(evenings, open_place(bucket("killed/evenings")))
    engine = Cluster(scheduler)
    pids = list(engine._client.run(os.getpid).values())

    def kill_one(_outcome):
        if len(pids) == 2:
            os.kill(pids.pop(), signal.SIGKILL)

    summary = season.measure_season(
        bucket("killed/evenings"), bucket("killed/out"), engine, told=kill_one, command=("season",)
    )
    assert len(pids) == 1
    # The killed one may have handed its tables over before: then the repeat has nothing to do.
    states = [one.state for one in summary.outcomes]
    assert states.count("measured") >= len(states) - 1
    assert {*states} <= {"measured", "unchanged"}
    assert contents(download(open_place(bucket("killed/out")), tmp_path / "out")) == tables


def test_by_the_command_into_a_folder_that_the_workers_share(alone, scheduler, tmp_path):
    evenings, tables = alone
    words = ("season", evenings, "--out", tmp_path / "out", "--cluster", scheduler)
    code, said, problems = run(*words)
    assert (code, problems) == (0, "")
    assert "3 sessions: 3 measured" in said
    assert contents(tmp_path / "out") == tables


def test_in_a_bucket_only_what_was_written_again_is_measured_again(alone, bucket, tmp_path):
    evenings, _ = alone
    source, out = bucket("changed/evenings"), bucket("changed/out")
    upload(evenings, open_place(source))

    def go(**more):
        return season.measure_season(source, out, engines.Here(), command=("season",), **more)

    assert {one.state for one in go(dry_run=True).outcomes} == {"new"}
    assert {one.state for one in go().outcomes} == {"measured"}
    assert {one.state for one in go(dry_run=True).outcomes} == {"unchanged"}
    name = f"{IDS[0]}/wren.csv"
    place = open_place(source)
    place.write("", {name: place.read(name, 1 << 30) + b"\n"})
    states = {one.session: one.state for one in go().outcomes}
    assert states == {IDS[0]: "measured", IDS[1]: "unchanged", IDS[2]: "unchanged"}
    own = download(open_place(out), tmp_path / "out")
    part = pq.ParquetFile(own / folders.season_part_file("exchanges", 0)).read()
    written = [schema.read_part(folders.part_path(own, "exchanges", s)) for s in sorted(IDS)]
    assert sorted(part["session"].to_pylist()) == sorted(
        s for table in written for s in table["session"].to_pylist()
    )


def test_a_session_in_a_bucket_reaches_no_file_outside_of_it(bucket):
    place = open_place(bucket("outside/evenings"))
    place.write("", {"a/session.toml": b'[session]\nid = "a"\nvenue = "../../secret.geojson"\n'})
    summary = season.measure_season(
        bucket("outside/evenings"), bucket("outside/out"), engines.Here(), command=("season",)
    )
    assert summary.outcomes[0].state == "failed"
    assert "expected a file in the season" in summary.outcomes[0].why[0]


@pytest.mark.parametrize("url", ["s3://", "gopher://club/evenings", "s3:///evenings"])
def test_a_url_that_leads_nowhere_is_said(url, tmp_path):
    code, _, problems = run("season", url, "--out", tmp_path / "out", "--workers", "1")
    assert code == 3, problems
    assert "cannot be" in problems
    assert not (tmp_path / "out").exists()


def test_a_cluster_that_does_not_answer_is_said(monkeypatch):
    from pipeline.season import cluster

    monkeypatch.setattr(cluster, "_CONNECT_S", 0.5)
    with pytest.raises(InputError, match="no scheduler answers"):
        cluster.Cluster("tcp://127.0.0.1:9")


def test_the_engine_is_an_extra_and_stays_out_unless_asked_for(tmp_path):
    import subprocess

    script = (
        "import sys; sys.modules['distributed'] = sys.modules['dask'] = None\n"
        "from pipeline.cli import app\n"
        "from pipeline.season import engines, season\n"
        "from pipeline.tables import places\n"
        f"sys.exit(app.main(['season', '.', '--out', {str(tmp_path)!r}, '--cluster', 'tcp://x:1']))"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "batontrace[cluster]" in done.stderr


def test_a_bucket_can_be_sent_to_another_process(bucket):
    import pickle

    one = pickle.loads(pickle.dumps(Bucket(bucket("sent"))))
    one.write("", {"a/b": b"x"})
    assert [entry.name for entry in one.files()] == ["a/b"]
    assert str(one) == "s3://club/sent"
