"""Files that appear whole or not at all, several of them together, with writers taking turns.

Everything is first written and synced in a hidden folder of OUT (work_folder.py). Only then are
the files of one run moved to their places, one `replace` after the other; if one move fails,
the others are taken back. A reader never sees half a file, and a full disk or a kill leaves the
old files whole. Writers move their files in turn, under a lock. If one is killed in the midst of
it, its list of moves is still on disk, and the next writer or reader finishes it
(docs/decisions/0009-locks.md). Nothing here knows what the files hold.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import secrets
import shutil
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.base.file_systems import is_windows, refused_by_windows
from pipeline.base.plain_file import plain_file_bytes
from pipeline.errors import DiskError
from pipeline.tables import work_folder
from pipeline.tables.work_folder import (
    MOVES_FILE,
    check_way,
    create_folder,
    exclusive,
    remove_empty_folders,
    replace,
    sync,
)

_MOST_LIST_BYTES = 64 << 20
_REFUSED_FOR_NOW = {
    errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS, errno.ENOMEM, errno.EMFILE, errno.ENFILE,
}  # fmt: skip


# --- one file --------------------------------------------------------------------------


def write_text(
    path: Path, text: str, *, lake: Path | None = None, make_folder: bool = True
) -> None:
    """Write a text file in UTF-8, whole or not at all. For the rest see `write_bytes`."""
    write_bytes(path, text.encode("utf-8"), lake=lake, make_folder=make_folder)


def write_bytes(
    path: Path, content: bytes, *, lake: Path | None = None, make_folder: bool = True
) -> None:
    """Write one file, whole or not at all. One that is replaced leaves its permissions.

    Where `path` lies in a `lake`, what a kill leaves is swept up by the next run, and no link is
    followed on the way; elsewhere the way is the user's own word. Raises DiskError.
    """
    if is_windows() and (reason := refused_by_windows(path.name)):  # it would vanish in a device
        raise DiskError(
            path,
            f"cannot be written (its name {reason})",
            "a name that Windows has no other use for",
            "choose another name",
        )
    if lake is not None and _lies_in(lake, path):
        with staging(lake, "file") as folder:
            staged = folder / "content"
            staged.write_bytes(content)
            sync(staged)
            create_folder(path.parent, lake)
            replace(staged, path)
        return
    staged = path.with_name(f".new-{secrets.token_hex(8)}")
    try:
        if make_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        with staged.open("xb") as file:
            with contextlib.suppress(OSError):  # there is none yet, or there are no permissions
                staged.chmod(stat.S_IMODE(path.stat().st_mode))
            file.write(content)
        sync(staged)
        replace(staged, path)
    except OSError as err:
        raise DiskError(
            path,
            f"cannot be written ({err.strerror or err})",
            "a place with room and the right to write",
            "choose another file",
        ) from err
    finally:  # it is still there after a failure or Ctrl-C
        with contextlib.suppress(OSError):
            staged.unlink(missing_ok=True)


def _lies_in(lake: Path, path: Path) -> bool:
    return path.is_relative_to(lake) and ".." not in path.relative_to(lake).parts


# --- several files together ------------------------------------------------------------


@contextlib.contextmanager
def staging(out: Path, label: str) -> Iterator[Path]:
    """A hidden folder of one run in the lake `out`; it is gone at the end.

    `label` (such as a session's id) says in the folder's name what it is for. What killed runs
    left behind is finished and swept up first. A failure of the disk inside the `with` becomes a
    DiskError.
    """
    with _disk_errors(out, "--out"):
        out.mkdir(parents=True, exist_ok=True)
        recover(out)
        with work_folder.run_folder(out, label) as folder:
            yield folder


@contextlib.contextmanager
def staging_beside(target: Path, label: str, option: str) -> Iterator[Path]:
    """A hidden folder beside a file of the user's own, or in a folder of theirs.

    Nothing else there is touched, so what a killed run leaves stays. A failure of the disk inside
    the `with` becomes a DiskError, which names the `option` that would choose another place.
    """
    base = target if target.is_dir() else target.parent
    folder = base / f"{work_folder.WORK_FOLDER}-{label}-{secrets.token_hex(8)}"
    with _disk_errors(base, option):
        base.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700)
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def _disk_errors(where: Path, option: str) -> Iterator[None]:
    try:
        yield
    except OSError as err:
        raise DiskError(
            err.filename or where,
            f"cannot be written ({err.strerror or err})",
            "a folder with room and the right to write",
            f"nothing was changed: free some space or choose another {option}",
        ) from err


class Move(NamedTuple):
    """A staged file and the place where it goes; without a file, the place is to be empty."""

    staged: Path | None
    place: Path


def switch(folder: Path, moves: Sequence[tuple[Path | None, Path]]) -> None:
    """Move every file staged in a run's `folder` to its place in the lake, or none.

    `moves` are pairs (staged file, place); where there is None for the file, what lies at the place
    goes, and its folder with it if nothing else is there. They are on disk before the first one
    is made, so that after a kill the next run can make the rest. A failure takes all moves back,
    and so does the next run after a kill in the midst of that. Raises OSError.
    """
    out = work_folder.out_of(folder)
    to_make = [Move(*move) for move in moves]
    with exclusive(out):
        for left in work_folder.run_folders(out):
            if left != folder:  # whoever has a list of moves now, other than us, was killed
                _finish_moves(left)
        made: list[Path] = []
        former: list[Move] = []
        try:
            for move in to_make:
                if move.staged is not None:
                    made += create_folder(move.place.parent, out)
            former = _keep_former(folder, to_make)
            work_folder.open_to_others(folder)
            _write_moves(folder, to_make)
            _make_moves(to_make)
            _remove_emptied(to_make, out)
            (folder / MOVES_FILE).unlink()
        except BaseException:
            _take_back(folder, former)
            remove_empty_folders(made)
            raise


def move_all(folder: Path, moves: Sequence[tuple[Path, Path]]) -> None:
    """Move every staged file to its place among the user's own, or none. Raises OSError."""
    to_make = [Move(*move) for move in moves]
    made: list[Path] = []
    former: list[Move] = []
    try:
        for parent in dict.fromkeys(move.place.parent for move in to_make):
            if not parent.is_dir():
                parent.mkdir()
                made.append(parent)
        former = _keep_former(folder, to_make)
        _make_moves(to_make)
    except BaseException:
        for move in former:
            with contextlib.suppress(OSError):
                _make_moves([move])
        remove_empty_folders(made)
        raise


def recover(out: Path) -> None:
    """Finish the moves that a killed run had begun, and sweep up what killed runs left behind.

    What another user left and did not open to us is passed over. Raises OSError.
    """
    for left in work_folder.run_folders(out):
        with work_folder.left_by_killed_run(left) as ended:
            if ended:
                if work_folder.has_moves(left):
                    with exclusive(out):
                        _finish_moves(left)
                if not work_folder.has_moves(left):
                    work_folder.remove_run_folder(left)
    work_folder.remove_unfinished_folders(out)


def interrupted(out: Path) -> bool:
    """Whether a run is moving files to their places just now, or was killed while it did."""
    return any(work_folder.has_moves(folder) for folder in work_folder.run_folders(out))


# --- moves -----------------------------------------------------------------------------


def _make_moves(moves: Sequence[Move]) -> None:
    for staged, place in moves:
        if staged is not None:
            replace(staged, place)
        else:
            place.unlink(missing_ok=True)
    for parent in dict.fromkeys(move.place.parent for move in moves):
        with contextlib.suppress(FileNotFoundError):  # it was empty, and is gone by now
            sync(parent)


def _remove_emptied(moves: Sequence[Move], out: Path) -> None:
    """Remove the folders of files that were to go, as far as nothing else is in them."""
    gone = dict.fromkeys(move.place.parent for move in moves if move.staged is None)
    for parent in gone:
        with contextlib.suppress(OSError):  # not empty, or gone already
            if parent != out:
                parent.rmdir()


def _keep_former(folder: Path, moves: Sequence[Move]) -> list[Move]:
    """What puts the former files back: second names for them, or copies where there are none."""
    former = []
    for i, (_, place) in enumerate(moves):
        kept = folder / f"former-{i}"
        if not os.path.lexists(place):
            former.append(Move(None, place))
            continue
        if place.is_dir() and not place.is_symlink():
            raise OSError(errno.EISDIR, "a folder stands where a file was expected", str(place))
        try:
            os.link(place, kept, follow_symlinks=False)
        except (OSError, NotImplementedError):
            shutil.copy2(place, kept, follow_symlinks=False)
        former.append(Move(kept, place))
    return former


def _take_back(folder: Path, former: Sequence[Move]) -> None:
    """Put the former files back. The list of that is written first: it replaces the list of the
    moves, so that a kill or a further failure leaves the rest to the next run."""
    if not work_folder.has_moves(folder):
        return  # nothing had been moved
    with contextlib.suppress(OSError):
        _write_moves(folder, former)
    failed = False
    for move in former:
        try:
            if move.staged is None or move.staged.exists():
                _make_moves([move])
        except OSError:
            failed = True
    if not failed:
        (folder / MOVES_FILE).unlink(missing_ok=True)
        sync(folder)  # should it come back after a loss of power, it would empty those places again


def _write_moves(folder: Path, moves: Sequence[Move]) -> None:
    out = work_folder.out_of(folder)
    names = [
        (staged and staged.relative_to(folder).as_posix(), place.relative_to(out).as_posix())
        for staged, place in moves
    ]
    written = folder / f"{MOVES_FILE}.new"
    written.write_text(json.dumps(names), encoding="utf-8")
    sync(written)
    replace(written, folder / MOVES_FILE)
    sync(folder)


def _read_moves(left: Path) -> list[Move]:
    """The moves that the list in a run's folder names and that have still to be made.

    There are none where the list is missing, where a bad disk has broken it, or where one of its
    moves would lead out of the lake: the tables themselves then show that they are of two runs.
    """
    out = work_folder.out_of(left)
    try:
        written = json.loads(plain_file_bytes(left / MOVES_FILE, _MOST_LIST_BYTES))
        moves = [Move(name and left / name, out / place) for name, place in written]
        for staged, place in moves:
            check_way(out, place)
            if staged is not None and staged.parent != left:
                return []
    except (OSError, ValueError, TypeError, RecursionError):
        return []
    return [move for move in moves if move.staged is None or os.path.lexists(move.staged)]


def _finish_moves(left: Path) -> None:
    """Make the moves that a killed run had still to make, as far as this user may.

    A move that can never be made, such as onto a folder, is passed over. Raises OSError where the
    disk refuses: then the list stays, for another time.
    """
    if not work_folder.has_moves(left):
        return
    out = work_folder.out_of(left)
    for move in _read_moves(left):
        try:
            if move.staged is not None:
                create_folder(move.place.parent, out)
            _make_moves([move])
            _remove_emptied([move], out)
        except PermissionError:  # the rest is its own user's to finish
            return
        except OSError as err:
            if err.errno in _REFUSED_FOR_NOW:
                raise
    with contextlib.suppress(PermissionError):
        (left / MOVES_FILE).unlink(missing_ok=True)
