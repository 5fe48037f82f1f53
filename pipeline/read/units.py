"""What a file says of the unit that wrote it: its serial number, and its name.

It helps a coach to tell units apart and goes nowhere else: no result holds it.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

from pipeline.read.formats import format_of
from pipeline.read.unpacking import unpacked_recording

_MOST_CHARACTERS = 40
_HEAD_BYTES = 1 << 14
_FILE_ID, _SERIAL, _PRODUCT_NAME = 0, 3, 8  # FIT profile: the message and two of its fields
_NO_SERIALS = (0, 0xFFFFFFFF)
_UNIT_WORD = r"(?:serial|unit|device|sensor|logger)[ _-]?(?:number|no|nr|id|name)?|serial"
_CSV_REMARK = re.compile(rf"^[#\s\"']*({_UNIT_WORD})\s*(?:[:=]\s*(.+)|[,;\t]\s*([^,;\t]+))$", re.I)


class UnitName(NamedTuple):
    """A unit as its file has it; None where the file says nothing."""

    serial: str | None = None
    name: str | None = None


def unit_of_file(path: Path) -> UnitName:
    """What a recording says of its unit. Raises RecordingError where it cannot be read at all."""
    data = unpacked_recording(path).data
    reader = _BY_FORMAT.get(format_of(path, data))
    return UnitName() if reader is None else reader(data)


def _fit_unit(data: bytes) -> UnitName:
    """From the file_id, which every FIT file begins with (FIT protocol, "file_id message")."""
    try:
        at = data[0]
        head, order = data[at], ">" if data[at + 2] == 1 else "<"
        (number,) = struct.unpack_from(f"{order}H", data, at + 3)
        if head & 0xC0 != 0x40 or number != _FILE_ID:
            return UnitName()
        fields = [data[at + 6 + 3 * k : at + 9 + 3 * k] for k in range(data[at + 5])]
        at += 6 + 3 * len(fields)
        if head & 0x20:  # developer fields follow
            at += 1 + 3 * data[at]
        at += 1  # the data message's own head
        cells: dict[int, bytes] = {}
        for field, size, _kind in fields:
            cells[field] = data[at : at + size]
            at += size
    except (IndexError, ValueError, struct.error):
        return UnitName()
    serial = cells.get(_SERIAL, b"")
    stated = struct.unpack(f"{order}I", serial)[0] if len(serial) == 4 else 0
    name = cells.get(_PRODUCT_NAME, b"").partition(b"\0")[0]
    return UnitName(None if stated in _NO_SERIALS else str(stated), _plain(name))


def _gpx_unit(data: bytes) -> UnitName:
    creator = re.search(rb"<gpx\b[^>]*\bcreator=[\"']([^\"']*)", data[:_HEAD_BYTES])
    return UnitName(None, _plain(creator[1]) if creator else None)


def _tcx_unit(data: bytes) -> UnitName:
    found = re.search(rb"<Creator\b.{0,2000}?</Creator>", data, re.S)
    if found is None:
        return UnitName()
    serial = re.search(rb"<UnitId>\s*(0*[1-9]\d*)\s*</UnitId>", found[0])
    name = re.search(rb"<Name>([^<]*)</Name>", found[0])
    return UnitName(
        _plain(serial[1]) if serial and int(serial[1]) not in _NO_SERIALS else None,
        _plain(name[1]) if name else None,
    )


def _csv_unit(data: bytes) -> UnitName:
    """From a line above the header, as "# serial: 1234", or a column that says so in each row."""
    lines = data[:_HEAD_BYTES].decode("utf-8-sig", "replace").splitlines()
    said: dict[str, str | None] = {}
    for line in lines[:60]:
        if found := _CSV_REMARK.match(line):
            said.setdefault(
                _kind_of_word(found[1]), _plain((found[2] or found[3]).strip("\"' ,;").encode())
            )
            continue
        delimiter = max("\t;,", key=line.count)
        heads = [cell.strip("\"' ").casefold() for cell in line.split(delimiter)]
        if len(heads) < 3:
            continue
        at = lines.index(line)
        end = -1 if len(data) > _HEAD_BYTES else None  # the last line may be cut off
        rows = [one.split(delimiter) for one in lines[at + 1 : end]]
        for column, head in enumerate(heads):
            if not re.fullmatch(_UNIT_WORD, head, re.I):
                continue
            cells = {row[column].strip("\"' ") for row in rows if len(row) == len(heads)}
            if len(cells) == 1:
                said.setdefault(_kind_of_word(head), _plain(cells.pop().encode()))
        break
    return UnitName(said.get("serial"), said.get("name"))


def _kind_of_word(word: str) -> str:
    return "name" if re.search("name|device$|sensor$|logger$|unit$", word, re.I) else "serial"


def _plain(text: bytes) -> str | None:
    """The text without what acts unseen, cut to a length; None where nothing is left."""
    spaced = " ".join(text.decode("utf-8", "replace").split())
    return "".join(c for c in spaced if c.isprintable())[:_MOST_CHARACTERS].strip() or None


_BY_FORMAT: Mapping[str, Callable[[bytes], UnitName]] = {
    "fit": _fit_unit,
    "gpx": _gpx_unit,
    "tcx": _tcx_unit,
    "csv": _csv_unit,
}
