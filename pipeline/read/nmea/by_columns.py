"""NMEA 0183 by columns: all sentences of a log at once, joined as `sentences` joins them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.base.values import Floats
from pipeline.read.nmea.by_sentence import (
    KNOT_MPS,
    LONGEST_BODY,
    UNMEASURED,
    UNMEASURED_MODES,
    UNMEASURED_QUALITIES,
    Epoch,
    Epochs,
    day_of,
    one_by_one,
)
from pipeline.read.texts import Bytes, Places, column, cut, numbers, windows

Flags = NDArray[np.bool_]

_CHUNK = 1 << 20  # bytes looked at together: they bound the memory
_KEY = 16  # bytes of a time field that are compared
_RMC, _GGA, _GNS, _ZDA, _VTG = range(5)
_POSITIONS = (_RMC, _GGA, _GNS)
_CODES = [int.from_bytes(k, "big") for k in (b"RMC", b"GGA", b"GNS", b"ZDA", b"VTG")]
_DOLLAR, _STAR, _COMMA = b"$*,"
_IS_MARK = np.isin(np.arange(256), list(b"$*,\r\n"))
_HEX = np.full(256, 256, np.int16)
_HEX[list(b"0123456789ABCDEF")] = _HEX[list(b"0123456789abcdef")] = np.arange(16)


class _Said(NamedTuple):
    """The sound sentences of a stretch, in its order: where each starts in the log, its kind,
    its talker's code, its time field as numbers to compare (n, 3), and `columns` (fields of
    Epoch, n). `found` and `bad` count sentences of position."""

    start: Places
    kind: Places
    talker: Places
    time: NDArray[np.uint64]
    columns: Floats
    found: int
    bad: int


class _Fields(NamedTuple):
    """Sentences of one kind: `text` holds them, `marks` the places of its signs; the first
    comma and the star of each are `marks[first]` and `marks[star]`."""

    text: Bytes
    marks: Places
    first: Places
    star: Places

    def bounds(self, i: int | Places) -> tuple[Places, Places]:
        """Start and end of the fields number `i`; empty where a sentence has not so many."""
        at = self.first + i
        if (at < self.star).all():
            return self.marks[at] + 1, self.marks[at + 1]
        end = self.marks[np.minimum(at + 1, self.star)]
        return np.where(at < self.star, self.marks[np.minimum(at, self.star)] + 1, end), end

    def texts(self, i: int | Places) -> pa.Array:
        return cut(self.text, *self.bounds(i))

    def numbers(self, i: int | Places) -> Floats:
        return numbers(self.texts(i))


def epochs(data: bytes) -> Epochs:
    """All epochs of a log, as `one_by_one` gives them."""
    parts: list[_Said] = []
    at = 0
    while at < len(data):
        end = data.find(b"$", at + _CHUNK)
        end = len(data) if end < 0 else end
        said = _said(data[at:end], at)
        if said is None:
            return one_by_one(data)
        parts.append(said)
        at = end
    if not parts:
        return one_by_one(data)
    start, kind, talker, time = (np.concatenate([part[i] for part in parts]) for i in range(4))
    columns = np.concatenate([part.columns for part in parts], axis=1)
    return _joined(
        data,
        _Said(
            start,
            kind,
            talker,
            time,
            columns,
            sum(p.found for p in parts),
            sum(p.bad for p in parts),
        ),
    )


# --- sentences -------------------------------------------------------------------------


def _said(stretch: bytes, offset: int) -> _Said | None:
    """None where a time field is too long to compare."""
    size = len(stretch)
    text: Bytes = np.frombuffer(stretch + bytes(_KEY), np.uint8)
    marks = np.flatnonzero(text[:size] <= _COMMA)  # all signs are below letters and digits
    is_sign = _IS_MARK[text[marks]]
    if not is_sign.all():
        marks = marks[is_sign]
    sign = text[marks]
    stops = np.flatnonzero(sign != _COMMA)
    heads = np.flatnonzero(sign[stops] == _DOLLAR)
    head = np.ascontiguousarray(windows(text, marks[stops[heads]], 7).T).astype(np.int32)
    code = (head[3] << 16) | (head[4] << 8) | head[5]
    kind = np.full(len(code), -1)
    for i, known in enumerate(_CODES):
        kind[code == known] = i
    named = (kind >= 0) & (head[6] == _COMMA)
    for letter in head[1:3]:
        named &= (letter >= ord("A")) & (letter <= ord("Z"))
    heads, kind, talker = heads[named], kind[named], ((head[1] << 8) | head[2])[named]
    dollar, star = stops[heads], np.append(stops, len(marks))[heads + 1]
    sound = _is_sound(text, np.append(marks, size), np.append(sign, 0), dollar, star)
    is_position = np.isin(kind, _POSITIONS)
    found, bad = int(is_position.sum()), int((is_position & ~sound).sum())
    dollar, star, kind, talker = dollar[sound], star[sound], kind[sound], talker[sound]
    columns = np.full((len(Epoch._fields), len(kind)), np.nan)
    time = np.zeros((len(kind), 3), np.uint64)
    for i, reader in enumerate(_READERS):
        same = np.flatnonzero(kind == i)
        if len(same) == 0:
            continue
        fields = _Fields(text, marks, dollar[same] + 1, star[same])
        for field, values in reader(fields).items():
            columns[Epoch._fields.index(field), same] = values
        if i != _VTG:
            key = _keys(text, *fields.bounds(0))
            if key is None:
                return None
            time[same] = key
    return _Said(marks[dollar] + offset, kind, talker.astype(np.int64), time, columns, found, bad)


def _is_sound(text: Bytes, marks: Places, sign: Bytes, dollar: Places, star: Places) -> Flags:
    """Whether a star and the checksum of what lies between follow each dollar's body."""
    start, end = marks[dollar], marks[star]
    sound: Flags = (sign[star] == _STAR) & (end - start - 7 <= LONGEST_BODY)
    start, end = start[sound], end[sound]
    if len(start) == 0:
        return sound
    edges = np.stack([start + 1, end], axis=1).ravel()
    stated = 16 * _HEX[text[end + 1]] + _HEX[text[end + 2]]  # a digit that is none: above 255
    sound[sound] = np.bitwise_xor.reduceat(text, edges)[::2] == stated
    return sound


def _keys(text: Bytes, start: Places, end: Places) -> NDArray[np.uint64] | None:
    """Two of these are equal where two texts are; None where one is too long."""
    length = end - start
    if length.max() > _KEY:
        return None
    padded = windows(text, start, _KEY) * (np.arange(_KEY) < length[:, None])
    return np.concatenate(
        [padded.astype(np.uint8).view(np.uint64), length[:, None].astype(np.uint64)], axis=1
    )


# --- fields ----------------------------------------------------------------------------


def _rmc(f: _Fields) -> dict[str, Floats]:
    void = np.maximum(
        _each(f.texts(1), lambda status: float(status != b"A")),
        _each(f.texts(11), lambda mode: float(mode in UNMEASURED)),
    )
    return {
        "tod_s": _tod_s(f),
        "day": _each(f.texts(8), lambda d: day_of(d[:2], d[2:4], d[4:])),
        "latitude_deg": _angle_deg(f, 2, b"N", b"S"),
        "longitude_deg": _angle_deg(f, 4, b"E", b"W"),
        "speed_mps": f.numbers(6) * KNOT_MPS,
        "void": void,
    }


def _gga(f: _Fields) -> dict[str, Floats]:
    return _gga_like(f, lambda quality: float(quality in UNMEASURED_QUALITIES))


def _gns(f: _Fields) -> dict[str, Floats]:
    return _gga_like(f, lambda modes: float(UNMEASURED_MODES.issuperset(modes)))


def _gga_like(f: _Fields, void: Callable[[bytes], float]) -> dict[str, Floats]:
    return {
        "tod_s": _tod_s(f),
        "latitude_deg": _angle_deg(f, 1, b"N", b"S"),
        "longitude_deg": _angle_deg(f, 3, b"E", b"W"),
        "altitude_m": f.numbers(8),
        "hdop": f.numbers(7),
        "satellites": f.numbers(6),
        "void": _each(f.texts(5), void),
    }


def _vtg(f: _Fields) -> dict[str, Floats]:
    with_units = f.star - f.first > 4
    by_knots = f.numbers(np.where(with_units, 4, 2)) * KNOT_MPS
    by_kmh = f.numbers(np.where(with_units, 6, 3)) / 3.6
    return {"speed_mps": np.where(np.isnan(by_kmh), by_knots, by_kmh)}


def _zda(f: _Fields) -> dict[str, Floats]:
    texts = cut(f.text, f.bounds(1)[0], f.bounds(3)[1])
    return {
        "tod_s": _tod_s(f),
        "day": _each(texts, lambda t: day_of(*(*t.split(b","), b"", b"")[:3])),
    }


_READERS: tuple[Callable[[_Fields], dict[str, Floats]], ...] = (_rmc, _gga, _gns, _zda, _vtg)


def _each(texts: pa.Array, meaning: Callable[[bytes], float]) -> Floats:
    """`meaning` of each text, where few differ."""
    encoded = pc.dictionary_encode(texts.cast(pa.binary()), null_encoding="encode")
    values = np.array([meaning(t or b"") for t in encoded.dictionary.to_pylist()], np.float64)
    chosen: Floats = values[column(encoded.indices, np.int32)[0]]
    return chosen


def _tod_s(f: _Fields) -> Floats:
    start, end = f.bounds(0)
    digits = windows(f.text, start, 4).T - np.uint8(ord("0"))  # below "0" it becomes more than 9
    whole = (digits.max(axis=0) <= 9) & (end - start >= 6)
    seconds = numbers(cut(f.text, np.where(whole, start + 4, end), end))
    hours, minutes = (10.0 * digits[i] + digits[i + 1] for i in (0, 2))
    sound = (hours < 24) & (minutes < 60) & (seconds >= 0.0) & (seconds < 61.0)
    return np.where(sound, 3600.0 * hours + 60.0 * minutes + seconds, np.nan)


def _angle_deg(f: _Fields, i: int, positive: bytes, negative: bytes) -> Floats:
    value = f.numbers(i)
    signs = {positive: 1.0, negative: -1.0}
    sign = _each(f.texts(i + 1), lambda side: signs.get(side, math.nan))
    value = np.where(np.isinf(value), np.nan, value)
    degrees = value // 100.0
    minutes = value - 100.0 * degrees
    return np.where(minutes < 60.0, (degrees + minutes / 60.0) * sign, np.nan)


# --- epochs ----------------------------------------------------------------------------


def _joined(data: bytes, said: _Said) -> Epochs:
    """Neighbours of one time are an epoch. Where one of them comes twice it takes a closer
    look whether they are several: those stretches go through `one_by_one`."""
    timed = np.flatnonzero(said.kind != _VTG)  # which has no time and joins what stands before
    if len(timed) == 0:
        return Epochs(
            np.empty((0, len(Epoch._fields))), np.empty(0, np.int64), said.found, said.bad
        )
    changes = np.diff(said.time[timed], axis=0) != 0  # unsigned: no difference but of equals is 0
    fresh = np.append(True, changes[:, 0] | changes[:, 1] | changes[:, 2])
    begins = np.zeros(len(said.kind), np.int64)
    begins[timed] = fresh
    of = np.cumsum(begins) - 1
    n = int(of[-1]) + 1
    rows = np.full((n, len(Epoch._fields)), np.nan)
    for i in range(len(Epoch._fields) - 1):
        stated = np.flatnonzero(~np.isnan(said.columns[i]) & (of >= 0))[::-1]
        rows[of[stated], i] = said.columns[i, stated]  # the last written, the first said, stands
    for void in (0.0, 1.0):
        rows[of[said.columns[-1] == void], -1] = void
    first = timed[fresh]
    talker = said.talker[first]
    per_kind = np.bincount(of[timed] * len(_CODES) + said.kind[timed], minlength=n * len(_CODES))
    twice: Flags = np.any(per_kind.reshape(n, -1) > 1, axis=1)
    if twice.any():
        edges = np.append(said.start[first], len(data))
        rows, talker = _mended(data, rows, talker, twice, edges)
    return Epochs(rows, talker, said.found, said.bad)


def _mended(
    data: bytes, rows: Floats, talker: Places, twice: Flags, edges: Places
) -> tuple[Floats, Places]:
    """Rows and talkers, those of the epochs `twice` (n,) found one by one; `edges` (n + 1,) is
    where the epochs begin and end in the log."""
    turns = np.flatnonzero(np.diff(twice, prepend=not twice[0], append=not twice[-1]))
    all_rows, all_talkers = [], []
    for a, b in zip(turns[:-1].tolist(), turns[1:].tolist(), strict=True):
        if twice[a]:
            stretch = one_by_one(data[edges[a] : edges[b]])
            all_rows.append(stretch.columns)
            all_talkers.append(stretch.talker)
        else:
            all_rows.append(rows[a:b])
            all_talkers.append(talker[a:b])
    return np.concatenate(all_rows), np.concatenate(all_talkers)
