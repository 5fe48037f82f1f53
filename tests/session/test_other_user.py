"""What becomes of files and folders that the user may not read or write."""

import os

import other_user
import pytest


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
