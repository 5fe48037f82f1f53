"""The bytes of a recording: opened, unpacked where gzip, bounded, and told apart by content."""

from __future__ import annotations

import errno
import re
import zlib
from pathlib import Path
from typing import NamedTuple
from xml.parsers import expat

from pipeline.errors import RecordingError
from pipeline.read.opening import contents

SUPPORTED = ("fit", "gpx", "tcx", "nmea", "csv")
MAX_BYTES = 1 << 28  # of one recording, unpacked: thirty hours of everything

_EXPECTED = "a recording in FIT, GPX, TCX, NMEA 0183 or CSV, plain or gzip"
_CHUNK = 1 << 14  # packed bytes at a time; at most a thousandfold unpacked
_TIMES, _FREE_BYTES = 200, 1 << 24  # tracks pack to a tenth; what gives more is no track
_GZIP = 31  # zlib: a gzip header, the largest window
_HEAD = 1 << 16
_SENTENCE = re.compile(rb"\$[A-Z]{2}[A-Z]{3},[ -~]*")
_KNOWN_OTHERS = (
    (b"\x1f\x8b", "gzip inside gzip", "unpack it once"),
    (b"PK\x03\x04", "a zip archive", "unpack it and name the recording inside"),
    (b"BZh", "a bzip2 archive", "unpack it first"),
    (b"\xfd7zXZ\x00", "an xz archive", "unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "unpack it and name the recording inside"),
    (b"%PDF", "a PDF", "export the unit's own track file"),
    (b"PAR1", "a Parquet table", "name the unit's own track file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet", "save it as CSV"),
)


class Source(NamedTuple):
    data: bytes
    remarks: tuple[str, ...]


def load(path: Path, max_bytes: int = MAX_BYTES) -> Source:
    """The file's bytes, unpacked. A cut or broken gzip gives what could be unpacked and a
    remark. Raises RecordingError where there is nothing to read."""
    try:
        packed = contents(path, max_bytes)
    except IsADirectoryError:
        raise RecordingError(
            path, "a directory", "one recording", "name the file inside it"
        ) from None
    except FileNotFoundError:
        raise RecordingError(
            path, "no such file", _EXPECTED, "check the name; paths are relative to session.toml"
        ) from None
    except OSError as e:
        if e.errno == errno.EFBIG:
            raise _too_large(path, max_bytes) from None
        raise RecordingError(
            path,
            f"cannot be read ({e.strerror})",
            _EXPECTED,
            "check the file and its permissions",
        ) from None
    source = _unpack(path, packed, max_bytes) if packed[:2] == b"\x1f\x8b" else Source(packed, ())
    if not source.data or source.data.isspace():
        raise RecordingError(path, "the file is empty", _EXPECTED, "copy it from the unit again")
    return source


def _unpack(path: Path, packed: bytes, max_bytes: int) -> Source:
    """Every member of a gzip file, one after the other (RFC 1952, 2.2)."""
    parts: list[bytes] = []
    total = 0
    stream = zlib.decompressobj(wbits=_GZIP)
    for start in range(0, len(packed), _CHUNK):
        piece = packed[start : start + _CHUNK]
        while piece:
            try:
                parts.append(stream.decompress(piece))
            except zlib.error as e:
                return Source(b"".join(parts), (f"gzip is broken ({e}); what came before is used",))
            total += len(parts[-1])
            if total > max_bytes:
                raise _too_large(path, max_bytes)
            if total > max(_FREE_BYTES, _TIMES * len(packed)):
                raise RecordingError(
                    path,
                    f"gzip of more than {_TIMES} times its size: no recording packs so well",
                    _EXPECTED,
                    "copy it from the unit again",
                )
            piece = stream.unused_data
            if stream.eof and (piece or start + _CHUNK < len(packed)):
                stream = zlib.decompressobj(wbits=_GZIP)
    if not stream.eof:
        return Source(b"".join(parts), ("gzip is cut off; what came before is used",))
    return Source(b"".join(parts), ())


def _too_large(path: Path, max_bytes: int) -> RecordingError:
    return RecordingError(
        path,
        f"holds more than {max_bytes / 2**20:g} MiB",
        "one session's recording",
        "cut the recording to the session",
    )


def format_of(path: Path, data: bytes) -> str:
    """Which of SUPPORTED the bytes are; raises RecordingError where none."""
    if data[8:12] == b".FIT":
        return "fit"
    for start, name, advice in _KNOWN_OTHERS:
        if data.startswith(start):
            raise RecordingError(path, name, _EXPECTED, advice)
    if _looks_like_markup(data):
        return _format_of_markup(path, data)
    if _SENTENCE.search(data, 0, 4 * _HEAD):
        return "nmea"
    if _is_text(data):
        return "csv"
    raise RecordingError(
        path,
        f"none of the known formats (begins with {data[:12]!r})",
        _EXPECTED,
        "export the recording from the unit in one of these",
    )


def _looks_like_markup(data: bytes) -> bool:
    head = data[:_HEAD]
    for mark in (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"):
        head = head.removeprefix(mark)
    return head.replace(b"\0", b"").lstrip().startswith(b"<")


class _Root(Exception):
    """Carries the root element's name out of expat."""


def _format_of_markup(path: Path, data: bytes) -> str:
    """Reads as far as the root element. A document with declarations of its own is refused
    before any is read: no unit writes one, and a few lines of entities or of values that every
    element is to have can fill the memory."""

    def refuse(_name: str, _system: str | None, _public: str | None, internal: bool) -> None:
        if internal:
            raise RecordingError(
                path,
                "the XML declares entities or elements of its own",
                "a GPX or TCX file without them",
                "export the recording from the unit again",
            )

    def stop(name: str, _: object) -> None:
        raise _Root(name)

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = stop
    try:
        parser.Parse(data[: 4 * _HEAD].lstrip(), False)
        found = "XML without a root element"
    except _Root as root:
        name = str(root).rpartition(" ")[2]
        known = {"gpx": "gpx", "TrainingCenterDatabase": "tcx"}
        if name in known:
            return known[name]
        found = f"an XML file of <{name}>"
    except (expat.ExpatError, LookupError, ValueError) as e:  # the latter: odd encodings
        found = f"broken XML ({e})"
    raise RecordingError(path, found, "GPX or TCX", "export the recording in one of these")


def _is_text(data: bytes) -> bool:
    head = data[:_HEAD]
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return True
    control = sum(head.count(bytes([c])) for c in (*range(9), *range(14, 32)))
    return control == 0
