"""NMEA 0183 sentence by sentence: what each one says, and how those of one epoch are joined.

This is the plain way. `sentence_columns` does the same for a whole log at once, and tests hold it
to the same results: whoever changes the meaning of a sentence changes both.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Callable, Sequence
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.base.values import Floats

KNOT_MPS = 1852.0 / 3600.0  # the international nautical mile over an hour

LONGEST_BODY = 240  # bytes
MOST_READ_SINGLY = 1 << 21  # sentences: half a minute's work, and a day of two at ten a second
_SENTENCE_PATTERN = re.compile(
    rb"\$([A-Z]{2})(RMC|GGA|GNS|VTG|ZDA),([^$*\r\n]{0,%d})(?:\*([0-9A-Fa-f]{2}))?" % LONGEST_BODY
)
_EPOCH_DAY = date(1970, 1, 1).toordinal()
UNMEASURED = (b"N", b"E", b"M", b"S")  # no fix, dead reckoning, typed in, simulated
UNMEASURED_MODES = frozenset(b"".join(UNMEASURED))
UNMEASURED_QUALITIES = (b"0", b"6", b"7", b"8")  # the same in GGA

Fields = Sequence[bytes]


class TooManySentences(Exception):
    """More than any recording has, in a log that has to be read sentence by sentence."""


class Epoch(NamedTuple):
    """What one sentence, or all sentences of one epoch, state; NaN where they state nothing.

    `void` is 1 where they say that there is no fix, 0 where there is one, NaN where neither.
    """

    tod_s: float = math.nan  # UTC time of day
    day: float = math.nan  # days since 1970-01-01
    latitude_deg: float = math.nan
    longitude_deg: float = math.nan
    speed_mps: float = math.nan
    altitude_m: float = math.nan
    hdop: float = math.nan
    satellites: float = math.nan
    void: float = math.nan


class Epochs(NamedTuple):
    """Epochs of a log: `columns` (n, fields of Epoch) and the `talker` of each as a code (n,);
    how many position sentences were found, and how many of them were broken."""

    columns: Floats
    talker: NDArray[np.int64]
    found: int
    bad: int


def epochs_by_sentence(data: bytes) -> Epochs:
    """All epochs of a log, from every sound sentence in turn. Raises TooManySentences."""
    if data.count(b"$") > MOST_READ_SINGLY:
        raise TooManySentences
    rows, talkers = array("d"), array("q")
    found = bad = 0
    row = list(Epoch())
    time_field: bytes | None = None
    owner = 0
    seen: dict[bytes, tuple[bytes, bytes]] = {}
    for sentence in _SENTENCE_PATTERN.finditer(data):
        talker, kind, body, check = sentence.groups()
        is_position = kind in (b"RMC", b"GGA", b"GNS")
        found += is_position
        if check is None or checksum(data[sentence.start() + 1 : sentence.end() - 3]) != int(
            check, 16
        ):
            bad += is_position
            continue
        fields = body.split(b",")
        stated = _EPOCH_READERS[kind](fields)
        if kind == b"VTG":
            if time_field is not None and math.isnan(row[4]):
                row[4] = stated.speed_mps
            continue
        same_time = fields[0] == time_field
        if same_time and seen.get(kind) == (talker, body):
            continue
        again = kind in seen and (seen[kind][0] == talker or (row[8] == 1.0 and stated.void == 0.0))
        if not same_time or again:
            if time_field is not None:
                rows.extend(row)
                talkers.append(owner)
            row, time_field, seen = list(stated), fields[0], {}
            owner = int.from_bytes(talker, "big")
        else:
            void = row[8] if kind in seen else max(stated.void, row[8], key=_void_rank)
            row = [a if a == a else b for a, b in zip(row, stated, strict=True)]  # a != a: NaN
            row[8] = void
        seen.setdefault(kind, (talker, body))
    if time_field is not None:
        rows.extend(row)
        talkers.append(owner)
    columns = np.array(rows, dtype=np.float64).reshape(-1, len(Epoch._fields))
    return Epochs(columns, np.array(talkers, dtype=np.int64), found, bad)


def _void_rank(void: float) -> float:
    return -1.0 if math.isnan(void) else void


def checksum(body: bytes) -> int:
    """All bytes xor-ed (NMEA 0183). Takes at most 256 bytes: it folds their number in halves."""
    folded = int.from_bytes(body, "little")
    for bits in (1024, 512, 256, 128, 64, 32, 16, 8):
        folded ^= folded >> bits
    return folded & 0xFF


def _rmc_epoch(f: Fields) -> Epoch:
    void = _field_at(f, 1) != b"A" or _field_at(f, 11) in UNMEASURED
    return Epoch(
        _time_of_day_s(_field_at(f, 0)),
        day_of(_field_at(f, 8)[:2], _field_at(f, 8)[2:4], _field_at(f, 8)[4:]),
        _angle_degrees(_field_at(f, 2), _field_at(f, 3), b"N", b"S"),
        _angle_degrees(_field_at(f, 4), _field_at(f, 5), b"E", b"W"),
        speed_mps=_nmea_number(_field_at(f, 6)) * KNOT_MPS,
        void=float(void),
    )


def _gga_epoch(f: Fields) -> Epoch:
    return _position_epoch(f, _field_at(f, 5) in UNMEASURED_QUALITIES)


def _gns_epoch(f: Fields) -> Epoch:
    return _position_epoch(f, UNMEASURED_MODES.issuperset(_field_at(f, 5)))


def _position_epoch(f: Fields, void: bool) -> Epoch:
    return Epoch(
        _time_of_day_s(_field_at(f, 0)),
        math.nan,
        _angle_degrees(_field_at(f, 1), _field_at(f, 2), b"N", b"S"),
        _angle_degrees(_field_at(f, 3), _field_at(f, 4), b"E", b"W"),
        math.nan,
        _nmea_number(_field_at(f, 8)),
        _nmea_number(_field_at(f, 7)),
        _nmea_number(_field_at(f, 6)),
        float(void),
    )


def _vtg_epoch(f: Fields) -> Epoch:
    knots, kmh = (4, 6) if len(f) > 4 else (2, 3)  # without unit letters before NMEA 2.0
    by_knots, by_kmh = (
        _nmea_number(_field_at(f, knots)) * KNOT_MPS,
        _nmea_number(_field_at(f, kmh)) / 3.6,
    )
    return Epoch(speed_mps=by_knots if math.isnan(by_kmh) else by_kmh)


def _zda_epoch(f: Fields) -> Epoch:
    return Epoch(
        _time_of_day_s(_field_at(f, 0)), day_of(_field_at(f, 1), _field_at(f, 2), _field_at(f, 3))
    )


_EPOCH_READERS: dict[bytes, Callable[[Fields], Epoch]] = {
    b"RMC": _rmc_epoch,
    b"GGA": _gga_epoch,
    b"GNS": _gns_epoch,
    b"VTG": _vtg_epoch,
    b"ZDA": _zda_epoch,
}


def _field_at(fields: Fields, i: int) -> bytes:
    return fields[i] if i < len(fields) else b""


def _nmea_number(text: bytes) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _time_of_day_s(text: bytes) -> float:
    """hhmmss.sss to seconds since midnight; 235960 is a leap second."""
    seconds = _nmea_number(text[4:])
    if not (text[:4].isdigit() and len(text) >= 6 and 0.0 <= seconds < 61.0):
        return math.nan
    hours, minutes = int(text[:2]), int(text[2:4])
    return 3600.0 * hours + 60.0 * minutes + seconds if hours < 24 and minutes < 60 else math.nan


def day_of(day: bytes, month: bytes, year: bytes) -> float:
    """Days since 1970-01-01, NaN where it is no date. Two-digit years mean 1980 to 2079."""
    try:
        y = int(year)
        if len(year) == 2:
            y += 1900 if y >= 80 else 2000
        return float(date(y, int(month), int(day)).toordinal() - _EPOCH_DAY)
    except (ValueError, OverflowError):
        return math.nan


def _angle_degrees(text: bytes, side: bytes, positive: bytes, negative: bytes) -> float:
    """dddmm.mmmm to degrees, negative unless `side` is the `positive` one; NaN where wrong."""
    value = _nmea_number(text)
    if math.isnan(value) or math.isinf(value) or side not in (positive, negative):
        return math.nan
    degrees = value // 100.0
    minutes = value - 100.0 * degrees
    if minutes >= 60.0:
        return math.nan
    return (degrees + minutes / 60.0) * (1.0 if side == positive else -1.0)
