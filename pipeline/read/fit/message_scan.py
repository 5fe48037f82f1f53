"""Where each FIT message begins and what its definition says: the first pass over the bytes.

The length of a message follows from its header byte and the definition in force, so this pass
reads one byte a message. Source: the public description of the FIT protocol (record headers,
definitions, base types).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.units import DAY_S
from pipeline.read.fit.profile import (
    DEVELOPER_ID,
    FIELD_DESCRIPTION,
    TIMESTAMP,
    WANTED,
    ProfileField,
    developer_column,
)
from pipeline.read.screening import MOST_SAMPLES


class Unknown(Exception):
    """The file holds a wanted field in a form that only the general decoder takes apart."""


class _BaseType(NamedTuple):
    """A base type: numpy's code, and the stored number that means null (NaN for floats)."""

    code: str
    null: float


# FIT protocol, base types. Strings and bytes are no numbers.
_BASE_TYPES: Mapping[int, _BaseType] = {
    0x00: _BaseType("u1", 0xFF),
    0x01: _BaseType("i1", 0x7F),
    0x02: _BaseType("u1", 0xFF),
    0x83: _BaseType("i2", 0x7FFF),
    0x84: _BaseType("u2", 0xFFFF),
    0x85: _BaseType("i4", 0x7FFFFFFF),
    0x86: _BaseType("u4", 0xFFFFFFFF),
    0x88: _BaseType("f4", np.nan),
    0x89: _BaseType("f8", np.nan),
    0x0A: _BaseType("u1", 0),
    0x8B: _BaseType("u2", 0),
    0x8C: _BaseType("u4", 0),
    0x8E: _BaseType("i8", 0x7FFFFFFFFFFFFFFF),
    0x8F: _BaseType("u8", 0xFFFFFFFFFFFFFFFF),
    0x90: _BaseType("u8", 0),
}
_BYTE = 0x0D
_BASE_SIZES = {**{code: int(base.code[1]) for code, base in _BASE_TYPES.items()}, 0x07: 1, _BYTE: 1}

_DEFINITION, _DEVELOPERS, _COMPRESSED = 0x40, 0x20, 0x80  # bits of a record header
_LEAST_RUN = 32  # messages of one kind in a row, from which on looking ahead pays
_FIRST_LOOK = 1024  # messages compared at first, then twice as many each time
_CHECK_EVERY_BYTES = 1 << 16  # then look for runs again
_COUNT_EVERY_BYTES = 1 << 20  # the samples
_MESSAGES_AFTER_BROKEN = 8  # that show where the next message begins
_MOST_BROKEN_HEADERS = 1000  # of one file; then it is read no farther
MOST_DEFINITIONS = 1 << 16  # different ones in one file; a unit writes a dozen


class FieldPlace(NamedTuple):
    """A wanted field of one definition, and where it stands after the message's header byte."""

    fact: ProfileField
    at: int
    cells: int
    type: np.dtype[np.generic]
    null: float
    units: str = ""


@dataclass
class Definition:
    """A definition message, and where the messages that follow it begin."""

    number: int  # the global message number
    size: int  # bytes of a whole message, its header byte included
    fields: tuple[FieldPlace, ...]
    stamp: FieldPlace | None
    layout: tuple[
        tuple[int, int, int], ...
    ] = ()  # number, place, bytes of each field, where it describes others
    places: array[int] = field(default_factory=lambda: array("q"))
    packed: array[int] = field(default_factory=lambda: array("q"))  # with the time in the header

    @property
    def samples(self) -> int:
        """How many its messages hold: a batch has as many as its longest field has cells."""
        each = max((one.cells for one in self.fields), default=1)
        return each * (len(self.places) + len(self.packed))

    @property
    def is_wanted(self) -> bool:
        """Whether its messages say anything that is read. Empty ones are not: there could be a
        billion of them."""
        return self.size > 1 and (self.number in WANTED or self.stamp is not None)


class _DeveloperField(NamedTuple):
    """A developer's field, as its field_description describes it."""

    base: int
    name: str
    units: str


class Scan(NamedTuple):
    definitions: list[Definition]
    fault: str | None
    too_many: bool


def scan_messages(data: bytes, at: int, end: int, sound: bool) -> Scan:
    """Where each message of data[at:end] begins, and what stopped the reading, if anything did.

    A message is kept only once the next one has shown that it ended where it should. Where bytes
    are missing in the middle, the last message before the fault consists of two halves.
    `sound`: the file's checksum is right. Where it is not, an impossible definition ends the
    reading, since what follows is read out of step. Raises Unknown.
    """
    stored = np.frombuffer(data, np.uint8)
    sizes = [0] * 256  # bytes of a message, by its header byte; 0: look closer
    keep: list[Callable[[int], None]] = [_pass_over] * 256
    current: dict[int, Definition] = {}
    developers: dict[int, dict[int, _DeveloperField]] = {}
    definitions: list[Definition] = []
    # Some units repeat the definition before every message.
    known: dict[tuple[bytes, tuple[_DeveloperField | None, ...]], Definition] = {}
    fault, too_many, broken = None, False, 0
    counted = at

    def step_over(at: int) -> int | None:
        return _after_broken_header(data, at, end, current, definitions)

    while at < end:
        if at >= counted:
            counted = at + _COUNT_EVERY_BYTES
            if sum(d.samples for d in definitions) > MOST_SAMPLES:
                fault, too_many = f"more than {MOST_SAMPLES} samples", True
                break
        header = data[at]
        size = sizes[header]
        if size and at + _LEAST_RUN * size < end and data[at + _LEAST_RUN * size] == header:
            run = _run_length(stored[at : min(end, counted) : size], header)
            if run >= _LEAST_RUN:
                if keep[header] is not _pass_over:
                    places = np.arange(at, at + run * size, size, dtype=np.int64)
                    _offset_list(current[_local_type(header)], header).frombytes(places.tobytes())
                at += run * size
                continue
        soon = min(end, at + _CHECK_EVERY_BYTES)
        while at < soon:  # runs once for every message, so it does no more than it must
            header = data[at]
            size = sizes[header]
            if not size:
                break
            keep[header](at)
            at += size
        else:
            continue
        if header & (_COMPRESSED | _DEFINITION) == _DEFINITION:
            local = _local_type(header)
            words = _definition_words(data, at)
            # What developers' fields mean may change between definitions.
            meaning = (words, tuple(_described_fields(words, developers)))
            again = known.get(meaning) if at + len(words) <= end else None
            if again is not None:
                at += len(words)
                if current.get(local) is not again:
                    current[local] = again
                    _set_headers(sizes, keep, local, again)
                continue
            try:
                one, after = _read_definition(data, at, end, developers, sound)
            except _BadDefinition as found:
                following = None if sound else step_over(at)
                if following is not None and broken < _MOST_BROKEN_HEADERS:
                    at, broken = following, broken + 1
                    continue
                fault = str(found)
                break
            except IndexError:
                fault = "the file ends inside a definition"
                break
            if len(definitions) == MOST_DEFINITIONS:
                fault, too_many = f"more than {MOST_DEFINITIONS} definitions", True
                break
            at = after
            current[local] = one
            definitions.append(one)
            known[meaning] = one
            _set_headers(sizes, keep, local, one)
            continue
        local = _local_type(header)
        if local not in current:
            following = None if sound else step_over(at)
            if following is not None and broken < _MOST_BROKEN_HEADERS:
                at, broken = following, broken + 1
                continue
            fault = f"a message of local type {local}, which nothing defines"
            break
        if at + current[local].size <= end:
            _read_description(data, at, current[local], developers)
        at += current[local].size
    if at > end:
        fault = "the file ends inside a message"
    if fault is not None:
        for one in definitions:
            for held in (one.places, one.packed):
                if held and held[-1] + one.size == at:
                    held.pop()
        fault = f"cannot be decoded beyond byte {min(at, end)} ({fault}); those before it are used"
    if broken:
        lost = f"{broken} messages whose header is damaged were left out"
        fault = lost if fault is None else f"{fault}; {lost}"
    return Scan(definitions, fault, too_many or broken > 0)


class _BadDefinition(Exception):
    """A definition that is impossible."""


def _pass_over(_at: int) -> None: ...


def _local_type(header: int) -> int:
    """The local type of a message with this header byte."""
    return (header >> 5) & 0x03 if header & _COMPRESSED else header & 0x0F


def _offset_list(definition: Definition, header: int) -> array[int]:
    return definition.packed if header & _COMPRESSED else definition.places


def _set_headers(
    sizes: list[int], keep: list[Callable[[int], None]], local: int, one: Definition
) -> None:
    """Makes the header bytes of local type `local` stand for messages of this definition."""
    special = one.number in (DEVELOPER_ID, FIELD_DESCRIPTION)
    plain = [bits | local for bits in (0x00, 0x10, 0x20, 0x30)]  # the bits above are reserved
    packed = range(_COMPRESSED | local << 5, (_COMPRESSED | local << 5) + 32) if local < 4 else ()
    for header in plain:
        sizes[header] = 0 if special else one.size
        keep[header] = one.places.append if one.is_wanted else _pass_over
    for header in packed:
        sizes[header] = 0 if special else one.size
        keep[header] = one.packed.append  # wanted or not: its header carries the time on


def _run_length(headers: NDArray[np.uint8], header: int) -> int:
    """How many messages in a row have this header byte, given the byte where each would begin."""
    done, look = 0, _FIRST_LOOK
    while done < len(headers):
        other = headers[done : done + look] != header
        if other.any():
            return done + int(other.argmax())
        done += len(other)
        look *= 2
    return len(headers) - 1  # the last one may be cut off


def _read_definition(
    data: bytes,
    at: int,
    end: int,
    developers: Mapping[int, Mapping[int, _DeveloperField]],
    sound: bool,
) -> tuple[Definition, int]:
    """The definition at `at`, and where the next message begins. Raises IndexError beyond `end`."""
    if not sound and (data[at + 1] != 0 or data[at + 2] > 1):  # reserved, and the order of bytes
        raise _BadDefinition("a definition that is none")
    order = ">" if data[at + 2] else "<"
    number = int.from_bytes(data[at + 3 : at + 5], "big" if data[at + 2] else "little")
    own = 3 * data[at + 5]
    after = at + 6 + own
    theirs = b""
    if data[at] & _DEVELOPERS:
        theirs = data[after + 1 : after + 1 + 3 * data[after]]
        after += 1 + 3 * data[after]
    if after > end:
        raise IndexError
    kind = WANTED.get(number)
    facts = kind.fields if kind else {}
    size = 1
    found: dict[int, FieldPlace] = {}
    fields: list[FieldPlace] = []
    for place in range(at + 6, at + 6 + own, 3):
        field_number, width, base = data[place : place + 3]
        wanted = field_number in facts or field_number == TIMESTAMP
        item = _BASE_SIZES.get(base, 1)
        if width % item and not sound:
            raise _BadDefinition(f"a field of {width} bytes for numbers of {item}")
        if kind and field_number in kind.unpacked:
            raise Unknown
        if wanted and width:
            if width % item or base not in _BASE_TYPES or field_number in found:
                if kind:
                    raise Unknown
            else:
                fact = facts.get(field_number, ProfileField("timestamp"))
                each = _field_place(fact, size, width, base, order)
                if fact.also and (each.cells != 1 or _BASE_TYPES[base].code != "u2"):
                    raise Unknown
                found[field_number] = each
                if field_number in facts:
                    fields.append(each)
        elif wanted and field_number in facts and facts[field_number].also:
            raise Unknown
        size += width
    for i in range(0, len(theirs), 3):
        field_number, width, developer = theirs[i : i + 3]
        described = developers.get(developer, {}).get(field_number)
        if kind and width and described is not None:
            column = developer_column(described.name)
            base = described.base
            if column is not None and base == _BYTE:
                raise Unknown
            if column is not None and base in _BASE_TYPES and width % _BASE_SIZES[base] == 0:
                each = _field_place(ProfileField(column), size, width, base, order)
                fields.append(each._replace(units=described.units))
        size += width
    one = Definition(number, size, tuple(fields) if kind else (), found.get(TIMESTAMP))
    if number in (DEVELOPER_ID, FIELD_DESCRIPTION):
        one.layout = _description_layout(data[at + 6 : at + 6 + own])
    return one, after


def _after_broken_header(
    data: bytes,
    at: int,
    end: int,
    current: Mapping[int, Definition],
    definitions: Sequence[Definition],
) -> int | None:
    """Where the message after the one at `at` begins, if only the header byte of that is damaged.

    It is as long as one of the messages defined. It is that one whose end several messages follow
    that are dated within a day of the last one before; None where there is none such. A damaged
    header may also name another message that is defined. Then what was read since the last dated
    message is out of step, and is dropped.
    """
    dated = [(d.places[-1], d) for d in definitions if d.places and d.stamp is not None]
    if not dated:
        return None
    last, kind = max(dated, key=lambda one: one[0])
    stamp_s = _stamp_at(data, last, kind)
    starts = dict.fromkeys((at, last + kind.size))
    sizes = dict.fromkeys(one.size for one in current.values())
    for start, size in product(starts, sizes):
        place, stamps = start + size, list[float]()
        for _ in range(_MESSAGES_AFTER_BROKEN):
            if place >= end:
                break
            one = current.get(_local_type(data[place]))
            if one is None or data[place] & (_COMPRESSED | _DEFINITION) or place + one.size > end:
                stamps.append(math.inf)
                break
            if one.stamp is not None:
                stamps.append(_stamp_at(data, place, one))
            place += one.size
        if stamps and all(abs(each - stamp_s) <= DAY_S for each in stamps):
            for one in definitions:
                for held in (one.places, one.packed):
                    while held and held[-1] >= start:
                        held.pop()
            return start + size
    return None


def _stamp_at(data: bytes, place: int, one: Definition) -> float:
    """The time that a message states, in FIT seconds; infinite where its definition has none."""
    if one.stamp is None:
        return math.inf
    return float(np.frombuffer(data, one.stamp.type, 1, place + one.stamp.at)[0])


def _definition_words(data: bytes, at: int) -> bytes:
    """The bytes of the definition at `at`, fewer where the file ends inside it."""
    after = at + 6 + 3 * (data[at + 5] if at + 5 < len(data) else 0)
    if data[at] & _DEVELOPERS and after < len(data):
        after += 1 + 3 * data[after]
    return data[at:after]


def _described_fields(
    words: bytes, developers: Mapping[int, Mapping[int, _DeveloperField]]
) -> Iterator[_DeveloperField | None]:
    """What the developers' fields of a definition have been described as."""
    if words[0] & _DEVELOPERS and len(words) > 5:
        theirs = words[7 + 3 * words[5] :]
        for i in range(0, len(theirs) - 2, 3):
            yield developers.get(theirs[i + 2], {}).get(theirs[i])


def _description_layout(fields: bytes) -> tuple[tuple[int, int, int], ...]:
    at, layout = 1, []
    for i in range(0, len(fields), 3):
        number, width, _ = fields[i : i + 3]
        layout.append((number, at, width))
        at += width
    return tuple(layout)


def _field_place(fact: ProfileField, at: int, width: int, base: int, order: str) -> FieldPlace:
    code, null = _BASE_TYPES[base]
    item = np.dtype(order + code)
    return FieldPlace(fact, at, width // item.itemsize, item, null)


def _read_description(
    data: bytes, at: int, one: Definition, developers: dict[int, dict[int, _DeveloperField]]
) -> None:
    """Adds the description of a developer's field to `developers`, or drops what was described
    under a developer's id when that id is given again."""
    values: dict[int, bytes] = {}
    for number, start, width in one.layout:
        values.setdefault(number, data[at + start : at + start + width])
    if one.number == DEVELOPER_ID:
        developers.pop(_description_byte(values, 3), None)
    elif _description_byte(values, 2) in _BASE_SIZES:
        base, name, units = (
            _description_byte(values, 2),
            _description_text(values, 3),
            _description_text(values, 8),
        )
        own = developers.setdefault(_description_byte(values, 0), {})
        own[_description_byte(values, 1)] = _DeveloperField(base, name, units)


def _description_byte(values: Mapping[int, bytes], number: int) -> int:
    return values[number][0] if values.get(number) else 0xFF


def _description_text(values: Mapping[int, bytes], number: int) -> str:
    return values.get(number, b"").split(b"\0")[0].decode("utf-8", "replace")
