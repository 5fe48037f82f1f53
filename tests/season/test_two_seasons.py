"""Two seasons at once on one bucket: nothing is measured twice, and nothing is lost."""

import hashlib
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import season_beside
from evenings import an_evening

from pipeline.errors import NothingMeasured
from pipeline.season import bucket_claims, engines, season
from pipeline.session import process
from pipeline.tables import compacting, folders, provenance, schema
from pipeline.tables.places import Bucket, open_place

SESSIONS = tuple(f"evening-{number}" for number in range(3))
LONG_S = 60.0  # an age that no claim here reaches
CLAIMS = ".batontrace/claims"


@pytest.fixture(name="evenings", scope="module")
def evenings_fixture(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season") / "evenings"
    folder.mkdir()
    for session in SESSIONS:
        an_evening(folder, session)
    return folder


@pytest.fixture(name="quick")
def quick_fixture(monkeypatch, tmp_path):
    """Nothing here waits for long, and takeovers are drawn by lot; the log of what is measured."""
    monkeypatch.setattr(bucket_claims, "POLL_S", 0.05)
    monkeypatch.setattr(bucket_claims, "CONTEST_S", 0.05)
    log = tmp_path / "log"
    log.touch()
    monkeypatch.setattr(process, "make_session_tables", season_beside.log_and_measure(log, 0.05))
    return log


def start_beside(evenings, out, log, takes_s=0.1, most_age_s=LONG_S):
    words = (evenings, out, log, takes_s, most_age_s)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    script = str(Path(season_beside.__file__))
    return subprocess.Popen([sys.executable, script, *map(str, words)], env=environment)


def measured(log):
    return sorted(log.read_text().split())


def wait_until(condition):
    until = time.monotonic() + 60
    while not condition():
        if time.monotonic() > until:
            raise TimeoutError
        time.sleep(0.01)


def check_whole(out, sessions=SESSIONS):
    """Every session's tables are those of its record, all are in the parts, no claim is left."""
    place = open_place(out)
    for session in sessions:
        record = place.read(folders.session_record_file(session), provenance.MOST_RECORD_BYTES)
        for table in schema.TABLES:
            content = place.read(folders.part_file(table, session), 1 << 30)
            assert provenance.other_hash(record, table, hashlib.sha256(content).hexdigest()) is None
    parts = compacting.read_current_parts(place, tuple(schema.TABLES))
    assert parts.remarks == ()
    for table in schema.TABLES:
        assert sorted(parts.slices[table]) == sorted(sessions)
    assert claims_in(place) == []


def claims_in(place):
    try:
        return place.names(CLAIMS)
    except Exception as err:
        if "is not there" not in str(err):
            raise
        return []


def go(evenings, out, **options):
    return season.measure_season(str(evenings), out, engines.Here(), command=("season",), **options)


def test_two_processes_at_once_measure_each_session_once(evenings, tmp_path):
    out, log = f"file://{tmp_path}/out", tmp_path / "log"
    children = [start_beside(evenings, out, log) for _ in range(2)]
    assert [child.wait(120) for child in children] == [0, 0]
    assert measured(log) == sorted(SESSIONS)
    check_whole(out)


def test_one_that_is_killed_loses_nothing_and_the_next_finishes(evenings, quick, tmp_path):
    out = f"file://{tmp_path}/out"

    def stop(_outcome):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        go(evenings, out, told=stop)  # one session is done
    child = start_beside(evenings, out, quick, takes_s=LONG_S)
    wait_until(lambda: len(measured(quick)) == 2)  # the second is in hand
    child.send_signal(signal.SIGKILL)
    child.wait(60)
    done, in_hand = quick.read_text().split()
    assert claims_in(open_place(out))[0].startswith(f"session={in_hand}.")
    (claim,) = (tmp_path / "out" / CLAIMS).iterdir()
    hour_ago = time.time() - 3600
    os.utime(claim, (hour_ago, hour_ago))
    go(evenings, out)
    assert measured(quick) == sorted([*SESSIONS, in_hand])
    assert done != in_hand
    check_whole(out)


def test_a_dead_claim_is_taken_over_when_it_is_old_enough(evenings, quick, tmp_path, monkeypatch):
    """It is waited for: the others are done before, and nobody has to touch anything."""
    monkeypatch.setattr(bucket_claims, "MOST_AGE_S", 3.0)
    out = f"file://{tmp_path}/out"
    open_place(out).write("", {f"{CLAIMS}/session={SESSIONS[0]}.dead": b"{}"})
    summary = go(evenings, out)
    assert {one.state for one in summary.outcomes} == {"measured"}
    assert quick.read_text().split()[-1] == SESSIONS[0]
    check_whole(out)


def test_a_session_that_the_other_finished_meanwhile_is_not_measured_again(
    evenings, quick, tmp_path
):
    out = f"file://{tmp_path}/out"
    looked = []

    def finish_all_beside(what, _done, _all):
        if what.startswith("measure ") and not looked:
            looked.append(what)
            go(evenings, out)

    summary = go(evenings, out, progress=finish_all_beside)
    assert measured(quick) == sorted(SESSIONS)
    assert {one.why for one in summary.outcomes} == {("another run has measured it meanwhile",)}
    check_whole(out)


@pytest.mark.parametrize("error", [KeyboardInterrupt, NothingMeasured, ZeroDivisionError])
def test_a_claim_goes_with_its_season_however_that_ends(
    evenings, quick, tmp_path, monkeypatch, error
):
    out = f"file://{tmp_path}/out"

    def fail(path, _out, **_options):
        (name,) = claims_in(open_place(out))
        assert name.startswith("session=evening-")
        raise error(path, "no takeover")

    monkeypatch.setattr(process, "make_session_tables", fail)
    if error is KeyboardInterrupt:
        with pytest.raises(KeyboardInterrupt):
            go(evenings, out)
    else:
        assert {one.state for one in go(evenings, out).outcomes} == {"failed"}
    assert claims_in(open_place(out)) == []
    assert measured(quick) == []


def test_what_ended_processes_left_is_removed_by_their_season(tmp_path):
    place = Bucket(f"file://{tmp_path}/out")
    place.write("", {f"{CLAIMS}/session=a.mine": b"", f"{CLAIMS}/session=a.other": b""})
    bucket_claims.remove_claims_of(place, "mine")
    assert claims_in(place) == ["session=a.other"]


@pytest.mark.usefixtures("quick")
def test_of_many_at_once_never_two_have_it_and_in_turn_all_do(tmp_path):
    place, inside, most = f"file://{tmp_path}/out", [], []

    def take(number):
        claim = bucket_claims.claim_in_bucket(Bucket(place), "season", f"{number:x}", 60.0)
        with claim as held:
            assert held is not None
            inside.append(number)
            time.sleep(0.01)
            most.append(len(inside))
            inside.remove(number)

    threads = [threading.Thread(target=take, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert most == [1] * 6


@pytest.mark.usefixtures("quick")
def test_a_claim_that_is_kept_up_does_not_age_and_a_lost_one_is_known(tmp_path, monkeypatch):
    place = Bucket(f"file://{tmp_path}/out")
    name = f"{CLAIMS}/session=a.b"
    monkeypatch.setattr(bucket_claims, "RENEW_S", 0.02)
    with bucket_claims.claim_in_bucket(place, "session=a", "b", 0.0) as claim:
        first = place.stat(name).mtime_ns
        wait_until(lambda: place.stat(name).mtime_ns > first)
        assert claim.is_held()
        with bucket_claims.claim_in_bucket(place, "session=a", "a", 0.0) as other:
            assert other is None
        monkeypatch.setattr(bucket_claims, "MOST_AGE_S", 0.0)  # as after a long sleep
        assert not claim.is_held()
        claim.renew()
        monkeypatch.setattr(bucket_claims, "MOST_AGE_S", LONG_S)
        assert not claim.is_held()  # once lost, it stays lost


def test_tables_of_a_claim_that_was_lost_are_not_handed_over(
    evenings, quick, tmp_path, monkeypatch
):
    out = f"file://{tmp_path}/out"
    real, lost = process.make_session_tables, []

    def lose_claim(path, *words, **options):
        result = real(path, *words, **options)
        if not lost:
            lost.append(result.session.id)
            (name,) = claims_in(open_place(out))
            Bucket(out).remove(f"{CLAIMS}/{name}")
            assert open_place(out).stat(folders.session_record_file(lost[0])) is None
        return result

    monkeypatch.setattr(process, "make_session_tables", lose_claim)
    summary = go(evenings, out)
    assert {one.state for one in summary.outcomes} == {"measured"}
    assert measured(quick) == sorted([*SESSIONS, *lost])
    check_whole(out)


def test_in_an_object_store_two_threads_measure_each_session_once(evenings, quick, bucket):
    out = bucket("two/out")
    problems = []

    def measure_all():
        try:
            go(evenings, out)
        except BaseException as err:
            problems.append(err)

    threads = [threading.Thread(target=measure_all) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert problems == []
    assert measured(quick) == sorted(SESSIONS)
    check_whole(out)
