"""What observers saw is an input like the others: recorded, fetched, missed when it is gone."""

import evenings
import pytest
from command import run

from pipeline.errors import FewerInputsError
from pipeline.read.practice.session import read_session
from pipeline.season.bucket_sessions import fetch, list_session
from pipeline.season.one_session import Task, look
from pipeline.session import check, former, process
from pipeline.tables import provenance
from pipeline.tables.places import Folder

OBSERVER = '\n[[observer]]\nid = "film"\nkind = "film"\nfile = "{file}"\n'
FILM = "rep,event,time_s\n1,entry,34.02\n1,pass,35.88\n2,exit,98.1\n"


@pytest.fixture
def evening(tmp_path):
    """A session with a film; its file."""
    return with_film(evenings.an_evening(tmp_path, "wren-evening"))


def with_film(path, file="film.csv"):
    with path.open("a", encoding="utf-8") as toml:
        toml.write(OBSERVER.format(file=file))
    (path.parent / file).parent.mkdir(exist_ok=True)
    (path.parent / file).write_text(FILM)
    return path


def mark(path):
    return provenance.run_sha256(process.run_record(read_session(path), ()))


def test_a_film_is_one_of_the_inputs_that_a_runs_mark_rests_on(evening):
    film = evening.parent / "film.csv"
    assert "film.csv" in process.run_record(read_session(evening), ())["inputs"]
    before = mark(evening)
    film.write_text(FILM.replace("35.88", "35.90"))
    assert mark(evening) != before
    film.write_text(FILM)
    assert mark(evening) == before
    film.write_bytes(b"\0")  # not used, and yet the next one that can be will be noticed
    assert mark(evening) != before


def test_no_record_and_no_remark_names_a_folder_above_the_session(tmp_path):
    path = with_film(evenings.an_evening(tmp_path / "smith", "wren-evening"), "../films/film.csv")
    record = process.run_record(read_session(path), ())
    assert "../films/film.csv" in record["inputs"]
    (path.parent / "../films/film.csv").write_bytes(b"\0")
    (remark,) = read_session(path).remarks
    assert remark.startswith('observer "film" is left out: ../films/film.csv: not text')
    assert "smith" not in f"{record}{remark}"


def test_a_film_that_is_gone_or_cannot_be_read_any_more_is_missed(evening, tmp_path):
    out = tmp_path / "out"
    process.make_session_tables(evening, out)
    before = evenings.contents(out)
    (evening.parent / "film.csv").write_bytes(b"\0")
    with pytest.raises(FewerInputsError, match=r"film\.csv could be read before"):
        process.make_session_tables(evening, out)
    (evening.parent / "film.csv").unlink()
    with pytest.raises(FewerInputsError, match=r"missing now: film\.csv"):
        process.make_session_tables(evening, out)
    assert evenings.contents(out) == before
    seen = look(Task("wren-evening/session.toml", str(tmp_path), str(out), ()))
    assert (seen.state, seen.why) == ("kept", ("film.csv is gone",))


def test_a_film_that_said_something_and_now_says_nothing_is_missed(evening):
    (evening.parent / "film.csv").write_bytes(b"\0")
    session = read_session(evening)
    now = process.run_record(session, ())["inputs"]
    tables = former.FormerTables(now, 4, frozenset())
    former.refuse_missing_inputs(session, tables, now)  # it said nothing before either
    tables = former.FormerTables(now, 4, frozenset(), frozenset({"film"}))
    with pytest.raises(FewerInputsError, match=r"film\.csv could be read before"):
        former.refuse_missing_inputs(session, tables, now)


def test_a_film_is_fetched_with_its_session(evening, tmp_path):
    source = Folder(evening.parent.parent)
    objects = list_session(source, f"{evening.parent.name}/session.toml")
    assert "wren-evening/film.csv" in [name for name, _, _ in objects.files]
    fetched = read_session(fetch(source, objects, tmp_path / "elsewhere"))
    assert [len(one.sightings) for one in fetched.observers] == [3]


def test_check_counts_what_each_observer_saw(evening):
    code, said, _ = run("check", evening)
    assert code == 0
    row = next(line.split() for line in said.splitlines() if line.startswith("film "))
    assert row == ["film", "film", "own", "measure", "3", "1", "entry,", "1", "pass,", "1", "exit"]
    assert "film: no near_utc" in said
    (evening.parent / "film.csv").unlink()
    code, said, _ = run("check", evening)
    assert code == 0
    assert "film: nothing of what it saw can be used" in said
    assert 'observer "film" is left out: film.csv: no such file' in said
    assert "Nothing is missing" not in said


def test_check_notices_gates_of_another_hour(evening):
    with evening.open("a", encoding="utf-8") as toml:
        toml.write(OBSERVER.replace('"film"', '"gates"').format(file="gates.csv"))
    report = check.check_session(evening)
    first, last = report.streams[0].first_utc_s, report.streams[0].last_utc_s
    for moment, outside in ((first / 2 + last / 2, False), (last + 3000.0, True)):
        rows = f"rep,event,time_s\n1,exit,{moment}\n"
        (evening.parent / "gates.csv").write_text(rows)
        missing = [one for one in check.check_session(evening).missing if "gates:" in one]
        assert bool(missing) == outside
        assert all("no time of gates.csv lies within the recordings" in one for one in missing)
