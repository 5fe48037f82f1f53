"""Every command that reads OUT reads it from object storage too, and says and writes the same."""

from __future__ import annotations

import re
import secrets
import shutil

import pandas as pd
import pytest
from command import run
from lakes import lighten, store_two_events

import pipeline
from pipeline.tables import lake, schema
from pipeline.tables.places import Folder, open_place

COMMANDS = [
    ("runners",),
    ("marks", "--event", "4x100"),
    ("order", "--event", "4x100"),
    ("progress",),
]


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    return store_two_events(tmp_path_factory.mktemp("lake") / "out")


@pytest.fixture(params=["file", "s3"])
def both(request, stored, tmp_path):
    """The same lake as a folder and as a bucket: its URL, and a function that fetches it."""
    folder = shutil.copytree(stored, tmp_path / "folder")
    if request.param == "file":
        there = shutil.copytree(stored, tmp_path / "bucket")
        return folder, there.as_uri(), lambda: there
    url = request.getfixturevalue("bucket")(secrets.token_hex(8))
    place = open_place(url)
    files = {entry.name: (folder / entry.name).read_bytes() for entry in Folder(folder).files()}
    place.write("", files)

    def fetch():
        for entry in place.files():
            path = tmp_path / "fetched" / entry.name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(place.read(entry.name, 1 << 30))
        return tmp_path / "fetched"

    return folder, url, fetch


def plain(said, folder, url):
    """What a command said, whatever OUT is called in it."""
    for name in (url, url.partition("?")[0], str(folder)):
        said = said.replace(name, "OUT")
    return said


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_a_decision_is_the_same_and_lies_in_the_bucket(both, words, monkeypatch):
    lighten(monkeypatch)
    folder, url, fetch = both
    command, *options = words
    code, said, complained = run(command, folder, *options)
    assert (code, complained) == (0, "")
    code, there, complained = run(command, url, *options)
    assert (code, complained) == (0, "")
    assert plain(there, folder, url) == plain(said, folder, url)
    bucket = fetch()
    for name in (one for one in schema.DECISIONS if (folder / one).is_dir()):
        wanted = pd.read_parquet(folder / name)
        assert pd.read_parquet(bucket / name).equals(wanted)
        assert lake.read_decision(url, name).equals(lake.read_decision(folder, name))


@pytest.mark.parametrize(
    "words", [("report",), ("overlay", "--exchange", "2")], ids=lambda words: words[0]
)
def test_pages_and_figures_lie_in_the_bucket(both, words):
    folder, url, fetch = both
    command, *options = words
    if command == "overlay":
        options += ["--session", lake.sessions_by_time(folder)[0][-1]]
    code, said, complained = run(command, folder, *options)
    assert (code, complained) == (0, "")
    assert plain(run(command, url, *options)[1], folder, url) == plain(said, folder, url)
    bucket = fetch()
    (here,) = (folder / "report").iterdir()
    (there,) = (bucket / "report").iterdir()
    assert here.name == there.name
    assert re.sub(rb"\s+", b"", here.read_bytes()) == re.sub(rb"\s+", b"", there.read_bytes())


def test_an_export_of_a_bucket_is_that_of_the_folder(both, tmp_path):
    folder, url, _ = both
    assert run("export", folder, "--to", tmp_path / "one")[0] == 0
    assert run("export", url, "--to", tmp_path / "two")[0] == 0
    files = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert files == sorted(path.name for path in (tmp_path / "two").iterdir())
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_notebook_reads_a_bucket(both):
    folder, url, _ = both
    assert pipeline.sessions(url) == pipeline.sessions(folder)
    session = pipeline.sessions(url)[0]
    for name in ("exchanges", "speed_curves", "legs"):
        assert pipeline.table(url, name).equals(pipeline.table(folder, name))
    assert pipeline.curves_table(url, session, 1).equals(pipeline.curves_table(folder, session, 1))


@pytest.mark.parametrize("command", ["marks", "runners", "progress", "report", "order", "race"])
def test_a_bucket_without_tables_says_what_to_do(tmp_path, command):
    (tmp_path / "empty").mkdir()
    url = (tmp_path / "empty").as_uri()
    code, _, complained = run(command, url)
    assert code == 3
    assert f"{url}/exchanges" in complained
    assert "is not there" in complained
    assert f"--out {url}" in complained


def test_a_url_that_leads_nowhere_is_an_input_error(tmp_path):
    code, _, complained = run("marks", "nowhere://club/lake")
    assert code == 3
    assert "Traceback" not in complained
    assert list(tmp_path.iterdir()) == []
