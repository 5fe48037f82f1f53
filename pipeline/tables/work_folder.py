"""The hidden folder of OUT in which this program works, and the locks it takes there.

    OUT/.batontrace/lock                     held by whoever moves files to their places
    OUT/.batontrace/claims/session=<id>.lock held by the run that measures the session
    OUT/.batontrace/run-<label>-<token>/     what one run has still to move (whole_files.py)

Others may write in OUT, and OUT may lie in somebody's own folder. So nothing here or below OUT is
reached through a link, no file is taken for a lock that is none, and a run's folder is known by
what stands inside it, not by its name. Whoever may write in OUT may also take part: what is made
here has OUT's own permissions, whatever the umask of the one who makes it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
import stat
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import filelock

from pipeline.base.file_systems import is_windows
from pipeline.base.plain_file import plain_file_bytes
from pipeline.errors import LockError
from pipeline.tables.folders import session_folder

WORK_FOLDER = ".batontrace"
_PATIENCE_S = 120.0
_STALE_S = 3600.0
_HELD_OPEN_S = 3.0
_WRITERS_LOCK = "lock"
_CLAIMS_FOLDER = "claims"
_RUN = "run-"
_UNFINISHED = "new-"  # a run's folder that is not yet locked and marked
_HOLDER_LOCK = "held"  # in a run's folder: locked as long as its run lives
MOVES_FILE = "moves.json"  # in a run's folder: there while its files are being moved
_MARK_FILE = "made-by"  # in a run's folder: says that this program made it


# --- no links, and OUT's own permissions -----------------------------------------------


def check_way(out: Path, place: Path) -> None:
    """Raises OSError where `place` is not below `out`, or a folder on the way to it is a link.

    `out` itself may be a link: that is its owner's word.
    """
    below = place.relative_to(out).parts if place.is_relative_to(out) else ()
    if not below or ".." in below:
        raise OSError(errno.EPERM, "lies outside the folder of the tables", str(place))
    folder = out
    for part in below[:-1]:
        folder = folder / part
        if folder.is_symlink():
            raise OSError(errno.ELOOP, "a link stands where a folder was expected", str(folder))


def create_folder(folder: Path, out: Path) -> tuple[Path, ...]:
    """Make a folder below `out`, and those above it, and have the disk hold their names.

    Returns the new ones, the deepest last. Raises OSError, also where a link stands on the way.
    """
    check_way(out, folder / "x")
    if folder.is_dir():
        return ()
    made = create_folder(folder.parent, out) if folder.parent != out else ()
    try:
        folder.mkdir()
        made = (*made, folder)
        _give_permissions_of(out, folder)
        sync(folder.parent)
    except FileExistsError:  # another run was quicker
        return made
    except OSError:
        remove_empty_folders(made)  # nobody would know that they are new
        raise
    return made


def remove_empty_folders(made: Sequence[Path]) -> None:
    """Remove folders that were made, the deepest last, as far as nothing has come into them."""
    for folder in reversed(made):
        with contextlib.suppress(OSError):  # not empty: another run has put something there
            folder.rmdir()


def _give_permissions_of(out: Path, folder: Path) -> None:
    wanted = stat.S_IMODE(out.stat().st_mode)
    if wanted != stat.S_IMODE(folder.stat().st_mode):
        with contextlib.suppress(OSError):  # a file system without permissions
            folder.chmod(wanted)


def sync(path: Path) -> None:
    """Have the disk hold what was written; for a folder its names, where the system can."""
    if is_windows() and path.is_dir():  # which gives no handles of folders
        return
    # Windows syncs a file only through a handle that may write.
    handle = os.open(path, os.O_RDWR if is_windows() else os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# --- turns -----------------------------------------------------------------------------


@contextlib.contextmanager
def exclusive(out: Path) -> Iterator[None]:
    """Within this, nobody else moves files to their places in `out`.

    Raises LockError after a long wait, OSError where the lock cannot be had at all.
    """
    create_folder(out / WORK_FOLDER, out)
    path = out / WORK_FOLDER / _WRITERS_LOCK
    with _locked(path, out, _PATIENCE_S) as ours:
        if not ours:
            raise LockError(
                path,
                f"another run has held it for {_PATIENCE_S:.0f} s",
                "a folder that runs take turns to write",
                "nothing was changed: see what that run is doing, then try again",
            )
        yield


@contextlib.contextmanager
def claim(out: Path, session_id: str, patience_s: float = 0.0) -> Iterator[bool]:
    """Whether this run may measure a session; while it holds the claim, no other run may."""
    path = _claim_path(out, session_id)
    out.mkdir(parents=True, exist_ok=True)
    create_folder(path.parent, out)
    with _locked(path, out, patience_s) as ours:
        yield ours


def remove_claim(out: Path, session_id: str) -> None:
    """Remove the lock file of a session that is gone: its name is the session's id."""
    with contextlib.suppress(OSError):
        _claim_path(out, session_id).unlink(missing_ok=True)
        former = _claim_path(out, session_id).with_name(f"{session_id}.lock")  # until version 0.2
        former.unlink(missing_ok=True)


def _claim_path(out: Path, session_id: str) -> Path:
    # Not the id alone: to Windows a file named nul.lock is a device.
    return out / WORK_FOLDER / _CLAIMS_FOLDER / f"{session_folder(session_id)}.lock"


@contextlib.contextmanager
def _locked(path: Path, out: Path, patience_s: float) -> Iterator[bool]:
    """A lock of the operating system on a file of ours; false where another holds it."""
    _refuse_other_than_lock(path)
    mode = stat.S_IMODE(out.stat().st_mode) & 0o666  # whoever may write in OUT may take it
    lock = filelock.FileLock(path, timeout=patience_s, mode=mode)
    try:
        lock.acquire()
    except filelock.Timeout:
        yield False
        return
    except NotImplementedError as err:
        raise OSError(errno.ENOLCK, "the file system has no locks", str(path)) from err
    try:
        yield True
    finally:
        lock.release()


def _refuse_other_than_lock(path: Path) -> None:
    """A lock is empty and has one name: taking it empties the file (filelock)."""
    try:
        state = path.lstat()
    except FileNotFoundError:
        return
    if not stat.S_ISREG(state.st_mode) or state.st_size or state.st_nlink > 1:
        raise OSError(errno.EEXIST, "stands where a lock was expected; remove it", str(path))


# --- one move --------------------------------------------------------------------------


def replace(staged: Path, place: Path) -> None:
    """Move a file to its place, onto whatever file stands there. Raises OSError.

    Windows refuses that while another program has the file at the place open. Scanners and folders
    that a cloud keeps in step hold a file for a moment only, so there it is tried again for a
    while.
    """
    until = time.monotonic() + (_HELD_OPEN_S if is_windows() else 0.0)
    while True:
        try:
            os.replace(staged, place)
        except PermissionError:
            if time.monotonic() >= until or place.is_dir():
                raise
            time.sleep(0.05)
        else:
            return


# --- folders of runs -------------------------------------------------------------------


@contextlib.contextmanager
def run_folder(out: Path, label: str) -> Iterator[Path]:
    """A folder for what one run writes, in the hidden folder of `out`, for its owner alone.

    It is gone at the end, unless a list of moves is left in it for the next run to finish. Raises
    OSError.
    """
    create_folder(out / WORK_FOLDER, out)
    token = secrets.token_hex(8)
    folder = out / WORK_FOLDER / f"{_RUN}{label}-{token}"
    # Windows renames no folder in which a file is open, as the lock is. There it has its own name
    # from the start; sweepers pass it over as long as it has no mark.
    made = folder if is_windows() else folder.with_name(f"{_UNFINISHED}{token}")
    try:
        made.mkdir(mode=0o700)
        with _locked(made / _HOLDER_LOCK, out, 0.0):
            (made / _MARK_FILE).write_bytes(_mark(folder))
            if made != folder:
                made.rename(folder)  # sweepers look for this name: it is locked and marked by now
            try:
                yield folder
            finally:
                if not has_moves(folder):
                    remove_run_folder(folder)
    finally:
        if not has_moves(made):
            _remove_unfinished(made)


def out_of(folder: Path) -> Path:
    """The OUT that a run's folder lies in."""
    return folder.parent.parent


def open_to_others(folder: Path) -> None:
    """From now on whoever may write in OUT may finish what stands in this run's folder."""
    _give_permissions_of(out_of(folder), folder)


def has_moves(folder: Path) -> bool:
    """Whether the run of this folder is moving files to their places, or was killed meanwhile."""
    return (folder / MOVES_FILE).exists()


def run_folders(out: Path) -> list[Path]:
    """The folders of runs that are at work in `out` or were killed; none that others made."""
    return [path for path in _entries(out, _RUN) if _is_ours(path)]


@contextlib.contextmanager
def left_by_killed_run(folder: Path) -> Iterator[bool]:
    """Whether the run of this folder has ended; within this, nobody else looks after it.

    It has not where the folder is locked. What is gone by now, or cannot be locked, or is another
    user's and not opened to us, is not ours to look after.
    """
    with contextlib.ExitStack() as stack:
        try:
            ended = stack.enter_context(_locked(folder / _HOLDER_LOCK, out_of(folder), 0.0))
        except OSError:
            ended = False
        yield ended
    if ended and is_windows() and not has_moves(folder):
        _remove_unfinished(folder)  # which Windows refuses as long as the lock in it is held


def remove_run_folder(folder: Path) -> None:
    """Remove a run's folder, as far as the disk lets us, and its mark last.

    What a kill leaves in the midst of this is still known as ours.
    """
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            elif path.name not in (_HOLDER_LOCK, _MARK_FILE):
                path.unlink(missing_ok=True)
        if is_windows():  # it is open; whoever holds the lock removes the rest
            return
        with contextlib.suppress(OSError):
            folder = folder.rename(folder.with_name(f"{_UNFINISHED}{_token(folder)}"))
        _remove_unfinished(folder)


def remove_unfinished_folders(out: Path) -> None:
    """Sweep up folders of runs that were killed before they had a lock and a mark."""
    for left in _entries(out, _UNFINISHED):
        with contextlib.suppress(OSError):
            if time.time() - left.lstat().st_mtime > _STALE_S:
                _remove_unfinished(left)


def _entries(out: Path, start: str) -> list[Path]:
    """What stands in the hidden folder under names that begin so; nothing where it is a link."""
    with contextlib.suppress(OSError):
        check_way(out, out / WORK_FOLDER / start)
        return sorted((out / WORK_FOLDER).glob(f"{start}*"))
    return []


def _mark(folder: Path) -> bytes:
    """What only this program writes, and only into this folder."""
    return f"batontrace {_token(folder)}\n".encode()


def _token(folder: Path) -> str:
    return folder.name.rpartition("-")[2]


def _is_ours(folder: Path) -> bool:
    with contextlib.suppress(OSError):
        mark = folder / _MARK_FILE
        expected = _mark(folder)
        is_link = folder.is_symlink() or mark.is_symlink()
        return not is_link and plain_file_bytes(mark, len(expected)) == expected
    return False


def _remove_unfinished(folder: Path) -> None:
    """Remove what `run_folder` puts into a new folder, and the folder if nothing else is there."""
    with contextlib.suppress(OSError):
        for name in (_HOLDER_LOCK, _MARK_FILE):
            (folder / name).unlink(missing_ok=True)
        folder.rmdir()
