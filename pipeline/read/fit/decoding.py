"""A FIT file's bytes to messages, by columns where possible and one by one where not.

Nothing above this file knows how the bytes are decoded.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from pipeline.read.fit.container import Part, chain
from pipeline.read.fit.message_columns import decode_columns
from pipeline.read.fit.message_scan import Unknown
from pipeline.read.fit.messages import Decoded, Messages


class DecodedFile(NamedTuple):
    """One file of a chain: its messages by name, and remarks on what is wrong with it. The
    messages of a damaged file may hold values that nobody wrote."""

    messages: Mapping[str, Messages]
    remarks: tuple[str, ...]
    damaged: bool


def decoded_files(data: bytes) -> Iterator[DecodedFile]:
    """The messages named in profile.WANTED of each file of a chain.

    What comes before a fault is kept, and a remark names the fault. Never raises.
    """
    for part in chain(data):
        found = _decode_part(part) if part.data else Decoded({}, None)
        remarks = part.remarks
        if found.fault is not None and (found.too_many or not part.cut):
            remarks += (found.fault,)
        yield DecodedFile(
            found.messages,
            tuple(f"{part.name}: {remark}" if part.name else remark for remark in remarks),
            damaged=bool(remarks),
        )


def _decode_part(part: Part) -> Decoded:
    try:
        return decode_columns(part.data, sound=not part.remarks)
    except Unknown:
        # Imported here, so that fitparse is loaded for the files that need it only.
        from pipeline.read.fit.general_decoder import decode_messages

        return decode_messages(part.data)
