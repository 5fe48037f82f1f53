"""FIT messages as columns, in two passes over the bytes.

The first finds where each message begins: a message's length follows from its header byte and
the definition in force, so this reads one byte a message. The second takes each wanted field of
all messages of one definition at once, through `numpy.ndarray` views on the file's bytes.

What this does not know (see `Unknown`) is left to the general reader, fit_general.py. Source:
the public description of the FIT protocol (record headers, definitions, base types).
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats
from pipeline.read.fit.profile import (
    DEVELOPER_ID,
    FIELD_DESCRIPTION,
    TIMESTAMP,
    WANTED,
    Decoded,
    Fact,
    Messages,
    developer_column,
    uneven,
)

Places = NDArray[np.int64]


class Unknown(Exception):
    """The file holds a wanted field in a form that only the general reader takes apart."""


class _Base(NamedTuple):
    """A base type: numpy's code, and the stored number that means null (NaN: floats)."""

    code: str
    null: float


# FIT protocol, base types. Strings and bytes are no numbers.
_BASES: Mapping[int, _Base] = {
    0x00: _Base("u1", 0xFF),
    0x01: _Base("i1", 0x7F),
    0x02: _Base("u1", 0xFF),
    0x83: _Base("i2", 0x7FFF),
    0x84: _Base("u2", 0xFFFF),
    0x85: _Base("i4", 0x7FFFFFFF),
    0x86: _Base("u4", 0xFFFFFFFF),
    0x88: _Base("f4", np.nan),
    0x89: _Base("f8", np.nan),
    0x0A: _Base("u1", 0),
    0x8B: _Base("u2", 0),
    0x8C: _Base("u4", 0),
    0x8E: _Base("i8", 0x7FFFFFFFFFFFFFFF),
    0x8F: _Base("u8", 0xFFFFFFFFFFFFFFFF),
    0x90: _Base("u8", 0),
}
_BYTE = 0x0D
_BASE_SIZES = {**{code: int(base.code[1]) for code, base in _BASES.items()}, 0x07: 1, _BYTE: 1}

_DEFINITION, _DEVELOPERS, _COMPRESSED = 0x40, 0x20, 0x80  # bits of a record header
_RUN = 32  # messages of one kind on end, from which on looking ahead pays
_LOOK = 1024  # how far to look at first
MAX_MESSAGES = 1 << 25  # of one file: five hundred hours of everything
_CHUNK = 1 << 16  # bytes, after which to look for runs again and to count
MAX_DEFINITIONS = 1 << 16  # different ones of one file; a unit has a dozen


class _Field(NamedTuple):
    """A wanted field of one definition: where it stands, from the message's header byte."""

    fact: Fact
    at: int
    cells: int
    type: np.dtype[np.generic]
    null: float
    units: str = ""


@dataclass
class _Definition:
    """A definition message, and where the messages begin that follow it."""

    number: int  # the global message number
    size: int  # of a whole message, its header byte included
    fields: tuple[_Field, ...]
    stamp: _Field | None
    layout: tuple[tuple[int, int, int], ...] = ()  # number, place, bytes: of a description
    places: array[int] = field(default_factory=lambda: array("q"))
    packed: array[int] = field(default_factory=lambda: array("q"))  # by header

    @property
    def tells(self) -> bool:
        """Whether its messages say anything that is wanted; empty ones could be a billion."""
        return self.size > 1 and (self.number in WANTED or self.stamp is not None)


class _Described(NamedTuple):
    """A developer's field, as a field_description has it."""

    base: int
    name: str
    units: str


class _Scan(NamedTuple):
    definitions: list[_Definition]
    fault: str | None


def decode(data: bytes, *, sound: bool) -> Decoded:
    """The wanted messages of one file of a chain, header included.

    `sound`: its checksum is right. Where it is not, a definition that cannot be ends the
    reading, as what follows is read out of step. Raises Unknown.
    """
    head = data[0]
    end = min(head + int.from_bytes(data[4:8], "little"), len(data))
    definitions, fault = _scan(data, head, end, sound)
    stamps = None
    if any(d.packed for d in definitions):
        stamps = _packed_stamps(data, definitions)
    messages = {}
    for number, kind in WANTED.items():
        own = [d for d in definitions if d.number == number and (d.places or d.packed)]
        if own:
            messages[kind.name], left_out = _joined([_messages(data, d, stamps) for d in own])
            if left_out and fault is None:
                fault = f"{kind.name} of very different lengths: {', '.join(left_out)} left out"
    return Decoded(messages, fault)


# --- finding ---------------------------------------------------------------------------


def _scan(data: bytes, at: int, end: int, sound: bool) -> _Scan:
    """Where each message begins.

    A message is kept once the next one has proved that it ended where it should: where bytes
    are missing in the middle, the last one before the fault is made of two.
    """
    stored = np.frombuffer(data, np.uint8)
    sizes = [0] * 256  # of a message, by its header byte; 0: look closer
    keep: list[Callable[[int], None]] = [_pass_over] * 256
    current: dict[int, _Definition] = {}
    developers: dict[int, dict[int, _Described]] = {}
    definitions: list[_Definition] = []
    known: dict[bytes, _Definition] = {}  # some units define again before every message
    fault = None
    while at < end:
        header = data[at]
        size = sizes[header]
        if size and at + _RUN * size < end and data[at + _RUN * size] == header:
            run = _run(stored[at:end:size], header)
            if run >= _RUN:
                if keep[header] is not _pass_over:
                    places = np.arange(at, at + run * size, size, dtype=np.int64)
                    _list(current[_local(header)], header).frombytes(places.tobytes())
                at += run * size
                continue
        soon = min(end, at + _CHUNK)
        while at < soon:  # once for every message: no more in it than has to be
            header = data[at]
            size = sizes[header]
            if not size:
                break
            keep[header](at)
            at += size
        else:
            if sum(len(d.places) + len(d.packed) for d in definitions) > MAX_MESSAGES:
                fault = f"more than {MAX_MESSAGES} messages"
                break
            continue
        if header & (_COMPRESSED | _DEFINITION) == _DEFINITION:
            local = _local(header)
            words = data[at : at + 6 + 3 * data[at + 5]] if at + 5 < end else b""
            again = known.get(words) if at + len(words) <= end else None
            if again is not None:
                at += len(words)
                if current.get(local) is not again:
                    current[local] = again
                    _take_note(sizes, keep, local, again)
                continue
            try:
                one, after = _definition(data, at, end, developers, sound)
            except _Fault as found:
                fault = str(found)
                break
            except IndexError:
                fault = "the file ends inside a definition"
                break
            if len(definitions) == MAX_DEFINITIONS:
                fault = f"more than {MAX_DEFINITIONS} definitions"
                break
            at = after
            current[local] = one
            definitions.append(one)
            if not header & _DEVELOPERS:  # what these mean may have changed meanwhile
                known[words] = one
            _take_note(sizes, keep, local, one)
            continue
        local = _local(header)
        if local not in current:
            fault = f"a message of local type {local}, which nothing defines"
            break
        if at + current[local].size <= end:
            _describe(data, at, current[local], developers)
        at += current[local].size
    if at > end:
        fault = "the file ends inside a message"
    if fault is not None:
        for one in definitions:
            for held in (one.places, one.packed):
                if held and held[-1] + one.size == at:
                    held.pop()
        fault = f"cannot be decoded beyond byte {min(at, end)} ({fault}); those before it are used"
    return _Scan(definitions, fault)


class _Fault(Exception):
    """A definition that cannot be."""


def _pass_over(_at: int) -> None: ...


def _local(header: int) -> int:
    """The local type of a message with this header byte."""
    return (header >> 5) & 0x03 if header & _COMPRESSED else header & 0x0F


def _list(definition: _Definition, header: int) -> array[int]:
    return definition.packed if header & _COMPRESSED else definition.places


def _take_note(
    sizes: list[int], keep: list[Callable[[int], None]], local: int, one: _Definition
) -> None:
    """Which header bytes now stand for messages of this definition."""
    special = one.number in (DEVELOPER_ID, FIELD_DESCRIPTION)
    plain = [bits | local for bits in (0x00, 0x10, 0x20, 0x30)]  # the others are reserved
    packed = range(_COMPRESSED | local << 5, (_COMPRESSED | local << 5) + 32) if local < 4 else ()
    for header in plain:
        sizes[header] = 0 if special else one.size
        keep[header] = one.places.append if one.tells else _pass_over
    for header in packed:
        sizes[header] = 0 if special else one.size
        keep[header] = one.packed.append  # whatever it tells: the time goes on with it


def _run(headers: NDArray[np.uint8], header: int) -> int:
    """How many messages on end have this header byte, given the byte at each one's place."""
    done, look = 0, _LOOK
    while done < len(headers):
        other = headers[done : done + look] != header
        if other.any():
            return done + int(other.argmax())
        done += len(other)
        look *= 2
    return len(headers) - 1  # the last may be cut off


def _definition(
    data: bytes,
    at: int,
    end: int,
    developers: Mapping[int, Mapping[int, _Described]],
    sound: bool,
) -> tuple[_Definition, int]:
    """A definition message and where the next message begins. Raises IndexError beyond `end`."""
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
    found: dict[int, _Field] = {}
    fields: list[_Field] = []
    for place in range(at + 6, at + 6 + own, 3):
        field_number, width, base = data[place : place + 3]
        wanted = field_number in facts or field_number == TIMESTAMP
        item = _BASE_SIZES.get(base, 1)
        if width % item and not sound:
            raise _Fault(f"a field of {width} bytes for numbers of {item}")
        if kind and field_number in kind.unpacked:
            raise Unknown
        if wanted and width:
            if width % item or base not in _BASES or field_number in found:
                if kind:
                    raise Unknown
            else:
                fact = facts.get(field_number, Fact("timestamp"))
                each = _field(fact, size, width, base, order)
                if fact.also and (each.cells != 1 or _BASES[base].code != "u2"):
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
            if column is not None and base in _BASES and width % _BASE_SIZES[base] == 0:
                each = _field(Fact(column), size, width, base, order)
                fields.append(each._replace(units=described.units))
        size += width
    one = _Definition(number, size, tuple(fields) if kind else (), found.get(TIMESTAMP))
    if number in (DEVELOPER_ID, FIELD_DESCRIPTION):
        one.layout = _layout(data[at + 6 : at + 6 + own])
    return one, after


def _layout(fields: bytes) -> tuple[tuple[int, int, int], ...]:
    at, layout = 1, []
    for i in range(0, len(fields), 3):
        number, width, _ = fields[i : i + 3]
        layout.append((number, at, width))
        at += width
    return tuple(layout)


def _field(fact: Fact, at: int, width: int, base: int, order: str) -> _Field:
    code, null = _BASES[base]
    item = np.dtype(order + code)
    return _Field(fact, at, width // item.itemsize, item, null)


def _describe(
    data: bytes, at: int, one: _Definition, developers: dict[int, dict[int, _Described]]
) -> None:
    """Takes note of a developer's id, which drops what was described under it before, or of
    the description of one of a developer's fields."""
    values: dict[int, bytes] = {}
    for number, start, width in one.layout:
        values.setdefault(number, data[at + start : at + start + width])
    if one.number == DEVELOPER_ID:
        developers.pop(_first_byte(values, 3), None)
    elif _first_byte(values, 2) in _BASE_SIZES:
        base, name, units = _first_byte(values, 2), _text(values, 3), _text(values, 8)
        own = developers.setdefault(_first_byte(values, 0), {})
        own[_first_byte(values, 1)] = _Described(base, name, units)


def _first_byte(values: Mapping[int, bytes], number: int) -> int:
    return values[number][0] if values.get(number) else 0xFF


def _text(values: Mapping[int, bytes], number: int) -> str:
    return values.get(number, b"").split(b"\0")[0].decode("utf-8", "replace")


# --- taking ----------------------------------------------------------------------------


def _messages(data: bytes, one: _Definition, stamps: _Stamps | None) -> Messages:
    """All messages of one definition, in their order."""
    places = np.frombuffer(one.places, np.int64)
    if one.packed:
        places = np.sort(np.concatenate([places, np.frombuffer(one.packed, np.int64)]))
    columns: dict[str, Floats] = {}
    units: dict[str, str] = {}
    where = _Where(data, 0, 0) if not len(places) else _gathered(data, places, one.size)
    for each in one.fields:
        values = _values(where, len(places), each)
        if not values.size or (np.isnan(values[0, 0]) and np.isnan(values).all()):
            continue
        name = each.fact.name
        if name.startswith("developer."):
            units[name] = each.units
        for told in (each.fact.also, name):
            if told:
                columns[told] = _first_stated(columns[told], values) if told in columns else values
    if stamps is not None and one.packed and TIMESTAMP in WANTED[one.number].fields:
        carried = stamps.at(places)
        stated = columns.get("timestamp")
        columns["timestamp"] = carried if stated is None else _first_stated(stated, carried)
    return Messages(places, columns, units)


class _Where(NamedTuple):
    """Bytes of messages of one size: where the first begins, and how far apart they are."""

    data: bytes | NDArray[np.void]
    first: int
    apart: int


def _gathered(data: bytes, places: Places, size: int) -> _Where:
    """The messages as they lie, where they lie evenly; else copied one behind the other."""
    apart = int(places[1] - places[0]) if len(places) > 1 else size
    if (places[1:] - places[:-1] == apart).all():
        return _Where(data, int(places[0]), apart)
    every: NDArray[np.void] = np.ndarray((len(data) - size + 1,), f"V{size}", data, strides=(1,))
    return _Where(every[places], 0, size)


def _values(where: _Where, n: int, one: _Field) -> Floats:
    """(n, cells) in the profile's unit, NaN where null."""
    shape, strides = (n, one.cells), (where.apart, one.type.itemsize)
    stored: NDArray[Any] = np.ndarray(shape, one.type, where.data, where.first + one.at, strides)
    values: Floats = stored.astype(np.float64)
    if not np.isnan(one.null) and (null := stored == one.type.type(one.null)).any():
        values[null] = np.nan
    if one.fact.scale != 1.0:
        values /= one.fact.scale
    if one.fact.offset:
        values -= one.fact.offset
    return values


def _first_stated(first: Floats, second: Floats) -> Floats:
    """Rows of `first`, of `second` where the first is null; (n, 1) both, or Unknown."""
    if first.shape != second.shape or first.shape[1] != 1:
        raise Unknown
    return np.where(np.isnan(first), second, first)


def _joined(parts: Sequence[Messages]) -> tuple[Messages, list[str]]:
    """Messages of one name from several definitions, in the file's order, and the columns
    left out because they are `uneven`."""
    order = np.concatenate([part.order for part in parts])
    places = np.argsort(order, kind="stable")
    in_order = bool((places == np.arange(len(order))).all())
    columns: dict[str, Floats] = {}
    left_out: list[str] = []
    for name in dict.fromkeys(name for part in parts for name in part.columns):
        own = [(len(part.order), part.columns.get(name)) for part in parts]
        width = max(values.shape[1] for _, values in own if values is not None)
        if uneven(len(order), width, sum(v.size for _, v in own if v is not None)):
            left_out.append(name)
            continue
        filled = own[0][1] if len(own) == 1 and own[0][1] is not None else _filled(own, width)
        filled = filled if in_order else filled[places]
        columns[name] = filled[:, 0] if width == 1 else filled
    units = {name: unit for part in parts for name, unit in part.units.items()}
    return Messages(order[places], columns, units), left_out


def _filled(own: Sequence[tuple[int, Floats | None]], width: int) -> Floats:
    filled = np.full((sum(n for n, _ in own), width), np.nan)
    at = 0
    for n, values in own:
        if values is not None:
            filled[at : at + n, : values.shape[1]] = values
        at += n
    return filled


class _Stamps(NamedTuple):
    """Where messages with packed times begin, in order, and the times."""

    places: Places
    stamps: NDArray[np.int64]

    def at(self, places: Places) -> Floats:
        """(n, 1) the times of messages, NaN of those that pack none."""
        found = np.minimum(np.searchsorted(self.places, places), max(len(self.places) - 1, 0))
        if not len(self.places):
            return np.full((len(places), 1), np.nan)
        return np.where(self.places[found] == places, self.stamps[found], np.nan)[:, None]


def _packed_stamps(data: bytes, definitions: Sequence[_Definition]) -> _Stamps:
    """The time of each message whose header holds the last five bits of it.

    The bits above come from the last time stated before, or from the next second after those
    five bits have come round (FIT protocol, compressed timestamp header).
    """
    where, packed, stated = [], [], []
    for one in definitions:
        stamp = one.stamp
        if stamp is not None and (stamp.cells != 1 or stamp.type.kind == "f"):
            raise Unknown
        for places, is_packed in ((one.places, False), (one.packed, True)):
            own = np.frombuffer(places, np.int64)
            where.append(own)
            packed.append(np.full(len(own), is_packed))
            told = np.full(len(own), np.nan)
            if stamp is not None and len(own):
                told = _values(_gathered(data, own, one.size), len(own), stamp)[:, 0]
            stated.append(told)
    place = np.concatenate(where)
    order = np.argsort(place, kind="stable")
    told = np.concatenate(stated)[order]
    packs = np.concatenate(packed)[order]
    said = np.concatenate([[0.0], told[np.isfinite(told)]]).astype(np.int64)
    since = np.cumsum(np.isfinite(told))[packs]  # the last stated time before, in `said`
    place = place[order][packs]
    low = np.frombuffer(data, np.uint8)[place] & np.int64(0x1F)
    first = np.diff(since, prepend=-1) != 0
    before = np.where(first, said[since], np.roll(low, 1))
    gone = np.cumsum((low - before) & 0x1F)
    start = np.flatnonzero(first)
    earlier = (gone - ((low - before) & 0x1F))[start]  # of the groups before
    return _Stamps(place, said[since] + gone - np.repeat(earlier, np.diff([*start, len(place)])))
