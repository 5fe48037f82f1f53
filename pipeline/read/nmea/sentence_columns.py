"""NMEA 0183 by columns: all sentences of a log at once, with the results of `sentences`.

Whoever changes the meaning of a sentence changes it here and in `sentences`; tests compare them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.base.values import Floats
from pipeline.read.nmea.sentences import (
    KNOT_MPS,
    LONGEST_BODY,
    UNMEASURED,
    UNMEASURED_MODES,
    UNMEASURED_QUALITIES,
    Epoch,
    Epochs,
    TooManySentences,
    day_of,
    epochs_by_sentence,
)
from pipeline.read.text_columns import (
    Bytes,
    Offsets,
    arrow_column,
    cut_texts,
    float_values,
    windows,
)

Flags = NDArray[np.bool_]

_STRETCH_BYTES = 1 << 20  # taken together, to limit the memory
_MOST_SENTENCES = 5_000_000  # of one recording, 52 bytes each in the largest file
_KEY_BYTES = 16  # of a time field, compared with others
_RMC, _GGA, _GNS, _ZDA, _VTG = range(5)
_POSITIONS = (_RMC, _GGA, _GNS)
_CODES = [int.from_bytes(k, "big") for k in (b"RMC", b"GGA", b"GNS", b"ZDA", b"VTG")]
_DOLLAR, _STAR, _COMMA = b"$*,"
_IS_MARK = np.isin(np.arange(256), list(b"$*,\r\n"))
_HEX = np.full(256, 256, np.int16)
_HEX[list(b"0123456789ABCDEF")] = _HEX[list(b"0123456789abcdef")] = np.arange(16)


class _Sentences(NamedTuple):
    """The sound sentences of a stretch of the log, in its order.

    Where each `start`s in the log, its `kind`, its `talker`'s code, its `time` field as numbers to
    compare (n, 3), and its `columns` (fields of Epoch, n). `found` and `bad` count position
    sentences.
    """

    start: Offsets
    kind: Offsets
    talker: Offsets
    time: NDArray[np.uint64]
    columns: Floats
    found: int
    bad: int


class _Fields(NamedTuple):
    """Sentences of one kind in `text`, whose signs stand at `marks`. The first comma of each is at
    `marks[first]`, its star at `marks[star]`."""

    text: Bytes
    marks: Offsets
    first: Offsets
    star: Offsets

    def bounds(self, i: int | Offsets) -> tuple[Offsets, Offsets]:
        """Start and end of field `i` of each sentence; empty where a sentence has fewer fields."""
        at = self.first + i
        if (at < self.star).all():
            return self.marks[at] + 1, self.marks[at + 1]
        end = self.marks[np.minimum(at + 1, self.star)]
        return np.where(at < self.star, self.marks[np.minimum(at, self.star)] + 1, end), end

    def texts(self, i: int | Offsets) -> pa.Array:
        return cut_texts(self.text, *self.bounds(i))

    def numbers(self, i: int | Offsets) -> Floats:
        return float_values(self.texts(i))


def epochs_by_columns(data: bytes) -> Epochs:
    """All epochs of a log, as `epochs_by_sentence` gives them. Raises TooManySentences."""
    if data.count(b"$") > _MOST_SENTENCES:
        raise TooManySentences
    parts: list[_Sentences] = []
    at = 0
    while at < len(data):
        longest = min(at + _STRETCH_BYTES + max(_STRETCH_BYTES, 4 * LONGEST_BODY), len(data))
        end = data.find(b"$", at + _STRETCH_BYTES, longest)
        end = longest if end < 0 else end  # no sentence reaches from before to there
        sentences = _stretch_sentences(data[at:end], at)
        if sentences is None:
            return epochs_by_sentence(data)
        parts.append(sentences)
        at = end
    if not parts:
        return epochs_by_sentence(data)
    start, kind, talker, time = (np.concatenate([part[i] for part in parts]) for i in range(4))
    columns = np.concatenate([part.columns for part in parts], axis=1)
    return _joined_epochs(
        data,
        _Sentences(
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


def _stretch_sentences(stretch: bytes, offset: int) -> _Sentences | None:
    """The sound sentences of a stretch that begins at `offset`; None where a time field is longer
    than can be compared."""
    size = len(stretch)
    text: Bytes = np.frombuffer(stretch + bytes(_KEY_BYTES), np.uint8)
    marks = np.flatnonzero(text[:size] <= _COMMA)  # all signs come before letters and digits
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
    for i, reader in enumerate(_COLUMN_READERS):
        same = np.flatnonzero(kind == i)
        if len(same) == 0:
            continue
        fields = _Fields(text, marks, dollar[same] + 1, star[same])
        for field, values in reader(fields).items():
            columns[Epoch._fields.index(field), same] = values
        if i != _VTG:
            key = _time_keys(text, *fields.bounds(0))
            if key is None:
                return None
            time[same] = key
    return _Sentences(
        marks[dollar] + offset, kind, talker.astype(np.int64), time, columns, found, bad
    )


def _is_sound(text: Bytes, marks: Offsets, sign: Bytes, dollar: Offsets, star: Offsets) -> Flags:
    """Whether each sentence ends with a star and the checksum of what stands before it."""
    start, end = marks[dollar], marks[star]
    sound: Flags = (sign[star] == _STAR) & (end - start - 7 <= LONGEST_BODY)
    start, end = start[sound], end[sound]
    if len(start) == 0:
        return sound
    edges = np.stack([start + 1, end], axis=1).ravel()
    stated = 16 * _HEX[text[end + 1]] + _HEX[text[end + 2]]  # above 255 where one is no digit
    sound[sound] = np.bitwise_xor.reduceat(text, edges)[::2] == stated
    return sound


def _time_keys(text: Bytes, start: Offsets, end: Offsets) -> NDArray[np.uint64] | None:
    """Numbers (n, 3) that are equal where the texts are; None where a text is too long."""
    length = end - start
    if length.max() > _KEY_BYTES:
        return None
    padded = windows(text, start, _KEY_BYTES) * (np.arange(_KEY_BYTES) < length[:, None])
    return np.concatenate(
        [padded.astype(np.uint8).view(np.uint64), length[:, None].astype(np.uint64)], axis=1
    )


# --- fields ----------------------------------------------------------------------------


def _rmc_columns(f: _Fields) -> dict[str, Floats]:
    void = np.maximum(
        _value_of_each(f.texts(1), lambda status: float(status != b"A")),
        _value_of_each(f.texts(11), lambda mode: float(mode in UNMEASURED)),
    )
    return {
        "tod_s": _times_of_day_s(f),
        "day": _value_of_each(f.texts(8), lambda d: day_of(d[:2], d[2:4], d[4:])),
        "latitude_deg": _angles_deg(f, 2, b"N", b"S"),
        "longitude_deg": _angles_deg(f, 4, b"E", b"W"),
        "speed_mps": f.numbers(6) * KNOT_MPS,
        "void": void,
    }


def _gga_columns(f: _Fields) -> dict[str, Floats]:
    return _position_columns(f, lambda quality: float(quality in UNMEASURED_QUALITIES))


def _gns_columns(f: _Fields) -> dict[str, Floats]:
    return _position_columns(f, lambda modes: float(UNMEASURED_MODES.issuperset(modes)))


def _position_columns(f: _Fields, void: Callable[[bytes], float]) -> dict[str, Floats]:
    return {
        "tod_s": _times_of_day_s(f),
        "latitude_deg": _angles_deg(f, 1, b"N", b"S"),
        "longitude_deg": _angles_deg(f, 3, b"E", b"W"),
        "altitude_m": f.numbers(8),
        "hdop": f.numbers(7),
        "satellites": f.numbers(6),
        "void": _value_of_each(f.texts(5), void),
    }


def _vtg_columns(f: _Fields) -> dict[str, Floats]:
    with_units = f.star - f.first > 4
    by_knots = f.numbers(np.where(with_units, 4, 2)) * KNOT_MPS
    by_kmh = f.numbers(np.where(with_units, 6, 3)) / 3.6
    return {"speed_mps": np.where(np.isnan(by_kmh), by_knots, by_kmh)}


def _zda_columns(f: _Fields) -> dict[str, Floats]:
    texts = cut_texts(f.text, f.bounds(1)[0], f.bounds(3)[1])
    return {
        "tod_s": _times_of_day_s(f),
        "day": _value_of_each(texts, lambda t: day_of(*(*t.split(b","), b"", b"")[:3])),
    }


_COLUMN_READERS: tuple[Callable[[_Fields], dict[str, Floats]], ...] = (
    _rmc_columns,
    _gga_columns,
    _gns_columns,
    _zda_columns,
    _vtg_columns,
)


def _value_of_each(texts: pa.Array, meaning: Callable[[bytes], float]) -> Floats:
    """`meaning` of each text, worked out once for each different text."""
    encoded = pc.dictionary_encode(texts.cast(pa.binary()), null_encoding="encode")
    values = np.array([meaning(t or b"") for t in encoded.dictionary.to_pylist()], np.float64)
    chosen: Floats = values[arrow_column(encoded.indices, np.int32)[0]]
    return chosen


def _times_of_day_s(f: _Fields) -> Floats:
    start, end = f.bounds(0)
    digits = windows(f.text, start, 4).T - np.uint8(ord("0"))  # below "0": wraps to above 9
    whole = (digits.max(axis=0) <= 9) & (end - start >= 6)
    seconds = float_values(cut_texts(f.text, np.where(whole, start + 4, end), end))
    hours, minutes = (10.0 * digits[i] + digits[i + 1] for i in (0, 2))
    sound = (hours < 24) & (minutes < 60) & (seconds >= 0.0) & (seconds < 61.0)
    return np.where(sound, 3600.0 * hours + 60.0 * minutes + seconds, np.nan)


def _angles_deg(f: _Fields, i: int, positive: bytes, negative: bytes) -> Floats:
    value = f.numbers(i)
    signs = {positive: 1.0, negative: -1.0}
    sign = _value_of_each(f.texts(i + 1), lambda side: signs.get(side, math.nan))
    value = np.where(np.isinf(value), np.nan, value)
    degrees = value // 100.0
    minutes = value - 100.0 * degrees
    return np.where(minutes < 60.0, (degrees + minutes / 60.0) * sign, np.nan)


# --- epochs ----------------------------------------------------------------------------


def _joined_epochs(data: bytes, sentences: _Sentences) -> Epochs:
    """The epochs: neighbouring sentences with the same time.

    Where a kind of sentence comes twice in one, it may be several epochs. Such stretches go through
    `epochs_by_sentence`.
    """
    timed = np.flatnonzero(sentences.kind != _VTG)  # VTG has no time: it joins the last
    if len(timed) == 0:
        return Epochs(
            np.empty((0, len(Epoch._fields))), np.empty(0, np.int64), sentences.found, sentences.bad
        )
    changes = np.diff(sentences.time[timed], axis=0) != 0  # unsigned, so only equals differ by 0
    fresh = np.append(True, changes[:, 0] | changes[:, 1] | changes[:, 2])
    begins = np.zeros(len(sentences.kind), np.int64)
    begins[timed] = fresh
    of = np.cumsum(begins) - 1
    n = int(of[-1]) + 1
    rows = np.full((n, len(Epoch._fields)), np.nan)
    for i in range(len(Epoch._fields) - 1):
        stated = np.flatnonzero(~np.isnan(sentences.columns[i]) & (of >= 0))[::-1]
        rows[of[stated], i] = sentences.columns[
            i, stated
        ]  # written backwards, so that the first one stated stays
    for void in (0.0, 1.0):
        rows[of[sentences.columns[-1] == void], -1] = void
    first = timed[fresh]
    talker = sentences.talker[first]
    per_kind = np.bincount(
        of[timed] * len(_CODES) + sentences.kind[timed], minlength=n * len(_CODES)
    )
    twice: Flags = np.any(per_kind.reshape(n, -1) > 1, axis=1)
    if twice.any():
        edges = np.append(sentences.start[first], len(data))
        rows, talker = _with_repeats_split(data, rows, talker, twice, edges)
    return Epochs(rows, talker, sentences.found, sentences.bad)


def _with_repeats_split(
    data: bytes, rows: Floats, talker: Offsets, twice: Flags, edges: Offsets
) -> tuple[Floats, Offsets]:
    """Rows and talkers, with the epochs `twice` (n,) found sentence by sentence instead.

    `edges` (n + 1,) is where the epochs begin and end in the log.
    """
    turns = np.flatnonzero(np.diff(twice, prepend=not twice[0], append=not twice[-1]))
    all_rows, all_talkers = [], []
    for a, b in zip(turns[:-1].tolist(), turns[1:].tolist(), strict=True):
        if twice[a]:
            stretch = epochs_by_sentence(data[edges[a] : edges[b]])
            all_rows.append(stretch.columns)
            all_talkers.append(stretch.talker)
        else:
            all_rows.append(rows[a:b])
            all_talkers.append(talker[a:b])
    return np.concatenate(all_rows), np.concatenate(all_talkers)
