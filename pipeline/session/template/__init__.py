"""A session to start from: session.toml and reps.csv, with their explanations in them."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from pipeline.errors import OutputError, UsageError

TEMPLATE_FILES = ("session.toml", "reps.csv")  # they lie beside this module


def template_text(name: str) -> str:
    """The text of one of TEMPLATE_FILES."""
    return resources.files(__name__).joinpath(name).read_text(encoding="utf-8")


def write_template(folder: Path) -> tuple[Path, ...]:
    """Write the files into `folder`, which is made where it is not there; gives their paths.

    Never overwrites: where one of them exists already, it raises UsageError and writes nothing.
    Raises OutputError where the folder cannot be written to.
    """
    paths = {folder / name: template_text(name) for name in TEMPLATE_FILES}
    for path in paths:
        if path.exists():
            raise UsageError(path, "exists already", "a folder without it", "choose another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in paths.items():
            with path.open("x", encoding="utf-8") as file:
                file.write(text)
    except OSError as err:
        raise OutputError(folder, f"cannot be written ({err.strerror})", "a folder") from err
    return tuple(paths)
