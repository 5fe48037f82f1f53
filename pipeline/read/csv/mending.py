"""Damage to a CSV that would reach beyond its own row, made as small as the row or its cell.

To a parser a stray quote opens a text that ends at the next quote, thousands of rows below, and a
stray byte makes the whole file no text at all. No sample of a recording spans lines. So quotes
that are not closed on their own line are taken out of it, and a line that is not UTF-8 is read as
Latin-1, in which every byte is a letter.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa

_STRETCH_BYTES = 1 << 20  # looked at together, to limit the memory
_PIECE_BYTES = 1 << 16  # decoded together, so that a stray byte costs little
_MOST_STRAY_LINES = 10_000  # mended one by one; then the rest is all taken as Latin-1
_QUOTE = ord('"')


def mend_encoding(body: bytes) -> bytes:
    """The body in UTF-8. Lines that are not are read as Latin-1."""
    if body.isascii() or _is_utf8(body):
        return body
    parts: list[bytes] = []
    at = mended = 0
    while at < len(body):
        if mended == _MOST_STRAY_LINES:
            parts.append(body[at:].decode("latin-1").encode())
            break
        end = _next_line(body, at + _PIECE_BYTES)
        piece = body[at:end]
        try:
            piece.decode()
        except UnicodeDecodeError as stray:
            start = piece.rfind(b"\n", 0, stray.start) + 1
            end = _next_line(body, at + stray.start)
            parts += [piece[:start], body[at + start : end].decode("latin-1").encode()]
            mended += 1
        else:
            parts.append(piece)
        at = end
    return b"".join(parts)


def mend_quotes(body: bytes, delimiter: str) -> bytes:
    """The body with a question mark for each quote of a line whose quotes are not closed on it.

    A cell's opening quote stands at the cell's start; two quotes inside a quoted cell are one of
    its text (RFC 4180, 2.5 to 2.7). Nothing is copied where there are no quotes.
    """
    if _QUOTE not in body:
        return body
    parts: list[bytes] = []
    at = 0
    while at < len(body):
        end = _next_line(body, at + _STRETCH_BYTES)
        piece = body[at:end]
        if len(piece) > 2 * _STRETCH_BYTES:  # a line as long as that is no row of samples
            parts.append(piece.replace(b'"', b"?"))
        else:
            parts.append(_mended_stretch(piece, delimiter) if _QUOTE in piece else piece)
        at = end
    return b"".join(parts)


def _mended_stretch(piece: bytes, delimiter: str) -> bytes:
    text = np.frombuffer(piece, np.uint8)
    quotes = np.flatnonzero(text == _QUOTE)
    line_of = np.searchsorted(np.flatnonzero((text == 0x0A) | (text == 0x0D)), quotes)
    first = np.flatnonzero(np.diff(line_of, prepend=-1))
    count = np.diff(first, append=len(quotes))
    opens = (np.arange(len(quotes)) - np.repeat(first, count)) % 2 == 0
    before = np.where(quotes > 0, text[quotes - 1], 0x0A)
    at_start = np.isin(before, list(f'{delimiter}\r\n"'.encode()))
    astray = np.add.reduceat(opens & ~at_start, first) > 0
    broken = np.repeat((count % 2 == 1) | astray, count)
    if not broken.any():
        return piece
    mended = text.copy()
    mended[quotes[broken]] = ord("?")
    return mended.tobytes()


def _next_line(body: bytes, at: int) -> int:
    """Where the line after the one at `at` begins, or the end."""
    return body.find(b"\n", at) + 1 or len(body)


def _is_utf8(body: bytes) -> bool:
    """Whether the whole is UTF-8, told without a copy."""
    bounds = pa.py_buffer(np.array([0, len(body)], np.int64))
    whole = pa.Array.from_buffers(pa.large_binary(), 1, [None, bounds, pa.py_buffer(body)])
    try:
        whole.cast(pa.large_string())
    except pa.ArrowInvalid:
        return False
    return True
