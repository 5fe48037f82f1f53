"""Where files lie: a folder of this machine, or a bucket of an object store, given by its URL.

A place is asked for files by names relative to it, with "/" between. `open_place` tells which kind
of place it is.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from pipeline.base.plain_file import open_plain_file, plain_file_bytes, plain_file_sha256
from pipeline.errors import InputError, OutputError
from pipeline.tables import whole_files, work_folder
from pipeline.tables.parquet_content import error_words


class Entry(NamedTuple):
    """A file: its name, its size in bytes, and when it was written."""

    name: str
    size: int
    mtime_ns: int


class Place(Protocol):
    """A folder or a bucket."""

    def files(self, below: str = "") -> Iterator[Entry]:
        """Every file below a folder, at any depth, by name; none where there is no such folder.

        Hidden files and folders are passed over; links to folders are not followed.
        """

    def names(self, below: str) -> list[str]:
        """What lies in a folder, by name. Raises InputError where it cannot be listed."""

    def stat(self, name: str, *, follow: bool = True) -> Entry | None:
        """One file; None where it is not there. `follow`: a link is what it leads to."""

    def read(self, name: str, most_bytes: int) -> bytes:
        """A plain file's content. Raises InputError, also where it is larger than `most_bytes`."""

    def open(self, name: str) -> Any:
        """A plain file whose parts can be read, to be closed. Raises InputError."""

    def own_sha256(self, name: str) -> str | None:
        """The SHA-256 of a file, where nobody else sees to it that its bytes stay as they are.

        None in a bucket, whose store does that itself. Raises InputError.
        """

    def write(self, label: str, files: Mapping[str, bytes]) -> None:
        """Write files, each whole or not at all: in a folder all together, in a bucket in order.

        Raises OutputError.
        """


def is_url(where: str) -> bool:
    return "://" in where


def open_place(where: str) -> Place:
    """The folder or the bucket at `where`. Nothing is asked of a bucket yet."""
    return Bucket(where) if is_url(where) else Folder(Path(where))


class Folder:
    def __init__(self, path: Path) -> None:
        self.path = path

    def __str__(self) -> str:
        return str(self.path)

    def files(self, below: str = "") -> Iterator[Entry]:
        for folder, folders, names in os.walk(self.path / below):
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            for name in sorted(names):
                path = Path(folder, name)
                if not name.startswith("."):
                    relative = path.relative_to(self.path).as_posix()
                    # A link that leads nowhere is there all the same: its reader says so.
                    entry = self.stat(relative) or self.stat(relative, follow=False)
                    if entry is not None:
                        yield entry

    def names(self, below: str) -> list[str]:
        where = self.path / below
        try:
            return sorted(os.listdir(where))
        except (OSError, ValueError) as err:  # such as a null character in the name
            reason = err.strerror if isinstance(err, OSError) else str(err)
            absent = isinstance(err, FileNotFoundError | NotADirectoryError)
            there = not absent or os.path.lexists(where)
            found = f"cannot be read ({reason})" if there else "is not there"
            raise InputError(where, found) from err

    def stat(self, name: str, *, follow: bool = True) -> Entry | None:
        try:
            found = os.stat(self.path / name, follow_symlinks=follow)
        except (OSError, ValueError):
            return None
        return Entry(name, found.st_size, found.st_mtime_ns)

    def read(self, name: str, most_bytes: int) -> bytes:
        try:
            return plain_file_bytes(self.path / name, most_bytes)
        except OSError as err:
            raise self._unreadable(name, err) from err

    def open(self, name: str) -> Any:
        try:
            with open_plain_file(self.path / name) as file:
                # The same file once more, since this one is closed at the end of the block.
                return os.fdopen(os.dup(file.fileno()), "rb")
        except OSError as err:
            raise self._unreadable(name, err) from err

    def own_sha256(self, name: str) -> str | None:
        try:
            return plain_file_sha256(self.path / name, sys.maxsize)
        except OSError as err:
            raise self._unreadable(name, err) from err

    def _unreadable(self, name: str, err: OSError) -> InputError:
        return InputError(self.path / name, f"cannot be read ({err.strerror})")

    def write(self, label: str, files: Mapping[str, bytes]) -> None:
        with whole_files.staging(self.path, label) as folder:
            moves = []
            for number, (name, content) in enumerate(files.items()):
                staged = folder / str(number)
                staged.write_bytes(content)
                work_folder.sync(staged)
                moves.append((staged, self.path / name))
            whole_files.switch(folder, moves)


class Bucket:
    """Objects below a URL such as s3://bucket/season; pyarrow's file systems do the talking.

    Keys come from the environment or the machine's role, as is usual for object stores. A URL may
    name another server: s3://bucket/season?endpoint_override=localhost:9000&scheme=http.
    Raises InputError, when it is first asked for something, where the URL leads nowhere.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self._opened: tuple[Any, str] | None = None

    def __str__(self) -> str:
        return self.url.partition("?")[0]

    def __getstate__(self) -> str:
        return self.url

    def __setstate__(self, url: str) -> None:
        self.__init__(url)  # type: ignore[misc]

    def _open(self) -> tuple[Any, str]:
        if self._opened is None:
            import pyarrow as pa
            import pyarrow.fs

            try:
                system, root = pyarrow.fs.FileSystem.from_uri(self.url)
            except (pa.ArrowException, OSError, ValueError) as err:
                raise InputError(
                    self,
                    f"cannot be opened ({error_words(err)})",
                    "a folder, or a URL such as s3://bucket/season",
                    "check the URL",
                ) from err
            self._opened = system, root.rstrip("/")
        return self._opened

    def _key(self, name: str) -> tuple[Any, str]:
        system, root = self._open()
        return system, f"{root}/{name}" if name else root

    def files(self, below: str = "") -> Iterator[Entry]:
        import pyarrow.fs

        system, key = self._key(below)
        _, root = self._open()
        chosen = pyarrow.fs.FileSelector(key, allow_not_found=True, recursive=True)
        try:
            found = system.get_file_info(chosen)
        except OSError as err:
            raise self._unreachable(below, err) from err
        for info in sorted(found, key=lambda info: str(info.path)):
            name = info.path.removeprefix(root).lstrip("/")
            if info.is_file and not any(part.startswith(".") for part in name.split("/")):
                yield Entry(name, info.size, info.mtime_ns or 0)

    def names(self, below: str) -> list[str]:
        import pyarrow.fs

        system, key = self._key(below)
        try:
            found = system.get_file_info(pyarrow.fs.FileSelector(key, allow_not_found=True))
        except OSError as err:
            raise self._unreachable(below, err) from err
        if not found:
            raise InputError(f"{self}/{below}", "is not there")
        return sorted(str(info.base_name) for info in found)

    def stat(self, name: str, *, follow: bool = True) -> Entry | None:  # noqa: ARG002
        system, key = self._key(name)
        try:
            (info,) = system.get_file_info([key])
        except OSError as err:
            raise self._unreachable(name, err) from err
        return Entry(name, info.size, info.mtime_ns or 0) if info.is_file else None

    def read(self, name: str, most_bytes: int) -> bytes:
        system, key = self._key(name)
        try:
            with system.open_input_file(key) as file:
                if file.size() > most_bytes:
                    found = f"is larger than {most_bytes / 2**20:.4g} MiB"
                    raise InputError(f"{self}/{name}", found)
                content: bytes = file.read()
                return content
        except OSError as err:
            raise self._unreachable(name, err) from err

    def open(self, name: str) -> Any:
        system, key = self._key(name)
        try:
            return system.open_input_file(key)
        except OSError as err:
            raise self._unreachable(name, err) from err

    def own_sha256(self, name: str) -> str | None:  # noqa: ARG002
        return None

    def write(self, label: str, files: Mapping[str, bytes]) -> None:  # noqa: ARG002
        import pyarrow.fs

        for name, content in files.items():
            system, key = self._key(name)
            try:
                if isinstance(system, pyarrow.fs.LocalFileSystem):  # file://, which has folders
                    system.create_dir(key.rpartition("/")[0], recursive=True)
                with system.open_output_stream(key) as stream:  # it appears when closed
                    stream.write(content)
            except OSError as err:
                raise OutputError(
                    f"{self}/{name}",
                    f"cannot be written ({error_words(err)})",
                    "a bucket with the right to write",
                    "check the URL and the keys; what was there before is still there",
                ) from err

    def remove(self, name: str) -> None:
        """Remove an object; nothing where it is not there. Raises OutputError."""
        system, key = self._key(name)
        try:
            system.delete_file(key)
        except FileNotFoundError:
            return
        except OSError as err:
            raise OutputError(f"{self}/{name}", f"cannot be removed ({error_words(err)})") from err

    def _unreachable(self, name: str, err: OSError) -> InputError:
        return InputError(
            f"{self}/{name}".rstrip("/"),
            f"cannot be read ({error_words(err)})",
            "a bucket that can be reached, and the right to read",
            "check the URL, the network and the keys",
        )


Out = Path | str | Place  # where tables lie, as those who ask for them write it


def as_place(out: Out) -> Place:
    """The place itself: a folder, a bucket, or what stands for one of them."""
    if isinstance(out, Folder | Bucket):
        return out
    return open_place(str(out))
