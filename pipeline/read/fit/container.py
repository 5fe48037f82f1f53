"""The container of FIT messages: file headers, chained files and checksums.

Source: the public description of the FIT protocol (file header, chained files, CRC).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

import numpy as np

_CRC_PERIOD_BYTES = 32_767  # see crc16
_MOST_FILES = 1000  # in one chain; a unit writes a handful


class Part(NamedTuple):
    """One file of a chain, its header corrected where it contradicts the bytes."""

    name: str
    data: bytes
    cut: bool
    remarks: tuple[str, ...]


def chain(data: bytes) -> Iterator[Part]:
    """The files of a chain, in order. A broken one ends where the next header begins."""
    start, number = 0, 0
    while 0 <= start < len(data):
        number += 1
        name = f"file {number} of the chain" if number > 1 else ""
        if number > _MOST_FILES:
            remark = f"this and all further ones, {len(data) - start} bytes, were left out"
            yield Part(name, b"", False, (remark,))
            return
        if not _is_header(data, start):
            following = _next_header(data, start + 1)
            end = following if following >= 0 else len(data)
            yield Part(name, b"", False, (f"{end - start} bytes that are not FIT were skipped",))
            start = following
            continue
        head = data[start]
        (size,) = struct.unpack_from("<I", data, start + 4)
        end = start + head + size + 2
        remarks: tuple[str, ...] = ()
        cut = False
        if end != len(data) and not _is_header(data, end):
            following = _next_header(data, start + head)
            stop = following if following >= 0 else len(data)
            if size in (0, 0xFFFFFFFF):
                remarks = ("the unit never closed the file; it is read as far as it goes",)
                cut, end, size = True, stop, max(0, stop - start - head)
            elif end > stop:
                remarks = (
                    f"cut off: {end - stop} bytes are missing; the messages before are used",
                )
                cut, end = True, stop
            # Bytes after the stated end belong to no file; the next turn of the loop skips them.
        body = data if start == 0 and end == len(data) else data[start:end]
        if not cut and crc16(body) != 0:
            remarks += ("wrong checksum; values may be damaged",)
        if cut:
            body = body[:4] + struct.pack("<I", size) + body[8:]
        yield Part(name, body, cut, remarks)
        start = end


def _is_header(data: bytes, start: int) -> bool:
    return data[start + 8 : start + 12] == b".FIT" and 12 <= data[start] < 32


def _next_header(data: bytes, start: int) -> int:
    """Where the next header begins, or -1."""
    at = data.find(b".FIT", start + 8)
    while at >= 0 and not _is_header(data, at - 8):
        at = data.find(b".FIT", at + 1)
    return at - 8 if at >= 0 else -1


def crc16(data: bytes) -> int:
    """FIT's CRC-16 (polynomial 0xA001 reflected, initially 0), as in the FIT protocol.

    Over a whole file with its own checksum at the end it is 0. The polynomial is
    x^16 + x^15 + x^2 + 1 = (x + 1) (x^15 + x + 1), whose second factor is primitive, so that
    x^32767 is 1 modulo it. Bytes that stand 32,767 apart can therefore be added (xor) first, and
    the slow loop has to run over what is left only.
    """
    stored = np.frombuffer(data, np.uint8)
    folded = stored
    if len(stored) > _CRC_PERIOD_BYTES:
        before = len(stored) % _CRC_PERIOD_BYTES
        folded = np.bitwise_xor.reduce(stored[before:].reshape(-1, _CRC_PERIOD_BYTES), axis=0)
        if before:
            folded[_CRC_PERIOD_BYTES - before :] ^= stored[:before]
    table = _crc_table()
    crc = 0
    for byte in folded.tobytes():
        crc = (crc >> 8) ^ table[(crc ^ byte) & 0xFF]
    return crc


@cache
def _crc_table() -> list[int]:
    """What one zero byte turns each value of a checksum's lower eight bits into."""
    crc = np.arange(1 << 8, dtype=np.uint32)
    for _ in range(8):
        crc = np.where(crc & 1, (crc >> 1) ^ 0xA001, crc >> 1)
    return [int(c) for c in crc]
