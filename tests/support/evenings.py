"""Small sessions under ids of their own, as a season finds them, and what a season leaves."""

from pathlib import Path

import small_sessions as small
from shared_work import once

from pipeline.session import process

IDS = ("adder-evening", "lynx-evening", "wren-evening")


def an_evening(folder: Path, session_id: str, name: str = "plain") -> Path:
    """A small session under an id of its own; its file."""
    small.copied(name, folder)
    (folder / name).rename(folder / session_id)
    path = folder / session_id / "session.toml"
    small.replace(path, f'id = "{name}"', f'id = "{session_id}"')
    return path


def contents(out):
    """The tables and records; a record's time and command are the run's own."""
    found = {}
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out).as_posix()
        if path.suffix == ".parquet" and not name.startswith((".", "season/")):
            found[name] = path.read_bytes()
    return found


def measured(*names: str) -> tuple[Path, dict[str, bytes]]:
    """What `process` gives of small sessions, one after the other: the folder of the evenings,
    which is not to be written to, and their tables."""

    def make(place: Path) -> None:
        for session_id, name in zip(IDS, names, strict=False):
            process.make_session_tables(
                an_evening(place / "evenings", session_id, name), place / "out"
            )

    place = once(f"evenings {names}", make)
    return place / "evenings", contents(place / "out")
