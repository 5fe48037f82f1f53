"""Files that appear whole or not at all, several of them together, with writers taking turns.

Everything is first written and synced under a hidden name in OUT. Only then are the files of one
run moved to their places, one `os.replace` after the other; if one move fails, the others are
taken back. A reader never sees half a file, and a full disk or a kill leaves the old files whole.
Writers move their files in turn, under a lock. If one is killed in the midst of it, its list of
moves is still on disk, and the next writer or reader finishes it (docs/decisions/0009-locks.md).
Nothing here knows what the files hold.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import filelock

from pipeline.errors import DiskError, LockError

_STALE_S = 3600.0
_PATIENCE_S = 120.0
_WRITERS_LOCK = ".lock"  # in OUT: whoever holds it may move files to their places
_CLAIMS_FOLDER = ".claims"  # in OUT: one file a session, locked by the run that measures it
_HOLDER_LOCK = "held"  # in a hidden folder: locked as long as its run lives
_MOVES_FILE = "moves.json"  # in a hidden folder: there while its files are being moved


# --- one file --------------------------------------------------------------------------


def write_text(path: Path, text: str, *, make_folder: bool = True) -> None:
    """Write a text file in UTF-8, whole or not at all. Raises DiskError."""
    write_bytes(path, text.encode("utf-8"), make_folder=make_folder)


def write_bytes(path: Path, content: bytes, *, make_folder: bool = True) -> None:
    """Write one file, whole or not at all. Raises DiskError."""
    staged = path.with_name(f".new-{path.name}-{os.getpid()}")
    try:
        if make_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        staged.write_bytes(content)
        sync(staged)
        os.replace(staged, path)
    except OSError as err:
        with contextlib.suppress(OSError):
            staged.unlink(missing_ok=True)
        raise DiskError(
            path,
            f"cannot be written ({err.strerror or err})",
            "a place with room and the right to write",
            "choose another file",
        ) from err


# --- several files together ------------------------------------------------------------


@contextlib.contextmanager
def staging(out: Path, label: str, option: str = "--out") -> Iterator[Path]:
    """A hidden folder in `out`, and so on the same file system; it is gone at the end.

    `label` (such as a session's id) says in the folder's name what it is for. What killed runs
    left behind is swept up first. A failure of the disk inside the `with` becomes a DiskError,
    which names the `option` that would choose another place.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        recover(out)
        made = Path(tempfile.mkdtemp(prefix=".new-", dir=out))
        try:
            with filelock.FileLock(made / _HOLDER_LOCK):
                # Sweepers look for this name, so the folder gets it only once it is locked.
                folder = made.rename(out / f".writing-{label}-{made.name[5:]}")
                try:
                    yield folder
                finally:
                    shutil.rmtree(folder, ignore_errors=True)
        finally:
            shutil.rmtree(made, ignore_errors=True)  # if it never got as far as its name
    except OSError as err:
        raise DiskError(
            err.filename or out,
            f"cannot be written ({err.strerror or err})",
            "a folder with room and the right to write",
            f"nothing was changed: free some space or choose another {option}",
        ) from err


def switch(folder: Path, moves: Sequence[tuple[Path, Path]], *, shared: bool = True) -> None:
    """Move every staged file of `folder` to its place, or none: a failure takes all moves back.

    `moves` are pairs (staged file, place). They are on disk before the first one is made, so that
    after a kill the next run can make the rest. `shared`: others write here too, so runs take
    turns.
    """
    with exclusive(folder.parent) if shared else contextlib.nullcontext():
        if shared:
            _finish_killed_runs(folder)
        former = {
            place: _link_former(folder / f"former-{i}", place) for i, (_, place) in enumerate(moves)
        }
        done: list[Path] = []
        try:
            for _, place in moves:
                create_folder(place.parent)
            _write_moves(folder, moves)
            for staged, place in moves:
                done.append(place)
                os.replace(staged, place)
            for folder_of_place in dict.fromkeys(place.parent for _, place in moves):
                sync(folder_of_place)
        except BaseException:
            _put_former_back(folder, done, former)
            _drop_empty_folders(place for _, place in moves)
            raise
        (folder / _MOVES_FILE).unlink(missing_ok=True)


def recover(out: Path) -> None:
    """Finish the moves that a killed run had begun, and sweep up what killed runs left behind."""
    for left in out.glob(".writing-*"):
        # A folder that is locked or gone belongs to a run that is at work or has just ended.
        with (
            contextlib.suppress(filelock.Timeout, FileNotFoundError),
            filelock.FileLock(left / _HOLDER_LOCK, timeout=0),
        ):
            if (left / _MOVES_FILE).exists():
                with exclusive(out):
                    _finish_moves(left)
            shutil.rmtree(left, ignore_errors=True)
    for left in out.glob(".new-*"):
        with contextlib.suppress(FileNotFoundError):
            if time.time() - left.stat().st_mtime <= _STALE_S:
                continue
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink()


def interrupted(out: Path) -> bool:
    """Whether a run is moving files to their places just now, or was killed while it did."""
    return any(out.glob(f".writing-*/{_MOVES_FILE}"))


# --- turns -----------------------------------------------------------------------------


@contextlib.contextmanager
def claim(out: Path, session_id: str, patience_s: float = 0.0) -> Iterator[bool]:
    """Whether this run may measure a session; while it holds the claim, no other run may."""
    folder = out / _CLAIMS_FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    lock = filelock.FileLock(folder / f"{session_id}.lock", timeout=patience_s)
    try:
        lock.acquire()
    except filelock.Timeout:
        yield False
        return
    try:
        yield True
    finally:
        lock.release()


@contextlib.contextmanager
def exclusive(out: Path) -> Iterator[None]:
    """Within this, nobody else moves files to their places in `out`.

    Raises LockError after a long wait.
    """
    try:
        with filelock.FileLock(out / _WRITERS_LOCK, timeout=_PATIENCE_S):
            yield
    except filelock.Timeout:
        raise LockError(
            out / _WRITERS_LOCK,
            f"another run has held it for {_PATIENCE_S:.0f} s",
            "a folder that runs take turns to write",
            "nothing was changed: see what that run is doing, then try again",
        ) from None


# --- moves -----------------------------------------------------------------------------


def _write_moves(folder: Path, moves: Sequence[tuple[Path, Path]]) -> None:
    names = [
        (staged.relative_to(folder).as_posix(), place.relative_to(folder.parent).as_posix())
        for staged, place in moves
    ]
    written = folder / f"{_MOVES_FILE}.new"
    written.write_text(json.dumps(names), encoding="utf-8")
    sync(written)
    os.replace(written, folder / _MOVES_FILE)
    sync(folder)


def _read_moves(left: Path) -> list[tuple[str, str]]:
    """From a hidden folder's list: the names of its files, and where in OUT they go.

    There are none where the list is missing, or where a bad disk has broken it: the tables
    themselves then show that they are of two runs.
    """
    try:
        written = json.loads((left / _MOVES_FILE).read_text(encoding="utf-8"))
        moves = [(str(staged), str(place)) for staged, place in written]
    except (FileNotFoundError, ValueError, TypeError, RecursionError):
        return []
    inside = [
        Path(staged).name == staged
        and not Path(place).is_absolute()
        and ".." not in Path(place).parts
        for staged, place in moves
    ]
    return moves if all(inside) else []


def _finish_moves(left: Path) -> None:
    """Make the moves that a killed run had still to make."""
    for staged, place in _read_moves(left):
        if (left / staged).exists():
            target = left.parent / place
            create_folder(target.parent)
            os.replace(left / staged, target)
            sync(target.parent)


def _finish_killed_runs(folder: Path) -> None:
    """Under the lock: whoever has a list of moves now, other than us, was killed.

    Its tables are older than ours, so they go first; otherwise the next run would put them over
    ours.
    """
    for moves_file in folder.parent.glob(f".writing-*/{_MOVES_FILE}"):
        if moves_file.parent != folder:
            _finish_moves(moves_file.parent)
            moves_file.unlink(missing_ok=True)


def _link_former(link: Path, place: Path) -> Path | None:
    """A second name for the former file, or a copy where the file system has no links."""
    if not place.exists():
        return None
    try:
        os.link(place, link)
    except OSError:
        shutil.copy2(place, link)
    return link


def _put_former_back(
    folder: Path, done: Sequence[Path], former: Mapping[Path, Path | None]
) -> None:
    (folder / _MOVES_FILE).unlink(missing_ok=True)
    for place in done:
        link = former[place]
        if link is not None:
            os.replace(link, place)
        else:
            place.unlink(missing_ok=True)


def _drop_empty_folders(places: Iterable[Path]) -> None:
    for place in places:
        for folder in (place.parent, place.parent.parent):
            with contextlib.suppress(OSError):  # not empty: it holds other tables
                folder.rmdir()


# --- the disk --------------------------------------------------------------------------


def create_folder(folder: Path) -> None:
    """Make a folder, and have the disk hold its name."""
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        sync(folder.parent)


def sync(path: Path) -> None:
    """Have the disk hold what was written; for a folder its names, where the system can."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except (PermissionError, IsADirectoryError):  # Windows gives no handles of folders
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
