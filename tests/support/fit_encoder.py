"""A small FIT writer for tests: definitions, data, checksums; from the public protocol
description (flexible and interoperable data transfer, FIT protocol 2.0). It shares no code
with the reader; the checksum is the bit-by-bit form."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import NamedTuple

BASE = {
    "enum": (0x00, "B", 0xFF),
    "uint8": (0x02, "B", 0xFF),
    "string": (0x07, "s", b""),
    "byte": (0x0D, "B", 0xFF),
    "sint16": (0x83, "h", 0x7FFF),
    "uint16": (0x84, "H", 0xFFFF),
    "sint32": (0x85, "i", 0x7FFFFFFF),
    "uint32": (0x86, "I", 0xFFFFFFFF),
    "float32": (0x88, "f", float("nan")),
}


class Field(NamedTuple):
    number: int
    base: str
    count: int = 1


class DevField(NamedTuple):
    number: int
    base: str
    developer: int = 0
    count: int = 1


class Kind(NamedTuple):
    """A definition: local number, global message number, fields."""

    local: int
    number: int
    fields: tuple[Field, ...]
    developer_fields: tuple[DevField, ...] = ()
    big_endian: bool = False

    @property
    def _end(self) -> str:
        return ">" if self.big_endian else "<"

    def definition(self) -> bytes:
        out = struct.pack(
            f"{self._end}BBBHB",
            0x40 | (0x20 if self.developer_fields else 0) | self.local,
            0,
            int(self.big_endian),
            self.number,
            len(self.fields),
        )
        for f in self.fields:
            code, fmt, _ = BASE[f.base]
            out += bytes([f.number, struct.calcsize(fmt) * f.count, code])
        if self.developer_fields:
            out += bytes([len(self.developer_fields)])
            for d in self.developer_fields:
                out += bytes([d.number, struct.calcsize(BASE[d.base][1]) * d.count, d.developer])
        return out

    def data(self, *values: object, offset: int | None = None) -> bytes:
        """One data message; None is the base type's null. `offset`: a compressed time stamp."""
        header = self.local if offset is None else 0x80 | self.local << 5 | offset & 0x1F
        out = bytes([header])
        for f, value in zip((*self.fields, *self.developer_fields), values, strict=True):
            out += _pack(self._end, f.base, f.count, value)
        return out


def _pack(end: str, base: str, count: int, value: object) -> bytes:
    _, fmt, null = BASE[base]
    if base == "string":
        return str(value).encode()[:count].ljust(count, b"\0")
    cells: Sequence[object] = value if isinstance(value, (list, tuple)) else [value]
    cells = [null if c is None else c for c in cells]
    cells = [*cells, *[null] * (count - len(cells))]
    return struct.pack(f"{end}{count}{fmt}", *cells)


def crc(data: bytes) -> int:
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value


def fit_file(*parts: bytes, header: int = 14, header_crc: bool = True) -> bytes:
    """A file of definitions and data messages; `header` 12 is protocol 1.0, 14 is 2.0."""
    body = b"".join(parts)
    head = struct.pack("<BBHI4s", header, 0x20 if header == 14 else 0x10, 2132, len(body), b".FIT")
    if header == 14:
        head += struct.pack("<H", crc(head) if header_crc else 0)
    return head + body + struct.pack("<H", crc(head + body))


FILE_ID = Kind(0, 0, (Field(0, "enum"), Field(4, "uint32")))
RECORD = Kind(
    1, 20, (Field(253, "uint32"), Field(0, "sint32"), Field(1, "sint32"), Field(6, "uint16"))
)
ENHANCED_RECORD = Kind(
    1,
    20,
    (
        Field(253, "uint32"),
        Field(0, "sint32"),
        Field(1, "sint32"),
        Field(73, "uint32"),
        Field(78, "uint32"),
    ),
)
GPS = Kind(
    2,
    160,
    (
        Field(253, "uint32"),
        Field(0, "uint16"),
        Field(1, "sint32"),
        Field(2, "sint32"),
        Field(4, "uint32"),
        Field(6, "uint32"),
    ),
)
CORRELATION = Kind(
    3, 162, (Field(253, "uint32"), Field(1, "uint32"), Field(4, "uint16"), Field(5, "uint16"))
)
CALIBRATION = Kind(
    4,
    167,
    (
        Field(0, "enum"),
        Field(1, "uint32"),
        Field(2, "uint32"),
        Field(3, "uint32"),
        Field(4, "sint32", 3),
        Field(5, "sint32", 9),
    ),
)
DEVELOPER_ID = Kind(5, 207, (Field(1, "byte", 16), Field(3, "uint8")))
FIELD_DESCRIPTION = Kind(
    6,
    206,
    (
        Field(0, "uint8"),
        Field(1, "uint8"),
        Field(2, "uint8"),
        Field(3, "string", 24),
        Field(8, "string", 8),
    ),
)


def batch(local: int, number: int, samples: int, values: str, first_value: int) -> Kind:
    """accelerometer_data (165) or gyroscope_data (164) with `samples` a message; `first_value`
    is the field number of its x axis, `values` the base type."""
    axes = tuple(Field(first_value + i, values, samples) for i in range(3))
    return Kind(
        local,
        number,
        (Field(253, "uint32"), Field(0, "uint16"), Field(1, "uint16", samples), *axes),
    )


def semicircles(degrees: float) -> int:
    return round(degrees * 2**31 / 180.0)
