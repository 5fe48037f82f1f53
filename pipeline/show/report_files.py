"""The files of OUT/report: which names they may have, how they are written, which there are."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.language.phrases import phrase
from pipeline.show.file_names import PageLinks
from pipeline.tables import whole_files
from pipeline.tables.places import Folder, Out, as_place

REPORT_FOLDER = "report"
PAGES = (".html", ".htm")
PICTURES = (".svg", ".png")


@dataclass(frozen=True)
class WrittenFile:
    """A file that was written, the number of takeovers it rests on, and remarks on the lake."""

    path: Path | str  # in a bucket its URL
    takeovers: int
    remarks: tuple[str, ...]


def check_page_name(to: Path | None) -> None:
    """Raise UsageError where `to` is a name, but none for a page."""
    if to is not None and to.suffix.lower() not in PAGES:
        raise UsageError(
            f"--to {to}", phrase("not a name for a page"), phrase("a name that ends in .html")
        )


def check_picture_name(to: Path | None) -> None:
    """Raise UsageError where `to` is a name, but none for a picture."""
    if to is not None and to.suffix.lower() not in PICTURES:
        raise UsageError(
            f"--to {to}", phrase("not a name for a picture"), phrase("one in .svg or .png")
        )


def write_report_file(out: Out, name: str, to: Path | None, content: bytes) -> Path | str:
    """Write `to`, or else a file of that name among the reports of OUT, and say where it is."""
    place = as_place(out)
    if to is not None:
        whole_files.write_bytes(to, content, lake=place.path if isinstance(place, Folder) else None)
        return to
    if not isinstance(place, Folder):
        place.write("report", {f"{REPORT_FOLDER}/{name}": content})
        return f"{place}/{REPORT_FOLDER}/{name}"
    path = place.path / REPORT_FOLDER / name
    whole_files.write_bytes(path, content, lake=place.path)
    return path


def links_beside(out: Out, to: Path | None, planned: Collection[str] = ()) -> PageLinks:
    """Links to the files in OUT/report and to those `planned`; none from a page that is written
    elsewhere."""
    return PageLinks(frozenset() if to is not None else report_file_names(out).union(planned))


def report_file_names(out: Out) -> frozenset[str]:
    """The names of the files in OUT/report."""
    folder = f"{REPORT_FOLDER}/"
    return frozenset(one.name.removeprefix(folder) for one in as_place(out).files(REPORT_FOLDER))
