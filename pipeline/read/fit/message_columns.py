"""FIT messages as columns: the second pass, which takes each field of many messages at once.

`message_scan` has found where each message begins. Here each wanted field of all messages of one
definition is taken together, through `numpy.ndarray` views on the file's bytes. Files with
anything this cannot take apart (see `Unknown`) are left to the general decoder.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats
from pipeline.read.fit.message_scan import Definition, FieldPlace, Unknown, scan_messages
from pipeline.read.fit.messages import Decoded, Messages, first_stated, mostly_filling
from pipeline.read.fit.profile import TIMESTAMP, WANTED
from pipeline.read.text_columns import Offsets


def decode_columns(data: bytes, *, sound: bool) -> Decoded:
    """The wanted messages of one file of a chain, header included.

    `sound`: the file's checksum is right; see `scan_messages`. Raises Unknown where only the
    general decoder can take a wanted field apart.
    """
    head = data[0]
    end = min(head + int.from_bytes(data[4:8], "little"), len(data))
    definitions, fault, too_many = scan_messages(data, head, end, sound)
    packed_times = None
    if any(d.packed for d in definitions):
        packed_times = _packed_times(data, definitions)
    messages = {}
    for number, kind in WANTED.items():
        own = [d for d in definitions if d.number == number and (d.places or d.packed)]
        if own:
            parts = [_definition_messages(data, d, packed_times) for d in own]
            messages[kind.name], left_out = _joined_definitions(parts)
            if left_out and fault is None:
                fault = f"{kind.name} of very different lengths: {', '.join(left_out)} left out"
    return Decoded(messages, fault, too_many)


def _definition_messages(data: bytes, one: Definition, stamps: _PackedTimes | None) -> Messages:
    """All messages of one definition, in the file's order."""
    places = np.frombuffer(one.places, np.int64)
    if one.packed:
        places = np.sort(np.concatenate([places, np.frombuffer(one.packed, np.int64)]))
    columns: dict[str, Floats] = {}
    units: dict[str, str] = {}
    where = _MessageBytes(data, 0, 0) if not len(places) else _message_bytes(data, places, one.size)
    for each in one.fields:
        values = _field_values(where, len(places), each)
        if not values.size or (np.isnan(values[0, 0]) and np.isnan(values).all()):
            continue
        name = each.fact.name
        if name.startswith("developer."):
            units[name] = each.units
        for column in (each.fact.also, name):
            if column in columns:
                columns[column] = _first_stated_single(columns[column], values)
            elif column:
                columns[column] = values
    if stamps is not None and one.packed and TIMESTAMP in WANTED[one.number].fields:
        carried = stamps.at(places)
        stated = columns.get("timestamp")
        columns["timestamp"] = carried if stated is None else _first_stated_single(stated, carried)
    return Messages(places, columns, units)


class _MessageBytes(NamedTuple):
    """Messages of one size: the bytes, where the first begins, and the distance between them."""

    data: bytes | NDArray[np.void]
    first: int
    apart: int


def _message_bytes(data: bytes, places: Offsets, size: int) -> _MessageBytes:
    """The messages in place where they lie evenly apart, else copied one behind the other."""
    apart = int(places[1] - places[0]) if len(places) > 1 else size
    if (places[1:] - places[:-1] == apart).all():
        return _MessageBytes(data, int(places[0]), apart)
    every: NDArray[np.void] = np.ndarray((len(data) - size + 1,), f"V{size}", data, strides=(1,))
    return _MessageBytes(every[places], 0, size)


def _field_values(where: _MessageBytes, n: int, one: FieldPlace) -> Floats:
    """One field of n messages, (n, cells), in the profile's unit, NaN where null."""
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


def _first_stated_single(first: Floats, second: Floats) -> Floats:
    """`first`, and `second` where the first is null. Raises Unknown unless both are (n, 1)."""
    if first.shape != second.shape or first.shape[1] != 1:
        raise Unknown
    return first_stated(first, second)


def _joined_definitions(parts: Sequence[Messages]) -> tuple[Messages, list[str]]:
    """Messages of one name from several definitions, in the file's order, and the columns
    left out because they are `mostly_filling`."""
    order = np.concatenate([part.order for part in parts])
    places = np.argsort(order, kind="stable")
    in_order = bool((places == np.arange(len(order))).all())
    columns: dict[str, Floats] = {}
    left_out: list[str] = []
    for name in dict.fromkeys(name for part in parts for name in part.columns):
        own = [(len(part.order), part.columns.get(name)) for part in parts]
        width = max(values.shape[1] for _, values in own if values is not None)
        if mostly_filling(len(order), width, sum(v.size for _, v in own if v is not None)):
            left_out.append(name)
            continue
        filled = own[0][1] if len(own) == 1 and own[0][1] is not None else _filled_rows(own, width)
        filled = filled if in_order else filled[places]
        columns[name] = filled[:, 0] if width == 1 else filled
    units = {name: unit for part in parts for name, unit in part.units.items()}
    return Messages(order[places], columns, units), left_out


def _filled_rows(own: Sequence[tuple[int, Floats | None]], width: int) -> Floats:
    filled = np.full((sum(n for n, _ in own), width), np.nan)
    at = 0
    for n, values in own:
        if values is not None:
            filled[at : at + n, : values.shape[1]] = values
        at += n
    return filled


class _PackedTimes(NamedTuple):
    """Where messages with the time in their header begin, in order, and these times (s)."""

    places: Offsets
    stamps: NDArray[np.int64]

    def at(self, places: Offsets) -> Floats:
        """(n, 1) the times of the messages at `places`, NaN for those that carry none."""
        found = np.minimum(np.searchsorted(self.places, places), max(len(self.places) - 1, 0))
        if not len(self.places):
            return np.full((len(places), 1), np.nan)
        return np.where(self.places[found] == places, self.stamps[found], np.nan)[:, None]


def _packed_times(data: bytes, definitions: Sequence[Definition]) -> _PackedTimes:
    """The time of each message whose header holds the last five bits of it.

    The bits above come from the last time stated before. Each time the five bits start again
    from a lower number, 32 s more have gone (FIT protocol, compressed timestamp header).
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
            times = np.full(len(own), np.nan)
            if stamp is not None and len(own):
                times = _field_values(_message_bytes(data, own, one.size), len(own), stamp)[:, 0]
            stated.append(times)
    place = np.concatenate(where)
    order = np.argsort(place, kind="stable")
    times = np.concatenate(stated)[order]
    packs = np.concatenate(packed)[order]
    last_stated = np.concatenate([[0.0], times[np.isfinite(times)]]).astype(np.int64)
    since = np.cumsum(np.isfinite(times))[packs]  # its index in `last_stated`
    place = place[order][packs]
    low = np.frombuffer(data, np.uint8)[place] & np.int64(0x1F)
    first = np.diff(since, prepend=-1) != 0
    before = np.where(first, last_stated[since], np.roll(low, 1))
    gone = np.cumsum((low - before) & 0x1F)
    start = np.flatnonzero(first)
    earlier = (gone - ((low - before) & 0x1F))[start]  # in the groups before
    gone_since = gone - np.repeat(earlier, np.diff([*start, len(place)]))
    return _PackedTimes(place, last_stated[since] + gone_since)
