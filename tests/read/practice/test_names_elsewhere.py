"""Names that Windows or a Mac refuses or folds together, and paths as Windows writes them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.base.file_systems import folded, refused_by_windows
from pipeline.cli.app import main
from pipeline.errors import OutputError, SessionError
from pipeline.read.practice.session import names_elsewhere, read_session
from pipeline.tables import schema
from pipeline.tables.writing import write_session

SAMPLE = Path(__file__).parents[3] / "sample_tracks" / "larch-unwritten"


@pytest.mark.parametrize(
    ("name", "refused"),
    [
        ("NUL", True), ("nul.fit", True), ("Aux .csv", True), ("COM1.gpx", True), ("com0", False),
        ("COM10.gpx", False), ("heron.", True), ("heron ", True), ("17:05.fit", True),
        ("null.fit", False), ("heron.fit", False), ("Jürg.fit", False), ("what?.csv", True),
    ],
)  # fmt: skip
def test_names_that_windows_refuses(name: str, refused: bool) -> None:
    assert bool(refused_by_windows(name)) is refused


def test_names_that_a_mac_folds_together() -> None:
    assert folded("Heron") == folded("heron") == folded("heron.")
    assert folded("J\u00fcrg") == folded("Ju\u0308rg")
    assert folded("heron") != folded("herons")


@pytest.fixture
def evening(tmp_path: Path) -> Path:
    shutil.copytree(SAMPLE, tmp_path / "evening")
    return tmp_path / "evening"


def rewritten(evening: Path, old: str, new: str) -> Path:
    path = evening / "session.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "written", ["'units\\heron.fit'", '"units/HERON.FIT"', '"Units/heron.fit"']
)
def test_a_file_is_found_under_a_name_that_another_system_would_take(
    evening: Path, written: str
) -> None:
    (evening / "units").mkdir()
    shutil.move(evening / "heron.fit", evening / "units" / "heron.fit")
    path = rewritten(evening, '"heron.fit"', written)
    found = {recording.path.name: recording.path for recording in read_session(path).recordings}
    if "Units" in written:  # folders as well as files would be too much guessing
        assert not found["heron.fit"].exists()
    else:
        assert found["heron.fit"] == evening / "units" / "heron.fit"


def test_a_backslash_in_double_quotes_is_explained(evening: Path) -> None:
    path = rewritten(evening, '"heron.fit"', '"units\\heron.fit"')
    with pytest.raises(SessionError, match="write / between folders, on Windows too"):
        read_session(path)


def test_names_that_fold_together_or_are_refused_are_told() -> None:
    said = names_elsewhere(
        ["heron", "Heron"], ["heron.fit", "Heron.fit", "units/aux.gpx", "a:b.csv"]
    )
    assert len(said) == 4
    assert said[0].startswith('runners "heron" and "Heron"')
    assert said[1].startswith("files heron.fit and Heron.fit")
    assert "units/aux.gpx: Windows cannot hold it" in said[2]
    assert "a:b.csv" in said[3]
    assert names_elsewhere(["heron", "herons"], ["heron.fit"]) == []


def test_check_tells_of_such_a_file(evening: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (evening / "heron.fit").rename(evening / "aux.fit")
    path = rewritten(evening, '"heron.fit"', '"aux.fit"')
    main(["check", str(path)])
    assert "Windows cannot hold it" in " ".join(capsys.readouterr().out.split())


def test_no_two_sessions_of_a_lake_share_a_folder_elsewhere(tmp_path: Path) -> None:
    empty = {name: schema.empty_table(name) for name in schema.TABLES}
    record = {"inputs": {}, "settings": {}}
    write_session(tmp_path, "Heron", empty, record)
    write_session(tmp_path, "Heron", empty, record)
    write_session(tmp_path, "NUL", empty, record)  # its folder is called session=NUL
    with pytest.raises(OutputError, match="'Heron' is there, and 'heron' would share its folder"):
        write_session(tmp_path, "heron", empty, record)
    with pytest.raises(OutputError, match="ends with a dot"):
        write_session(tmp_path, "otter.", empty, record)
    assert len(list((tmp_path / "exchanges").iterdir())) == 2
