"""The files that a coach writes: what each is called, how large it may be, and its text."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from pipeline.base.plain_file import plain_file_bytes
from pipeline.errors import InputError, SessionError, VenueError


class Document(NamedTuple):
    """A kind of file, and what its errors say."""

    error: type[InputError]
    expected: str
    most_bytes: int
    if_missing: str
    if_unreadable: str


SESSION_TOML = Document(
    SessionError,
    "a session.toml",
    4 << 20,  # ten thousand recordings
    "start from a template, or check the path",
    "check the path and the file's permissions",
)
PRACTICE_SHEET = Document(
    SessionError,
    "the practice sheet, a CSV file",
    16 << 20,  # a hundred thousand reps
    "correct reps in session.toml, or drop it",
    "correct reps in session.toml, or drop it",
)
OBSERVER_CSV = Document(
    SessionError,
    "what an observer saw, a CSV file",
    16 << 20,  # a hundred thousand rows
    "correct file of that [[observer]] in session.toml, or delete the [[observer]]",
    "correct file of that [[observer]] in session.toml, or delete the [[observer]]",
)
VENUE_GEOJSON = Document(
    VenueError,
    "the venue, a GeoJSON file",
    64 << 20,  # a whole city's layer
    "correct venue in session.toml, or make one with `batontrace venue`",
    "check venue in session.toml, and the file's permissions",
)
SURVEY_CSV = Document(
    VenueError,
    "a survey of two or more spots, a CSV file",
    1 << 20,
    "check the path",
    "check the path and the file's permissions",
)


def document_bytes(path: Path, document: Document) -> bytes:
    """The file's bytes. Raises `document.error` where there are none, or too many."""
    try:
        return plain_file_bytes(path, document.most_bytes)
    except FileNotFoundError:
        raise document.error(path, "no such file", document.expected, document.if_missing) from None
    except OSError as error:
        raise document.error(
            path, f"cannot be read: {error.strerror}", document.expected, document.if_unreadable
        ) from None


def utf8_text(path: Path, document: Document) -> str:
    """The file's text, in UTF-8. Raises `document.error` where it cannot be read as such."""
    return text_of_bytes(path, document, document_bytes(path, document))


def text_of_bytes(path: Path, document: Document, content: bytes) -> str:
    """The text of a file whose content is known. Raises `document.error` as `utf8_text` does."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise document.error(
            path,
            f"byte {error.start} is not UTF-8",
            f"{document.expected}, in UTF-8",
            "save or export it again in UTF-8",
        ) from None
