"""The bytes of a recording: opened, unpacked where they are gzip, and limited in size."""

from __future__ import annotations

import errno
import zlib
from pathlib import Path
from typing import NamedTuple

from pipeline.base.plain_file import plain_file_bytes
from pipeline.errors import RecordingError
from pipeline.read.formats import EXPECTED_RECORDING

MOST_RECORDING_BYTES = 1 << 28  # unpacked: thirty hours of everything

_PACKED_PIECE_BYTES = 1 << 14  # unpacked at a time; each gives at most a thousand times as much
_MOST_TIMES_PACKED = 200  # tracks pack to a tenth; whatever unpacks to more than this is no track
_ALWAYS_ALLOWED_BYTES = 1 << 24  # unpacked: up to here the ratio is not looked at
_MOST_MEMBERS = 100_000  # of one file; what packs in blocks writes one for every 64 KiB
_GZIP_WINDOW_BITS = 31  # zlib: a gzip header and the largest window


class UnpackedFile(NamedTuple):
    data: bytes
    remarks: tuple[str, ...]


def unpacked_recording(path: Path, max_bytes: int = MOST_RECORDING_BYTES) -> UnpackedFile:
    """The file's bytes, unpacked where they are gzip.

    From a gzip that is broken or cut off, what could be unpacked is used, and a remark says so.
    Raises RecordingError where there is nothing to read or more than `max_bytes`.
    """
    try:
        packed = plain_file_bytes(path, max_bytes)
    except IsADirectoryError:
        raise RecordingError(
            path, "it is a folder", "one recording", "name the file inside it"
        ) from None
    except FileNotFoundError:
        raise RecordingError(
            path,
            "no such file",
            EXPECTED_RECORDING,
            "check the name; paths are relative to session.toml",
        ) from None
    except OSError as e:
        if e.errno == errno.EFBIG:
            raise _recording_too_large(path, max_bytes) from None
        raise RecordingError(
            path,
            f"cannot be read ({e.strerror})",
            EXPECTED_RECORDING,
            "check the file and its permissions",
        ) from None
    is_gzip = packed[:2] == b"\x1f\x8b"
    file = _unpack_gzip(path, packed, max_bytes) if is_gzip else UnpackedFile(packed, ())
    if not file.data or file.data.isspace():
        raise RecordingError(
            path, "the file is empty", EXPECTED_RECORDING, "copy it from the unit again"
        )
    return file


def _unpack_gzip(path: Path, packed: bytes, max_bytes: int) -> UnpackedFile:
    """Every member of a gzip file, one after the other (RFC 1952, 2.2)."""
    parts: list[bytes] = []
    total = members = 0
    stream = zlib.decompressobj(wbits=_GZIP_WINDOW_BITS)
    for start in range(0, len(packed), _PACKED_PIECE_BYTES):
        piece = packed[start : start + _PACKED_PIECE_BYTES]
        while piece:
            try:
                parts.append(stream.decompress(piece))
            except zlib.error as e:
                remark = f"gzip is broken ({e}); what came before is used"
                return UnpackedFile(b"".join(parts), (remark,))
            total += len(parts[-1])
            if total > max_bytes:
                raise _recording_too_large(path, max_bytes)
            if total > max(_ALWAYS_ALLOWED_BYTES, _MOST_TIMES_PACKED * len(packed)):
                raise RecordingError(
                    path,
                    f"gzip that unpacks to more than {_MOST_TIMES_PACKED} times its size, "
                    "as no recording does",
                    EXPECTED_RECORDING,
                    "copy it from the unit again",
                )
            piece = stream.unused_data
            if stream.eof and (piece or start + _PACKED_PIECE_BYTES < len(packed)):
                members += 1
                if members > _MOST_MEMBERS:
                    remark = f"gzip of more than {_MOST_MEMBERS} parts; the first ones are used"
                    return UnpackedFile(b"".join(parts), (remark,))
                stream = zlib.decompressobj(wbits=_GZIP_WINDOW_BITS)
    if not stream.eof:
        return UnpackedFile(b"".join(parts), ("gzip is cut off; what came before is used",))
    return UnpackedFile(b"".join(parts), ())


def _recording_too_large(path: Path, max_bytes: int) -> RecordingError:
    return RecordingError(
        path,
        f"holds more than {max_bytes / 2**20:g} MiB",
        "one session's recording",
        "cut the recording to the session",
    )
