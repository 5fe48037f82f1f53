"""What becomes of files and folders that the user may not read or write."""

import json
import os

import other_user
import pyarrow.parquet as pq
import pytest
import small_sessions as small

from pipeline import errors


def test_the_other_user_is_not_root():
    assert other_user.call_as_other_user(os.geteuid) != 0


def test_an_exception_comes_back():
    with pytest.raises(KeyError, match="robin"):
        other_user.call_as_other_user({}.__getitem__, "robin")


def test_what_may_not_be_read_is_not_read():
    with other_user.folder_of_other_user() as folder:
        closed = folder / "closed.txt"
        closed.write_text("a")
        other_user.hand_over(folder)
        closed.chmod(0)
        with pytest.raises(PermissionError):
            other_user.call_as_other_user(closed.read_text)


def test_the_command_runs_as_the_other_user():
    code, said, complained = other_user.run_as_other_user("--version")
    assert (code, complained) == (0, "")
    assert said.startswith("batontrace")


# --- a session -----------------------------------------------------------------------------

WREN = "wren.csv"


@pytest.fixture
def folder():
    """A session in `plain`, which the other user owns; OUT would be `out`."""
    with other_user.folder_of_other_user() as found:
        small.copied("plain", found)
        other_user.hand_over(found)
        yield found
        for path in found.rglob("*"):  # so that it can be removed by any user
            if not path.is_symlink():
                path.chmod(0o755)


def process(folder, *, season=False):
    if season:
        words = ("season", folder, "--out", folder / "out", "--workers", 1)
    else:
        words = ("process", folder / "plain" / "session.toml", "--out", folder / "out")
    code, said, complained = other_user.run_as_other_user(*words)
    assert "Traceback" not in said + complained
    return code, said, complained


def close(path):
    path.chmod(0)


def link_to_a_file_that_fails(path):
    """The system refuses to read a process's memory from its start: an input/output error."""
    path.unlink()
    path.symlink_to("/proc/self/mem")


@pytest.mark.parametrize(
    ("spoil", "season"), [(close, False), (close, True), (link_to_a_file_that_fails, False)]
)
def test_a_recording_that_may_not_be_read_is_left_out_and_named(folder, spoil, season):
    spoil(folder / "plain" / WREN)
    code, said, _ = process(folder, season=season)
    assert code == 0
    if not season:
        (line,) = [one for one in said.splitlines() if f"{WREN}: " in one]
        assert "Permission denied" in line or "Input/output error" in line
    table = pq.ParquetFile(folder / "out/recordings/session=plain/part-0.parquet").read()
    rows = {row["file"]: row for row in table.to_pylist()}
    assert rows[WREN]["samples"] == 0
    assert rows[WREN]["remarks"]
    assert all(row["samples"] for name, row in rows.items() if name != WREN)
    record = json.loads((folder / "out/provenance/session=plain/provenance.json").read_text())
    unread = [name for name, sha256 in record["inputs"].items() if sha256 is None]
    assert len(unread) == 1
    assert WREN in unread or (folder / "plain" / WREN).is_symlink()


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("session.toml", errors.SessionError),
        ("reps.csv", errors.SessionError),
        ("venue.geojson", errors.VenueError),
        (".", errors.SessionError),
    ],
)
def test_a_session_that_may_not_be_read_is_an_error_that_says_so(folder, name, kind):
    close(folder / "plain" / name)
    code, said, complained = process(folder)
    assert (code, said) == (kind.exit_code, "")
    assert "Permission denied" in complained


def test_a_season_with_a_folder_that_may_not_be_entered_measures_the_others(folder):
    (folder / "closed").mkdir(mode=0)
    other_user.hand_over(folder / "closed")
    code, said, _ = process(folder, season=True)
    assert code == 0
    assert "1 measured" in said


def test_an_out_that_may_not_be_written_is_an_output_error(folder):
    (folder / "out").mkdir(mode=0o555)
    other_user.hand_over(folder / "out")
    code, _, complained = process(folder)
    assert code == errors.OutputError.exit_code
    assert "Permission denied" in complained


@pytest.mark.parametrize("name", ["exchanges/session=plain/part-0.parquet", "."])
def test_an_out_that_may_not_be_read_ends_in_no_defect(folder, name):
    assert process(folder)[0] == 0
    other_user.hand_over(folder)
    close(folder / "out" / name)
    for words in (("marks",), ("export", "--to", folder / "a.csv")):
        code, said, complained = other_user.run_as_other_user(words[0], folder / "out", *words[1:])
        assert code in (errors.InputError.exit_code, errors.OutputError.exit_code), complained
        assert "ermission denied" in complained
        assert "Traceback" not in said + complained
