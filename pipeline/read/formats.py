"""Which format a recording has, told by its content."""

from __future__ import annotations

import re
from pathlib import Path
from xml.parsers import expat

from pipeline.errors import RecordingError
from pipeline.read.quoting import quote_without_numbers

SUPPORTED = ("fit", "gpx", "tcx", "nmea", "csv")
EXPECTED_RECORDING = "a recording in FIT, GPX, TCX, NMEA 0183 or CSV, plain or gzip"

_HEAD_BYTES = 1 << 16  # looked at to tell formats apart
_LONG_HEAD_BYTES = 4 * _HEAD_BYTES  # looked at for a root element or an NMEA sentence
_CONTROL_BYTES = bytes((*range(9), *range(14, 32)))  # all that no text holds
_FEW_CONTROL_BYTES = 3  # of a text with a few flipped bits; every tenth byte of other files is one
_NMEA_SENTENCE = re.compile(rb"\$[A-Z]{2}[A-Z]{3},[ -~]*")
_POINT_TAG = re.compile(rb"<(?:[A-Za-z_][\w.-]*:)?(trkpt|Trackpoint)[\s>]")
_UNREAD_FORMATS = (  # first bytes, name, what to do
    (b"\x1f\x8b", "gzip inside gzip", "unpack it once"),
    (b"PK\x03\x04", "a zip archive", "unpack it and name the recording inside"),
    (b"BZh", "a bzip2 archive", "unpack it first"),
    (b"\xfd7zXZ\x00", "an xz archive", "unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "unpack it and name the recording inside"),
    (b"%PDF", "a PDF", "export the unit's own track file"),
    (b"PAR1", "a Parquet table", "name the unit's own track file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet", "save it as CSV"),
)


def format_of(path: Path, data: bytes) -> str:
    """Which of SUPPORTED the bytes are. Raises RecordingError where they are none of these."""
    if data[8:12] == b".FIT":
        return "fit"
    for start, name, advice in _UNREAD_FORMATS:
        if data.startswith(start):
            raise RecordingError(path, name, EXPECTED_RECORDING, advice)
    if _looks_like_markup(data):
        return _markup_format(path, data)
    if _NMEA_SENTENCE.search(data, 0, _LONG_HEAD_BYTES):
        return "nmea"
    if _looks_like_text(data):
        return "csv"
    beginning = quote_without_numbers(data[:12].decode("latin-1"))
    raise RecordingError(
        path,
        f"none of the known formats (begins with {beginning})",
        EXPECTED_RECORDING,
        "export the recording from the unit in one of these",
    )


def _looks_like_markup(data: bytes) -> bool:
    head = data[:_HEAD_BYTES]
    for byte_order_mark in (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"):
        head = head.removeprefix(byte_order_mark)
    return head.replace(b"\0", b"").lstrip().startswith(b"<")


class _RootElement(Exception):
    """Carries the root element's name out of expat."""


def _markup_format(path: Path, data: bytes) -> str:
    """ "gpx" or "tcx", by the name of the root element; nothing after it is read.

    A document with declarations of its own is refused before any of them is read. No unit writes
    one, and a few lines that declare entities or default values can fill the memory.
    """

    def refuse(_name: str, _system: str | None, _public: str | None, internal: bool) -> None:
        if internal:
            raise RecordingError(
                path,
                "the XML declares entities or elements of its own",
                "a GPX or TCX file without them",
                "export the recording from the unit again",
            )

    def stop(name: str, _: object) -> None:
        raise _RootElement(name)

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = stop
    try:
        parser.Parse(data[:_LONG_HEAD_BYTES].lstrip(), False)
        found = "XML without a root element"
    except _RootElement as root:
        name = str(root).rpartition(" ")[2]
        known = {"gpx": "gpx", "TrainingCenterDatabase": "tcx"}
        if name in known:
            return known[name]
        found = f"an XML file of {quote_without_numbers(f'<{name}>')}"
    except expat.ExpatError as error:
        if point := _POINT_TAG.search(data, 0, _LONG_HEAD_BYTES):  # its reader goes on from there
            return "gpx" if point[1] == b"trkpt" else "tcx"
        found = f"broken XML (line {error.lineno}: {expat.ErrorString(error.code)})"
    except (LookupError, ValueError):
        found = "XML in an unknown encoding"
    raise RecordingError(path, found, "GPX or TCX", "export the recording in one of these")


def _looks_like_text(data: bytes) -> bool:
    head = data[:_HEAD_BYTES]
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return True
    control = len(head) - len(head.translate(None, _CONTROL_BYTES))
    return control <= max(_FEW_CONTROL_BYTES, len(head) // 1000)
